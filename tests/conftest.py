"""What all tests share: where the scans and phantoms beside the checkout are, and whether they may be used."""

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def root() -> Path:
    """Top folder of the checkout."""
    return ROOT


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder with the real head CT, the phantoms and the published values; not part of the project."""
    folder = ROOT.parent / "shared"
    if os.environ.get("CI"):
        pytest.skip("the shared scans are not used on CI")
    if not folder.is_dir():
        pytest.skip("the shared scans and phantoms are not beside this checkout")
    return folder
