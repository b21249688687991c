"""What every command needs: the database, the yard, a moment on the yard's clock, and ways to print a listing."""

import json
import os
import sqlite3
import sys
import uuid
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from monitor.errors import StormwalkError
from monitor.exchange.sheets import csv_text as csv_text
from monitor.register import Yard
from monitor.units import UnreadableError
from monitor.yard_clock import moment_on

WIDTH_IN_A_PIPE = 160
"""Columns of a listing that no terminal limits; what is longer is folded, not cut."""

_LAST_STEP = "Nothing of this command's last step was stored."

LARGEST_REGISTER_MB = 20.0
"""Of a table of yards or covers: 10,000 covers with every column filled have about 5 MB."""

LARGEST_WEATHER_MB = 50.0
"""Of a saved answer or a logger's file: a year by the minute has about 30 MB."""

MOST_WEATHER_LINES = 1_000_000
"""Of the same: a logger's year by the minute has half of them. Each line read takes some 300 bytes of memory."""

F = TypeVar("F", bound=Callable[..., Any])

FIRST_YEAR, LAST_YEAR = 1980, 2099
"""Years that only a slip of the pen leaves."""

yard_option = click.option(
    "--yard", "yard_key", metavar="YARD", help="The yard's key; may be left out where there is one."
)
out_file = click.Path(dir_okay=False, path_type=Path)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
csv_option = click.option("--csv", "as_csv", is_flag=True, help="CSV on standard output.")


def with_database(command: F) -> F:
    """Pass an open connection as the first argument, and close it whatever happens."""

    @click.pass_obj
    @wraps(command)
    def wrapped(path: Path, /, *args: Any, **kwargs: Any) -> Any:
        from monitor.store.connection import connect, sentence_of

        with closing(connect(path)) as conn:
            changes = conn.total_changes
            try:
                return command(conn, *args, **kwargs)
            except KeyboardInterrupt:
                if conn.total_changes == changes:
                    raise StormwalkError("Stopped. Nothing was stored.") from None
                raise
            except sqlite3.Error as error:
                raise StormwalkError(sentence_of(error, path, _LAST_STEP)) from error
            except (ValueError, LookupError, TypeError, ArithmeticError, AttributeError) as error:
                from monitor.operations.readable import why_not

                if not (why := why_not(path)):
                    raise
                raise StormwalkError(f"{path} is damaged. {why} {_LAST_STEP} Restore its last backup.") from error

    return wrapped  # type: ignore[return-value]


def now() -> datetime:
    """The moment of the command, to the second (UTC): the only place where the command line reads the clock."""
    return datetime.now(UTC).replace(microsecond=0)


def the_yard(conn: sqlite3.Connection, key: str | None) -> Yard:
    """The yard named, or the only one there is."""
    from monitor.store.register import yard, yards

    if key is not None:
        return yard(conn, key)
    known = yards(conn)
    if len(known) == 1:
        return known[0]
    if not known:
        raise StormwalkError('There is no yard yet. Add one: "stormwalk yard add --help" shows how.')
    names = ", ".join(one.key for one in known)
    raise StormwalkError(f"There are {len(known)} yards ({names}): say which with --yard.")


def moment(text: str, time_zone: str, option: str) -> datetime:
    """A moment (UTC) from ISO text: with an offset or Z as it says, without one on the yard's clock.

    A local time that the clock skips or shows twice is refused; write it with its offset then.
    """
    try:
        typed = datetime.fromisoformat(text)
    except ValueError:
        raise StormwalkError(
            f"{option}: {text!r:.60} is not a date and time. Write it as 2026-02-21 14:00 (the yard's clock), or as "
            f"2026-02-21T19:00Z (UTC)."
        ) from None
    if not FIRST_YEAR <= typed.year <= LAST_YEAR:
        raise StormwalkError(f"{option}: {text} is not in the years {FIRST_YEAR} to {LAST_YEAR}. Check the year.")
    try:
        return moment_on(typed, time_zone)
    except UnreadableError as error:
        raise StormwalkError(f"{option}: {error}.") from None


