import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.weather.quality import coverage
from monitor.weather.table import (
    COLUMNS,
    ParsedHours,
    SourceSeries,
    hourly_index,
    merge_by_priority,
    no_flags,
    split_by_kind,
)

START = pd.Timestamp("2026-01-10T00:00Z")


def series(source, kind, *, at, flags=None, **columns):
    """A series with values of ``columns`` at the hours ``at`` after START; flags by column."""
    index = hourly_index([START + pd.Timedelta(hours=hour) for hour in at])
    hours = pd.DataFrame(
        {
            name: pd.Series(values, index=index, dtype=None if name != "present_weather" else "str")
            for name, values in columns.items()
        },
        index=index,
    )
    marks = no_flags(hours)
    for name, words in (flags or {}).items():
        marks[name] = pd.Series(words, index=index, dtype="str")
    return SourceSeries(source, kind, hours, marks)


def test_observed_beats_analysis_beats_forecast_whatever_the_source():
    merged = merge_by_priority(
        [
            series("open-meteo", "forecast", at=[0, 1, 2], air_temperature_c=[1.0, 1.1, 1.2]),
            series("open-meteo", "analysis", at=[0, 1], air_temperature_c=[2.0, 2.1]),
            series("metar-archive", "observed", at=[0], air_temperature_c=[3.0]),
        ],
        order=["open-meteo", "metar-archive"],
    )
    assert merged.values["air_temperature_c"].tolist() == [3.0, 2.1, 1.2]
    assert merged.sources["air_temperature_c"].tolist() == [
        "metar-archive:observed",
        "open-meteo:analysis",
        "open-meteo:forecast",
    ]


def test_inside_one_kind_the_order_of_the_yard_decides():
    airport = series("metar-archive", "observed", at=[0], wind_gust_ms=[20.0])
    logger = series("logger", "observed", at=[0], wind_gust_ms=[23.0])
    for order, expected in ((["logger", "metar-archive"], 23.0), (["metar-archive", "logger"], 20.0)):
        assert merge_by_priority([airport, logger], order).values["wind_gust_ms"].tolist() == [expected]


def test_a_source_not_in_the_order_comes_after_those_in_it():
    hand = series("hand", "observed", at=[0, 1], snow_depth_m=[0.30, 0.31])
    logger = series("logger", "observed", at=[0], snow_depth_m=[0.25])
    assert merge_by_priority([hand, logger], ["logger"]).values["snow_depth_m"].tolist() == [0.25, 0.31]


def test_each_variable_is_filled_by_itself():
    merged = merge_by_priority(
        [
            series("metar-archive", "observed", at=[0], air_temperature_c=[-1.0], wind_gust_ms=[np.nan]),
            series("open-meteo", "analysis", at=[0], air_temperature_c=[-0.4], wind_gust_ms=[17.0], solar_wm2=[0.0]),
        ],
        order=["metar-archive", "open-meteo"],
    )
    assert merged.values.iloc[0].to_dict() == {"air_temperature_c": -1.0, "wind_gust_ms": 17.0, "solar_wm2": 0.0}
    assert merged.sources.loc[START, "wind_gust_ms"] == "open-meteo:analysis"


def test_a_gap_stays_a_gap():
    merged = merge_by_priority([series("logger", "observed", at=[0, 3], air_temperature_c=[1.0, 4.0])], ["logger"])
    assert list(merged.values.index) == [START + pd.Timedelta(hours=hour) for hour in range(4)]
    np.testing.assert_array_equal(merged.values["air_temperature_c"], [1.0, np.nan, np.nan, 4.0])
    assert merged.missing("air_temperature_c").tolist() == [False, True, True, False]


def test_no_gust_reported_is_not_filled_by_a_model_and_is_not_missing():
    merged = merge_by_priority(
        [
            series(
                "metar-archive", "observed", at=[0], wind_gust_ms=[np.nan], flags={"wind_gust_ms": ["none_reported"]}
            ),
            series("open-meteo", "analysis", at=[0], wind_gust_ms=[9.0]),
        ],
        order=["metar-archive", "open-meteo"],
    )
    assert np.isnan(merged.values.loc[START, "wind_gust_ms"])
    assert merged.sources.loc[START, "wind_gust_ms"] == "metar-archive:observed"
    assert merged.flags.loc[START, "wind_gust_ms"] == "none_reported"
    assert merged.none_reported("wind_gust_ms").tolist() == [True]
    assert merged.missing("wind_gust_ms").tolist() == [False]


def test_a_better_source_that_knows_the_gust_is_not_blocked():
    merged = merge_by_priority(
        [
            series("logger", "observed", at=[0], wind_gust_ms=[12.0]),
            series(
                "metar-archive", "observed", at=[0], wind_gust_ms=[np.nan], flags={"wind_gust_ms": ["none_reported"]}
            ),
        ],
        order=["logger", "metar-archive"],
    )
    assert merged.values.loc[START, "wind_gust_ms"] == 12.0
    assert merged.none_reported("wind_gust_ms").tolist() == [False]


