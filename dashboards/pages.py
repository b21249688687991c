"""From an assessment to a folder of pages: names, templates, charts as JSON, and the files they share."""

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import plotly.graph_objects as go
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from dashboards.compare_page import compare_content
from dashboards.cover_page import cover_contents
from dashboards.figures import season_figure
from dashboards.folder import INDEX, LIBRARY, write_folder
from dashboards.packing import chart_json, script_json
from dashboards.review_page import review_content
from dashboards.weather_page import weather_content
from dashboards.yard_page import yard_content
from monitor.assessment import YardAssessment
from monitor.presentation.rows import data_age_text, is_old, linked, source_rows
from monitor.presentation.season import Season
from monitor.presentation.season_review import SeasonContent
from monitor.ranking import HAZARDS
from monitor.register import Cover
from monitor.wording import CAUTIONS, OWN_JUDGEMENT, local_text

if TYPE_CHECKING:  # a folder of pages needs no scheduler
    from monitor.service import JobState

STATIC = ("pages.css", "pages.js", "list.js", "compare.js")
WEATHER = "weather.html"
COMPARE = "compare.html"
REVIEW = "review.html"
_LONGEST_SLUG = 40


def write_pages(folder: Path, assessment: YardAssessment, season: SeasonContent | None = None) -> Path:
    """Write the yard's page, its weather and one page a cover; they open from disk and never call the network.

    Parameters
    ----------
    folder : Path
        Made where it is absent. Files in it that are not ours stay untouched.
    assessment : YardAssessment
        With its hourly series; without them the pages of covers have no chart and say so.
    season : SeasonContent, optional
        Review of the season for a page of its own; without it there is none, and no link to one.

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
    return write_folder(folder, _files(assessment, season))


@dataclass(frozen=True)
class Live:
    """What a served page has besides: the folder of its static files, the service's jobs, and the way back.

    ``static`` and ``app`` end in a slash; ``app`` is the folder of the addresses of yards in the web app.
    """

    static: str
    jobs: Sequence["JobState"] = ()
    app: str = "/yards/"


def yard_page(assessment: YardAssessment, live: Live | None = None, *, reviewed: bool = False) -> str:
    """HTML of the yard's page; ``reviewed`` where a review of the season stands beside it, as it always does live."""
    content = yard_content(assessment, _season_ahead(assessment), page_names(assessment.covers))
    content["review_name"] = REVIEW if reviewed or live is not None else ""
    return _environment().get_template("yard.html").render(**_shared(assessment, live), **content)


def review_page(assessment: YardAssessment, season: SeasonContent, live: Live | None = None) -> str:
    """HTML of the page that reviews the season."""
    content = review_content(season)
    return _environment().get_template("review.html").render(**_shared(assessment, live), **content)


def _season_ahead(assessment: YardAssessment) -> Season:
    """The yard's season, with the hours and storms that are only forecast where the assessment has them."""
    if assessment.outlook is None:
        return Season(assessment)
    storms = (*assessment.storms, *assessment.coming)
    return Season(replace(assessment, weather=assessment.outlook, storms=storms, series=None))


def cover_page(assessment: YardAssessment, cover_id: int, live: Live | None = None) -> str:
    """HTML of one cover's page; KeyError where the assessment has no such cover."""
    for _, page, _ in _covers(assessment, live, only=cover_id):
        return page
    raise KeyError(cover_id)


def weather_page(assessment: YardAssessment, live: Live | None = None) -> str:
    """HTML of the page on the yard's weather: sources, coverage, gaps, flags."""
    content = weather_content(assessment, Season(assessment))
    return _environment().get_template("weather.html").render(**_shared(assessment, live), **content)


def compare_page(assessment: YardAssessment, live: Live | None = None) -> str:
    """HTML of the page that lays two covers side by side; their charts come from what stands beside it."""
    content = compare_content(assessment, Season(assessment), page_names(assessment.covers))
    return _environment().get_template("compare.html").render(**_shared(assessment, live), **content)


YARD_PAGES: dict[str, Callable[[YardAssessment, Live | None], str]] = {
    WEATHER: weather_page,
    COMPARE: compare_page,
    INDEX: yard_page,
}
"""Pages on a whole yard that need no more than its assessment, by file name; a folder gets the index last."""


def static_files() -> dict[str, bytes]:
    """Style, script and library by file name."""
    folder = Path(__file__).parent / "static"
    return {LIBRARY: get_plotlyjs().encode(), **{name: (folder / name).read_bytes() for name in STATIC}}


def cover_pages(assessment: YardAssessment) -> Iterator[tuple[str, str]]:
    """File name and HTML of each cover's page, in the order of the list."""
    for name, page, _ in _covers(assessment):
        yield name, page


def _covers(
    assessment: YardAssessment, live: Live | None = None, only: int | None = None
) -> Iterator[tuple[str, str, Markup]]:
    """File name, HTML and chart (``null`` where there is none) of each cover or of ``only`` one."""
    template = _environment().get_template("cover.html")
    shared = _shared(assessment, live)
    names = page_names(assessment.covers)
    for name, content in cover_contents(assessment, Season(assessment), names, only):
        drawing = Markup("null") if content["chart"] is None else _chart(season_figure(content["chart"]))
        yield name, template.render(**shared, **content, drawing=drawing), drawing


def _season_script(name: str, drawing: Markup) -> tuple[str, bytes]:
    """Name and content of the file that hands a cover's chart to the page that compares two.

    A page that was opened from disk may read no other page; but it may run a script that stands beside it.
    """
    return name.replace(".html", ".js"), f"stormwalk.season({script_json(name)}, {drawing});\n".encode()


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


def _files(assessment: YardAssessment, season: SeasonContent | None) -> Iterator[tuple[str, bytes]]:
    yield from static_files().items()
    for name, page, drawing in _covers(assessment):
        yield name, page.encode()
        yield _season_script(name, drawing)
    if season is not None:
        yield REVIEW, review_page(assessment, season).encode()
    for name, make in YARD_PAGES.items():
        if name != INDEX:
            yield name, make(assessment, None).encode()
    yield INDEX, yard_page(assessment, reviewed=season is not None).encode()


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
        "compare_name": COMPARE,
        "file_stem": f"{_slug(yard.key) or 'yard'}_{assessment.as_of.astimezone(ZoneInfo(yard.time_zone)):%Y-%m-%d}",
        "ahead": _ahead_text(assessment),
        "library": LIBRARY if live is None else f"{live.static}{LIBRARY}",
        "static": "" if live is None else live.static,
        "app": "" if live is None else f"{live.app}{quote(yard.key, safe='')}/",
        "jobs": None if live is None else _job_rows(live.jobs, yard.time_zone),
    }


def _ahead_text(assessment: YardAssessment) -> str:
    """What a ranking that looks ahead rests on; empty for one of the past."""
    if not assessment.ahead_h:
        return ""
    zone = assessment.yard.time_zone
    until = local_text(assessment.as_of + timedelta(hours=assessment.ahead_h), zone)
    text = (
        f"Looks {assessment.ahead_h} h ahead: calls, scores and reasons are those of {until}, if the forecast comes so."
    )
    reach = assessment.forecast
    if reach is None:
        return text + " No forecast is known for those hours; they count as missing."
    return (
        f"{text} Forecast by {', '.join(reach.sources)}, fetched {local_text(reach.fetched_at, zone)}, "
        f"up to {local_text(reach.until, zone)}."
    )


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
    return environment
