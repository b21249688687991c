"""Signing in, one's account, people and guests as a browser meets them; and who may ask for what, page by page."""

import html
import re
import shutil
from contextlib import closing
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from invented_yard import DAY, HOUR, WRAPPED, YARD, record_yard
from PIL import Image
from simulated_service import Clock
from starlette.testclient import TestClient

from monitor.cli.serve import DashboardPages
from monitor.operations import accounts as operations
from monitor.operations.accounts import add_account, guest_boat, guest_token, make_guest_link, the_account
from monitor.operations.log import record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.store import accounts as store
from monitor.store.connection import connect
from monitor.web import account_pages
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages
from monitor.web.templating import app_static

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD, ANOTHER = "broom by the door", "three other words"
NOW = WRAPPED + 50 * HOUR
HERE, PHONE, STRANGER = "127.0.0.1", "192.0.2.20", "198.51.100.7"
HTTP, HTTPS = "http://yard.test:8317", "https://yard.test:8317"
LINK, LOOK, PHOTO = (f"00000000-0000-4000-8000-00000000000{number}" for number in (1, 2, 3))


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Yard, covers, Ida who leads, Bo of the crew, one inspection with a photo, a link to boat 02."""
    path = tmp_path_factory.mktemp("people") / "stormwalk.db"
    picture = BytesIO()
    Image.new("RGB", (8, 6), "white").save(picture, "JPEG")
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
        add_account(conn, "Ida", "lead", PASSWORD, WRAPPED, CHEAP)
        add_account(conn, "Bo", "crew", PASSWORD, WRAPPED, CHEAP)
        record_inspection(
            conn, YARD, "02", inspector="Ida", inspected_at=NOW, recorded_at=NOW, inspection_id=LOOK, findings=[]
        )
        record_photo(
            conn,
            photo_folder(path),
            YARD,
            photo_id=PHOTO,
            data=picture.getvalue(),
            inspection_id=LOOK,
            recorded_at=NOW,
            taken_by="Ida",
        )
        make_guest_link(conn, "north", "02", by="Ida", now=NOW)
    return path


@pytest.fixture
def database(filled, tmp_path):
    """The test's own copy."""
    return Path(shutil.copy(filled, tmp_path))


class WithoutLibrary(DashboardPages):
    """The charts without the library that draws them, which is large."""

    def static_files(self):
        return {"pages.css": b"main { margin: 1rem }"}


def app_of(path, clock):
    pages = Pages(path, WithoutLibrary(), lambda key: [], clock)
    return make_app(WebApp(path, pages, ["127.0.0.1", "yard.test"], clock, "1.2.3", CHEAP))


@pytest.fixture
def clock():
    return Clock(NOW)


@pytest.fixture
def app(database, clock):
    return app_of(database, clock)


@pytest.fixture
def conn(database):
    with closing(connect(database)) as opened:
        yield opened


def browser(app, site=HTTPS, client=PHONE, agent="Mozilla/5.0 (Android 14) Firefox/132.0"):
    headers = {"Sec-Fetch-Site": "same-origin", "User-Agent": agent}
    return TestClient(
        app,
        base_url=site,
        follow_redirects=False,
        raise_server_exceptions=False,
        client=(client, 50000),
        headers=headers,
    )


def sign_in(visitor, name, password=PASSWORD, then="/account"):
    return visitor.post("/sign-in", data={"name": name, "password": password, "next": then})


def signed_in(app, name, **options):
    visitor = browser(app, **options)
    assert sign_in(visitor, name).status_code == 303
    return visitor


def is_in(visitor):
    return visitor.get("/account").status_code == 200


def problem_of(answer):
    """The sentence on top of a page whose form was refused."""
    box = re.search(r'<div class="problem"[^>]*>(.*?)</div>', answer.text, re.S).group(1)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", box)).split())


def said(visitor, answer):
    """The page that a form led to, which tells once what was done."""
    assert answer.status_code == 303, answer.text
    return html.unescape(visitor.get(answer.headers["Location"]).text)


# --- signing in and out


