"""The invented yard under a service whose clock, weather and people are the test's own."""

import shutil
from contextlib import closing
from dataclasses import replace

import pytest
from invented_yard import COVERS, WRAPPED, YARD, record_yard
from simulated_service import BEGIN, Airport, Clock, People, plug_in

from monitor.operations.register import import_covers
from monitor.service import Service
from monitor.settings import Settings
from monitor.store import register
from monitor.store.connection import connect


@pytest.fixture(scope="session")
def one_yard_file(tmp_path_factory):
    """A database with the invented yard and its three covers."""
    path = tmp_path_factory.mktemp("yard") / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
    return path


@pytest.fixture
def path(one_yard_file, tmp_path):
    """The test's own copy of it."""
    return shutil.copy(one_yard_file, tmp_path / "stormwalk.db")


@pytest.fixture
def two_yards(path):
    """The same with a second yard, ``south``, a copy of the first."""
    with closing(connect(path)) as conn:
        south = replace(YARD, key="south", name="South Basin")
        register.save_yards(conn, [south])
        import_covers(conn, south, COVERS.encode(), "covers.csv", WRAPPED)
    return path


@pytest.fixture
def clock():
    return Clock(BEGIN)


@pytest.fixture
def people():
    return People()


@pytest.fixture
def airport(monkeypatch):
    """The weather service that is asked in place of the network."""
    airport = Airport()
    plug_in(monkeypatch, airport)
    return airport


@pytest.fixture
def service(path, clock, people, airport):
    """The service of the invented yard; it runs when told to."""
    return Service(path, Settings(), people, clock)


@pytest.fixture
def conn(path):
    with closing(connect(path)) as opened:
        yield opened
