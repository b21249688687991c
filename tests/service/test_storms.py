"""A storm in a simulated week: announced once, reported once, through sleep, outage, quiet hours and broken mail."""

from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from invented_yard import HOUR, YARD, record_yard
from simulated_service import BEGIN, MINUTE

from monitor.service import Service
from monitor.settings import Settings
from monitor.store import register
from monitor.store import service as store
from monitor.store.connection import connect

DAY = timedelta(days=1)
STORM = BEGIN + 40 * HOUR
STORM_H = 10
GALE = {"sknt": "25.00", "gust": "45.00", "drct": "270.00"}


def blows(hour):
    return STORM < hour <= STORM + STORM_H * HOUR


@pytest.fixture
def gale(airport):
    """A gale of ten hours on the third day, foreseen as it comes."""
    airport.weather = lambda hour: GALE if blows(hour) else {}
    airport.forecast = lambda hour: {"wind_speed_10m": 13.0, "wind_gusts_10m": 23.0} if blows(hour) else {}
    return airport


def live(service, clock, until, step=3 * HOUR):
    """Let time pass in steps of some hours, as on a computer that is often asleep; a minute each for the notices."""
    while clock.now < until:
        service.run_due()
        clock.advance(step)


ANNOUNCED = "North Basin: gale without snow expected from Sun 22 Oct 01:00 EDT"


def test_a_week_with_one_gale_tells_of_it_twice_before_and_after(service, clock, people, gale, conn):
    live(service, clock, BEGIN + 7 * DAY, step=9 * HOUR)
    assert [title.split(",")[0] for title in people.titles()] == [ANNOUNCED, "North Basin: storm over"]
    kept = store.notices(conn, register.yard_id(conn, "north"))
    assert [(each.notice.kind, each.notice.storm_start) for each in kept] == [
        ("storm_coming", STORM + HOUR),
        ("storm_ended", STORM + HOUR),
    ]
    coming, ended = kept
    assert coming.made_at == BEGIN  # it lies within 48 h at once
    # The last hour of the gale ends at STORM + 10 h; 12 known hours later it is over.
    over = STORM + (STORM_H + 12) * HOUR
    assert over <= ended.made_at <= over + 9 * HOUR
    assert all(each.tries == 1 and each.sent_at is not None for each in kept)


@pytest.mark.thorough
def test_a_storm_whose_forecast_moves_about_is_announced_once(service, clock, people, airport):
    moved = iter([0, 3, -2, 6, 5, -4, 8, 2, 0, 1, 4, -1])

    def forecast(hour):
        return {"wind_speed_10m": 13.0, "wind_gusts_10m": 23.0} if blows(hour - shift[0] * HOUR) else {}

    shift = [0]
    airport.forecast = forecast
    while clock.now < BEGIN + DAY:
        service.run_due()
        shift[0] = next(moved)
        clock.advance(3 * HOUR)
    assert [title.split(" expected")[0] for title in people.titles()] == ["North Basin: gale without snow"]


def test_a_laptop_that_sleeps_through_the_storm_tells_of_its_end_once_it_wakes(service, clock, people, gale):
    live(service, clock, BEGIN + HOUR, step=HOUR)
    assert len(people.got) == 1
    clock.now = STORM + 26 * HOUR
    live(service, clock, clock.now + 3 * HOUR, step=HOUR)
    assert [title.split(",")[0] for title in people.titles()] == [ANNOUNCED, "North Basin: storm over"]


def test_a_storm_under_a_service_that_was_down_is_told_when_its_hours_are_known(service, clock, people, gale):
    gale.down = lambda now: STORM - 3 * HOUR < now < STORM + DAY
    live(service, clock, STORM + DAY, step=8 * HOUR)
    assert people.titles() == [ANNOUNCED]  # not known is not quiet
    live(service, clock, STORM + DAY + 3 * HOUR)
    assert len(people.got) == 2
    assert people.titles()[1].startswith("North Basin: storm over")


