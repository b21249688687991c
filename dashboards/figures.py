"""Charts as Plotly figures: arrays in the yard's own units and local time in, figures out. No I/O."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]
"""Moments on the yard's clock, without the zone: plotly.js ignores an offset, so one would only seem to count."""

Lane = Literal["inspected", "found", "done"]

CONFIG: dict[str, Any] = {"showSendToCloud": False, "displaylogo": False, "responsive": True}
"""For every chart: nothing here is ever sent anywhere."""

# Okabe & Ito 2008, colours that most kinds of colour vision tell apart; the grey is ours.
BLUE, SKY, GREEN = "#0072B2", "#56B4E9", "#009E73"
ORANGE, VERMILLION, GREY = "#E69F00", "#D55E00", "#767676"

CALL_MARKERS: dict[str, tuple[str, str, int]] = {
    "walk first": ("square", VERMILLION, 17),
    "walk today": ("triangle-up", ORANGE, 15),
    "this week": ("circle", SKY, 12),
    "no call": ("circle-open", GREY, 11),
}
"""Symbol, colour and size of a berth's marker by call; a call that is not here is drawn as a cross."""
_OTHER_CALL = ("cross", GREY, 12)

_GRID = "rgba(128,128,128,0.28)"
_SHADE, _SHADE_EDGE = "rgba(86,180,233,0.22)", "rgba(86,180,233,0.6)"
_HOUR_MS = 3_600_000

_HEAD_PX, _FOOT_PX, _BARE_FOOT_PX, _GAP_PX, _PANEL_PX = 8, 116, 56, 24, 128
_LANES_PX = {"storms": 46, "log": 66}
_LANE_AXIS = {"showgrid": False, "zeroline": False, "showticklabels": False, "fixedrange": True}
_CROWD = 80
"""From more boats than this on, words and signs of the map are made smaller."""
_MAP_FRAME_PX = 8 + _FOOT_PX


@dataclass(frozen=True)
class Berth:
    """A boat on the map: where it stands, where its bow points (clockwise from up) and half its length as drawn."""

    boat: str
    name: str
    call: str
    score: float
    x: float
    y: float
    heading_deg: float
    bow: float
    place: str
    href: str


@dataclass(frozen=True)
class Series:
    """One line or set of bars; ``values`` (H,) in the panel's unit, NaN where unknown; ``notes`` (H,) for the hover.

    Notes are shown as plotly.js reads text: pass names through `plain`.
    """

    label: str
    values: Floats
    style: Literal["line", "dotted", "bars", "hatched", "points"]
    colour: str
    notes: NDArray[np.str_] | None = None


@dataclass(frozen=True)
class Level:
    """A number to hold the curve against, drawn where it falls inside the panel."""

    value: float
    text: str


@dataclass(frozen=True)
class Panel:
    """One quantity on the time axis. ``missing`` (H,) marks hours that nobody knows; ``from_zero`` fixes the floor."""

    title: str
    unit: str
    decimals: int
    series: tuple[Series, ...]
    missing: NDArray[np.bool_]
    levels: tuple[Level, ...] = ()
    from_zero: bool = True


@dataclass(frozen=True)
class StormBand:
    """A storm as shaded on a time axis; ``label`` stands above it, ``text`` is the whole name."""

    label: str
    text: str
    start: np.datetime64
    end: np.datetime64


@dataclass(frozen=True)
class LogMark:
    """An entry of the log on the time axis, by its number in the table below the chart."""

    number: int
    lane: Lane
    moment: np.datetime64
    text: str


_LANES: dict[Lane, tuple[int, str, str]] = {
    "inspected": (2, "circle", BLUE),
    "found": (1, "triangle-up", VERMILLION),
    "done": (0, "square", GREEN),
}


