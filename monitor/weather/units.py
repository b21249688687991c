"""Units that weather services and loggers state, and their conversion to the canonical ones. Pure."""

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.variables import VARIABLES

Values = TypeVar("Values", float, pd.Series, NDArray[np.float64])


@dataclass(frozen=True)
class Conversion:
    """Canonical value = ``factor`` x (value in the stated unit - ``zero``); so 32 °F is 0 °C to the last bit."""

    factor: float
    zero: float = 0.0

    def __call__(self, values: Values) -> Values:
        """Values in the stated unit as values in the canonical unit; NaN stays NaN."""
        return (values - self.zero) * self.factor


# Exact by definition; a knot is a nautical mile an hour.
_INCH_M = 0.0254
_FOOT_M = 0.3048
_MILE_M = 1609.344
_NAUTICAL_MILE_M = 1852.0

_MILLIMETRES = {
    "mm": Conversion(1.0),
    "kg/m²": Conversion(1.0),  # of water
    "cm": Conversion(10.0),
    "m": Conversion(1000.0),
    "inch": Conversion(1000 * _INCH_M),
    "in": Conversion(1000 * _INCH_M),
}
_METRES = {
    "m": Conversion(1.0),
    "cm": Conversion(0.01),
    "mm": Conversion(0.001),
    "inch": Conversion(_INCH_M),
    "in": Conversion(_INCH_M),
    "ft": Conversion(_FOOT_M),
}
_KILOMETRES = {
    "km": Conversion(1.0),
    "m": Conversion(0.001),
    "mi": Conversion(_MILE_M / 1000),
    "mile": Conversion(_MILE_M / 1000),
    "ft": Conversion(_FOOT_M / 1000),
}
_METRES_PER_SECOND = {
    "m/s": Conversion(1.0),
    "ms": Conversion(1.0),
    "km/h": Conversion(1 / 3.6),
    "kmh": Conversion(1 / 3.6),
    "mp/h": Conversion(_MILE_M / 3600),  # Open-Meteo writes it so
    "mph": Conversion(_MILE_M / 3600),
    "kn": Conversion(_NAUTICAL_MILE_M / 3600),
    "kt": Conversion(_NAUTICAL_MILE_M / 3600),
}
_CELSIUS = {
    "°C": Conversion(1.0),
    "c": Conversion(1.0),
    "°F": Conversion(5 / 9, zero=32.0),
    "f": Conversion(5 / 9, zero=32.0),
    "K": Conversion(1.0, zero=273.15),
}
_PERCENT = {"%": Conversion(1.0), "pct": Conversion(1.0)}
_DEGREES = {"°": Conversion(1.0), "deg": Conversion(1.0)}
_WATTS_PER_SQUARE_METRE = {"W/m²": Conversion(1.0), "wm2": Conversion(1.0)}

_BY_CANONICAL_UNIT = {
    "mm": _MILLIMETRES,
    "m": _METRES,
    "km": _KILOMETRES,
    "m/s": _METRES_PER_SECOND,
    "°C": _CELSIUS,
    "%": _PERCENT,
    "deg": _DEGREES,
    "W/m²": _WATTS_PER_SQUARE_METRE,
}


def number_of(text: str) -> float:
    """A number as machines write it; NaN for ``nan``.

    Raises ValueError for anything else, also for an infinite one and for what Python alone takes: ``1_0``, ``١``.
    """
    number = float(text)
    if "_" in text or not text.isascii() or not (math.isnan(number) or abs(number) < 1e300):
        raise ValueError(f"{text!r:.60} is not a number")
    return number


def units_of(variable: str) -> tuple[str, ...]:
    """Every unit in which a variable of the canonical table can be given, spelt as services and files spell it."""
    return tuple(_BY_CANONICAL_UNIT[VARIABLES[variable].unit])


def conversion(variable: str, unit: str) -> Conversion:
    """How to read a variable given in ``unit``; KeyError where the variable is not known in that unit."""
    return _BY_CANONICAL_UNIT[VARIABLES[variable].unit][unit]
