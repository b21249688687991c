"""Backups: the database and its photos into one dated file while others write, and back to a new place."""

import os
import sqlite3
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from monitor import __version__
from monitor.errors import StoreError
from monitor.operations.doctor import Check, examine_data
from monitor.operations.photos import original_path, photo_folder
from monitor.store import backup as store
from monitor.store import chain, health
from monitor.store.backup import Manifest
from monitor.store.connection import connect, copy_database, end_log, sentence_of
from monitor.store.migrations import SCHEMA_VERSION

NIGHTLY_KEPT = 7
"""Newest backups that the service keeps, beside those of weeks and months; see `monitor.store.backup.kept`."""


@dataclass(frozen=True)
class MadeBackup:
    """A backup that was written and read back, and the older ones that were removed after it."""

    path: Path
    manifest: Manifest
    removed: tuple[Path, ...]

    @property
    def sentences(self) -> list[str]:
        """What was done, and what the backup lacks."""
        holds, size = self.manifest, self.path.stat().st_size / 1e6
        said = [f"Wrote {self.path} ({size:.1f} MB): the database and {len(holds.photos)} photos, read back and whole."]
        if holds.missing:
            said.append(f"{len(holds.missing)} photos are not in it: their files are missing.")
        if holds.damaged:
            said.append(f"{len(holds.damaged)} photos in it are not what was taken: their files are damaged.")
        if self.removed:
            said.append(f"Removed {len(self.removed)} older backups.")
        return said


@dataclass(frozen=True)
class Restored:
    """A database brought back: where it lies now, what the backup held, what a look at it found."""

    path: Path
    manifest: Manifest
    checks: tuple[Check, ...]


def back_up(database: Path, to: Path | None = None, *, now: datetime, keep: int | None = None) -> MadeBackup:
    """Write a backup of a database and its photos, whole or not at all, while others use them.

    Parameters
    ----------
    database : pathlib.Path
        Of this version or an older one; it is only read.
    to : pathlib.Path, optional
        A folder, made where there is none, or the new file itself, ending in ``.zip``. None is the usual folder.
    keep : int, optional
        Afterwards remove older dated backups from the folder but for the newest so many and one of each of the last
        4 weeks and 12 months, and of the newest that hold photos whose files are gone by now. None removes nothing.

    Raises
    ------
    StoreError
        No database of ours, a damaged one, a full disk, a file that is there already. Nothing was written or removed.
    """
    if keep is not None and keep < 1:
        raise StoreError(f"{keep} backups cannot be kept; keep 1 or more. No backup was made.")
    if to is None:
        to = store.backup_folder(database)
    named = to.suffix == ".zip" and not to.is_dir()
    if named and keep is not None:
        raise StoreError(f"{to} is one file; older backups are removed only from a folder. No backup was made.")
    folder = to.parent if named else to
    if named and to.exists():
        raise StoreError(f"{to} is already there. No backup was made. Name another file.")
    with _checked(database, "No backup was made."):
        with health.looked_at(database) as conn:
            _make_folder(folder, may_make=not named)
            store.check_room(folder, database.stat().st_size, "No backup was made.")
        with _work_folder(folder, "backup") as work:
            copy = work / store.DATABASE
            copy_database(database, copy)
            with health.looked_at(copy) as conn:
                contents = Manifest(now, __version__, health.schema_version(conn), health.row_counts(conn), _head(conn))
                photos = health.photo_files(conn)
            files = photo_folder(database)
            originals = {original_path(files, sha256, media_type) for _, sha256, media_type, _ in photos}
            members = {f"photos/{path.relative_to(files).as_posix()}": path for path in originals}
            target = to if named else _free_name(folder / store.backup_name(database, now))
            manifest = store.pack(target, contents, copy, members)
        removed = () if keep is None else tuple(_remove_older(folder, database, keep, target, manifest))
    return MadeBackup(target, manifest, removed)


