"""The same indices by this program, by plain pandas and by xclim, side by side in one run, with equal results.

Run with ``pytest --benchmark-only tests/benchmarks/test_comparisons.py``; an ordinary run skips these. In each group
the ratios between the rows count. Only indices that both have are compared: xclim has no snow share by humidity, no
cover, no ranking. The loop over boats that one would write in pandas stands in ``test_speed.py``; here pandas works on
whole columns. What xclim needs first (an array with coordinates and units) is made outside the time taken.
"""

import importlib
import warnings
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from conftest import skip_or_fail
from made_yard import HOURS, made_season

from monitor.hazards.air import relative_humidity_pct, vapour_pressure_over_water_pa
from monitor.hazards.freeze_thaw import FreezeThawParameters, daily_extremes, daily_freeze_thaw
from monitor.hazards.wind import WindParameters, speed_factor

ALPHA = 0.15
"""Power-law exponent of gusts over open ground, this program's default."""

XCLIM_ZERO_K = 0.01
"""xclim 0.62.0 counts the triple point, 273.16 K, as the zero of this formula: the same curve a hundredth aside."""


@pytest.fixture(scope="module")
def season():
    return made_season().values


@pytest.fixture(scope="module")
def xclim():
    """Module of xclim's indices, and a function that makes the arrays it wants."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            indices, xarray = importlib.import_module("xclim.indices"), importlib.import_module("xarray")
        except ImportError as error:
            skip_or_fail(f'{error}: pip install ".[reference]"')

    def array(series, units, standard_name):
        times = pd.DatetimeIndex(series.index).tz_localize(None) - timedelta(hours=1)  # xclim stamps the hour's begin
        attributes = {"units": units, "standard_name": standard_name}
        return xarray.DataArray(series.to_numpy(), coords={"time": times.to_numpy()}, dims="time", attrs=attributes)

    return indices, array


@pytest.fixture(params=["stormwalk", "pandas", "xclim"])
def way(request):
    return request.param


def quick(benchmark, work):
    """The result of some work, timed; what xclim says about units and attributes on the way is left unsaid."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        benchmark.extra_info["hours"] = HOURS
        return benchmark.pedantic(work, rounds=5, warmup_rounds=1)


@pytest.mark.benchmark(group="days that freeze and thaw, out of 4,400 hours")
def test_days_that_freeze_and_thaw(benchmark, season, way, request):
    """Lowest up to 0 degC and highest above it, day by day from the hours on."""
    air_c = season["air_temperature_c"]
    parameters = FreezeThawParameters()

    def stormwalk():
        days = daily_extremes(air_c, "UTC", parameters)
        return int(daily_freeze_thaw(days["min_c"], days["max_c"]).sum())

    def plain_pandas():
        begins = air_c.set_axis(air_c.index - pd.Timedelta(hours=1))
        days = begins.resample("D").agg(["min", "max", "count"])
        days = days[days["count"] >= 22]  # as here: a day of which more than two hours are missing is unknown
        return int(((days["min"] <= 0) & (days["max"] > 0)).sum())

    if way == "xclim":
        indices, array = request.getfixturevalue("xclim")
        hourly = array(air_c, "degC", "air_temperature")

        def work():
            daily = hourly.resample(time="D")
            low, high, known = daily.min(keep_attrs=True), daily.max(keep_attrs=True), daily.count()
            low = low.where(known >= 22)
            swings = indices.multiday_temperature_swing(low, high, op="sum", freq="YS")
            return int(swings.sum())
    else:
        work = {"stormwalk": stormwalk, "pandas": plain_pandas}[way]
    found = quick(benchmark, work)
    assert found == stormwalk() == plain_pandas()
    assert found > 20


@pytest.mark.benchmark(group="saturation vapour pressure of 4,400 hours")
def test_saturation_vapour_pressure(benchmark, season, way, request):
    """Over water, Alduchov and Eskridge 1996 in all three."""
    air_c = season["air_temperature_c"]
    if way == "xclim":
        indices, array = request.getfixturevalue("xclim")
        hourly = array(air_c, "degC", "air_temperature")

        def work():
            return indices.saturation_vapor_pressure(hourly, method="aerk96").to_numpy()
    elif way == "pandas":

        def work():
            return (610.94 * np.exp(17.625 * air_c / (243.04 + air_c))).to_numpy()
    else:

        def work():
            return vapour_pressure_over_water_pa(air_c)

    aside_k = XCLIM_ZERO_K if way == "xclim" else 0.0
    np.testing.assert_allclose(quick(benchmark, work), vapour_pressure_over_water_pa(air_c - aside_k), rtol=1e-9)


@pytest.mark.benchmark(group="relative humidity from the dew point, 4,400 hours")
def test_relative_humidity(benchmark, season, way, request):
    """Ratio of two vapour pressures over water, in all three."""
    air_c = season["air_temperature_c"]
    dew_c = air_c - (100 - season["relative_humidity_pct"]) / 5
    if way == "xclim":
        indices, array = request.getfixturevalue("xclim")
        air, dew = array(air_c, "degC", "air_temperature"), array(dew_c, "degC", "dew_point_temperature")

        def work():
            return indices.relative_humidity(air, dew, method="aerk96").to_numpy()
    elif way == "pandas":
        hours = pd.DataFrame({"air": air_c, "dew": dew_c})

        def work():
            air, dew = hours["air"], hours["dew"]
            return (100 * np.exp(17.625 * (dew / (243.04 + dew) - air / (243.04 + air)))).to_numpy()
    else:

        def work():
            return relative_humidity_pct(air_c, dew_c)

    aside_k = XCLIM_ZERO_K if way == "xclim" else 0.0
    expected = np.minimum(relative_humidity_pct(air_c - aside_k, dew_c - aside_k), 100.0)
    np.testing.assert_allclose(quick(benchmark, work), expected, rtol=1e-9)


@pytest.mark.benchmark(group="wind at 4 m over open ground, 4,400 hours")
def test_wind_at_a_height(benchmark, season, way, request):
    """Power law from 10 m down, exponent 0.15."""
    wind_ms, parameters = season["wind_speed_ms"], WindParameters(alpha_open=ALPHA)

    def stormwalk():
        return wind_ms.to_numpy() * speed_factor(4.0, "open", "exposed", parameters)

    if way == "xclim":
        indices, array = request.getfixturevalue("xclim")
        hourly = array(wind_ms, "m s-1", "wind_speed")

        def work():
            return indices.wind_profile(hourly, h="4 m", h_r="10 m", method="power_law", alpha=ALPHA).to_numpy()
    elif way == "pandas":

        def work():
            return (wind_ms * (4 / 10) ** ALPHA).to_numpy()
    else:
        work = stormwalk
    np.testing.assert_allclose(quick(benchmark, work), stormwalk(), rtol=1e-12)
