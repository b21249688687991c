"""A comparison put into words and rows: what became less and more, how sure that is, and what to measure. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

import numpy as np

from monitor.changes import Change
from monitor.hazards.panels import NO_DESIGN_CHECK
from monitor.register import Cover, belly_band_spacing_m
from monitor.reruns import QUANTITIES, SIDES, Quantity, Side, WeightOnCover
from monitor.units import NOT_KNOWN, DisplayUnit, display_unit, show_area, show_length, show_load, show_mass
from monitor.whatif import AS_RECORDED, Ahead, Comparison, Effect, Span, WhatIf
from monitor.wording import local_text, plain_word, utc_text

HARDLY_HELPS = 0.1
"""A further pair of vents that takes off less than this share of the hours left is said to do next to nothing."""

INPUTS_NAMED = 3


def unit_of(quantity: Quantity, units: str) -> DisplayUnit:
    """How a quantity is shown in a yard's units, ``metric`` or ``us``."""
    if quantity.kind in ("load", "water", "pressure"):
        return display_unit(quantity.kind, units)
    if quantity.kind == "load hours":
        load = display_unit("load", units)
        return DisplayUnit(f"{load.symbol} h", load.factor, 1)
    return DisplayUnit(quantity.unit, 1.0, 2 if quantity.kind in ("index", "score") else 0)


def number_text(value: float, quantity: Quantity, units: str, *, signed: bool = False) -> str:
    """A value without its unit: ``0.35``, with its sign where asked; a zero has none."""
    if np.isnan(value):
        return NOT_KNOWN
    unit = unit_of(quantity, units)
    shown = round(value * unit.factor, unit.decimals) + 0.0
    return f"{shown:{'+' if signed and shown else ''}.{unit.decimals}f}"


def span_text(span: Span, quantity: Quantity, units: str, *, signed: bool = False) -> str:
    """``331 (190 to 520)``; the number alone where no parameter set moves it."""
    low, default, high = (
        number_text(value, quantity, units, signed=signed) for value in (span.low, span.default, span.high)
    )
    return default if low == default == high else f"{default} ({low} to {high})"


def change_text(change: Change, cover: Cover, time_zone: str, units: str) -> str:
    """The change in a few words: ``8 vents instead of 4, ground dry instead of damp``."""
    build = cover.builds[-1]
    said = []
    if change.vents is not None:
        said.append(_instead(_vents(change.vents), str(build.vent_count), same=change.vents == build.vent_count))
    if change.vent_area_m2 is not None:
        was = "an unknown size" if build.vent_area_m2 is None else show_area(build.vent_area_m2, units)
        said.append(f"vents of {show_area(change.vent_area_m2, units)} instead of {was}")
    if change.ridge_raise_m is not None:
        said.append(f"the ridge {show_length(change.ridge_raise_m, units)} higher")
    if change.belly_spacing_m is not None:
        spacing = belly_band_spacing_m(build, cover.boat.length_m)
        was = "an unknown spacing" if spacing is None else show_length(spacing, units)
        said.append(f"belly bands every {show_length(change.belly_spacing_m, units)} instead of {was}")
    if change.ground is not None:
        ground = f"ground {plain_word(change.ground)}"
        said.append(_instead(ground, plain_word(build.ground), same=change.ground == build.ground))
    if change.film_colour is not None:
        film = f"film {change.film_colour}"
        said.append(_instead(film, str(build.film_colour), same=change.film_colour == build.film_colour))
    said += [f"bands re-tensioned {local_text(moment, time_zone)}" for moment in change.retensioned_at]
    said += [f"snow cleared {local_text(moment, time_zone)}" for moment in change.cleared_at]
    return ", ".join(said) or "nothing changed"


def _instead(now: str, was: str, *, same: bool) -> str:
    return f"{now} as before" if same else f"{now} instead of {was}"


def basis_text(found: WhatIf, time_zone: str) -> str:
    """From when to when, and from when on the changed build counts."""
    as_if = "as if it had been built so from the wrapping"
    if found.today is not None:
        as_if = (
            "both as if built so from the wrapping: before is the build of now, after the changed one, for the build "
            f"was changed during the season. As it was, each build in its time, it has score {found.today.score:.2f} "
            f"today, {found.today.call}"
        )
    if not found.change.of_build:
        as_if = "with the build as it was"
    elif found.change.since is not None:
        as_if = f"with the changed build from {local_text(found.change.since, time_zone)} on"
    return (
        f"Modelled from the wrapping, {local_text(found.wrapped_at, time_zone, year=True)}, up to "
        f"{local_text(found.as_of, time_zone, year=True)}, {as_if}. Nothing is stored."
    )