def restore(backup: Path, to: Path, *, now: datetime) -> Restored:
    """Bring a backup back as a new database with its photos beside it; every hash is checked before and after.

    An older database is brought up to date. It appears, whole, only when all of that is done; what cannot be restored
    leaves nothing behind. Accounts, sessions and guest links are again as they were then.

    Raises
    ------
    StoreError
        A torn, altered or foreign file, one of a newer stormwalk, a place that is taken, a full disk.
    """
    photos = photo_folder(to)
    for place in (to, photos, *(to.with_name(f"{to.name}-{log}") for log in ("wal", "shm", "journal"))):
        if place.exists():
            raise StoreError(
                f"{place} is there already and was left alone. Nothing was restored. Name a new place for the "
                f"database; the other is never overwritten."
            )
    if not to.parent.is_dir():
        raise StoreError(f"There is no folder {to.parent} for the database. Nothing was restored. Make it first.")
    with _checked(backup, "Nothing was restored."):
        manifest = store.verify(backup)
        if manifest.schema_version > SCHEMA_VERSION:
            raise StoreError(
                f"{backup} was made by a newer stormwalk (database version {manifest.schema_version}, this one knows "
                f"{SCHEMA_VERSION}). Nothing was restored. Install the newer stormwalk."
            )
        with _work_folder(to.parent, "restore") as work:
            store.unpack(backup, work)
            database, unpacked = work / store.DATABASE, work / "photos"
            with health.looked_at(database) as conn:
                if (health.schema_version(conn), health.row_counts(conn), _head(conn)) != (
                    manifest.schema_version,
                    dict(manifest.rows),
                    manifest.chain,
                ):
                    raise StoreError(
                        f"The database in {backup} is not the one that its list of contents describes. Nothing was "
                        f"restored. Take another backup."
                    )
            _open_once(database, to)
            checks = examine_data(database, unpacked, now=now, read_photos=True)
            end_log(database)
            _sync(database)
            _put_in_place(database, to, unpacked, photos)
    return Restored(to, manifest, tuple(checks))


def _open_once(database: Path, to: Path) -> None:
    """Open it as every command does, which brings an older one up to date; trouble is said of the place it is for."""
    with _checked(to, "Nothing was restored."):
        try:
            connect(database).close()
        except StoreError as error:
            if isinstance(error.__cause__, (sqlite3.Error, OSError)):
                raise error.__cause__ from error
            raise


def _put_in_place(database: Path, to: Path, unpacked: Path, photos: Path) -> None:
    """Photos first: where the database is, they are too."""
    if unpacked.is_dir():
        unpacked.rename(photos)
    try:
        store.give_name(database, to)
    except BaseException:
        if photos.is_dir():
            photos.rename(unpacked)
        raise


def _remove_older(folder: Path, database: Path, keep: int, newest: Path, made: Manifest) -> Iterator[Path]:
    """Remove what need not stay; never the one just made, which the dates of others hide where the clock was wrong.

    What it lacks, because photos are gone or damaged by now, stays in the newest older one that has it.
    """
    dated = store.backups_in(folder, database)
    moments = store.kept([moment for moment, _ in dated], keep)
    older = [path for _, path in dated if path != newest]
    stay = {
        newest,
        *(path for moment, path in dated if moment in moments),
        *_holding({*made.missing, *made.damaged}, older),
    }
    for path in older:
        if path not in stay:
            path.unlink()
            yield path


def _holding(photos: set[str], backups: Sequence[Path]) -> Iterator[Path]:
    """Of backups, oldest first, the newest ones that hold these photos, as they were taken."""
    for path in reversed(backups):
        if not photos:
            return
        with suppress(StoreError):  # a torn one holds nothing
            manifest = store.read_manifest(path)
            if held := photos & ({member.name for member in manifest.photos} - {*manifest.damaged}):
                photos = photos - held
                yield path


def _head(conn: sqlite3.Connection) -> chain.Head:
    """The chain's head; of a file that is older than the chain, that of an empty one."""
    return chain.head(conn) if health.schema_version(conn) >= 7 else chain.Head(0, chain.BEFORE_THE_FIRST)


def _free_name(path: Path) -> Path:
    free, number = path, 2
    while free.exists():
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free


def _make_folder(folder: Path, may_make: bool) -> None:
    if folder.is_dir():
        return
    if not may_make or folder.exists() or not folder.parent.is_dir():
        raise StoreError(f"There is no folder {folder} for the backup. No backup was made. Make it first.")
    folder.mkdir(mode=0o700, exist_ok=True)
    store.sync_folder(folder.parent)


@contextmanager
def _work_folder(beside: Path, what: str) -> Iterator[Path]:
    """A folder for half-done work, for its owner alone, gone afterwards however the block ends.

    A process that is killed leaves it; the doctor names it then. Errors speak of the folder that it is in: it is gone
    when they are read.
    """
    try:
        made = tempfile.TemporaryDirectory(
            prefix=f".stormwalk-{what}-", suffix=".part", dir=beside, ignore_cleanup_errors=True
        )
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(beside)) from error
    with made as work:
        try:
            yield Path(work)
        except StoreError as error:
            raise StoreError(str(error).replace(work, str(beside))) from error


@contextmanager
def _checked(path: Path, nothing: str) -> Iterator[None]:
    """What the disk and SQLite answer, in sentences."""
    try:
        yield
    except OSError as error:
        raise StoreError(
            f"{error.filename or path}: {error.strerror or error}. {nothing} Make room or allow writing there, or name "
            f"another place."
        ) from error
    except sqlite3.Error as error:
        raise StoreError(sentence_of(error, path, nothing)) from error
    except UnicodeDecodeError as error:  # SQLite quotes what is wrong, and that may be no text
        raise StoreError(f"The database of {path} is damaged ({error}). {nothing} Take an earlier backup.") from error


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())
