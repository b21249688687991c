"""A cover's season on one time axis: loads, gusts, cycles, ice and damp hour by hour, and as a table of days."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.assessment import YardAssessment
from monitor.clocks import VENT_CHANGES, Log
from monitor.hazards.cover_air import AirParameters
from monitor.hazards.series import CoverSeries
from monitor.presentation.panels import (
    BLUE,
    GREEN,
    ORANGE,
    SKY,
    VERMILLION,
    Floats,
    Level,
    LogMark,
    Panel,
    Series,
    StormBand,
    TimeChart,
)
from monitor.presentation.rows import LogRow
from monitor.presentation.season import Days, Flags, Season, cell, day_text, hover_notes, local_days, local_time
from monitor.register import Cover
from monitor.units import DisplayUnit, display_unit
from monitor.wording import exposure_text

_PLAIN = {
    "cycles": DisplayUnit("cycles", 1.0, 0),
    "hours": DisplayUnit("h", 1.0, 0),
    "humidity": DisplayUnit("%", 1.0, 0),
}
_WATER = ("snowfall_water_mm", "precipitation_mm")
_SOURCES_OF: dict[str, tuple[str, ...]] = {
    "snow": _WATER,
    "pocket": _WATER,
    "gust": ("wind_gust_ms", "wind_speed_ms"),
    "freeze_thaw": ("air_temperature_c",),
    "ice": ("freezing_rain_mm", "present_weather"),
    "damp": ("dew_point_c", "relative_humidity_pct"),
}
"""Variables whose source the hover of each hazard names."""


class CoverSeason:
    """The modelled hours of all covers, with what their pages share: notes for the hover, storms, units, moments."""

    def __init__(self, assessment: YardAssessment, series: CoverSeries, season: Season) -> None:
        self._series = series
        self._season = season
        self._curves = assessment.parameters.curves
        self._column = {cover_id: i for i, cover_id in enumerate(series.cover_ids)}
        self._storms: list[StormBand] = season.storm_bands(named=False)
        self._load = display_unit("load", season.units)
        self._pressure = display_unit("pressure", season.units)
        self._water = display_unit("water", season.units)
        self._shown = [name for name in _SOURCES_OF if name not in assessment.not_assessed]
        self._notes = {
            variables: hover_notes(season.hour_ending, season.source_of(variables), season.zone)
            for variables in {_SOURCES_OF[name] for name in self._shown}
        }
        # A store of snow or water carries on through hours whose weather nobody knows; they are marked all the same.
        self._missing = {
            "snow": season.water_missing,
            "pocket": season.water_missing,
            "gust": season.wind_missing,
            "freeze_thaw": season.temperature_missing,
            "ice": ~season.icing.assessed,
        }
        self._index_days = season.freeze_thaw_days()
        self._inspected, self._looked_inside = _moments(assessment.log)

    def since_wrapping(self, cover: Cover) -> int:
        """Row of the first hour that the cover was on."""
        return int(self._series.hour_ending.searchsorted(pd.Timestamp(cover.builds[0].built_at), side="right"))

    def chart(self, cover: Cover, log: Sequence[LogRow]) -> TimeChart | None:
        """The cover's season hour by hour, with its table of days; None where no hour of it is modelled."""
        column = self._column.get(cover.id or 0)
        since = self.since_wrapping(cover)
        if column is None or since >= self._season.hours:
            return None
        zone = self._season.zone
        marks = [LogMark(row.number, row.lane, local_time(row.moment, zone), _mark_text(row)) for row in log]
        panels = self._panels(cover, column, since)
        named = ", ".join(panel.title.partition(",")[0].lower() for panel in panels)
        label = f"The season of this cover with its log: {named}"
        return TimeChart(
            times=self._season.local[since:],
            panels=tuple(panels),
            axis_title=self._season.axis_title(),
            label=label,
            storms=tuple(self._storms),
            marks=tuple(marks),
            table=self._table(column, since),
            forecast_from=self._season.forecast_begin(),
        )

    def _panels(self, cover: Cover, column: int, since: int) -> list[Panel]:
        series, water = self._series, self._water
        inspected = self._inspected[cover.id or 0]

        def counted(values: NDArray[np.generic], unknown: Flags, moments: Iterable[datetime]) -> Floats:
            return np.where(unknown, np.nan, self._since(np.asarray(values, dtype=np.float64), since, moments))

        def one(title: str, hazard: str, values: Floats, unit: DisplayUnit, decimals: int, colour: str) -> Panel:
            label = title.split(",")[0].lower()
            return self._panel(title, hazard, [(label, values, "line", colour)], unit, decimals, since)

        load, gust, pocket = series.snow_load_kpa, series.gust_pressure_pa, series.pocket_mm
        cold = self._missing["freeze_thaw"][since:]
        panels = {
            "snow": lambda: one(
                "Snow load, flattest part, modelled", "snow", load[since:, column], self._load, 1, BLUE
            ),
            "gust": lambda: one(
                "Gust pressure across, modelled", "gust", gust[since:, column], self._pressure, 1, VERMILLION
            ),
            "freeze_thaw": lambda: self._panel(
                "Film freeze-thaw since last inspection",
                "freeze_thaw",
                [
                    ("cycles of the film", counted(series.cycles[since:, column], cold, inspected), "line", GREEN),
                    ("wet ones of them", counted(series.wet_cycles[since:, column], cold, inspected), "dotted", BLUE),
                ],
                _PLAIN["cycles"],
                0,
                since,
            ),
            "ice": lambda: one(
                "Freezing rain ice since last inspection",
                "ice",
                counted(self._ice_mm()[since:], self._missing["ice"][since:], inspected),
                water,
                0,
                SKY,
            ),
            "pocket": lambda: one("Water in a pocket, modelled", "pocket", pocket[since:, column], water, 1, ORANGE),
        }
        shown = [panels[name]() for name in panels if name in self._shown]
        return shown + (self._damp_panels(cover, column, since) if "damp" in self._shown else [])

    def _damp_panels(self, cover: Cover, column: int, since: int) -> list[Panel]:
        """Humidity inside, and the hours since the last look inside or change of vents."""
        humidity = self._series.inside_rh_pct[since:, column]
        unknown = np.isnan(humidity)
        limit = AirParameters().damp_humidity_pct
        moments = [*self._looked_inside[cover.id or 0], *_vents_rebuilt(cover)]

        def counted(values: Flags) -> Floats:
            return np.where(unknown, np.nan, self._since(values[since:, column].astype(np.float64), since, moments))

        return [
            Panel(
                title=f"Humidity inside, modelled; damp from {limit:.0f}",
                unit="%",
                decimals=0,
                series=(
                    Series(
                        "relative humidity inside", humidity, "line", BLUE, self._notes[_SOURCES_OF["damp"]][since:]
                    ),
                ),
                missing=unknown,
                levels=(Level(limit, ""),),
                from_zero=False,
            ),
            self._panel(
                "Hours since last look inside or vent change",
                "damp",
                [
                    ("damp inside", counted(self._series.damp), "line", VERMILLION),
                    ("condensation on the film", counted(self._series.condensation), "dotted", GREEN),
                ],
                _PLAIN["hours"],
                0,
                since,
                unknown,
            ),
        ]

    def _panel(
        self,
        title: str,
        hazard: str,
        lines: Sequence[tuple[str, Floats, Any, str]],
        unit: DisplayUnit,
        more_decimals: int,
        since: int,
        missing: Flags | None = None,
    ) -> Panel:
        """Lines (label, values, style, colour) of one hazard with the two numbers of its curve."""
        curve = self._curves[hazard]
        notes = self._notes[_SOURCES_OF[hazard]][since:]
        return Panel(
            title=title,
            unit=unit.symbol,
            decimals=unit.decimals + more_decimals,
            series=tuple(
                Series(label, values * unit.factor + unit.offset, style, colour, notes)
                for label, values, style, colour in lines
            ),
            missing=(self._missing[hazard][since:] if missing is None else missing) | np.isnan(lines[0][1]),
            levels=tuple(
                Level(number * unit.factor, f"{chance}: {exposure_text(hazard, number, self._season.units)}")
                for chance, number in (("1 in 10", curve.x10), ("1 in 2", curve.x50))
            ),
        )

    def _ice_mm(self) -> Floats:
        return np.nan_to_num(self._season.icing.amount_mm, nan=0.0)

    def _since(self, values: Floats, since: int, moments: Iterable[datetime]) -> Floats:
        """Values from the wrapping on added up from the last of the moments before each hour."""
        total = np.nancumsum(values)
        hours = self._series.hour_ending[since:]
        base = np.zeros(len(total))
        for moment in sorted(moments):
            first = int(hours.searchsorted(pd.Timestamp(moment), side="right"))
            base[first:] = total[first - 1] if first else 0.0
        counted: Floats = total - base
        return counted

    def _table(self, column: int, since: int) -> tuple[list[str], list[list[str]]]:
        series = self._series
        days = local_days(series.hour_ending[since:], self._season.zone)
        dates = [day_text(date) for date in days.dates]
        unknown = [self._missing[name][since:] for name in self._shown if name in self._missing]
        columns = {
            "day": dates,
            f"highest snow load [{self._load.symbol}]": [
                cell(value, self._load, 1) for value in days.largest(series.snow_load_kpa[since:, column])
            ],
            f"highest gust pressure [{self._pressure.symbol}]": [
                cell(value, self._pressure) for value in days.largest(series.gust_pressure_pa[since:, column])
            ],
            "freeze-thaw cycles of the film": _counts(days, series.cycles[since:, column]),
            "of them wet": _counts(days, series.wet_cycles[since:, column]),
            "air freezes and thaws (public daily index)": [
                self._index_days.get(date, "–") for date in days.dates.astype("datetime64[D]").tolist()
            ],
            f"most water in a pocket [{self._water.symbol}]": [
                cell(value, self._water) for value in days.largest(series.pocket_mm[since:, column])
            ],
        }
        if "ice" in self._shown:
            ice = np.where(self._missing["ice"], np.nan, self._ice_mm())[since:]
            columns[f"ice [{self._water.symbol}]"] = [cell(value, self._water) for value in days.total(ice)]
        if "damp" in self._shown:
            dry_unknown = np.isnan(series.inside_rh_pct[since:, column])
            unknown.append(dry_unknown)
            for name, flags in (("damp hours", series.damp), ("condensation hours", series.condensation)):
                hours = np.where(dry_unknown, np.nan, flags[since:, column])
                columns[name] = [cell(value, _PLAIN["hours"]) for value in days.total(hours)]
        missing = days.count(np.logical_or.reduce(unknown))
        columns["hours missing"] = [
            f"{count} of {hours}" if count else "0" for count, hours in zip(missing, days.hours, strict=True)
        ]
        return list(columns), [list(row) for row in zip(*columns.values(), strict=True)][::-1]


def _counts(days: Days, values: Floats) -> list[str]:
    return [f"{value:.0f}" for value in np.nan_to_num(days.total(values))]


def _moments(log: Log) -> tuple[dict[int, list[datetime]], dict[int, list[datetime]]]:
    """By cover: when it was inspected, and when somebody looked inside or changed its vents."""
    inspected: dict[int, list[datetime]] = defaultdict(list)
    inside: dict[int, list[datetime]] = defaultdict(list)
    for visit in log.inspections:
        inspected[visit.cover_id].append(visit.inspected_at)
        if visit.inside:
            inside[visit.cover_id].append(visit.inspected_at)
    for action in log.actions:
        if action.action in VENT_CHANGES:
            inside[action.cover_id].append(action.acted_at)
    return inspected, inside


def _vents_rebuilt(cover: Cover) -> list[datetime]:
    """Builds that have other vents than the one before."""
    return [
        build.built_at
        for before, build in zip(cover.builds, cover.builds[1:], strict=False)
        if (before.vent_count, before.vent_area_m2) != (build.vent_count, build.vent_area_m2)
    ]


def _mark_text(row: LogRow) -> str:
    return f"{row.number}: {row.what} ({row.who}, {row.when})"
