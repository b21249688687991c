"""The register's columns as fields of a form: typed texts go through the very checks of the CSV files."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.exchange.columns import Choice, Column, Part, Quantity, YesNo
from monitor.exchange.register_columns import COVER_COLUMNS, YARD_COLUMNS
from monitor.exchange.register_csv import RegisterFileError, decode, read_covers, read_yards, write_covers, write_yards
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.units import UNITS, exact_text
from monitor.web.form_reading import Refusal
from monitor.web.templating import plain_word

NOTHING_STORED = "Nothing was stored; what you wrote stands below."

_LONG = 8
"""Characters of a number from which on another unit is tried."""

_IN_WORDS = {"m": "metres", "ft": "feet", "in": "inches", "mm": "millimetres", "mil": "mils", "deg": "degrees"}
_LABELS = {
    "boat": "Number of the boat",
    "x": "Place on the plan, to the right",
    "y": "Place on the plan, upwards",
    "open_meteo_plan": "Open-Meteo plan",
}
"""Where a column's own name says too little above a field."""


@dataclass(frozen=True)
class FormField:
    """One column as a field: its name, how it is called, what belongs in it, and the words to choose from.

    ``empty`` says what is taken where nothing is chosen.
    """

    name: str
    label: str
    hint: str
    required: bool
    options: tuple[tuple[str, str], ...] = ()
    empty: str = "choose"


class FormRefused(Exception):  # noqa: N818 -- carries what the form is shown again with
    """What was typed cannot be taken."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.sentence)
        self.refusal = refusal


def form_fields(
    columns: Sequence[Column], parts: Sequence[Part], units: str, leave_out: Sequence[str] = ()
) -> list[FormField]:
    """Fields for the columns of some parts of the register; a plain number counts in the yard's ``units``."""
    fields = []
    for column in columns:
        if column.part not in parts or column.name in leave_out:
            continue
        hint = column.meaning
        if isinstance(column.kind, Quantity):
            unit = column.kind.us if units == "us" else column.kind.metric
            hint += f" In {_IN_WORDS.get(unit, unit.replace('2', '²'))}" + (
                "." if unit == "deg" else ", or with its unit."
            )
        elif not isinstance(column.kind, Choice | YesNo):
            hint += f" Such as {column.example}."
        options: tuple[tuple[str, str], ...] = ()
        if isinstance(column.kind, Choice):
            options = tuple((word, plain_word(word)) for word in column.kind.options)
        elif isinstance(column.kind, YesNo):
            options = (("yes", "yes"), ("no", "no"))
        taken = plain_word(column.when_empty)
        if taken and not options:
            hint += f" Empty: {taken}."
        empty = "choose" if column.required else f"not said, taken as {taken}" if taken else "not said"
        fields.append(FormField(column.name, _label(column.name), hint, column.required, options, empty))
    return fields


def _label(name: str) -> str:
    """A column's name as it stands above its field."""
    return _LABELS.get(name, plain_word(name).capitalize())


def texts_of_cover(cover: Cover, build: CoverBuild, yard: Yard) -> dict[str, str]:
    """A boat, its cover and one build as the texts of a form, in the yard's units."""
    return _texts(
        write_covers([Cover(cover.boat, cover.wrapped_on, (build,))], yard.display_units, yard.time_zone),
        COVER_COLUMNS,
        yard.display_units,
    )


def texts_of_yard(yard: Yard) -> dict[str, str]:
    """A yard as the texts of a form, in its units."""
    return _texts(write_yards([yard], yard.display_units), YARD_COLUMNS, yard.display_units)


def cover_from_texts(texts: Mapping[str, str], yard: Yard, others: Sequence[Boat] = ()) -> Cover:
    """The cover that a form's texts mean, with its one build. ``others`` are boats whose berths are taken.

    Raises FormRefused with every problem, each at its field.
    """
    try:
        (cover,) = read_covers(_sheet(texts, COVER_COLUMNS, yard.display_units), "form", yard)
    except RegisterFileError as error:
        raise FormRefused(_refusal(error, COVER_COLUMNS)) from None
    for other in others:
        if (other.row.casefold(), other.place) == (cover.boat.row.casefold(), cover.boat.place):
            sentence = f"row {other.row}, place {other.place} is not free; boat {other.number} stands there."
            raise FormRefused(Refusal(f"Place: {sentence}\n{NOTHING_STORED}", {"place": sentence}))
    return cover


def yard_from_texts(texts: Mapping[str, str], units: str) -> Yard:
    """The yard that a form's texts mean, plain numbers in ``units``. Raises FormRefused."""
    try:
        (yard,) = read_yards(_sheet(texts, YARD_COLUMNS, units), "form")
    except RegisterFileError as error:
        raise FormRefused(_refusal(error, YARD_COLUMNS)) from None
    return yard


def local_iso(moment: datetime, yard: Yard) -> str:
    """A moment as it is written into a form, on the yard's clock with its offset."""
    return moment.astimezone(UTC).replace(microsecond=0).astimezone(ZoneInfo(yard.time_zone)).isoformat()


def _sheet(texts: Mapping[str, str], columns: Sequence[Column], units: str) -> str:
    """A register file of one row. Raises FormRefused where nothing was typed, RegisterFileError for NUL."""
    sheet = io.StringIO(newline="")
    if not any(texts.get(column.name, "").strip() for column in columns):
        raise FormRefused(Refusal(f"Nothing is filled in.\n{NOTHING_STORED}", {}))
    writer = csv.writer(sheet, quoting=csv.QUOTE_ALL)
    writer.writerow(column.header(units) for column in columns)
    writer.writerow(texts.get(column.name, "") for column in columns)
    return decode(sheet.getvalue().encode(errors="replace"), "form")


def _texts(sheet: str, columns: Sequence[Column], units: str) -> dict[str, str]:
    (row,) = csv.DictReader(io.StringIO(sheet, newline=""))
    return {column.name: _short(row[column.header(units)], column, units) for column in columns}


def _short(text: str, column: Column, units: str) -> str:
    """A long number in another unit that says exactly the same in fewer digits: 40 in for 3.3333333333333334 ft."""
    if not isinstance(column.kind, Quantity) or len(text) <= _LONG:
        return text
    unit = column.kind.us if units == "us" else column.kind.metric
    value, dimension = column.kind.read(text, unit), column.kind.dimension
    others = [f"{exact_text(value, dimension, other)} {other}" for other in UNITS[dimension]]
    return min([text, *others], key=len)


def _refusal(error: RegisterFileError, columns: Sequence[Column]) -> Refusal:
    """The problems of the one row, each under its field's name."""
    names = {header: column.name for column in columns for header in column.headers}
    told: list[str] = []
    at: dict[str, str] = {}
    for problem in error.problems:
        sentence = str(problem).partition(": ")[2]
        name = names.get(problem.column)
        told.append(f"{_label(name)}: {sentence}" if name else sentence)
        if name:
            at.setdefault(name, sentence)
    return Refusal("\n".join([*told, NOTHING_STORED]), at)
