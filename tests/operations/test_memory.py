"""What is kept between two looks at a yard changes no number: each look with it equals one without, to the last bit."""

import shutil
import tempfile
from contextlib import closing
from dataclasses import fields, is_dataclass, replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_yard import COVERS, GALE, HOUR, SNOW, WRAPPED, YARD, in_hours, metar, open_meteo

from monitor.errors import LogError, StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations import ranking, sources
from monitor.operations.log import record_action, record_inspection
from monitor.operations.memory import Memory
from monitor.operations.ranking import assess_yard
from monitor.operations.register import import_covers, set_curve
from monitor.operations.weather import import_weather, record_reading
from monitor.store import register
from monitor.store.connection import connect

HOURS = 120
FIRST_LOOK = WRAPPED + HOURS * HOUR + timedelta(minutes=20)


# --- the memory itself


def test_a_result_is_made_once_for_what_it_rests_on():
    memory, made = Memory(), []
    for rests_on in (1, 1, 2, 2, 1):
        memory.keep("load", rests_on, lambda: made.append(1))
    assert len(made) == 3  # for 1, for 2, and for 1 again: only the newest is kept


def test_names_do_not_meet():
    memory = Memory()
    assert memory.keep("load", 1, lambda: "snow") == "snow"
    assert memory.keep("storms", 1, lambda: "gale") == "gale"
    assert memory.keep("load", 1, lambda: "never") == "snow"


def test_of_many_only_those_that_changed_are_made_and_all_come_in_order():
    memory, asked = Memory(), []

    def make(keys):
        asked.append(keys)
        return [f"{key}{len(asked)}" for key in keys]

    assert memory.keep_each("cover", {"a": 1, "b": 1}, make) == ["a1", "b1"]
    assert memory.keep_each("cover", {"b": 1, "a": 2, "c": 1}, make) == ["b1", "a2", "c2"]
    assert memory.keep_each("cover", {"c": 1}, make) == ["c2"]
    assert memory.keep_each("cover", {"c": 1, "a": 2}, make) == ["c2", "a3"]  # what is not asked for is forgotten
    assert asked == [["a", "b"], ["a", "c"], ["a"]]


def test_what_cannot_be_made_is_not_kept():
    memory = Memory()

    def fail(*_):
        raise StormwalkError("no weather")

    for _ in range(2):
        with pytest.raises(StormwalkError):
            memory.keep("load", 1, fail)
        with pytest.raises(StormwalkError):
            memory.keep_each("cover", {"a": 1}, fail)
    assert memory.keep_each("cover", {"a": 1}, lambda keys: ["made"]) == ["made"]


# --- a yard looked at again and again


def same(one, other, where="assessment"):
    """Fail unless two values are equal in every part, arrays and frames to the bit."""
    assert type(one) is type(other), where
    if is_dataclass(one):
        for part in fields(one):
            same(getattr(one, part.name), getattr(other, part.name), f"{where}.{part.name}")
    elif isinstance(one, np.ndarray):
        assert (one.dtype, one.shape, one.tobytes()) == (other.dtype, other.shape, other.tobytes()), where
    elif isinstance(one, pd.Index):
        assert one.equals(other), where
    elif isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, other, check_exact=True, obj=where)
    elif isinstance(one, dict):
        assert list(one) == list(other), where
        for key in one:
            same(one[key], other[key], f"{where}[{key!r}]")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), where
        for number, (part, its) in enumerate(zip(one, other, strict=True)):
            same(part, its, f"{where}[{number}]")
    else:
        assert one == other or one != one, where  # NaN is the only value that differs from itself


class Yard:
    """A database, a clock and a memory, and what can happen to them."""

    def __init__(self, conn):
        self.conn, self.now, self.memory, self.fetched = conn, FIRST_LOOK, Memory(), HOURS

    def look(self, **choices):
        yard = register.yard(self.conn, YARD.key)
        asked = {"as_of": self.now, "known_at": self.now, **choices}
        with_memory = assess_yard(self.conn, yard, **asked, memory=self.memory)
        same(with_memory, assess_yard(self.conn, yard, **asked))
        return with_memory

    # What happens; ``boat`` is among those of the yard.

    def all_sound(self, boat):
        self._inspect(boat, inside=True)

    def finding(self, boat):
        self._inspect(boat, findings=[NewFinding("loose_band", "port", 2)])

    def snow_measured(self, boat):
        self._inspect(boat, snow_depth_m=0.12)

    def snow_cleared(self, boat):
        self._act(boat, "cleared_snow")

    def retensioned(self, boat):
        self._act(boat, "retensioned_band")

    def rebuilt(self, boat):
        cover = register.find_cover(self.conn, YARD.key, boat)
        build = replace(cover.builds[-1], built_at=self.now - 30 * HOUR, ridge_rise_m=1.1, vent_count=6)
        register.add_build(self.conn, cover.id, build, self.now)

    def turned(self, boat):
        """The bow is found to point elsewhere: the register is imported again."""
        lines = [line.replace(f"A,{int(boat)},", f"B,{int(boat)},") for line in COVERS.splitlines()]
        turned = "\n".join(line.replace(",0,exposed", ",45,exposed") for line in lines) + "\n"
        import_covers(self.conn, register.yard(self.conn, YARD.key), turned.encode(), "covers.csv", self.now)

    def yard_moved(self, boat):
        register.update_yard(self.conn, replace(YARD, latitude_deg=44.0, terrain="suburban", display_units="us"))

    def curve_changed(self, boat):
        set_curve(self.conn, YARD, "gust", 100.0, 300.0, reason="seen", now=self.now)

    def weather_came(self, boat):
        columns = in_hours(range(self.fetched - 20, self.fetched - 10), SNOW)
        body = metar(WRAPPED + HOUR, self.fetched + 2, **columns)
        import_weather(self.conn, YARD, "metar-archive", body, "more.csv", self.now)
        self.fetched += 2

    def forecast_came(self, boat):
        hour = self.now.replace(minute=0)
        body = open_meteo(hour - 2 * HOUR, 60, wind_gusts_10m=24.0, wind_speed_10m=15.0)
        import_weather(self.conn, YARD, "open-meteo", body, "forecast.json", self.now)

    def stake_read(self, boat):
        record_reading(self.conn, YARD, {"snow_depth_m": 0.2}, at=self.now, by="Ida", recorded_at=self.now)

    def other_source_first(self, boat):
        sources.set_order(self.conn, YARD, "open-meteo,metar-archive", "", self.now)

    def minutes_pass(self, boat):
        self.now += timedelta(minutes=7)

    def hours_pass(self, boat):
        self.now += 3 * HOUR

    def clock_set_back(self, boat):
        self.now -= timedelta(minutes=95)

    def _inspect(self, boat, **seen):
        at = self.now - timedelta(minutes=5)
        record_inspection(self.conn, YARD, boat, inspector="Ida", inspected_at=at, recorded_at=self.now, **seen)

    def _act(self, boat, action):
        at = self.now - timedelta(minutes=3)
        record_action(self.conn, YARD, boat, action=action, actor="Per", acted_at=at, recorded_at=self.now)


