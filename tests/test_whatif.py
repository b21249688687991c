"""A season compared with itself, the cover built or kept otherwise: by hand on small weather, and as laws."""

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_weather import DAY, START, hour, merged

from monitor.assessment import YardAssessment
from monitor.changes import Change, changed_cover
from monitor.clocks import Log, clocks, open_findings
from monitor.hazards.series import HazardParameters
from monitor.inspections import Finding, Inspection
from monitor.ranking import RankingParameters
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.reruns import QUANTITIES
from monitor.whatif import AS_RECORDED, Comparison, Span, Today, what_if
from monitor.whatif_wording import (
    as_plain,
    basis_text,
    change_text,
    influence_text,
    number_text,
    remarks,
    span_text,
    vent_rows,
    vents_text,
    verdict,
)

YARD = Yard("north", "North Basin", 44.65, -63.57, 3.0, "America/Halifax")
PARAMETERS = HazardParameters()
MM_KPA = 0.00980665  # weight of 1 mm of water

BUILD = CoverBuild(
    built_at=START, ridge_rise_m=0.7, ridge_above_ground_m=10.0, belly_band_spacing_m=1.8, vent_count=2, post_count=3
)
"""Sides of 0.7 over 1.5 m, 25 deg; 10 m high, so that the gust at the cover is the gust at 10 m."""


def in_hours(count, numbers, value, otherwise=0.0):
    return [value if n in numbers else otherwise for n in range(count)]


def snow_and_gale(count=4 * DAY):
    """20 mm of snow in the first day, a gale of 20 m/s for two hours on the second."""
    snow = in_hours(count, range(4, 14), 2.0)
    return merged(
        count,
        precipitation_mm=snow,
        snowfall_water_mm=snow,
        wind_gust_ms=in_hours(count, (30, 31), 20.0, otherwise=5.0),
    )


def cover(build=BUILD, *later, **boat):
    """Bow to the north, 10 by 3 m."""
    berth = {"row": "A", "place": 1, "heading_deg": 0.0, "shelter": "partly"} | boat
    return Cover(Boat("7", "Ebba", "motor", 10.0, 3.0, "stands", **berth), date(2025, 12, 1), (build, *later), id=40)


def assessed(weather, one=None, log=None, until=None):
    """The yard with one cover, at the end of its weather."""
    one, log = one or cover(), log or Log()
    as_of = hour(len(weather.values) if until is None else until)
    return YardAssessment(
        yard=YARD,
        as_of=as_of,
        version="test",
        covers=(one,),
        ranked=(),
        exposures=(),
        clocks=clocks({one.id: one.builds[0].built_at}, {}, log),
        open_findings=open_findings(log, {one.id: one.boat.number}),
        log=log,
        weather=weather,
        storms=(),
        sources=(),
        parameters=RankingParameters(),
        not_assessed=(),
        data_age_h=0.0,
    )


def compared(change, weather=None, one=None, log=None, **more):
    weather = snow_and_gale() if weather is None else weather
    return what_if(assessed(weather, one, log), "7", change, PARAMETERS, **more)


def random_weather(seed, days=4):
    """Days of frost and thaw, snow and gusts; the air outside drier than ground at half a degree in every hour."""
    random = np.random.default_rng(seed)
    count = days * DAY
    daily = 4 * np.sin(np.arange(count) * 2 * np.pi / DAY + random.uniform(0, 6))
    temperature = random.uniform(-6, 0) + daily + random.normal(0, 0.5, count)
    snow = np.where(random.random(count) < 0.08, random.uniform(0.5, 4, count), 0.0)
    wind = random.gamma(2.0, 2.0, count)
    return merged(
        count,
        air_temperature_c=temperature,
        dew_point_c=np.minimum(temperature, -1.0) - random.uniform(1, 6, count),
        precipitation_mm=snow,
        snowfall_water_mm=np.where(temperature < 1, snow, 0.0),
        wind_speed_ms=wind,
        wind_gust_ms=wind * 1.5,
        wind_from_deg=random.uniform(0, 360, count),
    )


# --- the changed cover -----------------------------------------------------------------------------------------------


def test_a_raised_ridge_lifts_the_slopes_that_follow_from_it():
    # 0.7 + 0.3 m over half a beam of 1.5 m: atan(1 / 1.5) = 33.690 deg
    build = changed_cover(cover(), Change(ridge_raise_m=0.3), PARAMETERS).builds[0]
    assert (build.ridge_rise_m, build.ridge_above_ground_m) == (1.0, 10.3)
    assert build.port_slope_deg is None


