from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoilt_answers import spoilt

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.providers.metar_archive import ReadingRules, parse, requests_for
from monitor.weather.quality import combine, flag
from monitor.weather.table import SourceSeries, merge_by_priority

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "metar_archive"  # invented numbers, the published shape
FETCHED = datetime(2026, 2, 1, tzinfo=UTC)
KNOT_MS = 1852 / 3600
INCH_MM = 25.4


def body(name):
    return (ANSWERS / name).read_bytes()


def read(answer, **settings):
    return parse(answer, **{"fetched_at": FETCHED, **settings})


def table(*reports, station="QXM"):
    """A table of reports of 10 January 2026, each (time, columns); what a report does not give is M."""
    names = list(dict.fromkeys(name for _, columns in reports for name in columns))
    lines = [",".join(["station", "valid", *names])]
    for time, columns in reports:
        cells = [str(columns.get(name, "M")) for name in names]
        lines.append(",".join([station, f"2026-01-10 {time}", *cells]))
    return ("\n".join(lines) + "\n").encode()


def routine(**columns):
    """What every routine report has: sea-level pressure, a visibility and a text."""
    return {"mslp": "1013.20", "vsby": "10.00", "metar": "KQXM ... RMK AO2 SLP132", **columns}


def hour(answer, at, **settings):
    """One hour of an answer: the values as a Series."""
    return read(answer, **settings).hours.loc[pd.Timestamp(f"2026-01-10T{at}Z")]


def flag_of(answer, at, name):
    return read(answer).flags.loc[pd.Timestamp(f"2026-01-10T{at}Z"), name]


# --- a stormy night ----------------------------------------------------------------------------------------------


def test_an_hour_of_snow_is_read():
    # report of 02:53 and special of 02:31; hand conversions
    found = hour(body("storm_night.csv"), "03:00")
    assert found.drop(["present_weather", "snow_depth_m"]).to_dict() == pytest.approx(
        {
            "air_temperature_c": -1.1111,  # (30 - 32) / 1.8
            "dew_point_c": -3.8889,  # (25 - 32) / 1.8
            "relative_humidity_pct": 81.51,
            "wind_speed_ms": 7.2022,  # 14 x 0.514444
            "wind_gust_ms": 13.89,  # peak of 02:40: 27 x 0.514444; the special has 21
            "wind_from_deg": 60.0,
            "precipitation_mm": 0.762,  # 0.03 x 25.4; the special's trace is part of it
            "freezing_rain_mm": 0.0,
            "cloud_cover_pct": 100.0,
            "visibility_km": 3.218688,  # 2 x 1.609344
        },
        abs=1e-4,
    )
    assert found["present_weather"] == "-SN BR"
    assert np.isnan(found["snow_depth_m"])


def test_everything_is_observed_and_ends_at_full_hours():
    parsed = read(body("storm_night.csv"))
    assert set(parsed.kinds) == {"observed"}
    assert list(parsed.hours.index) == list(pd.date_range("2026-01-10T01:00Z", "2026-01-10T07:00Z", freq="h"))


def test_freezing_fog_is_no_freezing_rain():
    hours = read(body("storm_night.csv")).hours
    np.testing.assert_allclose(hours["freezing_rain_mm"][-2:], [0.06 * INCH_MM, 0.0])
    assert hours["present_weather"].tolist()[-2:] == ["-FZRA BR", "FZFG"]


# --- which report stands for an hour -----------------------------------------------------------------------------


def test_a_report_at_the_full_hour_belongs_to_the_hour_that_ends():
    answer = table(("06:00", routine(tmpf=40.0)), ("06:53", routine(tmpf=50.0)))
    assert hour(answer, "06:00")["air_temperature_c"] == pytest.approx(4.4444, abs=1e-4)
    assert hour(answer, "07:00")["air_temperature_c"] == 10.0


