"""A simulated yard with known curves: does the list beat simple orders, and are the curves found again?

Seeds from 9,000 on were not run while the code was written: what they give is reported as it comes.
"""

import math

import numpy as np
import pytest
from simulated_yard import YARD, SimulatedYard

from monitor.evaluation.calibration import calibrate, chance_of_trouble, evidence_of
from monitor.evaluation.metrics import bootstrapped, draws_of, log_loss, pairs_won
from monitor.evaluation.orders import AS_LISTED
from monitor.evaluation.review import ReviewParameters, review
from monitor.ranking import Curve, RankingParameters

DEFAULTS = dict(RankingParameters().curves)
FACTORS = {
    "snow": 1.5, "pocket": 2.0, "gust": 2.0, "slack": 3.0, "freeze_thaw": 3.0, "ice": 1.0, "damp": 3.0, "unseen": 3.0,
}  # fmt: skip
TRUTH = {hazard: Curve(c.x10 * FACTORS[hazard], c.x50 * FACTORS[hazard]) for hazard, c in DEFAULTS.items()}
"""A yard whose covers bear up to three times what the defaults expect: the list is made with the defaults."""

SIMPLE = ("berth order", "oldest inspection first", "worst slope first")


def season(seed, covers=60, walks=20, a_walk=16):
    return SimulatedYard(covers, seed).season(TRUTH, walks, a_walk)


def reviewed(replayed):
    start = SimulatedYard.wrapped_at
    until, quick = replayed[-1].inspection.inspected_at, ReviewParameters(repeats=40)
    return review(YARD, replayed, [], start=start, until=until, version="0", parameters=quick)


def caught(found, name):
    """Hits that an order has in the first half of every walk, by yard."""
    return np.array([next(o for o in one.orders if o.name == name).recall.value * one.needed.hits for one in found])


@pytest.mark.thorough
def test_on_new_seeds_the_list_finds_more_per_cover_than_each_simple_order(record_property):
    """Twelve yards, 3,840 inspections: what the first half of every walk caught by the list over a simple order.

    Covers are drawn at random for each walk, so they have waited for anything from a week to a season, and most of what
    wears a cover adds up with the days: "oldest inspection first" is a strong rival here. On eight other seeds, 9000 to
    9007, run before these, the list caught 1.06 times as much as it (0.99 to 1.11).
    """
    found = [reviewed(season(seed)) for seed in range(9200, 9212)]
    ours = caught(found, AS_LISTED)
    for name in SIMPLE:
        other = caught(found, name)
        ratio = bootstrapped(
            float(ours.sum() / other.sum()),
            lambda places, other=other: float(ours[places].sum() / other[places].sum()),
            draws_of(list(range(len(found)))),
        )
        told = [round(float(x), 2) for x in (ratio.value, ratio.low, ratio.high)]
        record_property(f"list over {name}", str(told))
        assert ratio.low > 1, (name, told)
    aucs = [one.quality.roc_auc.value for one in found]
    record_property(
        "ROC AUC, least, mean and most of the yards", str(np.round([min(aucs), np.mean(aucs), max(aucs)], 3))
    )
    assert min(aucs) > 0.5


@pytest.mark.thorough
def test_on_new_seeds_curves_fitted_to_one_season_foretell_another_better_than_the_defaults(record_property):
    """Four yards: curves fitted to 320 inspections, tried on 320 of another winter by the same truth."""
    inside = curves = 0
    for seed in range(9100, 9104):
        hazards = tuple(DEFAULTS)
        learnt, tried = (evidence_of(season(seed + more), hazards, 2) for more in (0, 50))
        found = calibrate(learnt, DEFAULTS, threshold=2)
        fitted = {curve.hazard: curve.fitted for curve in found.curves}
        before = log_loss(chance_of_trouble(tried, DEFAULTS, 0.1), tried.found)
        after = log_loss(chance_of_trouble(tried, fitted, 0.1), tried.found)
        record_property(f"seed {seed}: log loss by the defaults and fitted", f"{before:.3f}, {after:.3f}")
        waited = tried.exposure[:, hazards.index("unseen")]
        orders = (chance_of_trouble(tried, DEFAULTS, 0.1), chance_of_trouble(tried, fitted, 0.1), waited)
        won = [pairs_won(key, tried.found, tried.walk) for key in orders]
        record_property(
            f"seed {seed}: pairs on one walk put right by the defaults, fitted, oldest first",
            ", ".join(f"{right.sum() / pairs.sum():.3f}" for right, pairs in won),
        )
        assert after < before
        for curve in found.curves:
            if not curve.left_because:
                inside += curve.x50_low <= TRUTH[curve.hazard].x50 <= curve.x50_high
                curves += 1
    record_property("true x50 in its interval", f"{inside} of {curves}")
    assert curves >= 24
    assert inside / curves > 0.75  # truth lies 1.6 prior standard deviations off in four of seven hazards


def test_a_small_simulated_season_is_reviewed_and_fitted_from_end_to_end():
    replayed = SimulatedYard(24, seed=5, hours=45 * 24).season(TRUTH, walks=4, a_walk=15)
    found = reviewed(replayed)
    assert (found.inspections, found.walks) == (60, 4)
    assert found.needed.hits == sum(one.brought.worst >= 2 for one in replayed)
    assert all(0 <= one.line.score <= 1 for one in replayed)
    fit = calibrate(evidence_of(replayed, tuple(DEFAULTS), 2), DEFAULTS, threshold=2)
    assert fit.log_loss_fitted < fit.log_loss_before
    moved = {c.hazard: math.log(c.fitted.x50 / c.prior.x50) for c in fit.curves if not c.left_because}
    assert moved["unseen"] > 0.2  # the truth is ln 3 = 1.1 above
