"""Debian's Chromium for the tests that need a real browser; they skip, or fail where all is required, without it."""

import os
from pathlib import Path

import pytest

CHROMIUM = Path("/usr/bin/chromium")


def pytest_collection_modifyitems(items):
    """Whatever stands in this folder drives a browser."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    """Launch Debian's browser, and let it call nobody by itself."""
    if not CHROMIUM.exists():
        message = f"no browser at {CHROMIUM}: apt-get install chromium"
        if os.environ.get("STORMWALK_REQUIRE_ALL") == "1":
            pytest.fail(message)
        pytest.skip(message)
    return {
        **browser_type_launch_args,
        "executable_path": str(CHROMIUM),
        "args": [
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
        ],
    }
