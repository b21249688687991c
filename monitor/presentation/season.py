"""A yard's season as its pages show it: hours and days on the yard's clock, panels, storms. Worked out once. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.assessment import YardAssessment
from monitor.hazards import column
from monitor.hazards.freeze_thaw import FreezeThawParameters, daily_extremes, daily_freeze_thaw
from monitor.hazards.ice import freezing_rain
from monitor.hazards.snow import SnowParameters, snow_forcing
from monitor.presentation.panels import BLUE, GREY, SKY, VERMILLION, Floats, Notes, Panel, Series, StormBand, Times
from monitor.storms import Storm
from monitor.units import DisplayUnit, display_unit
from monitor.wording import local_text, source_text

FORECAST = ":forecast"
"""How the key of a forecast source ends."""

RECENT_H = 240
"""Hours of the strip that shows the weather hour by hour."""

FELL = ("snowfall_water_mm", "precipitation_mm", "rain_mm")
"""Variables of which one is enough to tell what fell."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Days:
    """Local calendar days: ``first`` (D,) row of each in the hours, ``dates`` (D,), ``hours`` (D,) that each has."""

    dates: Times
    first: NDArray[np.intp]
    hours: NDArray[np.intp]

    def largest(self, values: Floats) -> Floats:
        """Largest known value of each day along axis 0; NaN where no hour is known."""
        return np.fmax.reduceat(values, self.first, axis=0)

    def smallest(self, values: Floats) -> Floats:
        """Smallest known value of each day along axis 0; NaN where no hour is known."""
        return np.fmin.reduceat(values, self.first, axis=0)

    def total(self, values: Floats) -> Floats:
        """Sum of the known values of each day along axis 0; NaN where no hour is known."""
        known = ~np.isnan(values)
        total = np.add.reduceat(np.where(known, values, 0.0), self.first, axis=0)
        return np.where(np.add.reduceat(known, self.first, axis=0, dtype=int) > 0, total, np.nan)

    def count(self, flags: Flags) -> NDArray[np.intp]:
        """Hours of each day that carry the flag."""
        return np.add.reduceat(flags, self.first, axis=0, dtype=np.intp)


def local_times(hour_ending: pd.DatetimeIndex, time_zone: str) -> Times:
    """Moments (UTC) on the yard's clock, without the zone; the autumn's repeated hour stands twice."""
    return hour_ending.tz_convert(time_zone).tz_localize(None).to_numpy().astype("datetime64[s]")


def local_time(moment: datetime, time_zone: str) -> np.datetime64:
    """One moment (UTC) on the yard's clock, without the zone."""
    return np.datetime64(moment.astimezone(ZoneInfo(time_zone)).replace(tzinfo=None), "s")


def local_days(hour_ending: pd.DatetimeIndex, time_zone: str) -> Days:
    """The days in which the hours pass; an hour that ends at midnight belongs to the day before.

    Hours must follow each other without a jump, and there must be at least one.
    """
    begins = local_times(hour_ending - pd.Timedelta(hours=1), time_zone).astype("datetime64[D]")
    dates, first, hours = np.unique(begins, return_index=True, return_counts=True)
    return Days(dates.astype("datetime64[s]"), first, hours)


def hover_notes(hour_ending: pd.DatetimeIndex, sources: Sequence[str], time_zone: str) -> Notes:
    """What the hover adds to each hour: its source, and which of the two it is in the repeated hour."""
    local = pd.Series(local_times(hour_ending, time_zone))
    words = {source: f", {source_text(source) if source else 'weather not known'}" for source in set(sources)}
    notes = [words[source] for source in sources]
    for row in np.flatnonzero(local.duplicated(keep=False)).tolist():
        notes[row] += f" ({hour_ending[row].tz_convert(time_zone):%Z})"
    return Notes.of(notes)


