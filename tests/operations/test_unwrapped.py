"""A cover that came off in spring: on no list from then on, and everything before stays as it was."""

from contextlib import closing
from datetime import timedelta

import pytest
from invented_yard import COVERS, DAY, GALE, HOUR, WRAPPED, YARD, in_hours, metar
from simulated_service import Airport, Clock, People, plug_in

from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations.condition import condition_report
from monitor.operations.log import record_action, record_inspection
from monitor.operations.ranking import assess_yard, cover_on
from monitor.operations.register import import_covers
from monitor.operations.review import EARLIER_SEASON, replay_season
from monitor.operations.season_review import season_document
from monitor.operations.service import season_over
from monitor.operations.walks import plan_walk
from monitor.operations.weather import import_weather
from monitor.service import Service
from monitor.settings import Settings
from monitor.store import register
from monitor.store import service as service_store
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest

OFF = WRAPPED + 20 * DAY
BOATS = ("01", "02", "03")


def unwrap(conn, *boats, at=OFF, **choices):
    return [
        sentence
        for boat in boats
        for sentence in record_action(
            conn, YARD, boat, action="unwrapped", actor="Ida", acted_at=at, recorded_at=at, **choices
        )
    ]


def weather(conn, days=25):
    columns = in_hours(range(200, 220), GALE)
    body = metar(WRAPPED + HOUR, days * 24, **columns)
    assert import_weather(conn, YARD, "metar-archive", body, "x.csv", WRAPPED + days * DAY).good


def assess(conn, as_of):
    return assess_yard(conn, YARD, as_of=as_of, known_at=as_of)


def boats_ranked(conn, as_of):
    return sorted(line.boat for line in assess(conn, as_of).ranked)


def test_a_cover_that_came_off_is_on_no_list_from_then_on_and_the_others_keep_their_lines(conn):
    weather(conn)
    later = OFF + DAY
    lines = {line.boat: line for line in assess(conn, later).ranked}
    assert unwrap(conn, "02")[1] == ("Boat 02 is on no list any more. Its condition report covers the time until then.")
    assert boats_ranked(conn, OFF) == ["01", "02", "03"]  # at that moment it was still on
    after = assess(conn, later)
    assert {line.boat: line.score for line in after.ranked} == {boat: lines[boat].score for boat in ("01", "03")}
    assert boats_ranked(conn, OFF - DAY) == ["01", "02", "03"]


def test_logged_twice_it_is_said_who_logged_it_before(conn):
    first = unwrap(conn, "02")
    again = record_action(conn, YARD, "02", action="unwrapped", actor="Bo", acted_at=OFF + DAY, recorded_at=OFF + DAY)
    assert len(first) == 2
    assert "It was logged before that the cover came off" in again[-1]
    assert "by Ida (id " in again[-1]


def test_the_list_of_a_moment_before_it_was_logged_still_has_it(conn):
    record_action(conn, YARD, "02", action="unwrapped", actor="Ida", acted_at=OFF, recorded_at=OFF + 2 * DAY)
    assert boats_ranked(conn, OFF + DAY) == ["01", "02", "03"]
    assert boats_ranked(conn, OFF + 3 * DAY) == ["01", "03"]


def test_taken_back_by_a_correction_the_cover_is_on_again(conn):
    unwrap(conn, "02", action_id="1111")
    record_action(
        conn,
        YARD,
        "02",
        action="other",
        actor="Ida",
        note="the wrong boat",
        corrects_id="1111",
        acted_at=None,
        recorded_at=OFF + HOUR,
    )
    assert boats_ranked(conn, OFF + DAY) == ["01", "02", "03"]


def test_a_walk_goes_to_the_covers_that_are_on(conn):
    weather(conn)
    unwrap(conn, "01", "03")
    asked = WalkRequest(("Ida", "Bo"), start=OFF + DAY + 12 * HOUR, calls=tuple(MINUTES))
    plan = plan_walk(conn, YARD, asked, by="Ida", now=OFF + DAY)
    assert [stop.boat for party in plan.plan.rounds for stop in party.stops] == ["02"]


def test_what_was_open_of_a_cover_goes_with_it_but_a_stand_stays_a_matter_of_the_stand_crew(conn):
    seen = OFF - DAY
    for finding in (NewFinding("tear", "bow", 2), NewFinding("tied_to_stand", "port", 3)):
        record_inspection(conn, YARD, "02", inspector="Ida", inspected_at=seen, recorded_at=seen, findings=[finding])
        seen += HOUR
    unwrap(conn, "02")
    left = assess(conn, OFF + DAY).open_findings
    assert [(boat, [entry.finding.defect for entry in entries]) for boat, entries in left.items()] == [
        ("02", ["tied_to_stand"])
    ]


