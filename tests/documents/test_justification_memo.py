"""The justification memo: when numbers support a proposal, what it takes, and that the page says nothing else."""

import math
import shutil
import statistics
import subprocess
from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest
from conftest import skip_or_fail
from hypothesis import given, settings
from hypothesis import strategies as st
from memo_picture import (
    BUILD,
    FEWER,
    FILM,
    OTHERS,
    RIDGE,
    START,
    TIGHT,
    VENTS,
    YARD,
    assessed,
    cover,
    gale,
    hour,
    listed,
    log_of,
    memo,
    merged,
    seen,
    snow,
    thaw,
    weighed,
)
from page_reader import Page

from monitor.changes import Change, changed_cover
from monitor.documents.justification_memo import MemoPhoto
from monitor.explanation import METHODS
from monitor.hazards.series import HazardParameters
from monitor.inspections import Action, Inspection, Photo
from monitor.presentation.methods import origin
from monitor.presentation.proposal import RULES, Proposal
from monitor.presentation.quantities import belly_band_count, film_length_m, needs
from monitor.presentation.slack import slack_season
from monitor.presentation.standing import standings
from monitor.reruns import QUANTITIES
from monitor.whatif_wording import as_plain, comparison_rows, number_text
from monitor.wording import CAUTIONS, OWN_JUDGEMENT

DAMP = seen("damp_inside", "inside", inside=True, note="headliner wet forward")
LOOSE = seen("loose_band", "port", key="l", note="a hand under it")
TORN = seen("tear", "bow", key="t")
OPENED = seen("open_weld", "stern", at=22, key="w")
INCH = 0.0254


@cache
def case(name):
    """Assessments that several tests look at; nobody changes them."""
    return {
        "damp": lambda: assessed(thaw(), log=log_of(DAMP)),
        "dry": lambda: assessed(thaw()),
        "gale": lambda: assessed(gale(60), log=log_of(LOOSE)),
    }[name]()


@cache
def page(name, proposal):
    return memo(case(name), proposal)


def answers(found):
    return [check.answer for judgement in found.judgements for check in judgement.checks]


# --- when a proposal is supported -------------------------------------------------------------------------------------


def test_more_vents_are_supported_where_condensation_gets_less_in_every_set_and_damp_was_found():
    found = weighed(case("damp"), VENTS)
    assert found.compared["condensation"].effect == "less"
    assert (found.outcome, answers(found)) == ("supported", ["yes"] * 4)


def test_without_a_finding_or_a_better_call_the_same_numbers_leave_it_open():
    found = weighed(case("dry"), VENTS)
    assert (found.outcome, answers(found)) == ("not clear", ["yes", "yes", "yes", "no"])


@pytest.mark.parametrize("weather", [thaw(), merged(24)], ids=["thaw", "frost"])
def test_vents_that_lower_nothing_are_not_supported_whatever_was_found(weather):
    proposal = FEWER if weather.values["air_temperature_c"].max() > 0 else VENTS
    found = weighed(assessed(weather, log=log_of(DAMP)), proposal)
    assert found.outcome == "not supported"
    assert answers(found)[0] == "no"


@pytest.mark.parametrize("history", [(2, 9), (0, 4), (12, 3)])
def test_fewer_vents_than_now_are_never_supported_whatever_the_cover_had_before(history):
    first, now = history
    one = cover(replace(BUILD, vent_count=first), replace(BUILD, built_at=hour(24), vent_count=now))
    yard = assessed(thaw(), (one, *OTHERS), log_of(seen("damp_inside", "inside", at=30, inside=True)))
    for count in range(max(now - 2, 0), now):
        found = weighed(yard, Proposal(Change(vents=count)))
        assert found.outcome == "not supported"
        text = Page(memo(yard, Proposal(Change(vents=count)), found=found)).text
        assert f"vents instead of {now} " in text or f"vent instead of {now} " in text
        assert "As it was, each build in its time, it has score" in text


def test_a_memo_argues_against_its_own_proposal_in_its_headline():
    text = Page(memo(case("damp"), FEWER)).text
    assert text.startswith("7 Ebba: 0 vents instead of 2 – the numbers do not support it ")
    assert "Not supported: the numbers do not support it." in text
    assert "It does not noticeably lower what it is meant to lower." in text


