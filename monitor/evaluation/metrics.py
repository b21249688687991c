"""How good an order and a chance were, once it is known what was found: measures with their intervals. Pure.

Everywhere ``scores`` rank highest first and ``hits`` say which of them came true; both have shape (N,). A measure that
cannot be had, such as the ROC AUC without a hit, is NaN.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

Z95 = 1.959963984540054
"""The standard normal deviate that leaves 2.5 % above it."""

REPEATS = 1000
SEED = 20_260_401
"""A bootstrap that is run again gives the same interval."""

WILSON = "Wilson"
NEWCOMBE = "Newcombe"
BOOTSTRAP = "bootstrap over walks"


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval, and how the interval was found; NaN where it cannot be had."""

    value: float
    low: float
    high: float
    method: str


@dataclass(frozen=True)
class Share:
    """So many of so many."""

    hits: int
    of: int

    @property
    def estimate(self) -> Estimate:
        """The share with its Wilson interval; NaN of none."""
        if not self.of:
            return Estimate(math.nan, math.nan, math.nan, WILSON)
        return Estimate(self.hits / self.of, *wilson(self.hits, self.of), WILSON)


def wilson(hits: int, of: int, z: float = Z95) -> tuple[float, float]:
    """Interval of a share; 0 to 1 where nothing was tried. Raises ValueError where ``hits`` of ``of`` are no share.

    References
    ----------
    .. [1] Wilson 1927, J. Am. Stat. Assoc. 22:209.
    """
    if not 0 <= hits <= of:
        raise ValueError(f"{hits} of {of} is no share")
    if of == 0:
        return 0.0, 1.0
    share, weight = hits / of, z * z / of
    middle = (share + weight / 2) / (1 + weight)
    half = z / (1 + weight) * math.sqrt(share * (1 - share) / of + weight / (4 * of))
    return (0.0 if hits == 0 else middle - half), (1.0 if hits == of else middle + half)


def difference(first: Share, second: Share) -> Estimate:
    """The first share less the second, with Newcombe's interval made of their two Wilson intervals.

    References
    ----------
    .. [1] Newcombe 1998, Stat. Med. 17:873, method 10.
    """
    if not first.of or not second.of:
        return Estimate(math.nan, math.nan, math.nan, NEWCOMBE)
    one, two = first.estimate, second.estimate
    between = one.value - two.value
    low = between - math.hypot(one.value - one.low, two.high - two.value)
    high = between + math.hypot(one.high - one.value, two.value - two.low)
    return Estimate(between, low, high, NEWCOMBE)


def shrunk_share(hits: int, of: int, prior_hits: float = 1.0, prior_misses: float = 9.0) -> float:
    """Mean of a share after ``hits`` of ``of`` under a Beta prior: few trials leave it near the prior's own mean."""
    return (prior_hits + hits) / (prior_hits + prior_misses + of)


def in_order(scores: ArrayLike, ids: Sequence[Any] | None = None) -> NDArray[np.intp]:
    """Places of the scores, highest first; ties by id, or by place where there are none, so that a list is the same."""
    order = list(range(len(np.asarray(scores)))) if ids is None else sorted(range(len(ids)), key=lambda i: ids[i])
    by_id = np.asarray(order, dtype=np.intp)
    return by_id[np.argsort(-np.asarray(scores, dtype=np.float64)[by_id], kind="stable")]


def precision_at(k: int, scores: ArrayLike, hits: ArrayLike, ids: Sequence[Any] | None = None) -> Share:
    """Hits among the first k; of all where there are no more than k."""
    first = in_order(scores, ids)[:k]
    return Share(int(np.asarray(hits, dtype=bool)[first].sum()), len(first))


def recall_at(k: int, scores: ArrayLike, hits: ArrayLike, ids: Sequence[Any] | None = None) -> Share:
    """Hits among the first k, of all hits."""
    return Share(precision_at(k, scores, hits, ids).hits, int(np.asarray(hits, dtype=bool).sum()))


