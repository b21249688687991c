"""``stormwalk calibrate``: what it shows, and that nothing changes until it is accepted."""

import json

from monitor.ranking import RankingParameters


def curves(run):
    outcome = run("yard", "curves", "--json")
    return {row["hazard"]: (row["x10"], row["x50"]) for row in json.loads(outcome.out)}


DEFAULTS = {hazard: (curve.x10, curve.x50) for hazard, curve in RankingParameters().curves.items()}


def inspected(run):
    """Two more inspections, one with a finding: three in all."""
    run("log", "inspection", "01", "--by", "Ida", "--at", "2023-11-16 09:00", "--finding", "tear@port:2")
    run("log", "inspection", "02", "--by", "Ida", "--at", "2023-11-17 09:00")


def test_prior_and_fitted_stand_side_by_side_and_nothing_changes(yard, run):
    inspected(run)
    outcome = run("calibrate")
    assert outcome.exit_code == 0, outcome.err
    text = " ".join(outcome.out.split())
    assert "snow kPa 0.15, 0.5" in text
    assert text.index("Too few to say anything: ") < text.index("3 inspections, of which 2")
    assert "3 inspections, of which 2 found something new of severity 2 or more." in text
    assert text.endswith("Nothing is changed until you accept.")
    assert curves(run) == DEFAULTS


def test_as_json_every_curve_has_both_with_intervals(yard, run):
    inspected(run)
    found = json.loads(run("calibrate", "--json").out)
    assert (found["inspections"], found["found"], found["threshold"], found["accepted"]) == (3, 2, 2, [])
    by_hazard = {curve["hazard"]: curve for curve in found["curves"]}
    assert {hazard: (c["before"]["x10"], c["before"]["x50"]) for hazard, c in by_hazard.items()} == DEFAULTS
    gust = by_hazard["gust"]
    assert gust["left_because"] is None
    assert gust["x50_interval"][0] < gust["fitted"]["x50"] < gust["x50_interval"][1]
    assert gust["k_interval"][0] < gust["fitted"]["k"] < gust["k_interval"][1]
    assert by_hazard["ice"]["left_because"] == "no inspected cover had any of it that is known"


def test_accepted_curves_are_the_yards_own_and_the_way_back_is_told(yard, run):
    inspected(run)
    outcome = run("calibrate", "--hazard", "gust", "--accept")
    assert outcome.exit_code == 0, outcome.err
    assert "Nothing is changed" not in outcome.out
    after = curves(run)
    assert {hazard for hazard in after if after[hazard] != DEFAULTS[hazard]} == {"gust"}
    assert "fitted from 3 inspections" in " ".join(run("yard", "curves").out.split())
    undo = outcome.out.strip().splitlines()[-1].removeprefix("stormwalk ").split()
    assert run(*undo).exit_code == 0
    assert curves(run) == DEFAULTS


def test_an_unknown_hazard_and_a_yard_without_covers_are_refused(yard, run):
    outcome = run("calibrate", "--hazard", "hail")
    assert outcome.exit_code == 1
    assert "There is no curve for 'hail'; expected one of snow, pocket" in outcome.err
    run("yard", "add", "bare", "--name", "Bare", "--latitude", "1", "--longitude", "1", "--time-zone", "UTC")
    outcome = run("calibrate", "--yard", "bare", "--accept")
    assert outcome.exit_code == 1
    assert "Yard bare had no cover by" in outcome.err
