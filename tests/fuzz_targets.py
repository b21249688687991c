"""Every reader of what people and services send: how it is called, good examples, and what must come out of it.

A reader gives a value that keeps its promises, or one of its documented errors with a sentence; nothing else.
"""

import io
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unicodedata import category

import numpy as np
from invented_yard import COVERS, YARD, metar, open_meteo
from PIL import Image

from monitor.cli.inputs import moment as moment_of_option
from monitor.cli.walk import crew_from_text, minutes_from_texts, start_moment
from monitor.cli.weather import logger_mapping
from monitor.errors import StormwalkError
from monitor.exchange.change_options import change_fields
from monitor.exchange.entry_values import (
    EntryError,
    action_from,
    finding_from_text,
    inspection_from,
    length_from_text,
    speed_from_text,
)
from monitor.exchange.log_files import LogFile, read_log
from monitor.exchange.register_csv import decode, read_covers, read_yards, write_covers, write_yards
from monitor.pictures import examine, upright_jpeg
from monitor.register import parse_quiet_hours
from monitor.units import UNITS, UnreadableError, parse_quantity
from monitor.variables import KINDS, PRESENT_WEATHER, VARIABLES
from monitor.walks.stored import plan_from_json
from monitor.weather import metar as metar_text
from monitor.weather.providers import (
    bright_sky,
    hand,
    logger,
    met_norway,
    metar_archive,
    ncei_daily,
    nws_alerts,
    nws_grid,
    nws_observations,
    open_meteo_archive,
)
from monitor.weather.providers import (
    open_meteo as forecast,
)
from monitor.weather.providers.http import holds_until
from monitor.weather.stations import parse_iem_network, parse_nws_stations
from monitor.web.entries import action_form_values, inspection_form_values
from monitor.web.register_forms import FormRefused, cover_from_texts, texts_of_cover, texts_of_yard, yard_from_texts
from monitor.web.security import local_path

ANSWERS = Path(__file__).parents[1] / "fixtures" / "weather"  # invented numbers, the published shapes
FETCHED = datetime(2026, 1, 12, 6, 20, tzinfo=UTC)
LONGEST_LINE = 1000
"""Letters of one problem, however long what it quotes."""

MOST_LINES = 60
"""Of an error that tells the problems of a file, one a line."""

HARMLESS = {"Cf", "Co", "Cn", "Zs"}
"""Categories of letters that some systems show as nothing: joiners of emoji, letters newer than this Python."""


@dataclass(frozen=True)
class Target:
    """One reader. ``read`` takes bytes; ``keeps`` asserts what is promised of a value that came out.

    ``refuses`` are the errors that its callers know how to tell a person. ``typed`` is what stands on a command line.
    """

    name: str
    read: Callable[[bytes], Any]
    examples: tuple[bytes, ...]
    keeps: Callable[[Any], None] = lambda value: None
    refuses: tuple[type[Exception], ...] = (StormwalkError,)
    typed: bool = False


def check(target: Target, content: bytes) -> str:
    """Read bytes; "read" or "refused". Raises what must never be raised, AssertionError for a broken promise."""
    sentence = value = None
    try:
        value = target.read(content)
    except target.refuses as error:
        one_each = isinstance(error, EntryError)  # the problems of one entry stand in one line, twenty at most
        sentence = "\n".join(error.problems[:MOST_LINES]) if one_each else str(error)
    if sentence is None:
        target.keeps(value)
        return "read"
    assert_is_sentence(sentence)
    return "refused"


def assert_is_sentence(said: str) -> None:
    """What is printed, stored and shown of a refusal: not nothing, not endless, and no letter that a terminal obeys."""
    assert said.strip(), "an error that says nothing"
    lines = said.split("\n")
    assert len(lines) <= MOST_LINES, f"an error of {len(lines)} lines: {said[:200]!r}"
    for line in lines:
        assert len(line) <= LONGEST_LINE, f"a sentence of {len(line)} letters: {line[:200]!r}"
        for letter in line:
            assert letter.isprintable() or category(letter) in HARMLESS, f"{letter!a} in {line[:200]!a}"


# --- what is promised


def _keeps_hours(parsed: Any) -> None:
    hours = parsed.hours
    assert (str(hours.index.tz), hours.index.name) == ("UTC", "hour_ending")
    assert hours.index.is_monotonic_increasing
    assert hours.index.is_unique
    assert (hours.index == hours.index.floor("h")).all()
    assert set(hours.columns) <= {*VARIABLES, PRESENT_WEATHER}
    for name in hours.columns:
        if name == PRESENT_WEATHER:
            _writable(*hours[name].dropna())
        else:
            assert hours[name].dtype == np.float64
            assert not np.isinf(hours[name]).any(), f"{name} is infinite"
    assert parsed.flags.index.equals(hours.index)
    assert parsed.kinds.index.equals(hours.index)
    assert parsed.kinds.isin(KINDS).all()
    _writable(*parsed.notes)


