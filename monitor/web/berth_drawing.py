"""A yard's berths as a drawing (SVG) that needs no script: shape and word say the call, a line shows the bow."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.assessment import YardAssessment
from monitor.ranking import boat_order
from monitor.register import Cover
from monitor.walks.berths import is_placed, row_names
from monitor.wording import berth_text

PX_PER_M = 10.0
"""Scale where positions are known: boats 5 m apart are 50 px apart, far enough for a finger in a glove."""
PLACE_PX, ROW_PX = 72.0, 96.0
"""Distance of places and rows on a plain grid, where no position is known."""
EDGE_PX = 56.0
SIGN_PX = 12.0
BOW_PX = 24.0

SHAPES = {"walk first": "square", "walk today": "triangle", "this week": "disc", "no call": "ring"}


@dataclass(frozen=True)
class Spot:
    """One boat of the drawing; pixels from its upper left corner."""

    boat: str
    name: str
    berth: str
    call: str
    score: str
    shape: str
    call_class: str
    x: float
    y: float
    bow_x: float
    bow_y: float
    href: str


@dataclass(frozen=True)
class Drawing:
    """What the template draws; ``rows`` are names with their height where boats stand on a plain grid."""

    width: float
    height: float
    spots: tuple[Spot, ...]
    rows: tuple[tuple[str, float], ...]
    unplaced: tuple[Spot, ...]


def berth_drawing(assessment: YardAssessment, href: Callable[[str], str]) -> Drawing:
    """Draw a yard: by positions where any boat has one, else by row and place.

    ``href`` gives the address behind a boat's number. Boats without a position stand in ``unplaced`` where others have
    one.
    """
    covers = sorted(assessment.covers, key=lambda cover: boat_order(cover.boat.number))
    placed = [cover for cover in covers if is_placed(cover.boat)]
    shown = placed or covers
    rows = [] if placed else row_names([cover.boat for cover in shown])
    points = [_on_plan(cover) if placed else _on_grid(cover, rows) for cover in shown]
    left, top = min(x for x, _ in points), min(y for _, y in points)
    lines = {line.cover: (line.call, f"{line.score:.2f}") for line in assessment.ranked}

    def spot(cover: Cover, x: float, y: float) -> Spot:
        call, score = lines.get(cover.id or 0, ("not ranked", ""))
        bow = math.radians(cover.boat.heading_deg)
        return Spot(
            boat=cover.boat.number,
            name=cover.boat.name,
            berth=berth_text(cover.boat),
            call=call,
            score=score,
            shape=SHAPES.get(call, "cross"),
            call_class=call.replace(" ", "-"),
            x=round(x, 1),
            y=round(y, 1),
            bow_x=round(x + BOW_PX * math.sin(bow), 1),
            bow_y=round(y - BOW_PX * math.cos(bow), 1),
            href=href(cover.boat.number),
        )

    spots = [spot(cover, x - left + EDGE_PX, y - top + EDGE_PX) for cover, (x, y) in zip(shown, points, strict=True)]
    return Drawing(
        width=max(one.x for one in spots) + EDGE_PX,
        height=max(one.y for one in spots) + EDGE_PX,
        spots=tuple(spots),
        rows=tuple((name, EDGE_PX + number * ROW_PX) for number, name in enumerate(rows)),
        unplaced=tuple(spot(cover, 0, 0) for cover in covers if cover not in shown),
    )


def _on_plan(cover: Cover) -> tuple[float, float]:
    """East and south on the drawing; the plan's y points up."""
    return (cover.boat.x_m or 0.0) * PX_PER_M, -(cover.boat.y_m or 0.0) * PX_PER_M


def _on_grid(cover: Cover, rows: Sequence[str]) -> tuple[float, float]:
    return cover.boat.place * PLACE_PX, rows.index(cover.boat.row) * ROW_PX
