"""A yard's own weather logger: its CSV file, read by a mapping of columns, as canonical hours. Pure."""

import csv
import io
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd

from monitor.errors import ProviderContractError, quoted
from monitor.variables import VARIABLES
from monitor.weather.table import INDEX, ParsedHours, hourly_index, no_flags
from monitor.weather.units import conversion, number_of, units_of

MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-", "--", "---"})
"""What a logger writes for no value, in small letters."""

_SPELT = {"C": "°C", "F": "°F"}
"""Units as loggers' headers have them too."""

MOST_PROBLEMS_SHOWN = 50

LONGEST_ZONE = 80
"""Letters of a time zone's name; the longest of the IANA list has 32 (America/Argentina/ComodRivadavia)."""


@dataclass(frozen=True)
class LoggerMapping:
    """Which columns of a logger's file are what.

    Attributes
    ----------
    time_column : str
        Header of the column with the time of the row.
    columns : mapping
        Canonical variable to header and unit: ``{"wind_gust_ms": ("Gust", "mph")}``.
    time_zone : str
        IANA name of the clock that the logger runs on. A clock that ignores summer time has a fixed zone, such as
        ``Etc/GMT+5``. Times that state their own offset are read by that.
    time_is : {'end', 'start'}
        Whether the time is that of the end or of the start of the row's interval.
    time_format : str
        As for ``strptime``; empty for ISO 8601, ``2026-01-10 06:00``.
    """

    time_column: str
    columns: Mapping[str, tuple[str, str]]
    time_zone: str = "UTC"
    time_is: Literal["end", "start"] = "end"
    time_format: str = ""


def parse(body: bytes, *, fetched_at: datetime, mapping: LoggerMapping | None = None) -> ParsedHours:
    """Canonical hours of a logger's file; all are observed.

    Rows finer than an hour are put together as the variable's hour asks: the last value of an instant, the mean, the
    maximum, the sum. A sum needs every row of its hour, mean and maximum at least half of them.

    Parameters
    ----------
    body : bytes
        The file: CSV with a header row, separated by comma, semicolon (then also with decimal commas) or tab.
    fetched_at : datetime
        When it was read (UTC). An hour that had not ended is left out.
    mapping : LoggerMapping, optional
        Default: ``guess_mapping`` of the header.

    Raises
    ------
    ProviderContractError
        Every problem found, with line, column, what was found and what is expected; nothing is read then.
    """
    header, rows, decimal_comma = _table(body)
    mapping = mapping or guess_mapping(header)
    problems = _Problems()
    _check_mapping(mapping, header, problems)
    problems.raise_if_any()
    readings = _readings(header, rows, mapping, decimal_comma, fetched_at, problems)
    problems.raise_if_any()
    notes = _columns_not_read(header, mapping)
    if readings.empty:
        empty = pd.DataFrame(index=hourly_index([]), dtype="float64")
        notes.append("The logger's file has no rows.")
        return ParsedHours(empty, no_flags(empty), pd.Series(index=empty.index, dtype="str"), tuple(notes))
    interval = _interval(readings, problems)
    problems.raise_if_any()
    if mapping.time_is == "start":
        readings = readings.shift(freq=interval)
    by_hour = readings.set_axis(hourly_index(pd.DatetimeIndex(readings.index).ceil("h")))
    hours = _hours(by_hour, rows_an_hour=round(pd.Timedelta(hours=1) / interval))
    ended = hours.index <= pd.Timestamp(fetched_at)
    if not ended.all():
        notes.append("The last hour had not ended and was left out.")
    hours = hours[ended]
    kinds = pd.Series("observed", index=hours.index, dtype="str")
    return ParsedHours(hours=hours, flags=no_flags(hours), kinds=kinds, notes=tuple(notes))


def guess_mapping(header: Sequence[str]) -> LoggerMapping:
    """The mapping of a file that names its columns as this program does: ``hour_ending`` in UTC, ``wind_gust_ms``.

    The unit may be another one that the program knows: ``wind_gust_mph``, ``air_temperature_f``, ``precipitation_in``.

    Raises ProviderContractError where the time or every variable is missing, or two columns give one variable.
    """
    spelt = {
        f"{_stem(name)}_{unit.lower()}": (name, unit)
        for name in VARIABLES
        for unit in units_of(name)
        if unit.isidentifier()
    } | {name: (name, VARIABLES[name].unit) for name in VARIABLES}
    columns: dict[str, tuple[str, str]] = {}
    for column in header:
        if column.lower() not in spelt:
            continue
        variable, unit = spelt[column.lower()]
        if variable in columns:
            raise _refused(f"columns {columns[variable][0]} and {column} both give {variable}; expected one of them")
        columns[variable] = (column, unit)
    if INDEX not in header or not columns:
        raise _refused(
            f"the header {_listed(header)} does not say what its columns are; expected {INDEX} and at least one "
            f"variable such as air_temperature_c or wind_gust_mph, or a mapping of columns"
        )
    return LoggerMapping(time_column=INDEX, columns=columns)


