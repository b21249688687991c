"""A season's review: measures of small seasons by hand, what is said and when nothing is."""

import json
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from simulated_yard import YARD, SimulatedYard
from sklearn.metrics import average_precision_score, brier_score_loss, log_loss, ndcg_score, roc_auc_score

from monitor.evaluation.orders import AS_LISTED, WEATHER_ALONE
from monitor.evaluation.replay import Brought, Replayed
from monitor.evaluation.review import ReviewParameters, review
from monitor.inspections import Finding, Inspection
from monitor.ranking import Curve, RankedCover, RankingParameters, Reason
from monitor.register import Boat, Cover, CoverBuild

START = datetime(2025, 10, 20, tzinfo=UTC)
UNTIL = datetime(2026, 4, 1, tzinfo=UTC)
SCORES = [0.92, 0.85, 0.80, 0.71, 0.64, 0.60, 0.52, 0.45, 0.33, 0.28, 0.20, 0.10]
HITS = [1, 1, 0, 1, 0, 0, 1, 0, 0, 0, 0, 0]


def seen(number, score, severity, walk=0, defect="tear", waited=1.0, slope=30.0, open_p=0.0, again=()):
    at = START + timedelta(days=10 + walk)
    visit = Inspection(f"{walk}-{number}", number, at, at, "Ida", True)
    new = (Finding(f"f{walk}-{number}", visit.id, "port", defect, severity, at),) if severity else ()
    boat = Boat(f"{number:02}", "Plum", "sail", 9.0, 3.0, "stands", "A", number, 0.0, "exposed")
    reasons = [Reason("gust", 1 - (1 - score) / (1 - open_p), 1.0, "Pa", None, "", None, 0.0, "")]
    if open_p:
        reasons.append(Reason("open_finding", open_p, 1.0, "severity", None, "", None, 0.0, ""))
    line = RankedCover(number, boat.number, number, score, "", tuple(reasons), None)
    cover = Cover(boat, START.date(), (CoverBuild(START, ridge_rise_m=1.5),), id=number)
    return Replayed(visit, walk, line, cover, 12, number, waited, slope, Brought(new, tuple(again)))


def set_a(walk=0, severity=2):
    return [seen(n, s, severity * h, walk) for n, (s, h) in enumerate(zip(SCORES, HITS, strict=True), 1)]


def of(replayed, **more):
    quick = ReviewParameters(repeats=40)
    return review(YARD, replayed, [], start=START, until=UNTIL, version="0", parameters=quick, **more)


def order(found, name):
    return next(one for one in found.orders if one.name == name)


def test_the_measures_are_those_of_set_a():
    found = of(set_a()).quality
    assert (found.base_rate.value, found.roc_auc.value) == pytest.approx((1 / 3, 0.875))
    assert [(top.k, top.precision.value, top.recall.value, top.lift.value) for top in found.tops] == [
        (5, pytest.approx(0.6), pytest.approx(0.75), pytest.approx(1.8)),
        (10, pytest.approx(0.4), pytest.approx(1.0), pytest.approx(1.2)),
    ]
    assert found.average_precision.value == pytest.approx(0.83036, abs=1e-5)
    assert found.brier.value == pytest.approx(0.18273, abs=1e-5)
    assert found.log_loss.value == pytest.approx(0.53708, abs=1e-5)
    assert found.brier_of_base == pytest.approx(2 / 9)  # p (1 - p)
    assert found.log_loss_of_base == pytest.approx(-math.log(1 / 3) / 3 - 2 * math.log(2 / 3) / 3)


def test_the_measures_of_a_simulated_season_are_those_of_scikit_learn():
    truth = {name: Curve(c.x10 * 1.5, c.x50 * 1.5) for name, c in RankingParameters().curves.items()}
    season = SimulatedYard(15, seed=2, hours=40 * 24).season(truth, walks=3, a_walk=10)
    found = of(season)
    scores, gains = [one.line.score for one in season], [one.brought.worst for one in season]
    hits = [gain >= 2 for gain in gains]
    assert 0 < sum(hits) < len(hits)
    quality = found.quality
    assert quality.roc_auc.value == pytest.approx(roc_auc_score(hits, scores))
    assert quality.average_precision.value == pytest.approx(average_precision_score(hits, scores))
    assert quality.ndcg.value == pytest.approx(ndcg_score([gains], [scores]))
    assert quality.brier.value == pytest.approx(brier_score_loss(hits, scores))
    assert quality.log_loss.value == pytest.approx(log_loss(hits, scores))
    for estimate in (quality.roc_auc, quality.ndcg, quality.brier, *(top.lift for top in quality.tops)):
        assert estimate.low <= estimate.high


