"""Entries of an inspection file: what was seen and done, where it stands in the file, and the ids it gets."""

import re
import uuid
from dataclasses import dataclass
from datetime import datetime

from monitor.exchange.csv_tables import Problem

UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.IGNORECASE)
"""A whole id."""


@dataclass(frozen=True)
class PhotoEntry:
    """A photo of a file: the name of its own file, or its bytes; of these ``data`` is the one that counts if given."""

    name: str
    data: bytes | None = None
    id: str | None = None
    taken_at: datetime | None = None
    note: str = ""


@dataclass(frozen=True)
class Place:
    """Where in a file an entry stands: the line on which its row begins, or the path to it."""

    file: str
    line: int
    path: str = ""

    def problem(self, column: str, found: str = "", expected: str = "", sentence: str = "") -> Problem:
        """Something wrong with the entry, in a column or, with "", as a whole."""
        at = ".".join(part for part in (self.path, column) if part)
        return Problem(self.file, self.line, at, found, expected, sentence)


@dataclass(frozen=True)
class FindingEntry:
    """A finding of a file. ``inspection`` is the id of the one it is added to, None where it came with it."""

    place: Place
    boat: str
    id: str
    by: str
    defect: str
    where: str
    severity: int
    note: str = ""
    inspection: str | None = None
    corrects: str | None = None
    photos: tuple[PhotoEntry, ...] = ()


@dataclass(frozen=True)
class InspectionEntry:
    """An inspection of a file with the findings that came with it. ``at`` None is that of what it corrects. [UTC]"""

    place: Place
    boat: str
    id: str
    at: datetime | None
    by: str
    inside: bool = False
    snow_depth_m: float | None = None
    snow_water_mm: float | None = None
    band_drop_m: float | None = None
    gust_seen_ms: float | None = None
    note: str = ""
    corrects: str | None = None
    findings: tuple[FindingEntry, ...] = ()
    photos: tuple[PhotoEntry, ...] = ()


@dataclass(frozen=True)
class ActionEntry:
    """Something done, of a file. ``at`` None is that of what it corrects. [UTC]"""

    place: Place
    boat: str
    id: str
    at: datetime | None
    by: str
    action: str
    quantity: float | None = None
    finding: str | None = None
    note: str = ""
    corrects: str | None = None
    photos: tuple[PhotoEntry, ...] = ()


@dataclass(frozen=True)
class LogFile:
    """What a file tells; ``findings`` are those added to an inspection that was there before them."""

    inspections: tuple[InspectionEntry, ...] = ()
    findings: tuple[FindingEntry, ...] = ()
    actions: tuple[ActionEntry, ...] = ()


def made_id(*parts: str) -> str:
    """The id of an entry that has none, the same each time from what it says (UUID version 5, RFC 9562)."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, "/".join(parts)))
