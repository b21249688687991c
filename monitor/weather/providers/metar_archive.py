"""Airport reports (METAR) from the Iowa Environmental Mesonet archive: requests, and reports as canonical hours. Pure.

An hour is made of the reports after the last full hour up to and including the next one. Nearly all of it is from the
routine report some minutes before the full hour; specials add gusts and weather. So an hour needs no report of another
hour, and files cut at full hours give the same table as one long file. Reading the remarks (``PNO``, ``6////``,
``4/007``, ``AO1``) follows the US coding rules, from memory.
"""

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.answers import broken
from monitor.weather.metar import CLOUD_PCT
from monitor.weather.providers import Request
from monitor.weather.station_hours import MEASURED, ReadingRules, hours_of_reports
from monitor.weather.table import ParsedHours, hourly_index, no_flags
from monitor.weather.units import conversion, number_of

URL = "https://mesonet.agron.iastate.edu/cgi-bin/request/asos.py"


_MISSING = frozenset({"", "M", "null"})
_TRACE_IN = 0.0001  # the archive writes a trace so, or as T
_TRACED = frozenset({"p01i", "ice_accretion_1hr", "snowdepth"})
_NUMERIC = (
    "tmpf",
    "dwpf",
    "relh",
    "drct",
    "sknt",
    "p01i",
    "mslp",
    "vsby",
    "gust",
    "ice_accretion_1hr",
    "peak_wind_gust",
    "snowdepth",
)
_TEXT = ("skyc1", "skyc2", "skyc3", "skyc4", "wxcodes", "peak_wind_time", "metar")
_EXPECTED = ("tmpf", "dwpf", "relh", "drct", "sknt", "p01i", "vsby", "gust", "wxcodes", "peak_wind_gust", "metar")
"""Columns whose absence is told; older files lack others."""

_SNOW_DEPTH = re.compile(r"(?<!\S)4/(\d{3})(?!\S)")  # whole inches on the ground
_GAUGE_OUT = re.compile(r"(?<!\S)(?:PNO|6////)(?!\S)")
_NO_WEATHER_SENSOR = re.compile(r"(?<!\S)(?:PWINO|AO1)(?!\S)")
_NO_ICE_SENSOR = re.compile(r"(?<!\S)FZRANO(?!\S)")
_CORRECTED = re.compile(r"(?<!\S)COR(?!\S)")

_Row = tuple[int, list[str]]  # line number in the file, cells


def requests_for(yard: Yard, start: datetime, end: datetime, now: datetime) -> list[Request]:
    """One request a calendar month (UTC) for the hours between ``start`` and ``end``; none for hours still to come.

    The service takes no more than one request a second, and likes answers for past months to be kept for good.

    Raises StormwalkError where the yard names no station.
    """
    station = _station_id(yard.station)
    if not station:
        raise StormwalkError(
            f'Yard "{yard.name}" names no weather station. Nothing was asked of the METAR archive. Enter the nearest '
            f"airport, such as PWM or CYHZ, for the yard."
        )
    return [
        Request(
            url=URL,
            params={
                "station": station,
                "data": "all",
                "sts": f"{first + timedelta(minutes=1):%Y-%m-%dT%H:%M:00Z}",  # a report at the full hour ends that hour
                "ets": f"{last + timedelta(minutes=1):%Y-%m-%dT%H:%M:00Z}",  # the service leaves this minute out
                "tz": "UTC",
                "format": "onlycomma",
                "latlon": "no",
                "elev": "no",
                "missing": "M",
                "trace": "T",
                "report_type": "3,4",
            },
        )
        for first, last in _months(_full_hour(start), min(end, now))
    ]


def parse(body: bytes, *, fetched_at: datetime, station: str = "", rules: ReadingRules | None = None) -> ParsedHours:
    """Canonical hours of one station; all are observed.

    Parameters
    ----------
    body : bytes
        The table as it came, comma- or tab-separated, times in UTC.
    fetched_at : datetime
        When it came (UTC). An hour that had not ended is left out.
    station : str, optional
        Which station to read, where the file holds several.
    rules : ReadingRules, optional

    Raises
    ------
    ProviderContractError
        Not such a table, cut off, a number that cannot be read, or several stations and none named.
    """
    rules = rules or ReadingRules()
    reports, notes = _reports(body, station)
    if reports.empty:
        return _no_hours([*notes, "The METAR archive sent no reports for these hours."])
    complete = reports["valid"].dt.ceil("h") <= pd.Timestamp(fetched_at)
    if not complete.all():
        notes.append("The last hour had not ended and was left out.")
        reports = reports[complete]
    if reports.empty:
        return _no_hours(notes)
    none_failed = pd.DataFrame(False, index=reports.index, columns=pd.Index(MEASURED))  # the archive drops such values
    hours, flags = hours_of_reports(_for_hours(reports, rules, notes), none_failed, rules)
    kinds = pd.Series("observed", index=hours.index, dtype="str")
    return ParsedHours(hours=hours, flags=flags, kinds=kinds, notes=tuple(notes))


