"""Whatever is sent to the web app is answered in a sentence: never a 500, never a traceback."""

import logging
import re
import shutil
from random import Random

import pytest
from fuzz_web import HOST, PATHS, Sent, answered, asked
from invented_app import NOW, Clock, app_of, fill, signed_in

SAME_SITE = [(b"host", HOST), (b"sec-fetch-site", b"same-origin")]
FORM = (b"content-type", b"application/x-www-form-urlencoded")


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    return fill(tmp_path_factory.mktemp("hostile") / "yard.db")


@pytest.fixture(scope="module", autouse=True)
def _quiet():
    logging.disable(logging.CRITICAL)  # the reader of multipart bodies says of each what is wrong with it
    yield
    logging.disable(logging.NOTSET)


@pytest.fixture
def app(filled, tmp_path):
    """An app that may be changed by what it is sent."""
    return app_of(shutil.copy(filled, tmp_path / "yard.db"), Clock(NOW))


@pytest.fixture(scope="module")
def lead(filled):
    """Asks as Ida, a lead; the requests of a module change nothing of what the others ask for."""
    app = app_of(filled, Clock(NOW))
    cookie = (b"cookie", cookie_of(app, "Ida"))

    def ask(method, target, *headers, body=b"", cut_off=False):
        return checked(app, Sent(method, target, [*SAME_SITE, cookie, *headers], body, cut_off))

    return ask


def cookie_of(app, name):
    return b"stormwalk=" + signed_in(app, name).cookies["stormwalk"].encode()


def checked(app, sent):
    status, body = answered(app, sent)
    assert status < 500 or status == 503, body[:500]
    assert b"Traceback" not in body
    return status, body


def hammered(app, first, last):
    """Answers by status; the people sign in again and again, for they are signed out by what they send."""
    statuses = {}
    for number in range(first, last):
        draw = Random(f"web/{number}")
        if number % 60 == 0:
            cookies = [cookie_of(app, "Ida"), cookie_of(app, "Ida"), cookie_of(app, "Per"), b""]
        sent = asked(draw, draw.choice(cookies))
        try:
            status, _ = checked(app, sent)
        except BaseException as error:
            error.add_note(f"request {number}: {sent!r:.3000}")
            raise
        statuses[int(status)] = statuses.get(int(status), 0) + 1
    return statuses


torn_uploads = pytest.mark.filterwarnings("ignore:Unclosed file:ResourceWarning")
"""Starlette 1.10 leaves the file of an upload that breaks off before its last boundary to be closed by Python."""


@torn_uploads
def test_hostile_requests_are_answered(app):
    assert hammered(app, 0, 120)[200] > 0


@torn_uploads
@pytest.mark.thorough
@pytest.mark.parametrize("part", range(10))
def test_thousands_of_hostile_requests_are_answered(app, part):
    assert {200, 303, 401, 404, 405, 422} <= hammered(app, 1200 * (part + 1), 1200 * (part + 2)).keys()


def test_hostile_requests_reach_every_address_of_the_app(app):
    known = {re.sub(r"\{[^}]*\}", "{}", route.path) for route in app.routes}
    assert known == set(PATHS)


# --- what was found with these, and what nobody should lose


@pytest.mark.parametrize(
    "path", ["%2e%2e", "%252e%252e", "..%2f..%2fetc%2fpasswd", "%00", "%ff", "%c0%ae%c0%ae", "%0d%0aX:1", "a" * 10_000]
)
@pytest.mark.parametrize("where", ["/%s", "/yards/%s/", "/yards/north/pages/%s", "/photos/%s", "/guest/%s", "/api/%s"])
@pytest.mark.thorough
def test_an_address_that_leads_nowhere_is_not_there(lead, where, path):
    status, body = lead(b"GET", (where % path).encode())
    assert status == 404
    assert b"root:" not in body


@pytest.mark.parametrize(
    "query",
    [
        b"number=01\xed\xb3\xbf",
        b"number=\xff",
        b"a" * 10_000,
        b"&".join(b"p%d=1" % number for number in range(1000)),
        b"number=02&number=01",
        b"number=01&number=%ed%a0%80&history=%00",
    ],
    ids=["surrogate", "0xFF", "long", "many", "twice", "NUL"],
)
def test_odd_queries_are_answered(lead, query):
    status, _ = lead(b"GET", b"/yards/north/boat?" + query)
    assert status in (200, 404)


