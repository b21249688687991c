"""Weather: fetched or imported, kept as it came, and read back as one table with its quality."""

import sqlite3
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pandas as pd

from monitor.errors import StormwalkError
from monitor.exchange.file_kinds import wrong_kind
from monitor.inspections import check_words
from monitor.operations import sources
from monitor.operations.fetching import Clock, Wire
from monitor.operations.pulling import (
    ALERTS_SOURCE,
    DAYS_CHECKED,
    REFRESH_DAYS,
    Progress,
    Pull,
    take,
    take_days,
)
from monitor.operations.pulling import (
    FetchReport as FetchReport,
)
from monitor.operations.sources import UsedSource
from monitor.register import Yard
from monitor.settings import Settings
from monitor.store import bulletins
from monitor.store import register as register_store
from monitor.store import weather as store
from monitor.store.bulletins import StoredAlert
from monitor.variables import VARIABLES
from monitor.weather import quality
from monitor.weather.answers import NEXT_PULL
from monitor.weather.providers import PROVIDERS, Answer, hand, met_norway, nws_alerts
from monitor.weather.providers.logger import LoggerMapping
from monitor.weather.providers.open_meteo_archive import Archive
from monitor.weather.table import Merged, ParsedHours, SourceSeries, merge_by_priority, no_flags
from monitor.wording import local_text

BY_HAND = "hand:"
"""Begins the address of a reading; what follows is who read."""


def refresh_weather(
    conn: sqlite3.Connection,
    yard: Yard,
    clock: Clock,
    settings: Settings,
    *,
    source: str | None = None,
    start: datetime | None = None,
    pause: Callable[[float], None] = time.sleep,
    progress: Progress | None = None,
) -> list[FetchReport]:
    """Fetch the newest hours from each service that the yard uses; one that fails never stops another.

    From ``start`` on, else from where the service's hours end, but at least the last hours, once a day the last days;
    and back to the first wrapping, newest first, what was never asked for. Pieces that are kept are not fetched again,
    so a pull that was stopped is taken up where it was. Raises StormwalkError where the yard uses no service.
    """
    wire = Wire(yard.contact, clock, pause)
    run = Pull(conn, yard, register_store.yard_id(conn, yard.key), wire, settings, progress)
    reports = []
    for used in _services(conn, yard, source):
        if source is not None or start is not None or run.is_time(used.source):
            reports += run.refresh(used, start)
    return reports


def recheck_weather(
    conn: sqlite3.Connection,
    yard: Yard,
    clock: Clock,
    settings: Settings,
    *,
    pause: Callable[[float], None] = time.sleep,
) -> list[FetchReport]:
    """Fetch the last days again from the services that tell what was: late reports and revised hours come in."""
    start = clock() - timedelta(days=REFRESH_DAYS)
    run = Pull(conn, yard, register_store.yard_id(conn, yard.key), Wire(yard.contact, clock, pause), settings, None)
    reports = []
    for used in sources.used_sources(conn, yard):
        if used.source in ("metar-archive", "nws-observations", "bright-sky", "open-meteo"):
            reports += run.refresh(used, start)
    return reports


def weekly_check(
    conn: sqlite3.Connection,
    yard: Yard,
    clock: Clock,
    settings: Settings,
    *,
    pause: Callable[[float], None] = time.sleep,
) -> list[FetchReport]:
    """Fetch the measured days of the last month again, and look up anew where the yard's grid cell and stations are."""
    wire = Wire(yard.contact, clock, pause)
    run = Pull(conn, yard, register_store.yard_id(conn, yard.key), wire, settings, None)
    reports = []
    for used in sources.used_sources(conn, yard):
        if used.source == "nws-grid":
            reports.append(run.look_up(used))
        if used.source == "ncei-daily":
            reports += run.refresh(used, clock() - timedelta(days=DAYS_CHECKED))
    return reports


def fetch_alerts(
    conn: sqlite3.Connection,
    yard: Yard,
    clock: Clock,
    settings: Settings,
    *,
    pause: Callable[[float], None] = time.sleep,
) -> list[FetchReport]:
    """Fetch the watches and warnings in force at a yard that uses the US Weather Service; none elsewhere."""
    if all(used.source != ALERTS_SOURCE for used in sources.used_sources(conn, yard)):
        return []
    now = clock()
    run = Pull(conn, yard, register_store.yard_id(conn, yard.key), Wire(yard.contact, clock, pause), settings, None)
    return [run.alerts(request) for request in nws_alerts.requests_for(yard, now, now + timedelta(hours=1), now)]