def test_a_special_after_the_routine_report_does_not_take_its_place():
    # 15:51 and 15:58 at Kennedy on 20 December 2020 are so: the gauge has started anew in the second
    answer = table(("15:51", routine(p01i=0.09, tmpf=35.0)), ("15:58", {"p01i": 0.01, "tmpf": 34.0, "vsby": 2.0}))
    assert hour(answer, "16:00")["precipitation_mm"] == pytest.approx(0.09 * INCH_MM)
    assert hour(answer, "16:00")["air_temperature_c"] == pytest.approx(1.6667, abs=1e-4)


def test_without_sea_level_pressure_the_last_report_near_the_hour_stands():
    answer = table(("06:20", {"tmpf": 10.0}), ("06:47", {"tmpf": 20.0}), ("06:55", {"tmpf": 32.0}))
    assert hour(answer, "07:00")["air_temperature_c"] == 0.0


def test_an_hour_of_specials_alone_has_wind_and_weather_but_no_precipitation():
    answer = table(("06:12", {"sknt": 20.0, "gust": 33.0, "wxcodes": "-SN", "p01i": 0.02, "vsby": 2.0}))
    found = hour(answer, "07:00")
    assert found["wind_gust_ms"] == pytest.approx(33 * KNOT_MS)
    assert found["present_weather"] == "-SN"
    assert np.isnan(found["precipitation_mm"])


def test_a_corrected_report_replaces_the_one_of_the_same_minute():
    wrong = routine(tmpf=50.0, metar="KQXM 100653Z AUTO ...")
    right = routine(tmpf=32.0, metar="KQXM 100653Z COR ...")
    for reports in (("06:53", right), ("06:53", wrong)), (("06:53", wrong), ("06:53", right)):
        assert hour(table(*reports), "07:00")["air_temperature_c"] == 0.0


# --- wind --------------------------------------------------------------------------------------------------------


def test_the_gust_of_the_hour_is_the_highest_of_all_reports_and_peaks():
    answer = table(
        ("06:10", {"sknt": 20.0, "gust": 31.0}),
        ("06:53", routine(sknt=18.0, gust=28.0, peak_wind_gust=34.0, peak_wind_time="2026-01-10 06:31")),
    )
    assert hour(answer, "07:00")["wind_gust_ms"] == pytest.approx(34 * KNOT_MS)


def test_a_peak_counts_although_no_gust_blows_at_the_report():
    answer = table(("06:53", routine(sknt=12.0, peak_wind_gust=29.0, peak_wind_time="2026-01-10 06:02")))
    assert hour(answer, "07:00")["wind_gust_ms"] == pytest.approx(29 * KNOT_MS)
    assert flag_of(answer, "07:00", "wind_gust_ms") == ""


def test_a_peak_since_the_last_routine_report_belongs_to_the_hour_of_its_report():
    # like precipitation: both are counted from 05:53 to 06:53
    answer = table(("06:53", routine(sknt=12.0, peak_wind_gust=29.0, peak_wind_time="2026-01-10 05:56")))
    assert hour(answer, "07:00")["wind_gust_ms"] == pytest.approx(29 * KNOT_MS)


@pytest.mark.parametrize("time", ["2026-01-10 05:40", "2026-01-09 06:31", "2026-01-10 06:59"])
def test_a_peak_of_another_time_does_not_count(time):
    answer = table(("06:53", routine(sknt=12.0, peak_wind_gust=29.0, peak_wind_time=time)))
    assert np.isnan(hour(answer, "07:00")["wind_gust_ms"])


def test_no_gust_with_a_known_wind_is_none_reported():
    answer = table(("06:53", routine(sknt=8.0)), ("07:53", routine(sknt="M")))
    assert flag_of(answer, "07:00", "wind_gust_ms") == "none_reported"
    assert flag_of(answer, "08:00", "wind_gust_ms") == ""  # no wind at all: missing


def test_a_gust_of_a_calmer_part_of_the_hour_counts_as_none_reported():
    answer = table(("06:05", {"sknt": 9.0, "gust": 17.0}), ("06:53", routine(sknt=20.0)))
    assert np.isnan(hour(answer, "07:00")["wind_gust_ms"])
    assert flag_of(answer, "07:00", "wind_gust_ms") == "none_reported"


