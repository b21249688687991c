"""From the database to one boat's condition report: only this boat's cover is worked out, as it was known then."""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.assessment import YardAssessment
from monitor.clocks import Log
from monitor.documents.condition_report import condition_report as write_report
from monitor.documents.condition_report import pictured
from monitor.documents.page import file_stem
from monitor.errors import LogError
from monitor.inspections import Photo
from monitor.operations import photos as photo_files
from monitor.operations.kept_rankings import kept_ranking
from monitor.operations.ranking import assess_yard, while_on
from monitor.presentation.condition import condition
from monitor.ranking import Curve, RankingParameters
from monitor.register import Cover, Yard
from monitor.store import inspections as log_store
from monitor.store import rankings as ranking_store
from monitor.store import register as register_store
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import Merged
from monitor.wording import utc_text


@dataclass(frozen=True)
class StateOfRanking:
    """What a kept ranking rested on: its moment, when it was made (UTC), its curves, and the yard's clock and units."""

    id: str
    as_of: datetime
    known_at: datetime
    yard: Yard
    parameters: RankingParameters


def condition_report(
    conn: sqlite3.Connection,
    folder: Path,
    yard: Yard,
    boat: str,
    *,
    as_of: datetime,
    known_at: datetime,
    with_owner: bool = False,
    parameters: RankingParameters | None = None,
    again: str = "",
) -> str:
    """HTML of the condition report of one boat's cover, from its wrapping to ``as_of`` (UTC), or until it came off.

    What was fetched, logged or photographed by ``known_at`` is in it and nothing later, so that the same moments give
    the same bytes again. Two things are taken as they are now: a photo that was withdrawn since is left out, because
    it may show what it must not; and a yard or boat that was renamed has its new name.

    Parameters
    ----------
    folder : pathlib.Path
        Where the photos lie: `monitor.operations.photos.photo_folder`.
    with_owner : bool
        Whether the owner's name is on it. Their contact never is.
    parameters : RankingParameters, optional
        Curves to judge by; default: the yard's as chosen by ``known_at``.
    again : str
        How to print this state again; default: by its moment.

    Raises
    ------
    StormwalkError
        The boat is unknown, or had no cover then.
    """
    as_of = while_on(conn, yard, as_of, known_at, boat)
    assessment, history = assess_boat(conn, yard, boat, as_of=as_of, known_at=known_at, parameters=parameters)
    cover = assessment.covers[0]
    taken = _photos(conn, cover, as_of, known_at)
    found = condition(assessment, cover, history, taken)
    shown = {line.id for line in pictured(found.photos)}
    return write_report(
        assessment.yard,
        found,
        pictures=_pictures(folder, [photo for photo in taken if photo.id in shown]),
        as_of=as_of,
        data_age_h=assessment.data_age_h,
        version=assessment.version,
        credits=_credits(assessment.weather),
        not_assessed=assessment.not_assessed,
        owner=cover.boat.owner_name if with_owner else "",
        earlier_covers=_earlier_covers(conn, yard, cover, known_at),
        again=again or f"--as-of {utc_text(as_of)}",
    )


def assess_boat(
    conn: sqlite3.Connection,
    yard: Yard,
    boat: str,
    *,
    as_of: datetime,
    known_at: datetime,
    parameters: RankingParameters | None = None,
) -> tuple[YardAssessment, Log]:
    """The assessment of one boat's cover alone, with its hours, and its log as written, corrected entries too.

    See `assess_yard` with ``only``. Raises StormwalkError where the boat is unknown, or had no cover then.
    """
    assessment = assess_yard(conn, yard, as_of=as_of, known_at=known_at, only=boat, parameters=parameters)
    history = log_store.log_of_cover(conn, assessment.covers[0].stored_id, as_of=None, known_at=known_at, history=True)
    return assessment, history


def state_of_ranking(conn: sqlite3.Connection, yard: Yard, beginning: str) -> StateOfRanking:
    """The state that a kept ranking rested on, by the first characters of its id. Raises StormwalkError."""
    kept = ranking_store.ranking(conn, kept_ranking(conn, yard, beginning).id)
    made_with = kept.parameters
    return StateOfRanking(
        id=kept.head.id,
        as_of=kept.head.as_of,
        known_at=kept.head.created_at,
        yard=replace(yard, time_zone=made_with["time_zone"], display_units=made_with["units"]),
        parameters=_parameters(made_with["ranking"]),
    )


def report_name(yard: Yard, boat: str, as_of: datetime) -> str:
    """Name of a report's file without its ending: yard, boat and day, with nothing in it that a folder would read."""
    return file_stem("condition", yard, as_of, boat)


def _parameters(plain: Mapping[str, Any]) -> RankingParameters:
    """Curves and weights out of a kept ranking's JSON, where the keys of ``finding_p`` have become text."""
    return RankingParameters(
        curves={hazard: Curve(**numbers) for hazard, numbers in plain["curves"].items()},
        finding_p={int(severity): p for severity, p in plain["finding_p"].items()},
        missing_weight=plain["missing_weight"],
        calls=tuple((name, lowest) for name, lowest in plain["calls"]),
        lowest_call=plain["lowest_call"],
    )


def _photos(conn: sqlite3.Connection, cover: Cover, as_of: datetime, known_at: datetime) -> list[Photo]:
    """Photos taken by one moment and recorded by the other, each naming the first version of its entry.

    The store names the newest version, which may have been written only after ``known_at``.
    """
    corrects: dict[str, str | None] = {}
    written = log_store.log_of_cover(conn, cover.stored_id, history=True)
    for entries in (written.inspections, written.findings, written.actions):
        corrects |= {entry.id: entry.corrects_id for entry in entries}

    def first(entry_id: str | None) -> str | None:
        while entry_id is not None and (before := corrects.get(entry_id)) is not None:
            entry_id = before
        return entry_id

    return [
        replace(
            photo,
            inspection_id=first(photo.inspection_id),
            finding_id=first(photo.finding_id),
            action_id=first(photo.action_id),
        )
        for photo in photo_files.photos_of_cover(conn, cover.stored_id)
        if photo.taken_at <= as_of and photo.recorded_at <= known_at
    ]


def _pictures(folder: Path, photos: Sequence[Photo]) -> dict[str, bytes]:
    """Upright copies by photo; one whose file is missing or damaged is left out, and the report says so."""
    pictures = {}
    for photo in photos:
        try:
            pictures[photo.id] = photo_files.upright_copy(folder, photo)
        except LogError:
            continue
    return pictures


def _credits(merged: Merged) -> tuple[str, ...]:
    """What the licences of the sources ask for, of those that told any hour here."""
    keys = {key for name in merged.sources.columns for key in merged.sources[name].unique() if key}
    names = sorted({str(key).partition(":")[0] for key in keys})
    return tuple(dict.fromkeys(PROVIDERS[name].credit for name in names))


def _earlier_covers(conn: sqlite3.Connection, yard: Yard, cover: Cover, known_at: datetime) -> tuple[str, ...]:
    """When the boat's earlier covers were wrapped: each has a report of its own."""
    covers = register_store.all_covers(conn, yard.key, known_at)
    return tuple(
        f"{one.wrapped_on:%Y-%m-%d}"
        for one in covers
        if one.boat.number == cover.boat.number and one.builds[0].built_at < cover.builds[0].built_at
    )
