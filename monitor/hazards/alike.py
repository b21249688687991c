"""Numbers of covers checked and brought into one shape; covers alike found, so that they are computed once. Pure."""

import itertools
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def per_cover(
    given: Mapping[str, ArrayLike], limits: Mapping[str, tuple[float, float]], hour_count: int
) -> dict[str, Floats]:
    """Each number as (C,), or as (H, C) where it changes with time.

    Parameters
    ----------
    given : mapping of str to array_like
        By name: one number for all covers, (C,) or (H, C); C is that of the longest.
    limits : mapping of str to tuple of float
        Lowest and highest value that each may have.
    hour_count : int
        H.

    Raises
    ------
    ValueError
        A shape does not fit, or a number is unknown or outside its limits.
    """
    arrays = {name: np.atleast_1d(np.asarray(values, dtype=np.float64)) for name, values in given.items()}
    count = max(values.shape[-1] for values in arrays.values())
    for name, values in arrays.items():
        low, high = limits[name]
        if values.shape not in ((1,), (count,), (hour_count, count)):
            raise ValueError(f"{name} must have shape ({count},) or ({hour_count}, {count}), got {values.shape}")
        if not np.all((values >= low) & (values <= high)):
            raise ValueError(f"{name}: every cover needs a number in {low:g} to {high:g}")
    return {name: np.broadcast_to(values, (count,)) if values.ndim == 1 else values for name, values in arrays.items()}


def distinct_covers(inputs: Mapping[str, Floats]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The first cover of each kind, and for every cover the place of its kind among them.

    Covers are of a kind where all their numbers are the same to the last bit. ``values[..., first][..., place]`` gives
    ``values`` back.
    """
    count = next(iter(inputs.values())).shape[-1]
    marks = np.vstack([_mark(values) for values in inputs.values()]).T.copy()
    kinds: dict[bytes, list[int]] = {}
    first: list[int] = []
    place: list[int] = []
    for cover in range(count):
        alike = kinds.setdefault(marks[cover].tobytes(), [])
        kind = next((kind for kind in alike if _same(inputs, first[kind], cover)), None)
        if kind is None:
            kind = len(first)
            first.append(cover)
            alike.append(kind)
        place.append(kind)
    return np.array(first, dtype=np.intp), np.array(place, dtype=np.intp)


def _mark(values: Floats) -> Floats:
    """A few numbers of each cover, the same for the same values: cheaper to compare than a season of hours."""
    if values.ndim == 1:
        return values[None, :]
    return np.vstack([values.sum(axis=0), values[:: max(len(values) // 20, 1)]])


def _same(inputs: Mapping[str, Floats], one: int, other: int) -> bool:
    return all(np.array_equal(values[..., one], values[..., other]) for values in inputs.values())


def builds(inputs: Mapping[str, Floats], hour_count: int) -> Iterator[tuple[range, dict[str, Floats]]]:
    """Runs of hours in which no cover was rebuilt, each with the numbers of all covers in it, (C,)."""
    rebuilt = np.zeros(hour_count, dtype=np.bool_)
    for values in inputs.values():
        if values.ndim == 2:
            rebuilt[1:] |= (values[1:] != values[:-1]).any(axis=1)
    for start, end in itertools.pairwise([0, *np.flatnonzero(rebuilt).tolist(), hour_count]):
        if start < end:
            yield range(start, end), {n: values[start] if values.ndim == 2 else values for n, values in inputs.items()}
