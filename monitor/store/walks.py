"""Walks as they were planned, and what people changed of them. Both are only added."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.errors import StoreError
from monitor.store.rows import entry_of, insert, row_of, utc_text


@dataclass(frozen=True)
class WalkHead:
    """A kept walk without its plan; ``changes`` is how often it was changed since."""

    id: str
    starts_at: datetime
    created_at: datetime
    created_by: str
    changes: int


@dataclass(frozen=True)
class WalkRow:
    """A walk as it was planned: what was asked for and what came of it, as plain values."""

    head: WalkHead
    request: dict[str, Any]
    plan: dict[str, Any]


@dataclass(frozen=True)
class ChangeRow:
    """One change of a walk; ``party`` is empty where a boat is dropped."""

    walk_id: str
    changed_at: datetime
    changed_by: str
    change: str
    boat: str
    party: str
    note: str


_HEAD = """walks.id, walks.starts_at, walks.created_at, walks.created_by,
    (SELECT count(*) FROM walk_changes WHERE walk_changes.walk_id = walks.id) AS changes"""


def add_walk(
    conn: sqlite3.Connection,
    yard_id: int,
    walk_id: str,
    *,
    starts_at: datetime,
    created_at: datetime,
    created_by: str,
    request: Mapping[str, Any],
    plan: Mapping[str, Any],
) -> None:
    """Keep a walk. ``request`` and ``plan`` are plain values that JSON can hold; NaN is refused (ValueError)."""
    values = {
        "id": walk_id,
        "yard_id": yard_id,
        "starts_at": utc_text(starts_at),
        "created_at": utc_text(created_at),
        "created_by": created_by,
        "request": json.dumps(request, allow_nan=False),
        "plan": json.dumps(plan, allow_nan=False),
    }
    insert(conn, "walks", values)


def add_change(conn: sqlite3.Connection, change: ChangeRow) -> None:
    """Add a change to a walk, after those that were made before."""
    insert(conn, "walk_changes", row_of(change))


def walk_heads(conn: sqlite3.Connection, yard_id: int) -> list[WalkHead]:
    """The walks of a yard, the one planned last first."""
    rows = conn.execute(
        f"SELECT {_HEAD} FROM walks WHERE yard_id = ? ORDER BY created_at DESC, starts_at DESC, id", (yard_id,)
    )
    return [entry_of(WalkHead, row) for row in rows]


def walk_row(conn: sqlite3.Connection, walk_id: str) -> WalkRow:
    """A walk as it was planned. Raises StoreError where none has this id."""
    row = conn.execute(f"SELECT {_HEAD}, request, plan FROM walks WHERE id = ?", (walk_id,)).fetchone()
    if row is None:
        raise StoreError(f'No walk {walk_id} is kept here. "stormwalk walk list" lists those that are.')
    return WalkRow(entry_of(WalkHead, row), json.loads(row["request"]), json.loads(row["plan"]))


def changes_of(conn: sqlite3.Connection, walk_id: str) -> list[ChangeRow]:
    """What was changed of a walk, in the order in which it was."""
    rows = conn.execute("SELECT * FROM walk_changes WHERE walk_id = ? ORDER BY id", (walk_id,))
    return [entry_of(ChangeRow, row) for row in rows]
