"""The ranking as design and arithmetic: curve, score, calls, missing hours, ties."""

import json
import math
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hazards.exposure import Exposure
from monitor.ranking import (
    HAZARDS,
    Curve,
    OpenFinding,
    RankingParameters,
    boat_order,
    rank_covers,
    ranked_from_row,
    with_missing,
)

HOUR = np.datetime64("2026-01-10T01:00:00")
PARAMETERS = RankingParameters()


def exposure(hazard, values, missing=None, hour=HOUR, source="metar-archive:observed"):
    count = len(values)
    return Exposure(
        hazard=hazard,
        value=np.asarray(values, dtype=float),
        hour_ending=np.full(count, hour, dtype="datetime64[s]"),
        missing_share=np.zeros(count) if missing is None else np.asarray(missing, dtype=float),
        source=[source] * count,
        note=[""] * count,
    )


def rank(exposures, boats=("1", "2", "3"), findings=None, parameters=PARAMETERS):
    return rank_covers(boats, range(1, len(boats) + 1), exposures, findings or {}, 1.0, parameters)


@pytest.mark.parametrize("hazard", PARAMETERS.curves)
def test_the_two_numbers_of_a_curve_are_the_exposures_of_1_in_10_and_1_in_2(hazard):
    curve = PARAMETERS.curves[hazard]
    np.testing.assert_allclose(curve.probability(np.array([curve.x10, curve.x50])), [0.1, 0.5], rtol=1e-12)


def test_curve_by_hand():
    # x10 150, x50 400: k = ln 9 / ln(400/150) = 2.197225 / 0.980829 = 2.240171
    # p(300) = 1 / (1 + (400/300)^2.240171) = 1 / (1 + 1.904950) = 0.344240
    assert Curve(150, 400).steepness == pytest.approx(2.240171, abs=1e-6)
    assert Curve(150, 400).probability(np.array([300.0]))[0] == pytest.approx(0.344240, abs=1e-5)


def test_curve_agrees_with_a_logistic_regression_in_the_logarithm_of_exposure():
    # scipy's logistic function as the outside reference for the algebra p = expit(k (ln x - ln x50))
    from scipy.special import expit

    x = np.geomspace(0.01, 50, 40)
    curve = Curve(4, 20)
    np.testing.assert_allclose(
        curve.probability(x), expit(curve.steepness * (np.log(x) - math.log(20))), rtol=1e-12, atol=1e-15
    )


@pytest.mark.parametrize("x10, x50", [(0, 1), (2, 1), (1, 1), (-1, 2), (math.nan, 2), (1, math.inf)])
def test_two_numbers_that_are_no_curve_are_refused(x10, x50):
    with pytest.raises(ValueError, match="0 < x10 < x50"):
        Curve(x10, x50)


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_more_exposure_is_never_less_likely_to_need_a_hand(a, b):
    low, high = PARAMETERS.curves["gust"].probability(np.array([min(a, b), max(a, b)]))
    assert 0 <= low <= high < 1


def test_score_is_one_minus_the_product_of_what_each_hazard_leaves():
    # Two hazards at their x50 and one at its x10: 1 - 0.5 * 0.5 * 0.9 = 0.775
    (line,) = rank([exposure("snow", [0.5]), exposure("gust", [400]), exposure("unseen", [14])], boats=("1",))
    assert line.score == pytest.approx(0.775, abs=1e-12)
    assert line.call == "walk first"


@pytest.mark.parametrize(
    ("severity", "p", "call"), [(1, 0.15, "this week"), (2, 0.50, "walk today"), (3, 0.95, "walk first")]
)
def test_worst_open_severity_has_its_own_chance(severity, p, call):
    finding = OpenFinding(severity, datetime(2026, 1, 9, tzinfo=UTC), "sag at port", "inspection by Ida")
    (line,) = rank([], boats=("1",), findings={1: finding})
    assert line.score == pytest.approx(p, abs=1e-12)
    assert line.call == call
    assert line.reasons[0].note == "sag at port"


def test_a_stand_defect_is_for_the_stand_crew_and_the_list_says_so():
    finding = OpenFinding(
        3, datetime(2026, 1, 9, tzinfo=UTC), "stand shifted", "inspection by Ida", for_stand_crew=True
    )
    (line,) = rank([], boats=("1",), findings={1: finding})
    assert line.reasons[0].check == "for the yard's stand crew alone: keep clear, touch no stand, tell them now"


def test_a_logged_open_severity_3_goes_to_the_top():
    finding = OpenFinding(3, datetime(2026, 1, 9, tzinfo=UTC), "leaning post at the frame", "inspection by Ida")
    lines = rank([exposure("snow", [0.9, 0.1, 0.5])], findings={2: finding})
    assert lines[0].boat == "2"


