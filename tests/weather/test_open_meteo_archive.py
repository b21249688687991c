import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.providers import open_meteo
from monitor.weather.providers.open_meteo_archive import parse, requests_for, which_archive

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "open_meteo_archive"  # invented numbers
FETCHED = datetime(2026, 1, 20, 6, 20, tzinfo=UTC)
GUST_LEFT_OUT = "The archive's gust is that of the moment, not the highest of the hour; it was left out."


def body(name="historical_forecast.json"):
    return (ANSWERS / name).read_bytes()


def read(answer=None, **options):
    options = {"fetched_at": FETCHED} | options
    return parse(body() if answer is None else answer, **options)


def with_columns(name="historical_forecast.json", **columns):
    """An answer with columns of its hourly block replaced, or removed by None."""
    answer = json.loads(body(name))
    for column, values in columns.items():
        if values is None:
            answer["hourly"].pop(column, None)
        else:
            answer["hourly"][column] = values
    return json.dumps(answer).encode()


def at(hour):
    return pd.Timestamp(f"2026-01-10T{hour:02d}:00Z")


def refused(answer, **options):
    with pytest.raises(ProviderContractError) as caught:
        read(answer, **options)
    return str(caught.value)


# --- values ------------------------------------------------------------------------------------------------------


def test_hours_are_read_as_those_of_the_forecast_and_are_analysis():
    parsed = read()
    assert parsed.hours.loc[at(4)].to_dict() == pytest.approx(
        {
            "air_temperature_c": -0.8,
            "wind_speed_ms": 8.1,
            "wind_gust_ms": 16.9,
            "precipitation_mm": 1.5,
            "rain_mm": 0.3,
            "snowfall_water_mm": 1.2,  # 0.84 cm / 0.7: the service documents 7 cm for 10 mm of water
            "snowfall_depth_mm": 8.4,
            "freezing_rain_mm": 0.0,
            "snow_depth_m": 0.05,
        }
    )
    assert set(parsed.kinds) == {"analysis"}
    assert (parsed.flags == "").all(axis=None)


def test_hours_without_any_value_at_the_beginning_are_left_out_with_a_note():
    parsed = read()
    assert parsed.hours.index[0] == at(2)
    assert "The first 2 hours without any value were left out." in parsed.notes


def test_hours_without_any_value_at_the_end_are_left_out_with_a_note():
    answer = json.loads(body())
    for name, values in answer["hourly"].items():
        if name != "time":
            values[5:] = [None] * 3
    parsed = read(json.dumps(answer).encode())
    assert parsed.hours.index[-1] == at(4)
    assert "The last 3 hours without any value were left out." in parsed.notes


def test_a_gap_in_the_middle_stays_a_gap():
    # single days can be null in the middle (issue 2122 of the service)
    hours = read().hours
    assert hours.loc[at(5)].isna().all()
    assert hours["air_temperature_c"][at(6)] == 0.2


def test_snow_depth_that_comes_later_is_missing_with_a_note():
    parsed = read()
    assert parsed.hours["snow_depth_m"][at(4) :].tolist()[1:] == pytest.approx([np.nan] * 3, nan_ok=True)
    assert "Open-Meteo gives snow_depth_m up to 2026-01-10 04:00Z so far." in parsed.notes


def test_without_showers_rain_is_rain():
    # models without showers send null for them
    assert read().hours["rain_mm"][at(6)] == 0.8
    some = with_columns(showers=[None, None, None, None, None, None, 0.4, None])
    np.testing.assert_allclose(read(some).hours["rain_mm"][at(4) :], [np.nan, np.nan, 1.2, np.nan])


def test_hours_that_had_not_ended_are_left_out():
    parsed = read(fetched_at=datetime(2026, 1, 10, 4, 30, tzinfo=UTC))
    assert parsed.hours.index[-1] == at(4)
    assert "3 hours that had not ended were left out." in parsed.notes