def test_a_steeper_ridge_is_supported_by_less_snow_and_a_sag():
    assert weighed(assessed(snow(), log=log_of(seen("sag", "port"))), RIDGE).outcome == "supported"
    assert weighed(assessed(snow()), RIDGE).outcome == "not clear"
    assert weighed(assessed(merged(12)), RIDGE).outcome == "not supported"


@pytest.mark.parametrize(
    "hours, log, outcome",
    [
        (60, log_of(LOOSE), "supported"),
        (24, log_of(), "not clear"),  # by hand below: over 4 kPa h as recorded, under it at a sheltered berth
        (0, log_of(), "not supported"),
    ],
)
def test_a_retensioning_is_judged_by_slack_and_loose_bands_alone(hours, log, outcome):
    # 30 m/s at 10 m, berth partly sheltered (0.7): 0.613 * 21^2 - 30 = 240.333 Pa h each hour, in kPa h
    found = weighed(assessed(gale(hours), log=log), TIGHT)
    np.testing.assert_allclose(found.retensioned["gust_work_now"].before.default, 0.240333 * hours, rtol=1e-6)
    assert found.retensioned["gust_work_now"].after.default == 0
    assert found.outcome == outcome


def test_the_chance_of_slack_by_hand():
    # 60 h: 14.42 kPa h; k = ln 9 / ln 5 = 1.36521; p = 1 / (1 + (20 / 14.42)^k) = 0.390; with severity 2 (0.50) 0.695
    (judgement,) = weighed(case("gale"), TIGHT).judgements
    p = 1 / (1 + (20 / 14.42) ** (math.log(9) / math.log(5)))
    assert f"{1 - 0.5 * (1 - p):.0%}" == "70%"
    assert judgement.checks[0].why.startswith("70%: ")


def test_hours_that_nobody_knows_support_nothing():
    unknown = merged(12, wind_gust_ms=[math.nan] * 12, wind_speed_ms=[math.nan] * 12)
    one = assessed(unknown)
    found = weighed(one, TIGHT)
    assert (found.outcome, answers(found)[0]) == ("not clear", "not known")
    assert (
        "The slack of this season is not known: nobody tells of any gust." in Page(memo(one, TIGHT, found=found)).text
    )


@pytest.mark.parametrize(
    "pairs, outcome", [((), "not supported"), ((TORN,), "not clear"), ((TORN, OPENED), "supported")]
)
def test_new_film_takes_film_that_failed_more_than_once(pairs, outcome):
    assert listed(assessed(merged(24), log=log_of(*pairs)), FILM).outcome == outcome


def test_parts_that_disagree_leave_the_whole_open():
    both = Proposal(Change(vents=8), retension=True)
    found = weighed(assessed(thaw(), log=log_of(DAMP)), both)
    assert [(one.topic, one.outcome) for one in found.judgements] == [("bands", "not supported"), ("air", "supported")]
    assert found.outcome == "not clear"


def test_nothing_proposed_is_refused():
    with pytest.raises(ValueError, match="nothing is proposed"):
        weighed(case("dry"), Proposal())


# --- the state on the day ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["gale", "damp"])
def test_the_score_after_a_retensioning_is_that_of_whatif_to_the_last_digit(name):
    found = weighed(case(name), TIGHT)
    score = found.retensioned["score"]
    np.testing.assert_allclose(found.state.score, (score.before.default, score.after.default), rtol=1e-12)
    assert found.state.calls == (found.retensioned.calls["before"], found.retensioned.calls["after"])


def test_new_film_puts_right_what_is_open_in_it_but_not_what_is_damp():
    found = listed(assessed(merged(24), log=log_of(TORN, OPENED, DAMP)), FILM)
    assert found.state.left_open.finding.defect == "damp_inside"
    assert found.state.finding_p_after == 0.5
    assert listed(assessed(merged(24), log=log_of(TORN)), FILM).state.left_open is None


# --- what was seen ----------------------------------------------------------------------------------------------------


