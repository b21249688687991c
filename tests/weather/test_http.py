import logging
from datetime import UTC, datetime, timedelta

import pytest
import requests
import responses
from responses import matchers, registries

from monitor import __version__
from monitor.errors import ServiceUnavailableError
from monitor.weather.providers import Request
from monitor.weather.providers.http import LONGEST_HOLD, RefusedError, address, conditional, get, holds_until, session

URL = "https://weather.example/v1/hours"
NOW = datetime(2026, 1, 10, 12, 34, 56, tzinfo=UTC)
KEY = "k3y-of-the-yard"


def clock():
    return NOW


def fetch(request=None, **settings):
    """One GET with no waiting between the tries."""
    with session("yard@example.org", backoff_factor_s=0, backoff_jitter_s=0, **settings) as made:
        return get(made, request or Request(URL), clock)


@responses.activate
def test_an_answer_comes_back_as_it_was_sent():
    responses.get(URL, body=b"\x00 raw \xff", headers={"Last-Modified": "Sat, 10 Jan 2026 12:00:00 GMT"})
    answer = fetch(Request(URL, params={"place": "yard 1"}))
    assert (answer.status, answer.body, answer.fetched_at) == (200, b"\x00 raw \xff", NOW)
    assert answer.url == f"{URL}?place=yard+1"
    assert answer.headers["Last-Modified"] == "Sat, 10 Jan 2026 12:00:00 GMT"


@responses.activate
def test_the_service_learns_who_asks():
    responses.get(URL, match=[matchers.header_matcher({"User-Agent": f"stormwalk/{__version__} (yard@example.org)"})])
    assert fetch().status == 200


@pytest.mark.parametrize("contact", ["", "  ", "Ærø\nInjected: yes"])
def test_any_contact_makes_one_plain_header_line(contact):
    agent = session(contact).headers["User-Agent"]
    assert agent.isascii()
    assert agent.isprintable()
    assert agent.startswith(f"stormwalk/{__version__}")


@responses.activate
def test_headers_of_the_request_are_sent():
    responses.get(URL, match=[matchers.header_matcher({"If-Modified-Since": "yesterday"})], status=304)
    assert fetch(Request(URL, headers={"If-Modified-Since": "yesterday"})).status == 304


@responses.activate
def test_a_secret_is_sent_and_is_nowhere_in_the_answer():
    responses.get(URL, match=[matchers.query_param_matcher({"a": "1", "apikey": KEY})], body="ok")
    request = Request(URL, params={"a": "1"}, secret_params={"apikey": KEY})
    assert KEY not in repr(fetch(request))
    assert KEY not in repr(request)


@responses.activate(registry=registries.OrderedRegistry)
def test_a_service_that_is_busy_once_is_asked_again():
    responses.get(URL, status=503, body="ERROR: server over capacity, please try later")
    responses.get(URL, body="ok")
    assert fetch().body == b"ok"


@responses.activate(registry=registries.OrderedRegistry)
@pytest.mark.parametrize("status", [408, 429, 500, 502, 504])
def test_what_may_pass_is_tried_again(status):
    responses.get(URL, status=status)
    responses.get(URL, body="ok")
    assert fetch().body == b"ok"


@responses.activate
def test_a_service_that_stays_busy_gives_one_clear_sentence():
    busy = responses.get(URL, status=503, body="ERROR: server over capacity, please try later")
    with pytest.raises(ServiceUnavailableError) as caught:
        fetch()
    assert busy.call_count == 5
    assert str(caught.value) == (
        'weather.example answered 503: "ERROR: server over capacity, please try later" (5 tries). Nothing was stored. '
        'The next pull tries again; "stormwalk weather status" shows how old the weather is.'
    )


@responses.activate
@pytest.mark.parametrize("status", [400, 401, 403, 404, 422])
def test_a_refusal_is_never_repeated(status):
    refusal = responses.get(URL, status=status, json={"error": True, "reason": "Latitude must be in range"})
    with pytest.raises(
        ServiceUnavailableError, match=rf'refused the request with {status}: "Latitude must be in range"'
    ):
        fetch()
    assert refusal.call_count == 1


@responses.activate
@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (
            '{"error": true, "reason": "Minutely API request limit exceeded."}',
            '429: "Minutely API request limit exceeded."',
        ),
        ('{"title": "Not Found", "detail": "No such point."}', '429: "No such point."'),
        ("Invalid times provided.\nsecond line", '429: "Invalid times provided."'),
        ("<html><body>Too many</body></html>", "429 ("),
        ('["a list"]', "429 ("),
        ("", "429 ("),
    ],
)
def test_the_reason_given_by_the_service_is_quoted(body, reason):
    responses.get(URL, status=429, body=body)
    with pytest.raises(ServiceUnavailableError) as caught:
        fetch(retries=0)
    assert reason in str(caught.value)


