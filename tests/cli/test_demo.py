"""The demo: an invented yard and winter from end to end, without network, as often as one likes."""

import json
import re
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest
from invented_yard import YARD

from monitor.store import register
from monitor.store.connection import connect

CALLS = ("walk first", "walk today", "this week", "no call")
RANKED = re.compile(r"^ +\d+  (?P<call>[a-z ]{10})  0\.\d\d  \d\d \S", re.MULTILINE)
STORM = re.compile(r"^  \S+ \d+ \S+ \d\d:\d\d E[SD]T to \S+ \d+ \S+ \d\d:\d\d E[SD]T: (?P<character>.+)$", re.MULTILINE)


def test_the_demo_shows_storms_a_ranking_reasons_and_pages(folder, run):
    outcome = run("demo")
    assert (outcome.exit_code, outcome.err) == (0, "")

    calls = Counter(found["call"].strip() for found in RANKED.finditer(outcome.out))
    assert set(calls) == set(CALLS)
    assert min(calls.values()) >= 3
    assert max(calls.values()) <= 0.6 * calls.total()

    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    promised = readme.partition("## What it prints")[2].split("```")[1].removeprefix("text").partition("  ...")[0]
    assert len(promised.splitlines()) > 10
    assert " ".join(promised.split()) in " ".join(outcome.out.split())

    characters = [found["character"] for found in STORM.finditer(outcome.out)]
    assert len(set(characters)) >= 4
    for word in ("wet snow", "dry snow", "gale", "rain on snow"):
        assert any(word in character for character in characters), word

    why = outcome.out.partition("Why the first 3 are first:")[2]
    assert len(re.findall(r"score 0\.\d\d, of which .*%.*Check first: ", why)) == 3

    index = folder / "stormwalk-demo" / "pages" / "index.html"
    assert "Pages: stormwalk-demo/pages/index.html" in outcome.out
    assert "Wendlekill Yard" in index.read_text(encoding="utf-8")
    assert len(list(index.parent.glob("*.html"))) > calls.total()

    go_on = outcome.out.strip().splitlines()[-1].partition("stormwalk ")[2].split()
    explained = run(*go_on, "--json")
    assert explained.exit_code == 0
    assert json.loads(explained.out)["rank"] == 1


@pytest.mark.thorough
def test_the_demo_does_the_same_again_where_it_was_run_before(folder, run):
    outcome, again = run("demo"), run("demo")
    assert (again.exit_code, again.err) == (0, "")
    assert kept_aside(again.out) == kept_aside(outcome.out)


def kept_aside(text):
    """The demo's text without the id of the ranking, which is new each time."""
    return re.sub(r"Kept as ranking [0-9a-f]{8}\.", "", text)


def test_the_demo_leaves_a_database_with_other_yards_alone(folder, run):
    (folder / "mine").mkdir()
    with closing(connect(folder / "mine" / "demo.db", create=True)) as conn:
        register.save_yards(conn, [YARD])
    outcome = run("demo", "--out", "mine")
    assert (outcome.exit_code, outcome.out) == (1, "")
    assert outcome.err == ("mine/demo.db holds other yards than the demo's and is left alone. Choose another --out.\n")
    with closing(connect(folder / "mine" / "demo.db")) as conn:
        assert register.yards(conn) == [YARD]


@pytest.mark.parametrize("content", [b"", b"a letter, not a database\n" * 99])
def test_the_demo_leaves_a_file_that_is_not_its_own_alone(folder, run, content):
    (folder / "mine").mkdir()
    (folder / "mine" / "demo.db").write_bytes(content)
    outcome = run("demo", "--out", "mine")
    assert (outcome.exit_code, outcome.out) == (1, "")
    assert outcome.err.startswith("mine/demo.db is ")
    assert (folder / "mine" / "demo.db").read_bytes() == content


def test_pages_are_written_for_a_yard(yard, run):
    outcome = run("dashboard", "--as-of", "2023-11-18 23:00", "--out", "out")
    assert outcome.out == "Wrote out/index.html and a page for each of 3 covers.\n"
    assert (yard / "out" / "index.html").stat().st_size > 1000
    (yard / "taken").write_text("a file")
    refused = run("dashboard", "--out", "taken/pages")
    assert (refused.exit_code, refused.out) == (1, "")
    assert refused.err == "taken/pages cannot be written: Not a directory. Choose another folder with --out.\n"
