import copy
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
from monitor.weather.providers.met_norway import parse, requests_for, saved_headers

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "met_norway"  # invented numbers, the published shape
FETCHED = datetime(2026, 1, 10, 6, 20, tzinfo=UTC)


def body(name="winter_night.json"):
    return (ANSWERS / name).read_bytes()


def read(answer=None):
    return parse(body() if answer is None else json.dumps(answer).encode(), fetched_at=FETCHED)


def winter_night():
    return json.loads(body())


def with_step(position, **blocks):
    """The winter night with blocks of one step replaced, or removed by None."""
    answer = winter_night()
    data = answer["properties"]["timeseries"][position]["data"]
    for name, block in blocks.items():
        if block is None:
            data.pop(name, None)
        else:
            data[name] = block
    return answer


def with_units(**units):
    answer = winter_night()
    answer["properties"]["meta"]["units"].update(units)
    return answer


def hours_from(first, *values):
    index = pd.date_range(first, periods=len(values), freq="h")
    return dict(zip(index, values, strict=True))


def refused(answer):
    with pytest.raises(ProviderContractError) as caught:
        parse(answer if isinstance(answer, bytes) else json.dumps(answer).encode(), fetched_at=FETCHED)
    return str(caught.value)


# --- moments and periods -----------------------------------------------------------------------------------------


def test_values_of_the_moment_belong_to_the_hour_that_ends_then():
    assert read().hours.loc[pd.Timestamp("2026-01-10T07:00Z")].dropna().to_dict() == {
        "air_temperature_c": 0.7,
        "dew_point_c": 0.1,
        "relative_humidity_pct": 95.8,
        "wind_speed_ms": 9.0,
        "wind_gust_ms": 17.1,
        "wind_from_deg": 148.5,
        "precipitation_mm": 0.6,  # told at 06:00 for the hour after it
        "rain_mm": 0.6,
        "snowfall_water_mm": 0.0,
        "cloud_cover_pct": 100.0,
    }


def test_precipitation_is_of_the_hour_after_the_stamp():
    water = read().hours["precipitation_mm"]
    assert np.isnan(water[pd.Timestamp("2026-01-10T06:00Z")])
    assert water["2026-01-10T07":"2026-01-10T12"].to_dict() == hours_from(
        "2026-01-10T07:00Z", 0.6, 0.8, 1.2, 0.0, 0.1, 0.4
    )


def test_six_hours_are_divided_among_their_hours():
    water = read().hours["precipitation_mm"]
    expected = hours_from("2026-01-10T13:00Z", *[0.5] * 6, *[0.1] * 6, *[0.0] * 6)  # 3.0, 0.6 and 0.0 mm
    assert water["2026-01-10T13":].to_dict() == pytest.approx(expected)


def test_blocks_that_overlap_are_counted_once():
    # by hand: 0.6 + 0.8 + 1.2 + 0.0 + 0.1 + 0.4 by the hour, then 3.0 + 0.6 + 0.0; the six-hour blocks of the
    # hourly steps tell the same water again
    np.testing.assert_allclose(read().hours["precipitation_mm"].sum(), 6.7, atol=1e-9)


def test_between_six_hourly_steps_the_moments_stay_missing():
    temperature = read().hours["air_temperature_c"]
    assert temperature[pd.Timestamp("2026-01-10T18:00Z")] == -0.3
    assert temperature["2026-01-10T13":"2026-01-10T17"].isna().all()
    assert temperature.notna().sum() == 10  # the steps


def test_everything_is_forecast():
    assert set(read().kinds) == {"forecast"}


def test_nothing_is_flagged_by_the_parser():
    assert (read().flags == "").all(axis=None)


# --- steps that lack something -----------------------------------------------------------------------------------


def test_a_key_that_one_step_lacks_is_missing_there():
    dew_point = read().hours["dew_point_c"]
    assert np.isnan(dew_point[pd.Timestamp("2026-01-10T08:00Z")])
    assert dew_point[pd.Timestamp("2026-01-10T09:00Z")] == -0.9


