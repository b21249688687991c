"""Databases with the invented yard and with the demo's, made once and copied for each test."""

import shutil
from contextlib import closing

import pytest
from invented_yard import record_yard

from monitor.cli.demo import load_demo
from monitor.store.connection import connect


@pytest.fixture(scope="session")
def yard_file(tmp_path_factory):
    """A database file with the invented yard and its three covers, recorded on the day they were wrapped."""
    path = tmp_path_factory.mktemp("yard") / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
    return path


@pytest.fixture
def path(yard_file, tmp_path):
    """The test's own copy of it."""
    return shutil.copy(yard_file, tmp_path / "stormwalk.db")


@pytest.fixture
def conn(path):
    """An open connection to the test's own copy."""
    with closing(connect(path)) as opened:
        yield opened


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory):
    """A database file with the demo's yard, covers, winter and log."""
    path = tmp_path_factory.mktemp("demo") / "demo.db"
    with closing(connect(path, create=True)) as conn:
        load_demo(conn)
    return path