def lift_at(k: int, scores: ArrayLike, hits: ArrayLike, ids: Sequence[Any] | None = None) -> float:
    """Precision among the first k over the share of hits among all. 1 is no better than any order."""
    hit = np.asarray(hits, dtype=bool)
    first = precision_at(k, scores, hit, ids)
    return first.hits / first.of / float(hit.mean()) if hit.any() else math.nan


def roc_auc(scores: ArrayLike, hits: ArrayLike) -> float:
    """Chance that a hit stands above a miss, both drawn at random; a tie counts one half."""
    hit = np.asarray(hits, dtype=bool)
    positives = int(hit.sum())
    if positives in (0, len(hit)):
        return math.nan
    _, place, count = np.unique(np.asarray(scores, dtype=np.float64), return_inverse=True, return_counts=True)
    rank = np.cumsum(count) - (count - 1) / 2
    rank_sum = float(rank[place][hit].sum())
    return (rank_sum - positives * (positives + 1) / 2) / (positives * (len(hit) - positives))


def average_precision(scores: ArrayLike, hits: ArrayLike) -> float:
    """Precision at each score, weighted by the hits that it adds; scores that tie are taken together."""
    hit = np.asarray(hits, dtype=bool)
    if not hit.any():
        return math.nan
    score = np.asarray(scores, dtype=np.float64)
    order = np.argsort(-score, kind="stable")
    last_of_tie = np.append(np.flatnonzero(np.diff(score[order])), len(score) - 1)
    found = np.cumsum(hit[order])[last_of_tie]
    return float((np.diff(found, prepend=0) * found / (last_of_tie + 1)).sum() / hit.sum())


def ndcg(scores: ArrayLike, gains: ArrayLike, k: int | None = None) -> float:
    """Discounted gain of the order over that of the best order, each gain over log2(rank + 1), of the first k.

    The gain is the relevance itself. Within a tie every order is as likely, so each place gains the mean of the tie.

    References
    ----------
    .. [1] Jarvelin and Kekalainen 2002, ACM Trans. Inf. Syst. 20:422; ties as McSherry and Najork 2008, ECIR.
    """
    gain, score = np.asarray(gains, dtype=np.float64), np.asarray(scores, dtype=np.float64)
    discount = 1 / np.log2(np.arange(len(gain)) + 2)
    if k is not None:
        discount[k:] = 0.0
    best = float(np.sort(gain)[::-1] @ discount)
    if best == 0:
        return math.nan
    _, place, count = np.unique(-score, return_inverse=True, return_counts=True)
    mean_gain = np.bincount(place, weights=gain, minlength=len(count)) / count
    up_to = np.concatenate([[0.0], np.cumsum(discount)])
    ends = np.cumsum(count)
    return float(mean_gain @ (up_to[ends] - up_to[ends - count]) / best)


def brier(chances: ArrayLike, hits: ArrayLike) -> float:
    """Mean square of chance less outcome; 0 is perfect. NaN of none."""
    chance, hit = np.asarray(chances, dtype=np.float64), np.asarray(hits, dtype=np.float64)
    return float(((chance - hit) ** 2).mean()) if len(hit) else math.nan


def log_loss(chances: ArrayLike, hits: ArrayLike) -> float:
    """Mean of -ln of the chance that was given to what came; chances are kept a machine epsilon off 0 and 1."""
    hit = np.asarray(hits, dtype=bool)
    if not len(hit):
        return math.nan
    epsilon = np.finfo(np.float64).eps
    chance = np.clip(np.asarray(chances, dtype=np.float64), epsilon, 1 - epsilon)
    return float(-np.log(np.where(hit, chance, 1 - chance)).mean())