def comparison_rows(found: WhatIf, units: str) -> list[dict[str, str]]:
    """One row a quantity, the call last: ``what``, ``before``, ``after``, ``difference``, each with its range."""
    rows = []
    for one in found.comparisons:
        quantity = QUANTITIES[one.name]
        rows.append(
            {
                "what": _headed(quantity, units),
                "before": span_text(one.before, quantity, units),
                "after": span_text(one.after, quantity, units),
                "difference": span_text(one.difference, quantity, units, signed=True),
            }
        )
    same = found.calls["before"] == found.calls["after"]
    return [*rows, {"what": "call now", **found.calls, "difference": "the same" if same else "another"}]


def effect_shown(one: Comparison, units: str) -> Effect:
    """What the change does, as told in a yard's units: a difference that is printed as zero is hardly any."""
    printed = number_text(abs(one.difference.default), QUANTITIES[one.name], units)
    return "hardly" if one.effect in ("less", "more") and float(printed) == 0 else one.effect


def verdict(found: WhatIf, units: str) -> list[str]:
    """Plain sentences: what becomes less, what more, what hardly changes, what may go either way, and the call."""
    by_effect = {
        effect: [one for one in found.comparisons if effect_shown(one, units) == effect]
        for effect in ("less", "more", "hardly", "none", "unknown")
    }
    sentences = []
    if not by_effect["less"] and by_effect["unknown"]:
        sentences.append("Nothing that is known becomes noticeably less.")
    elif not by_effect["less"]:
        sentences.append("This change does not help: nothing that is counted here becomes noticeably less.")
    for effect, words in (("less", "Less"), ("more", "Worse")):
        if by_effect[effect]:
            sentences.append(f"{words}: {'; '.join(_moved(one, units) for one in by_effect[effect])}.")
    if by_effect["hardly"]:
        sentences.append(f"Hardly changed: {_labels(by_effect['hardly'])}.")
    if by_effect["none"] and len(by_effect["none"]) < len(found.comparisons):
        sentences.append("Everything else stays as it was.")
    elif by_effect["none"]:
        sentences.append("Nothing changes at all.")
    if by_effect["unknown"]:
        sentences.append(f"Not known, for want of weather: {_labels(by_effect['unknown'])}.")
    unsure = [one for one in (*by_effect["less"], *by_effect["more"]) if not one.certain]
    if unsure:
        sentences.append(f"Less or more by what is taken for the inputs: {_labels(unsure)}.")
    before, after = found.calls["before"], found.calls["after"]
    sentences.append(f"The call stays: {after}." if before == after else f"The call becomes {after}, from {before}.")
    return sentences


def influence_text(found: WhatIf) -> str:
    """Which inputs the differences hang on, and which to measure first; empty where nothing moves them."""
    if not found.influence:
        return ""
    named = found.influence[:INPUTS_NAMED]
    shares = ", ".join(f"{one.label} ({share:.0%})" for one, share in named)
    return (
        f"What matters most for these differences, each input moved alone: {shares}. Measure first: "
        f"{named[0][0].label} - {named[0][0].measure}."
    )


def ranges_text(found: WhatIf) -> str:
    """What the numbers in brackets are."""
    return (
        f"In brackets: lowest and highest of {len(found.sets)} parameter sets, {AS_RECORDED}, each input alone at its "
        f"kinder and harsher end, and all together; how far an input may be off is our own judgement. The index of "
        f"mould tells a risk, not mould that was seen."
    )


def vents_text(found: WhatIf) -> str:
    """What each further pair of vents takes off: a gain that gets less is said to."""
    hours = {count: values["condensation"] for count, values in found.vents.items()}
    pairs = range(2, max(hours) + 1, 2)
    gains = [f"{count - 2} to {count} vents {hours[count] - hours[count - 2]:+.0f} h" for count in pairs]
    told = f"Hours of condensation by further pairs of vents: {', '.join(gains)}."
    if any(np.isnan(hours[count]) for count in (0, *pairs)):
        return told
    little = vents_enough(found.vents)
    if not hours[0] > 0:
        return told
    if 0 < little < max(pairs):
        return f"{told} Beyond {little} vents each further pair takes off less than {HARDLY_HELPS:.0%} of what is left."
    shares = [gain_share(found.vents, count) for count in pairs]
    low, high = f"{min(shares):.0%}", f"{max(shares):.0%}"
    about = low if low == high else f"{low} to {high}"
    return f"{told} Each further pair still takes off about {about} of what is left."


