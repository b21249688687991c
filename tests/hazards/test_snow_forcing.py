"""What falls on a yard, from hours with every kind of hole in them."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.hazards.air import relative_humidity_pct, wet_bulb_c
from monitor.hazards.snow import SnowForcing, SnowParameters, snow_forcing, snow_fraction, snow_fraction_wet_bulb

PARAMETERS = SnowParameters()


def test_snowfall_of_the_weather_service_goes_before_our_split(hours_of):
    hours = hours_of(
        air_temperature_c=[5.0, 5.0],
        relative_humidity_pct=[90.0, 90.0],
        precipitation_mm=[3.0, 3.0],
        snowfall_water_mm=[2.0, 0.0],
    )
    forcing = snow_forcing(hours, PARAMETERS)
    np.testing.assert_allclose(forcing.snowfall_water_mm, [2.0, 0.0])
    np.testing.assert_allclose(forcing.rain_mm, [1.0, 3.0])
    assert not forcing.missing.any()


def test_without_it_precipitation_is_split_by_temperature_and_humidity(hours_of):
    hours = hours_of(air_temperature_c=[1.0], relative_humidity_pct=[80.0], precipitation_mm=[2.0])
    forcing = snow_forcing(hours, PARAMETERS)
    # Jennings et al. 2018: share 0.80690 at 1 degC and 80 %
    np.testing.assert_allclose(forcing.snowfall_water_mm, [1.6138], atol=1e-4)
    np.testing.assert_allclose(forcing.rain_mm, [0.3862], atol=1e-4)


def test_the_split_can_follow_the_wet_bulb_instead(hours_of):
    hours = hours_of(air_temperature_c=[2.0], relative_humidity_pct=[60.0], precipitation_mm=[1.0])
    forcing = snow_forcing(hours, replace(PARAMETERS, phase="wet_bulb"))
    np.testing.assert_allclose(forcing.snowfall_water_mm, snow_fraction_wet_bulb(wet_bulb_c([2.0], [60.0])))


def test_humidity_follows_from_the_dew_point_where_it_is_missing(hours_of):
    hours = hours_of(
        air_temperature_c=[1.0, 1.0],
        relative_humidity_pct=[np.nan, 70.0],
        dew_point_c=[-1.0, -1.0],
        precipitation_mm=[1.0, 1.0],
    )
    forcing = snow_forcing(hours, PARAMETERS)
    expected = snow_fraction([1.0, 1.0], [relative_humidity_pct(1.0, -1.0), 70.0])
    np.testing.assert_allclose(forcing.snowfall_water_mm, expected)


def test_humidity_is_taken_as_85_percent_where_nobody_knows_it(hours_of):
    hours = hours_of(air_temperature_c=[1.0], precipitation_mm=[1.0])
    np.testing.assert_allclose(snow_forcing(hours, PARAMETERS).snowfall_water_mm, snow_fraction([1.0], [85.0]))
    assert not snow_forcing(hours, PARAMETERS).missing.any()


def test_humidity_above_saturation_counts_as_saturation(hours_of):
    hours = hours_of(air_temperature_c=[0.0], dew_point_c=[1.0], precipitation_mm=[1.0])
    np.testing.assert_allclose(snow_forcing(hours, PARAMETERS).snowfall_water_mm, snow_fraction([0.0], [100.0]))


def test_more_snow_than_precipitation_leaves_no_negative_rain(hours_of):
    hours = hours_of(air_temperature_c=[0.0], precipitation_mm=[1.0], snowfall_water_mm=[1.4])
    forcing = snow_forcing(hours, PARAMETERS)
    assert forcing.snowfall_water_mm == [1.4]
    assert forcing.rain_mm == [0.0]


def test_in_a_gap_of_up_to_six_hours_the_last_temperature_tells_snow_from_rain_and_in_a_longer_one_nothing_does(
    hours_of,
):
    six, seven = [np.nan] * 6, [np.nan] * 7
    temperature = [np.nan, 1.0, *six, 2.0, *seven, 3.0, np.nan]
    held = np.array([np.nan, 1.0, *([1.0] * 6), 2.0, *seven, 3.0, 3.0])
    hours = hours_of(air_temperature_c=temperature, precipitation_mm=[1.0] * len(temperature))
    forcing = snow_forcing(hours, PARAMETERS)
    np.testing.assert_array_equal(forcing.missing, np.isnan(held))
    np.testing.assert_allclose(forcing.snowfall_water_mm, np.nan_to_num(snow_fraction(held, 85.0), nan=0.0))


def test_a_temperature_carried_on_melts_nothing(hours_of):
    forcing = snow_forcing(
        hours_of(air_temperature_c=[6.0, np.nan, np.nan], precipitation_mm=[0.0, 0.0, 0.0]), PARAMETERS
    )
    np.testing.assert_array_equal(forcing.air_temperature_c, [6.0, np.nan, np.nan])


def test_a_gap_at_the_beginning_has_nothing_to_hold(hours_of):
    forcing = snow_forcing(hours_of(air_temperature_c=[np.nan, 1.0], precipitation_mm=[0.0, 0.0]), PARAMETERS)
    np.testing.assert_array_equal(forcing.air_temperature_c, [np.nan, 1.0])
    np.testing.assert_array_equal(forcing.missing, [True, False])


def test_unknown_precipitation_deposits_nothing_and_is_missing(hours_of):
    hours = hours_of(air_temperature_c=[-1.0, -1.0], precipitation_mm=[np.nan, 0.0])
    forcing = snow_forcing(hours, PARAMETERS)
    np.testing.assert_array_equal(forcing.snowfall_water_mm, [0.0, 0.0])
    np.testing.assert_array_equal(forcing.rain_mm, [0.0, 0.0])
    np.testing.assert_array_equal(forcing.missing, [True, False])


def test_precipitation_at_unknown_temperature_is_neither_snow_nor_rain_and_is_missing(hours_of):
    hours = hours_of(air_temperature_c=[np.nan], precipitation_mm=[4.0])
    forcing = snow_forcing(hours, PARAMETERS)
    assert forcing.snowfall_water_mm == [0.0]
    assert forcing.rain_mm == [0.0]
    assert forcing.missing.all()


def test_where_only_snowfall_or_only_rain_is_known_it_falls_and_the_rest_is_missing(hours_of):
    hours = hours_of(air_temperature_c=[0.0, 0.0], snowfall_water_mm=[1.0, np.nan], rain_mm=[np.nan, 2.0])
    forcing = snow_forcing(hours, PARAMETERS)
    np.testing.assert_array_equal(forcing.snowfall_water_mm, [1.0, 0.0])
    np.testing.assert_array_equal(forcing.rain_mm, [0.0, 2.0])
    assert forcing.missing.all()


def test_snowfall_and_rain_together_need_no_precipitation(hours_of):
    hours = hours_of(air_temperature_c=[0.0], snowfall_water_mm=[1.0], rain_mm=[0.5])
    forcing = snow_forcing(hours, PARAMETERS)
    assert (forcing.snowfall_water_mm[0], forcing.rain_mm[0], forcing.missing[0]) == (1.0, 0.5, False)


def test_missing_sun_counts_as_none_and_negative_sun_too(hours_of):
    hours = hours_of(air_temperature_c=[0.0] * 3, precipitation_mm=[0.0] * 3, solar_wm2=[np.nan, -0.2, 200.0])
    np.testing.assert_array_equal(snow_forcing(hours, PARAMETERS).solar_wm2, [0.0, 0.0, 200.0])
    assert not snow_forcing(hours, PARAMETERS).missing.any()


def test_a_table_without_any_weather_is_missing_throughout(hours_of):
    forcing = snow_forcing(hours_of(wind_gust_ms=[10.0, 12.0]), PARAMETERS)
    assert forcing.missing.all()
    assert forcing.snowfall_water_mm.sum() == forcing.rain_mm.sum() == 0


@pytest.mark.parametrize("bad", [np.nan, -1.0])
def test_a_forcing_with_an_unknown_or_negative_amount_is_refused(bad):
    zero, known = np.zeros(1), np.zeros(1, dtype=bool)
    with pytest.raises(ValueError, match="rain_mm must be known"):
        SnowForcing(zero, np.array([bad]), zero, zero, known)


def test_a_forcing_of_uneven_length_is_refused():
    with pytest.raises(ValueError, match="same number of hours"):
        SnowForcing(np.zeros(2), np.zeros(1), np.zeros(2), np.zeros(2), np.zeros(2, dtype=bool))
