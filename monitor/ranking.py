"""From what each cover has been through to an ordered list: score, call and reasons. Pure functions.

The curves and weights here are our own judgement, not a published rule; every page that shows a ranking says so.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.hazards.exposure import Exposure

Floats = NDArray[np.float64]

_UTC_FORMAT = "%Y-%m-%dT%H:%M:%SZ"


@dataclass(frozen=True)
class Hazard:
    """One way in which weather or neglect makes a cover need a hand.

    ``check`` is what to look at because of it, ``before`` what to do while it is only forecast; empty where the weather
    to come changes nothing about it.
    """

    name: str
    label: str
    exposure: str
    unit: str
    check: str
    before: str = ""


HAZARDS: dict[str, Hazard] = {
    hazard.name: hazard
    for hazard in (
        Hazard(
            "snow",
            "snow load",
            "peak snow load on the flattest part since the last inspection",
            "kPa",
            "snow still lying, sag between straps, posts upright, ridge strap tight",
            "push off what snow lies there, from the ground; see that posts stand and the ridge strap is tight",
        ),
        Hazard(
            "pocket",
            "pocket water",
            "water that a pocket on the flattest part can hold now",
            "mm",
            "standing water in low panels, film stretched into a bag",
            "drain what stands in low panels, and free the way for what is to run off",
        ),
        Hazard(
            "gust",
            "gust",
            "highest gust pressure across the cover since the last inspection",
            "Pa",
            "perimeter band and welds on the windward side, pleats, tears, vents in place",
            "tighten the perimeter band, most on the windward side; tape open welds, pleats and tears",
        ),
        Hazard(
            "slack",
            "slack",
            "gust work since the last re-tensioning, by belly band spacing",
            "kPa h",
            "perimeter band slipped from its line, belly bands loose, film flapping",
            "snug belly bands and perimeter band: what flaps now works looser",
        ),
        Hazard(
            "freeze_thaw",
            "freeze-thaw",
            "freeze-thaw cycles since the last inspection",
            "cycles",
            "welds and taped patches, blocking and stands seen from a distance",
            "tape welds that stand open; drain what would freeze in pockets",
        ),
        Hazard(
            "ice",
            "ice",
            "ice from freezing rain since the last inspection",
            "mm",
            "ice lying on panels and straps; look from the ground, stand clear of its fall",
            "clear the vents; close off where ice will fall, and leave it to fall by itself",
        ),
        Hazard(
            "damp",
            "damp",
            "hours at 80 % relative humidity or more above freezing inside, since the last look inside or vent change",
            "h",
            "inside: wet surfaces, musty smell, vents open and not iced over",
            "open and clear the vents, close the door",
        ),
        Hazard(
            "unseen",
            "unseen",
            "days since the last inspection",
            "d",
            "everything: walk round once, band, belly bands, welds, vents, stands from a distance",
        ),
        Hazard(
            "open_finding",
            "open finding",
            "worst open finding",
            "severity",
            "whether the finding has grown, and what it needs",
            "put right first what is open",
        ),
    )
}


STAND_CREW = "for the yard's stand crew alone: keep clear, touch no stand, tell them now"
"""What to do about an open stand defect, in place of what to check."""


@dataclass(frozen=True)
class Curve:
    """Chance that a cover needs a hand against its exposure: 1 in 10 at ``x10``, 1 in 2 at ``x50``.

    p(x) = 1 / (1 + (x50/x)^k) with p(0) = 0; the two numbers give k = ln 9 / ln(x50/x10).
    """

    x10: float
    x50: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.x10) and math.isfinite(self.x50) and 0 < self.x10 < self.x50):
            raise ValueError(
                f"x10 {self.x10:g} and x50 {self.x50:g} are not a curve: 0 < x10 < x50 is expected, because x10 is the "
                f"exposure at which 1 in 10 covers need a hand and x50 the one at which 1 in 2 do"
            )

    @property
    def steepness(self) -> float:
        """k, the slope of the log-odds against the logarithm of the exposure."""
        return math.log(9.0) / math.log(self.x50 / self.x10)

    def probability(self, exposure: Floats) -> Floats:
        """p of each exposure, same shape; 0 at or below zero and where the exposure is NaN."""
        known = np.nan_to_num(np.asarray(exposure, dtype=float), nan=0.0)
        p: Floats = np.zeros_like(known)
        positive = known > 0
        with np.errstate(over="ignore"):
            p[positive] = 1.0 / (1.0 + (self.x50 / known[positive]) ** self.steepness)
        return p


def _default_curves() -> dict[str, Curve]:
    return {
        "snow": Curve(0.15, 0.50),
        "pocket": Curve(6.0, 20.0),
        "gust": Curve(150.0, 400.0),
        "slack": Curve(4.0, 20.0),
        "freeze_thaw": Curve(15.0, 60.0),
        "ice": Curve(4.0, 12.0),
        "damp": Curve(150.0, 700.0),
        "unseen": Curve(14.0, 60.0),
    }


@dataclass(frozen=True)
class RankingParameters:
    """What we chose ourselves, to be calibrated with logged inspections. A yard may edit the curves.

    ``finding_p`` is p of the worst open severity; ``missing_weight`` is p added by a hazard of which nothing is known;
    ``calls`` are the lowest scores of each call, highest first.
    """

    curves: Mapping[str, Curve] = field(default_factory=_default_curves)
    finding_p: Mapping[int, float] = field(default_factory=lambda: {0: 0.0, 1: 0.15, 2: 0.50, 3: 0.95})
    missing_weight: float = 0.1
    calls: tuple[tuple[str, float], ...] = (("walk first", 0.60), ("walk today", 0.35), ("this week", 0.15))
    lowest_call: str = "no call"

    def call(self, score: float) -> str:
        """The call of a score."""
        return next((name for name, lowest in self.calls if score >= lowest), self.lowest_call)


@dataclass(frozen=True)
class OpenFinding:
    """The worst open finding of a cover, as the ranking shows it."""

    severity: int
    seen_at: datetime
    what: str
    source: str
    for_stand_crew: bool = False


@dataclass(frozen=True)
class Reason:
    """Why a cover stands where it stands: one hazard with the number behind it."""

    hazard: str
    p: float
    value: float | None
    unit: str
    hour_ending: datetime | None
    source: str
    threshold: dict[str, float] | None
    missing_share: float
    check: str
    note: str = ""

    @property
    def weight(self) -> float:
        """Share in the score on the scale on which hazards add up: -ln(1 - p)."""
        return -math.log1p(-min(self.p, 1 - 1e-12))


@dataclass(frozen=True)
class RankedCover:
    """One line of the list."""

    rank: int
    boat: str
    cover: int
    score: float
    call: str
    reasons: tuple[Reason, ...]
    data_age_h: float | None

    def as_row(self) -> dict[str, Any]:
        """The line as plain values, complete: what is kept in the database and read back by `ranked_from_row`."""
        row = asdict(self)
        for reason in row["reasons"]:
            moment = reason["hour_ending"]
            reason["hour_ending"] = None if moment is None else moment.strftime(_UTC_FORMAT)
        row["reasons"] = list(row["reasons"])
        return row

    def as_json(self) -> dict[str, Any]:
        """The line with the documented keys and no others; a reason's note stands behind what to check."""
        row = self.as_row()
        for reason in row["reasons"]:
            note = reason.pop("note")
            if note:
                reason["check"] = f"{reason['check']} ({note})"
        return row


