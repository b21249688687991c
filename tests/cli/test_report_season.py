"""``stormwalk report season``: file and PDF, the moments it takes, and that its curves are those of calibrate."""

import json
import re

import pytest
from invented_yard import HOUR, WRAPPED
from page_reader import Page

from monitor.cli import report_season

UNTIL = "2023-11-18 23:00"


@pytest.fixture(autouse=True)
def undrawn(monkeypatch):
    """The charts take longest and are tested with the document."""
    monkeypatch.setattr("monitor.documents.season_review.shares_svg", lambda chart: "<svg/>")
    monkeypatch.setattr("monitor.documents.season_review.grid_svg", lambda grid: "<svg/>")


def season(run, *arguments):
    return run("report", "season", *arguments)


def refused(outcome, sentence, exit_code=1):
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split()), outcome.err


def test_it_is_offered_with_the_other_documents(run):
    assert "season" in run("report", "--help").out


def test_without_a_file_the_page_is_printed_and_its_first_words_are_plain(run, yard):
    outcome = season(run, "--until", UNTIL)
    assert outcome.exit_code == 0, outcome.err
    text = Page(outcome.out).text
    assert "Season review: North Basin" in text
    assert "Of 1 inspections 1 found something new of severity 2 or more: 100 %" in text
    assert "There are too few inspections to say." in text
    assert "Fri 20 Oct 2023 00:00 EDT to Sat 18 Nov 2023 23:00 EST" in text
    assert list(yard.glob("*.html")) == []


def test_the_same_moment_gives_the_same_file(run, yard):
    for name in ("one.html", "two.html"):
        assert season(run, "--until", UNTIL, "--out", name).exit_code == 0
    assert (yard / "one.html").read_bytes() == (yard / "two.html").read_bytes()


def test_the_pdf_alone_is_written_where_only_it_is_asked_for(run, yard, monkeypatch):
    made = []
    monkeypatch.setattr("monitor.documents.pdf.to_pdf", lambda html: made.append(html) or b"%PDF-1.7")
    outcome = season(run, "--until", UNTIL, "--pdf", "season.pdf")
    assert (outcome.exit_code, outcome.out, outcome.err) == (0, "", "Wrote season.pdf.\n")
    assert (yard / "season.pdf").read_bytes() == b"%PDF-1.7"
    assert made[0].startswith("<!DOCTYPE html>")


def test_the_season_begins_where_it_is_told_and_hindsight_is_said(run, yard):
    outcome = season(run, "--until", UNTIL, "--start", "2023-11-01", "--hindsight")
    assert outcome.exit_code == 0, outcome.err
    text = Page(outcome.out).text
    assert "Wed 1 Nov 2023 00:00 EDT to" in text
    assert "No inspection was logged in this time" in text  # the only one was on 28 October
    assert "With hindsight: weather, log and builds as they are known now" in text


def test_its_curves_are_those_of_calibrate_to_the_digit_that_is_shown(run, yard, monkeypatch):
    run("log", "inspection", "01", "--by", "Ida", "--at", "2023-11-16 09:00", "--finding", "tear@port:2")
    run("log", "inspection", "02", "--by", "Ida", "--at", "2023-11-17 09:00")
    moment = WRAPPED + 31 * 24 * HOUR
    for module in ("monitor.cli.calibrate", "monitor.cli.report_season"):
        monkeypatch.setattr(f"{module}.now", lambda: moment)
    curves = {one["hazard"]: one for one in json.loads(run("calibrate", "--json").out)["curves"]}
    html = season(run).out
    rows = {
        cells[0]: cells[1:]
        for row in re.findall(r"<tr>(.*?)</tr>", html)
        if (cells := [re.sub(r"<[^>]+>", "", cell).strip() for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)])
    }
    for hazard, label in (("snow", "snow load"), ("gust", "gust"), ("unseen", "unseen")):
        curve = curves[hazard]
        count, before, fitted, x50, k, advice = rows[label]
        assert int(count) == curve["inspections"]
        for told, pair in ((before, curve["before"]), (fitted, curve["fitted"])):
            numbers = [float(text) for text in re.findall(r"[0-9.]+", told)]
            assert numbers == [float(f"{pair['x10']:.3g}"), float(f"{pair['x50']:.3g}")]
        assert [float(text) for text in x50.split(" to ")] == [float(f"{end:.3g}") for end in curve["x50_interval"]]
        low, high = curve["k_interval"]
        assert k == f"{curve['before']['k']:.2f}, {curve['fitted']['k']:.2f} ({low:.2f} to {high:.2f})"
        assert advice == "leave"  # three inspections are too few
    assert json.loads(run("yard", "curves", "--json").out)[0]["by"].startswith("default")


def test_a_planned_walk_is_held_against_the_inspections_of_its_day(run, yard, monkeypatch):
    planned = run(
        "walk", "plan", "--start", "2023-11-16 09:00", "--as-of", "2023-11-16 08:00", "--crew", "Ida,Per", "--json"
    )
    assert planned.exit_code == 0, planned.err
    stops = [stop["boat"] for party in json.loads(planned.out)["plan"]["rounds"] for stop in party["stops"]]
    assert stops
    run("log", "inspection", stops[0], "--by", "Ida", "--at", "2023-11-16 10:00")
    run("log", "inspection", stops[-1], "--by", "Ida", "--at", "2023-11-17 10:00")  # a day late: not the walk's
    monkeypatch.setattr(report_season, "now", lambda: WRAPPED + 31 * 24 * HOUR)
    assert f"On 1 planned walk, 1 of {len(stops)} planned stops" in Page(season(run).out).text
    before = Page(season(run, "--until", "2023-11-16 09:01").out).text
    assert "No walk was planned with stormwalk in this season" in before


@pytest.mark.parametrize(
    "arguments, sentence, exit_code",
    [
        (("--until", "2023-10-01"), "Yard north had no cover by Sun 1 Oct 2023 00:00 EDT", 1),
        (("--until", "2090-01-01"), "has not come yet", 1),
        (("--until", UNTIL, "--start", "2023-12-01"), "Choose an earlier start.", 1),
        (("--until", UNTIL, "--start", "soon"), "is not a date and time", 1),
        (("--until", UNTIL, "--out", "absent/a.html"), "absent/a.html cannot be written", 1),
        (("--until", UNTIL, "--pdf", "absent/a.pdf"), "absent/a.pdf cannot be written", 1),
        (("--yard", "south"), "south", 1),
        (("now",), "unexpected extra argument", 2),
    ],
)
def test_it_refuses_in_a_sentence(run, yard, arguments, sentence, exit_code, monkeypatch):
    monkeypatch.setattr("monitor.documents.pdf.to_pdf", lambda html: b"%PDF-1.7")
    refused(season(run, *arguments), sentence, exit_code)
