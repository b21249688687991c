"""How the cost grows with covers, hours and yards: three sizes each, twice as large from one to the next.

Run with ``pytest --benchmark-only tests/benchmarks/test_growth.py``; an ordinary run skips these. Seconds stand in the
table and their exponent in ``extra_info``; asserted is what no other load of the machine changes: the number of calls
of functions, and the highest memory that Python and numpy took.
"""

import math
import shutil
import sys
import tracemalloc
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from time import perf_counter

import pytest
from invented_yard import COVERS, HOUR, WRAPPED, YARD, metar
from made_yard import AS_OF, HOURS, PARAMETERS, START, made_covers, made_season, ranked
from made_yard import YARD as MADE_YARD

from monitor.clocks import Log, clocks
from monitor.hazards.exposure import assess
from monitor.hazards.series import yard_weather
from monitor.operations.ranking import assess_yard
from monitor.operations.register import import_covers
from monitor.operations.weather import import_weather
from monitor.ranking import RankingParameters, rank_covers
from monitor.store import register
from monitor.store.connection import connect

STEEPEST = 1.08
"""Exponent of cost over size that still counts as linear: 8 % over what a size twice as large may cost."""


def calls_of(work):
    """How many functions some work calls, written in Python or in C."""
    count = 0

    def note(frame, event, argument):
        nonlocal count
        count += event in ("call", "c_call")

    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def peak_bytes(work):
    """Highest memory that some work took beyond what was there."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def seconds_of(work):
    begin = perf_counter()
    work()
    return perf_counter() - begin


def exponents(costs):
    """Exponent of the cost between each size and the next, which is twice as large."""
    return [round(math.log2(after / before), 3) for before, after in pairwise(costs)]


def assert_linear(benchmark, works, *, memory=True):
    """Time the largest, and fail where calls or memory grow by more than the size does."""
    for work in works:
        work()  # what is imported or filled once belongs to no size
    calls = [calls_of(work) for work in works]
    bytes_ = [peak_bytes(work) for work in works]
    seconds = [min(seconds_of(work) for _ in range(3)) for work in works]
    benchmark.extra_info.update(
        calls=calls, exponents_of_calls=exponents(calls), exponents_of_seconds=exponents(seconds)
    )
    benchmark.extra_info.update(peak_mb=[round(b / 1e6, 1) for b in bytes_], exponents_of_memory=exponents(bytes_))
    benchmark.pedantic(works[-1], rounds=1)
    assert max(exponents(calls)) <= STEEPEST, calls
    if memory:
        assert max(exponents(bytes_)) <= STEEPEST, bytes_


@pytest.fixture(scope="module")
def season():
    return made_season()


@pytest.mark.benchmark(group="growth")
def test_with_covers(benchmark, season):
    """500, 1,000 and 2,000 covers through 4,400 hours; from 500 on they go block by block."""
    sizes = [made_covers(count) for count in (500, 1000, 2000)]
    assert_linear(benchmark, [lambda covers=covers: ranked(season, covers) for covers in sizes])


@pytest.mark.benchmark(group="growth")
def test_with_hours(benchmark, season):
    """1,100, 2,200 and 4,400 hours over 100 covers."""
    covers = made_covers(100)
    since = clocks({cover.id: START for cover in covers}, {}, Log())

    def rank(hours):
        until = AS_OF - timedelta(hours=HOURS - hours)
        weather = yard_weather(season, MADE_YARD, START, until, PARAMETERS)
        found = assess(weather, MADE_YARD, covers, [], [], since, until, PARAMETERS)
        ids = [cover.id for cover in covers]
        rank_covers([cover.boat.number for cover in covers], ids, found, {}, 0.0, RankingParameters())

    assert_linear(benchmark, [lambda hours=hours: rank(hours) for hours in (1100, 2200, 4400)])


@pytest.fixture(scope="module")
def yards_file(tmp_path_factory):
    """Makes a database of so many yards, each with three covers and 30 days of weather."""
    folder = tmp_path_factory.mktemp("yards")
    body = metar(WRAPPED + HOUR, 720)

    def make(count):
        path = folder / f"{count}.db"
        with closing(connect(path, create=True)) as conn:
            for number in range(count):
                yard = replace(YARD, key=f"yard-{number}")
                register.save_yards(conn, [yard])
                import_covers(conn, yard, COVERS.encode(), "covers.csv", WRAPPED)
                import_weather(conn, yard, "metar-archive", body, "x.csv", WRAPPED + 720 * HOUR)
        return path

    return make


@pytest.mark.benchmark(group="growth")
def test_with_yards(benchmark, yards_file, tmp_path):
    """2, 4 and 8 yards of one database, every one of them ranked: none costs more for the others beside it."""
    now: datetime = WRAPPED + 720 * HOUR

    def rank_all(path):
        with closing(connect(path)) as conn:
            for yard in register.yards(conn):
                assess_yard(conn, yard, as_of=now, known_at=now)

    files = [shutil.copy(yards_file(count), tmp_path) for count in (2, 4, 8)]
    assert_linear(benchmark, [lambda path=path: rank_all(path) for path in files])
