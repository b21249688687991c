"""The walk: what its plan promises whatever the yard, and what becomes of it when people change it."""

import json
import re
from dataclasses import asdict, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import YARD

from monitor.errors import StormwalkError
from monitor.ranking import STAND_CREW
from monitor.walks.changes import changed_plan, resolved
from monitor.walks.daylight import Daylight, daylight
from monitor.walks.plan import (
    MINUTES,
    WALKED_CALLS,
    WalkChange,
    WalkCover,
    WalkRequest,
    plan_rounds,
)
from monitor.walks.stored import cover_from_json, plan_from_json, request_from_json

AS_OF = datetime(2026, 2, 21, 12, tzinfo=UTC)
START = datetime(2026, 2, 21, 15, tzinfo=UTC)
"""Ten in the morning on the yard's clock."""
LIGHT = daylight(YARD, date(2026, 2, 21))
CREW = ("Ida", "Per", "Jo", "Kai", "Liv", "Ned")


def call_of(score):
    """The calls of the default ranking."""
    return next(
        (call for call, least in (("walk first", 0.6), ("walk today", 0.35), ("this week", 0.15)) if score >= least),
        "no call",
    )


@st.composite
def yards(draw):
    """Up to 14 covers of any score, on a grid or anywhere."""
    scores = draw(st.lists(st.floats(0.0, 0.99), min_size=1, max_size=14))
    place = st.one_of(
        st.tuples(st.integers(0, 9).map(float), st.integers(0, 3).map(lambda row: 18.0 * row)),
        st.tuples(st.floats(0, 800), st.floats(0, 300)),
    )
    return [
        WalkCover(f"{number:02d}", call_of(score), score, *draw(place)) for number, score in enumerate(scores, start=1)
    ]


crews = st.integers(1, 6).map(lambda count: CREW[:count])
limits = st.floats(1, 300)


def asked(crew=CREW[:2], **changed):
    return WalkRequest(crew=tuple(crew), start=START, ignore_daylight=True, **changed)


def planned(covers, light=None, **changed):
    return plan_rounds(YARD, AS_OF, covers, asked(**changed), light)


def named(note):
    """The boats of a note, in order, each reason in brackets behind those that it holds for."""
    return sorted(boat for boats in re.findall(r"boats? ([0-9, ]+) \(", note) for boat in boats.split(", "))


def score_on(plan):
    return sum(stop.score for one in plan.rounds for stop in one.stops)


def boats_on(plan):
    return [stop.boat for one in plan.rounds for stop in one.stops]


def row_of_covers(*scores, apart_m=10.0):
    return [WalkCover(f"{n:02d}", call_of(score), score, n * apart_m, 0.0) for n, score in enumerate(scores, start=1)]


# --- laws of every plan


@given(yards(), crews, st.one_of(st.none(), limits))
def test_every_cover_is_on_one_round_or_left_out_with_a_reason(covers, crew, limit_min):
    plan = planned(covers, crew=crew, limit_min=limit_min)
    everybody = [*boats_on(plan), *(one.boat for one in plan.left_out)]
    assert sorted(everybody) == [cover.boat for cover in covers]
    assert all(one.why for one in plan.left_out)
    total = sum(cover.score for cover in covers)
    assert plan.covered_share == pytest.approx(score_on(plan) / total if total else 1.0)


@given(yards(), crews, limits, limits)
def test_more_time_never_covers_less(covers, crew, one, other):
    less, more = (planned(covers, crew=crew, limit_min=limit_min) for limit_min in sorted((one, other)))
    assert set(boats_on(less)) <= set(boats_on(more))
    assert more.covered_share >= less.covered_share - 1e-12


@given(yards(), limits, st.integers(1, 6), st.integers(1, 6), st.integers(1, 3))
def test_a_larger_crew_never_covers_less(covers, limit_min, one, other, party_size):
    few, many = (
        planned(covers, crew=CREW[:count], limit_min=limit_min, party_size=party_size) for count in sorted((one, other))
    )
    assert set(boats_on(few)) <= set(boats_on(many))
    assert many.covered_share >= few.covered_share - 1e-12


