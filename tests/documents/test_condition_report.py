"""The condition report: plain words true to their numbers, the same bytes in spring, no other boat, no owner."""

import base64
import re
import shutil
import subprocess
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from condition_picture import AS_OF, CONTACT, OWNER, fill, look, picture, weather
from conftest import skip_or_fail
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import DAY, HOUR, WRAPPED, metar
from page_reader import Page

from monitor.documents import condition_report as document
from monitor.documents.pdf import to_pdf
from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.explanation import explain
from monitor.hazards.series import cover_series, yard_weather
from monitor.operations.condition import assess_boat, condition_report, report_name
from monitor.operations.log import record_action
from monitor.operations.photos import photo_folder, photos_of_boat, record_photo, withdraw_photo
from monitor.operations.ranking import assess_yard
from monitor.operations.register import import_covers, set_curve
from monitor.operations.weather import import_weather
from monitor.operations.yard_hours import HAZARD_PARAMETERS
from monitor.presentation.condition import PhotoLine, condition
from monitor.store.connection import connect
from monitor.wording import CAUTIONS, reason_value_text


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    file = tmp_path_factory.mktemp("condition") / "yard.db"
    fill(file)
    return file


@pytest.fixture(scope="module")
def yard(path):
    from monitor.store.register import yard as stored

    with closing(connect(path)) as conn:
        return stored(conn, "north")


@pytest.fixture
def conn(path):
    """The database; what a test changes is rolled back."""
    with closing(connect(path)) as opened:
        opened.execute("BEGIN IMMEDIATE")
        yield opened
        opened.rollback()


def report(conn, path, yard, boat="02", as_of=AS_OF, **other):
    return condition_report(
        conn, photo_folder(path), yard, boat, as_of=as_of, known_at=other.pop("known_at", as_of), **other
    )


@pytest.fixture(scope="module")
def html(path, yard):
    with closing(connect(path)) as conn:
        return report(conn, path, yard)


@pytest.fixture
def undrawn(monkeypatch):
    """For tests of everything but the chart, which takes longest."""
    monkeypatch.setattr(document, "season_svg", lambda chart: "<svg/>")


def parts_of(found):
    return {part.title: " ".join((*part.sentences, *part.points)) for part in found.first_page}


def condition_of(conn, yard, boat, as_of=AS_OF):
    assessment, history = assess_boat(conn, yard, boat, as_of=as_of, known_at=as_of)
    return condition(assessment, assessment.covers[0], history), assessment


@pytest.fixture(scope="module")
def fig(path, yard):
    """Condition and assessment of boat 02, whose log has everything."""
    with closing(connect(path)) as conn:
        return condition_of(conn, yard, "02")


def new_yard(tmp_path, **other):
    file = tmp_path / "other.db"
    return fill(file, **other), file


# --- the first page


def test_the_first_page_tells_the_season_in_plain_words(fig):
    found, _ = fig
    words = parts_of(found)
    through = words["What the cover has been through"]
    assert "Since it was wrapped on Fri 20 Oct 2023 00:00 EDT, 30 days ago, 3 storms" in through
    # 45 kt x 1852 / 3600 = 23.15 m/s
    # GALE_HOURS begin with the hour ending 481 h after the wrapping: 9 November, 00:00 EST
    assert "The wind pressed hardest on Thu 9 Nov 00:00 EST: a gust of 23.2 m/s, observed (metar-archive)" in through
    # 10 h of 0.08 in: 20.32 mm of water, 20.32 kg/m2; x 0.00980665 = 0.199 kPa, and cold enough that none melts
    assert "0.20 kPa on the flattest part, which is about 20 kg on each square metre" in through
    assert "Freezing rain fell in 3 hours: 3.0 mm altogether." in through  # 3 x 0.04 in x 25.4
    assert "Of the 720 hours, 6 are not fully known (temperature in 6, what fell in 6, wind in 6)" in through
    assert (
        "We looked at the cover twice, once also inside; last on Fri 10 Nov 2023 05:00 EST, by Ida."
        in words["What we saw"]
    )
    assert "2 findings in all: Sag at starboard, repair soon" in words["What we saw"]
    assert words["What we did"].startswith("1 entry, newest first: Cleared snow: Thu 26 Oct 07:00 EDT, by Per")
    assert (
        "Loose band at port, watch, seen Fri 10 Nov 05:00 EST: with the yard's crew"
        in words["What is open, and who has it"]
    )
    assert "To be put right: sag at starboard, loose band at port." in words["What we advise next"]


