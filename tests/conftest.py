"""Fixtures and settings that every test shares."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

REQUIRE_ALL = os.environ.get("STORMWALK_REQUIRE_ALL") == "1"

settings.register_profile(
    "stormwalk",
    max_examples=50 if REQUIRE_ALL else 25,  # twice as many where everything is required
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("stormwalk")

CHECKOUT = Path(__file__).resolve().parent.parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the long tests to the run that requires everything, so that the ordinary one stays short."""
    if not REQUIRE_ALL:
        for item in items:
            if item.get_closest_marker("thorough"):
                item.add_marker(pytest.mark.skip(reason="takes long: runs where STORMWALK_REQUIRE_ALL=1"))


def skip_or_fail(message: str) -> None:
    """Skip a test for want of a tool, saying which; where everything is required, fail instead."""
    if REQUIRE_ALL:
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder with real weather (``data/``) and real service answers (``samples/``), kept outside the project."""
    folder = Path(os.environ.get("STORMWALK_SHARED") or CHECKOUT.parent / "shared")
    if not (folder / "samples").is_dir():
        pytest.skip(f"no real weather at {folder}: set STORMWALK_SHARED to the folder that holds data/ and samples/")
    return folder
