"""A folder of pages, written so that it is never half new: aside first, then put in place one by one, index last."""

import json
import re
import shutil
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

from monitor.errors import StormwalkError

MANIFEST = "stormwalk-pages.json"
"""Names of the files that we wrote into a folder; all other files there are somebody else's."""

INDEX = "index.html"
LIBRARY = "plotly.min.js"
"""The one file that may be replaced although no manifest names it: whoever put it there, it is that library."""

_ASIDE = ".stormwalk-"
_LEFTOVER_S = 24 * 3600
_MAY_BE_GONE = re.compile(r"cover-[a-z0-9-]+\.(html|js)|review\.html")


class FolderError(StormwalkError):
    """A folder that cannot take the pages without touching what is not ours."""


def write_folder(folder: Path, files: Iterable[tuple[str, bytes]]) -> Path:
    """Write the files into the folder, made where it is absent, and take away pages of ours that it has no more.

    Parameters
    ----------
    folder : Path
    files : iterable of (name, content)
        Plain file names; one of them ``index.html``.

    Returns
    -------
    Path
        The index page.

    Raises
    ------
    FolderError
        The folder holds a file of one of these names that we did not write, or the list of those we wrote cannot be
        read. Nothing is written or removed then.
    OSError
        From the file system. What stood in the folder before still stands there, or is partly replaced by whole new
        files.

    Notes
    -----
    A file whose content stays the same is left alone. Two writers at a time do not disturb each other; the last one
    stands.
    """
    folder.mkdir(parents=True, exist_ok=True)
    ours = _written_before(folder)
    _remove_leftovers(folder)
    with tempfile.TemporaryDirectory(prefix=_ASIDE, dir=folder) as name:
        aside = Path(name)
        names = []
        for file, content in files:
            if file not in ours and file != LIBRARY and (folder / file).exists():
                raise FolderError(
                    f"{folder} holds {file}, which stormwalk did not write: {MANIFEST} does not name it. Nothing was "
                    f"written. Choose an empty folder, or move that file away."
                )
            names.append(file)
            if not _same(folder / file, content):
                (aside / file).write_bytes(content)
        # Named as ours before they appear: a run that is stopped half-way leaves nothing that the next would refuse.
        _write_manifest(folder, aside, ours | set(names))
        for file in sorted(names, key=lambda file: file == INDEX):
            if (aside / file).exists():
                (aside / file).replace(folder / file)
    for gone in sorted(ours - set(names)):
        if _MAY_BE_GONE.fullmatch(gone):
            (folder / gone).unlink(missing_ok=True)
    with tempfile.TemporaryDirectory(prefix=_ASIDE, dir=folder) as name:
        _write_manifest(folder, Path(name), set(names))
    return folder / INDEX


def _written_before(folder: Path) -> set[str]:
    manifest = folder / MANIFEST
    if not manifest.exists():
        return set()
    try:
        files = json.loads(manifest.read_text(encoding="utf-8"))["files"]
    except (ValueError, KeyError, TypeError):
        files = None
    if not isinstance(files, list) or not all(isinstance(file, str) for file in files):
        raise FolderError(
            f"{manifest} is not the list of pages that stormwalk keeps there. Nothing was written. Choose another "
            f"folder, or empty this one."
        )
    return set(files)


def _write_manifest(folder: Path, aside: Path, files: set[str]) -> None:
    content = json.dumps({"written_by": "stormwalk", "files": sorted(files)}, indent=1).encode() + b"\n"
    if not _same(folder / MANIFEST, content):
        (aside / MANIFEST).write_bytes(content)
        (aside / MANIFEST).replace(folder / MANIFEST)


def _same(path: Path, content: bytes) -> bool:
    return path.is_file() and path.stat().st_size == len(content) and path.read_bytes() == content


def _remove_leftovers(folder: Path) -> None:
    """Take away what a killed run left aside, a day later so that a run still at work is never disturbed."""
    oldest = time.time() - _LEFTOVER_S
    for aside in folder.glob(f"{_ASIDE}*"):
        if aside.is_dir() and aside.stat().st_mtime < oldest:
            shutil.rmtree(aside, ignore_errors=True)
