import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoilt_answers import spoilt

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.providers.open_meteo import ASKED, parse, requests_for

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "open_meteo"  # invented numbers, the published shape
FETCHED = datetime(2026, 1, 10, 6, 20, tzinfo=UTC)


def body(name):
    return (ANSWERS / name).read_bytes()


def read(name):
    return parse(body(name), fetched_at=FETCHED)


def good(**changes):
    """The good day with parts of its two blocks replaced, or removed by None: ``hourly={"rain": None}``."""
    answer = json.loads(body("good_day.json"))
    for block, parts in changes.items():
        for key, value in parts.items():
            if value is None:
                del answer[block][key]
            else:
                answer[block][key] = value
    return json.dumps(answer).encode()


def at(hour):
    return pd.Timestamp(f"2026-01-10T{hour:02d}:00Z")


# --- a good day --------------------------------------------------------------------------------------------------


def test_a_good_day_has_every_variable_in_canonical_units():
    hours = read("good_day.json").hours
    assert hours.loc[at(5)].to_dict() == pytest.approx(
        {
            "air_temperature_c": -0.6,
            "dew_point_c": -0.9,
            "relative_humidity_pct": 98.0,
            "wind_speed_ms": 7.9,
            "wind_gust_ms": 16.4,
            "wind_from_deg": 46.0,
            "precipitation_mm": 1.6,
            "rain_mm": 0.0,
            "snowfall_water_mm": 1.0,  # 0.70 cm / 0.7: the service documents 7 cm for 10 mm of water
            "snowfall_depth_mm": 7.0,
            "freezing_rain_mm": 0.0,
            "snow_depth_m": 0.07,
            "cloud_cover_pct": 100.0,
            "solar_wm2": 0.0,
        }
    )


def test_hours_end_at_their_stamp():
    # the service: precipitation and gust are those of the hour before the stamp
    assert read("good_day.json").hours.index[0] == at(0)


def test_hours_that_had_ended_when_fetched_are_analysis_and_the_rest_forecast():
    kinds = read("good_day.json").kinds
    assert kinds[at(6)] == "analysis"
    assert kinds[at(7)] == "forecast"
    assert parse(body("good_day.json"), fetched_at=datetime(2026, 1, 10, 7, tzinfo=UTC)).kinds[at(7)] == "analysis"


def test_rain_is_rain_and_showers():
    assert read("good_day.json").hours["rain_mm"][at(7)] == pytest.approx(0.9)  # 0.7 + 0.2


def test_without_a_column_of_showers_rain_is_rain():
    assert parse(good(hourly={"showers": None}), fetched_at=FETCHED).hours["rain_mm"][at(7)] == 0.7


@pytest.mark.parametrize(("code", "expected"), [(56, 1.2), (57, 1.2), (66, 1.2), (67, 1.2), (65, 0.0), (48, 0.0)])
def test_freezing_rain_is_the_precipitation_of_the_hours_with_its_code(code, expected):
    # codes of the service: 56, 57 freezing drizzle, 66, 67 freezing rain; 65 is heavy rain, 48 rime fog
    codes = [3] * 6 + [code] + [3] * 5
    hours = parse(good(hourly={"weather_code": codes}), fetched_at=FETCHED).hours
    assert hours["freezing_rain_mm"][at(6)] == expected


def test_freezing_rain_is_unknown_where_the_code_is():
    codes = [None] * 6 + [66] + [3] * 5
    hours = parse(good(hourly={"weather_code": codes}), fetched_at=FETCHED).hours
    np.testing.assert_array_equal(hours["freezing_rain_mm"][:8], [np.nan] * 6 + [1.2, 0.0])
    assert "freezing_rain_mm" not in parse(good(hourly={"weather_code": None}), fetched_at=FETCHED).hours


def test_night_sunshine_just_below_zero_is_zero_and_more_is_left_to_be_flagged():
    sun = [-0.2, -5.0, -5.1] + [0.0] * 9
    hours = parse(good(hourly={"shortwave_radiation": sun}), fetched_at=FETCHED).hours
    assert hours["solar_wm2"][:3].tolist() == [0.0, 0.0, -5.1]


def test_minus_zero_is_zero():
    assert not np.signbit(read("good_day.json").hours["rain_mm"]).any()


def test_unknown_columns_are_passed_over():
    answer = good(hourly={"uv_index": [0.0] * 12}, hourly_units={"uv_index": ""})
    pd.testing.assert_frame_equal(parse(answer, fetched_at=FETCHED).hours, read("good_day.json").hours)