def _keeps_days(parsed: Any) -> None:
    assert parsed.days.index.is_monotonic_increasing
    assert parsed.days.index.is_unique
    assert not np.isinf(parsed.days.to_numpy(dtype=float)).any()
    assert parsed.flags.index.equals(parsed.days.index)
    assert parsed.day_ends.index.equals(parsed.days.index)
    _writable(parsed.station, *parsed.notes)


def _keeps_stations(stations: Any) -> None:
    for station in stations:
        assert abs(station.latitude_deg) <= 90
        assert abs(station.longitude_deg) <= 180
        assert station.elevation_m is None or abs(station.elevation_m) < 1e5
        _writable(station.id, station.name, station.time_zone, station.daily_id)
    assert len({station.id for station in stations}) == len(stations)


def _keeps_alerts(alerts: Any) -> None:
    for alert in alerts:
        for moment in (alert.sent, alert.onset, alert.ends):
            assert moment.utcoffset() == timedelta(0)
        _writable(alert.id, alert.event, alert.headline, alert.sender, *alert.references)


def _keeps_covers(covers: Any) -> None:
    """What was read comes back unchanged out of what is written of it."""
    text = write_covers(covers, "us", YARD.time_zone)
    text.encode()
    assert read_covers(text, "again.csv", YARD) == list(covers)


def _keeps_yards(yards: Any) -> None:
    text = write_yards(yards)
    text.encode()
    assert read_yards(text, "again.csv") == list(yards)


def _keeps_log(log: LogFile) -> None:
    for entry in (*log.inspections, *log.actions):
        assert entry.at is None or entry.at.utcoffset() == timedelta(0)
        assert entry.at is not None or entry.corrects
        _writable(entry.boat, entry.by, entry.note, entry.id)
    for visit in log.inspections:
        for number in (visit.snow_depth_m, visit.snow_water_mm, visit.band_drop_m, visit.gust_seen_ms):
            assert number is None or 0 <= number < 1e6
    for found in (*log.findings, *(found for visit in log.inspections for found in visit.findings)):
        assert found.severity in (0, 1, 2, 3)
        _writable(found.note, found.by)


def _keeps_entry(entry: Any) -> None:
    _writable(entry.boat, entry.note, entry.yard)
    assert 0 < len(entry.boat) <= 80


def _keeps_crew(names: tuple[str, ...]) -> None:
    assert names
    assert all(name == " ".join(name.split()) for name in names)


def _keeps_minutes(minutes: Any) -> None:
    for number in minutes.values():
        _keeps_finite(number)


def _keeps_finite(value: Any) -> None:
    assert value is None or np.isfinite(value)


def _keeps_utc(moment: Any) -> None:
    assert moment is None or moment.utcoffset() == timedelta(0)


def _keeps_path(path: str) -> None:
    assert path.startswith("/")
    assert not path.startswith("//")
    assert "\\" not in path


def _keeps_picture(picture: Any) -> None:
    assert picture.width_px * picture.height_px <= 64_000_000


def _writable(*texts: str) -> None:
    for text in texts:
        text.encode()


# --- how they are called


def _text(read: Callable[[str], Any]) -> Callable[[bytes], Any]:
    """Texts come from a command line or a page, where bytes that are no UTF-8 are lone surrogates."""
    return lambda content: read(content.decode("utf-8", "surrogateescape"))


def _values(read: Callable[[Any], Any], kind: type = dict) -> Callable[[bytes], Any]:
    """Values out of JSON; what is no JSON, or of another kind, is not for this reader."""

    def of_json(content: bytes) -> Any:
        try:
            values = json.loads(content)
        except (ValueError, RecursionError):
            raise StormwalkError("not JSON") from None
        if not isinstance(values, kind):
            raise StormwalkError("of another kind")
        return read(values)

    return of_json


def _form(read: Callable[[dict[str, str]], Any]) -> Callable[[bytes], Any]:
    """Fields of a form: names and texts, none of them anything else."""
    return _values(lambda values: read({name: value for name, value in values.items() if isinstance(value, str)}))


def _log(content: bytes) -> LogFile:
    return read_log(content, "paper.csv", YARD, by="Ida")


