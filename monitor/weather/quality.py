"""Doubtful weather: rules that flag a source's values, and what is known and missing after merging. Pure.

A rule is one small function: hours in, a mask for each variable it doubts out. ``RULES`` lists them in the order in
which they run; each sees the hours without what earlier rules doubted, and the first word on a cell stands.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.variables import PRESENT_WEATHER, VARIABLES
from monitor.weather.table import NONE_REPORTED, Merged, hourly_index, no_flags

Masks = dict[str, NDArray[np.bool_]]


@dataclass(frozen=True)
class QualityLimits:
    """Where doubt begins; the bounds of each variable stand in ``variables.py``.

    The phantom rule is our own: at Newark it removes the 29.5 mm reported on 27 January 2013 at -7 °C under 10-mile
    visibility, and nothing from the storm of 8-9 February 2013.
    """

    phantom_precipitation_mm: float = 0.5
    """Less does not move a snow load. [mm in the hour]"""
    phantom_below_c: float = -1.0
    """Rain from a shower passing by is no phantom; snow needs cloud and haze. [°C]"""
    phantom_visibility_km: float = 12.87
    """8 miles: more than 0.5 mm of snow in an hour cannot be looked through so far. [km]"""
    phantom_humidity_pct: float = 80.0
    """Air in which snow falls for an hour is near saturation. [%]"""
    gust_rounding_ms: float = 0.5
    """A gust is at least the mean wind; both are rounded to a knot. [m/s]"""
    dew_point_rounding_c: float = 1.0
    """Dew point is at most the air temperature; both may be rounded to a degree. [°C]"""


Rule = Callable[[pd.DataFrame, QualityLimits], Masks]


def flag(hours: pd.DataFrame, limits: QualityLimits | None = None) -> pd.DataFrame:
    """Flags of a source's whole series.

    Parameters
    ----------
    hours : pandas.DataFrame
        Canonical hours of one source, see ``table.ParsedHours``.
    limits : QualityLimits, optional

    Returns
    -------
    pandas.DataFrame
        Text, same index, the numeric columns of ``hours``: empty, or the word of the rule that doubts the value.
    """
    limits = limits or QualityLimits()
    flags = no_flags(hours)
    trusted = hours.copy()
    for word, rule in RULES:
        for name, doubted in rule(trusted, limits).items():
            flags.loc[doubted, name] = word
            trusted.loc[doubted, name] = np.nan
    return flags


def combine(first: pd.DataFrame, second: pd.DataFrame) -> pd.DataFrame:
    """Flags of the same hours from two judges: a fault beats ``none_reported``, and the first judge's fault stands."""
    columns = pd.Index([name for name in VARIABLES if name in first.columns or name in second.columns], dtype="str")
    first = first.reindex(columns=columns, fill_value="")
    second = second.reindex(columns=columns, fill_value="")
    return first.where(_is_fault(first) | (second == ""), second)


def usable(hours: pd.DataFrame, flags: pd.DataFrame) -> pd.DataFrame:
    """The hours with every value at fault made missing; ``none_reported`` is no fault."""
    return hours.mask(_is_fault(flags).reindex(columns=hours.columns, fill_value=False))


def _is_fault(flags: pd.DataFrame) -> pd.DataFrame:
    return (flags != "") & (flags != NONE_REPORTED)


