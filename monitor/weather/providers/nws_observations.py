"""US National Weather Service, reports of a station in the last week: requests, and answers as canonical hours. Pure.

The service decodes airport reports (METAR) and has lost gusts, winds and temperatures in doing so; so the text of a
report is read first, and the decoded value only where the text does not say. Between the reports stand 5-minute
readings without text, in whole degrees: they add gusts, and stand for the hour only where no report was made.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from monitor.errors import StormwalkError
from monitor.register import Yard
from monitor.weather.answers import broken, decoded, features, in_canonical_unit, moment, number
from monitor.weather.metar import Metar, cloud_cover_pct, decode
from monitor.weather.providers import Request
from monitor.weather.station_hours import MEASURED, ReadingRules, hours_of_reports
from monitor.weather.table import ParsedHours, hourly_index, no_flags

SERVICE = "Weather Service observations"
URL = "https://api.weather.gov/stations/{station}/observations"
HEADERS = {"Accept": "application/geo+json"}

KEPT_DAYS = 7
"""The service keeps about the last week (from memory)."""

MOST_REPORTS = 500
"""In one answer; a day of 5-minute readings, reports and specials has about 320."""

_QUANTITY = {
    "temperature": "air_temperature_c",
    "dewpoint": "dew_point_c",
    "relativeHumidity": "relative_humidity_pct",
    "windSpeed": "wind_speed_ms",
    "windGust": "wind_gust_ms",
    "windDirection": "wind_from_deg",
    "precipitationLastHour": "precipitation_mm",
    "visibility": "visibility_km",
}
"""The service's name and the canonical variable; reports have no more of what we need."""

_REJECTED = ("X", "B")
"""Marks of the service's check: X rejected, B set bad by hand. Others are kept: Z not checked, C, S and V passed,
Q questioned, G set good by hand (letters partly from memory)."""

_INTENSITY = {"light": "-", "heavy": "+"}
_MODIFIER = {
    "patches": "BC",
    "blowing": "BL",
    "low_drifting": "DR",
    "freezing": "FZ",
    "shallow": "MI",
    "partial": "PR",
    "showers": "SH",
}
_WEATHER = {
    "drizzle": "DZ",
    "dust": "DU",
    "dust_storm": "DS",
    "dust_whirls": "PO",
    "fog": "FG",
    "fog_mist": "BR",
    "funnel_cloud": "FC",
    "hail": "GR",
    "haze": "HZ",
    "ice_crystals": "IC",
    "ice_pellets": "PL",
    "rain": "RA",
    "sand": "SA",
    "sand_storm": "SS",
    "smoke": "FU",
    "snow": "SN",
    "snow_grains": "SG",
    "snow_pellets": "GS",
    "spray": "PY",
    "squalls": "SQ",
    "thunderstorms": "TS",
    "unknown": "UP",
    "volcanic_ash": "VA",
}
"""The service's words, as its own description lists them, and the METAR codes that they stand for."""


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime, *, station: str = "") -> list[Request]:
    """One request a day for whole hours between ``start`` and ``end``, as far as the service keeps them.

    A station is named as the service does, KPWM; three letters get their K. Without ``station`` the yard's is asked.

    Raises StormwalkError where there is neither.
    """
    name = _station_id(station or yard.station)
    if not name:
        raise StormwalkError(
            f'Yard "{yard.name}" names no weather station. Nothing was asked of the Weather Service. Enter the nearest '
            f"airport, such as KPWM, for the yard."
        )
    first, last = _full_hour(max(start, now - timedelta(days=KEPT_DAYS))), min(end, now)
    requests = []
    while first < last:
        stop = min(first + timedelta(days=1), last)
        params = {  # half a minute on: a reading at the full hour ends that hour
            "start": f"{first + timedelta(seconds=30):%Y-%m-%dT%H:%M:%SZ}",
            "end": f"{stop + timedelta(seconds=30):%Y-%m-%dT%H:%M:%SZ}",
            "limit": str(MOST_REPORTS),
        }
        requests.append(Request(url=URL.format(station=name), params=params, headers=HEADERS))
        first = stop
    return requests


