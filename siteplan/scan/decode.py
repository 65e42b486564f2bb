"""Compressed pixels (DICOM PS3.5 annex A.4), decoded by imagecodecs."""

from typing import Any

from numpy.typing import NDArray

from siteplan.scan.slices import Slice
from siteplan.scan.storage import Storage


def decode_into(one: Slice, storage: Storage, out: NDArray[Any]) -> None:
    """Fills `out` (J, I) with the decoded values of one slice."""
    raise OSError("compressed images are not read yet")
