"""What stands on the page that compares covers: build and exposures of all in one table, to lay two side by side."""

from collections.abc import Mapping, Sequence
from typing import Any

from monitor.assessment import YardAssessment
from monitor.departures import check_cover
from monitor.presentation.rows import boat_rows, build_rows
from monitor.presentation.season import Season
from monitor.ranking import HAZARDS, boat_order
from monitor.register import Cover
from monitor.units import NOT_KNOWN
from monitor.wording import berth_text, exposure_text, plain_word


def compare_content(assessment: YardAssessment, season: Season, pages: Mapping[int | None, str]) -> dict[str, Any]:
    """Content of the page that compares covers, besides what every page has.

    ``head`` names the facts; each of ``covers`` has its page, title, berth and one text a fact. ``first`` and
    ``second`` are the pages of the two covers that are shown where nobody chose: the first two of the list.
    """
    covers = sorted(assessment.covers, key=lambda cover: boat_order(cover.boat.number))
    facts = {cover.id: _facts(assessment, cover, place) for place, cover in enumerate(assessment.covers)}
    head = _together([list(of_one) for of_one in facts.values()])
    ranked = [pages[line.cover] for line in assessment.ranked if line.cover in pages]
    usual = [*ranked, *(pages[cover.id] for cover in covers if pages[cover.id] not in ranked)]
    return {
        "head": head,
        "covers": [
            {
                "href": pages[cover.id],
                "title": f"{cover.boat.number} {cover.boat.name}",
                "berth": berth_text(cover.boat),
                "facts": [facts[cover.id].get(name, "–") for name in head],
            }
            for cover in covers
        ],
        "forecast": season.forecast_text(),
        "first": usual[0] if usual else "",
        "second": usual[1] if len(usual) > 1 else "",
    }


def _facts(assessment: YardAssessment, cover: Cover, place: int) -> dict[str, str]:
    """Build, berth, exposures and open findings of a cover, by name. ``place`` is its own in the exposures."""
    yard = assessment.yard
    build = cover.build_at(assessment.as_of)
    check = check_cover(cover, assessment.as_of, yard.display_units)
    line = next((line for line in assessment.ranked if line.cover == cover.id), None)
    findings = [plain_word(entry.finding.defect) for entry in assessment.open_findings.get(cover.boat.number, [])]
    facts = {
        "call": "not ranked" if line is None else line.call,
        "score": "–" if line is None else f"{line.score:.2f}",
        "open findings": ", ".join(findings) or "none",
        "wrapped on": f"{cover.wrapped_on.day} {cover.wrapped_on:%b %Y}",
        **dict(build_rows(check, build, yard.display_units)),
        "departures from common practice": ", ".join(
            departure.what for departure in check.departures if departure.kind == "departs"
        )
        or "none",
        **dict(boat_rows(cover.boat, yard.display_units)),
    }
    for exposure in assessment.exposures:
        value = float(exposure.value[place])
        text = NOT_KNOWN if value != value else exposure_text(exposure.hazard, value, yard.display_units)
        facts[HAZARDS[exposure.hazard].exposure] = text
    return facts


def _together(heads: Sequence[Sequence[str]]) -> list[str]:
    """Names of all covers once, in the order of the one that has most; what others have besides comes last."""
    fullest = max(heads, key=len, default=[])
    return list(dict.fromkeys([*fullest, *(name for names in heads for name in names)]))
