"""The computer's clock is set back or ahead, by hours and by a year, and put right again; or it slept for a week."""

import importlib
import pkgutil
import re
from collections import Counter
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from faulty_disks import acknowledged, lost, run_here, stored
from invented_app import BASE, HASHER, NOW, PASSWORD, app_of, fill, signed_in
from invented_yard import COVERS, DAY, GALE, HOUR, WRAPPED, YARD
from simulated_service import BEGIN, MINUTE, Airport, Clock, People, plug_in
from starlette.testclient import TestClient

import monitor.cli
from monitor.operations.accounts import add_account
from monitor.operations.backup import back_up
from monitor.operations.doctor import examine
from monitor.operations.register import import_covers
from monitor.service import Service
from monitor.settings import BESIDE, Settings
from monitor.store import backup as backup_store
from monitor.store import chain
from monitor.store import service as service_store
from monitor.store.connection import connect
from monitor.store.register import save_yards

YEAR = timedelta(days=365)


@pytest.fixture
def set_clock(monkeypatch):
    """Lets every command of this process take another time for now."""
    modules = [
        importlib.import_module(f"monitor.cli.{module.name}") for module in pkgutil.iter_modules(monitor.cli.__path__)
    ]

    def set_to(moment):
        for module in modules:
            if hasattr(module, "now"):
                monkeypatch.setattr(module, "now", lambda: moment)

    return set_to


@pytest.fixture
def true_now():
    return datetime.now(UTC).replace(microsecond=0)


def log_a_look(yard, boat="02"):
    return run_here(yard, "log", "inspection", boat, "--by", "Ida", "--finding", "sag@port:1")


def clock_check(yard, now):
    (check,) = [one for one in examine(yard, now=now, backups=None) if one.check == "clock"]
    return check


# --- the log


def test_a_clock_set_back_by_hours_takes_entries_in_the_order_in_which_they_came(yard, set_clock, true_now):
    entries = []
    for hours in (0, -3, -1, -2):
        set_clock(true_now + hours * HOUR)
        entries += acknowledged(log_a_look(yard))
    assert lost(yard, entries) == []
    with closing(connect(yard)) as conn:
        chained = [
            row[0]
            for row in conn.execute("SELECT entry_id FROM log_chain WHERE table_name = 'inspections' ORDER BY seq")
        ]
        assert [key[:8] for key in chained[1:]] == [key for table, key in entries if table == "inspections"]
        assert chain.faults(conn) == []
    check = clock_check(yard, true_now - 2 * HOUR)
    assert check.level == "act now"
    assert "the clock was set back, or was ahead then" in check.found
    assert clock_check(yard, true_now + HOUR).level == "ok"


def test_a_list_made_with_the_clock_set_back_by_a_day_says_that_it_is(yard, set_clock, true_now):
    assert run_here(yard, "rank").err == ""
    entries = acknowledged(log_a_look(yard))
    set_clock(true_now - DAY)
    listed = run_here(yard, "rank")
    assert listed.exit_code == 0
    assert re.fullmatch(
        rf"The newest of \w+ was stored at \S+Z, and now it is {true_now - DAY:%Y-%m-%dT%H:%M:%SZ}: the clock was set "
        r"back, or was ahead then\. Set it first: what is newer than the clock is not in this list\.\n",
        listed.err,
    )
    set_clock(true_now + HOUR)
    assert run_here(yard, "rank").err == ""
    assert lost(yard, entries) == []


def test_a_clock_set_back_by_a_year_is_noticed_by_the_day_on_which_the_boat_was_wrapped(yard, set_clock, true_now):
    before = stored(yard)
    set_clock(true_now - YEAR)
    done = log_a_look(yard)
    assert done.exit_code == 1
    assert "had no cover then: its first was wrapped on" in done.err
    assert stored(yard) == before


def test_what_was_logged_with_the_clock_a_year_ahead_stays_and_can_be_put_right(yard, set_clock, true_now):
    set_clock(true_now + YEAR)
    ((_, wrong), _) = entries = acknowledged(log_a_look(yard))
    set_clock(true_now)
    assert lost(yard, entries) == []
    assert wrong in run_here(yard, "log", "list", "02").out
    assert clock_check(yard, true_now).level == "act now"
    assert "never inspected" in run_here(yard, "explain", "02").out  # it counts from the time that it bears
    right = run_here(
        yard,
        *("log", "inspection", "02", "--by", "Ida", "--corrects", wrong, "--at", f"{true_now:%Y-%m-%dT%H:%M:%SZ}"),
    )
    assert right.exit_code == 0, right
    assert "never inspected" not in run_here(yard, "explain", "02").out