def parse(body: bytes, *, fetched_at: datetime, station: str = "", rules: ReadingRules | None = None) -> ParsedHours:
    """Canonical hours of one station; all are observed.

    Parameters
    ----------
    body : bytes
        A GeoJSON collection of reports, or one report, as it came.
    fetched_at : datetime
        When it came (UTC). An hour that had not ended is left out.
    station : str, optional
        Which station to read, where the answer holds several.
    rules : ReadingRules, optional

    Raises
    ------
    ProviderContractError
        An error, not JSON, cut off, not such reports, a unit that is not known, or several stations and none named.
    """
    rules = rules or ReadingRules()
    found = [feature["properties"] for feature in features(SERVICE, decoded(SERVICE, body))]
    notes = []
    if len(found) >= MOST_REPORTS:
        notes.append(f"The Weather Service's answer is full with {len(found)} reports: older ones may be missing.")
    of_station = _of_one_station(found, station)
    once = _once_in_order(of_station)
    if len(once) < len(of_station):
        notes.append(f"{len(of_station) - len(once)} reports stood twice in the Weather Service's answer.")
    if not once:
        return _no_hours([*notes, "The Weather Service sent no reports for these hours."])
    reports = pd.DataFrame([_report(at, said, text, rules) for at, said, text in once])
    failed = pd.DataFrame([{name: _rejected(said, name) for name in MEASURED} for _, said, _ in once])
    complete = reports["at"].dt.ceil("h") <= pd.Timestamp(fetched_at)
    if not complete.all():
        notes.append("The last hour had not ended and was left out.")
    if not complete.any():
        return _no_hours(notes)
    hours, flags = hours_of_reports(reports[complete], failed[complete], rules)
    kinds = pd.Series("observed", index=hours.index, dtype="str")
    return ParsedHours(hours=hours, flags=flags, kinds=kinds, notes=tuple(notes))


def _station_id(station: str) -> str:
    plain = station.strip().upper()
    return f"K{plain}" if len(plain) == 3 else plain


