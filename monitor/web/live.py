"""The yard as the database knows it now, and its charts: worked out anew when something changed, kept until then.

The charts are made by a `Renderer` that is handed in, so that nothing here depends on how they look.
"""

import hashlib
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol

from monitor.assessment import YardAssessment
from monitor.errors import StormwalkError
from monitor.operations.memory import Memory
from monitor.operations.ranking import OUTLOOK_H, assess_yard, with_hours_of
from monitor.operations.season_review import season_of_yard
from monitor.presentation.season_review import SeasonContent
from monitor.service import BACKUP, TIDY, JobState, job_names
from monitor.store import register as register_store
from monitor.store.connection import connect_read_only
from monitor.store.service import newest_entries, newest_of_season

LONGEST_KEPT = timedelta(minutes=10)
"""A page is made anew after this even where nothing was stored: the age of its data and the days unseen go on."""

INDEX = "index.html"
REVIEW = "review.html"

Clock = Callable[[], datetime]


class Renderer(Protocol):
    """Makes pages. ``static`` is the folder of the addresses of style, script and library, ending in a slash."""

    def static_files(self) -> Mapping[str, bytes]:
        """Style, script and library by file name."""

    def page_names(self, assessment: YardAssessment) -> Mapping[str, int]:
        """The cover's id by the file name of its page."""

    def yard_page(self, assessment: YardAssessment, name: str, static: str, jobs: list[JobState]) -> str | None:
        """HTML of a page on the whole yard by its file name, ``index.html`` first; None where there is none."""

    def cover_page(self, assessment: YardAssessment, cover_id: int, static: str, jobs: list[JobState]) -> str:
        """HTML of one cover's page; the assessment has the hours of that cover."""

    def review_page(self, assessment: YardAssessment, season: SeasonContent, static: str, jobs: list[JobState]) -> str:
        """HTML of the page that reviews the season."""


@dataclass
class _Kept:
    """The pages of one yard as of one moment; made when first asked for."""

    state: tuple[object, ...]
    assessment: YardAssessment
    jobs: list[JobState]
    pages: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class _KeptSeason:
    """A yard's season in words; new weather changes no list of the past, so that it holds until something is logged."""

    state: tuple[int, ...]
    content: SeasonContent


class Pages:
    """Pages of the yards of one database, kept until something of the yard changed; safe for several threads."""

    def __init__(self, database: Path, render: Renderer, states: Callable[[str], list[JobState]], clock: Clock) -> None:
        self._database = database
        self._render = render
        self._states = states
        self._clock = clock
        self._kept: dict[str, _Kept] = {}
        self._seasons: dict[str, _KeptSeason] = {}
        self._memories: dict[str, Memory] = {}
        self._locks: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()
        files = render.static_files()
        digest = hashlib.sha256(b"".join(files[name] for name in sorted(files))).hexdigest()[:12]
        self.files = files
        self.static = f"/static/{digest}/"

    def assessment(self, yard_key: str) -> YardAssessment:
        """A yard as it is now, without hourly series. Raises StormwalkError where it has no cover."""
        with self._making(yard_key), self._reading() as conn:
            return self._current(conn, yard_key).assessment

    def page(self, yard_key: str, name: str) -> bytes | None:
        """A yard's page by its file name; None where there is none. Raises StormwalkError where it cannot be made."""
        with self._making(yard_key), self._reading() as conn:
            kept = self._current(conn, yard_key)
            if name not in kept.pages and name != REVIEW:
                made = self._make(kept, name)
                if made is None:
                    return None
                kept.pages[name] = made.encode()
            if name in kept.pages:
                return kept.pages[name]
        with self._making(f"{yard_key} {REVIEW}"), self._reading() as conn:  # some seconds, in which other pages go on
            content = self._season(conn, kept.assessment).content
            kept.pages[name] = self._render.review_page(kept.assessment, content, self.static, kept.jobs).encode()
            return kept.pages[name]

    def prepare(self, yard_key: str) -> None:
        """Make a yard's list and first page now, so that the next visitor need not wait while new weather is worked in.

        What cannot be made is told to that visitor.
        """
        with suppress(StormwalkError, sqlite3.Error):
            self.page(yard_key, INDEX)

    def page_name(self, assessment: YardAssessment, cover_id: int) -> str:
        """File name of the page of one of a yard's covers."""
        return next(name for name, known in self._render.page_names(assessment).items() if known == cover_id)

    def _current(self, conn: sqlite3.Connection, yard_key: str) -> _Kept:
        yard = register_store.yard(conn, yard_key)
        now = self._clock()
        kept = self._kept.get(yard_key)
        state = newest_entries(conn, register_store.yard_id(conn, yard_key), [*job_names(yard_key), BACKUP, TIDY])
        if kept is None or kept.state != state or not _fresh(kept.assessment.as_of, now):
            memory = self._memories.setdefault(yard_key, Memory())
            assessment = assess_yard(conn, yard, as_of=now, known_at=now, outlook_h=OUTLOOK_H, memory=memory)
            kept = self._kept[yard_key] = _Kept(state, assessment, self._states(yard_key))
        return kept

    def _season(self, conn: sqlite3.Connection, assessment: YardAssessment) -> _KeptSeason:
        yard = assessment.yard
        kept = self._seasons.get(yard.key)
        state = newest_of_season(conn, register_store.yard_id(conn, yard.key))
        if kept is None or kept.state != state:
            content = season_of_yard(conn, yard, until=assessment.as_of)
            kept = self._seasons[yard.key] = _KeptSeason(state, content)
        return kept

    @contextmanager
    def _making(self, what: str) -> Iterator[None]:
        """One at a time: two visitors at once do not work out the same twice."""
        with self._lock:
            making = self._locks.setdefault(what, threading.Lock())
        with making:
            yield

    def _make(self, kept: _Kept, name: str) -> str | None:
        cover_id = self._render.page_names(kept.assessment).get(name)
        if cover_id is None:
            return self._render.yard_page(kept.assessment, name, self.static, kept.jobs)
        alone = with_hours_of(kept.assessment, cover_id)
        return self._render.cover_page(alone, cover_id, self.static, kept.jobs)

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with closing(connect_read_only(self._database)) as conn:
            yield conn


def _fresh(as_of: datetime, now: datetime) -> bool:
    return timedelta(0) <= now - as_of < LONGEST_KEPT
