"""Choices of sources and orders: the last one counts, and what stood before is kept."""

from datetime import UTC, datetime, timedelta

from monitor.store.sources import SourceChoice, choose_source, set_order, source_choices, source_orders

NINE = datetime(2026, 1, 10, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def choice(station="QXM", chosen_at=NINE, **changed):
    fields = {"used": True, "details": {"distance_km": 4.8, "name": "Ærø"}, "chosen_by": "auto"} | changed
    return SourceChoice("metar-archive", station=station, chosen_at=chosen_at, **fields)


def test_a_choice_comes_back_as_it_was_made(conn, yard_id):
    assert choose_source(conn, yard_id, choice())
    assert source_choices(conn, yard_id) == {"metar-archive": choice()}


def test_the_same_choice_again_changes_nothing(conn, yard_id):
    choose_source(conn, yard_id, choice())
    assert not choose_source(conn, yard_id, choice(chosen_at=NINE + HOUR))
    assert source_choices(conn, yard_id)["metar-archive"].chosen_at == NINE


def test_the_last_choice_counts_and_those_before_are_known_by_their_time(conn, yard_id):
    choose_source(conn, yard_id, choice())
    choose_source(conn, yard_id, choice("QXN", NINE + HOUR, chosen_by="person"))
    choose_source(conn, yard_id, choice("QXN", NINE + 2 * HOUR, used=False))
    assert source_choices(conn, yard_id)["metar-archive"].used is False
    assert source_choices(conn, yard_id, NINE + HOUR)["metar-archive"].station == "QXN"
    assert source_choices(conn, yard_id, NINE)["metar-archive"].station == "QXM"
    assert source_choices(conn, yard_id, NINE - HOUR) == {}


def test_orders_are_kept_by_variable_and_an_empty_one_brings_back_the_usual(conn, yard_id):
    set_order(conn, yard_id, "", ["logger", "hand"], NINE)
    set_order(conn, yard_id, "wind_gust_ms", ["metar-archive"], NINE + HOUR)
    assert source_orders(conn, yard_id) == {"": ("logger", "hand"), "wind_gust_ms": ("metar-archive",)}
    set_order(conn, yard_id, "", [], NINE + 2 * HOUR)
    assert source_orders(conn, yard_id) == {"wind_gust_ms": ("metar-archive",)}
    assert source_orders(conn, yard_id, NINE) == {"": ("logger", "hand")}
