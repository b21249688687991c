"""Whatever is fed to a reader is read, with its promises kept, or refused in a sentence; nothing else comes out."""

import io
import json
import zipfile
from contextlib import closing
from hashlib import sha256
from random import Random

import numpy as np
import pytest
from fuzz_mutations import HOSTILE_TEXTS, hostile_text, mutated, random_bytes
from fuzz_targets import ANSWERS, BY_NAME, FETCHED, TARGETS, Target, assert_is_sentence, check
from hypothesis import given, note, seed, settings
from hypothesis import strategies as st
from invented_app import NOW, fill
from invented_yard import COVERS, YARD

from monitor.cli.walk import crew_from_text
from monitor.errors import ProviderContractError, StoreError, StormwalkError, printable
from monitor.exchange.entry_values import EntryError, finding_from_text, inspection_from
from monitor.exchange.log_files import LogFileError, read_log
from monitor.exchange.register_csv import read_covers
from monitor.operations.accounts import guest_boat, guest_token, make_guest_link
from monitor.operations.backup import back_up
from monitor.store import backup as backup_store
from monitor.store.backup import read_manifest, verify
from monitor.store.connection import connect
from monitor.units import UnreadableError
from monitor.walks.stored import plan_from_json
from monitor.weather.providers import bright_sky, logger, metar_archive, ncei_daily, open_meteo, open_meteo_archive
from monitor.weather.providers.http import holds_until
from monitor.weather.stations import parse_nws_stations
from monitor.web.entries import inspection_form_values

EVERY = [pytest.param(target, id=target.name) for target in TARGETS]


def changed(target: Target, number: int) -> bytes:
    """The input of this number for a reader: mostly an example made bad, else noise."""
    draw = Random(f"{target.name}/{number}")
    kind = draw.random()
    if kind < 0.1:
        return random_bytes(draw)
    if kind < 0.25 and max(map(len, target.examples)) < 300:
        texts = tuple(example.decode("utf-8", "replace") for example in target.examples)
        return hostile_text(draw, texts).encode("utf-8", "surrogatepass")
    return mutated(draw.choice(target.examples), draw)


@pytest.mark.parametrize("target", EVERY)
def test_the_first_example_is_read_as_it_stands(target):
    assert "read" in {check(target, example) for example in target.examples}


@pytest.mark.parametrize("target", EVERY)
@given(st.binary(max_size=200))
@settings(max_examples=5)
def test_noise_is_read_or_refused(target, content):
    check(target, content)


@pytest.mark.parametrize("target", EVERY)
@given(st.text(st.characters(codec="utf-8"), max_size=60))
@settings(max_examples=5)
def test_text_is_read_or_refused(target, text):
    check(target, text.encode())


@pytest.mark.parametrize("target", EVERY)
@seed(20260222)
@given(number=st.integers(0, 2**40))
@settings(max_examples=8)
def test_a_good_example_made_bad_is_read_or_refused(target, number):
    content = changed(target, number)
    note(f"fed with {content[:2000]!r}")
    check(target, content)


@pytest.mark.parametrize("target", EVERY)
@pytest.mark.thorough
def test_thousands_of_good_examples_made_bad_are_read_or_refused(target):
    outcomes = {"read": 0, "refused": 0}
    for number in range(800):
        outcomes[check(target, changed(target, number))] += 1
    assert outcomes["read"] > 0


@pytest.mark.parametrize("target", [target for target in EVERY if target.values[0].typed])
def test_hostile_texts_on_a_command_line_are_read_or_refused(target):
    for text in HOSTILE_TEXTS:
        check(target, text.encode("utf-8", "surrogatepass"))


# --- what was found with these, each by its input

GOOD_DAY = json.loads((ANSWERS / "open_meteo" / "good_day.json").read_text())


BOTH = [pytest.param(open_meteo.parse, id="forecast"), pytest.param(open_meteo_archive.parse, id="past")]