def test_one_place_in_a_list_is_read():
    answer = b"[" + body("good_day.json") + b"]"
    pd.testing.assert_frame_equal(parse(answer, fetched_at=FETCHED).hours, read("good_day.json").hours)


def test_nothing_is_flagged_by_the_parser():
    assert (read("good_day.json").flags == "").all(axis=None)


# --- other units and names ---------------------------------------------------------------------------------------


def test_us_units_are_converted_by_what_the_answer_states():
    # the same hours, rounded to the service's decimals in these units
    us, metric = read("us_units.json").hours, read("good_day.json").hours
    assert list(us.columns) == list(metric.columns)
    for name, within in {
        "air_temperature_c": 0.03,
        "wind_gust_ms": 0.03,
        "precipitation_mm": 0.013,
        "snowfall_water_mm": 0.02,
        "snowfall_depth_mm": 0.013,
        "snow_depth_m": 0.0002,
    }.items():
        np.testing.assert_allclose(us[name], metric[name], atol=within, err_msg=name)


def test_old_names_and_km_h_are_read():
    old, new = read("old_names.json").hours, read("good_day.json").hours
    assert {"dew_point_c", "relative_humidity_pct", "cloud_cover_pct", "freezing_rain_mm", "wind_from_deg"} <= set(old)
    np.testing.assert_allclose(old["wind_gust_ms"], new["wind_gust_ms"], atol=0.015)  # 0.05 km/h
    np.testing.assert_array_equal(old["freezing_rain_mm"], new["freezing_rain_mm"])


def test_knots_are_read():
    answer = good(hourly_units={"wind_gusts_10m": "kn"})
    assert parse(answer, fetched_at=FETCHED).hours["wind_gust_ms"][at(0)] == pytest.approx(6.8 * 1852 / 3600)


@pytest.mark.parametrize(
    ("column", "unit"),
    [("wind_gusts_10m", "furlong/h"), ("temperature_2m", "m/s"), ("precipitation", "undefined"), ("snow_depth", None)],
)
def test_an_unknown_unit_is_refused_by_name(column, unit):
    answer = good(hourly_units={column: unit})
    with pytest.raises(ProviderContractError, match=rf"expected {column} in one of .*, got {unit!r}. Nothing was read"):
        parse(answer, fetched_at=FETCHED)


# --- times -------------------------------------------------------------------------------------------------------


def test_local_times_are_moved_by_the_offset_of_the_answer_even_across_a_clock_change():
    # 02:00 on 8 March 2026 was shown by no clock in Toronto; the answer has it, five hours behind UTC throughout
    hours = read("clock_change.json").hours
    assert list(hours.index) == list(pd.date_range("2026-03-08T03:00Z", periods=7, freq="h"))
    assert hours["wind_gust_ms"][pd.Timestamp("2026-03-08T07:00Z")] == 9.6


def test_a_half_hour_offset_is_refused():
    answer = json.loads(body("good_day.json")) | {"utc_offset_seconds": 19800}
    with pytest.raises(ProviderContractError, match="full hours in UTC, got 2026-01-09 18:30Z"):
        parse(json.dumps(answer).encode(), fetched_at=FETCHED)


@pytest.mark.parametrize("offset", [10**30, 0.5, "0", True])
def test_an_offset_that_is_none_is_refused(offset):
    answer = json.loads(body("good_day.json")) | {"utc_offset_seconds": offset}
    with pytest.raises(ProviderContractError, match="utc_offset_seconds as a whole number within a day"):
        parse(json.dumps(answer).encode(), fetched_at=FETCHED)


def test_an_hour_that_stands_twice_is_refused():
    times = json.loads(body("good_day.json"))["hourly"]["time"]
    with pytest.raises(ProviderContractError, match="every hour once, got 2026-01-10 00:00Z twice"):
        parse(good(hourly={"time": [times[0], *times[:-1]]}), fetched_at=FETCHED)


@pytest.mark.parametrize("wrong", ["10 January", "2026-01-10T00:00:00", "", 1768003200])
def test_times_in_another_form_are_refused(wrong):
    times = json.loads(body("good_day.json"))["hourly"]["time"]
    with pytest.raises(ProviderContractError, match="expected times such as"):
        parse(good(hourly={"time": [wrong, *times[1:]]}), fetched_at=FETCHED)
    with pytest.raises(ProviderContractError, match="times as iso8601, got 'unixtime'"):
        parse(good(hourly_units={"time": "unixtime"}), fetched_at=FETCHED)


