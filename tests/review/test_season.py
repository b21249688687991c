"""A season out of the database: replayed by what was known then, and curves fitted, accepted and undone."""

import itertools
import shutil
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import COVERS, DAY, GALE, HOUR, SNOW, WRAPPED, YARD, in_hours, metar, record_yard

from monitor.errors import RegisterError, StormwalkError
from monitor.evaluation.review import ReviewParameters
from monitor.exchange.entry_values import NewFinding
from monitor.operations.calibration import FITTED, accept, calibrate_yard
from monitor.operations.log import record_action, record_finding, record_inspection
from monitor.operations.ranking import assess_yard
from monitor.operations.register import curve_rows, import_covers, ranking_parameters, set_curve
from monitor.operations.review import replay_season, review_season
from monitor.operations.weather import import_weather
from monitor.ranking import Curve, RankingParameters
from monitor.store.connection import connect

QUICK = ReviewParameters(repeats=20)
DAYS = 28
UNTIL = WRAPPED + DAYS * DAY
WALKS = {
    6: {"01": [], "02": [("sag", "stern", 1)], "03": []},
    13: {"02": [("sag", "stern", 1), ("snow_lying", "port", 2)], "01": [("snow_lying", "port", 2)]},
    20: {"03": [("loose_band", "port", 2)], "01": [("tear", "port", 2)], "02": []},
    25: {"03": [("loose_band", "port", 2)], "02": [("sag", "stern", 2)], "01": []},
}
"""By day: what was found on each boat. Day 13 is after snow, day 20 after a gale, day 25 mild."""


def morning(day):
    return WRAPPED + day * DAY + 10 * HOUR


def weather_of_hours(conn, begin, end, fetched_at, **other):
    columns = in_hours(range(12 * 24, 12 * 24 + 10), SNOW)
    for name, hours in in_hours(range(18 * 24, 18 * 24 + 12), GALE).items():
        columns[name] = columns.get(name, {}) | hours
    here = {n: {h - begin: text for h, text in of.items() if begin <= h < end} for n, of in columns.items()}
    body = metar(WRAPPED + (begin + 1) * HOUR, end - begin, **{**here, **other})
    assert import_weather(conn, YARD, "metar-archive", body, "x.csv", fetched_at).good


@pytest.fixture(scope="module")
def season_file(tmp_path_factory):
    """The invented yard with weather that came in just before each of four walks, entered in the evening."""
    path = tmp_path_factory.mktemp("season") / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
        for begin, end in itertools.pairwise((0, *(24 * day + 10 for day in WALKS), 24 * DAYS)):
            weather_of_hours(conn, begin, end, WRAPPED + end * HOUR - timedelta(seconds=1))
        for day, boats in WALKS.items():
            for place, (boat, found) in enumerate(boats.items()):
                record_inspection(
                    conn,
                    YARD,
                    boat,
                    inspector="Ida",
                    inspected_at=morning(day) + timedelta(minutes=20 * place),
                    recorded_at=morning(day) + 8 * HOUR,
                    inside=True,
                    findings=[NewFinding(*one) for one in found],
                )
        at = morning(13) + 9 * HOUR
        record_action(conn, YARD, "02", action="cleared_snow", actor="Ida", acted_at=at, recorded_at=at)
    return path


@pytest.fixture
def conn(season_file, tmp_path):
    with closing(connect(shutil.copy(season_file, tmp_path / "yard.db"))) as opened:
        yield opened


def lines(replayed, before=UNTIL):
    """Each replayed line by moment and boat."""
    return {
        (one.inspection.inspected_at, one.line.boat): (one.line, one.ranked)
        for one in replayed
        if one.inspection.inspected_at < before
    }


def worst(conn, **choices):
    return [(one.line.boat, one.brought.worst) for one in replay_season(conn, YARD, until=UNTIL, **choices).replayed]


# --- replayed by what was known then


def test_each_walk_is_judged_by_the_list_that_rank_would_have_made(conn):
    season = replay_season(conn, YARD, until=UNTIL)
    assert len(season.replayed) == 11
    for day in WALKS:
        before = morning(day) - timedelta(seconds=1)
        expected = assess_yard(conn, YARD, as_of=before, known_at=before)
        by_boat = {line.boat: replace(line, data_age_h=None) for line in expected.ranked}
        of_walk = [one for one in season.replayed if one.inspection.inspected_at.date() == morning(day).date()]
        assert len(of_walk) == len(WALKS[day])
        for one in of_walk:
            assert one.line == by_boat[one.line.boat]
            assert one.ranked == 3


def test_with_hindsight_it_is_the_list_of_what_is_known_now(conn):
    found = lines(replay_season(conn, YARD, until=UNTIL, hindsight=True).replayed)
    for day in (13, 25):
        expected = assess_yard(conn, YARD, as_of=morning(day) - timedelta(seconds=1), known_at=UNTIL)
        scores = {line.boat: line.score for line in expected.ranked}
        of_walk = [line for (at, _), (line, _) in found.items() if at.date() == morning(day).date()]
        assert len(of_walk) == len(WALKS[day])
        assert all(line.score == scores[line.boat] for line in of_walk)