def test_only_what_has_to_do_with_the_proposal_is_shown():
    log = log_of(DAMP, LOOSE, TORN)
    shown = {
        name: [one.finding.defect for one in listed(assessed(gale(30), log=log), proposal).speaks_for]
        for name, proposal in (("air", VENTS), ("bands", TIGHT), ("film", FILM), ("slope", RIDGE))
    }
    assert shown == {"air": ["damp_inside"], "bands": ["loose_band"], "film": ["tear"], "slope": []}


def test_what_was_put_right_before_the_last_retensioning_speaks_for_no_other():
    done = Action("d", 40, hour(21), hour(21), "Ida", "retensioned_band")
    found = listed(assessed(gale(60), log=log_of(LOOSE, actions=(done,))), TIGHT)
    assert found.speaks_for == ()
    assert found.since["bands"] == hour(21)
    assert listed(assessed(gale(60), log=log_of(LOOSE)), TIGHT).speaks_for[0].is_open


def test_vents_added_or_rebuilt_begin_the_time_that_counts_for_the_air():
    added = Action("v", 40, hour(22), hour(22), "Ida", "vents_added")
    assert listed(assessed(thaw(), log=log_of(actions=(added,))), VENTS).since["air"] == hour(22)
    rebuilt = cover(BUILD, replace(BUILD, built_at=hour(30), vent_count=4))
    assert listed(assessed(thaw(), (rebuilt, *OTHERS)), VENTS).since["air"] == hour(30)


def test_looks_that_found_nothing_speak_against_and_for_damp_only_those_inside():
    outside = (Inspection("o", 40, hour(10), hour(10), "Bo", inside=False), None)
    inside = (Inspection("n", 40, hour(22), hour(22), "Bo", inside=True), None)
    assert listed(assessed(thaw(), log=log_of(outside)), VENTS).looks == ()
    found = listed(assessed(thaw(), log=log_of(outside, inside)), VENTS)
    assert [(look.count, look.newest.id) for look in found.looks] == [(1, "n")]
    text = Page(memo(assessed(thaw(), log=log_of(outside, inside)), VENTS, found=found)).text
    assert "1 look inside since the wrapping found none of this kind (damp inside, mould inside, vent blocked" in text


def test_another_cause_speaks_against():
    log = log_of(seen("sag", "port"), seen("leaning_post", "frame", key="p"))
    text = Page(memo(assessed(snow(), log=log), RIDGE)).text
    against = text[text.index("Against it") :]
    assert "leaning post at frame" in against
    assert "A post that leans flattens the panels: setting it right may be enough." in against


def test_a_stand_that_moved_comes_before_everything():
    log = log_of(DAMP, seen("stand_shifted", "stands", severity=3, key="s"))
    text = Page(memo(assessed(thaw(), log=log), VENTS)).text
    assert text.index("Not before the stand crew has been there.") < text.index("Before and after, modelled")
    assert "stand shifted, 3 make safe now" in text


# --- against the yard's other covers ----------------------------------------------------------------------------------


def test_quartiles_are_of_the_others_and_the_place_counts_from_the_highest():
    # 60 h of 30 m/s abeam; shelter 1.0, 0.7, 0.5: 0.613 * (30 s)^2 - 30 Pa
    work = {s: 60 * (0.613 * (30 * s) ** 2 - 30) / 1000 for s in (1.0, 0.7, 0.5)}
    others = [work[1.0], work[1.0], work[0.5], work[0.7]]
    lower, median, upper = statistics.quantiles(others, n=4, method="inclusive")
    one = case("gale")
    row = standings(one, one.series, one.cover_of("7"), "bands", START)[0]
    np.testing.assert_allclose([row.value, row.lower, row.median, row.upper], [work[0.7], lower, median, upper])
    assert (row.place, row.of, row.alike) == (3, 5, 1)
    assert "hours with snow lying [h] 0 0 0 0 like all others" in Page(page("gale", RIDGE)).text


def test_a_cover_that_was_not_on_for_most_of_the_hours_is_not_compared():
    late = cover(replace(BUILD, built_at=hour(40)), number="80", cover_id=60)
    one = assessed(gale(60), (cover(), OTHERS[0], late))
    rows = standings(one, one.series, one.cover_of("7"), "bands", START)
    assert [row.of for row in rows] == [2, 2, 3, 3]  # each since its own last re-tensioning: all three


