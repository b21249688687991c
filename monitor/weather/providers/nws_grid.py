"""US National Weather Service, forecast on its grid: the requests for a yard, and answers as canonical hours. Pure.

Every layer of an answer holds values for intervals, ``start/duration``. What is summed (water, snow, ice) is the total
of the interval and is divided over its hours. A mean or a maximum holds for each hour of it, so 21:00/PT1H is the hour
that ends at 22:00. An instant is taken from the interval that begins with it or goes on through it: temperature, dew
point, humidity, cloud and wind direction at 22:00 are those of 22:00/PT1H. The service's developers call temperatures
instantaneous and valid from the start on (weather-gov/api, issues 21 and 69).
"""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from monitor.errors import StormwalkError
from monitor.register import Yard
from monitor.variables import PRESENT_WEATHER, VARIABLES
from monitor.weather.answers import broken, decoded, in_canonical_unit, member, moment, number
from monitor.weather.providers import Request
from monitor.weather.table import ParsedHours, hourly_index, no_flags

SERVICE = "Weather Service grid"
HOST = "https://api.weather.gov"
HEADERS = {"Accept": "application/geo+json"}

DAYS_AHEAD = 8
"""A grid reaches about seven and a half days."""

ICE_WATER_RATIO = 0.9
"""Water in a depth of glaze ice, whose density is near 900 kg/m³; our own choice, as for measured ice."""

_VARIABLE = {
    "temperature": "air_temperature_c",
    "dewpoint": "dew_point_c",
    "relativeHumidity": "relative_humidity_pct",
    "windSpeed": "wind_speed_ms",
    "windGust": "wind_gust_ms",
    "windDirection": "wind_from_deg",
    "quantitativePrecipitation": "precipitation_mm",
    "snowfallAmount": "snowfall_depth_mm",
    "iceAccumulation": "freezing_rain_mm",
    "skyCover": "cloud_cover_pct",
    "visibility": "visibility_km",
}
"""Layer and canonical variable. Depth of snow says nothing of its water: that is left to the rule for the phase."""

_CODE = {
    "blowing_dust": "BLDU",
    "blowing_sand": "BLSA",
    "blowing_snow": "BLSN",
    "drizzle": "DZ",
    "fog": "FG",
    "freezing_drizzle": "FZDZ",
    "freezing_fog": "FZFG",
    "freezing_rain": "FZRA",
    "freezing_spray": "",  # off the sea's waves; no code of METAR
    "frost": "",
    "hail": "GR",
    "haze": "HZ",
    "ice_crystals": "IC",
    "ice_fog": "FZFG",
    "rain": "RA",
    "rain_showers": "SHRA",
    "sleet": "PL",  # ice pellets, in the US
    "smoke": "FU",
    "snow": "SN",
    "snow_showers": "SHSN",
    "thunderstorms": "TS",
    "volcanic_ash": "VA",
    "water_spouts": "FC",
}
"""The service's words, as its own description lists them, and METAR codes."""

_SIGN = {"very_light": "-", "light": "-", "heavy": "+"}
_HAS_INTENSITY = re.compile(r"(?:DZ|RA|SN|PL|GR)$")

UNLIKELY = ("slight_chance", "chance", "isolated", "scattered", "few", "patchy")
"""Coverage that is no more likely than not to reach the yard (20 to 50 % in the service's terms, from memory): such
weather is not coded. Our own choice; the amounts of water, snow and ice have the chance worked in already."""

_DURATION = re.compile(r"P(?:(\d{1,3})D)?(?:T(?:(\d{1,4})H)?(?:(\d{1,5})M)?)?")
_LONGEST = timedelta(days=30)
_HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class NwsPoint:
    """What the service knows of a place: its grid, its stations, and where it lies."""

    grid_id: str
    grid_url: str
    stations_url: str
    time_zone: str
    state: str
    county_url: str


class _Interval(NamedTuple):
    start: datetime
    end: datetime
    value: Any


def point_request(yard: Yard) -> Request:
    """The request that finds the yard's grid; its answer changes now and then: ask weekly, and when the grid is gone.

    The service takes four decimals at most and sends one on if a number ends in zeros.
    """
    return Request(url=f"{HOST}/points/{coordinates(yard)}", headers=HEADERS)


def coordinates(yard: Yard) -> str:
    """Latitude and longitude as the service wants them: ``43.7,-70.2481``."""
    return f"{_decimals(yard.latitude_deg)},{_decimals(yard.longitude_deg)}"


