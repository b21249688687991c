"""Open-Meteo's past: requests for a season of a yard, piece by piece, and the answers as canonical hours. Pure.

Two archives in one shape. ``historical-forecast`` keeps the first hours of each model run, from 2022 on, with the gusts
of the forecast service. ``archive`` is a reanalysis from 1940 on; its gust is that of the moment, not the highest of
the hour. Choose one for a season: their numbers do not go together.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any, Literal
from urllib.parse import urlsplit

import pandas as pd

from monitor.errors import ProviderContractError
from monitor.register import Yard
from monitor.weather.answers import decoded, quoted
from monitor.weather.providers import Request, open_meteo
from monitor.weather.table import ParsedHours

Archive = Literal["historical-forecast", "archive"]

_HOSTS: dict[Archive, tuple[str, str]] = {
    "historical-forecast": ("historical-forecast-api.open-meteo.com", "/v1/forecast"),
    "archive": ("archive-api.open-meteo.com", "/v1/archive"),
}
"""Free host, and path; a customer's host has ``customer-`` before it, as the service's own source lists them."""

EARLIEST: dict[Archive, date] = {"historical-forecast": date(2022, 1, 1), "archive": date(1940, 1, 1)}

MONTHS_A_REQUEST = 3

_GUST = "wind_gusts_10m"
_ONLY_FORECAST = ("showers", _GUST)
"""What the archive lacks, or has in another sense."""

_NO_MODEL = re.compile(
    r"[0-9]|(probability|low|mid|high|instant|water_equivalent|height|hours|max|min|mean|sum|spread"
    r"|previous_day[0-9]+|member[0-9]+)(_|$)"
)
"""What follows a known name in the name of another variable, such as ``cloud_cover_low``, where a model would stand."""


def requests_for(
    yard: Yard,
    start: datetime,
    end: datetime,
    now: datetime,
    *,
    which: Archive = "historical-forecast",
    customer_key: str = "",
    own_server: str = "",
) -> list[Request]:
    """One request for each calendar quarter from ``start`` to ``end``, so that a long backfill can be taken up again.

    Parameters
    ----------
    yard : Yard
        Its ``open_meteo_plan`` decides the server, as for the forecast.
    start, end, now : datetime
        UTC. What is to come, and what lies before the archive begins, is not asked for.
    which : {'historical-forecast', 'archive'}
    customer_key, own_server : str
        As for the forecast. An own server gives its archive at ``/v1/archive`` beside its ``/v1/forecast``.

    Raises StormwalkError where the yard states no plan, or what the plan needs is not given.
    """
    url, secret = _server(yard, which, customer_key, own_server)
    if start >= min(end, now):
        return []
    lacks = _ONLY_FORECAST if which == "archive" else ()
    return [
        Request(
            url=url,
            params={
                "latitude": f"{yard.latitude_deg:.4f}",
                "longitude": f"{yard.longitude_deg:.4f}",
                "elevation": f"{yard.elevation_m:g}",
                "hourly": ",".join(name for name in open_meteo.ASKED if name not in lacks),
                "start_date": first.isoformat(),
                "end_date": last.isoformat(),
                "timezone": "GMT",
                "wind_speed_unit": "ms",
            },
            secret_params=secret,
        )
        for first, last in _quarters(max(start.date(), EARLIEST[which]), min(end, now).date())
    ]


def parse(body: bytes, *, fetched_at: datetime, which: Archive = "historical-forecast") -> ParsedHours:
    """Canonical hours of one place; all are analysis.

    Parameters
    ----------
    body : bytes
        The answer as it came. Columns may carry the name of a model, ``wind_gusts_10m_gfs_seamless``, if all carry the
        same.
    fetched_at : datetime
        When it came (UTC). Hours that had not ended are left out: the archives fill them with forecast.
    which : {'historical-forecast', 'archive'}
        Which archive the answer is from; it does not say. The gust of ``archive`` is left out: it is that of the
        moment, so it is no ``wind_gust_ms``. `which_archive` tells by the address.

    Raises
    ------
    ProviderContractError
        As for the forecast, and where the columns are of several models.
    """
    answer = _one_answer(body)
    notes: list[str] = []
    if answer is not None:
        answer = _of_one_model(answer)
        answer = _without_gust(answer, notes) if which == "archive" else answer
        body = json.dumps(answer).encode()
    parsed = open_meteo.parse(body, fetched_at=fetched_at)
    hours = parsed.hours[parsed.kinds == "analysis"]
    if len(hours) < len(parsed.hours):
        notes.append(f"{len(parsed.hours) - len(hours)} hours that had not ended were left out.")
    hours = _trimmed(hours, notes)
    notes += [
        f"Open-Meteo gives {name} up to {hours.index[hours[name].notna()][-1]:%Y-%m-%d %H:%MZ} so far."
        for name in hours.columns
        if len(hours) and hours[name].notna().any() and pd.isna(hours[name].iloc[-1])
    ]
    kinds = parsed.kinds[hours.index]
    return replace(parsed, hours=hours, flags=parsed.flags.loc[hours.index], kinds=kinds, notes=(*parsed.notes, *notes))


def which_archive(url: str) -> Archive:
    """The archive that an answer is from, by the address it was asked at."""
    return "archive" if urlsplit(url).path.endswith(_HOSTS["archive"][1]) else "historical-forecast"


def _server(yard: Yard, which: Archive, customer_key: str, own_server: str) -> tuple[str, dict[str, str]]:
    url, secret = open_meteo.server(yard, customer_key, own_server)
    host, path = _HOSTS[which]
    if url == open_meteo.FREE_URL:
        return f"https://{host}{path}", secret
    if url == open_meteo.CUSTOMER_URL:
        return f"https://customer-{host}{path}", secret
    return url.removesuffix("/v1/forecast") + path, secret


def _quarters(first: date, last: date) -> Iterator[tuple[date, date]]:
    """Whole days from first to last, cut at calendar quarters, so that a request repeated is the same request."""
    while first <= last:
        month = (first.month - 1) // MONTHS_A_REQUEST * MONTHS_A_REQUEST + MONTHS_A_REQUEST  # the quarter's last
        following = date(first.year + month // 12, month % 12 + 1, 1)
        yield first, min(following - timedelta(days=1), last)
        first = following


def _one_answer(body: bytes) -> dict[str, Any] | None:
    """The answer with its two blocks; None where it is anything else, which the forecast's parser then refuses."""
    try:
        answer = decoded(open_meteo.SERVICE, body)
    except ProviderContractError:
        return None
    if isinstance(answer, list) and len(answer) == 1:
        answer = answer[0]
    whole = isinstance(answer, dict) and all(isinstance(answer.get(key), dict) for key in ("hourly", "hourly_units"))
    return answer if whole else None


