"""A first look: every n-th slice, long before the whole volume is there."""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.errors import ScanError
from siteplan.scan.geometry import lay_out
from siteplan.scan.group import into_groups
from siteplan.scan.header import Header, NotDicom, Unreadable, is_volume, read_header
from siteplan.scan.load import DECODERS, BadPixels, load_one
from siteplan.scan.search import sources
from siteplan.scan.slices import Slice, rows_columns, slices_of
from siteplan.scan.source import Source
from siteplan.scan.storage import storage_of
from siteplan.scan.syntaxes import decodable, is_compressed

_SAMPLES, _FEWEST = 10, 4
"""Slices of a preview; with 400 slices in all they come within a tenth of the time of the whole (measured)."""

_SHARE = 20
"""At most every so many slices is taken, down to the fewest: of a short compressed series ten would take too long."""
_SIDE = 300
"""Pixels along a side of a preview; of a larger slice every second (third, ...) row and column is taken."""


@dataclass(frozen=True, eq=False)
class Preview:
    """Some slices of a scan, unchecked: to look at, never to measure on.

    Attributes:
        values: (N, J, I) float32 grey values, slope and intercept applied, in order along the slice normal.
        first_voxel_lps_mm: (N, 3) centre of the first voxel of each slice.
        row, column: (3,) unit directions of a row and of a column.
        spacing_ji_mm: distance between the rows, and between the columns that are kept.
    """

    values: NDArray[np.float32]
    first_voxel_lps_mm: NDArray[np.float64]
    row: NDArray[np.float64]
    column: NDArray[np.float64]
    spacing_ji_mm: tuple[float, float]


def preview(path: str | PathLike[str], *, samples: int | None = None, series: str | None = None) -> Preview:
    """About `samples` slices (ten, fewer of a short series) from the largest series met, spread evenly over the files.

    Only these files are opened, so nothing is checked that needs all of them: `read_scan` must follow. Slices that
    cannot be read are left out.

    Args:
        series: Series Instance UID; that of the most slices met when not given.

    Raises:
        ScanError: no slice could be shown.
    """
    place = Path(path)
    files, _ = sources(place)
    slices = [one for header in _some(files, samples or _usual(len(files))) for one in slices_of(header)]
    groups = [group for group in into_groups(slices) if series in (None, group.uid)]
    if not groups:
        raise ScanError(f"{place.name}: no CT slices to show; `siteplan inspect` tells what there is.")
    stack = max(groups, key=lambda group: len(group.stack)).stack
    stack = [one for one in stack if one.position is not None and one.orientation is not None and one.spacing]
    shown = _loaded(_ordered(stack)[:: max(1, len(stack) // (samples or _usual(max(len(files), len(stack)))))])
    if not shown:
        raise ScanError(f"{place.name}: no slice could be shown; `siteplan inspect` tells why.")
    return _joined(shown)


def _usual(count: int) -> int:
    """How many of so many slices are shown."""
    return min(_SAMPLES, max(_FEWEST, count // _SHARE))


def _some(files: Sequence[Source], samples: int) -> list[Header]:
    """Headers of CT slices from every n-th file; from more of them where those give nothing."""
    step = max(1, len(files) // samples)
    out: list[Header] = []
    for start in range(step):
        for file in files[start::step]:
            try:
                header = read_header(file)
            except (NotDicom, Unreadable):
                continue
            if is_volume(header) and header.pixel_offset >= 0 and decodable(header.syntax):
                out.append(header)
        if len(out) >= min(2, len(files)):
            break
    return out


def _ordered(stack: list[Slice]) -> list[Slice]:
    layout, _ = lay_out(stack)
    if layout is not None:
        return [stack[at] for at in layout.order]
    normal = np.cross(np.array(stack[0].orientation)[:3], np.array(stack[0].orientation)[3:]) if stack else np.zeros(3)
    return sorted(stack, key=lambda one: float(np.array(one.position) @ normal))


def _loaded(stack: Sequence[Slice]) -> list[tuple[Slice, NDArray[np.float32]]]:
    """Slices with the grey values that are shown of them; what cannot be read is left out."""
    if not any(is_compressed(one.header.syntax) for one in stack):
        return [shown for shown in map(_Shower(), stack) if shown is not None]
    with ThreadPoolExecutor(min(DECODERS, len(stack))) as pool:
        return [shown for shown in pool.map(lambda one: _Shower()(one), stack) if shown is not None]


class _Shower:
    """Loads slices one after the other into one buffer: fresh memory for each would cost more than reading it."""

    def __init__(self) -> None:
        self._buffer: NDArray[Any] = np.empty((0, 0))

    def __call__(self, one: Slice) -> tuple[Slice, NDArray[np.float32]] | None:
        """The slice with its grey values on the coarser grid; None when it cannot be read."""
        storage = storage_of(one.header)
        if storage.problem():
            return None
        buffer = self._buffer
        if buffer.shape != (storage.rows, storage.columns) or buffer.dtype != storage.dtype:
            buffer = self._buffer = np.empty((storage.rows, storage.columns), storage.dtype)
        try:
            load_one(one, storage, buffer)
        except BadPixels:
            return None
        step = _step(buffer.shape)
        grey = buffer[::step, ::step].astype(np.float32)
        grey *= np.float32(one.slope)
        grey += np.float32(one.intercept)
        return one, grey


def _step(shape: tuple[int, ...]) -> int:
    return max(1, -(-max(shape) // _SIDE))


def _joined(shown: list[tuple[Slice, NDArray[np.float32]]]) -> Preview:
    first, grey = shown[0]
    assert first.orientation is not None
    assert first.spacing is not None
    same = [(one, values) for one, values in shown if values.shape == grey.shape]
    step = _step(rows_columns(first.header))
    return Preview(
        np.stack([values for _, values in same]),
        np.array([one.position for one, _ in same]),
        np.array(first.orientation[:3]),
        np.array(first.orientation[3:]),
        (step * first.spacing[0], step * first.spacing[1]),
    )
