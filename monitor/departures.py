"""What a cover's build comes to, and where it departs from common practice: shown with its effect, never refused."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from monitor.register import (
    BAND_DROP_M,
    BELLY_BAND_SPACING_M,
    FILM_TUCK_M,
    INCH_M,
    Boat,
    Cover,
    CoverBuild,
    Panel,
    belly_band_spacing_m,
    film_width_m,
    flattest_slope_deg,
    panel_slopes_deg,
    ridge_to_rub_rail_m,
)
from monitor.units import show_length

COMMON_PRACTICE = "common practice, no source"
OWN_JUDGEMENT = "our own judgement"

Origin = Literal["measured", "from ridge and half-beam", "as steep as the sides"]


@dataclass(frozen=True)
class PracticeLimits:
    """From where on a build counts as departing. Only the practice itself is the trade's; the limits are our choice."""

    band_drop_tolerance_m: float = 2 * INCH_M
    """What "about 8 in" may mean, up or down. [m]"""
    belly_band_spacing_m: float = 6 * 12 * INCH_M
    """The 6 ft of common practice, without the rounding to 1.8 m. [m]"""
    holds_water_below_deg: float = 12.0
    """Where the pocket store of the snow model ends: a sag between straps is deeper than the slope. Heuristic. [deg]"""
    holds_snow_below_deg: float = 15.0
    """Where sliding starts in the snow model: ASCE 7-16 takes 15 deg for a slippery surface that is not heated, and a
    TPO membrane, the nearest to film, let fresh snow go at 15 deg in the laboratory (NRC Canada, abstract). [deg]"""
    vents: int = 2
    """Air passes in at one vent and out at another; with one alone it hardly passes."""


@dataclass(frozen=True)
class PanelSlope:
    """Slope of a panel, and whether it was measured, follows from ridge and half-beam, or is taken from the sides."""

    panel: Panel
    slope_deg: float
    origin: Origin


@dataclass(frozen=True)
class Departure:
    """One point in which a build departs from common practice, or that was not recorded; texts to be shown.

    ``effect`` is one plain sentence: what follows for the cover, or what the missing record hides. ``basis`` says
    what ``common_practice`` and ``effect`` rest on.
    """

    kind: Literal["departs", "not recorded"]
    what: str
    found: str
    common_practice: str
    effect: str
    basis: str

    def __str__(self) -> str:
        if self.kind == "not recorded":
            return f"{self.what}: {self.found}. {self.effect}"
        return f"{self.what}: {self.found}; expected {self.common_practice} ({self.basis}). {self.effect}"


@dataclass(frozen=True)
class CoverCheck:
    """A cover's build in numbers. None where the records do not give the value.

    ``film_width_m`` is the width that common practice orders for this ridge and beam; ``vent_area_m2`` is of all vents.
    """

    slopes: tuple[PanelSlope, ...]
    flattest_slope_deg: float
    flattest_measured: bool
    film_width_m: float | None
    belly_band_spacing_m: float | None
    vent_area_m2: float | None
    departures: tuple[Departure, ...]


def check_cover(
    cover: Cover, moment: datetime, units: str = "metric", limits: PracticeLimits | None = None
) -> CoverCheck:
    """Slopes, film width, band spacing and vent area of the build in force at a moment (UTC), and its departures.

    Parameters
    ----------
    cover : Cover
        A slope or the height of the ridge must be known for each panel.
    moment : datetime
        With its zone; before the first build the first one is taken.
    units : str
        Units in the sentences, ``metric`` or ``us``. The numbers of the result are SI.
    limits : PracticeLimits, optional
        Other limits than ours.

    Raises
    ------
    ValueError
        Where neither slope nor ridge is known for a panel.
    """
    build, boat = cover.build_at(moment), cover.boat
    slopes = _panel_slopes(build, boat)
    film_width = None
    if build.ridge_rise_m is not None:
        film_width = film_width_m(ridge_to_rub_rail_m(build.ridge_rise_m, boat.beam_m))
    return CoverCheck(
        slopes=slopes,
        flattest_slope_deg=flattest_slope_deg(build, boat.beam_m),
        flattest_measured=build.flattest_slope_deg is not None,
        film_width_m=film_width,
        belly_band_spacing_m=belly_band_spacing_m(build, boat.length_m),
        vent_area_m2=_vent_area_m2(build),
        departures=tuple(_departures(build, boat, slopes, units, limits or PracticeLimits())),
    )


def _panel_slopes(build: CoverBuild, boat: Boat) -> tuple[PanelSlope, ...]:
    measured: dict[Panel, float | None] = {
        "bow": build.bow_slope_deg,
        "port": build.port_slope_deg,
        "starboard": build.starboard_slope_deg,
        "stern": build.stern_slope_deg,
    }
    unmeasured: dict[Panel, Origin] = {
        "bow": "as steep as the sides",
        "port": "from ridge and half-beam",
        "starboard": "from ridge and half-beam",
        "stern": "as steep as the sides",
    }
    return tuple(
        PanelSlope(panel, slope_deg, unmeasured[panel] if measured[panel] is None else "measured")
        for panel, slope_deg in panel_slopes_deg(build, boat.beam_m).items()
    )


def _vent_area_m2(build: CoverBuild) -> float | None:
    if build.vent_count == 0:
        return 0.0
    return None if build.vent_area_m2 is None else build.vent_count * build.vent_area_m2


def _departures(
    build: CoverBuild, boat: Boat, slopes: tuple[PanelSlope, ...], units: str, limits: PracticeLimits
) -> Iterator[Departure]:
    yield from _slope_departures(build, slopes, limits)
    yield from _band_departures(build, boat, units, limits)
    yield from _frame_and_air_departures(build, limits)
    yield from _not_recorded(build, boat, units)


