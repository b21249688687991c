"""covers.csv and yards.csv: what is read, what is refused and how, and that an export comes back the same."""

import csv
import io
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import RegisterError
from monitor.exchange.register_columns import COVER_COLUMNS, YARD_COLUMNS, columns_help
from monitor.exchange.register_csv import (
    Problem,
    RegisterFileError,
    decode,
    read_covers,
    read_yards,
    write_covers,
    write_yards,
)
from monitor.register import (
    BOAT_TYPES,
    DISPLAY_UNITS,
    FILM_COLOURS,
    GROUNDS,
    OPEN_METEO_PLANS,
    SHELTERS,
    SUPPORTS,
    TERRAINS,
    Boat,
    Cover,
    CoverBuild,
    Yard,
)

YARD = Yard("north", "North Yard", 43.66, -70.25, 3.0, "America/New_York")
ROW = {
    "boat": "0417",
    "length_m": "9.8",
    "beam_m": "3.2",
    "row": "B",
    "place": "7",
    "heading_deg": "225",
    "shelter": "partly",
    "wrapped_on": "2025-10-31",
    "ridge_rise_m": "1.1",
    "vents": "4",
}
"""The least that a cover needs."""


def table(*rows, separator=",", line_end="\n"):
    """Text of a file with the columns of all its rows, in the order in which they come up."""
    header = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
    writer.writerow(header)
    writer.writerows([row.get(name, "") for name in header] for row in rows)
    return text.getvalue()


def without(row, *names):
    return {name: text for name, text in row.items() if name not in names}


def covers_of(*rows, yard=YARD):
    return read_covers(table(*rows), "covers.csv", yard)


def refusal(text, yard=YARD):
    with pytest.raises(RegisterFileError) as refused:
        read_covers(text, "covers.csv", yard)
    return refused.value


def problems_of(*rows):
    return refusal(table(*rows)).problems


def test_the_least_row_gives_a_cover_with_the_documented_defaults():
    assert covers_of(ROW) == [
        Cover(
            Boat("0417", "", "other", 9.8, 3.2, "stands", "B", 7, 225.0, "partly"),
            date(2025, 10, 31),
            # midnight of New York in daylight saving time is 04:00 UTC
            (CoverBuild(datetime(2025, 10, 31, 4, tzinfo=UTC), ridge_rise_m=1.1, vent_count=4),),
        )
    ]


@pytest.mark.parametrize(("file", "columns"), [("covers", COVER_COLUMNS), ("yards", YARD_COLUMNS)])
def test_the_examples_of_the_help_make_a_file_that_is_read(file, columns):
    text = table({column.header("metric"): column.example for column in columns})
    read = read_covers(text, "covers.csv", YARD) if file == "covers" else read_yards(text, "yards.csv")
    assert len(read) == 1
    for column in columns:
        assert f"{column.header('metric')}, _" in columns_help(file) or f"{column.header('metric')}  " in columns_help(
            file
        )
        assert column.meaning in " ".join(columns_help(file).split())


def test_a_header_may_name_any_unit_and_a_cell_its_own():
    us = without(ROW, "length_m", "beam_m", "ridge_rise_m") | {
        "length_ft": "32",
        "beam_ft": "10'6\"",
        "ridge_rise_in": "44",
        "vent_area_in2": "9",
        "film_thickness_mil": "7",
        "band_drop_cm": "20",
    }
    (cover,) = covers_of(us)
    # By hand: 32 x 0.3048 = 9.7536; 126 x 0.0254 = 3.2004; 44 x 0.0254 = 1.1176; 9 x 6.4516e-4 = 0.00580644; 7 x 0.0254
    assert (cover.boat.length_m, cover.boat.beam_m) == (9.7536, 3.2004)
    build = cover.builds[0]
    assert (build.ridge_rise_m, build.vent_area_m2, build.film_thickness_mm) == (1.1176, 0.00580644, 0.1778)
    assert build.band_drop_m == 0.2


