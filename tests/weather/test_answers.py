import json
from datetime import UTC, datetime

import numpy as np
import pytest

from monitor.errors import ProviderContractError
from monitor.weather.answers import decoded, features, in_canonical_unit, member, moment, number

SERVICE = "Example service"


def test_json_is_read_with_or_without_a_byte_order_mark():
    assert decoded(SERVICE, b'\xef\xbb\xbf {"a": [1]} ') == {"a": [1]}


@pytest.mark.parametrize(
    ("body", "found"),
    [
        (b"", "an empty body"),
        (b" \n", "an empty body"),
        (b"<!DOCTYPE html><html></html>", r"a web page \(HTML\)"),
        (b'{"a": [1, 2', "one cut off after 11 characters"),
        (b'{"a": 1', "one cut off after 7 characters"),
        (b"server over capacity", "text that is not JSON at character 0: 'server over capacity'"),
        (b'{"a" 1}', "text that is not JSON at character 5"),
    ],
)
def test_what_is_no_json_is_refused_with_what_came(body, found):
    with pytest.raises(ProviderContractError, match=f"Example service: expected a .*JSON answer, got {found}"):
        decoded(SERVICE, body)


def test_a_problem_report_is_quoted():
    # RFC 9457, section 3: title, status, detail
    problem = {"type": "https://example/p", "title": "Grid expired", "status": 503, "detail": "It was issued long ago."}
    with pytest.raises(
        ProviderContractError, match='sent error 503 instead of an answer: "Grid expired: It was issued'
    ):
        decoded(SERVICE, json.dumps(problem).encode())


def test_an_answer_with_a_title_alone_is_no_problem_report():
    assert decoded(SERVICE, b'{"title": "Current watches", "features": []}')["features"] == []


def test_features_are_those_of_a_collection_or_the_one_itself():
    one = {"type": "Feature", "properties": {"a": 1}}
    assert features(SERVICE, one) == [one]
    assert features(SERVICE, {"type": "FeatureCollection", "features": [one, one]}) == [one, one]


@pytest.mark.parametrize("answer", [[], "text", {}, {"features": None}, {"features": [1]}, {"features": [{}]}])
def test_what_is_no_geojson_is_refused(answer):
    with pytest.raises(ProviderContractError, match="Example service: expected"):
        features(SERVICE, answer)


@pytest.mark.parametrize("kind", [dict, list, str])
def test_a_part_of_another_kind_is_refused_by_name(kind):
    with pytest.raises(ProviderContractError, match='"size", got 7'):
        member(SERVICE, {"size": 7}, "size", kind)
    with pytest.raises(ProviderContractError, match='"size", got nothing of that name'):
        member(SERVICE, None, "size", kind)


def test_null_is_missing_and_zero_is_zero():
    assert np.isnan(number(SERVICE, "gust", None))
    assert number(SERVICE, "gust", 0) == 0.0


@pytest.mark.parametrize("value", [True, "12", [1], float("inf"), float("nan"), 10**400])
def test_what_is_no_number_is_refused(value):
    with pytest.raises(ProviderContractError, match="a number or null as gust"):
        number(SERVICE, "gust", value)


@pytest.mark.parametrize("text", ["2026-01-10T06:53:00+00:00", "2026-01-10T01:53:00-05:00", "2026-01-10T06:53:00Z"])
def test_times_come_in_any_offset_and_go_in_utc(text):
    assert moment(SERVICE, "onset", text) == datetime(2026, 1, 10, 6, 53, tzinfo=UTC)
    assert moment(SERVICE, "onset", text).tzinfo is UTC


@pytest.mark.parametrize("text", ["2026-01-10T06:53:00", "10 Jan", "", None, 1768003200, "0001-01-01T00:00:00+00:00"])
def test_a_time_without_offset_or_sense_is_refused(text):
    with pytest.raises(ProviderContractError, match="a time such as 2026-01-10T06:00:00"):
        moment(SERVICE, "onset", text)


@pytest.mark.parametrize(
    ("variable", "value", "code", "expected"),
    [
        ("wind_gust_ms", 36.0, "wmoUnit:km_h-1", 10.0),  # 36 / 3.6
        ("wind_gust_ms", 10.0, "unit:m_s-1", 10.0),
        ("wind_gust_ms", 10.0, "http://codes.wmo.int/common/unit/kt", 5.14444),  # 10 x 1852 / 3600
        ("air_temperature_c", -2.5, "unit:degC", -2.5),
        ("air_temperature_c", 32.0, "wmoUnit:degF", 0.0),
        ("precipitation_mm", 0.003, "unit:m", 3.0),
        ("precipitation_mm", 3.0, "wmoUnit:mm", 3.0),
        ("wind_from_deg", 60.0, "wmoUnit:degree_(angle)", 60.0),
        ("relative_humidity_pct", 81.0, "wmoUnit:percent", 81.0),
        ("visibility_km", 1609.0, "wmoUnit:m", 1.609),
    ],
)
def test_units_are_read_from_their_code_whatever_its_prefix(variable, value, code, expected):
    assert in_canonical_unit(SERVICE, "it", variable, value, code) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("code", ["wmoUnit:furlong", "wmoUnit:degC", "km/h", "", None, 7])
def test_an_unknown_or_unfitting_unit_is_refused_by_name(code):
    with pytest.raises(ProviderContractError, match="expected windGust in one of km_h-1, m_s-1, kt, got"):
        in_canonical_unit(SERVICE, "windGust", "wind_gust_ms", 36.0, code)


def test_what_is_missing_needs_no_unit():
    assert np.isnan(in_canonical_unit(SERVICE, "windGust", "wind_gust_ms", np.nan, None))
