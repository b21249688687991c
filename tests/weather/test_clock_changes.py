"""When the clocks change no hour is lost and none counted twice, whatever way a source writes its times.

Clock changes of 2026: in North America on 8 March and 1 November at 02:00, in Europe on 29 March at 02:00 and
25 October at 03:00 (central European time), in Sydney on 5 April at 03:00 and 4 October at 02:00. The round trips take
the same from the time zone database by way of the standard library.
"""

import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from monitor.weather.providers import bright_sky, logger, nws_observations, open_meteo, open_meteo_archive

FETCHED = datetime(2026, 12, 1, tzinfo=UTC)


def consecutive(first_utc, count):
    return list(pd.date_range(first_utc, periods=count, freq="h"))


def temperatures(parsed):
    """Hours and their temperature; the answers below count the hours up from 0."""
    column = parsed.hours["air_temperature_c"]
    return list(column.index), column.tolist()


# --- Open-Meteo: local times without offset text, one offset for the whole answer, that of the moment of asking ---


def open_meteo_answer(texts, offset_s):
    return json.dumps(
        {
            "utc_offset_seconds": offset_s,
            "hourly_units": {"time": "iso8601", "temperature_2m": "°C"},
            "hourly": {"time": texts, "temperature_2m": list(range(len(texts)))},
        }
    ).encode()


@pytest.mark.parametrize("read", [open_meteo.parse, open_meteo_archive.parse], ids=["forecast", "archive"])
@pytest.mark.parametrize(
    ("texts", "offset_h", "first_utc"),
    [
        pytest.param(
            ["2026-03-08T01:00", "2026-03-08T02:00", "2026-03-08T03:00"],
            -5,
            "2026-03-08T06:00Z",
            id="Toronto in spring, asked in winter: 02:00 was on no clock",
        ),
        pytest.param(
            ["2026-03-08T01:00", "2026-03-08T02:00", "2026-03-08T03:00"],
            -4,
            "2026-03-08T05:00Z",
            id="Toronto in spring, asked in summer",
        ),
        pytest.param(
            ["2026-11-01T00:00", "2026-11-01T01:00", "2026-11-01T02:00"],
            -4,
            "2026-11-01T04:00Z",
            id="Toronto in autumn, asked in summer: 01:00 stands once",
        ),
        pytest.param(
            ["2026-11-01T00:00", "2026-11-01T01:00", "2026-11-01T02:00"],
            -5,
            "2026-11-01T05:00Z",
            id="Toronto in autumn, asked in winter",
        ),
        pytest.param(
            ["2026-01-10T06:00", "2026-01-10T07:00"], -4, "2026-01-10T10:00Z", id="New York in January, asked in summer"
        ),
        pytest.param(
            ["2026-03-29T01:00", "2026-03-29T02:00", "2026-03-29T03:00"],
            1,
            "2026-03-29T00:00Z",
            id="Berlin in spring, asked in winter",
        ),
        pytest.param(
            ["2026-10-25T01:00", "2026-10-25T02:00", "2026-10-25T03:00"],
            2,
            "2026-10-24T23:00Z",
            id="Berlin in autumn, asked in summer",
        ),
    ],
)
def test_open_meteo_keeps_one_offset_for_the_whole_answer(read, texts, offset_h, first_utc):
    parsed = read(open_meteo_answer(texts, offset_h * 3600), fetched_at=FETCHED)
    assert temperatures(parsed) == (consecutive(first_utc, len(texts)), list(range(len(texts))))


# --- a logger's file: what its clock showed ----------------------------------------------------------------------


def logger_file(texts):
    return "\n".join(["t,temp", *(f"{text},{number}" for number, text in enumerate(texts)), ""]).encode()


def read_logger(texts, zone, time_is="end"):
    mapping = logger.LoggerMapping("t", {"air_temperature_c": ("temp", "°C")}, time_zone=zone, time_is=time_is)
    return logger.parse(logger_file(texts), fetched_at=FETCHED, mapping=mapping)


