"""The register as forms: the checks and words of the CSV files, dated builds, and an owner who can be erased."""

import pytest
from invented_app import NOW, OWNER, fields_of
from invented_yard import HOUR, YARD

from monitor.store import register


def send(visitor, address, **changes):
    return visitor.post(address, data=fields_of(visitor.get(address).text) | changes)


def test_a_yard_is_changed_and_keeps_its_key(lead, conn):
    answer = send(lead, "/yards/north/register", id="other", name="North Basin & Sons", elevation="12 ft")
    assert "Changed yard north." in answer.text
    assert "North Basin &amp; Sons" in answer.text
    yard = register.yard(conn, "north")
    assert yard.elevation_m == pytest.approx(12 * 0.3048)  # a foot is 0.3048 m (1959)
    again = send(lead, "/yards/north/register")
    assert "is so already; nothing was changed." in again.text


def test_a_refused_yard_names_the_field_in_the_words_of_the_file_and_keeps_what_was_typed(lead):
    answer = send(lead, "/yards/north/register", latitude="95", time_zone="America/New_Yorkk", name="")
    assert answer.status_code == 422
    kept = fields_of(answer.text)
    assert (kept["latitude"], kept["time_zone"], kept["name"]) == ("95", "America/New_Yorkk", "")
    assert "Latitude: 95 is not between -90 and 90." in answer.text
    assert "a time zone of the IANA list, such as America/New_York" in answer.text
    assert "Name: empty; it should be given (name of the yard)." in answer.text
    for field in ("latitude", "time_zone", "name"):
        assert f'id="wrong-{field}"' in answer.text


def test_a_boat_is_added_with_its_first_cover_in_feet_and_inches(lead, conn):
    answer = send(
        lead,
        "/yards/north/register/boat",
        boat="17",
        boat_name="Quince",
        length="31'",
        beam="8'6\"",
        row="B",
        place="1",
        heading="45",
        shelter="partly",
        wrapped_on="2023-10-21",
        ridge_rise="3 ft 3 in",
        vents="4",
        support="trailer",
    )
    assert "Added boat 17 (Quince)." in answer.text
    cover = register.find_cover(conn, "north", "17")
    assert cover.boat.beam_m == pytest.approx(8.5 * 0.3048)
    assert cover.boat.length_m == pytest.approx(31 * 0.3048)
    assert cover.builds[0].ridge_rise_m == pytest.approx(39 * 0.0254)
    assert cover.boat.support == "trailer"
    twice = send(
        lead,
        "/yards/north/register/boat",
        boat="17",
        length="9",
        beam="3",
        row="B",
        place="2",
        heading="0",
        shelter="partly",
        wrapped_on="2023-10-21",
        ridge_rise="1",
        vents="0",
    )
    assert twice.status_code == 422
    assert "another boat has this number" in twice.text


@pytest.mark.parametrize("where", ["boat", "boat?boat=01", "cover?boat=01", "erase-owner?boat=02"])
def test_a_form_that_comes_empty_is_answered_and_changes_no_boat(lead, conn, where):
    before = register.all_covers(conn, "north")
    answer = lead.post(f"/yards/north/register/{where}")
    assert answer.status_code in (200, 422)
    assert ("Nothing is filled in." in answer.text) is (where == "boat")
    assert register.all_covers(conn, "north") == before


def test_a_boat_in_a_taken_berth_or_without_a_length_is_refused(lead):
    typed = {
        "boat": "18",
        "length": "",
        "beam": "wide",
        "row": "a",
        "place": "1",
        "heading": "0",
        "shelter": "partly",
        "wrapped_on": "2023-10-21",
        "ridge_rise": "1",
        "vents": "0",
    }
    answer = send(lead, "/yards/north/register/boat", **typed)
    assert answer.status_code == 422
    assert "Length: empty; it should be given (length of the hull)." in answer.text
    assert "Beam: wide is not a length such as 2.6 m" in answer.text
    assert fields_of(answer.text)["beam"] == "wide"
    taken = send(lead, "/yards/north/register/boat", **typed | {"length": "9", "beam": "3"})
    assert "row A, place 1 is not free; boat 01 stands there." in taken.text
    assert 'id="wrong-place"' in taken.text


def test_a_boat_moves_to_another_berth_and_its_cover_stays(lead, conn):
    before = register.find_cover(conn, "north", "03")
    answer = send(lead, "/yards/north/register/boat?boat=03", row="C", place="9", boat="99")
    assert "Changed boat 03 (Pear)." in answer.text
    after = register.find_cover(conn, "north", "03")
    assert (after.boat.row, after.boat.place) == ("C", 9)
    assert after.builds == before.builds
    assert "Nothing of boat 03 (Pear) changed." in send(lead, "/yards/north/register/boat?boat=03").text