def _mapped_logger(content: bytes) -> Any:
    columns = {"wind_speed_ms": ("Wind", "mph"), "wind_gust_ms": ("Gust", "mph"), "precipitation_mm": ("Rain", "in")}
    columns["air_temperature_c"] = ("Temp", "°F")
    mapping = logger.LoggerMapping("Date & Time", columns, "America/New_York", "start", "%m/%d/%Y %H:%M")
    return logger.parse(content, fetched_at=datetime(2027, 1, 1, tzinfo=UTC), mapping=mapping)


def _mapping(content: bytes) -> Any:
    """Arguments of ``weather import`` for a logger, one a line, as they are used on a small file."""
    time_column, _, rest = content.decode("utf-8", "surrogateescape").partition("\n")
    time_zone, _, columns = rest.partition("\n")
    mapping = logger_mapping(time_column, time_zone, "end", tuple(columns.split("\n")))
    return logger.parse(b"t,Gust\n2026-01-10 06:00,3\n2026-01-10 07:00,4\n", fetched_at=FETCHED, mapping=mapping)


def _headers(content: bytes) -> Any:
    """Headers of an answer, one a line."""
    lines = (line.partition(":") for line in content.decode("latin-1").splitlines())
    return holds_until({name.strip().lower(): value.strip() for name, _, value in lines})


def _registers_form(texts: dict[str, str]) -> Any:
    return cover_from_texts(texts, YARD)


def _file(*names: str) -> tuple[bytes, ...]:
    return tuple((ANSWERS / name).read_bytes() for name in names)


def _photos() -> tuple[bytes, ...]:
    made = []
    for kind, mode in (("JPEG", "RGB"), ("PNG", "RGBA"), ("PNG", "I;16"), ("PNG", "P"), ("WEBP", "RGB")):
        out, exif = io.BytesIO(), Image.Exif()
        exif[0x0112] = 6
        exif.get_ifd(0x8769)[0x9003] = "2026:02:21 14:00:00"
        Image.new(mode, (24, 16)).save(out, kind, exif=exif)
        made.append(out.getvalue())
    return tuple(made)


def _plan() -> bytes:
    stop = {"boat": "01", "call": "walk first", "score": 0.9, "arrive": "2026-02-22T14:00:00Z", "minutes": 20.0}
    plan = {
        "yard_key": "north",
        "as_of": "2026-02-22T12:00:00Z",
        "start": "2026-02-22T13:00:00Z",
        "latest_finish": None,
        "sunrise": None,
        "sunset": "2026-02-22T22:00:00Z",
        "rounds": [
            {
                "names": ["Ida", "Per"],
                "stops": [stop | {"walk_m": 12.5}],
                "walked_m": 12.5,
                "finish": "2026-02-22T15:00:00Z",
            }
        ],
        "left_out": [{"boat": "02", "call": "walk soon", "score": 0.2, "why": "no time for it"}],
        "covered_share": 0.8,
        "notes": ["A note."],
    }
    return json.dumps(plan).encode()


_INSPECTION = {
    "id": "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60",
    "boat": "01",
    "yard": "north",
    "inspected_at": "2023-12-02T09:30",
    "inside": True,
    "findings": [{"defect": "chafe", "place": "bow", "severity": 1, "note": "0.3 m"}],
    "snow_depth": "6in",
    "snow_water_mm": 12.5,
    "band_drop": "8 in",
    "gust_seen": "28kn",
    "note": "wet",
    "corrects": None,
}
_ACTION = {"boat": "01", "action": "taped", "acted_at": "2023-12-02T14:30Z", "quantity": 2, "note": "bow"}
_FORM = {
    "boat": "01",
    "inspected_at": "2023-12-02T09:30",
    "defect-0": "chafe",
    "place-0": "bow",
    "severity-0": "1",
    "note-0": "0.3 m",
    "snow_depth": "6in",
    "snow_water_mm": "3",
}
_QUEUE = {
    "by": "Ida",
    "inspections": [
        _INSPECTION | {"photos": [{"image": "/9j/", "taken_at": "2023-12-02T09:31"}]},
        {
            "boat": "02",
            "inspected_at": "2023-12-02 09:40",
            "findings": [{"defect": "tear", "place": "port", "severity": 2, "photos": []}],
        },
    ],
    "actions": [_ACTION],
}
_LOG_CSV = (
    "entry,boat,at,by,defect,place,severity,action,snow_depth_in,inside,note\r\n"
    ',01,2023-12-02 09:30,Ida,chafe,bow,1,,6,yes,"wet, and\nlong"\r\n'
    ",02,2023-12-02T14:30Z,Per,,,,,,,\r\n"
    ",02,2023-12-02 09:50,Per,,,,taped,,,\r\n"
)
_YARDS = write_yards([YARD])
_COVERS = read_covers(COVERS, "covers.csv", YARD)
_COVER_US = write_covers(_COVERS, "us", YARD.time_zone)
_FIRST = datetime(2026, 1, 10, tzinfo=UTC)
_METAR = (
    b"KQXM 100253Z 06014G25KT 2SM -SN BR OVC018 M01/M04 A3002 RMK AO2 PK WND 05027/0240 SNB12 SLP166 P0003 I1002 "
    b"4/007 T10111039"
)
_HEADERS = (
    b"Date: Sat, 10 Jan 2026 06:04:53 GMT\nCache-Control: max-age=3600, public\nExpires: Sat, 10 Jan 2026 06:34:53 GMT",
    b"Expires: Sat, 10 Jan 2026 06:34:53 +0100",
)
_HAND = hand.written(_FIRST, "Ida", {"snow_depth_m": 0.15, "rain_mm": 12.0, "wind_gust_ms": 20.0}, 6)
_LENGTHS = (b"8'6\"", b"8 ft 6 1/2 in", b"2.6 m", b'102"', b"1e-3 m", "8½ ft".encode(), b"15cm", b"-3 ft")
_SPEEDS = (b"28kn", b"14 m/s", b"45 mph", b"50 km/h")

