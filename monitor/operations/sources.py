"""Which services a yard asks: those free for business use where it lies, with the nearest stations, or as told."""

import importlib.resources
import math
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from monitor.errors import ProviderContractError, StormwalkError
from monitor.operations.fetching import Wire
from monitor.register import Yard
from monitor.store import register as register_store
from monitor.store import sources as store
from monitor.store import weather as weather_store
from monitor.store.sources import SourceChoice
from monitor.variables import PRESENT_WEATHER, SOURCES, VARIABLES
from monitor.weather import stations
from monitor.weather.providers import PROVIDERS, Request, http, nws_grid
from monitor.weather.stations import NearStation, Station

SOURCE_ORDER = (
    "hand",
    "logger",
    "metar-archive",
    "nws-observations",
    "bright-sky",
    "nws-grid",
    "met-norway",
    "open-meteo",
    "open-meteo-archive",
)
"""Whom to believe first inside one kind: the yard's own eyes, then stations, then models."""

_ASKED_IN_ORDER = (*SOURCE_ORDER, "ncei-daily")

OWN = ("hand", "logger")
"""What the yard measures itself; nobody is asked for it."""

IN_COUNTRY: dict[str, tuple[str, ...]] = {
    "US": ("metar-archive", "nws-observations", "nws-grid", "ncei-daily"),
    "DE": ("bright-sky", "metar-archive", "met-norway"),
}
"""What stormwalk chooses by country, all free for business use; territories of the United States are as these."""

ELSEWHERE = ("metar-archive", "met-norway")

WITH_A_PLAN = ("open-meteo", "open-meteo-archive")
"""Chosen where the yard states under which terms it uses them."""

KEEP_LISTS = timedelta(days=1)
"""For so long a list of stations is taken from the kept answer: two sources choose from the same one."""

NEEDS_STATION = ("metar-archive", "nws-observations", "ncei-daily")


@dataclass(frozen=True)
class UsedSource:
    """A service that a yard uses, with its station or place as far as known, and who chose it.

    ``chosen_by`` is ``auto``, ``person``, or ``register`` for what stands in the yard's own entry.
    """

    source: str
    station: str
    details: dict[str, Any]
    chosen_by: str


def used_sources(conn: sqlite3.Connection, yard: Yard) -> list[UsedSource]:
    """The services that a yard uses now, in the usual order."""
    choices = _choices(conn, yard)
    names = {*_chosen_by_country(yard), *(WITH_A_PLAN if yard.open_meteo_plan else ())}
    names |= {"metar-archive"} if yard.station else set()
    names |= {name for name, choice in choices.items() if choice.used}
    names -= {name for name, choice in choices.items() if not choice.used}
    return [_used(yard, name, choices.get(name)) for name in sorted(names, key=_ASKED_IN_ORDER.index)]


def find_place(conn: sqlite3.Connection, yard: Yard, used: UsedSource, wire: Wire) -> UsedSource:
    """The source with the station or grid cell that it needs, looked up and remembered where it is not known yet.

    Raises StormwalkError where a service does not answer, or has no station near the yard.
    """
    used = _used(yard, used.source, _choices(conn, yard).get(used.source))  # another's lookup may have told it
    if used.source == "nws-grid" and not used.details.get("grid_url"):
        return look_up_grid(conn, yard, used, wire)
    if used.source in NEEDS_STATION and not used.station:
        return _look_up_station(conn, yard, used, wire)
    return used


def look_up_grid(conn: sqlite3.Connection, yard: Yard, used: UsedSource, wire: Wire) -> UsedSource:
    """The yard's cell of the Weather Service's grid, looked up anew. Raises StormwalkError."""
    point = _ask(conn, yard, "nws-grid", wire, nws_grid.point_request(yard), nws_grid.parse_point, anew=True)
    details = {"grid_url": point.grid_url, "stations_url": point.stations_url, "state": point.state}
    found = replace(used, station=point.grid_url.rpartition("gridpoints/")[2], details=details)
    return _remember(conn, yard, found, wire.clock())


