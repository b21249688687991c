"""Entries of the log as people send them: a form's fields put into an entry's values, and each entry logged once."""

import re
import sqlite3
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import Any, Protocol

from monitor.errors import LogError, RegisterError, StoreError, StormwalkError
from monitor.exchange.entry_values import EntryError, NewAction, NewInspection, not_ahead
from monitor.inspections import Action, Inspection
from monitor.operations.log import record_action, record_inspection
from monitor.register import Yard
from monitor.store import inspections as store
from monitor.store import register as register_store
from monitor.store.connection import BUSY_TIMEOUT_S, write

_writing = threading.Lock()
"""Threads of this process queue up here: SQLite lets writers try again at random, and one of many may wait for long.

Twenty phones at once on two cores: the longest answer took 9 s without it and 2 s with it (tests/benchmarks).
"""


class IdTakenError(LogError):
    """The id of the entry stands for another one in the log."""


class NotThereError(StormwalkError):
    """The boat of the entry is not in the register."""


class Person(Protocol):
    """Whoever is signed in."""

    @property
    def name(self) -> str:
        """As it is written in the log."""


def inspection_form_values(form: Mapping[str, Any]) -> dict[str, Any]:
    """Values for `inspection_from` of a form's fields, all of them text; fields of other purpose are left alone.

    A row of findings counts once anything of it is chosen or written. Only the button ``sound`` says that there is
    none: a form with neither is refused, so that a finding half filled in is never taken for a sound cover. Raises
    EntryError.
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
    moment = not_ahead("inspected_at", entry.inspected_at, yard, now)
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
    moment = not_ahead("acted_at", entry.acted_at, yard, now)
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
