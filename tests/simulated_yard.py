"""A simulated yard: covers, a winter, walks, and trouble that comes by curves that are known.

The trouble is drawn from the ranking's own model with other curves than the defaults, so a fit has something to find.
What the curves are told of is worked out by the program; what happens to a cover is drawn here.
"""

import uuid
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd

from monitor.clocks import Log
from monitor.evaluation.replay import KnownThen, Walk, brought_to_light, lists_before, replayed
from monitor.hazards.series import HazardParameters
from monitor.inspections import Finding, Inspection
from monitor.ranking import RankingParameters
from monitor.register import SHELTERS, Boat, Cover, CoverBuild, Yard
from monitor.weather.table import SourceSeries, hourly_index, merge_by_priority, no_flags

DEFECT_OF = {
    "snow": ("snow_lying", "port"),
    "pocket": ("standing_water", "stern"),
    "gust": ("tear", "port"),
    "slack": ("loose_band", "perimeter_band"),
    "freeze_thaw": ("open_weld", "starboard"),
    "ice": ("ice_lying", "ridge"),
    "damp": ("damp_inside", "inside"),
    "unseen": ("chafe", "bow"),
}
YARD = Yard("made", "Made Yard", 44.65, -63.57, 3.0, "America/Halifax")
PARAMETERS = HazardParameters()


class SimulatedYard:
    """Covers of all slopes, bearings and shelters, wrapped on one day, and a made winter for them."""

    wrapped_at = datetime(2025, 10, 20, 4, tzinfo=UTC)

    def __init__(self, cover_count, seed, hours=3600):
        self._rng = np.random.default_rng(seed)
        self.hours = hours
        self.covers = [self._cover(number) for number in range(1, cover_count + 1)]
        self.weather = self._winter()

    def _cover(self, number):
        rng = self._rng
        boat = Boat(
            f"{number:03}",
            "Ebba",
            "motor",
            10.0,
            3.0,
            "stands",
            "ABCDEFGH"[number % 8],
            number,
            float(rng.integers(0, 360)),
            SHELTERS[int(rng.integers(0, 3))],
        )
        build = CoverBuild(
            self.wrapped_at,
            ridge_rise_m=float(rng.uniform(0.15, 1.6)),
            ridge_above_ground_m=float(rng.uniform(3, 6)),
            belly_band_count=int(rng.integers(2, 7)),
            vent_count=int(rng.integers(0, 8)),
            vent_area_m2=0.01,
            ground=("dry", "damp")[int(rng.integers(0, 2))],
        )
        return Cover(boat, date(2025, 10, 20), (build,), id=number)

    def _winter(self):
        rng, count = self._rng, self.hours
        hour = np.arange(count)
        temperature_c = 3 - 7 * np.sin(np.pi * hour / count) + 4 * np.sin(2 * np.pi * hour / 24)
        temperature_c += np.convolve(rng.normal(0, 4, count + 47), np.ones(48) / 48**0.5, "valid")
        storm = np.repeat(rng.random(count // 24 + 1) < 0.12, 24)[:count]
        mean_ms = rng.gamma(2.5, 1.3, count) * np.where(storm, 1.7, 1.0)
        columns = {
            "air_temperature_c": temperature_c,
            "relative_humidity_pct": rng.uniform(60, 100, count),
            "wind_speed_ms": mean_ms,
            "wind_gust_ms": np.where(mean_ms > 6, 1.4 * mean_ms, np.nan),
            "wind_from_deg": rng.integers(0, 36, count) * 10.0,
            "precipitation_mm": np.where(storm & (rng.random(count) < 0.6), rng.exponential(1.3, count), 0.0),
        }
        index = hourly_index([self.wrapped_at + timedelta(hours=int(n) + 1) for n in hour])
        hours = pd.DataFrame(columns, index=index)
        return merge_by_priority([SourceSeries("metar-archive", "observed", hours, no_flags(hours))], ["metar-archive"])

    def inspection(self, cover_id, at, found, hazard="snow", severity=2):
        """An inspection as somebody would log it, and what it found."""
        visit = Inspection(self._id(), cover_id, at, at, "Ida", inside=True)
        defect, place = DEFECT_OF[hazard]
        findings = [Finding(self._id(), visit.id, place, defect, severity, at)] if found else []
        return visit, findings

    def _id(self):
        return str(uuid.UUID(bytes=self._rng.bytes(16), version=4))

    def season(self, truth, walks, a_walk, *, first_day=14, keeps_open=False):
        """Replayed inspections of walks spread over the winter, each of covers drawn at random.

        What the weather brings to a cover is drawn by the curves ``truth`` from its exposures since its last
        inspection; the chance of each hazard by itself, so that trouble has a name. What is found is put right, unless
        ``keeps_open``.
        """
        rng = self._rng
        days = np.linspace(first_day, self.hours / 24 - 1, walks).astype(int)
        log, made, known = Log([], [], []), [], []
        for day in days.tolist():
            morning = self.wrapped_at + timedelta(days=day, hours=9)
            chosen = rng.choice(len(self.covers), min(a_walk, len(self.covers)), replace=False) + 1
            as_of = morning - timedelta(seconds=1)
            then = KnownThen(as_of, tuple(self.covers), {}, {}, _copy(log), self.weather, RankingParameters())
            (lines,) = lists_before([then], YARD, PARAMETERS, only=set(chosen.tolist()))
            exposure = {line.cover: line.reasons for line in lines}
            visits = []
            for place, cover_id in enumerate(chosen.tolist()):
                hit = [
                    reason.hazard
                    for reason in exposure[cover_id]
                    if reason.value is not None
                    and rng.random() < truth[reason.hazard].probability(np.array([reason.value]))[0]
                ]
                at = morning + timedelta(minutes=3 * place)
                visit, findings = self.inspection(cover_id, at, bool(hit), hit[0] if hit else "snow")
                visits.append(visit)
                log.inspections.append(visit)
                log.findings.extend(findings)
            made.append(Walk(tuple(visits)))
            known.append(then)
        if not keeps_open:  # everything is found as new: nothing was left open before
            brought = {}
            for visit in log.inspections:
                of_visit = Log([visit], [f for f in log.findings if f.inspection_id == visit.id], [])
                brought |= brought_to_light(of_visit, {cover.id: cover.boat.number for cover in self.covers})
        else:
            brought = brought_to_light(log, {cover.id: cover.boat.number for cover in self.covers})
        return replayed(made, known, lists_before(known, YARD, PARAMETERS), brought)


def _copy(log):
    return Log(list(log.inspections), list(log.findings), list(log.actions))
