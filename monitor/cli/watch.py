"""``stormwalk watch``: the scheduler alone, until it is stopped; how its jobs stand; how to keep it running."""

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.inputs import json_option, print_rows

if TYPE_CHECKING:
    from monitor.service import JobState, Service


@click.command("watch")
@click.option("--status", is_flag=True, help="Show how each job stands, and leave the service alone.")
@click.option("--print-unit", is_flag=True, help="Print a systemd unit that keeps it running on Linux.")
@click.option("--print-task", is_flag=True, help="Print the command that keeps it running on Windows.")
@json_option
@click.pass_obj
def command(path: Path, status: bool, print_unit: bool, print_task: bool, as_json: bool) -> None:
    """Pull weather each hour, rank, watch for storms and tell people, until it is stopped (Ctrl-C).

    One service runs on a database at a time. What was missed while it was off is caught up once.

    Example: stormwalk watch --status
    """
    if sum((status, print_unit, print_task)) > 1:
        raise click.UsageError("--status, --print-unit and --print-task exclude each other.")
    if as_json and not status:
        raise click.UsageError("--json goes with --status.")
    if print_unit or print_task:
        from monitor.cli.keep_running import systemd_unit, windows_task

        make = systemd_unit if print_unit else windows_task
        click.echo(make(path.absolute(), "watch"), nl=False)
        return
    if status:
        print_states(make_service(path).states(), as_json=as_json)
        return
    stopped = threading.Event()
    with stopping(stopped.set), running_service(path):
        click.echo(f"Watching the yards of {path}. Ctrl-C stops it after the job that runs.", err=True)
        while not stopped.wait(1):
            pass


@contextmanager
def stopping(stop: Callable[[], None]) -> Iterator[None]:
    """Call ``stop`` at Ctrl-C or SIGTERM, once; a second one ends the process at once, and the database bears it."""
    before: dict[int, Any] = {}

    def first(number: int, _: FrameType | None) -> None:
        for each, handler in before.items():
            signal.signal(each, handler)
        click.echo("Stopping after the job that runs, if any. Once more stops at once.", err=True)
        stop()

    for each in (signal.SIGINT, signal.SIGTERM):
        before[each] = signal.signal(each, first)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def running_service(path: Path) -> "Iterator[Service]":
    """Hold the right to schedule, run the service while the block runs, and log what it does on standard error."""
    import logging

    from monitor.store.connection import connect
    from monitor.store.service import only_scheduler

    service = make_service(path)
    logging.basicConfig(stream=sys.stderr, format="%(asctime)s %(message)s", level=logging.WARNING)
    logging.getLogger("stormwalk").setLevel(logging.INFO)
    logging.getLogger("urllib3").setLevel(logging.ERROR)  # each try again; how a pull ended is said in a sentence
    # Held open, so that SQLite keeps its small files: on a disk that is full to the last byte none could be made anew.
    with only_scheduler(path), closing(connect(path)):
        service.start()
        try:
            yield service
        finally:
            service.stop()


def make_service(path: Path) -> "Service":
    """The service of a database, with keys and addresses out of the environment; not started."""
    import os

    from monitor.sending import Sender
    from monitor.service import Service
    from monitor.settings import Settings
    from monitor.store.connection import connect

    connect(path).close()  # says in a sentence what is wrong with the file, before anything starts
    return Service(path, Settings.from_environment(os.environ), Sender(os.environ))


def print_states(states: "list[JobState]", *, as_json: bool) -> None:
    """How each job stands, as JSON or as a table; times in UTC."""
    from monitor.wording import utc_text

    columns = {
        "job": "job",
        "outcome": "newest run",
        "started_at": "began",
        "last_done_at": "last done",
        "failures": "failed in a row",
        "next_due_at": "due",
        "message": "what it said",
    }
    rows = [
        {
            "job": state.job,
            "yard": state.yard_key or None,
            "outcome": state.outcome,
            "started_at": None if state.started_at is None else utc_text(state.started_at),
            "last_done_at": None if state.last_done_at is None else utc_text(state.last_done_at),
            "failures": state.failures,
            "next_due_at": utc_text(state.next_due_at),
            "message": state.message,
        }
        for state in states
    ]
    print_rows(columns, rows, as_json=as_json)