def test_feet_and_inches_need_no_quotes_in_the_file():
    text = table(without(ROW, "beam_m")).replace("boat,", "boat,beam_ft,").replace("0417,", "0417,10'6\",")
    assert "0417,10'6\",9.8" in text
    assert read_covers(text, "covers.csv", YARD)[0].boat.beam_m == 3.2004  # 126 x 0.0254


def test_a_header_without_unit_is_taken_where_every_cell_has_its_own():
    bare = without(ROW, "beam_m", "heading_deg") | {"heading": "225°"}
    covers = covers_of(bare | {"beam": "8'6\""}, bare | {"boat": "2", "place": "8", "beam": "2.6 m"})
    assert [cover.boat.beam_m for cover in covers] == [2.5908, 2.6]
    assert covers[0].boat.heading_deg == 225.0


def test_a_header_without_unit_is_refused_with_a_plain_number_under_it():
    bare = without(ROW, "beam_m")
    problems = problems_of(bare | {"beam": "8'6\""}, bare | {"boat": "2", "place": "8", "beam": "8.5"})
    assert [str(problem) for problem in problems] == [
        "covers.csv line 3, column beam: 8.5 is not given with its unit; "
        "write for example 6in, 15cm or 8.5ft, or put the unit in the header."
    ]


def test_numbers_of_boats_are_texts_and_keep_their_zeros():
    assert [cover.boat.number for cover in covers_of(ROW, ROW | {"boat": "417", "place": "8"})] == ["0417", "417"]


def test_a_heading_of_360_is_north():
    assert covers_of(ROW | {"heading_deg": "360"})[0].boat.heading_deg == 0.0


def test_words_of_closed_lists_forgive_capitals_blanks_and_hyphens():
    row = ROW | {"ground": "Standing water", "shelter": "PARTLY", "door": "TRUE", "film_colour": "Grey", "place": "7.0"}
    (cover,) = covers_of(row)
    build = cover.builds[0]
    assert (build.ground, cover.boat.shelter, build.door, build.film_colour, cover.boat.place) == (
        "standing_water",
        "partly",
        True,
        "grey",
        7,
    )


def test_rows_of_one_wrapping_are_builds_of_one_cover_oldest_first():
    later = ROW | {"built_on": "2026-01-10T14:30", "vents": "6"}
    between = ROW | {"built_on": "2025-12-01", "vents": "5"}
    (cover,) = covers_of(later, ROW, between)
    assert [(build.built_at, build.vent_count) for build in cover.builds] == [
        (datetime(2025, 10, 31, 4, tzinfo=UTC), 4),
        (datetime(2025, 12, 1, 5, tzinfo=UTC), 5),  # standard time from 2 November 2025 on
        (datetime(2026, 1, 10, 19, 30, tzinfo=UTC), 6),
    ]


def test_rows_of_two_wrappings_are_two_covers_of_one_boat():
    first, second = covers_of(ROW | {"wrapped_on": "2024-11-02"}, ROW)
    assert first.boat == second.boat
    assert (first.wrapped_on, second.wrapped_on) == (date(2024, 11, 2), date(2025, 10, 31))


@pytest.mark.parametrize(
    ("built_on", "utc"),
    [
        ("2025-11-20", datetime(2025, 11, 20, 5, tzinfo=UTC)),
        ("2025-11-20T14:30", datetime(2025, 11, 20, 19, 30, tzinfo=UTC)),
        ("2025-11-20 14:30:05", datetime(2025, 11, 20, 19, 30, 5, tzinfo=UTC)),
        ("2025-11-20T14:30Z", datetime(2025, 11, 20, 14, 30, tzinfo=UTC)),
        ("2025-11-20T14:30+01:00", datetime(2025, 11, 20, 13, 30, tzinfo=UTC)),
        ("2025-11-02T01:30", datetime(2025, 11, 2, 5, 30, tzinfo=UTC)),  # shown twice that night; the first is meant
    ],
)
def test_a_build_is_dated_by_the_clock_of_the_yard_unless_it_says_otherwise(built_on, utc):
    assert covers_of(ROW | {"built_on": built_on})[0].builds[0].built_at == utc


