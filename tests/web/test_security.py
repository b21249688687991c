"""What stands between the network and the pages: headers, hosts, sizes, forms of strangers, sessions, rights."""

import shutil
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from argon2 import PasswordHasher
from invented_yard import DAY, WRAPPED
from simulated_service import Clock
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.testclient import TestClient

from monitor.operations.accounts import add_account, begin_attempt, close_account, set_role, sign_in, the_account
from monitor.store.connection import connect
from monitor.web.security import (
    HEADERS,
    LARGEST_REQUEST_BYTES,
    NotAllowed,
    SignInNeeded,
    account_of,
    device_of,
    local_path,
    middleware,
    need,
    need_reader,
    refused,
)
from monitor.web.site import WebApp

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "broom by the door"
OWN = {"Sec-Fetch-Site": "same-origin"}
HERE, NETWORK, SECURE = "http://127.0.0.1:8317", "http://yard.test:8317", "https://yard.test:8317"


def who(request: Request) -> Response:
    account = account_of(request)
    return JSONResponse({"name": account.name if account else None})


def reader(request: Request) -> Response:
    need_reader(request)
    return who(request)


def crew(request: Request) -> Response:
    need(request, "crew")
    return who(request)


def lead(request: Request) -> Response:
    need(request, "lead")
    return who(request)


async def take(request: Request) -> Response:
    return PlainTextResponse(str(len(await request.body())))


def kept_for_long(request: Request) -> Response:
    return PlainTextResponse("same for all", headers={"Cache-Control": "public, max-age=60"})


def never_kept(request: Request) -> Response:
    return PlainTextResponse("a secret", headers={"Cache-Control": "no-store"})


ROUTES = [
    Route("/careless", who),
    Route("/careless", take, methods=["POST", "PUT", "PATCH", "DELETE"]),
    Route("/reader", reader),
    Route("/crew", crew),
    Route("/lead", lead),
    Route("/api/lead", lead),
    Route("/sign-in", who),
    Route("/guest/{token}", who),
    Route("/app/{digest}/{name}", kept_for_long),
    Route("/public", kept_for_long),
    Route("/no-store", never_kept),
]


@pytest.fixture
def clock():
    return Clock(WRAPPED)


@pytest.fixture(scope="module")
def empty_file(tmp_path_factory):
    """A database in which nobody has an account."""
    path = tmp_path_factory.mktemp("empty") / "stormwalk.db"
    connect(path, create=True).close()
    return path


@pytest.fixture(scope="module")
def database_file(empty_file, tmp_path_factory):
    """The same with Ida, a lead, and Bo of the crew."""
    path = Path(shutil.copy(empty_file, tmp_path_factory.mktemp("people")))
    with closing(connect(path)) as conn:
        add_account(conn, "Ida", "lead", PASSWORD, WRAPPED, CHEAP)
        add_account(conn, "Bo", "crew", PASSWORD, WRAPPED, CHEAP)
    return path


@pytest.fixture
def empty(empty_file, tmp_path):
    """The test's own copy."""
    return Path(shutil.copy(empty_file, tmp_path))


@pytest.fixture
def database(database_file, tmp_path):
    """The test's own copy."""
    return Path(shutil.copy(database_file, tmp_path))


def app_of(path, clock, hosts=("127.0.0.1", "yard.test")):
    web = WebApp(path, SimpleNamespace(), list(hosts), clock, "1.2.3", CHEAP)
    handlers = {SignInNeeded: refused, NotAllowed: refused}
    app = Starlette(routes=ROUTES, middleware=middleware(web), exception_handlers=handlers)
    app.state.web = web
    return app


@pytest.fixture
def app(database, clock):
    return app_of(database, clock)


@pytest.fixture(scope="module")
def same_app(database_file):
    """One app for tests that change nothing in it."""
    return app_of(database_file, Clock(WRAPPED))


@pytest.fixture(scope="module")
def bo_by_site(same_app):
    """Bo, signed in over http and over https."""
    return {site: signed_in(same_app, "Bo", site) for site in (NETWORK, SECURE)}


def browser(app, site=SECURE, client="192.0.2.20"):
    return TestClient(app, base_url=site, follow_redirects=False, client=(client, 50000))


def token_for(database, name, now=WRAPPED):
    with closing(connect(database)) as conn:
        attempt = begin_attempt(conn, name, "127.0.0.1", now)
        return sign_in(conn, attempt, PASSWORD, device="test", now=now, hasher=CHEAP)[1]


def cookie_of(site):
    return "__Host-stormwalk" if site == SECURE else "stormwalk"


