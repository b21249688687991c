"""The doctor: a sound yard is sound, and each thing that can go wrong is found, weighed and given a way out."""

import io
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from invented_yard import HOUR, WRAPPED, YARD, metar
from PIL import Image

from monitor.errors import StoreError
from monitor.operations import doctor
from monitor.operations.backup import back_up
from monitor.operations.doctor import examine
from monitor.operations.log import record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.operations.weather import import_weather, record_reading
from monitor.operations.weather_status import weather_status
from monitor.store import connection, migrations
from monitor.store import service as jobs
from monitor.store.backup import backup_folder
from monitor.store.connection import connect
from monitor.store.service import only_scheduler

CHECKOUT = Path(__file__).resolve().parents[2]
DAY = timedelta(days=1)
NOW = WRAPPED + 10 * DAY + HOUR
"""An hour after the last hour of the weather."""


@pytest.fixture(scope="session")
def sound_file(yard_file, tmp_path_factory):
    """A yard with ten days of weather, an inspection with a photo, jobs that ran and a backup, in its own folder."""
    path = Path(shutil.copy(yard_file, tmp_path_factory.mktemp("sound") / "stormwalk.db"))
    photo = io.BytesIO()
    Image.new("RGB", (40, 30), "navy").save(photo, "JPEG")
    with closing(connect(path)) as conn:
        assert import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, 240), "x.csv", NOW).good
        photo_folder(path).mkdir()
        for boat in ("01", "02"):
            record_inspection(
                conn, YARD, boat, inspector="Ida", inspected_at=NOW, recorded_at=NOW, inspection_id=f"i{boat}"
            )
        record_photo(
            conn,
            photo_folder(path),
            YARD,
            photo_id="p1",
            data=photo.getvalue(),
            inspection_id="i01",
            recorded_at=NOW,
            taken_by="Ida",
        )
        for job in ("pull north", "tidy", "backup"):
            jobs.finish_job(conn, jobs.start_job(conn, job, NOW - HOUR), NOW - HOUR, "done", "")
    back_up(path, now=NOW)
    return path


@pytest.fixture
def path(sound_file, tmp_path):
    """The test's own copy of it."""
    shutil.copytree(sound_file.parent, tmp_path / "yard")
    return tmp_path / "yard" / "stormwalk.db"


def look(path, now=NOW, **options):
    """What the doctor finds that is not as it should be, while a service runs: check and level, and all it said."""
    with only_scheduler(path):
        checks = examine(path, **({"now": now, "backups": backup_folder(path)} | options))
    bad = [check for check in checks if check.level != "ok"]
    assert all(check.to_do for check in bad)
    return sorted({(check.check, check.level) for check in bad}), " ".join(f"{one.found} {one.to_do}" for one in bad)


def behind(path, sql):
    """Do something to the file round the program, triggers taken away first and put back after."""
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA synchronous = OFF")
        triggers = conn.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            conn.execute(f"DROP TRIGGER {name}")
        conn.executescript(sql)
        for _, text in triggers:
            conn.execute(text)
        conn.commit()


def test_a_sound_yard_is_sound_and_each_check_says_what_it_looked_at(path):
    with only_scheduler(path):
        checks = examine(path, now=NOW, backups=backup_folder(path), read_photos=True)
    assert [(check.check, check.level, check.to_do) for check in checks if check.level != "ok"] == []
    assert list(dict.fromkeys(check.check for check in checks)) == [
        *("file", "contents", "protection", "log chain", "photos", "clock"),
        *("weather", "time zones", "jobs", "accounts", "backups", "disk", "left over"),
    ]
    said = {check.check: check.found for check in checks}
    with closing(connect(path)) as conn:
        (head,) = conn.execute("SELECT chain_sha256 FROM log_chain ORDER BY seq DESC LIMIT 1").fetchone()
    assert said["log chain"] == f"3 facts, each as it was stored. Head {head}."
    assert said["photos"] == "1 photos, all there (compared byte by byte)."
    assert said["time zones"].startswith(
        "Yard north: clock of America/New_York, it changes next about 2023-11-05 ("  # the first Sunday of November
    )


def test_looking_changes_nothing(path):
    def files():
        return {
            file: file.read_bytes()
            for file in path.parent.rglob("*")
            if file.is_file() and not file.name.endswith(("-shm", "-wal", ".scheduler"))
        }

    before = files()
    look(path, read_photos=True)
    assert files() == before


# --- the file and what is stored


def test_a_fact_that_was_changed_is_named_with_its_boat(path):
    behind(path, "UPDATE inspections SET note = 'all sound' WHERE id = 'i02'")
    found, said = look(path)
    assert found == [("log chain", "act now")]
    assert "inspections i02 (boat 02, yard north): it is not as it was stored." in said
    (backup,) = backup_folder(path).iterdir()
    assert f"{backup.name} has it with note '' (now 'all sound')." in said  # what differs, because a backup knows it


