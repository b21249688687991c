"""One entry of the log as plain values give it, of a form, a phone or a command line: read strictly, told in full."""

import re
import uuid
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.errors import UNWRITABLE, LogError, printable
from monitor.exchange.log_columns import LONGEST_NOTE, LONGEST_WORD
from monitor.exchange.log_entries import UUID
from monitor.inspections import ACTIONS, DEFECTS, PLACES, SEVERITIES
from monitor.register import Yard
from monitor.units import Dimension, UnreadableError, parse_quantity
from monitor.yard_clock import CLOCK_ERROR, moment_on

MOST_FINDINGS = 100
LARGEST_NUMBER = 100_000

_MOST_TOLD = 20
"""Problems of one entry that its sentence names."""

_MOMENT = re.compile(r"(\d{4})-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:\d\d)?", re.ASCII)
_NUMBER = re.compile(r"[0-9]+(\.[0-9]*)?|\.[0-9]+")
_FIRST_YEAR, _LAST_YEAR = 1980, 2099


class EntryError(LogError):
    """An entry that cannot be taken; ``problems`` has a sentence for each thing to put right."""

    def __init__(self, problems: list[str]) -> None:
        told = problems[:_MOST_TOLD]
        if more := len(problems) - len(told):
            told.append(f"... and {more} more.")
        super().__init__(f"{' '.join(told)} Nothing was logged.")
        self.problems = tuple(map(printable, problems))


@dataclass(frozen=True)
class NewFinding:
    """A finding about to be logged."""

    defect: str
    place: str
    severity: int
    note: str = ""


@dataclass(frozen=True)
class NewInspection:
    """An inspection about to be logged. ``inspected_at`` without an offset is on the yard's clock; None is now."""

    id: str
    boat: str
    yard: str = ""
    inspected_at: datetime | None = None
    inside: bool = False
    findings: tuple[NewFinding, ...] = ()
    snow_depth_m: float | None = None
    snow_water_mm: float | None = None
    band_drop_m: float | None = None
    gust_seen_ms: float | None = None
    note: str = ""
    corrects: str | None = None


@dataclass(frozen=True)
class NewAction:
    """Something done, about to be logged. ``acted_at`` without an offset is on the yard's clock; None is now."""

    id: str
    boat: str
    action: str
    yard: str = ""
    acted_at: datetime | None = None
    quantity: float | None = None
    finding: str | None = None
    note: str = ""
    corrects: str | None = None


def inspection_from(values: Mapping[str, Any]) -> NewInspection:
    """An inspection from values as the API takes them; `inspection_form_values` makes them of a form.

    Each value has its one type, and an unknown key is refused. Left out, None or "": not given; an ``id`` is made then.
    Raises EntryError with every problem.
    """
    read = _Reader(values)
    entry = NewInspection(
        id=read.uuid("id") or str(uuid.uuid4()),
        boat=read.name("boat"),
        yard=read.name("yard", needed=False),
        inspected_at=read.moment("inspected_at"),
        inside=read.yes("inside"),
        findings=read.findings("findings"),
        snow_depth_m=read.measured("snow_depth"),
        snow_water_mm=read.number("snow_water_mm", unit="mm"),
        band_drop_m=read.measured("band_drop"),
        gust_seen_ms=read.measured("gust_seen"),
        note=read.text("note", LONGEST_NOTE),
        corrects=read.uuid("corrects"),
    )
    read.finish()
    return entry


def action_from(values: Mapping[str, Any]) -> NewAction:
    """Something done, from values as the API takes them; see `inspection_from`."""
    read = _Reader(values)
    entry = NewAction(
        id=read.uuid("id") or str(uuid.uuid4()),
        boat=read.name("boat"),
        action=read.choice("action", ACTIONS),
        yard=read.name("yard", needed=False),
        acted_at=read.moment("acted_at"),
        quantity=read.number("quantity"),
        finding=read.uuid("finding"),
        note=read.text("note", LONGEST_NOTE),
        corrects=read.uuid("corrects"),
    )
    read.finish()
    return entry


