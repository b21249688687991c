"""The scheduler really runs, one at a time, and stops after the job that runs; the command line around it."""

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
from simulated_service import BEGIN, nothing

from monitor.errors import StoreError
from monitor.service import LOOK_EVERY_S, Service, utc_now
from monitor.settings import Settings
from monitor.store import service as store
from monitor.store.connection import connect

CHECKOUT = Path(__file__).resolve().parents[2]
REFUSED = (
    "Another stormwalk service already runs on {}. This one was not started, so that nothing is fetched or told twice. "
    "Stop the other first."
)


def wait_for(true, seconds=10.0):
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.02)


@pytest.fixture
def quick(monkeypatch):
    """Looks come every few hundredths of a second; nothing is fetched, ranked or watched."""
    monkeypatch.setattr("monitor.service.LOOK_EVERY_S", (0.02, 0.04))
    monkeypatch.setattr("monitor.service.refresh_weather", nothing)
    monkeypatch.setattr("monitor.service.recheck_weather", nothing)
    monkeypatch.setattr("monitor.service.weekly_check", nothing)
    monkeypatch.setattr("monitor.service.fetch_alerts", nothing)
    monkeypatch.setattr("monitor.service.rank_and_watch", lambda conn, yard, now: (None, []))


def outcomes(path):
    with closing(connect(path)) as conn:
        return [(run.job, run.outcome) for run in reversed(store.job_runs(conn))]


# --- APScheduler


def test_what_is_due_runs_at_once_in_the_background_and_once(path, people, quick):
    service = Service(path, Settings(), people, utc_now)
    service.start()
    wait_for(lambda: len(outcomes(path)) == 4)
    time.sleep(0.3)  # several looks more
    service.stop()
    assert outcomes(path) == [(f"{job} north", "done") for job in ("pull", "recheck", "weekly check")] + [
        ("tidy", "done")
    ]


def test_stopping_waits_for_the_job_that_runs_and_begins_no_other(path, people, quick, monkeypatch):
    begun, go_on = threading.Event(), threading.Event()

    def slow(*_):
        begun.set()
        assert go_on.wait(10)
        return []

    monkeypatch.setattr("monitor.service.refresh_weather", slow)
    service = Service(path, Settings(), people, utc_now)
    service.start()
    assert begun.wait(10)
    stopping = threading.Thread(target=service.stop)
    stopping.start()
    time.sleep(0.1)
    assert stopping.is_alive()
    go_on.set()
    stopping.join(10)
    assert outcomes(path) == [("pull north", "done")]


def test_a_slow_pull_does_not_hold_up_a_notice(path, people, quick, monkeypatch):
    from monitor.messages import Notice
    from monitor.store.register import yard_id

    go_on = threading.Event()
    monkeypatch.setattr("monitor.service.refresh_weather", lambda *_: go_on.wait(10) and [])
    with closing(connect(path)) as conn:
        store.add_notice(
            conn, yard_id(conn, "north"), Notice("north", "storm_ended", BEGIN, "title", "body"), utc_now()
        )
    service = Service(path, Settings(), people, utc_now)
    service.start()
    wait_for(lambda: people.got)
    assert not go_on.is_set()
    go_on.set()
    service.stop()


def test_a_look_that_fails_is_followed_by_the_next(path, people, quick, monkeypatch, caplog):
    looks = []

    def broken(self, lane=None):
        looks.append(lane)
        raise StoreError("the disk is full")

    monkeypatch.setattr(Service, "run_due", broken)
    service = Service(path, Settings(), people, utc_now)
    service.start()
    wait_for(lambda: len(looks) > 5)
    service.stop()
    assert "the disk is full" in caplog.text


