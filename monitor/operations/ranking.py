"""From the database to a ranking: read what was known, calculate, keep the result."""

import sqlite3
from collections.abc import Container, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from monitor import __version__
from monitor.assessment import ForecastReach, SourceStatus, YardAssessment
from monitor.clocks import Clocks, Log, OpenEntry, clocks, open_findings, taken_off
from monitor.errors import StormwalkError
from monitor.hazards.exposure import Exposure, assess, exposures, joined, split, unseen
from monitor.hazards.series import cover_series, yard_weather
from monitor.hazards.snow import KPA_PER_MM
from monitor.inspections import STAND_DEFECTS, Action, Inspection
from monitor.operations.memory import Memory
from monitor.operations.register import ranking_parameters
from monitor.operations.weather import merged_weather
from monitor.operations.yard_hours import (
    HAZARD_PARAMETERS,
    TRACE_MM,
    YardHours,
    data_age_h,
    storms_of_yard,
    storms_where,
    yard_hours,
)
from monitor.preparation import Preparation, before_the_storm
from monitor.ranking import OpenFinding, RankingParameters, rank_covers
from monitor.register import Cover, Yard, covers_on_boats
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.store import weather as weather_store
from monitor.storms import Storm
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import Merged
from monitor.wording import defect_text, local_text

FORECAST = ":forecast"
"""Ends the key of a cell that is forecast."""


OUTLOOK_H = 72
"""Hours of forecast that pages show beside the list of now."""


def assess_yard(
    conn: sqlite3.Connection,
    yard: Yard,
    *,
    as_of: datetime,
    known_at: datetime,
    with_series: bool = False,
    ahead_h: int = 0,
    outlook_h: int = 0,
    only: str | None = None,
    parameters: RankingParameters | None = None,
    memory: Memory | None = None,
) -> YardAssessment:
    """Put together everything about a yard at ``as_of`` (UTC) from what had been fetched and logged by ``known_at``.

    A cover counts as it was recorded by then; one that was entered into the register only later counts as entered.
    With ``ahead_h`` the weather goes on with what is forecast, and the ranking is the one to expect so many hours after
    ``as_of`` if nobody lifts a hand; hours that no forecast reaches are missing ones.

    Parameters
    ----------
    with_series : bool
        Keep the hourly series of every cover, for pages and explanations.
    outlook_h : int
        Add the weather forecast for so many hours, and its storms, to be shown beside a ranking that leaves them out.
    only : str, optional
        Work out the cover of this boat alone, with its series and the log of its boat. Every number is the one that the
        whole yard's assessment has; but the storms are its own: rain makes one where snow or water lay on this cover.
    parameters : RankingParameters, optional
        Curves to judge by; default: the yard's as chosen by ``known_at``.
    memory : Memory, optional
        What earlier assessments of the yard worked out, to be used and brought up to date. It changes no result.

    Raises
    ------
    StormwalkError
        The yard, or the boat, has no cover at that moment, or there is no forecast to look ahead on.
    """
    memory = Memory() if memory is None else memory
    yard_id = register_store.yard_id(conn, yard.key)
    every_cover = register_then(conn, yard, known_at, only)
    log = log_store.log_of_yard(conn, yard_id, as_of=as_of, known_at=known_at)
    off_at = taken_off(log)
    standing = covers_on_boats(every_cover, as_of, off_at)
    covers = [cover for cover in standing if only is None or cover.boat.number == only]
    if not covers:
        raise StormwalkError(_no_covers(conn, every_cover, yard, as_of, log, only))
    on_boats = {cover.boat.number for cover in covers}
    came_off = {
        one.boat.number: off
        for one in every_cover
        if one.boat.number not in on_boats and (off := off_at.get(one.stored_id)) is not None
    }
    boat_of_cover = {one.stored_id: one.boat.number for one in every_cover if only is None or one.boat.number == only}
    if only is not None:
        log = _of_covers(log, boat_of_cover)
    season = min(cover.builds[0].built_at for cover in standing)
    until, shown_until = as_of + timedelta(hours=ahead_h), as_of + timedelta(hours=outlook_h)
    past = yard_hours(conn, yard, known_at, season, until, memory, "weather")
    outlook = yard_hours(conn, yard, known_at, season, shown_until, memory, "outlook") if outlook_h else None
    merged, weather = past.merged, past.weather
    forecast = _forecast_reach(conn, yard, yard_id, merged, as_of, known_at) if ahead_h else None
    since = clocks(
        {cover.stored_id: cover.builds[0].built_at for cover in covers}, vents_changed_at(covers, as_of), log
    )
    still_open = open_findings(log, boat_of_cover)
    parameters = parameters or ranking_parameters(conn, yard, known_at)
    series = None
    if with_series or only is not None:
        series = cover_series(weather, yard, covers, log.actions, log.inspections, HAZARD_PARAMETERS)
        found = exposures(weather, series, covers, since, log.inspections, until, yard.display_units, log.actions)
    else:
        found = _exposures(past, yard, covers, log, since, until, memory)
    age_h = data_age_h(merged, as_of)
    ranked = rank_covers(
        [cover.boat.number for cover in covers],
        [cover.stored_id for cover in covers],
        found,
        {
            cover.stored_id: worst_open(still_open[cover.boat.number])
            for cover in covers
            if cover.boat.number in still_open
        },
        age_h,
        parameters,
    )
    if only is not None and series is not None:
        snow_lies, water_lies = series.snow_load_kpa[:, 0] > TRACE_MM * KPA_PER_MM, series.pocket_mm[:, 0] > TRACE_MM
        storms = storms_where(past, np.asarray(snow_lies), np.asarray(water_lies))
    else:
        storms = storms_of_yard(past, covers, memory, "storms")
    coming: tuple[Storm, ...] = ()
    if ahead_h:
        coming = storms_of_yard(past, covers, memory, "coming", after=as_of)
    elif outlook is not None:
        coming = storms_of_yard(outlook, covers, memory, "coming", after=as_of)
    return YardAssessment(
        yard=yard,
        as_of=as_of,
        version=__version__,
        covers=tuple(covers),
        ranked=tuple(ranked),
        exposures=tuple(found),
        clocks=since,
        open_findings=still_open,
        log=log,
        weather=merged,
        storms=storms,
        sources=_sources(conn, yard_id, as_of, known_at),
        parameters=parameters,
        not_assessed=tuple(name for name in parameters.curves if name not in {e.hazard for e in found}),
        data_age_h=age_h,
        fetched_later=age_h is None and _fetched_later(conn, yard, season, as_of),
        ahead_h=ahead_h,
        forecast=forecast,
        coming=coming,
        came_off=came_off,
        outlook=None if outlook is None else outlook.merged,
        series=series,
    )


