"""Disks that fill up, lose their power or may only be read, and commands run on them as a person would."""

import fcntl
import os
import re
import shutil
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from monitor.cli import main
from monitor.store import chain
from monitor.store.connection import connect

CHECKOUT = Path(__file__).resolve().parents[1]

SHUT_DOWN = 0x8004587D
"""Linux' FS_IOC_SHUTDOWN, ``_IOR('X', 125, __u32)``: the file system takes and writes nothing any more (ext4, xfs)."""

NO_LOG_FLUSH = 2
"""EXT4_GOING_FLAGS_NOLOGFLUSH: what was not synced is lost, as when the power fails."""

MAINS = "loop,errors=remount-ro"
"""How such a file system is mounted; the second is what Debian's installer sets for the system's own disk."""

ORDINARY_USER = ("setpriv", "--bounding-set", "-dac_override,-dac_read_search")
"""Put before a command: it obeys the modes of files, which root otherwise does not (Debian's util-linux)."""


@dataclass(frozen=True)
class Outcome:
    """What a command left behind on the terminal."""

    exit_code: int
    out: str
    err: str

    @property
    def said(self):
        """Both streams in one line."""
        return " ".join(f"{self.out} {self.err}".split())


def environment(database=None, **more):
    """Of a process of its own: the program's code, and the database where one is named."""
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(CHECKOUT), str(CHECKOUT / "tests")]),
        "PYTHONDONTWRITEBYTECODE": "1",
        "COLUMNS": "200",
        **({} if database is None else {"STORMWALK_DB": str(database)}),
        **more,
    }


def stormwalk(database, *arguments, before=(), timeout=60, **more):
    """Run a command on a database in a process of its own; ``before`` are words to put before it, as of ``setpriv``."""
    done = subprocess.run(
        [*before, sys.executable, "-m", "monitor", *map(os.fspath, arguments)],
        capture_output=True,
        cwd=CHECKOUT,
        env=environment(database, **more),
        timeout=timeout,
        check=False,
    )
    return _checked(arguments, Outcome(done.returncode, done.stdout.decode(), done.stderr.decode()))


def run_here(database, *arguments):
    """Run a command in this process, which is quicker; an error that is no refusal goes on to the test."""
    out, err, argv = StringIO(), StringIO(), sys.argv
    code = 0
    os.environ["STORMWALK_DB"] = str(database)
    sys.argv = ["stormwalk", *map(str, arguments)]
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        sys.argv = argv
        del os.environ["STORMWALK_DB"]
    return _checked(arguments, Outcome(code, out.getvalue(), err.getvalue()))


def _checked(arguments, outcome):
    """Whatever happens, a person reads sentences."""
    assert "Traceback" not in outcome.err, outcome.err
    assert outcome.exit_code in (0, 1), (arguments, outcome)
    assert outcome.exit_code == 0 or len(outcome.err.split()) >= 5, (arguments, outcome)
    return outcome


def stored(database, table="inspections"):
    """Ids of the log's entries of a kind; the file must be whole, and its chain too."""
    with closing(connect(database)) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        assert conn.execute("PRAGMA foreign_key_check").fetchall() == []
        assert chain.faults(conn) == []
        return [row[0] for row in conn.execute(f"SELECT id FROM {table}")]


def acknowledged(outcome):
    """The beginnings of the ids that a command said it had logged, by table."""
    words = {"inspection": "inspections", "action": "actions", "photo": "photos", "Finding": "findings"}
    said = re.findall(r"^(?:Logged )?(inspection|action|photo|Finding) ([0-9a-f]{8})\b", outcome.out, re.MULTILINE)
    return [(words[word], beginning) for word, beginning in said]


def lost(database, entries):
    """Those of the acknowledged entries that are not stored, whole, exactly once."""
    known = {table: stored(database, table) for table in {table for table, _ in entries}}
    return [entry for entry in entries if sum(key.startswith(entry[1]) for key in known[entry[0]]) != 1]


@contextmanager
def _mounted(folder, *arguments):
    folder.mkdir()
    done = subprocess.run(["mount", *arguments, os.fspath(folder)], capture_output=True, text=True, check=False)
    if done.returncode:
        from conftest import skip_or_fail  # not above: the processes that write import this module without pytest's

        skip_or_fail(f"no file system can be mounted here, which takes root and a kernel that lets it: {done.stderr}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", folder], check=False)


