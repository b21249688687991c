"""What stands on a cover's page: why it was called, its season on one time axis, its log and its build."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from dashboards.figures import (
    BLUE,
    GREEN,
    ORANGE,
    VERMILLION,
    Floats,
    Level,
    LogMark,
    Panel,
    Series,
    StormBand,
    time_panels,
)
from dashboards.rows import (
    LogRow,
    boat_rows,
    build_rows,
    call_mark,
    finding_rows,
    log_rows,
    reason_row,
    stand_crew,
)
from dashboards.season import Season, cell, day_text, hover_notes, local_days, local_time
from monitor.assessment import YardAssessment
from monitor.departures import check_cover
from monitor.hazards.exposure import CoverSeries
from monitor.register import Cover
from monitor.units import DisplayUnit, display_unit
from monitor.wording import exposure_text, local_text


def cover_contents(
    assessment: YardAssessment, season: Season, pages: Mapping[int | None, str]
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Page name and content of each cover, besides what every page has, in the order of the list."""
    yard = assessment.yard
    lines = {line.cover: line for line in assessment.ranked}
    order = sorted(assessment.covers, key=lambda cover: lines[cover.id].rank if cover.id in lines else len(lines) + 1)
    series = assessment.series
    modelled = None if series is None or not season.hours else _Modelled(assessment, series, season)
    for position, cover in enumerate(order):
        line = lines.get(cover.id or 0)
        build = cover.build_at(assessment.as_of)
        check = check_cover(cover, assessment.as_of, yard.display_units)
        entries = assessment.open_findings.get(cover.boat.number, [])
        log = log_rows(assessment, cover.id)
        chart = None if modelled is None else modelled.chart(cover, log)
        before = order[position - 1] if position else None
        after = order[position + 1] if position + 1 < len(order) else None
        yield (
            pages[cover.id],
            {
                "cover": cover,
                "line": line,
                "call_mark": "" if line is None else call_mark(line.call),
                "ranked_count": len(assessment.ranked),
                "reasons": []
                if line is None
                else [reason_row(reason, yard.time_zone, yard.display_units) for reason in line.reasons],
                "stand_crew": stand_crew(entries),
                "findings": finding_rows(entries, yard.time_zone),
                "chart": chart,
                "log": log,
                "boat": boat_rows(cover.boat, yard.display_units),
                "build": build_rows(check, build, yard.display_units),
                "departures": check.departures,
                "build_since": local_text(build.built_at, yard.time_zone, year=True),
                "others": [
                    (
                        local_text(other.built_at, yard.time_zone, year=True),
                        build_rows(check_cover(cover, other.built_at, yard.display_units), other, yard.display_units),
                    )
                    for other in reversed(cover.builds)
                    if other is not build
                ],
                "before": None if before is None else (before.boat, pages[before.id]),
                "after": None if after is None else (after.boat, pages[after.id]),
            },
        )


