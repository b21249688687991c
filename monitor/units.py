"""Quantities as people write and read them: feet and inches, mils and mph to exact SI, and SI back to the screen.

Every conversion is exact: a number is read as a fraction, multiplied by the unit's exact definition and rounded once.
"""

import math
import re
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Literal

from monitor.errors import quoted

Dimension = Literal["length", "area", "thickness", "angle", "speed", "pressure", "temperature"]

_LONGEST_FOUND = 80
"""Letters of an unreadable text that stand in a sentence."""


class UnreadableError(ValueError):
    """A text that cannot be read as what its place calls for. ``expected`` completes "it is not ...".

    Of a long text ``found`` is the beginning; it is safe to print.
    """

    def __init__(self, found: str, expected: str) -> None:
        self.found = quoted(found, _LONGEST_FOUND)
        super().__init__(f"{self.found} is not {expected}")
        self.expected = expected


@dataclass(frozen=True)
class Unit:
    """One unit: ``value * factor + offset`` is the value in the base unit, the first of its dimension."""

    factor: Fraction
    spellings: tuple[str, ...]
    offset: Fraction = Fraction(0)


# International yard and pound agreement of 1959, nautical mile of 1929, standard gravity of 1901 (all from memory, and
# checked against pint in the tests).
_INCH_M = Fraction("0.0254")
_FOOT_M = 12 * _INCH_M
_MPH_MS = 5280 * _FOOT_M / 3600
_KNOT_MS = Fraction(1852, 3600)
_PSF_PA = Fraction("0.45359237") * Fraction("9.80665") / _FOOT_M**2

UNITS: dict[Dimension, dict[str, Unit]] = {
    "length": {
        "m": Unit(Fraction(1), ("m", "metre", "metres", "meter", "meters")),
        "cm": Unit(Fraction(1, 100), ("cm",)),
        "mm": Unit(Fraction(1, 1000), ("mm",)),
        "ft": Unit(_FOOT_M, ("ft", "ft.", "foot", "feet", "'")),
        "in": Unit(_INCH_M, ("in", "in.", "inch", "inches", '"')),
    },
    "area": {
        "m2": Unit(Fraction(1), ("m2", "m²", "m^2", "sq m")),
        "cm2": Unit(Fraction(1, 10_000), ("cm2", "cm²", "cm^2", "sq cm")),
        "ft2": Unit(_FOOT_M**2, ("ft2", "ft²", "ft^2", "sq ft")),
        "in2": Unit(_INCH_M**2, ("in2", "in²", "in^2", "sq in")),
    },
    "thickness": {
        "mm": Unit(Fraction(1), ("mm",)),
        "um": Unit(Fraction(1, 1000), ("um", "\N{MICRO SIGN}m", "\N{GREEK SMALL LETTER MU}m", "micron", "microns")),
        "mil": Unit(_INCH_M, ("mil", "mils")),
    },
    "angle": {"deg": Unit(Fraction(1), ("deg", "°", "degree", "degrees"))},
    "speed": {
        "ms": Unit(Fraction(1), ("m/s", "ms")),
        "kmh": Unit(Fraction(10, 36), ("km/h", "kmh")),
        "mph": Unit(_MPH_MS, ("mph", "mi/h")),
        "kn": Unit(_KNOT_MS, ("kn", "kt", "kts", "knot", "knots")),
    },
    "pressure": {
        "pa": Unit(Fraction(1), ("pa",)),
        "kpa": Unit(Fraction(1000), ("kpa",)),
        "psf": Unit(_PSF_PA, ("psf", "lb/ft2", "lb/ft²", "lbf/ft2", "lbf/ft²")),
    },
    "temperature": {
        "c": Unit(Fraction(1), ("c", "°c")),
        "f": Unit(Fraction(5, 9), ("f", "°f"), offset=Fraction(-160, 9)),
        "k": Unit(Fraction(1), ("k",), offset=Fraction("-273.15")),
    },
}
"""Units by the name that a column header ends in (``beam_ft``, ``vent_area_in2``), the base unit first."""

