import importlib.resources
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics.pairwise import haversine_distances

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.stations import (
    CANADIAN_PROVINCES,
    EARTH_RADIUS_KM,
    Station,
    distance_km,
    iem_network_url,
    iem_networks,
    nearest,
    parse_iem_network,
    parse_nws_stations,
)

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "stations"  # invented stations, the published shape
ZONE_TAB = (importlib.resources.files("tzdata") / "zoneinfo" / "zone.tab").read_text("utf-8")

latitudes, longitudes = st.floats(-90, 90), st.floats(-180, 180)


def body(name):
    return (ANSWERS / name).read_bytes()


def yard(latitude_deg=43.7, longitude_deg=-70.25, zone="America/New_York"):
    return Yard("north", "North", latitude_deg, longitude_deg, 8.0, zone)


def station(name, latitude_deg, longitude_deg, **more):
    return Station(name, name, latitude_deg, longitude_deg, more.pop("elevation_m", 10.0), "metar-archive", **more)


# --- distance ----------------------------------------------------------------------------------------------------


@given(latitudes, longitudes, latitudes, longitudes)
def test_distance_is_that_of_scikit_learn(lat_1, lon_1, lat_2, lon_2):
    # haversine_distances of scikit-learn, on a sphere of radius 1
    places = np.radians([[lat_1, lon_1], [lat_2, lon_2]])
    expected = haversine_distances(places)[0, 1] * EARTH_RADIUS_KM
    assert distance_km(lat_1, lon_1, lat_2, lon_2) == pytest.approx(expected, rel=1e-9, abs=1e-6)


def test_distance_from_lands_end_to_john_o_groats():
    # 50 03 59 N 005 42 53 W to 58 38 38 N 003 04 12 W: 968.9 km, the worked example of C. Veness's page on distances
    # between points, Movable Type Scripts (from memory; sphere of 6371 km)
    start = 50 + 3 / 60 + 59 / 3600, -(5 + 42 / 60 + 53 / 3600)
    end = 58 + 38 / 60 + 38 / 3600, -(3 + 4 / 60 + 12 / 3600)
    assert distance_km(*start, *end) == pytest.approx(968.9, abs=0.05)


def test_distance_along_a_quarter_and_a_half_of_the_earth():
    # R pi / 2 and R pi: 6371.0088 x 1.5707963 = 10007.557
    assert distance_km(0, 0, 90, 37) == pytest.approx(10007.557, abs=1e-3)
    assert distance_km(12, 20, -12, -160) == pytest.approx(EARTH_RADIUS_KM * math.pi)


@given(latitudes, longitudes, latitudes, longitudes)
def test_there_and_back_is_equally_far(lat_1, lon_1, lat_2, lon_2):
    there = distance_km(lat_1, lon_1, lat_2, lon_2)
    assert there == pytest.approx(distance_km(lat_2, lon_2, lat_1, lon_1), abs=1e-6)
    assert 0 <= there <= EARTH_RADIUS_KM * math.pi + 1e-6


# --- nearest -----------------------------------------------------------------------------------------------------


def test_the_nearest_come_first_with_distance_and_height():
    found = nearest(parse_nws_stations(body("nws_stations.json")), yard())
    assert [each.station.id for each in found] == ["KQXM", "KQXN", "KQXO"]
    # 0.05 deg of latitude are 5.560 km, 0.06 deg of longitude at 43.675 N 0.06 x 111.195 x cos(43.675) = 4.825 km:
    # sqrt(5.560^2 + 4.825^2) = 7.361 km
    assert found[0].distance_km == pytest.approx(7.361, abs=0.005)
    assert found[0].above_yard_m == pytest.approx(14.0208 - 8.0)
    assert found[2].above_yard_m is None


def test_no_more_than_asked_for_and_none_that_is_too_far():
    near = [station(f"S{number}", 43.7 + number / 10, -70.25) for number in range(9)]  # 11.1 km apart
    assert [each.station.id for each in nearest(near, yard(), most=2)] == ["S0", "S1"]
    assert [each.station.id for each in nearest(near, yard(), within_km=25.0)] == ["S0", "S1", "S2"]
    assert nearest([station("FAR", 40.0, -100.0)], yard()) == []


def test_a_station_that_has_closed_is_not_near():
    stations = parse_iem_network(body("iem_network.json"))
    assert not next(each for each in stations if each.id == "QXP").online
    assert [each.station.id for each in nearest(stations, yard())] == ["QXM", "QXN"]


