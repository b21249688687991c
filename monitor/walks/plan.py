"""The walk: which covers are looked at, by which party and in which order, and what is left out and why. Pure.

Covers are put in one order of choosing that neither time nor crew changes: `walk first` from the worst down, then
always the one with the most score for its minutes and the way to it. The time says how far down that order the walk
gets, so more time or more parties never cover less.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from monitor.errors import StormwalkError
from monitor.inspections import STAND_DEFECTS
from monitor.ranking import STAND_CREW, boat_order
from monitor.register import Yard
from monitor.walks.daylight import Daylight
from monitor.walks.routes import (
    Floats,
    busy_minutes,
    distances_m,
    fits,
    improved_way,
    shares,
    short_way,
    way_m,
    worst_first,
)
from monitor.wording import CAUTIONS, local_text, plain_word

FIRST = "walk first"
WALKED_CALLS = (FIRST, "walk today", "this week")
"""Calls that a walk takes up unless told otherwise."""

MINUTES = {FIRST: 25.0, "walk today": 15.0, "this week": 10.0, "no call": 10.0}
"""Minutes that a party spends at one cover, by its call: our own judgement, no source."""

WALKING_MS = 1.0
"""On foot with tools and a ladder over rough ground, round bows and sterns: our own judgement, no source. [m/s]"""

WORST_FIRST_M = 200.0
"""So much longer than the shortest way found a party's may be, to come to the worse covers sooner: three minutes."""

_MOST_STEPS = 10
"""So many covers more are tried one by one on a way of their own, once the common way is full."""


@dataclass(frozen=True)
class WalkCover:
    """A ranked cover as the walk sees it: its score and call, where it stands, open defects of its stands.

    ``guessed`` says that the position was worked out from row and place.
    """

    boat: str
    call: str
    score: float
    x_m: float
    y_m: float
    guessed: bool = False
    stand_defects: tuple[str, ...] = ()


