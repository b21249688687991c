"""Script hidden in stored text: pages have the elements of harmless text and no more, whatever the database holds."""

from contextlib import closing
from dataclasses import replace
from itertools import product

import pytest
from invented_app import BASE, HASHER, NOW, PASSWORD, Clock, app_of, picture, visitor_of
from invented_yard import HOUR, WRAPPED, YARD
from walking_through import Page

from monitor.exchange.entry_values import NewFinding
from monitor.operations.accounts import guest_token, make_guest_link
from monitor.operations.log import record_action, record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.operations.walks import change_walk, plan_walk
from monitor.register import Boat, Cover, CoverBuild
from monitor.store import accounts as account_store
from monitor.store import register
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest

BREAK_OUTS = (
    "",
    '"',
    "'",
    '">',
    "'>",
    "-->",
    "</title>",
    "</textarea>",
    "</script>",
    "</option></select>",
    "]]>",
    "\\",
)
SCRIPTS = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "<svg/onload=alert(1)>",
    " onmouseover=alert(1) x=",
    "javascript:alert(1)//",
    "<iframe srcdoc='<script>alert(1)</script>'>",
    "{{ 7 * 7 }}{% raw %}",
    "&lt;script&gt;alert(1)&lt;/script&gt;&#x3c;img src=x&#x3e;",
)
PAYLOADS = [break_out + script for break_out, script in product(BREAK_OUTS, SCRIPTS)]
FIELDS = (
    "yard", "contact", "station", "boat", "name", "row", "owner", "owner contact", "inspector", "inspection", "finding",
    "correction", "action", "photo", "walker", "dropped", "account",
)  # fmt: skip
"""Every text that people write, and that pages show."""

HARMLESS = ["harmless text"] * len(FIELDS)


def stored(path, texts):
    """Make a database whose every text is given, and the app on it; the address of its guest page."""
    text = dict(zip(FIELDS, texts, strict=True))
    number = f"{text['boat']} 7"
    boat = Boat(number, text["name"], "sail", 9, 3, "stands", text["row"], 1, 0, "exposed",
                owner_name=text["owner"], owner_contact=text["owner contact"])  # fmt: skip
    other = replace(boat, number="8", place=2)
    builds = (CoverBuild(WRAPPED, ridge_rise_m=1.5, vent_count=2),)
    yard = replace(YARD, name=text["yard"], contact=text["contact"], station=text["station"])
    visit, act, photo = (f"{digit * 8}-1111-4111-8111-111111111111" for digit in "123")
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [yard])
        covers = [Cover(one, WRAPPED.date(), builds) for one in (boat, other)]
        register.save_covers(conn, "north", covers, WRAPPED)
        found = [NewFinding("other", "inside", 3, text["finding"]), NewFinding("stand_shifted", "stands", 3)]
        looked = {"inspector": text["inspector"], "inspected_at": NOW - HOUR, "recorded_at": NOW, "findings": found}
        record_inspection(conn, yard, number, **looked, note="first", inspection_id=visit)
        record_inspection(
            conn, yard, number, inspector=text["inspector"], inspected_at=NOW, recorded_at=NOW, corrects_id=visit,
            note=text["inspection"], inspection_id=visit.replace("1", "4", 8),
        )  # fmt: skip
        record_action(
            conn, yard, number, action="other", actor=text["inspector"], acted_at=NOW, recorded_at=NOW,
            note=text["action"], action_id=act,
        )  # fmt: skip
        record_photo(
            conn, photo_folder(path), yard, photo_id=photo, data=PICTURE, action_id=act, recorded_at=NOW,
            taken_by=text["inspector"], note=text["photo"],
        )  # fmt: skip
        asked = WalkRequest((f"{text['walker']} 1", "Per"), NOW, ignore_daylight=True, calls=tuple(MINUTES))
        walk = plan_walk(conn, yard, asked, by=text["account"], now=NOW)
        change_walk(conn, yard, walk.id, change="drop", boat="8", by=text["account"], now=NOW, note=text["dropped"])
        account_store.add_account(conn, text["account"], "lead", HASHER.hash(PASSWORD), WRAPPED)
        token = guest_token(conn, make_guest_link(conn, "north", number, by=text["account"], now=NOW))
    return app_of(path, Clock(NOW)), number, f"/guest/{token}"


PICTURE = picture()