def pairs_won(scores: ArrayLike, hits: ArrayLike, groups: ArrayLike) -> tuple[Floats, Floats]:
    """For each hit the misses of its group below it, a tie counting one half, and all of them; 0 for a miss. (N,) each.

    The sum of the first over that of the second is the ROC AUC within groups.
    """
    score, hit, group = np.asarray(scores, dtype=np.float64), np.asarray(hits, dtype=bool), np.asarray(groups)
    won, pairs = np.zeros((2, len(score)))
    for _, members in _members(group):
        misses = np.sort(score[members[~hit[members]]])
        found = members[hit[members]]
        below, up_to = (np.searchsorted(misses, score[found], side=side) for side in ("left", "right"))
        won[found] = (below + up_to) / 2
        pairs[found] = len(misses)
    return won, pairs


def first_share_of_groups(share: float, scores: ArrayLike, groups: ArrayLike) -> NDArray[np.bool_]:
    """Which stand in the first share of their group, rounded up; ties by place. Shape (N,).

    None of a group of one, which leaves no choice.
    """
    score, group = np.asarray(scores, dtype=np.float64), np.asarray(groups)
    chosen = np.zeros(len(score), dtype=bool)
    for _, members in _members(group):
        if len(members) > 1:
            chosen[members[in_order(score[members])[: math.ceil(share * len(members))]]] = True
    return chosen


def first_of_groups(k: int, scores: ArrayLike, groups: ArrayLike) -> NDArray[np.bool_]:
    """Which are among the first k of their group; ties by place. Shape (N,).

    None of a group of no more than k, which leaves no choice.
    """
    score, group = np.asarray(scores, dtype=np.float64), np.asarray(groups)
    chosen = np.zeros(len(score), dtype=bool)
    for _, members in _members(group):
        if len(members) > k:
            chosen[members[in_order(score[members])[:k]]] = True
    return chosen


def draws_of(groups: Sequence[Any], repeats: int = REPEATS, seed: int = SEED) -> list[NDArray[np.intp]]:
    """Places of as many whole groups as there are, drawn with repetition, again and again; none of fewer than two.

    What hangs together, such as the inspections of one walk that share a storm, is drawn together.
    """
    members = [places for _, places in _members(np.asarray(groups))]
    if len(members) < 2:
        return []
    drawn = np.random.default_rng(seed).integers(0, len(members), (repeats, len(members)))
    return [np.concatenate([members[number] for number in draw]) for draw in drawn.tolist()]


def bootstrapped(
    value: float, statistic: Callable[[NDArray[np.intp]], float], draws: Sequence[NDArray[np.intp]]
) -> Estimate:
    """A value with the middle 95 % of what the statistic is of each draw.

    The limits are NaN where there is no draw, or fewer than half of them have a value.
    """
    found = np.array([statistic(places) for places in draws])
    known = found[np.isfinite(found)]
    if len(known) < max(len(draws) / 2, 1):
        return Estimate(value, math.nan, math.nan, BOOTSTRAP)
    low, high = np.quantile(known, [0.025, 0.975])
    return Estimate(value, float(low), float(high), BOOTSTRAP)


def percent_text(estimate: Estimate) -> str:
    """A share with its interval: ``18 % (14 to 24 %)``; ``not known`` where it is NaN."""
    if math.isnan(estimate.value):
        return "not known"
    if math.isnan(estimate.low):
        return f"{100 * estimate.value:.0f} %"
    return f"{100 * estimate.value:.0f} % ({100 * estimate.low:.0f} to {100 * estimate.high:.0f} %)"


def times_text(estimate: Estimate) -> str:
    """A ratio with its interval: ``1.8 times (1.3 to 2.4)``; ``not known`` where it is NaN."""
    if math.isnan(estimate.value):
        return "not known"
    if math.isnan(estimate.low):
        return f"{estimate.value:.1f} times"
    return f"{estimate.value:.1f} times ({estimate.low:.1f} to {estimate.high:.1f})"


def _members(group: NDArray[Any]) -> list[tuple[Any, NDArray[np.intp]]]:
    names, place = np.unique(group, return_inverse=True)
    by_group = np.split(np.argsort(place, kind="stable"), np.cumsum(np.bincount(place))[:-1]) if len(group) else []
    return list(zip(names, by_group, strict=True))
