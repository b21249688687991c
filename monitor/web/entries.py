"""Entries of the log as a form or a phone gives them: read strictly, each problem in a sentence, and logged once."""

import re
import sqlite3
import threading
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Protocol

from monitor.errors import LogError, RegisterError, StoreError, StormwalkError
from monitor.inspections import ACTIONS, DEFECTS, PLACES, SEVERITIES, Action, Inspection
from monitor.operations.log import NewFinding, length_from_text, record_action, record_inspection, speed_from_text
from monitor.register import Yard
from monitor.store import inspections as store
from monitor.store import register as register_store
from monitor.store.connection import BUSY_TIMEOUT_S, write
from monitor.units import UnreadableError
from monitor.yard_clock import moment_on

LONGEST_NOTE = 4000
LONGEST_NAME = 80
"""Letters of a boat's number, a yard's key or a measured value."""
MOST_FINDINGS = 100
LARGEST_NUMBER = 100_000
CLOCK_ERROR = timedelta(minutes=10)
"""What happened may lie ahead by so much: clocks of phones are not exact."""

UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.IGNORECASE)
MOMENT = re.compile(r"(\d{4})-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:\d\d)?", re.ASCII)
NUMBER = re.compile(r"[0-9]+(\.[0-9]*)?|\.[0-9]+")
FIRST_YEAR, LAST_YEAR = 1980, 2099


_writing = threading.Lock()
"""Threads of this process queue up here: SQLite lets writers try again at random, and one of many may wait for long.

Twenty phones at once on two cores: the longest answer took 9 s without it and 2 s with it (tests/benchmarks).
"""


class EntryError(LogError):
    """An entry that cannot be taken; ``problems`` has a sentence for each thing to put right."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__(f"{' '.join(problems)} Nothing was logged.")
        self.problems = tuple(problems)


class IdTakenError(LogError):
    """The id of the entry stands for another one in the log."""


class NotThereError(StormwalkError):
    """The boat of the entry is not in the register."""


class Person(Protocol):
    """Whoever is signed in."""

    @property
    def name(self) -> str:
        """As it is written in the log."""


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


def inspection_form_values(form: Mapping[str, Any]) -> dict[str, Any]:
    """Values for `inspection_from` of a form's fields, all of them text; fields of other purpose are left alone.

    A row of findings counts once anything of it is chosen or written. Only the button ``sound`` says that there is
    none: a form with neither is refused, so that a finding half filled in is never taken for a sound cover.
    """
    values = {name: form[name] for name in _INSPECTION_FIELDS if form.get(name)}
    values["inside"] = bool(form.get("inside"))
    rows = [{part: form.get(f"{part}-{number}", "") for part in _FINDING_PARTS} for number in rows_written(form)]
    for row in rows:
        if re.fullmatch(r"[0-9]{1,4}", str(row["severity"])):
            row["severity"] = int(row["severity"])
    if rows and form.get("sound"):
        raise EntryError(["All sound was chosen, and findings are written below: leave out the one or the other."])
    if not rows and not form.get("sound") and not form.get("corrects"):
        raise EntryError(["Nothing is written as found: say what was found, or tap All sound."])
    values["findings"] = rows
    return values


def rows_written(form: Mapping[str, Any]) -> list[int]:
    """Numbers of a form's rows of findings in which anything is chosen or written, in order."""
    numbers = sorted({int(match.group(1)) for name in form if (match := _ROW.fullmatch(name))})
    return [n for n in numbers if any(str(form.get(f"{part}-{n}", "")).strip() for part in _FINDING_PARTS)]


def action_form_values(form: Mapping[str, Any]) -> dict[str, Any]:
    """Values for `action_from` of a form's fields."""
    return {name: form[name] for name in _ACTION_FIELDS if form.get(name)}


def log_inspection(
    conn: sqlite3.Connection, yard: Yard, entry: NewInspection, account: Person, now: datetime
) -> tuple[bool, list[str]]:
    """Log an inspection made by ``account``: whether it is new, and sentences of what was logged.

    The same entry again is not new and changes nothing. ``now`` is when it arrived. [UTC]

    Raises
    ------
    NotThereError
        The yard has no such boat.
    IdTakenError
        The id stands for something else.
    LogError, RegisterError
        It cannot be taken as it is: a time ahead or before the wrapping, a correction of something corrected already...
    """
    moment = _past_moment("inspected_at", entry.inspected_at, yard, now)
    with _one_at_a_time(), write(conn):
        logged = store.logged_entry(conn, Inspection, entry.id)
        try:
            said = record_inspection(
                conn,
                yard,
                entry.boat,
                inspector=account.name,
                inspected_at=moment,
                recorded_at=now,
                inside=entry.inside,
                findings=entry.findings,
                snow_depth_m=entry.snow_depth_m,
                snow_water_mm=entry.snow_water_mm,
                band_drop_m=entry.band_drop_m,
                gust_seen_ms=entry.gust_seen_ms,
                note=entry.note,
                corrects_id=entry.corrects,
                inspection_id=entry.id,
            )
        except StormwalkError as error:
            raise _told_apart(conn, yard, entry.boat, logged, error) from error
    return logged is None, said


