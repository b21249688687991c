"""Speed and memory: a season of one yard, a very large yard, the start of the command line, and the usual pandas loop.

Run with ``pytest --benchmark-only tests/benchmarks``; an ordinary run skips these. Nothing here is asserted in seconds:
what counts is the table, and in a group the ratios between its rows. The targets stand in the docstrings; they are for
a machine with two cores.
"""

import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from made_yard import HOURS, PARAMETERS, YARD, made_covers, made_season, ranked

from monitor.hazards.freeze_thaw import completed_cycles
from monitor.hazards.snow import snow_forcing, snow_on_covers
from monitor.hazards.wind import filled_gust_ms, gust_work_kpah, pressure_on_covers, speed_factor
from monitor.register import Cover, flattest_slope_deg

CHECKOUT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def season():
    return made_season()


def ms_each(benchmark, count):
    return round(1000 * benchmark.stats.stats.median / count, 3)


# --- a yard ----------------------------------------------------------------------------------------------------------


@pytest.mark.benchmark(group="all hazards and the ranking of a season of 4,400 hours, by covers")
@pytest.mark.parametrize("count", [1, 10, 100, 500, 1000])
def test_a_season_of_covers(benchmark, season, count):
    """All hazards of 4,400 hours and the ranking. Target for 500 covers: 1.5 s."""
    covers = made_covers(count)
    benchmark.extra_info.update(covers=count, hours=HOURS)
    lines = benchmark.pedantic(ranked, (season, covers), rounds=3, warmup_rounds=1)
    benchmark.extra_info["ms_a_cover"] = ms_each(benchmark, count)
    assert [line.rank for line in lines] == list(range(1, count + 1))


@pytest.mark.benchmark(group="all hazards and the ranking of a season of 4,400 hours, by covers")
def test_a_season_of_10_000_covers(benchmark, season):
    """The same for one very large yard. Target: 15 s and less than 1.5 GB; ``extra_info`` has the memory."""
    covers = made_covers(10_000)
    peak_mb = memory_of(10_000)
    benchmark.extra_info.update(covers=10_000, hours=HOURS, peak_memory_mb=peak_mb)
    lines = benchmark.pedantic(ranked, (season, covers), rounds=1)
    benchmark.extra_info["ms_a_cover"] = ms_each(benchmark, 10_000)
    assert len(lines) == 10_000
    assert peak_mb < 1500, f"{peak_mb} MB"


def memory_of(count):
    """Highest resident memory of a fresh process that ranks so many covers, all libraries included. [MB]

    Not ``ru_maxrss``: on Linux a child starts with the peak of the process that started it.
    """
    script = f"import test_speed; print(test_speed.peak_memory_mb({count}))"
    path = os.pathsep.join([str(Path(__file__).parent), str(CHECKOUT / "tests"), str(CHECKOUT)])
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        check=True,
    )
    return round(float(done.stdout))


def peak_memory_mb(count):
    """Rank so many covers in this process, and say how much memory it took at its highest."""
    assert len(ranked(made_season(), made_covers(count))) == count
    status = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    (peak_kb,) = [line.split()[1] for line in status if line.startswith("VmHWM:")]
    return int(peak_kb) / 1024


# --- the command line ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    """The demo's yard with its covers and three inspections."""
    path = tmp_path_factory.mktemp("speed") / "stormwalk.db"
    demo = CHECKOUT / "fixtures" / "demo"
    for arguments in (
        ["init"],
        ["yard", "import", str(demo / "yards.csv")],
        ["covers", "import", str(demo / "covers.csv")],
        *(["log", "inspection", boat, "--by", "Ida"] for boat in ("01", "02", "03")),
    ):
        stormwalk(path, *arguments)
    return path


def stormwalk(path, *arguments):
    run(["-m", "monitor", "--db", str(path), *arguments])


def run(arguments):
    subprocess.run([sys.executable, *arguments], cwd=CHECKOUT, check=True, capture_output=True)


@pytest.mark.benchmark(group="start of a command, beside a bare interpreter")
@pytest.mark.parametrize("command", ["bare python", "--help", "yard list", "log list"])
def test_start_of_a_command(benchmark, database, command):
    """Targets: 0.15 s for ``--help``, 0.3 s for a listing; a bare interpreter is part of each."""
    arguments = (
        ["-c", "pass"] if command == "bare python" else ["-m", "monitor", "--db", str(database), *command.split()]
    )
    benchmark.pedantic(run, (arguments,), rounds=10, warmup_rounds=2)


# --- beside a loop over boats ----------------------------------------------------------------------------------------

LOOPED = 20


