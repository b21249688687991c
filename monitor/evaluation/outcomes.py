"""What inspections found by how covers were built and kept, and whom to build otherwise next autumn. Pure.

Everything here is what went together in one yard and one season. Flat covers may stand where the snow drifts and bands
are tightened because they were found loose: none of it says what caused what, and each table carries that caution.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

import numpy as np

from monitor.departures import PracticeLimits, check_cover
from monitor.evaluation.metrics import Estimate, Share, difference, shrunk_share
from monitor.evaluation.replay import Replayed
from monitor.inspections import RETENSIONING, STAND_DEFECTS, Action
from monitor.ranking import HAZARDS
from monitor.wording import berth_text, defect_text

DAMP_DEFECTS = frozenset({"damp_inside", "mould_inside"})
LYING_DEFECTS = frozenset({"snow_lying", "standing_water", "sag"})
BAND_DEFECTS = frozenset({"loose_band", "slipped_band", "loose_belly_band"})

ASSOCIATION = "What went together in this season, not what caused it: covers differ in more than this."
AFTER_A_FINDING = (
    "A band is tightened because it was found loose, so the time before is chosen for its findings and the time after "
    "would look better without any hand. What went together, not what caused it."
)

BUILD_FOR_DEFECT: Mapping[str, str] = {
    "sag": "a post more, or straps closer, under the panel that sags",
    "standing_water": "a steeper panel, or a post under its low part",
    "snow_lying": "a steeper panel: raise the ridge",
    "ice_lying": "a steeper panel, and nothing below where ice falls",
    "tear": "pad what presses there, and thicker film",
    "hole": "pad what presses there, and thicker film",
    "open_weld": "a wider tuck under the band, welded anew along its length",
    "open_pleat": "fewer pleats, lapped towards the stern and welded along their length",
    "loose_band": "the perimeter band drawn up again after the film has cooled, buckles taped",
    "slipped_band": "the perimeter band held at its line, tied down to the belly bands",
    "loose_belly_band": "belly bands closer together, buckles taped",
    "broken_strap": "a stronger strap, padded where it bends",
    "leaning_post": "the post footed and stayed both ways",
    "chafe": "padding where the film rubs",
    "vent_lost": "the vent on a flat, clean spot, taped round its rim",
    "vent_blocked": "the vent at a higher point, out of drifting snow",
    "damp_inside": "more vents at the high points, and the ground under the boat kept dry",
    "mould_inside": "more vents at the high points, and the ground under the boat kept dry",
    "door_open": "a door with a zip that locks, away from the weather side",
}
"""How to build against a defect that came back. Our own judgement of common practice, no source."""

BUILD_FOR_HAZARD: Mapping[str, str] = {
    "snow": "a steeper ridge, and a post under the flattest panel",
    "pocket": "no panel so flat that water stands: a higher ridge or a post under it",
    "gust": "more belly bands and taped pleats, or a berth with the bow to the wind or in shelter",
    "slack": "belly bands closer together",
    "freeze_thaw": "wider welds, and no pocket in which water freezes",
    "ice": "a steeper ridge, vents where ice does not close them",
    "damp": "more vents at the high points, and the ground under the boat kept dry",
}
"""The same for a hazard that carried the score. Days without an inspection are no matter of building."""


@dataclass(frozen=True)
class OutcomeParameters:
    """What we chose ourselves. ``carried_share`` and ``carried_p`` say from when a hazard carried a cover's score."""

    retensioning_days: int = 30
    repeated: int = 2
    carried_share: float = 0.4
    carried_p: float = 0.1
    prior_inspections: float = 10.0
    """So many inspections of the yard's own rate stand behind each cover's own share."""


@dataclass(frozen=True)
class OutcomeGroup:
    """Inspections of one group of covers or time: how many brought such a finding."""

    label: str
    found: Share

    @property
    def estimate(self) -> Estimate:
        """Inspections with such a finding, of all of the group, with its interval."""
        return self.found.estimate


@dataclass(frozen=True)
class OutcomeTable:
    """One question to the season: groups from least to most, and the last one less the first with its interval."""

    question: str
    counted: str
    groups: tuple[OutcomeGroup, ...]
    last_less_first: Estimate
    sentence: str
    caution: str


@dataclass(frozen=True)
class Proposal:
    """One thing to build otherwise, why in one line, and what it rests on."""

    what: str
    why: str
    basis: Literal["departure", "repeated finding", "carried the score"]


