"""Air under a cover: published flows, hand calculations of heat and vapour, balances that close, and laws."""

import warnings
from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.hazards import cover_air
from monitor.hazards.air import (
    dew_point_c,
    vapour_density_kgm3,
    vapour_pressure_over_ice_pa,
    vapour_pressure_over_water_pa,
)
from monitor.hazards.cover_air import (
    AirCovers,
    AirForcing,
    AirParameters,
    CoverAir,
    air_forcing,
    air_under_covers,
    stack_flow_m3s,
    vent_wind_factor,
    wind_flow_m3s,
)
from monitor.hazards.sky import SkyParameters, sky_over
from monitor.hazards.wind import WindParameters, speed_factor
from monitor.register import FILM_COLOURS, GROUNDS, SHELTERS, TERRAINS

PARAMETERS = AirParameters()
SIGMA = 5.670374e-8


def forcing(**columns):
    """Hours in which nothing acts but what is given: 0 degC all round, no wind, no sun, 80 % humidity."""
    count = max(np.size(values) for values in columns.values())
    still = {
        "air_temperature_c": 0.0,
        "dew_point_c": float(dew_point_c(0.0, 80.0)),
        "wind_speed_ms": 0.0,
        "sky_temperature_c": 0.0,
        "solar_wm2": 0.0,
        "ground_temperature_c": 0.0,
    }
    return AirForcing(**{name: np.resize(np.asarray(v, dtype=float), count) for name, v in (still | columns).items()})


def covers(**numbers):
    """One white cover of the default size with four vents on damp ground, 25 deg steep, in the full wind."""
    usual = {
        "vent_m2": 0.04,
        "plan_m2": 30.0,
        "slope_deg": 25.0,
        "wind_factor": 1.0,
        "film_absorbs": 0.15,
        "film_transmits": 0.30,
        "wet_ground": 0.15,
    }
    return AirCovers(**(usual | numbers))


def only_wind(m3_per_h, wind_ms):
    """Parameters under which that wind drives just that much air through four vents, and warmth none."""
    coefficient = m3_per_h / 3600 / (0.02 * wind_ms)
    return replace(PARAMETERS, leak_m2=0.0, stack_height_m=0.0, wind_coefficient=coefficient)


# --- flow ------------------------------------------------------------------------------------------------------------


def test_wind_and_stack_flow_follow_the_hand_calculation():
    # 0.3 * 0.04 m2 * 3 m/s = 0.036 m3/s = 129.60 m3/h; 10 inside, 5 outside, 1 m: 0.4225 * 0.02 *
    # sqrt(2 * 9.80665 * 5 / 283.15) = 0.0049728 m3/s = 17.902 m3/h
    np.testing.assert_allclose(3600 * wind_flow_m3s(0.04, 3.0, 0.3), 129.60)
    np.testing.assert_allclose(3600 * stack_flow_m3s(0.02, 10.0, 5.0, 1.0), 17.902, atol=1e-3)


def test_stack_flow_with_the_coefficient_of_separate_openings_is_larger_in_proportion():
    # The same with 0.65: 27.542 m3/h; 17.902 / 27.542 = 0.4225 / 0.65
    np.testing.assert_allclose(3600 * stack_flow_m3s(0.02, 10.0, 5.0, 1.0) / 27.542, 0.4225 / 0.65, rtol=1e-4)


def test_wind_and_warmth_add_as_the_root_of_the_sum_of_their_squares():
    # 129.6 and 17.902 come to 130.83 m3/h
    np.testing.assert_allclose(np.hypot(129.6, 17.902), 130.83, atol=0.01)
    air = air_under_covers(forcing(wind_speed_ms=[0.0, 0.5, 5.0], ground_temperature_c=10.0), covers(), PARAMETERS)
    opening_m2 = (0.04 + 0.01) / 2  # in by one half of all openings, out by the other
    by_wind = wind_flow_m3s(opening_m2, [0.0, 0.5, 5.0], 0.3)
    by_warmth = stack_flow_m3s(opening_m2, air.inside_temperature_c[:, 0], 0.0, 1.0)
    expected = np.hypot(by_wind, by_warmth) * 3600 / 40
    assert np.all(by_warmth > 0)
    np.testing.assert_allclose(air.air_changes_per_h[:, 0], expected, rtol=1e-3)


def test_in_a_calm_without_any_difference_a_little_air_still_passes():
    air = air_under_covers(forcing(wind_speed_ms=[0.0, 0.0]), covers(vent_m2=0.0), replace(PARAMETERS, leak_m2=0.0))
    np.testing.assert_allclose(air.air_changes_per_h, 0.01)