def _listed(header: Sequence[str]) -> str:
    """Columns as they fit into a sentence."""
    return quoted(", ".join(header), 300)


def _stem(variable: str) -> str:
    return variable.rpartition("_")[0]


def _refused(problem: str) -> ProviderContractError:
    return ProviderContractError(f"Logger file: {problem}. Nothing was read. Correct it and import again.")


@dataclass
class _Problems:
    """Everything that is wrong with a file, collected before any of it is reported."""

    found: list[str] = field(default_factory=list)

    def add(self, line: int, column: str, found: str, expected: str) -> None:
        self.found.append(f"line {line}, column {column:.60}: found {found!r:.60}, expected {expected}")

    def raise_if_any(self) -> None:
        if not self.found:
            return
        if len(self.found) == 1:
            raise _refused(self.found[0])
        shown = self.found[:MOST_PROBLEMS_SHOWN]
        if more := len(self.found) - len(shown):
            shown = [*shown, f"and {more} more"]
        listing = "".join(f"\n  {problem}" for problem in shown)
        raise ProviderContractError(
            f"Logger file: {len(self.found)} problems. Nothing was read. Correct them and import again.{listing}"
        )


def _table(body: bytes) -> tuple[list[str], list[tuple[int, list[str]]], bool]:
    """Header, rows with their line numbers, and whether numbers may have a decimal comma."""
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = body.decode("cp1252", "replace")
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise _refused("it is empty; expected a header row")
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    try:
        numbered = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except csv.Error as error:
        raise _refused(f"line {reader.line_num} cannot be split into cells ({error})") from None
    filled = [(line, row) for line, row in numbered if any(row)]
    if not filled:
        raise _refused("it has no header row")
    (_, header), *rows = filled
    return header, rows, delimiter == ";"