class _Modelled:
    """The modelled hours of all covers, with what their pages share: notes for the hover, storms, units."""

    def __init__(self, assessment: YardAssessment, series: CoverSeries, season: Season) -> None:
        self._series = series
        self._season = season
        self._curves = assessment.parameters.curves
        self._column = {cover_id: i for i, cover_id in enumerate(series.cover_ids)}
        self._storms: list[StormBand] = season.storm_bands(named=False)
        self._load = display_unit("load", season.units)
        self._pressure = display_unit("pressure", season.units)
        self._water = display_unit("water", season.units)
        water = hover_notes(
            season.hour_ending, season.source_of(("snowfall_water_mm", "precipitation_mm")), season.zone
        )
        self._notes = {
            "snow": water,
            "gust": hover_notes(season.hour_ending, season.source_of(("wind_gust_ms", "wind_speed_ms")), season.zone),
            "freeze_thaw": hover_notes(season.hour_ending, season.source_of(("air_temperature_c",)), season.zone),
            "pocket": water,
        }
        # A store of snow or water carries on through hours whose weather nobody knows; they are marked all the same.
        self._missing = {
            "snow": season.water_missing,
            "gust": season.wind_missing,
            "freeze_thaw": season.temperature_missing,
            "pocket": season.water_missing,
        }

    def chart(self, cover: Cover, log: list[LogRow]) -> dict[str, Any] | None:
        """The cover's season as figure and as table of days; None where no hour of it is modelled."""
        column = self._column.get(cover.id or 0)
        wrapped = pd.Timestamp(cover.builds[0].built_at)
        since = int(self._series.hour_ending.searchsorted(wrapped, side="right"))
        if column is None or since >= self._season.hours:
            return None
        load = self._series.snow_load_kpa[since:, column]
        gust = self._series.gust_pressure_pa[since:, column]
        pocket = self._series.pocket_mm[since:, column]
        cycles = self._series.cycles[since:, column]
        unknown = self._season.temperature_missing[since:]
        counted = np.where(unknown, np.nan, self._since_inspection(cycles, since, log))
        zone = self._season.zone
        marks = [LogMark(row.number, row.lane, local_time(row.moment, zone), _mark_text(row)) for row in log]
        plain = DisplayUnit("cycles", 1.0, 0)
        figure = time_panels(
            self._season.local[since:],
            [
                self._panel("Snow load, flattest part, modelled", "snow", load, self._load, since, BLUE),
                self._panel("Gust pressure across, modelled", "gust", gust, self._pressure, since, VERMILLION),
                self._panel("Freeze-thaw since last inspection", "freeze_thaw", counted, plain, since, GREEN),
                self._panel("Water in a pocket, modelled", "pocket", pocket, self._water, since, ORANGE),
            ],
            self._season.axis_title(),
            storms=self._storms,
            marks=marks,
        )
        return {"figure": figure, "table": self._table(since, load, gust, cycles, pocket)}

    def _panel(self, title: str, hazard: str, values: Floats, unit: DisplayUnit, since: int, colour: str) -> Panel:
        curve = self._curves[hazard]
        levels = tuple(
            Level(number * unit.factor, f"{chance}: {exposure_text(hazard, number, self._season.units)}")
            for chance, number in (("1 in 10", curve.x10), ("1 in 2", curve.x50))
        )
        return Panel(
            title=title,
            unit=unit.symbol,
            decimals=unit.decimals + (hazard != "freeze_thaw"),
            series=(
                Series(
                    title.split(",")[0].lower(),
                    values * unit.factor + unit.offset,
                    "line",
                    colour,
                    self._notes[hazard][since:],
                ),
            ),
            missing=self._missing[hazard][since:] | np.isnan(values),
            levels=levels,
        )

    def _since_inspection(self, cycles: Floats, since: int, log: list[LogRow]) -> Floats:
        """Cycles counted up from the last inspection before each hour, or from the wrapping."""
        total = np.nancumsum(cycles)
        hours = self._series.hour_ending[since:]
        base = np.zeros(len(total))
        for row in log:
            if row.lane == "inspected":
                first = int(hours.searchsorted(pd.Timestamp(row.moment), side="right"))
                base[first:] = total[first - 1] if first else 0.0
        counted: Floats = total - base
        return counted

    def _table(
        self, since: int, load: Floats, gust: Floats, cycles: Floats, pocket: Floats
    ) -> tuple[list[str], list[list[str]]]:
        days = local_days(self._series.hour_ending[since:], self._season.zone)
        head = [
            "day",
            f"highest snow load [{self._load.symbol}]",
            f"highest gust pressure [{self._pressure.symbol}]",
            "freeze-thaw cycles",
            f"most water in a pocket [{self._water.symbol}]",
            "hours missing",
        ]
        missing = days.count(np.logical_or.reduce([flags[since:] for flags in self._missing.values()]))
        columns = (
            [day_text(date) for date in days.dates],
            [cell(value, self._load, 1) for value in days.largest(load)],
            [cell(value, self._pressure) for value in days.largest(gust)],
            [f"{value:.0f}" for value in np.nan_to_num(days.total(cycles))],
            [cell(value, self._water) for value in days.largest(pocket)],
            [f"{count} of {hours}" if count else "0" for count, hours in zip(missing, days.hours, strict=True)],
        )
        return head, [list(row) for row in zip(*columns, strict=True)][::-1]


def _mark_text(row: LogRow) -> str:
    return f"{row.number}: {row.what} ({row.who}, {row.when})"
