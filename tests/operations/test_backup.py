"""Backup and restore: whole or not at all, while others write, and nothing that was altered comes back."""

import errno
import hashlib
import io
import json
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import zipfile
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import HOUR, WRAPPED, YARD
from PIL import Image

from monitor.errors import StoreError, StormwalkError
from monitor.operations.backup import back_up, restore
from monitor.operations.log import record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.service import BACKUP, Service
from monitor.settings import OFF, Settings
from monitor.store import backup as store
from monitor.store import chain, health
from monitor.store.backup import backups_in, kept
from monitor.store.connection import connect

CHECKOUT = Path(__file__).resolve().parents[2]
NOW = datetime(2026, 2, 22, 3, 0, tzinfo=UTC)
DAY = timedelta(days=1)


def jpeg(colour):
    out = io.BytesIO()
    Image.new("RGB", (40, 30), colour).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture(scope="session")
def logged_file(yard_file, tmp_path_factory):
    """The invented yard with an inspection of each boat, and three photos, in a folder of its own."""
    path = Path(shutil.copy(yard_file, tmp_path_factory.mktemp("logged") / "stormwalk.db"))
    with closing(connect(path)) as conn:
        photo_folder(path).mkdir()
        for number, boat in enumerate(("01", "02", "03")):
            seen = WRAPPED + (number + 1) * HOUR
            record_inspection(
                conn, YARD, boat, inspector="Ida", inspected_at=seen, recorded_at=seen, inspection_id=f"i{number}"
            )
            record_photo(
                conn,
                photo_folder(path),
                YARD,
                photo_id=f"p{number}",
                data=jpeg((number * 90, 20, 20)),
                inspection_id=f"i{number}",
                recorded_at=seen,
                taken_by="Ida",
            )
    return path


@pytest.fixture
def path(logged_file, tmp_path):
    """The test's own copy of it, with its photos."""
    folder = tmp_path / "yard"
    shutil.copytree(logged_file.parent, folder)
    return folder / "stormwalk.db"


@pytest.fixture
def made(path):
    """A backup of it."""
    return back_up(path, now=NOW).path


@pytest.fixture(scope="session")
def one_backup(logged_file, tmp_path_factory):
    """A backup that is only read."""
    return back_up(logged_file, tmp_path_factory.mktemp("one") / "one.zip", now=NOW).path


def dump(path):
    """Every row of every table."""
    with health.looked_at(path) as conn:
        return {
            table: [tuple(row) for row in conn.execute(f'SELECT * FROM "{table}" ORDER BY 1, 2')]
            for table in health.row_counts(conn)
        }


def files(folder):
    return {
        file.relative_to(folder).as_posix(): file.read_bytes() for file in sorted(folder.rglob("*")) if file.is_file()
    }


def lasting(folder):
    """Every file and folder but those that SQLite keeps beside a file that is read."""
    return sorted(file for file in folder.rglob("*") if not file.name.endswith(("-shm", "-wal")))


def originals(path):
    return {name: data for name, data in files(photo_folder(path)).items() if not name.startswith("upright")}


# --- there and back


def test_what_is_restored_is_what_was_backed_up_row_by_row_and_byte_by_byte(path, tmp_path):
    made = back_up(path, now=NOW)
    assert made.path == path.with_name("stormwalk.backups") / "stormwalk-2026-02-22T0300Z.zip"
    assert made.sentences[0].endswith("the database and 3 photos, read back and whole.")
    done = restore(made.path, tmp_path / "new.db", now=NOW)
    assert dump(tmp_path / "new.db") == dump(path)
    assert originals(tmp_path / "new.db") == originals(path)
    assert len(originals(path)) == 3
    assert [check.level for check in done.checks] == ["ok"] * len(done.checks)
    assert sorted(file.name for file in tmp_path.iterdir() if not file.name.endswith(("-shm", "-wal"))) == [
        "new.db",
        "new.photos",
        "yard",
    ]


