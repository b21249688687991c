"""Stored walks: plain values back into requests, plans and covers, and nothing but what was written so. Pure."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from monitor.walks.plan import LeftOut, PartyRound, PlannedStop, WalkCover, WalkPlan, WalkRequest


def request_from_json(plain: Mapping[str, Any]) -> WalkRequest:
    """The request that `WalkRequest.as_json` wrote. Raises ValueError where it is none."""
    with _as_written():
        read = {**plain, "crew": tuple(plain["crew"]), "calls": tuple(plain["calls"])}
        request = WalkRequest(**{**read, **_moments(plain, "start", "as_of")})
        _refuse_unless(request.as_json() == plain)
    return request


def plan_from_json(plain: Mapping[str, Any]) -> WalkPlan:
    """The plan that `WalkPlan.as_json` wrote. Raises ValueError where it is none."""
    with _as_written():
        rounds = tuple(
            PartyRound(
                names=tuple(one["names"]),
                stops=tuple(PlannedStop(**{**stop, **_moments(stop, "arrive")}) for stop in one["stops"]),
                walked_m=one["walked_m"],
                finish=datetime.fromisoformat(one["finish"]),
            )
            for one in plain["rounds"]
        )
        read = {**plain, **_moments(plain, "as_of", "start", "latest_finish", "sunrise", "sunset")}
        left_out = tuple(LeftOut(**one) for one in plain["left_out"])
        plan = WalkPlan(**{**read, "rounds": rounds, "left_out": left_out, "notes": tuple(plain["notes"])})
        stops = [stop for one in rounds for stop in one.stops]
        named: list[PlannedStop | LeftOut] = [*stops, *left_out]
        numbers = [plan.covered_share, *(one.walked_m for one in rounds), *(one.score for one in named)]
        numbers += [number for stop in stops for number in (stop.minutes, stop.walk_m)]
        texts = [plan.yard_key, *plan.notes, *(name for one in rounds for name in one.names)]
        texts += [text for one in named for text in (one.boat, one.call)] + [one.why for one in left_out]
        _refuse_unless(all(isinstance(number, int | float) for number in numbers))
        _refuse_unless(all(isinstance(text, str) for text in texts))
        _refuse_unless(None not in (plan.as_of, plan.start) and all(stop.arrive is not None for stop in stops))
        _refuse_unless(plan.as_json() == plain)
    return plan


def cover_from_json(plain: Mapping[str, Any]) -> WalkCover:
    """The cover whose fields these are."""
    return WalkCover(**{**plain, "stand_defects": tuple(plain["stand_defects"])})


@contextmanager
def _as_written() -> Iterator[None]:
    """One error for whatever is wrong with values that this program has not written so."""
    try:
        yield
    except (LookupError, TypeError, AttributeError, ArithmeticError, ValueError) as error:
        raise ValueError(f"a walk that is kept cannot be read ({error!r:.200})") from error


def _refuse_unless(sound: bool) -> None:
    if not sound:
        raise ValueError("a value in it is of another kind")


def _moments(plain: Mapping[str, Any], *names: str) -> dict[str, datetime | None]:
    return {name: None if plain[name] is None else datetime.fromisoformat(plain[name]) for name in names}
