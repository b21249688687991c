"""What a browser posts, read into texts and pictures; and which field a sentence about a refused entry belongs to."""

import re
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass

from python_multipart.multipart import parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from monitor.store.accounts import Account
from monitor.web.security import need

MOST_PHOTOS = 10
MOST_FIELDS = 500
LARGEST_FIELD_BYTES = 100_000

_AT_FIELD = re.compile(r"(?:Finding (?P<finding>\d+), )?(?P<name>[a-z_]+): (?P<rest>.*)", re.DOTALL)


@dataclass(frozen=True)
class Sent:
    """Fields of a form by name, and the bytes of each photo sent with it."""

    fields: dict[str, str]
    photos: tuple[bytes, ...] = ()


@dataclass(frozen=True)
class Refusal:
    """Why a form was refused: the sentence on top, and the one at each field that it names."""

    sentence: str
    at: dict[str, str]


Show = Callable[[Request, Account], Response]
Take = Callable[[Request, Account, Sent], Response]


def form_page(role: str, show: Show, take: Take) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint that shows a form and takes it, for those who may; both run where they may wait for the database."""

    async def endpoint(request: Request) -> Response:
        account = need(request, role)
        if request.method == "POST":
            return await run_in_threadpool(take, request, account, await read_form(request))
        return await run_in_threadpool(show, request, account)

    return endpoint


async def read_form(request: Request) -> Sent:
    """The fields and photos of a posted form. A file that was not chosen comes empty, and is left out."""
    expect_utf8(request)
    fields: dict[str, str] = {}
    photos: list[bytes] = []
    async with request.form(max_files=MOST_PHOTOS, max_fields=MOST_FIELDS, max_part_size=LARGEST_FIELD_BYTES) as form:
        for name, value in form.multi_items():
            if isinstance(value, UploadFile):
                data = await value.read()
                if name == "photos" and data:
                    photos.append(data)
            else:
                fields[name] = value
    return Sent(fields, tuple(photos))


def expect_utf8(request: Request) -> None:
    """Refuse a form in another character set: Python has some that are no text, and fails at them in its own ways."""
    _, options = parse_options_header(request.headers.get("content-type"))
    if options.get(b"charset", b"utf-8").lower() not in (b"utf-8", b"utf8", b"us-ascii"):
        raise HTTPException(415, "The form came in another character set than UTF-8. Nothing was stored")


def refusal(problems: Iterable[str], labels: dict[str, str], rows: list[int], closing: str) -> Refusal:
    """Sentences such as ``snow_depth: 6 has no unit.`` under the fields' names as they stand on the page.

    ``labels`` are those names; ``rows`` the numbers of the rows that count as findings 1, 2, ...; ``closing`` says what
    became of the entry.
    """
    told: list[str] = []
    at: dict[str, str] = {}
    for problem in problems:
        match = _AT_FIELD.fullmatch(problem)
        if match is None or match["name"] not in labels:
            told.append(problem)
            continue
        finding, name, label = match["finding"], match["name"], labels[match["name"]]
        if finding is not None:
            label = f"Finding {finding}, {label.lower()}"
            name = f"{name}-{rows[int(finding) - 1]}"
        told.append(f"{label}: {match['rest']}")
        at.setdefault(name, match["rest"])
    return Refusal("\n".join([*told, closing]), at)
