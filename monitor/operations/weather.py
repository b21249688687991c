"""Weather: fetched or imported, kept as it came, and read back as one table with its quality."""

import sqlite3
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd

from monitor.errors import ProviderContractError, ServiceUnavailableError, StormwalkError
from monitor.register import Yard
from monitor.settings import OPEN_METEO_SETTINGS, Settings
from monitor.store import register as register_store
from monitor.store import weather as store
from monitor.variables import PRESENT_WEATHER, VARIABLES
from monitor.weather import quality
from monitor.weather.providers import PROVIDERS, Answer, Request, http
from monitor.weather.providers.logger import LoggerMapping
from monitor.weather.table import Merged, ParsedHours, SourceSeries, merge_by_priority

Clock = Callable[[], datetime]

SOURCE_ORDER = (
    "hand",
    "logger",
    "metar-archive",
    "nws-observations",
    "bright-sky",
    "nws-grid",
    "met-norway",
    "open-meteo",
)
"""Whom to believe first inside one kind: the yard's own eyes, then stations, then models."""

REFRESH_DAYS = 3
"""What is fetched again each time: late reports and revised hours come in."""

FORECAST_DAYS = 3

SECONDS_BETWEEN_REQUESTS = 1.0
"""To one service; the METAR archive asks for no more."""

FILE = "file:"
"""Begins the address of an answer that was read from a file."""

STATUS_VARIABLES = ("air_temperature_c", "precipitation_mm", "wind_speed_ms", "wind_gust_ms")
"""What the hazards live on, and so what a listing of gaps is about."""


@dataclass(frozen=True)
class FetchReport:
    """What came of one attempt to get weather; ``good`` where hours were stored or were the same as before."""

    source: str
    good: bool
    sentence: str
    notes: tuple[str, ...] = ()


def refresh_weather(
    conn: sqlite3.Connection,
    yard: Yard,
    clock: Clock,
    settings: Settings,
    *,
    source: str | None = None,
    start: datetime | None = None,
    pause: Callable[[float], None] = time.sleep,
) -> list[FetchReport]:
    """Fetch the newest hours from each service that the yard uses; one that fails never stops another.

    From ``start`` on, else from where the service's hours end, but at least the last days; from the first wrapping on
    where it was never asked. Raises StormwalkError where the yard uses no service.
    """
    now = clock()
    yard_id = register_store.yard_id(conn, yard.key)
    reports = []
    for name in _services(yard, source):
        begin = start or _begin(conn, yard, yard_id, name, now)
        session = http.session(yard.contact)
        try:
            requests = _requests(yard, name, begin, now, settings)
        except StormwalkError as error:
            store.record_failure(conn, yard_id, name, now, str(error))
            reports.append(FetchReport(name, False, f"{name}: {error}"))
            continue
        if not requests:
            reports.append(FetchReport(name, False, f"{name}: {_nothing_to_ask(begin)}"))
        for number, request in enumerate(requests):
            if number:
                pause(SECONDS_BETWEEN_REQUESTS)
            report = _fetch(conn, yard_id, yard, name, session, request, clock)
            reports.append(report)
            if not report.good:
                break
    return reports


def import_weather(
    conn: sqlite3.Connection,
    yard: Yard,
    source: str,
    content: bytes,
    file_name: str,
    fetched_at: datetime,
    *,
    station: str | None = None,
    logger: LoggerMapping | None = None,
) -> FetchReport:
    """Take a saved answer of a service, or a file of the yard's logger; kept as it came whether readable or not.

    ``station`` picks one out of a METAR archive file; ``logger`` is a LoggerMapping, None where the file's headers
    speak for themselves.
    """
    answer = Answer(url=f"{FILE}{file_name}", status=200, headers={}, body=content, fetched_at=fetched_at)
    yard_id = register_store.yard_id(conn, yard.key)

    def parse() -> ParsedHours:
        if source == "logger":
            return PROVIDERS[source].parse(content, fetched_at=fetched_at, mapping=logger)
        if source == "metar-archive":
            return PROVIDERS[source].parse(content, fetched_at=fetched_at, station=station or "")
        return PROVIDERS[source].parse(content, fetched_at=fetched_at)

    return _take(conn, yard_id, source, answer, parse, f"{file_name}: ")


