"""Mould index: the published tables, another program hour by hour, and laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from monitor.hazards.mould import (
    SENSITIVITIES,
    MouldParameters,
    critical_humidity_pct,
    mould_index,
    weeks_to_first_growth,
)

PINE = MouldParameters()


# Hukka & Viitanen 1999, the polynomial worked out by hand:
# 5 degC: -0.33375 + 4 - 15.65 + 100; 10: -2.67 + 16 - 31.3 + 100; 15: -9.01125 + 36 - 46.95 + 100; over 20: the least
@pytest.mark.parametrize(
    ("temperature_c", "critical_pct"), [(5, 88.0162), (10, 82.0300), (15, 80.0388), (25, 80.0), (0, 100.0)]
)
def test_critical_humidity_is_that_of_hukka_and_viitanen(temperature_c, critical_pct):
    np.testing.assert_allclose(critical_humidity_pct(temperature_c, 80.0), critical_pct, atol=1e-4)


def test_resistant_materials_need_their_least_humidity_at_any_temperature():
    np.testing.assert_allclose(critical_humidity_pct([5, 10, 15, 25], 85.0), [88.0162, 85.0, 85.0, 85.0], atol=1e-4)


# exp(-0.68 ln T - 13.9 ln RH + 66.02), Hukka & Viitanen 1999: 20 degC and 90 %: exp(-2.03710 - 62.54735 + 66.02)
@pytest.mark.parametrize(("temperature_c", "humidity_pct", "weeks"), [(20, 90, 4.2019), (10, 95, 3.1751)])
def test_first_growth_on_pine_takes_the_published_weeks(temperature_c, humidity_pct, weeks):
    np.testing.assert_allclose(weeks_to_first_growth(temperature_c, humidity_pct), weeks, atol=1e-4)


# 20 degC, 90 %, index after 1, 4 and 12 weeks: worked out apart from this code, from the same formulas
STEADY = [
    ("very_sensitive", 0.23795, 0.95159, 3.91867),
    ("sensitive", 0.13741, 0.54922, 1.42558),
    ("medium_resistant", 0.01658, 0.06619, 0.19735),
]


@pytest.mark.parametrize(("sensitivity", "one", "four", "twelve"), STEADY)
def test_twelve_weeks_at_20_degrees_and_90_percent(sensitivity, one, four, twelve):
    index = mould_index(np.full(12 * 168, 20.0), np.full(12 * 168, 90.0), sensitivity, PINE)
    np.testing.assert_allclose(index[[167, 4 * 168 - 1, -1]], [one, four, twelve], atol=1e-4)


# The same series in mi.py of the public repository anssilaukkarinen/trh-1, commit af62948: after 1000, 2000 and 3000
# hours of T = 10 + 9.5 sin(2 pi h / 24), RH = 82 + 16 sin(2 pi h / 300)
TRH_1 = [
    ("very_sensitive", 1.0, 0.4030833987528485, 0.6515772126211513, 0.8313921697475145),
    ("very_sensitive", 0.25, 0.6937359957063034, 1.5328371344795797, 2.6114201672309343),
    ("sensitive", 1.0, 0.08351278360056316, 0.06757815917953117, 0.0),
    ("sensitive", 0.25, 0.3570056344995443, 0.6305691747912249, 0.8715720584644747),
    ("medium_resistant", 1.0, 0.007063114665272881, 0.0, 0.0),
    ("medium_resistant", 0.25, 0.009698502929772203, 0.00047723824982459477, 0.0),
    ("resistant", 1.0, 0.0024456252820511002, 0.0, 0.0),
    ("resistant", 0.25, 0.0036091523319832573, 0.0, 0.0),
]


@pytest.mark.parametrize(("sensitivity", "decline_factor", "first", "second", "third"), TRH_1)
def test_comes_hour_by_hour_to_what_another_program_has(sensitivity, decline_factor, first, second, third):
    hour = np.arange(3000)
    temperature_c = 10 + 9.5 * np.sin(2 * np.pi * hour / 24)
    humidity_pct = 82 + 16 * np.sin(2 * np.pi * hour / 300)
    index = mould_index(temperature_c, humidity_pct, sensitivity, MouldParameters(decline_factor))
    np.testing.assert_allclose(index[[999, 1999, 2999]], [first, second, third], atol=1e-12)


def grown_to_2_then_dry(decline_factor):
    """Index of very sensitive wood, from the hour it passes 2 in damp air; dry from then on."""
    damp = mould_index(np.full(2000, 20.0), np.full(2000, 95.0), "very_sensitive", PINE)
    hours = int(np.argmax(damp >= 2)) + 1
    humidity_pct = np.concatenate([np.full(hours, 95.0), np.full(168, 40.0)])
    parameters = MouldParameters(decline_factor)
    return mould_index(np.full(len(humidity_pct), 20.0), humidity_pct, "very_sensitive", parameters)[hours - 1 :]


@pytest.mark.parametrize("decline_factor", [1.0, 0.5, 0.25, 0.1])
def test_in_dry_air_the_index_falls_rests_and_falls_slowly(decline_factor):
    # 0.032 a day for 6 h is 0.008, nothing to the 24th hour, then 0.016 a day: 24 h 0.008, 48 h 0.024, 168 h 0.104
    index = grown_to_2_then_dry(decline_factor)
    fallen = (index[0] - index[[6, 24, 48, 168]]) / decline_factor
    np.testing.assert_allclose(fallen, [0.008, 0.008, 0.024, 0.104], atol=1e-9)


def test_in_frost_nothing_grows():
    assert mould_index(np.full(500, -1.0), np.full(500, 100.0), "very_sensitive", PINE).max() == 0


def test_the_index_tends_to_its_highest_for_the_humidity():
    # 90 %, critical 80 %: x = 0.5, 1 + 7 * 0.5 - 2 * 0.25 = 4; 100 %: 1 + 7 - 2 = 6
    index = mould_index(np.full(60000, 25.0), np.full(60000, 90.0), "very_sensitive", PINE)
    np.testing.assert_allclose(index[-1], 4.0, atol=0.01)
    index = mould_index(np.full(60000, 25.0), np.full(60000, 130.0), "very_sensitive", PINE)
    np.testing.assert_allclose(index[-1], 6.0, atol=0.01)


weather = st.tuples(
    arrays(np.float64, (60, 2), elements=st.one_of(st.floats(-20, 60), st.just(np.nan), st.just(0.0))),
    arrays(np.float64, (60, 2), elements=st.one_of(st.floats(0, 120), st.just(np.nan), st.just(100.0))),
)


@given(weather, st.sampled_from(sorted(SENSITIVITIES)))
def test_the_index_lies_between_0_and_6_and_is_unknown_where_the_weather_is(case, sensitivity):
    temperature_c, humidity_pct = case
    index = mould_index(temperature_c, humidity_pct, sensitivity, PINE)
    known = ~(np.isnan(temperature_c) | np.isnan(humidity_pct))
    np.testing.assert_array_equal(np.isnan(index), ~known)
    assert np.all((index[known] >= 0) & (index[known] <= 6))


@given(weather)
def test_each_column_is_counted_for_itself_with_its_own_material(case):
    both = mould_index(*case, ["sensitive", "resistant"], PINE)
    for column, sensitivity in enumerate(["sensitive", "resistant"]):
        alone = mould_index(case[0][:, column], case[1][:, column], sensitivity, PINE)
        np.testing.assert_array_equal(both[:, column], alone)


def test_an_unknown_hour_leaves_the_index_and_its_rest_as_they_were():
    temperature_c = np.full(400, 20.0)
    humidity_pct = np.concatenate([np.full(300, 95.0), np.full(100, 50.0)])
    whole = mould_index(temperature_c, humidity_pct, "sensitive", PINE)
    gap = np.full(7, np.nan)
    with_gap = mould_index(np.insert(temperature_c, 310, gap), np.insert(humidity_pct, 310, gap), "sensitive", PINE)
    np.testing.assert_array_equal(np.delete(with_gap, range(310, 317)), whole)
    assert np.isnan(with_gap[310:317]).all()


def test_a_material_nobody_knows_is_refused():
    with pytest.raises(ValueError, match=r"sensitivity must be one of very_sensitive, .*, got 'teak'"):
        mould_index([1.0], [90.0], "teak", PINE)
