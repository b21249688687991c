"""Open-Meteo forecast service: the requests for a yard, and its answers as canonical hours. Pure."""

import math
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.answers import broken, decoded, quoted
from monitor.weather.providers import Request
from monitor.weather.table import ParsedHours, hourly_index, no_flags
from monitor.weather.units import conversion, units_of

SERVICE = "Open-Meteo"
FREE_URL = "https://api.open-meteo.com/v1/forecast"
CUSTOMER_URL = "https://customer-api.open-meteo.com/v1/forecast"
MOST_PAST_DAYS = 92
MOST_FORECAST_DAYS = 16

ASKED = (
    "temperature_2m",
    "dew_point_2m",
    "relative_humidity_2m",
    "precipitation",
    "rain",
    "showers",
    "snowfall",
    "snow_depth",
    "weather_code",
    "cloud_cover",
    "shortwave_radiation",
    "wind_speed_10m",
    "wind_gusts_10m",
    "wind_direction_10m",
)

_OLD_NAMES = {
    "dewpoint_2m": "dew_point_2m",
    "relativehumidity_2m": "relative_humidity_2m",
    "weathercode": "weather_code",
    "cloudcover": "cloud_cover",
    "windspeed_10m": "wind_speed_10m",
    "windgusts_10m": "wind_gusts_10m",
    "winddirection_10m": "wind_direction_10m",
}

_VARIABLE = {
    "temperature_2m": "air_temperature_c",
    "dew_point_2m": "dew_point_c",
    "relative_humidity_2m": "relative_humidity_pct",
    "wind_speed_10m": "wind_speed_ms",
    "wind_gusts_10m": "wind_gust_ms",
    "wind_direction_10m": "wind_from_deg",
    "precipitation": "precipitation_mm",
    "rain": "rain_mm",
    "showers": "rain_mm",
    "snowfall": "snowfall_depth_mm",
    "snow_depth": "snow_depth_m",
    "cloud_cover": "cloud_cover_pct",
    "shortwave_radiation": "solar_wm2",
}
"""The service's name and the canonical variable whose units it is read in."""

READ = frozenset({*_VARIABLE, "weather_code", *_OLD_NAMES})
"""Every column that is read, under today's name or a former one."""

SNOWFALL_CM_PER_MM = 0.7
"""The service makes depth from water with this fixed ratio: 7 cm of snowfall are 10 mm of water (its documentation)."""

FREEZING_RAIN_CODES = (56, 57, 66, 67)
"""WMO codes of freezing drizzle and freezing rain, light and dense, as the service documents them."""

SLIGHTLY_NEGATIVE_WM2 = -5.0
"""Sunshine down to here is a rounding of the model's night and is read as 0; less is left for the range flag."""


def requests_for(
    yard: Yard, start: datetime, end: datetime, now: datetime, *, customer_key: str = "", own_server: str = ""
) -> list[Request]:
    """One request that covers ``start`` to ``end`` as far as the service goes: 92 days back, 16 ahead.

    Parameters
    ----------
    yard : Yard
        Its ``open_meteo_plan`` says which server: ``noncommercial``, ``customer_key`` or ``own_server``.
    start, end, now : datetime
        UTC. Nothing to ask for gives an empty list.
    customer_key : str
        For the plan ``customer_key``; stands in ``secret_params`` alone.
    own_server : str
        For the plan ``own_server``: its address, ``https://weather.example/v1/forecast``.

    Raises StormwalkError where the yard states no plan, or what the plan needs is not given.
    """
    url, secret = server(yard, customer_key, own_server)
    today = now.date()
    past_days = min(max((today - start.date()).days, 0), MOST_PAST_DAYS)
    forecast_days = min(max((end.date() - today).days + 1, 0), MOST_FORECAST_DAYS)
    reach = today - timedelta(days=MOST_PAST_DAYS), today + timedelta(days=MOST_FORECAST_DAYS - 1)
    if start >= end or end.date() < reach[0] or start.date() > reach[1]:
        return []
    params = {
        "latitude": f"{yard.latitude_deg:.4f}",
        "longitude": f"{yard.longitude_deg:.4f}",
        "elevation": f"{yard.elevation_m:g}",
        "hourly": ",".join(ASKED),
        "past_days": str(past_days),
        "forecast_days": str(forecast_days),
        "timezone": "GMT",
        "wind_speed_unit": "ms",
    }
    return [Request(url=url, params=params, secret_params=secret)]


