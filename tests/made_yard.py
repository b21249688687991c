"""A made yard of any size and a made season, for measuring: the same numbers each time, of no real place."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd

from monitor.clocks import Log, clocks
from monitor.hazards.exposure import assess
from monitor.hazards.series import HazardParameters, yard_weather
from monitor.inspections import Inspection
from monitor.ranking import RankingParameters, rank_covers
from monitor.register import SHELTERS, Boat, Cover, CoverBuild, Yard
from monitor.weather.table import SourceSeries, hourly_index, merge_by_priority, no_flags

HOURS = 4400
START = datetime(2025, 10, 1, tzinfo=UTC)
AS_OF = START + timedelta(hours=HOURS)
YARD = Yard("made", "Made Yard", 44.65, -63.57, 3.0, "America/Halifax")
PARAMETERS = HazardParameters()


def made_season():
    """A made season of one source: temperature falls and rises, something falls in a tenth of the hours, it blows."""
    rng = np.random.default_rng(20251001)
    hour = np.arange(HOURS)
    temperature_c = 4 - 7 * np.sin(np.pi * hour / HOURS) + 4 * np.sin(2 * np.pi * hour / 24)
    temperature_c += np.convolve(rng.normal(0, 4, HOURS + 47), np.ones(48) / 48**0.5, "valid")
    mean_ms = rng.gamma(2.5, 2.2, HOURS)
    columns = {
        "air_temperature_c": temperature_c,
        "relative_humidity_pct": rng.uniform(60, 100, HOURS),
        "wind_speed_ms": mean_ms,
        "wind_gust_ms": np.where(mean_ms > 6, 1.4 * mean_ms, np.nan),
        "wind_from_deg": rng.integers(0, 36, HOURS) * 10.0,
        "precipitation_mm": np.where(rng.random(HOURS) < 0.1, rng.exponential(1.2, HOURS), 0.0),
    }
    hours = pd.DataFrame(columns, index=hourly_index([START + timedelta(hours=int(n) + 1) for n in hour]))
    return merge_by_priority([SourceSeries("metar-archive", "observed", hours, no_flags(hours))], ["metar-archive"])


def made_covers(count):
    """Covers of all slopes, bearings and shelters; one in twenty was rebuilt in December."""
    rng = np.random.default_rng(count)
    covers = []
    for key in range(1, count + 1):
        boat = Boat(
            str(key), "Ebba", "motor", 10.0, 3.0, "stands", "A", key, float(rng.integers(0, 360)), SHELTERS[key % 3]
        )
        build = CoverBuild(
            START,
            ridge_rise_m=float(rng.uniform(0.2, 2.0)),
            ridge_above_ground_m=float(rng.uniform(3, 6)),
            belly_band_count=int(rng.integers(2, 7)),
        )
        later = CoverBuild(datetime(2025, 12, 10, tzinfo=UTC), ridge_rise_m=1.5, ridge_above_ground_m=4.5)
        covers.append(Cover(boat, date(2025, 10, 1), (build, later) if key % 20 == 0 else (build,), id=key))
    return covers


def ranked(merged, covers):
    """Everything from the merged weather to the list, half of the covers inspected once on the way."""
    seen = START + timedelta(hours=HOURS // 2)
    log = Log([Inspection(f"i{cover.id}", cover.id, seen, seen, "Ida", inside=False) for cover in covers[::2]])
    since = clocks({cover.id: cover.builds[0].built_at for cover in covers}, {}, log)
    weather = yard_weather(merged, YARD, START, AS_OF, PARAMETERS)
    found = assess(weather, YARD, covers, [], [], since, AS_OF, PARAMETERS)
    boats, ids = [cover.boat.number for cover in covers], [cover.id for cover in covers]
    return rank_covers(boats, ids, found, {}, 0.0, RankingParameters())