@dataclass(frozen=True)
class WalkRequest:
    """What was asked for. ``start`` and ``as_of`` are UTC; ``as_of`` None ranks at the moment of planning.

    ``minutes`` by call; a call that is left out takes its default. ``limit_min`` is None where daylight alone ends it.
    """

    crew: tuple[str, ...]
    start: datetime
    party_size: int = 2
    minutes: Mapping[str, float] = field(default_factory=lambda: dict(MINUTES))
    limit_min: float | None = None
    ignore_daylight: bool = False
    calls: tuple[str, ...] = WALKED_CALLS
    as_of: datetime | None = None
    walking_ms: float = WALKING_MS
    worst_first_m: float = WORST_FIRST_M

    def minutes_at(self, call: str) -> float:
        """Minutes at a cover with this call."""
        return self.minutes.get(call, MINUTES.get(call, MINUTES["walk today"]))

    def parties(self) -> list[tuple[str, ...]]:
        """The crew in parties of ``party_size``, in the order given; the last ones take those left over."""
        count = max(1, len(self.crew) // self.party_size)
        size, over = divmod(len(self.crew), count)
        sizes = [size] * (count - over) + [size + 1] * over
        ends = np.cumsum([0, *sizes]).tolist()
        return [tuple(self.crew[begin:end]) for begin, end in pairwise(ends)]

    def as_json(self) -> dict[str, Any]:
        """Plain values; `request_from_json` reads them back."""
        plain: dict[str, Any] = _plain(asdict(self))
        return plain


@dataclass(frozen=True)
class PlannedStop:
    """One cover on a round; ``walk_m`` is the way from the stop before, 0 at the first. ``arrive`` is UTC."""

    boat: str
    call: str
    score: float
    arrive: datetime
    minutes: float
    walk_m: float


@dataclass(frozen=True)
class PartyRound:
    """What one party walks, in order; a party without stops is free from the start."""

    names: tuple[str, ...]
    stops: tuple[PlannedStop, ...]
    walked_m: float
    finish: datetime


@dataclass(frozen=True)
class LeftOut:
    """A cover that is on no round, and why."""

    boat: str
    call: str
    score: float
    why: str


@dataclass(frozen=True)
class WalkPlan:
    """A planned walk: every ranked cover is in exactly one of ``rounds`` and ``left_out``. Times are UTC.

    ``covered_share`` is the sum of the scores on the rounds over that of all ranked covers; 1 where no cover has any.
    """

    yard_key: str
    as_of: datetime
    start: datetime
    latest_finish: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    rounds: tuple[PartyRound, ...]
    left_out: tuple[LeftOut, ...]
    covered_share: float
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values; `plan_from_json` reads them back unchanged."""
        plain: dict[str, Any] = _plain(asdict(self))
        return plain


@dataclass(frozen=True)
class WalkChange:
    """What somebody changed: ``add``, ``drop`` or ``hand_over`` of a boat; ``party`` has it from then on."""

    changed_at: datetime
    changed_by: str
    change: str
    boat: str
    party: str = ""
    note: str = ""


def check_request(request: WalkRequest, known_calls: Sequence[str] = tuple(MINUTES)) -> None:
    """Raise StormwalkError, with what is expected, for a request that no walk can be planned from."""
    names = [name.strip().casefold() for name in request.crew]
    if not names or "" in names or len(set(names)) < len(names):
        found = ", ".join(request.crew) or "nobody"
        raise StormwalkError(
            f"The crew is {found}; expected the name of each person, each once. Nothing was planned. Two people of "
            f"the same name need something that tells them apart."
        )
    if request.party_size < 1:
        raise StormwalkError(f"A party of {request.party_size} is none; expected 1 or more. Nothing was planned.")
    for call in [*request.minutes, *request.calls]:
        if call not in known_calls:
            raise StormwalkError(f'"{call}" is no call; expected one of {", ".join(known_calls)}. Nothing was planned.')
    numbers = {f'minutes at "{call}"': value for call, value in request.minutes.items()}
    numbers["walking speed in m/s"] = request.walking_ms
    if request.limit_min is not None:
        numbers["time limit in minutes"] = request.limit_min
    for what, value in numbers.items():
        if not 0 < value < 24 * 60:
            raise StormwalkError(
                f"The {what} is {value:g}; expected more than 0 and less than {24 * 60}. Nothing was planned."
            )


def plan_rounds(
    yard: Yard, as_of: datetime, covers: Sequence[WalkCover], request: WalkRequest, light: Daylight | None
) -> WalkPlan:
    """Plan a walk; the same covers in any order give the same plan.

    Parameters
    ----------
    yard : Yard
    as_of : datetime
        Of the ranking (UTC).
    covers : sequence of WalkCover
        Every ranked cover, each boat once.
    request : WalkRequest
        A start before sunrise is put off until then, and the walk ends at sunset, unless ``ignore_daylight``.
    light : Daylight or None
        The daylight that holds the start or comes next; None where it is not to be looked at.

    Raises
    ------
    ValueError
        A boat is among the covers twice.

    Notes
    -----
    The whole of the covers asked for gets one short way, which every smaller choice follows: with the triangle
    inequality a way along fewer stops is no longer. It is cut into one part for each party, so that the last party is
    back as early as can be. Then the choice gets a way of its own where that is shorter, which may make room for more.
    Last, every party's order is bent towards the worst covers, see `monitor.walks.routes.worst_first`.
    """
    check_request(request, tuple({**MINUTES, **{cover.call: 0.0 for cover in covers}}))
    covers = sorted(covers, key=lambda cover: boat_order(cover.boat))
    if len({cover.boat for cover in covers}) < len(covers):
        raise ValueError("a boat is among the covers twice")
    used_light = None if request.ignore_daylight else light
    start = request.start
    if used_light is not None and used_light.sunrise is not None:
        start = max(start, used_light.sunrise)
    latest = _latest_finish(start, request, used_light)
    asked = [cover for cover in covers if cover.call in request.calls]
    parties = request.parties()
    chosen = _chosen(asked, len(parties), request, start, latest)
    rounds = [timed_round(names, stops, request, start) for names, stops in zip(parties, chosen, strict=True)]
    walked = {stop.boat for one in rounds for stop in one.stops}
    out = [
        LeftOut(cover.boat, cover.call, cover.score, _why(cover, request, latest, used_light, yard))
        for cover in sorted(covers, key=urgency)
        if cover.boat not in walked
    ]
    plan = WalkPlan(
        yard_key=yard.key,
        as_of=as_of,
        start=start,
        latest_finish=latest,
        sunrise=None if light is None else light.sunrise,
        sunset=None if light is None else light.sunset,
        rounds=tuple(rounds),
        left_out=tuple(out),
        covered_share=covered_share(rounds, out),
        notes=(),
    )
    return with_notes(plan, yard, _standing_notes(covers, request, used_light, start, yard))


def urgency(cover: WalkCover | LeftOut) -> tuple[bool, float, tuple[int, int, str]]:
    """Sorting key: `walk first` before all others, then the worst, then the boat number."""
    return cover.call != FIRST, -cover.score, boat_order(cover.boat)


def way_between_m(one: WalkCover, other: WalkCover) -> float:
    """Straight from berth to berth. [m]"""
    return float(np.hypot(one.x_m - other.x_m, one.y_m - other.y_m))


def timed_round(
    names: tuple[str, ...], stops: Sequence[WalkCover], request: WalkRequest, start: datetime
) -> PartyRound:
    """A party's round through these covers, in this order, from ``start`` on."""
    planned = []
    minute = walked_m = 0.0
    for number, cover in enumerate(stops):
        walk_m = way_between_m(stops[number - 1], cover) if number else 0.0
        minute += walk_m / (request.walking_ms * 60)
        walked_m += walk_m
        minutes = request.minutes_at(cover.call)
        arrive = start + timedelta(minutes=minute)
        planned.append(PlannedStop(cover.boat, cover.call, cover.score, arrive, minutes, walk_m))
        minute += minutes
    return PartyRound(names, tuple(planned), walked_m, start + timedelta(minutes=minute))


def covered_share(rounds: Sequence[PartyRound], left_out: Sequence[LeftOut]) -> float:
    """Share of all scores that is on the rounds; 1 where there is no score at all."""
    covered = sum(sorted(stop.score for one in rounds for stop in one.stops))
    missed = sum(sorted(one.score for one in left_out))
    return covered / (covered + missed) if covered + missed > 0 else 1.0


def party_text(names: Sequence[str]) -> str:
    """``Ida, Per and Jo``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def with_notes(plan: WalkPlan, yard: Yard, standing: Sequence[str]) -> WalkPlan:
    """The plan with what must be said of it first: `walk first` that is left out, parties that are back too late."""
    return replace(plan, notes=(*urgent_notes(plan, yard), *standing))


def urgent_notes(plan: WalkPlan, yard: Yard) -> tuple[str, ...]:
    """What the crew must know before anything else of a plan."""
    notes = []
    missed = [one for one in plan.left_out if one.call == FIRST]
    if missed:
        boats_by_why: dict[str, list[str]] = {}
        for cover in missed:
            boats_by_why.setdefault(cover.why, []).append(cover.boat)
        told = "; ".join(
            f"{'boat' if len(boats) == 1 else 'boats'} {', '.join(boats)} ({why})"
            for why, boats in boats_by_why.items()
        )
        covers = "cover is" if len(missed) == 1 else "covers are"
        notes.append(f'{len(missed)} "{FIRST}" {covers} left out: {told}. Find more people or time for them first.')
    for one in plan.rounds:
        if plan.latest_finish is not None and one.stops and one.finish > plan.latest_finish:
            until, latest = (local_text(moment, yard.time_zone) for moment in (one.finish, plan.latest_finish))
            notes.append(f"{party_text(one.names)} would be busy until {until}, past the end at {latest}.")
    return tuple(notes)


def _latest_finish(start: datetime, request: WalkRequest, light: Daylight | None) -> datetime | None:
    ends = [] if request.limit_min is None else [start + timedelta(minutes=request.limit_min)]
    if light is not None and light.sunset is not None:
        ends.append(light.sunset)
    return min(ends, default=None)


def _choosing_order(covers: Sequence[WalkCover], distance_m: Floats, minutes: Floats, m_per_min: float) -> list[int]:
    """Every cover, in the order in which it is chosen; ties go to the lower boat number.

    The way to a cover is the one from the nearest cover that is chosen already.
    """
    order = sorted((i for i, cover in enumerate(covers) if cover.call == FIRST), key=lambda i: urgency(covers[i]))
    score = np.array([cover.score for cover in covers])
    left = np.array([cover.call != FIRST for cover in covers], dtype=bool)
    near_m = distance_m[order].min(axis=0) if order else np.zeros(len(covers))
    while left.any():
        worth = np.where(left, score / (minutes + near_m / m_per_min), -1.0)
        best = int(worth.argmax())
        near_m = np.minimum(near_m, distance_m[best]) if order else distance_m[best].copy()
        order.append(best)
        left[best] = False
    return order


def _chosen(
    covers: Sequence[WalkCover],
    parties: int,
    request: WalkRequest,
    start: datetime,
    latest: datetime | None,
) -> list[list[WalkCover]]:
    """The covers of each party in walking order; the first party has the worst one, the last may have none."""
    limit_min = np.inf if latest is None else (latest - start) / timedelta(minutes=1)
    m_per_min = request.walking_ms * 60
    distance_m = distances_m([cover.x_m for cover in covers], [cover.y_m for cover in covers])
    minutes = np.array([request.minutes_at(cover.call) for cover in covers])
    score = np.array([cover.score for cover in covers])
    order = _choosing_order(covers, distance_m, minutes, m_per_min)
    common = short_way(distance_m)

    def along_common(count: int) -> list[int]:
        taken = set(order[:count])
        return [stop for stop in common if stop in taken]

    def in_time(way: Sequence[int]) -> bool:
        return fits(busy_minutes(way, distance_m, minutes, m_per_min), parties, limit_min)

    low, high = 0, len(order)  # along the common way, what fits so many covers fits fewer
    while low < high:
        middle = (low + high + 1) // 2
        if in_time(along_common(middle)):
            low = middle
        else:
            high = middle - 1
    way = along_common(low)
    own = improved_way(way, distance_m)
    for count in range(low + 1, min(low + _MOST_STEPS, len(order)) + 1):
        further = improved_way(along_common(count), distance_m)
        if not in_time(further):
            break
        way = own = further
    if in_time(own):
        way = own
    busy = busy_minutes(way, distance_m, minutes, m_per_min)
    found = []
    for part in shares(busy, parties):
        stops = min((way[part], improved_way(way[part], distance_m)), key=lambda one: way_m(one, distance_m))
        spent_min = minutes[stops].sum() + way_m(stops, distance_m) / m_per_min
        spare_m = min(request.worst_first_m, (limit_min - spent_min) * m_per_min)
        found.append(worst_first(stops, distance_m, score, spare_m))
    found.sort(key=lambda stops: min(urgency(covers[stop]) for stop in stops))
    found += [[] for _ in range(parties - len(found))]
    return [[covers[stop] for stop in stops] for stops in found]


def _why(cover: WalkCover, request: WalkRequest, latest: datetime | None, light: Daylight | None, yard: Yard) -> str:
    if cover.call not in request.calls:
        return f'its call is "{cover.call}", which was not asked for'
    if latest is None:
        raise ValueError("without a limit every cover that was asked for is walked")
    by_light = light is not None and light.sunset == latest
    end = f"sunset at {local_text(latest, yard.time_zone)}" if by_light else local_text(latest, yard.time_zone)
    return f"no time for it before {end}"


def _standing_notes(
    covers: Sequence[WalkCover], request: WalkRequest, light: Daylight | None, start: datetime, yard: Yard
) -> list[str]:
    """What is said of a plan whatever is changed of it later."""
    notes = []
    if any(len(names) < 2 for names in request.parties()):
        notes.append(f"A party of one goes against the caution: {CAUTIONS[0]} Find somebody to go along.")
    for cover in covers:
        if cover.stand_defects:
            what = " and ".join(plain_word(defect) for defect in sorted(set(cover.stand_defects) & STAND_DEFECTS))
            notes.append(f"Boat {cover.boat} ({what}) is {STAND_CREW}.")
    if light is not None and light.remark:
        notes.append(light.remark)
    if start != request.start:
        notes.append(
            f"The start was put off from {local_text(request.start, yard.time_zone)} to sunrise at "
            f"{local_text(start, yard.time_zone)}."
        )
    own = [call for call in request.calls if request.minutes_at(call) == MINUTES.get(call)]
    if own:
        told = ", ".join(f"{call} {MINUTES[call]:g}" for call in own)
        notes.append(f"Minutes at a cover ({told}) are our own judgement: give your own.")
    notes.append(
        f"Walking at {request.walking_ms:g} m/s straight from berth to berth, from each party's first cover on, is our "
        f"own judgement too. A party's way may be up to {request.worst_first_m:g} m longer than the shortest found, "
        f"where that brings it to worse covers sooner."
    )
    guessed = sum(cover.guessed for cover in covers)
    if guessed:
        notes.append(
            f"{guessed} of {len(covers)} berths have no measured position: distances to them are worked out from row "
            f"and place."
        )
    return notes


def _plain(value: Any) -> Any:
    """Tuples as lists and moments as ISO text in UTC, all the way down."""
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, tuple | list) else value
