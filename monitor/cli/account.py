"""``stormwalk account``: who may use the web app, kept by whoever sits at the computer that runs it."""

import sqlite3
import sys
from collections.abc import Callable

import click

from monitor.cli.inputs import json_option, now, print_rows, with_database
from monitor.errors import StormwalkError
from monitor.store.accounts import ROLES

password_option = click.option(
    "--password-stdin", "from_stdin", is_flag=True, help="Read the password from standard input, its first line."
)

LONGEST_LINE = 2000
"""Letters read of standard input; a password with more is refused for its length all the same."""


@click.group("account")
def command() -> None:
    """Who may use the web app: add people, give new passwords, close accounts.

    Whoever can run this on the computer may do all of it: no password is asked for but the new ones.

    Example: stormwalk account list
    """


@command.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(ROLES), required=True, help="A lead may do all; crew walks and logs.")
@password_option
@with_database
def add(conn: sqlite3.Connection, name: str, role: str, from_stdin: bool) -> None:
    """Add an account for NAME, as it is to stand in the log. The password is asked twice and not shown.

    The first account is a lead's.

    Example: stormwalk account add "Ida Berg" --role lead
    """
    from monitor.operations import accounts as operations

    operations.check_new_name(conn, name)  # before a password is asked for
    added = operations.add_account(conn, name, role, _new_password(from_stdin), now())
    click.echo(f"{added.name} may sign in as {added.role}.")


@command.command("list")
@json_option
@with_database
def list_accounts(conn: sqlite3.Connection, as_json: bool) -> None:
    """List the accounts.

    Open ones come first, each with how many browsers are signed in.

    Example: stormwalk account list --json
    """
    from monitor.store.accounts import accounts, session_counts
    from monitor.wording import utc_text

    counts = session_counts(conn, now())
    columns = {"name": "name", "role": "role", "created_at": "added", "closed_at": "closed", "sessions": "signed in"}
    rows = [
        {
            "name": each.name,
            "role": each.role,
            "created_at": utc_text(each.created_at),
            "closed_at": None if each.closed_at is None else utc_text(each.closed_at),
            "sessions": counts.get(each.id, 0),
        }
        for each in accounts(conn)
    ]
    print_rows(columns, rows, as_json=as_json)


@command.command("password")
@click.argument("name")
@password_option
@with_database
def password(conn: sqlite3.Connection, name: str, from_stdin: bool) -> None:
    """Give NAME a new password.

    Every browser of theirs is signed out by it.

    Example: stormwalk account password "Ida Berg"
    """
    from monitor.operations import accounts as operations

    account = operations.the_account(conn, name)
    click.echo(operations.set_password(conn, account, _new_password(from_stdin)))


@command.command("role")
@click.argument("name")
@click.argument("role", type=click.Choice(ROLES))
@with_database
def role(conn: sqlite3.Connection, name: str, role: str) -> None:
    """Make NAME a lead or crew. The last open lead stays one.

    Example: stormwalk account role "Ida Berg" crew
    """
    from monitor.operations import accounts as operations

    click.echo(operations.set_role(conn, operations.the_account(conn, name), role))


@command.command("close")
@click.argument("name")
@with_database
def close(conn: sqlite3.Connection, name: str) -> None:
    """Close the account of NAME, who is signed out at once. What was logged under the name stays.

    Example: stormwalk account close "Ida Berg"
    """
    from monitor.operations import accounts as operations

    click.echo(operations.close_account(conn, operations.the_account(conn, name), now()))


@command.command("reopen")
@click.argument("name")
@with_database
def reopen(conn: sqlite3.Connection, name: str) -> None:
    """Open the closed account of NAME again, with the password it had.

    Example: stormwalk account reopen "Ida Berg"
    """
    from monitor.operations import accounts as operations

    click.echo(operations.reopen_account(conn, operations.the_account(conn, name)))


@command.command("sign-out")
@click.argument("name")
@with_database
def sign_out(conn: sqlite3.Connection, name: str) -> None:
    """Sign every browser of NAME out.

    For when a phone was lost.

    Example: stormwalk account sign-out "Ida Berg"
    """
    from monitor.operations import accounts as operations

    click.echo(operations.sign_out_everywhere(conn, operations.the_account(conn, name)))


def _new_password(from_stdin: bool) -> str:
    """The first line of standard input, or what is typed twice at the terminal without being shown."""
    if from_stdin:
        return sys.stdin.readline(LONGEST_LINE).rstrip("\r\n")
    if not sys.stdin.isatty():
        raise StormwalkError(
            "The password is asked for at a terminal, and there is none. Nothing was changed. Give it on standard "
            "input with --password-stdin."
        )
    ask: Callable[..., str] = click.prompt
    return ask("Password", hide_input=True, confirmation_prompt="Password, once more", err=True)
