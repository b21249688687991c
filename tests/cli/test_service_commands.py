"""Commands about what is to come and about the service: a look ahead, notices, jobs, and texts that keep it running."""

import csv
import io
import json
import os
import shlex
import shutil
import subprocess
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from invented_yard import HOUR, WRAPPED, YARD
from simulated_service import forecast_answer

from monitor.messages import Notice
from monitor.operations.weather import import_weather
from monitor.store import register
from monitor.store import service as store
from monitor.store.connection import connect

CHECKOUT = Path(__file__).resolve().parents[2]

END = WRAPPED + 30 * 24 * HOUR
"""When the month that the yard has had ends."""

AS_OF = f"{END:%Y-%m-%dT%H:%MZ}"

RANKED = {"rank", "boat", "cover", "score", "call", "reasons", "data_age_h"}
REASON = {"hazard", "p", "value", "unit", "hour_ending", "source", "threshold", "missing_share", "check"}


@pytest.fixture
def forecast(yard):
    """The invented yard with a gale in its forecast, 10 to 20 h ahead."""
    blows = [10 <= number < 20 for number in range(72)]
    answer = forecast_answer(
        END + HOUR,
        72,
        wind_speed_10m=[14.0 if gale else 3.0 for gale in blows],
        wind_gusts_10m=[26.0 if gale else 5.0 for gale in blows],
    )
    with closing(connect(yard / "stormwalk.db")) as conn:
        assert import_weather(conn, YARD, "open-meteo", answer, "f.json", END).good
    return yard


# --- ahead


def test_a_look_ahead_says_what_is_expected_and_what_to_do_before(forecast, run):
    done = run("rank", "--as-of", AS_OF, "--ahead", "48")
    assert done.exit_code == 0
    assert "48 h ahead of" in done.out
    assert "Forecast by open-meteo up to" in done.out
    assert "gale without snow from" in done.out.replace("\n", " ")
    assert "Before the storm:" in done.out
    assert "tighten the perimeter band" in done.out
    assert "Two people, always." in done.out


def test_a_look_ahead_as_json_has_the_keys_of_a_ranking_and_no_others(forecast, run):
    lines = json.loads(run("rank", "--as-of", AS_OF, "--ahead", "48", "--json").out)
    assert len(lines) == 3
    assert all(set(line) == RANKED for line in lines)
    assert all(set(reason) == REASON for line in lines for reason in line["reasons"])
    assert any(reason["source"] == "open-meteo:forecast" for line in lines for reason in line["reasons"])


def test_a_look_ahead_as_csv_has_the_columns_of_a_ranking(forecast, run):
    rows = list(csv.DictReader(io.StringIO(run("rank", "--as-of", AS_OF, "--ahead", "48", "--csv").out)))
    assert set(rows[0]) == RANKED


def test_the_list_before_the_storm_comes_alone_too(forecast, run):
    items = json.loads(run("rank", "--as-of", AS_OF, "--ahead", "48", "--prepare", "--json").out)
    assert {"boat", "cover", "hazard", "now", "then", "unit", "growth", "what"} == set(items[0])
    assert "gust" in {item["hazard"] for item in items}
    text = run("rank", "--as-of", AS_OF, "--ahead", "48", "--prepare").out
    assert "Before the storm:" in text
    assert "walk first" not in text


def test_without_a_forecast_a_look_ahead_is_refused(yard, run):
    done = run("rank", "--as-of", AS_OF, "--ahead", "24")
    assert (done.exit_code, done.out) == (1, "")
    assert done.err.startswith("Yard north: no forecast is known for the hours after")


@pytest.mark.parametrize(
    "arguments",
    [
        ("--prepare",),
        ("--ahead", "0"),
        ("--ahead", "241"),
        ("--ahead", "24", "--as-of", AS_OF, "--hindsight"),
        ("--ahead", "24", "--reprint", "abc"),
    ],
)
def test_options_that_do_not_go_together_are_wrong_usage(yard, run, arguments):
    assert run("rank", *arguments).exit_code == 2


def test_a_look_ahead_is_listed_as_such_and_printed_again(forecast, run):
    first = run("rank", "--as-of", AS_OF, "--ahead", "48").out
    (head,) = json.loads(run("rank", "--stored", "--json").out)
    assert head["ahead_h"] == 48
    assert run("rank", "--reprint", head["id"][:8]).out == first


