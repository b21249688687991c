"""``stormwalk log photo``, ``import``, ``export`` and ``columns`` as a person meets them."""

import csv
import io
import json

import pytest
from PIL import Image

SOUND = "boat,at,by,photos\n01,2023-11-10 09:30,Ida,\n"


def a_photo(path, colour=(200, 30, 30)):
    Image.new("RGB", (80, 60), colour).save(path, "JPEG")
    return path


def refused(outcome, sentence, exit_code=1):
    assert (outcome.exit_code, outcome.out) == (exit_code, "")
    assert sentence in " ".join(outcome.err.split()), outcome.err


def rows(run, *options):
    outcome = run("log", "list", "--json", *options)
    assert outcome.exit_code == 0, outcome.err
    return json.loads(outcome.out)


def test_a_photo_is_logged_listed_and_withdrawn(yard, run):
    run("log", "inspection", "01", "--by", "Ida")
    first, second = a_photo(yard / "IMG 1.jpg"), a_photo(yard / "IMG_2.jpg", (1, 2, 3))
    said = run("log", "photo", "01", first, second, "--by", "Ida", "--note", "port")
    assert (said.exit_code, said.out.count("Logged photo ")) == (0, 2)
    assert said.out.count("The picture does not say when it was taken: the time of logging stands instead.") == 2
    assert run("log", "photo", "01", first, "--by", "Ida", "--note", "port").out.endswith("nothing was changed.\n")
    listed = [row for row in rows(run, "01") if row["entry"] == "photo"]
    assert [(row["boat"], row["who"], row["note"], row["corrects"]) for row in listed] == [
        ("01", "Ida", "port", None)
    ] * 2
    assert set(listed[0]) == {"at", "boat", "entry", "what", "who", "note", "corrects", "id"}
    assert len(list((yard / "stormwalk.photos").rglob("*.jpg"))) == 2
    assert "Withdrew photo" in run("log", "photo", "--withdraw", listed[0]["id"][:8], "--by", "Ida").out
    assert [row["id"] for row in rows(run) if row["entry"] == "photo"] == [listed[1]["id"]]
    assert len(list((yard / "stormwalk.photos").rglob("*.jpg"))) == 2


def test_a_photo_names_what_it_shows(yard, run):
    photo = a_photo(yard / "a.jpg")
    found = next(row for row in rows(run, "03") if row["entry"] == "finding")
    done = next(row for row in rows(run, "02") if row["entry"] == "action")
    assert run("log", "photo", "03", photo, "--by", "Bo", "--finding", found["id"][:8]).exit_code == 0
    assert (
        run("log", "photo", "02", photo, "--by", "Bo", "--action", done["id"], "--at", "2023-11-01 08:00").exit_code
        == 0
    )
    shown = {row["boat"]: row for row in rows(run) if row["entry"] == "photo"}
    assert shown["03"]["what"].startswith(f"of finding {found['id'][:8]}, 80 x 60 px")
    assert shown["02"]["at"] == "2023-11-01T12:00:00Z"  # EDT is UTC-4


def test_several_photos_are_logged_all_or_none(yard, run):
    run("log", "inspection", "01", "--by", "Ida")
    (yard / "letter.jpg").write_bytes(b"Dear yard")
    outcome = run("log", "photo", "01", a_photo(yard / "a.jpg"), yard / "letter.jpg", "--by", "Ida")
    for part in ("letter.jpg: ", "of an unknown kind", "None of the 2 photos was logged."):
        refused(outcome, part)
    assert [row for row in rows(run) if row["entry"] == "photo"] == []


@pytest.mark.parametrize(
    "options, sentence, exit_code",
    [
        (("01", "a.jpg"), "Boat 01 has no inspection in the last 12 hours", 1),
        (("03", "a.jpg", "--inspection", "ffff"), "fits none of the inspections", 1),
        (("01", "a.jpg", "--at", "2099-01-01 10:00", "--inspection", "x"), "has not come yet", 1),
        (("01",), "Name the boat and its photos, or a photo to --withdraw.", 2),
        (("01", "no.jpg"), "does not exist", 2),
        (("01", "a.jpg", "--withdraw", "x"), "--withdraw goes with --by and --note alone.", 2),
        (("--withdraw", "ffff"), "fits none of the photos", 1),
    ],
)
def test_a_photo_that_belongs_nowhere_is_refused(yard, run, options, sentence, exit_code):
    a_photo(yard / "a.jpg")
    refused(run("log", "photo", *options, "--by", "Ida"), sentence, exit_code)


