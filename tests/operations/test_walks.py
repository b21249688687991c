"""From the database to a walk and back: ranked, kept, changed, and what is refused."""

import shutil
from contextlib import closing
from datetime import timedelta

import pytest
from invented_yard import HOUR, WRAPPED, YARD, metar

from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.inspections import STAND_DEFECTS
from monitor.operations.log import record_inspection
from monitor.operations.ranking import assess_yard
from monitor.operations.walks import change_walk, plan_walk, walk, walks
from monitor.operations.weather import import_weather
from monitor.store.connection import connect
from monitor.walks.daylight import coming_daylight
from monitor.walks.plan import WalkRequest

HOURS = 20 * 24
NOW = WRAPPED + timedelta(days=20, hours=11)
"""Nine in the morning of 9 November 2023 on the yard's clock, 15:00 UTC."""
CREW = ("Ida", "Per", "Jo", "Kai")
MINUTE = timedelta(minutes=1)


@pytest.fixture(scope="module")
def walked_file(yard_file, tmp_path_factory):
    """The invented yard after three weeks; 01 has an open finding, the stands of 03 have shifted."""
    path = shutil.copy(yard_file, tmp_path_factory.mktemp("walks") / "yard.db")
    with closing(connect(path)) as conn:
        answer = metar(WRAPPED + HOUR, HOURS)
        assert import_weather(conn, YARD, "metar-archive", answer, "x.csv", NOW).good
        seen = WRAPPED + 200 * HOUR
        for boat, defect, place, severity in (("01", "loose_band", "port", 2), ("03", "stand_shifted", "stands", 3)):
            found = [NewFinding(defect, place, severity, "")]
            record_inspection(conn, YARD, boat, inspector="Ida", inspected_at=seen, recorded_at=seen, findings=found)
    return path


def plan(conn, now=NOW, **changed):
    fields = {"crew": CREW, "start": NOW, "calls": ("walk first", "walk today", "this week", "no call")}
    return plan_walk(conn, YARD, WalkRequest(**(fields | changed)), by="Ida", now=now)


@pytest.fixture(scope="module")
def planned(walked_file, tmp_path_factory):
    """A file with one walk in it, and the walk."""
    path = shutil.copy(walked_file, tmp_path_factory.mktemp("planned") / "yard.db")
    with closing(connect(path)) as conn:
        stored = plan(conn)
    return path, stored


@pytest.fixture
def unplanned(walked_file, tmp_path):
    """An open connection to a copy without any walk."""
    with closing(connect(shutil.copy(walked_file, tmp_path / "yard.db"))) as opened:
        yield opened


@pytest.fixture
def stored(planned):
    """The walk that is in the database."""
    return planned[1]


@pytest.fixture
def conn(planned, tmp_path):
    """An open connection to a copy with the walk in it."""
    with closing(connect(shutil.copy(planned[0], tmp_path / "yard.db"))) as opened:
        yield opened


def boats_on(stored):
    return sorted(stop.boat for one in stored.plan.rounds for stop in one.stops)


def test_a_walk_rests_on_the_ranking_of_its_moment(conn, stored):
    ranked = assess_yard(conn, YARD, as_of=NOW, known_at=NOW).ranked
    assert stored.plan.as_of == NOW
    on_walk = {stop.boat: (stop.call, stop.score) for one in stored.plan.rounds for stop in one.stops}
    assert on_walk == {line.boat: (line.call, line.score) for line in ranked}


def test_a_walk_is_kept_and_read_back_unchanged(conn, stored):
    assert walk(conn, YARD) == walk(conn, YARD, stored.id) == walk(conn, YARD, stored.id[:6]) == stored
    assert stored.plan == stored.planned
    assert (stored.created_by, stored.created_at, stored.changes) == ("Ida", NOW, ())


def test_daylight_is_that_of_the_yard(stored):
    light = coming_daylight(YARD, NOW)
    kept = stored.plan
    assert (kept.sunrise, kept.sunset, kept.latest_finish) == (light.sunrise, light.sunset, light.sunset)