def use_source(conn: sqlite3.Connection, yard: Yard, source: str, station: str, now: datetime) -> str:
    """Use a service from now on, with the station named or, if empty, the one that stormwalk finds; says so.

    Raises StormwalkError where the source is none that is asked, or needs a plan that the yard does not state.
    """
    _check_service(source)
    if source in WITH_A_PLAN and not yard.open_meteo_plan:
        raise StormwalkError(_without_plan(yard, source))
    _choose(conn, yard, SourceChoice(source, True, station.strip(), {}, "person", now))
    where = f", station {station.strip()}" if station.strip() else ""
    return f"Yard {yard.key} uses {source}{where}. {PROVIDERS[source].terms}"


def drop_source(conn: sqlite3.Connection, yard: Yard, source: str, now: datetime) -> str:
    """Do not ask a service any more; what it has given stays and counts. Raises StormwalkError for an unknown one."""
    _check_service(source)
    _choose(conn, yard, SourceChoice(source, False, "", {}, "person", now))
    return f"Yard {yard.key} does not ask {source} any more; the hours that it gave are kept and still count."


def choose_again(conn: sqlite3.Connection, yard: Yard, now: datetime) -> str:
    """Forget what a person or stormwalk chose, so that the next pull chooses anew; says so."""
    usual = {*_chosen_by_country(yard), *(WITH_A_PLAN if yard.open_meteo_plan else ())}
    for source in store.source_choices(conn, register_store.yard_id(conn, yard.key)):
        _choose(conn, yard, SourceChoice(source, source in usual, "", {}, "auto", now))
    return f"Yard {yard.key}: stormwalk chooses the sources; the next pull looks for the nearest stations."


def set_order(conn: sqlite3.Connection, yard: Yard, text: str, variable: str, now: datetime) -> str:
    """Believe sources in the order of a list with commas, for one variable or (empty) all; ``usual`` brings that back.

    Raises StormwalkError for a name that is none.
    """
    if variable and variable not in (*VARIABLES, PRESENT_WEATHER):
        raise StormwalkError(
            f"{variable!r} is no variable; expected one of {', '.join(VARIABLES)}, {PRESENT_WEATHER}. Nothing changed."
        )
    names = [] if text.strip() == "usual" else [name.strip() for name in text.split(",") if name.strip()]
    if strange := [name for name in names if name not in SOURCE_ORDER]:
        raise StormwalkError(
            f"{strange[0]!r} is no source of hours; expected some of {', '.join(SOURCE_ORDER)}, best first. "
            f"Nothing changed."
        )
    if len(set(names)) < len(names):
        raise StormwalkError(f"A source stands twice in {text!r}. Nothing changed. Name each once.")
    store.set_order(conn, register_store.yard_id(conn, yard.key), variable, names, now)
    whole = ", ".join(whole_order(names))
    return f"Yard {yard.key} believes {VARIABLES[variable].label if variable in VARIABLES else 'hours'} of: {whole}."


def orders(
    conn: sqlite3.Connection, yard: Yard, known_at: datetime | None = None
) -> tuple[tuple[str, ...], dict[str, tuple[str, ...]]]:
    """Whom a yard believed first at a moment: in general, and by variable where it has said so."""
    chosen = store.source_orders(conn, register_store.yard_id(conn, yard.key), known_at)
    single = {variable: whole_order(names) for variable, names in chosen.items() if variable}
    return whole_order(chosen.get("", ())), single


def whole_order(names: Sequence[str]) -> tuple[str, ...]:
    """An order that names every source: those named, then the others as usual."""
    return (*names, *(name for name in SOURCE_ORDER if name not in names))


def choice_text(used: UsedSource) -> str:
    """Which station or place a source has, how it lies, and who chose it, in words."""
    by = {"auto": "chosen by stormwalk", "person": "chosen by a person", "register": "entered for the yard"}
    if used.source in WITH_A_PLAN:
        return "used because the yard states its plan"
    if used.source == "nws-grid":
        where = f"grid cell {used.station} of the yard's place" if used.station else "grid cell not looked up yet"
    elif used.source in NEEDS_STATION:
        where = _station_text(used) if used.station else "nearest station not looked up yet"
    else:
        where = "for the yard's place"
    return f"{where}; {by[used.chosen_by]}"