def signed_in(app, name, site=SECURE):
    visitor = browser(app, site)
    visitor.headers["Cookie"] = f"{cookie_of(site)}={token_for(app.state.web.database, name)}"
    return visitor


# --- headers, hosts, sizes


@pytest.mark.parametrize("path", ["/reader", "/crew", "/sign-in", "/nothing", "/app/1/x.css", "/api/lead"])
@pytest.mark.parametrize("site", [NETWORK, SECURE])
def test_every_answer_has_the_headers(same_app, path, site):
    for visitor in (browser(same_app, site), signed_in(same_app, "Ida", site)):
        headers = visitor.get(path).headers
        assert {name: headers[name] for name in HEADERS} == HEADERS
        assert headers.get("Strict-Transport-Security") == ("max-age=604800" if site == SECURE else None)


def test_refusals_have_the_headers_too(same_app):
    visitor = browser(same_app)
    for answer in (
        visitor.get("/reader", headers={"Host": "evil.test"}),
        visitor.post("/careless", headers={"Sec-Fetch-Site": "cross-site"}),
        visitor.post("/careless", content=b"x" * (LARGEST_REQUEST_BYTES + 1), headers=OWN),
    ):
        assert answer.status_code in (400, 403, 413)
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS


def test_the_policy_lets_no_stranger_in():
    policy = dict(part.split(" ", 1) for part in HEADERS["Content-Security-Policy"].split("; "))
    assert policy["default-src"] == policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    for directive in ("script-src", "connect-src", "manifest-src", "worker-src", "form-action"):
        assert policy[directive] == "'self'"
    assert HEADERS["Permissions-Policy"].startswith("camera=(self)")
    # Fetch Standard, "append a request Origin header": with "no-referrer" the Origin of a form is null.
    assert HEADERS["Referrer-Policy"] == "same-origin"


def test_only_names_that_were_allowed_are_answered(same_app):
    for host in ("evil.test", "yard.test.evil.test", "127.0.0.1.evil.test", "", "192.0.2.1"):
        assert browser(same_app).get("/sign-in", headers={"Host": host}).status_code == 400
    for host in ("yard.test", "YARD.TEST:8317", "127.0.0.1:1"):
        assert browser(same_app).get("/sign-in", headers={"Host": host}).status_code == 200


def test_a_request_of_more_than_16_mb_is_refused_whether_it_says_so_or_not(app):
    visitor = signed_in(app, "Bo")
    visitor.headers.update(OWN)
    assert visitor.post("/careless", content=b"x" * LARGEST_REQUEST_BYTES).text == str(LARGEST_REQUEST_BYTES)
    assert visitor.post("/careless", content=b"x" * (LARGEST_REQUEST_BYTES + 1)).status_code == 413
    pieces = (b"x" * 1024 * 1024 for _ in range(17))  # sent in chunks, without a length
    assert visitor.post("/careless", content=pieces).status_code == 413


# --- what changes something comes from a page of this site
# W3C Fetch Metadata Request Headers (working draft): Sec-Fetch-Site is cross-site, same-site, same-origin or none.


@pytest.mark.parametrize(
    "site, headers, taken",
    [
        (SECURE, {"Sec-Fetch-Site": "same-origin"}, True),
        (SECURE, {"Sec-Fetch-Site": "none"}, True),
        (SECURE, {"Sec-Fetch-Site": "same-site"}, False),
        (SECURE, {"Sec-Fetch-Site": "cross-site"}, False),
        (SECURE, {"Sec-Fetch-Site": ""}, False),
        (SECURE, {"Sec-Fetch-Site": "cross-site", "Origin": SECURE}, False),
        (SECURE, {"Origin": SECURE}, True),
        (SECURE, {"Origin": NETWORK}, False),  # somebody on the network who answers in our name over http
        (SECURE, {"Origin": "https://evil.test"}, False),
        (SECURE, {"Origin": "https://yard.test"}, False),  # another port
        (SECURE, {"Origin": "https://yard.test:8317.evil.test"}, False),
        (SECURE, {"Origin": "null"}, False),
        (SECURE, {"Origin": ""}, False),
        (SECURE, {"Referer": f"{SECURE}/"}, False),
        (SECURE, {}, False),
        (NETWORK, {"Origin": NETWORK}, True),
        (NETWORK, {"Origin": SECURE}, True),  # a proxy in front that does not tell of https
        (NETWORK, {"Origin": "http://YARD.test:8317"}, True),
        (NETWORK, {"Origin": "ftp://yard.test:8317"}, False),
        (NETWORK, {"Origin": "http://yard.test:9999"}, False),
        (NETWORK, {"Origin": "null"}, False),
        (NETWORK, {}, False),
    ],
)
def test_a_strangers_page_changes_nothing(bo_by_site, site, headers, taken):
    for method in ("POST", "PUT", "PATCH", "DELETE"):
        answer = bo_by_site[site].request(method, "/careless", headers=headers)
        assert answer.status_code == (200 if taken else 403)
        assert ("did not come from a page of this site. Nothing was changed." in answer.text) is not taken


