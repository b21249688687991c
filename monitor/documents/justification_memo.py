"""The justification memo: one proposal for one cover, whether the numbers support it, and what they rest on."""

import base64
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from markupsafe import Markup

from monitor.assessment import YardAssessment
from monitor.changes import Change, changed_cover
from monitor.departures import check_cover
from monitor.documents.charts import as_data_uri, season_svg
from monitor.documents.page import About, render
from monitor.hazards.series import HazardParameters
from monitor.inspections import SEVERITIES, Finding, Photo
from monitor.presentation.methods import methods_of
from monitor.presentation.proposal import (
    RULES,
    SPEAKS_FOR,
    TOPIC_NAMES,
    Evidence,
    Judgement,
    Proposal,
    Topic,
    Weighed,
    without_neighbours,
)
from monitor.presentation.quantities import needs
from monitor.presentation.slack import SlackSeason, slack_chart, slack_season
from monitor.presentation.standing import LEAST_SHARE, Standing, standings
from monitor.ranking import Reason
from monitor.register import Cover
from monitor.reruns import QUANTITIES
from monitor.units import NOT_KNOWN, show_length
from monitor.whatif import WhatIf
from monitor.whatif_wording import (
    HARDLY_HELPS,
    ahead_rows,
    basis_text,
    change_text,
    comparison_rows,
    effect_shown,
    influence_text,
    number_text,
    ranges_text,
    remarks,
    slope_columns,
    slope_texts,
    unit_of,
    vent_rows,
    vents_enough,
    vents_text,
    verdict,
    weight_text,
)
from monitor.wording import OWN_JUDGEMENT, berth_text, defect_text, exposure_text, local_text, plain_word

WHAT = (
    "One proposal for one cover, held against the season that this cover has had: what would have been otherwise, what "
    "was seen, and what the numbers rest on. A memo may speak against its own proposal."
)

HEADLINES = {
    "supported": "the numbers support it",
    "not clear": "the numbers leave it open",
    "not supported": "the numbers do not support it",
}

LONGEST_NOTE = 300

STANDING_NOTE = (
    f"Covers are counted over the same hours unless a line says otherwise, and a cover counts where it was on for "
    f"{LEAST_SHARE:.0%} of them. Quartiles are the other covers'; the place counts from the highest."
)

_SINCE: dict[Topic, str] = {
    "bands": "the last re-tensioning",
    "air": "the last change of vents",
    "slope": "the wrapping",
    "film": "the wrapping",
}


@dataclass(frozen=True)
class MemoPhoto:
    """A photo of a finding: the JPEG that is shown, or the sentence that says why there is none."""

    photo: Photo
    finding: Finding
    jpeg: bytes
    trouble: str = ""


def justification_memo(
    assessment: YardAssessment,
    weighed: Weighed,
    *,
    photos: Sequence[MemoPhoto] = (),
    photos_left_out: int = 0,
    retensioned_at: Sequence[datetime] = (),
    price: str = "",
    with_owner: bool = False,
) -> str:
    """HTML of the memo on a proposal that was held against the season.

    Parameters
    ----------
    assessment : YardAssessment
        With its hourly series.
    weighed : Weighed
        Of one of its covers.
    photos : sequence of MemoPhoto
        Of the findings for and against, in the order to be shown; ``photos_left_out`` are counted besides.
    retensioned_at : sequence of datetime
        Moments for the slack over the season; with none, the best one. [UTC]
    price : str
        The yard's own; empty leaves a line for it.
    with_owner : bool
        Whether the owner's name and contact are shown.
    """
    yard, cover, proposal, found = assessment.yard, weighed.cover, weighed.proposal, weighed.compared
    zone, units = yard.time_zone, yard.display_units
    proposed = proposal_text(proposal, found.cover, zone, units)
    forecast_used = found.ahead is not None
    about = About(
        title=f"{cover.boat.number} {cover.boat.name}: {proposed} – {HEADLINES[weighed.outcome]}",
        what=WHAT,
        yard=yard,
        as_of=assessment.as_of,
        data_age_h=assessment.data_age_h,
        version=assessment.version,
        credits=tuple(
            dict.fromkeys(
                status.credit
                for status in assessment.sources
                if status.newest_hour is not None or (forecast_used and status.fetched_at is not None)
            )
        ),
        remarks=tuple(remarks(found)),
        basis=(
            f"{OWN_JUDGEMENT} Hours, indices and everything before and after are modelled too. Findings, photos and "
            f"actions are what people saw and did; builds are as recorded."
        ),
    )
    return render(
        "justification_memo.html",
        about,
        facts=_facts(cover, assessment, with_owner),
        proposed=proposed,
        outcome=weighed.outcome,
        answer=HEADLINES[weighed.outcome],
        judged=[_part(judgement) for judgement in weighed.judgements],
        rules=_rules(weighed),
        holds=[_finding_text(entry.finding) for entry in weighed.holds],
        compared=_compared(weighed, zone, units),
        state=_state_rows(weighed, units),
        slack=_slack(assessment, weighed, retensioned_at),
        seen_for=[_seen_row(one, zone) for one in weighed.speaks_for],
        seen_against=[_seen_row(one, zone) for one in weighed.speaks_against],
        against=_against(weighed, zone, units),
        build=_build_points(weighed, units),
        photos=[_photo(one, zone) for one in photos],
        photos_left_out=photos_left_out,
        standing=_standing(assessment, weighed),
        standing_note=STANDING_NOTE,
        needs=needs(
            cover,
            cover.build_at(assessment.as_of),
            changed_cover(cover, proposal.change, HazardParameters()).build_at(assessment.as_of),
            proposal.change,
            bands=proposal.retension,
            film=proposal.rewrap,
            units=units,
        ),
        methods=methods_of(proposal.topics),
        price=price,
    )