LATER = {
    "weather": lambda conn, day, at: weather_of_hours(
        conn, 24 * day, 24 * day + 24, at, sknt="40.00", gust="60.00", tmpf="10.00"
    ),
    "finding": lambda conn, day, at: record_inspection(
        conn, YARD, "03", inspector="Ole", inspected_at=WRAPPED + day * DAY + HOUR, recorded_at=at,
        findings=[NewFinding("tear", "bow", 3)], snow_water_mm=60.0,
    ),
    "action": lambda conn, day, at: record_action(
        conn, YARD, "01", action="retensioned_band", actor="Ole", acted_at=WRAPPED + day * DAY + HOUR, recorded_at=at
    ),
    "build": lambda conn, day, at: import_covers(
        conn, YARD, COVERS.replace("1.5,4.0,,4,4,,4,100,damp", "0.2,4.0,,4,1,,0,,standing_water").encode(), "c.csv", at
    ),
    "curve": lambda conn, day, at: set_curve(conn, YARD, "unseen", 1.0, 2.0, reason="", now=at),
}  # fmt: skip


@pytest.fixture(scope="module")
def as_it_was(season_file):
    with closing(connect(season_file)) as opened:
        return lines(replay_season(opened, YARD, until=UNTIL).replayed)


def replayed_with(season_file, folder, facts, day, recorded_at):
    """The lines of the season after these facts of a day were recorded at a moment."""
    path = shutil.copy(season_file, folder / "later.db")
    with closing(connect(path)) as opened:
        for fact in facts:
            LATER[fact](opened, day, recorded_at)
        return lines(replay_season(opened, YARD, until=UNTIL).replayed)


def test_facts_recorded_later_never_change_an_earlier_replayed_score_and_do_change_later_ones(
    season_file, as_it_was, tmp_path
):
    now = replayed_with(season_file, tmp_path, LATER, 3, morning(18))
    earlier = {key: line for key, line in as_it_was.items() if key[0] < morning(18)}
    assert len(earlier) == 5
    assert {key: now[key] for key in earlier} == earlier
    assert all(now[key] != line for key, line in as_it_was.items() if key not in earlier)


@pytest.mark.thorough
@given(st.sampled_from(sorted(LATER)), st.integers(0, 19), st.sampled_from([7, 14, 21, 26]))
def test_no_fact_recorded_later_changes_an_earlier_replayed_score(
    season_file, as_it_was, tmp_path_factory, fact, day, recorded_day
):
    recorded_at = morning(recorded_day)
    folder = tmp_path_factory.mktemp("later")
    now = replayed_with(season_file, folder, [fact], min(day, recorded_day - 1), recorded_at)
    earlier = {key: line for key, line in as_it_was.items() if key[0] < recorded_at}
    assert earlier
    assert {key: now[key] for key in earlier} == earlier


@pytest.mark.thorough
@pytest.mark.parametrize("fact", sorted(LATER))
def test_each_of_these_facts_recorded_in_time_changes_scores(season_file, as_it_was, tmp_path, fact):
    now = replayed_with(season_file, tmp_path, [fact], 1, morning(10))
    assert any(now[key] != line for key, line in as_it_was.items())


# --- outcomes


def test_only_new_information_counts(conn):
    # Day 20's sag and loose band are known before; boat 02's later sag has grown from 1 to 2. Its sound look on day 20
    # had closed the sag, so that it is new on day 25 in any case; the loose band of 03 was only seen again.
    assert worst(conn) == [
        *(("01", 0), ("02", 1), ("03", 0)),
        *(("02", 2), ("01", 2)),
        *(("03", 2), ("01", 2), ("02", 0)),
        *(("03", 0), ("02", 2), ("01", 0)),
    ]


def test_a_correction_counts_as_it_stands_now_and_leaves_the_score(conn, as_it_was):
    (tear,) = [f for f in replay_season(conn, YARD, until=UNTIL).log.findings if f.defect == "tear"]
    record_finding(
        conn, YARD, "01", NewFinding("tear", "port", 1), recorded_at=UNTIL - HOUR, corrects_id=tear.id,
        inspection_id=tear.inspection_id,
    )  # fmt: skip
    again = replay_season(conn, YARD, until=UNTIL).replayed
    assert (again[6].line.boat, again[6].brought.worst) == ("01", 1)
    assert lines(again) == as_it_was


def test_a_season_begins_and_ends_where_it_is_told(conn):
    part = replay_season(conn, YARD, start=morning(10), until=morning(21))
    assert [one.inspection.inspected_at.date() for one in part.replayed] == [morning(13).date()] * 2 + [
        morning(20).date()
    ] * 3
    with pytest.raises(StormwalkError, match="Yard north had no cover by"):
        review_season(conn, YARD, until=WRAPPED - DAY)


