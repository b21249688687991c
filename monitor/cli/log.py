"""``stormwalk log``: what was seen and done at a cover, once and for good; a correction is a new entry."""

import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import (
    csv_option,
    json_option,
    now,
    past_moment,
    print_rows,
    read_file,
    the_yard,
    with_database,
    write_out,
    yard_option,
)
from monitor.errors import LogError, StoreError
from monitor.inspections import ACTIONS, DEFECTS, PLACES
from monitor.register import DISPLAY_UNITS

at_option = click.option(
    "--at", metavar="TIME", help="When it happened, on the yard's clock; default: now, in a correction as before."
)
by_option = click.option("--by", required=True, metavar="NAME", help="Who.")
note_option = click.option("--note", default="", help="In your own words.")
corrects_option = click.option("--corrects", metavar="ID", help="The entry that this one corrects.")


@click.group("log")
def command() -> None:
    """Log inspections, findings, actions and photos.

    Example: stormwalk log inspection 07 --by Ida --finding "loose_band@port:2"
    """


@command.command("inspection", epilog=f"DEFECT is one of {', '.join(DEFECTS)}; PLACE one of {', '.join(PLACES)}.")
@click.argument("boat")
@yard_option
@by_option
@at_option
@click.option("--inside", is_flag=True, help="Somebody also looked inside.")
@click.option(
    "--finding",
    "findings",
    multiple=True,
    metavar="DEFECT@PLACE:SEVERITY[:NOTE]",
    help="What was found; repeat for each. Left out: all was sound.",
)
@click.option("--snow-depth", metavar="LENGTH", help="Measured on the flattest part, with its unit: 6in, 15cm.")
@click.option("--snow-water-mm", type=click.FloatRange(0, 2000), help="Measured water of that snow, in mm (kg/m2).")
@click.option("--band-drop", metavar="LENGTH", help="Perimeter band below the rub rail, with its unit: 8in, 20cm.")
@click.option("--gust-seen", metavar="SPEED", help="Read off a meter while there, with its unit: 28kn, 14m/s.")
@note_option
@corrects_option
@with_database
def inspection(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    by: str,
    at: str | None,
    inside: bool,
    findings: tuple[str, ...],
    snow_depth: str | None,
    snow_water_mm: float | None,
    band_drop: str | None,
    gust_seen: str | None,
    note: str,
    corrects: str | None,
) -> None:
    """Log that somebody checked the cover of BOAT.

    Without a finding it says that all was sound.

    Example: stormwalk log inspection 07 --by Ida --at "2026-02-22 09:40" --snow-depth 6in
    """
    from monitor.exchange.entry_values import finding_from_text, length_from_text, speed_from_text
    from monitor.operations import log as operations

    yard = the_yard(conn, yard_key)
    entry = operations.record_inspection(
        conn,
        yard,
        boat,
        inspector=by,
        inspected_at=None if at is None else past_moment(at, yard.time_zone, "--at"),
        recorded_at=now(),
        inside=inside,
        findings=[finding_from_text(text) for text in findings],
        snow_depth_m=length_from_text(snow_depth, "--snow-depth"),
        snow_water_mm=snow_water_mm,
        band_drop_m=length_from_text(band_drop, "--band-drop"),
        gust_seen_ms=speed_from_text(gust_seen, "--gust-seen"),
        note=note,
        corrects_id=corrects,
    )
    for sentence in entry:
        click.echo(sentence)


@command.command("finding")
@click.argument("boat")
@yard_option
@click.option("--defect", type=click.Choice(DEFECTS), required=True)
@click.option("--place", type=click.Choice(PLACES), required=True)
@click.option(
    "--severity", type=click.IntRange(0, 3), required=True, help="0 sound, 1 watch, 2 repair soon, 3 make safe now."
)
@click.option(
    "--inspection", "inspection_id", metavar="ID", help="Default: the boat's inspection of the last 12 hours."
)
@note_option
@corrects_option
@with_database
def finding(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    defect: str,
    place: str,
    severity: int,
    inspection_id: str | None,
    note: str,
    corrects: str | None,
) -> None:
    """Add a finding to an inspection of BOAT, or correct one.

    Example: stormwalk log finding 07 --defect chafe --place bow --severity 1
    """
    from monitor.exchange.entry_values import NewFinding
    from monitor.operations import log as operations

    for sentence in operations.record_finding(
        conn,
        the_yard(conn, yard_key),
        boat,
        NewFinding(defect, place, severity, note),
        recorded_at=now(),
        inspection_id=inspection_id,
        corrects_id=corrects,
    ):
        click.echo(sentence)