def _check_mapping(mapping: LoggerMapping, header: Sequence[str], problems: _Problems) -> None:
    wanted = [mapping.time_column, *(column for column, _ in mapping.columns.values())]
    for column in dict.fromkeys(wanted):
        if header.count(column) != 1:
            where = "stands twice" if column in header else "is not"
            problems.found.append(f"column {column!r:.60} {where} in the header ({_listed(header)})")
    for variable, (column, unit) in mapping.columns.items():
        if variable not in VARIABLES:
            problems.found.append(f"{variable!r} is not a variable; expected one of {', '.join(VARIABLES)}")
        elif _SPELT.get(unit, unit) not in units_of(variable):
            problems.found.append(
                f"column {column!r:.60} in {unit!r:.60}; expected one of {', '.join(units_of(variable))}"
            )
    if not mapping.columns:
        problems.found.append("the mapping names no variable")
    try:
        known = len(mapping.time_zone) <= LONGEST_ZONE and ZoneInfo(mapping.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # it looks for a file of that name
        known = False
    if not known:
        problems.found.append(
            f"time zone {mapping.time_zone!r:.60} is not known; expected a name such as America/New_York"
        )


def _columns_not_read(header: Sequence[str], mapping: LoggerMapping) -> list[str]:
    read = {mapping.time_column, *(column for column, _ in mapping.columns.values())}
    left = [column for column in header if column and column not in read]
    return [f"Columns not read: {_listed(left)}."] if left else []


def _readings(
    header: Sequence[str],
    rows: Sequence[tuple[int, list[str]]],
    mapping: LoggerMapping,
    decimal_comma: bool,
    fetched_at: datetime,
    problems: _Problems,
) -> pd.DataFrame:
    """One row a reading at its time in UTC, sorted, canonical variables and units; adds to the problems."""
    complete = []
    for line, row in rows:
        if len(row) == len(header):
            complete.append((line, row))
        else:
            problems.found.append(f"line {line}: found {len(row)} cells, expected {len(header)} as in the header")
    at = header.index(mapping.time_column)
    times = _utc([(line, row[at]) for line, row in complete], mapping, problems)
    for (line, row), time in zip(complete, times, strict=True):
        if time is not None and time > fetched_at:
            expected = f"a time before {fetched_at:%Y-%m-%d %H:%MZ}, when it was read: check clock and time zone"
            problems.add(line, mapping.time_column, row[at], expected)
    values = {
        variable: conversion(variable, _SPELT.get(unit, unit))(
            _numbers(
                [(line, row[header.index(column)]) for line, row in complete], column, unit, decimal_comma, problems
            )
        )
        for variable, (column, unit) in mapping.columns.items()
    }
    ordered = [name for name in VARIABLES if name in values]
    index = pd.DatetimeIndex(pd.to_datetime(pd.Series(times, dtype="object"), utc=True))
    readings = pd.DataFrame(values, columns=ordered, dtype="float64").set_axis(index)
    lines = pd.Series([line for line, _ in complete], index=index)
    repeated = readings.reset_index(names="time").duplicated().to_numpy() & index.notna()
    readings, lines = readings[~repeated], lines[~repeated]
    for time in readings.index[readings.index.duplicated() & readings.index.notna()].unique():
        first, second = lines[lines.index == time].iloc[:2]
        expected = f"one reading of {time:%Y-%m-%d %H:%MZ}: line {first} has other values"
        problems.add(int(second), mapping.time_column, f"{time:%Y-%m-%d %H:%MZ}", expected)
    return readings.sort_index()


def _numbers(
    cells: Sequence[tuple[int, str]], column: str, unit: str, decimal_comma: bool, problems: _Problems
) -> pd.Series:
    numbers = np.full(len(cells), np.nan)
    for position, (line, text) in enumerate(cells):
        if text.lower() in MISSING:
            continue
        try:
            numbers[position] = number_of(text.replace(",", ".") if decimal_comma else text)
        except ValueError:
            problems.add(line, column, text, f"a number in {unit}, or nothing")
    return pd.Series(numbers)


def _utc(cells: Sequence[tuple[int, str]], mapping: LoggerMapping, problems: _Problems) -> list[datetime | None]:
    """Times in UTC; None, with a problem, for one that cannot be read."""
    expected = f"a time as {mapping.time_format}" if mapping.time_format else "a time such as 2026-01-10 06:00"
    read: list[_Local] = []
    for line, text in cells:
        try:
            time = datetime.strptime(text, mapping.time_format) if mapping.time_format else datetime.fromisoformat(text)
        except ValueError:
            time = None
        if time is None or not 1900 <= time.year < 3000:  # beyond these a change of zone can overflow
            problems.add(line, mapping.time_column, text, expected)
            time = None
        read.append(_Local(line, text, time))
    known = [each.time.replace(tzinfo=None) for each in read if each.time is not None]
    if known and known[0] > known[-1]:  # newest first
        return _localised(read[::-1], mapping, problems)[::-1]
    return _localised(read, mapping, problems)


@dataclass(frozen=True)
class _Local:
    line: int
    text: str
    time: datetime | None


def _localised(rows: Sequence[_Local], mapping: LoggerMapping, problems: _Problems) -> list[datetime | None]:
    """Local times, oldest first, in UTC. An hour that the clock passed twice is told apart by the order of the rows."""
    zone = ZoneInfo(mapping.time_zone)
    fixed = f"or a fixed zone such as Etc/GMT+5 if the logger ignores summer time ({mapping.time_zone} given)"
    utc: list[datetime | None] = []
    for twice, run in itertools.groupby(rows, key=lambda row: _happens_twice(row.time, zone)):
        passage = list(run)
        second_from = _second_passage(passage) if twice else None
        if twice and second_from is None:
            expected = f"rows that pass this hour twice, in order, {fixed}"
            problems.add(passage[0].line, mapping.time_column, passage[0].text, expected)
        for position, row in enumerate(passage):
            if row.time is None:
                utc.append(None)
                continue
            fold = int(second_from is not None and position >= second_from)
            aware = row.time if row.time.tzinfo else row.time.replace(tzinfo=zone, fold=fold)
            moment = aware.astimezone(UTC)
            if not row.time.tzinfo and moment.astimezone(zone).replace(tzinfo=None) != row.time:
                problems.add(row.line, mapping.time_column, row.text, f"a time that the clock showed, {fixed}")
            utc.append(moment)
    return utc


def _happens_twice(time: datetime | None, zone: ZoneInfo) -> bool:
    if time is None or time.tzinfo:
        return False
    first, second = (time.replace(tzinfo=zone, fold=fold).utcoffset() for fold in (0, 1))
    return first is not None and second is not None and first > second


def _second_passage(rows: Sequence[_Local]) -> int | None:
    """Where the clock was put back among rows that all show the repeated hour; None where that cannot be told."""
    times = [row.time for row in rows if row.time is not None]
    backward = [position for position, (a, b) in enumerate(itertools.pairwise(times), 1) if b <= a]
    return backward[0] if len(backward) == 1 else None


def _interval(readings: pd.DataFrame, problems: _Problems) -> pd.Timedelta:
    """Time from row to row, by the most frequent one; a single row is taken as an hour."""
    apart = readings.index.to_series().diff().dropna()
    if apart.empty:
        return pd.Timedelta(hours=1)
    interval = pd.Timedelta(apart.mode().iloc[0])
    if interval > pd.Timedelta(hours=1):
        minutes = interval.total_seconds() / 60
        problems.found.append(f"rows are {minutes:g} minutes apart; expected an hour or less")
    return interval


def _hours(readings: pd.DataFrame, rows_an_hour: int) -> pd.DataFrame:
    """Readings, which know their hour by the index, put together as each variable's hour asks."""
    hours = {}
    for name in readings.columns:
        grouped = readings[name].groupby(level=0)
        known = grouped.count()
        match VARIABLES[name].hour:
            case "instant":
                hours[name] = grouped.last()
            case "mean":
                hours[name] = grouped.mean().where(2 * known >= rows_an_hour)
            case "maximum":
                hours[name] = grouped.max().where(2 * known >= rows_an_hour)
            case "sum":
                hours[name] = grouped.sum().where(known >= rows_an_hour)
    return pd.DataFrame(hours)