def test_the_review_says_what_it_rests_on(conn):
    found = review_season(conn, YARD, until=UNTIL, parameters=QUICK)
    assert (found.inspections, found.walks, found.left_out, found.needed.hits) == (11, 4, 0, 5)
    assert found.notes == ("Each walk by the list as it could have been known just before it.",)
    assert found.only_seen_again == 1
    record_inspection(conn, YARD, "01", inspector="Ida", inspected_at=morning(5), recorded_at=morning(15), findings=[])
    late = review_season(conn, YARD, until=UNTIL, parameters=QUICK).notes
    assert "1 inspections were entered more than a day late; walks in between did not know of them." in late


def test_weather_that_came_too_late_is_said_and_hindsight_uses_it(season_file, tmp_path):
    path = tmp_path / "late.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
        weather_of_hours(conn, 0, 24 * DAYS, UNTIL)
        record_inspection(conn, YARD, "01", inspector="Ida", inspected_at=morning(20), recorded_at=morning(20))
        notes = review_season(conn, YARD, until=UNTIL, parameters=QUICK).notes
        assert any("On 1 of 1 walks no weather was known" in note and "hindsight" in note for note in notes)
        (seen,) = review_season(conn, YARD, until=UNTIL, hindsight=True, parameters=QUICK).replayed
        assert "gust" in {reason.hazard for reason in seen.line.reasons if reason.value is not None}


# --- curves


def test_a_fit_stores_nothing_until_it_is_accepted(conn):
    before = ranking_parameters(conn, YARD).curves
    found = calibrate_yard(conn, YARD, until=UNTIL)
    assert (found.inspections, found.found) == (11, 5)
    assert ranking_parameters(conn, YARD).curves == before
    told = accept(conn, YARD, found, until=UNTIL, now=UNTIL)
    after = ranking_parameters(conn, YARD).curves
    fitted = {curve.hazard: curve.fitted for curve in found.curves if not curve.left_because}
    assert {"snow", "gust", "unseen"} <= set(fitted)
    assert {hazard: after[hazard] for hazard in fitted} == fitted
    assert {hazard: curve for hazard, curve in after.items() if hazard not in fitted} == {
        hazard: curve for hazard, curve in before.items() if hazard not in fitted
    }
    by = {row["hazard"]: row["by"] for row in curve_rows(conn, YARD)}
    assert by["snow"].startswith(
        f"this yard: {FITTED}11 inspections up to 2023-11-17, 5 of which found something new of severity 2 or more"
    )
    assert "stormwalk yard curves --yard north --set snow 0.15 0.5" in told


def test_a_fitted_curve_is_not_the_prior_of_the_next_fit(conn):
    first = calibrate_yard(conn, YARD, until=UNTIL)
    accept(conn, YARD, first, until=UNTIL, now=UNTIL)
    again = calibrate_yard(conn, YARD, until=UNTIL)
    assert again.curves == first.curves
    assert accept(conn, YARD, again, until=UNTIL, now=UNTIL + HOUR) == [
        "No curve is changed: none was fitted to other numbers than those in force."
    ]


def test_a_curve_set_by_hand_is_the_prior_also_under_a_fitted_one(conn):
    set_curve(conn, YARD, "snow", 0.1, 0.9, reason="old film", now=UNTIL - 2 * HOUR)
    first = calibrate_yard(conn, YARD, until=UNTIL)
    accept(conn, YARD, first, until=UNTIL, now=UNTIL)
    for found in (first, calibrate_yard(conn, YARD, until=UNTIL)):
        snow = next(curve for curve in found.curves if curve.hazard == "snow")
        assert snow.prior == Curve(0.1, 0.9)
        assert snow.fitted != snow.prior


def test_an_accepted_curve_is_undone_by_setting_the_one_before(conn):
    found = calibrate_yard(conn, YARD, until=UNTIL, hazards=["snow"])
    told = accept(conn, YARD, found, until=UNTIL, now=UNTIL)
    assert len(told) == 3  # what was set, "To undo it:", and the command
    x10, x50 = told[-1].split()[-2:]
    set_curve(conn, YARD, "snow", float(x10), float(x50), reason="", now=UNTIL + HOUR)
    assert ranking_parameters(conn, YARD).curves == RankingParameters().curves


def test_a_hazard_without_a_curve_is_refused(conn):
    with pytest.raises(RegisterError, match="There is no curve for 'open_finding'; expected one of snow, pocket"):
        calibrate_yard(conn, YARD, until=UNTIL, hazards=["open_finding"])


def test_a_log_without_inspections_leaves_every_curve(tmp_path):
    with closing(connect(tmp_path / "empty.db", create=True)) as conn:
        record_yard(conn)
        found = calibrate_yard(conn, YARD, until=UNTIL)
        assert {curve.hazard: curve.fitted for curve in found.curves} == RankingParameters().curves
        assert review_season(conn, YARD, until=UNTIL, parameters=QUICK).quality is None