def test_where_no_storm_passed_and_nothing_was_found_it_says_so(tmp_path, undrawn):
    yard, file = new_yard(tmp_path, report=weather(snow=(), ice=(), gale=(), missing=()), log=False)
    with closing(connect(file)) as conn:
        look(conn, yard, "03", AS_OF - DAY)
        found, _ = condition_of(conn, yard, "03")
        text = Page(report(conn, file, yard, "03")).text
    words = parts_of(found)
    through = words["What the cover has been through"]
    assert "30 days ago, no storm passed over it." in through
    assert "By our model no snow or ice to speak of lay on it." in through
    assert "No freezing rain was reported." in through
    assert "Temperature, wind and what fell are known for each of the 720 hours." in through
    assert words["What we saw"] == (
        "We looked at the cover once; last on Fri 17 Nov 2023 23:00 EST, by Ida. Nothing was found."
    )
    assert words["What we did"] == "No work on the cover is written down."
    assert words["What is open, and who has it"] == "Nothing is open."
    assert words["What we advise next"].startswith("Our list asks for no look out of turn")
    assert "None since the wrapping." in text
    assert "No photo was taken." in text


def test_where_no_weather_is_known_nothing_is_made_up(tmp_path):
    yard, file = new_yard(tmp_path, report=b"", log=False)
    with closing(connect(file)) as conn:
        found, _ = condition_of(conn, yard, "03")
        text = Page(report(conn, file, yard, "03")).text
    assert found.took.hours == 0
    assert parts_of(found)["What the cover has been through"] == (
        "Since it was wrapped on Fri 20 Oct 2023 00:00 EDT, 30 days ago, no hour of weather is known here, so what the "
        "cover has been through cannot be told."
    )
    assert parts_of(found)["What we saw"] == "No inspection of this cover is written down yet."
    assert "There is nothing to draw" in text
    assert "Storms that touched this cover Not known" in text
    assert "No weather was known; this rests on the register and the log alone." in text


@pytest.mark.parametrize(
    "unknown, said",
    [
        ({"p01i": "M"}, "How much snow lay on it is not known: nobody told what fell."),
        *(
            pytest.param(*rest, marks=pytest.mark.thorough)
            for rest in (
                ({"sknt": "M", "gust": "M", "drct": "M"}, "How hard the wind pressed on it is not known."),
                ({"dwpf": "M", "relh": "M"}, "How damp the air under the cover was is not known"),
            )
        ),
    ],
)
def test_what_nobody_told_is_said_to_be_unknown_and_never_to_be_nothing(tmp_path, unknown, said):
    yard, file = new_yard(tmp_path, report=metar(WRAPPED + HOUR, 720, **unknown), log=False)
    with closing(connect(file)) as conn:
        found, _ = condition_of(conn, yard, "03")
    assert said in parts_of(found)["What the cover has been through"]


def test_us_units_are_those_of_the_yard(tmp_path):
    yard, file = new_yard(tmp_path, units="us")
    with closing(connect(file)) as conn:
        found, _ = condition_of(conn, yard, "02")
    through = parts_of(found)["What the cover has been through"]
    assert "a gust of 52 mph" in through  # 45 kt x 1.852 / 1.609344 = 51.8 mph
    # 20.32 kg/m2 x 2.20462 lb/kg / 10.7639 ft2/m2 = 4.16 lb/ft2
    assert "4.2 psf on the flattest part, which is about 4 lb on each square foot" in through


# --- the numbers


@pytest.mark.parametrize("boat", ["02", *(pytest.param(boat, marks=pytest.mark.thorough) for boat in ("01", "03"))])
def test_every_number_is_the_one_that_the_yards_list_and_its_explanation_have(conn, yard, boat):
    of_yard = assess_yard(conn, yard, as_of=AS_OF, known_at=AS_OF, with_series=True)
    alone, _ = assess_boat(conn, yard, boat, as_of=AS_OF, known_at=AS_OF)
    explained = explain(of_yard, boat, HAZARD_PARAMETERS)
    line = alone.ranked[0]
    assert (line.score, line.call) == (explained.line.score, explained.line.call)
    for mine, theirs in zip(line.reasons, explained.line.reasons, strict=True):
        assert replace(mine, note="") == replace(theirs, note="")
    assert explain(alone, boat, HAZARD_PARAMETERS).steps == explained.steps
    column = of_yard.series.cover_ids.index(alone.covers[0].id)
    for name in ("snow_load_kpa", "gust_pressure_pa", "pocket_mm", "cycles", "inside_rh_pct"):
        np.testing.assert_array_equal(getattr(alone.series, name)[:, 0], getattr(of_yard.series, name)[:, column])


