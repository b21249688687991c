"""The charts inside the app in a real browser, under the content security policy that they are served with."""

from contextlib import closing

import pytest
from in_browser import Watched, served
from invented_yard import HOUR, WRAPPED, record_yard
from simulated_service import Airport, Clock, People, plug_in

from monitor.cli.serve import DashboardPages
from monitor.service import Service
from monitor.settings import Settings
from monitor.store.connection import connect
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages

pytestmark = pytest.mark.thorough  # the app and the pages from disk are opened in the ordinary run


@pytest.fixture
def address(tmp_path, monkeypatch):
    """Where the pages of the invented yard are served."""
    path = tmp_path / "live.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
    plug_in(monkeypatch, Airport())
    clock = Clock(WRAPPED + 60 * HOUR)
    service = Service(path, Settings(), People(), clock)
    service.run_due()
    pages = Pages(path, DashboardPages(), service.states, clock)
    app = make_app(WebApp(path, pages, ["127.0.0.1"], clock, "1"))
    with served(app) as at:
        yield f"{at}/"


def test_live_pages_draw_under_their_policy_without_a_complaint(page, address):
    watched = Watched(page)
    page.goto(address)
    page.get_by_role("link", name="Charts").click()
    assert page.locator("h1").inner_text() == "North Basin"
    assert page.get_by_role("heading", name="The service").is_visible()
    page.locator("#berths").scroll_into_view_if_needed()
    page.locator("#chart-berths[data-drawn=yes]").wait_for()
    page.get_by_role("link", name="01 Plum").first.click()
    page.wait_for_url("**/yards/north/pages/cover-01.html")
    page.locator("#season").scroll_into_view_if_needed()
    page.locator("#chart-cover[data-drawn=yes]").wait_for()
    page.get_by_role("link", name="North Basin, all covers").click()
    page.wait_for_url("**/yards/north/pages/index.html")
    assert watched.complaints == []
    assert watched.called(address) == set()