def test_nobody_is_told_in_quiet_hours_and_everything_is_after_them(path, clock, people, gale):
    with closing(connect(path)) as conn:
        register.save_yards(conn, [replace(YARD, quiet_hours="21:00-05:30")])
        clock.now = BEGIN + 14 * HOUR  # 02:00 UTC, 22:00 in the yard
        service = Service(path, Settings(), people, clock)
        service.run_due()
        (waiting,) = store.notices(conn, register.yard_id(conn, "north"))
        assert (waiting.tries, waiting.state(clock.now), people.got) == (0, "waiting", [])
        clock.now = BEGIN + 21 * HOUR + 29 * MINUTE  # 05:29
        service.run_due()
        assert people.got == []
        clock.advance(MINUTE)
        service.run_due()
        assert len(people.got) == 1


def test_a_notice_that_does_not_go_out_is_tried_again_ever_later_and_shown(service, clock, people, gale, conn):
    people.down = True
    tried = []
    while clock.now < BEGIN + 3 * HOUR:
        before = people.tried
        service.run_due()
        if people.tried > before:
            tried.append(clock.now)
        clock.advance(5 * MINUTE)
    # By hand: at once, then after 5, 10, 20, 40 and 80 min.
    assert [(moment - BEGIN) / MINUTE for moment in tried] == [0, 5, 15, 35, 75, 155]
    (state,) = [state for state in service.states("north") if state.job == "notices north"]
    assert (state.outcome, state.failures) == ("failed", 6)
    assert state.message.endswith("not sent, tried 6 times. the mail server does not answer.")
    people.down = False
    clock.advance(2 * HOUR)
    service.run_due()
    assert people.titles() == [ANNOUNCED]
    (kept,) = store.notices(conn, register.yard_id(conn, "north"))
    assert (kept.tries, kept.last_message, kept.state(clock.now)) == (7, "sent to 1 address", "sent")
    clock.advance(5 * HOUR)
    service.run_due()
    assert len(people.got) == 1


def test_a_notice_that_is_no_news_any_more_is_given_up_and_still_listed(service, clock, people, gale, conn):
    people.down = True
    service.run_due()
    gale.down = lambda now: True
    clock.advance(25 * HOUR)
    people.down = False
    service.run_due()
    (kept,) = store.notices(conn, register.yard_id(conn, "north"))
    assert (kept.state(clock.now), people.got) == ("given up", [])


def test_without_an_address_notices_are_kept_and_nothing_fails(service, clock, people, gale, conn):
    people.has_address = lambda yard_key: False
    service.run_due()
    assert len(store.notices(conn, register.yard_id(conn, "north"))) == 1
    assert people.tried == 0
    assert [state.outcome for state in service.states() if state.job == "notices north"] == ["never"]


def test_each_yard_is_told_of_its_own_storm(two_yards, clock, people, gale):
    Service(two_yards, Settings(), people, clock).run_due()
    assert sorted((message.yard_key, message.title.split(":")[0]) for message in people.got) == [
        ("north", "North Basin"),
        ("south", "South Basin"),
    ]


# --- rankings of the service


@pytest.mark.thorough
def test_a_ranking_is_kept_when_a_call_changes_and_once_a_day_else(service, clock, gale, conn):
    live(service, clock, STORM - HOUR, step=6 * HOUR)
    quiet = [row["as_of"] for row in conn.execute("SELECT as_of FROM rankings ORDER BY as_of")]
    assert len(quiet) == 2  # without a change of call: at once, and a day later
    live(service, clock, STORM + STORM_H * HOUR, step=3 * HOUR)
    assert conn.execute("SELECT count(*) FROM rankings").fetchone()[0] > len(quiet)


def test_official_alerts_of_the_yard_are_quoted(service, people, gale, monkeypatch):
    class Alert:
        event = "Gale Warning"
        onset = STORM
        ends = STORM + 12 * HOUR
        headline = "Gale Warning issued October 20."

    class Flood(Alert):
        event = "Coastal Flood Warning"

    monkeypatch.setattr("monitor.operations.service.current_alerts", lambda conn, yard, now: [Alert, Flood])
    service.run_due()
    assert "Flood" not in people.got[0].body
    assert "Official: Gale Warning, until Sun 22 Oct 12:00 EDT. Gale Warning issued October 20." in people.got[0].body


def test_what_a_cover_needs_before_the_gale_stands_in_the_announcement(tmp_path, clock, people, gale):
    path = tmp_path / "new.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
    Service(path, Settings(), people, clock).run_due()
    body = people.got[0].body
    assert "Before it comes:\n- 01 Plum, row A, place 1: gust from " in body
    assert "tighten the perimeter band" in body