def test_a_boat_of_twice_the_size_with_twice_the_openings_has_the_same_air():
    parameters = replace(PARAMETERS, leak_m2=0.0)
    weather = forcing(wind_speed_ms=[2.0, 0.5], ground_temperature_c=3.0, sky_temperature_c=-10.0)
    air = air_under_covers(weather, covers(vent_m2=[0.04, 0.08, 0.04], plan_m2=[30.0, 60.0, 60.0]), parameters)
    np.testing.assert_array_equal(air.inside_rh_pct[:, 0], air.inside_rh_pct[:, 1])
    assert np.all(air.air_changes_per_h[:, 2] < air.air_changes_per_h[:, 0])


def test_vents_stand_in_the_mean_wind_at_their_height():
    # Open ground, 4 m: 0.4^0.207 = 0.8272; partly sheltered 0.7 of it. Means fall off faster than gusts
    factor = vent_wind_factor(4.0, "open", "exposed", WindParameters(), PARAMETERS)
    np.testing.assert_allclose(factor, 0.8272, atol=1e-4)
    sheltered = vent_wind_factor([4.0], "open", ["partly"], WindParameters(), PARAMETERS)
    np.testing.assert_allclose(sheltered, 0.7 * 0.8272, atol=1e-4)
    for terrain in TERRAINS:
        for shelter in SHELTERS:
            mean = vent_wind_factor(4.0, terrain, shelter, WindParameters(), PARAMETERS)
            assert mean < speed_factor(4.0, terrain, shelter, WindParameters())


@pytest.mark.parametrize(
    ("terrain", "roughness_m", "lowest_m"), [("open_water", 0.01, 1), ("open", 0.05, 2), ("suburban", 0.3, 5)]
)
def test_mean_wind_exponents_follow_the_log_law_of_en_1991_1_4(terrain, roughness_m, lowest_m):
    # Ratio of mean winds at 4 and 10 m, ln(z/z0), z not below the category's lowest (both from memory)
    ratio = np.log(max(4.0, lowest_m) / roughness_m) / np.log(10 / roughness_m)
    factor = vent_wind_factor(4.0, terrain, "exposed", WindParameters(), PARAMETERS)
    np.testing.assert_allclose(factor, ratio, rtol=0.005)


# --- heat ------------------------------------------------------------------------------------------------------------


# Inside held at 1 degC by a boat that gives any heat; Ta 0, sky -15, sky view 0.95 (25.842 deg), emissivity 0.85:
# hr = 4 * 0.85 * SIGMA * 273.15^3 = 3.9290, V 1: (7.5 - 15 * 3.7326) / (9.5 + 7.5 + 3.9290) = -2.3169
@pytest.mark.parametrize(("wind_ms", "expected_c"), [(1.0, -2.3169), (4.0, -1.4999)])
def test_film_follows_the_hand_calculation(wind_ms, expected_c):
    parameters = replace(only_wind(100, wind_ms), inside_surface_wm2k=1e8, boat_heat_j_per_k=1e14)
    weather = forcing(
        air_temperature_c=[1.0, 0.0],
        sky_temperature_c=[1.0, -15.0],
        ground_temperature_c=1.0,
        wind_speed_ms=wind_ms,
    )
    slope_deg = np.degrees(np.arccos(2 * 0.95 - 1))
    air = air_under_covers(weather, covers(slope_deg=slope_deg), parameters)
    np.testing.assert_allclose(air.inside_temperature_c[1, 0], 1.0, atol=1e-5)
    np.testing.assert_allclose(air.film_temperature_c[1, 0], expected_c, atol=1e-3)


def test_a_night_hour_follows_the_two_node_hand_calculation():
    # First hour all at 2 degC, so the boat is at 2. Then Ta 0, ground 4, sky -15, V 1, 100 m3/h, 25 deg, no sun:
    # inside -0.23194, film -2.76721, boat 1.43755 after it
    weather = forcing(
        air_temperature_c=[2.0, 0.0, 0.0],
        sky_temperature_c=[2.0, -15.0, -15.0],
        ground_temperature_c=[2.0, 4.0, 4.0],
        wind_speed_ms=1.0,
    )
    air = air_under_covers(weather, covers(), only_wind(100, 1.0))
    np.testing.assert_allclose(air.inside_temperature_c[1, 0], -0.23194, atol=1e-4)
    np.testing.assert_allclose(air.film_temperature_c[1, 0], -2.76721, atol=1e-4)
    # The next hour differs by the boat alone: 280 W/K times its fall, over all that holds the air inside
    radiation = 4 * 0.85 * SIGMA * 273.15**3
    film_loss = 5.7 + 3.8 + radiation + 7.5
    holds = 1.25 * 1005 * 100 / 3600 + 7.5 * 60 + 280 + 4 * 30 - 7.5**2 * 60 / film_loss
    np.testing.assert_allclose(np.diff(air.inside_temperature_c[1:, 0]), 280 * (1.43755 - 2) / holds, atol=1e-4)


