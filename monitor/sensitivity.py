"""What a modelled result hangs on: each input with a kinder and a harsher value, and how to measure it. Pure."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from monitor.hazards.series import HazardParameters, YardWeather
from monitor.register import SHELTERS, Cover, CoverBuild, panel_slopes_deg

End = Literal["kinder", "harsher"]
ENDS: tuple[End, End] = ("kinder", "harsher")

ActsOn = Literal["cover", "snow", "weather"]


@dataclass(frozen=True)
class InputBounds:
    """How far each input may be off: our own judgement, with what there is to lean on. Kinder value first.

    slope_deg
        Error of a slope, read with an inclinometer on film that gives, or derived from ridge and beam.
    height_m
        Error of the height of the ridge above the ground, judged by eye.
    wet_ground
        Factors on the wet share of the ground: half to twice.
    vent_area_m2
        Free area of a vent where nobody recorded it: the bounds of `AirParameters`.
    vent_area
        Factors on a recorded one: a mesh or film that stands in the way.
    leak_m2
        Area of all gaps at the band: the bounds of `AirParameters`.
    film_transmits
        Factors on the share of the sun that the film lets through; sunlight dries. White film is given 0.2 to 0.5.
    cloud_tenths
        Added to a cloud that nobody reported: more cloud keeps the film warmer at night.
    slide_start_deg, slide_rate, melt_factor_mm_per_k_h
        The bounds of `SnowParameters`.
    pocket_sag_mm
        Of a tight and of a slack panel.
    """

    slope_deg: tuple[float, float] = (3.0, -3.0)
    height_m: tuple[float, float] = (-0.5, 0.5)
    wet_ground: tuple[float, float] = (0.5, 2.0)
    vent_area_m2: tuple[float, float] = (0.02, 0.003)
    vent_area: tuple[float, float] = (1.2, 0.8)
    leak_m2: tuple[float, float] = (0.03, 0.0)
    film_transmits: tuple[float, float] = (1.5, 0.67)
    cloud_tenths: tuple[float, float] = (2.5, -2.5)
    slide_start_deg: tuple[float, float] = (10.0, 20.0)
    slide_rate: tuple[float, float] = (0.4, 0.05)
    melt_factor_mm_per_k_h: tuple[float, float] = (0.25, 0.10)
    pocket_sag_mm: tuple[float, float] = (15.0, 40.0)


@dataclass(frozen=True)
class Input:
    """One thing that a result hangs on.

    ``acts_on`` says where its change is made: in a cover, in the parameters of the snow, or in those of everything.
    ``cover`` and ``parameters`` make it; the one that is not meant leaves what it gets. ``measure`` is what somebody
    can do to know it better.
    """

    name: str
    label: str
    measure: str
    acts_on: ActsOn
    cover: Callable[[Cover, End], Cover] = lambda cover, _: cover
    parameters: Callable[[HazardParameters, End], HazardParameters] = lambda parameters, _: parameters


def inputs_for(weather: YardWeather, parameters: HazardParameters, bounds: InputBounds) -> list[Input]:
    """The inputs that are in question for a yard: its cloud only where some was estimated."""
    reported = not bool(np.any(weather.sky.cloud_estimated))
    return [one for one in _inputs(parameters, bounds) if not (one.name == "cloud" and reported)]


def with_words_for_ends(parameters: HazardParameters, bounds: InputBounds) -> HazardParameters:
    """The parameters with a kinder and a harsher word beside each of ground and film colour: ``damp, kinder``.

    So a cover can be put on wetter ground without other parameters, and all such covers are worked out together.
    """
    air = parameters.air
    ground, film = dict(air.wet_ground), dict(air.film_sun)
    for place, end in enumerate(ENDS):
        for word, share in air.wet_ground.items():
            ground[_word(word, end)] = min(share * bounds.wet_ground[place], 1.0)
        for word, (absorbs, transmits) in air.film_sun.items():
            film[_word(word, end)] = (absorbs, min(transmits * bounds.film_transmits[place], 1 - absorbs))
    return replace(parameters, air=replace(air, wet_ground=ground, film_sun=film))


def _inputs(parameters: HazardParameters, bounds: InputBounds) -> list[Input]:
    air = parameters.air

    def number(pair: tuple[float, float], end: End) -> float:
        return pair[ENDS.index(end)]

    def snow(parameter: str, pair: tuple[float, float]) -> Callable[[HazardParameters, End], HazardParameters]:
        def changed(given: HazardParameters, end: End) -> HazardParameters:
            chosen: dict[str, Any] = {parameter: number(pair, end)}
            return replace(given, snow=replace(given.snow, **chosen))

        return changed

    def builds(change: Callable[[CoverBuild, Cover, End], CoverBuild]) -> Callable[[Cover, End], Cover]:
        def changed(cover: Cover, end: End) -> Cover:
            return replace(cover, builds=tuple(change(build, cover, end) for build in cover.builds))

        return changed

    def slopes(build: CoverBuild, cover: Cover, end: End) -> CoverBuild:
        return steeper_by(build, cover.boat.beam_m, number(bounds.slope_deg, end))

    def height(build: CoverBuild, _: Cover, end: End) -> CoverBuild:
        known = build.ridge_above_ground_m or parameters.wind.default_height_m
        return replace(build, ridge_above_ground_m=max(known + number(bounds.height_m, end), 0.5))

    def vents(build: CoverBuild, _: Cover, end: End) -> CoverBuild:
        if build.vent_area_m2 is None:
            return replace(build, vent_area_m2=number(bounds.vent_area_m2, end))
        return replace(build, vent_area_m2=build.vent_area_m2 * number(bounds.vent_area, end))

    def gaps(build: CoverBuild, _: Cover, end: End) -> CoverBuild:
        """Gaps let air through as vents do: so much more or less of them in one vent that stands for all."""
        vents_m2 = build.vent_count * (air.vent_m2 if build.vent_area_m2 is None else build.vent_area_m2)
        total_m2 = max(vents_m2 + number(bounds.leak_m2, end) - air.leak_m2, 0.0)
        return replace(build, vent_count=1, vent_area_m2=total_m2)

    def shelter(cover: Cover, end: End) -> Cover:
        step = 1 if end == "kinder" else -1
        place = min(max(SHELTERS.index(cover.boat.shelter) + step, 0), len(SHELTERS) - 1)
        return replace(cover, boat=replace(cover.boat, shelter=SHELTERS[place]))

    def cloud(given: HazardParameters, end: End) -> HazardParameters:
        sky, more = given.sky, number(bounds.cloud_tenths, end)
        clouds = {
            name: min(max(getattr(sky, name) + more, 0.0), 10.0) for name in ("cloud_dry_tenths", "cloud_moist_tenths")
        }
        return replace(given, sky=replace(sky, **clouds))

    return [
        Input(
            "shelter",
            "how sheltered the berth is",
            "compare the wind at the berth with that beside the yard, with a hand anemometer on a windy day",
            "cover",
            cover=shelter,
        ),
        Input(
            "height",
            "height of the ridge above the ground",
            "measure it with a tape from the ground",
            "cover",
            cover=builds(height),
        ),
        Input(
            "slope",
            "slopes of the panels",
            "measure every panel and the flattest part with an inclinometer",
            "cover",
            cover=builds(slopes),
        ),
        Input(
            "ground",
            "how wet the ground under the boat is",
            "look under the boat some days after rain and see what share of the ground is wet",
            "cover",
            cover=builds(lambda build, _, end: replace(build, ground=_word(build.ground, end))),
        ),
        Input("vent_area", "free area of a vent", "measure the opening of one vent", "cover", cover=builds(vents)),
        Input("gaps", "gaps at the band", "go round the band and add up the gaps", "cover", cover=builds(gaps)),
        Input(
            "film_sun",
            "sunlight through the film",
            "compare a light meter under the film with one beside it",
            "cover",
            cover=builds(lambda build, _, end: replace(build, film_colour=_word(build.film_colour, end))),
        ),
        Input(
            "slide_start",
            "slope from which snow slides off",
            "note at what slope snow went off by itself, and where it stayed",
            "snow",
            parameters=snow("slide_start_deg", bounds.slide_start_deg),
        ),
        Input(
            "slide_rate",
            "how fast snow slides off",
            "note the hours between the end of a snowfall and bare film",
            "snow",
            parameters=snow("slide_rate", bounds.slide_rate),
        ),
        Input(
            "melt",
            "how fast snow melts on film",
            "measure the depth of snow on the cover on two days with a thaw between",
            "snow",
            parameters=snow("melt_factor_mm_per_k_h", bounds.melt_factor_mm_per_k_h),
        ),
        Input(
            "sag",
            "sag between the straps",
            "measure how deep the film sags below a straight edge",
            "snow",
            parameters=snow("pocket_sag_mm", bounds.pocket_sag_mm),
        ),
        Input(
            "cloud",
            "cloud, which no source reported",
            "add a weather source that reports cloud",
            "weather",
            parameters=cloud,
        ),
    ]


def steeper_by(build: CoverBuild, beam_m: float, change_deg: float) -> CoverBuild:
    """The build with every panel, and its flattest part, so much steeper; slopes stay in 0 to 85. [deg]"""

    def moved(slope_deg: float) -> float:
        return min(max(slope_deg + change_deg, 0.0), 85.0)

    slopes: dict[str, Any] = {
        f"{panel}_slope_deg": moved(slope_deg) for panel, slope_deg in panel_slopes_deg(build, beam_m).items()
    }
    flattest = None if build.flattest_slope_deg is None else moved(build.flattest_slope_deg)
    return replace(build, flattest_slope_deg=flattest, **slopes)


def _word(word: str, end: End) -> str:
    return f"{word}, {end}"
