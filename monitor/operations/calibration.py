"""A yard's curves fitted to its logged inspections, and stored once somebody accepts them."""

import sqlite3
from collections.abc import Sequence
from datetime import datetime, timedelta

from monitor.errors import RegisterError
from monitor.evaluation.calibration import Calibration, FittedCurve, calibrate, evidence_of
from monitor.evaluation.review import THRESHOLD
from monitor.operations.register import ranking_parameters, set_curve
from monitor.operations.review import replay_season
from monitor.ranking import HAZARDS, Curve, RankingParameters
from monitor.register import Yard
from monitor.store import rankings as ranking_store
from monitor.store import register as register_store
from monitor.store.connection import write

FITTED = "fitted from "
"""Begins the reason of a curve that was fitted; it is never the prior of another fit to the same inspections."""


def calibrate_yard(
    conn: sqlite3.Connection,
    yard: Yard,
    *,
    until: datetime,
    hazards: Sequence[str] = (),
    threshold: int = THRESHOLD,
) -> Calibration:
    """Fit a yard's curves to all its inspections up to ``until`` (UTC); stores nothing.

    ``hazards`` are those to fit, all where none is named. Exposures are those known now of the time before each
    inspection: a curve says what an exposure does, and one fitted to what was not known in time would learn the gaps.
    The prior is the curve that somebody chose by hand, else the default; one fitted earlier is none, or the same
    inspections would count twice. Raises RegisterError for an unknown hazard, StormwalkError where no cover was on.
    """
    known = RankingParameters()
    if unknown := [hazard for hazard in hazards if hazard not in known.curves]:
        raise RegisterError(
            f"There is no curve for {unknown[0]!r}; expected one of {', '.join(known.curves)}. Nothing was fitted."
        )
    covers = register_store.all_covers(conn, yard.key)
    first = min((cover.builds[0].built_at for cover in covers), default=None)
    season = replay_season(conn, yard, until=until, start=first, hindsight=True, inspected_alone=True)
    evidence = evidence_of(season.replayed, tuple(known.curves), threshold)
    return calibrate(evidence, _chosen_by_hand(conn, yard), threshold=threshold, only=hazards or None)


def accept(
    conn: sqlite3.Connection, yard: Yard, calibration: Calibration, *, until: datetime, now: datetime
) -> list[str]:
    """Make fitted curves the yard's own from now on; sentences of what was set and how to undo it.

    A curve that was left, or is in force already, is not stored.
    """
    in_force = ranking_parameters(conn, yard).curves
    changed = [c for c in calibration.curves if not c.left_because and c.fitted != in_force[c.hazard]]
    with write(conn):  # all or none
        for curve in changed:
            reason = _reason(calibration, curve, until)
            set_curve(conn, yard, curve.hazard, curve.fitted.x10, curve.fitted.x50, reason=reason, now=now)
    told, undo = [], []
    for curve in changed:
        current = in_force[curve.hazard]
        told.append(
            f"{HAZARDS[curve.hazard].label}: 1 in 10 at {curve.fitted.x10:.3g}, 1 in 2 at {curve.fitted.x50:.3g} "
            f"{HAZARDS[curve.hazard].unit} from now on; it was {current.x10:.3g} and {current.x50:.3g}."
        )
        undo.append(f"stormwalk yard curves --yard {yard.key} --set {curve.hazard} {current.x10!r} {current.x50!r}")
    if not told:
        return ["No curve is changed: none was fitted to other numbers than those in force."]
    return [*told, "To undo it:", *undo]


def _reason(calibration: Calibration, curve: FittedCurve, until: datetime) -> str:
    return (
        f"{FITTED}{calibration.inspections} inspections up to {until:%Y-%m-%d}, {calibration.found} of which found "
        f"something new of severity {calibration.threshold} or more; {curve.exposed} with this exposure"
    )


def _chosen_by_hand(conn: sqlite3.Connection, yard: Yard) -> dict[str, Curve]:
    """Each hazard's curve as somebody last set it, else the default: whatever was fitted is passed over."""
    yard_id = register_store.yard_id(conn, yard.key)
    curves = dict(RankingParameters().curves)
    for hazard, stored in ranking_store.curves(conn, yard_id).items():
        before: ranking_store.StoredCurve | None = stored
        while before is not None and before.reason.startswith(FITTED):
            earlier = before.recorded_at - timedelta(seconds=1)
            before = ranking_store.curves(conn, yard_id, earlier).get(hazard)
        if before is not None:
            curves[hazard] = Curve(before.x10, before.x50)
    return curves