def look_ahead(
    conn: sqlite3.Connection, yard: Yard, *, as_of: datetime, known_at: datetime, ahead_h: int
) -> tuple[YardAssessment, tuple[Preparation, ...]]:
    """The yard so many hours ahead, and what to do at which cover until then. Raises as `assess_yard` does."""
    ahead = assess_yard(conn, yard, as_of=as_of, known_at=known_at, ahead_h=ahead_h)
    now = assess_yard(conn, yard, as_of=as_of, known_at=known_at)
    return ahead, tuple(before_the_storm(now.ranked, ahead.ranked))


def storm_is_coming(conn: sqlite3.Connection, past: YardAssessment, ahead_h: int) -> bool:
    """Whether the forecast has any storm in the hours ahead; far quicker than to look ahead at every cover."""
    now = past.as_of
    season = min(cover.builds[0].built_at for cover in past.covers)
    memory = Memory()
    ahead = yard_hours(conn, past.yard, now, season, now + timedelta(hours=ahead_h), memory, "weather")
    return bool(storms_of_yard(ahead, past.covers, memory, "coming", after=now))


def with_hours_of(assessment: YardAssessment, cover_id: int) -> YardAssessment:
    """The assessment with the hourly series of one of its covers, worked out from what it holds already."""
    season = min(cover.builds[0].built_at for cover in assessment.covers)
    until = assessment.as_of + timedelta(hours=assessment.ahead_h)
    weather = yard_weather(assessment.weather, assessment.yard, season, until, HAZARD_PARAMETERS)
    covers = [cover for cover in assessment.covers if cover.id == cover_id]
    log = assessment.log
    series = cover_series(weather, assessment.yard, covers, log.actions, log.inspections, HAZARD_PARAMETERS)
    return replace(assessment, series=series)


