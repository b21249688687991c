"""A score taken apart: whoever follows the printed numbers by the printed formulas comes to the printed score."""

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from dashboards_picture import AS_OF, FIRST, FREEZING_RAIN, WRAPPED, assessment_of, make_assessment

from monitor.explanation import METHODS, explain
from monitor.hazards.series import HazardParameters
from monitor.inspections import Action, Inspection
from monitor.ranking import HAZARDS
from monitor.weather.table import Merged

PARAMETERS = HazardParameters()
BOATS = ("7", "12", "A/1", "a-1", "Ørsted 3")


@pytest.fixture(scope="module")
def assessment():
    return make_assessment()


@pytest.fixture(scope="module")
def explained(assessment):
    return {boat: explain(assessment, boat, PARAMETERS) for boat in BOATS}


def reason_of(explanation, hazard):
    return next(reason for reason in explanation.line.reasons if reason.hazard == hazard)


def values_of(explanation, hazard):
    return {step.name: step.value for step in explanation.steps[hazard]}


def beginning(steps, words):
    """The one value whose name begins so."""
    (value,) = [value for name, value in steps.items() if name.startswith(words)]
    return value


def looked(assessment, *inspections, actions=()):
    """The same yard with other entries in its log."""
    log = replace(assessment.log, inspections=inspections, findings=(), actions=actions)
    return assessment_of(assessment.yard, assessment.covers, log, assessment.weather)


def inspection(day, **measured):
    moment = datetime(2025, 11, day, 14, 20, tzinfo=UTC)
    return Inspection(f"i{day}", 1, moment, moment, "Una Bell", False, **measured)


# --- every score ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("boat", BOATS)
def test_the_score_follows_from_the_printed_p(explained, boat):
    line = explained[boat].line
    printed = [explained[boat].steps[reason.hazard][-1].value for reason in line.reasons]
    assert 1 - math.prod(1 - p for p in printed) == pytest.approx(line.score, abs=1e-12)


@pytest.mark.parametrize("boat", BOATS)
def test_each_p_follows_from_value_curve_and_missing_share(explained, boat):
    for reason in explained[boat].line.reasons:
        if reason.threshold is None:
            continue
        steps = values_of(explained[boat], reason.hazard)
        # p = 1 / (1 + (x50 / x)^k), k = ln 9 / ln(x50 / x10); with share m missing 1 - (1 - p)(1 - 0.1 m)
        x10, x50 = reason.threshold["one_in_ten"], reason.threshold["one_in_two"]
        steepness = math.log(9) / math.log(x50 / x10)
        assert beginning(steps, "steepness k") == pytest.approx(steepness)
        p = 0.0 if not reason.value else 1 / (1 + (x50 / reason.value) ** steepness)
        assert beginning(steps, "p = 1 /") == pytest.approx(p)
        missing_share = beginning(steps, "share m of the hours missing")
        with_missing = beginning(steps, "p with the missing hours = 1 - (1 - p)(1 - 0.1 m)")
        assert with_missing == pytest.approx(1 - (1 - p) * (1 - 0.1 * missing_share))
        assert with_missing == reason.p


@pytest.mark.parametrize("boat", BOATS)
def test_weather_among_the_steps_carries_its_hour_and_source(assessment, explained, boat):
    weather = assessment.weather
    found = 0
    for steps in explained[boat].steps.values():
        for step in steps:
            if step.name in weather.values:
                value = weather.values.at[step.hour_ending, step.name]
                assert step.value == (None if math.isnan(value) else value)
                assert step.source == weather.sources.at[step.hour_ending, step.name]
                found += 1
    assert found >= 5


def test_every_hazard_names_its_formulas_and_whom_they_are_after():
    assert set(METHODS) == set(HAZARDS)
    for methods in METHODS.values():
        assert methods
        assert all(formula and reference for formula, reference in methods)
    assert "film" in METHODS["freeze_thaw"][0][0]


def test_all_of_it_is_plain_json(assessment, explained):
    for explanation in explained.values():
        read = json.loads(json.dumps(explanation.as_json(), allow_nan=False))
        assert [row["hazard"] for row in read["reasons"]] == [reason.hazard for reason in explanation.line.reasons]
        assert sum(row["share"] for row in read["reasons"]) == pytest.approx(1)
        assert all(row["methods"] for row in read["reasons"])


def test_an_explanation_without_the_hourly_series_is_refused(assessment):
    with pytest.raises(ValueError, match="hourly series"):
        explain(replace(assessment, series=None), "12", PARAMETERS)


def test_a_boat_that_is_not_ranked_is_no_cover(assessment):
    with pytest.raises(KeyError):
        explain(assessment, "none", PARAMETERS)


