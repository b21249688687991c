"""Sky and sun against published formulas, pvlib and one month of an airport's clouds."""

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hazards.air import relative_humidity_pct
from monitor.hazards.sky import (
    SkyParameters,
    clear_sky_wm2,
    known_dew_point_c,
    sky_emissivity,
    sky_over,
    sky_temperature_c,
    solar_elevation_deg,
    sunshine_through_cloud,
)
from monitor.weather.providers import metar_archive

PARAMETERS = SkyParameters()
KENNEDY = (40.64, -73.78)
PLACES = [KENNEDY, (59.9, 10.7), (-36.8, 174.8), (71.0, -156.8), (0.0, 0.0)]


# --- cold of the sky -------------------------------------------------------------------------------------------------


def test_reproduces_the_worked_example_of_the_energyplus_reference():
    # Air 293 K, dew point 283 K, clear: emissivity 0.815, radiation 340.6 W/m2; unrounded 0.81448 and 340.34
    emissivity = sky_emissivity(283 - 273.15, 0)
    np.testing.assert_allclose(emissivity, 0.81448, atol=1e-5)
    np.testing.assert_allclose(emissivity * 5.6697e-8 * 293**4, 340.34, atol=0.02)
    np.testing.assert_allclose(emissivity, 0.815, atol=0.001)


# Air 0 degC, dew point -5 degC: 0.787 + 0.764 ln(268.15/273) = 0.77331; clear 0.77331^0.25 * 273.15 = 256.15 K;
# overcast 1 + 0.224 - 0.35 + 0.28 = 1.154 times as much, 265.48 K
@pytest.mark.parametrize(("cloud_tenths", "expected_c"), [(0, -17.00), (10, -7.67)])
def test_sky_temperature_follows_the_hand_calculation(cloud_tenths, expected_c):
    np.testing.assert_allclose(sky_temperature_c(0.0, -5.0, cloud_tenths), expected_c, atol=0.01)


temperatures = st.floats(-40, 45)
clouds = st.floats(0, 10)


@given(temperatures, st.floats(0, 40), clouds)
def test_the_sky_is_never_warmer_than_the_air(air_c, below_k, cloud_tenths):
    assert sky_temperature_c(air_c, air_c - below_k, cloud_tenths) <= air_c + 1e-9


@given(temperatures, clouds)
def test_no_cloud_makes_the_coldest_sky_and_full_cloud_the_warmest(dew_c, cloud_tenths):
    between = sky_emissivity(dew_c, cloud_tenths)
    assert sky_emissivity(dew_c, 0) <= between <= sky_emissivity(dew_c, 10)


# --- sun -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), PLACES)
def test_the_sun_stands_where_pvlib_has_it(require, latitude_deg, longitude_deg):
    # pvlib 0.16, algorithm of NREL, without refraction; every 37 minutes of a year, so at all hours
    moments = pd.date_range("2013-01-01", "2013-12-31", freq="37min", tz="UTC")
    expected = require("pvlib.solarposition").get_solarposition(moments, latitude_deg, longitude_deg)["elevation"]
    ours = solar_elevation_deg(moments, latitude_deg, longitude_deg)
    np.testing.assert_allclose(ours, expected, atol=0.02)


def test_the_sun_stands_over_the_tropics_at_the_solstices():
    # Declination 23.44 deg: overhead at noon in 23.44 N in June, in 23.44 S in December; noon on the meridian of
    # Greenwich is within 3 minutes of 12:00 UTC, which is 0.7 deg at most
    noons = pd.DatetimeIndex(["2021-06-21T12:02Z", "2021-12-21T11:58Z"])
    assert solar_elevation_deg(noons, 23.44, 0.0)[0] > 89.5
    assert solar_elevation_deg(noons, -23.44, 0.0)[1] > 89.5


def test_clear_sky_sunshine_is_that_of_haurwitz_in_pvlib(require):
    zenith = pd.Series([0.0, 30.0, 60.0, 85.0, 89.9, 90.0, 120.0])
    expected = require("pvlib.clearsky").haurwitz(zenith)["ghi"]
    np.testing.assert_allclose(clear_sky_wm2(90 - zenith), expected, rtol=1e-9, atol=1e-9)


# 1 - 0.75 (N/10)^3.4: five tenths 0.5^3.4 = 0.094732, 1 - 0.071049
@pytest.mark.parametrize(("cloud_tenths", "share"), [(0, 1.0), (5, 0.928951), (10, 0.25)])
def test_cloud_takes_its_share_of_the_sun(cloud_tenths, share):
    np.testing.assert_allclose(sunshine_through_cloud(cloud_tenths), share, atol=1e-6)


def test_an_hour_has_the_mean_of_its_sunshine_at_sunrise_too(require, hours_of):
    # Mean of pvlib's position and sky at every minute of each of 48 hours
    hours = hours_of(cloud_cover_pct=[0.0] * 48)
    minutes = pd.date_range("2012-12-31T23:00:30Z", periods=48 * 60, freq="min")
    zenith = require("pvlib.solarposition").get_solarposition(minutes, *KENNEDY)["zenith"]
    expected = require("pvlib.clearsky").haurwitz(zenith)["ghi"].to_numpy().reshape(48, 60).mean(axis=1)
    assert 0 < np.count_nonzero(expected) < 24
    np.testing.assert_allclose(sky_over(hours, *KENNEDY, PARAMETERS).solar_wm2, expected, atol=1.0)


