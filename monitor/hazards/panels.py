"""Snow and water on each panel of one cover, and what hangs on its posts: modelled, not a design check. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.hazards.cover_air import AirForcing
from monitor.hazards.series import HazardParameters, YardWeather, cover_series
from monitor.hazards.snow import KPA_PER_MM
from monitor.inspections import Action, Inspection
from monitor.register import Boat, Cover, CoverBuild, Panel, Yard, panel_slopes_deg

Floats = NDArray[np.float64]

NO_DESIGN_CHECK = "modelled, not a design check"
"""Said wherever a weight is shown."""

TRACE_MM = 0.1
"""New snow in an hour, as water, from which there is something to drift."""

OFF_BOW_DEG: dict[Panel, float] = {"bow": 0.0, "port": 270.0, "starboard": 90.0, "stern": 180.0}
"""Where each panel faces, clockwise from the bow."""

_ORDER: tuple[Panel, ...] = tuple(OFF_BOW_DEG)


@dataclass(frozen=True)
class PanelParameters:
    """Heuristic geometry of a cover from length and beam alone: our own, without a source. Bounds in brackets.

    waterplane_factor
        Plan of the cover over length times beam (0.65 to 0.9): a deck is pointed ahead and full astern.
    bow_share, stern_share
        Of the plan, and of the ridge, that falls to the ends (0.05 to 0.3); the sides share the rest. The ends of
        a frame begin about half a beam from bow and stern.
    ridge_share
        Of what lies on a panel, how much hangs on the ridge (0.4 to 0.6); the band carries the rest. Half, as of any
        sheet held along two edges.
    drift_fresh_h
        So long after snow has fallen a strong wind still moves it; later it has settled and crusted.
    drift_wet_threshold_ms
        Wind that moves wet snow, above 0 degC: of the order that Li & Pomeroy 1997 give. [m/s]
    unbalanced_light_side
        Share of the balanced load on the light side of the unbalanced case: EN 1991-1-3, 5.3.3.
    """

    waterplane_factor: float = 0.8
    bow_share: float = 0.15
    stern_share: float = 0.15
    ridge_share: float = 0.5
    drift_fresh_h: int = 24
    drift_wet_threshold_ms: float = 11.0
    unbalanced_light_side: float = 0.5

    def __post_init__(self) -> None:
        if min(self.bow_share, self.stern_share) < 0 or self.bow_share + self.stern_share > 1:
            raise ValueError(
                f"bow_share {self.bow_share:g} and stern_share {self.stern_share:g} must be shares of the plan of at "
                f"most 1 together"
            )


@dataclass(frozen=True)
class CoverPanels:
    """Snow and water on the four panels of a cover, hour by hour; ``panels`` order is bow, port, starboard, stern.

    Snow load [kPa], depth [m] and pocket water [mm] are (H, 4), what a level film would carry [kPa] is (H,). Plan [m2]
    and the way each panel faces, from true north [deg], are (4,). Weight of snow and of pocket water on the whole cover
    [kg] is (H,), on each support post, from the bow on, (H, P) [kg]. A pocket's own area is that of the panel over the
    snow model's ``pocket_tributary_ratio``.
    """

    hour_ending: pd.DatetimeIndex
    plan_m2: Floats
    aspect_deg: Floats
    load_kpa: Floats
    depth_m: Floats
    pocket_mm: Floats
    level_load_kpa: Floats
    snow_kg: Floats
    pocket_kg: Floats
    post_kg: Floats

    @property
    def weight_kg(self) -> Floats:
        """Snow and pocket water on the whole cover, shape (H,). [kg]"""
        return self.snow_kg + self.pocket_kg


@dataclass(frozen=True)
class StatedCase:
    """A load that the model does not compute, stated as a factor on one that it does; never part of a ranking.

    ``factor`` multiplies ``on_kpa``, at the hour of its peak, to ``load_kpa``.
    """

    kind: Literal["unbalanced", "lee pocket"]
    panel: Panel
    factor: float
    on_kpa: float
    load_kpa: float
    basis: str


def plan_areas_m2(length_m: float, beam_m: float, parameters: PanelParameters) -> Floats:
    """Plan of each panel, shape (4,), in the order bow, port, starboard, stern. [m2]"""
    plan = length_m * beam_m * parameters.waterplane_factor
    sides = 1 - parameters.bow_share - parameters.stern_share
    return plan * np.array([parameters.bow_share, sides / 2, sides / 2, parameters.stern_share])


def aspects_deg(heading_deg: float) -> Floats:
    """Where each panel faces, clockwise from true north, shape (4,). [deg]"""
    return np.mod(heading_deg + np.array([OFF_BOW_DEG[panel] for panel in _ORDER]), 360.0)


def tributary_m2(post_count: int, plan_m2: ArrayLike, parameters: PanelParameters) -> Floats:
    """Plan of each panel that each support of the ridge stands for, shape (posts + 2, 4). [m2]

    Posts stand evenly along the ridge; the first and last row are where its strap is made fast at bow and stern. Each
    takes the film up to halfway to the next. The rows sum to the plan: what the band carries is not yet taken off.
    Raises ValueError for fewer posts than none.
    """
    if post_count < 0:
        raise ValueError(f"post_count must not be below 0, got {post_count}")
    stands = np.linspace(0.0, 1.0, post_count + 2)
    edges = np.concatenate([[0.0], (stands[1:] + stands[:-1]) / 2, [1.0]])
    aft_of_bow, ahead_of_stern = parameters.bow_share, 1 - parameters.stern_share
    ends = {"bow": (0.0, aft_of_bow), "stern": (ahead_of_stern, 1.0)}
    shares = np.zeros((post_count + 2, len(_ORDER)))
    for place, panel in enumerate(_ORDER):
        begin, end = ends.get(panel, (aft_of_bow, ahead_of_stern))
        if end > begin:
            overlap = np.minimum(edges[1:], end) - np.maximum(edges[:-1], begin)
            shares[:, place] = np.maximum(overlap, 0.0) / (end - begin)
    return shares * np.asarray(plan_m2, dtype=np.float64)


def panels_of_cover(
    weather: YardWeather,
    yard: Yard,
    cover: Cover,
    actions: Sequence[Action],
    inspections: Sequence[Inspection],
    parameters: HazardParameters,
    panels: PanelParameters,
) -> CoverPanels:
    """Each panel of a cover by its own slope, through the same snow as the cover itself.

    What was cleared, drained or measured at the cover counts for every panel. Posts are those of the newest build;
    ``post_kg`` has no columns where it has none or their count is not recorded.
    """
    columns = [replace(_all_as_steep_as(cover, panel), id=place) for place, panel in enumerate((*_ORDER, None))]
    places = range(len(columns))
    series = cover_series(
        without_air(weather),
        yard,
        columns,
        [replace(action, cover_id=place) for action in actions if action.cover_id == cover.id for place in places],
        [replace(visit, cover_id=place) for visit in inspections if visit.cover_id == cover.id for place in places],
        parameters,
    )
    plan_m2 = plan_areas_m2(cover.boat.length_m, cover.boat.beam_m, panels)
    load_kpa, pocket_mm = series.snow_load_kpa[:, :4], series.pocket_mm[:, :4]
    pocket_water_mm = pocket_mm / parameters.snow.pocket_tributary_ratio
    tributary = tributary_m2(cover.builds[-1].post_count or 0, plan_m2, panels)
    return CoverPanels(
        hour_ending=weather.hour_ending,
        plan_m2=plan_m2,
        aspect_deg=aspects_deg(cover.boat.heading_deg),
        load_kpa=load_kpa,
        depth_m=series.snow_depth_m[:, :4],
        pocket_mm=pocket_mm,
        level_load_kpa=series.snow_load_kpa[:, 4],
        snow_kg=weight_kg(load_kpa, plan_m2),
        pocket_kg=pocket_water_mm @ plan_m2,
        post_kg=panels.ridge_share * (load_kpa / KPA_PER_MM + pocket_water_mm) @ tributary[1:-1].T,
    )


def weight_kg(load_kpa: ArrayLike, plan_m2: ArrayLike) -> Floats:
    """Weight of snow on a cover, from the loads of its panels (H, 4) and their plan (4,), shape (H,). [kg]"""
    weight: Floats = np.asarray(load_kpa, dtype=np.float64) / KPA_PER_MM @ np.asarray(plan_m2, dtype=np.float64)
    return weight


def drift_threshold_ms(air_temperature_c: ArrayLike, parameters: PanelParameters) -> Floats:
    """Mean wind at 10 m from which lying snow drifts; NaN where the temperature is NaN. [m/s]

    Dry snow up to 0 degC: ``9.43 + 0.18 T + 0.0033 T**2``, Li & Pomeroy 1997, J. Appl. Meteorol. 36:205, as read in a
    public implementation. Above, wet snow holds on up to ``drift_wet_threshold_ms``.
    """
    temperature = np.asarray(air_temperature_c, dtype=np.float64)
    dry = 9.43 + 0.18 * temperature + 0.0033 * temperature**2
    return np.where(temperature > 0, parameters.drift_wet_threshold_ms, dry)


def drift_likely(weather: YardWeather, parameters: PanelParameters) -> NDArray[np.bool_]:
    """Hours in which wind moves snow that falls or fell not long ago; False where wind is unknown; shape (H,)."""
    wind_ms = weather.air.wind_speed_ms
    blows = wind_ms > drift_threshold_ms(weather.snow.air_temperature_c, parameters)
    fell = pd.Series(weather.snow.snowfall_water_mm).rolling(parameters.drift_fresh_h + 1, min_periods=1).max()
    fresh = fell.to_numpy(dtype=np.float64) > TRACE_MM
    return np.asarray(blows & fresh)


def lee_pocket_factor(slope_deg: ArrayLike) -> Floats:
    """Load in a pocket between two covers over that on level film, by the mean slope of the two panels that face. [1]

    ``mu_2 / mu_1(0)`` of EN 1991-1-3, Table 5.2 (read in secondary pages): 1.0 between level panels to 2.0 from 30 deg.
    The standard ends at 60 deg; beyond, the 2.0 is ours.
    """
    mu_2: Floats = np.interp(np.asarray(slope_deg, dtype=np.float64), [0.0, 30.0], [0.8, 1.6])
    return mu_2 / 0.8


def neighbours_in_row(boat: Boat, others: Sequence[Boat]) -> list[Boat]:
    """Boats in the same row at the places beside this one's."""
    return [
        other
        for other in others
        if other.number != boat.number and other.row == boat.row and abs(other.place - boat.place) == 1
    ]


