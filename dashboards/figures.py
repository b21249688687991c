"""Charts as Plotly figures: arrays in the yard's own units and local time in, figures out. No I/O."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from monitor.presentation.panels import (
    BLUE,
    GREEN,
    GREY,
    VERMILLION,
    Floats,
    Lane,
    LogMark,
    Panel,
    Series,
    StormBand,
    TimeChart,
    Times,
)

CONFIG: dict[str, Any] = {"showSendToCloud": False, "displaylogo": False, "responsive": True}
"""For every chart: nothing here is ever sent anywhere."""

_GRID = "rgba(128,128,128,0.28)"
_SHADE, _SHADE_EDGE = "rgba(86,180,233,0.22)", "rgba(86,180,233,0.6)"
_HOUR_MS = 3_600_000

_FORECAST_SHADE = "rgba(230,159,0,0.17)"
_FORECAST_HEAD_PX = 26
_HEAD_PX, FOOT_PX, _BARE_FOOT_PX, _GAP_PX, _PANEL_PX = 8, 116, 56, 24, 128
_LANES_PX = {"storms": 46, "log": 66}
_LANE_AXIS = {"showgrid": False, "zeroline": False, "showticklabels": False, "fixedrange": True}


_LANES: dict[Lane, tuple[int, str, str]] = {
    "inspected": (2, "circle", BLUE),
    "found": (1, "triangle-up", VERMILLION),
    "done": (0, "square", GREEN),
}


def time_panels(
    times: Times,
    panels: Sequence[Panel],
    axis_title: str,
    storms: Sequence[StormBand] = (),
    marks: Sequence[LogMark] = (),
    step_h: int = 1,
    forecast_from: np.datetime64 | None = None,
) -> go.Figure:
    """Panels one above the other on a single time axis, with storms shaded across and the log's entries on top.

    Parameters
    ----------
    times : numpy.ndarray
        End of each hour (or begin of each day, ``step_h`` 24) on the yard's clock, shape (H,), at least one.
    panels : sequence of Panel
        Top to bottom. A value is rounded to its panel's decimals, since this is display; NaN stays NaN, a gap.
    axis_title : str
        Says what a moment means and in which zone.
    storms : sequence of StormBand
        Cut to the hours shown; those outside are left out.
    marks : sequence of LogMark
        Entries of the log; those outside are left out.
    step_h : int
        1 for hours, 24 for days.
    forecast_from : numpy.datetime64, optional
        From here on what is drawn rests on a forecast: shaded apart, behind a dotted line with the word.

    Notes
    -----
    ``layout.meta["panels"]`` names the axis and the title of each panel, so that a page can lay two charts over
    each other.
    """
    step = np.timedelta64(step_h, "h")
    first = times[0] - (step if step_h == 1 else np.timedelta64(0, "h"))
    last = times[-1] + (np.timedelta64(0, "h") if step_h == 1 else step)
    shown_marks = [mark for mark in marks if first <= mark.moment <= last]
    cut_storms = [
        replace(storm, start=max(storm.start, first), end=min(storm.end, last))
        for storm in storms
        if storm.end > first and storm.start < last
    ]
    lanes = (["storms"] if cut_storms else []) + (["log"] if shown_marks else [])
    domains, height = _stacked([_LANES_PX[lane] for lane in lanes] + [_PANEL_PX] * len(panels))
    with_legend = any(len(panel.series) > 1 for panel in panels)
    foot = FOOT_PX if with_legend else _BARE_FOOT_PX
    ahead = forecast_from is not None and forecast_from < last
    head = _FORECAST_HEAD_PX if ahead else _HEAD_PX
    parts = _Parts(layout(height + head + foot), middle_of_time=first + (last - first) / 2)
    parts.layout |= {
        "hovermode": "x unified",
        "hoverdistance": 6,
        "hoversubplots": "axis",
        "barmode": "stack",
        "bargap": 0,
        "legend": legend(),
        "showlegend": with_legend,
        "margin": {"l": 44, "r": 10, "t": head, "b": foot},
        "meta": {"panels": [[_axis(len(lanes) + row), panel.title] for row, panel in enumerate(panels)]},
    }
    parts.layout["xaxis"] |= {
        "type": "date",
        "range": [str(first), str(last)],
        "title": {"text": axis_title, "standoff": 10},
        "anchor": _axis(len(domains) - 1),
        "hoverformat": "%a %-d %b %Y" if step_h == 24 else "%a %-d %b %Y %H:%M",
        "tickformatstops": [
            {"dtickrange": [None, 43_200_000], "value": "%H:%M\n%-d %b"},
            {"dtickrange": [43_200_000, "M1"], "value": "%-d %b"},
            {"dtickrange": ["M1", None], "value": "%b %Y"},
        ],
        "nticks": 8,
    }
    rows = dict(zip(lanes, domains, strict=False))
    if "storms" in rows:
        _add_storms(parts, cut_storms, rows["storms"])
    if "log" in rows:
        _add_log(parts, shown_marks, lanes.index("log"), rows["log"])
    for row, panel in enumerate(panels, start=len(lanes)):
        _add_panel(parts, times, panel, row, domains[row], step_h)
    if forecast_from is not None and ahead:
        _add_forecast(parts, max(forecast_from, first), last)
    return parts.figure()


def season_figure(chart: TimeChart) -> go.Figure:
    """The figure of a chart over time."""
    return time_panels(
        chart.times, chart.panels, chart.axis_title, chart.storms, chart.marks, chart.step_h, chart.forecast_from
    )


class _Parts:
    """Traces, shapes and words of a figure as plain dicts, handed to Plotly at once: added one by one, each would make
    it check all those before it again."""

    def __init__(self, layout: dict[str, Any], middle_of_time: np.datetime64) -> None:
        self.layout = layout
        self.middle_of_time = middle_of_time
        self.traces: list[dict[str, Any]] = []
        self._shapes: list[dict[str, Any]] = []
        self._words: list[dict[str, Any]] = []

    def line(self, **where: Any) -> None:
        self._shapes.append({"type": "line", **where})

    def shade(self, path: str, **where: Any) -> None:
        self._shapes.append({"type": "path", "path": path, "layer": "below", **where})

    def words(self, text: str, **where: Any) -> None:
        self._words.append({"text": text, "showarrow": False, "yanchor": "bottom", "font": {"size": 11}, **where})

    def title(self, row: int, text: str) -> None:
        self.words(text, xref="x domain", x=0, xanchor="left", yref=f"{_axis(row)} domain", y=1, font={"size": 12})

    def figure(self) -> go.Figure:
        return go.Figure(data=self.traces, layout={**self.layout, "shapes": self._shapes, "annotations": self._words})


def _add_panel(parts: _Parts, times: Times, panel: Panel, row: int, domain: tuple[float, float], step_h: int) -> None:
    axis = _axis(row)
    floor, top = panel.value_range()
    parts.layout[_layout_axis(row)] = {
        "domain": domain,
        "range": [floor, top],
        "gridcolor": _GRID,
        "zeroline": not panel.from_zero,
        "zerolinecolor": GREY,
        "nticks": 5,
        "fixedrange": True,
    }
    parts.title(row, f"<b>{plain(panel.title)}</b> [{panel.unit}]")
    for series in panel.series:
        trace = _trace(times, panel, series, axis, step_h)
        # A line alone in its panel is named by the panel; one label in several panels stands once in the legend.
        named = any(other["showlegend"] and other["name"] == trace["name"] for other in parts.traces)
        shown = len(panel.series) > 1 and not named
        parts.traces.append(trace | {"legendgroup": trace["name"], "showlegend": shown})
        if series.style in ("line", "dotted") and (lone := _without_neighbour(series.values)).any():
            points = _trace(
                times[lone], panel, replace(series, values=series.values[lone], style="points"), axis, step_h
            )
            silent = {"hoverinfo": "skip", "hovertemplate": None, "customdata": None, "meta": None}  # the line speaks
            parts.traces.append(points | silent | {"legendgroup": trace["name"], "showlegend": False})
    unknown = times[panel.missing]
    if len(unknown):
        parts.traces.append(
            {
                "type": "scatter",
                "x": unknown,
                "y": np.full(len(unknown), floor),
                "yaxis": axis,
                "mode": "markers",
                "marker": {"symbol": "x-thin", "size": 6, "line": {"color": GREY, "width": 1.5}},
                "name": "hours missing",
                "legendgroup": "missing",
                "showlegend": not any(trace.get("legendgroup") == "missing" for trace in parts.traces),
                "hovertemplate": "nobody knows this hour" if step_h == 1 else "hours of this day are missing",
                "cliponaxis": False,
            }
        )
    for level in panel.levels:
        if level.value < top:
            where = {"xref": "x domain", "yref": axis}
            line = {"color": GREY, "width": 1, "dash": "dash"}
            parts.line(x0=0, x1=1, y0=level.value, y1=level.value, line=line, **where)
            if level.text:
                parts.words(plain(level.text), x=0, xanchor="left", y=level.value, **where)


def _trace(times: Times, panel: Panel, series: Series, axis: str, step_h: int) -> dict[str, Any]:
    trace: dict[str, Any] = {
        "x": times,
        "y": np.round(series.values, panel.decimals) + 0.0,  # no minus before a zero
        "yaxis": axis,
        "name": plain(series.label),
        "hovertemplate": f"%{{y:.{panel.decimals}f}} {panel.unit}",
    }
    if series.notes is not None:
        # Codes of texts, which static/pages.js looks up: Plotly would copy thousands of texts one by one.
        trace["hovertemplate"] += "%{customdata}"
        trace |= {"customdata": series.notes.codes, "meta": {"notes": [plain(text) for text in series.notes.texts]}}
    if series.style in ("bars", "hatched"):
        width = step_h * _HOUR_MS
        pattern = {"shape": "/", "size": 4, "solidity": 0.55} if series.style == "hatched" else None
        return trace | {
            "type": "bar",
            "offset": 0 if step_h == 24 else -width,
            "width": width,
            "marker": {"color": series.colour, "line": {"width": 0}, "pattern": pattern},
        }
    return trace | {
        "type": "scatter",
        "mode": "markers" if series.style == "points" else "lines",
        "connectgaps": False,
        "line": {"color": series.colour, "width": 1.6, "dash": "dot" if series.style == "dotted" else "solid"},
        "marker": {"color": series.colour, "size": 5},
    }


def _without_neighbour(values: Floats) -> NDArray[np.bool_]:
    """Known values between two unknown ones, which a line cannot show."""
    known = ~np.isnan(values)
    beside = np.append(known[1:], False) | np.insert(known[:-1], 0, False)
    lone: NDArray[np.bool_] = known & ~beside
    return lone


def _add_forecast(parts: _Parts, begin: np.datetime64, end: np.datetime64) -> None:
    """Shade what lies ahead, and say so at its begin: no colour alone tells it from the past."""
    moment = str(begin)
    parts.shade(
        f"M{_path(begin)},0V1H{_path(end)}V0Z", xref="x", yref="paper", fillcolor=_FORECAST_SHADE, line={"width": 0}
    )
    parts.line(
        xref="x", x0=moment, x1=moment, yref="paper", y0=0, y1=1, line={"color": GREY, "width": 2, "dash": "dot"}
    )
    side = "left" if begin < parts.middle_of_time else "right"
    parts.words("<b>forecast →</b>", xref="x", x=moment, xanchor=side, yref="paper", y=1)


def _add_log(parts: _Parts, marks: Sequence[LogMark], row: int, domain: tuple[float, float]) -> None:
    parts.layout[_layout_axis(row)] = {**_LANE_AXIS, "domain": domain, "range": [-0.7, 2.9]}
    parts.title(row, "<b>Log</b> ● inspected ▲ found ■ done")
    for lane, (height, symbol, colour) in _LANES.items():
        together: dict[np.datetime64, list[LogMark]] = defaultdict(list)
        for mark in marks:
            if mark.lane == lane:
                together[mark.moment].append(mark)
        if not together:
            continue
        parts.traces.append(
            {
                "type": "scatter",
                "x": np.array(list(together), dtype="datetime64[s]"),
                "y": [height] * len(together),
                "yaxis": _axis(row),
                "mode": "markers+text",
                "marker": {"symbol": symbol, "size": 10, "color": colour, "line": {"width": 1, "color": GREY}},
                "text": [",".join(str(mark.number) for mark in group) for group in together.values()],
                "textposition": "middle right",
                "textfont": {"size": 11},
                "customdata": ["<br>".join(plain(mark.text) for mark in group) for group in together.values()],
                "hovertemplate": "%{customdata}<extra></extra>",
                "name": lane,
                "showlegend": False,
                "cliponaxis": False,
            }
        )
    for mark in marks:
        if mark.lane != "found":
            moment, dash = str(mark.moment), "solid" if mark.lane == "inspected" else "dash"
            line = {"color": _LANES[mark.lane][2], "width": 1, "dash": dash}
            parts.line(xref="x", x0=moment, x1=moment, yref="paper", y0=0, y1=domain[1], layer="below", line=line)


def _add_storms(parts: _Parts, storms: Sequence[StormBand], domain: tuple[float, float]) -> None:
    """Shade the storms from top to bottom, and set their labels into the lane above, on three heights in turn.

    All are one path: a season may have a hundred, and as many shapes would cost more than all the rest of the figure.
    """
    bands = (f"M{_path(storm.start)},0V1H{_path(storm.end)}V0Z" for storm in storms)
    edge = {"color": _SHADE_EDGE, "width": 0.5}
    parts.shade("".join(bands), xref="x", yref="paper", fillcolor=_SHADE, line=edge)
    parts.layout["yaxis"] = {**_LANE_AXIS, "domain": domain, "range": [-0.4, 3.0]}
    middle = parts.middle_of_time
    parts.traces.append(
        {
            "type": "scatter",
            "x": np.array([storm.start if storm.start < middle else storm.end for storm in storms]),
            "y": [float(number % 3) for number in range(len(storms))],
            "mode": "text",
            "text": [plain(storm.label) for storm in storms],
            "textposition": ["top right" if storm.start < middle else "top left" for storm in storms],
            "textfont": {"size": 11},
            "customdata": [plain(storm.text) for storm in storms],
            "hovertemplate": "%{customdata}<extra></extra>",
            "name": "storms",
            "showlegend": False,
            "cliponaxis": False,
        }
    )


def _path(moment: np.datetime64) -> str:
    """A moment inside a path, where a blank would end it."""
    return str(moment).replace("T", "_")


def _stacked(heights_px: Sequence[int]) -> tuple[list[tuple[float, float]], int]:
    """Share of the plot's height for each row, top to bottom, and that height. [px]"""
    total = sum(heights_px) + _GAP_PX * len(heights_px)
    domains, top = [], float(total)
    for height in heights_px:
        top -= _GAP_PX
        domains.append((max((top - height) / total, 0.0), top / total))
        top -= height
    return domains, total


def layout(height: int) -> dict[str, Any]:
    """What every chart begins with: clear ground, so that light and dark pages both show through."""
    return {
        "template": go.layout.Template(),
        "height": height,
        "autosize": True,
        "font": {"family": "system-ui, sans-serif", "size": 12},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "hoverlabel": {"align": "left", "font": {"size": 12}},
        "xaxis": {"gridcolor": _GRID, "zeroline": False},
        "yaxis": {"gridcolor": _GRID, "zeroline": False},
    }


def legend() -> dict[str, Any]:
    """A legend below the chart, where a phone has room for it."""
    return {"orientation": "h", "x": 0, "xanchor": "left", "yref": "container", "y": 0, "yanchor": "bottom"}


def _axis(row: int) -> str:
    return "y" if row == 0 else f"y{row + 1}"


def _layout_axis(row: int) -> str:
    return "yaxis" if row == 0 else f"yaxis{row + 1}"


def plain(text: str) -> str:
    """Text for plotly.js, which reads a small HTML of its own: a name that holds a tag is shown as it was written."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
