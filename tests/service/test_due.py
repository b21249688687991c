"""When each job is due: after a restart, a failure, a clock change, a sleep, a clock that was set wrong."""

from collections import Counter
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import HOUR, YARD
from simulated_service import BEGIN, MINUTE

from monitor.errors import StormwalkError
from monitor.service import Job, Service, due_at, each_hour, each_night, own_minute
from monitor.settings import Settings
from monitor.store import register
from monitor.store import service as store
from monitor.store.connection import connect

DAY = timedelta(days=1)


@pytest.fixture
def only_pulls(monkeypatch):
    """Ranking and storms are left out: what is tested is when the weather is asked for."""
    monkeypatch.setattr("monitor.service.rank_and_watch", lambda conn, yard, now: (None, []))
    monkeypatch.setattr("simulated_service.import_weather", lambda *_: Good)


class Good:
    good = True
    sentence = "72 hours stored."


def live(service, clock, until, step=5 * MINUTE):
    """Let time pass until a moment, looking at what is due every few minutes."""
    while clock.now < until:
        service.run_due("weather")
        clock.advance(step)


def pulls(airport):
    return [moment for _, moment in airport.pulls]


# --- the rules


@given(st.integers(0, 59), st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)))
def test_each_hour_has_one_pull_at_the_yards_own_minute(minute, last):
    last = last.replace(tzinfo=UTC)
    due = each_hour(minute)(last)
    assert last < due <= last + HOUR
    assert (due.minute, due.second) == (minute, 0)


def test_yards_do_not_all_pull_at_the_same_minute():
    minutes = Counter(own_minute(f"yard-{number}") for number in range(600))
    assert len(minutes) == 60
    assert max(minutes.values()) < 30  # 10 on average
    assert own_minute("north") == own_minute("north")


@pytest.mark.parametrize(
    "night",
    [
        ("2026-03-07 20:00", "2026-03-08 03:17"),  # the clock skips 02:00 to 03:00
        ("2026-10-31 20:00", "2026-11-01 03:17"),  # it shows 01:00 to 02:00 twice
        ("2026-07-01 03:17", "2026-07-02 03:17"),
        ("2026-07-01 03:16", "2026-07-01 03:17"),
    ],
)
def test_the_nightly_recheck_is_once_a_night_on_the_yards_clock(night):
    zone = ZoneInfo("America/New_York")
    last, due = (datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC) for text in night)
    assert each_night(3, 17, "America/New_York")(last) == due


@pytest.mark.parametrize("minute", [0, 30])
@pytest.mark.parametrize("day", ["2026-03-08", "2026-11-01"])
def test_a_night_job_in_the_hour_that_is_skipped_or_repeated_runs_once(day, minute):
    rule = each_night(2 if day.startswith("2026-03") else 1, minute, "America/New_York")
    last = datetime.fromisoformat(f"{day}T00:00+00:00") - DAY
    runs = []
    while last < datetime.fromisoformat(f"{day}T00:00+00:00") + 2 * DAY:
        last = rule(last)
        runs.append(last.astimezone(ZoneInfo("America/New_York")).date().isoformat())
    assert Counter(runs)[day] == 1
    assert max(Counter(runs).values()) == 1


# --- a week


@pytest.mark.thorough
def test_a_quiet_week_has_a_pull_an_hour_a_recheck_a_night_and_one_weekly_check(
    service, clock, airport, conn, only_pulls
):
    live(service, clock, BEGIN + 7 * DAY, step=6 * MINUTE)
    # One at once, at 12:00, and one at each of the 168 own minutes that follow.
    assert len(airport.pulls) == 1 + 168
    done = Counter(run.job for run in store.job_runs(conn, 10_000) if run.outcome == "done")
    assert done == {"pull north": 169, "recheck north": 8, "weekly check north": 1, "tidy": 7}


@pytest.mark.parametrize("sunday", [datetime(2024, 3, 10, tzinfo=UTC), datetime(2023, 11, 5, tzinfo=UTC)])
def test_a_clock_change_adds_no_pull_and_drops_none(service, clock, airport, conn, only_pulls, sunday):
    clock.now = sunday - 6 * HOUR
    live(service, clock, sunday + 30 * HOUR, step=6 * MINUTE)
    assert len(airport.pulls) == 1 + 36
    gaps = {later - earlier for earlier, later in pairwise(pulls(airport)[1:])}
    assert gaps == {HOUR}
    rechecks = [run for run in store.job_runs(conn, 1000) if run.job == "recheck north"]
    assert len(rechecks) == 1 + 1  # at once, and in the night of the change


def test_a_laptop_asleep_for_14_hours_catches_up_once(service, clock, airport, only_pulls):
    live(service, clock, BEGIN + DAY)
    before = len(airport.pulls)
    clock.advance(14 * HOUR)
    woken = clock.now
    live(service, clock, woken + 2 * HOUR)
    assert pulls(airport)[before] == woken
    assert len(airport.pulls) == before + 1 + 2