def test_a_cover_alone_has_no_place():
    text = Page(memo(assessed(thaw(), (cover(),)), VENTS)).text
    assert "no other cover" in text


@pytest.mark.parametrize("topic, labels", [("air", 2), ("slope", 3), ("film", 2), ("bands", 4)])
def test_what_is_not_known_has_no_number(topic, labels):
    nothing = merged(24)
    nothing = replace(nothing, values=nothing.values * math.nan)
    one = assessed(nothing)
    rows = standings(one, one.series, one.cover_of("7"), topic, START)
    assert len(rows) == labels
    known = {row.quantity.label for row in rows if not math.isnan(row.value)}
    assert known <= {"days since its own last re-tensioning", *_STORES}


def test_an_hour_whose_weather_nobody_knows_is_no_hour_with_snow_lying():
    # Snow falls in frost from the 5th of 36 hours on, and stays: 32 hours, of which 6 are not known.
    names = ["air_temperature_c", "precipitation_mm", "snowfall_water_mm"]
    fallen = snow()
    torn = fallen.values.copy()
    torn.loc[torn.index[20:26], names] = math.nan
    for weather, lying_h in ((fallen, 32), (replace(fallen, values=torn), 26)):
        one = assessed(weather)
        row = standings(one, one.series, one.cover_of("7"), "slope", START)[1]
        assert (row.quantity.label, row.value, row.median) == ("hours with snow lying", lying_h, lying_h)


_STORES = {
    "peak snow load, flattest part",
    "most water in a pocket",
    "slack now, each since its own last re-tensioning",
}


# --- slack over the season --------------------------------------------------------------------------------------------


def test_slack_restarts_where_bands_were_tightened_by_hand():
    done = Action("d", 40, hour(32), hour(32), "Ida", "retensioned_belly_bands")
    one = assessed(gale(40), log=log_of(actions=(done,)))
    season = slack_season(one, one.series, one.cover_of("7"))
    # Gale in hours ending 13 to 52: 20 of them up to hour 32, 20 after
    np.testing.assert_allclose([season.worst()[0], season.now], [20 * 0.240333, 20 * 0.240333], rtol=1e-5)
    assert season.as_it_was[32] == pytest.approx(0.240333)
    assert season.now == pytest.approx(next(e for e in one.exposures if e.hazard == "slack").value[0], rel=1e-12)


def test_the_moment_that_was_asked_for_is_taken():
    one = case("gale")
    season = slack_season(one, one.series, one.cover_of("7"), [hour(22)])
    assert (season.also_at, season.chosen) == ((hour(22),), False)
    np.testing.assert_allclose(season.worst_otherwise()[0], 50 * 0.240333, rtol=1e-6)


@settings(max_examples=5)
@given(seed=st.integers(0, 10_000), done=st.lists(st.integers(1, 47), max_size=3))
def test_the_best_moment_is_the_best_of_all_within_the_worst_stretch(seed, done):
    gusts = np.random.default_rng(seed).uniform(0, 30, 48)
    actions = tuple(Action(f"d{n}", 40, hour(n), hour(n), "Ida", "retensioned_band") for n in done)
    one = assessed(merged(48, wind_gust_ms=gusts), (cover(),), log_of(actions=actions))
    mine = one.cover_of("7")
    best = slack_season(one, one.series, mine)
    assert np.all(best.otherwise <= best.as_it_was + 1e-12)
    worst_at = best.worst()[1]
    begin = max((hour(n) for n in done if hour(n) < worst_at), default=START)

    def worst_inside(season):
        inside = (season.hour_ending > begin) & (season.hour_ending <= worst_at)
        return season.otherwise[inside].max()

    tried = [slack_season(one, one.series, mine, [hour(n)]) for n in range(1, 48)]
    assert worst_inside(best) <= min(map(worst_inside, tried)) + 1e-9