def test_a_value_at_fault_is_set_aside_with_its_source_and_the_next_fills_it():
    merged = merge_by_priority(
        [
            series("logger", "observed", at=[0, 1], wind_speed_ms=[468.7, 4.0], flags={"wind_speed_ms": ["range", ""]}),
            series("open-meteo", "analysis", at=[0, 1], wind_speed_ms=[5.0, 6.0]),
        ],
        order=["logger"],
    )
    assert merged.values["wind_speed_ms"].tolist() == [5.0, 4.0]
    assert merged.flags["wind_speed_ms"].tolist() == ["range@logger:observed", ""]


def test_what_is_at_fault_everywhere_is_missing():
    merged = merge_by_priority(
        [
            series("logger", "observed", at=[0], wind_gust_ms=[90.0], flags={"wind_gust_ms": ["range"]}),
            series("open-meteo", "analysis", at=[0], wind_gust_ms=[2.0], flags={"wind_gust_ms": ["contradiction"]}),
        ],
        order=[],
    )
    assert merged.flags.loc[START, "wind_gust_ms"] == "range@logger:observed contradiction@open-meteo:analysis"
    assert merged.missing("wind_gust_ms").tolist() == [True]


def test_present_weather_is_merged_as_text_and_an_empty_text_is_known():
    merged = merge_by_priority(
        [
            series("metar-archive", "observed", at=[0, 1, 2], present_weather=["", "-FZRA BR", np.nan]),
            series("nws-observations", "observed", at=[0, 2], present_weather=["SN", "RA"]),
        ],
        order=["metar-archive", "nws-observations"],
    )
    assert merged.values["present_weather"].tolist() == ["", "-FZRA BR", "RA"]
    assert merged.missing("present_weather").tolist() == [False, False, False]


def test_without_series_the_table_is_empty():
    merged = merge_by_priority([], ["logger"])
    assert merged.values.empty
    assert str(merged.values.index.tz) == "UTC"


def test_two_series_of_one_source_and_kind_are_refused():
    twice = [series("logger", "observed", at=[0], rain_mm=[float(value)]) for value in range(2)]
    with pytest.raises(ValueError, match="two series of logger:observed"):
        merge_by_priority(twice, ["logger"])


# --- laws --------------------------------------------------------------------------------------------------------

WITNESSES = [
    ("metar-archive", "observed"),
    ("logger", "observed"),
    ("open-meteo", "analysis"),
    ("open-meteo", "forecast"),
]
FLAGS = ["", "", "", "none_reported", "range", "phantom"]


@st.composite
def several_series(draw):
    """Up to four series over twelve hours; no two cells hold the same number, so a value tells where it is from."""
    made = []
    for number, (source, kind) in enumerate(draw(st.permutations(WITNESSES))[: draw(st.integers(0, 4))]):
        at = sorted(draw(st.sets(st.integers(0, 11), max_size=12)))
        columns, flags = {}, {}
        for offset, name in enumerate(draw(st.sets(st.sampled_from(["wind_gust_ms", "rain_mm"])))):
            known = draw(st.lists(st.booleans(), min_size=len(at), max_size=len(at)))
            columns[name] = [
                1000.0 * number + 100 * offset + hour if is_known else np.nan
                for hour, is_known in zip(at, known, strict=True)
            ]
            flags[name] = draw(st.lists(st.sampled_from(FLAGS), min_size=len(at), max_size=len(at)))
        made.append(
            series(source, kind, at=at, flags=flags, **{name: np.array(v, dtype=float) for name, v in columns.items()})
        )
    return made


orders = st.permutations(["metar-archive", "logger", "open-meteo"]).map(lambda names: names[:2])


def cells(merged):
    for name in merged.values.columns:
        yield from zip(
            merged.values.index,
            [name] * len(merged.values),
            merged.values[name],
            merged.sources[name],
            merged.flags[name],
            strict=True,
        )


@given(several_series(), orders)
def test_merging_never_invents_a_value(made, order):
    by_key = {each.key: each for each in made}
    for hour, name, value, source, flag in cells(merge_by_priority(made, order)):
        if not np.isnan(value):
            assert by_key[source].hours.loc[hour, name] == value
            assert by_key[source].flags.loc[hour, name] == ""
            assert not flag.endswith("none_reported")


@given(several_series(), orders)
def test_merging_misses_nothing_that_somebody_knows(made, order):
    merged = merge_by_priority(made, order)
    for hour, name, _, source, _ in cells(merged):
        witnesses = [each for each in made if name in each.hours and hour in each.hours.index]
        somebody = any(
            each.flags.loc[hour, name] == "none_reported"
            or (each.flags.loc[hour, name] == "" and not np.isnan(each.hours.loc[hour, name]))
            for each in witnesses
        )
        assert (source != "") == somebody


