"""Opening the database: what is refused and how, two processes at once, a writer killed in the middle."""

import os
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

import pytest

from monitor.errors import StoreError
from monitor.store import append_only, connection, migrations
from monitor.store.connection import connect, connect_read_only, copy_database, write

ROOT = Path(connection.__file__).parents[2]


def python(code, *arguments, **options):
    """A fresh interpreter running ``code``."""
    options = {"cwd": ROOT, "text": True, "stdin": subprocess.PIPE, "stdout": subprocess.PIPE} | options
    return subprocess.Popen([sys.executable, "-c", code, *map(str, arguments)], **options)


@pytest.fixture
def old_path(path, monkeypatch):
    """A database of version 2 with one yard in it."""
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "_MIGRATIONS", migrations._MIGRATIONS[:2])
        patch.setattr(connection, "SCHEMA_VERSION", 2)
        with closing(connect(path, create=True)) as conn:
            add_yard(conn, "north")
    return path


YARD_COLUMNS = (
    "key, name, latitude_deg, longitude_deg, elevation_m, time_zone, terrain, display_units, contact, station, "
    "crew_size, open_meteo_plan"
)
"""Of every version of the table."""


def add_yard(conn, key):
    conn.execute(
        f"INSERT INTO yards ({YARD_COLUMNS}) "
        "VALUES (?, 'North Yard', 43.7, -70.2, 3, 'UTC', 'open', 'metric', '', '', 2, '')",
        (key,),
    )


def add_yards_and_fail(conn, *keys):
    with write(conn):
        for key in keys:
            add_yard(conn, key)
        raise ZeroDivisionError


def keys(conn):
    return [row["key"] for row in conn.execute("SELECT key FROM yards ORDER BY id")]


def version(conn):
    return conn.execute("PRAGMA user_version").fetchone()[0]


def test_a_new_database_has_the_settings_that_lose_nothing(conn):
    settings = {name: conn.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")}
    assert settings == {"journal_mode": "wal", "synchronous": 2}  # 2: FULL
    for switch in ("foreign_keys", "recursive_triggers"):
        assert conn.execute(f"PRAGMA {switch}").fetchone()[0] == 1
    assert conn.execute("PRAGMA busy_timeout").fetchone()[0] == 10_000
    assert version(conn) == migrations.SCHEMA_VERSION


def test_every_table_is_strict(conn):
    tables = conn.execute(
        "SELECT name, strict FROM pragma_table_list WHERE type = 'table' AND name NOT LIKE '%sqlite%'"
    )
    changing = ["yards", "boats", "covers", "job_runs"]
    changing += ["accounts", "sessions", "sign_in_failures", "guest_links", "secrets"]
    every = [*changing, *append_only.APPEND_ONLY]
    assert dict(map(tuple, tables)) == dict.fromkeys(every, 1)


def test_opening_again_changes_nothing(path, conn):
    add_yard(conn, "north")
    schema = conn.execute("SELECT group_concat(sql) FROM sqlite_master").fetchone()[0]
    with closing(connect(path)) as again, closing(connect(path, create=True)) as and_again:
        assert keys(again) == keys(and_again) == ["north"]
        assert again.execute("SELECT group_concat(sql) FROM sqlite_master").fetchone()[0] == schema


@pytest.mark.parametrize("name", ["north yard.db", "Jachthafen Süd #1.db", "what?mode=ro&x=%20.db", "пристань.db"])
def test_any_file_name_will_do(tmp_path, name):
    folder = tmp_path / f"folder of {name}"
    folder.mkdir()
    with closing(connect(folder / name, create=True)) as conn:
        add_yard(conn, "north")
    with closing(connect_read_only(folder / name)) as conn:
        assert keys(conn) == ["north"]
    assert [file.name for file in folder.iterdir() if file.suffix == ".db"] == [name]


def test_a_missing_file_is_named_and_not_made(path):
    for open_it in (connect, connect_read_only):
        with pytest.raises(StoreError, match=r'No database at .*stormwalk\.db\. Run "stormwalk init"'):
            open_it(path)
    assert not path.exists()


def test_a_missing_folder_is_not_made(tmp_path):
    with pytest.raises(StoreError, match=r"no folder .*nowhere"):
        connect(tmp_path / "nowhere" / "stormwalk.db", create=True)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_is_not_a_database(tmp_path):
    with pytest.raises(StoreError, match="is a folder"):
        connect(tmp_path, create=True)


def test_an_empty_file_is_filled_only_by_init(path):
    path.touch()
    with pytest.raises(StoreError, match=r'is empty.*Run "stormwalk init"'):
        connect(path)
    assert path.read_bytes() == b""
    with closing(connect(path, create=True)) as conn:
        assert version(conn) == migrations.SCHEMA_VERSION


@pytest.mark.parametrize("open_it", [connect, connect_read_only, lambda path: connect(path, create=True)])
def test_a_file_that_is_no_database_is_refused_and_left_as_it_is(path, open_it):
    content = b"berth,boat,owner\nA-12,Puffin,Ines\n" * 200
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"is not a database\. Nothing was changed"):
        open_it(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize("setup", ["CREATE TABLE songs (title TEXT)", "PRAGMA user_version = 3"])
def test_a_database_of_another_program_is_refused_and_left_as_it_is(path, setup):
    with closing(sqlite3.connect(path)) as other:
        other.execute(setup)
    before = path.read_bytes()
    for options in ({}, {"create": True}):
        with pytest.raises(StoreError, match="is a database of another program"):
            connect(path, **options)
    assert path.read_bytes() == before


def test_a_newer_database_is_refused_and_left_as_it_is(path):
    with closing(connect(path, create=True)) as conn:
        add_yard(conn, "north")
        conn.execute("PRAGMA user_version = 99")
    before = path.read_bytes()
    for open_it in (connect, connect_read_only):
        with pytest.raises(
            StoreError, match=rf"newer stormwalk \(database version 99.*knows {migrations.SCHEMA_VERSION}"
        ):
            open_it(path)
    assert path.read_bytes() == before


def test_a_damaged_database_is_named_as_such(path):
    connect(path, create=True).close()
    content = bytearray(path.read_bytes())
    content[100:4096] = b"\xff" * 3996  # the first page behind its header: the list of tables
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"is damaged.*Restore its last backup"):
        connect(path)


