"""Humid air: vapour pressure, dew point, relative humidity and wet bulb. Pure functions.

Relative humidity is over water below freezing too: that is how stations and weather models report it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

ZERO_CELSIUS_K = 273.15

AIR_HEAT_J_PER_M3_K = 1.25 * 1005
"""Heat that a cubic metre of cold air takes up for each degree: density times specific heat."""

VAPOUR_GAS_CONSTANT = 461.5
"""Of water vapour. [J/kg/K]"""

STEFAN_BOLTZMANN = 5.670374e-8
"""[W/m2/K4]"""

GRAVITY_MS2 = 9.80665


@dataclass(frozen=True)
class _Saturation:
    """``es = scale_pa * exp(factor * t / (offset_c + t))``, t in degC: Alduchov & Eskridge 1996."""

    scale_pa: float
    factor: float
    offset_c: float

    def pressure_pa(self, temperature_c: Floats) -> Floats:
        pressure: Floats = self.scale_pa * np.exp(self.factor * temperature_c / (self.offset_c + temperature_c))
        return pressure

    def temperature_c(self, pressure_pa: Floats) -> Floats:
        exponent = np.log(pressure_pa / self.scale_pa)
        temperature: Floats = self.offset_c * exponent / (self.factor - exponent)
        return temperature

    def wet_bulb_c(
        self, air_temperature_c: Floats, vapour_pa: Floats, gamma_pa_per_k: Floats, start_c: Floats
    ) -> Floats:
        """Solve ``vapour = es(Tw) - gamma (T - Tw)`` by Newton steps.

        Six steps reach 1e-12 K between -40 and 50 degC at any humidity; within 15 K of freezing three reach 1e-5 K.
        """
        bulb = start_c
        for _ in range(6):
            pressure = self.pressure_pa(bulb)
            slope = pressure * self.factor * self.offset_c / (self.offset_c + bulb) ** 2
            error = pressure - gamma_pa_per_k * (air_temperature_c - bulb) - vapour_pa
            bulb = bulb - error / (slope + gamma_pa_per_k)
        return bulb


_WATER = _Saturation(610.94, 17.625, 243.04)
_ICE = _Saturation(611.21, 22.587, 273.86)


def vapour_pressure_over_water_pa(temperature_c: ArrayLike) -> Floats:
    """Saturation vapour pressure over water, supercooled below 0 degC: Alduchov & Eskridge 1996. [Pa]"""
    return _WATER.pressure_pa(np.asarray(temperature_c, dtype=np.float64))


def vapour_pressure_over_ice_pa(temperature_c: ArrayLike) -> Floats:
    """Saturation vapour pressure over ice: Alduchov & Eskridge 1996. [Pa]"""
    return _ICE.pressure_pa(np.asarray(temperature_c, dtype=np.float64))


def dew_point_c(air_temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Floats:
    """Temperature at which the air would be saturated over water; NaN where it holds no vapour at all. [degC]"""
    humidity = np.asarray(relative_humidity_pct, dtype=np.float64)
    share = np.where(humidity > 0, humidity, np.nan) / 100
    return _WATER.temperature_c(share * vapour_pressure_over_water_pa(air_temperature_c))


def relative_humidity_pct(air_temperature_c: ArrayLike, dew_point_c: ArrayLike) -> Floats:
    """Relative humidity over water; above 100 where the dew point stands above the air temperature. [%]"""
    return 100 * vapour_pressure_over_water_pa(dew_point_c) / vapour_pressure_over_water_pa(air_temperature_c)


def wet_bulb_c(
    air_temperature_c: ArrayLike, relative_humidity_pct: ArrayLike, pressure_pa: ArrayLike = 101325.0
) -> Floats:
    """Temperature of a wetted surface in moving air, which is what a falling flake takes on.

    Parameters
    ----------
    air_temperature_c, relative_humidity_pct : array_like
        Air temperature [degC] and relative humidity over water [%]. They broadcast.
    pressure_pa : array_like
        Air pressure. [Pa]

    Returns
    -------
    numpy.ndarray
        Wet bulb, NaN where an input is NaN. [degC]

    Notes
    -----
    Psychrometer equation [1]_, solved with the vapour pressure and the constant of water and with those of ice; the
    bulb carries ice where that leaves it below 0 degC. So it drops as it freezes, by 0.2 K at most above 60 %, and in
    air between ice and water saturation an iced bulb is warmer than the air. Both are real. Stull's closed formula is
    not used: it reads 0.2 to 0.7 K too cold near freezing, where it would decide the phase.

    References
    ----------
    .. [1] Constants 0.000665 (water) and 0.000586 (ice) per kelvin, times the air pressure: from memory.
    """
    temperature = np.asarray(air_temperature_c, dtype=np.float64)
    humidity = np.asarray(relative_humidity_pct, dtype=np.float64)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    vapour_pa = humidity / 100 * vapour_pressure_over_water_pa(temperature)
    start_c = temperature - 5 * (1 - humidity / 100)
    wet = _WATER.wet_bulb_c(temperature, vapour_pa, 0.000665 * pressure, start_c)
    iced = _ICE.wet_bulb_c(temperature, vapour_pa, 0.000586 * pressure, start_c)
    return np.where(iced < 0, iced, wet)


def vapour_density_kgm3(vapour_pressure_pa: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Water vapour in a cubic metre of air, an ideal gas. [kg/m3]"""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    density: Floats = np.asarray(vapour_pressure_pa, dtype=np.float64) / (VAPOUR_GAS_CONSTANT * kelvin)
    return density