def test_a_day_that_begins_with_a_clock_change_begins_when_the_clock_does():
    # Clocks in Havana went from 9 March 2025, 00:00 straight to 01:00 (IANA time zone data), which is 05:00 UTC.
    havana = replace(YARD, time_zone="America/Havana")
    (cover,) = covers_of(ROW | {"wrapped_on": "2025-03-09"}, yard=havana)
    assert cover.builds[0].built_at == datetime(2025, 3, 9, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    ("separator", "line_end"), [(",", "\n"), (",", "\r\n"), (",", "\r"), (";", "\n"), (";", "\r\n")], ids=repr
)
def test_separators_and_line_ends_of_every_spreadsheet_are_read(separator, line_end):
    row = ROW | {"boat_name": "Anna, Bella; Clara"}
    assert read_covers(table(row, separator=separator, line_end=line_end), "covers.csv", YARD) == covers_of(row)


def test_blanks_empty_rows_and_empty_columns_of_a_spreadsheet_do_no_harm():
    header, row = table(ROW).splitlines()
    text = f"\n{header.upper()},,\n,,,,,,,,,,,\n{row.replace(',', ' , ')},,\n\n"
    assert read_covers(text, "covers.csv", YARD) == covers_of(ROW)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte order mark"])
def test_utf_8_is_read_with_and_without_a_byte_order_mark(mark):
    row = ROW | {"boat_name": "Zoë"}
    text = decode(mark + table(row).encode(), "covers.csv")
    assert read_covers(text, "covers.csv", YARD)[0].boat.name == "Zoë"
    assert read_covers("\ufeff" + table(row), "covers.csv", YARD)[0].boat.name == "Zoë"


@pytest.mark.parametrize(
    ("content", "line", "found"),
    [
        ("boat,boat_name\n1,Zoë\n".encode("latin-1"), 2, "byte 0xEB"),
        ("boat\n1".encode("utf-16-le"), 1, "byte 0x00"),
    ],
    ids=["latin-1", "utf-16 without mark"],
)
def test_a_file_that_is_not_utf_8_is_refused_with_the_byte_and_the_way_out(content, line, found):
    with pytest.raises(RegisterFileError) as refused:
        decode(content, "covers.csv")
    assert str(refused.value) == (
        f'covers.csv line {line}: {found} is not UTF-8 text; choose "CSV UTF-8" when saving the table.\n'
        "Nothing was loaded. Correct covers.csv and import again."
    )


def test_a_file_with_a_header_alone_is_an_empty_register():
    assert read_covers(table(ROW).splitlines()[0], "covers.csv", YARD) == []
    assert read_covers(write_covers([]), "covers.csv", YARD) == []


@pytest.mark.parametrize("text", ["", "\n", " \r\n,,\n", "\ufeff"])
def test_an_empty_file_is_refused(text):
    assert str(refusal(text)) == (
        "covers.csv line 1: empty; it should be a table with a header row.\n"
        "Nothing was loaded. Correct covers.csv and import again."
    )


