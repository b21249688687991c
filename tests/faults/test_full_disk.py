"""The disk fills up while something is written: it is said, what was there stays whole, and it goes on once there is
room. A real file system of 6 MB in memory, filled to the last bytes."""

import re
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta

import pytest
from faulty_disks import OLDER, acknowledged, copied, lost, make_older, run_here, stored, version_of
from invented_app import NOW, app_of, fill, picture, signed_in
from invented_yard import HOUR, YARD, metar
from simulated_service import BEGIN, MINUTE, Airport, Clock, plug_in

from monitor.cli import watch
from monitor.errors import StoreError
from monitor.messages import Notice
from monitor.operations.backup import back_up
from monitor.operations.weather import import_weather
from monitor.sending import Sender
from monitor.service import Service
from monitor.settings import Settings
from monitor.store import backup
from monitor.store import service as service_store
from monitor.store.connection import connect
from monitor.store.migrations import SCHEMA_VERSION

ENTRY = ("log", "inspection", "02", "--by", "Ida", "--finding", "loose_band@port:1")

LEFT = (0, 4096, 20_480, 40_960, 49_152, 61_440, 81_920, 122_880)
"""Bytes left free: none, too few for SQLite's small files, and from there on ever more of what an entry needs."""


def commands(photo_file, folder):
    """What people do all day, and what it writes."""
    return [
        ENTRY,
        ("log", "action", "02", "--action", "taped", "--by", "Ola"),
        ("log", "photo", "01", photo_file, "--by", "Ola"),
        ("log", "list"),
        ("rank",),
        ("walk", "plan", "--crew", "Ida,Ola"),
        ("report", "condition", "01", "--out", folder / "condition.html"),
        ("covers", "export", "--out", folder / "covers.csv"),
        ("dashboard", "--out", folder / "pages"),
        ("backup", "--to", folder / "full.zip"),
    ]


def half_files(folder):
    return [path for path in folder.rglob("*") if path.name.endswith(".part")]


@pytest.mark.parametrize(
    "left", [left if left == 49_152 else pytest.param(left, marks=pytest.mark.thorough) for left in LEFT]
)
def test_every_command_says_so_and_nothing_that_was_acknowledged_is_lost(disk, on_disk, tmp_path, left):
    photo_file = tmp_path / "blue.jpg"
    photo_file.write_bytes(picture("blue"))
    before = stored(on_disk)
    entries, refused = [], 0
    for command in commands(photo_file, disk.folder):
        disk.fill(left)
        done = run_here(on_disk, *command)
        if done.exit_code:
            refused += 1
            assert any(word in done.err for word in ("disk is full", "a disk that is full", "No space", "MB free")), (
                done
            )
        entries += acknowledged(done)
    assert refused
    disk.clear()
    assert lost(on_disk, entries) == []
    assert len(stored(on_disk)) == len(before) + sum(table == "inspections" for table, _ in entries)
    assert half_files(disk.folder) == []
    assert run_here(on_disk, *ENTRY).exit_code == 0


def test_a_document_that_finds_no_room_leaves_the_one_before_as_it_was(disk, yard):
    out = disk.folder / "covers.csv"
    run_here(yard, "covers", "export", "--out", out)
    before = out.read_bytes()
    disk.fill()
    done = run_here(yard, "covers", "export", "--out", out, "--units", "us")
    assert done.err == (
        f"{out} cannot be written: No space left on device. Nothing was written there. Make room or allow writing "
        f"there, or name another file.\n"
    )
    assert out.read_bytes() == before


@pytest.mark.thorough
def test_pages_that_find_no_room_leave_those_before_whole(disk, yard):
    out, filled = disk.folder / "pages", 0
    assert run_here(yard, "dashboard", "--out", out).exit_code == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert run_here(yard, *ENTRY).exit_code == 0
    for left in range(0, 400_000, 40_000):
        disk.fill(left)
        done = run_here(yard, "dashboard", "--out", out)
        filled += done.exit_code
        assert done.exit_code == 0 or "No space left on device" in done.err
        now = {path.name for path in out.iterdir() if path.is_file()}
        assert now == before.keys()
        assert all((out / name).read_bytes().rstrip().endswith(before[name].rstrip()[-7:]) for name in now)
    assert 0 < filled < 10


