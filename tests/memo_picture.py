"""Invented covers, weather and logs for memos, put together by hand, without a database."""

from datetime import date
from functools import cache

import numpy as np
from small_weather import DAY, START, hour, merged

from monitor.assessment import SourceStatus, YardAssessment
from monitor.changes import Change
from monitor.clocks import Log, clocks, open_findings
from monitor.documents.justification_memo import justification_memo
from monitor.hazards.exposure import exposures
from monitor.hazards.series import HazardParameters, cover_series, yard_weather
from monitor.inspections import Finding, Inspection
from monitor.presentation.proposal import Proposal, season_changes, weigh
from monitor.ranking import OpenFinding, RankingParameters, rank_covers
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.whatif import what_if

YARD = Yard("tarn", "Tarn Slip", 44.65, -63.57, 3.0, "America/Halifax")
PARAMETERS = HazardParameters()

BUILD = CoverBuild(
    built_at=START,
    ridge_rise_m=0.7,
    ridge_above_ground_m=10.0,
    belly_band_spacing_m=1.8,
    vent_count=2,
    vent_area_m2=0.01,
    post_count=3,
    ground="standing_water",
)
"""Sides of 0.7 over 1.5 m, 25 deg; 10 m high, so that the gust at the cover is the gust at 10 m times shelter."""

VENTS = Proposal(Change(vents=8))
FEWER = Proposal(Change(vents=0))
RIDGE = Proposal(Change(ridge_raise_m=0.3))
TIGHT = Proposal(retension=True)
FILM = Proposal(rewrap=True)


def thaw(days=2):
    """Days of 3 degC and nights of frost, little wind: film in the night is colder than the wet ground's vapour."""
    turn = np.cos((np.arange(days * DAY) - 14) * 2 * np.pi / DAY)
    return merged(
        days * DAY,
        air_temperature_c=(1.0 + 4.0 * turn).tolist(),
        dew_point_c=[-3.0] * days * DAY,
        wind_speed_ms=[1.0] * days * DAY,
    )


def snow(count=36):
    """20 mm of snow in the first half day, frost."""
    fall = [2.0 if 4 <= n < 14 else 0.0 for n in range(count)]
    return merged(count, precipitation_mm=fall, snowfall_water_mm=fall)


def gale(hours):
    """30 m/s abeam for so many hours from the 13th on, then half a day of calm."""
    count = hours + 24
    return merged(count, wind_gust_ms=[30.0 if 12 <= n < 12 + hours else 5.0 for n in range(count)])


def cover(build=BUILD, *later, number="7", cover_id=40, **boat):
    """Bow to the north, 10 by 3 m."""
    berth = {"name": "Ebba", "row": "A", "place": 1, "heading_deg": 0.0, "shelter": "partly"} | boat
    fields = {"boat_type": "motor", "length_m": 10.0, "beam_m": 3.0, "support": "stands"} | berth
    return Cover(Boat(number=number, **fields), date(2025, 12, 1), (build, *later), id=cover_id)


OTHERS = tuple(
    cover(number=str(90 + i), cover_id=50 + i, name=f"Neighbour{i}", place=2 + i, shelter=shelter)
    for i, shelter in enumerate(("exposed", "exposed", "sheltered", "partly"))
)
"""Beside it: two with more wind, one with less, one with the same."""


def seen(defect, place, severity=2, at=20, *, key="a", inside=False, note="", inspector="Ida", cover_id=40):
    """An inspection and its finding."""
    visit = Inspection(f"i-{key}", cover_id, hour(at), hour(at), inspector, inside=inside)
    return visit, Finding(f"f-{key}", visit.id, place, defect, severity, hour(at), note)


def log_of(*pairs, actions=()):
    """A log of `seen`; a pair without a finding is an inspection that found all sound."""
    return Log([visit for visit, _ in pairs], [found for _, found in pairs if found is not None], actions)


def assessed(weather, covers=None, log=None, yard=YARD):
    """The yard at the end of its weather, with its hours and its ranking."""
    covers, log = covers or (cover(), *OTHERS), log or Log()
    as_of = hour(len(weather.values))
    since = clocks({one.id: one.builds[0].built_at for one in covers}, {}, log)
    still_open = open_findings(log, {one.id: one.boat.number for one in covers})
    hours = yard_weather(weather, yard, START, as_of, PARAMETERS)
    series = cover_series(hours, yard, covers, log.actions, log.inspections, PARAMETERS)
    found = exposures(hours, series, covers, since, log.inspections, as_of)
    worst = {
        one.id: OpenFinding(entries[0].finding.severity, entries[0].seen_at, entries[0].finding.defect, "inspection")
        for one in covers
        if (entries := still_open.get(one.boat.number))
    }
    parameters = RankingParameters()
    ids = [one.id for one in covers]
    ranked = rank_covers([one.boat.number for one in covers], ids, found, worst, 1.0, parameters)
    credit = SourceStatus("metar-archive", as_of, as_of, 1.0, "", "Invented weather, https://weather.example.org/.")
    return YardAssessment(
        yard=yard,
        as_of=as_of,
        version="0.0",
        covers=tuple(covers),
        ranked=tuple(ranked),
        exposures=tuple(found),
        clocks=since,
        open_findings=still_open,
        log=log,
        weather=weather,
        storms=(),
        sources=(credit,),
        parameters=parameters,
        not_assessed=(),
        data_age_h=1.0,
        series=series,
    )


def compared(assessment, proposal, boat="7"):
    """The season with the build changed, and with the bands re-tensioned at its end; None where not in question."""
    return tuple(
        None if change is None else what_if(assessment, boat, change, PARAMETERS)
        for change in season_changes(proposal, assessment.as_of)
    )


def weighed(assessment, proposal, boat="7"):
    """The proposal held against the season."""
    return weigh(assessment, boat, proposal, *compared(assessment, proposal, boat))


@cache
def _quiet_day(proposal):
    return compared(assessed(merged(DAY)), proposal)


def listed(assessment, proposal):
    """The proposal held against what was seen, beside the numbers of a quiet day: far quicker."""
    return weigh(assessment, "7", proposal, *_quiet_day(proposal))


def memo(assessment, proposal, *, found=None, **more):
    """The memo's page; ``found`` is the proposal weighed already."""
    return justification_memo(assessment, found or weighed(assessment, proposal), **more)
