"""Weather stations near a yard: lists of them, distances, and which lists to ask for. Pure."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.errors import StormwalkError
from monitor.register import Yard
from monitor.weather.answers import broken, decoded, features, member, number

NWS = "Weather Service stations"
IEM = "METAR archive stations"

EARTH_RADIUS_KM = 6371.0088
"""Mean radius (2a + b) / 3 of the WGS 84 ellipsoid."""

WITHIN_KM = 100.0
"""Beyond this an airport's weather says little of the yard's: our own choice."""

_LOWEST_M, _HIGHEST_M = -450.0, 9000.0
"""From the shore of the Dead Sea to the highest mountain (both from memory); beyond is a mark for unknown."""


CANADIAN_PROVINCES: Mapping[str, tuple[str, ...]] = {
    "America/St_Johns": ("NF",),
    "America/Goose_Bay": ("NF",),
    "America/Halifax": ("NS", "PE"),
    "America/Glace_Bay": ("NS",),
    "America/Moncton": ("NB",),
    "America/Blanc-Sablon": ("QC",),
    "America/Toronto": ("ON", "QC"),
    "America/Iqaluit": ("NU",),
    "America/Atikokan": ("ON", "NU"),
    "America/Winnipeg": ("MB", "ON"),
    "America/Resolute": ("NU",),
    "America/Rankin_Inlet": ("NU",),
    "America/Regina": ("SK",),
    "America/Swift_Current": ("SK",),
    "America/Edmonton": ("AB", "BC", "NT", "SK"),
    "America/Cambridge_Bay": ("NU",),
    "America/Inuvik": ("NT",),
    "America/Vancouver": ("BC",),
    "America/Creston": ("BC",),
    "America/Dawson_Creek": ("BC",),
    "America/Fort_Nelson": ("BC",),
    "America/Whitehorse": ("YT",),
    "America/Dawson": ("YT",),
}
"""Provinces of Canada's time zones, by the comments of zone.tab, in the archive's letters (NF for Newfoundland)."""

_OLD_NAMES = {"US/": "US", "Canada/": "CA"}
"""Zones of former times that zone.tab has no more, by how they begin."""

US_TERRITORIES = {"PR": "PR_ASOS", "VI": "VI_ASOS", "GU": "GU_ASOS", "MP": "GU_ASOS", "AS": "AS_ASOS"}
"""Territories of the United States by their own letters, and their network in the archive; Saipan with Guam."""


@dataclass(frozen=True)
class Station:
    """A weather station; ``source`` is the weather source that has its reports, ``id`` its name there.

    ``elevation_m`` is None where the list does not say; ``online`` is False where the list says that it has closed.
    ``daily_id`` is the station of the daily archive (NCEI) that the list names beside it, empty where it names none.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    source: str
    time_zone: str = ""
    online: bool = True
    daily_id: str = ""


@dataclass(frozen=True)
class NearStation:
    """A station as seen from a yard; ``above_yard_m`` is negative for one that lies lower, None where unknown."""

    station: Station
    distance_km: float
    above_yard_m: float | None


def distance_km(latitude_1_deg: float, longitude_1_deg: float, latitude_2_deg: float, longitude_2_deg: float) -> float:
    """Way between two places along a great circle of a round earth, within 0.6 % of the true one. [km]

    Haversine formula: hav(d / R) = hav(dlat) + cos(lat 1) cos(lat 2) hav(dlon), hav(x) = sin²(x / 2).
    """
    lat_1, lat_2 = math.radians(latitude_1_deg), math.radians(latitude_2_deg)
    half_lat, half_lon = (lat_2 - lat_1) / 2, math.radians(longitude_2_deg - longitude_1_deg) / 2
    haversine = math.sin(half_lat) ** 2 + math.cos(lat_1) * math.cos(lat_2) * math.sin(half_lon) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(haversine, 1.0)))


def nearest(stations: Iterable[Station], yard: Yard, most: int = 5, within_km: float = WITHIN_KM) -> list[NearStation]:
    """The nearest stations that still report, nearest first; of equally near ones by name."""
    seen = [
        NearStation(
            station=station,
            distance_km=distance_km(yard.latitude_deg, yard.longitude_deg, station.latitude_deg, station.longitude_deg),
            above_yard_m=None if station.elevation_m is None else station.elevation_m - yard.elevation_m,
        )
        for station in stations
        if station.online
    ]
    inside = [each for each in seen if each.distance_km <= within_km]
    return sorted(inside, key=lambda each: (each.distance_km, each.station.id))[:most]


def parse_nws_stations(body: bytes) -> list[Station]:
    """Stations of the US Weather Service's list for a grid cell, each once, in its order.

    Raises ProviderContractError where the answer is an error, not such a list, or a station lacks name or place.
    """
    stations: dict[str, Station] = {}
    for feature in features(NWS, decoded(NWS, body)):
        properties = feature["properties"]
        name = member(NWS, properties, "stationIdentifier", str)
        coordinates = member(NWS, member(NWS, feature, "geometry", dict), "coordinates", list)
        if len(coordinates) < 2:
            raise broken(NWS, f"longitude and latitude of {name}", f"{coordinates!r:.60}")
        stations[name] = Station(
            id=name,
            name=str(properties.get("name") or name),
            latitude_deg=_degrees(NWS, f"latitude of {name}", coordinates[1], 90),
            longitude_deg=_degrees(NWS, f"longitude of {name}", coordinates[0], 180),
            elevation_m=_nws_height_m(name, properties.get("elevation")),
            source="nws-observations",
            time_zone=str(properties.get("timeZone") or ""),
        )
    return list(stations.values())


