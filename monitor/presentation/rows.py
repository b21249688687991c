"""What pages say about covers, findings and storms: plain rows of text in the yard's units and on its clock."""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.assessment import SourceStatus, YardAssessment
from monitor.clocks import OpenEntry
from monitor.departures import CoverCheck
from monitor.inspections import SEVERITIES, STAND_DEFECTS, Inspection
from monitor.presentation.panels import Lane
from monitor.ranking import HAZARDS, RankedCover, Reason
from monitor.register import Boat, Cover, CoverBuild
from monitor.storms import Storm
from monitor.units import NOT_KNOWN, show_area, show_length, show_speed, show_thickness, show_water
from monitor.wording import (
    berth_text,
    defect_text,
    local_text,
    missing_text,
    plain_word,
    reason_value_text,
    reason_when_text,
    source_text,
    threshold_text,
)

OLD_DATA_H = 3.0
"""From this age on the newest weather hour is called old: pulls are hourly, and a service may be one or two behind."""

REASONS_IN_LIST = 3
"""Reasons under each cover of the list, of which one alone under a cover without a call; all stand on its own page."""

COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


@dataclass(frozen=True)
class ReasonRow:
    """One reason: what and how much, then when, from where and against what, and what to look at."""

    label: str
    value: str
    details: tuple[str, ...]
    check: str


@dataclass(frozen=True)
class CoverRow:
    """One cover of the list."""

    rank: int
    boat: str
    name: str
    berth: str
    call: str
    score: str
    href: str
    reasons: tuple[ReasonRow, ...]
    reasons_left: int
    stand_crew: tuple[str, ...]
    row: str
    defects: tuple[str, ...]


@dataclass(frozen=True)
class CallGroup:
    """The covers of one call, in the order of the list."""

    call: str
    anchor: str
    mark: str
    covers: tuple[CoverRow, ...]


@dataclass(frozen=True)
class LogRow:
    """One entry of a cover's log, numbered in the order of time."""

    number: int
    lane: Lane
    moment: datetime
    when: str
    who: str
    what: str
    note: str


CALL_MARKS = {"walk first": "■", "walk today": "▲", "this week": "●", "no call": "○"}
"""The sign before a call's words, the same shape as on the map."""


def call_mark(call: str) -> str:
    """The sign of a call; a plus where the call is none of the usual four."""
    return CALL_MARKS.get(call, "+")


def cover_row(line: RankedCover, cover: Cover, href: str, assessment: YardAssessment) -> CoverRow:
    """A line of the ranking as the list shows it."""
    yard = assessment.yard
    entries = assessment.open_findings.get(cover.boat.number, [])
    shown = line.reasons[: 1 if line.call == assessment.parameters.lowest_call else REASONS_IN_LIST]
    return CoverRow(
        rank=line.rank,
        boat=cover.boat.number,
        name=cover.boat.name,
        berth=berth_text(cover.boat),
        call=line.call,
        score=f"{line.score:.2f}",
        href=href,
        reasons=tuple(reason_row(reason, yard.time_zone, yard.display_units) for reason in shown),
        reasons_left=len(line.reasons) - len(shown),
        stand_crew=stand_crew(entries),
        row=cover.boat.row,
        defects=tuple(dict.fromkeys(plain_word(entry.finding.defect) for entry in entries)),
    )


def reason_row(reason: Reason, time_zone: str, units: str) -> ReasonRow:
    """A reason taken apart into what a person reads first and what stands behind it."""
    when = reason_when_text(reason, time_zone)
    value = reason_value_text(reason, units)
    if reason.hazard == "open_finding" and reason.value is not None:
        value = f"{reason.note}, {value}, {SEVERITIES.get(int(reason.value), '')}".lstrip(", ")
        when = f"seen {when}" if when else ""
    details = (
        when,
        "" if reason.hazard == "open_finding" else reason.note,
        source_text(reason.source),
        threshold_text(reason, units),
        missing_text(reason.missing_share),
    )
    return ReasonRow(
        label=HAZARDS[reason.hazard].label,
        value=value,
        details=tuple(detail for detail in details if detail),
        check=reason.check,
    )


def call_groups(rows: Sequence[CoverRow], calls: Sequence[str]) -> tuple[CallGroup, ...]:
    """The list parted by call; calls without a cover are left out."""
    known = [*calls, *sorted({row.call for row in rows} - set(calls))]
    groups = [
        CallGroup(call, f"call-{number}", call_mark(call), tuple(row for row in rows if row.call == call))
        for number, call in enumerate(known, start=1)
    ]
    return tuple(group for group in groups if group.covers)