def _out_of_range(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """Outside the bounds that ``variables.py`` gives: the 1,048 mph that Newark reported on 12 February 2013."""
    return {
        name: ((hours[name] < VARIABLES[name].low) | (hours[name] > VARIABLES[name].high)).to_numpy()
        for name in hours.columns
        if name != PRESENT_WEATHER
    }


def _gust_below_mean(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    if not {"wind_gust_ms", "wind_speed_ms"} <= set(hours.columns):
        return {}
    below = hours["wind_gust_ms"] < hours["wind_speed_ms"] - limits.gust_rounding_ms
    return {"wind_gust_ms": below.to_numpy()}


def _dew_point_above_air(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """The dew point is doubted, not the temperature: it is the harder of the two to measure."""
    if not {"dew_point_c", "air_temperature_c"} <= set(hours.columns):
        return {}
    above = hours["dew_point_c"] > hours["air_temperature_c"] + limits.dew_point_rounding_c
    return {"dew_point_c": above.to_numpy()}


_WATER = ("precipitation_mm", "rain_mm", "snowfall_water_mm", "snowfall_depth_mm", "freezing_rain_mm")


def _phantom_precipitation(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """Precipitation in the cold, in dry air that one can see far through; unknown visibility or humidity: no doubt."""
    if not {"precipitation_mm", "air_temperature_c", "visibility_km"} <= set(hours.columns):
        return {}
    phantom = (
        (hours["precipitation_mm"] > limits.phantom_precipitation_mm)
        & (hours["air_temperature_c"] < limits.phantom_below_c)
        & (hours["visibility_km"] >= limits.phantom_visibility_km)
        & (_relative_humidity_pct(hours) < limits.phantom_humidity_pct)
    )
    return {name: (phantom & (hours[name] > 0)).to_numpy() for name in _WATER if name in hours.columns}


RULES: tuple[tuple[str, Rule], ...] = (
    ("range", _out_of_range),
    ("contradiction", _gust_below_mean),
    ("contradiction", _dew_point_above_air),
    ("phantom", _phantom_precipitation),
)
"""Word and rule, in the order in which they run."""


def _relative_humidity_pct(hours: pd.DataFrame) -> pd.Series:
    """Humidity over water as given, else from the dew point; NaN where neither is known."""
    unknown = pd.Series(np.nan, index=hours.index)
    given = hours["relative_humidity_pct"] if "relative_humidity_pct" in hours.columns else unknown
    if not {"dew_point_c", "air_temperature_c"} <= set(hours.columns):
        return given
    return given.fillna(100 * _saturation_ratio(hours["dew_point_c"]) / _saturation_ratio(hours["air_temperature_c"]))


def _saturation_ratio(temperature_c: pd.Series) -> pd.Series:
    """Saturation vapour pressure over water, as a ratio to that at 0 °C.

    Alduchov and Eskridge 1996, J. Appl. Meteorol. 35:601: 6.1094 hPa exp(17.625 T / (243.04 + T)) (from memory).
    """
    celsius = temperature_c.to_numpy()
    return pd.Series(np.exp(17.625 * celsius / (243.04 + celsius)), index=temperature_c.index)


@dataclass(frozen=True)
class Gap:
    """A run of hours of which nobody knows a variable, from ``start`` to ``end`` (UTC)."""

    start: datetime
    end: datetime
    hours: int


@dataclass(frozen=True)
class Coverage:
    """How much of a span is known of one variable; the three counts add up to the hours of the span."""

    variable: str
    known: int
    none_reported: int
    missing: int
    gaps: tuple[Gap, ...]


def coverage(
    merged: Merged, start: datetime, end: datetime, variables: Sequence[str] | None = None
) -> dict[str, Coverage]:
    """What is known of each variable between two moments (UTC).

    Parameters
    ----------
    merged : Merged
    start, end : datetime
        Hours that lie wholly between them are counted, those outside the table as missing.
    variables : sequence of str, optional
        Default: the columns of the table. One that no source has is missing throughout.
    """
    first = pd.Timestamp(start).ceil("h") + pd.Timedelta(hours=1)
    hours = hourly_index(pd.date_range(first, pd.Timestamp(end).floor("h"), freq="h"))
    return {name: _coverage_of(merged, name, hours) for name in (variables or list(merged.values.columns))}


def _coverage_of(merged: Merged, name: str, hours: pd.DatetimeIndex) -> Coverage:
    if name in merged.values.columns:
        missing = merged.missing(name).reindex(hours, fill_value=True).to_numpy(dtype=bool)
        none_reported = merged.none_reported(name).reindex(hours, fill_value=False).to_numpy(dtype=bool)
    else:
        missing, none_reported = np.ones(len(hours), dtype=bool), np.zeros(len(hours), dtype=bool)
    return Coverage(
        variable=name,
        known=int((~missing & ~none_reported).sum()),
        none_reported=int(none_reported.sum()),
        missing=int(missing.sum()),
        gaps=_gaps(missing, hours),
    )


def _gaps(missing: NDArray[np.bool_], hours: pd.DatetimeIndex) -> tuple[Gap, ...]:
    edges = np.diff(np.concatenate([[0], missing.astype(int), [0]]))
    begins, stops = np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist()
    one_hour = pd.Timedelta(hours=1)
    return tuple(
        Gap((hours[begin] - one_hour).to_pydatetime(), hours[stop - 1].to_pydatetime(), stop - begin)
        for begin, stop in zip(begins, stops, strict=True)
    )
