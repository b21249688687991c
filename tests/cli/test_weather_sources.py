"""The commands that choose sources and take readings by hand, as a person types them."""

import json

import pytest


@pytest.fixture
def started(yard, run):
    """The invented yard's database with its month of weather."""
    return run


def test_the_sources_of_a_yard_are_listed_with_the_reason(started):
    rows = json.loads(started("weather", "sources", "--json").out)
    assert [(row["source"], row["why"]) for row in rows] == [
        ("metar-archive", "station QXM; entered for the yard"),
        ("nws-observations", "nearest station not looked up yet; chosen by stormwalk"),
        ("nws-grid", "grid cell not looked up yet; chosen by stormwalk"),
        ("ncei-daily", "nearest station not looked up yet; chosen by stormwalk"),
    ]


def test_a_source_is_used_dropped_and_left_to_stormwalk(started):
    said = started("weather", "sources", "--use", "metar-archive", "--station", "QXN").out
    assert said.startswith("Yard north uses metar-archive, station QXN. Public domain, free for business use")
    assert "does not ask ncei-daily any more" in started("weather", "sources", "--drop", "ncei-daily").out
    shown = started("weather", "sources").out
    assert "station QXN; chosen by a person" in shown
    assert "ncei-daily" not in shown
    started("weather", "sources", "--auto")
    assert "ncei-daily" in started("weather", "sources").out


def test_an_order_is_set_and_shown(started):
    said = started("weather", "sources", "--order", "metar-archive,logger", "--variable", "wind_gust_ms").out
    assert said.startswith("Yard north believes gust at 10 m of: metar-archive, logger, hand, ")
    status = json.loads(started("weather", "status", "--json").out)
    assert status["order"]["wind_gust_ms"][0] == "metar-archive"
    assert status["order"][""][0] == "hand"


@pytest.mark.parametrize(
    "options",
    [("--station", "QXN"), ("--variable", "rain_mm"), ("--use", "hand"), ("--drop", "nonsense")],
)
def test_options_that_go_with_others_are_wrong_alone(started, options):
    assert started("weather", "sources", *options).exit_code == 2


def test_a_reading_by_hand_is_kept_and_believed_first(started):
    at = "2023-11-08 23:00"
    out = started("weather", "hand", "--at", at, "--snow-depth", "6in", "--gust", "60mph", "--by", "Ida").out
    read = "snow lying on the ground, gust at 10 m"
    assert out == f"hand: {read} kept for Wed 8 Nov 2023 22:00 EST to Wed 8 Nov 2023 23:00 EST.\n"
    (row,) = json.loads(
        started("weather", "hours", "--from", "2023-11-08 22:00", "--to", "2023-11-08 23:00", "--json").out
    )
    assert row["snow_depth_m"] == pytest.approx(0.1524)  # 6 x 0.0254
    assert row["wind_gust_ms"] == pytest.approx(60 * 0.44704)
    assert row["sources"]["wind_gust_ms"] == "hand:observed"


def test_what_a_gauge_collected_over_hours_is_told_from_begin_to_end_on_the_yards_clock(started):
    collected = ("--at", "2023-11-09 07:00", "--rain", "12mm", "--over", "24", "--by", "Ida")
    assert started("weather", "hand", *collected).out == (
        "hand: rain, precipitation as water kept for Wed 8 Nov 2023 07:00 EST to Thu 9 Nov 2023 07:00 EST.\n"
    )


@pytest.mark.parametrize(
    "options, sentence, exit_code",
    [
        ((), "Give at least one reading, such as --snow-depth 6in.", 2),
        (("--rain", "4mm", "--precipitation", "4mm"), "--rain is all that fell, as rain", 2),
        (
            ("--snow-depth", "6"),
            "snow lying on the ground: 6 is not given with its unit; write for example 6in, 15cm",
            1,
        ),
        (("--snow-depth", "6in", "--at", "2090-01-01"), "--at: 2090-01-01 has not come yet.", 1),
    ],
)
def test_a_reading_that_cannot_be_is_refused(started, options, sentence, exit_code):
    outcome = started("weather", "hand", "--by", "Ida", *options)
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split())


def test_days_are_imported_and_checked_against_the_hours(started, yard):
    days = [{"DATE": "2023-11-09", "STATION": "USW00099999", "PRCP": "  7.5", "WSF5": " 31.23"}]
    (yard / "days.json").write_text(json.dumps(days))
    out = started("weather", "import", "days.json", "--source", "ncei-daily").out
    assert out == "days.json: 1 days stored, 2023-11-09 to 2023-11-09.\n"
    shown = started("weather", "status").out
    # The gale's gusts are 45 kt = 23.15 m/s; 31.23 - 23.15 = 8.08 m/s less. No water fell: 7.5 mm less.
    assert (
        "Check, furthest off: precipitation of 2023-11-09 was 7.5 mm at USW00099999, 0.0 mm by the hours, 7.5 mm less"
        in shown
    )
    assert (
        "Check, furthest off: top gust of 2023-11-09 was 31.2 m/s at USW00099999, 23.2 m/s by the hours, 8.1 m/s less"
        in shown
    )