@pytest.mark.parametrize(
    ("zone", "time_is", "texts", "first_utc"),
    [
        pytest.param(
            "America/New_York",
            "end",
            ["2026-03-08 00:00", "2026-03-08 01:00", "2026-03-08 03:00", "2026-03-08 04:00"],
            "2026-03-08T05:00Z",
            id="New York in spring: 02:00 is skipped",
        ),
        pytest.param(
            "America/New_York",
            "start",
            ["2026-03-08 00:00", "2026-03-08 01:00", "2026-03-08 03:00", "2026-03-08 04:00"],
            "2026-03-08T06:00Z",
            id="New York in spring, stamped with the start",
        ),
        pytest.param(
            "America/New_York",
            "end",
            ["2026-11-01 00:00", "2026-11-01 01:00", "2026-11-01 01:00", "2026-11-01 02:00"],
            "2026-11-01T04:00Z",
            id="New York in autumn: 01:00 is repeated",
        ),
        pytest.param(
            "America/New_York",
            "start",
            ["2026-11-01 00:00", "2026-11-01 01:00", "2026-11-01 01:00", "2026-11-01 02:00"],
            "2026-11-01T05:00Z",
            id="New York in autumn, stamped with the start",
        ),
        pytest.param(
            "Etc/GMT+5",
            "end",
            ["2026-03-08 00:00", "2026-03-08 01:00", "2026-03-08 02:00", "2026-03-08 03:00"],
            "2026-03-08T05:00Z",
            id="a clock that ignores summer time, in spring",
        ),
        pytest.param(
            "Etc/GMT+5",
            "end",
            ["2026-11-01 00:00", "2026-11-01 01:00", "2026-11-01 02:00", "2026-11-01 03:00"],
            "2026-11-01T05:00Z",
            id="a clock that ignores summer time, in autumn",
        ),
        pytest.param(
            "Europe/Berlin",
            "end",
            ["2026-03-29 01:00", "2026-03-29 03:00", "2026-03-29 04:00"],
            "2026-03-29T00:00Z",
            id="Berlin in spring",
        ),
        pytest.param(
            "Europe/Berlin",
            "end",
            ["2026-10-25 01:00", "2026-10-25 02:00", "2026-10-25 02:00", "2026-10-25 03:00"],
            "2026-10-24T23:00Z",
            id="Berlin in autumn",
        ),
    ],
)
def test_a_logger_may_skip_and_repeat_an_hour_of_its_clock(zone, time_is, texts, first_utc):
    assert temperatures(read_logger(texts, zone, time_is)) == (
        consecutive(first_utc, len(texts)),
        list(range(len(texts))),
    )


# --- Bright Sky: local times with their offset --------------------------------------------------------------------


def bright_sky_answer(texts):
    records = [{"timestamp": text, "source_id": 1, "temperature": number} for number, text in enumerate(texts)]
    sources = [{"id": 1, "observation_type": "historical"}]
    return json.dumps({"weather": records, "sources": sources}).encode()


@pytest.mark.parametrize(
    ("texts", "first_utc"),
    [
        pytest.param(
            ["2026-03-29T01:00:00+01:00", "2026-03-29T03:00:00+02:00", "2026-03-29T04:00:00+02:00"],
            "2026-03-29T00:00Z",
            id="spring: 03:00 follows 01:00",
        ),
        pytest.param(
            [
                "2026-10-25T01:00:00+02:00",
                "2026-10-25T02:00:00+02:00",
                "2026-10-25T02:00:00+01:00",
                "2026-10-25T03:00:00+01:00",
            ],
            "2026-10-24T23:00Z",
            id="autumn: 02:00 stands twice, with two offsets",
        ),
        pytest.param(
            ["2026-01-10T05:00:00+01:00", "2026-01-10T06:00:00+01:00"], "2026-01-10T04:00Z", id="winter at +01:00"
        ),
    ],
)
def test_bright_sky_tells_the_repeated_hour_apart_by_its_offset(texts, first_utc):
    parsed = bright_sky.parse(bright_sky_answer(texts), fetched_at=FETCHED)
    assert temperatures(parsed) == (consecutive(first_utc, len(texts)), list(range(len(texts))))