def ranked_from_row(row: Mapping[str, Any]) -> RankedCover:
    """A line as it was before `RankedCover.as_row`."""
    reasons = []
    for plain in row["reasons"]:
        moment = plain["hour_ending"]
        hour_ending = None if moment is None else datetime.strptime(moment, _UTC_FORMAT).replace(tzinfo=UTC)
        reasons.append(Reason(**{**plain, "hour_ending": hour_ending}))
    return RankedCover(**{**row, "reasons": tuple(reasons)})


def with_missing(p: Floats, missing_share: Floats, weight: float) -> Floats:
    """p raised for the share of hours that nobody knows: 1 - (1 - p)(1 - weight * share). Never below p."""
    return 1.0 - (1.0 - p) * (1.0 - weight * np.clip(missing_share, 0.0, 1.0))


def rank_covers(
    boats: Sequence[str],
    cover_ids: Sequence[int],
    exposures: Sequence[Exposure],
    open_findings: Mapping[int, OpenFinding],
    data_age_h: float | None,
    parameters: RankingParameters,
) -> list[RankedCover]:
    """Rank covers by score = 1 - product over hazards of (1 - p); ties by boat number, then cover.

    Parameters
    ----------
    boats, cover_ids : sequence, length C
        Yard's number of each boat, and the cover's id.
    exposures : sequence of Exposure
        One for each hazard that was assessed; a hazard left out is not assessed and adds nothing.
    open_findings : mapping
        Worst open finding by cover id.
    data_age_h : float or None
        Age of the newest weather hour at the moment of the ranking; None where there is none. [h]
    parameters : RankingParameters

    Returns
    -------
    list of RankedCover
        Highest score first; reasons with the largest share first.
    """
    reasons: list[list[Reason]] = [[] for _ in cover_ids]
    for exposure in exposures:
        _add_reasons(reasons, exposure, parameters)
    lines = []
    for boat, cover_id, of_cover in zip(boats, cover_ids, reasons, strict=True):
        finding = open_findings.get(cover_id)
        if finding is not None and finding.severity > 0:
            of_cover.append(_finding_reason(finding, parameters))
        of_cover.sort(key=lambda reason: (-reason.weight, reason.hazard))
        score = -math.expm1(-math.fsum(reason.weight for reason in of_cover))
        lines.append((score, boat, cover_id, tuple(of_cover)))
    lines.sort(key=lambda line: (-line[0], boat_order(line[1]), line[2]))
    return [
        RankedCover(rank, boat, cover_id, score, parameters.call(score), of_cover, data_age_h)
        for rank, (score, boat, cover_id, of_cover) in enumerate(lines, start=1)
    ]


