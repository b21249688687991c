"""Several at one file: two services, a service and people who log at once."""

import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
from faulty_disks import Outcome, acknowledged, environment, lost, stored, stormwalk
from simulated_service import MINUTE, Airport, Clock, People, plug_in

from monitor.service import Service, utc_now
from monitor.settings import Settings
from monitor.store import service as service_store
from monitor.store.connection import connect
from monitor.store.service import only_scheduler

WRITER = Path(__file__).with_name("writer.py")


@pytest.mark.thorough
@pytest.mark.parametrize("command", ["watch", "serve"])
def test_a_second_service_on_one_file_is_refused_and_all_else_may_go_on(yard, command):
    options = ("--port", "0") if command == "serve" else ()
    with only_scheduler(yard):
        refused = stormwalk(yard, command, *options)
        assert refused.exit_code == 1
        assert f"Another stormwalk service already runs on {yard}. This one was not started" in refused.err
        assert stormwalk(yard, "log", "inspection", "02", "--by", "Ida").exit_code == 0


def test_a_link_to_the_database_is_the_same_database_with_the_same_photos(yard):
    link = yard.with_name("link.db")
    link.symlink_to(yard.name)
    with only_scheduler(yard):
        refused = stormwalk(link, "watch")
    assert refused.err.startswith(f"Another stormwalk service already runs on {yard}.")
    assert "1 photos, all there" in stormwalk(link, "doctor").said


@pytest.mark.thorough
def test_a_service_and_two_people_who_log_at_once_lose_and_refuse_nothing(yard, tmp_path, monkeypatch):
    before, airport, clock = stored(yard), Airport(), Clock(utc_now())
    plug_in(monkeypatch, airport)
    service = Service(yard, Settings(backups="off"), People(), clock)
    command = [sys.executable, str(WRITER), "log", str(yard), str(tmp_path)]
    pipes = {"env": environment(), "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    writers = [subprocess.Popen(command, **pipes) for _ in range(2)]
    first = [writer.stdout.readline() for writer in writers]
    stop = threading.Event()

    def serve():
        while not stop.is_set():
            service.run_due()
            clock.advance(20 * MINUTE)

    running = threading.Thread(target=serve)
    running.start()
    time.sleep(20)
    stop.set()
    running.join()
    entries = []
    for writer, line in zip(writers, first, strict=True):
        writer.kill()
        with writer:
            rest, refusals = writer.stdout.read(), writer.stderr.read()
        assert refusals == ""
        entries += acknowledged(Outcome(0, line + rest, ""))
    assert lost(yard, entries) == []
    looks = sum(table == "inspections" for table, _ in entries)
    assert 0 <= len(stored(yard)) - len(before) - looks <= 2  # each may have been killed before it had said so
    assert airport.pulls
    with closing(connect(yard)) as conn:
        runs = service_store.job_runs(conn, 1000)
        assert {run.outcome for run in runs} == {"done"}
    print(f"{len(entries)} entries and {len(runs)} jobs at once, 0 lost, 0 refused")
