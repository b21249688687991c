"""NOAA's daily summaries of a station (GHCN-Daily): the requests, and answers as local days. Pure.

A check on the hourly sources, not one of them: a day is the station's own, which at co-operative stations ends with the
morning or evening reading. The letters of the attributes are those of the archive's description.
"""

import csv
import io
import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal, get_args
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.answers import broken, decoded, quoted
from monitor.weather.providers import Request
from monitor.weather.units import Conversion, conversion, number_of

SERVICE = "NCEI daily summaries"
URL = "https://www.ncei.noaa.gov/access/services/data/v1"

Units = Literal["metric", "standard"]

QC_FAILED = "qc_failed"
"""Flag of a value that failed one of the archive's checks; it is kept."""
TRACE = "trace"
"""Flag of an amount too small to measure, which stands as 0."""


@dataclass(frozen=True)
class _Element:
    """How one element of the archive is read. ``like`` names a variable whose units it has; a mark has none."""

    column: str
    like: str = ""
    metric: str = ""
    standard: str = ""
    low: float = -math.inf
    high: float = math.inf


_ELEMENT = {
    "PRCP": _Element("precipitation_mm", "precipitation_mm", "mm", "inch", 0.0, 1900.0),
    "SNOW": _Element("snowfall_depth_mm", "snowfall_depth_mm", "mm", "inch", 0.0, 2500.0),
    "SNWD": _Element("snow_depth_m", "snow_depth_m", "mm", "inch", 0.0, 12.0),
    "TMAX": _Element("air_temperature_max_c", "air_temperature_c", "°C", "°F", -75.0, 60.0),
    "TMIN": _Element("air_temperature_min_c", "air_temperature_c", "°C", "°F", -90.0, 60.0),
    "AWND": _Element("wind_speed_ms", "wind_speed_ms", "m/s", "mph", 0.0, 75.0),
    "WSF2": _Element("gust_2min_ms", "wind_gust_ms", "m/s", "mph", 0.0, 115.0),
    "WSF5": _Element("gust_5s_ms", "wind_gust_ms", "m/s", "mph", 0.0, 115.0),
    "WT04": _Element("ice_pellets"),
    "WT06": _Element("glaze"),
    "WT09": _Element("blowing_snow"),
    "WT17": _Element("freezing_rain"),
}
"""Elements of the archive; the bounds are near the records of the earth (from memory) and tell a wrong unit."""

_WRITTEN_WITH_DECIMALS: dict[Units, tuple[str, ...]] = {
    "metric": ("PRCP", "AWND", "WSF2", "WSF5", "TMAX", "TMIN"),
    "standard": ("PRCP", "AWND", "WSF2", "WSF5"),
}
"""Elements that are tenths of a unit in the archive, so that as whole units nearly all of them have a decimal point."""

_ENOUGH_NUMBERS = 5
"""So many numbers other than 0 without one decimal point among them are tenths; by chance 1 in 100,000."""

_MISSING = ("", "-9999", "-9999.0")
_DATE = re.compile(r"(\d{4})-?(\d\d)-?(\d\d)")

_Row = Mapping[str, str]


@dataclass(frozen=True)
class ParsedDays:
    """What was read from one answer.

    Attributes
    ----------
    days : pandas.DataFrame
        Index ``day`` (the station's local date, without zone; unique, sorted), float64 columns, as far as the station
        has them: ``precipitation_mm``, ``snowfall_depth_mm``, ``snow_depth_m``, ``air_temperature_max_c``,
        ``air_temperature_min_c``, ``wind_speed_ms``, ``gust_2min_ms``, ``gust_5s_ms``; and the marks ``ice_pellets``,
        ``glaze``, ``blowing_snow``, ``freezing_rain``: 1 where seen, else NaN, for an absent mark is no evidence.
    flags : pandas.DataFrame
        Text, same index and columns: empty, ``qc_failed`` or ``trace``.
    day_ends : pandas.DataFrame
        Text, same index and columns: local time at which the value's day ends, ``18:00``; ``24:00`` is midnight local
        standard time; empty where the answer does not say.
    station : str
        As the archive names it; empty where the answer does not.
    notes : tuple of str
        Sentences worth showing.
    """

    days: pd.DataFrame
    flags: pd.DataFrame
    day_ends: pd.DataFrame
    station: str
    notes: tuple[str, ...] = ()


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime, *, station: str) -> list[Request]:
    """One request a calendar year for the yard's local days between ``start`` and ``end``; none for days to come.

    The newest days come two or three days late and still change: ask for the last 30 again each week, and for no more
    than one answer in three seconds. ``station`` is the archive's name, USW00014764, not the airport's.

    Raises StormwalkError where it is empty.
    """
    if not station.strip():
        raise StormwalkError(
            f'Yard "{yard.name}" names no station of the daily archive. Nothing was asked of NCEI. Enter the nearest, '
            f"such as USW00014764, for the yard."
        )
    zone = ZoneInfo(yard.time_zone)
    if start >= min(end, now):
        return []
    first, last = start.astimezone(zone).date(), min(end, now).astimezone(zone).date()
    return [
        Request(
            url=URL,
            params={
                "dataset": "daily-summaries",
                "stations": station.strip().upper(),
                "startDate": max(first, date(year, 1, 1)).isoformat(),
                "endDate": min(last, date(year, 12, 31)).isoformat(),
                "dataTypes": ",".join(_ELEMENT),
                "format": "json",
                "units": "metric",
                "includeAttributes": "true",
            },
        )
        for year in range(first.year, last.year + 1)
    ]


