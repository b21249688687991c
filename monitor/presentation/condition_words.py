"""The first page of a condition report: what a cover has been through, in plain sentences, each true to its number."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitor.assessment import YardAssessment
from monitor.clocks import OpenEntry
from monitor.hazards.snow import KPA_PER_MM
from monitor.inspections import SEVERITIES, STAND_DEFECTS, Action, Finding, Inspection
from monitor.presentation.cover_took import TRACE_MM, Took
from monitor.ranking import HAZARDS, RankedCover, Reason
from monitor.units import display_unit, show_load, show_pressure, show_speed, show_water
from monitor.wording import defect_text, exposure_text, local_text, plain_word

MOST_LISTED = 4
"""Findings, actions and open points named on the first page, so that it stays one; the log below has all of them."""

MOST_REASONS = 2
WEIGHTY_P = 0.1
"""A reason is named from here on: 1 in 10 covers would need a hand because of it."""

ADVICE = {
    "walk first": "Our list has this cover among those to look at first.",
    "walk today": "Our list has this cover among those to look at on the day.",
    "this week": "Our list has this cover among those to look at within the week.",
    "no call": "Our list asks for no look out of turn; the cover is seen on the usual rounds.",
}

PLAIN_EXPOSURES = {
    "snow": "Most snow and ice on it since the last inspection",
    "pocket": "Water that may stand in a sag now",
    "gust": "Hardest gust across it since the last inspection",
    "slack": "Work of the gusts since its bands were last tightened",
    "freeze_thaw": "Freezing and thawing of the film since the last inspection",
    "ice": "Ice from freezing rain since the last inspection",
    "damp": "Damp hours since somebody last looked inside or changed its vents",
    "unseen": "Time since the last inspection",
}
"""Each hazard's number in words that need no explanation; `monitor.ranking.HAZARDS` has the exact ones."""

DAY = timedelta(days=1)


@dataclass(frozen=True)
class Part:
    """A heading of the first page, its sentences, and what is listed under them."""

    title: str
    sentences: tuple[str, ...]
    points: tuple[str, ...] = ()


@dataclass(frozen=True)
class LoggedThings:
    """What stands in one cover's log, oldest first: inspections, findings with the inspection of each, actions."""

    inspections: tuple[Inspection, ...]
    findings: tuple[tuple[Finding, Inspection], ...]
    actions: tuple[Action, ...]


def first_page(
    assessment: YardAssessment,
    took: Took,
    wrapped_at: datetime,
    logged: LoggedThings,
    still_open: Sequence[OpenEntry],
    line: RankedCover | None,
) -> tuple[Part, ...]:
    """The five parts of the first page, in the yard's units and on its clock."""
    zone, units = assessment.yard.time_zone, assessment.yard.display_units
    came_off = any(action.action == "unwrapped" for action in logged.actions)
    return (
        Part(
            "What the cover has been through",
            tuple(_been_through(assessment, took, wrapped_at, came_off, zone, units)),
        ),
        _seen(logged, zone),
        _done(logged.actions, zone),
        _open(still_open, zone),
        Part("What we advise next", tuple(_advice(None if came_off else line, still_open, units))),
    )


def _been_through(
    assessment: YardAssessment, took: Took, wrapped_at: datetime, came_off: bool, zone: str, units: str
) -> Iterator[str]:
    wrapped, days = local_text(wrapped_at, zone, year=True), _count(round((assessment.as_of - wrapped_at) / DAY), "day")
    if came_off:
        since = f"From its wrapping on {wrapped} until it came off on {local_text(assessment.as_of, zone)}, {days},"
    else:
        since = f"Since it was wrapped on {wrapped}, {days} ago,"
    if took.hours == 0:
        yield f"{since} no hour of weather is known here, so what the cover has been through cannot be told."
        return
    yield f"{since} {_storms_text(took)} over it."
    yield from _wind(took, zone, units)
    yield from _snow(took, zone, units)
    yield from _frost(took)
    yield _freezing_rain(took, units)
    yield _damp(took, "damp" in assessment.not_assessed)
    yield _missing(took)


