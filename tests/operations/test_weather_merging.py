"""Real answers as they came, the laws of merging, and totals that survive from the answer to the merged table."""

import itertools
import json
import random
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_yard import GALE, HOUR, SNOW, YARD, in_hours, metar, open_meteo

from monitor.operations.weather import import_weather, merged_weather
from monitor.operations.weather_status import weather_status
from monitor.store import register
from monitor.store.bulletins import read_days
from monitor.store.connection import connect
from monitor.weather.table import PRESENT_WEATHER

FIRST = datetime(2026, 1, 10, 1, tzinfo=UTC)
NOW = datetime(2026, 1, 14, 12, 20, tzinfo=UTC)


# --- any order, any split

HOURS = 30


def answers():
    """A station's and a model's hours of the same days, and the same again as they are told later."""
    snow = in_hours(range(4, 9), SNOW)
    gale = in_hours(range(12, 17), GALE)
    columns = {name: snow.get(name, {}) | gale.get(name, {}) for name in {*snow, *gale}}
    return metar(FIRST, HOURS, without=range(20, 23), **columns)


def pieces(cuts):
    """The station's answer cut at full hours, each piece an answer of its own."""
    header, *rows = answers().decode().splitlines()
    edges = [0, *sorted(cuts), HOURS]
    of_hour = {row.split(",")[1]: row for row in rows}
    made = []
    for begin, end in itertools.pairwise(edges):
        times = [f"{FIRST + number * HOUR - timedelta(minutes=7):%Y-%m-%d %H:%M}" for number in range(begin, end)]
        made.append(
            ("metar-archive", "\n".join([header, *(of_hour[at] for at in times if at in of_hour), ""]).encode())
        )
    return made


@pytest.fixture(scope="module")
def law_conn(tmp_path_factory):
    with closing(connect(tmp_path_factory.mktemp("law") / "law.db", create=True)) as opened:
        register.save_yards(opened, [YARD])
        yield opened


def merged_of(conn, parts):
    """The merged table after these answers, and the database as it was before."""
    conn.execute("SAVEPOINT example")
    try:
        for source, body in parts:
            assert import_weather(conn, YARD, source, body, "x", NOW).good
        return merged_weather(conn, YARD)
    finally:
        conn.execute("ROLLBACK TO example")
        conn.execute("RELEASE example")


@settings(max_examples=15)
@given(st.sets(st.integers(1, HOURS - 1), max_size=6), st.integers(0, 10**6), st.booleans())
def test_any_order_and_any_split_of_the_same_answers_give_the_same_merged_table(law_conn, cuts, seed, doubled):
    model = ("open-meteo", open_meteo(FIRST, HOURS + 12, temperature_2m=-2.5))
    whole = merged_of(law_conn, [("metar-archive", answers()), model])
    parts = [*pieces(cuts), model]
    parts += parts if doubled else []
    random.Random(seed).shuffle(parts)
    split = merged_of(law_conn, parts)
    for name in ("values", "sources", "flags"):
        pd.testing.assert_frame_equal(getattr(split, name), getattr(whole, name), check_exact=True)


# --- totals


def test_the_sum_of_every_accumulation_of_a_grid_survives_to_the_merged_table(conn):
    values = {
        "quantitativePrecipitation": ("wmoUnit:mm", "precipitation_mm", 1.0),
        "snowfallAmount": ("wmoUnit:mm", "snowfall_depth_mm", 1.0),
        "iceAccumulation": ("wmoUnit:mm", "freezing_rain_mm", 0.9),  # water in glaze of 900 kg/m3
    }
    intervals = {"2026-01-15T00:00:00+00:00/PT1H": 0.3, "2026-01-15T01:00:00+00:00/PT6H": 7.1}
    intervals |= {"2026-01-15T07:00:00+00:00/P1DT5H": 13.7}
    layers = {
        name: {"uom": unit, "values": [{"validTime": at, "value": of} for at, of in intervals.items()]}
        for name, (unit, _, _) in values.items()
    }
    body = json.dumps({"properties": {"updateTime": "2026-01-14T12:00:00+00:00", **layers}}).encode()
    assert import_weather(conn, YARD, "nws-grid", body, "grid.json", NOW).good
    merged = merged_weather(conn, YARD).values
    for _, variable, to_water in values.values():
        assert merged[variable].sum() == pytest.approx(sum(intervals.values()) * to_water, abs=1e-9)
        assert merged[variable].notna().sum() == 1 + 6 + 29


def test_the_sum_of_a_recorded_grid_survives_to_the_merged_table(conn, shared):
    body = (shared / "samples" / "nws_gridpoints_TAE_20220203.json").read_bytes()
    assert import_weather(conn, YARD, "nws-grid", body, "tae.json", NOW).good
    told = json.loads(body)["properties"]["quantitativePrecipitation"]["values"]
    total_mm = sum(each["value"] for each in told)
    assert total_mm > 0
    assert merged_weather(conn, YARD).values["precipitation_mm"].sum() == pytest.approx(total_mm, abs=1e-9)


# --- real answers, imported without a human hand; facts from the INDEX of the recorded answers


def imported(conn, source, path):
    report = import_weather(conn, YARD, source, path.read_bytes(), path.name, NOW)
    assert report.good, report.sentence
    return merged_weather(conn, YARD)


