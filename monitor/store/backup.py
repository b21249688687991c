"""The backup file: one zip of the database and its photos, sealed so that no byte of it changes unnoticed.

Members are ``database.db`` (deflated), ``photos/ab/ab....jpg`` (the original bytes, stored as they are) and, last,
``manifest.json`` with the SHA-256 of each. The file ends in a comment, the seal: the SHA-256 of all bytes before it.
It keeps out accidents and torn files; it is no signature, and whoever may write the file can seal it anew.
"""

import hashlib
import json
import os
import re
import shutil
import stat
import uuid
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import IO, Any

from monitor.errors import StoreError
from monitor.store.chain import Head
from monitor.store.rows import moment_of, utc_text

FORMAT = "stormwalk backup 1"
DATABASE, MANIFEST = "database.db", "manifest.json"

LARGEST_MANIFEST_BYTES = 64_000_000
"""About 300,000 photos."""

LARGEST_DIRECTORY_BYTES = 45_000_000
"""Of the zip's own list of members, for as many photos; read whole, it takes eight times as much memory."""

MOST_DEFLATED = 200
"""A database never becomes smaller by more than this factor, but for `SMALL_BYTES`: a larger one is a bomb."""

SMALL_BYTES = 10_000_000

SPARE_BYTES = 20_000_000
"""Left free on the disk, for those who log meanwhile."""

WEEKS_KEPT, MONTHS_KEPT = 4, 12

_SEAL = b"sha256 of all before this comment: "
_SEAL_BYTES = len(_SEAL) + 64
_MEMBER = re.compile(r"photos/([0-9a-f]{2})/\1[0-9a-f]{62}\.(jpg|png|webp)")
_CHUNK = 1 << 20