def test_a_measured_slope_is_changed_by_the_change_of_the_derived_one():
    # From atan(0.7/1.5) = 25.0169 to atan(1/1.5) = 33.6901 deg: 8.6732 deg more
    measured = replace(BUILD, bow_slope_deg=20.0, flattest_slope_deg=10.0)
    build = changed_cover(cover(measured), Change(ridge_raise_m=0.3), PARAMETERS).builds[0]
    np.testing.assert_allclose([build.bow_slope_deg, build.flattest_slope_deg], [28.6732, 18.6732], atol=1e-4)


def test_without_a_recorded_ridge_each_measured_slope_stands_for_its_own():
    # tan(45 deg) * 1.5 m = 1.5 m; with 0.3 m more atan(1.8 / 1.5) = 50.1944 deg. Height by default 4 m, then 4.3 m
    slopes = ("bow_slope_deg", "port_slope_deg", "starboard_slope_deg", "stern_slope_deg")
    build = changed_cover(
        cover(CoverBuild(built_at=START, **dict.fromkeys(slopes, 45.0))), Change(ridge_raise_m=0.3), PARAMETERS
    ).builds[0]
    np.testing.assert_allclose([getattr(build, name) for name in slopes], 50.1944, atol=1e-4)
    assert (build.ridge_rise_m, build.ridge_above_ground_m) == (None, 4.3)


def test_every_build_is_changed_from_the_wrapping_on():
    later = replace(BUILD, built_at=hour(48), vent_count=4, ground="dry")
    builds = changed_cover(cover(BUILD, later), Change(vents=8), PARAMETERS).builds
    assert [(build.vent_count, build.ground) for build in builds] == [(8, "damp"), (8, "dry")]


def test_from_a_moment_on_the_cover_stays_as_it_was_before():
    later = replace(BUILD, built_at=hour(48), vent_count=4, ground="dry")
    builds = changed_cover(cover(BUILD, later), Change(vents=8, since=hour(24)), PARAMETERS).builds
    assert [(build.built_at, build.vent_count, build.ground) for build in builds] == [
        (hour(0), 2, "damp"),
        (hour(24), 8, "damp"),
        (hour(48), 8, "dry"),
    ]


def test_without_a_change_of_the_build_the_cover_is_the_same():
    assert changed_cover(cover(), Change(cleared_at=(hour(5),)), PARAMETERS) == cover()


# --- by hand ---------------------------------------------------------------------------------------------------------


def test_peak_load_of_a_steeper_cover_by_hand():
    # ASCE 7-16, slippery, unheated: 25.0169 deg keeps (70 - 25.0169) / 55, 33.6901 deg (70 - 33.6901) / 55, of 20 mm
    found = compared(Change(ridge_raise_m=0.3))["snow_peak"]
    before, after = (20 * MM_KPA * (70 - slope) / 55 for slope in (25.0169, 33.6901))
    np.testing.assert_allclose([found.before.default, found.after.default], [before, after], rtol=1e-5)
    np.testing.assert_allclose(found.difference.default, after - before, rtol=1e-4)
    assert found.effect == "less"


def test_gust_work_counts_since_the_last_retensioning_and_by_band_spacing():
    # Gusts meet the boat abeam; partly sheltered 0.7: 20 m/s give 0.613 * 14^2 = 120.148 Pa; two hours of it above
    # 30 Pa are 180.296 Pa h. At 1.2 m instead of 1.8 m two thirds of it. Re-tensioned after them: nothing since
    found = compared(Change(belly_spacing_m=1.2, retensioned_at=(hour(40),)))
    work, since = found["gust_work"], found["gust_work_now"]
    np.testing.assert_allclose(found["gust_peak"].before.default, 120.148)
    np.testing.assert_allclose([work.before.default, work.after.default], [0.180296, 0.180296 * 2 / 3])
    np.testing.assert_allclose([since.before.default, since.after.default], [0.180296, 0.0])


def test_hours_with_snow_lying_end_where_it_is_cleared():
    # Snow from the 5th hour on; frost, and sun too weak to let any slide: it lies through the 96 hours, or 25 of them
    found = compared(Change(cleared_at=(hour(29),)))["snow_hours"]
    assert (found.before.default, found.after.default) == (92, 25)