def past_moment(what: str, text: str, yard: Yard, now: datetime) -> datetime | None:
    """A moment (UTC) from ISO text, on the yard's clock where it has no offset; "" is None. Raises EntryError."""
    read = _Reader({what: text})
    moment = read.moment(what)
    read.finish()
    return not_ahead(what, moment, yard, now)


def not_ahead(what: str, typed: datetime | None, yard: Yard, now: datetime) -> datetime | None:
    """The moment (UTC) of a time as it was read, as `past_moment`; None stays None. Raises EntryError."""
    if typed is None:
        return None
    try:
        moment = moment_on(typed, yard.time_zone)
    except UnreadableError as error:
        raise EntryError([f"{what}: {error}."]) from None
    if moment > now + CLOCK_ERROR:
        on_the_yards_clock = f"{moment.astimezone(ZoneInfo(yard.time_zone)):%Y-%m-%d %H:%M %Z}"
        raise EntryError([f"{what}: {on_the_yards_clock} has not come yet; give the time at which it happened."])
    return moment


def finding_from_text(text: str) -> NewFinding:
    """A finding from ``DEFECT@PLACE:SEVERITY[:NOTE]``. Raises LogError, saying which part is not as expected."""
    defect, at, rest = text.partition("@")
    place, colon, rest = rest.partition(":")
    severity, _, note = rest.partition(":")
    if not (at and colon and re.fullmatch(r"[0-9]{1,4}", severity.strip())):
        raise LogError(
            f"Finding {text!r:.80} cannot be read; expected DEFECT@PLACE:SEVERITY, for example loose_band@port:2. "
            f"Nothing was logged."
        )
    return NewFinding(defect.strip(), place.strip(), int(severity.strip()), note.strip())


def length_from_text(text: str | None, option: str) -> float | None:
    """A measured length in metres from text with its unit; None stays None. Raises LogError."""
    return _measured_from_text(text, "length", option, "6in or 15cm")


def speed_from_text(text: str | None, option: str) -> float | None:
    """A speed in m/s from text with its unit; None stays None. Raises LogError."""
    return _measured_from_text(text, "speed", option, "28kn or 14m/s")


def _measured_from_text(text: str | None, dimension: Dimension, option: str, example: str) -> float | None:
    if text is None:
        return None
    try:
        return parse_quantity(text, dimension, None)
    except UnreadableError as error:
        bare = text.strip().replace(".", "", 1).isdecimal()
        problem = f"{text:.60} has no unit; write for example {example}" if bare else str(error)
        raise LogError(f"{option}: {problem}. Nothing was logged.") from None