# --- what it takes ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length_m, spacing_m, count", [(9.0, 1.8, 4), (10.0, 1.8, 5), (1.5, 1.8, 1), (9.01, 1.8, 5)])
def test_belly_bands_from_spacing_and_length(length_m, spacing_m, count):
    # 9 m in 5 gaps is 1.8 m; 10 m in 6 gaps 1.67 m; a hair more than 9 m takes a gap more
    assert belly_band_count(length_m, spacing_m) == count


def taken(one, proposal, units="us", **work):
    after = changed_cover(one, proposal.change, HazardParameters()).builds[-1]
    rows = needs(one, one.builds[-1], after, proposal.change, **{"bands": False, "film": False} | work, units=units)
    return {row.what: row for row in rows}


def test_film_width_is_the_worked_value_of_common_practice():
    # Common practice, no source: 72 in from ridge to rub rail -> 2 x (72 + 8 + 6) = 172 in.
    # 43.2 in of rise over 57.6 in of half-beam (3 : 4 : 5) are 72 in of film
    rows = taken(cover(replace(BUILD, ridge_rise_m=43.2 * INCH), beam_m=115.2 * INCH), FILM, film=True)
    assert rows["film width"].amount == "172 in"
    assert "2 x (72 in from ridge to rub rail + 8 in + 6 in)" in rows["film width"].how
    # Hull 240 in, at each end 8 in down to the band, 6 in of tuck and 6 in left over: 280 in
    assert film_length_m(240 * INCH) == pytest.approx(280 * INCH)
    assert all(row.basis == "common practice, no source" for row in rows.values())


def test_a_raised_ridge_takes_wider_film_and_higher_posts():
    rows = taken(cover(), RIDGE, "metric")
    # sqrt(1.0^2 + 1.5^2) = 1.803 m; 2 x (1.803 + 0.2032 + 0.1524) = 4.317 m
    assert rows["film width"].amount == "4.32 m"
    assert (rows["support posts to set higher"].amount, rows["support posts to set higher"].how[:15]) == (
        "3",
        "each by 30 cm; ",
    )


def test_vents_by_count_and_area():
    rows = taken(cover(), VENTS, "metric")
    assert (rows["vents to add"].amount, rows["free area of all vents"].amount) == ("6", "800 cm²")
    assert "vents to close" in taken(cover(), FEWER)
    unknown = taken(cover(replace(BUILD, vent_area_m2=None)), VENTS)
    assert "nobody recorded it" in unknown["free area of each vent"].how


def test_a_film_width_that_does_not_follow_is_not_known():
    slopes = dict.fromkeys(("bow_slope_deg", "port_slope_deg", "starboard_slope_deg", "stern_slope_deg"), 20.0)
    rows = taken(cover(replace(BUILD, ridge_rise_m=None, **slopes)), FILM, film=True)
    assert rows["film width"].amount == "not known"


# --- the page ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name, proposal, units",
    [
        ("damp", VENTS, "us"),
        ("gale", TIGHT, "metric"),
        pytest.param("gale", RIDGE, "metric", marks=pytest.mark.thorough),
        pytest.param("gale", FILM, "us", marks=pytest.mark.thorough),
        pytest.param("damp", RIDGE, "us", marks=pytest.mark.thorough),
    ],
)
def test_numbers_are_those_of_whatif_to_the_shown_digit(name, proposal, units):
    one = replace(case(name), yard=replace(YARD, display_units=units))
    judged = weighed(one, proposal)
    found = judged.compared
    texts = Page(memo(one, proposal, found=judged)).texts
    texts = texts[: texts.index("What was seen, and how the cover is built")]
    plain = {row["name"]: row for row in as_plain(found)["quantities"]}
    told = dict(zip([*QUANTITIES, "call"], comparison_rows(found, units), strict=True))
    shown = 0
    for key, row in told.items():
        if row["what"] not in texts:
            assert key in ("score", "call") or plain[key]["effect"] == "none"
            continue
        at = texts.index(row["what"])
        assert texts[at + 1 : at + 4] == [row["before"], row["after"], row["difference"]]
        if key != "call":
            for side, text in zip(("before", "after"), texts[at + 1 : at + 3], strict=True):
                assert text.split(" (")[0] == number_text(plain[key][side]["default"], QUANTITIES[key], units)
        shown += 1
    assert shown >= 1


