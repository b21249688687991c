"""The crew's forms without any script: a whole round, refusals that lose nothing, corrections, photos, doubles."""

import re
import uuid

import pytest
from invented_app import NOW, fields_of, picture, visitor_of
from invented_yard import HOUR, YARD

from monitor.operations.log import log_rows
from monitor.store import inspections as log_store
from monitor.store import register

PLAN = 'value="plan"'
"""In the form that plans a walk."""


def log_of(conn, history=False):
    return log_store.log_of_yard(conn, register.yard_id(conn, "north"), history=history)


def send(visitor, address, photos=(), holding="", **changes):
    """Open a form, change some fields, send it."""
    fields = fields_of(visitor.get(address).text, holding) | changes
    files = [("photos", (f"{n}.jpg", data, "image/jpeg")) for n, data in enumerate(photos)]
    files = files or [("photos", ("", b"", "application/octet-stream"))]  # what a browser sends of an empty file field
    return visitor.post(address, data=fields, files=files)


def test_all_sound_is_logged_by_one_button_under_the_name_of_who_is_signed_in(crew, conn):
    answer = send(crew, "/yards/north/inspect?boat=03", sound="1")
    assert answer.url.path == "/yards/north/"
    assert "of boat 03 (Pear): all sound." in answer.text
    assert '<div class="said" role="status">' in answer.text
    assert "all sound" not in crew.get("/yards/north/").text  # told once
    (visit,) = [one for one in log_of(conn).inspections if one.inspector == "Per"]
    assert visit.inspected_at == NOW


def test_a_look_with_findings_measures_and_photos_is_logged_whole(crew, conn):
    answer = send(
        crew,
        "/yards/north/inspect?boat=01&back=boat",
        photos=[picture("red"), picture("blue")],
        inside="1",
        snow_depth="6 in",
        gust_seen="28 kn",
        band_drop='8"',
        inspected_at="2023-10-22T09:00",
        note="windward side",
        **{"defect-0": "loose_band", "place-0": "port", "severity-0": "2", "note-0": "flaps"},
        **{"defect-2": "tear", "place-2": "bow", "severity-2": "1"},
    )
    assert answer.url.path == "/yards/north/boat"
    assert "2 findings" in answer.text
    assert answer.text.count("Logged photo") == 2
    log = log_of(conn)
    visit = next(one for one in log.inspections if one.note == "windward side")
    assert visit.inside
    assert visit.snow_depth_m == pytest.approx(6 * 0.0254)  # an inch is 25.4 mm (1959)
    assert visit.band_drop_m == pytest.approx(8 * 0.0254)
    assert visit.gust_seen_ms == pytest.approx(28 * 1852 / 3600)  # a nautical mile is 1852 m
    assert visit.inspected_at == NOW - HOUR - HOUR / 2  # 09:00 EDT is 13:00 UTC
    assert {(one.defect, one.place, one.severity) for one in log.findings if one.inspection_id == visit.id} == {
        ("loose_band", "port", 2),
        ("tear", "bow", 1),
    }
    page = crew.get("/yards/north/boat?number=01").text
    pictures = re.findall(r'<img src="(/photos/[^"]+)"', page)
    assert len(pictures) == 2
    shown = crew.get(pictures[0])
    assert shown.headers["Content-Type"] == "image/jpeg"
    assert shown.content.startswith(b"\xff\xd8")
    original = crew.get(pictures[0] + "/original")
    assert original.content in (picture("red"), picture("blue"))
    assert original.headers["Content-Disposition"].startswith("attachment")