@settings(max_examples=25)
@given(st.permutations(range(12)))
def test_the_sequence_of_the_hours_changes_nothing(sequence):
    answer = json.loads(body("good_day.json"))
    answer["hourly"] = {name: [values[i] for i in sequence] for name, values in answer["hourly"].items()}
    shuffled = parse(json.dumps(answer).encode(), fetched_at=FETCHED)
    pd.testing.assert_frame_equal(shuffled.hours, read("good_day.json").hours)
    pd.testing.assert_series_equal(shuffled.kinds, read("good_day.json").kinds)


# --- answers that lack something ---------------------------------------------------------------------------------


def test_nulls_stay_missing():
    parsed = read("nulls.json")
    assert len(parsed.hours) == 12
    assert parsed.hours["air_temperature_c"].isna().tolist() == [True] * 4 + [False] * 8
    assert parsed.notes == ("Open-Meteo sent no value of wind_gust_ms.",)


def test_a_column_that_is_gone_is_absent_and_the_rest_is_read():
    hours = parse(good(hourly={"wind_gusts_10m": None, "snowfall": None}), fetched_at=FETCHED).hours
    assert not {"wind_gust_ms", "snowfall_water_mm", "snowfall_depth_mm"} & set(hours.columns)
    assert hours["air_temperature_c"][at(5)] == -0.6


def test_an_answer_without_hours_is_empty_and_says_so():
    answer = json.loads(body("good_day.json"))
    answer["hourly"] = {name: [] for name in answer["hourly"]}
    parsed = parse(json.dumps(answer).encode(), fetched_at=FETCHED)
    assert parsed.hours.empty
    assert parsed.notes == ("Open-Meteo sent no hours.",)


def test_an_answer_without_any_known_variable_is_refused():
    with pytest.raises(
        ProviderContractError, match=r"expected at least one of the variables temperature_2m, .* got only time"
    ):
        parse(good(hourly=dict.fromkeys(ASKED)), fetched_at=FETCHED)


@pytest.mark.parametrize("block", ["hourly", "hourly_units"])
def test_a_block_that_is_gone_is_named(block):
    answer = json.loads(body("good_day.json"))
    del answer[block]
    with pytest.raises(ProviderContractError, match=f'a block "{block}"'):
        parse(json.dumps(answer).encode(), fetched_at=FETCHED)


