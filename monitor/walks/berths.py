"""Where boats stand: on the yard's plan, else on a grid of rows and places, and in metres for everybody. Pure.

The map of berths and the walk between them both place boats by it.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.register import Boat


@dataclass(frozen=True)
class BerthSpacing:
    """How far apart berths lie where nobody measured: our own judgement, no source.

    ``place_m`` from one place of a row to the next: a beam of 3.5 m and a metre to walk. ``row_m`` from row to row: a
    boat of 11 m and a lane for the lift.
    """

    place_m: float = 4.5
    row_m: float = 18.0


SPACING = BerthSpacing()


def is_placed(boat: Boat) -> bool:
    """Whether the boat's position on the yard's plan was measured."""
    return boat.x_m is not None and boat.y_m is not None


def row_names(boats: Sequence[Boat]) -> list[str]:
    """The rows that boats stand in, in the order in which they lie on a plain grid: numbers by size, then letters."""
    return sorted({boat.row for boat in boats}, key=_row_order)


def positions_m(boats: Sequence[Boat], spacing: BerthSpacing = SPACING) -> list[tuple[float, float]]:
    """Position (x, y) of each boat, measured or worked out from row and place. [m]

    In a row where some were measured, another stands by its place on from the measured one nearest to it in the row, in
    the direction and at the spacing of two measured ones, else along x at ``spacing``. Rows in which nobody was
    measured lie below the measured ones on a plain grid.
    """
    measured: dict[str, dict[int, tuple[float, float]]] = defaultdict(dict)
    for boat in sorted(boats, key=lambda boat: boat.number):
        if boat.x_m is not None and boat.y_m is not None:
            measured[boat.row].setdefault(boat.place, (boat.x_m, boat.y_m))
    points = [point for row in measured.values() for point in row.values()]
    left = min((x for x, _ in points), default=0.0)
    below = min((y for _, y in points), default=spacing.row_m)
    unmeasured = row_names([boat for boat in boats if boat.row not in measured])
    row_y_m = {row: below - spacing.row_m * number for number, row in enumerate(unmeasured, start=1)}
    found = []
    for boat in boats:
        if boat.x_m is not None and boat.y_m is not None:
            found.append((boat.x_m, boat.y_m))
        elif boat.row in measured:
            found.append(_along_row(boat.place, measured[boat.row], spacing))
        else:
            found.append((left + spacing.place_m * (boat.place - 1), row_y_m[boat.row]))
    return found


def _along_row(place: int, measured: dict[int, tuple[float, float]], spacing: BerthSpacing) -> tuple[float, float]:
    """A place of a row, on from the nearest measured one; with the two nearest the step between places is known."""
    near, *others = sorted(measured, key=lambda other: (abs(other - place), other))
    x_m, y_m = measured[near]
    step_x_m, step_y_m = spacing.place_m, 0.0
    if others:
        other = others[0]
        step_x_m = (measured[other][0] - x_m) / (other - near)
        step_y_m = (measured[other][1] - y_m) / (other - near)
    return x_m + step_x_m * (place - near), y_m + step_y_m * (place - near)


def _row_order(row: str) -> tuple[int, int, str]:
    return (0, int(row), row) if row.isdecimal() else (1, 0, row)