def vents_enough(vents: Mapping[int, Mapping[str, float]]) -> int:
    """The count from which on every further pair takes off less than `HARDLY_HELPS`; the highest where none does."""
    helping = [count for count in range(2, max(vents) + 1, 2) if gain_share(vents, count) >= HARDLY_HELPS]
    return max(helping, default=0)


def gain_share(vents: Mapping[int, Mapping[str, float]], count: int) -> float:
    """Share of the hours of condensation that two vents fewer leave and this many take off; 0 where there are none."""
    left = vents[count - 2]["condensation"]
    return 0.0 if not left > 0 else (left - vents[count]["condensation"]) / left


def vent_rows(found: WhatIf) -> list[dict[str, float | int | None]]:
    """By number of vents: hours of condensation and damp hours, and what the last two vents took off each."""
    rows: list[dict[str, float | int | None]] = []
    for count, values in found.vents.items():
        fewer = found.vents.get(count - 2)
        row: dict[str, float | int | None] = {"vents": count}
        for name in ("condensation", "damp"):
            row[f"{name}_h"] = _known(values[name])
            row[f"{name}_gain_h"] = None if fewer is None else _known(fewer[name] - values[name])
        rows.append(row)
    return rows


def slope_rows(found: WhatIf) -> list[dict[str, float | int | None]]:
    """By slope of every panel: peak snow load [kPa], load summed over the hours [kPa h], hours with snow lying."""
    return [
        {
            "slope_deg": slope,
            "snow_peak_kpa": _known(values["snow_peak"]),
            "snow_load_hours_kpah": _known(values["snow_load_hours"]),
            "snow_h": _known(values["snow_hours"]),
        }
        for slope, values in found.slopes.items()
    ]


def slope_columns(units: str) -> dict[str, str]:
    """Headings of `slope_texts` in a yard's units."""
    headings = {name: unit_of(QUANTITIES[name], units).symbol for name in _BY_SLOPE}
    return {"slope": "slope deg"} | {name: f"{_BY_SLOPE[name]} {unit}" for name, unit in headings.items()}


def slope_texts(found: WhatIf, units: str) -> list[dict[str, str]]:
    """`slope_rows` for people."""
    return [
        {"slope": str(slope)} | {name: number_text(values[name], QUANTITIES[name], units) for name in _BY_SLOPE}
        for slope, values in found.slopes.items()
    ]


_BY_SLOPE = {"snow_peak": "peak load", "snow_load_hours": "load summed", "snow_hours": "snow lying"}


def ahead_rows(ahead: Ahead, units: str) -> list[dict[str, str]]:
    """What the season comes to with the forecast, before and after."""
    rows = []
    for name, quantity in QUANTITIES.items():
        texts = {str(side): number_text(ahead.values[side][name], quantity, units) for side in SIDES}
        rows.append({"what": _headed(quantity, units), **texts})
    return [*rows, {"what": "call then", **ahead.calls}]


def as_plain(found: WhatIf) -> dict[str, Any]:
    """The comparison as plain values for JSON, in SI units; what is not known is None."""
    boat, change = found.cover.boat, found.change
    given = {one.name: getattr(change, one.name) for one in fields(change)}
    return {
        "boat": boat.number,
        "boat_name": boat.name,
        "wrapped_at": utc_text(found.wrapped_at),
        "as_of": utc_text(found.as_of),
        "change": {name: _plain_value(value) for name, value in given.items() if value not in (None, ())},
        "quantities": [
            {
                "name": one.name,
                "label": QUANTITIES[one.name].label,
                "unit": QUANTITIES[one.name].unit,
                "before": _plain_span(one.before),
                "after": _plain_span(one.after),
                "difference": _plain_span(one.difference),
                "effect": one.effect,
                "one_sign_in_every_set": one.certain,
                "share_of_swing": dict(one.shares),
            }
            for one in found.comparisons
        ],
        "call": dict(found.calls),
        "before_is": "as_recorded" if found.today is None else "build_of_now_from_the_wrapping",
        "today": None if found.today is None else asdict(found.today),
        "verdict": verdict(found, "metric"),
        "inputs": [
            {"name": one.name, "label": one.label, "share": share, "measure": one.measure}
            for one, share in found.influence
        ],
        "vents": vent_rows(found),
        "slopes": slope_rows(found),
        "weight": {side: _plain_weight(weight) for side, weight in found.weights.items()},
        "parameter_sets": list(found.sets),
        "missing_share": dict(found.missing_shares),
        "measured_left_out": found.measured_left_out,
        "ahead": None if found.ahead is None else _plain_ahead(found.ahead),
    }


