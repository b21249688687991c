"""Described columns of a table: what a cell may hold, how it is read, written and explained to people. Pure."""

import re
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from typing import Any, Literal, Protocol

from monitor.errors import UNWRITABLE
from monitor.register import parse_quiet_hours
from monitor.units import UNITS, Dimension, UnreadableError, exact_text, parse_quantity

Part = Literal["yard", "boat", "cover", "build", "entry"]


class Kind(Protocol):
    """What the cells of a column hold."""

    def read(self, text: str, unit: str | None) -> Any:
        """Value of a cell that is not empty; raises UnreadableError. ``unit`` is that of the header, if it has one."""
        ...

    def write(self, value: Any, units: str) -> str:
        """Text that `read` turns back into the same value; units ``metric`` or ``us``."""
        ...

    def describe(self) -> str:
        """What may stand in the cell, for the help."""
        ...


_FORMULA = re.compile(r"'*(?:[\t\r\n]|\s*[=+\-@＝＋－＠])")
"""A text that a spreadsheet would take for a formula, behind any number of apostrophes."""


@dataclass(frozen=True)
class Text:
    """Free text. One that a spreadsheet could run as a formula is written behind an apostrophe, and read without it."""

    def read(self, text: str, unit: str | None) -> str:
        if UNWRITABLE.search(text):
            raise UnreadableError(text, "text that can be written down: it has control characters")
        return text[1:] if text.startswith("'") and _FORMULA.match(text) else text

    def write(self, value: str, units: str) -> str:
        return f"'{value}" if _FORMULA.match(value) else value

    def describe(self) -> str:
        return "Text."


@dataclass(frozen=True)
class Whole:
    """A whole number between two limits."""

    low: int
    high: int

    def read(self, text: str, unit: str | None) -> int:
        if not re.fullmatch(r"[+-]?[0-9]{1,9}(\.0*)?", text):
            raise UnreadableError(text, f"a whole number from {self.low} to {self.high}")
        number = int(text.partition(".")[0])
        if not self.low <= number <= self.high:
            raise UnreadableError(text, f"between {self.low} and {self.high}")
        return number

    def write(self, value: int, units: str) -> str:
        return str(value)

    def describe(self) -> str:
        return f"A whole number from {self.low} to {self.high}."


@dataclass(frozen=True)
class Choice:
    """One word of a closed list; capitals, blanks and hyphens are forgiven."""

    options: tuple[str, ...]

    def read(self, text: str, unit: str | None) -> str:
        word = re.sub(r"[\s-]+", "_", text).lower()
        if word not in self.options:
            raise UnreadableError(text, f"one of {', '.join(self.options)}")
        return word

    def write(self, value: str, units: str) -> str:
        return value

    def describe(self) -> str:
        return f"One of {', '.join(self.options)}."


@dataclass(frozen=True)
class YesNo:
    """Yes or no; a spreadsheet's TRUE and FALSE are taken too."""

    def read(self, text: str, unit: str | None) -> bool:
        word = text.lower()
        if word in ("yes", "y", "true"):
            return True
        if word in ("no", "n", "false"):
            return False
        raise UnreadableError(text, "yes or no")

    def write(self, value: bool, units: str) -> str:
        return "yes" if value else "no"

    def describe(self) -> str:
        return "Yes or no."


@dataclass(frozen=True)
class Day:
    """A date, year first, in years that only a slip of the pen leaves."""

    first_year: int = 1980
    last_year: int = 2099

    def read(self, text: str, unit: str | None) -> date:
        expected = "a date written year-month-day, such as 2025-10-31"
        if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
            raise UnreadableError(text, expected)
        try:
            day = date.fromisoformat(text)
        except ValueError:
            raise UnreadableError(text, f"a day of the calendar; expected {expected}") from None
        if not self.first_year <= day.year <= self.last_year:
            raise UnreadableError(text, f"in the years {self.first_year} to {self.last_year}")
        return day

    def write(self, value: date, units: str) -> str:
        return value.isoformat()

    def describe(self) -> str:
        return "Date, year-month-day."


@dataclass(frozen=True)
class Moment:
    """A date, or a date and time with or without its offset from UTC; whose midnight a date means is for the reader."""

    day: Day = Day(1979, 2100)  # a day of wrapping may fall into the next year on the clock of another zone

    def read(self, text: str, unit: str | None) -> date | datetime:
        day, time = text[:10], text[10:]
        if not time:
            return self.day.read(day, unit)
        if re.fullmatch(
            r"[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?(Z|[+-][0-9]{2}:[0-9]{2}(:[0-9]{2})?)?", time
        ):
            self.day.read(day, unit)
            try:
                return datetime.fromisoformat(text)
            except ValueError:
                pass
        raise UnreadableError(text, "a date or a date and time, such as 2025-10-31 or 2025-11-20T14:30")

    def write(self, value: datetime, units: str) -> str:
        return value.isoformat()

    def describe(self) -> str:
        return "Date, or date and time (local time of the yard unless an offset or Z follows)."


@cache
def _time_zones() -> frozenset[str]:
    from zoneinfo import available_timezones

    return frozenset(available_timezones())


