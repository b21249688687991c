"""Documents in the app: the files of the command line, for those who may, one at a time, and one boat's for a guest."""

import asyncio
import html
import re
import threading
from contextlib import closing
from datetime import timedelta
from urllib.parse import quote

import pytest
from conftest import skip_or_fail
from invented_app import HASHER, NOW, OWNER, PASSWORD, app_of, fields_of, picture, visitor_of
from invented_yard import HOUR, YARD
from starlette.testclient import TestClient
from walking_through import Page

from monitor.changes import Change
from monitor.cli.report_memo import command as report_memo
from monitor.cli.serve import DashboardPages
from monitor.documents import pdf
from monitor.documents.page import file_stem, with_ways
from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations.accounts import guest_token, make_guest_link
from monitor.operations.condition import condition_report
from monitor.operations.log import record_inspection
from monitor.operations.memo import memo_of_boat
from monitor.operations.photos import photo_folder, record_photo, withdraw_photo
from monitor.operations.season_review import season_document
from monitor.operations.walks import plan_walk
from monitor.presentation.proposal import Proposal
from monitor.store import accounts as account_store
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest
from monitor.web import document_pages
from monitor.web.app import WebApp, make_app
from monitor.web.live import LONGEST_KEPT, Pages
from monitor.web.making import MOST_KEPT, MOST_WAITING, Maker, TooManyWaitingError
from monitor.web.security import HEADERS
from monitor.web.site import disposition

VISIT = "11111111-1111-4111-8111-111111111111"
PHOTO = "33333333-3333-4333-8333-333333333333"
DAY = "2023-10-22"
CONDITION = "/yards/north/condition?boat=01"


@pytest.fixture(scope="module")
def database(database):
    """The module's database, with a look, a photo and a walk."""
    with closing(connect(database)) as conn:
        look(conn, VISIT, NewFinding("loose_band", "port", 2, "flaps"))
        kept = {"photo_id": PHOTO, "data": picture(), "inspection_id": VISIT, "recorded_at": NOW, "taken_by": "Per"}
        record_photo(conn, photo_folder(database), YARD, **kept)
        asked = WalkRequest(("Ida", "Per"), NOW, ignore_daylight=True, calls=tuple(MINUTES))
        plan_walk(conn, YARD, asked, by="Ida", now=NOW)
    return database


def look(conn, inspection_id, *findings, boat="01"):
    seen = {"inspector": "Per", "inspected_at": NOW - 3 * HOUR, "recorded_at": NOW}
    record_inspection(conn, YARD, boat, **seen, findings=findings, inspection_id=inspection_id)


@pytest.fixture
def guest(app, conn):
    """A browser with nobody signed in, and the address of a link to boat 01."""
    link = make_guest_link(conn, "north", "01", by="Ida", now=NOW)
    return visitor_of(app), f"/guest/{guest_token(conn, link)}", link


@pytest.fixture
def fresh(database, clock):
    """An app that has made nothing yet."""
    return app_of(database, clock)


def signed_in(app, name):
    visitor = visitor_of(app)
    assert visitor.post("/sign-in", data={"name": name, "password": PASSWORD, "next": "/account"}).status_code == 200
    return visitor


def the_file(shown):
    """A shown document without the links above it, which are the first navigation."""
    return re.sub(r'<nav class="ways".*?</nav>\n?', "", shown, count=1, flags=re.S)


def needs_pdf():
    try:
        pdf.to_pdf("<title>t</title>")
    except StormwalkError as error:
        skip_or_fail(f"no PDF can be made: {error}")


# --- a guest's


def test_a_guest_reads_the_report_of_the_command_line_and_saves_the_same(guest, conn, database):
    visitor, address, _ = guest
    written = condition_report(conn, photo_folder(database), YARD, "01", as_of=NOW, known_at=NOW)
    shown, saved = visitor.get(address), visitor.get(f"{address}/report.html")
    assert (shown.status_code, saved.status_code) == (200, 200)
    assert the_file(shown.text) == saved.text == written
    assert shown.headers["Content-Disposition"] == f'inline; filename="condition-north-01-{DAY}.html"'
    assert saved.headers["Content-Disposition"] == f'attachment; filename="condition-north-01-{DAY}.html"'
    for answer in (shown, saved):
        assert answer.headers["Cache-Control"] == "private, no-store"
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS


