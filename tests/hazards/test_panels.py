"""Panels of one cover by hand: areas, weights, posts, and the factors that stand beside them."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.hazards.panels import (
    PanelParameters,
    aspects_deg,
    drift_likely,
    drift_threshold_ms,
    facing_panel,
    lee_pocket_factor,
    neighbours_in_row,
    panels_of_cover,
    plan_areas_m2,
    stated_cases,
    tributary_m2,
    weight_kg,
)
from monitor.hazards.series import HazardParameters, yard_weather
from monitor.inspections import Action
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.weather.table import SourceSeries, hourly_index, merge_by_priority, no_flags

START = datetime(2025, 12, 1, tzinfo=UTC)
YARD = Yard("north", "North Basin", 44.65, -63.57, 3.0, "America/Halifax")
PARAMETERS = HazardParameters()
WHOLE = PanelParameters(waterplane_factor=1.0)
"""A cover that fills its length times its beam, so that areas can be done in the head."""

MM_KPA = 0.00980665  # weight of 1 mm of water at standard gravity


def hours_of_weather(count=4, **columns):
    """Cold hours, 25.4 mm of snow as water in the first, hardly any wind."""
    quiet = {
        "air_temperature_c": [-5.0] * count,
        "dew_point_c": [-8.0] * count,
        "precipitation_mm": [25.4] + [0.0] * (count - 1),
        "snowfall_water_mm": [25.4] + [0.0] * (count - 1),
        "wind_speed_ms": [2.0] * count,
    } | columns
    index = hourly_index([START + timedelta(hours=1 + i) for i in range(count)])
    hours = pd.DataFrame(quiet, index=index, dtype="float64")
    series = SourceSeries("metar-archive", "observed", hours, no_flags(hours))
    end = START + timedelta(hours=count)
    return yard_weather(merge_by_priority([series], ["metar-archive"]), YARD, START, end, PARAMETERS)


def cover(slope_deg=0.0, number="1", place=1, heading_deg=0.0, x_m=None, y_m=None, posts=3, **slopes):
    """4.0 by 2.5 m: 10 m2."""
    boat = Boat(number, "Ebba", "motor", 4.0, 2.5, "stands", "A", place, heading_deg, "exposed", x_m, y_m)
    every = dict.fromkeys(("bow_slope_deg", "port_slope_deg", "starboard_slope_deg", "stern_slope_deg"), slope_deg)
    build = CoverBuild(built_at=START, post_count=posts, **{**every, **slopes})
    return Cover(boat, date(2025, 12, 1), (build,), id=int(number))


def found_on(one, weather=None, actions=(), inspections=(), panels=WHOLE):
    weather = weather or hours_of_weather()
    return panels_of_cover(weather, YARD, one, actions, inspections, PARAMETERS, panels)


# --- areas -----------------------------------------------------------------------------------------------------------


def test_the_panels_share_length_times_beam_times_the_waterplane_factor():
    # By hand: 10 m2 * 0.8 = 8 m2; ends 15 % each, 1.2; the sides half of the remaining 70 %, 2.8
    np.testing.assert_allclose(plan_areas_m2(4.0, 2.5, PanelParameters()), [1.2, 2.8, 2.8, 1.2])


@pytest.mark.parametrize("heading_deg, expected", [(0, [0, 270, 90, 180]), (100, [100, 10, 190, 280])])
def test_port_faces_left_of_the_bow_and_starboard_right(heading_deg, expected):
    np.testing.assert_allclose(aspects_deg(heading_deg), expected)


def test_a_post_stands_for_the_film_halfway_to_the_next():
    # Three posts on 10 m2 at 1/4, 1/2, 3/4 of the ridge: each 1/4 of it, 2.5 m2; bow and stern fixing half of that.
    # The bow panel's 1.5 m2 lie on the first 15 % of the ridge: 12.5 of them on the fixing, 2.5 on the first post
    tributary = tributary_m2(3, plan_areas_m2(4.0, 2.5, WHOLE), WHOLE)
    np.testing.assert_allclose(tributary.sum(axis=1), [1.25, 2.5, 2.5, 2.5, 1.25])
    np.testing.assert_allclose(tributary[:, 0], [1.25, 0.25, 0, 0, 0], atol=1e-12)


@given(
    posts=st.integers(0, 12),
    ends=st.tuples(st.floats(0, 0.5), st.floats(0, 0.5)),
    size=st.tuples(st.floats(3, 30), st.floats(1, 8)),
)
def test_tributary_areas_sum_to_the_whole(posts, ends, size):
    parameters = PanelParameters(bow_share=ends[0], stern_share=ends[1])
    plan = plan_areas_m2(*size, parameters)
    tributary = tributary_m2(posts, plan, parameters)
    assert tributary.shape == (posts + 2, 4)
    assert np.all(tributary >= 0)
    np.testing.assert_allclose(tributary.sum(axis=0), plan, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(tributary.sum(), size[0] * size[1] * 0.8, rtol=1e-9)


def test_ends_larger_than_the_cover_are_refused():
    with pytest.raises(ValueError, match=r"bow_share 0\.7 and stern_share 0\.4 must be shares of the plan"):
        PanelParameters(bow_share=0.7, stern_share=0.4)


def test_a_count_of_posts_below_zero_is_refused():
    with pytest.raises(ValueError, match="post_count must not be below 0, got -1"):
        tributary_m2(-1, [1, 1, 1, 1], WHOLE)


# --- weights ---------------------------------------------------------------------------------------------------------


def test_an_inch_of_water_on_ten_level_square_metres_weighs_254_kg():
    # 25.4 mm = 25.4 kg/m2
    np.testing.assert_allclose(weight_kg([[25.4 * MM_KPA] * 4], [2.5] * 4), [254.0])
    found = found_on(cover())
    np.testing.assert_allclose(found.weight_kg, 254.0)
    np.testing.assert_allclose(found.load_kpa, 0.24909, atol=5e-6)  # 5.2023 psf, 0.24909 kPa an inch of water


def test_half_of_it_hangs_on_the_ridge_and_each_of_three_posts_takes_a_quarter_of_that():
    # 254 kg * 0.5 * 0.25 = 31.75 kg; the fixings at bow and stern an eighth each, the band the other half
    np.testing.assert_allclose(found_on(cover()).post_kg, np.full((4, 3), 31.75))


@pytest.mark.parametrize("posts", [0, None])
def test_a_cover_without_posts_has_no_weight_on_them(posts):
    assert found_on(cover(posts=posts)).post_kg.shape == (4, 0)


def test_each_panel_carries_by_its_own_slope():
    # ASCE 7-16 slippery, unheated: full up to 15 deg, nothing from 70 on; at 25 deg 45/55, at 40 deg 30/55
    found = found_on(cover(bow_slope_deg=10, port_slope_deg=25, starboard_slope_deg=40, stern_slope_deg=70))
    np.testing.assert_allclose(found.load_kpa[0] / (25.4 * MM_KPA), [1, 45 / 55, 30 / 55, 0], atol=1e-12)
    np.testing.assert_allclose(found.level_load_kpa / (25.4 * MM_KPA), 1)


def test_pocket_water_lies_on_a_share_of_the_panel_and_weighs_with_the_snow():
    # Level film, warm rain 10 mm: a pocket on a quarter of the area takes all of the area's water up to 25 mm deep.
    # 25 mm, less 0.02 mm an hour, on 10 m2 / 4 = 62.5 kg - 0.05 kg
    rain = {"air_temperature_c": [8.0], "dew_point_c": [8.0], "precipitation_mm": [10.0], "snowfall_water_mm": [0.0]}
    found = found_on(cover(), hours_of_weather(1, **rain))
    np.testing.assert_allclose(found.pocket_mm, 24.98)
    np.testing.assert_allclose((found.snow_kg, found.pocket_kg), ([0.0], [62.45]), atol=1e-9)
    np.testing.assert_allclose(found.post_kg, 62.45 / 8)


def test_snow_cleared_from_the_cover_is_cleared_from_every_panel():
    cleared = Action("a", 1, START + timedelta(hours=2), START + timedelta(hours=2), "Ida", "cleared_snow")
    np.testing.assert_allclose(found_on(cover(), actions=[cleared]).weight_kg, [254, 254, 0, 0])


def test_what_was_done_at_another_cover_does_not_count():
    cleared = Action("a", 2, START + timedelta(hours=2), START + timedelta(hours=2), "Ida", "cleared_snow")
    np.testing.assert_allclose(found_on(cover(), actions=[cleared]).weight_kg, 254)


@settings(max_examples=30)
@given(slopes=st.lists(st.floats(0, 90), min_size=4, max_size=4))
def test_no_panel_carries_more_than_level_film_and_a_steeper_one_never_more_than_a_flatter(slopes):
    names = ("bow_slope_deg", "port_slope_deg", "starboard_slope_deg", "stern_slope_deg")
    loads = found_on(cover(**dict(zip(names, slopes, strict=True)))).load_kpa[-1]
    assert np.all(np.diff(loads[np.argsort(slopes)]) <= 1e-12)
    assert np.all(loads <= 25.4 * MM_KPA + 1e-12)


# --- factors beside the balanced load --------------------------------------------------------------------------------

# Li & Pomeroy 1997: 9.43 + 0.18 T + 0.0033 T^2. At -20: 9.43 - 3.6 + 1.32; at -5: 9.43 - 0.9 + 0.0825
LI_AND_POMEROY_1997 = [(-20, 7.150), (-5, 8.6125), (0, 9.430)]  # air temperature [deg C], threshold at 10 m [m/s]


@pytest.mark.parametrize("temperature_c, threshold_ms", LI_AND_POMEROY_1997)
def test_dry_snow_drifts_from_the_wind_of_li_and_pomeroy_on(temperature_c, threshold_ms):
    np.testing.assert_allclose(drift_threshold_ms(temperature_c, WHOLE), threshold_ms, atol=1e-9)


def test_wet_snow_holds_longer_and_an_unknown_temperature_has_no_threshold():
    np.testing.assert_allclose(drift_threshold_ms([1.0, np.nan], WHOLE), [11.0, np.nan])


def test_snow_drifts_in_a_strong_wind_while_and_after_it_falls_and_not_when_it_is_old():
    wind = [9.0, 8.0] + [9.0] * 28  # threshold at -5: 8.6125 m/s
    weather = hours_of_weather(30, wind_speed_ms=wind)
    found = drift_likely(weather, WHOLE)
    assert found[0]
    assert not found[1]
    assert found[2:25].all()  # up to 24 h after the hour in which it fell
    assert not found[25:].any()
    assert not drift_likely(hours_of_weather(wind_speed_ms=[np.nan] * 4), WHOLE).any()


# EN 1991-1-3, Table 5.2, read in secondary pages: mu_2 = 0.8 + 0.8 a / 30 up to 30 deg, then 1.6; level film keeps 0.8
EN_1991_1_3_MU_2 = [(0, 0.8), (15, 1.2), (30, 1.6), (60, 1.6)]


@pytest.mark.parametrize("slope_deg, mu_2", EN_1991_1_3_MU_2)
def test_a_lee_pocket_takes_mu_2_over_the_mu_1_of_level_film(slope_deg, mu_2):
    np.testing.assert_allclose(lee_pocket_factor(slope_deg), mu_2 / 0.8)


def test_neighbours_stand_at_the_places_beside_it_in_the_same_row():
    boat = cover(place=4).boat
    others = [replace(boat, number=str(10 + place), place=place) for place in (2, 3, 5, 6)]
    other_row = replace(boat, number="20", row="B", place=5)
    assert [other.number for other in neighbours_in_row(boat, [boat, *others, other_row])] == ["13", "15"]


def test_the_facing_panel_follows_from_where_the_boats_stand():
    # Bow to the north; x is east. The boat to the east is to starboard; turned about, to port
    here, east = cover(x_m=0.0, y_m=0.0).boat, cover(number="2", x_m=5.0, y_m=0.0).boat
    assert (facing_panel(here, east), facing_panel(east, here)) == ("starboard", "port")
    assert facing_panel(replace(here, heading_deg=180.0), east) == "port"
    assert facing_panel(here, replace(east, x_m=0.0, y_m=9.0)) == "bow"
    assert facing_panel(here, replace(east, x_m=None)) is None
    assert facing_panel(here, replace(east, x_m=0.0)) is None


def test_the_unbalanced_case_halves_one_side():
    # EN 1991-1-3, 5.3.3: half the load on either side
    one = cover()
    cases = stated_cases(hours_of_weather(), one, [], found_on(one), WHOLE)
    assert [(case.kind, case.panel, case.factor) for case in cases] == [
        ("unbalanced", "port", 0.5),
        ("unbalanced", "starboard", 0.5),
    ]
    np.testing.assert_allclose([case.load_kpa for case in cases], 0.5 * 25.4 * MM_KPA)


def test_a_lee_pocket_is_stated_towards_a_neighbour_where_the_wind_was_strong_enough():
    # Panels of 40 and 20 deg face each other: mean 30 deg, twice the level load of 25.4 mm
    one = cover(40.0, x_m=0.0, y_m=0.0)
    other = cover(20.0, number="2", place=2, x_m=5.0, y_m=0.0)
    windy = hours_of_weather(wind_speed_ms=[2.0, 9.0, 9.0, 2.0])
    lee = stated_cases(windy, one, [other], found_on(one, windy), WHOLE)[2:]
    assert [(case.kind, case.panel, case.factor) for case in lee] == [("lee pocket", "starboard", 2.0)]
    np.testing.assert_allclose(lee[0].load_kpa, 2 * 25.4 * MM_KPA)
    assert "towards boat 2" in lee[0].basis
    assert "in 2 h" in lee[0].basis
    calm = hours_of_weather()
    assert [case.kind for case in stated_cases(calm, one, [other], found_on(one, calm), WHOLE)] == ["unbalanced"] * 2


def test_without_positions_the_pocket_may_lie_at_either_side():
    one, other = cover(15.0), cover(15.0, number="2", place=2)
    windy = hours_of_weather(wind_speed_ms=[9.0] * 4)
    lee = stated_cases(windy, one, [other], found_on(one, windy), WHOLE)[2:]
    assert [case.panel for case in lee] == ["port", "starboard"]
    np.testing.assert_allclose([case.factor for case in lee], 1.5)


def test_factors_leave_the_balanced_load_as_it_is():
    one, other = cover(), cover(number="2", place=2)
    calm, windy = hours_of_weather(), hours_of_weather(wind_speed_ms=[12.0] * 4)
    np.testing.assert_array_equal(found_on(one, calm).load_kpa, found_on(one, windy).load_kpa)
    assert len(stated_cases(windy, one, [other], found_on(one, windy), WHOLE)) == 4
