"""``stormwalk report condition``: what a boat's cover went through and how it stands, as a page or a PDF."""

import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import (
    now,
    out_file,
    past_moment,
    the_yard,
    with_database,
    write_file,
    write_out,
    yard_option,
)


@click.command("condition")
@click.argument("boat")
@yard_option
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment; default: now.")
@click.option("--ranking", "ranking_id", metavar="ID", help="The state of a kept ranking, judged by its curves.")
@click.option("--out", type=out_file, metavar="FILE", help="Write the HTML page here.")
@click.option("--pdf", type=out_file, metavar="FILE", help="Write a PDF here; needs the pdf extra.")
@click.option("--with-owner", is_flag=True, help="Put the owner's name on it; never the contact.")
@with_database
def command(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    as_of: str | None,
    ranking_id: str | None,
    out: Path | None,
    pdf: Path | None,
    with_owner: bool,
) -> None:
    """Condition of BOAT's cover this season, for its owner.

    A page of plain words first, then the season as a chart, storms, photos, build, log, and the model beside what was
    seen. Where neither file is named, the page is written into the working folder under yard, boat and day.

    Example: stormwalk report condition 07 --pdf kestrel.pdf
    """
    if as_of is not None and ranking_id is not None:
        raise click.UsageError("--as-of and --ranking exclude each other: a ranking has its own moment.")
    from monitor.operations.condition import condition_report, report_name, state_of_ranking
    from monitor.operations.photos import photo_folder

    database: Path = click.get_current_context().find_root().obj
    yard = the_yard(conn, yard_key)
    if ranking_id is not None:
        state = state_of_ranking(conn, yard, ranking_id)
        yard, moment, known_at, parameters = state.yard, state.as_of, state.known_at, state.parameters
        again = f"--ranking {state.id[:8]}"
    else:
        moment = now() if as_of is None else past_moment(as_of, yard.time_zone, "--as-of")
        known_at, parameters, again = moment, None, ""
    html = condition_report(
        conn,
        photo_folder(database),
        yard,
        boat,
        as_of=moment,
        known_at=known_at,
        with_owner=with_owner,
        parameters=parameters,
        again=again,
    )
    if pdf is not None:
        from monitor.documents.pdf import to_pdf

        write_file(pdf, to_pdf(html))
    if out is not None or pdf is None:
        write_out(out or Path(f"{report_name(yard, boat, moment)}.html"), html)
