"""``stormwalk report memo``: whether the numbers support one proposal for one boat's cover, as a page or a PDF."""

import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from monitor.cli.inputs import moment, ranking_moments, the_yard, with_database, write_out, yard_option
from monitor.cli.whatif import MOST_VENTS, change_from
from monitor.errors import StormwalkError
from monitor.register import FILM_COLOURS, GROUNDS

file_type = click.Path(dir_okay=False, path_type=Path)

LONGEST_PRICE = 200


@click.command("memo")
@click.argument("boat")
@yard_option
@click.option("--vents", type=click.IntRange(0, MOST_VENTS), help="So many vents.")
@click.option("--vent-area", metavar="AREA", help="Free area of each vent, such as 18in2 or 115cm2.")
@click.option("--ridge-raise", metavar="LENGTH", help="A ridge so much higher, such as 12in or 30cm.")
@click.option("--belly-spacing", metavar="LENGTH", help="Belly bands so far apart, such as 6ft or 1.8m.")
@click.option("--ground", type=click.Choice(GROUNDS), help="Ground under the boat.")
@click.option("--film-colour", type=click.Choice(FILM_COLOURS), help="Colour of the film.")
@click.option("--retension", is_flag=True, help="All bands re-tensioned now.")
@click.option("--rewrap", is_flag=True, help="New film now.")
@click.option(
    "--retensioned-at",
    metavar="TIME",
    multiple=True,
    help="With --retension: the season's slack as if it had been done then too; may be given again.",
)
@click.option("--price", metavar="TEXT", default="", help="The yard's price, as it is to stand there.")
@click.option("--with-owner", is_flag=True, help="Show the owner's name and contact.")
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@click.option("--out", type=file_type, metavar="FILE", help="Write the HTML page here; default: standard output.")
@click.option("--pdf", type=file_type, metavar="FILE", help="Write a PDF here; needs the pdf extra.")
@with_database
@click.pass_obj
def command(
    database: Path,
    /,
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    retension: bool,
    rewrap: bool,
    retensioned_at: tuple[str, ...],
    price: str,
    with_owner: bool,
    as_of: str | None,
    hindsight: bool,
    out: Path | None,
    pdf: Path | None,
    **given: Any,
) -> None:
    """Write a memo on one proposal for BOAT's cover: whether the numbers support it, and what they rest on.

    It may speak against the proposal. Before and after are those of "stormwalk whatif". Nothing is stored.

    Example: stormwalk report memo 07 --vents 8 --price "USD 120" --pdf memo.pdf
    """
    from monitor.operations.memo import memo_of_boat
    from monitor.operations.photos import photo_folder
    from monitor.presentation.proposal import Proposal

    if not (retension or rewrap or any(value is not None for value in given.values())):
        raise click.UsageError(
            "Nothing is proposed: say what with one or more of --vents, --vent-area, --ridge-raise, --belly-spacing, "
            "--ground, --film-colour, --retension and --rewrap."
        )
    if retensioned_at and not retension:
        raise click.UsageError("--retensioned-at goes with --retension.")
    if len(price) > LONGEST_PRICE:
        raise StormwalkError(
            f"--price: {len(price)} characters, expected at most {LONGEST_PRICE}. No memo was written."
        )
    yard = the_yard(conn, yard_key)
    change = change_from({**given, "retension": (), "clear": (), "since": None}, yard)
    when, known = ranking_moments(as_of, hindsight, yard.time_zone)
    html = memo_of_boat(
        conn,
        yard,
        boat,
        Proposal(change, retension, rewrap),
        as_of=when,
        known_at=known,
        photos=photo_folder(database),
        retensioned_at=_moments(retensioned_at, yard.time_zone),
        price=price.strip(),
        with_owner=with_owner,
    )
    if pdf is not None:
        from monitor.documents.pdf import to_pdf

        _write_bytes(pdf, to_pdf(html))
    if out is not None or pdf is None:
        write_out(out, html)


def _moments(texts: tuple[str, ...], time_zone: str) -> list[datetime]:
    return [moment(text, time_zone, "--retensioned-at") for text in texts]


def _write_bytes(out: Path, content: bytes) -> None:
    try:
        out.write_bytes(content)
    except OSError as error:
        raise StormwalkError(f"{out} cannot be written: {error.strerror}.") from None
    click.echo(f"Wrote {out}.", err=True)
