"""From a document's HTML to a tagged PDF: the same bytes from the same page, and nothing fetched on the way."""

from importlib.util import find_spec
from typing import Any

from monitor.errors import StormwalkError

VARIANT = "pdf/ua-1"
"""Tags for screen readers, ISO 14289-1."""


def is_installed() -> bool:
    """Whether WeasyPrint is there; whether its libraries are too, only `to_pdf` finds out."""
    return find_spec("weasyprint") is not None


def to_pdf(html: str) -> bytes:
    """A document as PDF, with tags and the language and title of the page.

    Its dates are the ``dcterms`` of the page, never the clock's.

    Raises
    ------
    StormwalkError
        WeasyPrint or the pango library of the system is absent; or the page asks for a picture, style or font at an
        address other than ``data:``, which is never fetched.
    """
    weasyprint = _weasyprint()
    fetcher = weasyprint.URLFetcher(allowed_protocols=["data"], fail_on_errors=True)
    page = weasyprint.HTML(string=html, url_fetcher=fetcher)
    try:
        made: bytes = page.write_pdf(pdf_variant=VARIANT, dpi=150, jpeg_quality=75, optimize_images=True)
    except weasyprint.urls.FatalURLFetchingError as refusal:
        raise StormwalkError(
            f"The page asks for something outside itself ({refusal}), and a document fetches nothing. No PDF was made. "
            f"Put pictures and styles into the page as data."
        ) from None
    return made


def _weasyprint() -> Any:
    """WeasyPrint, or a sentence that says what is missing."""
    instead = "No PDF was made. Write the HTML page instead and print it from a browser"
    try:
        import weasyprint
    except ImportError:
        raise StormwalkError(
            f'A PDF needs WeasyPrint, which is not installed. {instead}, or install it: pip install "stormwalk[pdf]".'
        ) from None
    except OSError as error:
        first = str(error).strip().partition("\n")[0]
        raise StormwalkError(
            f"A PDF needs the pango library of this system, which cannot be loaded ({first}). {instead}, or install "
            f"it; on Debian: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0."
        ) from None
    return weasyprint
