"""The minimum of a smooth function above bounds, and a logistic curve fitted to few findings with a prior. Pure."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

Objective = Callable[[Floats], tuple[float, Floats, Floats]]
"""From a point (P,) to the value, its gradient (P,) and its second derivatives (P, P)."""

TOLERANCE = 1e-9
MOST_STEPS = 500
MOST_HALVINGS = 60
ENOUGH = 1e-4
"""Share of the promised descent that a step must bring (Armijo)."""


@dataclass(frozen=True)
class Minimum:
    """Where a function is least, and what it is like there."""

    point: Floats
    value: float
    gradient: Floats
    curvature: Floats
    at_bound: NDArray[np.bool_]

    @property
    def standard_deviation(self) -> Floats:
        """Of each argument (P,), if the function is the negative log of a probability (Laplace's approximation).

        Of an argument at its bound it is that of the curvature there, as if the bound were not.
        """
        sizes, axes = _axes(self.curvature)
        deviation: Floats = np.sqrt((axes**2 / sizes).sum(axis=1))
        return deviation


def minimise(objective: Objective, start: ArrayLike, lower: ArrayLike) -> Minimum:
    """The minimum of a function whose arguments have lower bounds, by Newton steps projected on them.

    Parameters
    ----------
    objective : callable
        Where it is not convex, a step goes by the sizes of its curvatures, and so downhill all the same.
    start, lower : array_like, shape (P,)
        ``-inf`` where there is no bound.

    Returns
    -------
    Minimum
        Of the basin that the start lies in. A start that is the minimum already is given back to the last bit.

    Raises
    ------
    ArithmeticError
        The function is not a number at the start, or the steps do not come to an end.

    References
    ----------
    .. [1] Bertsekas 1982, SIAM J. Control Optim. 20:221.
    """
    bound = np.asarray(lower, dtype=np.float64)
    point = np.maximum(np.asarray(start, dtype=np.float64), bound)
    value, gradient, curvature = objective(point)
    if not np.isfinite(value):
        raise ArithmeticError(f"the function is {value} at the start {point}")
    for _ in range(MOST_STEPS):
        at_bound = (point <= bound) & (gradient > 0)
        free = ~at_bound
        if not free.any() or np.abs(gradient[free]).max() <= TOLERANCE * max(1.0, abs(value)):
            return Minimum(point, value, gradient, curvature, at_bound)
        newton, scaled = np.zeros_like(point), np.zeros_like(point)
        sizes, axes = _axes(curvature[np.ix_(free, free)])
        newton[free] = -axes @ (axes.T @ gradient[free] / sizes)
        scaled[free] = -gradient[free] / sizes.max()
        for step in (newton, scaled):
            found = _descend(objective, point, value, gradient, step, bound)
            if found is not None:
                break
        else:  # no lower value within the accuracy of the numbers
            return Minimum(point, value, gradient, curvature, at_bound)
        point, value, gradient, curvature = found
    raise ArithmeticError(f"no minimum within {MOST_STEPS} steps; the gradient is still {gradient}")


def _axes(curvature: Floats) -> tuple[Floats, Floats]:
    """Sizes of the curvatures along their axes, none of them nothing, and the axes as columns."""
    sizes, axes = np.linalg.eigh(curvature)
    sizes = np.abs(sizes)
    return np.maximum(sizes, sizes.max() * np.finfo(np.float64).eps), axes


def _descend(
    objective: Objective, point: Floats, value: float, gradient: Floats, step: Floats, bound: Floats
) -> tuple[Floats, float, Floats, Floats] | None:
    """The first of ever shorter steps that lowers the value enough, or None."""
    length = 1.0
    for _ in range(MOST_HALVINGS):
        trial = np.maximum(point + length * step, bound)
        promised = float(gradient @ (trial - point))
        if promised < 0:
            found = objective(trial)
            if found[0] <= value + ENOUGH * promised and found[0] < value:
                return trial, *found
        length /= 2
    return None


@dataclass(frozen=True)
class LogisticPrior:
    """Normal priors of intercept and slopes; a spread of ``inf`` leaves one free."""

    intercept: float
    intercept_sd: float
    slopes: tuple[float, ...]
    slope_sds: tuple[float, ...]


@dataclass(frozen=True)
class LogisticFit:
    """Most probable intercept and slopes (D,), their standard deviations (Laplace), and the objective at them."""

    intercept: float
    slopes: Floats
    intercept_sd: float
    slope_sds: Floats
    objective: float

    def probability(self, exposures: ArrayLike) -> Floats:
        """Chance of a finding at exposures (..., D)."""
        return expit(self.intercept + np.asarray(exposures, dtype=np.float64) @ self.slopes)


def fit_logistic(exposures: ArrayLike, findings: ArrayLike, prior: LogisticPrior) -> LogisticFit:
    """Fit logit p = b0 + x b with b >= 0: more exposure never means a smaller chance.

    Parameters
    ----------
    exposures : array_like, shape (N, D)
    findings : array_like, shape (N,)
        Whether there was one.
    prior : LogisticPrior

    Returns
    -------
    LogisticFit
        The prior itself, to the last bit, where N is 0.

    Notes
    -----
    Minimises sum ln(1 + exp(-s (b0 + x b))) + (b0 - m0)^2 / 2 s0^2 + sum (b - m)^2 / 2 s^2, s = 1 for a finding and
    -1 without one: the negative logarithm of the posterior. It is convex, so there is one minimum.
    """
    means = np.array([prior.intercept, *prior.slopes])
    precision = np.array([prior.intercept_sd, *prior.slope_sds]) ** -2.0
    x = np.asarray(exposures, dtype=np.float64).reshape(-1, len(prior.slopes))
    x = np.column_stack([np.ones(len(x)), x])
    y = np.asarray(findings, dtype=np.float64)

    def objective(b: Floats) -> tuple[float, Floats, Floats]:
        log_odds = x @ b
        p = expit(log_odds)
        value = float(np.logaddexp(0.0, np.where(y > 0, -log_odds, log_odds)).sum())
        value += float(precision @ (b - means) ** 2) / 2
        gradient = x.T @ (p - y) + precision * (b - means)
        return value, gradient, (x.T * (p * (1 - p))) @ x + np.diag(precision)

    found = minimise(objective, means, np.array([-np.inf, *[0.0] * len(prior.slopes)]))
    sds = found.standard_deviation
    return LogisticFit(float(found.point[0]), found.point[1:], float(sds[0]), sds[1:], found.value)


def expit(log_odds: ArrayLike) -> Floats:
    """Chance of log-odds, without overflow."""
    half: Floats = np.tanh(np.asarray(log_odds, dtype=np.float64) / 2)
    return 0.5 * (1.0 + half)
