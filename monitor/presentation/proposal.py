"""One proposal for one cover: what it should lower, what was seen for and against, and whether the numbers bear it."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

import numpy as np

from monitor.assessment import YardAssessment
from monitor.changes import Change
from monitor.clocks import VENT_CHANGES, Log, OpenEntry, open_findings
from monitor.inspections import STAND_DEFECTS, Action, Finding, Inspection
from monitor.ranking import RankedCover, Reason
from monitor.register import Cover
from monitor.reruns import QUANTITIES
from monitor.whatif import Comparison, Span, WhatIf
from monitor.whatif_wording import number_text, unit_of

Topic = Literal["bands", "air", "slope", "film"]
Outcome = Literal["supported", "not clear", "not supported"]
Answer = Literal["yes", "no", "not known", "does not arise"]

LEAST_CHANCE = 0.10
"""Slack, or an open finding, below this chance that a cover needs a hand is none to act on: our own judgement."""

AIMS: dict[Topic, tuple[str, ...]] = {
    "bands": ("gust_work", "gust_work_now"),
    "air": ("condensation", "damp"),
    "slope": ("snow_peak", "snow_load_hours", "snow_hours", "pocket_peak"),
    "film": (),
}
"""What a change of the build is meant to lower, of the quantities of `monitor.reruns`."""

SPEAKS_FOR: dict[Topic, frozenset[str]] = {
    "bands": frozenset({"loose_band", "slipped_band", "loose_belly_band"}),
    "air": frozenset({"damp_inside", "mould_inside", "vent_lost", "vent_blocked"}),
    "slope": frozenset({"sag", "standing_water", "snow_lying", "ice_lying"}),
    "film": frozenset({"tear", "hole", "open_weld", "open_pleat", "chafe"}),
}
"""Defects that have to do with each kind of proposal and speak for it: common practice, no source."""

SPEAKS_AGAINST: dict[Topic, dict[str, str]] = {
    "bands": {
        "broken_strap": "A broken strap slackens the rest again: replace it before anything is tightened.",
        "leaning_post": "A post that leans slackens the film: set it right before anything is tightened.",
    },
    "air": {"door_open": "What is damp under an open door tells little about the vents: shut it, and look again."},
    "slope": {
        "leaning_post": "A post that leans flattens the panels: setting it right may be enough.",
        "broken_strap": "A broken strap lets the panels sink: replacing it may be enough.",
    },
    "film": {},
}
"""Defects that point to another cause, and what follows: common practice, no source."""

TOPIC_NAMES: dict[Topic, str] = {
    "bands": "bands and slack",
    "air": "vents and damp",
    "slope": "slope",
    "film": "film",
}

RULES: dict[str, str] = {
    "build": (
        "Supported means: what the proposal is meant to lower becomes noticeably less, with one sign in every "
        "parameter set; the score does not become noticeably higher; and a finding on this cover, or a better call, "
        "backs it."
    ),
    "bands": (
        f"A re-tensioning is supported where slack and loose bands make the chance that this cover needs a hand at "
        f"least {LEAST_CHANCE:.0%} by the yard's own curves, in every parameter set; and a finding of this kind since "
        f"the last re-tensioning, or a better call, backs it."
    ),
    "film": (
        f"New film is supported where findings in the film that are open make that chance at least {LEAST_CHANCE:.0%}, "
        f"and film was found broken at two or more inspections, so that tape or a weld is not enough."
    ),
    "rest": (
        "Not supported means: what it is meant to lower does not become noticeably less. Anything between is not "
        "clear. The rule, and what counts as noticeable, are our own judgement."
    ),
}


@dataclass(frozen=True)
class Proposal:
    """What is proposed: a change of the build, a re-tensioning of all bands now, new film now; one or more of them."""

    change: Change = field(default_factory=Change)
    retension: bool = False
    rewrap: bool = False

    @property
    def topics(self) -> tuple[Topic, ...]:
        """What the proposal has to do with."""
        change = self.change
        given: dict[Topic, bool] = {
            "film": self.rewrap,
            "bands": self.retension or change.belly_spacing_m is not None,
            "slope": change.ridge_raise_m is not None,
            "air": change.of_vents or change.ground is not None or change.film_colour is not None,
        }
        return tuple(topic for topic, is_meant in given.items() if is_meant)

    @property
    def of_state(self) -> bool:
        """Whether it restarts something on the day, beside or without a change of the build."""
        return self.retension or self.rewrap


@dataclass(frozen=True)
class Evidence:
    """A finding that has to do with the proposal; ``why`` says what follows from it, where that is not plain."""

    finding: Finding
    inspection: Inspection
    is_open: bool
    why: str = ""


@dataclass(frozen=True)
class Looks:
    """Inspections since ``since`` that could have found something for a topic and did not: how many, and the newest."""

    topic: Topic
    count: int
    newest: Inspection
    since: datetime


@dataclass(frozen=True)
class StateOnTheDay:
    """The ranking of a cover as recorded, and with the bands tight or the film new; nothing else is changed.

    ``slack`` and ``finding`` are the reasons as recorded, None where there is none; ``finding_after`` is p of the worst
    finding left open; scores go through the yard's own curves.
    """

    slack: Reason | None
    finding: Reason | None
    left_open: OpenEntry | None
    finding_p_after: float
    score: tuple[float, float]
    calls: tuple[str, str]


@dataclass(frozen=True)
class Check:
    """One question that the outcome hangs on, its answer, and the numbers or entries behind it."""

    question: str
    answer: Answer
    why: str


@dataclass(frozen=True)
class Judgement:
    """What comes of one topic of the proposal."""

    topic: Topic
    outcome: Outcome
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class Weighed:
    """A proposal held against the season: comparison, state, what was seen, and what comes of it.

    ``compared`` is the season with the build changed, else with the bands re-tensioned on the day; ``retensioned`` is
    that second one wherever the state is in question. ``since`` says from when on each topic's entries count.
    ``found_at`` has the findings of every inspection that is named, also those of another kind.
    """

    proposal: Proposal
    cover: Cover
    as_of: datetime
    compared: WhatIf
    retensioned: WhatIf | None
    state: StateOnTheDay | None
    since: dict[Topic, datetime]
    speaks_for: tuple[Evidence, ...]
    speaks_against: tuple[Evidence, ...]
    looks: tuple[Looks, ...]
    holds: tuple[OpenEntry, ...]
    judgements: tuple[Judgement, ...]
    found_at: dict[str, frozenset[str]]

    @property
    def outcome(self) -> Outcome:
        """Of the whole: that of its parts where they agree, else not clear."""
        outcomes = {judgement.outcome for judgement in self.judgements}
        return outcomes.pop() if len(outcomes) == 1 else "not clear"


def season_changes(proposal: Proposal, as_of: datetime) -> tuple[Change | None, Change | None]:
    """What to ask ``whatif``: for the build, and for bands re-tensioned at ``as_of``; None where not in question."""
    build = proposal.change if proposal.change.of_build else None
    return build, Change(retensioned_at=(as_of,)) if proposal.of_state else None


def weigh(
    assessment: YardAssessment, boat: str, proposal: Proposal, build: WhatIf | None, retensioned: WhatIf | None
) -> Weighed:
    """Hold a proposal for a boat's cover against the season.

    ``build`` and ``retensioned`` are the comparisons for `season_changes`. KeyError where the boat has no cover;
    ValueError where nothing is proposed.
    """
    compared = build or retensioned
    if compared is None or not proposal.topics:
        raise ValueError("nothing is proposed: neither a change of the build nor a re-tensioning nor new film")
    cover = assessment.cover_of(boat)
    line = next(line for line in assessment.ranked if line.boat == boat)
    since: dict[Topic, datetime] = {topic: _since(topic, assessment, cover) for topic in proposal.topics}
    entries = assessment.open_findings.get(boat, [])
    state = _state(assessment, line, cover, entries, proposal) if proposal.of_state else None
    speaks_for, against = _evidence(assessment.log, cover, entries, since)
    looks = tuple(look for topic in proposal.topics if (look := _looks(assessment.log, cover, topic, since[topic])))
    judgements = []
    for topic in proposal.topics:
        backing = [one for one in speaks_for if one.finding.defect in SPEAKS_FOR[topic]]
        if topic == "film" and state is not None:
            judgements.append(_judge_film(assessment, backing))
        elif topic == "bands" and proposal.retension and state is not None and retensioned is not None:
            judgements.append(_judge_slack(assessment, state, retensioned, entries, backing))
        elif build is not None:
            judgements.append(_judge_build(topic, build, backing, assessment))
    return Weighed(
        proposal=proposal,
        cover=cover,
        as_of=assessment.as_of,
        compared=compared,
        retensioned=retensioned,
        state=state,
        since=since,
        speaks_for=speaks_for,
        speaks_against=against,
        looks=looks,
        holds=tuple(entry for entry in entries if entry.finding.defect in STAND_DEFECTS),
        judgements=tuple(judgements),
        found_at=_found_at(assessment.log, entries),
    )


def moved_text(one: Comparison, units: str) -> str:
    """``hours of condensation 1353 to 780 h (-573)``: one quantity before and after, as recorded."""
    quantity = QUANTITIES[one.name]
    before, after = (number_text(span.default, quantity, units) for span in (one.before, one.after))
    difference = number_text(one.difference.default, quantity, units, signed=True)
    parts = (quantity.label, before, "to", after, unit_of(quantity, units).symbol, f"({difference})")
    return " ".join(filter(None, parts))


def _since(topic: Topic, assessment: YardAssessment, cover: Cover) -> datetime:
    """The last re-tensioning for bands, the last change of vents for the air, the wrapping for the rest."""
    clocks = assessment.clocks[cover.id or 0]
    if topic == "bands":
        return clocks.retensioned_at
    if topic != "air":
        return clocks.wrapped_at
    done = [
        action.acted_at
        for action in assessment.log.actions
        if action.cover_id == cover.id and action.action in VENT_CHANGES
    ]
    rebuilt = [
        after.built_at
        for before, after in zip(cover.builds, cover.builds[1:], strict=False)
        if (before.vent_count, before.vent_area_m2) != (after.vent_count, after.vent_area_m2)
        and after.built_at <= assessment.as_of
    ]
    return max([*done, *rebuilt, clocks.wrapped_at])


def _evidence(
    log: Log, cover: Cover, entries: Sequence[OpenEntry], since: dict[Topic, datetime]
) -> tuple[tuple[Evidence, ...], tuple[Evidence, ...]]:
    """Findings for and against, oldest first: those since a topic's moment, and older ones that are still open."""
    still_open = {entry.finding.id: entry.inspection for entry in entries}
    visits = {visit.id: visit for visit in log.inspections if visit.cover_id == cover.id}
    visits |= {entry.inspection.id: entry.inspection for entry in entries}
    found = {finding.id: finding for finding in log.findings} | {entry.finding.id: entry.finding for entry in entries}
    speaks_for, against = [], []
    for finding in found.values():
        visit = visits.get(finding.inspection_id)
        if visit is None or finding.severity == 0:
            continue
        is_open = finding.id in still_open
        topics = [topic for topic, moment in since.items() if is_open or visit.inspected_at > moment]
        if any(finding.defect in SPEAKS_FOR[topic] for topic in topics):
            speaks_for.append(Evidence(finding, visit, is_open))
        reasons = [SPEAKS_AGAINST[topic].get(finding.defect, "") for topic in topics]
        if why := " ".join(dict.fromkeys(filter(None, reasons))):
            against.append(Evidence(finding, visit, is_open, why))

    def order(one: Evidence) -> tuple[datetime, str]:
        return one.inspection.inspected_at, one.finding.id

    return tuple(sorted(speaks_for, key=order)), tuple(sorted(against, key=order))


