"""A command that only lists or logs starts at once: what calculating, fetching and drawing need is not imported."""

import os
import shutil
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.exchange.entry_values import NewFinding
from monitor.operations.log import record_inspection
from monitor.store import register
from monitor.store.connection import connect

CHECKOUT = Path(__file__).resolve().parents[2]

HEAVY = ("pandas", "numpy", "plotly", "requests", "sqlite_utils", "apscheduler", "pydantic", "rich")

PROBE = f"""
import sys
try:
    RUN
finally:
    print(*[name for name in {HEAVY} if name in sys.modules], file=sys.stderr)
"""


def imported(statement, *arguments, folder):
    """Which of the heavy modules a new process has imported after the statement, run with these arguments."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE.replace("RUN", statement), *arguments],
        capture_output=True,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stderr.splitlines()[-1].split()


@pytest.fixture(scope="module")
def logged(yard_file, tmp_path_factory):
    """A folder with the invented yard's database, and an inspection of the last hours in it."""
    folder = tmp_path_factory.mktemp("start")
    shutil.copy(yard_file, folder / "stormwalk.db")
    return folder


COMMAND = "from monitor.cli import main; main()"


def test_importing_the_package_imports_nothing_heavy(tmp_path):
    assert imported("import monitor", folder=tmp_path) == []


def test_help_imports_nothing_heavy(tmp_path):
    assert imported(COMMAND, "--help", folder=tmp_path) == []


@pytest.mark.parametrize(
    "command",
    [
        "yard list --json",
        "yard export",
        "log list --json",
        "log list 03 --csv",
        "log inspection 01 --by Ida --finding tear@port:2 --snow-depth 6in",
        "log action 01 --action vents_added --quantity 2 --by Ida",
        "covers check --json",
        "covers export",
        "rank --stored --json",
        *(f"{name} --help" for name in ("rank", "explain", "weather hours", "log inspection", "demo", "dashboard")),
    ],
)
def test_listing_and_logging_import_nothing_heavy(logged, command):
    assert imported(COMMAND, *command.split(), folder=logged) == []


def test_logging_a_finding_imports_nothing_heavy(logged):
    now = datetime.now(UTC).replace(microsecond=0)
    with closing(connect(logged / "stormwalk.db")) as conn:
        yard = register.yard(conn, "north")
        record_inspection(
            conn, yard, "02", inspector="Ida", inspected_at=now, recorded_at=now, findings=[NewFinding("sag", "bow", 1)]
        )
    arguments = ("log", "finding", "02", "--defect", "tear", "--place", "port", "--severity", "1")
    assert imported(COMMAND, *arguments, folder=logged) == []


def test_a_table_for_people_imports_rich_and_nothing_else(logged):
    assert imported(COMMAND, "yard", "list", folder=logged) == ["rich"]


def test_the_probe_sees_what_is_imported(logged):
    assert "pandas" in imported(COMMAND, "weather", "status", "--json", folder=logged)