@pytest.mark.parametrize(
    ("drct", "sknt", "expected"), [("0.00", "0.00", np.nan), ("M", "4.00", np.nan), ("360.00", "5.00", 360.0)]
)
def test_calm_and_variable_wind_have_no_direction(drct, sknt, expected):
    np.testing.assert_equal(hour(table(("06:53", routine(drct=drct, sknt=sknt))), "07:00")["wind_from_deg"], expected)


# --- the gauge ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["T", "0.0001"])
def test_a_trace_is_a_little_rain(written):
    answer = table(("06:53", routine(p01i=written)))
    assert hour(answer, "07:00")["precipitation_mm"] == 0.05
    assert hour(answer, "07:00", rules=ReadingRules(trace_mm=0.0))["precipitation_mm"] == 0.0


@pytest.mark.parametrize("remark", ["PNO $", "6//// T10111056", "SNB43 SLP072 6//// 7//// PNO $"])
def test_a_gauge_that_says_it_is_out_is_not_believed(remark):
    answer = table(("06:53", routine(p01i="0.00", metar=f"KQXM 100653Z 10SM OVC027 M01/M06 A2975 RMK AO2 {remark}")))
    assert hour(answer, "07:00")["precipitation_mm"] == 0.0  # the value is kept
    assert flag_of(answer, "07:00", "precipitation_mm") == "gauge_out"


@pytest.mark.parametrize(
    ("codes", "sknt", "p01i", "expected"),
    [
        ("-SN BR", 16.0, "0.00", "gauge_out"),  # 8.23 m/s
        ("-PLRA", 16.0, "0.00", "gauge_out"),
        ("-SN BR", 15.0, "0.00", ""),  # 7.72 m/s
        ("-SN BR", 16.0, "T", ""),
        ("-SN BR", 16.0, "0.01", ""),
        ("BLSN", 30.0, "0.00", ""),  # lifted from the ground, none falls
        ("DRSN", 30.0, "0.00", ""),
        ("-RA", 30.0, "0.00", ""),
        ("M", 30.0, "0.00", ""),
    ],
)
def test_nothing_in_the_gauge_while_it_snows_in_wind_is_not_believed(codes, sknt, p01i, expected):
    answer = table(("06:53", routine(wxcodes=codes, sknt=sknt, p01i=p01i)))
    assert flag_of(answer, "07:00", "precipitation_mm") == expected


@pytest.mark.parametrize(
    ("station", "zero"), [("QXM", 0.0), ("KQXM", 0.0), ("PAQX", 0.0), ("EGXX", np.nan), ("CYXX", np.nan)]
)
def test_zero_precipitation_outside_the_us_is_unknown(station, zero):
    parsed = read(table(("06:53", routine(p01i="0.00")), station=station))
    np.testing.assert_equal(parsed.hours["precipitation_mm"].iloc[0], zero)
    assert any("outside the US" in note for note in parsed.notes) == np.isnan(zero)


# --- weather -----------------------------------------------------------------------------------------------------


def test_weather_is_that_of_all_reports_of_the_hour_each_code_once():
    answer = table(
        ("06:53", routine(wxcodes="-SN BR")), ("06:14", {"wxcodes": "-SNPL BR"}), ("06:30", {"wxcodes": "M"})
    )
    assert hour(answer, "07:00")["present_weather"] == "-SNPL BR -SN"


@pytest.mark.parametrize(
    ("codes", "expected_mm"),
    [
        ("-FZRA BR", 1.27),
        ("FZDZ", 1.27),
        ("+FZRAPL", 1.27),
        ("-FZRASN BR", 1.27),
        ("FZFG", 0.0),
        ("-RA FZFG", 0.0),
        ("M", 0.0),
    ],
)
def test_freezing_rain_is_the_precipitation_of_hours_that_code_it(codes, expected_mm):
    found = hour(table(("06:53", routine(wxcodes=codes, p01i="0.05"))), "07:00")  # 0.05 in = 1.27 mm
    assert found["freezing_rain_mm"] == pytest.approx(expected_mm)