def test_a_backup_says_what_it_holds(made, path):
    with zipfile.ZipFile(made) as archive:
        says = json.loads(archive.read("manifest.json"))
        held = {info.filename: (info.file_size, info.compress_type) for info in archive.infolist()}
        database = archive.read("database.db")
    assert says["format"] == "stormwalk backup 1"
    assert says["made_at"] == "2026-02-22T03:00:00Z"
    assert says["rows"]["inspections"] == 3
    with closing(connect(path)) as conn:
        assert says["log_chain"] == {"count": 6, "sha256": chain.head(conn).sha256}
        assert says["schema_version"] == health.schema_version(conn)
    assert {"name": "database.db", "byte_count": len(database), "sha256": hashlib.sha256(database).hexdigest()} in (
        says["members"]
    )
    assert len(held) == 5
    assert all(how == zipfile.ZIP_STORED for name, (_, how) in held.items() if name.startswith("photos/"))
    assert made.stat().st_mode & 0o077 == 0


WRITER = """if True:
    import sys
    from datetime import UTC, datetime, timedelta
    from monitor.inspections import Action
    from monitor.store.connection import connect
    from monitor.store.inspections import add_action
    conn = connect(sys.argv[1])
    at = datetime(2026, 1, 1, tzinfo=UTC)
    for number in range(100_000):
        add_action(conn, Action(f"w{number}", 1, at, at + timedelta(seconds=number), "Ida", "taped"))
        print(number, flush=True)
    """


def python(code, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=CHECKOUT,
        text=True,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def test_a_backup_is_of_one_moment_while_another_process_writes(path, tmp_path):
    writer = python(WRITER, path)
    try:
        assert writer.stdout.readline() == "0\n"
        made = back_up(path, now=NOW)
        with closing(connect(path)) as conn:
            (later,) = conn.execute("SELECT count(*) FROM actions").fetchone()
    finally:
        writer.kill()
        writer.communicate()
    done = restore(made.path, tmp_path / "new.db", now=NOW)
    stored = dump(tmp_path / "new.db")["actions"]
    assert 1 <= len(stored) < later
    assert sorted(row[0] for row in stored) == sorted(f"w{number}" for number in range(len(stored)))
    assert made.manifest.chain.count == 6 + len(stored)
    assert {check.level for check in done.checks} == {"ok"}


def test_a_database_of_an_earlier_version_is_backed_up_as_it_is_and_restored_up_to_date(tmp_path, monkeypatch):
    from monitor.store import connection, migrations

    old = tmp_path / "old.db"
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "_MIGRATIONS", migrations._MIGRATIONS[:3])
        patch.setattr(connection, "SCHEMA_VERSION", 3)
        connect(old, create=True).close()
    made = back_up(old, tmp_path / "old.zip", now=NOW)
    assert made.manifest.schema_version == 3
    with closing(sqlite3.connect(old)) as conn:
        assert conn.execute("PRAGMA user_version").fetchone()[0] == 3
    restore(made.path, tmp_path / "new.db", now=NOW)
    with closing(sqlite3.connect(tmp_path / "new.db")) as conn:
        assert conn.execute("PRAGMA user_version").fetchone()[0] == migrations.SCHEMA_VERSION
    assert not list(tmp_path.glob("*version*"))


def test_a_photo_whose_file_is_gone_or_changed_is_told_and_keeps_no_other_out(path, tmp_path):
    first, second, _ = sorted(photo_folder(path).glob("??/*.jpg"))
    first.unlink()
    second.write_bytes(b"not what was taken")
    made = back_up(path, now=NOW)
    assert made.sentences[1:] == [
        "1 photos are not in it: their files are missing.",
        "1 photos in it are not what was taken: their files are damaged.",
    ]
    done = restore(made.path, tmp_path / "new.db", now=NOW)
    told = [check.found for check in done.checks if check.level == "act now"]
    assert len(told) == 2
    assert "is missing." in told[0]
    assert "is not as it was taken." in told[1]


# --- refusals


def test_nothing_is_ever_overwritten(path, made, tmp_path):
    new = tmp_path / "new.db"
    for place in (new, tmp_path / "new.photos", tmp_path / "new.db-wal"):
        place.write_bytes(b"mine")
        with pytest.raises(StoreError, match=r"is there already and was left alone\. Nothing was restored"):
            restore(made, new, now=NOW)
        assert files(tmp_path)[place.name] == b"mine"
        place.unlink()
    taken = tmp_path / "taken.zip"
    taken.write_bytes(b"mine")
    with pytest.raises(StoreError, match=r"taken\.zip is already there\. No backup was made"):
        back_up(path, taken, now=NOW)
    assert taken.read_bytes() == b"mine"
    second = back_up(path, now=NOW).path
    assert second.name == "stormwalk-2026-02-22T0300Z-2.zip"


