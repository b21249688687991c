"""The crew's pages: what they show to whom, and that every link and form of every page leads somewhere."""

import re
import shutil
from contextlib import closing
from dataclasses import replace
from html import unescape

import pytest
from invented_app import HASHER, NOW, OWNER, PASSWORD, Clock, app_of, picture, signed_in, visitor_of
from invented_yard import HOUR, YARD, record_yard
from starlette.testclient import TestClient
from walking_through import Page, crawl, form_leads_somewhere

from monitor.cli.serve import DashboardPages
from monitor.documents import pdf
from monitor.exchange.entry_values import NewFinding
from monitor.operations.accounts import guest_token, make_guest_link
from monitor.operations.log import record_action, record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.operations.walks import plan_walk
from monitor.store import register
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages
from monitor.wording import CAUTIONS

DOCUMENTS = ("/sheet", "/condition", "/season", "/guest/")
"""Whole by themselves, with their style inside."""

INSPECTION = "11111111-1111-4111-8111-111111111111"
ACTION = "22222222-2222-4222-8222-222222222222"
PHOTO = "33333333-3333-4333-8333-333333333333"


@pytest.fixture(scope="module")
def busy(filled_database, tmp_path_factory):
    """A yard in which everything has happened once: its database, its app and a guest's address."""
    path = shutil.copy(filled_database, tmp_path_factory.mktemp("busy") / "yard.db")
    with closing(connect(path)) as conn:
        record_inspection(
            conn,
            YARD,
            "01",
            inspector="Per",
            inspected_at=NOW - 3 * HOUR,
            recorded_at=NOW,
            inside=True,
            findings=[NewFinding("stand_shifted", "stands", 3), NewFinding("loose_band", "port", 2, "flaps")],
            snow_depth_m=0.15,
            gust_seen_ms=14.0,
            inspection_id=INSPECTION,
        )
        record_action(
            conn,
            YARD,
            "01",
            action="vents_added",
            actor="Ida",
            acted_at=None,
            recorded_at=NOW,
            quantity=2,
            action_id=ACTION,
        )
        record_photo(
            conn,
            photo_folder(path),
            YARD,
            photo_id=PHOTO,
            data=picture(),
            inspection_id=INSPECTION,
            recorded_at=NOW,
            taken_by="Per",
            note="the band",
        )
        asked = WalkRequest(("Ida", "Per"), NOW, ignore_daylight=True, calls=("this week",))
        plan_walk(conn, YARD, asked, by="Ida", now=NOW)
        token = guest_token(conn, make_guest_link(conn, "north", "01", by="Ida", now=NOW))
    return path, app_of(path, Clock(NOW)), f"/guest/{token}"


@pytest.fixture(scope="module")
def pages_of(busy):
    """Every page that somebody reaches by links from the start, for each role."""
    _, app, _ = busy
    leave_out = ("/pages/", "/condition", "/season", "as=pdf", "report.pdf")
    return {name: crawl(signed_in(app, name), leave_out=leave_out) for name in ("Ida", "Per")}


@pytest.mark.parametrize("name", ["Ida", "Per"])
def test_every_link_and_picture_of_every_page_leads_somewhere(pages_of, name):
    addresses = set(pages_of[name])
    assert {"/yards/north/", "/yards/north/walk", "/yards/north/map", "/yards/north/log"} <= addresses
    assert "/yards/north/inspect?boat=01" in addresses
    assert f"/yards/north/correct?entry={INSPECTION}" in addresses
    assert f"/photos/{PHOTO}/original" in addresses
    assert ("/yards/north/register" in addresses) is (name == "Ida")


@pytest.mark.parametrize("name", ["Ida", "Per"])
def test_every_form_of_every_page_is_taken_somewhere(busy, pages_of, name):
    forms = [
        (address, method, action)
        for address, page in pages_of[name].items()
        if page is not None and address.startswith(("/yards", "/account", "/people", "/sign"))
        for method, action in page.forms
    ]
    assert len(forms) > 10
    for address, method, action in forms:
        assert form_leads_somewhere(busy[1], address, method, action), (address, method, action)


def test_no_page_has_script_in_it_or_an_event_handler(pages_of):
    for address, page in pages_of["Ida"].items():
        if page is None or any(document in address for document in DOCUMENTS):
            continue
        for (tag, names), _ in page.elements.items():
            assert tag != "script" or "src" in names, address
            assert not any(name.startswith("on") for name in names), address
            assert "style" not in (tag, *names), address


def test_an_owner_is_shown_to_a_lead_alone(busy, pages_of):
    shown = {name: [a for a, page in pages.items() if page and OWNER in page.text] for name, pages in pages_of.items()}
    assert shown["Per"] == []
    assert any(address.startswith("/yards/north/boat?number=01") for address in shown["Ida"])