@pytest.mark.parametrize(
    ("score", "call"),
    [(0.60, "walk first"), (0.5999, "walk today"), (0.35, "walk today"), (0.3499, "this week"), (0.15, "this week")]
    + [(0.1499, "no call"), (0.0, "no call")],
)
def test_calls_begin_at_their_score(score, call):
    assert PARAMETERS.call(score) == call


@given(st.floats(0, 2000), st.floats(0, 1))
def test_missing_hours_never_lower_a_score(value, share):
    (known,) = rank([exposure("gust", [value])], boats=("1",))
    (unsure,) = rank([exposure("gust", [value], missing=[share])], boats=("1",))
    assert unsure.score >= known.score


def test_missing_hours_by_hand():
    # p 0.5, half of the hours missing: 1 - 0.5 * (1 - 0.1 * 0.5) = 0.525; nothing known at all: 1 - 1 * 0.9 = 0.1
    np.testing.assert_allclose(with_missing(np.array([0.5, 0.0]), np.array([0.5, 1.0]), 0.1), [0.525, 0.1])


def test_a_hazard_of_which_nothing_is_known_says_so():
    (line,) = rank([exposure("snow", [np.nan], missing=[1.0], hour=np.datetime64("NaT"))], boats=("1",))
    (reason,) = line.reasons
    assert reason.value is None
    assert reason.hour_ending is None
    assert reason.missing_share == 1.0
    assert line.score == pytest.approx(0.1)


def test_reasons_come_with_the_largest_share_first():
    (line,) = rank([exposure("unseen", [14]), exposure("snow", [0.5]), exposure("gust", [150])], boats=("1",))
    assert [reason.hazard for reason in line.reasons] == ["snow", "gust", "unseen"]
    assert sum(r.weight for r in line.reasons) == pytest.approx(-math.log(1 - line.score))


def test_ties_go_by_boat_number_as_a_person_counts():
    lines = rank([exposure("snow", [0.2, 0.2, 0.2, 0.2])], boats=("10", "9", "B2", "A1"))
    assert [line.boat for line in lines] == ["9", "10", "A1", "B2"]
    assert boat_order("9") < boat_order("10") < boat_order("A1")


@given(st.permutations(range(6)))
def test_order_of_covers_in_the_file_never_matters(order):
    boats = ["4", "11", "2", "7", "30", "5"]
    load = [0.4, 0.1, 0.4, 0.9, 0.0, 0.2]
    missing = [0, 0.5, 0, 0, 1, 0]
    first = rank_covers(boats, [1, 2, 3, 4, 5, 6], [exposure("snow", load, missing)], {}, 2.0, PARAMETERS)
    shuffled = rank_covers(
        [boats[i] for i in order],
        [i + 1 for i in order],
        [exposure("snow", [load[i] for i in order], [missing[i] for i in order])],
        {},
        2.0,
        PARAMETERS,
    )
    assert first == shuffled


def test_a_yard_may_set_its_own_curve():
    parameters = RankingParameters(curves={**PARAMETERS.curves, "snow": Curve(0.05, 0.2)})
    (strict,) = rank([exposure("snow", [0.2])], boats=("1",), parameters=parameters)
    (usual,) = rank([exposure("snow", [0.2])], boats=("1",))
    assert strict.score == pytest.approx(0.5)
    assert strict.score > usual.score


def test_json_has_the_documented_keys_and_no_others():
    finding = OpenFinding(1, datetime(2026, 1, 9, 15, tzinfo=UTC), "chafe at the bow", "inspection by Ida")
    (line,) = rank([exposure("snow", [0.3])], boats=("1",), findings={1: finding})
    row = json.loads(json.dumps(line.as_json(), allow_nan=False))
    assert list(row) == ["rank", "boat", "cover", "score", "call", "reasons", "data_age_h"]
    for reason in row["reasons"]:
        assert list(reason) == [
            "hazard",
            "p",
            "value",
            "unit",
            "hour_ending",
            "source",
            "threshold",
            "missing_share",
            "check",
        ]
    by_hazard = {reason["hazard"]: reason for reason in row["reasons"]}
    assert by_hazard["snow"]["hour_ending"] == "2026-01-10T01:00:00Z"
    assert by_hazard["snow"]["threshold"] == {"one_in_ten": 0.15, "one_in_two": 0.5}
    assert "chafe at the bow" in by_hazard["open_finding"]["check"]


def test_every_hazard_says_what_to_check():
    assert all(hazard.check and hazard.exposure and hazard.unit for hazard in HAZARDS.values())


def test_a_line_read_back_from_its_row_is_the_same_line():
    finding = OpenFinding(2, datetime(2026, 1, 9, 15, tzinfo=UTC), "sag at port", "inspection by Ida")
    unknown = exposure("gust", [np.nan], missing=[1.0], hour=np.datetime64("NaT"))
    (line,) = rank([exposure("snow", [0.3]), unknown], boats=("1",), findings={1: finding})
    assert ranked_from_row(json.loads(json.dumps(line.as_row(), allow_nan=False))) == line
