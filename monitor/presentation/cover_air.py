"""What a cover's page says of the air under it: openings, ground, damp hours, mould index."""

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.assessment import YardAssessment
from monitor.hazards.alike import distinct_covers
from monitor.hazards.cover_air import AirParameters
from monitor.hazards.mould import SENSITIVITIES, MouldParameters, mould_index
from monitor.hazards.series import CoverSeries
from monitor.register import Cover, CoverBuild
from monitor.units import NOT_KNOWN, show_area
from monitor.wording import local_text, plain_word

MATERIALS = {
    "very_sensitive": "bare wood, cotton",
    "sensitive": "plywood, cushions, canvas",
    "medium_resistant": "paint, vinyl",
    "resistant": "gelcoat, glass, metal",
}
"""What stands on a boat for each class of the mould index, by our own judgement."""

_TOGETHER = 100
"""Covers whose mould index is computed at a time, so that memory stays bounded."""


def opening_rows(build: CoverBuild, units: str) -> list[tuple[str, str]]:
    """Vents, all openings and ground of a build, with what the model takes where nobody recorded it."""
    chosen = AirParameters()
    recorded = build.vent_area_m2 is not None
    each_m2 = chosen.vent_m2 if build.vent_area_m2 is None else build.vent_area_m2
    vents = f"{build.vent_count}"
    if build.vent_count:
        area = show_area(each_m2, units)
        vents += f", {area} free area each" if recorded else f", free area not recorded, taken as {area} each"
    whole = show_area(build.vent_count * each_m2 + chosen.leak_m2, units)
    ground = plain_word(build.ground)
    return [
        ("vents", vents),
        ("all openings", f"{whole}, of it {show_area(chosen.leak_m2, units)} taken for gaps at the band"),
        ("ground under the boat", f"{ground}; {chosen.wet_ground[build.ground] * 100:.0f} % of it taken as wet"),
    ]


def air_rows(assessment: YardAssessment, series: CoverSeries, cover: Cover) -> list[tuple[str, str]]:
    """Damp and condensation hours since the last look inside or vent change; nothing where damp is not assessed."""
    if "damp" in assessment.not_assessed or cover.id not in series.cover_ids:
        return []
    column = series.cover_ids.index(cover.id)
    since = assessment.clocks[cover.id].looked_inside_at
    first = int(series.hour_ending.searchsorted(pd.Timestamp(since), side="right"))
    humidity = series.inside_rh_pct[first:, column]
    known = ~np.isnan(humidity)
    rows = [(f"counted since {_what(cover, since)}", local_text(since, assessment.yard.time_zone, year=True))]
    if not known.any():
        return [*rows, ("damp hours", f"{NOT_KNOWN}: nobody knows the weather of its {len(known)} h")]
    unknown = "" if known.all() else f"; {int((~known).sum())} h more are unknown"
    return [
        *rows,
        ("damp hours", _share_text(series.damp[first:, column], known) + unknown),
        ("condensation hours", _share_text(series.condensation[first:, column], known)),
        (
            "relative humidity inside",
            f"{humidity[known].mean():.0f} % on average, {humidity[known].max():.0f} % at most",
        ),
    ]


def mould_indices(series: CoverSeries, since_wrapping: Mapping[int, int]) -> dict[int, dict[str, tuple[float, float]]]:
    """Mould index of each class at the last known hour and at its highest, by cover, from a clean boat at its wrapping.

    ``since_wrapping`` gives the row of each cover's first hour; covers without a known hour are left out.
    """
    ids = [cover_id for cover_id in since_wrapping if cover_id in series.cover_ids]
    if not ids or not len(series.hour_ending):
        return {}
    columns = [series.cover_ids.index(cover_id) for cover_id in ids]
    wrapped = np.arange(len(series.hour_ending))[:, None] >= np.array([since_wrapping[cover_id] for cover_id in ids])
    inside = {
        "temperature": np.where(wrapped, series.inside_temperature_c[:, columns], np.nan),
        "humidity": np.where(wrapped, series.inside_rh_pct[:, columns], np.nan),
    }
    first, place = distinct_covers(inside)
    unknown = np.isnan(inside["temperature"]) | np.isnan(inside["humidity"])
    hours_known = np.count_nonzero(~unknown, axis=0)
    last = {name: np.full(len(first), np.nan) for name in SENSITIVITIES}
    highest = {name: np.full(len(first), np.nan) for name in SENSITIVITIES}
    for start in range(0, len(first), _TOGETHER):
        block = first[start : start + _TOGETHER]
        for name in SENSITIVITIES:
            index = mould_index(inside["temperature"][:, block], inside["humidity"][:, block], name, MouldParameters())
            last[name][start : start + _TOGETHER] = _last_known(index)
            highest[name][start : start + _TOGETHER] = np.fmax.reduce(index, axis=0)
    return {
        cover_id: {name: (float(last[name][place[i]]), float(highest[name][place[i]])) for name in SENSITIVITIES}
        for i, cover_id in enumerate(ids)
        if hours_known[i]
    }


def mould_rows(indices: Mapping[str, tuple[float, float]]) -> list[tuple[str, str]]:
    """The index of each class now and at its highest, the most sensitive first."""
    return [(MATERIALS[name], f"{now:.2f} now, {highest:.2f} at most") for name, (now, highest) in indices.items()]


def _last_known(index: NDArray[np.float64]) -> NDArray[np.float64]:
    known = ~np.isnan(index)
    row = len(index) - 1 - known[::-1].argmax(axis=0)
    last: NDArray[np.float64] = index[row, np.arange(index.shape[1])]
    return last


def _share_text(flags: NDArray[np.bool_], known: NDArray[np.bool_]) -> str:
    count, of = int(flags[known].sum()), int(known.sum())
    return f"{count} of {of} known h ({count / of * 100:.0f} %)"


def _what(cover: Cover, since: datetime) -> str:
    return "its wrapping" if since == cover.builds[0].built_at else "the last look inside or vent change"
