from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.weather.metar import FALLING_ICE, FREEZING_RAIN, cloud_cover_pct, decode

AT = datetime(2026, 1, 10, 6, 53, tzinfo=UTC)
KNOT_MS = 1852 / 3600
INCH_MM = 25.4


def read(text, at=AT):
    return decode(text, at)


def report(body="", remarks="AO2 SLP132"):
    return read(f"KQXM 100653Z AUTO {body} RMK {remarks}")


# --- wind --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("group", "speed_ms", "gust_ms", "from_deg"),
    [
        ("28008KT", 8 * KNOT_MS, np.nan, 280.0),
        ("28008G19KT", 8 * KNOT_MS, 19 * KNOT_MS, 280.0),
        ("28045G102KT", 45 * KNOT_MS, 102 * KNOT_MS, 280.0),
        ("00000KT", 0.0, np.nan, np.nan),  # calm
        ("VRB04KT", 4 * KNOT_MS, np.nan, np.nan),
        ("36005KT", 5 * KNOT_MS, np.nan, 360.0),
        ("26012G20MPS", 12.0, 20.0, 260.0),
        ("/////KT", np.nan, np.nan, np.nan),
        ("", np.nan, np.nan, np.nan),
    ],
)
def test_wind(group, speed_ms, gust_ms, from_deg):
    found = report(f"{group} 10SM CLR 01/M06 A2975")
    np.testing.assert_allclose(
        [found.wind_speed_ms, found.wind_gust_ms, found.wind_from_deg], [speed_ms, gust_ms, from_deg]
    )


@pytest.mark.parametrize(
    ("remark", "speed_kt", "blew_at"),
    [
        ("PK WND 26027/0631", 27, "06:31"),
        ("PK WND 26027/31", 27, "06:31"),  # the hour is left out where it is that of the report
        ("PK WND 26027/58", 27, "05:58"),
        ("PK WND 260104/0558", 104, "05:58"),
    ],
)
def test_peak_wind_and_its_time(remark, speed_kt, blew_at):
    found = report("26018KT", f"AO2 {remark} SLP132")
    assert found.peak_wind_ms == pytest.approx(speed_kt * KNOT_MS)
    assert f"{found.peak_wind_at:%H:%M}" == blew_at


def test_a_peak_wind_of_a_later_clock_time_blew_the_day_before():
    found = read("KQXM 100053Z 26018KT RMK AO2 PK WND 26027/2358", datetime(2026, 1, 10, 0, 53, tzinfo=UTC))
    assert found.peak_wind_at == datetime(2026, 1, 9, 23, 58, tzinfo=UTC)


@pytest.mark.parametrize("remark", ["PK WND 26027/0675", "PK WND 26027/3115", "PK WND", "WND 26027/0631"])
def test_a_peak_wind_of_no_time_is_not_one(remark):
    assert np.isnan(report("26018KT", remark).peak_wind_ms)


# --- temperature -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "remarks", "air_c", "dew_c"),
    [
        ("00/M04 A2984", "AO2 T00021039", 0.2, -3.9),
        ("M00/M04 A2984", "AO2 T10021039", -0.2, -3.9),
        ("M05/M12 A2984", "AO2", -5.0, -12.0),
        ("M05/ A2984", "AO2", -5.0, np.nan),
        ("M05/// A2984", "AO2", -5.0, np.nan),
        ("M05/M12 A2984", "AO2 T1047", -4.7, np.nan),
        ("R06/6000FT 1/2SM A2984", "AO2 10050 20011 401330083", np.nan, np.nan),
    ],
)
def test_temperatures_are_the_tenths_of_the_remarks_else_whole_degrees(body, remarks, air_c, dew_c):
    found = report(f"26018KT {body}", remarks)
    np.testing.assert_allclose([found.air_temperature_c, found.dew_point_c], [air_c, dew_c])


# --- water, snow, ice --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("group", "expected_mm"), [("P0017", 0.17 * INCH_MM), ("P0000", 0.0), ("", np.nan)])
def test_precipitation_is_hundredths_of_an_inch(group, expected_mm):
    np.testing.assert_allclose(report("10SM -RA", f"AO2 SLP132 {group}").precipitation_mm, expected_mm)


def test_visibility_in_miles_is_no_precipitation():
    assert np.isnan(read("KQXM 100653Z 26018KT P6SM RMK AO2").precipitation_mm)


