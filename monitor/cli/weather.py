"""``stormwalk weather``: fetch it, import it, and see what is known and how well."""

import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.inputs import (
    csv_option,
    csv_text,
    json_option,
    moment,
    now,
    past_moment,
    print_json,
    print_rows,
    read_file,
    the_yard,
    with_database,
    write_out,
    yard_option,
)
from monitor.errors import StormwalkError
from monitor.variables import PRESENT_WEATHER, VARIABLES

if TYPE_CHECKING:
    from monitor.register import Yard
    from monitor.weather.providers.logger import LoggerMapping

SOURCES_NOW = ("open-meteo", "metar-archive", "logger")
"""Sources that can be read; the ones that are fetched over the network leave out the yard's own logger."""


@click.group("weather")
def command() -> None:
    """Fetch or import weather, and show what is known of it.

    Example: stormwalk weather refresh
    """


@command.command("refresh")
@yard_option
@click.option("--source", type=click.Choice([s for s in SOURCES_NOW if s != "logger"]), help="Only this one.")
@click.option(
    "--from", "start", metavar="TIME", help="From this moment on; default: what is missing, and the last 3 days."
)
@with_database
def refresh(conn: sqlite3.Connection, yard_key: str | None, source: str | None, start: str | None) -> None:
    """Fetch the newest hours from the yard's public services.

    One that fails does not stop another; it is said, and tried again at the next call.

    Example: stormwalk weather refresh --yard north
    """
    import os

    from monitor.operations import weather as operations
    from monitor.settings import Settings

    yard = the_yard(conn, yard_key)
    begin = None if start is None else moment(start, yard.time_zone, "--from")
    reports = operations.refresh_weather(
        conn, yard, now, Settings.from_environment(os.environ), source=source, start=begin
    )
    for report in reports:
        click.echo(report.sentence, err=not report.good)
    if not any(report.good for report in reports):
        raise SystemExit(1)


@command.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@yard_option
@click.option(
    "--source", type=click.Choice(SOURCES_NOW), required=True, help="Which service or logger the file is from."
)
@click.option("--fetched-at", metavar="TIME", help="When the answer was fetched; default: now.")
@click.option("--station", help="Take only this station out of a METAR archive file.")
@click.option("--time-column", help="Logger: column with the time.")
@click.option("--time-zone", help="Logger: zone of that time; default: the yard's.")
@click.option(
    "--time-is",
    type=click.Choice(["end", "start"]),
    default="end",
    show_default=True,
    help="Logger: what the time marks.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="VARIABLE=HEADER[:UNIT]",
    help='Logger: for example "wind_gust_ms=Gust:mph". Repeat for each column.',
)
@with_database
def import_file(
    conn: sqlite3.Connection,
    file: Path,
    yard_key: str | None,
    source: str,
    fetched_at: str | None,
    station: str | None,
    time_column: str | None,
    time_zone: str | None,
    time_is: str,
    columns: tuple[str, ...],
) -> None:
    """Load a saved answer of a service, or a logger's file.

    A logger file whose headers are names such as hour_ending, air_temperature_c or wind_gust_mph needs no --column.

    Example: stormwalk weather import december.csv --source metar-archive --yard north
    """
    from monitor.operations import weather as operations

    yard = the_yard(conn, yard_key)
    fetched = now() if fetched_at is None else past_moment(fetched_at, yard.time_zone, "--fetched-at")
    if source != "logger" and (columns or time_column or time_zone):
        raise click.UsageError("--column, --time-column and --time-zone go with --source logger.")
    report = operations.import_weather(
        conn,
        yard,
        source,
        read_file(file),
        file.name,
        fetched,
        station=station,
        logger=logger_mapping(time_column, time_zone or yard.time_zone, time_is, columns),
    )
    for note in report.notes:
        click.echo(note, err=True)
    if not report.good:
        raise StormwalkError(report.sentence)
    click.echo(report.sentence)


def logger_mapping(
    time_column: str | None, time_zone: str, time_is: str, columns: tuple[str, ...]
) -> "LoggerMapping | None":
    """The options for a logger's columns as a mapping; None where none was given. Raises StormwalkError."""
    from monitor.weather.providers.logger import LoggerMapping

    if not columns and time_column is None:
        return None
    if not columns or time_column is None:
        raise StormwalkError("A logger's columns need --time-column and at least one --column. Nothing was stored.")
    mapped = {}
    for text in columns:
        variable, equals, rest = text.partition("=")
        header, colon, unit = rest.rpartition(":")
        if variable not in VARIABLES or not equals or not rest:
            raise StormwalkError(
                f"--column {text!r} cannot be read; expected VARIABLE=HEADER:UNIT, for example wind_gust_ms=Gust:mph, "
                f"with a variable out of {', '.join(VARIABLES)}. Nothing was stored."
            )
        mapped[variable] = (header, unit) if colon else (rest, VARIABLES[variable].unit)
    return LoggerMapping(time_column, mapped, time_zone, "start" if time_is == "start" else "end")


