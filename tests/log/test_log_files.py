"""Inspection files: what a row means, what is refused and where that stands, and that an export comes back the same."""

import base64
import csv
import io
import json
import time
import uuid
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import YARD

from monitor.exchange.log_columns import LOG_COLUMNS, log_columns_help
from monitor.exchange.log_files import LogFileError, read_log
from monitor.exchange.log_tables import write_log
from monitor.inspections import ACTIONS, DEFECTS, PLACES, STAND_DEFECTS, Action, Finding, Inspection, finding_id

SOUND = {"boat": "01", "at": "2023-12-02 09:30", "by": "Ida"}
CHAFE = SOUND | {"defect": "chafe", "place": "bow", "severity": "1"}
TAPED = SOUND | {"action": "taped"}
AT = datetime(2023, 12, 2, 14, 30, tzinfo=UTC)
"""09:30 in New York, where clocks are 5 h behind UTC in December."""

VISIT = "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60"
OTHER = "0b7c1f3a-5b1c-4f0a-9d3b-2a1d3c4e5f60"


def table(*rows, separator=",", line_end="\n"):
    """A file with the columns of all its rows, in the order in which they come up."""
    header = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
    writer.writerow(header)
    writer.writerows([row.get(name, "") for name in header] for row in rows)
    return text.getvalue().encode()


def read(content, **choices):
    return read_log(content, "paper.csv", YARD, **choices)


def problems(content, **choices):
    with pytest.raises(LogFileError) as refusal:
        read(content, **choices)
    assert str(refusal.value).endswith("Nothing was loaded. Correct paper.csv and import again.")
    return [str(problem) for problem in refusal.value.problems]


# --- what a row means


def test_a_row_without_a_defect_is_an_inspection_that_found_nothing():
    log = read(table(SOUND))
    (visit,) = log.inspections
    assert (visit.boat, visit.at, visit.by, visit.inside, visit.findings) == ("01", AT, "Ida", False, ())
    assert log.findings == log.actions == ()


def test_rows_of_one_boat_time_and_name_are_one_inspection():
    tear = CHAFE | {"defect": "Tear", "place": "Port", "severity": "2", "note": "0.3 m"}
    log = read(table(CHAFE, tear, CHAFE | {"boat": "02"}, SOUND | {"note": "wet ground", "inside": "yes"}))
    first, second = log.inspections
    assert [(f.defect, f.where, f.severity, f.note) for f in first.findings] == [
        ("chafe", "bow", 1, ""),
        ("tear", "port", 2, "0.3 m"),
    ]
    assert (first.note, first.inside) == ("wet ground", True)
    assert (second.boat, len(second.findings), second.note) == ("02", 1, "")


def test_what_is_said_of_the_whole_inspection_may_stand_in_any_of_its_rows():
    rows = [CHAFE | {"snow_depth_in": "6"}, CHAFE | {"place": "stern", "gust_seen_kn": "28", "inside": "yes"}]
    (visit,) = read(table(*rows)).inspections
    # 6 in = 0.1524 m; 28 kn = 28 x 1852 m / 3600 s
    assert (visit.snow_depth_m, visit.inside) == (0.1524, True)
    assert visit.gust_seen_ms == pytest.approx(28 * 1852 / 3600, rel=1e-15)


@pytest.mark.parametrize(
    "header, text, name, value",
    [
        ("snow_depth_cm", "15", "snow_depth_m", 0.15),
        ("snow_depth", "6in", "snow_depth_m", 0.1524),
        ("band_drop_in", "8", "band_drop_m", 0.2032),
        ("band_drop_cm", "8 in", "band_drop_m", 0.2032),
        ("gust_seen_ms", "14.5", "gust_seen_ms", 14.5),
        ("gust_seen_kmh", "36", "gust_seen_ms", 10.0),
        ("snow_water_mm", "22.5", "snow_water_mm", 22.5),
    ],
)
def test_units_stand_in_the_header_or_in_the_cell(header, text, name, value):
    (visit,) = read(table(SOUND | {header: text})).inspections
    assert getattr(visit, name) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize("inside", ["", "no"])
def test_an_action_of_a_paper_form_may_say_that_nobody_looked_inside(inside):
    (act,) = read(table(TAPED | {"inside": inside})).actions
    assert act.action == "taped"


