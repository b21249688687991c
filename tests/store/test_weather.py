"""Weather: nothing is lost or overwritten, and what was known when does not depend on how it arrived."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import StoreError
from monitor.store import register, weather
from monitor.store.weather import (
    fetch_log,
    last_hours,
    newest_fetch,
    raw_answer,
    read_hours,
    record_failure,
    record_refusal,
    record_unchanged,
    store_hours,
)
from monitor.variables import KINDS, PRESENT_WEATHER, VARIABLES
from monitor.weather.providers import Answer
from monitor.weather.table import ParsedHours, hourly_index, merge_by_priority, no_flags, split_by_kind

NINE = datetime(2026, 1, 10, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def answer(fetched_at=NINE, body=b'{"hourly": {}}', **changed):
    fields = {"url": "https://weather.example/v1", "status": 200, "headers": {"ETag": '"a"'}, "body": body}
    return Answer(**(fields | {"fetched_at": fetched_at} | changed))


def parsed(rows, notes=()):
    """Hours from ``{hours after nine: (kind, air temperature)}``."""
    rows = dict(sorted(rows.items()))
    index = hourly_index([NINE + number * HOUR for number in rows])
    hours = pd.DataFrame({"air_temperature_c": [value for _, value in rows.values()]}, index=index, dtype="float64")
    kinds = pd.Series([kind for kind, _ in rows.values()], index=index, dtype="str")
    return ParsedHours(hours, no_flags(hours), kinds, tuple(notes))


def known(conn, yard_id=1, **options):
    """What is known: ``{(source, hours after nine): (kind, air temperature, hours after nine of its last fetch)}``."""
    return {
        (of.series.source, (hour - NINE) // HOUR): (of.series.kind, value, (of.fetched_at[hour] - NINE) // HOUR)
        for of in read_hours(conn, yard_id, **options)
        for hour, value in of.series.hours["air_temperature_c"].items()
    }


def every_column(count=40, seed=7):
    """A table with every column, values without a short decimal form, gaps, flags and all three kinds."""
    random = np.random.default_rng(seed)
    index = hourly_index([NINE + number * HOUR for number in range(count)])
    hours = pd.DataFrame(random.normal(0, 30, (count, len(VARIABLES))), index=index, columns=list(VARIABLES))
    hours = hours.mask(random.random(hours.shape) < 0.3)
    hours[PRESENT_WEATHER] = pd.Series(random.choice(["", "-FZRA BR", "SN"], count), index=index, dtype="str")
    hours.loc[index[5], PRESENT_WEATHER] = np.nan
    flags = no_flags(hours, ["wind_gust_ms", "snow_depth_m", PRESENT_WEATHER])
    flags.loc[index[::3], "wind_gust_ms"] = "none_reported"
    flags.loc[index[7:9], "snow_depth_m"] = "stuck"
    flags.loc[index[2], PRESENT_WEATHER] = "phantom"
    kinds = pd.Series(random.choice(KINDS, count), index=index, dtype="str")
    return ParsedHours(hours, flags, kinds, ("2 rows left out", "1 hour twice"))


def test_hours_come_back_bit_for_bit_with_gaps_flags_and_kinds(conn, yard_id):
    given_hours = every_column()
    assert store_hours(conn, yard_id, "metar-archive", answer(), given_hours).outcome == "stored"
    read = read_hours(conn, yard_id)
    expected = split_by_kind("metar-archive", given_hours)
    assert [of.series.key for of in read] == [of.key for of in expected]
    for of, wanted in zip(read, expected, strict=True):
        flagged = [name for name in wanted.flags if (wanted.flags[name] != "").any()]
        pd.testing.assert_frame_equal(of.series.hours, wanted.hours, check_exact=True)
        pd.testing.assert_frame_equal(of.series.flags[flagged], wanted.flags[flagged])
        assert (of.fetched_at == NINE).all()
        assert of.fetched_at.index.equals(of.series.hours.index)


def test_what_was_merged_from_memory_is_merged_from_the_database(conn, yard_id):
    tables = {"metar-archive": every_column(seed=1), "open-meteo": every_column(seed=2)}
    for source, table in tables.items():
        store_hours(conn, yard_id, source, answer(), table)
    direct = merge_by_priority(
        [of for source, table in tables.items() for of in split_by_kind(source, table)], [*tables]
    )
    stored = merge_by_priority([of.series for of in read_hours(conn, yard_id)], [*tables])
    for name in ("values", "sources", "flags"):
        pd.testing.assert_frame_equal(getattr(stored, name), getattr(direct, name), check_exact=True)


def test_missing_is_null_in_the_database_and_numbers_are_numbers(conn, yard_id):
    store_hours(conn, yard_id, "logger", answer(), parsed({0: ("observed", np.nan), 1: ("observed", 2.0)}))
    types = conn.execute("SELECT typeof(air_temperature_c), typeof(rain_mm), typeof(flags) FROM weather_hours")
    assert [tuple(row) for row in types] == [("null", "null", "null"), ("real", "null", "null")]


def test_a_column_without_value_or_flag_is_not_there_and_a_flagged_one_is(conn, yard_id):
    index = hourly_index([NINE])
    hours = pd.DataFrame({"wind_gust_ms": [np.nan], "wind_speed_ms": [4.0], "rain_mm": [np.nan]}, index=index)
    flags = no_flags(hours)
    flags.loc[index[0], "wind_gust_ms"] = "none_reported"
    store_hours(conn, yard_id, "metar-archive", answer(), ParsedHours(hours, flags, pd.Series("observed", index=index)))
    (read,) = read_hours(conn, yard_id)
    assert list(read.series.hours.columns) == ["wind_speed_ms", "wind_gust_ms"]
    assert read.series.flags.to_dict("list") == {"wind_gust_ms": ["none_reported"]}


def test_an_answer_is_kept_as_it_came(conn, yard_id):
    body = bytes(range(256)) * 40
    sent = answer(body=body, headers={"ETag": '"é"', "Expires": "Sat, 10 Jan 2026 10:00:00 GMT"})
    fetch = store_hours(conn, yard_id, "open-meteo", sent, parsed({0: ("forecast", 1.0)}, notes=["one", "two"]))
    assert raw_answer(conn, fetch.id) == body
    assert newest_fetch(conn, yard_id, "open-meteo") == fetch
    assert (fetch.url, fetch.status, fetch.headers, fetch.fetched_at) == (sent.url, 200, sent.headers, NINE)
    assert fetch.message == "one\ntwo"


def test_a_refused_answer_is_kept_too_and_gives_no_hours(conn, yard_id):
    refused = record_refusal(conn, yard_id, "open-meteo", answer(body=b"<html>"), "wind_speed_10m in 'mph'")
    assert refused.outcome == "refused"
    assert raw_answer(conn, refused.id) == b"<html>"
    assert read_hours(conn, yard_id) == []
    assert newest_fetch(conn, yard_id, "open-meteo") is None


def test_an_answer_without_hours_is_empty(conn, yard_id):
    fetch = store_hours(conn, yard_id, "metar-archive", answer(), parsed({}, notes=["no report in the time asked for"]))
    assert (fetch.outcome, fetch.message) == ("empty", "no report in the time asked for")
    assert read_hours(conn, yard_id) == []


def test_what_is_not_there_is_said(conn, yard_id):
    failed = record_failure(conn, yard_id, "open-meteo", NINE, "could not be reached", "https://weather.example/v1")
    assert (failed.outcome, failed.status, failed.url) == ("failed", None, "https://weather.example/v1")
    with pytest.raises(StoreError, match=r"no answer came with it"):
        raw_answer(conn, failed.id)
    with pytest.raises(StoreError, match=r"Weather fetch 99: no fetch with this number"):
        raw_answer(conn, 99)


def test_an_answer_that_was_tampered_with_is_noticed(conn, yard_id):
    one = store_hours(conn, yard_id, "logger", answer(body=b"one"), parsed({0: ("observed", 1.0)}))
    two = store_hours(conn, yard_id, "logger", answer(body=b"two"), parsed({0: ("observed", 2.0)}))
    conn.execute("DROP TRIGGER weather_fetches_no_update")
    conn.execute(
        "UPDATE weather_fetches SET body = (SELECT body FROM weather_fetches WHERE id = ?) WHERE id = ?",
        (two.id, one.id),
    )
    with pytest.raises(StoreError, match="does not match its hash"):
        raw_answer(conn, one.id)


def test_a_fetch_and_its_hours_are_stored_together_or_not_at_all(conn, yard_id):
    conn.execute(
        """CREATE TRIGGER disk_trouble BEFORE INSERT ON weather_hours WHEN NEW.air_temperature_c = 3
           BEGIN SELECT RAISE(ABORT, 'trouble'); END"""
    )
    rows = {number: ("forecast", float(number)) for number in range(6)}
    with pytest.raises(Exception, match="trouble"):
        store_hours(conn, yard_id, "open-meteo", answer(), parsed(rows))
    for table in ("weather_fetches", "weather_hours"):
        assert conn.execute(f"SELECT count(*) FROM {table}").fetchone()[0] == 0


def test_a_later_fetch_counts_and_the_past_can_still_be_read(conn, yard_id):
    for hours, value in ((0, 1.0), (2, 2.0), (4, 3.0)):
        store_hours(conn, yard_id, "open-meteo", answer(NINE + hours * HOUR), parsed({5: ("forecast", value)}))
    seen = [known(conn, known_at=NINE + hours * HOUR) for hours in range(-1, 5)]
    one, two, three = ({("open-meteo", 5): ("forecast", float(n), 2 * n - 2)} for n in (1, 2, 3))
    assert seen == [{}, one, one, two, two, three]
    assert known(conn) == three


def test_a_row_counts_as_a_whole(conn, yard_id):
    # a later row without a value does not borrow the earlier one's
    store_hours(conn, yard_id, "logger", answer(), parsed({0: ("observed", 1.0), 1: ("observed", 1.0)}))
    store_hours(conn, yard_id, "logger", answer(NINE + HOUR), parsed({0: ("observed", np.nan), 2: ("observed", 5.0)}))
    (read,) = read_hours(conn, yard_id)
    np.testing.assert_array_equal(read.series.hours["air_temperature_c"], [np.nan, 1.0, 5.0])


def test_a_better_kind_counts_however_late_the_worse_one_came(conn, yard_id):
    for hours, (kind, value) in enumerate([("forecast", 1.0), ("observed", 2.0), ("analysis", 3.0), ("forecast", 4.0)]):
        store_hours(conn, yard_id, "nws-grid", answer(NINE + hours * HOUR), parsed({0: (kind, value)}))
    seen = [known(conn, known_at=NINE + hours * HOUR)[("nws-grid", 0)][:2] for hours in range(4)]
    assert seen == [("forecast", 1.0), ("observed", 2.0), ("observed", 2.0), ("observed", 2.0)]


def test_the_same_hours_again_are_stored_once_and_count_again(conn, yard_id):
    first, other = parsed({5: ("forecast", 1.0)}), parsed({5: ("forecast", 2.0)})
    outcomes = []
    for hours, rows in enumerate((first, other, first)):
        fetch = store_hours(conn, yard_id, "met-norway", answer(NINE + hours * HOUR, body=b"%d" % hours), rows)
        outcomes.append((fetch.outcome, fetch.same_as))
        assert raw_answer(conn, fetch.id) == b"%d" % hours
    assert outcomes == [("stored", None), ("stored", None), ("same", 1)]
    seen = [known(conn, known_at=NINE + hours * HOUR)[("met-norway", 5)] for hours in range(3)]
    assert seen == [("forecast", 1.0, 0), ("forecast", 2.0, 1), ("forecast", 1.0, 2)]
    assert conn.execute("SELECT count(*) FROM weather_hours").fetchone()[0] == 2


def test_hours_equal_to_those_of_another_yard_or_source_are_stored_for_each(conn, yard_id):
    east_id = register.add_yard(conn, replace(register.yard(conn, "north"), key="east"))
    rows = parsed({0: ("observed", 1.0)})
    for yard, source in ((yard_id, "logger"), (east_id, "logger"), (yard_id, "hand")):
        assert store_hours(conn, yard, source, answer(), rows).outcome == "stored"
    assert known(conn, east_id) == {("logger", 0): ("observed", 1.0, 0)}
    assert set(known(conn, yard_id)) == {("logger", 0), ("hand", 0)}


def test_hours_that_differ_only_in_kind_or_flag_are_not_the_same(conn, yard_id):
    plain = parsed({0: ("analysis", 1.0)})
    flagged = ParsedHours(plain.hours, plain.flags.replace("", "stuck"), plain.kinds)
    for rows in (plain, flagged, parsed({0: ("observed", 1.0)})):
        assert store_hours(conn, yard_id, "open-meteo", answer(), rows).outcome == "stored"


def test_not_modified_counts_as_the_same_hours_again(conn, yard_id):
    first = store_hours(conn, yard_id, "met-norway", answer(), parsed({5: ("forecast", 1.0)}))
    store_hours(conn, yard_id, "met-norway", answer(NINE + HOUR), parsed({5: ("forecast", 2.0)}))
    again = record_unchanged(conn, answer(NINE + 2 * HOUR, b"", status=304), first)
    assert (again.outcome, again.same_as, again.status) == ("same", first.id, 304)
    assert record_unchanged(conn, answer(NINE + 3 * HOUR, b"", status=304), again).same_as == first.id
    assert known(conn) == {("met-norway", 5): ("forecast", 1.0, 3)}
    refused = record_refusal(conn, yard_id, "met-norway", answer(), "cut off")
    with pytest.raises(ValueError, match="is refused and holds no hours"):
        record_unchanged(conn, answer(), refused)


def test_a_stretch_of_hours_can_be_read_with_both_ends(conn, yard_id):
    store_hours(conn, yard_id, "open-meteo", answer(), parsed(dict.fromkeys(range(10), ("forecast", 1.0))))
    for options, expected in (
        ({"start": NINE + 3 * HOUR, "end": NINE + 5 * HOUR}, [3, 4, 5]),
        ({"start": NINE + 8 * HOUR}, [8, 9]),
        ({"end": NINE}, [0]),
        ({"start": NINE + 10 * HOUR}, []),
    ):
        assert [hour for _, hour in known(conn, **options)] == expected


def test_series_come_source_by_source_best_kind_first(conn, yard_id):
    for source in ("logger", "open-meteo"):
        rows = {0: ("forecast", 1.0), 1: ("observed", 1.0), 2: ("analysis", 1.0)}
        store_hours(conn, yard_id, source, answer(), parsed(rows))
    assert [of.series.key for of in read_hours(conn, yard_id)] == [
        f"{source}:{kind}" for source in ("open-meteo", "logger") for kind in KINDS
    ]


def test_the_last_hour_of_each_source_and_kind(conn, yard_id):
    assert last_hours(conn, yard_id) == {}
    store_hours(conn, yard_id, "open-meteo", answer(), parsed({0: ("analysis", 1.0), 1: ("forecast", 1.0)}))
    store_hours(conn, yard_id, "open-meteo", answer(NINE + HOUR), parsed({1: ("analysis", 1.0), 2: ("forecast", 1.0)}))
    store_hours(conn, yard_id, "logger", answer(NINE + HOUR), parsed({-5: ("observed", 1.0)}))
    assert last_hours(conn, yard_id) == {
        ("logger", "observed"): NINE - 5 * HOUR,
        ("open-meteo", "analysis"): NINE + HOUR,
        ("open-meteo", "forecast"): NINE + 2 * HOUR,
    }
    assert last_hours(conn, yard_id, known_at=NINE)[("open-meteo", "forecast")] == NINE + HOUR


def test_the_newest_fetch_is_the_one_fetched_last_not_the_one_stored_last(conn, yard_id):
    late = store_hours(
        conn, yard_id, "open-meteo", answer(NINE + HOUR, url="https://a.example"), parsed({0: ("forecast", 1.0)})
    )
    early = store_hours(
        conn, yard_id, "open-meteo", answer(NINE, url="https://b.example"), parsed({0: ("forecast", 2.0)})
    )
    assert newest_fetch(conn, yard_id, "open-meteo") == late
    assert newest_fetch(conn, yard_id, "open-meteo", url="https://b.example") == early
    assert newest_fetch(conn, yard_id, "open-meteo", url="https://c.example") is None
    assert newest_fetch(conn, yard_id, "logger") is None


def test_the_fetch_log_counts_outcomes_and_shows_the_last_trouble(conn, yard_id):
    assert fetch_log(conn, yard_id) == []
    rows = parsed({0: ("forecast", 1.0)})
    store_hours(conn, yard_id, "open-meteo", answer(NINE), rows)
    store_hours(conn, yard_id, "open-meteo", answer(NINE + 3 * HOUR), rows)
    refused = record_refusal(conn, yard_id, "open-meteo", answer(NINE + 2 * HOUR), "no column temperature_2m")
    record_failure(conn, yard_id, "open-meteo", NINE + HOUR, "could not be reached")
    store_hours(conn, yard_id, "metar-archive", answer(NINE), parsed({}))
    model, station = fetch_log(conn, yard_id)
    assert (model.source, station.source) == ("open-meteo", "metar-archive")
    assert model.counts == {"stored": 1, "same": 1, "refused": 1, "empty": 0, "failed": 1}
    assert (model.last_answer_at, model.last_trouble) == (NINE + 3 * HOUR, refused)
    assert station.counts["empty"] == 1
    assert (station.last_answer_at, station.last_trouble) == (NINE, None)


def test_flags_are_stored_as_json_by_variable(conn, yard_id):
    store_hours(conn, yard_id, "metar-archive", answer(), every_column())
    texts = [row["flags"] for row in conn.execute("SELECT flags FROM weather_hours WHERE flags IS NOT NULL")]
    assert {"wind_gust_ms": "none_reported"} in [json.loads(text) for text in texts]


ROWS = st.dictionaries(st.integers(0, 3), st.tuples(st.sampled_from(KINDS), st.sampled_from([1.0, 2.0])), min_size=1)
OFTEN_EQUAL = st.sampled_from([{0: ("forecast", 1.0)}, {0: ("forecast", 2.0), 1: ("analysis", 1.0)}])
FETCHED = st.integers(0, 4)  # so many hours after nine
ANSWERS = st.lists(st.tuples(st.sampled_from(["open-meteo", "nws-grid"]), FETCHED, OFTEN_EQUAL | ROWS), max_size=8)


@settings(max_examples=50)
@given(answers=ANSWERS, data=st.data())
def test_what_was_known_does_not_depend_on_the_order_in_which_answers_arrive(law_conn, answers, data):
    # Few hours and values: answers overlap, come at the same second, and are often the same hours again.
    seen = []
    for order in (answers, data.draw(st.permutations(answers))):
        law_conn.execute("BEGIN IMMEDIATE")
        try:
            for source, hours, rows in order:
                store_hours(law_conn, 1, source, answer(NINE + hours * HOUR), parsed(rows))
            seen.append([known(law_conn, known_at=NINE + hours * HOUR) for hours in range(5)])
        finally:
            law_conn.rollback()
    assert seen[0] == seen[1]
    for hours, found in enumerate(seen[0]):
        candidates = {}
        for source, fetched, rows in answers:
            for hour, (kind, value) in rows.items() if fetched <= hours else ():
                candidates.setdefault((source, hour), []).append((-KINDS.index(kind), fetched, value))
        assert set(found) == set(candidates)
        for place, (kind, value, fetched) in found.items():
            best = max((rank, when) for rank, when, _ in candidates[place])
            assert (-KINDS.index(kind), fetched) == best
            assert (*best, value) in candidates[place]


def test_the_store_has_a_column_for_everything_a_parser_may_give():
    from monitor.weather.table import COLUMNS

    assert weather._COLUMNS == COLUMNS
