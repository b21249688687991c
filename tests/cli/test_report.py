"""``stormwalk report``: files and their names, and states of a moment or a ranking."""

import json
import re
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from invented_yard import HOUR, WRAPPED, YARD
from page_reader import Page

from monitor.cli import report_condition
from monitor.operations.log import record_action
from monitor.operations.register import set_curve
from monitor.store.connection import connect

AS_OF = "2023-11-18 23:00"


@pytest.fixture(autouse=True)
def undrawn(monkeypatch):
    """The chart takes longest and is tested with the documents."""
    monkeypatch.setattr("monitor.documents.condition_report.season_svg", lambda chart: "<svg/>")


def json_of(outcome):
    assert outcome.exit_code == 0, outcome.err
    return json.loads(outcome.out)


def refused(outcome, sentence, exit_code=1):
    """The command ended so, printed nothing on standard output, and the sentence on standard error."""
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split()), outcome.err


def condition(run, *arguments):
    return run("--db", "stormwalk.db", "report", "condition", *arguments)


def test_the_report_lies_in_the_working_folder_under_yard_boat_and_day(run, yard):
    outcome = condition(run, "03", "--as-of", AS_OF)
    name = "condition-north-03-2023-11-18.html"
    assert (outcome.exit_code, outcome.out, outcome.err) == (0, "", f"Wrote {name}.\n")
    text = Page((yard / name).read_text(encoding="utf-8")).text
    assert "Condition report: 03 Pear" in text
    assert "Loose band at port, repair soon" in text


def test_without_a_moment_it_is_of_now_and_says_how_to_print_it_again(run, yard, monkeypatch):
    monkeypatch.setattr(report_condition, "now", lambda: WRAPPED + timedelta(days=31, seconds=7))
    assert condition(run, "03", "--out", "now.html").exit_code == 0
    first = (yard / "now.html").read_text(encoding="utf-8")
    assert "Data as of Sun 19 Nov 2023 23:00 EST" in Page(first).text  # WRAPPED is 00:00 EDT, 23:00 EST in November
    again = Page(first).text.partition("with --as-of ")[2].split()[0].rstrip(".")
    assert condition(run, "03", "--out", "again.html", "--as-of", again).exit_code == 0
    assert (yard / "again.html").read_text(encoding="utf-8") == first


def test_a_ranking_gives_its_moment_what_was_known_and_its_curves(run, yard):
    ranked = json_of(run("--db", "stormwalk.db", "rank", "--as-of", AS_OF, "--hindsight", "--json"))
    stored = json_of(run("--db", "stormwalk.db", "rank", "--stored", "--json"))
    ranking = stored[0]["id"]
    assert condition(run, "02", "--ranking", ranking[:8], "--out", "before.html").exit_code == 0
    later = datetime.now(UTC) + timedelta(seconds=2)
    with closing(connect(yard / "stormwalk.db")) as conn:
        set_curve(conn, YARD, "gust", 1.0, 2.0, reason="calibrated", now=later)
        then = WRAPPED + 300 * HOUR
        record_action(conn, YARD, "02", action="rewelded", actor="Per", acted_at=then, recorded_at=later)
    assert condition(run, "02", "--ranking", ranking[:8], "--out", "after.html").exit_code == 0
    before, after = ((yard / name).read_text(encoding="utf-8") for name in ("before.html", "after.html"))
    assert before == after
    assert "re-welded" not in after.lower()
    assert "re-welded" in run("--db", "stormwalk.db", "log", "list", "02").out
    assert "Data as of Sat 18 Nov 2023 23:00 EST" in Page(before).text
    assert f"--ranking {ranking[:8]}" in before
    assert ranked


def test_the_pdf_alone_is_written_where_only_it_is_asked_for(run, yard, monkeypatch):
    made = []
    monkeypatch.setattr("monitor.documents.pdf.to_pdf", lambda html: made.append(html) or b"%PDF-1.7")
    outcome = condition(run, "03", "--as-of", AS_OF, "--pdf", "03.pdf")
    assert (outcome.exit_code, outcome.out, outcome.err) == (0, "", "Wrote 03.pdf.\n")
    assert (yard / "03.pdf").read_bytes() == b"%PDF-1.7"
    assert made[0].startswith("<!DOCTYPE html>")
    assert list(yard.glob("*.html")) == []


@pytest.mark.parametrize(
    "arguments, sentence, exit_code",
    [
        (("77",), 'Yard "north" has no boat 77 with a cover', 1),
        (("03", "--as-of", "2023-10-01"), "Boat 03 of yard north had no cover on", 1),
        (("03", "--as-of", "2090-10-01"), "has not come yet", 1),
        (("03", "--ranking", "ffff"), "fits 0 of the rankings", 1),
        (("03", "--as-of", AS_OF, "--out", "absent/a.html"), "absent/a.html cannot be written", 1),
        (("03", "--as-of", AS_OF, "--ranking", "ff"), "exclude each other", 2),
    ],
)
def test_it_refuses_in_a_sentence(run, yard, arguments, sentence, exit_code):
    refused(condition(run, *arguments), sentence, exit_code)


def test_the_help_names_every_document_and_another_is_refused(run):
    told = run("report", "--help")
    assert told.exit_code == 0
    for name, line in (("condition", "for its owner"), ("memo", "One proposal"), ("season", "foresaw it")):
        assert re.search(rf"^  {name} +.*{line}", told.out, re.MULTILINE)
    refused(run("report", "bill"), "No such command 'bill'", 2)
