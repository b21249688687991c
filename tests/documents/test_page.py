"""The base of every document: what it says of itself, that it needs nothing from outside, and its look."""

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from documents_picture import YARD, sheet
from jinja2 import UndefinedError

from monitor.documents.page import About, environment, render
from monitor.wording import CAUTIONS, OWN_JUDGEMENT

ABOUT = About(
    title="A title",
    what="What it is.",
    yard=YARD,
    as_of=datetime(2026, 1, 10, 6, tzinfo=UTC),
    data_age_h=2.0,
    version="1.2",
    credits=("Invented weather, https://weather.example.org/; free.",),
    remarks=("A remark.",),
)


def test_every_document_says_what_it_is_and_what_it_rests_on():
    page = render("base.html", ABOUT)
    for sentence in ("A title", "What it is.", "Tarn Slip (tarn)", "A remark.", OWN_JUDGEMENT, *CAUTIONS):
        assert sentence in page.replace("&#39;", "'")
    assert "Data as of <strong>Sat 10 Jan 2026 06:00 GMT</strong>, clock of\nEurope/London." in page
    assert "Newest weather hour: Sat 10 Jan 04:00 GMT." in page
    assert "Made by stormwalk 1.2." in page
    link = '<a href="https://weather.example.org/" rel="noopener noreferrer">https://weather.example.org/</a>'
    assert f"<li>Invented weather, {link}; free.</li>" in page  # the stop behind an address is not of it
    assert '<meta name="dcterms.created" content="2026-01-10T06:00:00Z">' in page


def test_old_or_unknown_weather_is_said():
    old = render("base.html", replace(ABOUT, data_age_h=9.0))
    assert "Old data: the newest weather hour was Fri 9 Jan 21:00 GMT, 9 h before." in old
    unknown = render("base.html", replace(ABOUT, data_age_h=None))
    assert "No weather was known; this rests on the register and the log alone." in unknown


def test_paper_follows_the_units_of_the_yard():
    assert "@page { size: A4; }" in render("base.html", ABOUT)
    assert "@page { size: letter; }" in render("base.html", replace(ABOUT, yard=replace(YARD, display_units="us")))


def test_a_name_that_a_template_misses_is_an_error():
    with pytest.raises(UndefinedError):
        render("walk_sheet.html", ABOUT)


@pytest.mark.parametrize("page", [render("base.html", ABOUT), sheet()], ids=["base", "walk sheet"])
def test_a_document_has_no_script_and_asks_nobody_for_anything(page):
    assert not re.search(r"<script|<iframe|<object|<embed|<img|<form|\son[a-z]+=|javascript:", page, re.IGNORECASE)
    assert re.findall(r"<link [^>]*>", page) == ['<link rel="icon" href="data:,">']
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)[1]
    assert not re.search(r"url\(|@import|@font-face", style)


def test_templates_escape_by_default():
    assert environment().from_string("{{ name }}").render(name="<b>&\"'") == "&lt;b&gt;&amp;&#34;&#39;"


def _luminance(colour):
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one, other):
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_words_on_every_ground_have_a_contrast_of_at_least_4_5():
    """WCAG 2.2, criterion 1.4.3; colours of paper, light and dark screens one after the other in the style sheet."""
    style = str(environment().globals["style"])
    looks = [
        dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", part)) for part in re.findall(r":root \{([^}]*)\}", style)
    ]
    assert len(looks) == 3
    paper, light, dark = looks[0], looks[0] | looks[1], looks[0] | looks[1] | looks[2]
    assert {paper[name] for name in ("ground", "panel", "warn-ground")} == {"#ffffff"}
    assert {paper[name] for name in ("ink", "soft", "link")} == {"#000000"}
    for look in (light, dark):
        for ground in ("ground", "panel", "warn-ground"):
            for words in ("ink", "soft", "link"):
                assert _contrast(look[words], look[ground]) >= 4.5
    # Okabe and Ito (2008), Color Universal Design: vermillion, orange, sky blue
    for ground in ("#d55e00", "#e69f00", "#56b4e9"):
        assert f"background: {ground};" in style
        assert _contrast("#000000", ground) >= 4.5