def boat_order(number: str) -> tuple[int, int, str]:
    """Sorting key of a yard's boat numbers: plain numbers by size, then everything else as text."""
    return (0, int(number), number) if number.isdecimal() else (1, 0, number)


def _add_reasons(reasons: list[list[Reason]], exposure: Exposure, parameters: RankingParameters) -> None:
    hazard = HAZARDS[exposure.hazard]
    curve = parameters.curves[exposure.hazard]
    p = with_missing(curve.probability(exposure.value), exposure.missing_share, parameters.missing_weight)
    threshold = {"one_in_ten": curve.x10, "one_in_two": curve.x50}
    moments = _datetimes(exposure.hour_ending)
    for i in np.flatnonzero(p > 0).tolist():
        value = float(exposure.value[i])
        reasons[i].append(
            Reason(
                hazard=hazard.name,
                p=float(p[i]),
                value=None if math.isnan(value) else value,
                unit=hazard.unit,
                hour_ending=moments[i],
                source=exposure.source[i],
                threshold=threshold,
                missing_share=float(exposure.missing_share[i]),
                check=hazard.check,
                note=exposure.note[i],
            )
        )


def _finding_reason(finding: OpenFinding, parameters: RankingParameters) -> Reason:
    hazard = HAZARDS["open_finding"]
    return Reason(
        hazard=hazard.name,
        p=parameters.finding_p[finding.severity],
        value=float(finding.severity),
        unit=hazard.unit,
        hour_ending=finding.seen_at,
        source=finding.source,
        threshold=None,
        missing_share=0.0,
        check=STAND_CREW if finding.for_stand_crew else hazard.check,
        note=finding.what,
    )


def _datetimes(moments: NDArray[np.datetime64]) -> list[datetime | None]:
    plain: list[datetime | None] = moments.astype("datetime64[s]").tolist()
    return [None if moment is None else moment.replace(tzinfo=UTC) for moment in plain]
