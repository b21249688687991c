"""Findings by build and by what was done, and whom to build otherwise: small seasons counted by hand."""

import math
import uuid
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from monitor.evaluation.metrics import Share
from monitor.evaluation.outcomes import (
    BUILD_FOR_DEFECT,
    BUILD_FOR_HAZARD,
    OutcomeParameters,
    next_autumn,
    outcome_tables,
)
from monitor.evaluation.replay import Brought, Replayed
from monitor.inspections import DEFECTS, STAND_DEFECTS, Action, Finding, Inspection
from monitor.ranking import HAZARDS, RankedCover, Reason
from monitor.register import Boat, Cover, CoverBuild

START = datetime(2025, 10, 20, tzinfo=UTC)
DAY = timedelta(days=1)
CHOSEN = OutcomeParameters()
SOUND = CoverBuild(
    START, ridge_rise_m=1.5, flattest_slope_deg=30.0, post_count=4, band_drop_m=0.2, belly_band_spacing_m=1.8,
    vent_count=4, vent_area_m2=0.01, film_thickness_mm=0.2,
)  # fmt: skip
"""Departs from common practice in nothing."""


def reason(hazard, p):
    return Reason(hazard, p, 1.0, "", None, "", None, 0.0, "")


def seen(number=1, day=10, found=(), reasons=(), build=SOUND, inside=True, walk=0, score=0.3):
    """An inspection of a cover beside its line; ``found`` are defects, with place and severity where they matter."""
    at = START + day * DAY
    visit = Inspection(str(uuid.uuid4()), number, at, at, "Ida", inside)
    new = []
    for one in found:
        defect, place, severity = (one, "port", 2) if isinstance(one, str) else one
        new.append(Finding(str(uuid.uuid4()), visit.id, place, defect, severity, at))
    boat = Boat(f"{number:02}", "Plum", "sail", 9.0, 3.0, "stands", "A", number, 0.0, "exposed")
    line = RankedCover(1, boat.number, number, score, "this week", tuple(reasons), None)
    slope = build.flattest_slope_deg or 30.0
    cover = Cover(boat, date(2025, 10, 20), (build,), id=number)
    return Replayed(visit, walk, line, cover, 20, number, 3.0, slope, Brought(tuple(new), ()))


def retensioned(number, day):
    at = START + day * DAY
    return Action(str(uuid.uuid4()), number, at, at, "Ida", "retensioned_band")


def counts(table):
    return {group.label: (group.found.hits, group.found.of) for group in table.groups}


def test_damp_is_counted_by_thirds_of_the_covers_vents_and_only_where_somebody_looked_inside():
    season = [seen(n, found=["damp_inside"] if n < 3 else [], build=replace(SOUND, vent_count=n)) for n in range(9)]
    season.append(seen(9, found=["mould_inside"], inside=False))
    vents, _, _ = outcome_tables(season, [], CHOSEN)
    # Vents 0 to 8: the thirds end at 8/3 and 16/3, so they are 0-2, 3-5 and 6-8
    assert counts(vents) == {"0 to 2 vents": (3, 3), "3 to 5 vents": (0, 3), "6 to 8 vents": (0, 3)}
    # Newcombe by hand, Wilson of 3/3 is 0.4385 to 1 and of 0/3 is 0 to 0.5615:
    # -1 - 0 = -1; high -1 + sqrt(0.5615^2 + 0.5615^2) = -0.2059
    assert vents.last_less_first.value == -1
    assert vents.last_less_first.high == pytest.approx(-0.2059, abs=1e-4)
    assert "0 to 2 vents: 3 of 3 (100 %), 6 to 8 vents: 0 of 3 (0 %). The difference is -100 points" in vents.sentence
    assert "not what caused it" in vents.caution


def test_snow_and_water_are_counted_by_slope():
    build = {slope: replace(SOUND, flattest_slope_deg=slope) for slope in (5.0, 12.0, 14.9, 15.0)}
    season = [seen(1, found=["snow_lying"], build=build[5.0]), seen(2, found=["sag", "tear"], build=build[5.0])]
    season += [seen(3, build=build[12.0]), seen(4, build=build[14.9], found=["standing_water"])]
    season += [seen(5, build=build[15.0], found=["tear"])]
    _, slope, _ = outcome_tables(season, [], CHOSEN)
    assert counts(slope) == {
        "below 12 deg": (2, 2),
        "12 to below 15 deg": (1, 2),
        "15 deg and steeper": (0, 1),
    }


