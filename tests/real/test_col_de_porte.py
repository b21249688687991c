"""Snow on level ground through a winter: modelled water against what was weighed at Col de Porte, 1325 m, 2005-06.

Measured: Morin et al. 2012, Earth Syst. Sci. Data 4:13-21, as packed with the Factorial Snow Model (kept outside the
project, see the fixture ``shared``). Two points of the site differ by 25 kg/m2 (Lejeune et al. 2019, Earth Syst. Sci.
Data 11:71-88). Our snow is that of a film in the wind and the open, without ground heat, forest or radiation; nothing
of it was fitted to this site. So this asks for broad sanity; the figures stand beside the test and in its messages.
"""

import numpy as np
import pandas as pd
import pvlib
import pytest

from monitor.hazards.snow import SnowForcing, SnowParameters, snow_forcing, snow_on_covers

PLACE = (45.295, 5.766)  # latitude, longitude [deg]
PARAMETERS = SnowParameters()


@pytest.fixture(scope="module")
def met(shared):
    """Hours as measured, indexed by their stamp."""
    table = pd.read_csv(shared / "data" / "col_de_porte_2005_06_met.csv.gz")
    stamps = pd.to_datetime(table[["year", "month", "day", "hour"]], utc=True)
    table.index = pd.DatetimeIndex(stamps, name="hour_ending")
    return table


@pytest.fixture(scope="module")
def observed(shared):
    """Daily means, NaN where missing."""
    table = pd.read_csv(shared / "data" / "col_de_porte_2005_06_obs.csv").replace(-99, np.nan)
    table.index = pd.DatetimeIndex(pd.to_datetime(table[["year", "month", "day"]]), name="day")
    return table


@pytest.fixture(scope="module")
def forcings(met):
    """Snow and rain as the site parted them, and as our phase does from their sum."""
    snow_mm, rain_mm = met["Sf"] * 3600, met["Rf"] * 3600  # kg/m2/s
    hours = pd.DataFrame(
        {
            "air_temperature_c": met["Ta"] - 273.15,
            "relative_humidity_pct": met["RH"],
            "precipitation_mm": snow_mm + rain_mm,
            "solar_wm2": met["SW"],
        }
    )
    ours = snow_forcing(hours, PARAMETERS)
    theirs = SnowForcing(
        snow_mm.to_numpy(), rain_mm.to_numpy(), ours.air_temperature_c, ours.solar_wm2, np.zeros(len(met), dtype=bool)
    )
    return {"site": theirs, "ours": ours}


def water_by_day(forcing, index):
    """Ice and liquid water lying on level ground, mean of the day. [kg/m2]"""
    snow = snow_on_covers(forcing, [0.0], PARAMETERS)
    return pd.Series((snow.ice_mm + snow.liquid_mm)[:, 0].reshape(-1, 24).mean(axis=1), index=index)


def test_the_stamp_is_the_end_of_the_hour(met):
    # Nobody says so. The sunshine of an hour goes with how high the sun stood half an hour before its stamp, and not
    # with how high it stood half an hour after
    def correlation(shift_min):
        moments = met.index + pd.Timedelta(minutes=shift_min)
        zenith_deg = pvlib.solarposition.get_solarposition(moments, *PLACE)["apparent_zenith"].to_numpy()
        return np.corrcoef(np.maximum(np.cos(np.radians(zenith_deg)), 0), met["SW"])[0, 1]

    before, at, after = correlation(-30), correlation(0), correlation(30)
    assert before > at > after


def test_our_split_of_rain_and_snow_is_the_sites_within_three_percent(forcings):
    # The site books 505.8 mm as snow; a split at 0 degC would book 417.5 mm, 17 % less
    snowfall_mm = {name: forcing.snowfall_water_mm.sum() for name, forcing in forcings.items()}
    assert snowfall_mm["site"] == pytest.approx(505.8, abs=0.05)
    assert snowfall_mm["ours"] == pytest.approx(snowfall_mm["site"], rel=0.03)


# Found with the default parameters, all in kg/m2; to the measured peak (20 March), and over the whole season:
#   phase of the site   bias -19, RMSE 41; -42, 87; correlation 0.85; peak 334 of 440, 13 March
#   phase of ours       bias -21, RMSE 45; -44, 89; correlation 0.84; peak 324 of 440, 13 March
# Too little snow, and gone too early: melt by degrees at 0.17 mm/K/h is meant for film in the wind. At the low end of
# what we would still believe, 0.10, the season's RMSE is 30 and 34: nearer to a clearing in a forest.
@pytest.mark.parametrize("phase", ["site", "ours"])
def test_the_water_lying_follows_the_winter_in_broad_lines(forcings, observed, phase):
    ours, weighed = water_by_day(forcings[phase], observed.index), observed["SWE"]
    error = (ours - weighed).dropna()
    to_the_peak = error[:"2006-03-20"]
    found = {
        "bias": error.mean(),
        "rmse": np.sqrt((error**2).mean()),
        "bias to the peak": to_the_peak.mean(),
        "rmse to the peak": np.sqrt((to_the_peak**2).mean()),
        "correlation": np.corrcoef(ours[error.index], weighed[error.index])[0, 1],
        "peak": ours.max(),
        "measured peak": weighed.max(),
    }
    assert found["correlation"] > 0.8, found
    assert 0.65 < ours.max() / weighed.max() < 1.1, found
    assert abs((ours.idxmax() - weighed.idxmax()).days) <= 14, found
    assert found["rmse to the peak"] < 0.15 * weighed.max(), found
