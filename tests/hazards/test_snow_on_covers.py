"""Snow and water on covers: hand calculations, two other models, and laws that hold in any weather."""

import math
import warnings
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.hazards.snow import SnowForcing, SnowParameters, StoreReset, slope_factor, snow_on_covers

PARAMETERS = SnowParameters()


def forcing(temperature_c, snow_mm=0.0, rain_mm=0.0, solar_wm2=0.0):
    """Hours as long as the temperature; single numbers hold throughout."""
    hours = len(temperature_c)

    def full(value):
        return np.broadcast_to(np.asarray(value, dtype=float), hours).copy()

    return SnowForcing(full(snow_mm), full(rain_mm), full(temperature_c), full(solar_wm2), np.zeros(hours, dtype=bool))


# --- by hand ---------------------------------------------------------------------------------------------------------


def test_ten_hours_of_the_bucket_follow_the_hand_calculation():
    # Slope 25: C_s = 45/55, slide share 0.197 sin 25 = 0.083256. Precipitation 2, 3, 2, 1 mm, snow share 1, 1, 1, 0.5.
    # Hour 4: ice 7.5 * 45/55 - 0.17 * 0.5 - 0.0125 * 0.5 * 0.5 = 6.04824; holds 8 % of it, 0.48386; drains 0.10427.
    # Hours 5 and 6 melt, then slide; hours 7 and 10 slide in the cold sun; hours 7 to 10 refreeze.
    weather = forcing(
        temperature_c=[-2, -2, -1, 0.5, 1.5, 2, -1, -3, -3, -1],
        snow_mm=[2, 3, 2, 0.5, 0, 0, 0, 0, 0, 0],
        rain_mm=[0, 0, 0, 0.5, 0, 0, 0, 0, 0, 0],
        solar_wm2=[0, 0, 0, 0, 50, 100, 100, 0, 0, 200],
    )
    snow = snow_on_covers(weather, [25.0], PARAMETERS)
    np.testing.assert_allclose(snow.ice_mm[[3, 5, 9], 0], [6.04824, 4.55706, 3.89153], atol=1e-5)
    np.testing.assert_allclose(snow.liquid_mm[[3, 5, 9], 0], [0.48386, 0.36456, 0.24470], atol=1e-5)
    np.testing.assert_allclose(snow.load_kpa[9, 0], 0.040563, atol=1e-6)
    np.testing.assert_allclose(snow.drained_mm, 0.74687, atol=1e-5)
    np.testing.assert_allclose(snow.slid_mm, 1.75327, atol=1e-5)
    np.testing.assert_allclose(snow.deposited_mm + snow.rain_mm, 7.5 * 45 / 55 + 0.5, atol=1e-12)
    stored = snow.ice_mm[9] + snow.liquid_mm[9]
    np.testing.assert_allclose(
        snow.deposited_mm + snow.rain_mm - stored - snow.drained_mm - snow.slid_mm, 0, atol=1e-12
    )


@pytest.mark.parametrize(
    ("water_mm", "density_kgm3", "load_kpa", "depth_m"),
    [
        (25.4, 100, 0.24909, 0.254),  # one inch of water: 5.2023 psf, 5.2 in extension leaflets
        (30.0, 100, 0.29420, 0.30),  # 6.1445 psf
        (90.0, 300, 0.88260, 0.30),
    ],
)
def test_load_is_the_weight_of_the_water(water_mm, density_kgm3, load_kpa, depth_m):
    measured = StoreReset(0, 0, snow_water_mm=water_mm, density_kgm3=density_kgm3)
    snow = snow_on_covers(forcing([-1.0]), [0.0], PARAMETERS, [measured])
    np.testing.assert_allclose(snow.load_kpa, load_kpa, atol=1e-5)
    np.testing.assert_allclose(snow.depth_m, depth_m, rtol=0.011)  # an hour of settling makes it a little less
    assert snow.depth_m <= depth_m