def _found_at(log: Log, entries: Sequence[OpenEntry]) -> dict[str, frozenset[str]]:
    """Ids of what each inspection found."""
    found: dict[str, set[str]] = defaultdict(set)
    for finding in (*log.findings, *(entry.finding for entry in entries)):
        if finding.severity > 0:
            found[finding.inspection_id].add(finding.id)
    return {visit: frozenset(ids) for visit, ids in found.items()}


def _looks(log: Log, cover: Cover, topic: Topic, since: datetime) -> Looks | None:
    """Inspections that found nothing of a topic; for the air only those that looked inside."""
    troubled = {
        finding.inspection_id
        for finding in log.findings
        if finding.severity > 0 and finding.defect in SPEAKS_FOR[topic]
    }
    sound = [
        visit
        for visit in log.inspections
        if visit.cover_id == cover.id
        and visit.inspected_at > since
        and visit.id not in troubled
        and (visit.inside or topic != "air")
    ]
    if not sound:
        return None
    return Looks(topic, len(sound), max(sound, key=lambda visit: (visit.inspected_at, visit.id)), since)


def _state(
    assessment: YardAssessment, line: RankedCover, cover: Cover, entries: Sequence[OpenEntry], proposal: Proposal
) -> StateOnTheDay:
    """The score with slack at nothing, and with what the work puts right no longer open."""
    reasons = {reason.hazard: reason for reason in line.reasons}
    moment, cover_id = assessment.as_of, cover.id or 0
    actions = ["retensioned_band", "retensioned_belly_bands", *(["rewrapped"] if proposal.rewrap else [])]
    done = [Action(f"proposed-{name}", cover_id, moment, moment, "proposed", name) for name in actions]
    log = Log([one.inspection for one in entries], [one.finding for one in entries], done)
    owners = {one.inspection.cover_id: line.boat for one in entries} | {cover_id: line.boat}
    left = open_findings(log, owners).get(line.boat, [])
    p_after = assessment.parameters.finding_p[left[0].finding.severity] if left else 0.0
    kept = [reason.weight for reason in line.reasons if reason.hazard not in ("slack", "open_finding")]
    kept += [-math.log1p(-min(p_after, 1 - 1e-12))] if p_after > 0 else []
    score = -math.expm1(-math.fsum(kept))
    return StateOnTheDay(
        slack=reasons.get("slack"),
        finding=reasons.get("open_finding"),
        left_open=left[0] if left else None,
        finding_p_after=p_after,
        score=(line.score, score),
        calls=(line.call, assessment.parameters.call(score)),
    )