# --- National Weather Service: reports with their offset ---------------------------------------------------------


def nws_answer(texts):
    features = [
        {
            "type": "Feature",
            "properties": {
                "station": "https://api.weather.gov/stations/KPWM",
                "timestamp": text,
                "rawMessage": "",
                "temperature": {"unitCode": "wmoUnit:degC", "value": number, "qualityControl": "V"},
            },
        }
        for number, text in enumerate(texts)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features[::-1]}).encode()  # newest first


@pytest.mark.parametrize(
    ("texts", "first_utc"),
    [
        pytest.param(
            ["2026-03-08T00:51:00-05:00", "2026-03-08T01:51:00-05:00", "2026-03-08T03:51:00-04:00"],
            "2026-03-08T06:00Z",
            id="spring: 03:51 follows 01:51",
        ),
        pytest.param(
            [
                "2026-11-01T00:51:00-04:00",
                "2026-11-01T01:51:00-04:00",
                "2026-11-01T01:51:00-05:00",
                "2026-11-01T02:51:00-05:00",
            ],
            "2026-11-01T05:00Z",
            id="autumn: 01:51 stands twice, with two offsets",
        ),
        pytest.param(
            ["2026-11-01T04:51:00+00:00", "2026-11-01T05:51:00+00:00", "2026-11-01T06:51:00+00:00"],
            "2026-11-01T05:00Z",
            id="autumn in UTC, as the service writes today",
        ),
    ],
)
def test_reports_of_the_weather_service_are_read_by_their_offset(texts, first_utc):
    parsed = nws_observations.parse(nws_answer(texts), fetched_at=FETCHED)
    assert temperatures(parsed) == (consecutive(first_utc, len(texts)), list(range(len(texts))))


# --- every way of writing, over whole local days -----------------------------------------------------------------

LOCAL_DAYS = [  # zone, day, hours that the day had
    ("America/New_York", datetime(2026, 3, 8), 23),
    ("America/New_York", datetime(2026, 11, 1), 25),
    ("Europe/Berlin", datetime(2026, 3, 29), 23),
    ("Europe/Berlin", datetime(2026, 10, 25), 25),
    ("Australia/Sydney", datetime(2026, 4, 5), 25),
    ("Australia/Sydney", datetime(2026, 10, 4), 23),
    ("America/New_York", datetime(2026, 1, 10), 24),
]


def hour_endings(zone, day):
    """Ends of the hours of a local day, as moments in UTC."""
    midnights = [midnight.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC) for midnight in (day, day + timedelta(days=1))]
    count = (midnights[1] - midnights[0]) // timedelta(hours=1)
    return [midnights[0] + timedelta(hours=number + 1) for number in range(count)]


def as_open_meteo(moments, zone):
    offset = moments[0].astimezone(ZoneInfo(zone)).utcoffset()
    texts = [f"{moment + offset:%Y-%m-%dT%H:%M}" for moment in moments]
    return open_meteo.parse(open_meteo_answer(texts, int(offset.total_seconds())), fetched_at=FETCHED)


def as_logger(moments, zone):
    return read_logger([f"{moment.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}" for moment in moments], zone)


def as_bright_sky(moments, zone):
    texts = [moment.astimezone(ZoneInfo(zone)).isoformat() for moment in moments]
    return bright_sky.parse(bright_sky_answer(texts), fetched_at=FETCHED)


def as_weather_service(moments, zone):
    reports = [(moment - timedelta(minutes=9)).astimezone(ZoneInfo(zone)).isoformat() for moment in moments]
    return nws_observations.parse(nws_answer(reports), fetched_at=FETCHED)


@pytest.mark.parametrize("written", [as_open_meteo, as_logger, as_bright_sky, as_weather_service])
@pytest.mark.parametrize(("zone", "day", "hours"), LOCAL_DAYS, ids=lambda value: str(value))
def test_a_local_day_keeps_all_its_hours(written, zone, day, hours):
    moments = hour_endings(zone, day)
    assert len(moments) == hours
    assert temperatures(written(moments, zone)) == ([pd.Timestamp(moment) for moment in moments], list(range(hours)))