# --- notices and jobs


def test_notices_are_listed_with_how_they_went(yard, run, monkeypatch):
    monkeypatch.delenv("STORMWALK_NOTIFY", raising=False)
    with closing(connect(yard / "stormwalk.db")) as conn:
        notice = Notice("north", "storm_ended", END - 20 * HOUR, "North Basin: storm over, 1 to walk first", "Gale.")
        notice_id = store.add_notice(conn, register.yard_id(conn, "north"), notice, END)
        store.add_try(conn, notice_id, END + timedelta(minutes=1), "no answer", sent=False)
    (row,) = json.loads(run("notices", "--json").out)
    assert (row["kind"], row["state"], row["tries"], row["message"]) == ("storm_ended", "given up", 1, "no answer")
    assert row["storm_start"] == f"{END - 20 * HOUR:%Y-%m-%dT%H:%M:%SZ}"
    shown = run("notices")
    assert "storm over, 1 to walk first" in shown.out
    assert "No address is set in this environment" in shown.err
    assert json.loads(run("notices", "list", "--json").out) == [row]


def test_a_test_message_without_address_is_refused_with_what_to_set(yard, run, monkeypatch):
    monkeypatch.delenv("STORMWALK_NOTIFY", raising=False)
    monkeypatch.delenv("STORMWALK_NOTIFY_NORTH", raising=False)
    done = run("notices", "test")
    assert done.exit_code == 1
    assert "Put addresses into STORMWALK_NOTIFY or STORMWALK_NOTIFY_NORTH" in done.err


def test_the_jobs_of_a_yard_are_listed(yard, run):
    jobs = {job["job"]: job for job in json.loads(run("watch", "--status", "--json").out)}
    assert set(jobs) == {"pull north", "recheck north", "weekly check north", "notices north", "backup", "tidy"}
    assert all(job["outcome"] == "never" for job in jobs.values())


# --- kept running


def test_the_unit_for_linux_starts_this_program_on_this_database(yard, run):
    unit = run("watch", "--print-unit").out
    (line,) = [line.removeprefix("ExecStart=") for line in unit.splitlines() if line.startswith("ExecStart=")]
    words = shlex.split(line)
    assert words[1:] == ["-m", "monitor", "--db", str(yard / "stormwalk.db"), "watch"]
    environment = {**os.environ, "PYTHONPATH": str(CHECKOUT)}
    done = subprocess.run([*words, "--status", "--json"], capture_output=True, check=True, cwd="/", env=environment)
    assert len(json.loads(done.stdout)) == 6
    assert "Restart=on-failure" in unit


def test_the_unit_for_linux_is_one_that_systemd_takes(yard, run, tmp_path):
    systemd = shutil.which("systemd-analyze")
    if systemd is None:
        missing = "systemd-analyze is not here: the unit is not verified by systemd itself"
        pytest.fail(missing) if os.environ.get("STORMWALK_REQUIRE_ALL") == "1" else pytest.skip(missing)
    spaced = tmp_path / "our yard 100%"
    spaced.mkdir()
    shutil.copy(yard / "stormwalk.db", spaced / "north.db")
    unit = tmp_path / "stormwalk.service"
    unit.write_text(run("--db", spaced / "north.db", "serve", "--port", "8400", "--print-unit").out)
    done = subprocess.run([systemd, "verify", "--man=no", unit], capture_output=True, text=True, check=False)
    assert "stormwalk.service" not in done.stderr, done.stderr
    assert done.returncode == 0, done.stderr


def test_the_task_for_windows_starts_this_program_on_this_database(yard, run):
    task = run("serve", "--print-task").out
    assert task.startswith("schtasks /Create /TN stormwalk /SC ONLOGON")
    assert "-m monitor --db" in task
    assert str(yard / "stormwalk.db") in task


def test_a_port_that_is_taken_is_said(yard, run):
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = run("serve", "--port", port)
    assert done.exit_code == 1
    assert done.err.startswith(f"Port {port} of 127.0.0.1 cannot be listened on")


@pytest.mark.parametrize("arguments", [("--status", "--print-unit"), ("--json",), ("--print-unit", "--print-task")])
def test_watch_options_that_do_not_go_together_are_wrong_usage(yard, run, arguments):
    assert run("watch", *arguments).exit_code == 2