EVENTS = [name for name, of in vars(Yard).items() if not name.startswith("_") and name != "look" and callable(of)]


@pytest.fixture(scope="module")
def snowy_file(yard_file, tmp_path_factory):
    """The invented yard after five days with snow and a gale."""
    path = shutil.copy(yard_file, tmp_path_factory.mktemp("memory") / "snowy.db")
    weather = in_hours(range(40, 60), SNOW) | in_hours(range(80, 90), GALE)
    with closing(connect(path)) as conn:
        import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, HOURS, **weather), "x.csv", FIRST_LOOK)
    return path


@pytest.fixture
def yard(snowy_file, tmp_path):
    with closing(connect(shutil.copy(snowy_file, tmp_path / "stormwalk.db"))) as conn:
        yield Yard(conn)


def test_looks_through_all_that_can_happen_are_the_ones_without_memory(yard):
    yard.look(outlook_h=24)
    for event in EVENTS:
        getattr(yard, event)("02")
        yard.look(outlook_h=24)


@pytest.mark.thorough
@pytest.mark.parametrize("event", EVENTS)
def test_a_look_after_anything_happened_is_the_one_without_memory(yard, event):
    before = yard.look(outlook_h=48)
    getattr(yard, event)("02")
    after = yard.look(outlook_h=48)
    yard.look()
    if event not in ("forecast_came", "other_source_first"):  # not yet a part of the weather that was
        with pytest.raises(AssertionError):
            same(before, after)


histories = st.lists(st.tuples(st.sampled_from(EVENTS), st.sampled_from(["01", "02", "03"])), min_size=2, max_size=6)


@pytest.mark.thorough
@settings(max_examples=15)
@given(history=histories)
def test_looks_through_any_history_are_the_ones_without_memory(snowy_file, history):
    with tempfile.TemporaryDirectory() as folder, closing(connect(Path(shutil.copy(snowy_file, folder)))) as conn:
        yard = Yard(conn)
        yard.look(outlook_h=24)
        for event, boat in history:
            try:
                getattr(yard, event)(boat)
            except LogError:  # logged before in this very second: nothing happened
                continue
            yard.look(outlook_h=24)


def test_after_an_inspection_one_cover_alone_is_worked_out_again(yard, monkeypatch):
    worked_out = []
    assess = ranking.assess
    monkeypatch.setattr(ranking, "assess", lambda *a, **k: worked_out.append(len(a[2])) or assess(*a, **k))
    asked = {"as_of": yard.now, "known_at": yard.now, "memory": yard.memory}
    assess_yard(yard.conn, YARD, **asked)
    yard.all_sound("02")
    assess_yard(yard.conn, YARD, **asked)
    yard.minutes_pass("02")
    assess_yard(yard.conn, YARD, **asked)
    yard.weather_came("02")
    asked |= {"as_of": yard.now, "known_at": yard.now}
    assess_yard(yard.conn, YARD, **asked)
    assert worked_out == [3, 1, 3]


def test_one_boat_alone_has_the_numbers_of_the_whole_yard(yard):
    yard.finding("02")
    yard.snow_measured("01")
    whole = yard.look(with_series=True)
    for place, cover in enumerate(whole.covers):
        alone = assess_yard(yard.conn, YARD, as_of=yard.now, known_at=yard.now, only=cover.boat.number)
        (line,) = alone.ranked
        same(replace(line, rank=0), replace(next(one for one in whole.ranked if one.boat == line.boat), rank=0))
        assert alone.open_findings == {n: of for n, of in whole.open_findings.items() if n == line.boat}
        for mine, all_covers in zip(alone.exposures, whole.exposures, strict=True):
            assert mine.value.tobytes() == all_covers.value[place : place + 1].tobytes()
        for name in ("snow_load_kpa", "pocket_mm", "gust_pressure_pa", "film_temperature_c", "inside_rh_pct", "cycles"):
            column = np.ascontiguousarray(getattr(whole.series, name)[:, [place]])
            assert getattr(alone.series, name).tobytes() == column.tobytes()
