"""Requests as no browser sends them: bytes on the wire of any kind, put to the web app as a server would put them."""

import asyncio
from dataclasses import dataclass, field
from random import Random
from urllib.parse import quote_from_bytes, unquote

from fuzz_mutations import hostile_text, mutated, random_bytes
from invented_app import picture
from starlette.types import ASGIApp

HOST = b"127.0.0.1:8317"

PATHS = (
    "/",
    "/yards/{}/",
    "/yards/{}/map",
    "/yards/{}/boat",
    "/yards/{}/inspect",
    "/yards/{}/act",
    "/yards/{}/correct",
    "/yards/{}/log",
    "/yards/{}/photo",
    "/yards/{}/photo/withdraw",
    "/yards/{}/photograph",
    "/yards/{}/register",
    "/yards/{}/register/boat",
    "/yards/{}/register/cover",
    "/yards/{}/register/erase-owner",
    "/yards/{}/walk",
    "/yards/{}/sheet",
    "/yards/{}/guests",
    "/yards/{}/pages/",
    "/yards/{}/pages/{}",
    "/static/{}/{}",
    "/app/{}/{}",
    "/photos/{}",
    "/photos/{}/original",
    "/guest/{}",
    "/guest/{}/report.html",
    "/guest/{}/report.pdf",
    "/yards/{}/condition",
    "/yards/{}/memo",
    "/yards/{}/season",
    "/sign-in",
    "/sign-out",
    "/account",
    "/people",
    "/api/me",
    "/api/inspections",
    "/api/actions",
    "/api/photos/{}",
    "/api/{}",
    "/openapi.json",
    "/sw.js",
    "/manifest.webmanifest",
)
"""Every address of the app; what stands for a part of it is in braces. Kept whole by a test."""

SEGMENTS = (
    "north",
    "index.html",
    "yard.js",
    "%2e%2e",
    "%252e%252e%252fetc",
    "..",
    "%00",
    "%",
    "%zz",
    "%ff%fe",
    "%ed%a0%80",
    "%c0%ae%c0%ae",
    "%2f%2f",
    "%5c..%5c",
    "%0d%0aSet-Cookie:x=1",
    "a" * 10_000,
    "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60",
    "{{7*7}}",
    "'%3b--",
    "%F0%9F%92%A9",
)

FIELDS = (
    "number",
    "boat",
    "id",
    "entry",
    "history",
    "format",
    "next",
    "party",
    "defect",
    "action",
    "finding",
    "back",
    "do",
    "walk",
    "crew",
    "party_size",
    "start",
    "limit",
    "minutes-walk-first",
    "call-walk-first",
    "inspected_at",
    "acted_at",
    "inside",
    "defect-0",
    "place-0",
    "severity-0",
    "note-0",
    "note-9999",
    "snow_depth",
    "snow_water_mm",
    "band_drop",
    "gust_seen",
    "quantity",
    "note",
    "corrects",
    "more",
    "add",
    "sound",
    "kind",
    "name",
    "role",
    "account",
    "password",
    "again",
    "new",
    "old",
    "session",
    "days",
    "link",
    "why",
    "wrapped_on",
    "built_on",
    "length",
    "beam",
    "row",
    "place",
    "latitude",
    "time_zone",
    "quiet_hours",
    "taken_at",
    "inspection_id",
    "finding_id",
    "action_id",
)

WORDS = (
    "01",
    "02",
    "north",
    "1",
    "0",
    "csv",
    "loose_band",
    "tear",
    "port",
    "taped",
    "plan",
    "add",
    "drop",
    "make",
    "revoke",
    "password",
    "everywhere",
    "walk first",
    "changed",
    "wrong",
    "2023-10-22T10:00",
    "2023-10-21",
    "6in",
    "28kn",
    "12 ft",
    "/yards/north/",
    "Ida",
    "lead",
    "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60",
    "America/New_York",
    "inspection",
)

CHARSETS = (b"utf-8", b"latin-1", b"idna", b"punycode", b"undefined", b"hex", b"utf-16", b"\0", b"x" * 300)

