"""A season in review: how well the lists foresaw what inspections found, and what they did not see. Pure.

The question is the yard's: of the covers that were looked at, did the list put those that needed a hand first, and were
its scores worth their number? Each walk is judged by the list of the morning before it; weather that came while the
crew was out is not in it. An inspection that found nothing counts as 0, corrections count as they stand now, and only
new information counts (`monitor.evaluation.replay`).
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.evaluation.fitting import LogisticPrior, fit_logistic
from monitor.evaluation.metrics import (
    REPEATS,
    Z95,
    Estimate,
    Share,
    average_precision,
    brier,
    lift_at,
    log_loss,
    ndcg,
    percent_text,
    precision_at,
    recall_at,
    roc_auc,
    times_text,
)
from monitor.evaluation.orders import WEATHER_ALONE, Judged, OrderQuality, order_qualities
from monitor.evaluation.outcomes import BuildOtherwise, OutcomeParameters, OutcomeTable, next_autumn, outcome_tables
from monitor.evaluation.replay import Replayed
from monitor.inspections import SEVERITIES, Action
from monitor.ranking import RankingParameters
from monitor.register import Yard
from monitor.wording import plain_word

Floats = NDArray[np.float64]

THRESHOLD = 2
"""Worst severity from which a cover needed a hand: 2, repair soon."""


@dataclass(frozen=True)
class ReviewParameters:
    """What we chose ourselves.

    ``first_ks`` are the lengths of the top of the list; ``first_share`` how much of each walk is kept when orders are
    compared, ``walk_ks`` how many covers of it; a walk of one cover leaves no choice. With fewer inspections, hits or
    misses than ``least_*`` nothing is said: with five hits the standard error of a ROC AUC is about 0.13 (Hanley and
    McNeil 1982), and its interval takes half of the scale. ``repeats`` is how often walks are drawn anew for an
    interval.
    """

    first_ks: tuple[int, ...] = (5, 10, 20, 50)
    first_share: float = 0.5
    walk_ks: tuple[int, ...] = (1, 2, 3, 5, 10, 20)
    least_inspections: int = 20
    least_hits: int = 5
    least_misses: int = 5
    repeats: int = REPEATS
    outcomes: OutcomeParameters = field(default_factory=OutcomeParameters)


@dataclass(frozen=True)
class Top:
    """The first k of all inspections by score: how many needed a hand, of how many that did, against the base rate."""

    k: int
    precision: Estimate
    recall: Estimate
    lift: Estimate


@dataclass(frozen=True)
class Band:
    """Inspections whose score lay from ``low`` to below ``high``: what the score promised, and what came."""

    call: str
    low: float
    high: float
    needed: Share
    mean_score: float
    observed: Estimate

    @property
    def kept(self) -> bool:
        """Whether the mean score lies in the interval of what came."""
        return self.observed.low <= self.mean_score <= self.observed.high


@dataclass(frozen=True)
class ScoreQuality:
    """What the scores were worth, over all inspections of the season.

    ``ndcg`` takes the worst severity as its gain, the others whether a hand was needed. Of ``brier`` and ``log_loss``
    less is better; ``brier_of_base`` and ``log_loss_of_base`` are those of somebody who says the base rate every time.
    ``reliability`` is the slope of the log-odds of a hit against the log-odds of the score: 1 where scores promise
    right, below 1 where high ones promise too much.
    """

    base_rate: Estimate
    tops: tuple[Top, ...]
    roc_auc: Estimate
    average_precision: Estimate
    ndcg: Estimate
    brier: Estimate
    brier_of_base: float
    log_loss: Estimate
    log_loss_of_base: float
    reliability: Estimate
    bands: tuple[Band, ...]


@dataclass(frozen=True)
class DefectSight:
    """How far up the covers with one defect stood before it was found, over its new findings.

    ``mean_place`` is the mean of rank over covers listed: 0 at the top, 1 at the end. ``unseen`` counts those on covers
    whose score was below ``this week``. ``carried_by`` is the hazard that had most of those covers' scores.
    """

    defect: str
    findings: int
    needed_hand: int
    mean_score: float
    mean_rank: float
    mean_place: float
    unseen: Share
    unseen_estimate: Estimate
    carried_by: str


@dataclass(frozen=True)
class SeasonReview:
    """Everything that a review of the season shows; sentences say in plain words what the numbers mean.

    ``severities`` counts inspections by the worst new severity, 0 without any; ``only_seen_again`` those that saw
    nothing but what was open already; ``left_out`` inspections of covers that no list had. ``notes`` say what the
    replay rests on. ``quality`` judges the scores as shown, ``quality_of_hazards`` without what was open already: as
    only new findings count, that is the one to hold the curves to. Both are None without any inspection. Moments are
    UTC; scores and shares run from 0 to 1.
    """

    yard: Yard
    start: datetime
    until: datetime
    version: str
    hindsight: bool
    threshold: int
    walks: int
    inspections: int
    left_out: int
    needed: Share
    severities: Mapping[int, int]
    only_seen_again: int
    enough: bool
    quality: ScoreQuality | None
    quality_of_hazards: ScoreQuality | None
    orders: tuple[OrderQuality, ...]
    defects: tuple[DefectSight, ...]
    outcomes: tuple[OutcomeTable, ...]
    next_autumn: tuple[BuildOtherwise, ...]
    sentences: tuple[str, ...]
    notes: tuple[str, ...]
    replayed: tuple[Replayed, ...]

    def as_json(self) -> dict[str, Any]:
        """Everything but the replayed lines as plain values; NaN becomes None."""
        left = {name: value for name, value in vars(self).items() if name not in ("replayed", "yard")}
        plain: dict[str, Any] = _plain({"yard": self.yard.key, **left})
        return plain


def review(
    yard: Yard,
    replayed: Sequence[Replayed],
    actions: Sequence[Action],
    *,
    start: datetime,
    until: datetime,
    version: str,
    hindsight: bool = False,
    threshold: int = THRESHOLD,
    left_out: int = 0,
    notes: Sequence[str] = (),
    parameters: ReviewParameters | None = None,
) -> SeasonReview:
    """Review a season from its inspections beside the lists before them.

    Parameters
    ----------
    replayed : sequence of Replayed
        Oldest first.
    actions : sequence of Action
        Done in the season, as they stand now.
    start, until : datetime
        The season. [UTC]
    threshold : int
        Worst severity of new findings from which a cover needed a hand; 1 to 3.
    left_out, notes
        Inspections that could not be replayed, and sentences to be shown with the result.

    Raises
    ------
    ValueError
        The threshold is no severity from 1 to 3.
    """
    if threshold not in (1, 2, 3):
        raise ValueError(f"threshold is a severity from 1 to 3, got {threshold}")
    chosen = parameters or ReviewParameters()
    data = Judged(replayed, threshold, chosen.repeats)
    needed = Share(int(data.hits.sum()), len(replayed))
    enough = _enough(needed, chosen)
    quality = _score_quality(data, data.scores, chosen) if replayed else None
    of_hazards = _score_quality(data, data.weather, chosen) if replayed else None
    orders = order_qualities(data, chosen.first_share, chosen.walk_ks) if replayed else ()
    defects = _defects(replayed, threshold)
    tables = outcome_tables(replayed, actions, chosen.outcomes)
    return SeasonReview(
        yard=yard,
        start=start,
        until=until,
        version=version,
        hindsight=hindsight,
        threshold=threshold,
        walks=len(set(data.walks.tolist())),
        inspections=len(replayed),
        left_out=left_out,
        needed=needed,
        severities={level: int((data.gains == level).sum()) for level in SEVERITIES},
        only_seen_again=sum(bool(one.brought.again) and not one.brought.new for one in replayed),
        enough=enough,
        quality=quality,
        quality_of_hazards=of_hazards,
        orders=orders,
        defects=defects,
        outcomes=tables,
        next_autumn=next_autumn(replayed, threshold, yard.display_units, chosen.outcomes),
        sentences=_sentences(needed, threshold, enough, chosen, of_hazards, orders, defects),
        notes=tuple(notes),
        replayed=tuple(replayed),
    )


def _enough(needed: Share, chosen: ReviewParameters) -> bool:
    return (
        needed.of >= chosen.least_inspections
        and needed.hits >= chosen.least_hits
        and needed.of - needed.hits >= chosen.least_misses
    )


def _score_quality(data: Judged, scores: Floats, chosen: ReviewParameters) -> ScoreQuality:
    hits, gains = data.hits, data.gains
    base = Share(int(hits.sum()), len(hits))
    said = np.full(len(hits), hits.mean())
    tops = []
    for k in chosen.first_ks:
        if k < len(hits):
            tops.append(
                Top(
                    k,
                    precision_at(k, scores, hits).estimate,
                    recall_at(k, scores, hits).estimate,
                    data.by_walks(lambda i, k=k: lift_at(k, scores[i], hits[i])),  # type: ignore[misc]
                )
            )
    return ScoreQuality(
        base_rate=base.estimate,
        tops=tuple(tops),
        roc_auc=data.by_walks(lambda i: roc_auc(scores[i], hits[i])),
        average_precision=data.by_walks(lambda i: average_precision(scores[i], hits[i])),
        ndcg=data.by_walks(lambda i: ndcg(scores[i], gains[i])),
        brier=data.by_walks(lambda i: brier(scores[i], hits[i])),
        brier_of_base=brier(said, hits),
        log_loss=data.by_walks(lambda i: log_loss(scores[i], hits[i])),
        log_loss_of_base=log_loss(said, hits),
        reliability=_reliability(scores, hits),
        bands=_bands(scores, hits),
    )


def _reliability(scores: Floats, hits: NDArray[np.bool_]) -> Estimate:
    """Slope of log-odds against log-odds, by `fit_logistic` with prior slope 1 (sd 1) and intercept 0 (sd 3)."""
    chance = np.clip(scores, 1e-6, 1 - 1e-6)
    fit = fit_logistic(np.log(chance / (1 - chance))[:, None], hits, LogisticPrior(0.0, 3.0, (1.0,), (1.0,)))
    slope, half = float(fit.slopes[0]), Z95 * float(fit.slope_sds[0])
    return Estimate(slope, max(slope - half, 0.0), slope + half, "Laplace, prior slope 1, sd 1")


def _bands(scores: Floats, hits: NDArray[np.bool_]) -> tuple[Band, ...]:
    ranking = RankingParameters()
    edges = [(ranking.lowest_call, 0.0), *reversed(ranking.calls)]
    bands = []
    for place, (call, low) in enumerate(edges):
        high = edges[place + 1][1] if place + 1 < len(edges) else math.inf
        inside = (scores >= low) & (scores < high)
        needed = Share(int(hits[inside].sum()), int(inside.sum()))
        mean = float(scores[inside].mean()) if needed.of else math.nan
        bands.append(Band(call, low, min(high, 1.0), needed, mean, needed.estimate))
    return tuple(bands)


def _defects(replayed: Sequence[Replayed], threshold: int) -> tuple[DefectSight, ...]:
    this_week = RankingParameters().calls[-1][1]
    by_defect: dict[str, list[tuple[Replayed, int]]] = defaultdict(list)
    for one in replayed:
        for finding in one.brought.new:
            by_defect[finding.defect].append((one, finding.severity))
    sights = []
    for defect, found in by_defect.items():
        weight: dict[str, float] = defaultdict(float)
        for one, _ in found:
            for reason in one.line.reasons:
                weight[reason.hazard] += reason.weight
        unseen = Share(sum(one.line.score < this_week for one, _ in found), len(found))
        sights.append(
            DefectSight(
                defect=defect,
                findings=len(found),
                needed_hand=sum(severity >= threshold for _, severity in found),
                mean_score=float(np.mean([one.line.score for one, _ in found])),
                mean_rank=float(np.mean([one.line.rank for one, _ in found])),
                mean_place=float(np.mean([(one.line.rank - 1) / max(one.ranked - 1, 1) for one, _ in found])),
                unseen=unseen,
                unseen_estimate=unseen.estimate,
                carried_by=max(weight, key=lambda name: (weight[name], name), default=""),
            )
        )
    return tuple(sorted(sights, key=lambda sight: (-sight.unseen.hits, -sight.findings, sight.defect)))


def _sentences(
    needed: Share,
    threshold: int,
    enough: bool,
    chosen: ReviewParameters,
    quality: ScoreQuality | None,
    orders: Sequence[OrderQuality],
    defects: Sequence[DefectSight],
) -> tuple[str, ...]:
    if quality is None:
        return ("No inspection was logged in this time, so nothing can be said of the lists.",)
    found = (
        f"Of {needed.of} inspections {needed.hits} found something new of severity {threshold} or more: "
        f"{percent_text(quality.base_rate)}."
    )
    if not enough:
        return (
            found,
            f"That is too few to say how good the lists were: from {chosen.least_inspections} inspections on, with "
            f"{chosen.least_hits} that found something and {chosen.least_misses} that did not, the intervals become "
            f"narrow enough to mean anything. Lean on none of the measures below.",
        )
    told = [found, _order_sentence(orders), _scores_sentence(quality)]
    missed = [sight for sight in defects if sight.unseen.hits >= 2 and sight.unseen_estimate.value >= 0.5]
    if missed:
        names = "; ".join(f"{plain_word(s.defect)} {s.unseen.hits} of {s.unseen.of}" for s in missed)
        told.append(f"Mostly not foreseen, on covers that had no call before: {names}.")
    told.append(
        "Only covers that somebody looked at can be judged. Where the list chose them, trouble on covers that it left "
        "out does not show here, and what was caught is overstated."
    )
    return tuple(told)


def _order_sentence(orders: Sequence[OrderQuality]) -> str:
    as_listed, *others = orders
    rivals = [order for order in others if order.name != WEATHER_ALONE]
    best = max(rivals, key=lambda order: order.recall.value)
    return (
        f"Had only the first half of every walk been looked at, the list would have caught "
        f"{percent_text(as_listed.recall)} of them; {best.name}, the best of the simple orders, "
        f"{percent_text(best.recall)}. The list found {times_text(best.lift_of_list)} as much per cover as that order."
    )


def _scores_sentence(quality: ScoreQuality) -> str:
    off = [band for band in quality.bands if band.needed.of and not band.kept]
    if not off:
        return "Open findings aside, the mean score of every band lies within the interval of what came."
    told = "; ".join(
        f"{band.call}: {100 * band.mean_score:.0f} % promised, {percent_text(band.observed)} came" for band in off
    )
    return f"Scores to take with care, open findings aside: {told}. Calibrating the curves is for this."


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return None if not math.isfinite(value) else value
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if hasattr(value, "__dataclass_fields__"):
        return _plain(asdict(value))
    return value