def test_a_threshold_of_3_counts_only_what_was_to_be_made_safe_now():
    mixed = [seen(1, 0.9, 3), seen(2, 0.8, 2), seen(3, 0.7, 1), seen(4, 0.6, 0)]
    found = {threshold: of(mixed, threshold=threshold).needed.hits for threshold in (1, 2, 3)}
    assert found == {1: 3, 2: 2, 3: 1}
    assert of(mixed).severities == {0: 1, 1: 1, 2: 1, 3: 1}
    with pytest.raises(ValueError, match="threshold is a severity from 1 to 3, got 0"):
        of(mixed, threshold=0)


def test_bands_set_what_was_promised_beside_what_came():
    bands = {band.call: band for band in of(set_a()).quality.bands}
    assert list(bands) == ["no call", "this week", "walk today", "walk first"]
    # 0.92 0.85 0.80 0.71 0.64 0.60 (a limit belongs to the band above it): 3 of 6, mean 4.52 / 6
    first = bands["walk first"]
    assert (first.needed.hits, first.needed.of, first.mean_score) == (3, 6, pytest.approx(4.52 / 6))
    assert sum(band.needed.of for band in bands.values()) == 12
    assert first.kept  # Wilson of 3 of 6: 0.19 to 0.81


def test_an_open_finding_is_left_out_of_the_hazards_own_score():
    found = of([seen(1, 0.95, 0, open_p=0.9), seen(2, 0.6, 2)])
    # Hazards alone: 1 - 0.05 / 0.1 = 0.5 of the first, below the second
    assert (found.quality.roc_auc.value, found.quality_of_hazards.roc_auc.value) == (0.0, 1.0)
    assert order(found, AS_LISTED).concordance.value == 0.0
    assert order(found, WEATHER_ALONE).concordance.value == 1.0


def test_orders_are_compared_within_each_walk():
    # Two walks of four, one hit each. The list has it first, berth order last, the oldest first, the slope second.
    season = []
    for walk in (0, 1):
        for number in (1, 2, 3, 4):
            season.append(
                seen(
                    number, 0.2 * number - 0.1 * walk, 2 * (number == 4), walk, waited=number,
                    slope=(30, 5, 20, 10)[number - 1],
                )
            )  # fmt: skip
    found = of(season)
    by_name = {one.name: one for one in found.orders}
    assert {name: one.recall.value for name, one in by_name.items()} == {
        "list": 1.0,
        "list without open findings": 1.0,
        "berth order": 0.0,
        "oldest inspection first": 1.0,
        "worst slope first": 1.0,
    }
    assert [by_name[name].concordance.value for name in ("list", "berth order", "worst slope first")] == [
        1.0,
        0.0,
        pytest.approx(2 / 3),
    ]
    assert by_name["list"].precision.value == 0.5
    assert by_name["list"].lift.value == pytest.approx(2.0)  # 1/2 over 2 of 8
    assert by_name["worst slope first"].lift_of_list.value == pytest.approx(1.0)
    assert math.isnan(by_name["berth order"].lift_of_list.value)


def test_the_first_covers_of_every_walk_are_counted_by_each_order_against_what_chance_would_have():
    # Two walks of four with a hit on number 4 each, and a walk of one that leaves no choice. The list goes 4 3 2 1,
    # berth order 1 2 3 4, the flattest first 2 4 3 1. Any order finds 1 in 4 of what it looks at.
    season = [
        seen(number, 0.2 * number, 2 * (number == 4), walk, slope=(30, 5, 20, 10)[number - 1])
        for walk in (0, 1)
        for number in (1, 2, 3, 4)
    ]
    found = of([*season, seen(1, 0.9, 2, 2)])

    def firsts(name):
        return {first.k: (first.found.hits, first.found.of) for first in order(found, name).firsts}

    assert firsts(AS_LISTED) == {1: (2, 2), 2: (2, 4), 3: (2, 6)}
    assert firsts("berth order") == {1: (0, 2), 2: (0, 4), 3: (0, 6)}
    assert firsts("worst slope first") == {1: (0, 2), 2: (2, 4), 3: (2, 6)}
    assert {(first.walks, first.by_chance) for first in order(found, AS_LISTED).firsts} == {(2, 0.25)}


