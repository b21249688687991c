"""The base of every document: what each says of itself, the look they share, and how a template becomes one page.

A document is one HTML file with its style inside: no script, nothing fetched. It is black on white on paper, and
follows the light or dark of a screen.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from monitor.inspections import SEVERITIES
from monitor.presentation.rows import is_old, linked
from monitor.register import Yard
from monitor.wording import CAUTIONS, OWN_JUDGEMENT, local_text, utc_text


@dataclass(frozen=True)
class About:
    """What every document says of itself.

    ``what`` tells in a sentence or two what the document is. ``as_of`` is the moment of its data (UTC), which a PDF
    carries as its date; ``data_age_h`` is the age of the newest weather hour then, None where no weather was known.
    ``basis`` is what was modelled and what was seen; ``remarks`` are further sentences beside it.
    """

    title: str
    what: str
    yard: Yard
    as_of: datetime
    data_age_h: float | None
    version: str
    credits: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    basis: str = OWN_JUDGEMENT
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def paper(self) -> str:
        """Paper of the yard's country, as CSS names it: US Letter where it shows feet and pounds, else A4."""
        return "letter" if self.yard.display_units == "us" else "A4"

    @property
    def weather(self) -> str:
        """How new the weather behind the document is, in a sentence."""
        if self.data_age_h is None:
            return "No weather was known; this rests on the register and the log alone."
        newest = local_text(self.as_of - timedelta(hours=self.data_age_h), self.yard.time_zone)
        if is_old(self.data_age_h):
            return f"Old data: the newest weather hour was {newest}, {self.data_age_h:.0f} h before."
        return f"Newest weather hour: {newest}."


def render(template: str, about: About, **values: Any) -> str:
    """One self-contained HTML page from a template that extends ``base.html``.

    Every text is escaped. In the template moments go through the filter ``local`` with the yard's time zone.

    Parameters
    ----------
    template : str
        Name in ``monitor/documents/templates``.
    about : About
    **values
        What the template shows besides. A name that it asks for and is not given raises ``jinja2.UndefinedError``.
    """
    return environment().get_template(template).render(about=about, **values)


def with_ways(page: str, ways: Sequence[tuple[str, str]]) -> str:
    """A document with links above its heading, for the screen alone, as a web app shows it.

    ``ways`` are words and address of each. The file that is saved has none of them.
    """
    before, header, after = page.partition("<header>")
    return before + environment().get_template("ways.html").render(ways=ways) + header + after


def file_stem(kind: str, yard: Yard, as_of: datetime, boat: str = "") -> str:
    """Name of a document's file without its ending: kind, yard, boat and day, with nothing that a folder would read."""
    parts = [kind, yard.key, *([boat] if boat else []), f"{as_of.astimezone(ZoneInfo(yard.time_zone)):%Y-%m-%d}"]
    return "-".join(re.sub(r"[^\w-]|_", "-", part) for part in parts)


@cache
def environment() -> Environment:
    """The templates, with escaping on, names that must be given, and what all of them use."""
    made = Environment(
        loader=PackageLoader("monitor.documents"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = (Path(__file__).parent / "documents.css").read_text(encoding="utf-8")
    made.globals |= {"style": Markup(style), "severities": SEVERITIES}  # our own file, not escaped
    made.filters |= {"local": local_text, "utc": utc_text, "linked": linked}
    return made
