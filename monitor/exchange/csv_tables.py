"""Tables in CSV under described columns: rows read with every problem told at once, and rows written."""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import Any

from monitor.exchange.columns import Column, Part, nearest
from monitor.exchange.file_kinds import is_web_page, wrong_kind
from monitor.register import DISPLAY_UNITS
from monitor.units import UnreadableError

_PROBLEMS_TOLD = 50

MOST_COLUMNS = 500
MOST_ROWS = 100_000
"""Of a header; more is no table that a person made."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file. ``line`` is where its row begins, ``column`` "" where it is not about one column.

    ``line`` is 0 in a file whose parts are named, not numbered by lines; ``column`` then has the path of the part.
    ``expected`` completes "it is not ..."; for something ``empty`` or ``missing`` it completes "it should be ...". A
    ``sentence`` says it in its own words instead.
    """

    file: str
    line: int
    column: str
    found: str
    expected: str
    sentence: str = ""

    def __str__(self) -> str:
        where = f"{self.file} line {self.line}" if self.line else self.file
        where += f"{', column' if self.line else ','} {self.column}" if self.column else ""
        if self.sentence:
            return f"{where}: {self.sentence}"
        if self.found in ("empty", "missing"):
            return f"{where}: {self.found}; it should be {self.expected}."
        return f"{where}: {self.found} is not {self.expected}."


def told(file_name: str, problems: Sequence[Problem]) -> str:
    """All that is wrong with a file of which nothing was taken, line by line."""
    lines = [str(problem) for problem in problems[:_PROBLEMS_TOLD]]
    if more := len(problems) - len(lines):
        lines.append(f"... and {more} more.")
    return "\n".join([*lines, f"Nothing was loaded. Correct {file_name} and import again."])


def decoded(content: bytes, file_name: str) -> tuple[str, list[Problem]]:
    """Text of a file that must be UTF-8, with or without a byte order mark; "" and the problem where it is not."""
    expected = 'UTF-8 text; choose "CSV UTF-8" when saving the table'
    kind = wrong_kind(content)
    if kind is None and is_web_page(content):
        kind = "this is a web page (HTML); import a table in CSV."
    if kind is not None:
        return "", [Problem(file_name, 0, "", "", "", kind)]
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        return "", [Problem(file_name, line, "", f"byte 0x{content[error.start]:02X}", expected)]
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        return "", [Problem(file_name, line, "", "byte 0x00", expected)]
    return text, []


@dataclass(frozen=True)
class Row:
    """One row of a file: headers and texts of its columns by name, and the values of those that could be read."""

    file: str
    line: int
    columns: Sequence[Column]
    headers: Mapping[str, str]
    texts: Mapping[str, str]
    values: dict[str, Any]

    def has(self, *names: str) -> bool:
        """Whether all these columns could be read."""
        return all(name in self.values for name in names)

    def text(self, name: str) -> str:
        """What stands in a cell, as a sentence calls it."""
        return self.texts.get(name) or "empty"

    def problem(self, name: str, found: str, expected: str) -> Problem:
        """Something wrong with a cell, under the header that the file gives its column."""
        return Problem(self.file, self.line, self.headers.get(name, name), one_line(found), expected)

    def fields(self, part: Part) -> dict[str, Any]:
        """Values of the columns of a part, by its attributes."""
        return {column.field: self.values[column.name] for column in self.columns if column.part == part}


def group(rows: Iterable[Row], *names: str) -> dict[tuple[Any, ...], list[Row]]:
    """Rows that have all these columns, by their values, in the order of the file."""
    groups: dict[tuple[Any, ...], list[Row]] = {}
    for row in rows:
        if row.has(*names):
            groups.setdefault(tuple(row.values[name] for name in names), []).append(row)
    return groups


def one_line(found: str) -> str:
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


def read_rows(text: str, file: str, columns: Sequence[Column]) -> tuple[list[Row], list[Problem]]:
    """Rows that have the cells of the header, readable or not, and every problem with the header and the cells."""
    records, problems = _records(text, file)
    if not records:
        return [], problems or [Problem(file, 1, "", "empty", "a table with a header row")]
    (header_line, header), *records = records
    if len(header) > MOST_COLUMNS:
        return [], [Problem(file, header_line, "", f"a header of {len(header)} columns", "the header of such a table")]
    if (misfit := _another_table(header, columns)) is not None:
        return [], [Problem(file, header_line, "", "", "", misfit)]
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
        row = Row(file, line, columns, names, texts, dict(left_out))
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
            if len(records) > MOST_ROWS:
                sentence = f"there are more than {MOST_ROWS:,} rows; divide the file."
                return [], [Problem(file, line, "", "", "", sentence)]
            records.append((line, cells))


def _another_table(header: Sequence[str], columns: Sequence[Column]) -> str | None:
    """That a header has none of the columns that such a table must have, and has others; None where it may be one."""
    wanted = [column for column in columns if column.required] or columns
    names = [cell.lower() for cell in header if cell]
    found = [column for column in wanted if not column.headers.keys().isdisjoint(names)]
    known = {name for column in columns for name in column.headers}
    if found or known.issuperset(names):
        return None
    needs = ", ".join(column.header("metric") for column in wanted)
    return (
        f"the header ({one_line(', '.join(header))}) has none of the columns that such a table needs: {needs}. "
        f"See that it is the file you mean."
    )


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
            expected = f"a known column; the nearest is {nearest(one_line(name), list(known))}"
            problems.append(Problem(file, line, one_line(name), "this", expected))
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
                expected += f"; the nearest in the file is {one_line(nearest(column.name, unknown))}"
            problems.append(Problem(file, line, column.name, "missing", expected))
    return list(headings.values()), problems


def write_rows(parts: Iterable[Mapping[Part, Any]], columns: Sequence[Column], units: str) -> str:
    """Text of a table with one row for each mapping of parts; line ends are CRLF (RFC 4180).

    ``units`` is ``metric`` or ``us``; raises ValueError for anything else.
    """
    if units not in DISPLAY_UNITS:
        raise ValueError(f"units must be metric or us, got {units!r}")
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(column.header(units) for column in columns)
    for part in parts:
        writer.writerow(column.write(getattr(part[column.part], column.field), units) for column in columns)
    return text.getvalue()