def test_gusts_are_known_where_they_are_given():
    gust = read().hours["wind_gust_ms"]
    assert gust["2026-01-10T06":"2026-01-10T11"].tolist() == [15.3, 17.1, 18.8, 19.4, 17.6, 16.2]
    assert gust["2026-01-10T12":].isna().all()


def test_a_place_without_gusts_has_no_column_of_them_and_a_note():
    answer = winter_night()
    for step in answer["properties"]["timeseries"]:
        step["data"]["instant"]["details"].pop("wind_speed_of_gust", None)
    parsed = read(answer)
    assert "wind_gust_ms" not in parsed.hours
    assert parsed.notes == ("MET Norway sent no gusts; it has them for the Nordic and Arctic area alone.",)


@pytest.mark.parametrize("block", [None, {}, {"details": {}}, {"details": None}, {"summary": {"symbol_code": "rain"}}])
def test_an_hour_that_is_not_told_stays_missing_although_six_hours_are(block):
    # the six hours from 08:00 overlap hours that are told one by one
    water = read(with_step(2, next_1_hours=block)).hours["precipitation_mm"]
    assert np.isnan(water[pd.Timestamp("2026-01-10T09:00Z")])
    np.testing.assert_allclose(water.sum(), 6.7 - 1.2, atol=1e-9)


def test_null_is_missing():
    details = {"air_temperature": None, "wind_speed": 9.0}
    hours = read(with_step(1, instant={"details": details})).hours
    assert np.isnan(hours["air_temperature_c"][pd.Timestamp("2026-01-10T07:00Z")])
    water = read(with_step(2, next_1_hours={"details": {"precipitation_amount": None}})).hours["precipitation_mm"]
    assert np.isnan(water[pd.Timestamp("2026-01-10T09:00Z")])


def test_hourly_steps_with_six_hour_blocks_alone_are_read_without_overlap():
    answer = winter_night()
    for step in answer["properties"]["timeseries"]:
        step["data"].pop("next_1_hours", None)
    # 06:00 tells until 12:00, and 12:00 from there on: 3.1 + 3.0 + 0.6 + 0.0
    np.testing.assert_allclose(read(answer).hours["precipitation_mm"].sum(), 6.7, atol=1e-9)


def test_a_step_that_is_absent_leaves_a_gap():
    answer = winter_night()
    del answer["properties"]["timeseries"][3]
    hours = read(answer).hours
    assert np.isnan(hours["precipitation_mm"][pd.Timestamp("2026-01-10T10:00Z")])
    assert np.isnan(hours["air_temperature_c"].get(pd.Timestamp("2026-01-10T09:00Z")))


def test_the_compact_answer_lacks_dew_point_and_gust():
    answer = winter_night()
    for step in answer["properties"]["timeseries"]:
        for name in ("dew_point_temperature", "wind_speed_of_gust"):
            step["data"]["instant"]["details"].pop(name, None)
    compact, complete = read(answer).hours, read().hours
    pd.testing.assert_frame_equal(compact, complete.drop(columns=["dew_point_c", "wind_gust_ms"]))


def test_an_answer_without_steps_is_empty_and_says_so():
    parsed = parse(body("no_hours.json"), fetched_at=FETCHED)
    assert parsed.hours.empty
    assert parsed.notes == ("MET Norway sent no hours.",)


# --- rain or snow ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("symbol", "rain_mm", "snow_mm"),
    [
        ("rain", 1.2, 0.0),
        ("heavyrainshowersandthunder_night", 1.2, 0.0),
        ("snow", 0.0, 1.2),
        ("lightssnowshowersandthunder_day", 0.0, 1.2),
        ("sleet", np.nan, np.nan),  # how much of it is snow is left to the temperature
        ("lightssleetshowersandthunder_day", np.nan, np.nan),
        ("cloudy", np.nan, np.nan),
        ("fog", np.nan, np.nan),
        (None, np.nan, np.nan),
    ],
)
def test_the_symbol_tells_rain_from_snow_and_never_divides_sleet(symbol, rain_mm, snow_mm):
    block = {"summary": {"symbol_code": symbol}, "details": {"precipitation_amount": 1.2}}
    hour = read(with_step(2, next_1_hours=block)).hours.loc[pd.Timestamp("2026-01-10T09:00Z")]
    np.testing.assert_array_equal(hour[["precipitation_mm", "rain_mm", "snowfall_water_mm"]], [1.2, rain_mm, snow_mm])


