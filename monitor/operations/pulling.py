"""One pull for one yard: what is due from each service, asked for, read, and kept with how it went."""

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

import pandas as pd

from monitor.clocks import taken_off
from monitor.errors import ProviderContractError, ServiceUnavailableError, StormwalkError
from monitor.operations import sources
from monitor.operations.fetching import News, Wire, news
from monitor.operations.sources import UsedSource
from monitor.register import Yard
from monitor.settings import OPEN_METEO_SETTINGS, Settings
from monitor.store import bulletins
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.store import weather as store
from monitor.weather.providers import PROVIDERS, Answer, Request, http, nws_alerts, open_meteo
from monitor.weather.providers.ncei_daily import ParsedDays
from monitor.weather.providers.open_meteo_archive import EARLIEST, which_archive
from monitor.weather.table import ParsedHours

REFRESH_DAYS = 3
"""What is fetched again once a day: late reports and revised hours come in."""

OVERLAP = timedelta(hours=6)
"""What is fetched again at every other pull of the day."""

FORECAST_DAYS = 3

FORECAST_EVERY = timedelta(hours=2)
"""How often forecasts are asked for: they are renewed less often, and each version is kept for good."""

_SLACK = timedelta(minutes=10)

PIECE_RETRY = timedelta(days=1)
"""An answer for a time long past that could not be read is asked for again after this."""

DAYS_CHECKED = 30
"""Measured days come late and change: so many are asked for again each week."""

WEEK = timedelta(days=7)

ALERTS_SOURCE = "nws-grid"
"""Under this name alerts are kept: they are the same service's word on the same place."""

FORECAST_ONLY = ("nws-grid", "met-norway")

_HOUR = timedelta(hours=1)

T = TypeVar("T")

Progress = Callable[[str, int, int], None]
"""Told after each request: the source, how many of its requests are done, and of how many."""


