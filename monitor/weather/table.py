"""The canonical hourly weather table: its shape, and how several sources become one. Pure."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.variables import KINDS, PRESENT_WEATHER, VARIABLES, Kind

NONE_REPORTED = "none_reported"
"""Flag of a quantity that the source looks for and did not report: known to be nothing remarkable, not missing."""

FAULTS: tuple[str, ...] = ("range", "step", "stuck", "contradiction", "phantom", "gauge_out", "qc_failed")
"""Flags of values that are kept and not used."""

COLUMNS: tuple[str, ...] = (*VARIABLES, PRESENT_WEATHER)
"""Every column that the table can have, in its order."""

INDEX = "hour_ending"

_ONE_HOUR = pd.Timedelta(hours=1)


@dataclass(frozen=True)
class ParsedHours:
    """What a parser read from one answer or file.

    Attributes
    ----------
    hours : pandas.DataFrame
        Index ``hour_ending`` (UTC, full hours, unique, sorted), float64 columns named in ``VARIABLES``, as far as the
        source has them, and perhaps the text column ``present_weather``. Nothing is removed from it.
    flags : pandas.DataFrame
        Text, same index, columns among those of ``hours``: empty, a fault, or ``none_reported``.
    kinds : pandas.Series
        Text, same index: ``observed``, ``analysis`` or ``forecast``.
    notes : tuple of str
        Sentences worth showing: rows left out, columns without a value.

    Raises ValueError where the parts are not of that shape: a mistake in the parser, not in the answer.
    """

    hours: pd.DataFrame
    flags: pd.DataFrame
    kinds: pd.Series
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse another shape, so that a faulty parser stops at itself."""
        check_hours(self.hours)
        check_flags(self.flags, self.hours)
        if not self.kinds.index.equals(self.hours.index):
            raise ValueError("kinds do not have the hours' index")
        if not self.kinds.isin(KINDS).all():
            raise ValueError(f"kinds must be among {', '.join(KINDS)}, got {sorted(set(self.kinds) - set(KINDS))}")


@dataclass(frozen=True)
class SourceSeries:
    """All hours of one kind that one source has given for a yard, with the flags of its values."""

    source: str
    kind: Kind
    hours: pd.DataFrame
    flags: pd.DataFrame

    def __post_init__(self) -> None:
        """Refuse a series that a merge could not read."""
        check_hours(self.hours)
        check_flags(self.flags, self.hours)
        if self.kind not in KINDS:
            raise ValueError(f"kind must be among {', '.join(KINDS)}, got {self.kind!r}")

    @property
    def key(self) -> str:
        """Name of the series in a merged table's cells: ``metar-archive:observed``."""
        return f"{self.source}:{self.kind}"


@dataclass(frozen=True)
class Merged:
    """One table out of several series; three frames with the same complete hourly index and the same columns.

    Attributes
    ----------
    values : pandas.DataFrame
        Float64 columns, and ``present_weather`` as text where a series has it. NaN where nobody knows.
    sources : pandas.DataFrame
        Key of the series that the cell is from, such as ``metar-archive:observed``; empty where nobody knows.
    flags : pandas.DataFrame
        Empty in most cells. ``range@logger:observed``: that series has a value here which was set aside; several are
        separated by blanks, in the order of the series. ``none_reported``, always last: the series in ``sources``
        looked and had nothing to report, so NaN is the answer.
    """

    values: pd.DataFrame
    sources: pd.DataFrame
    flags: pd.DataFrame

    def none_reported(self, variable: str) -> pd.Series:
        """True in the hours (index of the table) where NaN means that nothing was reported, not that it is missing."""
        return self.flags[variable].str.endswith(NONE_REPORTED)

    def missing(self, variable: str) -> pd.Series:
        """True in the hours (index of the table) of which no source knows the variable."""
        return self.sources[variable] == ""


def hourly_index(hour_ending: object) -> pd.DatetimeIndex:
    """Times (UTC, aware) as the index of a canonical table."""
    index = pd.DatetimeIndex(pd.to_datetime(hour_ending, utc=True), name=INDEX)  # type: ignore[call-overload]
    return index.as_unit("s")


