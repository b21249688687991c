"""Charts hold what they are given: values, gaps, storms, log entries and berths."""

import numpy as np
import pytest

from dashboards.berths import CALL_MARKERS, Berth, berth_map
from dashboards.figures import CONFIG, time_panels
from monitor.presentation.panels import Level, LogMark, Notes, Panel, Series, StormBand

HOURS = np.datetime64("2026-01-10T00:00:00", "s") + np.arange(48) * np.timedelta64(3600, "s")
KNOWN = np.zeros(48, dtype=bool)


def moment(text):
    return np.datetime64(text, "s")


def panel(values, style="line", **more):
    series = Series("gust", np.asarray(values, dtype=float), style, "#0072B2")
    return Panel(**{"title": "Gust", "unit": "m/s", "decimals": 1, "series": (series,), "missing": KNOWN} | more)


def berth(boat="7", **more):
    usual = {
        "name": "Plain Sailing",
        "call": "walk first",
        "score": 0.7,
        "x": 10.0,
        "y": 20.0,
        "heading_deg": 0.0,
        "bow": 5.0,
        "place": "row A, place 1",
        "href": "cover-7.html",
    }
    return Berth(boat=boat, **(usual | more))


def trace(figure, name):
    return next(each for each in figure.data if each.name == name)


def test_nothing_is_ever_sent_anywhere():
    assert CONFIG["showSendToCloud"] is False


@pytest.mark.parametrize("style", ["line", "dotted", "points", "bars", "hatched"])
def test_a_panel_holds_its_values_to_its_decimals_and_gaps_stay_gaps(style):
    values = np.linspace(-3.21, 17.68, 48)
    values[5:9] = np.nan
    drawn = trace(time_panels(HOURS, [panel(values, style, from_zero=False)], "local time"), "gust")
    np.testing.assert_array_equal(np.isnan(drawn.y), np.isnan(values))
    np.testing.assert_allclose(drawn.y, values, atol=0.05 + 1e-9)
    np.testing.assert_array_equal(drawn.x.astype("datetime64[s]"), HOURS)
    assert not getattr(drawn, "connectgaps", False)


def test_a_value_that_rounds_to_zero_carries_no_minus():
    drawn = trace(time_panels(HOURS, [panel(np.full(48, -0.01), from_zero=False)], "local time"), "gust")
    assert not np.signbit(drawn.y).any()


def test_moments_go_to_plotly_without_a_zone():
    drawn = trace(time_panels(HOURS, [panel(np.ones(48))], "local time"), "gust")
    assert str(drawn.x[0]) == "2026-01-10T00:00:00"


def test_all_panels_share_one_time_axis():
    figure = time_panels(HOURS, [panel(np.ones(48)), panel(np.ones(48), title="Other")], "local time")
    assert {each.xaxis for each in figure.data} <= {None, "x"}
    assert len({each.yaxis for each in figure.data}) == 2


def test_bars_cover_the_hour_that_ends_at_their_moment():
    drawn = trace(time_panels(HOURS, [panel(np.ones(48), "bars")], "local time"), "gust")
    assert (drawn.offset, drawn.width) == (-3_600_000, 3_600_000)


def test_bars_of_days_cover_the_day_that_begins_at_their_moment():
    days = HOURS[::24]
    one = panel(np.ones(2), "bars", missing=np.zeros(2, dtype=bool))
    figure = time_panels(days, [one], "day", step_h=24)
    assert (trace(figure, "gust").offset, trace(figure, "gust").width) == (0, 86_400_000)
    assert figure.layout.xaxis.range == ("2026-01-10T00:00:00", "2026-01-12T00:00:00")


def test_hours_that_nobody_knows_are_marked():
    missing = KNOWN.copy()
    missing[[3, 4]] = True
    marked = trace(time_panels(HOURS, [panel(np.ones(48), missing=missing)], "local time"), "hours missing")
    np.testing.assert_array_equal(marked.x.astype("datetime64[s]"), HOURS[[3, 4]])


def test_a_small_load_looks_small_beside_the_first_level():
    levels = (Level(3.1, "1 in 10"), Level(10.4, "1 in 2"))
    figure = time_panels(HOURS, [panel(np.full(48, 0.2), levels=levels)], "local time")
    assert figure.layout.yaxis.range[1] > 3.1
    assert [word.text for word in figure.layout.annotations if word.text in ("1 in 10", "1 in 2")] == ["1 in 10"]
    assert [line.y0 for line in figure.layout.shapes] == [3.1]


def test_a_level_without_words_is_a_line_alone():
    figure = time_panels(HOURS, [panel(np.full(48, 90.0), levels=(Level(80.0, ""),))], "local time")
    assert [line.y0 for line in figure.layout.shapes] == [80.0]
    assert not [word for word in figure.layout.annotations if word.text == ""]


