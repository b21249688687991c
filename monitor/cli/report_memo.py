"""``stormwalk report memo``: whether the numbers support one proposal for one boat's cover, as a page or a PDF."""

import sqlite3
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from monitor.cli.inputs import (
    moment,
    out_file,
    ranking_moments,
    the_yard,
    with_database,
    write_file,
    write_out,
    yard_option,
)
from monitor.cli.whatif import change_from, change_options
from monitor.errors import StormwalkError
from monitor.exchange.change_options import BUILD_OPTIONS, DAY_OPTIONS, LONGEST_PRICE, PRICE, RETENSIONED_AT


@click.command("memo")
@click.argument("boat")
@yard_option
@change_options((*BUILD_OPTIONS, *DAY_OPTIONS))
@click.option(
    "--retensioned-at",
    metavar="TIME",
    multiple=True,
    help=f"{RETENSIONED_AT.meaning} May be given again.",
)
@click.option("--price", metavar="TEXT", default="", help=PRICE.meaning)
@click.option("--with-owner", is_flag=True, help="Show the owner's name and contact.")
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@click.option("--out", type=out_file, metavar="FILE", help="Write the HTML page here; default: standard output.")
@click.option("--pdf", type=out_file, metavar="FILE", help="Write a PDF here; needs the pdf extra.")
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

        write_file(pdf, to_pdf(html))
    if out is not None or pdf is None:
        write_out(out, html)


def _moments(texts: tuple[str, ...], time_zone: str) -> list[datetime]:
    return [moment(text, time_zone, "--retensioned-at") for text in texts]
