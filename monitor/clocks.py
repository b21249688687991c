"""Since when each hazard counts for each cover, and which findings are still open, from the log alone. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.inspections import REMEDIES, RETENSIONING, STAND_DEFECTS, Action, Finding, Inspection

VENT_CHANGES = frozenset({"vents_added", "vent_replaced"})
"""Actions after which the air inside is another."""

PASSING = frozenset({"snow_lying", "ice_lying", "standing_water"})
"""Defects that the weather brings and takes: a later look that does not find them finds them gone."""

TELLING = frozenset({"stands_reported", "customer_told"})
"""Actions that tell somebody and put nothing right."""


@dataclass(frozen=True)
class Log:
    """What was seen and done at the covers of a yard, oldest first; usually without entries that were corrected."""

    inspections: Sequence[Inspection] = ()
    findings: Sequence[Finding] = ()
    actions: Sequence[Action] = ()


@dataclass(frozen=True)
class OpenEntry:
    """A finding that is still open, and the inspection that found it."""

    finding: Finding
    inspection: Inspection

    @property
    def seen_at(self) -> datetime:
        """When the defect was seen (UTC)."""
        return self.inspection.inspected_at


@dataclass(frozen=True)
class Clocks:
    """The moments from which the hazards of one cover count; each is the wrapping where nothing happened since."""

    wrapped_at: datetime
    inspected_at: datetime
    looked_inside_at: datetime
    retensioned_at: datetime
    inspected_ever: bool


def clocks(wrapped_at: Mapping[int, datetime], vents_changed_at: Mapping[int, datetime], log: Log) -> dict[int, Clocks]:
    """Clocks of each cover.

    Parameters
    ----------
    wrapped_at : mapping
        Cover id to the moment (UTC) its film was on.
    vents_changed_at : mapping
        Cover id to the newest build with other vents; a cover whose vents never changed is left out.
    log : Log
        Entries of other covers are ignored.
    """
    inspected = _latest((i.cover_id, i.inspected_at) for i in log.inspections)
    inside = _latest((i.cover_id, i.inspected_at) for i in log.inspections if i.inside)
    tightened = _latest((a.cover_id, a.acted_at) for a in log.actions if a.action in RETENSIONING)
    vented = _latest((a.cover_id, a.acted_at) for a in log.actions if a.action in VENT_CHANGES)
    return {
        cover_id: Clocks(
            wrapped_at=start,
            inspected_at=max(start, inspected.get(cover_id, start)),
            looked_inside_at=max(
                start,
                inside.get(cover_id, start),
                vented.get(cover_id, start),
                vents_changed_at.get(cover_id, start),
            ),
            retensioned_at=max(start, tightened.get(cover_id, start)),
            inspected_ever=cover_id in inspected,
        )
        for cover_id, start in wrapped_at.items()
    }


def taken_off(log: Log) -> dict[int, datetime]:
    """When covers came off their boats for good (UTC), by cover id: the first time, where it was logged twice."""
    came_off: dict[int, datetime] = {}
    for action in log.actions:
        if action.action == "unwrapped":
            came_off[action.cover_id] = min(action.acted_at, came_off.get(action.cover_id, action.acted_at))
    return came_off


def open_findings(log: Log, boat_of_cover: Mapping[int, str]) -> dict[str, list[OpenEntry]]:
    """Findings still open, by boat, worst first, then oldest.

    A finding is closed by an action that puts its defect right or that names it, by a later inspection of the boat that
    found everything sound, or by a later finding of the same defect at the same place, which then counts in its stead.
    Snow, ice or water lying is closed by any later inspection that does not find it again.
    What is inside is closed only by somebody who looked inside. A stand defect is closed by an inspection or finding
    alone, and outlives a new cover.

    Parameters
    ----------
    log : Log
    boat_of_cover : mapping
        Boat number of every cover, earlier covers of the same boat included.
    """
    entries: dict[str, list[OpenEntry]] = defaultdict(list)
    visits: dict[str, list[Inspection]] = defaultdict(list)
    work: dict[str, list[Action]] = defaultdict(list)
    inspections = {visit.id: visit for visit in log.inspections}
    for visit in log.inspections:
        if visit.cover_id in boat_of_cover:
            visits[boat_of_cover[visit.cover_id]].append(visit)
    for action in log.actions:
        if action.cover_id in boat_of_cover and action.action not in TELLING:
            work[boat_of_cover[action.cover_id]].append(action)
    for finding in log.findings:
        found_in = inspections.get(finding.inspection_id)
        if found_in is not None and found_in.cover_id in boat_of_cover:
            entries[boat_of_cover[found_in.cover_id]].append(OpenEntry(finding, found_in))
    troubled = {finding.inspection_id for finding in log.findings if finding.severity > 0}
    still_open = {}
    for boat, found in entries.items():
        sound = [visit for visit in visits[boat] if visit.id not in troubled]
        left = [
            entry
            for entry in found
            if entry.finding.severity > 0
            and not _seen_again(entry, found)
            and not _found_sound(entry, visits[boat] if entry.finding.defect in PASSING else sound)
            and not _put_right(entry, work[boat])
        ]
        if left:
            left.sort(key=lambda entry: (-entry.finding.severity, entry.seen_at, entry.finding.id))
            still_open[boat] = left
    return still_open


def _seen_again(entry: OpenEntry, found: Iterable[OpenEntry]) -> bool:
    here = (entry.finding.place, entry.finding.defect)
    return any((other.finding.place, other.finding.defect) == here and other.seen_at > entry.seen_at for other in found)


def _found_sound(entry: OpenEntry, sound: Iterable[Inspection]) -> bool:
    return any(
        visit.inspected_at > entry.seen_at and (visit.inside or entry.finding.place != "inside") for visit in sound
    )


def _put_right(entry: OpenEntry, work: Iterable[Action]) -> bool:
    finding = entry.finding
    if finding.defect in STAND_DEFECTS:
        return False
    return any(
        action.acted_at >= entry.seen_at
        and (action.finding_id == finding.id or finding.defect in REMEDIES.get(action.action, frozenset()))
        for action in work
    )


def _latest(moments: Iterable[tuple[int, datetime]]) -> dict[int, datetime]:
    newest: dict[int, datetime] = {}
    for cover_id, moment in moments:
        newest[cover_id] = max(moment, newest.get(cover_id, moment))
    return newest