def refused(file, tmp_path, sentence):
    """A file is refused with this sentence, and nothing new lies in the folder."""
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(StoreError, match=sentence):
        restore(file, tmp_path / "new.db", now=NOW)
    assert sorted(tmp_path.rglob("*")) == before


@given(st.data())
def test_a_torn_or_altered_backup_is_refused_and_leaves_nothing(one_backup, tmp_path_factory, data):
    whole = one_backup.read_bytes()
    offset = data.draw(st.integers(0, len(whole) - 1))
    if data.draw(st.booleans()):
        broken = whole[:offset]
    else:
        flipped = whole[offset] ^ data.draw(st.integers(1, 255))
        broken = whole[:offset] + bytes([flipped]) + whole[offset + 1 :]
    folder = tmp_path_factory.mktemp("torn")
    (folder / "b.zip").write_bytes(broken)
    refused(folder / "b.zip", folder, r"b\.zip is no whole backup: .*Nothing was restored\. Take another backup\.")


def sealed(file):
    """Seal a zip as the program does, so that only what is inside counts."""
    with zipfile.ZipFile(file, "a") as archive:
        archive.comment = bytes(store._SEAL_BYTES)
    with file.open("r+b") as opened:
        store._seal(opened)
    return file


def rebuilt(one_backup, to, change):
    """A backup with members and manifest changed, sealed anew: what somebody makes who knows how it is done."""
    with zipfile.ZipFile(one_backup) as archive:
        members = {info.filename: archive.read(info) for info in archive.infolist()}
    says = json.loads(members.pop("manifest.json"))
    change(members, says)
    with zipfile.ZipFile(to, "w") as archive:
        for name, content in members.items():
            how = zipfile.ZIP_DEFLATED if name == "database.db" else zipfile.ZIP_STORED
            archive.writestr(name, content, how)
        if says is not None:
            archive.writestr("manifest.json", json.dumps(says))
    return sealed(to)


def added(name, content=b"x"):
    def change(members, says):
        members[name] = content
        says["members"].append(
            {"name": name, "byte_count": len(content), "sha256": hashlib.sha256(content).hexdigest()}
        )

    return change


def inflated(members, says):
    members["database.db"] = bytes(60_000_000)
    says["members"][0] |= {"byte_count": 60_000_000}


def other_photo(members, says):
    name = next(name for name in members if name.startswith("photos/"))
    members[name] = bytes(len(members[name]))


def unlisted(members, says):
    says["members"].pop()


def another_head(members, says):
    says["log_chain"] = {"count": 6, "sha256": "0" * 64}


def newer(members, says):
    says["schema_version"] = 99


@pytest.mark.parametrize(
    "change, sentence",
    [
        (added("../climbs.txt"), r"holds '\.\./climbs\.txt', which no backup holds"),
        (added("/etc/motd"), "holds '/etc/motd', which no backup holds"),
        (added("photos/ab/../../../x.jpg"), "which no backup holds"),
        (added("photos/ab/" + "cd" * 32 + ".jpg"), "which no backup holds"),
        (added("photos\\ab\\x.jpg"), "which no backup holds"),
        (inflated, "would become 60 MB large"),
        (other_photo, "is not what its list of contents says"),
        (unlisted, "what it holds is not what its list of contents says"),
        (another_head, "is not the one that its list of contents describes"),
        (newer, "made by a newer stormwalk .database version 99"),
        (lambda members, says: says.clear(), "its list of contents cannot be read"),
        (lambda members, says: says.update(members=7), "its list of contents cannot be read"),
        (lambda members, says: says.update(format="another"), "its list of contents cannot be read"),
        (lambda members, says: members.pop("database.db"), "what it holds is not what its list of contents says"),
    ],
    ids=range(14),
)
def test_a_backup_that_somebody_put_together_is_refused(one_backup, tmp_path, change, sentence):
    refused(rebuilt(one_backup, tmp_path / "b.zip", change), tmp_path, sentence)


@pytest.mark.parametrize("content", [b"", b"PK", b"This is a letter.\n" * 90])
def test_a_file_of_something_else_is_refused(tmp_path, content):
    (tmp_path / "b.zip").write_bytes(content)
    refused(tmp_path / "b.zip", tmp_path, "does not end as a backup of stormwalk does")


