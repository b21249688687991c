"""An invented walk with everything a sheet can show, put together by hand."""

from datetime import UTC, datetime, timedelta

from monitor.clocks import OpenEntry
from monitor.documents.walk_sheet import SheetLine, walk_sheet
from monitor.inspections import Finding, Inspection
from monitor.ranking import HAZARDS, STAND_CREW, Reason
from monitor.register import Boat, Yard
from monitor.walks.plan import PartyRound, PlannedStop, WalkPlan

YARD = Yard(
    key="tarn",
    name="Tarn Slip",
    latitude_deg=54.4,
    longitude_deg=-2.9,
    elevation_m=40.0,
    time_zone="Europe/London",
)
AS_OF = datetime(2026, 1, 10, 6, tzinfo=UTC)
START = datetime(2026, 1, 10, 8, 30, tzinfo=UTC)
NAMES = ("Kestrel", "Curlew of the Far Northern Isles", "Wren", "Dunlin", "Ouzel", "Teal", "Plover", "Knot")
BASE_URL = "https://tarn.example.org"


def boat(number, name, **other):
    fields = {
        "boat_type": "sail",
        "length_m": 9.0,
        "beam_m": 3.0,
        "support": "stands",
        "row": "B",
        "place": int(number[-1]),
    }
    return Boat(number=number, name=name, **{**fields, "heading_deg": 0.0, "shelter": "exposed", **other})


def reason(hazard, p, value, note="", check=None):
    return Reason(
        hazard=hazard,
        p=p,
        value=value,
        unit=HAZARDS[hazard].unit,
        hour_ending=AS_OF - timedelta(hours=5),
        source="metar-archive:observed",
        threshold=None if hazard in ("open_finding",) else {"one_in_ten": 0.15, "one_in_two": 0.5},
        missing_share=0.04,
        check=HAZARDS[hazard].check if check is None else check,
        note=note,
    )


def entry(defect, place, severity, *, note="", inspector="Ida", key="f"):
    seen = AS_OF - timedelta(days=3)
    visit = Inspection(f"i-{key}", 1, seen, seen, inspector, inside=False)
    return OpenEntry(Finding(key, visit.id, place, defect, severity, seen, note), visit)


def lines_of(count=8):
    """Covers 01 to 0N: all have three reasons; the first a stand that moved, the second a loose band and a tear."""
    lines = []
    for i in range(count):
        reasons = (reason("snow", 0.4, 0.42), reason("gust", 0.2, 265.0), reason("damp", 0.02, 60.0))
        found = ()
        if i == 0:
            found = (entry("stand_shifted", "port", 3, note="blocking has come out of line"),)
            reasons = (reason("open_finding", 0.95, 3.0, "stand shifted at port", STAND_CREW), *reasons)
        if i == 1:
            found = (
                entry("loose_band", "port", 2, note="aft of the second post"),
                entry("tear", "bow", 1, inspector="Sam", key="g"),
            )
        lines.append(SheetLine(boat(f"{i + 1:02d}", NAMES[i % len(NAMES)]), reasons, found))
    return lines


def plan_of(lines, parties=(("Ida", "Sam"),), *, left_out=(), notes=(), **other):
    """A plan that deals the covers out to the parties in turn, ten minutes each."""
    rounds = []
    for k, names in enumerate(parties):
        stops = [
            PlannedStop(
                boat=line.boat.number,
                call="walk first" if i == 0 else "walk today",
                score=max(0.97 - 0.05 * i, 0.05),
                arrive=START + timedelta(minutes=12 * i),
                minutes=10.0,
                walk_m=35.0,
            )
            for i, line in enumerate(lines[k :: len(parties)])
        ]
        finish = START + timedelta(minutes=12 * len(stops))
        rounds.append(PartyRound(names=names, stops=tuple(stops), walked_m=35.0 * len(stops), finish=finish))
    values = {
        "yard_key": YARD.key,
        "as_of": AS_OF,
        "start": START,
        "latest_finish": datetime(2026, 1, 10, 16, 11, tzinfo=UTC),
        "sunrise": datetime(2026, 1, 10, 8, 24, tzinfo=UTC),
        "sunset": datetime(2026, 1, 10, 16, 11, tzinfo=UTC),
        "rounds": tuple(rounds),
        "left_out": tuple(left_out),
        "covered_share": 0.874,
        "notes": tuple(notes),
    }
    return WalkPlan(**{**values, **other})


def sheet(lines=None, plan=None, *, yard=YARD, base_url=BASE_URL, **other):
    lines = lines_of() if lines is None else lines
    values = {
        "version": "0.0",
        "data_age_h": 1.0,
        "log_as_of": AS_OF,
        "credits": ("Invented weather, https://weather.example.org/.",),
    }
    return walk_sheet(yard, plan_of(lines) if plan is None else plan, lines, base_url=base_url, **{**values, **other})