BAD_CELLS = [  # column, text, what the sentence says after the colon
    ("heading_deg", "495", "495 is not between 0 and 360."),
    ("heading_deg", "-1", "-1 is not between 0 and 360."),
    ("bow_slope_deg", "95", "95 is not between 0 and 90."),
    ("bow_slope_deg", "nan", "nan is not an angle in degrees such as 22.5."),
    ("length_m", "98", "98 is not between 1.5 and 60 m."),
    ("length_m", "9,8", "9,8 is not a number with a decimal point and no comma, such as 2.6."),
    ("length_m", "-9.8", "-9.8 is not zero or more."),
    ("length_m", "long\nboat", "long boat is not a length such as 2.6 m, 260 cm, 8.5 ft or 8'6\"."),
    ("length_m", "", "empty; it should be given (length of the hull)."),
    ("beam_m", "16", "16 is not between 0.5 and 15 m."),
    ("place", "0", "0 is not between 1 and 9999."),
    ("place", "7.5", "7.5 is not a whole number from 1 to 9999."),
    ("place", "B7", "B7 is not a whole number from 1 to 9999."),
    ("shelter", "cosy", "cosy is not one of exposed, partly, sheltered."),
    ("door", "perhaps", "perhaps is not yes or no."),
    ("wrapped_on", "10/31/2025", "10/31/2025 is not a date written year-month-day, such as 2025-10-31."),
    (
        "wrapped_on",
        "2025-11-31",
        "2025-11-31 is not a day of the calendar; expected a date written year-month-day, such as 2025-10-31.",
    ),
    ("wrapped_on", "0205-10-31", "0205-10-31 is not in the years 1980 to 2099."),
    (
        "built_on",
        "2025-11-20T25:00",
        "2025-11-20T25:00 is not a date or a date and time, such as 2025-10-31 or 2025-11-20T14:30.",
    ),
    (
        "built_on",
        "2026-03-08T02:30",  # clocks in New York go from 02:00 to 03:00 that night
        "2026-03-08T02:30 is not a time that clocks in America/New_York showed; they were put forward past it.",
    ),
    ("vents", "", "empty; it should be given (number of vents; 0 where there are none)."),
    ("vent_area_m2", "60", "60 is not between 0.0001 and 1 m2."),
    ("film_thickness_mil", "0.2", "0.2 is not between 0.7874 and 78.74 mil."),
]


@pytest.mark.parametrize(("column", "text", "sentence"), BAD_CELLS)
def test_a_bad_cell_is_told_with_line_column_found_and_expected(column, text, sentence):
    (problem,) = problems_of(ROW, ROW | {"boat": "2", "place": "8", column: text})
    assert str(problem) == f"covers.csv line 3, column {column}: {sentence}"
    assert (problem.file, problem.line, problem.column) == ("covers.csv", 3, column)


def test_all_problems_of_all_rows_are_told_at_once_and_nothing_is_loaded():
    error = refusal(
        table(
            ROW | {"boat_name": "Anna"},
            ROW | {"boat": "2", "place": "8", "heading_deg": "495", "vents": ""},
            ROW | {"boat": "3", "place": "7"},
            ROW | {"boat": "4", "place": "10", "length_m": "98", "wrapped_on": "soon"},
        )
    )
    assert isinstance(error, RegisterError)
    assert str(error).splitlines() == [
        "covers.csv line 3, column heading_deg: 495 is not between 0 and 360.",
        "covers.csv line 3, column vents: empty; it should be given (number of vents; 0 where there are none).",
        "covers.csv line 4, column place: berth B 7 is not free; line 2 puts boat 0417 there.",
        "covers.csv line 5, column length_m: 98 is not between 1.5 and 60 m.",
        "covers.csv line 5, column wrapped_on: soon is not a date written year-month-day, such as 2025-10-31.",
        "Nothing was loaded. Correct covers.csv and import again.",
    ]


def test_of_very_many_problems_the_first_fifty_are_told_and_all_are_carried():
    error = refusal(table(*(ROW | {"boat": str(n), "place": str(n), "vents": "some"} for n in range(1, 74))))
    lines = str(error).splitlines()
    assert len(error.problems) == 73
    assert lines[49].startswith("covers.csv line 51, column vents: some is not")
    assert lines[50:] == ["... and 23 more.", "Nothing was loaded. Correct covers.csv and import again."]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_lines_are_those_of_the_file_even_after_line_breaks_in_quotes(line_end):
    text = line_end.join(
        [
            "boat,owner_contact,length_m,beam_m,row,place,heading_deg,shelter,wrapped_on,ridge_rise_m,vents",
            '1,"2 Quay',
            "Street",
            '",9,3,A,1,0,open,2025-10-31,1,2',  # the row begins on line 2
            "",
            "2,,9,3,A,2,0,exposed,2025-10-31,1,many",
        ]
    )
    assert [(problem.line, problem.column) for problem in refusal(text).problems] == [(2, "shelter"), (6, "vents")]