def current_alerts(conn: sqlite3.Connection, yard: Yard, now: datetime) -> list[StoredAlert]:
    """Watches and warnings that had not ended at a moment, as the answer fetched last by then tells them."""
    yard_id = register_store.yard_id(conn, yard.key)
    told = bulletins.read_alerts(conn, yard_id, ALERTS_SOURCE, nws_alerts.URL, now)
    return [alert for alert in told if alert.ends > now]


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
    archive: Archive = "historical-forecast",
) -> FetchReport:
    """Take a saved answer of a service, or a file of the yard's logger; kept as it came whether readable or not.

    A file of a kind that no service sends, a workbook or a picture, is refused and not kept.

    ``station`` picks one out of a file that has several; ``logger`` is a LoggerMapping, None where the file's headers
    speak for themselves; ``archive`` says which of Open-Meteo's two a saved answer is from, for it does not say.
    """
    if (kind := wrong_kind(content)) is not None:
        return FetchReport(source, False, f"{file_name}: {kind} Nothing was stored.")
    headers = met_norway.saved_headers(content) if source == "met-norway" else {}
    answer = Answer(url=f"{store.FILE}{file_name}", status=200, headers=headers, body=content, fetched_at=fetched_at)
    yard_id = register_store.yard_id(conn, yard.key)
    if PROVIDERS[source].is_daily:
        return _of_file(take_days(conn, yard_id, source, answer, station or "", f"{file_name}: ", any_units=True))
    options: dict[str, Any] = {}
    if source == "logger":
        options["mapping"] = logger
    elif source in ("metar-archive", "nws-observations"):
        options["station"] = station or ""
    elif source == "open-meteo-archive":
        options["which"] = archive
    return _of_file(take(conn, yard_id, source, answer, options, f"{file_name}: "))


def _of_file(report: FetchReport) -> FetchReport:
    """What is told of a file: no pull asks for it again, and it may be another service's."""
    remedy = " See that it is the file you mean, and that --source names the service it is from."
    return replace(report, sentence=report.sentence.replace(NEXT_PULL, remedy))


def record_reading(
    conn: sqlite3.Connection,
    yard: Yard,
    values: dict[str, float],
    *,
    at: datetime,
    by: str,
    recorded_at: datetime,
    over_h: int = 1,
) -> FetchReport:
    """Keep what somebody read from a stake, a gauge or a gust meter: canonical values by variable.

    A second reading of the same hour is joined to the first; of the same quantity in the same hour the newer counts.
    Raises LogError for a name that cannot be written down.
    """
    check_words(by, "name of who read it")
    yard_id = register_store.yard_id(conn, yard.key)
    body = hand.written(at, by, values, over_h)
    answer = Answer(url=f"{BY_HAND}{by}", status=200, headers={}, body=body, fetched_at=recorded_at)
    parsed = hand.parse(body, fetched_at=recorded_at)
    first, last = parsed.hours.index.min().to_pydatetime(), parsed.hours.index.max().to_pydatetime()
    for earlier in store.read_hours(conn, yard_id, recorded_at, first, last):
        if earlier.series.source == "hand":
            parsed = _joined(parsed, earlier.series)
    store.store_hours(conn, yard_id, "hand", answer, parsed)
    begin, end = (local_text(each, yard.time_zone, year=True) for each in (first - timedelta(hours=1), last))
    read = ", ".join(VARIABLES[name].label for name in values)
    return FetchReport("hand", True, f"hand: {read} kept for {begin} to {end}.")


def merged_weather(
    conn: sqlite3.Connection,
    yard: Yard,
    known_at: datetime | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> Merged:
    """The yard's hours as known at a moment, from the best source of each value; faults are flagged and unused."""
    order, single = sources.orders(conn, yard, known_at)
    return merge_by_priority(judged_series(conn, yard, known_at, start, end), order, single)


def weather_mark(conn: sqlite3.Connection, yard: Yard, known_at: datetime | None = None) -> tuple[object, ...]:
    """What `merged_weather` rests on besides its span: an equal mark means the same hours from the same sources."""
    known = store.known_mark(conn, register_store.yard_id(conn, yard.key), known_at)
    return (*known, sources.orders(conn, yard, known_at))


def judged_series(
    conn: sqlite3.Connection, yard: Yard, known_at: datetime | None, start: datetime | None, end: datetime | None
) -> list[SourceSeries]:
    """Every source's hours, with the flags that their values earn on reading beside those that the parser gave."""
    stored = store.read_hours(conn, register_store.yard_id(conn, yard.key), known_at, start, end)
    return [_judged(each.series) for each in stored]


def _services(conn: sqlite3.Connection, yard: Yard, source: str | None) -> list[UsedSource]:
    used = sources.used_sources(conn, yard)
    if source is not None:
        used = [each for each in used if each.source == source]
        if not used:
            raise StormwalkError(sources.without_use(yard, source))
    if not used:
        raise StormwalkError(
            f"Yard {yard.key} uses no weather service. Nothing was fetched. Choose one with "
            f'"stormwalk weather sources --yard {yard.key} --auto" or "--use NAME", or import files with '
            f'"stormwalk weather import".'
        )
    return used


def _joined(newer: ParsedHours, earlier: SourceSeries) -> ParsedHours:
    """The hours of a reading with what an earlier one knew of them besides."""
    hours = newer.hours.combine_first(earlier.hours)
    hours = hours[[name for name in VARIABLES if name in hours.columns]]
    return ParsedHours(hours, no_flags(hours), pd.Series("observed", index=hours.index, dtype="str"))


def _judged(series: SourceSeries) -> SourceSeries:
    """A series with the flags that its values earn on reading beside those that its parser gave."""
    earned = quality.flag(series.hours, kind=series.kind)
    return replace(series, flags=quality.combine(series.flags, earned))