# --- who is signed in


def test_sessions_outlast_a_clock_set_back_end_when_it_is_ahead_and_go_on_when_it_is_right(tmp_path):
    path, clock = fill(tmp_path / "yard.db"), Clock(NOW)
    app = app_of(path, clock)
    per = signed_in(app, "Per")
    seen = {}
    for name, off in (("back", -5 * HOUR), ("a year back", -YEAR), ("ahead", 5 * HOUR), ("a year ahead", YEAR)):
        clock.now = NOW + off
        seen[name] = per.get("/api/me").status_code
    clock.now = NOW
    assert seen == {"back": 200, "a year back": 200, "ahead": 200, "a year ahead": 401}  # 30 days: the phone keeps all
    assert per.get("/api/me").status_code == 200


@pytest.mark.parametrize("off", [-YEAR, -5 * HOUR, 5 * HOUR, YEAR])
def test_nobody_stays_locked_out_because_of_a_clock(tmp_path, off):
    path, clock = fill(tmp_path / "yard.db"), Clock(NOW + off)
    app = app_of(path, clock)
    phone = TestClient(app, base_url=BASE, headers={"Sec-Fetch-Site": "same-origin"}, client=("192.0.2.7", 5))
    form = {"name": "Per", "password": PASSWORD, "next": "/"}
    for _ in range(5):
        phone.post("/sign-in", data=form | {"password": "wrong words here"})
    locked_out = phone.post("/sign-in", data=form, follow_redirects=False)
    clock.now = NOW
    let_in = phone.post("/sign-in", data=form, follow_redirects=False)
    assert (locked_out.status_code, let_in.status_code) == (429, 303)


def test_an_entry_with_the_phones_time_is_refused_as_ahead_by_a_server_whose_clock_is_back(tmp_path):
    path, clock = fill(tmp_path / "yard.db"), Clock(NOW - 3 * HOUR)
    per = signed_in(app_of(path, clock), "Per")
    entry = {
        "id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10",
        "boat": "01",
        "inspected_at": f"{NOW:%Y-%m-%dT%H:%M:%SZ}",
    }
    refused = per.post("/api/inspections", json=entry)
    assert refused.status_code == 422  # the phone keeps it, shows why, and it can be sent again
    assert "has not come yet" in refused.json()["problem"]
    clock.now = NOW
    assert per.post("/api/inspections", json=entry).status_code == 201


# --- backups


def test_a_backup_just_made_is_never_removed_though_the_clock_was_set_back_by_a_year_and_more(yard, tmp_path, true_now):
    folder = tmp_path / "backups"
    folder.mkdir()
    for month in range(1, 15):
        back_up(yard, folder, now=true_now - month * timedelta(days=31))
    made = back_up(yard, folder, now=true_now - 3 * YEAR, keep=7)
    assert made.path.exists()
    assert backup_store.verify(made.path)
    assert made.path not in made.removed


def test_a_backup_of_tomorrow_does_not_hide_that_none_was_made_for_weeks(yard, true_now):
    folder = backup_store.backup_folder(yard)
    back_up(yard, now=true_now + YEAR)
    told = {one.level: one.found for one in examine(yard, now=true_now, backups=folder) if one.check == "backups"}
    assert told["watch"].startswith("1 backups are dated ahead of now, the last yard-")
    assert told["act now"].endswith("that was made before now.")
    back_up(yard, now=true_now - 20 * DAY)
    told = {one.level: one.found for one in examine(yard, now=true_now, backups=folder) if one.check == "backups"}
    assert told["act now"].endswith("the newest 20 days old.")


# --- the service


@pytest.fixture
def served(tmp_path, monkeypatch):
    """The service of the invented yard with every job it has, its clock, its weather and its people."""
    path, clock, airport, people = tmp_path / "yard.db", Clock(BEGIN), Airport(days=9), People()
    with closing(connect(path, create=True)) as conn:
        save_yards(conn, [YARD])
        import_covers(conn, YARD, COVERS.encode(), "covers.csv", WRAPPED)
        add_account(conn, "Per", "lead", PASSWORD, WRAPPED, HASHER)
    plug_in(monkeypatch, airport)
    return path, clock, airport, people, Service(path, Settings(backups=BESIDE), people, clock)


