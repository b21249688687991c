"""The process is killed, or the power of its disk is cut, while it writes: all that was acknowledged is there, and
nothing is half there.

The disk is an ext4 file system of its own that is shut down without writing anything more: what was not synced by then
is lost, as when the power fails. Where no such disk can be made, the tests of it are skipped.
"""

import random
import re
import shutil
import subprocess
import sys
import threading
import time
import uuid
from collections import Counter
from contextlib import closing, suppress
from pathlib import Path

import pytest
import requests
from conftest import skip_or_fail
from faulty_disks import (
    OLDER,
    Outcome,
    acknowledged,
    copied,
    environment,
    lost,
    make_older,
    settled,
    stored,
    version_of,
)
from web_process import PASSWORD, WebProcess

from monitor.operations import photos
from monitor.store import backup
from monitor.store import photos as photo_store
from monitor.store.connection import connect
from monitor.store.migrations import SCHEMA_VERSION

WRITER = Path(__file__).with_name("writer.py")
IMPORTED = 5
"""Inspections in each file that the writer imports."""

KINDS = ("log", "photos", "imports", "migrations", "backups", "restores")


def write_until(stop, kind, database, work, after_s):
    """What a writer says that it has done, until it is stopped so many seconds after it first said something."""
    command = [sys.executable, str(WRITER), kind, str(database), str(work)]
    writer = subprocess.Popen(command, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        first = writer.stdout.readline()
        time.sleep(after_s)
        stop()
    finally:
        writer.kill()
        with writer:
            rest, trouble = writer.stdout.read(), writer.stderr.read()
    assert first, trouble
    return Outcome(0, first + rest, "")


def check(kind, database, said, before):
    """Everything that was acknowledged is there, once and whole; nothing is there by halves. How much was that?"""
    if kind == "migrations":
        assert version_of(database) in (OLDER, SCHEMA_VERSION)
        assert stored(database) == before  # brought up to date here where it was not
        return said.out.count("up to date")
    if kind == "backups":
        done = [database.with_name(name) for name in re.findall(r"Wrote \S*/(backup-\d+\.zip)", said.out)]
        whole = sorted(database.parent.glob("backup-*.zip"))
        assert set(done) <= set(whole)
        for file in whole:
            backup.verify(file)
        return len(done)
    if kind == "restores":
        done = [database.with_name(name) for name in re.findall(r"Restored \S*/(restored-\d+\.db)", said.out)]
        whole = sorted(database.parent.glob("restored-*.db"))
        assert set(done) <= set(whole)
        for file in whole:
            assert stored(file) == before
            photos_are_whole(file)
        return len(done)
    if kind == "imports":
        done = said.out.count(f"logged {IMPORTED} inspections")
        imported, half = divmod(len(stored(database)) - len(before), IMPORTED)
        assert half == 0
        assert imported in (done, done + 1)
        return done * IMPORTED
    entries = acknowledged(said)
    assert lost(database, entries) == []
    with closing(connect(database)) as conn:
        per_inspection = conn.execute(
            """SELECT count(findings.id) FROM inspections LEFT JOIN findings ON inspection_id = inspections.id
               GROUP BY inspections.id"""
        ).fetchall()
    assert {count for (count,) in per_inspection} <= {1, 2}  # one before, and those written here have two
    photos_are_whole(database)
    extra = len(stored(database)) - len(before) - sum(table == "inspections" for table, _ in entries)
    assert extra in (0, 1)  # one that was stored and not yet acknowledged
    return len(entries)


def photos_are_whole(database):
    folder = photos.photo_folder(database)
    with closing(connect(database)) as conn:
        for photo_id in stored(database, "photos"):
            assert photos.original_bytes(folder, photo_store.photo(conn, photo_id))


EACH_OFTEN = [pytest.param(kind, 10, marks=pytest.mark.thorough) for kind in KINDS]


@pytest.mark.parametrize("kind, rounds", [("log", 1), *EACH_OFTEN])
def test_a_power_cut_loses_nothing_that_was_acknowledged(mains, yard_file, work, kind, rounds):
    before, total = stored(yard_file), 0
    chance = random.Random(f"power {kind}")
    for number in range(rounds):
        folder = mains.folder / f"{number}"
        folder.mkdir()
        database = copied(yard_file, folder)
        settled(folder)
        said = write_until(mains.cut, kind, database, work, chance.uniform(0, 0.5))
        mains.start()
        total += check(kind, database, said, before)
        shutil.rmtree(folder)
    assert total > 0
    print(f"{kind}: {rounds} power cuts, {total} acknowledged, 0 lost")


@pytest.mark.parametrize("kind, rounds", EACH_OFTEN)
def test_a_kill_loses_nothing_that_was_acknowledged(tmp_path, yard_file, work, kind, rounds):
    before, total = stored(yard_file), 0
    chance = random.Random(f"kill {kind}")
    for number in range(rounds):
        folder = tmp_path / f"{number}"
        folder.mkdir()
        database = copied(yard_file, folder)
        said = write_until(lambda: None, kind, database, work, chance.uniform(0, 0.5))
        total += check(kind, database, said, before)
        shutil.rmtree(folder)
    assert total > 0
    print(f"{kind}: {rounds} kills, {total} acknowledged, 0 lost")


def test_what_was_not_synced_is_lost_by_the_cut_so_that_the_checks_above_can_fail(mains, yard_file):
    database = copied(yard_file, mains.folder)
    settled(mains.folder)
    careless = """if True:
        import sqlite3, sys
        conn = sqlite3.connect(sys.argv[1], isolation_level=None)
        conn.execute("PRAGMA synchronous = OFF")
        for n in range(50):
            conn.execute("INSERT INTO job_runs (job, started_at) VALUES ('tidy', '2026-01-01T00:00:00Z')")
        print("done", flush=True)
        sys.stdin.read()
        """
    writer = subprocess.Popen([sys.executable, "-c", careless, database], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    with writer:
        assert writer.stdout.readline() == b"done\n"
        mains.cut()
        writer.kill()
    mains.start()
    with closing(connect(database)) as conn:
        assert conn.execute("SELECT count(*) FROM job_runs").fetchone()[0] < 50


# --- the web app


def sign_in(server):
    phone = requests.Session()
    phone.headers["Origin"] = server.address
    fields = {"name": "Ola", "password": PASSWORD}
    answer = phone.post(f"{server.address}/sign-in", data=fields, timeout=30, allow_redirects=False)
    assert answer.status_code == 303
    return phone


def log_until_it_is_gone(server, phone, acknowledged):
    """Send entries, one after the other, until nobody answers; what was answered with 201 is acknowledged."""
    with suppress(requests.RequestException):
        while True:
            entry = {
                "id": str(uuid.uuid4()),
                "boat": "01",
                "findings": [{"defect": "tear", "place": "bow", "severity": 2, "note": ""}],
            }
            answer = phone.post(f"{server.address}/api/inspections", json=entry, timeout=10)
            if answer.status_code == 201:
                acknowledged.append(entry["id"])


@pytest.mark.thorough
@pytest.mark.parametrize("how", ["kill", "power"])
def test_a_server_that_dies_has_every_entry_that_a_phone_was_told_is_logged(request, tmp_path, yard_file, how):
    mains = request.getfixturevalue("mains") if how == "power" else None
    folder = tmp_path if mains is None else mains.folder
    server = WebProcess(copied(yard_file, folder))
    told, chance = [], random.Random(how)
    settled(folder)
    for _ in range(8):
        server.start()
        signed_in = [sign_in(server) for _ in range(3)]
        phones = [threading.Thread(target=log_until_it_is_gone, args=(server, phone, told)) for phone in signed_in]
        for phone in phones:
            phone.start()
        time.sleep(chance.uniform(0.3, 1.0))
        if mains is not None:
            mains.cut()
        server.kill()
        for phone in phones:
            phone.join()
        if mains is not None:
            mains.start()
        assert set(told) <= set(stored(server.database))
    print(f"server, {how}: 8 times, {len(told)} acknowledged, 0 lost")
    assert len(told) > 50
    with closing(connect(server.database)) as conn:
        bare = "SELECT count(*) FROM inspections WHERE id NOT IN (SELECT inspection_id FROM findings)"
        assert conn.execute(bare).fetchone()[0] == 0
        assert len(stored(server.database)) <= len(told) + 1 + 8 * 3


# --- at each single write

CALLS = "pwrite64,write,fsync,fdatasync,ftruncate,fallocate,unlink,unlinkat,rename,renameat,link,linkat,mkdir,mkdirat"


def traced(database, words, *options):
    """A command under strace, from when it is loaded on: what it said, how it ended, and the trace."""
    command = subprocess.Popen(
        [sys.executable, str(WRITER), "once", *map(str, words)],
        env=environment(database),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    trace = database.parent.parent.with_name("trace")
    with command:
        assert command.stdout.readline() == "loaded\n"
        watch = ["strace", "-f", "-o", trace, "-e", f"trace={CALLS}", *options, "-p", str(command.pid)]
        with subprocess.Popen(watch, stderr=subprocess.PIPE, text=True) as watcher:
            assert "attached" in watcher.stderr.readline()
            command.stdin.write("\n")
            command.stdin.flush()
            out = command.stdout.read()
            command.wait(60)
            watcher.wait(60)
    return Outcome(command.returncode, out, ""), trace.read_text()


@pytest.mark.thorough
@pytest.mark.parametrize("kind, most", [("log", 20), ("photos", 15), ("imports", 15), ("migrations", 15)])
def test_the_power_fails_at_each_single_write_of_a_command(mains, yard_file, work, kind, most):
    if shutil.which("strace") is None:
        skip_or_fail("strace is not installed: no process can be stopped at its n-th write")
    before = stored(yard_file)
    paper = work / "paper.csv"
    paper.write_text(
        "\n".join(["boat,at,by", *(f"02,{time.strftime('%Y-%m-%dT%H')}:00:0{n}Z,Ida" for n in range(5)), ""])
    )
    photo = work / "new.jpg"
    shutil.copy(WRITER.parents[2] / "monitor/web/static/icon-192.png", photo)
    words = {
        "log": ("log", "inspection", "02", "--by", "Ida", "--finding", "tear@bow:2", "--finding", "sag@port:1"),
        "photos": ("log", "photo", "01", photo, "--by", "Ida"),
        "imports": ("log", "import", paper),
        "migrations": ("init",),
    }[kind]

    def fresh():
        folder = mains.folder / "yard"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        database = copied(yard_file, folder)
        if kind == "migrations":
            make_older(database)
        settled(folder)
        return database

    whole, trace = traced(fresh(), words)
    assert whole.exit_code == 0, whole
    counts, writes = Counter(), []
    for name in re.findall(r"^\d+ +(\w+)\(", trace, re.MULTILINE):
        counts[name] += 1
        writes.append((name, counts[name]))
    assert len(writes) > 20
    stops = sorted(random.Random(kind).sample(range(len(writes)), min(most, len(writes))))
    done = 0
    for stop in stops:
        name, nth = writes[stop]
        database = fresh()
        said, _ = traced(database, words, "-e", f"inject={name}:signal=KILL:when={nth}")
        assert said.exit_code == -9
        mains.cut()
        mains.start()
        done += bool(check(kind, database, said, before))
    print(f"{kind}: {len(stops)} power cuts at single writes of {len(writes)}, {done} acknowledged, 0 lost")
    assert done < len(stops)