# --- snow and pocket --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("boat", BOATS)
def test_the_snow_load_follows_from_its_water(explained, boat):
    snow, steps = reason_of(explained[boat], "snow"), values_of(explained[boat], "snow")
    # 1 mm of water is 1 kg/m2, at 9.80665 m/s2 that is 0.00980665 kPa
    assert steps["snow and water on the flattest part"] * 0.00980665 == pytest.approx(snow.value)
    assert steps["load = 0.00980665 kPa x mm"] == pytest.approx(snow.value)


def test_a_measured_depth_is_the_start_of_the_snow(assessment):
    measured = looked(assessment, inspection(8, snow_depth_m=0.30))
    first = explain(measured, "7", PARAMETERS).steps["snow"][0]
    assert (first.name, first.value, first.unit) == ("depth of snow, measured", 0.30, "m")
    # Seen at 14:20Z, so the model goes on from it in the hour that ends at 15:00Z.
    assert first.hour_ending == datetime(2025, 11, 8, 15, tzinfo=UTC)
    assert first.source == "inspection by Una Bell"


def test_a_measured_weight_goes_before_a_depth(assessment):
    weighed = inspection(8, snow_depth_m=0.30, snow_water_mm=42.0)
    first = explain(looked(assessment, weighed), "7", PARAMETERS).steps["snow"][0]
    assert (first.name, first.value, first.unit) == ("water in the snow, measured", 42.0, "mm")


def test_a_broom_after_the_measurement_is_the_start_of_a_later_peak(assessment):
    at = FIRST + timedelta(hours=FREEZING_RAIN.start - 24)
    seen = Inspection("i9", 1, at, at, "Una Bell", False, snow_depth_m=0.02)
    cleared = Action("a9", 1, at + timedelta(minutes=30), at, "Jo Ash", "cleared_snow")
    explanation = explain(looked(assessment, seen, actions=(cleared,)), "7", PARAMETERS)
    first = explanation.steps["snow"][0]
    assert reason_of(explanation, "snow").hour_ending > cleared.acted_at
    assert (first.name, first.value, first.source) == ("snow cleared", 0.0, "action by Jo Ash")


def test_a_cover_at_which_nobody_measured_starts_bare_when_it_was_wrapped(explained):
    first = explained["a-1"].steps["snow"][0]
    assert (first.name, first.value, first.source) == ("bare film, wrapped", 0.0, "register")
    assert first.hour_ending == WRAPPED + timedelta(hours=1)


def test_ice_in_the_load_is_named_where_freezing_rain_fell_before_the_peak(assessment):
    line = explain(assessment, "12", PARAMETERS)
    reason = reason_of(line, "snow")
    names = [step.name for step in line.steps["snow"]]
    last_ice = FIRST + timedelta(hours=FREEZING_RAIN.start)
    assert reason.hour_ending >= last_ice  # inspected after the snow: the freezing rain is its peak
    ice = next(step for step in line.steps["snow"] if step.name.startswith("freezing rain since then"))
    assert ice.value == pytest.approx(1.5 * (reason.hour_ending - last_ice).total_seconds() / 3600 + 1.5)
    assert names.index(ice.name) < names.index("load = 0.00980665 kPa x mm")


# --- wind -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("boat", BOATS)
def test_the_gust_pressure_follows_from_the_gust_its_factor_and_its_direction(explained, boat):
    gust, steps = reason_of(explained[boat], "gust"), values_of(explained[boat], "gust")
    at_cover = beginning(steps, "gust at 10 m") * steps["gust at the cover / gust at 10 m"]
    assert steps["gust at the cover"] == pytest.approx(at_cover)
    # 0.613 V^2 (ASCE 7-16, section 26.10), times sin^2 + (0.3 cos)^2 of the angle off the bow
    off_bow = math.radians(steps["wind off the bow"])
    weight = math.sin(off_bow) ** 2 + (0.3 * math.cos(off_bow)) ** 2
    assert steps["direction weight"] == pytest.approx(weight)
    assert 0.613 * at_cover**2 * weight == pytest.approx(gust.value, rel=1e-9)
    assert steps["pressure across the cover"] == pytest.approx(gust.value, rel=1e-9)


def test_a_gust_that_had_to_be_estimated_is_told_as_one(assessment):
    calm = assessment.weather.values.assign(wind_gust_ms=float("nan"))
    weather = replace(assessment.weather, values=calm)
    yard = assessment_of(assessment.yard, assessment.covers, assessment.log, weather)
    steps = values_of(explain(yard, "12", PARAMETERS), "gust")
    # 1 + 2.1 / ln(10 / 0.03) = 1.36149, by hand
    estimated = steps["gust at 10 m, estimated from the mean wind"]
    assert estimated == pytest.approx(steps["wind_speed_ms"] * 1.36149, rel=1e-5)


