"""The walk sheet as a crew reads it: what stands on it, in which order, and that no name can break it."""

import html
from dataclasses import replace
from datetime import timedelta
from functools import cache
from itertools import pairwise

import pytest
from documents_picture import AS_OF, BASE_URL, START, YARD, boat, entry, lines_of, plan_of, reason, sheet
from hypothesis import given
from hypothesis import strategies as st
from page_reader import Page
from qr_reader import drawn_modules, read

from monitor.documents.walk_sheet import FINDINGS_SHOWN, LEFT_OUT_SHOWN, LONGEST_NOTE, SheetLine
from monitor.errors import StormwalkError
from monitor.ranking import HAZARDS, STAND_CREW
from monitor.walks.plan import LeftOut
from monitor.wording import CAUTIONS, OWN_JUDGEMENT, reason_text


def cards(page):
    """The text of each cover's card."""
    parts = page.split('<article class="stop"')[1:]
    return [Page("<article" + part.split("</article>")[0] + "</article>").text for part in parts]


def test_the_head_says_when_where_and_how_much_of_the_score_is_covered():
    text = Page(sheet()).text
    assert "Walk sheet: Tarn Slip" in text
    for name, value in [
        ("Start", "Sat 10 Jan 08:30 GMT"),
        ("Latest finish", "16:11"),
        ("Sunrise", "08:24"),
        ("Sunset", "16:11"),
        ("Covers", "8"),
        ("Share of the total score covered", "87%"),
        ("Findings as of", "Sat 10 Jan 06:00 GMT"),
    ]:
        assert f"{name} {value}" in text


def test_a_party_reads_its_stops_in_order_with_time_minutes_way_call_and_score():
    text = Page(sheet(lines := lines_of(3), plan_of(lines))).text
    assert (
        "1. 08:30 01 Kestrel row B, place 1 walk first 0.97 10 35 m "
        "2. 08:42 02 Curlew of the Far Northern Isles row B, place 2 walk today 0.92 10 35 m "
        "3. 08:54 03 Wren row B, place 3 walk today 0.87 10 35 m"
    ) in text


def test_us_yards_read_feet_and_inches():
    text = Page(sheet(yard=replace(YARD, display_units="us"))).text
    assert "115 ft" in text  # 35 m / 0.3048
    assert "Band drop, in Snow, in" in text


def test_each_cover_says_what_to_check_and_why_weightiest_first():
    card = cards(sheet())[2]
    snow, gust, damp = (HAZARDS[name].check for name in ("snow", "gust", "damp"))
    assert card.index(snow) < card.index(gust) < card.index(damp)
    assert f"{snow} ({reason_text(reason('snow', 0.4, 0.42), YARD.time_zone, 'metric')})" in card
    assert "snow load 0.42 kPa, Sat 10 Jan 01:00 GMT (metar-archive, observed)" in card


def test_the_stand_crew_comes_before_everything_else_on_a_cover_and_at_the_head_of_the_party():
    page = sheet()
    card = cards(page)[0]
    assert card.index(STAND_CREW.capitalize()) < card.index("Check:")
    assert "stand shifted at port, 3 make safe now, seen Wed 7 Jan 06:00 GMT by Ida: blocking has come out" in card
    text = Page(page).text
    assert text.index("Stand crew first: 01.") < text.index("In this order")
    assert not any(STAND_CREW.capitalize() in other for other in cards(page)[1:])


def test_what_is_open_stands_there_once_with_severity_day_and_who_saw_it():
    card = cards(sheet())[1]
    assert "Open: loose band at port, 2 repair soon, seen Wed 7 Jan 06:00 GMT by Ida: aft of the second post" in card
    assert "Open: tear at bow, 1 watch, seen Wed 7 Jan 06:00 GMT by Sam" in card
    assert card.count("loose band") == 1


def test_every_stand_defect_is_shown_and_the_rest_of_many_findings_is_counted():
    found = tuple(entry("chafe", "bow", 1, key=f"c{i}") for i in range(FINDINGS_SHOWN + 2))
    stands = (entry("tied_to_stand", "port", 3, key="s"), entry("stand_shifted", "stern", 3, key="t"))
    card = cards(sheet(lines := [SheetLine(boat("01", "Kestrel"), (), stands + found)], plan_of(lines)))[0]
    assert card.count("Open:") == FINDINGS_SHOWN + 1
    assert "Open: and 2 more, less severe or newer: see the log" in card
    assert "tied to stand" in card
    assert "stand shifted at stern" in card