def server(yard: Yard, customer_key: str, own_server: str) -> tuple[str, dict[str, str]]:
    """Address and secret parameters by the yard's plan; StormwalkError where it states none or lacks what it needs."""
    match yard.open_meteo_plan:
        case "noncommercial":
            return FREE_URL, {}
        case "customer_key":
            if customer_key:
                return CUSTOMER_URL, {"apikey": customer_key}
            lack = "its plan is customer_key, and no key was given. Set the key"
        case "own_server":
            if own_server:
                return own_server, {}
            lack = "its plan is own_server, and no address was given. Set the server's address"
        case other:
            lack = f"its plan is {other!r}. Enter noncommercial, customer_key or own_server as the yard's plan"
    raise StormwalkError(f'Yard "{yard.name}": nothing was asked of Open-Meteo, for {lack}.')


def parse(body: bytes, *, fetched_at: datetime) -> ParsedHours:
    """Canonical hours of one place.

    The service's hours end at their stamp (precipitation, gust and sunshine are those of the hour before). It does not
    say what is analysis and what forecast: hours that had ended when fetched count as analysis.

    Parameters
    ----------
    body : bytes
        The answer as it came.
    fetched_at : datetime
        When it came (UTC).

    Raises
    ------
    ProviderContractError
        The answer is an error, not JSON, cut off, of several places, or has a unit or a time that is not expected.
    """
    answer = _one_place(decoded(SERVICE, body))
    hourly, stated_units = _hourly_block(answer)
    index = _index(hourly, stated_units, answer.get("utc_offset_seconds", 0))
    columns = {name: _numbers(name, values, len(index)) for name, values in hourly.items() if _is_known(name)}
    if not columns:
        raise broken(SERVICE, f"at least one of the variables {', '.join(ASKED)}", f"only {', '.join(sorted(hourly))}")
    found = {name: _canonical(name, values, stated_units) for name, values in columns.items() if name != "weather_code"}
    hours = pd.DataFrame(_variables(found, columns.get("weather_code")), index=index, dtype="float64").sort_index()
    if hours.index.has_duplicates:
        raise broken(SERVICE, "every hour once", f"{hours.index[hours.index.duplicated()][0]:%Y-%m-%d %H:%MZ} twice")
    ended = hours.index <= pd.Timestamp(fetched_at)
    kinds = pd.Series(np.where(ended, "analysis", "forecast"), index=hours.index, dtype="str")
    return ParsedHours(hours=hours, flags=no_flags(hours), kinds=kinds, notes=_notes(hours))


def _one_place(answer: Any) -> Mapping[str, Any]:
    if isinstance(answer, list):
        if len(answer) != 1:
            raise broken(SERVICE, "one place in an answer", f"{len(answer)} places")
        answer = answer[0]
    if not isinstance(answer, dict):
        raise broken(SERVICE, "an object", f"{type(answer).__name__}")
    if answer.get("error"):
        reason = quoted(answer.get("reason", "no reason given"))
        raise ProviderContractError(f'Open-Meteo sent an error instead of weather: "{reason}". Nothing was read.')
    return answer


def _hourly_block(answer: Mapping[str, Any]) -> tuple[dict[str, list[Any]], dict[str, str]]:
    """Columns and their units under today's names; a column under both its names is read once."""
    blocks = []
    for key in ("hourly", "hourly_units"):
        block = answer.get(key)
        if not isinstance(block, dict):
            raise broken(SERVICE, f'a block "{key}"', f"only {', '.join(sorted(answer)) or 'nothing'}")
        old = {_OLD_NAMES[name]: value for name, value in block.items() if name in _OLD_NAMES}
        blocks.append({**old, **{name: value for name, value in block.items() if name not in _OLD_NAMES}})
    hourly, units = blocks
    if not isinstance(hourly.get("time"), list):
        raise broken(SERVICE, 'a list "time" in the block "hourly"', f"only {', '.join(sorted(hourly)) or 'nothing'}")
    return hourly, units


