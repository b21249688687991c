"""Airport reports (METAR) from the Iowa Environmental Mesonet archive: requests, and reports as canonical hours. Pure.

An hour is made of the reports after the last full hour up to and including the next one. Nearly all of it is from the
routine report some minutes before the full hour; specials add gusts and weather. So an hour needs no report of another
hour, and files cut at full hours give the same table as one long file. Reading the remarks (``PNO``, ``6////``,
``4/007``, ``AO1``) follows the US coding rules, from memory.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.variables import PRESENT_WEATHER
from monitor.weather.providers import Request
from monitor.weather.table import NONE_REPORTED, ParsedHours, hourly_index, no_flags
from monitor.weather.units import conversion

URL = "https://mesonet.agron.iastate.edu/cgi-bin/request/asos.py"


@dataclass(frozen=True)
class ReadingRules:
    """What we chose ourselves where a report leaves it open."""

    routine_from_minute: int = 45
    """Routine reports of the US are made at minute 51 to 59, elsewhere mostly at 50 or 0. [minute of the hour]"""
    trace_mm: float = 0.05
    """A trace is less than 0.005 in (0.127 mm); near the middle of that. [mm]"""
    gauge_out_wind_ms: float = 8.0
    """A gauge that catches nothing while it snows in more wind than this is not believed. [m/s]"""
    peak_wind_age_min: float = 60.0
    """A peak wind is the highest since the last routine report, so at most this old. [min]"""
    ice_water_ratio: float = 0.9
    """Water in a depth of glaze ice, whose density is near 900 kg/m³. [1]"""


_CLOUD_PCT = {"CLR": 0.0, "SKC": 0.0, "NCD": 0.0, "FEW": 25.0, "SCT": 44.0, "BKN": 75.0, "OVC": 100.0, "VV": 100.0}
"""Sky cover of a layer; eighths as METAR classes them: FEW 1-2, SCT 3-4, BKN 5-7, OVC 8."""

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
_FREEZING_RAIN = re.compile(r"FZ(?:\w\w)*?(?:RA|DZ)")
_FALLING_ICE = re.compile(r"(?<!BL)(?<!DR)(?:SN|PL)")
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
    reports["hour"] = reports["valid"].dt.ceil("h")
    complete = reports["hour"] <= pd.Timestamp(fetched_at)
    if not complete.all():
        notes.append("The last hour had not ended and was left out.")
        reports = reports[complete]
    if reports.empty:
        return _no_hours(notes)
    hours, flags = _hours(reports, rules, notes)
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
    return ProviderContractError(
        f"METAR archive: expected {expected}, got {found}. Nothing was read from this answer. If the next pull says "
        f"the same, the service has changed and stormwalk needs an update."
    )


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
            numbers[row] = _TRACE_IN if text == "T" and name in _TRACED else float(text)
        except ValueError:
            raise _broken(f"a number or M in line {lines[row]}, column {name}", f"{text!r}") from None
    return numbers


def _no_hours(notes: Sequence[str]) -> ParsedHours:
    empty = pd.DataFrame(index=hourly_index([]), dtype="float64")
    return ParsedHours(empty, no_flags(empty), pd.Series(index=empty.index, dtype="str"), tuple(notes))


def _hours(reports: pd.DataFrame, rules: ReadingRules, notes: list[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Hours and their flags out of reports that know their hour; adds to the notes."""
    routine = _routine(reports, rules)
    index = hourly_index(routine.index)
    hours = pd.DataFrame(index=index)
    hours["air_temperature_c"] = _converted("air_temperature_c", routine["tmpf"], "°F")
    hours["dew_point_c"] = _converted("dew_point_c", routine["dwpf"], "°F")
    hours["relative_humidity_pct"] = routine["relh"]
    hours["wind_speed_ms"] = _converted("wind_speed_ms", routine["sknt"], "kt")
    gust, none_reported = _gust(reports, hours["wind_speed_ms"], rules)
    hours["wind_gust_ms"] = gust
    hours["wind_from_deg"] = routine["drct"].mask((routine["drct"] == 0) & (routine["sknt"] == 0))  # calm
    water, gauge_out = _gauge(reports, routine, rules, notes)
    hours["precipitation_mm"] = water
    weather, ice_is_seen = _present_weather(reports)
    hours["freezing_rain_mm"], from_gauge = _freezing_rain(reports, water, weather, ice_is_seen, rules)
    hours["snow_depth_m"] = _snow_depth(reports)
    hours["cloud_cover_pct"] = _cloud(routine)
    hours["visibility_km"] = _converted("visibility_km", routine["vsby"], "mile")
    flags = no_flags(hours)
    flags.loc[none_reported, "wind_gust_ms"] = NONE_REPORTED
    flags.loc[gauge_out, "precipitation_mm"] = "gauge_out"
    flags.loc[gauge_out & from_gauge, "freezing_rain_mm"] = "gauge_out"
    hours[PRESENT_WEATHER] = weather
    return hours, flags


def _converted(variable: str, values: pd.Series, unit: str) -> pd.Series:
    return conversion(variable, unit)(values)


