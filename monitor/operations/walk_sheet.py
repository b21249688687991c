"""From a stored walk to its sheet: the ranking it rests on, what is open now, and who has looked since."""

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from monitor.assessment import YardAssessment
from monitor.clocks import open_findings
from monitor.documents.walk_sheet import NO_ADDRESS, SheetLine, walk_sheet
from monitor.errors import StormwalkError
from monitor.inspections import Inspection
from monitor.operations import walks
from monitor.operations.ranking import assess_yard
from monitor.ranking import HAZARDS
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.walks.plan import PartyRound, WalkPlan


def sheet_of_walk(
    conn: sqlite3.Connection,
    yard: Yard,
    walk_id: str | None = None,
    *,
    now: datetime,
    party: str = "",
    base_url: str | None = None,
    no_address: str = NO_ADDRESS,
) -> str:
    """HTML of the sheet of a walk, as it stands after what people changed of it.

    Reasons are those of the ranking that the walk was planned from. Open findings, and who has looked since, are as
    of ``now``, so that a stand found moved after the planning is on the sheet.

    Parameters
    ----------
    walk_id : str, optional
        The walk, or the beginning of its id; the newest one where left out.
    party : str
        Name of a person: the sheet of that party alone.
    base_url : str, optional
        Where the web app is reached, for the QR codes; without it the sheet says ``no_address``.

    Raises
    ------
    StormwalkError
        No walk is planned, no party has this name, or ``base_url`` is no address.
    """
    stored = walks.walk(conn, yard, walk_id)
    if stored is None:
        raise StormwalkError(f'No walk is planned for yard {yard.key} yet. Plan one with "stormwalk walk plan".')
    plan = stored.plan if not party else _of_party(stored.plan, party)
    assessment = assess_yard(conn, yard, as_of=plan.as_of, known_at=plan.as_of)
    return walk_sheet(
        yard,
        plan,
        _lines(conn, yard, plan, assessment, now),
        version=assessment.version,
        data_age_h=assessment.data_age_h,
        log_as_of=max(now, plan.as_of),
        credits=tuple(dict.fromkeys(status.credit for status in assessment.sources if status.newest_hour is not None)),
        remarks=_remarks(assessment),
        base_url=base_url,
        no_address=no_address,
    )


def _of_party(plan: WalkPlan, name: str) -> WalkPlan:
    """The plan with the one round that this person walks. Raises StormwalkError."""
    wanted = name.strip().casefold()
    found = [each for each in plan.rounds if wanted in (person.casefold() for person in each.names)]
    if len(found) != 1:
        raise StormwalkError(
            f"{name!r} walks in {len(found)} parties of this walk, expected one. The parties are "
            f"{_parties_text(plan.rounds)}."
        )
    return replace(plan, rounds=tuple(found))


def _parties_text(rounds: Sequence[PartyRound]) -> str:
    return "; ".join(" and ".join(each.names) for each in rounds) or "none"


def _lines(
    conn: sqlite3.Connection, yard: Yard, plan: WalkPlan, assessment: YardAssessment, now: datetime
) -> list[SheetLine]:
    """A line for each boat of the plan that the ranking knows, those left out too."""
    moment = max(now, plan.as_of)
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key), as_of=moment, known_at=moment)
    boat_of_cover = {
        cover.id: cover.boat.number for cover in register_store.all_covers(conn, yard.key) if cover.id is not None
    }
    still_open = open_findings(log, boat_of_cover)
    looked = _newest_looks(log.inspections, boat_of_cover, plan.as_of)
    wanted = {stop.boat for each in plan.rounds for stop in each.stops} | {entry.boat for entry in plan.left_out}
    return [
        SheetLine(
            assessment.cover_of(line.boat).boat,
            line.reasons,
            tuple(still_open.get(line.boat, ())),
            looked.get(line.boat),
        )
        for line in assessment.ranked
        if line.boat in wanted
    ]


def _newest_looks(
    inspections: Sequence[Inspection], boat_of_cover: dict[int, str], after: datetime
) -> dict[str, Inspection]:
    """The newest inspection of each boat after a moment; they come oldest first."""
    return {
        boat_of_cover[visit.cover_id]: visit
        for visit in inspections
        if visit.inspected_at > after and visit.cover_id in boat_of_cover
    }


def _remarks(assessment: YardAssessment) -> tuple[str, ...]:
    names = ", ".join(HAZARDS[name].label for name in assessment.not_assessed)
    return (f"Not assessed: {names}. No score knows anything about it; look for yourself.",) if names else ()