def test_only_hours_since_the_wrapping_count():
    late = cover(replace(BUILD, built_at=hour(35)))
    early = replace(cover(), boat=replace(late.boat, number="8"), id=41)
    yard = assessed(snow_and_gale(), late)
    yard = replace(yard, covers=(early, late))
    found = what_if(yard, "7", Change(vents=4), PARAMETERS)
    assert found["snow_peak"].before.default == 0
    np.testing.assert_allclose(found["gust_peak"].before.default, 0.613 * 3.5**2)


def test_retensioning_puts_loose_bands_right_and_lowers_the_score():
    visit = Inspection("i", 40, hour(36), hour(36), "Ida", inside=False)
    finding = Finding("f", "i", "perimeter_band", "loose_band", 2, hour(36))
    found = compared(Change(retensioned_at=(hour(40),)), log=Log([visit], [finding]))
    # Severity 2 alone gives p = 0.50
    assert found["score"].before.default > 0.5 > found["score"].after.default
    assert (found.calls["before"], found.calls["after"]) == ("walk today", "no call")


def test_snow_measured_on_the_cover_as_it_was_is_left_out_where_the_change_concerns_snow():
    visit = Inspection("i", 40, hour(50), hour(50), "Ida", inside=False, snow_water_mm=60.0)
    log = Log([visit])
    steeper, aired = compared(Change(ridge_raise_m=0.3), log=log), compared(Change(vents=8), log=log)
    assert (steeper.measured_left_out, aired.measured_left_out) == (1, 0)
    assert aired["snow_peak"].before.default == pytest.approx(60 * MM_KPA)
    assert steeper["snow_peak"].before.default < 20 * MM_KPA
    assert remarks(steeper)[-1] == (
        "Snow that was measured on this cover is left out on both sides (1 times): it lay on the cover as it was. So "
        "the score before may differ from the ranking's."
    )


def test_hours_that_nobody_knows_are_told_and_a_season_without_gusts_stays_unknown():
    found = compared(
        Change(vents=8), merged(2 * DAY, wind_gust_ms=[math.nan] * 2 * DAY, wind_speed_ms=[math.nan] * 2 * DAY)
    )
    assert math.isnan(found["gust_peak"].before.default)
    assert math.isnan(found["condensation"].difference.default)
    assert found["condensation"].effect == "unknown"
    assert remarks(found) == [
        "Hours that nobody knows, counted as nothing on both sides: gust 100.0%, what the air inside follows from "
        "100.0%."
    ]
    assert as_plain(found)["quantities"][4]["before"] == {"low": None, "default": None, "high": None}


def test_a_season_of_which_nothing_is_known_has_no_number_but_the_score():
    nothing = merged(DAY)
    nothing = replace(nothing, values=nothing.values * math.nan)
    found = compared(Change(ridge_raise_m=0.3), nothing)
    assert {one.name for one in found.comparisons if one.effect != "unknown"} == {"score"}
    first, *others = verdict(found, "metric")
    assert first == "Nothing that is known becomes noticeably less."
    assert any(text.startswith("Not known, for want of weather: peak snow load, flattest part;") for text in others)


def test_the_forecast_goes_on_behind_the_season_and_leaves_it_as_it_is():
    count = 4 * DAY
    snow = in_hours(count, (*range(4, 14), *range(60, 70)), 2.0)
    weather = merged(count, precipitation_mm=snow, snowfall_water_mm=snow)
    one = assessed(weather, until=50)
    alone = what_if(one, "7", Change(ridge_raise_m=0.3), PARAMETERS)
    found = what_if(one, "7", Change(ridge_raise_m=0.3), PARAMETERS, (weather, hour(count)))
    assert found.comparisons == alone.comparisons
    assert found.ahead.until == hour(count)
    # Nothing melts or slides in between: the second 20 mm lie on the first
    np.testing.assert_allclose(found.ahead.values["before"]["snow_peak"], 2 * found["snow_peak"].before.default)
    assert found.ahead.values["after"]["snow_peak"] < found.ahead.values["before"]["snow_peak"]


def test_what_is_as_recorded_is_not_told_as_a_change():
    found = compared(Change(vents=2, ridge_raise_m=0.3))
    assert change_text(found.change, found.cover, "UTC", "metric").startswith("2 vents as before, the ridge ")


# --- like with like ---------------------------------------------------------------------------------------------------


