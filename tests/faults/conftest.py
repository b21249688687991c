"""A yard of today with weather, a log, a photo, a ranking and a walk, for faults to be tried on."""

from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from faulty_disks import copied, power_cut_disk, run_here, small_disk
from invented_app import picture
from invented_yard import GALE, HOUR, YARD, in_hours, metar
from web_process import make_database

from monitor.operations.weather import import_weather
from monitor.store.connection import connect


@pytest.fixture(scope="session")
def photo_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("photo") / "cover.jpg"
    path.write_bytes(picture())
    return path


@pytest.fixture(scope="session")
def yard_file(tmp_path_factory, photo_file):
    """A database of today that no test writes to."""
    path = make_database(tmp_path_factory.mktemp("sound") / "yard.db")
    now = datetime.now(UTC).replace(microsecond=0)
    first = (now - timedelta(days=19)).replace(minute=0, second=0)
    gale = in_hours(range(100, 110), GALE)
    with closing(connect(path)) as conn:
        report = import_weather(conn, YARD, "metar-archive", metar(first, 19 * 24, **gale), "x.csv", now - HOUR)
        assert report.good
    for command in (
        ("log", "inspection", "01", "--by", "Ida", "--finding", "tear@bow:2"),
        ("log", "action", "01", "--action", "taped", "--by", "Ida"),
        ("log", "photo", "01", photo_file, "--by", "Ida"),
        ("rank",),
        ("walk", "plan", "--crew", "Ida,Ola"),
    ):
        assert run_here(path, *command).exit_code == 0
    return path


@pytest.fixture
def yard(yard_file, tmp_path):
    """The test's own copy of it, with its photos."""
    return copied(yard_file, tmp_path)


@pytest.fixture
def disk(tmp_path):
    """A disk of 6 MB."""
    with small_disk(tmp_path / "disk", 6) as made:
        yield made


@pytest.fixture
def on_disk(yard_file, disk):
    """The yard's database on that disk."""
    return copied(yard_file, disk.folder)


@pytest.fixture
def mains(tmp_path):
    """A disk whose power can be cut."""
    with power_cut_disk(tmp_path / "mains") as made:
        yield made


@pytest.fixture
def work(tmp_path, yard_file):
    """A folder on another disk, for what a writer needs, with a backup of the yard in it."""
    folder = tmp_path / "work"
    folder.mkdir()
    assert run_here(yard_file, "backup", "--to", folder / "whole.zip").exit_code == 0
    return folder