@given(yards(), crews, limits)
def test_walk_first_comes_before_any_other_and_is_never_dropped_silently(covers, crew, limit_min):
    plan = planned(covers, crew=crew, limit_min=limit_min)
    missed = [one for one in plan.left_out if one.call == "walk first"]
    if missed:
        assert {stop.call for one in plan.rounds for stop in one.stops} <= {"walk first"}
        assert plan.notes[0].startswith(f'{len(missed)} "walk first" cover')
        assert named(plan.notes[0]) == sorted(one.boat for one in missed)
    else:
        assert not any("left out" in note for note in plan.notes)


@given(yards(), crews, st.one_of(st.none(), limits), st.floats(0.3, 2.0))
def test_times_and_distances_agree_with_one_another_and_with_the_map(covers, crew, limit_min, walking_ms):
    plan = planned(covers, crew=crew, limit_min=limit_min, walking_ms=walking_ms)
    places = {cover.boat: np.array([cover.x_m, cover.y_m]) for cover in covers}
    for one in plan.rounds:
        here, clock = None, plan.start
        for stop in one.stops:
            walk_m = 0.0 if here is None else float(np.linalg.norm(places[stop.boat] - places[here]))
            assert stop.walk_m == pytest.approx(walk_m)
            clock += timedelta(seconds=walk_m / walking_ms)
            assert abs(stop.arrive - clock) < timedelta(milliseconds=1)
            assert stop.minutes == MINUTES[stop.call]
            clock += timedelta(minutes=stop.minutes)
            here = stop.boat
        assert abs(one.finish - clock) < timedelta(milliseconds=1)
        assert one.walked_m == pytest.approx(sum(stop.walk_m for stop in one.stops))
        assert plan.latest_finish is None or one.finish <= plan.latest_finish


@given(yards(), crews, st.one_of(st.none(), limits), st.randoms(use_true_random=False))
def test_the_same_covers_in_any_order_give_the_same_plan(covers, crew, limit_min, random):
    shuffled = random.sample(covers, k=len(covers))
    assert planned(shuffled, crew=crew, limit_min=limit_min) == planned(covers, crew=crew, limit_min=limit_min)


@given(yards(), crews, limits)
def test_a_plan_survives_json_unchanged(covers, crew, limit_min):
    plan = planned(covers, light=LIGHT, crew=crew, limit_min=limit_min)
    assert plan_from_json(json.loads(json.dumps(plan.as_json(), allow_nan=False))) == plan
    request = asked(crew, limit_min=limit_min)
    assert request_from_json(json.loads(json.dumps(request.as_json(), allow_nan=False))) == request
    assert [cover_from_json(json.loads(json.dumps(asdict(cover)))) for cover in covers] == covers


# --- parties


@pytest.mark.parametrize(
    "people, party_size, sizes",
    [(1, 2, [1]), (2, 2, [2]), (3, 2, [3]), (5, 2, [2, 3]), (6, 2, [2, 2, 2]), (5, 1, [1] * 5), (5, 3, [5])],
)
def test_people_go_in_parties_of_at_least_that_size(people, party_size, sizes):
    assert [len(names) for names in asked(CREW[:people], party_size=party_size).parties()] == sizes


@pytest.mark.parametrize("crew, party_size", [(CREW[:1], 2), (CREW[:4], 1)])
def test_somebody_alone_is_told_that_it_goes_against_the_caution(crew, party_size):
    notes = planned(row_of_covers(0.5), crew=crew, party_size=party_size).notes
    assert any(note.startswith("A party of one goes against the caution: Two people, always.") for note in notes)
    assert not any("party of one" in note for note in planned(row_of_covers(0.5)).notes)


def test_two_parties_share_a_row_between_them_and_the_first_has_the_worst_cover():
    plan = planned(row_of_covers(0.4, 0.41, 0.42, 0.5), crew=CREW[:4])
    assert [one.names for one in plan.rounds] == [("Ida", "Per"), ("Jo", "Kai")]
    assert [[stop.boat for stop in one.stops] for one in plan.rounds] == [["04", "03"], ["02", "01"]]


def test_a_party_without_covers_has_an_empty_round():
    plan = planned(row_of_covers(0.5), crew=CREW[:4])
    assert [len(one.stops) for one in plan.rounds] == [1, 0]
    assert plan.rounds[1].finish == plan.start


# --- order and choice


