"""Every command as a person meets it: what it prints where, how it ends, and what it says when it refuses."""

import csv
import io
import json
import sqlite3
from contextlib import closing
from dataclasses import replace

import click
import pytest
import responses
from invented_yard import COVERS, HOUR, WRAPPED, YARD, metar, open_meteo

from monitor.cli import COMMANDS, stormwalk
from monitor.ranking import HAZARDS
from monitor.store import register
from monitor.store.connection import connect
from monitor.weather.providers.metar_archive import URL as METAR_URL
from monitor.weather.providers.open_meteo import CUSTOMER_URL

AS_OF = "2023-11-18 23:00"
"""The last hour of the invented weather, on the yard's clock."""

ODD_NAMES = (
    "<script>alert('1')</script>",
    '"Quoted" & <b>bold</b>',
    "Ærøskøbing ⛵ 波",
    "O'Neill; DROP TABLE boats; --",
    "a,b;c\td",
)

ADD_YARD = (
    *("yard", "add", "north", "--name", "North Basin", "--latitude", "43.65", "--longitude", "-70.25"),
    *("--time-zone", "America/New_York"),
)


def json_of(outcome):
    """The one JSON document on standard output; nothing else may stand there, and no NaN in it."""
    assert outcome.exit_code == 0, outcome.err

    def refuse(word):
        raise ValueError(f"{word} is not JSON")

    return json.loads(outcome.out, parse_constant=refuse)


def csv_of(outcome):
    assert outcome.exit_code == 0, outcome.err
    return list(csv.DictReader(io.StringIO(outcome.out)))


def refused(outcome, sentence, exit_code=1):
    """The command ended so, printed nothing on standard output, and the sentence on standard error."""
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split()), outcome.err


def every_command():
    context = click.Context(stormwalk)
    for name in stormwalk.list_commands(context):
        command = stormwalk.get_command(context, name)
        yield (name,)
        yield from ((name, sub) for sub in getattr(command, "commands", {}))


# --- help


@pytest.mark.parametrize("command", [(), *every_command()], ids=" ".join)
def test_the_help_of_every_command_says_what_it_does_and_shows_an_example(run, command):
    outcome = run(*command, "--help")
    assert (outcome.exit_code, outcome.err) == (0, "")
    assert outcome.out.startswith(f"Usage: {' '.join(['stormwalk', *command])} [OPTIONS]")
    assert ("Example: stormwalk" if command else "stormwalk demo") in outcome.out
    assert not any(line.rstrip().endswith("...") for line in outcome.out.splitlines()[1:])  # no line is cut short


def test_the_help_lists_every_command(run):
    named = "demo init yard covers weather rank explain whatif walk log calibrate report watch account serve notices "
    named += "dashboard backup restore doctor"
    assert list(COMMANDS) == named.split()
    assert all(f"  {name} " in run("--help").out for name in COMMANDS)


def test_the_closed_lists_stand_in_the_help_of_the_log(run):
    text = " ".join(run("log", "inspection", "--help").out.split())
    assert "loose_belly_band" in text
    assert "perimeter_band" in text


def test_without_a_command_the_help_is_shown_as_wrong_usage(run):
    outcome = run()
    assert (outcome.exit_code, outcome.out) == (2, "")
    assert "Usage: stormwalk" in outcome.err


def test_the_version_is_told(run):
    assert run("--version").out == "stormwalk, version 0.1.0\n"


# --- how a command ends


@pytest.mark.parametrize("arguments", [("nonsense",), ("rank", "--nonsense"), ("explain",), ("rank", "--top", "0")])
def test_wrong_usage_exits_with_2(yard, run, arguments):
    refused(run(*arguments), "Try 'stormwalk", exit_code=2)


@pytest.mark.parametrize(
    "listing",
    [("rank",), ("rank", "--stored"), ("log", "list"), ("weather", "hours", "--from", "2023", "--to", "2024")],
)
def test_a_listing_comes_in_one_format(yard, run, listing):
    refused(run(*listing, "--json", "--csv"), "--json and --csv exclude each other.", exit_code=2)


def test_a_missing_database_is_named_with_what_to_do(run):
    refused(run("rank"), 'No database at stormwalk.db. Run "stormwalk init" to make one, or name another with --db.')


def test_a_file_that_is_no_database_is_left_alone(folder, run):
    (folder / "stormwalk.db").write_text("This is a letter, and a long one at that.\n" * 50)
    refused(run("rank"), "stormwalk.db is not a database. Nothing was changed.")


def test_another_programs_database_is_left_alone(folder, run):
    with sqlite3.connect(folder / "stormwalk.db") as conn:
        conn.execute("CREATE TABLE theirs (a)")
    refused(run("rank"), "stormwalk.db is a database of another program. Nothing was changed.")