def _station_id(station: str) -> str:
    """The archive's own name: US airports without their K."""
    plain = station.strip().upper()
    return plain[1:] if len(plain) == 4 and plain.startswith("K") else plain


def _gauge_is_reported(station: str) -> bool:
    """Only US reports carry hourly precipitation; elsewhere the archive's 0.00 says nothing.

    US stations have three letters in the archive, or four with a P (Alaska, Hawaii).
    """
    return len(station) == 3 or station.startswith("P")


def _full_hour(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def _months(start: datetime, end: datetime) -> Iterator[tuple[datetime, datetime]]:
    while start < end:
        next_month = (start.replace(day=1, hour=0) + timedelta(days=32)).replace(day=1)
        stop = min(next_month, end)
        yield start, stop
        start = next_month


def _broken(expected: str, found: str) -> ProviderContractError:
    return broken("METAR archive", expected, found)


def _reports(body: bytes, station: str) -> tuple[pd.DataFrame, list[str]]:
    """One row a report, in order of time, each once; missing numbers NaN, missing text empty. And notes."""
    header, rows = _table(body)
    names = {_station_id(row[header.index("station")]) for _, row in rows}
    wanted = _station_id(station) if station else (next(iter(names)) if len(names) == 1 else "")
    if names and not wanted:
        raise _broken("one station, or to be told which to read", f"{len(names)}: {', '.join(sorted(names))}")
    if names and wanted not in names:
        raise _broken(f"reports of {wanted}", f"only {', '.join(sorted(names))}")
    rows = [(line, row) for line, row in rows if _station_id(row[header.index("station")]) == wanted]
    once = _once_in_order(header, rows)
    lines = [line for line, _ in once]
    columns = dict(zip(header, zip(*(row for _, row in once), strict=True), strict=False))
    reports = pd.DataFrame({"valid": _times(columns.get("valid", ()), lines)})
    for name in _NUMERIC:
        reports[name] = _numbers(name, columns[name], lines) if name in columns else np.nan
    for name in _TEXT:
        texts = columns.get(name, [""] * len(once))
        reports[name] = pd.Series(["" if text in _MISSING else text for text in texts], dtype="str")
    reports["station"] = wanted
    notes = [f"The METAR archive's answer has no column {name}." for name in _EXPECTED if name not in header]
    if len(once) < len(rows):
        notes.append(f"{len(rows) - len(once)} reports stood twice in the METAR archive's answer.")
    return reports, notes


def _once_in_order(header: list[str], rows: list[_Row]) -> list[_Row]:
    """By time, a corrected report after the one that it corrects, and without repeats."""
    valid, metar = header.index("valid"), header.index("metar") if "metar" in header else None

    def order(numbered: _Row) -> tuple[str, bool, list[str]]:
        row = numbered[1]
        return row[valid], metar is not None and _CORRECTED.search(row[metar]) is not None, row

    ordered = sorted(rows, key=order)
    return [each for before, each in zip([(0, [""]), *ordered], ordered, strict=False) if before[1] != each[1]]


def _table(body: bytes) -> tuple[list[str], list[_Row]]:
    """Header, and rows with their line numbers; comment lines are passed over. The archive quotes nothing."""
    text = body.decode("utf-8", "replace").lstrip("\ufeff")
    numbered = [(number, line) for number, line in enumerate(text.split("\n"), 1) if line.strip() and line[0] != "#"]
    if not numbered:
        raise _broken("a table", "an empty body")
    first = numbered[0][1].strip()
    if first.startswith("<"):
        raise _broken("a table", "a web page (HTML)")
    delimiter = "\t" if "\t" in first else ","
    header = [cell.strip() for cell in first.split(delimiter)]
    if not {"station", "valid"} <= set(header):
        raise _broken('a header with "station" and "valid"', f"{first[:80]!r}")
    if not set(header) & {*_NUMERIC, *_TEXT}:
        raise _broken(f"at least one of the columns {', '.join(_EXPECTED)}", f"only {', '.join(header)}")
    if not text.endswith("\n"):
        raise _broken("whole lines", f"an answer cut off in line {numbered[-1][0]}")
    rows = [(number, [cell.strip() for cell in line.split(delimiter)]) for number, line in numbered[1:]]
    for number, row in rows:
        if len(row) != len(header):
            raise _broken(f"{len(header)} columns in line {number}", f"{len(row)}")
    return header, rows


def _times(texts: Sequence[str], lines: Sequence[int]) -> pd.Series:
    times = pd.to_datetime(pd.Series(list(texts), dtype="str"), format="%Y-%m-%d %H:%M", utc=True, errors="coerce")
    if times.isna().any():
        row = int(np.flatnonzero(times.isna())[0])
        raise _broken(f"a time such as 2026-01-10 06:51 in line {lines[row]}, column valid", f"{texts[row]!r}")
    return times


def _numbers(name: str, texts: Sequence[str], lines: Sequence[int]) -> NDArray[np.float64]:
    numbers = np.full(len(texts), np.nan)
    for row, text in enumerate(texts):
        if text in _MISSING:
            continue
        try:
            numbers[row] = _TRACE_IN if text == "T" and name in _TRACED else number_of(text)
        except ValueError:
            raise _broken(f"a number or M in line {lines[row]}, column {name}", f"{text!r}") from None
    return numbers


def _no_hours(notes: Sequence[str]) -> ParsedHours:
    empty = pd.DataFrame(index=hourly_index([]), dtype="float64")
    return ParsedHours(empty, no_flags(empty), pd.Series(index=empty.index, dtype="str"), tuple(notes))


def _for_hours(reports: pd.DataFrame, rules: ReadingRules, notes: list[str]) -> pd.DataFrame:
    """The reports as ``hours_of_reports`` takes them, in canonical units; adds to the notes.

    M is written both for nothing and for no sensor: a report that has a text or a visibility, and does not say that
    the sensor is out or of the kind that cannot tell rain from snow, saw nothing. Sea-level pressure is in routine
    reports alone. The depth on the ground is the remark ``4/007`` (whole inches), else the column.
    """
    text = reports["metar"]
    sees_weather = ((text != "") | reports["vsby"].notna()) & ~text.str.contains(_NO_WEATHER_SENSOR)
    depth_in = pd.to_numeric(text.str.extract(_SNOW_DEPTH)[0]).astype("float64").fillna(reports["snowdepth"])
    peak_at = pd.to_datetime(reports["peak_wind_time"], format="%Y-%m-%d %H:%M", utc=True, errors="coerce")
    return pd.DataFrame(
        {
            "at": reports["valid"],
            "air_temperature_c": conversion("air_temperature_c", "°F")(reports["tmpf"]),
            "dew_point_c": conversion("dew_point_c", "°F")(reports["dwpf"]),
            "relative_humidity_pct": reports["relh"],
            "wind_speed_ms": conversion("wind_speed_ms", "kt")(reports["sknt"]),
            "wind_gust_ms": conversion("wind_gust_ms", "kt")(reports["gust"]),
            "wind_from_deg": reports["drct"],
            "precipitation_mm": _water(reports, rules, notes),
            "snow_depth_m": conversion("snow_depth_m", "inch")(depth_in),
            "cloud_cover_pct": _cloud(reports),
            "visibility_km": conversion("visibility_km", "mile")(reports["vsby"]),
            "peak_wind_ms": conversion("wind_gust_ms", "kt")(reports["peak_wind_gust"]),
            "peak_age_min": (reports["valid"] - peak_at).dt.total_seconds() / 60,
            "ice_mm": conversion("freezing_rain_mm", "inch")(reports["ice_accretion_1hr"]),
            "weather": reports["wxcodes"],
            "standing": reports["mslp"].notna().astype(int),
            "tells_gust": reports["sknt"].notna(),
            "sees_weather": sees_weather,
            "sees_freezing_rain": sees_weather & ~text.str.contains(_NO_ICE_SENSOR),
            "gauge_is_out": text.str.contains(_GAUGE_OUT),
        }
    )


def _water(reports: pd.DataFrame, rules: ReadingRules, notes: list[str]) -> pd.Series:
    """What the gauge has counted since the last routine report. [mm]"""
    inches = reports["p01i"]
    if not _gauge_is_reported(str(reports["station"].iloc[0])) and (inches == 0).any():
        inches = inches.mask(inches == 0)
        notes.append("Reports from outside the US carry no hourly precipitation: its 0.00 was read as unknown.")
    water = conversion("precipitation_mm", "inch")(inches)
    return water.mask((inches > 0) & (inches < 0.01), rules.trace_mm)


def _cloud(reports: pd.DataFrame) -> pd.Series:
    """The densest layer's share of the sky; unknown where no layer is coded."""
    layers = pd.DataFrame({name: reports[name].map(CLOUD_PCT) for name in ("skyc1", "skyc2", "skyc3", "skyc4")})
    return layers.max(axis=1)