def _full_hour(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def _no_hours(notes: Sequence[str]) -> ParsedHours:
    empty = pd.DataFrame(index=hourly_index([]), dtype="float64")
    return ParsedHours(empty, no_flags(empty), pd.Series(index=empty.index, dtype="str"), tuple(notes))


def _of_one_station(found: list[dict[str, Any]], station: str) -> list[dict[str, Any]]:
    names = {_name(said) for said in found}
    wanted = _station_id(station) if station else (next(iter(names)) if len(names) == 1 else "")
    if names and not wanted:
        raise broken(SERVICE, "one station, or to be told which to read", f"{len(names)}: {', '.join(sorted(names))}")
    if names and wanted not in names:
        raise broken(SERVICE, f"reports of {wanted}", f"only {', '.join(sorted(names))}")
    return [said for said in found if _name(said) == wanted]


def _name(said: Mapping[str, Any]) -> str:
    """``KPWM``, out of the station's address."""
    address = said.get("station") or said.get("stationId")
    if not isinstance(address, str) or not address.strip("/"):
        raise broken(SERVICE, 'the address of a station in every report, as "station"', f"{address!r:.60}")
    return address.rstrip("/").rpartition("/")[2].upper()


def _once_in_order(found: list[dict[str, Any]]) -> list[tuple[datetime, dict[str, Any], Metar]]:
    """By time, a corrected report after the one that it corrects, and without repeats."""
    by_content: dict[str, tuple[datetime, dict[str, Any], Metar]] = {}
    for said in found:
        at = moment(SERVICE, "timestamp of a report", said.get("timestamp"))
        text = said.get("rawMessage")
        by_content[json.dumps(said, sort_keys=True)] = (at, said, decode(text if isinstance(text, str) else "", at))
    return [by_content[key] for key in sorted(by_content, key=lambda key: _order(key, *by_content[key]))]


def _order(content: str, at: datetime, said: Mapping[str, Any], text: Metar) -> tuple[datetime, bool, str]:
    return at, text.is_corrected, content


def _report(at: datetime, said: Mapping[str, Any], text: Metar, rules: ReadingRules) -> dict[str, Any]:
    """One row for ``hours_of_reports``: the text's word, else the decoded value."""
    has_text = bool(said.get("rawMessage"))
    from_text = {
        "air_temperature_c": text.air_temperature_c,
        "dew_point_c": text.dew_point_c,
        "wind_speed_ms": text.wind_speed_ms,
        "wind_gust_ms": text.wind_gust_ms,
        "wind_from_deg": text.wind_from_deg,
        "precipitation_mm": text.precipitation_mm,
        "snow_depth_m": text.snow_depth_m,
        "cloud_cover_pct": text.cloud_cover_pct,
    }
    measured = {**dict.fromkeys(MEASURED, np.nan), **from_text}
    for name, variable in _QUANTITY.items():
        value = _value(said, name)  # read even where the text says: a unit that is not known is news
        if np.isnan(measured[variable]) and not (name == "windDirection" and text.wind_speed_ms >= 0):
            measured[variable] = value
    if np.isnan(measured["cloud_cover_pct"]):
        measured["cloud_cover_pct"] = cloud_cover_pct(_cloud_layers(said))
    if measured["precipitation_mm"] == 0 and text.precipitation_mm == 0:
        measured["precipitation_mm"] = rules.trace_mm
    elif np.isnan(measured["precipitation_mm"]) and text.nothing_fell:
        measured["precipitation_mm"] = 0.0
    codes = text.weather if has_text else _codes(said)
    sees_weather = text.sees_weather if has_text else not np.isnan(measured["visibility_km"])
    return {
        **measured,
        "at": pd.Timestamp(at),
        "peak_wind_ms": text.peak_wind_ms,
        "peak_age_min": (at - text.peak_wind_at).total_seconds() / 60 if text.peak_wind_at else np.nan,
        "ice_mm": text.ice_mm,
        "weather": codes,
        "standing": int(has_text) + int(text.is_routine),
        "tells_gust": text.wind_speed_ms >= 0,
        "sees_weather": sees_weather,
        "sees_freezing_rain": text.sees_freezing_rain if has_text else sees_weather,
        "gauge_is_out": text.gauge_is_out,
    }


def _value(said: Mapping[str, Any], name: str) -> float:
    quantity = said.get(name)
    if quantity is None:
        return np.nan
    if not isinstance(quantity, dict):
        raise broken(SERVICE, f"{name} as an object with value and unit", f"{quantity!r:.60}")
    value = number(SERVICE, name, quantity.get("value"))
    return in_canonical_unit(SERVICE, name, _QUANTITY[name], value, quantity.get("unitCode"))


def _rejected(said: Mapping[str, Any], variable: str) -> bool:
    return any(
        str(quantity.get("qualityControl")).rpartition(":")[2] in _REJECTED
        for name, of in _QUANTITY.items()
        if of == variable and isinstance(quantity := said.get(name), dict)
    )


def _cloud_layers(said: Mapping[str, Any]) -> list[str]:
    layers = said.get("cloudLayers")
    return [str(layer.get("amount")) for layer in layers if isinstance(layer, dict)] if isinstance(layers, list) else []


def _codes(said: Mapping[str, Any]) -> str:
    """METAR codes of the decoded weather: as written in the report, else composed from the service's words."""
    found = said.get("presentWeather")
    if not isinstance(found, list):
        return ""
    codes = [_code(each) for each in found if isinstance(each, dict)]
    return " ".join(dict.fromkeys(code for code in codes if code))


def _code(weather: Mapping[str, Any]) -> str:
    if isinstance(written := weather.get("rawString"), str) and written.strip():
        return written.strip()
    code = _WEATHER.get(str(weather.get("weather")), "")
    vicinity = "VC" if weather.get("inVicinity") else ""
    intensity = _INTENSITY.get(str(weather.get("intensity")), "")
    return code and f"{intensity}{vicinity}{_MODIFIER.get(str(weather.get('modifier')), '')}{code}"
