"""How dense snow is as it falls and as it settles. It turns water into depth and back: loads come from water. Pure."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

UNKNOWN_SNOW_DENSITY_KGM3 = 100.0
"""New snow where nothing else is known: the constant of xclim 0.62.0."""

GLAZE_DENSITY_KGM3 = 900.0
"""Ice that freezing rain leaves: clear, without air (Jones 1998, from memory)."""


def new_snow_density(air_temperature_c: ArrayLike) -> Floats:
    """Density of falling snow. [kg/m3]

    Hedstrom & Pomeroy 1998 up to 0 degC; above, 119.17 + 20 T up to 200 kg/m3 (Pomeroy & Gray 1995, from memory). It
    only turns water into depth: loads come from water.
    """
    temperature = np.asarray(air_temperature_c, dtype=np.float64)
    cold = 67.92 + 51.25 * np.exp(np.minimum(temperature, 0) / 2.59)
    warm = np.minimum(119.17 + 20 * temperature, 200)
    return np.where(temperature > 0, warm, cold)


def settled_density(density_kgm3: ArrayLike, air_temperature_c: ArrayLike, hours: float = 1.0) -> Floats:
    """Density of lying snow some hours later: it closes up towards 300 kg/m3, from 0 degC on towards 500. [kg/m3]

    Time constant 200 h; never falls. Verseghy 1991 as Essery's models use it, from memory.
    """
    density = np.asarray(density_kgm3, dtype=np.float64)
    limit = np.where(np.asarray(air_temperature_c) >= 0, 500.0, 300.0)
    settled: Floats = np.maximum(density, limit + (density - limit) * np.exp(-hours / 200))
    return settled