def test_signing_in_leads_on_to_the_page_that_was_asked_for(app):
    visitor = browser(app)
    sent_away = visitor.get("/yards/north/log?boat=02")
    form = visitor.get(sent_away.headers["Location"]).text
    then = html.unescape(re.search(r'name="next" value="([^"]*)"', form).group(1))
    assert then == "/yards/north/log?boat=02"
    answer = sign_in(visitor, "ida", then=then)
    assert (answer.status_code, answer.headers["Location"]) == (303, then)
    assert visitor.get(then).status_code == 200


@pytest.mark.parametrize(
    "then", ["https://evil.test/", "//evil.test", "/\\evil.test", "/\t/evil.test", "", "javascript:x"]
)
def test_signing_in_never_leads_to_another_site(app, then):
    visitor = browser(app)
    assert sign_in(visitor, "Ida", then=then).headers["Location"] == "/"
    assert visitor.get("/sign-in", params={"next": then}).headers["Location"] == "/"
    assert 'name="next" value="/"' in browser(app).get("/sign-in", params={"next": then}).text


# RFC 6265bis, 4.1.3.2: a browser takes a cookie named __Host-... only with Secure, with Path=/ and without Domain.
@pytest.mark.parametrize(
    "site, name, marks",
    [
        (HTTPS, "__Host-stormwalk", {"HttpOnly", "Path=/", "SameSite=lax", "Max-Age=2592000", "Secure"}),
        (HTTP, "stormwalk", {"HttpOnly", "Path=/", "SameSite=lax", "Max-Age=2592000"}),
    ],
)
def test_the_cookie_is_for_this_site_alone_and_no_script_reads_it(app, conn, site, name, marks):
    answer = sign_in(browser(app, site), "Ida")
    (cookie,) = answer.headers.get_list("set-cookie")
    (key, token), *found = (
        part.strip().split("=", 1) if not number else part.strip() for number, part in enumerate(cookie.split(";"))
    )
    assert key == name
    assert set(found) == marks
    assert answer.headers["Cache-Control"] == "no-store"
    assert [each.token_sha256 for each in store.sessions(conn, the_account(conn, "Ida").id, NOW)] == [
        operations.token_sha256(token)
    ]


def test_a_token_known_before_the_sign_in_is_of_no_use_after_it(app):
    planted = "a" * 43
    visitor = browser(app)
    visitor.cookies.set("__Host-stormwalk", planted, domain="yard.test", path="/")
    sign_in(visitor, "Ida")
    assert browser(app).get("/account", headers={"Cookie": f"__Host-stormwalk={planted}"}).status_code == 303


def test_signing_in_again_ends_the_session_before(app):
    visitor = signed_in(app, "Bo")
    first = visitor.cookies["__Host-stormwalk"]
    sign_in(visitor, "Ida")
    assert visitor.cookies["__Host-stormwalk"] != first
    assert browser(app).get("/account", headers={"Cookie": f"__Host-stormwalk={first}"}).status_code == 303
    assert "Ida, lead" in visitor.get("/account").text


def test_a_refused_sign_in_keeps_the_name_and_never_the_password(app):
    answer = sign_in(browser(app), 'Bo"><script>', "not this <one>", then="/yards/north/")
    assert answer.status_code == 401
    assert problem_of(answer) == "The name or the password is not right, or the account is closed. Try again."
    assert 'value="Bo&#34;&gt;&lt;script&gt;"' in answer.text
    assert 'name="next" value="/yards/north/"' in answer.text
    assert "not this" not in answer.text
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("data", [{}, {"name": "Ida"}, {"password": PASSWORD}, {"name": " ", "password": PASSWORD}])
def test_an_empty_field_is_said_and_not_counted(app, conn, data):
    answer = browser(app).post("/sign-in", data=data)
    assert answer.status_code == 422
    assert problem_of(answer) == "Give both your name and your password."
    assert store.failures(conn, PHONE, NOW - HOUR) == []


def test_a_form_larger_than_people_need_is_refused(app):
    assert sign_in(browser(app), "Ida", "x" * 5_000).status_code in (400, 413)
    assert browser(app).post("/sign-in", data={f"field{n}": "" for n in range(20)}).status_code == 400
    assert browser(app).post("/sign-in", files={"name": b"x"}).status_code == 400