@pytest.mark.parametrize("boat", BOATS)
def test_slack_follows_from_gust_work_and_spacing(explained, boat):
    slack, steps = reason_of(explained[boat], "slack"), values_of(explained[boat], "slack")
    assert steps["gust work in them"] * steps["belly band spacing / 1.8 m"] == pytest.approx(slack.value)
    assert steps["belly band spacing / 1.8 m"] == pytest.approx(9.8 / 5 / 1.8)  # 4 bands part 9.8 m of hull in five


# --- freeze-thaw ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("boat", BOATS)
def test_freeze_thaw_cycles_are_those_of_the_film_with_the_wet_ones_apart(assessment, explained, boat):
    reason, steps = reason_of(explained[boat], "freeze_thaw"), values_of(explained[boat], "freeze_thaw")
    assert steps["cycles of the film since the last inspection"] == reason.value
    assert 0 <= steps["of them wet"] <= reason.value
    assert steps["wet share"] == pytest.approx(steps["of them wet"] / reason.value)
    film = next(step for step in explained[boat].steps["freeze_thaw"] if step.name.startswith("film temperature"))
    assert film.hour_ending == reason.hour_ending
    assert film.value >= 1.0  # a cycle completes at +1 degC or above


@pytest.mark.parametrize(
    "boat, index, whole, unknown",
    [
        # Never inspected, wrapped on 21 October at 10:00 EDT: whole days are 22 October to 18 November, 28 of them. The
        # picture's sine runs from -4 to 8 degC each day, from 4 November from -8 to 4: each freezes and thaws. Nobody
        # knows 20 h of 1 and 2 November.
        ("a-1", 26, 28, 2),
        # Inspected on 12 November at 11:00 EST: 13 to 18 November.
        ("12", 6, 6, 0),
    ],
)
def test_the_public_daily_index_stands_beside_with_the_days_that_nobody_knows(explained, boat, index, whole, unknown):
    steps = values_of(explained[boat], "freeze_thaw")
    assert steps["public daily index: days that freeze and thaw"] == index
    assert steps["of so many whole local days since the last inspection"] == whole
    assert steps["of them unknown"] == unknown


# --- ice --------------------------------------------------------------------------------------------------------------


def test_ice_is_told_hour_by_hour_with_its_codes_and_sums_to_its_exposure(assessment, explained):
    ice = reason_of(explained["12"], "ice")
    hours = [step for step in explained["12"].steps["ice"] if step.name.startswith("freezing rain")]
    assert [step.hour_ending for step in hours] == [
        FIRST + timedelta(hours=row) for row in range(FREEZING_RAIN.start, FREEZING_RAIN.stop)
    ]
    assert {step.name for step in hours} == {"freezing rain, coded -FZRA BR"}
    assert {step.source for step in hours} == {"metar-archive:observed"}
    assert sum(step.value for step in hours) == pytest.approx(ice.value) == pytest.approx(6.0)  # 4 h of 1.5 mm
    assert values_of(explained["12"], "ice")["ice on the film"] == pytest.approx(ice.value)


def test_ice_round_a_mast_is_that_of_jones(assessment, explained):
    # Jones 1998, simple model: sum of sqrt(P^2 + (3.6 V W)^2) / (0.9 pi), W = 0.067 P^0.846 g/m3
    expected = 0.0
    for row in range(FREEZING_RAIN.start, FREEZING_RAIN.stop):
        wind = assessment.weather.values["wind_speed_ms"].iloc[row]
        expected += math.sqrt(1.5**2 + (3.6 * wind * 0.067 * 1.5**0.846) ** 2) / (0.9 * math.pi)
    steps = values_of(explained["12"], "ice")
    assert steps["ice round a mast or rail, for information"] == pytest.approx(expected)


def test_an_hour_of_freezing_rain_whose_amount_nobody_knows_is_listed_as_such(assessment):
    values = assessment.weather.values.copy()
    values.iloc[FREEZING_RAIN.start, values.columns.get_loc("precipitation_mm")] = float("nan")
    weather = Merged(values, assessment.weather.sources, assessment.weather.flags)
    yard = assessment_of(assessment.yard, assessment.covers, assessment.log, weather)
    steps = explain(yard, "12", PARAMETERS).steps["ice"]
    assert (steps[0].name, steps[0].value) == ("freezing rain, coded -FZRA BR, amount not known", None)
    assert values_of(explain(yard, "12", PARAMETERS), "ice")["hours left out of it, wind or amount unknown"] == 1


