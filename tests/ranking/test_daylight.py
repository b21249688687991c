"""Sunrise and sunset beside a published value and pvlib, over the year and the globe, and where the sun stays away."""

from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest
from invented_yard import YARD

from monitor.register import Yard
from monitor.walks.daylight import coming_daylight, daylight

SUNRISE_DEG = -0.8333
"""True height of the sun's centre at sunrise and sunset: 16' for its radius and 34' for refraction, as is usual."""


def yard_at(latitude_deg, longitude_deg, time_zone):
    return Yard("here", "Here", latitude_deg, longitude_deg, 0.0, time_zone)


PORTLAND = YARD
TROMSO = yard_at(69.65, 18.95, "Europe/Oslo")


def test_reproduces_the_example_of_nrels_solar_position_algorithm():
    # Reda & Andreas, Solar position algorithm, NREL/TP-560-34302, the example of its code: 39.742476 N, 105.1786 W, UTC
    # - 7 h, 17 October 2003: sunrise 06:12:43, sunset 17:20:19. Read in the comment of public copies of that code. It
    # works by days of UT, so that its sunset is 17 October 00:20:19 UT, in the evening of 16 October at the place.
    place = yard_at(39.742476, -105.1786, "America/Phoenix")
    sunrise, sunset = daylight(place, date(2003, 10, 17)).sunrise, daylight(place, date(2003, 10, 16)).sunset
    assert abs(sunrise - datetime(2003, 10, 17, 13, 12, 43, tzinfo=UTC)) < timedelta(seconds=30)
    assert abs(sunset - datetime(2003, 10, 17, 0, 20, 19, tzinfo=UTC)) < timedelta(seconds=30)


@pytest.mark.parametrize(
    "yard, seconds",
    [
        (PORTLAND, 30),
        (yard_at(54.3, 10.1, "Europe/Berlin"), 40),
        (yard_at(-41.3, 174.8, "Pacific/Auckland"), 30),
        (yard_at(13.0, -172.0, "Pacific/Apia"), 30),
        (yard_at(0.0, -179.9, "Pacific/Auckland"), 30),
        (yard_at(64.84, -147.7, "America/Anchorage"), 120),
    ],
)
def test_pvlib_has_the_sun_on_the_horizon_at_both_moments(yard, seconds):
    # pvlib 0.16, solarposition.spa_python; every 10 days of a year
    pvlib = pytest.importorskip("pvlib")
    lights = [daylight(yard, date(2026, 1, 1) + timedelta(days=10 * number)) for number in range(36)]
    moments = pd.DatetimeIndex([moment for light in lights for moment in (light.sunrise, light.sunset)])
    minute = pd.Timedelta(minutes=1)
    before, after = (
        pvlib.solarposition.spa_python(moments + shift, yard.latitude_deg, yard.longitude_deg)["elevation"].to_numpy()
        for shift in (-minute, minute)
    )
    off_s = ((before + after) / 2 - SUNRISE_DEG) / ((after - before) / 120)
    assert abs(off_s).max() < seconds


@pytest.mark.parametrize("yard", [PORTLAND, yard_at(64.84, -147.7, "America/Anchorage")])
def test_sunset_follows_sunrise_and_both_belong_to_the_day_asked_for(yard):
    for number in range(0, 365, 5):
        day = date(2026, 1, 1) + timedelta(days=number)
        light = daylight(yard, day)
        assert timedelta(hours=3) < light.sunset - light.sunrise < timedelta(hours=22)
        middle = light.sunrise + (light.sunset - light.sunrise) / 2
        assert (middle + timedelta(hours=yard.longitude_deg / 15)).date() == day  # noon by the sun


def test_every_sunset_of_a_year_is_found_where_one_utc_day_holds_two():
    fairbanks = yard_at(64.84, -147.7, "America/Anchorage")
    assert all(daylight(fairbanks, date(2026, 11, 20) + timedelta(days=number)).sunset for number in range(20))


def test_polar_night_is_told_in_a_sentence_and_has_no_moments():
    light = daylight(TROMSO, date(2026, 12, 21))
    assert (light.sunrise, light.sunset) == (None, None)
    assert light.remark == (
        "The sun does not rise at the yard on 2026-12-21: without daylight the light sets no limit. Take lamps."
    )


def test_polar_day_is_told_in_a_sentence():
    light = daylight(TROMSO, date(2026, 6, 21))
    assert (light.sunrise, light.sunset) == (None, None)
    assert light.remark == "The sun does not set at the yard on 2026-06-21: the light sets no limit."


def test_an_ordinary_day_has_no_remark():
    assert daylight(PORTLAND, date(2026, 2, 21)).remark == ""


def test_after_sunset_the_next_days_light_comes():
    today = daylight(PORTLAND, date(2026, 2, 21))
    second = timedelta(seconds=1)
    assert coming_daylight(PORTLAND, today.sunrise - timedelta(hours=5)) == today
    assert coming_daylight(PORTLAND, today.sunset - second) == today
    assert coming_daylight(PORTLAND, today.sunset) == daylight(PORTLAND, date(2026, 2, 22))
