"""Tables whose rows are only added, and the triggers that hold it: a fact is never changed, removed or replaced."""

import sqlite3
from collections.abc import Sequence

APPEND_ONLY: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "cover_builds": (("id",), ()),
    "weather_fetches": (("id",), ()),
    "weather_hours": (("fetch_id", "hour_ending"), ()),
    "weather_stretches": (("fetch_id", "first_hour"), ()),
    "inspections": (("id",), ("corrects_id",)),
    "findings": (("id",), ("corrects_id",)),
    "actions": (("id",), ("corrects_id",)),
    "rankings": (("id",), ()),
    "ranking_curves": (("id",), ()),
    "source_choices": (("id",), ()),
    "source_orders": (("id",), ()),
    "notices": (("id",), ()),
    "notice_tries": (("id",), ()),
    "weather_days": (("fetch_id", "station", "day"), ()),
    "weather_alerts": (("fetch_id", "alert_id"), ()),
    "photos": (("id",), ()),
    "photo_withdrawals": (("photo_id",), ()),
    "walks": (("id",), ()),
    "walk_changes": (("id",), ()),
    "log_chain": (("seq",), ()),
}
"""Tables whose rows are only added: columns of the primary key, and the other columns that are unique."""


def append_only_tables_unprotected(conn: sqlite3.Connection) -> list[str]:
    """Append-only tables that lack one of their three triggers, or whose trigger does not know every column."""
    found = dict(conn.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall())
    return [
        table
        for table in APPEND_ONLY
        if any(found.get(name) != sql for name, sql in append_only_triggers(table, table_columns(conn, table)).items())
    ]


def append_only_triggers(table: str, columns: Sequence[str]) -> dict[str, str]:
    """SQL of the three triggers, by name.

    The third is needed because ``INSERT OR REPLACE`` fires no delete trigger on a connection with default settings. It
    lets a row through that is already there, unchanged, so that ``ON CONFLICT DO NOTHING`` can skip a replayed entry.
    """
    key, unique = APPEND_ONLY[table]
    same_key = " AND ".join(f"old.{name} = NEW.{name}" for name in key)
    differs = " OR ".join(f"old.{name} IS NOT NEW.{name}" for name in columns if name not in key)
    clashes = [f"({same_key} AND ({differs}))"]
    clashes += [f"(old.{name} = NEW.{name} AND NOT ({same_key}))" for name in unique]
    refuse = f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are only added; a correction is a new row'); END"
    return {
        f"{table}_no_update": f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} {refuse}",
        f"{table}_no_delete": f"CREATE TRIGGER {table}_no_delete BEFORE DELETE ON {table} {refuse}",
        f"{table}_no_replace": (
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} AS old WHERE {' OR '.join(clashes)}) {refuse}"
        ),
    }


def protect(conn: sqlite3.Connection, *tables: str) -> None:
    """Give the tables their triggers."""
    for table in tables:
        for sql in append_only_triggers(table, table_columns(conn, table)).values():
            conn.execute(sql)


def table_columns(conn: sqlite3.Connection, table: str) -> list[str]:
    """Names of a table's columns, in order."""
    return [row[0] for row in conn.execute("SELECT name FROM pragma_table_info(?)", (table,))]