def test_a_build_changed_during_the_season_is_compared_as_if_it_had_been_so_from_the_wrapping():
    weather, now = random_weather(3), replace(BUILD, vent_count=9)
    found = compared(Change(vents=8), weather, cover(BUILD, replace(now, built_at=hour(60))))
    alike = compared(Change(vents=8), weather, cover(now))
    assert (found.comparisons, found.calls, found.cover) == (alike.comparisons, alike.calls, alike.cover)
    assert change_text(found.change, found.cover, "UTC", "metric") == "8 vents instead of 9"
    assert alike.today is None
    assert "both as if built so from the wrapping: before is the build of now" in basis_text(found, "UTC")
    assert as_plain(found)["before_is"] == "build_of_now_from_the_wrapping"


def test_the_score_of_the_day_stays_that_of_the_builds_in_their_time():
    weather, later = random_weather(3), replace(BUILD, built_at=hour(60), vent_count=9)
    as_it_was = compared(Change(retensioned_at=(START,)), weather, cover(BUILD, later))
    found = compared(Change(vents=8), weather, cover(BUILD, later))
    assert found.today == Today(as_it_was["score"].before.default, as_it_was.calls["before"])


def test_a_change_from_a_moment_on_is_held_against_the_cover_as_it_was():
    one = cover(BUILD, replace(BUILD, built_at=hour(30), vent_count=4))
    found = compared(Change(vents=8, since=hour(40)), one=one)
    assert (found.cover, found.today) == (one, None)


def test_snow_measured_on_other_slopes_than_those_of_now_is_left_out():
    visit = Inspection("i", 40, hour(20), hour(20), "Ida", inside=False, snow_water_mm=60.0)
    steeper = replace(BUILD, built_at=hour(50), ridge_rise_m=1.0)
    found = compared(Change(vents=8), one=cover(BUILD, steeper), log=Log([visit]))
    assert found.measured_left_out == 1
    # 20 mm on atan(1 / 1.5) = 33.6901 deg, ASCE 7-16 slippery, as above
    np.testing.assert_allclose(found["snow_peak"].before.default, 20 * MM_KPA * (70 - 33.6901) / 55, rtol=1e-5)


# --- laws ------------------------------------------------------------------------------------------------------------

SEEDS = st.integers(0, 10_000)


@settings(max_examples=4)
@given(seed=SEEDS)
def test_the_same_cover_again_differs_in_nothing_in_any_set(seed):
    found = compared(Change(vents=2, ground="damp", belly_spacing_m=1.8), random_weather(seed))
    for one in found.comparisons:
        assert one.difference == Span(0.0, 0.0, 0.0), one.name
        assert one.effect == "none"
        assert not one.shares
    assert found.calls["before"] == found.calls["after"]
    assert found.influence == ()


@settings(max_examples=4)
@given(seed=SEEDS, change=st.sampled_from([Change(vents=8), Change(ridge_raise_m=0.3), Change(ground="dry")]))
def test_the_value_as_recorded_lies_within_its_range(seed, change):
    found = compared(change, random_weather(seed))
    assert found.sets[0] == AS_RECORDED
    for one in found.comparisons:
        for span in (one.before, one.after, one.difference):
            assert span.low <= span.default <= span.high, one.name
        assert not one.shares or math.isclose(sum(one.shares.values()), 1)


@settings(max_examples=4)
@given(seed=SEEDS, raises=st.tuples(st.floats(0.01, 1), st.floats(0.01, 1)))
def test_a_steeper_cover_never_holds_more(seed, raises):
    weather = random_weather(seed)
    less, more = (compared(Change(ridge_raise_m=one), weather) for one in sorted(raises))
    for name in ("snow_peak", "snow_load_hours", "snow_hours"):
        assert less[name].difference.high <= 1e-12, name
        assert more[name].after.default <= less[name].after.default + 1e-12, name
        by_slope = [values[name] for values in less.slopes.values()]
        assert np.all(np.diff(by_slope) <= 1e-12), name


@settings(max_examples=4)
@given(seed=SEEDS)
def test_on_ground_moister_than_the_air_outside_more_vents_never_bring_more_condensation(seed):
    hours = [values["condensation"] for values in compared(Change(vents=8), random_weather(seed)).vents.values()]
    assert hours[0] > 0
    assert np.all(np.diff(hours) <= 0)


@settings(max_examples=4)
@given(seed=SEEDS, at=st.integers(1, 4 * DAY - 1))
def test_clearing_never_raises_a_later_load(seed, at):
    found = compared(Change(cleared_at=(hour(at),)), random_weather(seed))
    for name in ("snow_peak", "snow_load_hours", "snow_hours"):
        assert found[name].difference.high <= 1e-12, name


