"""What was seen and done, taken into the log: checked, whole, and once. Imports nothing heavy: logging is quick."""

import math
import sqlite3
import uuid
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Literal, overload

from monitor.errors import LogError
from monitor.exchange.entry_values import NewFinding
from monitor.inspections import (
    SEVERITIES,
    STAND_DEFECTS,
    Action,
    Finding,
    Inspection,
    check_finding,
    check_words,
    finding_id,
)
from monitor.operations.building import BUILDING, build_on
from monitor.register import Cover, Yard
from monitor.store import inspections as store
from monitor.store import register as register_store
from monitor.store.connection import write
from monitor.units import show_length, show_speed
from monitor.variables import VARIABLES
from monitor.wording import defect_text, local_text, plain_word

FINDING_WINDOW = timedelta(hours=12)
"""A finding without an inspection named belongs to the boat's inspection of these last hours."""

MEASURED = {
    "snow_depth_m": ("snow depth", VARIABLES["snow_depth_m"].high, "m"),
    "snow_water_mm": ("snow water", 2000.0, "mm"),
    "band_drop_m": ("band drop", 2.0, "m"),
    "gust_seen_ms": ("gust seen", VARIABLES["wind_gust_ms"].high, "m/s"),
}
"""What can be measured at an inspection: its name, the most that is believed, and the unit."""

STAND_CAUTION = "This is for the yard's stand crew: tell them now. Nobody else touches a stand or its blocking."


def record_inspection(
    conn: sqlite3.Connection,
    yard: Yard,
    boat: str,
    *,
    inspector: str,
    inspected_at: datetime | None,
    recorded_at: datetime,
    inside: bool = False,
    findings: Sequence[NewFinding] = (),
    snow_depth_m: float | None = None,
    snow_water_mm: float | None = None,
    band_drop_m: float | None = None,
    gust_seen_ms: float | None = None,
    note: str = "",
    corrects_id: str | None = None,
    inspection_id: str | None = None,
) -> list[str]:
    """Log one person's check of a boat's cover with what it found, all or nothing; sentences of what was logged.

    Without findings it says that all was sound. ``inspected_at`` None is ``recorded_at``, and in a correction the
    moment of what it corrects. ``inspection_id`` is a UUID made where the entry arose; the same one again changes
    nothing, whatever became of the cover since, and is refused with other content. Raises LogError or RegisterError.
    """
    corrected = None if corrects_id is None else _entry(conn, yard, "inspections", corrects_id)
    logged = None if inspection_id is None else store.logged_entry(conn, Inspection, inspection_id)
    if logged is None:
        if corrected is not None:
            _belongs_to(conn, boat, corrected.cover_id, f"Inspection {corrected.id[:8]}")
        moment = inspected_at or (recorded_at if corrected is None else corrected.inspected_at)
        cover = _cover_then(conn, yard, boat, moment)
    else:
        moment = inspected_at or logged.inspected_at
        cover = _cover_of_logged(conn, yard, boat, logged)
    boat = cover.boat.number
    _named(inspector, "who looked")
    check_words(note, "note")
    for finding in findings:
        check_finding(finding.defect, finding.place, finding.severity, finding.note)
    _nothing_twice(findings)
    key = inspection_id or str(uuid.uuid4())
    inspection = Inspection(
        id=key,
        cover_id=cover.stored_id,
        inspected_at=moment,
        recorded_at=recorded_at,
        inspector=inspector.strip(),
        inside=inside,
        note=note,
        snow_depth_m=snow_depth_m,
        snow_water_mm=snow_water_mm,
        band_drop_m=band_drop_m,
        gust_seen_ms=gust_seen_ms,
        corrects_id=None if corrected is None else corrected.id,
    )
    _check_measured(inspection)
    entries = [
        Finding(
            id=finding_id(key, finding.place, finding.defect),
            inspection_id=key,
            place=finding.place,
            defect=finding.defect,
            severity=finding.severity,
            recorded_at=recorded_at,
            note=finding.note,
        )
        for finding in findings
    ]
    is_new = store.add_inspection(conn, inspection, entries)
    if not is_new:
        _nothing_left_out(conn, inspection, entries)
        return [f"Inspection {key[:8]} of boat {boat} was logged before; nothing was changed."]
    said = f"Logged inspection {key[:8]} of boat {boat} ({cover.boat.name}): "
    said += "all sound." if not entries else f"{len(entries)} finding{'s' if len(entries) > 1 else ''}."
    return [said, *(_finding_sentence(entry) for entry in entries), *_stand_caution(entries)]


