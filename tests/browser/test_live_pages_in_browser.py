"""The charts inside the app in a real browser, under the content security policy that they are served with."""

import socket
import threading
from contextlib import closing

import pytest
import uvicorn
from invented_yard import COVERS, HOUR, WRAPPED, YARD
from simulated_service import Airport, Clock, People, plug_in

from monitor.cli.serve import DashboardPages
from monitor.operations.register import import_covers
from monitor.service import Service
from monitor.settings import Settings
from monitor.store import register
from monitor.store.connection import connect
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages


@pytest.fixture
def address(tmp_path, monkeypatch):
    """Where the pages of the invented yard are served."""
    path = tmp_path / "live.db"
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [YARD])
        import_covers(conn, YARD, COVERS.encode(), "covers.csv", WRAPPED)
    plug_in(monkeypatch, Airport())
    clock = Clock(WRAPPED + 60 * HOUR)
    service = Service(path, Settings(), People(), clock)
    service.run_due()
    door = socket.create_server(("127.0.0.1", 0))
    pages = Pages(path, DashboardPages(), service.states, clock)
    app = make_app(WebApp(path, pages, ["127.0.0.1"], clock, "1"))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", lifespan="off", ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [door]})
    thread.start()
    yield f"http://127.0.0.1:{door.getsockname()[1]}/"
    server.should_exit = True
    thread.join(10)
    door.close()


def test_live_pages_draw_under_their_policy_without_a_complaint(page, address):
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on(
        "console", lambda message: complaints.append(message.text) if message.type in ("error", "warning") else None
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))
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
    assert complaints == []
    assert all(url.startswith((address, "data:")) for url in asked)