def test_one_inch_of_water_weighs_what_extension_leaflets_say():
    snow = snow_on_covers(forcing([-1.0]), [0.0], PARAMETERS, [StoreReset(0, 0, snow_water_mm=25.4)])
    np.testing.assert_allclose(snow.load_kpa * 20.8854, 5.2, atol=0.01)  # psf


def test_new_snow_lies_on_old_snow_and_their_depths_add():
    # 5 mm at 0 degC, 119.17 kg/m3, then 10 mm at -10 degC, 69.00 kg/m3; each hour settles towards 500 or 300 in 200 h
    snow = snow_on_covers(forcing([0.0, -10.0], snow_mm=[5.0, 10.0]), [0.0], PARAMETERS)
    after_one = 500 - (500 - 119.17) * math.exp(-1 / 200)
    np.testing.assert_allclose(snow.density_kgm3[0], after_one, atol=1e-9)
    mixed = 15 / (5 / after_one + 10 / (67.92 + 51.25 * math.exp(-10 / 2.59)))
    np.testing.assert_allclose(snow.density_kgm3[1], 300 - (300 - mixed) * math.exp(-1 / 200), atol=1e-9)


def test_rain_makes_snow_heavier_but_not_deeper():
    lying = StoreReset(0, 0, snow_water_mm=50.0, density_kgm3=300)
    dry = snow_on_covers(forcing([0.0] * 3), [0.0], PARAMETERS, [lying])
    wet = snow_on_covers(forcing([0.0] * 3, rain_mm=1.0), [0.0], PARAMETERS, [lying])
    assert wet.load_kpa[-1] > dry.load_kpa[-1]
    np.testing.assert_array_equal(wet.depth_m, dry.depth_m)


def test_the_heat_of_rain_melts_what_the_heat_of_water_can():
    # 20 mm at 5 degC: 4186 J/kg/K * 20 * 5 / 334 000 J/kg = 1.2533 mm
    no_degree_melt = replace(PARAMETERS, melt_factor_mm_per_k_h=0.0)
    lying = StoreReset(0, 0, snow_water_mm=100.0)
    snow = snow_on_covers(forcing([5.0], rain_mm=20.0), [0.0], no_degree_melt, [lying])
    np.testing.assert_allclose(100 - snow.ice_mm, 4186 * 20 * 5 / 334_000, rtol=0.005)


def test_rain_on_snow_melts_as_much_as_snow_17_within_half_as_much_again():
    # SNOW-17 (Anderson 1973), rain on snow at sea level: 6 h, 5 degC, 20 mm, wind function 0.04. It gives 4.36 mm
    temperature_c, rain_mm, step_h, pressure_mb, wind_function = 5.0, 20.0, 6.0, 1012.414, 0.04
    saturated_mb = 2.7489e8 * math.exp(-4278.63 / (temperature_c + 242.792))
    vapour = 0.9 * saturated_mb - 6.11 + 0.00057 * pressure_mb * temperature_c
    snow_17 = 6.12e-10 * step_h * ((temperature_c + 273) ** 4 - 273**4) + 0.0125 * rain_mm * temperature_c
    snow_17 += 8.5 * wind_function * step_h / 6 * vapour
    np.testing.assert_allclose(snow_17, 4.3557, atol=1e-3)
    lying = StoreReset(0, 0, snow_water_mm=100.0)
    snow = snow_on_covers(forcing([temperature_c] * 6, rain_mm=rain_mm / 6), [0.0], PARAMETERS, [lying])
    ours = 100 - float(snow.ice_mm[-1, 0])
    np.testing.assert_allclose(ours, 5.10 + 1.25, atol=1e-9)  # 0.17 * 5 * 6 + 0.0125 * 20 * 5
    assert snow_17 < ours < 1.5 * snow_17


@pytest.mark.parametrize(("slope_deg", "holds_mm"), [(0, 25.0), (5, 14.583), (10, 4.167), (12, 0.0), (30, 0.0)])
def test_a_pocket_holds_less_the_steeper_it_lies(slope_deg, holds_mm):
    # 25 mm * (1 - slope/12); what is seen is the end of the hour, after a loss of 0.02 mm
    snow = snow_on_covers(forcing([5.0] * 3, rain_mm=20.0), [float(slope_deg)], PARAMETERS)
    np.testing.assert_allclose(snow.pocket_mm[-1], max(holds_mm - 0.02, 0), atol=1e-3)


