"""From the database to a justification memo: the season, the proposal worked out, its photos, one page of HTML."""

import sqlite3
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from monitor.documents.justification_memo import MemoPhoto, justification_memo
from monitor.errors import LogError, StormwalkError
from monitor.inspections import Photo
from monitor.operations.photos import upright_copy
from monitor.operations.ranking import assess_yard, cover_on
from monitor.operations.whatif import what_if_boat
from monitor.presentation.proposal import Proposal, Weighed, season_changes, weigh
from monitor.register import Yard
from monitor.store import photos as photo_store
from monitor.wording import local_text

MOST_PHOTOS = 6
"""Photos in a memo, the newest ones; the rest are counted."""


def memo_of_boat(
    conn: sqlite3.Connection,
    yard: Yard,
    boat: str,
    proposal: Proposal,
    *,
    as_of: datetime,
    known_at: datetime,
    photos: Path,
    retensioned_at: Sequence[datetime] = (),
    price: str = "",
    with_owner: bool = False,
) -> str:
    """HTML of the memo on one proposal for a boat's cover at ``as_of`` (UTC), by what was known at ``known_at``.

    The same arguments give the same bytes again, whatever was logged since; only a photo that was withdrawn is gone.

    Parameters
    ----------
    photos : pathlib.Path
        Folder of the database's photos.
    retensioned_at : sequence of datetime, optional
        Moments at which the bands would have been re-tensioned too, for the slack over the season; with none, the best
        one as is known afterwards. [UTC]
    price : str, optional
        The yard's own, as it is to stand there.
    with_owner : bool
        Whether the owner's name and contact are shown.

    Raises
    ------
    StormwalkError
        The boat has no cover then, the change does not fit it, or a moment lies outside its season.
    """
    assessment = assess_yard(conn, yard, as_of=as_of, known_at=known_at, with_series=True)
    cover = cover_on(assessment, boat)
    wrapped_at = cover.builds[0].built_at
    for moment in retensioned_at:
        if not wrapped_at <= moment <= as_of:
            begin, end, asked = (local_text(one, yard.time_zone, year=True) for one in (wrapped_at, as_of, moment))
            raise StormwalkError(
                f"Boat {boat}: it cannot have been re-tensioned on {asked}; the season in question runs from its "
                f"wrapping, {begin}, to {end}. No memo was written. Choose a moment between them."
            )
    build, retensioned = (
        None if change is None else what_if_boat(conn, yard, boat, change, as_of=as_of, known_at=known_at)
        for change in season_changes(proposal, as_of)
    )
    weighed = weigh(assessment, boat, proposal, build, retensioned)
    shown, left_out = _photos(conn, photos, weighed, yard, known_at)
    return justification_memo(
        assessment,
        weighed,
        photos=shown,
        photos_left_out=left_out,
        retensioned_at=tuple(retensioned_at),
        price=price,
        with_owner=with_owner,
    )


def _photos(
    conn: sqlite3.Connection, folder: Path, weighed: Weighed, yard: Yard, known_at: datetime
) -> tuple[list[MemoPhoto], int]:
    """Photos of the findings for and against, and of inspections that found nothing else; oldest first."""
    listed = {one.finding.id: one for one in (*weighed.speaks_for, *weighed.speaks_against)}
    of_visit: dict[str, str] = {one.inspection.id: one.finding.id for one in listed.values()}
    other_findings = {visit for visit, found in weighed.found_at.items() if not found <= listed.keys()}
    fitting: list[tuple[Photo, str]] = []
    for cover_id in dict.fromkeys(one.inspection.cover_id for one in listed.values()):
        for photo in photo_store.photos_of_cover(conn, cover_id):
            if photo.recorded_at > known_at or photo.taken_at > weighed.as_of:
                continue
            if photo.finding_id in listed:
                fitting.append((photo, photo.finding_id or ""))
            elif photo.finding_id is None and photo.inspection_id in of_visit.keys() - other_findings:
                fitting.append((photo, of_visit[photo.inspection_id or ""]))
    fitting.sort(key=lambda pair: (pair[0].taken_at, pair[0].id))
    kept = fitting[-MOST_PHOTOS:]
    shown = []
    for photo, finding_id in kept:
        picture, trouble = b"", ""
        try:
            picture = upright_copy(folder, photo)
        except LogError as error:
            trouble = str(error)
        shown.append(MemoPhoto(photo, listed[finding_id].finding, picture, trouble))
    return shown, len(fitting) - len(kept)