def past_moment(text: str, time_zone: str, option: str) -> datetime:
    """Like `moment`, and refused where it lies ahead by more than a clock's error."""
    typed = moment(text, time_zone, option)
    if typed > now() + timedelta(minutes=10):
        raise StormwalkError(f"{option}: {text} has not come yet. Give the time at which it happened.")
    return typed


def ranking_moments(as_of: str | None, hindsight: bool, time_zone: str) -> tuple[datetime, datetime]:
    """``--as-of`` and ``--hindsight`` as the moment to look at and the moment by which things were known (UTC).

    A moment ahead is one to prepare for; more than a year ahead is refused.
    """
    if as_of is None:
        if hindsight:
            raise click.UsageError("--hindsight goes with --as-of.")
        present = now()
        return present, present
    typed = moment(as_of, time_zone, "--as-of")
    if typed > now() + timedelta(days=366):
        raise StormwalkError(f"--as-of: {as_of} lies more than a year ahead. Check the year.")
    return typed, now() if hindsight else typed


def read_file(path: Path, largest_mb: float, most_lines: int | None = None) -> bytes:
    """Bytes of a file, or a sentence; of one larger than ``largest_mb`` nothing, or no more than that, is read. [MB]"""
    most = int(largest_mb * 1e6)
    try:
        size = path.stat().st_size  # of a pipe it says nothing: hence the limit on reading too
        content = b""
        if size <= most:
            with path.open("rb") as file:
                content = file.read(most + 1)
    except OSError as error:
        raise StormwalkError(f"{path} cannot be read: {error.strerror}. Nothing was changed.") from None
    found = expected = ""
    if max(size, len(content)) > most:
        found = f"{size / 1e6:,.0f} MB" if size > most else f"more than {largest_mb:g} MB"
        expected = f"at most {largest_mb:g} MB"
    elif most_lines is not None and max(content.count(b"\n"), content.count(b"\r")) > most_lines:
        found, expected = "too many lines", f"at most {most_lines:,}"
    if found:
        raise StormwalkError(
            f"{path} has {found}; expected {expected} in such a file. Nothing was changed. See that it is the file you "
            f"mean; divide a long one into shorter ones."
        )
    return content


def write_out(out: Path | None, text: str) -> None:
    """Write a text to a file, or to standard output where no file was named."""
    if out is None:
        click.echo(text, nl=False)
        return
    write_file(out, text.encode())


def write_file(out: Path, content: bytes) -> None:
    """Write a file, whole or not at all: on a full disk the one that was there before stays as it was."""
    if not out.name:
        raise StormwalkError(f'"{out}" names no file to write. Nothing was written. Name a file.')
    part = out.with_name(f".{out.name}.{uuid.uuid4().hex}.part")
    try:
        if out.exists() and not out.is_file():  # a pipe or a device
            out.write_bytes(content)
        else:
            try:
                with part.open("xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                part.replace(out.resolve())
            finally:
                part.unlink(missing_ok=True)
    except OSError as error:
        raise StormwalkError(
            f"{out} cannot be written: {error.strerror}. Nothing was written there. Make room or allow writing there, "
            f"or name another file."
        ) from None
    click.echo(f"Wrote {out}.", err=True)


def one_format(as_json: bool, as_csv: bool) -> None:
    """Refuse a listing in two formats at once."""
    if as_json and as_csv:
        raise click.UsageError("--json and --csv exclude each other.")


def print_json(value: object) -> None:
    """One JSON document, numbers as they are."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def print_rows(
    columns: Mapping[str, str], rows: Sequence[Mapping[str, object]], *, as_json: bool, as_csv: bool = False
) -> None:
    """A listing: rows as JSON or CSV under their keys, else as a table under ``columns`` (key to heading)."""
    one_format(as_json, as_csv)
    if as_json:
        print_json(rows)
    elif as_csv:
        click.echo(csv_text(list(columns), [[row[key] for key in columns] for row in rows]), nl=False)
    else:
        from rich.console import Console
        from rich.table import Table

        table = Table(box=None, pad_edge=False)
        for heading in columns.values():
            table.add_column(heading, overflow="fold")
        for row in rows:
            table.add_row(*("" if row[key] is None else str(row[key]) for key in columns))
        width = None if sys.stdout.isatty() else WIDTH_IN_A_PIPE
        Console(file=sys.stdout, highlight=False, markup=False, width=width).print(table)
