"""Measures of an order and of a chance, against published-check values, scikit-learn and scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from sklearn import metrics as sk

from monitor.evaluation.metrics import (
    Share,
    average_precision,
    bootstrapped,
    brier,
    difference,
    draws_of,
    first_share_of_groups,
    in_order,
    lift_at,
    log_loss,
    ndcg,
    pairs_won,
    percent_text,
    precision_at,
    recall_at,
    roc_auc,
    shrunk_share,
    times_text,
    wilson,
)

SCORES = [0.92, 0.85, 0.80, 0.71, 0.64, 0.60, 0.52, 0.45, 0.33, 0.28, 0.20, 0.10]
HITS = [1, 1, 0, 1, 0, 0, 1, 0, 0, 0, 0, 0]


def lists(least=2, levels=1):
    """Scores with many ties, and what came."""
    one = st.tuples(st.integers(0, 8), st.integers(0, levels))
    return st.lists(one, min_size=least, max_size=40).map(
        lambda pairs: (np.array([a for a, _ in pairs]) / 10 + 0.05, np.array([b for _, b in pairs]))
    )


# --- hand-made set A: 4 hits of 12; values of the project's references, section J.1, to five decimals


def test_precision_recall_and_lift_of_the_set_by_hand():
    # Hits at ranks 1, 2, 4, 7. First 3: 2 of 3; first 5: 3 of 5, 3 of all 4; 2/3 over 4/12 is 2.
    assert precision_at(3, SCORES, HITS) == Share(2, 3)
    assert precision_at(5, SCORES, HITS) == Share(3, 5)
    assert recall_at(5, SCORES, HITS) == Share(3, 4)
    assert lift_at(3, SCORES, HITS) == pytest.approx(2.0)


@pytest.mark.parametrize(
    "found, expected",
    [
        (roc_auc(SCORES, HITS), 0.875),
        (average_precision(SCORES, HITS), 0.83036),
        (ndcg(SCORES, HITS), 0.93494),
        (ndcg(SCORES, HITS, 5), 0.80481),
        (brier(SCORES, HITS), 0.18273),
        (log_loss(SCORES, HITS), 0.53708),
    ],
    ids=["ROC AUC", "average precision", "NDCG", "NDCG of 5", "Brier", "log loss"],
)
def test_reproduces_the_check_values_of_set_a(found, expected):
    assert found == pytest.approx(expected, abs=1e-5)


def test_reproduces_the_check_values_of_the_graded_set():
    scores, gains = [0.4, 0.9, 0.7, 0.3, 0.2, 0.6, 0.8, 0.1], [3, 0, 2, 1, 0, 0, 1, 0]
    assert ndcg(scores, gains) == pytest.approx(0.60620, abs=1e-5)
    assert ndcg(scores, gains, 3) == pytest.approx(0.34250, abs=1e-5)


def test_ties_count_one_half_and_share_their_places():
    scores, hits = [0.5, 0.5, 0.5, 0.5, 0.2, 0.2], [1, 0, 0, 1, 0, 1]
    assert roc_auc(scores, hits) == pytest.approx(0.5)
    assert ndcg(scores, hits) == pytest.approx(0.77540, abs=1e-5)  # by a stable order it would be 0.83855


# --- scikit-learn 1.9 as the reference, on random lists with ties


@given(lists())
def test_the_roc_auc_is_that_of_scikit_learn(made):
    scores, hits = made
    if 0 < hits.sum() < len(hits):
        assert roc_auc(scores, hits) == pytest.approx(sk.roc_auc_score(hits, scores), abs=1e-12)
    else:
        assert math.isnan(roc_auc(scores, hits))


@given(lists())
def test_the_average_precision_is_that_of_scikit_learn(made):
    scores, hits = made
    if hits.any():
        assert average_precision(scores, hits) == pytest.approx(sk.average_precision_score(hits, scores), abs=1e-12)
    else:
        assert math.isnan(average_precision(scores, hits))


@given(lists(levels=3), st.one_of(st.none(), st.integers(1, 50)))
def test_the_ndcg_is_that_of_scikit_learn(made, k):
    scores, gains = made
    if gains.any():
        assert ndcg(scores, gains, k) == pytest.approx(sk.ndcg_score([gains], [scores], k=k), abs=1e-12)
    else:
        assert math.isnan(ndcg(scores, gains, k))


@given(lists(least=1))
def test_brier_and_log_loss_are_those_of_scikit_learn(made):
    chances, hits = made
    assert brier(chances, hits) == pytest.approx(sk.brier_score_loss(hits, chances, pos_label=1), abs=1e-12)
    assert log_loss(chances, hits) == pytest.approx(sk.log_loss(hits, chances, labels=[0, 1]), abs=1e-12)


def test_a_certainty_that_fails_costs_much_but_not_all():
    assert log_loss([1.0], [0]) == pytest.approx(sk.log_loss([0], [1.0], labels=[0, 1]))


# --- laws


@given(lists())
def test_an_order_that_says_the_same_of_all_has_a_roc_auc_of_one_half(made):
    _, hits = made
    if 0 < hits.sum() < len(hits):
        assert roc_auc(np.ones(len(hits)), hits) == pytest.approx(0.5)


@given(lists())
def test_the_reversed_order_has_the_rest_of_the_roc_auc(made):
    scores, hits = made
    if 0 < hits.sum() < len(hits):
        assert roc_auc(-scores, hits) == pytest.approx(1 - roc_auc(scores, hits))


@given(lists())
def test_pairs_in_one_group_give_the_roc_auc(made):
    scores, hits = made
    won, pairs = pairs_won(scores, hits, np.zeros(len(hits)))
    if pairs.any():
        assert won.sum() / pairs.sum() == pytest.approx(roc_auc(scores, hits))


def test_pairs_are_counted_within_their_group_alone():
    # Group 1: hit 0.2 below miss 0.3, above miss 0.1: 1 of 2. Group 2: hit 0.1 ties with a miss: 1/2 of 1.
    won, pairs = pairs_won([0.2, 0.3, 0.1, 0.1, 0.1], [1, 0, 0, 1, 0], [1, 1, 1, 2, 2])
    assert (won.sum(), pairs.sum()) == (1.5, 3)


def test_a_tie_falls_by_id_so_that_a_list_is_the_same():
    assert in_order([0.5, 0.9, 0.5], ["b", "c", "a"]).tolist() == [1, 2, 0]
    assert in_order([0.5, 0.9, 0.5]).tolist() == [1, 0, 2]
    assert precision_at(2, [0.5, 0.9, 0.5], [1, 0, 0], ["b", "c", "a"]) == Share(0, 2)


def test_the_first_half_of_a_group_is_rounded_up_and_a_group_of_one_has_none():
    chosen = first_share_of_groups(0.5, [1, 3, 2, 9, 5, 4], [1, 1, 1, 2, 3, 3])
    assert chosen.tolist() == [False, True, True, False, True, False]


def test_of_nothing_there_is_no_measure():
    for measure in (roc_auc, average_precision, ndcg, brier, log_loss):
        assert math.isnan(measure([], []))
    assert math.isnan(lift_at(3, [0.5, 0.4], [0, 0]))


# --- intervals


def test_wilson_reproduces_its_check_value():
    # The project's references, section J.3: 3 of 10 -> .10779 to .60322
    assert wilson(3, 10) == pytest.approx((0.10779, 0.60322), abs=1e-5)


def test_wilson_by_hand_where_nothing_was_found():
    # 0 of 10: z^2 / (n + z^2) = 3.84146 / 13.84146
    assert wilson(0, 10) == pytest.approx((0.0, 0.277533), abs=1e-6)


@given(st.integers(1, 300).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_wilson_is_that_of_scipy(case):
    hits, of = case
    reference = binomtest(hits, of).proportion_ci(0.95, method="wilson")
    assert wilson(hits, of) == pytest.approx((reference.low, reference.high), abs=1e-12)


def test_a_share_of_none_could_be_anything():
    assert wilson(0, 0) == (0.0, 1.0)
    assert math.isnan(Share(0, 0).estimate.value)
    with pytest.raises(ValueError, match="3 of 2 is no share"):
        wilson(3, 2)


def test_newcombe_reproduces_his_own_example():
    # Newcombe 1998, example a: 56/70 and 48/80, method 10: 0.0524 to 0.3339 (values from memory)
    found = difference(Share(56, 70), Share(48, 80))
    assert (found.low, found.high) == pytest.approx((0.0524, 0.3339), abs=5e-5)


@given(st.integers(0, 20), st.integers(0, 20))
def test_newcombe_is_made_of_two_wilson_intervals(first, second):
    # From scipy's Wilson limits l, u: d - sqrt((p1 - l1)^2 + (u2 - p2)^2), d + sqrt((u1 - p1)^2 + (p2 - l2)^2)
    one, two = (binomtest(hits, 20).proportion_ci(0.95, method="wilson") for hits in (first, second))
    p1, p2 = first / 20, second / 20
    found = difference(Share(first, 20), Share(second, 20))
    assert found.low == pytest.approx(p1 - p2 - math.sqrt((p1 - one.low) ** 2 + (two.high - p2) ** 2))
    assert found.high == pytest.approx(p1 - p2 + math.sqrt((one.high - p1) ** 2 + (p2 - two.low) ** 2))


def test_a_beta_prior_of_1_and_9_and_3_of_10_give_a_fifth():
    assert shrunk_share(3, 10) == pytest.approx(0.2)  # references J.3: (1 + 3) / (1 + 9 + 10)
    assert shrunk_share(0, 0) == pytest.approx(0.1)


def test_the_bootstrap_draws_whole_groups_and_gives_the_same_each_time():
    groups = [0] * 5 + [1] * 5 + [2] * 5
    for places in draws_of(groups, repeats=20):
        counts = np.bincount(places, minlength=15).reshape(3, 5)
        assert (counts == counts[:, :1]).all()
        assert counts[:, 0].sum() == 3
    assert all((a == b).all() for a, b in zip(draws_of(groups), draws_of(groups), strict=True))


def test_the_bootstrap_of_a_mean_comes_near_its_normal_interval():
    # 400 groups of one, a share of 0.3: 0.3 +- 1.96 sqrt(0.3 * 0.7 / 400) = 0.2551 to 0.3449
    hits = np.repeat([1.0, 0.0], [120, 280])
    found = bootstrapped(0.3, lambda places: float(hits[places].mean()), draws_of(list(range(400))))
    assert (found.low, found.high) == pytest.approx((0.2551, 0.3449), abs=0.006)


def test_one_group_has_no_bootstrap():
    found = bootstrapped(0.3, lambda places: float(len(places)), draws_of([7, 7, 7]))
    assert found.value == 0.3
    assert math.isnan(found.low)


def test_texts_show_value_and_interval():
    assert percent_text(Share(3, 10).estimate) == "30 % (11 to 60 %)"
    assert percent_text(Share(0, 0).estimate) == "not known"
    draws = draws_of([1, 2])
    assert times_text(bootstrapped(2.0, lambda _: 2.0, draws)) == "2.0 times (2.0 to 2.0)"
    assert times_text(bootstrapped(2.0, lambda _: math.nan, draws)) == "2.0 times"