def without_use(yard: Yard, source: str) -> str:
    """The sentence that refuses to ask a service that the yard does not use."""
    if source in WITH_A_PLAN and not yard.open_meteo_plan:
        return _without_plan(yard, source)
    return (
        f"Yard {yard.key} does not use {source}. Nothing was fetched. {PROVIDERS[source].terms} Use it with "
        f'"stormwalk weather sources --yard {yard.key} --use {source}".'
    )


def sources_without_station(conn: sqlite3.Connection, yard: Yard) -> list[str]:
    """Sources that stormwalk would use and gave up, because no station is near enough."""
    return [name for name, choice in _choices(conn, yard).items() if "none_within_km" in choice.details]


def lies_in_us(yard: Yard) -> bool:
    """Whether the Weather Service of the United States covers the yard, by its time zone."""
    country = stations.country_of(yard.time_zone, _zone_tab())
    return country == "US" or country in stations.US_TERRITORIES


def _chosen_by_country(yard: Yard) -> tuple[str, ...]:
    if lies_in_us(yard):
        return IN_COUNTRY["US"]
    return IN_COUNTRY.get(stations.country_of(yard.time_zone, _zone_tab()) or "", ELSEWHERE)


@cache
def _zone_tab() -> str:
    return (importlib.resources.files("tzdata") / "zoneinfo" / "zone.tab").read_text("utf-8")


def _used(yard: Yard, name: str, choice: SourceChoice | None) -> UsedSource:
    if name == "metar-archive" and yard.station and (choice is None or choice.chosen_by == "auto"):
        return UsedSource(name, yard.station, {}, "register")
    if choice is None:
        return UsedSource(name, "", {}, "auto")
    return UsedSource(name, choice.station, dict(choice.details), choice.chosen_by)


def _choices(conn: sqlite3.Connection, yard: Yard) -> dict[str, SourceChoice]:
    """The choices in force, without what was looked up for another place before the yard's entry was changed."""
    choices = store.source_choices(conn, register_store.yard_id(conn, yard.key))
    here = nws_grid.coordinates(yard)
    return {
        source: choice
        if choice.details.get("looked_up_for", here) == here
        else replace(choice, used=True, station="", details={})
        for source, choice in choices.items()
    }


def _check_service(source: str) -> None:
    if source in OWN or source not in PROVIDERS:
        services = ", ".join(name for name in SOURCES if name not in OWN)
        raise StormwalkError(
            f"{source!r} is no service that can be asked; expected one of {services}. Nothing changed."
        )


def _without_plan(yard: Yard, source: str) -> str:
    return (
        f"Yard {yard.key} has no Open-Meteo plan, which {source} needs. Nothing was fetched. "
        f'{PROVIDERS[source].terms} Set it with "stormwalk yard add {yard.key} ...".'
    )


def _look_up_station(conn: sqlite3.Connection, yard: Yard, used: UsedSource, wire: Wire) -> UsedSource:
    found = _near_observers(conn, yard, wire) if used.source == "nws-observations" else _near_airports(conn, yard, wire)
    if used.source == "ncei-daily":
        found = [each for each in found if each.station.daily_id]
    if not found:
        detail = {"none_within_km": stations.WITHIN_KM, "looked_up_for": nws_grid.coordinates(yard)}
        _choose(conn, yard, SourceChoice(used.source, False, "", detail, "auto", wire.clock()))
        raise StormwalkError(
            f"its lists name no station within {stations.WITHIN_KM:g} km of yard {yard.key}. It is not asked any more. "
            f'Name one with "stormwalk weather sources --yard {yard.key} --use {used.source} --station ID".'
        )
    near = found[0]
    details: dict[str, Any] = {"name": near.station.name, "distance_km": round(near.distance_km, 2)}
    if near.above_yard_m is not None:
        details["above_yard_m"] = round(near.above_yard_m, 1)
    station = near.station.id
    if used.source == "ncei-daily":
        details["beside"], station = station, near.station.daily_id
    return _remember(conn, yard, replace(used, station=station, details=details), wire.clock())


