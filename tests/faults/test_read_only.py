"""A file, a folder or a whole disk that may only be read, as one is that the system has stopped writing to."""

import re
from contextlib import closing

import pytest
from faulty_disks import ORDINARY_USER, acknowledged, copied, lost, run_here, settled, stored, stormwalk
from invented_app import NOW, Clock, app_of, fill, picture, signed_in, visitor_of
from web_process import PASSWORD

from monitor.service import utc_now
from monitor.store.connection import connect

ENTRY = ("log", "inspection", "02", "--by", "Ida")


def test_on_a_disk_that_may_only_be_read_everything_is_refused_and_a_backup_elsewhere_is_made(disk, on_disk, tmp_path):
    before = on_disk.read_bytes()
    with disk.read_only():
        for command in (ENTRY, ("log", "list"), ("rank",), ("init",), ("covers", "export")):
            done = run_here(on_disk, *command)
            assert done.exit_code == 1
            assert done.err == (
                f"{on_disk} may be read but not written by this user. Nothing was changed. Allow writing to it.\n"
            )
        assert "Read-only file system. No backup was made." in run_here(on_disk, "backup").err
        out = disk.folder / "covers.csv"
        assert (
            f"{out} cannot be written: Read-only file system."
            in run_here(copied(on_disk, _made(tmp_path / "other")), "covers", "export", "--out", out).err
        )
        assert re.search(r"contents +ok", run_here(on_disk, "doctor").out)
        assert run_here(on_disk, "backup", "--to", tmp_path / "rescue.zip").exit_code == 0
    assert on_disk.read_bytes() == before
    assert run_here(on_disk, "restore", tmp_path / "rescue.zip", "--to", tmp_path / "rescued.db").exit_code == 0
    assert stored(tmp_path / "rescued.db") == stored(on_disk)
    assert run_here(on_disk, *ENTRY).exit_code == 0


def _made(folder):
    folder.mkdir()
    return folder


@pytest.mark.parametrize("file_mode, folder_mode", [(0o444, 0o755), (0o644, 0o555)])
def test_a_user_without_rights_is_told_which_right_is_missing(yard, file_mode, folder_mode):
    before = yard.read_bytes()
    yard.chmod(file_mode)
    yard.parent.chmod(folder_mode)
    try:
        done = stormwalk(yard, *ENTRY, before=ORDINARY_USER)
    finally:
        yard.parent.chmod(0o755)
        yard.chmod(0o644)
    assert done.exit_code == 1
    assert done.err.startswith(
        f"{yard} may be read but not written by this user."
        if file_mode == 0o444
        else f"The folder {yard.parent} may not be written by this user"
    )
    assert yard.read_bytes() == before


def test_the_pages_say_so_and_the_entry_is_taken_once_the_disk_is_writable(disk):
    path = fill(disk.folder / "yard.db")
    per = signed_in(app_of(path, Clock(NOW)), "Per")
    entry = {"id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01"}
    with disk.read_only():
        for answer in (per.get("/yards/north/"), per.post("/api/inspections", json=entry)):
            assert answer.status_code == 503
            assert "Allow this user to write to the file and its folder." in answer.text
    assert per.post("/api/inspections", json=entry).status_code == 201
    assert stored(path) == [entry["id"]]


def test_a_disk_that_the_system_stops_writing_to_shows_pages_and_the_list_and_takes_no_entry(mains, yard_file):
    path = copied(yard_file, mains.folder)
    settled(mains.folder)
    refusal = (
        "The database or its disk may only be read now; find out why, and try again (attempt to write a readonly "
        "database). Nothing of this entry was stored."
    )
    with closing(connect(path)):  # as a service has it
        kept = acknowledged(run_here(path, *ENTRY))
        ola = visitor_of(app_of(path, utc_now))
        ola.post("/sign-in", data={"name": "Ola", "password": PASSWORD})
        mains.fail()
        assert ola.get("/yards/north/").status_code == 200
        refused = ola.post("/api/inspections", json={"boat": "01"})
        assert (refused.status_code, refused.json()["problem"]) == (503, refusal)
        assert run_here(path, *ENTRY).err == f"{refusal}\n"
        listed = run_here(path, "rank", "--top", "1")
        assert listed.exit_code == 1
        assert "\n  1  this week " in listed.out
        assert "Kept as ranking" not in listed.said
        assert listed.err == f"{refusal} The list was made all the same; it is not kept.\n"
        assert run_here(path, "backup").err == (
            f"{path.with_name('yard.backups')}: Read-only file system. No backup was made. Make room or allow writing "
            f"there, or name another place.\n"
        )
    mains.start()
    assert lost(path, kept) == []
    assert run_here(path, *ENTRY).exit_code == 0


def test_a_disk_that_turns_so_under_the_service_still_shows_pages_and_keeps_entries_out_with_a_sentence(disk):
    path = fill(disk.folder / "yard.db")
    entry = {"id": "0d5c1f6e-7d0e-4b46-9a58-3c1f8f7f5f10", "boat": "01"}
    photo = f"/api/photos/5f2b4b0e-1111-4111-8111-3c1f8f7f5f11?inspection_id={entry['id']}"
    per = signed_in(app_of(path, Clock(NOW)), "Per")
    assert per.post("/api/inspections", json=entry).status_code == 201
    photos = path.with_name("yard.photos")
    photos.touch()  # in the place of the folder: nothing can be kept there
    refused = per.put(photo, content=picture())
    assert refused.status_code == 503
    assert "The photo cannot be kept" in refused.json()["problem"]
    assert stored(path, "photos") == []
    photos.unlink()
    assert per.put(photo, content=picture()).status_code == 201
    with closing(connect(path)) as conn:
        assert conn.execute("SELECT count(*) FROM photos").fetchone()[0] == 1
