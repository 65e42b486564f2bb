"""Lends the maker of series, which stands beside the tests of intake, to the benchmarks."""

import sys
from pathlib import Path
from types import ModuleType

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scan"))


@pytest.fixture(scope="session")
def series_maker() -> ModuleType:
    """The module that writes small CT series."""
    import series_maker

    return series_maker
