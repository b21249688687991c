"""``stormwalk dashboard``: the pages of a yard, in a folder that opens from disk."""

import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import ranking_moments, the_yard, with_database, yard_option
from monitor.errors import StormwalkError


@click.command("dashboard")
@yard_option
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), default=Path("pages"), show_default=True)
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@with_database
def command(conn: sqlite3.Connection, yard_key: str | None, out: Path, as_of: str | None, hindsight: bool) -> None:
    """Write the pages of a yard; open index.html in any browser, with or without network.

    Example: stormwalk dashboard --out pages
    """
    from dashboards import write_pages
    from monitor.operations import ranking as operations
    from monitor.operations.season_review import season_of_yard

    yard = the_yard(conn, yard_key)
    when, known = ranking_moments(as_of, hindsight, yard.time_zone)
    assessment = operations.assess_yard(
        conn, yard, as_of=when, known_at=known, with_series=True, outlook_h=operations.OUTLOOK_H
    )
    season = season_of_yard(conn, yard, until=when, hindsight=hindsight)
    try:
        index = write_pages(out, assessment, season)
    except OSError as error:
        raise StormwalkError(f"{out} cannot be written: {error.strerror}. Choose another folder with --out.") from None
    click.echo(f"Wrote {index} and a page for each of {len(assessment.covers)} covers.")