@dataclass(frozen=True)
class Member:
    """A file in a backup: its name there, its size and its SHA-256."""

    name: str
    byte_count: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What a backup holds and of when it is. ``rows`` counts each table's rows, ``chain`` is the head of the log's.

    ``missing`` names photos whose files were gone when the backup was made, ``damaged`` those whose bytes had changed.
    """

    made_at: datetime
    program_version: str
    schema_version: int
    rows: Mapping[str, int]
    chain: Head
    members: tuple[Member, ...] = ()
    missing: tuple[str, ...] = ()
    damaged: tuple[str, ...] = ()

    @property
    def photos(self) -> list[Member]:
        """The photos among the members."""
        return [member for member in self.members if member.name != DATABASE]


def backup_folder(database: Path) -> Path:
    """Where the backups of a database lie unless told otherwise: ``yard.backups`` beside ``yard.db``."""
    return database.with_name(f"{database.stem}.backups")


def backup_name(database: Path, made_at: datetime) -> str:
    """``yard-2026-02-22T0300Z.zip``."""
    return f"{database.stem}-{made_at.astimezone(UTC):%Y-%m-%dT%H%MZ}.zip"


def backups_in(folder: Path, database: Path) -> list[tuple[datetime, Path]]:
    """Dated backups of a database in a folder, oldest first; files of other names are none."""
    pattern = re.compile(re.escape(database.stem) + r"-(\d{4}-\d{2}-\d{2}T\d{4})Z(?:-(\d+))?\.zip")
    found = []
    for path in folder.iterdir() if folder.is_dir() else ():
        match = pattern.fullmatch(path.name)
        if match and path.is_file():
            try:
                moment = datetime.strptime(match[1], "%Y-%m-%dT%H%M").replace(tzinfo=UTC)
            except ValueError:
                continue
            found.append((moment, int(match[2] or 1), path))
    return [(moment, path) for moment, _, path in sorted(found)]


def kept(made: Sequence[datetime], newest: int) -> set[datetime]:
    """Which backups stay: the newest ones, the last one of each of the newest weeks and of the newest months (UTC).

    Weeks begin on Monday; a week or month without a backup does not count.
    """
    by_week = {moment.isocalendar()[:2]: moment for moment in sorted(made)}
    by_month = {(moment.year, moment.month): moment for moment in sorted(made)}
    weeks = [by_week[week] for week in sorted(by_week)[-WEEKS_KEPT:]]
    months = [by_month[month] for month in sorted(by_month)[-MONTHS_KEPT:]]
    return {*sorted(made)[len(made) - min(newest, len(made)) :], *weeks, *months}


def pack(target: Path, contents: Manifest, database: Path, photos: Mapping[str, Path]) -> Manifest:
    """Write a backup, sync it, read it back, and only then give it its name; what it holds.

    Parameters
    ----------
    target : pathlib.Path
        Of the new file. It appears whole or not at all, for its owner alone to read.
    contents : Manifest
        What is known of the database; its members are filled in.
    database : pathlib.Path
        A copy that nobody writes to.
    photos : mapping
        For each member name the file of the photo; one that is gone or changed is noted in the manifest.

    Raises
    ------
    StoreError
        The disk is full or refuses, target is there already, or what was written does not read back.
    """
    part = target.with_name(f".{target.name}.{uuid.uuid4().hex}.part")
    sizes = [path.stat().st_size for path in (database, *photos.values()) if path.is_file()]
    with _disk_in_sentences(f"The backup {target} could not be written", "No backup was made."):
        check_room(target.parent, sum(sizes), "No backup was made.")
        try:
            part.touch(0o600, exist_ok=False)
            with part.open("r+b") as file:
                manifest = _write_members(file, contents, database, photos)
                _seal(file)
                file.flush()
                os.fsync(file.fileno())
            if verify(part) != manifest:
                raise StoreError(f"The backup for {target} does not read back as it was written. No backup was made.")
            give_name(part, target)
        finally:
            part.unlink(missing_ok=True)
    return manifest


def verify(path: Path) -> Manifest:
    """Check a backup from its first byte to its last; what it holds.

    Raises StoreError with a sentence where it is torn, altered, of another program, or holds what no backup holds.
    """
    with _opened(path, whole=True) as (archive, manifest):
        for member in manifest.members:
            _read_member(archive, member, None)
    return manifest


def read_manifest(path: Path) -> Manifest:
    """What a backup says that it holds, without reading all of it. Raises StoreError as `verify` does."""
    with _opened(path, whole=False) as (_, manifest):
        return manifest


def unpack(path: Path, folder: Path) -> Manifest:
    """Write a backup's database and photos into an empty folder, each checked as it is read and as it lies there.

    The whole file is checked before the first byte is written. Raises StoreError as `verify` does, and where the disk
    refuses; the caller clears the folder away then.
    """
    verify(path)
    trouble = f"{path} could not be restored into {folder}", "Nothing was restored."
    with _opened(path, whole=False) as (archive, manifest), _disk_in_sentences(*trouble):
        check_room(folder, sum(member.byte_count for member in manifest.members), "Nothing was restored.")
        for member in manifest.members:
            target = folder.joinpath(*PurePosixPath(member.name).parts)
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("x+b") as file:
                _read_member(archive, member, file)
                file.flush()
                os.fsync(file.fileno())
                file.seek(0)
                if hashlib.file_digest(file, "sha256").hexdigest() != member.sha256:
                    raise StoreError(f"{target} does not read back as it was written. Nothing was restored.")
    return manifest


def unpack_database(path: Path, folder: Path) -> Path:
    """Write a backup's database alone into a folder, checked as it is read; its file. Raises as `unpack` does."""
    trouble = f"{path} could not be read into {folder}", "Nothing was restored."
    with _opened(path, whole=False) as (archive, manifest), _disk_in_sentences(*trouble):
        (member,) = [member for member in manifest.members if member.name == DATABASE]
        check_room(folder, member.byte_count, "Nothing was restored.")
        target = folder / DATABASE
        with target.open("xb") as file:
            _read_member(archive, member, file)
    return target


def check_room(folder: Path, byte_count: int, nothing: str) -> None:
    """Raise StoreError where so much does not fit on the disk of a folder."""
    free = shutil.disk_usage(folder).free
    if free < byte_count + SPARE_BYTES:
        raise StoreError(
            f"{folder} has {free / 1e6:.0f} MB free, {(byte_count + SPARE_BYTES) / 1e6:.0f} MB are needed. {nothing} "
            f"Make room, or name a folder on another disk."
        )


