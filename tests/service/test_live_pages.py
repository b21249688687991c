"""Live pages: what they show, that they follow the database, that they are kept until it changes, and who may ask."""

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
from monitor.web.live import HEADERS, Pages, make_app


@pytest.fixture
def pages(path, service, clock):
    service.run_due()
    return Pages(path, DashboardPages(), service.states, clock)


@pytest.fixture
def visitor(pages):
    return TestClient(make_app(pages, ["127.0.0.1"]), base_url="http://127.0.0.1:8317")


def test_the_start_leads_to_the_only_yard(visitor):
    answer = visitor.get("/")
    assert answer.url.path == "/north/"
    assert answer.status_code == 200
    assert "<h1>North Basin</h1>" in answer.text


def test_the_start_lists_the_yards_where_there_are_several(two_yards, clock, people, airport):
    service = Service(two_yards, Settings(), people, clock)
    visitor = TestClient(
        make_app(Pages(two_yards, DashboardPages(), service.states, clock), ["127.0.0.1"]), base_url="http://127.0.0.1"
    )
    page = visitor.get("/").text
    assert '<a href="/north/">North Basin</a>' in page
    assert '<a href="/south/">South Basin</a>' in page


def test_every_link_of_a_page_leads_somewhere(visitor):
    page = visitor.get("/north/").text
    links = {link for link in re.findall(r'(?:href|src)="([^"#]+)', page) if not link.startswith(("data:", "https:"))}
    assert "cover-01.html" in links
    for link in links:
        assert visitor.get(f"/north/{link}" if not link.startswith("/") else link).status_code == 200, link
    cover = visitor.get("/north/cover-01.html").text
    assert "<h1>01 Plum</h1>" in cover
    assert 'href="index.html"' in cover
    assert visitor.get("/north/index.html").status_code == 200
    assert 'data-chart="chart-cover"' in cover


def test_every_answer_has_the_headers_that_keep_strangers_out(visitor):
    for path in ("/north/", "/north/cover-01.html", "/north/none.html", "/nowhere/", "/static/x/pages.css"):
        answer = visitor.get(path)
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
        assert "'unsafe-inline'" not in HEADERS["Content-Security-Policy"].split("script-src")[1].split(";")[0]


def test_no_script_stands_in_a_page(visitor):
    for path in ("/north/", "/north/cover-01.html"):
        scripts = re.findall(r"<script\b([^>]*)>", visitor.get(path).text)
        assert scripts
        assert all("src=" in script or 'type="application/json"' in script for script in scripts)
        assert not re.search(r"\son\w+=", re.sub(r"<script.*?</script>", "", visitor.get(path).text, flags=re.S))


def test_pages_are_read_only(visitor):
    for method in ("post", "put", "delete", "patch"):
        assert getattr(visitor, method)("/north/").status_code == 405


def test_another_host_is_refused(visitor):
    assert visitor.get("/north/", headers={"Host": "yard.example"}).status_code == 400


def test_static_files_are_kept_for_a_year_under_a_name_that_changes_with_them(visitor, pages):
    answer = visitor.get(f"{pages.static}pages.css")
    assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
    assert answer.headers["Content-Type"] == "text/css; charset=utf-8"
    assert visitor.get("/static/000000000000/pages.css").status_code == 404
    assert visitor.get(f"{pages.static}secret.css").status_code == 404
    assert visitor.get("/north/").headers["Cache-Control"] == "no-cache"


@pytest.mark.parametrize("name", ["nowhere", "..", "north/../south", "<script>alert(1)</script>"])
def test_a_yard_that_is_not_there_is_said_in_a_sentence(visitor, name):
    answer = visitor.get(f"/{name}/")
    assert answer.status_code == 404 or answer.url.path == "/north/"
    assert "<script>alert" not in answer.text


def test_a_page_that_is_not_there_is_said_in_a_sentence(visitor):
    answer = visitor.get("/north/cover-99.html")
    assert answer.status_code == 404
    assert "There is no such page." in answer.text


def test_a_page_is_made_once_until_something_changes(visitor, path, clock, airport, service, monkeypatch):
    made = []
    assess = live.assess_yard
    monkeypatch.setattr(live, "assess_yard", lambda *a, **k: made.append(1) or assess(*a, **k))
    for _ in range(3):
        visitor.get("/north/")
        visitor.get("/north/cover-01.html")
    assert len(made) == 1
    with closing(connect(path)) as conn:
        record_inspection(conn, YARD, "01", inspector="Ida", inspected_at=BEGIN, recorded_at=BEGIN)
    assert "by Ida" in visitor.get("/north/cover-01.html").text or "Ida" in visitor.get("/north/cover-01.html").text
    assert len(made) == 2
    clock.advance(5 * MINUTE)
    visitor.get("/north/")
    assert len(made) == 2
    clock.advance(5 * MINUTE)
    visitor.get("/north/")
    assert len(made) == 3  # ten minutes: the age of the data goes on by itself
    clock.advance(HOUR)
    service.run_due()
    visitor.get("/north/")
    assert len(made) == 4


def test_a_page_tells_the_age_of_the_data_and_the_jobs_that_fail(visitor, airport, clock, service):
    fine = visitor.get("/north/").text
    assert "The newest weather hour is less than 1 h old." in fine
    assert "has failed" not in fine
    assert '<th scope="row">pull north</th>' in fine
    airport.down = lambda now: True
    clock.advance(5 * HOUR)
    service.run_due()
    for path in ("/north/", "/north/cover-01.html"):
        page = visitor.get(path).text
        assert "Old data: the newest weather hour is 5 h old." in page
        assert "pull north has failed 1 times in a row" in page
        assert "metar-archive: the service did not answer (503)." in page


def test_a_page_says_that_it_is_live(visitor):
    page = visitor.get("/north/").text
    assert "load it again for a newer one" in page
    assert "written once" not in page


def test_a_cached_page_of_500_covers_comes_at_once(path, clock, service, tmp_path):
    from time import perf_counter

    from invented_yard import COVERS, WRAPPED

    from monitor.operations.register import import_covers

    head, first, *_ = COVERS.splitlines()
    rows = [
        first.replace("01,Plum", f"{number},Plum {number}").replace(",A,1,", f",A,{number},")
        for number in range(4, 501)
    ]
    with closing(connect(path)) as conn:
        import_covers(conn, YARD, "\n".join([head, *rows, ""]).encode(), "more.csv", WRAPPED)
    service.run_due()
    visitor = TestClient(
        make_app(Pages(path, DashboardPages(), service.states, clock), ["127.0.0.1"]), base_url="http://127.0.0.1"
    )
    assert "500 Plum 500" in visitor.get("/north/").text
    began = perf_counter()
    assert visitor.get("/north/").status_code == 200
    assert perf_counter() - began < 0.5


def test_days_go_on_even_where_the_service_is_off(visitor, clock):
    visitor.get("/north/")
    clock.advance(timedelta(days=3))
    assert "Old data: the newest weather hour is 72 h old (3 days)." in visitor.get("/north/").text
