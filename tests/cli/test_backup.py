"""``backup``, ``restore`` and ``doctor`` as a person meets them."""

import json
import shutil
import sqlite3
from contextlib import closing

import pytest


def test_a_backup_is_made_and_brought_back_by_two_commands(yard, run):
    done = run("backup")
    assert (done.exit_code, done.err) == (0, "")
    (made,) = (yard / "stormwalk.backups").iterdir()
    assert done.out.startswith(f"Wrote stormwalk.backups/{made.name} (")
    done = run("restore", made, "--to", "new.db")
    assert done.exit_code == 0
    assert done.out.startswith("Restored new.db with 0 photos, as of 20")
    listed = [run("--db", name, "log", "list", "--json").out for name in ("stormwalk.db", "new.db")]
    assert listed[0] == listed[1] != "[]\n"


def test_a_backup_goes_where_it_is_told(yard, run):
    (yard / "stick").mkdir()
    assert run("backup", "--to", "stick").exit_code == 0
    assert run("backup", "--to", "mine.zip").out.startswith("Wrote mine.zip (")
    again = run("backup", "--to", "mine.zip")
    assert (again.exit_code, again.out) == (1, "")
    assert again.err == "mine.zip is already there. No backup was made. Name another file.\n"
    assert run("backup", "--to", "stick", "--keep", "1").out.endswith("Removed 1 older backups.\n") or (
        len(list((yard / "stick").iterdir())) == 2  # both of the same minute: each is the newest
    )


@pytest.mark.parametrize(
    "arguments, sentence",
    [
        (("backup", "--to", "other.zip", "--keep", "3"), "other.zip is one file; older backups are removed only from"),
        (("--db", "none.db", "backup"), 'No database at none.db. Run "stormwalk init"'),
        (("restore", "none.zip", "--to", "new.db"), "none.zip cannot be read (No such file or directory)."),
        (("restore", "covers.csv", "--to", "new.db"), "covers.csv is no whole backup: it does not end as a backup"),
        (("restore", "covers.csv", "--to", "stormwalk.db"), "stormwalk.db is there already and was left alone."),
        (("--db", "none.db", "doctor"), "No database at none.db."),
    ],
)
def test_what_cannot_be_done_is_refused_with_a_sentence(yard, run, arguments, sentence):
    (yard / "covers.csv").write_text("boat,boat_name\n")
    done = run(*arguments)
    assert (done.exit_code, done.out) == (1, "")
    assert sentence in " ".join(done.err.split())
    assert sorted(file.name for file in yard.iterdir() if not file.name.endswith(("-shm", "-wal"))) == [
        "covers.csv",
        "stormwalk.db",
    ]


def test_the_doctor_tells_what_to_act_on_and_exits_with_1(yard, run):
    done = run("doctor", "--json")
    assert done.exit_code == 1  # nothing was backed up
    said = json.loads(done.out)
    assert set(said) == {"database", "at", "act_now", "checks"}
    assert {frozenset(check) for check in said["checks"]} == {frozenset({"check", "level", "found", "to_do"})}
    acts = [check["check"] for check in said["checks"] if check["level"] == "act now"]
    assert acts == ["backups"]
    assert done.err == "1 findings are to be acted on.\n"
    run("backup")
    assert run("doctor").exit_code == 0


def test_the_doctor_reads_a_file_that_is_damaged(yard, run):
    with closing(sqlite3.connect(yard / "stormwalk.db")) as conn:
        conn.execute("DROP TABLE weather_stretches")
        conn.execute("DROP TABLE log_chain")
    done = run("doctor")
    assert done.exit_code == 1
    assert "no such table: log_chain" in " ".join(done.out.split())


def test_the_doctor_looks_at_the_folder_that_the_environment_names(yard, run, monkeypatch):
    monkeypatch.setenv("STORMWALK_BACKUPS", str(yard / "stick"))
    shutil.rmtree(yard / "stick", ignore_errors=True)
    told = json.loads(run("doctor", "--json").out)["checks"]
    assert f"There is no backup in {yard / 'stick'}." in [check["found"] for check in told]
    monkeypatch.setenv("STORMWALK_BACKUPS", "off")
    told = json.loads(run("doctor", "--json").out)["checks"]
    assert "The nightly backup is switched off." in [check["found"] for check in told]