def berth_map(berths: Sequence[Berth], unit: str, row_names: Sequence[str] = ()) -> go.Figure:
    """Boats where they stand, the call in symbol and text, the bow as a short line.

    Parameters
    ----------
    berths : sequence of Berth
        Positions in ``unit``, or in places and rows where ``row_names`` are given.
    unit : str
        Unit of the positions; empty where there is none.
    row_names : sequence of str
        Names of rows 0, 1, ... where boats stand on a plain grid of rows and places.
    """
    figure = go.Figure(layout=_layout(height=_MAP_FRAME_PX + 64 * max(len(row_names), 4)))
    bow_x: list[float | None] = []
    bow_y: list[float | None] = []
    for berth in berths:
        angle = math.radians(berth.heading_deg)
        bow_x += [berth.x, round(berth.x + berth.bow * math.sin(angle), 1), None]
        bow_y += [berth.y, round(berth.y + berth.bow * math.cos(angle), 1), None]
    figure.add_scatter(
        x=bow_x, y=bow_y, mode="lines", line={"color": GREY, "width": 2}, name="bow points here", hoverinfo="skip"
    )
    crowded = len(berths) > _CROWD
    calls = [*CALL_MARKERS, *sorted({berth.call for berth in berths} - CALL_MARKERS.keys())]
    for call in calls:
        called = [berth for berth in berths if berth.call == call]
        if not called:
            continue
        symbol, colour, size = CALL_MARKERS.get(call, _OTHER_CALL)
        figure.add_scatter(
            x=[berth.x for berth in called],
            y=[berth.y for berth in called],
            mode="markers+text",
            name=call,
            marker={
                "symbol": symbol,
                "size": size * (0.6 if crowded else 1.0),
                "color": colour,
                "line": {"width": 1.5, "color": GREY},
            },
            text=[plain(berth.boat) + _words_of(call, crowded) for berth in called],
            textposition=["top center" if 90 < berth.heading_deg % 360 < 270 else "bottom center" for berth in called],
            textfont={"size": 10 if crowded else 11},
            hovertext=[
                plain(f"{berth.boat} {berth.name}, {berth.call}, score {berth.score:.2f}, {berth.place}")
                for berth in called
            ],
            hoverinfo="text",
            customdata=[berth.href for berth in called],
        )
    figure.update_layout(hovermode="closest", legend=_legend(), margin={"l": 48, "r": 8, "t": 8, "b": _FOOT_PX})
    if row_names:
        names = [plain(name) for name in row_names]
        places = sorted({berth.x for berth in berths})
        shown = places[:: len(places) // 12 + 1]
        figure.update_xaxes(title={"text": "place", "standoff": 8}, tickvals=shown)
        figure.update_yaxes(
            title="row", tickvals=list(range(len(names))), ticktext=names, range=[-0.8, len(names) - 0.4]
        )
        return figure
    x_range, y_range = _roomy([berth.x for berth in berths]), _roomy([berth.y for berth in berths])
    figure.update_xaxes(title={"text": f"x on the yard's plan [{unit}]", "standoff": 8}, range=x_range)
    figure.update_yaxes(title=f"y [{unit}]", range=y_range, scaleanchor="x", constrain="domain")
    # The page gives the map the height at which a metre is as long down as it is across.
    figure.update_layout(meta={"aspect": round((y_range[1] - y_range[0]) / (x_range[1] - x_range[0]), 4)})
    return figure


def time_panels(
    times: Times,
    panels: Sequence[Panel],
    axis_title: str,
    storms: Sequence[StormBand] = (),
    marks: Sequence[LogMark] = (),
    step_h: int = 1,
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
    foot = _FOOT_PX if with_legend else _BARE_FOOT_PX
    parts = _Parts(_layout(height + _HEAD_PX + foot), middle_of_time=first + (last - first) / 2)
    parts.layout |= {
        "hovermode": "x unified",
        "hoverdistance": 6,
        "hoversubplots": "axis",
        "barmode": "stack",
        "bargap": 0,
        "legend": _legend(),
        "showlegend": with_legend,
        "margin": {"l": 44, "r": 10, "t": _HEAD_PX, "b": foot},
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
    return parts.figure()


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
    floor, top = _value_range(panel)
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
        parts.traces.append(_trace(times, panel, series, axis, step_h))
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
                "hoverinfo": "skip",
                "cliponaxis": False,
            }
        )
    for level in panel.levels:
        if level.value < top:
            where = {"xref": "x domain", "yref": axis}
            line = {"color": GREY, "width": 1, "dash": "dash"}
            parts.line(x0=0, x1=1, y0=level.value, y1=level.value, line=line, **where)
            parts.words(plain(level.text), x=0, xanchor="left", y=level.value, **where)


def _trace(times: Times, panel: Panel, series: Series, axis: str, step_h: int) -> dict[str, Any]:
    trace: dict[str, Any] = {
        "x": times,
        "y": np.round(series.values, panel.decimals) + 0.0,  # no minus before a zero
        "yaxis": axis,
        "name": plain(series.label),
        "hovertemplate": f"%{{y:.{panel.decimals}f}} {panel.unit}%{{customdata}}",
        "customdata": np.full(len(times), "") if series.notes is None else series.notes,
    }
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


def _value_range(panel: Panel) -> tuple[float, float]:
    """Lowest and highest number of a panel's axis: the data, and the lowest level so that little looks little."""
    values = [series.values for series in panel.series]
    if any(series.style in ("bars", "hatched") for series in panel.series):
        values = [np.nansum(values, axis=0)]
    known = np.concatenate([part[~np.isnan(part)] for part in values])
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    if panel.from_zero:
        high = max(high, min((level.value for level in panel.levels), default=0.0))
        return 0.0, high * 1.2 or 1.0
    room = max(0.08 * (high - low), 0.5)
    return low - room, high + room


def _stacked(heights_px: Sequence[int]) -> tuple[list[tuple[float, float]], int]:
    """Share of the plot's height for each row, top to bottom, and that height. [px]"""
    total = sum(heights_px) + _GAP_PX * len(heights_px)
    domains, top = [], float(total)
    for height in heights_px:
        top -= _GAP_PX
        domains.append((max((top - height) / total, 0.0), top / total))
        top -= height
    return domains, total


def _words_of(call: str, crowded: bool) -> str:
    """The call below a boat's number; its last word alone where there is little room, nothing for no call."""
    if call == "no call":
        return ""
    return "<br>" + plain(call.split()[-1] if crowded else call)


def _roomy(positions: Sequence[float]) -> list[float]:
    """Range of an axis of the map, with room for a sign and its words at the edge."""
    low, high = min(positions), max(positions)
    room = max(0.08 * (high - low), 8.0)
    return [round(low - room, 1), round(high + room, 1)]


def _layout(height: int) -> dict[str, Any]:
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


def _legend() -> dict[str, Any]:
    return {"orientation": "h", "x": 0, "xanchor": "left", "yref": "container", "y": 0, "yanchor": "bottom"}


def _axis(row: int) -> str:
    return "y" if row == 0 else f"y{row + 1}"


def _layout_axis(row: int) -> str:
    return "yaxis" if row == 0 else f"yaxis{row + 1}"


def plain(text: str) -> str:
    """Text for plotly.js, which reads a small HTML of its own: a name that holds a tag is shown as it was written."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
