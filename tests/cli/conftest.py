"""Running commands as a person would, and a database to run them on."""

import os
import shutil
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from invented_yard import GALE, HOUR, SNOW, WRAPPED, YARD, in_hours, metar, record_yard

from monitor.cli import main
from monitor.exchange.entry_values import NewFinding
from monitor.operations.log import record_action, record_inspection
from monitor.operations.weather import import_weather
from monitor.store.connection import connect

CHECKOUT = Path(__file__).resolve().parents[2]

HOURS = 30 * 24
END = WRAPPED + HOURS * HOUR
"""19 November 2023, 04:00 UTC."""


@dataclass(frozen=True)
class Outcome:
    """What a command left behind on the terminal."""

    exit_code: int
    out: str
    err: str


@pytest.fixture(scope="session")
def yard_file(tmp_path_factory):
    """The invented yard after a month with snow, a gale, one inspection and one action."""
    path = tmp_path_factory.mktemp("yard") / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
        weather = in_hours(range(100, 110), SNOW)
        for name, hours in in_hours(range(480, 500), GALE).items():
            weather[name] = weather.get(name, {}) | hours
        report = import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, HOURS, **weather), "x.csv", END)
        assert report.good
        seen = WRAPPED + 200 * HOUR
        record_inspection(
            conn,
            YARD,
            "03",
            inspector="Ida",
            inspected_at=seen,
            recorded_at=seen,
            findings=[NewFinding("loose_band", "port", 2, "aft")],
        )
        record_action(conn, YARD, "02", action="taped", actor="Ida", acted_at=seen, recorded_at=seen)
    return path


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """The working folder of the command, empty, with no database named in the environment."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("STORMWALK_DB", raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


@pytest.fixture
def yard(yard_file, folder):
    """The working folder with the invented yard's database in it."""
    shutil.copy(yard_file, folder / "stormwalk.db")
    return folder


@pytest.fixture
def run(folder, monkeypatch, capsys):
    """Runs ``stormwalk`` with these arguments, in this process."""

    def command(*arguments):
        monkeypatch.setattr(sys, "argv", ["stormwalk", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as stop:
            main()
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Outcome(int(stop.value.code or 0), captured.out, captured.err)

    return command


@pytest.fixture
def shell(folder):
    """Runs ``stormwalk`` with these arguments in a process of its own."""

    def command(*arguments, **environment):
        done = subprocess.run(
            [sys.executable, "-m", "monitor", *map(os.fspath, arguments)],
            capture_output=True,
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(CHECKOUT), **environment},
            check=False,
        )
        assert b"Traceback" not in done.stderr
        return Outcome(done.returncode, done.stdout.decode(), done.stderr.decode())

    return command