def runs(path):
    with closing(connect(path)) as conn:
        return Counter(run.job.removesuffix(" north") for run in service_store.job_runs(conn, 10_000))


def live(service, clock, until, step=5 * MINUTE):
    while clock.now < until:
        service.run_due()
        clock.advance(step)


@pytest.mark.parametrize(
    "ended_before_waking, told",
    [(2 * DAY, 1), pytest.param(4 * DAY, 0, marks=pytest.mark.thorough)],
    ids=["two days ago: told once", "four days ago: no news any more"],
)
def test_a_laptop_asleep_for_a_week_catches_up_once_and_tells_of_no_storm_long_gone(served, ended_before_waking, told):
    path, clock, airport, people, service = served
    woken = BEGIN + 2 * HOUR + 7 * DAY
    end = woken - ended_before_waking
    airport.weather = lambda hour: GALE if end - 10 * HOUR < hour <= end else {}
    live(service, clock, BEGIN + 2 * HOUR, step=HOUR)
    before = runs(path)
    clock.now = woken
    live(service, clock, woken + 30 * MINUTE)
    after = runs(path)
    after.subtract(before)
    pulls = after.pop("pull")
    notices = after.pop("notices", 0)
    assert pulls in (1, 2)  # one to catch up, and perhaps that of the hour
    assert after == {"recheck": 1, "weekly check": 1, "backup": 1, "tidy": 1}
    assert [title.split(":")[1].split(",")[0] for title in people.titles()] == [" storm over"] * told
    assert notices == told
    live(service, clock, woken + DAY, step=8 * HOUR)
    assert len(people.got) == told


@pytest.mark.thorough
@pytest.mark.parametrize(
    "off", [-YEAR, -5 * HOUR, 5 * HOUR, YEAR], ids=["a year back", "back", "ahead", "a year ahead"]
)
def test_a_clock_that_was_wrong_for_an_hour_and_put_right_runs_no_storm_of_jobs_and_tells_once(served, off):
    path, clock, airport, people, service = served
    storm = BEGIN + 20 * HOUR
    airport.weather = lambda hour: GALE if storm < hour <= storm + 10 * HOUR else {}
    live(service, clock, BEGIN + 34 * HOUR, step=15 * MINUTE)
    assert people.got == []  # twelve quiet hours are not over yet
    before = runs(path)
    clock.now += off
    live(service, clock, clock.now + HOUR)
    clock.now -= off
    live(service, clock, clock.now + HOUR)
    after = runs(path)
    after.subtract(before)
    assert after["pull"] <= 5
    assert all(after[job] <= 2 for job in ("recheck", "weekly check", "backup", "tidy"))
    live(service, clock, BEGIN + 60 * HOUR, step=15 * MINUTE)
    assert [title.split(",")[0] for title in people.titles()] == ["North Basin: storm over"]
    with closing(connect(path)) as conn:
        assert conn.execute("SELECT count(*) FROM notices WHERE kind = 'storm_ended'").fetchone()[0] == 1


@pytest.mark.thorough
def test_a_weather_service_down_for_five_days_is_asked_by_the_hour_and_all_else_goes_on(served):
    path, clock, airport, people, service = served
    live(service, clock, BEGIN + 12 * HOUR, step=15 * MINUTE)
    down, up = clock.now, clock.now + 5 * DAY
    airport.down = lambda now: down <= now < up
    live(service, clock, up, step=15 * MINUTE)
    asked = [moment for _, moment in airport.pulls if moment >= down]
    assert 5 * 24 <= len(asked) <= 5 * 24 + 6
    states = {state.job: state for state in service.states()}
    assert states["pull north"].outcome == "failed"
    assert "did not answer (503)" in states["pull north"].message
    assert states["backup"].failures == 0
    checks = [one for one in examine(path, now=up, backups=None) if one.level == "act now"]
    assert {"weather", "jobs"} <= {one.check for one in checks}
    assert "Yard north: the newest hour of weather is 5 days old." in [one.found for one in checks]
    page = signed_in(app_of(path, clock), "Per").get("/yards/north/")
    assert page.status_code == 200
    assert "walk" in page.text
    live(service, clock, up + 2 * HOUR, step=15 * MINUTE)
    after = [moment for _, moment in airport.pulls if moment >= up]
    assert len(after) in (2, 3)  # by the hour again; what was missed comes with the first
    assert people.got == []
