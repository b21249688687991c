"""What to do before a storm: which hazards of which cover grow from the ranking of now to the one ahead. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.ranking import HAZARDS, RankedCover, Reason
from monitor.wording import exposure_text

MOST_HAZARDS = 2
"""Hazards named for one cover: what grows most; a crew before a storm has time for little more."""

LEAST_GROWTH = 0.02
"""Growth of -ln(1 - p) from which a hazard is worth a hand beforehand: about 2 covers more in 100."""


@dataclass(frozen=True)
class Preparation:
    """One thing to do at one cover before the weather comes; ``now`` and ``then`` are exposures, None where unknown.

    ``growth`` is what the hazard adds to the cover's score, on the scale on which hazards add up.
    """

    boat: str
    cover: int
    hazard: str
    now: float | None
    then: float | None
    unit: str
    growth: float
    what: str

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return dict(vars(self))


def before_the_storm(now: Sequence[RankedCover], then: Sequence[RankedCover]) -> list[Preparation]:
    """What to do now at each cover because of weather to come; the cover whose score grows most comes first.

    Parameters
    ----------
    now, then : sequence of RankedCover
        The same covers ranked at one moment and further ahead.

    Returns
    -------
    list of Preparation
        For each cover that any hazard of the weather grows on: what is open there first, then the hazards that grow
        most. A cover on which nothing grows is left out.
    """
    current = {line.cover: line for line in now}
    found = []
    for line in then:
        before = {reason.hazard: reason for reason in current[line.cover].reasons}
        growing = sorted(
            ((_growth(before.get(reason.hazard), reason), reason) for reason in line.reasons if _prepares(reason)),
            key=lambda pair: (-pair[0], pair[1].hazard),
        )
        growing = [(growth, reason) for growth, reason in growing if growth >= LEAST_GROWTH][:MOST_HAZARDS]
        if growing:
            items = [_item(line, before.get(reason.hazard), reason, growth) for growth, reason in growing]
            found.append((sum(growth for growth, _ in growing), [*_open(line), *items]))
    found.sort(key=lambda pair: -pair[0])  # stable: equal ones stay in the order of the ranking ahead
    return [item for _, items in found for item in items]


def preparation_text(item: Preparation, units: str) -> str:
    """One thing to do in one line: ``gust from not known to 266 Pa: tighten ...``, in the yard's units."""
    label = HAZARDS[item.hazard].label
    if item.hazard == "open_finding":
        return f"{label}: {item.what}"
    first, last = (
        "not known" if value is None else exposure_text(item.hazard, value, units) for value in (item.now, item.then)
    )
    return f"{label} from {first} to {last}: {item.what}"


def by_cover(items: Sequence[Preparation]) -> Mapping[int, list[Preparation]]:
    """The things to do of each cover, in their order."""
    grouped: dict[int, list[Preparation]] = {}
    for item in items:
        grouped.setdefault(item.cover, []).append(item)
    return grouped


def _prepares(reason: Reason) -> bool:
    return bool(HAZARDS[reason.hazard].before) and reason.hazard != "open_finding"


def _growth(before: Reason | None, then: Reason) -> float:
    return then.weight - (0.0 if before is None else before.weight)


def _item(line: RankedCover, before: Reason | None, then: Reason, growth: float) -> Preparation:
    hazard = HAZARDS[then.hazard]
    value = 0.0 if before is None else before.value
    return Preparation(line.boat, line.cover, hazard.name, value, then.value, hazard.unit, growth, hazard.before)


def _open(line: RankedCover) -> list[Preparation]:
    """The cover's open finding: put right first, or told to the stand crew where it is theirs."""
    for reason in line.reasons:
        if reason.hazard == "open_finding":
            hazard = HAZARDS["open_finding"]
            stands = reason.check != hazard.check
            what = f"{reason.note}: {reason.check}" if stands else f"{hazard.before}: {reason.note}"
            return [Preparation(line.boat, line.cover, hazard.name, reason.value, reason.value, hazard.unit, 0.0, what)]
    return []