def test_a_fact_that_was_removed_is_told_as_a_backup_still_has_it(path):
    behind(path, "DELETE FROM inspections WHERE id = 'i02'")
    found, said = look(path)
    assert found == [("log chain", "act now")]
    assert "inspections i02: it was stored as number 2 of the log and is gone. stormwalk-" in said
    assert "has it with id 'i02', cover_id 2, inspected_at '2023-10-30T05:00:00Z', " in said


def test_a_backup_that_was_altered_too_is_not_believed(path):
    (backup,) = backup_folder(path).iterdir()
    behind(path, "UPDATE inspections SET note = 'sound' WHERE id = 'i02'")
    backup.unlink()
    back_up(path, now=NOW)
    behind(path, "UPDATE inspections SET note = 'all sound' WHERE id = 'i02'")
    found, said = look(path)
    assert found == [("log chain", "act now")]
    assert "has it with" not in said


def test_an_end_that_was_cut_off_is_told_against_the_last_backup(path):
    behind(path, "DELETE FROM photos; DELETE FROM log_chain WHERE seq = 3")
    found, said = look(path)
    assert ("log chain", "act now") in found
    (backup,) = backup_folder(path).iterdir()
    assert f"{backup.name} has a log of 3 facts that this one does not go on from" in said


def test_a_thousand_faults_are_not_all_told(path):
    behind(
        path,
        "BEGIN;"
        + "".join(
            f"INSERT INTO actions VALUES ('a{number}', 1, '2023-10-30T01:00:00Z', '2023-10-30T01:00:00Z', 'Ida', "
            "'taped', '', NULL, NULL, NULL);"
            for number in range(1000)
        )
        + "COMMIT;",
    )
    with only_scheduler(path):
        told = [check for check in examine(path, now=NOW, backups=None) if check.check == "log chain"]
    assert len(told) == doctor.MOST_NAMED + 1
    assert told[-1].found == "And 980 more such facts."


def test_a_lost_trigger_is_named(path):
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("DROP TRIGGER findings_no_delete")
    found, said = look(path)
    assert found == [("protection", "act now")]
    assert "Facts in findings can be changed" in said


def test_a_row_that_refers_to_a_missing_one_is_named(path):
    behind(path, "INSERT INTO covers VALUES (99, 77, '2023-10-20')")
    found, said = look(path)
    assert ("file", "act now") in found
    assert "1 rows of covers refer to missing ones" in said


@pytest.mark.parametrize("page", [0, 2, 30])
def test_a_damaged_file_gives_sentences(path, page):
    content = bytearray(path.read_bytes())
    content[4096 * page + 100 : 4096 * (page + 2)] = b"\xa5" * (4096 * 2 - 100)
    path.write_bytes(content)
    found, said = look(path)
    assert ("file", "act now") in found
    assert "Restore" in said


def test_a_file_that_ends_too_early_gives_sentences(path):
    path.write_bytes(path.read_bytes()[: 4096 * 10])
    found, said = look(path)
    assert ("file", "act now") in found
    assert "Restore" in said


def test_what_is_no_database_of_ours_is_refused(tmp_path):
    with pytest.raises(StoreError, match="No database at"):
        examine(tmp_path / "none.db", now=NOW, backups=None)
    (tmp_path / "letter.db").write_bytes(b"This is a letter.\n" * 90)
    assert examine(tmp_path / "letter.db", now=NOW, backups=None)[0].found == (
        "It could not be looked at: file is not a database."
    )
    with closing(sqlite3.connect(tmp_path / "songs.db")) as conn:
        conn.execute("CREATE TABLE songs (title TEXT)")
    with pytest.raises(StoreError, match="is not a database of stormwalk"):
        examine(tmp_path / "songs.db", now=NOW, backups=None)


@pytest.mark.parametrize("version", [1, 3, migrations.SCHEMA_VERSION - 1])
def test_an_older_file_is_looked_at_as_it_is(tmp_path, monkeypatch, version):
    path = tmp_path / "old.db"
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "_MIGRATIONS", migrations._MIGRATIONS[:version])
        patch.setattr(connection, "SCHEMA_VERSION", version)
        connect(path, create=True).close()
    checks = examine(path, now=NOW, backups=None)
    assert {check.level for check in checks} == {"ok", "watch"}
    assert checks[0].found == (
        f"It is of database version {version}; this stormwalk writes {migrations.SCHEMA_VERSION}."
    )
    with closing(sqlite3.connect(path)) as conn:
        assert conn.execute("PRAGMA user_version").fetchone()[0] == version


