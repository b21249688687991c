"""The columns of an inspection file: what each holds, its units and limits, and how a row is told from another."""

import re
import textwrap
from dataclasses import dataclass
from datetime import datetime

from monitor.exchange.columns import (
    EVERY_FILE_HELP,
    Choice,
    Column,
    Moment,
    Quantity,
    Text,
    Whole,
    YesNo,
    column_help,
)
from monitor.exchange.log_entries import UUID
from monitor.inspections import ACTIONS, DEFECTS, PLACES, SEVERITIES
from monitor.units import UnreadableError
from monitor.variables import VARIABLES

LONGEST_NOTE = 4000
LONGEST_WORD = 80
"""Letters of a boat's number, a name, an id."""

MOST_PHOTOS = 50
"""Of one row."""


@dataclass(frozen=True)
class Short(Text):
    """Free text of so many letters at most."""

    longest: int = LONGEST_WORD

    def read(self, text: str, unit: str | None) -> str:
        """The text, its lines ended in one way. Raises UnreadableError."""
        if len(text) > self.longest:
            raise UnreadableError(f"a text of {len(text)} letters", f"at most {self.longest} letters long")
        return super().read(text, unit).replace("\r\n", "\n").replace("\r", "\n").strip()


@dataclass(frozen=True)
class Id(Text):
    """A whole id, as phones and this program make them."""

    def read(self, text: str, unit: str | None) -> str:
        """The id in small letters. Raises UnreadableError."""
        if not UUID.fullmatch(text.lower()):
            raise UnreadableError(text, "a whole id (a UUID, such as 6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60)")
        return text.lower()

    def describe(self) -> str:
        """What may stand in the cell."""
        return "A whole id (a UUID)."


@dataclass(frozen=True)
class Time(Moment):
    """A date with its time, with or without its offset from UTC."""

    def read(self, text: str, unit: str | None) -> datetime:
        """The moment; without an offset it is on the yard's clock. Raises UnreadableError."""
        expected = "a date and time, such as 2026-02-22 09:40 or 2026-02-22T14:40Z"
        try:
            value = super().read(text, unit)
        except UnreadableError:
            raise UnreadableError(text, expected) from None
        if not isinstance(value, datetime):
            raise UnreadableError(text, expected)
        return value

    def describe(self) -> str:
        """What may stand in the cell."""
        return "Date and time (local time of the yard unless an offset or Z follows)."


@dataclass(frozen=True)
class Number:
    """A plain number between two limits."""

    low: float
    high: float

    def read(self, text: str, unit: str | None) -> float:
        """The number. Raises UnreadableError."""
        if len(text) > 40 or not re.fullmatch(r"([0-9]+(\.[0-9]*)?|\.[0-9]+)(e[+-]?[0-9]{1,3})?", text, re.ASCII):
            raise UnreadableError(text, f"a number from {self.low:g} to {self.high:g} without a unit")
        value = float(text)
        if not self.low <= value <= self.high:
            raise UnreadableError(text, f"between {self.low:g} and {self.high:g}")
        return value

    def write(self, value: float, units: str) -> str:
        """The shortest text of the number."""
        return repr(value)

    def describe(self) -> str:
        """What may stand in the cell."""
        return f"A number from {self.low:g} to {self.high:g}."


@dataclass(frozen=True)
class FileNames:
    """Names of files in one folder, parted by ``|``; nothing that leads out of it."""

    def read(self, text: str, unit: str | None) -> tuple[str, ...]:
        """The names. Raises UnreadableError."""
        names = tuple(name for part in text.split("|") if (name := part.strip()))
        for name in names:
            if is_path(name):
                raise UnreadableError(name, "a plain file name; the folder is given with --photos")
        if len(names) > MOST_PHOTOS:
            raise UnreadableError(f"{len(names)} photos", f"at most {MOST_PHOTOS} in a row")
        return names

    def write(self, value: tuple[str, ...], units: str) -> str:
        """The names in one cell."""
        return "|".join(value)

    def describe(self) -> str:
        """What may stand in the cell."""
        return "File names in the folder given with --photos, parted by |."


def is_path(name: str) -> bool:
    """Whether a name is more than the name of a file: it has a folder, a drive or something unprintable in it."""
    return name in ("", ".", "..") or len(name) > 255 or not name.isprintable() or any(mark in name for mark in "/\\:")


ENTRIES = ("inspection", "finding", "action")