def test_a_row_with_an_action_is_one():
    (act,) = read(table(TAPED | {"quantity": "2", "finding": "0b7c", "note": "both ends"})).actions
    assert (act.action, act.quantity, act.finding, act.note, act.at) == ("taped", 2.0, "0b7c", "both ends", AT)


def test_a_name_for_all_fills_the_rows_that_have_none():
    (first, second) = read(table(SOUND | {"by": ""}, SOUND | {"boat": "02"}), by=" Bo ").inspections
    assert (first.by, second.by) == ("Bo", "Ida")


def test_a_time_with_an_offset_says_what_it_says():
    for text in ("2023-12-02T14:30Z", "2023-12-02T15:30+01:00", "2023-12-02 09:30:00"):
        assert read(table(SOUND | {"at": text})).inspections[0].at == AT


def test_a_finding_can_be_added_to_a_logged_inspection_or_correct_one():
    added, corrected = read(
        table(CHAFE | {"inspection": "0b7c1f3a", "at": ""}, CHAFE | {"corrects": "77aa", "severity": "2", "id": OTHER})
    ).findings[:2]
    assert (added.inspection, added.corrects) == ("0b7c1f3a", None)
    assert (corrected.id, corrected.corrects) == (OTHER, "77aa")


def test_ids_come_from_what_a_row_says_and_are_the_same_each_time():
    ids = [
        read(table(row)).inspections[0].id
        for row in (SOUND, SOUND | {"note": "x"}, SOUND | {"boat": "02"}, SOUND | {"by": "Bo"})
    ]
    ids.append(read(table(SOUND | {"at": "2023-12-02 09:31"})).inspections[0].id)
    assert ids[0] == ids[1]
    assert len(set(ids)) == 4
    assert all(uuid.UUID(one).version == 5 for one in ids)
    assert read(table(SOUND | {"id": VISIT.upper()})).inspections[0].id == VISIT


def test_a_note_that_looks_like_a_formula_stays_text_both_ways():
    for note in ("=1+1", "+49 171", "-2 posts", "@port", "'=quoted"):
        text = write_log([Inspection(VISIT, 1, AT, AT, "Ida", False, note)], [], [], {1: "01"}, "UTC", "metric")
        cell = next(csv.DictReader(io.StringIO(text)))["note"]
        assert cell.startswith("'")  # no spreadsheet runs it
        assert read(text.encode()).inspections[0].note == note
    assert read(table(SOUND | {"note": "=1+1"})).inspections[0].note == "=1+1"


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + table(SOUND),
        table(SOUND, line_end="\r\n"),
        table(SOUND, separator=";"),
        b"\n\n" + table(SOUND) + b"\n,,\n",
        b" " + table(SOUND).replace(b",", b" , "),
    ],
    ids=["byte order mark", "CRLF", "semicolons", "blank rows", "blanks"],
)
def test_the_ways_of_spreadsheets_are_taken(content):
    assert read(content).inspections[0].boat == "01"


# --- what is refused, and where


