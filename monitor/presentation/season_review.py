"""A season's review as a document and a page say it: plain words first, then tables; nothing here draws. Pure."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.evaluation.calibration import Calibration
from monitor.evaluation.metrics import Share, percent_text
from monitor.evaluation.orders import AS_LISTED, WEATHER_ALONE, OrderQuality
from monitor.evaluation.outcomes import BuildOtherwise
from monitor.evaluation.review import SeasonReview
from monitor.presentation.season_charts import CountGrid, ShareChart, calibration_chart, found_grid, orders_chart
from monitor.presentation.season_tables import (
    OutcomeText,
    Table,
    WalkDone,
    bands_table,
    curves_table,
    defects_table,
    firsts_table,
    found_table,
    halves_table,
    metrics_table,
    outcome_texts,
    walks_table,
)
from monitor.ranking import Curve
from monitor.wording import local_text, plain_word

FOR_THE_YARD = (
    "For the yard alone, not for customers: boats are named here, with what was found on each and what might be built "
    "otherwise."
)

BASIS = (
    "Findings, actions and walks are what people saw, did and logged; scores are modelled hour by hour from public "
    "weather and each cover's build, by curves that are our own judgement or were fitted to this yard's inspections. "
    "An interval holds 95 %: with few inspections it is wide, and what lies inside it cannot be told apart."
)

FIRST_IN_WORDS = 3
"""Covers, defects and months that the first page names; the tables have all."""


@dataclass(frozen=True)
class Part:
    """One part of the first page: its question, the answer, sentences and points."""

    title: str
    answer: str
    sentences: tuple[str, ...] = ()
    points: tuple[str, ...] = ()


@dataclass(frozen=True)
class CoverToChange:
    """A cover to build otherwise next autumn: what, why, and how often it needed a hand."""

    boat: str
    berth: str
    needed: str
    expected: str
    proposals: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class SeasonContent:
    """All that the review of a season shows, in the order in which it does."""

    title: str
    facts: tuple[tuple[str, str], ...]
    plain: tuple[Part, ...]
    orders: ShareChart | None
    firsts: Table
    halves: Table
    calibration: ShareChart | None
    bands: Table
    found: CountGrid | None
    found_table: Table
    metrics: Table
    defects: Table
    outcomes: tuple[OutcomeText, ...]
    curves: Table
    curves_said: tuple[str, ...]
    next_autumn: tuple[CoverToChange, ...]
    walks: Table
    walks_said: str
    notes: tuple[str, ...]


def season_content(
    review: SeasonReview, calibration: Calibration, in_force: Mapping[str, Curve], walks: Sequence[WalkDone]
) -> SeasonContent:
    """Put a season into words.

    Parameters
    ----------
    review : SeasonReview
    calibration : Calibration
        Of the same yard; whatever it advises, nothing is changed by it.
    in_force : mapping of str to Curve
        The yard's curves at the end of the season.
    walks : sequence of WalkDone
        Walks that were planned in it, oldest first.
    """
    zone = review.yard.time_zone
    changes = tuple(_cover_to_change(one) for one in review.next_autumn)
    firsts, halves = firsts_table(review.orders), halves_table(review.orders)
    advice = _advice(review, calibration)
    walked = _walks_sentence(walks)
    return SeasonContent(
        title=f"Season review: {review.yard.name}",
        facts=(
            ("Season", f"{local_text(review.start, zone, year=True)} to {local_text(review.until, zone, year=True)}"),
            ("Walks", str(review.walks)),
            ("Inspections", str(review.inspections)),
            ("Needed a hand", f"{review.needed.hits} of {review.needed.of}"),
            ("Lists", "by what is known now" if review.hindsight else "as they could have been known then"),
        ),
        plain=(
            _followed(review),
            _found_part(review),
            Part("Should the curves be changed?", advice, calibration.sentences[1:]),
            _autumn_part(review, changes),
            Part("Were the walks walked as planned?", walked),
        ),
        orders=orders_chart(review),
        firsts=firsts,
        halves=halves,
        calibration=calibration_chart(review),
        bands=bands_table(review),
        found=found_grid(review),
        found_table=found_table(review),
        metrics=metrics_table(review),
        defects=defects_table(review),
        outcomes=outcome_texts(review),
        curves=curves_table(calibration, in_force, _fit_is_better(review, calibration)),
        curves_said=(advice, *calibration.sentences),
        next_autumn=changes,
        walks=walks_table(walks, zone),
        walks_said=walked,
        notes=review.notes,
    )


# --- the first page


def _followed(review: SeasonReview) -> Part:
    title = "Was the list worth following?"
    if not review.enough:
        return Part(title, "There are too few inspections to say.", review.sentences)
    rivals = [order for order in review.orders if order.name not in (AS_LISTED, WEATHER_ALONE)]
    better = [order.name for order in rivals if order.lift_of_list.low > 1]
    worse = [order.name for order in rivals if order.lift_of_list.high < 1]
    open_still = [order.name for order in rivals if order.name not in (*better, *worse)]
    if worse:
        answer = f"No: {_and(worse)} would have found more per cover."
    elif better and not open_still:
        answer = "Yes: it found more per cover than each of the three simple orders."
    elif better:
        answer = f"In part: it found more per cover than {_and(better)}; against {_and(open_still)} nothing is shown."
    else:
        answer = f"Not shown: these inspections tell it from {_and(open_still)} neither as better nor as worse."
    return Part(title, answer, review.sentences, _points(review.orders))


def _points(orders: Sequence[OrderQuality]) -> tuple[str, ...]:
    """The first k of every walk by each order, for the longest k that at least half of the walks with a choice have."""
    firsts = orders[0].firsts
    fitting = [place for place, first in enumerate(firsts) if 2 * first.walks >= firsts[0].walks]
    if not fitting:
        return ()
    place = fitting[-1]
    chosen = firsts[place]
    points = []
    for order in orders:
        if order.name == WEATHER_ALONE:
            continue
        first = order.firsts[place]
        points.append(
            f"{_capital(order.name)}: of the first {first.k} of every walk, {first.found.hits} of {first.found.of} "
            f"needed a hand, {percent_text(first.precision)}."
        )
    return (*points, f"Any order, on average over the same {chosen.walks} walks: {100 * chosen.by_chance:.0f} %.")


def _found_part(review: SeasonReview) -> Part:
    grid = found_grid(review)
    if grid is None:
        return Part("What was found?", "Nothing new.")
    total = sum(map(sum, grid.counts))
    often = ", ".join(f"{row} {sum(of)}" for row, of in list(zip(grid.rows, grid.counts, strict=True))[:FIRST_IN_WORDS])
    monthly = [sum(column) for column in zip(*grid.counts, strict=True)]
    most = max(range(len(monthly)), key=lambda place: monthly[place])
    answer = f"{total} new findings; most often {often}; most in {grid.columns[most]}, {monthly[most]}."
    points = []
    unseen = [sight for sight in review.defects if sight.unseen.hits]
    if unseen:
        told = ", ".join(f"{plain_word(s.defect)} {s.unseen.hits} of {s.unseen.of}" for s in unseen)
        points.append(f"On covers that had no call before: {told}.")
    if review.only_seen_again:
        points.append(
            f"{review.only_seen_again} inspections only saw again what was open already; that counts as nothing new."
        )
    return Part("What was found?", answer, points=tuple(points))


def _autumn_part(review: SeasonReview, changes: Sequence[CoverToChange]) -> Part:
    title = "What to build otherwise next autumn?"
    if not changes:
        return Part(title, "Nothing stands out among the covers that were inspected.")
    points = tuple(
        f"{one.boat}, {one.berth}: {one.proposals[0][0]} ({one.needed} needed a hand)."
        for one in changes[:FIRST_IN_WORDS]
    )
    inspected = len({one.line.boat for one in review.replayed})
    return Part(title, f"{len(changes)} of {inspected} inspected covers are listed; the first of them:", points=points)


def _advice(review: SeasonReview, calibration: Calibration) -> str:
    if not review.enough:
        return "Leave them: there are too few inspections to move a curve by."
    if math.isnan(calibration.log_loss_held_out):
        return "Leave them: nothing could be fitted and tried on walks that it was not fitted to."
    if _fit_is_better(review, calibration):
        return (
            'Accept the fitted ones, with "stormwalk calibrate --accept": on walks that they were not fitted to, they '
            "do better."
        )
    return "Leave them: on walks that they were not fitted to, fitted curves do no better."


def _fit_is_better(review: SeasonReview, calibration: Calibration) -> bool:
    return review.enough and calibration.log_loss_held_out < calibration.log_loss_before


def _walks_sentence(walks: Sequence[WalkDone]) -> str:
    if not walks:
        return "No walk was planned with stormwalk in this season, so plan and work cannot be compared."
    done = Share(sum(one.inspected.hits for one in walks), sum(one.inspected.of for one in walks))
    besides = sum(one.besides for one in walks)
    share = f", {100 * done.hits / done.of:.0f} %" if done.of else ""
    return (
        f"On {_count(len(walks), 'planned walk')}, {done.hits} of {done.of} planned stops were inspected on the "
        f"day{share}; besides, {_count(besides, 'other boat')}."
    )


def _cover_to_change(one: BuildOtherwise) -> CoverToChange:
    return CoverToChange(
        boat=f"{one.boat} {one.boat_name}",
        berth=one.berth,
        needed=f"{one.needed.hits} of {one.needed.of}",
        expected=f"{100 * one.expected:.0f} %",
        proposals=tuple((proposal.what, proposal.why, proposal.basis) for proposal in one.proposals),
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _and(names: Sequence[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