def test_hours_without_any_value_at_all_are_none():
    answer = json.loads(body())
    answer["hourly"] = {name: values if name == "time" else [None] * 8 for name, values in answer["hourly"].items()}
    parsed = read(json.dumps(answer).encode())
    assert parsed.hours.empty
    assert "Open-Meteo sent hours and no value in any of them." in parsed.notes


def test_an_answer_without_hours_is_empty_and_says_so():
    answer = json.loads(body())
    answer["hourly"] = {name: [] for name in answer["hourly"]}
    parsed = read(json.dumps(answer).encode())
    assert parsed.hours.empty
    assert parsed.notes == ("Open-Meteo sent no hours.",)


# --- the gust of the archive -------------------------------------------------------------------------------------


def test_the_archive_gust_of_the_moment_is_no_gust_of_the_hour():
    parsed = read(body("archive.json"), which="archive")
    assert "wind_gust_ms" not in parsed.hours
    assert parsed.hours["wind_speed_ms"][at(4)] == 8.1
    assert GUST_LEFT_OUT in parsed.notes


def test_the_historical_forecast_keeps_its_gust():
    assert read().hours["wind_gust_ms"].max() == 20.3
    assert GUST_LEFT_OUT not in read().notes


@pytest.mark.parametrize("name", ["windgusts_10m", "wind_gusts_10m_ecmwf_ifs"])
def test_the_archive_gust_is_known_under_its_other_names(name):
    answer = json.loads(body("archive.json"))
    suffix = name.removeprefix("wind_gusts_10m") if name.startswith("wind_gusts") else ""
    for block in ("hourly", "hourly_units"):
        answer[block]["windgusts_10m" if not suffix else "wind_gusts_10m"] = answer[block].pop("wind_gusts_10m")
        answer[block] = {key if key == "time" else key + suffix: part for key, part in answer[block].items()}
    parsed = read(json.dumps(answer).encode(), which="archive")
    assert "wind_gust_ms" not in parsed.hours
    assert GUST_LEFT_OUT in parsed.notes


def test_an_archive_answer_without_gust_says_nothing_of_it():
    assert GUST_LEFT_OUT not in read(with_columns("archive.json", wind_gusts_10m=None), which="archive").notes


@pytest.mark.parametrize(
    ("url", "which"),
    [
        ("https://archive-api.open-meteo.com/v1/archive?latitude=43.7", "archive"),
        ("https://customer-archive-api.open-meteo.com/v1/archive", "archive"),
        ("https://weather.example/v1/archive?latitude=1", "archive"),
        ("https://historical-forecast-api.open-meteo.com/v1/forecast?latitude=43.7", "historical-forecast"),
        ("file:season.json", "historical-forecast"),
    ],
)
def test_the_address_tells_which_archive_it_was(url, which):
    assert which_archive(url) == which


# --- names with a model ------------------------------------------------------------------------------------------


def test_the_name_of_the_one_model_is_taken_off():
    pd.testing.assert_frame_equal(read(body("one_model.json")).hours, read().hours)


def test_former_names_with_a_model_are_read():
    answer = json.loads(body("one_model.json"))
    for block in ("hourly", "hourly_units"):
        answer[block] = {
            name.replace("wind_gusts_10m", "windgusts_10m").replace("weather_code", "weathercode"): part
            for name, part in answer[block].items()
        }
    pd.testing.assert_frame_equal(read(json.dumps(answer).encode()).hours, read().hours, check_like=True)


def test_columns_of_two_models_are_refused_by_name():
    assert refused(body("two_models.json")) == (
        "Open-Meteo: expected columns of one model, got 2: ecmwf_ifs025, gfs_seamless. Nothing was read from this "
        "answer. Ask for one model, or for none to get the service's own choice."
    )
    mixed = with_columns(temperature_2m_gfs_seamless=[1.0] * 8)
    assert "got 2: gfs_seamless, one not named" in refused(mixed)