def test_a_guests_report_has_its_photos_inside_and_nothing_of_owner_yard_or_script(guest):
    visitor, address, _ = guest
    shown = visitor.get(address).text
    page = Page(shown)
    assert any(source.startswith("data:image/jpeg;base64,") for source in page.pictures)
    assert all(source.startswith("data:image/") for source in page.pictures)
    assert not any(
        tag == "script" or name.startswith("on") for (tag, names), _ in page.elements.items() for name in names
    )
    for hidden in (OWNER, "olga@", "Fig", "Pear", "/yards/"):
        assert hidden not in shown
    pdf_link = [f"{address}/report.pdf"] if pdf.is_installed() else []
    assert [link for link in page.links if link.startswith("/")] == [f"{address}/report.html", *pdf_link]


def test_a_guest_saves_the_report_as_pdf_under_its_name(guest, monkeypatch):
    visitor, address, _ = guest
    seen = []
    monkeypatch.setattr(pdf, "to_pdf", lambda page: seen.append(page) or b"%PDF-1.7 invented")
    check_pdf(visitor.get(f"{address}/report.pdf"))
    assert seen == [visitor.get(f"{address}/report.html").text]


@pytest.mark.thorough
def test_every_document_is_made_a_pdf(lead):
    needs_pdf()
    for asked in (CONDITION, "/yards/north/memo?boat=01&vents=8", "/yards/north/season?", "/yards/north/sheet?"):
        answer = lead.get(f"{asked}&as=pdf")
        assert answer.content.startswith(b"%PDF-"), asked
        assert answer.headers["Content-Type"] == "application/pdf", asked


def check_pdf(answer):
    assert answer.status_code == 200
    assert answer.content.startswith(b"%PDF-")
    assert answer.headers["Content-Type"] == "application/pdf"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="condition-north-01-{DAY}.pdf"'
    assert answer.headers["Cache-Control"] == "private, no-store"


def test_a_link_that_was_taken_back_shows_nothing_though_its_report_is_made(guest, conn):
    visitor, address, link = guest
    assert visitor.get(address).status_code == 200
    account_store.revoke_guest_link(conn, "north", link.id, NOW)
    for name in ("", "/report.html", "/report.pdf"):
        answer = visitor.get(address + name)
        assert answer.status_code == 404
        assert "This link shows nothing" in answer.text
        assert "To the list" not in answer.text


def test_where_no_pdf_can_be_made_a_page_says_so_and_none_is_offered(guest, fresh, made, monkeypatch):
    def absent(page):
        raise StormwalkError("A PDF needs WeasyPrint, which is not installed. No PDF was made.")

    visitor, lead, address = visitor_of(fresh), signed_in(fresh, "Ida"), guest[1]
    monkeypatch.setattr(pdf, "to_pdf", absent)
    monkeypatch.setattr(pdf, "find_spec", lambda name: None)
    assert "report.pdf" not in visitor.get(address).text
    assert "as=pdf" not in lead.get("/yards/north/boat?number=01").text + lead.get("/yards/north/walk").text
    for browser, asked in ((visitor, f"{address}/report.pdf"), (lead, f"{CONDITION}&as=pdf")):
        answer = browser.get(asked)
        assert answer.status_code == 404
        assert "A PDF needs WeasyPrint, which is not installed." in answer.text


# --- condition, memo, season, sheet


def test_the_boats_page_leads_to_its_report_and_a_lead_to_memo_and_link(lead, crew):
    page = Page(lead.get("/yards/north/boat?number=01").text)
    assert {CONDITION, "/yards/north/memo?boat=01", "/yards/north/guests?boat=01"} <= set(page.links)
    page = Page(crew.get("/yards/north/boat?number=01").text)
    assert CONDITION in page.links
    assert not any("memo" in link or "guests" in link for link in page.links)