def test_a_file_this_user_may_not_write_is_refused_with_a_sentence():
    # in a process without rights: the tests themselves may run as an administrator, who may write anywhere
    code = """if True:
        import os, sys
        from pathlib import Path
        from monitor.errors import StoreError
        from monitor.store.connection import connect
        import sqlite_utils
        if os.getuid() == 0:
            os.setuid(65534)
        try:
            connect(Path(sys.argv[1])).close()
        except StoreError as error:
            print(error)
        """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "stormwalk.db")
        connect(file, create=True).close()
        content = file.read_bytes()
        file.chmod(0o444)
        Path(folder).chmod(0o755)
        said, _ = python(code, file).communicate()
        assert said.startswith(f"{file} may be read but not written by this user. Nothing was changed.")
        file.chmod(0o666)
        Path(folder).chmod(0o555)
        said, _ = python(code, file).communicate()
        assert said.startswith(f"The folder {folder} may not be written by this user")
        Path(folder).chmod(0o755)
        assert file.read_bytes() == content


def test_reading_alone_writes_nothing(path, conn):
    add_yard(conn, "north")
    with closing(connect_read_only(path)) as reader:
        assert keys(reader) == ["north"]
        with pytest.raises(StoreError, match="may only be read now"), write(reader):
            add_yard(reader, "south")
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            add_yard(reader, "south")
    assert keys(conn) == ["north"]


def test_a_block_of_writes_is_all_or_nothing(conn):
    with pytest.raises(ZeroDivisionError):
        add_yards_and_fail(conn, "north")
    assert keys(conn) == []
    assert not conn.in_transaction
    with write(conn):
        add_yard(conn, "north")
        add_yard(conn, "south")
    assert keys(conn) == ["north", "south"]


def test_an_inner_block_that_fails_undoes_only_itself(conn):
    with write(conn):
        add_yard(conn, "north")
        with pytest.raises(ZeroDivisionError):
            add_yards_and_fail(conn, "south", "east")
        with write(conn):
            add_yard(conn, "west")
    assert keys(conn) == ["north", "west"]


def test_an_outer_block_that_fails_undoes_the_inner_ones(conn):
    def both():
        with write(conn):
            with write(conn):
                add_yard(conn, "north")
            add_yards_and_fail(conn, "south")

    with pytest.raises(ZeroDivisionError):
        both()
    assert keys(conn) == []