def _storms_text(took: Took) -> str:
    if took.storms:
        return f"{_count(len(took.storms), 'storm')}, small ones counted, passed"
    if took.missing.water_h == took.missing.wind_h == took.hours:
        return "it is not known whether a storm passed"
    return "no storm passed"


def _wind(took: Took, zone: str, units: str) -> Iterator[str]:
    gust = took.gust
    if gust is None:
        yield "How hard the wind pressed on it is not known."
        return
    source, _, kind = gust.source.partition(":")
    told = f"estimated from the mean wind ({source})" if gust.estimated else f"{kind} ({source})"
    pressure = show_pressure(gust.pressure_pa, units)
    yield (
        f"The wind pressed hardest on {local_text(gust.hour_ending, zone)}: a gust of "
        f"{show_speed(gust.gust_ms, units)}, {told}, by our model {pressure} across the cover."
    )


def _snow(took: Took, zone: str, units: str) -> Iterator[str]:
    if took.load is None or took.missing.water_h == took.hours:
        yield "How much snow lay on it is not known: nobody told what fell."
    elif took.load.value < TRACE_MM * KPA_PER_MM:
        yield "By our model no snow or ice to speak of lay on it."
    else:
        load = took.load
        yield (
            f"Snow and ice lay heaviest on {local_text(load.hour_ending, zone)}: by our model "
            f"{show_load(load.value, units)} on the flattest part, which is {plain_load(load.value, units)}."
        )
    if took.pocket is not None and took.pocket.value >= TRACE_MM:
        yield (
            f"In a sag of the flattest part up to {show_water(took.pocket.value, units)} of water could have stood, on "
            f"{local_text(took.pocket.hour_ending, zone)}."
        )


def plain_load(load_kpa: float, units: str) -> str:
    """A load as a weight that one can imagine: ``about 25 kg on each square metre``."""
    if units == "us":
        value, of = load_kpa * display_unit("load", units).factor, "lb on each square foot"
    else:
        value, of = load_kpa / KPA_PER_MM, "kg on each square metre"
    return f"about {value:.0f} {of}" if round(value) >= 1 else f"less than 1 {of}"


def _frost(took: Took) -> Iterator[str]:
    if took.missing.temperature_h == took.hours:
        yield "How often the film froze and thawed is not known."
    elif took.cycles == 0:
        yield "By our model the film did not once freeze and thaw again."
    else:
        wet = "none of them" if took.wet_cycles == 0 else f"{took.wet_cycles} of them"
        yield f"The film froze and thawed {_count(took.cycles, 'time')}, {wet} with water or wet snow lying there."


def _freezing_rain(took: Took, units: str) -> str:
    if took.freezing_rain_mm is None:
        return "Whether freezing rain fell is not known: no weather source here tells of it."
    if took.freezing_rain_h == 0:
        told = "" if took.icing_known_h == took.hours else f" in the {took.icing_known_h} hours that can be told"
        return f"No freezing rain was reported{told}."
    known = not math.isnan(took.freezing_rain_mm)
    amount = show_water(took.freezing_rain_mm, units) if known else "an amount nobody reported"
    return f"Freezing rain fell in {_count(took.freezing_rain_h, 'hour')}: {amount} altogether."


def _damp(took: Took, not_assessed: bool) -> str:
    if not_assessed or took.damp_known_h == 0:
        return "How damp the air under the cover was is not known: its weather is never known as a whole."
    if took.damp_h == 0:
        return f"By our model the air under it was damp in none of the {took.damp_known_h} hours that are known."
    return (
        f"By our model the air under it was damp in {took.damp_h} of the {took.damp_known_h} hours that are known "
        f"({took.damp_h / took.damp_known_h * 100:.0f} %)."
    )


def _missing(took: Took) -> str:
    missing = took.missing
    if missing.any_h == 0:
        return f"Temperature, wind and what fell are known for each of the {took.hours} hours."
    parts = [
        f"{name} in {count}"
        for name, count in (
            ("temperature", missing.temperature_h),
            ("what fell", missing.water_h),
            ("wind", missing.wind_h),
        )
        if count
    ]
    return (
        f"Of the {took.hours} hours, {missing.any_h} are not fully known ({', '.join(parts)}); what happened in them "
        f"is not in these numbers."
    )