@dataclass(frozen=True)
class BuildOtherwise:
    """A cover to build otherwise next autumn.

    ``needed`` counts its inspections that found something new that needed a hand; ``expected`` is that share drawn
    towards the yard's own, so that one bad look at a cover seen once does not lead the list.
    """

    boat: str
    boat_name: str
    berth: str
    needed: Share
    expected: float
    proposals: tuple[Proposal, ...]


def outcome_tables(
    inspections: Sequence[Replayed], actions: Sequence[Action], parameters: OutcomeParameters
) -> tuple[OutcomeTable, ...]:
    """Findings by vents, by slope, and before and after re-tensioning. Only new findings count, of any severity."""
    return (_by_vents(inspections), _by_slope(inspections), _by_retensioning(inspections, actions, parameters))


def next_autumn(
    inspections: Sequence[Replayed], threshold: int, units: str, parameters: OutcomeParameters
) -> tuple[BuildOtherwise, ...]:
    """Covers with something to build otherwise, those most likely to need a hand first.

    From where each newest build departs from common practice, from defects that were new more than once, and from the
    hazards that carried its score.
    """
    hits = sum(one.brought.worst >= threshold for one in inspections)
    base = hits / len(inspections) if inspections else 0.0
    by_boat: dict[str, list[Replayed]] = defaultdict(list)
    for one in inspections:
        by_boat[one.cover.boat.number].append(one)
    listed = []
    for boat, visits in by_boat.items():
        proposals = (*_departures(visits, units), *_repeated(visits, parameters), *_carried(visits, parameters))
        if not proposals:
            continue
        needed = Share(sum(one.brought.worst >= threshold for one in visits), len(visits))
        weight = parameters.prior_inspections
        expected = shrunk_share(needed.hits, needed.of, base * weight, (1 - base) * weight)
        newest = visits[-1].cover.boat
        listed.append(BuildOtherwise(boat, newest.name, berth_text(newest), needed, expected, proposals))
    return tuple(sorted(listed, key=lambda one: (-one.expected, -len(one.proposals), one.boat)))


def _found(one: Replayed, defects: frozenset[str]) -> bool:
    return any(finding.defect in defects for finding in one.brought.new)


def _share(visits: Sequence[Replayed], defects: frozenset[str]) -> Share:
    return Share(sum(_found(one, defects) for one in visits), len(visits))


def _by_vents(inspections: Sequence[Replayed]) -> OutcomeTable:
    inside = [one for one in inspections if one.inspection.inside]
    count = {id(one): one.cover.build_at(one.inspection.inspected_at).vent_count for one in inside}
    of_cover = {one.cover.id: count[id(one)] for one in inside}
    limits = np.quantile(list(of_cover.values()), [1 / 3, 2 / 3]) if of_cover else np.zeros(2)
    thirds: dict[int, list[Replayed]] = defaultdict(list)
    for one in inside:
        thirds[int(np.searchsorted(limits, count[id(one)], side="left"))].append(one)

    def label(visits: Sequence[Replayed]) -> str:
        few, many = min(count[id(one)] for one in visits), max(count[id(one)] for one in visits)
        return f"{few} vents" if few == many else f"{few} to {many} vents"

    groups = [OutcomeGroup(label(thirds[third]), _share(thirds[third], DAMP_DEFECTS)) for third in sorted(thirds)]
    return _table(
        "Do covers with more vents bring fewer damp findings?",
        "inspections inside that found damp or mould anew, by thirds of the covers' vents",
        groups,
        ASSOCIATION,
    )


def _by_slope(inspections: Sequence[Replayed]) -> OutcomeTable:
    limits = PracticeLimits()
    water, snow = limits.holds_water_below_deg, limits.holds_snow_below_deg
    ranges: list[tuple[str, Callable[[float], bool]]] = [
        (f"below {water:g} deg", lambda slope: slope < water),
        (f"{water:g} to below {snow:g} deg", lambda slope: water <= slope < snow),
        (f"{snow:g} deg and steeper", lambda slope: slope >= snow),
    ]
    groups = []
    for label, inside in ranges:
        visits = [one for one in inspections if inside(one.slope_deg)]
        if visits:
            groups.append(OutcomeGroup(label, _share(visits, LYING_DEFECTS)))
    return _table(
        "Do steeper covers hold less snow and water?",
        "inspections that found snow lying, standing water or sag anew, by the slope of the flattest part",
        groups,
        ASSOCIATION,
    )