def test_a_writer_that_waits_too_long_says_so(path, conn):
    with closing(connect(path)) as other:
        other.execute("PRAGMA busy_timeout = 50")
        with write(conn):
            with (
                pytest.raises(StoreError, match=r"Another process has been writing.*Nothing of this entry was stored"),
                write(other),
            ):
                add_yard(other, "south")
            add_yard(conn, "north")
        with write(other):
            add_yard(other, "south")
    assert keys(conn) == ["north", "south"]


def test_an_older_database_is_brought_up_to_date_and_kept_beside(old_path):
    with closing(connect(old_path)) as conn:
        assert version(conn) == migrations.SCHEMA_VERSION
        assert keys(conn) == ["north"]
        assert conn.execute("SELECT count(*) FROM inspections").fetchone()[0] == 0
    kept = old_path.with_name("stormwalk.version-2.db")
    with closing(sqlite3.connect(kept)) as copy:
        copy.row_factory = sqlite3.Row
        assert version(copy) == 2
        assert keys(copy) == ["north"]
        assert copy.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert not list(old_path.parent.glob("*.part"))


def test_a_copy_kept_before_is_never_overwritten(old_path):
    first = old_path.with_name("stormwalk.version-2.db")
    first.write_bytes(b"kept by hand")
    connect(old_path).close()
    assert first.read_bytes() == b"kept by hand"
    assert old_path.with_name("stormwalk.version-2-2.db").exists()


def test_a_new_database_leaves_no_copy(path):
    connect(path, create=True).close()
    assert list(path.parent.iterdir()) == [path]


def test_reading_alone_does_not_migrate(old_path):
    before = old_path.read_bytes()
    with pytest.raises(StoreError, match=r"database version 2.*stormwalk init"):
        connect_read_only(old_path)
    assert old_path.read_bytes() == before


def test_a_migration_that_fails_leaves_the_old_database(old_path, monkeypatch):
    def fails_halfway(db):
        db.execute("CREATE TABLE half (a INTEGER) STRICT")
        db.execute("INSERT INTO nowhere VALUES (1)")

    monkeypatch.setattr(migrations, "_MIGRATIONS", (*migrations._MIGRATIONS[:3], ("004_fails", fails_halfway)))
    with pytest.raises(StoreError, match=r"could not be brought from database version 2 .*Nothing was changed"):
        connect(old_path)
    with closing(sqlite3.connect(old_path)) as conn:
        conn.row_factory = sqlite3.Row
        assert version(conn) == 2
        assert keys(conn) == ["north"]
        assert (
            conn.execute("SELECT count(*) FROM sqlite_master WHERE name IN ('half', 'inspections')").fetchone()[0] == 0
        )
    assert list(old_path.parent.glob("*version*")) == []


def test_a_migration_that_leaves_orphans_is_undone(old_path):
    with closing(sqlite3.connect(old_path)) as conn:  # foreign keys are off on a plain connection
        conn.execute("INSERT INTO covers VALUES (1, 77, '2025-11-03')")
        conn.commit()
    with pytest.raises(StoreError, match=r"1 rows that refer to missing ones, the first in covers.*version 2"):
        connect(old_path)
    with closing(sqlite3.connect(old_path)) as conn:
        assert version(conn) == 2


def test_a_copy_is_whole_while_another_process_writes(path, conn):
    add_yard(conn, "north")
    target = path.with_name("copy.db")
    with write(conn):
        add_yard(conn, "south")
        copy_database(path, target)
    with closing(connect(target)) as copy:
        assert keys(copy) == ["north"]
    with pytest.raises(StoreError, match=r"copy\.db is already there"):
        copy_database(path, target)


OPENER = """if True:
    import sys
    from pathlib import Path
    import sqlite_utils
    from monitor.store.connection import connect, write
    print("ready", flush=True)
    for line in sys.stdin:
        conn = connect(Path(line.rstrip("\\n")), create=True)
        with write(conn):
            conn.execute(
                "INSERT INTO yards (YARD_COLUMNS) VALUES (?, '', 0, 0, 0, 'UTC', 'open', 'metric', '', '', 2, '')",
                sys.argv[1:],
            )
        conn.close()
        print("done", flush=True)
    """.replace("YARD_COLUMNS", YARD_COLUMNS)


