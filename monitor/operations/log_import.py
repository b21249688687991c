"""Inspection files taken into the log, all of it or nothing, and the same file again changes nothing."""

import sqlite3
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from monitor.errors import LogError, RegisterError
from monitor.exchange.csv_tables import Problem
from monitor.exchange.entry_values import NewFinding
from monitor.exchange.log_entries import ActionEntry, FindingEntry, InspectionEntry, LogFile, PhotoEntry, Place, made_id
from monitor.exchange.log_files import LogFileError, read_log
from monitor.exchange.log_tables import write_log
from monitor.inspections import STAND_DEFECTS
from monitor.operations.log import STAND_CAUTION, record_action, record_finding, record_inspection
from monitor.operations.photos import keep_original, record_photo
from monitor.pictures import LARGEST_PHOTO_BYTES, Picture, examine
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import photos as photo_store
from monitor.store import register as register_store
from monitor.store.connection import write
from monitor.yard_clock import CLOCK_ERROR

Entry = InspectionEntry | FindingEntry | ActionEntry

_KINDS = ("inspection", "finding", "action", "photo")


@dataclass(frozen=True)
class Counts:
    """How many entries of each kind a file had that were new, and that the log knew already."""

    new: Counter[str] = field(default_factory=Counter)
    known: Counter[str] = field(default_factory=Counter)

    def add(self, kind: str, is_known: bool) -> None:
        """Count one."""
        (self.known if is_known else self.new)[kind] += 1

    def said(self) -> str:
        """Both in words: ``2 inspections, 1 finding; 3 entries were logged before``."""
        new = ", ".join(_counted(self.new[kind], kind) for kind in _KINDS if self.new[kind]) or "nothing new"
        return f"{new}; {self.known.total()} logged before" if self.known.total() else new


def import_log(
    conn: sqlite3.Connection,
    yard: Yard,
    content: bytes,
    file_name: str,
    *,
    now: datetime,
    by: str,
    photo_files: Path | None,
    photo_folder: Path,
    check: bool = False,
) -> list[str]:
    """Log all that an inspection file tells, or nothing; sentences of what was logged.

    Parameters
    ----------
    content, file_name, by
        See `monitor.exchange.log_files.read_log`.
    now : datetime
        When it is logged. [UTC]
    photo_files : pathlib.Path or None
        Folder of the photos that a table names; None where none was given.
    photo_folder : pathlib.Path
        Where the database's photos are kept, see `monitor.operations.photos.photo_folder`.
    check : bool
        Try everything and log nothing.

    Raises
    ------
    LogFileError
        With every problem of the file. Nothing was logged.
    StoreError
        The disk refuses. Nothing was logged.
    """
    try:
        log = read_log(content, file_name, yard, by=by)
    except LogFileError as error:
        others = _boats_and_times(conn, yard, error.readable, now)
        raise LogFileError(file_name, [*error.problems, *others]) from None
    problems = list(_boats_and_times(conn, yard, log, now))
    pictures: dict[int, Picture] = {}
    for place, photo in _photos(log):  # before the transaction: nobody waits for the disk, and a spare file is harmless
        try:
            data = _photo_bytes(photo, photo_files)
            pictures[id(photo)] = examine(data) if check or problems else keep_original(photo_folder, data)
        except LogError as error:
            sentence = f"{photo.name}: {_without_closing(str(error))}".removeprefix(": ")
            problems.append(place.problem("photos" if photo.name else "", sentence=sentence))
    if problems:
        raise LogFileError(file_name, problems)
    counts = Counts()
    try:
        with write(conn):
            recording = _Recording(conn, yard, now, pictures, None if check else photo_folder, counts)
            problems = recording.all_of(log)
            if problems:
                raise LogFileError(file_name, problems)
            if check:
                raise _OnlyCheckedError
    except _OnlyCheckedError:
        return [f"{file_name} can be imported: {counts.said()}. Nothing was logged: it was only checked."]
    said = [f"{file_name}: logged {counts.said()}."]
    found = [*log.findings, *(finding for visit in log.inspections for finding in visit.findings)]
    if counts.new["finding"] and any(one.defect in STAND_DEFECTS and one.severity for one in found):
        said.append(STAND_CAUTION)
    return said


