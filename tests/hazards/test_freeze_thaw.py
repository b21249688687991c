"""Freeze-thaw cycles: a hand count, the daily index of xclim, and days with holes."""

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.hazards.freeze_thaw import FreezeThawParameters, completed_cycles, daily_extremes, daily_freeze_thaw

PARAMETERS = FreezeThawParameters()
JUST_ABOVE = np.nextafter(0.0, 1.0)

# Thirty hours, counted by hand: with -1 and +1, frozen from -1.2 (hour 6) to 1.1 (hour 12), from -1.5 (hour 16) to 1.5
# (hour 22), and from -4 (hour 28) to the end without a thaw
HOURLY_C = [
    2,
    1,
    0.4,
    -0.3,
    -0.8,
    -1.2,
    -3,
    -2,
    -0.5,
    0.5,
    0.9,
    1.1,
    2,
    0.8,
    -0.2,
    -1.5,
    -0.9,
    0.2,
    0.9,
    -2,
    -1,
    1.5,
    3,
]
HOURLY_C += [-0.9, -0.4, 0.6, 2, -4, -1, 0]


@pytest.mark.parametrize(
    ("low_c", "high_c", "cycles"), [(0, JUST_ABOVE, 4), (-0.5, 0.5, 4), (-1, 1, 2), (-2, 1, 2), (-3, 1, 1)]
)
def test_cycles_of_thirty_hours_follow_the_hand_count(low_c, high_c, cycles):
    assert completed_cycles(HOURLY_C, FreezeThawParameters(low_c, high_c)).sum() == cycles


def test_a_cycle_is_counted_in_the_hour_it_completes():
    np.testing.assert_array_equal(np.flatnonzero(completed_cycles(HOURLY_C, PARAMETERS)), [11, 21])


def test_each_column_is_counted_for_itself():
    both = np.column_stack([HOURLY_C, HOURLY_C[::-1]])
    cycles = completed_cycles(both, PARAMETERS)
    np.testing.assert_array_equal(cycles[:, 0], completed_cycles(HOURLY_C, PARAMETERS))
    np.testing.assert_array_equal(cycles[:, 1], completed_cycles(HOURLY_C[::-1], PARAMETERS))


def test_an_unknown_hour_leaves_the_state_as_it_is_and_counts_nothing():
    np.testing.assert_array_equal(completed_cycles([-2, np.nan, np.nan, 2, np.nan, 2], PARAMETERS), [0, 0, 0, 1, 0, 0])


def test_a_thermometer_that_dithers_round_freezing_counts_nothing():
    assert completed_cycles([-0.9, 0.9] * 50, PARAMETERS).sum() == 0


@given(arrays(np.float64, (40, 2), elements=st.one_of(st.floats(-5, 5), st.just(np.nan))))
def test_cycles_are_those_that_somebody_counts_who_watches_one_thermometer(temperature_c):
    for column in temperature_c.T:
        frozen, counted = False, []
        for reading in column:
            counted.append(frozen and reading >= PARAMETERS.high_c)
            frozen = reading <= PARAMETERS.low_c or (frozen and not reading >= PARAMETERS.high_c)
        np.testing.assert_array_equal(completed_cycles(column, PARAMETERS), counted)
    assert completed_cycles(temperature_c[:0], PARAMETERS).shape == (0, 2)


@given(arrays(np.float64, 40, elements=st.one_of(st.floats(-5, 5), st.just(np.nan))), st.floats(0, 3))
def test_wider_limits_never_count_more(temperature_c, wider_k):
    wide = FreezeThawParameters(PARAMETERS.low_c - wider_k, PARAMETERS.high_c + wider_k)
    assert completed_cycles(temperature_c, wide).sum() <= completed_cycles(temperature_c, PARAMETERS).sum()


def test_limits_in_the_wrong_order_are_refused():
    with pytest.raises(ValueError, match="low_c must lie below high_c, got 1 and 1"):
        FreezeThawParameters(1.0, 1.0)


# Fourteen days; counts by xclim 0.62.0 multiday_temperature_swing, op 'sum'
DAILY_MIN_C = [-5, -4, -2, -1, 0, 1, -0.5, -3, -6, -8, -2, -1, 0, 2]
DAILY_MAX_C = [-1, 0, 1, 3, 4, 6, 2, 0.5, -1, -2, 1, 0, 0.2, 5]


