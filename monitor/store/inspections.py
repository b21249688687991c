"""The log in the database: inspections, findings, actions. They are only added; a correction names what it corrects."""

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import TypeVar

from monitor.clocks import Log
from monitor.errors import LogError
from monitor.inspections import ACTIONS, Action, Finding, Inspection, check_finding
from monitor.store.chain import add_fact
from monitor.store.connection import write
from monitor.store.rows import entry_of, limit_text, row_of

Entry = TypeVar("Entry", Inspection, Finding, Action)

_TABLES: dict[type, str] = {Inspection: "inspections", Finding: "findings", Action: "actions"}

_COVER_OF = {
    "inspections": "SELECT cover_id FROM inspections WHERE id = ?",
    "findings": """SELECT cover_id FROM findings JOIN inspections ON inspections.id = findings.inspection_id
                   WHERE findings.id = ?""",
    "actions": "SELECT cover_id FROM actions WHERE id = ?",
}


def add_inspection(conn: sqlite3.Connection, inspection: Inspection, findings: Sequence[Finding] = ()) -> bool:
    """Log an inspection with what it found, all or nothing; False where it is logged already (a phone sent it twice).

    A correction stands in for the inspection it names; the findings logged with that one remain, to be corrected one
    by one. So a correction that brings no findings never hides an open one.

    Raises
    ------
    LogError
        Unknown cover, place or defect; a severity that the defect cannot have; a correction of something that is not
        logged, belongs to another cover or is corrected already; an id that stands for something else.
    """
    with write(conn):
        if strange := [finding for finding in findings if finding.inspection_id != inspection.id]:
            raise LogError(f"Finding {strange[0].id} belongs to another inspection than {inspection.id}. {_NOTHING}")
        if _is_logged(conn, inspection):
            if not all(_is_logged(conn, finding) for finding in findings):
                raise LogError(
                    f"Inspection {inspection.id} is logged already, without some of these findings. {_NOTHING} "
                    f"Add a finding to it as an entry of its own."
                )
            return False
        _check_cover(conn, inspection.cover_id)
        _check_correction(conn, inspection, inspection.cover_id)
        add_fact(conn, "inspections", row_of(inspection))
        for finding in findings:
            add_finding(conn, finding)
    return True


def add_finding(conn: sqlite3.Connection, finding: Finding) -> bool:
    """Add a finding to a logged inspection; False where it is logged already. Raises LogError as above.

    Severity 0 says that a defect found before is sound; a correction may say it of a stand too.
    """
    check_finding(finding.defect, finding.place, finding.severity, finding.note)
    with write(conn):
        if _is_logged(conn, finding):
            return False
        cover_id = _cover_of(conn, "inspections", finding.inspection_id)
        if cover_id is None:
            raise LogError(f"Finding {finding.id}: inspection {finding.inspection_id} is not logged. {_NOTHING}")
        _check_correction(conn, finding, cover_id)
        add_fact(conn, "findings", row_of(finding))
    return True


def add_action(conn: sqlite3.Connection, action: Action) -> bool:
    """Log something done to a cover; False where it is logged already. Raises LogError as above."""
    if action.action not in ACTIONS:
        raise LogError(f"Action {action.action!r} is not known. {_NOTHING} Known actions: {', '.join(ACTIONS)}.")
    with write(conn):
        if _is_logged(conn, action):
            return False
        _check_cover(conn, action.cover_id)
        _check_correction(conn, action, action.cover_id)
        if action.finding_id is not None and _cover_of(conn, "findings", action.finding_id) != action.cover_id:
            raise LogError(
                f"Action {action.id} names finding {action.finding_id}, not logged for its cover. {_NOTHING}"
            )
        add_fact(conn, "actions", row_of(action))
    return True


def logged_entry(conn: sqlite3.Connection, kind: type[Entry], entry_id: str) -> Entry | None:
    """The entry of this kind with this id, corrected or not; None where there is none."""
    row = conn.execute(f"SELECT * FROM {_TABLES[kind]} WHERE id = ?", (entry_id,)).fetchone()
    return None if row is None else entry_of(kind, row)


def log_of_yard(
    conn: sqlite3.Connection,
    yard_id: int,
    *,
    as_of: datetime | None = None,
    known_at: datetime | None = None,
    history: bool = False,
) -> Log:
    """What was seen and done at a yard's covers.

    Parameters
    ----------
    as_of : datetime, optional
        Leave out what happened later; a finding goes with its inspection. [UTC]
    known_at : datetime, optional
        Leave out what was recorded later, corrections too. [UTC]
    history : bool
        Every entry as it was written. Without it only what still stands; a reference to something corrected then names
        its correction.
    """
    return _read(conn, "boats.yard_id = :key", yard_id, as_of, known_at, history)


