"""What can be proposed for a cover, for command line and web app alike: names, meanings, limits, and how it is read."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from monitor.errors import StormwalkError
from monitor.inspections import plain_word
from monitor.register import FILM_COLOURS, GROUNDS
from monitor.units import UnreadableError, parse_quantity

LONGEST_PRICE = 200
"""Letters of the yard's price in a memo."""


@dataclass(frozen=True)
class ChangeOption:
    """One thing to change: ``field`` is its name in `monitor.changes.Change`, empty for what is done on the day.

    More than ``most`` is a slip of the pen; in the base unit of its kind (1, m2, m).
    """

    name: str
    field: str
    meaning: str
    kind: Literal["count", "area", "length", "choice", "yes", "text"]
    most: float = 0.0
    choices: tuple[str, ...] = ()

    @property
    def flag(self) -> str:
        """As the command line calls it."""
        return "--" + self.name.replace("_", "-")

    @property
    def label(self) -> str:
        """As a form calls it."""
        return plain_word(self.name).capitalize()


BUILD_OPTIONS = (
    ChangeOption("vents", "vents", "So many vents.", "count", most=200),
    ChangeOption("vent_area", "vent_area_m2", "Free area of each vent, such as 18in2 or 115cm2.", "area", most=1.0),
    ChangeOption("ridge_raise", "ridge_raise_m", "A ridge so much higher, such as 12in or 30cm.", "length", most=5.0),
    ChangeOption("belly_spacing", "belly_spacing_m", "Belly bands so far apart, such as 6ft or 1.8m.", "length", 100.0),
    ChangeOption("ground", "ground", "Ground under the boat.", "choice", choices=GROUNDS),
    ChangeOption("film_colour", "film_colour", "Colour of the film.", "choice", choices=FILM_COLOURS),
)
"""Changes of the build."""

DAY_OPTIONS = (
    ChangeOption("retension", "", "All bands re-tensioned now.", "yes"),
    ChangeOption("rewrap", "", "New film now.", "yes"),
)
"""What restarts something on the day."""

RETENSIONED_AT = ChangeOption(
    "retensioned_at", "", "With re-tensioning: the season's slack as if it had been done then too.", "text"
)
PRICE = ChangeOption("price", "", "The yard's price, as it is to stand there.", "text", most=LONGEST_PRICE)


class ContradictionError(StormwalkError):
    """Two options that exclude each other."""


def change_fields(given: Mapping[str, Any], called: Callable[[ChangeOption], str]) -> dict[str, Any]:
    """The fields of a `Change` of the build, from texts or numbers by the option's name; None and "" leave one out.

    Parameters
    ----------
    given : mapping
        By the option's name; other keys are left alone.
    called : callable
        How the reader knows an option, for sentences: its flag or its label.

    Raises
    ------
    ContradictionError
        No vents, and an area of each.
    StormwalkError
        What stands there is unreadable or beyond its limit.
    """
    found = {
        option.field: _read(option, given[option.name], called(option))
        for option in BUILD_OPTIONS
        if given.get(option.name) not in (None, "")
    }
    if found.get("vents") == 0 and "vent_area_m2" in found:
        vents, area = (called(option) for option in BUILD_OPTIONS[:2])
        raise ContradictionError(f"{vents} 0 leaves no vent that {area} could be of.")
    return found


def _read(option: ChangeOption, value: Any, called: str) -> Any:
    if option.kind == "count":
        text = str(value).strip()
        if not (text.isascii() and text.isdecimal()) or len(text) > 9 or int(text) > option.most:
            raise StormwalkError(
                f"{called}: found {text[:40]!r}, expected a whole number from 0 to {option.most:g}. Nothing was worked "
                f"out."
            )
        return int(text)
    if option.kind == "choice":
        if value not in option.choices:
            raise StormwalkError(
                f"{called}: found {str(value)[:40]!r}, expected one of {', '.join(option.choices)}. Nothing was worked "
                f"out."
            )
        return value
    return _quantity(option, str(value), called)


def _quantity(option: ChangeOption, text: str, called: str) -> float:
    """A quantity above zero in its base unit."""
    try:
        value = parse_quantity(text, "area" if option.kind == "area" else "length", None)
    except UnreadableError as error:
        raise StormwalkError(f"{called}: {error}. Nothing was worked out.") from None
    if not 0 < value <= option.most:
        unit = "m2" if option.kind == "area" else "m"
        raise StormwalkError(
            f"{called}: {text} is not above 0 and at most {option.most:g} {unit}. Nothing was worked out."
        )
    return value
