"""What phones talk to: each entry and photo once, in order, by whoever is signed in, and JSON whatever goes wrong."""

import json
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from urllib.parse import quote

import pytest
import schemathesis
from argon2 import PasswordHasher
from conftest import REQUIRE_ALL
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_yard import YARD, record_yard
from PIL import Image
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import ignored_auth, positive_data_acceptance, unsupported_method
from starlette.testclient import TestClient

import monitor
from monitor.cli.serve import DashboardPages
from monitor.inspections import ACTIONS, DEFECTS, PHOTO_TYPES, PLACES
from monitor.operations import accounts, photos
from monitor.pictures import LARGEST_PHOTO_BYTES
from monitor.store import inspections as log_store
from monitor.store import register
from monitor.store.connection import connect
from monitor.web.app import WebApp, make_app
from monitor.web.live import Pages

NOW = datetime(2023, 12, 2, 14, 30, tzinfo=UTC)
HASHER = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
ORIGIN = {"Origin": "http://127.0.0.1"}
PASSWORD = "four words of slate"
DOCUMENT = json.loads((Path(monitor.__file__).parent / "web" / "openapi.json").read_text())


NOT_CHECKED = [positive_data_acceptance, ignored_auth, unsupported_method]
"""A document cannot say all that is refused (units, clocks, the yard's boats); the last two have tests of their own."""


def picture(colour="red", kind="JPEG"):
    made = BytesIO()
    Image.new("RGB", (40, 30), colour).save(made, kind)
    return made.getvalue()


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    path = tmp_path_factory.mktemp("api") / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
        for name, role in (("Ida", "lead"), ("Ola Åsen", "crew")):
            accounts.add_account(conn, name, role, PASSWORD, NOW, HASHER)
    return path


@pytest.fixture(scope="module")
def app(database):
    pages = Pages(database, DashboardPages(), lambda key: [], lambda: NOW)
    return make_app(WebApp(database, pages, ["127.0.0.1"], lambda: NOW, "1", HASHER))


def signed_in(app, name):
    client = TestClient(app, base_url="http://127.0.0.1", headers=ORIGIN)
    answer = client.post("/sign-in", data={"name": name, "password": PASSWORD}, follow_redirects=False)
    assert answer.status_code == 303
    return client


@pytest.fixture(scope="module")
def ida(app):
    return signed_in(app, "Ida")


@pytest.fixture(scope="module")
def ola(app):
    return signed_in(app, "Ola Åsen")


@pytest.fixture(scope="module")
def nobody(app):
    return TestClient(app, base_url="http://127.0.0.1", headers=ORIGIN)


def log(database):
    with closing(connect(database)) as conn:
        return log_store.log_of_yard(conn, register.yard_id(conn, "north"), history=True)


def inspection(**values):
    return {"id": str(uuid.uuid4()), "yard": "north", "boat": "01", "inspected_at": "2023-12-02T14:00:00Z"} | values


def action(**values):
    return {"id": str(uuid.uuid4()), "yard": "north", "boat": "01", "action": "taped"} | values


def put(client, photo_id, data, **query):
    return client.put(f"/api/photos/{photo_id}", params=query, content=data, headers={"Content-Type": "image/jpeg"})


# --- entries


def test_an_inspection_arrives_with_all_that_it_says(ida, database):
    sent = inspection(
        inside=True,
        snow_depth="15 cm",
        gust_seen="14 m/s",
        note="wet",
        findings=[{"defect": "tear", "place": "bow", "severity": 2, "note": "a hand long"}],
    )
    answer = ida.post("/api/inspections", json=sent)
    assert answer.status_code == 201
    assert answer.json()["id"] == sent["id"]
    assert answer.json()["new"] is True
    assert answer.json()["said"][0] == f"Logged inspection {sent['id'][:8]} of boat 01 (Plum): 1 finding."
    (visit,) = [one for one in log(database).inspections if one.id == sent["id"]]
    assert (visit.inspector, visit.inside, visit.snow_depth_m, visit.gust_seen_ms) == ("Ida", True, 0.15, 14.0)
    assert (visit.inspected_at, visit.recorded_at) == (datetime(2023, 12, 2, 14, tzinfo=UTC), NOW)
    (finding,) = [one for one in log(database).findings if one.inspection_id == sent["id"]]
    assert (finding.defect, finding.place, finding.severity, finding.note) == ("tear", "bow", 2, "a hand long")