def _slope_departures(build: CoverBuild, slopes: tuple[PanelSlope, ...], limits: PracticeLimits) -> Iterator[Departure]:
    parts: list[tuple[str, float]] = [(slope.panel, slope.slope_deg) for slope in slopes]
    if build.flattest_slope_deg is not None:
        parts.append(("flattest part", build.flattest_slope_deg))

    def below(limit_deg: float) -> str:
        return ", ".join(f"{part} {slope_deg:.1f} deg" for part, slope_deg in parts if slope_deg < limit_deg)

    if found := below(limits.holds_water_below_deg):
        yield Departure(
            "departs",
            "slope for water",
            found,
            f"{limits.holds_water_below_deg:g} deg or more on every panel",
            "Rain and melt water stay in the sag between the straps instead of running off.",
            f"that every panel slopes is {COMMON_PRACTICE}; the angle is {OWN_JUDGEMENT}",
        )
    if found := below(limits.holds_snow_below_deg):
        yield Departure(
            "departs",
            "slope for snow",
            found,
            f"{limits.holds_snow_below_deg:g} deg or more on every panel",
            "Snow does not slide off by itself; it lies until it melts or is pushed off.",
            "ASCE 7-16, slippery unheated surface; fresh snow slid off a TPO membrane at 15 deg (NRC Canada, abstract)",
        )
    assumed = [slope.panel for slope in slopes if slope.origin == "as steep as the sides"]
    if assumed:
        yield Departure(
            "not recorded",
            "slope of the ends",
            f"{' and '.join(assumed)} not measured, taken as steep as the sides",
            "a measured slope for each end",
            "An end that is flatter holds more snow and water than is shown here.",
            OWN_JUDGEMENT,
        )


def _band_departures(build: CoverBuild, boat: Boat, units: str, limits: PracticeLimits) -> Iterator[Departure]:
    drop_m = build.band_drop_m
    if drop_m is not None and abs(drop_m - BAND_DROP_M) > limits.band_drop_tolerance_m + 1e-9:
        change = _about(2 * abs(drop_m - BAND_DROP_M), units)
        yield Departure(
            "departs",
            "perimeter band drop",
            f"{_about(drop_m, units)} below the rub rail",
            f"about {_about(BAND_DROP_M, units)}, give or take {_about(limits.band_drop_tolerance_m, units)}",
            f"The film {'must' if drop_m > BAND_DROP_M else 'may'} be {change} "
            f"{'wider' if drop_m > BAND_DROP_M else 'narrower'} than usual for {_about(FILM_TUCK_M, units)} of tuck.",
            f"{COMMON_PRACTICE}; the tolerance is {OWN_JUDGEMENT}",
        )
    spacing_m = belly_band_spacing_m(build, boat.length_m)
    if spacing_m is not None and spacing_m > limits.belly_band_spacing_m + 1e-9:
        found = _about(spacing_m, units)
        if build.belly_band_spacing_m is None:
            found = f"{found} by their count along the hull" if build.belly_band_count else "no bands"
        yield Departure(
            "departs",
            "belly band spacing",
            found,
            f"{_about(limits.belly_band_spacing_m, units)} or less",
            f"The ranking counts the work of gusts {spacing_m / BELLY_BAND_SPACING_M:.1f} times.",
            COMMON_PRACTICE,
        )


def _about(length_m: float, units: str) -> str:
    """A length to the centimetre or the inch: practice is no finer."""
    return show_length(round(length_m, 2) if units == "metric" else length_m, units)


def _frame_and_air_departures(build: CoverBuild, limits: PracticeLimits) -> Iterator[Departure]:
    if build.post_count == 0:
        yield Departure(
            "departs",
            "support posts",
            "none",
            "a middle post to about 10 in (0.25 m) above the highest point of the boat, under a ridge strap",
            "Nothing holds the ridge strap up between bow and stern, so the ridge can sink and the panels flatten.",
            COMMON_PRACTICE,
        )
    if build.vent_count < limits.vents:
        yield Departure(
            "departs",
            "vents",
            "none" if build.vent_count == 0 else str(build.vent_count),
            f"vents at the high points, {limits.vents} at the least",
            "Air passes in at one vent and out at another; without both, damp stays longer.",
            f"vents at the high points are {COMMON_PRACTICE}; the number is {OWN_JUDGEMENT}",
        )


def _not_recorded(build: CoverBuild, boat: Boat, units: str) -> Iterator[Departure]:
    spacing_m = belly_band_spacing_m(build, boat.length_m)
    gaps = [
        (
            build.ridge_rise_m is None,
            "ridge above rub rail",
            "The width of film for this cover cannot be worked out.",
        ),
        (
            build.flattest_slope_deg is None,
            "slope of the flattest part",
            "The flattest panel stands for it; a dip between straps that is flatter does not show.",
        ),
        (
            build.band_drop_m is None,
            "perimeter band drop",
            "A band that has slipped cannot be told by measuring it again.",
        ),
        (
            spacing_m is None,
            "belly bands",
            f"The ranking takes them as {_about(BELLY_BAND_SPACING_M, units)} apart; wider ones do not show.",
        ),
        (
            build.post_count is None,
            "support posts",
            "A ridge without a post under it does not show.",
        ),
        (
            build.vent_count > 0 and build.vent_area_m2 is None,
            "free area of the vents",
            "The air that they let through rests on an assumed size.",
        ),
        (
            build.film_thickness_mm is None,
            "film thickness",
            "A tear in thin film and a tear in strong wind look the same afterwards.",
        ),
    ]
    for missing, what, hidden in gaps:
        if missing:
            yield Departure("not recorded", what, "not recorded", "a record", hidden, OWN_JUDGEMENT)
