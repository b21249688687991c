"""From the database to one boat's condition report: only this boat's cover is worked out, as it was known then."""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from monitor import __version__
from monitor.assessment import YardAssessment
from monitor.clocks import Log, OpenEntry, clocks, open_findings
from monitor.documents.condition_report import condition_report as write_report
from monitor.documents.condition_report import pictured
from monitor.errors import LogError, StormwalkError
from monitor.hazards.exposure import exposures
from monitor.hazards.series import CoverSeries, YardWeather, cover_series, yard_weather
from monitor.hazards.snow import KPA_PER_MM
from monitor.inspections import STAND_DEFECTS, Photo
from monitor.operations import photos as photo_files
from monitor.operations.ranking import HAZARD_PARAMETERS, STORM_PARAMETERS, TRACE_MM, kept_ranking
from monitor.operations.register import ranking_parameters
from monitor.operations.weather import merged_weather
from monitor.presentation.condition import condition
from monitor.ranking import Curve, OpenFinding, RankingParameters, rank_covers
from monitor.register import Cover, Yard
from monitor.store import inspections as log_store
from monitor.store import rankings as ranking_store
from monitor.store import register as register_store
from monitor.storms import Storm, find_storms
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import Merged
from monitor.wording import defect_text, local_text, utc_text


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
    """HTML of the condition report of one boat's cover, from its wrapping to ``as_of`` (UTC).

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

    The hours begin where those of the whole yard do, so that every number is the one that `assess_yard` finds. Only
    the storms are this cover's own: rain makes one where snow or water lay on this cover, not on another. Raises
    StormwalkError where the boat is unknown, or had no cover then.
    """
    known = register_store.all_covers(conn, yard.key, known_at)
    if not any(cover.boat.number == boat for cover in known):  # a boat entered only later counts as entered
        known += [cover for cover in register_store.all_covers(conn, yard.key) if cover.boat.number == boat]
    of_boat = [cover for cover in known if cover.boat.number == boat]
    wrapped = [cover for cover in of_boat if cover.builds[0].built_at <= as_of]
    if not wrapped:
        register_store.find_cover(conn, yard.key, boat)  # an unknown boat is told with its neighbours' numbers
        raise StormwalkError(
            f"Boat {boat} of yard {yard.key} had no cover on {local_text(as_of, yard.time_zone, year=True)}. No report "
            f"was made. Choose a later moment."
        )
    cover = max(wrapped, key=lambda one: one.builds[0].built_at)
    log = _log(conn, of_boat, as_of, known_at)
    history = log_store.log_of_cover(conn, _id(cover), as_of=None, known_at=known_at, history=True)
    season = _season(known, as_of)
    merged = merged_weather(conn, yard, known_at, season, as_of)
    weather = yard_weather(merged, yard, season, as_of, HAZARD_PARAMETERS)
    series = cover_series(weather, yard, [cover], log.actions, log.inspections, HAZARD_PARAMETERS)
    chosen = parameters or ranking_parameters(conn, yard, known_at)
    since = clocks({_id(cover): cover.builds[0].built_at}, _vents_changed_at(cover, as_of), log)
    found = exposures(weather, series, [cover], since, log.inspections, as_of, yard.display_units, log.actions)
    still_open = open_findings(log, {_id(one): boat for one in of_boat})
    data_age_h = _data_age_h(merged, as_of)
    worst = {_id(cover): _worst(still_open[boat][0])} if boat in still_open else {}
    assessment = YardAssessment(
        yard=yard,
        as_of=as_of,
        version=__version__,
        covers=(cover,),
        ranked=tuple(rank_covers([boat], [_id(cover)], found, worst, data_age_h, chosen)),
        exposures=tuple(found),
        clocks=since,
        open_findings=still_open,
        log=log,
        weather=merged,
        storms=tuple(_storms(weather, merged, series)),
        sources=(),
        parameters=chosen,
        not_assessed=tuple(name for name in chosen.curves if name not in {one.hazard for one in found}),
        data_age_h=data_age_h,
        series=series,
    )
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
    plain = "".join(letter if letter.isalnum() else "-" for letter in boat)
    return f"condition-{yard.key}-{plain}-{as_of.astimezone(ZoneInfo(yard.time_zone)):%Y-%m-%d}"


