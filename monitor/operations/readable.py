"""Whether all that is stored can be read as the program reads it: a damaged byte may leave a file that SQLite takes."""

import sqlite3
import zlib
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.errors import StormwalkError
from monitor.register import Yard
from monitor.store import health, inspections, rankings, register, service, walks, weather

UNREADABLE = (ValueError, LookupError, TypeError, ArithmeticError, AttributeError, zlib.error)
"""What reading ends in where a value is none that the program ever wrote."""


def faults(conn: sqlite3.Connection) -> list[str]:
    """What cannot be read, or is not as it was kept, in sentences; empty if nothing. Of a file of this version."""
    found = health.altered(conn)
    try:
        known = register.yards(conn)
    except (*UNREADABLE, StormwalkError) as error:
        return [*found, f"The yards cannot be read ({error!r})."]
    for yard in known:
        yard_id = register.yard_id(conn, yard.key)
        for what, read in _PARTS.items():
            try:
                read(conn, yard, yard_id)
            except (*UNREADABLE, StormwalkError) as error:
                found.append(f"{what} of yard {yard.key} cannot be read ({error!r}).")
    return found


def why_not(database: Path) -> str:
    """Why a database cannot be read as it should, in a sentence; empty where it can."""
    try:
        with health.looked_at(database) as conn:
            found = [f"{line}." for line in health.damage(conn)] or faults(conn)
    except (sqlite3.Error, OSError, *UNREADABLE, StormwalkError) as error:
        return f"It cannot be looked at ({error})."
    return found[0] if found else ""


def _read_walks(conn: sqlite3.Connection, yard_id: int) -> None:
    for head in walks.walk_heads(conn, yard_id):
        walks.walk_row(conn, head.id)
        walks.changes_of(conn, head.id)


_PARTS: dict[str, Callable[[sqlite3.Connection, Yard, int], object]] = {
    "The time zone": lambda conn, yard, yard_id: ZoneInfo(yard.time_zone),
    "The register": lambda conn, yard, yard_id: register.all_covers(conn, yard.key),
    "The log": lambda conn, yard, yard_id: inspections.log_of_yard(conn, yard_id, history=True),
    "The weather": lambda conn, yard, yard_id: weather.read_hours(conn, yard_id),
    "The list of rankings": lambda conn, yard, yard_id: rankings.rankings(conn, yard_id),
    "The list of notices": lambda conn, yard, yard_id: service.notices(conn, yard_id),
    "The list of walks": lambda conn, yard, yard_id: _read_walks(conn, yard_id),
}
"""What a yard has, and how it is read."""
