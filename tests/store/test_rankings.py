"""Kept rankings and chosen curves."""

import math
import sqlite3
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from monitor.errors import StoreError
from monitor.store.rankings import RankingHead, StoredCurve, curves, ranking, rankings, save_curve, save_ranking

NINE = datetime(2026, 1, 10, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)
ROWS = [{"rank": 1, "boat": "A-12", "score": 0.61, "reasons": [{"value": 22.5}]}, {"rank": 2, "boat": "Ä-1"}]


def save(conn, yard_id, **changed):
    fields = {"as_of": NINE, "created_at": NINE, "version": "1.0", "data_age_h": 1.5, "parameters": {"x10": 0.15}}
    return save_ranking(conn, yard_id, **({"rows": ROWS} | fields | changed))


def test_a_ranking_comes_back_as_it_was_made(conn, yard_id):
    ranking_id = save(conn, yard_id)
    kept = ranking(conn, ranking_id)
    assert kept.head == RankingHead(ranking_id, yard_id, NINE, NINE, "1.0", 1.5)
    assert kept.parameters == {"x10": 0.15}
    assert kept.rows == ROWS


def test_the_same_ranking_is_kept_once(conn, yard_id):
    first = save(conn, yard_id)
    assert save(conn, yard_id, created_at=NINE + HOUR) == first
    others = [
        save(conn, yard_id, as_of=NINE + HOUR),
        save(conn, yard_id, parameters={"x10": 0.16}),
        save(conn, yard_id, rows=ROWS[::-1]),
    ]
    assert len({first, *others}) == 4
    assert save(conn, yard_id, rows=ROWS[::-1]) == others[2]
    assert len(rankings(conn, yard_id)) == 4


def test_missing_stays_missing(conn, yard_id):
    kept = ranking(conn, save(conn, yard_id, data_age_h=None, rows=[{"value": math.nan, "hour": None}]))
    assert kept.head.data_age_h is None
    assert math.isnan(kept.rows[0]["value"])
    assert kept.rows[0]["hour"] is None
    with pytest.raises(ValueError, match="not JSON compliant"):
        save(conn, yard_id, parameters={"x10": math.nan})


def test_a_value_json_cannot_hold_is_refused(conn, yard_id):
    with pytest.raises(TypeError, match="int64 is not JSON serializable"):
        save(conn, yard_id, rows=[{"rank": np.int64(1)}])
    assert rankings(conn, yard_id) == []


def test_rankings_are_listed_newest_first(conn, yard_id):
    saved = [save(conn, yard_id, as_of=NINE + hours * HOUR) for hours in (1, 3, 0, 2)]
    assert [head.as_of for head in rankings(conn, yard_id)] == [NINE + hours * HOUR for hours in (3, 2, 1, 0)]
    assert [head.id for head in rankings(conn, yard_id, limit=2)] == [saved[1], saved[3]]
    assert rankings(conn, yard_id + 1) == []


def test_an_unknown_ranking_is_answered_with_where_to_look(conn, yard_id):
    with pytest.raises(StoreError, match=r'No ranking xyz is kept here\. "stormwalk rank --stored"'):
        ranking(conn, "xyz")


def test_a_ranking_that_was_tampered_with_is_noticed(conn, yard_id):
    ranking_id, other = save(conn, yard_id), save(conn, yard_id, rows=[])
    conn.execute("DROP TRIGGER rankings_no_update")
    conn.execute(
        "UPDATE rankings SET rows = (SELECT rows FROM rankings WHERE id = ?) WHERE id = ?", (other, ranking_id)
    )
    with pytest.raises(StoreError, match="does not match its hash"):
        ranking(conn, ranking_id)


def test_the_curve_chosen_last_counts_and_the_others_stay_readable(conn, yard_id):
    first = StoredCurve("snow", 0.15, 0.5, NINE, "default")
    second = StoredCurve("snow", 0.2, 0.6, NINE + HOUR, "refit with 40 inspections")
    gust = StoredCurve("gust", 150.0, 400.0, NINE, "")
    assert curves(conn, yard_id) == {}
    assert all(save_curve(conn, yard_id, curve) for curve in (first, gust, second))
    assert curves(conn, yard_id) == {"snow": second, "gust": gust}
    assert curves(conn, yard_id, known_at=NINE) == {"snow": first, "gust": gust}
    assert curves(conn, yard_id, known_at=NINE - HOUR) == {}


def test_choosing_the_same_curve_again_changes_nothing(conn, yard_id):
    curve = StoredCurve("snow", 0.15, 0.5, NINE, "default")
    assert save_curve(conn, yard_id, curve)
    assert not save_curve(conn, yard_id, StoredCurve("snow", 0.15, 0.5, NINE + HOUR, "again"))
    assert curves(conn, yard_id) == {"snow": curve}


@pytest.mark.parametrize(
    ("x10", "x50"), [(0.5, 0.5), (0.6, 0.5), (0.0, 0.5), (-1.0, 0.5), (math.nan, 0.5), (1, math.nan)]
)
def test_numbers_that_make_no_curve_are_refused(conn, yard_id, x10, x50):
    with pytest.raises(StoreError, match=r"Curve of snow: .*expected 0 < x10 < x50\. Nothing was stored"):
        save_curve(conn, yard_id, StoredCurve("snow", x10, x50, NINE, ""))
    with pytest.raises(sqlite3.IntegrityError):
        conn.execute(
            f"INSERT INTO ranking_curves VALUES (NULL, {yard_id}, 'snow', ?, ?, '{NINE:%FT%TZ}', '')", (x10, x50)
        )
    assert curves(conn, yard_id) == {}