def export_log(conn: sqlite3.Connection, yard: Yard, units: str) -> str:
    """The yard's log, corrected entries too, as a table that `import_log` takes back; photos are not in it."""
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key), history=True)
    covers = register_store.all_covers(conn, yard.key)
    boats = {cover.id: cover.boat.number for cover in covers if cover.id is not None}
    return write_log(log.inspections, log.findings, log.actions, boats, yard.time_zone, units)


class _OnlyCheckedError(Exception):
    """Ends the transaction of a check, so that nothing of it stays."""


def _boats_and_times(conn: sqlite3.Connection, yard: Yard, log: LogFile, now: datetime) -> Iterator[Problem]:
    """Boats that the register does not know, and times that have not come yet or are before the first wrapping."""
    wrapped: dict[str, datetime] = {}
    for cover in register_store.all_covers(conn, yard.key):
        first = cover.builds[0].built_at
        wrapped[cover.boat.number] = min(first, wrapped.get(cover.boat.number, first))
    for entry in _entries(log):
        if entry.boat not in wrapped:
            try:
                register_store.find_cover(conn, yard.key, entry.boat)
            except RegisterError as error:
                yield entry.place.problem("boat", sentence=str(error))
            continue
        at = None if isinstance(entry, FindingEntry) else entry.at
        if at is None:
            continue
        column = "at" if entry.place.line else "acted_at" if isinstance(entry, ActionEntry) else "inspected_at"
        if at > now + CLOCK_ERROR:
            yield entry.place.problem(column, _shown(at), "in the past; it has not come yet")
        elif at < wrapped[entry.boat]:
            expected = f"after boat {entry.boat} was first wrapped, on {_shown(wrapped[entry.boat])}"
            yield entry.place.problem(column, _shown(at), expected)


def _entries(log: LogFile) -> list[Entry]:
    return [*log.inspections, *log.findings, *log.actions]


def _photos(log: LogFile) -> Iterator[tuple[Place, PhotoEntry]]:
    for entry in _entries(log):
        yield from ((entry.place, photo) for photo in entry.photos)
        if isinstance(entry, InspectionEntry):
            yield from ((found.place, photo) for found in entry.findings for photo in found.photos)


def _photo_bytes(photo: PhotoEntry, photo_files: Path | None) -> bytes:
    """A photo's bytes, from the file or from the folder that was named; of too large a one enough to refuse it."""
    if photo.data is not None:
        return photo.data
    if photo_files is None:
        raise LogError("In which folder it lies is not said. Name the folder with --photos.")
    path = photo_files / photo.name
    if not path.is_file():
        raise LogError(f"There is no file {photo.name} in {photo_files}. Check its name, capitals too.")
    try:
        with path.open("rb") as file:
            return file.read(LARGEST_PHOTO_BYTES + 1)
    except OSError as error:
        raise LogError(f"It cannot be read: {error.strerror}.") from None


@dataclass(frozen=True)
class _Recording:
    """Recording the entries of a file inside the caller's transaction; without ``folder`` photos are only counted."""

    conn: sqlite3.Connection
    yard: Yard
    now: datetime
    pictures: dict[int, Picture]
    folder: Path | None
    counts: Counts

    def all_of(self, log: LogFile) -> list[Problem]:
        """Record every entry, each after what it names; all that could not be recorded."""
        known = self._known_ids()
        problems: list[Problem] = []
        failed: set[str] = set()
        for entry in _in_order(log):
            if failed & _named_by(entry):
                failed |= _ids_of(entry)  # told once, at what it names
                continue
            try:
                _record_entry(self.conn, self.yard, entry, self.now)
            except (LogError, RegisterError) as error:
                failed |= _ids_of(entry)
                problems.append(entry.place.problem("", sentence=_without_closing(str(error))))
                continue
            of_visit = entry.findings if isinstance(entry, InspectionEntry) else ()
            for one in (entry, *of_visit):
                self.counts.add(_kind(one), one.id in known)
                for photo in one.photos:
                    try:
                        photo_id = self._photo(one, photo, None if isinstance(entry, FindingEntry) else entry.at)
                    except LogError as error:
                        problems.append(one.place.problem("", sentence=_without_closing(str(error))))
                    else:
                        self.counts.add("photo", photo_id in known)
        return problems

    def _known_ids(self) -> set[str]:
        yard_id = register_store.yard_id(self.conn, self.yard.key)
        log = log_store.log_of_yard(self.conn, yard_id, history=True)
        ids = {entry.id for entries in (log.inspections, log.findings, log.actions) for entry in entries}
        return ids | set(photo_store.photo_ids(self.conn, yard_id))

    def _photo(self, shown: Entry, photo: PhotoEntry, at: datetime | None) -> str:
        """Record a photo of an entry; its id. One that has no time of its own was taken when the entry was made."""
        picture = self.pictures[id(photo)]
        key = photo.id or made_id(shown.id, picture.sha256)
        if self.folder is not None:
            record_photo(
                self.conn,
                self.folder,
                self.yard,
                photo_id=key,
                data=picture,
                inspection_id=shown.id if isinstance(shown, InspectionEntry) else None,
                finding_id=shown.id if isinstance(shown, FindingEntry) else None,
                action_id=shown.id if isinstance(shown, ActionEntry) else None,
                taken_at=photo.taken_at or (at if picture.taken is None else None),
                recorded_at=self.now,
                taken_by=shown.by,
                note=photo.note,
            )
        return key