def weight_text(weights: Mapping[Side, WeightOnCover], time_zone: str, units: str) -> list[str]:
    """The heaviest hour before and after, what the posts take, and the stated cases."""
    sentences = []
    for side, weight in weights.items():
        if weight.peak_kg == 0 or weight.hour_ending is None:
            sentences.append(f"Weight on the cover {side}: none.")
            continue
        posts = f", at most {show_mass(max(weight.post_peak_kg), units)} on one post" if weight.post_peak_kg else ""
        sentences.append(
            f"Weight on the cover {side}: at most {show_mass(weight.peak_kg, units)}, "
            f"{local_text(weight.hour_ending, time_zone)}{posts} ({NO_DESIGN_CHECK})."
        )
    for case in weights["after"].cases:
        sentences.append(
            f"Stated factor, not modelled, {case.kind} at {case.panel} after: {case.factor:.2f} x "
            f"{show_load(case.on_kpa, units)} = {show_load(case.load_kpa, units)} ({case.basis})."
        )
    return sentences


def remarks(found: WhatIf) -> list[str]:
    """What a reader must know of the weather and the log behind the numbers."""
    said = []
    names = {"snow": "precipitation", "gust": "gust", "air": "what the air inside follows from"}
    gaps = [f"{names[name]} {share:.1%}" for name, share in found.missing_shares.items() if share > 0]
    if gaps:
        said.append(f"Hours that nobody knows, counted as nothing on both sides: {', '.join(gaps)}.")
    if found.measured_left_out:
        said.append(
            f"Snow that was measured on this cover is left out on both sides ({found.measured_left_out} times): it lay "
            f"on the cover as it was. So the score before may differ from the ranking's."
        )
    return said


def _headed(quantity: Quantity, units: str) -> str:
    unit = unit_of(quantity, units).symbol
    return f"{quantity.label} [{unit}]" if unit else quantity.label


def _moved(one: Comparison, units: str) -> str:
    """``hours of condensation 1353 to 780 h (-573)``."""
    quantity = QUANTITIES[one.name]
    before, after = (number_text(span.default, quantity, units) for span in (one.before, one.after))
    difference = number_text(one.difference.default, quantity, units, signed=True)
    unit = unit_of(quantity, units).symbol
    return " ".join(part for part in (_label(one), before, "to", after, unit, f"({difference})") if part)


def _labels(comparisons: Sequence[Comparison]) -> str:
    return "; ".join(map(_label, comparisons))


def _label(one: Comparison) -> str:
    return "freeze-thaw cycles with the film wet" if one.name == "wet_cycles" else QUANTITIES[one.name].label


def _vents(count: int) -> str:
    return "1 vent" if count == 1 else f"{count} vents"


def _known(value: float) -> float | None:
    return None if np.isnan(value) else value


def _plain_value(value: object) -> object:
    if isinstance(value, tuple):
        return [utc_text(moment) for moment in value]
    return utc_text(value) if isinstance(value, datetime) else value


def _plain_span(span: Span) -> dict[str, float | None]:
    return {"low": _known(span.low), "default": _known(span.default), "high": _known(span.high)}


def _plain_weight(weight: WeightOnCover) -> dict[str, Any]:
    plain = asdict(weight)
    plain["hour_ending"] = None if weight.hour_ending is None else utc_text(weight.hour_ending)
    return {**plain, "cases": list(plain["cases"]), "note": NO_DESIGN_CHECK}


def _plain_ahead(ahead: Ahead) -> dict[str, Any]:
    values = {side: {name: _known(value) for name, value in ahead.values[side].items()} for side in SIDES}
    return {"until": utc_text(ahead.until), "values": values, "call": dict(ahead.calls)}