def test_a_photo_of_another_boat_is_refused(yard, run):
    found = next(row for row in rows(run, "03") if row["entry"] == "finding")
    a_photo(yard / "a.jpg")
    refused(
        run("log", "photo", "01", "a.jpg", "--by", "Ida", "--finding", found["id"]), "is of boat 03, not of boat 01"
    )


def test_an_unknown_boat_is_named_with_all_that_is_wrong_in_the_order_of_lines(yard, run):
    (yard / "paper.csv").write_text(
        "boat,at,by,defect,place,severity\n99,2023-11-10 09:30,Ida,,,\n01,2023-11-10 09:40,Ida,sagg,port,2\n"
        "98,2023-11-10 09:50,Ida,,,\n"
    )
    outcome = run("log", "import", "paper.csv")
    told = outcome.err.splitlines()
    assert outcome.exit_code == 1
    assert [line.partition(",")[0].partition(":")[0] for line in told if " line " in line] == [
        f"paper.csv line {number}" for number in (2, 3, 4)
    ]


def test_stopping_a_command_that_stored_nothing_says_so(yard, run, monkeypatch):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.operations.log.log_rows", stopped)
    refused(run("log", "list"), "Stopped. Nothing was stored.")


def test_paper_is_checked_imported_and_known_the_next_time(yard, run):
    (yard / "scans").mkdir()
    a_photo(yard / "scans" / "a.jpg")
    (yard / "paper.csv").write_text(SOUND.replace("Ida,", "Ida,a.jpg"))
    before = rows(run)
    checked = run("log", "import", "paper.csv", "--photos", "scans", "--check")
    assert checked.out.startswith("paper.csv can be imported: 1 inspection, 1 photo. Nothing was logged")
    assert rows(run) == before
    assert run("log", "import", "paper.csv", "--photos", "scans").out == "paper.csv: logged 1 inspection, 1 photo.\n"
    again = run("log", "import", "paper.csv", "--photos", "scans")
    assert again.out == "paper.csv: logged nothing new; 2 logged before.\n"
    assert len(rows(run)) == len(before) + 2


def test_a_phones_queue_is_imported(yard, run):
    seen = {"boat": "02", "inspected_at": "2023-11-10T14:30:00Z", "snow_depth": "6in"}
    (yard / "queue.json").write_text(json.dumps({"inspections": [seen]}))
    refused(run("log", "import", "queue.json"), "queue.json, inspections[0].by: empty; it should be given")
    assert run("log", "import", "queue.json", "--by", "Ida").out == "queue.json: logged 1 inspection.\n"


def test_every_problem_of_paper_is_told_and_nothing_loaded(yard, run):
    (yard / "paper.csv").write_text(SOUND + "99,2023-11-10 09:30,Ida,\n,x,Ida,../x.jpg\n")
    before = rows(run)
    outcome = run("log", "import", "paper.csv")
    refused(outcome, "Nothing was loaded. Correct paper.csv and import again.")
    assert "paper.csv line 4, column boat: empty" in outcome.err
    assert "paper.csv line 4, column photos: ../x.jpg is not a plain file name" in outcome.err
    assert rows(run) == before


def test_an_export_is_known_where_it_came_from(yard, run):
    assert run("log", "export", "--units", "us", "--out", "log.csv").exit_code == 0
    entries = len(rows(run))
    assert run("log", "import", "log.csv").out == f"log.csv: logged nothing new; {entries} logged before.\n"
    assert [row["entry"] for row in csv.DictReader(io.StringIO(run("log", "export").out))].count("action") == 1


def test_the_columns_of_an_inspection_file_are_described(yard, run):
    outcome = run("log", "columns")
    assert outcome.exit_code == 0
    assert "snow_depth_m, _cm, _mm, _ft, _in   [optional]" in outcome.out