def test_a_clock_set_back_two_hours_puts_nothing_off_and_doubles_one_pull(service, clock, airport, only_pulls):
    live(service, clock, BEGIN + DAY)
    before = len(airport.pulls)
    clock.advance(-2 * HOUR)
    back = clock.now
    live(service, clock, back + 5 * HOUR)
    found = pulls(airport)[before:]
    assert found[0] == back  # the pull noted last lies ahead: that it is due is decided anew
    assert len(found) == 1 + 5
    assert {later - earlier for earlier, later in pairwise(found[1:])} == {HOUR}


def test_a_clock_that_was_wrong_by_years_and_put_right_does_not_stop_the_pulls(service, clock, airport, only_pulls):
    live(service, clock, BEGIN + 3 * HOUR)
    clock.now = datetime(2031, 1, 1, tzinfo=UTC)
    service.run_due()
    clock.now = BEGIN + 4 * HOUR
    before = len(airport.pulls)
    live(service, clock, BEGIN + 8 * HOUR)
    assert len(airport.pulls) == before + 1 + 4


def test_a_restart_repeats_nothing_that_was_done(service, path, clock, people, airport, only_pulls):
    service.run_due()
    clock.advance(MINUTE)
    assert Service(path, Settings(), people, clock).run_due() == 0
    assert len(airport.pulls) == 1


def test_a_service_down_for_a_day_is_asked_ever_more_seldom_and_at_once_by_the_hour_again(
    service, clock, airport, conn, only_pulls
):
    down, up = BEGIN + 2 * HOUR, BEGIN + 26 * HOUR
    airport.down = lambda now: down <= now < up
    live(service, clock, up + 3 * HOUR)
    refused = [moment for moment in pulls(airport) if down <= moment < up]
    waits = [later - earlier for earlier, later in pairwise(refused)]
    # By hand: the first at its minute, seen at 0:55; at 1:00, 1:10, 1:30 and 2:10, and by the hour until 23:10.
    assert waits[:4] == [5 * MINUTE, 10 * MINUTE, 20 * MINUTE, 40 * MINUTE]
    assert set(waits[4:]) == {HOUR}
    assert len(refused) == 4 + 22
    assert store.failures_in_a_row(conn, "pull north") == 0
    after = [moment for moment in pulls(airport) if moment >= up]
    assert after[0] == refused[-1] + HOUR
    assert len(after) == 1 + 3


# --- what a run leaves behind


def test_a_failing_yard_stops_no_other(two_yards, clock, people, airport):
    ask = airport.refresh
    airport.refresh = None

    def one_breaks(conn, yard, clock, settings):
        if yard.key == "north":
            raise ZeroDivisionError("a mistake in the program")
        return ask(conn, yard, clock, settings)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitor.service.refresh_weather", one_breaks)
        service = Service(two_yards, Settings(), people, clock)
        service.run_due()
    states = {state.job: state for state in service.states()}
    assert states["pull north"].outcome == "failed"
    assert states["pull north"].message == (
        "It stopped at an error of the program (ZeroDivisionError: a mistake in the program). It is tried again."
    )
    assert states["pull north"].next_due_at == BEGIN + 5 * MINUTE
    assert states["pull south"].outcome == "done"
    assert "Ranking kept." in states["pull south"].message


def test_a_yard_without_service_is_ranked_all_the_same(service, conn, monkeypatch):
    def none(*_):
        raise StormwalkError("Yard north uses no weather service yet.")

    monkeypatch.setattr("monitor.service.refresh_weather", none)
    service.run_due()
    assert conn.execute("SELECT count(*) FROM rankings").fetchone()[0] == 1
    (state,) = [state for state in service.states() if state.job == "pull north"]
    assert (state.outcome, state.message) == ("failed", "Yard north uses no weather service yet.")


def test_a_yard_without_covers_says_so_and_its_weather_is_kept(tmp_path, clock, people, airport):
    path = tmp_path / "bare.db"
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [YARD])
        service = Service(path, Settings(), people, clock)
        service.run_due()
        assert conn.execute("SELECT count(*) FROM weather_hours").fetchone()[0] == 72
        (state,) = [state for state in service.states() if state.job == "pull north"]
    assert state.message.startswith("Yard north has no covers yet")


def test_old_runs_are_forgotten_and_the_newest_kept(service, clock, conn, only_pulls):
    service.run_due()
    clock.advance(61 * DAY)
    service.run_due()
    clock.advance(DAY)
    service.run_due()
    oldest = min(run.started_at for run in store.job_runs(conn, 1000))
    assert oldest == BEGIN + 61 * DAY


def test_a_run_that_was_cut_off_is_shown_as_such_and_due_at_once(service, conn, clock):
    store.start_job(conn, "pull north", BEGIN)
    (state,) = [state for state in service.states() if state.job == "pull north"]
    assert (state.outcome, state.next_due_at) == ("cut off", BEGIN)


def test_a_job_is_due_by_its_rule_after_the_last_run_that_was_done(conn):
    job = Job("x", "", "weather", each_hour(10), lambda conn: "")
    assert due_at(conn, job, BEGIN) == BEGIN
    store.finish_job(conn, store.start_job(conn, "x", BEGIN), BEGIN, "done", "")
    assert due_at(conn, job, BEGIN + MINUTE) == BEGIN + 10 * MINUTE