@command.command("action")
@click.argument("boat")
@yard_option
@click.option("--action", "name", type=click.Choice(ACTIONS), required=True)
@by_option
@at_option
@click.option("--quantity", type=click.FloatRange(0, 1000), help="How many, for vents and posts.")
@click.option("--finding", "finding_id", metavar="ID", help="The finding that this puts right.")
@note_option
@corrects_option
@with_database
def action(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    name: str,
    by: str,
    at: str | None,
    quantity: float | None,
    finding_id: str | None,
    note: str,
    corrects: str | None,
) -> None:
    """Log what was done at the cover of BOAT.

    It changes the modelled state from its moment on: cleared snow is gone, vents and posts with a --quantity make a
    new build, a re-wrap starts a new cover.

    Example: stormwalk log action 07 --action retensioned_band --by Ida
    """
    from monitor.operations import log as operations

    yard = the_yard(conn, yard_key)
    for sentence in operations.record_action(
        conn,
        yard,
        boat,
        action=name,
        actor=by,
        acted_at=None if at is None else past_moment(at, yard.time_zone, "--at"),
        recorded_at=now(),
        quantity=quantity,
        finding_id=finding_id,
        note=note,
        corrects_id=corrects,
    ):
        click.echo(sentence)


@command.command("photo")
@click.argument("boat", required=False)
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@yard_option
@by_option
@click.option("--inspection", "inspection_id", metavar="ID", help="What it shows; default: the last 12 hours' one.")
@click.option("--finding", "finding_id", metavar="ID", help="The finding that it shows.")
@click.option("--action", "action_id", metavar="ID", help="The action that it shows.")
@click.option("--at", metavar="TIME", help="When it was taken; default: as the camera says, else now.")
@click.option("--withdraw", metavar="ID", help="Take this photo out of all that is shown; its file is kept.")
@note_option
@with_database
def photo(
    conn: sqlite3.Connection,
    boat: str | None,
    files: tuple[Path, ...],
    yard_key: str | None,
    by: str,
    inspection_id: str | None,
    finding_id: str | None,
    action_id: str | None,
    at: str | None,
    withdraw: str | None,
    note: str,
) -> None:
    """Log photos FILES of BOAT, or withdraw one.

    JPEG, PNG or WebP. The originals are kept as they are, in a folder beside the database.

    Example: stormwalk log photo 07 IMG_0412.jpg --by Ida --note "port, aft of post 2"
    """
    from monitor.operations import photos as operations
    from monitor.pictures import LARGEST_PHOTO_BYTES
    from monitor.store.connection import write

    yard = the_yard(conn, yard_key)
    if withdraw is not None:
        if boat is not None or files or inspection_id or finding_id or action_id or at:
            raise click.UsageError("--withdraw goes with --by and --note alone.")
        for sentence in operations.withdraw_photo(conn, yard, withdraw, by=by, at=now(), note=note):
            click.echo(sentence)
        return
    if boat is None or not files:
        raise click.UsageError("Name the boat and its photos, or a photo to --withdraw.")
    moment = now()
    if inspection_id is None and finding_id is None and action_id is None:
        inspection_id = operations.recent_inspection(conn, yard, boat, moment)
    said = []
    with write(conn):
        for file in files:
            try:
                said += operations.record_photo(
                    conn,
                    operations.photo_folder(_database()),
                    yard,
                    photo_id=None,
                    data=read_file(file, LARGEST_PHOTO_BYTES / 1e6),
                    inspection_id=inspection_id,
                    finding_id=finding_id,
                    action_id=action_id,
                    boat=boat,
                    taken_at=None if at is None else past_moment(at, yard.time_zone, "--at"),
                    recorded_at=moment,
                    taken_by=by,
                    note=note,
                )
            except (LogError, StoreError) as error:
                none = f" None of the {len(files)} photos was logged." if len(files) > 1 else ""
                raise LogError(f"{file}: {error}{none}") from None
    for sentence in said:
        click.echo(sentence)