def test_after_five_failures_the_sixth_has_to_wait_and_is_told_how_long(app, clock):
    visitor = browser(app, client=STRANGER)
    assert [sign_in(visitor, "Ida", "not this one").status_code for _ in range(5)] == [401] * 5
    clock.advance(timedelta(minutes=5))
    answer = sign_in(visitor, "Ida", then="/yards/north/")
    assert answer.status_code == 429
    assert answer.headers["Retry-After"] == "600"  # 15 min after the failures, 10 min from now
    assert "Too many sign-ins failed here." in problem_of(answer)
    assert 'value="Ida"' in answer.text
    assert 'name="next" value="/yards/north/"' in answer.text
    clock.advance(timedelta(minutes=10))
    assert sign_in(visitor, "Ida").status_code == 303


def test_the_lead_gets_in_at_the_yard_and_on_a_phone_while_a_stranger_hammers(app):
    stranger = browser(app, client=STRANGER)
    assert [sign_in(stranger, "Ida", "not this one").status_code for _ in range(8)] == [401] * 5 + [429] * 3
    assert sign_in(browser(app, client=HERE), "Ida").status_code == 303
    assert sign_in(browser(app, client=PHONE), "Ida").status_code == 303
    assert sign_in(stranger, "Ida").status_code == 429


def test_the_yards_own_computer_is_slowed_after_five_failures(app, monkeypatch):
    pauses = []

    async def note(seconds):
        pauses.append(seconds)

    monkeypatch.setattr(account_pages.asyncio, "sleep", note)
    visitor = browser(app, client=HERE)
    assert [sign_in(visitor, "Ida", "not this one").status_code for _ in range(7)] == [401] * 7
    assert sign_in(visitor, "Ida").status_code == 303
    assert pauses == [0, 0, 0, 0, 0, 1, 2, 4]


def test_signing_out_ends_the_session_not_just_the_cookie(app):
    visitor = signed_in(app, "Bo")
    token = visitor.cookies["__Host-stormwalk"]
    answer = visitor.post("/sign-out")
    assert answer.headers["Location"] == "/sign-in"
    assert any("Max-Age=0" in cookie for cookie in answer.headers.get_list("set-cookie"))
    assert browser(app).get("/account", headers={"Cookie": f"__Host-stormwalk={token}"}).status_code == 303
    assert visitor.get("/sign-out").status_code in (303, 405)  # a link or a picture signs nobody out


def test_a_session_is_gone_with_the_next_request_after_it_was_revoked(app, conn):
    visitor = signed_in(app, "Bo")
    assert is_in(visitor)
    operations.sign_out_everywhere(conn, the_account(conn, "Bo"))
    assert not is_in(visitor)


def test_a_session_lasts_thirty_days_from_its_last_use(app, clock):
    visitor = signed_in(app, "Bo")
    for _ in range(3):
        clock.advance(29 * DAY)
        assert is_in(visitor)
    clock.advance(31 * DAY)
    assert not is_in(visitor)


def test_pages_about_people_are_never_kept(app):
    lead = signed_in(app, "Ida")
    for path in ("/account", "/people", "/yards/north/guests"):
        assert lead.get(path).headers["Cache-Control"] == "no-store"
    assert browser(app).get("/sign-in").headers["Cache-Control"] == "no-store"


# --- one's own account


def change_password(visitor, old=PASSWORD, new=ANOTHER, again=None):
    data = {"do": "password", "old": old, "new": new, "again": new if again is None else again}
    return visitor.post("/account", data=data)


def test_changing_the_password_signs_every_other_browser_out_and_this_one_anew(app):
    here, there = signed_in(app, "Bo"), signed_in(app, "Bo")
    before = here.cookies["__Host-stormwalk"]
    assert "Your password is changed. Every other browser was signed out." in said(here, change_password(here))
    assert here.cookies["__Host-stormwalk"] != before
    assert is_in(here)
    assert not is_in(there)
    assert sign_in(browser(app), "Bo").status_code == 401
    assert sign_in(browser(app), "Bo", ANOTHER).status_code == 303


@pytest.mark.parametrize(
    "typed, sentence",
    [
        ({"old": "not this one"}, "The old password is not right."),
        ({"again": "four other words!"}, "The two passwords are not the same."),
        ({"new": "short"}, "The password has 5 characters; 10 to 200 are asked for."),
        ({"new": ""}, "The password has 0 characters"),
    ],
)
def test_a_refused_change_of_the_password_says_why_and_changes_nothing(app, typed, sentence):
    visitor = signed_in(app, "Bo")
    answer = change_password(visitor, **typed)
    assert answer.status_code == 422
    assert problem_of(answer).startswith(sentence)
    assert is_in(visitor)
    assert sign_in(browser(app), "Bo").status_code == 303