# --- a yard's sky ----------------------------------------------------------------------------------------------------

DAY = 18  # hour_ending 18:00Z, in which it is one in the afternoon at Kennedy


def one_day(hours_of, **columns):
    return sky_over(hours_of(**{name: [value] * 24 for name, value in columns.items()}), *KENNEDY, PARAMETERS)


def test_reported_cloud_and_sun_stand(hours_of):
    sky = one_day(hours_of, air_temperature_c=0.0, dew_point_c=-5.0, cloud_cover_pct=100.0, solar_wm2=50.0)
    np.testing.assert_array_equal(sky.cloud_tenths, 10.0)
    np.testing.assert_array_equal(sky.solar_wm2, 50.0)
    np.testing.assert_allclose(sky.temperature_c, -7.67, atol=0.01)
    assert not sky.cloud_estimated.any()
    assert not sky.solar_estimated.any()


def test_sun_that_nobody_reports_is_estimated_from_cloud_and_marked_by_day(hours_of):
    clear = one_day(hours_of, cloud_cover_pct=0.0)
    overcast = one_day(hours_of, cloud_cover_pct=100.0)
    np.testing.assert_allclose(overcast.solar_wm2, 0.25 * clear.solar_wm2)
    np.testing.assert_array_equal(clear.solar_estimated, clear.solar_wm2 > 0)
    assert clear.solar_estimated[DAY - 1]
    assert not clear.solar_estimated[DAY - 13]


def test_a_sensor_that_reads_a_little_below_nothing_at_night_reads_nothing(hours_of):
    np.testing.assert_array_equal(one_day(hours_of, solar_wm2=-2.0).solar_wm2, 0.0)


# 5 tenths up to 55 %, 9 from 90 % on, between them 4/35 tenths for each per cent; 10 where anything fell
@pytest.mark.parametrize(
    ("humidity_pct", "precipitation_mm", "cloud_tenths"),
    [(30, 0, 5.0), (55, 0, 5.0), (72.5, 0, 7.0), (90, 0, 9.0), (100, 0, 9.0), (30, 0.2, 10.0), (np.nan, 0, 7.0)],
)
def test_cloud_that_nobody_reports_is_taken_from_humidity_and_precipitation(
    hours_of, humidity_pct, precipitation_mm, cloud_tenths
):
    sky = one_day(
        hours_of, air_temperature_c=5.0, relative_humidity_pct=humidity_pct, precipitation_mm=precipitation_mm
    )
    np.testing.assert_allclose(sky.cloud_tenths, cloud_tenths, atol=1e-6)
    assert sky.cloud_estimated.all()


def test_the_temperature_of_the_sky_is_unknown_where_air_or_humidity_is_and_the_sun_is_not(hours_of):
    hours = hours_of(air_temperature_c=[1.0, np.nan, 1.0], dew_point_c=[0.0, 0.0, np.nan])
    sky = sky_over(hours, *KENNEDY, PARAMETERS)
    np.testing.assert_array_equal(np.isnan(sky.temperature_c), [False, True, True])
    assert not np.isnan(sky.solar_wm2).any()


def test_the_dew_point_is_as_reported_and_else_follows_from_the_humidity(hours_of):
    # 20 degC and 50 %: 9.2611 degC
    hours = hours_of(
        air_temperature_c=[20.0, 20.0, 20.0],
        relative_humidity_pct=[50.0, 50.0, np.nan],
        dew_point_c=[8.0, np.nan, np.nan],
    )
    np.testing.assert_allclose(known_dew_point_c(hours), [8.0, 9.2611, np.nan], atol=1e-4)


@pytest.fixture
def kennedy_december(shared):
    """Reports of Kennedy airport, December 2020, as the archive sent them: the month the guess was fitted to."""
    body = (shared / "samples" / "iem_asos_JFK_202012.csv").read_bytes()
    return metar_archive.parse(body, fetched_at=datetime(2021, 1, 2, tzinfo=UTC), station="JFK").hours


def test_the_guess_of_cloud_is_right_on_average_and_a_little_nearer_than_the_mean(kennedy_december):
    seen = kennedy_december["cloud_cover_pct"].to_numpy() / 10
    unreported = kennedy_december.drop(columns="cloud_cover_pct")
    error = sky_over(unreported, *KENNEDY, PARAMETERS).cloud_tenths - seen
    assert abs(np.nanmean(error)) < 0.5
    assert np.sqrt(np.nanmean(error**2)) < np.nanstd(seen)


def test_humidity_at_the_ground_says_little_about_cloud(kennedy_december):
    # Why the guess stays near the middle: a line through humidity explains under a fifth of the scatter
    seen = kennedy_december["cloud_cover_pct"].to_numpy()
    humidity = relative_humidity_pct(kennedy_december["air_temperature_c"], kennedy_december["dew_point_c"])
    assert np.corrcoef(seen, humidity)[0, 1] ** 2 < 0.2