@command.command("import")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@yard_option
@click.option("--by", default="", metavar="NAME", help="Who, where the file does not say.")
@click.option(
    "--photos",
    "photo_files",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Folder of the photos that the file names.",
)
@click.option("--check", is_flag=True, help="Try everything, and log nothing.")
@with_database
def import_entries(
    conn: sqlite3.Connection, file: Path, yard_key: str | None, by: str, photo_files: Path | None, check: bool
) -> None:
    """Load inspections from a file, CSV or a phone's JSON.

    Every problem is named at once, and nothing is loaded when one row is bad. The same file again changes nothing.
    "stormwalk log columns" describes the file.

    Example: stormwalk log import paper.csv --photos scans --check
    """
    from monitor.exchange.log_files import LARGEST_FILE_BYTES
    from monitor.operations import log_import as operations
    from monitor.operations.photos import photo_folder

    for sentence in operations.import_log(
        conn,
        the_yard(conn, yard_key),
        read_file(file, LARGEST_FILE_BYTES / 1e6),
        file.name,
        now=now(),
        by=by,
        photo_files=photo_files,
        photo_folder=photo_folder(_database()),
        check=check,
    ):
        click.echo(sentence)


@command.command("export")
@yard_option
@click.option("--units", type=click.Choice(DISPLAY_UNITS), default="metric", show_default=True)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write; standard output else.")
@with_database
def export_entries(conn: sqlite3.Connection, yard_key: str | None, units: str, out: Path | None) -> None:
    """Write the log, corrected entries too, as a CSV file.

    "log import" takes it back unchanged. Photos are not in it.

    Example: stormwalk log export --out log.csv
    """
    from monitor.operations import log_import as operations

    write_out(out, operations.export_log(conn, the_yard(conn, yard_key), units))


@command.command("columns")
def columns() -> None:
    """Describe every column of an inspection file.

    Example: stormwalk log columns
    """
    from monitor.exchange.log_columns import log_columns_help

    click.echo(log_columns_help())


@command.command("list")
@click.argument("boat", required=False)
@yard_option
@click.option("--history", is_flag=True, help="Corrected entries too.")
@json_option
@csv_option
@with_database
def list_entries(
    conn: sqlite3.Connection, boat: str | None, yard_key: str | None, history: bool, as_json: bool, as_csv: bool
) -> None:
    """List what was logged, oldest first, photos too.

    Example: stormwalk log list 07 --csv
    """
    from monitor.operations import log as operations
    from monitor.operations.photos import photo_rows
    from monitor.wording import local_text, utc_text

    yard = the_yard(conn, yard_key)
    columns = {
        "at": "at",
        "boat": "boat",
        "entry": "entry",
        "what": "what",
        "who": "who",
        "note": "note",
        "corrects": "corrects",
        "id": "id",
    }
    rows = operations.log_rows(conn, yard, boat, history=history, raw=as_json or as_csv) + photo_rows(conn, yard, boat)
    rows.sort(key=lambda row: (row["at"], row["boat"]))
    if as_json or as_csv:
        for row in rows:
            row["at"] = utc_text(row["at"])
    else:
        for row in rows:
            corrected = (row["corrects"] or "")[:8]
            row |= {"at": local_text(row["at"], yard.time_zone), "id": row["id"][:8], "corrects": corrected}
    print_rows(columns, rows, as_json=as_json, as_csv=as_csv)


def _database() -> Path:
    """The file of the database, beside which the photos lie."""
    path: Path = click.get_current_context().find_root().obj
    return path