def test_shifted_stands_are_for_the_stand_crew_alone(stored):
    covers = {cover.boat: cover for cover in stored.covers}
    assert covers["03"].stand_defects == ("stand_shifted",)
    assert set(covers["03"].stand_defects) <= STAND_DEFECTS
    assert covers["01"].stand_defects == ()
    assert any("Boat 03 (stand shifted) is for the yard's stand crew alone" in note for note in stored.plan.notes)


def test_boats_without_a_measured_berth_are_placed_and_told(stored):
    assert all(cover.guessed for cover in stored.covers)
    assert any("3 of 3 berths have no measured position" in note for note in stored.plan.notes)


def test_an_earlier_moment_can_be_planned_on_and_the_one_planned_last_is_the_walk_of_the_yard(conn):
    later = plan(conn, now=NOW + MINUTE, as_of=NOW - 24 * HOUR)
    assert later.plan.as_of == NOW - 24 * HOUR
    assert walk(conn, YARD).id == later.id == walks(conn, YARD)[0].id
    assert len(walks(conn, YARD)) == 2


def test_changes_are_kept_with_who_made_them_and_the_plan_stays_readable(conn, stored):
    dropped = change_walk(conn, YARD, None, change="drop", boat="02", by="Per", now=NOW + MINUTE, note="launched")
    assert boats_on(dropped) == ["01", "03"]
    added = change_walk(conn, YARD, stored.id[:8], change="add", boat="02", party="kai", by="Jo", now=NOW + 2 * MINUTE)
    assert boats_on(added) == ["01", "02", "03"]
    handed = change_walk(conn, YARD, None, change="hand_over", boat="02", party="1", by="Jo", now=NOW + 3 * MINUTE)
    assert "02" in [stop.boat for stop in handed.plan.rounds[0].stops]
    assert handed.planned == stored.plan
    assert [(one.change, one.boat, one.party, one.changed_by) for one in handed.changes] == [
        ("drop", "02", "", "Per"),
        ("add", "02", "Jo and Kai", "Jo"),
        ("hand_over", "02", "Ida and Per", "Jo"),
    ]
    assert handed.changes[0].note == "launched"
    assert walk(conn, YARD) == handed
    assert walks(conn, YARD)[0].changes == 3


@pytest.mark.parametrize(
    "asked, sentence",
    [
        ({"change": "add", "boat": "02"}, "Boat 02 is on the round of"),
        ({"change": "drop", "boat": "99"}, 'No boat "99" was ranked for this walk.'),
        ({"change": "hand_over", "boat": "02", "party": "Zed"}, '"Zed" is nobody on this walk.'),
        ({"change": "hand_over", "boat": "02"}, "Boat 02: hand it over to whom?"),
        ({"change": "paint", "boat": "02"}, "'paint' is no change of a walk"),
        ({"change": "drop", "boat": "02", "by": " "}, "The name of who changes the walk is empty."),
        ({"change": "drop", "boat": "02", "walk_id": "zz"}, "The id 'zz' fits 0 of the walks kept for yard north"),
    ],
)
def test_what_makes_no_sense_is_refused_and_nothing_is_kept(conn, stored, asked, sentence):
    fields = {"walk_id": None, "by": "Ida", "now": NOW + MINUTE} | asked
    with pytest.raises(StormwalkError) as refusal:
        change_walk(conn, YARD, fields.pop("walk_id"), **fields)
    assert str(refusal.value).startswith(sentence)
    assert walk(conn, YARD) == stored


def test_without_a_walk_there_is_nothing_to_change(unplanned):
    assert walk(unplanned, YARD) is None
    with pytest.raises(StormwalkError, match="Yard north has no walk to change yet"):
        change_walk(unplanned, YARD, None, change="drop", boat="02", by="Ida", now=NOW)


def test_a_plan_that_is_refused_keeps_nothing(unplanned):
    with pytest.raises(StormwalkError, match="The crew is nobody"):
        plan(unplanned, crew=())
    with pytest.raises(StormwalkError, match="had no cover on"):
        plan(unplanned, as_of=WRAPPED - 100 * HOUR)
    assert walks(unplanned, YARD) == []