@pytest.mark.parametrize("symbol", ["rain", "sleet", "fair_day", None])
def test_no_precipitation_is_neither_rain_nor_snow(symbol):
    block = {"summary": {"symbol_code": symbol}, "details": {"precipitation_amount": 0}}
    hour = read(with_step(2, next_1_hours=block)).hours.loc[pd.Timestamp("2026-01-10T09:00Z")]
    assert hour[["precipitation_mm", "rain_mm", "snowfall_water_mm"]].tolist() == [0.0, 0.0, 0.0]


def test_an_amount_without_a_symbol_is_of_unknown_phase():
    block = {"details": {"precipitation_amount": 1.2}}
    hour = read(with_step(2, next_1_hours=block)).hours.loc[pd.Timestamp("2026-01-10T09:00Z")]
    assert hour[["rain_mm", "snowfall_water_mm"]].isna().all()


def test_six_hours_have_one_symbol():
    hours = read().hours
    assert hours["snowfall_water_mm"]["2026-01-10T13":"2026-01-10T18"].tolist() == [0.5] * 6
    assert hours["rain_mm"]["2026-01-10T19":"2026-01-11T00"].tolist() == pytest.approx([0.1] * 6)


# --- laws --------------------------------------------------------------------------------------------------------

amounts = st.floats(0, 60) | st.none()


@given(st.lists(amounts, min_size=1, max_size=12), st.lists(amounts, max_size=8))
def test_the_total_is_that_of_the_intervals_used(by_hour, by_six):
    start = datetime(2026, 1, 10, tzinfo=UTC)
    steps = [(start + timedelta(hours=n), "next_1_hours", amount) for n, amount in enumerate(by_hour)]
    later = start + timedelta(hours=len(by_hour))
    steps += [(later + timedelta(hours=6 * n), "next_6_hours", amount) for n, amount in enumerate(by_six)]
    answer = winter_night()
    answer["properties"]["timeseries"] = [
        {
            "time": f"{time:%Y-%m-%dT%H:%M:%SZ}",
            "data": {
                "instant": {"details": {"air_temperature": 1.0}},
                block: {"details": {"precipitation_amount": amount}},
            },
        }
        for time, block, amount in steps
    ]
    hours = read(answer).hours
    known = [amount for _, _, amount in steps if amount is not None]
    water = hours["precipitation_mm"] if known else pd.Series(dtype=float)
    np.testing.assert_allclose(water.sum(), sum(known), rtol=1e-12, atol=1e-9)
    count = sum(amount is not None for amount in by_hour) + 6 * sum(amount is not None for amount in by_six)
    assert water.notna().sum() == count


@settings(max_examples=25)
@given(st.permutations(range(10)))
def test_the_sequence_of_the_steps_changes_nothing(sequence):
    answer = winter_night()
    steps = answer["properties"]["timeseries"]
    answer["properties"]["timeseries"] = [steps[position] for position in sequence]
    pd.testing.assert_frame_equal(read(answer).hours, read().hours)


# --- units -------------------------------------------------------------------------------------------------------


def test_another_unit_that_is_known_is_converted():
    np.testing.assert_allclose(read(with_units(wind_speed="km/h")).hours["wind_speed_ms"].iloc[0], 8.1 / 3.6)
    kelvin = read(with_units(air_temperature="K")).hours["air_temperature_c"]
    np.testing.assert_allclose(kelvin.iloc[0], 1.2 - 273.15)


@pytest.mark.parametrize(
    ("name", "unit"), [("wind_speed", "beaufort"), ("air_temperature", "rankine"), ("precipitation_amount", 1)]
)
def test_an_unknown_unit_is_refused_by_name(name, unit):
    assert f"MET Norway: expected {name} in one of " in refused(with_units(**{name: unit}))
    assert f", got {unit!r}. Nothing was read from this answer." in refused(with_units(**{name: unit}))


