"""What a proposal takes by common practice: vents, bands, posts, film. Pure."""

import math
from dataclasses import dataclass

from monitor.changes import Change
from monitor.departures import COMMON_PRACTICE
from monitor.hazards.cover_air import AirParameters
from monitor.register import (
    BAND_DROP_M,
    BELLY_BAND_SPACING_M,
    FILM_TUCK_M,
    INCH_M,
    Cover,
    CoverBuild,
    film_width_m,
    ridge_to_rub_rail_m,
)
from monitor.units import NOT_KNOWN, show_area, show_length

END_OVER_M = 6 * INCH_M
"""Film left over at each end: common practice, no source."""

WIDTH_CHECK = "worked check: 72 in from ridge to rub rail gives 2 x (72 + 8 + 6) = 172 in"


@dataclass(frozen=True)
class Need:
    """One thing that a proposal takes: how much, how that is worked out, and what the rule rests on."""

    what: str
    amount: str
    how: str
    basis: str = COMMON_PRACTICE


def belly_band_count(length_m: float, spacing_m: float) -> int:
    """Fewest belly bands, evenly along the hull, that stand no further apart than this; at least one.

    The spacing of n bands is the length over n + 1, as `register.belly_band_spacing_m` has it.
    """
    return max(math.ceil(length_m / spacing_m - 1e-9) - 1, 1)


def film_length_m(length_m: float) -> float:
    """Length of film over a hull: at each end band drop, tuck and what is left over besides. [m]

    Common practice, no source, for a hull without anything that stands out over its ends.
    """
    return length_m + 2 * (BAND_DROP_M + FILM_TUCK_M + END_OVER_M)


def needs(
    cover: Cover, build: CoverBuild, after: CoverBuild, change: Change, *, bands: bool, film: bool, units: str
) -> tuple[Need, ...]:
    """What it takes to make ``build`` into ``after``; ``bands`` are re-tensioned, ``film`` is new."""
    rows: list[Need] = []
    if change.of_vents:
        rows += _vents(build, after, units)
    if bands or film or change.belly_spacing_m is not None:
        rows += _bands(cover, build, after, change, units)
    if change.ridge_raise_m is not None:
        rows += _ridge(cover, after, change.ridge_raise_m, units)
    if film or change.ridge_raise_m is not None or change.film_colour is not None:
        rows += _film(cover, after, units)
    if change.ground is not None:
        boat = cover.boat
        plan = boat.length_m * boat.beam_m
        shown = f"{plan:.0f} m²" if units == "metric" else f"{plan / (12 * INCH_M) ** 2:.0f} ft²"
        rows.append(
            Need("ground under the boat", shown, "length times beam, to drain or to lay a sheet on", "our own estimate")
        )
    return tuple(rows)


def _vents(build: CoverBuild, after: CoverBuild, units: str) -> list[Need]:
    recorded = after.vent_area_m2
    each_m2 = AirParameters().vent_m2 if recorded is None else recorded
    taken = (
        "taken as this, because nobody recorded it (our own guess)" if recorded is None else "as recorded or proposed"
    )
    more = after.vent_count - build.vent_count
    bigger = after.vent_area_m2 != build.vent_area_m2
    what = "vents to add" if more >= 0 else "vents to close"
    rows = [
        Need(
            what, str(abs(more)), f"{after.vent_count} in place of {build.vent_count}; at the high points, cut in last"
        )
    ]
    if bigger and build.vent_count:
        rows.append(Need("vents to replace", str(min(build.vent_count, after.vent_count)), "of another free area"))
    rows.append(Need("free area of each vent", show_area(each_m2, units), taken))
    rows.append(
        Need("free area of all vents", show_area(each_m2 * after.vent_count, units), f"{after.vent_count} of them")
    )
    return rows


def _bands(cover: Cover, build: CoverBuild, after: CoverBuild, change: Change, units: str) -> list[Need]:
    length_m = cover.boat.length_m
    spacing_m = change.belly_spacing_m or BELLY_BAND_SPACING_M
    spacing = "6 ft (1.8 m)" if change.belly_spacing_m is None else show_length(spacing_m, units)
    count = belly_band_count(length_m, spacing_m)
    recorded = "not recorded" if build.belly_band_count is None else f"{build.belly_band_count} recorded"
    rows = [
        Need(
            "belly bands",
            str(count),
            f"every {spacing} or less along {show_length(length_m, units)} of hull; {recorded}; "
            f"snug, not over-tight, buckles taped",
        ),
        Need(
            "perimeter band",
            "1",
            f"{show_length(BAND_DROP_M, units)} below the rub rail; "
            f"{'not recorded' if after.band_drop_m is None else show_length(after.band_drop_m, units) + ' recorded'}",
        ),
        Need("ridge strap", show_length(length_m, units), "from bow to stern, one, with what its buckles take besides"),
    ]
    return rows


def _ridge(cover: Cover, after: CoverBuild, raise_m: float, units: str) -> list[Need]:
    posts = after.post_count
    return [
        Need(
            "support posts to set higher",
            NOT_KNOWN if posts is None else str(posts),
            f"each by {show_length(raise_m, units)}; the middle one is {show_length(10 * INCH_M, units)} above the "
            f"highest point of the boat at the least",
        )
    ]


def _film(cover: Cover, after: CoverBuild, units: str) -> list[Need]:
    boat = cover.boat
    if after.ridge_rise_m is None:
        width = Need("film width", NOT_KNOWN, "the height of the ridge above the rub rail is not recorded: measure it")
    else:
        along_m = ridge_to_rub_rail_m(after.ridge_rise_m, boat.beam_m)
        width_m = film_width_m(along_m)
        width = Need(
            "film width",
            _film_text(width_m, units),
            f"2 x ({_film_text(along_m, units)} from ridge to rub rail + {show_length(BAND_DROP_M, units)} + "
            f"{show_length(FILM_TUCK_M, units)}); {WIDTH_CHECK}",
        )
    length = Need(
        "film length",
        _film_text(film_length_m(boat.length_m), units),
        f"{show_length(boat.length_m, units)} of hull + 2 x ({show_length(BAND_DROP_M, units)} + "
        f"{show_length(FILM_TUCK_M, units)} + {show_length(END_OVER_M, units)} left over); what stands out over bow "
        f"and stern comes on top, by the tape",
    )
    return [width, length]


def _film_text(length_m: float, units: str) -> str:
    """Film is ordered by the inch, or the centimetre."""
    return f"{length_m / INCH_M:.0f} in" if units == "us" else f"{length_m:.2f} m"