def test_an_unknown_column_is_told_with_the_nearest_known_one():
    problems = problems_of(without(ROW, "beam_m") | {"bema_m": "3.2", "film_color": "white"})
    assert [str(problem) for problem in problems] == [
        "covers.csv line 1, column bema_m: this is not a known column; the nearest is beam_m.",
        "covers.csv line 1, column film_color: this is not a known column; the nearest is film_colour.",
        "covers.csv line 1, column beam: missing; it should be in the header as beam_m or beam_ft; "
        "the nearest in the file is bema_m.",
    ]


def test_a_missing_column_is_told_once_and_not_for_every_row():
    problems = problems_of(without(ROW, "vents"), without(ROW, "vents") | {"boat": "2", "place": "8"})
    assert problems == (Problem("covers.csv", 1, "vents", "missing", "in the header"),)


@pytest.mark.parametrize(("second", "first"), [("beam_ft", "beam_m"), ("beam", "beam_m")])
def test_a_quantity_in_two_columns_is_refused(second, first):
    (problem,) = problems_of(ROW | {second: "10'6\""})
    assert str(problem) == (
        f"covers.csv line 1, column {second}: this second column is not allowed beside {first}, "
        "which says the same; keep one of them."
    )


def test_a_doubled_column_is_refused():
    header, row = table(ROW).splitlines()
    (problem,) = refusal(f"{header},place\n{row},7\n").problems
    assert (problem.line, problem.column, problem.found) == (1, "place", "this second column")


@pytest.mark.parametrize(("change", "cells"), [(",9.8", 9), ("", 11)], ids=["a cell short", "a cell too many"])
def test_a_row_that_does_not_fit_the_header_is_refused(change, cells):
    header, row = table(ROW).splitlines()
    row = row.replace(change, "", 1) if change else f"{row},more"
    (problem,) = refusal(f"{header}\n{row}\n").problems
    assert str(problem) == (
        f"covers.csv line 2: a row of {cells} cells is not a row under the 10 headers of line 1; "
        "check separators and quotes."
    )


def test_a_quote_that_is_never_closed_is_told_with_the_line_it_is_on():
    header, row = table(ROW).splitlines()
    error = refusal(f'{header}\n{row.replace("225", "495")}\n"{row}\n{row}\n')
    assert [(problem.line, problem.column) for problem in error.problems] == [(2, "heading_deg"), (3, "")]
    assert "the row is not readable (unexpected end of data); check its quotation marks." in str(error)


def test_semicolons_do_not_excuse_decimal_commas():
    error = refusal(table(ROW | {"length_m": "9,8"}, separator=";"))
    assert "line 2, column length_m: 9,8 is not a number with a decimal point and no comma" in str(error)


def test_slopes_need_a_ridge_or_all_four_panels():
    four = {f"{panel}_slope_deg": "20" for panel in ("bow", "port", "starboard", "stern")}
    bare = without(ROW, "ridge_rise_m")
    assert covers_of(bare | four)[0].builds[0].ridge_rise_m is None
    (problem,) = problems_of(bare | without(four, "stern_slope_deg") | {"stern_slope_deg": ""})
    assert str(problem) == (
        "covers.csv line 2, column ridge_rise: empty; it should be given, or else the slopes of all four panels, "
        "of which stern_slope_deg are empty."
    )


def test_the_same_build_twice_is_told_with_both_lines():
    again = ROW | {"built_on": "2025-10-31T00:00-04:00"}  # the midnight that the first row means
    (problem,) = problems_of(ROW, again)
    assert str(problem) == (
        "covers.csv line 3, column built_on: boat 0417 built 2025-10-31T00:00-04:00 is not a build of its own; "
        "line 2 has the same boat and time."
    )


def test_two_boats_in_one_berth_are_told_with_both_lines_once():
    other = ROW | {"boat": "2", "row": "b"}
    (problem,) = problems_of(ROW, other, other | {"built_on": "2025-12-01"})
    assert str(problem) == "covers.csv line 3, column place: berth b 7 is not free; line 2 puts boat 0417 there."


