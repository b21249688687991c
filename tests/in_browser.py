"""What tests in a browser share: how large and in which colours, an app that is served, and what a page did beside."""

import socket
import threading
from contextlib import contextmanager

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}


def looks(*ordinary):
    """A test in every size and scheme; those not named here are thorough."""
    named = {"phone dark": (PHONE, "dark"), "desk light": (DESK, "light")}
    named |= {"phone light": (PHONE, "light"), "desk dark": (DESK, "dark")}
    return pytest.mark.parametrize(
        "size, scheme",
        [pytest.param(*look, marks=() if name in ordinary else pytest.mark.thorough) for name, look in named.items()],
        ids=list(named),
    )


@contextmanager
def served(app):
    """The address, without a slash at its end, at which an app is served on this computer meanwhile."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        config = uvicorn.Config(app, log_level="warning", lifespan="off", ws="none", server_header=False)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]})
        thread.start()
        yield f"http://127.0.0.1:{door.getsockname()[1]}"
        server.should_exit = True
        thread.join(10)


class Watched:
    """What a page asks for and what its console complains of, from now on."""

    def __init__(self, page):
        self.asked = []
        self.complaints = []
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("console", self._note)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _note(self, message):
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def called(self, *allowed):
        """Addresses that were asked for, but for those that begin so and what the page held itself."""
        return {url for url in self.asked if not url.startswith((*allowed, "data:"))}


def show(page, address, size, scheme="light"):
    """Open an address at a size and in a scheme."""
    page.set_viewport_size(size)
    page.emulate_media(color_scheme=scheme)
    page.goto(address)
    return page


def fits(page):
    """Whether nothing is wider than the screen."""
    needed, there = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    return needed <= there


def barriers(page, *, from_disk=False):
    """What hinders people in the page as far as axe can tell; "" where nothing does."""
    # axe asks for style sheets again, which a page opened from disk may not
    found = Axe().run(page, options={"preload": not from_disk})
    return found.generate_report() if found.violations_count else ""