def proposal_text(proposal: Proposal, cover: Cover, time_zone: str, units: str) -> str:
    """What is proposed in a few words: ``8 vents instead of 2, bands re-tensioned``."""
    said = [change_text(proposal.change, cover, time_zone, units)] if proposal.change != Change() else []
    said += ["bands re-tensioned"] if proposal.retension else []
    said += ["new film"] if proposal.rewrap else []
    return ", ".join(said)


def _facts(cover: Cover, assessment: YardAssessment, with_owner: bool) -> list[tuple[str, str]]:
    boat, yard = cover.boat, assessment.yard
    length, beam = (show_length(size_m, yard.display_units) for size_m in (boat.length_m, boat.beam_m))
    facts = [
        ("Yard", yard.name),
        ("Boat", f"{boat.number} {boat.name}, {boat.boat_type}, {length} by {beam}"),
        ("Berth", berth_text(boat)),
        ("Wrapped", local_text(cover.builds[0].built_at, yard.time_zone, year=True)),
    ]
    if with_owner:
        facts.append(("Owner", ", ".join(filter(None, (boat.owner_name, boat.owner_contact))) or "not recorded"))
    return facts


def _part(judgement: Judgement) -> dict[str, Any]:
    doubts = [check.question for check in judgement.checks if check.answer in ("no", "not known")]
    return {
        "name": TOPIC_NAMES[judgement.topic],
        "outcome": judgement.outcome,
        "plain": _PLAIN[judgement.outcome] + (" ".join(doubts) if judgement.outcome == "not clear" else ""),
        "checks": [
            {"question": check.question, "answer": check.answer, "why": _capital(check.why)}
            for check in judgement.checks
        ],
    }


_PLAIN = {
    "supported": "It lowers what it is meant to lower, that is sure as far as the inputs are known, and it is backed.",
    "not clear": "Answered with no, or not known: ",
    "not supported": "It does not noticeably lower what it is meant to lower.",
}


def _rules(weighed: Weighed) -> list[str]:
    used = []
    for topic in weighed.proposal.topics:
        own = (topic == "bands" and weighed.proposal.retension) or topic == "film"
        used.append(RULES[topic if own else "build"])
    return [*dict.fromkeys(used), RULES["rest"]]


def _compared(weighed: Weighed, zone: str, units: str) -> dict[str, Any]:
    """The table and sentences of ``whatif``; with new film without score and call, which stand with the state."""
    found = without_neighbours(weighed.compared)
    hidden = {"score", "call now"} if weighed.proposal.rewrap else set()
    names = [*QUANTITIES, "call now"]
    kept = {one.name for one in found.comparisons if one.effect != "none"} | {"score", "call now"}
    for topic in weighed.proposal.topics:
        kept |= _AIMED[topic]
    rows = [
        row
        for name, row in zip(names, comparison_rows(found, units), strict=True)
        if name in kept and name not in hidden
    ]
    ahead = None
    if found.ahead is not None:
        ahead_named = zip([*QUANTITIES, "call now"], ahead_rows(found.ahead, units), strict=True)
        ahead = {
            "until": local_text(found.ahead.until, zone),
            "rows": [row for name, row in ahead_named if name in kept and name not in hidden],
        }
    sentences = verdict(found, units)
    if weighed.proposal.rewrap:
        sentences = sentences[:-1]
    slope = "slope" in weighed.proposal.topics
    return {
        "what": change_text(found.change, found.cover, zone, units),
        "basis": basis_text(found, zone),
        "rows": rows,
        "sentences": [*sentences, *filter(None, [influence_text(found)])],
        "ranges": ranges_text(found),
        "vents": _vent_table(found) if found.change.of_vents else None,
        "vents_said": vents_text(found) if found.change.of_vents else "",
        "slope_heads": [_capital(head) for head in slope_columns(units).values()] if slope else [],
        "slope_rows": [list(row.values()) for row in slope_texts(found, units)] if slope else [],
        "weights": weight_text(found.weights, zone, units) if slope else [],
        "ahead": ahead,
    }


