"""Photos in the database: what was taken at which entry of the log; the bytes lie beside it. Rows are only added."""

import sqlite3
from dataclasses import dataclass, replace
from datetime import datetime

from monitor.errors import LogError
from monitor.inspections import Photo
from monitor.store.chain import add_fact
from monitor.store.connection import write
from monitor.store.rows import entry_of, row_of, utc_text

_NOTHING = "Nothing was stored."

_AS_SENT_AGAIN = ("recorded_at", "taken_at", "width_px", "height_px", "media_type", "byte_count")
"""What need not agree when a photo comes again: the hash says all of it, but for the clocks."""

_WITH_COVER = """photos LEFT JOIN inspections ON inspections.id = photos.inspection_id
    LEFT JOIN actions ON actions.id = photos.action_id"""
_COVER = "coalesce(inspections.cover_id, actions.cover_id)"
_OF_YARD = f"""{_COVER} IN (SELECT covers.id FROM covers JOIN boats ON boats.id = covers.boat_id
    WHERE boats.yard_id = ?)"""
_NOT_WITHDRAWN = "photos.id NOT IN (SELECT photo_id FROM photo_withdrawals)"


@dataclass(frozen=True)
class Whose:
    """Whose cover a photo shows: what a page needs to know before it shows the photo to somebody."""

    yard_key: str
    boat: str
    cover_id: int


def add_photo(conn: sqlite3.Connection, photo: Photo) -> bool:
    """Add a photo's row; False where it is there already, also if it was withdrawn since.

    The caller has put its bytes on disk before. Raises LogError where the id stands for another photo, or the entries
    it names are not logged or do not belong together.
    """
    if (photo.inspection_id is None) == (photo.action_id is None):
        raise LogError(f"Photo {photo.id} needs either an inspection or an action to belong to. {_NOTHING}")
    with write(conn):
        row = conn.execute("SELECT * FROM photos WHERE id = ?", (photo.id,)).fetchone()
        if row is not None:
            for name, value in row_of(photo, without=_AS_SENT_AGAIN).items():
                if row[name] != value:
                    raise LogError(
                        f"Photo {photo.id} is logged with {name} {row[name]!r}, now it says {value!r}. {_NOTHING} "
                        f"Another photo needs an id of its own."
                    )
            return False
        for table, entry_id in (("inspections", photo.inspection_id), ("actions", photo.action_id)):
            if entry_id is not None and not _exists(conn, table, entry_id):
                raise LogError(f"Photo {photo.id} belongs to {entry_id}, which is not among the {table}. {_NOTHING}")
        if photo.finding_id is not None:
            found = conn.execute("SELECT inspection_id FROM findings WHERE id = ?", (photo.finding_id,)).fetchone()
            if found is None or found["inspection_id"] != photo.inspection_id:
                raise LogError(f"Photo {photo.id}: finding {photo.finding_id} is not of its inspection. {_NOTHING}")
        add_fact(conn, "photos", row_of(photo))
    return True


def withdraw(conn: sqlite3.Connection, photo_id: str, *, at: datetime, by: str, note: str) -> bool:
    """Take a photo out of all that is shown; its row and its bytes stay. False where it was withdrawn before.

    Raises LogError where there is no such photo.
    """
    with write(conn):
        if not _exists(conn, "photos", photo_id):
            raise LogError(f"There is no photo {photo_id}. {_NOTHING}")
        if conn.execute("SELECT 1 FROM photo_withdrawals WHERE photo_id = ?", (photo_id,)).fetchone():
            return False
        row = {"photo_id": photo_id, "withdrawn_at": utc_text(at), "withdrawn_by": by, "note": note}
        add_fact(conn, "photo_withdrawals", row)
    return True


def photo(conn: sqlite3.Connection, photo_id: str) -> Photo | None:
    """The photo with this whole id; None where there is none, or it was withdrawn."""
    row = conn.execute(f"SELECT * FROM photos WHERE {_NOT_WITHDRAWN} AND id = ?", (photo_id,)).fetchone()
    return None if row is None else entry_of(Photo, row)


def whose(conn: sqlite3.Connection, photo: Photo) -> Whose:
    """The yard, boat and cover that a logged photo shows. Raises LogError where it belongs to no entry."""
    row = conn.execute(
        """SELECT yards.key, boats.number, covers.id FROM covers
           JOIN boats ON boats.id = covers.boat_id JOIN yards ON yards.id = boats.yard_id
           WHERE covers.id = coalesce((SELECT cover_id FROM inspections WHERE id = ?),
                                      (SELECT cover_id FROM actions WHERE id = ?))""",
        (photo.inspection_id, photo.action_id),
    ).fetchone()
    if row is None:
        raise LogError(f"Photo {photo.id} belongs to no entry of the log.")
    return Whose(*row)


def was_logged(conn: sqlite3.Connection, photo_id: str) -> bool:
    """Whether a photo with this whole id was ever logged, withdrawn or not."""
    return _exists(conn, "photos", photo_id)


def photo_ids(conn: sqlite3.Connection, yard_id: int) -> list[str]:
    """Ids of all photos of a yard, withdrawn ones too."""
    rows = conn.execute(f"SELECT photos.id FROM {_WITH_COVER} WHERE {_OF_YARD}", (yard_id,))
    return [photo_id for (photo_id,) in rows]


def photos_of_cover(conn: sqlite3.Connection, cover_id: int) -> list[Photo]:
    """Photos of a cover, oldest first, without withdrawn ones.

    A photo of something that was corrected goes with its correction, as a finding does.
    """
    return [one for _, one in _shown(conn, f"{_COVER} = ?", cover_id)]


def photos_of_yard(conn: sqlite3.Connection, yard_id: int) -> list[tuple[int, Photo]]:
    """Photos of a yard as `photos_of_cover` has them, each with the id of its cover."""
    return _shown(conn, _OF_YARD, yard_id)


def _shown(conn: sqlite3.Connection, where: str, key: int) -> list[tuple[int, Photo]]:
    rows = conn.execute(
        f"SELECT photos.*, {_COVER} AS cover_id FROM {_WITH_COVER} WHERE {_NOT_WITHDRAWN} AND {where} "
        f"ORDER BY taken_at, photos.id",
        (key,),
    ).fetchall()
    if not rows:
        return []
    inspections, findings, actions = (_corrections(conn, name) for name in ("inspections", "findings", "actions"))
    photos = [(int(row["cover_id"]), entry_of(Photo, row)) for row in rows]
    return [
        (
            cover_id,
            replace(
                one,
                inspection_id=_standing(one.inspection_id, inspections),
                finding_id=_standing(one.finding_id, findings),
                action_id=_standing(one.action_id, actions),
            ),
        )
        for cover_id, one in photos
    ]


def _exists(conn: sqlite3.Connection, table: str, entry_id: str) -> bool:
    return conn.execute(f"SELECT 1 FROM {table} WHERE id = ?", (entry_id,)).fetchone() is not None


def _corrections(conn: sqlite3.Connection, table: str) -> dict[str, str]:
    """For each corrected entry the id of its correction."""
    return dict(conn.execute(f"SELECT corrects_id, id FROM {table} WHERE corrects_id IS NOT NULL").fetchall())


def _standing(entry_id: str | None, corrections: dict[str, str]) -> str | None:
    while entry_id in corrections:
        entry_id = corrections[entry_id]
    return entry_id