@given(st.permutations(range(6)))
def test_sequence_of_the_stations_changes_nothing(sequence):
    stations = [station(f"S{number}", 43.7 + (number // 2) / 10, -70.25) for number in range(6)]  # pairs equally near
    found = nearest([stations[number] for number in sequence], yard(), most=6)
    assert [each.station.id for each in found] == ["S0", "S1", "S2", "S3", "S4", "S5"]


# --- lists -------------------------------------------------------------------------------------------------------


def test_stations_of_the_weather_service_are_read():
    first, _, last = parse_nws_stations(body("nws_stations.json"))
    assert first == Station(
        id="KQXM",
        name="Northport, Example Airport",
        latitude_deg=43.65,
        longitude_deg=-70.31,
        elevation_m=14.0208,
        source="nws-observations",
        time_zone="America/New_York",
    )
    assert last.elevation_m is None


def test_stations_of_the_metar_archive_are_read():
    stations = parse_iem_network(body("iem_network.json"))
    assert stations[0] == Station(
        "QXM", "NORTHPORT", 43.65, -70.31, 14.0, "metar-archive", time_zone="America/New_York", online=True
    )
    assert stations[3].elevation_m is None  # -999 is a mark for unknown


def test_other_names_for_the_same_fields_are_read():
    row = {"stid": "QXM", "sname": "NORTHPORT", "lat": 43.65, "lon": -70.31, "elev": None}
    [found] = parse_iem_network(json.dumps({"data": [row]}).encode())
    assert found == Station("QXM", "NORTHPORT", 43.65, -70.31, None, "metar-archive")


def test_a_station_that_stands_twice_is_read_once():
    answer = json.loads(body("iem_network.json"))
    answer["data"] += answer["data"]
    assert parse_iem_network(json.dumps(answer).encode()) == parse_iem_network(body("iem_network.json"))
    answer = json.loads(body("nws_stations.json"))
    answer["features"] += answer["features"]
    assert parse_nws_stations(json.dumps(answer).encode()) == parse_nws_stations(body("nws_stations.json"))


@pytest.mark.parametrize("parse", [parse_nws_stations, parse_iem_network])
def test_an_empty_list_has_no_stations(parse):
    assert parse(b'{"features": [], "data": []}') == []


@pytest.mark.parametrize(
    ("row", "complaint"),
    [
        ({"id": None}, r"a name \(id\) for every station"),
        ({"id": " "}, r"a name \(id\) for every station"),
        ({"latitude": None}, "latitude of QXM between -90 and 90, got None"),
        ({"longitude": None}, "longitude of QXM between -180 and 180, got None"),
        ({"latitude": 4365}, "latitude of QXM between -90 and 90, got 4365"),
        ({"latitude": "43.65"}, "a number or null as latitude of QXM, got '43.65'"),
        ({"elevation": "low"}, "a number or null as elevation of QXM, got 'low'"),
    ],
)
def test_an_archive_station_without_name_or_place_is_refused(row, complaint):
    answer = json.loads(body("iem_network.json"))
    answer["data"][0] |= row
    with pytest.raises(ProviderContractError, match=f"METAR archive stations: expected {complaint}"):
        parse_iem_network(json.dumps(answer).encode())


@pytest.mark.parametrize(
    ("path", "value", "complaint"),
    [
        (("properties", "stationIdentifier"), None, 'a text "stationIdentifier"'),
        (("geometry",), None, 'an object "geometry"'),
        (("geometry", "coordinates"), [43.65], r"longitude and latitude of KQXM, got \[43.65\]"),
        (("geometry", "coordinates"), [-70.31, 143.65], "latitude of KQXM between -90 and 90, got 143.65"),
        (("properties", "elevation", "unitCode"), "wmoUnit:ft", "elevation of KQXM in m, got 'wmoUnit:ft'"),
        (("properties", "elevation"), 14.0, "elevation of KQXM in m, got None"),
    ],
)
def test_a_weather_service_station_without_name_or_place_is_refused(path, value, complaint):
    answer = json.loads(body("nws_stations.json"))
    part = answer["features"][0]
    for name in path[:-1]:
        part = part[name]
    part[path[-1]] = value
    with pytest.raises(ProviderContractError, match=f"Weather Service stations: expected {complaint}"):
        parse_nws_stations(json.dumps(answer).encode())


@pytest.mark.parametrize("parse", [parse_nws_stations, parse_iem_network])
@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "an empty body"),
        (b"<html></html>", r"a web page \(HTML\)"),
        (b'{"data": [{"id": "QXM"', "one cut off"),
        (b"[]", "nothing of that name"),
        (b'{"data": [1], "features": [1]}', "got 1"),
    ],
)
def test_what_is_no_list_is_refused_with_what_came(parse, answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        parse(answer)


# --- which lists to ask for --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "networks"),
    [
        ("Europe/Berlin", ("DE__ASOS",)),
        ("Europe/London", ("GB__ASOS",)),
        ("Pacific/Auckland", ("NZ__ASOS",)),
        ("America/Halifax", ("CA_NS_ASOS", "CA_PE_ASOS")),
        ("America/Toronto", ("CA_ON_ASOS", "CA_QC_ASOS")),
        ("America/Vancouver", ("CA_BC_ASOS",)),
        ("America/Puerto_Rico", ("PR_ASOS",)),
    ],
)
def test_networks_follow_from_the_country_of_the_yard_s_zone(zone, networks):
    assert iem_networks(yard(zone=zone), ZONE_TAB) == networks


def test_in_the_united_states_the_state_is_needed():
    assert iem_networks(yard(), ZONE_TAB, us_state="me") == ("ME_ASOS",)
    for zone in ("America/New_York", "US/Eastern"):
        with pytest.raises(
            StormwalkError, match='Yard "North" lies in the United States, whose stations are listed by'
        ):
            iem_networks(yard(zone=zone), ZONE_TAB)


def test_an_old_name_for_a_canadian_zone_gives_every_province():
    networks = iem_networks(yard(zone="Canada/Atlantic"), ZONE_TAB)
    assert len(networks) == 13
    assert "CA_NS_ASOS" in networks


@pytest.mark.parametrize("zone", ["UTC", "Etc/GMT+5", "America/Montreal"])
def test_a_zone_of_no_country_is_refused(zone):
    with pytest.raises(
        StormwalkError, match=f'Yard "North": the table of time zones names no country for {zone}'.replace("+", r"\+")
    ):
        iem_networks(yard(zone=zone), ZONE_TAB)


def test_every_canadian_zone_of_the_installed_table_has_its_provinces():
    zones = {columns[2] for line in ZONE_TAB.splitlines() if (columns := line.split("\t"))[0] == "CA"}
    assert zones == set(CANADIAN_PROVINCES)


def test_the_address_of_a_list():
    assert iem_network_url("ME_ASOS") == "https://mesonet.agron.iastate.edu/api/1/network/ME_ASOS.json"