def test_the_old_password_cannot_be_guessed_for_long_by_whoever_found_the_phone(app):
    visitor = signed_in(app, "Bo")
    assert [change_password(visitor, old=f"guess number {n}").status_code for n in range(6)] == [422] * 5 + [429]
    assert change_password(visitor).headers["Retry-After"] == "900"
    assert is_in(visitor)


def test_sessions_are_listed_and_ended_one_by_one_or_all(app):
    here = signed_in(app, "Bo")
    lost = signed_in(app, "Bo", agent="Mozilla/5.0 (iPhone; like Mac OS X) Version/17 Safari/604.1")
    page = here.get("/account").text
    assert "Firefox on Android, this browser" in page
    assert "Safari on iPhone" in page
    (session,) = re.findall(
        r'name="session" value="([0-9a-f]{64})">\s*<button[^>]*>Sign out<span class="unseen"> Safari', page
    )
    assert "That browser was signed out." in said(here, here.post("/account", data={"do": "end", "session": session}))
    assert (is_in(here), is_in(lost)) == (True, False)
    other = signed_in(app, "Bo")
    assert here.post("/account", data={"do": "everywhere"}).headers["Location"] == "/sign-in"
    assert (is_in(here), is_in(other)) == (False, False)


def test_nobody_ends_the_session_of_another(app, conn):
    ida, bo = signed_in(app, "Ida"), signed_in(app, "Bo")
    (session,) = store.sessions(conn, the_account(conn, "Ida").id, NOW)
    bo.post("/account", data={"do": "end", "session": session.token_sha256})
    assert is_in(ida)


# --- people


def change_people(lead, do, account="", **data):
    return lead.post("/people", data={"do": do, "account": str(account), **data})


def test_a_lead_adds_somebody_who_can_sign_in(app):
    lead = signed_in(app, "Ida")
    answer = change_people(lead, "add", name="Märta", role="crew", password=ANOTHER, again=ANOTHER)
    assert "Märta may sign in as crew." in said(lead, answer)
    assert sign_in(browser(app), "märta", ANOTHER).status_code == 303


def test_a_lead_changes_role_password_and_access_of_others(app, conn):
    lead, bo = signed_in(app, "Ida"), signed_in(app, "Bo")
    number = the_account(conn, "Bo").id
    assert "Bo is lead now." in said(lead, change_people(lead, "role", number, role="lead"))
    assert bo.get("/people").status_code == 200
    assert "Bo is crew now." in said(lead, change_people(lead, "role", number, role="crew"))
    assert bo.get("/people").status_code == 403
    assert "One session was ended." in said(lead, change_people(lead, "sign_out", number))
    assert not is_in(bo)
    bo = signed_in(app, "Bo")
    assert "Bo has a new password." in said(
        lead, change_people(lead, "password", number, password=ANOTHER, again=ANOTHER)
    )
    assert not is_in(bo)
    bo = browser(app)
    sign_in(bo, "Bo", ANOTHER)
    assert "The account of Bo is closed" in said(lead, change_people(lead, "close", number))
    assert not is_in(bo)
    assert sign_in(bo, "Bo", ANOTHER).status_code == 401
    assert "open again" in said(lead, change_people(lead, "reopen", number))
    assert sign_in(bo, "Bo", ANOTHER).status_code == 303