@pytest.mark.thorough
def test_an_older_database_stays_whole_or_is_brought_up_to_date(disk, yard_file):
    versions = []
    for left in range(0, 900_000, 60_000):
        path = make_older(copied(yard_file, disk.folder))
        disk.fill(left)
        done = run_here(path, "init")
        disk.clear()
        versions.append(version_of(path))
        assert (done.exit_code, versions[-1]) in ((1, OLDER), (0, SCHEMA_VERSION)), done
        assert done.exit_code == 0 or "Nothing was changed" in done.err or "The original is unchanged" in done.err
        assert half_files(disk.folder) == []
        assert len(stored(path)) == 1  # brought up to date here, with room
        for file in [path, *disk.folder.glob("yard.version*")]:
            file.unlink()
        for file in sorted(disk.folder.rglob("*"), reverse=True):
            file.rmdir() if file.is_dir() else file.unlink()
    assert versions[0] == OLDER
    assert versions[-1] == SCHEMA_VERSION


@pytest.mark.thorough
def test_a_backup_and_a_restore_are_whole_or_not_there(disk, yard, monkeypatch):
    # Without the spare room that is asked for first, the disk fills in the middle.
    monkeypatch.setattr(backup, "SPARE_BYTES", -100_000_000)
    whole = yard.with_name("whole.zip")
    assert run_here(yard, "backup", "--to", whole).exit_code == 0
    outcomes = []
    for left in range(0, 900_000, 50_000):
        disk.fill(left)
        for command, target in (
            (("backup", "--to", disk.folder / "b.zip"), disk.folder / "b.zip"),
            (("restore", whole, "--to", disk.folder / "r.db"), disk.folder / "r.db"),
        ):
            done = run_here(yard, *command)
            outcomes.append(done.exit_code)
            assert target.exists() == (done.exit_code == 0)
            assert ".part" not in done.err  # that is gone when it is read
            assert (
                done.exit_code == 0
                or "Nothing was restored" in done.err
                or "No backup was made" in done.err
                or ("The original is unchanged" in done.err)
            ), done
            target.unlink(missing_ok=True)
            for file in sorted((disk.folder / "r.photos").rglob("*"), reverse=True):
                file.rmdir() if file.is_dir() else file.unlink()
            (disk.folder / "r.photos").rmdir() if (disk.folder / "r.photos").exists() else None
        assert {path.name for path in disk.folder.iterdir()} == {"filler"}
    assert set(outcomes) == {0, 1}


