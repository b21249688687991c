"""Storms: which hours belong together, and what each storm is called."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.hazards.snow import SnowParameters, snow_forcing
from monitor.storms import StormParameters, events, find_storms

PARAMETERS = StormParameters()

# Sixty hours of precipitation; events and their sums for four quiet times, counted by hand (the minimum inter-event
# time of Restrepo-Posada & Eagleson 1982)
RAIN_MM = np.zeros(60)
RAIN_MM[[2, 3, 4, 9, 10, 20, 33, 34, 35, 50]] = [1, 2, 0.5, 1, 1, 3, 0.2, 4, 1, 0.3]


@pytest.mark.parametrize(
    ("quiet_h", "expected"),
    [
        (4, [(2, 4, 3.5), (9, 10, 2.0), (20, 20, 3.0), (33, 35, 5.2), (50, 50, 0.3)]),
        (6, [(2, 10, 5.5), (20, 20, 3.0), (33, 35, 5.2), (50, 50, 0.3)]),
        (12, [(2, 20, 8.5), (33, 35, 5.2), (50, 50, 0.3)]),
        (24, [(2, 50, 14.0)]),
    ],
)
def test_events_are_parted_by_enough_quiet_hours(quiet_h, expected):
    found = [(first, last, RAIN_MM[first : last + 1].sum()) for first, last in events(RAIN_MM > 0, quiet_h)]
    np.testing.assert_allclose(found, expected)


def test_hours_without_an_active_one_have_no_event():
    assert events(np.zeros(5, dtype=bool), 12) == []
    assert events(np.zeros(0, dtype=bool), 12) == []


@given(arrays(np.bool_, 80), st.integers(1, 30))
def test_every_active_hour_is_in_one_event_and_events_lie_apart(active, quiet_h):
    found = events(active, quiet_h)
    inside = np.concatenate([np.arange(first, last + 1) for first, last in found]) if found else np.array([], dtype=int)
    assert len(np.unique(inside)) == len(inside)
    assert set(np.flatnonzero(active)) <= set(inside.tolist())
    for (_, last), (first, _) in pairwise(found):
        assert first - last - 1 >= quiet_h


# --- storms ----------------------------------------------------------------------------------------------------------


def hours_of(count=48, **columns):
    """Calm, dry, known hours at -3 degC from 8 February 2013; a keyword gives {hour: value} of a column."""
    index = pd.date_range("2013-02-08T00:00Z", periods=count, freq="h", name="hour_ending")
    calm = {"air_temperature_c": -3.0, "relative_humidity_pct": 90.0, "precipitation_mm": 0.0}
    hours = pd.DataFrame({**calm, "wind_speed_ms": 3.0, "wind_gust_ms": 5.0, "wind_from_deg": 40.0}, index=index)
    for name, values in columns.items():
        if name not in hours:
            hours[name] = "" if name == "present_weather" else np.nan
        for hour, value in values.items():
            hours.iloc[hour, hours.columns.get_loc(name)] = value
    return hours


def storms_of(hours, lying="", cycles=None, parameters=PARAMETERS):
    count = len(hours)
    return find_storms(
        hours,
        snow_forcing(hours, SnowParameters()),
        np.full(count, lying == "snow"),
        np.full(count, lying == "water"),
        np.zeros(count) if cycles is None else cycles,
        parameters,
    )


def test_calm_dry_hours_are_no_storm():
    assert storms_of(hours_of()) == []


def test_a_storm_tells_its_hours_sums_top_gust_and_extremes():
    hours = hours_of(
        snowfall_water_mm={10: 2.0, 12: 3.0},
        precipitation_mm={10: 2.5, 12: 3.0},
        air_temperature_c={10: 0.0, 11: -4.0},
        wind_gust_ms={11: 16.0, 12: 15.0},
        wind_from_deg={11: 60.0},
    )
    cycles = np.zeros(48)
    cycles[[11, 30]] = 1
    (storm,) = storms_of(hours, cycles=cycles)
    assert storm.start == datetime(2013, 2, 8, 10, tzinfo=UTC)
    assert storm.end == datetime(2013, 2, 8, 12, tzinfo=UTC)
    assert (storm.snow_water_mm, storm.rain_mm) == (5.0, 0.5)
    assert (storm.top_gust_ms, storm.top_gust_from_deg, storm.top_gust_estimated) == (16.0, 60.0, False)
    assert storm.top_gust_at == datetime(2013, 2, 8, 11, tzinfo=UTC)
    assert storm.freeze_thaw_cycles == 1
    assert (storm.min_temperature_c, storm.max_temperature_c) == (-4.0, 0.0)
    assert storm.missing_share == 0


# Lower bounds of Beaufort 7 and 8, 13.9 and 17.2 m/s: half a force below them by v = 0.836 B^1.5 (from memory)
@pytest.mark.parametrize(("force", "threshold_ms"), [(7, PARAMETERS.gust_ms), (8, PARAMETERS.gale_ms)])
def test_gust_thresholds_are_those_of_the_beaufort_scale(force, threshold_ms):
    assert 0.836 * (force - 0.5) ** 1.5 == pytest.approx(threshold_ms, abs=0.06)


@pytest.mark.parametrize(
    ("name", "below", "from_here"),
    [("snowfall_water_mm", 0.09, 0.1), ("wind_gust_ms", 13.8, 13.9), ("freezing_rain_mm", 0.0, 0.01)],
)
def test_an_hour_is_active_from_each_threshold(name, below, from_here):
    assert storms_of(hours_of(**{name: {20: below}})) == []
    assert len(storms_of(hours_of(**{name: {20: from_here}}))) == 1


def test_rain_is_a_storm_only_where_it_falls_on_something():
    hours = hours_of(precipitation_mm={20: 0.21}, air_temperature_c={20: 8.0})
    assert storms_of(hours) == []
    assert len(storms_of(hours, lying="snow")) == 1
    assert len(storms_of(hours, lying="water")) == 1


@pytest.mark.parametrize(
    ("code", "storms"),
    [("-FZRA", 1), ("FZDZ BR", 1), ("-FZRAPL", 1), ("+FZRA FZFG", 1), ("FZFG", 0), ("-RA BR", 0), ("", 0)],
)
def test_freezing_rain_and_drizzle_are_active_and_freezing_fog_is_not(code, storms):
    assert len(storms_of(hours_of(present_weather={20: code}))) == storms


def test_freezing_rain_by_code_amounts_to_what_fell_in_the_hour():
    hours = hours_of(present_weather={20: "-FZRA", 21: "-FZDZ"}, precipitation_mm={20: 1.5, 21: 0.5})
    (storm,) = storms_of(hours)
    assert storm.freezing_rain_mm == 2.0


def test_a_reported_amount_of_freezing_rain_goes_before_the_precipitation():
    hours = hours_of(present_weather={20: "-FZRA"}, precipitation_mm={20: 1.5}, freezing_rain_mm={20: 0.7})
    (storm,) = storms_of(hours)
    assert storm.freezing_rain_mm == 0.7


def test_freezing_rain_is_not_assessed_where_no_source_would_tell():
    (storm,) = storms_of(hours_of(wind_gust_ms={20: 20.0}))
    assert storm.freezing_rain_mm is None
    coded = hours_of(wind_gust_ms={20: 20.0}, present_weather={0: ""})
    assert storms_of(coded)[0].freezing_rain_mm == 0.0
    coded.loc[coded.index[20], "present_weather"] = np.nan
    assert storms_of(coded)[0].freezing_rain_mm is None


def test_freezing_rain_of_unknown_amount_is_unknown_and_not_none():
    (storm,) = storms_of(hours_of(present_weather={20: "FZRA"}, precipitation_mm={20: np.nan}))
    assert np.isnan(storm.freezing_rain_mm)
    assert storm.character() == "freezing rain"


def test_an_estimated_gust_makes_a_storm_and_is_said_to_be_estimated():
    # mean 11 m/s without a gust: 1.3615 * 11 = 14.98 m/s
    (storm,) = storms_of(hours_of(wind_speed_ms={20: 11.0}, wind_gust_ms={20: np.nan}))
    assert storm.top_gust_estimated
    assert storm.top_gust_ms == pytest.approx(14.98, abs=0.01)


def test_hours_without_wind_or_precipitation_are_counted_as_missing():
    hours = hours_of(
        wind_gust_ms={20: 15.0, 21: np.nan, 23: 15.0}, wind_speed_ms={21: np.nan}, precipitation_mm={22: np.nan}
    )
    (storm,) = storms_of(hours)
    assert storm.missing_share == 0.5


def test_a_storm_of_which_wind_and_temperature_are_unknown_says_so():
    unknown = dict.fromkeys(range(48), np.nan)
    hours = hours_of(
        snowfall_water_mm={20: 5.0}, wind_gust_ms=unknown, wind_speed_ms=unknown, air_temperature_c=unknown
    )
    (storm,) = storms_of(hours)
    assert np.isnan(storm.top_gust_ms)
    assert (storm.top_gust_at, storm.top_gust_from_deg, storm.top_gust_estimated) == (None, None, False)
    assert np.isnan(storm.min_temperature_c)
    assert np.isnan(storm.max_temperature_c)
    assert storm.missing_share == 1
    assert storm.character() == "wet snow"


def test_a_top_gust_of_unknown_direction_has_none():
    (storm,) = storms_of(hours_of(wind_gust_ms={20: 15.0}, wind_from_deg={20: np.nan}))
    assert storm.top_gust_from_deg is None


def test_twelve_quiet_hours_end_a_storm_and_eleven_do_not():
    assert len(storms_of(hours_of(wind_gust_ms={10: 15.0, 22: 15.0}))) == 1
    assert len(storms_of(hours_of(wind_gust_ms={10: 15.0, 23: 15.0}))) == 2


@pytest.mark.parametrize(
    ("columns", "lying", "words"),
    [
        ({"snowfall_water_mm": {10: 4.0}, "air_temperature_c": {10: 0.2}}, "", "wet snow"),
        ({"snowfall_water_mm": {10: 4.0}, "air_temperature_c": {10: -0.5}}, "", "wet snow"),
        ({"snowfall_water_mm": {10: 4.0}}, "", "dry snow"),
        ({"snowfall_water_mm": {10: 4.0}, "wind_gust_ms": {10: 14.0}}, "", "dry snow with strong wind"),
        ({"snowfall_water_mm": {10: 4.0}, "wind_gust_ms": {10: 18.0}}, "", "dry snow with gale"),
        ({"wind_gust_ms": {10: 18.0}}, "", "gale without snow"),
        ({"wind_gust_ms": {10: 14.0}}, "", "strong wind without snow"),
        ({"wind_gust_ms": {10: 14.0}, "snowfall_water_mm": {10: 0.3}}, "", "strong wind with a little snow"),
        ({"snowfall_water_mm": {10: 0.3}}, "", "a little snow"),
        ({"precipitation_mm": {10: 9.0}, "air_temperature_c": {10: 9.0}}, "snow", "rain on snow"),
        ({"precipitation_mm": {10: 0.5}, "air_temperature_c": {10: 9.0}}, "snow", "rain on snow or pockets"),
        ({"precipitation_mm": {10: 9.0}, "air_temperature_c": {10: 9.0}}, "water", "rain on snow or pockets"),
        (
            {"precipitation_mm": {10: 4.0, 12: 9.0}, "snowfall_water_mm": {10: 4.0, 12: 0.0}},
            "snow",
            "dry snow and rain on snow",
        ),
        ({"freezing_rain_mm": {10: 3.0}, "wind_gust_ms": {10: 18.0}}, "", "freezing rain with gale"),
    ],
)
def test_a_storm_is_called_after_what_it_brought(columns, lying, words):
    (storm,) = storms_of(hours_of(**columns), lying)
    assert storm.character() == words


def test_wet_or_dry_goes_by_the_snow_that_fell_and_not_by_the_hours_it_fell_in():
    hours = hours_of(snowfall_water_mm={10: 0.5, 11: 0.5, 12: 9.0}, air_temperature_c={10: 1.5, 11: 1.0, 12: -4.0})
    assert storms_of(hours)[0].character() == "dry snow"


def test_thresholds_are_the_callers():
    hours = hours_of(wind_gust_ms={10: 12.0})
    assert storms_of(hours) == []
    assert len(storms_of(hours, parameters=replace(PARAMETERS, gust_ms=11.0))) == 1
