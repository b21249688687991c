"""Numbers of covers: shapes, limits, covers alike and covers rebuilt."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.hazards.alike import builds, distinct_covers, per_cover

ANY = {"vents": (0.0, 10.0), "slope": (0.0, 90.0)}


def test_one_number_stands_for_all_covers():
    inputs = per_cover({"vents": 2.0, "slope": [10.0, 20.0, 30.0]}, ANY, 5)
    np.testing.assert_array_equal(inputs["vents"], [2.0, 2.0, 2.0])
    np.testing.assert_array_equal(inputs["slope"], [10.0, 20.0, 30.0])


def test_a_number_may_change_with_the_hours():
    inputs = per_cover({"vents": np.arange(10.0).reshape(5, 2), "slope": 10.0}, ANY, 5)
    assert inputs["vents"].shape == (5, 2)
    assert inputs["slope"].shape == (2,)


@pytest.mark.parametrize(
    ("vents", "slope", "sentence"),
    [
        ([1.0, 2.0], [10.0, 20.0, 30.0], r"vents must have shape \(3,\) or \(5, 3\), got \(2,\)"),
        (np.ones((4, 2)), 10.0, r"vents must have shape \(2,\) or \(5, 2\), got \(4, 2\)"),
        ([1.0, np.nan], 10.0, "vents: every cover needs a number in 0 to 10"),
        ([1.0, 11.0], 10.0, "vents: every cover needs a number in 0 to 10"),
        (1.0, [91.0], "slope: every cover needs a number in 0 to 90"),
    ],
)
def test_a_shape_or_number_that_cannot_be_is_refused(vents, slope, sentence):
    with pytest.raises(ValueError, match=sentence):
        per_cover({"vents": vents, "slope": slope}, ANY, 5)


few = arrays(np.float64, 12, elements=st.sampled_from([0.0, 1.0]))


@given(few, few, arrays(np.float64, (3, 12), elements=st.sampled_from([0.0, 1.0])))
def test_covers_alike_are_found_and_put_back(first_number, second_number, over_time):
    inputs = {"a": first_number, "b": second_number, "c": over_time}
    first, place = distinct_covers(inputs)
    rows = np.vstack([first_number, second_number, over_time]).T
    assert len(first) == len(np.unique(rows, axis=0))
    for values in inputs.values():
        np.testing.assert_array_equal(values[..., first][..., place], values)


def test_hours_part_where_any_cover_is_rebuilt():
    vents = np.array([[0.0, 1.0], [0.0, 1.0], [2.0, 1.0], [2.0, 1.0]])
    slope = np.array([[10.0, 10.0], [10.0, 10.0], [10.0, 10.0], [10.0, 30.0]])
    runs = list(builds({"vents": vents, "slope": slope, "plan": np.array([30.0, 40.0])}, 4))
    assert [run for run, _ in runs] == [range(0, 2), range(2, 3), range(3, 4)]
    np.testing.assert_array_equal([build["vents"] for _, build in runs], [[0, 1], [2, 1], [2, 1]])
    np.testing.assert_array_equal([build["slope"] for _, build in runs], [[10, 10], [10, 10], [10, 30]])
    np.testing.assert_array_equal([build["plan"] for _, build in runs], [[30, 40]] * 3)


def test_covers_that_stay_as_built_have_one_run_and_no_hours_have_none():
    assert [run for run, _ in builds({"plan": np.array([30.0])}, 7)] == [range(0, 7)]
    assert list(builds({"plan": np.array([30.0])}, 0)) == []
