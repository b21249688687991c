"""From the database to a ranking: read what was known, calculate, keep the result."""

import sqlite3
from collections.abc import Container, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from monitor import __version__
from monitor.assessment import ForecastReach, SourceStatus, YardAssessment
from monitor.clocks import Clocks, Log, OpenEntry, clocks, open_findings
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
from monitor.ranking import HAZARDS, OpenFinding, RankedCover, RankingParameters, rank_covers, ranked_from_row
from monitor.register import Cover, Yard
from monitor.store import inspections as log_store
from monitor.store import rankings as ranking_store
from monitor.store import register as register_store
from monitor.store import weather as weather_store
from monitor.storms import Storm
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import Merged
from monitor.wording import OWN_JUDGEMENT, berth_text, defect_text, local_text

LATER = " Weather of this time was fetched or imported later: add --hindsight to use it."

STALE_AFTER_H = 3.0
"""Weather older than this is said to be old above the list."""

STALE_FORECAST_H = 12.0
"""A forecast fetched longer ago than this is said to be old: the services make a new one every few hours."""

FORECAST = ":forecast"
"""Ends the key of a cell that is forecast."""


@dataclass(frozen=True)
class KeptRanking:
    """A ranking as it is shown and kept: heading, lines, each cover's title, remarks below, and what to do beforehand.

    ``time_zone`` and ``units`` are the yard's when it was made: its moments and numbers are put into words by them.
    """

    id: str
    time_zone: str
    units: str
    heading: str
    lines: tuple[RankedCover, ...]
    titles: dict[int, str]
    remarks: tuple[str, ...]
    before: tuple[Preparation, ...] = ()


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
    standing = covers_on_boats(every_cover, as_of)
    covers = [cover for cover in standing if only is None or cover.boat.number == only]
    if not covers:
        raise StormwalkError(_no_covers(conn, every_cover, yard, as_of, only))
    boat_of_cover = {one.stored_id: one.boat.number for one in every_cover if only is None or one.boat.number == only}
    entries = log_store.log_of_yard(conn, yard_id, as_of=as_of, known_at=known_at)
    log = Log(entries.inspections, entries.findings, entries.actions)
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


def keep_ranking(
    conn: sqlite3.Connection,
    assessment: YardAssessment,
    created_at: datetime,
    before: Sequence[Preparation] = (),
) -> KeptRanking:
    """Keep an assessment's ranking with its parameters and the age of its data; one kept already is not doubled.

    One that looks ahead is marked by ``ahead_h`` in its parameters, and carries what was to do before.
    """
    titles = {
        cover.stored_id: f"{cover.boat.number} {cover.boat.name}, {berth_text(cover.boat)}"
        for cover in assessment.covers
    }
    heading, remarks = _heading(assessment), _remarks(assessment)
    yard = assessment.yard
    parameters: dict[str, Any] = {
        "ranking": asdict(assessment.parameters),
        "hazards": asdict(HAZARD_PARAMETERS),
        "time_zone": yard.time_zone,
        "units": yard.display_units,
        "heading": heading,
        "remarks": list(remarks),
    }
    if assessment.ahead_h:
        parameters |= {"ahead_h": assessment.ahead_h, "before": [item.as_json() for item in before]}
    ranking_id = ranking_store.save_ranking(
        conn,
        register_store.yard_id(conn, yard.key),
        as_of=assessment.as_of,
        created_at=created_at,
        version=assessment.version,
        data_age_h=assessment.data_age_h,
        parameters=parameters,
        rows=[{**line.as_row(), "title": titles[line.cover]} for line in assessment.ranked],
    )
    shown = (*remarks, _kept_as(ranking_id))
    return KeptRanking(
        ranking_id,
        yard.time_zone,
        yard.display_units,
        heading,
        tuple(assessment.ranked),
        titles,
        shown,
        tuple(before),
    )


def kept_ranking(conn: sqlite3.Connection, yard: Yard, beginning: str) -> KeptRanking:
    """A kept ranking, by the first characters of its id, exactly as it was shown. Raises StormwalkError."""
    heads = ranking_store.rankings(conn, register_store.yard_id(conn, yard.key))
    fitting = [head.id for head in heads if beginning and head.id.startswith(beginning)]
    if len(fitting) != 1:
        raise StormwalkError(
            f"The id {beginning!r} fits {len(fitting)} of the rankings kept for yard {yard.key}; expected exactly one. "
            f'"stormwalk rank --stored" lists them.'
        )
    kept = ranking_store.ranking(conn, fitting[0])
    titles = {row["cover"]: row["title"] for row in kept.rows}
    lines = tuple(ranked_from_row({k: v for k, v in row.items() if k != "title"}) for row in kept.rows)
    made_with = kept.parameters
    remarks = (*made_with["remarks"], _kept_as(fitting[0]))
    before = tuple(Preparation(**item) for item in made_with.get("before", ()))
    return KeptRanking(
        fitting[0], made_with["time_zone"], made_with["units"], made_with["heading"], lines, titles, remarks, before
    )