def test_freezing_rain_coded_by_a_special_counts():
    answer = table(("06:20", {"wxcodes": "-FZRA"}), ("06:53", routine(wxcodes="-RA", p01i="0.05")))
    assert hour(answer, "07:00")["freezing_rain_mm"] == pytest.approx(1.27)


@pytest.mark.parametrize("remark", ["AO1", "AO2 PWINO", "AO2 FZRANO"])
def test_freezing_rain_is_unknown_to_a_station_that_cannot_see_it(remark):
    found = hour(table(("06:53", routine(metar=f"KQXM 100653Z RMK {remark} SLP132", p01i="0.05"))), "07:00")
    assert np.isnan(found["freezing_rain_mm"])


def test_a_station_without_a_weather_sensor_says_nothing_of_the_weather():
    found = read(table(("06:53", routine(metar="KQXM 100653Z RMK AO2 PWINO", p01i="0.05")))).hours
    assert found["present_weather"].isna().all()


def test_no_code_at_a_station_that_can_see_is_no_weather():
    assert hour(table(("06:53", routine())), "07:00")["present_weather"] == ""


def test_an_empty_report_does_not_say_that_there_was_no_weather():
    parsed = read(table(("06:53", {"tmpf": 30.0, "wxcodes": "M", "p01i": "0.00"})))
    assert parsed.hours["present_weather"].isna().all()
    assert parsed.hours["freezing_rain_mm"].isna().all()


def test_freezing_rain_of_a_gauge_that_is_out_is_flagged_too():
    answer = table(("06:53", routine(wxcodes="-FZRA", p01i="0.00", metar="KQXM RMK AO2 SLP132 PNO")))
    assert flag_of(answer, "07:00", "freezing_rain_mm") == "gauge_out"


def test_measured_ice_counts_where_it_is_more_than_the_gauge_has():
    # 0.10 in of ice x 25.4 x 0.9 = 2.286 mm of water
    out = routine(wxcodes="-FZRA", p01i="0.00", metar="KQXM RMK AO2 SLP132 PNO", ice_accretion_1hr="0.10")
    answer = table(("06:53", out))
    assert hour(answer, "07:00")["freezing_rain_mm"] == pytest.approx(2.286)
    assert flag_of(answer, "07:00", "freezing_rain_mm") == ""
    assert flag_of(answer, "07:00", "precipitation_mm") == "gauge_out"


# --- snow, cloud, sight ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("metar", "column", "expected_m"),
    [
        ("KQXM RMK AO2 SLP179 4/006 60003 T00220011", "M", 6 * 0.0254),
        ("KQXM RMK AO2 SLP179 60003 T00220011", "5", 5 * 0.0254),
        ("KQXM RMK AO2 SLP179 4/006", "5", 6 * 0.0254),
        ("KQXM 1 1/4SM -SN 04/M01 A2972 RMK AO2 401330083", "M", np.nan),
    ],
)
def test_snow_depth_is_the_remark_in_whole_inches_else_the_column(metar, column, expected_m):
    found = hour(table(("06:53", routine(metar=metar, snowdepth=column))), "07:00")
    np.testing.assert_allclose(found["snow_depth_m"], expected_m)


@pytest.mark.parametrize(
    ("layers", "expected"),
    [
        (("CLR", "M"), 0.0),
        (("FEW", "M"), 25.0),
        (("FEW", "SCT"), 44.0),
        (("FEW", "BKN"), 75.0),
        (("SCT", "OVC"), 100.0),
        (("VV ", "M"), 100.0),
        (("M", "M"), np.nan),
        (("NSC", "M"), np.nan),  # nothing of significance: says nothing of high cloud
    ],
)
def test_cloud_is_that_of_the_densest_layer(layers, expected):
    found = hour(table(("06:53", routine(skyc1=layers[0], skyc2=layers[1]))), "07:00")
    np.testing.assert_equal(found["cloud_cover_pct"], expected)


# --- answers -----------------------------------------------------------------------------------------------------


