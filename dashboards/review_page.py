"""What stands on the page that reviews a season, and its charts as Plotly figures."""

from typing import Any

import plotly.graph_objects as go

from dashboards.figures import FOOT_PX, layout, legend, plain
from monitor.presentation.panels import GREY, SKY
from monitor.presentation.season_charts import CountGrid, ShareChart, Sign
from monitor.presentation.season_review import BASIS, FOR_THE_YARD, SeasonContent

_SHARES_PX, _ROW_PX, _HEAD_PX = 420, 34, 40
_SMALLEST_PX, _LARGEST_PX = 18.0, 32.0
"""Width of the smallest and the largest disc: the first still holds a number, the second fits into a row."""

_SYMBOLS: dict[Sign, str] = {"circle": "circle", "square": "square", "triangle": "triangle-up", "diamond": "diamond"}


def review_content(season: SeasonContent) -> dict[str, Any]:
    """Content of the page, besides what every page has."""
    return {
        "season": season,
        "for_the_yard": FOR_THE_YARD,
        "basis": BASIS,
        "orders": None if season.orders is None else shares_figure(season.orders),
        "calibration": None if season.calibration is None else shares_figure(season.calibration),
        "found": None if season.found is None else grid_figure(season.found),
    }


def shares_figure(chart: ShareChart) -> go.Figure:
    """Shares as signs with bars for their intervals, over a dashed line to hold them against."""
    x, y = zip(*chart.dashed, strict=True)
    traces: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "x": list(x),
            "y": _shown(y),
            "line": {"color": GREY, "width": 1.5, "dash": "dash"},
            "name": plain(chart.dashed_label),
            "hovertemplate": "%{y:.0f} %",
        }
    ]
    named = [point for series in chart.series for point in series.points if point.name]
    for series in chart.series:
        points = series.points
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [round(point.x, 2) for point in points],
                "y": _shown([point.value for point in points]),
                "error_y": {
                    "type": "data",
                    "symmetric": False,
                    "array": _shown([max(point.high - point.value, 0.0) for point in points]),
                    "arrayminus": _shown([max(point.value - point.low, 0.0) for point in points]),
                    "width": 4,
                    "thickness": 1.5,
                },
                "marker": {"color": series.colour, "symbol": _SYMBOLS[series.sign], "size": 9},
                "name": plain(series.label),
                "customdata": [
                    f"{plain(point.text)}<br>{point.value:.0f} % ({point.low:.0f} to {point.high:.0f} %)"
                    for point in points
                ],
                "hovertemplate": "%{customdata}",
            }
        )
    if named:
        traces.append(
            {
                "type": "scatter",
                "mode": "text",
                "x": [round(point.x, 2) for point in named],
                "y": _shown([point.high for point in named]),
                "text": [plain(point.name) for point in named],
                "textposition": "top center",
                "textfont": {"size": 11},
                "hoverinfo": "skip",
                "showlegend": False,
                "cliponaxis": False,
            }
        )
    drawn = layout(_SHARES_PX)
    drawn["xaxis"] |= {"range": list(chart.x_range)}
    if not chart.steps:
        drawn["xaxis"]["title"] = {"text": chart.x_title, "standoff": 8}
    else:  # steps name themselves; a title would cover them on a phone
        drawn["xaxis"] |= {
            "tickvals": [place for place, _ in chart.steps],
            "ticktext": [text.replace("\n", "<br>") for _, text in chart.steps],
            "showgrid": False,
        }
    drawn["yaxis"] |= {"title": {"text": chart.y_title, "standoff": 4}, "range": [0, round(chart.top, 1)], "nticks": 6}
    drawn |= {
        "legend": legend(),
        "hovermode": "closest",
        "margin": {"l": 48, "r": 12, "t": 16, "b": FOOT_PX + 20},
    }
    for axis in ("xaxis", "yaxis"):
        drawn[axis]["fixedrange"] = True
    return go.Figure(data=traces, layout=drawn)


def grid_figure(grid: CountGrid) -> go.Figure:
    """Counts as discs with their numbers; a place without a disc has none."""
    largest = max(max(row) for row in grid.counts)
    cells = [
        (column, row, count)
        for row, counts in zip(grid.rows, grid.counts, strict=True)
        for column, count in zip(grid.columns, counts, strict=True)
        if count
    ]
    trace = {
        "type": "scatter",
        "mode": "markers+text",
        "x": [column for column, _, _ in cells],
        "y": [plain(row) for _, row, _ in cells],
        "marker": {
            "color": SKY,
            "opacity": 1,
            "size": [round(max(_SMALLEST_PX, _LARGEST_PX * (count / largest) ** 0.5), 1) for _, _, count in cells],
        },
        "text": [str(count) for _, _, count in cells],
        "textfont": {"size": 11, "color": "#000000"},
        "hovertemplate": "%{y}, %{x}: %{text}<extra></extra>",
        "cliponaxis": False,
        "showlegend": False,
    }
    drawn = layout(_HEAD_PX + _ROW_PX * len(grid.rows))
    drawn["xaxis"] |= {
        "type": "category",
        "categoryarray": list(grid.columns),
        "categoryorder": "array",
        "range": [-0.5, len(grid.columns) - 0.5],
        "side": "top",
        "tickvals": list(grid.columns),
        "ticktext": [column.replace(" ", "<br>") for column in grid.columns],
        "fixedrange": True,
    }
    drawn["yaxis"] |= {
        "type": "category",
        "categoryarray": [plain(row) for row in grid.rows],
        "categoryorder": "array",
        "range": [len(grid.rows) - 0.5, -0.5],
        "automargin": True,
        "fixedrange": True,
        "dtick": 1,
    }
    drawn |= {"hovermode": "closest", "margin": {"l": 10, "r": 10, "t": _HEAD_PX, "b": 4}}
    return go.Figure(data=[trace], layout=drawn)


def _shown(values: Any) -> list[float]:
    """Rounded for display: a tenth of a per cent."""
    return [round(value, 1) for value in values]
