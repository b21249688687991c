"""A season's chart for paper: the panels that the pages draw, as one SVG picture. Same input, same bytes."""

import base64
import io
from collections import defaultdict
from collections.abc import Sequence
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

import numpy as np

from monitor.presentation.panels import (
    BLUE,
    GREEN,
    GREY,
    SKY,
    VERMILLION,
    Floats,
    Lane,
    LogMark,
    Panel,
    StormBand,
    TimeChart,
    Times,
)

if TYPE_CHECKING:  # matplotlib takes a third of a second to import: only a document that draws needs it
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN, _PANEL_IN, _LOG_IN, _FOOT_IN = 7.2, 1.0, 0.62, 0.55
"""Width between the margins of A4 and US Letter, heights of a panel, of the log's lane, of the time axis."""

_MOST_POINTS = 1500
"""Points of a line on paper; more of them than the printer has dots only make the file large."""

_LANES: dict[Lane, tuple[int, str, str]] = {
    "inspected": (2, "o", BLUE),
    "found": (1, "^", VERMILLION),
    "done": (0, "s", GREEN),
}

_SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "stormwalk",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 7.5,
    "axes.linewidth": 0.6,
    "axes.edgecolor": GREY,
}
"""Letters stay letters, and the same input gives the same bytes."""


def season_svg(chart: TimeChart) -> str:
    """The chart as SVG, white behind it, times on the yard's clock as the chart's axis says."""
    from matplotlib.figure import Figure

    storms, marks = _inside(chart)
    heights = ([_LOG_IN] if marks else []) + [_PANEL_IN] * len(chart.panels)
    with on_paper():
        figure = Figure(figsize=(WIDTH_IN, sum(heights) + _FOOT_IN), facecolor="white")
        axes = figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
        panel_axes = axes[1:] if marks else axes
        if marks:
            _draw_log(axes[0], marks)
        for axis, panel in zip(panel_axes, chart.panels, strict=True):
            _draw_panel(axis, chart, panel)
        for axis in axes:
            if storms:
                _shade(axis, storms)
            if chart.forecast_from is not None:
                axis.axvspan(chart.forecast_from, chart.times[-1], color=GREY, alpha=0.16, linewidth=0)
                axis.axvline(chart.forecast_from, color=GREY, linewidth=0.8, linestyle=":")
        _draw_time(axes[-1], chart)
        figure.subplots_adjust(left=0.075, right=0.985, top=1 - 0.2 / sum(heights), hspace=0.42)
        figure.subplots_adjust(bottom=_FOOT_IN / (sum(heights) + _FOOT_IN))
        return svg_of(figure)


def on_paper() -> AbstractContextManager[None]:
    """The settings of every chart of a document, for the time of a ``with``."""
    import matplotlib as mpl

    return mpl.rc_context(_SETTINGS)  # type: ignore[arg-type]


def svg_of(figure: "Figure") -> str:
    """A figure as SVG without a date in it; to be called `on_paper`."""
    picture = io.StringIO()
    figure.savefig(picture, format="svg", metadata={"Date": None, "Creator": None})
    return picture.getvalue()