def stand_crew(entries: Iterable[OpenEntry]) -> tuple[str, ...]:
    """Open findings that only the yard's stand crew may touch, in words."""
    return tuple(plain_word(entry.finding.defect) for entry in entries if entry.finding.defect in STAND_DEFECTS)


def data_age_text(age_h: float | None) -> str:
    """How old the newest weather hour is."""
    if age_h is None:
        return "No weather is known for this yard; what follows rests on the register and the log alone."
    if age_h < 1:
        return "The newest weather hour is less than 1 h old."
    days = f" ({age_h / 24:.0f} days)" if age_h >= 48 else ""
    text = f"he newest weather hour is {age_h:.0f} h old{days}."
    return f"Old data: t{text}" if is_old(age_h) else f"T{text}"


def is_old(age_h: float | None) -> bool:
    """Whether a page must warn of the age of its weather."""
    return age_h is None or age_h > OLD_DATA_H


def finding_rows(entries: Sequence[OpenEntry], time_zone: str) -> list[dict[str, str | bool]]:
    """Open findings, worst first as they come."""
    return [
        {
            "what": defect_text(entry.finding.defect, entry.finding.place),
            "severity": f"{entry.finding.severity}, {SEVERITIES.get(entry.finding.severity, '')}",
            "when": local_text(entry.seen_at, time_zone, year=True),
            "who": entry.inspection.inspector,
            "note": entry.finding.note,
            "stand_crew": entry.finding.defect in STAND_DEFECTS,
        }
        for entry in entries
    ]


def log_rows(assessment: YardAssessment, cover_id: int | None) -> list[LogRow]:
    """Inspections, findings and actions of a cover, oldest first; findings stand after their inspection."""
    yard, log = assessment.yard, assessment.log
    inspections = {visit.id: visit for visit in log.inspections if visit.cover_id == cover_id}
    troubled = {finding.inspection_id for finding in log.findings if finding.severity > 0}
    entries: list[tuple[datetime, int, str, Lane, str, str, str]] = []
    for visit in inspections.values():
        what = "inspected" + (", inside too" if visit.inside else "")
        what += "" if visit.id in troubled else ", all sound"
        measured = _measured(visit, yard.display_units)
        what += f"; measured {', '.join(measured)}" if measured else ""
        entries.append((visit.inspected_at, 0, visit.id, "inspected", visit.inspector, what, visit.note))
    for finding in log.findings:
        found_in = inspections.get(finding.inspection_id)
        if found_in is not None:
            what = f"found {defect_text(finding.defect, finding.place)}: severity {finding.severity}"
            what += f", {SEVERITIES.get(finding.severity, '')}"
            seen_at, who = found_in.inspected_at, found_in.inspector
            entries.append((seen_at, 1, finding.id, "found", who, what, finding.note))
    for action in log.actions:
        if action.cover_id == cover_id:
            what = f"done: {plain_word(action.action)}" + ("" if action.quantity is None else f", {action.quantity:g}")
            entries.append((action.acted_at, 2, action.id, "done", action.actor, what, action.note))
    entries.sort(key=lambda entry: entry[:3])
    return [
        LogRow(number, lane, moment, local_text(moment, yard.time_zone, year=True), who, what, note)
        for number, (moment, _, _, lane, who, what, note) in enumerate(entries, start=1)
    ]


def _measured(visit: Inspection, units: str) -> list[str]:
    measured = []
    if visit.snow_depth_m is not None:
        measured.append(f"snow {show_length(visit.snow_depth_m, units)} deep")
    if visit.snow_water_mm is not None:
        measured.append(f"snow {show_water(visit.snow_water_mm, units)} as water")
    if visit.band_drop_m is not None:
        measured.append(f"perimeter band {show_length(visit.band_drop_m, units)} below the rub rail")
    if visit.gust_seen_ms is not None:
        measured.append(f"gust {show_speed(visit.gust_seen_ms, units)} seen")
    return measured


def build_rows(check: CoverCheck, build: CoverBuild, units: str) -> list[tuple[str, str]]:
    """A build as name and value, the panels first."""
    vents = f"{build.vent_count}"
    if check.vent_area_m2 is not None and build.vent_count:
        vents += f", {show_area(check.vent_area_m2, units)} free area together"
    return [
        *((f"slope of the {slope.panel} panel", f"{slope.slope_deg:.0f}°, {slope.origin}") for slope in check.slopes),
        (
            "slope of the flattest part",
            f"{check.flattest_slope_deg:.0f}°, {'measured' if check.flattest_measured else 'the flattest panel'}",
        ),
        ("ridge above the rub rail", _length_text(build.ridge_rise_m, units)),
        ("ridge above the ground", _length_text(build.ridge_above_ground_m, units)),
        ("film width for this ridge", _length_text(check.film_width_m, units)),
        ("support posts", NOT_KNOWN if build.post_count is None else f"{build.post_count}"),
        ("perimeter band below the rub rail", _length_text(build.band_drop_m, units)),
        ("belly bands", NOT_KNOWN if build.belly_band_count is None else f"{build.belly_band_count}"),
        ("belly band spacing", _length_text(check.belly_band_spacing_m, units)),
        ("vents", vents),
        ("film", film_text(build, units)),
        ("ground under the boat", plain_word(build.ground)),
        ("door", "yes" if build.door else "no"),
    ]