def test_the_page_says_everything_it_must():
    text = Page(page("damp", VENTS)).text
    for part in (
        "7 Ebba: 8 vents instead of 2 – the numbers support it",
        "Data as of",
        RULES["build"],
        RULES["rest"],
        "In brackets: lowest and highest of 31 parameter sets",
        "What matters most for these differences, each input moved alone:",
        "damp inside 2 repair soon",
        "headliner wet forward",
        "Vents and damp: since the wrapping,",
        "Lower quartile",
        "common practice, no source",
        "Price of the yard:",
        "The customer",
        "Hukka & Viitanen 1999",
        "published, in part our own",
        "Modelled against seen.",
        OWN_JUDGEMENT,
        "Invented weather, https://weather.example.org/",
        "Made by stormwalk 0.0.",
        *CAUTIONS,
    ):
        assert part in text, part


def test_a_retensioning_shows_the_day_and_the_season_with_a_picture():
    html = page("gale", TIGHT)
    text = Page(html).text
    assert "On the day: as recorded, and with the work done" in text
    assert "Slack 14.4 kPa h, p 0.39 none, counted anew" in text
    assert "Re-tensioned once more on" in text
    assert 'src="data:image/svg+xml;base64,' in html
    # 60 h of the gale begin with hour 13; half of their work is done at the end of hour 42, 14:00 in Halifax
    assert "Tue 2 Dec 14:00 AST" in text
    assert "the worst would have been 7.2 kPa h" in text


def test_no_other_boat_is_named_anywhere():
    for proposal, name in ((VENTS, "damp"), (TIGHT, "gale"), (RIDGE, "gale"), (FILM, "gale")):
        html = page(name, proposal)
        for other in OTHERS:
            assert other.boat.name not in html
            assert f"boat {other.boat.number}" not in html
    blown = snow()
    blown.values["wind_gust_ms"] = blown.values["wind_speed_ms"] = 20.0
    html = memo(assessed(blown), RIDGE)
    assert "valley towards" not in html


def test_the_owner_is_named_only_where_asked():
    owned = cover(owner_name="Odalys Fenwright", owner_contact="odalys@example.org")
    one = assessed(thaw(1), (owned,))
    found = weighed(one, VENTS)
    assert "Odalys" not in memo(one, VENTS, found=found)
    assert "Odalys Fenwright, odalys@example.org" in memo(one, VENTS, found=found, with_owner=True)
    assert "Owner not recorded" in Page(memo(assessed(thaw(1), (cover(),)), VENTS, with_owner=True)).text


def test_the_yards_price_stands_there_as_given_or_leaves_a_line():
    assert "Price of the yard: 2 × <b>60</b> EUR" in Page(memo(case("dry"), VENTS, price="2 × <b>60</b> EUR")).text
    assert '<span class="line">' in page("damp", VENTS)


def test_the_same_memo_twice_is_the_same_bytes():
    for name, proposal in (("damp", VENTS), ("gale", TIGHT)):
        assert memo(case(name), proposal) == page(name, proposal)


def photo_of(found, jpeg=b"\xff\xd8 not looked into \xff\xd9", note="", trouble=""):
    photo = Photo("p", hour(20), hour(20), "Ida", "0" * 64, "image/jpeg", 9, 4, 3, note, found.inspection_id, found.id)
    return MemoPhoto(photo, found, jpeg, trouble)


def test_photos_carry_what_they_show_and_a_lost_one_says_so():
    found = weighed(case("damp"), VENTS)
    shown = memo(
        case("damp"),
        VENTS,
        found=found,
        photos=[photo_of(DAMP[1], note="forward"), photo_of(DAMP[1], b"", trouble="Gone.")],
    )
    assert 'alt="Photo: Damp inside"' in shown
    assert "data:image/jpeg;base64," in shown
    text = Page(shown).text
    assert "Damp inside, taken Mon 1 Dec 2025 16:00 AST by Ida: forward" in text
    assert "Not shown. Gone." in text
    assert (
        "3 older photos of them are in the log."
        in Page(memo(case("damp"), VENTS, found=found, photos=[photo_of(DAMP[1])], photos_left_out=3)).text
    )


