"""covers.csv and yards.csv: text in, register out, and back; every problem of a file is told at once."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from monitor.errors import RegisterError
from monitor.exchange.columns import Part, TimeZone
from monitor.exchange.csv_tables import Problem as Problem
from monitor.exchange.csv_tables import Row, decoded, group, one_line, read_rows, told, write_rows
from monitor.exchange.register_columns import COVER_COLUMNS, YARD_COLUMNS
from monitor.exchange.yard_place import not_of_one_place
from monitor.register import PANELS, Boat, Cover, CoverBuild, Yard
from monitor.units import UnreadableError


class RegisterFileError(RegisterError):
    """A register file of which nothing was taken; ``problems`` has all that is wrong with it, in the order of lines."""

    def __init__(self, file_name: str, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda problem: problem.line))
        super().__init__(told(file_name, self.problems))


def decode(content: bytes, file_name: str) -> str:
    """Text of a register file; it must be UTF-8, with or without a byte order mark. Raises RegisterFileError."""
    text, problems = decoded(content, file_name)
    if problems:
        raise RegisterFileError(file_name, problems)
    return text


def read_covers(text: str, file_name: str, yard: Yard) -> list[Cover]:
    """Covers of a yard from the text of a covers.csv, in the order in which the file first names them.

    Parameters
    ----------
    text : str
        The file, see `monitor.exchange.register_columns.columns_help`; from `decode`, or opened with ``newline=""``.
    file_name : str
        As the person knows it, for the messages.
    yard : Yard
        Its time zone says what a date or a local time in ``built_on`` means.

    Returns
    -------
    list of Cover
        Builds oldest first, times in UTC; empty for a file without rows.

    Raises
    ------
    RegisterFileError
        With every problem of the file.
    RegisterError
        Where the yard's time zone is not known.
    """
    zone = _zone_of(yard)
    rows, problems = read_rows(text, file_name, COVER_COLUMNS)
    for row in rows:
        problems += _settle_built_on(row, zone) + _check_row(row, zone)
    problems += _check_boats(rows) + _check_berths(rows) + _check_builds(rows)
    if problems:
        raise RegisterFileError(file_name, problems)
    return [
        Cover(
            boat=Boat(**rows_of_cover[0].fields("boat")),
            builds=tuple(CoverBuild(**row.fields("build")) for row in sorted(rows_of_cover, key=_built_at)),
            **rows_of_cover[0].fields("cover"),
        )
        for rows_of_cover in group(rows, "boat", "wrapped_on").values()
    ]


def read_yards(text: str, file_name: str) -> list[Yard]:
    """Yards from the text of a yards.csv, in its order. Raises RegisterFileError with every problem of the file."""
    rows, problems = read_rows(text, file_name, YARD_COLUMNS)
    for row in rows:
        problems += _check_place(row)
    for first, *others in group(rows, "id").values():
        problems += [row.problem("id", row.texts["id"], f"a new id; line {first.line} has it too") for row in others]
    if problems:
        raise RegisterFileError(file_name, problems)
    return [Yard(**row.fields("yard")) for row in rows]


def write_covers(covers: Iterable[Cover], units: str = "metric", time_zone: str = "UTC") -> str:
    """Text of a covers.csv that `read_covers` turns back into the same covers, to the last bit of every number.

    ``units`` is ``metric`` or ``us``. ``built_on`` is written as the clocks of ``time_zone`` show it, with its offset.
    Texts of a register have no blanks at their ends; such blanks would not come back. Line ends are CRLF (RFC 4180):
    write the file with ``newline=""``.
    """
    zone = ZoneInfo(time_zone)
    parts: Iterable[dict[Part, Any]] = (
        {"boat": cover.boat, "cover": cover, "build": _in_zone(build, zone)}
        for cover in covers
        for build in cover.builds
    )
    return write_rows(parts, COVER_COLUMNS, units)


def write_yards(yards: Iterable[Yard], units: str = "metric") -> str:
    """Text of a yards.csv that `read_yards` turns back into the same yards; see `write_covers`."""
    return write_rows(({"yard": yard} for yard in yards), YARD_COLUMNS, units)


def _in_zone(build: CoverBuild, zone: ZoneInfo) -> CoverBuild:
    if build.built_at.tzinfo is None:
        raise ValueError(f"built_at {build.built_at.isoformat()} has no zone; times of the register are UTC")
    return replace(build, built_at=build.built_at.astimezone(zone))


def _built_at(row: Row) -> datetime:
    moment: datetime = row.values["built_on"]
    return moment


def _zone_of(yard: Yard) -> ZoneInfo:
    try:
        return ZoneInfo(TimeZone().read(yard.time_zone, None))
    except UnreadableError as error:
        raise RegisterError(
            f'Yard "{yard.name}": {error}. Nothing was loaded. Correct the yard and import again.'
        ) from None


def _settle_built_on(row: Row, zone: ZoneInfo) -> list[Problem]:
    """Turn ``built_on`` into a time in UTC: empty is the day of wrapping, a date its midnight, a bare time local."""
    if not row.has("built_on"):
        return []
    value: date | None = row.values.pop("built_on")
    if value is None:
        if not row.has("wrapped_on"):
            return []
        value = row.values["wrapped_on"]
    if not isinstance(value, datetime):
        moment = datetime.combine(value, time(), zone)
    elif value.tzinfo is not None:
        moment = value
    else:
        moment = value.replace(tzinfo=zone)
        if moment.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != value:
            expected = f"a time that clocks in {zone.key} showed; they were put forward past it"
            return [row.problem("built_on", row.text("built_on"), expected)]
    row.values["built_on"] = moment.astimezone(UTC)
    return []


def _check_row(row: Row, zone: ZoneInfo) -> list[Problem]:
    """What has to agree inside one row: order of dates, slopes or a ridge, both coordinates."""
    problems = []
    if row.has("wrapped_on", "built_on") and row.values["wrapped_on"] > _built_at(row).astimezone(zone).date():
        expected = f"a day on or before built_on, {row.text('built_on')}"
        problems.append(row.problem("wrapped_on", row.text("wrapped_on"), expected))
    slopes = [f"{panel}_slope" for panel in PANELS]
    if row.has("ridge_rise", *slopes) and row.values["ridge_rise"] is None:
        missing = [row.headers.get(name, f"{name}_deg") for name in slopes if row.values[name] is None]
        if missing:
            expected = f"given, or else the slopes of all four panels, of which {', '.join(missing)} are empty"
            problems.append(row.problem("ridge_rise", "empty", expected))
    for name, other in (("x", "y"), ("y", "x")):
        if row.has("x", "y") and row.values[name] is None and row.values[other] is not None:
            problems.append(row.problem(name, "empty", f"given together with {other}"))
    return problems


def _check_place(row: Row) -> list[Problem]:
    """A yard's coordinates lie in its time zone."""
    if not row.has("latitude", "longitude", "time_zone"):
        return []
    misfit = not_of_one_place(row.values["latitude"], row.values["longitude"], row.values["time_zone"])
    if misfit is None:
        return []
    name, sentence = misfit
    return [Problem(row.file, row.line, row.headers.get(name, name), "", "", sentence)]