def test_a_pocket_collects_four_times_the_rain_and_loses_a_little():
    # 1 mm of rain: 4 - 0.02 = 3.98 mm; a warm hour -0.02; two cold ones -0.005 each; an unknown one nothing
    snow = snow_on_covers(forcing([3, 3, -2, -2, np.nan], rain_mm=[1, 0, 0, 0, 0]), [0.0], PARAMETERS)
    np.testing.assert_allclose(snow.pocket_mm[:, 0], [3.98, 3.96, 3.955, 3.95, 3.95], atol=1e-12)


def test_nothing_melts_freezes_or_slides_at_unknown_temperature():
    lying = StoreReset(0, 0, snow_water_mm=20.0)
    weather = forcing([1.0, np.nan, np.nan], solar_wm2=[0, 800, 800])
    snow = snow_on_covers(weather, [45.0], PARAMETERS, [lying])
    np.testing.assert_array_equal(snow.ice_mm[1:], [snow.ice_mm[0]] * 2)
    np.testing.assert_array_equal(snow.liquid_mm[1:], [snow.liquid_mm[0]] * 2)


def test_snowfall_of_the_weather_service_lies_at_unknown_temperature_too():
    snow = snow_on_covers(forcing([np.nan], snow_mm=10.0), [0.0], PARAMETERS)
    np.testing.assert_array_equal(snow.ice_mm, [[10.0]])
    assert 100 < snow.density_kgm3[0, 0] < 102  # 100 kg/m3 where nothing else is known (xclim), settled for an hour


# --- another program -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tilt_deg", [10, 25, 45])
def test_snow_slides_in_the_hours_and_by_the_share_of_marion_2013_in_pvlib(require, tilt_deg):
    # Marion et al. 2013 as pvlib 0.16.1 has it. There every hour takes the same share of the whole length, in our store
    # of what still lies, so the first slide is the same and the share of what lies is that share in every hour.
    pvlib_snow = require("pvlib.snow")
    index = pd.date_range("2013-01-01", periods=8, freq="h")
    temperature_c = [-3.0, -3, -2, -4.9, -5.1, -3, -6, 1]
    solar_wm2 = [0.0, 0, 100, 400, 400, 400, 400, 0]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pvlib 0.16.1 under pandas 3.1
        coverage = pvlib_snow.coverage_nrel(
            pd.Series([2.0, 0, 0, 0, 0, 0, 0, 0], index=index),
            pd.Series(solar_wm2, index=index),
            pd.Series(temperature_c, index=index),
            tilt_deg,
        ).to_numpy()
    only_sliding = replace(PARAMETERS, slide_start_deg=5.0, melt_factor_mm_per_k_h=0.0)
    weather = forcing(temperature_c, snow_mm=[20, 0, 0, 0, 0, 0, 0, 0], solar_wm2=solar_wm2)
    ice = snow_on_covers(weather, [float(tilt_deg)], only_sliding).ice_mm[:, 0]
    np.testing.assert_allclose(1 - ice[1:] / ice[:-1], coverage[:-1] - coverage[1:], atol=1e-12)
    assert np.flatnonzero(np.diff(coverage)).tolist() == [2, 4, 6]  # from hour 3 on, by T > sun / -80


def test_a_trace_of_snow_in_warm_rain_does_not_hold_back_what_lies():
    lying = StoreReset(0, 0, snow_water_mm=20.0)
    for snow_mm, slides in [(0.1, True), (0.11, False)]:
        snow = snow_on_covers(forcing([4.0], snow_mm=snow_mm, rain_mm=3.0), [45.0], PARAMETERS, [lying])
        assert bool(snow.slid_mm[0] > 0) is slides