def test_the_owners_name_is_on_a_report_for_a_lead_who_asks_for_it(fresh, monkeypatch):
    def report(*_, with_owner, **__):
        return f"<header>{OWNER if with_owner else 'of nobody'}"

    monkeypatch.setattr(document_pages, "condition_report", report)
    lead, crew = signed_in(fresh, "Ida"), signed_in(fresh, "Per")
    assert OWNER in lead.get(f"{CONDITION}&owner=1").text
    assert OWNER not in lead.get(CONDITION).text  # what was kept for the one is not shown to the other
    assert f"{CONDITION}&owner=1" in Page(lead.get(CONDITION).text).links
    assert "owner=1" not in crew.get(CONDITION).text
    assert crew.get(f"{CONDITION}&owner=1").status_code == 403


def test_the_memos_form_has_what_the_command_takes(lead):
    # The moment of a memo and its files are the command line's alone; which yard is in the address.
    of_command = {option.name for option in report_memo.params} - {"yard_key", "as_of", "hindsight", "out", "pdf"}
    form = lead.get("/yards/north/memo?boat=01").text
    names = set(re.findall(r'<(?:input|select|textarea)[^>]* name="([^"]+)"', form))
    assert names == of_command
    for option in report_memo.params:
        if option.help and option.name in ("vents", "vent_area", "ground", "rewrap"):
            assert option.help in html.unescape(form)
    for choice in ("damp", "standing water", "clear"):
        assert f">{choice}</option>" in form


def test_a_memo_is_the_one_of_the_command_line_and_leads_back_to_its_form(lead, conn, database, monkeypatch):
    query = {"boat": "01", "vents": "8", "retension": "1", "price": "USD 120 & <tax>", "with_owner": "1", "as": "page"}
    shown = lead.get("/yards/north/memo", params=query)
    written = memo_of_boat(
        conn,
        YARD,
        "01",
        Proposal(Change(vents=8), retension=True),
        as_of=NOW,
        known_at=NOW,
        photos=photo_folder(database),
        price="USD 120 & <tax>",
        with_owner=True,
    )
    assert the_file(shown.text) == written
    assert OWNER in written
    back = next(link for link in Page(shown.text).links if link.startswith("/yards/north/memo?") and "as=" not in link)
    fields = fields_of(lead.get(back).text.replace('method="get"', 'method="post"'))
    assert (fields["vents"], fields["price"], fields["retension"]) == ("8", "USD 120 & <tax>", "1")
    assert shown.headers["Content-Disposition"] == f'inline; filename="memo-north-01-{DAY}.html"'
    asked = []
    monkeypatch.setattr(document_pages, "memo_of_boat", lambda *_, **options: asked.append(options) or "")
    lead.get("/yards/north/memo", params={**query, "with_owner": ""})
    assert [options["with_owner"] for options in asked] == [False]


