"""Reports of a weather station, made at any minute, as canonical hours. Pure.

An hour is made of the reports after the last full hour up to and including the next one. Nearly all of it is from the
routine report some minutes before the full hour; the others add gusts and weather. So an hour needs no report of
another hour, and files cut at full hours give the same table as one long file.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from monitor.variables import PRESENT_WEATHER
from monitor.weather.metar import FALLING_ICE, FREEZING_RAIN
from monitor.weather.table import NONE_REPORTED, hourly_index


@dataclass(frozen=True)
class ReadingRules:
    """What we chose ourselves where a report leaves it open."""

    routine_from_minute: int = 45
    """Routine reports of the US are made at minute 51 to 59, elsewhere mostly at 50 or 0. [minute of the hour]"""
    trace_mm: float = 0.05
    """A trace is less than 0.005 in (0.127 mm); near the middle of that. [mm]"""
    gauge_out_wind_ms: float = 8.0
    """A gauge that catches nothing while it snows in more wind than this is not believed. [m/s]"""
    peak_wind_age_min: float = 60.0
    """A peak wind is the highest since the last routine report, so at most this old. [min]"""
    ice_water_ratio: float = 0.9
    """Water in a depth of glaze ice, whose density is near 900 kg/m³. [1]"""


MEASURED = (
    "air_temperature_c",
    "dew_point_c",
    "relative_humidity_pct",
    "wind_speed_ms",
    "wind_gust_ms",
    "wind_from_deg",
    "precipitation_mm",
    "snow_depth_m",
    "cloud_cover_pct",
    "visibility_km",
)
"""Numeric columns of reports that are named as in the canonical table."""


def hours_of_reports(
    reports: pd.DataFrame, failed: pd.DataFrame, rules: ReadingRules
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Hours and their flags.

    Parameters
    ----------
    reports : pandas.DataFrame
        One row a report, in order of time, a correction after what it corrects. Float columns: those of ``MEASURED``
        (precipitation counted from one routine report to the next), ``peak_wind_ms`` and its ``peak_age_min``,
        ``ice_mm`` (depth of ice in the last hour). ``at`` (time, UTC), ``weather`` (codes, empty where none).
        ``standing`` (int): how sure it is that a report near the full hour is the routine one. Bool columns:
        ``tells_gust`` (would have told a gust), ``sees_weather``, ``sees_freezing_rain``, ``gauge_is_out``.
    failed : pandas.DataFrame
        Bool, same rows, columns ``MEASURED``: values that the service's own check rejected.
    rules : ReadingRules

    Returns
    -------
    tuple of pandas.DataFrame
        Canonical hours (index ``hour_ending``) and their flags.
    """
    near = (reports["at"].dt.minute >= rules.routine_from_minute) | (reports["at"].dt.minute == 0)
    reports = reports.assign(hour=reports["at"].dt.ceil("h"), rank=(1 + reports["standing"]).where(near, 0))
    chosen = reports.sort_values(["hour", "rank"], kind="stable").drop_duplicates("hour", keep="last")
    routine = chosen.set_index("hour")
    rejected = failed.loc[chosen.index].set_axis(routine.index) & routine[list(MEASURED)].notna()

    hours = routine[list(MEASURED)].copy()
    flags = pd.DataFrame(np.where(rejected, "qc_failed", ""), index=hours.index, columns=hours.columns, dtype="str")
    calm = (routine["wind_from_deg"] == 0) & (routine["wind_speed_ms"] == 0)
    hours.loc[calm, "wind_from_deg"] = np.nan
    flags.loc[calm, "wind_from_deg"] = ""

    mean_ms = routine["wind_speed_ms"].mask(rejected["wind_speed_ms"])
    gust_ms, only_rejected, none_reported = _gust(
        reports, failed["wind_gust_ms"], mean_ms, routine["tells_gust"], rules
    )
    hours["wind_gust_ms"] = gust_ms
    flags["wind_gust_ms"] = ""
    flags.loc[only_rejected, "wind_gust_ms"] = "qc_failed"
    flags.loc[none_reported, "wind_gust_ms"] = NONE_REPORTED

    water, gauge_out = _gauge(reports, routine, rules)
    hours["precipitation_mm"] = water
    flags.loc[water.isna(), "precipitation_mm"] = ""
    flags.loc[gauge_out & (flags["precipitation_mm"] == ""), "precipitation_mm"] = "gauge_out"
    weather, ice_is_seen = _present_weather(reports)
    hours["freezing_rain_mm"], from_gauge = _freezing_rain(reports, water, weather, ice_is_seen, rules)
    flags["freezing_rain_mm"] = flags["precipitation_mm"].where(from_gauge, "")
    hours["snow_depth_m"] = reports["snow_depth_m"].groupby(reports["hour"]).last()
    flags["snow_depth_m"] = ""
    hours[PRESENT_WEATHER] = weather
    index = hourly_index(hours.index)
    return hours.set_axis(index), flags.set_axis(index)


