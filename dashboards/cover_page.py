"""What stands on a cover's page: why it was called, its season, the air under it, its log and its build."""

from collections.abc import Iterator, Mapping
from typing import Any

from monitor.assessment import YardAssessment
from monitor.departures import check_cover
from monitor.presentation.cover_air import air_rows, mould_indices, mould_rows, opening_rows
from monitor.presentation.cover_season import CoverSeason
from monitor.presentation.rows import (
    boat_rows,
    build_rows,
    call_mark,
    finding_rows,
    log_rows,
    reason_row,
    stand_crew,
)
from monitor.presentation.season import Season
from monitor.wording import local_text


def cover_contents(
    assessment: YardAssessment, season: Season, pages: Mapping[int | None, str], only: int | None = None
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Page name and content of each cover or of ``only`` one, besides what every page has, in the order of the list."""
    yard = assessment.yard
    lines = {line.cover: line for line in assessment.ranked}
    order = sorted(assessment.covers, key=lambda cover: lines[cover.id].rank if cover.id in lines else len(lines) + 1)
    series = assessment.series
    modelled = None if series is None or not season.hours else CoverSeason(assessment, series, season)
    mould: dict[int, dict[str, tuple[float, float]]] = {}
    if series is not None and modelled is not None and "damp" not in assessment.not_assessed:
        wanted = [cover for cover in order if only is None or cover.id == only]
        mould = mould_indices(series, {cover.id: modelled.since_wrapping(cover) for cover in wanted if cover.id})
    for position, cover in enumerate(order):
        if only is not None and cover.id != only:
            continue
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
                "page_name": pages[cover.id],
                "line": line,
                "call_mark": "" if line is None else call_mark(line.call),
                "ranked_count": len(assessment.ranked),
                "reasons": []
                if line is None
                else [reason_row(reason, yard.time_zone, yard.display_units) for reason in line.reasons],
                "stand_crew": stand_crew(entries),
                "findings": finding_rows(entries, yard.time_zone),
                "chart": chart,
                "forecast": season.forecast_text(),
                "openings": opening_rows(build, yard.display_units),
                "air": [] if series is None or not season.hours else air_rows(assessment, series, cover),
                "mould": mould_rows(mould.get(cover.id or 0, {})),
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