def test_a_refused_look_keeps_everything_that_was_typed_and_says_why_on_top_and_at_the_field(crew, conn):
    before = len(log_of(conn).inspections)
    typed = {
        "snow_depth": "6",
        "gust_seen": "windy",
        "note": "two lines\nof it <&>",
        "inside": "1",
        "inspected_at": "yesterday",
        "defect-0": "tear",
        "place-0": "",
        "severity-0": "2",
        "note-1": "a note alone",
    }
    answer = send(crew, "/yards/north/inspect?boat=02", photos=[picture()], **typed)
    assert answer.status_code == 422
    assert len(log_of(conn).inspections) == before
    kept = fields_of(answer.text)
    for name, value in typed.items():
        assert kept[name] == value, name
    top = answer.text[answer.text.index('role="alert"') : answer.text.index("<h1>")]
    assert "Depth of snow: 6 has no unit" in top
    assert "When: found" in top
    assert "Finding 1, where:" in top
    assert "what you wrote stands below" in top
    assert "Choose the photos again" in top
    assert 'tabindex="-1" autofocus' in top
    for field in ("snow_depth", "gust_seen", "inspected_at", "place-0", "defect-1"):
        assert re.search(rf'id="wrong-{field}"', answer.text), field
        assert re.search(
            rf'name="{field}"[^>]*aria-describedby="[^"]*wrong-{field}"[^>]*aria-invalid="true"', answer.text
        )
    again = crew.post(
        "/yards/north/inspect?boat=02",
        data=kept | {"snow_depth": "6 in", "gust_seen": "", "inspected_at": "", "place-0": "bow", "note-1": ""},
    )
    assert "1 finding" in again.text
    assert len(log_of(conn).inspections) == before + 1


def test_the_same_form_sent_twice_is_logged_once_with_its_photo(crew, conn):
    fields = fields_of(crew.get("/yards/north/inspect?boat=02").text) | {"sound": "1"}
    photo = [("photos", ("a.jpg", picture("green"), "image/jpeg"))]
    first = crew.post("/yards/north/inspect?boat=02", data=fields, files=photo)
    count = len(log_of(conn).inspections)
    second = crew.post("/yards/north/inspect?boat=02", data=fields, files=photo)
    assert "Logged inspection" in first.text
    assert "Logged photo" in first.text
    assert second.text.count("was logged before; nothing was changed.") == 2
    assert len(log_of(conn).inspections) == count


def test_room_for_more_findings_and_a_chosen_defect_need_no_script(crew):
    fields = fields_of(crew.get("/yards/north/inspect?boat=01").text)
    fields |= {"defect-0": "tear", "note": "kept"}
    more = crew.post("/yards/north/inspect?boat=01", data=fields | {"more": "1"})
    assert 'name="defect-5"' in more.text
    assert 'name="defect-6"' not in more.text
    chosen = crew.post("/yards/north/inspect?boat=01", data=fields_of(more.text) | {"add": "vent_lost"})
    kept = fields_of(chosen.text)
    assert (kept["defect-0"], kept["defect-1"], kept["note"]) == ("tear", "vent_lost", "kept")


def test_all_sound_beside_a_finding_is_refused(crew):
    answer = send(crew, "/yards/north/inspect?boat=01", sound="1", **{"defect-0": "tear"})
    assert answer.status_code == 422
    assert "All sound was chosen, and findings are written below" in answer.text
    assert fields_of(answer.text)["defect-0"] == "tear"


def test_half_a_finding_and_an_empty_form_are_never_taken_for_a_sound_cover(crew, conn):
    before = len(log_of(conn).inspections)
    empty = send(crew, "/yards/north/inspect?boat=01")
    assert empty.status_code == 422
    assert "say what was found, or tap All sound" in empty.text
    half = send(crew, "/yards/north/inspect?boat=01", **{"place-0": "port", "severity-0": "3"})
    assert half.status_code == 422
    kept = fields_of(half.text)
    assert (kept["place-0"], kept["severity-0"]) == ("port", "3")
    assert len(log_of(conn).inspections) == before


def test_rows_that_no_form_has_are_refused_like_any_other(crew):
    many = {f"defect-{n}": "tear" for n in (7, 5000)} | {"defect-" + "9" * 300: "tear"}
    answer = send(crew, "/yards/north/inspect?boat=01", **many)
    assert answer.status_code == 422
    assert "Finding 2, where:" in answer.text


def test_work_done_closes_the_finding_that_it_names(crew, conn):
    send(crew, "/yards/north/inspect?boat=03", **{"defect-0": "chafe", "place-0": "bow", "severity-0": "2"})
    page = crew.get("/yards/north/boat?number=03").text
    assert "chafe at bow" in page
    address = re.search(r'href="(/yards/north/act\?boat=03&amp;finding=[^"]+)"', page).group(1).replace("&amp;", "&")
    opened = fields_of(crew.get(address).text)
    assert opened["finding"] in address
    answer = send(crew, address, action="other", note="padded", photos=[picture("pink")])
    assert "Logged action" in answer.text
    assert "Logged photo" in answer.text
    assert "chafe, bow" not in answer.text[: answer.text.index("<h2>Log</h2>")]


