"""Freezing rain and the ice it leaves, from coded or measured weather only. Pure functions.

Temperature and humidity cannot tell freezing rain from snow or plain rain. Where no source codes the weather, an hour
is not assessed; it never counts as free of ice.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.hazards import column
from monitor.variables import PRESENT_WEATHER
from monitor.weather.metar import FREEZING_RAIN

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FreezingRain:
    """Freezing rain or drizzle of each hour; arrays are (H,).

    Amount as water [mm], 0 where an assessed hour had none, NaN where it is not assessed or the amount is unknown;
    ``falls`` where it was reported, with or without an amount; ``assessed`` where a source would have told.
    """

    amount_mm: Floats
    falls: NDArray[np.bool_]
    assessed: NDArray[np.bool_]


def freezing_rain(hours: pd.DataFrame) -> FreezingRain:
    """Freezing rain of each hour as the sources report it.

    Parameters
    ----------
    hours : pandas.DataFrame
        Canonical hours. ``freezing_rain_mm`` and the codes of ``present_weather`` are used; a column that is absent
        counts as missing throughout.

    Returns
    -------
    FreezingRain

    Notes
    -----
    The amount is that of ``freezing_rain_mm``; where it is missing and freezing rain or drizzle is coded, all that fell
    in the hour, which is too much where snow was mixed in. Freezing fog is no freezing rain.

    An hour is assessed where an amount is known or freezing rain is coded. Codes without it assess the hour only in a
    table that has no amounts at all: a station whose sensor for ice is out codes its weather and gives no amount.
    """
    amount_mm = column(hours, "freezing_rain_mm")
    if PRESENT_WEATHER in hours.columns:
        codes = hours[PRESENT_WEATHER]
        coded = codes.str.contains(FREEZING_RAIN, na=False).to_numpy(dtype=np.bool_)
        told = codes.notna().to_numpy(dtype=np.bool_) & ("freezing_rain_mm" not in hours.columns)
    else:
        coded = told = np.zeros(len(hours), dtype=np.bool_)
    fell_mm = np.select([coded, told], [column(hours, "precipitation_mm"), 0.0], np.nan)
    known = ~np.isnan(amount_mm)
    return FreezingRain(
        amount_mm=np.where(known, amount_mm, fell_mm),
        falls=coded | (amount_mm > 0),
        assessed=known | coded | told,
    )


def ice_lies(rain: FreezingRain, air_temperature_c: ArrayLike) -> NDArray[np.bool_]:
    """Hours in which ice of freezing rain lies on film, masts and rails: from its fall to the first thaw; shape (H,).

    An hour above 0 degC in which none falls takes it; snow does not slide before. Our own rule. An unknown temperature
    takes nothing.
    """
    temperature = np.asarray(air_temperature_c, dtype=np.float64)
    hour = np.arange(len(temperature))
    last_fall = np.maximum.accumulate(np.where(rain.falls, hour, -1))
    last_thaw = np.maximum.accumulate(np.where((temperature > 0) & ~rain.falls, hour, -1))
    lies: NDArray[np.bool_] = last_fall > last_thaw
    return lies


def radial_ice_mm(freezing_rain_mm: ArrayLike, wind_speed_ms: ArrayLike) -> Floats:
    """Ice that an hour adds round a mast, a rail or a wire, counted outwards from it.

    Parameters
    ----------
    freezing_rain_mm, wind_speed_ms : array_like
        Freezing rain of the hour as water [mm] and the mean wind [m/s]. They broadcast.

    Returns
    -------
    numpy.ndarray
        Uniform thickness, NaN where an input is NaN. [mm]

    Notes
    -----
    The simple model of Jones 1998 [1]_: all rain that meets the wire freezes to it, what falls and what the wind drives
    sideways (liquid water 0.067 P^0.846 g/m3); ice of 0.9 times the density of water. Conservative. For information:
    film is flat, and its ice is as deep as the rain.

    References
    ----------
    .. [1] Jones 1998, Atmospheric Research 46:87-97, from memory but for its abstract.
    """
    fallen = np.asarray(freezing_rain_mm, dtype=np.float64)
    wind = np.asarray(wind_speed_ms, dtype=np.float64)
    driven = 3.6 * wind * 0.067 * fallen**0.846
    thickness: Floats = np.sqrt(fallen**2 + driven**2) / (0.9 * np.pi)
    return thickness
