"""From the database to a comparison: the same numbers as the ranking, nothing kept, and what is refused."""

import shutil
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from invented_yard import COVERS, HOUR, SNOW, WRAPPED, YARD, in_hours, metar, open_meteo

from monitor.changes import Change
from monitor.cli.demo import AS_OF as KNOWN_AT
from monitor.errors import StormwalkError
from monitor.operations.ranking import assess_yard
from monitor.operations.register import import_covers
from monitor.operations.weather import import_weather
from monitor.operations.whatif import what_if_boat
from monitor.store.connection import connect
from monitor.store.register import yards

VENTS = Change(vents=8)
HOURS = 48
NOW = WRAPPED + HOURS * HOUR
AS_OF = datetime(2025, 12, 10, 12, tzinfo=UTC)
"""In the demo's winter, some weeks after the first snow."""


@pytest.fixture(scope="module")
def demo(demo_file, tmp_path_factory):
    path = shutil.copy(demo_file, tmp_path_factory.mktemp("whatif") / "demo.db")
    with closing(connect(path)) as opened:
        yield opened


@pytest.fixture
def weathered(conn):
    """The invented yard after two days, a snowfall in the first."""
    answer = metar(WRAPPED + HOUR, HOURS, **in_hours(range(10, 20), SNOW))
    assert import_weather(conn, YARD, "metar-archive", answer, "x.csv", NOW).good
    return conn


def asked(conn, boat, change, as_of=NOW, known_at=None):
    return what_if_boat(conn, YARD, boat, change, as_of=as_of, known_at=known_at or as_of)


def contents(conn):
    return list(conn.iterdump())


@pytest.mark.parametrize("boat", ["03", "17"])
def test_before_is_what_the_ranking_says_to_the_last_digit(demo, boat):
    (yard,) = yards(demo)
    found = what_if_boat(demo, yard, boat, VENTS, as_of=AS_OF, known_at=KNOWN_AT)
    ranked = {line.boat: line for line in assess_yard(demo, yard, as_of=AS_OF, known_at=KNOWN_AT).ranked}
    assert found["score"].before.default == ranked[boat].score
    assert found.calls["before"] == ranked[boat].call
    values = {reason.hazard: reason.value for reason in ranked[boat].reasons}
    assert found["gust_work_now"].before.default == pytest.approx(values["slack"], rel=1e-12)


def test_nothing_is_kept(weathered):
    before = contents(weathered)
    asked(weathered, "02", VENTS)
    assert contents(weathered) == before


def test_a_forecast_is_used_where_one_was_known(weathered):
    change = Change(ridge_raise_m=0.3)
    assert asked(weathered, "01", change).ahead is None
    answer = open_meteo(NOW + HOUR, 24, precipitation=2.0)
    assert import_weather(weathered, YARD, "open-meteo", answer, "x.json", NOW).good
    ahead = asked(weathered, "01", change).ahead
    assert ahead.until == NOW + 24 * HOUR
    assert ahead.values["before"]["snow_peak"] > asked(weathered, "01", change)["snow_peak"].before.default
    assert ahead.values["after"]["snow_peak"] < ahead.values["before"]["snow_peak"]
    assert asked(weathered, "01", change, as_of=NOW - HOUR).ahead is None  # not yet fetched then
    assert asked(weathered, "01", change, known_at=NOW + HOUR).ahead is None  # hindsight needs none


def test_a_changed_build_in_the_register_counts_in_its_time(conn):
    later = WRAPPED + timedelta(days=20)
    assert import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, HOURS), "x.csv", NOW).good
    changed = COVERS.replace("2023-10-20,0.7,3.0,5,3,,1.8,2", "2023-10-20,0.7,3.0,5,3,,1.8,6")
    import_covers(conn, YARD, changed.encode(), "covers.csv", later)
    assert asked(conn, "02", VENTS).cover.builds[0].vent_count == 2


def refusal(conn, boat, change, **moments):
    with pytest.raises(StormwalkError) as refused:
        asked(conn, boat, change, **moments)
    return str(refused.value)


def test_an_unknown_boat_is_refused_with_those_near(weathered):
    assert refusal(weathered, "9", VENTS) == (
        'No boat "9" stands under a cover in yard north at that time; near it are 01, 02, 03.'
    )


@pytest.mark.parametrize(
    "change, what",
    [
        (Change(retensioned_at=(WRAPPED - HOUR,)), "re-tensioned on Thu 19 Oct 2023 23:00 EDT"),
        (Change(cleared_at=(NOW + HOUR,)), "cleared on Sun 22 Oct 2023 01:00 EDT"),
        (Change(vents=8, since=WRAPPED - HOUR), "changed on Thu 19 Oct 2023 23:00 EDT"),
    ],
)
def test_a_moment_outside_the_season_is_refused(weathered, change, what):
    assert refusal(weathered, "02", change) == (
        f"Boat 02: it cannot have been {what}; the season in question runs from its wrapping, Fri 20 Oct 2023 00:00 "
        f"EDT, to Sun 22 Oct 2023 00:00 EDT. Nothing was worked out. Choose a moment between them."
    )


def test_larger_vents_need_vents(weathered):
    assert refusal(weathered, "03", Change(vent_area_m2=0.02)) == (
        "Boat 03 has no vents, so none of them can be larger or smaller. Nothing was worked out. Say how many with "
        "--vents."
    )
    assert asked(weathered, "03", Change(vents=2, vent_area_m2=0.02)).changed.builds[0].vent_area_m2 == 0.02