def looped(hours, cover):
    """One boat as one would write it in a notebook: columns for the wind, a loop over the hours for snow and frost.

    Written from the published formulas, for a cover built once. Returns peak load [kPa], water in the pocket [mm],
    highest pressure [Pa], gust work [kPa h] and freeze-thaw cycles.
    """
    build, boat = cover.builds[0], cover.boat
    slope_deg = math.degrees(math.atan(build.ridge_rise_m / (boat.beam_m / 2)))
    share = {"exposed": 1.0, "partly": 0.7, "sheltered": 0.5}[boat.shelter]
    gust = hours["wind_gust_ms"].fillna(hours["wind_speed_ms"] * (1 + 2.1 / math.log(10 / 0.03)))
    gust = gust.clip(lower=hours["wind_speed_ms"]) * share * (build.ridge_above_ground_m / 10) ** 0.15
    angle = np.radians(hours["wind_from_deg"] - boat.heading_deg)
    pressure_pa = 0.613 * gust**2 * (np.sin(angle) ** 2 + (0.3 * np.cos(angle)) ** 2)
    snow_share = 1 / (1 + np.exp(-10.04 + 1.41 * hours["air_temperature_c"] + 0.09 * hours["relative_humidity_pct"]))
    table = hours.assign(snow_mm=hours["precipitation_mm"] * snow_share)

    kept = min(max((70 - slope_deg) / 55, 0), 1)
    slides = 0.197 * math.sin(math.radians(slope_deg)) if slope_deg > 15 else 0
    holds_mm = 25 * max(0, 1 - slope_deg / 12)
    ice = liquid = pocket = peak = 0.0
    cycles, frozen = 0, False
    for row in table.itertuples():
        temperature, rain = row.air_temperature_c, row.precipitation_mm - row.snow_mm
        ice += row.snow_mm * kept
        if temperature > 0:
            melted = min(ice, (0.17 + 0.0125 * rain) * temperature)
            ice, liquid = ice - melted, liquid + melted
        else:
            refrozen = min(liquid, 0.05 * 0.17 * -temperature)
            ice, liquid = ice + refrozen, liquid - refrozen
        water = liquid + rain
        liquid = min(water, 0.08 * ice)
        pocket = max(pocket, min(pocket + 4 * (water - liquid), holds_mm))
        pocket = max(pocket - (0.02 if temperature > 0 else 0.005), 0)
        if row.snow_mm == 0 and temperature > 0:
            ice, liquid = ice * (1 - slides), liquid * (1 - slides)
        peak = max(peak, 0.00980665 * (ice + liquid))
        if temperature <= -1:
            frozen = True
        elif temperature >= 1 and frozen:
            frozen, cycles = False, cycles + 1
    return peak, pocket, pressure_pa.max(), (pressure_pa - 30).clip(lower=0).sum() / 1000, cycles


def loop_over(merged, covers):
    return np.array([looped(merged.values, cover) for cover in covers])


def all_at_once(merged, covers):
    """Snow, wind and frost of all boats by the program's own functions; the air under the covers is left out."""
    hours = merged.values
    slope_deg = np.array([flattest_slope_deg(one.builds[0], one.boat.beam_m) for one in covers])
    height_m = np.array([one.builds[0].ridge_above_ground_m for one in covers])
    factor = speed_factor(height_m, YARD.terrain, [one.boat.shelter for one in covers], PARAMETERS.wind)
    snow = snow_on_covers(snow_forcing(hours, PARAMETERS.snow), slope_deg, PARAMETERS.snow)
    gust_ms, _ = filled_gust_ms(hours)
    heading_deg = np.array([one.boat.heading_deg for one in covers])
    pressure = pressure_on_covers(gust_ms, hours["wind_from_deg"], factor, heading_deg, PARAMETERS.wind)
    cycles = completed_cycles(hours["air_temperature_c"], PARAMETERS.freeze_thaw).sum()
    return np.column_stack(
        [
            snow.load_kpa.max(axis=0),
            snow.pocket_mm[-1],
            pressure.max(axis=0),
            gust_work_kpah(pressure, PARAMETERS.wind).sum(axis=0),
            np.full(len(covers), cycles),
        ]
    )


@pytest.mark.benchmark(group="snow, wind and frost of 20 boats, 4,400 hours: all at once and boat by boat")
@pytest.mark.parametrize("way", [all_at_once, loop_over], ids=["all at once", "pandas, boat by boat"])
def test_hazards_of_20_boats(benchmark, season, way):
    """Both ways come to the same numbers; the group's ratio is what it costs to go boat by boat."""
    covers = [Cover(one.boat, one.wrapped_on, one.builds[:1], one.id) for one in made_covers(LOOPED)]
    rounds = 5 if way is all_at_once else 1
    found = benchmark.pedantic(way, (season, covers), rounds=rounds)
    benchmark.extra_info.update(covers=LOOPED, hours=HOURS, ms_a_cover=ms_each(benchmark, LOOPED))
    np.testing.assert_allclose(found[:3], all_at_once(season, covers)[:3], rtol=1e-9)
    np.testing.assert_allclose(found[:3], loop_over(season, covers[:3]), rtol=1e-9)
