"""The register in memory: yards, boats, covers and their dated builds, with what follows from their geometry."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Literal

PANELS = ("bow", "port", "starboard", "stern")
Panel = Literal["bow", "port", "starboard", "stern"]

TERRAINS = ("open_water", "open", "suburban", "sheltered")
SHELTERS = ("exposed", "partly", "sheltered")
SUPPORTS = ("stands", "trailer", "cradle")
GROUNDS = ("dry", "damp", "standing_water")
FILM_COLOURS = ("clear", "white", "blue", "green", "grey", "other")
BOAT_TYPES = ("sail", "motor", "rowing", "other")
DISPLAY_UNITS = ("metric", "us")
OPEN_METEO_PLANS = ("noncommercial", "customer_key", "own_server")

INCH_M = 0.0254
BELLY_BAND_SPACING_M = 1.8
"""Belly bands every 6 ft: common practice, no source."""
BAND_DROP_M = 8 * INCH_M
"""Perimeter band 8 in below the rub rail: common practice, no source."""
FILM_TUCK_M = 6 * INCH_M
"""Film tucked 6 in under the band for the weld: common practice, no source."""


@dataclass(frozen=True)
class Yard:
    """A boatyard: where it is, how it lies, and how its people want numbers shown.

    ``quiet_hours`` is when nobody is told of a storm, on the yard's clock: ``21:00-05:30``, or empty.
    """

    key: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    time_zone: str
    terrain: str = "open"
    display_units: str = "metric"
    contact: str = ""
    station: str = ""
    crew_size: int = 2
    open_meteo_plan: str = ""
    quiet_hours: str = ""


@dataclass(frozen=True)
class Boat:
    """A boat ashore, and the berth it stands in. ``heading_deg`` is where the bow points, from true north."""

    number: str
    name: str
    boat_type: str
    length_m: float
    beam_m: float
    support: str
    row: str
    place: int
    heading_deg: float
    shelter: str
    x_m: float | None = None
    y_m: float | None = None
    owner_name: str = ""
    owner_contact: str = ""


@dataclass(frozen=True)
class CoverBuild:
    """A cover as it was built from ``built_at`` (UTC) on; a later build leaves the earlier one to the past.

    Lengths in metres, slopes in degrees above horizontal. A slope left out follows from ``ridge_rise_m`` (height of the
    ridge above the rub rail) and the half-beam.
    """

    built_at: datetime
    ridge_rise_m: float | None = None
    ridge_above_ground_m: float | None = None
    bow_slope_deg: float | None = None
    port_slope_deg: float | None = None
    starboard_slope_deg: float | None = None
    stern_slope_deg: float | None = None
    flattest_slope_deg: float | None = None
    post_count: int | None = None
    band_drop_m: float | None = None
    belly_band_count: int | None = None
    belly_band_spacing_m: float | None = None
    vent_count: int = 0
    vent_area_m2: float | None = None
    film_colour: str = "white"
    film_thickness_mm: float | None = None
    ground: str = "damp"
    door: bool = False


@dataclass(frozen=True)
class Cover:
    """One wrapping of one boat, with every build it has had, oldest first. ``id`` is None until it is stored."""

    boat: Boat
    wrapped_on: date
    builds: tuple[CoverBuild, ...]
    id: int | None = field(default=None, compare=False)

    @property
    def stored_id(self) -> int:
        """The id of a stored cover. Raises ValueError for one that is not."""
        if self.id is None:
            raise ValueError(f"the cover of boat {self.boat.number} is not stored")
        return self.id

    def build_at(self, moment: datetime) -> CoverBuild:
        """The build in force at a moment (UTC); the first one for moments before it."""
        current = self.builds[0]
        for build in self.builds:
            if build.built_at <= moment:
                current = build
        return current


def covers_on_boats(every_cover: Iterable[Cover], as_of: datetime, taken_off: Mapping[int, datetime]) -> list[Cover]:
    """The cover on each boat at a moment, by boat number: the newest whose film was on by then, if it still was.

    ``taken_off`` says by a stored cover's id when it came off; at that moment it still counts as on.
    """
    on_boat = {}
    for cover in sorted(every_cover, key=lambda cover: (cover.boat.number, cover.builds[0].built_at)):
        if cover.builds[0].built_at <= as_of:
            on_boat[cover.boat.number] = cover
    return [cover for cover in on_boat.values() if taken_off.get(cover.stored_id, as_of) >= as_of]


def parse_quiet_hours(text: str) -> tuple[time, time]:
    """Begin and end out of ``21:00-05:30``. Raises ValueError with what is expected."""
    begin, dash, end = text.partition("-")
    try:
        hours = time.fromisoformat(begin.strip()), time.fromisoformat(end.strip())
    except ValueError:
        hours = None
    if hours is None or not dash or hours[0] == hours[1] or any(hour.tzinfo for hour in hours):
        raise ValueError(
            f"{text!r:.60} are no quiet hours; expected begin and end on the yard's clock, such as 21:00-05:30"
        )
    return hours


def side_slope_deg(ridge_rise_m: float, beam_m: float) -> float:
    """Slope of a panel that falls from the ridge to the rub rail over half the beam. [deg]"""
    return math.degrees(math.atan2(ridge_rise_m, beam_m / 2))


def panel_slopes_deg(build: CoverBuild, beam_m: float) -> dict[Panel, float]:
    """Slope of each panel: as measured, else from ridge and half-beam; ends are taken as steep as the sides. [deg]

    Raises ValueError where neither a slope nor the height of the ridge is recorded for a panel.
    """
    measured: dict[Panel, float | None] = {
        "bow": build.bow_slope_deg,
        "port": build.port_slope_deg,
        "starboard": build.starboard_slope_deg,
        "stern": build.stern_slope_deg,
    }
    derived = None if build.ridge_rise_m is None else side_slope_deg(build.ridge_rise_m, beam_m)
    slopes: dict[Panel, float] = {}
    for panel, slope in measured.items():
        value = derived if slope is None else slope
        if value is None:
            raise ValueError(f"the {panel} panel has no slope and the cover no height of ridge above rub rail")
        slopes[panel] = value
    return slopes


def flattest_slope_deg(build: CoverBuild, beam_m: float) -> float:
    """Slope of the flattest part, where snow and water stay longest. [deg]"""
    slopes = min(panel_slopes_deg(build, beam_m).values())
    return slopes if build.flattest_slope_deg is None else min(slopes, build.flattest_slope_deg)


def ridge_to_rub_rail_m(ridge_rise_m: float, beam_m: float) -> float:
    """Way of the film from the ridge down to the rub rail, over rise and half-beam. [m]"""
    return math.hypot(ridge_rise_m, beam_m / 2)


def film_width_m(along_film_m: float) -> float:
    """Width of film to order: twice ridge down to the rub rail, band drop and tuck. [m]

    The argument is what a tape laid where the film will run reads from the ridge to the rub rail. Over a beam that is
    `ridge_to_rub_rail_m`, which is longer than the bare height of the ridge.

    Common practice, no source: 72 in ridge to rub rail gives 2 x (72 + 8 + 6) = 172 in.
    """
    return 2 * (along_film_m + BAND_DROP_M + FILM_TUCK_M)


def belly_band_spacing_m(build: CoverBuild, length_m: float) -> float | None:
    """Distance between belly bands, as recorded or from their count along the hull; None where neither is known. [m]

    Without any band it is the length of the hull.
    """
    if build.belly_band_spacing_m is not None:
        return build.belly_band_spacing_m
    if build.belly_band_count is None:
        return None
    return length_m / (build.belly_band_count + 1)
