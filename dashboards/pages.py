"""From an assessment to a folder of pages: names, templates, charts as JSON, and the files they share."""

import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from dashboards.cover_page import cover_contents
from dashboards.figures import season_figure
from dashboards.folder import INDEX, LIBRARY, write_folder
from dashboards.packing import chart_json
from dashboards.weather_page import weather_content
from dashboards.yard_page import yard_content
from monitor.assessment import YardAssessment
from monitor.presentation.rows import data_age_text, is_old, linked, source_rows
from monitor.presentation.season import Season
from monitor.ranking import HAZARDS
from monitor.register import Cover, Yard
from monitor.wording import CAUTIONS, OWN_JUDGEMENT, local_text

if TYPE_CHECKING:  # a folder of pages needs no scheduler
    from monitor.service import JobState

STATIC = ("pages.css", "pages.js")
WEATHER = "weather.html"
_LONGEST_SLUG = 40


def write_pages(folder: Path, assessment: YardAssessment) -> Path:
    """Write the yard's page, its weather and one page a cover; they open from disk and never call the network.

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


@dataclass(frozen=True)
class Live:
    """What a served page has besides: the folder of its static files, ending in a slash, and the service's jobs."""

    static: str
    jobs: Sequence["JobState"] = ()


def yard_page(assessment: YardAssessment, live: Live | None = None) -> str:
    """HTML of the yard's page."""
    season = Season(assessment)
    content = yard_content(assessment, season, page_names(assessment.covers))
    return _environment().get_template("yard.html").render(**_shared(assessment, live), **content)


def cover_page(assessment: YardAssessment, cover_id: int, live: Live | None = None) -> str:
    """HTML of one cover's page; KeyError where the assessment has no such cover."""
    names = page_names(assessment.covers)
    for _, content in cover_contents(assessment, Season(assessment), names, only=cover_id):
        return _environment().get_template("cover.html").render(**_shared(assessment, live), **content)
    raise KeyError(cover_id)


def weather_page(assessment: YardAssessment, live: Live | None = None) -> str:
    """HTML of the page on the yard's weather: sources, coverage, gaps, flags."""
    content = weather_content(assessment, Season(assessment))
    return _environment().get_template("weather.html").render(**_shared(assessment, live), **content)


def list_page(yards: Sequence[Yard], static: str) -> str:
    """HTML of the list of yards; each leads to a folder of the yard's key."""
    return _environment().get_template("plain.html").render(title="Yards", yards=yards, sentence="", static=static)


def trouble_page(title: str, sentence: str, static: str) -> str:
    """HTML of a page that says in a sentence why there is no other."""
    return _environment().get_template("plain.html").render(title=title, yards=(), sentence=sentence, static=static)


def static_files() -> dict[str, bytes]:
    """Style, script and library by file name."""
    folder = Path(__file__).parent / "static"
    return {LIBRARY: get_plotlyjs().encode(), **{name: (folder / name).read_bytes() for name in STATIC}}


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
    yield from static_files().items()
    for name, page in cover_pages(assessment):
        yield name, page.encode()
    yield WEATHER, weather_page(assessment).encode()
    yield INDEX, yard_page(assessment).encode()


def _shared(assessment: YardAssessment, live: Live | None = None) -> dict[str, Any]:
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
        "home": INDEX,
        "weather_name": WEATHER,
        "library": LIBRARY if live is None else f"{live.static}{LIBRARY}",
        "static": "" if live is None else live.static,
        "jobs": None if live is None else _job_rows(live.jobs, yard.time_zone),
    }


def _job_rows(jobs: Sequence["JobState"], time_zone: str) -> list[dict[str, str]]:
    """One row a job of the service: what it is, how its newest run went, when it is due; in trouble or not."""
    rows = []
    for job in jobs:
        started = "never" if job.started_at is None else local_text(job.started_at, time_zone)
        done = "never" if job.last_done_at is None else local_text(job.last_done_at, time_zone)
        rows.append(
            {
                "job": job.job,
                "outcome": job.outcome,
                "started": started,
                "done": done,
                "due": local_text(job.next_due_at, time_zone),
                "message": job.message,
                "trouble": f"{job.job} has failed {job.failures} times in a row, last {started}; last done {done}."
                if job.failures
                else "",
            }
        )
    return rows


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
    environment.filters["season_figure"] = season_figure
    return environment