def facing_panel(boat: Boat, other: Boat) -> Panel | None:
    """The panel of ``boat`` that looks at ``other``, by position (x east, y north); None where one is unknown."""
    if boat.x_m is None or boat.y_m is None or other.x_m is None or other.y_m is None:
        return None
    if (boat.x_m, boat.y_m) == (other.x_m, other.y_m):
        return None
    bearing_deg = math.degrees(math.atan2(other.x_m - boat.x_m, other.y_m - boat.y_m))
    off_deg = np.abs(np.mod(aspects_deg(boat.heading_deg) - bearing_deg + 180.0, 360.0) - 180.0)
    return _ORDER[int(off_deg.argmin())]


def stated_cases(
    weather: YardWeather,
    cover: Cover,
    others: Sequence[Cover],
    found: CoverPanels,
    parameters: PanelParameters,
) -> list[StatedCase]:
    """The unbalanced case of both sides, and a lee pocket at each panel that faces a neighbour, if wind made any.

    Factors stand beside the balanced load; the model does not move snow from one panel to another. Where the position
    of a neighbour is not recorded, the pocket may lie at either side and both are given.
    """
    build = cover.builds[-1]
    slopes = panel_slopes_deg(build, cover.boat.beam_m)
    peak_kpa = dict(zip(_ORDER, found.load_kpa.max(axis=0, initial=0.0).tolist(), strict=True))
    sides: tuple[tuple[Panel, Panel], ...] = (("port", "starboard"), ("starboard", "port"))
    cases = [
        StatedCase(
            "unbalanced",
            light,
            parameters.unbalanced_light_side,
            peak_kpa[light],
            parameters.unbalanced_light_side * peak_kpa[light],
            f"EN 1991-1-3, 5.3.3: this side carries half of its load, the {heavy} side all of its own",
        )
        for light, heavy in sides
    ]
    drifts = drift_likely(weather, parameters)
    if not drifts.any():
        return cases
    level_kpa = float(found.level_load_kpa[int(drifts.argmax()) :].max(initial=0.0))
    standing = {other.boat.number: other for other in others}
    for neighbour in neighbours_in_row(cover.boat, [other.boat for other in others]):
        there = standing[neighbour.number]
        theirs = panel_slopes_deg(there.builds[-1], there.boat.beam_m)
        ours, back = facing_panel(cover.boat, neighbour), facing_panel(neighbour, cover.boat)
        facing: tuple[Panel, ...] = ("port", "starboard") if ours is None else (ours,)
        for panel in facing:
            factor = float(lee_pocket_factor((slopes[panel] + theirs[back or panel]) / 2))
            cases.append(
                StatedCase(
                    "lee pocket",
                    panel,
                    factor,
                    level_kpa,
                    factor * level_kpa,
                    f"EN 1991-1-3, Table 5.2, valley towards boat {neighbour.number}: up to this much of the load on "
                    f"level film; wind above the drift threshold of Li & Pomeroy 1997 in {int(drifts.sum())} h",
                )
            )
    return cases


def without_air(weather: YardWeather) -> YardWeather:
    """The weather with the air under covers unknown: for what needs the snow alone, in a fraction of the time."""
    unknown = np.full(len(weather.hour_ending), np.nan)
    return replace(weather, air=AirForcing(*[unknown] * len(fields(AirForcing))))


def _all_as_steep_as(cover: Cover, panel: Panel | None) -> Cover:
    """The cover with every panel as steep as this one, or level: its flattest part is then that panel."""

    def changed(build: CoverBuild) -> CoverBuild:
        slope_deg = 0.0 if panel is None else panel_slopes_deg(build, cover.boat.beam_m)[panel]
        return with_slopes(build, slope_deg)

    return replace(cover, builds=tuple(changed(build) for build in cover.builds))


def with_slopes(build: CoverBuild, slope_deg: float) -> CoverBuild:
    """The build with every panel of one slope and no flatter part. [deg]"""
    return replace(
        build,
        bow_slope_deg=slope_deg,
        port_slope_deg=slope_deg,
        starboard_slope_deg=slope_deg,
        stern_slope_deg=slope_deg,
        flattest_slope_deg=None,
    )
