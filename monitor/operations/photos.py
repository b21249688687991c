"""Photos taken into the log: the original safely on disk first, then its row; and the copies that are shown."""

import hashlib
import os
import sqlite3
import uuid
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from monitor.errors import LogError, StoreError
from monitor.inspections import Action, Finding, Inspection, Photo, check_words
from monitor.operations.log import FINDING_WINDOW
from monitor.pictures import Picture, examine, upright_jpeg
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import photos as store
from monitor.store import register as register_store
from monitor.wording import local_text
from monitor.yard_clock import CLOCK_ERROR

_ENDINGS = {"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}

Entry = TypeVar("Entry", Inspection, Finding, Action)


def photo_folder(database: Path) -> Path:
    """Where the photos of a database lie: ``yard.photos`` beside ``yard.db``."""
    return database.with_name(f"{database.stem}.photos")


def original_path(folder: Path, sha256: str, media_type: str) -> Path:
    """The file of an original, named by the hash of its bytes and nothing else."""
    return folder / sha256[:2] / f"{sha256}{_ENDINGS[media_type]}"


def keep_original(folder: Path, data: bytes) -> Picture:
    """Put a photo's bytes on disk for good, unless they lie there whole already; what the photo is.

    When this returns they survive a power cut. Raises LogError for what is no photo, StoreError where the disk refuses.
    """
    picture = examine(data)
    path = original_path(folder, picture.sha256, picture.media_type)
    try:
        if not (path.is_file() and path.read_bytes() == data):
            _write_whole(path, data, folder.parent)
    except OSError as error:
        raise StoreError(
            f"The photo cannot be kept in {path.parent} ({error.strerror or error}). It was not logged. Make room or "
            f"allow writing there, and log it again."
        ) from None
    return picture


def record_photo(
    conn: sqlite3.Connection,
    folder: Path,
    yard: Yard,
    *,
    photo_id: str | None,
    data: bytes | Picture,
    inspection_id: str | None = None,
    finding_id: str | None = None,
    action_id: str | None = None,
    boat: str | None = None,
    taken_at: datetime | None = None,
    recorded_at: datetime,
    taken_by: str,
    note: str = "",
) -> list[str]:
    """Log a photo of an inspection, of a finding or of something done; sentences of what was logged.

    Parameters
    ----------
    folder : pathlib.Path
        Of `photo_folder`. The original is on disk before its row is written; without the row it is only a spare file.
    photo_id : str or None
        UUID made where the photo was taken; the same one with the same bytes again changes nothing. None makes one of
        the bytes and what they belong to, so that the same file again changes nothing either.
    data : bytes or Picture
        The photo's bytes, or what `keep_original` said of them when it kept them.
    inspection_id, finding_id, action_id : str or None
        What it belongs to; the beginning of an id is enough. A finding stands for its inspection as well.
    boat : str or None
        Number of the boat that it must show; None leaves that to the entry.
    taken_at : datetime, optional
        None takes the camera's own time, on the yard's clock where it has no offset; if that lies ahead or before the
        boat was wrapped, ``recorded_at``. [UTC]

    Raises
    ------
    LogError
        No photo, too large, of nothing or of two things, a time ahead, an id that stands for another photo.
    StoreError
        The disk refuses.
    """
    if not taken_by.strip():
        raise LogError("The name of who took the photo is empty. It was not logged. Say who it was.")
    check_words(taken_by, "name of who took the photo")
    check_words(note, "note")
    of, finding = _belongs_to(conn, yard, inspection_id, finding_id, action_id)
    cover = register_store.cover(conn, of.cover_id)
    if boat not in (None, cover.boat.number):
        what = "Inspection" if isinstance(of, Inspection) else "Action"
        raise LogError(f"{what} {of.id[:8]} is of boat {cover.boat.number}, not of boat {boat}. Nothing was logged.")
    picture = data if isinstance(data, Picture) else keep_original(folder, data)
    taken, doubts = _taken_at(taken_at, picture, yard, cover.builds[0].built_at, recorded_at)
    shown = of if finding is None else finding
    key = photo_id or str(uuid.uuid5(uuid.NAMESPACE_OID, f"{shown.id}/{picture.sha256}"))
    entry = Photo(
        id=key,
        taken_at=taken,
        recorded_at=recorded_at,
        taken_by=taken_by.strip(),
        sha256=picture.sha256,
        media_type=picture.media_type,
        byte_count=picture.byte_count,
        width_px=picture.width_px,
        height_px=picture.height_px,
        note=note,
        inspection_id=of.id if isinstance(of, Inspection) else None,
        finding_id=None if finding is None else finding.id,
        action_id=of.id if isinstance(of, Action) else None,
    )
    boat = cover.boat.number
    if not store.add_photo(conn, entry):
        return [f"Photo {key[:8]} of boat {boat} was logged before; nothing was changed."]
    return [f"Logged photo {key[:8]} of boat {boat}, taken {local_text(taken, yard.time_zone, year=True)}.", *doubts]


def recent_inspection(conn: sqlite3.Connection, yard: Yard, boat: str, now: datetime) -> str:
    """Id of the boat's newest inspection of the last 12 hours, to which a photo without more belongs.

    Raises LogError where there is none.
    """
    cover = register_store.find_cover(conn, yard.key, boat, now)
    if cover.id is None:
        raise ValueError(f"cover of boat {boat} is not stored")
    visits = log_store.log_of_cover(conn, cover.id).inspections
    recent = [visit for visit in visits if visit.inspected_at > now - FINDING_WINDOW]
    if not recent:
        raise LogError(
            f"Boat {boat} has no inspection in the last {FINDING_WINDOW.total_seconds() / 3600:.0f} hours that the "
            f"photo could belong to. It was not logged. Name an earlier one with --inspection, or what it shows with "
            f'--finding or --action; "stormwalk log list {boat}" shows the ids.'
        )
    return max(recent, key=lambda visit: (visit.inspected_at, visit.id)).id


def withdraw_photo(
    conn: sqlite3.Connection, yard: Yard, photo_id: str, *, by: str, at: datetime, note: str
) -> list[str]:
    """Take a photo out of every page and document; the beginning of its id is enough. Sentences of what was done.

    Its bytes and its row stay, with who withdrew it and why. Raises LogError.
    """
    if not by.strip():
        raise LogError("The name of who withdraws the photo is empty. Nothing was changed. Say who it is.")
    check_words(by, "name of who withdraws the photo")
    check_words(note, "note")
    known = store.photo_ids(conn, register_store.yard_id(conn, yard.key))
    found = _the_one(photo_id, known, "photos", yard)
    if not store.withdraw(conn, found, at=at, by=by.strip(), note=note):
        return [f"Photo {found[:8]} was withdrawn before; nothing was changed."]
    return [f"Withdrew photo {found[:8]}: it is shown nowhere from now on, and its file is kept."]


def photos_of_cover(conn: sqlite3.Connection, cover_id: int) -> list[Photo]:
    """Photos of a cover, oldest first, without withdrawn ones; those of a corrected entry name its correction."""
    return store.photos_of_cover(conn, cover_id)


def photos_of_boat(conn: sqlite3.Connection, yard: Yard, boat: str) -> list[Photo]:
    """Photos of all covers that a boat has had, oldest first; see `photos_of_cover`."""
    covers = [cover.id for cover in register_store.all_covers(conn, yard.key) if cover.boat.number == boat]
    photos = [photo for cover_id in covers if cover_id is not None for photo in photos_of_cover(conn, cover_id)]
    return sorted(photos, key=lambda photo: (photo.taken_at, photo.id))


def photo(conn: sqlite3.Connection, photo_id: str) -> Photo:
    """The photo with this whole id. Raises LogError where there is none, or it was withdrawn."""
    found = store.photo(conn, photo_id)
    if found is None:
        raise LogError(f"There is no photo {_short(photo_id)} to show: it was never logged, or it was withdrawn.")
    return found


def photo_rows(conn: sqlite3.Connection, yard: Yard, boat: str | None = None) -> list[dict[str, Any]]:
    """Photos as rows beside those of `monitor.operations.log.log_rows`, oldest first, without withdrawn ones."""
    boats = {cover.id: cover.boat.number for cover in register_store.all_covers(conn, yard.key)}
    photos = store.photos_of_yard(conn, register_store.yard_id(conn, yard.key))
    rows = [_row(one, boats[cover_id]) for cover_id, one in photos]
    return [row for row in rows if boat in (None, row["boat"])]


def _row(photo: Photo, boat: str) -> dict[str, Any]:
    of = {"finding": photo.finding_id, "inspection": photo.inspection_id, "action": photo.action_id}
    shown = next(f"{what} {entry_id[:8]}" for what, entry_id in of.items() if entry_id is not None)
    return {
        "at": photo.taken_at,
        "boat": boat,
        "entry": "photo",
        "what": f"of {shown}, {photo.width_px} x {photo.height_px} px, {photo.byte_count / 1e6:.1f} MB",
        "who": photo.taken_by,
        "note": photo.note,
        "corrects": None,
        "id": photo.id,
    }


def original_bytes(folder: Path, photo: Photo) -> bytes:
    """The photo as it was taken. Raises LogError where its file is missing or is not what was taken."""
    path = original_path(folder, photo.sha256, photo.media_type)
    restore = f"Restore {path} from a backup."
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogError(
            f"The file of photo {photo.id[:8]} cannot be read ({error.strerror or error}). {restore}"
        ) from None
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise LogError(
            f"The file of photo {photo.id[:8]} is damaged: its {len(data)} bytes are not the {photo.byte_count} that "
            f"were taken. {restore}"
        )
    return data


def upright_copy(folder: Path, photo: Photo) -> bytes:
    """The photo as it is shown: JPEG, at most 1600 px, upright, without metadata; made once and kept.

    Raises LogError where the original is missing or damaged and no copy was made before.
    """
    path = folder / "upright" / photo.sha256[:2] / f"{photo.sha256}.jpg"
    with suppress(OSError):
        kept = path.read_bytes()
        if kept.startswith(b"\xff\xd8") and kept.endswith(b"\xff\xd9"):
            return kept
    copy = upright_jpeg(original_bytes(folder, photo))
    with suppress(OSError):  # a folder that may only be read still shows its photos
        _write_whole(path, copy, folder)
    return copy


def _belongs_to(
    conn: sqlite3.Connection, yard: Yard, inspection_id: str | None, finding_id: str | None, action_id: str | None
) -> tuple[Inspection | Action, Finding | None]:
    """The inspection or action that a photo belongs to, and the finding that it shows, if it names one."""
    if action_id is not None and (inspection_id is not None or finding_id is not None):
        raise LogError("A photo shows either what was seen or what was done, not both. It was not logged. Name one.")
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key), history=True)
    if action_id is not None:
        return _entry(log.actions, action_id, "actions", yard), None
    if finding_id is None and inspection_id is not None:
        return _entry(log.inspections, inspection_id, "inspections", yard), None
    if finding_id is None:
        raise LogError("The photo belongs to nothing. It was not logged. Name an inspection, a finding or an action.")
    finding = _entry(log.findings, finding_id, "findings", yard)
    inspection = _entry(log.inspections, finding.inspection_id, "inspections", yard)
    if inspection_id is not None and not inspection.id.startswith(inspection_id):
        raise LogError(
            f"Finding {_short(finding_id)} is of inspection {inspection.id[:8]}, not of {_short(inspection_id)}. The "
            f"photo was not logged. Name the finding alone."
        )
    return inspection, finding