def test_where_berths_are_close_the_worst_cover_comes_first():
    assert boats_on(planned(row_of_covers(0.5, 0.9, 0.7))) == ["02", "03", "01"]


def test_without_metres_to_spare_the_way_is_the_shortest_from_its_worse_end():
    assert boats_on(planned(row_of_covers(0.5, 0.9, 0.7), worst_first_m=0.0)) == ["03", "02", "01"]


def test_covers_alike_in_all_come_by_boat_number():
    covers = [WalkCover(boat, "walk today", 0.5, 0.0, 0.0) for boat in ("10", "9", "2")]
    assert boats_on(planned(covers)) == ["2", "9", "10"]
    assert boats_on(planned(covers, limit_min=16)) == ["2"]


def test_of_equal_covers_the_nearer_one_is_chosen():
    # one walk first of 25 min, then of two alike the one 10 m on, not the one 600 m on: 25 + 10/60 + 15 min
    covers = [
        WalkCover("1", "walk first", 0.9, 0.0, 0.0),
        WalkCover("2", "walk today", 0.5, 600.0, 0.0),
        WalkCover("3", "walk today", 0.5, 10.0, 0.0),
    ]
    plan = planned(covers, limit_min=41)
    assert boats_on(plan) == ["1", "3"]
    assert plan.rounds[0].finish == START + timedelta(minutes=40, seconds=10)


def test_walk_first_covers_that_do_not_fit_are_named_first_and_nothing_else_takes_their_time():
    plan = planned(row_of_covers(0.9, 0.8, 0.4), limit_min=45)
    assert boats_on(plan) == ["01"]
    end = "Sat 21 Feb 10:45 EST"
    assert plan.notes[0] == (
        f'1 "walk first" cover is left out: boat 02 (no time for it before {end}). Find more people or time for them '
        "first."
    )


def test_covers_left_out_for_one_reason_are_named_together():
    plan = planned(row_of_covers(0.9, 0.8, 0.7), limit_min=45)
    end = "Sat 21 Feb 10:45 EST"
    assert plan.notes[0].startswith(
        f'2 "walk first" covers are left out: boats 02, 03 (no time for it before {end}). Find more people'
    )


def test_a_call_that_was_not_asked_for_is_left_out_with_that_reason():
    plan = planned(row_of_covers(0.9, 0.05), calls=WALKED_CALLS)
    assert [(one.boat, one.why) for one in plan.left_out] == [("02", 'its call is "no call", which was not asked for')]
    only_today = planned(row_of_covers(0.9, 0.4), calls=("walk today",))
    assert boats_on(only_today) == ["02"]
    assert "boat 01" in only_today.notes[0]


def test_an_open_stand_defect_is_for_the_stand_crew_alone_and_the_cover_stays_on_the_round():
    covers = [replace(row_of_covers(0.95)[0], stand_defects=("stand_shifted",))]
    plan = planned(covers)
    assert boats_on(plan) == ["01"]
    assert f"Boat 01 (stand shifted) is {STAND_CREW}." in plan.notes


def test_guessed_berths_and_minutes_of_our_own_are_told():
    covers = [replace(cover, guessed=cover.boat == "01") for cover in row_of_covers(0.5, 0.4)]
    told = " ".join(planned(covers).notes)
    assert "1 of 2 berths have no measured position" in told
    assert "Minutes at a cover (walk first 25, walk today 15, this week 10) are our own judgement" in told
    own = planned(covers, minutes={"walk first": 30, "walk today": 20, "this week": 5})
    assert "Minutes at a cover" not in " ".join(own.notes)


def test_an_empty_yard_needs_no_walk():
    plan = planned([])
    assert (boats_on(plan), plan.left_out, plan.covered_share) == ([], (), 1.0)


# --- daylight


def in_light(covers, start, light=LIGHT, **changed):
    request = WalkRequest(crew=CREW[:2], start=start, **changed)
    return plan_rounds(YARD, AS_OF, covers, request, light)


def test_a_walk_ends_at_sunset_and_says_so():
    plan = in_light(row_of_covers(0.9, 0.8), LIGHT.sunset - timedelta(minutes=40))
    assert plan.latest_finish == LIGHT.sunset
    assert boats_on(plan) == ["01"]
    assert plan.left_out[0].why.startswith("no time for it before sunset at Sat 21 Feb 17:")