def record_finding(
    conn: sqlite3.Connection,
    yard: Yard,
    boat: str,
    finding: NewFinding,
    *,
    recorded_at: datetime,
    inspection_id: str | None = None,
    corrects_id: str | None = None,
    finding_id: str | None = None,
) -> list[str]:
    """Add a finding to an inspection, or correct an earlier one; sentences of what was logged. Raises LogError."""
    check_finding(finding.defect, finding.place, finding.severity, finding.note)
    corrected = None if corrects_id is None else _entry(conn, yard, "findings", corrects_id)
    if inspection_id is not None:
        inspection = _entry(conn, yard, "inspections", inspection_id)
    elif corrected is not None:
        inspection = _entry(conn, yard, "inspections", corrected.inspection_id)
    else:
        inspection = _recent_inspection(conn, yard, boat, recorded_at)
    _belongs_to(conn, boat, inspection.cover_id, f"Inspection {inspection.id[:8]}")
    entry = Finding(
        id=finding_id or str(uuid.uuid4()),
        inspection_id=inspection.id,
        place=finding.place,
        defect=finding.defect,
        severity=finding.severity,
        recorded_at=recorded_at,
        note=finding.note,
        corrects_id=None if corrected is None else corrected.id,
    )
    if not store.add_finding(conn, entry):
        return [f"Finding {entry.id[:8]} was logged before; nothing was changed."]
    return [_finding_sentence(entry), *_stand_caution([entry])]


def record_action(
    conn: sqlite3.Connection,
    yard: Yard,
    boat: str,
    *,
    action: str,
    actor: str,
    acted_at: datetime | None,
    recorded_at: datetime,
    quantity: float | None = None,
    finding_id: str | None = None,
    note: str = "",
    corrects_id: str | None = None,
    action_id: str | None = None,
) -> list[str]:
    """Log what was done at a boat's cover, and build the register on where it changed the build; sentences of it.

    ``vents_added`` and ``post_added`` with a whole ``quantity`` make a new dated build; ``rewrapped`` starts a new
    cover built as the old one. ``acted_at`` None is ``recorded_at``, and in a correction the moment of what it
    corrects. ``action_id`` works as ``inspection_id`` above. Raises LogError or RegisterError.
    """
    _named(actor, "who did it")
    check_words(note, "note")
    corrected = None if corrects_id is None else _entry(conn, yard, "actions", corrects_id)
    logged = None if action_id is None else store.logged_entry(conn, Action, action_id)
    if logged is None:
        moment = acted_at or (recorded_at if corrected is None else corrected.acted_at)
        cover = _cover_then(conn, yard, boat, moment)
    else:
        moment = acted_at or logged.acted_at
        cover = _cover_of_logged(conn, yard, boat, logged)
    boat = cover.boat.number
    if corrected is not None:
        _belongs_to(conn, boat, corrected.cover_id, f"Action {corrected.id[:8]}")
        if "rewrapped" in (corrected.action, action):
            raise LogError(
                "A re-wrap cannot be made or unmade by a correction, because a new cover began with it. Nothing was "
                'logged. Log it as an action of its own, or correct wrapped_on through "stormwalk covers import".'
            )
    _check_quantity(action, quantity)
    remedied = None if finding_id is None else _entry(conn, yard, "findings", finding_id)
    if remedied is not None:
        seen_in = _entry(conn, yard, "inspections", remedied.inspection_id)
        _belongs_to(conn, boat, seen_in.cover_id, f"Finding {remedied.id[:8]}")
    entry = Action(
        id=action_id or str(uuid.uuid4()),
        cover_id=cover.stored_id,
        acted_at=moment,
        recorded_at=recorded_at,
        actor=actor.strip(),
        action=action,
        note=note,
        quantity=quantity,
        finding_id=None if remedied is None else remedied.id,
        corrects_id=None if corrected is None else corrected.id,
    )
    with write(conn):
        if not store.add_action(conn, entry):
            return [f"Action {entry.id[:8]} was logged before; nothing was changed."]
        said = [f"Logged action {entry.id[:8]} at boat {boat} ({cover.boat.name}): {plain_word(action)}."]
        said += build_on(conn, yard, cover, entry, corrected)
    return said


