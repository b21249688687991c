"""The charts of a season's review for paper: shares with intervals, and counts. Same input, same bytes."""

from typing import TYPE_CHECKING

from monitor.documents.charts import WIDTH_IN, on_paper, svg_of
from monitor.presentation.panels import GREY, SKY
from monitor.presentation.season_charts import CountGrid, ShareChart, Sign

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SHARES_IN = 2.9
_HEAD_IN, _ROW_IN = 0.3, 0.205
_SMALLEST_PT2, _LARGEST_PT2 = 70.0, 200.0
"""Area of the smallest and the largest disc: the first still holds a number, the second fits into a row."""

_MARKERS: dict[Sign, str] = {"circle": "o", "square": "s", "triangle": "^", "diamond": "D"}


def shares_svg(chart: ShareChart) -> str:
    """Shares with their intervals as SVG, white behind them."""
    from matplotlib.figure import Figure

    with on_paper():
        figure = Figure(figsize=(WIDTH_IN, _SHARES_IN), facecolor="white")
        axis = figure.subplots()
        x, y = zip(*chart.dashed, strict=True)
        axis.plot(x, y, "--", color=GREY, linewidth=0.9, label=chart.dashed_label)
        for series in chart.series:
            axis.errorbar(
                [point.x for point in series.points],
                [point.value for point in series.points],
                yerr=[
                    [max(point.value - point.low, 0.0) for point in series.points],
                    [max(point.high - point.value, 0.0) for point in series.points],
                ],
                fmt=_MARKERS[series.sign],
                color=series.colour,
                markersize=5,
                elinewidth=1,
                capsize=2.5,
                label=series.label,
            )
            for point in series.points:
                axis.annotate(
                    point.name, (point.x, point.high), (0, 3), textcoords="offset points", ha="center", fontsize=6.5
                )
        axis.set_xlim(*chart.x_range)
        axis.set_ylim(0, chart.top)
        if chart.steps:
            axis.set_xticks([place for place, _ in chart.steps], [text for _, text in chart.steps])
        axis.set_xlabel(chart.x_title, fontsize=7)
        axis.set_ylabel(chart.y_title, fontsize=7)
        axis.grid(True, axis="y" if chart.steps else "both", color="#dddddd", linewidth=0.4)
        axis.set_axisbelow(True)
        _bare(axis)
        axis.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), fontsize=7, frameon=False, ncols=5, borderpad=0.2)
        figure.subplots_adjust(left=0.075, right=0.985, top=0.9, bottom=0.19 if chart.steps else 0.15)
        return svg_of(figure)


def grid_svg(grid: CountGrid) -> str:
    """Counts as discs with their numbers, as SVG; a place without a disc has none."""
    from matplotlib.figure import Figure

    height = _HEAD_IN + _ROW_IN * len(grid.rows)
    with on_paper():
        figure = Figure(figsize=(WIDTH_IN, height), facecolor="white")
        axis = figure.subplots()
        largest = max(max(row) for row in grid.counts)
        for row, counts in enumerate(grid.counts):
            for column, count in enumerate(counts):
                if count:
                    size = max(_SMALLEST_PT2, _LARGEST_PT2 * count / largest)
                    axis.scatter([column], [row], s=size, color=SKY, linewidths=0)
                    axis.text(column, row, str(count), ha="center", va="center_baseline", fontsize=7, color="black")
        axis.set_xlim(-0.5, len(grid.columns) - 0.5)
        axis.set_ylim(len(grid.rows) - 0.5, -0.5)
        axis.set_xticks(range(len(grid.columns)), grid.columns)
        axis.set_yticks(range(len(grid.rows)), grid.rows)
        axis.xaxis.tick_top()
        axis.set_axisbelow(True)
        axis.grid(True, color="#dddddd", linewidth=0.4)
        _bare(axis, "left", "bottom")
        figure.subplots_adjust(left=0.16, right=0.985, top=1 - _HEAD_IN / height, bottom=0.01)
        return svg_of(figure)


def _bare(axis: "Axes", *others: str) -> None:
    for side in ("top", "right", *others):
        axis.spines[side].set_visible(False)
    axis.tick_params(length=2, width=0.5, pad=2, labelsize=7)
