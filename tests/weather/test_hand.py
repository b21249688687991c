"""Readings by hand as they are kept, and as canonical hours."""

import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import ProviderContractError, StormwalkError
from monitor.weather.providers.hand import MOST_HOURS, parse, reading, written

AT = datetime(2026, 1, 10, 12, 20, tzinfo=UTC)


def hours_of(values, at=AT, over_h=1):
    return parse(written(at, "Ida", values, over_h), fetched_at=AT)


# Exact by definition: 1 in = 0.0254 m, 1 mph = 0.44704 m/s, 1 kn = 1852/3600 m/s; 28 °F = (28 - 32) / 1.8 °C
@pytest.mark.parametrize(
    "variable, text, value",
    [
        ("snow_depth_m", "6in", 0.1524),
        ("snow_depth_m", '6"', 0.1524),
        ("snow_depth_m", "1 ft 2 in", 0.3556),
        ("snow_depth_m", "15 cm", 0.15),
        ("rain_mm", "0.4in", 10.16),
        ("precipitation_mm", "12 mm", 12.0),
        ("wind_gust_ms", "45mph", 20.1168),
        ("wind_gust_ms", "39 kt", 39 * 1852 / 3600),
        ("air_temperature_c", "28°F", -4 / 1.8),
    ],
)
def test_a_reading_is_understood_with_its_unit(variable, text, value):
    assert reading(variable, text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "6", "six inches", "-2 in", "6 mph", "20 ft"])
def test_a_depth_that_cannot_be_is_refused(text):
    with pytest.raises(StormwalkError, match=r"snow lying on the ground: .*Nothing was stored\."):
        reading("snow_depth_m", text)


def test_a_depth_is_of_the_last_full_hour_and_a_gust_of_the_hour_in_which_it_was_read():
    table = hours_of({"snow_depth_m": 0.2, "wind_gust_ms": 20.0}).hours
    assert table["snow_depth_m"].dropna().to_dict() == {AT.replace(minute=0): 0.2}
    assert table["wind_gust_ms"].dropna().to_dict() == {AT.replace(hour=13, minute=0): 20.0}


def test_at_the_full_hour_both_are_of_that_hour():
    noon = AT.replace(minute=0)
    table = hours_of(
        {"snow_depth_m": 0.2, "wind_gust_ms": 20.0}, at=noon.astimezone(timezone(timedelta(hours=-5)))
    ).hours
    assert table.to_dict("index") == {noon: {"wind_gust_ms": 20.0, "snow_depth_m": 0.2}}


@given(st.floats(0, 500), st.integers(1, MOST_HOURS))
def test_what_a_gauge_collected_keeps_its_sum(amount_mm, over_h):
    water = hours_of({"precipitation_mm": amount_mm}, over_h=over_h).hours["precipitation_mm"]
    assert len(water) == over_h
    assert water.sum() == pytest.approx(amount_mm, abs=1e-9)
    assert water.index[-1] == AT.replace(hour=13, minute=0)


def test_a_reading_keeps_who_read_it_and_when():
    assert json.loads(written(AT, "Ida", {"snow_depth_m": 0.2})) == {
        "at": "2026-01-10T12:20:00+00:00",
        "by": "Ida",
        "over_h": 1,
        "values": {"snow_depth_m": 0.2},
    }


@pytest.mark.parametrize(
    "changed",
    [
        {"at": "noon"},
        {"values": {}},
        {"values": {"wind_from_deg": 90}},
        {"values": {"snow_depth_m": "deep"}},
        {"over_h": 0},
        {"over_h": True},
        {"over_h": 1000},
    ],
)
def test_what_was_not_written_so_is_refused(changed):
    text = json.loads(written(AT, "Ida", {"snow_depth_m": 0.2})) | changed
    with pytest.raises(ProviderContractError, match="hand reading: expected"):
        parse(json.dumps(text).encode(), fetched_at=AT)