@dataclass(frozen=True)
class FetchReport:
    """What came of one attempt to get weather; ``good`` where hours were stored or were the same as before."""

    source: str
    good: bool
    sentence: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Pull:
    """One pull for one yard, with what it needs at every step; a service that fails gives a report, not an error."""

    conn: sqlite3.Connection
    yard: Yard
    yard_id: int
    wire: Wire
    settings: Settings
    progress: Progress | None

    def is_time(self, name: str) -> bool:
        """Whether a service is to be asked in an ordinary pull: one of forecasts not at each."""
        if name not in FORECAST_ONLY:
            return True
        last = store.last_hours_at(self.conn, self.yard_id, name)
        return last is None or not timedelta(0) <= self.wire.clock() - last < FORECAST_EVERY - _SLACK

    def refresh(self, used: UsedSource, start: datetime | None) -> list[FetchReport]:
        """Everything that is due from one service."""
        name = used.source
        try:
            placed = sources.find_place(self.conn, self.yard, used, self.wire)
            due = self._due(placed, start)
        except StormwalkError as error:
            return [self._failed(name, str(error))]
        if not due and start is not None:
            return [FetchReport(name, False, f"{name}: {_nothing_to_ask(start)}")]
        reports: list[FetchReport] = []
        for number, request in enumerate(due, 1):
            try:
                reports.append(self._fetch(placed, request))
            except ServiceUnavailableError as error:
                reports.append(self._failed(name, str(error), request))
                break
            if self.progress is not None:
                self.progress(name, number, len(due))
        return reports

    def look_up(self, used: UsedSource) -> FetchReport:
        """The grid cell, anew."""
        try:
            found = sources.look_up_grid(self.conn, self.yard, used, self.wire)
        except StormwalkError as error:
            return self._failed(used.source, str(error))
        change = "is still" if found.station == used.station else "is now"
        return FetchReport(used.source, True, f"{used.source}: the yard's grid cell {change} {found.station}.")

    def alerts(self, request: Request) -> FetchReport:
        """The watches and warnings in force."""
        try:
            told = news(self.conn, self.yard_id, ALERTS_SOURCE, self.wire, request)
        except ServiceUnavailableError as error:
            return self._failed(ALERTS_SOURCE, str(error), request)
        if told.answer is None or told.unchanged is not None:
            return self._unchanged(ALERTS_SOURCE, told)
        answer = told.answer
        try:
            found = _read(self.conn, self.yard_id, ALERTS_SOURCE, answer, lambda: nws_alerts.parse_alerts(answer.body))
        except ProviderContractError as error:
            return FetchReport(ALERTS_SOURCE, False, f"{ALERTS_SOURCE}: {error}")
        bulletins.store_alerts(self.conn, self.yard_id, ALERTS_SOURCE, answer, found)
        count = "no alert is" if not found else "1 alert is" if len(found) == 1 else f"{len(found)} alerts are"
        return FetchReport(ALERTS_SOURCE, True, f"{ALERTS_SOURCE}: {count} in force.")

    def _due(self, used: UsedSource, start: datetime | None) -> list[Request]:
        """Requests in the order in which they are made: what is new, then what lies further and further back."""
        now, name = self.wire.clock(), used.source
        if start is not None:
            return self._requests(used, start, now + timedelta(days=FORECAST_DAYS))
        if name in FORECAST_ONLY:
            return self._requests(used, now, now + timedelta(days=FORECAST_DAYS))
        season = self._season(now)
        if PROVIDERS[name].is_daily:
            return self._days_due(used, season, now)
        asked = store.asked_span(self.conn, self.yard_id, name)
        if name == "open-meteo-archive":
            until = now - timedelta(days=open_meteo.MOST_PAST_DAYS) if asked is None else asked[0] - _HOUR
            return self._unsettled(name, self._requests(used, season, until)[::-1])
        end = now + timedelta(days=FORECAST_DAYS)
        if asked is None and name == "nws-observations" and self._answered_today(name, now):
            return self._requests(used, now - OVERLAP, end)
        if asked is None:
            backwards = self._requests(used, season, end)[::-1]
            return [*backwards[:1], *self._unsettled(name, backwards[1:])]
        first, last = asked
        begin = max(min(self._recent(name, now), last), season)
        if name == "open-meteo":
            reach = max(season, now - timedelta(days=open_meteo.MOST_PAST_DAYS))
            return self._requests(used, reach if reach + timedelta(days=2) < first else begin, end)
        live = self._requests(used, begin, end)
        return (
            self._unsettled(name, live[:-1])
            + live[-1:]
            + self._unsettled(name, self._requests(used, season, first - _HOUR)[::-1])
        )

    def _days_due(self, used: UsedSource, season: datetime, now: datetime) -> list[Request]:
        last = store.last_answer(self.conn, self.yard_id, used.source)
        if last is not None and now - last.fetched_at < WEEK:
            return []
        begin = season if last is None else now - timedelta(days=DAYS_CHECKED)
        backwards = self._requests(used, begin, now)[::-1]
        return [*backwards[:1], *self._unsettled(used.source, backwards[1:])]

    def _season(self, now: datetime) -> datetime:
        """When the first of the covers that are still on was wrapped, or some days ago."""
        off = taken_off(log_store.log_of_yard(self.conn, self.yard_id))
        covers = [one for one in register_store.covers(self.conn, self.yard.key) if one.stored_id not in off]
        wrapped = min((cover.builds[0].built_at for cover in covers), default=now)
        return min(wrapped, now - timedelta(days=REFRESH_DAYS))

    def _recent(self, name: str, now: datetime) -> datetime:
        """Since when hours are fetched again: some days at the first pull of a day (UTC), else some hours."""
        return now - (OVERLAP if self._answered_today(name, now) else timedelta(days=REFRESH_DAYS))

    def _answered_today(self, name: str, now: datetime) -> bool:
        newest = store.last_answer(self.conn, self.yard_id, name)
        return newest is not None and newest.fetched_at.date() == now.astimezone(UTC).date()

    def _unsettled(self, name: str, requests: Sequence[Request]) -> list[Request]:
        """Those for times past that were not answered yet; one that could not be read is asked again a day later."""
        return [request for request in requests if not self._is_settled(name, request)]

    def _is_settled(self, name: str, request: Request) -> bool:
        fetch = store.answered(self.conn, self.yard_id, name, http.address(request))
        if fetch is None:
            return False
        return fetch.outcome != "refused" or self.wire.clock() - fetch.fetched_at < PIECE_RETRY

    def _requests(self, used: UsedSource, begin: datetime, end: datetime) -> list[Request]:
        options: dict[str, Any] = {}
        yard, now = self.yard, self.wire.clock()
        if used.source == "metar-archive":
            yard = replace(yard, station=used.station)
        elif used.source in ("nws-observations", "ncei-daily"):
            options["station"] = used.station
        elif used.source == "nws-grid":
            options["grid_url"] = used.details.get("grid_url", "")
        elif used.source in sources.WITH_A_PLAN:
            options["customer_key"] = self.settings.open_meteo_key
            options["own_server"] = self.settings.open_meteo_server
        if used.source == "open-meteo-archive" and begin.date() < EARLIEST["historical-forecast"]:
            options["which"] = "archive"
        try:
            return PROVIDERS[used.source].requests_for(yard, begin, end, now, **options)
        except StormwalkError as error:
            setting = OPEN_METEO_SETTINGS.get(yard.open_meteo_plan) if used.source in sources.WITH_A_PLAN else None
            raise StormwalkError(
                f"{error} It is read from {setting} in the environment." if setting else str(error)
            ) from None

    def _fetch(self, used: UsedSource, request: Request) -> FetchReport:
        """One answer, kept and read. Raises ServiceUnavailableError."""
        name = used.source
        try:
            told = news(self.conn, self.yard_id, name, self.wire, request)
        except http.RefusedError as error:
            if error.status != 404 or name != "nws-grid":
                raise
            moved = sources.look_up_grid(self.conn, self.yard, used, self.wire)  # grid cells change now and then
            if moved.details["grid_url"] == request.url:
                raise
            told = news(self.conn, self.yard_id, name, self.wire, replace(request, url=moved.details["grid_url"]))
        if told.answer is None or told.unchanged is not None:
            return self._unchanged(name, told)
        answer = told.answer
        if PROVIDERS[name].is_daily:
            return take_days(self.conn, self.yard_id, name, answer, used.station, f"{name}: ")
        options: dict[str, Any] = {}
        if name in ("metar-archive", "nws-observations"):
            options["station"] = used.station
        elif name == "open-meteo-archive":
            options["which"] = which_archive(answer.url)
        return take(self.conn, self.yard_id, name, answer, options, f"{name}: ")

    def _unchanged(self, name: str, told: News) -> FetchReport:
        if told.answer is not None and told.unchanged is not None:
            store.record_unchanged(self.conn, told.answer, told.unchanged)
            return FetchReport(name, True, f"{name}: unchanged since the last answer.")
        return FetchReport(name, True, f"{name}: its last answer holds until {told.until:%Y-%m-%d %H:%M} UTC.")

    def _failed(self, name: str, sentence: str, request: Request | None = None) -> FetchReport:
        url = "" if request is None else http.address(request)
        store.record_failure(self.conn, self.yard_id, name, self.wire.clock(), sentence, url)
        return FetchReport(name, False, f"{name}: {sentence}")


