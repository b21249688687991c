"""Inspection files, from paper or from a phone: read whole, with every problem told at once, or not at all. Pure."""

from collections.abc import Iterable, Sequence

from monitor.errors import LogError
from monitor.exchange.csv_tables import Problem, decoded, told
from monitor.exchange.log_entries import ActionEntry, FindingEntry, InspectionEntry, LogFile, Place
from monitor.exchange.log_queue import read_queue
from monitor.exchange.log_tables import read_table
from monitor.register import Yard

LARGEST_FILE_BYTES = 500_000_000
"""A phone's queue with a hundred photos."""

LARGEST_TABLE_BYTES = 20_000_000
"""A hundred thousand rows."""


class LogFileError(LogError):
    """An inspection file of which nothing was taken; ``problems`` has all that is wrong, in the order of lines.

    ``readable`` are the entries that could be read all the same, so that they can be judged too.
    """

    def __init__(self, file_name: str, problems: Sequence[Problem], readable: LogFile | None = None) -> None:
        self.readable = readable or LogFile()
        self.problems = tuple(sorted(problems, key=lambda problem: problem.line))
        super().__init__(told(file_name, self.problems))


def read_log(content: bytes, file_name: str, yard: Yard, *, by: str = "") -> LogFile:
    """Entries of an inspection file, in CSV or in JSON: which of the two, its first letter says, not its name.

    Parameters
    ----------
    content : bytes
        UTF-8, with or without a byte order mark; see `monitor.exchange.log_columns.log_columns_help`.
    file_name : str
        As the person knows it, for the messages.
    yard : Yard
        Its clock says what a time without an offset means, and its key goes into ids that are made.
    by : str
        Who, where an entry does not say.

    Raises
    ------
    LogFileError
        With every problem of the file.
    """
    as_json = content.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"{", b"[")
    largest = LARGEST_FILE_BYTES if as_json else LARGEST_TABLE_BYTES
    if len(content) > largest:
        found, expected = f"a file of {len(content) / 1e6:.0f} MB", f"at most {largest / 1e6:.0f} MB large; divide it"
        raise LogFileError(file_name, [Problem(file_name, 0, "", found, expected)])
    text, problems = decoded(content, file_name)
    if problems:
        raise LogFileError(file_name, problems)
    if as_json:
        log, problems = read_queue(text, file_name, yard, by.strip())
    else:
        log, problems = read_table(text, file_name, yard, by.strip())
    problems += _ids_used_twice(log)
    if problems:
        raise LogFileError(file_name, problems, log)
    return log


def _ids_used_twice(log: LogFile) -> Iterable[Problem]:
    """Entries with an id that another entry of the file has: given twice, or the same thing told twice."""
    entries: list[InspectionEntry | FindingEntry | ActionEntry] = [*log.inspections, *log.findings, *log.actions]
    entries += [found for visit in log.inspections for found in visit.findings]
    first: dict[str, Place] = {}
    for entry in entries:
        other = first.setdefault(entry.id, entry.place)
        if other is not entry.place:
            where = f"line {other.line}" if other.line else other.path
            yield entry.place.problem("id", entry.id, f"of this entry alone; {where} has it, or tells the same")