class SmallDisk:
    """A file system of a few megabytes in memory, that can be filled to the last page and emptied again."""

    def __init__(self, folder):
        self.folder = folder
        self._filler = folder / "filler"

    def fill(self, leave_bytes=0):
        """Leave so many bytes free."""
        self.clear()
        free = os.statvfs(self.folder).f_bavail * os.statvfs(self.folder).f_frsize
        with self._filler.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, max(free - leave_bytes, 1))

    def clear(self):
        """Make room."""
        self._filler.unlink(missing_ok=True)

    @contextmanager
    def read_only(self):
        """For the while of a block nobody may write here, root neither."""
        subprocess.run(["mount", "-o", "remount,ro", self.folder], check=True)
        try:
            yield
        finally:
            subprocess.run(["mount", "-o", "remount,rw", self.folder], check=True)


@contextmanager
def small_disk(folder, size_mb):
    """A `SmallDisk` mounted at a folder that is not there yet."""
    with _mounted(folder, "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs"):
        yield SmallDisk(folder)


class PowerCutDisk:
    """An ext4 file system of its own whose power can be cut: what no process had synced by then is gone."""

    def __init__(self, image, folder):
        self.folder = folder
        self._image = image

    def cut_and_start(self):
        """Cut the power, and mount again what is left; every process that had a file open here must have ended."""
        self.cut()
        self.start()

    def cut(self):
        """Nothing is written from now on."""
        handle = os.open(self.folder, os.O_RDONLY)
        try:
            fcntl.ioctl(handle, SHUT_DOWN, struct.pack("I", NO_LOG_FLUSH))
        finally:
            os.close(handle)

    def fail(self):
        """The system finds an error on it, and lets it only be read from now on, whoever has files open."""
        source = subprocess.run(
            ["findmnt", "--noheadings", "--output", "SOURCE", self.folder], capture_output=True, text=True, check=True
        )
        Path("/sys/fs/ext4", Path(source.stdout.strip()).name, "trigger_fs_error").write_text("1")

    def start(self):
        """Mount what is left; the file system repairs itself from its own journal."""
        subprocess.run(["umount", self.folder], check=True)
        subprocess.run(["mount", "-o", MAINS, self._image, self.folder], check=True)


@contextmanager
def power_cut_disk(folder, size_mb=64):
    """A `PowerCutDisk` mounted at a folder that is not there yet."""
    image = folder.with_suffix(".img")
    with image.open("wb") as file:
        file.truncate(size_mb * 1_000_000)
    if shutil.which("mkfs.ext4") is None:
        from conftest import skip_or_fail

        skip_or_fail("mkfs.ext4 is not installed")
    subprocess.run(["mkfs.ext4", "-q", "-F", image], check=True)
    with _mounted(folder, "-o", MAINS, os.fspath(image)):
        disk = PowerCutDisk(image, folder)
        yield disk


def settled(folder):
    """Let all that lies here so far be on the disk."""
    subprocess.run(["sync", "--file-system", folder], check=True)


def copied(database, folder):
    """A copy of a database, with its photos if it has some."""
    target = Path(shutil.copy(database, folder / "yard.db"))
    photos = database.with_name(f"{database.stem}.photos")
    if photos.is_dir():
        shutil.copytree(photos, folder / "yard.photos")
    return target


OLDER = 6
"""The database version that `make_older` goes back to."""


def make_older(database):
    """Take a database back to version 6, which had no chain; but for the longer list of actions as it wrote them."""
    with closing(sqlite3.connect(database, isolation_level=None)) as conn:
        conn.execute("BEGIN IMMEDIATE")
        conn.execute("DROP TABLE log_chain")
        conn.execute("DELETE FROM _sqlite_migrations WHERE name >= '007'")
        conn.execute(f"PRAGMA user_version = {OLDER}")
        conn.execute("COMMIT")
    return database


def version_of(database):
    """The file's version, read without bringing it up to date."""
    with closing(sqlite3.connect(database)) as conn:
        return conn.execute("PRAGMA user_version").fetchone()[0]
