"""Short ways over a set of stops: nearest neighbour, 2-opt, Or-opt, and a way shared out between parties. Pure.

A way is a list of positions in a distance matrix. Ties go to the lower position, so the same matrix gives the same way.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_GAIN_M = 1e-7
"""A change that shortens the way by less is rounding, not gain."""

_STARTED_STOPS = 600
"""Beginnings to try times stops: every beginning up to 24 stops, one alone from 300 on."""

_FEW_STOPS = 9
"""Up to so many, the shortest way of all is found; it takes less time there than many beginnings."""

_LONGEST_MOVED = 3
"""Or-opt moves runs of one to three stops, as Or did."""


def distances_m(x_m: ArrayLike, y_m: ArrayLike) -> Floats:
    """Straight-line distances between points, shape (n, n), with a zero diagonal. [m]"""
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    found: Floats = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])
    return found


def way_m(order: Sequence[int], distance_m: Floats, *, closed: bool = False) -> float:
    """Length of a way from its first stop to its last, and back to the first where ``closed``. [m]"""
    stops = np.asarray(order, dtype=np.intp)
    if closed:
        return float(distance_m[stops, np.roll(stops, -1)].sum())
    return float(distance_m[stops[:-1], stops[1:]].sum())


def short_way(distance_m: Floats, *, closed: bool = False) -> list[int]:
    """A short way over all stops, with both ends free; ``closed`` returns to where it began.

    Parameters
    ----------
    distance_m : numpy.ndarray
        Symmetric, shape (n, n). [m]

    Notes
    -----
    From several first stops the nearest neighbour is taken again and again, then 2-opt [1]_ and Or-opt [2]_ run until
    neither shortens the way; the shortest of these ways counts. Up to nine stops it is the shortest of all [3]_. A way
    with free ends is a closed one through a place at no distance from anywhere.

    References
    ----------
    .. [1] G. A. Croes (1958), A method for solving traveling-salesman problems. Operations Research 6, 791-812.
    .. [2] I. Or (1976), Traveling salesman-type combinatorial problems. Ph.D. thesis, Northwestern University.
    .. [3] M. Held, R. M. Karp (1962), A dynamic programming approach to sequencing problems. Journal of the Society for
       Industrial and Applied Mathematics 10, 196-210.
    """
    count = len(distance_m)
    if count < 3:
        return list(range(count))
    around = distance_m if closed else _with_nowhere(distance_m)
    tour = _shortest_tour(around) if count <= _FEW_STOPS else _short_tour(around, count)
    return _rotated(tour, 0) if closed else _opened(tour, count)


def improved_way(order: Sequence[int], distance_m: Floats) -> list[int]:
    """The same stops with both ends free, changed by 2-opt and Or-opt until neither shortens the way."""
    if len(order) < 3:
        return list(order)
    stops = np.asarray(order, dtype=np.intp)
    around = _with_nowhere(distance_m[np.ix_(stops, stops)])
    tour = _improved_tour([*range(len(stops)), len(stops)], around)
    return [int(stops[position]) for position in _opened(tour, len(stops))]


def worst_first(order: Sequence[int], distance_m: Floats, score: Floats, spare_m: float) -> list[int]:
    """The order that comes to the high scores sooner, on a way at most ``spare_m`` longer.

    What is made small is the sum over stops of score times place in the order. First the better direction of the way
    is taken, then single stops move forward, the largest gain for its extra metres first, until no move gains or none
    is within ``spare_m``.

    Parameters
    ----------
    order : sequence of int
        The short way, as positions in the matrix.
    distance_m : numpy.ndarray
        Shape (n, n). [m]
    score : numpy.ndarray
        Shape (n,).
    """
    way = min((list(order), list(order)[::-1]), key=lambda one: waiting(one, score))
    for _ in range(4 * len(way)):
        move = _best_forward_move(way, distance_m, score, spare_m)
        if move is None:
            break
        origin, target, extra_m = move
        way.insert(target, way.pop(origin))
        spare_m -= extra_m
    return way


def waiting(order: Sequence[int], score: Floats) -> float:
    """Sum over stops of score times place in the order, from 0: smaller is worse covers sooner."""
    return float((score[np.asarray(order, dtype=np.intp)] * np.arange(len(order))).sum())


def shares(busy_min: Floats, parties: int) -> list[slice]:
    """Cut a way into consecutive parts, so that the longest part is as short as can be, and the others even.

    Parameters
    ----------
    busy_min : numpy.ndarray
        From `busy_minutes`.
    parties : int
        At most so many parts; none of them is empty.
    """
    stops = len(busy_min) - 1
    parts = min(parties, stops)
    if parts < 1:
        return []
    longest = _bottleneck(busy_min, parts)
    allowed = np.where(busy_min <= longest + 1e-9, busy_min**2, np.inf)
    cost = allowed[0]
    came_from = []
    for _ in range(parts - 1):
        through = cost[:, None] + allowed
        came_from.append(through.argmin(axis=0))
        cost = through.min(axis=0)
    cuts = [stops]
    for previous in reversed(came_from):
        cuts.append(int(previous[cuts[-1]]))
    cuts.append(0)
    ends = cuts[::-1]
    return [slice(begin, end) for begin, end in pairwise(ends)]


def busy_minutes(order: Sequence[int], distance_m: Floats, minutes: Floats, m_per_min: float) -> Floats:
    """Minutes that stops i to j - 1 of a way take, with the walking between them, at [i, j]; inf for j <= i.

    Shape (n + 1, n + 1) for n stops.
    """
    stops = np.asarray(order, dtype=np.intp)
    at_stops = np.concatenate([[0.0], np.cumsum(minutes[stops])])
    walked = np.concatenate([[0.0], np.cumsum(distance_m[stops[:-1], stops[1:]])]) / m_per_min
    busy = np.full((len(stops) + 1, len(stops) + 1), np.inf)
    if len(stops):
        busy[:-1, 1:] = at_stops[None, 1:] - at_stops[:-1, None] + walked[None, :] - walked[:, None]
    busy[np.tril_indices(len(stops) + 1)] = np.inf
    return busy


def fits(busy_min: Floats, parties: int, limit_min: float) -> bool:
    """Whether a way can be cut into at most so many consecutive parts, each within the limit.

    Each part is filled before the next begins: no other cut needs fewer parts, because a part of a part is shorter.
    """
    stops = len(busy_min) - 1
    begin = used = 0
    while begin < stops:
        end = int(np.searchsorted(busy_min[begin, begin + 1 :], limit_min + 1e-9, side="right")) + begin
        if end == begin or used == parties:
            return False
        begin, used = end, used + 1
    return True


def _bottleneck(busy_min: Floats, parts: int) -> float:
    """Longest part of the best cut into ``parts``: every length that a part can have is a candidate."""
    candidates = np.unique(busy_min[np.isfinite(busy_min)])
    low, high = 0, len(candidates) - 1
    while low < high:
        middle = (low + high) // 2
        if fits(busy_min, parts, float(candidates[middle])):
            high = middle
        else:
            low = middle + 1
    return float(candidates[low])


def _with_nowhere(distance_m: Floats) -> Floats:
    """The matrix with one more place, at no distance from any other."""
    return np.pad(distance_m, (0, 1))


def _rotated(tour: list[int], first: int) -> list[int]:
    at = tour.index(first)
    turned = tour[at:] + tour[:at]
    return [turned[0], *turned[:0:-1]] if turned[-1] < turned[1] else turned


def _opened(tour: list[int], nowhere: int) -> list[int]:
    """The tour cut open at ``nowhere``, beginning with the lower of its two ends."""
    way = _rotated(tour, nowhere)[1:]
    return way if way[0] <= way[-1] else way[::-1]


def _short_tour(distance_m: Floats, first_stops: int) -> list[int]:
    """The shortest of the improved tours that begin at some of the first stops."""
    best: list[int] = []
    best_m = np.inf
    starts = max(1, min(first_stops, _STARTED_STOPS // first_stops))
    for start in range(0, first_stops, -(-first_stops // starts)):
        tour = _improved_tour(_nearest_neighbours(distance_m, start), distance_m)
        length_m = way_m(tour, distance_m, closed=True)
        if length_m < best_m - _GAIN_M:
            best, best_m = tour, length_m
    return best


def _shortest_tour(distance_m: Floats) -> list[int]:
    """The shortest tour of all, over sets of stops that a part of it has been to: for few stops alone.

    ``reached[visited, last]`` is the shortest way from the last row's place through the stops of the bit mask
    ``visited``, ending at ``last``; ``came_from`` is the stop before.
    """
    count = len(distance_m) - 1
    home = distance_m[count, :count]
    between = distance_m[:count, :count]
    bits = 1 << np.arange(count)
    reached = np.full((1 << count, count), np.inf)
    came_from = np.zeros((1 << count, count), dtype=np.intp)
    reached[bits, np.arange(count)] = home
    for visited in range(1, 1 << count):
        further = np.flatnonzero((visited & bits) == 0)
        through = reached[visited][:, None] + between[:, further]
        reached[visited | bits[further], further] = through.min(axis=0)
        came_from[visited | bits[further], further] = through.argmin(axis=0)
    visited = (1 << count) - 1
    tour = [count, int((reached[visited] + home).argmin())]
    while len(tour) <= count:
        last = tour[-1]
        tour.append(int(came_from[visited, last]))
        visited ^= int(bits[last])
    return tour


def _nearest_neighbours(distance_m: Floats, start: int) -> list[int]:
    tour = [start]
    left = np.ones(len(distance_m), dtype=bool)
    left[start] = False
    while left.any():
        nearest = int(np.where(left, distance_m[tour[-1]], np.inf).argmin())
        tour.append(nearest)
        left[nearest] = False
    return tour


def _improved_tour(tour: Sequence[int], distance_m: Floats) -> list[int]:
    """2-opt and Or-opt in turns on a closed tour until neither shortens it."""
    order = np.asarray(tour, dtype=np.intp)
    shorter = True
    while shorter:
        order, by_reversing = _reversed_parts(order, distance_m)
        order, by_moving = _moved_parts(order, distance_m)
        shorter = by_reversing or by_moving
    return [int(stop) for stop in order]


def _reversed_parts(order: NDArray[np.intp], distance_m: Floats) -> tuple[NDArray[np.intp], bool]:
    """2-opt: from each stop on, reverse the part that shortens the tour most."""
    count, changed = len(order), False
    for begin in range(count - 1):
        before, first = order[begin - 1], order[begin]
        lasts = order[begin + 1 :]
        after = np.append(order[begin + 2 :], order[0]) if begin else np.append(order[2:], before)
        gain = distance_m[before, first] + distance_m[lasts, after]
        gain -= distance_m[before, lasts] + distance_m[first, after]
        if begin == 0:
            gain[-1] = 0.0  # the whole tour turned round
        best = int(gain.argmax())
        if gain[best] > _GAIN_M:
            end = begin + best + 2
            order[begin:end] = order[begin:end][::-1].copy()
            changed = True
    return order, changed


def _moved_parts(order: NDArray[np.intp], distance_m: Floats) -> tuple[NDArray[np.intp], bool]:
    """Or-opt: move each run of one to three stops, either way round, to where it shortens the tour most."""
    count, changed = len(order), False
    for length in range(1, min(_LONGEST_MOVED, count - 3) + 1):
        for stop in range(count):
            at = int(np.flatnonzero(order == stop)[0])
            turned = np.roll(order, -at)
            run, rest = turned[:length], turned[length:]
            first, last = run[0], run[-1]
            freed = distance_m[rest[-1], first] + distance_m[last, rest[0]] - distance_m[rest[-1], rest[0]]
            left, right = rest[:-1], rest[1:]
            gone = freed + distance_m[left, right]
            kept = gone - distance_m[left, first] - distance_m[last, right]
            flipped = gone - distance_m[left, last] - distance_m[first, right]
            best_kept, best_flipped = int(kept.argmax()), int(flipped.argmax())
            flip = flipped[best_flipped] > kept[best_kept] + _GAIN_M
            best = best_flipped if flip else best_kept
            if (flipped if flip else kept)[best] > _GAIN_M:
                order = np.concatenate([rest[: best + 1], run[::-1] if flip else run, rest[best + 1 :]])
                changed = True
    return order, changed


def _best_forward_move(
    way: Sequence[int], distance_m: Floats, score: Floats, spare_m: float
) -> tuple[int, int, float] | None:
    """From, to and extra metres of the best move of one stop forward; None where none gains within ``spare_m``.

    A stop taken out at place i and set in before place j < i adds ``inserted`` metres there and saves ``freed`` here.
    It comes i - j places sooner, and each of the stops between one place later.
    """
    count = len(way)
    if count < 2:
        return None
    stops = np.asarray(way, dtype=np.intp)
    leg = distance_m[np.ix_(stops, stops)]
    next_m, past_m = np.diagonal(leg, 1), np.diagonal(leg, 2)
    freed = np.zeros(count)
    freed[1:] = next_m
    freed[1:-1] += next_m[1:] - past_m
    inserted = leg.copy()
    inserted[:, 1:] += leg[:, :-1] - next_m[None, :]
    extra = inserted - freed[:, None]
    value = score[stops]
    before = np.append(0.0, np.cumsum(value)[:-1])
    place = np.arange(count)
    gain = value[:, None] * (place[:, None] - place[None, :]) - (before[:, None] - before[None, :])
    possible = np.tri(count, k=-1, dtype=bool) & (extra <= spare_m) & (gain > 1e-9)
    worth = np.where(possible, gain / (1.0 + np.maximum(extra, 0.0)), 0.0)
    origin, target = divmod(int(worth.argmax()), count)
    return (origin, target, float(extra[origin, target])) if possible[origin, target] else None
