"""An invented season in review, small enough to count by hand: four walks of six boats, one of them awkwardly named."""

from datetime import UTC, datetime, timedelta
from functools import cache

from monitor.documents.season_review import season_review
from monitor.evaluation.calibration import calibrate, evidence_of
from monitor.evaluation.metrics import Share
from monitor.evaluation.replay import Brought, Replayed
from monitor.evaluation.review import ReviewParameters, review
from monitor.inspections import Action, Finding, Inspection
from monitor.presentation.season_review import season_content
from monitor.presentation.season_tables import WalkDone
from monitor.ranking import RankedCover, RankingParameters, Reason
from monitor.register import Boat, Cover, CoverBuild, Yard

YARD = Yard("tarn", 'Tarn Slip & "Sons"', 41.2, -71.2, 3.0, "America/New_York", display_units="us")
START = datetime(2025, 10, 20, 14, tzinfo=UTC)
UNTIL = datetime(2026, 2, 1, 17, tzinfo=UTC)
NASTY_NAME = "Gull & <script>alert(\"ho\")</script> 'Tern'"
WALK_DAYS = (10, 40, 45, 75)
"""30 October, 29 November, 4 December, 3 January."""
FOUND = {
    (0, 1): ("tear", "port", 2),
    (0, 2): ("damp_inside", "inside", 2),
    (1, 1): ("snow_lying", "port", 2),
    (1, 2): ("snow_lying", "stern", 3),
    (2, 1): ("snow_lying", "port", 2),
    (2, 2): ("loose_band", "port", 2),
    (2, 5): ("loose_band", "bow", 1),
    (3, 6): ("damp_inside", "inside", 2),
}
"""By walk and boat. Seven of 24 inspections needed a hand: severity 2 or more."""
SCORES = {1: 0.95, 2: 0.80, 3: 0.62, 4: 0.45, 5: 0.30, 6: 0.10}
NAMES = {1: NASTY_NAME, 2: "Plum", 3: "Fig", 4: "Pear", 5: "Quince", 6: "Sloe"}


def seen(walk, number, found=None):
    """One inspection: boat 1 stands at the far end of the rows, boat 6 is the first; boat 3 is the flattest."""
    at = START + timedelta(days=WALK_DAYS[walk], minutes=20 * number)
    visit = Inspection(f"{walk}-{number}", number, at, at, "Ida", True)
    new = (Finding(f"f{walk}-{number}", visit.id, found[1], found[0], found[2], at),) if found else ()
    boat = Boat(f"{number:02}", NAMES[number], "sail", 9.0, 3.0, "stands", "A", 7 - number, 0.0, "exposed")
    score = SCORES[number]
    snow = 0.1 * number + 0.05 * walk
    reasons = (Reason("snow", score, snow, "kPa", None, "", None, 0.0, ""),)
    rank = sorted(SCORES, key=lambda n: -SCORES[n]).index(number) + 1
    line = RankedCover(number, boat.number, rank, score, "", reasons, None)
    slope = 8.0 if number == 3 else 20.0
    build = CoverBuild(START, ridge_rise_m=1.5, flattest_slope_deg=slope, vent_count=2 + number % 2, vent_area_m2=0.01)
    cover = Cover(boat, START.date(), (build,), id=number)
    return Replayed(visit, walk, line, cover, 6, 6 - number, float(number), slope, Brought(new, ()))


def season(found=FOUND, walks=(0, 1, 2, 3)):
    return [seen(walk, number, found.get((walk, number))) for walk in walks for number in SCORES]


def review_of(replayed=None, yard=YARD, **other):
    actions = [Action("a", 2, START + timedelta(days=46), START + timedelta(days=46), "Ida", "retensioned_band")]
    values = {"start": START, "until": UNTIL, "version": "0.0.test", "parameters": ReviewParameters(repeats=40)}
    return review(yard, season() if replayed is None else replayed, actions, **{**values, **other})


def calibration_of(found):
    curves = RankingParameters().curves
    return calibrate(evidence_of(found.replayed, tuple(curves), found.threshold), curves, threshold=found.threshold)


WALKS = (
    WalkDone(START + timedelta(days=10), Share(5, 6), 1, 0),
    WalkDone(START + timedelta(days=40), Share(3, 4), 0, 2),
)


def content_of(found=None, walks=WALKS):
    found = review_of() if found is None else found
    return season_content(found, calibration_of(found), RankingParameters().curves, walks)


@cache
def content():
    """The season in words; nobody changes it."""
    return content_of()


def document(one=None, yard=YARD):
    return season_review(
        yard,
        content() if one is None else one,
        as_of=UNTIL,
        data_age_h=1.0,
        version="0.0.test",
        credits=("Invented weather, https://weather.example.org/.",),
        not_assessed=("ice",),
    )
