"""The log's hash chain: how a link is worked out, and that nobody changes a stored fact unnoticed."""

import hashlib
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from unittest.mock import ANY

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.inspections import Action, Finding, Inspection, Photo
from monitor.register import Yard
from monitor.store import chain, inspections, photos, register
from monitor.store.append_only import APPEND_ONLY
from monitor.store.connection import connect, write

T = datetime(2026, 1, 10, 1, tzinfo=UTC)
NORTH = Yard("north", "North Yard", 43.66, -70.25, 3.0, "America/New_York")


def sha256(text):
    return hashlib.sha256(text.encode()).hexdigest()


def fill(conn):
    """Two inspections of boat A-12, a finding, an action on A-13, a photo that was withdrawn: six facts."""
    seen = Inspection("i1", 1, T, T, "Ines", False, note="fär side", snow_depth_m=0.25)
    inspections.add_inspection(conn, seen, [Finding("f1", "i1", "bow", "tear", 2, T)])
    inspections.add_action(conn, Action("a1", 2, T, T, "Ines", "taped"))
    photos.add_photo(conn, Photo("p1", T, T, "Ines", "ab" * 32, "image/jpeg", 9, 4, 3, inspection_id="i1"))
    photos.withdraw(conn, "p1", at=T, by="Ines", note="the wrong boat")
    inspections.add_inspection(conn, Inspection("i2", 1, T + timedelta(days=1), T + timedelta(days=1), "Ida", False))


@pytest.fixture(scope="module")
def log_file(tmp_path_factory, make_cover):
    """A file with the yard "north", two covers and six facts."""
    path = tmp_path_factory.mktemp("log") / "stormwalk.db"
    with closing(connect(path, create=True)) as conn:
        register.add_yard(conn, NORTH)
        register.save_covers(conn, "north", [make_cover("A-12"), make_cover("A-13")], T)
        fill(conn)
    return path


@pytest.fixture
def log(log_file, path):
    """The test's own copy of it, open."""
    with closing(connect(shutil.copy(log_file, path))) as opened:
        yield opened


@pytest.fixture
def behind(log, path):
    """A plain connection without triggers: somebody goes round the program."""
    with closing(sqlite3.connect(path, isolation_level=None)) as opened:
        opened.execute("PRAGMA synchronous = OFF")
        for table in (*chain.CHAINED, "log_chain"):
            for suffix in ("no_update", "no_delete", "no_replace"):
                opened.execute(f"DROP TRIGGER {table}_{suffix}")
        yield opened


def found(conn):
    return [(fault.kind, fault.table, fault.entry_id, fault.boat) for fault in chain.faults(conn)]


def test_a_link_is_what_hashing_by_hand_gives(log):
    # The canonical forms are written out here letter by letter, after the description at the top of store/chain.py.
    first = sha256(
        '{"cover_id":1,"id":"i1","inside":0,"inspected_at":"2026-01-10T01:00:00Z","inspector":"Ines",'
        '"note":"fär side","recorded_at":"2026-01-10T01:00:00Z","snow_depth_m":0.25}'
    )
    second = sha256(
        '{"defect":"tear","id":"f1","inspection_id":"i1","note":"","place":"bow",'
        '"recorded_at":"2026-01-10T01:00:00Z","severity":2}'
    )
    link_1 = sha256(f'[1,"inspections","i1","{first}","{"0" * 64}"]')
    link_2 = sha256(f'[2,"findings","f1","{second}","{link_1}"]')
    rows = [tuple(row) for row in log.execute("SELECT * FROM log_chain ORDER BY seq LIMIT 2")]
    assert rows == [(1, "inspections", "i1", first, link_1), (2, "findings", "f1", second, link_2)]


def test_every_fact_is_chained_in_the_order_in_which_it_was_stored(log):
    order = [row[0] for row in log.execute("SELECT entry_id FROM log_chain ORDER BY seq")]
    assert order == ["i1", "f1", "a1", "p1", "p1", "i2"]
    assert chain.head(log).count == 6
    assert chain.faults(log) == []


def test_an_entry_sent_twice_is_chained_once(log):
    fill(log)
    assert chain.head(log).count == 6
    assert chain.faults(log) == []


