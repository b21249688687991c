"""What a page unpacks is what the figure held."""

import json

import numpy as np
import plotly.graph_objects as go
from hypothesis import given
from hypothesis import strategies as st

from dashboards.packing import chart_json, packed, script_json


def unpacked(values):
    """As static/pages.js does it."""
    if isinstance(values, list):
        return values
    if "runs" in values:
        runs = values["runs"]
        return [
            str(np.datetime64(runs[i]) + np.timedelta64(k * runs[i + 2], "h"))
            for i in range(0, len(runs), 3)
            for k in range(runs[i + 1])
        ]
    pairs = values["repeats"]
    return [pairs[i] for i in range(0, len(pairs), 2) for _ in range(pairs[i + 1])]


def as_floats(values):
    return np.array([np.nan if value is None else value for value in unpacked(values)], dtype=float)


@given(st.lists(st.tuples(st.floats(-1e6, 1e6) | st.just(float("nan")), st.integers(1, 40)), max_size=12))
def test_numbers_and_gaps_come_back(runs):
    values = np.array([value for value, count in runs for _ in range(count)], dtype=float)
    through_json = json.loads(json.dumps(packed(values), allow_nan=False))
    np.testing.assert_array_equal(as_floats(through_json), values)


@given(st.lists(st.sampled_from(["", "metar-archive, observed", "<b>"]), max_size=200))
def test_words_come_back(words):
    assert unpacked(packed(np.array(words, dtype=str))) == words


@given(st.lists(st.integers(0, 3), min_size=1, max_size=150), st.sampled_from([1, 24]))
def test_hours_with_jumps_and_repeats_come_back(steps, step_h):
    times = np.datetime64("2025-11-02T00:00:00", "s") + np.cumsum(steps) * np.timedelta64(step_h * 3600, "s")
    back = np.array(unpacked(packed(times)), dtype="datetime64[s]")
    np.testing.assert_array_equal(back, times)


def test_a_season_of_hours_with_one_clock_change_is_two_runs():
    before = np.datetime64("2025-11-02T00:00:00", "s") + np.arange(100) * np.timedelta64(3600, "s")
    after = before[-1] + np.arange(100) * np.timedelta64(3600, "s")
    assert packed(np.concatenate([before, after])) == {"runs": ["2025-11-02T00:00", 100, 1, "2025-11-06T03:00", 100, 1]}


def test_a_gap_of_a_figure_is_null_in_its_json():
    figure = go.Figure(go.Scatter(x=np.array([1.0, 2.0, 3.0]), y=np.array([1.5, np.nan, 2.0])))
    assert json.loads(chart_json(figure))["data"][0]["y"] == [1.5, None, 2]


def test_json_cannot_end_its_script_element():
    text = script_json({"name": "</script><!-- & 'so' \" é"})
    assert not set("<>&") & set(text)
    assert json.loads(text) == {"name": "</script><!-- & 'so' \" é"}
