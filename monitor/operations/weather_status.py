"""What is known of a yard's weather and how well: sources, gaps, flags, checks; and its hours as plain rows."""

import sqlite3
from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd

from monitor.operations import sources
from monitor.operations.sources import UsedSource
from monitor.operations.weather import current_alerts, judged_series, merged_weather
from monitor.operations.yard_hours import data_age_h
from monitor.register import Yard
from monitor.store import bulletins
from monitor.store import register as register_store
from monitor.store import weather as store
from monitor.variables import PRESENT_WEATHER, SOURCES, VARIABLES
from monitor.weather import quality
from monitor.weather.answers import NEXT_PULL
from monitor.weather.daily_check import DayCheck, check_day, largest_differences
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import Merged, SourceSeries, merge_by_priority

STATUS_VARIABLES = ("air_temperature_c", "precipitation_mm", "wind_speed_ms", "wind_gust_ms")
"""What the hazards live on, and so what a listing of gaps is about."""

COVERAGE_H = 24
"""How many of the last hours a short word on coverage is about."""

CHECKED_DAYS = 30


def weather_status(conn: sqlite3.Connection, yard: Yard, now: datetime) -> dict[str, Any]:
    """For each source how new, how complete and how clean its hours are; plain values for JSON.

    ``gaps`` are runs of hours between a source's first and last in which one of the variables that the hazards live on
    is unknown, ``never_known`` those that the source knows of no hour; ``flags`` counts flagged values by variable and
    flag; ``coverage`` counts the last hours by variable. ``choice`` explains why a source is used. Beside the sources
    stand the ``coverage`` of the merged hours, ``data_age_h``, the age that a ranking would tell, the ``alerts`` in
    force, the ``daily_check`` against measured days and the ``order`` in which sources are believed.
    """
    yard_id = register_store.yard_id(conn, yard.key)
    logs = {log.source: log for log in store.fetch_log(conn, yard_id)}
    used = {each.source: each for each in sources.used_sources(conn, yard)}
    by_source: dict[str, list[SourceSeries]] = {}
    series = judged_series(conn, yard, None, None, None)
    for each in series:
        by_source.setdefault(each.source, []).append(each)
    order, single = sources.orders(conn, yard)
    merged = merge_by_priority(series, order, single)
    names = [*used, *(name for name in SOURCES if name in logs and name not in used)]
    checks = _checks(conn, yard, yard_id, merged, now)
    return {
        "yard": yard.key,
        "at": _utc(now),
        "sources": [
            _source_status(name, by_source.get(name, []), logs.get(name), used.get(name), now) for name in names
        ],
        "without_station": sources.sources_without_station(conn, yard),
        "coverage": _recent_coverage(merged, now),
        "data_age_h": data_age_h(merged, now),
        "order": {"": list(order), **{variable: list(names) for variable, names in single.items()}},
        "alerts": [_alert(alert) for alert in current_alerts(conn, yard, now)],
        "daily_check": {
            "days": [_day(check) for check in checks],
            "largest": {name: _day(check) for name, check in largest_differences(checks).items()},
        },
    }


def hour_rows(
    conn: sqlite3.Connection, yard: Yard, start: datetime, end: datetime, known_at: datetime
) -> list[dict[str, Any]]:
    """Merged hours, start < hour_ending <= end, as plain rows: each value with its source, flags where there are any.

    A value that nobody knows is None; ``sources`` names who knew the others.
    """
    merged = merged_weather(conn, yard, known_at, start + timedelta(seconds=1), end)
    frames = (frame.to_dict("records") for frame in (merged.values, merged.sources, merged.flags))
    rows = []
    for hour, value, source, flag in zip(merged.values.index, *frames, strict=True):
        rows.append(
            {
                "hour_ending": _utc(hour.to_pydatetime()),
                **{name: _plain(value.get(name)) for name in (*VARIABLES, PRESENT_WEATHER)},
                "sources": {name: text for name, text in source.items() if text},
                "flags": {name: text for name, text in flag.items() if text},
            }
        )
    return rows


