"""Doubtful weather: rules that flag a source's values, and what is known and missing after merging. Pure.

A rule is one small function: hours in, a mask for each variable it doubts out. ``RULES`` lists them in the order in
which they run; each sees the hours without what earlier rules doubted, and the first word on a cell stands. Some doubt
what instruments do, some what models do: those run where the kind of the hours is known.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.variables import KINDS, PRESENT_WEATHER, VARIABLES, Kind
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
    excursion_temperature_k: float = 15.0
    """Away from the hours before and after, and back. Fronts come to stay, and showers cool by less: at three New York
    airports no hour of 2013 was more than 5 K away, but for one of -10.5 °C at Kennedy in a night of 14 °C. [K]"""
    excursion_wind_ms: float = 30.0
    """The same for mean wind. The gust front of a thunderstorm passes within an hour; 8 m/s is the most at those
    airports. [m/s]"""
    excursion_gust_ms: float = 40.0
    """The same for gusts: in the worst squalls they rise by about 30 m/s and fall again (from memory). [m/s]"""
    excursion_snow_depth_m: float = 0.5
    """The same for snow depth: nothing that lies so deep comes and goes within hours. [m]"""
    excursion_h: int = 3
    """Longest excursion. What lasts longer may be weather. [h]"""
    stuck_temperature_h: int = 24
    """Air keeps its temperature to the digit through a foggy day, 14 h at those airports, not around the clock. [h]"""
    stuck_wind_h: int = 12
    """Wind keeps its speed to the knot for some hours, 6 h at those airports, but not half a day. [h]"""
    stuck_light_wind_h: int = 24
    """Light air has few steps to choose from: 9 h at 4 knots at Kennedy. Calm may last, and is never doubted. [h]"""
    light_wind_ms: float = 3.0
    """Up to here wind is light air. [m/s]"""
    model_snow_jump_m_per_h: float = 0.6
    """Twice the heaviest snowfall of an hour (about 0.3 m, from memory); more is a seam between models. [m]"""
    warm_snow_c: float = 15.0
    """Snow does not outlast air warmer than this, night included. [°C]"""
    warm_snow_h: int = 48
    """For so long: at 0.17 mm for each degree and hour (SNOW-17) that melts 120 mm of water. [h]"""
    warm_snow_depth_m: float = 0.02
    """Less is a remainder of rounding. [m]"""


Rule = Callable[[pd.DataFrame, QualityLimits], Masks]


def flag(hours: pd.DataFrame, limits: QualityLimits | None = None, *, kind: Kind | None = None) -> pd.DataFrame:
    """Flags of a source's whole series.

    Parameters
    ----------
    hours : pandas.DataFrame
        Canonical hours of one source, see ``table.ParsedHours``.
    limits : QualityLimits, optional
    kind : {'observed', 'analysis', 'forecast'}, optional
        What the hours are. Without it only the rules that hold for every kind run.

    Returns
    -------
    pandas.DataFrame
        Text, same index, the numeric columns of ``hours``: empty, or the word of the rule that doubts the value.
    """
    limits = limits or QualityLimits()
    flags = no_flags(hours)
    trusted = hours.copy()
    for word, rule, kinds in RULES:
        if not set(KINDS if kind is None else [kind]) <= set(kinds):
            continue
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


def _excursion(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """Far away from the hours before and after, and back within a few: what an instrument or a typing error does.

    A front comes and stays, so a step without return is not doubted; nor is a value whose neighbours are unknown. A
    foehn that breaks through for an hour or two at the foot of mountains can look so.
    """
    jumps = {
        "air_temperature_c": limits.excursion_temperature_k,
        "dew_point_c": limits.excursion_temperature_k,
        "wind_speed_ms": limits.excursion_wind_ms,
        "wind_gust_ms": limits.excursion_gust_ms,
        "snow_depth_m": limits.excursion_snow_depth_m,
    }
    masks: Masks = {}
    for name, jump in jumps.items():
        if name not in hours.columns:
            continue
        every, rows = _every_hour(hours[name])
        away = np.zeros(len(every), dtype=bool)
        for length in range(1, min(limits.excursion_h, len(every) - 2) + 1):
            windows = np.lib.stride_tricks.sliding_window_view(every, length + 2)
            inside, outside = windows[:, 1:-1], windows[:, [0, -1]]
            above = inside.min(axis=1) > outside.max(axis=1) + jump
            below = inside.max(axis=1) < outside.min(axis=1) - jump
            for position in range(1, length + 1):
                away[position : position + len(windows)] |= above | below
        masks[name] = away[rows]
    return masks


def _stuck(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """The same value to the digit for many hours: ice on the sensor, or a reading that is only repeated.

    Humidity stays at its top in fog, and precipitation and calm at zero, for days: they are not judged.
    """
    masks: Masks = {}
    for name in ("air_temperature_c", "wind_speed_ms", "wind_gust_ms"):
        if name not in hours.columns:
            continue
        every, rows = _every_hour(hours[name])
        run = np.concatenate([[0], np.cumsum(every[1:] != every[:-1])]) if len(every) else np.zeros(0, dtype=int)
        length_h = np.bincount(run)[run] if len(run) else run
        if name == "air_temperature_c":
            masks[name] = (length_h >= limits.stuck_temperature_h)[rows]
        else:
            longest_h = np.where(every > limits.light_wind_ms, limits.stuck_wind_h, limits.stuck_light_wind_h)
            masks[name] = ((length_h >= longest_h) & (every > 0))[rows]
    return masks


def _model_snow_jump(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """The hour in which a model's snow depth jumps, up or down."""
    if "snow_depth_m" not in hours.columns:
        return {}
    every, rows = _every_hour(hours["snow_depth_m"])
    jumps = np.abs(np.diff(every, prepend=np.nan)) > limits.model_snow_jump_m_per_h
    return {"snow_depth_m": jumps[rows]}