def test_a_start_before_sunrise_is_put_off_and_the_limit_counts_from_there():
    plan = in_light(row_of_covers(0.9), LIGHT.sunrise - timedelta(hours=2), limit_min=60.0)
    assert plan.start == plan.rounds[0].stops[0].arrive == LIGHT.sunrise
    assert plan.latest_finish == LIGHT.sunrise + timedelta(hours=1)
    assert any(note.startswith("The start was put off from Sat 21 Feb 04:") for note in plan.notes)


def test_whoever_ignores_daylight_walks_in_the_dark():
    plan = in_light(row_of_covers(0.9), LIGHT.sunset, ignore_daylight=True)
    assert (plan.start, plan.latest_finish, plan.sunset) == (LIGHT.sunset, None, LIGHT.sunset)


def test_in_polar_night_the_walk_goes_on_with_a_sentence():
    dark = Daylight(date(2026, 12, 21), None, None, "The sun does not rise.")
    plan = in_light(row_of_covers(0.9), START, light=dark)
    assert boats_on(plan) == ["01"]
    assert "The sun does not rise." in plan.notes


# --- what is refused


@pytest.mark.parametrize(
    "changed, sentence",
    [
        ({"crew": ()}, "The crew is nobody; expected the name of each person, each once."),
        ({"crew": ("Ida", "ida")}, "The crew is Ida, ida; expected the name of each person, each once."),
        ({"party_size": 0}, "A party of 0 is none; expected 1 or more."),
        ({"limit_min": 0.0}, "The time limit in minutes is 0; expected more than 0 and less than 1440."),
        ({"limit_min": float("nan")}, "The time limit in minutes is nan; expected more than 0 and less than 1440."),
        ({"minutes": {"walk first": -1.0}}, 'The minutes at "walk first" is -1; expected more than 0'),
        ({"minutes": {"walk soon": 5.0}}, '"walk soon" is no call; expected one of walk first, walk today, this week'),
        ({"calls": ("never",)}, '"never" is no call'),
        ({"walking_ms": 0.0}, "The walking speed in m/s is 0"),
    ],
)
def test_a_request_without_sense_is_refused_in_one_sentence(changed, sentence):
    with pytest.raises(StormwalkError) as refusal:
        planned(row_of_covers(0.5), **changed)
    assert str(refusal.value).startswith(sentence)
    assert "Nothing was planned." in str(refusal.value)


def test_a_boat_given_twice_is_an_error_of_the_caller():
    with pytest.raises(ValueError, match="twice"):
        planned(row_of_covers(0.5) * 2)


# --- changes

COVERS = row_of_covers(0.9, 0.5, 0.45, 0.4, 0.05)
REQUEST = asked(CREW[:4])
PLAN = plan_rounds(YARD, AS_OF, COVERS, REQUEST, None)
BEFORE = START - timedelta(hours=1)


def change(what, boat, party="", at=BEFORE, note=""):
    return WalkChange(at, "Ida", what, boat, party, note)


def after(*changes, plan=PLAN):
    return changed_plan(plan, REQUEST, COVERS, YARD, changes)


def holder_of(plan, boat):
    return next((one.names for one in plan.rounds if boat in [stop.boat for stop in one.stops]), None)


def test_without_changes_the_plan_is_as_it_was():
    assert after() == PLAN


def test_a_dropped_cover_is_left_out_with_who_dropped_it_and_why():
    plan = after(change("drop", "02", note="owner on board"))
    assert holder_of(plan, "02") is None
    why = {one.boat: one.why for one in plan.left_out}["02"]
    assert why == "dropped by Ida, Sat 21 Feb 09:00 EST: owner on board"
    assert plan.covered_share < PLAN.covered_share


def test_dropping_walk_first_is_said_before_anything_else():
    plan = after(change("drop", "01"))
    assert plan.notes[0].startswith('1 "walk first" cover is left out: boat 01 (dropped by Ida')
    assert after(change("drop", "01"), change("add", "01", "Ida")).notes == PLAN.notes


def test_a_cover_can_be_added_that_was_left_out():
    plan = after(change("add", "05", "Jo and Kai"))
    assert holder_of(plan, "05") == ("Jo", "Kai")
    assert plan.left_out == ()
    assert plan.covered_share == pytest.approx(1.0)


