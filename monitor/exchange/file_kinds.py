"""What kind of file somebody gave in the place of a text: told by its first bytes, with what to do. Pure."""

_SAVE_AS_CSV = 'save the table as "CSV UTF-8" and import that'

_KINDS: tuple[tuple[bytes, str, str], ...] = (
    (b"%PDF-", "a PDF document", "import the table that it was printed from, saved as CSV"),
    (b"\x89PNG\r\n", "a picture (PNG)", "import a table; photos belong to an inspection"),
    (b"\xff\xd8\xff", "a picture (JPEG)", "import a table; photos belong to an inspection"),
    (b"GIF8", "a picture (GIF)", "import a table; photos belong to an inspection"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document of the old kind (.xls, .doc)", _SAVE_AS_CSV),
    (b"\x1f\x8b", "compressed (gzip)", "unpack it and import what is in it"),
    (b"7z\xbc\xaf\x27\x1c", "an archive (7z)", "unpack it and import what is in it"),
    (b"SQLite format 3\0", "a database", "export a table from it and import that"),
    (b"{\\rtf", "a text document (RTF)", _SAVE_AS_CSV),
    (b"\xff\xfe", "text in UTF-16", _SAVE_AS_CSV),
    (b"\xfe\xff", "text in UTF-16", _SAVE_AS_CSV),
)
"""How a file begins, what it is, and what to do instead; from the formats' own descriptions."""

_IN_ZIP: tuple[tuple[bytes, str, str], ...] = (
    (b"xl/", "a spreadsheet workbook (.xlsx)", _SAVE_AS_CSV),
    (b"opendocument.spreadsheet", "a spreadsheet (.ods)", _SAVE_AS_CSV),
    (b"word/", "a text document (.docx)", _SAVE_AS_CSV),
    (b"opendocument.text", "a text document (.odt)", _SAVE_AS_CSV),
    (b"", "an archive (zip)", "unpack it and import what is in it"),
)
"""The same for what is kept in a zip, by a name in it."""

_ZIP_LOOK_BYTES = 100_000
_WEB_PAGE = (b"<!doctype html", b"<html")


def wrong_kind(content: bytes) -> str | None:
    """What a file is that is no text, with the remedy, as ``this is a PDF document; ...``; None for a text."""
    if content.startswith(b"PK\x03\x04"):
        looked_at = content[:_ZIP_LOOK_BYTES] + content[-_ZIP_LOOK_BYTES:]
        what, remedy = next((what, remedy) for name, what, remedy in _IN_ZIP if name in looked_at)
        return f"this is {what}; {remedy}."
    return next((f"this is {what}; {remedy}." for begin, what, remedy in _KINDS if content.startswith(begin)), None)


def is_web_page(content: bytes) -> bool:
    """Whether a file is a page of a browser (HTML), as a site answers in the place of a table."""
    return content[:200].lstrip(b"\xef\xbb\xbf \t\r\n").lower().startswith(_WEB_PAGE)