@pytest.mark.parametrize(
    "name",
    [
        "cloud_cover_low",
        "cloud_cover_850hPa",
        "precipitation_probability",
        "shortwave_radiation_instant",
        "snowfall_height",
        "snowfall_water_equivalent",
        "snow_depth_water_equivalent_gfs_seamless",
        "temperature_2m_previous_day1",
        "wind_gusts_10m_member03",
    ],
)
def test_another_variable_is_no_model(name):
    pd.testing.assert_frame_equal(read(with_columns(**{name: [99.0] * 8})).hours, read().hours)


# --- the contract of the forecast holds --------------------------------------------------------------------------


def test_it_reads_what_the_forecast_reads():
    # the answers of the forecast's own tests: metric, US units, former names
    for name in ("good_day.json", "us_units.json", "old_names.json"):
        answer = (ANSWERS.parent / "open_meteo" / name).read_bytes()
        expected = open_meteo.parse(answer, fetched_at=FETCHED)
        pd.testing.assert_frame_equal(parse(answer, fetched_at=FETCHED).hours, expected.hours)


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "a JSON answer, got an empty body"),
        (b"<html><body>Bad gateway</body></html>", "a JSON answer, got a web page (HTML)"),
        (b"{}", 'a block "hourly"'),
        (b"[" + body() + b"," + body() + b"]", "one place in an answer, got 2 places"),
        (b'{"hourly": [], "hourly_units": {}}', 'a block "hourly"'),
        (b'{"hourly": {}, "hourly_units": {}}', 'a list "time" in the block "hourly"'),
    ],
)
def test_what_is_no_answer_is_refused_with_what_came(answer, complaint):
    assert f"Open-Meteo: expected {complaint}" in refused(answer)


def test_one_place_in_a_list_is_read():
    pd.testing.assert_frame_equal(read(b"[" + body() + b"]").hours, read().hours)


def test_an_error_instead_of_weather_is_quoted():
    reason = "Parameter 'end_date' is out of allowed range from 2016-01-01 to 2026-01-21"
    assert f'"{reason}"' in refused(json.dumps({"error": True, "reason": reason}).encode())


def test_an_unknown_unit_is_refused_by_name():
    answer = json.loads(body())
    answer["hourly_units"]["wind_gusts_10m"] = "furlong/h"
    assert "expected wind_gusts_10m in one of m/s, " in refused(json.dumps(answer).encode())
    answer = json.loads(body("one_model.json"))
    del answer["hourly_units"]["snow_depth_gfs_seamless"]
    assert "expected snow_depth in one of m, " in refused(json.dumps(answer).encode())


def test_an_hour_that_stands_twice_is_refused():
    times = json.loads(body())["hourly"]["time"]
    assert "every hour once, got 2026-01-10 00:00Z twice" in refused(with_columns(time=[times[0], *times[:-1]]))


@settings(max_examples=60)
@given(st.integers(1, len(body().rstrip()) - 1))
def test_an_answer_cut_off_anywhere_is_refused(length):
    assert "expected a whole JSON answer, got one cut off after" in refused(body()[:length])


@settings(max_examples=25)
@given(st.permutations(range(8)))
def test_the_sequence_of_the_hours_changes_nothing(sequence):
    answer = json.loads(body())
    answer["hourly"] = {name: [values[position] for position in sequence] for name, values in answer["hourly"].items()}
    shuffled = read(json.dumps(answer).encode())
    pd.testing.assert_frame_equal(shuffled.hours, read().hours)
    assert shuffled.notes == read().notes


@given(st.lists(st.floats(0, 60) | st.none(), min_size=8, max_size=8))
def test_the_total_survives(amounts):
    known = [amount for amount in amounts if amount is not None]
    total = read(with_columns(precipitation=amounts)).hours["precipitation_mm"].sum()
    np.testing.assert_allclose(total, sum(known), atol=1e-9)


# --- requests ----------------------------------------------------------------------------------------------------

NOW = datetime(2026, 1, 20, 6, 20, tzinfo=UTC)
AUTUMN = datetime(2025, 10, 15, 9, tzinfo=UTC)


def yard(plan="noncommercial"):
    return Yard("north", "North", 43.70004, -70.2, 8.0, "America/New_York", open_meteo_plan=plan)