def shown(app, number, account):
    """Every page with its parsed HTML, by a name that does not depend on the texts."""
    visitor = visitor_of(app)
    answer = visitor.post("/sign-in", data={"name": account, "password": PASSWORD}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    of_boat, of_entry = {"boat": number}, "11111111-1111-4111-8111-111111111111"
    asked = {
        "start": ("/yards/north/", {}),
        "boat": ("/yards/north/boat", {"number": number, "history": "1"}),
        "inspect": ("/yards/north/inspect", of_boat),
        "act": ("/yards/north/act", of_boat),
        "correct the look": ("/yards/north/correct", {"entry": of_entry.replace("1", "4", 8)}),
        "correct the action": ("/yards/north/correct", {"entry": of_entry.replace("1", "2", 8)}),
        "log": ("/yards/north/log", {"history": "1"}),
        "log of one": ("/yards/north/log", of_boat),
        "photo": ("/yards/north/photo", {**of_boat, "id": of_entry.replace("1", "3", 8)}),
        "photograph": ("/yards/north/photograph", {"entry": of_entry.replace("1", "2", 8)}),
        "walk": ("/yards/north/walk", {}),
        "map": ("/yards/north/map", {}),
        "register": ("/yards/north/register", {}),
        "register boat": ("/yards/north/register/boat", of_boat),
        "register cover": ("/yards/north/register/cover", of_boat),
        "erase owner": ("/yards/north/register/erase-owner", of_boat),
        "guests": ("/yards/north/guests", of_boat),
        "people": ("/people", {}),
        "account": ("/account", {}),
        "sheet": ("/yards/north/sheet", {}),
        "condition": ("/yards/north/condition", {**of_boat, "owner": "1"}),
        "memo form": ("/yards/north/memo", {**of_boat, "price": account}),
        "no page": ("/yards/north/boat", {"number": f"{number}{account}"}),
    }
    pages = {name: visitor.get(address, params=params) for name, (address, params) in asked.items()}
    assert {name for name, answer in pages.items() if answer.status_code != 200} == {"no page"}
    typed = {
        "boat": number,
        "note": account,
        "snow_depth": account,
        "defect-0": account,
        "note-0": account,
        "id": account,
    }
    pages["refused look"] = visitor.post("/yards/north/inspect", data=typed)
    pages["refused boat"] = visitor.post("/yards/north/register/boat", data={"boat": number, "length": account})
    pages["refused walk"] = visitor.post("/yards/north/walk", data={"do": "plan", "crew": "", "start": account})
    return {name: Page(answer.text) for name, answer in pages.items()}


@pytest.fixture(scope="module")
def harmless(tmp_path_factory):
    app, number, guest = stored(tmp_path_factory.mktemp("harmless") / "yard.db", HARMLESS)
    return {**shown(app, number, HARMLESS[-1]), "guest": Page(visitor_of(app).get(guest).text)}


def attempts(first):
    """A text for every field, each another one; names of accounts are short and have no blanks at their ends."""
    *texts, account = (PAYLOADS[(first + step) % len(PAYLOADS)] for step in range(len(FIELDS)))
    return [*texts, account[:60].strip()]


@pytest.mark.parametrize(
    "first",
    [
        *range(0, len(PAYLOADS), 48),
        *(pytest.param(n, marks=pytest.mark.thorough) for n in range(len(PAYLOADS)) if n % 48),
    ],
)
def test_pages_of_stored_scripts_have_the_elements_of_harmless_ones(first, harmless, tmp_path):
    # 96 texts in 17 places: 1,632 attempts where everything is required, 34 in the ordinary run
    texts = attempts(first)
    app, number, guest = stored(tmp_path / "yard.db", texts)
    pages = {**shown(app, number, texts[-1]), "guest": Page(visitor_of(app).get(guest).text)}
    for name, page in pages.items():
        assert page.elements == harmless[name].elements, name
        for attribute, value in page.attributes:
            assert not attribute.startswith("on"), name
            if attribute in ("href", "src", "action"):
                inside = ("/", "#", f"{BASE}/", "data:image/")
                assert value.startswith(inside) or value == "data:,", (name, value)
    assert texts[FIELDS.index("name")] in pages["boat"].text  # it is shown, as the text that it is
    assert texts[FIELDS.index("inspection")] in pages["boat"].text
    assert texts[FIELDS.index("owner")] in pages["boat"].text