def test_a_name_that_stands_twice_and_a_locked_member_are_refused(one_backup, tmp_path):
    double = tmp_path / "double.zip"
    shutil.copy(one_backup, double)
    with zipfile.ZipFile(double, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("database.db", b"another")
    refused(sealed(double), tmp_path, "a name stands in it twice")
    bare = tmp_path / "bare.zip"
    with zipfile.ZipFile(bare, "w") as archive:
        archive.writestr("database.db", b"x", zipfile.ZIP_BZIP2)
    refused(sealed(bare), tmp_path, "packed as no backup packs it")


def test_a_missing_file_and_a_missing_folder_are_named(path, made, tmp_path):
    refused(tmp_path / "none.zip", tmp_path, r"none\.zip.*No such file")
    with pytest.raises(StoreError, match=r"no folder .*nowhere for the database"):
        restore(made, tmp_path / "nowhere" / "new.db", now=NOW)
    with pytest.raises(StoreError, match="No database at"):
        back_up(tmp_path / "none.db", now=NOW)
    with pytest.raises(StoreError, match=r"no folder .*nowhere for the backup"):
        back_up(path, tmp_path / "nowhere" / "b.zip", now=NOW)
    (tmp_path / "letter.db").write_bytes(b"This is a letter.\n" * 90)
    with pytest.raises(StoreError, match=r"letter\.db.*No backup was made"):
        back_up(tmp_path / "letter.db", tmp_path / "b.zip", now=NOW)
    assert not list(tmp_path.glob("*backups")) + list(tmp_path.glob("*.zip"))


def test_a_damaged_database_is_not_backed_up(path):
    content = bytearray(path.read_bytes())
    content[4096 * 3 : 4096 * 6] = b"\xff" * 4096 * 3
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"No backup was made|failed its check|could not be copied"):
        back_up(path, now=NOW)
    assert files(path.with_name("stormwalk.backups")) == {}


# --- the disk


FULL = """if True:
    import resource, signal, sys
    from datetime import UTC, datetime
    from pathlib import Path
    from monitor.errors import StoreError, StormwalkError
    from monitor.operations.backup import back_up, restore
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    limit = int(sys.argv[1])
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        do = back_up if sys.argv[2] == "backup" else restore
        do(Path(sys.argv[3]), Path(sys.argv[4]), now=datetime(2026, 2, 22, tzinfo=UTC))
    except StoreError as error:
        print(error)
    """


@pytest.mark.parametrize("what, limit", [("backup", 150_000), ("backup", 4_000), ("restore", 150_000)])
def test_a_disk_that_takes_no_more_ends_in_a_sentence_and_leaves_no_half_file(path, one_backup, tmp_path, what, limit):
    # The system refuses to make any file larger than the limit, as a full disk would.
    source, target = (path, tmp_path / "b.zip") if what == "backup" else (one_backup, tmp_path / "new.db")
    before = lasting(tmp_path)
    said, troubles = python(FULL, limit, what, source, target).communicate()
    assert troubles == ""
    assert "Nothing was restored" in said or "No backup was made" in said or "The original is unchanged" in said
    assert lasting(tmp_path) == before


def test_a_disk_that_fills_while_photos_are_packed_leaves_no_half_file(path, monkeypatch):
    def full(archive, name, file, method):
        if name.startswith("photos/"):
            raise OSError(errno.ENOSPC, "No space left on device")
        return add(archive, name, file, method)

    add = store._add
    monkeypatch.setattr(store, "_add", full)
    with pytest.raises(StoreError, match=r"could not be written \(No space left on device\)\. No backup was made"):
        back_up(path, now=NOW)
    assert files(path.with_name("stormwalk.backups")) == {}


def test_a_disk_without_room_is_told_before_anything_is_written(path, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda folder: shutil._ntuple_diskusage(10**9, 10**9 - 10**6, 10**6))
    with pytest.raises(StoreError, match=r"has 1 MB free, 20 MB are needed\. No backup was made"):
        back_up(path, now=NOW)
    assert files(path.with_name("stormwalk.backups")) == {}


# --- killed


