"""Humid air against the published coefficients and three other programs."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hazards.air import (
    dew_point_c,
    relative_humidity_pct,
    vapour_pressure_over_ice_pa,
    vapour_pressure_over_water_pa,
    wet_bulb_c,
)

# Alduchov & Eskridge 1996, worked out from their coefficients with numpy; t [degC], over water [Pa], over ice [Pa]
AERK_1996 = [(-10, 286.773, 259.672), (0, 610.940, 611.210), (10, 1226.021, np.nan), (20, 2333.441, np.nan)]

# t [degC], RH [%], wet bulb by psychrolib 2.5.0 and by metpy 1.7.1 [degC]; psychrolib takes RH over ice below 0 degC,
# so the table stays above
WET_BULBS = [
    (20, 50, 13.783, 13.665),
    (5, 40, 0.577, 0.523),
    (2, 95, 1.694, 1.689),
    (1, 90, 0.411, 0.407),
    (2, 60, -0.678, -0.544),
    (0, 100, 0.000, -0.004),
]


@pytest.mark.parametrize(("temperature_c", "over_water_pa", "over_ice_pa"), AERK_1996)
def test_saturation_pressure_is_that_of_alduchov_and_eskridge(temperature_c, over_water_pa, over_ice_pa):
    np.testing.assert_allclose(vapour_pressure_over_water_pa(temperature_c), over_water_pa, atol=1e-3)
    if temperature_c <= 0:
        np.testing.assert_allclose(vapour_pressure_over_ice_pa(temperature_c), over_ice_pa, atol=1e-3)


def test_saturation_pressure_agrees_with_psychrolib(require):
    psychrolib = require("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temperature_c in (5.0, 10.0, 20.0, 30.0):
        expected = psychrolib.GetSatVapPres(temperature_c)
        np.testing.assert_allclose(vapour_pressure_over_water_pa(temperature_c), expected, rtol=0.003)
    for temperature_c in (-20.0, -10.0, -1.0):  # psychrolib goes over to ice below freezing
        expected = psychrolib.GetSatVapPres(temperature_c)
        np.testing.assert_allclose(vapour_pressure_over_ice_pa(temperature_c), expected, rtol=0.003)


@pytest.mark.reference
def test_saturation_pressure_agrees_with_coolprop(require):
    coolprop = require("CoolProp.CoolProp")
    for temperature_c in (1.0, 10.0, 20.0, 30.0):
        expected = coolprop.PropsSI("P", "T", temperature_c + 273.15, "Q", 1, "Water")
        np.testing.assert_allclose(vapour_pressure_over_water_pa(temperature_c), expected, rtol=0.003)


@pytest.mark.reference
def test_saturation_pressure_and_dew_point_agree_with_metpy(require):
    metpy, units = require("metpy.calc"), require("metpy.units").units
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for temperature_c in (-5.0, 10.0, 20.0):
            air = units.Quantity(temperature_c, "degC")
            expected = metpy.saturation_vapor_pressure(air).to("Pa").magnitude
            np.testing.assert_allclose(vapour_pressure_over_water_pa(temperature_c), expected, rtol=0.003)
            expected = metpy.dewpoint_from_relative_humidity(air, units.Quantity(0.6, "")).to("degC").magnitude
            np.testing.assert_allclose(dew_point_c(temperature_c, 60), expected, atol=0.02)


# The inverse of the published formula, by hand: 20 degC, 50 %: x = ln(1166.7205/610.94) = 0.646975,
# 243.04 * 0.646975 / (17.625 - 0.646975) = 9.2614 (9.2611 unrounded)
@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "expected_c"), [(20, 50, 9.2611), (10, 80, 6.7079), (0, 70, -4.8208)]
)
def test_dew_point_is_the_inverse_over_water(temperature_c, humidity_pct, expected_c):
    np.testing.assert_allclose(dew_point_c(temperature_c, humidity_pct), expected_c, atol=1e-4)


def test_dew_point_agrees_with_psychrolib_above_freezing(require):
    psychrolib = require("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temperature_c, humidity_pct in [(20.0, 50.0), (10.0, 80.0), (25.0, 95.0)]:
        expected = psychrolib.GetTDewPointFromRelHum(temperature_c, humidity_pct / 100)
        np.testing.assert_allclose(dew_point_c(temperature_c, humidity_pct), expected, atol=0.02)


@given(st.floats(-40, 45), st.floats(1, 100))
def test_humidity_and_dew_point_undo_each_other(temperature_c, humidity_pct):
    back = relative_humidity_pct(temperature_c, dew_point_c(temperature_c, humidity_pct))
    np.testing.assert_allclose(back, humidity_pct, rtol=1e-9)


def test_air_without_vapour_has_no_dew_point():
    assert np.isnan(dew_point_c(10.0, 0.0))


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "psychrolib_c", "metpy_c"), WET_BULBS)
def test_wet_bulb_is_within_a_tenth_of_psychrolib_and_two_of_metpy(temperature_c, humidity_pct, psychrolib_c, metpy_c):
    wet_bulb = wet_bulb_c(temperature_c, humidity_pct)
    np.testing.assert_allclose(wet_bulb, psychrolib_c, atol=0.1)
    np.testing.assert_allclose(wet_bulb, metpy_c, atol=0.2)


def test_wet_bulb_agrees_with_psychrolib_run_here_from_freezing_to_ten_degrees(require):
    psychrolib = require("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    for temperature_c in np.arange(0.5, 10.1, 0.25):
        for humidity_pct in (50.0, 60.0, 70.0, 80.0, 90.0, 100.0):
            expected = psychrolib.GetTWetBulbFromRelHum(temperature_c, humidity_pct / 100, 101325.0)
            # 0.1 K but where a bulb at freezing has two answers, wet and iced over
            tolerance_k = 0.15 if abs(expected) < 0.2 else 0.1
            np.testing.assert_allclose(wet_bulb_c(temperature_c, humidity_pct), expected, atol=tolerance_k)


@pytest.mark.reference
def test_wet_bulb_agrees_with_metpy_run_here(require):
    metpy, units = require("metpy.calc"), require("metpy.units").units
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for temperature_c, humidity_pct, _, _ in WET_BULBS:
            air = units.Quantity(float(temperature_c), "degC")
            dew = metpy.dewpoint_from_relative_humidity(air, units.Quantity(humidity_pct / 100, ""))
            expected = metpy.wet_bulb_temperature(units.Quantity(1013.25, "hPa"), air, dew).to("degC").magnitude
            np.testing.assert_allclose(wet_bulb_c(temperature_c, humidity_pct), expected, atol=0.2)


def test_wet_bulb_is_warmer_than_stulls_closed_formula_near_freezing(require):
    # thermofeel 2.3.0 has Stull 2011, which reads 0.1 to 0.7 K too cold there
    thermofeel = require("thermofeel")
    for temperature_c, humidity_pct in [(5.0, 40.0), (2.0, 95.0), (1.0, 90.0), (2.0, 60.0), (0.0, 100.0)]:
        stull_c = float(np.asarray(thermofeel.calculate_wbt(temperature_c + 273.15, humidity_pct))) - 273.15
        assert 0.1 < wet_bulb_c(temperature_c, humidity_pct) - stull_c < 0.7


def test_wet_bulb_is_not_the_dew_point():
    # A public land model iterates to the dew point by mistake: -4.9 degC at 2 degC and 60 %
    assert wet_bulb_c(2, 60) - dew_point_c(2, 60) > 3


@given(st.floats(-40, 50), st.floats(1, 100))
def test_wet_bulb_solves_the_psychrometer_equation(temperature_c, humidity_pct):
    bulb = float(wet_bulb_c(temperature_c, humidity_pct))
    vapour_pa = humidity_pct / 100 * vapour_pressure_over_water_pa(temperature_c)
    if bulb < 0:
        residual = vapour_pressure_over_ice_pa(bulb) - 0.000586 * 101325 * (temperature_c - bulb) - vapour_pa
    else:
        residual = vapour_pressure_over_water_pa(bulb) - 0.000665 * 101325 * (temperature_c - bulb) - vapour_pa
    assert abs(residual) < 1e-6


@given(st.floats(0, 50), st.floats(1, 100))
def test_wet_bulb_above_freezing_lies_between_dew_point_and_air(temperature_c, humidity_pct):
    bulb = wet_bulb_c(temperature_c, humidity_pct)
    # 3 mK: at 0 degC the published curves over water and ice are 0.27 Pa apart
    assert dew_point_c(temperature_c, humidity_pct) - 0.003 <= bulb <= temperature_c + 1e-9


def test_missing_temperature_or_humidity_stays_missing():
    assert np.isnan(wet_bulb_c([np.nan, 5.0], [80.0, np.nan])).all()
    assert np.isnan(dew_point_c([np.nan, 5.0], [80.0, np.nan])).all()
