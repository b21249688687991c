"""Few hours of invented weather, quiet but for what a test puts in, so that its numbers can be worked out by hand."""

from datetime import UTC, datetime, timedelta

import pandas as pd

from monitor.weather.table import SourceSeries, hourly_index, merge_by_priority, no_flags

START = datetime(2025, 12, 1, tzinfo=UTC)
DAY = 24


def hour(n):
    """The end of the n-th hour."""
    return START + timedelta(hours=n)


def merged(count, **columns):
    """Cold, moderately dry hours with some wind and cloud, but for the columns given."""
    quiet = {
        "air_temperature_c": [-4.0] * count,
        "dew_point_c": [-8.0] * count,
        "precipitation_mm": [0.0] * count,
        "snowfall_water_mm": [0.0] * count,
        "wind_speed_ms": [3.0] * count,
        "wind_gust_ms": [5.0] * count,
        "wind_from_deg": [90.0] * count,
    } | columns
    index = hourly_index([hour(1 + i) for i in range(count)])
    hours = pd.DataFrame(quiet, index=index, dtype="float64")
    return merge_by_priority([SourceSeries("metar-archive", "observed", hours, no_flags(hours))], ["metar-archive"])