@pytest.mark.parametrize("path, make", [("/api/inspections", inspection), ("/api/actions", action)])
def test_the_same_entry_again_is_answered_alike_and_stored_once(ida, database, path, make):
    sent = make()
    answers = [ida.post(path, json=sent) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [201, 200, 200]
    assert [answer.json()["new"] for answer in answers] == [True, False, False]
    entries = log(database).inspections + log(database).actions
    assert [entry.id for entry in entries].count(sent["id"]) == 1


@pytest.mark.parametrize("path, make", [("/api/inspections", inspection), ("/api/actions", action)])
def test_the_same_entry_eight_times_at_once_is_new_once(ida, database, path, make):
    sent = make()
    with ThreadPoolExecutor(8) as threads:
        answers = list(threads.map(lambda _: ida.post(path, json=sent).status_code, range(8)))
    assert sorted(answers) == [200] * 7 + [201]
    entries = log(database).inspections + log(database).actions
    assert [entry.id for entry in entries].count(sent["id"]) == 1


@pytest.mark.parametrize("path, make", [("/api/inspections", inspection), ("/api/actions", action)])
def test_an_id_that_stands_for_something_else_is_a_conflict(ida, ola, path, make):
    sent = make()
    assert ida.post(path, json=sent).status_code == 201
    for client, again in ((ida, sent | {"note": "other"}), (ida, sent | {"boat": "02"}), (ola, sent)):
        answer = client.post(path, json=again)
        assert answer.status_code == 409
        assert "retry" not in answer.json()
        assert sent["id"] in answer.json()["problem"]


@pytest.mark.parametrize("path, make", [("/api/inspections", inspection), ("/api/actions", action)])
def test_an_entry_that_comes_again_is_known_whatever_its_boat_is_called_by_then(ida, database, path, make):
    def rename(old, new):
        with closing(connect(database)) as conn, conn:
            conn.execute("UPDATE boats SET number = ? WHERE number = ?", (new, old))

    sent = make(boat="03")
    corrected = make(boat="03", corrects=sent["id"])
    assert [ida.post(path, json=one).status_code for one in (sent, corrected)] == [201, 201]
    rename("03", "33")
    try:
        for number in ("03", "33"):
            again = [ida.post(path, json=one | {"boat": number}) for one in (sent, corrected)]
            assert [answer.status_code for answer in again] == [200, 200], number
            assert "was logged before; nothing was changed." in again[0].json()["said"][0]
        assert ida.post(path, json=sent | {"note": "other"}).status_code == 409
        assert ida.post(path, json=make(boat="03")).status_code == 404  # a new entry needs the number of today
    finally:
        rename("33", "03")


@pytest.mark.parametrize(
    "sent, status, problem",
    [
        (inspection(yard="south"), 404, "There is no yard 'south'."),
        (inspection(boat="99"), 404, 'Yard "north" has no boat 99 with a cover.'),
        (inspection(inside=0), 422, "inside: found 0, expected true or false."),
        (inspection(colour=1), 422, "'colour': is not known here; leave it out."),
        (inspection(inspected_at="2023-12-02T15:00:00Z"), 422, "has not come yet"),
        (inspection(inspected_at="2022-12-02T15:00:00Z"), 422, "wrapped on 2023-10-20"),
        (
            inspection(findings=[{"defect": "tied_to_stand", "place": "stands", "severity": 1}]),
            422,
            "always severity 3",
        ),
        ([], 422, "The entry is not a JSON object."),
    ],
)
def test_what_cannot_be_taken_is_refused_with_its_sentence(ida, database, sent, status, problem):
    before = log(database)
    answer = ida.post("/api/inspections", json=sent)
    assert answer.status_code == status
    assert problem in answer.json()["problem"]
    assert "Nothing was logged." in answer.json()["problem"]
    assert log(database) == before


@pytest.mark.parametrize("body", [b"", b"{", b'{"boat": NaN}', b'{"a": 1, "a": 2}', b"\xff", b"[" * 100_000])
def test_a_body_that_is_no_json_is_refused(ida, body):
    answer = ida.post("/api/inspections", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["problem"].startswith("The entry is not readable as JSON (")


def test_a_form_sent_to_the_interface_is_refused(ida):
    answer = ida.post("/api/inspections", data={"boat": "01"})
    assert answer.status_code == 415
    assert "expected application/json" in answer.json()["problem"]


def test_an_entry_larger_than_any_person_writes_is_refused(ida):
    answer = ida.post("/api/inspections", content=b" " * 1_000_001, headers={"Content-Type": "application/json"})
    assert answer.status_code == 413
    assert answer.json()["problem"] == "What was sent is larger than 1 MB. Nothing was logged."


def test_an_entry_is_taken_only_from_whoever_wrote_it(ida, ola, database):
    sent = inspection()
    as_ola = {"Stormwalk-Account": quote("Ola Åsen")}
    answer = ida.post("/api/inspections", json=sent, headers=as_ola)
    assert answer.status_code == 403
    assert answer.json()["problem"] == (
        "This was written by Ola Åsen, and Ida is signed in. Nothing was logged. Sign in as Ola Åsen to send it."
    )
    assert ola.post("/api/inspections", json=sent, headers=as_ola).status_code == 201
    assert [visit.inspector for visit in log(database).inspections if visit.id == sent["id"]] == ["Ola Åsen"]


def test_nobody_signed_in_is_told_so_in_json(nobody):
    answers = [
        nobody.get("/api/me"),
        nobody.post("/api/inspections", json=inspection()),
        nobody.post("/api/actions", json=action()),
        put(nobody, uuid.uuid4(), picture(), inspection_id=str(uuid.uuid4())),
        nobody.get("/api/nothing"),
    ]
    assert [answer.status_code for answer in answers] == [401] * 5
    assert all(answer.json() == {"problem": "Sign in first."} for answer in answers)


def test_it_says_who_is_signed_in(ida, ola):
    assert ida.get("/api/me").json() == {"name": "Ida", "role": "lead"}
    assert ola.get("/api/me").json() == {"name": "Ola Åsen", "role": "crew"}
    assert ida.get("/api/me").headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH"])
def test_another_way_of_asking_is_answered_in_json(ida, method):
    answer = ida.request(method, "/api/inspections")
    assert answer.status_code == 405
    assert answer.headers["Allow"] == "POST"
    assert "cannot be asked in this way" in answer.json()["problem"]


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_an_address_without_anything_is_answered_in_json(ida, method):
    answer = ida.request(method, "/api/nothing/here")
    assert answer.status_code == 404
    assert answer.json() == {"problem": "There is nothing at this address."}


def test_a_page_of_another_site_cannot_log(ida, database):
    before = log(database)
    answer = ida.post("/api/inspections", json=inspection(), headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403
    assert "did not come from a page of this site" in answer.json()["problem"]
    assert log(database) == before


# --- photos


@pytest.mark.parametrize(
    "path, make, of", [("/api/inspections", inspection, "inspection_id"), ("/api/actions", action, "action_id")]
)
def test_a_photo_waits_for_its_entry_and_is_stored_once(ida, database, path, make, of):
    entry, photo_id, data = make(), str(uuid.uuid4()), picture()
    early = put(ida, photo_id, data, **{of: entry["id"]})
    assert early.status_code == 409
    assert early.json()["retry"] is True
    assert ida.post(path, json=entry).status_code == 201
    sent = {of: entry["id"], "taken_at": "2023-12-02T13:59:00Z", "note": "from the ladder"}
    answers = [put(ida, photo_id.upper(), data, **sent) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [201, 200]
    with closing(connect(database)) as conn:
        kept = photos.photo(conn, photo_id)
        assert getattr(kept, of) == entry["id"]
        assert (kept.taken_by, kept.note) == ("Ida", "from the ladder")
        assert kept.taken_at == datetime(2023, 12, 2, 13, 59, tzinfo=UTC)
        assert photos.original_bytes(photos.photo_folder(database), kept) == data


def test_another_picture_under_the_same_id_is_a_conflict(ida):
    entry, photo_id = inspection(), str(uuid.uuid4())
    ida.post("/api/inspections", json=entry)
    assert put(ida, photo_id, picture("red"), inspection_id=entry["id"]).status_code == 201
    answer = put(ida, photo_id, picture("blue"), inspection_id=entry["id"])
    assert answer.status_code == 409
    assert "retry" not in answer.json()


def test_a_withdrawn_photo_that_comes_again_is_not_new_and_stays_withdrawn(ida, database):
    entry, photo_id = inspection(), str(uuid.uuid4())
    ida.post("/api/inspections", json=entry)
    assert put(ida, photo_id, picture(), inspection_id=entry["id"]).status_code == 201
    with closing(connect(database)) as conn:
        photos.withdraw_photo(conn, YARD, photo_id, by="Ida", at=NOW, note="a face")
    answer = put(ida, photo_id, picture(), inspection_id=entry["id"])
    assert (answer.status_code, answer.json()["new"]) == (200, False)
    assert ida.get(f"/photos/{photo_id}").status_code == 404


def test_a_photo_may_belong_to_a_finding(ida, database):
    entry = inspection(boat="02", findings=[{"defect": "tear", "place": "bow", "severity": 1}])
    ida.post("/api/inspections", json=entry)
    (finding,) = [one for one in log(database).findings if one.inspection_id == entry["id"]]
    photo_id = str(uuid.uuid4())
    assert put(ida, photo_id, picture("green"), finding_id=finding.id).status_code == 201
    with closing(connect(database)) as conn:
        kept = photos.photo(conn, photo_id)
    assert (kept.inspection_id, kept.finding_id) == (entry["id"], finding.id)


@pytest.mark.parametrize(
    "photo_id, query, problem",
    [
        ("1", {"inspection_id": str(uuid.UUID(int=1))}, "id: found '1', expected a UUID."),
        (str(uuid.UUID(int=2)), {}, "A photo belongs to an inspection or its finding, or to an action"),
        (str(uuid.UUID(int=2)), {"inspection_id": "0d4a"}, "inspection_id: found '0d4a', expected a UUID."),
        (
            str(uuid.UUID(int=2)),
            {"inspection_id": str(uuid.UUID(int=1)), "action_id": str(uuid.UUID(int=1))},
            "A photo belongs to an inspection or its finding, or to an action",
        ),
        (str(uuid.UUID(int=2)), {"action_id": str(uuid.UUID(int=1)), "size": "1"}, "'size': is not known here."),
    ],
)
def test_a_photo_of_nothing_or_of_two_things_is_refused(ida, photo_id, query, problem):
    answer = put(ida, photo_id, picture(), **query)
    assert answer.status_code == 422
    assert problem in answer.json()["problem"]


def test_what_is_no_picture_or_too_large_is_refused_and_leaves_no_row(ida, database):
    entry = inspection()
    ida.post("/api/inspections", json=entry)
    photo_id = str(uuid.uuid4())
    assert put(ida, photo_id, b"%PDF-1.7", inspection_id=entry["id"]).status_code == 422
    ahead = put(ida, photo_id, picture(), inspection_id=entry["id"], taken_at="2024-01-01T00:00:00Z")
    assert (ahead.status_code, "has not come yet" in ahead.json()["problem"]) == (422, True)
    too_large = put(ida, photo_id, b"\xff" * (LARGEST_PHOTO_BYTES + 1), inspection_id=entry["id"])
    assert too_large.status_code == 413
    assert "Nothing was logged." in too_large.json()["problem"]
    with closing(connect(database)) as conn:
        assert conn.execute("SELECT count(*) FROM photos WHERE id = ?", (photo_id,)).fetchone()[0] == 0


# --- files that phones ask for


def test_the_service_worker_is_served_at_the_root_and_names_the_files_of_its_version(nobody):
    answer = nobody.get("/sw.js")
    assert answer.headers["Content-Type"].startswith("text/javascript")
    assert answer.headers["Cache-Control"] == "no-cache"
    files = json.loads(answer.text.partition("const FILES = ")[2].partition(";\n")[0])
    assert any(name.endswith("/app.js") for name in files)
    assert not any(name.endswith("/sw.js") for name in files)
    assert [nobody.get(name).status_code for name in files] == [200] * len(files)


def test_the_manifest_names_icons_that_there_are(nobody):
    answer = nobody.get("/manifest.webmanifest")
    assert answer.headers["Content-Type"].startswith("application/manifest+json")
    assert answer.json()["start_url"] == "/"
    assert answer.json()["icons"]
    assert all(nobody.get(icon["src"]).status_code == 200 for icon in answer.json()["icons"])


def test_the_served_document_names_the_closed_lists(nobody):
    served = nobody.get("/openapi.json").json()
    assert served == DOCUMENT
    schemas = served["components"]["schemas"]
    assert schemas["Finding"]["properties"]["defect"]["enum"] == list(DEFECTS)
    assert schemas["Finding"]["properties"]["place"]["enum"] == list(PLACES)
    assert schemas["Action"]["properties"]["action"]["enum"] == list(ACTIONS)
    assert set(served["paths"]["/api/photos/{id}"]["put"]["requestBody"]["content"]) == set(PHOTO_TYPES)


# --- the document and whatever is sent


@pytest.mark.parametrize(
    "path, method, mode",
    [
        (path, method, mode)
        for path, methods in DOCUMENT["paths"].items()
        for method in methods
        for mode in GenerationMode
        if "parameters" in methods[method] or mode is GenerationMode.POSITIVE  # else nothing can be asked wrongly
    ],
)
def test_every_answer_is_as_the_document_says(app, ida, path, method, mode):
    schema = schemathesis.openapi.from_asgi("/openapi.json", app, headers={"Host": "127.0.0.1"})
    headers = {**ORIGIN, "Host": "127.0.0.1", "Cookie": f"stormwalk={ida.cookies['stormwalk']}"}

    @settings(max_examples=150 if REQUIRE_ALL else 12, suppress_health_check=list(HealthCheck))
    @given(schema[path][method].as_strategy(generation_mode=mode))
    def check(case):
        case.call_and_validate(headers=headers, excluded_checks=NOT_CHECKED)

    check()


@given(
    note=st.text(max_size=30),
    severity=st.integers(0, 3),
    defect=st.sampled_from(DEFECTS),
    place=st.sampled_from(PLACES),
    depth_cm=st.integers(0, 600),
)
def test_whatever_is_taken_is_stored_as_it_was_typed(ida, database, note, severity, defect, place, depth_cm):
    finding = {"defect": defect, "place": place, "severity": severity, "note": note}
    sent = inspection(snow_depth=f"{depth_cm}cm", note=note, findings=[finding])
    answer = ida.post("/api/inspections", content=json.dumps(sent), headers={"Content-Type": "application/json"})
    stored = [visit for visit in log(database).inspections if visit.id == sent["id"]]
    if answer.status_code == 422:
        assert not stored
        return
    assert answer.status_code == 201
    assert ida.post("/api/inspections", json=sent).status_code == 200
    (visit,) = stored
    found = [one for one in log(database).findings if one.inspection_id == sent["id"]]
    trimmed = note.replace("\r\n", "\n").replace("\r", "\n").strip()
    assert (visit.note, visit.snow_depth_m) == (trimmed, depth_cm / 100)
    assert [(one.defect, one.place, one.severity, one.note) for one in found] == [(defect, place, severity, trimmed)]
