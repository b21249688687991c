"""Yards, boats, covers and their dated builds in the database. A build is only added, never changed."""

import difflib
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from monitor.errors import RegisterError
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.store.connection import write
from monitor.store.rows import entry_of, insert, limit_text, moment_of, row_of, utc_text


@dataclass(frozen=True)
class SaveCounts:
    """What an import did: entries added, changed, and found as they were."""

    added: int = 0
    changed: int = 0
    unchanged: int = 0


def add_yard(conn: sqlite3.Connection, yard: Yard) -> int:
    """Add a yard; returns its id. Raises RegisterError where its key is taken."""
    with write(conn):
        if _yard_row(conn, yard.key) is not None:
            raise RegisterError(f'There is a yard "{yard.key}" already. Nothing was added. Choose another key.')
        return insert(conn, "yards", row_of(yard))


def update_yard(conn: sqlite3.Connection, yard: Yard) -> bool:
    """Change a yard to what is given; False where it was so already. Raises RegisterError for an unknown key."""
    with write(conn):
        return _update(conn, "yards", yard_id(conn, yard.key), row_of(yard))


def save_yards(conn: sqlite3.Connection, entries: Iterable[Yard]) -> SaveCounts:
    """Add the yards with a new key and change the others, all or none."""
    added = changed = unchanged = 0
    with write(conn):
        for entry in entries:
            if _yard_row(conn, entry.key) is None:
                add_yard(conn, entry)
                added += 1
            elif update_yard(conn, entry):
                changed += 1
            else:
                unchanged += 1
    return SaveCounts(added, changed, unchanged)


def yards(conn: sqlite3.Connection) -> list[Yard]:
    """Every yard, by key."""
    return [entry_of(Yard, row) for row in conn.execute("SELECT * FROM yards ORDER BY key")]


def yard(conn: sqlite3.Connection, key: str) -> Yard:
    """The yard with this key. Raises RegisterError, naming the keys there are."""
    return entry_of(Yard, _known_yard(conn, key))


def yard_id(conn: sqlite3.Connection, key: str) -> int:
    """The number by which other tables know a yard. Raises RegisterError, naming the keys there are."""
    return int(_known_yard(conn, key)["id"])


def save_covers(conn: sqlite3.Connection, yard_key: str, entries: Sequence[Cover], recorded_at: datetime) -> SaveCounts:
    """Take covers as an import gives them, all or none; the same covers again change nothing.

    A boat takes the fields given with its newest cover. An unknown ``wrapped_on`` is a new cover; an unknown or
    differing build is added to those of its cover. What the import leaves out stays.

    Raises
    ------
    RegisterError
        Unknown yard; a cover given twice; a cover without builds, or with two for one moment.
    """
    _check_entries(entries)
    added = changed = unchanged = 0
    with write(conn):
        yard_number = yard_id(conn, yard_key)
        newest: dict[str, Cover] = {}
        for cover in sorted(entries, key=lambda cover: cover.wrapped_on):
            newest[cover.boat.number] = cover
        saved = {number: _save_boat(conn, yard_number, cover.boat) for number, cover in newest.items()}
        for cover in entries:
            boat_id, boat_changed = saved[cover.boat.number]
            cover_id = _cover_id(conn, boat_id, cover.wrapped_on)
            is_new = cover_id is None
            if cover_id is None:
                cover_id = insert(conn, "covers", {"boat_id": boat_id, "wrapped_on": cover.wrapped_on.isoformat()})
            builds_added = [add_build(conn, cover_id, build, recorded_at) for build in cover.builds]
            if is_new:
                added += 1
            elif any(builds_added) or (boat_changed and newest[cover.boat.number] is cover):
                changed += 1
            else:
                unchanged += 1
    return SaveCounts(added, changed, unchanged)


def add_build(conn: sqlite3.Connection, cover_id: int, build: CoverBuild, recorded_at: datetime) -> bool:
    """Add a build to a cover, in force from its ``built_at``; False where it is recorded so already."""
    with write(conn):
        current = conn.execute(
            "SELECT * FROM cover_builds_current WHERE cover_id = ? AND built_at = ?",
            (cover_id, utc_text(build.built_at)),
        ).fetchone()
        values = row_of(build)
        if current is not None and all(current[name] == value for name, value in values.items()):
            return False
        insert(conn, "cover_builds", {"cover_id": cover_id, "recorded_at": utc_text(recorded_at), **values})
    return True