def test_the_reliability_of_scores_that_promise_right_is_about_one_and_of_bold_ones_less():
    rng = np.random.default_rng(1)
    chance = rng.uniform(0.02, 0.98, 400)
    bold = 1 / (1 + ((1 - chance) / chance) ** 3)
    slopes = []
    for scores in (chance, bold):
        hits = rng.random(400) < chance
        season = [seen(n % 40 + 1, s, 2 * h, n // 40) for n, (s, h) in enumerate(zip(scores, hits, strict=True))]
        slopes.append(of(season).quality.reliability)
    assert slopes[0].low < 1 < slopes[0].high
    assert slopes[1].low < 1 / 3 < slopes[1].high  # the log-odds were tripled
    assert slopes[1].high < 0.6


def test_a_defect_that_stood_low_before_is_told_as_not_foreseen():
    season = set_a() + set_a(1) + [seen(20 + n, 0.05 + 0.01 * n, 2, 2, "leaning_post") for n in range(4)]
    found = of(season)
    worst = found.defects[0]
    assert (worst.defect, worst.findings, worst.needed_hand) == ("leaning_post", 4, 4)
    assert (worst.unseen.hits, worst.unseen.of) == (4, 4)
    assert worst.unseen_estimate.low == pytest.approx(0.5101, abs=1e-4)  # 4 of 4: n / (n + z^2) = 4 / 7.84146
    assert worst.mean_score == pytest.approx(0.065)
    assert worst.mean_rank == pytest.approx(21.5)
    tear = next(one for one in found.defects if one.defect == "tear")
    assert (tear.findings, tear.unseen.hits, tear.carried_by) == (8, 0, "gust")
    assert "Mostly not foreseen, on covers that had no call before: leaning post 4 of 4." in found.sentences


def test_too_few_inspections_are_said_to_say_nothing():
    few = of(set_a())
    assert not few.enough
    assert few.sentences[0] == (
        "Of 12 inspections 4 found something new of severity 2 or more: 33 % (14 to 61 %)."  # Wilson of 4 of 12
    )
    assert "too few to say how good the lists were: from 20 inspections on" in few.sentences[1]
    assert len(few.sentences) == 2


def test_enough_inspections_are_put_into_words():
    found = of(set_a(0) + set_a(1))
    assert found.enough
    text = " ".join(found.sentences)
    assert "the list would have caught 75 % (41 to 93 %) of them" in text  # 6 of 8 in the first halves
    assert "Only covers that somebody looked at can be judged." in text


def test_without_an_inspection_nothing_can_be_said():
    empty = of([], left_out=2, notes=["A note."])
    assert (empty.quality, empty.quality_of_hazards, empty.orders, empty.next_autumn) == (None, None, (), ())
    assert empty.sentences == ("No inspection was logged in this time, so nothing can be said of the lists.",)
    assert empty.left_out == 2
    json.dumps(empty.as_json(), allow_nan=False)


def test_the_review_as_json_has_all_but_the_replayed_lines():
    found = of(set_a(0) + set_a(1))
    plain = json.loads(json.dumps(found.as_json(), allow_nan=False))
    assert set(plain) == set(vars(found)) - {"replayed"}
    assert plain["yard"] == "made"
    assert plain["until"] == "2026-04-01T00:00:00Z"
    assert plain["quality"]["roc_auc"]["value"] == pytest.approx(found.quality.roc_auc.value)
    assert plain["outcomes"][0]["question"].startswith("Do covers with more vents")


def test_the_same_season_gives_the_same_review_in_any_order():
    season = set_a(0) + set_a(1)
    assert of(season).quality == of(season[::-1]).quality