@pytest.mark.parametrize("party", ["Jo and Kai", "Kai", " jo ", "2"])
def test_a_party_is_known_by_its_names_one_of_them_or_its_number(party):
    assert resolved(PLAN, REQUEST, COVERS, change("add", "05", party)).party == "Jo and Kai"


def test_an_added_cover_without_a_party_goes_to_who_is_done_with_it_soonest():
    longer, shorter = sorted(PLAN.rounds, key=lambda one: one.finish, reverse=True)
    assert longer.finish > shorter.finish
    assert resolved(PLAN, REQUEST, COVERS, change("add", "05")).party == " and ".join(shorter.names)


def test_a_cover_handed_over_is_on_the_other_round():
    had = holder_of(PLAN, "03")
    other = next(one.names for one in PLAN.rounds if one.names != had)
    plan = after(change("hand_over", "03", other[0]))
    assert holder_of(plan, "03") == other
    assert plan.covered_share == pytest.approx(PLAN.covered_share)


def test_a_cover_that_is_added_on_the_way_comes_behind_the_stops_that_are_begun():
    begun = PLAN.rounds[0].stops[0]
    plan = after(change("add", "05", "Ida", at=begun.arrive))
    assert plan.rounds[0].stops[0].boat == begun.boat


def test_a_round_that_then_ends_too_late_is_told():
    plan = plan_rounds(YARD, AS_OF, COVERS, replace(REQUEST, limit_min=26.0), None)
    more = changed_plan(plan, REQUEST, COVERS, YARD, [change("add", plan.left_out[0].boat, "Ida")])
    assert any("past the end at Sat 21 Feb 10:26 EST" in note for note in more.notes)


@pytest.mark.parametrize(
    "changes, sentence",
    [
        ([change("add", "01", "Ida")], "Boat 01 is on the round of Ida and Per already."),
        ([change("add", "99", "Ida")], 'No boat "99" was ranked for this walk.'),
        ([change("drop", "05")], "Boat 05 is on no round of this walk."),
        ([change("drop", "02"), change("drop", "02")], "Boat 02 is on no round of this walk."),
        ([change("drop", "99")], 'No boat "99" was ranked for this walk.'),
        ([change("hand_over", "05", "Ida")], "Boat 05 is on no round of this walk."),
        ([change("hand_over", "01", "Per")], "Boat 01 is on the round of Ida and Per already."),
        (
            [change("add", "05", "Zed")],
            '"Zed" is nobody on this walk. Nothing was changed. Name a person or a party\'s number: 1 Ida and Per; '
            "2 Jo and Kai.",
        ),
        ([change("add", "05", "3")], '"3" is nobody on this walk.'),
    ],
)
def test_a_change_without_sense_is_refused_in_one_sentence(changes, sentence):
    with pytest.raises(StormwalkError) as refusal:
        after(*changes)
    assert str(refusal.value).startswith(sentence)
    assert "Nothing was changed." in str(refusal.value)


def test_handing_over_to_nobody_is_refused():
    with pytest.raises(StormwalkError, match="hand it over to whom"):
        resolved(PLAN, REQUEST, COVERS, change("hand_over", "01"))


@given(yards(), st.data())
def test_changes_lose_no_cover_and_replay_to_the_same_plan(covers, data):
    request = asked(CREW[:5], limit_min=data.draw(limits))
    start = plan_rounds(YARD, AS_OF, covers, request, None)
    made, plan = [], start
    for _ in range(data.draw(st.integers(1, 6))):
        boat = data.draw(st.sampled_from([cover.boat for cover in covers]))
        what = data.draw(st.sampled_from(["add", "drop", "hand_over"]))
        try:
            one = resolved(plan, request, covers, change(what, boat, data.draw(st.sampled_from(["", "1", "2"]))))
            plan = changed_plan(start, request, covers, YARD, [*made, one])
        except StormwalkError:
            continue
        made.append(one)
    everybody = [*boats_on(plan), *(one.boat for one in plan.left_out)]
    assert sorted(everybody) == [cover.boat for cover in covers]
    assert changed_plan(start, request, covers, YARD, made) == plan
    missed = [one.boat for one in plan.left_out if one.call == "walk first"]
    assert not missed or named(plan.notes[0]) == sorted(missed)
