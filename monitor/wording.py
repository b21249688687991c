"""How moments, numbers and reasons are put into words: the same on the command line, on pages and in documents."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from monitor.inspections import plain_word as plain_word
from monitor.register import Boat
from monitor.units import display_unit, show_load, show_pressure, show_water

if TYPE_CHECKING:  # a listing of the log needs moments in words, not numpy
    from monitor.ranking import RankedCover, Reason

OWN_JUDGEMENT = (
    "The order comes from curves that are our own judgement, not a published rule; calibrate them with your own "
    "inspections. Loads and pressures are modelled, not measured, and no check of a structure."
)
"""Said wherever a ranking is shown."""

DAYS_WITHOUT_YEAR = 300
"""From so many days ago on, a moment is told with its year."""

COUNTED = frozenset({"freeze_thaw", "ice", "damp"})
"""Hazards that add up over time: the hour of their reason is the last one that added."""

CAUTIONS = (
    "Two people, always. Nobody under or on a loaded cover.",
    "Push snow off from the ground with a soft broom, from the high side; never lift a loaded cover. Or leave it.",
    "Ladders footed, tied and off ice; none in wind. Look up for power lines.",
    "No open flame or heat tool near fuel, vapour or batteries, nor under an unventilated cover. Extinguisher at hand, "
    "gloves on.",
    "Stands and blocking only by the people trained for them. Never tie a cover or its straps to a stand.",
    "Stop, and keep away, if the boat or a stand has moved.",
    "Local rules, the yard's own procedures and licensed practice come first.",
)
"""Short, and every time, wherever work at a cover is planned or described."""


def utc_text(moment: datetime) -> str:
    """``2026-02-21T19:00:00Z``."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def local_text(moment: datetime, time_zone: str, *, year: bool = False) -> str:
    """A moment on the yard's clock: ``Sat 21 Feb 14:00 EST``, the year too where asked."""
    local = moment.astimezone(ZoneInfo(time_zone))
    return f"{local:%a} {local.day} {local:%b %Y %H:%M %Z}" if year else f"{local:%a} {local.day} {local:%b %H:%M %Z}"


def source_text(source: str) -> str:
    """``metar-archive:observed`` as a person reads it: ``metar-archive, observed``."""
    return source.replace(":", ", ")


def berth_text(boat: Boat) -> str:
    """Where the boat stands: ``row B, place 4``."""
    return f"row {boat.row}, place {boat.place}"


def defect_text(defect: str, place: str) -> str:
    """What was seen and where: ``loose band at port``; ``damp inside`` alone, because its words say where."""
    what, where = plain_word(defect), plain_word(place)
    return what if where.removesuffix("s") in what else f"{what} at {where}"


def exposure_text(hazard: str, value: float, units: str) -> str:
    """One hazard's exposure with its unit, in the yard's units (``metric`` or ``us``)."""
    from monitor.ranking import HAZARDS

    if hazard == "snow":
        return show_load(value, units)
    if hazard in ("pocket", "ice"):
        return show_water(value, units)
    if hazard == "gust":
        return show_pressure(value, units)
    if hazard == "slack":
        if units == "us":
            return f"{value * display_unit('load', units).factor:.0f} psf h"
        return f"{value:.1f} kPa h"
    if hazard == "open_finding":
        return f"severity {value:.0f}"
    if hazard == "unseen":
        return f"{value:.1f} days"
    unit = HAZARDS[hazard].unit
    return f"{value:.0f} {unit[:-1] if unit == 'cycles' and round(value) == 1 else unit}"


HARDLY_ANY_KNOWN = 0.995
"""A share of missing hours that is printed as 100 %."""


def reason_value_text(reason: "Reason", units: str) -> str:
    """The number of a reason with its unit; ``not known`` where no hour is, or none to speak of and the sum is 0."""
    if reason.value is None or (reason.value == 0 and reason.missing_share >= HARDLY_ANY_KNOWN):
        return "not known"
    return exposure_text(reason.hazard, reason.value, units)


def threshold_text(reason: "Reason", units: str) -> str:
    """The two numbers of the curve: ``1 in 10 at 3.1, 1 in 2 at 10.4 psf``; empty where there is no curve."""
    if reason.threshold is None:
        return ""
    low, half = (exposure_text(reason.hazard, reason.threshold[key], units) for key in ("one_in_ten", "one_in_two"))
    if low.partition(" ")[2] == half.partition(" ")[2]:
        low = low.partition(" ")[0]
    return f"1 in 10 at {low}, 1 in 2 at {half}"


def missing_text(missing_share: float) -> str:
    """``3 % of the hours missing``; empty where none is."""
    if missing_share <= 0:
        return ""
    return f"{max(missing_share * 100, 0.1):.{0 if missing_share >= 0.01 else 1}f} % of the hours missing"


def reason_when_text(reason: "Reason", time_zone: str) -> str:
    """The hour of a reason, and what it means where it is not simply its own; empty where it has none."""
    if reason.hour_ending is None:
        return ""
    long_ago = reason.hazard == "unseen" and (reason.value or 0) > DAYS_WITHOUT_YEAR
    when = local_text(reason.hour_ending, time_zone, year=long_ago)
    if reason.hazard == "unseen":
        return f"wrapped {when}" if reason.note else f"last inspection {when}"
    return f"last {when}" if reason.hazard in COUNTED else when


def reason_text(reason: "Reason", time_zone: str, units: str) -> str:
    """A reason in one line: what, how much, when, from where, against what, and how much of it is unknown."""
    from monitor.ranking import HAZARDS

    first = f"{HAZARDS[reason.hazard].label} {reason_value_text(reason, units)}"
    said = ", ".join(part for part in (first, reason_when_text(reason, time_zone), reason.note) if part)
    parts = [
        f"{said} ({source_text(reason.source)})" if reason.source else said,
        threshold_text(reason, units),
        missing_text(reason.missing_share),
    ]
    return "; ".join(part for part in parts if part)


def headline(line: "RankedCover", boat: Boat) -> str:
    """A ranked cover in one line: ``1  walk first  0.78  07 Kestrel, row B, place 4``."""
    return f"{line.rank:>3}  {line.call:<10}  {line.score:.2f}  {boat.number} {boat.name}, {berth_text(boat)}"
