"""``stormwalk backup``: the database and its photos into one file."""

from pathlib import Path

import click

from monitor.cli.inputs import now


@click.command("backup")
@click.option("--to", metavar="FOLDER|FILE", type=click.Path(path_type=Path), help="A file's name ends in .zip.")
@click.option("--keep", metavar="N", type=click.IntRange(min=1), help="Remove older ones but for the newest N.")
@click.pass_obj
def command(path: Path, to: Path | None, keep: int | None) -> None:
    """Write the database and its photos into one dated file, while others use them.

    It goes into the folder named like the database, ending in .backups, unless --to names another folder or a file. It
    is read back before it gets its name. The file holds names, notes and password hashes: keep it like the database.

    With --keep, older dated backups of this database are removed from the folder afterwards. The newest N stay, and
    the last one of each of the newest 4 weeks and 12 months that have one.

    The service makes one each night at 02:00 on the yard's clock and keeps 7 so. STORMWALK_BACKUPS in its environment
    names another folder, or is "off"; STORMWALK_BACKUP_HOUR another hour.

    Example: stormwalk backup --to /media/stick --keep 5
    """
    from monitor.operations.backup import back_up

    for sentence in back_up(path, to, now=now(), keep=keep).sentences:
        click.echo(sentence)
