"""Kill -9 in the middle of a pull, of a ranking, of a notice; start again: nothing is lost, nothing is doubled."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest
from simulated_service import BEGIN, MINUTE

from monitor.store.connection import connect
from monitor.store.service import only_scheduler

FOLDER = Path(__file__).parent

FACTS = {
    "weather": """SELECT source, kind, hour_ending, air_temperature_c, wind_speed_ms, wind_gust_ms FROM weather_hours
                  JOIN weather_fetches ON weather_fetches.id = fetch_id ORDER BY source, kind, hour_ending""",
    "rankings": "SELECT hex(rows_sha256) FROM rankings ORDER BY as_of",
    "notices": "SELECT yard_id, kind, storm_start, title FROM notices ORDER BY kind, storm_start",
    "sent": "SELECT count(*) FROM notice_tries WHERE sent",
}
"""What must be the same after a kill and a new start as after an undisturbed run; each fact once."""


@pytest.fixture(scope="module")
def killed():
    """The module that is run in processes of their own; its service in this process too, with nothing left patched."""
    sys.path.insert(0, str(FOLDER))
    import killed as module

    import monitor.service as service

    names = ("refresh_weather", "recheck_weather", "weekly_check", "fetch_alerts")
    before = {name: getattr(service, name) for name in names}
    yield module
    for name, function in before.items():
        setattr(service, name, function)
    sys.path.remove(str(FOLDER))


def facts(path):
    with closing(connect(path)) as conn:
        return {name: [tuple(row) for row in conn.execute(query)] for name, query in FACTS.items()}


def mails(file):
    return [json.loads(line)[1] for line in file.read_text().splitlines()] if file.exists() else []


@pytest.fixture(scope="module")
def undisturbed(killed, one_yard_file, tmp_path_factory):
    """Facts and mails of a service that nobody killed."""
    folder = tmp_path_factory.mktemp("undisturbed")
    path = shutil.copy(one_yard_file, folder / "stormwalk.db")
    killed.make_service(path, killed.Outbox(folder / "sent")).run_due()
    found = facts(path)
    assert [len(found[name]) for name in ("rankings", "notices", "sent")] == [1, 1, 1]
    return found, mails(folder / "sent")


PLACES = [
    "before a pull",
    "while an answer is stored",
    "after a pull",
    "while a ranking is kept",
    "while a notice is made",
    "before a notice is sent",
    "before it is noted that a notice was sent",
]


def run_and_kill(path, place, folder):
    """Start the service in a process of its own, and kill it at the place."""
    reached = folder / "reached"
    process = subprocess.Popen(
        [sys.executable, str(FOLDER / "killed.py"), str(path), place, str(reached), str(folder / "sent")],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(FOLDER.parents[1]), str(FOLDER.parent)])},
        stderr=subprocess.PIPE,
    )
    try:
        for _ in range(1500):
            if reached.exists() or process.poll() is not None:
                break
            time.sleep(0.02)
        assert reached.exists(), process.stderr.read().decode()
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stderr.close()


@pytest.mark.thorough
@pytest.mark.parametrize("place", PLACES)
def test_a_kill_loses_nothing_and_doubles_nothing(killed, undisturbed, path, tmp_path, place):
    run_and_kill(path, place, tmp_path)
    with only_scheduler(path):  # the killed process holds nothing any more
        killed.make_service(path, killed.Outbox(tmp_path / "sent")).run_due()
    found, sent = undisturbed
    assert facts(path) == found
    # Killed between handing a mail over and noting it, the service cannot know: the crew gets it twice.
    assert mails(tmp_path / "sent") == (sent * 2 if place == PLACES[-1] else sent)
    with closing(connect(path)) as conn:
        (cut_off,) = conn.execute("SELECT count(*) FROM job_runs WHERE outcome = 'running'").fetchone()
        assert cut_off == 1
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_after_a_kill_and_a_new_start_the_next_hour_goes_on_as_if_nothing_was(killed, path, tmp_path):
    run_and_kill(path, "while a ranking is kept", tmp_path)
    killed.make_service(path, killed.Outbox(tmp_path / "sent")).run_due()
    service = killed.make_service(path, killed.Outbox(tmp_path / "sent"), now=BEGIN + 60 * MINUTE)
    assert service.run_due() == 1  # the pull; no notice, no ranking is repeated
    assert len(mails(tmp_path / "sent")) == 1
    assert len(facts(path)["rankings"]) == 1
