"""``stormwalk walk`` as a person meets it: planned, listed, shown, changed, refused."""

import json
import shutil
from contextlib import closing
from datetime import date, timedelta

import pytest
from invented_yard import WRAPPED, YARD

from monitor.cli import stormwalk
from monitor.cli.walk import crew_from_text, minutes_from_texts
from monitor.errors import StormwalkError
from monitor.operations.walks import plan_walk
from monitor.store.connection import connect
from monitor.walks.daylight import daylight
from monitor.walks.plan import WalkRequest
from monitor.wording import utc_text

AS_OF = "2023-11-18 09:00"
PLAN = ("walk", "plan", "--as-of", AS_OF, "--call", "walk first", "--call", "walk today", "--call", "this week")


def json_of(outcome):
    assert outcome.exit_code == 0, outcome.err
    return json.loads(outcome.out)


def words(outcome):
    assert (outcome.exit_code, outcome.err) == (0, "")
    return " ".join(outcome.out.split())


def refused(outcome, sentence, exit_code=1):
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split()), outcome.err


def boats_on(document):
    return sorted(stop["boat"] for one in document["plan"]["rounds"] for stop in one["stops"])


@pytest.fixture(scope="module")
def planned_file(yard_file, tmp_path_factory):
    """The invented yard with a walk of two parties."""
    path = shutil.copy(yard_file, tmp_path_factory.mktemp("walk") / "stormwalk.db")
    start = WRAPPED + timedelta(days=29, hours=10)  # 9:00 of 18 November on the yard's clock
    request = WalkRequest(crew=("Ida", "Per", "Jo", "Kai"), start=start, as_of=start)
    with closing(connect(path)) as conn:
        plan_walk(conn, YARD, request, by="Ida", now=start)
    return path


@pytest.fixture
def planned(planned_file, folder, run):
    """The working folder with that database in it; the walk as JSON."""
    shutil.copy(planned_file, folder / "stormwalk.db")
    return json_of(run("walk", "show", "--json"))


def test_a_plan_tells_who_goes_where_when_and_what_to_mind(yard, run):
    told = words(run(*PLAN, "--crew", "Ida, Per, Jo, Kai"))
    assert told.startswith("North Basin: walk ")
    assert "from Sat 18 Nov 2023 09:00 EST" in told
    assert "sunset Sat 18 Nov 16:1" in told
    assert "Party 1, Ida and Per: " in told
    assert "Party 2, Jo and Kai: " in told
    assert "03 Pear, row A, place 3" in told
    assert "Minutes at a cover (walk first 25, walk today 15, this week 10) are our own judgement" in told
    assert "Two people, always. Nobody under or on a loaded cover." in told


def test_the_crew_is_the_yards_unless_it_is_named(yard, run):
    plan = json_of(run(*PLAN, "--json"))["plan"]
    assert [one["names"] for one in plan["rounds"]] == [["person 1", "person 2"]]


def test_a_document_has_what_was_asked_for_and_every_cover(planned):
    everybody = boats_on(planned) + [one["boat"] for one in planned["plan"]["left_out"]]
    assert sorted(everybody) == ["01", "02", "03"]
    assert planned["request"]["crew"] == ["Ida", "Per", "Jo", "Kai"]
    assert planned["plan"]["as_of"] == "2023-11-18T14:00:00Z"
    assert planned["created_by"] == "Ida"
    assert planned["changes"] == []


def test_minutes_limit_calls_and_a_start_at_night_are_taken(yard, run):
    asked = ["--minutes", "walk first=30", "--minutes", "walk today=30", "--minutes", "this week=30", "--limit", "31"]
    document = json_of(run(*PLAN, *asked, "--start", "2023-11-18 18:00", "--call", "no call", "--by", "Per", "--json"))
    assert len(boats_on(document)) == 1
    (stop,) = [stop for one in document["plan"]["rounds"] for stop in one["stops"]]
    assert stop["minutes"] == (10.0 if stop["call"] == "no call" else 30.0)
    assert document["request"]["calls"] == ["walk first", "walk today", "this week", "no call"]
    assert document["created_by"] == "Per"
    assert document["plan"]["start"] == utc_text(daylight(YARD, date(2023, 11, 19)).sunrise)
    assert any(
        "The start was put off from Sat 18 Nov 18:00 EST to sunrise" in note for note in document["plan"]["notes"]
    )


