"""Bright Sky, stations and forecasts of the German weather service: requests for a yard, answers as hours. Pure."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd

from monitor.errors import ProviderContractError
from monitor.register import Yard
from monitor.variables import VARIABLES, Kind
from monitor.weather.answers import broken, decoded, member, moment, number, quoted
from monitor.weather.hourly_answers import full_hours, in_stated_unit, rain_and_snow
from monitor.weather.providers import Request
from monitor.weather.table import ParsedHours, no_flags

SERVICE = "Bright Sky"
URL = "https://api.brightsky.dev/weather"
EARLIEST = datetime(2010, 1, 1, tzinfo=UTC)
MOST_FORECAST_DAYS = 10

_COLUMNS = {
    "temperature": ("air_temperature_c", "°C"),
    "dew_point": ("dew_point_c", "°C"),
    "relative_humidity": ("relative_humidity_pct", "%"),
    "wind_speed": ("wind_speed_ms", "km/h"),
    "wind_gust_speed": ("wind_gust_ms", "km/h"),
    "wind_direction": ("wind_from_deg", "°"),
    "precipitation": ("precipitation_mm", "mm"),
    "cloud_cover": ("cloud_cover_pct", "%"),
    "visibility": ("visibility_km", "m"),
    "solar": ("solar_wm2", "W/m²"),  # once its kWh/m² of the hour are a mean power
}
"""The service's name, the canonical variable, and the unit that ``units=dwd`` stands for; the answer states none."""

_KIND: dict[str, Kind] = {
    "historical": "observed",
    "current": "observed",
    "synop": "observed",
    "forecast": "forecast",
}

_TOO_LARGE = {"temperature": 150.0, "dew_point": 150.0, "pressure_msl": 2000.0, "solar": 100.0}
"""From here on a value is one of ``units=si``: K, Pa, J/m². In °C, hPa and kWh/m² nothing on earth comes near."""


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime) -> list[Request]:
    """One request for each calendar month from ``start`` to ``end``, from 2010 to ten days ahead.

    Parameters
    ----------
    yard : Yard
        The service takes the nearest stations; it has them in Germany, and forecasts for few places elsewhere.
    start, end, now : datetime
        UTC. Nothing to ask for gives an empty list.
    """
    span = max(start, EARLIEST), min(end, now + timedelta(days=MOST_FORECAST_DAYS))
    return [
        Request(
            url=URL,
            params={
                "lat": f"{yard.latitude_deg:.4f}",
                "lon": f"{yard.longitude_deg:.4f}",
                "date": f"{first + timedelta(hours=1):%Y-%m-%dT%H:%MZ}",  # the end of the first hour
                "last_date": f"{last:%Y-%m-%dT%H:%MZ}",  # the service includes it
                "tz": "UTC",
                "units": "dwd",
            },
        )
        for first, last in _months(*span)
    ]


def parse(body: bytes, *, fetched_at: datetime) -> ParsedHours:
    """Canonical hours of the stations near a place, and of the forecast where the stations end.

    Precipitation, wind, gust and sunshine are those of the hour before the stamp. The source that a record names says
    whether it is observed or forecast. A value that the service borrowed from a forecast to complete an observed
    record is left out: it would pass for measured.

    Parameters
    ----------
    body : bytes
        The answer as it came, asked with ``units=dwd``.
    fetched_at : datetime
        When it came (UTC). The answer itself says what is forecast, so nothing depends on it.

    Raises
    ------
    ProviderContractError
        The answer is an error, not JSON, cut off, in other units, or has a source, a time or a value that is not
        expected.
    """
    answer = decoded(SERVICE, body)
    if isinstance(answer, Mapping) and "weather" not in answer and "detail" in answer:
        raise ProviderContractError(
            f'Bright Sky sent an error instead of weather: "{quoted(answer["detail"])}". Nothing was read.'
        )
    kind_of = _kinds(member(SERVICE, answer, "sources", list))
    records, repeated = _once(member(SERVICE, answer, "weather", list))
    if records and not any(name in record for name in _COLUMNS for record in records):
        raise broken(SERVICE, f"at least one of {', '.join(_COLUMNS)}", "none of them in any record")
    index = full_hours(SERVICE, [moment(SERVICE, "timestamp", record.get("timestamp")) for record in records])
    kinds = pd.Series([_kind(record.get("source_id"), kind_of) for record in records], index=index, dtype="str")
    own = [_without_loans(record, kind_of) for record in records]
    hours = _hours(index, own).sort_index()
    loans = sum(_values(record) - _values(left) for record, left in zip(records, own, strict=True))
    return ParsedHours(hours, no_flags(hours), kinds.sort_index(), _notes(hours, repeated, loans))


