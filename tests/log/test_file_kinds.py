"""A file that is no table is recognised by its first bytes, and refused with one sentence that says what to do."""

import io
import zipfile

import pytest

from monitor.exchange.csv_tables import decoded, read_rows
from monitor.exchange.file_kinds import wrong_kind
from monitor.exchange.log_columns import LOG_COLUMNS
from monitor.exchange.register_columns import COVER_COLUMNS


def zipped(name):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr("[Content_Types].xml", "<x/>")
        archive.writestr(name, "<x/>")
    return held.getvalue()


# First bytes: PDF 1.7 (ISO 32000-1), PNG (ISO/IEC 15948), zip (APPNOTE 4.3.7), UTF-16 (RFC 2781); workbook: ECMA-376.
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"%PDF-1.7\n\xe2\xe3", "this is a PDF document; "),
        (b"\x89PNG\r\n\x1a\n\0", "this is a picture (PNG); "),
        (zipped("xl/workbook.xml"), 'this is a spreadsheet workbook (.xlsx); save the table as "CSV UTF-8"'),
        (zipped("covers.csv"), "this is an archive (zip); unpack it"),
        ("boat,row\n".encode("utf-16"), 'this is text in UTF-16; save the table as "CSV UTF-8"'),
        (b"<!DOCTYPE html><html>", "this is a web page (HTML); "),
    ],
)
def test_a_file_that_is_no_table_is_named_by_its_kind(content, said):
    text, (problem,) = decoded(content, "covers.csv")
    assert text == ""
    assert str(problem).startswith(f"covers.csv: {said}")


@pytest.mark.parametrize("content", [b"", b"boat,row\n01,A\n", b"\xef\xbb\xbfboat\n", b'{"inspections": []}'])
def test_a_text_is_of_no_wrong_kind(content):
    assert wrong_kind(content) is None


@pytest.mark.parametrize("columns", [COVER_COLUMNS, LOG_COLUMNS])
def test_another_table_is_refused_with_one_sentence_and_not_with_a_guess_for_each_column(columns):
    rows, (problem,) = read_rows("Date,Customer,Invoice\n2026-01-01,A,1\n", "other.csv", columns)
    assert rows == []
    assert "(Date, Customer, Invoice) has none of the columns that such a table needs: boat" in str(problem)
