"""``stormwalk calibrate``: the yard's curves fitted to its own inspections, to look at first and then to accept."""

import sqlite3
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.inputs import json_option, now, print_json, print_rows, the_yard, with_database, yard_option

if TYPE_CHECKING:
    from monitor.evaluation.calibration import Calibration, FittedCurve


@click.command("calibrate")
@yard_option
@click.option(
    "--hazard", "hazards", multiple=True, metavar="HAZARD", help="Fit this one alone; repeat for more. Default: all."
)
@click.option("--accept", is_flag=True, help="Make the fitted curves the yard's own from now on.")
@json_option
@with_database
def command(
    conn: sqlite3.Connection, yard_key: str | None, hazards: tuple[str, ...], accept: bool, as_json: bool
) -> None:
    """Fit the curves that turn exposures into scores to what inspections found.

    An inspection that found nothing counts too. Shown are each curve before and fitted, with 95 % intervals; few
    inspections move a curve little. Nothing changes until --accept, and "yard curves --set" undoes that.

    Example: stormwalk calibrate --hazard snow --hazard gust
    """
    from monitor.operations import calibration as operations

    yard = the_yard(conn, yard_key)
    moment = now()
    found = operations.calibrate_yard(conn, yard, until=moment, hazards=hazards)
    done = operations.accept(conn, yard, found, until=moment, now=moment) if accept else []
    if as_json:
        print_json({**as_plain(found), "accepted": done})
        return
    columns = {
        "hazard": "hazard",
        "unit": "unit",
        "before": "1 in 10, 1 in 2 before",
        "fitted": "fitted",
        "x50": "1 in 2, 95 % interval",
        "k": "steepness before, fitted, interval",
        "exposed": "inspections",
    }
    print_rows(columns, [_row(curve) for curve in found.curves], as_json=False)
    click.echo()
    for sentence in found.sentences[: -1 if accept else None]:
        click.echo(sentence)
    for sentence in done:
        click.echo(sentence)


def as_plain(calibration: "Calibration") -> dict[str, Any]:
    """A calibration as JSON holds it; a log loss that cannot be had is None."""
    from monitor.ranking import HAZARDS

    def known(value: float) -> float | None:
        return value if value == value else None

    return {
        "inspections": calibration.inspections,
        "found": calibration.found,
        "threshold": calibration.threshold,
        "log_loss": {
            "before": known(calibration.log_loss_before),
            "fitted": known(calibration.log_loss_fitted),
            "held_out": known(calibration.log_loss_held_out),
        },
        "curves": [
            {
                "hazard": curve.hazard,
                "unit": HAZARDS[curve.hazard].unit,
                "before": {"x10": curve.prior.x10, "x50": curve.prior.x50, "k": curve.prior.steepness},
                "fitted": {"x10": curve.fitted.x10, "x50": curve.fitted.x50, "k": curve.fitted.steepness},
                "x50_interval": [curve.x50_low, curve.x50_high],
                "k_interval": [curve.steepness_low, curve.steepness_high],
                "inspections": curve.exposed,
                "left_because": curve.left_because or None,
            }
            for curve in calibration.curves
        ],
        "sentences": list(calibration.sentences),
    }


def _row(curve: "FittedCurve") -> dict[str, object]:
    from monitor.ranking import HAZARDS

    left = bool(curve.left_because)
    k_span = f"{curve.steepness_low:.2f} to {curve.steepness_high:.2f}"
    return {
        "hazard": curve.hazard,
        "unit": HAZARDS[curve.hazard].unit,
        "before": f"{curve.prior.x10:.3g}, {curve.prior.x50:.3g}",
        "fitted": "left" if left else f"{curve.fitted.x10:.3g}, {curve.fitted.x50:.3g}",
        "x50": f"{curve.x50_low:.3g} to {curve.x50_high:.3g}",
        "k": f"{curve.prior.steepness:.2f}" + ("" if left else f", {curve.fitted.steepness:.2f}, {k_span}"),
        "exposed": curve.exposed,
    }