def _model_snow_in_warm_air(hours: pd.DataFrame, limits: QualityLimits) -> Masks:
    """Snow that a model leaves lying in days of warm air, as models have done through whole summers."""
    if not {"snow_depth_m", "air_temperature_c"} <= set(hours.columns):
        return {}
    every, rows = _every_hour(hours["air_temperature_c"])
    coldest = pd.Series(every).rolling(limits.warm_snow_h).min().to_numpy()[rows]
    lies = (hours["snow_depth_m"] > limits.warm_snow_depth_m).to_numpy()
    return {"snow_depth_m": lies & (coldest > limits.warm_snow_c)}


def _every_hour(column: pd.Series) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Values of a column with NaN in the hours that are absent, and the positions of its own hours among them."""
    if column.empty:
        return np.zeros(0), np.zeros(0, dtype=np.intp)
    rows = ((column.index - column.index[0]) // pd.Timedelta(hours=1)).to_numpy(dtype=np.intp)
    every = np.full(rows[-1] + 1, np.nan)
    every[rows] = column.to_numpy()
    return every, rows


_INSTRUMENTS: tuple[Kind, ...] = ("observed",)
_MODELS: tuple[Kind, ...] = ("analysis", "forecast")

RULES: tuple[tuple[str, Rule, tuple[Kind, ...]], ...] = (
    ("range", _out_of_range, KINDS),
    ("step", _excursion, KINDS),
    ("contradiction", _gust_below_mean, KINDS),
    ("contradiction", _dew_point_above_air, KINDS),
    ("phantom", _phantom_precipitation, KINDS),
    ("stuck", _stuck, _INSTRUMENTS),
    ("step", _model_snow_jump, _MODELS),
    ("contradiction", _model_snow_in_warm_air, _MODELS),
)
"""Word, rule and the kinds of hours that it judges, in the order in which they run."""


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