def test_a_value_between_two_gaps_is_drawn_as_a_point_which_no_line_could_show():
    values = np.full(48, np.nan)
    values[[3, 10, 11, 47]] = 5.0
    figure = time_panels(HOURS, [panel(values)], "local time")
    line, points = [each for each in figure.data if each.name == "gust"]
    assert (line.mode, points.mode) == ("lines", "markers")
    np.testing.assert_array_equal(points.x.astype("datetime64[s]"), HOURS[[3, 47]])
    assert points.hoverinfo == "skip"
    assert not points.showlegend


def test_the_forecast_is_shaded_from_its_begin_to_the_end_behind_a_dotted_line_with_a_word():
    begin = moment("2026-01-11T05:00")
    figure = time_panels(HOURS, [panel(np.ones(48))], "local time", forecast_from=begin)
    shade, line = figure.layout.shapes
    assert shade.path == "M2026-01-11_05:00:00,0V1H2026-01-11_23:00:00V0Z"
    assert (line.x0, line.x1, line.line.dash) == ("2026-01-11T05:00:00", "2026-01-11T05:00:00", "dot")
    (word,) = [word for word in figure.layout.annotations if "forecast" in word.text]
    assert (word.x, word.xanchor, word.yref) == ("2026-01-11T05:00:00", "right", "paper")


def test_a_forecast_that_begins_before_the_hours_shown_is_cut_and_one_after_them_left_out():
    before = time_panels(HOURS, [panel(np.ones(48))], "local time", forecast_from=moment("2026-01-01T00:00"))
    assert before.layout.shapes[0].path.startswith("M2026-01-09_23:00:00")
    after = time_panels(HOURS, [panel(np.ones(48))], "local time", forecast_from=HOURS[-1])
    assert not after.layout.shapes


def test_a_figure_names_the_axis_of_each_panel():
    marks = [LogMark(1, "inspected", moment("2026-01-10T10:05"), "1: inspected")]
    figure = time_panels(HOURS, [panel(np.ones(48)), panel(np.ones(48), title="Other")], "local time", marks=marks)
    assert list(figure.layout.meta["panels"]) == [["y2", panel(np.ones(48)).title], ["y3", "Other"]]


def test_a_panel_with_a_top_ends_there():
    assert time_panels(HOURS, [panel(np.full(48, 7.0), top=26.0)], "local time").layout.yaxis.range == (0, 26)


def test_notes_are_kept_as_codes_of_their_texts():
    notes = Notes.of(["a"] * 40 + ["b"] * 8)
    assert notes[38:42].tolist() == ["a", "a", "b", "b"]
    series = Series("gust", np.ones(48), "line", "#0072B2", notes)
    drawn = trace(time_panels(HOURS, [panel(np.ones(48), series=(series,))], "local time"), "gust")
    texts = drawn.meta["notes"]
    assert [texts[code] for code in drawn.customdata] == notes.tolist()
    assert drawn.hovertemplate.endswith("%{customdata}")


def test_a_label_of_several_panels_stands_once_in_the_legend_and_a_line_alone_not_at_all():
    both = tuple(Series(label, np.ones(48), "bars", "#0072B2") for label in ("here", "there"))
    figure = time_panels(
        HOURS, [panel(np.ones(48), series=both) for _ in range(3)] + [panel(np.ones(48))], "local time"
    )
    shown = [each.name for each in figure.data if each.showlegend]
    assert shown == ["here", "there"]
    assert {each.legendgroup for each in figure.data if each.name == "here"} == {"here"}


def test_storms_are_shaded_from_start_to_end_and_labelled_with_their_whole_name_behind():
    storms = [
        StormBand("1 gale", "storm 1: gale, 10 Jan", moment("2026-01-10T05:00"), moment("2026-01-10T09:00")),
        StormBand("2 snow", "storm 2: snow, 11 Jan", moment("2026-01-11T05:00"), moment("2026-01-11T20:00")),
    ]
    figure = time_panels(HOURS, [panel(np.ones(48))], "local time", storms=storms)
    (shade,) = figure.layout.shapes
    assert shade.path == (
        "M2026-01-10_05:00:00,0V1H2026-01-10_09:00:00V0ZM2026-01-11_05:00:00,0V1H2026-01-11_20:00:00V0Z"
    )
    assert (shade.xref, shade.yref, shade.layer) == ("x", "paper", "below")
    assert list(trace(figure, "storms").text) == ["1 gale", "2 snow"]
    assert list(trace(figure, "storms").customdata) == ["storm 1: gale, 10 Jan", "storm 2: snow, 11 Jan"]


