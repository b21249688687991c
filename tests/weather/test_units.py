import numpy as np
import pandas as pd
import pint
import pytest

from monitor.variables import VARIABLES
from monitor.weather.units import conversion, units_of

PINT_NAMES = {
    "°C": "degC",
    "c": "degC",
    "°F": "degF",
    "f": "degF",
    "K": "kelvin",
    "%": "percent",
    "pct": "percent",
    "°": "degree",
    "deg": "degree",
    "m/s": "meter / second",
    "ms": "meter / second",
    "km/h": "kilometer / hour",
    "kmh": "kilometer / hour",
    "mp/h": "mile / hour",
    "mph": "mile / hour",
    "kn": "nautical_mile / hour",
    "kt": "nautical_mile / hour",
    "mm": "millimeter",
    "cm": "centimeter",
    "m": "meter",
    "km": "kilometer",
    "in": "inch",
    "inch": "inch",
    "ft": "foot",
    "mi": "mile",
    "mile": "mile",
    "W/m²": "watt / meter ** 2",
    "wm2": "watt / meter ** 2",
}
PAIRS = [(name, unit) for name in VARIABLES for unit in units_of(name) if unit != "kg/m²"]


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


@pytest.mark.parametrize(("variable", "unit"), PAIRS)
def test_agrees_with_pint(registry, variable, unit):
    canonical = PINT_NAMES[VARIABLES[variable].unit]
    for value in (-40.0, 0.0, 3.7, 100.0):
        expected = registry.Quantity(value, PINT_NAMES[unit]).to(canonical).magnitude
        np.testing.assert_allclose(conversion(variable, unit)(value), expected, rtol=1e-12, atol=1e-12)


def test_a_kilogram_of_water_on_a_square_metre_is_a_millimetre():
    # 1 kg / (1000 kg/m3 x 1 m2) = 0.001 m
    assert conversion("precipitation_mm", "kg/m²")(2.5) == 2.5


def test_freezing_is_exact_in_fahrenheit():
    # a rounding error here would decide between rain and snow
    assert conversion("air_temperature_c", "°F")(32.0) == 0.0


def test_missing_stays_missing():
    converted = conversion("wind_gust_ms", "kt")(pd.Series([10.0, np.nan]))
    assert np.isnan(converted[1])
    np.testing.assert_allclose(converted[0], 5.144444, atol=1e-6)


@pytest.mark.parametrize(
    ("variable", "unit"), [("wind_gust_ms", "mm"), ("air_temperature_c", "furlong"), ("rain_mm", "")]
)
def test_a_unit_of_another_quantity_is_not_known(variable, unit):
    with pytest.raises(KeyError):
        conversion(variable, unit)