def test_an_answer_without_reports_is_empty_and_says_so():
    parsed = read(body("header_only.csv"))
    assert parsed.hours.empty
    assert parsed.notes == ("The METAR archive sent no reports for these hours.",)


def test_an_hour_that_had_not_ended_is_left_out():
    parsed = read(body("storm_night.csv"), fetched_at=datetime(2026, 1, 10, 6, 58, tzinfo=UTC))
    assert parsed.hours.index[-1] == pd.Timestamp("2026-01-10T06:00Z")
    assert parsed.notes == ("The last hour had not ended and was left out.",)


def test_tabs_and_comment_lines_are_read_too():
    tabs = "#DEBUG: Format Typ    -> tdf\n#DEBUG: Time Zone     -> UTC\n" + body("storm_night.csv").decode().replace(
        ",", "\t"
    )
    pd.testing.assert_frame_equal(read(tabs.encode()).hours, read(body("storm_night.csv")).hours)


@pytest.mark.parametrize("missing", ["", "null"])
def test_the_other_ways_to_write_nothing_are_read(missing):
    lines = [line.split(",") for line in body("storm_night.csv").decode().splitlines()]
    other = "\n".join(",".join(missing if cell == "M" else cell for cell in line) for line in lines) + "\n"
    pd.testing.assert_frame_equal(read(other.encode()).hours, read(body("storm_night.csv")).hours)


def test_columns_may_stand_in_any_order_and_older_files_lack_some():
    whole = pd.read_csv(ANSWERS / "storm_night.csv", dtype=str, keep_default_na=False)
    fewer = whole[sorted(set(whole.columns) - {"snowdepth", "feel", "alti"})].to_csv(index=False).encode()
    pd.testing.assert_frame_equal(read(fewer).hours, read(body("storm_night.csv")).hours)
    assert read(fewer).notes == ()


