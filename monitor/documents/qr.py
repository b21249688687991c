"""The way from paper to the phone: the address of a boat's inspection form, and its QR code drawn in the page."""

from urllib.parse import quote, urlsplit

import segno
from markupsafe import Markup

from monitor.errors import StormwalkError

QUIET_MODULES = 4
"""White margin round a QR code, in modules (ISO/IEC 18004)."""


def checked_base_url(text: str) -> str:
    """Where the web app is reached, without a slash in the end. Raises StormwalkError with what is expected."""
    base_url = text.strip().rstrip("/")
    try:
        parts = urlsplit(base_url)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good = False
    if not good or parts.username is not None or any(mark in base_url for mark in "?#\\ \t\r\n"):
        raise StormwalkError(
            f"{text!r} is not an address under which the web app can be reached. Nothing was written. Give it as "
            f"https://yard.example.org or http://192.168.1.20:8765, without a name, password, ? or #."
        )
    return base_url


def inspection_address(base_url: str, yard_key: str, boat: str) -> str:
    """Address of the inspection form of a boat, by the yard's number."""
    return f"{base_url}/yards/{quote(yard_key, safe='')}/inspect?boat={quote(boat, safe='')}"


def qr_code(address: str, title: str) -> Markup:
    """An address as QR code: inline SVG with a title, one unit a module, quiet zone included.

    Level Q stands a quarter of the code being dirty or torn (ISO/IEC 18004). Raises StormwalkError where the address
    is too long for any code.
    """
    try:
        code = segno.make(address, error="q", micro=False)
    except segno.DataOverflowError:
        raise StormwalkError(f"The address {address[:60]}... is too long for a QR code. Nothing was written.") from None
    svg = code.svg_inline(border=QUIET_MODULES, omitsize=True, title=title, light="#fff", svgclass="qr", lineclass=None)
    return Markup(svg.replace("<svg ", '<svg role="img" shape-rendering="crispEdges" ', 1))  # segno escapes the title
