"""Whatever stands on a command line, the program ends with 0, 1 or 2 and says why in a sentence: never a traceback."""

import logging
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest
from fuzz_commands import arguments, commands, fill_folder, run
from fuzz_targets import BY_NAME
from invented_app import fill, picture
from invented_yard import COVERS, WRAPPED, metar

CHECKOUT = Path(__file__).resolve().parents[2]
EVERY = sorted(commands(), key=lambda one: one[0])
QUICK = [words for words, _ in EVERY if words[0] not in ("calibrate", "dashboard", "doctor", "report", "weather")]
"""Commands of which one with odd arguments takes well under a second."""


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    return fill(tmp_path_factory.mktemp("typed") / "yard.db")


@pytest.fixture
def folder(filled, tmp_path, monkeypatch):
    """A working folder with the invented yard and files to read; deep, so that no name leads out of what is ours."""
    here = tmp_path / "a" / "b" / "c"
    here.mkdir(parents=True)
    shutil.copy(filled, here / "stormwalk.db")
    queue = BY_NAME["log_json"].examples[0]
    fill_folder(here, COVERS.encode(), metar(WRAPPED, 20), queue, picture())
    monkeypatch.chdir(here)
    monkeypatch.delenv("STORMWALK_DB", raising=False)
    logging.disable(logging.CRITICAL)
    yield here
    logging.disable(logging.NOTSET)


def ended_well(line, stdin=""):
    done = run(line, stdin)
    assert done.exit_code in (0, 1, 2), line
    assert "Traceback" not in done.out + done.err, line
    assert done.exit_code == 0 or done.err.strip(), f"{line} says nothing"
    assert len(done.err) < 20_000, line
    return done


@pytest.mark.parametrize("words", QUICK, ids=" ".join)
def test_a_command_with_odd_arguments_ends_with_a_sentence(folder, words):
    draw = Random(" ".join(words))
    ended_well(arguments(words, dict(EVERY)[words], draw), "x\n")


@pytest.mark.thorough
@pytest.mark.parametrize("words", [words for words, _ in EVERY], ids=" ".join)
def test_a_command_with_many_odd_arguments_ends_with_a_sentence(folder, words):
    for number in range(5 if words[0] in ("dashboard", "calibrate", "report") else 40):
        draw = Random(f"{words}/{number}")
        ended_well(arguments(words, dict(EVERY)[words], draw), draw.choice(["", "x\n", "invented pass phrase\n"]))


def test_every_command_is_among_them():
    """But those that run for good are asked for what ends, and the demonstration has its own tests."""
    assert {words[0] for words, _ in EVERY} >= {
        "account",
        "backup",
        "covers",
        "log",
        "rank",
        "serve",
        "walk",
        "weather",
    }


# --- what was found with these, each by its arguments


@pytest.mark.parametrize(
    "line",
    [
        ["--db", "", "doctor"],
        ["--db", ".", "doctor"],
        ["covers", "export", "--out", ""],
        ["restore", "backup.zip", "--to", ""],
        ["log", "inspection", "01", "--by", "Ida", "--finding", "tear@bow:" + "9" * 5000],
        ["weather", "import", "winter.csv", "--source", "logger", "--time-zone", "America/" + "x" * 300]
        + ["--time-column", "valid", "--column", "wind_gust_ms=gust"],
        ["weather", "import", "winter.csv", "--source", "logger", "--time-column", "valid", "--column", "x" * 30_000],
        ["log", "import", "junk", "--by", "Ida"],
        ["log", "inspection", "01", "--by", "\udcff"],
    ],
    ids=["no-db", "folder", "no-out", "no-to", "severity", "zone", "column", "junk", "bytes"],
)
def test_a_command_line_that_once_failed_is_refused(folder, line):
    assert ended_well(line).exit_code in (1, 2)


def test_a_database_named_as_a_folder_by_the_environment_is_refused(folder, monkeypatch):
    monkeypatch.setenv("STORMWALK_DB", "/")
    assert ended_well(["doctor"]).exit_code == 2


@pytest.mark.parametrize("command", [["yard", "list"], ["doctor", "--json"], ["backup"], ["init"]], ids=" ".join)
def test_a_database_that_is_none_is_refused(folder, command):
    os.mkfifo(folder / "pipe.db")
    (folder / "loop.db").symlink_to("loop.db")
    for name in ("pipe.db", "loop.db", "junk", "covers.csv", "folder", "x" * 300, "/dev/full", "no/where.db"):
        done = ended_well(["--db", name, *command])
        assert done.exit_code != 0 or command[0] == "doctor", (name, command)  # whose answer is what it found


# --- in processes of their own


def shell(text, folder, **environment):
    """Exit codes of a pipe of bash, and what it wrote on both streams; ``$S`` is the program."""
    named = {**os.environ, "PYTHONPATH": str(CHECKOUT), "S": f"{shlex.quote(sys.executable)} -m monitor", **environment}
    script = f'{text}; echo "codes ${{PIPESTATUS[*]}}"'
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, cwd=folder, env=named, timeout=60, stdin=subprocess.DEVNULL
    )
    everything = done.stdout + done.stderr
    assert b"Traceback" not in everything, everything.decode()
    assert b"Exception ignored" not in everything, everything.decode()
    (line,) = [line for line in done.stdout.splitlines() if line.startswith(b"codes ")]
    return [int(code) for code in line.split()[1:]], everything


ODD_SHELLS = {
    "a reader that leaves": "$S covers columns 2>&1 | head -c 1 >/dev/null",
    "no output": "$S yard list >&-",
    "no streams": "$S log list <&- >&- 2>&-",
    "no input": "$S account add Zoe --role crew --password-stdin <&-",
    "a full disk": "$S yard list >/dev/full",
    "bytes": r"$S log inspection $'\xff' --by $'\xfe'",
    "bytes on input": r"printf '\xff\n' | $S account add Zoe --role crew --password-stdin",
    "a folder": "$S --db folder doctor",
}


def test_in_the_plainest_locale_every_name_is_written(folder):
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    codes, _ = shell("$S log inspection 01 --by Zoe --note plain", folder, **plain)
    assert codes == [0]
    codes, _ = shell("$S log inspection 01 --by 'Zoë ☂'", folder, PYTHONUTF8="1")
    assert codes == [0]
    codes, said = shell("$S log list --csv", folder, **plain)
    assert codes == [0]
    assert "Zoë ☂".encode() in said


@pytest.mark.thorough
@pytest.mark.parametrize("name", ODD_SHELLS)
@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_in_an_odd_shell_the_program_ends_as_it_should(folder, name, locale):
    codes, _ = shell(ODD_SHELLS[name], folder, LC_ALL=locale)
    assert set(codes) <= {0, 1, 2}


def test_without_any_open_stream_the_program_does_its_work(folder):
    codes, _ = shell("$S log inspection 01 --by Ida --at '2023-10-21 10:00' <&- >&- 2>&-", folder)
    assert codes == [0]
    assert '"who": "Ida"' in run(["log", "list", "--json"]).out


def test_a_reader_that_leaves_early_is_no_failure_that_anybody_sees(folder):
    codes, said = shell("$S covers columns | true", folder)
    assert codes[0] in (0, 1)
    assert said.splitlines() == [b"codes %d 0" % codes[0]]