@responses.activate
@pytest.mark.parametrize(
    ("failure", "words"),
    [
        (requests.exceptions.ConnectTimeout, "could not be reached within 5 s (5 tries)"),
        (requests.exceptions.ReadTimeout, "did not answer within 30 s (5 tries)"),
        (requests.exceptions.SSLError, "has a certificate that is not trusted (5 tries)"),
        (requests.exceptions.ConnectionError, "could not be reached (5 tries)"),
        (requests.exceptions.ChunkedEncodingError, "broke off in the middle of its answer (1 try)"),
        (requests.exceptions.ContentDecodingError, "sent an answer that cannot be unpacked (1 try)"),
        (requests.exceptions.TooManyRedirects, "sends from one address to the next without end (1 try)"),
        (requests.exceptions.InvalidSchema, "could not be asked (InvalidSchema) (1 try)"),
    ],
)
def test_no_answer_at_all_says_what_happened_and_hides_the_secret(failure, words):
    responses.get(URL, body=failure(f"Max retries exceeded with url: /v1/hours?apikey={KEY}"))
    with pytest.raises(ServiceUnavailableError) as caught:
        fetch(Request(URL, secret_params={"apikey": KEY}))
    assert words in str(caught.value)
    assert KEY not in str(caught.value)
    assert caught.value.__suppress_context__


@responses.activate
def test_a_refusal_that_quotes_the_secret_does_not_spread_it():
    responses.get(URL, status=400, json={"error": True, "reason": f"apikey {KEY} is not valid"})
    with pytest.raises(ServiceUnavailableError, match=r'"apikey \*\*\* is not valid"'):
        fetch(Request(URL, secret_params={"apikey": KEY}))


@pytest.mark.parametrize("logger", ["urllib3.connectionpool", "urllib3.util.retry"])
def test_a_try_that_fails_is_logged_without_the_secret(logger, caplog):
    with caplog.at_level(logging.DEBUG, logger=logger):
        logging.getLogger(logger).warning("Retrying after '%s': %s", "reset", f"/v1?a=1&apikey={KEY}&b=2")
    assert caplog.messages == ["Retrying after 'reset': /v1?a=1&apikey=***&b=2"]


def test_a_service_cannot_ask_us_to_wait_longer_than_a_minute():
    retry = session("yard@example.org").get_adapter(URL).max_retries
    assert retry.parse_retry_after("3600") == 60
    assert retry.parse_retry_after("7") == 7
    assert retry.backoff_max == 30


# --- what is kept still holds


DATE = {"date": "Sat, 10 Jan 2026 06:04:53 GMT"}


@pytest.mark.parametrize(
    ("headers", "minute"),
    [
        ({"expires": "Sat, 10 Jan 2026 06:34:53 GMT"}, 34),
        ({"expires": "Sat, 10 Jan 2026 06:34:53 -0000"}, 34),  # without a zone it is UTC
        (
            {**DATE, "cache-control": "public, max-age=600, s-maxage=120", "expires": "Sat, 10 Jan 2026 06:34:53 GMT"},
            14,
        ),
        ({"cache-control": "max-age=600", "expires": "Sat, 10 Jan 2026 06:34:53 GMT"}, 34),  # counts from what date?
    ],
)
def test_a_service_says_until_when_its_answer_holds(headers, minute):
    assert holds_until(headers) == datetime(2026, 1, 10, 6, minute, 53, tzinfo=UTC)


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"expires": ""},
        {"expires": "0"},
        {"expires": "soon"},
        {"expires": "Sat, 99 Jan 2026 06:34:53 GMT"},
        {"expires": "Sat, 10 Jan 2026 06:34:53 GMT", "cache-control": "no-cache"},
        {**DATE, "cache-control": "no-store, max-age=600"},
    ],
)
def test_a_header_that_says_nothing_holds_nothing_back(headers):
    assert holds_until(headers) is None


@pytest.mark.parametrize("more", [{"expires": "Sun, 10 Jan 2027 06:04:53 GMT"}, {"cache-control": "max-age=99999999"}])
def test_a_wrong_header_silences_a_service_for_some_hours_at_most(more):
    assert holds_until(DATE | more) == datetime(2026, 1, 10, 6, 4, 53, tzinfo=UTC) + LONGEST_HOLD
    assert timedelta(hours=6) >= LONGEST_HOLD


def test_after_that_only_a_newer_answer_is_asked_for():
    saved = {"last-modified": "Sat, 10 Jan 2026 05:34:12 GMT", "etag": '"a"', "expires": "0"}
    request = conditional(Request(URL, headers={"Accept": "application/json"}), saved)
    assert request.headers == {
        "Accept": "application/json",
        "If-None-Match": '"a"',
        "If-Modified-Since": "Sat, 10 Jan 2026 05:34:12 GMT",
    }
    assert conditional(Request(URL), {}).headers == {}


@responses.activate
@pytest.mark.parametrize("status", [400, 403, 404, 422])
def test_a_refusal_carries_its_status(status):
    responses.get(URL, status=status)
    with pytest.raises(RefusedError) as refusal:
        fetch()
    assert refusal.value.status == status


@responses.activate
def test_the_address_of_a_request_is_that_of_its_answer():
    request = Request(URL, params={"place": "yard 1", "of": "a,b"}, secret_params={"apikey": KEY})
    responses.get(URL, body=b"x")
    assert address(request) == fetch(request).url
    assert KEY not in address(request)