def give_name(part: Path, target: Path) -> None:
    """Rename a file for good, never over another one. Raises StoreError where there is one."""
    try:
        try:
            os.link(part, target)
            part.unlink()
        except FileExistsError:
            raise
        except OSError:  # a file system without links
            if target.exists():
                raise FileExistsError(target) from None
            part.rename(target)
    except FileExistsError:
        raise StoreError(f"{target} is there already and was left alone. Name another file.") from None
    sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last; not every system can, and those that cannot need not."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_members(file: IO[bytes], contents: Manifest, database: Path, photos: Mapping[str, Path]) -> Manifest:
    members, missing, damaged = [], [], []
    with zipfile.ZipFile(file, "w", allowZip64=True) as archive:
        members.append(_add(archive, DATABASE, database, zipfile.ZIP_DEFLATED))
        for name, path in sorted(photos.items()):
            if not path.is_file():
                missing.append(name)
                continue
            members.append(_add(archive, name, path, zipfile.ZIP_STORED))
            if members[-1].sha256 != PurePosixPath(name).stem:
                damaged.append(name)
        manifest = replace(contents, members=tuple(members), missing=tuple(missing), damaged=tuple(damaged))
        archive.writestr(_info(MANIFEST, zipfile.ZIP_STORED), _manifest_text(manifest))
        archive.comment = bytes(_SEAL_BYTES)
    return manifest


def _add(archive: zipfile.ZipFile, name: str, path: Path, method: int) -> Member:
    digest, count = hashlib.sha256(), 0
    with path.open("rb") as source, archive.open(_info(name, method), "w", force_zip64=True) as target:
        while chunk := source.read(_CHUNK):
            target.write(chunk)
            digest.update(chunk)
            count += len(chunk)
    return Member(name, count, digest.hexdigest())


def _info(name: str, method: int) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.compress_type = method
    info._compresslevel = 1  # type: ignore[attr-defined]  # half the time of the usual level, a tenth larger
    info.external_attr = (stat.S_IFREG | 0o600) << 16
    return info


def _seal(file: IO[bytes]) -> None:
    """Put the hash of all that was written into the room that the zip's comment keeps for it at the end."""
    file.seek(0, os.SEEK_END)
    end = file.tell() - _SEAL_BYTES
    digest = _digest_of(file, end)
    file.seek(end)
    file.write(_SEAL + digest.encode("ascii"))


def _digest_of(file: IO[bytes], end: int) -> str:
    file.seek(0)
    digest, left = hashlib.sha256(), end
    while left and (chunk := file.read(min(_CHUNK, left))):
        digest.update(chunk)
        left -= len(chunk)
    return digest.hexdigest()


@contextmanager
def _opened(path: Path, whole: bool) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """The zip and its manifest; every member is one that a backup has, under its own name, of its own size."""
    try:
        with path.open("rb") as file:
            file.seek(0, os.SEEK_END)
            end = file.tell() - _SEAL_BYTES
            file.seek(max(end, 0))
            seal = file.read(_SEAL_BYTES)
            if not seal.startswith(_SEAL):
                raise _refusal(path, "it does not end as a backup of stormwalk does: it is torn, or of something else")
            if whole and _digest_of(file, end) != seal[len(_SEAL) :].decode("ascii", "replace"):
                raise _refusal(path, "its bytes are not those that were written")
            _refuse_long_directory(path, file)
            with zipfile.ZipFile(file) as archive:
                yield archive, _checked_manifest(path, archive)
    except OSError as error:
        raise StoreError(f"{path} cannot be read ({error.strerror or error}). Nothing was restored.") from error
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, UnicodeError) as error:
        raise _refusal(path, f"it cannot be unpacked ({error})") from error


def _refuse_long_directory(path: Path, file: IO[bytes]) -> None:
    """The size of the list of members stands in the zip's last record, and is looked at before any of it is read."""
    last = zipfile._EndRecData(file)  # type: ignore[attr-defined]
    if last and last[zipfile._ECD_SIZE] > LARGEST_DIRECTORY_BYTES:  # type: ignore[attr-defined]
        raise _refusal(path, f"the list of its members has {last[zipfile._ECD_SIZE] / 1e6:,.0f} MB")  # type: ignore[attr-defined]