def test_rows_of_a_boat_that_disagree_are_told_with_both_lines():
    later = ROW | {"built_on": "2025-12-01", "owner_name": "B. Example", "length_m": "9.9"}
    assert [str(problem) for problem in problems_of(ROW | {"owner_name": ""}, later)] == [
        "covers.csv line 3, column length_m: 9.9 is not 9.8, as in line 2 of the same boat.",
        "covers.csv line 3, column owner_name: B. Example is not empty, as in line 2 of the same boat.",
    ]


def test_the_same_length_in_two_spellings_agrees():
    later = without(ROW, "length_m") | {"length_ft": "32' 6\"", "built_on": "2025-12-01"}
    (cover,) = covers_of(without(ROW, "length_m") | {"length_ft": "390 in"}, later)
    assert len(cover.builds) == 2


def test_a_cover_is_not_built_before_it_is_wrapped():
    (problem,) = problems_of(ROW | {"built_on": "2025-10-30"})
    assert str(problem) == (
        "covers.csv line 2, column wrapped_on: 2025-10-31 is not a day on or before built_on, 2025-10-30."
    )


def test_a_build_of_a_cover_ends_where_the_boat_is_wrapped_anew():
    old = ROW | {"wrapped_on": "2024-11-02", "built_on": "2025-11-20"}
    (problem,) = problems_of(old, ROW)
    assert str(problem) == (
        "covers.csv line 2, column built_on: 2025-11-20 is not before the boat was wrapped anew on 2025-10-31 (line 3)."
    )


def test_a_position_needs_both_coordinates():
    (problem,) = problems_of(ROW | {"x_m": "12"})
    assert str(problem) == "covers.csv line 2, column y: empty; it should be given together with x."


def test_a_yard_in_no_known_time_zone_cannot_date_its_builds():
    with pytest.raises(RegisterError) as refused:
        covers_of(ROW, yard=replace(YARD, time_zone="America/New_Yrok"))
    assert str(refused.value) == (
        'Yard "North Yard": America/New_Yrok is not a time zone of the IANA list, such as America/New_York. '
        "Nothing was loaded. Correct the yard and import again."
    )


YARD_ROW = {
    "id": "north",
    "name": "North Yard",
    "latitude_deg": "43.66",
    "longitude_deg": "-70.25",
    "elevation_ft": "10",
    "time_zone": "America/New_York",
}


def test_the_least_row_gives_a_yard_with_the_documented_defaults():
    # By hand: 10 x 0.3048 = 3.048
    assert read_yards(table(YARD_ROW), "yards.csv") == [
        Yard("north", "North Yard", 43.66, -70.25, 3.048, "America/New_York", "open", "metric", "", "", 2, "")
    ]


@pytest.mark.parametrize(
    ("column", "text", "sentence"),
    [
        ("latitude_deg", "91", "91 is not between -90 and 90."),
        ("longitude_deg", "-181", "-181 is not between -180 and 180."),
        ("elevation_ft", "30000", "30000 is not between -1411 and 19685 ft."),
        ("time_zone", "Portland", "Portland is not a time zone of the IANA list, such as America/New_York."),
        ("time_zone", "europe/berlin", "europe/berlin is not a time zone of the IANA list, such as Europe/Berlin."),
        ("time_zone", "../../etc", "../../etc is not a time zone of the IANA list, such as America/New_York."),
        ("terrain", "hills", "hills is not one of open_water, open, suburban, sheltered."),
        ("display_units", "imperial", "imperial is not one of metric, us."),
        ("crew_size", "0", "0 is not between 1 and 500."),
        ("open_meteo_plan", "free", "free is not one of noncommercial, customer_key, own_server."),
        ("quiet_hours", "at night", "at night is not begin and end on the yard's clock, such as 21:00-05:30."),
        ("quiet_hours", "21:00-21:00", "21:00-21:00 is not begin and end on the yard's clock, such as 21:00-05:30."),
    ],
)
def test_a_bad_cell_of_a_yard_is_told(column, text, sentence):
    with pytest.raises(RegisterFileError) as refused:
        read_yards(table(YARD_ROW | {column: text}), "yards.csv")
    assert str(refused.value).splitlines()[0] == f"yards.csv line 2, column {column}: {sentence}"


