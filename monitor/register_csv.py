"""covers.csv and yards.csv: text in, register out, and back; every problem of a file is told at once."""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from itertools import pairwise, zip_longest
from typing import Any
from zoneinfo import ZoneInfo

from monitor.errors import RegisterError
from monitor.register import DISPLAY_UNITS, PANELS, Boat, Cover, CoverBuild, Yard
from monitor.register_columns import COVER_COLUMNS, YARD_COLUMNS, Column, Part, TimeZone, nearest
from monitor.register_columns import columns_help as columns_help
from monitor.units import UnreadableError

_PROBLEMS_TOLD = 50


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file. ``line`` is where its row begins, ``column`` "" where it is not about one column.

    ``expected`` completes "it is not ..."; for something ``empty`` or ``missing`` it completes "it should be ...".
    """

    file: str
    line: int
    column: str
    found: str
    expected: str

    def __str__(self) -> str:
        where = f"{self.file} line {self.line}" + (f", column {self.column}" if self.column else "")
        if self.found in ("empty", "missing"):
            return f"{where}: {self.found}; it should be {self.expected}."
        return f"{where}: {self.found} is not {self.expected}."


class RegisterFileError(RegisterError):
    """A register file of which nothing was taken; ``problems`` has all that is wrong with it, in the order of lines."""

    def __init__(self, file_name: str, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda problem: problem.line))
        told = [str(problem) for problem in self.problems[:_PROBLEMS_TOLD]]
        if more := len(self.problems) - len(told):
            told.append(f"... and {more} more.")
        super().__init__("\n".join([*told, f"Nothing was loaded. Correct {file_name} and import again."]))


def decode(content: bytes, file_name: str) -> str:
    """Text of a register file; it must be UTF-8, with or without a byte order mark. Raises RegisterFileError."""
    expected = 'UTF-8 text; choose "CSV UTF-8" when saving the table'
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{content[error.start]:02X}"
        raise RegisterFileError(file_name, [Problem(file_name, line, "", found, expected)]) from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise RegisterFileError(file_name, [Problem(file_name, line, "", "byte 0x00", expected)])
    return text


def read_covers(text: str, file_name: str, yard: Yard) -> list[Cover]:
    """Covers of a yard from the text of a covers.csv, in the order in which the file first names them.

    Parameters
    ----------
    text : str
        The file, see `monitor.register_columns.columns_help`; from `decode`, or opened with ``newline=""``.
    file_name : str
        As the person knows it, for the messages.
    yard : Yard
        Its time zone says what a date or a local time in ``built_on`` means.

    Returns
    -------
    list of Cover
        Builds oldest first, times in UTC; empty for a file without rows.

    Raises
    ------
    RegisterFileError
        With every problem of the file.
    RegisterError
        Where the yard's time zone is not known.
    """
    zone = _zone_of(yard)
    rows, problems = _read_rows(text, file_name, COVER_COLUMNS)
    for row in rows:
        problems += _settle_built_on(row, zone) + _check_row(row, zone)
    problems += _check_boats(rows) + _check_berths(rows) + _check_builds(rows)
    if problems:
        raise RegisterFileError(file_name, problems)
    return [
        Cover(
            boat=Boat(**rows_of_cover[0].fields("boat")),
            builds=tuple(CoverBuild(**row.fields("build")) for row in sorted(rows_of_cover, key=_built_at)),
            **rows_of_cover[0].fields("cover"),
        )
        for rows_of_cover in _group(rows, "boat", "wrapped_on").values()
    ]


def read_yards(text: str, file_name: str) -> list[Yard]:
    """Yards from the text of a yards.csv, in its order. Raises RegisterFileError with every problem of the file."""
    rows, problems = _read_rows(text, file_name, YARD_COLUMNS)
    for first, *others in _group(rows, "id").values():
        problems += [row.problem("id", row.texts["id"], f"a new id; line {first.line} has it too") for row in others]
    if problems:
        raise RegisterFileError(file_name, problems)
    return [Yard(**row.fields("yard")) for row in rows]


def write_covers(covers: Iterable[Cover], units: str = "metric", time_zone: str = "UTC") -> str:
    """Text of a covers.csv that `read_covers` turns back into the same covers, to the last bit of every number.

    ``units`` is ``metric`` or ``us``. ``built_on`` is written as the clocks of ``time_zone`` show it, with its offset.
    Texts of a register have no blanks at their ends; such blanks would not come back. Line ends are CRLF (RFC 4180):
    write the file with ``newline=""``.
    """
    zone = ZoneInfo(time_zone)
    parts: Iterable[dict[Part, Any]] = (
        {"boat": cover.boat, "cover": cover, "build": _in_zone(build, zone)}
        for cover in covers
        for build in cover.builds
    )
    return _write_rows(parts, COVER_COLUMNS, units)


def write_yards(yards: Iterable[Yard], units: str = "metric") -> str:
    """Text of a yards.csv that `read_yards` turns back into the same yards; see `write_covers`."""
    return _write_rows(({"yard": yard} for yard in yards), YARD_COLUMNS, units)


def _in_zone(build: CoverBuild, zone: ZoneInfo) -> CoverBuild:
    if build.built_at.tzinfo is None:
        raise ValueError(f"built_at {build.built_at.isoformat()} has no zone; times of the register are UTC")
    return replace(build, built_at=build.built_at.astimezone(zone))


def _write_rows(parts: Iterable[Mapping[Part, Any]], columns: Sequence[Column], units: str) -> str:
    if units not in DISPLAY_UNITS:
        raise ValueError(f"units must be metric or us, got {units!r}")
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(column.header(units) for column in columns)
    for part in parts:
        writer.writerow(column.write(getattr(part[column.part], column.field), units) for column in columns)
    return text.getvalue()


@dataclass(frozen=True)
class _Row:
    """One row of a file: headers and texts of its columns by name, and the values of those that could be read."""

    file: str
    line: int
    columns: Sequence[Column]
    headers: Mapping[str, str]
    texts: Mapping[str, str]
    values: dict[str, Any]

    def has(self, *names: str) -> bool:
        return all(name in self.values for name in names)

    def text(self, name: str) -> str:
        return self.texts.get(name) or "empty"

    def problem(self, name: str, found: str, expected: str) -> Problem:
        return Problem(self.file, self.line, self.headers.get(name, name), _one_line(found), expected)

    def fields(self, part: Part) -> dict[str, Any]:
        return {column.field: self.values[column.name] for column in self.columns if column.part == part}


def _group(rows: Iterable[_Row], *names: str) -> dict[tuple[Any, ...], list[_Row]]:
    """Rows that have all these columns, by their values, in the order of the file."""
    groups: dict[tuple[Any, ...], list[_Row]] = {}
    for row in rows:
        if row.has(*names):
            groups.setdefault(tuple(row.values[name] for name in names), []).append(row)
    return groups


def _built_at(row: _Row) -> datetime:
    moment: datetime = row.values["built_on"]
    return moment


def _one_line(found: str) -> str:
    """A text from the file as it fits into a sentence."""
    line = " ".join(found.split())
    return line if len(line) <= 60 else f"{line[:57]}..."


@dataclass(frozen=True)
class _Heading:
    """A column of the file: where it stands, what it is, and the unit in its header."""

    index: int
    name: str
    column: Column
    unit: str | None


def _read_rows(text: str, file: str, columns: Sequence[Column]) -> tuple[list[_Row], list[Problem]]:
    """Rows that have the cells of the header, readable or not, and every problem with the header and the cells."""
    records, problems = _records(text, file)
    if not records:
        return [], problems or [Problem(file, 1, "", "empty", "a table with a header row")]
    (header_line, header), *records = records
    headings, header_problems = _headings(header, header_line, file, columns)
    problems += header_problems
    names = {heading.column.name: heading.name for heading in headings}
    left_out = {c.name: c.read("", None) for c in columns if c.name not in names and not c.required}
    rows = []
    for line, cells in records:
        if len(cells) < len(header) or any(cell and not name for cell, name in zip_longest(cells, header)):
            expected = (
                f"a row under the {sum(map(bool, header))} headers of line {header_line}; check separators and quotes"
            )
            problems.append(Problem(file, line, "", f"a row of {len(cells)} cells", expected))
            continue
        texts = {heading.column.name: cells[heading.index] for heading in headings}
        row = _Row(file, line, columns, names, texts, dict(left_out))
        for heading in headings:
            try:
                row.values[heading.column.name] = heading.column.read(cells[heading.index], heading.unit)
            except UnreadableError as error:
                problems.append(row.problem(heading.column.name, error.found, error.expected))
        rows.append(row)
    return rows, problems


def _records(text: str, file: str) -> tuple[list[tuple[int, list[str]]], list[Problem]]:
    """Rows that are not blank, each with the line on which it begins; blanks around cells are dropped."""
    text = text.removeprefix("\N{BYTE ORDER MARK}")
    header = re.sub(r'"[^"]*"', "", text.lstrip().partition("\n")[0])
    separator = ";" if header.count(";") > header.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    records: list[tuple[int, list[str]]] = []
    while True:
        line = reader.line_num + 1
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return records, []
        except csv.Error as error:
            return records, [Problem(file, line, "", "the row", f"readable ({error}); check its quotation marks")]
        if any(cells):
            records.append((line, cells))


def _headings(
    header: Sequence[str], line: int, file: str, columns: Sequence[Column]
) -> tuple[list[_Heading], list[Problem]]:
    """What each column of the file is; unknown, doubled and missing columns are problems."""
    known = {name: (column, unit) for column in columns for name, unit in column.headers.items()}
    headings: dict[str, _Heading] = {}
    unknown, problems = [], []
    for index, name in enumerate(cell.lower() for cell in header):
        if name and name not in known:
            unknown.append(name)
            expected = f"a known column; the nearest is {nearest(name, list(known))}"
            problems.append(Problem(file, line, _one_line(name), "this", expected))
        elif name:
            column, unit = known[name]
            heading = headings.setdefault(column.name, _Heading(index, name, column, unit))
            if heading.index != index:
                expected = f"allowed beside {heading.name}, which says the same; keep one of them"
                problems.append(Problem(file, line, name, "this second column", expected))
    for column in columns:
        if column.required and column.name not in headings:
            spellings = dict.fromkeys([column.header("metric"), column.header("us")])
            expected = "in the header" + (f" as {' or '.join(spellings)}" if column.name not in spellings else "")
            if unknown:
                expected += f"; the nearest in the file is {_one_line(nearest(column.name, unknown))}"
            problems.append(Problem(file, line, column.name, "missing", expected))
    return list(headings.values()), problems


def _zone_of(yard: Yard) -> ZoneInfo:
    try:
        return ZoneInfo(TimeZone().read(yard.time_zone, None))
    except UnreadableError as error:
        raise RegisterError(
            f'Yard "{yard.name}": {error}. Nothing was loaded. Correct the yard and import again.'
        ) from None


def _settle_built_on(row: _Row, zone: ZoneInfo) -> list[Problem]:
    """Turn ``built_on`` into a time in UTC: empty is the day of wrapping, a date its midnight, a bare time local."""
    if not row.has("built_on"):
        return []
    value: date | None = row.values.pop("built_on")
    if value is None:
        if not row.has("wrapped_on"):
            return []
        value = row.values["wrapped_on"]
    if not isinstance(value, datetime):
        moment = datetime.combine(value, time(), zone)
    elif value.tzinfo is not None:
        moment = value
    else:
        moment = value.replace(tzinfo=zone)
        if moment.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != value:
            expected = f"a time that clocks in {zone.key} showed; they were put forward past it"
            return [row.problem("built_on", row.text("built_on"), expected)]
    row.values["built_on"] = moment.astimezone(UTC)
    return []


def _check_row(row: _Row, zone: ZoneInfo) -> list[Problem]:
    """What has to agree inside one row: order of dates, slopes or a ridge, both coordinates."""
    problems = []
    if row.has("wrapped_on", "built_on") and row.values["wrapped_on"] > _built_at(row).astimezone(zone).date():
        expected = f"a day on or before built_on, {row.text('built_on')}"
        problems.append(row.problem("wrapped_on", row.text("wrapped_on"), expected))
    slopes = [f"{panel}_slope" for panel in PANELS]
    if row.has("ridge_rise", *slopes) and row.values["ridge_rise"] is None:
        missing = [row.headers.get(name, f"{name}_deg") for name in slopes if row.values[name] is None]
        if missing:
            expected = f"given, or else the slopes of all four panels, of which {', '.join(missing)} are empty"
            problems.append(row.problem("ridge_rise", "empty", expected))
    for name, other in (("x", "y"), ("y", "x")):
        if row.has("x", "y") and row.values[name] is None and row.values[other] is not None:
            problems.append(row.problem(name, "empty", f"given together with {other}"))
    return problems


def _check_boats(rows: Sequence[_Row]) -> list[Problem]:
    """All rows of a boat say the same of it."""
    problems = []
    for first, *others in _group(rows, "boat").values():
        for row in others:
            for column in COVER_COLUMNS:
                known = column.part == "boat" and first.has(column.name) and row.has(column.name)
                if known and first.values[column.name] != row.values[column.name]:
                    expected = f"{_one_line(first.text(column.name))}, as in line {first.line} of the same boat"
                    problems.append(row.problem(column.name, row.text(column.name), expected))
    return problems


def _check_berths(rows: Sequence[_Row]) -> list[Problem]:
    """One boat in a berth."""
    problems = []
    taken: dict[tuple[str, int], _Row] = {}
    for first, *_ in _group(rows, "boat", "row", "place").values():
        berth = (first.values["row"].casefold(), first.values["place"])
        other = taken.setdefault(berth, first)
        if other.values["boat"] != first.values["boat"]:
            found = f"berth {first.values['row']} {first.values['place']}"
            expected = f"free; line {other.line} puts boat {_one_line(other.values['boat'])} there"
            problems.append(first.problem("place", found, expected))
    return problems


def _check_builds(rows: Sequence[_Row]) -> list[Problem]:
    """Builds of a boat have times of their own, and end where the boat is wrapped anew."""
    problems = []
    for (boat, _), (first, *others) in _group(rows, "boat", "built_on").items():
        for row in others:
            found = f"boat {boat} built {row.text('built_on' if row.texts.get('built_on') else 'wrapped_on')}"
            problems.append(
                row.problem("built_on", found, f"a build of its own; line {first.line} has the same boat and time")
            )
    for rows_of_boat in _group((row for row in rows if row.has("built_on")), "boat").values():
        by_wrapping = sorted(_group(rows_of_boat, "wrapped_on").items())
        for (_, earlier), (_, later) in pairwise(by_wrapping):
            anew = min(later, key=_built_at)
            for row in earlier:
                if _built_at(row) > _built_at(anew):
                    expected = f"before the boat was wrapped anew on {anew.text('wrapped_on')} (line {anew.line})"
                    problems.append(row.problem("built_on", row.text("built_on"), expected))
    return problems
