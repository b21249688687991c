"""A yard's own curves: the steps from exposure to the chance of trouble, fitted to what its inspections found. Pure.

The model is the ranking's own. A cover needs a hand if any hazard brought it to that, each with its own chance:

    P = 1 - prod_h (1 - p_h)(1 - w m_h),   p_h = logistic(k_h ln x_h - k_h ln x50_h),   p_h = 0 at x_h = 0,

with exposure x_h, share of missing hours m_h and w of the ranking. For one hazard that is the logistic curve of
`monitor.evaluation.fitting` in ln x with slope k >= 0 and intercept -k ln x50. For several it is not: a plain logistic
sum would let one hazard's calm take off from another's storm. So the likelihood here is the noisy-or's,

    ln L = sum over found of ln(1 - exp(-s)) - sum over sound of s,   s = -ln(1 - P) = sum_h ln(1 + e^z_h) + const.

The prior of each curve is normal in ln x50 and k about the yard's curve. An open finding has no curve and is left out,
because the outcome counts new findings alone.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.evaluation.fitting import minimise
from monitor.evaluation.metrics import Z95, log_loss
from monitor.evaluation.replay import Replayed
from monitor.ranking import HAZARDS, Curve, RankingParameters

Floats = NDArray[np.float64]

SAME_LN = 1e-3
"""Exposures that differ by less than a thousandth never varied."""

LEAST_INSPECTIONS, LEAST_FOUND = 20, 5
"""Below either, a fit says nothing that is worth taking: our own judgement."""

FOLDS = 5

SMALLEST_RISK = 1e-150
"""A finding that the curves cannot explain at all counts as this unlikely, so that it moves none of them."""


@dataclass(frozen=True)
class CalibrationParameters:
    """What we chose ourselves: how far a yard's curve may lie from the prior.

    x50 off by a factor of two, either way, in one yard of three; k by 0.75, of about 1.8. Below ``least_steepness`` a
    curve would have its x10 under a 6,000th of its x50 and say nothing: it is the floor in place of 0, of which no x10
    could be stored.
    """

    ln_x50_sd: float = math.log(2.0)
    steepness_sd: float = 0.75
    least_steepness: float = 0.25


@dataclass(frozen=True)
class Evidence:
    """Inspections as the fit sees them.

    ``exposure`` and ``missing_share`` are (N, H) in the order of ``hazards``; NaN is an exposure of which no hour is
    known. ``found`` (N,) says where something new needed a hand; ``walk`` (N,) which ones were of one walk.
    """

    hazards: tuple[str, ...]
    exposure: Floats
    missing_share: Floats
    found: NDArray[np.bool_]
    walk: NDArray[np.int64]

    def part(self, chosen: NDArray[np.bool_]) -> "Evidence":
        """Some of the inspections."""
        return Evidence(
            self.hazards, self.exposure[chosen], self.missing_share[chosen], self.found[chosen], self.walk[chosen]
        )


@dataclass(frozen=True)
class FittedCurve:
    """One hazard's curve before and after, with 95 % intervals (Laplace) of x50 and k.

    ``exposed`` counts the inspections of covers that had any of it. ``left_because`` is empty where it was fitted, and
    says why where it stays as it was; then the interval is the prior's.
    """

    hazard: str
    prior: Curve
    fitted: Curve
    x50_low: float
    x50_high: float
    steepness_low: float
    steepness_high: float
    exposed: int
    left_because: str = ""


@dataclass(frozen=True)
class Calibration:
    """Curves fitted to a yard's inspections, beside those they started from. Nothing is changed by it.

    ``log_loss`` is of the inspections by the curves before, by those fitted, and by curves fitted each time without the
    walks that they are tried on (five parts): only the last tells what the fit is worth to inspections to come. They
    leave open findings out. NaN where nothing was fitted.
    """

    inspections: int
    found: int
    threshold: int
    curves: tuple[FittedCurve, ...]
    log_loss_before: float
    log_loss_fitted: float
    log_loss_held_out: float
    sentences: tuple[str, ...]


def evidence_of(replayed: Sequence[Replayed], hazards: Sequence[str], threshold: int) -> Evidence:
    """What replayed inspections say of curves: exposures before each of them, and whether it found something new.

    A hazard without a line among the reasons had no exposure.
    """
    exposure, missing_share = np.zeros((2, len(replayed), len(hazards)))
    column = {hazard: place for place, hazard in enumerate(hazards)}
    for row, one in enumerate(replayed):
        for reason in one.line.reasons:
            if reason.hazard in column:
                exposure[row, column[reason.hazard]] = math.nan if reason.value is None else reason.value
                missing_share[row, column[reason.hazard]] = reason.missing_share
    return Evidence(
        tuple(hazards),
        exposure,
        missing_share,
        np.array([one.brought.worst >= threshold for one in replayed], dtype=bool),
        np.array([one.walk for one in replayed], dtype=np.int64),
    )


def chance_of_trouble(evidence: Evidence, curves: Mapping[str, Curve], missing_weight: float) -> Floats:
    """The ranking's score without open findings, of each inspection (N,)."""
    safe = np.ones(len(evidence.found))
    for place, hazard in enumerate(evidence.hazards):
        p = curves[hazard].probability(evidence.exposure[:, place])
        safe = safe * (1 - p) * (1 - missing_weight * evidence.missing_share[:, place])
    return 1 - safe


