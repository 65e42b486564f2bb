"""How pixels are stored, and how stored bits become numbers (DICOM PS3.5 section 8)."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.scan import tags
from siteplan.scan.header import Header
from siteplan.scan.slices import rows_columns
from siteplan.scan.tags import whole

_MOST_PIXELS = 8192 * 8192
"""Pixels of one slice. Cone-beam slices stay below 1200 squared (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Storage:
    """What all slices of a volume must agree on.

    Attributes:
        rows, columns: size of a slice.
        allocated, stored, high: Bits Allocated, Bits Stored, High Bit.
        signed: Pixel Representation is 1 (two's complement).
        samples, photometric: Samples per Pixel and Photometric Interpretation.
    """

    rows: int
    columns: int
    allocated: int
    stored: int
    high: int
    signed: bool
    samples: int
    photometric: str

    @property
    def dtype(self) -> np.dtype[Any]:
        """Integer type of the volume, in the byte order of this machine."""
        return np.dtype(f"{'i' if self.signed else 'u'}{self.allocated // 8}")

    @property
    def frame_bytes(self) -> int:
        """Length of one frame that is not compressed."""
        return self.rows * self.columns * (self.allocated // 8)

    def problem(self) -> str:
        """Why pixels stored like this are not read, or ""."""
        if self.samples != 1 or self.photometric not in ("MONOCHROME1", "MONOCHROME2", ""):
            return "colour images are no CT slices"
        if self.rows < 1 or self.columns < 1:
            return "rows or columns are absent"
        if self.rows * self.columns > _MOST_PIXELS:
            return f"{self.rows} x {self.columns} pixels in a slice"
        if self.allocated not in (8, 16, 32):
            return f"{self.allocated} bits per pixel"
        if not (1 < self.stored <= self.allocated and self.stored - 1 <= self.high < self.allocated):
            return f"{self.stored} bits stored up to bit {self.high} of {self.allocated}"
        return ""

    def cleaned(self, raw: NDArray[Any]) -> None:
        """Turns stored bits into values in place: unused bits are dropped, the sign extended (PS3.5 8.1.1).

        `raw` has `dtype`. Bits outside Bits Stored may hold anything (old overlays, garbage).
        """
        if self.stored == self.allocated:
            return
        left, right = self.allocated - 1 - self.high, self.allocated - self.stored
        if not left and not right:
            return
        if not self.signed and self.high == self.stored - 1:
            np.bitwise_and(raw, raw.dtype.type((1 << self.stored) - 1), out=raw)
            return
        np.left_shift(raw, raw.dtype.type(left), out=raw)
        np.right_shift(raw, raw.dtype.type(right), out=raw)

    def cleaned_value(self, raw: bytes | None) -> int | None:
        """One stored value, such as Pixel Padding Value, treated as `cleaned` treats the pixels; None when absent."""
        if raw is None or len(raw) != 2:
            return None
        value = np.frombuffer(raw, dtype=np.dtype("<i2" if self.signed else "<u2"))
        held = value.astype(self.dtype)
        if self.allocated == 16 and self.high == self.stored - 1:
            self.cleaned(held)
        return int(held[0])


def storage_of(header: Header) -> Storage:
    """Storage as one file states it; absent numbers become 0 and are then found by `Storage.problem`."""
    values = header.values
    rows, columns = rows_columns(header)
    stored = whole(values.get(tags.BITS_STORED)) or 0
    high = whole(values.get(tags.HIGH_BIT))
    return Storage(
        rows,
        columns,
        whole(values.get(tags.BITS_ALLOCATED)) or 0,
        stored,
        stored - 1 if high is None else high,
        whole(values.get(tags.PIXEL_SIGNED)) == 1,
        whole(values.get(tags.SAMPLES)) or 1,
        header.text(tags.PHOTOMETRIC),
    )