@dataclass(frozen=True)
class TimeZone:
    """Name of a time zone in the IANA list."""

    def read(self, text: str, unit: str | None) -> str:
        if text not in _time_zones():
            from difflib import get_close_matches

            by_lower_case = {zone.lower(): zone for zone in _time_zones()}
            close = get_close_matches(text.lower(), by_lower_case, n=1, cutoff=0.9)
            meant = by_lower_case[close[0]] if close else "America/New_York"
            raise UnreadableError(text, f"a time zone of the IANA list, such as {meant}")
        return text

    def write(self, value: str, units: str) -> str:
        return value

    def describe(self) -> str:
        return "Name in the IANA list, such as America/New_York."


@dataclass(frozen=True)
class QuietHours(Text):
    """Begin and end of the hours in which nobody is told, on the yard's clock."""

    def read(self, text: str, unit: str | None) -> str:
        try:
            begin, end = parse_quiet_hours(text)
        except ValueError:
            raise UnreadableError(text, "begin and end on the yard's clock, such as 21:00-05:30") from None
        return f"{begin:%H:%M}-{end:%H:%M}"

    def describe(self) -> str:
        return "Begin and end, such as 21:00-05:30."


@dataclass(frozen=True)
class Quantity:
    """A number with a unit, between two limits in the base unit of its dimension (m, m2, mm of thickness, deg)."""

    dimension: Dimension
    low: float
    high: float
    metric: str
    us: str
    full_turn: bool = False
    """Whether the upper limit is the lower one again, as north is 0 and 360 deg."""

    def read(self, text: str, unit: str | None) -> float:
        value = parse_quantity(text, self.dimension, unit, signed=self.low < 0)
        if not self.low <= value <= self.high:
            raise UnreadableError(text, f"between {self._limits(unit or self.metric, 'and')}")
        return self.low if self.full_turn and value == self.high else value

    def write(self, value: float, units: str) -> str:
        return exact_text(value, self.dimension, self.us if units == "us" else self.metric)

    def describe(self) -> str:
        if self.us == self.metric:
            return f"{self._limits(self.metric, 'to')} {self.metric}."
        return f"{self._limits(self.metric, 'to')} ({self._limits(self.us, 'to')})."

    def _limits(self, unit: str, joint: str) -> str:
        factor = float(UNITS[self.dimension][unit].factor)
        low, high = (
            f"{limit / factor:.4g}" if abs(limit / factor) < 10_000 else f"{limit / factor:.0f}"
            for limit in (self.low, self.high)
        )
        return f"{low} {joint} {high}" if unit == "deg" else f"{low} {joint} {high} {unit}"


@dataclass(frozen=True)
class Column:
    """One column of a register file.

    ``name`` is the header without unit, ``field`` the attribute of the ``part`` it fills. Unless the column is
    ``required``, an empty cell or a column left out stands for ``when_empty``, or for nothing known if that is empty.
    """

    name: str
    part: Part
    field: str
    kind: Kind
    meaning: str
    example: str
    required: bool = False
    when_empty: str = ""

    @property
    def headers(self) -> dict[str, str | None]:
        """Every header the column may stand under, with its unit; None where the cells must carry their own."""
        if not isinstance(self.kind, Quantity):
            return {self.name: None}
        return {f"{self.name}_{unit}": unit for unit in UNITS[self.kind.dimension]} | {self.name: None}

    def header(self, units: str) -> str:
        """Header of an export in ``metric`` or ``us`` units."""
        if not isinstance(self.kind, Quantity):
            return self.name
        return f"{self.name}_{self.kind.us if units == 'us' else self.kind.metric}"

    def read(self, text: str, unit: str | None) -> Any:
        """Value of a cell, None where nothing is known (a text is then ""). Raises UnreadableError."""
        if text:
            return self.kind.read(text, unit)
        if self.required:
            raise UnreadableError("empty", f"given ({self.meaning[0].lower()}{self.meaning[1:].rstrip('.')})")
        if self.when_empty:
            return self.kind.read(self.when_empty, unit)
        return "" if isinstance(self.kind, Text | Choice) else None

    def write(self, value: Any, units: str) -> str:
        """Text of a cell; empty for None and ""."""
        return "" if value is None or value == "" else self.kind.write(value, units)


def nearest(name: str, known: Sequence[str] | frozenset[str]) -> str:
    """The known name that looks most like ``name``."""
    from difflib import SequenceMatcher

    return max(sorted(known), key=lambda candidate: SequenceMatcher(None, name, candidate).ratio())


def column_help(column: Column) -> str:
    """How one column is written."""
    first, *others = [header for header, unit in column.headers.items() if unit is not None] or [column.name]
    headers = ", ".join([first, *(other.removeprefix(column.name) for other in others)])
    need = "required" if column.required else f"empty: {column.when_empty}" if column.when_empty else "optional"
    about = f"{column.meaning} {column.kind.describe()} Example in {first}: {column.example}"
    return f"{headers}   [{need}]\n{textwrap.indent(textwrap.fill(about, 96), '    ')}"


EVERY_FILE_HELP = """
    UTF-8 text with a header row, columns in any order, separated by commas or semicolons, numbers with a decimal point.
    A length, area, thickness or angle has its unit at the end of its header, one header for each; a cell may still
    carry its own, as 8'6" does, and under a header without unit every cell must. Blanks around a cell are dropped.
    A text that begins with = + - or @ is exported behind an apostrophe, so that no spreadsheet runs it, and imported
    without it."""
