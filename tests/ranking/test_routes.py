"""Short ways: beside every order there is, beside a published optimum, cut for parties, and bent to the worst first."""

from functools import cache
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.walks.routes import (
    busy_minutes,
    distances_m,
    fits,
    improved_way,
    shares,
    short_way,
    waiting,
    way_m,
    worst_first,
)

# TSPLIB 95, berlin52.tsp (52 locations in Berlin, M. Groetschel; EUC_2D), x and y of cities 1 to 52. The library's own
# server was not reached: the numbers were read in two independent public copies, which agree.
BERLIN52 = """
565 575  25 185  345 750  945 685  845 655  880 660  25 230  525 1000  580 1175  650 1130  1605 620  1220 580  1465 200
1530 5  845 680  725 370  145 665  415 635  510 875  560 365  300 465  520 585  480 415  835 625  975 580  1215 245
1320 315  1250 400  660 180  410 250  420 555  575 665  1150 1160  700 580  685 595  685 610  770 610  795 645  720 635
760 650  475 960  95 260  875 920  700 500  555 815  830 485  1170 65  830 610  605 625  595 360  1340 725  1740 245
"""
BERLIN52_OPTIMUM = 7542
"""Published by TSPLIB, with distances rounded to whole numbers."""
BERLIN52_BEST_TOUR = (
    "1 49 32 45 19 41 8 9 10 43 33 51 11 52 14 13 47 26 27 28 12 25 4 6 15 5 24 48 38 37 40 39 36 35 34 44 46 16 29 50 "
    "20 23 30 2 7 42 21 17 3 18 31 22"
)
"""TSPLIB 95, berlin52.opt.tour, read in a public copy."""

grid = st.tuples(st.integers(1, 12).map(lambda place: 4.5 * place), st.integers(0, 4).map(lambda row: 18.0 * row))
anywhere = st.tuples(st.floats(0, 400), st.floats(0, 200))
berths = st.one_of(st.lists(grid, min_size=1, max_size=40), st.lists(anywhere, min_size=1, max_size=40))
few_berths = st.one_of(st.lists(grid, min_size=2, max_size=9), st.lists(anywhere, min_size=2, max_size=9))


def matrix(points):
    return distances_m([x for x, _ in points], [y for _, y in points])


@cache
def every_order(count):
    """Every order of so many stops, but not each the other way round too: shape (count! / 2, count)."""
    return np.array([order for order in permutations(range(count)) if order[0] < order[-1]])


def shortest_m(distance_m):
    """Of every order there is, the length of the shortest."""
    orders = every_order(len(distance_m))
    return sum(distance_m[orders[:, leg], orders[:, leg + 1]] for leg in range(len(distance_m) - 1)).min()


def berlin52_m():
    numbers = np.array(BERLIN52.split(), dtype=float).reshape(52, 2)
    return np.rint(distances_m(numbers[:, 0], numbers[:, 1]))


def test_the_length_of_a_way_is_that_of_its_legs():
    distance_m = matrix([(0, 0), (3, 4), (3, 0)])  # legs 5, 4 and 3, by Pythagoras
    assert way_m([0, 1, 2], distance_m) == 9
    assert way_m([0, 1, 2], distance_m, closed=True) == 12
    assert way_m([0], distance_m) == 0


def test_a_row_is_walked_from_end_to_end():
    distance_m = matrix([(9, 0), (0, 0), (18, 0), (4.5, 0), (13.5, 0)])
    assert short_way(distance_m) == [1, 3, 0, 4, 2]


def test_the_coordinates_of_berlin52_are_right():
    tour = [int(city) - 1 for city in BERLIN52_BEST_TOUR.split()]
    assert sorted(tour) == list(range(52))
    assert way_m(tour, berlin52_m(), closed=True) == BERLIN52_OPTIMUM


def test_the_tour_of_berlin52_is_within_3_percent_of_the_published_optimum():
    distance_m = berlin52_m()
    tour = short_way(distance_m, closed=True)
    assert sorted(tour) == list(range(52))
    assert BERLIN52_OPTIMUM <= way_m(tour, distance_m, closed=True) <= 1.03 * BERLIN52_OPTIMUM


@given(few_berths)
def test_a_way_over_up_to_9_stops_is_the_shortest_of_all(points):
    distance_m = matrix(points)
    way = short_way(distance_m)
    assert sorted(way) == list(range(len(points)))
    assert way_m(way, distance_m) == pytest.approx(shortest_m(distance_m))


