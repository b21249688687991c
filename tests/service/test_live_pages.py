"""The charts inside the app: what they show, that they follow the database, that they are kept until it changes."""

import re
from contextlib import closing
from datetime import timedelta

import pytest
from invented_yard import HOUR, YARD
from simulated_service import BEGIN, MINUTE
from starlette.testclient import TestClient

from monitor.cli.serve import DashboardPages
from monitor.operations.log import record_inspection
from monitor.service import Service
from monitor.settings import Settings
from monitor.store.connection import connect
from monitor.web import live
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages
from monitor.web.security import HEADERS

BASE = "http://127.0.0.1:8317"


@pytest.fixture
def pages(path, service, clock):
    service.run_due()
    return Pages(path, DashboardPages(), service.states, clock)


def browser_of(path, service, clock):
    """A browser of the computer that serves, whose database has no account yet: it may read."""
    pages = Pages(path, DashboardPages(), service.states, clock)
    return TestClient(make_app(WebApp(path, pages, ["127.0.0.1"], clock, "1")), base_url=BASE)


@pytest.fixture
def visitor(path, pages, clock):
    return TestClient(make_app(WebApp(path, pages, ["127.0.0.1"], clock, "1")), base_url=BASE)


def test_the_start_leads_to_the_only_yard(visitor):
    answer = visitor.get("/")
    assert answer.url.path == "/yards/north/"
    assert answer.status_code == 200
    assert 'href="/yards/north/pages/index.html"' in answer.text
    assert "<h1>North Basin</h1>" in visitor.get("/yards/north/pages/").text


def test_the_start_lists_the_yards_where_there_are_several(two_yards, clock, people, airport):
    page = browser_of(two_yards, Service(two_yards, Settings(), people, clock), clock).get("/").text
    for key, name in (("north", "North Basin"), ("south", "South Basin")):
        assert re.search(rf'<a class="button" href="/yards/{key}/">{name}</a>', page)


def test_every_link_of_a_page_leads_somewhere(visitor):
    page = visitor.get("/yards/north/pages/").text
    links = {link for link in re.findall(r'(?:href|src)="([^"#]+)', page) if not link.startswith(("data:", "https:"))}
    assert "cover-01.html" in links
    for link in links:
        assert visitor.get(f"/yards/north/pages/{link}" if not link.startswith("/") else link).status_code == 200, link
    cover = visitor.get("/yards/north/pages/cover-01.html").text
    assert "<h1>01 Plum</h1>" in cover
    assert 'href="index.html"' in cover
    assert visitor.get("/yards/north/pages/index.html").status_code == 200
    assert 'data-chart="chart-cover"' in cover


def test_every_answer_has_the_headers_that_keep_strangers_out(visitor):
    for path in (
        "/yards/north/pages/",
        "/yards/north/pages/cover-01.html",
        "/yards/north/pages/none.html",
        "/yards/nowhere/pages/",
        "/static/x/pages.css",
    ):
        answer = visitor.get(path)
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
        assert "'unsafe-inline'" not in HEADERS["Content-Security-Policy"].split("script-src")[1].split(";")[0]


def test_no_script_stands_in_a_page(visitor):
    for path in ("/yards/north/pages/", "/yards/north/pages/cover-01.html"):
        scripts = re.findall(r"<script\b([^>]*)>", visitor.get(path).text)
        assert scripts
        assert all("src=" in script or 'type="application/json"' in script for script in scripts)
        assert not re.search(r"\son\w+=", re.sub(r"<script.*?</script>", "", visitor.get(path).text, flags=re.S))


def test_charts_are_read_only(visitor):
    for method in ("post", "put", "delete", "patch"):
        sent = getattr(visitor, method)("/yards/north/pages/", headers={"Sec-Fetch-Site": "same-origin"})
        assert sent.status_code in (403, 405)


def test_static_files_are_kept_for_a_year_under_a_name_that_changes_with_them(visitor, pages):
    answer = visitor.get(f"{pages.static}pages.css")
    assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    assert answer.headers["Content-Type"] == "text/css; charset=utf-8"
    assert visitor.get("/static/000000000000/pages.css").status_code == 404
    assert visitor.get(f"{pages.static}secret.css").status_code == 404
    assert visitor.get("/yards/north/pages/").headers["Cache-Control"] == "private, no-cache"


