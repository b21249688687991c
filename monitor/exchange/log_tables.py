"""Inspection files in CSV: rows of findings, inspections and actions put together, and written to come back."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

from monitor.exchange.csv_tables import Problem, Row, read_rows, write_rows
from monitor.exchange.log_columns import BELONGING, LOG_COLUMNS, NEEDED, OF_INSPECTION
from monitor.exchange.log_entries import (
    ActionEntry,
    FindingEntry,
    InspectionEntry,
    LogFile,
    PhotoEntry,
    Place,
    made_id,
)
from monitor.inspections import STAND_DEFECTS, Action, Finding, Inspection, finding_id
from monitor.register import Yard
from monitor.units import UnreadableError
from monitor.yard_clock import moment_on


def read_table(text: str, file_name: str, yard: Yard, by: str) -> tuple[LogFile, list[Problem]]:
    """Entries of a table, and all that is wrong with it; see `monitor.exchange.log_files.read_log`."""
    reading = _Reading(file_name, yard, by)
    return reading.table(text), reading.problems


def write_log(
    inspections: Iterable[Inspection],
    findings: Iterable[Finding],
    actions: Iterable[Action],
    boat_of_cover: Mapping[int, str],
    time_zone: str,
    units: str,
) -> str:
    """Text of an inspection file that `read_log` turns back into the same entries; photos are not in it.

    ``units`` is ``metric`` or ``us``. Times are as the clocks of ``time_zone`` show them, with their offset. A note has
    no blanks at its ends; such blanks would not come back.
    """
    zone = ZoneInfo(time_zone)
    visits = {visit.id: visit for visit in inspections}
    rows: list[tuple[datetime, int, dict[str, Any]]] = []
    for visit in visits.values():
        said = {name: getattr(visit, name) for name in ("id", "inside", "snow_depth_m", "snow_water_mm", "note")}
        said |= {"band_drop_m": visit.band_drop_m, "gust_seen_ms": visit.gust_seen_ms, "corrects": visit.corrects_id}
        said |= {"entry": "inspection", "boat": boat_of_cover[visit.cover_id], "by": visit.inspector}
        rows.append((visit.inspected_at, 0, said))
    for found in findings:
        visit = visits[found.inspection_id]
        came_with = found.corrects_id is None and found.id == finding_id(visit.id, found.place, found.defect)
        said = {name: getattr(found, name) for name in ("defect", "place", "severity", "note")}
        said |= {"entry": "finding", "id": None if came_with else found.id, "inspection": visit.id}
        said |= {"boat": boat_of_cover[visit.cover_id], "by": visit.inspector, "corrects": found.corrects_id}
        rows.append((visit.inspected_at, 1, said))
    for act in actions:
        said = {name: getattr(act, name) for name in ("id", "action", "quantity", "note")}
        said |= {"entry": "action", "boat": boat_of_cover[act.cover_id], "by": act.actor}
        said |= {"finding": act.finding_id, "corrects": act.corrects_id}
        rows.append((act.acted_at, 2, said))
    rows.sort(key=lambda row: row[:2])
    empty = dict.fromkeys(column.field for column in LOG_COLUMNS)
    entries = (SimpleNamespace(**{**empty, "at": at.astimezone(zone), **said}) for at, _, said in rows)
    return write_rows(({"entry": entry} for entry in entries), LOG_COLUMNS, units)


class _Reading:
    """One table being read; what is wrong with it is gathered in ``problems``."""

    def __init__(self, file_name: str, yard: Yard, by: str) -> None:
        self.file = file_name
        self.yard = yard
        self.by = by
        self.problems: list[Problem] = []

    def table(self, text: str) -> LogFile:
        """Entries of a table."""
        rows, problems = read_rows(text, self.file, LOG_COLUMNS)
        self.problems += problems
        if not rows and not problems:
            self.problems.append(Problem(self.file, 1, "", "a header alone", "a table of what was seen and done"))
        whole = [row for row in rows if len(row.values) == len(LOG_COLUMNS) and self._settled(row)]
        of_kind = {kind: [row for row in whole if row.values["entry"] == kind] for kind in BELONGING}
        visits: dict[_Key, list[Row]] = {}
        same: dict[_Key, list[Row]] = {}
        for row in of_kind["inspection"]:
            visits.setdefault(_key(row), []).append(row)
            same.setdefault(_visit(row), []).append(row)
        added = []
        for row in of_kind["finding"]:
            named = row.values["inspection"]
            if named and (named,) not in visits:
                added.append(self._finding(row, named))
            elif (key := (named,) if named else self._visit_of(row, same.get(_visit(row), []))) is not None:
                visits.setdefault(key, []).append(row)
        inspections = []
        for rows_of_visit in visits.values():
            visit, later = self._inspection(rows_of_visit)
            inspections.append(visit)
            added += later
        return LogFile(tuple(inspections), tuple(added), tuple(map(self._action, of_kind["action"])))

    def _settled(self, row: Row) -> bool:
        """Settle what kind of entry a row is, when it was and by whom; False where something is wrong with it."""
        values, sound = row.values, len(self.problems)
        kind = values["entry"] or ("action" if values["action"] else "finding" if values["defect"] else "inspection")
        values["entry"] = kind
        for column in LOG_COLUMNS:
            paper = column.name == "inside" and not values["inside"]  # a form has the column in all of its rows
            if row.texts.get(column.name) and column.name not in BELONGING[kind] and not paper:
                expected = f"to stand in a row that tells of {_an(kind)}"
                self.problems.append(row.problem(column.name, row.text(column.name), expected))
        for name in NEEDED[kind]:
            if values[name] in (None, ""):
                self.problems.append(row.problem(name, "empty", f"given in a row that tells of {_an(kind)}"))
        values["by"] = values["by"] or self.by
        names_its_visit = kind == "finding" and values["inspection"]
        if not values["by"] and not (names_its_visit and not values["photos"]):
            self.problems.append(row.problem("by", "empty", "given: who it was; or name all at once with --by"))
        if values["at"] is not None:
            try:
                values["at"] = moment_on(values["at"], self.yard.time_zone)
            except UnreadableError as error:
                self.problems.append(row.problem("at", error.found, error.expected))
        elif not values["corrects"] and not names_its_visit:
            self.problems.append(row.problem("at", "empty", "given; only a correction may leave it out"))
        if kind == "finding":
            if values["defect"] in STAND_DEFECTS and values["severity"] not in (None, 0, 3):
                expected = "3, or 0 where it was found sound: a stand is never between the two"
                self.problems.append(row.problem("severity", row.text("severity"), expected))
            if values["defect"] == "other" and not values["note"]:
                self.problems.append(row.problem("note", "empty", "given: what was seen, as the defect is other"))
        return len(self.problems) == sound

    def _visit_of(self, row: Row, same: Sequence[Row]) -> "_Key | None":
        """The inspection of the file that a finding belongs to by boat, at and by; None where that is not clear."""
        if len({_key(other) for other in same}) > 1:
            lines = ", ".join(str(other.line) for other in same)
            expected = f"given, because lines {lines} tell of inspections of the same boat, at and by"
            self.problems.append(row.problem("inspection", "empty", expected))
            return None
        if row.values["at"] is None and not same:
            self.problems.append(row.problem("at", "empty", "given, or else the inspection that the finding is of"))
            return None
        return _key(same[0]) if same else _visit(row)

    def _inspection(self, rows: Sequence[Row]) -> tuple[InspectionEntry, list[FindingEntry]]:
        """An inspection of the rows that tell of it, and findings added to it under ids of their own."""
        own = [row for row in rows if row.values["entry"] == "inspection"]
        for row in rows:
            if row.values["boat"] != rows[0].values["boat"]:
                expected = f"{rows[0].values['boat']}, as in line {rows[0].line} of the same inspection"
                self.problems.append(row.problem("boat", row.text("boat"), expected))
        for row in own[1:]:
            expected = f"told once; line {own[0].line} tells of the same inspection"
            self.problems.append(row.problem("", "this second row", expected))
        first = own[0] if own else rows[0]
        values = first.values
        key = (own and values["id"]) or self._id(values, "inspection", corrects=values["corrects"] if own else "")
        came, added = [], []
        told_by: dict[tuple[str, str], Row] = {}
        for row in rows:
            if row.values["entry"] != "finding":
                continue
            found = self._finding(row, key)
            if found.corrects is None and found.id == finding_id(key, found.where, found.defect):
                other = told_by.setdefault((found.where, found.defect), row)
                if other is row:
                    came.append(replace(found, inspection=None))
                else:
                    expected = f"given once; line {other.line} has it at the same place, in the same inspection"
                    self.problems.append(row.problem("defect", found.defect, expected))
            else:
                added.append(found)
        said: dict[str, Any] = {}
        for name in OF_INSPECTION:
            for row in rows:
                if row.values[name] is None:
                    continue
                known = said.setdefault(name, row)
                if known.values[name] != row.values[name]:
                    expected = f"{known.text(name)}, as in line {known.line} of the same inspection"
                    self.problems.append(row.problem(name, row.text(name), expected))
        measured = {c.field: said[c.name].values[c.name] for c in LOG_COLUMNS if c.name in said}
        entry = InspectionEntry(
            place=Place(self.file, first.line),
            boat=values["boat"],
            id=key,
            at=values["at"],
            by=values["by"],
            note=values["note"] if own else "",
            corrects=(values["corrects"] or None) if own else None,
            findings=tuple(came),
            photos=_photos(own[0]) if own else (),
            **measured,
        )
        return entry, added

    def _finding(self, row: Row, inspection: str) -> FindingEntry:
        values = row.values
        corrects = values["corrects"] or None
        made = finding_id(inspection, values["place"], values["defect"])
        return FindingEntry(
            place=Place(self.file, row.line),
            boat=values["boat"],
            id=values["id"] or (made if corrects is None else made_id(made, corrects)),
            by=values["by"],
            defect=values["defect"],
            where=values["place"],
            severity=values["severity"],
            note=values["note"],
            inspection=inspection,
            corrects=corrects,
            photos=_photos(row),
        )

    def _action(self, row: Row) -> ActionEntry:
        values = row.values
        return ActionEntry(
            place=Place(self.file, row.line),
            boat=values["boat"],
            id=values["id"] or self._id(values, "action", values["action"], corrects=values["corrects"]),
            at=values["at"],
            by=values["by"],
            action=values["action"],
            quantity=values["quantity"],
            finding=values["finding"] or None,
            note=values["note"],
            corrects=values["corrects"] or None,
            photos=_photos(row),
        )

    def _id(self, values: Mapping[str, Any], *kind: str, corrects: str) -> str:
        """Id of an entry that has none, from the yard, boat, time, name and kind; and from what it corrects."""
        at = "" if values["at"] is None else values["at"].isoformat()
        return made_id(self.yard.key, values["boat"], at, values["by"], *kind, corrects)


_Key = tuple[Any, ...]


def _key(row: Row) -> _Key:
    """What tells one inspection of a file from another: its id, else its boat, time and name."""
    return (row.values["id"],) if row.values["id"] else _visit(row)


def _visit(row: Row) -> _Key:
    """What rows of one inspection have in common."""
    return row.values["boat"], row.values["at"], row.values["by"]


def _photos(row: Row) -> tuple[PhotoEntry, ...]:
    return tuple(PhotoEntry(name) for name in row.values["photos"] or ())


def _an(kind: str) -> str:
    return f"a {kind}" if kind == "finding" else f"an {kind}"