def _record_entry(conn: sqlite3.Connection, yard: Yard, entry: Entry, now: datetime) -> None:
    if isinstance(entry, InspectionEntry):
        record_inspection(
            conn,
            yard,
            entry.boat,
            inspector=entry.by,
            inspected_at=entry.at,
            recorded_at=now,
            inside=entry.inside,
            findings=[_new_finding(found) for found in entry.findings],
            snow_depth_m=entry.snow_depth_m,
            snow_water_mm=entry.snow_water_mm,
            band_drop_m=entry.band_drop_m,
            gust_seen_ms=entry.gust_seen_ms,
            note=entry.note,
            corrects_id=entry.corrects,
            inspection_id=entry.id,
        )
    elif isinstance(entry, FindingEntry):
        record_finding(
            conn,
            yard,
            entry.boat,
            _new_finding(entry),
            recorded_at=now,
            inspection_id=entry.inspection,
            corrects_id=entry.corrects,
            finding_id=entry.id,
        )
    else:
        record_action(
            conn,
            yard,
            entry.boat,
            action=entry.action,
            actor=entry.by,
            acted_at=entry.at,
            recorded_at=now,
            quantity=entry.quantity,
            finding_id=entry.finding,
            note=entry.note,
            corrects_id=entry.corrects,
            action_id=entry.id,
        )


def _new_finding(found: FindingEntry) -> NewFinding:
    return NewFinding(found.defect, found.where, found.severity, found.note)


def _in_order(log: LogFile) -> Iterator[Entry]:
    """Entries by their time, but each after those of the file that it names."""
    entries = _entries(log)
    entries.sort(key=lambda entry: _LATEST if isinstance(entry, FindingEntry) or entry.at is None else entry.at)
    by_id = {one_id: entry for entry in entries for one_id in _ids_of(entry)}
    begun: set[str] = set()
    done: set[str] = set()
    for entry in entries:
        waiting = [entry]
        while waiting:
            last = waiting[-1]
            begun.add(last.id)
            named = (by_id[name] for name in _named_by(last) if name in by_id)
            before = next((other for other in named if other.id not in begun), None)
            if before is not None:
                waiting.append(before)
                continue
            waiting.pop()
            if last.id not in done:
                done.add(last.id)
                yield last


_LATEST = datetime.max.replace(tzinfo=UTC)


def _ids_of(entry: Entry) -> set[str]:
    """Its id, and those of the findings that came with it."""
    findings = entry.findings if isinstance(entry, InspectionEntry) else ()
    return {entry.id, *(found.id for found in findings)}


def _named_by(entry: Entry) -> set[str]:
    """Ids of what an entry corrects, belongs to or puts right."""
    names = [entry.corrects]
    if isinstance(entry, FindingEntry):
        names.append(entry.inspection)
    if isinstance(entry, ActionEntry):
        names.append(entry.finding)
    return {name for name in names if name is not None}


def _kind(entry: Entry) -> str:
    return {InspectionEntry: "inspection", FindingEntry: "finding", ActionEntry: "action"}[type(entry)]


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _shown(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%MZ}"


def _without_closing(sentence: str) -> str:
    """A refusal without its "Nothing was logged.", which is said once for the whole file."""
    for closing in ("Nothing was logged.", "Nothing was stored.", "It was not logged."):
        sentence = sentence.replace(f" {closing}", "")
    return sentence