def _near_observers(conn: sqlite3.Connection, yard: Yard, wire: Wire) -> list[NearStation]:
    """Stations of the Weather Service's list for the yard's cell; airports alone, if any: their reports have a text."""
    grid = _grid(conn, yard, wire)
    request = Request(url=str(grid.details["stations_url"]), headers=nws_grid.HEADERS)
    listed = _ask(conn, yard, "nws-observations", wire, request, stations.parse_nws_stations)
    near = stations.nearest(listed, yard, most=len(listed))
    return [each for each in near if len(each.station.id) == 4] or near


def _near_airports(conn: sqlite3.Connection, yard: Yard, wire: Wire) -> list[NearStation]:
    state = str(_grid(conn, yard, wire).details.get("state", "")) if lies_in_us(yard) else ""
    listed: list[Station] = []
    for network in stations.iem_networks(yard, _zone_tab(), state):
        request = Request(url=stations.iem_network_url(network))
        listed += _ask(conn, yard, "metar-archive", wire, request, stations.parse_iem_network)
    return stations.nearest(listed, yard, most=len(listed))


def _grid(conn: sqlite3.Connection, yard: Yard, wire: Wire) -> UsedSource:
    used = _used(yard, "nws-grid", _choices(conn, yard).get("nws-grid"))
    return used if used.details.get("grid_url") else look_up_grid(conn, yard, used, wire)


def _ask(
    conn: sqlite3.Connection,
    yard: Yard,
    source: str,
    wire: Wire,
    request: Request,
    parse: Callable[[bytes], Any],
    *,
    anew: bool = False,
) -> Any:
    """What a list or lookup of a service says; its answer is kept, and a list kept today is not asked for again."""
    yard_id = register_store.yard_id(conn, yard.key)
    kept = None if anew else weather_store.answered(conn, yard_id, source, http.address(request))
    if kept is not None and kept.outcome == "empty" and timedelta(0) <= wire.clock() - kept.fetched_at < KEEP_LISTS:
        return parse(weather_store.raw_answer(conn, kept.id))
    answer = wire.get(source, request)
    try:
        found = parse(answer.body)
    except ProviderContractError as error:
        weather_store.record_refusal(conn, yard_id, source, answer, str(error))
        raise
    weather_store.record_empty(conn, yard_id, source, answer, "Looked up where the yard's stations and grid cell are.")
    return found


def _remember(conn: sqlite3.Connection, yard: Yard, found: UsedSource, now: datetime) -> UsedSource:
    by = "person" if found.chosen_by == "person" else "auto"
    used = not _dropped(conn, yard, found.source)
    details = found.details | {"looked_up_for": nws_grid.coordinates(yard)}
    _choose(conn, yard, SourceChoice(found.source, used, found.station, details, by, now))
    return replace(found, details=details)


def _dropped(conn: sqlite3.Connection, yard: Yard, source: str) -> bool:
    """Whether a source is not to be asked, though its place is needed for another one."""
    return all(used.source != source for used in used_sources(conn, yard))


def _choose(conn: sqlite3.Connection, yard: Yard, choice: SourceChoice) -> None:
    store.choose_source(conn, register_store.yard_id(conn, yard.key), choice)


def _station_text(used: UsedSource) -> str:
    name = used.details.get("name")
    beside = used.details.get("beside")
    parts = [f"station {used.station}"]
    if beside:
        parts.append(f"the daily station listed with {beside}")
    if name:
        parts.append(str(name))
    if "distance_km" in used.details:
        parts.append(f"{used.details['distance_km']:.1f} km away")
    above_m = used.details.get("above_yard_m", math.nan)
    if not math.isnan(above_m):
        parts.append("at the yard's height" if abs(above_m) < 1 else _height_text(above_m))
    return ", ".join(parts)


def _height_text(above_m: float) -> str:
    return f"{abs(above_m):.0f} m {'higher' if above_m > 0 else 'lower'}"
