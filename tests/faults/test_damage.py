"""Flipped bytes, lost sectors, a torn file, a torn log: everything answers with a sentence, the doctor finds it, a
backup brings it back. Each copy is damaged at random, the same in every run."""

import json
import random
import shutil
import sqlite3
from contextlib import closing

import pytest
from faulty_disks import run_here, stored
from invented_app import NOW, Clock, app_of, fill, signed_in

from monitor.operations.log import NewFinding, record_inspection
from monitor.operations.readable import why_not
from monitor.store import chain, health
from monitor.store.connection import connect
from monitor.store.register import yards

SECTOR = 512

COMMANDS = [
    ("log", "list", "--json"),
    ("log", "inspection", "02", "--by", "Ida", "--finding", "sag@port:1"),
    ("log", "action", "02", "--action", "taped", "--by", "Ida"),
    ("rank",),
    ("explain", "01"),
    ("weather", "status"),
    ("weather", "hours", "--from", "2026-01-01", "--to", "2099-01-01"),
    ("yard", "list"),
    ("covers", "export"),
    ("account", "list"),
    ("walk", "show"),
    ("notices",),
    ("watch", "--status"),
    ("calibrate",),
    ("init",),
]


def flip(chance, content):
    """One byte, a few or many in a row are others; now and then at the head of a page, where it hurts most."""
    at = chance.randrange(len(content))
    if chance.random() < 0.25:
        at = at // 4096 * 4096 + chance.randrange(12)
    for place in range(at, min(at + chance.choice((1, 1, 4, 64)), len(content))):
        content[place] ^= chance.randrange(1, 256)