def open_meteo_with(column, position, text):
    """The good day with another JSON text in place of one value."""
    hourly = GOOD_DAY["hourly"] | {column: [*GOOD_DAY["hourly"][column]]}
    hourly[column][position] = "here"
    return json.dumps(GOOD_DAY | {"hourly": hourly}).replace('"here"', text).encode()


@pytest.mark.parametrize("text", ["1e999", "-1e999", "Infinity", pytest.param("1" + "0" * 400, id="digits"), "1e305"])
@pytest.mark.parametrize("parse", BOTH)
def test_open_meteo_numbers_beyond_all_measure_are_refused(parse, text):
    with pytest.raises(ProviderContractError, match=r"expected (numbers in|a JSON answer)"):
        parse(open_meteo_with("temperature_2m", 1, text), fetched_at=FETCHED)


@pytest.mark.parametrize("parse", BOTH)
def test_half_a_letter_in_a_service_s_answer_is_refused(parse):
    with pytest.raises(ProviderContractError, match=r"got half a letter \('\\ud800'\)"):
        parse(open_meteo_with("time", 0, r'"\ud800"'), fetched_at=FETCHED)


def test_two_halves_of_a_letter_are_a_letter():
    body = rb'{"detail": "snow \ud83c\udf28"}'
    with pytest.raises(ProviderContractError, match="snow \N{CLOUD WITH SNOW}"):
        bright_sky.parse(body, fetched_at=FETCHED)


@pytest.mark.parametrize("depth", [60, 500, 900, 980, 5000])
@pytest.mark.parametrize("opened, inner, closed", [("[", "", "]"), ('{"a":', "1", "}")], ids=["lists", "objects"])
def test_an_answer_nested_too_deeply_is_refused_wherever_that_is(depth, opened, inner, closed):
    body = open_meteo_with("temperature_2m", 0, opened * depth + inner + closed * depth)
    with pytest.raises(ProviderContractError, match="nested too deeply"):
        open_meteo.parse(body, fetched_at=FETCHED)


def test_a_long_word_of_a_service_is_quoted_in_part():
    body = json.dumps(GOOD_DAY | {"hourly_units": GOOD_DAY["hourly_units"] | {"time": "x" * 100_000}}).encode()
    with pytest.raises(ProviderContractError) as refusal:
        open_meteo.parse(body, fetched_at=FETCHED)
    assert len(str(refusal.value)) < 1500


def test_an_infinite_temperature_of_an_airport_is_refused_with_its_line():
    body = b"station,valid,tmpf\nQXM,2026-01-10 00:53,30.00\nQXM,2026-01-10 01:53,%s\n"
    for text in (b"inf", b"1e999", b"1_0", "٣".encode()):
        with pytest.raises(ProviderContractError, match="line 3, column tmpf"):
            metar_archive.parse(body % text, fetched_at=FETCHED)
    assert np.isnan(metar_archive.parse(body % b"M", fetched_at=FETCHED).hours["air_temperature_c"].iloc[1])


def test_digits_that_only_python_reads_are_no_numbers_of_a_logger():
    for text in ("1_0", "٣", "inf", "1e999"):
        with pytest.raises(ProviderContractError, match="expected a number in m/s, or nothing"):
            logger.parse(f"hour_ending,wind_gust_ms\n2026-01-10 06:00,{text}\n".encode(), fetched_at=FETCHED)


def test_an_amount_beyond_all_measure_is_refused_although_the_archive_flagged_it():
    body = b'[{"DATE": "2026-01-10", "PRCP": "1e308", "PRCP_ATTRIBUTES": ",X,7,0700"}]'
    with pytest.raises(ProviderContractError, match="a number as PRCP of 2026-01-10"):
        ncei_daily.parse_days(body, units="standard")


