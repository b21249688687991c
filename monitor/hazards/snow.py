"""Snow and water on the film: phase, density, melt, sliding and pockets, hour by hour. Pure functions."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.hazards import column
from monitor.hazards.air import relative_humidity_pct, wet_bulb_c
from monitor.hazards.ice import freezing_rain, ice_lies
from monitor.hazards.snow_density import (
    GLAZE_DENSITY_KGM3,
    UNKNOWN_SNOW_DENSITY_KGM3,
    new_snow_density,
    settled_density,
)

Floats = NDArray[np.float64]

KPA_PER_MM = 0.00980665
"""Weight of 1 mm of water, 1 kg/m2, at standard gravity. [kPa]"""


@dataclass(frozen=True)
class SnowParameters:
    """What we chose for the snow on a cover; bounds in brackets are those we would still believe.

    melt_factor_mm_per_k_h
        Melt for each degree above freezing (0.10 to 0.25). SNOW-17 runs 0.10 in December to 0.175 in June; film lies in
        the wind and the open, so near its top.
    refreeze_share
        Refreezing beside melting, at the same distance from freezing (0 to 0.1). The usual value of HBV-type models.
    liquid_holding_share
        Water that snow holds against gravity, of its ice (0.03 to 0.15). Between SNOW-17 (0.04) and HBV (0.10).
    slide_start_deg
        Flattest slope that ever sheds (10 to 20). Laboratory slides on a polyolefin membrane began at 15.
    slide_rate
        Share that slides in an hour, times the sine of the slope (0.05 to 0.4). Marion et al. 2013 for glass: 0.197.
    slide_trace_mm
        New snow in an hour, as water, up to which snow still slides: less than gauges resolve, and warm rain always has
        a trace of snow by the snow share.
    pocket_sag_mm
        Deepest water a level panel holds between straps: the height of a sag one sees from the ground.
    pocket_tributary_ratio
        Area that drains into a pocket, over the pocket's own. A guess.
    pocket_limit_slope_deg
        From this slope on nothing stays in a pocket. A guess well above the sag of a tight panel.
    pocket_loss_warm_mm_per_h, pocket_loss_cold_mm_per_h
        Water that leaves a pocket by itself above and below freezing: half a millimetre and a tenth a day.
    gap_hold_h
        In a gap of temperature no longer than this the last value still tells snow from rain; it seldom turns within.
    unknown_humidity_pct
        Humidity taken for the phase where neither humidity nor dew point is known: common while something falls.
    measured_density_kgm3
        Density of snow whose depth somebody measured, where the model has none: a day or two old (100 to 300).
    phase
        What decides between snow and rain: ``humidity`` (Jennings et al. 2018) or ``wet_bulb`` (Wang et al. 2019).
    """

    melt_factor_mm_per_k_h: float = 0.17
    refreeze_share: float = 0.05
    liquid_holding_share: float = 0.08
    slide_start_deg: float = 15.0
    slide_rate: float = 0.197
    slide_trace_mm: float = 0.1
    pocket_sag_mm: float = 25.0
    pocket_tributary_ratio: float = 4.0
    pocket_limit_slope_deg: float = 12.0
    pocket_loss_warm_mm_per_h: float = 0.02
    pocket_loss_cold_mm_per_h: float = 0.005
    gap_hold_h: int = 6
    unknown_humidity_pct: float = 85.0
    measured_density_kgm3: float = 150.0
    phase: Literal["humidity", "wet_bulb"] = "humidity"


@dataclass(frozen=True)
class SnowForcing:
    """What falls on a yard and what melts it, one value an hour, shape (H,).

    Snowfall and rain are sums of water [mm] and never NaN: an amount nobody knows deposits nothing, and ``missing``
    says so. Air temperature [degC] is NaN where it is unknown; then nothing melts, freezes or slides.
    Sunshine [W/m2] is 0 where unknown. Freezing rain [mm] is no part of the rain: it freezes where it falls; while its
    ice lies nothing slides. None stands for none of either.
    """

    snowfall_water_mm: Floats
    rain_mm: Floats
    air_temperature_c: Floats
    solar_wm2: Floats
    missing: NDArray[np.bool_]
    freezing_rain_mm: Floats = None  # type: ignore[assignment]
    ice_lies: NDArray[np.bool_] = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        hours = len(self.air_temperature_c)
        if self.freezing_rain_mm is None:
            object.__setattr__(self, "freezing_rain_mm", np.zeros(hours))
        if self.ice_lies is None:
            object.__setattr__(self, "ice_lies", np.zeros(hours, dtype=np.bool_))
        lengths = {len(array) for array in vars(self).values()}
        if len(lengths) != 1:
            raise ValueError(f"every array of a SnowForcing needs the same number of hours, got {sorted(lengths)}")
        for name in ("snowfall_water_mm", "rain_mm", "solar_wm2", "freezing_rain_mm"):
            if not np.all(getattr(self, name) >= 0):
                raise ValueError(f"{name} must be known and not negative in every hour")


@dataclass(frozen=True)
class StoreReset:
    """At the start of an hour one cover's snow or pocket becomes what somebody made or measured; None leaves it.

    Cleared snow is ``snow_water_mm=0``, drained water ``pocket_mm=0``, a new cover both. A measured weight of snow is
    taken as ice, its density as given; the model's own density stays where none is. A measured depth becomes weight by
    the density given, else by the model's, else by ``measured_density_kgm3``; a weight goes before a depth.
    """

    hour: int
    cover: int
    snow_water_mm: float | None = None
    pocket_mm: float | None = None
    density_kgm3: float | None = None
    snow_depth_m: float | None = None


@dataclass(frozen=True)
class CoverSnow:
    """Snow and water at the end of each hour, shape (H, C), and sums over all hours, shape (C,).

    Ice and liquid water of the snow [mm of water], water in the pocket [mm], depth of the snow [m]. For every cover
    ``deposited_mm + rain_mm == ice + liquid at the end + drained_mm + slid_mm + reset_mm``; ``reset_mm`` is what resets
    took away, negative where they added. What a steep film never keeps (see `slope_factor`) is not deposited.
    """

    ice_mm: Floats
    liquid_mm: Floats
    pocket_mm: Floats
    depth_m: Floats
    deposited_mm: Floats
    rain_mm: Floats
    drained_mm: Floats
    slid_mm: Floats
    reset_mm: Floats

    @property
    def load_kpa(self) -> Floats:
        """Weight of snow and the water in it on level ground below, shape (H, C). [kPa]"""
        load: Floats = KPA_PER_MM * (self.ice_mm + self.liquid_mm)
        return load

    @property
    def density_kgm3(self) -> Floats:
        """Density of the snow without the water in it, shape (H, C); NaN where none lies. [kg/m3]"""
        density = np.full_like(self.ice_mm, np.nan)
        np.divide(self.ice_mm, self.depth_m, out=density, where=self.depth_m > 0)
        return density


def snow_fraction(air_temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> Floats:
    """Expected share of precipitation that falls as snow; dry air keeps flakes alive above freezing.

    Parameters
    ----------
    air_temperature_c, relative_humidity_pct : array_like
        Air temperature [degC] and relative humidity over water [%]. They broadcast.

    Returns
    -------
    numpy.ndarray
        0 to 1, NaN where an input is NaN. [1]

    References
    ----------
    .. [1] Jennings et al. 2018, Nature Communications 9:1148, bivariate logistic regression; coefficients as five
       public implementations agree on them.
    """
    temperature = np.asarray(air_temperature_c, dtype=np.float64)
    humidity = np.asarray(relative_humidity_pct, dtype=np.float64)
    fraction: Floats = 1 / (1 + np.exp(-10.04 + 1.41 * temperature + 0.09 * humidity))
    return fraction


def snow_fraction_wet_bulb(wet_bulb_c: ArrayLike) -> Floats:
    """Expected share of precipitation that falls as snow, from the wet bulb [degC]: Wang et al. 2019, Eq. 1. [1]"""
    wet_bulb = np.asarray(wet_bulb_c, dtype=np.float64)
    fraction: Floats = 1 / (1 + 6.99e-5 * np.exp(2.0 * (wet_bulb + 3.97)))
    return fraction


def slope_factor(slope_deg: ArrayLike, full_up_to_deg: float = 15.0) -> Floats:
    """Share of falling snow that a slope keeps while it snows.

    Parameters
    ----------
    slope_deg : array_like
        Film above horizontal, 0 to 90. [deg]
    full_up_to_deg : float
        Steepest slope that keeps everything. 15 for a slippery, unobstructed, unheated surface; the standard has 45 for
        one where straps, vents or a frozen edge hold snow back, and less above warmth. [deg]

    Returns
    -------
    numpy.ndarray
        C_s, shape of the input, NaN where the input is NaN. [1]

    Raises
    ------
    ValueError
        A slope outside 0 to 90.

    References
    ----------
    .. [1] ASCE/SEI 7-16, section 7.4: linear to zero at 70 deg. Read in public implementations, not in the standard.
    """
    slope = np.asarray(slope_deg, dtype=np.float64)
    if np.any((slope < 0) | (slope > 90)):
        raise ValueError(f"slope_deg must lie in 0 to 90, got {np.nanmin(slope):g} to {np.nanmax(slope):g}")
    factor: Floats = np.interp(slope, [full_up_to_deg, 70.0], [1.0, 0.0])
    return factor


def snow_forcing(hours: pd.DataFrame, parameters: SnowParameters) -> SnowForcing:
    """What falls as snow and as rain on a yard in each hour, and the warmth and sun that act on it.

    Parameters
    ----------
    hours : pandas.DataFrame
        Canonical hours without jumps, as merged. A column that is absent counts as missing throughout.
    parameters : SnowParameters
        ``phase``, ``gap_hold_h`` and ``unknown_humidity_pct`` are used.

    Returns
    -------
    SnowForcing
        ``missing`` marks hours in which the amount, or what it fell as, or the temperature is unknown.

    Notes
    -----
    Freezing rain is taken first, from codes and amounts alone: temperature and humidity would call most of it snow.
    Snowfall is what the weather service says; where it says nothing, precipitation times the snow share. Rain is the
    rest of the precipitation; where only the parts are known, the rain as given. In a gap of temperature of up to
    ``gap_hold_h`` the last value before it tells snow from rain; in a longer one nothing does, not even in its first
    hours. It never melts anything: a warm hour carried on would take load away that nobody saw melt.
    """
    known = column(hours, "air_temperature_c")
    temperature = _held(known, parameters.gap_hold_h)
    icing = freezing_rain(hours)
    glaze = np.where(icing.falls, np.nan_to_num(icing.amount_mm, nan=0.0), 0.0)
    precipitation = np.maximum(column(hours, "precipitation_mm") - glaze, 0.0)
    snowfall = column(hours, "snowfall_water_mm")
    estimated = precipitation * _snow_share(hours, temperature, parameters)
    snowfall = np.where(np.isnan(snowfall), estimated, snowfall)
    rain = np.maximum(precipitation - snowfall, 0.0)
    rain = np.where(np.isnan(precipitation), column(hours, "rain_mm"), rain)
    return SnowForcing(
        snowfall_water_mm=np.nan_to_num(snowfall, nan=0.0),
        rain_mm=np.nan_to_num(rain, nan=0.0),
        air_temperature_c=known,
        solar_wm2=np.maximum(np.nan_to_num(column(hours, "solar_wm2"), nan=0.0), 0.0),
        missing=np.isnan(snowfall) | np.isnan(rain) | np.isnan(temperature) | (icing.falls & np.isnan(icing.amount_mm)),
        freezing_rain_mm=glaze,
        ice_lies=ice_lies(icing, known),
    )


def snow_on_covers(
    forcing: SnowForcing, slope_deg: ArrayLike, parameters: SnowParameters, resets: Iterable[StoreReset] = ()
) -> CoverSnow:
    """Snow and water that each cover carries, hour by hour, from a bare start.

    Parameters
    ----------
    forcing : SnowForcing
        Weather of H hours.
    slope_deg : array_like
        Slope of the part that holds most, shape (C,), or (H, C) where covers were rebuilt. [deg]
    parameters : SnowParameters
    resets : iterable of StoreReset
        What people changed or measured; several in one hour act in the order given.

    Returns
    -------
    CoverSnow

    Raises
    ------
    ValueError
        A slope is unknown or outside 0 to 90, or a reset names an hour or cover that is not there.

    Notes
    -----
    One layer with two stores, ice and liquid water. In each hour, in this order: snow is deposited by `slope_factor`
    and settles; it melts by degrees above freezing and by the heat of rain [1]_, or its water refreezes; rain and melt
    that it cannot hold drain, into the pocket until that is full; then, in an hour without new snow, it slides where
    the sun makes up for the cold, T > sun / (-80 W/m2/K), by ``slide_rate`` times the sine of the slope [2]_.

    References
    ----------
    .. [1] 0.0125 mm for each mm and K: SNOW-17 (Anderson 1973), and the heat capacity of water over its heat of fusion.
    .. [2] Marion et al. 2013, Solar Energy 97:112-121: there a share of the whole length, here of what still lies.
    """
    slopes = _slopes_from_hour(slope_deg, len(forcing.air_temperature_c))
    shape = (len(forcing.air_temperature_c), len(slopes[0]))
    due = _by_hour(resets, shape)
    pack = _Pack(shape[1], parameters)
    ice, liquid, pocket, depth = np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape)
    new_density = np.where(
        np.isnan(forcing.air_temperature_c), UNKNOWN_SNOW_DENSITY_KGM3, new_snow_density(forcing.air_temperature_c)
    )
    weather = zip(
        forcing.snowfall_water_mm.tolist(),
        forcing.rain_mm.tolist(),
        forcing.air_temperature_c.tolist(),
        forcing.solar_wm2.tolist(),
        new_density.tolist(),
        forcing.freezing_rain_mm.tolist(),
        forcing.ice_lies.tolist(),
        strict=True,
    )
    for hour, (snow_mm, rain_mm, temperature_c, solar_wm2, density_kgm3, glaze_mm, icy) in enumerate(weather):
        if hour in slopes:
            pack.lie_on(slopes[hour])
        for reset in due.get(hour, ()):
            pack.reset(reset)
        if snow_mm == 0 and rain_mm == 0 and glaze_mm == 0 and pack.is_bare():
            continue
        if snow_mm > 0:
            pack.deposit(snow_mm, density_kgm3)
        if glaze_mm > 0:
            pack.glaze(glaze_mm)
        pack.settle(temperature_c)
        if temperature_c > 0:
            pack.melt(temperature_c, rain_mm)
        elif temperature_c < 0:
            pack.refreeze(temperature_c)
        if rain_mm > 0 or temperature_c > 0:
            pack.drain(rain_mm)
        pack.lose_from_pocket(temperature_c)
        if snow_mm <= parameters.slide_trace_mm and temperature_c > solar_wm2 / -80 and not icy:
            pack.slide()
        ice[hour], liquid[hour], pocket[hour] = pack.ice, pack.liquid, pack.pocket
        depth[hour] = pack.ice / pack.density
    return CoverSnow(
        ice_mm=ice,
        liquid_mm=liquid,
        pocket_mm=pocket,
        depth_m=depth,
        deposited_mm=pack.deposited,
        rain_mm=np.full(shape[1], forcing.rain_mm.sum()),
        drained_mm=pack.drained,
        slid_mm=pack.slid,
        reset_mm=pack.taken,
    )


class _Pack:
    """Stores of all covers as they stand, shape (C,), and what passed through them. An unknown temperature is NaN."""

    def __init__(self, covers: int, parameters: SnowParameters) -> None:
        self._parameters = parameters
        self.ice = np.zeros(covers)
        self.liquid = np.zeros(covers)
        self.pocket = np.zeros(covers)
        self.density = np.full(covers, UNKNOWN_SNOW_DENSITY_KGM3)
        self.deposited = np.zeros(covers)
        self.drained = np.zeros(covers)
        self.slid = np.zeros(covers)
        self.taken = np.zeros(covers)

    def lie_on(self, slope_deg: Floats) -> None:
        """Covers stand at these slopes from now on; water that a pocket no longer holds runs off."""
        chosen = self._parameters
        self._kept = slope_factor(slope_deg)
        self._sliding = np.where(
            slope_deg > chosen.slide_start_deg, chosen.slide_rate * np.sin(np.radians(slope_deg)), 0.0
        )
        self._capacity = chosen.pocket_sag_mm * np.maximum(0.0, 1 - slope_deg / chosen.pocket_limit_slope_deg)
        self.pocket = np.minimum(self.pocket, self._capacity)

    def reset(self, reset: StoreReset) -> None:
        cover = reset.cover
        snow_water_mm = reset.snow_water_mm
        if snow_water_mm is None and reset.snow_depth_m is not None:
            lying = self.density[cover] if self.ice[cover] > 0 else self._parameters.measured_density_kgm3
            density = lying if reset.density_kgm3 is None else reset.density_kgm3
            snow_water_mm = reset.snow_depth_m * density
            if self.ice[cover] == 0:
                self.density[cover] = density
        elif snow_water_mm is not None and self.ice[cover] == 0:
            self.density[cover] = UNKNOWN_SNOW_DENSITY_KGM3
        if snow_water_mm is not None:
            self.taken[cover] += self.ice[cover] + self.liquid[cover] - snow_water_mm
            self.ice[cover], self.liquid[cover] = snow_water_mm, 0.0
        if reset.pocket_mm is not None:
            self.pocket[cover] = reset.pocket_mm
        if reset.density_kgm3 is not None:
            self.density[cover] = reset.density_kgm3

    def is_bare(self) -> bool:
        return not (self.ice.any() or self.pocket.any())

    def deposit(self, snow_mm: float, density_kgm3: float) -> None:
        """New snow lies on the old; their depths add."""
        fallen = snow_mm * self._kept
        depth = self.ice / self.density + fallen / density_kgm3
        self.ice = self.ice + fallen
        np.divide(self.ice, depth, out=self.density, where=depth > 0)
        self.deposited += fallen

    def glaze(self, frozen_mm: float) -> None:
        """Freezing rain lies on whatever slope it meets, as clear ice."""
        depth = self.ice / self.density + frozen_mm / GLAZE_DENSITY_KGM3
        self.ice = self.ice + frozen_mm
        self.density = self.ice / depth
        self.deposited += frozen_mm

    def settle(self, temperature_c: float) -> None:
        self.density = settled_density(self.density, temperature_c)

    def melt(self, temperature_c: float, rain_mm: float) -> None:
        heat_of_rain = 0.0125 * rain_mm
        melted = np.minimum(self.ice, (self._parameters.melt_factor_mm_per_k_h + heat_of_rain) * temperature_c)
        self.ice = self.ice - melted
        self.liquid = self.liquid + melted

    def refreeze(self, temperature_c: float) -> None:
        chosen = self._parameters
        frozen = np.minimum(self.liquid, chosen.refreeze_share * chosen.melt_factor_mm_per_k_h * -temperature_c)
        self.ice = self.ice + frozen
        self.liquid = self.liquid - frozen

    def drain(self, rain_mm: float) -> None:
        """Rain joins the water; what the snow cannot hold leaves it, through the pocket until that is full."""
        water = self.liquid + rain_mm
        self.liquid = np.minimum(water, self._parameters.liquid_holding_share * self.ice)
        drained = water - self.liquid
        self.drained += drained
        filled = np.minimum(self.pocket + self._parameters.pocket_tributary_ratio * drained, self._capacity)
        self.pocket = np.maximum(self.pocket, filled)  # a measured pocket may hold more than the model's

    def lose_from_pocket(self, temperature_c: float) -> None:
        if np.isnan(temperature_c):
            return
        chosen = self._parameters
        loss = chosen.pocket_loss_warm_mm_per_h if temperature_c > 0 else chosen.pocket_loss_cold_mm_per_h
        self.pocket = np.maximum(self.pocket - loss, 0.0)

    def slide(self) -> None:
        self.slid += self._sliding * (self.ice + self.liquid)
        self.ice = self.ice * (1 - self._sliding)
        self.liquid = self.liquid * (1 - self._sliding)


def _slopes_from_hour(slope_deg: ArrayLike, hour_count: int) -> dict[int, Floats]:
    """Slopes of all covers (C,) by the hour from which they hold; hour 0 is always there."""
    slope = np.asarray(slope_deg, dtype=np.float64)
    if not np.all((slope >= 0) & (slope <= 90)):
        raise ValueError("slope_deg: every cover needs a slope in 0 to 90")
    if slope.ndim == 1:
        return {0: slope}
    if slope.ndim != 2 or len(slope) != hour_count:
        raise ValueError(f"slope_deg must have shape (C,) or ({hour_count}, C), got {slope.shape}")
    changed = np.flatnonzero((slope[1:] != slope[:-1]).any(axis=1)) + 1
    return {hour: slope[hour] for hour in (0, *changed.tolist())}


def _by_hour(resets: Iterable[StoreReset], shape: tuple[int, int]) -> dict[int, list[StoreReset]]:
    due = defaultdict(list)
    for reset in resets:
        if not (0 <= reset.hour < shape[0] and 0 <= reset.cover < shape[1]):
            raise ValueError(f"{reset} is outside the {shape[0]} hours and {shape[1]} covers")
        due[reset.hour].append(reset)
    return due


def _held(values: Floats, limit_h: int) -> Floats:
    """Gaps of up to ``limit_h`` hours filled with the value before them."""
    row = np.arange(len(values))
    known = ~np.isnan(values)
    before = np.maximum.accumulate(np.where(known, row, -1))
    after = np.minimum.accumulate(np.where(known, row, len(values))[::-1])[::-1]
    short = ~known & (before >= 0) & (after - before - 1 <= limit_h)
    return np.where(short, values[before], values)


def _snow_share(hours: pd.DataFrame, temperature_c: Floats, parameters: SnowParameters) -> Floats:
    humidity = column(hours, "relative_humidity_pct")
    from_dew_point = relative_humidity_pct(temperature_c, column(hours, "dew_point_c"))
    humidity = np.where(np.isnan(humidity), from_dew_point, humidity)
    humidity = np.minimum(np.where(np.isnan(humidity), parameters.unknown_humidity_pct, humidity), 100.0)
    if parameters.phase == "wet_bulb":
        return snow_fraction_wet_bulb(wet_bulb_c(temperature_c, humidity))
    return snow_fraction(temperature_c, humidity)