def _judge_build(topic: Topic, found: WhatIf, backing: Sequence[Evidence], assessment: YardAssessment) -> Judgement:
    units = assessment.yard.display_units
    aimed = [found[name] for name in AIMS[topic]]
    less = [one for one in aimed if one.effect == "less"]
    more = [one for one in aimed if one.effect == "more"]
    unknown = [one for one in aimed if one.effect == "unknown"]
    named = "; ".join(moved_text(one, units) for one in aimed)
    helps: Answer = "yes" if less and not more else "not known" if less or (unknown and not more) else "no"
    unsure = [QUANTITIES[one.name].label for one in less if not one.certain]
    sure: Answer = "does not arise" if not less else "no" if unsure else "yes"
    score = found["score"]
    harmless: Answer = "no" if score.effect == "more" else "yes"
    checks = (
        Check("Does what it is meant to lower become noticeably less?", helps, f"{named}."),
        Check(
            "Is that so in every parameter set?",
            sure,
            "Nothing of it becomes less."
            if not less
            else f"Less or more by what is taken for the inputs: {'; '.join(unsure)}."
            if unsure
            else f"One sign in all {len(found.sets)} sets.",
        ),
        Check("Does the score stay, or become less?", harmless, f"{moved_text(score, units)}."),
        _backing(backing, found.calls["before"], found.calls["after"], assessment),
    )
    return Judgement(topic, _outcome(helps, checks), checks)