def test_a_clock_that_was_set_back_does_not_put_off_the_next_look(path, people, quick, monkeypatch):
    monkeypatch.setattr("monitor.service.LOOK_EVERY_S", (0.5, 1.0))
    looks = []
    monkeypatch.setattr(Service, "run_due", lambda self, lane=None: looks.append(lane))
    service = Service(path, Settings(), people, utc_now)
    service.start()
    wait_for(lambda: len(looks) >= 2)
    for lane in ("weather", "notices"):  # what a look planned before the clock was set back by 2 h looks like after it
        service._look_after(lane, 7200.0)
    before = len(looks)
    service.look_sooner_if_put_off()
    wait_for(lambda: len(looks) >= before + 2, 2)
    service.stop()


def test_a_look_that_takes_long_is_not_taken_for_a_clock_that_was_set_back(path, people, quick, monkeypatch, caplog):
    begun, go_on = [], threading.Event()

    def takes_long(self, lane=None):
        begun.append(lane)
        go_on.wait(10)

    monkeypatch.setattr(Service, "run_due", takes_long)
    service = Service(path, Settings(), people, utc_now)
    service.start()
    wait_for(lambda: len(begun) >= 2)
    service.look_sooner_if_put_off()
    go_on.set()
    service.stop()
    assert caplog.text == ""


def test_looks_are_a_minute_or_so_apart_and_never_in_step():
    low, high = LOOK_EVERY_S
    assert 30 <= low < high <= 120


# --- one at a time


def test_a_second_scheduler_is_refused_and_the_right_is_given_back(path):
    with store.only_scheduler(path):
        assert store.scheduler_runs(path)
        with pytest.raises(StoreError) as refusal, store.only_scheduler(path):
            raise AssertionError("it was let in")
        assert str(refusal.value) == REFUSED.format(path)
    assert not store.scheduler_runs(path)
    with store.only_scheduler(path):
        pass


def test_services_of_two_databases_do_not_disturb_each_other(path, tmp_path):
    other = shutil.copy(path, tmp_path / "other.db")
    with store.only_scheduler(path), store.only_scheduler(other):
        assert store.scheduler_runs(path)


@pytest.fixture
def started(tmp_path):
    """Starts ``stormwalk`` in a process of its own, on a database without a yard: nothing is fetched."""
    connect(tmp_path / "stormwalk.db", create=True).close()
    processes = []

    def start(*arguments):
        environment = {name: value for name, value in os.environ.items() if not name.startswith("STORMWALK")}
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor", *arguments],
            cwd=tmp_path,
            env={**environment, "PYTHONPATH": str(CHECKOUT)},
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        processes.append(process)
        return process

    yield start
    for process in processes:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_watch_stops_cleanly_and_a_second_one_is_refused_meanwhile(started, tmp_path, number):
    first = started("watch")
    assert first.stderr.readline().startswith("Watching the yards of stormwalk.db.")
    second = started("watch")
    out, err = second.communicate(timeout=20)
    assert (second.returncode, out) == (1, "")
    assert err.strip() == REFUSED.format("stormwalk.db")
    wait_for(lambda: outcomes(tmp_path / "stormwalk.db") == [("tidy", "done")])
    first.send_signal(number)
    out, err = first.communicate(timeout=20)
    assert first.returncode == 0
    assert "Stopping after the job that runs, if any." in err
    assert "Traceback" not in err


def test_serve_answers_on_this_computer_and_stops_cleanly(started):
    from urllib.request import urlopen

    process = started("serve", "--port", "0")
    line = next(line for line in process.stderr if line.startswith("Open "))
    address = line.removeprefix("Open ").split()[0]
    assert address.startswith("http://127.0.0.1:")
    with urlopen(address, timeout=10) as answer:
        assert answer.status == 200
        assert "There is no yard yet." in answer.read().decode()
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 0
    assert "Traceback" not in err


# --- the command line


def test_the_state_of_the_jobs_is_listed_without_starting_any(started):
    process = started("watch", "--status", "--json")
    out, _ = process.communicate(timeout=20)
    (tidy,) = json.loads(out)
    assert set(tidy) == {
        "job",
        "yard",
        "outcome",
        "started_at",
        "last_done_at",
        "failures",
        "next_due_at",
        "message",
    }
    assert (tidy["job"], tidy["yard"], tidy["outcome"], tidy["failures"]) == ("tidy", None, "never", 0)
