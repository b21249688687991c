import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import ProviderContractError
from monitor.register import Yard
from monitor.weather.providers.nws_alerts import COVER_EVENTS, parse_alerts, requests_for

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "nws"  # invented alerts, the published shape
NOW = datetime(2026, 1, 9, 15, 30, tzinfo=UTC)


def body(name):
    return (ANSWERS / name).read_bytes()


def events(answer):
    return [alert.event for alert in parse_alerts(answer)]


def alerts(*changes):
    """Alerts of the recorded shape, each the winter storm warning with properties changed, or removed by None."""
    one = json.loads(body("alerts.json"))["features"][0]
    found = []
    for change in changes:
        properties = {**one["properties"], "references": [], **change}
        found.append({**one, "properties": {name: value for name, value in properties.items() if value is not None}})
    return json.dumps({"type": "FeatureCollection", "features": found}).encode()


# --- what is in force --------------------------------------------------------------------------------------------


def test_a_warning_is_read_with_its_times_in_utc():
    [warning] = [alert for alert in parse_alerts(body("alerts.json")) if alert.event == "Winter Storm Warning"]
    assert warning.id == "urn:oid:2.49.0.1.840.0.aa2.001"
    assert (warning.severity, warning.certainty, warning.urgency) == ("Severe", "Likely", "Expected")
    assert warning.sent == datetime(2026, 1, 9, 8, 31, tzinfo=UTC)  # 03:31 -05:00
    assert warning.onset == datetime(2026, 1, 9, 15, 0, tzinfo=UTC)
    assert warning.ends == datetime(2026, 1, 10, 6, 0, tzinfo=UTC)
    assert warning.headline == "Winter Storm Warning issued for an invented storm"
    assert (warning.message_type, warning.sender) == ("Update", "NWS Example ME")
    assert warning.references == ("urn:oid:2.49.0.1.840.0.aa1.001",)


def test_what_is_replaced_cancelled_or_a_test_is_left_out_and_the_rest_stands_by_onset():
    # the watch is replaced by the warning, the wind advisory cancelled, the tornado warning a test
    assert events(body("alerts.json")) == ["Coastal Flood Advisory", "Winter Storm Warning", "Gale Warning"]


def test_no_alert_is_the_usual_answer():
    assert parse_alerts(body("no_alerts.json")) == []


def test_where_the_end_of_the_event_is_not_told_the_message_s_expiry_stands():
    [gale] = [alert for alert in parse_alerts(body("alerts.json")) if alert.event == "Gale Warning"]
    assert gale.ends == datetime(2026, 1, 10, 1, 0, tzinfo=UTC)  # expires 20:00 -05:00


def test_an_alert_without_onset_begins_when_it_takes_effect():
    [flood] = [alert for alert in parse_alerts(body("alerts.json")) if alert.event == "Coastal Flood Advisory"]
    assert flood.onset == datetime(2026, 1, 9, 9, 10, tzinfo=UTC)
    [later] = parse_alerts(alerts({"onset": None, "effective": None}))
    assert later.onset == later.sent


def test_an_event_that_expires_before_it_ends_is_told_to_its_end():
    # the message is to be renewed at 16:00 -05:00, the storm ends at 01:00
    [warning] = parse_alerts(alerts({}))
    assert warning.ends == datetime(2026, 1, 10, 6, 0, tzinfo=UTC)


# --- repeats and references --------------------------------------------------------------------------------------


def test_an_alert_that_stands_twice_is_read_once_and_the_later_version_counts():
    earlier = {"sent": "2026-01-09T02:00:00-05:00", "severity": "Moderate"}
    for both in (({}, earlier), (earlier, {})):
        [warning] = parse_alerts(alerts(*both))
        assert warning.severity == "Severe"


@pytest.mark.parametrize(
    "reference",
    [
        {"references": [{"identifier": "old", "sender": "w", "sent": "2026-01-08T15:02:00-05:00"}]},
        {"references": "w-nws.webmaster@noaa.gov,old,2026-01-08T15:02:00-05:00"},
        {"references": "w@noaa.gov,older,2026-01-08T10:00:00-05:00 w@noaa.gov,old,2026-01-08T15:02:00-05:00"},
        {"parameters": {"expiredReferences": ["w@noaa.gov,old,2026-01-08T15:02:00-05:00"]}},
    ],
)
def test_references_are_read_in_every_form_that_occurs(reference):
    answer = alerts({"id": "old", "event": "Winter Storm Watch"}, {"id": "new", **reference})
    assert events(answer) == ["Winter Storm Warning"]


def test_references_without_sense_are_passed_over():
    odd = {"references": [None, {}, {"identifier": 7}], "parameters": {"expiredReferences": [3, "a,b"]}}
    [warning] = parse_alerts(alerts(odd))
    assert warning.references == ()


def test_a_cancellation_alone_leaves_nothing():
    assert parse_alerts(alerts({"messageType": "Cancel"})) == []


@settings(max_examples=25)
@given(st.permutations(range(7)), st.lists(st.integers(0, 6), max_size=3))
def test_sequence_and_repeats_of_the_alerts_change_nothing(sequence, repeated):
    answer = json.loads(body("alerts.json"))
    answer["features"] = [answer["features"][position] for position in [*sequence, *repeated]]
    assert parse_alerts(json.dumps(answer).encode()) == parse_alerts(body("alerts.json"))


# --- which matter ------------------------------------------------------------------------------------------------


def test_events_that_load_lift_or_tear_a_cover_are_told_apart_from_others():
    concerned = {alert.event: alert.event in COVER_EVENTS for alert in parse_alerts(body("alerts.json"))}
    assert concerned == {"Coastal Flood Advisory": False, "Winter Storm Warning": True, "Gale Warning": True}


def test_no_event_is_listed_twice():
    assert len(set(COVER_EVENTS)) == len(COVER_EVENTS)


# --- answers -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"id": None}, 'a text "id", got nothing of that name'),
        ({"event": 7}, 'a text "event", got 7'),
        ({"messageType": None}, 'a text "messageType"'),
        ({"ends": None, "expires": None}, "the time when an alert was sent, and its end, got sent .*, end None"),
        ({"sent": None}, "the time when an alert was sent, and its end, got sent None"),
        ({"onset": "2026-01-09T10:00:00"}, "a time such as .* as onset, got '2026-01-09T10:00:00'"),
    ],
)
def test_an_alert_that_lacks_what_it_must_have_is_refused(change, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        parse_alerts(alerts(change))


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "Weather Service alerts: expected a JSON answer, got an empty body. Nothing was read"),
        (body("gateway.html"), r"a JSON answer, got a web page \(HTML\)"),
        (body("alerts.json")[:4001], "a whole JSON answer, got one cut off after"),
        (body("problem_404.json"), "sent error 404 instead of an answer"),
        (b"{}", 'a list "features", got nothing of that name'),
    ],
)
def test_what_is_no_list_of_alerts_is_refused_with_what_came(answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        parse_alerts(answer)


# --- requests ----------------------------------------------------------------------------------------------------


def test_the_alerts_in_force_at_the_yard_are_asked_for():
    yard = Yard("north", "North", 43.70001, -70.25, 8.0, "America/New_York")
    [request] = requests_for(yard, NOW - timedelta(days=3), NOW + timedelta(days=3), NOW)
    assert request.url == "https://api.weather.gov/alerts/active"
    assert request.params == {"point": "43.7,-70.25"}
    assert requests_for(yard, NOW - timedelta(days=3), NOW - timedelta(days=1), NOW) == []