def test_a_fact_that_is_taken_back_leaves_no_link(log):
    def fails():
        with write(log):
            inspections.add_action(log, Action("a2", 1, T, T, "Ines", "taped"))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fails()
    assert chain.head(log).count == 6
    assert chain.faults(log) == []


def test_a_fact_outside_a_transaction_is_refused(log):
    with pytest.raises(ValueError, match="in one transaction"):
        chain.add_fact(log, "findings", {"id": "f9"})
    assert log.execute("SELECT count(*) FROM findings").fetchone()[0] == 1


IN_ANOTHER_ORDER = """
    UPDATE log_chain SET seq = 105 - seq WHERE seq IN (2, 3);
    UPDATE log_chain SET seq = seq - 100 WHERE seq > 100;
"""
AWAY = "DELETE FROM {0} WHERE id = '{1}'; DELETE FROM log_chain WHERE entry_id = '{1}';"


@pytest.mark.parametrize(
    "sql, expected",
    [
        (
            "UPDATE inspections SET note = 'all sound' WHERE id = 'i1'",
            [("changed", "inspections", "i1", "boat A-12, yard north")],
        ),
        ("UPDATE findings SET severity = 1", [("changed", "findings", "f1", "boat A-12, yard north")]),
        ("UPDATE actions SET actor = 'Ida'", [("changed", "actions", "a1", "boat A-13, yard north")]),
        (f"UPDATE photos SET sha256 = '{'cd' * 32}'", [("changed", "photos", "p1", "boat A-12, yard north")]),
        (
            "UPDATE photo_withdrawals SET withdrawn_by = 'Ida'",
            [("changed", "photo_withdrawals", "p1", "boat A-12, yard north")],
        ),
        ("UPDATE inspections SET snow_depth_m = NULL WHERE id = 'i1'", [("changed", "inspections", "i1", ANY)]),
        ("UPDATE findings SET note = CAST(x'ff' AS TEXT)", [("changed", "findings", "f1", ANY)]),
        ("DELETE FROM findings", [("removed", "findings", "f1", "")]),
        (
            "INSERT INTO findings SELECT 'f9', inspection_id, place, defect, severity, recorded_at, note, NULL "
            "FROM findings",
            [("added", "findings", "f9", "boat A-12, yard north")],
        ),
        (
            "UPDATE findings SET id = 'f9'",
            [("removed", "findings", "f1", ""), ("added", "findings", "f9", "boat A-12, yard north")],
        ),
        (
            IN_ANOTHER_ORDER,
            [
                ("broken", "actions", "a1", "boat A-13, yard north"),
                ("broken", "findings", "f1", "boat A-12, yard north"),
                ("broken", "photos", "p1", "boat A-12, yard north"),
            ],
        ),
        (
            AWAY.format("actions", "a1"),
            [("gap", "photos", "p1", ANY), ("broken", "photos", "p1", ANY)],
        ),
        (
            f"UPDATE log_chain SET entry_sha256 = '{'0' * 64}' WHERE seq = 3",
            [("broken", "actions", "a1", ANY), ("changed", "actions", "a1", ANY)],
        ),
        (
            f"UPDATE log_chain SET chain_sha256 = '{'0' * 64}' WHERE seq = 3",
            [("broken", "actions", "a1", ANY), ("broken", "photos", "p1", ANY)],
        ),
        (
            "INSERT INTO log_chain SELECT 7, table_name, entry_id, entry_sha256, chain_sha256 FROM log_chain "
            "WHERE seq = 6",
            [("broken", "inspections", "i2", ANY), ("twice", "inspections", "i2", ANY)],
        ),
    ],
)
def test_what_is_done_to_a_fact_behind_the_programs_back_is_found_and_named(log, behind, sql, expected):
    behind.execute("PRAGMA foreign_keys = OFF")
    behind.executescript(sql)
    assert found(log) == expected


def test_a_value_that_was_not_there_is_named(log, behind):
    behind.execute("UPDATE inspections SET gust_seen_ms = 31.0 WHERE id = 'i1'")
    (fault,) = chain.faults(log)
    assert fault.sentence == (
        "inspections i1 (boat A-12, yard north): it is not as it was stored. It had no gust_seen_ms then; now that is "
        "31.0."
    )


