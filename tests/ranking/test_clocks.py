"""Which entry of the log resets which clock, and what closes a finding."""

from datetime import UTC, datetime, timedelta

import pytest

from monitor.clocks import PASSING, Log, clocks, open_findings
from monitor.inspections import ACTIONS, DEFECTS, REMEDIES, STAND_DEFECTS, Action, Finding, Inspection

WRAPPED = datetime(2025, 10, 10, tzinfo=UTC)


def day(n: float) -> datetime:
    return WRAPPED + timedelta(days=n)


def inspection(key, at, cover=1, inside=False):
    return Inspection(key, cover, day(at), day(at), "Ida", inside)


def finding(key, of, defect="loose_band", severity=2, place="perimeter_band"):
    return Finding(key, of, place, defect, severity, WRAPPED)


def action(at, name, cover=1, names=None):
    return Action(f"{name}@{at}", cover, day(at), day(at), "Ida", name, finding_id=names)


def clock(*, inspections=(), actions=(), vents=None):
    return clocks({1: WRAPPED}, vents or {}, Log(inspections, (), actions))[1]


def still_open(*, inspections, findings, actions=(), boats=None):
    entries = open_findings(Log(inspections, findings, actions), boats or {1: "7"})
    return {boat: [entry.finding.id for entry in found] for boat, found in entries.items()}


def test_everything_counts_from_the_wrapping_where_nobody_has_looked():
    of = clock()
    assert of.inspected_at == of.looked_inside_at == of.retensioned_at == WRAPPED
    assert not of.inspected_ever


def test_an_inspection_with_nothing_found_resets_what_a_look_from_outside_can_judge():
    of = clock(inspections=[inspection("a", 5), inspection("b", 3)])
    assert of.inspected_at == day(5)
    assert of.inspected_ever
    assert of.looked_inside_at == WRAPPED
    assert of.retensioned_at == WRAPPED


def test_a_look_inside_or_other_vents_reset_the_damp_clock():
    assert clock(inspections=[inspection("a", 5, inside=True)]).looked_inside_at == day(5)
    assert clock(actions=[action(6, "vents_added")]).looked_inside_at == day(6)
    assert clock(vents={1: day(8)}).looked_inside_at == day(8)


@pytest.mark.parametrize("name", ACTIONS)
def test_only_re_tensioning_restarts_gust_work(name):
    restarted = clock(actions=[action(6, name)]).retensioned_at == day(6)
    assert restarted == name.startswith("retensioned")


def test_entries_of_other_covers_do_not_count():
    assert not clock(inspections=[inspection("a", 5, cover=2)]).inspected_ever


def test_a_finding_stays_open_until_something_closes_it():
    assert still_open(inspections=[inspection("a", 5)], findings=[finding("f", "a")]) == {"7": ["f"]}


@pytest.mark.parametrize(("name", "closes"), [(n, d) for n, ds in REMEDIES.items() for d in sorted(ds)])
def test_an_action_closes_the_defects_that_it_puts_right(name, closes):
    seen = {"inspections": [inspection("a", 5)], "findings": [finding("f", "a", closes)]}
    assert still_open(**seen, actions=[action(6, name)]) == {}
    assert still_open(**seen, actions=[action(4, name)]) == {"7": ["f"]}


def test_an_action_that_names_the_finding_closes_it():
    seen = {"inspections": [inspection("a", 5)], "findings": [finding("f", "a", "chafe")]}
    assert still_open(**seen, actions=[action(6, "other")]) == {"7": ["f"]}
    assert still_open(**seen, actions=[action(6, "other", names="f")]) == {}
    assert still_open(**seen, actions=[action(6, "customer_told", names="f")]) == {"7": ["f"]}


@pytest.mark.parametrize("defect", sorted(STAND_DEFECTS))
def test_a_stand_defect_is_closed_by_looking_again_alone(defect):
    seen = {"inspections": [inspection("a", 5)], "findings": [finding("f", "a", defect, 3, "stands")]}
    for name in ACTIONS:
        assert still_open(**seen, actions=[action(6, name, names="f")]) == {"7": ["f"]}, name
    seen["inspections"].append(inspection("b", 7))
    assert still_open(**seen) == {}


def test_a_later_inspection_that_found_other_things_leaves_it_open():
    visits = [inspection("a", 5), inspection("b", 7)]
    found = [finding("f", "a"), finding("g", "b", "chafe", 1, "bow")]
    assert still_open(inspections=visits, findings=found) == {"7": ["f", "g"]}


@pytest.mark.parametrize("defect", sorted(PASSING))
def test_what_the_weather_takes_is_gone_when_a_later_look_does_not_find_it(defect):
    visits = [inspection("a", 5), inspection("b", 7)]
    found = [finding("f", "a", defect, 2, "port"), finding("g", "b", "chafe", 1, "bow")]
    assert still_open(inspections=visits[:1], findings=found) == {"7": ["f"]}
    assert still_open(inspections=visits, findings=found) == {"7": ["g"]}


def test_the_same_defect_seen_again_counts_once_with_its_newest_severity():
    visits = [inspection("a", 5), inspection("b", 7)]
    assert still_open(inspections=visits, findings=[finding("f", "a"), finding("g", "b", severity=1)]) == {"7": ["g"]}
    assert still_open(inspections=visits, findings=[finding("f", "a"), finding("g", "b", severity=0)]) == {}


def test_what_is_inside_is_closed_only_by_somebody_who_looked_inside():
    damp = [finding("f", "a", "damp_inside", 1, "inside")]
    assert still_open(inspections=[inspection("a", 5), inspection("b", 7)], findings=damp) == {"7": ["f"]}
    assert still_open(inspections=[inspection("a", 5), inspection("b", 7, inside=True)], findings=damp) == {}


def test_a_new_cover_leaves_a_stand_defect_open():
    visits = [inspection("a", 5, cover=1)]
    found = [finding("f", "a", "stand_shifted", 3, "stands"), finding("g", "a", "tear", 2, "port")]
    rewrapped = [action(6, "rewrapped", cover=1)]
    assert still_open(inspections=visits, findings=found, actions=rewrapped, boats={1: "7", 2: "7"}) == {"7": ["f"]}


def test_worst_comes_first():
    found = [finding("f", "a", "chafe", 1), finding("g", "a", "tear", 3), finding("h", "a", "sag", 2)]
    assert still_open(inspections=[inspection("a", 5)], findings=found) == {"7": ["g", "h", "f"]}


def test_remedies_name_known_actions_and_defects():
    assert set(REMEDIES) <= set(ACTIONS)
    assert set().union(*REMEDIES.values()) <= set(DEFECTS)