@pytest.mark.parametrize(
    "query, sentence",
    [
        ({}, "Nothing is proposed. No memo was written."),
        ({"price": "USD 5"}, "Nothing is proposed. No memo was written."),
        ({"vents": "201"}, "Vents: found '201', expected a whole number from 0 to 200."),
        ({"vents": "-1"}, "Vents: found '-1', expected a whole number from 0 to 200."),
        ({"vents": "²"}, "Vents: found '²', expected a whole number from 0 to 200."),
        ({"vents": "0", "vent_area": "18in2"}, "Vents 0 leaves no vent that Vent area could be of."),
        ({"vent_area": "18"}, "Vent area: "),
        ({"ridge_raise": "9 m"}, "Ridge raise: 9 m is not above 0 and at most 5 m."),
        ({"ground": "lava"}, "Ground: found 'lava', expected one of"),
        ({"retensioned_at": "2023-10-21T12:00", "vents": "8"}, "Re-tensioned at: goes with re-tensioning."),
        ({"retensioned_at": "yesterday", "retension": "1"}, "Re-tensioned at: found 'yesterday', expected a date and"),
        ({"retensioned_at": "2023-10-23T12:00", "retension": "1"}, "has not come yet"),
        ({"retensioned_at": "2023-10-01T12:00", "retension": "1"}, "it cannot have been re-tensioned on"),
        ({"retensioned_at": "2023-10-21T12:00\n" * 21, "retension": "1"}, "21 moments, expected at most 20."),
        ({"price": "x" * 201, "rewrap": "1"}, "Price: 201 characters, expected at most 200."),
    ],
)
def test_a_proposal_that_cannot_be_weighed_comes_back_with_what_was_typed(lead, query, sentence):
    answer = lead.get("/yards/north/memo", params={"boat": "01", "as": "page", **query})
    assert answer.status_code == 422
    assert sentence in html.unescape(answer.text)
    typed = fields_of(answer.text.replace('method="get"', 'method="post"'))
    for name, value in query.items():
        if name != "ground":
            assert typed[name].strip() == value.strip()


def test_the_season_is_reviewed_as_the_command_line_does(lead, conn, monkeypatch):
    shown = lead.get("/yards/north/season")
    assert shown.status_code == 200
    assert the_file(shown.text) == season_document(conn, YARD, until=NOW, known_at=NOW)
    assert shown.headers["Content-Disposition"] == f'inline; filename="season-north-{DAY}.html"'
    monkeypatch.setattr(document_pages, "season_document", lambda *_, hindsight, **__: f"hindsight {hindsight}")
    assert lead.get("/yards/north/season?hindsight=1&as=file").text == "hindsight True"
    assert "/yards/north/season" in lead.get("/yards/north/register").text


def test_a_sheet_has_codes_of_the_address_it_was_asked_under_and_none_that_leads_nowhere(crew, database, clock):
    here = crew.get("/yards/north/sheet")
    assert "No QR codes: this sheet was printed from an address that only the yard's own computer reaches." in (
        html.unescape(here.text)
    )
    assert 'class="qr"' not in here.text
    assert here.headers["Content-Disposition"] == f'inline; filename="walk-north-{DAY}.html"'
    pages = Pages(database, DashboardPages(), lambda key: [], clock)
    app = make_app(WebApp(database, pages, ["yard.example", "127.0.0.2", "[::1]", "localhost"], clock, "1", HASHER))
    for site, coded in (
        ("https://yard.example:8443", True),
        ("http://127.0.0.2:8317", False),
        ("http://localhost:8317", False),
        ("http://[::1]:8317", False),
    ):
        visitor = TestClient(app, base_url=site, headers={"Sec-Fetch-Site": "same-origin"})
        visitor.post("/sign-in", data={"name": "Per", "password": PASSWORD, "next": "/account"})
        sheet = visitor.get("/yards/north/sheet").text
        assert ('class="qr"' in sheet) is coded, site
        assert (f'href="{site}/yards/north/inspect?boat=01"' in sheet) is coded, site


@pytest.mark.parametrize(
    "address", ["condition?boat=99", "condition", "memo?boat=99", "memo", "sheet?id=none", "sheet?party=Nobody"]
)
def test_a_document_of_nothing_is_a_page_with_a_sentence(lead, address):
    answer = lead.get(f"/yards/north/{address}")
    assert answer.status_code == 404
    assert '<p class="problem" role="alert">' in answer.text


# --- made once, one at a time, kept until something changed


@pytest.fixture
def made(monkeypatch):
    """The moments of the condition reports that were made; a short text stands for each."""
    moments = []

    def counted(*_, as_of, **__):
        moments.append(as_of)
        return f"<title>report {len(moments)}</title><header>"

    monkeypatch.setattr(document_pages, "condition_report", counted)
    return moments