NASTY = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1, max_size=12).map(
    lambda text: f"<i>{text}</i>\"'&{{{{"
)


@settings(max_examples=2)
@given(name=NASTY, note=NASTY, who=NASTY, price=NASTY)
def test_no_text_of_a_person_becomes_markup(name, note, who, price):
    visit, found = seen("damp_inside", "inside", inside=True, note=note, inspector=who)
    one = assessed(thaw(1), (cover(name=name, owner_name=name),), log_of((visit, found)))
    html = memo(one, VENTS, price=price, with_owner=True, photos=[photo_of(found, note=note)])
    read = Page(html)
    assert "<i>" not in html
    assert "i" not in {tag for tag, _ in read.tags}
    assert [tag for tag, _ in read.tags] == [tag for tag, _ in Page(_plain(one, visit, found)).tags]


def _plain(one, visit, found):
    """The same page with nothing in it that looks like markup."""
    (mine,) = one.covers
    boat = replace(mine.boat, name="x", owner_name="x")
    log = log_of((replace(visit, inspector="x"), replace(found, note="x")))
    return memo(
        assessed(thaw(1), (replace(mine, boat=boat),), log),
        VENTS,
        price="x",
        with_owner=True,
        photos=[photo_of(found, note="x")],
    )


@pytest.mark.parametrize(
    "start, kind",
    [
        ("our own heuristic, no source", "our own judgement"),
        ("projected areas, our own argument", "our own judgement"),
        ("ASCE/SEI 7-16, section 7.4", "published"),
        ("SNOW-17 and HBV type; factors are our choice", "published, in part our own"),
        ("form: WMO TD-1555, Eq. 14; 2.1 is ours", "published, in part our own"),
        ("steady heat balance; wind term from memory", "published, in part our own"),
        ("Lewis relation; wet share of the ground is our guess", "published, in part our own"),
        ("weight of water at standard gravity", "physics"),
        ("the yard's log", "log"),
    ],
)
def test_each_formula_says_whether_it_is_published(start, kind):
    assert any(reference == start for rows in METHODS.values() for _, reference in rows)
    assert origin(start) == kind


def test_nothing_that_calls_itself_ours_is_told_as_published():
    for rows in METHODS.values():
        for _, reference in rows:
            assert origin(reference) != "published" or not {"our", "ours"} & set(reference.replace(",", "").split())


# --- on paper ---------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pdf(tmp_path_factory):
    """The memo on a re-tensioning, with a drawn chart."""
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as error:
        skip_or_fail(f'no PDF can be made: {error}; pip install ".[pdf]" and apt-get install libpango-1.0-0')
    for tool in ("pdftotext", "pdfinfo"):
        if shutil.which(tool) is None:
            skip_or_fail(f"no {tool}: apt-get install poppler-utils")
    from monitor.documents.pdf import to_pdf

    path = tmp_path_factory.mktemp("memo") / "memo.pdf"
    path.write_bytes(to_pdf(page("gale", TIGHT)))
    return path


@pytest.mark.thorough
def test_the_same_memo_gives_the_same_pdf(pdf):
    from monitor.documents.pdf import to_pdf

    assert to_pdf(memo(case("gale"), TIGHT)) == pdf.read_bytes()


def run(*arguments):
    return subprocess.run(arguments, capture_output=True, text=True, check=True).stdout


def test_the_pdf_is_tagged_dated_by_its_data_and_holds_every_text(pdf):
    told = run("pdfinfo", "-isodates", pdf)
    assert "Tagged:          yes" in told
    assert f"CreationDate:    {case('gale').as_of:%Y-%m-%dT%H:%M:%S}" in told

    def letters(text):
        return "".join(text.split()).replace("-", "").replace("\u00ad", "")

    printed = letters(run("pdftotext", "-raw", pdf, "-"))
    for text in Page(page("gale", TIGHT)).texts:
        assert letters(text) in printed, text


def test_the_time_since_an_earlier_build_does_not_reach_ahead():
    ahead = cover(BUILD, replace(BUILD, built_at=START + timedelta(days=30), vent_count=9))
    assert listed(assessed(thaw(1), (ahead,)), VENTS).since["air"] == START