def _entry(entries: Sequence[Entry], beginning: str, what: str, yard: Yard) -> Entry:
    by_id = {entry.id: entry for entry in entries}
    return by_id[_the_one(beginning, list(by_id), what, yard)]


def _the_one(beginning: str, ids: Sequence[str], what: str, yard: Yard) -> str:
    """The one id that begins so, as listings show ids."""
    found = [one for one in ids if beginning and one.startswith(beginning)]
    if len(found) != 1:
        raise LogError(
            f"The id {_short(beginning)!r} fits {len(found) or 'none'} of the {what} in yard {yard.key}; expected "
            f'exactly one. Nothing was logged. "stormwalk log list" shows the ids.'
        )
    return found[0]


def _taken_at(
    given: datetime | None, picture: Picture, yard: Yard, wrapped_at: datetime, recorded_at: datetime
) -> tuple[datetime, list[str]]:
    """When a photo was taken, to the second, and a sentence where the camera's own time is not believed."""
    latest = recorded_at + CLOCK_ERROR
    if given is not None:
        if given > latest:
            raise LogError(
                f"The photo's time, {local_text(given, yard.time_zone, year=True)}, has not come yet. It was not "
                f"logged. Give the time at which it was taken."
            )
        return given.astimezone(UTC).replace(microsecond=0), []
    if picture.taken is None:
        return recorded_at, [
            "The picture does not say when it was taken: the time of logging stands instead. Give the time with the "
            "photo (--at) if it is known."
        ]
    typed = picture.taken
    try:
        moment = (typed if typed.tzinfo is not None else typed.replace(tzinfo=ZoneInfo(yard.time_zone))).astimezone(UTC)
    except OverflowError:  # the first or last day that a calendar here has
        moment = (datetime.min if typed.year == 1 else datetime.max).replace(tzinfo=UTC)
    if wrapped_at - timedelta(days=1) <= moment <= latest:
        return moment, []
    doubt = "has not come yet" if moment > latest else "is before the boat was wrapped"
    return recorded_at, [
        f"The camera's clock said {typed:%Y-%m-%d %H:%M}, which {doubt}: the time of logging stands instead. Give the "
        f"time with the photo if it is known."
    ]


def _short(found: str) -> str:
    return found if len(found) <= 40 else f"{found[:37]}..."


def _write_whole(path: Path, data: bytes, top: Path) -> None:
    """Write a file so that it is there whole or not at all, after a power cut too; makes the folders below ``top``."""
    _make_folder(path.parent, top)
    part = path.with_name(f".{path.name}.{uuid.uuid4().hex}.part")
    try:
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        _sync_folder(path.parent)
    finally:
        part.unlink(missing_ok=True)


def _make_folder(folder: Path, top: Path) -> None:
    if folder == top or folder.is_dir():
        return
    _make_folder(folder.parent, top)
    folder.mkdir(exist_ok=True)
    _sync_folder(folder.parent)


def _sync_folder(folder: Path) -> None:
    """Make the names in a folder last; not every system can, and those that cannot need not."""
    if hasattr(os, "O_DIRECTORY"):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
