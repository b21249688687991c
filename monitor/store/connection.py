"""Opening the database: one checked file, brought up to date when opened, written in whole transactions."""

import os
import shutil
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from monitor.errors import StoreError
from monitor.store.migrations import APPLICATION_ID, SCHEMA_VERSION, migrate

BUSY_TIMEOUT_S = 10.0
"""How long a writer waits for another process to finish; our transactions last well under a second."""

_NO_SMALL_FILES = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR)
"""What SQLite answers where it cannot make the files that it keeps beside an open database."""

SMALL_FILES_BYTES = 100_000
"""Room for those files: an index of 32 KiB, and the log with a first entry."""


def connect(path: str | Path, *, create: bool = False) -> sqlite3.Connection:
    """Open a database for reading and writing, migrated to this program's version.

    Statements outside ``write`` commit by themselves. A connection belongs to one thread.

    Parameters
    ----------
    path : str or pathlib.Path
        The file, on a local disk: write-ahead logging does not work on a network share.
    create : bool
        Make the file where there is none.

    Raises
    ------
    StoreError
        No such file, not a stormwalk database, written by a newer version, not writable, or busy. Nothing was changed.
    """
    path = Path(path)
    with _in_sentences(path):
        _check_file(path, create)
        conn = _open(path, "rwc" if create else "rw")
        try:
            version = _schema_version(conn, path)
            if version == 0 and not create:
                raise StoreError(
                    f'{path} is empty: no yard was ever set up in it. Nothing was changed. Run "stormwalk init".'
                )
            _use_write_ahead_log(conn, path)
            if version < SCHEMA_VERSION:
                _bring_up_to_date(path)
            for setting in ("foreign_keys = ON", "synchronous = FULL", "recursive_triggers = ON"):
                conn.execute(f"PRAGMA {setting}")
        except BaseException:
            conn.close()
            raise
    return conn


def connect_read_only(path: str | Path) -> sqlite3.Connection:
    """Open a database for reading alone. Raises StoreError as ``connect`` does, and where it still needs migrating."""
    path = Path(path)
    with _in_sentences(path):
        _check_file(path, create=False, writable=False)
        conn = _open(path, "ro")
        try:
            version = _schema_version(conn, path)
            if version < SCHEMA_VERSION:
                raise StoreError(
                    f"{path} is of database version {version}, this stormwalk reads {SCHEMA_VERSION}. Nothing was "
                    f'changed. Run "stormwalk init" once to bring it up to date; nothing in it is lost.'
                )
        except BaseException:
            conn.close()
            raise
    return conn


@contextmanager
def write(conn: sqlite3.Connection) -> Iterator[None]:
    """All that the block writes, or nothing of it. Blocks may nest: an inner one that fails undoes only itself.

    The write lock is taken at the start (``BEGIN IMMEDIATE``), so that what the block reads still holds when it writes.
    Raises StoreError where the disk or another writer stands in the way.
    """
    inner = conn.in_transaction
    try:
        conn.execute("SAVEPOINT inner" if inner else "BEGIN IMMEDIATE")
        try:
            yield
            conn.execute("RELEASE inner" if inner else "COMMIT")
        except BaseException:
            if not inner:
                conn.rollback()
            elif conn.in_transaction:
                conn.execute("ROLLBACK TO inner")
                conn.execute("RELEASE inner")
            raise
    except sqlite3.OperationalError as error:
        if not inner and _code(error) in _WRITE_TROUBLE:
            raise StoreError(f"{_WRITE_TROUBLE[_code(error)]} ({error}). Nothing of this entry was stored.") from error
        raise


def open_to_look(path: Path) -> sqlite3.Connection:
    """A connection that can only read, to a file of any version. Raises sqlite3.Error.

    Where SQLite cannot make the small files that readers share, because the folder may only be read or the disk is
    full, the file is read as one that nobody writes to. Entries that are still in its log would be missed: then the
    error stands.
    """
    conn = _open(path, "ro")
    try:
        conn.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        conn.close()
        log = path.with_name(f"{path.name}-wal")
        if _code(error) not in _NO_SMALL_FILES or (log.exists() and log.stat().st_size):
            raise
        return _open(path, "ro&immutable=1")
    except sqlite3.DatabaseError:
        conn.close()
        raise
    return conn