def test_what_the_report_advises_by_has_the_explanations_digits(conn, yard, html):
    of_yard = assess_yard(conn, yard, as_of=AS_OF, known_at=AS_OF, with_series=True)
    line = explain(of_yard, "02", HAZARD_PARAMETERS).line
    told = [reason for reason in line.reasons if reason.hazard != "open_finding" and reason.p >= 0.1][:2]
    assert told
    for reason in told:
        assert f": {reason_value_text(reason, 'metric')}. What we check: {reason.check}." in Page(html).text


def test_each_storm_has_its_own_share_and_quiet_hours_have_none(fig):
    found, assessment = fig
    snow, ice, gale = found.took.storms
    assert [storm.what for storm in found.storms] == ["dry snow", "freezing rain", "gale without snow"]
    assert snow.load.value == pytest.approx(0.199, abs=0.001)  # 20.32 mm, see above
    assert ice.freezing_rain_mm == pytest.approx(3 * 0.04 * 25.4)
    assert gale.pressure.value == found.took.gust.pressure_pa == np.nanmax(assessment.series.gust_pressure_pa)
    assert (snow.freezing_rain_mm, gale.freezing_rain_mm) == (0.0, 0.0)
    assert sum(storm.cycles for storm in found.took.storms) <= found.took.cycles


def test_a_storm_before_the_wrapping_did_not_touch_it(fig):
    _, assessment = fig
    cover = assessment.covers[0]
    later = replace(cover, builds=(replace(cover.builds[0], built_at=WRAPPED + 200 * HOUR),))
    found = condition(replace(assessment, covers=(later,)), later, assessment.log)
    assert [storm.what for storm in found.storms] == ["freezing rain", "gale without snow"]
    assert found.took.hours == 520


# --- the model against what was seen


def test_a_measured_depth_stands_beside_the_models_before_it_was_taken_in(fig, yard):
    found, assessment = fig
    (depth,) = [row for row in found.compared if row.what == "depth of snow"]
    visit = next(visit for visit in assessment.log.inspections if visit.snow_depth_m is not None)
    without = [other for other in assessment.log.inspections if other is not visit]
    hours = yard_weather(assessment.weather, yard, WRAPPED, AS_OF, HAZARD_PARAMETERS)
    own = cover_series(hours, yard, assessment.covers, assessment.log.actions, without, HAZARD_PARAMETERS)
    row = own.hour_ending.get_loc(visit.inspected_at)
    own_cm = own.snow_depth_m[row, 0] * 100
    assert own_cm != pytest.approx(12.0, abs=0.5)
    assert (depth.seen, depth.model) == ("12 cm", f"{own_cm:.1f} cm".replace(".0 cm", " cm"))
    assert "before this was taken into it" in depth.note


def test_snow_cleared_in_the_same_hour_before_it_was_measured_is_not_compared(conn, yard):
    moment = WRAPPED + 105 * HOUR
    at = moment + timedelta(minutes=10)
    record_action(conn, yard, "03", action="cleared_snow", actor="Per", acted_at=at, recorded_at=at)
    look(conn, yard, "03", moment + timedelta(minutes=30), snow_water_mm=3.0)
    found, _ = condition_of(conn, yard, "03")
    (row,) = [row for row in found.compared if row.what == "water in the snow"]
    assert (row.seen, row.model) == ("3.0 mm", "not comparable")


def test_a_gust_seen_stands_beside_the_stations_and_the_covers(fig):
    found, _ = fig
    (gust,) = [row for row in found.compared if row.what == "gust"]
    assert gust.seen == "2.5 m/s"
    # mean wind 4 kt = 2.06 m/s, no gust reported: x (1 + 2.1 / ln(10 / 0.03)) = x 1.3615 = 2.80 m/s
    assert "2.8 m/s at 10 m, estimated from the mean wind, hour ending Thu 26 Oct 06:00 EDT" in gust.note
    assert gust.model.endswith("m/s at the cover")