LOG_COLUMNS: tuple[Column, ...] = (
    Column(
        "entry",
        "entry",
        "entry",
        Choice(ENTRIES),
        "What the row tells of. Empty: an action where action is filled in, a finding where defect is, else an "
        "inspection that found nothing.",
        "finding",
    ),
    Column(
        "id",
        "entry",
        "id",
        Id(),
        "Id of the entry. Empty: made from yard, boat, time and name, so that the same row again changes nothing.",
        "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60",
    ),
    Column("boat", "entry", "boat", Short(), "The yard's own number of the boat; leading zeros count.", "0417", True),
    Column("at", "entry", "at", Time(), "When it was seen or done. Empty only in a correction.", "2026-02-22 09:40"),
    Column("by", "entry", "by", Short(), "Who. Empty: the name given with --by.", "Ida"),
    Column("inside", "entry", "inside", YesNo(), "Whether somebody looked inside. Empty: no.", "yes"),
    Column(
        "snow_depth",
        "entry",
        "snow_depth_m",
        Quantity("length", 0, VARIABLES["snow_depth_m"].high, "m", "in"),
        "Snow depth measured on the flattest part.",
        "0.15",
    ),
    Column(
        "snow_water_mm",
        "entry",
        "snow_water_mm",
        Number(0, 2000),
        "Measured water of that snow, in mm (kg/m2).",
        "22.5",
    ),
    Column(
        "band_drop",
        "entry",
        "band_drop_m",
        Quantity("length", 0, 2, "m", "in"),
        "Perimeter band below the rub rail, as measured.",
        "0.2",
    ),
    Column(
        "gust_seen",
        "entry",
        "gust_seen_ms",
        Quantity("speed", 0, VARIABLES["wind_gust_ms"].high, "ms", "kn"),
        "Gust read off a meter while there.",
        "14",
    ),
    Column(
        "inspection",
        "entry",
        "inspection",
        Short(),
        "In a finding: id of the inspection that it belongs to, logged before or in this file; the beginning is "
        "enough for a logged one. Empty: the inspection of the same boat, at and by.",
        "0b7c1f3a",
    ),
    Column("defect", "entry", "defect", Choice(DEFECTS), "What was found.", "loose_band"),
    Column("place", "entry", "place", Choice(PLACES), "Where it was found.", "port"),
    Column(
        "severity",
        "entry",
        "severity",
        Whole(min(SEVERITIES), max(SEVERITIES)),
        "How bad: 0 sound, 1 watch, 2 repair soon, 3 make safe now.",
        "2",
    ),
    Column("action", "entry", "action", Choice(ACTIONS), "What was done.", "retensioned_band"),
    Column("quantity", "entry", "quantity", Number(0, 1000), "How many, for vents and posts.", "2"),
    Column("finding", "entry", "finding", Short(), "In an action: id of the finding that it puts right.", "0b7c1f3a"),
    Column("note", "entry", "note", Short(LONGEST_NOTE), "In your own words, about this row's entry.", "aft of post 2"),
    Column("corrects", "entry", "corrects", Short(), "Id of the entry that this one corrects.", "0b7c1f3a"),
    Column("photos", "entry", "photos", FileNames(), "Photos of this row's entry.", "IMG_0412.jpg|IMG_0413.jpg"),
)

_ALWAYS = frozenset({"entry", "id", "boat", "at", "by", "note", "corrects", "photos"})
OF_INSPECTION = ("inside", "snow_depth", "snow_water_mm", "band_drop", "gust_seen")
"""Columns that say something of a whole inspection; a row of one of its findings may carry them."""

BELONGING = {
    "inspection": _ALWAYS | set(OF_INSPECTION),
    "finding": _ALWAYS | set(OF_INSPECTION) | {"inspection", "defect", "place", "severity"},
    "action": _ALWAYS | {"action", "quantity", "finding"},
}
"""Columns that a row of each kind may fill in."""

NEEDED = {"inspection": (), "finding": ("defect", "place", "severity"), "action": ("action",)}

_ABOUT = """
    An inspection file, for what was written on paper: one row for each finding, each inspection that found nothing and
    each action. Rows of findings with the same boat, at and by are one inspection; what is said of the whole inspection
    stands in a row of its own or in any of them, and must agree. The same file again changes nothing; a row that
    differs from what is logged under its id is refused, because a correction is a new row that names the old one."""
_JSON = """
    A phone's own entries come as JSON: {"inspections": [...], "actions": [...]}, each as the web app's API takes it
    (/openapi.json) with "by" beside it; and "photos": [{"id", "taken_at", "note", "image"}] in an entry or in one of
    its findings, the image in base64."""


def log_columns_help() -> str:
    """How an inspection file is written: the file, then its columns in the order of an export. Plain text."""
    about = textwrap.fill(" ".join(f"{_ABOUT} {EVERY_FILE_HELP}".split()), 100)
    as_json = textwrap.fill(" ".join(_JSON.split()), 100)
    return "\n\n".join([about, *map(column_help, LOG_COLUMNS), as_json])