@settings(max_examples=4)
@given(seed=SEEDS, at=st.integers(1, 4 * DAY - 1))
def test_retensioning_never_raises_the_score(seed, at):
    found = compared(Change(retensioned_at=(hour(at),)), random_weather(seed))
    assert found["score"].difference.high <= 0
    assert found["gust_work"].effect == "none"


# --- what it hangs on ------------------------------------------------------------------------------------------------


def test_what_matters_for_vents_is_moisture_and_for_a_ridge_slope():
    vents = {one.name for one, _ in compared(Change(vents=8), random_weather(5)).influence}
    ridge = compared(Change(ridge_raise_m=0.3), random_weather(5)).influence
    assert {"ground", "gaps"} <= vents
    assert not {"slide_start", "sag", "melt"} & vents
    assert "slope" in {one.name for one, _ in ridge[:2]}
    shares = [share for _, share in ridge]
    assert shares == sorted(shares, reverse=True)
    assert math.isclose(sum(shares), 1)


def test_only_shelter_and_height_move_the_gust():
    shares = compared(Change(ridge_raise_m=0.3))["gust_peak"].shares
    assert {name for name, share in shares.items() if share > 0} == {"shelter", "height"}


def test_a_reported_cloud_is_no_longer_in_question():
    count = 2 * DAY
    guessed = compared(Change(vents=8), merged(count))
    reported = compared(Change(vents=8), merged(count, cloud_cover_pct=[50.0] * count))
    assert "cloud kinder" in guessed.sets
    assert not any(name.startswith("cloud") for name in reported.sets)


def test_hours_without_temperature_or_precipitation_are_not_counted_as_hours_with_snow():
    # Known, the snow lies 92 of the 96 h (above). Of those, 10 h know no temperature and 6 others no precipitation
    snow = in_hours(4 * DAY, range(4, 14), 2.0)
    weather = merged(
        4 * DAY,
        precipitation_mm=[math.nan if 50 <= n < 56 else amount for n, amount in enumerate(snow)],
        snowfall_water_mm=[math.nan if 50 <= n < 56 else amount for n, amount in enumerate(snow)],
        air_temperature_c=in_hours(4 * DAY, range(30, 40), math.nan, otherwise=-4.0),
    )
    found, known = compared(Change(vents=8), weather), compared(Change(vents=8))
    assert found["snow_hours"].before.default == 92 - 10 - 6
    assert found["snow_load_hours"].before.default < known["snow_load_hours"].before.default


# --- in words --------------------------------------------------------------------------------------------------------


def test_a_change_that_does_not_help_is_said_not_to():
    found = compared(Change(vents=0))
    assert found["condensation"].effect == "more"
    first, worse, *_ = verdict(found, "metric")
    assert first == "This change does not help: nothing that is counted here becomes noticeably less."
    assert worse.startswith("Worse: hours of condensation ")


def test_nothing_changed_is_said_as_such():
    found = compared(Change(vents=2), merged(DAY))
    assert verdict(found, "metric") == [
        "This change does not help: nothing that is counted here becomes noticeably less.",
        "Nothing changes at all.",
        "The call stays: no call.",
    ]
    assert influence_text(found) == ""


def test_a_difference_below_what_is_worth_telling_is_hardly_any():
    def effect(name, before, difference):
        after = before + difference
        spans = (Span(value, value, value) for value in (before, after, difference))
        return Comparison(name, *spans, shares={}).effect

    # 2 % of what was there before, and half of the last digit shown
    assert [effect("damp", 1000, change) for change in (-19, -21, 19, 21)] == ["hardly", "less", "hardly", "more"]
    assert [effect("snow_peak", 0.0, change) for change in (0.004, 0.006)] == ["hardly", "more"]


def test_a_difference_that_prints_as_zero_is_neither_less_nor_worse():
    # 0.6 Pa are 0.0125 psf, printed 0.0; 0.6 Pa themselves are printed 1 Pa. 1 psf is 47.88 Pa
    found = compared(Change(vents=8))
    little = Comparison("gust_peak", Span(20, 20, 20), Span(20.6, 20.6, 20.6), Span(0.6, 0.6, 0.6), {})
    told = replace(found, comparisons=(little,))
    assert "Worse: highest gust pressure 20 to 21 Pa (+1)." in verdict(told, "metric")
    assert "Hardly changed: highest gust pressure." in verdict(told, "us")
    assert not any(text.startswith("Worse") for text in verdict(told, "us"))