@pytest.mark.parametrize(
    "zone",
    ["America/" + "x" * 300, "America/" * 1000, "../" * 20, "America", "", "\0"],
    ids=["long", "endless", "up", "folder", "none", "NUL"],
)
def test_a_time_zone_that_is_no_name_is_refused(zone):
    mapping = logger.LoggerMapping("t", {"wind_gust_ms": ("g", "m/s")}, zone)
    with pytest.raises(ProviderContractError, match=r"time zone '.* is not known"):
        logger.parse(b"t,g\n2026-01-10 06:00,3\n", fetched_at=FETCHED, mapping=mapping)


def test_a_logger_s_endless_header_is_told_in_part():
    with pytest.raises(ProviderContractError) as refusal:
        logger.parse(b"x" * 100_000 + b";y\n1;2\n", fetched_at=FETCHED)
    assert len(str(refusal.value)) < 1000


@pytest.mark.parametrize(
    "headers",
    [
        {"expires": "Sat, 10 Jan 2026 06:34:53 +" + "01000" * 40},
        {"expires": "Fri, 31 Dec 9999 23:59:59 -2359"},
        {"expires": "Mon, 01 Jan 1000 00:00:00 +2359"},
        {"date": "Fri, 31 Dec 9999 23:59:59 GMT", "cache-control": "max-age=7200"},
    ],
    ids=["offset", "last", "first", "age"],
)
def test_a_header_with_a_time_at_the_ends_of_the_calendar_says_nothing(headers):
    assert holds_until(headers) is None


def test_a_station_higher_than_any_mountain_has_no_known_height():
    answer = json.loads((ANSWERS / "stations" / "nws_stations.json").read_text())
    answer["features"][0]["properties"]["elevation"] = {"unitCode": "wmoUnit:m", "value": 1e30}
    assert parse_nws_stations(json.dumps(answer).encode())[0].elevation_m is None


@pytest.mark.parametrize("severity", [pytest.param("9" * 5000, id="digits"), "²", "٣", "-1", ""])
def test_a_severity_that_is_no_small_number_is_refused(severity):
    with pytest.raises(StormwalkError, match="cannot be read; expected DEFECT@PLACE:SEVERITY"):
        finding_from_text(f"tear@bow:{severity}")


def test_blanks_of_any_kind_around_a_severity_are_dropped():
    assert finding_from_text("loose_band@port:\x1c2").severity == 2


@pytest.mark.parametrize("severity", [pytest.param("9" * 5000, id="digits"), "²", "-1"])
def test_a_severity_in_a_form_that_is_no_small_number_is_refused(severity):
    form = {"boat": "01", "defect-0": "tear", "place-0": "bow", "severity-0": severity}
    with pytest.raises(EntryError, match="Finding 1, severity: found"):
        inspection_from(inspection_form_values(form))


@pytest.mark.parametrize("text", ["[" * 900 + "]" * 900, '{"a":' * 900 + "1" + "}" * 900], ids=["lists", "objects"])
@pytest.mark.parametrize("name", ["boat", "note", "snow_depth", "findings", "id", "inside", "snow_water_mm", "other"])
def test_a_value_nested_deeply_is_refused_under_its_name(name, text):
    with pytest.raises(EntryError, match=name):
        inspection_from({"boat": "01"} | {name: json.loads(text)})


def queue(**entry):
    values = {"boat": "01", "inspected_at": "2023-12-02T09:30", "by": "Ida", **entry}
    return json.dumps({"inspections": [values]}).encode()


@pytest.mark.parametrize(
    "entry, where",
    [
        ({"by": "\ud800"}, "by"),
        ({"by": "a\0b"}, "by"),
        ({"photos": [{"image": "/9j/", "note": "\udcff"}]}, "photos[0].note"),
        ({"photos": [{"image": "/9j/", "id": "\ud800"}]}, "photos[0].id"),
        ({"photos": [{"image": "/9j/", "taken_at": "\ud800"}]}, "photos[0].taken_at"),
    ],
    ids=["by", "NUL", "note", "id", "taken_at"],
)
def test_letters_of_a_phone_s_file_that_cannot_be_written_down_are_refused(entry, where):
    with pytest.raises(LogFileError) as refusal:
        read_log(queue(**entry), "q.json", YARD)
    assert any(f"inspections[0].{where}:" in str(problem) for problem in refusal.value.problems)
    str(refusal.value).encode()


