"""``stormwalk report``: documents for the customer and the yard, each a command with a module of its own."""

import click

from monitor.cli import LazyGroup

DOCUMENTS: dict[str, tuple[str, str]] = {
    "condition": ("monitor.cli.report_condition", "Condition of a boat's cover this season, for its owner."),
    "memo": ("monitor.cli.report_memo", "One proposal for a boat's cover, with what it rests on."),
    "season": ("monitor.cli.report_season", "What the season did, and how well the list foresaw it."),
}
"""Name of each document, the module that holds its command, and its line in the help."""


@click.group("report", cls=LazyGroup, lazily=DOCUMENTS)
def command() -> None:
    """Write documents: self-contained HTML that prints well, or PDF.

    Example: stormwalk report condition 07
    """