TYPES = (
    b"application/x-www-form-urlencoded",
    b"application/json",
    b"multipart/form-data; boundary=b",
    b"multipart/form-data",
    b"multipart/form-data; boundary=",
    b"multipart/form-data; boundary=" + b"b" * 500,
    b'multipart/form-data; boundary="b"; charset=',
    b"text/plain",
    b"",
    b"\xff\xfe",
    b"application/json; charset=utf-16",
    b";;;",
)


@dataclass
class Sent:
    """One request as it is on the wire."""

    method: bytes
    target: bytes
    headers: list[tuple[bytes, bytes]] = field(default_factory=list)
    body: bytes = b""
    cut_off: bool = False


def asked(draw: Random, cookie: bytes = b"") -> Sent:
    """A request at random: half of them near to a good one, so that they get past the first check."""
    path = draw.choice(PATHS)
    for _ in range(path.count("{}")):
        usual = draw.random() < 0.75
        segment = "north" if usual else draw.choice(SEGMENTS)
        path = path.replace("{}", segment, 1)
    method = draw.choice([b"GET", b"POST", b"POST"] * 4 + [b"PUT", b"HEAD", b"DELETE", b"PROPFIND", b"get"])
    if path.startswith("/api/photos"):
        method = draw.choice([b"PUT", method])
    query = _pairs(draw) if draw.random() < 0.6 else b""
    if draw.random() < 0.02:
        query = draw.choice([b"a" * 10_000, b"&".join(b"p%d=1" % n for n in range(1000)), b"number=01&" * 1000])
    kind, body = _body(draw) if method in (b"POST", b"PUT") or draw.random() < 0.1 else (None, b"")
    headers = [(b"host", HOST), (b"sec-fetch-site", b"same-origin")]
    if kind is not None:
        headers.append((b"content-type", kind))
    if cookie and draw.random() < 0.9:
        headers.append((b"cookie", cookie))
    headers += _odd_headers(draw)
    return Sent(method, path.encode() + (b"?" + query if query else b""), headers, body, draw.random() < 0.03)


def _value(draw: Random) -> bytes:
    text = draw.choice(WORDS) if draw.random() < 0.6 else hostile_text(draw, WORDS)
    return text.encode("utf-8", "surrogatepass")


def _pairs(draw: Random) -> bytes:
    made = []
    for _ in range(draw.randint(0, 8)):
        name, value = draw.choice(FIELDS).encode(), _value(draw)
        made.append(name + b"=" + (quote_from_bytes(value).encode() if draw.random() < 0.9 else value[:50]))
    return b"&".join(made).replace(b"\n", b"").replace(b" ", b"+")


def _body(draw: Random) -> tuple[bytes, bytes]:
    match draw.randrange(4):
        case 0:
            return TYPES[0] + (b"; charset=" + draw.choice(CHARSETS) if draw.random() < 0.3 else b""), _pairs(draw)
        case 1:
            return b"multipart/form-data; boundary=b" + (
                b"; charset=" + draw.choice(CHARSETS) if draw.random() < 0.5 else b""
            ), _multipart(draw)
        case 2:
            return b"application/json", _value(draw) if draw.random() < 0.3 else _object(draw)
    if draw.random() < 0.3:
        return draw.choice([b"image/jpeg", b"application/octet-stream", b"image/png"]), _photo(draw)
    return draw.choice(TYPES), draw.choice([_pairs(draw), _multipart(draw), _object(draw), random_bytes(draw)])


def _multipart(draw: Random) -> bytes:
    parts = []
    for _ in range(draw.randint(0, 5)):
        name = draw.choice([*FIELDS, "photos", "photos"])
        disposition = f'Content-Disposition: form-data; name="{name}"'.encode()
        if name == "photos":
            disposition += b'; filename="' + draw.choice([b"a.jpg", b"", b"../../x", b"\xff", b"a\0b"]) + b'"'
        if draw.random() < 0.1:
            disposition = draw.choice([b"", b"Content-Disposition: form-data", b"X" * 5000, b"a: b: c", b"\xff\0"])
        content = _photo(draw) if name == "photos" else _value(draw)
        parts.append(b"--b\r\n" + disposition + b"\r\n\r\n" + content + b"\r\n")
    whole = b"".join(parts) + b"--b--\r\n"
    return whole if draw.random() < 0.8 else whole[: draw.randint(0, len(whole))] + random_bytes(draw, 10)


