"""Listings as CSV that a spreadsheet shows and never runs."""

import csv
import io
import re
from collections.abc import Iterable, Sequence

FORMULA = re.compile(r"[\t\r\n]|\s*[=+\-@＝＋－＠]")
"""A text that a spreadsheet would run."""


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV with a header; text that a spreadsheet would run as a formula is led by an apostrophe."""
    sheet = io.StringIO()
    writer = csv.writer(sheet, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_harmless(cell) for cell in row])
    return sheet.getvalue()


def _harmless(cell: object) -> object:
    if isinstance(cell, str) and FORMULA.match(cell):
        return "'" + cell
    return "" if cell is None else cell
