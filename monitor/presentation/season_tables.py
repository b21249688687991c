"""The tables of a season's review: every number with its interval and what it means, as rows of text. Pure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.evaluation.calibration import Calibration, FittedCurve
from monitor.evaluation.metrics import Estimate, Share, percent_text, times_text
from monitor.evaluation.orders import OrderQuality
from monitor.evaluation.review import ScoreQuality, SeasonReview
from monitor.presentation.season_charts import found_grid, inspections_in, months_of
from monitor.ranking import HAZARDS, Curve
from monitor.units import NOT_KNOWN
from monitor.wording import local_text, plain_word


@dataclass(frozen=True)
class Table:
    """Rows of text under a head. ``note`` says what the numbers are and how they were found; ``words`` are the columns
    that hold sentences, the others are short, of one line or two."""

    key: str
    title: str
    note: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...] = ()


@dataclass(frozen=True)
class OutcomeText:
    """One question to the season, its groups as a table, what they say, and what they do not."""

    question: str
    sentence: str
    caution: str
    table: Table


@dataclass(frozen=True)
class WalkDone:
    """A kept walk of the season and what came of it: planned stops inspected on its day, of those planned.

    ``besides`` counts boats inspected that day that it did not have; ``changes`` those made to the plan.
    """

    starts_at: datetime
    inspected: Share
    besides: int
    changes: int


def estimate_text(estimate: Estimate, decimals: int) -> str:
    """A number with its interval: ``0.51 (0.42 to 0.62)``; ``not known`` where it cannot be had."""
    if math.isnan(estimate.value):
        return NOT_KNOWN
    if math.isnan(estimate.low):
        return f"{estimate.value:.{decimals}f}"
    return f"{estimate.value:.{decimals}f} ({estimate.low:.{decimals}f} to {estimate.high:.{decimals}f})"


def firsts_table(orders: Sequence[OrderQuality]) -> Table:
    """Precision of the first k of every walk by each order."""
    rows = []
    for place, first in enumerate(orders[0].firsts if orders else ()):
        cells = (
            f"{order.firsts[place].found.hits} of {order.firsts[place].found.of}\n"
            f"{percent_text(order.firsts[place].precision)}"
            for order in orders
        )
        rows.append((f"first {first.k}", str(first.walks), *cells, f"{100 * first.by_chance:.0f} %"))
    return Table(
        "firsts",
        "Had only the first covers of every walk been looked at",
        "How many of them needed a hand, with the Wilson interval. Walks that had no more covers leave no choice and "
        "are left out.",
        ("looked at", "walks", *(order.name for order in orders), "any order"),
        tuple(rows),
    )


def halves_table(orders: Sequence[OrderQuality]) -> Table:
    """Each order, had only the first half of every walk been looked at."""
    return Table(
        "halves",
        "Had only the first half of every walk been looked at",
        "Precision: of those looked at, how many needed a hand; caught: of all that did, how many were looked at (both "
        "Wilson). Over any order: precision over the share of all inspections; list over it: the list's precision over "
        "this order's; pairs in order: of a cover that needed a hand and one that did not on the same walk, how often "
        "the first stood higher (these three: walks drawn anew).",
        ("order", "what", "precision", "caught", "over any order", "list over it", "pairs in order"),
        tuple(
            (
                order.name,
                order.what,
                percent_text(order.precision),
                percent_text(order.recall),
                times_text(order.lift),
                times_text(order.lift_of_list),
                percent_text(order.concordance),
            )
            for order in orders
        ),
        words=(1,),
    )


def bands_table(review: SeasonReview) -> Table:
    """What scores said and what was seen, by call."""
    rows = []
    for label, quality in _qualities(review):
        for band in quality.bands:
            said = NOT_KNOWN if math.isnan(band.mean_score) else f"{100 * band.mean_score:.0f} %"
            rows.append(
                (
                    band.call,
                    label,
                    f"{band.low:.2f} to {band.high:.2f}",
                    f"{band.needed.hits} of {band.needed.of}",
                    said,
                    percent_text(band.observed),
                    "–" if not band.needed.of else "yes" if band.kept else "no",
                )
            )
    return Table(
        "bands",
        "What scores said, and what was seen",
        "The mean score before inspections of each call, and how many of them needed a hand, with the Wilson interval. "
        "A score is kept where its mean lies in the interval.",
        ("call", "score", "from, to below", "needed a hand", "said", "seen", "kept"),
        tuple(rows),
    )


def found_table(review: SeasonReview) -> Table:
    """New findings by defect and month, and how many inspections were made."""
    grid, zone = found_grid(review), review.yard.time_zone
    months = months_of(review.replayed, zone)
    rows = [
        (row, *(str(count) if count else "–" for count in counts), str(sum(counts)))
        for row, counts in ([] if grid is None else zip(grid.rows, grid.counts, strict=True))
    ]
    made = [inspections_in(review.replayed, month, zone) for month in months]
    if rows:
        rows.append(("inspections made", *map(str, made), str(sum(made))))
    return Table(
        "found",
        "New findings by defect and month",
        "Of any severity, by the month of the inspection on the yard's clock; one cover may have several.",
        ("defect", *(grid.columns if grid else ()), "all"),
        tuple(rows),
    )


def metrics_table(review: SeasonReview) -> Table:
    """Every measure of the scores with its interval and what it is."""
    both = _qualities(review)
    severity = f"severity {review.threshold} or more"
    rows: list[tuple[str, ...]] = []

    def add(name: str, values: Sequence[str], meaning: str) -> None:
        rows.append((name, *values, meaning))

    if both:
        _, shown = both[0]
        of_all = [quality for _, quality in both]
        add(
            "base rate",
            [percent_text(one.base_rate) for one in of_all],
            f"inspections that found something new of {severity}, of all (Wilson)",
        )
        for place, top in enumerate(shown.tops):
            add(
                f"precision in the first {top.k}",
                [percent_text(one.tops[place].precision) for one in of_all],
                f"needed a hand, of the {top.k} inspections with the highest score in the whole season (Wilson)",
            )
            add(
                f"caught in the first {top.k}",
                [percent_text(one.tops[place].recall) for one in of_all],
                "of all that needed a hand, those among them (Wilson)",
            )
            add(
                f"lift of the first {top.k}",
                [times_text(one.tops[place].lift) for one in of_all],
                "precision over the base rate; 1 is any order (walks drawn anew)",
            )
        walks = "walks drawn anew"
        for name, decimals, values, meaning in (
            (
                "ROC AUC",
                2,
                [one.roc_auc for one in of_all],
                f"chance that one that needed a hand scored above one that did not; 0.5 is any order ({walks})",
            ),
            (
                "average precision",
                2,
                [one.average_precision for one in of_all],
                f"precision at each score, weighted by what it adds to the caught; any order has about the base rate "
                f"({walks})",
            ),
            (
                "NDCG",
                2,
                [one.ndcg for one in of_all],
                f"worst severity over log2 of the place plus 1, summed, over that of the best order ({walks})",
            ),
            (
                "Brier score",
                3,
                [one.brier for one in of_all],
                f"mean square of score less outcome; less is better; the base rate said each time has "
                f"{shown.brier_of_base:.3f} ({walks})",
            ),
            (
                "log loss",
                3,
                [one.log_loss for one in of_all],
                f"mean of -ln of the chance given to what came; less is better; the base rate said each time has "
                f"{shown.log_loss_of_base:.3f} ({walks})",
            ),
            (
                "reliability slope",
                2,
                [one.reliability for one in of_all],
                "log-odds of needing a hand against log-odds of the score; 1 promises right, less promises too much at "
                "the top (Laplace, prior 1, sd 1)",
            ),
        ):
            add(name, [estimate_text(value, decimals) for value in values], meaning)
    return Table(
        "metrics",
        "What the scores were worth, over all inspections",
        "With 95 % intervals. As shown: the score of the list, open findings in it. Hazards alone: without them; as "
        "only new findings count, that is the one to hold the curves to.",
        ("measure", "as shown", "hazards alone", "what it is"),
        tuple(rows),
        words=(3,),
    )


def _qualities(review: SeasonReview) -> list[tuple[str, ScoreQuality]]:
    if review.quality is None or review.quality_of_hazards is None:
        return []
    return [("as shown", review.quality), ("hazards alone", review.quality_of_hazards)]


def defects_table(review: SeasonReview) -> Table:
    """How far up covers stood before each defect was found."""
    return Table(
        "defects",
        "Which defects the list did not see, those least foreseen first",
        "No call: found on covers that had none before. Mean place: 0 % is the top of the list, 100 % its end. Carried "
        "by: the hazard with most of those covers' scores.",
        ("defect", "found", f"severity {review.threshold}+", "no call", "mean score", "mean place", "carried by"),
        tuple(
            (
                plain_word(sight.defect),
                str(sight.findings),
                str(sight.needed_hand),
                f"{sight.unseen.hits} of {sight.unseen.of}, {percent_text(sight.unseen_estimate)}",
                f"{sight.mean_score:.2f}",
                f"{100 * sight.mean_place:.0f} %",
                HAZARDS[sight.carried_by].label if sight.carried_by in HAZARDS else "–",
            )
            for sight in review.defects
        ),
    )


def outcome_texts(review: SeasonReview) -> tuple[OutcomeText, ...]:
    """Vents, slope and re-tensioning, each as a question with its groups."""
    texts = []
    for number, one in enumerate(review.outcomes, start=1):
        rows = [
            (group.label, f"{group.found.hits} of {group.found.of}", percent_text(group.estimate))
            for group in one.groups
        ]
        less = one.last_less_first
        if not math.isnan(less.value):
            span = f"{100 * less.value:+.0f} ({100 * less.low:+.0f} to {100 * less.high:+.0f}) points"
            rows.append(("last less first", "", span))
        table = Table(
            f"outcome-{number}",
            _capital(one.counted),
            "Shares with the Wilson interval, the difference with Newcombe's.",
            ("group", "found", "share"),
            tuple(rows),
        )
        texts.append(OutcomeText(one.question, one.sentence, one.caution, table))
    return tuple(texts)


def curves_table(calibration: Calibration, in_force: Mapping[str, Curve], better: bool) -> Table:
    """Each hazard's curve before and fitted, and whether to accept it; ``better`` where the fit is worth it."""
    rows = []
    for curve in calibration.curves:
        unit = HAZARDS[curve.hazard].unit
        left = bool(curve.left_because)
        rows.append(
            (
                HAZARDS[curve.hazard].label,
                str(curve.exposed),
                f"{_digits(curve.prior.x10)}, {_digits(curve.prior.x50)} {unit}",
                "left" if left else f"{_digits(curve.fitted.x10)}, {_digits(curve.fitted.x50)} {unit}",
                f"{_digits(curve.x50_low)} to {_digits(curve.x50_high)}",
                _steepness(curve),
                _curve_advice(curve, in_force.get(curve.hazard), better),
            )
        )
    return Table(
        "curves",
        "Exposures at which 1 in 10 and 1 in 2 covers need a hand",
        "Before the fit, and fitted to all inspections with what is known now, in the units of the command line. "
        "Intervals by Laplace; that of a curve that was left is the prior's.",
        ("hazard", "inspections", "before", "fitted", "1 in 2, interval", "steepness before, fitted", "advice"),
        tuple(rows),
        words=(6,),
    )


