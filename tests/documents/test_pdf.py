"""The walk sheet on paper: the same bytes each time, tagged, whole, and no cover torn between two pages."""

import builtins
import logging
import re
import shutil
import subprocess
import sys
import urllib.request
import zlib
from dataclasses import replace

import pytest
from conftest import skip_or_fail
from documents_picture import NAMES, YARD, lines_of, plan_of, sheet
from page_reader import Page

from monitor.documents.pdf import to_pdf
from monitor.errors import StormwalkError
from monitor.walks.plan import LeftOut


@pytest.fixture(scope="module", autouse=True)
def paper():
    """What these tests need from outside."""
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as error:
        skip_or_fail(f'no PDF can be made: {error}; pip install ".[pdf]" and apt-get install libpango-1.0-0')
    for tool in ("pdftotext", "pdfinfo"):
        if shutil.which(tool) is None:
            skip_or_fail(f"no {tool}: apt-get install poppler-utils")


@pytest.fixture(scope="module")
def page_html():
    """One party, eight covers; one name that would be markup, and one with letters from elsewhere."""
    lines = lines_of()
    lines[2] = replace(lines[2], boat=replace(lines[2].boat, name="<b>Wren & Søn</b>"))
    left_out = [LeftOut("21", "this week", 0.2, "the latest finish comes before it")]
    return sheet(lines, plan_of(lines, left_out=left_out, notes=("A note of the plan.",)))


@pytest.fixture(scope="module")
def pdf(page_html, tmp_path_factory):
    path = tmp_path_factory.mktemp("pdf") / "walk.pdf"
    path.write_bytes(to_pdf(page_html))
    return path


def tool(*arguments):
    return subprocess.run(arguments, capture_output=True, text=True, check=True).stdout


def pages_of(pdf):
    return tool("pdftotext", "-raw", pdf, "-").split("\f")[:-1]


def test_the_same_page_gives_the_same_bytes_without_a_complaint_and_nobody_is_asked(
    page_html, pdf, caplog, monkeypatch
):
    asked = []
    monkeypatch.setattr(urllib.request.OpenerDirector, "open", lambda self, request, *_, **__: asked.append(request))
    with caplog.at_level(logging.WARNING):
        again = to_pdf(page_html)
    assert again == pdf.read_bytes()
    assert asked == []
    assert [record.getMessage() for record in caplog.records if record.name.startswith("weasyprint")] == []


def test_its_dates_are_those_of_the_data(pdf):
    said = tool("pdfinfo", "-isodates", pdf)
    assert re.findall(r"Date: +(\S+)", said) == ["2026-01-10T06:00:00Z", "2026-01-10T06:00:00Z"]


def test_it_is_tagged_names_its_language_and_title_and_claims_pdf_ua(pdf):
    said = tool("pdfinfo", pdf)
    assert re.search(r"Title: +Walk sheet: Tarn Slip", said)
    assert re.search(r"Tagged: +yes", said)
    assert re.search(r"JavaScript: +no", said)
    tags = tool("pdfinfo", "-struct", pdf)
    for tag in ("H1", "H2", "H3", "H4", "Table", "TH", "TD", "L", "LI", "Figure", "Link"):
        assert re.search(rf"^ *{tag}\b", tags, re.MULTILINE), tag
    inside = b"".join(
        zlib.decompress(stream)
        for stream in re.findall(rb"/FlateDecode[^>]*>>\s*stream\r?\n(.*?)\r?\nendstream", pdf.read_bytes(), re.DOTALL)
    )
    whole = inside + pdf.read_bytes()
    assert b'pdfuaid:part="1"' in whole
    assert re.search(rb"/Lang ?\(en\)", whole)
    assert b"/Alt (QR code: inspection form of boat 01)" in whole


def test_every_text_of_the_page_is_on_paper(page_html, pdf):
    """Compared without spaces, because lines break elsewhere."""
    printed = re.sub(r"\s", "", "".join(pages_of(pdf)))
    texts = [text for text in Page(page_html).texts if not text.startswith(("QR code:", "To write in by hand:"))]
    assert len(texts) > 200
    missing = [text for text in texts if re.sub(r"\s", "", text) not in printed]
    assert missing == []
    assert "<b>Wren&Søn</b>" in printed


