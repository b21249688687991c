import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoilt_answers import spoilt

from monitor.errors import ProviderContractError
from monitor.register import Yard
from monitor.weather.providers.bright_sky import parse, requests_for

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "bright_sky"  # invented numbers, the published shape
FETCHED = datetime(2026, 1, 10, 8, 20, tzinfo=UTC)


def body(name="storm_morning.json"):
    return (ANSWERS / name).read_bytes()


def read(answer=None):
    return parse(body() if answer is None else json.dumps(answer).encode(), fetched_at=FETCHED)


def morning():
    return json.loads(body())


def with_record(position, **changes):
    """The storm morning with values of one record replaced."""
    answer = morning()
    answer["weather"][position].update(changes)
    return answer


def at(hour):
    return pd.Timestamp(f"2026-01-10T{hour:02d}:00Z")


def refused(answer):
    with pytest.raises(ProviderContractError) as caught:
        parse(answer if isinstance(answer, bytes) else json.dumps(answer).encode(), fetched_at=FETCHED)
    return str(caught.value)


# --- values ------------------------------------------------------------------------------------------------------


def test_a_record_is_read_in_canonical_units():
    assert read().hours.loc[at(5)].dropna().to_dict() == pytest.approx(
        {
            "air_temperature_c": 1.1,
            "dew_point_c": 0.5,
            "wind_speed_ms": 5.0,  # 18.0 km/h / 3.6
            "wind_gust_ms": 13.0,  # 46.8 km/h / 3.6
            "wind_from_deg": 210.0,
            "precipitation_mm": 0.6,
            "rain_mm": 0.6,
            "snowfall_water_mm": 0.0,
            "cloud_cover_pct": 100.0,
            "visibility_km": 4.1,
        }
    )


def test_hours_end_at_their_stamp():
    # the service: precipitation, wind, gust and sunshine are those of the 60 minutes before
    assert list(read().hours.index) == list(pd.date_range("2026-01-10T04:00Z", periods=7, freq="h"))


def test_sunshine_of_the_hour_is_its_mean_power():
    np.testing.assert_allclose(read().hours["solar_wm2"][[at(9), at(10)]], [54.0, 108.0])  # 0.054, 0.108 kWh/m2


def test_humidity_that_is_null_stays_missing():
    humidity = read().hours["relative_humidity_pct"]
    assert humidity[at(4)] == 92.0
    assert humidity[at(5) :].isna().all()


def test_nulls_stay_missing():
    hours = read().hours
    assert np.isnan(hours["visibility_km"][at(8)])
    assert len(hours) == 7


def test_minus_zero_is_zero():
    assert not np.signbit(read(with_record(1, precipitation=-0.0)).hours["precipitation_mm"]).any()


def test_a_record_that_is_absent_leaves_a_gap():
    answer = morning()
    del answer["weather"][2]
    assert at(6) not in read(answer).hours.index


def test_a_column_that_is_gone_is_absent_and_the_rest_is_read():
    answer = morning()
    for record in answer["weather"]:
        del record["wind_gust_speed"]
    pd.testing.assert_frame_equal(read(answer).hours, read().hours.drop(columns="wind_gust_ms"))


def test_nothing_is_flagged_by_the_parser():
    assert (read().flags == "").all(axis=None)


@pytest.mark.parametrize(
    ("condition", "rain_mm", "snow_mm"),
    [
        ("rain", 0.6, 0.0),
        ("snow", 0.0, 0.6),
        ("sleet", np.nan, np.nan),
        ("hail", np.nan, np.nan),
        ("thunderstorm", np.nan, np.nan),
        ("fog", np.nan, np.nan),
        ("dry", np.nan, np.nan),
        (None, np.nan, np.nan),
    ],
)
def test_rain_and_snow_are_told_apart_by_the_condition_and_mixtures_are_not_divided(condition, rain_mm, snow_mm):
    hour = read(with_record(1, condition=condition)).hours.loc[at(5)]
    np.testing.assert_array_equal(hour[["precipitation_mm", "rain_mm", "snowfall_water_mm"]], [0.6, rain_mm, snow_mm])