@pytest.mark.parametrize(
    "do, data, sentence",
    [
        ("close", {}, "Ida is the last open lead"),
        ("role", {"role": "crew"}, "Ida is the last open lead"),
        ("password", {"password": ANOTHER, "again": ANOTHER}, "Your own password is changed under your account"),
        ("password", {"password": ANOTHER, "again": PASSWORD}, "The two passwords are not the same."),
        ("role", {"role": "owner"}, "'owner' is no role."),
        ("paint", {}, "The form has no such button."),
        ("close", {"account": "999"}, "There is no such account."),
        ("close", {"account": "1 OR 1=1"}, "There is no such account."),
        ("close", {"account": "9" * 400}, "There is no such account."),
        ("add", {"name": "IDA", "role": "crew", "password": ANOTHER, "again": ANOTHER}, "There is an account 'IDA'"),
        (
            "add",
            {"name": "Eve", "role": "crew", "password": "short", "again": "short"},
            "The password has 5 characters",
        ),
    ],
)
def test_a_refused_change_of_people_says_why_and_keeps_what_was_typed(app, conn, do, data, sentence):
    lead, before = signed_in(app, "Ida"), store.accounts(conn)
    answer = change_people(lead, do, **{"account": the_account(conn, "Ida").id, **data})
    assert answer.status_code == 422
    assert problem_of(answer).startswith(sentence)
    assert f'name="name" value="{data.get("name", "")}"' in answer.text
    assert "short" not in re.sub(r"<[^i][^>]*>", "", answer.text)
    assert store.accounts(conn) == before
    assert is_in(lead)


# --- guests


def test_a_lead_makes_lists_and_revokes_a_link(app, conn, clock):
    lead = signed_in(app, "Ida")
    page = said(lead, lead.post("/yards/north/guests", data={"do": "make", "boat": "03", "days": "30"}))
    assert "The link of boat 03 is in the list below." in page
    address = re.search(r'03 Pear: in force.*?href="(https://yard\.test:8317/guest/[^"]+)"', page, re.S).group(1)
    guest = browser(app)
    assert "03 Pear" in guest.get(address).text
    assert guest_boat(conn, address.rsplit("/", 1)[1], NOW + 30 * DAY - timedelta(seconds=1)) == ("north", "03")
    link = re.search(
        r'name="link" value="([^"]+)">\s*<button[^>]*>Take back<span class="unseen"> the link of 03', page
    ).group(1)
    page = said(lead, lead.post("/yards/north/guests", data={"do": "revoke", "link": link}))
    assert "The link was taken back" in page
    assert "03 Pear: taken back" in page
    assert guest.get(address).status_code == 404
    again = lead.post("/yards/north/guests", data={"do": "revoke", "link": link})
    assert problem_of(again).startswith("There is no such link in force.")


@pytest.mark.parametrize(
    "data, sentence",
    [
        ({"boat": "99", "days": "30"}, "Yard north has no boat '99'."),
        ({"boat": "", "days": "30"}, "Yard north has no boat ''."),
        ({"boat": "02", "days": "401"}, "A guest link lasts 1 to 400 days; 401 was asked."),
        ({"boat": "02", "days": "soon"}, "Days: found 'soon', expected a whole number."),
        ({"boat": "02", "days": "-1"}, "Days: found '-1'"),
    ],
)
def test_a_link_that_cannot_be_made_says_why(app, conn, data, sentence):
    before = store.guest_links(conn, "north")
    answer = signed_in(app, "Ida").post("/yards/north/guests", data={"do": "make", **data})
    assert answer.status_code == 422
    assert problem_of(answer).startswith(sentence)
    assert store.guest_links(conn, "north") == before


def test_forged_expired_and_revoked_links_show_one_and_the_same_page(app, conn, clock):
    link = make_guest_link(conn, "north", "02", by="Ida", now=NOW)
    revoked = make_guest_link(conn, "north", "02", by="Ida", now=NOW)
    store.revoke_guest_link(conn, "north", revoked.id, NOW)
    token = guest_token(conn, link)
    guest = browser(app)
    fine = guest.get(f"/guest/{token}")
    assert fine.status_code == 200
    assert "03" not in re.findall(r"\b0\d\b", fine.text)  # one boat, and no other
    forged = guest.get(f"/guest/{token[:-2]}xx")
    taken_back = guest.get(f"/guest/{guest_token(conn, revoked)}")
    clock.advance(90 * DAY)
    ended = guest.get(f"/guest/{token}")
    assert forged.status_code == taken_back.status_code == ended.status_code == 404
    assert forged.text == taken_back.text == ended.text
    assert "This link shows nothing" in forged.text


# --- who may ask for what

AWAY = "to sign in"
IN = "let in"
"""Whatever the page answers to somebody who may ask: done, sent on, not there, or not to be read as it was sent."""

