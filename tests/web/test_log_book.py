"""The log book: every entry as it was written, and as a table that no spreadsheet runs."""

import csv
import io
import re
from html import unescape

from invented_app import NOW
from invented_yard import HOUR, YARD

from monitor.exchange.entry_values import NewFinding
from monitor.operations.log import record_inspection


def test_the_table_has_every_entry_and_no_cell_that_a_spreadsheet_would_run(crew, conn):
    notes = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", " =1", "＝1", "plain", 'a, "b"\nc']
    for number, note in enumerate(notes):
        record_inspection(
            conn,
            YARD,
            "01",
            inspector="=cmd",
            inspected_at=NOW - number * HOUR,
            recorded_at=NOW,
            note=note,
            findings=[NewFinding("other", "inside", 1, note)],
        )
    answer = crew.get("/yards/north/log?format=csv")
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert answer.headers["Content-Disposition"] == 'attachment; filename="log.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert len(rows) == 2 * len(notes)
    for row in rows:
        for cell in row.values():
            assert not cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")), row
    assert {row["note"].removeprefix("'") for row in rows} == set(notes)
    assert {row["who"] for row in rows} == {"'=cmd"}


def test_the_log_book_is_newest_first_and_of_one_boat_where_asked(crew, conn):
    record_inspection(conn, YARD, "02", inspector="Per", inspected_at=NOW, recorded_at=NOW, note="of Fig")
    everything = crew.get("/yards/north/log").text
    assert everything.index("of Fig") < everything.index("plain")
    one = crew.get("/yards/north/log?boat=02").text
    assert "of Fig" in one
    assert "plain" not in one


def test_only_the_newest_entries_stand_on_the_page_and_it_leads_to_the_older_ones(crew, conn, monkeypatch):
    monkeypatch.setattr("monitor.web.log_pages.MOST_LINES", 3)
    page = crew.get("/yards/north/log").text
    assert page.count('<li class="entry') == 3
    entries, address = [], "/yards/north/log"
    while address:
        page = crew.get(address).text
        entries += re.findall(r'correct\?entry=([^"]+)"', page)
        older = re.search(r'href="([^"]+)">Older entries, \d+ more</a>', page)
        address = older and unescape(older.group(1))
    monkeypatch.undo()
    assert entries == re.findall(r'correct\?entry=([^"]+)"', crew.get("/yards/north/log").text)
    assert len(entries) > 3
    last = crew.get("/yards/north/log?skip=999").text
    assert "Nothing older is logged." in last
    assert "Newer entries" in last
