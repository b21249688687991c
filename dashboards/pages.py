"""From an assessment to a folder of pages: names, templates, charts as JSON, and the files they share."""

import re
import unicodedata
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from dashboards.cover_page import cover_contents
from dashboards.folder import INDEX, LIBRARY, write_folder
from dashboards.packing import chart_json
from dashboards.rows import data_age_text, is_old, linked, source_rows
from dashboards.season import Season
from dashboards.yard_page import yard_content
from monitor.assessment import YardAssessment
from monitor.ranking import HAZARDS
from monitor.register import Cover
from monitor.wording import CAUTIONS, OWN_JUDGEMENT, local_text

STATIC = ("pages.css", "pages.js")
_LONGEST_SLUG = 40


def write_pages(folder: Path, assessment: YardAssessment) -> Path:
    """Write the yard's page and one page a cover; they open from disk and never call the network.

    Parameters
    ----------
    folder : Path
        Made where it is absent. Files in it that are not ours stay untouched.
    assessment : YardAssessment
        With its hourly series; without them the pages of covers have no chart and say so.

    Returns
    -------
    Path
        The yard's page.

    Raises
    ------
    FolderError
        The folder holds a page of the same name that stormwalk did not write; nothing is written then.
    OSError
        The folder cannot be made or written.
    """
    return write_folder(folder, _files(assessment))


def yard_page(assessment: YardAssessment) -> str:
    """HTML of the yard's page."""
    season = Season(assessment)
    content = yard_content(assessment, season, page_names(assessment.covers))
    return _environment().get_template("yard.html").render(**_shared(assessment), **content)


def cover_pages(assessment: YardAssessment) -> Iterator[tuple[str, str]]:
    """File name and HTML of each cover's page, in the order of the list."""
    template = _environment().get_template("cover.html")
    shared = _shared(assessment)
    for name, content in cover_contents(assessment, Season(assessment), page_names(assessment.covers)):
        yield name, template.render(**shared, **content)


def page_names(covers: tuple[Cover, ...]) -> dict[int | None, str]:
    """File name of each cover's page by the cover's id: ``cover-12.html`` for boat 12.

    Made of small letters, digits and hyphens alone. Boats that come out alike, or as nothing, get the cover's id added.
    """
    slugs = {cover.id: _slug(cover.boat.number) for cover in covers}
    count = Counter(slugs.values())
    names: dict[int | None, str] = {}
    for cover_id, slug in slugs.items():
        whole = slug if slug and count[slug] == 1 else f"{slug or 'boat'}--{cover_id}"
        names[cover_id] = f"cover-{whole}.html"
    return names


def _slug(number: str) -> str:
    plain = unicodedata.normalize("NFKD", number).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_SLUG].strip("-")


def _files(assessment: YardAssessment) -> Iterator[tuple[str, bytes]]:
    yield LIBRARY, get_plotlyjs().encode()
    for name in STATIC:
        yield name, (Path(__file__).parent / "static" / name).read_bytes()
    for name, page in cover_pages(assessment):
        yield name, page.encode()
    yield INDEX, yard_page(assessment).encode()


def _shared(assessment: YardAssessment) -> dict[str, Any]:
    """What every page has: whose it is, as of when, how old its weather, credits, cautions."""
    yard = assessment.yard
    credits = dict.fromkeys(status.credit for status in assessment.sources if status.credit)
    return {
        "yard": yard,
        "as_of": local_text(assessment.as_of, yard.time_zone, year=True),
        "data_age": data_age_text(assessment.data_age_h),
        "data_is_old": is_old(assessment.data_age_h),
        "credits": [linked(credit) for credit in credits],
        "sources": source_rows(assessment.sources, yard.time_zone),
        "not_assessed": [HAZARDS[name].label if name in HAZARDS else name for name in assessment.not_assessed],
        "own_judgement": OWN_JUDGEMENT,
        "cautions": CAUTIONS,
        "version": assessment.version,
        "ranking_id": assessment.ranking_id,
        "home": INDEX,
        "library": LIBRARY,
    }


def _chart(figure: go.Figure) -> Markup:
    return Markup(chart_json(figure))  # safe: no character is left that could end the script element


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("dashboards"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["chart"] = _chart
    return environment