def test_a_guest_sees_one_boat_without_its_owner_or_any_other_boat(busy):
    _, app, address = busy
    answer = visitor_of(app).get(address)
    assert answer.status_code == 200
    assert "Condition report: 01 Plum</h1>" in answer.text
    assert "Loose band" in answer.text
    for hidden in (OWNER, "olga@", "Fig", "Pear", "/yards/"):
        assert hidden not in answer.text
    ours = [link for link in Page(answer.text).links if not link.startswith(("#", "data:,", "https://"))]
    assert ours == [f"{address}/report.html", *([f"{address}/report.pdf"] if pdf.is_installed() else [])]


def test_a_guest_whose_link_is_not_known_reads_a_sentence(busy):
    answer = visitor_of(busy[1]).get("/guest/none")
    assert answer.status_code == 404
    assert "This link shows nothing" in answer.text


def test_the_list_says_call_score_reason_berth_inspection_and_findings_in_words(busy):
    page = Page(signed_in(busy[1], "Per").get("/yards/north/").text).text
    first = page[page.index("01 Plum") - 80 : page.index("02 Fig") - 40]
    # worst open finding 3: p = 0.95 (design, default of the ranking), so the score is at least that: walk first
    assert "walk first" in first
    assert "score 0.9" in first
    assert "row A, place 1" in first
    assert "Keep clear: stand shifted. For the yard's stand crew alone." in first
    assert "last inspected Sun 22 Oct 07:30 EDT" in first
    assert "2 open findings" in first
    assert "The newest weather hour is 2 h old." in page
    assert "gale without snow" in page


def test_the_counts_lead_to_the_first_cover_of_their_call_and_nobody_is_sent_to_look_at_a_stand(busy):
    page = signed_in(busy[1], "Per").get("/yards/north/").text
    leads_to = re.findall(r'<a href="#([a-z-]+)">(\d+) ', page)
    cards = re.findall(r'class="cover call-([a-z-]+)" data-boat="(\d+)"( id="[a-z-]+")?>(.*?)</li>', page, re.S)
    first = {call for call, _, anchor, _ in cards if anchor == f' id="{call}"'}
    assert first == {call for call, _ in leads_to} == {call for call, *_ in cards}
    assert sum(bool(anchor) for _, _, anchor, _ in cards) == len(first)
    assert [int(count) for _, count in leads_to] == [sum(c == call for c, *_ in cards) for call, _ in leads_to]
    for _, boat, _, words in cards:  # boat 01 has the shifted stand
        assert ("Look at:" in words) == (boat != "01")


def test_a_stand_is_never_put_right_by_the_crew_it_is_told_of(busy):
    page = signed_in(busy[1], "Per").get("/yards/north/boat?number=01").text
    stand = page[page.index("<strong>stand shifted") : page.index("<strong>loose band at port")]
    assert "Put right" not in stand
    assert "action=stands_reported" in stand
    assert "for the yard&#39;s stand crew alone" in stand or "for the yard's stand crew alone" in stand


def test_two_taps_lead_from_the_list_to_a_logged_look(crew, conn):
    listed = crew.get("/yards/north/").text
    form = re.search(r'href="([^"]*/inspect\?boat=03[^"]*)"', listed).group(1)
    opened = crew.get(form).text  # tap 1
    button = opened.index('name="sound" value="1"')
    assert opened.index("<form") < button < opened.index("<fieldset")
    assert opened[:button].count("<button") == 1  # nothing to tap stands before it in the form


def test_cautions_stand_on_every_page_of_the_crew(pages_of):
    for address, page in pages_of["Per"].items():
        if page is not None and address.startswith("/yards") and "/sheet" not in address:
            for caution in CAUTIONS:
                assert caution in page.text, address


def test_plain_http_says_that_nothing_is_kept_for_later_and_why(busy, tmp_path):
    pages = Pages(busy[0], DashboardPages(), lambda key: [], Clock(NOW))
    app = make_app(WebApp(busy[0], pages, ["yard.example"], Clock(NOW), "1", HASHER))
    for scheme, told in (("http", True), ("https", False)):
        visitor = TestClient(app, base_url=f"{scheme}://yard.example", headers={"Sec-Fetch-Site": "same-origin"})
        visitor.post("/sign-in", data={"name": "Per", "password": PASSWORD, "next": "/"})
        page = visitor.get("/yards/north/").text
        assert ("This page came over plain http" in page) is told


@pytest.mark.parametrize(
    "address",
    [
        "/yards/nowhere/",
        "/yards/north/boat?number=99",
        "/yards/north/boat",
        "/yards/north/inspect?boat=99",
        "/yards/north/act",
        "/yards/north/correct?entry=none",
        "/yards/north/photo?boat=01&id=none",
        "/yards/north/photograph?entry=none",
        "/yards/north/walk?id=none",
        "/yards/north/sheet?id=none",
        "/yards/north/log?boat=99",
        "/yards/north/pages/none.html",
        "/yards/north/register/cover?boat=99",
        "/photos/none",
        "/photos/none/original",
        "/nowhere",
        "/yards/%3Cscript%3E/",
    ],
)
def test_a_wrong_address_is_answered_with_a_page_and_a_sentence(lead, address):
    answer = lead.get(address)
    assert answer.status_code == 404
    assert '<p class="problem" role="alert">' in answer.text
    assert "<script>" not in answer.text
    assert "Traceback" not in answer.text