def log_action(
    conn: sqlite3.Connection, yard: Yard, entry: NewAction, account: Person, now: datetime
) -> tuple[bool, list[str]]:
    """Log something that ``account`` did; as `log_inspection`."""
    moment = _past_moment("acted_at", entry.acted_at, yard, now)
    with _one_at_a_time(), write(conn):
        logged = store.logged_entry(conn, Action, entry.id)
        try:
            said = record_action(
                conn,
                yard,
                entry.boat,
                action=entry.action,
                actor=account.name,
                acted_at=moment,
                recorded_at=now,
                quantity=entry.quantity,
                finding_id=entry.finding,
                note=entry.note,
                corrects_id=entry.corrects,
                action_id=entry.id,
            )
        except StormwalkError as error:
            raise _told_apart(conn, yard, entry.boat, logged, error) from error
    return logged is None, said


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Wait for the other threads no longer than for another process: else each waits for all before it in turn."""
    if not _writing.acquire(timeout=BUSY_TIMEOUT_S):
        raise StoreError(
            f"Others have been writing to the log for {BUSY_TIMEOUT_S:g} s. Nothing was logged. Try again."
        )
    try:
        yield
    finally:
        _writing.release()


def past_moment(what: str, text: str, yard: Yard, now: datetime) -> datetime | None:
    """A moment (UTC) from ISO text, on the yard's clock where it has no offset; "" is None. Raises EntryError."""
    read = _Reader({what: text})
    moment = read.moment(what)
    read.finish()
    return _past_moment(what, moment, yard, now)


def _past_moment(what: str, typed: datetime | None, yard: Yard, now: datetime) -> datetime | None:
    if typed is None:
        return None
    try:
        moment = moment_on(typed, yard.time_zone)
    except UnreadableError as error:
        raise EntryError([f"{what}: {error}."]) from None
    if moment > now + CLOCK_ERROR:
        raise EntryError([f"{what}: {typed.isoformat()} has not come yet; give the time at which it happened."])
    return moment


def _told_apart(
    conn: sqlite3.Connection, yard: Yard, boat: str, logged: Inspection | Action | None, error: StormwalkError
) -> StormwalkError:
    """The error by what the sender can do about it: nothing, another id, or another boat or content."""
    if isinstance(error, LogError) and logged is not None:
        return IdTakenError(str(error))
    if isinstance(error, RegisterError):
        try:
            register_store.find_cover(conn, yard.key, boat)
        except RegisterError:
            return NotThereError(f"{error} Nothing was logged.")
        return LogError(f"{error} Nothing was logged.")
    return error


_INSPECTION_FIELDS = (
    "id",
    "boat",
    "inspected_at",
    "snow_depth",
    "snow_water_mm",
    "band_drop",
    "gust_seen",
    "note",
    "corrects",
)
_ACTION_FIELDS = ("id", "boat", "acted_at", "action", "quantity", "finding", "note", "corrects")
_FINDING_PARTS = ("defect", "place", "severity", "note")
_ROW = re.compile(r"(?:defect|place|severity|note)-([0-9]{1,4})")


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
        if any((ord(letter) < 32 and letter not in "\n\t") or 0xD800 <= ord(letter) < 0xE000 for letter in trimmed):
            self._wrong(name, "has letters that cannot be written down")
            return ""
        return trimmed

    def name(self, name: str, *, needed: bool = True) -> str:
        """A short text."""
        sound = len(self.problems)
        found = self.text(name, LONGEST_NAME)
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
        found = self.text(name, LONGEST_NAME).lower()
        if not found:
            return None
        if UUID.fullmatch(found):
            return found
        self._wrong(name, f"found {found!r}, expected a UUID")
        return None

    def moment(self, name: str) -> datetime | None:
        """A moment in ISO text."""
        found = self.text(name, LONGEST_NAME)
        if not found:
            return None
        expected = "expected a date and time such as 2026-02-21T14:00 (the yard's clock) or 2026-02-21T19:00Z"
        match = MOMENT.fullmatch(found)
        if match is not None and FIRST_YEAR <= int(match.group(1)) <= LAST_YEAR:
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
        found = self.text(name, LONGEST_NAME)
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
        found = self.text(name, LONGEST_NAME)
        if not found:
            return None
        bare = found.removesuffix(unit).strip()
        if NUMBER.fullmatch(bare) and float(bare) <= LARGEST_NUMBER:
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
