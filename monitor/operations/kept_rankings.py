"""Rankings as they are shown and kept: heading, lines, remarks, and the state that one rested on."""

import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.assessment import ForecastReach, YardAssessment
from monitor.errors import StormwalkError
from monitor.operations.yard_hours import HAZARD_PARAMETERS
from monitor.preparation import Preparation
from monitor.ranking import HAZARDS, RankedCover, ranked_from_row
from monitor.register import Yard
from monitor.store import rankings as ranking_store
from monitor.store import register as register_store
from monitor.wording import OWN_JUDGEMENT, berth_text, local_text

TELL_WHAT_FELL = ("precipitation_mm", "rain_mm", "snowfall_water_mm")
"""Variables of which one must be known for snow and pockets to be."""

LATER = " Weather of this time was fetched or imported later: add --hindsight to use it."

STALE_AFTER_H = 3.0
"""Weather older than this is said to be old above the list."""

STALE_FORECAST_H = 12.0
"""A forecast fetched longer ago than this is said to be old: the services make a new one every few hours."""


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


def keep_ranking(
    conn: sqlite3.Connection,
    assessment: YardAssessment,
    created_at: datetime,
    before: Sequence[Preparation] = (),
) -> KeptRanking:
    """Keep an assessment's ranking with its parameters and the age of its data; one kept already is not doubled.

    One that looks ahead is marked by ``ahead_h`` in its parameters, and carries what was to do before. Raises
    StoreError where the database takes nothing; `ranking_to_show` writes nothing.
    """
    shown, yard = ranking_to_show(assessment, before), assessment.yard
    parameters: dict[str, Any] = {
        "ranking": asdict(assessment.parameters),
        "hazards": asdict(HAZARD_PARAMETERS),
        "time_zone": yard.time_zone,
        "units": yard.display_units,
        "heading": shown.heading,
        "remarks": list(shown.remarks),
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
        rows=[{**line.as_row(), "title": shown.titles[line.cover]} for line in assessment.ranked],
    )
    return replace(shown, id=ranking_id, remarks=(*shown.remarks, _kept_as(ranking_id)))


def ranking_to_show(assessment: YardAssessment, before: Sequence[Preparation] = ()) -> KeptRanking:
    """An assessment's ranking as it is shown, not kept: its id is empty."""
    return KeptRanking(
        id="",
        time_zone=assessment.yard.time_zone,
        units=assessment.yard.display_units,
        heading=_heading(assessment),
        lines=tuple(assessment.ranked),
        titles={
            cover.stored_id: f"{cover.boat.number} {cover.boat.name}, {berth_text(cover.boat)}"
            for cover in assessment.covers
        },
        remarks=_remarks(assessment),
        before=tuple(before),
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
    unknown = (
        "No source tells what falls here: snow load and pockets are not known, and nobody should take them for none."
    )
    blind = assessment.data_age_h is not None and not _tells_what_fell(assessment)
    return (*([f"Not assessed: {names}."] if names else []), *([unknown] if blind else []), OWN_JUDGEMENT, *credits)


def _tells_what_fell(assessment: YardAssessment) -> bool:
    """Whether rain or snow is known of any hour of the season, none of it too."""
    values = assessment.weather.values
    return any(name in values and bool(values[name].notna().any()) for name in TELL_WHAT_FELL)


def _kept_as(ranking_id: str) -> str:
    return f"Kept as ranking {ranking_id[:8]}."