def test_a_newer_file_is_told(path):
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("PRAGMA user_version = 99")
    found, said = look(path)
    assert ("file", "act now") in found
    assert "Install the newer stormwalk." in said


# --- photos


def test_a_photo_that_is_gone_is_named(path):
    (photo,) = photo_folder(path).glob("??/*.jpg")
    photo.unlink()
    found, said = look(path)
    assert found == [("photos", "act now")]
    assert f"The file of photo p1 ({photo}) is missing. Copy it back from a backup." in said


def test_a_photo_of_another_size_is_found_at_once_one_byte_only_when_asked(path):
    (photo,) = photo_folder(path).glob("??/*.jpg")
    content = bytearray(photo.read_bytes())
    content[-1] ^= 1
    photo.write_bytes(content)
    assert look(path)[0] == []
    assert look(path, read_photos=True)[0] == [("photos", "act now")]
    photo.write_bytes(content[:-1])
    assert look(path)[0] == [("photos", "act now")]


def test_a_file_without_a_photo_is_told_and_left(path):
    spare = photo_folder(path) / "ab" / f"{'ab' * 32}.jpg"
    spare.parent.mkdir(exist_ok=True)
    spare.write_bytes(b"x")
    found, said = look(path)
    assert found == [("photos", "watch")]
    assert f"1 files in {photo_folder(path)} belong to no photo of the log, the first {spare.name}" in said
    assert spare.exists()


@pytest.mark.parametrize(
    "place", [".stormwalk-backup-x.part", "stormwalk.photos/ab/.x.part", "stormwalk.backups/x.part"]
)
def test_a_half_written_file_is_told_once_it_is_old(path, place):
    left = path.parent / place
    left.parent.mkdir(exist_ok=True)
    left.write_bytes(b"half")
    os.utime(left, (NOW.timestamp() - 60, NOW.timestamp() - 60))
    assert look(path)[0] == []
    found, said = look(path, now=NOW + 2 * HOUR)
    assert ("left over", "watch") in found
    assert f"{left} was left by a process that was cut off. Delete it." in said


# --- weather, zones, clock


def test_old_weather_is_to_be_watched_and_then_acted_on(path):
    assert look(path, now=NOW + 4 * HOUR)[0] == [("jobs", "act now")]  # the pull is overdue by then
    assert ("weather", "watch") in look(path, now=NOW + 10 * HOUR)[0]
    found, said = look(path, now=NOW + 3 * DAY)
    assert ("weather", "act now") in found
    assert 'Yard north: the newest hour of weather is 3 days old. Run "stormwalk weather refresh --yard north"' in said
    assert ("weather", "watch") in look(path, now=NOW + 300 * DAY)[0]  # that winter is over


def test_one_reading_by_hand_makes_old_weather_no_newer_for_doctor_and_status(path):
    later = NOW + 3 * DAY
    with closing(connect(path)) as conn:
        record_reading(
            conn, YARD, {"snow_depth_m": 0.1, "precipitation_mm": 2.0}, at=later, by="Ida", recorded_at=later
        )
        # The last hour of the METAR is an hour before NOW
        assert weather_status(conn, YARD, later)["data_age_h"] == 73
    found, said = look(path, now=later)
    assert ("weather", "act now") in found
    assert "Yard north: the newest hour of weather is 3 days old." in said


def test_days_without_weather_are_named(yard_file, tmp_path):
    # Weather of 20 October and from 24 October on, on the yard's clock (UTC-4 then): the 21st to the 23rd are missing.
    path = Path(shutil.copy(yard_file, tmp_path / "stormwalk.db"))
    with closing(connect(path)) as conn:
        gap = range(24, 4 * 24)
        assert import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, 240, without=gap), "x", NOW).good
    found, said = look(path)
    assert ("weather", "watch") in found
    assert "3 days without a single hour of weather (2023-10-21, 2023-10-22, 2023-10-23)" in said


def test_a_yard_without_weather_is_told(yard_file, tmp_path):
    path = Path(shutil.copy(yard_file, tmp_path / "stormwalk.db"))
    found, said = look(path)
    assert ("weather", "watch") in found
    assert "Yard north has no weather yet." in said


@pytest.mark.parametrize("zone", ["Atlantis/Capital", "../../etc/passwd", ""])
def test_a_time_zone_that_is_not_known_is_told(path, zone):
    behind(path, f"UPDATE yards SET time_zone = '{zone}'")
    found, said = look(path)
    assert ("time zones", "act now") in found
    assert f"its time zone {zone!r} is not known here" in said


