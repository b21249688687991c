"""Walks, what an inspection brought that was new, and the lists before them from hours worked out once."""

import uuid
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from simulated_yard import PARAMETERS, YARD, SimulatedYard

from monitor.clocks import Log
from monitor.evaluation import replay
from monitor.evaluation.replay import KnownThen, brought_to_light, lists_before, replayed, walks_of
from monitor.inspections import Action, Finding, Inspection
from monitor.ranking import RankingParameters

NINE = datetime(2026, 1, 10, 14, tzinfo=UTC)
"""Nine in the morning at Halifax, and ten at New York's clock."""

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
BOATS = {1: "01", 2: "02"}


def visit(cover=1, at=NINE, name=None, **more):
    return Inspection(name or str(uuid.uuid4()), cover, at, at, "Ida", more.pop("inside", False), **more)


def finding(of, defect="tear", place="port", severity=2):
    return Finding(f"{of.id}-{defect}-{place}", of.id, place, defect, severity, of.inspected_at)


def done(action, at, cover=1, **more):
    return Action(str(uuid.uuid4()), cover, at, at, "Ida", action, **more)


# --- walks


def test_a_walk_is_one_round_of_one_day():
    at = [NINE, NINE + 20 * MINUTE, NINE + 3 * HOUR, NINE + 7 * HOUR, NINE + DAY]
    walks = walks_of([visit(cover, moment) for cover, moment in enumerate(at)], "America/Halifax")
    # 2 h 40 min of pause are no new walk, 4 h are, and so is the next morning
    assert [[one.cover_id for one in walk.inspections] for walk in walks] == [[0, 1, 2], [3], [4]]
    assert walks[0].before == NINE - timedelta(seconds=1)


def test_a_cover_seen_twice_and_midnight_on_the_yards_clock_begin_another_walk():
    again = walks_of([visit(1), visit(2, NINE + MINUTE), visit(1, NINE + 2 * MINUTE)], "America/Halifax")
    assert [len(walk.inspections) for walk in again] == [2, 1]
    midnight = datetime(2026, 1, 11, 4, tzinfo=UTC)  # 0:00 at Halifax (UTC-4)
    late = [visit(1, midnight - MINUTE), visit(2, midnight + MINUTE)]
    assert len(walks_of(late, "America/Halifax")) == 2
    assert len(walks_of(late, "UTC")) == 1


# --- only new information counts


def test_an_inspection_without_findings_brought_nothing():
    one = visit()
    assert brought_to_light(Log([one]), BOATS)[one.id].worst == 0


def test_what_was_open_already_and_is_no_worse_is_seen_again_and_not_new():
    first, second = visit(), visit(at=NINE + DAY)
    log = Log([first, second], [finding(first), finding(second)])
    brought = brought_to_light(log, BOATS)
    assert brought[first.id].worst == 2
    assert (brought[second.id].worst, len(brought[second.id].again)) == (0, 1)


@pytest.mark.parametrize(
    "severity, place, defect, new",
    [(2, "port", "tear", False), (1, "port", "tear", False), (3, "port", "tear", True)]
    + [(2, "bow", "tear", True), (2, "port", "chafe", True)],
    ids=["as bad", "better", "grown", "elsewhere", "another defect"],
)
def test_new_is_another_place_another_defect_or_a_worse_one(severity, place, defect, new):
    first, second = visit(), visit(at=NINE + DAY)
    log = Log([first, second], [finding(first), finding(second, defect, place, severity)])
    assert brought_to_light(log, BOATS)[second.id].worst == (severity if new else 0)


def test_what_was_put_right_in_between_and_came_back_is_new():
    first, second = visit(), visit(at=NINE + DAY)
    log = Log([first, second], [finding(first), finding(second)], [done("taped", NINE + HOUR)])
    assert brought_to_light(log, BOATS)[second.id].worst == 2


def test_what_was_found_sound_in_between_and_came_back_is_new():
    first, sound, third = visit(), visit(at=NINE + DAY), visit(at=NINE + 2 * DAY)
    log = Log([first, sound, third], [finding(first), finding(third)])
    assert brought_to_light(log, BOATS)[third.id].worst == 2


