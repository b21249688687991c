"""Documents made one at a time for each yard, beside the pages, and kept until something of the yard has changed."""

import asyncio
import threading
from collections import Counter, OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from monitor.errors import StormwalkError
from monitor.web.live import LONGEST_KEPT

MOST_KEPT = 24
"""Documents kept, all yards together: with twelve photos each has about 4 MB."""

MOST_WAITING = 6
"""Documents asked for and not made yet, of one yard; more would not come within a minute or two."""

T = TypeVar("T")


class TooManyWaitingError(StormwalkError):
    """The yard has enough documents to make."""


@dataclass(frozen=True)
class _Kept:
    state: Hashable
    made_at: datetime
    content: Any


class Maker:
    """Makes documents in a thread for each yard, so that a long one stands in nobody's way but another's document."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Hashable, _Kept] = OrderedDict()
        self._threads: dict[str, ThreadPoolExecutor] = {}
        self._waiting: Counter[str] = Counter()
        self._lock = threading.Lock()

    async def made(self, yard_key: str, what: Hashable, state: Hashable, now: datetime, make: Callable[[], T]) -> T:
        """What ``make`` returns, or returned before in this state of the yard, not long ago.

        Parameters
        ----------
        what : hashable
            The document with all that it was asked with.
        state : hashable
            Changes when anything that the document shows does.

        Raises
        ------
        TooManyWaitingError
            Too many wait for a document of this yard.
        """
        key = (yard_key, what)
        found = self._fresh(key, state, now)
        if found is not None:
            return found.content  # type: ignore[no-any-return]

        def in_thread() -> T:
            before = self._fresh(key, state, now)  # somebody else waited for the same
            if before is not None:
                return before.content  # type: ignore[no-any-return]
            content = make()
            self._keep(key, _Kept(state, now, content))
            return content

        threads = self._enter(yard_key)
        try:
            return await asyncio.get_running_loop().run_in_executor(threads, in_thread)
        finally:
            with self._lock:
                self._waiting[yard_key] -= 1

    def _enter(self, yard_key: str) -> ThreadPoolExecutor:
        with self._lock:
            if self._waiting[yard_key] >= MOST_WAITING:
                raise TooManyWaitingError(
                    "Many documents of this yard are being made, and this one was not begun. Load the page again in a "
                    "minute."
                )
            self._waiting[yard_key] += 1
            if yard_key not in self._threads:
                self._threads[yard_key] = ThreadPoolExecutor(1, f"documents-{yard_key}")
            return self._threads[yard_key]

    def _fresh(self, key: Hashable, state: Hashable, now: datetime) -> _Kept | None:
        with self._lock:
            kept = self._kept.get(key)
            if kept is None or kept.state != state or not kept.made_at <= now < kept.made_at + LONGEST_KEPT:
                return None
            self._kept.move_to_end(key)
            return kept

    def _keep(self, key: Hashable, kept: _Kept) -> None:
        with self._lock:
            self._kept[key] = kept
            self._kept.move_to_end(key)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