def cover_on(assessment: YardAssessment, boat: str) -> Cover:
    """The cover that is on a boat. Raises StormwalkError, naming when it came off, or numbers like the one given."""
    import difflib

    with suppress(KeyError):
        return assessment.cover_of(boat)
    if boat in assessment.came_off:
        raise StormwalkError(_came_off(boat, assessment.came_off[boat], assessment.yard))
    numbers = [cover.boat.number for cover in assessment.covers]
    near = difflib.get_close_matches(boat, numbers, n=3, cutoff=0.4) or numbers[:10]
    raise StormwalkError(
        f'No boat "{boat}" stands under a cover in yard {assessment.yard.key} at that time; near it are '
        f"{', '.join(near)}."
    )


def register_then(conn: sqlite3.Connection, yard: Yard, known_at: datetime, only: str | None = None) -> list[Cover]:
    """Every cover of the yard as recorded by ``known_at``, and those of boats that were entered only later.

    With ``only`` of those entered later the covers of this boat alone, so that another's entry changes nothing of it.
    """
    known = register_store.all_covers(conn, yard.key, known_at)
    boats = {cover.boat.number for cover in known}
    later = [cover for cover in register_store.all_covers(conn, yard.key) if cover.boat.number not in boats]
    return known + [cover for cover in later if only is None or cover.boat.number == only]


def while_on(
    conn: sqlite3.Connection, yard: Yard, moment: datetime, known_at: datetime, boat: str | None = None
) -> datetime:
    """The moment; or, where the boat's cover, or every cover of the yard, was off by then, when the last came off."""
    covers = [one for one in register_then(conn, yard, known_at, boat) if boat in (None, one.boat.number)]
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key), as_of=moment, known_at=known_at)
    off = taken_off(log)
    came_off = [off[one.stored_id] for one in covers if one.stored_id in off]
    return max(came_off) if came_off and not covers_on_boats(covers, moment, off) else moment


def _of_covers(log: Log, covers: Container[int]) -> Log:
    """The log of these covers: all of a boat's, for a stand defect outlives the cover it was seen on."""
    visits = [visit for visit in log.inspections if visit.cover_id in covers]
    ids = {visit.id for visit in visits}
    return Log(
        visits,
        [finding for finding in log.findings if finding.inspection_id in ids],
        [action for action in log.actions if action.cover_id in covers],
    )


def _exposures(
    past: YardHours,
    yard: Yard,
    covers: Sequence[Cover],
    log: Log,
    since: Mapping[int, Clocks],
    until: datetime,
    memory: Memory,
) -> list[Exposure]:
    """Exposures of all covers; worked out for those alone whose build, log or weather is another than in memory."""
    by_id = {cover.stored_id: cover for cover in covers}
    logged: list[Inspection | Action] = [*log.inspections, *log.actions]
    entries: dict[int, list[Inspection | Action]] = {cover_id: [] for cover_id in by_id}
    for entry in logged:
        if entry.cover_id in entries:
            entries[entry.cover_id].append(entry)
    rests_on = {
        cover_id: (past.mark, cover, cover.build_at(until), since[cover_id], entries[cover_id])
        for cover_id, cover in by_id.items()
    }

    def work_out(stale: list[int]) -> list[list[Exposure]]:
        again, actions, visits = [by_id[cover_id] for cover_id in stale], log.actions, log.inspections
        return split(assess(past.weather, yard, again, actions, visits, since, until, HAZARD_PARAMETERS))

    of_covers: list[list[Exposure]] = memory.keep_each("exposures", rests_on, work_out)
    of_now = unseen([since[cover_id] for cover_id in by_id], until)
    return [of_now if exposure.hazard == of_now.hazard else exposure for exposure in joined(of_covers)]


def _came_off(boat: str, off: datetime, yard: Yard) -> str:
    on = local_text(off, yard.time_zone, year=True)
    return f"The cover of boat {boat} came off on {on}. Nothing was made. Look back with an earlier moment."


