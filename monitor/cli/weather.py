"""``stormwalk weather``: fetch it, import it, and see what is known and how well."""

import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.inputs import (
    LARGEST_WEATHER_MB,
    MOST_WEATHER_LINES,
    csv_option,
    csv_text,
    json_option,
    moment,
    now,
    one_format,
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
from monitor.variables import PRESENT_WEATHER, SOURCES, VARIABLES

if TYPE_CHECKING:
    from monitor.register import Yard
    from monitor.weather.providers.logger import LoggerMapping
    from monitor.weather.providers.open_meteo_archive import Archive

SERVICES = tuple(name for name in SOURCES if name not in ("logger", "hand"))
"""Sources that are fetched over the network."""


@click.group("weather")
def command() -> None:
    """Fetch or import weather, and show what is known of it.

    Example: stormwalk weather refresh
    """


@command.command("refresh")
@yard_option
@click.option("--source", type=click.Choice(SERVICES), help="Only this one.")
@click.option(
    "--from", "start", metavar="TIME", help="From this moment on; default: what is missing, and the last hours."
)
@with_database
def refresh(conn: sqlite3.Connection, yard_key: str | None, source: str | None, start: str | None) -> None:
    """Fetch the newest hours from the yard's public services.

    The first time that is the whole season since the first wrapping; a pull that was stopped goes on where it was. A
    service that fails does not stop another; it is said, and tried again at the next call.

    Example: stormwalk weather refresh --yard north
    """
    import os

    from monitor.operations import weather as operations
    from monitor.settings import Settings

    yard = the_yard(conn, yard_key)
    begin = None if start is None else moment(start, yard.time_zone, "--from")
    settings = Settings.from_environment(os.environ)
    with progress_bar() as progress:
        reports = operations.refresh_weather(conn, yard, now, settings, source=source, start=begin, progress=progress)
    if source is None and begin is None:
        reports += operations.fetch_alerts(conn, yard, now, settings)
    for report in reports:
        click.echo(report.sentence, err=not report.good)
    if not any(report.good for report in reports):
        raise SystemExit(1)


@contextmanager
def progress_bar() -> "Iterator[Callable[[str, int, int], None] | None]":
    """A bar on standard error for each source that is asked more than once; None where nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, Any] = {}

        def show(source: str, done: int, of: int) -> None:
            if of > 1:
                task = tasks.setdefault(source, None)
                if task is None:
                    task = tasks[source] = bars.add_task(source, total=of)
                bars.update(task, completed=done)

        yield show


@command.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@yard_option
@click.option(
    "--source",
    type=click.Choice([*SERVICES, "logger"]),
    required=True,
    help="Which service or logger the file is from.",
)
@click.option("--fetched-at", metavar="TIME", help="When the answer was fetched; default: now.")
@click.option("--station", help="Take only this station out of a file of several.")
@click.option(
    "--archive",
    type=click.Choice(["historical-forecast", "archive"]),
    default="historical-forecast",
    show_default=True,
    help="Open-Meteo's past: which of its two archives the answer is from.",
)
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
    archive: "Archive",
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
        read_file(file, LARGEST_WEATHER_MB, MOST_WEATHER_LINES),
        file.name,
        fetched,
        station=station,
        archive=archive,
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
                f"--column {text!r:.80} cannot be read; expected VARIABLE=HEADER:UNIT, "
                f"for example wind_gust_ms=Gust:mph, with a variable out of {', '.join(VARIABLES)}. Nothing was stored."
            )
        mapped[variable] = (header, unit) if colon else (rest, VARIABLES[variable].unit)
    return LoggerMapping(time_column, mapped, time_zone, "start" if time_is == "start" else "end")


@command.command("sources")
@yard_option
@click.option("--use", type=click.Choice(SERVICES), metavar="NAME", help="Ask this service from now on.")
@click.option("--station", default="", help="With --use: its station; default: the nearest, looked up.")
@click.option("--drop", type=click.Choice(SERVICES), metavar="NAME", help="Ask it no more; its hours are kept.")
@click.option("--auto", is_flag=True, help="Let stormwalk choose services and stations anew.")
@click.option(
    "--order", metavar="NAMES", help='Believe these first, best first, with commas; "usual" for the usual order.'
)
@click.option("--variable", default="", help="With --order: for this variable alone.")
@json_option
@with_database
def choose(
    conn: sqlite3.Connection,
    yard_key: str | None,
    use: str | None,
    station: str,
    drop: str | None,
    auto: bool,
    order: str | None,
    variable: str,
    as_json: bool,
) -> None:
    """Show or set the services that a yard asks.

    Also with which station, and which source is believed first.

    Example: stormwalk weather sources --yard north --use metar-archive --station PWM
    """
    from monitor.operations import sources as operations

    yard = the_yard(conn, yard_key)
    if (station and not use) or (variable and order is None):
        raise click.UsageError("--station goes with --use, and --variable with --order.")
    said = []
    if auto:
        said.append(operations.choose_again(conn, yard, now()))
    if drop is not None:
        said.append(operations.drop_source(conn, yard, drop, now()))
    if use is not None:
        said.append(operations.use_source(conn, yard, use, station, now()))
    if order is not None:
        said.append(operations.set_order(conn, yard, order, variable, now()))
    for sentence in said:
        click.echo(sentence, err=as_json)
    if said and not as_json:
        return
    used = operations.used_sources(conn, yard)
    rows = [{"source": of.source, "station": of.station, "why": operations.choice_text(of)} for of in used]
    print_rows({"source": "source", "station": "station or place", "why": "why"}, rows, as_json=as_json)


@command.command("hand")
@yard_option
@click.option("--at", metavar="TIME", help="When it was read; default: now.")
@click.option("--by", required=True, help="Who read it.")
@click.option("--snow-depth", metavar="DEPTH", help="Snow lying on the ground, by a stake: 6in, 15cm.")
@click.option("--new-snow", metavar="DEPTH", help="New snow since the board was cleared: 4in, 10cm.")
@click.option("--rain", metavar="AMOUNT", help="Rain in the gauge: 0.4in, 10mm.")
@click.option("--precipitation", metavar="AMOUNT", help="Rain, or snow melted, in the gauge.")
@click.option("--over", "over_h", type=click.IntRange(1, 72), default=1, show_default=True, help="Hours it collected.")
@click.option("--gust", metavar="SPEED", help="Highest gust of the hour: 45mph, 20m/s, 39kt.")
@click.option("--air", metavar="TEMPERATURE", help="Air temperature: 28°F, -2°C.")
@with_database
def by_hand(
    conn: sqlite3.Connection,
    yard_key: str | None,
    at: str | None,
    by: str,
    snow_depth: str | None,
    new_snow: str | None,
    rain: str | None,
    precipitation: str | None,
    over_h: int,
    gust: str | None,
    air: str | None,
) -> None:
    """Keep what you read at the yard by hand.

    It is believed before any station or model. Readings of the same hour are joined. What a gauge collected over
    several hours is divided evenly over them.

    Example: stormwalk weather hand --at "2026-02-21 07:00" --snow-depth 6in --by Ida
    """
    from monitor.operations import weather as operations
    from monitor.weather.providers.hand import reading

    yard = the_yard(conn, yard_key)
    if rain is not None and precipitation is not None:
        raise click.UsageError("--rain is all that fell, as rain; give --precipitation instead where snow was in it.")
    given = {
        "snow_depth_m": snow_depth,
        "snowfall_depth_mm": new_snow,
        "rain_mm": rain,
        "precipitation_mm": precipitation if rain is None else rain,
        "wind_gust_ms": gust,
        "air_temperature_c": air,
    }
    values = {variable: reading(variable, text) for variable, text in given.items() if text is not None}
    if not values:
        raise click.UsageError("Give at least one reading, such as --snow-depth 6in.")
    read_at = now() if at is None else past_moment(at, yard.time_zone, "--at")
    report = operations.record_reading(conn, yard, values, at=read_at, by=by, recorded_at=now(), over_h=over_h)
    click.echo(report.sentence)


@command.command("status")
@yard_option
@json_option
@with_database
def status(conn: sqlite3.Connection, yard_key: str | None, as_json: bool) -> None:
    """Show how new, complete and clean each source is.

    Also why it is used, what is in force, and a check against measured days.

    Example: stormwalk weather status --json
    """
    from monitor.operations.weather_status import weather_status

    yard = the_yard(conn, yard_key)
    report = weather_status(conn, yard, now())
    if as_json:
        print_json(report)
        return
    for sentence in report_lines(report, yard):
        click.echo(sentence)


def report_lines(report: dict[str, Any], yard: "Yard") -> list[str]:
    """A yard's status in words."""
    local = _on_the_clock_of(yard)
    lines = []
    if not any(source["hours"] for source in report["sources"]):
        lines.append(f'No weather yet for yard {yard.key}: "stormwalk weather refresh" or "stormwalk weather import".')
    else:
        age = "not known" if report["data_age_h"] is None else f"{age_text(report['data_age_h'])} old"
        lines.append(f"Newest hour of temperature or wind: {age}")
        lines.append(f"Last 24 h of all sources together: {_coverage_text(report['coverage'])}")
    for alert in report["alerts"]:
        lines.append(f"In force: {alert['event']}, from {local(alert['onset'])} to {local(alert['ends'])}")
    for source in report["sources"]:
        lines += status_lines(source, yard)
    lines += [f"{name}: no station near enough, not asked" for name in report["without_station"]]
    for check in report["daily_check"]["largest"].values():
        lines.append(_check_text(check, yard))
    return lines


def status_lines(source: dict[str, Any], yard: "Yard") -> list[str]:
    """A source's status in words."""
    local = _on_the_clock_of(yard)
    lines = [f"{source['source']}: {source['hours']} hours"]
    if source["newest_hour"] is not None:
        lines[0] += f", newest {local(source['newest_hour'])} ({age_text(source['age_h'])} old)"
    if source["complete_share"] is not None:
        lines[0] += f", {_share_text(source['complete_share'])} complete"
    if source["forecast_to"] is not None:
        lines.append(f"  forecast to {local(source['forecast_to'])}")
    lines.append(f"  {source['choice']['sentence']}" if source["used"] else "  not asked by this yard")
    if source["coverage"] and source["newest_hour"] is not None:
        lines.append(f"  last 24 h: {_coverage_text(source['coverage'])}")
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
    return [*lines, f"  {source['credit']}", f"  {source['terms']}"]


def _on_the_clock_of(yard: "Yard") -> Callable[[str], str]:
    from datetime import datetime

    from monitor.wording import local_text

    return lambda text: local_text(datetime.fromisoformat(text), yard.time_zone)


def _coverage_text(coverage: dict[str, dict[str, int]]) -> str:
    parts = []
    for name, of in coverage.items():
        none = f", none reported in {of['none_reported']}" if of["none_reported"] else ""
        parts.append(f"{VARIABLES[name].label} known in {of['known']} of {of['of']} h{none}")
    return "; ".join(parts)


def _check_text(check: dict[str, Any], yard: "Yard") -> str:
    """The day on which the hours are furthest from what a daily station measured."""
    from monitor.units import show_length, show_speed, show_water

    units = yard.display_units
    measured, of_hours, apart = check["measured"], check["of_hours"], abs(check["difference"])
    if check["quantity"] == "snowfall_depth_mm":
        label, texts = "new snow", [show_length(mm / 1000, units) for mm in (measured, of_hours, apart)]
    elif check["quantity"] == "precipitation_mm":
        label, texts = "precipitation", [show_water(mm, units) for mm in (measured, of_hours, apart)]
    else:
        label, texts = "top gust", [show_speed(ms, units) for ms in (measured, of_hours, apart)]
    more = "more" if check["difference"] > 0 else "less"
    return (
        f"Check, furthest off: {label} of {check['day']} was {texts[0]} at {check['station']}, {texts[1]} by the "
        f"hours, {texts[2]} {more}"
    )


def _share_text(share: float) -> str:
    """Whole per cent, and 100 only for all."""
    return "100 %" if share == 1 else f"{min(round(100 * share), 99)} %"


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
    from monitor.operations import weather_status as operations

    yard = the_yard(conn, yard_key)
    known = now() if as_of is None else moment(as_of, yard.time_zone, "--as-of")
    one_format(as_json, as_csv)
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