def test_what_a_terminal_would_obey_is_quoted_as_an_escape():
    assert printable("a\x1b[2J\x9b\t\u2028\u202e\udcff\nZoë ☂") == r"a\x1b[2J\x9b\t\u2028\u202e\udcff" + "\nZoë ☂"
    assert str(StormwalkError("\x1b]0;x\x07")) == r"\x1b]0;x\x07"
    assert UnreadableError("\0" * 5000, "a number").found == (r"\x00" * 20)[:77] + "..."


@pytest.mark.parametrize("said", ["\n" * 300 + "x", "\x1b" * 500, "\u2028" * 500], ids=["lines", "controls", "marks"])
def test_what_a_service_says_is_quoted_in_one_short_line(said):
    with pytest.raises(ProviderContractError) as refusal:
        bright_sky.parse(json.dumps({"detail": said}).encode(), fetched_at=FETCHED)
    assert_is_sentence(str(refusal.value))
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("letter", ["\x0e", "\u2028"])
def test_a_logger_s_header_of_control_characters_is_told_in_part(letter):
    with pytest.raises(ProviderContractError) as refusal:
        logger.parse(("hour_ending,a" + letter * 2000 + "\n1,2\n").encode(), fetched_at=FETCHED)
    assert_is_sentence(str(refusal.value))


def test_of_an_entry_with_hundreds_of_mistakes_the_first_are_told():
    entry = {"boat": "01", "findings": [{"defect": "x", "place": "y", "severity": 9}] * 50}
    with pytest.raises(EntryError) as refusal:
        inspection_from(entry)
    assert len(refusal.value.problems) == 150
    assert "... and 130 more. Nothing was logged." in str(refusal.value)


@pytest.mark.parametrize("number", ["9" * 5000, "0", "201"], ids=["digits", "none", "many"])
def test_a_crew_that_no_yard_has_is_refused(number):
    with pytest.raises(StormwalkError, match="expected 1 to 200, or names between commas"):
        crew_from_text(number, 4)


@pytest.mark.parametrize("name", ["a\x1b[2Jb", "a\x9bb", "a\x7fb"], ids=["ESC", "CSI", "DEL"])
def test_a_name_in_a_register_that_a_terminal_would_obey_is_refused(name):
    head, first, *_ = COVERS.splitlines()
    cells = dict(zip(head.split(","), first.split(","), strict=True))
    row = ",".join({**cells, "boat_name": name}.values())
    with pytest.raises(StormwalkError, match=r"column boat_name: a.* is not text that can be written down"):
        read_covers(f"{head}\n{row}\n", "covers.csv", YARD)


def test_a_kept_walk_with_a_word_in_place_of_a_number_is_refused():
    plan = json.loads(BY_NAME["stored_plan"].examples[0])
    for path, value in ((("covered_share",), "x"), (("rounds",), [[]]), (("sunset",), "never"), (("notes",), "note")):
        with pytest.raises(ValueError, match="a walk that is kept cannot be read"):
            plan_from_json(plan | {path[0]: value})
    plan["rounds"][0]["stops"][0]["score"] = "0.9"
    with pytest.raises(ValueError, match="a walk that is kept cannot be read"):
        plan_from_json(plan)


# --- what needs a database


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    return fill(tmp_path_factory.mktemp("fuzz") / "yard.db")


@pytest.fixture(scope="module")
def whole_backup(database):
    path = database.with_name("whole.zip")
    back_up(database, path, now=NOW, keep=None)
    return path.read_bytes()