def test_letters_in_a_query_that_a_browser_would_have_encoded_are_read_as_they_are(lead):
    raw = lead(b"GET", "/yards/north/boat?number=Bö".encode())
    assert raw == lead(b"GET", b"/yards/north/boat?number=B%C3%B6")
    assert "Bö".encode() in raw[1]


@pytest.mark.parametrize("charset", [b"undefined", b"idna", b"punycode", b"hex", b"utf-16", b"\0", b"x" * 300])
@pytest.mark.parametrize("path", [b"/yards/north/act?boat=01", b"/people"])
def test_a_form_in_another_character_set_is_refused(lead, path, charset):
    body = b'--b\r\nContent-Disposition: form-data; name="note"\r\n\r\n\xff\r\n--b--\r\n'
    kind = (b"content-type", b"multipart/form-data; boundary=b; charset=" + charset)
    status, body = lead(b"POST", path, kind, body=body)
    assert status == 415
    assert b"another character set than UTF-8" in body


@pytest.mark.parametrize(
    "kind, body",
    [
        (b"multipart/form-data", b"--b--"),
        (b"multipart/form-data; boundary=", b"--b--"),
        (b"multipart/form-data; boundary=b", b"--c\r\n"),
        (b"multipart/form-data; boundary=b", b'--b\r\nContent-Disposition: form-data; name="a"\r\n\r\n'),
        (b"multipart/form-data; boundary=b", b"--b\r\n\xff\0: x\r\n\r\n1\r\n--b--"),
        (b"application/json", b"{}"),
        (b"", b"boat=01"),
        (b"application/x-www-form-urlencoded", b"&" * 5000),
        (b"application/x-www-form-urlencoded", b"a=1&" * 5000),
        (b"application/x-www-form-urlencoded", b"%"),
    ],
    ids=["bare", "empty", "other", "torn", "header", "json", "none", "marks", "many", "percent"],
)
def test_a_body_that_is_no_form_is_refused(lead, kind, body):
    headers = [(b"content-type", kind)] if kind else []
    status, _ = lead(b"POST", b"/yards/north/act?boat=01", *headers, body=body)
    assert status in (400, 413, 422)


def test_a_severity_of_thousands_of_digits_is_refused_at_its_field(lead):
    body = b"boat=01&defect-0=tear&place-0=bow&severity-0=" + b"9" * 5000
    status, body = lead(b"POST", b"/yards/north/inspect", FORM, body=body)
    assert (status, b"expected 0, 1, 2 or 3" in body) == (422, True)


@pytest.mark.parametrize("depth", [100, 900, 985, 100_000])
@pytest.mark.parametrize("name", [b"boat", b"findings", b"snow_water_mm", b"other"])
def test_an_entry_nested_deeply_is_refused(lead, name, depth):
    body = b'{"%s": %s%s}' % (name, b"[" * depth, b"]" * depth)
    status, _ = lead(b"POST", b"/api/inspections", (b"content-type", b"application/json"), body=body)
    assert status == 422


@pytest.mark.parametrize("path", [b"/yards/north/act?boat=01", b"/sign-in", b"/api/actions"])
def test_a_request_that_breaks_off_is_no_failure(lead, path):
    kind = (b"content-type", b"application/json" if path.startswith(b"/api") else FORM[1])
    status, _ = lead(b"POST", path, kind, body=b"boat=01&note=x", cut_off=True)
    assert status in (0, 400)


@pytest.mark.parametrize(
    "header",
    [
        (b"cookie", b"stormwalk=%ff; stormwalk_said=%ed%a0%80%00"),
        (b"cookie", b';;=;a;\xff;"' + b"x" * 9000),
        (b"content-length", b"-1"),
        (b"content-length", "١".encode()),
        (b"user-agent", b"\xff\x01" * 5000),
        (b"accept", b"\xff"),
    ],
    ids=["junk", "marks", "below-zero", "digits", "agent", "accept"],
)
def test_odd_headers_are_answered(lead, header):
    assert lead(b"GET", b"/sign-in", header)[0] in (200, 303, 400, 413)


@pytest.mark.parametrize("host", [b"", b"[::1", b"\xff", b"evil.example", b"127.0.0.1:99999999"])
def test_an_odd_host_is_answered(filled, host):
    sent = Sent(b"GET", b"/sign-in", [(b"host", host), (b"sec-fetch-site", b"same-origin")])
    assert checked(app_of(filled, Clock(NOW)), sent)[0] in (200, 400)