class Season:
    """The weather of an assessment: arrays (H,) in SI, NaN where unknown, and what pages show of them."""

    def __init__(self, assessment: YardAssessment) -> None:
        """Take the hours of the model where there are any; a yard without weather has none (``hours`` is 0)."""
        yard = assessment.yard
        merged = assessment.weather
        self.zone = yard.time_zone
        self.units = yard.display_units
        series = assessment.series
        known = pd.DatetimeIndex(merged.values.index)
        self.hour_ending = known if series is None or not len(known) else series.hour_ending
        self.hours = len(self.hour_ending)
        values = merged.values.reindex(self.hour_ending)
        self.sources = merged.sources.reindex(self.hour_ending).fillna("")
        self.storms = assessment.storms
        self.temperature_c = column(values, "air_temperature_c")
        self.wind_ms = column(values, "wind_speed_ms")
        self.gust_ms = column(values, "wind_gust_ms")
        self.icing = freezing_rain(values)
        forcing = snow_forcing(values, SnowParameters())
        self.snow_mm = np.where(forcing.missing, np.nan, forcing.snowfall_water_mm)
        self.rain_mm = np.where(forcing.missing, np.nan, forcing.rain_mm)
        self.temperature_missing = np.isnan(self.temperature_c)
        self.water_missing: Flags = forcing.missing
        # A report with wind and no gust tells that nothing gusty was seen: no hour of missing data.
        self.wind_missing = np.isnan(self.wind_ms) & np.isnan(self.gust_ms)
        self.local = local_times(self.hour_ending, self.zone)
        self.forecast_row = _first_forecast_row(self.sources)

    def forecast_begin(self) -> np.datetime64 | None:
        """Where the forecast begins on the yard's clock: the begin of its first hour; None where all is past."""
        if self.forecast_row is None:
            return None
        begin: np.datetime64 = self.local[self.forecast_row] - np.timedelta64(1, "h")
        return begin

    def forecast_text(self) -> str:
        """Where the forecast begins, whose it is, and how long it goes on; empty where there is none."""
        if self.forecast_row is None:
            return ""
        rows = self.sources.iloc[self.forecast_row :]
        keys = dict.fromkeys(key for key in rows.to_numpy(dtype=object).ravel().tolist() if key.endswith(FORECAST))
        begin = self.hour_ending[self.forecast_row] - pd.Timedelta(hours=1)
        names = ", ".join(key.removesuffix(FORECAST) for key in keys)
        return (
            f"Forecast, not observed, from {local_text(begin.to_pydatetime(), self.zone)} on: {len(rows)} h, "
            f"by {names}. It is shaded apart behind a dotted line."
        )

    def axis_title(self) -> str:
        """Title of an hourly time axis."""
        return f"hour ending, clock of {self.zone}"

    def freeze_thaw_days(self) -> dict[date, str]:
        """The public index of each local day from the air's lowest and highest hour: ``yes``, ``no``, or unknown."""
        if not self.hours:
            return {}
        air = pd.Series(self.temperature_c, index=self.hour_ending)
        days = daily_extremes(air, self.zone, FreezeThawParameters())
        both = daily_freeze_thaw(days["min_c"], days["max_c"])
        words = np.where(days["min_c"].isna(), "–", np.where(both, "yes", "no"))
        return dict(zip(pd.DatetimeIndex(days.index).date.tolist(), words.tolist(), strict=True))

    def recent(self) -> slice:
        """Rows of the hourly strip."""
        return slice(max(self.hours - RECENT_H, 0), self.hours)

    def source_of(self, variables: Sequence[str]) -> list[str]:
        """Source of the first of the variables that is known in each hour; empty where none is. Length H."""
        named = np.full(self.hours, "", dtype=object)
        for variable in variables:
            if variable in self.sources:
                named = np.where(named == "", self.sources[variable].to_numpy(dtype=object), named)
        return [str(source) for source in named.tolist()]

    def hourly_panels(self) -> list[Panel]:
        """Temperature, precipitation and wind of the last hours."""
        rows = self.recent()
        temperature, water, speed = self._units()
        hours = self.hour_ending[rows]

        def notes(*variables: str) -> Notes:
            return hover_notes(hours, self.source_of(variables)[rows], self.zone)

        fell = notes(*FELL)
        return [
            Panel(
                "Air temperature",
                temperature.symbol,
                temperature.decimals,
                (
                    Series(
                        "air temperature",
                        _shown(self.temperature_c[rows], temperature),
                        "line",
                        VERMILLION,
                        notes("air_temperature_c"),
                    ),
                ),
                self.temperature_missing[rows],
                from_zero=False,
            ),
            Panel(
                "Snow and rain, water in the hour",
                water.symbol,
                water.decimals + 1,
                (
                    Series("snow", _shown(self.snow_mm[rows], water), "bars", SKY, fell),
                    Series("rain", _shown(self.rain_mm[rows], water), "hatched", BLUE, fell),
                ),
                self.water_missing[rows],
            ),
            Panel(
                "Wind at 10 m",
                speed.symbol,
                speed.decimals,
                (
                    Series("mean wind", _shown(self.wind_ms[rows], speed), "dotted", GREY, notes("wind_speed_ms")),
                    Series("gust", _shown(self.gust_ms[rows], speed), "line", BLUE, notes("wind_gust_ms")),
                ),
                self.wind_missing[rows],
            ),
        ]

    def daily_panels(self, days: Days) -> list[Panel]:
        """Lowest and highest temperature, sums of snow and rain, top gust of each day."""
        temperature, water, speed = self._units()

        cold = self._day_notes(days, self.temperature_missing, "air_temperature_c")
        wet = self._day_notes(days, self.water_missing, *FELL)
        windy = self._day_notes(days, self.wind_missing, "wind_gust_ms", "wind_speed_ms")
        return [
            Panel(
                "Air temperature, low and high",
                temperature.symbol,
                temperature.decimals,
                (
                    Series("lowest", _shown(days.smallest(self.temperature_c), temperature), "dotted", BLUE, cold),
                    Series("highest", _shown(days.largest(self.temperature_c), temperature), "line", VERMILLION, cold),
                ),
                days.count(self.temperature_missing) > 0,
                from_zero=False,
            ),
            Panel(
                "Snow and rain, water in the day",
                water.symbol,
                water.decimals,
                (
                    Series("snow", _shown(days.total(self.snow_mm), water), "bars", SKY, wet),
                    Series("rain", _shown(days.total(self.rain_mm), water), "hatched", BLUE, wet),
                ),
                days.count(self.water_missing) > 0,
            ),
            Panel(
                "Top gust of the day at 10 m",
                speed.symbol,
                speed.decimals,
                (Series("top gust", _shown(days.largest(self.gust_ms), speed), "points", BLUE, windy),),
                days.count(self.wind_missing) > 0,
            ),
        ]

    def hourly_table(self) -> tuple[list[str], list[list[str]]]:
        """Head and rows of the numbers behind the hourly strip, newest first."""
        temperature, water, speed = self._units()
        rows = range(*self.recent().indices(self.hours))
        head = [
            "hour ending",
            f"temperature [{temperature.symbol}]",
            f"snow [{water.symbol}]",
            f"rain [{water.symbol}]",
            f"mean wind [{speed.symbol}]",
            f"gust [{speed.symbol}]",
        ]
        table = [
            [
                local_text(self.hour_ending[i].to_pydatetime(), self.zone),
                cell(self.temperature_c[i], temperature),
                cell(self.snow_mm[i], water, 1),
                cell(self.rain_mm[i], water, 1),
                cell(self.wind_ms[i], speed),
                cell(self.gust_ms[i], speed, unknown="–" if self.wind_missing[i] else "none reported"),
            ]
            for i in reversed(rows)
        ]
        return head, table

    def daily_table(self, days: Days) -> tuple[list[str], list[list[str]]]:
        """Head and rows of the numbers behind the daily strip, newest first."""
        temperature, water, speed = self._units()
        head = [
            "day",
            f"lowest [{temperature.symbol}]",
            f"highest [{temperature.symbol}]",
            f"snow [{water.symbol}]",
            f"rain [{water.symbol}]",
            f"top gust [{speed.symbol}]",
            "hours missing",
        ]
        missing = days.count(self.temperature_missing | self.water_missing | self.wind_missing)
        lowest, highest = days.smallest(self.temperature_c), days.largest(self.temperature_c)
        snow, rain, gust = days.total(self.snow_mm), days.total(self.rain_mm), days.largest(self.gust_ms)
        table = [
            [
                day_text(days.dates[i]),
                cell(lowest[i], temperature),
                cell(highest[i], temperature),
                cell(snow[i], water),
                cell(rain[i], water),
                cell(gust[i], speed),
                f"{missing[i]} of {days.hours[i]}" if missing[i] else "0",
            ]
            for i in reversed(range(len(days.dates)))
        ]
        return head, table

    def missing_text(self) -> str:
        """How many hours of the strip nobody knows, by quantity."""
        rows = self.recent()
        count = len(self.local[rows])
        parts = [
            f"{name} {int(flags[rows].sum())}"
            for name, flags in (
                ("temperature", self.temperature_missing),
                ("snow and rain", self.water_missing),
                ("wind", self.wind_missing),
            )
            if flags[rows].any()
        ]
        return f"Hours missing of {count}: {', '.join(parts)}." if parts else f"None of the {count} hours is missing."

    def storm_bands(self, named: bool) -> list[StormBand]:
        """Storms to shade, numbered from the season's first, with their kind beside the number where ``named``."""
        return [
            StormBand(
                label=f"{number} {storm.character()}" if named else str(number),
                text=storm_name(number, storm, self.zone),
                start=local_time(storm.start, self.zone) - np.timedelta64(1, "h"),
                end=local_time(storm.end, self.zone),
            )
            for number, storm in enumerate(self.storms, start=1)
        ]

    def _day_notes(self, days: Days, missing: Flags, *variables: str) -> Notes:
        """Who told how many hours of each day, and how many are missing."""
        teller = np.array(self.source_of(variables), dtype=object)
        parts: list[list[str]] = [[] for _ in days.dates]
        for key in dict.fromkeys(key for key in teller.tolist() if key):
            for day, count in enumerate(days.count(teller == key).tolist()):
                if count:
                    parts[day].append(f"{source_text(key)} {count} h")
        for day, (missed, hours) in enumerate(zip(days.count(missing).tolist(), days.hours.tolist(), strict=True)):
            if missed:
                parts[day].append(f"{missed} of {hours} h missing")
        return Notes.of(["".join(f", {part}" for part in of_day) for of_day in parts])

    def _units(self) -> tuple[DisplayUnit, DisplayUnit, DisplayUnit]:
        return (
            display_unit("temperature", self.units),
            display_unit("water", self.units),
            display_unit("speed", self.units),
        )


