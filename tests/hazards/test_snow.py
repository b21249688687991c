"""Phase, density and slope against published coefficients, tables and other programs."""

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hazards.snow import slope_factor, snow_fraction, snow_fraction_wet_bulb
from monitor.hazards.snow_density import new_snow_density, settled_density

# Jennings et al. 2018, bivariate logistic regression, worked out from the coefficients; T [degC], RH [%], share [1]
JENNINGS_2018 = [(0, 100, 0.73885), (0, 50, 0.99609), (1, 80, 0.80690), (2, 100, 0.14430), (3, 50, 0.78751)]

# Wang et al. 2019, Eq. 1, worked out from the coefficients; wet bulb [degC], share [1]
WANG_2019 = [(-2, 0.99642), (-1, 0.97413), (0, 0.83596), (0.8142, 0.5), (1, 0.40817), (2, 0.08537)]

# Hedstrom & Pomeroy 1998 up to 0 degC; above from memory of Pomeroy & Gray 1995; T [degC], density [kg/m3]
HEDSTROM_POMEROY_1998 = [(-10, 69.00), (-5, 75.36), (-2, 91.60), (0, 119.17), (2, 159.17), (10, 200.0)]

# ASCE 7-16, slippery unobstructed, unheated (C_t 1.2): (70 - slope) / 55; slope [deg], C_s [1]
ASCE_7_16_UNHEATED = [(0, 1.0), (15, 1.0), (25, 0.8182), (40, 0.5455), (60, 0.1818), (70, 0.0), (90, 0.0)]


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "share"), JENNINGS_2018)
def test_reproduces_jennings_2018(temperature_c, humidity_pct, share):
    np.testing.assert_allclose(snow_fraction(temperature_c, humidity_pct), share, atol=1e-4)


@pytest.mark.parametrize(("humidity_pct", "half_point_c"), [(100, 0.738), (80, 2.014), (50, 3.929)])
def test_half_of_it_is_snow_where_jennings_2018_has_the_half_point(humidity_pct, half_point_c):
    # T50 = (10.04 - 0.09 RH) / 1.41
    np.testing.assert_allclose(snow_fraction(half_point_c, humidity_pct), 0.5, atol=2e-4)


@pytest.mark.parametrize(("bulb_c", "share"), WANG_2019)
def test_reproduces_wang_2019(bulb_c, share):
    np.testing.assert_allclose(snow_fraction_wet_bulb(bulb_c), share, atol=2e-5)


# Snow share on land that xclim 0.62.0 gives for Dai 2008 (annual), which knows no humidity; T [degC], share [1]
DAI_2008 = [(-1, 0.9346), (0.5, 0.7083), (1, 0.5505), (2, 0.2338), (3, 0.0749), (4, 0.0267)]


@pytest.mark.parametrize(("temperature_c", "share"), DAI_2008[1:])
def test_moist_air_brackets_the_snow_share_of_dai_2008(temperature_c, share):
    # Dai's curve is an average over the humidities in which precipitation falls
    assert snow_fraction(temperature_c, 100) < share < snow_fraction(temperature_c, 85)


@pytest.mark.reference
def test_moist_air_brackets_the_snow_share_of_xclim_run_here(require):
    xclim, xarray = require("xclim.indices"), require("xarray")
    temperature_c = np.array([row[0] for row in DAI_2008])
    times = np.array("2001-01-01", dtype="datetime64[ns]") + np.arange(len(DAI_2008)) * np.timedelta64(1, "D")

    def daily(values, units, standard_name):
        attributes = {"units": units, "standard_name": standard_name}
        return xarray.DataArray(values, coords={"time": times}, dims="time", attrs=attributes)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        snowfall = xclim.snowfall_approximation(
            daily(np.ones(len(times)), "mm/d", "precipitation_flux"),
            daily(temperature_c, "degC", "air_temperature"),
            method="dai_annual",
        )
        share = np.asarray(snowfall / snowfall.max()) * DAI_2008[0][1]
    np.testing.assert_allclose(share, [row[1] for row in DAI_2008], atol=1e-4)
    assert np.all(snow_fraction(temperature_c[1:], 100) < share[1:])
    assert np.all(share[1:] < snow_fraction(temperature_c[1:], 85))


