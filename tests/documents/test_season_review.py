"""The review of a season as a document: what its first page answers, and that its numbers are the review's own."""

import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from conftest import skip_or_fail
from page_reader import Page
from season_picture import NASTY_NAME, YARD, calibration_of, content, content_of, document, review_of, season

from monitor.documents.season_charts import grid_svg, shares_svg
from monitor.evaluation.metrics import Estimate
from monitor.presentation.season_charts import month_text, months_of
from monitor.presentation.season_review import FOR_THE_YARD, season_content
from monitor.presentation.season_tables import estimate_text
from monitor.ranking import RankingParameters
from monitor.wording import CAUTIONS


def rows_of(table):
    return {row[0]: row[1:] for row in table.rows}


def part(found, title):
    return next(one for one in found.plain if one.title == title)


# --- plain words


def with_lifts(found, *spans):
    """The same season, had the list found so much more per cover than each simple order: (low, high)."""
    rivals = iter(spans)
    orders = [
        one if one.name.startswith("list") else replace(one, lift_of_list=Estimate(1.0, *next(rivals), "by hand"))
        for one in found.orders
    ]
    return replace(found, orders=tuple(orders))


@pytest.mark.parametrize(
    "spans, answer",
    [
        ([(1.1, 2.0), (1.2, 3.0), (1.01, 1.5)], "Yes: it found more per cover than each of the three simple orders."),
        (
            [(1.1, 2.0), (0.8, 1.6), (0.9, 1.2)],
            "In part: it found more per cover than berth order; against oldest inspection first and worst slope first "
            "nothing is shown.",
        ),
        (
            [(0.9, 2.0), (0.8, 1.6), (float("nan"), float("nan"))],
            "Not shown: these inspections tell it from berth order, oldest inspection first and worst slope first "
            "neither as better nor as worse.",
        ),
        ([(1.1, 2.0), (0.5, 0.9), (0.9, 1.2)], "No: oldest inspection first would have found more per cover."),
    ],
)
def test_whether_the_list_was_worth_following_is_answered_by_intervals_alone(spans, answer):
    found = content_of(with_lifts(review_of(), *spans))
    assert part(found, "Was the list worth following?").answer == answer


def test_the_first_page_counts_the_first_covers_of_every_walk_by_each_order():
    # Of the first five of six: the list leaves out boat 6, so 6 of 7 hits stand in 20; berth order goes 6 5 4 3 2 and
    # leaves out boat 1: 7 - 3 = 4. Oldest first is the same as berth order. The slope puts boat 3 first, then by boat.
    points = part(content(), "Was the list worth following?").points
    assert [point.partition(", ")[2].partition(" needed")[0] for point in points[:-1]] == [
        "6 of 20",
        "4 of 20",
        "4 of 20",
        "6 of 20",
    ]
    assert points[0].startswith("List: of the first 5 of every walk, ")
    assert points[-1] == "Any order, on average over the same 4 walks: 29 %."  # 7 of 24


def test_with_few_inspections_it_says_so_and_advises_nothing():
    few = content_of(review_of(season(walks=(0,))))
    followed = part(few, "Was the list worth following?")
    assert followed.answer == "There are too few inspections to say."
    assert followed.points == ()
    assert "Lean on none of the measures below." in " ".join(followed.sentences)
    assert part(few, "Should the curves be changed?").answer.startswith("Leave them: there are too few inspections")
    assert "accept" not in [row[-1] for row in few.curves.rows]


def test_a_season_without_an_inspection_is_one_sentence_and_a_page_all_the_same():
    nothing = content_of(review_of([]), walks=())
    text = Page(document(nothing)).text
    assert "No inspection was logged in this time" in text
    assert "No walk was planned with stormwalk in this season" in text
    assert (nothing.orders, nothing.calibration, nothing.found) == (None, None, None)


def test_curves_are_to_be_accepted_only_where_the_fit_does_better_on_walks_it_was_not_fitted_to():
    found = review_of()
    for held_out, answer, advice in ((0.3, "Accept the fitted ones", "accept"), (0.7, "Leave them", "leave")):
        tried = replace(calibration_of(found), log_loss_before=0.5, log_loss_held_out=held_out)
        one = content_with(found, tried)
        assert part(one, "Should the curves be changed?").answer.startswith(answer)
        snow = rows_of(one.curves)["snow load"]
        assert snow[-1] == advice
        assert rows_of(one.curves)["gust"][-1] == "leave: no inspected cover had any of it that is known"
    fitted = {curve.hazard: curve.fitted for curve in tried.curves}
    assert rows_of(content_with(found, tried, fitted).curves)["snow load"][-1] == "nothing to do: in force already"


def content_with(found, calibration, in_force=None):
    return season_content(found, calibration, in_force or RankingParameters().curves, ())