def _parameters(plain: Mapping[str, Any]) -> RankingParameters:
    """Curves and weights out of a kept ranking's JSON, where the keys of ``finding_p`` have become text."""
    return RankingParameters(
        curves={hazard: Curve(**numbers) for hazard, numbers in plain["curves"].items()},
        finding_p={int(severity): p for severity, p in plain["finding_p"].items()},
        missing_weight=plain["missing_weight"],
        calls=tuple((name, lowest) for name, lowest in plain["calls"]),
        lowest_call=plain["lowest_call"],
    )


def _season(known: Sequence[Cover], as_of: datetime) -> datetime:
    """When the first of the covers on the yard's boats was wrapped: there the weather of `assess_yard` begins."""
    on_boat: dict[str, datetime] = {}
    for cover in known:
        wrapped_at = cover.builds[0].built_at
        if wrapped_at <= as_of:
            on_boat[cover.boat.number] = max(wrapped_at, on_boat.get(cover.boat.number, wrapped_at))
    return min(on_boat.values())


def _log(conn: sqlite3.Connection, covers: Sequence[Cover], as_of: datetime, known_at: datetime) -> Log:
    """The standing log of all covers of a boat: a stand defect outlives the cover it was seen on."""
    logs = [log_store.log_of_cover(conn, _id(cover), as_of=as_of, known_at=known_at) for cover in covers]
    return Log(
        [visit for log in logs for visit in log.inspections],
        [found for log in logs for found in log.findings],
        [act for log in logs for act in log.actions],
    )


def _photos(conn: sqlite3.Connection, cover: Cover, as_of: datetime, known_at: datetime) -> list[Photo]:
    """Photos taken by one moment and recorded by the other, each naming the first version of its entry.

    The store names the newest version, which may have been written only after ``known_at``.
    """
    corrects: dict[str, str | None] = {}
    written = log_store.log_of_cover(conn, _id(cover), history=True)
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
        for photo in photo_files.photos_of_cover(conn, _id(cover))
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


def _storms(weather: YardWeather, merged: Merged, series: CoverSeries) -> list[Storm]:
    """Storms by what lay on this cover."""
    return find_storms(
        merged.values.reindex(weather.hour_ending),
        weather.snow,
        np.asarray(series.snow_load_kpa[:, 0] > TRACE_MM * KPA_PER_MM),
        np.asarray(series.pocket_mm[:, 0] > TRACE_MM),
        weather.air_cycles,
        STORM_PARAMETERS,
    )


def _credits(merged: Merged) -> tuple[str, ...]:
    """What the licences of the sources ask for, of those that told any hour here."""
    keys = {key for name in merged.sources.columns for key in merged.sources[name].unique() if key}
    names = sorted({str(key).partition(":")[0] for key in keys})
    return tuple(dict.fromkeys(PROVIDERS[name].credit for name in names))


def _data_age_h(merged: Merged, as_of: datetime) -> float | None:
    """Age of the newest hour that somebody measured or analysed; None where there is none. [h]"""
    seen = merged.sources.apply(lambda column: column.str.endswith((":observed", ":analysis"))).any(axis=1)
    if not seen.any():
        return None
    newest: datetime = seen[seen].index[-1].to_pydatetime()
    return max((as_of - newest) / timedelta(hours=1), 0.0)


def _worst(entry: OpenEntry) -> OpenFinding:
    finding, visit = entry.finding, entry.inspection
    what = defect_text(finding.defect, finding.place)
    by = f"inspection by {visit.inspector}"
    return OpenFinding(finding.severity, visit.inspected_at, what, by, finding.defect in STAND_DEFECTS)


def _vents_changed_at(cover: Cover, as_of: datetime) -> dict[int, datetime]:
    changed = [
        build.built_at
        for before, build in zip(cover.builds, cover.builds[1:], strict=False)
        if (before.vent_count, before.vent_area_m2) != (build.vent_count, build.vent_area_m2)
        and build.built_at <= as_of
    ]
    return {_id(cover): changed[-1]} if changed else {}


def _earlier_covers(conn: sqlite3.Connection, yard: Yard, cover: Cover, known_at: datetime) -> tuple[str, ...]:
    """When the boat's earlier covers were wrapped: each has a report of its own."""
    covers = register_store.all_covers(conn, yard.key, known_at)
    return tuple(
        f"{one.wrapped_on:%Y-%m-%d}"
        for one in covers
        if one.boat.number == cover.boat.number and one.builds[0].built_at < cover.builds[0].built_at
    )


def _id(cover: Cover) -> int:
    if cover.id is None:
        raise ValueError(f"cover of boat {cover.boat.number} is not stored")
    return cover.id
