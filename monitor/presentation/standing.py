"""What the weather did to one cover in some hours, against the yard's other covers, none of them named. Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd

from monitor.assessment import YardAssessment
from monitor.hazards import column
from monitor.hazards.series import WET_MM, CoverSeries
from monitor.hazards.snow import KPA_PER_MM, SnowParameters, snow_forcing
from monitor.presentation.panels import Floats
from monitor.register import Cover
from monitor.reruns import Quantity

LEAST_SHARE = 0.9
"""A cover is compared where it was on for this share of the hours in question: our own choice."""

Measure = Callable[[CoverSeries, slice, pd.DataFrame], Floats]
"""Each cover's number from the series, the rows in question, and the weather of these rows."""


@dataclass(frozen=True)
class Standing:
    """One cover's number among those of the covers beside it; quartiles are of the others, NaN where there is none.

    ``place`` counts from the highest, ties sharing the better place, ``of`` is how many covers there are, this one
    among them; ``alike`` of the others have the very same number.
    """

    quantity: Quantity
    value: float
    lower: float
    median: float
    upper: float
    place: int
    of: int
    alike: int


def standings(
    assessment: YardAssessment, series: CoverSeries, cover: Cover, topic: str, since: datetime
) -> tuple[Standing, ...]:
    """The numbers of a topic (``bands``, ``air``, ``slope``, ``film``) in the hours that end after ``since`` (UTC).

    All covers are counted over the same hours, but for numbers that say otherwise. Other covers count where they were
    on for `LEAST_SHARE` of these hours; their earlier hours are none.
    """
    hours = series.hour_ending
    ends = int(hours.searchsorted(pd.Timestamp(assessment.as_of), side="right"))
    first = int(hours.searchsorted(pd.Timestamp(since), side="right"))
    rows = slice(first, ends)
    mine = series.cover_ids.index(cover.id or 0)
    wrapped = np.array([_wrapped_row(hours, assessment, cover_id) for cover_id in series.cover_ids])
    on = np.clip(ends - np.maximum(wrapped, first), 0, None) >= LEAST_SHARE * max(ends - first, 1)
    weather = assessment.weather.values.reindex(hours[rows])
    standing = [_standing(quantity, measure(series, rows, weather), mine, on) for quantity, measure in _MEASURES[topic]]
    return (*standing, *(_own_clocks(assessment, series, mine) if topic == "bands" else ()))


def _wrapped_row(hours: pd.DatetimeIndex, assessment: YardAssessment, cover_id: int) -> int:
    return int(hours.searchsorted(pd.Timestamp(assessment.clocks[cover_id].wrapped_at), side="right"))


def _own_clocks(assessment: YardAssessment, series: CoverSeries, mine: int) -> tuple[Standing, ...]:
    """Slack, and days, of each cover since its own last re-tensioning."""
    everybody = np.ones(len(series.cover_ids), dtype=bool)
    slack = next(one for one in assessment.exposures if one.hazard == "slack")
    order = [cover.id for cover in assessment.covers]
    values = np.array([slack.value[order.index(cover_id)] for cover_id in series.cover_ids])
    days = np.array(
        [
            (assessment.as_of - assessment.clocks[cover_id].retensioned_at).total_seconds() / 86400
            for cover_id in series.cover_ids
        ]
    )
    return (
        _standing(
            Quantity("slack now, each since its own last re-tensioning", "kPa h", "load hours", 0),
            values,
            mine,
            everybody,
        ),
        _standing(Quantity("days since its own last re-tensioning", "days", "days", 0), days, mine, everybody),
    )


def _standing(quantity: Quantity, values: Floats, mine: int, on: np.typing.NDArray[np.bool_]) -> Standing:
    value = float(values[mine])
    beside = on & ~np.isnan(values)
    beside[mine] = False
    others = values[beside]
    lower, median, upper = np.percentile(others, [25, 50, 75]).tolist() if len(others) else [np.nan] * 3
    return Standing(
        quantity,
        value,
        lower,
        median,
        upper,
        1 + int((others > value).sum()),
        1 + len(others),
        int((others == value).sum()),
    )


def _total(values: Floats, known: np.typing.NDArray[np.bool_]) -> Floats:
    """Sum of each column over its known hours; NaN where hours passed and none is known."""
    total: Floats = np.where(known, values, 0.0).sum(axis=0)
    return np.where(known.any(axis=0) | (len(known) == 0), total, np.nan)


def _peak(values: Floats) -> Floats:
    """Highest known number of each column; NaN where none is known."""
    top = np.where(np.isnan(values), -np.inf, values).max(axis=0, initial=-np.inf)
    return np.where(np.isneginf(top), np.nan, top)


def _gust_work(series: CoverSeries, rows: slice, _: pd.DataFrame) -> Floats:
    work = series.gust_work_kpah[rows]
    return _total(work, ~np.isnan(work))


def _damp(series: CoverSeries, rows: slice, _: pd.DataFrame) -> Floats:
    return _total(series.damp[rows].astype(np.float64), ~np.isnan(series.inside_rh_pct[rows]))


def _condensation(series: CoverSeries, rows: slice, _: pd.DataFrame) -> Floats:
    return _total(series.condensation[rows].astype(np.float64), ~np.isnan(series.inside_rh_pct[rows]))


def _snow_hours(series: CoverSeries, rows: slice, weather: pd.DataFrame) -> Floats:
    """Hours in which snow lay; one without temperature, snow or rain keeps the model's snow, and counts for nothing."""
    missing = snow_forcing(weather, SnowParameters()).missing | np.isnan(column(weather, "air_temperature_c"))
    lying = (series.snow_load_kpa[rows] > WET_MM * KPA_PER_MM).astype(np.float64)
    return _total(lying, np.broadcast_to(~missing[:, None], lying.shape))


def _cycles(series: CoverSeries, rows: slice, _: pd.DataFrame) -> Floats:
    cycles = series.cycles[rows]
    return _total(cycles, ~np.isnan(series.film_temperature_c[rows]))


_GUST_WORK = (Quantity("gust work", "kPa h", "load hours", 0), _gust_work)
_MEASURES: dict[str, tuple[tuple[Quantity, Measure], ...]] = {
    "bands": (
        _GUST_WORK,
        (
            Quantity("highest gust pressure", "Pa", "pressure", 0),
            lambda series, rows, _: _peak(series.gust_pressure_pa[rows]),
        ),
    ),
    "air": (
        (Quantity("damp hours inside", "h", "hours", 0), _damp),
        (Quantity("hours of condensation", "h", "hours", 0), _condensation),
    ),
    "slope": (
        (
            Quantity("peak snow load, flattest part", "kPa", "load", 0),
            lambda series, rows, _: _peak(series.snow_load_kpa[rows]),
        ),
        (Quantity("hours with snow lying", "h", "hours", 0), _snow_hours),
        (Quantity("most water in a pocket", "mm", "water", 0), lambda series, rows, _: _peak(series.pocket_mm[rows])),
    ),
    "film": (
        _GUST_WORK,
        (Quantity("freeze-thaw cycles of the film", "cycles", "count", 0), _cycles),
    ),
}