def test_planned_stops_are_held_against_those_inspected():
    # 5 of 6 and 3 of 4 are 8 of 10; one boat besides
    assert content().walks_said == (
        "On 2 planned walks, 8 of 10 planned stops were inspected on the day, 80 %; besides, 1 other boat."
    )
    assert [row[1:] for row in content().walks.rows] == [("6", "5", "83 %", "1", "0"), ("4", "3", "75 %", "0", "2")]


def test_next_autumns_list_says_what_to_build_otherwise_and_why():
    first = content().next_autumn[0]
    assert first.boat == f"01 {NASTY_NAME}"
    assert first.needed == "3 of 4"
    repeated = next(one for one in first.proposals if one[2] == "repeated finding")
    assert repeated[:2] == (
        "a steeper panel: raise the ridge",
        "snow lying at port came anew at 2 of 4 inspections.",
    )


# --- the numbers


def shown_percent(plain):
    low, high = plain["low"], plain["high"]
    return f"{100 * plain['value']:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def shown(plain, decimals):
    return f"{plain['value']:.{decimals}f} ({plain['low']:.{decimals}f} to {plain['high']:.{decimals}f})"


def test_every_measure_is_the_reviews_own_to_the_digit_that_is_shown():
    plain = review_of().as_json()
    rows = rows_of(content().metrics)
    for place, name in enumerate(("quality", "quality_of_hazards")):
        quality = plain[name]
        assert rows["base rate"][place] == shown_percent(quality["base_rate"])
        for top in quality["tops"]:
            assert rows[f"precision in the first {top['k']}"][place] == shown_percent(top["precision"])
            assert rows[f"caught in the first {top['k']}"][place] == shown_percent(top["recall"])
        for row, key, decimals in (
            ("ROC AUC", "roc_auc", 2),
            ("average precision", "average_precision", 2),
            ("NDCG", "ndcg", 2),
            ("Brier score", "brier", 3),
            ("log loss", "log_loss", 3),
            ("reliability slope", "reliability", 2),
        ):
            assert rows[row][place] == shown(quality[key], decimals)
    assert f"has {plain['quality']['brier_of_base']:.3f}" in rows["Brier score"][2]


def test_orders_bands_and_defects_are_the_reviews_own():
    plain = review_of().as_json()
    halves, firsts = rows_of(content().halves), content().firsts
    for place, order in enumerate(plain["orders"]):
        assert halves[order["name"]][1:3] == (shown_percent(order["precision"]), shown_percent(order["recall"]))
        for row, first in zip(firsts.rows, order["firsts"], strict=True):
            told = f"{first['found']['hits']} of {first['found']['of']}\n{shown_percent(first['precision'])}"
            assert row[2 + place] == told
    bands = [band for quality in ("quality", "quality_of_hazards") for band in plain[quality]["bands"]]
    for row, band in zip(content().bands.rows, bands, strict=True):
        assert (row[3], row[5]) == (
            f"{band['needed']['hits']} of {band['needed']['of']}",
            shown_percent(band["observed"]),
        )
    defects = rows_of(content().defects)
    for sight in plain["defects"]:
        row = defects[sight["defect"].replace("_", " ")]
        assert row[:2] == (str(sight["findings"]), str(sight["needed_hand"]))
        assert row[3] == f"{sight['mean_score']:.2f}"
    assert defects["damp inside"][2].startswith("1 of 2, ")  # boat 6 had a score of 0.10, below any call


def test_curves_are_those_of_the_calibration():
    rows = rows_of(content().curves)
    snow = next(curve for curve in calibration_of(review_of()).curves if curve.hazard == "snow")
    assert rows["snow load"][:4] == (
        "24",
        "0.15, 0.5 kPa",
        f"{snow.fitted.x10:.3g}, {snow.fitted.x50:.3g} kPa",
        f"{snow.x50_low:.3g} to {snow.x50_high:.3g}",
    )
    span = f"({snow.steepness_low:.2f} to {snow.steepness_high:.2f})"
    assert rows["snow load"][4] == f"{snow.prior.steepness:.2f}, {snow.fitted.steepness:.2f} {span}"
    # x50 of damp is 700 h, its prior sd ln 2: 700 / 2^1.96 = 179.9 and 700 x 2^1.96 = 2723.5 h, with three digits
    assert rows["damp"][1:4] == ("150, 700 h", "left", "180 to 2720")


def test_findings_are_counted_by_defect_and_month_of_the_yards_clock():
    # FOUND by the days of WALK_DAYS: October tear, damp; November two of snow; December snow, two of band; January damp
    assert content().found.columns == ("Oct 2025", "Nov 2025", "Dec 2025", "Jan 2026")
    assert dict(zip(content().found.rows, content().found.counts, strict=True)) == {
        "snow lying": (0, 2, 1, 0),
        "damp inside": (1, 0, 0, 1),
        "loose band": (0, 0, 2, 0),
        "tear": (1, 0, 0, 0),
    }
    assert rows_of(content().found_table)["inspections made"] == ("6", "6", "6", "6", "24")