def test_a_quick_button_opens_the_form_with_the_action_chosen(crew):
    page = crew.get("/yards/north/boat?number=03").text
    assert "cleared snow</a>" in page
    assert fields_of(crew.get("/yards/north/act?boat=03&action=cleared_snow").text)["action"] == "cleared_snow"


def test_refused_work_keeps_what_was_typed(crew):
    answer = send(crew, "/yards/north/act?boat=01", action="vents_added", quantity="many", note="four more")
    assert answer.status_code == 422
    kept = fields_of(answer.text)
    assert (kept["action"], kept["quantity"], kept["note"]) == ("vents_added", "many", "four more")
    assert "How many: found" in answer.text
    assert 'id="wrong-quantity"' in answer.text
    nothing = crew.post("/yards/north/act?boat=01", data={})
    assert nothing.status_code == 422
    assert "What was done: is missing" in nothing.text


def test_a_correction_counts_in_its_stead_and_history_stays_readable(crew, conn):
    send(
        crew,
        "/yards/north/inspect?boat=02",
        snow_depth="10 cm",
        note="at first",
        **{"defect-0": "sag", "place-0": "port", "severity-0": "1"},
    )
    log = log_of(conn)
    visit = next(one for one in log.inspections if one.note == "at first")
    address = f"/yards/north/correct?entry={visit.id}"
    opened = crew.get(address).text
    assert fields_of(opened)["snow_depth"] == "10 cm"
    assert "sag at port" in opened  # its finding has a correction of its own
    answer = send(crew, address, snow_depth="12 cm", note="second")
    assert answer.url.path == "/yards/north/boat"
    notes = [one.note for one in log_of(conn).inspections]
    assert "second" in notes
    assert "at first" not in notes
    corrected = next(one for one in log_of(conn).inspections if one.note == "second")
    assert corrected.inspected_at == visit.inspected_at  # left empty: as before
    assert "at first" not in crew.get("/yards/north/boat?number=02").text
    history = crew.get("/yards/north/boat?number=02&history=1").text
    assert "at first" in history
    assert "corrected later" in history
    twice = crew.get(address)
    assert twice.status_code == 404
    assert "was corrected already" in twice.text


def test_a_finding_is_corrected_by_itself(crew, conn):
    finding = next(one for one in log_of(conn).findings if one.defect == "sag")
    answer = send(crew, f"/yards/north/correct?entry={finding.id}", **{"severity-0": "2", "note-0": "worse"})
    assert "sag at port, severity 2" in answer.text
    assert [one.severity for one in log_of(conn).findings if one.defect == "sag"] == [2]
    newest = next(one for one in log_of(conn).findings if one.defect == "sag")
    refused = send(crew, f"/yards/north/correct?entry={newest.id}", **{"defect-0": "other", "note-0": ""})
    assert refused.status_code == 422
    assert "needs a note" in refused.text


def test_an_action_is_corrected(crew, conn):
    send(crew, "/yards/north/act?boat=01", action="post_added", quantity="1", note="mistyped")
    action = next(one for one in log_of(conn).actions if one.note == "mistyped")
    opened = fields_of(crew.get(f"/yards/north/correct?entry={action.id}").text)
    assert (opened["action"], opened["quantity"]) == ("post_added", "1")
    send(crew, f"/yards/north/correct?entry={action.id}", quantity="2", note="two of them")
    assert [one.quantity for one in log_of(conn).actions if one.action == "post_added"] == [2.0]


