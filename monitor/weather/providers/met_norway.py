"""MET Norway Locationforecast 2.0: the request for a yard, and its answers as canonical hours. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.variables import VARIABLES
from monitor.weather.answers import broken, decoded, member, moment, number
from monitor.weather.hourly_answers import full_hours, in_stated_unit, rain_and_snow
from monitor.weather.providers import Request
from monitor.weather.table import ParsedHours, hourly_index, no_flags

SERVICE = "MET Norway"
URL = "https://api.met.no/weatherapi/locationforecast/2.0/complete"
MOST_FORECAST_DAYS = 10

_INSTANT = {
    "air_temperature": "air_temperature_c",
    "dew_point_temperature": "dew_point_c",
    "relative_humidity": "relative_humidity_pct",
    "wind_speed": "wind_speed_ms",
    "wind_speed_of_gust": "wind_gust_ms",
    "wind_from_direction": "wind_from_deg",
    "cloud_area_fraction": "cloud_cover_pct",
}
_AMOUNT = "precipitation_amount"
_SPELT = {"celsius": "°C", "degrees": "°"}
"""The service's spelling of units, where it is not ours."""


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime) -> list[Request]:
    """The one request for the forecast; the service has no past and looks ten days ahead.

    A span without a future hour gives an empty list. The service asks that nobody asks again before the ``Expires`` of
    its last answer, and then only for what has changed: ``http.holds_until`` and ``http.conditional``.

    Raises StormwalkError where the yard has no contact: the service refuses callers that give none.
    """
    if not yard.contact.strip():
        raise StormwalkError(
            f'Yard "{yard.name}": nothing was asked of MET Norway, for it refuses callers without a contact. '
            f"Enter a mail address or a page as the yard's contact."
        )
    if start >= end or end <= now or start > now + timedelta(days=MOST_FORECAST_DAYS):
        return []
    params = {
        "lat": f"{yard.latitude_deg:.4f}",  # a fifth decimal is refused
        "lon": f"{yard.longitude_deg:.4f}",
        "altitude": f"{yard.elevation_m:.0f}",
    }
    return [Request(url=URL, params=params)]


def parse(body: bytes, *, fetched_at: datetime) -> ParsedHours:
    """Canonical hours of one place; all are forecast.

    Temperature, wind and the like are of the moment ``time``. Precipitation is of the hours after it: by the hour
    where the service gives that, later by six hours, which are divided evenly. Then only every sixth hour has a
    temperature, and the hours between stay missing. The service does not say of which hour a gust is the highest; it
    stands among the values of the moment and is read as the others are.

    Parameters
    ----------
    body : bytes
        The answer as it came, complete or compact, bare or saved together with its headers, see ``saved_headers``.
    fetched_at : datetime
        When it came (UTC). A forecast stays one, so nothing depends on it.

    Raises
    ------
    ProviderContractError
        The answer is not JSON, cut off, or has a unit, a time or a value that is not expected.
    """
    properties = member(SERVICE, _unwrapped(decoded(SERVICE, body)), "properties", dict)
    steps = _steps(member(SERVICE, properties, "timeseries", list))
    units = member(SERVICE, member(SERVICE, properties, "meta", dict), "units", dict)
    columns = _instants(steps, units).join(_water(steps, units), how="outer")
    if steps and columns.empty:
        raise broken(SERVICE, f"at least one of {', '.join([*_INSTANT, _AMOUNT])}", "none of them in any step")
    hours = columns[[name for name in VARIABLES if name in columns.columns]]
    kinds = pd.Series("forecast", index=hours.index, dtype="str")
    return ParsedHours(hours=hours, flags=no_flags(hours), kinds=kinds, notes=_notes(hours))


def saved_headers(body: bytes) -> dict[str, str]:
    """Headers of an answer that was saved as ``{"status_code", "headers", "data"}``; empty for a bare answer."""
    try:
        answer = decoded(SERVICE, body)
    except ProviderContractError:
        return {}
    headers = answer.get("headers") if _is_wrapped(answer) else None
    stated = headers if isinstance(headers, dict) else {}
    return {name: text for name, text in stated.items() if isinstance(text, str)}


def _is_wrapped(answer: Any) -> bool:
    return isinstance(answer, dict) and "data" in answer and "properties" not in answer


