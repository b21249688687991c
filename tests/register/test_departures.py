"""What a build comes to in numbers, and which points of it are shown as departing from common practice."""

import math
import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from monitor.departures import PanelSlope, PracticeLimits, check_cover
from monitor.register import Boat, Cover, CoverBuild, belly_band_spacing_m, film_width_m, ridge_to_rub_rail_m

FOOT_M, INCH_M = 0.3048, 0.0254
BUILT = datetime(2025, 10, 31, 4, tzinfo=UTC)
BOAT = Boat("12", "Kestrel", "sail", 9.0, 3.2, "stands", "A", 3, 225.0, "exposed")
SOUND = CoverBuild(
    BUILT,
    ridge_rise_m=1.0,
    bow_slope_deg=30.0,
    stern_slope_deg=25.0,
    flattest_slope_deg=20.0,
    post_count=3,
    band_drop_m=8 * INCH_M,
    belly_band_spacing_m=6 * FOOT_M,
    vent_count=4,
    vent_area_m2=0.006,
    film_thickness_mm=0.18,
)
"""Built by common practice (no source), with everything recorded."""


def check(units="metric", limits=None, boat=BOAT, **changes):
    cover = Cover(boat, date(2025, 10, 31), (replace(SOUND, **changes),))
    return check_cover(cover, BUILT, units, limits)


def departures(**changes):
    return {(departure.kind, departure.what): departure for departure in check(**changes).departures}


def the_departure(**changes):
    (departure,) = check(**changes).departures
    return departure


def test_a_cover_built_by_common_practice_and_fully_recorded_departs_in_nothing():
    assert check().departures == ()
    assert check(units="us").departures == ()


def test_film_width_is_that_of_the_trades_worked_value():
    # Common practice, no source: 72 in from the ridge down to the rub rail -> 2 x (72 + 8 + 6) = 172 in
    assert film_width_m(72 * INCH_M) == pytest.approx(172 * INCH_M, rel=1e-15)


def test_the_way_down_to_the_rub_rail_is_along_the_film():
    # Triangle 3 : 4 : 5 times 14.4 in: ridge 43.2 in above the rub rail, half-beam 57.6 in, film 72 in
    assert ridge_to_rub_rail_m(43.2 * INCH_M, 115.2 * INCH_M) == pytest.approx(72 * INCH_M, rel=1e-15)
    boat = replace(BOAT, beam_m=115.2 * INCH_M)
    assert check(boat=boat, ridge_rise_m=43.2 * INCH_M).film_width_m == pytest.approx(172 * INCH_M, rel=1e-15)


def test_each_panel_says_whether_its_slope_was_measured_or_follows():
    # By hand: ridge 1.6 m over a half-beam of 1.6 m is 45 deg
    result = check(ridge_rise_m=1.6, stern_slope_deg=None)
    assert result.slopes == (
        PanelSlope("bow", 30.0, "measured"),
        PanelSlope("port", pytest.approx(45.0), "from ridge and half-beam"),
        PanelSlope("starboard", pytest.approx(45.0), "from ridge and half-beam"),
        PanelSlope("stern", pytest.approx(45.0), "as steep as the sides"),
    )


@pytest.mark.parametrize(("measured", "flattest"), [(None, 25.0), (20.0, 20.0), (28.0, 25.0)])
def test_the_flattest_part_is_the_flattest_of_what_is_known(measured, flattest):
    # sides: atan(1.0 / 1.6) = 32.0 deg; bow 30, stern 25
    result = check(flattest_slope_deg=measured)
    assert (result.flattest_slope_deg, result.flattest_measured) == (flattest, measured is not None)


@pytest.mark.parametrize(
    ("vents", "area_m2", "total_m2"), [(4, 0.006, 0.024), (0, None, 0.0), (0, 0.006, 0.0), (4, None, None)]
)
def test_vent_area_is_that_of_all_vents(vents, area_m2, total_m2):
    assert check(vent_count=vents, vent_area_m2=area_m2).vent_area_m2 == total_m2


@pytest.mark.parametrize(
    ("count", "spacing_m", "expected_m"), [(4, 1.5, 1.5), (4, None, 1.8), (0, None, 9.0), (None, None, None)]
)
def test_belly_band_spacing_is_as_recorded_or_by_count_along_the_hull(count, spacing_m, expected_m):
    # By hand: 4 bands divide 9 m into 5 parts of 1.8 m; no band leaves the whole hull
    build = replace(SOUND, belly_band_count=count, belly_band_spacing_m=spacing_m)
    assert belly_band_spacing_m(build, 9.0) == expected_m
    assert check(belly_band_count=count, belly_band_spacing_m=spacing_m).belly_band_spacing_m == expected_m


def test_the_build_in_force_at_the_moment_is_checked():
    later = replace(SOUND, built_at=datetime(2026, 1, 10, tzinfo=UTC), vent_count=0)
    cover = Cover(BOAT, date(2025, 10, 31), (SOUND, later))
    assert check_cover(cover, datetime(2026, 1, 9, tzinfo=UTC)).departures == ()
    (departure,) = check_cover(cover, datetime(2026, 1, 10, tzinfo=UTC)).departures
    assert departure.what == "vents"


def test_a_cover_without_ridge_and_slopes_cannot_be_checked():
    with pytest.raises(ValueError, match="the port panel has no slope"):
        check(ridge_rise_m=None)


