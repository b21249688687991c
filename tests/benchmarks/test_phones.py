"""Twenty phones at once: each logs its round against one real server process, and nothing is lost or doubled.

Run with ``pytest --benchmark-only tests/benchmarks/test_phones.py``. Times until an answer are reported, not asserted.
"""

import statistics
import threading
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from io import BytesIO

import pytest
import requests
from PIL import Image
from web_process import PASSWORD, WebProcess, make_database

from monitor.operations.photos import photo_folder
from monitor.store.connection import connect

PHONES = 20
INSPECTIONS = 30
PHOTO_EVERY = 10
ACTION_EVERY = 6
SENT_AGAIN_EVERY = 7
"""A phone that has not heard the answer sends the entry once more."""


def photo(number):
    """A picture of 3 MP of its own, as large as a phone's when made small."""
    made = BytesIO()
    Image.effect_noise((2000, 1500), 20 + number % 40).save(made, "JPEG", quality=70)
    return made.getvalue()


@pytest.fixture
def server(tmp_path):
    names = tuple(f"Phone {number}" for number in range(PHONES))
    server = WebProcess(make_database(tmp_path / "yard.db", boats=60, names=names))
    server.start()
    yield server
    server.kill()


def sign_in(server, number):
    phone = requests.Session()
    phone.headers["Origin"] = server.address
    fields = {"name": f"Phone {number}", "password": PASSWORD}
    assert phone.post(f"{server.address}/sign-in", data=fields, timeout=60).status_code == 200
    return phone


def test_twenty_phones_at_once_lose_and_double_nothing(benchmark, server):
    phones = [sign_in(server, number) for number in range(PHONES)]
    pictures = [photo(number) for number in range(5)]
    together = threading.Barrier(PHONES)

    def round_of(number):
        """What one phone sent by kind, and how long each answer took. [s]"""
        phone, sent, took_s = phones[number], {"inspections": [], "actions": [], "photos": []}, []

        def ask(method, path, expected, **body):
            began = time.perf_counter()
            answer = phone.request(method, f"{server.address}/api/{path}", timeout=60, **body)
            took_s.append(time.perf_counter() - began)
            assert answer.status_code == expected, answer.text

        together.wait()
        for n in range(INSPECTIONS):
            boat = f"{1 + (number * 7 + n) % 60:02}"
            moment = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
            found = (
                [{"defect": "loose_band", "place": "port", "severity": n % 4, "note": f"{number}/{n}"}] if n % 3 else []
            )
            look = {"id": str(uuid.uuid4()), "yard": "north", "boat": boat, "inspected_at": moment, "findings": found}
            ask("POST", "inspections", 201, json=look)
            sent["inspections"].append(look["id"])
            if n % SENT_AGAIN_EVERY == 0:
                ask("POST", "inspections", 200, json=look)
            if n % ACTION_EVERY == 0:
                work = {"id": str(uuid.uuid4()), "yard": "north", "boat": boat, "acted_at": moment, "action": "taped"}
                ask("POST", "actions", 201, json=work)
                sent["actions"].append(work["id"])
            if n % PHOTO_EVERY == 0:
                photo_id, picture = str(uuid.uuid4()), pictures[(number + n) % len(pictures)]
                query, headers = {"inspection_id": look["id"]}, {"Content-Type": "image/jpeg"}
                ask("PUT", f"photos/{photo_id}", 201, data=picture, params=query, headers=headers)
                sent["photos"].append(photo_id)
        return sent, took_s

    def all_at_once():
        with ThreadPoolExecutor(PHONES) as threads:
            return list(threads.map(round_of, range(PHONES)))

    began = time.perf_counter()
    rounds = benchmark.pedantic(all_at_once, rounds=1, iterations=1)
    whole_s = time.perf_counter() - began

    took_s = sorted(one for _, took in rounds for one in took)
    cuts = statistics.quantiles(took_s, n=100)
    benchmark.extra_info |= {
        "answers": len(took_s),
        "answers_per_s": round(len(took_s) / whole_s, 1),
        "median_ms": round(1000 * cuts[49]),
        "p95_ms": round(1000 * cuts[94]),
        "longest_ms": round(1000 * took_s[-1]),
    }

    with closing(connect(server.database)) as conn:
        for kind in ("inspections", "actions", "photos"):
            stored = sorted(row["id"] for row in conn.execute(f"SELECT id FROM {kind}"))
            assert stored == sorted(entry_id for sent, _ in rounds for entry_id in sent[kind])
        found = {row["note"] for row in conn.execute("SELECT note FROM findings")}
        assert found == {f"{number}/{n}" for number in range(PHONES) for n in range(INSPECTIONS) if n % 3}
        by_name = dict(conn.execute("SELECT inspector, count(*) FROM inspections GROUP BY inspector").fetchall())
        assert by_name == {f"Phone {number}": INSPECTIONS for number in range(PHONES)}
        kept = {row["sha256"] for row in conn.execute("SELECT sha256 FROM photos")}
    originals = {path.stem for path in photo_folder(server.database).rglob("*.jpg")}
    assert kept <= originals