@pytest.mark.parametrize("condition", ["rain", "snow", "sleet", "dry", None])
def test_no_precipitation_is_neither_rain_nor_snow_and_unknown_is_unknown(condition):
    hour = read(with_record(1, condition=condition, precipitation=0.0)).hours.loc[at(5)]
    assert hour[["rain_mm", "snowfall_water_mm"]].tolist() == [0.0, 0.0]
    hour = read(with_record(1, condition=condition, precipitation=None)).hours.loc[at(5)]
    assert hour[["precipitation_mm", "rain_mm", "snowfall_water_mm"]].isna().all()


# --- who says so -------------------------------------------------------------------------------------------------


def test_the_source_of_a_record_says_whether_it_is_observed():
    assert read().kinds.tolist() == ["observed"] * 5 + ["forecast"] * 2


@pytest.mark.parametrize(
    ("stated", "kind"),
    [("historical", "observed"), ("current", "observed"), ("synop", "observed"), ("forecast", "forecast")],
)
def test_every_type_of_source_is_known(stated, kind):
    answer = morning()
    answer["sources"][2]["observation_type"] = stated
    assert read(answer).kinds[at(9)] == kind


def test_the_time_of_fetching_decides_nothing():
    early = parse(body(), fetched_at=datetime(2026, 1, 10, tzinfo=UTC))
    pd.testing.assert_series_equal(early.kinds, read().kinds)


def test_what_another_station_lent_is_observed():
    hours = read().hours
    assert hours["cloud_cover_pct"][at(6)] == 100.0
    assert hours["visibility_km"][at(7)] == 1.5
    assert hours["snowfall_water_mm"][at(7)] == 1.4  # the condition too is from the other station


def test_what_a_forecast_lent_to_an_observed_hour_is_left_out():
    parsed = read()
    assert np.isnan(parsed.hours["cloud_cover_pct"][at(7)])
    assert parsed.hours.loc[at(8), ["wind_gust_ms", "solar_wm2"]].isna().all()
    assert parsed.hours["wind_speed_ms"][at(8)] == 8.0
    assert parsed.notes == ("3 values of observed hours that Bright Sky took from a forecast were left out.",)


def test_a_condition_lent_by_a_forecast_tells_nothing_of_an_observed_hour():
    hour = read(with_record(1, fallback_source_ids={"condition": 7103})).hours.loc[at(5)]
    assert hour["precipitation_mm"] == 0.6
    assert hour[["rain_mm", "snowfall_water_mm"]].isna().all()


def test_a_forecast_may_borrow_from_anyone():
    hours = read(with_record(5, fallback_source_ids={"cloud_cover": 7144, "solar": 7103})).hours
    assert hours["cloud_cover_pct"][at(9)] == 92.0
    np.testing.assert_allclose(hours["solar_wm2"][at(9)], 54.0)


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"source_id": 9}, 'only sources listed in "sources" (7101, 7102, 7103, 7144), got 9'),
        ({"source_id": None}, 'only sources listed in "sources" (7101, 7102, 7103, 7144), got None'),
        ({"fallback_source_ids": {"solar": 9}}, 'only sources listed in "sources" (7101, 7102, 7103, 7144), got 9'),
        ({"fallback_source_ids": [9]}, "fallback_source_ids as an object, got list"),
    ],
)
def test_a_source_that_is_not_listed_is_refused(changes, complaint):
    assert f"Bright Sky: expected {complaint}. Nothing was read" in refused(with_record(1, **changes))


@pytest.mark.parametrize("stated", ["radar", None, ["forecast"]])
def test_an_unknown_type_of_source_is_refused(stated):
    answer = morning()
    answer["sources"][0]["observation_type"] = stated
    assert f"observation_type as one of historical, current, synop, forecast, got {stated!r}" in refused(answer)