def log_rows(
    conn: sqlite3.Connection, yard: Yard, boat: str | None = None, *, history: bool = False, raw: bool = False
) -> list[dict[str, Any]]:
    """Entries of the log, oldest first, as rows of plain values; corrected ones too with ``history``.

    What was found and done stands there as people read it, or in the words of the closed lists where ``raw``.
    """
    yard_id = register_store.yard_id(conn, yard.key)
    boats = {cover.stored_id: cover.boat.number for cover in register_store.all_covers(conn, yard.key)}
    if boat is not None and boat not in boats.values():
        register_store.find_cover(conn, yard.key, boat)
    log = store.log_of_yard(conn, yard_id, history=history)
    inspections = {entry.id: entry for entry in log.inspections}
    rows = []
    for visit in log.inspections:
        measured = [
            f"{what} {show_length(value, yard.display_units)}"
            for what, value in (("snow depth", visit.snow_depth_m), ("band drop", visit.band_drop_m))
            if value is not None
        ]
        if visit.snow_water_mm is not None:
            measured.append(f"snow water {visit.snow_water_mm:g} mm")
        if visit.gust_seen_ms is not None:
            measured.append(f"gust {show_speed(visit.gust_seen_ms, yard.display_units)}")
        what = ", ".join(["inside and outside" if visit.inside else "outside", *measured])
        rows.append(_row(visit.inspected_at, boats[visit.cover_id], "inspection", what, visit.inspector, visit))
    for found in log.findings:
        visit = inspections[found.inspection_id]
        seen = f"{found.defect} at {found.place}" if raw else defect_text(found.defect, found.place)
        what = f"{seen}, {SEVERITIES[found.severity]}"
        rows.append(_row(visit.inspected_at, boats[visit.cover_id], "finding", what, visit.inspector, found))
    for act in log.actions:
        done = act.action if raw else plain_word(act.action)
        what = done if act.quantity is None else f"{done} ({act.quantity:g})"
        rows.append(_row(act.acted_at, boats[act.cover_id], "action", what, act.actor, act))
    order = {"inspection": 0, "finding": 1, "action": 2}
    rows.sort(key=lambda row: (row["at"], row["boat"], order[row["entry"]], row["id"]))
    return [row for row in rows if boat is None or row["boat"] == boat]


def _row(at: datetime, boat: str, entry: str, what: str, who: str, of: Inspection | Finding | Action) -> dict[str, Any]:
    return {
        "at": at,
        "boat": boat,
        "entry": entry,
        "what": what,
        "who": who,
        "note": of.note,
        "corrects": of.corrects_id,
        "id": of.id,
    }


def _check_quantity(action: str, quantity: float | None) -> None:
    whole = action in BUILDING
    if quantity is None or (0 <= quantity < math.inf and (not whole or (quantity >= 1 and quantity == int(quantity)))):
        return
    expected = "a whole number from 1" if whole else "a number from 0"
    raise LogError(f"{action}: the quantity is {quantity:g}, expected {expected}. Nothing was logged.")


def _check_measured(visit: Inspection) -> None:
    for name, (what, most, unit) in MEASURED.items():
        value = getattr(visit, name)
        if value is not None and not 0 <= value <= most:
            raise LogError(
                f"The {what} of {value:g} {unit} is not between 0 and {most:g} {unit}. Nothing was logged. Check the "
                f"number and its unit."
            )


def _cover_then(conn: sqlite3.Connection, yard: Yard, boat: str, moment: datetime) -> Cover:
    """The cover on a boat at a moment; on the day of a re-wrap, the old one until then."""
    cover = register_store.find_cover(conn, yard.key, boat, moment)
    if moment >= cover.builds[0].built_at:
        return cover
    before = [
        other
        for other in register_store.all_covers(conn, yard.key)
        if other.boat.number == boat and other.builds[0].built_at <= moment
    ]
    if not before:
        raise LogError(
            f"Boat {boat} was wrapped on {cover.wrapped_on}; {local_text(moment, yard.time_zone, year=True)} is before "
            f"that. Nothing was logged. Check the time."
        )
    return before[-1]


