"""Helpers of the hazard tests: reference libraries on demand, and small tables of hours."""

import importlib
import os
import warnings
from collections.abc import Callable
from types import ModuleType

import pandas as pd
import pytest


@pytest.fixture
def require() -> Callable[[str], ModuleType]:
    """Import a reference library; skip the test where it is absent, or fail under STORMWALK_REQUIRE_ALL=1."""

    def imported(name: str) -> ModuleType:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # these libraries warn about their own dependencies
                return importlib.import_module(name)
        except ModuleNotFoundError as error:
            message = f"reference library {name} is not installed ({error}); it is in the extras 'test' and 'reference'"
            if os.environ.get("STORMWALK_REQUIRE_ALL") == "1":
                pytest.fail(message)
            pytest.skip(message)

    return imported


@pytest.fixture
def hours_of() -> Callable[..., pd.DataFrame]:
    """Canonical hours from 1 January 2013, one column a keyword."""

    def table(**columns: list[float]) -> pd.DataFrame:
        count = len(next(iter(columns.values())))
        index = pd.date_range("2013-01-01T00:00Z", periods=count, freq="h", name="hour_ending")
        return pd.DataFrame(columns, index=index)

    return table
