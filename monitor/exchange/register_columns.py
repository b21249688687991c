"""The columns of covers.csv and yards.csv: what each holds, its units and limits."""

import textwrap
from typing import Literal

from monitor.exchange.columns import (
    EVERY_FILE_HELP,
    Choice,
    Column,
    Day,
    Moment,
    Quantity,
    QuietHours,
    Text,
    TimeZone,
    Whole,
    YesNo,
    column_help,
)
from monitor.register import (
    BOAT_TYPES,
    DISPLAY_UNITS,
    FILM_COLOURS,
    GROUNDS,
    OPEN_METEO_PLANS,
    SHELTERS,
    SUPPORTS,
    TERRAINS,
)


def _length(low_m: float, high_m: float, us: str = "ft") -> Quantity:
    return Quantity("length", low_m, high_m, "m", us)


def _slope(panel: str) -> Column:
    return Column(
        f"{panel}_slope",
        "build",
        f"{panel}_slope_deg",
        Quantity("angle", 0, 90, "deg", "deg"),
        f"Slope of the {panel} panel above horizontal, as measured.",
        "24",
    )


# The limits only catch slips of the pen and of the unit: they are wider than any boat ashore under film (our choice).
COVER_COLUMNS: tuple[Column, ...] = (
    Column("boat", "boat", "number", Text(), "The yard's own number of the boat; leading zeros stay.", "0417", True),
    Column("boat_name", "boat", "name", Text(), "Name of the boat.", "Second Wind"),
    Column("boat_type", "boat", "boat_type", Choice(BOAT_TYPES), "Type of boat.", "sail", when_empty="other"),
    Column("length", "boat", "length_m", _length(1.5, 60), "Length of the hull.", "9.8", True),
    Column("beam", "boat", "beam_m", _length(0.5, 15), "Width of the boat over the rub rails.", "3.2", True),
    Column("support", "boat", "support", Choice(SUPPORTS), "What the boat stands on.", "stands", when_empty="stands"),
    Column("row", "boat", "row", Text(), "Row of the berth ashore.", "B", True),
    Column("place", "boat", "place", Whole(1, 9999), "Place in the row, counted from 1.", "7", True),
    Column(
        "x",
        "boat",
        "x_m",
        _length(-9000, 9000),
        "Where the boat stands on the yard's plan, to the right; give x and y or neither.",
        "42",
    ),
    Column(
        "y",
        "boat",
        "y_m",
        _length(-9000, 9000),
        "Where the boat stands on the yard's plan, upwards; give x and y or neither.",
        "-6.5",
    ),
    Column(
        "heading",
        "boat",
        "heading_deg",
        Quantity("angle", 0, 360, "deg", "deg", full_turn=True),
        "Where the bow points, clockwise from true north.",
        "225",
        True,
    ),
    Column("shelter", "boat", "shelter", Choice(SHELTERS), "How the berth lies to the wind.", "partly", True),
    Column("owner_name", "boat", "owner_name", Text(), "Name of the owner.", "R. Example"),
    Column("owner_contact", "boat", "owner_contact", Text(), "How to reach the owner.", "r@example.org"),
    Column("wrapped_on", "cover", "wrapped_on", Day(), "Day on which the boat was wrapped.", "2025-10-31", True),
    Column(
        "built_on",
        "build",
        "built_at",
        Moment(),
        "From when this build stands: vents added or a panel rebuilt make a new row. Empty: the day of wrapping. "
        "A date means its midnight in the yard.",
        "2025-11-20",
    ),
    Column(
        "ridge_rise",
        "build",
        "ridge_rise_m",
        _length(0, 10),
        "Height of the ridge above the rub rail. Needed unless all four panel slopes are given.",
        "1.1",
    ),
    Column(
        "ridge_above_ground",
        "build",
        "ridge_above_ground_m",
        _length(0.3, 30),
        "Height of the ridge above ground.",
        "4.2",
    ),
    *(_slope(panel) for panel in ("bow", "port", "starboard", "stern")),
    Column(
        "flattest_slope",
        "build",
        "flattest_slope_deg",
        Quantity("angle", 0, 90, "deg", "deg"),
        "Slope of the flattest part of the cover, as measured.",
        "12",
    ),
    Column("posts", "build", "post_count", Whole(0, 100), "Number of support posts.", "3"),
    Column("band_drop", "build", "band_drop_m", _length(0, 2, "in"), "Perimeter band below the rub rail.", "0.2"),
    Column("belly_bands", "build", "belly_band_count", Whole(0, 100), "Number of belly bands.", "4"),
    Column(
        "belly_band_spacing", "build", "belly_band_spacing_m", _length(0.1, 30), "Distance between belly bands.", "1.8"
    ),
    Column("vents", "build", "vent_count", Whole(0, 200), "Number of vents; 0 where there are none.", "4", True),
    Column(
        "vent_area", "build", "vent_area_m2", Quantity("area", 1e-4, 1, "m2", "in2"), "Free area of each vent.", "0.006"
    ),
    Column(
        "film_colour", "build", "film_colour", Choice(FILM_COLOURS), "Colour of the film.", "white", when_empty="white"
    ),
    Column(
        "film_thickness",
        "build",
        "film_thickness_mm",
        Quantity("thickness", 0.02, 2, "mm", "mil"),
        "Thickness of the film.",
        "0.18",
    ),
    Column("ground", "build", "ground", Choice(GROUNDS), "Ground under the boat.", "damp", when_empty="damp"),
    Column("door", "build", "door", YesNo(), "Whether the cover has a door.", "yes", when_empty="no"),
)