def assert_nothing_is_torn(pages, names):
    """Each cover stands whole on one page, and so does each row of the order, on paper of either kind."""
    for number, text in enumerate(pages, 1):
        heads = [name for i, name in enumerate(names, 1) if re.search(rf"^{i}\. \d\d {name} walk", text, re.MULTILINE)]
        assert text.count("Check: snow still lying") == text.count("Check: inside: wet surfaces") == len(heads)
        assert text.count("Defect, place, severity") == len(heads)
        assert text.count("0 1 2 3") == 2 * len(heads)
        rows = re.findall(r"^\d+\. \d\d:\d\d .*$", text, re.MULTILINE)
        assert all(re.search(r" row B, place \d walk (first|today) \d\.\d\d 10 (35 m|115 ft)$", row) for row in rows)
        assert f"Page {number} of {len(pages)}" in text
    whole = "\n".join(pages)
    for i, name in enumerate(names, 1):
        assert len(re.findall(rf"^{i}\. \d\d {name} walk", whole, re.MULTILINE)) == 1
        assert len(re.findall(rf"^{i}\. \d\d:\d\d \d\d {name} row", whole, re.MULTILINE)) == 1


def test_no_cover_and_no_row_is_torn_between_two_pages(pdf):
    assert re.search(r"Page size: .*A4", tool("pdfinfo", pdf))
    pages = pages_of(pdf)
    assert len(pages) == 3
    assert_nothing_is_torn(pages, [*NAMES[:2], "<b>Wren & Søn</b>", *NAMES[3:]])


@pytest.mark.thorough
@pytest.mark.parametrize(
    "units, size, count", [("metric", "A4", 1), ("metric", "A4", 13), ("us", "letter", 7), ("us", "letter", 40)]
)
def test_nothing_is_torn_whatever_the_paper_and_the_count_of_covers(units, size, count, tmp_path):
    lines = lines_of(count)
    names = [f"Boat{i}" for i in range(count)]
    lines = [
        replace(line, boat=replace(line.boat, name=name, number=f"{i % 100:02d}"))
        for i, (line, name) in enumerate(zip(lines, names, strict=True))
    ]
    pdf = tmp_path / "walk.pdf"
    pdf.write_bytes(to_pdf(sheet(lines, plan_of(lines), yard=replace(YARD, display_units=units))))
    assert size in tool("pdfinfo", pdf)
    assert_nothing_is_torn(pages_of(pdf), names)


@pytest.mark.thorough
def test_six_plain_covers_fit_on_a_page(tmp_path):
    lines = [replace(line, open_findings=()) for line in lines_of(13)]
    pdf = tmp_path / "walk.pdf"
    pdf.write_bytes(to_pdf(sheet(lines, plan_of(lines))))
    assert max(text.count("Defect, place, severity") for text in pages_of(pdf)) == 6


@pytest.mark.parametrize(
    "address", ["https://other.example.org/a.png", "file:///etc/hostname", "http://127.0.0.1:9/a.png"]
)
def test_a_page_that_wants_something_from_elsewhere_is_refused_and_nobody_is_asked(address, monkeypatch):
    asked = []
    monkeypatch.setattr(urllib.request.OpenerDirector, "open", lambda self, request, *_, **__: asked.append(request))
    with pytest.raises(StormwalkError, match="a document fetches nothing"):
        to_pdf(f'<html lang="en"><title>t</title><h1>t</h1><img src="{address}" alt="none">')
    assert asked == []


@pytest.mark.parametrize(
    "error, sentence",
    [
        (ImportError("No module named 'weasyprint'"), "A PDF needs WeasyPrint, which is not installed"),
        (OSError("cannot load library 'libpango-1.0-0': no such file\nmore"), "A PDF needs the pango library"),
    ],
)
def test_where_a_part_is_missing_a_sentence_says_which_and_what_to_do(error, sentence, page_html, monkeypatch):
    real = builtins.__import__

    def without(name, *rest):
        if name == "weasyprint":
            raise error
        return real(name, *rest)

    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(StormwalkError, match=sentence) as refusal:
        to_pdf(page_html)
    assert "No PDF was made. Write the HTML page instead" in str(refusal.value)
    assert "\n" not in str(refusal.value)
