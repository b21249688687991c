"""From a stored walk to its sheet, and the command that writes it."""

import sys
from contextlib import closing
from datetime import timedelta

import pytest
from invented_yard import GALE, HOUR, SNOW, WRAPPED, YARD, in_hours, metar, record_yard
from page_reader import Page

from monitor.cli import main
from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations.log import record_inspection
from monitor.operations.walk_sheet import sheet_of_walk
from monitor.operations.walks import change_walk, plan_walk
from monitor.operations.weather import import_weather
from monitor.store import register
from monitor.store.connection import connect
from monitor.walks.plan import WalkRequest

NOW = WRAPPED + 84 * HOUR
"""23 October 2023, 12:00 on the yard's clock: the sun stands high."""


def look(conn, boat, moment, *findings):
    record_inspection(conn, YARD, boat, inspector="Ida", inspected_at=moment, recorded_at=moment, findings=findings)


@pytest.fixture(scope="module")
def yard_file(tmp_path_factory):
    """Three covers after snow and a gale; one loose band and one stand that moved; a walk planned from the ranking."""
    path = tmp_path_factory.mktemp("walk") / "stormwalk.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
        hours = round((NOW - WRAPPED) / HOUR)
        weather = in_hours(range(20, 30), SNOW)
        for name, gale in in_hours(range(40, 50), GALE).items():
            weather[name] = weather.get(name, {}) | gale
        assert import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, hours, **weather), "x.csv", NOW).good
        look(conn, "01", WRAPPED + 55 * HOUR, NewFinding("stand_shifted", "port", 3, "blocking out of line"))
        look(conn, "03", WRAPPED + 56 * HOUR, NewFinding("loose_band", "stern", 2, "aft"))
        crew = WalkRequest(crew=("Ida", "Sam", "Bo", "Kim"), start=NOW, calls=("walk first", "walk today", "this week"))
        plan_walk(conn, YARD, crew, by="Ida", now=NOW)
    return path


@pytest.fixture
def conn(yard_file):
    """The database; what a test changes is rolled back."""
    with closing(connect(yard_file)) as conn:
        conn.execute("BEGIN IMMEDIATE")
        yield conn
        conn.rollback()


def test_the_sheet_carries_reasons_findings_credits_and_the_age_of_the_weather(conn):
    text = Page(sheet_of_walk(conn, YARD, now=NOW)).text
    assert "Walk sheet: North Basin" in text
    assert "Data as of Mon 23 Oct 2023 12:00 EDT" in text
    assert "Newest weather hour: Mon 23 Oct 12:00 EDT." in text
    assert "Stand crew first: 01." in text
    assert "stand shifted at port, 3 make safe now, seen Sun 22 Oct 07:00 EDT by Ida: blocking out of line" in text
    assert "Open: loose band at stern, 2 repair soon" in text
    assert "Check: snow still lying" in text
    assert "Airport reports (METAR) from the Iowa Environmental Mesonet" in text
    assert "Ida and Sam" in text
    assert "Bo and Kim" in text


def test_a_stand_found_moved_after_the_planning_and_a_look_since_are_on_the_sheet(conn):
    before = Page(sheet_of_walk(conn, YARD, now=NOW)).text
    look(conn, "02", NOW + HOUR, NewFinding("tied_to_stand", "bow", 3))
    after = Page(sheet_of_walk(conn, YARD, now=NOW + 2 * HOUR)).text
    assert "tied to stand" not in before
    assert "tied to stand at bow, 3 make safe now, seen Mon 23 Oct 13:00 EDT by Ida" in after
    assert "Inspected since the ranking , Mon 23 Oct 13:00 EDT by Ida." in after
    assert "Data as of Mon 23 Oct 2023 12:00 EDT" in after
    assert "Findings as of Mon 23 Oct 14:00 EDT" in after
    assert Page(sheet_of_walk(conn, YARD, now=NOW)).text == before  # as it was known then


def test_what_people_changed_of_the_walk_is_on_the_sheet(conn):
    change_walk(conn, YARD, None, change="drop", boat="02", by="Ida", now=NOW, note="owner is there")
    text = Page(sheet_of_walk(conn, YARD, now=NOW)).text
    stops, left_out = text.split("In this order", 1)[1], text.split("Left out", 1)[1]
    assert "02 Fig" in left_out
    assert "Inspect 02" not in stops
    assert ". 02 Fig" not in stops


def test_one_party_gets_its_own_sheet(conn):
    whole = Page(sheet_of_walk(conn, YARD, now=NOW)).text
    sam, kim = (Page(sheet_of_walk(conn, YARD, now=NOW, party=name)).text for name in ("sam", " Kim "))
    assert "Ida and Sam" in sam
    assert "Bo and Kim" not in sam
    assert "Bo and Kim" in kim
    assert whole.count("To write in by hand:") == 3
    assert sam.count("To write in by hand:") + kim.count("To write in by hand:") == 3
    with pytest.raises(
        StormwalkError, match=r"'Zoe' walks in 0 parties of this walk, expected one.*Ida and Sam; Bo and Kim"
    ):
        sheet_of_walk(conn, YARD, now=NOW, party="Zoe")


def test_a_yard_without_a_walk_is_told_how_to_plan_one(tmp_path):
    with closing(connect(tmp_path / "new.db", create=True)) as conn:
        register.save_yards(conn, [YARD])
        with pytest.raises(
            StormwalkError, match=r'No walk is planned for yard north yet\. Plan one with "stormwalk walk plan"'
        ):
            sheet_of_walk(conn, YARD, now=NOW + timedelta(days=1))


@pytest.fixture
def run(yard_file, tmp_path, monkeypatch, capsys):
    """Runs ``stormwalk walk sheet`` with these arguments: exit code, standard output, standard error."""

    def command(*arguments):
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr(sys, "argv", ["stormwalk", "--db", str(yard_file), "walk", "sheet", *map(str, arguments)])
        with pytest.raises(SystemExit) as stop:
            main()
        captured = capsys.readouterr()
        return int(stop.value.code or 0), captured.out, captured.err

    return command


def test_the_command_prints_the_page_or_writes_it(run, tmp_path):
    code, out, _ = run("--party", "Ida")
    assert code == 0
    assert out.startswith("<!DOCTYPE html>")
    assert "No QR codes" in out
    code, out, err = run("--out", "walk.html", "--base-url", "https://yard.example.org/")
    assert (code, out, err) == (0, "", "Wrote walk.html.\n")
    written = (tmp_path / "walk.html").read_text(encoding="utf-8")
    assert 'href="https://yard.example.org/yards/north/inspect?boat=01"' in written


def test_the_command_writes_a_pdf_and_nothing_to_the_terminal(run, tmp_path, monkeypatch):
    made = []
    monkeypatch.setattr("monitor.documents.pdf.to_pdf", lambda html: made.append(html) or b"%PDF-1.7")
    assert run("--pdf", "walk.pdf") == (0, "", "Wrote walk.pdf.\n")
    assert (tmp_path / "walk.pdf").read_bytes() == b"%PDF-1.7"
    assert made[0].startswith("<!DOCTYPE html>")


@pytest.mark.parametrize(
    "arguments, sentence",
    [
        (("--base-url", "yard.example.org"), "is not an address under which the web app can be reached"),
        (("--party", "Zoe"), "walks in 0 parties"),
        (("ffff",), "fits 0 of the walks"),
        (("--out", "absent/walk.html"), "absent/walk.html cannot be written"),
    ],
)
def test_the_command_refuses_in_a_sentence(run, arguments, sentence):
    code, out, err = run(*arguments)
    assert (code, out) == (1, "")
    assert sentence in err