def asked(start=AUTUMN, end=NOW, now=NOW, plan="noncommercial", **options):
    return requests_for(yard(plan), start, end, now, **options)


def spans(**options):
    return [(each.params["start_date"], each.params["end_date"]) for each in asked(**options)]


def test_a_season_is_asked_by_calendar_quarters_without_gap_or_overlap():
    assert spans() == [("2025-10-15", "2025-12-31"), ("2026-01-01", "2026-01-20")]
    assert spans(start=datetime(2024, 12, 31, tzinfo=UTC))[:2] == [
        ("2024-12-31", "2024-12-31"),
        ("2025-01-01", "2025-03-31"),
    ]


@given(st.datetimes(datetime(2022, 1, 2), datetime(2026, 1, 19)), st.integers(1, 1500))
def test_every_day_of_a_span_is_asked_for_once(start, length_days):
    start = start.replace(tzinfo=UTC)
    end = min(start + timedelta(days=length_days), NOW)
    days = [day for first, last in spans(start=start, end=end) for day in pd.date_range(first, last)]
    assert days == list(pd.date_range(start.date(), end.date()))
    assert max(len(pd.date_range(*span)) for span in spans(start=start, end=end)) <= 92


def test_a_request_asks_for_metric_hours_in_utc():
    request = asked()[0]
    assert request.url == "https://historical-forecast-api.open-meteo.com/v1/forecast"
    assert request.params["latitude"] == "43.7000"
    assert request.params["elevation"] == "8"
    assert request.params["timezone"] == "GMT"
    assert request.params["wind_speed_unit"] == "ms"
    assert request.params["hourly"].split(",") == list(open_meteo.ASKED)


def test_the_archive_is_not_asked_for_its_gust_or_showers():
    request = asked(which="archive")[0]
    assert request.url == "https://archive-api.open-meteo.com/v1/archive"
    assert set(open_meteo.ASKED) - set(request.params["hourly"].split(",")) == {"wind_gusts_10m", "showers"}


def test_what_is_to_come_and_what_was_before_the_archive_is_not_asked_for():
    assert spans(start=NOW - timedelta(days=1), end=NOW + timedelta(days=5)) == [("2026-01-19", "2026-01-20")]
    assert spans(start=NOW, end=NOW + timedelta(days=5)) == []
    assert spans(start=NOW, end=NOW) == []
    late_2021 = {"start": datetime(2021, 12, 1, tzinfo=UTC), "end": datetime(2022, 1, 5, tzinfo=UTC)}
    assert spans(**late_2021) == [("2022-01-01", "2022-01-05")]
    assert spans(**late_2021, which="archive") == [("2021-12-01", "2021-12-31"), ("2022-01-01", "2022-01-05")]
    assert spans(start=datetime(2021, 1, 1, tzinfo=UTC), end=datetime(2021, 2, 1, tzinfo=UTC)) == []


@pytest.mark.parametrize(
    ("which", "paid", "own"),
    [
        (
            "historical-forecast",
            "https://customer-historical-forecast-api.open-meteo.com/v1/forecast",
            "https://weather.example/v1/forecast",
        ),
        ("archive", "https://customer-archive-api.open-meteo.com/v1/archive", "https://weather.example/v1/archive"),
    ],
)
def test_the_plan_of_the_yard_decides_the_server(which, paid, own):
    request = asked(plan="customer_key", customer_key="k3y", which=which)[0]
    assert (request.url, request.secret_params) == (paid, {"apikey": "k3y"})
    assert "apikey" not in request.params
    assert "k3y" not in repr(request)
    request = asked(plan="own_server", own_server="https://weather.example/v1/forecast", which=which)[0]
    assert (request.url, request.secret_params) == (own, {})


@pytest.mark.parametrize("plan", ["", "customer_key", "own_server"])
def test_without_a_plan_or_what_it_needs_nothing_is_asked(plan):
    with pytest.raises(StormwalkError, match='Yard "North": nothing was asked of Open-Meteo, for '):
        asked(plan=plan)