KILLED = """if True:
    import sys
    from datetime import UTC, datetime
    from pathlib import Path
    from monitor.operations.backup import back_up, restore
    print("ready", flush=True)
    do = back_up if sys.argv[1] == "backup" else restore
    do(Path(sys.argv[2]), Path(sys.argv[3]), now=datetime(2026, 2, 22, tzinfo=UTC))
    """


@pytest.mark.thorough
@pytest.mark.parametrize("what", ["backup", "restore"])
def test_a_kill_leaves_a_whole_file_or_none(path, one_backup, tmp_path, what):
    expected, whole = dump(path), 0
    for attempt in range(10):
        folder = tmp_path / f"{what}-{attempt}"
        folder.mkdir()
        target = folder / ("b.zip" if what == "backup" else "new.db")
        process = python(KILLED, what, path if what == "backup" else one_backup, target)
        try:
            assert process.stdout.readline() == "ready\n"
            time.sleep(attempt * 0.024)
            if attempt == 9:  # the last one may finish
                process.wait(timeout=60)
        finally:
            process.send_signal(signal.SIGKILL)
            process.communicate()
        if target.exists():
            whole += 1
            restored = restore(target, folder / "again.db", now=NOW).path if what == "backup" else target
            assert dump(restored) == expected
            assert originals(restored) == originals(path)
        left = [file for file in folder.iterdir() if not file.name.startswith(("b.zip", "new.", "again."))]
        assert all(file.name.endswith(".part") for file in left)
    assert dump(path) == expected
    assert 0 < whole < 10


# --- rotation


def test_the_newest_stay_and_one_of_each_of_the_newest_weeks_and_months():
    # By hand: 120 nights from Sun 1 Nov 2026 to Sun 28 Feb 2027. The 7 newest are 22 to 28 February, that is the whole
    # of the newest week; the last of the three weeks before are the Sundays 21, 14 and 7 February; the last of the
    # months before are 31 January, 31 December and 30 November.
    nights = [datetime(2026, 11, 1, 3, tzinfo=UTC) + number * DAY for number in range(120)]
    assert nights[-1].date().isoformat() == "2027-02-28"
    stay = sorted(moment.date().isoformat() for moment in kept(nights, 7))
    assert stay == [
        *("2026-11-30", "2026-12-31", "2027-01-31", "2027-02-07", "2027-02-14", "2027-02-21"),
        *(f"2027-02-{day}" for day in range(22, 29)),
    ]


def test_removing_each_night_leaves_what_removing_at_once_does():
    folder, nights = set(), [datetime(2026, 11, 1, 3, tzinfo=UTC) + number * DAY for number in range(400)]
    for night in nights:
        folder = kept(sorted({*folder, night}), 7)
    assert folder == kept(nights, 7)
    assert len(folder) <= 7 + store.WEEKS_KEPT + store.MONTHS_KEPT


@given(st.sets(st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1)), max_size=40), st.integers(1, 9))
def test_the_newest_are_never_removed(made, newest):
    moments = sorted(moment.replace(tzinfo=UTC) for moment in made)
    assert {*moments[-newest:]} <= kept(moments, newest) <= {*moments}


def test_only_dated_backups_of_this_database_are_removed(path):
    folder = path.with_name("stormwalk.backups")
    folder.mkdir()
    others = ["other-2020-01-01T0300Z.zip", "stormwalk-2020-01-01.zip", "stormwalk-2020-13-01T0300Z.zip", "letter.txt"]
    for name in others:
        (folder / name).write_bytes(b"mine")
    for number in range(5):
        back_up(path, folder, now=NOW + number * timedelta(minutes=1), keep=2)
    assert sorted(file.name for file in folder.iterdir()) == sorted(
        [*others, "stormwalk-2026-02-22T0303Z.zip", "stormwalk-2026-02-22T0304Z.zip"]
    )


def test_nothing_is_removed_unless_asked_or_where_the_new_one_failed(path, monkeypatch):
    for number in range(3):
        back_up(path, now=NOW + number * timedelta(minutes=1))
    folder = path.with_name("stormwalk.backups")
    assert len(backups_in(folder, path)) == 3
    monkeypatch.setattr(store, "verify", lambda part: None)
    with pytest.raises(StoreError, match="does not read back as it was written"):
        back_up(path, now=NOW + DAY, keep=1)
    assert len(list(folder.iterdir())) == 3