def test_a_yard_without_covers_leads_a_lead_to_the_register(lead, conn):
    register.save_yards(conn, [replace(YARD, key="bare", name="Bare Basin")])
    page = lead.get("/yards/bare/").text
    assert "has no covers yet" in page
    assert 'href="/yards/bare/register"' in page
    assert "Bare Basin" in lead.get("/").text  # more than one yard: the start lists them


def test_without_any_account_pages_can_be_read_and_forms_say_what_is_missing(tmp_path):
    path = tmp_path / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
    visitor = visitor_of(app_of(path, Clock(NOW)))
    for address in ("/", "/yards/north/", "/yards/north/boat?number=01", "/yards/north/map", "/yards/north/log"):
        assert visitor.get(address).status_code == 200, address
    for address in ("/yards/north/inspect?boat=01", "/yards/north/act?boat=01", "/yards/north/register"):
        answer = visitor.get(address)
        assert answer.status_code == 403
        assert "Nobody has an account yet" in answer.text
        assert "stormwalk account add" in answer.text


def test_the_drawing_of_berths_says_each_call_in_word_and_shape_and_each_boat_is_a_link(busy):
    page = signed_in(busy[1], "Per").get("/yards/north/map").text
    drawing = page[page.index("<svg") : page.index("</svg>")]
    assert drawing.count("<a ") == 3
    assert 'aria-label="01 Plum, walk first, score 0.9' in drawing
    assert 'href="/yards/north/boat?number=01"' in drawing
    assert re.search(r"walk first</text>", drawing)


def test_the_apps_own_files_are_kept_for_a_year_under_a_name_that_changes_with_them(crew):
    page = crew.get("/yards/north/").text
    sheet = re.search(r'href="(/app/[0-9a-f]{12}/app.css)"', page).group(1)
    answer = crew.get(sheet)
    assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    assert answer.headers["Content-Type"] == "text/css; charset=utf-8"
    assert crew.get("/app/000000000000/app.css").status_code == 404
    assert crew.get(sheet.replace("app.css", "none.css")).status_code == 404


def test_the_round_says_at_each_stop_what_to_look_at_and_whom_to_keep_away(busy, tmp_path):
    path, later = shutil.copy(busy[0], tmp_path / "yard.db"), NOW + HOUR
    with closing(connect(path)) as conn:
        asked = WalkRequest(("Ida", "Per"), later, ignore_daylight=True, calls=tuple(MINUTES))
        plan_walk(conn, YARD, asked, by="Ida", now=later)
    page = signed_in(app_of(path, Clock(later)), "Per").get("/yards/north/walk").text
    stops = dict(re.findall(r'data-boat="(\d+)">(.*?)</li>', page, re.S))
    assert set(stops) == {"01", "02", "03"}
    assert "Keep clear: stand shifted. For the yard" in unescape(stops["01"])
    assert "Look at: perimeter band and welds on the windward side" in stops["02"]
    next_day = signed_in(app_of(path, Clock(later + 24 * HOUR)), "Per").get("/yards/north/walk").text
    assert re.search(r"This walk began on Sun 22 Oct 2023 \d\d:\d\d EDT\. None is planned since\.", next_day)


def test_a_lead_is_led_past_the_round_to_the_next_plan_and_back_from_pages_of_no_yard(lead, conn):
    asked = WalkRequest(("Ida", "Per"), NOW, ignore_daylight=True, calls=tuple(MINUTES))
    plan_walk(conn, YARD, asked, by="Ida", now=NOW)
    walk = lead.get("/yards/north/walk").text
    assert walk.index('<a href="#plan">') < walk.index('class="stops"') < walk.index('<h2 id="plan">')
    assert "None is planned since." not in walk
    for page in ("/people", "/account"):
        assert '<a href="/">To the list</a>' in lead.get(page).text


def test_a_database_that_does_not_answer_is_told_with_a_way_to_ask_again(filled_database, tmp_path):
    path = shutil.copy(filled_database, tmp_path / "yard.db")
    crew = signed_in(app_of(path, Clock(NOW)), "Per")
    path.unlink()
    browser = {"Accept": "text/html,application/xhtml+xml;q=0.9"}
    answer = crew.get("/yards/north/log?boat=01", headers=browser)
    assert answer.status_code == 503
    assert answer.headers["Retry-After"] == "60"
    assert answer.headers["Content-Type"] == "text/html; charset=utf-8"
    assert "yard.db" in Page(answer.text).text
    assert '<a class="button main" href="/yards/north/log?boat=01">Try again</a>' in answer.text
    assert 'href="//' not in crew.get("//elsewhere.example/", headers=browser).text
    sent = crew.post("/yards/north/act?boat=01", data={"action": "taped"}, headers=browser)
    assert sent.status_code == 503
    assert "Go back in the browser: what you wrote stands in the form." in sent.text
    assert "Try again" not in sent.text
    assert crew.get("/api/me", headers=browser).json()["problem"]
    assert crew.get("/photos/1", headers={"Accept": "image/*"}).headers["Content-Type"].startswith("text/plain")
