"""Another process holds the database longer than anybody waits: each is told so, and nothing is stored by halves."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from datetime import timedelta

import pytest
from faulty_disks import run_here, stored, stormwalk
from invented_app import NOW, app_of, fill, picture, signed_in
from simulated_service import BEGIN, Airport, Clock, People, plug_in
from web_process import WebProcess, make_database

from monitor.service import Service
from monitor.settings import Settings
from monitor.store import connection
from monitor.store.connection import connect
from monitor.web import entries

TOLD = "Another process has been writing to the database for"


@contextmanager
def locked(path):
    """Another process writes and does not finish."""
    with closing(connect(path)) as other:
        other.execute("BEGIN IMMEDIATE")
        try:
            yield
        finally:
            other.rollback()


@pytest.fixture
def impatient(monkeypatch):
    """Nobody waits longer than a fifth of a second, so that the test need not either."""
    for module in (connection, entries):
        monkeypatch.setattr(module, "BUSY_TIMEOUT_S", 0.2)


@pytest.mark.thorough
def test_commands_that_write_say_so_and_those_that_read_go_on(yard, photo_file, impatient, tmp_path):
    before = stored(yard)
    writing = [
        ("log", "inspection", "02", "--by", "Ida"),
        ("log", "action", "02", "--action", "taped", "--by", "Ola"),
        ("log", "photo", "01", photo_file, "--by", "Ola"),
        ("rank",),
        ("walk", "plan", "--crew", "Ida,Ola"),
    ]
    reading = [("log", "list"), ("explain", "01"), ("covers", "export"), ("backup", "--to", tmp_path / "b.zip")]
    with locked(yard):
        for command in writing:
            done = run_here(yard, *command)
            assert (done.exit_code, done.err.startswith(TOLD)) == (1, True), (command, done)
        for command in reading:
            assert run_here(yard, *command).exit_code == 0, command
    assert stored(yard) == before
    assert run_here(yard, *writing[0]).exit_code == 0


def test_a_form_is_shown_again_with_all_that_was_typed(tmp_path, impatient):
    path = fill(tmp_path / "yard.db")
    per = signed_in(app_of(path, Clock(NOW)), "Per")
    typed = {"id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01", "note": "band dry", "sound": "1"}
    with locked(path):
        page = per.post("/yards/north/inspect?boat=01", data=typed)
    assert TOLD in page.text
    assert "Nothing was logged; what you wrote stands below." in page.text
    assert typed["note"] in page.text
    assert typed["id"] in page.text
    assert stored(path) == []
    per.post("/yards/north/inspect?boat=01", data=typed)
    assert stored(path) == [typed["id"]]


def test_a_phone_is_told_to_come_again_and_its_entry_and_photo_are_stored_once(tmp_path, impatient):
    path = fill(tmp_path / "yard.db")
    per = signed_in(app_of(path, Clock(NOW)), "Per")
    entry = {"id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01"}
    photo = f"/api/photos/5f2b4b0e-1111-4111-8111-3c1f8f7f5f11?inspection_id={entry['id']}"
    action = {"id": "7d2b4b0e-1111-4111-8111-3c1f8f7f5f12", "boat": "01", "action": "taped"}

    def send():
        return [
            per.post("/api/inspections", json=entry),
            per.post("/api/actions", json=action),
            per.put(photo, content=picture()),
        ]

    with locked(path):
        answers = send()
        assert [answer.status_code for answer in answers] == [503, 503, 409]
        assert answers[2].json()["retry"]  # its entry is not there yet: the phone keeps it
        for answer in answers[:2]:
            assert answer.headers["retry-after"].isdecimal()
            assert answer.json()["problem"].startswith(TOLD)
        assert per.get("/yards/north/").status_code == 200
    assert [answer.status_code for answer in send()] == [201, 201, 201]
    with locked(path):
        assert per.put(photo.replace("5f2b", "6f2b"), content=picture("blue")).status_code == 503
    assert [len(stored(path, table)) for table in ("inspections", "actions", "photos")] == [1, 1, 1]


@pytest.mark.parametrize("phones", [8, pytest.param(20, marks=pytest.mark.thorough)])
def test_many_phones_wait_together_and_not_one_after_another(tmp_path, monkeypatch, phones):
    for module in (connection, entries):
        monkeypatch.setattr(module, "BUSY_TIMEOUT_S", 0.5)
    path = fill(tmp_path / "yard.db")
    per = signed_in(app_of(path, Clock(NOW)), "Per")

    def send(number):
        begun = time.monotonic()
        entry = {"id": f"{number:08d}-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01"}
        return per.post("/api/inspections", json=entry).status_code, time.monotonic() - begun

    with locked(path), ThreadPoolExecutor(phones) as together:
        answers = list(together.map(send, range(phones)))
    assert {status for status, _ in answers} == {503}
    assert (
        max(waited for _, waited in answers) < 2.5
    )  # twice the patience and some; one after another it is 4 s and 10 s
    assert stored(path) == []


@pytest.mark.thorough
def test_jobs_of_the_service_wait_and_are_done_later_once(tmp_path, monkeypatch, impatient):
    path = fill(tmp_path / "yard.db")
    airport, clock = Airport(), Clock(BEGIN)
    plug_in(monkeypatch, airport)
    service = Service(path, Settings(backups="off"), People(), clock)
    with locked(path):
        service.run_due()
        clock.advance(timedelta(minutes=1))
        assert service.run_due("weather") == 0  # not again at once
    assert airport.pulls == []
    clock.advance(timedelta(minutes=5))
    service.run_due()
    assert len(airport.pulls) == 1
    assert {state.outcome for state in service.states() if not state.job.startswith("notices")} == {"done"}


def test_a_lock_that_is_given_back_in_time_is_only_waited_for(yard):
    holding = threading.Event()

    def hold():
        with locked(yard):
            holding.set()
            time.sleep(0.3)

    thread = threading.Thread(target=hold)
    thread.start()
    holding.wait(5)
    done = run_here(yard, "log", "inspection", "02", "--by", "Ida")
    thread.join()
    assert done.exit_code == 0
    assert len(stored(yard)) == 2


@pytest.mark.thorough
def test_with_the_patience_that_it_has_a_command_and_a_phone_are_told_after_ten_seconds(tmp_path):
    web = WebProcess(make_database(tmp_path / "yard.db"))
    web.start()
    try:
        with locked(web.database):
            begun = time.monotonic()
            done = stormwalk(web.database, "log", "inspection", "01", "--by", "Ida")
            waited = time.monotonic() - begun
    finally:
        web.kill()
    assert done.err.startswith(f"{TOLD} 10 s; try again (database is locked).")
    assert 9 < waited < 20
    assert stored(web.database) == []
