"""How long a season's backup, its restore, the log's chain and the doctor take, and how much memory.

Run with ``pytest --benchmark-only tests/benchmarks``; nothing is asserted in seconds.
"""

import io
import os
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

import pytest

from monitor.inspections import Action, Inspection, Photo
from monitor.operations.backup import back_up, restore
from monitor.operations.doctor import examine
from monitor.operations.photos import keep_original, photo_folder
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.store import chain, inspections, photos, register
from monitor.store.connection import connect, write

CHECKOUT = Path(__file__).resolve().parents[2]
START = datetime(2025, 10, 1, tzinfo=UTC)
NOW = datetime(2026, 4, 1, tzinfo=UTC)
YARD = Yard("made", "Made Yard", 44.65, -63.57, 3.0, "America/Halifax")
ENTRIES, PHOTOS, WEATHER_MB = 10_000, 200, 62


def jpeg(number):
    """A picture of 1,000 x 750 px of noise, about 0.4 MB, each another."""
    import numpy as np
    from PIL import Image

    pixels = np.random.default_rng(number).integers(0, 256, (750, 1000, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=60)
    return out.getvalue()


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """62 MB of weather, half of it bytes that no packing makes smaller, 10,000 facts of the log, 200 photos."""
    path = tmp_path_factory.mktemp("season") / "stormwalk.db"
    folder = photo_folder(path)
    folder.mkdir()
    with closing(connect(path, create=True)) as conn:
        register.add_yard(conn, YARD)
        boat = Boat("1", "Ebba", "motor", 10.0, 3.0, "stands", "A", 1, 0.0, "partly")
        register.save_covers(conn, "made", [Cover(boat, START.date(), (CoverBuild(START),))], START)
        with write(conn):
            for number in range(WEATHER_MB * 4):
                half = 128 * 1024
                body = os.urandom(half) + bytes(range(256)) * (half // 256)
                conn.execute(
                    "INSERT INTO weather_fetches VALUES (?, 1, 'open-meteo', ?, 'empty', NULL, NULL, '', '', 200, "
                    "'{}', 'ab', ?)",
                    (number + 1, f"{START + timedelta(minutes=number):%Y-%m-%dT%H:%M:%SZ}", body),
                )
        with write(conn):
            visits = ENTRIES - 2 * PHOTOS
            for number in range(visits // 2):
                at = START + timedelta(minutes=20 * number)
                inspections.add_inspection(conn, Inspection(f"i{number}", 1, at, at, "Ida", False, note="all sound"))
                inspections.add_action(conn, Action(f"a{number}", 1, at, at, "Ida", "taped", note="bow"))
            for number in range(PHOTOS):
                kept = keep_original(folder, jpeg(number))
                row = Photo(
                    f"p{number}",
                    START,
                    START,
                    "Ida",
                    kept.sha256,
                    kept.media_type,
                    kept.byte_count,
                    kept.width_px,
                    kept.height_px,
                    inspection_id=f"i{number}",
                )
                photos.add_photo(conn, row)
                photos.withdraw(conn, row.id, at=START, by="Ida", note="")
    return path


def peak_memory_mb(code, *arguments):
    """Highest resident memory of a fresh process that runs this, all libraries included. [MB]"""
    code += "\nprint([line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM:')][0])"
    head = "import sys\nfrom pathlib import Path\nfrom datetime import UTC, datetime\n"
    done = subprocess.run(
        [sys.executable, "-c", head + code, *map(str, arguments)],
        env={**os.environ, "PYTHONPATH": str(CHECKOUT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return round(int(done.stdout.split()[-1]) / 1024)


@pytest.mark.benchmark(group="a season of 66 MB with 200 photos")
def test_backup(benchmark, season, tmp_path):
    """Written, synced and read back. ``extra_info`` has sizes and memory."""
    numbers = count()
    made = benchmark.pedantic(lambda: back_up(season, tmp_path / f"b{next(numbers)}.zip", now=NOW), rounds=3)
    benchmark.extra_info.update(
        database_mb=round(season.stat().st_size / 1e6, 1),
        backup_mb=round(made.path.stat().st_size / 1e6, 1),
        peak_memory_mb=peak_memory_mb(
            "from monitor.operations.backup import back_up\n"
            "back_up(Path(sys.argv[1]), Path(sys.argv[2]), now=datetime(2026, 4, 1, tzinfo=UTC))",
            season,
            tmp_path / "memory.zip",
        ),
        memory_before_mb=peak_memory_mb("import monitor.operations.backup"),
    )
    assert len(made.manifest.photos) == PHOTOS


@pytest.mark.benchmark(group="a season of 66 MB with 200 photos")
def test_restore(benchmark, season, tmp_path):
    """Every hash before and after, and the doctor's look at what is stored."""
    made, numbers = back_up(season, tmp_path / "b.zip", now=NOW), count()
    done = benchmark.pedantic(lambda: restore(made.path, tmp_path / f"new{next(numbers)}.db", now=NOW), rounds=3)
    assert {check.level for check in done.checks} == {"ok"}


@pytest.mark.benchmark(group="a season of 66 MB with 200 photos")
@pytest.mark.parametrize("read_photos", [False, True])
def test_doctor(benchmark, season, read_photos):
    """All its checks, with and without every byte of the photos."""
    checks = benchmark.pedantic(
        lambda: examine(season, now=NOW, backups=None, read_photos=read_photos), rounds=3, warmup_rounds=1
    )
    assert "ok" in {check.level for check in checks if check.check == "photos"}


@pytest.mark.benchmark(group="the log's chain")
def test_check_of_10_000_facts(benchmark, season):
    """Every fact hashed and every link compared."""
    with closing(connect(season)) as conn:
        assert chain.head(conn).count == ENTRIES
        assert benchmark(chain.faults, conn) == []


@pytest.mark.benchmark(group="the log's chain")
@pytest.mark.parametrize("chained", [False, True])
def test_an_entry(benchmark, season, chained):
    """One action logged and committed, with its link and without, for the difference."""
    numbers = count()
    with closing(connect(season)) as conn:

        def log():
            values = {
                "id": f"bench-{chained}-{next(numbers)}",
                "cover_id": 1,
                "acted_at": "2026-01-01T00:00:00Z",
                "recorded_at": "2026-01-01T00:00:00Z",
                "actor": "Ida",
                "action": "taped",
                "note": "",
            }
            with write(conn):
                (chain.add_fact if chained else chain.insert)(conn, "actions", values)

        benchmark.pedantic(log, rounds=200, warmup_rounds=5)
        assert chain.head(conn).count >= ENTRIES