def test_a_finding_on_the_boats_earlier_cover_may_be_open_still_and_another_boat_is_another_matter():
    first, second = visit(1), visit(2, NINE + DAY)
    shifted = [finding(one, "stand_shifted", "stands", 3) for one in (first, second)]
    log = Log([first, second], shifted)
    assert brought_to_light(log, {1: "01", 2: "01"})[second.id].worst == 0
    assert brought_to_light(log, BOATS)[second.id].worst == 3


def test_a_defect_said_to_be_sound_is_no_finding_and_two_of_one_inspection_are_both_new():
    one = visit()
    log = Log([one], [finding(one, severity=0), finding(one, "sag", "bow", 1), finding(one, "chafe", "bow", 2)])
    assert (brought_to_light(log, BOATS)[one.id].worst, len(brought_to_light(log, BOATS)[one.id].new)) == (2, 2)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=8))
def test_what_comes_later_never_changes_what_an_inspection_brought(made):
    visits = [visit(at=NINE + place * DAY, name=f"i{place}") for place in range(len(made))]
    found = [finding(one, severity=s) for one, (s, _) in zip(visits, made, strict=True)]
    work = [done("taped", one.inspected_at + HOUR) for one, (_, w) in zip(visits, made, strict=True) if w == 3]
    whole = brought_to_light(Log(visits, found, work), BOATS)
    for count in range(1, len(visits) + 1):
        by_then = Log(visits[:count], found[:count], [a for a in work if a.acted_at < visits[count - 1].inspected_at])
        assert brought_to_light(by_then, BOATS)[visits[count - 1].id] == whole[visits[count - 1].id]


# --- lists from hours worked out once


@pytest.fixture(scope="module")
def yard():
    return SimulatedYard(6, seed=1, hours=18 * 24)


def known(yard, day, log=None, weather=None, covers=None):
    as_of = yard.wrapped_at + timedelta(days=day, hours=9, minutes=30)
    return KnownThen(
        as_of, tuple(covers or yard.covers), {}, {}, log or Log(), weather or yard.weather, RankingParameters()
    )


def cut(weather, end, **changes):
    """The weather that was known at a moment: none after it, and perhaps other values in some hours."""
    values = weather.values.loc[:end].copy()
    for name, (hour, value) in changes.items():
        values.loc[hour, name] = value
    return replace(weather, values=values, sources=weather.sources.loc[:end], flags=weather.flags.loc[:end])


def each_alone(moments):
    return [lists_before([one], YARD, PARAMETERS)[0] for one in moments]


@pytest.fixture
def runs(monkeypatch):
    """Counts how often the hours of covers are worked out."""
    count = []
    original = replay.cover_series
    monkeypatch.setattr(replay, "cover_series", lambda *given: count.append(1) or original(*given))
    return count


def test_moments_that_knew_the_same_share_their_hours_and_their_lists_are_as_if_made_alone(yard, runs):
    log = Log([visit(1, yard.wrapped_at + 5 * DAY, snow_depth_m=0.1), visit(2, yard.wrapped_at + 8 * DAY)])
    moments = []
    for day in (4, 7, 12, 17):
        end = yard.wrapped_at + timedelta(days=day, hours=9)
        seen = Log([one for one in log.inspections if one.inspected_at <= end])
        moments.append(known(yard, day, seen, cut(yard.weather, end)))
    together = lists_before(moments, YARD, PARAMETERS)
    assert len(runs) == 1
    assert together == each_alone(moments)


def test_an_hour_revised_later_leaves_the_earlier_list_as_it_was_known(yard, runs):
    end = yard.wrapped_at + timedelta(days=10, hours=9)
    hour = yard.weather.values.index[10 * 24 + 5]
    then = known(yard, 10, weather=cut(yard.weather, end, wind_gust_ms=(hour, 45.0), wind_speed_ms=(hour, 30.0)))
    later = known(yard, 15, weather=cut(yard.weather, yard.wrapped_at + timedelta(days=15, hours=9)))
    together = lists_before([then, later], YARD, PARAMETERS)
    assert len(runs) == 2
    assert together == each_alone([then, later])
    gusts = [{r.hazard: r.value for r in line.reasons}["gust"] for line in together[0]]
    later_gusts = [{r.hazard: r.value for r in line.reasons}["gust"] for line in together[1]]
    assert max(gusts) > 1.2 * max(later_gusts)