def start_new_cover(
    conn: sqlite3.Connection, cover_id: int, wrapped_on: date, built_at: datetime, recorded_at: datetime
) -> int:
    """Wrap a boat anew: a further cover, built as the given one was at ``built_at``; returns its id.

    Raises RegisterError where that cover is unknown or the boat already has one wrapped on that day.
    """
    with write(conn):
        old = cover(conn, cover_id)
        (boat_id,) = conn.execute("SELECT boat_id FROM covers WHERE id = ?", (cover_id,)).fetchone()
        if _cover_id(conn, boat_id, wrapped_on) is not None:
            raise RegisterError(
                f"Boat {old.boat.number} already has a cover wrapped on {wrapped_on}. Nothing was added. "
                f"Add a build to that cover, or give the day of the new wrapping."
            )
        new_id = insert(conn, "covers", {"boat_id": boat_id, "wrapped_on": wrapped_on.isoformat()})
        add_build(conn, new_id, replace(old.build_at(built_at), built_at=built_at), recorded_at)
    return new_id


def covers(
    conn: sqlite3.Connection, yard_key: str, at: datetime | None = None, known_at: datetime | None = None
) -> list[Cover]:
    """The cover on each boat at a moment, by boat number: the newest one wrapped by then, with its builds.

    ``at`` None takes the newest of all; ``known_at`` leaves out builds recorded later, and covers without any other.
    """
    row = _known_yard(conn, yard_key)
    return _newest_by(_read_covers(conn, "boats.yard_id = :yard", {"yard": row["id"]}, known_at), row["time_zone"], at)


def all_covers(conn: sqlite3.Connection, yard_key: str, known_at: datetime | None = None) -> list[Cover]:
    """Every cover that a yard's boats have had, by boat number, oldest first."""
    return _read_covers(conn, "boats.yard_id = :yard", {"yard": yard_id(conn, yard_key)}, known_at)


def cover(conn: sqlite3.Connection, cover_id: int, known_at: datetime | None = None) -> Cover:
    """The cover with this id. Raises RegisterError where there is none."""
    found = _read_covers(conn, "covers.id = :cover", {"cover": cover_id}, known_at)
    if not found:
        raise RegisterError(f"There is no cover with the id {cover_id}. Look it up by its boat's number.")
    return found[0]


def yard_of_cover(conn: sqlite3.Connection, cover_id: int) -> Yard:
    """The yard whose boat has this cover. Raises RegisterError where there is no such cover."""
    row = conn.execute(
        """SELECT yards.* FROM covers JOIN boats ON boats.id = covers.boat_id JOIN yards ON yards.id = boats.yard_id
           WHERE covers.id = ?""",
        (cover_id,),
    ).fetchone()
    if row is None:
        raise RegisterError(f"There is no cover with the id {cover_id}. Look it up by its boat's number.")
    return entry_of(Yard, row)


def find_cover(
    conn: sqlite3.Connection,
    yard_key: str,
    number: str,
    at: datetime | None = None,
    known_at: datetime | None = None,
) -> Cover:
    """The cover on one boat at a moment. Raises RegisterError, naming numbers like the one given."""
    row = _known_yard(conn, yard_key)
    of_boat = {"yard": row["id"], "number": number}
    history = _read_covers(conn, "boats.yard_id = :yard AND boats.number = :number", of_boat, known_at)
    if current := _newest_by(history, row["time_zone"], at):
        return current[0]
    if history:
        raise RegisterError(
            f"Boat {number} had no cover then: its first was wrapped on {history[0].wrapped_on}. Give a later time."
        )
    numbers = conn.execute("SELECT DISTINCT number FROM boats WHERE yard_id = ? ORDER BY number", (row["id"],))
    by_folded = {str(known).casefold(): str(known) for (known,) in numbers if known != number}
    near = difflib.get_close_matches(number.casefold(), by_folded, n=3, cutoff=0.5)
    hint = f"Did you mean {', '.join(by_folded[name] for name in near)}?" if near else "Import its cover first."
    raise RegisterError(f'Yard "{yard_key}" has no boat {number} with a cover. {hint}')


def erase_owner(conn: sqlite3.Connection, yard_key: str, number: str) -> bool:
    """Forget a boat's owner, on disk too, and leave its covers' history; False where none was recorded.

    Backups made before still hold the name. Not inside ``write``. Raises RegisterError for an unknown boat.
    """
    conn.execute("PRAGMA secure_delete = ON")  # overwrite the freed bytes
    with write(conn):
        row = _boat_row(conn, yard_id(conn, yard_key), number)
        if row is None:
            raise RegisterError(f'Yard "{yard_key}" has no boat {number}. Nothing was erased.')
        erased = _update(conn, "boats", row["id"], {"owner_name": "", "owner_contact": ""})
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # the log still held the page as it was
    return erased


