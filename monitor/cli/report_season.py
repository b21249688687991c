"""``stormwalk report season``: what the season did and how well the list foresaw it, as a page or a PDF."""

import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import moment, now, out_file, past_moment, the_yard, with_database, write_out, yard_option
from monitor.errors import StormwalkError


@click.command("season")
@yard_option
@click.option("--until", metavar="TIME", help="End of the season; default: now.")
@click.option("--start", metavar="TIME", help="Its begin; default: the first wrapping.")
@click.option("--hindsight", is_flag=True, help="Judge by what is known now of the time before each walk.")
@click.option("--out", type=out_file, metavar="FILE", help="Write the HTML page here; default: standard output.")
@click.option("--pdf", type=out_file, metavar="FILE", help="Write a PDF here; needs the pdf extra.")
@with_database
def command(
    conn: sqlite3.Connection,
    yard_key: str | None,
    until: str | None,
    start: str | None,
    hindsight: bool,
    out: Path | None,
    pdf: Path | None,
) -> None:
    """Write the review of a season: whether the list was worth following, for the yard alone.

    Plain words first, then the list against simpler orders, scores against what was seen, findings by month, what
    vents, slope and re-tensioning went together with, curves to accept or leave, and covers to build otherwise next
    autumn. Nothing is stored or changed.

    Example: stormwalk report season --until 2026-04-15 --pdf season.pdf
    """
    from monitor.operations.season_review import season_document

    yard = the_yard(conn, yard_key)
    present = now()
    end = present if until is None else past_moment(until, yard.time_zone, "--until")
    begin = None if start is None else moment(start, yard.time_zone, "--start")
    html = season_document(
        conn, yard, until=end, known_at=present if hindsight else end, start=begin, hindsight=hindsight
    )
    if pdf is not None:
        from monitor.documents.pdf import to_pdf

        _write_bytes(pdf, to_pdf(html))
    if out is not None or pdf is None:
        write_out(out, html)


def _write_bytes(out: Path, content: bytes) -> None:
    try:
        out.write_bytes(content)
    except OSError as error:
        raise StormwalkError(f"{out} cannot be written: {error.strerror}.") from None
    click.echo(f"Wrote {out}.", err=True)
