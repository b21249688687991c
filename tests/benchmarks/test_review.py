"""Speed of a season's review and of a calibration out of the database: 500 covers, 1,000 inspections on 25 walks.

Run with ``pytest --benchmark-only tests/benchmarks/test_review.py``; an ordinary run skips these. Target: well under a
minute for each on a machine with two cores.
"""

from contextlib import closing
from datetime import timedelta

import numpy as np
import pytest
from invented_yard import DAY, HOUR, YARD, metar
from simulated_yard import SimulatedYard

from monitor.operations.calibration import calibrate_yard
from monitor.operations.review import review_season
from monitor.operations.weather import import_weather
from monitor.store import inspections as log_store
from monitor.store import register
from monitor.store.connection import connect

COVERS, WALKS, A_WALK = 500, 25, 40
DAYS = 180


def made_database(path, *, revised):
    """A season whose weather came in day by day; ``revised`` where the last hour before each walk was told otherwise.

    A revision leaves no moment that could share its hours with a later one: the slowest case.
    """
    made = SimulatedYard(COVERS, seed=11)
    start = made.wrapped_at
    rng = np.random.default_rng(3)
    conn = connect(path, create=True)
    yard_id = register.add_yard(conn, YARD)
    register.save_covers(conn, YARD.key, made.covers, start)
    ids = {cover.boat.number: cover.id for cover in register.all_covers(conn, YARD.key)}
    begin = start
    for day in range(DAYS):
        end = start + day * DAY + 9 * HOUR  # the walk's morning: all is known that ended by then
        hours = (end - begin) // HOUR
        texts = {hour: f"{t:.2f}" for hour, t in enumerate(rng.normal(30, 8, hours))}
        knots = {hour: f"{v:.2f}" for hour, v in enumerate(rng.gamma(2.5, 5, hours))}
        rain = {hour: f"{v:.2f}" for hour, v in enumerate(rng.exponential(0.01, hours))}
        body = metar(begin + HOUR, hours, tmpf=texts, sknt=knots, p01i=rain)
        assert import_weather(conn, YARD, "metar-archive", body, f"{day}.csv", end).good
        if revised:
            last = metar(end, 1, tmpf=f"{rng.normal(30, 8):.2f}")
            assert import_weather(conn, YARD, "metar-archive", last, f"{day} again.csv", end + 3 * HOUR).good
        begin = end
    for walk in range(WALKS):
        morning = start + (7 * walk + 4) * DAY + 9 * HOUR + timedelta(minutes=5)
        chosen = rng.choice(COVERS, A_WALK, replace=False)
        for place, number in enumerate(chosen.tolist()):
            at = morning + timedelta(minutes=4 * place)
            visit, findings = made.inspection(ids[made.covers[number].boat.number], at, rng.random() < 0.15)
            log_store.add_inspection(conn, visit, findings)
    assert yard_id
    return conn, start + DAYS * DAY


@pytest.fixture(scope="module", params=[False, True], ids=["weather stays", "weather is revised"])
def season(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("review") / "yard.db"
    conn, until = made_database(path, revised=request.param)
    with closing(conn):
        yield conn, until


@pytest.mark.benchmark(group="a season of 500 covers and 1,000 inspections out of the database")
def test_a_review_of_a_season(benchmark, season):
    """Every walk replayed with what was known before it, and all measures with their intervals."""
    conn, until = season
    found = benchmark.pedantic(review_season, (conn, YARD), {"until": until}, rounds=1)
    assert found.inspections == WALKS * A_WALK


@pytest.mark.benchmark(group="a season of 500 covers and 1,000 inspections out of the database")
def test_a_calibration(benchmark, season):
    """All inspections with hindsight, the curves fitted, and five times again for the walks held out."""
    conn, until = season
    found = benchmark.pedantic(calibrate_yard, (conn, YARD), {"until": until}, rounds=1)
    assert found.inspections == WALKS * A_WALK