def test_a_link_from_elsewhere_may_be_followed(app):
    # SameSite=Lax (RFC 6265bis, 5.6.7, from memory): the cookie comes with a link that is followed, not with a form.
    assert signed_in(app, "Bo").get("/crew", headers={"Sec-Fetch-Site": "cross-site"}).json() == {"name": "Bo"}


def test_a_program_is_told_as_json(same_app):
    answer = browser(same_app).post("/api/lead", json={})
    assert answer.status_code == 403
    assert list(answer.json()) == ["problem"]


# --- who is signed in


def test_the_session_tells_who_it_is(app):
    assert signed_in(app, "Ida").get("/reader").json() == {"name": "Ida"}
    assert signed_in(app, "Bo").get("/reader").json() == {"name": "Bo"}
    assert browser(app).get("/sign-in").json() == {"name": None}


@pytest.mark.parametrize("path", ["/careless", "/reader", "/crew", "/lead", "/nothing", "/guestbook", "/applied"])
def test_whoever_is_not_signed_in_is_sent_to_sign_in_also_from_a_page_that_forgot_to_ask(same_app, path):
    answer = browser(same_app).get(f"{path}?number=07&x=a%20b")
    assert answer.status_code == 303
    assert answer.headers["Location"] == f"/sign-in?next=%2F{path[1:]}%3Fnumber%3D07%26x%3Da%2520b"
    assert answer.headers["Cache-Control"] == "no-store"


def test_a_form_sent_without_a_session_is_not_taken_and_says_so(same_app):
    answer = browser(same_app).post("/careless", data={"note": "sag"}, headers=OWN)
    assert answer.status_code == 401
    assert "You are not signed in any more, so nothing was stored." in answer.text
    assert 'action="/sign-in"' in answer.text


def test_a_program_without_a_session_is_told_as_json(same_app):
    answer = browser(same_app).get("/api/lead")
    assert answer.status_code == 401
    assert answer.json() == {"problem": "Sign in first."}


def test_crew_is_kept_from_what_is_a_leads(app):
    answer = signed_in(app, "Bo").get("/lead")
    assert answer.status_code == 403
    assert "This is for a lead, and Bo is crew." in answer.text
    assert signed_in(app, "Bo").get("/api/lead").json()["problem"].startswith("This is for a lead")
    assert signed_in(app, "Ida").get("/lead").json() == {"name": "Ida"}


def test_a_right_that_is_taken_is_gone_with_the_next_request(app, database):
    visitor = signed_in(app, "Bo")
    with closing(connect(database)) as conn:
        bo = the_account(conn, "Bo")
        set_role(conn, bo, "lead")
        assert visitor.get("/lead").status_code == 200
        set_role(conn, bo, "crew")
        assert visitor.get("/lead").status_code == 403
        close_account(conn, bo, WRAPPED)
    assert visitor.get("/reader").status_code == 303


@pytest.mark.parametrize("token", ["", "x", "a" * 43, "%00", "ø", '"; DROP TABLE sessions'])
def test_a_token_made_up_opens_nothing(same_app, token):
    answer = browser(same_app).get("/reader", headers={"Cookie": f"__Host-stormwalk={token}".encode()})
    assert answer.status_code == 303


def test_a_cookie_planted_over_http_is_not_read_over_https(app, database):
    token = token_for(database, "Bo")
    assert browser(app, SECURE).get("/reader", headers={"Cookie": f"stormwalk={token}"}).status_code == 303
    assert browser(app, NETWORK).get("/reader", headers={"Cookie": f"__Host-stormwalk={token}"}).status_code == 303


def test_a_session_that_is_used_is_written_once_a_day_with_its_cookie(app, clock):
    visitor = signed_in(app, "Bo")
    clock.advance(DAY - timedelta(seconds=1))
    assert "Set-Cookie" not in visitor.get("/reader").headers
    clock.advance(timedelta(seconds=1))
    renewed = visitor.get("/reader").headers["Set-Cookie"]
    assert renewed.startswith("__Host-stormwalk=")
    assert "Max-Age=2592000" in renewed  # 30 days are 2,592,000 s
    assert "Set-Cookie" not in visitor.get("/reader").headers
    clock.advance(29 * DAY)
    assert visitor.get("/reader").status_code == 200
    clock.advance(30 * DAY)
    assert visitor.get("/reader").status_code == 303