def parse_days(body: bytes, *, units: Units = "metric", station: str = "") -> ParsedDays:
    """Local days of one station, out of JSON or CSV.

    Parameters
    ----------
    body : bytes
        The answer as it came. An empty one is the service's way to say that it has nothing.
    units : {"metric", "standard"}
        What was asked for: the answer does not state it. Checked as far as the numbers betray it.
    station : str, optional
        Which station to read, where the answer holds several.

    Raises
    ------
    ProviderContractError
        An error, a web page, cut off, a day or number that cannot be read, a day that stands twice with different
        values, several stations and none named, or numbers that cannot be in those units.
    """
    if units not in get_args(Units):
        raise ValueError(f"units must be metric or standard, got {units!r}")
    rows, name = _of_one_station(_rows(body), station)
    by_day: dict[date, _Row] = {}
    for row in rows:
        day = _day(row.get("DATE", ""))
        if by_day.setdefault(day, row) != row:
            raise broken(SERVICE, "every day once", f"{day} twice, with different values")
    notes = [f"{len(rows) - len(by_day)} days stood twice in the answer."] if len(by_day) < len(rows) else []
    ordered = [by_day[day] for day in sorted(by_day)]
    index = pd.DatetimeIndex(sorted(by_day), name="day").as_unit("s")
    present = [element for element in _ELEMENT if any(element in row for row in ordered)]
    attributes = {element: [_attributes(row, element) for row in ordered] for element in present}
    numbers = {element: _numbers(element, ordered, attributes[element]) for element in present}
    flags = {element: [_flag(each) for each in attributes[element]] for element in present}
    _refuse_tenths(units, ordered, numbers, flags)
    days = {element: _converted(units, element, numbers[element]) for element in present}
    _refuse_impossible(units, index, days, flags)
    ends = {element: [_clock_time(each[3]) for each in attributes[element]] for element in present}
    presumed = sum(each[0] == "P" for element in present for each in attributes[element])
    if presumed:
        notes.append(f"{presumed} values were missing and only presumed to be zero: read as unknown.")
    if not ordered:
        notes.append("NCEI has no days of this station for these dates.")
    return ParsedDays(
        days=_frame(days, index, "float64"),
        flags=_frame(flags, index, "str"),
        day_ends=_frame(ends, index, "str"),
        station=name,
        notes=(*notes, *_early_ends(ends)),
    )


def _rows(body: bytes) -> list[_Row]:
    text = body.decode("utf-8", "replace").lstrip("\ufeff").strip(" \t\r\n\0")
    if not text:
        return []
    if text.startswith("<"):
        raise broken(SERVICE, "JSON or a table", "a web page (HTML), which is how a wrong station or date is answered")
    return _json_rows(body) if text[0] in "[{" else _csv_rows(body.decode("utf-8", "replace").lstrip("\ufeff"))


def _json_rows(body: bytes) -> list[_Row]:
    answer = decoded(SERVICE, body)
    if isinstance(answer, dict) and (said := answer.get("errorMessage") or answer.get("message")):
        raise ProviderContractError(
            f'{SERVICE} sent an error instead of days: "{quoted(said)}". Nothing was read. Check the station and dates.'
        )
    if not isinstance(answer, list) or not all(isinstance(row, dict) for row in answer):
        raise broken(SERVICE, "a list of days", f"{json.dumps(answer):.60}")
    return [{name: _plain(name, value) for name, value in row.items() if value is not None} for row in answer]


