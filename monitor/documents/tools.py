"""What a party takes along, from why its covers are looked at and what is open there. Our own judgement, no source."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.inspections import STAND_DEFECTS

LEAST_P = 0.05
"""A reason calls for a tool from here on: less than 1 cover in 20 needs a hand because of it below."""

MOST_BOATS = 8
"""Boats named behind a tool; the rest are counted."""


@dataclass(frozen=True)
class Tool:
    """One thing to take, and why."""

    name: str
    why: str


@dataclass(frozen=True)
class _Rule:
    """A tool, what it is for, and the hazards and defects that call for it; without any it always goes along."""

    name: str
    why: str
    hazards: frozenset[str] = frozenset()
    defects: frozenset[str] = frozenset()

    @property
    def always(self) -> bool:
        return not (self.hazards or self.defects)


_OPEN_FILM = frozenset({"tear", "hole", "open_weld", "open_pleat"})

_RULES = (
    _Rule("phone or camera", "a photo of each finding, from near and with its place in view"),
    _Rule("torch", "to look into folds, under the edge of the film and inside"),
    _Rule(
        "tape measure",
        "how far the band is below the rub rail, how deep snow lies",
        frozenset({"snow", "gust", "slack"}),
        frozenset({"snow_lying", "loose_band", "slipped_band"}),
    ),
    _Rule(
        "soft broom, long handle",
        "snow, pushed off from the ground and from the high side",
        frozenset({"snow"}),
        frozenset({"snow_lying"}),
    ),
    _Rule(
        "hand pump and hose",
        "water in pockets, drawn off from the side with nobody below",
        frozenset({"pocket"}),
        frozenset({"standing_water"}),
    ),
    _Rule(
        "film tape",
        "first help for tears, holes, welds and pleats",
        frozenset({"gust", "freeze_thaw"}),
        _OPEN_FILM | {"chafe"},
    ),
    _Rule(
        "heat tool, extinguisher, gloves",
        "only for those trained for it whom the yard allows it, and only at a cover that is aired; open film",
        defects=_OPEN_FILM,
    ),
    _Rule(
        "band tensioner, spare buckles",
        "bands to draw tight again",
        frozenset({"slack"}),
        frozenset({"loose_band", "slipped_band", "loose_belly_band", "broken_strap"}),
    ),
    _Rule("spare vents", "vents that are gone or blocked", defects=frozenset({"vent_lost", "vent_blocked"})),
    _Rule(
        "barrier tape",
        "to keep people away: a stand that moved, ice that may fall",
        frozenset({"ice"}),
        STAND_DEFECTS | {"ice_lying", "leaning_post"},
    ),
)


def tools_for(
    hazards: Mapping[str, Mapping[str, float]],
    defects: Mapping[str, Sequence[str]],
) -> tuple[Tool, ...]:
    """The tools for some boats, each with the boats that call for it.

    Parameters
    ----------
    hazards : mapping
        Boat number to the hazards that it is looked at for, each with its p.
    defects : mapping
        Boat number to the defects open on it.
    """
    taken = []
    for rule in _RULES:
        boats = [
            boat
            for boat, of_boat in hazards.items()
            if any(p >= LEAST_P for hazard, p in of_boat.items() if hazard in rule.hazards)
            or not rule.defects.isdisjoint(defects.get(boat, ()))
        ]
        if rule.always:
            taken.append(Tool(rule.name, rule.why))
        elif boats:
            every = len(boats) == len(hazards) > 1
            taken.append(Tool(rule.name, f"{rule.why}: {'every cover' if every else _boats_text(boats)}"))
    return tuple(taken)


def _boats_text(boats: Sequence[str]) -> str:
    shown = ", ".join(boats[:MOST_BOATS])
    more = len(boats) - MOST_BOATS
    return f"{shown} and {more} more" if more > 0 else shown
