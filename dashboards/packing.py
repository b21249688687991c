"""Figures as small JSON for a page: hours as runs, repeated values as counts; static/pages.js unpacks them."""

import json
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from dashboards.figures import CONFIG

_WORTH_PACKING = 24


def chart_json(figure: go.Figure) -> str:
    """The figure with its config as JSON that may stand inside a ``script`` element of a page.

    Same figure, same text. NaN becomes null, which plotly.js draws as a gap. Long hourly times become
    ``{"runs": [first, count, step in hours, ...]}``, long arrays with many equal neighbours
    ``{"repeats": [value, count, ...]}``; nothing is left out or averaged.
    """
    traces = [_packed_trace(trace.to_plotly_json()) for trace in figure.data]
    return script_json({"data": traces, "layout": figure.layout.to_plotly_json(), "config": CONFIG})


def script_json(value: Any) -> str:
    """JSON without the characters that could end a ``script`` element or start a tag; NaN is refused."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def packed(values: NDArray[Any]) -> Any:
    """A trace's array in its shortest form."""
    if np.issubdtype(values.dtype, np.datetime64):
        return _runs(values.astype("datetime64[s]"))
    return _repeats(values)


def _packed_trace(trace: dict[str, Any]) -> dict[str, Any]:
    return {key: packed(value) if isinstance(value, np.ndarray) else value for key, value in trace.items()}


def _runs(times: NDArray[np.datetime64]) -> list[str] | dict[str, list[str | int]]:
    """Times that follow each other by whole hours, as first, count, step; as plain text where that is shorter."""
    if len(times) < _WORTH_PACKING:
        return _iso(times)
    steps = np.diff(times).astype(int)
    step_s = int(np.median(steps))
    starts = np.concatenate(([0], np.flatnonzero(steps != step_s) + 1))
    if step_s <= 0 or step_s % 3600 or 3 * len(starts) > len(times):
        return _iso(times)
    counts = np.diff(np.append(starts, len(times))).tolist()
    return {"runs": [part for run in zip(_iso(times[starts]), counts, strict=True) for part in (*run, step_s // 3600)]}


def _iso(times: NDArray[np.datetime64]) -> list[str]:
    return [text.removesuffix(":00") for text in np.datetime_as_string(times).tolist()]


def _repeats(values: NDArray[Any]) -> list[Any] | dict[str, list[Any]]:
    """Equal neighbours as value, count; as the plain list where that is shorter."""
    if len(values) >= _WORTH_PACKING:
        new = values[1:] != values[:-1]
        if values.dtype.kind == "f":
            new &= ~(np.isnan(values[1:]) & np.isnan(values[:-1]))
        starts = np.concatenate(([0], np.flatnonzero(new) + 1))
        if 2 * len(starts) < len(values):
            counts = np.diff(np.append(starts, len(values))).tolist()
            return {"repeats": [part for pair in zip(_plain(values[starts]), counts, strict=True) for part in pair]}
    return _plain(values)


def _plain(values: NDArray[Any]) -> list[Any]:
    """Plain values for JSON: NaN as None, whole numbers without their ".0"."""
    if values.dtype.kind != "f":
        plain: list[Any] = values.tolist()
        return plain
    return [None if value != value else int(value) if value.is_integer() else value for value in values.tolist()]
