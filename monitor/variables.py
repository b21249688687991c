"""Every weather variable once: name, unit, valid range and what its hour means."""

from dataclasses import dataclass
from typing import Literal

HourMeaning = Literal["instant", "mean", "maximum", "sum"]
Kind = Literal["observed", "analysis", "forecast"]

KINDS: tuple[Kind, ...] = ("observed", "analysis", "forecast")
"""Best witness first: what was measured, what a model made of measurements, what a model expects."""

SOURCES: tuple[str, ...] = (
    "open-meteo",
    "open-meteo-archive",
    "metar-archive",
    "nws-grid",
    "nws-observations",
    "ncei-daily",
    "met-norway",
    "bright-sky",
    "logger",
    "hand",
)
"""Names of the weather sources, as a person types and reads them."""


@dataclass(frozen=True)
class Variable:
    """One column of the canonical hourly table; its hour is the one that ends at ``hour_ending`` (UTC)."""

    name: str
    unit: str
    low: float
    high: float
    hour: HourMeaning
    label: str


_ALL = (
    Variable("air_temperature_c", "°C", -60.0, 55.0, "instant", "air temperature"),
    Variable("dew_point_c", "°C", -70.0, 40.0, "instant", "dew point"),
    Variable("relative_humidity_pct", "%", 0.0, 105.0, "instant", "relative humidity over water"),
    Variable("wind_speed_ms", "m/s", 0.0, 75.0, "mean", "mean wind at 10 m"),
    Variable("wind_gust_ms", "m/s", 0.0, 75.0, "maximum", "gust at 10 m"),
    Variable("wind_from_deg", "deg", 0.0, 360.0, "instant", "direction the wind comes from"),
    Variable("precipitation_mm", "mm", 0.0, 100.0, "sum", "precipitation as water"),
    Variable("rain_mm", "mm", 0.0, 100.0, "sum", "rain"),
    Variable("snowfall_water_mm", "mm", 0.0, 50.0, "sum", "snowfall as water"),
    Variable("snowfall_depth_mm", "mm", 0.0, 300.0, "sum", "depth of new snow"),
    Variable("freezing_rain_mm", "mm", 0.0, 50.0, "sum", "freezing rain or its ice, as water"),
    Variable("snow_depth_m", "m", 0.0, 6.0, "instant", "snow lying on the ground"),
    Variable("cloud_cover_pct", "%", 0.0, 100.0, "instant", "cloud cover"),
    Variable("solar_wm2", "W/m²", 0.0, 1500.0, "mean", "sunshine on level ground"),
    Variable("visibility_km", "km", 0.0, 200.0, "instant", "visibility"),
)

VARIABLES: dict[str, Variable] = {variable.name: variable for variable in _ALL}
"""The numeric columns of the canonical table, in their order."""

PRESENT_WEATHER = "present_weather"
"""The one text column: space-separated METAR weather codes of the hour (``-FZRA BR``); empty where none was coded."""