def lose_sectors(chance, content):
    """Some sectors in a row are zero, as after a failing disk."""
    at = chance.randrange(len(content) // SECTOR) * SECTOR
    end = min(at + SECTOR * chance.choice((1, 1, 2, 8)), len(content))
    content[at:end] = bytes(end - at)


def cut_off(chance, content):
    """The file ends at some sector."""
    del content[chance.randrange(len(content) // SECTOR) * SECTOR :]


HURTS = {"flips": flip, "lost sectors": lose_sectors, "torn file": cut_off}


def log_rows(path):
    """All facts of the log as they are stored; None where they cannot be read."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?immutable=1", uri=True)) as conn:
            conn.text_factory = bytes
            return {table: conn.execute(f"SELECT * FROM {table} ORDER BY id").fetchall() for table in LOGGED}
    except (sqlite3.Error, UnicodeDecodeError):
        return None


LOGGED = ("inspections", "findings", "actions", "photos")


def doctor_finds(path):
    """What is to be acted on, without what an undamaged copy has too."""
    done = run_here(path, "doctor", "--json")
    if not done.out:
        return [done.err]
    checks = json.loads(done.out)["checks"]
    return [one["found"] for one in checks if one["level"] == "act now" and one["check"] not in ("backups", "disk")]


@pytest.mark.parametrize("hurt", HURTS)
@pytest.mark.parametrize(
    "seed, rounds", [(0, 5), *(pytest.param(seed, 40, marks=pytest.mark.thorough) for seed in (1, 2, 3))]
)
def test_a_damaged_database_is_said_by_every_command_and_found_by_the_doctor(yard_file, tmp_path, hurt, seed, rounds):
    chance, path = random.Random(f"{hurt} {seed}"), tmp_path / "yard.db"
    shutil.copytree(yard_file.with_name("yard.photos"), tmp_path / "yard.photos")
    sound, facts = yard_file.read_bytes(), log_rows(yard_file)
    assert doctor_finds(yard_file) == []
    refused = found = harmless = 0
    for _ in range(rounds):
        content = bytearray(sound)
        HURTS[hurt](chance, content)
        path.write_bytes(content)
        for log in tmp_path.glob("yard.db-*"):
            log.unlink()
        changed = log_rows(path) != facts
        told = doctor_finds(path)
        assert told or not changed  # the log is sealed: no byte of it changes unnoticed
        failed = [command for command in chance.sample(COMMANDS, 3) if run_here(path, *command).exit_code]
        assert told or not failed, (failed, run_here(path, *failed[0]).err)
        refused, found, harmless = refused + bool(failed), found + bool(told), harmless + (not told)
    print(f"{hurt}: {rounds} copies, {found} found by the doctor, {refused} with a command that refused")
    assert found > 0


def test_a_backup_made_before_the_damage_brings_all_of_it_back(yard, tmp_path):
    assert run_here(yard, "backup", "--to", tmp_path / "before.zip").exit_code == 0
    before, chance = log_rows(yard), random.Random("back")
    content = bytearray(yard.read_bytes())
    lose_sectors(chance, content)
    flip(chance, content)
    yard.write_bytes(content)
    done = run_here(yard, "restore", tmp_path / "before.zip", "--to", tmp_path / "again.db")
    assert done.exit_code == 0
    assert log_rows(tmp_path / "again.db") == before
    assert doctor_finds(tmp_path / "again.db") == []
    assert run_here(tmp_path / "again.db", "log", "inspection", "02", "--by", "Ida").exit_code == 0


@pytest.fixture(scope="module")
def web_file(tmp_path_factory):
    path = fill(tmp_path_factory.mktemp("web") / "yard.db")
    per = signed_in(app_of(path, Clock(NOW)), "Per")
    assert per.post("/api/inspections", json={"boat": "01"}).status_code == 201
    return path, per.cookies


@pytest.mark.parametrize(
    "seed, rounds", [(0, 6), *(pytest.param(seed, 50, marks=pytest.mark.thorough) for seed in (1, 2))]
)
def test_the_pages_of_a_damaged_database_are_a_sentence_and_never_a_blank(web_file, tmp_path, seed, rounds):
    source, cookies = web_file
    sound, chance, path = source.read_bytes(), random.Random(f"web {seed}"), tmp_path / "yard.db"
    statuses = []
    for number in range(rounds):
        content = bytearray(sound)
        chance.choice(list(HURTS.values()))(chance, content)
        path.write_bytes(content)
        for log in tmp_path.glob("yard.db-*"):
            log.unlink()
        app = app_of(path, Clock(NOW))
        app.debug = False
        per = signed_in_with(app, cookies)
        entry = {"id": f"{number:08d}-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "02"}
        answers = [
            per.get("/yards/north/"),
            per.get("/yards/north/boat?number=01"),
            per.get("/yards/north/log"),
            per.post("/api/inspections", json=entry),
        ]
        for answer in answers:
            statuses.append(answer.status_code)
            assert answer.status_code in (200, 201, 303, 401, 403, 404, 500, 503)
            assert len(answer.text.split()) >= 3 or answer.status_code in (201, 303)
            assert "Traceback" not in answer.text
            if answer.status_code == 500:
                assert "stormwalk failed here. What was logged before is kept." in answer.text
                assert why_not(path)
                assert "content-security-policy" in answer.headers
        if answers[-1].status_code == 201:  # acknowledged: then it can be read
            with closing(connect(path)) as conn:
                assert conn.execute("SELECT count(*) FROM inspections WHERE id = ?", (entry["id"],)).fetchone()[0] == 1
    print(f"{rounds} copies, answers by status: { ({s: statuses.count(s) for s in sorted(set(statuses))}) }")
    assert {200, 503} <= set(statuses)


def signed_in_with(app, cookies):
    from starlette.testclient import TestClient

    return TestClient(
        app,
        base_url="http://127.0.0.1:8317",
        headers={"Sec-Fetch-Site": "same-origin"},
        cookies=dict(cookies),
        raise_server_exceptions=False,
        follow_redirects=False,
    )


# --- a torn write-ahead log


@pytest.fixture(scope="module")
def grown(yard_file, tmp_path_factory):
    """A database with a log of entries that are not in the file itself yet; after each entry, how long the log was."""
    path = shutil.copy(yard_file, tmp_path_factory.mktemp("grown") / "yard.db")
    log, marks = path.with_name("yard.db-wal"), []
    with closing(connect(path)) as conn:
        conn.execute("PRAGMA wal_autocheckpoint = 0")
        (yard,) = yards(conn)
        for number in range(40):
            key = f"{number:08d}-7d0e-4b46-9a58-3c1f8f7f5f10"
            found = [NewFinding("tear", "bow", 2, "x" * chance_length(number)), NewFinding("sag", "port", 1)]
            now = health.newest_moment(conn)[1]
            record_inspection(
                conn,
                yard,
                "01",
                inspector="Ida",
                inspected_at=now,
                recorded_at=now,
                findings=found,
                inspection_id=key,
            )
            marks.append((key, log.stat().st_size))
        return path.read_bytes(), log.read_bytes(), marks


def chance_length(number):
    return random.Random(number).randrange(3000)


@pytest.mark.parametrize(
    "how, rounds",
    [
        ("cut", 20),
        ("zeroed", 10),
        ("old bytes", 10),
        *(pytest.param(how, 200, marks=pytest.mark.thorough) for how in ("cut", "zeroed", "old bytes")),
    ],
)
def test_a_torn_log_keeps_every_entry_that_was_synced_before_and_none_by_halves(grown, tmp_path, how, rounds):
    file, log, marks = grown
    chance, path = random.Random(f"{how} {rounds}"), tmp_path / "yard.db"
    kept = []
    for _ in range(rounds):
        at = chance.randrange(len(log) + 1)
        at = at if chance.random() < 0.3 else at // SECTOR * SECTOR
        tail = {"cut": b"", "zeroed": bytes(len(log) - at), "old bytes": chance.randbytes(len(log) - at)}[how]
        for old in tmp_path.glob("yard.db*"):
            old.unlink()
        path.write_bytes(file)
        path.with_name("yard.db-wal").write_bytes(log[:at] + tail)
        here = set(stored(path))  # whole, and its chain too
        synced = {key for key, size in marks if size <= at}
        assert synced <= here
        with closing(connect(path)) as conn:
            halves = conn.execute(
                """SELECT count(*) FROM inspections WHERE id LIKE '%-7d0e-%' AND 2 <> (
                       SELECT count(*) FROM findings WHERE inspection_id = inspections.id)"""
            ).fetchone()[0]
            assert halves == 0
            assert chain.faults(conn) == []
        kept.append(len(synced))
    print(f"log {how} {rounds} times: {sum(kept)} entries synced before the cuts, 0 lost")
    assert 0 < sum(kept) < rounds * len(marks)
