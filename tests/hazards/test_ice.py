"""Freezing rain by code and amount, the ice it leaves, and Jones's simple model by hand."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hazards.ice import FreezingRain, freezing_rain, ice_lies, radial_ice_mm


@pytest.mark.parametrize(
    ("code", "falls"),
    [
        ("-FZRA BR", True),
        ("FZDZ", True),
        ("+FZRAPL", True),
        ("-FZRASN", True),
        ("FZFG", False),
        ("-RA BR", False),
        ("", False),
    ],
)
def test_freezing_rain_and_drizzle_fall_where_they_are_coded_and_freezing_fog_does_not(hours_of, code, falls):
    rain = freezing_rain(hours_of(present_weather=[code], precipitation_mm=[1.5]))
    assert rain.falls.tolist() == [falls]
    assert rain.assessed.tolist() == [True]
    np.testing.assert_array_equal(rain.amount_mm, [1.5 if falls else 0.0])


def test_a_reported_amount_goes_before_all_that_fell(hours_of):
    rain = freezing_rain(
        hours_of(present_weather=["-FZRA", "-FZRA"], precipitation_mm=[1.5, 1.5], freezing_rain_mm=[0.7, np.nan])
    )
    np.testing.assert_array_equal(rain.amount_mm, [0.7, 1.5])


def test_without_a_source_that_would_tell_no_hour_is_assessed_and_none_is_free_of_ice(hours_of):
    rain = freezing_rain(hours_of(air_temperature_c=[-1.0, -1.0], precipitation_mm=[2.0, 0.0]))
    assert not rain.assessed.any()
    assert not rain.falls.any()
    assert np.isnan(rain.amount_mm).all()


def test_an_hour_without_codes_is_not_assessed(hours_of):
    rain = freezing_rain(hours_of(present_weather=["RA", np.nan], precipitation_mm=[2.0, 2.0]))
    assert rain.assessed.tolist() == [True, False]
    np.testing.assert_array_equal(rain.amount_mm, [0.0, np.nan])


def test_a_station_whose_sensor_for_ice_is_out_assesses_nothing_but_what_it_codes(hours_of):
    # Such a report (remark FZRANO) has codes and no amount; a person may still code what he sees
    rain = freezing_rain(
        hours_of(present_weather=["RA", "FZRA"], precipitation_mm=[2.0, 1.0], freezing_rain_mm=[np.nan, np.nan])
    )
    assert rain.assessed.tolist() == [False, True]
    np.testing.assert_array_equal(rain.amount_mm, [np.nan, 1.0])


def test_freezing_rain_of_unknown_amount_falls_all_the_same(hours_of):
    rain = freezing_rain(hours_of(present_weather=["FZRA"], precipitation_mm=[np.nan]))
    assert rain.falls.all()
    assert rain.assessed.all()
    assert np.isnan(rain.amount_mm).all()


def test_an_amount_alone_is_enough(hours_of):
    rain = freezing_rain(hours_of(freezing_rain_mm=[0.0, 1.2, np.nan]))
    assert rain.falls.tolist() == [False, True, False]
    assert rain.assessed.tolist() == [True, True, False]


def test_codes_of_a_merged_table_are_read_as_text(hours_of):
    hours = hours_of(precipitation_mm=[1.0, 1.0])
    hours["present_weather"] = pd.Series(["-FZRA BR", np.nan], index=hours.index, dtype="str")
    np.testing.assert_array_equal(freezing_rain(hours).amount_mm, [1.0, np.nan])


# --- ice that lies ---------------------------------------------------------------------------------------------------


def falls_in(*hours, count=8):
    falls = np.isin(np.arange(count), hours)
    return FreezingRain(np.where(falls, 1.0, 0.0), falls, np.ones(count, dtype=bool))


def test_ice_lies_from_its_fall_to_the_first_hour_above_freezing():
    lies = ice_lies(falls_in(2), [-1, -1, -1, -2, 0, 0.1, -3, -3])
    np.testing.assert_array_equal(lies, [0, 0, 1, 1, 1, 0, 0, 0])


def test_ice_that_falls_into_air_a_little_above_freezing_lies_until_it_stops():
    lies = ice_lies(falls_in(1, 2, 3), [0.5, 0.4, 0.3, 0.2, 0.2, -1, -1, -1])
    np.testing.assert_array_equal(lies, [0, 1, 1, 1, 0, 0, 0, 0])


def test_an_unknown_temperature_takes_no_ice():
    lies = ice_lies(falls_in(0), [-1, np.nan, np.nan, -1, 1, np.nan, -1, -1])
    np.testing.assert_array_equal(lies, [1, 1, 1, 1, 0, 0, 0, 0])


def test_no_hours_carry_no_ice():
    assert len(ice_lies(falls_in(count=0), [])) == 0


# --- Jones 1998, simple model ----------------------------------------------------------------------------------------


# 1/(0.9 pi) sqrt(P2 + (3.6 V W)2), W = 0.067 P^0.846: P 2, V 5: W 0.12043, 3.6 * 5 * W = 2.16774, root 2.94946;
# P 1, V 0: 1/2.82743; P 5, V 10: W 0.26147, 9.41292, root 10.65831
@pytest.mark.parametrize(
    ("rain_mm", "wind_ms", "ice_mm"), [(2, 5, 1.04316), (1, 0, 0.35368), (5, 10, 3.76954), (0, 20, 0.0)]
)
def test_ice_round_a_wire_follows_the_hand_calculation(rain_mm, wind_ms, ice_mm):
    np.testing.assert_allclose(radial_ice_mm(rain_mm, wind_ms), ice_mm, atol=1e-4)


@given(st.floats(0, 20), st.floats(0, 30), st.floats(0, 10), st.floats(0, 10))
def test_more_rain_or_wind_never_makes_less_ice(rain_mm, wind_ms, more_mm, more_ms):
    assert radial_ice_mm(rain_mm + more_mm, wind_ms + more_ms) >= radial_ice_mm(rain_mm, wind_ms)
    assert radial_ice_mm(rain_mm, 0.0) == pytest.approx(rain_mm / (0.9 * math.pi))


def test_ice_is_unknown_where_rain_or_wind_is():
    assert np.isnan(radial_ice_mm([np.nan, 1.0], [1.0, np.nan])).all()