def sentence_of(error: sqlite3.Error, path: Path, outcome: str) -> str:
    """What SQLite's error on a database means: what was found, ``outcome``, and what to do."""
    code = _code(error)
    # Where the disk is full to the last byte, it is the small files that cannot be made: no error of SQLite says so.
    if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and _is_full(path):
        code = sqlite3.SQLITE_FULL
    match code:
        case sqlite3.SQLITE_NOTADB:
            found, to_do = "is not a database", "Name stormwalk's own file with --db, or restore its last backup."
        case sqlite3.SQLITE_CORRUPT:
            found, to_do = f"is damaged ({error})", "Restore its last backup."
        case 0 if "decode" in str(error):  # raised by Python: a text in it is none any more
            found, to_do = f"is damaged ({error})", "Restore its last backup."
        case sqlite3.SQLITE_BUSY:
            found, to_do = f"is in use by another process that does not finish ({error})", "Try again when it has."
        case sqlite3.SQLITE_FULL:
            found, to_do = f"is on a disk that is full ({error})", "Make room on it and try again."
        case sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_READONLY:
            found, to_do = f"cannot be used ({error})", "Allow this user to write to the file and its folder."
        case sqlite3.SQLITE_IOERR:
            found, to_do = f"cannot be read or written as it should ({error})", "Check the disk that it is on."
        case _:
            found, to_do = f"cannot be used ({error})", "Check the file and its folder, or restore its last backup."
    return f"{path} {found}. {outcome} {to_do}"


def _is_full(path: Path) -> bool:
    """Whether the disk has no room for the small files that SQLite keeps beside a database that is open."""
    try:
        return shutil.disk_usage(path.parent).free < SMALL_FILES_BYTES
    except OSError:
        return False


def check_log(path: Path) -> None:
    """Raise StoreError where the log that lies beside a database is not its own, or lies there without one.

    SQLite would read another file's log as this one's, and delete it where it makes a new file: entries would be lost
    or mixed up. A file that `end_log` left says in its header that it has no log (SQLite's file format, bytes 18, 19).
    """
    log = path.with_name(f"{path.name}-wal")
    with _looking:
        has_log = log.exists() and log.stat().st_size > 0  # before the file, to which another may just add its log
        if path.exists():
            found = path.stat()
            this = (found.st_dev, found.st_ino, os.path.realpath(path))
            if has_log and this not in _known and _says_it_has_none(path):
                raise StoreError(
                    f"{path} was put in the place of another database: the log {log.name} beside it belongs to the "
                    f"other. Nothing was changed. Stop the service, move {log.name} and {path.name}-shm to where the "
                    f"other is now, under its name, and start again."
                )
            _known.add(this)
        elif has_log:
            raise StoreError(
                f"There is no {path}, but its log {log.name} is there: the database was moved or removed while it was "
                f"in use, and its newest entries may be in that log alone. Nothing was made or changed. Put the "
                f"database back beside it, or restore a backup under another name."
            )


def _says_it_has_none(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(20)[18:] == b"\1\1"


_known: set[tuple[int, int, str]] = set()
"""Files, by device, inode and name (an inode is used again), that this process has opened, or may have.

None of them is opened beside SQLite again: on POSIX the closing of any handle to a file ends all locks that the process
has on it, SQLite's too.
"""

_looking = threading.Lock()


def end_log(path: Path) -> None:
    """Put all of a database's log into its file, which then stands alone; `connect` begins a new log.

    Nobody else may have it open. Raises sqlite3.Error.
    """
    with closing(_open(path, "rw")) as conn:
        conn.execute("PRAGMA journal_mode = DELETE").fetchone()


def copy_database(path: Path, target: Path) -> None:
    """Copy a database while others use it, and check the copy. Raises StoreError where it fails or target exists.

    ``target`` appears only when it is whole.
    """
    if target.exists():
        raise StoreError(f"{target} is already there. No copy was made. Name another file for it.")
    part = target.with_name(f"{target.name}.part")
    try:
        with closing(open_to_look(path)) as source, closing(_open(part, "rwc")) as copy:
            source.backup(copy, pages=-1)  # in one step: a stepwise copy starts over at every write by another process
            copy.execute("PRAGMA journal_mode = DELETE").fetchone()  # as `end_log`
            (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
        if verdict != "ok":
            found = " ".join(verdict.split())
            raise StoreError(
                f"The copy of {path} failed its check ({found}) and was removed; earlier ones are as they were. "
                f'"stormwalk doctor" tells whether {path} itself is damaged; if so, restore its last backup.'
            )
        part.replace(target)
    except sqlite3.Error as error:
        if _code(error) == sqlite3.SQLITE_FULL:
            raise StoreError(
                f"{target.parent} has no room for a copy of {path} ({error}). The original is unchanged. Make room."
            ) from error
        outcome = f"It could not be copied to {target}. The original is unchanged."
        raise StoreError(sentence_of(error, path, outcome)) from error
    except OSError as error:
        raise StoreError(f"{path} could not be copied to {target} ({error}). The original is unchanged.") from error
    finally:
        part.unlink(missing_ok=True)


def _check_file(path: Path, create: bool, writable: bool = True) -> None:
    if path.is_dir():
        raise StoreError(f"{path} is a folder, expected a database file. Name the file itself.")
    check_log(path)
    if not path.exists():
        if not create:
            raise StoreError(f'No database at {path}. Run "stormwalk init" to make one, or name another with --db.')
        if not path.parent.is_dir():
            raise StoreError(f"There is no folder {path.parent} for the database. Nothing was made. Make it first.")
    elif writable and not os.access(path, os.W_OK):
        raise StoreError(f"{path} may be read but not written by this user. Nothing was changed. Allow writing to it.")
    if writable and not os.access(path.parent, os.W_OK):
        raise StoreError(
            f"The folder {path.parent} may not be written by this user, and the database keeps its log files beside "
            f"it. Nothing was changed. Allow writing to the folder, or keep the database in another."
        )


def _open(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    conn = sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    made = path.stat()
    _known.add((made.st_dev, made.st_ino, os.path.realpath(path)))
    conn.row_factory = sqlite3.Row
    return conn


def _schema_version(conn: sqlite3.Connection, path: Path) -> int:
    """The file's version, 0 for an empty one. Raises StoreError where the file is not ours or newer than we are."""
    conn.execute("BEGIN")  # one moment for all three: another process may be migrating
    (tables,) = conn.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application_id,) = conn.execute("PRAGMA application_id").fetchone()
    (version,) = conn.execute("PRAGMA user_version").fetchone()
    conn.rollback()
    if application_id != APPLICATION_ID and (tables or version or application_id):
        raise StoreError(
            f"{path} is a database of another program. Nothing was changed. Name stormwalk's own file with --db."
        )
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path} was written by a newer stormwalk (database version {version}, this one knows {SCHEMA_VERSION}). "
            f"Nothing was changed. Install the newer stormwalk, or name another file with --db."
        )
    return int(version)


