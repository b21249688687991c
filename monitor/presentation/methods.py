"""The formulas behind a proposal's numbers: after whom each is, and which of them are our own. Pure."""

from collections.abc import Sequence

from monitor.explanation import METHODS
from monitor.presentation.proposal import Topic

_HAZARDS_OF: dict[Topic, tuple[str, ...]] = {
    "bands": ("slack", "gust", "open_finding"),
    "air": ("damp", "freeze_thaw"),
    "slope": ("snow", "pocket", "gust", "slack", "freeze_thaw", "damp"),
    "film": ("open_finding", "gust", "freeze_thaw"),
}
"""Hazards whose formulas the numbers of each topic rest on: a steeper ridge moves them all."""

_MOULD = (
    "mould index: growth and decline by temperature and humidity, four classes of material",
    "Hukka & Viitanen 1999, Wood Sci. Technol. 33:475; classes Ojanen & Viitanen",
)


def methods_of(topics: Sequence[Topic]) -> list[tuple[str, str, str]]:
    """Formula, reference and origin of everything that the numbers rest on, each once."""
    rows = dict.fromkeys(row for topic in topics for name in _HAZARDS_OF[topic] for row in METHODS[name])
    used = [*rows, *([_MOULD] if {"air", "slope"} & set(topics) else [])]
    return [(formula, reference, origin(reference)) for formula, reference in used]


def origin(reference: str) -> str:
    """Whether a formula is published, our own, partly ours, plain physics, or read off the log, by its reference."""
    if reference.startswith("our own") or reference.endswith("our own argument"):
        return "our own judgement"
    if reference == "the yard's log":
        return "log"
    in_part = ("is ours", "are our", "is our", "from memory")
    if reference.startswith(("weight of water", "heat balance")):
        return "physics"
    return "published, in part our own" if any(words in reference for words in in_part) else "published"