def _months(start: datetime, end: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Spans of full hours that begin with a calendar month, so that a request repeated is the same request."""
    start = start.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    end = end.astimezone(UTC)
    while start + timedelta(hours=1) <= end:
        next_month = (start.replace(day=1, hour=0) + timedelta(days=32)).replace(day=1)
        yield start, min(next_month, end)
        start = next_month


def _kinds(sources: list[Any]) -> dict[int, Kind]:
    """Kind of each source by its id."""
    kinds: dict[int, Kind] = {}
    for source in sources:
        if not isinstance(source, dict) or not isinstance(source.get("id"), int):
            raise broken(SERVICE, "sources with an id", f"{source!r:.40}")
        stated = source.get("observation_type")
        if not isinstance(stated, str) or stated not in _KIND:
            raise broken(SERVICE, f"observation_type as one of {', '.join(_KIND)}", f"{stated!r:.40}")
        kinds[source["id"]] = _KIND[stated]
    return kinds


def _kind(source: Any, kinds: Mapping[int, Kind]) -> Kind:
    if not isinstance(source, int) or source not in kinds:
        listed = ", ".join(map(str, kinds)) or "none"
        raise broken(SERVICE, f'only sources listed in "sources" ({listed})', f"{source!r:.40}")
    return kinds[source]


def _once(weather: list[Any]) -> tuple[list[dict[str, Any]], int]:
    """Records without exact repeats, and how many those were."""
    by_time: dict[str, list[dict[str, Any]]] = {}
    for position, record in enumerate(weather, 1):
        if not isinstance(record, dict):
            raise broken(SERVICE, f'an object as record {position} of "weather"', type(record).__name__)
        alike = by_time.setdefault(repr(record.get("timestamp")), [])
        if record not in alike:
            alike.append(record)
    once = [record for alike in by_time.values() for record in alike]
    return once, len(weather) - len(once)


def _without_loans(record: dict[str, Any], kinds: Mapping[int, Kind]) -> dict[str, Any]:
    """The record without what a forecast lent to it, unless it is a forecast itself."""
    lenders = record.get("fallback_source_ids") or {}
    if not isinstance(lenders, dict):
        raise broken(SERVICE, "fallback_source_ids as an object", type(lenders).__name__)
    if _kind(record.get("source_id"), kinds) == "forecast":
        return record
    lent = {name for name, lender in lenders.items() if _kind(lender, kinds) == "forecast"}
    return {name: None if name in lent else value for name, value in record.items()}


def _values(record: Mapping[str, Any]) -> int:
    return sum(record.get(name) is not None for name in _COLUMNS)


def _hours(index: pd.DatetimeIndex, records: list[dict[str, Any]]) -> pd.DataFrame:
    columns = {}
    for name, limit in _TOO_LARGE.items():
        if (largest := _column(name, index, records).max()) > limit:
            raise broken(SERVICE, "the units of units=dwd", f"{name} {largest:g}, as units=si would give it")
    for name, (variable, unit) in _COLUMNS.items():
        if any(name in record for record in records):
            values = _column(name, index, records)
            power = values * 1000 if name == "solar" else values
            columns[variable] = in_stated_unit(SERVICE, name, variable, power, unit)
    if "precipitation_mm" in columns:  # sleet, hail and thunderstorms may be either: left to the temperature
        falls = pd.Series([str(record.get("condition")) for record in records], index=index, dtype="str")
        columns |= rain_and_snow(columns["precipitation_mm"], falls == "rain", falls == "snow")
    ordered = [name for name in VARIABLES if name in columns]
    return pd.DataFrame(columns, columns=ordered, index=index, dtype="float64")


def _column(name: str, index: pd.DatetimeIndex, records: list[dict[str, Any]]) -> pd.Series:
    read = zip(index, records, strict=True)
    numbers = [number(SERVICE, f"{name} of {hour:%Y-%m-%d %H:%MZ}", record.get(name)) for hour, record in read]
    return pd.Series(numbers, index=index, dtype="float64")


def _notes(hours: pd.DataFrame, repeated: int, loans: int) -> tuple[str, ...]:
    notes = []
    if hours.empty:
        notes.append("Bright Sky sent no hours.")
    if repeated:
        notes.append(f"{repeated} records stood twice in Bright Sky's answer.")
    if loans:
        notes.append(f"{loans} values of observed hours that Bright Sky took from a forecast were left out.")
    return tuple(notes)