def test_without_codes_ice_is_not_assessed_and_has_no_steps():
    without = explain(make_assessment(codes=False), "12", PARAMETERS)
    assert without.not_assessed == ("ice",)
    assert "ice" not in without.steps


# --- damp -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("boat", BOATS)
def test_damp_hours_are_those_of_the_exposure_and_the_unknown_ones_its_missing_share(explained, boat):
    damp, steps = reason_of(explained[boat], "damp"), values_of(explained[boat], "damp")
    assert steps["damp hours"] == damp.value > 0
    share = steps["of them unknown"] / steps["hours since the last look inside or vent change"]
    assert share == pytest.approx(damp.missing_share)
    assert f"condensation in {steps['hours with condensation on the film']:.0f} h" in damp.note


@pytest.mark.parametrize("boat", BOATS)
def test_the_film_of_the_last_damp_hour_follows_from_the_printed_balance(assessment, explained, boat):
    steps = values_of(explained[boat], "damp")
    outside_c = steps["air_temperature_c"]
    # Clark & Allen 1978 with Walton's cloud, references.md G.4: eps = (.787 + .764 ln(Tdp / 273)) (1 + .0224 N - ...)
    cloud = beginning(steps, "cloud")
    clear = 0.787 + 0.764 * math.log((steps["dew point"] + 273.15) / 273)
    emissivity = min(clear * (1 + 0.0224 * cloud - 0.0035 * cloud**2 + 0.00028 * cloud**3), 1.0)
    sky_c = emissivity**0.25 * (outside_c + 273.15) - 273.15
    assert steps["temperature at which the sky radiates"] == pytest.approx(sky_c)
    # Ts = (ho Ta + hi Ti + hs Tsky + hg Ta + a I) / (ho + hi + hs + hg), G.5
    wind = 5.7 + 3.8 * steps["wind at the vents / wind at 10 m"] * steps["wind_speed_ms"]
    slope = next(step.value for step in explained[boat].build if step.name == "slope of the port panel")
    long_wave = 4 * 0.85 * 5.670374e-8 * (outside_c + 273.15) ** 3
    to_sky = long_wave * (1 + math.cos(math.radians(slope))) / 2
    sun = beginning(steps, "sun on level ground") * beginning(steps, "share of the sun that the ")
    assert steps["snow on the film"] == 0  # deeper snow would hide sky and sun
    inside_c = steps["temperature inside"]
    gain = wind * outside_c + 7.5 * inside_c + to_sky * sky_c + (long_wave - to_sky) * outside_c + sun
    assert steps["film temperature"] == pytest.approx(gain / (wind + 7.5 + long_wave))


@pytest.mark.parametrize("boat", BOATS)
def test_the_last_damp_hour_is_damp_and_names_openings_and_ground(explained, boat):
    steps = values_of(explained[boat], "damp")
    assert steps["relative humidity inside"] >= 80
    assert steps["temperature inside"] > 0
    assert steps["vents"] == (4 if boat == "A/1" else 2)
    assert steps["free area of each"] == 0.006
    assert steps["wet share of the ground, recorded as damp"] == 0.15
    assert "cloud, estimated" in steps  # no source of the picture reports cloud or sun
    assert "sun on level ground, estimated" in steps


def test_the_dew_point_follows_from_temperature_and_humidity_where_none_is_reported(explained):
    steps = values_of(explained["12"], "damp")
    # Alduchov & Eskridge 1996: e = 610.94 exp(17.625 t / (243.04 + t)); its inverse gives the dew point
    t = steps["air_temperature_c"]
    x = math.log(steps["relative_humidity_pct"] / 100) + 17.625 * t / (243.04 + t)
    assert steps["dew point"] == pytest.approx(243.04 * x / (17.625 - x))


def test_reported_cloud_and_sun_are_told_as_reported(assessment):
    values = assessment.weather.values.assign(cloud_cover_pct=40.0, solar_wm2=0.0)
    sources = assessment.weather.sources.assign(cloud_cover_pct="logger:observed", solar_wm2="logger:observed")
    flags = assessment.weather.flags.assign(cloud_cover_pct="", solar_wm2="")
    yard = assessment_of(assessment.yard, assessment.covers, assessment.log, Merged(values, sources, flags))
    steps = values_of(explain(yard, "12", PARAMETERS), "damp")
    assert steps["cloud, as reported"] == 4.0
    assert steps["cloud_cover_pct"] == 40.0


def test_the_moment_of_the_picture_is_the_moment_of_the_explanation(assessment, explained):
    days = reason_of(explained["a-1"], "unseen").value
    assert days == pytest.approx((AS_OF - WRAPPED).total_seconds() / 86400)