def parse_iem_network(body: bytes) -> list[Station]:
    """Stations of one network of the METAR archive, each once, in its order; the answer is a JSON table with a schema.

    Raises ProviderContractError where the answer is not such a table, or a station lacks name or place.
    """
    stations: dict[str, Station] = {}
    for row in member(IEM, decoded(IEM, body), "data", list):
        name = _first(row, ("id", "stid", "sid"))
        if not isinstance(name, str) or not name.strip():
            raise broken(IEM, "a name (id) for every station", f"{row!r:.60}")
        name = name.strip()
        stations[name] = Station(
            id=name,
            name=str(_first(row, ("name", "station_name", "sname")) or name).strip(),
            latitude_deg=_degrees(IEM, f"latitude of {name}", _first(row, ("latitude", "lat")), 90),
            longitude_deg=_degrees(IEM, f"longitude of {name}", _first(row, ("longitude", "lon")), 180),
            elevation_m=_height_m(number(IEM, f"elevation of {name}", _first(row, ("elevation", "elev")))),
            source="metar-archive",
            time_zone=str(_first(row, ("tzname",)) or ""),
            online=_first(row, ("online",)) is not False and not _first(row, ("archive_end",)),
            daily_id=str(_first(row, ("ncei91", "ncdc81")) or "").strip(),
        )
    return list(stations.values())


def iem_network_url(network: str) -> str:
    """Address of the list of a network's stations."""
    return f"https://mesonet.agron.iastate.edu/api/1/network/{network}.json"


def iem_networks(yard: Yard, zone_tab: str, us_state: str = "") -> tuple[str, ...]:
    """The METAR archive's networks in which a yard's stations can be.

    A yard near a border may have a nearer station in the next network, which is not among them.

    Parameters
    ----------
    yard : Yard
    zone_tab : str
        The text of the time zone database's zone.tab, which tells the country of a zone.
    us_state : str
        Two letters, where known: the US Weather Service tells it with the yard's grid.

    Raises StormwalkError where the yard's zone is of no country, or of the United States and no state is given.
    """
    if us_state:
        return (f"{us_state.strip().upper()}_ASOS",)
    country = country_of(yard.time_zone, zone_tab)
    if country is None:
        raise StormwalkError(
            f'Yard "{yard.name}": the table of time zones names no country for {yard.time_zone}. No list of stations '
            f"was asked for. Enter the zone by a city, such as America/Toronto, or enter a station."
        )
    if country == "US":
        raise StormwalkError(
            f'Yard "{yard.name}" lies in the United States, whose stations are listed by state, and its state is not '
            f"known. No list of stations was asked for. Name the state, such as ME, or enter a station."
        )
    if country == "CA":
        every = sorted({province for of_zone in CANADIAN_PROVINCES.values() for province in of_zone})
        return tuple(f"CA_{province}_ASOS" for province in CANADIAN_PROVINCES.get(yard.time_zone, every))
    return (US_TERRITORIES.get(country, f"{country}__ASOS"),)


def country_of(time_zone: str, zone_tab: str) -> str | None:
    """The two letters of the country that a zone stands for in zone.tab, as ``US``; None where it is of no country."""
    for line in zone_tab.splitlines():
        columns = line.split("\t")
        if not line.startswith("#") and len(columns) >= 3 and columns[2] == time_zone:
            return columns[0]
    return next((country for begin, country in _OLD_NAMES.items() if time_zone.startswith(begin)), None)


def _first(row: Any, names: Sequence[str]) -> Any:
    """The value under the first of the names that the row has."""
    if not isinstance(row, dict):
        raise broken(IEM, "an object for every station", f"{row!r:.60}")
    return next((row[name] for name in names if row.get(name) is not None), None)


def _degrees(service: str, name: str, value: Any, most: float) -> float:
    degrees = number(service, name, value)
    if not abs(degrees) <= most:
        raise broken(service, f"{name} between -{most:g} and {most:g}", f"{value!r:.60}")
    return degrees


def _nws_height_m(name: str, elevation: Any) -> float | None:
    if elevation is None:
        return None
    value = number(NWS, f"elevation of {name}", elevation.get("value") if isinstance(elevation, dict) else elevation)
    unit = elevation.get("unitCode") if isinstance(elevation, dict) else None
    if not math.isnan(value) and (not isinstance(unit, str) or unit.rpartition(":")[2] != "m"):
        raise broken(NWS, f"elevation of {name} in m", f"{unit!r:.40}")
    return _height_m(value)


def _height_m(height_m: float) -> float | None:
    return height_m if _LOWEST_M < height_m < _HIGHEST_M else None
