"""Wind across a cover: gusts at its height, pressure by direction, gust work since it was tightened. Pure functions."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.hazards import column

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class WindParameters:
    """What we chose for the wind at a cover; bounds in brackets are those we would still believe.

    alpha_open_water, alpha_open, alpha_suburban, alpha_sheltered
        Power-law exponent of gusts with height, by the yard's terrain (0.10 to 0.16). From the peak pressures of
        EN 1991-1-4 at 4 and 10 m: 0.115 for its terrain category I, 0.146 for II, 0.157 for III. Gusts fall off more
        slowly towards the ground than mean winds, whose exponents would be 0.155, 0.207 and 0.240. Sheltered ground
        keeps the 0.157 of III: what stands close by is the shelter factor's matter.
    shelter_exposed, shelter_partly, shelter_sheltered
        Gust at a berth over the gust beside it, by what stands round it (0.5 to 1.1). A guess.
    end_area_ratio
        Area that a cover shows ahead or astern over the area it shows abeam: beam over length, about.
    work_threshold_pa
        Pressure up to which film and bands count as at rest. Ranks of covers hardly change between 0 and 30 Pa.
    default_height_m
        Ridge above the ground where nobody recorded it: a motor boat on stands. Common practice, no source.
    """

    alpha_open_water: float = 0.115
    alpha_open: float = 0.15
    alpha_suburban: float = 0.157
    alpha_sheltered: float = 0.157
    shelter_exposed: float = 1.0
    shelter_partly: float = 0.7
    shelter_sheltered: float = 0.5
    end_area_ratio: float = 0.3
    work_threshold_pa: float = 30.0
    default_height_m: float = 4.0


def missing_gust_factor() -> float:
    """Gust over the mean wind of an airport report, where the report gives no gust. [1]

    ``1 + 2.1 Iu`` with the turbulence of open ground, ``Iu = 1 / ln(10 m / 0.03 m)`` (form: WMO TD-1555, Eq. 14). The
    2.1 is ours: three airports of one winter had medians of 1.30 to 1.375 in hours with a mean of 11 m/s or more, when
    nearly every report has a gust.
    """
    return 1 + 2.1 / math.log(10 / 0.03)


def filled_gust_ms(hours: pd.DataFrame) -> tuple[Floats, NDArray[np.bool_]]:
    """Gust of each hour at 10 m, and whether it had to be estimated from the mean wind; both shape (H,).

    A reported gust is never taken below the mean wind. Where none is reported, `missing_gust_factor` times the mean.
    NaN only where both are unknown. A column that is absent counts as missing throughout.
    """
    reported = column(hours, "wind_gust_ms")
    mean = column(hours, "wind_speed_ms")
    estimated = np.isnan(reported) & ~np.isnan(mean)
    return np.where(estimated, missing_gust_factor() * mean, np.fmax(reported, mean)), estimated


def speed_factor(height_m: ArrayLike, terrain: str, shelter: str | Sequence[str], parameters: WindParameters) -> Floats:
    """Gust at a cover over the gust at 10 m beside the yard.

    Parameters
    ----------
    height_m : array_like
        Ridge above the ground, shape (C,) or (H, C). [m]
    terrain : str
        The yard's terrain: open_water, open, suburban or sheltered.
    shelter : str or sequence of str
        Shelter of each berth, shape (C,), or one for all: exposed, partly or sheltered.
    parameters : WindParameters

    Returns
    -------
    numpy.ndarray
        ``shelter * (height / 10 m) ** alpha``, shape of the height, NaN where that is NaN. [1]

    Raises
    ------
    ValueError
        A height is not above 0, or a word is none of these.
    """
    height = np.asarray(height_m, dtype=np.float64)
    if np.any(height <= 0):
        raise ValueError(f"height_m must be above 0, got {np.nanmin(height):g}")
    alphas = {
        "open_water": parameters.alpha_open_water,
        "open": parameters.alpha_open,
        "suburban": parameters.alpha_suburban,
        "sheltered": parameters.alpha_sheltered,
    }
    shelters = {
        "exposed": parameters.shelter_exposed,
        "partly": parameters.shelter_partly,
        "sheltered": parameters.shelter_sheltered,
    }
    if isinstance(shelter, str):
        berths: float | Floats = _looked_up(shelters, shelter, "shelter")
    else:
        berths = np.array([_looked_up(shelters, berth, "shelter") for berth in shelter])
    factor: Floats = berths * (height / 10) ** _looked_up(alphas, terrain, "terrain")
    return factor


def velocity_pressure_pa(speed_ms: ArrayLike) -> Floats:
    """Pressure of a wind brought to rest, 0.613 V2: air of 1.226 kg/m3, as in ASCE 7-16, section 26.10. [Pa]"""
    pressure: Floats = 0.613 * np.asarray(speed_ms, dtype=np.float64) ** 2
    return pressure


def direction_weight(wind_from_deg: ArrayLike, heading_deg: ArrayLike, end_area_ratio: float) -> Floats:
    """Share of the velocity pressure that counts where the wind meets the boat: 1 abeam, least ahead and astern. [1]

    ``sin2(d) + (r cos(d))2`` with d the angle off the bow and r the end area over the side area: our own argument from
    projected areas. 0.5 where a direction is NaN: unknown, variable, or without meaning in a calm.
    """
    off_bow = np.radians(np.asarray(wind_from_deg, dtype=np.float64) - np.asarray(heading_deg, dtype=np.float64))
    weight = np.sin(off_bow) ** 2 + (end_area_ratio * np.cos(off_bow)) ** 2
    return np.where(np.isnan(weight), 0.5, weight)


def pressure_on_covers(
    gust_ms: ArrayLike,
    wind_from_deg: ArrayLike,
    speed_factor: ArrayLike,
    heading_deg: ArrayLike,
    parameters: WindParameters,
) -> Floats:
    """Gust pressure across each cover in each hour: ``direction_weight * 0.613 (speed_factor * gust)2``.

    Parameters
    ----------
    gust_ms, wind_from_deg : array_like
        Gust at 10 m [m/s] and where it comes from [deg], shape (H,).
    speed_factor : array_like
        See `speed_factor`; shape (C,), or (H, C) where covers were rebuilt. [1]
    heading_deg : array_like
        Where each bow points, shape (C,). [deg]
    parameters : WindParameters
        ``end_area_ratio`` is used.

    Returns
    -------
    numpy.ndarray
        Shape (H, C), NaN where the gust is unknown. [Pa]

    Notes
    -----
    The weight ``sin2(d) + r2 cos2(d)`` is ``((1 + r2) - (1 - r2) cos(2d)) / 2``, and ``cos(2d)`` follows from the
    double angles of wind and bow: sines are taken once for each hour and each cover. Not as a product of matrices,
    which rounds by place: two covers alike in everything would no longer tie.
    """
    squared_ratio = parameters.end_area_ratio**2
    wind = np.radians(2 * np.asarray(wind_from_deg, dtype=np.float64))[:, None]
    bow = np.radians(2 * np.asarray(heading_deg, dtype=np.float64))
    cos_2d = np.cos(wind) * np.cos(bow) + np.sin(wind) * np.sin(bow)
    # Rounding may leave cos_2d a hair above 1, and pressure then below 0
    weight = (1 + squared_ratio - (1 - squared_ratio) * np.minimum(cos_2d, 1.0)) / 2
    weight[np.isnan(weight)] = 0.5
    pressure: Floats = weight * velocity_pressure_pa(gust_ms)[:, None]
    pressure *= np.asarray(speed_factor, dtype=np.float64) ** 2
    return pressure


def gust_work_kpah(pressure_pa: ArrayLike, parameters: WindParameters) -> Floats:
    """Work of each hour's gusts on film and bands: pressure above the threshold, for an hour. NaN stays NaN. [kPa h]

    A relative measure of how long and how hard a cover was driven since it was tightened: our own, not a law of damage.
    """
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    work: Floats = np.maximum(pressure - parameters.work_threshold_pa, 0.0) / 1000
    return work


def off_bow_deg(wind_from_deg: ArrayLike, heading_deg: ArrayLike) -> Floats:
    """Angle between the bow and where the wind comes from, 0 (ahead) to 180 (astern); NaN stays NaN. [deg]"""
    clockwise = _clockwise_of_bow_deg(wind_from_deg, heading_deg)
    angle: Floats = np.minimum(clockwise, 360 - clockwise)
    return angle


def off_bow_side(wind_from_deg: float, heading_deg: float) -> str:
    """The side the wind comes from, "port" or "starboard" (as are dead ahead and astern); empty where unknown."""
    clockwise = float(_clockwise_of_bow_deg(wind_from_deg, heading_deg))
    if math.isnan(clockwise):
        return ""
    return "starboard" if clockwise <= 180 else "port"


def _clockwise_of_bow_deg(wind_from_deg: ArrayLike, heading_deg: ArrayLike) -> Floats:
    clockwise: Floats = np.mod(np.subtract(wind_from_deg, heading_deg, dtype=np.float64), 360.0)
    return clockwise


def _looked_up(table: Mapping[str, float], word: str, what: str) -> float:
    if word not in table:
        raise ValueError(f"{what} must be one of {', '.join(table)}, got {word!r}")
    return table[word]