def test_two_yards_with_one_id_are_told_with_both_lines():
    with pytest.raises(RegisterFileError, match=r"line 3, column id: north is not a new id; line 2 has it too\."):
        read_yards(table(YARD_ROW, YARD_ROW), "yards.csv")


FORMULAS = ["=1+1", "+1 555 0100", "-12", "@sum", "'=1", "''=1", "＝1+1", "\t=1", "'\t=1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_no_exported_text_begins_as_a_formula_and_all_come_back(text):
    (cover,) = covers_of(ROW)
    cover = replace(cover, boat=replace(cover.boat, owner_contact=text, number=text))
    exported = write_covers([cover])
    (row,) = csv.DictReader(io.StringIO(exported, newline=""))
    assert row["owner_contact"][0] == "'"
    assert row["boat"][0] == "'"
    assert read_covers(exported, "covers.csv", YARD) == [cover]


@pytest.mark.parametrize("text", FORMULAS[:4] + ["'Tis", "O'Hara", "''"])
def test_a_text_that_was_never_exported_is_read_as_it_stands(text):
    assert covers_of(ROW | {"boat_name": text})[0].boat.name == text


def test_an_export_in_us_units_has_us_headers_and_short_numbers():
    us = without(ROW, "length_m", "beam_m") | {"length_ft": "32.5", "beam_ft": "10'6\"", "band_drop_in": "8"}
    (row,) = csv.DictReader(io.StringIO(write_covers(covers_of(us), "us", "America/New_York"), newline=""))
    assert (row["length_ft"], row["beam_ft"], row["band_drop_in"]) == ("32.5", "10.5", "8")
    assert row["built_on"] == "2025-10-31T00:00:00-04:00"


def test_what_cannot_be_exported_is_refused():
    (cover,) = covers_of(ROW)
    with pytest.raises(ValueError, match="units must be metric or us, got 'imperial'"):
        write_covers([cover], "imperial")
    timeless = replace(cover.builds[0], built_at=datetime(2025, 10, 31))
    with pytest.raises(ValueError, match="built_at 2025-10-31T00:00:00 has no zone"):
        write_covers([replace(cover, builds=(timeless,))])


WRITABLE = st.characters(codec="utf-8", exclude_categories=["Cc"], include_characters="\t\n\r")
texts = (st.text(WRITABLE, max_size=12) | st.sampled_from(FORMULAS)).map(str.strip)
words = texts.filter(bool)


def maybe(strategy):
    return st.none() | strategy


@st.composite
def builds(draw, built_at):
    slope = st.floats(0, 90)
    ridge_rise_m = draw(maybe(st.floats(0, 10)))
    panels = [draw(slope if ridge_rise_m is None else maybe(slope)) for _ in range(4)]
    return CoverBuild(
        built_at,
        ridge_rise_m,
        draw(maybe(st.floats(0.3, 30))),
        *panels,
        flattest_slope_deg=draw(maybe(slope)),
        post_count=draw(maybe(st.integers(0, 100))),
        band_drop_m=draw(maybe(st.floats(0, 2))),
        belly_band_count=draw(maybe(st.integers(0, 100))),
        belly_band_spacing_m=draw(maybe(st.floats(0.1, 30))),
        vent_count=draw(st.integers(0, 200)),
        vent_area_m2=draw(maybe(st.floats(1e-4, 1))),
        film_colour=draw(st.sampled_from(FILM_COLOURS)),
        film_thickness_mm=draw(maybe(st.floats(0.02, 2))),
        ground=draw(st.sampled_from(GROUNDS)),
        door=draw(st.booleans()),
    )


@st.composite
def registers(draw):
    """Covers of a yard: boats in berths of their own, each wrapped up to twice, each cover built up to three times."""
    numbers = draw(st.lists(words, max_size=4, unique=True))
    covers = []
    for place, number in enumerate(numbers, start=1):
        x_m, y_m = draw(st.just((None, None)) | st.tuples(st.floats(-9000, 9000), st.floats(-9000, 9000)))
        boat = Boat(
            number,
            draw(texts),
            draw(st.sampled_from(BOAT_TYPES)),
            draw(st.floats(1.5, 60)),
            draw(st.floats(0.5, 15)),
            draw(st.sampled_from(SUPPORTS)),
            draw(words),
            place,
            draw(st.floats(0, 360, exclude_max=True)),
            draw(st.sampled_from(SHELTERS)),
            x_m,
            y_m,
            draw(texts),
            draw(texts),
        )
        for year in draw(st.sets(st.integers(1980, 2098), min_size=1, max_size=2).map(sorted)):
            day = draw(st.dates(date(year, 1, 1), date(year, 6, 30)))
            since = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(YARD.time_zone)).astimezone(UTC)
            after = st.timedeltas(timedelta(0), timedelta(days=180))
            moments = draw(st.lists(after, min_size=1, max_size=3, unique=True).map(sorted))
            covers.append(Cover(boat, day, tuple(draw(builds(since + moment)) for moment in moments)))
    return covers