class _Reader:
    """Reads values one by one, and gathers what is wrong with them."""

    def __init__(self, values: Mapping[str, Any], where: str = "") -> None:
        self._left = {name: value for name, value in values.items() if value is not None}
        self._where = where
        self.problems: list[str] = []

    def text(self, name: str, longest: int) -> str:
        """A text, its ends trimmed and its lines ended in one way; "" where not given."""
        value = self._left.pop(name, "")
        if not isinstance(value, str):
            self._wrong(name, f"found {_shown(value)}, expected text")
            return ""
        trimmed = value.replace("\r\n", "\n").replace("\r", "\n").strip()
        if len(trimmed) > longest:
            self._wrong(name, f"has {len(trimmed)} letters, at most {longest} are taken")
            return ""
        if UNWRITABLE.search(trimmed):
            self._wrong(name, "has letters that cannot be written down")
            return ""
        return trimmed

    def name(self, name: str, *, needed: bool = True) -> str:
        """A short text."""
        sound = len(self.problems)
        found = self.text(name, LONGEST_WORD)
        if needed and not found and len(self.problems) == sound:
            self._wrong(name, "is missing")
        return found

    def choice(self, name: str, allowed: tuple[str, ...]) -> str:
        """One of a closed list."""
        sound = len(self.problems)
        found = self.name(name)
        if found not in allowed and len(self.problems) == sound:
            self._wrong(name, f"found {found!r}, expected one of {', '.join(allowed)}")
        return found

    def uuid(self, name: str) -> str | None:
        """An id as it is made by whoever writes an entry."""
        found = self.text(name, LONGEST_WORD).lower()
        if not found:
            return None
        if UUID.fullmatch(found):
            return found
        self._wrong(name, f"found {found!r}, expected a UUID")
        return None

    def moment(self, name: str) -> datetime | None:
        """A moment in ISO text."""
        found = self.text(name, LONGEST_WORD)
        if not found:
            return None
        expected = "expected a date and time such as 2026-02-21T14:00 (the yard's clock) or 2026-02-21T19:00Z"
        match = _MOMENT.fullmatch(found)
        if match is not None and _FIRST_YEAR <= int(match.group(1)) <= _LAST_YEAR:
            with suppress(ValueError):
                return datetime.fromisoformat(found)
        self._wrong(name, f"found {found!r}, {expected}")
        return None

    def yes(self, name: str) -> bool:
        """True or false."""
        value = self._left.pop(name, False)
        if not isinstance(value, bool):
            self._wrong(name, f"found {_shown(value)}, expected true or false")
            return False
        return value

    def measured(self, name: str) -> float | None:
        """A measured value with its unit, as typed. [m, m/s]"""
        found = self.text(name, LONGEST_WORD)
        if not found:
            return None
        read = speed_from_text if name == "gust_seen" else length_from_text
        try:
            return read(found, name)
        except LogError as error:
            self.problems.append(self._where + str(error).removesuffix(" Nothing was logged."))
            return None

    def number(self, name: str, unit: str = "") -> float | None:
        """A number from zero, as such or as typed."""
        value = self._left.get(name)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            del self._left[name]
            if 0 <= value <= LARGEST_NUMBER:
                return float(value)
            self._wrong(name, f"found {_shown(value)}, expected a number from 0 to {LARGEST_NUMBER}")
            return None
        found = self.text(name, LONGEST_WORD)
        if not found:
            return None
        bare = found.removesuffix(unit).strip()
        if _NUMBER.fullmatch(bare) and float(bare) <= LARGEST_NUMBER:
            return float(bare)
        self._wrong(
            name, f"found {found!r}, expected a number from 0 to {LARGEST_NUMBER}{f' of {unit}' if unit else ''}"
        )
        return None

    def findings(self, name: str) -> tuple[NewFinding, ...]:
        """A list of findings."""
        value = self._left.pop(name, [])
        if not isinstance(value, list) or not all(isinstance(one, Mapping) for one in value):
            self._wrong(name, "expected a list of objects with defect, place, severity and note")
            return ()
        if len(value) > MOST_FINDINGS:
            self._wrong(name, f"has {len(value)}, at most {MOST_FINDINGS} are taken")
            return ()
        return tuple(self._finding(number, one) for number, one in enumerate(value, 1))

    def _finding(self, number: int, values: Mapping[str, Any]) -> NewFinding:
        read = _Reader(values, f"Finding {number}, ")
        severity = read._left.pop("severity", None)
        if type(severity) is not int or severity not in SEVERITIES:
            read._wrong("severity", f"found {_shown(severity)}, expected 0, 1, 2 or 3")
            severity = 0
        found = NewFinding(
            defect=read.choice("defect", DEFECTS),
            place=read.choice("place", PLACES),
            severity=severity,
            note=read.text("note", LONGEST_NOTE),
        )
        read._refuse_the_rest()
        self.problems += read.problems
        return found

    def finish(self) -> None:
        """Raise EntryError where anything was wrong, or is left over."""
        self._refuse_the_rest()
        if self.problems:
            raise EntryError(self.problems)

    def _refuse_the_rest(self) -> None:
        for name in self._left:
            self._wrong(_shown(name), "is not known here; leave it out")

    def _wrong(self, name: str, what: str) -> None:
        self.problems.append(f"{self._where}{name}: {what}.")


def _shown(value: object) -> str:
    """A value as a person may read it, short and printable."""
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (list, Mapping)):  # whatever is in it, and however deep
        return "a list" if isinstance(value, list) else "an object"
    shown = ascii(value)
    return shown if len(shown) <= 40 else f"{shown[:37]}..."