YARD_COLUMNS: tuple[Column, ...] = (
    Column("id", "yard", "key", Text(), "Short name of the yard; keep it the same.", "north", True),
    Column("name", "yard", "name", Text(), "Name of the yard.", "North Yard", True),
    Column(
        "latitude",
        "yard",
        "latitude_deg",
        Quantity("angle", -90, 90, "deg", "deg"),
        "Latitude, north positive.",
        "43.66",
        True,
    ),
    Column(
        "longitude",
        "yard",
        "longitude_deg",
        Quantity("angle", -180, 180, "deg", "deg"),
        "Longitude, east positive.",
        "-70.25",
        True,
    ),
    Column("elevation", "yard", "elevation_m", _length(-430, 6000), "Height of the yard above sea level.", "3", True),
    Column("time_zone", "yard", "time_zone", TimeZone(), "Time zone of the yard.", "America/New_York", True),
    Column(
        "terrain", "yard", "terrain", Choice(TERRAINS), "Land and water around the yard.", "open", when_empty="open"
    ),
    Column(
        "display_units",
        "yard",
        "display_units",
        Choice(DISPLAY_UNITS),
        "Units on screens and documents.",
        "us",
        when_empty="metric",
    ),
    Column(
        "contact", "yard", "contact", Text(), "Mail address that weather services may write to.", "yard@example.org"
    ),
    Column("station", "yard", "station", Text(), "Weather station to take, if not the nearest.", "EXMP"),
    Column("crew_size", "yard", "crew_size", Whole(1, 500), "People on a walk.", "2", when_empty="2"),
    Column(
        "open_meteo_plan",
        "yard",
        "open_meteo_plan",
        Choice(OPEN_METEO_PLANS),
        "Plan with Open-Meteo, if it is to be asked.",
        "noncommercial",
    ),
    Column("quiet_hours", "yard", "quiet_hours", QuietHours(), "When nobody is told of a storm.", "21:00-05:30"),
)


_FILE_HELP: dict[str, str] = {
    "covers": """
        covers.csv: one row for each build of a cover. A further row of the same boat and day of wrapping is a later
        build of that cover (vents added, a panel rebuilt), with its own built_on; a row with another day of wrapping is
        another cover. All rows of a boat say the same of the boat.""",
    "yards": "yards.csv: one row for each yard.",
}


def columns_help(*files: Literal["covers", "yards"]) -> str:
    """How covers.csv and yards.csv are written: the file, then its columns in the order of an export. Plain text."""
    sections = []
    for file in files or ("covers", "yards"):
        sections.append(textwrap.fill(" ".join(f"{_FILE_HELP[file]} {EVERY_FILE_HELP}".split()), 100))
        sections += [column_help(column) for column in (COVER_COLUMNS if file == "covers" else YARD_COLUMNS)]
    return "\n\n".join(sections)
