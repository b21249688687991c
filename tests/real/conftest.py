"""Three yards at the airports of New York, January to March 2013, with the same 120 covers in each."""

from dataclasses import dataclass
from datetime import UTC, date, datetime

import pandas as pd
import pytest
from nyc import nyc_series

from monitor.clocks import Log, clocks
from monitor.hazards.exposure import Exposure, assess
from monitor.hazards.series import HazardParameters, YardWeather, yard_weather
from monitor.inspections import Inspection
from monitor.ranking import RankedCover, RankingParameters, rank_covers
from monitor.register import SHELTERS, Boat, Cover, CoverBuild, Yard
from monitor.weather.table import Merged, merge_by_priority

AIRPORTS = {"JFK": (40.64, -73.78), "LGA": (40.78, -73.87), "EWR": (40.69, -74.17)}
WINTER_START = datetime(2013, 1, 1, 6, tzinfo=UTC)
"""The first hour of the package's table begins here: 01:00 local time."""
WINTER_END = datetime(2013, 4, 1, 4, tzinfo=UTC)
"""Local midnight at the end of March, summer time."""
HAZARDS = HazardParameters()


@dataclass(frozen=True)
class RealYard:
    """An airport as if a yard stood there: its weather as read and flagged, and the winter's arrays."""

    yard: Yard
    merged: Merged
    covers: list[Cover]

    def hours(self, start: datetime = WINTER_START, end: datetime = WINTER_END) -> pd.DataFrame:
        """Canonical hours that end after ``start`` and up to ``end``, gaps as NaN rows."""
        values = self.merged.values
        return values[(values.index > pd.Timestamp(start)) & (values.index <= pd.Timestamp(end))]

    def weather(self, end: datetime = WINTER_END) -> YardWeather:
        return yard_weather(self.merged, self.yard, WINTER_START, end, HAZARDS)

    def exposures(self, as_of: datetime, inspected_at: datetime | None = None) -> list[Exposure]:
        """Exposures of the covers, all of them looked at at one moment, or never since they were wrapped."""
        seen = [
            Inspection(f"i{cover.id}", cover.id, inspected_at, inspected_at, "Ida", inside=False)
            for cover in self.covers
            if inspected_at is not None
        ]
        since = clocks({cover.id: WINTER_START for cover in self.covers}, {}, Log(seen))
        return assess(self.weather(as_of), self.yard, self.covers, [], [], since, as_of, HAZARDS)

    def ranked(self, as_of: datetime, inspected_at: datetime | None = None) -> list[RankedCover]:
        boats, ids = [cover.boat.number for cover in self.covers], [cover.id for cover in self.covers]
        return rank_covers(boats, ids, self.exposures(as_of, inspected_at), {}, 0.0, RankingParameters())


def covers() -> list[Cover]:
    """Slopes of 5 to 50 deg, four bearings, three shelters; otherwise alike. Invented boats."""
    built = []
    for slope_deg in range(5, 55, 5):
        for heading_deg in (0.0, 45.0, 90.0, 135.0):
            for shelter in SHELTERS:
                key = len(built) + 1
                boat = Boat(str(key), "Ebba", "motor", 10.0, 3.0, "stands", "A", key, heading_deg, shelter)
                slopes = dict.fromkeys(("bow_slope_deg", "port_slope_deg", "stern_slope_deg"), float(slope_deg))
                build = CoverBuild(built_at=WINTER_START, starboard_slope_deg=float(slope_deg), **slopes)
                built.append(Cover(boat, date(2013, 1, 1), (build,), id=key))
    return built


@pytest.fixture(scope="session")
def new_york() -> dict[str, RealYard]:
    """Real yards by the name of their airport."""
    return {
        airport: RealYard(
            Yard(airport.lower(), airport, *place, 3.0, "America/New_York"),
            merge_by_priority([nyc_series(airport)], ["metar-archive"]),
            covers(),
        )
        for airport, place in AIRPORTS.items()
    }


@pytest.fixture(params=AIRPORTS)
def real_yard(request: pytest.FixtureRequest, new_york: dict[str, RealYard]) -> RealYard:
    """Each of the three in turn."""
    return new_york[request.param]