def test_a_damaged_database_ends_in_a_sentence(yard, run):
    with sqlite3.connect(yard / "stormwalk.db") as conn:
        conn.execute("DROP TABLE weather_hours")
    refused(
        run("weather", "status"),
        "stormwalk.db cannot be used (no such table: weather_hours). Nothing of this command's last step was stored. "
        "Check the file and its folder, or restore its last backup.",
    )


def test_an_interrupt_ends_in_a_sentence(yard, run, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.store.connection.connect", interrupted)
    refused(run("rank"), "Stopped. What was written before this point is kept.")


def test_the_process_exits_as_documented_and_keeps_the_streams_apart(yard, shell):
    done, refusal, usage = shell("yard", "list", "--json"), shell("explain", "99"), shell("explain")
    assert (done.exit_code, done.err) == (0, "")
    assert json.loads(done.out)[0]["key"] == "north"
    assert (refusal.exit_code, refusal.out) == (1, "")
    assert refusal.err == 'No boat "99" stands under a cover in yard north at that time; near it are 01, 02, 03.\n'
    assert (usage.exit_code, usage.out) == (2, "")
    assert "Missing argument 'BOAT'" in usage.err


def test_text_that_is_not_utf_8_is_refused(yard, shell):
    name = b"Ida \xff".decode("utf-8", "surrogateescape")
    refused(shell("log", "inspection", "01", "--by", name), r"has a letter that cannot be written down, '\udcff'")
    refused(shell("weather", "hand", "--snow-depth", "6in", "--by", name), "The name of who read it has a letter")
    refused(shell("rank", "--yard", name), "A text that was given is not UTF-8")


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_pipe_gets_utf_8_whatever_the_terminal_can_show(yard, run, shell, encoding):
    run("log", "inspection", "01", "--by", "Ærø ⛵")
    assert json.loads(shell("log", "list", "--json", PYTHONIOENCODING=encoding).out)[-1]["who"] == "Ærø ⛵"
    assert "Ærø ⛵" in shell("log", "list", PYTHONIOENCODING=encoding).out


# --- which database


def test_the_database_is_the_one_named_then_the_environments_then_the_working_folders(folder, run, monkeypatch):
    def made():
        return sorted(path.name for path in folder.glob("*.db"))

    assert run("init").out == "Made stormwalk.db. Next: stormwalk yard add.\n"
    assert made() == ["stormwalk.db"]
    monkeypatch.setenv("STORMWALK_DB", str(folder / "environment.db"))
    run("init")
    assert made() == ["environment.db", "stormwalk.db"]
    run("--db", "named.db", "init")
    assert made() == ["environment.db", "named.db", "stormwalk.db"]


def test_init_leaves_a_database_as_it_is(yard, run):
    before = run("yard", "list", "--json").out
    assert run("init").out == "stormwalk.db is there already, and up to date.\n"
    assert run("yard", "list", "--json").out == before


# --- yards


def test_a_yard_is_added_listed_and_exported(run):
    run("init")
    assert run(*ADD_YARD).out == 'Added yard north (North Basin). Next: "stormwalk covers import FILE --yard north".\n'
    (listed,) = json_of(run("yard", "list", "--json"))
    assert set(listed) == set(YARD.__dataclass_fields__)
    assert (listed["key"], listed["latitude_deg"], listed["display_units"]) == ("north", 43.65, "metric")
    (exported,) = csv_of(run("yard", "export"))
    assert (exported["id"], exported["time_zone"]) == ("north", "America/New_York")
    assert "North Basin" in run("yard", "list").out


@pytest.mark.parametrize(
    "changed, sentence",
    [
        (("--time-zone", "Eastern"), "Yard north, time_zone: Eastern is not a time zone of the IANA list"),
        (("--latitude", "nan"), "Yard north, latitude_deg: nan is not"),
    ],
)
def test_a_yard_that_cannot_be_is_refused(run, changed, sentence):
    run("init")
    refused(run(*ADD_YARD, *changed), sentence)


def test_yards_are_imported_all_or_none(folder, run):
    run("init")
    run(*ADD_YARD)
    text = run("yard", "export", "--out", "yards.csv")
    assert text.err == "Wrote yards.csv.\n"
    assert run("yard", "import", "yards.csv").out == "yards.csv: 0 yards added, 0 changed, 1 as they were.\n"
    (folder / "bad.csv").write_text((folder / "yards.csv").read_text().replace("43.65", "north"))
    refused(run("yard", "import", "bad.csv"), "bad.csv line 2, column latitude_deg: north is not")


def test_without_a_yard_and_with_several_it_has_to_be_named(run):
    run("init")
    refused(run("rank"), 'There is no yard yet. Add one: "stormwalk yard add --help" shows how.')
    run(*ADD_YARD)
    run(*ADD_YARD[:2], "south", *ADD_YARD[3:])
    refused(run("rank"), "There are 2 yards (north, south): say which with --yard.")
    refused(run("rank", "--yard", "west"), 'There is no yard "west". Known yards: north, south.')


def test_curves_are_shown_and_set(yard, run):
    curves = {row["hazard"]: row for row in json_of(run("yard", "curves", "--json"))}
    assert set(curves) == set(HAZARDS) - {"open_finding"}
    assert set(curves["snow"]) == {"hazard", "exposure", "unit", "x10", "x50", "by"}
    shown = run("yard", "curves", "--set", "snow", "0.1", "0.35", "--reason", "old film")
    assert "this yard: old film" in shown.out
    refused(run("yard", "curves", "--set", "snow", "2", "1"), "snow load: x10 2 and x50 1 are not a curve")
    refused(run("yard", "curves", "--set", "hail", "1", "2"), "There is no curve for 'hail'; expected one of snow,")


# --- covers


def test_covers_go_in_out_and_in_again_unchanged(yard, run):
    assert run("covers", "export", "--units", "us", "--out", "out.csv").err == "Wrote out.csv.\n"
    assert run("covers", "import", "out.csv").out == (
        "out.csv: 0 covers added to yard north, 0 changed, 3 as they were.\n"
    )
    assert {row["boat"] for row in csv_of(run("covers", "export"))} == {"01", "02", "03"}


def test_covers_are_checked_before_and_after_the_import(yard, run):
    shown = run("covers", "check").out
    assert "02 Fig, wrapped 2023-10-20" in shown
    assert "departs: slope for water: flattest part 5.0 deg" in shown
    assert "covers, " in shown.splitlines()[-1]
    assert "A departure is not refused." in shown.splitlines()[-1]
    (yard / "new.csv").write_text(COVERS)
    assert run("covers", "check", "--file", "new.csv").out == shown
    rows = json_of(run("covers", "check", "--json"))
    assert [row["boat"] for row in rows] == ["01", "02", "03"]
    assert {"boat", "wrapped_on", "slopes", "flattest_slope_deg", "film_width_m", "departures"} <= set(rows[0])


def test_every_problem_of_a_register_is_told_at_once(yard, run):
    (yard / "bad.csv").write_text(COVERS.replace("sail", "boat").replace("2023-10-20", "20.10.2023"))
    outcome = run("covers", "import", "bad.csv")
    assert (outcome.exit_code, outcome.out) == (1, "")
    lines = outcome.err.splitlines()
    assert len(lines) == 5
    assert lines[0].startswith("bad.csv line 2, column boat_type: boat is not one of sail,")
    assert lines[-1] == "Nothing was loaded. Correct bad.csv and import again."


def test_a_file_that_is_not_there_is_wrong_usage(yard, run):
    refused(run("covers", "import", "nosuch.csv"), "File 'nosuch.csv' does not exist", exit_code=2)


def test_a_folder_that_is_not_there_is_said(yard, run):
    refused(run("covers", "export", "--out", "no/such/out.csv"), "out.csv cannot be written: No such file or directory")


def test_the_columns_are_described(run):
    text = run("covers", "columns").out
    assert "built_on" in text
    assert "open_meteo_plan" in text


# --- weather


def test_weather_is_imported_and_its_status_told(yard, run):
    (yard / "w.csv").write_bytes(metar(WRAPPED + HOUR, 48, tmpf={5: "300.00"}, without=range(20, 23)))
    outcome = run("weather", "import", "w.csv", "--source", "metar-archive", "--fetched-at", "2023-10-23")
    assert outcome.out == "w.csv: 45 hours stored, 2023-10-20 05:00 to 2023-10-22 04:00 UTC.\n"
    status = json_of(run("weather", "status", "--json"))
    assert set(status) == {
        "yard",
        "at",
        "sources",
        "without_station",
        "coverage",
        "data_age_h",
        "order",
        "alerts",
        "daily_check",
    }
    source = status["sources"][0]
    assert source["source"] == "metar-archive"
    assert {"newest_hour", "age_h", "first_hour", "hours", "kinds", "gaps", "flags", "answers"} <= set(source)
    shown = run("weather", "status").out
    assert "metar-archive: 720 hours, newest Sat 18 Nov 23:00 EST (" in shown
    assert "calm enough, not missing" in shown
    assert "Airport reports (METAR) from the Iowa Environmental Mesonet" in shown


def test_status_names_gaps_flags_and_trouble_in_words(folder, run):
    run("init")
    run(*ADD_YARD)
    shown = run("weather", "status").out
    assert shown.startswith(
        'No weather yet for yard north: "stormwalk weather refresh" or "stormwalk weather import".\n'
    )
    assert "nearest station not looked up yet; chosen by stormwalk" in shown
    content = metar(WRAPPED + HOUR, 48, tmpf={5: "300.00"}, without=range(20, 23), sknt="M", drct="M")
    (folder / "w.csv").write_bytes(content)
    (folder / "bad.csv").write_text("nonsense\n")
    run("weather", "import", "w.csv", "--source", "metar-archive")
    refused(run("weather", "import", "bad.csv", "--source", "metar-archive"), "bad.csv: METAR archive: expected")
    shown = run("weather", "status").out
    assert "  unknown for 3 h from Fri 20 Oct 20:00 EDT to Fri 20 Oct 23:00 EDT: air temperature, precip" in shown
    assert "  not known of any hour: mean wind at 10 m, gust at 10 m" in shown
    assert "  air temperature: 1 h flagged range, kept and not used" in shown
    (trouble,) = (line for line in shown.splitlines() if "  last trouble " in line)
    assert ": bad.csv: METAR archive: expected" in trouble
    assert "next pull" not in shown  # of a file that somebody imported, no pull will ask again


def test_hours_are_listed_with_their_sources(yard, run):
    span = ("--from", "2023-11-08 22:00", "--to", "2023-11-09 02:00")
    rows = json_of(run("weather", "hours", *span, "--json"))
    assert [row["hour_ending"] for row in rows] == [f"2023-11-09T0{hour}:00:00Z" for hour in range(4, 8)]
    assert rows[2]["wind_gust_ms"] == pytest.approx(45 * 1852 / 3600)
    assert rows[2]["sources"]["wind_gust_ms"] == "metar-archive:observed"
    table = csv_of(run("weather", "hours", *span, "--csv"))
    assert [row["hour_ending"] for row in table] == [row["hour_ending"] for row in rows]
    assert float(table[2]["wind_gust_ms"]) == rows[2]["wind_gust_ms"]
    assert table[2]["wind_gust_ms_source"] == "metar-archive:observed"
    assert "23.2" in run("weather", "hours", *span).out
    assert run("weather", "hours", *span, "--csv", "--out", "h.csv").err == "Wrote h.csv.\n"
    assert json_of(run("weather", "hours", *span, "--json", "--as-of", "2023-11-01")) == []


def test_hours_need_a_span_in_order(yard, run):
    refused(
        run("weather", "hours", "--from", "2023-11-09", "--to", "2023-11-08"),
        "--from 2023-11-09 is not before --to 2023-11-08. Give the earlier one first.",
    )
    refused(run("weather", "hours", "--from", "2023-11-08", "--to", "2023-11-09", "--out", "x"), "--csv", exit_code=2)


def test_a_logger_is_read_by_its_own_column_names(yard, run):
    (yard / "mast.csv").write_text("Time,Air,Gust\n2023-11-18 21:00,34,12\n2023-11-18 22:00,33,25\n")
    columns = ("--time-column", "Time", "--column", "air_temperature_c=Air:°F", "--column", "wind_gust_ms=Gust:mph")
    outcome = run("weather", "import", "mast.csv", "--source", "logger", *columns)
    assert outcome.out == "mast.csv: 2 hours stored, 2023-11-19 02:00 to 2023-11-19 03:00 UTC.\n"


@pytest.mark.parametrize(
    "options, sentence, exit_code",
    [
        (("--column", "a=b:c"), "A logger's columns need --time-column and at least one --column.", 1),
        (("--time-column", "T", "--column", "gust=G"), "--column 'gust=G' cannot be read; expected", 1),
        (("--time-column", "T", "--column", "wind_gust_ms=G:mph"), "column 'T' is not in the header (a, b)", 1),
    ],
)
def test_columns_of_a_logger_that_cannot_be_read_are_named(yard, run, options, sentence, exit_code):
    (yard / "mast.csv").write_text("a,b\n1,2\n")
    refused(run("weather", "import", "mast.csv", "--source", "logger", *options), sentence, exit_code)


def test_options_of_a_logger_go_with_a_logger(yard, run):
    (yard / "w.csv").write_bytes(metar(WRAPPED, 3))
    outcome = run("weather", "import", "w.csv", "--source", "metar-archive", "--time-column", "valid")
    refused(outcome, "--column, --time-column and --time-zone go with --source logger.", exit_code=2)


@responses.activate
def test_refresh_tells_of_each_service_on_the_stream_that_fits(yard, run, monkeypatch):
    monkeypatch.setenv("STORMWALK_OPEN_METEO_KEY", "k3y")
    run(*ADD_YARD, "--station", "QXM", "--open-meteo-plan", "customer_key")
    for source in ("nws-grid", "nws-observations", "ncei-daily", "open-meteo-archive"):
        run("weather", "sources", "--drop", source)
    responses.get(METAR_URL, status=404, body="Station unknown")
    responses.get(CUSTOMER_URL, body=open_meteo(WRAPPED, 3))
    outcome = run("weather", "refresh", "--from", "2023-11-18")
    assert outcome.exit_code == 0  # something came
    assert outcome.out == "open-meteo: 3 hours stored, 2023-10-20 04:00 to 2023-10-20 06:00 UTC.\n"
    assert 'metar-archive: mesonet.agron.iastate.edu refused the request with 404: "Station unknown"' in outcome.err
    responses.replace(responses.GET, CUSTOMER_URL, status=401, json={"error": True, "reason": "bad key k3y"})
    outcome = run("weather", "refresh", "--from", "2023-11-18")
    assert (outcome.exit_code, outcome.out) == (1, "")  # nothing came
    assert len(outcome.err.splitlines()) == 2
    assert "k3y" not in outcome.err


def test_refresh_without_a_service_says_how_to_begin(run):
    run("init")
    run(*ADD_YARD)
    for source in ("metar-archive", "nws-grid", "nws-observations", "ncei-daily"):
        run("weather", "sources", "--drop", source)
    refused(run("weather", "refresh"), "Yard north uses no weather service. Nothing was fetched.")


# --- ranking


def test_rank_prints_the_list_for_people(yard, run):
    outcome = run("rank", "--as-of", AS_OF)
    assert outcome.err == ""
    lines = outcome.out.splitlines()
    assert (
        lines[0] == "North Basin: covers to look at as of Sat 18 Nov 2023 23:00 EST; weather up to Sat 18 Nov 23:00 EST"
    )
    assert [line.split()[0] for line in lines if ", row A, place " in line] == ["1", "2", "3"]
    text = " ".join(outcome.out.split())
    assert "gust 266 Pa, Thu 9 Nov 00:00 EST, 90° off the bow to port (metar-archive, observed)" in text
    assert "1 in 10 at 150, 1 in 2 at 400 Pa" in text
    assert "check: " in text
    assert "our own judgement, not a published rule" in text
    assert "no check of a structure" in text
    assert "Iowa Environmental Mesonet" in text
    assert "Kept as ranking " in text
    assert len(run("rank", "--as-of", AS_OF, "--top", "1").out.splitlines()) < len(lines)


def test_rank_as_json_has_the_documented_keys_and_no_others(yard, run):
    outcome = run("rank", "--as-of", AS_OF, "--json")
    rows = json_of(outcome)
    assert [row["rank"] for row in rows] == [1, 2, 3]
    for row in rows:
        assert list(row) == ["rank", "boat", "cover", "score", "call", "reasons", "data_age_h"]
        assert row["call"] in ("walk first", "walk today", "this week", "no call")
        for reason in row["reasons"]:
            assert list(reason) == [
                *("hazard", "p", "value", "unit", "hour_ending", "source", "threshold", "missing_share", "check"),
            ]
            assert reason["hazard"] in HAZARDS
            assert reason["threshold"] is None or set(reason["threshold"]) == {"one_in_ten", "one_in_two"}
    assert "our own judgement" in outcome.err  # said beside the data, not in it
    assert len(json_of(run("rank", "--as-of", AS_OF, "--json", "--top", "2"))) == 2


def test_rank_as_csv_has_a_line_for_each_cover(yard, run):
    rows = csv_of(run("rank", "--as-of", AS_OF, "--csv"))
    assert list(rows[0]) == ["rank", "boat", "cover", "score", "call", "reasons", "data_age_h"]
    assert [row["boat"] for row in rows] == [row["boat"] for row in json_of(run("rank", "--as-of", AS_OF, "--json"))]
    assert " | " in rows[0]["reasons"]


def test_a_kept_ranking_is_listed_and_printed_again(yard, run):
    first = run("rank", "--as-of", AS_OF)
    run("log", "inspection", "01", "--by", "Ida", "--at", AS_OF, "--finding", "tear@port:3")
    run(*ADD_YARD, "--units", "us", "--terrain", "sheltered")
    (kept,) = json_of(run("rank", "--stored", "--json"))
    assert set(kept) == {"id", "as_of", "created_at", "version", "data_age_h", "ahead_h"}
    assert (kept["as_of"], kept["data_age_h"]) == ("2023-11-19T04:00:00Z", 0.0)
    assert run("rank", "--reprint", kept["id"][:8]).out == first.out
    assert csv_of(run("rank", "--stored", "--csv"))[0]["id"] == kept["id"]
    assert kept["id"] in run("rank", "--stored").out
    refused(run("rank", "--reprint", "zz"), "The id 'zz' fits 0 of the rankings kept for yard north")
    refused(run("rank", "--reprint", kept["id"], "--as-of", AS_OF), "--reprint prints a ranking as it was", exit_code=2)


def test_hindsight_uses_what_came_later(yard, run):
    asked = ("rank", "--as-of", "2023-11-10", "--json")
    assert {row["data_age_h"] for row in json_of(run(*asked))} == {None}
    assert {row["data_age_h"] for row in json_of(run(*asked, "--hindsight"))} == {0.0}


def test_hindsight_goes_with_a_moment(yard, run):
    for command in (("rank",), ("explain", "01"), ("dashboard",)):
        refused(run(*command, "--hindsight"), "--hindsight goes with --as-of.", exit_code=2)


def test_explain_takes_apart_the_very_numbers_of_rank(yard, run):
    for row in json_of(run("rank", "--as-of", AS_OF, "--json")):
        explained = json_of(run("explain", row["boat"], "--as-of", AS_OF, "--json"))
        shares = [reason.pop("share") for reason in explained["reasons"]]
        steps = [reason.pop("steps") for reason in explained["reasons"]]
        methods = [reason.pop("methods") for reason in explained["reasons"]]
        assert {key: explained[key] for key in row} == row
        assert sum(shares) == pytest.approx(1)
        assert all(step["name"] for of in steps for step in of)
        assert all(method["formula"] and method["reference"] for of in methods for method in of)
        assert set(explained) == {*row, "boat_name", "build", "not_assessed"}


def test_explain_prints_formula_reference_hour_and_source(yard, run):
    text = run("explain", "01", "--as-of", AS_OF).out
    assert "01 Plum, row A, place 1" in text
    assert "    gust at 10 m = 23.15 m/s, hour ending Thu 9 Nov 00:00 EST (metar-archive, observed)" in text
    assert "    by velocity pressure = 0.613 V^2 [ASCE 7-16, section 26.10]" in text
    assert "slope of the port panel: 45 deg" in text  # 1.5 m over a half-beam of 1.5 m


def test_explain_tells_in_short_what_hardly_counts_and_all_of_it_in_full(yard, run):
    run("log", "inspection", "02", "--by", "Ida", "--finding", "tied_to_stand@stands:3", "--at", "2023-11-18 09:00")
    reasons = json_of(run("explain", "02", "--as-of", AS_OF, "--hindsight", "--json"))["reasons"]
    small = [reason["hazard"] for reason in reasons if reason["share"] < 0.01]
    assert 0 < len(small) < len(reasons)
    short, full = (run("explain", "02", "--as-of", AS_OF, "--hindsight", *more).out for more in ((), ("--full",)))
    those, them = ("1 reason", "it") if len(small) == 1 else (f"{len(small)} reasons", "them")
    assert f"Told in short: {those} below 1% of the score. --full takes {them} apart." in short
    assert "Told in short" not in full
    assert short.count("  check: ") == len(reasons) - len(small)
    assert full.count("  check: ") == len(reasons)


def test_explain_gives_us_units_beside_those_of_the_formulas(yard, run):
    assert "(" not in run("explain", "01", "--as-of", AS_OF).out.split("ridge above the ground:")[1].splitlines()[0]
    with closing(connect(yard / "stormwalk.db")) as conn:
        register.save_yards(conn, [replace(YARD, display_units="us")])
    text = run("explain", "01", "--as-of", AS_OF, "--full").out
    assert "ridge above the ground: 4 m (13 ft 1 in)" in text  # 4 / 0.3048 = 13.12
    assert "gust at 10 m = 23.15 m/s (52 mph), hour" in text  # 23.15 / 0.44704 = 51.8


def test_explain_of_an_unknown_boat_offers_near_ones(yard, run):
    refused(
        run("explain", "1", "--as-of", AS_OF),
        'No boat "1" stands under a cover in yard north at that time; near it are 01',
    )


# --- the log


def test_the_log_takes_inspections_findings_and_actions(yard, run):
    said = run("log", "inspection", "01", "--by", "Ida", "--at", "2023-11-10 09:40", "--snow-depth", "6in", "--inside")
    assert said.out.endswith(" of boat 01 (Plum): all sound.\n")
    run("log", "inspection", "02", "--by", "Ida", "--finding", "sag@stern:2:hangs", "--finding", "chafe@bow:1")
    said = run("log", "finding", "02", "--defect", "tied_to_stand", "--place", "stands", "--severity", "3")
    assert "tied to stand, severity 3 (make safe now)." in said.out
    assert "This is for the yard's stand crew: tell them now." in said.out
    said = run("log", "action", "02", "--action", "vents_added", "--quantity", "2", "--by", "Ida")
    assert said.out.endswith("The cover has 4 vents from then on.\n")
    rows = json_of(run("log", "list", "--json"))
    (visit,) = [row for row in rows if row["boat"] == "01"]
    assert list(visit) == ["at", "boat", "entry", "what", "who", "note", "corrects", "id"]
    assert (visit["at"], visit["entry"], visit["who"]) == ("2023-11-10T14:40:00Z", "inspection", "Ida")
    assert visit["what"] == "inside and outside, snow depth 15.2 cm"
    assert (visit["note"], visit["corrects"]) == ("", None)
    assert [row["id"] for row in csv_of(run("log", "list", "--csv"))] == [row["id"] for row in rows]
    assert json_of(run("log", "list", "01", "--json")) == [visit]
    assert "Fri 10 Nov 09:40 EST" in run("log", "list", "01").out


def test_a_correction_names_what_it_corrects_and_keeps_its_time(yard, run):
    run("log", "action", "01", "--action", "taped", "--by", "Ida", "--at", "2023-11-10 09:40")
    (first,) = json_of(run("log", "list", "01", "--json"))
    run("log", "action", "01", "--action", "rewelded", "--by", "Ida", "--corrects", first["id"][:8])
    (second,) = json_of(run("log", "list", "01", "--json"))
    assert (second["what"], second["at"], second["corrects"]) == ("rewelded", first["at"], first["id"])
    assert len(json_of(run("log", "list", "01", "--json", "--history"))) == 2


@pytest.mark.parametrize(
    "arguments, sentence",
    [
        (("inspection", "1", "--by", "Ida"), 'Yard "north" has no boat 1 with a cover. Did you mean 01?'),
        (("inspection", "01", "--by", " "), "The name of who looked is empty. Nothing was logged."),
        (("inspection", "01", "--by", "Ida", "--finding", "tear"), "Finding 'tear' cannot be read; expected DEFECT@"),
        (("inspection", "01", "--by", "Ida", "--finding", "rip@port:1"), "'rip' is not a defect; expected one of sag,"),
        (("inspection", "01", "--by", "Ida", "--snow-depth", "6"), "--snow-depth: 6 has no unit; write for example"),
        (("inspection", "01", "--by", "Ida", "--corrects", "zz"), "The id 'zz' fits none of the inspections in yard"),
        (("inspection", "01", "--by", "Ida", "--at", "2020-01-01"), "Boat 01 had no cover then: its first was wrapped"),
        (
            ("finding", "01", "--defect", "tear", "--place", "bow", "--severity", "1"),
            "Boat 01 has no inspection in the last 12 hours to add the finding to. Nothing was logged.",
        ),
        (
            ("action", "01", "--action", "post_added", "--by", "Ida", "--quantity", "1.5"),
            "post_added: the quantity is 1.5, expected a whole number from 1. Nothing was logged.",
        ),
        (("list", "77"), 'Yard "north" has no boat 77 with a cover.'),
    ],
)
def test_what_cannot_be_logged_is_refused_and_nothing_is_logged(yard, run, arguments, sentence):
    before = run("log", "list", "--json", "--history").out
    refused(run("log", *arguments), sentence)
    assert run("log", "list", "--json", "--history").out == before


@pytest.mark.parametrize(
    "arguments",
    [
        ("finding", "01", "--defect", "rip", "--place", "bow", "--severity", "1"),
        ("finding", "01", "--defect", "tear", "--place", "left", "--severity", "1"),
        ("finding", "01", "--defect", "tear", "--place", "bow", "--severity", "4"),
        ("action", "01", "--action", "swept", "--by", "Ida"),
        ("inspection", "01"),
    ],
)
def test_words_outside_the_closed_lists_are_wrong_usage(yard, run, arguments):
    refused(run("log", *arguments), "Error: ", exit_code=2)


# --- times


@pytest.mark.parametrize(
    "typed, utc",
    [
        ("2023-11-10 09:40", "2023-11-10T14:40:00Z"),
        ("2023-11-10T14:40Z", "2023-11-10T14:40:00Z"),
        ("2023-11-10T15:40+01:00", "2023-11-10T14:40:00Z"),
        ("2023-10-25 09:40", "2023-10-25T13:40:00Z"),
        ("2023-11-05T01:30-04:00", "2023-11-05T05:30:00Z"),
        ("2023-11-05T01:30-05:00", "2023-11-05T06:30:00Z"),
        ("2023-11-10", "2023-11-10T05:00:00Z"),
    ],
)
def test_times_are_on_the_yards_clock_unless_they_say_otherwise(yard, run, typed, utc):
    run("log", "inspection", "01", "--by", "Ida", "--at", typed)
    assert json_of(run("log", "list", "01", "--json"))[-1]["at"] == utc


@pytest.mark.parametrize(
    "typed, sentence",
    [
        (
            "2023-11-05 01:30",
            "2023-11-05 01:30 is not one moment: the clock in America/New_York shows it twice; write it with its "
            "offset, 2023-11-05T01:30-04:00 or 2023-11-05T01:30-05:00.",
        ),
        (
            "2024-03-10 02:30",
            "2024-03-10 02:30 is not a time that the clock in America/New_York showed: it was put forward past it; "
            "write 2024-03-10 03:30, or the time in UTC.",
        ),
        ("yesterday", "'yesterday' is not a date and time. Write it as 2026-02-21 14:00 (the yard's clock), or as"),
        ("0001-01-01", "0001-01-01 is not in the years 1980 to 2099. Check the year."),
        ("9999-12-31T23:59-12:00", "9999-12-31T23:59-12:00 is not in the years 1980 to 2099. Check the year."),
    ],
)
@pytest.mark.parametrize(
    "command, option",
    [(("rank",), "--as-of"), (("log", "inspection", "01", "--by", "Ida"), "--at"), (("explain", "01"), "--as-of")],
    ids=["rank", "log", "explain"],
)
def test_a_time_that_means_no_moment_or_two_is_refused(yard, run, command, option, typed, sentence):
    refused(run(*command, option, typed), f"{option}: {sentence}")


@pytest.mark.parametrize(
    "command, sentence",
    [
        (("log", "inspection", "01", "--by", "Ida", "--at", "2098-01-01"), "--at: 2098-01-01 has not come yet."),
        (("log", "action", "01", "--action", "taped", "--by", "Ida", "--at", "2098-01-01"), "has not come yet."),
        (("rank", "--as-of", "2098-01-01"), "--as-of: 2098-01-01 lies more than a year ahead. Check the year."),
        (("explain", "01", "--as-of", "2098-01-01"), "--as-of: 2098-01-01 lies more than a year ahead."),
    ],
)
def test_what_has_not_come_yet_is_refused(yard, run, command, sentence):
    refused(run(*command), sentence)


# --- names


@pytest.mark.parametrize("name", ODD_NAMES)
def test_any_name_survives_every_listing(yard, run, name):
    run("log", "inspection", "01", "--by", name, "--note", name, "--finding", f"tear@port:3:{name}", "--at", AS_OF)
    row = json_of(run("log", "list", "01", "--json"))[-2]
    assert (row["who"], row["note"]) == (name, name)
    assert csv_of(run("log", "list", "01", "--csv"))[-2]["who"] == name
    assert run("log", "list", "01").exit_code == 0
    first = json_of(run("rank", "--as-of", AS_OF, "--hindsight", "--json"))[0]
    assert first["reasons"][0]["check"].endswith(f" (tear at port: {name})")
    assert first["reasons"][0]["source"] == f"inspection by {name}"


def test_a_boat_of_any_name_survives_the_ranking(yard, run):
    header, plum, *_ = csv.reader(COVERS.splitlines())
    with (yard / "odd.csv").open("w", encoding="utf-8", newline="") as file:
        rows = [[str(11 + n), name, *plum[2:7], str(11 + n), *plum[8:]] for n, name in enumerate(ODD_NAMES)]
        csv.writer(file).writerows([header, *rows])
    assert run("covers", "import", "odd.csv").out == (
        "odd.csv: 5 covers added to yard north, 0 changed, 0 as they were.\n"
    )
    text = " ".join(run("rank", "--as-of", AS_OF).out.split())
    assert all(" ".join(name.split()) in text for name in ODD_NAMES)
    assert {row["boat_name"] for row in csv_of(run("covers", "export"))} >= {*ODD_NAMES}


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "  =HYPERLINK()", "＝1"])
def test_no_text_runs_as_a_formula_in_a_spreadsheet(yard, run, text):
    run("log", "action", "01", "--action", "taped", "--by", f"{text} ", "--note", text)
    (row,) = csv_of(run("log", "list", "01", "--csv"))
    assert row["note"] == f"'{text}"
    assert json_of(run("log", "list", "01", "--json"))[0]["note"] == text