def test_damp_and_standing_water_are_held_against_the_model_too(fig):
    found, assessment = fig
    (inside,) = [row for row in found.compared if row.what == "damp inside"]
    cover = assessment.covers[0]
    until = assessment.series.hour_ending <= WRAPPED + 510 * HOUR
    known = ~np.isnan(assessment.series.inside_rh_pct[until, 0])
    damp = int(assessment.series.damp[until, 0][known].sum())
    assert inside.seen == "neither damp nor mould"
    assert inside.model == f"damp in {damp} of {known.sum()} known h"
    pockets = [row for row in found.compared if row.what == "sag, standing water"]
    assert pockets[0].seen == "sag"
    assert cover.boat.number == "02"


# --- log and photos


def test_a_correction_stands_first_and_what_it_corrected_can_still_be_read(html):
    text = Page(html).text
    assert "inspected; measured snow 12 cm deep, gust 2.5 m/s seen Corrected on Fri 27 Oct 2023 06:00 EDT." in text
    assert (
        "Before, written on Thu 26 Oct 2023 06:00 EDT: Thu 26 Oct 2023 06:00 EDT, Ida, inspected; measured snow 25 cm "
        "deep, gust 2.5 m/s seen"
    ) in text


def test_photos_stand_with_what_they_show_when_and_who(html):
    page = Page(html)
    pictures = [of for tag, of in page.attributes if tag == "img" and of["src"].startswith("data:image/jpeg")]
    assert [of["alt"].partition(",")[0] for of in pictures] == ["Photo: the cover at its inspection"] * 2
    for of in pictures:
        assert base64.b64decode(of["src"].partition(",")[2]).startswith(b"\xff\xd8")
    assert "Thu 26 Oct 2023 06:00 EDT, by Ida: picture 0" in page.text
    assert "Fri 10 Nov 2023 05:00 EST, by Ida: picture 1" in page.text


def test_a_withdrawn_photo_is_nowhere_and_a_lost_file_is_said(conn, path, yard, tmp_path, undrawn):
    first, last = photos_of_boat(conn, yard, "02")
    withdraw_photo(conn, yard, first.id, by="Ida", at=AS_OF + DAY, note="wrong boat")
    text = Page(report(conn, tmp_path / "nowhere" / "yard.db", yard)).text
    assert "picture 0" not in text
    assert "picture 1" in text
    assert "The file of this photo cannot be read." in text
    assert last.id not in text


def test_of_many_photos_the_worst_are_shown_and_the_others_listed():
    lines = [PhotoLine(str(i), f"thing {i}", "then", "Ida", "", (i % 3, 1, float(i))) for i in range(20)]
    shown = document.pictured(lines)
    assert len(shown) == document.MOST_PICTURES
    assert [photo.id for photo in shown] == sorted((photo.id for photo in shown), key=int)
    assert {photo.id for photo in lines if photo.weight[0] == 2} <= {photo.id for photo in shown}
    assert not {"0", "3"} & {photo.id for photo in shown}  # the oldest of the least


# --- the same report in spring


def test_printed_again_in_spring_it_is_the_same_to_the_byte(conn, path, yard, html):
    spring = AS_OF + 120 * DAY
    folder = photo_folder(path)
    later = weather(snow=range(200, 220), gale=range(40, 60), missing=(), hours=900)
    assert import_weather(conn, yard, "metar-archive", later, "later.csv", spring).good
    visit = next(iter(conn.execute("SELECT id FROM inspections WHERE note = 'dry inside'")))[0]
    look(conn, yard, "02", WRAPPED + 400 * HOUR, NewFinding("tear", "bow", 3), recorded_at=spring)
    look(conn, yard, "02", WRAPPED + 510 * HOUR, inside=True, note="wet inside", corrects_id=visit, recorded_at=spring)
    at = WRAPPED + 520 * HOUR
    record_action(conn, yard, "02", action="retensioned_band", actor="Per", acted_at=at, recorded_at=spring)
    record_photo(
        conn, folder, yard, photo_id=None, data=picture((9, 9, 9)), inspection_id=visit, taken_at=at,
        recorded_at=spring, taken_by="Per",
    )  # fmt: skip
    set_curve(conn, yard, "gust", 10.0, 20.0, reason="calibrated", now=spring)
    header = (
        "boat,boat_name,boat_type,length_m,beam_m,support,row,place,heading_deg,shelter,wrapped_on,ridge_rise_m,vents"
    )
    import_covers(
        conn, yard, f"{header}\n09,Quince,sail,9,3,stands,A,9,0,exposed,2023-10-01,1.5,2\n".encode(), "new.csv", spring
    )
    assert report(conn, path, yard) == html
    assessment, history = assess_boat(conn, yard, "02", as_of=AS_OF, known_at=spring)
    now = condition(assessment, assessment.covers[0], history, photos_of_boat(conn, yard, "02"))
    assert "Tear at bow" in " ".join(part.points[0] for part in now.first_page if part.points)
    assert len(now.photos) == 3
    assert now.took.load.value > 0.4  # 20 h of 2.032 mm: 0.399 kPa, and the freezing rain on top