WRONG = [
    (SOUND | {"boat": ""}, "paper.csv line 2, column boat: empty; it should be given"),
    (SOUND | {"at": ""}, "column at: empty; it should be given; only a correction may leave it out"),
    (SOUND | {"at": "2023-12-02"}, "column at: 2023-12-02 is not a date and time, such as"),
    (SOUND | {"at": "12/2/23 9:30"}, "column at: 12/2/23 9:30 is not a date and time, such as"),
    (SOUND | {"at": "2023-11-05 01:30"}, "column at: 2023-11-05 01:30 is not one moment"),
    (SOUND | {"at": "2024-03-10 02:30"}, "column at: 2024-03-10 02:30 is not a time that the clock in"),
    (SOUND | {"by": ""}, "column by: empty; it should be given: who it was"),
    (SOUND | {"inside": "maybe"}, "column inside: maybe is not yes or no"),
    (SOUND | {"id": "7"}, "column id: 7 is not a whole id (a UUID"),
    (SOUND | {"snow_depth": "6"}, "column snow_depth: 6 is not given with its unit"),
    (SOUND | {"snow_depth_in": "999"}, "column snow_depth_in: 999 is not between 0 and"),
    (SOUND | {"snow_depth_in": "-1"}, "column snow_depth_in: -1 is not zero or more"),
    (SOUND | {"band_drop_m": "8"}, "column band_drop_m: 8 is not between 0 and 2 m"),
    (SOUND | {"gust_seen_kn": "1,5"}, "column gust_seen_kn: 1,5 is not a number with a decimal point"),
    (SOUND | {"snow_water_mm": "NaN"}, "column snow_water_mm: NaN is not a number from 0 to 2000"),
    (SOUND | {"snow_water_mm": "2001"}, "column snow_water_mm: 2001 is not between 0 and 2000"),
    (SOUND | {"severity": "2"}, "column severity: 2 is not to stand in a row that tells of an inspection"),
    (SOUND | {"note": "x" * 4001}, "column note: a text of 4001 letters is not at most 4000 letters long"),
    (SOUND | {"note": "a\x07b"}, "is not text that can be written down"),
    (CHAFE | {"defect": "chafed"}, "column defect: chafed is not one of sag,"),
    (CHAFE | {"place": ""}, "column place: empty; it should be given in a row that tells of a finding"),
    (CHAFE | {"severity": "4"}, "column severity: 4 is not between 0 and 3"),
    (CHAFE | {"severity": "bad"}, "column severity: bad is not a whole number from 0 to 3"),
    (CHAFE | {"defect": "tied_to_stand", "place": "stands"}, "column severity: 1 is not 3, or 0 where"),
    (CHAFE | {"defect": "other"}, "column note: empty; it should be given: what was seen"),
    (CHAFE | {"entry": "action"}, "column action: empty; it should be given in a row that tells of an action"),
    (TAPED | {"quantity": "two"}, "column quantity: two is not a number from 0 to 1000"),
    (TAPED | {"inside": "yes"}, "column inside: yes is not to stand in a row that tells of an action"),
    (SOUND | {"entry": "visit"}, "column entry: visit is not one of inspection, finding, action"),
    *(
        (SOUND | {"photos": f"a.jpg|{name}"}, "is not a plain file name")
        for name in ("../x.jpg", "/etc/passwd", "..", "C:\\x.jpg", "a\\b.jpg", "c:x.jpg", "x" * 256)
    ),
    (
        SOUND | {"photos": "|".join(f"{n}.jpg" for n in range(51))},
        "column photos: 51 photos is not at most 50 in a row",
    ),
    (SOUND | {"depth": "1"}, "column depth: this is not a known column; the nearest is"),
    (SOUND | {"snow_depth_in": "", "snow_depth_cm": ""}, "is not allowed beside snow_depth_in"),
]


@pytest.mark.parametrize("row, sentence", WRONG)
def test_a_wrong_cell_is_told_with_its_line_and_column(row, sentence):
    told = problems(table(row))
    assert any(sentence in one for one in told), told
    assert all(one.startswith(("paper.csv line 2, column ", "paper.csv line 1, column ")) for one in told)


def test_every_problem_of_a_file_is_told_at_once_in_the_order_of_lines():
    told = problems(table(*(row for row, _ in WRONG[:4]), SOUND, *(row for row, _ in WRONG[19:23])))
    assert [one.split(",")[0] for one in told] == [f"paper.csv line {line}" for line in (2, 3, 4, 5, 7, 8, 9, 10)]


@pytest.mark.parametrize(
    "rows, sentence",
    [
        ([SOUND, SOUND | {"note": "x"}], "line 3: this second row is not told once; line 2 tells of the same"),
        ([CHAFE, CHAFE], "line 3, column defect: chafe is not given once; line 2 has it at the same place"),
        ([TAPED, TAPED], "line 3, column id: "),
        ([SOUND | {"id": VISIT}, SOUND | {"id": VISIT, "boat": "02"}], "column boat: 02 is not 01, as in line 2"),
        ([SOUND | {"id": VISIT}, TAPED | {"id": VISIT}], "is not of this entry alone; line 2 has it"),
        (
            [CHAFE | {"snow_depth_in": "6"}, CHAFE | {"place": "stern", "snow_depth_in": "4"}],
            "line 3, column snow_depth_in: 4 is not 6, as in line 2 of the same inspection",
        ),
        ([CHAFE | {"inside": "yes"}, SOUND | {"inside": "no"}], "column inside: "),
        (
            [SOUND | {"id": VISIT}, SOUND | {"id": OTHER, "corrects": VISIT}, CHAFE],
            "line 4, column inspection: empty; it should be given, because lines 2, 3 tell of inspections",
        ),
        ([SOUND | {"id": VISIT}, CHAFE | {"inspection": VISIT, "boat": "02"}], "column boat: 02 is not 01"),
        ([CHAFE | {"at": "", "corrects": "0b7c"}], "column at: empty; it should be given, or else the inspection"),
    ],
)
def test_rows_that_do_not_agree_are_told(rows, sentence):
    assert any(sentence in one for one in problems(table(*rows)))