def test_nothing_slides_while_it_snows_nor_on_a_slope_up_to_the_start():
    weather = forcing([-1.0, -1.0], snow_mm=[10.0, 1.0], solar_wm2=500.0)
    snow = snow_on_covers(weather, [15.0, 45.0], PARAMETERS)
    np.testing.assert_array_equal(snow.slid_mm, [0.0, 0.0])
    snow = snow_on_covers(forcing([-1.0, -1.0], snow_mm=[10.0, 0.0], solar_wm2=500.0), [15.0, 45.0], PARAMETERS)
    assert snow.slid_mm[0] == 0
    assert snow.slid_mm[1] > 0


# --- laws ------------------------------------------------------------------------------------------------------------


@st.composite
def weathers(draw, warmest_c=10.0):
    hours = draw(st.integers(1, 30))

    def series(elements):
        return draw(arrays(np.float64, hours, elements=elements))

    falls = st.one_of(st.just(0.0), st.floats(0.01, 15))
    return SnowForcing(
        series(falls),
        series(falls),
        series(st.one_of(st.floats(-15, warmest_c), st.just(np.nan))),
        series(st.one_of(st.just(0.0), st.floats(0, 900))),
        np.zeros(hours, dtype=bool),
    )


slopes = st.lists(st.floats(0, 90), min_size=1, max_size=5)


@st.composite
def weathers_and_resets(draw):
    weather = draw(weathers())
    slope_deg = draw(slopes)
    amount = st.one_of(st.none(), st.just(0.0), st.floats(0.01, 60))
    one = st.builds(
        StoreReset,
        st.integers(0, len(weather.rain_mm) - 1),
        st.integers(0, len(slope_deg) - 1),
        snow_water_mm=amount,
        pocket_mm=amount,
        density_kgm3=st.one_of(st.none(), st.floats(50, 500)),
    )
    return weather, slope_deg, draw(st.lists(one, max_size=4))


@given(weathers_and_resets())
def test_every_millimetre_is_stored_or_has_drained_slid_or_been_taken(case):
    weather, slope_deg, resets = case
    snow = snow_on_covers(weather, slope_deg, PARAMETERS, resets)
    came = snow.deposited_mm + snow.rain_mm
    went = snow.ice_mm[-1] + snow.liquid_mm[-1] + snow.drained_mm + snow.slid_mm + snow.reset_mm
    np.testing.assert_allclose(came, went, atol=1e-9)


@given(weathers_and_resets())
def test_no_store_is_ever_negative_and_snow_holds_no_more_water_than_it_can(case):
    weather, slope_deg, resets = case
    snow = snow_on_covers(weather, slope_deg, PARAMETERS, resets)
    for name in ("ice_mm", "liquid_mm", "pocket_mm", "depth_m", "load_kpa"):
        assert np.all(getattr(snow, name) >= 0), name
    assert np.all(snow.liquid_mm <= PARAMETERS.liquid_holding_share * snow.ice_mm + 1e-12)
    assert np.all((snow.density_kgm3 >= 49.9) & (snow.density_kgm3 <= 500.1) | (snow.ice_mm == 0))


@given(weathers(), st.floats(0, 90), st.floats(0, 90))
def test_a_flatter_cover_never_carries_less(weather, a, b):
    snow = snow_on_covers(weather, [min(a, b), max(a, b)], PARAMETERS)
    assert np.all(snow.load_kpa[:, 0] >= snow.load_kpa[:, 1] - 1e-12)
    assert np.all(snow.pocket_mm[:, 0] >= snow.pocket_mm[:, 1] - 1e-9)


@given(weathers(warmest_c=-0.01), slopes)
def test_in_a_storm_without_melt_or_sliding_the_peak_is_the_slope_factor_of_the_flat_one(weather, slope_deg):
    still = replace(weather, solar_wm2=np.zeros_like(weather.rain_mm), rain_mm=np.zeros_like(weather.rain_mm))
    load = snow_on_covers(still, [0.0, *slope_deg], PARAMETERS).load_kpa.max(axis=0)
    np.testing.assert_allclose(load[1:], slope_factor(slope_deg) * load[0], rtol=1e-12)


