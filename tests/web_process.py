"""The web app as a process of its own, to be asked over loopback, stopped, killed and started again."""

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from argon2 import PasswordHasher
from invented_yard import COVERS, YARD

from monitor.operations import accounts
from monitor.operations.register import import_covers
from monitor.store import register
from monitor.store.connection import connect

PASSWORD = "four words of slate"
NAMES = ("Ida", "Ola")
CHECKOUT = Path(__file__).resolve().parents[1]
HASHER = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
"""Cheap: nothing here is worth guessing."""


def make_database(path, boats=3, names=NAMES):
    """A yard of boats wrapped twenty days ago, and people who may sign in, the first of them a lead."""
    wrapped = datetime.now(UTC).replace(microsecond=0) - timedelta(days=20)
    head, first, *rest = COVERS.replace("2023-10-20", f"{wrapped:%Y-%m-%d}").splitlines()
    more = [
        first.replace("01,Plum", f"{n:02},Plum {n}").replace(",A,1,", f",B,{n},")
        for n in range(len(rest) + 2, boats + 1)
    ]
    with closing(connect(path, create=True)) as conn:
        register.save_yards(conn, [YARD])
        import_covers(conn, YARD, "\n".join([head, first, *rest, *more, ""]).encode(), "covers.csv", wrapped)
        for number, name in enumerate(names):
            accounts.add_account(conn, name, "crew" if number else "lead", PASSWORD, wrapped, HASHER)
    return path


class WebProcess:
    """The app of one database at one port; the same port each time it is started."""

    def __init__(self, database):
        self.database = database
        self.dying = database.with_name("die-after-commit")
        with socket.create_server(("127.0.0.1", 0)) as door:
            self.port = door.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self._process = None

    def start(self):
        """Start it, and wait until it answers."""
        command = [sys.executable, __file__, str(self.database), str(self.port), str(self.dying)]
        environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(CHECKOUT), str(CHECKOUT / "tests")])}
        self._process = subprocess.Popen(command, env=environment)
        deadline = time.monotonic() + 30
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
                return
            except OSError:
                if time.monotonic() > deadline or self._process.poll() is not None:
                    raise
                time.sleep(0.05)

    def is_running(self):
        """Whether it was started and has not ended."""
        return self._process is not None and self._process.poll() is None

    def pause(self):
        """Let it keep its connections and answer nobody."""
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self):
        """Let it answer again."""
        self._process.send_signal(signal.SIGCONT)

    def kill(self):
        """End it at once, as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def die_after_the_next_commit(self):
        """The next entry is stored, and the process is gone before it has answered."""
        self.dying.touch()

    def wait_until_dead(self):
        """Wait for the end that `die_after_the_next_commit` has asked for."""
        self._process.wait(20)
        self._process = None


def _serve(database, port, dying):
    import uvicorn

    from monitor.cli.serve import DashboardPages
    from monitor.service import utc_now
    from monitor.web.app import WebApp, make_app
    from monitor.web.live import Pages

    pages = Pages(database, DashboardPages(), lambda key: [], utc_now)
    app = make_app(WebApp(database, pages, ["127.0.0.1", "localhost"], utc_now, "1", HASHER))

    async def dies_after_a_commit(scope, receive, send):
        async def send_or_die(message):
            answers_an_entry = scope["type"] == "http" and scope["path"] in ("/api/inspections", "/api/actions")
            if answers_an_entry and message["type"] == "http.response.start" and dying.exists():
                dying.unlink()
                os._exit(1)
            await send(message)

        await app(scope, receive, send_or_die)

    uvicorn.run(dies_after_a_commit, host="127.0.0.1", port=port, log_level="warning", lifespan="off", ws="none")


if __name__ == "__main__":
    _serve(Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