def _cover_of_logged(conn: sqlite3.Connection, yard: Yard, boat: str, logged: Inspection | Action) -> Cover:
    """The cover that an entry was logged at, which need not be the boat's cover of that moment any more.

    Nor need the boat be called as it was when the entry was written: a number that no boat has now is the old one.
    """
    cover = register_store.cover(conn, logged.cover_id)
    known = register_store.all_covers(conn, yard.key)
    if all(other.stored_id != logged.cover_id for other in known):
        raise LogError(f"The id {logged.id} is of an entry in another yard. Nothing was logged.")
    if any(other.boat.number == boat for other in known):
        _belongs_to(conn, boat, logged.cover_id, f"The entry {logged.id}")
    return cover


def _nothing_left_out(conn: sqlite3.Connection, inspection: Inspection, findings: Sequence[Finding]) -> None:
    """Refuse an inspection that comes again without a finding it first came with; those added later may be missing."""
    came_with = {
        entry.id
        for entry in store.log_of_cover(conn, inspection.cover_id, history=True).findings
        if entry.inspection_id == inspection.id and entry.id == finding_id(inspection.id, entry.place, entry.defect)
    }
    if left_out := came_with - {finding.id for finding in findings}:
        raise LogError(
            f"Inspection {inspection.id} is logged already, with {len(left_out)} findings that it has not now. "
            f"Nothing was logged. Correct a finding by an entry that names it."
        )


def _named(name: str, what: str) -> None:
    if not name.strip():
        raise LogError(f"The name of {what} is empty. Nothing was logged. Say who it was.")
    check_words(name, f"name of {what}")


def _nothing_twice(findings: Sequence[NewFinding]) -> None:
    seen = set()
    for finding in findings:
        here = (finding.defect, finding.place)
        if here in seen:
            raise LogError(
                f"{finding.defect} at {finding.place} is given twice. Nothing was logged. Give it once, with the worse "
                f"severity and a note."
            )
        seen.add(here)


@overload
def _entry(conn: sqlite3.Connection, yard: Yard, table: Literal["inspections"], beginning: str) -> Inspection: ...
@overload
def _entry(conn: sqlite3.Connection, yard: Yard, table: Literal["findings"], beginning: str) -> Finding: ...
@overload
def _entry(conn: sqlite3.Connection, yard: Yard, table: Literal["actions"], beginning: str) -> Action: ...
def _entry(
    conn: sqlite3.Connection, yard: Yard, table: Literal["inspections", "findings", "actions"], beginning: str
) -> Inspection | Finding | Action:
    """The yard's entry whose id begins so, as listings show ids. Raises LogError unless there is exactly one."""
    log = store.log_of_yard(conn, register_store.yard_id(conn, yard.key), history=True)
    entries: Sequence[Inspection | Finding | Action] = getattr(log, table)
    found = [entry for entry in entries if beginning and entry.id.startswith(beginning)]
    if len(found) == 1:
        return found[0]
    what = "none" if not found else f"{len(found)}"
    raise LogError(
        f"The id {beginning!r} fits {what} of the {table} in yard {yard.key}; expected exactly one. Nothing was "
        f'logged. "stormwalk log list" shows the ids.'
    )


def _recent_inspection(conn: sqlite3.Connection, yard: Yard, boat: str, now: datetime) -> Inspection:
    cover = register_store.find_cover(conn, yard.key, boat, now)
    log = store.log_of_cover(conn, cover.stored_id)
    recent = [visit for visit in log.inspections if visit.inspected_at > now - FINDING_WINDOW]
    if not recent:
        raise LogError(
            f"Boat {boat} has no inspection in the last {FINDING_WINDOW.total_seconds() / 3600:.0f} hours to add the "
            f'finding to. Nothing was logged. Log one with "stormwalk log inspection {boat} --by NAME --finding ...", '
            f"or name an earlier one with --inspection."
        )
    return max(recent, key=lambda visit: (visit.inspected_at, visit.id))


def _belongs_to(conn: sqlite3.Connection, boat: str, cover_id: int, what: str) -> None:
    cover = register_store.cover(conn, cover_id)
    if cover.boat.number != boat:
        raise LogError(f"{what} is of boat {cover.boat.number}, not of boat {boat}. Nothing was logged.")


def _finding_sentence(finding: Finding) -> str:
    return (
        f"Finding {finding.id[:8]}: {defect_text(finding.defect, finding.place)}, severity {finding.severity} "
        f"({SEVERITIES[finding.severity]})."
    )


def _stand_caution(findings: Sequence[Finding]) -> list[str]:
    return [STAND_CAUTION] if any(f.defect in STAND_DEFECTS and f.severity for f in findings) else []