# --- whose it is


def test_no_other_boat_is_named_and_the_owner_only_where_asked(conn, path, yard, html, undrawn):
    text = Page(html).text
    assert "02 Fig" in text
    for other in ("Plum", "Pear", "tear, bow", "Tear at bow", OWNER, CONTACT):
        assert other not in text
    named = report(conn, path, yard, with_owner=True)
    assert OWNER in Page(named).text
    assert CONTACT not in named


def test_a_boat_without_a_cover_then_is_refused_in_a_sentence(conn, path, yard):
    with pytest.raises(StormwalkError, match=r'Yard "north" has no boat 77 with a cover'):
        report(conn, path, yard, "77")
    with pytest.raises(StormwalkError, match=r"Boat 02 of yard north had no cover on .* Choose a later moment"):
        report(conn, path, yard, as_of=WRAPPED - DAY)


def test_its_file_is_named_from_yard_boat_and_the_local_day(yard):
    assert report_name(yard, "02", AS_OF) == "condition-north-02-2023-11-18"
    assert report_name(yard, "../A 7", AS_OF) == "condition-north----A-7-2023-11-18"


# --- the document


MARKUP = st.text(st.sampled_from("<>&\"'/=ab {}%"), min_size=1, max_size=30)


@pytest.fixture(scope="module")
def plain(fig):
    return replace(fig[0], chart=None)


def written(yard, found):
    return document.condition_report(yard, found, pictures={}, as_of=AS_OF, data_age_h=1.0, version="0")


@given(MARKUP)
def test_every_text_is_shown_as_it_is_and_never_as_markup(yard, plain, text):
    named = f"x{text}x"
    boat = replace(plain.cover.boat, name=named)
    line = plain.log[0]
    nasty = replace(
        plain,
        cover=replace(plain.cover, boat=boat),
        log=(replace(line, row=replace(line.row, note=named, who=named)), *plain.log[1:]),
        photos=tuple(replace(photo, note=named, who=named, shows=named) for photo in plain.photos),
        first_page=(replace(plain.first_page[0], points=(named,)), *plain.first_page[1:]),
    )
    harmless = replace(nasty, first_page=(replace(plain.first_page[0], points=("harmless",)), *plain.first_page[1:]))
    page = Page(written(yard, nasty))
    assert page.tags == Page(written(yard, harmless)).tags
    assert page.tags == Page(written(yard, _renamed(harmless, plain))).tags
    assert page.text.count(" ".join(named.split())) >= 4


def _renamed(found, plain):
    line = plain.log[0]
    row = replace(line.row, note="harmless", who="harmless")
    photos = tuple(replace(photo, note="harmless") for photo in plain.photos)
    return replace(found, cover=plain.cover, log=(replace(line, row=row), *plain.log[1:]), photos=photos)


def test_it_states_its_sources_cautions_moment_and_version_and_runs_no_script(html):
    page = Page(html)
    for caution in CAUTIONS:
        assert caution in page.text
    assert "Data as of Sat 18 Nov 2023 23:00 EST" in page.text
    assert "Airport reports (METAR) from the Iowa Environmental Mesonet" in page.text
    assert "Modelled against seen." in page.text
    assert "Made by stormwalk" in page.text
    assert "--as-of 2023-11-19T04:00:00Z" in page.text
    assert not [tag for tag, _ in page.tags if tag in ("script", "iframe", "object", "link") and tag != "link"]
    asked = [of.get("src", of.get("href", "")) for tag, of in page.attributes if tag in ("img", "link")]
    assert all(address.startswith("data:") for address in asked)


