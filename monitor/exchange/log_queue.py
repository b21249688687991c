"""Inspection files in JSON: what a phone kept because it could not send it, entries and photos in one document."""

import base64
import binascii
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, TypeVar

from monitor.errors import UNWRITABLE
from monitor.exchange.csv_tables import Problem, one_line
from monitor.exchange.entry_values import EntryError, NewAction, NewInspection, action_from, inspection_from
from monitor.exchange.log_columns import LONGEST_NOTE, LONGEST_WORD, MOST_PHOTOS, Id, Time
from monitor.exchange.log_entries import (
    ActionEntry,
    FindingEntry,
    InspectionEntry,
    LogFile,
    PhotoEntry,
    Place,
    made_id,
)
from monitor.inspections import finding_id
from monitor.register import Yard
from monitor.units import UnreadableError
from monitor.yard_clock import moment_on

Entry = TypeVar("Entry", InspectionEntry, ActionEntry)
New = TypeVar("New", NewInspection, NewAction)


def read_queue(text: str, file_name: str, yard: Yard, by: str) -> tuple[LogFile, list[Problem]]:
    """Entries of a JSON document, and all that is wrong with it; see `monitor.exchange.log_files.read_log`."""
    try:
        whole = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        sentence = f"this cannot be read as JSON ({error}). The file is cut off or was changed; export it again."
        return LogFile(), [Problem(file_name, getattr(error, "lineno", 1), "", "", "", sentence)]
    if not isinstance(whole, dict) or not whole.keys() <= {"inspections", "actions", "by", "yard"}:
        expected = 'an object with "inspections" and "actions", each a list of entries'
        return LogFile(), [Problem(file_name, 1, "", "this", expected)]
    reading = _Reading(file_name, yard, by)
    shared = {name: whole[name] for name in ("by", "yard") if name in whole}
    inspections = reading.entries(whole, shared, "inspections", reading.inspection)
    actions = reading.entries(whole, shared, "actions", reading.action)
    return LogFile(tuple(inspections), (), tuple(actions)), reading.problems