def _steepness(curve: FittedCurve) -> str:
    if curve.left_because:
        return f"{curve.prior.steepness:.2f}"
    span = f"{curve.steepness_low:.2f} to {curve.steepness_high:.2f}"
    return f"{curve.prior.steepness:.2f}, {curve.fitted.steepness:.2f} ({span})"


def _digits(value: float) -> str:
    """Three digits, without a power of ten."""
    return f"{float(f'{value:.3g}'):.0f}" if value >= 100 else f"{value:.3g}"


def _curve_advice(curve: FittedCurve, in_force: Curve | None, better: bool) -> str:
    if curve.left_because:
        return f"leave: {curve.left_because}"
    if curve.fitted == in_force:
        return "nothing to do: in force already"
    return "accept" if better else "leave"


def walks_table(walks: Sequence[WalkDone], zone: str) -> Table:
    """Planned walks and what was inspected on their day."""
    return Table(
        "walks",
        "Planned walks and what was inspected on their day",
        "A planned stop counts as inspected where its boat was on the day of the walk. The plan is the one with all "
        "changes.",
        ("walk", "planned stops", "inspected", "share", "others inspected", "changes"),
        tuple(
            (
                local_text(one.starts_at, zone, year=True),
                str(one.inspected.of),
                str(one.inspected.hits),
                f"{100 * one.inspected.hits / one.inspected.of:.0f} %" if one.inspected.of else "–",
                str(one.besides),
                str(one.changes),
            )
            for one in walks
        ),
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