def test_a_long_note_is_cut_at_a_word_and_says_so():
    found = (entry("chafe", "bow", 1, note="rubs " * 100),)
    card = cards(sheet(lines := [SheetLine(boat("01", "Kestrel"), (), found)], plan_of(lines)))[0]
    assert "rubs rubs ..." in card
    assert card.count("rubs") <= LONGEST_NOTE // len("rubs ")


def test_a_cover_seen_since_the_ranking_is_marked():
    seen = replace(entry("chafe", "bow", 1).inspection, inspected_at=AS_OF + timedelta(hours=1), inspector="Bo")
    lines = [replace(line, inspected_since=seen if i == 1 else None) for i, line in enumerate(lines_of(3))]
    marked = ["Inspected since the ranking , Sat 10 Jan 07:00 GMT by Bo." in card for card in cards(sheet(lines))]
    assert marked == [False, True, False]


def test_boxes_wait_for_a_hand_on_every_cover():
    for card in cards(sheet()):
        assert card.endswith("Time Who Sound Defect, place, severity Band drop, cm Snow, cm Photo Note 0 1 2 3 0 1 2 3")
    assert "Severity of a finding: 0 sound, 1 watch, 2 repair soon, 3 make safe now." in Page(sheet()).text


def test_every_party_gets_the_cautions_and_its_own_tools():
    page = sheet(lines := lines_of(4), plan_of(lines, (("Ida", "Sam"), ("Bo", "Kim", "Lee"))))
    text = Page(page).text
    for caution in CAUTIONS:
        assert text.count(caution) == 2
    first, second = text.split("Take along")[1:]
    assert "barrier tape" in first.split("Before you touch a cover")[0]  # 01: a stand that moved
    assert "heat tool" not in first.split("Before you touch a cover")[0]
    assert "heat tool" in second.split("Before you touch a cover")[0]  # 02: a tear
    assert "Bo, Kim and Lee" in text
    assert "Ida and Sam 2 08:30 08:54 70 m" in text


@pytest.mark.parametrize("parties", [(("Ida", "Sam"),), (("Ida", "Sam"), ("Bo", "Kim"))])
def test_what_the_sheet_rests_on_is_said_once(parties):
    text = Page(sheet(lines := lines_of(4), plan_of(lines, parties))).text
    assert text.count(OWN_JUDGEMENT) == text.count("Invented weather,") == text.count("Made by stormwalk 0.0.") == 1


def test_times_on_another_day_or_clock_carry_day_and_zone():
    lines = lines_of(2)
    plan = plan_of(lines, latest_finish=START + timedelta(days=1))
    assert "Latest finish Sun 11 Jan 08:30 GMT" in Page(sheet(lines, plan)).text
    spring = plan_of(
        lines, latest_finish=START.replace(month=3, day=29, hour=1), start=START.replace(month=3, day=29, hour=0)
    )
    assert "Latest finish Sun 29 Mar 02:30 BST" in Page(sheet(lines, spring)).text  # clocks go forward at 01:00 UTC


def test_what_is_not_known_of_the_sun_is_not_shown():
    lines = lines_of(1)
    plan = plan_of(lines, latest_finish=None, sunrise=None, sunset=None, notes=("The sun does not rise that day.",))
    text = Page(sheet(lines, plan)).text
    assert "Sunrise" not in text
    assert "Latest finish" not in text
    assert "The sun does not rise that day." in text


def test_a_walk_first_left_out_is_said_in_the_head():
    lines = lines_of(3)
    out = LeftOut("03", "walk first", 0.8, "the latest finish comes before it")
    text = Page(sheet(lines, plan_of(lines[:2], left_out=[out]))).text
    assert text.index('Left out though called "walk first": 03.') < text.index("In this order")
    assert "03 Wren row B, place 3 walk first 0.80 the latest finish comes before it" in text
    assert "though called" not in Page(sheet(lines, plan_of(lines))).text


def test_of_many_left_out_the_worst_are_listed_and_the_rest_counted():
    out = [LeftOut(f"x{i:02d}", "this week", 0.2 + i / 1000, "no time") for i in range(LEFT_OUT_SHOWN + 4)]
    out += [LeftOut("quiet", "no call", 0.01, "no call")]
    text = Page(sheet(lines := lines_of(1), plan_of(lines, left_out=out))).text
    assert text.count("no time") == LEFT_OUT_SHOWN
    assert "x33" in text
    assert "x03" not in text
    assert "Not listed: 4 more with lower scores and 1 without a call." in text
    assert "quiet" not in text