def test_a_sunny_hour_follows_the_two_node_hand_calculation():
    # Boat at 6; Ta 3, ground 4, sky -8, V 2, sun 300, film takes 0.15 and lets 0.3 through, 150 m3/h, 30 deg:
    # inside 5.38762, film 3.85434
    weather = forcing(
        air_temperature_c=[6.0, 3.0],
        sky_temperature_c=[6.0, -8.0],
        ground_temperature_c=[6.0, 4.0],
        solar_wm2=[0.0, 300.0],
        wind_speed_ms=2.0,
    )
    air = air_under_covers(weather, covers(slope_deg=30.0), only_wind(150, 2.0))
    np.testing.assert_allclose(air.inside_temperature_c[1, 0], 5.38762, atol=1e-4)
    np.testing.assert_allclose(air.film_temperature_c[1, 0], 3.85434, atol=1e-4)


def test_snow_on_the_film_takes_the_sky_and_the_sun_from_it():
    day = {"air_temperature_c": -5.0, "wind_speed_ms": 3.0}
    open_sky = forcing(**day, sky_temperature_c=[-30.0, -30.0], solar_wm2=[0.0, 600.0])
    no_sky = forcing(**day, sky_temperature_c=[-5.0, -5.0])
    buried = air_under_covers(open_sky, covers(), PARAMETERS, np.full((2, 1), 0.2))
    expected = air_under_covers(no_sky, covers(), PARAMETERS, np.full((2, 1), 0.2))
    for entry in fields(CoverAir):
        np.testing.assert_array_equal(getattr(buried, entry.name), getattr(expected, entry.name))
    bare = air_under_covers(open_sky, covers(), PARAMETERS)
    assert np.all(bare.film_temperature_c[:, 0] != buried.film_temperature_c[:, 0])


def test_snow_lies_between_the_film_and_the_wind():
    # Inside held at 1 degC, Ta -10, V 2 (13.3 W/m2K) under 0.2 m of snow: 1/(1/13.3 + 0.2/0.1) = 0.48188 W/m2K;
    # film (-10 * 0.48188 + 1 * 7.5) / 7.98188 = 0.33591
    parameters = replace(only_wind(100, 2.0), inside_surface_wm2k=1e8, boat_heat_j_per_k=1e14)
    weather = forcing(
        air_temperature_c=[1.0, -10.0], sky_temperature_c=-20.0, ground_temperature_c=1.0, wind_speed_ms=2.0
    )
    air = air_under_covers(weather, covers(), parameters, np.full((2, 1), 0.2))
    np.testing.assert_allclose(air.film_temperature_c[1, 0], 0.33591, atol=1e-4)


def test_a_dusting_of_snow_changes_nothing():
    weather = forcing(sky_temperature_c=[-20.0], wind_speed_ms=1.0)
    dusted = air_under_covers(weather, covers(), PARAMETERS, [[0.01]])
    assert dusted.film_temperature_c == air_under_covers(weather, covers(), PARAMETERS).film_temperature_c


def test_the_film_cools_below_the_air_on_a_clear_night_and_warms_above_it_in_the_sun():
    air = air_under_covers(forcing(sky_temperature_c=-20.0, solar_wm2=[0.0, 500.0]), covers(), PARAMETERS)
    assert air.film_temperature_c[0, 0] < 0 < air.film_temperature_c[1, 0]
    assert air.film_temperature_c[0, 0] < air.inside_temperature_c[0, 0]


# --- vapour ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("temperature_c", "humidity_pct", "grams"), [(10, 80, 7.5058), (20, 50, 8.6239)])
def test_absolute_humidity_follows_the_gas_law(temperature_c, humidity_pct, grams):
    # e/(461.5 T): 10 degC, 80 %: 980.817 / (461.5 * 283.15)
    pressure_pa = humidity_pct / 100 * vapour_pressure_over_water_pa(temperature_c)
    np.testing.assert_allclose(1000 * vapour_density_kgm3(pressure_pa, temperature_c), grams, atol=1e-4)


STATES = [(20.0, 50.0), (10.0, 80.0), (2.0, 95.0)]


def ours_kgm3(temperature_c, humidity_pct):
    return vapour_density_kgm3(humidity_pct / 100 * vapour_pressure_over_water_pa(temperature_c), temperature_c)