def _gust(
    reports: pd.DataFrame, failed: pd.Series, mean_ms: pd.Series, tells_gust: pd.Series, rules: ReadingRules
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """Highest gust or peak wind of the hour, where only rejected ones are known, and where none was reported.

    A rejected gust counts only in an hour without another. Gusts below the mean wind of the routine report are of a
    calmer part of the hour and count as none reported.
    """
    peak = reports["peak_wind_ms"].where(reports["peak_age_min"].between(0, rules.peak_wind_age_min))
    sound = reports["wind_gust_ms"].mask(failed).combine(peak, np.fmax).groupby(reports["hour"]).max()
    rejected = reports["wind_gust_ms"].where(failed).groupby(reports["hour"]).max()
    sound = sound.mask(sound < mean_ms)
    only_rejected = sound.isna() & rejected.notna()
    none_reported = sound.isna() & rejected.isna() & mean_ms.notna() & tells_gust
    return sound.where(~only_rejected, rejected), only_rejected, none_reported


def _gauge(reports: pd.DataFrame, routine: pd.DataFrame, rules: ReadingRules) -> tuple[pd.Series, pd.Series]:
    """Water in the gauge [mm], and the hours in which the gauge is not believed.

    The gauge counts up from one routine report to the next, so only that report has the hour's sum.
    """
    water = routine["precipitation_mm"].where(routine["rank"] > 0)
    says_out = reports["gauge_is_out"].groupby(reports["hour"]).any()
    snows = routine["weather"].str.contains(FALLING_ICE)
    in_wind = routine["wind_speed_ms"] > rules.gauge_out_wind_ms
    return water, water.notna() & (says_out | (snows & in_wind & (water == 0)))


def _present_weather(reports: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Codes of all reports of the hour, each once, in order of time; NaN where no report could tell.

    Second: hours whose reports would have told freezing rain.
    """
    told = (reports["sees_weather"] | (reports["weather"] != "")).groupby(reports["hour"]).any()
    coded = reports[reports["weather"] != ""]
    codes = {
        hour: " ".join(dict.fromkeys(" ".join(texts).split()))
        for hour, texts in coded["weather"].groupby(coded["hour"])
    }
    weather = pd.Series([codes.get(hour, "") for hour in told.index], index=told.index, dtype="str").where(told)
    return weather, told & reports["sees_freezing_rain"].groupby(reports["hour"]).any()


def _freezing_rain(
    reports: pd.DataFrame, water: pd.Series, weather: pd.Series, ice_is_seen: pd.Series, rules: ReadingRules
) -> tuple[pd.Series, pd.Series]:
    """Freezing rain or drizzle [mm of water], and the hours in which it is the gauge's.

    The gauge's water where the weather says so, or the measured ice where that is more; 0 where the weather is known to
    be something else.
    """
    coded = weather.fillna("").str.contains(FREEZING_RAIN)
    by_gauge = water.where(coded).mask(~coded & ice_is_seen, 0.0)
    by_ice = reports["ice_mm"].groupby(reports["hour"]).max() * rules.ice_water_ratio
    return by_gauge.combine(by_ice, np.fmax), coded & ~(by_ice > by_gauge.fillna(0))
