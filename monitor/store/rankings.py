"""Rankings as they were made, and the curves a yard has chosen. Both are only added."""

import hashlib
import json
import sqlite3
import uuid
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.errors import StoreError
from monitor.store.connection import write
from monitor.store.rows import entry_of, insert, limit_text, utc_text

_AHEAD_H = "coalesce(parameters ->> 'ahead_h', 0) AS ahead_h"


@dataclass(frozen=True)
class RankingHead:
    """A kept ranking without its rows.

    ``data_age_h`` is None where there was no weather at all; ``ahead_h`` is 0 but for one that looked so far ahead.
    """

    id: str
    yard_id: int
    as_of: datetime
    created_at: datetime
    version: str
    data_age_h: float | None
    ahead_h: int = 0


@dataclass(frozen=True)
class StoredRanking:
    """A ranking as it was made: its head, what it was made with, and its rows in order."""

    head: RankingHead
    parameters: dict[str, Any]
    rows: list[dict[str, Any]]


@dataclass(frozen=True)
class StoredCurve:
    """The two numbers a yard has chosen for one hazard, when and why."""

    hazard: str
    x10: float
    x50: float
    recorded_at: datetime
    reason: str


def save_ranking(
    conn: sqlite3.Connection,
    yard_id: int,
    *,
    as_of: datetime,
    created_at: datetime,
    version: str,
    data_age_h: float | None,
    parameters: Mapping[str, Any],
    rows: Sequence[Mapping[str, Any]],
) -> str:
    """Keep a ranking; returns its id. One with the same moment, parameters and rows is not kept twice.

    Parameters
    ----------
    parameters, rows
        Plain values that JSON can hold; NaN stays NaN in the rows and is refused in the parameters (ValueError).
    """
    parameter_text = json.dumps(parameters, sort_keys=True, allow_nan=False)
    row_text = json.dumps(rows).encode()
    rows_sha256 = hashlib.sha256(row_text).hexdigest()
    with write(conn):
        kept = conn.execute(
            "SELECT id FROM rankings WHERE yard_id = ? AND as_of = ? AND parameters = ? AND rows_sha256 = ?",
            (yard_id, utc_text(as_of), parameter_text, rows_sha256),
        ).fetchone()
        if kept is not None:
            return str(kept["id"])
        ranking_id = str(uuid.uuid4())
        values = {
            "id": ranking_id,
            "yard_id": yard_id,
            "as_of": utc_text(as_of),
            "created_at": utc_text(created_at),
            "version": version,
            "data_age_h": data_age_h,
            "parameters": parameter_text,
            "rows_sha256": rows_sha256,
            "rows": zlib.compress(row_text),
        }
        insert(conn, "rankings", values)
    return ranking_id


def ranking(conn: sqlite3.Connection, ranking_id: str) -> StoredRanking:
    """A kept ranking as it was made. Raises StoreError where none has this id, or it does not match its hash."""
    row = conn.execute(f"SELECT *, {_AHEAD_H} FROM rankings WHERE id = ?", (ranking_id,)).fetchone()
    if row is None:
        raise StoreError(f'No ranking {ranking_id} is kept here. "stormwalk rank --stored" lists those that are.')
    row_text = zlib.decompress(row["rows"])
    if hashlib.sha256(row_text).hexdigest() != row["rows_sha256"]:
        raise StoreError(f"Ranking {ranking_id} does not match its hash: the database is damaged. Restore a backup.")
    return StoredRanking(entry_of(RankingHead, row), json.loads(row["parameters"]), json.loads(row_text))


def rankings(conn: sqlite3.Connection, yard_id: int, limit: int | None = None) -> list[RankingHead]:
    """The kept rankings of a yard, newest moment first, at most ``limit`` of them."""
    rows = conn.execute(
        f"""SELECT id, yard_id, as_of, created_at, version, data_age_h, {_AHEAD_H} FROM rankings
           WHERE yard_id = ? ORDER BY as_of DESC, created_at DESC, id LIMIT ?""",
        (yard_id, -1 if limit is None else limit),
    )
    return [entry_of(RankingHead, row) for row in rows]


def last_ranking(conn: sqlite3.Connection, yard_id: int, as_of: datetime) -> RankingHead | None:
    """The newest kept ranking of a moment up to ``as_of`` that does not look ahead; None where there is none."""
    row = conn.execute(
        f"""SELECT id, yard_id, as_of, created_at, version, data_age_h, {_AHEAD_H} FROM rankings
            WHERE yard_id = ? AND as_of <= ? AND parameters ->> 'ahead_h' IS NULL
            ORDER BY as_of DESC, created_at DESC, id LIMIT 1""",
        (yard_id, utc_text(as_of)),
    ).fetchone()
    return None if row is None else entry_of(RankingHead, row)


def save_curve(conn: sqlite3.Connection, yard_id: int, curve: StoredCurve) -> bool:
    """Choose a hazard's curve from now on; False where the yard has these numbers already.

    Raises StoreError unless 0 < x10 < x50.
    """
    if not 0 < curve.x10 < curve.x50:
        raise StoreError(
            f"Curve of {curve.hazard}: x10 {curve.x10:g} and x50 {curve.x50:g}, expected 0 < x10 < x50. Nothing was "
            f"stored. x10 is the exposure at which 1 in 10 covers need a hand, x50 the one at which 1 in 2 do."
        )
    with write(conn):
        current = curves(conn, yard_id).get(curve.hazard)
        if current is not None and (current.x10, current.x50) == (curve.x10, curve.x50):
            return False
        values = {"hazard": curve.hazard, "x10": curve.x10, "x50": curve.x50, "reason": curve.reason}
        insert(conn, "ranking_curves", {"yard_id": yard_id, "recorded_at": utc_text(curve.recorded_at), **values})
    return True


def curves(conn: sqlite3.Connection, yard_id: int, known_at: datetime | None = None) -> dict[str, StoredCurve]:
    """The curves that a yard has chosen, by hazard; a hazard it has left alone is not among them."""
    rows = conn.execute(
        "SELECT * FROM ranking_curves WHERE yard_id = ? AND recorded_at <= ? ORDER BY id",
        (yard_id, limit_text(known_at)),
    )
    return {row["hazard"]: entry_of(StoredCurve, row) for row in rows}