@given(st.floats(-30, 30), st.floats(0, 10), st.floats(0, 100), st.floats(0, 100))
def test_warmer_or_moister_air_never_brings_more_snow(temperature_c, warmer_k, a, b):
    assert snow_fraction(temperature_c + warmer_k, a) <= snow_fraction(temperature_c, a)
    assert snow_fraction(temperature_c, max(a, b)) <= snow_fraction(temperature_c, min(a, b))
    assert snow_fraction_wet_bulb(temperature_c + warmer_k) <= snow_fraction_wet_bulb(temperature_c)


@pytest.mark.parametrize(("temperature_c", "density_kgm3"), HEDSTROM_POMEROY_1998)
def test_reproduces_hedstrom_and_pomeroy_1998(temperature_c, density_kgm3):
    np.testing.assert_allclose(new_snow_density(temperature_c), density_kgm3, atol=0.01)


# limit + (100 - limit) exp(-24/200): 300 - 200 * 0.886920 = 122.616; 500 - 400 * 0.886920 = 145.232
@pytest.mark.parametrize(("temperature_c", "density_kgm3"), [(-5, 122.616), (1, 145.232)])
def test_a_day_of_settling_follows_the_hand_calculation(temperature_c, density_kgm3):
    np.testing.assert_allclose(settled_density(100, temperature_c, hours=24), density_kgm3, atol=1e-3)


def test_settling_hour_by_hour_comes_to_the_same_as_in_one_step():
    density = np.array(100.0)
    for _ in range(24):
        density = settled_density(density, -5.0)
    np.testing.assert_allclose(density, settled_density(100, -5.0, hours=24))


@given(st.floats(50, 900), st.floats(-30, 10), st.floats(0, 1000))
def test_snow_never_loosens_as_it_lies(density_kgm3, temperature_c, hours):
    assert settled_density(density_kgm3, temperature_c, hours) >= density_kgm3


@pytest.mark.parametrize(("slope_deg", "factor"), ASCE_7_16_UNHEATED)
def test_slope_factor_is_that_of_asce_7_16_for_a_slippery_unheated_surface(slope_deg, factor):
    np.testing.assert_allclose(slope_factor(slope_deg), factor, atol=1e-4)


@pytest.mark.parametrize(
    ("slope_deg", "full_up_to_deg", "factor"),
    [
        (18.435, 5, 0.7933),  # 4:12, C_t 1.0: test of a public ASCE 7-16 implementation
        (26.565, 10, 0.7239),  # 6:12, C_t 1.1: worked in an engineers' forum, which rounds to 0.72
        (45, 45, 1.0),  # the rest: obstructed, C_t 1.2, (70 - slope) / 25
        (50, 45, 0.8),
        (60, 45, 0.4),
    ],
)
def test_slope_factor_has_the_other_surfaces_of_asce_7_16(slope_deg, full_up_to_deg, factor):
    np.testing.assert_allclose(slope_factor(slope_deg, full_up_to_deg), factor, atol=1e-4)


@given(st.floats(0, 90), st.floats(0, 90))
def test_a_steeper_slope_never_keeps_more(a, b):
    assert slope_factor(max(a, b)) <= slope_factor(min(a, b))


@pytest.mark.parametrize("slope_deg", [-1, 95])
def test_a_slope_that_cannot_be_is_refused(slope_deg):
    with pytest.raises(ValueError, match="slope_deg must lie in 0 to 90"):
        slope_factor(slope_deg)


def test_missing_stays_missing():
    assert np.isnan(snow_fraction([np.nan, 0.0], [90.0, np.nan])).all()
    assert np.isnan(snow_fraction_wet_bulb(np.nan))
    assert np.isnan(new_snow_density(np.nan))
    assert np.isnan(slope_factor(np.nan))