def test_a_column_that_is_gone_is_told():
    whole = pd.read_csv(ANSWERS / "storm_night.csv", dtype=str, keep_default_na=False)
    parsed = read(whole.drop(columns="gust").to_csv(index=False).encode())
    assert parsed.notes == ("The METAR archive's answer has no column gust.",)


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "a table, got an empty body"),
        (b"<html>gateway</html>", r"a table, got a web page \(HTML\)"),
        (
            body("over_capacity.txt"),
            'with "station" and "valid", got \'ERROR: server over capacity, please try later\'',
        ),
        (b"station,valid,alti\nQXM,2026-01-10 06:53,30.1\n", "at least one of the columns tmpf"),
        (b"station,valid,tmpf\nQXM,2026-01-10 06:53,warm\n", "a number or M in line 2, column tmpf, got 'warm'"),
        (b"station,valid,tmpf\nQXM,10 Jan 06:53,30\n", "in line 2, column valid, got '10 Jan 06:53'"),
        (b"station,valid,tmpf\nQXM,2026-01-10 06:53\n", "3 columns in line 2, got 2"),
    ],
)
def test_what_is_no_table_is_refused_with_what_came(answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        read(answer)


@given(st.integers(len(body("header_only.csv")) + 1, len(body("storm_night.csv")) - 1))
def test_an_answer_cut_off_in_a_line_is_refused(length):
    cut = body("storm_night.csv")[:length]
    if cut.endswith(b"\n"):
        assert len(read(cut).hours) < 7
    else:
        with pytest.raises(ProviderContractError, match="got an answer cut off in line"):
            read(cut)


def test_several_stations_need_to_be_told_apart():
    one = table(("06:53", routine(tmpf=32.0)))
    other = table(("06:53", routine(tmpf=50.0)), station="QXN").split(b"\n", 1)[1]
    with pytest.raises(ProviderContractError, match="one station, or to be told which to read, got 2: QXM, QXN"):
        read(one + other)
    assert hour(one + other, "07:00", station="QXM")["air_temperature_c"] == 0.0
    assert hour(one + other, "07:00", station="KQXN")["air_temperature_c"] == 10.0
    with pytest.raises(ProviderContractError, match="reports of QXO, got only QXM, QXN"):
        read(one + other, station="QXO")


def lines_of(answer):
    header, *rows = answer.splitlines(keepends=True)
    return header, rows


@settings(max_examples=25)
@given(st.permutations(range(9)), st.lists(st.integers(0, 8), max_size=3))
def test_sequence_and_repeats_of_the_reports_change_nothing(sequence, repeated):
    header, rows = lines_of(body("storm_night.csv"))
    shuffled = header + b"".join(rows[position] for position in [*sequence, *repeated])
    expected, found = read(body("storm_night.csv")), read(shuffled)
    pd.testing.assert_frame_equal(found.hours, expected.hours)
    pd.testing.assert_frame_equal(found.flags, expected.flags)


PIECES = (b",", b"\n", b"M", b"T", b'"', b"inf", b"#", b"\t")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(body("storm_night.csv"), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = read(answer)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)


# --- a real month: Kennedy, December 2020 (recorded answer of the archive) ----------------------------------------


@pytest.fixture(scope="module")
def december(shared):
    return (shared / "samples" / "iem_asos_JFK_202012.csv").read_bytes()


@pytest.fixture(scope="module")
def reports(shared):
    """The same rows through pandas, for counting."""
    rows = pd.read_csv(shared / "samples" / "iem_asos_JFK_202012.csv", dtype=str, keep_default_na=False)
    return rows.assign(hour=pd.to_datetime(rows["valid"], utc=True).dt.ceil("h"))


def test_december_has_every_hour_once(december):
    hours = read(december).hours
    assert len(hours) == 719
    assert (hours.index[0], hours.index[-1]) == (pd.Timestamp("2020-12-01T01:00Z"), pd.Timestamp("2020-12-31T00:00Z"))


def test_zero_in_snow_while_the_gauge_is_out_is_flagged(december, reports):
    # 42 rows with snow, 27 of them with 0.00: 26 say that the gauge is out, one only has 19 kt of wind
    snow = reports[reports["wxcodes"].str.contains("SN")]
    false_zero = snow[snow["p01i"] == "0.00"]
    silent = false_zero[~false_zero["metar"].str.contains("PNO")]
    assert (len(snow), len(false_zero), silent["valid"].tolist()) == (42, 27, ["2020-12-16 23:51"])
    parsed = read(december)
    assert (parsed.flags.loc[false_zero["hour"].unique(), "precipitation_mm"] == "gauge_out").all()
    assert (parsed.hours.loc[false_zero["hour"].unique(), "precipitation_mm"] == 0.0).all()


def test_the_snow_of_the_storm_is_missing_rather_than_zero(december):
    # the station's own text gives 0.81 in for the 24 h to 17 December 12 UTC (70081) while the gauge's hours say 0.00
    parsed = read(december)
    series = SourceSeries("metar-archive", "observed", parsed.hours, combine(parsed.flags, flag(parsed.hours)))
    merged = merge_by_priority([series], [])
    assert merged.missing("precipitation_mm").loc["2020-12-17T02":"2020-12-17T19"].all()
    assert merged.flags.loc[pd.Timestamp("2020-12-17T10:00Z"), "precipitation_mm"] == "gauge_out@metar-archive:observed"


def test_peak_winds_count_in_hours_without_a_gust(december, reports):
    peak_alone = reports[(reports["gust"] == "M") & (reports["peak_wind_gust"] != "M")]
    assert len(peak_alone) == 24
    gust = read(december).hours["wind_gust_ms"]
    for _, row in peak_alone.iterrows():
        assert gust[row["hour"]] >= float(row["peak_wind_gust"]) * KNOT_MS - 1e-9


def test_the_highest_gust_of_each_hour_is_kept(december, reports):
    told = reports[["gust", "peak_wind_gust"]].replace("M", np.nan).astype(float).max(axis=1)
    expected = told.groupby(reports["hour"]).max() * KNOT_MS
    np.testing.assert_allclose(read(december).hours["wind_gust_ms"], expected, rtol=1e-12)


def test_gusts_are_none_reported_in_the_other_hours(december):
    parsed = read(december)
    none_reported = parsed.flags["wind_gust_ms"] == "none_reported"
    assert (none_reported == (parsed.hours["wind_gust_ms"].isna() & parsed.hours["wind_speed_ms"].notna())).all()


def test_precipitation_is_that_of_the_routine_reports(december, reports):
    known = reports[(reports["mslp"] != "M")].set_index("hour")["p01i"]
    inches = known.replace("T", "0").astype(float)
    traces = known == "T"
    expected = inches.sum() * INCH_MM + traces.sum() * 0.05
    found = read(december).hours.loc[known.index, "precipitation_mm"].sum()
    np.testing.assert_allclose(found, expected)


def test_depth_of_the_storm_comes_from_the_remarks(december):
    # 4/001 at 16 December 23:51, 4/004 at 05:51, 4/006 at 11:51, 4/007 at 17:51; column snowdepth is M throughout
    depth = read(december).hours["snow_depth_m"].dropna()
    first_day = depth.loc["2020-12-17"]
    np.testing.assert_allclose(first_day / 0.0254, [1, 4, 6, 7])
    assert [time.hour for time in first_day.index] == [0, 6, 12, 18]
    np.testing.assert_allclose(depth.max(), 7 * 0.0254)


def test_a_month_cut_at_full_hours_gives_the_same_table(december):
    header, rows = lines_of(december)
    whole = read(december)
    cut = pd.Timestamp("2020-12-17T03:00Z")
    times = pd.to_datetime([row.split(b",")[1].decode() for row in rows], utc=True)
    parts = [
        read(header + b"".join(row for row, time in zip(rows, times, strict=True) if (time > cut) == late))
        for late in (False, True)
    ]
    pd.testing.assert_frame_equal(pd.concat([part.hours for part in parts]), whole.hours)
    pd.testing.assert_frame_equal(pd.concat([part.flags for part in parts]), whole.flags)


# --- requests ----------------------------------------------------------------------------------------------------


def yard(station):
    return Yard("north", "North", 43.7, -70.2, 8.0, "America/New_York", station=station)


def spans(start, end, now=FETCHED):
    return [(r.params["sts"], r.params["ets"]) for r in requests_for(yard("KQXM"), start, end, now)]


def test_each_month_is_one_request_that_begins_after_the_full_hour():
    # a report at 00:00 ends the hour before; the service leaves out the minute of "ets"
    assert spans(datetime(2025, 11, 20, 6, 30, tzinfo=UTC), datetime(2026, 1, 10, 12, tzinfo=UTC)) == [
        ("2025-11-20T06:01:00Z", "2025-12-01T00:01:00Z"),
        ("2025-12-01T00:01:00Z", "2026-01-01T00:01:00Z"),
        ("2026-01-01T00:01:00Z", "2026-01-10T12:01:00Z"),
    ]


def test_nothing_is_asked_of_hours_to_come():
    now = datetime(2026, 1, 10, 12, 20, tzinfo=UTC)
    assert spans(now - timedelta(hours=2), now + timedelta(days=5), now) == [
        ("2026-01-10T10:01:00Z", "2026-01-10T12:21:00Z")
    ]
    assert spans(now + timedelta(days=1), now + timedelta(days=2), now) == []


@pytest.mark.parametrize(
    ("given_station", "asked"), [("KQXM", "QXM"), (" qxm ", "QXM"), ("PAQX", "PAQX"), ("CYXX", "CYXX")]
)
def test_us_stations_are_asked_for_without_their_k(given_station, asked):
    [request] = requests_for(yard(given_station), FETCHED - timedelta(days=1), FETCHED, FETCHED)
    assert request.params["station"] == asked
    assert request.params["tz"] == "UTC"


def test_a_yard_without_a_station_is_told_so():
    with pytest.raises(StormwalkError, match='Yard "North" names no weather station'):
        requests_for(yard(""), FETCHED - timedelta(days=1), FETCHED, FETCHED)