_BY_SPELLING = {
    dimension: {spelling: name for name, unit in units.items() for spelling in unit.spellings}
    for dimension, units in UNITS.items()
}

_SIGNED: frozenset[Dimension] = frozenset({"angle", "temperature"})
_EXAMPLES: dict[Dimension, str] = {
    "length": "a length such as 2.6 m, 260 cm, 8.5 ft or 8'6\"",
    "area": "an area such as 60 cm2 or 9.5 in2",
    "thickness": "a thickness such as 0.18 mm or 7 mil",
    "angle": "an angle in degrees such as 22.5",
    "speed": "a speed such as 15 m/s, 30 mph or 28 kn",
    "pressure": "a pressure such as 300 Pa, 0.3 kPa or 6 psf",
    "temperature": "a temperature such as -2.5 °C or 28 °F",
}

_WITH_UNIT: dict[Dimension, str] = {
    "length": "6in, 15cm or 8.5ft",
    "area": "60cm2 or 9.5in2",
    "thickness": "0.18mm or 7mil",
    "angle": "22.5deg",
    "speed": "15m/s, 30mph or 28kn",
    "pressure": "300Pa or 6psf",
    "temperature": "-2°C or 28°F",
}

_AS_TYPED = str.maketrans(
    dict.fromkeys("′’‘´ʹ", "'")
    | dict.fromkeys("″”“ʺ", '"')
    | {"\N{MINUS SIGN}": "-", "½": " 1/2", "¼": " 1/4", "¾": " 3/4"}
    | {"⅛": " 1/8", "⅜": " 3/8", "⅝": " 5/8", "⅞": " 7/8"}
)
_LONGEST_TEXT = 80
_DECIMAL = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_MIXED = r"(?:[0-9]+(?:\s+|\s*-\s*))?[0-9]+/[0-9]+"
_QUANTITY = re.compile(rf"([+-]?)\s*({_MIXED}|{_DECIMAL})\s*(\S.*)?")
_FEET_AND_INCHES = re.compile(
    rf"([+-]?)\s*([0-9]+)\s*(?:'|ft\.?|foot|feet)\s*-?\s*({_MIXED}|[0-9]+(?:\.[0-9]*)?)\s*(?:\"|in\.?|inch|inches)?"
)


def parse_quantity(text: str, dimension: Dimension, default_unit: str | None, *, signed: bool = False) -> float:
    """Quantity from text such as ``8'6"``, ``8 ft 6 1/2 in``, ``102"``, ``2.6 m``, ``28 kn`` or a plain number.

    Parameters
    ----------
    text : str
        As a person typed it; typographic primes and quotes are taken as well.
    dimension : Dimension
        What is measured.
    default_unit : str or None
        Unit of a plain number; a unit in the text goes before it. None: the text must carry its unit.
    signed : bool
        Whether a value below zero is allowed, as for a position; angles and temperatures always may be.

    Returns
    -------
    float
        The double next to the exact value, in the base unit of its dimension: m, m2, mm of thickness, deg, m/s, Pa, °C.

    Raises
    ------
    UnreadableError
        Naming what was found and what is expected.
    """
    found = text.strip()
    if "," in found:
        raise UnreadableError(found, "a number with a decimal point and no comma, such as 2.6")
    typed = found.translate(_AS_TYPED).replace("''", '"').strip().lower()
    exact = _exact_value(found, typed, dimension, default_unit)
    if exact < 0 and not (signed or dimension in _SIGNED):
        raise UnreadableError(found, "zero or more")
    try:
        return float(exact)
    except OverflowError:
        raise UnreadableError(found, _EXAMPLES[dimension]) from None


