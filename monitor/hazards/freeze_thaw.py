"""Freeze-thaw cycles: hour by hour with hysteresis, and the public daily index beside it. Pure functions."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FreezeThawParameters:
    """What we chose for counting cycles.

    low_c, high_c
        A cycle is down to ``low_c`` and back up to ``high_c``. Studies of concrete and pavements take -1 to -5 degC as
        frozen; the two degrees between keep a thermometer that dithers round freezing from counting.
    day_gap_h
        Hours of a day that may be missing before its lowest and highest temperature count as unknown.
    """

    low_c: float = -1.0
    high_c: float = 1.0
    day_gap_h: int = 2

    def __post_init__(self) -> None:
        if not self.low_c < self.high_c:
            raise ValueError(f"low_c must lie below high_c, got {self.low_c:g} and {self.high_c:g}")


def completed_cycles(temperature_c: ArrayLike, parameters: FreezeThawParameters) -> Floats:
    """Hours in which a freeze-thaw cycle completes.

    Parameters
    ----------
    temperature_c : array_like
        Temperature of air or film, shape (H,) or (H, C). [degC]
    parameters : FreezeThawParameters
        ``low_c`` and ``high_c`` are used.

    Returns
    -------
    numpy.ndarray
        1 where a cycle completes, else 0, shape of the input.

    Notes
    -----
    Frozen from the first hour at or below ``low_c``; the cycle completes in the next hour at or above ``high_c``. The
    start counts as thawed. An unknown hour changes nothing and counts nothing.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    cold = temperature <= parameters.low_c
    warm = temperature >= parameters.high_c
    hour = np.arange(len(temperature), dtype=np.int32).reshape(-1, *[1] * (temperature.ndim - 1))
    last_cold = np.maximum.accumulate(np.where(cold, hour, np.int32(-1)))
    last_warm = np.maximum.accumulate(np.where(warm, hour, np.int32(-1)))
    completed = np.zeros(temperature.shape)
    completed[1:] = warm[1:] & (last_cold > last_warm)[:-1]
    return completed


def daily_freeze_thaw(
    daily_min_c: ArrayLike, daily_max_c: ArrayLike, min_up_to_c: float = 0.0, max_above_c: float = 0.0
) -> NDArray[np.bool_]:
    """Days that freeze and thaw: lowest temperature <= ``min_up_to_c``, highest > ``max_above_c``.

    The public index as xclim defines it by default. False on a day of which either is unknown: count those beside it.
    """
    freezes = np.asarray(daily_min_c, dtype=np.float64) <= min_up_to_c
    thaws = np.asarray(daily_max_c, dtype=np.float64) > max_above_c
    return freezes & thaws


def daily_extremes(air_temperature_c: pd.Series, time_zone: str, parameters: FreezeThawParameters) -> pd.DataFrame:
    """Lowest and highest hourly temperature of each local calendar day.

    Parameters
    ----------
    air_temperature_c : pandas.Series
        Indexed by ``hour_ending`` (UTC, at most one row an hour). [degC]
    time_zone : str
        IANA name of the yard's zone.
    parameters : FreezeThawParameters
        ``day_gap_h`` is used.

    Returns
    -------
    pandas.DataFrame
        One row a day from the first to the last, indexed ``day`` (naive dates): ``min_c``, ``max_c`` [degC], both NaN
        where more than ``day_gap_h`` hours are missing, and ``missing_h`` out of the day's 23, 24 or 25 hours.

    Notes
    -----
    An hour belongs to the day in which it passes: the one that ends at local midnight to the day before.
    """
    begins = pd.DatetimeIndex(air_temperature_c.index) - pd.Timedelta(hours=1)
    day_of_hour = begins.tz_convert(time_zone).tz_localize(None).normalize()
    by_day = pd.Series(air_temperature_c.to_numpy(dtype=np.float64)).groupby(day_of_hour).agg(["min", "max", "count"])
    days = by_day.asfreq("D")
    midnights = pd.DatetimeIndex(days.index).union(pd.DatetimeIndex(days.index + pd.Timedelta(days=1)))
    local = midnights.tz_localize(time_zone, ambiguous=np.ones(len(midnights), dtype=bool), nonexistent="shift_forward")
    hours_of_day = np.diff(local.tz_convert("UTC")) / np.timedelta64(1, "h")
    missing_h = hours_of_day - days["count"].fillna(0)
    whole = missing_h <= parameters.day_gap_h
    return pd.DataFrame(
        {"min_c": days["min"].where(whole), "max_c": days["max"].where(whole), "missing_h": missing_h.astype(int)}
    ).rename_axis("day")