def _judge_slack(
    assessment: YardAssessment,
    state: StateOnTheDay,
    found: WhatIf,
    entries: Sequence[OpenEntry],
    backing: Sequence[Evidence],
) -> Judgement:
    """Slack and loose bands alone, so that another trouble of the cover hides nothing and adds nothing.

    Hours that nobody knows do not count: a proposal must not live on them.
    """
    parameters, units = assessment.parameters, assessment.yard.display_units
    worst = max((one.finding.severity for one in entries if one.finding.defect in SPEAKS_FOR["bands"]), default=0)
    finding_p = parameters.finding_p[worst] if worst else 0.0
    slack, curve = found["gust_work_now"].before, parameters.curves["slack"]

    def chance(value: float) -> float:
        return 1 - (1 - finding_p) * (1 - float(curve.probability(np.array([value]))[0]))

    span = Span(chance(slack.low), chance(slack.default), chance(slack.high))
    helps: Answer = "yes" if span.default >= LEAST_CHANCE else "not known" if math.isnan(slack.default) else "no"
    sure: Answer = "does not arise" if helps != "yes" else "yes" if span.low >= LEAST_CHANCE else "no"
    quantity = QUANTITIES["gust_work_now"]
    shown = f"{number_text(slack.default, quantity, units)} {unit_of(quantity, units).symbol}"
    loose = f", and a finding of severity {worst} open" if worst else ""
    checks = (
        Check(
            f"Is the chance that slack or loose bands need a hand {LEAST_CHANCE:.0%} or more?",
            helps,
            f"{span.default:.0%}: {quantity.label} {shown}{loose}.",
        ),
        Check("Is that so in every parameter set?", sure, f"{span.low:.0%} to {span.high:.0%}."),
        _backing(backing, *state.calls, assessment),
    )
    return Judgement("bands", _outcome(helps, checks), checks)


