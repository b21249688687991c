"""An invented yard, its covers and its weather, made small enough to work out by hand."""

import json
from datetime import UTC, datetime, timedelta

from monitor.operations.register import import_covers
from monitor.register import Yard
from monitor.store.register import save_yards

YARD = Yard(
    key="north",
    name="North Basin",
    latitude_deg=43.65,
    longitude_deg=-70.25,
    elevation_m=4.0,
    time_zone="America/New_York",
    terrain="open_water",
    contact="yard@example.org",
    station="QXM",
    crew_size=2,
)

WRAPPED = datetime(2023, 10, 20, 4, tzinfo=UTC)
"""Midnight of 20 October 2023 on the yard's clock: a ``wrapped_on`` without a time."""

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)

COVERS = """\
boat,boat_name,boat_type,length_m,beam_m,support,row,place,heading_deg,shelter,wrapped_on,ridge_rise_m,ridge_above_ground_m,flattest_slope_deg,posts,belly_bands,belly_band_spacing_m,vents,vent_area_cm2,ground
01,Plum,sail,9,3.0,stands,A,1,0,exposed,2023-10-20,1.5,4.0,,4,4,,4,100,damp
02,Fig,motor,8,2.8,stands,A,2,0,exposed,2023-10-20,0.7,3.0,5,3,,1.8,2,100,damp
03,Pear,motor,7,2.6,trailer,A,3,90,sheltered,2023-10-20,1.3,3.0,,2,,1.8,0,,dry
"""
"""Steep and exposed; flat; steep, sheltered, bow to the east."""


def record_yard(conn):
    """Put the yard and its three covers into a new database, known since the day they were wrapped."""
    save_yards(conn, [YARD])
    import_covers(conn, YARD, COVERS.encode(), "covers.csv", WRAPPED)


METAR_COLUMNS = (
    "station",
    "valid",
    "tmpf",
    "dwpf",
    "relh",
    "drct",
    "sknt",
    "p01i",
    "mslp",
    "vsby",
    "gust",
    "skyc1",
    "wxcodes",
    "peak_wind_gust",
    "peak_wind_time",
    "metar",
)

QUIET = {
    "station": "QXM",
    "tmpf": "25.00",
    "dwpf": "20.00",
    "relh": "81.00",
    "drct": "270.00",
    "sknt": "4.00",
    "p01i": "0.00",
    "mslp": "1015.00",
    "vsby": "10.00",
    "gust": "M",
    "skyc1": "OVC",
    "wxcodes": "M",
    "peak_wind_gust": "M",
    "peak_wind_time": "M",
    "metar": "M",
}
"""A cold hour with hardly any wind: nothing in it that a cover would feel."""

SNOW = {"tmpf": "28.00", "dwpf": "27.00", "relh": "96.00", "p01i": "0.08", "vsby": "0.75", "wxcodes": "SN"}
"""2.0 mm of water in the hour, as snow in light wind."""

GALE = {"drct": "270.00", "sknt": "25.00", "gust": "45.00"}
"""45 kt are 23.2 m/s."""


def metar(first_hour_ending, count, *, without=(), **columns):
    """The archive's answer with ``count`` hourly reports, seven minutes before each hour ends.

    ``columns`` are texts for all hours, or a mapping of hour number (0 is the first) to text; ``without`` are the
    numbers of hours that were never reported. In every eleventh hour temperature and wind are lower
    by 0.01.
    """
    lines = [",".join(METAR_COLUMNS)]
    for number in range(count):
        if number in without:
            continue
        report = QUIET | {
            name: of.get(number, QUIET[name]) if isinstance(of, dict) else of for name, of in columns.items()
        }
        for name in ("tmpf", "sknt", "gust"):  # a reading that never changes at all is taken for a stuck sensor
            if number % 11 == 10 and report[name].replace(".", "").isdigit() and float(report[name]) > 0.01:
                report[name] = f"{float(report[name]) - 0.01:.2f}"
        report["valid"] = f"{first_hour_ending + number * HOUR - timedelta(minutes=7):%Y-%m-%d %H:%M}"
        lines.append(",".join(report[name] for name in METAR_COLUMNS))
    return ("\n".join(lines) + "\n").encode()


def in_hours(numbers, weather):
    """Columns for `metar` that have this weather in some hours alone."""
    return {name: dict.fromkeys(numbers, text) for name, text in weather.items()}


def open_meteo(first_hour_ending, count, **variables):
    """Open-Meteo's answer for ``count`` hours: quiet and cold, but for the ``variables`` given (one value for all)."""
    units = {
        "temperature_2m": "°C",
        "dew_point_2m": "°C",
        "relative_humidity_2m": "%",
        "precipitation": "mm",
        "cloud_cover": "%",
        "wind_speed_10m": "m/s",
        "wind_gusts_10m": "m/s",
        "wind_direction_10m": "°",
    }
    quiet = dict(zip(units, (-4.0, -6.0, 86.0, 0.0, 90.0, 3.0, 5.0, 270.0), strict=True)) | variables
    answer = {
        "latitude": 43.65,
        "longitude": -70.25,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "hourly_units": {"time": "iso8601", **units},
        "hourly": {
            "time": [f"{first_hour_ending + number * HOUR:%Y-%m-%dT%H:%M}" for number in range(count)],
            **{name: [value] * count for name, value in quiet.items()},
        },
    }
    return json.dumps(answer).encode()