def _exact_value(found: str, typed: str, dimension: Dimension, default_unit: str | None) -> Fraction:
    """Exact value in the base unit of a text already in plain typing."""
    if len(typed) > _LONGEST_TEXT:
        raise UnreadableError(found, _EXAMPLES[dimension])
    if dimension == "length" and (match := _FEET_AND_INCHES.fullmatch(typed)):
        sign, feet, inches = match.group(1), Fraction(match.group(2)), _fraction(match.group(3), found)
        if inches >= 12:
            raise UnreadableError(found, "feet with less than 12 inches, such as 8'6\"")
        size = feet * _FOOT_M + inches * _INCH_M
        return -size if sign == "-" else size
    match = _QUANTITY.fullmatch(typed)
    if match is None:
        raise UnreadableError(found or "empty", _EXAMPLES[dimension])
    sign, number, spelling = match.groups()
    if spelling is None and default_unit is None:
        raise UnreadableError(
            found, f"given with its unit; write for example {_WITH_UNIT[dimension]}, or put the unit in the header"
        )
    name = default_unit if spelling is None else _BY_SPELLING[dimension].get(spelling)
    if name is None:
        raise UnreadableError(found, _EXAMPLES[dimension])
    unit = UNITS[dimension][name]
    value = _fraction(number, found)
    return (-value if sign == "-" else value) * unit.factor + unit.offset


def _fraction(number: str, found: str) -> Fraction:
    """Exact value of ``8.5``, ``1e-3``, ``1/2``, ``6 1/2`` or ``6-1/2``."""
    if "/" not in number:
        return Fraction(number)
    *whole, fraction = re.split(r"[\s-]+", number)
    numerator, denominator = map(int, fraction.split("/"))
    if denominator == 0:
        raise UnreadableError(found, "a number; its fraction divides by zero")
    return sum(map(Fraction, whole), Fraction(numerator, denominator))


def exact_text(value: float, dimension: Dimension, unit: str) -> str:
    """Shortest decimal in ``unit`` that `parse_quantity` turns back into exactly ``value`` (base unit, finite).

    In the base unit that is ``repr(value)``. In any other it needs at most 18 digits, and as few as were typed:
    2.5908 m is 8.5 ft. A temperature has such a text only in °C; ValueError for other units of it.
    """
    scale = UNITS[dimension][unit]
    if scale.offset:
        raise ValueError(f"no exact text for a {dimension} in {unit}; write it in {next(iter(UNITS[dimension]))}")
    if scale.factor == 1:
        return repr(value + 0.0)  # never "-0.0"
    wanted = Fraction(value) / scale.factor
    with localcontext() as context:
        context.prec = (
            15  # a shorter text that works is within 1.2e-16 of wanted, so rounding to 15 digits finds it too
        )
        while True:
            decimal = (Decimal(wanted.numerator) / Decimal(wanted.denominator)).normalize()
            text = f"{decimal:f}" if -7 < decimal.adjusted() < 16 else str(decimal)
            if float(Fraction(text) * scale.factor) == value:
                return text
            context.prec += 1


@dataclass(frozen=True)
class DisplayUnit:
    """How a quantity is shown: ``value * factor + offset`` in ``symbol``, with so many decimals."""

    symbol: str
    factor: float
    decimals: int
    offset: float = 0.0


_DISPLAY: dict[str, dict[str, DisplayUnit]] = {
    "speed": {"metric": DisplayUnit("m/s", 1.0, 1), "us": DisplayUnit("mph", float(1 / _MPH_MS), 0)},
    "pressure": {"metric": DisplayUnit("Pa", 1.0, 0), "us": DisplayUnit("psf", float(1 / _PSF_PA), 1)},
    "load": {"metric": DisplayUnit("kPa", 1.0, 2), "us": DisplayUnit("psf", float(1000 / _PSF_PA), 1)},
    "temperature": {"metric": DisplayUnit("°C", 1.0, 1), "us": DisplayUnit("°F", 1.8, 0, 32.0)},
    "water": {"metric": DisplayUnit("mm", 1.0, 1), "us": DisplayUnit("in", 1 / 25.4, 2)},
    "area": {"metric": DisplayUnit("cm²", 1e4, 0), "us": DisplayUnit("in²", float(1 / _INCH_M**2), 1)},
    "thickness": {"metric": DisplayUnit("mm", 1.0, 2), "us": DisplayUnit("mil", 1 / 0.0254, 1)},
    "mass": {"metric": DisplayUnit("kg", 1.0, 0), "us": DisplayUnit("lb", 1 / 0.45359237, 0)},
}
"""Per quantity, in m/s, Pa, kPa of load, °C, mm of water, m2, mm of thickness and kg."""