_AIMED: dict[Topic, set[str]] = {
    "bands": {"gust_work_now"},
    "air": {"condensation", "damp"},
    "slope": {"snow_peak", "snow_load_hours", "snow_hours", "pocket_peak"},
    "film": set(),
}


def _vent_table(found: WhatIf) -> list[list[str]]:
    asked = {found.cover.builds[-1].vent_count, found.changed.builds[-1].vent_count}
    return [
        ["–" if value is None else f"{value:.0f}" for value in row.values()]
        for row in vent_rows(found)
        if row["vents"] in asked or (row["vents"] or 0) % 2 == 0
    ]


def _state_rows(weighed: Weighed, units: str) -> list[tuple[str, str, str]]:
    """What the day's ranking says as recorded, and with the work done."""
    state = weighed.state
    if state is None:
        return []
    before = "nothing is open" if state.finding is None else _reason_text(state.finding, units)
    after = (
        "nothing is open"
        if state.left_open is None
        else (f"{_finding_text(state.left_open.finding)}, p {state.finding_p_after:.2f}")
    )
    slack = "none" if state.slack is None else _reason_text(state.slack, units)
    return [
        ("slack", slack, "none, counted anew"),
        ("worst open finding", before, after),
        ("score", f"{state.score[0]:.2f}", f"{state.score[1]:.2f}"),
        ("call", state.calls[0], state.calls[1]),
    ]


def _reason_text(reason: Reason, units: str) -> str:
    value = NOT_KNOWN if reason.value is None else exposure_text(reason.hazard, reason.value, units)
    what = f"{reason.note}, " if reason.hazard == "open_finding" and reason.note else ""
    return f"{plain_word(what)}{value}, p {reason.p:.2f}"


def _slack(assessment: YardAssessment, weighed: Weighed, moments: Sequence[datetime]) -> dict[str, Any] | None:
    """The slack of the season in words and as a picture, where the bands are in question."""
    if not weighed.proposal.retension or assessment.series is None:
        return None
    season = slack_season(assessment, assessment.series, weighed.cover, moments)
    chart = slack_chart(season, assessment)
    return {
        "sentences": _slack_sentences(season, assessment),
        "picture": "" if chart is None else Markup(as_data_uri(season_svg(chart))),  # base64 alone
        "label": "" if chart is None else chart.label,
    }


def _slack_sentences(season: SlackSeason, assessment: YardAssessment) -> list[str]:
    zone, units = assessment.yard.time_zone, assessment.yard.display_units
    curve = assessment.parameters.curves["slack"]

    def told(value: float) -> str:
        p = float(curve.probability(np.array([value]))[0])
        return f"{exposure_text('slack', value, units)} (p {p:.2f})"

    worst, worst_at = season.worst()
    if season.missing.all():
        return ["The slack of this season is not known: nobody tells of any gust."]
    if worst_at is None:
        return ["No gust has done any work on this cover since its wrapping."]
    said = [
        f"At its worst the slack of this season was {told(worst)}, {local_text(worst_at, zone)}; now it is "
        f"{told(season.now)}."
    ]
    if not season.also_at:
        return said
    when = " and ".join(local_text(moment, zone) for moment in season.also_at)
    otherwise, _ = season.worst_otherwise()
    now = float(season.otherwise[-1])
    known = (
        "the moment of this season at which one more helps most, as is known only now" if season.chosen else "as asked"
    )
    said.append(
        f"Re-tensioned once more on {when} ({known}), the worst would have been {told(otherwise)}, and now {told(now)}."
    )
    said.append("p is the chance by the yard's curve that such a cover needs a hand, hours missing not counted.")
    return said


def _seen_row(one: Evidence, zone: str) -> dict[str, str]:
    finding = one.finding
    return {
        "when": local_text(one.inspection.inspected_at, zone, year=True),
        "what": defect_text(finding.defect, finding.place),
        "severity": f"{finding.severity} {SEVERITIES[finding.severity]}",
        "who": one.inspection.inspector,
        "open": "open" if one.is_open else "no longer open",
        "note": textwrap.shorten(finding.note, LONGEST_NOTE, placeholder=" ..."),
        "why": one.why,
    }