@pytest.mark.parametrize(
    ("body", "remarks", "expected"),
    [
        ("10SM OVC041", "AO2 SLP104", True),
        ("7SM BR OVC041", "AO2 SLP104", True),
        ("7SM BLSN OVC041", "AO2 SLP104", True),  # lifted from the ground
        ("10SM OVC041", "AO2 SLP104 P0000", False),  # a trace
        ("5SM -SN OVC041", "AO2 SLP104", False),  # a station without a gauge, perhaps
        ("10SM OVC041", "AO2 RAB12E25 SLP104", False),
        ("10SM OVC041", "AO2 SNE41 SLP104", False),
        ("10SM OVC041", "AO2 PNO", False),
        ("10SM OVC041", "AO2 PWINO", False),
        ("10SM OVC041", "AO1", False),
        ("10SM OVC041", "", False),
    ],
)
def test_nothing_fell_only_where_the_station_would_have_seen_and_measured_it(body, remarks, expected):
    assert report(body, remarks).nothing_fell is expected


def test_snow_on_the_ground_and_ice_on_the_sensor():
    found = report("-FZRA", "AO2 SLP179 4/006 I1012 60003 T10221044")
    assert found.snow_depth_m == pytest.approx(6 * 0.0254)
    assert found.ice_mm == pytest.approx(0.12 * INCH_MM)
    assert np.isnan(report("1/4SM", "AO2 401330083 P0001").snow_depth_m)


# --- weather and sky ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("body", "codes"),
    [
        ("26018KT 3SM -SN BR OVC027", "-SN BR"),
        ("26018KT 1/2SM +SHSN BLSN FZFG VV004", "+SHSN BLSN FZFG"),
        ("26018KT 4SM -FZRAPL OVC027", "-FZRAPL"),
        ("26018KT 10SM VCSH TS FEW030CB", "VCSH TS"),
        ("26018KT 10SM CLR", ""),
        ("26018KT 9999 -RA SCT030 05/03 Q1009 TEMPO 4000 SN", "-RA"),  # what is expected has not been seen
        ("26018KT CAVOK 05/03 Q1009 NOSIG", ""),
        ("26018KT 9999 OVC030 05/03 Q1009 RERA", ""),  # recent, over now
    ],
)
def test_weather_codes(body, codes):
    assert report(body).weather == codes


def test_the_name_of_a_station_is_no_weather():
    assert read("SASA 100653Z 02003KT CAVOK 20/11 Q1015").weather == ""


@pytest.mark.parametrize(
    ("codes", "freezing", "ice_falls"),
    [("-FZRA BR", True, False), ("FZDZ", True, False), ("-FZRAPL", True, True), ("FZFG", False, False),
     ("-RA FZFG", False, False), ("BLSN", False, False), ("DRSN", False, False), ("-SN", False, True)],
)  # fmt: skip
def test_freezing_rain_and_falling_ice_among_codes(codes, freezing, ice_falls):
    assert bool(FREEZING_RAIN.search(codes)) is freezing
    assert bool(FALLING_ICE.search(codes)) is ice_falls


@pytest.mark.parametrize(
    ("layers", "expected"),
    [("CLR", 0.0), ("FEW120", 25.0), ("FEW120 SCT200", 44.0), ("BKN027CB OVC041", 100.0), ("VV002", 100.0),
     ("OVC///", 100.0), ("NSC", np.nan), ("", np.nan)],
)  # fmt: skip
def test_cloud_is_that_of_the_densest_layer(layers, expected):
    np.testing.assert_equal(report(f"26018KT 10SM {layers} 01/M06").cloud_cover_pct, expected)


def test_layers_of_no_known_kind_say_nothing():
    assert np.isnan(cloud_cover_pct(["", "None"]))
    assert cloud_cover_pct(["SCT", "None", "FEW"]) == 44.0


# --- what kind of report, what kind of station -------------------------------------------------------------------


@pytest.mark.parametrize(("remarks", "expected"), [("AO2 SLP132", True), ("AO2 SLPNO", True), ("AO2", False)])
def test_a_routine_report_has_a_sea_level_pressure(remarks, expected):
    assert report(remarks=remarks).is_routine is expected


