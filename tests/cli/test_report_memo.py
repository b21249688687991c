"""``stormwalk report memo`` as a person meets it: from a database to the same page again, and what it refuses."""

import io
import json
import shutil
from contextlib import closing
from datetime import timedelta

import pytest
from click.testing import CliRunner
from invented_yard import COVERS, GALE, HOUR, WRAPPED, YARD, in_hours, metar
from page_reader import Page
from PIL import Image

from monitor.cli.report_memo import command
from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations.log import record_action, record_inspection
from monitor.operations.photos import original_path, photo_folder, record_photo, withdraw_photo
from monitor.operations.ranking import assess_yard
from monitor.operations.register import import_covers
from monitor.operations.weather import import_weather
from monitor.store import photos as photo_store
from monitor.store import register
from monitor.store.connection import connect

HOURS = 3 * 24
END = WRAPPED + HOURS * HOUR
AS_OF = ("--as-of", f"{END:%Y-%m-%dT%H:%MZ}")
TIGHTENED = WRAPPED + 28 * HOUR
SEEN = WRAPPED + 65 * HOUR


def picture(colour):
    taken = io.BytesIO()
    Image.new("RGB", (40, 30), colour).save(taken, "JPEG")
    return taken.getvalue()


@pytest.fixture(scope="module")
def memo_file(tmp_path_factory):
    """Three days with two gales; boat 01 re-tensioned between them, found loose after the second, with photos."""
    path = tmp_path_factory.mktemp("memo") / "stormwalk.db"
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [YARD])
        owned = COVERS.replace("boat,boat_name,", "boat,boat_name,owner_name,").replace(
            "01,Plum,", "01,Plum,Ida Owner,"
        )
        owned = owned.replace("02,Fig,", "02,Fig,,").replace("03,Pear,", "03,Pear,,")
        import_covers(conn, YARD, owned.encode(), "covers.csv", WRAPPED)
        answer = metar(WRAPPED + HOUR, HOURS, **in_hours([*range(10, 22), *range(34, 60)], GALE))
        assert import_weather(conn, YARD, "metar-archive", answer, "x.csv", END - HOUR).good
        action = {"action": "retensioned_band", "actor": "Bo", "acted_at": TIGHTENED, "recorded_at": TIGHTENED}
        record_action(conn, YARD, "01", **action)
        found = [NewFinding("loose_band", "port", 2, "aft of the post"), NewFinding("vent_blocked", "vent", 1)]
        record_inspection(
            conn, YARD, "01", inspector="Bo", inspected_at=SEEN, recorded_at=SEEN, findings=found, inspection_id="i1"
        )
        log = conn.execute("SELECT id, defect FROM findings").fetchall()
        ids = {defect: key for key, defect in log}
        for number, (colour, belongs) in enumerate(
            [
                ("red", {"finding_id": ids["loose_band"]}),
                ("blue", {"finding_id": ids["vent_blocked"]}),
                ("green", {"inspection_id": "i1"}),
            ]
        ):
            record_photo(
                conn,
                photo_folder(path),
                YARD,
                photo_id=f"p{number}",
                data=picture(colour),
                taken_at=SEEN,
                recorded_at=SEEN,
                taken_by="Bo",
                **belongs,
            )
    return path


@pytest.fixture
def path(memo_file, folder):
    shutil.copytree(photo_folder(memo_file), folder / "stormwalk.photos")
    return shutil.copy(memo_file, folder / "stormwalk.db")


def page(path, *arguments):
    """HTML on standard output."""
    outcome = CliRunner().invoke(command, [*arguments, *AS_OF], obj=path, standalone_mode=False)
    if outcome.exception is not None:
        raise outcome.exception
    return outcome.stdout


def test_a_retensioning_is_weighed_from_the_database(path, run):
    html = page(path, "01", "--retension", "--price", "EUR 80")
    text = Page(html).text
    assert text.startswith("01 Plum: bands re-tensioned – the numbers ")
    assert "Price of the yard: EUR 80" in text
    assert "loose band at port 2 repair soon" in text
    assert "Ida Owner" not in text
    assert "Fig" not in text
    assert "Pear" not in text
    plain = json.loads(run("whatif", "01", "--retension", AS_OF[1], "--json", *AS_OF).out)
    work, score = (next(q for q in plain["quantities"] if q["name"] == key) for key in ("gust_work_now", "score"))
    explained = json.loads(run("explain", "01", "--json", *AS_OF).out)
    with closing(connect(path)) as conn:
        line = next(one for one in assess_yard(conn, YARD, as_of=END, known_at=END).ranked if one.boat == "01")
    slack = next(one for one in line.reasons if one.hazard == "slack")
    assert explained["score"] == line.score == score["before"]["default"]
    assert f"kPa h] {work['before']['default']:.2f} ({work['before']['low']:.2f} to" in text or (
        f"kPa h] {work['before']['default']:.1f} ({work['before']['low']:.1f} to" in text
    )
    assert f"Slack {slack.value:.1f} kPa h, p {slack.p:.2f} none, counted anew" in text
    assert f"Score {line.score:.2f} {score['after']['default']:.2f}" in text
    assert f"Call {line.call} {plain['call']['after']}" in text
    assert f"now it is {slack.value:.1f} kPa h" in text