@pytest.mark.parametrize(("drop_in", "departs"), [(5.9, True), (6, False), (8, False), (10, False), (10.1, True)])
def test_the_band_may_lie_two_inches_off(drop_in, departs):
    assert (("departs", "perimeter band drop") in departures(band_drop_m=drop_in * INCH_M)) is departs


def test_a_low_band_is_told_with_the_film_it_takes():
    # By hand: 12 in is 4 in lower on each side, 8 in of film
    departure = the_departure(units="us", band_drop_m=12 * INCH_M)
    assert str(departure) == (
        "perimeter band drop: 1 ft below the rub rail; expected about 8 in, give or take 2 in "
        "(common practice, no source; the tolerance is our own judgement). "
        "The film must be 8 in wider than usual for 6 in of tuck."
    )
    assert "may be 20 cm narrower than usual for 15 cm" in the_departure(band_drop_m=4 * INCH_M).effect


@pytest.mark.parametrize(("spacing_ft", "departs"), [(5, False), (6, False), (6.01, True)])
def test_belly_bands_may_be_six_feet_apart(spacing_ft, departs):
    found = departures(belly_band_spacing_m=spacing_ft * FOOT_M)
    assert (("departs", "belly band spacing") in found) is departs


def test_wide_belly_bands_are_told_with_what_the_ranking_makes_of_them():
    # By hand: 2 bands divide 9 m into 3 parts of 3 m; 3 / 1.8 = 1.67
    departure = the_departure(belly_band_spacing_m=None, belly_band_count=2)
    assert departure.found == "3.00 m by their count along the hull"
    assert departure.effect == "The ranking counts the work of gusts 1.7 times."
    assert the_departure(belly_band_spacing_m=None, belly_band_count=0).found == "no bands"


@pytest.mark.parametrize(
    ("slope_deg", "told"),
    [
        (0.0, ["slope for water", "slope for snow"]),
        (11.9, ["slope for water", "slope for snow"]),
        (12.0, ["slope for snow"]),
        (14.9, ["slope for snow"]),
        (15.0, []),
    ],
)
def test_a_flat_panel_holds_water_and_snow(slope_deg, told):
    assert [departure.what for departure in check(stern_slope_deg=slope_deg).departures] == told


def test_the_flat_parts_are_named():
    first, second = check(stern_slope_deg=13.0, flattest_slope_deg=8.0).departures
    assert first.found == "flattest part 8.0 deg"
    assert second.found == "stern 13.0 deg, flattest part 8.0 deg"
    assert "our own judgement" in first.basis
    assert "ASCE 7-16" in second.basis


@pytest.mark.parametrize(("vents", "found"), [(0, "none"), (1, "1"), (2, None)])
def test_air_needs_two_vents(vents, found):
    departure = departures(vent_count=vents).get(("departs", "vents"))
    assert (departure and departure.found) == found


def test_a_ridge_without_a_post_is_told():
    assert the_departure(post_count=0).what == "support posts"


def test_ends_that_were_not_measured_are_told_as_assumed():
    departure = the_departure(bow_slope_deg=None, stern_slope_deg=None)
    assert str(departure) == (
        "slope of the ends: bow and stern not measured, taken as steep as the sides. "
        "An end that is flatter holds more snow and water than is shown here."
    )


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"flattest_slope_deg": None}, "slope of the flattest part"),
        ({"band_drop_m": None}, "perimeter band drop"),
        ({"belly_band_spacing_m": None}, "belly bands"),
        ({"post_count": None}, "support posts"),
        ({"vent_area_m2": None}, "free area of the vents"),
        ({"film_thickness_mm": None}, "film thickness"),
        ({"ridge_rise_m": None, "port_slope_deg": 30.0, "starboard_slope_deg": 30.0}, "ridge above rub rail"),
    ],
)
def test_a_missing_record_is_told_with_what_it_hides(changes, what):
    departure = the_departure(**changes)
    assert (departure.kind, departure.what, departure.found) == ("not recorded", what, "not recorded")
    assert departure.effect.endswith(".")


def test_every_departure_is_one_plain_sentence_on_a_named_basis():
    worst = dict.fromkeys(["bow_slope_deg", "stern_slope_deg", "flattest_slope_deg", "film_thickness_mm"])
    worst |= {"ridge_rise_m": 0.1, "post_count": 0, "band_drop_m": 0.5, "belly_band_spacing_m": 4.0, "vent_count": 1}
    found = check(**worst, vent_area_m2=None).departures
    assert len(found) == 10
    for departure in found:
        assert re.findall(r"\.(?!\d)", departure.effect) == ["."]
        assert departure.effect.endswith(".")
        assert any(basis in departure.basis for basis in ("common practice, no source", "our own judgement", "ASCE"))


def test_other_limits_can_be_passed_in():
    strict = PracticeLimits(vents=6, holds_snow_below_deg=22.0)
    assert [departure.what for departure in check(limits=strict).departures] == ["slope for snow", "vents"]


def test_a_flat_cover_is_shown_not_refused():
    result = check(ridge_rise_m=0.0, bow_slope_deg=None, stern_slope_deg=None, flattest_slope_deg=None)
    assert result.flattest_slope_deg == 0.0
    assert math.isclose(result.film_width_m, 3.2 + 2 * 14 * INCH_M)  # by hand: beam, and 8 + 6 in on each side