def _checked_manifest(path: Path, archive: zipfile.ZipFile) -> Manifest:
    infos = archive.infolist()
    for info in infos:
        if info.filename not in (DATABASE, MANIFEST) and not _MEMBER.fullmatch(info.filename):
            raise _refusal(path, f"it holds {info.filename[:80]!r}, which no backup holds")
        stored = info.compress_type == zipfile.ZIP_STORED
        if info.flag_bits & 0x1 or not (
            stored or (info.filename, info.compress_type) == (DATABASE, zipfile.ZIP_DEFLATED)
        ):
            raise _refusal(path, f"its {info.filename} is packed as no backup packs it")
        most = info.compress_size if stored else SMALL_BYTES + MOST_DEFLATED * info.compress_size
        if info.file_size > most or (info.filename == MANIFEST and info.file_size > LARGEST_MANIFEST_BYTES):
            raise _refusal(path, f"its {info.filename} would become {info.file_size / 1e6:.0f} MB large")
    if sum(info.compress_size for info in infos) > path.stat().st_size:
        raise _refusal(path, "its members lie over one another")
    sizes = {info.filename: info.file_size for info in infos}
    if len(sizes) < len(infos) or MANIFEST not in sizes:
        raise _refusal(path, "its list of contents is missing, or a name stands in it twice")
    try:
        manifest = _manifest_of(json.loads(archive.read(MANIFEST)))
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise _refusal(path, f"its list of contents cannot be read ({error!r:.200})") from error
    listed = {member.name: member.byte_count for member in manifest.members} | {MANIFEST: sizes[MANIFEST]}
    if listed != sizes or DATABASE not in listed or len(manifest.members) + 1 != len(infos):
        raise _refusal(path, "what it holds is not what its list of contents says")
    return manifest


def _read_member(archive: zipfile.ZipFile, member: Member, target: IO[bytes] | None) -> None:
    digest, count = hashlib.sha256(), 0
    with archive.open(member.name) as source:
        while chunk := source.read(_CHUNK):
            digest.update(chunk)
            count += len(chunk)
            if target is not None:
                target.write(chunk)
    if (count, digest.hexdigest()) != (member.byte_count, member.sha256):
        raise _refusal(Path(str(archive.filename)), f"its {member.name} is not what its list of contents says")


def _refusal(path: Path, why: str) -> StoreError:
    return StoreError(f"{path} is no whole backup: {why}. Nothing was restored. Take another backup.")


def _manifest_text(manifest: Manifest) -> str:
    value = {
        "format": FORMAT,
        "made_at": utc_text(manifest.made_at),
        "program_version": manifest.program_version,
        "schema_version": manifest.schema_version,
        "rows": manifest.rows,
        "log_chain": {"count": manifest.chain.count, "sha256": manifest.chain.sha256},
        "members": [{"name": m.name, "byte_count": m.byte_count, "sha256": m.sha256} for m in manifest.members],
        "photos_missing": manifest.missing,
        "photos_damaged": manifest.damaged,
    }
    return json.dumps(value, indent=1)


def _manifest_of(value: Any) -> Manifest:
    if value["format"] != FORMAT:
        raise ValueError(f"format {str(value['format'])[:40]!r}, expected {FORMAT!r}")
    return Manifest(
        moment_of(value["made_at"]),
        str(value["program_version"]),
        int(value["schema_version"]),
        {str(table): int(count) for table, count in value["rows"].items()},
        Head(int(value["log_chain"]["count"]), str(value["log_chain"]["sha256"])),
        tuple(Member(str(m["name"]), int(m["byte_count"]), str(m["sha256"])) for m in value["members"]),
        tuple(map(str, value["photos_missing"])),
        tuple(map(str, value["photos_damaged"])),
    )


@contextmanager
def _disk_in_sentences(what: str, nothing: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(
            f"{what} ({error.strerror or error}). {nothing} Make room or allow writing there, or name another place."
        ) from error