def _source_status(
    name: str, series: list[SourceSeries], log: store.SourceLog | None, used: UsedSource | None, now: datetime
) -> dict[str, Any]:
    status: dict[str, Any] = {
        "source": name,
        "used": used is not None,
        "choice": None if used is None else _choice(used),
        "newest_hour": None,
        "age_h": None,
        "first_hour": None,
        "hours": 0,
        "kinds": {each.kind: len(each.hours) for each in series},
        "forecast_to": None,
        "complete_share": None,
        "coverage": {},
        "gaps": [],
        "gust_none_reported_h": 0,
        "never_known": [],
        "flags": {},
        "last_answer_at": None if log is None or log.last_answer_at is None else _utc(log.last_answer_at),
        "answers": {} if log is None else dict(log.counts),
        "last_trouble": None,
        "credit": PROVIDERS[name].credit,
        "terms": PROVIDERS[name].terms,
    }
    if log is not None and log.last_trouble is not None:
        trouble = log.last_trouble
        status["last_trouble"] = {
            "at": _utc(trouble.fetched_at),
            "outcome": trouble.outcome,
            "message": _told(trouble),
        }
    past = [each for each in series if each.kind != "forecast"]
    if series:
        merged = merge_by_priority(series, [name])
        first, last = merged.values.index[0].to_pydatetime(), merged.values.index[-1].to_pydatetime()
        status["first_hour"] = _utc(first)
        status["hours"] = int(sum(len(each.hours) for each in series))
        status["flags"] = _flag_counts(series)
        coverage = quality.coverage(merged, first - timedelta(hours=1), min(last, now), STATUS_VARIABLES)
        status["gaps"] = [
            {"variable": of.variable, "start": _utc(gap.start), "end": _utc(gap.end), "hours": gap.hours}
            for of in coverage.values()
            if of.known or of.none_reported
            for gap in of.gaps
        ]
        looked_for = [of for of in coverage.values() if of.known or of.none_reported]
        status["never_known"] = [of.variable for of in coverage.values() if not of.known and not of.none_reported]
        status["gust_none_reported_h"] = coverage["wind_gust_ms"].none_reported
        if total := sum(of.known + of.none_reported + of.missing for of in looked_for):
            status["complete_share"] = round(1 - sum(of.missing for of in looked_for) / total, 4)
        status["coverage"] = _recent_coverage(merged, now)
    if past:
        newest = max(each.hours.index[-1] for each in past).to_pydatetime()
        status["newest_hour"] = _utc(newest)
        status["age_h"] = round((now - newest).total_seconds() / 3600, 2)
    if ahead := [each.hours.index[-1].to_pydatetime() for each in series if each.kind == "forecast"]:
        status["forecast_to"] = _utc(max(ahead))
    return status


def _choice(used: UsedSource) -> dict[str, Any]:
    known = ("name", "distance_km", "above_yard_m")
    details: dict[str, Any] = {name: used.details[name] for name in known if name in used.details}
    return {"station": used.station, "chosen_by": used.chosen_by, "sentence": sources.choice_text(used), **details}


def _recent_coverage(merged: Merged, now: datetime) -> dict[str, dict[str, int]]:
    """Of the last hours, how many are known of each variable, in how many none was reported, how many are missing."""
    covered = quality.coverage(merged, now - timedelta(hours=COVERAGE_H + 1), now, STATUS_VARIABLES)
    return {
        name: {"of": COVERAGE_H, "known": of.known, "none_reported": of.none_reported, "missing": of.missing}
        for name, of in covered.items()
    }


def _checks(conn: sqlite3.Connection, yard: Yard, yard_id: int, merged: Merged, now: datetime) -> list[DayCheck]:
    days = bulletins.read_days(conn, yard_id, now)
    newest = max((each.day for each in days), default=None)
    return [
        check
        for each in days
        if newest is not None and (newest - each.day).days < CHECKED_DAYS
        for check in check_day(each.day, each.station, each.measured, each.flags, each.day_ends, merged, yard.time_zone)
    ]


def _day(check: DayCheck) -> dict[str, Any]:
    plain = {name: _plain(value) for name, value in asdict(check).items()}
    return plain | {"day": check.day.isoformat(), "difference": _plain(check.difference)}


def _alert(alert: bulletins.StoredAlert) -> dict[str, Any]:
    return asdict(alert) | {
        "onset": _utc(alert.onset),
        "ends": _utc(alert.ends),
        "fetched_at": _utc(alert.fetched_at),
    }


def _flag_counts(series: Iterable[SourceSeries]) -> dict[str, dict[str, int]]:
    counts: dict[str, dict[str, int]] = {}
    for each in series:
        for name in each.flags.columns:
            column = each.flags[name]
            for word, count in column[column != ""].value_counts().items():
                of = counts.setdefault(str(name), {})
                of[str(word)] = of.get(str(word), 0) + int(count)
    return counts


def _plain(value: Any) -> Any:
    return None if value is None or value != value or value is pd.NA else value


def _told(trouble: store.Fetch) -> str:
    """What went wrong; of a file, named and without the remedy for a service, as no pull asks for it again."""
    if not trouble.url.startswith(store.FILE):
        return trouble.message
    return f"{trouble.url.removeprefix(store.FILE)}: {trouble.message.replace(NEXT_PULL, '')}"


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
