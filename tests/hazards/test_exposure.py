"""Exposures of covers on small made weather, by hand: which hours count, what resets them, and what is not known."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.clocks import Log, clocks
from monitor.hazards import exposure
from monitor.hazards.exposure import assess
from monitor.hazards.series import HazardParameters, YardWeather, cover_ids, cover_series, yard_weather
from monitor.inspections import Action, Inspection
from monitor.ranking import RankingParameters, rank_covers
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.weather.table import NONE_REPORTED, SourceSeries, hourly_index, merge_by_priority, no_flags

START = datetime(2025, 12, 1, tzinfo=UTC)
PARAMETERS = HazardParameters()
YARD = Yard("north", "North Basin", 44.65, -63.57, 3.0, "America/Halifax")
MM_KPA = 0.00980665  # weight of 1 mm of water
STATION, SERVICE = "metar-archive:observed", "open-meteo:forecast"

FLAT = CoverBuild(built_at=START, flattest_slope_deg=0.0, ridge_rise_m=1.5, ridge_above_ground_m=10.0)
"""A cover 10 m high, so that the gust at the cover is the gust at 10 m."""


def hour(n):
    """The moment at which the n-th hour of the weather ends."""
    return START + timedelta(hours=n)


def at(n):
    """The same as numpy writes it."""
    return np.datetime64(hour(n).replace(tzinfo=None), "s")


def station(first=1, none_reported=(), **columns):
    """Observed hours from the first-th on; gusts of the hours (counted from 0) in none_reported were looked for."""
    count = len(next(iter(columns.values())))
    index = hourly_index([hour(first + i) for i in range(count)])
    hours = pd.DataFrame(columns, index=index, dtype="float64")
    flags = no_flags(hours)
    for i in none_reported:
        flags.loc[index[i], "wind_gust_ms"] = NONE_REPORTED
    return SourceSeries("metar-archive", "observed", hours, flags)


def service(first=1, **columns):
    """Forecast hours of another source."""
    return replace(station(first, **columns), source="open-meteo", kind="forecast")


def cover(key=1, build=FLAT, *later, heading_deg=90.0, shelter="exposed"):
    """A cover of an invented boat; it lies east, so that a northerly meets it abeam."""
    boat = Boat(str(key), "Ebba", "motor", 12.0, 3.0, "stands", "A", key, heading_deg, shelter)
    return Cover(boat, date(2025, 12, 1), (build, *later), id=key)


def inspection(when, key=1, **measured):
    return Inspection(f"i{key}", key, when, when, "Ida", **{"inside": False, **measured})


def action(name, when, key=1):
    return Action(f"{name}{key}", key, when, when, "Ida", name)


def clocks_of(covers, inspections=(), actions=()):
    return clocks({one.id: one.builds[0].built_at for one in covers}, {}, Log(inspections, (), actions))


def weather_of(series, as_of):
    return yard_weather(merge_by_priority(series, ["metar-archive"]), YARD, START, as_of, PARAMETERS)


def exposures_of(series, covers=None, *, until, inspections=(), actions=()):
    """Exposures by hazard at the end of the until-th hour."""
    covers = covers or [cover()]
    as_of = until if isinstance(until, datetime) else hour(until)
    weather = series if isinstance(series, YardWeather) else weather_of(series, as_of)
    since = clocks_of(covers, inspections, actions)
    found = assess(weather, YARD, covers, actions, inspections, since, as_of, PARAMETERS)
    return {one.hazard: one for one in found}


def series_of(series, covers, *, until, actions=(), inspections=()):
    """What the weather did to each cover hour by hour."""
    return cover_series(weather_of(series, hour(until)), YARD, covers, actions, inspections, PARAMETERS)


def loads_of(series, covers, *, until, actions=(), inspections=()):
    """Snow load of each hour and cover. [kPa]"""
    return series_of(series, covers, until=until, actions=actions, inspections=inspections).snow_load_kpa


COLD_SNOW_AND_WIND = station(
    air_temperature_c=[-5, -5, -5, -5, -5, -5],
    snowfall_water_mm=[0, 10, 0, 0, 0, 0],
    precipitation_mm=[0, 10, 0, 0, 0, 0],
    wind_gust_ms=[10, 20, 10, 10, 15, 10],
    wind_speed_ms=[8, 14, 8, 8, 11, 8],
    wind_from_deg=[0, 0, 0, 0, 0, 0],
)
"""Six hours: 10 mm of dry snow and a gust of 20 m/s abeam in the second, a gust of 15 m/s in the fifth."""


# --- the hand calculation --------------------------------------------------------------------------------------------


def test_six_hours_of_snow_and_wind_by_hand():
    found = exposures_of([COLD_SNOW_AND_WIND], until=6)
    # Snow: 10 mm * 0.00980665. Gust abeam: 0.613 * 20^2 = 245.2 Pa; at 15 m/s 137.925, at 10 m/s 61.3.
    # Work above 30 Pa: 4 * 31.3 + 215.2 + 107.925 = 448.325 Pa h. Unseen: 6 h = 0.25 d
    values = {name: one.value[0] for name, one in found.items()}
    expected = {"snow": 0.0980665, "pocket": 0, "gust": 245.2, "slack": 0.448325, "freeze_thaw": 0, "unseen": 0.25}
    assert list(values) == list(expected)
    np.testing.assert_allclose(list(values.values()), list(expected.values()), atol=1e-9)
    assert all(one.missing_share[0] == 0 for one in found.values())


def test_each_exposure_names_its_hour_and_what_there_is_to_add():
    found = exposures_of([COLD_SNOW_AND_WIND], until=6)
    assert found["snow"].hour_ending[0] == found["gust"].hour_ending[0] == at(2)
    assert found["slack"].hour_ending[0] == at(6)
    assert found["unseen"].hour_ending[0] == at(0)
    assert np.isnat([found[name].hour_ending[0] for name in ("pocket", "freeze_thaw")]).all()
    assert found["gust"].note == ["90° off the bow to port"]
    assert found["slack"].note == ["belly band spacing not recorded, taken as 1.8 m"]
    assert found["unseen"].note == ["never inspected since wrapping"]


def test_a_pocket_holds_what_drained_into_it_and_has_not_left():
    # Level film: 4 * 1 mm of rain, less 0.02 mm in each of two warm hours
    weather = station(air_temperature_c=[3, 3], precipitation_mm=[1, 0], snowfall_water_mm=[0, 0])
    found = exposures_of([weather], until=2)
    np.testing.assert_allclose(found["pocket"].value, [3.96])
    assert found["pocket"].hour_ending[0] == at(2)


def test_a_freeze_thaw_cycle_counts_in_the_hour_that_completes_it():
    found = exposures_of([station(air_temperature_c=[2, -1, 0.9, 1, 5])], until=5)
    np.testing.assert_array_equal(found["freeze_thaw"].value, [1])
    assert found["freeze_thaw"].hour_ending[0] == at(4)


# --- the clocks ------------------------------------------------------------------------------------------------------


def test_an_hour_counts_that_ends_after_the_inspection_and_not_the_one_that_ends_with_it():
    with_it = exposures_of([COLD_SNOW_AND_WIND], until=6, inspections=[inspection(hour(2))])
    within_it = exposures_of([COLD_SNOW_AND_WIND], until=6, inspections=[inspection(hour(2) - timedelta(seconds=1))])
    np.testing.assert_allclose(with_it["gust"].value, [137.925])  # the 15 m/s of hour 5
    assert with_it["gust"].hour_ending[0] == at(5)
    np.testing.assert_allclose(within_it["gust"].value, [245.2])


def test_the_peak_since_an_inspection_is_not_the_winters():
    # 20 mm in hour 1, cleared, looked at, then 10 mm in hour 5
    snow = [20, 0, 0, 0, 10, 0]
    weather = station(air_temperature_c=[-5] * 6, snowfall_water_mm=snow, precipitation_mm=snow)
    cleared = action("cleared_snow", hour(2))
    before = exposures_of([weather], until=6, actions=[cleared])
    after = exposures_of([weather], until=6, actions=[cleared], inspections=[inspection(hour(3))])
    np.testing.assert_allclose(before["snow"].value, [20 * MM_KPA])
    np.testing.assert_allclose(after["snow"].value, [10 * MM_KPA])
    assert (before["snow"].hour_ending[0], after["snow"].hour_ending[0]) == (at(1), at(5))


def test_snow_that_still_lies_counts_after_an_inspection_too():
    found = exposures_of([COLD_SNOW_AND_WIND], until=6, inspections=[inspection(hour(4))])
    np.testing.assert_allclose(found["snow"].value, [10 * MM_KPA])
    assert found["snow"].hour_ending[0] == at(5)


COLD_THEN_WARM = station(
    air_temperature_c=[-3, 2, -3, 2, 2, 2],
    precipitation_mm=[0, 0, 0, 1, 0, 0],
    rain_mm=[0, 0, 0, 1, 0, 0],
    snowfall_water_mm=[0, 0, 0, 0, 0, 0],
    wind_gust_ms=[20, 0, 0, 0, 20, 0],
    wind_speed_ms=[14, 0, 0, 0, 14, 0],
    wind_from_deg=[0, 0, 0, 0, 0, 0],
)
"""Six hours with a freeze-thaw cycle in the second and the fourth, 1 mm of rain, and 20 m/s abeam in hours 1 and 5."""


def test_an_inspection_resets_snow_gust_cycles_and_days_and_leaves_slack_and_water_as_they_are():
    never = exposures_of([COLD_THEN_WARM], until=6)
    seen = exposures_of([COLD_THEN_WARM], until=6, inspections=[inspection(hour(5))])
    # Work 2 * 0.2152 kPa h; pocket 4 mm less 3 * 0.02
    before = {"snow": 0, "pocket": 3.94, "gust": 245.2, "slack": 0.4304, "freeze_thaw": 2, "unseen": 0.25}
    after = {"snow": 0, "pocket": 3.94, "gust": 0, "slack": 0.4304, "freeze_thaw": 0, "unseen": 1 / 24}
    for hazard in before:
        np.testing.assert_allclose([never[hazard].value[0], seen[hazard].value[0]], [before[hazard], after[hazard]])
    assert seen["unseen"].hour_ending[0] == at(5)
    assert seen["unseen"].note == [""]


@pytest.mark.parametrize("name", ["retensioned_band", "retensioned_belly_bands"])
def test_re_tensioning_restarts_slack_alone(name):
    before = exposures_of([COLD_THEN_WARM], until=6)
    after = exposures_of([COLD_THEN_WARM], until=6, actions=[action(name, hour(3))])
    for hazard in before:
        restarted = hazard == "slack"
        assert (after[hazard].value[0] == before[hazard].value[0]) is not restarted
    np.testing.assert_allclose(after["slack"].value, [0.2152])


@pytest.mark.parametrize(
    ("spacing", "factor", "note"),
    [
        ({"belly_band_spacing_m": 1.8}, 1, "belly bands every 1.8 m"),
        ({"belly_band_spacing_m": 2.4}, 4 / 3, "belly bands every 2.4 m"),
        ({"belly_band_count": 4}, 4 / 3, "belly bands every 2.4 m"),  # 12 m of hull in five parts
        ({"belly_band_count": 0}, 12 / 1.8, "belly bands every 12.0 m"),
        ({}, 1, "belly band spacing not recorded, taken as 1.8 m"),
    ],
)
def test_slack_grows_with_the_distance_between_belly_bands(spacing, factor, note):
    found = exposures_of([COLD_SNOW_AND_WIND], [cover(1, replace(FLAT, **spacing))], until=6)
    np.testing.assert_allclose(found["slack"].value, [0.448325 * factor])
    assert found["slack"].note == [note]


def test_days_unseen_count_to_the_minute():
    found = exposures_of([COLD_SNOW_AND_WIND], until=hour(5) + timedelta(minutes=30))
    np.testing.assert_allclose(found["unseen"].value, [5.5 / 24])


def test_an_inspection_later_than_the_moment_asked_for_leaves_nothing_to_count():
    found = exposures_of([COLD_SNOW_AND_WIND], until=3, inspections=[inspection(hour(5))])
    assert found["unseen"].value[0] == 0
    assert np.isnan(found["gust"].value[0])
    assert found["gust"].missing_share[0] == 0


# --- what people do to a cover ---------------------------------------------------------------------------------------

SNOW_TWICE = station(
    air_temperature_c=[-5] * 6, snowfall_water_mm=[0, 10, 0, 0, 10, 0], precipitation_mm=[0, 10, 0, 0, 10, 0]
)


@pytest.mark.parametrize("minutes", [0, 30, 59])
def test_cleared_snow_empties_the_cover_from_the_hour_in_which_it_was_done(minutes):
    done = action("cleared_snow", hour(3) + timedelta(minutes=minutes))
    load = loads_of([SNOW_TWICE], [cover()], until=6, actions=[done])[:, 0]
    np.testing.assert_allclose(load / MM_KPA, [0, 10, 10, 0, 10, 10])


def test_an_action_on_one_cover_leaves_its_neighbour_alone():
    load = loads_of([SNOW_TWICE], [cover(1), cover(2)], until=6, actions=[action("cleared_snow", hour(3), key=2)])
    np.testing.assert_allclose(load[-1] / MM_KPA, [20, 10])


def test_drained_water_empties_the_pocket_and_leaves_the_snow():
    rain = [0, 0, 1, 0, 0, 0]
    weather = station(
        air_temperature_c=[-5, -5, 0, 0, 0, 0],
        snowfall_water_mm=[0, 10, 0, 0, 0, 0],
        rain_mm=rain,
        precipitation_mm=[0, 10, 1, 0, 0, 0],
    )
    # 8 % of 10 mm stays in the snow; 4 * 0.2 mm drains into the pocket, less 4 * 0.005 mm
    wet = exposures_of([weather], until=6)
    np.testing.assert_allclose(wet["pocket"].value, [4 * 0.2 - 4 * 0.005], atol=1e-9)
    drained = exposures_of([weather], until=6, actions=[action("drained_water", hour(5))])
    np.testing.assert_array_equal(drained["pocket"].value, [0])
    np.testing.assert_array_equal(drained["snow"].value, wet["snow"].value)


def test_a_new_build_counts_from_its_moment_and_leaves_the_past_to_the_old_one():
    # 60 deg keeps (70 - 60)/55 of the snow that falls on it; what lies from before stays where it is in the cold
    steep = replace(FLAT, built_at=hour(3), flattest_slope_deg=None, ridge_rise_m=1.5 * np.tan(np.radians(60)))
    load = loads_of([SNOW_TWICE], [cover(1, FLAT, steep)], until=6)[:, 0]
    np.testing.assert_allclose(load / MM_KPA, [0, 10, 10, 10, 10 + 10 * 10 / 55, 10 + 10 * 10 / 55])


def test_a_lower_ridge_takes_less_wind_from_its_moment_on():
    # Open ground: a gust at 5 m is 0.5^0.15 of the gust at 10 m, its pressure 0.5^0.3
    lower = replace(FLAT, built_at=hour(3), ridge_above_ground_m=5.0)
    found = exposures_of([COLD_SNOW_AND_WIND], [cover(1, FLAT, lower)], until=6)
    work = 31.3 + 215.2 + 31.3 + (61.3 * 0.5**0.3 - 30) * 2 + 137.925 * 0.5**0.3 - 30
    np.testing.assert_allclose(found["slack"].value, [work / 1000])


def test_slack_goes_by_the_belly_bands_as_they_are_now():
    closer = replace(FLAT, built_at=hour(5), belly_band_spacing_m=0.9)
    covers = [cover(1, FLAT, closer)]
    np.testing.assert_allclose(exposures_of([COLD_SNOW_AND_WIND], covers, until=6)["slack"].value, [0.448325 / 2])
    np.testing.assert_allclose(exposures_of([COLD_SNOW_AND_WIND], covers, until=4)["slack"].value, [0.3091])


def test_a_cover_holds_nothing_and_counts_nothing_before_it_is_wrapped():
    late = cover(2, replace(FLAT, built_at=hour(3)))
    load = loads_of([SNOW_TWICE], [cover(1), late], until=6)
    np.testing.assert_allclose(load / MM_KPA, np.transpose([[0, 10, 10, 10, 20, 20], [0, 10, 10, 0, 10, 10]]))
    found = exposures_of([COLD_SNOW_AND_WIND], [cover(1), late], until=6)
    np.testing.assert_allclose(found["snow"].value, [10 * MM_KPA, 0])
    np.testing.assert_allclose(found["gust"].value, [245.2, 137.925])
    np.testing.assert_allclose(found["slack"].value, [0.448325, 0.170525])
    np.testing.assert_allclose(found["unseen"].value, [0.25, 0.125])


def test_a_cover_that_is_not_stored_is_refused_by_its_boat():
    with pytest.raises(ValueError, match="boat 7 is not stored yet"):
        cover_ids([cover(1), replace(cover(7), id=None)])


# --- hours of which nobody knows -------------------------------------------------------------------------------------


def test_unknown_hours_are_counted_each_for_the_hazard_and_clock_they_matter_to():
    # 24 hours: no wind in hours 8 to 15, no amount in 23 and 24. Looked at after hour 12: 3 and 2 of 12 are unknown
    wind = [8.0] * 7 + [np.nan] * 8 + [8.0] * 9
    amount = [0.0] * 22 + [np.nan] * 2
    weather = station(air_temperature_c=[2.0] * 24, precipitation_mm=amount, wind_speed_ms=wind, wind_gust_ms=wind)
    found = exposures_of([weather], until=24, inspections=[inspection(hour(12))])
    shares = {name: one.missing_share[0] for name, one in found.items()}
    expected = {"snow": 2 / 12, "pocket": 2 / 12, "gust": 3 / 12, "slack": 8 / 24, "freeze_thaw": 0, "unseen": 0}
    assert shares == pytest.approx(expected)


def test_hours_before_the_first_known_and_after_the_last_are_missing():
    known = station(first=3, air_temperature_c=[2.0] * 3, precipitation_mm=[0.0] * 3, wind_speed_ms=[8.0] * 3)
    found = exposures_of([known], until=10)
    shares = {name: one.missing_share[0] for name, one in found.items()}
    # The snow may hold the temperature of hour 5 through hours 6 to 10; the amounts are unknown all the same
    expected = {"snow": 0.7, "pocket": 0.7, "gust": 0.7, "slack": 0.7, "freeze_thaw": 0.7, "unseen": 0}
    assert shares == pytest.approx(expected)


def test_a_gust_that_was_looked_for_and_not_reported_is_not_missing():
    weather = station(
        none_reported=[0, 1, 2], wind_speed_ms=[5, 10, 5], wind_gust_ms=[np.nan] * 3, wind_from_deg=[0] * 3
    )
    found = exposures_of([weather], until=3)
    # 1.3615 times the mean wind, see the tests of the wind
    np.testing.assert_allclose(found["gust"].value, [0.613 * 13.615**2], rtol=1e-4)
    assert found["gust"].missing_share[0] == 0
    assert found["gust"].note == ["90° off the bow to port, gust estimated from mean wind"]
    assert found["gust"].source == [STATION]


def test_without_a_direction_half_of_the_pressure_counts_and_the_note_says_why():
    found = exposures_of([station(wind_gust_ms=[20.0], wind_speed_ms=[14.0])], until=1)
    np.testing.assert_allclose(found["gust"].value, [122.6])
    assert found["gust"].note == ["direction not reported"]


def test_where_no_hour_is_known_what_is_counted_is_unknown_and_not_nothing():
    found = exposures_of([], until=24)
    for hazard in ("gust", "slack", "freeze_thaw"):
        assert np.isnan(found[hazard].value[0])
    for hazard in ("snow", "pocket", "gust", "slack", "freeze_thaw"):
        assert found[hazard].missing_share[0] == 1
        assert np.isnat(found[hazard].hour_ending[0])
        assert found[hazard].source == [""]
    assert found["unseen"].value[0] == 1
    # Five hazards of which nothing is known, 0.1 each; unseen for 1 day: 1 / (1 + 60^1.5098) = 0.00206
    (line,) = rank_covers(["1"], [1], list(found.values()), {}, None, RankingParameters())
    assert line.score == pytest.approx(1 - 0.9**5 * (1 - 0.00206), abs=1e-5)


def test_before_the_first_hour_has_passed_nothing_is_missing_and_nothing_known():
    found = exposures_of([COLD_SNOW_AND_WIND], until=START + timedelta(minutes=20))
    for hazard in ("snow", "pocket", "gust", "slack", "freeze_thaw"):
        assert found[hazard].missing_share[0] == 0
        assert np.isnat(found[hazard].hour_ending[0])
        assert not found[hazard].value[0] > 0


def test_the_source_named_is_the_one_of_the_hour_that_counts():
    forecast = service(
        air_temperature_c=[-5.0] * 5,
        precipitation_mm=[0, 0, 0, 5, 0],
        snowfall_water_mm=[0, 0, 0, 5, 0],
        wind_gust_ms=[30, 30, 30, 12, 12],
        wind_speed_ms=[9] * 5,
    )
    observed = station(
        air_temperature_c=[-5.0] * 3, precipitation_mm=[0] * 3, wind_gust_ms=[10, 25, 10], wind_speed_ms=[9] * 3
    )
    found = exposures_of([forecast, observed], until=5)
    assert (found["snow"].source, found["snow"].hour_ending[0]) == ([SERVICE], at(4))
    assert (found["gust"].source, found["gust"].hour_ending[0]) == ([STATION], at(2))
    assert (found["slack"].source, found["slack"].hour_ending[0]) == ([SERVICE], at(5))
    assert (found["unseen"].source, found["unseen"].hour_ending[0]) == (["inspection log"], at(0))


def test_where_the_last_hours_are_unknown_the_source_named_is_the_newest_before():
    found = exposures_of([COLD_SNOW_AND_WIND], until=9)
    assert found["slack"].source == [STATION]
    assert found["slack"].missing_share[0] == pytest.approx(3 / 9)


# --- covers together -------------------------------------------------------------------------------------------------

WINTER_HOURS = 60


def made_winter(seed=7):
    """Sixty hours of snow, thaw, rain and wind, some of them unknown."""
    rng = np.random.default_rng(seed)
    amount = np.where(rng.random(WINTER_HOURS) < 0.4, rng.gamma(1.5, 2.0, WINTER_HOURS), 0.0)
    gust = rng.gamma(2.0, 5.0, WINTER_HOURS)
    columns = {
        "air_temperature_c": 4 * np.sin(np.arange(WINTER_HOURS) / 9) + rng.normal(0, 1, WINTER_HOURS) - 1,
        "relative_humidity_pct": np.full(WINTER_HOURS, 90.0),
        "precipitation_mm": amount,
        "wind_gust_ms": gust,
        "wind_speed_ms": gust / 1.4,
        "wind_from_deg": rng.integers(0, 36, WINTER_HOURS) * 10.0,
    }
    for values in columns.values():
        values[rng.integers(0, WINTER_HOURS, 3)] = np.nan
    return station(**columns)


def made_covers():
    """Eight covers of all kinds; the last two are alike but for their number, and stand in the wrong order."""
    steep = replace(FLAT, built_at=hour(20), flattest_slope_deg=None, ridge_rise_m=4.0)
    late = replace(FLAT, built_at=hour(12), flattest_slope_deg=10.0)
    return [
        cover(1),
        cover(2, replace(FLAT, flattest_slope_deg=5.0, belly_band_spacing_m=2.4), heading_deg=10.0),
        cover(3, FLAT, steep, shelter="partly"),
        cover(4, late, shelter="sheltered", heading_deg=200.0),
        cover(5, late, replace(late, built_at=hour(30), ridge_above_ground_m=3.0)),
        cover(6, replace(FLAT, flattest_slope_deg=None, ridge_rise_m=1.5), heading_deg=45.0),
        cover(8, late, heading_deg=300.0),
        cover(7, late, heading_deg=300.0),
    ]


LOGGED = [inspection(hour(25), 2), inspection(hour(40), 3)]
DONE = [
    action("cleared_snow", hour(30), 1),
    action("drained_water", hour(22), 6),
    action("retensioned_band", hour(15), 8),
]


def ranked(covers, found):
    boats, ids = [one.boat.number for one in covers], [one.id for one in covers]
    return rank_covers(boats, ids, list(found.values()), {}, 0.0, RankingParameters())


@pytest.fixture(scope="module")
def winter():
    return weather_of([made_winter()], hour(WINTER_HOURS))


@settings(max_examples=25)
@given(order=st.permutations(range(8)))
def test_the_order_of_covers_never_matters(winter, order):
    covers = made_covers()
    shuffled = [covers[i] for i in order]
    one, other = (
        exposures_of(winter, some, until=WINTER_HOURS, inspections=LOGGED, actions=DONE) for some in (covers, shuffled)
    )
    for hazard, found in one.items():
        np.testing.assert_allclose(found.value[order], other[hazard].value, rtol=1e-12)
        np.testing.assert_array_equal(found.hour_ending[order], other[hazard].hour_ending)
        assert [found.note[i] for i in order] == other[hazard].note
    assert [line.boat for line in ranked(covers, one)] == [line.boat for line in ranked(shuffled, other)]


@pytest.mark.parametrize("heading_deg", [15.0, 30.0, 105.0])
def test_covers_that_are_alike_come_out_alike_to_the_last_digit_wherever_they_stand(winter, heading_deg):
    # Else they would not tie, and a list of them would not go by boat number
    covers = [cover(key, heading_deg=heading_deg) for key in range(1, 334)]
    found = exposures_of(winter, covers, until=WINTER_HOURS)
    assert {hazard: len(np.unique(one.value)) for hazard, one in found.items()} == dict.fromkeys(found, 1)
    assert [line.boat for line in ranked(covers, found)] == [one.boat.number for one in covers]


@pytest.mark.parametrize("block", [1, 3, 8])
def test_covers_in_blocks_come_out_as_all_at_once(winter, block, monkeypatch):
    covers = made_covers()
    at_once = exposures_of(winter, covers, until=WINTER_HOURS, inspections=LOGGED, actions=DONE)
    monkeypatch.setattr(exposure, "BLOCK", block)
    in_blocks = exposures_of(winter, covers, until=WINTER_HOURS, inspections=LOGGED, actions=DONE)
    for hazard, found in at_once.items():
        np.testing.assert_allclose(in_blocks[hazard].value, found.value, rtol=1e-12)
        np.testing.assert_array_equal(in_blocks[hazard].hour_ending, found.hour_ending)
        np.testing.assert_array_equal(in_blocks[hazard].missing_share, found.missing_share)
        assert list(in_blocks[hazard].source) == list(found.source)
        assert list(in_blocks[hazard].note) == list(found.note)


# --- missing hours never lower a score -------------------------------------------------------------------------------

AN_HOUR = st.tuples(
    st.integers(-6, 6),  # air temperature [degC]
    st.sampled_from([0.0, 0.0, 0.5, 4.0, 12.0]),  # precipitation [mm]
    st.sampled_from([0.0, 8.0, 15.0, 25.0, 35.0]),  # gust [m/s]
    st.sampled_from([0.0, 90.0, np.nan]),  # where it blows from [deg]
    st.booleans(),  # calm: no wind, nothing falls, as warm as the hour before
    st.booleans(),  # unknown, where calm
)
COVERS = [
    cover(1),
    cover(2, replace(FLAT, flattest_slope_deg=8.0), shelter="partly"),
    cover(3, replace(FLAT, flattest_slope_deg=None, ridge_rise_m=1.5), heading_deg=0.0),
]


def known_and_blanked(hours):
    """Columns with every hour known, and the same with the hours unknown that were chosen among the calm ones."""
    table = np.array([each[:4] for each in hours], dtype=float)
    calm = np.array([each[4] for each in hours])
    unknown = calm & np.array([each[5] for each in hours])
    for row in np.flatnonzero(calm):
        table[row] = [table[row - 1, 0] if row else table[row, 0], 0.0, 0.0, np.nan]
    blanked = np.where(unknown[:, None], np.nan, table)
    names = ("air_temperature_c", "precipitation_mm", "wind_gust_ms", "wind_from_deg")
    return [dict(zip(names, columns.T, strict=True)) for columns in (table, blanked)]


def scores_of(series, **when):
    found = exposures_of([series], COVERS, **when)
    return {line.cover: line.score for line in ranked(COVERS, found)}


# A calm hour here is as warm as the hour before: a freeze-thaw cycle or meltwater that falls into an unknown hour is
# not counted, and no rule can bring it back.
@settings(max_examples=30)
@given(st.lists(AN_HOUR, min_size=2, max_size=40), st.integers(0, 40))
def test_not_knowing_of_calm_hours_never_lowers_a_score(hours, inspected_after):
    known, blanked = known_and_blanked(hours)
    when = {"until": len(hours), "inspections": [inspection(hour(min(inspected_after, len(hours) - 1)), 2)]}
    before, after = scores_of(station(**known), **when), scores_of(station(**blanked), **when)
    assert all(after[key] >= before[key] - 1e-12 for key in before)


@settings(max_examples=30)
@given(st.lists(AN_HOUR, min_size=1, max_size=30), st.integers(1, 30))
def test_unknown_hours_before_the_first_known_never_lower_a_score(hours, more):
    known, _ = known_and_blanked(hours)
    short = scores_of(station(**known), until=len(hours))
    longer = scores_of(station(first=1 + more, **known), until=more + len(hours))
    assert all(longer[key] >= short[key] - 1e-12 for key in short)


@settings(max_examples=30)
@given(st.lists(AN_HOUR, min_size=1, max_size=30), st.integers(1, 30))
def test_unknown_hours_after_the_last_known_never_lower_a_score(hours, more):
    known, _ = known_and_blanked(hours)
    now = scores_of(station(**known), until=len(hours))
    later = scores_of(station(**known), until=len(hours) + more)
    assert all(later[key] >= now[key] - 1e-12 for key in now)


# --- what somebody measured ------------------------------------------------------------------------------------------


def test_a_measured_weight_of_snow_takes_the_place_of_the_models_from_the_next_hour():
    seen = inspection(hour(3), snow_water_mm=4.0)
    load = loads_of([COLD_SNOW_AND_WIND], [cover()], until=6, inspections=[seen])[:, 0]
    np.testing.assert_allclose(load / MM_KPA, [0, 10, 10, 4, 4, 4], atol=1e-9)


def test_a_measured_depth_becomes_weight_by_the_density_that_the_snow_has_by_then():
    covers = [cover()]
    before = series_of([COLD_SNOW_AND_WIND], covers, until=6)
    density = before.snow_load_kpa[2, 0] / MM_KPA / before.snow_depth_m[2, 0]
    load = loads_of([COLD_SNOW_AND_WIND], covers, until=6, inspections=[inspection(hour(3), snow_depth_m=0.05)])[:, 0]
    np.testing.assert_allclose(load[3:] / MM_KPA, 0.05 * density, rtol=1e-9)


def test_a_measured_depth_where_the_model_has_no_snow_weighs_as_snow_of_a_day_or_two():
    # 0.10 m at 150 kg/m3, the density chosen for that case: 15 mm of water
    calm = station(air_temperature_c=[-5] * 4, precipitation_mm=[0] * 4, wind_gust_ms=[1] * 4)
    load = loads_of([calm], [cover()], until=4, inspections=[inspection(hour(1), snow_depth_m=0.10)])[:, 0]
    np.testing.assert_allclose(load / MM_KPA, [0, 15, 15, 15], atol=1e-9)


def test_measured_bare_film_is_bare_in_the_model_too():
    load = loads_of([COLD_SNOW_AND_WIND], [cover()], until=6, inspections=[inspection(hour(3), snow_depth_m=0.0)])
    assert load[3:].max() == 0


def test_the_reason_says_what_measurement_the_model_went_on_from():
    deep = inspection(hour(3), snow_depth_m=0.12)
    weighed = inspection(hour(3), key=2, snow_water_mm=4.0)
    found = exposures_of([COLD_SNOW_AND_WIND], [cover(1), cover(2), cover(3)], until=6, inspections=[deep, weighed])
    first, second, third = found["snow"].note
    assert "12 cm" in first
    assert "Ida" in first
    assert "4.0 mm of water" in second
    assert third == "modelled"


def test_what_is_cleared_after_the_measuring_is_gone_and_the_reason_says_so():
    seen, done = inspection(hour(3), snow_water_mm=4.0), action("cleared_snow", hour(3) + timedelta(minutes=30))
    load = loads_of([COLD_SNOW_AND_WIND], [cover()], until=6, inspections=[seen], actions=[done])[:, 0]
    np.testing.assert_allclose(load[3:], 0, atol=1e-12)
    found = exposures_of([COLD_SNOW_AND_WIND], until=6, inspections=[seen], actions=[done])["snow"]
    assert found.note == ["modelled, from film cleared at the last inspection"]


# --- ice -------------------------------------------------------------------------------------------------------------


def icy_station(freezing_rain_mm, **columns):
    count = len(freezing_rain_mm)
    usual = {"air_temperature_c": [-2.0] * count, "wind_gust_ms": [5.0] * count, "solar_wm2": [0.0] * count}
    return station(**{**usual, "precipitation_mm": freezing_rain_mm, "freezing_rain_mm": freezing_rain_mm, **columns})


def test_ice_is_the_freezing_rain_since_the_last_inspection():
    rain = icy_station([0, 2.0, 1.5, 0, 0.5, 0])
    assert exposures_of([rain], until=6)["ice"].value == [4.0]
    later = exposures_of([rain], until=6, inspections=[inspection(hour(3))])["ice"]
    assert later.value == [0.5]
    assert later.hour_ending == [at(5)]


def test_ice_is_not_assessed_where_nobody_would_have_told_of_it():
    assert "ice" not in exposures_of([COLD_SNOW_AND_WIND], until=6)


def test_hours_in_which_nobody_would_have_told_of_ice_count_as_missing():
    found = exposures_of([icy_station([0, 2.0, np.nan, np.nan])], until=4)["ice"]
    assert found.value == [2.0]
    assert found.missing_share == [0.5]


def test_ice_weighs_on_the_cover_and_holds_the_snow_until_it_thaws():
    # 3 mm of freezing rain lie on every slope as they fell; at +2 degC from the fifth hour on a steep cover sheds
    rain = icy_station([0, 3.0, 0, 0, 0, 0], air_temperature_c=[-2, -1, -1, -1, 2, 2])
    steep = replace(FLAT, flattest_slope_deg=50.0)
    load = loads_of([rain], [cover(1), cover(2, steep)], until=6) / MM_KPA
    np.testing.assert_allclose(load[1:4], 3.0, atol=1e-9)
    assert load[5, 1] < load[5, 0]


# --- air under the cover ---------------------------------------------------------------------------------------------


def damp_station(count=72, **columns):
    """Mild, moist, still air: what makes the ground under a boat steam against a cool film."""
    usual = {
        "air_temperature_c": [6.0] * count,
        "dew_point_c": [5.5] * count,
        "wind_speed_ms": [1.0] * count,
        "precipitation_mm": [0.0] * count,
        "cloud_cover_pct": [100.0] * count,
    }
    return station(**{**usual, **columns})


def test_damp_hours_count_from_the_last_look_inside_and_not_from_one_outside():
    everywhere = exposures_of([damp_station()], until=72)["damp"]
    outside = exposures_of([damp_station()], until=72, inspections=[inspection(hour(60))])["damp"]
    inside = exposures_of([damp_station()], until=72, inspections=[inspection(hour(60), inside=True)])["damp"]
    assert everywhere.value == outside.value == [72.0]
    assert inside.value == [12.0]


def test_damp_is_not_assessed_where_humidity_is_never_known():
    assert "damp" not in exposures_of([COLD_SNOW_AND_WIND], until=6)


def test_hours_without_humidity_count_as_missing_for_the_damp_and_not_for_the_snow():
    half = damp_station(dew_point_c=[5.5] * 36 + [np.nan] * 36)
    found = exposures_of([half], until=72)
    assert found["damp"].missing_share == [0.5]
    assert found["snow"].missing_share == [0]


def test_vents_added_on_a_date_change_the_air_from_then_on():
    wet = replace(FLAT, ground="standing_water")
    before, after = cover(1, wet), cover(2, wet, replace(wet, built_at=hour(36), vent_count=12))
    inside = series_of([damp_station(dew_point_c=[0.0] * 72)], [before, after], until=72).inside_rh_pct
    np.testing.assert_array_equal(inside[:36, 0], inside[:36, 1])
    assert (inside[40:, 1] < inside[40:, 0]).all()


def test_cycles_are_those_of_the_film_which_a_clear_night_cools_below_the_air():
    # Air never below +0.5 degC; under a clear, still night sky the film freezes and thaws in the morning.
    night = damp_station(
        48,
        air_temperature_c=([0.5] * 12 + [5.0] * 12) * 2,
        dew_point_c=[-8.0] * 48,
        wind_speed_ms=[0.5] * 48,
        cloud_cover_pct=[0.0] * 48,
        solar_wm2=([0.0] * 12 + [200.0] * 12) * 2,
    )
    found = exposures_of([night], until=48)["freeze_thaw"]
    assert found.value == [2.0]
    assert found.note[0].startswith("on modelled film temperature")


def test_without_humidity_cycles_are_counted_on_the_air():
    air = station(air_temperature_c=[-3, 3, -3, 3], precipitation_mm=[0] * 4)
    found = exposures_of([air], until=4)["freeze_thaw"]
    assert found.value == [2.0]
    assert found.note == ["on air temperature"]


def test_a_cycle_while_water_stands_in_a_pocket_is_told_apart_as_wet():
    wet = station(air_temperature_c=[4, -3, 3, 3], precipitation_mm=[5, 0, 0, 0])
    found = exposures_of([wet], [cover(1), cover(2, replace(FLAT, flattest_slope_deg=40.0))], until=4)["freeze_thaw"]
    assert found.value.tolist() == [1.0, 1.0]
    assert found.note == ["on air temperature, 1 of them wet", "on air temperature"]
