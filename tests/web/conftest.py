"""The web app on the invented yard: one database and one app for all tests of a module, two people signed in."""

import shutil
from contextlib import closing

import pytest
from invented_app import NOW, Clock, app_of, fill, signed_in

from monitor.store.connection import connect


@pytest.fixture(scope="session")
def filled_database(tmp_path_factory):
    """A database that no test writes to."""
    return fill(tmp_path_factory.mktemp("web") / "yard.db")


@pytest.fixture(scope="module")
def database(filled_database, tmp_path_factory):
    """The module's own copy of it."""
    return shutil.copy(filled_database, tmp_path_factory.mktemp("own") / "yard.db")


@pytest.fixture(scope="module")
def clock():
    return Clock(NOW)


@pytest.fixture(scope="module")
def app(database, clock):
    return app_of(database, clock)


@pytest.fixture(scope="module")
def lead(app):
    """The browser of Ida, a lead."""
    return signed_in(app, "Ida")


@pytest.fixture(scope="module")
def crew(app):
    """The browser of Per, of the crew."""
    return signed_in(app, "Per")


@pytest.fixture
def conn(database):
    with closing(connect(database)) as opened:
        yield opened
