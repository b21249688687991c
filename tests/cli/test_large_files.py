"""A file that cannot be meant is refused by its size, before it is read: memory stays bounded."""

import gzip
import os
import re
import resource
import subprocess
import sys
from pathlib import Path

import pytest
import responses
from invented_yard import COVERS, YARD

from monitor.cli import inputs
from monitor.cli.inputs import read_file
from monitor.errors import ServiceUnavailableError, StormwalkError
from monitor.exchange import csv_tables
from monitor.exchange.register_csv import RegisterFileError, read_covers
from monitor.weather.providers import Request, http

CHECKOUT = Path(__file__).resolve().parents[2]
GIGABYTE = 1_000_000_000
ADDRESS_SPACE = 1_200_000_000
"""What a process may take: enough for Python and pandas, not for them and such a file. [bytes]"""

IMPORTS = [
    ("weather", "import", "FILE", "--source", "logger"),
    ("weather", "import", "FILE", "--source", "metar-archive", "--station", "QXM"),
    ("weather", "import", "FILE", "--source", "open-meteo"),
    ("weather", "import", "FILE", "--source", "open-meteo-archive"),
    ("weather", "import", "FILE", "--source", "nws-grid"),
    ("weather", "import", "FILE", "--source", "nws-observations"),
    ("weather", "import", "FILE", "--source", "ncei-daily"),
    ("weather", "import", "FILE", "--source", "met-norway"),
    ("weather", "import", "FILE", "--source", "bright-sky"),
    ("covers", "import", "FILE"),
    ("covers", "check", "--file", "FILE"),
    ("yard", "import", "FILE"),
    ("log", "import", "FILE", "--by", "Ida"),
    ("log", "photo", "03", "FILE", "--by", "Ida", "--inspection", "0"),
    ("serve", "--tls-cert", "FILE", "--tls-key", "FILE", "--port", "0"),
]


@pytest.mark.thorough
@pytest.mark.parametrize("words", IMPORTS, ids=" ".join)
def test_a_file_of_a_gigabyte_is_refused_in_a_sentence_and_hardly_any_memory(yard, tmp_path, words):
    file = tmp_path / "huge.csv"
    with file.open("wb") as made:
        made.truncate(GIGABYTE)  # a hole: it takes no room on the disk
    arguments = [str(file) if word == "FILE" else word for word in words]
    done = subprocess.run(
        [sys.executable, "-m", "monitor", "--db", str(yard / "stormwalk.db"), *arguments],
        cwd=CHECKOUT,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE)),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert re.search(r"huge\.csv(: the file)? has 1,000 MB; expected at most", " ".join(done.stderr.split()))
    assert "Traceback" not in done.stderr


@pytest.mark.thorough
@pytest.mark.parametrize("words", [("restore", "FILE", "--to", "new.db"), ("account", "add", "Zoe", "--role", "crew")])
def test_what_has_no_largest_size_is_read_no_further_than_needed(yard, tmp_path, words):
    file = tmp_path / "huge.csv"
    with file.open("wb") as made:
        made.truncate(GIGABYTE)
    typed = [str(file) if word == "FILE" else word for word in words]
    with file.open("rb") as stdin:
        done = subprocess.run(
            [sys.executable, "-m", "monitor", "--db", str(yard / "stormwalk.db"), *typed]
            + (["--password-stdin"] if words[0] == "account" else []),
            cwd=tmp_path,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(CHECKOUT)},
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE)),
            stdin=stdin,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert (done.returncode, done.stdout) == (1, "")
    expected = "does not end as a backup" if words[0] == "restore" else "The password has 2000 characters"
    assert expected in " ".join(done.stderr.split())
    assert not (tmp_path / "new.db").exists()


def test_the_largest_file_allowed_is_read_and_one_byte_more_is_not(tmp_path):
    file = tmp_path / "file.csv"
    file.write_bytes(b"x" * 1000)
    assert read_file(file, 0.001) == b"x" * 1000
    file.write_bytes(b"x" * 1001)
    with pytest.raises(StormwalkError, match=r"expected at most 0\.001 MB in such a file\. Nothing was changed"):
        read_file(file, 0.001)


@pytest.mark.parametrize("content", [b"a\n" * 5, b"a\r" * 5, b"a\r\n" * 5])
def test_lines_are_counted_however_they_end(tmp_path, content):
    file = tmp_path / "file.csv"
    file.write_bytes(content)
    assert read_file(file, 1, most_lines=5) == content
    with pytest.raises(StormwalkError, match="has too many lines; expected at most 4 "):
        read_file(file, 1, most_lines=4)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_pipe_that_never_ends_is_read_no_further_than_allowed(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys\nwith open(sys.argv[1], 'wb') as f:\n while True: f.write(b'x' * 65536)",
            pipe,
        ],
        stderr=subprocess.DEVNULL,
    )
    try:
        with pytest.raises(StormwalkError, match="has more than 1 MB; expected at most 1 MB"):
            read_file(pipe, 1)
    finally:
        writer.kill()
        writer.wait(10)


def test_a_season_by_the_minute_and_a_register_of_10_000_covers_are_allowed():
    # A row of a logger with three variables has 36 bytes, and a year 525,600 minutes
    minute = b"2026-01-10 12:34,-3.5,12.25,0.1,1013\n"
    assert 525_600 * len(minute) < inputs.LARGEST_WEATHER_MB * 1e6
    assert inputs.MOST_WEATHER_LINES > 525_600
    longest = max(map(len, COVERS.splitlines()))
    assert 10_000 * 4 * longest < inputs.LARGEST_REGISTER_MB * 1e6  # with names and notes four times as long
    assert csv_tables.MOST_ROWS >= 50_000


def test_a_table_with_too_many_rows_is_refused_before_each_is_looked_at(monkeypatch):
    monkeypatch.setattr(csv_tables, "MOST_ROWS", 5)
    head = COVERS.splitlines()[0]
    with pytest.raises(RegisterFileError) as refused:
        read_covers(head + "\na" * 50, "covers.csv", YARD)
    assert [str(problem) for problem in refused.value.problems] == [
        "covers.csv line 7: there are more than 5 rows; divide the file."
    ]


@responses.activate
@pytest.mark.parametrize("packed", [False, True])
def test_an_answer_larger_than_any_is_read_no_further(monkeypatch, packed):
    monkeypatch.setattr(http, "LARGEST_ANSWER_BYTES", 100_000)
    body = b" " * 10_000_000  # packed it has 10 KB: what counts is what comes out
    headers = {"Content-Encoding": "gzip"} if packed else {}
    url = "https://weather.example/v1"
    responses.get(url, body=gzip.compress(body) if packed else body, headers=headers)
    with http.session("yard@example.org") as session, pytest.raises(ServiceUnavailableError) as refused:
        http.get(session, Request(url), lambda: None)
    assert "weather.example sent more than 0 MB, which no answer has, and was read no further." in str(refused.value)