@pytest.mark.parametrize(
    ("values", "complaint"),
    [
        ([1.0] * 11, "expected 12 values of precipitation, one for each time, got 11"),
        ([1.0] * 11 + ["2"], "expected numbers in precipitation, got '2' as value 12"),
        ([True] * 12, "expected numbers in precipitation, got True as value 1"),
        ({"0": 1.0}, "expected 12 values of precipitation, one for each time, got dict"),
    ],
)
def test_values_in_another_shape_are_refused(values, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        parse(good(hourly={"precipitation": values}), fetched_at=FETCHED)


def test_several_places_are_refused():
    one = body("good_day.json")
    with pytest.raises(ProviderContractError, match="one place in an answer, got 2 places"):
        parse(b"[" + one + b"," + one + b"]", fetched_at=FETCHED)


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        ("error_400.json", "Latitude must be in range of -90 to 90°. Given: 200.0."),
        ("error_429.json", "Minutely API request limit exceeded. Please try again in one minute."),
        ("error_500.json", "Something went wrong."),
    ],
)
def test_an_error_instead_of_weather_is_quoted(answer, reason):
    with pytest.raises(ProviderContractError) as caught:
        read(answer)
    assert f'"{reason}"' in str(caught.value)


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "a JSON answer, got an empty body"),
        (b" \n", "a JSON answer, got an empty body"),
        (body("gateway.html"), r"a JSON answer, got a web page \(HTML\)"),
        (b"upstream error", "a JSON answer, got text that is not JSON at character 0: 'upstream error'"),
        (b'"text"', "an object, got str"),
        (b"[]", "one place in an answer, got 0 places"),
        (b"{}", 'a block "hourly"'),
        (b'{"hourly": {}, "hourly_units": {}}', 'a list "time" in the block "hourly"'),
    ],
)
def test_what_is_no_answer_is_refused_with_what_came(answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        parse(answer, fetched_at=FETCHED)


@given(st.integers(1, len(body("good_day.json").rstrip()) - 1))
def test_an_answer_cut_off_anywhere_is_refused(length):
    with pytest.raises(ProviderContractError, match="expected a whole JSON answer, got one cut off after"):
        parse(body("good_day.json")[:length], fetched_at=FETCHED)


PIECES = (b"null", b"{}", b"[", b'"', b"-1e999", b"0")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(body("good_day.json"), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = parse(answer, fetched_at=FETCHED)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)


# --- a real answer -----------------------------------------------------------------------------------------------


def test_a_recorded_answer_is_read(shared):
    # Melbourne, 25 October 2025, in km/h; expected numbers are those of the file, converted by hand
    answer = (shared / "samples" / "openmeteo_forecast_melbourne.json").read_bytes()
    fetched = datetime(2025, 10, 25, 11, 34, tzinfo=UTC)
    parsed = parse(answer, fetched_at=fetched)
    hourly = json.loads(answer)["hourly"]
    assert len(parsed.hours) == 168
    assert parsed.hours.index[0] == pd.Timestamp("2025-10-25T00:00Z")
    assert list(parsed.hours.columns) == [
        "air_temperature_c",
        "precipitation_mm",
        "wind_speed_ms",
        "wind_gust_ms",
        "relative_humidity_pct",
    ]
    np.testing.assert_allclose(parsed.hours["wind_gust_ms"].max() * 3.6, max(hourly["wind_gusts_10m"]))
    np.testing.assert_allclose(parsed.hours["precipitation_mm"].sum(), sum(hourly["precipitation"]))
    assert (parsed.kinds == "analysis").sum() == 12  # 00 to 11 UTC


# --- requests ----------------------------------------------------------------------------------------------------

NOW = datetime(2026, 1, 10, 6, 20, tzinfo=UTC)


def yard(plan="noncommercial"):
    return Yard("north", "North", 43.70004, -70.2, 8.0, "America/New_York", open_meteo_plan=plan)


def asked(start, end, **settings):
    made = requests_for(settings.pop("yard", yard()), start, end, NOW, **settings)
    assert len(made) <= 1
    return made[0] if made else None


def test_a_request_asks_for_metric_hours_in_utc():
    request = asked(NOW - timedelta(days=3), NOW + timedelta(days=5))
    assert request.url == "https://api.open-meteo.com/v1/forecast"
    assert request.params["latitude"] == "43.7000"
    assert request.params["elevation"] == "8"
    assert request.params["timezone"] == "GMT"
    assert request.params["wind_speed_unit"] == "ms"
    assert request.params["hourly"].split(",") == list(ASKED)
    assert not {"precipitation_unit", "temperature_unit", "daily"} & set(request.params)


@pytest.mark.parametrize(
    ("start", "end", "past_days", "forecast_days"),
    [
        (NOW - timedelta(days=3), NOW + timedelta(days=5), 3, 6),
        (NOW - timedelta(hours=1), NOW, 0, 1),
        (NOW - timedelta(hours=7), NOW, 1, 1),  # 23:20 of the day before
        (NOW - timedelta(days=200), NOW + timedelta(days=30), 92, 16),
        (NOW - timedelta(days=9), NOW - timedelta(days=7), 9, 0),
        (NOW + timedelta(days=2), NOW + timedelta(days=3), 0, 4),
    ],
)
def test_the_days_asked_for_cover_the_span(start, end, past_days, forecast_days):
    params = asked(start, end).params
    assert (params["past_days"], params["forecast_days"]) == (str(past_days), str(forecast_days))


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (NOW, NOW),
        (NOW, NOW - timedelta(hours=1)),
        (NOW - timedelta(days=120), NOW - timedelta(days=93)),
        (NOW + timedelta(days=16), NOW + timedelta(days=20)),
    ],
)
def test_nothing_is_asked_for_what_the_service_does_not_have(start, end):
    assert asked(start, end) is None


def test_the_plan_of_the_yard_decides_the_server():
    span = (NOW, NOW + timedelta(days=1))
    paid = asked(*span, yard=yard("customer_key"), customer_key="k3y")
    assert paid.url == "https://customer-api.open-meteo.com/v1/forecast"
    assert paid.secret_params == {"apikey": "k3y"}
    assert "apikey" not in paid.params
    assert "k3y" not in repr(paid)
    own = asked(*span, yard=yard("own_server"), own_server="https://weather.example/v1/forecast")
    assert (own.url, own.secret_params) == ("https://weather.example/v1/forecast", {})


@pytest.mark.parametrize(
    ("plan", "complaint"),
    [
        ("", "its plan is ''. Enter noncommercial, customer_key or own_server"),
        ("customer_key", "no key was given"),
        ("own_server", "no address was given"),
    ],
)
def test_without_a_plan_or_what_it_needs_nothing_is_asked(plan, complaint):
    with pytest.raises(StormwalkError, match=f'Yard "North": nothing was asked of Open-Meteo, for .*{complaint}'):
        asked(NOW, NOW + timedelta(days=1), yard=yard(plan))
