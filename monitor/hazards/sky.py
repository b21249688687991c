"""The sky over a yard: how cold it radiates and how much sun it lets through, estimated where unknown. Pure."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.hazards import column
from monitor.hazards.air import ZERO_CELSIUS_K, dew_point_c, relative_humidity_pct

Floats = NDArray[np.float64]

_J2000 = pd.Timestamp("2000-01-01T12:00Z")
_MOMENTS_PER_HOUR = 6


@dataclass(frozen=True)
class SkyParameters:
    """What we chose for a sky that nobody reports.

    cloud_dry_tenths, cloud_dry_humidity_pct
        Cloud in air no moister than this.
    cloud_moist_tenths, cloud_moist_humidity_pct
        Cloud in air at least this moist; between the two the cloud grows evenly.
    cloud_wet_tenths
        Cloud in an hour with precipitation.

    The five are a rough fit to the reports of one airport in one month (Kennedy, December 2020, 719 h): 9.9 tenths in
    hours with precipitation, else 5 in dry air and 9 in moist. It is hardly nearer than one mean for all hours would
    be: humidity at the ground says little about cloud. Ask for a source that reports it.
    """

    cloud_dry_tenths: float = 5.0
    cloud_dry_humidity_pct: float = 55.0
    cloud_moist_tenths: float = 9.0
    cloud_moist_humidity_pct: float = 90.0
    cloud_wet_tenths: float = 10.0


@dataclass(frozen=True)
class Sky:
    """The sky of each hour; all arrays are (H,).

    Temperature at which the sky radiates [degC], NaN where air temperature or humidity is unknown. Cloud [tenths] and
    sunshine on level ground [W/m2] are never NaN: ``cloud_estimated`` and ``solar_estimated`` mark the hours in which
    no source gave them. The night's 0 W/m2 needs no source.
    """

    temperature_c: Floats
    cloud_tenths: Floats
    solar_wm2: Floats
    cloud_estimated: NDArray[np.bool_]
    solar_estimated: NDArray[np.bool_]


def sky_over(hours: pd.DataFrame, latitude_deg: float, longitude_deg: float, parameters: SkyParameters) -> Sky:
    """Sky of each hour: cloud and sun as reported, else estimated.

    Parameters
    ----------
    hours : pandas.DataFrame
        Canonical hours; a column that is absent counts as missing throughout.
    latitude_deg, longitude_deg : float
        The yard, north and east positive. [deg]
    parameters : SkyParameters
        What the cloud is taken for where nobody reports it.

    Returns
    -------
    Sky
    """
    cloud_pct = column(hours, "cloud_cover_pct")
    cloud_estimated = np.isnan(cloud_pct)
    cloud_tenths = np.where(cloud_estimated, _likely_cloud_tenths(hours, parameters), cloud_pct / 10)
    clear_wm2 = _clear_sky_of_hours_wm2(pd.DatetimeIndex(hours.index), latitude_deg, longitude_deg)
    reported_wm2 = column(hours, "solar_wm2")
    unreported = np.isnan(reported_wm2)
    solar_wm2 = np.where(unreported, clear_wm2 * sunshine_through_cloud(cloud_tenths), np.maximum(reported_wm2, 0.0))
    return Sky(
        temperature_c=sky_temperature_c(column(hours, "air_temperature_c"), known_dew_point_c(hours), cloud_tenths),
        cloud_tenths=cloud_tenths,
        solar_wm2=solar_wm2,
        cloud_estimated=cloud_estimated,
        solar_estimated=unreported & (clear_wm2 > 0),
    )


def known_dew_point_c(hours: pd.DataFrame) -> Floats:
    """Dew point of each hour as reported, else from temperature and relative humidity; shape (H,). [degC]"""
    reported = column(hours, "dew_point_c")
    derived = dew_point_c(column(hours, "air_temperature_c"), column(hours, "relative_humidity_pct"))
    return np.where(np.isnan(reported), derived, reported)


def sky_emissivity(dew_point_c: ArrayLike, cloud_tenths: ArrayLike) -> Floats:
    """Long-wave radiation of the sky over that of a black body at the temperature of the air.

    Parameters
    ----------
    dew_point_c, cloud_tenths : array_like
        Dew point [degC] and cloud, 0 to 10 [tenths]. They broadcast.

    Returns
    -------
    numpy.ndarray
        0 to 1, NaN where an input is NaN. [1]

    References
    ----------
    .. [1] Clark & Allen 1978 for the clear sky and Walton 1983 for cloud, as given in the EnergyPlus Engineering
       Reference, "Climate Calculations"; it counts 0 degC as 273 K.
    """
    dew_point_k = np.asarray(dew_point_c, dtype=np.float64) + ZERO_CELSIUS_K
    cloud = np.asarray(cloud_tenths, dtype=np.float64)
    clear = 0.787 + 0.764 * np.log(dew_point_k / 273)
    emissivity: Floats = np.minimum(clear * (1 + 0.0224 * cloud - 0.0035 * cloud**2 + 0.00028 * cloud**3), 1.0)
    return emissivity


def sky_temperature_c(air_temperature_c: ArrayLike, dew_point_c: ArrayLike, cloud_tenths: ArrayLike) -> Floats:
    """Temperature at which a black body would radiate as the sky does: the fourth root of `sky_emissivity`. [degC]"""
    air_k = np.asarray(air_temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    sky_k: Floats = sky_emissivity(dew_point_c, cloud_tenths) ** 0.25 * air_k
    return sky_k - ZERO_CELSIUS_K


def solar_elevation_deg(moments: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> Floats:
    """Height of the sun above the horizon, without refraction.

    Parameters
    ----------
    moments : pandas.DatetimeIndex
        Moments in UTC, N of them.
    latitude_deg, longitude_deg : float
        North and east positive. [deg]

    Returns
    -------
    numpy.ndarray
        Shape (N,), negative at night. [deg]

    Notes
    -----
    Low-precision formulas of The Astronomical Almanac, good to 0.01 deg between 1950 and 2050, from memory; sidereal
    time as usual for the epoch 2000. The tests hold them against pvlib.
    """
    days = ((moments - _J2000) / pd.Timedelta(days=1)).to_numpy(dtype=np.float64)
    anomaly = np.radians(357.528 + 0.9856003 * days)
    ecliptic = np.radians(280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * days)
    right_ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    sidereal = np.radians(280.46062 + 360.98564737 * days + longitude_deg)
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination)
    sine += np.cos(latitude) * np.cos(declination) * np.cos(sidereal - right_ascension)
    elevation: Floats = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return elevation


def clear_sky_wm2(solar_elevation_deg: ArrayLike) -> Floats:
    """Sunshine on level ground under a clear sky, 0 by night: Haurwitz 1945, as pvlib gives it. [W/m2]"""
    sine = np.sin(np.radians(np.asarray(solar_elevation_deg, dtype=np.float64)))
    up = np.where(sine > 0, sine, np.nan)
    return np.where(sine > 0, 1098 * up * np.exp(-0.059 / up), sine * 0.0)


def sunshine_through_cloud(cloud_tenths: ArrayLike) -> Floats:
    """Share of the clear sky's sunshine that cloud lets through: Kasten & Czeplak 1980, Solar Energy 24:177. [1]

    From memory; several public programs have the same ``1 - 0.75 (N/8)^3.4``, N in eighths.
    """
    share: Floats = 1 - 0.75 * (np.asarray(cloud_tenths, dtype=np.float64) / 10) ** 3.4
    return share


def _clear_sky_of_hours_wm2(hour_ending: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> Floats:
    """Mean over each hour, from the middles of its sixths: sunrise and sunset fall anywhere in an hour."""
    sixth = pd.Timedelta(hours=1) / _MOMENTS_PER_HOUR
    total = np.zeros(len(hour_ending))
    for step in range(_MOMENTS_PER_HOUR):
        moments = hour_ending - (step + 0.5) * sixth
        total += clear_sky_wm2(solar_elevation_deg(moments, latitude_deg, longitude_deg))
    return total / _MOMENTS_PER_HOUR


def _likely_cloud_tenths(hours: pd.DataFrame, parameters: SkyParameters) -> Floats:
    """Cloud where nobody reports it, by precipitation and humidity; midway where humidity is unknown too."""
    air_c, dew_c = column(hours, "air_temperature_c"), known_dew_point_c(hours)
    humidity_pct = relative_humidity_pct(air_c, dew_c)
    moist = (parameters.cloud_dry_humidity_pct, parameters.cloud_moist_humidity_pct)
    cloud = np.interp(humidity_pct, moist, (parameters.cloud_dry_tenths, parameters.cloud_moist_tenths))
    cloud = np.where(np.isnan(cloud), (parameters.cloud_dry_tenths + parameters.cloud_moist_tenths) / 2, cloud)
    return np.where(column(hours, "precipitation_mm") > 0, parameters.cloud_wet_tenths, cloud)