def _of_one_model(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer with plain names; refused where its columns are of several models."""
    models = {model for name in answer["hourly"] if (model := _model(name)) is not None}
    if len(models) > 1:
        named = quoted(", ".join(sorted(model or "one not named" for model in models)))
        raise ProviderContractError(
            f"Open-Meteo: expected columns of one model, got {len(models)}: {named}. Nothing was read from this "
            f"answer. Ask for one model, or for none to get the service's own choice."
        )
    return answer | {
        block: {_base(name) or name: part for name, part in answer[block].items()}
        for block in ("hourly", "hourly_units")
    }


def _base(column: str) -> str | None:
    """The known variable that a column is of, without its model; None for another variable."""
    return next((name for name in open_meteo.READ if _model_after(name, column) is not None), None)


def _model(column: str) -> str | None:
    """The model at the end of a column's name, empty where there is none; None for another variable."""
    base = _base(column)
    return None if base is None else _model_after(base, column)


def _model_after(name: str, column: str) -> str | None:
    if column == name:
        return ""
    model = column.removeprefix(f"{name}_")
    return None if model == column or _NO_MODEL.match(model) else model


def _without_gust(answer: dict[str, Any], notes: list[str]) -> dict[str, Any]:
    gusts = {_GUST, "windgusts_10m"}
    if not gusts & set(answer["hourly"]):
        return answer
    notes.append("The archive's gust is that of the moment, not the highest of the hour; it was left out.")
    return answer | {"hourly": {name: values for name, values in answer["hourly"].items() if name not in gusts}}


def _trimmed(hours: pd.DataFrame, notes: list[str]) -> pd.DataFrame:
    """Hours without those at the beginning and the end of which nothing is known; gaps between stay."""
    known = hours.index[hours.notna().any(axis="columns")]
    if known.empty and len(hours):
        notes.append("Open-Meteo sent hours and no value in any of them.")
    kept = hours[known[0] : known[-1]] if len(known) else hours[:0]
    for left, where in ((hours.index < kept.index.min(), "first"), (hours.index > kept.index.max(), "last")):
        if left.any():
            notes.append(f"The {where} {left.sum()} hours without any value were left out.")
    return kept