def test_a_month_without_an_inspection_between_two_is_shown():
    late = replace(season()[0].inspection, inspected_at=datetime(2026, 1, 1, 2, tzinfo=UTC))  # 31 December there
    months = months_of([season()[0], replace(season()[0], inspection=late)], YARD.time_zone)
    assert [month_text(month) for month in months] == ["Oct 2025", "Nov 2025", "Dec 2025"]


def test_what_cannot_be_had_is_not_known():
    nan = float("nan")
    assert estimate_text(Estimate(nan, nan, nan, ""), 2) == "not known"
    assert estimate_text(Estimate(0.5, nan, nan, ""), 2) == "0.50"


def test_what_is_drawn_is_what_the_tables_hold():
    chart = content().orders
    for series in chart.series:
        order = next(one for one in review_of().orders if one.name == series.label)
        assert [point.text for point in series.points] == [
            f"first {first.k}: {first.found.hits} of {first.found.of}" for first in order.firsts
        ]
        assert all(point.low <= point.value <= point.high <= chart.top for point in series.points)
    assert len({series.sign for series in chart.series}) == len(chart.series) == 4
    said = content().calibration.series[0].points
    # walk first: boats 1 to 3 with (0.95 + 0.80 + 0.62) / 3 = 0.79; boats 1 and 2 needed a hand three times each
    assert (said[-1].x, said[-1].text) == (pytest.approx(79.0), "walk first: 6 of 12")


# --- the page


def test_it_says_for_whom_it_is_what_it_rests_on_and_the_cautions():
    text = Page(document()).text
    for sentence in (FOR_THE_YARD, *CAUTIONS, "Data as of Sun 1 Feb 2026 12:00 EST", "Made by stormwalk 0.0.test."):
        assert sentence in text
    assert "https://weather.example.org/" in text
    assert "Not assessed at the end of the season, because no weather source told of it: ice." in text
    for caution in ("What went together in this season, not what caused it", "A band is tightened because"):
        assert caution in text


def test_names_are_shown_as_they_were_written_and_never_run():
    html = document()
    assert "<script" not in html
    assert NASTY_NAME in Page(html).text


def test_plain_words_come_first_and_no_chart_stands_without_a_table():
    page = Page(document())
    titles = [title for level, title in page.headings if level == 2]
    assert titles[:5] == [one.title for one in content().plain]
    html = document()
    for figure in re.finditer(r"</figure>", html):
        after = html[figure.end() :]
        assert after.index("<table") < (after.index("<figure") if "<figure" in after else len(after))
    assert len(re.findall(r'<img class="chart" src="data:image/svg', html)) == 3


def test_the_same_season_gives_the_same_bytes():
    assert document(content_of()) == document(content_of())
    assert shares_svg(content().orders) == shares_svg(content_of().orders)
    assert grid_svg(content().found) == grid_svg(content_of().found)


@pytest.fixture
def to_pdf():
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as error:
        skip_or_fail(f'no PDF can be made: {error}; pip install ".[pdf]" and apt-get install libpango-1.0-0')
    for tool in ("pdftotext", "pdfinfo"):
        if shutil.which(tool) is None:
            skip_or_fail(f"no {tool}: apt-get install poppler-utils")
    from monitor.documents.pdf import to_pdf

    return to_pdf


def tool(*arguments):
    return subprocess.run(arguments, capture_output=True, text=True, check=True).stdout


def test_the_pdf_is_tagged_and_has_all_plain_words_on_its_first_page(to_pdf, tmp_path):
    path = tmp_path / "season.pdf"
    path.write_bytes(to_pdf(document()))
    said = tool("pdfinfo", "-isodates", path)
    assert re.search(r"Title: +Season review: Tarn Slip", said)
    assert re.search(r"Tagged: +yes", said)
    assert set(re.findall(r"Date: +(\S+)", said)) == {"2026-02-01T17:00:00Z"}
    tags = tool("pdfinfo", "-struct", path)
    for tag in ("H1", "H2", "H3", "Table", "Caption", "TH", "TD", "Figure", "L"):
        assert re.search(rf"^ *{tag}\b", tags, re.MULTILINE), tag
    first = tool("pdftotext", "-l", "1", path, "-")
    for one in content().plain:
        assert one.title in first


@pytest.mark.thorough
def test_the_pdf_has_the_same_bytes_each_time(to_pdf):
    assert to_pdf(document()) == to_pdf(document())
