"""``stormwalk covers``: the register of boats and covers, in and out, and what their builds mean."""

import sqlite3
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from monitor.cli.inputs import (
    LARGEST_REGISTER_MB,
    json_option,
    now,
    print_json,
    read_file,
    the_yard,
    with_database,
    write_out,
    yard_option,
)
from monitor.register import DISPLAY_UNITS

if TYPE_CHECKING:
    from monitor.departures import CoverCheck
    from monitor.register import Cover


@click.group("covers")
def command() -> None:
    """Import, export and check the register of covers.

    Example: stormwalk covers import covers.csv
    """


@command.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@yard_option
@with_database
def import_covers(conn: sqlite3.Connection, file: Path, yard_key: str | None) -> None:
    """Load a register from a CSV file.

    Every problem is named at once, and nothing is loaded when one row is bad.
    Importing the same file again changes nothing. A row with a later built_on adds a build from that moment.

    Example: stormwalk covers import covers.csv --yard north
    """
    from monitor.operations import register as operations

    content = read_file(file, LARGEST_REGISTER_MB)
    click.echo(operations.import_covers(conn, the_yard(conn, yard_key), content, file.name, now()))


@command.command("export")
@yard_option
@click.option("--units", type=click.Choice(DISPLAY_UNITS), default="metric", show_default=True)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; standard output else.")
@with_database
def export_covers(conn: sqlite3.Connection, yard_key: str | None, units: str, out: Path | None) -> None:
    """Write the register as a CSV file.

    "covers import" reads it back unchanged.

    Example: stormwalk covers export --units us --out covers.csv
    """
    from monitor.operations import register as operations

    write_out(out, operations.export_covers(conn, the_yard(conn, yard_key), units))


@command.command("check")
@yard_option
@click.option(
    "--file", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Check a file before import."
)
@json_option
@with_database
def check_covers(conn: sqlite3.Connection, yard_key: str | None, file: Path | None, as_json: bool) -> None:
    """Show slopes, film and bands of each cover, and departures.

    A departure from common practice is shown with its effect; it is not refused.

    Example: stormwalk covers check --file covers.csv
    """
    from monitor.operations import register as operations

    yard = the_yard(conn, yard_key)
    source = None if file is None else (read_file(file, LARGEST_REGISTER_MB), file.name)
    checks = operations.check_covers(conn, yard, source, now())
    if as_json:
        rows = [
            {"boat": cover.boat.number, "wrapped_on": cover.wrapped_on.isoformat(), **asdict(check)}
            for cover, check in checks
        ]
        print_json(rows)
        return
    for cover, check in checks:
        for line in check_lines(cover, check, yard.display_units):
            click.echo(line)
    departing = sum(any(d.kind == "departs" for d in check.departures) for _, check in checks)
    click.echo(f"{len(checks)} covers, {departing} of them depart from common practice. A departure is not refused.")


def check_lines(cover: "Cover", check: "CoverCheck", units: str) -> list[str]:
    """A cover's numbers and departures in words."""
    from monitor.units import show_area, show_length

    slopes = ", ".join(f"{s.panel} {s.slope_deg:.0f} deg ({s.origin})" for s in check.slopes)
    flattest = f"flattest part {check.flattest_slope_deg:.0f} deg{'' if check.flattest_measured else ' (derived)'}"
    numbers = [
        "film width " + ("not known" if check.film_width_m is None else show_length(check.film_width_m, units)),
        "belly bands "
        + (
            "not known"
            if check.belly_band_spacing_m is None
            else f"every {show_length(check.belly_band_spacing_m, units)}"
        ),
        "vents "
        + ("not known" if check.vent_area_m2 is None else f"{show_area(check.vent_area_m2, units)} free in all"),
    ]
    return [
        f"{cover.boat.number} {cover.boat.name}, wrapped {cover.wrapped_on}",
        f"  {slopes}; {flattest}",
        f"  {'; '.join(numbers)}",
        *(f"  {'departs' if d.kind == 'departs' else 'missing'}: {d}" for d in check.departures),
    ]


@command.command("columns")
def columns() -> None:
    """Describe every column of covers.csv and yards.csv.

    Example: stormwalk covers columns
    """
    from monitor.exchange.register_columns import columns_help

    click.echo(columns_help())
