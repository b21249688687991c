"""The walk sheet: for each party its way, what to look at on each cover and why, tools, and boxes to write in."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from markupsafe import Markup

from monitor.clocks import OpenEntry
from monitor.documents.page import About, render
from monitor.documents.qr import checked_base_url, inspection_address, qr_code
from monitor.documents.tools import Tool, tools_for
from monitor.inspections import SEVERITIES, STAND_DEFECTS, Inspection
from monitor.ranking import STAND_CREW, Reason
from monitor.register import Boat, Yard
from monitor.walks.plan import FIRST, LeftOut, PartyRound, PlannedStop, WalkPlan
from monitor.wording import OWN_JUDGEMENT, berth_text, defect_text, local_text, reason_text

REASONS_SHOWN = 3
"""Reasons under each cover, the weightiest first; the boat's page has all of them."""

FINDINGS_SHOWN = 5
"""Open findings under each cover, worst first; the rest are counted. Stand defects are always all shown."""

LONGEST_NOTE = 160
"""Characters of a finding's note; the log has the whole."""

LEFT_OUT_SHOWN = 30
"""Covers listed as left out, worst first; the rest, and those without a call, are counted."""

NO_CALL = "no call"

WHAT = (
    "The order in which to look at the covers after the weather, what to check on each and why, and boxes to write "
    "what you find. Log it afterwards: also that all was sound."
)

NO_ADDRESS = (
    "No QR codes: it was not said where the web app is reached. Give its address with --base-url, and each cover gets "
    "a code that opens its inspection form."
)

FOOT_M = 0.3048


@dataclass(frozen=True)
class SheetLine:
    """One cover of the walk: the boat, why it is looked at, what is open there, and who has looked since the ranking.

    ``reasons`` are the ranking's, weightiest first; ``open_findings`` are as of the log's moment, worst first.
    """

    boat: Boat
    reasons: tuple[Reason, ...] = ()
    open_findings: tuple[OpenEntry, ...] = ()
    inspected_since: Inspection | None = None


@dataclass(frozen=True)
class _Check:
    """What to look at, and why."""

    what: str
    why: str


@dataclass(frozen=True)
class _Stop:
    """One cover as the sheet shows it."""

    number: int
    boat: str
    name: str
    berth: str
    call: str
    score: str
    arrive: str
    minutes: str
    way: str
    stand_crew: str
    seen: str
    findings: tuple[str, ...]
    checks: tuple[_Check, ...]
    address: str
    qr: Markup | str


@dataclass(frozen=True)
class _Party:
    """One party's sheet."""

    names: str
    start: str
    finish: str
    way: str
    stops: tuple[_Stop, ...]
    tools: tuple[Tool, ...]
    stand_boats: tuple[str, ...]


def walk_sheet(
    yard: Yard,
    plan: WalkPlan,
    lines: Sequence[SheetLine],
    *,
    version: str,
    data_age_h: float | None,
    log_as_of: datetime,
    credits: tuple[str, ...] = (),
    remarks: tuple[str, ...] = (),
    base_url: str | None = None,
    no_address: str = NO_ADDRESS,
) -> str:
    """HTML of a walk's sheet, one part a party.

    Parameters
    ----------
    plan : WalkPlan
        With the rounds that are to be shown.
    lines : sequence of SheetLine
        The boats of the plan, those left out too. A boat without a line is shown by its number alone, and the sheet
        says that nothing more is known of it.
    data_age_h : float or None
        Age of the newest weather hour at the ranking; None where no weather was known. [h]
    log_as_of : datetime
        The moment up to which ``open_findings`` and ``inspected_since`` were read. [UTC]
    credits, remarks
        What the weather's licences ask for; sentences beside what is modelled.
    base_url : str, optional
        Where the web app is reached. Without it there are no QR codes, and the sheet says why in ``no_address``.

    Raises
    ------
    StormwalkError
        ``base_url`` is none.
    """
    known = {line.boat.number: line for line in lines}
    base = None if base_url is None else checked_base_url(base_url)
    called_out = sorted((one for one in plan.left_out if one.call != NO_CALL), key=lambda one: -one.score)
    about = About(
        title=f"Walk sheet: {yard.name}",
        what=WHAT,
        yard=yard,
        as_of=plan.as_of,
        data_age_h=data_age_h,
        version=version,
        credits=credits,
        remarks=(*remarks, "What to take along is our own judgement too, from the reasons and open findings."),
        basis=f"{OWN_JUDGEMENT} Findings and inspections are what people saw and wrote down.",
    )
    return render(
        "walk_sheet.html",
        about,
        plan=plan,
        facts=_facts(plan, yard, log_as_of),
        parties=[_party(each, plan, known, yard, base) for each in plan.rounds],
        left_out=[_left_out_row(entry, known) for entry in called_out[:LEFT_OUT_SHOWN]],
        left_out_besides=_more_left_out(len(called_out[LEFT_OUT_SHOWN:]), len(plan.left_out) - len(called_out)),
        first_left_out=[entry.boat for entry in plan.left_out if entry.call == FIRST],
        no_address="" if base is not None else no_address,
        start=local_text(plan.start, yard.time_zone),
        stand_crew=STAND_CREW,
        small_unit="in" if yard.display_units == "us" else "cm",
    )