def boat_rows(boat: Boat, units: str) -> list[tuple[str, str]]:
    """The boat and its berth as name and value."""
    return [
        ("boat", f"{boat.boat_type}, {show_length(boat.length_m, units)} long, {show_length(boat.beam_m, units)} wide"),
        ("stands on", plain_word(boat.support)),
        ("berth", berth_text(boat)),
        ("bow points", f"{compass(boat.heading_deg)} ({boat.heading_deg:.0f}°)"),
        ("shelter", boat.shelter),
    ]


def film_text(build: CoverBuild, units: str) -> str:
    """Colour and thickness of the film."""
    if build.film_thickness_mm is None:
        return build.film_colour
    return f"{build.film_colour}, {show_thickness(build.film_thickness_mm, units)}"


def storm_rows(
    storms: Sequence[Storm], time_zone: str, units: str, coming: Sequence[Storm] = ()
) -> list[dict[str, str]]:
    """The season's storms, newest first, numbered from the season's first; those that are only ``coming`` say so."""
    return [
        {
            "number": str(number),
            "what": storm.character() if number <= len(storms) else f"{storm.character()}, forecast",
            "start": local_text(storm.start, time_zone),
            "end": local_text(storm.end, time_zone),
            "snow": show_water(storm.snow_water_mm, units),
            "rain": show_water(storm.rain_mm, units),
            "freezing": freezing_rain_text(storm.freezing_rain_mm, units),
            "gust": gust_text(storm, units),
            "gust_at": "–" if storm.top_gust_at is None else local_text(storm.top_gust_at, time_zone),
            "cycles": str(storm.freeze_thaw_cycles),
            "missing": missing_text(storm.missing_share) or "none",
        }
        for number, storm in reversed(list(enumerate([*storms, *coming], start=1)))
    ]


def freezing_rain_text(freezing_rain_mm: float | None, units: str) -> str:
    """Freezing rain, and plainly so where nobody would have told of it."""
    if freezing_rain_mm is None:
        return "not assessed"
    if math.isnan(freezing_rain_mm):
        return "reported, amount not known"
    return "none" if freezing_rain_mm == 0 else show_water(freezing_rain_mm, units)


def gust_text(storm: Storm, units: str) -> str:
    """Top gust with its direction: ``22.5 m/s from NE (45°)``."""
    if math.isnan(storm.top_gust_ms):
        return NOT_KNOWN
    text = show_speed(storm.top_gust_ms, units)
    if storm.top_gust_from_deg is None:
        text += ", direction not reported"
    else:
        text += f" from {compass(storm.top_gust_from_deg)} ({storm.top_gust_from_deg:.0f}°)"
    return text + (", estimated from mean wind" if storm.top_gust_estimated else "")


def source_rows(sources: Sequence[SourceStatus], time_zone: str) -> list[dict[str, object]]:
    """One row a source, with its credit as text and links."""
    return [
        {
            "source": status.source,
            "newest": NOT_KNOWN if status.newest_hour is None else local_text(status.newest_hour, time_zone),
            "fetched": NOT_KNOWN if status.fetched_at is None else local_text(status.fetched_at, time_zone),
            "age": NOT_KNOWN if status.age_h is None else "under 1 h" if status.age_h < 1 else f"{status.age_h:.0f} h",
            "failure": status.last_failure or "none",
            "failing": status.failing,
            "credit": linked(status.credit),
        }
        for status in sources
    ]


def linked(text: str) -> list[tuple[str, str]]:
    """Text as (words, address) pieces; the address is empty for plain words. Only http and https are links."""
    pieces = []
    for part in re.split(r"(https?://[^\s<>\"']+[^\s<>\"'.,;:)])", text):
        if part:
            pieces.append((part, part if part.startswith(("http://", "https://")) else ""))
    return pieces


def compass(direction_deg: float) -> str:
    """One of the 16 points of the compass."""
    return COMPASS[round(direction_deg / 22.5) % 16]


def _length_text(length_m: float | None, units: str) -> str:
    return NOT_KNOWN if length_m is None else show_length(length_m, units)
