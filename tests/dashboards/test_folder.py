"""The folder of pages: ours is replaced whole, what is not ours stays untouched."""

import json
import os
import time
from pathlib import Path

import pytest

from dashboards.folder import MANIFEST, FolderError, write_folder


def files(**more):
    return [("plotly.min.js", b"new library"), ("cover-7.html", b"seven"), ("index.html", b"index"), *more.items()]


def content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.name != MANIFEST}


def manifest(folder):
    return json.loads((folder / MANIFEST).read_text())["files"]


def test_a_folder_is_made_and_its_index_handed_back(tmp_path):
    index = write_folder(tmp_path / "deep" / "pages", files())
    assert index == tmp_path / "deep" / "pages" / "index.html"
    assert content(index.parent) == dict(files())
    assert manifest(index.parent) == ["cover-7.html", "index.html", "plotly.min.js"]


def test_a_stale_library_is_replaced_whoever_put_it_there(tmp_path):
    (tmp_path / "plotly.min.js").write_bytes(b"plotly.js v1")
    write_folder(tmp_path, files())
    assert (tmp_path / "plotly.min.js").read_bytes() == b"new library"


def test_foreign_files_are_never_touched(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "cover-letter.html").write_text("mine too")
    write_folder(tmp_path, files())
    write_folder(tmp_path, files())
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert (tmp_path / "cover-letter.html").read_text() == "mine too"


@pytest.mark.parametrize("name", ["index.html", "cover-7.html"])
def test_a_foreign_page_of_the_same_name_is_refused_and_nothing_written(tmp_path, name):
    (tmp_path / name).write_text("somebody's home page")
    with pytest.raises(FolderError, match=rf"{name}, which stormwalk did not write.*Nothing was written"):
        write_folder(tmp_path, files())
    assert content(tmp_path) == {name: b"somebody's home page"}
    assert not (tmp_path / MANIFEST).exists()


def test_pages_of_covers_that_are_gone_are_taken_away(tmp_path):
    write_folder(tmp_path, [*files(), ("cover-8.html", b"eight")])
    write_folder(tmp_path, files())
    assert not (tmp_path / "cover-8.html").exists()
    assert content(tmp_path) == dict(files())


def test_a_manifest_cannot_make_us_remove_anything_but_pages_of_covers(tmp_path):
    folder = tmp_path / "pages"
    write_folder(folder, files())
    (tmp_path / "cover-9.html").write_text("outside")
    (folder / "ledger.csv").write_text("mine")
    named = ["../cover-9.html", "ledger.csv", "cover-../../x.html", *manifest(folder)]
    (folder / MANIFEST).write_text(json.dumps({"files": named}))
    write_folder(folder, files())
    assert (tmp_path / "cover-9.html").read_text() == "outside"
    assert (folder / "ledger.csv").read_text() == "mine"


@pytest.mark.parametrize("text", ["{", "[]", '{"files": 3}', '{"files": [3]}'])
def test_a_damaged_manifest_stops_the_writing(tmp_path, text):
    write_folder(tmp_path, files())
    (tmp_path / MANIFEST).write_text(text)
    with pytest.raises(FolderError, match="Nothing was written"):
        write_folder(tmp_path, [("index.html", b"other")])
    assert content(tmp_path) == dict(files())


def test_a_file_that_stays_the_same_is_left_alone(tmp_path):
    write_folder(tmp_path, files())
    long_ago = time.time() - 1000
    for path in tmp_path.iterdir():
        os.utime(path, (long_ago, long_ago))
    write_folder(tmp_path, [("plotly.min.js", b"new library"), ("cover-7.html", b"SEVEN"), ("index.html", b"index")])
    touched = {path.name for path in tmp_path.iterdir() if path.stat().st_mtime > long_ago + 1}
    assert touched == {"cover-7.html"}


def test_a_page_that_cannot_be_made_leaves_the_folder_as_it_was(tmp_path):
    write_folder(tmp_path, files())

    def broken():
        yield "cover-7.html", b"half a season"
        raise ValueError("no such hour")

    with pytest.raises(ValueError, match="no such hour"):
        write_folder(tmp_path, broken())
    assert content(tmp_path) == dict(files())


def test_a_run_stopped_while_pages_are_put_in_place_is_made_good_by_the_next(tmp_path, monkeypatch):
    moved = []
    replace = Path.replace

    def stops_after_two(path, target):
        if len(moved) == 2:
            raise KeyboardInterrupt
        moved.append(Path(target).name)
        return replace(path, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", stops_after_two)
        with pytest.raises(KeyboardInterrupt):
            write_folder(tmp_path, files())
    assert moved == [MANIFEST, "plotly.min.js"]
    assert not (tmp_path / "index.html").exists()
    write_folder(tmp_path, files())
    assert content(tmp_path) == dict(files())


def test_the_index_is_put_in_place_last(tmp_path, monkeypatch):
    moved = []
    replace = Path.replace

    def notes(path, target):
        moved.append(Path(target).name)
        return replace(path, target)

    monkeypatch.setattr(Path, "replace", notes)
    write_folder(tmp_path, [("index.html", b"index"), ("cover-7.html", b"seven")])
    assert moved[:3] == [MANIFEST, "cover-7.html", "index.html"]


def test_what_a_killed_run_left_aside_is_taken_away_a_day_later_and_not_before(tmp_path):
    old, young = tmp_path / ".stormwalk-old", tmp_path / ".stormwalk-young"
    for aside in (old, young):
        aside.mkdir()
        (aside / "index.html").write_text("half")
    days_ago = time.time() - 3 * 24 * 3600
    os.utime(old, (days_ago, days_ago))
    write_folder(tmp_path, files())
    assert not old.exists()
    assert young.exists()