def _no_covers(
    conn: sqlite3.Connection, known: Sequence[Cover], yard: Yard, as_of: datetime, log: Log, only: str | None
) -> str:
    moment = local_text(as_of, yard.time_zone, year=True)
    came_off = taken_off(log)
    gone = [came_off[one.stored_id] for one in known if one.stored_id in came_off and only in (None, one.boat.number)]
    if only is not None:
        register_store.find_cover(conn, yard.key, only)  # an unknown boat is told with its neighbours' numbers
        if gone:
            return _came_off(only, max(gone), yard)
        return f"Boat {only} of yard {yard.key} had no cover on {moment}. Nothing was made. Choose a later moment."
    if not known:
        return f'Yard {yard.key} has no covers yet: load them with "stormwalk covers import FILE --yard {yard.key}".'
    if gone:
        return (
            f"Yard {yard.key} had no cover on {moment}: the last came off on "
            f"{local_text(max(gone), yard.time_zone, year=True)}. Look back with an earlier moment, or load next "
            f"autumn's covers."
        )
    first = min(cover.builds[0].built_at for cover in known)
    return (
        f"Yard {yard.key} had no cover on {moment}; the first was wrapped on "
        f"{local_text(first, yard.time_zone, year=True)}. Choose a later moment."
    )


def _fetched_later(conn: sqlite3.Connection, yard: Yard, season: datetime, as_of: datetime) -> bool:
    return data_age_h(merged_weather(conn, yard, None, season, as_of), as_of) is not None


def _forecast_reach(
    conn: sqlite3.Connection, yard: Yard, yard_id: int, merged: Merged, as_of: datetime, known_at: datetime
) -> ForecastReach:
    """What is forecast of the hours after ``as_of``. Raises StormwalkError where nothing is."""
    ahead = merged.sources[merged.sources.index > as_of]
    forecast = ahead.apply(lambda column: column.str.endswith(FORECAST))
    hours = forecast.index[forecast.any(axis=1)] if len(ahead) else ahead.index
    if not len(hours):
        raise StormwalkError(
            f"Yard {yard.key}: no forecast is known for the hours after {local_text(as_of, yard.time_zone)}, so "
            f'nothing can be said ahead. Fetch one with "stormwalk weather refresh"; "stormwalk weather status" says '
            f"which sources the yard has and how they went."
        )
    keys = dict.fromkeys(key for name in ahead.columns for key in ahead[name][forecast[name]].unique())
    names = tuple(sorted(key.removesuffix(FORECAST) for key in keys))
    fetched = [
        stored.fetched_at.max().to_pydatetime()
        for stored in weather_store.read_hours(conn, yard_id, known_at, as_of, hours[-1].to_pydatetime())
        if stored.series.key in keys
    ]
    return ForecastReach(hours[-1].to_pydatetime(), min(fetched), names)


def _sources(conn: sqlite3.Connection, yard_id: int, as_of: datetime, known_at: datetime) -> tuple[SourceStatus, ...]:
    last = weather_store.last_hours(conn, yard_id, known_at)
    status = []
    for log in weather_store.fetch_log(conn, yard_id):
        past = [hour for (name, kind), hour in last.items() if name == log.source and kind != "forecast"]
        newest = min(max(past), as_of) if past else None
        answered, trouble = log.last_answer_at, log.last_trouble
        status.append(
            SourceStatus(
                source=log.source,
                newest_hour=newest,
                fetched_at=None if answered is None or answered > known_at else answered,
                age_h=None if newest is None else (as_of - newest).total_seconds() / 3600,
                last_failure="" if trouble is None or trouble.fetched_at > known_at else trouble.message,
                credit=PROVIDERS[log.source].credit,
                failing=trouble is not None
                and trouble.fetched_at <= known_at
                and (answered is None or trouble.fetched_at > answered),
            )
        )
    return tuple(status)


def worst_open(entries: Sequence[OpenEntry]) -> OpenFinding:
    """The first of a boat's open findings, worst first, with how many more there are."""
    finding, visit = entries[0].finding, entries[0].inspection
    note = f": {finding.note}" if finding.note else ""
    more = f", and {len(entries) - 1} more" if len(entries) > 1 else ""
    what = f"{defect_text(finding.defect, finding.place)}{note}{more}"
    by = f"inspection by {visit.inspector}"
    return OpenFinding(finding.severity, visit.inspected_at, what, by, finding.defect in STAND_DEFECTS)


def vents_changed_at(covers: Sequence[Cover], as_of: datetime) -> dict[int, datetime]:
    """When each cover's vents were last built otherwise, by its id; covers whose vents never changed are left out."""
    changed: dict[int, datetime] = {}
    for cover in covers:
        for before, build in zip(cover.builds, cover.builds[1:], strict=False):
            other = (before.vent_count, before.vent_area_m2) != (build.vent_count, build.vent_area_m2)
            if other and build.built_at <= as_of:
                changed[cover.stored_id] = build.built_at
    return changed