@pytest.mark.parametrize(
    "content, sentence",
    [
        (b"", "paper.csv line 1: empty; it should be a table with a header row."),
        (b"\n \n", "paper.csv line 1: empty"),
        (b"boat,at,by\n", "a header alone is not a table of what was seen and done"),
        (b"boat,at,by\n01,2023-12-02 09:30,\xc6rna\n", "line 2: byte 0xC6 is not UTF-8 text"),
        ("boat,at,by\n01,2023-12-02 09:30,Ida\n".encode("utf-16"), "paper.csv: this is text in UTF-16;"),
        (b"boat,at,by\n01\0,2023-12-02 09:30,Ida\n", "line 2: byte 0x00 is not UTF-8 text"),
        (b"boat,at,by\n01;2023-12-02 09:30;Ida\n", "line 2: a row of 1 cells is not a row under the 3 headers"),
        (b'boat,at,by\n"01,2023-12-02 09:30,Ida\n', "line 2: the row is not readable"),
        (b"boat,at,by\n01,2023-12-02 09:30,Ida,more\n", "line 2: a row of 4 cells is not"),
        (b"boat,by,note\n01,Ida,x\n", "column at: empty"),
        (b"name,when\n1,2\n", "has none of the columns that such a table needs: boat."),
        (b"at,when\n1,2\n", "has none of the columns that such a table needs: boat."),
    ],
)
def test_a_file_that_is_no_such_table_is_refused_in_a_sentence(content, sentence):
    assert any(sentence in one for one in problems(content))


LONG_LINES = {
    "cell": b"boat,at,by,note\n01,2023-12-02 09:30,Ida," + b"x" * 10_000_000,
    "header": b"x" * 10_000_000,
    "braces": b"{" * 10_000_000,
    "larger than any": b"x" * 21_000_000,
}
LONG_LINES_OF_MANY_PARTS = {
    "cells": b"boat,at,by,note\n01,2023-12-02 09:30,Ida," + b"x," * 5_000_000,
    "headers": b"a," * 5_000_000,
    "quotes": b'"' * 10_000_001,
    "brackets": b'{"inspections":' + b"[" * 5_000_000,
}


@pytest.mark.parametrize(
    "content",
    [
        *(pytest.param(line, id=name) for name, line in LONG_LINES.items()),
        *(pytest.param(line, id=name, marks=pytest.mark.thorough) for name, line in LONG_LINES_OF_MANY_PARTS.items()),
    ],
)
def test_a_line_of_ten_megabytes_is_refused_and_soon(content):
    started = time.monotonic()
    told = problems(content)
    assert time.monotonic() - started < 10
    assert all(len(one) < 400 for one in told)


def test_the_help_describes_every_column():
    text = log_columns_help()
    assert all(f"\n{column.header('metric')}" in text for column in LOG_COLUMNS)
    for word in ("tied_to_stand", "perimeter_band", "stands_reported", "snow_depth_m, _cm", "base64", "--by"):
        assert word in text


def test_the_example_of_every_column_can_be_read():
    for column in LOG_COLUMNS:
        unit = next(iter(column.headers.values()))
        assert column.read(column.example, unit) not in (None, "")


# --- export and back

texts = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]) | st.sampled_from("=+-@'\",;\n"), max_size=12
)
plain = texts.map(str.strip)
words = plain.filter(bool)
ids = st.uuids().map(str)
moments = st.integers(0, 200 * 24 * 3600).map(lambda seconds: AT + timedelta(seconds=seconds))


def measures(most):
    return st.none() | st.floats(0, most)


visits = st.builds(
    Inspection,
    id=ids,
    cover_id=st.sampled_from([1, 2]),
    inspected_at=moments,
    recorded_at=st.just(AT),
    inspector=words,
    inside=st.booleans(),
    note=plain,
    snow_depth_m=measures(3),
    snow_water_mm=measures(2000),
    band_drop_m=measures(2),
    corrects_id=st.none() | ids,
    gust_seen_ms=measures(50),
)
acts = st.builds(
    Action,
    id=ids,
    cover_id=st.sampled_from([1, 2]),
    acted_at=moments,
    recorded_at=st.just(AT),
    actor=words,
    action=st.sampled_from(ACTIONS),
    note=plain,
    quantity=measures(1000),
    finding_id=st.none() | ids,
    corrects_id=st.none() | ids,
)