def test_bands_are_counted_before_and_after_a_re_tensioning_of_that_cover():
    season = [
        seen(1, day=9, found=["tear"]),
        seen(1, day=39, found=["loose_band"]),
        seen(1, day=41),
        seen(1, day=70, found=["slipped_band"]),
        seen(1, day=71, found=["slipped_band"]),
        seen(2, day=41, found=["loose_band"]),
    ]
    *_, bands = outcome_tables(season, [retensioned(1, 40)], CHOSEN)
    # Day 9 is 31 days before, day 71 is 31 after, boat 02 was never tightened
    assert counts(bands) == {"30 days before": (1, 1), "30 days after": (1, 2)}
    assert "no difference which these few could show" in bands.sentence
    assert "found loose" in bands.caution


def test_an_inspection_that_led_to_a_re_tensioning_stands_before_it():
    season = [seen(1, day=40, found=["loose_band"]), seen(1, day=50)]
    *_, bands = outcome_tables(season, [retensioned(1, 40)], CHOSEN)
    assert counts(bands) == {"30 days before": (1, 1), "30 days after": (0, 1)}


def test_without_inspections_there_is_a_sentence_and_no_number():
    for table in outcome_tables([], [], CHOSEN):
        assert table.groups == ()
        assert math.isnan(table.last_less_first.value)
        assert table.sentence == "There was no inspection that could tell."
    vents, *_ = outcome_tables([seen(1)], [], CHOSEN)
    assert vents.sentence == "Nobody was in two groups to compare."


# --- next autumn


def test_a_cover_built_by_common_practice_that_needed_nothing_is_not_listed():
    assert next_autumn([seen(1, reasons=[reason("unseen", 0.5)])], 2, "metric", CHOSEN) == ()


def test_a_departure_is_listed_with_what_practice_is_and_what_follows():
    (one,) = next_autumn([seen(7, build=replace(SOUND, vent_count=1))], 2, "metric", CHOSEN)
    assert (one.boat, one.boat_name, one.berth) == ("07", "Plum", "row A, place 7")
    (proposal,) = one.proposals
    assert proposal.basis == "departure"
    assert proposal.what == "vents: vents at the high points, 2 at the least"
    assert proposal.why.startswith("1. Air passes in at one vent")


def test_a_defect_that_came_anew_twice_is_listed_and_one_that_came_once_is_not():
    season = [seen(1, day, ["loose_band", "tear"][: 2 if day == 10 else 1]) for day in (10, 20, 30)]
    (one,) = next_autumn(season, 2, "metric", CHOSEN)
    (proposal,) = one.proposals
    assert proposal.what == BUILD_FOR_DEFECT["loose_band"]
    assert proposal.why == "loose band at port came anew at 3 of 3 inspections."


def test_nobody_is_told_to_build_a_stand_otherwise():
    assert next_autumn([seen(1, day, [("stand_shifted", "stands", 3)]) for day in (1, 2)], 2, "metric", CHOSEN) == ()
    assert set(BUILD_FOR_DEFECT) == set(DEFECTS) - STAND_DEFECTS - {"other"}
    assert set(BUILD_FOR_HAZARD) == set(HAZARDS) - {"unseen", "open_finding"}


def test_a_hazard_that_carried_the_score_is_listed():
    # -ln(1 - 0.6) = 0.916 of 0.916 + 0.223 (unseen 0.2) is 80 %
    season = [seen(1, reasons=[reason("snow", 0.6), reason("unseen", 0.2)])]
    (one,) = next_autumn(season, 2, "metric", CHOSEN)
    (proposal,) = one.proposals
    assert proposal.basis == "carried the score"
    assert proposal.why == ("snow load carried 80 % of its score over 1 inspections, with a chance of 60 % on average.")
    small = [seen(1, reasons=[reason("snow", 0.05)])]
    assert next_autumn(small, 2, "metric", CHOSEN) == ()


def test_the_most_likely_to_need_a_hand_stands_first_and_one_bad_look_does_not_lead():
    flat = replace(SOUND, flattest_slope_deg=5.0)
    season = [seen(1, 10, ["tear"], build=flat)]
    season += [seen(2, day, ["tear"] if day < 50 else [], build=flat) for day in (10, 20, 30, 40, 50)]
    season += [seen(3, day, build=flat) for day in (10, 20, 30, 40)]
    listed = next_autumn(season, 2, "metric", CHOSEN)
    assert [one.boat for one in listed] == ["02", "01", "03"]
    # Base 5 of 10; ten inspections of it stand behind each: (5 + 4) / 15, (5 + 1) / 11, 5 / 14
    assert [one.expected for one in listed] == pytest.approx([9 / 15, 6 / 11, 5 / 14])
    assert listed[0].needed == Share(4, 5)