def test_december_2020_at_kennedy(conn, shared):
    path = shared / "samples" / "iem_asos_JFK_202012.csv"
    merged = imported(conn, "metar-archive", path)
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table["at"] = pd.to_datetime(table["valid"], utc=True)
    # "42 rows with SN, 27 of them with p01i 0.00 while the METAR carries PNO" (one of the 27 does not, by a count with
    # pandas): none of the hours with a gauge that says that it is out reads as dry
    snow = table[table["wxcodes"].str.contains("SN")]
    false_zero = snow[snow["p01i"] == "0.00"]
    assert (len(snow), len(false_zero)) == (42, 27)
    hours = false_zero[false_zero["metar"].str.contains("PNO")]["at"].dt.ceil("h").unique()
    assert len(hours) >= 20
    assert merged.missing("precipitation_mm").reindex(hours).all()
    assert merged.flags["precipitation_mm"].reindex(hours).str.contains("gauge_out@metar-archive:observed").all()
    # "24 rows have peak_wind_gust but gust M": in the hour of each the gust is at least that peak (kt)
    peaks = table[(table["peak_wind_gust"] != "M") & (table["gust"] == "M")]
    assert len(peaks) == 24
    gust_kt = merged.values["wind_gust_ms"].reindex(peaks["at"].dt.ceil("h")).to_numpy() * 3600 / 1852
    assert (gust_kt >= peaks["peak_wind_gust"].astype(float).to_numpy() - 1e-9).all()
    # "depth groups 4/001..4/007 in the METAR although column snowdepth is M": 1 to 7 in of 0.0254 m
    depth = merged.values["snow_depth_m"].dropna()
    assert depth[depth > 0].min() == pytest.approx(0.0254)
    assert depth.max() == pytest.approx(7 * 0.0254)


def test_a_grid_of_tallahassee_has_its_layers_and_the_empty_ones_stay_unknown(conn, shared):
    merged = imported(conn, "nws-grid", shared / "samples" / "nws_gridpoints_TAE_20220203.json")
    assert set(merged.sources["wind_gust_ms"]) <= {"nws-grid:forecast", ""}
    assert merged.values["wind_gust_ms"].notna().any()
    assert PRESENT_WEATHER in merged.values


def test_an_answer_of_met_norway_saved_with_its_headers(conn, shared):
    merged = imported(conn, "met-norway", shared / "samples" / "metno_compact_newyork_wrapped.json")
    # "82 steps, hourly then 6-hourly"; the compact answer has no gust
    assert merged.values["air_temperature_c"].notna().sum() == 82
    assert "wind_gust_ms" not in merged.values
    fetch = conn.execute("SELECT headers FROM weather_fetches").fetchone()
    assert json.loads(fetch["headers"])["Expires"] == "Mon, 20 Jul 2020 12:14:53 GMT"


def test_a_week_of_open_meteo_in_melbourne(conn, shared):
    merged = imported(conn, "open-meteo", shared / "samples" / "openmeteo_forecast_melbourne.json")
    # "168 h of temperature, RH, precipitation, wind, gust (km/h)"
    told = json.loads((shared / "samples" / "openmeteo_forecast_melbourne.json").read_bytes())["hourly"]
    assert merged.values["air_temperature_c"].notna().sum() == 168
    assert merged.values["wind_gust_ms"].max() == pytest.approx(max(told["wind_gusts_10m"]) / 3.6)


def test_a_year_of_days_at_sitka_in_the_units_that_its_numbers_show(conn, shared):
    path = shared / "samples" / "ncei_ghcnd_sitka_2021_standard.csv"
    report = import_weather(conn, YARD, "ncei-daily", path.read_bytes(), path.name, NOW)
    assert report.good
    assert "Read in °F, inch and mph: its numbers are not metric." in report.notes
    days = read_days(conn, 1)
    assert len(days) == 365
    # "°F, inch, mph ... this station has NO SNOW/SNWD columns at all"
    assert not any("snowfall_depth_mm" in each.measured or "snow_depth_m" in each.measured for each in days)
    warmest_f = pd.read_csv(path, skipinitialspace=True)["TMAX"].max()
    assert max(each.measured.get("air_temperature_max_c", -99) for each in days) == pytest.approx(
        (warmest_f - 32) / 1.8
    )


# --- measured days beside the hours


def test_measured_days_stand_beside_the_hours_with_their_difference(conn):
    # 10 January in New York is 05:00 to 05:00 UTC (standard time), inside the table: 24 h of 0.5 mm are 12 mm.
    model = open_meteo(FIRST, 48, precipitation=0.5)
    import_weather(conn, YARD, "open-meteo", model, "x.json", NOW)
    days = [{"DATE": "2026-01-10", "STATION": "USW00099999", "PRCP": " 15.3", "SNOW": "  102"}]
    assert import_weather(conn, YARD, "ncei-daily", json.dumps(days).encode(), "d.json", NOW).good
    check = weather_status(conn, YARD, NOW)["daily_check"]
    water, snow = sorted(check["days"], key=lambda each: each["quantity"])
    assert (water["measured"], water["of_hours"], water["hours_known"]) == (15.3, 12.0, 24)
    assert water["difference"] == pytest.approx(-3.3)
    assert (snow["measured"], snow["of_hours"], snow["difference"], snow["hours_known"]) == (102.0, None, None, 0)
    assert check["largest"] == {"precipitation_mm": water}
    assert merged_weather(conn, YARD).values["precipitation_mm"].sum() == 24.0  # a check changes nothing