def _photo(draw: Random) -> bytes:
    """A photo as it is, changed, or none at all."""
    match draw.randrange(3):
        case 0:
            return picture()
        case 1:
            return mutated(picture(), draw)
    return _value(draw)


def _object(draw: Random) -> bytes:
    pairs = []
    for _ in range(draw.randint(0, 6)):
        value = draw.choice(
            [
                b"null",
                b"true",
                b"1e999",
                b"NaN",
                b"[" * 900 + b"]" * 900,
                b"[" * 100_000,
                b'{"a":' * 940 + b"1" + b"}" * 940,
            ]
            + [
                b"9" * 4000,
                b"9" * 5000,
                b"[{}]",
                b'[{"defect": []}]',
                b'"\\ud800"',
                b'"\\u0000"',
                b"-1",
                b"1.5",
                b'"01"',
                b'"01"',
            ]
        )
        pairs.append(b'"' + draw.choice(FIELDS).encode() + b'":' + value)
    return b"{" + b",".join(pairs) + b"}"


def _odd_headers(draw: Random) -> list[tuple[bytes, bytes]]:
    odd = [
        (b"cookie", b"stormwalk=" + draw.choice([b"x", b"%ff", b'"a', b"\xff\xfe", b"a" * 8000, b"%00", b"\\012"])),
        (b"cookie", b"stormwalk_said=" + draw.choice([b"%ed%a0%80", b"%0a%0a", b"a" * 4000, b"<script>", b"%00"])),
        (b"cookie", draw.choice([b";;;", b"=", b"a", b"\xff", b"=;=;", b"x" * 20_000])),
        (b"content-length", draw.choice([b"-1", b"abc", b"99999999999999999999", b"1_0", "١".encode()])),
        (b"stormwalk-account", draw.choice([b"Ida", b"%ff", b"\xff", b"%00", b"%0d%0a"])),
        (b"origin", draw.choice([b"null", b"http://[::1", b"://", b"\xff"])),
        (b"sec-fetch-site", draw.choice([b"cross-site", b"\xff"])),
        (b"host", draw.choice([b"", b"[::1", b"127.0.0.1:99999", b"evil.example", b"\xff", b"127.0.0.1:a"])),
        (b"user-agent", draw.choice([b"\xff" * 100, b"Mozilla/5.0 Chrome/1 iPhone", b"a" * 20_000, b"\x01\x02"])),
        (b"range", b"bytes=9-1"),
        (b"if-none-match", b"\xff"),
        (b"accept", b"\xff"),
        (b"x-forwarded-proto", b"https"),
    ]
    return [header for header in odd if draw.random() < 0.04]


def answered(app: ASGIApp, sent: Sent) -> tuple[int, bytes]:
    """Status and body of the answer. Whatever the app lets out of itself, a server would tell as 500: it is raised."""
    raw, _, query = sent.target.partition(b"?")
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": sent.method.decode("ascii"),
        "scheme": "http",
        "path": unquote(raw.decode("ascii")),
        "raw_path": raw,
        "query_string": query,
        "root_path": "",
        "headers": sent.headers,
        "client": ("127.0.0.1", 50000),
        "server": ("127.0.0.1", 8317),
    }
    half = len(sent.body) // 2
    coming = [{"type": "http.request", "body": sent.body[:half], "more_body": True}]
    if not sent.cut_off:
        coming.append({"type": "http.request", "body": sent.body[half:], "more_body": False})
    coming.append({"type": "http.disconnect"})
    told: list[dict] = []

    async def receive() -> dict:
        return coming.pop(0) if len(coming) > 1 else coming[0]

    async def send(message: dict) -> None:
        told.append(message)

    asyncio.run(app(scope, receive, send))
    if not told:
        return 0, b""  # nobody was there any more
    body = b"".join(message.get("body", b"") for message in told if message["type"] == "http.response.body")
    return told[0]["status"], body
