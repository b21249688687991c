"""The map of a yard's berths as a Plotly figure: each boat where it stands, with its call and its bow. No I/O."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboards.figures import FOOT_PX, layout, legend, plain
from monitor.presentation.panels import GREY, ORANGE, SKY, VERMILLION

CALL_MARKERS: dict[str, tuple[str, str, int]] = {
    "walk first": ("square", VERMILLION, 17),
    "walk today": ("triangle-up", ORANGE, 15),
    "this week": ("circle", SKY, 12),
    "no call": ("circle-open", GREY, 11),
}
"""Symbol, colour and size of a berth's marker by call; a call that is not here is drawn as a cross."""
_OTHER_CALL = ("cross", GREY, 12)

_CROWD = 80
"""From more boats than this on, words and signs of the map are made smaller."""
_MAP_FRAME_PX = 8 + FOOT_PX


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
    figure = go.Figure(layout=layout(height=_MAP_FRAME_PX + 64 * max(len(row_names), 4)))
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
    figure.update_layout(hovermode="closest", legend=legend(), margin={"l": 48, "r": 8, "t": 8, "b": FOOT_PX})
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