def test_without_any_cover_on_there_is_no_list_and_the_sentence_says_since_when(conn):
    unwrap(conn, "01", "02")
    assert season_over(conn, YARD) == ""
    unwrap(conn, "03", at=OFF + DAY)
    with pytest.raises(StormwalkError) as refusal:
        assess(conn, OFF + 2 * DAY)
    assert str(refusal.value) == (
        "Yard north had no cover on Fri 10 Nov 2023 23:00 EST: the last came off on Thu 9 Nov 2023 23:00 EST. "
        "Look back with an earlier moment, or load next autumn's covers."
    )
    with pytest.raises(StormwalkError) as refusal:
        assess_yard(conn, YARD, as_of=OFF + 2 * DAY, known_at=OFF + 2 * DAY, only="02")
    assert str(refusal.value) == (
        "The cover of boat 02 came off on Wed 8 Nov 2023 23:00 EST. Nothing was made. Look back with an earlier moment."
    )
    assert season_over(conn, YARD).startswith("Every cover has come off")


def test_asked_about_a_boat_that_is_off_the_sentence_says_since_when(conn):
    weather(conn)
    unwrap(conn, "02")
    found = assess(conn, OFF + DAY)
    assert found.came_off == {"02": OFF}
    assert cover_on(found, "01").boat.number == "01"
    with pytest.raises(StormwalkError, match="The cover of boat 02 came off on Wed 8 Nov 2023 23:00 EST"):
        cover_on(found, "02")
    with pytest.raises(StormwalkError, match='No boat "04" stands under a cover in yard north at that time; near it'):
        cover_on(found, "04")


def test_next_autumns_covers_begin_a_season_of_their_own(conn):
    weather(conn)
    unwrap(conn, *BOATS)
    autumn = WRAPPED + timedelta(days=366)
    import_covers(conn, YARD, COVERS.replace("2023-10-20", "2024-10-20").encode(), "covers.csv", autumn)
    assert season_over(conn, YARD) == ""
    found = assess(conn, autumn + DAY)
    assert len(found.ranked) == 3
    assert found.weather.values.empty  # last winter is none of theirs
    assert boats_ranked(conn, OFF - DAY) == ["01", "02", "03"]


# --- documents


def test_the_condition_report_ends_when_the_cover_came_off(conn, tmp_path):
    weather(conn)
    unwrap(conn, "02")

    def report(as_of):
        return condition_report(conn, tmp_path, YARD, "02", as_of=as_of, known_at=OFF + 90 * DAY)

    words = report(OFF + 60 * DAY)
    assert (
        "From its wrapping on Fri 20 Oct 2023 00:00 EDT until it came off on Wed 8 Nov 23:00 EST, 20 days, 1 storm"
        in words
    )
    assert "Nothing: the cover is off." in words
    assert "look at first" not in words
    assert report(OFF + 90 * DAY) == words  # nothing is added in summer
    assert "ago," in report(OFF - HOUR)


def test_the_season_can_be_reviewed_when_every_cover_is_off(conn):
    weather(conn)
    seen = OFF - 10 * DAY
    record_inspection(
        conn, YARD, "01", inspector="Ida", inspected_at=seen, recorded_at=seen, findings=[NewFinding("tear", "bow", 2)]
    )
    unwrap(conn, *BOATS)
    may = OFF + timedelta(days=60)
    season = replay_season(conn, YARD, until=may)
    assert (season.start, len(season.replayed)) == (WRAPPED, 1)
    assert len(season.replayed[0].line.reasons) > 0
    assert season_document(conn, YARD, until=may, known_at=may).startswith("<!DOCTYPE html>")
    with pytest.raises(StormwalkError, match="no season to look back on"):
        replay_season(conn, YARD, until=OFF + EARLIER_SEASON + HOUR)


# --- the service


def test_the_service_asks_for_no_weather_while_no_cover_is_on(path, monkeypatch):
    airport, clock = Airport(), Clock(OFF + DAY)
    plug_in(monkeypatch, airport)
    service = Service(path, Settings(backups="off"), People(), clock)
    with closing(connect(path)) as conn:
        unwrap(conn, *BOATS)
        service.run_due()
        assert airport.pulls == []
        assert {
            (run.job, run.outcome, run.message) for run in service_store.job_runs(conn, 100) if "pull" in run.job
        } == {("pull north", "done", season_over(conn, YARD))}
        autumn = "\n".join([COVERS.splitlines()[0], COVERS.splitlines()[1].replace("2023-10-20", "2023-11-12")])
        import_covers(conn, YARD, autumn.encode(), "covers.csv", clock())
        clock.advance(DAY)
        service.run_due()
        assert airport.pulls != []
        assert len(register.covers(conn, "north")) == 3