def _routine(reports: pd.DataFrame, rules: ReadingRules) -> pd.DataFrame:
    """The report that stands for each hour, index ``hour``.

    Sea-level pressure is in routine reports alone, so the last report near the full hour that has it; without one the
    last near the full hour, else the last of all.
    """
    minute = reports["valid"].dt.minute
    near = (minute >= rules.routine_from_minute) | (minute == 0)
    rank = near.astype(int) + (near & reports["mslp"].notna()).astype(int)
    ordered = reports.assign(rank=rank).sort_values(["hour", "rank"], kind="stable")
    return ordered.drop_duplicates("hour", keep="last").set_index("hour")


def _gust(reports: pd.DataFrame, mean_ms: pd.Series, rules: ReadingRules) -> tuple[pd.Series, pd.Series]:
    """Highest gust or peak wind of the hour's reports, and where none was reported although wind was measured.

    Gusts below the mean wind of the routine report are of a calmer part of the hour and count as none reported.
    """
    peak_at = pd.to_datetime(reports["peak_wind_time"], format="%Y-%m-%d %H:%M", utc=True, errors="coerce")
    age_min = (reports["valid"] - peak_at).dt.total_seconds() / 60
    peak = reports["peak_wind_gust"].mask((age_min < 0) | (age_min > rules.peak_wind_age_min))
    highest = reports["gust"].combine(peak, np.fmax).groupby(reports["hour"]).max()
    gust_ms = _converted("wind_gust_ms", highest, "kt")
    gust_ms = gust_ms.mask(gust_ms < mean_ms)
    return gust_ms, gust_ms.isna() & mean_ms.notna()


def _gauge(
    reports: pd.DataFrame, routine: pd.DataFrame, rules: ReadingRules, notes: list[str]
) -> tuple[pd.Series, pd.Series]:
    """Water in the gauge [mm], and the hours in which the gauge is not believed.

    The gauge counts up from one routine report to the next, so only that report has the hour's sum.
    """
    inches = routine["p01i"].where(routine["rank"] > 0)
    if not _gauge_is_reported(str(reports["station"].iloc[0])) and (inches == 0).any():
        inches = inches.mask(inches == 0)
        notes.append("Reports from outside the US carry no hourly precipitation: its 0.00 was read as unknown.")
    water = _converted("precipitation_mm", inches, "inch").mask((inches > 0) & (inches < 0.01), rules.trace_mm)
    says_out = reports["metar"].str.contains(_GAUGE_OUT).groupby(reports["hour"]).any()
    snows = routine["wxcodes"].str.contains(_FALLING_ICE)
    in_wind = _converted("wind_speed_ms", routine["sknt"], "kt") > rules.gauge_out_wind_ms
    return water, water.notna() & (says_out | (snows & in_wind & (water == 0)))


def _present_weather(reports: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Codes of all reports of the hour, each once, in order of time; NaN where no report could tell.

    M is written both for nothing and for no sensor: a report that has a text or a visibility, and does not say that
    the sensor is out or of the kind that cannot tell rain from snow, saw nothing. Second: hours whose reports would
    have told freezing rain.
    """
    can_tell = ((reports["metar"] != "") | reports["vsby"].notna()) & ~reports["metar"].str.contains(_NO_WEATHER_SENSOR)
    told = (can_tell | (reports["wxcodes"] != "")).groupby(reports["hour"]).any()
    coded = reports[reports["wxcodes"] != ""]
    codes = {
        hour: " ".join(dict.fromkeys(" ".join(texts).split()))
        for hour, texts in coded["wxcodes"].groupby(coded["hour"])
    }
    weather = pd.Series([codes.get(hour, "") for hour in told.index], index=told.index, dtype="str").where(told)
    blind = reports["metar"].str.contains(_NO_ICE_SENSOR) | ~can_tell
    return weather, told & ~blind.groupby(reports["hour"]).all()


def _freezing_rain(
    reports: pd.DataFrame, water: pd.Series, weather: pd.Series, ice_is_seen: pd.Series, rules: ReadingRules
) -> tuple[pd.Series, pd.Series]:
    """Freezing rain or drizzle [mm of water], and the hours in which it is the gauge's.

    The gauge's water where the weather says so, or the measured ice where that is more; 0 where the weather is known to
    be something else. Freezing fog is no freezing rain.
    """
    coded = weather.fillna("").str.contains(_FREEZING_RAIN)
    by_gauge = water.where(coded).mask(~coded & ice_is_seen, 0.0)
    ice_mm = _converted("freezing_rain_mm", reports["ice_accretion_1hr"], "inch").groupby(reports["hour"]).max()
    by_ice = ice_mm * rules.ice_water_ratio
    return by_gauge.combine(by_ice, np.fmax), coded & ~(by_ice > by_gauge.fillna(0))


def _snow_depth(reports: pd.DataFrame) -> pd.Series:
    """Depth on the ground, the last of the hour: the remark ``4/007`` (whole inches), else the column."""
    remarks = pd.to_numeric(reports["metar"].str.extract(_SNOW_DEPTH)[0]).astype("float64")
    inches = remarks.fillna(reports["snowdepth"])
    return _converted("snow_depth_m", inches, "inch").groupby(reports["hour"]).last()


def _cloud(routine: pd.DataFrame) -> pd.Series:
    """The densest layer's share of the sky; unknown where no layer is coded."""
    layers = pd.DataFrame({name: routine[name].map(_CLOUD_PCT) for name in ("skyc1", "skyc2", "skyc3", "skyc4")})
    return layers.max(axis=1)
