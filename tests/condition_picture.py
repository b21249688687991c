"""One invented boat's season with everything that a condition report can show, in a database of its own."""

import io
import uuid
from contextlib import closing
from dataclasses import replace

from invented_yard import COVERS, DAY, GALE, HOUR, SNOW, WRAPPED, YARD, in_hours, metar
from PIL import Image

from monitor.exchange.entry_values import NewFinding
from monitor.exchange.register_csv import read_covers
from monitor.operations.log import record_action, record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.operations.register import import_covers
from monitor.operations.weather import import_weather
from monitor.store import register
from monitor.store.connection import connect

HOURS = 30 * 24
AS_OF = WRAPPED + HOURS * HOUR
"""18 November 2023, 23:00 on the yard's clock."""

SNOW_HOURS, ICE_HOURS, GALE_HOURS, MISSING_HOURS = range(100, 110), range(300, 303), range(480, 500), range(600, 606)
FREEZING_RAIN = {"tmpf": "30.00", "dwpf": "29.00", "relh": "96.00", "p01i": "0.04", "wxcodes": "FZRA"}
"""0.04 in are 1.016 mm of water in the hour."""

OWNER, CONTACT = "Odile Marchbank", "odile@example.org"


def weather(*, snow=SNOW_HOURS, ice=ICE_HOURS, gale=GALE_HOURS, missing=MISSING_HOURS, hours=HOURS):
    """The station's answer: cold and quiet but for these hours; those missing were never reported."""
    columns = {}
    for numbers, of in ((snow, SNOW), (ice, FREEZING_RAIN), (gale, GALE)):
        for name, texts in in_hours(numbers, of).items():
            columns[name] = columns.get(name, {}) | texts
    return metar(WRAPPED + HOUR, hours, without=missing, **columns)


def picture(colour=(200, 30, 30), size=(80, 60)):
    file = io.BytesIO()
    Image.new("RGB", size, colour).save(file, "JPEG")
    return file.getvalue()


def fill(path, *, units="metric", report=None, log=True):
    """The invented yard with its three boats; weather, and boat 02's log with a correction, photos and an owner."""
    yard = replace(YARD, display_units=units)
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [yard])
        import_covers(conn, yard, COVERS.encode(), "covers.csv", WRAPPED)
        covers = [
            replace(cover, boat=replace(cover.boat, owner_name=OWNER, owner_contact=CONTACT))
            for cover in read_covers(COVERS, "covers.csv", yard)
        ]
        register.save_covers(conn, yard.key, covers, WRAPPED)
        answer = weather() if report is None else report
        if answer:
            assert import_weather(conn, yard, "metar-archive", answer, "x.csv", AS_OF).good
        if log:
            _log(conn, photo_folder(path), yard)
    return yard


def look(conn, yard, boat, moment, *findings, **other):
    """Log an inspection by Ida; its id."""
    recorded = other.pop("recorded_at", moment)
    key = str(uuid.uuid5(uuid.NAMESPACE_OID, f"{boat} {moment} {recorded}"))
    record_inspection(
        conn,
        yard,
        boat,
        inspection_id=key,
        inspector="Ida",
        inspected_at=moment,
        recorded_at=recorded,
        findings=findings,
        **other,
    )
    return key


def _log(conn, folder, yard):
    first = WRAPPED + 150 * HOUR
    wrong = look(
        conn,
        yard,
        "02",
        first,
        NewFinding("sag", "starboard", 2, "over the cockpit"),
        snow_depth_m=0.25,
        gust_seen_ms=2.5,
    )
    look(conn, yard, "02", first, snow_depth_m=0.12, gust_seen_ms=2.5, corrects_id=wrong, recorded_at=first + DAY)
    record_action(conn, yard, "02", action="cleared_snow", actor="Per", acted_at=first + HOUR, recorded_at=first + HOUR)
    last = look(
        conn,
        yard,
        "02",
        WRAPPED + 510 * HOUR,
        NewFinding("loose_band", "port", 1, "aft"),
        inside=True,
        note="dry inside",
    )
    look(conn, yard, "01", WRAPPED + 512 * HOUR, NewFinding("tear", "bow", 3))
    for number, of in enumerate((wrong, last)):
        record_photo(
            conn,
            folder,
            yard,
            photo_id=None,
            data=picture((30, 30 + 100 * number, 200)),
            inspection_id=of,
            taken_at=WRAPPED + (150 + 360 * number) * HOUR,
            recorded_at=WRAPPED + (151 + 360 * number) * HOUR,
            taken_by="Ida",
            note=f"picture {number}",
        )