def _index(hourly: Mapping[str, list[Any]], units: Mapping[str, str], utc_offset_s: Any) -> pd.DatetimeIndex:
    """Hours in UTC: the text has no offset; the whole answer uses the one stated beside it, clock change or not."""
    if (unit := units.get("time")) != "iso8601":
        raise broken(SERVICE, "times as iso8601", f"{unit!r}")
    if isinstance(utc_offset_s, bool) or not isinstance(utc_offset_s, int) or abs(utc_offset_s) > 86400:
        raise broken(SERVICE, "utc_offset_seconds as a whole number within a day", f"{utc_offset_s!r}")
    texts = pd.Series(hourly["time"], dtype="str")
    local = pd.to_datetime(texts, format="%Y-%m-%dT%H:%M", utc=True, errors="coerce")
    if local.isna().any():
        raise broken(SERVICE, "times such as 2026-01-10T06:00", f"{hourly['time'][int(local.isna().argmax())]!r}")
    index = hourly_index(local - pd.Timedelta(seconds=utc_offset_s))
    if bool((index != index.floor("h")).any()):
        raise broken(SERVICE, "full hours in UTC", f"{index[index != index.floor('h')][0]:%Y-%m-%d %H:%MZ}")
    return index


def _is_known(name: str) -> bool:
    return name in _VARIABLE or name == "weather_code"


def _numbers(name: str, values: Any, length: int) -> pd.Series:
    if not isinstance(values, list) or len(values) != length:
        found = f"{len(values)}" if isinstance(values, list) else type(values).__name__
        raise broken(SERVICE, f"{length} values of {name}, one for each time", found)
    for position, value in enumerate(values):
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e300:
            raise broken(SERVICE, f"numbers in {name}", f"{value!r:.60} as value {position + 1}")
    return pd.Series([math.nan if value is None else float(value) for value in values], dtype="float64")


def _canonical(name: str, values: pd.Series, units: Mapping[str, str]) -> pd.Series:
    """Values in the canonical unit, by the unit that the answer states."""
    variable, unit = _VARIABLE[name], units.get(name)
    if unit is None or unit not in units_of(variable):
        raise broken(SERVICE, f"{name} in one of {', '.join(units_of(variable))}", f"{unit!r}")
    return conversion(variable, unit)(values) + 0.0  # the service sends -0


def _variables(found: Mapping[str, pd.Series], weather_code: pd.Series | None) -> dict[str, np.ndarray]:
    variables = {_VARIABLE[name]: values for name, values in found.items() if name not in ("rain", "showers")}
    if "rain" in found:
        variables["rain_mm"] = found["rain"] + _showers(found) if "showers" in found else found["rain"]
    if "snowfall" in found:
        variables["snowfall_water_mm"] = found["snowfall"] / 10 / SNOWFALL_CM_PER_MM
    if "shortwave_radiation" in found:
        sun = found["shortwave_radiation"]
        variables["solar_wm2"] = sun.mask((sun < 0) & (sun >= SLIGHTLY_NEGATIVE_WM2), 0.0)
    if weather_code is not None and "precipitation" in found:
        freezing = weather_code.isin(FREEZING_RAIN_CODES)
        variables["freezing_rain_mm"] = found["precipitation"].where(freezing, 0.0).mask(weather_code.isna())
    return {name: values.to_numpy() for name, values in variables.items()}


def _showers(found: Mapping[str, pd.Series]) -> pd.Series:
    """Rain of showers; none where the model knows no showers and sends null for all: its rain is all the rain."""
    showers = found["showers"]
    return showers.fillna(0.0) if showers.isna().all() else showers


def _notes(hours: pd.DataFrame) -> tuple[str, ...]:
    if hours.empty:
        return ("Open-Meteo sent no hours.",)
    return tuple(f"Open-Meteo sent no value of {name}." for name in hours.columns if hours[name].isna().all())
