"""Mould index of surfaces in the air under a cover: an index of risk, not a sighting of mould. Pure functions."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MouldParameters:
    """What we chose for the mould index.

    decline_factor
        How fast the index falls in dry or frozen hours, over what was measured on pine. 0.5, 0.25 and 0.1 are in use
        for materials on which mould lasts longer.
    """

    decline_factor: float = 1.0


@dataclass(frozen=True)
class Sensitivity:
    """How readily a material grows mould: one row of the published table.

    ``slow`` and ``fast`` are the rates below and from index 1 on, relative to pine. The index tends to
    ``a + b x - c x**2`` with x the humidity's share of the way from critical to saturated. Below
    ``least_humidity_pct`` nothing grows.
    """

    slow: float
    fast: float
    a: float
    b: float
    c: float
    least_humidity_pct: float


SENSITIVITIES = {
    "very_sensitive": Sensitivity(1.0, 2.0, 1.0, 7.0, 2.0, 80.0),
    "sensitive": Sensitivity(0.578, 0.386, 0.3, 6.0, 1.0, 80.0),
    "medium_resistant": Sensitivity(0.072, 0.097, 0.0, 5.0, 1.5, 85.0),
    "resistant": Sensitivity(0.033, 0.014, 0.0, 3.0, 1.0, 85.0),
}
"""Classes of Ojanen and Viitanen. On a boat, by our own judgement: bare wood and cotton; plywood, cushions and canvas;
paint and vinyl; gelcoat, glass and metal."""


def mould_index(
    temperature_c: ArrayLike,
    relative_humidity_pct: ArrayLike,
    sensitivity: str | Sequence[str],
    parameters: MouldParameters,
) -> Floats:
    """Mould index hour by hour, from a clean surface.

    Parameters
    ----------
    temperature_c, relative_humidity_pct : array_like
        Of the air at the surface, shape (H,) or (H, C) [degC] [%]; more than 100 % counts as 100.
    sensitivity : str or sequence of str
        A name of `SENSITIVITIES`, one for all or one for each column.
    parameters : MouldParameters

    Returns
    -------
    numpy.ndarray
        0 (nothing) over 1 (seen under a microscope) and 3 (seen by eye) to 6 (all over), shape of the temperature; NaN
        in hours of which something is unknown, which leave the index as it was. [1]

    Raises
    ------
    ValueError
        A sensitivity has another name.

    Notes
    -----
    Hukka & Viitanen 1999 [1]_ with the classes of Ojanen & Viitanen, as read in a public implementation; other readers
    find the index unreliable to tell where mould is [2]_. It grows between 0 and 50 degC from the critical humidity on;
    else it falls by 0.032 a day for six hours, rests up to the 24th, and falls by 0.016 a day after that.

    References
    ----------
    .. [1] Wood Science and Technology 33:475-485.
    .. [2] Berger et al., arXiv:1804.02992, its abstract.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    humidity = np.minimum(np.asarray(relative_humidity_pct, dtype=np.float64), 100.0)
    unknown = np.isnan(temperature) | np.isnan(humidity)
    kind = _named(sensitivity)
    critical = critical_humidity_pct(temperature, kind["least_humidity_pct"])
    grows = (temperature > 0) & (temperature < 50) & (humidity >= critical) & (critical < 100)
    pine_per_h, share = np.zeros(temperature.shape), np.zeros(temperature.shape)
    pine_per_h[grows] = 1 / (7 * 24 * weeks_to_first_growth(temperature[grows], humidity[grows]))
    share[grows] = (humidity[grows] - critical[grows]) / (100 - critical[grows])
    ceiling = kind["a"] + kind["b"] * share - kind["c"] * share**2

    index = np.full(temperature.shape, np.nan)
    reached = np.zeros(temperature.shape[1:])
    idle_h = np.zeros(temperature.shape[1:])
    for hour in range(len(temperature)):
        if grows[hour].any() or reached.any():
            pace = np.where(reached < 1, kind["slow"], kind["fast"])
            slowing = np.maximum(1 - np.exp(2.3 * (reached - ceiling[hour])), 0.0)
            idle_h = np.where(grows[hour], 0.0, idle_h + ~unknown[hour])
            fall = np.where(grows[hour] | unknown[hour], 0.0, _fall_per_h(idle_h) * parameters.decline_factor)
            reached = np.maximum(reached + pace * slowing * pine_per_h[hour] - fall, 0.0)
        index[hour] = np.where(unknown[hour], np.nan, reached)
    return index


def critical_humidity_pct(temperature_c: ArrayLike, least_humidity_pct: ArrayLike) -> Floats:
    """Humidity from which mould grows: Hukka & Viitanen 1999, with the least of the class at any temperature. [%]"""
    temperature = np.asarray(temperature_c, dtype=np.float64)
    cold = -0.00267 * temperature**3 + 0.160 * temperature**2 - 3.13 * temperature + 100
    critical: Floats = np.maximum(np.where(temperature > 20, 0.0, cold), least_humidity_pct)
    return critical


def weeks_to_first_growth(temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Floats:
    """Weeks until mould on resawn pine is seen under a microscope, in steady air in which it grows. [weeks]

    Hukka & Viitanen 1999. Its terms for spruce and for planed surfaces are left to the classes.
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    humidity = np.asarray(relative_humidity_pct, dtype=np.float64)
    weeks: Floats = np.exp(-0.68 * np.log(temperature) - 13.9 * np.log(humidity) + 66.02)
    return weeks


def _fall_per_h(idle_h: Floats) -> Floats:
    """Fall of the index on pine after so many hours without growth."""
    return np.where(idle_h <= 6, 0.032, np.where(idle_h <= 24, 0.0, 0.016)) / 24


def _named(sensitivity: str | Sequence[str]) -> dict[str, Floats]:
    """Numbers of the classes by their field, one for each name, or plain numbers for a single one."""
    names = np.asarray(sensitivity)
    unknown = sorted(set(names.ravel().tolist()) - set(SENSITIVITIES))
    if unknown:
        raise ValueError(f"sensitivity must be one of {', '.join(SENSITIVITIES)}, got {unknown[0]!r}")
    rows = [SENSITIVITIES[name] for name in names.ravel().tolist()]
    return {
        entry.name: np.array([getattr(row, entry.name) for row in rows]).reshape(names.shape)
        for entry in fields(Sensitivity)
    }
