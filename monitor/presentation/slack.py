"""Slack over a cover's season: gust work since the last re-tensioning, as it was and as it would have been. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from monitor.assessment import YardAssessment
from monitor.hazards.series import CoverSeries
from monitor.inspections import RETENSIONING
from monitor.presentation.panels import BLUE, VERMILLION, Floats, Level, Panel, Series, TimeChart
from monitor.presentation.season import local_times
from monitor.register import BELLY_BAND_SPACING_M, Cover, belly_band_spacing_m
from monitor.units import display_unit
from monitor.wording import exposure_text


@dataclass(frozen=True)
class SlackSeason:
    """Slack after each hour since the wrapping: gust work since the last re-tensioning x band spacing / 1.8 m. [kPa h]

    Arrays are (H,). ``as_it_was`` restarts at every logged re-tensioning, ``otherwise`` also at ``also_at`` (UTC), the
    moments in question; they are the same where there is none. ``chosen`` says that nobody named that moment: it is
    the one that would have parted the most work between two re-tensionings best, as is known only afterwards.
    Hours without a known gust count as no work; ``missing`` marks them.
    """

    hour_ending: pd.DatetimeIndex
    as_it_was: Floats
    otherwise: Floats
    missing: np.typing.NDArray[np.bool_]
    also_at: tuple[datetime, ...]
    chosen: bool

    @property
    def now(self) -> float:
        """At the last hour; 0 before any."""
        return float(self.as_it_was[-1]) if len(self.as_it_was) else 0.0

    def worst(self) -> tuple[float, datetime | None]:
        """Highest slack as it was, and the first hour that had it."""
        return _worst(self.as_it_was, self.hour_ending)

    def worst_otherwise(self) -> tuple[float, datetime | None]:
        """Highest slack with the moments in question."""
        return _worst(self.otherwise, self.hour_ending)


def slack_season(
    assessment: YardAssessment, series: CoverSeries, cover: Cover, also_at: Iterable[datetime] = ()
) -> SlackSeason:
    """The slack of a cover in ``series`` hour by hour, restarted at ``also_at`` too; without one, at the best moment.

    Band spacing is that of the assessment's moment, as in the ranking. Forecast hours of ``series`` do not count.
    """
    column = series.cover_ids.index(cover.id or 0)
    hours = series.hour_ending
    first = int(hours.searchsorted(pd.Timestamp(cover.builds[0].built_at), side="right"))
    last = int(hours.searchsorted(pd.Timestamp(assessment.as_of), side="right"))
    hours = hours[first:last]
    raw = series.gust_work_kpah[first:last, column]
    spacing_m = belly_band_spacing_m(cover.build_at(assessment.as_of), cover.boat.length_m)
    per_band = 1.0 if spacing_m is None else spacing_m / BELLY_BAND_SPACING_M
    work: Floats = np.nan_to_num(raw, nan=0.0) * per_band
    done = [
        action.acted_at
        for action in assessment.log.actions
        if action.cover_id == cover.id and action.action in RETENSIONING
    ]
    moments, chosen = tuple(also_at), False
    if not moments and (best := _best_moment(hours, _restarted(hours, work, done))):
        moments, chosen = (best,), True
    return SlackSeason(
        hour_ending=hours,
        as_it_was=_restarted(hours, work, done),
        otherwise=_restarted(hours, work, [*done, *moments]),
        missing=np.isnan(series.gust_pressure_pa[first:last, column]),
        also_at=moments,
        chosen=chosen,
    )


def slack_chart(season: SlackSeason, assessment: YardAssessment) -> TimeChart | None:
    """The season's slack, as it was and otherwise, with the two numbers of its curve; None without an hour."""
    if not len(season.hour_ending):
        return None
    yard = assessment.yard
    unit = display_unit("load", yard.display_units)
    curve = assessment.parameters.curves["slack"]
    lines = [Series("as it was", season.as_it_was * unit.factor, "line", VERMILLION)]
    if season.also_at:
        lines.append(Series("re-tensioned once more", season.otherwise * unit.factor, "dotted", BLUE))
    levels = tuple(
        Level(number * unit.factor, f"{chance}: {exposure_text('slack', number, yard.display_units)}")
        for chance, number in (("1 in 10", curve.x10), ("1 in 2", curve.x50))
    )
    panel = Panel("Slack, modelled", f"{unit.symbol} h", 1, tuple(lines), season.missing, levels)
    return TimeChart(
        times=local_times(season.hour_ending, yard.time_zone),
        panels=(panel,),
        axis_title=f"hour ending, clock of {yard.time_zone}",
        label="Slack of this cover over the season, as it was and with one re-tensioning more",
    )


def _restarted(hours: pd.DatetimeIndex, work: Floats, moments: Iterable[datetime]) -> Floats:
    """Running sum of the work that begins anew with the first hour that ends after each moment."""
    total = np.cumsum(work)
    slack = total.copy()
    for moment in sorted(moments):
        row = int(hours.searchsorted(pd.Timestamp(moment), side="right"))
        if 0 < row < len(total):
            slack[row:] = total[row:] - total[row - 1]
    return slack


def _best_moment(hours: pd.DatetimeIndex, slack: Floats) -> datetime | None:
    """End of the hour at which one re-tensioning would have halved the worst slack best; None where there is none."""
    if not len(slack) or slack.max() <= 0:
        return None
    end = int(slack.argmax())
    lower = np.flatnonzero(np.diff(slack[: end + 1]) < 0)
    begin = int(lower[-1]) + 1 if len(lower) else 0
    before = slack[begin:end]
    if not len(before):
        return None
    row = int(np.maximum(before, slack[end] - before).argmin())
    return hours[begin + row].to_pydatetime() if before[row] > 0 else None


def _worst(slack: Floats, hours: pd.DatetimeIndex) -> tuple[float, datetime | None]:
    if not len(slack) or slack.max() <= 0:
        return 0.0, None
    row = int(slack.argmax())
    return float(slack[row]), hours[row].to_pydatetime()