def test_a_boat_without_a_cover_is_shown_by_its_number():
    card = cards(sheet([], plan_of(lines_of(1))))[0]
    assert card.startswith("1. 01 walk first")
    assert "nothing more is known of this boat" in card


@pytest.mark.parametrize("parties", [(), (("Ida", "Sam"),)])
def test_a_walk_without_covers_or_people_says_so(parties):
    text = Page(sheet([], plan_of([], parties))).text
    assert ("No cover is planned for this party." if parties else "Nobody is to walk") in text


def test_each_cover_has_a_code_that_reads_as_the_address_beside_it():
    page = sheet()
    links = [part.split("</a>")[0] for part in page.split('<div class="code">')[1:]]
    assert len(links) == 8
    for i, link in enumerate(links):
        address = html.unescape(link.split('href="')[1].split('"')[0])
        assert address == f"{BASE_URL}/yards/tarn/inspect?boat=0{i + 1}"
        assert read(drawn_modules(link)[0]) == address
        assert f"<title>QR code: inspection form of boat 0{i + 1}</title>" in link


def test_without_an_address_there_is_no_code_and_a_line_says_why():
    page = sheet(base_url=None)
    assert "<svg" not in page
    assert "No QR codes: it was not said where the web app is reached." in page
    assert "No QR codes" not in sheet()


def test_a_base_address_that_is_none_is_refused():
    with pytest.raises(StormwalkError, match="is not an address"):
        sheet(base_url="yard.example.org")


def test_headings_go_down_one_step_at_a_time_and_tables_name_their_columns():
    page = Page(sheet(lines := lines_of(4), plan_of(lines, (("Ida", "Sam"), ("Bo", "Kim")))))
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert all(text for _, text in page.headings)
    assert dict(page.attributes)["html"] == {"lang": "en"}
    assert all(given.get("scope") in ("col", "row") for tag, given in page.attributes if tag == "th")
    ids = [given["id"] for _, given in page.attributes if "id" in given]
    assert len(ids) == len(set(ids))
    named = [given["aria-labelledby"] for _, given in page.attributes if "aria-labelledby" in given]
    assert set(named) <= set(ids)


MARKUP = st.lists(
    st.sampled_from(
        [
            "<b>",
            "</p>",
            "<script>alert(1)</script>",
            '"><img src=x onerror=alert(1)>',
            "' onclick='",
            "&lt;",
            "&amp;",
            "&",
        ]
        + ["{{ 7 * 7 }}", "{% raw %}", "</style>", "</title>", "<!--", "]]>", "%s", "\\", "Ærø ⛵ 波", "a"]
    ),
    min_size=1,
    max_size=3,
).map(lambda parts: "x" + "".join(parts) + "x")
"""Texts that would become markup wherever one is not escaped."""


def written_with(text):
    """A sheet with this text in every field that a person writes, or that comes from outside."""
    stands = entry("stand_shifted", "port", 3, note=text, inspector=text)
    other = entry("chafe", "bow", 1, note=text, inspector=text, key="g")
    why = replace(reason("snow", 0.4, 0.42, note=text), source=text, check=text)
    line = SheetLine(boat(f"{text}1", text, row=text), (why,), (stands, other), other.inspection)
    more = replace(line, boat=replace(line.boat, number=f"{text}2"))
    out = [LeftOut(f"{text}9", "walk first", 0.9, text), LeftOut(f"{text}2", text, 0.1, text)]
    plan = plan_of([line, more], ((text, text), (text,)), left_out=out, notes=(text,))
    yard = replace(YARD, name=text, key=text)
    return sheet([line, more], plan, yard=yard, version=text, credits=(text,), remarks=(text,))


@cache
def plain_page():
    """The same sheet with a text that is no markup."""
    return Page(written_with("x"))


@given(MARKUP)
def test_no_name_or_note_becomes_markup(text):
    page, plain = Page(written_with(text)), plain_page()
    assert page.tags == plain.tags
    shown = " ".join(text.split())
    assert page.text.count(shown) >= plain.text.split().count("x")
    assert dict(page.attributes)["html"] == {"lang": "en"}
