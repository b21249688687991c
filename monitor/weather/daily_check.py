"""Measured days beside the merged hours: how far apart they are. A check by eye, never a correction. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from monitor.weather.table import Merged, hourly_index

COMPARED: Mapping[str, tuple[str, str]] = {
    "snowfall_depth_mm": ("snowfall_depth_mm", "sum"),
    "precipitation_mm": ("precipitation_mm", "sum"),
    "gust_5s_ms": ("wind_gust_ms", "max"),
}
"""Measured quantity of a day, the hourly variable that it is held against, and what is made of that one's hours."""


@dataclass(frozen=True)
class DayCheck:
    """One quantity of one station's day; ``of_hours`` is NaN, and so the difference, where no hour is known.

    ``hours_known`` counts the hours of the day that are known, of 24; an hour in which no gust was reported is one.
    """

    day: date
    station: str
    quantity: str
    measured: float
    of_hours: float
    hours_known: int
    day_ends: str
    flag: str

    @property
    def difference(self) -> float:
        """Hours less measured: negative where the hours have too little."""
        return self.of_hours - self.measured


def check_day(
    day: date,
    station: str,
    measured: Mapping[str, float],
    flags: Mapping[str, str],
    day_ends: Mapping[str, str],
    merged: Merged,
    time_zone: str,
) -> list[DayCheck]:
    """A station's day against the merged hours that it covers.

    Parameters
    ----------
    day : date
        The station's local date.
    station : str
    measured, flags, day_ends : mapping
        By quantity: value, flag, and local standard time at which the value's day ends; midnight where it is not told.
    merged : Merged
    time_zone : str
        IANA name; a climate day keeps standard time all year.
    """
    rows = []
    for quantity, (variable, how) in COMPARED.items():
        if quantity not in measured:
            continue
        hours = _hours_of(day, day_ends.get(quantity, ""), time_zone)
        values = _column(merged.values, variable, hours, np.nan).astype("float64")
        known = values.notna()
        if variable in merged.values.columns:
            known |= merged.none_reported(variable).reindex(hours, fill_value=False)
        told = values.dropna()
        of_hours = float("nan") if told.empty else float(told.sum() if how == "sum" else told.max())
        rows.append(
            DayCheck(
                day=day,
                station=station,
                quantity=quantity,
                measured=measured[quantity],
                of_hours=of_hours,
                hours_known=int(known.sum()),
                day_ends=day_ends.get(quantity, ""),
                flag=flags.get(quantity, ""),
            )
        )
    return rows


def _hours_of(day: date, ends: str, time_zone: str) -> pd.DatetimeIndex:
    """The 24 hours (``hour_ending``) up to the full hour nearest to the day's end, ``18:00`` or ``24:00``."""
    hour, _, minute = (ends or "24:00").partition(":")
    zone = ZoneInfo(time_zone)
    noon = datetime.combine(day, time(12), zone)
    standard = (noon.utcoffset() or timedelta(0)) - (noon.dst() or timedelta(0))
    midnight = datetime.combine(day, time(0), timezone(standard)).astimezone(UTC)
    last = pd.Timestamp(midnight + timedelta(hours=int(hour), minutes=int(minute))).round("h")
    return hourly_index(pd.date_range(end=last, periods=24, freq="h"))


def _column(frame: pd.DataFrame, name: str, hours: pd.DatetimeIndex, missing: float) -> pd.Series:
    return frame[name].reindex(hours) if name in frame.columns else pd.Series(missing, index=hours)


def largest_differences(checks: Sequence[DayCheck]) -> dict[str, DayCheck]:
    """Of each quantity the day on which the hours are furthest off, among days that are known whole and unflagged."""
    largest: dict[str, DayCheck] = {}
    for check in checks:
        if check.hours_known < 24 or check.flag == "qc_failed" or np.isnan(check.difference):
            continue
        before = largest.get(check.quantity)
        if before is None or abs(check.difference) > abs(before.difference):
            largest[check.quantity] = check
    return largest