@given(registers(), st.sampled_from(DISPLAY_UNITS), st.sampled_from(["UTC", "America/New_York", "Pacific/Apia"]))
def test_a_register_of_covers_that_is_exported_and_imported_is_the_same(covers, units, time_zone):
    assert read_covers(write_covers(covers, units, time_zone), "covers.csv", YARD) == covers


places = st.sampled_from(
    [
        (st.floats(0, 90), st.floats(-120, -30), "America/New_York"),
        (st.floats(0, 90), st.floats(-30, 60), "Europe/Berlin"),
        (st.floats(-90, 90), st.floats(-180, 180), "UTC"),
    ]
).flatmap(lambda place: st.tuples(place[0], place[1], st.just(place[2])))
"""Latitude, longitude, time zone: anywhere within three hours of the zone's clock, on its side of the equator."""

yards = st.builds(
    lambda key, name, place, elevation_m, *rest: Yard(key, name, place[0], place[1], elevation_m, place[2], *rest),
    words,
    words,
    places,
    st.floats(-430, 6000),
    st.sampled_from(TERRAINS),
    st.sampled_from(DISPLAY_UNITS),
    texts,
    texts,
    st.integers(1, 500),
    st.sampled_from(["", *OPEN_METEO_PLANS]),
)


@given(st.lists(yards, max_size=3, unique_by=lambda yard: yard.key), st.sampled_from(DISPLAY_UNITS))
def test_yards_that_are_exported_and_imported_are_the_same(register, units):
    assert read_yards(write_yards(register, units), "yards.csv") == register


def taken_or_refused(content):
    """Covers of a file, or the error with which it is refused; anything else is raised."""
    try:
        return read_covers(decode(content, "covers.csv"), "covers.csv", YARD)
    except RegisterFileError as error:
        return error


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode(errors="surrogatepass")))
def test_a_file_of_anything_is_refused_with_a_sentence(content):
    error = taken_or_refused(content)
    assert isinstance(error, RegisterFileError)
    assert str(error).endswith("Nothing was loaded. Correct covers.csv and import again.")


@given(st.lists(st.text(st.characters(codec="utf-8"), max_size=12), min_size=len(ROW), max_size=len(ROW)))
def test_a_row_of_anything_is_taken_or_refused_with_line_and_expectation(cells):
    result = taken_or_refused(table(dict(zip(ROW, cells, strict=True))).encode())
    problems = result.problems if isinstance(result, RegisterFileError) else ()
    assert all(problem.line >= 2 and problem.expected for problem in problems)
    assert problems or result == []  # a row of blanks is no row
