"""Quantities as people write and read them."""

import math
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.units import (
    NOT_KNOWN,
    UNITS,
    UnreadableError,
    display_unit,
    exact_text,
    parse_quantity,
    show_area,
    show_length,
    show_load,
    show_mass,
    show_pressure,
    show_speed,
    show_temperature,
    show_thickness,
    show_water,
)

# pint 0.25 is the reference. Its own reading of "3 ft 6 in" is 18 foot*inch, so quantities are made by its arithmetic.
ureg = pint.UnitRegistry()


def in_metres(quantity):
    return quantity.to(ureg.metre).magnitude


FEET_AND_INCHES = [  # text, feet, inches
    ("8'6\"", 8, 6),
    ("8' 6\"", 8, 6),
    ("8'-6\"", 8, 6),
    ("8'6", 8, 6),
    ("8'6''", 8, 6),
    ("8′6″", 8, 6),
    ("8’ 6”", 8, 6),
    ("8ft 6in", 8, 6),
    ("8 ft. 6 in.", 8, 6),
    ("8 FT 6 IN", 8, 6),
    ("8 feet 6 inches", 8, 6),
    ("8 ft 6 1/2 in", 8, 6.5),
    ("8'6-1/2\"", 8, 6.5),
    ("8' 6½\"", 8, 6.5),
    ("8'6.25\"", 8, 6.25),
    ("8'", 8, 0),
    ("8 ft", 8, 0),
    ("8.5 ft", 8.5, 0),
    ("8 1/2 ft", 8.5, 0),
    ('102"', 0, 102),
    ("102 in", 0, 102),
    ("3/4 in", 0, 0.75),
    ("¾ in", 0, 0.75),
    ("  8'6\"  ", 8, 6),
]


@pytest.mark.parametrize(("text", "feet", "inches"), FEET_AND_INCHES)
def test_feet_and_inches_are_read_as_pint_adds_them(text, feet, inches):
    expected = in_metres(feet * ureg.foot + inches * ureg.inch)
    assert parse_quantity(text, "length", None) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "default_unit", "metres"),
    [("2.6 m", "ft", 2.6), ("260 cm", "ft", 2.6), ("2600mm", None, 2.6), ("2.6", "m", 2.6), ("8.5", "ft", 2.5908)],
)
def test_a_unit_in_the_text_goes_before_that_of_the_header(text, default_unit, metres):
    # By hand: 8.5 x 0.3048 = 2.5908
    assert parse_quantity(text, "length", default_unit) == metres


PINT_NAMES = {
    "length": {"m": "metre", "cm": "centimetre", "mm": "millimetre", "ft": "foot", "in": "inch"},
    "area": {"m2": "metre**2", "cm2": "centimetre**2", "ft2": "foot**2", "in2": "inch**2"},
    "thickness": {"mm": "millimetre", "um": "micrometre", "mil": "thou"},
    "angle": {"deg": "degree"},
    "speed": {"ms": "metre/second", "kmh": "kilometre/hour", "mph": "mile/hour", "kn": "nautical_mile/hour"},
    "pressure": {"pa": "pascal", "kpa": "kilopascal", "psf": "force_pound/foot**2"},
    "temperature": {"c": "degC", "f": "degF", "k": "kelvin"},
}
EVERY_UNIT = [(dimension, unit) for dimension, units in UNITS.items() for unit in units]


def with_pint(value, dimension, unit):
    """A value of ours in the base unit of its dimension, by pint."""
    base = next(iter(PINT_NAMES[dimension].values()))
    return ureg.Quantity(value, ureg.Unit(PINT_NAMES[dimension][unit])).to(ureg.Unit(base)).magnitude


@pytest.mark.parametrize(("dimension", "unit"), EVERY_UNIT)
@pytest.mark.parametrize("value", [0.37, 1.0, 42.0, 171.5])
def test_every_unit_has_the_size_that_pint_gives_it(dimension, unit, value):
    expected = with_pint(value, dimension, unit)
    assert parse_quantity(str(value), dimension, unit) == pytest.approx(expected, rel=1e-14, abs=1e-12)