@st.composite
def logs(draw):
    inspections = draw(st.lists(visits, max_size=4, unique_by=lambda one: one.id))
    findings = []
    for visit in inspections:
        places = st.tuples(st.sampled_from(PLACES), st.sampled_from(DEFECTS))
        for place, defect in draw(st.lists(places, max_size=3, unique=True)):
            own = draw(st.booleans())
            findings.append(
                Finding(
                    id=draw(ids) if own else finding_id(visit.id, place, defect),
                    inspection_id=visit.id,
                    place=place,
                    defect=defect,
                    severity=3 if defect in STAND_DEFECTS else draw(st.integers(0, 3)),
                    recorded_at=AT,
                    note=draw(words),
                    corrects_id=draw(st.none() | ids) if own else None,
                )
            )
    return inspections, findings, draw(st.lists(acts, max_size=3, unique_by=lambda one: one.id))


BOATS = {1: "01", 2: "=02"}


@given(logs(), st.sampled_from(["UTC", "America/New_York", "Asia/Kathmandu"]), st.sampled_from(["metric", "us"]))
def test_an_export_comes_back_the_same_to_the_last_bit(entries, zone, units):
    inspections, findings, actions = entries
    text = write_log(inspections, findings, actions, BOATS, zone, units)
    if not (inspections or actions):
        return
    log = read(text.encode())
    back = {
        one.id: Inspection(
            one.id,
            {boat: cover for cover, boat in BOATS.items()}[one.boat],
            one.at,
            AT,
            one.by,
            one.inside,
            one.note,
            one.snow_depth_m,
            one.snow_water_mm,
            one.band_drop_m,
            one.corrects,
            one.gust_seen_ms,
        )
        for one in log.inspections
    }
    assert back == {one.id: one for one in inspections}
    found = [(visit.id, one) for visit in log.inspections for one in visit.findings]
    found += [(one.inspection, one) for one in log.findings]
    assert {
        one.id: Finding(one.id, visit, one.where, one.defect, one.severity, AT, one.note, one.corrects)
        for visit, one in found
    } == {one.id: one for one in findings}
    assert {
        one.id: (one.boat, one.at, one.by, one.action, one.quantity, one.finding, one.note, one.corrects)
        for one in log.actions
    } == {
        one.id: (
            BOATS[one.cover_id],
            one.acted_at,
            one.actor,
            one.action,
            one.quantity,
            one.finding_id,
            one.note,
            one.corrects_id,
        )
        for one in actions
    }


@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda raw: raw.decode("latin-1")))
def test_any_text_is_either_a_log_or_refused_with_its_problems(text):
    content = b"boat,at,by,note,defect\n" + text.encode("utf-8", "surrogatepass")
    try:
        entries = read(content).inspections
        told = ()
    except LogFileError as refusal:
        entries, told = (), refusal.problems
    assert bool(entries) != bool(told)
    assert all(problem.line >= 1 for problem in told)


# --- a phone's own entries

SEEN = {"id": VISIT, "yard": "north", "boat": "01", "by": "Ida", "inspected_at": "2023-12-02T14:30:00Z"}
DONE = {"id": OTHER, "boat": "01", "by": "Bo", "acted_at": "2023-12-02T15:00:00Z", "action": "taped"}
IMAGE = base64.b64encode(b"bytes of a photo").decode()


def queue(**parts):
    return json.dumps(parts).encode()


def test_a_phones_queue_is_read_as_the_web_app_reads_it():
    found = {"defect": "chafe", "place": "bow", "severity": 1, "note": "thin", "photos": [{"image": IMAGE}]}
    photo = {"id": OTHER, "image": IMAGE, "taken_at": "2023-12-02T14:31:00Z", "note": "n"}
    measured = {"snow_depth": "6in", "snow_water_mm": 22.5, "gust_seen": "10 m/s", "inside": True}
    log = read(queue(inspections=[SEEN | measured | {"findings": [found], "photos": [photo]}], actions=[DONE]))
    (visit,), (act,) = log.inspections, log.actions
    assert (visit.id, visit.at, visit.by, visit.inside) == (VISIT, AT, "Ida", True)
    assert (visit.snow_depth_m, visit.snow_water_mm, visit.gust_seen_ms) == (0.1524, 22.5, 10.0)
    (chafe,) = visit.findings
    assert (chafe.id, chafe.severity, chafe.note) == (finding_id(VISIT, "bow", "chafe"), 1, "thin")
    assert [one.data for one in chafe.photos] == [b"bytes of a photo"]
    (taken,) = visit.photos
    assert (taken.id, taken.taken_at, taken.note) == (OTHER, AT + timedelta(minutes=1), "n")
    assert (act.id, act.action, act.by) == (OTHER, "taped", "Bo")


