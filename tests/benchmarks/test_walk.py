"""Speed of planning a walk. Run with ``pytest --benchmark-only tests/benchmarks``; an ordinary run skips this."""

from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.register import Yard
from monitor.walks.plan import WalkCover, WalkRequest, plan_rounds
from monitor.walks.routes import distances_m, short_way

YARD = Yard("made", "Made Yard", 44.65, -63.57, 3.0, "America/Halifax")
START = datetime(2026, 2, 21, 13, tzinfo=UTC)


def made_covers(count):
    """Covers on a grid of rows of 25, with scores as after a storm."""
    score = np.random.default_rng(count).beta(1.5, 3.0, count).tolist()
    calls = [("walk first", 0.6), ("walk today", 0.35), ("this week", 0.15), ("no call", 0.0)]
    return [
        WalkCover(str(n), next(call for call, least in calls if one >= least), one, 4.5 * (n % 25), 18.0 * (n // 25))
        for n, one in enumerate(score, start=1)
    ]


@pytest.mark.benchmark(group="a walk round the covers of one yard")
@pytest.mark.parametrize("limit_min", [None, 480.0], ids=["all of them", "eight hours"])
def test_speed_of_a_walk_of_500_covers(benchmark, limit_min):
    """500 covers, every call asked for, a crew of ten. Target: well under 2 s."""
    covers = made_covers(500)
    crew = tuple(f"person {number}" for number in range(1, 11))
    calls = ("walk first", "walk today", "this week", "no call")
    request = WalkRequest(crew=crew, start=START, limit_min=limit_min, calls=calls, ignore_daylight=True)
    plan = benchmark.pedantic(plan_rounds, (YARD, START, covers, request, None), rounds=3, warmup_rounds=1)
    benchmark.extra_info.update(
        covers=500, walked=sum(len(one.stops) for one in plan.rounds), covered_share=round(plan.covered_share, 3)
    )
    assert sum(len(one.stops) for one in plan.rounds) + len(plan.left_out) == 500
    assert (plan.left_out == ()) == (limit_min is None)


@pytest.mark.benchmark(group="one short way over stops anywhere")
@pytest.mark.parametrize("count", [9, 100, 500])
def test_speed_of_a_short_way(benchmark, count):
    """The way alone, over berths that lie anywhere. Target for 500: under 1 s."""
    x_m, y_m = np.random.default_rng(count).uniform(0, 300, (2, count))
    way = benchmark.pedantic(short_way, (distances_m(x_m, y_m),), rounds=3)
    benchmark.extra_info["stops"] = count
    assert sorted(way) == list(range(count))