def _seen(logged: LoggedThings, zone: str) -> Part:
    title = "What we saw"
    visits = logged.inspections
    if not visits:
        return Part(title, ("No inspection of this cover is written down yet.",))
    inside = sum(visit.inside for visit in visits)
    last = visits[-1]
    looked = f"We looked at the cover {_times(len(visits))}"
    looked += f", {'also' if inside == len(visits) else _times(inside) + ' also'} inside" if inside else ""
    looked += f"; last on {local_text(last.inspected_at, zone, year=True)}, by {last.inspector}."
    found = [(finding, visit) for finding, visit in logged.findings if finding.severity > 0]
    if not found:
        return Part(title, (looked, "Nothing was found."))
    worst_first = sorted(found, key=lambda pair: (-pair[0].severity, -pair[1].inspected_at.timestamp(), pair[0].id))
    points = [
        f"{_capital(defect_text(finding.defect, finding.place))}, {SEVERITIES[finding.severity]}: "
        f"{local_text(visit.inspected_at, zone)}"
        for finding, visit in worst_first
    ]
    return Part(title, (looked, f"{_capital(_count(len(found), 'finding'))} in all:"), _shortened(points))


def _done(actions: Sequence[Action], zone: str) -> Part:
    title = "What we did"
    if not actions:
        return Part(title, ("No work on the cover is written down.",))
    points = [
        f"{_capital(plain_word(act.action))}: {local_text(act.acted_at, zone)}, by {act.actor}"
        for act in reversed(actions)
    ]
    return Part(title, (f"{_capital(_count(len(actions), 'entry', 'entries'))}, newest first:",), _shortened(points))


def _open(still_open: Sequence[OpenEntry], zone: str) -> Part:
    title = "What is open, and who has it"
    if not still_open:
        return Part(title, ("Nothing is open.",))
    points = [
        f"{_capital(defect_text(entry.finding.defect, entry.finding.place))}, {SEVERITIES[entry.finding.severity]}, "
        f"seen {local_text(entry.seen_at, zone)}: with the yard's {who_has(entry)}"
        for entry in still_open
    ]
    return Part(title, (f"{_capital(_count(len(still_open), 'point'))}:",), _shortened(points))


def who_has(entry: OpenEntry) -> str:
    """Whose an open finding is: stands belong to the people trained for them."""
    return "stand crew, who alone touch a stand" if entry.finding.defect in STAND_DEFECTS else "crew"


def _advice(line: RankedCover | None, still_open: Sequence[OpenEntry], units: str) -> Iterator[str]:
    stands = [entry for entry in still_open if entry.finding.defect in STAND_DEFECTS]
    others = [entry for entry in still_open if entry.finding.defect not in STAND_DEFECTS]
    if stands:
        yield "Please keep clear of the boat until the yard's stand crew has said that it stands well."
    if others:
        named = [defect_text(entry.finding.defect, entry.finding.place) for entry in others[:MOST_LISTED]]
        more = len(others) - len(named)
        what = ", ".join(dict.fromkeys(named)) + (f" and {more} more" if more else "")
        yield f"To be put right: {what}."
    if line is None:
        if not still_open:
            yield "Nothing: the cover is off."
        return
    yield ADVICE.get(line.call, f'Our list has this cover under "{line.call}".')
    weighty = [reason for reason in line.reasons if reason.hazard != "open_finding" and reason.p >= WEIGHTY_P]
    for reason in weighty[:MOST_REASONS]:
        yield f"{_reason_text(reason, units)} What we check: {reason.check}."


def _reason_text(reason: Reason, units: str) -> str:
    exposure = PLAIN_EXPOSURES.get(reason.hazard) or _capital(HAZARDS[reason.hazard].exposure)
    value = "not known" if reason.value is None else exposure_text(reason.hazard, reason.value, units)
    return f"{exposure}: {value}."


def _shortened(points: Sequence[str]) -> tuple[str, ...]:
    left = len(points) - MOST_LISTED
    if left <= 0:
        return tuple(points)
    return (*points[:MOST_LISTED], f"And {left} more, in the log below")


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number} {one}" if number == 1 else f"{number} {many or one + 's'}"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