def test_reprinted_later_it_is_the_same_to_the_byte_whatever_was_logged_since(path):
    before = page(path, "01", "--retension")
    later = END + timedelta(days=1)
    with closing(connect(path)) as conn:
        found = [NewFinding("slipped_band", "bow", 3)]
        record_inspection(conn, YARD, "01", inspector="Bo", inspected_at=END - HOUR, recorded_at=later, findings=found)
        record_photo(
            conn,
            photo_folder(path),
            YARD,
            photo_id="late",
            data=picture("black"),
            finding_id=conn.execute("SELECT id FROM findings WHERE defect = 'loose_band'").fetchone()[0],
            taken_at=SEEN,
            recorded_at=later,
            taken_by="Bo",
        )
        record_action(conn, YARD, "01", action="retensioned_band", actor="Bo", acted_at=END - HOUR, recorded_at=later)
    assert page(path, "01", "--retension") == before
    assert page(path, "01", "--retension", "--hindsight") != before


def test_photos_are_those_of_what_is_listed(path):
    tight = page(path, "01", "--retension")
    assert tight.count('src="data:image/jpeg;base64,') == 1
    assert 'alt="Photo: Loose band at port"' in tight
    both = page(path, "01", "--vents", "6", "--retension")
    assert 'alt="Photo: Vent blocked"' in both
    assert (
        both.count('src="data:image/jpeg;base64,') == 3
    )  # one more of the whole inspection, as all it found is listed


@pytest.mark.thorough
def test_a_photo_that_is_lost_or_withdrawn_is_not_shown(path):
    with closing(connect(path)) as conn:
        kept = photo_store.photo(conn, "p0")
        original_path(photo_folder(path), kept.sha256, kept.media_type).unlink()
    shutil.rmtree(photo_folder(path) / "upright", ignore_errors=True)
    assert "Not shown. The file of photo p0 cannot be read" in Page(page(path, "01", "--retension")).text
    with closing(connect(path)) as conn:
        withdraw_photo(conn, YARD, "p0", by="Bo", at=END, note="")
    assert "Photos of these findings" not in page(path, "01", "--retension")


def test_a_moment_for_the_season_is_taken_on_the_yards_clock(path):
    text = Page(page(path, "01", "--retension", "--retensioned-at", "2023-10-22 08:00")).text
    assert "Re-tensioned once more on Sun 22 Oct 08:00 EDT (as asked), the worst would have been" in text


def test_a_page_is_written_where_asked(path, folder):
    assert page(path, "01", "--vents", "6", "--with-owner", "--out", "memo.html") == ""
    text = Page((folder / "memo.html").read_text(encoding="utf-8")).text
    assert "Owner Ida Owner" in text


@pytest.mark.thorough
def test_a_pdf_is_written_where_asked(path, folder):
    pytest.importorskip("weasyprint", reason="no PDF without the pdf extra", exc_type=(ImportError, OSError))
    assert page(path, "01", "--vents", "6", "--pdf", "memo.pdf") == ""
    assert (folder / "memo.pdf").read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    "arguments, sentence",
    [
        (("01",), "Nothing is proposed: say what with one or more of --vents"),
        (("01", "--vents", "4", "--retensioned-at", "2023-10-22 08:00"), "--retensioned-at goes with --retension."),
        (("99", "--vents", "4"), 'No boat "99" stands under a cover'),
        (("01", "--retension", "--retensioned-at", "2023-10-01 08:00"), "it cannot have been re-tensioned on"),
        (("03", "--vent-area", "60cm2"), "Boat 03 has no vents"),
        (("01", "--vents", "4", "--price", "9" * 201), "--price: 201 characters, expected at most 200."),
        (("01", "--vents", "4", "--out", "no/such/memo.html"), "cannot be written"),
    ],
)
def test_what_cannot_be_weighed_is_refused_in_a_sentence(path, arguments, sentence):
    import click

    with pytest.raises((StormwalkError, click.UsageError)) as refusal:
        page(path, *arguments)
    assert sentence in str(refusal.value)


def test_nothing_is_stored(path):
    def contents():
        with closing(connect(path)) as conn:
            return list(conn.iterdump())

    before = contents()
    page(path, "01", "--rewrap", "--ridge-raise", "30cm")
    assert contents() == before