def _by_retensioning(
    inspections: Sequence[Replayed], actions: Sequence[Action], parameters: OutcomeParameters
) -> OutcomeTable:
    near = timedelta(days=parameters.retensioning_days)
    before: dict[str, Replayed] = {}
    after: dict[str, Replayed] = {}
    by_cover: dict[int, list[Replayed]] = defaultdict(list)
    for one in inspections:
        by_cover[one.inspection.cover_id].append(one)
    for action in actions:
        if action.action not in RETENSIONING:
            continue
        for one in by_cover[action.cover_id]:
            since = one.inspection.inspected_at - action.acted_at
            if -near <= since <= timedelta(0):
                before[one.inspection.id] = one
            elif timedelta(0) < since <= near:
                after[one.inspection.id] = one
    groups = [
        OutcomeGroup(f"{parameters.retensioning_days} days {when}", _share(list(visits.values()), BAND_DEFECTS))
        for when, visits in (("before", before), ("after", after))
        if visits
    ]
    return _table(
        "Are bands found loose less often after a re-tensioning?",
        f"inspections that found a loose or slipped band anew, in the {parameters.retensioning_days} days before and "
        f"after a re-tensioning of that cover",
        groups,
        AFTER_A_FINDING,
    )


def _table(question: str, counted: str, groups: Sequence[OutcomeGroup], caution: str) -> OutcomeTable:
    if len(groups) < 2:
        nothing = Estimate(math.nan, math.nan, math.nan, "")
        why = "Nobody was in two groups to compare." if groups else "There was no inspection that could tell."
        return OutcomeTable(question, counted, tuple(groups), nothing, why, caution)
    first, last = groups[0], groups[-1]
    less = difference(last.found, first.found)
    told = ", ".join(
        f"{group.label}: {group.found.hits} of {group.found.of} ({100 * group.estimate.value:.0f} %)"
        for group in (first, last)
    )
    span = f"{100 * less.low:+.0f} to {100 * less.high:+.0f} points"
    if less.low <= 0 <= less.high:
        sentence = f"{told}. That is no difference which these few could show ({span})."
    else:
        sentence = f"{told}. The difference is {100 * less.value:+.0f} points ({span})."
    return OutcomeTable(question, counted, tuple(groups), less, sentence, caution)


def _departures(visits: Sequence[Replayed], units: str) -> Iterator[Proposal]:
    newest = visits[-1].cover
    for departure in check_cover(newest, newest.builds[-1].built_at, units).departures:
        if departure.kind == "departs":
            yield Proposal(
                f"{departure.what}: {departure.common_practice}", f"{departure.found}. {departure.effect}", "departure"
            )


def _repeated(visits: Sequence[Replayed], parameters: OutcomeParameters) -> Iterator[Proposal]:
    times: Counter[tuple[str, str]] = Counter()
    for one in visits:
        times.update({(finding.defect, finding.place) for finding in one.brought.new})
    for (defect, place), count in sorted(times.items(), key=lambda item: (-item[1], item[0])):
        if count < parameters.repeated or defect in STAND_DEFECTS or defect not in BUILD_FOR_DEFECT:
            continue
        why = f"{defect_text(defect, place)} came anew at {count} of {len(visits)} inspections."
        yield Proposal(BUILD_FOR_DEFECT[defect], why, "repeated finding")


def _carried(visits: Sequence[Replayed], parameters: OutcomeParameters) -> Iterator[Proposal]:
    weight: dict[str, float] = defaultdict(float)
    chance: dict[str, float] = defaultdict(float)
    for one in visits:
        for reason in one.line.reasons:
            weight[reason.hazard] += reason.weight
            chance[reason.hazard] += reason.p / len(visits)
    total = sum(weight.values())
    for hazard in sorted(weight, key=lambda name: (-weight[name], name)):
        share = weight[hazard] / total if total else 0.0
        if hazard in BUILD_FOR_HAZARD and share >= parameters.carried_share and chance[hazard] >= parameters.carried_p:
            why = (
                f"{HAZARDS[hazard].label} carried {100 * share:.0f} % of its score over {len(visits)} inspections, "
                f"with a chance of {100 * chance[hazard]:.0f} % on average."
            )
            yield Proposal(BUILD_FOR_HAZARD[hazard], why, "carried the score")
