"""Everything known of one yard at one moment, put together once: what pages, documents and listings are made from."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from monitor.clocks import Clocks, Log, OpenEntry
from monitor.hazards.exposure import Exposure
from monitor.hazards.series import CoverSeries
from monitor.ranking import RankedCover, RankingParameters
from monitor.register import Cover, Yard
from monitor.storms import Storm
from monitor.weather.table import Merged


@dataclass(frozen=True)
class SourceStatus:
    """One weather source of a yard: how new, and what its licence asks to be shown.

    ``failing`` says that nothing has come of it since its last failure.
    """

    source: str
    newest_hour: datetime | None
    fetched_at: datetime | None
    age_h: float | None
    last_failure: str
    credit: str
    failing: bool = False


@dataclass(frozen=True)
class ForecastReach:
    """How far the forecast behind a look ahead reaches, whose it is, and when it was fetched."""

    until: datetime
    fetched_at: datetime
    sources: tuple[str, ...]


@dataclass(frozen=True)
class YardAssessment:
    """A yard's covers, weather, log and ranking at ``as_of`` (UTC), with what was known by then.

    ``weather`` covers the season up to ``as_of``; ``series`` holds the modelled hours of every cover in the order of
    ``covers`` (None where only the ranking was asked for); ``exposures`` is in that order too. ``fetched_later`` says
    that no weather was known, and that some of that time came in afterwards.

    With ``ahead_h`` the weather goes on to so many hours after ``as_of``, exposures and ranking are those at that end,
    ``forecast`` says what they rest on, and ``coming`` holds the storms among the hours after ``as_of`` alone.
    ``came_off`` says since when boats have no cover any more.
    ``outlook`` is the weather with the forecast after ``as_of``, to be shown beside a ranking that knows nothing of it.
    """

    yard: Yard
    as_of: datetime
    version: str
    covers: tuple[Cover, ...]
    ranked: tuple[RankedCover, ...]
    exposures: tuple[Exposure, ...]
    clocks: dict[int, Clocks]
    open_findings: dict[str, list[OpenEntry]]
    log: Log
    weather: Merged
    storms: tuple[Storm, ...]
    sources: tuple[SourceStatus, ...]
    parameters: RankingParameters
    not_assessed: tuple[str, ...]
    data_age_h: float | None
    fetched_later: bool = False
    ahead_h: int = 0
    forecast: ForecastReach | None = None
    coming: tuple[Storm, ...] = ()
    came_off: Mapping[str, datetime] = field(default_factory=dict)
    outlook: Merged | None = field(default=None, repr=False)
    series: CoverSeries | None = field(default=None, repr=False)

    def cover_of(self, boat: str) -> Cover:
        """The cover of a boat by the yard's number; KeyError where the yard has no such boat under a cover."""
        for cover in self.covers:
            if cover.boat.number == boat:
                return cover
        raise KeyError(boat)