@pytest.mark.parametrize(("dimension", "unit"), EVERY_UNIT)
def test_every_spelling_of_a_unit_is_read(dimension, unit):
    for spelling in UNITS[dimension][unit].spellings:
        assert parse_quantity(f"3 {spelling}", dimension, None) == parse_quantity("3", dimension, unit)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2,6", "a number with a decimal point and no comma, such as 2.6"),
        ("2,6 m", "a number with a decimal point and no comma, such as 2.6"),
        ("1,200", "a number with a decimal point and no comma, such as 2.6"),
        ("-3", "zero or more"),
        ("-3'6\"", "zero or more"),
        ("8'14\"", "feet with less than 12 inches, such as 8'6\""),
        ("1/0", "a number; its fraction divides by zero"),
    ],
)
def test_a_length_that_cannot_be_is_refused_with_what_is_expected(text, expected):
    with pytest.raises(UnreadableError) as refused:
        parse_quantity(text, "length", "ft")
    assert (refused.value.found, refused.value.expected) == (text, expected)


@pytest.mark.parametrize(
    "text",
    ["nan", "inf", "-inf", "1e999", "", "long", "3 furlongs", "3 kg", "8.5'6\"", "8 6", "--3", "٣", "0x10", "1_000"],
)
def test_what_is_no_length_is_refused_with_an_example(text):
    with pytest.raises(UnreadableError, match=r"is not a length such as 2\.6 m"):
        parse_quantity(text, "length", "ft")


def test_a_very_long_text_is_cut_in_the_message():
    with pytest.raises(UnreadableError, match=r"^9{77}\.\.\. is not a length"):
        parse_quantity("9" * 10_000, "length", "ft")


def test_a_plain_number_without_a_unit_anywhere_is_refused():
    with pytest.raises(
        UnreadableError, match=r"^8\.5 is not given with its unit; write for example 6in, 15cm or 8\.5ft"
    ):
        parse_quantity("8.5", "length", None)


def test_a_position_may_be_negative():
    assert parse_quantity("-3'6\"", "length", None, signed=True) == -1.0668  # by hand: 42 in x 0.0254
    assert parse_quantity("−3.5", "length", "m", signed=True) == -3.5


PROPORTIONAL = [(dimension, unit) for dimension, unit in EVERY_UNIT if dimension != "temperature"]


@given(st.floats(-1e300, 1e300), st.sampled_from(PROPORTIONAL))
def test_the_exact_text_of_any_number_is_read_back_to_the_last_bit(value, dimension_and_unit):
    dimension, unit = dimension_and_unit
    assert parse_quantity(exact_text(value, dimension, unit), dimension, unit, signed=True) == value


def test_a_temperature_is_written_exactly_in_degrees_celsius_only():
    assert exact_text(-2.3, "temperature", "c") == "-2.3"
    with pytest.raises(ValueError, match="no exact text for a temperature in f; write it in c"):
        exact_text(-2.3, "temperature", "f")


@given(st.integers(1, 10**9).map(lambda n: Fraction(n, 10_000)), st.sampled_from(["ft", "in", "mm", "cm"]))
def test_a_typed_decimal_is_written_as_it_was_typed(number, unit):
    text = f"{float(number):.4f}".rstrip("0").rstrip(".")
    assert exact_text(parse_quantity(text, "length", unit), "length", unit) == text