def _unwrapped(answer: Any) -> Any:
    if not _is_wrapped(answer):
        return answer
    status = answer.get("status_code", 200)
    if status not in (200, 203):  # 203: this version of the service will end
        raise broken(SERVICE, "a saved answer with status 200", f"status {status!r:.40}")
    return answer["data"]


@dataclass(frozen=True)
class _Step:
    time: datetime
    data: dict[str, Any]

    @property
    def name(self) -> str:
        return f"{self.time:%Y-%m-%d %H:%MZ}"

    def details(self, block: str) -> dict[str, Any]:
        """Values of ``instant`` or of a period; empty where the step has none, which any step may."""
        return _part(_part(self.data, block, self.name), "details", self.name)

    def symbol(self, block: str) -> str:
        symbol = _part(_part(self.data, block, self.name), "summary", self.name).get("symbol_code")
        return symbol if isinstance(symbol, str) else ""


def _part(holder: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    part = holder.get(key)
    if part is not None and not isinstance(part, dict):
        raise broken(SERVICE, f'an object "{key}" in step {where}', type(part).__name__)
    return part or {}


def _steps(timeseries: list[Any]) -> list[_Step]:
    """Steps in order of time."""
    steps = []
    for step in timeseries:
        data = member(SERVICE, step, "data", dict)
        steps.append(_Step(moment(SERVICE, "time of a step", step.get("time")), data))
    full_hours(SERVICE, [step.time for step in steps])
    return sorted(steps, key=lambda step: step.time)


def _instants(steps: list[_Step], units: Mapping[str, Any]) -> pd.DataFrame:
    """Values of the moments, as far as any step has them."""
    details = [step.details("instant") for step in steps]
    index = hourly_index([step.time for step in steps])
    columns = {}
    for name, variable in _INSTANT.items():
        if any(name in each for each in details):
            read = zip(steps, details, strict=True)
            numbers = [number(SERVICE, f"{name} of {step.name}", each.get(name)) for step, each in read]
            columns[variable] = _canonical(name, variable, pd.Series(numbers, index=index, dtype="float64"), units)
    return pd.DataFrame(columns, index=index, dtype="float64")


def _water(steps: list[_Step], units: Mapping[str, Any]) -> pd.DataFrame:
    """Precipitation by the hour, and as rain and snow where the symbol says which of them it is."""
    periods = _periods(steps)
    if not periods:
        return pd.DataFrame(index=hourly_index([]))
    endings = hourly_index([hour for period in periods for hour in period.hour_endings])
    amounts = [period.amount / period.length_h for period in periods for _ in period.hour_endings]
    symbols = pd.Series([period.symbol for period in periods for _ in period.hour_endings], index=endings, dtype="str")
    water = _canonical(_AMOUNT, "precipitation_mm", pd.Series(amounts, index=endings, dtype="float64"), units)
    rains, snows = symbols.str.contains("rain"), symbols.str.contains("snow")  # sleet is left to the temperature
    return pd.DataFrame({"precipitation_mm": water, **rain_and_snow(water, rains, snows)})


@dataclass(frozen=True)
class _Period:
    start: datetime
    length_h: int
    amount: float
    symbol: str

    @property
    def hour_endings(self) -> list[datetime]:
        return [self.start + timedelta(hours=hour + 1) for hour in range(self.length_h)]


def _periods(steps: list[_Step]) -> list[_Period]:
    """Periods of which none overlaps another: every single hour, then six hours of which none is told already."""
    used: list[_Period] = []
    told: set[datetime] = set()
    for block, length_h in (("next_1_hours", 1), ("next_6_hours", 6)):
        for step in steps:
            amount = number(SERVICE, f"{_AMOUNT} of {step.name}", step.details(block).get(_AMOUNT))
            period = _Period(step.time, length_h, amount, step.symbol(block))
            if not np.isnan(amount) and told.isdisjoint(period.hour_endings):
                used.append(period)
                told.update(period.hour_endings)
    return used


def _canonical(name: str, variable: str, values: pd.Series, units: Mapping[str, Any]) -> pd.Series:
    unit = units.get(name)
    return in_stated_unit(SERVICE, name, variable, values, _SPELT.get(unit, unit) if isinstance(unit, str) else unit)


def _notes(hours: pd.DataFrame) -> tuple[str, ...]:
    if hours.empty:
        return ("MET Norway sent no hours.",)
    if "wind_gust_ms" not in hours.columns or hours["wind_gust_ms"].isna().all():
        return ("MET Norway sent no gusts; it has them for the Nordic and Arctic area alone.",)
    return ()