def merged_weather(
    conn: sqlite3.Connection,
    yard: Yard,
    known_at: datetime | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> Merged:
    """The yard's hours as known at a moment, from the best source of each value; faults are flagged and unused."""
    series = [_judged(each.series) for each in _read(conn, yard, known_at, start, end)]
    return merge_by_priority(series, SOURCE_ORDER)


def weather_status(conn: sqlite3.Connection, yard: Yard, now: datetime) -> dict[str, Any]:
    """For each source how new, how complete and how clean its hours are; plain values for JSON.

    ``gaps`` are runs of hours between a source's first and last in which one of the variables that the hazards live on
    is unknown, ``never_known`` those that the source knows of no hour; ``flags`` counts flagged values by variable and
    flag.
    """
    yard_id = register_store.yard_id(conn, yard.key)
    logs = {log.source: log for log in store.fetch_log(conn, yard_id)}
    by_source: dict[str, list[SourceSeries]] = {}
    for each in _read(conn, yard, None, None, None):
        by_source.setdefault(each.series.source, []).append(_judged(each.series))
    return {
        "yard": yard.key,
        "at": _utc(now),
        "sources": [_source_status(name, by_source.get(name, []), logs.get(name), now) for name in logs],
    }


def hour_rows(
    conn: sqlite3.Connection, yard: Yard, start: datetime, end: datetime, known_at: datetime
) -> list[dict[str, Any]]:
    """Merged hours, start < hour_ending <= end, as plain rows: each value with its source, flags where there are any.

    A value that nobody knows is None; ``sources`` names who knew the others.
    """
    merged = merged_weather(conn, yard, known_at, start + timedelta(seconds=1), end)
    values, sources, flags = (frame.to_dict("records") for frame in (merged.values, merged.sources, merged.flags))
    rows = []
    for hour, value, source, flag in zip(merged.values.index, values, sources, flags, strict=True):
        rows.append(
            {
                "hour_ending": _utc(hour.to_pydatetime()),
                **{name: _plain(value.get(name)) for name in (*VARIABLES, PRESENT_WEATHER)},
                "sources": {name: text for name, text in source.items() if text},
                "flags": {name: text for name, text in flag.items() if text},
            }
        )
    return rows


def _services(yard: Yard, source: str | None) -> list[str]:
    uses = []
    if yard.station:
        uses.append("metar-archive")
    if yard.open_meteo_plan:
        uses.append("open-meteo")
    if source is None and not uses:
        raise StormwalkError(
            f"Yard {yard.key} uses no weather service yet. Nothing was fetched. Give it a station of the METAR archive "
            f'or an Open-Meteo plan: see "stormwalk yard add --help", or import files with "stormwalk weather import".'
        )
    if source is not None and source not in uses:
        needs = "station" if source == "metar-archive" else "Open-Meteo plan"
        raise StormwalkError(
            f"Yard {yard.key} has no {needs}, which {source} needs. Nothing was fetched. "
            f'{PROVIDERS[source].terms} Set it with "stormwalk yard add {yard.key} ...".'
        )
    return uses if source is None else [source]


def _requests(yard: Yard, name: str, begin: datetime, now: datetime, settings: Settings) -> list[Request]:
    end = now + timedelta(days=FORECAST_DAYS)
    if name != "open-meteo":
        return PROVIDERS[name].requests_for(yard, begin, end, now)
    try:
        return PROVIDERS[name].requests_for(
            yard, begin, end, now, customer_key=settings.open_meteo_key, own_server=settings.open_meteo_server
        )
    except StormwalkError as error:
        setting = OPEN_METEO_SETTINGS.get(yard.open_meteo_plan)
        raise StormwalkError(
            f"{error} It is read from {setting} in the environment." if setting else str(error)
        ) from None


def _begin(conn: sqlite3.Connection, yard: Yard, yard_id: int, name: str, now: datetime) -> datetime:
    """From where on to ask: what a broken-off first pull or an earlier cover has left open is made up for."""
    recent = now - timedelta(days=REFRESH_DAYS)
    newest = store.newest_fetch(conn, yard_id, name)
    wrapped = _first_wrapping(conn, yard, None)
    if newest is None or newest.url.startswith(FILE):
        return min(recent, wrapped or recent)
    wrapped_then = _first_wrapping(conn, yard, newest.fetched_at)
    if wrapped is not None and (wrapped_then is None or wrapped < wrapped_then):
        return min(recent, wrapped)
    last = store.last_hours(conn, yard_id)
    return min([recent, *(hour for (source, kind), hour in last.items() if source == name and kind != "forecast")])


def _first_wrapping(conn: sqlite3.Connection, yard: Yard, known_at: datetime | None) -> datetime | None:
    covers = register_store.covers(conn, yard.key, known_at=known_at)
    return min((cover.builds[0].built_at for cover in covers), default=None)


def _nothing_to_ask(begin: datetime) -> str:
    return (
        f"it gives no hours from {begin:%Y-%m-%d %H:%M} UTC on, because they are still to come or too long ago. "
        f"Nothing was fetched. Choose another --from."
    )


def _fetch(
    conn: sqlite3.Connection, yard_id: int, yard: Yard, name: str, session: Any, request: Request, clock: Clock
) -> FetchReport:
    try:
        answer = http.get(session, request, clock)
    except ServiceUnavailableError as error:
        store.record_failure(conn, yard_id, name, clock(), str(error), request.url)
        return FetchReport(name, False, f"{name}: {error}")

    def parse() -> ParsedHours:
        if name == "metar-archive":
            return PROVIDERS[name].parse(answer.body, fetched_at=answer.fetched_at, station=yard.station)
        return PROVIDERS[name].parse(answer.body, fetched_at=answer.fetched_at)

    return _take(conn, yard_id, name, answer, parse, f"{name}: ")


def _take(
    conn: sqlite3.Connection,
    yard_id: int,
    source: str,
    answer: Answer,
    parse: Callable[[], ParsedHours],
    prefix: str,
) -> FetchReport:
    """Parse an answer and keep it: with its hours, or as refused with the sentence that says why."""
    try:
        parsed = parse()
    except ProviderContractError as error:
        store.record_refusal(conn, yard_id, source, answer, str(error))
        return FetchReport(source, False, f"{prefix}{error}")
    fetch = store.store_hours(conn, yard_id, source, answer, parsed)
    if fetch.outcome == "empty":
        return FetchReport(source, True, f"{prefix}no hours in the answer.", parsed.notes)
    first, last = parsed.hours.index[0], parsed.hours.index[-1]
    known = "the same hours as before" if fetch.outcome == "same" else f"{len(parsed.hours)} hours stored"
    return FetchReport(
        source, True, f"{prefix}{known}, {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC.", parsed.notes
    )


def _read(
    conn: sqlite3.Connection, yard: Yard, known_at: datetime | None, start: datetime | None, end: datetime | None
) -> list[store.StoredSeries]:
    return store.read_hours(conn, register_store.yard_id(conn, yard.key), known_at, start, end)


def _judged(series: SourceSeries) -> SourceSeries:
    """A series with the flags that its values earn on reading beside those that its parser gave."""
    return replace(series, flags=quality.combine(series.flags, quality.flag(series.hours)))


def _source_status(name: str, series: list[SourceSeries], log: store.SourceLog | None, now: datetime) -> dict[str, Any]:
    status: dict[str, Any] = {
        "source": name,
        "newest_hour": None,
        "age_h": None,
        "first_hour": None,
        "hours": 0,
        "kinds": {each.kind: len(each.hours) for each in series},
        "gaps": [],
        "gust_none_reported_h": 0,
        "never_known": [],
        "flags": {},
        "last_answer_at": None if log is None or log.last_answer_at is None else _utc(log.last_answer_at),
        "answers": {} if log is None else dict(log.counts),
        "last_trouble": None,
        "credit": PROVIDERS[name].credit,
    }
    if log is not None and log.last_trouble is not None:
        trouble = log.last_trouble
        status["last_trouble"] = {
            "at": _utc(trouble.fetched_at),
            "outcome": trouble.outcome,
            "message": trouble.message,
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
        status["never_known"] = [of.variable for of in coverage.values() if not of.known and not of.none_reported]
        status["gust_none_reported_h"] = coverage["wind_gust_ms"].none_reported
    if past:
        newest = max(each.hours.index[-1] for each in past).to_pydatetime()
        status["newest_hour"] = _utc(newest)
        status["age_h"] = round((now - newest).total_seconds() / 3600, 2)
    return status


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


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