def as_data_uri(svg: str) -> str:
    """The picture as an address that carries it, for an ``img`` of a document that calls nobody."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


def _inside(chart: TimeChart) -> tuple[list[StormBand], list[LogMark]]:
    first, last = chart.times[0], chart.times[-1]
    storms = [storm for storm in chart.storms if storm.end > first and storm.start < last]
    return storms, [mark for mark in chart.marks if first <= mark.moment <= last]


def _draw_panel(axis: "Axes", chart: TimeChart, panel: Panel) -> None:
    floor, top = panel.value_range()
    axis.set_title(f"{panel.title} [{panel.unit}]", loc="left", fontsize=7.5, pad=3)
    axis.set_ylim(floor, top)
    axis.set_xlim(chart.times[0], chart.times[-1])
    axis.grid(True, color="#dddddd", linewidth=0.4)
    axis.tick_params(length=2, width=0.5, pad=2, labelsize=7)
    for side in ("top", "right"):
        axis.spines[side].set_visible(False)
    bottom = np.zeros(len(chart.times))
    for series in panel.series:
        if series.style in ("bars", "hatched"):
            step = np.timedelta64(chart.step_h, "h")
            begins = chart.times if chart.step_h == 24 else chart.times - step
            heights = np.nan_to_num(series.values)
            axis.bar(begins, heights, width=step, bottom=bottom, align="edge", color=series.colour, linewidth=0)
            bottom = bottom + heights
        elif series.style == "points":
            axis.plot(chart.times, series.values, ".", color=series.colour, markersize=2.5, label=series.label)
        else:
            times, values = _thinned(chart.times, series.values)
            dashes = ":" if series.style == "dotted" else "-"
            axis.plot(times, values, dashes, color=series.colour, linewidth=0.9, label=series.label)
    unknown = chart.times[panel.missing]
    if len(unknown):
        shown = unknown[:: max(1, len(unknown) // 400)]
        where = np.full(len(shown), floor)
        axis.plot(
            shown, where, "x", color=GREY, markersize=3, markeredgewidth=0.6, clip_on=False, label="hours missing"
        )
    for level in panel.levels:
        if level.value < top:
            axis.axhline(level.value, color=GREY, linewidth=0.6, linestyle="--")
            if level.text:
                axis.text(
                    0.004, level.value, level.text, transform=axis.get_yaxis_transform(), fontsize=6.5, va="bottom"
                )
    if len(panel.series) > 1 or len(unknown):  # beside the title, where it hides no curve
        above = (1.0, 0.99)
        axis.legend(loc="lower right", bbox_to_anchor=above, fontsize=6.5, frameon=False, ncols=3, borderpad=0.0)


def _shade(axis: "Axes", storms: Sequence[StormBand]) -> None:
    """All storms as one shape: one each takes a third of the time of the whole picture."""
    from matplotlib.dates import date2num

    begins = date2num([storm.start for storm in storms])  # type: ignore[no-untyped-call]
    ends = date2num([storm.end for storm in storms])  # type: ignore[no-untyped-call]
    whole_height = axis.get_xaxis_transform()
    spans = list(zip(begins, ends - begins, strict=True))
    axis.broken_barh(spans, (0, 1), transform=whole_height, color=SKY, alpha=0.22, linewidth=0)


def _draw_log(axis: "Axes", marks: Sequence[LogMark]) -> None:
    axis.set_title("Log, by number in the list:  ● inspected  ▲ found  ■ done", loc="left", fontsize=7.5, pad=3)
    axis.set_ylim(-0.8, 2.9)
    axis.set_yticks([])
    axis.tick_params(length=0)
    for spine in axis.spines.values():
        spine.set_visible(False)
    for lane, (height, marker, colour) in _LANES.items():
        together: dict[np.datetime64, list[LogMark]] = defaultdict(list)
        for mark in marks:
            if mark.lane == lane:
                together[mark.moment].append(mark)
        for moment, group in together.items():
            axis.plot([moment], [height], marker, color=colour, markersize=4)
            numbers = ",".join(str(mark.number) for mark in group)
            axis.annotate(numbers, (moment, height), (3, 0), textcoords="offset points", va="center", fontsize=6.5)


def _draw_time(axis: "Axes", chart: TimeChart) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=4, maxticks=10)  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_locator(locator)
    axis.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    axis.set_xlabel(chart.axis_title, fontsize=7)
    axis.tick_params(axis="x", labelbottom=True)


def _thinned(times: Times, values: Floats) -> tuple[Times, Floats]:
    """Of many points the first, lowest, highest and last of each stretch, so that no peak and no gap is lost."""
    stretch = -(-len(values) * 4 // _MOST_POINTS)
    if stretch <= 4:
        return times, values
    kept: list[int] = []
    for begin in range(0, len(values), stretch):
        part = values[begin : begin + stretch]
        known = np.flatnonzero(~np.isnan(part))
        rows = {0, len(part) - 1}
        if len(known):
            rows |= {int(known[np.argmin(part[known])]), int(known[np.argmax(part[known])])}
            gaps = np.flatnonzero(np.diff(np.isnan(part).astype(np.int8)))
            rows |= {int(row) for row in gaps} | {int(row) + 1 for row in gaps}
        kept += [begin + row for row in sorted(rows)]
    return times[kept], values[kept]
