"""Where boats stand when everybody, somebody or nobody was measured."""

import math

from hypothesis import given
from hypothesis import strategies as st

from monitor.register import Boat
from monitor.walks.berths import SPACING, is_placed, positions_m, row_names


def boat(number, row, place, x_m=None, y_m=None):
    return Boat(number, "Sorrel", "sail", 9.0, 3.0, "stands", row, place, 0.0, "exposed", x_m, y_m)


def test_a_measured_position_is_taken_as_it_is():
    assert positions_m([boat("1", "A", 7, 12.5, -3.0)]) == [(12.5, -3.0)]
    assert is_placed(boat("1", "A", 7, 12.5, -3.0))
    assert not is_placed(boat("1", "A", 7, 12.5))


def test_without_any_measurement_boats_stand_on_a_grid_of_rows_and_places():
    found = positions_m([boat("1", "A", 1), boat("2", "A", 3), boat("3", "B", 1)])
    assert math.dist(found[0], found[1]) == 2 * SPACING.place_m
    assert math.dist(found[0], found[2]) == SPACING.row_m


def test_rows_lie_by_number_then_by_letter():
    assert row_names([boat(str(n), row, 1) for n, row in enumerate(["B", "10", "9", "A", "9"])]) == [
        "9",
        "10",
        "A",
        "B",
    ]


def test_between_measured_boats_of_a_row_another_stands_by_its_place():
    found = positions_m([boat("1", "A", 1, 0.0, 0.0), boat("2", "A", 3), boat("3", "A", 5, 16.0, 12.0)])
    assert found[1] == (8.0, 6.0)


def test_beyond_the_only_measured_boat_of_a_row_the_usual_spacing_counts():
    found = positions_m([boat("1", "A", 2, 10.0, 5.0), boat("2", "A", 4)])
    assert found[1] == (10.0 + 2 * SPACING.place_m, 5.0)


def test_a_row_without_measurements_lies_a_row_below_the_measured_ones():
    found = positions_m([boat("1", "A", 1, 10.0, 5.0), boat("2", "B", 1), boat("3", "C", 1)])
    assert found[1:] == [(10.0, 5.0 - SPACING.row_m), (10.0, 5.0 - 2 * SPACING.row_m)]


@given(st.permutations(["1", "2", "3", "4", "5"]))
def test_the_order_of_the_boats_does_not_matter(order):
    boats = {
        "1": boat("1", "A", 1, 0.0, 0.0),
        "2": boat("2", "A", 2),
        "3": boat("3", "A", 1, 0.5, 0.0),
        "4": boat("4", "B", 2),
        "5": boat("5", "A", 4, 12.0, 1.0),
    }
    assert dict(zip(order, positions_m([boats[n] for n in order]), strict=True)) == dict(
        zip(boats, positions_m(list(boats.values())), strict=True)
    )