def test_a_report_is_kept_until_something_is_logged_or_ten_minutes_are_over(fresh, made, conn, clock):
    visitor = signed_in(fresh, "Per")
    first = visitor.get(CONDITION).text
    clock.now = NOW + LONGEST_KEPT - timedelta(seconds=1)
    assert visitor.get(CONDITION).text == first
    assert visitor.get(f"{CONDITION}&as=file").text == the_file(first)
    assert made == [NOW]
    look(conn, "44444444-4444-4444-8444-444444444444", NewFinding("tear", "bow", 1))
    assert "report 2" in visitor.get(CONDITION).text
    clock.now += LONGEST_KEPT
    assert "report 3" in visitor.get(CONDITION).text
    clock.now = NOW


def test_a_withdrawn_photo_is_gone_at_once_though_the_report_was_kept(fresh, made, conn, guest, database):
    visitor, address = visitor_of(fresh), guest[1]
    photo = "55555555-5555-4555-8555-555555555555"
    kept = {"data": picture("blue"), "inspection_id": VISIT, "recorded_at": NOW, "taken_by": "Per"}
    for change in (
        lambda: record_photo(conn, photo_folder(database), YARD, photo_id=photo, **kept),
        lambda: withdraw_photo(conn, YARD, photo, by="Ida", at=NOW, note="a face"),
    ):
        before = visitor.get(address).text
        assert visitor.get(address).text == before
        change()
        assert visitor.get(address).text != before
    assert len(made) == 3


def test_a_yards_documents_are_made_one_at_a_time_and_another_yards_beside_them():
    busy, most, together = 0, 0, threading.Barrier(2, timeout=10)
    lock = threading.Lock()

    def slow():
        nonlocal busy, most
        with lock:
            busy += 1
            most = max(most, busy)
        threading.Event().wait(0.02)
        with lock:
            busy -= 1
        return "made"

    async def all_at_once():
        maker = Maker()
        one_yard = [maker.made("north", name, 1, NOW, slow) for name in range(MOST_WAITING)]
        assert await asyncio.gather(*one_yard) == ["made"] * MOST_WAITING
        assert most == 1
        await asyncio.gather(*(maker.made(yard, "x", 1, NOW, together.wait) for yard in ("north", "south")))

    asyncio.run(all_at_once())


def test_who_waits_for_the_same_document_gets_the_one_that_was_made():
    made = []

    async def all_at_once():
        maker = Maker()
        asked = [maker.made("north", "x", 1, NOW, lambda: made.append(1) or "made") for _ in range(MOST_WAITING)]
        assert await asyncio.gather(*asked) == ["made"] * MOST_WAITING

    asyncio.run(all_at_once())
    assert made == [1]


def test_more_than_can_be_made_soon_are_turned_away_and_told_when_to_come_again(fresh, monkeypatch):
    async def begun_and_refused():
        maker, hold = Maker(), threading.Event()
        waiting = [asyncio.ensure_future(maker.made("north", n, 1, NOW, hold.wait)) for n in range(MOST_WAITING)]
        await asyncio.sleep(0)
        with pytest.raises(TooManyWaitingError, match="Many documents of this yard are being made"):
            await maker.made("north", "one more", 1, NOW, str)
        hold.set()
        await asyncio.gather(*waiting)
        assert await maker.made("north", "one more", 1, NOW, str) == ""

    asyncio.run(begun_and_refused())
    monkeypatch.setattr("monitor.web.making.MOST_WAITING", 0)
    answer = signed_in(fresh, "Per").get(CONDITION)
    assert answer.status_code == 503
    assert answer.headers["Retry-After"] == "60"


def test_only_so_many_documents_are_kept_the_newest_used_ones():
    calls = []

    async def ask(maker, what):
        await maker.made("north", what, 1, NOW, lambda: calls.append(what))

    async def one_after_the_other():
        maker = Maker()
        for what in [*range(MOST_KEPT), 0, MOST_KEPT, 0, 1]:  # 1 was used longest ago when one too many came
            await ask(maker, what)

    asyncio.run(one_after_the_other())
    assert calls == [*range(MOST_KEPT), MOST_KEPT, 1]