def parse_point(body: bytes) -> NwsPoint:
    """The grid and stations of a place; ProviderContractError where the answer is an error or lacks their addresses."""
    properties = member(SERVICE, decoded(SERVICE, body), "properties", dict)
    return NwsPoint(
        grid_id=member(SERVICE, properties, "gridId", str),
        grid_url=_address(properties, "forecastGridData"),
        stations_url=_address(properties, "observationStations"),
        time_zone=member(SERVICE, properties, "timeZone", str),
        state=_text(properties, "relativeLocation", "properties", "state"),
        county_url=_text(properties, "county"),
    )


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime, *, grid_url: str) -> list[Request]:
    """One request if any hour between ``start`` and ``end`` is still to come; the answer is always the whole forecast.

    Raises StormwalkError where ``grid_url`` (``NwsPoint.grid_url``) is empty.
    """
    if not grid_url:
        raise StormwalkError(
            f'Yard "{yard.name}": its place on the Weather Service\'s grid is not known yet. Nothing was asked. '
            f"The next pull looks it up; it is found for places in the United States alone."
        )
    if start >= end or end <= now or start > now + timedelta(days=DAYS_AHEAD):
        return []
    return [Request(url=grid_url, headers=HEADERS)]


def parse(body: bytes, *, fetched_at: datetime) -> ParsedHours:
    """Canonical hours of one grid cell; all are forecast, those before the time of issue too.

    Parameters
    ----------
    body : bytes
        The raw grid as it came.
    fetched_at : datetime
        When it came (UTC).

    Raises
    ------
    ProviderContractError
        An error, not JSON, cut off, not a grid, a unit that is not known, or intervals that overlap or cannot be read.
    """
    properties = member(SERVICE, decoded(SERVICE, body), "properties", dict)
    issued_at = moment(SERVICE, "updateTime", properties.get("updateTime"))
    layers = {name: _layer(properties, name) for name in (*_VARIABLE, "weather") if name in properties}
    if not layers:
        raise broken(SERVICE, f"at least one of the layers {', '.join(_VARIABLE)}", f"only {', '.join(properties)}")
    columns = {
        variable: _column(variable, _canonical(name, layers[name], properties[name].get("uom")))
        for name, variable in _VARIABLE.items()
        if layers.get(name)
    }
    weather, doubtful = _weather(layers.get("weather", []))
    reached = sorted(set(weather).union(*columns.values()))
    index = hourly_index(reached)
    values = {variable: [column.get(hour, math.nan) for hour in reached] for variable, column in columns.items()}
    hours = pd.DataFrame(values, index=index, dtype="float64")
    if weather:
        hours[PRESENT_WEATHER] = pd.Series([weather.get(hour) for hour in reached], index=index, dtype="str")
    kinds = pd.Series("forecast", index=index, dtype="str")
    notes = [
        f"Forecast issued {issued_at:%Y-%m-%d %H:%M} UTC.",
        *_stale(issued_at, fetched_at),
        *(
            f"The Weather Service's grid has no {name} here."
            for name in (*_VARIABLE, "weather")
            if not layers.get(name)
        ),
        *_early_ends(hours),
        *doubtful,
    ]
    return ParsedHours(hours=hours, flags=no_flags(hours), kinds=kinds, notes=tuple(notes))


def _decimals(degrees: float) -> str:
    text = f"{degrees:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _text(part: Any, *path: str) -> str:
    """The text at the end of a path of names; empty where the path breaks off."""
    for name in path:
        part = part.get(name) if isinstance(part, dict) else None
    return part if isinstance(part, str) else ""


def _address(properties: Mapping[str, Any], name: str) -> str:
    address: str = member(SERVICE, properties, name, str)
    if not address.startswith(f"{HOST}/"):
        raise broken(SERVICE, f"an address at {HOST} as {name}", f"{address!r:.80}")
    return address


def _layer(properties: Mapping[str, Any], name: str) -> list[_Interval]:
    """The intervals of a layer in order of time, each once; none where the layer is empty."""
    values = member(SERVICE, member(SERVICE, properties, name, dict), "values", list)
    intervals: list[_Interval] = []
    for each in sorted((_interval(name, value) for value in values), key=lambda each: (each.start, each.end)):
        if intervals and each == intervals[-1]:
            continue
        if intervals and each.start < intervals[-1].end:
            told = f"{each.start:%Y-%m-%d %H:%MZ} inside the one from {intervals[-1].start:%Y-%m-%d %H:%MZ}"
            raise broken(SERVICE, f"intervals of {name} one after another", f"one from {told}")
        intervals.append(each)
    return intervals


def _interval(name: str, value: Any) -> _Interval:
    text = value.get("validTime") if isinstance(value, dict) else None
    start, _, duration = text.partition("/") if isinstance(text, str) else ("", "", "")
    found = _DURATION.fullmatch(duration)
    length = timedelta(0)
    if found:
        days, hours, minutes = (int(part or 0) for part in found.groups())
        length = timedelta(days=days, hours=hours, minutes=minutes)
    if not timedelta(0) < length <= _LONGEST:
        raise broken(SERVICE, f"an interval such as 2026-01-10T06:00:00+00:00/P1DT6H in {name}", f"{text!r:.60}")
    begins = moment(SERVICE, f"start of an interval of {name}", start)
    return _Interval(begins, begins + length, value.get("value"))


