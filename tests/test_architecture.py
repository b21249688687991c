"""The tree keeps its shape: what lies at the top, how large a module is, what may import what, what is said nowhere."""

import ast
import importlib
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent
MOST_LINES = 500

LONGER_FOR_A_REASON: dict[str, str] = {}
"""Modules over ``MOST_LINES``, each with its reason."""

MODULES = sorted(path for top in ("monitor", "dashboards") for path in (CHECKOUT / top).rglob("*.py"))


def name_of(path):
    return path.relative_to(CHECKOUT).as_posix()


def tracked_files():
    """Every file that git knows, relative to the top; skips where git cannot tell, unless everything is required."""
    give_up = pytest.fail if os.environ.get("STORMWALK_REQUIRE_ALL") == "1" else pytest.skip
    git = shutil.which("git")
    if git is None or not (CHECKOUT / ".git").exists():
        give_up("not a git checkout: what is committed cannot be told")
    listing = subprocess.run([git, "ls-files", "-z"], cwd=CHECKOUT, capture_output=True, text=True, check=False)
    if listing.returncode:
        give_up(f"git does not tell what is committed: {listing.stderr.strip()}")
    return [Path(name) for name in listing.stdout.split("\0") if name]


def test_the_top_of_the_tree_holds_these_and_nothing_else():
    visible = {path.parts[0] for path in tracked_files() if not path.parts[0].startswith(".")}
    assert visible == {"README.md", "DEVELOPERS.md", "pyproject.toml", "monitor", "dashboards", "fixtures", "tests"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_has_one_job_says_it_first_and_is_of_a_size_to_be_read(path):
    text = path.read_text(encoding="utf-8")
    docstring = ast.get_docstring(ast.parse(text))
    assert docstring, f"{name_of(path)} does not begin with its job"
    assert text.startswith('"""')
    lines = text.count("\n")
    assert lines <= MOST_LINES or name_of(path) in LONGER_FOR_A_REASON, f"{name_of(path)} has {lines} lines"


def test_every_exception_to_the_size_is_still_needed():
    sizes = {name_of(path): path.read_text(encoding="utf-8").count("\n") for path in MODULES}
    assert [name for name in LONGER_FOR_A_REASON if sizes.get(name, 0) <= MOST_LINES] == []


def handlers():
    """Module, line and caught names of every ``except``; a bare one catches everything."""
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ExceptHandler):
                names = [one.id for one in ast.walk(node.type) if isinstance(one, ast.Name)] if node.type else ["bare"]
                yield name_of(path), node, names


def test_only_the_job_wrapper_catches_whatever_comes():
    wide = [(module, node.lineno) for module, node, names in handlers() if {"Exception", "bare"} & set(names)]
    assert len(wide) <= 1
    assert all(module == "monitor/service.py" for module, _ in wide)


def test_what_is_caught_to_clean_up_is_raised_again():
    for module, node, names in handlers():
        if "BaseException" in names:
            assert isinstance(node.body[-1], ast.Raise), f"{module} line {node.lineno}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_every_public_function_and_class_says_what_it_is(path):
    kinds = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
    tree = ast.parse(path.read_text(encoding="utf-8"))
    public = [node for node in tree.body if isinstance(node, kinds) and not node.name.startswith("_")]
    assert [node.name for node in public if not ast.get_docstring(node)] == []


def test_imports_point_down_the_list():
    linter = shutil.which("lint-imports", path=str(Path(sys.executable).parent)) or shutil.which("lint-imports")
    assert linter, "lint-imports is missing: install the extra 'test'"
    done = subprocess.run([linter, "--no-cache"], cwd=CHECKOUT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_the_console_script_leads_to_the_command_line():
    project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert set(project["scripts"]) == {"stormwalk"}
    module, _, function = project["scripts"]["stormwalk"].partition(":")
    assert callable(getattr(importlib.import_module(module), function))


GUIDES = ("README.md", "DEVELOPERS.md")


def named_places():
    """Every file and every dotted name of a module or of something in it that stands in backquotes in a guide."""
    tops = {path.stem for path in (CHECKOUT / "monitor").iterdir()}
    text = "".join((CHECKOUT / guide).read_text(encoding="utf-8") for guide in GUIDES)
    named = set(re.findall(r"`([\w./]+)`", text))
    return sorted(name for name in named if name.endswith(".py") or ("." in name and name.partition(".")[0] in tops))


def is_there(name):
    """Whether a file, a module or something in a module has this name; a bare file name may lie in any folder."""
    if name.endswith(".py"):
        return any(path.as_posix().endswith(f"/{name}") for path in CHECKOUT.rglob(Path(name).name))
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        path = CHECKOUT.joinpath("monitor", *parts[:length])
        if path.with_suffix(".py").exists() or path.is_dir():
            found = importlib.import_module(".".join(["monitor", *parts[:length]]))
            return all(hasattr(found, part) for part in parts[length:])
    return False


@pytest.mark.parametrize("name", named_places())
def test_what_a_guide_names_is_there(name):
    assert is_there(name), f"{name} is not in the tree"


def test_the_layout_names_modules_and_folders_that_are_there():
    guide = (CHECKOUT / "DEVELOPERS.md").read_text(encoding="utf-8")
    layout = guide.partition("## Layout")[2].partition("```\n")[2].partition("```")[0]
    beginnings = re.findall(r"^  ((?:[\w/]+(?:\.py|/)(?:, )?)+)", layout, re.MULTILINE)
    named = [name for names in beginnings for name in names.split(", ") if name]
    assert len(named) > 20
    assert [name for name in named if not (CHECKOUT / "monitor" / name).exists()] == []


SAID_NOWHERE = [
    re.compile(pattern)
    for pattern in (
        "(?i)trans" + "cript",
        "(?i)seed" + " document",
        r"(?i)\bthe " + r"issue\b",
        "/" + "work/",
        "/" + "root/",
        "/" + "tmp/w",
        "(?i)py" + r"pi\.org",
        "(?i)python" + r"hosted\.org",
        r"\bTO" + r"DO\b",
        r"\bFIX" + r"ME\b",
        "Not" + "ImplementedError",
    )
]
"""Built in pieces, so that this file does not say them either."""


def test_no_committed_file_names_what_belongs_to_another_place():
    files = [CHECKOUT / name for name in tracked_files()]
    found = [
        f"{name_of(path)}: {words.group()}"
        for path in files
        if path.is_file()
        for words in filter(None, (pattern.search(path.read_text("utf-8", "replace")) for pattern in SAID_NOWHERE))
    ]
    assert len(files) > 50
    assert found == []