# --- names of files


@pytest.mark.parametrize(
    "name, value",
    [
        ("memo-north-07.pdf", 'attachment; filename="memo-north-07.pdf"'),
        # RFC 8187, 3.2.3: the value of this text is UTF-8''%c2%a3%20and%20%e2%82%ac%20rates; case of digits is free
        ("£ and € rates", "attachment; filename=\"-and--rates\"; filename*=UTF-8''%C2%A3%20and%20%E2%82%AC%20rates"),
        ("Åse.pdf", "attachment; filename=\"Ase.pdf\"; filename*=UTF-8''%C3%85se.pdf"),
        ('a"b\\c\r\nd', "attachment; filename=\"a-b-c--d\"; filename*=UTF-8''a%22b%5Cc%0D%0Ad"),
    ],
)
def test_a_files_name_is_told_in_ascii_and_whole(name, value):
    assert disposition("attachment", name) == value


def test_a_files_stem_has_nothing_that_a_folder_would_read():
    assert file_stem("memo", YARD, NOW, "../Ø 7") == f"memo-north----Ø-7-{DAY}"
    assert quote(file_stem("season", YARD, NOW)) == f"season-north-{DAY}"


def test_links_above_a_document_are_escaped_and_the_rest_is_as_it_was():
    page = "<title>a</title>\n<header>\n<h1>a</h1></header><header>"
    shown = with_ways(page, [("To <b>", '/x?a=1&b="')])
    assert the_file(shown) == page
    assert '<a href="/x?a=1&amp;b=&#34;">To &lt;b&gt;</a>' in shown


# --- charts lead back


def test_a_page_of_charts_leads_back_to_the_list_and_to_the_boat(crew):
    links = Page(crew.get("/yards/north/pages/cover-01.html").text).links
    assert {"/yards/north/", "/yards/north/boat?number=01"} <= set(links)
    assert "/yards/north/" in Page(crew.get("/yards/north/pages/").text).links


# --- what the libraries below answer with a bare word


def test_wrong_hosts_methods_files_and_sizes_are_told_in_sentences_with_every_header(app, crew):
    large = b"x" * (16 * 1024 * 1024 + 1)
    told = {
        "name": (crew.get("/sign-in", headers={"Host": "evil.test"}), 400, "The app is not reached under the name"),
        "size": (crew.post("/yards/north/inspect?boat=01", content=large), 413, "is larger than 16 MB."),
        "method": (crew.request("DELETE", "/account"), 405, "cannot be asked in this way"),
        "file": (crew.get("/app/000000000000/app.css"), 404, "There is no such page."),
        "charts' file": (crew.get("/static/000000000000/pages.css"), 404, "There is no such page."),
        "form": (crew.post("/yards/north/inspect?boat=01", headers=NO_FORM), 400, "cannot be read"),
    }
    for name, (answer, status, sentence) in told.items():
        assert answer.status_code == status, name
        assert '<p class="problem" role="alert">' in answer.text, name
        assert sentence in answer.text, name
        assert {one: answer.headers[one] for one in HEADERS} == HEADERS, name
        assert answer.headers["Content-Type"] == "text/html; charset=utf-8", name
    assert told["method"][0].headers["Allow"]
    for answer, status in (
        (crew.get("/api/me", headers={"Host": "evil.test"}), 400),
        (crew.post("/api/inspections", content=large), 413),
    ):
        assert answer.status_code == status
        assert list(answer.json()) == ["problem"]
        assert {one: answer.headers[one] for one in HEADERS} == HEADERS


NO_FORM = {"Content-Type": "multipart/form-data"}
"""Without the boundary of its parts."""


def test_a_page_under_a_strange_name_tells_nothing_of_the_yard(lead):
    answer = lead.get("/yards/north/", headers={"Host": "<b>evil.test"})
    assert answer.status_code == 400
    for hidden in ("evil", "North", "Ida", "Plum"):
        assert hidden not in answer.text
