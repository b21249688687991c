"""The list against simpler ways to go round a yard: each an order of the covers that a walk looked at. Pure."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.evaluation.metrics import (
    Estimate,
    Share,
    bootstrapped,
    draws_of,
    first_of_groups,
    first_share_of_groups,
    pairs_won,
)
from monitor.evaluation.replay import Replayed
from monitor.ranking import boat_order

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

AS_LISTED = "list"
WEATHER_ALONE = "list without open findings"


@dataclass(frozen=True)
class FirstOfWalks:
    """Had only the first ``k`` covers of every walk been looked at: how many of those needed a hand.

    Walks of no more than k covers leave no choice and are left out; ``walks`` counts the others, and ``by_chance`` is
    what an order drawn at random would have on them.
    """

    k: int
    walks: int
    found: Share
    precision: Estimate
    by_chance: float


@dataclass(frozen=True)
class OrderQuality:
    """An order of each walk's covers, had only the first half of every walk been looked at.

    ``lift`` is precision over the base rate, ``lift_of_list`` the list's precision over this order's, both with the
    walks drawn anew; ``concordance`` is the share of pairs on one walk, a hit and a miss, with the hit first;
    ``firsts`` has the first few of every walk in place of the half.
    """

    name: str
    what: str
    precision: Estimate
    recall: Estimate
    lift: Estimate
    lift_of_list: Estimate
    concordance: Estimate
    firsts: tuple[FirstOfWalks, ...]


class Judged:
    """The replayed inspections as arrays (N,), by boat and walk: so ties of every order fall the same way each time."""

    def __init__(self, unsorted: Sequence[Replayed], threshold: int, repeats: int) -> None:
        replayed = sorted(unsorted, key=lambda one: (boat_order(one.line.boat), one.walk))
        self.scores: Floats = np.array([one.line.score for one in replayed], dtype=np.float64)
        self.weather: Floats = np.array([_weather_score(one) for one in replayed], dtype=np.float64)
        self.gains: Floats = np.array([one.brought.worst for one in replayed], dtype=np.float64)
        self.hits: NDArray[np.bool_] = self.gains >= threshold
        self.walks = np.array([one.walk for one in replayed], dtype=np.int64)
        self._draws = draws_of(self.walks.tolist(), repeats)
        self.orders: dict[str, tuple[str, Floats]] = {
            AS_LISTED: ("the list as it was shown", self.scores),
            WEATHER_ALONE: ("the list by its hazards alone, without what was open already", self.weather),
            "berth order": (
                "along the rows, place by place",
                -np.array([one.place_by_berth for one in replayed], dtype=np.float64),
            ),
            "oldest inspection first": (
                "the cover that has waited longest for an inspection first",
                np.array([one.waited_days for one in replayed], dtype=np.float64),
            ),
            "worst slope first": (
                "the cover with the flattest part first",
                -np.array([one.slope_deg for one in replayed], dtype=np.float64),
            ),
        }

    def by_walks(self, statistic: Callable[[Places], float]) -> Estimate:
        """A statistic of all inspections, with its interval when walks are drawn anew."""
        return bootstrapped(statistic(np.arange(len(self.scores))), statistic, self._draws)


def order_qualities(data: Judged, first_share: float, ks: Sequence[int]) -> tuple[OrderQuality, ...]:
    """Every order by its first share of each walk, and by the first k of each walk for those k that some walk has."""
    hits, walks = data.hits, data.walks
    first = {name: first_share_of_groups(first_share, key, walks) for name, (_, key) in data.orders.items()}

    def precision(name: str, places: Places) -> float:
        looked = first[name][places]
        return float(hits[places][looked].mean()) if looked.any() else math.nan

    def lift(name: str, places: Places) -> float:
        base = hits[places].mean()
        return precision(name, places) / float(base) if base else math.nan

    def lift_of_list(name: str, places: Places) -> float:
        other = precision(name, places)
        return precision(AS_LISTED, places) / other if other else math.nan

    def concordance(won: Floats, pairs: Floats, places: Places) -> float:
        return float(won[places].sum() / pairs[places].sum()) if pairs[places].any() else math.nan

    found = []
    for name, (what, key) in data.orders.items():
        won, pairs = pairs_won(key, hits, walks)
        looked = first[name]
        caught = int(hits[looked].sum())
        found.append(
            OrderQuality(
                name=name,
                what=what,
                precision=Share(caught, int(looked.sum())).estimate,
                recall=Share(caught, int(hits.sum())).estimate,
                lift=data.by_walks(lambda places, name=name: lift(name, places)),  # type: ignore[misc]
                lift_of_list=data.by_walks(lambda places, name=name: lift_of_list(name, places)),  # type: ignore[misc]
                concordance=data.by_walks(lambda places, w=won, p=pairs: concordance(w, p, places)),  # type: ignore[misc]
                firsts=tuple(_first(k, key, data) for k in ks if k < np.bincount(walks).max()),
            )
        )
    return tuple(found)


def _first(k: int, key: Floats, data: Judged) -> FirstOfWalks:
    looked = first_of_groups(k, key, data.walks)
    chosen = np.unique(data.walks[looked])
    shares = [float(data.hits[data.walks == walk].mean()) for walk in chosen.tolist()]
    found = Share(int(data.hits[looked].sum()), int(looked.sum()))
    return FirstOfWalks(k, len(chosen), found, found.estimate, float(np.mean(shares)))


def _weather_score(one: Replayed) -> float:
    return -math.expm1(-math.fsum(reason.weight for reason in one.line.reasons if reason.hazard != "open_finding"))
