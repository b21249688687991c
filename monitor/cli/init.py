"""``stormwalk init``: a new, empty database."""

from pathlib import Path

import click


@click.command("init")
@click.pass_obj
def command(path: Path) -> None:
    """Make a new, empty database.

    A database that is there already is left as it is, and brought up to date.

    Example: stormwalk --db north.db init
    """
    from monitor.store.connection import connect

    there = path.exists()
    connect(path, create=True).close()
    click.echo(f"{path} is there already, and up to date." if there else f"Made {path}. Next: stormwalk yard add.")
