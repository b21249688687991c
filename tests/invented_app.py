"""The web app on the invented yard: its people and clock, browsers with somebody signed in, its forms read back."""

import io
import re
from contextlib import closing
from datetime import UTC, datetime
from html import unescape

from argon2 import PasswordHasher
from invented_yard import COVERS, HOUR, WRAPPED, YARD, in_hours, metar
from PIL import Image
from starlette.testclient import TestClient

from monitor.cli.serve import DashboardPages
from monitor.operations.accounts import add_account
from monitor.operations.register import import_covers
from monitor.operations.weather import import_weather
from monitor.store import register
from monitor.store.connection import connect
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages

NOW = datetime(2023, 10, 22, 14, 30, tzinfo=UTC)
"""10:30 of 22 October 2023 on the yard's clock: two days after the wrapping."""
PASSWORD = "invented pass phrase"
HASHER = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""Weak and quick: only for tests."""
BASE = "http://127.0.0.1:8317"
OWNER = "Olga Invented"
HEAD, PLUM, *OTHERS = COVERS.splitlines()
OWNED = "\n".join(
    [f"{HEAD},owner_name,owner_contact", f"{PLUM},{OWNER},olga@example.org", *(f"{line},," for line in OTHERS), ""]
)
"""The invented covers; Plum has an owner."""


class Clock:
    """Stands still until it is set."""

    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now


def fill(path):
    """Make a database with yard, covers, a gale, a lead named Ida and a crew member named Per."""
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [YARD])
        import_covers(conn, YARD, OWNED.encode(), "covers.csv", WRAPPED)
        gale = in_hours(range(20, 30), {"drct": "270.00", "sknt": "25.00", "gust": "45.00"})
        import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, 58, **gale), "gale.csv", NOW - HOUR)
        add_account(conn, "Ida", "lead", PASSWORD, WRAPPED, HASHER)
        add_account(conn, "Per", "crew", PASSWORD, WRAPPED, HASHER)
    return path


def app_of(path, clock):
    """The app on a database, without a service behind it."""
    pages = Pages(path, DashboardPages(), lambda key: [], clock)
    return make_app(WebApp(path, pages, ["127.0.0.1"], clock, "1.2.3", HASHER))


def visitor_of(app):
    """A browser with nobody signed in, that says where its requests come from."""
    return TestClient(app, base_url=BASE, headers={"Sec-Fetch-Site": "same-origin"}, client=("127.0.0.1", 50000))


def signed_in(app, name):
    visitor = visitor_of(app)
    answer = visitor.post("/sign-in", data={"name": name, "password": PASSWORD, "next": "/"}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return visitor


def fields_of(html, holding=""):
    """Names and values of the first posted form of a page that has this in it, as a browser sends them untouched."""
    forms = re.findall(r'<form method="post"[^>]*>(.*?)</form>', html, re.S)
    form = next(one for one in forms if holding in one)
    fields = {}
    for tag in re.findall(r"<input\b[^>]*>", form):
        name, kind = re.search(r'name="([^"]*)"', tag), re.search(r'type="([^"]*)"', tag)
        if name is None or (kind and kind.group(1) in ("file", "checkbox", "radio") and " checked" not in tag):
            continue
        value = re.search(r'value="([^"]*)"', tag)
        fields[name.group(1)] = unescape(value.group(1)) if value else ""
    for name, options in re.findall(r'<select id="[^"]*" name="([^"]*)"[^>]*>(.*?)</select>', form, re.S):
        chosen = re.search(r'<option value="([^"]*)" selected', options) or re.search(
            r'<option value="([^"]*)"', options
        )
        fields[name] = unescape(chosen.group(1)) if chosen else ""
    for name, text in re.findall(r'<textarea id="[^"]*" name="([^"]*)"[^>]*>\n?(.*?)</textarea>', form, re.S):
        fields[name] = unescape(text)
    return fields


def picture(colour="red", size=(320, 200)):
    """Bytes of a small JPEG of one colour."""
    data = io.BytesIO()
    Image.new("RGB", size, colour).save(data, "JPEG")
    return data.getvalue()