@pytest.mark.parametrize("name", ["nowhere", "%2e%2e", "north%2F..%2Fsouth", "<script>alert(1)</script>"])
def test_a_yard_that_is_not_there_is_said_in_a_sentence(visitor, name):
    answer = visitor.get(f"/yards/{name}/pages/")
    assert answer.status_code == 404
    assert '<p class="problem" role="alert">' in answer.text
    assert "<script>alert" not in answer.text


def test_a_page_that_is_not_there_is_said_in_a_sentence(visitor):
    answer = visitor.get("/yards/north/pages/cover-99.html")
    assert answer.status_code == 404
    assert "There is no such page." in answer.text


def test_a_page_is_made_once_until_something_changes(visitor, path, clock, airport, service, monkeypatch):
    made = []
    assess = live.assess_yard
    monkeypatch.setattr(live, "assess_yard", lambda *a, **k: made.append(1) or assess(*a, **k))
    for _ in range(3):
        visitor.get("/yards/north/pages/")
        visitor.get("/yards/north/pages/cover-01.html")
    assert len(made) == 1
    with closing(connect(path)) as conn:
        record_inspection(conn, YARD, "01", inspector="Ida", inspected_at=BEGIN, recorded_at=BEGIN)
    assert (
        "by Ida" in visitor.get("/yards/north/pages/cover-01.html").text
        or "Ida" in visitor.get("/yards/north/pages/cover-01.html").text
    )
    assert len(made) == 2
    clock.advance(5 * MINUTE)
    visitor.get("/yards/north/pages/")
    assert len(made) == 2
    clock.advance(5 * MINUTE)
    visitor.get("/yards/north/pages/")
    assert len(made) == 3  # ten minutes: the age of the data goes on by itself
    clock.advance(HOUR)
    service.run_due()
    visitor.get("/yards/north/pages/")
    assert len(made) == 4


def test_a_page_tells_the_age_of_the_data_and_the_jobs_that_fail(visitor, airport, clock, service):
    fine = visitor.get("/yards/north/pages/").text
    assert "The newest weather hour is less than 1 h old." in fine
    assert "has failed" not in fine
    assert '<th scope="row">pull north</th>' in fine
    airport.down = lambda now: True
    clock.advance(5 * HOUR)
    service.run_due()
    for path in ("/yards/north/pages/", "/yards/north/pages/cover-01.html"):
        page = visitor.get(path).text
        assert "Old data: the newest weather hour is 5 h old." in page
        assert "pull north has failed 1 times in a row" in page
        assert "metar-archive: the service did not answer (503)." in page


def test_a_page_says_that_it_is_live(visitor):
    page = visitor.get("/yards/north/pages/").text
    assert "load it again for a newer one" in page
    assert "written once" not in page


def test_after_a_pull_the_page_is_made_before_anybody_asks_for_it(visitor, pages, clock, service, monkeypatch):
    made = []
    assess = live.assess_yard
    monkeypatch.setattr(live, "assess_yard", lambda *a, **k: made.append(1) or assess(*a, **k))
    service.after_job = pages.prepare
    clock.advance(HOUR)
    service.run_due()
    by_the_service = len(made)
    assert by_the_service > 0
    assert "The newest weather hour is less than 1 h old." in visitor.get("/yards/north/pages/").text
    assert visitor.get("/yards/north/").status_code == 200
    assert len(made) == by_the_service


def test_a_page_that_cannot_be_made_stops_no_job(service, pages, clock):
    service.after_job = pages.prepare
    pages.prepare("no such yard")
    clock.advance(HOUR)
    assert service.run_due() > 0
    assert {state.outcome for state in service.states() if state.job.startswith("pull")} == {"done"}


def test_days_go_on_even_where_the_service_is_off(visitor, clock):
    visitor.get("/yards/north/pages/")
    clock.advance(timedelta(days=3))
    assert "Old data: the newest weather hour is 72 h old (3 days)." in visitor.get("/yards/north/pages/").text
