"""Curves fitted to inspections: the likelihood of the ranking's own model, and what a fit may and may not do."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import check_grad, minimize

from monitor.evaluation.calibration import CalibrationParameters, Evidence, _Fit, calibrate, chance_of_trouble
from monitor.evaluation.fitting import LogisticPrior, fit_logistic
from monitor.ranking import Curve, RankingParameters

DEFAULTS = dict(RankingParameters().curves)
HAZARDS = ("snow", "gust", "damp", "unseen")
PRIOR = {hazard: DEFAULTS[hazard] for hazard in HAZARDS}
CHOSEN = CalibrationParameters()


def evidence(exposure, found, missing_share=None, hazards=HAZARDS, a_walk=10):
    x = np.asarray(exposure, dtype=float).reshape(-1, len(hazards))
    missing = np.zeros_like(x) if missing_share is None else np.asarray(missing_share, dtype=float)
    return Evidence(hazards, x, missing, np.asarray(found, dtype=bool), np.arange(len(x)) // a_walk)


def simulated(rng, count, truth):
    """Exposures about a third of x50, a fifth of them none, and trouble by the curves of ``truth``."""
    x = np.column_stack([PRIOR[hazard].x50 * np.exp(rng.normal(-1.2, 1.0, count)) for hazard in HAZARDS])
    x[rng.random(x.shape) < 0.2] = 0.0
    nothing_yet = evidence(x, np.zeros(count))
    return evidence(x, rng.random(count) < chance_of_trouble(nothing_yet, truth, 0.1))


def drawn_truth(rng):
    """Curves as the prior thinks them likely."""
    truth = {}
    for hazard, curve in PRIOR.items():
        k = 0.0
        while k < CHOSEN.least_steepness:
            k = rng.normal(curve.steepness, CHOSEN.steepness_sd)
        x50 = math.exp(rng.normal(math.log(curve.x50), CHOSEN.ln_x50_sd))
        truth[hazard] = Curve(x50 * 9 ** (-1 / k), x50)
    return truth


def by_hazard(calibration):
    return {curve.hazard: curve for curve in calibration.curves}


# --- the model


def test_the_chance_is_the_rankings_score_without_open_findings():
    # By hand: snow at x50 has p 0.5, gust at x10 has p 0.1, half of damp's hours missing adds 0.05:
    # 1 - 0.5 x 0.9 x 0.95 = 0.5725
    one = evidence([[0.5, 150.0, 0.0, 0.0]], [0], [[0.0, 0.0, 0.5, 0.0]])
    assert chance_of_trouble(one, PRIOR, 0.1) == pytest.approx([0.5725])


def negative_log_posterior(data, point, hazards=HAZARDS):
    """Written out from the model, hazard by hazard: no code of the fit is in it."""
    ln_x50, k = np.split(np.asarray(point), 2)
    total = 0.0
    for row, found in zip(data.exposure, data.found, strict=True):
        safe = 1.0
        for x, m, steep in zip(row, ln_x50, k, strict=True):
            safe *= 1.0 if not x > 0 else 1 - 1 / (1 + (math.exp(m) / x) ** steep)
        total -= math.log(1 - safe) if found else math.log(safe)
    for hazard, m, steep in zip(hazards, ln_x50, k, strict=True):
        total += (m - math.log(PRIOR[hazard].x50)) ** 2 / (2 * CHOSEN.ln_x50_sd**2)
        total += (steep - PRIOR[hazard].steepness) ** 2 / (2 * CHOSEN.steepness_sd**2)
    return total


@given(st.integers(0, 10_000))
def test_value_and_derivatives_are_those_of_the_model(seed):
    rng = np.random.default_rng(seed)
    data = simulated(rng, 12, drawn_truth(rng))
    data.exposure[:, 3] = np.maximum(data.exposure[:, 3], 1.0)  # nothing is found where nothing acts
    fit = _Fit(data, PRIOR, HAZARDS, CHOSEN, 0.1)
    point = np.array([*(math.log(c.x50) for c in PRIOR.values()), *(c.steepness for c in PRIOR.values())])
    point += rng.normal(0, 0.3, 8)
    value, gradient, second = fit.objective(point)
    assert value == pytest.approx(negative_log_posterior(data, point), rel=1e-9)
    off = check_grad(lambda b: negative_log_posterior(data, b), lambda b: fit.objective(b)[1], point)
    assert off < 1e-4 * max(1.0, np.abs(gradient).max())
    for place in range(8):
        step = np.zeros(8)
        step[place] = 1e-6
        slope = (fit.objective(point + step)[1] - fit.objective(point - step)[1]) / 2e-6
        np.testing.assert_allclose(second[:, place], slope, rtol=1e-4, atol=1e-4 * max(1.0, np.abs(second).max()))


@given(st.integers(0, 10_000), st.integers(5, 30))
def test_the_fit_is_the_minimum_that_scipy_finds(seed, count):
    rng = np.random.default_rng(seed)
    data = simulated(rng, count, drawn_truth(rng))
    data.exposure[:, 3] = np.maximum(data.exposure[:, 3], 1.0)
    fit = _Fit(data, PRIOR, HAZARDS, CHOSEN, 0.1)
    start = np.array([*(math.log(c.x50) for c in PRIOR.values()), *(c.steepness for c in PRIOR.values())])
    bounds = [(None, None)] * 4 + [(CHOSEN.least_steepness, None)] * 4
    reference = minimize(
        lambda b: fit.objective(b)[:2], start, method="L-BFGS-B", jac=True, bounds=bounds, options={"ftol": 1e-15}
    )
    assert fit.objective(fit._point)[0] <= reference.fun + 1e-7


def test_one_hazard_alone_is_the_logistic_curve_in_the_logarithm_of_its_exposure():
    # With a prior so wide that it says nothing, noisy-or of one hazard is plain logistic regression in ln x.
    rng = np.random.default_rng(5)
    x = np.exp(rng.normal(-1.0, 1.0, 400))
    data = evidence(x, rng.random(400) < Curve(0.1, 0.6).probability(x), hazards=("snow",))
    wide = CalibrationParameters(ln_x50_sd=1e4, steepness_sd=1e4)
    found = calibrate(data, {"snow": PRIOR["snow"]}, threshold=2, parameters=wide).curves[0].fitted
    plain = fit_logistic(np.log(x)[:, None], data.found, LogisticPrior(0.0, math.inf, (1.0,), (1e4,)))
    assert found.steepness == pytest.approx(plain.slopes[0], rel=1e-5)
    assert math.log(found.x50) == pytest.approx(-plain.intercept / plain.slopes[0], rel=1e-5)


# --- what a fit may and may not do


def test_without_inspections_every_curve_is_the_prior_itself():
    found = calibrate(evidence([], []), PRIOR, threshold=2)
    assert all(curve.fitted == curve.prior == PRIOR[curve.hazard] for curve in found.curves)
    assert (found.inspections, found.found) == (0, 0)
    assert math.isnan(found.log_loss_before)
    assert "there is no inspection to fit to" in found.sentences[2]


def test_inspections_that_never_found_anything_leave_the_prior_and_it_is_said():
    rng = np.random.default_rng(1)
    data = simulated(rng, 50, PRIOR)
    found = calibrate(evidence(data.exposure, np.zeros(50)), PRIOR, threshold=2)
    assert all(curve.fitted == curve.prior for curve in found.curves)
    assert "no inspection found anything, and silence alone lowers no score" in " ".join(found.sentences)


def test_the_interval_of_a_curve_that_was_left_is_that_of_the_prior():
    snow = by_hazard(calibrate(evidence([], []), PRIOR, threshold=2))["snow"]
    # By hand: 0.5 x 2^(+-1.959964), 2^1.959964 = 3.89052, gives 0.12852 and 1.94526;
    # k = ln 9 / ln(0.5 / 0.15) = 2.197225 / 1.203973 = 1.824979, +- 1.959964 x 0.75 = 1.469973
    assert (snow.x50_low, snow.x50_high) == pytest.approx((0.12852, 1.94526), abs=1e-5)
    assert (snow.steepness_low, snow.steepness_high) == pytest.approx((0.355006, 3.294952), abs=1e-5)


def test_a_hazard_whose_exposure_never_varied_is_left_and_it_is_said():
    rng = np.random.default_rng(2)
    data = simulated(rng, 80, PRIOR)
    data.exposure[:, 0] = np.where(data.exposure[:, 0] > 0, 0.3, 0.0)
    data.exposure[:, 1] = 0.0
    data.exposure[:, 2] = math.nan
    found = by_hazard(calibrate(data, PRIOR, threshold=2))
    assert found["snow"].left_because == "every inspected cover that had any of it had the same"
    assert found["gust"].left_because == found["damp"].left_because == "no inspected cover had any of it that is known"
    assert [found[hazard].fitted for hazard in ("snow", "gust", "damp")] == [
        PRIOR[hazard] for hazard in ("snow", "gust", "damp")
    ]
    assert found["unseen"].fitted != PRIOR["unseen"]
    assert found["gust"].exposed == 0


def test_only_what_was_asked_for_is_fitted():
    found = by_hazard(calibrate(simulated(np.random.default_rng(3), 80, PRIOR), PRIOR, threshold=2, only=["gust"]))
    assert [hazard for hazard, curve in found.items() if curve.fitted != curve.prior] == ["gust"]
    assert found["snow"].left_because == "not asked for"


@given(st.integers(0, 10_000))
def test_a_curve_always_rises(seed):
    # All effects reversed: what was exposed least was found worst.
    rng = np.random.default_rng(seed)
    data = simulated(rng, 30, PRIOR)
    burden = (data.exposure / [PRIOR[hazard].x50 for hazard in HAZARDS]).sum(axis=1)
    found = calibrate(evidence(data.exposure, burden < np.median(burden)), PRIOR, threshold=2)
    for curve in found.curves:
        assert curve.fitted.steepness >= CHOSEN.least_steepness - 1e-9
        assert 0 <= curve.steepness_low <= curve.steepness_high
        chances = curve.fitted.probability(np.geomspace(0.01, 100, 20) * curve.prior.x50)
        assert (np.diff(chances) >= 0).all()


def test_more_trouble_than_promised_raises_the_chances_and_less_lowers_them():
    rng = np.random.default_rng(4)
    data = simulated(rng, 200, PRIOR)
    promised = chance_of_trouble(data, PRIOR, 0.1).mean()
    for share, sign in ((0.8, 1), (0.05, -1)):
        found = calibrate(evidence(data.exposure, rng.random(200) < share), PRIOR, threshold=2)
        after = chance_of_trouble(data, {c.hazard: c.fitted for c in found.curves}, 0.1).mean()
        assert sign * (after - promised) > 0.05


def test_a_finding_that_no_curve_can_explain_moves_none():
    rng = np.random.default_rng(6)
    data = simulated(rng, 60, PRIOR)
    more = evidence(np.vstack([data.exposure, np.zeros(4)]), [*data.found, True])
    without, with_it = (calibrate(one, PRIOR, threshold=2).curves for one in (data, more))
    for a, b in zip(without, with_it, strict=True):
        assert b.fitted.x50 == pytest.approx(a.fitted.x50, rel=1e-6)


def test_what_the_fit_is_worth_is_told_on_walks_held_out():
    rng = np.random.default_rng(7)
    truth = {hazard: Curve(curve.x10 * 4, curve.x50 * 4) for hazard, curve in PRIOR.items()}
    found = calibrate(simulated(rng, 300, truth), PRIOR, threshold=2)
    assert found.log_loss_fitted < found.log_loss_held_out < found.log_loss_before
    assert "On walks that they were not fitted to, the fitted curves are better" in " ".join(found.sentences)
    one_walk = simulated(rng, 8, PRIOR)
    assert math.isnan(calibrate(one_walk, PRIOR, threshold=2).log_loss_held_out)


@pytest.mark.parametrize("count, found, few", [(19, 9, True), (20, 4, True), (20, 5, False)])
def test_too_few_inspections_or_findings_are_said_first_to_say_nothing(count, found, few):
    said = calibrate(
        evidence(np.geomspace(0.1, 1, count)[:, None] * [0.5, 150.0, 30.0, 10.0], np.arange(count) < found),
        PRIOR,
        threshold=2,
    ).sentences
    assert said[0].startswith("Too few to say anything: ") == few
    assert ("Leave the curves as they are until then." in said[0]) == few
    assert any(text.startswith("On walks that they were not fitted to") for text in said) != few


def test_a_fit_that_is_no_better_on_walks_held_out_is_advised_against():
    advised = []
    for seed in range(8):  # by the prior's own curves: there is nothing to gain but by chance
        found = calibrate(simulated(np.random.default_rng(seed), 40, PRIOR), PRIOR, threshold=2)
        advice = "Better leave them as they are" in " ".join(found.sentences)
        assert advice == (found.log_loss_held_out >= found.log_loss_before)
        advised.append(advice)
    assert any(advised)


# --- known curves are found again


def test_known_curves_are_recovered_more_closely_as_inspections_grow():
    rng = np.random.default_rng(20260101)
    truth = {h: Curve(c.x10 * f, c.x50 * f) for (h, c), f in zip(PRIOR.items(), (1.6, 0.6, 2.0, 1.5), strict=True)}
    off, width, inside = {}, {}, 0
    for count in (20, 100, 1000):
        found = by_hazard(calibrate(simulated(rng, count, truth), PRIOR, threshold=2))
        for hazard, curve in found.items():
            inside += curve.x50_low <= truth[hazard].x50 <= curve.x50_high
            inside += curve.steepness_low <= truth[hazard].steepness <= curve.steepness_high
        off[count] = np.mean([abs(math.log(curve.fitted.x50 / truth[h].x50)) for h, curve in found.items()])
        width[count] = np.mean([math.log(curve.x50_high / curve.x50_low) for curve in found.values()])
    assert inside >= 20  # of 24 intervals of 95 %: fewer would be a chance of 1 in 167 (binomial)
    assert width[20] > width[100] > width[1000]
    assert off[1000] < off[20]
    assert off[1000] < 0.2


@pytest.mark.thorough
@pytest.mark.parametrize("count", [20, 100, 1000])
def test_the_intervals_hold_the_truth_about_as_often_as_they_say(count, record_property):
    """Truths drawn from the prior, 150 yards: a 95 % interval must hold them in 88 to 99 % (600 curves)."""
    inside, curves = np.zeros(2), 0
    for seed in range(150):
        rng = np.random.default_rng(50_000 + 1000 * count + seed)
        truth = drawn_truth(rng)
        for curve in calibrate(simulated(rng, count, truth), PRIOR, threshold=2).curves:
            if not curve.left_because:
                true = truth[curve.hazard]
                inside += [
                    curve.x50_low <= true.x50 <= curve.x50_high,
                    curve.steepness_low <= true.steepness <= curve.steepness_high,
                ]
                curves += 1
    share = inside / curves
    record_property(f"coverage at {count} inspections, x50 and k", str(share.round(3).tolist()))
    assert curves > 500
    assert (share > 0.88).all()
    assert (share < 0.99).all()