@pytest.mark.parametrize("change", ["build", "measured", "cleared", "another cover"])
def test_what_became_known_late_of_an_earlier_time_does_not_reach_the_earlier_list(yard, runs, change):
    early, covers, log = yard.wrapped_at + 3 * DAY, list(yard.covers), Log()
    if change == "build":
        build = replace(covers[0].builds[0], built_at=early, ridge_rise_m=0.05)
        covers[0] = replace(covers[0], builds=(*covers[0].builds, build), id=covers[0].id)
    elif change == "measured":
        log = Log([visit(1, early, snow_water_mm=80.0)])
    elif change == "cleared":
        log = Log(actions=[done("cleared_snow", early)])
    else:
        build = replace(covers[0].builds[0], built_at=yard.wrapped_at + 12 * DAY)
        covers[0] = replace(covers[0], builds=(build,), id=99)
    moments = [known(yard, 10), known(yard, 15, log, covers=covers)]
    together = lists_before(moments, YARD, PARAMETERS)
    assert len(runs) == 2
    assert together == each_alone(moments)
    assert together[0] == lists_before([known(yard, 10), known(yard, 15)], YARD, PARAMETERS)[0]


def test_the_hour_that_ends_at_the_moment_counts_and_the_next_does_not(yard):
    last = yard.wrapped_at + timedelta(days=10, hours=9)
    index = list(yard.weather.values.index)
    for hour, counts in ((index[10 * 24 + 8], True), (index[10 * 24 + 9], False)):
        assert (hour == last) == counts
        blown = cut(yard.weather, index[-1], wind_gust_ms=(hour, 60.0))
        (lines,) = lists_before([replace(known(yard, 10, weather=blown), as_of=last)], YARD, PARAMETERS)
        gusts = [next(reason for reason in line.reasons if reason.hazard == "gust") for line in lines]
        assert (max(reason.value for reason in gusts) > 1000) == counts  # the winter's own are below 600 Pa


def test_only_the_covers_asked_for_are_ranked(yard):
    (lines,) = lists_before([known(yard, 10)], YARD, PARAMETERS, only={2, 5})
    everyone = {line.cover: line.score for line in lists_before([known(yard, 10)], YARD, PARAMETERS)[0]}
    assert {line.cover: line.score for line in lines} == {cover: everyone[cover] for cover in (2, 5)}
    assert [line.rank for line in lines] == [1, 2]


def test_covers_in_blocks_make_the_same_list(yard, monkeypatch):
    whole = lists_before([known(yard, 10)], YARD, PARAMETERS)
    monkeypatch.setattr(replay, "BLOCK", 4)
    assert lists_before([known(yard, 10)], YARD, PARAMETERS) == whole


def test_an_inspection_stands_beside_its_line_and_the_keys_of_the_simple_orders(yard):
    then = known(yard, 10, Log([visit(3, yard.wrapped_at + 7 * DAY, name="before")]))
    seen = [visit(cover, then.as_of + timedelta(seconds=1), name=str(cover)) for cover in (3, 5, 99)]
    (walk,) = walks_of(seen, YARD.time_zone)
    lists = lists_before([then], YARD, PARAMETERS)
    found = replayed([walk], [then], lists, brought_to_light(Log(seen), {3: "003", 5: "005", 99: "099"}))
    assert [one.inspection.cover_id for one in found] == [3, 5]  # no list had the third
    third = found[0]
    assert third.line == next(line for line in lists[0] if line.cover == 3)
    assert third.waited_days == pytest.approx(3 + 9.5 / 24)
    assert found[1].waited_days == pytest.approx(10 + 9.5 / 24)
    assert (third.place_by_berth, third.ranked) == (2, 6)  # rows A to H by number mod 8: B to G here
    rise, beam = yard.covers[2].builds[0].ridge_rise_m, 3.0
    assert third.slope_deg == pytest.approx(np.degrees(np.arctan(rise / (beam / 2))))