def test_a_yards_own_way_is_told_as_its_choice(html):
    text = Page(html).text
    assert "These points are the yard's choice" in text
    assert "Slope for water: flattest part 5.0 deg" in text


def test_a_later_build_shows_what_changed_and_when(conn, path, yard):
    header = (
        "boat,boat_name,boat_type,length_m,beam_m,support,row,place,heading_deg,shelter,wrapped_on,built_on,"
        "ridge_rise_m,vents"
    )
    rows = "03,Pear,motor,7,2.6,trailer,A,3,90,sheltered,2023-10-20,2023-11-05,1.3,4\n"
    import_covers(conn, yard, f"{header}\n{rows}".encode(), "more.csv", WRAPPED + 400 * HOUR)
    found, _ = condition_of(conn, yard, "03")
    first, second = found.builds
    assert dict(first.rows)["vents"] == "0"
    assert dict(second.rows)["vents"] == "4; before: 0"
    assert second.since.startswith("Sun 5 Nov 2023")


# --- on paper


@pytest.fixture(scope="module")
def pdf(html, tmp_path_factory):
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as error:
        skip_or_fail(f"no PDF can be made: {error}")
    if shutil.which("pdftotext") is None or shutil.which("pdfinfo") is None:
        skip_or_fail("no pdftotext: apt-get install poppler-utils")
    file = tmp_path_factory.mktemp("pdf") / "condition.pdf"
    file.write_bytes(to_pdf(html))
    return file


def tool(*arguments):
    return subprocess.run(arguments, capture_output=True, text=True, check=True).stdout


def on_paper(html):
    """The page without its table of days, which is for the screen."""
    return re.sub(r'<details class="days">.*?</details>', "", html, flags=re.DOTALL)


def test_the_pdf_is_tagged_and_has_every_text_of_the_page_but_the_table_of_days(html, pdf):
    assert re.search(r"Tagged: +yes", tool("pdfinfo", pdf))
    tags = tool("pdfinfo", "-struct", pdf)
    for tag in ("H1", "H2", "H3", "Table", "TH", "L", "LI", "Figure"):
        assert re.search(rf"^ *{tag}\b", tags, re.MULTILINE), tag
    printed = re.sub(r"\s", "", tool("pdftotext", "-raw", pdf, "-"))
    texts = Page(on_paper(html)).texts
    assert len(texts) > 150
    assert [text for text in texts if re.sub(r"\s", "", text) not in printed] == []
    assert "hours missing" not in tool("pdftotext", "-raw", pdf, "-").split("Storms that touched this cover")[1]


def test_the_first_page_holds_the_plain_words_and_nothing_else(pdf):
    first, second, *_ = tool("pdftotext", "-raw", pdf, "-").split("\f")
    assert "What we advise next" in first
    assert "Page 1 of" in first
    assert second.startswith("The season on one time axis")


@pytest.mark.thorough
def test_the_same_report_gives_the_same_pdf(html, pdf):
    assert to_pdf(html) == pdf.read_bytes()


@pytest.mark.thorough
def test_the_plain_words_fit_one_page_however_much_was_found(tmp_path):
    yard, file = new_yard(tmp_path, log=False, units="us")
    with closing(connect(file)) as conn:
        for number in range(30):
            moment = WRAPPED + (60 + 10 * number) * HOUR
            defect = ("slipped_band", "loose_belly_band", "stand_shifted", "standing_water")[number % 4]
            place = ("port", "starboard", "stands", "stern")[number % 4]
            look(conn, yard, "02", moment, NewFinding(defect, place, 3, "a long note " * 10), inside=number % 2 == 0)
            record_action(
                conn, yard, "02", action="other", actor="Maximiliane", acted_at=moment, recorded_at=moment, note="x"
            )
        made = tmp_path / "long.pdf"
        made.write_bytes(to_pdf(report(conn, file, yard)))
    first, second, *_ = tool("pdftotext", "-raw", made, "-").split("\f")
    assert "What we advise next" in first
    assert second.startswith("The season on one time axis")