def test_walks_are_listed_and_shown_again(planned, run):
    (row,) = json_of(run("walk", "list", "--json"))
    assert row["id"] == planned["id"]
    assert (row["starts_at"], row["created_by"], row["changes"]) == ("2023-11-18T14:00:00Z", "Ida", 0)
    assert planned["id"][:8] in words(run("walk", "list"))
    assert json_of(run("walk", "show", planned["id"][:8], "--json")) == planned
    assert "Party 1, Ida and Per" in words(run("walk", "show"))


def test_a_walk_is_changed_and_its_history_shown(planned, run):
    boat = boats_on(planned)[0]
    told = words(run("walk", "drop", boat, "--by", "Per", "--note", "owner on board"))
    assert f": drop {boat}, by Per (owner on board)" in told
    assert f"{boat}: dropped by Per" in told
    changed = json_of(run("walk", "add", boat, "--by", "Per", "--to", "kai", "--json"))
    assert boat in [stop["boat"] for stop in changed["plan"]["rounds"][1]["stops"]]
    changed = json_of(run("walk", "hand-over", boat, "--by", "Jo", "--to", "Ida", "--walk", planned["id"], "--json"))
    assert [one["change"] for one in changed["changes"]] == ["drop", "add", "hand_over"]
    assert changed["planned"] == planned["plan"]


def test_what_makes_no_sense_is_refused_with_one_sentence(planned, run):
    boat = boats_on(planned)[0]
    refused(run("walk", "add", boat, "--by", "Ida"), f"Boat {boat} is on the round of")
    refused(run("walk", "drop", "99", "--by", "Ida"), 'No boat "99" was ranked for this walk.')
    refused(run("walk", "hand-over", boat, "--by", "Ida", "--to", "Zed"), '"Zed" is nobody on this walk.')
    refused(run("walk", "show", "zz"), "The id 'zz' fits 0 of the walks kept for yard north")
    refused(run(*PLAN, "--minutes", "walk first"), "--minutes: 'walk first' is not CALL=MINUTES")
    refused(run(*PLAN, "--minutes", "soon=5"), '"soon" is no call; expected one of walk first, walk today')
    refused(run(*PLAN, "--limit", "0"), "The time limit in minutes is 0; expected more than 0")
    refused(run(*PLAN, "--limit", "nan"), "The time limit in minutes is nan; expected more than 0")
    refused(run(*PLAN, "--crew", "Ida, Ida"), "The crew is Ida, Ida; expected the name of each person, each once.")
    refused(run(*PLAN, "--crew", "0"), "--crew: 0 people; expected 1 to 200")


def test_a_start_that_is_long_gone_is_refused_and_a_time_alone_is_the_next_one(yard, run):
    refused(
        run("walk", "plan", "--start", "2023-02-18 07:30"),
        "The start, Sat 18 Feb 2023 07:30 EST, lies before the ranking that the walk would rest on,",
    )
    assert json_of(run("walk", "list", "--json")) == []
    later = json_of(run(*PLAN, "--start", "9:30", "--json"))
    assert later["request"]["start"] == "2023-11-18T14:30:00Z"
    tomorrow = json_of(run(*PLAN, "--start", "08:30", "--json"))
    assert tomorrow["request"]["start"] == "2023-11-19T13:30:00Z"


def test_without_a_walk_the_next_step_is_told(yard, run):
    sentence = 'No walk is planned for yard north yet. Plan one with "stormwalk walk plan".'
    refused(run("walk", "show"), sentence)
    assert json_of(run("walk", "list", "--json")) == []


@pytest.mark.parametrize(
    "arguments", [("drop", "01"), ("hand-over", "01", "--by", "Ida"), ("plan", "--party-size", "0")]
)
def test_wrong_usage_exits_with_2(yard, run, arguments):
    refused(run("walk", *arguments), "Try 'stormwalk walk", exit_code=2)


def test_the_group_has_the_sheet_too():
    group = stormwalk.get_command(None, "walk")
    assert list(group.commands) == ["plan", "list", "show", "add", "drop", "hand-over", "sheet"]


def test_a_crew_is_names_or_a_number():
    assert crew_from_text(" Ida  Berg, Per ", 3) == ("Ida Berg", "Per")
    assert crew_from_text("2", 3) == ("person 1", "person 2")
    assert crew_from_text(None, 3) == ("person 1", "person 2", "person 3")
    with pytest.raises(StormwalkError, match="expected 1 to 200"):
        crew_from_text("201", 3)


def test_minutes_are_read_by_call():
    assert minutes_from_texts(("walk first=30", " this week = 7.5")) == {"walk first": 30.0, "this week": 7.5}
    for text in ("=5", "walk first=", "walk first=inf", "walk first"):
        with pytest.raises(StormwalkError, match="is not CALL=MINUTES"):
            minutes_from_texts((text,))