def no_flags(hours: pd.DataFrame, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Empty flags for the numeric columns of ``hours``, or for those named."""
    names = [name for name in hours.columns if name != PRESENT_WEATHER] if columns is None else list(columns)
    return pd.DataFrame("", index=hours.index, columns=pd.Index(names, dtype="str"), dtype="str")


def check_hours(hours: pd.DataFrame) -> None:
    """Raise ValueError, saying what is wrong, unless ``hours`` has the shape of a canonical table."""
    index = hours.index
    if not isinstance(index, pd.DatetimeIndex) or str(index.tz) != "UTC" or index.name != INDEX:
        raise ValueError(f"the index must be {INDEX}, times in UTC; got {index.name!r} of {index.dtype}")
    if index.hasnans:
        raise ValueError("an hour of the index is missing (NaT)")
    if not index.is_unique:
        raise ValueError(f"hour {index[index.duplicated()][0]:%Y-%m-%d %H:%MZ} stands twice in the index")
    if not index.is_monotonic_increasing:
        raise ValueError("the index is not sorted")
    if len(index) and bool((index != index.floor("h")).any()):
        raise ValueError(f"{index[index != index.floor('h')][0]} is not a full hour")
    if not hours.columns.is_unique:
        raise ValueError("a column stands twice")
    for name in hours.columns:
        if name in VARIABLES:
            if hours[name].dtype != np.dtype("float64"):
                raise ValueError(f"column {name} must be float64, got {hours[name].dtype}")
        elif name != PRESENT_WEATHER:
            raise ValueError(f"column {name!r} is not a variable of this program")
        elif not pd.api.types.is_string_dtype(hours[name]):
            raise ValueError(f"column {name} must be text, got {hours[name].dtype}")


def check_flags(flags: pd.DataFrame, hours: pd.DataFrame) -> None:
    """Raise ValueError, saying what is wrong, unless ``flags`` are flags of the table ``hours``."""
    if not flags.index.equals(hours.index):
        raise ValueError("flags do not have the hours' index")
    if strange := [name for name in flags.columns if name not in hours.columns]:
        raise ValueError(f"flags for a column that is not there: {strange[0]!r}")
    allowed = {"", NONE_REPORTED, *FAULTS}
    for name in flags.columns:
        if unknown := set(flags[name].unique()) - allowed:
            raise ValueError(f"{unknown.pop()!r} in column {name} is not a flag")


def split_by_kind(source: str, parsed: ParsedHours) -> list[SourceSeries]:
    """The series of one parsed answer: one for each kind that it has, best witness first."""
    return [
        SourceSeries(source, kind, parsed.hours[chosen], parsed.flags[chosen])
        for kind in KINDS
        if (chosen := parsed.kinds == kind).any()
    ]


def merge_by_priority(
    series: Sequence[SourceSeries], order: Sequence[str], orders: Mapping[str, Sequence[str]] | None = None
) -> Merged:
    """One value an hour and variable, from the best series that knows it.

    Observed stands before analysis before forecast, whatever the source; inside one kind ``order`` decides. Nothing is
    averaged, interpolated or carried on. The result does not depend on the sequence of ``series``.

    Parameters
    ----------
    series : sequence of SourceSeries
        At most one of each source and kind.
    order : sequence of str
        Source names, best first. A source not named comes after those named, by its name.
    orders : mapping of str to sequence of str, optional
        The same for single variables, by their names.

    Returns
    -------
    Merged
        From the first hour that any series has to the last, with no hour left out. Without series: an empty table.
    """
    ranked = _ranked(series, order)
    index = _complete_index(ranked)
    columns = [name for name in COLUMNS if any(name in each.hours.columns for each in ranked)]
    keys = pd.array([*(each.key for each in ranked), ""], dtype="str")
    rows = [index.get_indexer(each.hours.index) for each in ranked]
    positions = {each.key: position for position, each in enumerate(ranked)}
    values, sources, flags = {}, {}, {}
    for name in columns:
        cells: NDArray[np.float64] | NDArray[np.object_]
        cells = np.full(len(index), np.nan, dtype=object if name == PRESENT_WEATHER else np.float64)
        owner = np.full(len(index), len(ranked))  # position in ``ranked``; the last key, "", where nobody knows
        words = np.full(len(index), "", dtype=object)
        none_reported = np.zeros(len(index), dtype=bool)
        by_trust = _ranked(series, orders[name]) if orders and name in orders else ranked
        for each in by_trust:
            position = positions[each.key]
            row = rows[position]
            if name not in each.hours.columns:
                continue
            found = each.hours[name].to_numpy()
            clean, none = _flagged(each, name)
            at_fault = ~clean & ~none
            if at_fault.any():
                set_aside = (each.flags[name][at_fault] + f"@{each.key}").to_numpy(dtype=object)
                words[row[at_fault]] = _append(words[row[at_fault]], set_aside)
            is_open = owner[row] == len(ranked)
            takes = is_open & clean & ~pd.isna(found)
            blocks = is_open & none
            cells[row[takes]] = found[takes]
            none_reported[row[blocks]] = True
            owner[row[takes | blocks]] = position
        words[none_reported] = _append(words[none_reported], NONE_REPORTED)
        values[name] = pd.Series(cells, index=index, dtype="str" if name == PRESENT_WEATHER else "float64")
        sources[name] = pd.Series(keys.take(owner), index=index)
        flags[name] = pd.Series(words, index=index, dtype="str")
    return Merged(
        values=pd.DataFrame(values, index=index, columns=columns),
        sources=pd.DataFrame(sources, index=index, columns=columns),
        flags=pd.DataFrame(flags, index=index, columns=columns),
    )


def _ranked(series: Sequence[SourceSeries], order: Sequence[str]) -> list[SourceSeries]:
    place = {source: position for position, source in enumerate(order)}
    ranked = sorted(series, key=lambda each: (KINDS.index(each.kind), place.get(each.source, len(place)), each.source))
    for earlier, later in itertools.pairwise(ranked):
        if earlier.key == later.key:
            raise ValueError(f"two series of {later.key}: join them before merging")
    return ranked


def _complete_index(series: Sequence[SourceSeries]) -> pd.DatetimeIndex:
    filled = [each.hours.index for each in series if len(each.hours)]
    if not filled:
        return hourly_index([])
    first, last = min(index[0] for index in filled), max(index[-1] for index in filled)
    return pd.date_range(first, last, freq=_ONE_HOUR, name=INDEX, unit="s")


def _flagged(series: SourceSeries, name: str) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Hours without a flag, and hours in which none was reported."""
    if name not in series.flags.columns:
        return np.ones(len(series.hours), dtype=bool), np.zeros(len(series.hours), dtype=bool)
    flags = series.flags[name]
    return (flags == "").to_numpy(dtype=bool), (flags == NONE_REPORTED).to_numpy(dtype=bool)


def _append(words: NDArray[np.object_], more: NDArray[np.object_] | str) -> NDArray[np.object_]:
    return np.where(words == "", more, words + " " + more)