@given(several_series(), orders)
def test_every_fault_is_kept_with_its_source(made, order):
    merged = merge_by_priority(made, order)
    expected = {
        (hour, name, f"{word}@{each.key}")
        for each in made
        for name in each.flags
        for hour, word in each.flags[name].items()
        if word not in ("", "none_reported")
    }
    kept = {(hour, name, word) for hour, name, _, _, flag in cells(merged) for word in flag.split() if "@" in word}
    assert kept == expected


@given(several_series(), orders, st.randoms(use_true_random=False))
def test_the_sequence_of_the_series_changes_nothing(made, order, random):
    shuffled = list(made)
    random.shuffle(shuffled)
    first, second = merge_by_priority(made, order), merge_by_priority(shuffled, order)
    for one, other in ((first.values, second.values), (first.sources, second.sources), (first.flags, second.flags)):
        pd.testing.assert_frame_equal(one, other)


@given(several_series(), orders)
def test_known_none_reported_and_missing_hours_add_up(made, order):
    merged = merge_by_priority(made, order)
    for count in coverage(merged, START - pd.Timedelta(hours=1), START + pd.Timedelta(hours=11)).values():
        assert count.known + count.none_reported + count.missing == 12
        assert sum(gap.hours for gap in count.gaps) == count.missing


# --- shape -------------------------------------------------------------------------------------------------------


def parsed(**changes):
    index = hourly_index(["2026-01-10T06:00Z", "2026-01-10T07:00Z"])
    hours = changes.pop("hours", pd.DataFrame({"air_temperature_c": [1.0, 2.0]}, index=index))
    parts = {"flags": no_flags(hours), "kinds": pd.Series("observed", index=hours.index), **changes}
    return ParsedHours(hours=hours, **parts)


def frame(*, times=("2026-01-10T06:00Z", "2026-01-10T07:00Z"), **columns):
    columns = columns or {"air_temperature_c": [1.0] * len(times)}
    return pd.DataFrame(columns, index=hourly_index(list(times)))


@pytest.mark.parametrize(
    ("hours", "complaint"),
    [
        (frame().tz_localize(None), "times in UTC"),
        (frame().tz_convert("America/New_York"), "times in UTC"),
        (frame().rename_axis(None), "must be hour_ending"),
        (frame(times=["2026-01-10T06:00Z", "2026-01-10T06:00Z"]), "2026-01-10 06:00Z stands twice"),
        (frame(times=["2026-01-10T07:00Z", "2026-01-10T06:00Z"]), "not sorted"),
        (frame(times=["2026-01-10T06:51Z"]), "not a full hour"),
        (frame(air_temperature_c=[1, 2]), "must be float64"),
        (frame(temperature=[1.0, 2.0]), "'temperature' is not a variable"),
        (frame(present_weather=[1.0, 2.0]), "must be text"),
    ],
)
def test_another_shape_is_refused(hours, complaint):
    with pytest.raises(ValueError, match=complaint):
        parsed(hours=hours)


def test_flags_and_kinds_must_fit_the_hours():
    with pytest.raises(ValueError, match="'odd' in column air_temperature_c is not a flag"):
        parsed(flags=frame(air_temperature_c=["odd", ""]))
    with pytest.raises(ValueError, match="a column that is not there: 'rain_mm'"):
        parsed(flags=frame(rain_mm=["", ""]))
    with pytest.raises(ValueError, match="kinds must be among observed, analysis, forecast"):
        parsed(kinds=pd.Series("guessed", index=frame().index))


def test_an_answer_is_split_into_a_series_for_each_kind():
    made = split_by_kind("open-meteo", parsed(kinds=pd.Series(["analysis", "forecast"], index=frame().index)))
    assert [each.key for each in made] == ["open-meteo:analysis", "open-meteo:forecast"]
    assert [each.hours["air_temperature_c"].tolist() for each in made] == [[1.0], [2.0]]


def test_columns_are_in_the_order_of_the_variables():
    made = series("logger", "observed", at=[0], wind_gust_ms=[1.0], present_weather=["SN"], air_temperature_c=[0.0])
    columns = list(merge_by_priority([made], []).values.columns)
    assert columns == [name for name in COLUMNS if name in columns]


def test_one_variable_can_have_an_order_of_its_own():
    index = hourly_index(pd.date_range("2026-01-10T01:00Z", periods=1, freq="h"))
    columns = ["air_temperature_c", "wind_gust_ms"]

    def of(source, kind, value):
        hours = pd.DataFrame(value, index=index, columns=columns, dtype="float64")
        return SourceSeries(source, kind, hours, no_flags(hours))

    series = [of("logger", "observed", 1.0), of("metar-archive", "observed", 2.0), of("open-meteo", "forecast", 3.0)]
    merged = merge_by_priority(
        series, ["logger", "metar-archive"], {"wind_gust_ms": ["open-meteo", "metar-archive", "logger"]}
    )
    assert merged.values.iloc[0].to_dict() == {
        "air_temperature_c": 1.0,
        "wind_gust_ms": 2.0,
    }  # observed before forecast
    assert merged.sources.iloc[0].to_dict() == {
        "air_temperature_c": "logger:observed",
        "wind_gust_ms": "metar-archive:observed",
    }
