"""The minimiser and the logistic curve, against check values, scikit-learn and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize
from sklearn.linear_model import LogisticRegression

from monitor.evaluation.fitting import LogisticPrior, expit, fit_logistic, minimise

X = np.array([[0.1, 0.2], [0.3, 0.1], [0.5, 0.9], [0.7, 0.4], [0.9, 0.8], [0.2, 0.7], [0.6, 0.6], [0.8, 0.1]])
Y = np.array([0, 0, 1, 0, 1, 0, 1, 1])
PRIOR = LogisticPrior(-2.0, 1.0, (1.0, 1.0), (1.0, 1.0))
FREE_INTERCEPT = LogisticPrior(0.0, math.inf, (0.0, 0.0), (1.0, 1.0))


def test_reproduces_the_check_values_of_the_project_references():
    # Section J.2, scipy 1.17.1, tolerance 1e-4
    fit = fit_logistic(X, Y, PRIOR)
    assert fit.intercept == pytest.approx(-1.67971, abs=1e-4)
    assert fit.slopes == pytest.approx([1.65033, 1.37432], abs=1e-4)
    assert fit.objective == pytest.approx(4.40969, abs=1e-4)
    assert float(fit.probability([0.5, 0.5])) == pytest.approx(0.45825, abs=1e-4)


def test_a_free_intercept_gives_scikit_learns_logistic_regression():
    fit = fit_logistic(X, Y, FREE_INTERCEPT)
    assert [fit.intercept, *fit.slopes] == pytest.approx([-0.52293, 0.64291, 0.40687], abs=1e-4)  # section J.2
    reference = LogisticRegression(C=1.0, tol=1e-10, max_iter=1000).fit(X, Y)
    assert [fit.intercept, *fit.slopes] == pytest.approx([*reference.intercept_, *reference.coef_[0]], abs=1e-5)


def test_all_effects_reversed_clamp_the_slopes_to_nothing():
    assert fit_logistic(X, 1 - Y, FREE_INTERCEPT).slopes.tolist() == [0.0, 0.0]


def test_without_inspections_it_is_the_prior_to_the_last_bit():
    fit = fit_logistic(np.zeros((0, 2)), [], PRIOR)
    assert (fit.intercept, fit.slopes.tolist()) == (-2.0, [1.0, 1.0])
    assert (fit.intercept_sd, fit.slope_sds.tolist()) == (1.0, [1.0, 1.0])


@given(st.integers(0, 10_000), st.integers(1, 40), st.integers(1, 3))
def test_the_minimum_is_that_of_scipy(seed, count, effects):
    rng = np.random.default_rng(seed)
    x, y = rng.normal(0, 1, (count, effects)), rng.integers(0, 2, count)
    prior = LogisticPrior(-1.0, 2.0, (0.7,) * effects, (0.8,) * effects)
    means, sds = np.array([-1.0, *[0.7] * effects]), np.array([2.0, *[0.8] * effects])

    def objective(b):
        log_odds = b[0] + x @ b[1:]
        value = np.logaddexp(0, np.where(y, -log_odds, log_odds)).sum() + (((b - means) / sds) ** 2).sum() / 2
        off = 1 / (1 + np.exp(-log_odds)) - y
        return value, np.array([off.sum(), *(x.T @ off)]) + (b - means) / sds**2

    bounds = [(None, None), *[(0, None)] * effects]
    exact = {"ftol": 1e-15, "gtol": 1e-9}
    reference = minimize(objective, means, method="L-BFGS-B", jac=True, bounds=bounds, options=exact)
    fit = fit_logistic(x, y, prior)
    assert fit.objective <= reference.fun + 1e-9
    np.testing.assert_allclose([fit.intercept, *fit.slopes], reference.x, atol=2e-4)


@given(st.integers(0, 10_000), st.floats(0, 3), st.floats(0, 3))
def test_more_exposure_never_means_a_smaller_chance(seed, less, more):
    rng = np.random.default_rng(seed)
    fit = fit_logistic(rng.uniform(0, 1, (12, 1)), rng.integers(0, 2, 12), LogisticPrior(-2.0, 1.0, (1.0,), (1.0,)))
    low, high = fit.probability([[min(less, more)], [max(less, more)]])
    assert low <= high


def test_the_standard_deviation_is_that_of_the_normal_where_all_is_normal():
    # A quadratic with second derivatives A: the covariance is A^-1; by hand for [[2, 1], [1, 2]]: 2/3 on its diagonal.
    a = np.array([[2.0, 1.0], [1.0, 2.0]])
    found = minimise(lambda b: (float(b @ a @ b) / 2, a @ b, a), [1.0, -1.0], [-math.inf, -math.inf])
    np.testing.assert_allclose(found.point, 0, atol=1e-9)
    np.testing.assert_allclose(found.standard_deviation, math.sqrt(2 / 3))


@given(st.floats(-2, 2), st.floats(-2, 2))
def test_a_valley_that_is_not_convex_is_gone_down_all_the_same(x, y):
    # Rosenbrock's function: its minimum is 0 at (1, 1)
    def rosenbrock(b):
        u, v = b
        value = (1 - u) ** 2 + 100 * (v - u**2) ** 2
        gradient = np.array([-2 * (1 - u) - 400 * u * (v - u**2), 200 * (v - u**2)])
        second = np.array([[2 - 400 * (v - 3 * u**2), -400 * u], [-400 * u, 200.0]])
        return value, gradient, second

    np.testing.assert_allclose(minimise(rosenbrock, [x, y], [-math.inf, -math.inf]).point, 1.0, atol=1e-6)


def test_a_bound_that_holds_is_told():
    found = minimise(lambda b: (float((b + 1) @ (b + 1)), 2 * (b + 1), 2 * np.eye(2)), [3.0, 3.0], [0.0, -math.inf])
    assert found.point.tolist() == [0.0, -1.0]
    assert found.at_bound.tolist() == [True, False]


def test_what_is_no_number_is_refused():
    with pytest.raises(ArithmeticError, match="the function is nan at the start"):
        minimise(lambda b: (math.nan, b, np.eye(1)), [0.0], [-math.inf])


def test_log_odds_of_any_size_have_a_chance():
    assert expit([-1000.0, 0.0, 1000.0]).tolist() == [0.0, 0.5, 1.0]