def test_a_difference_that_may_go_either_way_is_said_to():
    found = compared(Change(vents=8))
    turned = replace(found["condensation"], difference=Span(-5.0, found["condensation"].difference.default, 3.0))
    others = tuple(one for one in found.comparisons if one.name != "condensation")
    told = verdict(replace(found, comparisons=(turned, *others)), "metric")
    assert any(text.startswith("Less or more by what is taken for the inputs: hours of condensation") for text in told)


def test_the_gain_of_each_further_pair_of_vents_is_told():
    found = compared(Change(vents=4))
    hours = {0: 200.0, 2: 120.0, 4: 90.0, 6: 75.0, 8: 70.0, 10: 68.0, 12: 68.0}
    vents = {count: {"condensation": hours.get(count, 0.0), "damp": 0.0} for count in range(13)}
    # 75 to 70 h are 6.7 %, the first pair under a tenth
    assert vents_text(replace(found, vents=vents)) == (
        "Hours of condensation by further pairs of vents: 0 to 2 vents -80 h, 2 to 4 vents -30 h, 4 to 6 vents -15 h, "
        "6 to 8 vents -5 h, 8 to 10 vents -2 h, 10 to 12 vents +0 h. Beyond 6 vents each further pair takes off less "
        "than 10% of what is left."
    )
    assert [row["condensation_gain_h"] for row in vent_rows(replace(found, vents=vents))[:5:2]] == [None, 80.0, 30.0]


@pytest.mark.parametrize(
    "hours, said",
    [
        # 5 % at the second pair, but 20 % at the third: from 6 on all stay below a tenth
        ([200, 150, 142.5, 114, 110, 109, 109], "Beyond 6 vents each further pair takes off less than 10%"),
        # 200 to 180 h is 10 %, 180 to 153 h 15 %, and so on by 15 %
        (
            [200, 180, 153, 130.05, 110.54, 93.96, 79.87],
            "Each further pair still takes off about 10% to 15% of what is left.",
        ),
        # 5 % by every pair: none is little beside the others, so no count is enough
        (
            [200, 190, 180.5, 171.48, 162.9, 154.76, 147.02],
            "Each further pair still takes off about 5% of what is left.",
        ),
    ],
)
def test_pairs_of_vents_are_said_to_help_little_only_where_all_further_ones_do(hours, said):
    by_count = dict(zip(range(0, 13, 2), hours, strict=True))
    vents = {count: {"condensation": by_count.get(count, 0.0), "damp": 0.0} for count in range(13)}
    assert said in vents_text(replace(compared(Change(vents=4)), vents=vents))


def test_the_change_is_told_in_the_units_of_the_yard():
    change = Change(vents=8, vent_area_m2=0.0116, ridge_raise_m=0.3048, belly_spacing_m=1.2, ground="standing_water")
    told = change_text(change, cover(), "America/Halifax", "us")
    assert told == (
        "8 vents instead of 2, vents of 18.0 in² instead of an unknown size, the ridge 1 ft higher, belly bands every "
        "3 ft 11 in instead of 5 ft 11 in, ground standing water instead of damp"
    )


def test_numbers_carry_their_sign_where_asked_and_none_at_zero():
    damp, load = QUANTITIES["damp"], QUANTITIES["snow_peak"]
    assert [number_text(value, damp, "metric", signed=True) for value in (-3.0, 0.2, 4.0)] == ["-3", "0", "+4"]
    assert span_text(Span(0.1, 0.25, 0.5), load, "metric") == "0.25 (0.10 to 0.50)"
    # 0.25 kPa * 20.8854 psf/kPa = 5.22 psf
    assert span_text(Span(0.25, 0.25, 0.25), load, "us") == "5.2"
    assert number_text(math.nan, load, "us") == "not known"


def test_the_plain_form_names_every_quantity_with_unit_and_range():
    plain = as_plain(compared(Change(vents=8, cleared_at=(hour(20),))))
    assert [row["name"] for row in plain["quantities"]] == list(QUANTITIES)
    assert plain["change"] == {"vents": 8, "cleared_at": ["2025-12-01T20:00:00Z"]}
    assert plain["weight"]["before"]["note"] == "modelled, not a design check"
    assert [row["vents"] for row in plain["vents"]] == list(range(13))
    assert [row["slope_deg"] for row in plain["slopes"]] == list(range(5, 55, 5))
    assert plain["ahead"] is None


def test_a_boat_without_a_cover_is_a_key_error():
    with pytest.raises(KeyError):
        what_if(assessed(snow_and_gale()), "99", Change(vents=8), PARAMETERS)