def storm_name(number: int, storm: Storm, time_zone: str) -> str:
    """A storm by number, kind and dates: ``storm 3: wet snow, Fri 5 Dec 06:00 EST to Sat 6 Dec 02:00 EST``."""
    return (
        f"storm {number}: {storm.character()}, {local_text(storm.start, time_zone)} to "
        f"{local_text(storm.end, time_zone)}"
    )


def day_text(date: np.datetime64) -> str:
    """``Sat 10 Jan 2026``."""
    day = date.astype("datetime64[D]").item()
    return f"{day:%a} {day.day} {day:%b %Y}"


def cell(value: float, unit: DisplayUnit, more_decimals: int = 0, unknown: str = "–") -> str:
    """A number of a table whose head names the unit."""
    if np.isnan(value):
        return unknown
    decimals = unit.decimals + more_decimals
    return f"{round(float(value) * unit.factor + unit.offset, decimals) + 0.0:.{decimals}f}"


def _shown(values: Floats, unit: DisplayUnit) -> Floats:
    """Values in the unit of display; NaN stays NaN."""
    shown: Floats = values * unit.factor + unit.offset
    return shown


def _first_forecast_row(sources: pd.DataFrame) -> int | None:
    """Row of the first hour told by a forecast after the last one that anybody observed or analysed."""
    first = None
    rows = sources.to_numpy(dtype=object)
    for row in reversed(range(len(rows))):
        told = [key for key in rows[row].tolist() if key]
        if any(not key.endswith(FORECAST) for key in told):
            break
        if told:
            first = row
    return first