def calibrate(
    evidence: Evidence,
    prior: Mapping[str, Curve],
    *,
    threshold: int,
    only: Collection[str] | None = None,
    parameters: CalibrationParameters | None = None,
    missing_weight: float | None = None,
) -> Calibration:
    """Most probable curves given what inspections found.

    Parameters
    ----------
    evidence : Evidence
    prior : mapping of str to Curve
        Of every hazard of the evidence: the default, or what the yard has chosen by hand.
    threshold : int
        Severity from which ``found`` counts; for the sentences.
    only : collection of str, optional
        Hazards to fit; the others stay as they are.
    parameters, missing_weight : optional
        ``missing_weight`` is the ranking's.

    Returns
    -------
    Calibration
        The prior itself, to the last bit, where there is no inspection, or none found anything: silence alone never
        lowers a score, for a log in which nothing was ever found may be a log that was not kept.
    """
    chosen = parameters or CalibrationParameters()
    weight = RankingParameters().missing_weight if missing_weight is None else missing_weight
    left = {hazard: _left_because(evidence, hazard, only) for hazard in evidence.hazards}
    fitted_ones = [hazard for hazard in evidence.hazards if not left[hazard]]
    fit = _Fit(evidence, prior, fitted_ones, chosen, weight)
    curves = tuple(
        fit.curve(hazard, left[hazard], int((evidence.exposure[:, place] > 0).sum()))
        for place, hazard in enumerate(evidence.hazards)
    )
    before = after = held_out = math.nan
    if fitted_ones:
        before = log_loss(chance_of_trouble(evidence, prior, weight), evidence.found)
        after = log_loss(chance_of_trouble(evidence, {c.hazard: c.fitted for c in curves}, weight), evidence.found)
        held_out = _held_out(evidence, prior, fitted_ones, chosen, weight)
    count, found = len(evidence.found), int(evidence.found.sum())
    return Calibration(
        inspections=count,
        found=found,
        threshold=threshold,
        curves=curves,
        log_loss_before=before,
        log_loss_fitted=after,
        log_loss_held_out=held_out,
        sentences=_sentences(count, found, threshold, curves, before, held_out),
    )