RIGHTS = {
    # method and route: (address, nobody, guest, crew, lead); the guest has a link to boat 02 and nothing else
    "GET /": ("/", AWAY, AWAY, IN, IN),
    "GET /account": ("/account", AWAY, AWAY, 200, 200),
    "GET /app/{digest}/{name}": ("{app}app.css", 200, 200, 200, 200),
    "GET /guest/{token}": ("/guest/{token}", 404, 200, 200, 200),
    "GET /guest/{token}/report.html": ("/guest/{token}/report.html", 404, 200, 200, 200),
    "GET /guest/{token}/report.pdf": ("/guest/{token}/report.pdf", 404, IN, IN, IN),
    "GET /manifest.webmanifest": ("/manifest.webmanifest", 200, 200, 200, 200),
    "GET /openapi.json": ("/openapi.json", 200, 200, 200, 200),
    "GET /people": ("/people", AWAY, AWAY, 403, 200),
    "GET /photos/{id}": (f"/photos/{PHOTO}", AWAY, AWAY, 200, 200),
    "GET /photos/{id}/original": (f"/photos/{PHOTO}/original", AWAY, AWAY, 200, 200),
    "GET /sign-in": ("/sign-in", 200, 200, IN, IN),
    "GET /static/{digest}/{name}": ("{static}pages.css", 200, 200, 200, 200),
    "GET /sw.js": ("/sw.js", 200, 200, 200, 200),
    "GET /yards/{key}/": ("/yards/north/", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/act": ("/yards/north/act?boat=02", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/boat": ("/yards/north/boat?number=02", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/condition": ("/yards/north/condition?boat=02", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/correct": (f"/yards/north/correct?entry={LOOK}", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/guests": ("/yards/north/guests", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/inspect": ("/yards/north/inspect?boat=02", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/log": ("/yards/north/log", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/map": ("/yards/north/map", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/memo": ("/yards/north/memo?boat=02", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/pages/": ("/yards/north/pages/", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/pages/{name}": ("/yards/north/pages/cover-01.html", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/photo": (f"/yards/north/photo?boat=02&id={PHOTO}", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/photo/withdraw": (f"/yards/north/photo/withdraw?boat=02&id={PHOTO}", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/photograph": (f"/yards/north/photograph?boat=02&entry={LOOK}", AWAY, AWAY, 200, 200),
    "GET /yards/{key}/register": ("/yards/north/register", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/register/boat": ("/yards/north/register/boat?boat=02", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/register/cover": ("/yards/north/register/cover?boat=02", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/register/erase-owner": ("/yards/north/register/erase-owner?boat=02", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/season": ("/yards/north/season", AWAY, AWAY, 403, 200),
    "GET /yards/{key}/sheet": ("/yards/north/sheet", AWAY, AWAY, IN, IN),
    "GET /yards/{key}/walk": ("/yards/north/walk", AWAY, AWAY, 200, 200),
    "POST /account": ("/account", 401, 401, 422, 422),
    "POST /people": ("/people", 401, 401, 403, 422),
    "POST /sign-in": ("/sign-in", 422, 422, 422, 422),
    "POST /sign-out": ("/sign-out", 401, 401, AWAY, AWAY),
    "POST /yards/{key}/act": ("/yards/north/act?boat=02", 401, 401, IN, IN),
    "POST /yards/{key}/correct": ("/yards/north/correct", 401, 401, IN, IN),
    "POST /yards/{key}/guests": ("/yards/north/guests", 401, 401, 403, 422),
    "POST /yards/{key}/inspect": ("/yards/north/inspect?boat=02", 401, 401, IN, IN),
    "POST /yards/{key}/photo/withdraw": ("/yards/north/photo/withdraw", 401, 401, IN, IN),
    "POST /yards/{key}/photograph": ("/yards/north/photograph", 401, 401, IN, IN),
    "POST /yards/{key}/register": ("/yards/north/register", 401, 401, 403, IN),
    "POST /yards/{key}/register/boat": ("/yards/north/register/boat", 401, 401, 403, IN),
    "POST /yards/{key}/register/cover": ("/yards/north/register/cover", 401, 401, 403, IN),
    "POST /yards/{key}/register/erase-owner": ("/yards/north/register/erase-owner", 401, 401, 403, IN),
    "POST /yards/{key}/walk": ("/yards/north/walk", 401, 401, 403, IN),
    # a program is told in JSON; a method that an address of /api does not know is 405 to those who may ask at all
    "GET /api/me": ("/api/me", 401, 401, 200, 200),
    "POST /api/inspections": ("/api/inspections", 401, 401, IN, IN),
    "POST /api/actions": ("/api/actions", 401, 401, IN, IN),
    "PUT /api/photos/{id}": ("/api/photos/x", 401, 401, IN, IN),
    "DELETE /api/me": ("/api/me", 401, 401, 405, 405),
    "DELETE /api/inspections": ("/api/inspections", 401, 401, 405, 405),
    "DELETE /api/actions": ("/api/actions", 401, 401, 405, 405),
    "DELETE /api/photos/{id}": ("/api/photos/x", 401, 401, 405, 405),
    "DELETE /api/{rest:path}": ("/api/nothing", 401, 401, 404, 404),
}


@pytest.fixture(scope="module")
def matrix(filled, tmp_path_factory):
    """An app of its own for the table, a visitor of each kind, and the guest's token."""
    path = Path(shutil.copy(filled, tmp_path_factory.mktemp("matrix")))
    shutil.copytree(photo_folder(filled), photo_folder(path))
    app = app_of(path, Clock(NOW))
    with closing(connect(path)) as conn:
        (link,) = store.guest_links(conn, "north")
        token = guest_token(conn, link)
    guest = browser(app)
    assert guest.get(f"/guest/{token}").status_code == 200
    visitors = {"nobody": browser(app), "guest": guest, "crew": signed_in(app, "Bo"), "lead": signed_in(app, "Ida")}
    return app, visitors, token


def lines_of(app):
    """Each method and route of the app; a method of /api that no line of the table names stands under DELETE."""
    for route in app.routes:
        for method in route.methods - {"HEAD"}:
            known = not route.path.startswith("/api/") or f"{method} {route.path}" in RIGHTS
            yield f"{method if known else 'DELETE'} {route.path}"


def test_every_route_has_its_line(matrix):
    assert set(lines_of(matrix[0])) == set(RIGHTS)


@pytest.mark.parametrize("line", RIGHTS)
def test_a_page_is_for_those_whom_the_table_names(matrix, line):
    app, visitors, token = matrix
    address, *expected = RIGHTS[line]
    places = {"app": app_static(), "static": app.state.web.pages.static}
    for (who, visitor), wanted in zip(visitors.items(), expected, strict=True):
        here = address.format(token="forged" if who == "nobody" else token, **places)
        answer = visitor.request(line.split(" ")[0], here)
        away = answer.status_code == 303 and answer.headers["Location"].startswith("/sign-in")
        found = AWAY if away else answer.status_code
        if wanted == IN:
            assert found not in (AWAY, 401, 403), who
            assert answer.status_code < 500, who
        else:
            assert found == wanted, who
        if found == 401 and "/api/" in line:
            assert list(answer.json()) == ["problem"]
        if line == "POST /sign-out" and who in ("crew", "lead"):
            assert sign_in(visitor, {"crew": "Bo", "lead": "Ida"}[who]).status_code == 303


def test_without_accounts_every_page_is_for_reading_alone(filled, tmp_path):
    path = Path(shutil.copy(filled, tmp_path))
    with closing(connect(path)) as conn:
        for table in ("sessions", "accounts"):
            conn.execute(f"DELETE FROM {table}")
    clock = Clock(NOW)
    pages = Pages(path, WithoutLibrary(), lambda key: [], clock)
    app = make_app(WebApp(path, pages, ["127.0.0.1", "localhost"], clock, "1.2.3", CHEAP))
    visitor = browser(app, "http://127.0.0.1:8317", HERE)
    for line in RIGHTS:
        method, address = line.split(" ")[0], RIGHTS[line][0]
        if method != "GET":
            answer = visitor.request(method, address)
            assert answer.status_code == 403, line
            assert "stormwalk account add NAME --role lead" in html.unescape(answer.text)
    for address in (
        "/account",
        "/people",
        "/yards/north/guests",
        "/yards/north/register",
        "/yards/north/inspect?boat=02",
    ):
        answer = visitor.get(address)
        assert answer.status_code == 403, address
        assert "stormwalk account add NAME --role lead" in html.unescape(answer.text)
    for address in ("/yards/north/", "/yards/north/map", "/yards/north/log", "/yards/north/boat?number=02"):
        assert visitor.get(address).status_code == 200, address
