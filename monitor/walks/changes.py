"""A walk that people change: covers added, dropped and handed over, replayed on the plan as it was worked out. Pure."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from monitor.errors import StormwalkError
from monitor.register import Yard
from monitor.walks.plan import (
    LeftOut,
    PartyRound,
    WalkChange,
    WalkCover,
    WalkPlan,
    WalkRequest,
    covered_share,
    party_text,
    timed_round,
    urgency,
    urgent_notes,
    way_between_m,
    with_notes,
)
from monitor.wording import local_text

CHANGES = ("add", "drop", "hand_over")

_GAIN_M = 1e-6


def changed_plan(
    plan: WalkPlan,
    request: WalkRequest,
    covers: Sequence[WalkCover],
    yard: Yard,
    changes: Sequence[WalkChange],
) -> WalkPlan:
    """The plan with every change made, in order.

    A cover that is added or handed over goes where it makes the party's way least longer, behind the stops that the
    plan has begun by the moment of the change. Rounds may then end later than the walk should: the notes say so.

    Raises StormwalkError, with nothing changed, where a change makes no sense: the boat is on a round already or on
    none, no ranked cover is that boat's, nobody of that name walks.
    """
    known = {cover.boat: cover for cover in covers}
    standing = [note for note in plan.notes if note not in urgent_notes(plan, yard)]
    for change in changes:
        plan = _changed(plan, request, known, yard, change)
    return with_notes(plan, yard, standing)


def resolved(plan: WalkPlan, request: WalkRequest, covers: Sequence[WalkCover], change: WalkChange) -> WalkChange:
    """The change with its party as the plan names it, so that it reads the same for good.

    A cover that is added without a party goes to the one that is done with all its covers soonest then. Raises
    StormwalkError as `changed_plan` does.
    """
    if change.change == "drop":
        return replace(change, party="")
    if change.party.strip():
        return replace(change, party=party_text(plan.rounds[_party(plan, change.party)].names))
    if change.change == "hand_over":
        raise StormwalkError(f"Boat {change.boat}: hand it over to whom? Nothing was changed. {_parties(plan)}")
    cover = _known(change.boat, {cover.boat: cover for cover in covers})
    known = {one.boat: one for one in covers}
    longer = [_with(one, cover, known, request, plan.start, change.changed_at) for one in plan.rounds]
    soonest = min(range(len(longer)), key=lambda number: longer[number].finish)
    return replace(change, party=party_text(plan.rounds[soonest].names))


def _changed(
    plan: WalkPlan, request: WalkRequest, known: dict[str, WalkCover], yard: Yard, change: WalkChange
) -> WalkPlan:
    cover = _known(change.boat, known)
    holder = next((n for n, one in enumerate(plan.rounds) if any(s.boat == change.boat for s in one.stops)), None)
    rounds, left_out = list(plan.rounds), [one for one in plan.left_out if one.boat != change.boat]
    if change.change == "add":
        if holder is not None:
            raise StormwalkError(
                f"Boat {change.boat} is on the round of {party_text(rounds[holder].names)} already. Nothing was "
                f"changed. Hand it over if somebody else should go."
            )
    elif holder is None:
        raise StormwalkError(
            f"Boat {change.boat} is on no round of this walk. Nothing was changed. Add it if somebody should go."
        )
    else:
        rounds[holder] = _without(rounds[holder], change.boat, known, request, plan.start)
    if change.change == "drop":
        said = f": {change.note.strip()}" if change.note.strip() else ""
        why = f"dropped by {change.changed_by}, {local_text(change.changed_at, yard.time_zone)}{said}"
        left_out = sorted([*left_out, LeftOut(cover.boat, cover.call, cover.score, why)], key=urgency)
    else:
        taker = _party(plan, change.party)
        if taker == holder:
            raise StormwalkError(
                f"Boat {change.boat} is on the round of {party_text(rounds[taker].names)} already. Nothing was changed."
            )
        rounds[taker] = _with(rounds[taker], cover, known, request, plan.start, change.changed_at)
    return replace(plan, rounds=tuple(rounds), left_out=tuple(left_out), covered_share=covered_share(rounds, left_out))


def _known(boat: str, known: dict[str, WalkCover]) -> WalkCover:
    if boat not in known:
        raise StormwalkError(
            f'No boat "{boat}" was ranked for this walk. Nothing was changed. Check the number, or plan a new walk if '
            f"its cover came later."
        )
    return known[boat]


def _party(plan: WalkPlan, text: str) -> int:
    """Which party is meant: all its names, one of them, or its number from 1."""
    wanted = text.strip().casefold()
    for number, one in enumerate(plan.rounds):
        if wanted in (party_text(one.names).casefold(), *(name.strip().casefold() for name in one.names)):
            return number
    if wanted.isdecimal() and 1 <= int(wanted) <= len(plan.rounds):
        return int(wanted) - 1
    raise StormwalkError(f'"{text}" is nobody on this walk. Nothing was changed. {_parties(plan)}')


def _parties(plan: WalkPlan) -> str:
    told = "; ".join(f"{number} {party_text(one.names)}" for number, one in enumerate(plan.rounds, start=1))
    return f"Name a person or a party's number: {told}."


def _without(
    one: PartyRound, boat: str, known: dict[str, WalkCover], request: WalkRequest, start: datetime
) -> PartyRound:
    return timed_round(one.names, [known[stop.boat] for stop in one.stops if stop.boat != boat], request, start)


def _with(
    one: PartyRound,
    cover: WalkCover,
    known: dict[str, WalkCover],
    request: WalkRequest,
    start: datetime,
    changed_at: datetime,
) -> PartyRound:
    """The round with one cover more, where the way grows least; of equal places the earlier."""
    stops = [known[stop.boat] for stop in one.stops]
    begun = sum(stop.arrive <= changed_at for stop in one.stops)
    best, best_m = len(stops), float("inf")
    for place in range(begun, len(stops) + 1):
        before = stops[place - 1] if place else None
        after = stops[place] if place < len(stops) else None
        extra_m = sum(way_between_m(cover, other) for other in (before, after) if other is not None)
        if before is not None and after is not None:
            extra_m -= way_between_m(before, after)
        if extra_m < best_m - _GAIN_M:
            best, best_m = place, extra_m
    stops.insert(best, cover)
    return timed_round(one.names, stops, request, start)
