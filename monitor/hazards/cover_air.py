"""Air under a cover: what its vents let through, how warm film and air become, how damp the air is. Pure functions.

A cover is a box of film over a boat on wet ground. Each hour stands still but for three things that last: the warmth of
the boat, the water on the inside of the film, and the warmth of the ground.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from monitor.hazards import column
from monitor.hazards.air import (
    AIR_HEAT_J_PER_M3_K,
    GRAVITY_MS2,
    STEFAN_BOLTZMANN,
    ZERO_CELSIUS_K,
    vapour_density_kgm3,
    vapour_pressure_over_ice_pa,
    vapour_pressure_over_water_pa,
)
from monitor.hazards.alike import builds, distinct_covers, per_cover
from monitor.hazards.sky import Sky, known_dew_point_c
from monitor.hazards.wind import WindParameters, speed_factor

Floats = NDArray[np.float64]

_FLOW_PASSES = 2  # an error under a thousandth of the flow in any hour of a winter, with up to 16 vents
_BLOCK = 20_000  # hours times covers worked out at once: they fit a processor's cache; changes no result

_LIMITS = {
    "vent_m2": (0.0, 10.0),
    "plan_m2": (0.1, 10000.0),
    "slope_deg": (0.0, 90.0),
    "wind_factor": (0.0, 10.0),
    "film_absorbs": (0.0, 1.0),
    "film_transmits": (0.0, 1.0),
    "wet_ground": (0.0, 1.0),
    "snow_depth_m": (0.0, 100.0),
}


@dataclass(frozen=True)
class AirParameters:
    """What we chose for the air under a cover; bounds in brackets are those we would still believe.

    The box, for a boat that covers ``plan_m2`` of ground. A boat that covers twice as much is taken as two such boxes
    side by side, each with half of its openings.

    volume_m3, film_m2, plan_m2
        Air, film and ground of a boat of about 10 by 3 m (20 to 80, 40 to 100, 20 to 50).
    inside_surface_m2, boat_heat_j_per_k
        What of the boat the air touches (20 to 80) and the heat that follows it within a day (1e6 to 2e7).
    vent_m2, leak_m2
        Free area of a stick-on vent where nobody recorded it (0.003 to 0.02), and of all gaps at the band (0 to 0.03).
    stack_height_m
        From the lower openings to the upper ones (0.3 to 2).
    wind_coefficient
        Of the wind that drives air through the openings: 0.25 to 0.35 where it blows slantwise, to 0.6 where straight.
    least_air_changes_per_h
        No cover is tighter than this, in a calm without a leak.
    alpha_open_water, alpha_open, alpha_suburban, alpha_sheltered
        Power-law exponent of the mean wind with height, by the yard's terrain (0.14 to 0.30): EN 1991-1-4 between 4 and
        10 m, terrain categories I, II and III.

    Warmth:

    film_emissivity
        Of the film in the long wave (0.5 to 0.95). Dry polyethylene lets much of it pass; wet, it does not.
    inside_film_wm2k, inside_surface_wm2k, ground_wm2k
        Heat transfer from the air inside to film, boat and ground (5 to 10, 4 to 10, 2 to 8).
    film_sun
        Share of the sun that the film absorbs and that it lets through, by its colour. No good source: clear film lets
        0.85 to 0.90 of the light through, white 0.2 to 0.5, blue 0.4 to 0.5; absorption 0.1 to 0.4.
    sun_to_air, sun_to_boat
        Shares of the sun that came through; the ground keeps the rest.
    snow_hides_sky_m, snow_conductivity_wmk
        Snow deeper than this keeps sky and sun from the film and the cold out.
    ground_days, ground_warmer_k, ground_least_c
        The ground under the boat is this much warmer than the mean of the last days, and hardly freezes.

    Moisture:

    vapour_wm2k
        Heat transfer by air alone, from which that of vapour follows (2 to 6).
    wet_ground
        Share of the plan that is wet, by the ground under the boat: 0.05 for gravel on a vapour barrier, 0.5 for
        puddles.
    film_holds_kgm2
        More water than this drips off the film (0.05 to 0.2).
    condensation_kgm2
        Water that an hour must bring onto the film to count as an hour of condensation: a thin breath of it.
    damp_humidity_pct
        From this humidity on, and above freezing, an hour counts as damp.
    """

    volume_m3: float = 40.0
    film_m2: float = 60.0
    plan_m2: float = 30.0
    inside_surface_m2: float = 40.0
    boat_heat_j_per_k: float = 4e6
    vent_m2: float = 0.01
    leak_m2: float = 0.01
    stack_height_m: float = 1.0
    wind_coefficient: float = 0.3
    least_air_changes_per_h: float = 0.01
    alpha_open_water: float = 0.155
    alpha_open: float = 0.207
    alpha_suburban: float = 0.240
    alpha_sheltered: float = 0.240
    film_emissivity: float = 0.85
    inside_film_wm2k: float = 7.5
    inside_surface_wm2k: float = 7.0
    ground_wm2k: float = 4.0
    film_sun: Mapping[str, tuple[float, float]] = field(
        default_factory=lambda: {
            "clear": (0.10, 0.85),
            "white": (0.15, 0.30),
            "blue": (0.35, 0.45),
            "green": (0.40, 0.35),
            "grey": (0.40, 0.25),
            "other": (0.15, 0.30),
        }
    )
    sun_to_air: float = 0.3
    sun_to_boat: float = 0.6
    snow_hides_sky_m: float = 0.01
    snow_conductivity_wmk: float = 0.1
    ground_days: int = 10
    ground_warmer_k: float = 2.0
    ground_least_c: float = 0.5
    vapour_wm2k: float = 3.0
    wet_ground: Mapping[str, float] = field(default_factory=lambda: {"dry": 0.05, "damp": 0.15, "standing_water": 0.5})
    film_holds_kgm2: float = 0.1
    condensation_kgm2: float = 1e-4
    damp_humidity_pct: float = 80.0

    def __post_init__(self) -> None:
        if 3600 * self.inside_surface_wm2k * self.inside_surface_m2 >= self.boat_heat_j_per_k:
            raise ValueError(
                f"boat_heat_j_per_k {self.boat_heat_j_per_k:g} is too little for steps of an hour: it must be above "
                f"3600 * inside_surface_wm2k * inside_surface_m2"
            )


@dataclass(frozen=True)
class AirForcing:
    """What acts on the air under every cover of a yard; arrays are (H,).

    Air temperature, dew point, the temperature at which the sky radiates and that of the ground under the boats [degC],
    mean wind at 10 m [m/s], sunshine on level ground [W/m2].
    """

    air_temperature_c: Floats
    dew_point_c: Floats
    wind_speed_ms: Floats
    sky_temperature_c: Floats
    solar_wm2: Floats
    ground_temperature_c: Floats

    def __post_init__(self) -> None:
        lengths = {len(array) for array in vars(self).values()}
        if len(lengths) != 1:
            raise ValueError(f"every array of an AirForcing needs the same number of hours, got {sorted(lengths)}")

    @property
    def missing(self) -> NDArray[np.bool_]:
        """Hours in which anything that acts is unknown."""
        missing: NDArray[np.bool_] = np.isnan(np.stack(list(vars(self).values()))).any(axis=0)
        return missing


@dataclass(frozen=True)
class AirCovers:
    """Covers as their air sees them; each field is one number for all, (C,), or (H, C) where covers were rebuilt.

    vent_m2
        Free area of all vents of a cover, without leaks. [m2]
    plan_m2
        Ground that the boat covers. [m2]
    slope_deg
        Of the film, above horizontal. [deg]
    wind_factor
        Mean wind at the vents over that at 10 m, see `vent_wind_factor`. [1]
    film_absorbs, film_transmits
        Shares of the sun. [1]
    wet_ground
        Share of the ground under the boat. [1]
    """

    vent_m2: ArrayLike
    plan_m2: ArrayLike
    slope_deg: ArrayLike
    wind_factor: ArrayLike
    film_absorbs: ArrayLike
    film_transmits: ArrayLike
    wet_ground: ArrayLike


@dataclass(frozen=True)
class CoverAir:
    """Film and air of each cover in each hour; arrays are (H, C), NaN in hours whose weather is unknown.

    Film and inside temperature [degC]; relative humidity inside over water, at most 100: beyond it dew would fall on
    the boat, which the balance leaves out [%]; air changes [1/h]; water on the inside of the film at the end of the
    hour, frozen where the film is below 0 degC, and what condensed in the hour [kg/m2]. Two kinds of hours, False where
    unknown: ``condensation``, and ``damp``, in which mould may grow.
    """

    film_temperature_c: Floats
    inside_temperature_c: Floats
    inside_rh_pct: Floats
    air_changes_per_h: Floats
    film_water_kgm2: Floats
    condensed_kgm2: Floats
    condensation: NDArray[np.bool_]
    damp: NDArray[np.bool_]


def air_forcing(hours: pd.DataFrame, sky: Sky, parameters: AirParameters) -> AirForcing:
    """What acts on the air under every cover, from canonical hours without jumps and the sky over them."""
    air_c = column(hours, "air_temperature_c")
    return AirForcing(
        air_temperature_c=air_c,
        dew_point_c=known_dew_point_c(hours),
        wind_speed_ms=column(hours, "wind_speed_ms"),
        sky_temperature_c=sky.temperature_c,
        solar_wm2=sky.solar_wm2,
        ground_temperature_c=_ground_temperature_c(air_c, parameters),
    )


def vent_wind_factor(
    height_m: ArrayLike, terrain: str, shelter: str | Sequence[str], wind: WindParameters, parameters: AirParameters
) -> Floats:
    """Mean wind at vents ``height_m`` above the ground over that at 10 m: `wind.speed_factor` of mean winds. [1]"""
    mean = replace(
        wind,
        alpha_open_water=parameters.alpha_open_water,
        alpha_open=parameters.alpha_open,
        alpha_suburban=parameters.alpha_suburban,
        alpha_sheltered=parameters.alpha_sheltered,
    )
    return speed_factor(height_m, terrain, shelter, mean)


def wind_flow_m3s(opening_m2: ArrayLike, wind_ms: ArrayLike, wind_coefficient: float) -> Floats:
    """Air that wind drives through an opening: ASHRAE Fundamentals 2009, chapter 16, Eq. 37. [m3/s]

    Read in the EnergyPlus Engineering Reference, as are the other two equations of the flow.
    """
    flow: Floats = wind_coefficient * np.multiply(opening_m2, wind_ms, dtype=np.float64)
    return flow


def stack_flow_m3s(opening_m2: ArrayLike, inside_c: ArrayLike, outside_c: ArrayLike, stack_height_m: float) -> Floats:
    """Air that rises through an opening because it is warmer or colder inside: ASHRAE 2009, Eq. 38. [m3/s]

    The discharge coefficient is 0.40 + 0.0045 for each kelvin.
    """
    apart_k = np.abs(np.subtract(inside_c, outside_c, dtype=np.float64))
    inside_k = np.asarray(inside_c, dtype=np.float64) + ZERO_CELSIUS_K
    speed_ms = np.sqrt(2 * GRAVITY_MS2 * stack_height_m * apart_k / inside_k)
    flow: Floats = (0.40 + 0.0045 * apart_k) * np.asarray(opening_m2, dtype=np.float64) * speed_ms
    return flow


def air_under_covers(
    forcing: AirForcing,
    covers: AirCovers,
    parameters: AirParameters,
    snow_depth_m: ArrayLike | None = None,
) -> CoverAir:
    """Film and air of each cover, hour by hour, from a dry film and a boat as warm as the air.

    Parameters
    ----------
    forcing : AirForcing
        Weather of H hours.
    covers : AirCovers
    parameters : AirParameters
    snow_depth_m : array_like, optional
        Snow that lies on each cover, shape (H, C); it is taken to lie all over it. None where none is known. [m]

    Returns
    -------
    CoverAir

    Raises
    ------
    ValueError
        Shapes do not fit, or a number of a cover is unknown or impossible.

    Notes
    -----
    Heat is in balance in each hour, on the film between wind, sky, surroundings, sun and the air inside, and in the air
    inside between film, boat, ground, sun and the air that passes through. Snow takes sky and sun from the film and
    lies between it and the wind. The boat follows within a day. Heat of condensation is left out: in a
    winter of New York it would be half a W/m2 of film on damp ground and 5 at most over puddles, a quarter of a kelvin.

    Air passes in through one half of all openings and out through the other; wind and warmth add as the root of the sum
    of their squares [1]_. Flow and warmth depend on each other: the flow is found from the wind alone, then twice more
    from the temperature that follows.

    Vapour is in balance too: what the ground gives and the air outside brings leaves with the air or goes to the film.
    Film takes and gives at the rate of the Lewis relation, over ice where it freezes, never gives more than it holds,
    and lets drip what it cannot hold. Rain and the boat's own damp are left out.

    An unknown hour changes nothing: the boat keeps its warmth and the film its water.

    References
    ----------
    .. [1] ASHRAE Handbook of Fundamentals 2009, chapter 16, Eqs. 37 to 39. The rest is an ordinary heat balance; the
       wind's heat transfer, 5.7 + 3.8 V, is from memory.
    """
    hour_count = len(forcing.air_temperature_c)
    depth_m = 0.0 if snow_depth_m is None else snow_depth_m
    inputs = per_cover({**vars(covers), "snow_depth_m": depth_m}, _LIMITS, hour_count)
    first, place = distinct_covers(inputs)
    if len(first) < len(place):
        inputs = {name: values[..., first] for name, values in inputs.items()}
    snow = np.broadcast_to(inputs.pop("snow_depth_m"), (hour_count, len(first)))
    weather, known = _weather(forcing, parameters), ~forcing.missing

    results = [np.full((hour_count, len(first)), np.nan) for _ in range(6)]
    state = _State(np.zeros(len(first)))
    block_h = max(_BLOCK // len(first), 1)
    for run, build in builds(inputs, hour_count):
        box = _Box(build, parameters)
        rows = run.start + np.flatnonzero(known[run.start : run.stop])
        for begin in range(0, len(rows), block_h):
            block = rows[begin : begin + block_h]
            values = box.hours(weather.at(block), snow[block], state)
            for result, value in zip(results, values, strict=True):
                result[block] = value
    if len(first) < len(place):
        results = [result[:, place] for result in results]
    film_c, inside_c, humidity_pct, air_changes, film_water, condensed = results
    return CoverAir(
        film_temperature_c=film_c,
        inside_temperature_c=inside_c,
        inside_rh_pct=humidity_pct,
        air_changes_per_h=air_changes,
        film_water_kgm2=film_water,
        condensed_kgm2=condensed,
        condensation=condensed > parameters.condensation_kgm2,
        damp=(humidity_pct >= parameters.damp_humidity_pct) & (inside_c > 0),
    )


class _Weather(NamedTuple):
    """Weather of N hours, shape (N, 1): what does not depend on the cover."""

    air_c: Floats
    wind_ms: Floats
    solar_wm2: Floats
    sky_above_air_k: Floats
    ground_above_air_k: Floats
    radiation_wm2k: Floats
    vapour_outside_kgm3: Floats
    vapour_on_ground_kgm3: Floats

    def at(self, rows: NDArray[np.intp]) -> "_Weather":
        """The hours in these rows."""
        return _Weather(*(values[rows] for values in self))


@dataclass
class _State:
    """What lasts from hour to hour, shape (C,): water on the inside of the film, and the boat's temperature."""

    film_water_kgm2: Floats
    boat_c: Floats | None = None