@given(weathers(), slopes)
def test_without_precipitation_there_is_no_load_and_no_water(weather, slope_deg):
    nothing = np.zeros_like(weather.rain_mm)
    snow = snow_on_covers(replace(weather, snowfall_water_mm=nothing, rain_mm=nothing), slope_deg, PARAMETERS)
    assert not snow.load_kpa.any()
    assert not snow.pocket_mm.any()
    assert np.isnan(snow.density_kgm3).all()


@given(weathers_and_resets(), st.randoms(use_true_random=False))
def test_the_order_of_covers_does_not_matter(case, random):
    weather, slope_deg, resets = case
    order = list(range(len(slope_deg)))
    random.shuffle(order)
    moved = [replace(reset, cover=order.index(reset.cover)) for reset in resets]
    snow = snow_on_covers(weather, slope_deg, PARAMETERS, resets)
    shuffled = snow_on_covers(weather, [slope_deg[i] for i in order], PARAMETERS, moved)
    for field in fields(snow):
        np.testing.assert_array_equal(getattr(shuffled, field.name), getattr(snow, field.name)[..., order])


@given(weathers(), slopes)
def test_a_cover_carries_in_company_what_it_carries_alone(weather, slope_deg):
    together = snow_on_covers(weather, slope_deg, PARAMETERS)
    for i, slope in enumerate(slope_deg):
        alone = snow_on_covers(weather, [slope], PARAMETERS)
        np.testing.assert_array_equal(alone.load_kpa[:, 0], together.load_kpa[:, i])
        np.testing.assert_array_equal(alone.pocket_mm[:, 0], together.pocket_mm[:, i])


@given(weathers(), st.floats(0, 90), st.data())
def test_clearing_and_draining_take_effect_from_their_hour_and_not_before(weather, slope, data):
    hour = data.draw(st.integers(0, len(weather.rain_mm) - 1))
    left = snow_on_covers(weather, [slope], PARAMETERS)
    reset = StoreReset(hour, 0, snow_water_mm=0.0, pocket_mm=0.0)
    cleared = snow_on_covers(weather, [slope], PARAMETERS, [reset])
    later = SnowForcing(*(getattr(weather, field.name)[hour:] for field in fields(weather)))
    from_bare = snow_on_covers(later, [slope], PARAMETERS)
    for name in ("load_kpa", "pocket_mm"):
        np.testing.assert_array_equal(getattr(cleared, name)[:hour], getattr(left, name)[:hour])
        np.testing.assert_array_equal(getattr(cleared, name)[hour:], getattr(from_bare, name))


@given(weathers(), slopes)
def test_a_slope_given_for_every_hour_comes_to_the_same_as_one_given_once(weather, slope_deg):
    once = snow_on_covers(weather, slope_deg, PARAMETERS)
    hourly = snow_on_covers(weather, np.tile(slope_deg, (len(weather.rain_mm), 1)), PARAMETERS)
    for field in fields(once):
        np.testing.assert_array_equal(getattr(hourly, field.name), getattr(once, field.name))


# --- what people do --------------------------------------------------------------------------------------------------


def test_clearing_snow_leaves_the_pocket_and_draining_leaves_the_snow():
    weather = forcing([1.0, 0.0, 0.0, 0.0], snow_mm=[20.0, 0, 0, 0], rain_mm=[3.0, 0, 0, 0])
    resets = [StoreReset(2, 0, snow_water_mm=0.0), StoreReset(2, 1, pocket_mm=0.0)]
    snow = snow_on_covers(weather, [0.0, 0.0], PARAMETERS, resets)
    assert snow.load_kpa[1, 0] > 0
    assert snow.load_kpa[2, 0] == 0
    assert snow.pocket_mm[2, 0] == pytest.approx(snow.pocket_mm[1, 0] - 0.005)
    assert snow.pocket_mm[2, 1] == 0
    assert snow.load_kpa[2, 1] == snow.load_kpa[1, 1]