# --- units: the answer states none -------------------------------------------------------------------------------


def test_an_answer_in_si_units_is_refused():
    assert (
        "Bright Sky: expected the units of units=dwd, got temperature 274.55, as units=si would give it. "
        "Nothing was read from this answer."
    ) in refused(body("si_units.json"))


@pytest.mark.parametrize(("name", "value"), [("dew_point", 272.9), ("pressure_msl", 99720), ("solar", 75600)])
def test_one_value_in_si_units_is_enough_to_refuse(name, value):
    assert f"got {name} {value:g}, as units=si would give it" in refused(with_record(1, **{name: value}))


# --- times -------------------------------------------------------------------------------------------------------


def test_offsets_are_read_as_they_stand():
    answer = morning()
    for record in answer["weather"]:
        record["timestamp"] = pd.Timestamp(record["timestamp"]).tz_convert("Europe/Berlin").isoformat()
    assert answer["weather"][0]["timestamp"] == "2026-01-10T05:00:00+01:00"
    pd.testing.assert_frame_equal(read(answer).hours, read().hours)


@pytest.mark.parametrize("time", ["2026-01-10T05:00:00", "2026-01-10", "10 January", "", None, 1768032000])
def test_a_time_without_offset_or_in_another_form_is_refused(time):
    complaint = refused(with_record(1, timestamp=time))
    assert f"expected a time such as 2026-01-10T06:00:00+00:00 as timestamp, got {time!r}" in complaint


def test_a_time_within_the_hour_is_refused():
    complaint = refused(with_record(1, timestamp="2026-01-10T05:10:00+00:00"))
    assert "expected full hours in UTC, got 2026-01-10 05:10Z" in complaint


@settings(max_examples=25)
@given(st.permutations(range(7)))
def test_the_sequence_of_the_records_changes_nothing(sequence):
    answer = morning()
    answer["weather"] = [answer["weather"][position] for position in sequence]
    pd.testing.assert_frame_equal(read(answer).hours, read().hours)
    pd.testing.assert_series_equal(read(answer).kinds, read().kinds)


@given(st.lists(st.integers(0, 6), max_size=8))
def test_a_record_that_stands_twice_is_read_once_and_the_total_survives(repeats):
    answer = morning()
    answer["weather"] += [answer["weather"][position] for position in repeats]
    parsed = read(answer)
    np.testing.assert_allclose(parsed.hours["precipitation_mm"].sum(), 4.0, atol=1e-9)  # .6 + .9 + 1.4 + .8 + .3
    pd.testing.assert_frame_equal(parsed.hours, read().hours)
    noted = f"{len(repeats)} records stood twice in Bright Sky's answer." in parsed.notes
    assert noted == bool(repeats)


def test_two_different_records_of_one_hour_are_refused():
    answer = morning()
    answer["weather"].append(answer["weather"][1] | {"precipitation": 0.7})
    assert "expected every hour once, got 2026-01-10 05:00Z twice" in refused(answer)


# --- what is no answer -------------------------------------------------------------------------------------------


def test_an_answer_without_records_is_empty_and_says_so():
    parsed = read({"weather": [], "sources": []})
    assert parsed.hours.empty
    assert parsed.notes == ("Bright Sky sent no hours.",)


def test_an_error_instead_of_weather_is_quoted():
    assert refused(body("error_404.json")) == (
        'Bright Sky sent an error instead of weather: "No sources match your criteria". Nothing was read.'
    )


@pytest.mark.parametrize("value", ["0.6", True, [0.6], 1e999])
def test_a_value_that_is_no_number_is_refused_with_its_place(value):
    complaint = refused(with_record(1, precipitation=value))
    assert f"expected a number or null as precipitation of 2026-01-10 05:00Z, got {value!r}" in complaint


