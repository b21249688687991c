"""``stormwalk restore``: a backup back into a database, at a new place."""

from pathlib import Path

import click

from monitor.cli.inputs import now


@click.command("restore")
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--to", required=True, metavar="NEW.db", type=click.Path(path_type=Path), help="The new database; none is there."
)
def command(file: Path, to: Path) -> None:
    """Bring the backup FILE back as a new database, its photos beside it. Nothing is ever overwritten.

    Every byte is checked before and after, an older database is brought up to date, and what was stored is looked at as
    "doctor" does. Accounts, sign-ins and guest links are again as they were when the backup was made.

    Example: stormwalk restore stormwalk-2026-02-22T0300Z.zip --to restored.db
    """
    from monitor.operations.backup import restore
    from monitor.wording import utc_text

    if not to.name:
        raise click.UsageError("--to names no file.")
    done = restore(file, to, now=now())
    photos = len(done.manifest.photos)
    click.echo(f"Restored {done.path} with {photos} photos, as of {utc_text(done.manifest.made_at)}.")
    for check in done.checks:
        if check.level != "ok":
            click.echo(f"{check.check}: {check.level}. {check.found} {check.to_do}", err=True)
    click.echo(
        f"Use it with --db {done.path}. Or stop the service, move the old database away with its -wal and -shm files "
        f'and its photos, and put this one there with its own. "doctor" looks at all of it.'
    )