def _against(weighed: Weighed, zone: str, units: str) -> list[str]:
    """What speaks against, besides findings: looks that found nothing, further vents that hardly help, cheaper ways."""
    said = []
    for look in weighed.looks:
        where = "inside " if look.topic == "air" else ""
        count = f"{look.count} look{'' if look.count == 1 else 's'} {where}since {_since_name(weighed, look.topic)}"
        kinds = ", ".join(sorted(plain_word(defect) for defect in SPEAKS_FOR[look.topic]))
        newest = f"{local_text(look.newest.inspected_at, zone)} by {look.newest.inspector}"
        said.append(f"{count} found none of this kind ({kinds}); the newest {newest}.")
    found = weighed.compared
    if found.change.vents is not None:
        enough = vents_enough(found.vents)
        if found.cover.builds[-1].vent_count <= enough <= min(found.change.vents, max(found.vents)) - 2:
            said.append(
                f"From {enough} vents on, two more take off less than {HARDLY_HELPS:.0%} of the hours of "
                f"condensation left: fewer than {found.change.vents} would do."
            )
    worse = [one for one in found.comparisons if effect_shown(one, units) == "more" and one.name != "score"]
    if worse:
        said.append(f"It would have been worse in: {'; '.join(QUANTITIES[one.name].label for one in worse)}.")
    if weighed.proposal.rewrap:
        if any(one.is_open and one.finding.defect in _TAPED for one in weighed.speaks_for):
            said.append("Tape or a weld puts right what is open in the film, too: new film is one way of two.")
        said.append("Slack begins anew with a re-tensioning as well; new film is not needed for that.")
    if any(one.finding.defect in ("vent_lost", "vent_blocked") and one.is_open for one in weighed.speaks_for):
        said.append("A lost or blocked vent is put right first: the model takes every recorded vent as open.")
    return said


_TAPED = frozenset({"tear", "hole", "open_weld", "open_pleat"})

_DEPARTURES_OF: dict[Topic, frozenset[str]] = {
    "bands": frozenset({"belly band spacing", "perimeter band drop"}),
    "air": frozenset({"vents"}),
    "slope": frozenset({"slope for water", "slope for snow", "support posts"}),
    "film": frozenset(),
}


def _build_points(weighed: Weighed, units: str) -> list[str]:
    """Where the build departs from common practice in what the proposal concerns."""
    wanted = frozenset().union(*(_DEPARTURES_OF[topic] for topic in weighed.proposal.topics))
    check = check_cover(weighed.cover, weighed.as_of, units)
    said = [_capital(str(one)) for one in check.departures if one.kind == "departs" and one.what in wanted]
    if not wanted or said:
        return said
    return ["In what the proposal concerns, the build as recorded departs from common practice in nothing."]


def _photo(one: MemoPhoto, zone: str) -> dict[str, Any]:
    taken = f"taken {local_text(one.photo.taken_at, zone, year=True)} by {one.photo.taken_by}"
    note = textwrap.shorten(one.photo.note, LONGEST_NOTE, placeholder=" ...")
    what = _capital(defect_text(one.finding.defect, one.finding.place))
    return {
        "source": Markup(f"data:image/jpeg;base64,{base64.b64encode(one.jpeg).decode()}") if one.jpeg else "",
        "alt": f"Photo: {what}",
        "caption": f"{what}, {taken}" + (f": {note}" if note else "."),
        "trouble": one.trouble,
    }


def _standing(assessment: YardAssessment, weighed: Weighed) -> list[dict[str, Any]]:
    """One table a topic: this cover's numbers, the others' quartiles, and its place."""
    if assessment.series is None:
        return []
    zone, units = assessment.yard.time_zone, assessment.yard.display_units
    tables = []
    for topic in weighed.proposal.topics:
        since = weighed.since[topic]
        rows = standings(assessment, assessment.series, weighed.cover, topic, since)
        tables.append(
            {
                "topic": TOPIC_NAMES[topic],
                "since": f"{_since_name(weighed, topic)}, {local_text(since, zone, year=True)}",
                "rows": [_standing_row(row, units) for row in rows],
            }
        )
    return tables


def _standing_row(row: Standing, units: str) -> dict[str, str]:
    unit = unit_of(row.quantity, units).symbol

    def number(value: float) -> str:
        return number_text(value, row.quantity, units)

    alone = row.of == 1
    place = "like all others" if row.alike == row.of - 1 else f"{row.place} of {row.of}"
    return {
        "what": f"{row.quantity.label} [{unit}]",
        "value": number(row.value),
        "lower": "–" if alone else number(row.lower),
        "median": "–" if alone else number(row.median),
        "upper": "–" if alone else number(row.upper),
        "place": "no other cover" if alone else NOT_KNOWN if math.isnan(row.value) else place,
    }


def _since_name(weighed: Weighed, topic: Topic) -> str:
    return "the wrapping" if weighed.since[topic] == weighed.cover.builds[0].built_at else _SINCE[topic]


def _finding_text(finding: Finding) -> str:
    return f"{defect_text(finding.defect, finding.place)}, {finding.severity} {SEVERITIES[finding.severity]}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