def test_processes_that_start_at_once_all_end_well(tmp_path, old_path):
    new = [tmp_path / f"new-{number}.db" for number in range(8)]
    old = [tmp_path / f"old-{number}.db" for number in range(8)]
    for copy in old:
        copy.write_bytes(old_path.read_bytes())
    workers = [python(OPENER, name) for name in ("one", "two", "three")]
    try:
        assert [worker.stdout.readline() for worker in workers] == ["ready\n"] * 3
        for path in (*new, *old):
            for worker in workers:
                worker.stdin.write(f"{path}\n")
                worker.stdin.flush()
            assert [worker.stdout.readline() for worker in workers] == ["done\n"] * 3
    finally:
        for worker in workers:
            worker.communicate()
    for path in (*new, *old):
        with closing(connect(path)) as conn:
            assert sorted(keys(conn)) == sorted(["one", "three", "two"] + (["north"] if path in old else []))
            assert version(conn) == migrations.SCHEMA_VERSION
            assert append_only.append_only_tables_unprotected(conn) == []
            steps = conn.execute("SELECT name FROM _sqlite_migrations ORDER BY name").fetchall()
            assert [row["name"] for row in steps] == [name for name, _ in migrations._MIGRATIONS]
    kept = {file.name for file in tmp_path.glob("*-*.version-*")}
    assert kept == {f"old-{number}.version-2.db" for number in range(len(old))}


WRITER = """if True:
    import sys
    from datetime import UTC, datetime, timedelta
    from pathlib import Path
    import numpy as np
    import pandas as pd
    from monitor.store.connection import connect
    from monitor.store.weather import store_hours
    from monitor.weather.providers import Answer
    from monitor.weather.table import ParsedHours, hourly_index, no_flags
    conn = connect(Path(sys.argv[1]))
    number = 0
    while True:
        now = datetime(2025, 11, 1, tzinfo=UTC) + timedelta(hours=number)
        index = hourly_index([now + timedelta(hours=ahead) for ahead in range(300)])
        hours = pd.DataFrame({"air_temperature_c": np.arange(300) + number / 7}, index=index)
        parsed = ParsedHours(hours, no_flags(hours), pd.Series("forecast", index=index))
        fetch = store_hours(conn, 1, "open-meteo", Answer("", 200, {}, b"x" * 50_000, now), parsed)
        print(fetch.id, flush=True)
        number += 1
    """


def test_a_killed_writer_leaves_whole_transactions_and_all_it_acknowledged(path, conn):
    add_yard(conn, "north")
    acknowledged = set()
    for acks_before_the_kill in (1, 3, 8, 15):
        writer = python(WRITER, path)
        for _ in range(acks_before_the_kill):
            acknowledged.add(int(writer.stdout.readline()))
        writer.kill()
        rest, _ = writer.communicate()
        acknowledged |= {int(line) for line in rest.splitlines()}
        with closing(connect(path)) as after:
            assert after.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            assert after.execute("PRAGMA foreign_key_check").fetchall() == []
            sizes = after.execute(
                """SELECT f.outcome, f.id, count(h.fetch_id) AS hours FROM weather_fetches AS f
                   LEFT JOIN weather_hours AS h ON h.fetch_id = f.id GROUP BY f.id"""
            ).fetchall()
        assert acknowledged <= {row["id"] for row in sizes}
        # the writer starts over with the same hours each time: they are kept once
        assert all(row["hours"] == {"stored": 300, "same": 0}[row["outcome"]] for row in sizes)


def test_what_an_unfinished_transaction_wrote_is_gone_after_a_kill(path, conn):
    code = """if True:
        import sys, time
        from pathlib import Path
        from monitor.store.connection import connect, write
        conn = connect(Path(sys.argv[1]))
        with write(conn):
            conn.execute("UPDATE yards SET name = 'half'")
            print("written", flush=True)
            time.sleep(60)
        """
    add_yard(conn, "north")
    writer = python(code, path)
    assert writer.stdout.readline() == "written\n"
    writer.kill()
    writer.communicate()
    with write(conn):  # the lock went with the process
        assert conn.execute("SELECT name FROM yards").fetchone()[0] == "North Yard"


def test_the_store_is_imported_and_opened_without_heavy_libraries(path):
    connect(path, create=True).close()
    code = """if True:
        import sys
        from pathlib import Path
        from monitor.store import connection, inspections, migrations, rankings, register, rows, weather
        connection.connect(Path(sys.argv[1])).close()
        print(sorted({"pandas", "numpy", "sqlite_utils", "requests", "plotly", "pydantic"} & set(sys.modules)))
        """
    said, _ = python(code, path, env={**os.environ, "PYTHONPATH": str(ROOT)}).communicate()
    assert said == "[]\n"