def test_an_entry_without_an_id_gets_the_one_that_a_table_would_give_it():
    bare = {name: value for name, value in SEEN.items() if name != "id"}
    assert read(queue(inspections=[bare])).inspections[0].id == read(table(SOUND)).inspections[0].id
    done = {name: value for name, value in DONE.items() if name != "id"} | {
        "by": "Ida",
        "acted_at": SEEN["inspected_at"],
    }
    assert read(queue(actions=[done])).actions[0].id == read(table(TAPED)).actions[0].id


@pytest.mark.parametrize(
    "content, sentence",
    [
        (b"{", "paper.csv line 1: this cannot be read as JSON"),
        (b'{"inspections":\n[{"boat": NaN}]}', "NaN is no number in JSON"),
        (b"[]", "line 1: this is not an object with"),
        (queue(visits=[]), "line 1: this is not an object with"),
        (queue(inspections={}), "paper.csv, inspections: this is not a list of entries."),
        (queue(inspections=[7]), "paper.csv, inspections[0]: this is not an entry"),
        (queue(inspections=[SEEN, SEEN | {"id": OTHER, "boat": ""}]), "paper.csv, inspections[1]: boat: is missing."),
        (queue(inspections=[SEEN | {"id": "7"}]), "paper.csv, inspections[0]: id: found '7', expected a UUID."),
        (queue(inspections=[SEEN | {"depth": 1}]), "is not known here"),
        (queue(inspections=[SEEN | {"yard": "south"}]), "inspections[0].yard: south is not north"),
        (queue(inspections=[SEEN | {"by": 7}]), "inspections[0].by: empty"),
        (queue(inspections=[SEEN | {"inspected_at": ""}]), "inspections[0].inspected_at: empty; it should be given"),
        (queue(inspections=[SEEN | {"inspected_at": "2023-11-05T01:30"}]), "is not one moment"),
        (queue(inspections=[SEEN | {"findings": [7]}]), "findings"),
        (queue(inspections=[SEEN | {"findings": [{"defect": "x"}]}]), "inspections[0]: Finding 1, defect: found 'x'"),
        (queue(inspections=[SEEN | {"photos": 7}]), "inspections[0].photos: this is not a list"),
        (queue(inspections=[SEEN | {"photos": [7]}]), "inspections[0].photos[0]: this is not a photo with"),
        (queue(inspections=[SEEN | {"photos": [{"image": "?"}]}]), "photos[0].image: this is not a photo in base64."),
        (
            queue(actions=[DONE | {"photos": [{"image": IMAGE, "id": "x"}]}]),
            "actions[0].photos[0]: x is not a whole id",
        ),
        (queue(actions=[DONE | {"photos": [{"image": IMAGE, "note": 7}]}]), "actions[0].photos[0].note: this is not"),
        (queue(actions=[DONE | {"action": "danced"}]), "actions[0]: action: found 'danced'"),
        (queue(actions=[DONE, DONE]), f"actions[1].id: {OTHER} is not of this entry alone; actions[0] has it"),
    ],
)
def test_a_wrong_entry_of_a_queue_is_told_with_its_place(content, sentence):
    told = problems(content)
    assert any(sentence in one for one in told), told


def test_every_problem_of_a_queue_is_told_at_once():
    wrong = [SEEN | {"boat": "", "inside": 3}, SEEN | {"id": OTHER, "by": ""}]
    told = problems(queue(inspections=wrong, actions=[DONE | {"action": ""}]))
    assert len(told) == 4


def test_who_it_was_may_be_said_once_for_the_whole_queue():
    bare = {name: value for name, value in SEEN.items() if name != "by"}
    assert read(queue(by="Ola", inspections=[bare])).inspections[0].by == "Ola"
    assert read(queue(inspections=[bare]), by="Ola").inspections[0].by == "Ola"
    assert replace(read(queue(by="Ola", inspections=[SEEN])).inspections[0]).by == "Ida"