def sealed(content: bytes) -> bytes:
    """Bytes under the seal of a backup, as whoever may write the file can set it."""
    return content + backup_store._SEAL + sha256(content).hexdigest().encode()


def backup_with(whole: bytes, manifest: bytes) -> bytes:
    """The backup with another list of contents, sealed anew."""
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as old, zipfile.ZipFile(packed, "w") as new:
        new.writestr(old.getinfo("database.db"), old.read("database.db"))
        new.writestr(zipfile.ZipInfo("manifest.json"), manifest)
        new.comment = bytes(backup_store._SEAL_BYTES)
    return sealed(packed.getvalue()[: -backup_store._SEAL_BYTES])


def manifest_of(whole: bytes) -> bytes:
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        return archive.read("manifest.json")


@pytest.mark.parametrize("rounds", [30, pytest.param(3000, marks=pytest.mark.thorough)])
def test_a_backup_that_was_altered_and_sealed_again_is_whole_or_refused(whole_backup, tmp_path, rounds):
    content, path = whole_backup[: -backup_store._SEAL_BYTES], tmp_path / "altered.zip"
    for number in range(rounds):
        draw = Random(f"backup/{number}")
        match draw.randrange(3):
            case 0:
                path.write_bytes(sealed(content[:-700] + mutated(content[-700:], draw)))
            case 1:
                path.write_bytes(backup_with(whole_backup, mutated(manifest_of(whole_backup), draw)))
            case _:
                path.write_bytes(mutated(whole_backup, draw))
        for read in (verify, read_manifest):
            said = ""
            try:
                read(path)
            except StormwalkError as refusal:
                said = str(refusal)
            assert len(said) < 2000, f"input {number}"


def test_an_endless_count_in_a_backup_s_list_is_refused(whole_backup, tmp_path):
    manifest = json.loads(manifest_of(whole_backup)) | {"schema_version": "here"}
    (tmp_path / "b.zip").write_bytes(
        backup_with(whole_backup, json.dumps(manifest).replace('"here"', "1e999").encode())
    )
    with pytest.raises(StoreError, match="its list of contents cannot be read"):
        verify(tmp_path / "b.zip")


def test_a_backup_with_millions_of_names_is_refused_before_they_are_read(tmp_path, monkeypatch):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as made:
        for number in range(100):
            made.writestr(f"{number}", b"")
        made.comment = bytes(backup_store._SEAL_BYTES)
    (tmp_path / "b.zip").write_bytes(sealed(packed.getvalue()[: -backup_store._SEAL_BYTES]))
    monkeypatch.setattr(backup_store, "LARGEST_DIRECTORY_BYTES", 4700)  # 100 times 46 and a name of one or two letters
    for read in (verify, read_manifest):
        with pytest.raises(StoreError, match="the list of its members has 0 MB"):
            read(tmp_path / "b.zip")


def test_a_backup_s_list_that_is_no_text_is_told_in_part(whole_backup, tmp_path):
    (tmp_path / "b.zip").write_bytes(backup_with(whole_backup, b"\xff" * 100_000))
    with pytest.raises(StoreError) as refusal:
        verify(tmp_path / "b.zip")
    assert len(str(refusal.value)) < 1000


def test_a_guest_s_token_that_was_altered_opens_nothing_else(database):
    with closing(connect(database)) as conn:
        link = make_guest_link(conn, YARD.key, "01", by="Ida", now=NOW, days=3)
        token = guest_token(conn, link)
        assert guest_boat(conn, token, NOW) == (YARD.key, "01")
        opened, said = [], []
        for number in range(400):
            altered = hostile_text(Random(f"token/{number}"), (token,)).encode("utf-8", "replace").decode()
            try:
                opened.append(guest_boat(conn, altered, NOW))
            except StormwalkError as refusal:
                said.append(str(refusal))
    assert {sentence.partition(":")[0] for sentence in said} == {"This link shows nothing"}
    assert set(opened) <= {(YARD.key, "01")}  # altered in bits that base64 does not read