@pytest.mark.parametrize(("min_up_to_c", "count"), [(0, 7), (-1, 4), (-2.2, 1)])
def test_the_daily_index_counts_as_xclim_does(min_up_to_c, count):
    assert daily_freeze_thaw(DAILY_MIN_C, DAILY_MAX_C, min_up_to_c).sum() == count


@pytest.mark.reference
@pytest.mark.parametrize("min_up_to_c", [0.0, -1.0, -2.2])
def test_the_daily_index_counts_as_xclim_run_here(require, min_up_to_c):
    xclim, xarray = require("xclim.indices"), require("xarray")
    times = pd.date_range("2001-01-01", periods=len(DAILY_MIN_C), freq="D")

    def daily(values):
        attributes = {"units": "degC", "standard_name": "air_temperature"}
        return xarray.DataArray(np.array(values, dtype=float), coords={"time": times}, dims="time", attrs=attributes)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = xclim.multiday_temperature_swing(
            daily(DAILY_MIN_C), daily(DAILY_MAX_C), thresh_tasmin=f"{min_up_to_c} degC", op="sum", freq="YS"
        ).item()
    assert daily_freeze_thaw(DAILY_MIN_C, DAILY_MAX_C, min_up_to_c).sum() == expected


def test_a_day_with_an_unknown_extreme_does_not_count():
    np.testing.assert_array_equal(daily_freeze_thaw([-1, np.nan, -1], [1, 1, np.nan]), [True, False, False])


def series(start, values):
    index = pd.date_range(start, periods=len(values), freq="h", tz="UTC", name="hour_ending")
    return pd.Series(values, index=index, dtype=float)


def test_the_hour_that_ends_at_local_midnight_belongs_to_the_day_before():
    # New York is five hours behind UTC: 06:00Z ends the first hour of 1 January, 05:00Z next day the last
    hours = series("2013-01-01T06:00", [1.0] * 23 + [-7.0] + [1.0] * 24)
    days = daily_extremes(hours, "America/New_York", PARAMETERS)
    assert list(days.index.strftime("%Y-%m-%d")) == ["2013-01-01", "2013-01-02"]
    np.testing.assert_array_equal(days["min_c"], [-7.0, 1.0])
    np.testing.assert_array_equal(days["missing_h"], [0, 0])


def test_days_of_the_clock_change_have_23_and_25_hours():
    whole = pd.date_range("2013-03-10T05:00Z", "2013-03-11T04:00Z", freq="h", inclusive="right")  # New York, spring
    days = daily_extremes(pd.Series(1.0, index=whole), "America/New_York", PARAMETERS)
    assert len(whole) == 23
    np.testing.assert_array_equal(days["missing_h"], [0])
    whole = pd.date_range("2013-11-03T04:00Z", "2013-11-04T05:00Z", freq="h", inclusive="right")  # and autumn
    days = daily_extremes(pd.Series(1.0, index=whole), "America/New_York", PARAMETERS)
    assert len(whole) == 25
    np.testing.assert_array_equal(days["missing_h"], [0])


def test_a_day_with_more_than_two_hours_missing_has_no_extremes():
    two, three = [1.0] * 22 + [np.nan] * 2, [1.0] * 21 + [np.nan] * 3
    days = daily_extremes(series("2013-01-01T01:00", two + three + [2.0] * 24), "UTC", PARAMETERS)
    np.testing.assert_array_equal(days["missing_h"], [2, 3, 0])
    np.testing.assert_array_equal(days["min_c"], [1.0, np.nan, 2.0])
    np.testing.assert_array_equal(days["max_c"], [1.0, np.nan, 2.0])


def test_hours_absent_from_the_table_are_missing_too():
    hours = series("2013-01-01T01:00", [1.0] * 72).drop(pd.date_range("2013-01-02T01:00Z", periods=24, freq="h"))
    days = daily_extremes(hours, "UTC", PARAMETERS)
    np.testing.assert_array_equal(days["missing_h"], [0, 24, 0])
    np.testing.assert_array_equal(np.isnan(days["min_c"]), [False, True, False])


def test_no_hours_are_no_days():
    days = daily_extremes(series("2013-01-01T01:00", []), "America/New_York", PARAMETERS)
    assert list(days.columns) == ["min_c", "max_c", "missing_h"]
    assert days.empty