def _check_boats(rows: Sequence[Row]) -> list[Problem]:
    """All rows of a boat say the same of it."""
    problems = []
    for first, *others in group(rows, "boat").values():
        for row in others:
            for column in COVER_COLUMNS:
                known = column.part == "boat" and first.has(column.name) and row.has(column.name)
                if known and first.values[column.name] != row.values[column.name]:
                    expected = f"{one_line(first.text(column.name))}, as in line {first.line} of the same boat"
                    problems.append(row.problem(column.name, row.text(column.name), expected))
    return problems


def _check_berths(rows: Sequence[Row]) -> list[Problem]:
    """One boat in a berth."""
    problems = []
    taken: dict[tuple[str, int], Row] = {}
    for first, *_ in group(rows, "boat", "row", "place").values():
        berth = (first.values["row"].casefold(), first.values["place"])
        other = taken.setdefault(berth, first)
        if other.values["boat"] != first.values["boat"]:
            found = f"berth {first.values['row']} {first.values['place']}"
            expected = f"free; line {other.line} puts boat {one_line(other.values['boat'])} there"
            problems.append(first.problem("place", found, expected))
    return problems


def _check_builds(rows: Sequence[Row]) -> list[Problem]:
    """Builds of a boat have times of their own, and end where the boat is wrapped anew."""
    problems = []
    for (boat, _), (first, *others) in group(rows, "boat", "built_on").items():
        for row in others:
            found = f"boat {boat} built {row.text('built_on' if row.texts.get('built_on') else 'wrapped_on')}"
            problems.append(
                row.problem("built_on", found, f"a build of its own; line {first.line} has the same boat and time")
            )
    for rows_of_boat in group((row for row in rows if row.has("built_on")), "boat").values():
        by_wrapping = sorted(group(rows_of_boat, "wrapped_on").items())
        for (_, earlier), (_, later) in pairwise(by_wrapping):
            anew = min(later, key=_built_at)
            for row in earlier:
                if _built_at(row) > _built_at(anew):
                    expected = f"before the boat was wrapped anew on {anew.text('wrapped_on')} (line {anew.line})"
                    problems.append(row.problem("built_on", row.text("built_on"), expected))
    return problems