def _facts(plan: WalkPlan, yard: Yard, log_as_of: datetime) -> list[tuple[str, str]]:
    zone = yard.time_zone
    day = local_text(plan.start, zone)
    return [
        ("Start", day),
        ("Latest finish", clock_text(plan.latest_finish, plan.start, zone)),
        ("Sunrise", clock_text(plan.sunrise, plan.start, zone)),
        ("Sunset", clock_text(plan.sunset, plan.start, zone)),
        ("Covers", str(sum(len(each.stops) for each in plan.rounds))),
        ("Share of the total score covered", f"{plan.covered_share:.0%}"),
        ("Findings as of", local_text(log_as_of, zone)),
    ]


def _party(party: PartyRound, plan: WalkPlan, known: dict[str, SheetLine], yard: Yard, base_url: str | None) -> _Party:
    stops = tuple(
        _stop(number, stop, known.get(stop.boat), plan, yard, base_url) for number, stop in enumerate(party.stops, 1)
    )
    lines = [known[stop.boat] for stop in party.stops if stop.boat in known]
    return _Party(
        names=_names(party.names),
        start=clock_text(plan.start, plan.start, yard.time_zone),
        finish=clock_text(party.finish, plan.start, yard.time_zone),
        way=way_text(party.walked_m, yard.display_units),
        stops=stops,
        tools=tools_for(
            {line.boat.number: {reason.hazard: reason.p for reason in _shown(line.reasons)} for line in lines},
            {line.boat.number: [entry.finding.defect for entry in line.open_findings] for line in lines},
        ),
        stand_boats=tuple(stop.boat for stop in stops if stop.stand_crew),
    )


def _stop(
    number: int, stop: PlannedStop, line: SheetLine | None, plan: WalkPlan, yard: Yard, base_url: str | None
) -> _Stop:
    zone, units = yard.time_zone, yard.display_units
    line_known = line is not None
    entries = line.open_findings if line is not None else ()
    reasons = line.reasons if line is not None else ()
    since = line.inspected_since if line is not None else None
    stands = [entry for entry in entries if entry.finding.defect in STAND_DEFECTS]
    others = [entry for entry in entries if entry.finding.defect not in STAND_DEFECTS]
    findings = [_finding_text(entry, zone) for entry in others[:FINDINGS_SHOWN]]
    if len(others) > FINDINGS_SHOWN:
        findings.append(f"and {len(others) - FINDINGS_SHOWN} more, less severe or newer: see the log")
    checks = [_Check(reason.check, reason_text(reason, zone, units)) for reason in _shown(reasons)]
    if not line_known:
        checks = [_Check("everything", "nothing more is known of this boat: it has no cover in the ranking")]
    address = "" if base_url is None else inspection_address(base_url, yard.key, stop.boat)
    return _Stop(
        number=number,
        boat=stop.boat,
        name=line.boat.name if line is not None else "",
        berth=berth_text(line.boat) if line is not None else "",
        call=stop.call,
        score=f"{stop.score:.2f}",
        arrive=clock_text(stop.arrive, plan.start, zone),
        minutes=f"{stop.minutes:.0f}",
        way=way_text(stop.walk_m, units),
        stand_crew="; ".join(_finding_text(entry, zone) for entry in stands),
        seen="" if since is None else f"{local_text(since.inspected_at, zone)} by {since.inspector}",
        findings=tuple(findings),
        checks=tuple(checks),
        address=address,
        qr=qr_code(address, f"QR code: inspection form of boat {stop.boat}") if address else "",
    )


def _shown(reasons: Sequence[Reason]) -> list[Reason]:
    """The weightiest reasons; that of an open finding is left to the findings themselves."""
    return [reason for reason in reasons if reason.hazard != "open_finding"][:REASONS_SHOWN]


def _finding_text(entry: OpenEntry, zone: str) -> str:
    finding = entry.finding
    note = textwrap.shorten(finding.note, LONGEST_NOTE, placeholder=" ...")
    said = f"{defect_text(finding.defect, finding.place)}, {finding.severity} {SEVERITIES[finding.severity]}"
    seen = f"seen {local_text(entry.seen_at, zone)} by {entry.inspection.inspector}"
    return f"{said}, {seen}: {note}" if note else f"{said}, {seen}"


def _left_out_row(entry: LeftOut, known: dict[str, SheetLine]) -> dict[str, str]:
    line = known.get(entry.boat)
    return {
        "boat": entry.boat,
        "name": "" if line is None else line.boat.name,
        "berth": "" if line is None else berth_text(line.boat),
        "call": entry.call,
        "score": f"{entry.score:.2f}",
        "why": entry.why,
    }


def _more_left_out(called: int, uncalled: int) -> str:
    """How many covers are left out besides those listed."""
    parts = [f"{called} more with lower scores"] * bool(called) + [f"{uncalled} without a call"] * bool(uncalled)
    return f"Not listed: {' and '.join(parts)}." if parts else ""


def clock_text(moment: datetime | None, start: datetime, zone: str) -> str:
    """A time of the walk's day as ``09:40``; with its day and zone where either is another than the start's."""
    if moment is None:
        return ""
    there, begin = (one.astimezone(ZoneInfo(zone)) for one in (moment, start))
    same = there.date() == begin.date() and there.utcoffset() == begin.utcoffset()
    return f"{there:%H:%M}" if same else local_text(moment, zone)


def _names(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def way_text(way_m: float, units: str) -> str:
    """A way on foot, in whole feet or metres."""
    return f"{way_m / FOOT_M:.0f} ft" if units == "us" else f"{way_m:.0f} m"
