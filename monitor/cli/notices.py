"""``stormwalk notices``: what the crew was told of storms, how its sending went, and a message to try it out."""

import os
import sqlite3
from typing import Any

import click

from monitor.cli.inputs import json_option, now, print_rows, the_yard, with_database, yard_option


@click.group("notices", invoke_without_command=True)
@yard_option
@json_option
@click.pass_context
def command(ctx: click.Context, yard_key: str | None, as_json: bool) -> None:
    """List the notices of a yard, newest first: when made, how often tried, whether sent.

    Addresses stand in the environment of the service, in STORMWALK_NOTIFY for every yard and in STORMWALK_NOTIFY_<KEY>
    for one, parted by blanks.

    Example: stormwalk notices --json
    """
    if ctx.invoked_subcommand is None:
        ctx.invoke(list_notices, yard_key=yard_key, as_json=as_json)


@command.command("list")
@yard_option
@json_option
@with_database
def list_notices(conn: sqlite3.Connection, yard_key: str | None, as_json: bool) -> None:
    """List the notices of a yard, newest first.

    Example: stormwalk notices list --json
    """
    from monitor.sending import Sender
    from monitor.store.register import yard_id
    from monitor.store.service import notices
    from monitor.wording import utc_text

    yard = the_yard(conn, yard_key)
    addressed = Sender(os.environ).has_address(yard.key)
    columns = {
        "made_at": "made",
        "title": "title",
        "state": "state",
        "tries": "tries",
        "last_try_at": "last try",
        "message": "how it went",
    }
    rows: list[dict[str, Any]] = [
        {
            "id": each.id,
            "yard": yard.key,
            "kind": each.notice.kind,
            "made_at": utc_text(each.made_at),
            "storm_start": utc_text(each.notice.storm_start),
            "title": each.notice.title,
            "body": each.notice.body,
            "state": each.state(now()),
            "tries": each.tries,
            "last_try_at": None if each.last_try_at is None else utc_text(each.last_try_at),
            "sent_at": None if each.sent_at is None else utc_text(each.sent_at),
            "message": each.last_message,
        }
        for each in reversed(notices(conn, yard_id(conn, yard.key)))
    ]
    print_rows(columns, rows, as_json=as_json)
    if not as_json and not addressed:
        click.echo(
            "No address is set in this environment: notices are kept and shown here, and sent to nobody.", err=True
        )


@command.command("test")
@yard_option
@with_database
def send_test(conn: sqlite3.Connection, yard_key: str | None) -> None:
    """Send a test message to a yard's addresses, now.

    Example: stormwalk notices test --yard north
    """
    from monitor.messages import Message
    from monitor.sending import Sender
    from monitor.wording import local_text

    yard = the_yard(conn, yard_key)
    written = local_text(now(), yard.time_zone)
    body = f"This is how you will hear of storms at {yard.name}. Written {written}. No storm is meant."
    note = Sender(os.environ).send(Message("test", yard.key, f"{yard.name}: test message of stormwalk", body))
    click.echo(f"Test message {note}.")