def test_a_changed_build_is_a_new_version_from_its_time_on(lead, conn):
    answer = send(lead, "/yards/north/register/cover?boat=02", vents="6", built_on="2023-10-22T09:00")
    assert "a new version stands" in answer.text
    cover = register.find_cover(conn, "north", "02")
    assert [build.vent_count for build in cover.builds] == [2, 6]
    assert cover.builds[1].built_at == NOW - HOUR - HOUR / 2  # 09:00 EDT is 13:00 UTC
    assert "2 builds are recorded" in answer.text
    assert "recorded so already" in send(lead, "/yards/north/register/cover?boat=02").text


def test_a_wrong_record_is_put_right_at_its_own_time(lead, conn):
    answer = send(lead, "/yards/north/register/cover?boat=01", why="wrong", posts="4", band_drop="8 in")
    assert "put right in the record" in answer.text
    (build,) = register.find_cover(conn, "north", "01").builds
    assert build.post_count == 4
    assert build.band_drop_m == pytest.approx(8 * 0.0254)


def test_a_refused_build_keeps_what_was_typed(lead, conn):
    answer = send(lead, "/yards/north/register/cover?boat=01", posts="many", built_on="tomorrow")
    assert answer.status_code == 422
    kept = fields_of(answer.text)
    assert (kept["posts"], kept["built_on"]) == ("many", "tomorrow")
    assert "Posts: many is not a whole number from 0 to 100." in answer.text


def test_an_owner_is_erased_after_a_question_and_the_history_stays(lead, conn):
    assert OWNER in lead.get("/yards/north/register/boat?boat=01").text
    assert "forgotten for good" in lead.get("/yards/north/register/erase-owner?boat=01").text
    answer = lead.post("/yards/north/register/erase-owner?boat=01", data={})
    assert "The owner of boat 01 was erased." in answer.text
    cover = register.find_cover(conn, "north", "01")
    assert (cover.boat.owner_name, cover.boat.owner_contact) == ("", "")
    assert cover.builds
    assert OWNER not in lead.get("/yards/north/register/boat?boat=01").text


@pytest.mark.parametrize(
    "page", ["register", "register/boat", "register/cover?boat=01", "register/erase-owner?boat=01"]
)
def test_the_register_is_for_leads(crew, page):
    for answer in (crew.get(f"/yards/north/{page}"), crew.post(f"/yards/north/{page}", data={"name": "x"})):
        assert answer.status_code == 403
        assert "This is for a lead" in answer.text


def test_a_text_that_no_file_can_hold_is_refused_in_a_sentence(lead):
    answer = send(lead, "/yards/north/register", name="North\0Basin")
    assert answer.status_code == 422
    assert "byte 0x00 is not UTF-8 text" in answer.text


@pytest.mark.parametrize("page", ["register", "register/boat", "register/boat?boat=03", "register/cover?boat=03"])
def test_a_form_sent_without_anything_in_it_is_answered_in_a_sentence(lead, page):
    answer = lead.post(f"/yards/north/{page}", data={})
    assert answer.status_code in (200, 422)
    assert "Traceback" not in answer.text
    empty = lead.post("/yards/north/register/boat", data={"boat": " "})
    assert "Nothing is filled in." in empty.text


def test_a_new_boats_form_chooses_nothing_that_is_needed_and_says_what_is_taken_where_nothing_is_said(lead):
    page = lead.get("/yards/north/register/boat").text
    shelter = page[page.index('<select id="shelter"') :].partition("</select>")[0]
    assert " required" in shelter
    assert '<option value="">choose</option>' in shelter
    support = page[page.index('<select id="support"') :].partition("</select>")[0]
    assert '<option value="">not said, taken as stands</option>' in support
    for label in ("Number of the boat", "Place on the plan, upwards"):
        assert f">{label}" in page


def test_from_the_register_one_goes_to_a_boats_page_and_back_from_its_forms(lead):
    for page in ("register", "register/boat?boat=01", "register/cover?boat=01"):
        assert 'href="/yards/north/boat?number=01"' in lead.get(f"/yards/north/{page}").text


def test_the_key_of_the_yard_stays(conn):
    assert register.yard(conn, "north").key == YARD.key


def test_a_length_that_is_long_in_feet_stands_in_the_unit_in_which_it_was_written(lead, conn):
    """A ridge of 40 in is 3.33... ft, 3 m are 9.84... ft; one of 8 ft stays plain. A foot is 12 in and 0.3048 m."""
    boat, build = "/yards/north/register/boat?boat=02", "/yards/north/register/cover?boat=02"
    send(lead, "/yards/north/register", display_units="us")
    send(lead, build, why="wrong", ridge_rise="40 in")
    send(lead, boat, beam="3 m", length="8 ft")
    before = register.find_cover(conn, "north", "02")
    assert fields_of(lead.get(build).text)["ridge_rise"] == "40 in"
    assert [fields_of(lead.get(boat).text)[name] for name in ("beam", "length")] == ["3.0 m", "8"]
    assert "recorded so already" in send(lead, build).text
    assert "Nothing of boat 02 (Fig) changed." in send(lead, boat).text
    assert register.find_cover(conn, "north", "02") == before