class _Fit:
    """The minimum of the negative log posterior over (ln x50, k) of each fitted hazard, and its curvature there."""

    def __init__(
        self,
        evidence: Evidence,
        prior: Mapping[str, Curve],
        hazards: Sequence[str],
        chosen: CalibrationParameters,
        missing_weight: float,
    ) -> None:
        self._prior, self._hazards, self._chosen = prior, list(hazards), chosen
        count = len(hazards)
        places = [evidence.hazards.index(hazard) for hazard in hazards]
        others = {hazard: prior[hazard] for hazard in evidence.hazards if hazard not in hazards}
        exposure = np.nan_to_num(evidence.exposure[:, places], nan=0.0)
        self._touched = exposure > 0
        self._ln_x = np.log(np.where(self._touched, exposure, 1.0))
        self._found = evidence.found
        self._rest = -np.log1p(-missing_weight * evidence.missing_share).sum(axis=1)
        for place, hazard in enumerate(evidence.hazards):
            if hazard in others:
                self._rest = self._rest - np.log1p(-others[hazard].probability(evidence.exposure[:, place]))
        self._mean = np.array([*(math.log(prior[h].x50) for h in hazards), *(prior[h].steepness for h in hazards)])
        self._precision = np.repeat([chosen.ln_x50_sd**-2.0, chosen.steepness_sd**-2.0], count)
        lower = np.repeat([-np.inf, chosen.least_steepness], count)
        self._lower = np.minimum(lower, self._mean)  # a curve that the yard set flatter still is its own prior
        if count:
            found = minimise(self.objective, self._mean, self._lower)
            self._point, self._sd = found.point, found.standard_deviation
        else:
            self._point, self._sd = self._mean, self._precision**-0.5

    def objective(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Negative log posterior, its gradient and its second derivatives.

        With r = 1 - e^-s, an inspection that found something gives -ln r, whose derivatives by s are -(1 - r) / r and
        (1 - r) / r^2; one that did not gives s. Each s_h = ln(1 + e^z), z = k (ln x - ln x50).
        """
        count = len(self._hazards)
        ln_x50, k = point[:count], point[count:]
        above = self._ln_x - ln_x50
        z = k * above
        p = np.where(self._touched, np.exp(-np.logaddexp(0.0, -z)), 0.0)
        s = self._rest + np.where(self._touched, np.logaddexp(0.0, z), 0.0).sum(axis=1)
        risk = np.maximum(-np.expm1(-s), SMALLEST_RISK)
        odds = (1 - risk) / risk
        off = point - self._mean
        value = float(np.where(self._found, -np.log(risk), s).sum()) + float(self._precision @ off**2) / 2
        slope = np.where(self._found, -odds, 1.0)
        by_point = np.hstack([p * -k, p * above])
        gradient = by_point.T @ slope + self._precision * off
        second = (by_point.T * np.where(self._found, odds / risk, 0.0)) @ by_point + np.diag(self._precision)
        bend = p * (1 - p)
        at = np.arange(count)
        second[at, at] += slope @ (bend * k**2)
        second[at + count, at + count] += slope @ (bend * above**2)
        mixed = slope @ (bend * -k * above - p)
        second[at, at + count] += mixed
        second[at + count, at] += mixed
        return value, gradient, second

    def curve(self, hazard: str, left_because: str, exposed: int) -> FittedCurve:
        """A hazard's curve with its intervals; one that was left has those of the prior."""
        prior, chosen = self._prior[hazard], self._chosen
        if hazard in self._hazards:
            place = self._hazards.index(hazard)
            ln_x50, k = float(self._point[place]), float(self._point[place + len(self._hazards)])
            ln_sd, k_sd = float(self._sd[place]), float(self._sd[place + len(self._hazards)])
            moved = (ln_x50, k) != (math.log(prior.x50), prior.steepness)
            fitted = Curve(math.exp(ln_x50 - math.log(9.0) / k), math.exp(ln_x50)) if moved else prior
        else:
            ln_x50, k, fitted = math.log(prior.x50), prior.steepness, prior
            ln_sd, k_sd = chosen.ln_x50_sd, chosen.steepness_sd
        return FittedCurve(
            hazard=hazard,
            prior=prior,
            fitted=fitted,
            x50_low=math.exp(ln_x50 - Z95 * ln_sd),
            x50_high=math.exp(ln_x50 + Z95 * ln_sd),
            steepness_low=max(k - Z95 * k_sd, 0.0),
            steepness_high=k + Z95 * k_sd,
            exposed=exposed,
            left_because=left_because,
        )

    def curves(self) -> dict[str, Curve]:
        """Every curve: those fitted, and the others as they were."""
        return {**self._prior, **{hazard: self.curve(hazard, "", 0).fitted for hazard in self._hazards}}


def _left_because(evidence: Evidence, hazard: str, only: Collection[str] | None) -> str:
    if only is not None and hazard not in only:
        return "not asked for"
    if not len(evidence.found):
        return "there is no inspection to fit to"
    if not evidence.found.any():
        return "no inspection found anything, and silence alone lowers no score"
    exposure = evidence.exposure[:, evidence.hazards.index(hazard)]
    known = exposure[np.nan_to_num(exposure, nan=0.0) > 0]
    if not len(known):
        return "no inspected cover had any of it that is known"
    if math.log(known.max() / known.min()) < SAME_LN:
        return "every inspected cover that had any of it had the same"
    return ""


def _held_out(
    evidence: Evidence,
    prior: Mapping[str, Curve],
    hazards: Sequence[str],
    chosen: CalibrationParameters,
    missing_weight: float,
) -> float:
    """Log loss of inspections by curves fitted without their walk; NaN where there are fewer than two walks."""
    walks = np.unique(evidence.walk)
    if len(walks) < 2:
        return math.nan
    chance = np.empty(len(evidence.found))
    fold_of = dict(zip(walks.tolist(), (place % FOLDS for place in range(len(walks))), strict=True))
    fold = np.array([fold_of[walk] for walk in evidence.walk.tolist()])
    for number in np.unique(fold).tolist():
        tried = fold == number
        others = evidence.part(~tried)
        fit = _Fit(others, prior, hazards if others.found.any() else [], chosen, missing_weight)
        chance[tried] = chance_of_trouble(evidence.part(tried), fit.curves(), missing_weight)
    return log_loss(chance, evidence.found)


def _sentences(
    count: int, found: int, threshold: int, curves: Sequence[FittedCurve], before: float, held_out: float
) -> tuple[str, ...]:
    few = count < LEAST_INSPECTIONS or found < LEAST_FOUND
    told = [f"{count} inspections, of which {found} found something new of severity {threshold} or more."]
    if few:
        told.insert(
            0,
            f"Too few to say anything: it takes {LEAST_INSPECTIONS} inspections, {LEAST_FOUND} of them with a finding. "
            f"Leave the curves as they are until then.",
        )
    left: dict[str, list[str]] = {}
    for curve in curves:
        if curve.left_because:
            left.setdefault(curve.left_because, []).append(HAZARDS[curve.hazard].label)
    told += [f"Left as it was, because {why}: {', '.join(names)}." for why, names in left.items()]
    if not math.isnan(held_out) and not few:
        better = held_out < before
        told.append(
            f"On walks that they were not fitted to, the fitted curves are {'better' if better else 'no better'}: log "
            f"loss {held_out:.3f} against {before:.3f} (less is better)."
            + ("" if better else " Better leave them as they are until more inspections are logged.")
        )
    told.append("Nothing is changed until you accept.")
    return tuple(told)