def _nothing_to_ask(begin: datetime) -> str:
    return (
        f"it gives no hours from {begin:%Y-%m-%d %H:%M} UTC on, because they are still to come or too long ago. "
        f"Nothing was fetched. Choose another --from."
    )


def _read(conn: sqlite3.Connection, yard_id: int, source: str, answer: Answer, parse: Callable[[], T]) -> T:
    """What ``parse`` makes of an answer. Whatever stops it, the answer is kept as refused, and the error goes on."""
    told = "stormwalk itself failed to read this answer. It is kept; please report it with the answer."
    done = False
    try:
        found = parse()
        done = True
    except ProviderContractError as error:
        told = str(error)
        raise
    finally:
        if not done:
            store.record_refusal(conn, yard_id, source, answer, told)
    return found


def take(
    conn: sqlite3.Connection, yard_id: int, source: str, answer: Answer, options: dict[str, Any], prefix: str
) -> FetchReport:
    """Parse an answer and keep it: with its hours, or as refused with the sentence that says why."""

    def parse() -> ParsedHours:
        return PROVIDERS[source].parse(answer.body, fetched_at=answer.fetched_at, **options)

    try:
        parsed = _read(conn, yard_id, source, answer, parse)
    except ProviderContractError as error:
        return FetchReport(source, False, f"{prefix}{error}")
    fetch = store.store_hours(conn, yard_id, source, answer, parsed)
    said = _kept("hours", fetch.outcome, parsed.hours.index, "%Y-%m-%d %H:%M", " UTC")
    return FetchReport(source, True, f"{prefix}{said}", parsed.notes)


def take_days(
    conn: sqlite3.Connection,
    yard_id: int,
    source: str,
    answer: Answer,
    station: str,
    prefix: str,
    *,
    any_units: bool = False,
) -> FetchReport:
    """The same for measured days. A file does not say its units: those are taken in which its numbers can be."""

    def parse() -> ParsedDays:
        parse_days = PROVIDERS[source].parse_days
        try:
            return parse_days(answer.body, station=station)
        except ProviderContractError:
            if not any_units:
                raise
            try:
                found = parse_days(answer.body, station=station, units="standard")
            except ProviderContractError:
                found = None
            if found is None:
                raise
            return replace(found, notes=(*found.notes, "Read in °F, inch and mph: its numbers are not metric."))

    try:
        parsed = _read(conn, yard_id, source, answer, parse)
    except ProviderContractError as error:
        return FetchReport(source, False, f"{prefix}{error}")
    fetch = bulletins.store_days(conn, yard_id, source, answer, parsed)
    said = _kept("days", fetch.outcome, parsed.days.index, "%Y-%m-%d")
    return FetchReport(source, True, f"{prefix}{said}", parsed.notes)


def _kept(what: str, outcome: str, stamps: "pd.Index[Any]", shown: str, clock: str = "") -> str:
    """What was stored of an answer, in words; ``what`` it has is hours or days, ``shown`` the form of their times."""
    if outcome == "empty":
        return f"no {what} in the answer."
    known = f"the same {what} as before" if outcome == "same" else f"{len(stamps)} {what} stored"
    return f"{known}, {stamps[0].strftime(shown)} to {stamps[-1].strftime(shown)}{clock}."