def _canonical(name: str, intervals: list[_Interval], uom: Any) -> list[_Interval]:
    variable = _VARIABLE[name]
    to_water = ICE_WATER_RATIO if name == "iceAccumulation" else 1.0
    return [
        each._replace(
            value=in_canonical_unit(SERVICE, name, variable, number(SERVICE, name, each.value), uom) * to_water
        )
        for each in intervals
    ]


def _column(variable: str, intervals: list[_Interval]) -> dict[datetime, float]:
    """Values by ``hour_ending``. Of an hour with several intervals, one of them unknown, nothing is known."""
    column: dict[datetime, float] = {}
    seconds: dict[datetime, float] = {}
    meaning = VARIABLES[variable].hour
    if meaning == "instant":
        return {hour: each.value for each in intervals for hour in _instants(each)}
    for each in intervals:
        for hour, inside_s, share in _parts(each):
            known_s = seconds.get(hour, 0.0)
            if meaning == "sum":
                column[hour] = column.get(hour, 0.0) + each.value * share
            elif meaning == "maximum":
                column[hour] = float(np.maximum(column.get(hour, -math.inf), each.value))
            else:
                column[hour] = (column.get(hour, 0.0) * known_s + each.value * inside_s) / (known_s + inside_s)
            seconds[hour] = known_s + inside_s
    return column


def _instants(interval: _Interval) -> Iterator[datetime]:
    """The full hours at which the interval holds: from its start on, its end not among them."""
    hour = _floor(interval.start)
    hour += _HOUR if hour < interval.start else timedelta(0)
    while hour < interval.end:
        yield hour
        hour += _HOUR


def _parts(interval: _Interval) -> Iterator[tuple[datetime, float, float]]:
    """Each ``hour_ending`` that the interval reaches into, the seconds of it inside, and what share of it they are."""
    length_s = (interval.end - interval.start).total_seconds()
    hour = _floor(interval.start)
    while hour < interval.end:
        inside_s = (min(hour + _HOUR, interval.end) - max(hour, interval.start)).total_seconds()
        yield hour + _HOUR, inside_s, inside_s / length_s
        hour += _HOUR


def _floor(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def _weather(intervals: list[_Interval]) -> tuple[dict[datetime, str | None], list[str]]:
    """METAR codes by ``hour_ending``, empty where none is expected, None where not known; and what was left out."""
    column: dict[datetime, str | None] = {}
    unknown: set[str] = set()
    possible: set[datetime] = set()
    for each in intervals:
        if each.value is not None and not isinstance(each.value, list):
            raise broken(SERVICE, "a list as value of weather", f"{each.value!r:.60}")
        codes = []
        for kind in each.value or []:
            word = _text(kind, "weather")
            if not word:
                continue
            if word not in _CODE:
                unknown.add(word)
            elif kind.get("coverage") not in UNLIKELY:
                codes.append(_signed(_CODE[word], kind.get("intensity")))
            elif word in ("freezing_rain", "freezing_drizzle"):
                possible |= {hour for hour, _, _ in _parts(each)}
        for hour, _, _ in _parts(each):
            told = None if each.value is None else " ".join(dict.fromkeys(filter(None, codes)))
            earlier = column.get(hour, "")
            column[hour] = None if told is None or earlier is None else " ".join(filter(None, (earlier, told)))
    notes = [
        f"Weather {word!r:.40} of the Weather Service's grid is not known and was left out." for word in sorted(unknown)
    ]
    if possible:
        notes.append(
            f"Freezing rain or drizzle is possible, not likely, in {len(possible)} hours between "
            f"{min(possible):%Y-%m-%d %H:%M} and {max(possible):%Y-%m-%d %H:%M} UTC."
        )
    return column, notes


def _signed(code: str, intensity: Any) -> str:
    return f"{_SIGN.get(str(intensity), '')}{code}" if _HAS_INTENSITY.search(code) else code


def _stale(issued_at: datetime, fetched_at: datetime) -> list[str]:
    age_h = (fetched_at - issued_at).total_seconds() / 3600
    return [f"That was {age_h:.0f} h before it was fetched: the office has not renewed it."] if age_h > 24 else []


def _early_ends(hours: pd.DataFrame) -> list[str]:
    """Layers that stop half a day or more before the last hour."""
    notes = []
    for name in hours.columns:
        known = hours.index[hours[name].notna()]
        if len(known) and hours.index[-1] - known[-1] >= pd.Timedelta(hours=12):
            notes.append(f"{name} is forecast to {known[-1]:%Y-%m-%d %H:%M} UTC only.")
    return notes
