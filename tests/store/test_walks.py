"""Kept walks and what was changed of them: only added, read back as they were."""

import math
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest

from monitor.errors import StoreError
from monitor.store.walks import ChangeRow, WalkHead, add_change, add_walk, changes_of, walk_heads, walk_row

NINE = datetime(2026, 1, 10, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)
PLAN = {"covered_share": 0.62, "rounds": [{"names": ["Ida", "Ærø"], "stops": []}]}


def keep(conn, yard_id, walk_id="w1", **changed):
    fields = {"starts_at": NINE + HOUR, "created_at": NINE, "created_by": "Ida", "request": {"crew": ["Ida"]}}
    add_walk(conn, yard_id, walk_id, **({"plan": PLAN} | fields | changed))


def a_change(walk_id="w1", **changed):
    fields = {"changed_at": NINE + HOUR, "changed_by": "Per", "change": "add", "boat": "A-12", "party": "Ida and Ærø"}
    return ChangeRow(**({"walk_id": walk_id, "note": ""} | fields | changed))


def test_a_walk_comes_back_as_it_was_planned(conn, yard_id):
    keep(conn, yard_id)
    row = walk_row(conn, "w1")
    assert row.head == WalkHead("w1", NINE + HOUR, NINE, "Ida", 0)
    assert (row.request, row.plan) == ({"crew": ["Ida"]}, PLAN)


def test_changes_come_back_in_the_order_in_which_they_were_made(conn, yard_id):
    keep(conn, yard_id)
    keep(conn, yard_id, "w2")
    made = [a_change(), a_change(change="drop", party="", changed_at=NINE), a_change(note="again")]
    for one in [*made, a_change("w2")]:
        add_change(conn, one)
    assert changes_of(conn, "w1") == made
    assert walk_row(conn, "w1").head.changes == 3


def test_walks_are_listed_with_the_one_planned_last_first(conn, yard_id):
    for number, hours in enumerate((1, 3, 0, 2)):
        keep(conn, yard_id, f"w{number}", created_at=NINE + hours * HOUR)
    assert [head.id for head in walk_heads(conn, yard_id)] == ["w1", "w3", "w0", "w2"]
    assert walk_heads(conn, yard_id + 1) == []


def test_an_unknown_walk_is_told(conn):
    with pytest.raises(StoreError, match="No walk w9 is kept here"):
        walk_row(conn, "w9")


def test_what_json_cannot_hold_is_refused(conn, yard_id):
    with pytest.raises(ValueError, match="not JSON compliant"):
        keep(conn, yard_id, plan={"covered_share": math.nan})
    assert walk_heads(conn, yard_id) == []


@pytest.mark.parametrize("table", ["walks", "walk_changes"])
@pytest.mark.parametrize("sql", ["DELETE FROM {}", "UPDATE {} SET id = id"])
def test_rows_are_only_added(conn, yard_id, table, sql):
    keep(conn, yard_id)
    add_change(conn, a_change())
    with pytest.raises(sqlite3.IntegrityError, match=f"rows of {table} are only added"):
        conn.execute(sql.format(table))


def test_a_change_needs_a_walk_a_boat_and_a_known_word(conn, yard_id):
    keep(conn, yard_id)
    for wrong in (a_change("w9"), a_change(boat=""), a_change(change="paint")):
        with pytest.raises(sqlite3.IntegrityError):
            add_change(conn, wrong)