def _check_entries(entries: Sequence[Cover]) -> None:
    seen = set()
    for entry in entries:
        name = f"Boat {entry.boat.number}, wrapped on {entry.wrapped_on},"
        if (entry.boat.number, entry.wrapped_on) in seen:
            raise RegisterError(f"{name} is given twice. Nothing was stored. Give each cover once, with its builds.")
        seen.add((entry.boat.number, entry.wrapped_on))
        moments = {utc_text(build.built_at) for build in entry.builds}
        if not moments or len(moments) != len(entry.builds):
            found = "two builds for one moment" if moments else "no build"
            raise RegisterError(f"{name} has {found}. Nothing was stored. Give one build for each moment of building.")


def _yard_row(conn: sqlite3.Connection, key: str) -> sqlite3.Row | None:
    row: sqlite3.Row | None = conn.execute("SELECT * FROM yards WHERE key = ?", (key,)).fetchone()
    return row


def _known_yard(conn: sqlite3.Connection, key: str) -> sqlite3.Row:
    row = _yard_row(conn, key)
    if row is None:
        known = ", ".join(entry.key for entry in yards(conn))
        hint = f"Known yards: {known}." if known else 'No yard is set up yet; run "stormwalk yard add".'
        raise RegisterError(f'There is no yard "{key}". {hint}')
    return row


def _boat_row(conn: sqlite3.Connection, yard_number: int, number: str) -> sqlite3.Row | None:
    row: sqlite3.Row | None = conn.execute(
        "SELECT * FROM boats WHERE yard_id = ? AND number = ?", (yard_number, number)
    ).fetchone()
    return row


def _save_boat(conn: sqlite3.Connection, yard_number: int, boat: Boat) -> tuple[int, bool]:
    """Id of the boat, and whether anything of it was added or changed."""
    row = _boat_row(conn, yard_number, boat.number)
    if row is None:
        return insert(conn, "boats", {"yard_id": yard_number, **row_of(boat)}), True
    return row["id"], _update(conn, "boats", row["id"], row_of(boat))


def _update(conn: sqlite3.Connection, table: str, row_id: int, values: dict[str, object]) -> bool:
    row = conn.execute(f"SELECT * FROM {table} WHERE id = ?", (row_id,)).fetchone()
    if all(row[name] == value for name, value in values.items()):
        return False
    columns = ", ".join(f"{name} = :{name}" for name in values)
    conn.execute(f"UPDATE {table} SET {columns} WHERE id = :row_id", {**values, "row_id": row_id})
    return True


def _cover_id(conn: sqlite3.Connection, boat_id: int, wrapped_on: date) -> int | None:
    row = conn.execute(
        "SELECT id FROM covers WHERE boat_id = ? AND wrapped_on = ?", (boat_id, wrapped_on.isoformat())
    ).fetchone()
    return None if row is None else int(row["id"])


def _newest_by(history: Iterable[Cover], time_zone: str, at: datetime | None) -> list[Cover]:
    """Of covers sorted oldest first, the newest of each boat that was wrapped by the yard's day at that moment."""
    last_day = date.max if at is None else moment_of(utc_text(at)).astimezone(ZoneInfo(time_zone)).date()
    on_boat = {entry.boat.number: entry for entry in history if entry.wrapped_on <= last_day}
    return list(on_boat.values())


def _read_covers(
    conn: sqlite3.Connection, where: str, parameters: dict[str, object], known_at: datetime | None
) -> list[Cover]:
    """Covers by boat number and day, builds oldest first; of the rows known by then, a build's newest counts."""
    boat_columns = ", ".join(f"boats.{field.name}" for field in fields(Boat))
    rows = conn.execute(
        f"""SELECT {boat_columns}, covers.wrapped_on, build.*
            FROM boats JOIN covers ON covers.boat_id = boats.id JOIN cover_builds AS build ON build.cover_id = covers.id
            WHERE {where} AND build.recorded_at <= :known_at AND NOT EXISTS (
                SELECT 1 FROM cover_builds AS later
                WHERE later.cover_id = build.cover_id AND later.built_at = build.built_at AND later.id > build.id
                    AND later.recorded_at <= :known_at)
            ORDER BY boats.number, covers.wrapped_on, build.built_at""",
        {**parameters, "known_at": limit_text(known_at)},
    )
    found: dict[int, Cover] = {}
    for row in rows:
        cover_id = row["cover_id"]
        build = entry_of(CoverBuild, row)
        if cover_id in found:
            found[cover_id] = replace(found[cover_id], builds=(*found[cover_id].builds, build))
        else:
            wrapped_on = date.fromisoformat(row["wrapped_on"])
            found[cover_id] = Cover(entry_of(Boat, row), wrapped_on, (build,), id=cover_id)
    return list(found.values())
