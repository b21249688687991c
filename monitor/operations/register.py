"""Yards, covers and curves: files in, files out, and what a build means. Only the curves import anything heavy."""

import sqlite3
from datetime import datetime
from typing import TYPE_CHECKING, Any

from monitor.departures import CoverCheck, check_cover
from monitor.errors import RegisterError, StormwalkError
from monitor.exchange.register_csv import RegisterFileError, decode, read_covers, read_yards, write_covers, write_yards
from monitor.register import Cover, Yard
from monitor.store import rankings as ranking_store
from monitor.store import register as store

if TYPE_CHECKING:
    from monitor.ranking import RankingParameters


def save_yard(conn: sqlite3.Connection, yard: Yard) -> str:
    """Add a yard or change the one with its key; a sentence of what was done.

    The yard passes the checks of a register file, so that both ways in take the same. Raises RegisterError with every
    problem.
    """
    try:
        (checked,) = read_yards(write_yards([yard]), "yards.csv")
    except RegisterFileError as error:
        told = [f"Yard {yard.key}, {problem.column}: {str(problem).partition(': ')[2]}" for problem in error.problems]
        raise RegisterError("\n".join([*told, "Nothing was stored. Correct it and add the yard again."])) from None
    counts = store.save_yards(conn, [checked])
    if counts.added:
        return f'Added yard {yard.key} ({yard.name}). Next: "stormwalk covers import FILE --yard {yard.key}".'
    return f"Changed yard {yard.key}." if counts.changed else f"Yard {yard.key} is so already; nothing was changed."


def import_yards(conn: sqlite3.Connection, content: bytes, file_name: str) -> str:
    """Load a yards file, all of it or nothing; a sentence of what was done. Raises RegisterError with every problem."""
    counts = store.save_yards(conn, read_yards(decode(content, file_name), file_name))
    return f"{file_name}: {counts.added} yards added, {counts.changed} changed, {counts.unchanged} as they were."


def export_yards(conn: sqlite3.Connection) -> str:
    """All yards as the text of a file that `import_yards` reads back unchanged."""
    return write_yards(store.yards(conn))


def import_covers(conn: sqlite3.Connection, yard: Yard, content: bytes, file_name: str, now: datetime) -> str:
    """Load a covers file, all or nothing; a sentence of what was done. Raises RegisterError with every problem."""
    covers = read_covers(decode(content, file_name), file_name, yard)
    counts = store.save_covers(conn, yard.key, covers, now)
    return (
        f"{file_name}: {counts.added} covers added to yard {yard.key}, {counts.changed} changed, "
        f"{counts.unchanged} as they were."
    )


def export_covers(conn: sqlite3.Connection, yard: Yard, units: str) -> str:
    """A yard's covers, every build of every cover, as the text of a file that `import_covers` reads back unchanged."""
    return write_covers(store.all_covers(conn, yard.key), units, yard.time_zone)


def check_covers(
    conn: sqlite3.Connection, yard: Yard, source: tuple[bytes, str] | None, now: datetime
) -> list[tuple[Cover, CoverCheck]]:
    """What each cover's newest build means, and where it departs from common practice.

    ``source`` is the content and name of a file to check before it is imported; None checks the stored covers. Raises
    StormwalkError where there are none.
    """
    if source is None:
        covers = store.covers(conn, yard.key)
        if not covers:
            raise StormwalkError(
                f'Yard {yard.key} has no covers yet. Load them with "stormwalk covers import FILE", or check a file '
                f"before with --file."
            )
    else:
        covers = read_covers(decode(*source), source[1], yard)
    return [(c, check_cover(c, max(now, c.builds[-1].built_at), yard.display_units)) for c in covers]


def set_curve(
    conn: sqlite3.Connection, yard: Yard, hazard: str, x10: float, x50: float, *, reason: str, now: datetime
) -> None:
    """Set the exposures at which 1 in 10 and 1 in 2 covers of a yard need a hand; earlier numbers stay readable.

    Raises RegisterError for a hazard without a curve, or numbers that make none.
    """
    from monitor.ranking import HAZARDS, Curve, RankingParameters

    known = RankingParameters().curves
    if hazard not in known:
        raise RegisterError(f"There is no curve for {hazard!r}; expected one of {', '.join(known)}. Nothing was set.")
    try:
        Curve(x10, x50)
    except ValueError as error:
        raise RegisterError(f"{HAZARDS[hazard].label}: {error}. Nothing was set.") from None
    curve = ranking_store.StoredCurve(hazard, x10, x50, recorded_at=now, reason=reason)
    ranking_store.save_curve(conn, store.yard_id(conn, yard.key), curve)


def ranking_parameters(conn: sqlite3.Connection, yard: Yard, known_at: datetime | None = None) -> "RankingParameters":
    """The yard's curves where it set its own by ``known_at``, the defaults elsewhere."""
    from monitor.ranking import Curve, RankingParameters

    default = RankingParameters()
    own = ranking_store.curves(conn, store.yard_id(conn, yard.key), known_at)
    return RankingParameters(curves={**default.curves, **{h: Curve(c.x10, c.x50) for h, c in own.items()}})


def curve_rows(conn: sqlite3.Connection, yard: Yard) -> list[dict[str, Any]]:
    """Each hazard's curve in force, with who chose it: rows for a listing."""
    from monitor.ranking import HAZARDS

    own = ranking_store.curves(conn, store.yard_id(conn, yard.key))
    return [
        {
            "hazard": hazard,
            "exposure": HAZARDS[hazard].exposure,
            "unit": HAZARDS[hazard].unit,
            "x10": curve.x10,
            "x50": curve.x50,
            "by": f"this yard: {own[hazard].reason or 'no reason given'}"
            if hazard in own
            else "default, our own judgement",
        }
        for hazard, curve in ranking_parameters(conn, yard).curves.items()
    ]
