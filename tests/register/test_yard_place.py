"""A yard's coordinates against its time zone: a lost sign or two numbers exchanged are found, odd zones pass."""

import importlib.resources
import re

import pytest

from monitor.exchange.yard_place import not_of_one_place

# Coordinates of towns: rounded from zone.tab of the IANA time zone database, others from memory to the degree.


@pytest.mark.parametrize(
    ("place", "column", "said"),
    [
        ((43.65, 70.25, "America/New_York"), "longitude", "is it -70.25? East is plus, west is minus."),
        ((-70.25, 43.65, "America/New_York"), "longitude", "are latitude and longitude exchanged?"),
        ((54.0, 10.0, "America/New_York"), "longitude", "Check longitude and time zone."),
        ((-43.65, -70.25, "America/New_York"), "latitude", "is it 43.65? North is plus, south is minus."),
        ((33.9, 151.2, "Australia/Sydney"), "latitude", "is it -33.9? North is plus, south is minus."),
    ],
)
def test_a_slip_of_the_pen_is_named_with_what_was_meant(place, column, said):
    misfit = not_of_one_place(*place)
    assert misfit is not None
    assert misfit[0] == column
    assert misfit[1].endswith(said)


@pytest.mark.parametrize(
    "place",
    [
        (39.5, 76.0, "Asia/Shanghai"),  # Kashgar, 2.9 h behind Beijing by the sun
        (42.2, -8.7, "Europe/Madrid"),  # Vigo
        (-54.8, -68.3, "America/Argentina/Ushuaia"),
        (-33.0, -69.0, "America/Argentina/Buenos_Aires"),
        (1.9, -157.4, "Pacific/Kiritimati"),  # UTC+14, across the date line
        (64.1, -21.9, "Atlantic/Reykjavik"),
        (-1.0, 101.0, "Asia/Jakarta"),
        (10.0, -70.0, "UTC"),  # a zone of no place
        (43.65, -70.25, "US/Eastern"),  # an old name
    ],
)
def test_a_place_in_a_wide_or_odd_zone_passes(place):
    assert not_of_one_place(*place) is None


def test_the_town_of_every_zone_lies_in_it():
    table = (importlib.resources.files("tzdata") / "zoneinfo" / "zone.tab").read_text("utf-8")
    zones = re.findall(r"^[A-Z]{2}\t([+-])(\d\d)(\d\d)(?:\d\d)?([+-])(\d{3})(\d\d)(?:\d\d)?\t(\S+)", table, re.M)
    assert len(zones) > 400
    for south, lat, lat_min, west, lon, lon_min, zone in zones:
        latitude_deg = float(f"{south}1") * (int(lat) + int(lat_min) / 60)
        longitude_deg = float(f"{west}1") * (int(lon) + int(lon_min) / 60)
        assert not_of_one_place(latitude_deg, longitude_deg, zone) is None, zone
