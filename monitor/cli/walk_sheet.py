"""``stormwalk walk sheet``: a planned walk on paper, as an HTML page or a PDF."""

import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import now, out_file, the_yard, with_database, write_file, write_out, yard_option


@click.command("sheet")
@click.argument("walk", required=False)
@yard_option
@click.option("--party", metavar="NAME", default="", help="Only the sheet of the party in which this person walks.")
@click.option("--out", type=out_file, metavar="FILE", help="Write the HTML page here; default: standard output.")
@click.option("--pdf", type=out_file, metavar="FILE", help="Write a PDF here; needs the pdf extra.")
@click.option("--base-url", metavar="URL", help="Where the web app is reached: each cover gets a QR code of its form.")
@with_database
def command(
    conn: sqlite3.Connection,
    walk: str | None,
    yard_key: str | None,
    party: str,
    out: Path | None,
    pdf: Path | None,
    base_url: str | None,
) -> None:
    """Write the sheet of a planned walk, for paper or screen.

    For each party the way, what to check on each cover and why, tools, cautions, and boxes to write in by hand.
    WALK is the walk's id or its beginning; left out it is the newest walk. The HTML page prints well by itself.

    Example: stormwalk walk sheet --pdf walk.pdf --base-url https://yard.example.org
    """
    from monitor.operations.walk_sheet import sheet_of_walk

    yard = the_yard(conn, yard_key)
    html = sheet_of_walk(conn, yard, walk, now=now(), party=party, base_url=base_url)
    if pdf is not None:
        from monitor.documents.pdf import to_pdf

        write_file(pdf, to_pdf(html))
    if out is not None or pdf is None:
        write_out(out, html)
