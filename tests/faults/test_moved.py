"""A database is moved, removed or replaced while it is in use: its log is neither lost nor read as another's."""

import shutil
from contextlib import closing

import pytest
from faulty_disks import acknowledged, lost, run_here, stored, stormwalk
from invented_app import NOW, Clock, app_of, fill, signed_in

from monitor.store.connection import connect, connect_read_only

ENTRY = ("log", "inspection", "02", "--by", "Ida", "--finding", "loose_band@port:1")
COMMANDS = (ENTRY, ("log", "list"), ("rank",), ("init",), ("backup",), ("doctor",), ("watch", "--status"))


def move(database, to):
    """A database with its log, to another name."""
    for ending in ("", "-wal", "-shm"):
        if (part := database.with_name(f"{database.name}{ending}")).exists():
            part.rename(to.with_name(f"{to.name}{ending}"))


def test_a_database_that_was_moved_away_in_use_is_missed_and_its_log_is_kept_until_it_is_back(yard):
    log = yard.with_name("yard.db-wal")
    with closing(connect(yard)):  # as a service has it
        entries = acknowledged(run_here(yard, *ENTRY))
        yard.rename(yard.with_name("elsewhere.db"))
        before = log.read_bytes()
        for command in COMMANDS:
            done = run_here(yard, *command)
            assert (done.exit_code, done.err) == (
                1,
                f"There is no {yard}, but its log yard.db-wal is there: the database was moved or removed while it was "
                f"in use, and its newest entries may be in that log alone. Nothing was made or changed. Put the "
                f"database back beside it, or restore a backup under another name.\n",
            ), command
        assert log.read_bytes() == before
        assert len(before) > 0
    yard.with_name("elsewhere.db").rename(yard)
    assert lost(yard, entries) == []


@pytest.fixture
def replaced(yard):
    """A restored backup in the place of a database whose service was killed; its path, and what was logged since."""
    whole, again = yard.with_name("whole.zip"), yard.with_name("again.db")
    assert run_here(yard, "backup", "--to", whole).exit_code == 0
    assert stormwalk(yard, "restore", whole, "--to", again).exit_code == 0
    killed = yard.with_name("killed.db")
    with closing(connect(yard)):
        entries = acknowledged(run_here(yard, *ENTRY))
        for ending in ("", "-wal"):
            shutil.copy(f"{yard}{ending}", f"{killed}{ending}")  # what a kill leaves
    yard.unlink()
    move(killed, yard)
    yard.rename(yard.with_name("old.db"))
    again.rename(yard)
    return yard, entries


def test_a_restored_database_never_takes_the_log_of_the_one_before_for_its_own(replaced):
    yard, entries = replaced
    log, restored = yard.with_name("yard.db-wal"), yard.read_bytes()
    before = log.read_bytes()
    for command in COMMANDS:
        done = run_here(yard, *command)
        assert (done.exit_code, done.err) == (
            1,
            f"{yard} was put in the place of another database: the log yard.db-wal beside it belongs to the other. "
            f"Nothing was changed. Stop the service, move yard.db-wal and yard.db-shm to where the other is now, under "
            f"its name, and start again.\n",
        ), command
    assert (yard.read_bytes(), log.read_bytes()) == (restored, before)
    log.rename(yard.with_name("old.db-wal"))
    assert run_here(yard, *ENTRY).exit_code == 0
    assert lost(yard, entries) == entries  # the backup is older
    assert len(stored(yard)) == 2
    assert lost(yard.with_name("old.db"), entries) == []


def test_a_restored_database_begins_its_own_log_with_the_first_command(yard, tmp_path):
    whole, again = tmp_path / "whole.zip", tmp_path / "again.db"
    run_here(yard, "backup", "--to", whole)
    run_here(yard, "restore", whole, "--to", again)
    assert [file.name for file in tmp_path.glob("again.db*")] == ["again.db"]
    with closing(connect(again)) as conn:
        assert conn.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        entries = acknowledged(run_here(again, *ENTRY))
        assert again.with_name("again.db-wal").stat().st_size > 0
        entries += acknowledged(run_here(again, *ENTRY))
    assert lost(again, entries) == []


def test_looking_at_the_log_never_lets_go_of_the_database_that_this_process_has_open(yard):
    # On POSIX, closing any handle to a file ends the locks of the whole process on it. Another process would then take
    # itself for the last one, and remove the log that this one writes to.
    log = yard.with_name("yard.db-wal")
    with closing(connect(yard)) as conn:
        entries = acknowledged(run_here(yard, *ENTRY))
        for command in COMMANDS:
            run_here(yard, *command)
        connect_read_only(yard).close()
        kept = log.stat().st_ino
        entries += acknowledged(stormwalk(yard, *ENTRY))
        entries += acknowledged(run_here(yard, *ENTRY))
        assert log.stat().st_ino == kept
        assert conn.execute("SELECT count(*) FROM inspections").fetchone()[0] == len(stored(yard))
    assert lost(yard, entries) == []


def test_the_pages_refuse_a_database_that_was_put_in_the_place_of_theirs(tmp_path):
    path, entry = fill(tmp_path / "yard.db"), {"id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01"}
    with closing(connect(path)):  # as `serve` has it
        per = signed_in(app_of(path, Clock(NOW)), "Per")
        run_here(path, "backup", "--to", tmp_path / "whole.zip")
        stormwalk(path, "restore", tmp_path / "whole.zip", "--to", tmp_path / "again.db")
        assert per.post("/api/inspections", json=entry).status_code == 201
        path.rename(tmp_path / "old.db")
        (tmp_path / "again.db").rename(path)
        later = entry | {"id": "1d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10"}
        for answer in (per.get("/yards/north/"), per.post("/api/inspections", json=later)):
            assert answer.status_code == 503  # a phone keeps what it has
            assert "was put in the place of another database" in answer.text
        path.rename(tmp_path / "again.db")
        (tmp_path / "old.db").rename(path)
        assert per.post("/api/inspections", json=later).status_code == 201
    assert sorted(stored(path)) == [entry["id"], later["id"]]