FETCHED_READS: tuple[tuple[str, Callable[..., Any], tuple[bytes, ...]], ...] = (
    ("bright_sky", bright_sky.parse, _file("bright_sky/storm_morning.json", "bright_sky/error_404.json")),
    ("met_norway", met_norway.parse, _file("met_norway/winter_night.json", "met_norway/no_hours.json")),
    ("metar_archive", metar_archive.parse, (*_file("metar_archive/storm_night.csv"), metar(_FIRST, 5))),
    ("nws_grid", nws_grid.parse, _file("nws/grid.json", "nws/problem_503.json")),
    ("nws_observations", nws_observations.parse, _file("nws/observations.json")),
    (
        "open_meteo",
        forecast.parse,
        (*_file("open_meteo/nulls.json", "open_meteo/old_names.json"), open_meteo(_FIRST, 6)),
    ),
    (
        "open_meteo_archive",
        open_meteo_archive.parse,
        _file("open_meteo_archive/one_model.json", "open_meteo_archive/archive.json"),
    ),
    ("logger", logger.parse, _file("logger/canonical.csv")),
    ("hand", hand.parse, (_HAND,)),
)

TARGETS: tuple[Target, ...] = (
    Target(
        "covers_csv",
        lambda c: read_covers(decode(c, "c.csv"), "c.csv", YARD),
        (COVERS.encode(), _COVER_US.encode()),
        _keeps_covers,
    ),
    Target("yards_csv", lambda c: read_yards(decode(c, "y.csv"), "y.csv"), (_YARDS.encode(),), _keeps_yards),
    Target("log_csv", _log, (_LOG_CSV.encode(),), _keeps_log),
    Target("log_json", _log, (json.dumps(_QUEUE).encode(),), _keeps_log),
    *(
        Target(name, lambda c, parse=parse: parse(c, fetched_at=FETCHED), examples, _keeps_hours)
        for name, parse, examples in FETCHED_READS
    ),
    Target("logger_mapped", _mapped_logger, _file("logger/twenty_minutes_new_york.csv"), _keeps_hours),
    Target(
        "logger_options",
        _mapping,
        (b"t\nAmerica/New_York\nwind_gust_ms=Gust:mph", b"t\nEtc/GMT+5\nwind_gust_ms=Gust"),
        _keeps_hours,
        typed=True,
    ),
    Target(
        "open_meteo_reanalysis",
        lambda c: open_meteo_archive.parse(c, fetched_at=FETCHED, which="archive"),
        _file("open_meteo_archive/archive.json"),
        _keeps_hours,
    ),
    Target("ncei_daily", ncei_daily.parse_days, _file("ncei/days_metric.json", "ncei/error_400.json"), _keeps_days),
    Target(
        "ncei_daily_us",
        lambda c: ncei_daily.parse_days(c, units="standard"),
        _file("ncei/observation_days.csv"),
        _keeps_days,
    ),
    Target("nws_alerts", nws_alerts.parse_alerts, _file("nws/alerts.json"), _keeps_alerts),
    Target("nws_point", nws_grid.parse_point, _file("nws/point.json")),
    Target("nws_stations", parse_nws_stations, _file("stations/nws_stations.json"), _keeps_stations),
    Target("iem_network", parse_iem_network, _file("stations/iem_network.json"), _keeps_stations),
    Target(
        "met_norway_headers",
        met_norway.saved_headers,
        (b'{"status_code": 200, "headers": {"Expires": "x"}, "data": {}}',),
    ),
    Target("metar_text", _text(lambda t: metar_text.decode(t, _FIRST)), (_METAR,), refuses=()),
    Target("http_headers", _headers, _HEADERS, _keeps_utc, ()),
    Target("hand_reading", _text(lambda t: hand.reading("wind_gust_ms", t)), _SPEEDS, _keeps_finite, typed=True),
    Target("hand_depth", _text(lambda t: hand.reading("snow_depth_m", t)), _LENGTHS, _keeps_finite, typed=True),
    *(
        Target(
            f"quantity_{dimension}",
            _text(lambda t, d=dimension: parse_quantity(t, d, next(iter(UNITS[d])), signed=True)),
            (*_LENGTHS, *_SPEEDS, "-2.5 °C".encode(), b"7 mil", b"9.5 in2", b"22.5", b"6 psf"),
            _keeps_finite,
            (UnreadableError,),
            typed=True,
        )
        for dimension in UNITS
    ),
    Target("log_length", _text(lambda t: length_from_text(t, "--snow-depth")), _LENGTHS, _keeps_finite, typed=True),
    Target("log_speed", _text(lambda t: speed_from_text(t, "--gust-seen")), _SPEEDS, _keeps_finite, typed=True),
    Target("log_finding", _text(finding_from_text), (b"loose_band@port:2", b"tear@bow:1:over the pulpit"), typed=True),
    Target(
        "option_time",
        _text(lambda t: moment_of_option(t, "America/New_York", "--at")),
        (b"2026-02-21 14:00", b"2026-02-21T19:00Z"),
        _keeps_utc,
        typed=True,
    ),
    Target("quiet_hours", _text(parse_quiet_hours), (b"21:00-05:30", b"0-5"), refuses=(ValueError,), typed=True),
    Target(
        "next_page", _text(local_path), (b"/yards/north/boat?number=07", b"//evil.example", b"/a:b"), _keeps_path, ()
    ),
    Target("inspection_values", _values(inspection_from), (json.dumps(_INSPECTION).encode(),), _keeps_entry),
    Target("action_values", _values(action_from), (json.dumps(_ACTION).encode(),), _keeps_entry),
    Target(
        "inspection_form",
        _form(lambda f: inspection_from(inspection_form_values(f))),
        (json.dumps(_FORM).encode(),),
        _keeps_entry,
    ),
    Target(
        "action_form",
        _form(lambda f: action_from(action_form_values(f))),
        (json.dumps(_ACTION | {"quantity": "2"}).encode(),),
        _keeps_entry,
    ),
    Target(
        "cover_form",
        _form(_registers_form),
        (json.dumps(texts_of_cover(_COVERS[0], _COVERS[0].builds[0], YARD)).encode(),),
        lambda cover: _keeps_covers([cover]),
        (StormwalkError, FormRefused),
    ),
    Target(
        "yard_form",
        _form(lambda f: yard_from_texts(f, "us")),
        (json.dumps(texts_of_yard(YARD)).encode(),),
        lambda yard: _keeps_yards([yard]),
        (StormwalkError, FormRefused),
    ),
    Target("stored_plan", _values(plan_from_json), (_plan(),), refuses=(StormwalkError, ValueError)),
    Target(
        "changes",
        _form(lambda f: change_fields(f, lambda option: option.flag)),
        (b'{"vents": "8", "vent_area": "18in2", "ridge_raise": "12in", "ground": "dry", "film_colour": "white"}',),
        lambda fields: [_keeps_finite(value) for value in fields.values() if not isinstance(value, str)],
    ),
    Target("walk_crew", _text(lambda t: crew_from_text(t, 4)), (b"Ida, Per", b"12"), _keeps_crew),
    Target(
        "walk_start", _text(lambda t: start_moment(t, FETCHED, "America/New_York")), (b"07:30", b"2026-02-21 14:00")
    ),
    Target("walk_minutes", _text(lambda t: minutes_from_texts((t,))), (b"walk first=30",), _keeps_minutes),
    Target("photo", examine, _photos(), _keeps_picture),
    Target("photo_upright", upright_jpeg, _photos()),
)

BY_NAME = {target.name: target for target in TARGETS}