NOT_KNOWN = "not known"
"""What a screen shows for a missing value."""


def display_unit(quantity: str, units: str) -> DisplayUnit:
    """Unit for an axis or a column: quantity as in ``speed``, ``pressure``, ``load``; units ``metric`` or ``us``.

    Raises ValueError for any other.
    """
    try:
        return _DISPLAY[quantity][units]
    except KeyError:
        raise ValueError(
            f"no display unit for {quantity!r} in {units!r}; expected one of {', '.join(_DISPLAY)} in metric or us"
        ) from None


def show_speed(speed_ms: float, units: str) -> str:
    """Speed: ``22.5 m/s`` or ``50 mph``."""
    return _shown(speed_ms, display_unit("speed", units))


def show_load(load_kpa: float, units: str) -> str:
    """Snow load: ``0.25 kPa`` or ``5.2 psf``."""
    return _shown(load_kpa, display_unit("load", units))


def show_temperature(temperature_c: float, units: str) -> str:
    """Temperature: ``-2.3 °C`` or ``28 °F``."""
    return _shown(temperature_c, display_unit("temperature", units))


def show_water(water_mm: float, units: str) -> str:
    """Depth of water: ``12.5 mm`` or ``0.49 in``."""
    return _shown(water_mm, display_unit("water", units))


def show_area(area_m2: float, units: str) -> str:
    """Free area of a vent: ``60 cm²`` or ``9.3 in²``."""
    return _shown(area_m2, display_unit("area", units))


def show_thickness(thickness_mm: float, units: str) -> str:
    """Thickness of film: ``0.18 mm`` or ``7.1 mil``."""
    return _shown(thickness_mm, display_unit("thickness", units))


def show_mass(mass_kg: float, units: str) -> str:
    """Mass: ``85 kg`` or ``187 lb``."""
    return _shown(mass_kg, display_unit("mass", units))


def show_pressure(pressure_pa: float, units: str) -> str:
    """Wind pressure: ``265 Pa``, from 1,000 Pa on ``1.20 kPa``, or ``5.5 psf``."""
    if units == "metric" and abs(pressure_pa) >= 1000:
        return show_load(pressure_pa / 1000, units)
    return _shown(pressure_pa, display_unit("pressure", units))


def show_length(length_m: float, units: str) -> str:
    """Length: ``2.60 m`` or ``20.3 cm``; in US units ``8 ft 6 in`` to the inch, or ``7.9 in``.

    Raises ValueError for other units.
    """
    if units not in ("metric", "us"):
        raise ValueError(f"units must be metric or us, got {units!r}")
    if math.isnan(length_m):
        return NOT_KNOWN
    sign, size_m = ("-", -length_m) if length_m < 0 else ("", length_m)
    if units == "metric":
        shown = f"{size_m:.2f} m" if round(size_m, 3) >= 1 else f"{_trimmed(size_m * 100)} cm"
    elif round(inches := size_m / float(_INCH_M), 1) < 12:
        shown = f"{_trimmed(inches)} in"
    else:
        feet, rest = divmod(round(inches), 12)
        shown = f"{feet} ft {rest} in" if rest else f"{feet} ft"
    return shown if shown in ("0 cm", "0 in") else sign + shown


def _shown(value: float, unit: DisplayUnit) -> str:
    """``12.5 mm``; a value that rounds to zero carries no minus."""
    if math.isnan(value):
        return NOT_KNOWN
    shown = round(value * unit.factor + unit.offset, unit.decimals) + 0.0
    return f"{shown:.{unit.decimals}f} {unit.symbol}"


def _trimmed(value: float) -> str:
    """One decimal, left out where it is zero."""
    return f"{value:.1f}".removesuffix(".0")