@pytest.mark.parametrize(
    "zone, says", [("UTC", "it does not change"), ("Europe/Helsinki", "it changes next about 2023-10-")]
)
def test_the_next_change_of_the_clock_is_told(path, zone, says):
    behind(path, f"UPDATE yards SET time_zone = '{zone}'")
    told = [check for check in examine(path, now=NOW, backups=None) if check.check == "time zones"]
    assert [check.level for check in told] == ["ok"]
    assert says in told[0].found or zone != "UTC"  # Helsinki's clock changed on 29 October 2023, a day before


def test_a_clock_that_was_set_back_is_told(path):
    found, said = look(path, now=NOW - 2 * HOUR)
    assert ("clock", "act now") in found
    assert "was stored at 2023-10-30T05:00:00Z, and now it is 2023-10-30T03:00:00Z: the clock was set back" in said


# --- service, accounts, backups, disk


def test_a_service_that_stands_still_is_told(path):
    checks = examine(path, now=NOW, backups=backup_folder(path))
    assert [(check.check, check.level) for check in checks if check.level != "ok"] == [("jobs", "watch")]
    (told,) = [check for check in checks if check.check == "jobs"]
    assert told.found == "The service is not running."


def test_a_job_that_fails_is_watched_and_acted_on_when_it_goes_on(path):
    with closing(connect(path)) as conn:
        for number in range(3):
            run = jobs.start_job(conn, "pull north", NOW - HOUR)
            jobs.finish_job(conn, run, NOW - HOUR, "failed", "The service does not answer.")
            found, said = look(path)
            assert found == [("jobs", "watch" if number < 2 else "act now")]
    assert "pull north failed 3 times in a row: The service does not answer." in said


def test_a_job_that_is_overdue_is_told(path):
    found, said = look(path, now=NOW + 5 * HOUR)
    assert ("jobs", "act now") in found
    assert "pull north was last done 6 h ago." in said


def test_accounts_without_a_lead_are_told(path):
    with closing(connect(path)) as conn:
        conn.execute("INSERT INTO accounts VALUES (1, 'Ida', 'ida', 'crew', 'x', '2023-10-20T00:00:00Z', NULL)")
        found, said = look(path)
        assert found == [("accounts", "act now")]
        assert "stormwalk account add NAME --role lead" in said
        conn.execute("UPDATE accounts SET role = 'lead'")
        assert look(path)[0] == []


def test_backups_that_are_missing_old_torn_or_off_are_told(path):
    folder = backup_folder(path)
    (backup,) = folder.iterdir()
    assert ("backups", "watch") in look(path, now=NOW + 3 * DAY)[0]
    assert ("backups", "act now") in look(path, now=NOW + 8 * DAY)[0]
    assert look(path, backups=None)[0] == [("backups", "watch")]
    whole = backup.read_bytes()
    backup.write_bytes(whole[: len(whole) // 2])
    found, said = look(path)
    assert found == [("backups", "act now")]
    assert f"{backup} is no whole backup" in said
    backup.unlink()
    found, said = look(path)
    assert found == [("backups", "act now")]
    assert f'There is no backup in {folder}. Run "stormwalk backup".' in said


@pytest.mark.parametrize("free_mb, level", [(10, "act now"), (100, "watch"), (150, "ok")])
def test_a_disk_that_fills_up_is_told(path, monkeypatch, free_mb, level):
    # By hand: a season takes 100 MB and the photos (under 0.01 MB) again, a backup about 1 MB and 20 MB to spare.
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**12, 0, free_mb * 10**6))
    found, _ = look(path)
    assert found == ([] if level == "ok" else [("disk", level)])


# --- for reading alone


AS_NOBODY = """if True:
    import os, sys
    from datetime import datetime
    from pathlib import Path
    import pandas  # what is imported later may lie where nobody may read
    from monitor.operations.doctor import examine
    if os.getuid() == 0:
        os.setuid(65534)
    assert not os.access(sys.argv[1], os.W_OK)
    for check in examine(Path(sys.argv[1]), now=datetime.fromisoformat(sys.argv[2]), backups=None):
        print(check.check, check.level, sep=": ")
    """


@pytest.mark.parametrize("folder_mode", [0o555, 0o777])
def test_a_file_that_may_only_be_read_is_looked_at(path, folder_mode):
    # in a process without rights: the tests themselves may run as an administrator, who may write anywhere
    with tempfile.TemporaryDirectory() as folder:
        file = Path(shutil.copy(path, Path(folder, "stormwalk.db")))
        file.chmod(0o444)
        Path(folder).chmod(folder_mode)
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, str(file), NOW.isoformat()],
            cwd=CHECKOUT,
            capture_output=True,
            text=True,
            check=False,
        )
        Path(folder).chmod(0o755)
    assert done.stderr == ""
    assert {"file: ok", "protection: ok", "log chain: ok", "photos: act now", "weather: ok"} <= set(
        done.stdout.splitlines()
    )
