"""A yard's weather up to a moment, as it is read and as its covers feel it, and the storms in it."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.hazards.series import HazardParameters, YardWeather, yard_weather
from monitor.hazards.snow import SnowForcing, snow_on_covers
from monitor.operations.memory import Memory
from monitor.operations.weather import merged_weather, weather_mark
from monitor.register import Cover, Yard, flattest_slope_deg
from monitor.storms import Storm, StormParameters, find_storms
from monitor.weather.table import Merged

HAZARD_PARAMETERS = HazardParameters()
STORM_PARAMETERS = StormParameters()

TRACE_MM = 0.1
"""Less water than this is nothing lying: the share of snow in rain is never exactly nought."""


AGED_BY = ("air_temperature_c", "wind_speed_ms")
"""What a station or an analysis tells of every hour: by these the age of the weather is taken."""

NEWEST = timedelta(days=30)
"""How far back the newest hour is looked for before all hours are read."""


@dataclass(frozen=True)
class YardHours:
    """A yard's weather up to a moment, as read and as its covers feel it; ``mark`` differs where they may differ."""

    mark: tuple[object, ...]
    merged: Merged
    weather: YardWeather


def yard_hours(
    conn: sqlite3.Connection,
    yard: Yard,
    known_at: datetime,
    season: datetime,
    until: datetime,
    memory: Memory,
    name: str,
) -> YardHours:
    """The hours from the first wrapping on, as known at a moment; kept in ``memory`` under ``name``."""
    mark = (yard, season, until.replace(minute=0, second=0, microsecond=0), weather_mark(conn, yard, known_at))

    def read() -> YardHours:
        merged = merged_weather(conn, yard, known_at, season, until)
        return YardHours(mark, merged, yard_weather(merged, yard, season, until, HAZARD_PARAMETERS))

    return memory.keep(name, mark, read)


def storms_of_yard(
    of: YardHours, covers: Sequence[Cover], memory: Memory, name: str, after: datetime | None = None
) -> tuple[Storm, ...]:
    """Storms since the first wrapping, or among the hours after a moment alone.

    Whether rain falls on something is judged by the flattest of the covers.
    """
    flattest = min(flattest_slope_deg(build, cover.boat.beam_m) for cover in covers for build in cover.builds)
    since = 0 if after is None else int(of.weather.hour_ending.searchsorted(pd.Timestamp(after), side="right"))

    def find() -> tuple[Storm, ...]:
        snow = snow_on_covers(of.weather.snow, np.array([flattest]), HAZARD_PARAMETERS.snow)
        return storms_where(of, (snow.ice_mm > TRACE_MM)[:, 0], (snow.pocket_mm > TRACE_MM)[:, 0], since)

    return memory.keep(name, (of.mark, flattest, since), find)


def storms_where(
    of: YardHours, snow_lies: NDArray[np.bool_], water_lies: NDArray[np.bool_], since: int = 0
) -> tuple[Storm, ...]:
    """Storms from a row of the hours on, by where snow and water lay; shape (H,)."""
    rows, weather = slice(since, None), of.weather
    forcing = replace(
        weather.snow, **{part.name: getattr(weather.snow, part.name)[rows] for part in fields(SnowForcing)}
    )
    found = find_storms(
        of.merged.values.reindex(weather.hour_ending[rows]),
        forcing,
        snow_lies[rows],
        water_lies[rows],
        weather.air_cycles[rows],
        STORM_PARAMETERS,
    )
    return tuple(found)


def data_age_h(merged: Merged, as_of: datetime) -> float | None:
    """Age of the newest hour in which temperature or wind was measured or analysed; None where there is none. [h]

    A depth read off a stake or water in a gauge says nothing of how new the weather is.
    """
    named = merged.sources.reindex(columns=list(AGED_BY), fill_value="")
    seen = named.apply(lambda column: column.str.endswith((":observed", ":analysis"))).any(axis=1)
    if not seen.any():
        return None
    newest = seen[seen].index[-1].to_pydatetime()
    return max(float((as_of - newest).total_seconds()) / 3600, 0.0)


def data_age_now(conn: sqlite3.Connection, yard: Yard, now: datetime) -> float | None:
    """`data_age_h` of all that a yard has up to now. [h]"""
    age_h = data_age_h(merged_weather(conn, yard, None, now - NEWEST, now), now)
    return data_age_h(merged_weather(conn, yard, None, None, now), now) if age_h is None else age_h