class _Box:
    """Covers of one build, shape (C,), each as a box of the default size with openings in proportion.

    Only what lasts goes hour by hour; all else is worked out for N hours at once, shape (N, C).
    """

    def __init__(self, build: Mapping[str, Floats], parameters: AirParameters) -> None:
        self._chosen = parameters
        one_way_m2 = (build["vent_m2"] + parameters.leak_m2) / 2
        self._opening_m2 = one_way_m2 * parameters.plan_m2 / build["plan_m2"]
        self._sky_view = (1 + np.cos(np.radians(build["slope_deg"]))) / 2
        self._wind_factor = build["wind_factor"]
        self._absorbs = build["film_absorbs"]
        self._transmits = build["film_transmits"]
        exchange_ms = parameters.vapour_wm2k / AIR_HEAT_J_PER_M3_K
        self._ground_m3s = exchange_ms * parameters.plan_m2 * build["wet_ground"]
        self._film_m3s = exchange_ms * parameters.film_m2
        self._film_m_per_h = 3600 * exchange_ms
        self._least_flow_m3s = parameters.least_air_changes_per_h * parameters.volume_m3 / 3600

    def hours(self, weather: _Weather, snow_depth_m: Floats, state: _State) -> tuple[Floats, ...]:
        """Values of the hours in the order of `CoverAir`; what lasts is left in ``state``."""
        film_c, inside_c, flow_m3s = self._warmth(weather, snow_depth_m, state)
        vapour_kgm3, condensed_kgm2, film_water_kgm2 = self._vapour(weather, film_c, flow_m3s, state)
        saturated_kgm3 = vapour_density_kgm3(vapour_pressure_over_water_pa(inside_c), inside_c)
        humidity_pct = np.minimum(100 * vapour_kgm3 / saturated_kgm3, 100.0)
        air_changes = flow_m3s * 3600 / self._chosen.volume_m3
        return film_c, inside_c, humidity_pct, air_changes, film_water_kgm2, condensed_kgm2

    def _warmth(self, weather: _Weather, snow_depth_m: Floats, state: _State) -> tuple[Floats, Floats, Floats]:
        """Temperature of film and air inside, and the flow: balance of heat, in kelvin above the air outside."""
        chosen = self._chosen
        wind_ms = self._wind_factor * weather.wind_ms
        to_wind = 5.7 + 3.8 * wind_ms
        to_sky = weather.radiation_wm2k * self._sky_view
        to_surroundings = weather.radiation_wm2k - to_sky
        sun = weather.solar_wm2
        hidden = snow_depth_m > chosen.snow_hides_sky_m
        if hidden.any():
            to_wind = np.where(hidden, 1 / (1 / to_wind + snow_depth_m / chosen.snow_conductivity_wmk), to_wind)
            to_sky = np.where(hidden, 0.0, to_sky)
            to_surroundings = np.where(hidden, 0.0, to_surroundings)
            sun = np.where(hidden, 0.0, sun)
        film_gain = to_sky * weather.sky_above_air_k + self._absorbs * sun
        film_loss = to_wind + to_sky + to_surroundings + chosen.inside_film_wm2k

        film_w_per_k = chosen.inside_film_wm2k * chosen.film_m2
        boat_w_per_k = chosen.inside_surface_wm2k * chosen.inside_surface_m2
        ground_w_per_k = chosen.ground_wm2k * chosen.plan_m2
        sun_inside_w = self._transmits * sun * chosen.plan_m2
        loss = film_w_per_k * (1 - chosen.inside_film_wm2k / film_loss) + boat_w_per_k + ground_w_per_k
        by_wind = wind_flow_m3s(self._opening_m2, wind_ms, chosen.wind_coefficient)
        steps = zip(
            weather.air_c[:, 0].tolist(),
            film_w_per_k * film_gain / film_loss,
            (ground_w_per_k * weather.ground_above_air_k[:, 0]).tolist(),
            chosen.sun_to_air * sun_inside_w,
            chosen.sun_to_boat * sun_inside_w,
            loss,
            by_wind,
            by_wind**2,
            strict=True,
        )
        inside_above_air_k, flow_m3s = np.empty_like(by_wind), np.empty_like(by_wind)
        boat_c = np.full(by_wind.shape[1], weather.air_c[0, 0]) if state.boat_c is None else state.boat_c
        for hour, (air_c, film_w, ground_w, sun_w, sun_to_boat_w, lost, wind_m3s, squared) in enumerate(steps):
            gain = film_w + boat_w_per_k * (boat_c - air_c) + ground_w + sun_w
            flow = np.maximum(wind_m3s, self._least_flow_m3s)
            for _ in range(_FLOW_PASSES):
                inside_c = air_c + gain / (lost + AIR_HEAT_J_PER_M3_K * flow)
                by_warmth = stack_flow_m3s(self._opening_m2, inside_c, air_c, chosen.stack_height_m)
                flow = np.maximum(np.sqrt(squared + by_warmth**2), self._least_flow_m3s)
            above = gain / (lost + AIR_HEAT_J_PER_M3_K * flow)
            boat_gain_w = boat_w_per_k * (air_c + above - boat_c) + sun_to_boat_w
            boat_c = boat_c + 3600 * boat_gain_w / chosen.boat_heat_j_per_k
            inside_above_air_k[hour], flow_m3s[hour] = above, flow
        state.boat_c = boat_c
        film_c = weather.air_c + (film_gain + chosen.inside_film_wm2k * inside_above_air_k) / film_loss
        return film_c, weather.air_c + inside_above_air_k, flow_m3s

    def _vapour(
        self, weather: _Weather, film_c: Floats, flow_m3s: Floats, state: _State
    ) -> tuple[Floats, Floats, Floats]:
        """Vapour inside, what condenses and what the film then holds, as if it gave freely, but never more than that.

        The loop is for what the film holds alone.
        """
        brought = flow_m3s * weather.vapour_outside_kgm3 + self._ground_m3s * weather.vapour_on_ground_kgm3
        exchanged = flow_m3s + self._ground_m3s
        pressure_pa = np.where(film_c < 0, vapour_pressure_over_ice_pa(film_c), vapour_pressure_over_water_pa(film_c))
        on_film = vapour_density_kgm3(pressure_pa, film_c)
        free = (brought + self._film_m3s * on_film) / (exchanged + self._film_m3s)
        gained_kgm2 = self._film_m_per_h * (free - on_film)
        film_water_kgm2, held = np.empty_like(film_c), state.film_water_kgm2
        for gained, water in zip(gained_kgm2, film_water_kgm2, strict=True):
            np.maximum(gained, -held, out=gained)
            held = np.minimum(held + gained, self._chosen.film_holds_kgm2, out=water)
        state.film_water_kgm2 = held
        inside = (brought - gained_kgm2 * self._chosen.film_m2 / 3600) / exchanged
        return inside, np.maximum(gained_kgm2, 0.0), film_water_kgm2


def _weather(forcing: AirForcing, parameters: AirParameters) -> _Weather:
    air_c, ground_c = forcing.air_temperature_c, forcing.ground_temperature_c
    columns = (
        air_c,
        forcing.wind_speed_ms,
        forcing.solar_wm2,
        forcing.sky_temperature_c - air_c,
        ground_c - air_c,
        4 * parameters.film_emissivity * STEFAN_BOLTZMANN * (air_c + ZERO_CELSIUS_K) ** 3,
        vapour_density_kgm3(vapour_pressure_over_water_pa(forcing.dew_point_c), air_c),
        vapour_density_kgm3(vapour_pressure_over_water_pa(ground_c), ground_c),
    )
    return _Weather(*(values[:, None] for values in columns))


def _ground_temperature_c(air_temperature_c: Floats, parameters: AirParameters) -> Floats:
    """From the mean of the last days' known temperatures; NaN before the first."""
    hours = pd.Series(air_temperature_c)
    mean_c = hours.rolling(24 * parameters.ground_days, min_periods=1).mean().to_numpy(dtype=np.float64)
    return np.maximum(mean_c + parameters.ground_warmer_k, parameters.ground_least_c)