SHOWN = [  # by hand, from the definitions in the National Institute of Standards and Technology's SP 811 (from memory)
    (show_length, 2.6, "2.60 m", "8 ft 6 in"),  # 102.36 in
    (show_length, 0.2032, "20.3 cm", "8 in"),
    (show_length, 0.2, "20 cm", "7.9 in"),  # 7.874 in
    (show_length, 0.9999, "1.00 m", "3 ft 3 in"),  # 39.37 in
    (show_length, 0.3047, "30.5 cm", "1 ft"),  # 11.996 in, never "12.0 in"
    (show_length, 3.655, "3.65 m", "12 ft"),  # 143.9 in, never "11 ft 12 in"; 3.655 is just under the half in binary
    (show_length, 4.0, "4.00 m", "13 ft 1 in"),  # 157.48 in, rounded once
    (show_length, 0.0, "0 cm", "0 in"),
    (show_length, -0.0001, "0 cm", "0 in"),
    (show_length, -2.6, "-2.60 m", "-8 ft 6 in"),
    (show_pressure, 265.21, "265 Pa", "5.5 psf"),  # 265.21 / 47.88
    (show_pressure, 1200.0, "1.20 kPa", "25.1 psf"),  # 1200 / 47.88 = 25.06
    (show_load, 0.24909, "0.25 kPa", "5.2 psf"),  # one inch of water
    (show_speed, 22.5, "22.5 m/s", "50 mph"),  # 22.5 / 0.44704 = 50.33
    (show_temperature, -2.3, "-2.3 °C", "28 °F"),  # 27.86
    (show_temperature, -0.01, "0.0 °C", "32 °F"),  # 31.98
    (show_temperature, -17.9, "-17.9 °C", "0 °F"),  # -0.22, without a minus
    (show_water, 12.54, "12.5 mm", "0.49 in"),  # 0.4937
    (show_area, 0.006, "60 cm²", "9.3 in²"),
    (show_thickness, 0.18, "0.18 mm", "7.1 mil"),
    (show_mass, 85.0, "85 kg", "187 lb"),  # 187.4
]


@pytest.mark.parametrize(("show", "value", "metric", "us"), SHOWN)
def test_a_quantity_is_shown_in_the_yards_units(show, value, metric, us):
    assert (show(value, "metric"), show(value, "us")) == (metric, us)


@pytest.mark.parametrize(
    "show", [show_length, show_pressure, show_load, show_speed, show_temperature, show_water, show_area, show_mass]
)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_missing_value_is_shown_as_not_known(show, units):
    assert show(math.nan, units) == NOT_KNOWN


@pytest.mark.parametrize(
    ("quantity", "ours", "theirs"),
    [
        ("speed", "metre/second", "mile/hour"),
        ("pressure", "pascal", "force_pound/foot**2"),
        ("load", "kilopascal", "force_pound/foot**2"),
        ("water", "millimetre", "inch"),
        ("area", "metre**2", "inch**2"),
        ("thickness", "millimetre", "thou"),
        ("mass", "kilogram", "pound"),
        ("temperature", "degC", "degF"),
    ],
)
def test_us_axes_are_scaled_as_pint_scales_them(quantity, ours, theirs):
    unit = display_unit(quantity, "us")
    values = np.array([0.0, 1.0, 17.3, 250.0])
    expected = ureg.Quantity(values, ureg.Unit(ours)).to(ureg.Unit(theirs)).magnitude
    np.testing.assert_allclose(values * unit.factor + unit.offset, expected, rtol=1e-13)


def test_unknown_units_are_refused():
    with pytest.raises(ValueError, match="no display unit for 'speed' in 'imperial'; expected one of speed, pressure"):
        display_unit("speed", "imperial")
    with pytest.raises(ValueError, match="units must be metric or us, got 'imperial'"):
        show_length(1.0, "imperial")


def test_the_register_modules_start_without_the_heavy_libraries():
    modules = "monitor.units, monitor.exchange.register_csv, monitor.departures"
    heavy = "{'pandas', 'numpy', 'pydantic', 'plotly', 'sqlite_utils', 'requests'}"
    loaded = subprocess.run(
        [sys.executable, "-c", f"import sys, {modules}; print(sorted({heavy} & set(sys.modules)))"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert loaded.strip() == "[]"