def unknown_boat(assessment: YardAssessment, boat: str) -> str:
    """The sentence for a boat that is not among the ranked ones, with those that are near."""
    import difflib

    numbers = [cover.boat.number for cover in assessment.covers]
    near = difflib.get_close_matches(boat, numbers, n=3, cutoff=0.4) or numbers[:10]
    return (
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


def covers_on_boats(every_cover: Sequence[Cover], as_of: datetime) -> list[Cover]:
    """The cover on each boat at a moment: the newest whose film was on by then."""
    on_boat = {}
    for cover in sorted(every_cover, key=lambda cover: (cover.boat.number, cover.builds[0].built_at)):
        if cover.builds[0].built_at <= as_of:
            on_boat[cover.boat.number] = cover
    return list(on_boat.values())


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


def _no_covers(conn: sqlite3.Connection, known: Sequence[Cover], yard: Yard, as_of: datetime, only: str | None) -> str:
    moment = local_text(as_of, yard.time_zone, year=True)
    if only is not None:
        register_store.find_cover(conn, yard.key, only)  # an unknown boat is told with its neighbours' numbers
        return f"Boat {only} of yard {yard.key} had no cover on {moment}. Nothing was made. Choose a later moment."
    if not known:
        return f'Yard {yard.key} has no covers yet: load them with "stormwalk covers import FILE --yard {yard.key}".'
    first = min(cover.builds[0].built_at for cover in known)
    return (
        f"Yard {yard.key} had no cover on {moment}; the first was wrapped on "
        f"{local_text(first, yard.time_zone, year=True)}. Choose a later moment."
    )


def _heading(assessment: YardAssessment) -> str:
    yard, as_of = assessment.yard, assessment.as_of
    if assessment.forecast is not None:
        return _heading_ahead(assessment, assessment.forecast)
    heading = f"{yard.name}: covers to look at as of {local_text(as_of, yard.time_zone, year=True)}"
    age = assessment.data_age_h
    if age is None:
        heading += "\nNo weather was known at this time: the list below rests on the log alone."
        return heading + (LATER if assessment.fetched_later else "")
    end = local_text(as_of - timedelta(hours=age), yard.time_zone)
    heading += f"; weather up to {end}"
    if age > STALE_AFTER_H:
        heading += f'\nThat is {age:.0f} h old (limit {STALE_AFTER_H:.0f} h). Run "stormwalk weather refresh".'
    return heading


def _heading_ahead(assessment: YardAssessment, forecast: ForecastReach) -> str:
    """The moment looked ahead to; how far the forecast reaches, whose and how old it is; the storms in it."""
    yard, as_of, zone = assessment.yard, assessment.as_of, assessment.yard.time_zone
    until = as_of + timedelta(hours=assessment.ahead_h)
    age_h = (as_of - forecast.fetched_at).total_seconds() / 3600
    lines = [
        f"{yard.name}: covers that need a hand first by {local_text(until, zone, year=True)}, "
        f"{assessment.ahead_h} h ahead of {local_text(as_of, zone)}",
        f"Forecast by {', '.join(forecast.sources)} up to {local_text(forecast.until, zone)}, fetched "
        f"{local_text(forecast.fetched_at, zone)}, {age_h:.1f} h before.",
    ]
    short_h = round((until - forecast.until).total_seconds() / 3600)
    if short_h >= 1:
        lines[1] += f" It ends {short_h} h too early; those hours are not known."
    if age_h > STALE_FORECAST_H:
        lines[1] += f' That is old (limit {STALE_FORECAST_H:.0f} h). Run "stormwalk weather refresh".'
    age = assessment.data_age_h
    seen = "none is known" if age is None else f"up to {local_text(as_of - timedelta(hours=age), zone)}"
    lines.append(f"Weather seen so far: {seen}.")
    storms = [
        f"{storm.character()} from {local_text(storm.start, zone)} to {local_text(storm.end, zone)}"
        for storm in assessment.coming
    ]
    lines.append(f"Expected: {'; '.join(storms)}." if storms else "No storm is expected in that time.")
    return "\n".join(lines)


def _remarks(assessment: YardAssessment) -> tuple[str, ...]:
    names = ", ".join(HAZARDS[name].label for name in assessment.not_assessed)
    forecast = () if assessment.forecast is None else assessment.forecast.sources
    credits = [
        status.credit for status in assessment.sources if status.newest_hour is not None or status.source in forecast
    ]
    return (*([f"Not assessed: {names}."] if names else []), OWN_JUDGEMENT, *credits)


def _kept_as(ranking_id: str) -> str:
    return f"Kept as ranking {ranking_id[:8]}."


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
