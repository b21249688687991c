"""Which weather sources a yard uses, with which station, chosen by whom, and in which order they are believed."""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.store.connection import write
from monitor.store.rows import insert, limit_text, moment_of, utc_text


@dataclass(frozen=True)
class SourceChoice:
    """Which station or place a yard's source was given, who chose it (``auto`` or ``person``), and why."""

    source: str
    used: bool
    station: str
    details: Mapping[str, Any]
    chosen_by: str
    chosen_at: datetime


def choose_source(conn: sqlite3.Connection, yard_id: int, choice: SourceChoice) -> bool:
    """Choose a source's station or place from now on; False where the choice in force says the same."""
    with write(conn):
        current = source_choices(conn, yard_id).get(choice.source)
        same = ("used", "station", "details", "chosen_by")
        if current is not None and all(getattr(current, name) == getattr(choice, name) for name in same):
            return False
        insert(
            conn,
            "source_choices",
            {
                "yard_id": yard_id,
                "source": choice.source,
                "used": int(choice.used),
                "station": choice.station,
                "details": json.dumps(dict(choice.details), sort_keys=True),
                "chosen_by": choice.chosen_by,
                "chosen_at": utc_text(choice.chosen_at),
            },
        )
    return True


def source_choices(conn: sqlite3.Connection, yard_id: int, known_at: datetime | None = None) -> dict[str, SourceChoice]:
    """The choice in force for each source of a yard, by name of the source."""
    rows = conn.execute(
        "SELECT * FROM source_choices WHERE yard_id = ? AND chosen_at <= ? ORDER BY id", (yard_id, limit_text(known_at))
    )
    return {
        row["source"]: SourceChoice(
            source=row["source"],
            used=bool(row["used"]),
            station=row["station"],
            details=json.loads(row["details"]),
            chosen_by=row["chosen_by"],
            chosen_at=moment_of(row["chosen_at"]),
        )
        for row in rows
    }


def set_order(
    conn: sqlite3.Connection, yard_id: int, variable: str, sources: Sequence[str], chosen_at: datetime
) -> None:
    """Say whom to believe first from now on, best first: of one variable, or (variable empty) of all the others.

    No sources at all bring back the usual order.
    """
    values = {"yard_id": yard_id, "variable": variable, "sources": json.dumps(list(sources))}
    with write(conn):
        insert(conn, "source_orders", values | {"chosen_at": utc_text(chosen_at)})


def source_orders(
    conn: sqlite3.Connection, yard_id: int, known_at: datetime | None = None
) -> dict[str, tuple[str, ...]]:
    """The orders that a yard has set by a moment, by variable; the empty name is that of all others."""
    rows = conn.execute(
        "SELECT variable, sources FROM source_orders WHERE yard_id = ? AND chosen_at <= ? ORDER BY id",
        (yard_id, limit_text(known_at)),
    )
    newest = {variable: tuple(json.loads(sources)) for variable, sources in rows}
    return {variable: sources for variable, sources in newest.items() if sources}