def test_text_that_is_no_text_is_told_in_letters_that_can_be_written(log, behind):
    behind.execute(
        "INSERT INTO actions SELECT CAST(x'61ff' AS TEXT), 1, acted_at, recorded_at, actor, action, note, "
        "NULL, NULL, NULL FROM actions"
    )
    (fault,) = chain.faults(log)
    assert fault.sentence.encode("utf-8").startswith(b"actions a\\udcff: it was put in")
    assert [row["note"] for row in log.execute("SELECT note FROM findings")] == [""]  # text is read as before


@pytest.mark.parametrize("tables", [["inspections"], ["inspections", "findings"], list(chain.CHAINED)])
def test_an_end_cut_off_with_its_links_shows_only_against_an_earlier_head(log, behind, tables):
    before = chain.head(log)
    assert chain.goes_on_from(log, before)
    behind.execute("DELETE FROM inspections WHERE id = 'i2'")
    behind.execute("DELETE FROM log_chain WHERE seq = 6")
    assert chain.faults(log) == []
    assert not chain.goes_on_from(log, before)
    with write(log):  # and what is stored afterwards does not cover it up
        inspections.add_inspection(log, Inspection("i3", 1, T, T, "Ida", False))
    assert chain.head(log).count == before.count
    assert not chain.goes_on_from(log, before)


def test_a_chain_computed_anew_shows_only_against_an_earlier_head(log, behind, path):
    before = chain.head(log)
    behind.execute("UPDATE findings SET severity = 0")
    behind.execute("DELETE FROM log_chain")
    with write(log):
        chain.chain_what_is_there(log, list(chain.CHAINED))
    assert chain.faults(log) == []
    assert chain.head(log).count == before.count
    assert not chain.goes_on_from(log, before)


def test_a_longer_chain_goes_on_from_each_earlier_head(conn, yard_id):
    heads = [chain.head(conn)]
    for number in range(4):
        inspections.add_action(conn, Action(f"a{number}", 1, T, T, "Ines", "taped"))
        heads.append(chain.head(conn))
    assert all(chain.goes_on_from(conn, head) for head in heads)
    assert not chain.goes_on_from(conn, chain.Head(9, heads[-1].sha256))


def test_a_column_that_a_later_version_adds_leaves_old_hashes_alone_and_no_value_in_it_goes_unnoticed(log, behind):
    log.execute("ALTER TABLE actions ADD COLUMN minutes REAL")
    assert chain.faults(log) == []
    behind.execute("UPDATE actions SET minutes = 5")
    (fault,) = chain.faults(log)
    assert "It had no minutes then; now that is 5.0." in fault.sentence


VALUES = {
    "TEXT": st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=8),
    "INTEGER": st.integers(-(2**40), 2**40),
    "REAL": st.floats(allow_nan=False),
}


@pytest.fixture(scope="module")
def unlocked(law_conn, make_cover):
    """A filled log whose triggers are gone and whose checks are off, to be tried on in transactions taken back."""
    register.save_covers(law_conn, "north", [make_cover("A-12"), make_cover("A-13")], T)
    fill(law_conn)
    for table in chain.CHAINED:
        for suffix in ("no_update", "no_delete", "no_replace"):
            law_conn.execute(f"DROP TRIGGER {table}_{suffix}")
    law_conn.execute("PRAGMA foreign_keys = OFF")
    law_conn.execute("PRAGMA ignore_check_constraints = ON")
    return law_conn


@given(st.data())
def test_any_other_value_in_any_column_of_any_fact_is_found(unlocked, data):
    conn = unlocked
    table = data.draw(st.sampled_from(list(chain.CHAINED)))
    columns = {row["name"]: row["type"] for row in conn.execute(f"PRAGMA table_info({table})")}
    column = data.draw(st.sampled_from(sorted(columns)))
    key = APPEND_ONLY[table][0][0]
    row = data.draw(st.sampled_from(conn.execute(f"SELECT {key} AS key, {column} AS value FROM {table}").fetchall()))
    value = data.draw(VALUES[columns[column]])
    conn.execute("BEGIN")
    try:
        conn.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = ?", (value, row["key"]))
        assert bool(chain.faults(conn)) == (value != row["value"])
    finally:
        conn.rollback()