def test_files_that_are_the_same_for_all_ask_no_database(app, database):
    database.unlink()
    assert browser(app).get("/app/1/x.css").headers["Cache-Control"] == "public, max-age=60"
    gone = browser(app).get("/reader")
    assert gone.status_code == 503
    assert "Traceback" not in gone.text


def test_what_a_person_saw_stays_out_of_shared_caches(app):
    visitor = signed_in(app, "Bo")
    assert visitor.get("/public").headers["Cache-Control"] == "private, no-cache"
    assert visitor.get("/reader").headers["Cache-Control"] == "private, no-cache"
    assert visitor.get("/no-store").headers["Cache-Control"] == "no-store"
    assert visitor.get("/app/1/x.css").headers["Cache-Control"] == "public, max-age=60"


# --- before anybody has an account


@pytest.fixture
def unguarded(empty, clock):
    """Served to this computer alone, without any account."""
    return app_of(empty, clock, ["127.0.0.1", "localhost", "[::1]"])


def test_without_accounts_pages_are_read_on_this_computer_and_nothing_is_changed(unguarded):
    visitor = browser(unguarded, HERE, "127.0.0.1")
    assert visitor.get("/reader").json() == {"name": None}
    for answer in (visitor.get("/crew"), visitor.get("/lead"), visitor.post("/careless", headers=OWN)):
        assert answer.status_code == 403
        assert "stormwalk account add NAME --role lead" in answer.text


@pytest.mark.parametrize("hosts, client", [(["127.0.0.1"], "192.0.2.20"), (["127.0.0.1", "yard.test"], "127.0.0.1")])
def test_without_accounts_nothing_is_shown_beyond_this_computer(empty, clock, hosts, client):
    # serve refuses to start so; a database restored while it runs is the other way to get here
    visitor = browser(app_of(empty, clock, hosts), HERE, client)
    for path in ("/reader", "/careless", "/sign-in"):
        assert visitor.get(path).status_code == 403


def test_the_first_account_closes_the_pages_at_once(unguarded, empty):
    visitor = browser(unguarded, HERE, "127.0.0.1")
    assert visitor.get("/reader").status_code == 200
    with closing(connect(empty)) as conn:
        add_account(conn, "Ida", "lead", PASSWORD, WRAPPED, CHEAP)
    assert visitor.get("/reader").status_code == 303


# --- where to go after signing in


@pytest.mark.parametrize("text", ["/", "/yards/north/", "/yards/a%20b/boat?number=07&back=x#top", "/a//b", "/yards/ø/"])
def test_a_path_of_this_site_is_gone_on_to(text):
    assert local_path(text) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yards",
        "//evil.test",
        "///evil.test",
        "/\\evil.test",
        "\\\\evil.test",
        "/yards\\..\\\\evil.test",
        "https://evil.test/",
        "https:evil.test",
        "javascript:alert(1)",
        "data:text/html,x",
        "/\t/evil.test",
        "/\n/evil.test",
        "/\r\nLocation: https://evil.test",
        " //evil.test",
        "\u00a0//evil.test",
        "/\x00/evil.test",
        "/ /evil.test",
        "@evil.test",
        ".evil.test",
        "/sign-in?next=/sign-in",
        "/sign-out",
        "/" + "x" * 2000,
    ],
)
def test_whatever_else_leads_to_the_start(text):
    assert local_path(text) == "/"


# --- devices


@pytest.mark.parametrize(
    "agent, told",
    [
        ("Mozilla/5.0 (Android 14; Mobile; rv:132.0) Gecko/132.0 Firefox/132.0", "Firefox on Android"),
        (
            "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 Chrome/131.0.0.0 Mobile Safari/537.36",
            "Chrome on Android",
        ),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 17_6 like Mac OS X) Version/17.6 Mobile/15E148 Safari/604.1",
            "Safari on iPhone",
        ),
        ("Mozilla/5.0 (Windows NT 10.0) Chrome/131.0.0.0 Safari/537.36 Edg/131.0.0.0", "Edge on Windows"),
        ("a program/1", "a program/1"),
        ("", "unknown browser"),
        ("x" * 500, "x" * 60),
    ],
)
def test_a_browser_is_told_in_two_words(agent, told):
    assert device_of(Request({"type": "http", "headers": [(b"user-agent", agent.encode())]})) == told
