"""Dataclasses to database rows and back: times as ISO UTC text ending in Z, dates as ISO text, NaN as NULL."""

import sqlite3
import typing
from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import UTC, date, datetime
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    T = TypeVar("T", bound=DataclassInstance)
else:
    T = TypeVar("T")


def utc_text(moment: datetime) -> str:
    """The moment as stored text, to the second: ``2026-01-10T01:00:00Z``. Raises ValueError without a time zone."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone; times are kept in UTC")
    return moment.astimezone(UTC).replace(microsecond=0, tzinfo=None).isoformat() + "Z"


def limit_text(last: datetime | None) -> str:
    """The last moment that counts, as text to compare with; None is later than any."""
    return "9999-12-31T23:59:59Z" if last is None else utc_text(last)


def moment_of(text: str) -> datetime:
    """The moment (UTC) that stored text means."""
    return datetime.fromisoformat(text)


def row_of(entry: "DataclassInstance", without: tuple[str, ...] = ()) -> dict[str, Any]:
    """Column names and values of a dataclass, field by field, ready for SQLite."""
    return {field.name: _stored(getattr(entry, field.name)) for field in fields(entry) if field.name not in without}


def entry_of(kind: type[T], row: sqlite3.Row) -> T:
    """The dataclass that a row holds; the row has a column for each of its fields."""
    readers: dict[str, Callable[[Any], Any]] = {
        "datetime": datetime.fromisoformat,
        "date": date.fromisoformat,
        "bool": bool,
    }
    values = {}
    for name, type_name in _field_types(kind).items():
        value = row[name]
        values[name] = value if value is None or type_name not in readers else readers[type_name](value)
    return kind(**values)


def insert(conn: sqlite3.Connection, table: str, values: Mapping[str, Any]) -> int:
    """Add one row; returns its rowid."""
    columns, marks = ", ".join(values), ", ".join(f":{name}" for name in values)
    cursor = conn.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", dict(values))
    return int(cursor.lastrowid or 0)


def _stored(value: Any) -> Any:
    if isinstance(value, datetime):
        return utc_text(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value != value:
        return None
    return value


@cache
def _field_types(kind: type[Any]) -> dict[str, str]:
    """Name of each field's type; of one that may be None, the other."""
    hints = typing.get_type_hints(kind)
    named = {}
    for field in fields(kind):
        parts = [part for part in typing.get_args(hints[field.name]) if part is not type(None)]
        named[field.name] = getattr(parts[0] if parts else hints[field.name], "__name__", "")
    return named
