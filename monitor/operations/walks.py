"""Walks: planned from a fresh ranking, kept, changed by people, and read back as they stand."""

import sqlite3
import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.assessment import YardAssessment
from monitor.errors import StormwalkError
from monitor.inspections import STAND_DEFECTS
from monitor.operations.ranking import assess_yard
from monitor.register import Yard
from monitor.store import register as register_store
from monitor.store import walks as store
from monitor.store.connection import write
from monitor.walks.berths import is_placed, positions_m
from monitor.walks.changes import CHANGES, changed_plan, resolved
from monitor.walks.daylight import coming_daylight
from monitor.walks.plan import (
    WalkChange,
    WalkCover,
    WalkPlan,
    WalkRequest,
    check_request,
    plan_rounds,
)
from monitor.walks.stored import cover_from_json, plan_from_json, request_from_json
from monitor.wording import local_text

LATE_START = timedelta(hours=3)
"""A walk may be planned while it is under way; one that would have begun longer ago has a slip in its date."""


@dataclass(frozen=True)
class StoredWalk:
    """A kept walk: ``planned`` as it was worked out, ``plan`` with every change made, ``covers`` it was made from."""

    id: str
    created_at: datetime
    created_by: str
    request: WalkRequest
    planned: WalkPlan
    plan: WalkPlan
    changes: tuple[WalkChange, ...]
    covers: tuple[WalkCover, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values: the walk as it stands, what was asked for, and its history."""
        from monitor.wording import utc_text

        changes = [{**asdict(one), "changed_at": utc_text(one.changed_at)} for one in self.changes]
        return {
            "id": self.id,
            "created_at": utc_text(self.created_at),
            "created_by": self.created_by,
            "request": self.request.as_json(),
            "plan": self.plan.as_json(),
            "planned": self.planned.as_json(),
            "changes": changes,
        }


def plan_walk(conn: sqlite3.Connection, yard: Yard, request: WalkRequest, *, by: str, now: datetime) -> StoredWalk:
    """Rank the yard at ``request.as_of`` (else ``now``), plan a walk on it, and keep the walk.

    Raises StormwalkError where the request makes no sense, its start lies more than `LATE_START` before the ranking, or
    the yard has no cover then.
    """
    check_request(request)
    as_of = request.as_of or now
    if request.start < as_of - LATE_START:
        raise StormwalkError(
            f"The start, {local_text(request.start, yard.time_zone, year=True)}, lies before the ranking that the walk "
            f"would rest on, {local_text(as_of, yard.time_zone, year=True)}; expected at most "
            f"{LATE_START // timedelta(hours=1)} hours before it. No walk was planned. Check the date; a walk "
            f"of the past needs the moment of its ranking too (--as-of)."
        )
    assessment = assess_yard(conn, yard, as_of=as_of, known_at=as_of)
    covers = covers_to_walk(assessment)
    plan = plan_rounds(yard, as_of, covers, request, coming_daylight(yard, request.start))
    walk_id = str(uuid.uuid4())
    kept = {**request.as_json(), "covers": [asdict(cover) for cover in covers]}
    with write(conn):
        store.add_walk(
            conn,
            register_store.yard_id(conn, yard.key),
            walk_id,
            starts_at=plan.start,
            created_at=now,
            created_by=by.strip(),
            request=kept,
            plan=plan.as_json(),
        )
    return _stored(conn, yard, walk_id)


def covers_to_walk(assessment: YardAssessment) -> list[WalkCover]:
    """Every ranked cover with its berth in metres and the open defects of its stands, by rank."""
    boats = [cover.boat for cover in assessment.covers]
    places = dict(zip([boat.number for boat in boats], positions_m(boats), strict=True))
    guessed = {boat.number for boat in boats if not is_placed(boat)}
    found = []
    for line in assessment.ranked:
        x_m, y_m = places[line.boat]
        defects = {entry.finding.defect for entry in assessment.open_findings.get(line.boat, [])} & STAND_DEFECTS
        found.append(
            WalkCover(
                boat=line.boat,
                call=line.call,
                score=line.score,
                x_m=x_m,
                y_m=y_m,
                guessed=line.boat in guessed,
                stand_defects=tuple(sorted(defects)),
            )
        )
    return found


def walk(conn: sqlite3.Connection, yard: Yard, walk_id: str | None = None) -> StoredWalk | None:
    """A walk of the yard by the first characters of its id, or the one planned last; None where there is none yet.

    Raises StormwalkError where the beginning of an id fits none, or several.
    """
    heads = store.walk_heads(conn, register_store.yard_id(conn, yard.key))
    if walk_id is None:
        return _stored(conn, yard, heads[0].id) if heads else None
    return _stored(conn, yard, _fitting(heads, yard, walk_id))


def walks(conn: sqlite3.Connection, yard: Yard) -> list[store.WalkHead]:
    """The walks kept for a yard, without their plans; the one planned last first."""
    return store.walk_heads(conn, register_store.yard_id(conn, yard.key))


def change_walk(
    conn: sqlite3.Connection,
    yard: Yard,
    walk_id: str | None,
    *,
    change: str,
    boat: str,
    party: str = "",
    by: str,
    now: datetime,
    note: str = "",
) -> StoredWalk:
    """Add, drop or hand over a boat of a walk (None: the one planned last); the change is added to its history.

    ``party`` names a person, a whole party, or its number. Raises StormwalkError where the change makes no sense.
    """
    if change not in CHANGES:
        raise StormwalkError(f"{change!r} is no change of a walk; expected one of {', '.join(CHANGES)}.")
    if not by.strip():
        raise StormwalkError("The name of who changes the walk is empty. Nothing was changed. Say who it was.")
    with write(conn):
        found = walk(conn, yard, walk_id)
        if found is None:
            raise StormwalkError(f'Yard {yard.key} has no walk to change yet. Plan one: "stormwalk walk plan".')
        asked = WalkChange(now.replace(microsecond=0), by.strip(), change, boat.strip(), party, note.strip())
        made = resolved(found.plan, found.request, found.covers, asked)
        changed_plan(found.planned, found.request, found.covers, yard, [*found.changes, made])
        store.add_change(conn, store.ChangeRow(walk_id=found.id, **asdict(made)))
    return _stored(conn, yard, found.id)


def _fitting(heads: Sequence[store.WalkHead], yard: Yard, beginning: str) -> str:
    fitting = [head.id for head in heads if beginning and head.id.startswith(beginning)]
    if len(fitting) != 1:
        raise StormwalkError(
            f"The id {beginning!r} fits {len(fitting)} of the walks kept for yard {yard.key}; expected exactly one. "
            f'"stormwalk walk list" lists them.'
        )
    return fitting[0]


def _stored(conn: sqlite3.Connection, yard: Yard, walk_id: str) -> StoredWalk:
    row = store.walk_row(conn, walk_id)
    covers = tuple(cover_from_json(one) for one in row.request["covers"])
    request = request_from_json({name: value for name, value in row.request.items() if name != "covers"})
    planned = plan_from_json(row.plan)
    changes = tuple(
        WalkChange(one.changed_at, one.changed_by, one.change, one.boat, one.party, one.note)
        for one in store.changes_of(conn, walk_id)
    )
    return StoredWalk(
        id=row.head.id,
        created_at=row.head.created_at,
        created_by=row.head.created_by,
        request=request,
        planned=planned,
        plan=changed_plan(planned, request, covers, yard, changes),
        changes=changes,
        covers=covers,
    )