class _Reading:
    """One document being read; what is wrong with it is gathered in ``problems``."""

    def __init__(self, file_name: str, yard: Yard, by: str) -> None:
        self.file = file_name
        self.yard = yard
        self.by = by
        self.problems: list[Problem] = []

    def entries(
        self,
        whole: Mapping[str, Any],
        shared: Mapping[str, Any],
        name: str,
        one: Callable[[Place, dict[str, Any]], Entry | None],
    ) -> list[Entry]:
        """The entries of one list; ``shared`` is what the document says of all."""
        listed = whole.get(name, [])
        if not isinstance(listed, list):
            self.problems.append(Problem(self.file, 0, name, "this", "a list of entries"))
            return []
        read = []
        for number, values in enumerate(listed):
            place = Place(self.file, 0, f"{name}[{number}]")
            if not isinstance(values, dict):
                self.problems.append(place.problem("", "this", "an entry as the web app takes it"))
            elif (entry := one(place, {**shared, **values})) is not None:
                read.append(entry)
        return read

    def inspection(self, place: Place, values: dict[str, Any]) -> InspectionEntry | None:
        """One inspection with its findings, and the photos of both."""
        photos = self._photos(place, values.pop("photos", None))
        places, of_findings = [], []
        if isinstance(values.get("findings"), list):
            bare = []
            for number, one in enumerate(values["findings"]):
                places.append(replace(place, path=f"{place.path}.findings[{number}]"))
                own = dict(one) if isinstance(one, dict) else one
                of_findings.append(self._photos(places[-1], own.pop("photos", None) if isinstance(own, dict) else None))
                bare.append(own)
            values["findings"] = bare
        read = self._read(place, values, inspection_from, "inspected_at", ("inspection",))
        if read is None:
            return None
        entry, at, by, key = read
        findings = [
            FindingEntry(
                place=of,
                boat=entry.boat,
                id=finding_id(key, found.place, found.defect),
                by=by,
                defect=found.defect,
                where=found.place,
                severity=found.severity,
                note=found.note,
                photos=taken,
            )
            for of, found, taken in zip(places, entry.findings, of_findings, strict=True)
        ]
        return InspectionEntry(
            place=place,
            boat=entry.boat,
            id=key,
            at=at,
            by=by,
            inside=entry.inside,
            snow_depth_m=entry.snow_depth_m,
            snow_water_mm=entry.snow_water_mm,
            band_drop_m=entry.band_drop_m,
            gust_seen_ms=entry.gust_seen_ms,
            note=entry.note,
            corrects=entry.corrects,
            findings=tuple(findings),
            photos=photos,
        )

    def action(self, place: Place, values: dict[str, Any]) -> ActionEntry | None:
        """One action with its photos."""
        photos = self._photos(place, values.pop("photos", None))
        word = values.get("action")
        kind = ("action", word if isinstance(word, str) else "")  # any other is refused by the reader
        read = self._read(place, values, action_from, "acted_at", kind)
        if read is None:
            return None
        entry, at, by, key = read
        return ActionEntry(
            place=place,
            boat=entry.boat,
            id=key,
            at=at,
            by=by,
            action=entry.action,
            quantity=entry.quantity,
            finding=entry.finding,
            note=entry.note,
            corrects=entry.corrects,
            photos=photos,
        )

    def _read(
        self,
        place: Place,
        values: dict[str, Any],
        reader: Callable[[Mapping[str, Any]], New],
        time_name: str,
        kind: tuple[str, ...],
    ) -> tuple[New, datetime | None, str, str] | None:
        """What the reader makes of an entry, its moment, who it was, and its id; None where that fails."""
        sound = len(self.problems)
        by = values.pop("by", None) or self.by
        if isinstance(by, str) and (UNWRITABLE.search(by) or len(by) > LONGEST_WORD):
            expected = f"a name of at most {LONGEST_WORD} letters that can be written down"
            self.problems.append(place.problem("by", ascii(one_line(by)), expected))
        elif not isinstance(by, str) or not by.strip():
            self.problems.append(place.problem("by", "empty", "given: who it was; or name all at once with --by"))
            by = ""
        try:
            entry = reader(values)
        except EntryError as error:
            self.problems += [place.problem("", sentence=sentence) for sentence in error.problems]
            return None
        if entry.yard not in ("", self.yard.key):
            self.problems.append(place.problem("yard", entry.yard, f"{self.yard.key}, into which the file is imported"))
        at = getattr(entry, time_name)
        if at is not None:
            try:
                at = moment_on(at, self.yard.time_zone)
            except UnreadableError as error:
                self.problems.append(place.problem(time_name, error.found, error.expected))
        elif not entry.corrects:
            self.problems.append(place.problem(time_name, "empty", "given; only a correction may leave it out"))
        if len(self.problems) > sound:
            return None
        by = by.strip()
        made = made_id(self.yard.key, entry.boat, "" if at is None else at.isoformat(), by, *kind, entry.corrects or "")
        return entry, at, by, entry.id if values.get("id") else made

    def _photos(self, place: Place, listed: object) -> tuple[PhotoEntry, ...]:
        """The photos of an entry, their bytes out of base64."""
        if listed is None:
            return ()
        if not isinstance(listed, list) or len(listed) > MOST_PHOTOS:
            expected = f'a list of at most {MOST_PHOTOS} photos, each with its "image" in base64'
            self.problems.append(place.problem("photos", "this", expected))
            return ()
        photos = []
        for number, one in enumerate(listed):
            of = replace(place, path=f"{place.path}.photos[{number}]")
            photo = self._photo(of, one)
            if photo is not None:
                photos.append(photo)
        return tuple(photos)

    def _photo(self, place: Place, values: object) -> PhotoEntry | None:
        known = {"id", "taken_at", "note", "image"}
        if not isinstance(values, dict) or not values.keys() <= known or not isinstance(values.get("image"), str):
            expected = 'a photo with "image" in base64, and if known "id", "taken_at" and "note"'
            self.problems.append(place.problem("", "this", expected))
            return None
        texts = {name: values.get(name) or "" for name in ("id", "taken_at", "note")}
        wrong = [
            name
            for name, text in texts.items()
            if not isinstance(text, str) or len(text) > LONGEST_NOTE or UNWRITABLE.search(text)
        ]
        expected = f"text of at most {LONGEST_NOTE} letters that can be written down"
        self.problems += [place.problem(name, "this", expected) for name in wrong]
        if wrong:
            return None
        taken_at = None
        try:
            key = Id().read(texts["id"], None) if texts["id"] else None
            if texts["taken_at"]:
                taken_at = moment_on(Time().read(texts["taken_at"], None), self.yard.time_zone)
        except UnreadableError as error:
            self.problems.append(place.problem("", error.found, error.expected))
            return None
        try:
            data = base64.b64decode(values["image"], validate=True)
        except (binascii.Error, ValueError):
            self.problems.append(place.problem("image", "this", "a photo in base64"))
            return None
        return PhotoEntry("", data, key, taken_at, texts["note"].strip())


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number in JSON")