def test_a_storm_is_cut_to_the_hours_shown_and_one_outside_left_out():
    storms = [
        StormBand("1", "storm 1", moment("2026-01-05T05:00"), moment("2026-01-06T09:00")),
        StormBand("2", "storm 2", moment("2026-01-08T05:00"), moment("2026-01-10T04:00")),
        StormBand("3", "storm 3", moment("2026-01-12T05:00"), moment("2026-01-12T09:00")),
    ]
    figure = time_panels(HOURS, [panel(np.ones(48))], "local time", storms=storms)
    assert [shape.path for shape in figure.layout.shapes] == ["M2026-01-09_23:00:00,0V1H2026-01-10_04:00:00V0Z"]


def test_log_entries_stand_on_lanes_by_number_and_those_of_one_moment_share_a_mark():
    marks = [
        LogMark(1, "inspected", moment("2026-01-10T10:05"), "1: inspected"),
        LogMark(2, "found", moment("2026-01-10T10:05"), "2: found sag"),
        LogMark(3, "found", moment("2026-01-10T10:05"), "3: found <b>tear</b>"),
        LogMark(4, "done", moment("2026-01-10T11:00"), "4: done: taped"),
        LogMark(5, "done", moment("2026-03-01T11:00"), "5: long after"),
    ]
    figure = time_panels(HOURS, [panel(np.ones(48))], "local time", marks=marks)
    assert list(trace(figure, "inspected").text) == ["1"]
    assert list(trace(figure, "found").text) == ["2,3"]
    assert list(trace(figure, "found").customdata) == ["2: found sag<br>3: found &lt;b&gt;tear&lt;/b&gt;"]
    assert list(trace(figure, "done").text) == ["4"]
    assert len({trace(figure, lane).marker.symbol for lane in ("inspected", "found", "done")}) == 3
    dashes = {shape.x0: shape.line.dash for shape in figure.layout.shapes}
    assert dashes == {"2026-01-10T10:05:00": "solid", "2026-01-10T11:00:00": "dash"}


def test_the_map_carries_the_call_in_symbol_and_words():
    figure = berth_map([berth("7"), berth("8", call="walk today"), berth("9", call="no call")], "m")
    assert list(trace(figure, "walk first").text) == ["7<br>walk first"]
    assert list(trace(figure, "walk today").text) == ["8<br>walk today"]
    assert list(trace(figure, "no call").text) == ["9"]
    symbols = [trace(figure, call).marker.symbol for call in ("walk first", "walk today", "no call")]
    assert len(set(symbols)) == 3
    assert len({symbol for symbol, _, _ in CALL_MARKERS.values()}) == len(CALL_MARKERS)


def test_a_crowded_map_still_says_the_call():
    figure = berth_map([berth(str(i), x=float(i)) for i in range(100)], "m")
    assert trace(figure, "walk first").text[7] == "7<br>first"


@pytest.mark.parametrize(
    "heading_deg, bow_x, bow_y",
    [(0, 10, 25), (90, 15, 20), (180, 10, 15), (270, 5, 20)],  # 5 m ahead of (10 m, 20 m), clockwise from up
)
def test_the_line_points_where_the_bow_points(heading_deg, bow_x, bow_y):
    line = trace(berth_map([berth(heading_deg=float(heading_deg))], "m"), "bow points here")
    np.testing.assert_allclose([line.x[1], line.y[1]], [bow_x, bow_y], atol=0.05)


def test_a_berth_leads_to_its_page():
    assert list(trace(berth_map([berth()], "m"), "walk first").customdata) == ["cover-7.html"]


def test_a_metre_is_as_long_down_as_across_on_the_map():
    figure = berth_map([berth(), berth("8", x=70.0)], "m")
    assert figure.layout.yaxis.scaleanchor == "x"
    across = np.diff(figure.layout.xaxis.range)[0]
    down = np.diff(figure.layout.yaxis.range)[0]
    np.testing.assert_allclose(figure.layout.meta["aspect"], down / across, atol=1e-4)


def test_boats_without_positions_stand_on_a_grid_of_rows():
    figure = berth_map([berth(x=3.0, y=0.0), berth("8", x=4.0, y=1.0)], "", row_names=("A", "B<i>"))
    assert list(figure.layout.yaxis.ticktext) == ["A", "B&lt;i&gt;"]


def test_a_name_that_holds_a_tag_is_shown_as_it_was_written():
    drawn = trace(berth_map([berth("<b>", name="Gull & <script>")], "m"), "walk first")
    assert drawn.text[0] == "&lt;b&gt;<br>walk first"
    assert drawn.hovertext[0].startswith("&lt;b&gt; Gull &amp; &lt;script&gt;, walk first")


def test_a_call_that_a_yard_made_up_is_still_drawn():
    assert list(trace(berth_map([berth(call="soon")], "m"), "soon").text) == ["7<br>soon"]
