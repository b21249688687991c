"""``stormwalk whatif`` as a person meets it, on the demo's invented yard."""

import json
import shutil
from contextlib import closing

import pytest

from monitor.cli.demo import load_demo
from monitor.store.connection import connect

AS_OF = ("--as-of", "2025-12-10T12:00Z", "--hindsight")
"""Some weeks after the first snow: half of the season, to be quick."""


@pytest.fixture(scope="module")
def demo_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("demo") / "demo.db"
    with closing(connect(path, create=True)) as conn:
        load_demo(conn)
    return path


@pytest.fixture
def whatif(demo_file, folder, run):
    """Runs the command on a copy of the demo's database."""
    shutil.copy(demo_file, folder / "stormwalk.db")
    return lambda *arguments: run("whatif", *arguments)


def told(outcome):
    assert (outcome.exit_code, outcome.err) == (0, "")
    return " ".join(outcome.out.split())


def refused(outcome, exit_code, sentence):
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split()), outcome.err


def test_more_vents_in_words_with_ranges_what_matters_and_the_tables(whatif):
    text = told(whatif("03", "--vents", "8", "--table", *AS_OF))
    for part in (
        "03 Ninepenny, row A, place 3: what if 8 vents instead of 2",
        "as if it had been built so from the wrapping. Nothing is stored.",
        "hours of condensation [h]",
        "- Less: hours of condensation ",
        "- Everything else stays as it was.",
        "- The call ",
        "What matters most for these differences, each input moved alone:",
        "Measure first:",
        "Hours of condensation by further pairs of vents: 0 to 2 vents -",
        "(modelled, not a design check)",
        "Stated factor, not modelled, unbalanced at port after: 0.50 x",
        "By number of vents, the cover otherwise as changed",
        "By slope of every panel, the cover otherwise as changed",
        "lowest and highest of 31 parameter sets",
        "The order comes from curves that are our own judgement, not a published rule",
    ):
        assert part in text, part


def test_json_holds_the_same_and_nothing_else(whatif):
    outcome = whatif("03", "--vents", "8", "--json", *AS_OF)
    assert (outcome.exit_code, outcome.err) == (0, "")
    plain = json.loads(outcome.out)
    assert (plain["boat"], plain["change"], plain["as_of"]) == ("03", {"vents": 8}, "2025-12-10T12:00:00Z")
    condensation = next(row for row in plain["quantities"] if row["name"] == "condensation")
    assert (condensation["effect"], condensation["unit"]) == ("less", "h")
    assert condensation["difference"]["low"] < condensation["difference"]["default"] < 0
    by_vents = {row["vents"]: row["condensation_h"] for row in plain["vents"]}
    assert (by_vents[2], by_vents[8]) == (condensation["before"]["default"], condensation["after"]["default"])


def test_a_worse_build_is_said_to_be_worse(whatif):
    text = told(whatif("03", "--ground", "standing_water", *AS_OF))
    assert (
        "- This change does not help: nothing that is counted here becomes noticeably less. - Worse: hours of" in text
    )


def test_a_change_from_a_moment_on_in_the_units_given(whatif):
    build = ("--ridge-raise", "12in", "--vent-area", "18in2", "--from", "2025-11-10")
    text = told(whatif("03", *build, "--clear", "2025-12-08", *AS_OF))
    assert (
        "what if vents of 18.0 in² instead of 12.0 in², the ridge 1 ft higher, snow cleared Mon 8 Dec 00:00 EST" in text
    )
    assert "with the changed build from Mon 10 Nov 00:00 EST on. Nothing is stored." in text


def test_the_tables_alone_change_nothing(whatif):
    text = told(whatif("03", "--table", *AS_OF))
    assert "what if nothing changed" in text
    assert "- Nothing changes at all." in text


@pytest.mark.parametrize(
    "arguments, exit_code, sentence",
    [
        (
            (),
            2,
            "Nothing is changed: say what if, with one or more of --vents, --vent-area, --ridge-raise, "
            "--belly-spacing, --ground, --film-colour, --retension and --clear; or ask for the tables alone with "
            "--table.",
        ),
        (("--from", "2026-01-10"), 2, "Nothing is changed: say what if"),
        (
            ("--retension", "2026-01-10", "--from", "2026-01-10"),
            2,
            "--from says from when on a changed build counts; no change of the build is given.",
        ),
        (("--vents", "0", "--vent-area", "18in2"), 2, "--vents 0 leaves no vent that --vent-area could be of."),
        (("--vents", "-1"), 2, "-1 is not in the range 0<=x<=200"),
        (("--ground", "moist"), 2, "'moist' is not one of 'dry', 'damp', 'standing_water'"),
        (("--vents", "8", "--hindsight"), 2, "--hindsight goes with --as-of."),
        (
            ("--ridge-raise", "12"),
            1,
            "--ridge-raise: 12 is not given with its unit; write for example 6in, 15cm or 8.5ft, or put the unit "
            "in the header. "
            "Nothing was worked out.",
        ),
        (("--ridge-raise", "0in"), 1, "--ridge-raise: 0in is not above 0 and at most 5 m. Nothing was worked out."),
        (("--vent-area", "18ft2"), 1, "--vent-area: 18ft2 is not above 0 and at most 1 m2. Nothing was worked out."),
        (("--clear", "soon"), 1, "--clear: 'soon' is not a date and time."),
    ],
)
def test_what_cannot_be_asked_is_refused_with_a_sentence(whatif, arguments, exit_code, sentence):
    refused(whatif("03", *arguments), exit_code, sentence)


def test_an_unknown_boat_is_refused_with_those_near(whatif):
    refused(
        whatif("99", "--vents", "8", *AS_OF), 1, 'No boat "99" stands under a cover in yard wendlekill at that time;'
    )


def test_a_moment_outside_the_season_is_refused(whatif):
    refused(
        whatif("03", "--clear", "2025-09-01", *AS_OF),
        1,
        "Boat 03: it cannot have been cleared on Mon 1 Sep 2025 00:00 EDT; the season in question runs from its "
        "wrapping, Tue 14 Oct 2025 00:00 EDT, to Wed 10 Dec 2025 07:00 EST. Nothing was worked out. Choose a moment "
        "between them.",
    )