def _plain(name: str, value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise broken(SERVICE, f"a text or a number as {name}", f"{json.dumps(value):.60}")
    return str(value).strip()


def _csv_rows(text: str) -> list[_Row]:
    """Rows by header; a cell that is empty counts as not given. The last row may end with its quote or comma."""
    try:
        table = [[cell.strip() for cell in line] for line in csv.reader(io.StringIO(text), strict=True) if line]
    except csv.Error:
        raise broken(SERVICE, "a whole table", "one cut off, or not comma-separated") from None
    header = table[0] if table else []
    if "DATE" not in header:
        raise broken(SERVICE, "a header with DATE", f"{','.join(header):.80}")
    for number, row in enumerate(table[1:], 2):
        if len(row) != len(header):
            raise broken(SERVICE, f"{len(header)} columns in line {number}", f"{len(row)}")
    if text[-1] not in ('\r\n",' if len(table) > 1 else "\r\n"):
        raise broken(SERVICE, "whole lines", f"a table cut off in line {len(table)}")
    return [dict(zip(header, row, strict=True)) for row in table[1:]]


def _of_one_station(rows: list[_Row], station: str) -> tuple[list[_Row], str]:
    names = {_station_id(row.get("STATION", "")) for row in rows}
    wanted = _station_id(station) or (next(iter(names)) if len(names) == 1 else "")
    if len(names) > 1 and not wanted:
        raise broken(SERVICE, "one station, or to be told which to read", f"{len(names)}: {', '.join(sorted(names))}")
    if names and names != {""} and wanted not in names:
        raise broken(SERVICE, f"days of {wanted}", f"only {', '.join(sorted(names))}")
    chosen = rows if names <= {""} else [row for row in rows if _station_id(row.get("STATION", "")) == wanted]
    return chosen, wanted


def _station_id(station: str) -> str:
    """Old orders write GHCND:USW00014764."""
    return station.strip().upper().removeprefix("GHCND:")


def _day(text: str) -> date:
    found = _DATE.fullmatch(text.strip())
    try:
        if found:
            return date(*(int(part) for part in found.groups()))
    except ValueError:
        pass
    raise broken(SERVICE, "a day such as 2026-01-10 as DATE", f"{text!r:.40}")


def _attributes(row: _Row, element: str) -> tuple[str, str, str, str]:
    """Marks of measurement, quality and source, and the time at which the day ends."""
    parts = [part.strip() for part in row.get(f"{element}_ATTRIBUTES", "").split(",")]
    measurement, quality, source, time = (parts + [""] * 4)[:4]
    return measurement, quality, source, time


def _numbers(element: str, rows: Sequence[_Row], attributes: Sequence[tuple[str, str, str, str]]) -> list[float]:
    numbers = []
    for row, (measurement, _, _, _) in zip(rows, attributes, strict=True):
        text = row.get(element, "").strip()
        try:
            value = math.nan if text in _MISSING or measurement == "P" else number_of(text)
        except ValueError:
            raise broken(SERVICE, f"a number as {element} of {row['DATE']}", f"{text!r:.40}") from None
        numbers.append(value)
    return numbers


def _flag(attributes: tuple[str, str, str, str]) -> str:
    measurement, quality, _, _ = attributes
    return QC_FAILED if quality else TRACE if measurement == "T" else ""


def _converted(units: Units, element: str, numbers: Sequence[float]) -> list[float]:
    of = _ELEMENT[element]
    if not of.like:
        return [1.0 if number > 0 else math.nan for number in numbers]
    to_canonical: Conversion = conversion(of.like, of.metric if units == "metric" else of.standard)
    return [to_canonical(number) for number in numbers]


def _refuse_tenths(
    units: Units, rows: Sequence[_Row], numbers: Mapping[str, Sequence[float]], flags: Mapping[str, Sequence[str]]
) -> None:
    """Without units in the request the archive answers in tenths, and whole millimetres for snow."""
    texts = [
        row[element]
        for element in _WRITTEN_WITH_DECIMALS[units]
        if element in numbers
        for row, number, flag in zip(rows, numbers[element], flags[element], strict=True)
        if abs(number) > 0 and flag != QC_FAILED
    ]
    if len(texts) >= _ENOUGH_NUMBERS and not any("." in text for text in texts):
        raise _wrong_units(units, f"no decimal point in {len(texts)} numbers, as in the archive's own tenths")
    if units == "metric" and any(re.search(r"\.\d\d", row.get("PRCP", "")) for row in rows):
        raise _wrong_units(units, "hundredths in PRCP, as in inches")


def _refuse_impossible(
    units: Units, index: pd.DatetimeIndex, days: Mapping[str, Sequence[float]], flags: Mapping[str, Sequence[str]]
) -> None:
    for element, values in days.items():
        of = _ELEMENT[element]
        for day, value, flag in zip(index, values, flags[element], strict=True):
            if flag != QC_FAILED and (value < of.low or value > of.high):
                raise _wrong_units(units, f"{element} of {day:%Y-%m-%d} that would be {of.column} {value:g}")


def _wrong_units(units: Units, found: str) -> ProviderContractError:
    return ProviderContractError(
        f"{SERVICE}: expected {units} units, got {found}. Nothing was read from this answer. Ask with units={units}, "
        f"or say which units a saved answer has; one in the archive's own tenths cannot be read."
    )


def _clock_time(text: str) -> str:
    return f"{text[:2]}:{text[2:]}" if re.fullmatch(r"\d{4}", text) else ""


def _early_ends(ends: Mapping[str, Sequence[str]]) -> list[str]:
    notes = []
    for element, times in ends.items():
        if early := sorted(set(times) - {"", "24:00"}):
            listed = ", ".join(early[:3]) + (" and at other times" if len(early) > 3 else "")
            notes.append(f"Days of {_ELEMENT[element].column} end at {listed} local time, not at midnight.")
    return notes


def _frame(
    columns: Mapping[str, Sequence[Any]], index: pd.DatetimeIndex, dtype: Literal["float64", "str"]
) -> pd.DataFrame:
    named = {_ELEMENT[element].column: np.asarray(values, dtype=object) for element, values in columns.items()}
    return pd.DataFrame(named, index=index).astype(dtype)
