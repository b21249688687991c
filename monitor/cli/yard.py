"""``stormwalk yard``: add and list yards, and set how their hazards are judged."""

import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import (
    LARGEST_REGISTER_MB,
    json_option,
    now,
    print_rows,
    read_file,
    the_yard,
    with_database,
    write_out,
    yard_option,
)
from monitor.register import DISPLAY_UNITS, OPEN_METEO_PLANS, TERRAINS, Yard


@click.group("yard")
def command() -> None:
    """Add and list yards, and set how their hazards are judged.

    Example: stormwalk yard list
    """


@command.command("add")
@click.argument("key")
@click.option("--name", required=True, help="Name as it stands on pages and documents.")
@click.option("--latitude", type=click.FloatRange(-90, 90), required=True, help="Degrees, north positive.")
@click.option("--longitude", type=click.FloatRange(-180, 180), required=True, help="Degrees, east positive.")
@click.option(
    "--elevation-m", type=click.FloatRange(-430, 5000), default=0.0, show_default=True, help="Above the sea, in metres."
)
@click.option("--time-zone", required=True, help="IANA name, for example America/Halifax.")
@click.option(
    "--terrain", type=click.Choice(TERRAINS), default="open", show_default=True, help="What lies round the yard."
)
@click.option(
    "--units", type=click.Choice(DISPLAY_UNITS), default="metric", show_default=True, help="How numbers are shown."
)
@click.option("--contact", default="", help="E-mail or page that weather services are given as your contact.")
@click.option("--station", default="", help="Station of the METAR archive nearest to the yard, for example JFK.")
@click.option("--crew", type=click.IntRange(1), default=2, show_default=True, help="People on an inspection walk.")
@click.option(
    "--open-meteo-plan", type=click.Choice(OPEN_METEO_PLANS), default=None, help="Which terms you use it under."
)
@click.option("--quiet-hours", default="", metavar="FROM-TO", help="When nobody is told of a storm: 21:00-05:30.")
@with_database
def add(
    conn: sqlite3.Connection,
    key: str,
    name: str,
    latitude: float,
    longitude: float,
    elevation_m: float,
    time_zone: str,
    terrain: str,
    units: str,
    contact: str,
    station: str,
    crew: int,
    open_meteo_plan: str | None,
    quiet_hours: str,
) -> None:
    """Add a yard under a short KEY, or change the one that has it.

    Example: stormwalk yard add north --name "North Basin" --latitude 44.65 --longitude -63.57
    --time-zone America/Halifax
    """
    from monitor.operations import register as operations

    yard = Yard(
        key=key,
        name=name,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation_m,
        time_zone=time_zone,
        terrain=terrain,
        display_units=units,
        contact=contact,
        station=station,
        crew_size=crew,
        open_meteo_plan=open_meteo_plan or "",
        quiet_hours=quiet_hours,
    )
    click.echo(operations.save_yard(conn, yard))


@command.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@with_database
def import_yards(conn: sqlite3.Connection, file: Path) -> None:
    """Add or change yards from a CSV file.

    Every problem is named at once, and nothing is loaded when one row is bad.

    Example: stormwalk yard import yards.csv
    """
    from monitor.operations import register as operations

    click.echo(operations.import_yards(conn, read_file(file, LARGEST_REGISTER_MB), file.name))


@command.command("export")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; standard output else.")
@with_database
def export_yards(conn: sqlite3.Connection, out: Path | None) -> None:
    """Write all yards as a CSV file that "yard import" reads.

    Example: stormwalk yard export --out yards.csv
    """
    from monitor.operations import register as operations

    write_out(out, operations.export_yards(conn))


@command.command("list")
@json_option
@with_database
def list_yards(conn: sqlite3.Connection, as_json: bool) -> None:
    """List the yards.

    Example: stormwalk yard list --json
    """
    from dataclasses import asdict

    from monitor.store.register import yards

    columns = {
        "key": "key",
        "name": "name",
        "latitude_deg": "latitude",
        "longitude_deg": "longitude",
        "elevation_m": "elevation m",
        "time_zone": "time zone",
        "terrain": "terrain",
        "station": "station",
        "open_meteo_plan": "Open-Meteo plan",
    }
    print_rows(columns, [asdict(yard) for yard in yards(conn)], as_json=as_json)


@command.command("curves")
@yard_option
@click.option(
    "--set",
    "setting",
    nargs=3,
    type=(str, float, float),
    metavar="HAZARD X10 X50",
    help="Exposures at which 1 in 10 and 1 in 2 covers need a hand.",
)
@click.option("--reason", default="", help="Why; kept with the new numbers.")
@json_option
@with_database
def curves(
    conn: sqlite3.Connection, yard_key: str | None, setting: tuple[str, float, float] | None, reason: str, as_json: bool
) -> None:
    """Show or set the curves that turn exposures into scores.

    Example: stormwalk yard curves --set snow 0.10 0.35 --reason "old film, two sags last winter"
    """
    from monitor.operations import register as operations

    yard = the_yard(conn, yard_key)
    if setting is not None:
        operations.set_curve(conn, yard, *setting, reason=reason, now=now())
    columns = {
        "hazard": "hazard",
        "exposure": "exposure",
        "unit": "unit",
        "x10": "1 in 10",
        "x50": "1 in 2",
        "by": "by",
    }
    print_rows(columns, operations.curve_rows(conn, yard), as_json=as_json)