def test_records_without_any_known_value_are_refused():
    answer = morning()
    answer["weather"] = [{"timestamp": "2026-01-10T05:00:00Z", "source_id": 7101, "icon": "rain"}]
    assert "expected at least one of temperature, dew_point, " in refused(answer)
    assert "got none of them in any record" in refused(answer)


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "a JSON answer, got an empty body"),
        (b"<html><body>Bad gateway</body></html>", "a JSON answer, got a web page (HTML)"),
        (b"upstream error", "a JSON answer, got text that is not JSON at character 0: 'upstream error'"),
        (b"[]", 'a list "sources", got nothing of that name'),
        (b'{"weather": []}', 'a list "sources", got nothing of that name'),
        (b'{"sources": []}', 'a list "weather", got nothing of that name'),
        (b'{"weather": {"wind_speed": 9}, "sources": []}', 'a list "weather", got {'),  # the current weather
        (b'{"weather": [7], "sources": []}', 'an object as record 1 of "weather", got int'),
        (b'{"weather": [], "sources": [{"id": "a"}]}', "sources with an id, got {'id': 'a'}"),
    ],
)
def test_what_is_no_answer_is_refused_with_what_came(answer, complaint):
    assert f"Bright Sky: expected {complaint}" in refused(answer)


@settings(max_examples=60)
@given(st.integers(1, len(body().rstrip()) - 1))
def test_an_answer_cut_off_anywhere_is_refused(length):
    assert "expected a whole JSON answer, got one cut off after" in refused(body()[:length])


PIECES = (b"null", b"{}", b"[", b'"', b"-1e999", b"0", b"NaN", b"+01:00")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(body(), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = parse(answer, fetched_at=FETCHED)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)


# --- requests ----------------------------------------------------------------------------------------------------

NOW = datetime(2026, 1, 10, 6, 20, tzinfo=UTC)
YARD = Yard("hafen", "Hafen", 54.40004, 10.1, 4.0, "Europe/Berlin")


def test_a_request_asks_for_hours_in_utc_and_states_the_units():
    (request,) = requests_for(YARD, NOW - timedelta(hours=6), NOW + timedelta(hours=2), NOW)
    assert request.url == "https://api.brightsky.dev/weather"
    assert request.params == {
        "lat": "54.4000",
        "lon": "10.1000",
        "date": "2026-01-10T01:00Z",  # the hour from 00:00, in which the span begins at 00:20, ends then
        "last_date": "2026-01-10T08:20Z",
        "tz": "UTC",
        "units": "dwd",
    }


def spans(start, end, now=NOW):
    return [(each.params["date"], each.params["last_date"]) for each in requests_for(YARD, start, end, now)]


def test_a_season_is_asked_month_by_month_without_gap_or_overlap():
    assert spans(datetime(2025, 11, 20, 5, tzinfo=UTC), NOW) == [
        ("2025-11-20T06:00Z", "2025-12-01T00:00Z"),
        ("2025-12-01T01:00Z", "2026-01-01T00:00Z"),
        ("2026-01-01T01:00Z", "2026-01-10T06:20Z"),
    ]


def test_the_service_reaches_from_2010_to_ten_days_ahead():
    assert spans(datetime(2009, 12, 1, tzinfo=UTC), datetime(2010, 1, 2, tzinfo=UTC)) == [
        ("2010-01-01T01:00Z", "2010-01-02T00:00Z")
    ]
    assert spans(NOW, NOW + timedelta(days=30)) == [("2026-01-10T07:00Z", "2026-01-20T06:20Z")]


@pytest.mark.parametrize(
    ("start", "end"),
    [
        (NOW, NOW),
        (NOW + timedelta(days=11), NOW + timedelta(days=12)),
        (datetime(2009, 1, 1, tzinfo=UTC), datetime(2009, 2, 1, tzinfo=UTC)),
    ],
)
def test_nothing_is_asked_for_what_the_service_does_not_have(start, end):
    assert spans(start, end) == []