def test_a_unit_that_is_not_stated_is_refused_if_there_are_values():
    answer = winter_night()
    del answer["properties"]["meta"]["units"]["wind_speed_of_gust"]
    assert "expected wind_speed_of_gust in one of m/s, " in refused(answer)
    for step in answer["properties"]["timeseries"]:
        step["data"]["instant"]["details"].pop("wind_speed_of_gust", None)
    assert len(read(answer).hours) == 25


# --- what is no answer -------------------------------------------------------------------------------------------


def test_an_hour_that_stands_twice_is_refused():
    answer = winter_night()
    answer["properties"]["timeseries"].append(copy.deepcopy(answer["properties"]["timeseries"][2]))
    assert "expected every hour once, got 2026-01-10 08:00Z twice" in refused(answer)


@pytest.mark.parametrize("time", ["2026-01-10T08:00:00", "10 January", "", None, 1768032000])
def test_a_time_in_another_form_is_refused(time):
    answer = winter_night()
    answer["properties"]["timeseries"][2]["time"] = time
    complaint = refused(answer)
    assert f"expected a time such as 2026-01-10T06:00:00+00:00 as time of a step, got {time!r}" in complaint


def test_a_time_within_the_hour_is_refused():
    answer = winter_night()
    answer["properties"]["timeseries"][2]["time"] = "2026-01-10T08:30:00Z"
    assert "expected full hours in UTC, got 2026-01-10 08:30Z" in refused(answer)


@pytest.mark.parametrize("value", ["1.2", True, [1.2], 1e999])
def test_a_value_that_is_no_number_is_refused_with_its_place(value):
    block = {"details": {"precipitation_amount": value}}
    complaint = refused(with_step(2, next_1_hours=block))
    assert f"expected a number or null as precipitation_amount of 2026-01-10 08:00Z, got {value!r}" in complaint
    details = {"air_temperature": value}
    assert "as air_temperature of 2026-01-10 07:00Z" in refused(with_step(1, instant={"details": details}))


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"properties": None}, 'an object "properties", got nothing of that name'),
        ({"properties": {}}, 'a list "timeseries", got nothing of that name'),
        ({"properties": {"meta": {}, "timeseries": {}}}, 'a list "timeseries", got {}'),
        ({"properties": {"meta": {}, "timeseries": []}}, 'an object "units", got nothing of that name'),
        ({"properties": {"meta": {"units": {}}, "timeseries": [7]}}, 'an object "data", got nothing of that name'),
    ],
)
def test_a_part_that_is_gone_is_named(change, complaint):
    assert f"MET Norway: expected {complaint}" in refused(winter_night() | change)


def test_a_block_of_another_kind_is_named_with_its_step():
    assert 'expected an object "next_1_hours" in step 2026-01-10 08:00Z, got list' in refused(
        with_step(2, next_1_hours=[1])
    )


def test_steps_without_any_known_value_are_refused():
    answer = winter_night()
    for step in answer["properties"]["timeseries"]:
        step["data"] = {"instant": {"details": {"air_pressure_at_sea_level": 1000.0}}}
    assert "expected at least one of air_temperature, " in refused(answer)
    assert "got none of them in any step" in refused(answer)


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "a JSON answer, got an empty body"),  # as after status 304
        (body("bad_request.html"), "a JSON answer, got a web page (HTML)"),
        (b"upstream error", "a JSON answer, got text that is not JSON at character 0: 'upstream error'"),
        (b"[]", 'an object "properties", got nothing of that name'),
        (b'{"type": "Feature"}', 'an object "properties", got nothing of that name'),
    ],
)
def test_what_is_no_answer_is_refused_with_what_came(answer, complaint):
    assert f"MET Norway: expected {complaint}" in refused(answer)


@settings(max_examples=60)
@given(st.integers(1, len(body().rstrip()) - 1))
def test_an_answer_cut_off_anywhere_is_refused(length):
    assert "expected a whole JSON answer, got one cut off after" in refused(body()[:length])


PIECES = (b"null", b"{}", b"[", b'"', b"-1e999", b"0", b"NaN")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(body(), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    saved_headers(answer)
    try:
        parsed = parse(answer, fetched_at=FETCHED)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)


# --- a saved answer ----------------------------------------------------------------------------------------------