def test_a_night_without_room_for_a_backup_leaves_those_of_other_nights_whole(disk, on_disk, monkeypatch):
    monkeypatch.setattr(backup, "SPARE_BYTES", -100_000_000)  # so that the disk fills in the middle
    now, outcomes = datetime(2026, 2, 22, 3, 0, tzinfo=UTC), []
    nights = [back_up(on_disk, now=now - number * timedelta(minutes=1)).path for number in range(3)]
    before = [night.read_bytes() for night in nights]
    for left in (0, 40_000, 200_000, 380_000):
        disk.fill(left)
        with pytest.raises(StoreError, match=r"No backup was made\.|The original is unchanged\.") as refused:
            back_up(on_disk, now=now + timedelta(minutes=left // 1000), keep=1)
        outcomes.append(str(refused.value))
        assert ".part" not in outcomes[-1]
        assert [night.read_bytes() for night in nights] == before
        assert sorted(nights[0].parent.iterdir()) == sorted(nights)
    assert len(set(outcomes)) > 1
    disk.clear()
    assert back_up(on_disk, now=now + timedelta(days=1), keep=1).removed


def test_a_restore_whose_disk_is_full_at_its_last_step_speaks_of_the_place_that_was_named(disk, yard, monkeypatch):
    monkeypatch.setattr(backup, "SPARE_BYTES", 0)
    whole, place = yard.with_name("whole.zip"), disk.folder / "again.db"
    assert run_here(yard, "backup", "--to", whole).exit_code == 0

    def once_it_is_full(path):
        path.with_name(f"{path.name}-shm").unlink(missing_ok=True)  # it would have its room already
        disk.fill()
        return connect(path)

    monkeypatch.setattr("monitor.operations.backup.connect", once_it_is_full)
    done = run_here(yard, "restore", whole, "--to", place)
    assert re.fullmatch(
        rf"{re.escape(str(place))} is on a disk that is full \([\w /]+\)\. Nothing was restored\. Make room on it and "
        r"try again\.\n",
        done.err,
    )
    assert {path.name for path in disk.folder.iterdir()} == {"filler"}


def test_weather_that_finds_no_room_is_stored_whole_or_not_at_all(disk, on_disk):
    counts = set()
    with closing(connect(on_disk)) as conn:
        (had,) = conn.execute("SELECT count(*) FROM weather_hours").fetchone()
        for left in (60_000, 120_000, 200_000, 900_000):
            disk.fill(left)
            with suppress(StoreError):
                import_weather(conn, YARD, "metar-archive", metar(BEGIN, 200), "late.csv", BEGIN + 300 * HOUR)
            disk.clear()
            counts.add(conn.execute("SELECT count(*) FROM weather_hours").fetchone()[0])
    assert counts == {had, had + 200}


# --- while the service runs


class Stub:
    """In place of a service that would ask the network."""

    def start(self):
        pass

    def stop(self):
        pass


def test_while_the_service_runs_the_pages_are_shown_though_not_a_byte_is_free(disk, monkeypatch):
    path = fill(disk.folder / "yard.db")
    monkeypatch.setattr(watch, "make_service", lambda path: Stub())
    entry = {"id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01", "findings": []}
    with watch.running_service(path):
        per = signed_in(app_of(path, Clock(NOW)), "Per")
        disk.fill()
        assert per.get("/yards/north/").status_code == 200
        assert "Plum" in per.get("/yards/north/boat?number=01").text
        answers = [
            per.post("/api/inspections", json=entry | {"id": f"{n:08d}{entry['id'][8:]}", "note": "n" * 4000})
            for n in range(20)
        ]
        kept = sum(answer.status_code == 201 for answer in answers)  # what still goes into the log that is there
        refused = next(answer for answer in answers if answer.status_code != 201)
        assert refused.status_code == 503
        assert int(refused.headers["retry-after"]) > 0
        assert refused.json()["problem"].startswith("The disk is full; make room and try again")
        form = {"boat": "02", "note": "written in the rain", "defect-0": "tear", "place-0": "bow", "severity-0": "2"}
        page = per.post("/yards/north/inspect?boat=02", data=form)
        assert "The disk is full; make room and try again" in page.text
        assert "written in the rain" in page.text
        disk.clear()
        again = per.post("/api/inspections", json=entry)
        assert again.status_code == 201
    assert len(stored(path)) == kept + 1


def test_without_a_service_the_pages_say_that_the_disk_is_full(disk):
    path = fill(disk.folder / "yard.db")
    per = signed_in(app_of(path, Clock(NOW)), "Per")
    disk.fill()
    for asked in (per.get("/yards/north/"), per.post("/yards/north/inspect?boat=02", data={"boat": "02"})):
        assert asked.status_code == 503
        assert "is on a disk that is full" in asked.text
        assert "retry-after" in asked.headers
    problem = per.post("/api/inspections", json={"boat": "01"})
    assert problem.status_code == 503
    assert "is on a disk that is full" in problem.json()["problem"]


def test_a_service_without_room_asks_nobody_and_tells_nobody_every_minute(disk, monkeypatch):
    path = fill(disk.folder / "yard.db")
    airport, clock, told = Airport(), Clock(BEGIN), []
    plug_in(monkeypatch, airport)
    monkeypatch.setattr("monitor.sending._send", lambda library, address, message: told.append(message.title) or "")
    sender = Sender({"STORMWALK_NOTIFY": "json://127.0.0.1:9/"})
    service = Service(path, Settings(backups="off"), sender, clock)
    assert service.run_due() > 0
    with closing(connect(path)) as conn:
        service_store.add_notice(conn, 1, Notice("north", "storm_ended", BEGIN, "Storm over", "List."), clock.now)
    asked = len(airport.pulls)
    noted = service_store.add_try
    monkeypatch.setattr("monitor.operations.service.store.add_try", full)
    for _ in range(30):
        clock.advance(MINUTE)
        service.run_due("notices")
    monkeypatch.setattr("monitor.operations.service.store.add_try", noted)
    assert told == ["Storm over"]
    disk.fill()
    for _ in range(60):
        clock.advance(MINUTE)
        with suppress(StoreError):
            service.run_due()
    disk.clear()
    assert len(airport.pulls) - asked <= 1
    clock.advance(timedelta(minutes=10))
    service.run_due()
    assert told == ["Storm over"]
    with closing(connect(path)) as conn:
        assert [kept.sent_at is not None for kept in service_store.notices(conn, 1)] == [True]
    assert len(airport.pulls) > asked


def full(*_, **__):
    raise StoreError("The disk is full; make room and try again. Nothing of this entry was stored.")