def _use_write_ahead_log(conn: sqlite3.Connection, path: Path) -> None:
    """Switch the file to WAL, for good. SQLite does not wait when two processes do this at once, so we do."""
    deadline = time.monotonic() + BUSY_TIMEOUT_S
    while True:
        try:
            (mode,) = conn.execute("PRAGMA journal_mode").fetchone()
            if mode != "wal":
                (mode,) = conn.execute("PRAGMA journal_mode = WAL").fetchone()
                conn.execute("SELECT count(*) FROM sqlite_master").fetchone()  # only this begins the log
            break
        except sqlite3.OperationalError as error:
            if _code(error) != sqlite3.SQLITE_BUSY or time.monotonic() > deadline:
                raise
            time.sleep(0.01)
    if mode != "wal":
        raise StoreError(
            f"{path} cannot keep a write-ahead log (found journal mode {mode!r}). Nothing was changed. "
            f"Keep the database on a local disk."
        )


def _bring_up_to_date(path: Path) -> None:
    """Migrate in one transaction, after copying what there was next to it; another process may have done it already."""
    with closing(_open(path, "rw")) as conn:
        conn.execute("PRAGMA foreign_keys = OFF")
        conn.execute("BEGIN IMMEDIATE")
        version = 0
        kept: Path | None = None
        try:
            (version,) = conn.execute("PRAGMA user_version").fetchone()
            if version >= SCHEMA_VERSION:
                return
            if version > 0:
                kept = _free_name(path, version)
                copy_database(path, kept)
            migrate(conn)
            broken = conn.execute("PRAGMA foreign_key_check").fetchall()
            if broken:
                raise StoreError(
                    f"{path} has {len(broken)} rows that refer to missing ones, the first in {broken[0][0]}. It stays "
                    f"at version {version}; nothing was changed. Restore a backup made before the damage."
                )
            conn.execute("COMMIT")
        except BaseException as error:
            conn.rollback()
            if kept is not None:
                kept.unlink(missing_ok=True)
            if isinstance(error, sqlite3.Error):
                raise StoreError(
                    f"{path} could not be brought from database version {version} to {SCHEMA_VERSION} ({error}). "
                    f"Nothing was changed. Keep using the version of stormwalk that wrote it."
                ) from error
            raise


def _free_name(path: Path, version: int) -> Path:
    name = path.with_name(f"{path.stem}.version-{version}{path.suffix}")
    number = 2
    while name.exists():
        name = path.with_name(f"{path.stem}.version-{version}-{number}{path.suffix}")
        number += 1
    return name


def _code(error: sqlite3.Error) -> int:
    """SQLite's primary result code; 0 where the error arose in Python."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF


_WRITE_TROUBLE = {
    sqlite3.SQLITE_BUSY: f"Another process has been writing to the database for {BUSY_TIMEOUT_S:g} s; try again",
    sqlite3.SQLITE_FULL: "The disk is full; make room and try again",
    sqlite3.SQLITE_IOERR: "The disk of the database does not answer as it should; check it",
    sqlite3.SQLITE_READONLY: "The database or its disk may only be read now; find out why, and try again",
}


@contextmanager
def _in_sentences(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(f"{path} cannot be reached ({error.strerror}). Nothing was changed.") from error
    except sqlite3.Error as error:
        raise StoreError(sentence_of(error, path, "Nothing was changed.")) from error
    except UnicodeDecodeError as error:  # SQLite quotes what is wrong, and that may be no text
        raise StoreError(f"{path} is damaged ({error}). Nothing was changed. Restore its last backup.") from error