def test_the_newest_backup_that_has_a_photo_stays_though_newer_ones_lack_it(path):
    folder, photos = path.with_name("stormwalk.backups"), photo_folder(path)
    made = [back_up(path, now=NOW + number * timedelta(minutes=1), keep=9).path for number in range(2)]
    photos.rename(photos.with_name("elsewhere"))  # as where its disk is not mounted
    for number in range(2, 6):
        last = back_up(path, now=NOW + number * timedelta(minutes=1), keep=2)
    assert len(last.manifest.missing) == 3
    left = [file for _, file in backups_in(folder, path)]
    assert left[0] == made[1]
    assert len(left) == 3
    assert len(store.verify(left[0]).photos) == 3
    photos.with_name("elsewhere").rename(photos)
    back_up(path, now=NOW + 6 * timedelta(minutes=1), keep=2)
    assert made[1] not in [file for _, file in backups_in(folder, path)]


# --- each night


class Nobody:
    def has_address(self, yard_key):
        return False


class SetClock:
    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now


@pytest.fixture
def alone(monkeypatch):
    """The service asks nobody for weather."""
    monkeypatch.setattr(Service, "_pull", lambda self, yard: lambda conn: "")
    monkeypatch.setattr(Service, "_recheck", lambda self, yard: lambda conn: "")
    monkeypatch.setattr(Service, "_weekly", lambda self, yard: lambda conn: "")


def state(service):
    (found,) = [state for state in service.states() if state.job == BACKUP]
    return found


def test_the_service_backs_up_once_a_night_on_the_yards_clock_and_keeps_the_newest(path, alone):
    # 02:00 in America/New_York is 07:00 UTC in winter.
    clock = SetClock(datetime(2026, 2, 1, 12, tzinfo=UTC))
    service = Service(path, Settings.from_environment({}), Nobody(), clock)
    while clock.now < datetime(2026, 2, 12, 12, tzinfo=UTC):
        service.run_due("backup")
        clock.now += 3 * HOUR
    made = [moment for moment, _ in backups_in(path.with_name("stormwalk.backups"), path)]
    assert made[-1] == datetime(2026, 2, 12, 9, tzinfo=UTC)  # the first look after 07:00
    # by hand: nightly 6 to 12 February; of the week of 26 January to 1 February Sunday the 1st; of the week of
    # 2 to 8 February Sunday the 8th, which is among the newest
    assert [moment.day for moment in made] == [1, 6, 7, 8, 9, 10, 11, 12]
    assert state(service).outcome == "done"
    assert "read back and whole" in state(service).message
    assert state(service).next_due_at == datetime(2026, 2, 13, 7, tzinfo=UTC)


def test_a_night_without_room_is_a_job_that_failed_and_is_tried_again(path, alone, monkeypatch):
    clock = SetClock(NOW)
    service = Service(path, Settings.from_environment({}), Nobody(), clock)
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", lambda folder: shutil._ntuple_diskusage(10**9, 10**9, 0))
        service.run_due("backup")
    assert (state(service).outcome, state(service).failures) == ("failed", 1)
    assert "Make room, or name a folder on another disk." in state(service).message
    clock.now += HOUR
    service.run_due("backup")
    assert state(service).outcome == "done"


def test_the_environment_switches_backups_off_or_puts_them_elsewhere(path, alone, tmp_path):
    off = Service(path, Settings.from_environment({"STORMWALK_BACKUPS": OFF}), Nobody(), SetClock(NOW))
    assert off.run_due("backup") == 0
    elsewhere = Settings.from_environment({"STORMWALK_BACKUPS": str(tmp_path / "stick"), "STORMWALK_BACKUP_HOUR": "23"})
    service = Service(path, elsewhere, Nobody(), SetClock(NOW))
    assert service.run_due("backup") == 1
    assert len(backups_in(tmp_path / "stick", path)) == 1
    assert state(service).next_due_at == datetime(2026, 2, 22, 4, tzinfo=UTC)  # 23:00 EST of the 21st


@pytest.mark.parametrize("hour", ["24", "-1", "two", "2.5", "²"])
def test_an_hour_that_is_none_is_refused(path, hour):
    with pytest.raises(StormwalkError, match=r"STORMWALK_BACKUP_HOUR is .*, expected an hour from 0 to 23"):
        Service(path, Settings.from_environment({"STORMWALK_BACKUP_HOUR": hour}), Nobody(), SetClock(NOW))
