"""A fresh database, and one invented yard with two boats in it."""

from contextlib import closing
from datetime import UTC, date, datetime

import pytest

from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.store import register
from monitor.store.connection import connect

NORTH = Yard("north", "North Yard", 43.66, -70.25, 3.0, "America/New_York", terrain="open_water", crew_size=3)
WRAPPED_AT = datetime(2025, 11, 3, 15, tzinfo=UTC)


def a_boat(number="A-12", **changed):
    fields = {"name": "Puffin", "boat_type": "sail", "length_m": 9.1, "beam_m": 3.0, "support": "stands"}
    fields |= {"row": "A", "place": 12, "heading_deg": 270.0, "shelter": "partly"}
    return Boat(number, **(fields | changed))


AS_WRAPPED = CoverBuild(WRAPPED_AT, ridge_rise_m=1.2)


def a_cover(number="A-12", builds=(AS_WRAPPED,), wrapped_on=date(2025, 11, 3), **changed):
    return Cover(a_boat(number, **changed), wrapped_on, tuple(builds))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "stormwalk.db"


@pytest.fixture
def conn(path):
    """An open, empty database."""
    with closing(connect(path, create=True)) as opened:
        yield opened


@pytest.fixture
def yard_id(conn):
    """Id of the invented yard "north", with a cover on each of the boats A-12 (id 1) and A-13 (id 2)."""
    number = register.add_yard(conn, NORTH)
    register.save_covers(conn, "north", [a_cover("A-12"), a_cover("A-13")], WRAPPED_AT)
    return number


@pytest.fixture(scope="session")
def make_cover():
    """Makes covers of invented boats."""
    return a_cover


@pytest.fixture(scope="module")
def law_conn(tmp_path_factory):
    """A database with the yard "north" (id 1) for laws: each example writes in a transaction and takes it back."""
    with closing(connect(tmp_path_factory.mktemp("law") / "stormwalk.db", create=True)) as opened:
        register.add_yard(opened, NORTH)
        yield opened