def test_a_photo_is_added_later_and_withdrawn(crew, conn):
    visit = log_of(conn).inspections[0]
    answer = send(crew, f"/yards/north/photograph?entry={visit.id}", photos=[picture("white")], note="from the bow")
    assert "Logged photo" in answer.text
    boat = register.cover(conn, visit.cover_id).boat.number
    page = crew.get(f"/yards/north/boat?number={boat}").text
    address = (
        re.search(r'href="(/yards/north/photo\?[^"]+)"><img[^>]*from the bow', page).group(1).replace("&amp;", "&")
    )
    shown = crew.get(address).text
    assert "from the bow" in shown
    assert "320 × 200 px" in shown
    picture_address = re.search(r'<img src="([^"]+)"', shown).group(1)
    gone = send(crew, address, note="a stranger's face")  # the form stands on the photo's page, and goes elsewhere
    assert gone.status_code == 405
    fields = fields_of(shown) | {"note": "a stranger's face"}
    answer = crew.post(address.replace("/photo?", "/photo/withdraw?"), data=fields)
    assert "Withdrew photo" in answer.text
    assert crew.get(picture_address).status_code == 404
    assert "from the bow" not in answer.text


def test_what_is_no_photo_is_refused_and_the_look_stands(crew, conn):
    before = len(log_of(conn).inspections)
    answer = send(crew, "/yards/north/inspect?boat=02", photos=[b"GIF89a not a photo"], sound="1")
    assert "Logged inspection" in answer.text
    assert "Photo 1 of 1:" in answer.text
    assert len(log_of(conn).inspections) == before + 1
    none = send(crew, f"/yards/north/photograph?entry={log_of(conn).inspections[0].id}", note="kept")
    assert none.status_code == 422
    assert fields_of(none.text)["note"] == "kept"


def test_a_whole_round_is_planned_walked_changed_and_ticked(lead, crew, clock):
    clock.now += HOUR  # nobody has looked since
    page = send(
        lead, "/yards/north/walk", holding=PLAN, **{"crew": "Ida\nPer", "call-no-call": "1", "ignore_daylight": "1"}
    )
    assert "Planned a walk to" in page.text
    opened = crew.get("/yards/north/walk").text
    assert "Ida and Per (yours): 0 of" in opened
    assert "Change" not in re.sub(r"Changed since.*", "", opened, flags=re.S)  # only a lead changes it
    send(crew, "/yards/north/inspect?boat=02&back=walk", sound="1")
    done = crew.get("/yards/north/walk").text
    assert "1 of" in done
    assert "✓ looked at by Per" in done
    walk = re.search(r'name="walk" value="([^"]+)"', lead.get("/yards/north/walk").text).group(1)
    stops = re.findall(r'name="boat" value="([^"]+)"', lead.get("/yards/north/walk").text)
    dropped = lead.post(
        "/yards/north/walk", data={"do": "drop", "walk": walk, "boat": stops[-1], "note": "lift is there"}
    )
    assert "was dropped from the walk" in dropped.text
    assert "lift is there" in dropped.text
    added = lead.post("/yards/north/walk", data={"do": "add", "walk": walk, "boat": stops[-1], "party": ""})
    assert "was added to the walk" in added.text
    twice = lead.post("/yards/north/walk", data={"do": "add", "walk": walk, "boat": stops[-1], "party": ""})
    assert twice.status_code == 422
    assert "already" in twice.text
    refused = crew.post("/yards/north/walk", data={"do": "drop", "walk": walk, "boat": stops[0]})
    assert refused.status_code == 403
    assert "This is for a lead" in refused.text


def test_a_walk_that_cannot_be_planned_keeps_what_was_typed(lead):
    typed = {"crew": "Ida\nIda", "start": "soon", "limit": "long", "minutes-walk-first": "x"}
    answer = send(lead, "/yards/north/walk", holding=PLAN, **typed)
    assert answer.status_code == 422
    kept = fields_of(answer.text, holding=PLAN)
    for name, value in typed.items():
        assert kept[name] == value, name
    assert "Start: found" in answer.text
    assert "Time there is:" in answer.text


def test_people_of_two_are_told_when_somebody_walks_alone(lead):
    answer = send(lead, "/yards/north/walk", holding=PLAN, crew="Ida", ignore_daylight="1")
    assert "two people" in answer.text.lower()


def test_what_a_guest_or_a_stranger_sends_is_refused(app, conn):
    before = len(log_rows(conn, YARD, history=True))
    stranger = visitor_of(app)
    answer = stranger.post("/yards/north/inspect?boat=01", data={"boat": "01", "sound": "1", "id": str(uuid.uuid4())})
    assert answer.status_code == 401
    assert len(log_rows(conn, YARD, history=True)) == before