def test_cleared_snow_is_counted_as_taken_and_measured_snow_as_added():
    resets = [StoreReset(1, 0, snow_water_mm=0.0), StoreReset(1, 1, snow_water_mm=30.0)]
    snow = snow_on_covers(forcing([-5.0, -5.0], snow_mm=[10.0, 0.0]), [0.0, 0.0], PARAMETERS, resets)
    np.testing.assert_allclose(snow.reset_mm, [10.0, -20.0])
    np.testing.assert_allclose(snow.ice_mm[1], [0.0, 30.0])


def test_of_two_resets_in_one_hour_the_later_in_the_list_stands():
    resets = [StoreReset(0, 0, snow_water_mm=0.0), StoreReset(0, 0, snow_water_mm=12.0)]
    assert snow_on_covers(forcing([-5.0]), [0.0], PARAMETERS, resets).ice_mm == [[12.0]]


def test_measured_snow_without_a_density_keeps_that_of_the_snow_lying_and_starts_at_100_on_bare_film():
    weather = forcing([-5.0, -5.0], snow_mm=[10.0, 0.0])
    left = snow_on_covers(weather, [0.0], PARAMETERS)
    measured = snow_on_covers(weather, [0.0], PARAMETERS, [StoreReset(1, 0, snow_water_mm=40.0)])
    np.testing.assert_allclose(measured.density_kgm3[1], left.density_kgm3[1])
    melted_away = forcing([0.0, 9.0, -5.0], snow_mm=[1.0, 0.0, 0.0])
    on_bare = snow_on_covers(melted_away, [0.0], PARAMETERS, [StoreReset(2, 0, snow_water_mm=40.0)])
    assert on_bare.load_kpa[1] == 0
    np.testing.assert_allclose(on_bare.density_kgm3[2], 300 - 200 * math.exp(-1 / 200))


def test_a_pocket_measured_above_the_models_limit_is_believed():
    measured = StoreReset(0, 0, pocket_mm=40.0)
    snow = snow_on_covers(forcing([3.0, 3.0], rain_mm=[0.0, 5.0]), [0.0], PARAMETERS, [measured])
    np.testing.assert_allclose(snow.pocket_mm[:, 0], [39.98, 39.96])


def test_a_steeper_rebuild_sheds_from_its_hour_on_and_lets_the_pocket_run_off():
    weather = forcing([2.0] * 4, rain_mm=5.0)
    rebuilt = np.array([[0.0], [0.0], [30.0], [30.0]])
    snow = snow_on_covers(weather, rebuilt, PARAMETERS)
    flat = snow_on_covers(weather, [0.0], PARAMETERS)
    np.testing.assert_array_equal(snow.pocket_mm[:2], flat.pocket_mm[:2])
    np.testing.assert_array_equal(snow.pocket_mm[2:], 0.0)


# --- refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("slope_deg", [[-1.0], [91.0], [np.nan]])
def test_a_slope_that_is_unknown_or_cannot_be_is_refused(slope_deg):
    with pytest.raises(ValueError, match="every cover needs a slope in 0 to 90"):
        snow_on_covers(forcing([0.0]), slope_deg, PARAMETERS)


def test_slopes_of_another_number_of_hours_are_refused():
    with pytest.raises(ValueError, match=r"slope_deg must have shape \(C,\) or \(2, C\)"):
        snow_on_covers(forcing([0.0, 0.0]), np.zeros((3, 1)), PARAMETERS)


@pytest.mark.parametrize("reset", [StoreReset(2, 0), StoreReset(-1, 0), StoreReset(0, 1)])
def test_a_reset_of_an_hour_or_cover_that_is_not_there_is_refused(reset):
    with pytest.raises(ValueError, match="outside the 2 hours and 1 covers"):
        snow_on_covers(forcing([0.0, 0.0]), [0.0], PARAMETERS, [reset])


def test_no_hours_and_no_covers_are_no_error():
    assert snow_on_covers(forcing([]), [10.0], PARAMETERS).load_kpa.shape == (0, 1)
    assert snow_on_covers(forcing([0.0]), [], PARAMETERS).load_kpa.shape == (1, 0)