def _judge_film(assessment: YardAssessment, backing: Sequence[Evidence]) -> Judgement:
    worst = max((one.finding.severity for one in backing if one.is_open), default=0)
    p = assessment.parameters.finding_p[worst] if worst else 0.0
    visits = len({one.inspection.id for one in backing})
    helps: Answer = "yes" if p >= LEAST_CHANCE else "no"
    checks = (
        Check(
            f"Does film that is open now make the chance of needing a hand {LEAST_CHANCE:.0%} or more?",
            helps,
            f"{p:.0%}: " + (f"worst severity {worst}." if worst else "nothing in the film is open."),
        ),
        Check(
            "Was film found broken at two or more inspections?",
            "yes" if visits >= 2 else "no",
            f"At {visits} since the wrapping.",
        ),
    )
    return Judgement("film", _outcome(helps, checks), checks)


def _backing(backing: Sequence[Evidence], before: str, after: str, assessment: YardAssessment) -> Check:
    calls = [name for name, _ in assessment.parameters.calls] + [assessment.parameters.lowest_call]
    better = calls.index(after) > calls.index(before)
    count = len(backing)
    findings = f"{count} finding{'' if count == 1 else 's'} of this kind" if count else "No finding of this kind"
    call = f"the call becomes {after}, from {before}" if before != after else f"the call stays {after}"
    answer: Answer = "yes" if backing or better else "no"
    return Check("Does a finding or a better call back it?", answer, f"{findings}; {call}.")


def _outcome(helps: Answer, checks: Sequence[Check]) -> Outcome:
    if helps == "no":
        return "not supported"
    return "supported" if all(check.answer == "yes" for check in checks) else "not clear"


def without_neighbours(found: WhatIf) -> WhatIf:
    """The comparison without the stated cases of its weights: they name the boats beside this one."""
    return replace(found, weights={side: replace(weight, cases=()) for side, weight in found.weights.items()})
