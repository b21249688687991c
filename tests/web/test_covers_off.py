"""Covers that came off for the season: logged in the app, said on the boat's page, and no list fails without any."""

import shutil
from contextlib import closing

import pytest
from invented_app import NOW, Clock, app_of, fields_of, signed_in
from invented_yard import HOUR, YARD
from walking_through import Page, crawl

from monitor.operations.log import record_action
from monitor.operations.walks import plan_walk
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest

LISTS = ("/yards/north/", "/yards/north/walk", "/yards/north/map", "/yards/north/pages/index.html")


@pytest.fixture
def yard(filled_database, tmp_path):
    """A database of its own with a walk planned, and its clock."""
    path, clock = shutil.copy(filled_database, tmp_path / "yard.db"), Clock(NOW)
    with closing(connect(path)) as conn:
        asked = WalkRequest(("Ida", "Per"), NOW, ignore_daylight=True, calls=tuple(MINUTES))
        plan_walk(conn, YARD, asked, by="Ida", now=NOW)
    return path, clock


def unwrap(path, *boats, at=NOW):
    with closing(connect(path)) as conn:
        for boat in boats:
            record_action(conn, YARD, boat, action="unwrapped", actor="Per", acted_at=at, recorded_at=at)


def test_a_cover_that_came_off_leaves_the_list_and_its_boats_page_says_when_and_leads_to_its_report(yard):
    path, clock = yard
    crew = signed_in(app_of(path, clock), "Per")
    form = crew.get("/yards/north/act?boat=02")
    assert "Unwrapped: the cover came off for the season, and the boat leaves the list." in form.text
    answer = crew.post("/yards/north/act?boat=02", data=fields_of(form.text) | {"action": "unwrapped"})
    assert "Boat 02 is on no list any more." in Page(answer.text).text
    clock.now += HOUR
    shown = crew.get("/yards/north/").text
    assert "number=01" in shown
    assert "number=02" not in shown
    assert "the cover came off, Sun 22 Oct 10:30 EDT" in Page(crew.get("/yards/north/walk").text).text
    boat = crew.get("/yards/north/boat?number=02").text
    assert "The cover came off Sun 22 Oct 2023 10:30 EDT, and the boat is on no list any more." in Page(boat).text
    assert "/yards/north/condition?boat=02" in boat
    assert "action=cleared_snow" not in boat
    look = crew.get("/yards/north/inspect?boat=02")
    answer = crew.post("/yards/north/inspect?boat=02", data=fields_of(look.text) | {"sound": "1"})
    assert "of boat 02 (Fig): all sound." in Page(answer.text).text


@pytest.mark.parametrize("address", LISTS)
def test_without_any_cover_a_list_says_so_and_leads_to_the_log_and_the_documents(yard, address):
    path, clock = yard
    unwrap(path, "01", "02", "03")
    clock.now += HOUR
    lead = signed_in(app_of(path, clock), "Ida")
    answer = lead.get(address)
    assert answer.status_code == 200
    assert "had no cover on Sun 22 Oct 2023 11:30 EDT: the last came off on Sun 22 Oct 2023 10:30 EDT" in answer.text
    for link in ("log", "register", "season", "boat?number=02", "condition?boat=02"):
        assert f'href="/yards/north/{link}"' in answer.text


def test_without_any_cover_every_link_leads_somewhere(yard):
    path, clock = yard
    unwrap(path, "01", "02", "03")
    clock.now += HOUR
    app = app_of(path, clock)
    pages = crawl(signed_in(app, "Per"), leave_out=("/condition", "as=pdf"))
    assert {"/yards/north/walk", "/yards/north/map", "/yards/north/boat?number=03"} <= set(pages)
    lead = signed_in(app, "Ida")
    assert (
        "the last came off on"
        in Page(lead.post("/yards/north/walk", data={"do": "plan", "crew": "Ida\nPer"}).text).text
    )


def test_a_wrong_entry_corrected_puts_the_boat_back_on_the_list(yard):
    path, clock = yard
    unwrap(path, "02")
    clock.now += HOUR
    crew = signed_in(app_of(path, clock), "Per")
    page = crew.get("/yards/north/log").text
    entry = page[page.index("correct?entry=") :].partition('"')[0]
    form = crew.get(f"/yards/north/{entry}")
    changed = fields_of(form.text) | {"action": "other", "note": "another boat"}
    assert crew.post(f"/yards/north/{entry}", data=changed).status_code == 200
    assert "number=02" in crew.get("/yards/north/").text