def log_of_cover(
    conn: sqlite3.Connection,
    cover_id: int,
    *,
    as_of: datetime | None = None,
    known_at: datetime | None = None,
    history: bool = False,
) -> Log:
    """What was seen and done at one cover; arguments as for ``log_of_yard``."""
    return _read(conn, "covers.id = :key", cover_id, as_of, known_at, history)


def _read(
    conn: sqlite3.Connection, where: str, key: int, as_of: datetime | None, known_at: datetime | None, history: bool
) -> Log:
    chosen = f"SELECT covers.id FROM covers JOIN boats ON boats.id = covers.boat_id WHERE {where}"
    parameters = {"key": key, "known_at": limit_text(known_at)}

    def entries(kind: type[Entry], source: str, order: str) -> list[Entry]:
        table = _TABLES[kind]
        rows = conn.execute(
            f"""SELECT {table}.* FROM {source} WHERE cover_id IN ({chosen}) AND {table}.recorded_at <= :known_at
                ORDER BY {order}, {table}.recorded_at, {table}.id""",
            parameters,
        )
        return [entry_of(kind, row) for row in rows]

    inspections = entries(Inspection, "inspections", "inspected_at")
    findings = entries(Finding, "findings JOIN inspections ON inspections.id = findings.inspection_id", "inspected_at")
    actions = entries(Action, "actions", "acted_at")
    if not history:
        inspection_now, finding_now = _standing(inspections), _standing(findings)
        inspections = [entry for entry in inspections if entry.id == inspection_now[entry.id]]
        findings = [
            replace(entry, inspection_id=inspection_now.get(entry.inspection_id, entry.inspection_id))
            for entry in findings
            if entry.id == finding_now[entry.id]
        ]
        action_now = _standing(actions)
        actions = [
            replace(entry, finding_id=finding_now.get(entry.finding_id or "", entry.finding_id))
            for entry in actions
            if entry.id == action_now[entry.id]
        ]
    if as_of is not None:
        inspections = [entry for entry in inspections if entry.inspected_at <= as_of]
        actions = [entry for entry in actions if entry.acted_at <= as_of]
    moments = {entry.id: entry.inspected_at for entry in inspections}
    findings = [entry for entry in findings if entry.inspection_id in moments]
    findings.sort(key=lambda entry: moments[entry.inspection_id])
    return Log(inspections, findings, actions)


def _standing(entries: Sequence[Entry]) -> dict[str, str]:
    """For each entry the id of the one that stands for it now: its last correction, or itself."""
    correction = {entry.corrects_id: entry.id for entry in entries if entry.corrects_id is not None}
    standing = {}
    for entry in entries:
        standing[entry.id] = entry.id
        while standing[entry.id] in correction:
            standing[entry.id] = correction[standing[entry.id]]
    return standing


_NOTHING = "Nothing was stored."


def _is_logged(conn: sqlite3.Connection, entry: Inspection | Finding | Action) -> bool:
    """Whether this very entry is there, whenever it was recorded. Raises LogError where its id is another entry's."""
    row = conn.execute(f"SELECT * FROM {_TABLES[type(entry)]} WHERE id = ?", (entry.id,)).fetchone()
    if row is None:
        return False
    for name, value in row_of(entry, without=("recorded_at",)).items():
        if row[name] != value:
            raise LogError(
                f"{type(entry).__name__} {entry.id} is logged with {name} {row[name]!r}, now it says {value!r}. "
                f"{_NOTHING} A correction is a new entry that names the one it corrects."
            )
    return True


def _check_cover(conn: sqlite3.Connection, cover_id: int) -> None:
    if conn.execute("SELECT 1 FROM covers WHERE id = ?", (cover_id,)).fetchone() is None:
        raise LogError(f"There is no cover with the id {cover_id}. {_NOTHING} Choose the cover by its boat's number.")


def _cover_of(conn: sqlite3.Connection, table: str, entry_id: str) -> int | None:
    row = conn.execute(_COVER_OF[table], (entry_id,)).fetchone()
    return None if row is None else int(row["cover_id"])


def _check_correction(conn: sqlite3.Connection, entry: Inspection | Finding | Action, cover_id: int) -> None:
    if entry.corrects_id is None:
        return
    table, what = _TABLES[type(entry)], f"{type(entry).__name__} {entry.id} corrects {entry.corrects_id}, which"
    corrected = _cover_of(conn, table, entry.corrects_id)
    if corrected is None:
        raise LogError(f"{what} is not logged. {_NOTHING}")
    if corrected != cover_id:
        raise LogError(
            f"{what} belongs to another cover. {_NOTHING} Set that entry right at its own cover, and log this as new."
        )
    later = conn.execute(f"SELECT id FROM {table} WHERE corrects_id = ?", (entry.corrects_id,)).fetchone()
    if later is not None:
        raise LogError(f"{what} is corrected by {later['id']} already. {_NOTHING} Correct that one.")