@given(st.lists(anywhere, min_size=9, max_size=9))
def test_a_way_over_9_stops_is_the_shortest_of_all(points):
    distance_m = matrix(points)
    assert way_m(short_way(distance_m), distance_m) == pytest.approx(shortest_m(distance_m))


@given(st.lists(anywhere, min_size=9, max_size=9))
def test_a_poor_way_over_9_stops_is_improved_to_within_a_quarter_of_the_shortest(points):
    distance_m = matrix(points)
    better = improved_way(range(9), distance_m)
    assert shortest_m(distance_m) <= way_m(better, distance_m) + 1e-6
    assert way_m(better, distance_m) <= 1.25 * shortest_m(distance_m) + 1e-6


@given(berths, st.randoms(use_true_random=False))
def test_an_improved_way_has_the_same_stops_and_is_never_longer(points, random):
    distance_m = matrix(points)
    stops = random.sample(range(len(points)), k=random.randint(1, len(points)))
    better = improved_way(stops, distance_m)
    assert sorted(better) == sorted(stops)
    assert way_m(better, distance_m) <= way_m(stops, distance_m) + 1e-6


@given(berths, st.integers(1, 6), st.floats(1, 30))
def test_parts_are_in_order_whole_and_the_longest_is_as_short_as_can_be(points, parties, minutes):
    distance_m = matrix(points)
    busy = busy_minutes(range(len(points)), distance_m, np.full(len(points), minutes), 60.0)
    parts = shares(busy, parties)
    assert [stop for part in parts for stop in range(part.start, part.stop)] == list(range(len(points)))
    assert len(parts) == min(parties, len(points))
    longest = max(busy[part.start, part.stop] for part in parts)
    assert fits(busy, parties, longest)
    assert not fits(busy, parties, longest - 1e-6)


def test_minutes_of_a_part_are_those_at_stops_and_between_them():
    distance_m = matrix([(0, 0), (60, 0), (60, 120)])
    busy = busy_minutes([0, 1, 2], distance_m, np.array([10.0, 20.0, 30.0]), m_per_min=60.0)
    assert busy[0, 1] == 10
    assert busy[1, 3] == 20 + 2 + 30
    assert busy[0, 3] == 10 + 1 + 20 + 2 + 30
    assert np.isinf(busy[2, 2])


def test_four_equal_stops_go_two_and_two():
    busy = busy_minutes(range(4), np.zeros((4, 4)), np.full(4, 10.0), 60.0)
    assert shares(busy, 2) == [slice(0, 2), slice(2, 4)]
    assert not fits(busy, 2, 19.9)
    assert fits(busy, 2, 20.0)


@given(berths, st.data())
def test_worst_first_keeps_the_stops_and_its_promise_on_the_way(points, data):
    distance_m = matrix(points)
    score = np.array(data.draw(st.lists(st.floats(0.01, 0.99), min_size=len(points), max_size=len(points))))
    spare_m = data.draw(st.floats(0, 300))
    short = short_way(distance_m)
    way = worst_first(short, distance_m, score, spare_m)
    assert sorted(way) == sorted(short)
    assert way_m(way, distance_m) <= way_m(short, distance_m) + spare_m + 1e-6
    assert waiting(way, score) <= waiting(short, score) + 1e-9


@given(st.lists(st.integers(1, 99).map(lambda hundredths: hundredths / 100), min_size=1, max_size=12, unique=True))
def test_where_there_is_no_way_between_stops_the_worst_comes_first(scores):
    score = np.array(scores)
    way = worst_first(range(len(scores)), np.zeros((len(scores), len(scores))), score, 0.0)
    assert score[way].tolist() == sorted(scores, reverse=True)


def test_the_worse_end_of_a_row_is_where_the_way_begins():
    distance_m = matrix([(0, 0), (5, 0), (10, 0)])
    assert worst_first([0, 1, 2], distance_m, np.array([0.2, 0.3, 0.9]), 0.0) == [2, 1, 0]


def test_a_worse_cover_is_fetched_forward_only_within_the_metres_to_spare():
    distance_m = matrix([(0, 0), (10, 0), (20, 0)])
    score = np.array([0.5, 0.9, 0.5])
    assert worst_first([0, 1, 2], distance_m, score, 9.0) == [0, 1, 2]
    assert worst_first([0, 1, 2], distance_m, score, 10.0) == [1, 0, 2]  # 10 + 20 m in place of 10 + 10 m
