"""Storms of a yard: which hours belong together, and what kind of weather each brought. Pure functions."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.hazards import column
from monitor.hazards.ice import FreezingRain, freezing_rain
from monitor.hazards.snow import SnowForcing
from monitor.hazards.wind import filled_gust_ms

Floats = NDArray[np.float64]

TRACE_MM = 0.05
"""Less snow than this is none to a reader: even warm rain has a trace of it by the snow share."""


@dataclass(frozen=True)
class StormParameters:
    """What we chose for telling storms apart and for naming them.

    snowfall_mm, gust_ms, rain_on_lying_mm
        An hour is active from this much snow as water, this gust at 10 m (Beaufort 7, near gale), or this much rain on
        snow or a water pocket; and in any freezing rain.
    quiet_h
        Hours without an active one that end a storm (6 to 24). Big storms come out the same from 2 to 24 h.
    gale_ms
        Gust from which a storm is called a gale (Beaufort 8).
    snow_storm_mm, rain_storm_mm
        Water from which a storm is called after its snow or its rain on what lay; less is a sprinkling.
    wet_snow_c
        Mean air temperature while it snowed, weighted by the snow of each hour, from which the snow is called wet: it
        clings and is heavy for its depth.
    """

    snowfall_mm: float = 0.1
    gust_ms: float = 13.9
    rain_on_lying_mm: float = 0.2
    quiet_h: int = 12
    gale_ms: float = 17.2
    snow_storm_mm: float = 1.0
    rain_storm_mm: float = 2.0
    wet_snow_c: float = -0.5


@dataclass(frozen=True)
class Storm:
    """One storm from its first to its last active hour, both named by their end (UTC).

    Snow, rain and freezing rain are sums of water over all its hours [mm]. ``freezing_rain_mm`` is None where no source
    would have told of it, NaN where it was reported but no amount. The gust is that at 10 m [m/s], estimated where it
    follows from the mean wind; its hour and direction are None where unknown. Temperatures [degC] are NaN where
    unknown. ``missing_share`` is the share of its hours in which precipitation, temperature or wind is unknown.
    ``snow``, ``wind`` and ``rain_on_snow`` say by the rules of `StormParameters` what the storm is called after.
    """

    start: datetime
    end: datetime
    snow_water_mm: float
    rain_mm: float
    freezing_rain_mm: float | None
    top_gust_ms: float
    top_gust_at: datetime | None
    top_gust_from_deg: float | None
    top_gust_estimated: bool
    freeze_thaw_cycles: int
    min_temperature_c: float
    max_temperature_c: float
    missing_share: float
    snow: Literal["", "wet", "dry"]
    wind: Literal["", "strong", "gale"]
    rain_on_snow: bool

    def character(self) -> str:
        """The storm in a few words: "wet snow with gale", "rain on snow", "gale without snow" ..."""
        fell = [f"{self.snow} snow"] if self.snow else []
        if self.rain_on_snow:
            fell.append("rain on snow")
        if self.freezing_rain_mm is not None and self.freezing_rain_mm != 0:
            fell.append("freezing rain")
        blew = {"": "", "strong": "strong wind", "gale": "gale"}[self.wind]
        if fell:
            return " and ".join(fell) + (f" with {blew}" if blew else "")
        little_snow = self.snow_water_mm >= TRACE_MM
        if blew:
            return f"{blew} with a little snow" if little_snow else f"{blew} without snow"
        return "a little snow" if little_snow else "rain on snow or pockets"


def events(active: NDArray[np.bool_], quiet_h: int) -> list[tuple[int, int]]:
    """First and last active hour of each event; ``quiet_h`` hours or more without an active one part two events.

    The minimum inter-event time of Restrepo-Posada & Eagleson 1982.
    """
    hours = np.flatnonzero(active)
    if not len(hours):
        return []
    parted = np.flatnonzero(np.diff(hours) - 1 >= quiet_h) + 1
    return [(int(event[0]), int(event[-1])) for event in np.split(hours, parted)]


def find_storms(
    hours: pd.DataFrame,
    forcing: SnowForcing,
    snow_lying: NDArray[np.bool_],
    water_lying: NDArray[np.bool_],
    cycles: NDArray[np.float64],
    parameters: StormParameters,
) -> list[Storm]:
    """Storms of a yard, oldest first.

    Parameters
    ----------
    hours : pandas.DataFrame
        Canonical hours without jumps, H of them.
    forcing : SnowForcing
        Snow and rain of the same hours.
    snow_lying, water_lying : numpy.ndarray
        Whether any cover carries snow, or a pocket of water, shape (H,) each. Rain on either is storm weather, rain on
        snow gives the storm its name.
    cycles : numpy.ndarray
        Freeze-thaw cycles completed in each hour, shape (H,). [1]
    parameters : StormParameters

    Notes
    -----
    An hour of which nothing is known is not active; ``missing_share`` tells of those within a storm. A storm may still
    go on at the last hour: it has ended once ``quiet_h`` hours have followed.
    """
    gust_ms, gust_estimated = filled_gust_ms(hours)
    icing = freezing_rain(hours)
    rain_on_snow_mm = np.where(snow_lying, forcing.rain_mm, 0.0)
    rain_on_lying_mm = np.where(snow_lying | water_lying, forcing.rain_mm, 0.0)
    active = (
        (forcing.snowfall_water_mm >= parameters.snowfall_mm)
        | (gust_ms >= parameters.gust_ms)
        | (rain_on_lying_mm >= parameters.rain_on_lying_mm)
        | icing.falls
    )
    unknown = forcing.missing | np.isnan(gust_ms)
    wind_from_deg = column(hours, "wind_from_deg")
    times = pd.DatetimeIndex(hours.index).to_pydatetime()

    storms = []
    for first, last in events(active, parameters.quiet_h):
        during = slice(first, last + 1)
        snow_mm = forcing.snowfall_water_mm[during]
        temperature = forcing.air_temperature_c[during]
        gust_known = not np.isnan(gust_ms[during]).all()
        top = first + int(np.nanargmax(gust_ms[during])) if gust_known else first
        top_from = float(wind_from_deg[top])
        storms.append(
            Storm(
                start=times[first],
                end=times[last],
                snow_water_mm=float(snow_mm.sum()),
                rain_mm=float(forcing.rain_mm[during].sum()),
                freezing_rain_mm=_freezing_rain_mm(icing, during),
                top_gust_ms=float(gust_ms[top]) if gust_known else np.nan,
                top_gust_at=times[top] if gust_known else None,
                top_gust_from_deg=None if not gust_known or np.isnan(top_from) else top_from,
                top_gust_estimated=bool(gust_estimated[top]) if gust_known else False,
                freeze_thaw_cycles=int(cycles[during].sum()),
                min_temperature_c=float(np.fmin.reduce(temperature)),
                max_temperature_c=float(np.fmax.reduce(temperature)),
                missing_share=float(unknown[during].mean()),
                snow=_snow_word(snow_mm, temperature, parameters),
                wind=_wind_word(float(gust_ms[top]), parameters),
                rain_on_snow=bool(rain_on_snow_mm[during].sum() >= parameters.rain_storm_mm),
            )
        )
    return storms


def _snow_word(snow_mm: Floats, temperature_c: Floats, parameters: StormParameters) -> Literal["", "wet", "dry"]:
    """Wet where nobody knows the temperature of any of it: the heavier case."""
    if snow_mm.sum() < parameters.snow_storm_mm:
        return ""
    known = (snow_mm > 0) & ~np.isnan(temperature_c)
    if not known.any():
        return "wet"
    return "dry" if np.average(temperature_c[known], weights=snow_mm[known]) < parameters.wet_snow_c else "wet"


def _wind_word(top_gust_ms: float, parameters: StormParameters) -> Literal["", "strong", "gale"]:
    if top_gust_ms >= parameters.gale_ms:
        return "gale"
    return "strong" if top_gust_ms >= parameters.gust_ms else ""


def _freezing_rain_mm(icing: FreezingRain, during: slice) -> float | None:
    """Sum over the storm; None where nobody would have told, NaN where it fell and no amount is known."""
    falls, mm = icing.falls[during], icing.amount_mm[during]
    if not icing.assessed[during].any():
        return None
    if falls.any() and np.isnan(mm[falls]).all():
        return float("nan")
    return float(np.nansum(mm))
