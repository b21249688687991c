"""Fetching from weather services: one session with time-outs, patience and a name, and one GET."""

import email.utils
import json
import logging
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.util.retry import Retry

from monitor import __version__
from monitor.errors import ServiceUnavailableError
from monitor.weather.providers import Answer, Request

TIMEOUT_S = (5.0, 30.0)
"""Connect, read. [s]"""

RETRIED = (408, 429, 500, 502, 503, 504)
"""Statuses that pass by themselves; any other 4xx is our own mistake and is never repeated."""

LARGEST_ANSWER_BYTES = 50_000_000
"""Unpacked; of a season of one place the largest real answer has about 5 MB. More is not read."""

LONGEST_HOLD = timedelta(hours=6)
"""However long an answer is said to hold, the service is asked again after this: a wrong header must not silence it."""

WHAT_NOW = 'Nothing was stored. The next pull tries again; "stormwalk weather status" shows how old the weather is.'


class RefusedError(ServiceUnavailableError):
    """A service answered with a status of 400 and up; without this class it did not answer at all."""

    def __init__(self, sentence: str, status: int) -> None:
        super().__init__(sentence)
        self.status = status


def session(
    contact: str,
    *,
    retries: int = 4,
    backoff_factor_s: float = 0.5,
    backoff_jitter_s: float = 0.3,
    retry_after_max_s: int = 60,
) -> requests.Session:
    """A session that says who asks, and tries again what may pass.

    Parameters
    ----------
    contact : str
        Mail address or page of the yard: two of the services refuse a caller without one.
    retries : int
        Tries after the first.
    backoff_factor_s, backoff_jitter_s : float
        Wait ``backoff_factor_s`` x 2^n plus up to ``backoff_jitter_s`` at random, 30 s at most. [s]
    retry_after_max_s : int
        Longest wait that a service may ask for. [s]
    """
    retry = Retry(
        total=retries,
        backoff_factor=backoff_factor_s,
        backoff_jitter=backoff_jitter_s,
        backoff_max=30,
        retry_after_max=retry_after_max_s,
        status_forcelist=RETRIED,
        allowed_methods={"GET"},
        raise_on_status=False,
    )
    made = requests.Session()
    made.headers["User-Agent"] = _user_agent(contact)
    for scheme in ("https://", "http://"):
        made.mount(scheme, HTTPAdapter(max_retries=retry))
    return made


def get(session: requests.Session, request: Request, clock: Callable[[], datetime]) -> Answer:
    """One answer as it came, whatever its body; the parser judges that.

    Parameters
    ----------
    session : requests.Session
        From ``session()``.
    request : Request
    clock : callable
        Gives the time now (UTC); asked once, when the answer is in.

    Raises
    ------
    ServiceUnavailableError
        No answer, or (RefusedError) one with a status of 400 and up, after the agreed number of tries. The sentence
        quotes the service's own reason and holds no secret.
    """
    service = urlsplit(request.url).hostname or request.url
    try:
        response = session.get(
            request.url,
            params={**request.params, **request.secret_params},
            headers=dict(request.headers),
            timeout=TIMEOUT_S,
            stream=True,
        )
        body = _body(response)
    except requests.RequestException as error:  # its text holds the whole address, secrets included: not chained
        what, tried_again = _what_failed(error)
        tries = _tries(_allowed_tries(session, request.url) if tried_again else 1)
        raise ServiceUnavailableError(f"{service} {what} ({tries}). {WHAT_NOW}") from None
    if body is None:
        raise ServiceUnavailableError(
            f"{service} sent more than {LARGEST_ANSWER_BYTES / 1e6:.0f} MB, which no answer has, and was read no "
            f"further. {WHAT_NOW}"
        )
    if response.status_code >= 400:
        sentence = _refusal(service, response, body, request, _allowed_tries(session, request.url))
        raise RefusedError(sentence, response.status_code)
    return Answer(
        url=address(request),
        status=response.status_code,
        headers=dict(response.headers),
        body=body,
        fetched_at=clock(),
    )


def _body(response: requests.Response) -> bytes | None:
    """The whole body, unpacked; None where it is larger than any answer, of which no more is read."""
    parts, size = [], 0
    with response:
        for part in response.iter_content(65_536):
            parts.append(part)
            size += len(part)
            if size > LARGEST_ANSWER_BYTES:
                return None
    return b"".join(parts)


def address(request: Request) -> str:
    """The whole address of a request, without secrets: that of its answer."""
    return requests.Request("GET", request.url, params=dict(request.params)).prepare().url or request.url