@pytest.mark.parametrize(("temperature_c", "humidity_pct"), STATES)
def test_absolute_humidity_agrees_with_psychrolib(require, temperature_c, humidity_pct):
    # Above freezing alone: below it psychrolib takes relative humidity over ice
    psychrolib = require("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, humidity_pct / 100, 101325)
    expected = ratio / psychrolib.GetMoistAirVolume(temperature_c, ratio, 101325)
    np.testing.assert_allclose(ours_kgm3(temperature_c, humidity_pct), expected, rtol=0.005)


@pytest.mark.reference
@pytest.mark.parametrize(("temperature_c", "humidity_pct"), STATES)
def test_absolute_humidity_agrees_with_coolprop(require, temperature_c, humidity_pct):
    humid_air = require("CoolProp.CoolProp").HAPropsSI
    state = ("T", temperature_c + 273.15, "P", 101325, "R", humidity_pct / 100)
    expected = humid_air("W", *state) / humid_air("Vda", *state)
    np.testing.assert_allclose(ours_kgm3(temperature_c, humidity_pct), expected, rtol=0.01)


@pytest.mark.reference
@pytest.mark.parametrize(("temperature_c", "humidity_pct"), STATES)
def test_absolute_humidity_agrees_with_metpy(require, temperature_c, humidity_pct):
    metpy, units = require("metpy.calc"), require("metpy.units").units
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        air, pressure = units.Quantity(temperature_c, "degC"), units.Quantity(101325, "Pa")
        ratio = metpy.mixing_ratio_from_relative_humidity(pressure, air, units.Quantity(humidity_pct / 100, ""))
        vapour = metpy.vapor_pressure(pressure, ratio)
        expected = (ratio * metpy.density(pressure - vapour, air, 0 * ratio)).to("kg/m^3").magnitude
    np.testing.assert_allclose(ours_kgm3(temperature_c, humidity_pct), expected, rtol=0.005)


def hour_with_film_at(film_c, m3_per_h):
    """Outside 0 degC and 80 %, ground 4 degC, 4.5 m2 of it wet, and whatever sky puts the film at that temperature."""
    parameters = only_wind(m3_per_h, 1.0)

    def under(sky_c):
        weather = forcing(ground_temperature_c=4.0, wind_speed_ms=1.0, sky_temperature_c=sky_c)
        return air_under_covers(weather, covers(), parameters)

    film = under([0.0, -20.0]).film_temperature_c[:, 0]  # linear in the sky; the boat starts at 0 degC
    boats = [under([sky_c]).film_temperature_c[0, 0] for sky_c in (0.0, -20.0)]
    assert film[0] == boats[0]
    air = under([-20.0 * (film_c - boats[0]) / (boats[1] - boats[0])])
    np.testing.assert_allclose(air.film_temperature_c, film_c, atol=1e-9)
    inside_c = air.inside_temperature_c
    inside_kgm3 = air.inside_rh_pct / 100 * vapour_density_kgm3(vapour_pressure_over_water_pa(inside_c), inside_c)
    return inside_kgm3.item(), air


# Film at -1 degC over ice 0.0044798 kg/m3, 60 m2 of it; outside 0.0038772, ground 0.0063540. Each flow is multiplied
# by 3 / (1.25 * 1005) m/s: ground 0.010746 m3/s, film 0.143284 m3/s
def test_air_that_would_leave_the_film_dry_follows_the_hand_calculation():
    # Warm film: (100/3600 * 0.0038772 + 0.010746 * 0.0063540) / (100/3600 + 0.010746) = 0.00456810
    inside_kgm3, air = hour_with_film_at(0.8, 100)
    np.testing.assert_allclose(inside_kgm3, 0.00456810, atol=1e-7)
    assert air.condensed_kgm2 == 0


@pytest.mark.parametrize(
    ("m3_per_h", "inside_kgm3", "condensed_kg_per_h"), [(100, 0.00449852, 0.00964944), (20, None, 0.05427933)]
)
def test_air_that_wets_the_film_follows_the_hand_calculation(m3_per_h, inside_kgm3, condensed_kg_per_h):
    found_kgm3, air = hour_with_film_at(-1.0, m3_per_h)
    np.testing.assert_allclose(60 * air.condensed_kgm2.item(), condensed_kg_per_h, rtol=1e-3)
    np.testing.assert_array_equal(air.film_water_kgm2, air.condensed_kgm2)
    if inside_kgm3 is not None:
        np.testing.assert_allclose(found_kgm3, inside_kgm3, atol=1e-7)


def test_three_times_the_air_leaves_the_same_film_dry():
    inside_kgm3, air = hour_with_film_at(-1.0, 300)
    np.testing.assert_allclose(inside_kgm3, 0.0041601, atol=1e-6)
    assert air.condensed_kgm2 == 0


def test_an_hour_counts_as_condensation_above_a_tenth_of_a_gram():
    # 0.00964944 kg/h on 60 m2 is 0.1608 g/m2
    _, air = hour_with_film_at(-1.0, 100)
    assert air.condensation.all()
    strict = replace(only_wind(100, 1.0), condensation_kgm2=0.0002)
    weather = forcing(ground_temperature_c=4.0, wind_speed_ms=1.0, sky_temperature_c=-5.0)
    assert not air_under_covers(weather, covers(), strict).condensation.any()


def test_film_holds_so_much_water_and_lets_the_rest_drip():
    night = forcing(sky_temperature_c=np.full(400, -20.0), ground_temperature_c=8.0)
    air = air_under_covers(night, covers(vent_m2=0.0, wet_ground=0.5), PARAMETERS)
    np.testing.assert_array_equal(air.film_water_kgm2[-1], 0.1)
    assert air.condensed_kgm2.sum() > 0.2
    assert np.all(air.film_water_kgm2 <= 0.1)


def test_a_wet_film_dries_in_the_sun_and_its_water_dampens_the_air():
    night, day = np.full(12, -20.0), np.full(12, 0.0)
    sky_c = np.concatenate([night, day])
    air = air_under_covers(
        forcing(sky_temperature_c=sky_c, ground_temperature_c=6.0, wind_speed_ms=2.0, solar_wm2=700.0 * (sky_c == 0)),
        covers(),
        PARAMETERS,
    )
    water = air.film_water_kgm2[:, 0]
    assert water[11] > 0
    assert water[-1] == 0
    drying = np.flatnonzero(np.diff(water) < 0) + 1
    last = drying[-1]
    # Once it is dry the air is that of ground and outside alone, and drier than while it dried
    assert air.inside_rh_pct[last + 1, 0] < air.inside_rh_pct[last, 0]


def test_frost_on_the_film_is_in_balance_over_ice():
    # Saturated over ice the air inside is under 100 % over water: at -10 degC 259.67 / 286.77 = 90.5 %
    steady = forcing(
        air_temperature_c=np.full(600, -10.0),
        dew_point_c=-30.0,
        sky_temperature_c=-10.5,
        ground_temperature_c=-8.0,
    )
    tight = replace(PARAMETERS, leak_m2=0.0)
    air = air_under_covers(steady, covers(vent_m2=0.0, wet_ground=0.5), tight)
    film_c = air.film_temperature_c[-1, 0]
    over_ice = vapour_density_kgm3(vapour_pressure_over_ice_pa(film_c), film_c)
    inside_c = air.inside_temperature_c[-1, 0]
    inside = air.inside_rh_pct[-1, 0] / 100 * vapour_density_kgm3(vapour_pressure_over_water_pa(inside_c), inside_c)
    assert over_ice < inside < 1.1 * over_ice
    assert air.inside_rh_pct[-1, 0] < 96


@pytest.mark.parametrize(
    ("air_c", "dew_c", "moist", "damp"), [(5.0, 4.5, True, True), (5.0, -10.0, False, False), (-5.0, -5.2, True, False)]
)
def test_damp_hours_are_those_from_80_percent_and_above_freezing(air_c, dew_c, moist, damp):
    weather = forcing(
        air_temperature_c=[air_c],
        dew_point_c=dew_c,
        sky_temperature_c=air_c,
        ground_temperature_c=air_c,
        wind_speed_ms=5.0,
    )
    air = air_under_covers(weather, covers(), PARAMETERS)
    assert (air.inside_rh_pct.item() >= 80) == moist
    assert air.damp.item() == damp


# --- balances of any weather -----------------------------------------------------------------------------------------


@st.composite
def any_weather(draw, hours=6):
    def column(low, high):
        return draw(arrays(np.float64, hours, elements=st.floats(low, high)))

    air_c = column(-25, 30)
    return AirForcing(
        air_temperature_c=air_c,
        dew_point_c=air_c - column(0, 15),
        wind_speed_ms=column(0, 20),
        sky_temperature_c=air_c - column(0, 30),
        solar_wm2=column(0, 900),
        ground_temperature_c=column(0.5, 20),
    )


@st.composite
def any_covers(draw, count=3):
    def row(low, high):
        return draw(arrays(np.float64, count, elements=st.floats(low, high)))

    return AirCovers(
        vent_m2=row(0, 0.2),
        plan_m2=row(10, 80),
        slope_deg=row(0, 70),
        wind_factor=row(0.2, 1),
        film_absorbs=row(0, 0.4),
        film_transmits=row(0, 0.6),
        wet_ground=row(0, 1),
    )


depths = arrays(np.float64, (6, 3), elements=st.sampled_from([0.0, 0.0, 0.005, 0.02, 0.5]))


@given(any_weather(), any_covers(), depths)
def test_heat_is_in_balance_on_the_film_and_in_the_air(weather, boats, snow_m):
    air = air_under_covers(weather, boats, PARAMETERS, snow_m)
    film_c, inside_c = air.film_temperature_c, air.inside_temperature_c
    outside_c = weather.air_temperature_c[:, None]
    seen = snow_m <= 0.01
    sun = weather.solar_wm2[:, None] * seen
    wind = 5.7 + 3.8 * weather.wind_speed_ms[:, None] * boats.wind_factor
    wind = np.where(seen, wind, 1 / (1 / wind + snow_m / 0.1))
    radiation = 4 * 0.85 * SIGMA * (outside_c + 273.15) ** 3 * seen
    sky_view = (1 + np.cos(np.radians(boats.slope_deg))) / 2

    to_film = [
        7.5 * (inside_c - film_c),
        boats.film_absorbs * sun,
        wind * (outside_c - film_c),
        radiation * sky_view * (weather.sky_temperature_c[:, None] - film_c),
        radiation * (1 - sky_view) * (outside_c - film_c),
    ]
    np.testing.assert_allclose(sum(to_film), 0, atol=1e-9 * (1 + np.max(np.abs(to_film))))

    boat_c = np.full(3, weather.air_temperature_c[0])
    for hour in range(6):
        through = 30 * boats.film_transmits * sun[hour]
        to_air = [
            1.25 * 1005 * air.air_changes_per_h[hour] * 40 / 3600 * (outside_c[hour] - inside_c[hour]),
            7.5 * 60 * (film_c[hour] - inside_c[hour]),
            7 * 40 * (boat_c - inside_c[hour]),
            4 * 30 * (weather.ground_temperature_c[hour] - inside_c[hour]),
            0.3 * through,
        ]
        np.testing.assert_allclose(sum(to_air), 0, atol=1e-9 * (1 + np.max(np.abs(to_air))))
        boat_c = boat_c + 3600 / 4e6 * (7 * 40 * (inside_c[hour] - boat_c) + 0.6 * through)


@given(any_weather(), any_covers())
def test_vapour_is_in_balance_with_the_water_on_the_film(weather, boats):
    air = air_under_covers(weather, boats, PARAMETERS)
    inside_c, outside_c = air.inside_temperature_c, weather.air_temperature_c[:, None]
    inside = air.inside_rh_pct / 100 * vapour_density_kgm3(vapour_pressure_over_water_pa(inside_c), inside_c)
    outside = vapour_density_kgm3(vapour_pressure_over_water_pa(weather.dew_point_c[:, None]), outside_c)
    ground_c = weather.ground_temperature_c[:, None]
    on_ground = vapour_density_kgm3(vapour_pressure_over_water_pa(ground_c), ground_c)
    by_vents = air.air_changes_per_h * 40 / 3600 * (outside - inside)
    by_ground = 3 / (1.25 * 1005) * 30 * boats.wet_ground * (on_ground - inside)
    stays = (by_vents + by_ground) * 3600 / 60  # kg/m2 of film in the hour

    before = np.vstack([np.zeros(3), air.film_water_kgm2[:-1]])
    after_dripping = np.minimum(before + stays, 0.1)
    told = air.inside_rh_pct < 100  # else more than that was in the air
    scale = 1e-9 * 60 * (np.abs(by_vents) + np.abs(by_ground)) + 1e-15
    assert np.all(np.abs(after_dripping - air.film_water_kgm2)[told] <= scale[told])
    assert np.all(np.abs(np.maximum(stays, 0) - air.condensed_kgm2)[told] <= scale[told])
    assert np.all((air.film_water_kgm2 >= 0) & (air.film_water_kgm2 <= 0.1))


@given(any_weather(), any_covers())
def test_humidity_lies_between_0_and_100_and_condensation_counts_only_where_something_condensed(weather, boats):
    air = air_under_covers(weather, boats, PARAMETERS)
    assert np.all((air.inside_rh_pct >= 0) & (air.inside_rh_pct <= 100))
    np.testing.assert_array_equal(air.condensation, air.condensed_kgm2 > 1e-4)
    assert not (air.damp & (air.inside_temperature_c <= 0)).any()


# --- laws ------------------------------------------------------------------------------------------------------------


@given(any_weather(hours=1), st.floats(0, 0.2), st.floats(0, 0.2))
def test_more_vents_never_pass_less_air(weather, vent_m2, more_m2):
    # One hour: later the boat under more vents may be nearer to the air outside, and then less rises in a calm
    air = air_under_covers(weather, covers(vent_m2=[vent_m2, vent_m2 + more_m2]), PARAMETERS)
    assert air.air_changes_per_h[0, 1] >= air.air_changes_per_h[0, 0] * (1 - 1e-12)


@given(st.floats(0.5, 25), st.floats(0, 20), st.floats(0, 10), st.floats(0, 0.2), st.floats(0, 0.2))
def test_on_ground_moister_than_the_air_outside_more_vents_never_make_it_damper(air_c, below_k, wind_ms, vents, more):
    # Everything as warm as the air: only vapour counts. A real winter has its own test
    weather = forcing(
        air_temperature_c=[air_c],
        dew_point_c=air_c - below_k,
        sky_temperature_c=air_c,
        ground_temperature_c=air_c,
        wind_speed_ms=wind_ms,
    )
    air = air_under_covers(weather, covers(vent_m2=[vents, vents + more]), PARAMETERS)
    assert air.inside_rh_pct[0, 1] <= air.inside_rh_pct[0, 0] + 1e-9


@given(any_weather(), any_covers(), depths, st.permutations(range(3)))
def test_the_order_of_covers_does_not_matter(weather, boats, snow_m, order):
    air = air_under_covers(weather, boats, PARAMETERS, snow_m)
    shuffled = AirCovers(*(np.asarray(numbers)[order] for numbers in vars(boats).values()))
    again = air_under_covers(weather, shuffled, PARAMETERS, snow_m[:, order])
    for entry in fields(CoverAir):
        np.testing.assert_array_equal(getattr(again, entry.name), getattr(air, entry.name)[:, order])


@given(any_weather(hours=30), any_covers(), st.integers(1, 100))
def test_hours_worked_out_together_or_one_by_one_are_the_same_to_the_last_bit(weather, boats, block):
    together = air_under_covers(weather, boats, PARAMETERS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cover_air, "_BLOCK", block)
        parted = air_under_covers(weather, boats, PARAMETERS)
    for part in fields(together):
        assert getattr(together, part.name).tobytes() == getattr(parted, part.name).tobytes(), part.name


@given(any_weather(), any_covers(count=2), st.lists(st.integers(0, 1), min_size=1, max_size=30))
def test_covers_alike_come_out_alike_however_many_there_are(weather, boats, kinds):
    air = air_under_covers(weather, boats, PARAMETERS)
    many = AirCovers(*(np.asarray(numbers)[kinds] for numbers in vars(boats).values()))
    again = air_under_covers(weather, many, PARAMETERS)
    for entry in fields(CoverAir):
        np.testing.assert_array_equal(getattr(again, entry.name), getattr(air, entry.name)[:, kinds])


@given(any_weather(), any_covers(), st.integers(1, 5), st.integers(1, 5))
def test_a_gap_stays_a_gap_and_what_lasts_is_held_over_it(weather, boats, at, gap_h):
    whole = air_under_covers(weather, boats, PARAMETERS)
    gap = np.full(gap_h, np.nan)
    broken = AirForcing(*(np.insert(values, at, gap) for values in vars(weather).values()))
    air = air_under_covers(broken, boats, PARAMETERS)
    inside_gap = slice(at, at + gap_h)
    np.testing.assert_array_equal(broken.missing, np.isin(np.arange(6 + gap_h), np.arange(at, at + gap_h)))
    for entry in fields(CoverAir):
        values = getattr(air, entry.name)
        np.testing.assert_array_equal(np.delete(values, inside_gap, axis=0), getattr(whole, entry.name))
        assert not values[inside_gap].any() if values.dtype == bool else np.isnan(values[inside_gap]).all()


@pytest.mark.parametrize("unknown", [entry.name for entry in fields(AirForcing)])
def test_an_hour_is_unknown_where_anything_that_acts_is(unknown):
    weather = replace(forcing(wind_speed_ms=[1.0, 1.0, 1.0]), **{unknown: np.array([0.0, np.nan, 0.0])})
    air = air_under_covers(weather, covers(), PARAMETERS)
    np.testing.assert_array_equal(np.isnan(air.inside_rh_pct[:, 0]), [False, True, False])
    np.testing.assert_array_equal(np.isnan(air.film_water_kgm2[:, 0]), [False, True, False])


@given(any_weather(), any_covers(), st.integers(1, 5))
def test_vents_added_today_leave_the_past_as_it_was(weather, boats, today):
    before = air_under_covers(weather, boats, PARAMETERS)
    vents = np.broadcast_to(boats.vent_m2, (6, 3)).copy()
    vents[today:, 1] += 0.05
    after = air_under_covers(weather, replace(boats, vent_m2=vents), PARAMETERS)
    for entry in fields(CoverAir):
        np.testing.assert_array_equal(getattr(after, entry.name)[:today], getattr(before, entry.name)[:today])
        np.testing.assert_array_equal(getattr(after, entry.name)[:, [0, 2]], getattr(before, entry.name)[:, [0, 2]])
    # Without wind and warmth no opening lets air through: both covers stand at the least that any cover passes.
    least = PARAMETERS.least_air_changes_per_h
    assert after.air_changes_per_h[today, 1] >= before.air_changes_per_h[today, 1] >= least * (1 - 1e-9)
    if before.air_changes_per_h[today, 1] > least:
        assert after.air_changes_per_h[today, 1] > before.air_changes_per_h[today, 1]


def test_no_hours_are_no_air():
    none = AirForcing(*(np.empty(0) for _ in fields(AirForcing)))
    assert air_under_covers(none, covers(vent_m2=[0.0, 0.04]), PARAMETERS).inside_rh_pct.shape == (0, 2)


# --- what it is given ------------------------------------------------------------------------------------------------


def test_forcing_is_read_from_canonical_hours(hours_of):
    hours = hours_of(
        air_temperature_c=[4.0, 2.0, np.nan],
        relative_humidity_pct=[80.0, 80.0, 80.0],
        wind_speed_ms=[1.0, np.nan, 1.0],
        cloud_cover_pct=[0.0, 0.0, 0.0],
    )
    sky = sky_over(hours, 40.64, -73.78, SkyParameters())
    weather = air_forcing(hours, sky, PARAMETERS)
    np.testing.assert_allclose(weather.dew_point_c, [dew_point_c(4, 80), dew_point_c(2, 80), np.nan])
    np.testing.assert_array_equal(weather.sky_temperature_c, sky.temperature_c)
    np.testing.assert_array_equal(weather.missing, [False, True, True])


def test_the_ground_is_two_kelvin_above_the_last_ten_days_and_hardly_freezes(hours_of):
    cold_then_warm = [-10.0] * 240 + [6.0] * 240 + [np.nan] * 10
    hours = hours_of(air_temperature_c=cold_then_warm, dew_point_c=[-12.0] * 490)
    ground = air_forcing(hours, sky_over(hours, 40.64, -73.78, SkyParameters()), PARAMETERS).ground_temperature_c
    np.testing.assert_array_equal(ground[:240], 0.5)
    np.testing.assert_allclose(ground[240 + 119], -2 + 2.5, atol=1e-9)  # five days of each: mean -2, plus 2, least 0.5
    np.testing.assert_allclose(ground[240 + 179], (60 * -10 + 180 * 6) / 240 + 2)
    np.testing.assert_allclose(ground[479:], 8.0)  # an unknown hour does not count in the mean


def test_every_colour_and_ground_of_the_register_has_its_numbers():
    assert set(PARAMETERS.film_sun) == set(FILM_COLOURS)
    assert set(PARAMETERS.wet_ground) == set(GROUNDS)
    for absorbs, transmits in PARAMETERS.film_sun.values():
        assert absorbs > 0
        assert transmits > 0
        assert absorbs + transmits <= 1


def test_a_boat_too_light_for_steps_of_an_hour_is_refused():
    with pytest.raises(ValueError, match="boat_heat_j_per_k 1e\\+06 is too little for steps of an hour"):
        AirParameters(boat_heat_j_per_k=1e6)


def test_arrays_of_different_length_are_refused():
    with pytest.raises(ValueError, match=r"every array of an AirForcing needs the same number of hours, got \[1, 2\]"):
        replace(forcing(wind_speed_ms=[1.0, 2.0]), solar_wm2=np.zeros(1))


@pytest.mark.parametrize(
    ("numbers", "sentence"),
    [
        ({"vent_m2": [-0.01]}, "vent_m2: every cover needs a number in 0 to 10"),
        ({"slope_deg": [np.nan]}, "slope_deg: every cover needs a number in 0 to 90"),
        ({"plan_m2": 0.0}, "plan_m2: every cover needs a number in 0.1 to 10000"),
        ({"vent_m2": np.zeros((3, 2))}, r"vent_m2 must have shape \(2,\) or \(2, 2\), got \(3, 2\)"),
    ],
)
def test_numbers_of_covers_that_cannot_be_are_refused(numbers, sentence):
    with pytest.raises(ValueError, match=sentence):
        air_under_covers(forcing(wind_speed_ms=[1.0, 2.0]), covers(**numbers), PARAMETERS)


def test_snow_of_another_shape_is_refused():
    with pytest.raises(ValueError, match=r"snow_depth_m must have shape \(1,\) or \(2, 1\), got \(3, 1\)"):
        air_under_covers(forcing(wind_speed_ms=[1.0, 2.0]), covers(), PARAMETERS, np.zeros((3, 1)))


def test_hours_may_come_as_pandas_leaves_them():
    # Columns of a table are read-only views; nothing is written into them
    values = pd.Series([1.0, 2.0]).to_numpy()
    air_under_covers(forcing(wind_speed_ms=values), covers(), PARAMETERS)
    np.testing.assert_array_equal(values, [1.0, 2.0])