HEADERS = {"Expires": "Sat, 10 Jan 2026 06:34:53 GMT", "Last-Modified": "Sat, 10 Jan 2026 05:34:12 GMT"}


def saved(**parts):
    return json.dumps({"status_code": 200, "headers": HEADERS, "data": winter_night()} | parts).encode()


def test_an_answer_saved_with_its_headers_reads_as_the_bare_one():
    pd.testing.assert_frame_equal(parse(saved(), fetched_at=FETCHED).hours, read().hours)
    assert saved_headers(saved()) == HEADERS


def test_a_bare_answer_has_no_saved_headers():
    assert saved_headers(body()) == {}
    assert saved_headers(b"<html>") == {}
    assert saved_headers(saved(headers=None)) == {}
    assert saved_headers(saved(headers=["Expires"])) == {}


def test_a_saved_refusal_is_refused():
    assert "expected a saved answer with status 200, got status 403" in refused(saved(status_code=403, data=None))
    assert 'expected an object "properties", got nothing of that name' in refused(saved(data=None))


def test_a_recorded_answer_is_read_as_it_was_saved(shared):
    # New York, 20 July 2020, compact: 82 steps, 55 of them with their own hour, the last without any period
    answer = (shared / "samples" / "metno_compact_newyork_wrapped.json").read_bytes()
    parsed = parse(answer, fetched_at=datetime(2026, 1, 10, tzinfo=UTC))
    steps = json.loads(answer)["data"]["properties"]["timeseries"]
    by_hour = [step["data"]["next_1_hours"] for step in steps if "next_1_hours" in step["data"]]
    by_six = [step["data"]["next_6_hours"] for step in steps[55:81]]
    assert len(by_hour) == 55
    told = sum(block["details"]["precipitation_amount"] for block in by_hour + by_six)
    np.testing.assert_allclose(parsed.hours["precipitation_mm"].sum(), told, atol=1e-9)
    assert parsed.hours["precipitation_mm"].notna().sum() == 55 + 26 * 6
    assert parsed.hours["air_temperature_c"].notna().sum() == 82
    assert (parsed.hours.index[0], parsed.hours.index[-1]) == (
        pd.Timestamp("2020-07-20T11:00Z"),
        pd.Timestamp("2020-07-29T06:00Z"),
    )
    # 23 July, 00 to 06 UTC: 3.0 mm of rain showers in six hours
    assert parsed.hours["rain_mm"]["2020-07-23T01":"2020-07-23T06"].tolist() == [0.5] * 6
    assert saved_headers(answer)["Expires"] == "Mon, 20 Jul 2020 12:14:53 GMT"
    assert saved_headers(answer)["Last-Modified"] == "Mon, 20 Jul 2020 11:44:31 GMT"


# --- requests ----------------------------------------------------------------------------------------------------

NOW = datetime(2026, 1, 10, 6, 20, tzinfo=UTC)


def yard(contact="yard@example.org", **place):
    place = {"latitude_deg": 59.2100449, "longitude_deg": 10.52, "elevation_m": 3.7} | place
    return Yard(key="sound", name="Sound", time_zone="Europe/Oslo", contact=contact, **place)


def asked(start=NOW, end=NOW + timedelta(days=3), now=NOW, **options):
    made = requests_for(options.pop("yard", yard()), start, end, now, **options)
    assert len(made) <= 1
    return made[0] if made else None


def test_a_request_has_four_decimals_and_a_whole_height():
    request = asked()
    assert request.url == "https://api.met.no/weatherapi/locationforecast/2.0/complete"
    assert request.params == {"lat": "59.2100", "lon": "10.5200", "altitude": "4"}
    assert request.headers == {}


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (NOW, NOW),
        (NOW - timedelta(days=3), NOW),  # the service has no past
        (NOW + timedelta(days=11), NOW + timedelta(days=12)),
    ],
)
def test_nothing_is_asked_for_what_the_service_does_not_have(start, end):
    assert asked(start, end) is None


def test_without_a_contact_nothing_is_asked():
    with pytest.raises(StormwalkError, match='Yard "Sound": nothing was asked of MET Norway, for it refuses callers'):
        asked(yard=yard(contact=" "))