def holds_until(saved: Mapping[str, str]) -> datetime | None:
    """Until when a service wants an answer with these headers (names in lower case) to be used; None where not said.

    ``max-age`` counts before ``Expires`` (RFC 9111), from the ``Date`` of the answer on.
    """
    control = saved.get("cache-control", "").lower()
    if "no-store" in control or "no-cache" in control:
        return None
    sent = _http_time(saved.get("date", ""))
    if sent is not None and (age := re.search(r"(?:^|[ ,])max-age=(\d{1,9})", control)):
        until: datetime | None = sent + min(timedelta(seconds=int(age[1])), LONGEST_HOLD)
    else:
        until = _http_time(saved.get("expires", ""))
    return until if until is None or sent is None else min(until, sent + LONGEST_HOLD)


def conditional(request: Request, saved: Mapping[str, str]) -> Request:
    """The request, answered in full only if the answer with these headers (lower case) holds no more; else with 304."""
    asked = {"If-None-Match": saved.get("etag"), "If-Modified-Since": saved.get("last-modified")}
    return replace(request, headers={**request.headers, **{name: text for name, text in asked.items() if text}})


def _http_time(text: str) -> datetime | None:
    """A date of a header, ``Mon, 20 Jul 2020 12:14:53 GMT``; None where it says nothing."""
    try:
        stated = email.utils.parsedate_to_datetime(text)
    except (ValueError, TypeError, OverflowError):
        return None
    if not 1970 <= stated.year < 2200:  # near the ends of the calendar an hour more or another zone cannot be told
        return None
    return stated.replace(tzinfo=UTC) if stated.tzinfo is None else stated.astimezone(UTC)


def _user_agent(contact: str) -> str:
    plain = " ".join(contact.encode("ascii", "ignore").decode().split())
    return f"stormwalk/{__version__} ({plain})" if plain else f"stormwalk/{__version__}"


def _allowed_tries(session: requests.Session, url: str) -> int:
    adapter = session.get_adapter(url)
    total = adapter.max_retries.total if isinstance(adapter, HTTPAdapter) else 0
    return 1 + int(total or 0)


def _tries(count: int) -> str:
    return "1 try" if count == 1 else f"{count} tries"


def _what_failed(error: requests.RequestException) -> tuple[str, bool]:
    """What happened in words, and whether the session had tried it again."""
    kinds: tuple[tuple[type[requests.RequestException], str, bool], ...] = (
        (requests.exceptions.SSLError, "has a certificate that is not trusted", True),
        (requests.exceptions.ConnectTimeout, f"could not be reached within {TIMEOUT_S[0]:g} s", True),
        (requests.exceptions.Timeout, f"did not answer within {TIMEOUT_S[1]:g} s", True),
        (requests.exceptions.ConnectionError, "could not be reached", True),
        (requests.exceptions.ChunkedEncodingError, "broke off in the middle of its answer", False),
        (requests.exceptions.ContentDecodingError, "sent an answer that cannot be unpacked", False),
        (requests.exceptions.TooManyRedirects, "sends from one address to the next without end", False),
    )
    for kind, sentence, tried_again in kinds:
        if isinstance(error, kind):
            return sentence, tried_again
    return f"could not be asked ({type(error).__name__})", False


def _refusal(service: str, response: requests.Response, body: bytes, request: Request, allowed_tries: int) -> str:
    status = response.status_code
    tries = _tries(allowed_tries if status in RETRIED else 1)
    reason = _reason(body)
    for secret in filter(None, request.secret_params.values()):
        reason = reason.replace(secret, "***")
    said = f': "{reason}"' if reason else ""
    if status in RETRIED:
        return f"{service} answered {status}{said} ({tries}). {WHAT_NOW}"
    return (
        f"{service} refused the request with {status}{said} ({tries}). Nothing was stored. "
        f"Asking again will not help: check the yard's place, station, plan and contact."
    )


def _reason(body: bytes) -> str:
    """The service's own words: the usual keys of a JSON error, else the first line of plain text."""
    text = body.decode("utf-8", "replace").strip()
    try:
        said = json.loads(text)
    except ValueError:
        return "" if text.startswith("<") else " ".join(text.splitlines()[:1])[:200]
    if not isinstance(said, dict):
        return ""
    return next(
        (str(said[key])[:200] for key in ("reason", "detail", "title", "error", "message") if said.get(key)), ""
    )


class _HideSecrets(logging.Filter):
    """Takes keys out of the addresses that urllib3 logs when it tries again."""

    _KEY = re.compile(r"(?i)\b(apikey|api_key|key|token)=[^&\s'\")]+")

    def filter(self, record: logging.LogRecord) -> bool:
        record.msg, record.args = self._KEY.sub(r"\1=***", record.getMessage()), ()
        return True


for _logger in ("urllib3.connectionpool", "urllib3.util.retry"):
    logging.getLogger(_logger).addFilter(_HideSecrets())
