"""What stands on a yard's page: the list with its reasons, the map, the weather with its storms, sources and curves."""

from collections.abc import Mapping, Sequence
from typing import Any

import plotly.graph_objects as go

from dashboards.berths import Berth, berth_map
from dashboards.figures import time_panels
from monitor.assessment import YardAssessment
from monitor.presentation.rows import CallGroup, call_groups, compass, cover_row, storm_rows
from monitor.presentation.season import Season, local_days
from monitor.ranking import HAZARDS, boat_order
from monitor.register import Cover
from monitor.units import UNITS
from monitor.walks.berths import is_placed, row_names
from monitor.wording import berth_text, exposure_text

FOOT_M = float(UNITS["length"]["ft"].factor)

ANY_DEFECT = "any open finding"
"""Choice of the list that shows every cover with an open finding, whatever it is."""

GRID_BOW = 0.4
"""Length of the bow's line on a plain grid of rows and places."""


def yard_content(assessment: YardAssessment, season: Season, pages: Mapping[int | None, str]) -> dict[str, Any]:
    """Content of the yard's page, besides what every page has. ``pages`` gives each cover's page by its id."""
    yard = assessment.yard
    covers = {cover.id: cover for cover in assessment.covers}
    calls = [*(name for name, _ in assessment.parameters.calls), assessment.parameters.lowest_call]
    groups = call_groups(
        [cover_row(line, covers[line.cover], pages[line.cover], assessment) for line in assessment.ranked], calls
    )
    found = {group.call: group for group in groups}
    figure, off_map = yard_map(assessment, pages)
    content: dict[str, Any] = {
        "choices": _choices(groups, calls),
        "groups": groups,
        "counts": [
            (len(found[call].covers), call, found[call].anchor) if call in found else (0, call, "") for call in calls
        ],
        "cover_count": len(assessment.covers),
        "map": figure,
        "off_map": off_map,
        "berths": _berth_table(assessment, pages),
        "storms": storm_rows(assessment.storms, yard.time_zone, yard.display_units, assessment.coming),
        "curves": _curve_rows(assessment),
        "calls": [(name, f"{lowest:.2f}") for name, lowest in assessment.parameters.calls],
        "forecast": season.forecast_text(),
        "recent": None,
        "days": None,
    }
    if season.hours:
        days = local_days(season.hour_ending, season.zone)
        content["recent"] = {
            "figure": time_panels(
                season.local[season.recent()],
                season.hourly_panels(),
                season.axis_title(),
                storms=season.storm_bands(named=True),
                forecast_from=season.forecast_begin(),
            ),
            "table": season.hourly_table(),
            "missing": season.missing_text(),
        }
        content["days"] = {
            "figure": time_panels(
                days.dates,
                season.daily_panels(days),
                f"day, clock of {season.zone}",
                storms=season.storm_bands(named=False),
                step_h=24,
                forecast_from=season.forecast_begin(),
            ),
            "table": season.daily_table(days),
        }
    return content


def _choices(groups: Sequence[CallGroup], calls: Sequence[str]) -> list[tuple[str, str, str, list[str]]]:
    """What the list can be narrowed to: key, words, words for all, and the values that any cover has."""
    rows = [row for group in groups for row in group.covers]
    found = {group.call for group in groups}
    defects = sorted({defect for row in rows for defect in row.defects})
    return [
        ("row", "Row", "all rows", sorted({row.row for row in rows}, key=boat_order)),
        ("call", "Call", "all calls", [*(call for call in calls if call in found), *sorted(found - set(calls))]),
        ("defect", "Open finding", "all covers", [ANY_DEFECT, *defects] if defects else []),
    ]


def yard_map(
    assessment: YardAssessment, pages: Mapping[int | None, str]
) -> tuple[go.Figure | None, list[tuple[str, str]]]:
    """Map of the berths, and (boat, page) of those that it cannot show.

    Positions where any boat has one, else a grid of rows and places. None where there is no boat to show.
    """
    units = assessment.yard.display_units
    lines = {line.cover: line for line in assessment.ranked}
    placed = [cover for cover in assessment.covers if is_placed(cover.boat)]
    shown = placed or list(assessment.covers)
    if not shown:
        return None, []
    rows = [] if placed else row_names([cover.boat for cover in shown])
    scale = 1 / FOOT_M if units == "us" else 1.0
    berths = []
    for cover in shown:
        boat = cover.boat
        line = lines.get(cover.id or 0)
        if placed:
            x, y, bow = (boat.x_m or 0.0) * scale, (boat.y_m or 0.0) * scale, boat.length_m / 2 * scale
        else:
            x, y, bow = float(boat.place), float(rows.index(boat.row)), GRID_BOW
        berths.append(
            Berth(
                boat=boat.number,
                name=boat.name,
                call="not ranked" if line is None else line.call,
                score=0.0 if line is None else line.score,
                x=round(x, 1),
                y=round(y, 1),
                heading_deg=boat.heading_deg,
                bow=bow,
                place=berth_text(boat),
                href=pages[cover.id],
            )
        )
    left = [] if not placed else [cover for cover in assessment.covers if cover not in placed]
    return (
        berth_map(berths, "ft" if units == "us" else "m", rows),
        [(f"{cover.boat.number} {cover.boat.name}, {berth_text(cover.boat)}", pages[cover.id]) for cover in left],
    )


def _berth_table(assessment: YardAssessment, pages: Mapping[int | None, str]) -> list[dict[str, str]]:
    calls = {line.cover: line.call for line in assessment.ranked}
    return [
        {
            "boat": cover.boat.number,
            "name": cover.boat.name,
            "href": pages[cover.id],
            "berth": berth_text(cover.boat),
            "bow": f"{compass(cover.boat.heading_deg)} ({cover.boat.heading_deg:.0f}°)",
            "position": _position(cover, assessment.yard.display_units),
            "call": calls.get(cover.id or 0, "not ranked"),
        }
        for cover in _by_number(assessment.covers)
    ]


def _position(cover: Cover, units: str) -> str:
    x_m, y_m = cover.boat.x_m, cover.boat.y_m
    if x_m is None or y_m is None:
        return "not recorded"
    if units == "us":
        return f"{x_m / FOOT_M:.0f} ft, {y_m / FOOT_M:.0f} ft"
    return f"{x_m:.1f} m, {y_m:.1f} m"


def _by_number(covers: Sequence[Cover]) -> list[Cover]:
    return sorted(covers, key=lambda cover: boat_order(cover.boat.number))


def _curve_rows(assessment: YardAssessment) -> list[tuple[str, str, str, str]]:
    """Hazard, exposure, and the two numbers of its curve; hazards that are not assessed say so."""
    units = assessment.yard.display_units
    rows = []
    for hazard, curve in assessment.parameters.curves.items():
        label = HAZARDS[hazard].label + (" (not assessed)" if hazard in assessment.not_assessed else "")
        low, half = exposure_text(hazard, curve.x10, units), exposure_text(hazard, curve.x50, units)
        rows.append((label, HAZARDS[hazard].exposure, low, half))
    return rows