@command.command("status")
@yard_option
@json_option
@with_database
def status(conn: sqlite3.Connection, yard_key: str | None, as_json: bool) -> None:
    """Show how new, complete and clean each source's hours are.

    Example: stormwalk weather status --json
    """
    from monitor.operations import weather as operations

    yard = the_yard(conn, yard_key)
    report = operations.weather_status(conn, yard, now())
    if as_json:
        print_json(report)
        return
    if not report["sources"]:
        click.echo(f'No weather yet for yard {yard.key}: "stormwalk weather refresh" or "stormwalk weather import".')
    for source in report["sources"]:
        for sentence in status_lines(source, yard):
            click.echo(sentence)


def status_lines(source: dict[str, Any], yard: "Yard") -> list[str]:
    """A source's status in words."""
    from datetime import datetime

    from monitor.wording import local_text

    def local(text: str) -> str:
        return local_text(datetime.fromisoformat(text), yard.time_zone)

    lines = [f"{source['source']}: {source['hours']} hours"]
    if source["newest_hour"] is not None:
        lines[0] += f", newest {local(source['newest_hour'])} ({age_text(source['age_h'])} old)"
    if source["gust_none_reported_h"]:
        lines.append(f"  no gust reported in {source['gust_none_reported_h']} h: calm enough, not missing")
    if source["never_known"]:
        lines.append(f"  not known of any hour: {', '.join(VARIABLES[name].label for name in source['never_known'])}")
    unknown: dict[tuple[str, str, int], list[str]] = {}
    for gap in source["gaps"]:
        unknown.setdefault((gap["start"], gap["end"], gap["hours"]), []).append(VARIABLES[gap["variable"]].label)
    for (start, end, hours), names in sorted(unknown.items()):
        lines.append(f"  unknown for {hours} h from {local(start)} to {local(end)}: {', '.join(names)}")
    for variable, words in source["flags"].items():
        for word, count in words.items():
            if word != "none_reported":
                lines.append(f"  {VARIABLES[variable].label}: {count} h flagged {word}, kept and not used")
    if source["last_trouble"] is not None:
        trouble = source["last_trouble"]
        lines.append(f"  last trouble {local(trouble['at'])}: {trouble['message']}")
    return [*lines, f"  {source['credit']}"]


def age_text(age_h: float) -> str:
    """``2.5 h``, and days once it is more than two."""
    return f"{age_h:.1f} h" if age_h < 48 else f"{age_h / 24:.0f} days"


@command.command("hours")
@yard_option
@click.option("--from", "start", metavar="TIME", required=True, help="Hours that end after this.")
@click.option("--to", "end", metavar="TIME", required=True, help="Up to the hour that ends then.")
@click.option("--as-of", metavar="TIME", help="Only what had been fetched by then.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File for --csv; standard output else.")
@json_option
@csv_option
@with_database
def hours(
    conn: sqlite3.Connection,
    yard_key: str | None,
    start: str,
    end: str,
    as_of: str | None,
    out: Path | None,
    as_json: bool,
    as_csv: bool,
) -> None:
    """Show the merged hours, with source and flags of each value.

    Hours are named by their end, in UTC. Times that you give are on the yard's clock unless an offset or Z follows.

    Example: stormwalk weather hours --from 2026-02-20 --to 2026-02-22 --csv
    """
    from monitor.operations import weather as operations

    yard = the_yard(conn, yard_key)
    known = now() if as_of is None else moment(as_of, yard.time_zone, "--as-of")
    if out is not None and not as_csv:
        raise click.UsageError("--out goes with --csv.")
    first, last = moment(start, yard.time_zone, "--from"), moment(end, yard.time_zone, "--to")
    if first >= last:
        raise StormwalkError(f"--from {start} is not before --to {end}. Give the earlier one first.")
    rows = operations.hour_rows(conn, yard, first, last, known)
    if as_json:
        print_json(rows)
    elif as_csv:
        names = [*VARIABLES, PRESENT_WEATHER]
        columns = ["hour_ending", *names, *(f"{name}_source" for name in names), "flags"]
        table = [
            [row["hour_ending"], *(row[n] for n in names), *(row["sources"].get(n, "") for n in names), _flags(row)]
            for row in rows
        ]
        write_out(out, csv_text(columns, table))
    else:
        shown = {
            "hour_ending": "hour ending (UTC)",
            "air_temperature_c": "air °C",
            "precipitation_mm": "water mm",
            "wind_speed_ms": "wind m/s",
            "wind_gust_ms": "gust m/s",
            "wind_from_deg": "from °",
            "flags": "flags",
        }
        print_rows(shown, [_short(row, shown) for row in rows], as_json=False)


def _short(row: dict[str, Any], columns: dict[str, str]) -> dict[str, object]:
    short = {name: f"{row[name]:.1f}" if isinstance(row[name], float) else row[name] for name in columns}
    return {**short, "flags": _flags(row)}


def _flags(row: dict[str, Any]) -> str:
    return "; ".join(f"{name} {text}" for name, text in row["flags"].items())