@pytest.mark.parametrize(
    ("body", "remarks", "weather", "freezing_rain"),
    [
        ("10SM", "AO2", True, True),
        ("10SM", "AO2 FZRANO", True, False),
        ("10SM", "AO2 PWINO", False, False),
        ("10SM", "AO1", False, False),
        ("9999 // OVC020", "", False, False),
    ],
)
def test_what_a_station_would_have_told(body, remarks, weather, freezing_rain):
    found = report(body, remarks)
    assert (found.sees_weather, found.sees_freezing_rain) == (weather, freezing_rain)


def test_corrections_and_a_gauge_that_is_out():
    assert read("KQXM 100653Z COR 26018KT RMK AO2").is_corrected
    assert report(remarks="AO2 PNO $").gauge_is_out
    assert report(remarks="AO2 6//// T10111056").gauge_is_out
    assert not report(remarks="AO2 60003").gauge_is_out


@given(st.text() | st.text("0123456789/ GKTMPSRPVOAWNDCLE+-"))
def test_whatever_stands_there_is_read(text):
    found = read(text)
    assert found.weather == " ".join(found.weather.split())
    assert found.peak_wind_at is None or found.peak_wind_at <= AT


def test_an_empty_text_says_nothing():
    found = read("")
    assert np.isnan([found.wind_speed_ms, found.air_temperature_c, found.precipitation_mm, found.cloud_cover_pct]).all()
    assert (found.sees_weather, found.nothing_fell, found.is_routine) == (False, False, False)


# --- a real month, decoded by the archive's own program (Kennedy, December 2020, recorded answer) -------------------


@pytest.fixture(scope="module")
def december(shared):
    """The archive's decoded columns beside what we read in its column of texts."""
    rows = pd.read_csv(shared / "samples" / "iem_asos_JFK_202012.csv", dtype=str, keep_default_na=False)
    times = pd.to_datetime(rows["valid"], utc=True)
    read_here = [vars(decode(text, at.to_pydatetime())) for text, at in zip(rows["metar"], times, strict=True)]
    return rows, pd.DataFrame(read_here)


def numbers(column):
    return column.replace({"M": "nan", "T": "0"}).astype("float64")


@pytest.mark.parametrize(("ours", "theirs"), [("wind_speed_ms", "sknt"), ("wind_gust_ms", "gust"),
                                              ("peak_wind_ms", "peak_wind_gust")])  # fmt: skip
def test_winds_are_those_of_the_archive(december, ours, theirs):
    rows, found = december
    np.testing.assert_allclose(found[ours], numbers(rows[theirs]) * KNOT_MS, rtol=1e-12)
    assert found[ours].notna().sum() > 100


def test_directions_and_times_of_peaks_are_those_of_the_archive(december):
    rows, found = december
    calm = numbers(rows["sknt"]) == 0
    np.testing.assert_array_equal(found["wind_from_deg"], numbers(rows["drct"]).mask(calm))
    peak_at = pd.to_datetime(rows["peak_wind_time"].replace("M", None), utc=True)
    assert (
        pd.to_datetime(found["peak_wind_at"], utc=True).fillna(pd.Timestamp(0, tz="UTC"))
        == peak_at.fillna(pd.Timestamp(0, tz="UTC"))
    ).all()


@pytest.mark.parametrize(("ours", "theirs"), [("air_temperature_c", "tmpf"), ("dew_point_c", "dwpf")])
def test_temperatures_are_those_of_the_archive(december, ours, theirs):
    rows, found = december  # it rounds to 0.1 °F
    np.testing.assert_allclose(found[ours], (numbers(rows[theirs]) - 32) / 1.8, atol=0.05)


def test_precipitation_is_that_of_the_archive_which_writes_0_where_nothing_is_said(december):
    rows, found = december
    told = found["precipitation_mm"].notna()
    np.testing.assert_allclose(found["precipitation_mm"][told], numbers(rows["p01i"])[told] * INCH_MM, atol=1e-9)
    assert ((rows["p01i"] == "T") == (found["precipitation_mm"] == 0)).all()
    assert (numbers(rows["p01i"])[~told] == 0).all()


def test_weather_and_routine_reports_are_those_of_the_archive(december):
    rows, found = december
    assert (found["weather"] == rows["wxcodes"].replace("M", "")).all()
    assert (found["is_routine"] == (rows["mslp"] != "M")).all()
