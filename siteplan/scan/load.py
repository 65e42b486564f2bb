"""Pixels of a stack into one array: straight from the file where they are stored plainly."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.scan import defects
from siteplan.scan.findings import ScanFinding, ScanRefused
from siteplan.scan.slices import Slice
from siteplan.scan.source import DiskFile
from siteplan.scan.storage import Storage
from siteplan.scan.streams import PLAIN, Stream
from siteplan.scan.syntaxes import is_compressed

Progress = Callable[[float, str], None]

_READERS = min(4, os.cpu_count() or 1)
"""Threads for plain files; more gain nothing on a local disk (measured)."""

DECODERS = min(16, os.cpu_count() or 1)
"""Threads for compressed files: all cores, for decoders give back the interpreter while they work."""

_BATCH, _DECODED_BATCH = 16, 2
"""Slices that one task reads, and decodes: few enough that no core waits long for another one at the end."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What the compressed streams of some slices were like.

    Attributes:
        lossy: a stream was coded with loss.
        strange: places of slices, from 0, whose stream holds more than their image needs.
    """

    lossy: bool = False
    strange: tuple[int, ...] = ()


class BadPixels(Exception):
    """One image cannot be had; carries its finding. Never leaves the scan room."""

    def __init__(self, finding: ScanFinding) -> None:
        self.finding = finding
        super().__init__(finding.code)


def load(slices: Sequence[Slice], storage: Storage, progress: Progress | None = None) -> tuple[NDArray[Any], Decoded]:
    """(K, J, I) stored values of slices in their order, in the stored integer type; what their streams were like.

    Raises:
        ScanRefused: an image is cut short, damaged or too large for this machine.
    """
    try:
        out = np.empty((len(slices), storage.rows, storage.columns), dtype=storage.dtype)
    except MemoryError:
        raise ScanRefused([defects.too_large("The volume does not fit into the memory of this machine")]) from None
    packed = any(is_compressed(one.header.syntax) for one in slices)
    threads, size = (DECODERS, _DECODED_BATCH) if packed else (_READERS, _BATCH)
    order: Sequence[int] = range(len(slices))
    if any(one.frame and not isinstance(one.header.source, DiskFile) for one in slices):
        # What is unpacked on the way can only be read forwards.
        threads, order = 1, sorted(order, key=lambda at: slices[at].frame)
    starts = range(0, len(slices), size)
    streams = [PLAIN] * len(slices)

    def batch(start: int) -> None:
        for at in order[start : start + size]:
            streams[at] = load_one(slices[at], storage, out[at])

    with ThreadPoolExecutor(threads) as pool:
        try:
            for done, _ in enumerate(pool.map(batch, starts), 1):
                if progress is not None:
                    progress(done / len(starts), "reading images")
        except BadPixels as error:
            pool.shutdown(cancel_futures=True)
            raise ScanRefused([error.finding]) from None
        except MemoryError:
            pool.shutdown(cancel_futures=True)
            raise ScanRefused([defects.too_large("An image does not fit into the memory of this machine")]) from None
    strange = tuple(at for at, stream in enumerate(streams) if stream.strange)
    return out, Decoded(any(stream.lossy for stream in streams), strange)


def load_one(one: Slice, storage: Storage, out: NDArray[Any]) -> Stream:
    """Fills `out` (J, I) with the stored values of one slice; what its compressed stream was like.

    Raises:
        BadPixels: it cannot be had.
    """
    stream = PLAIN
    try:
        if is_compressed(one.header.syntax):
            from siteplan.scan.decode import decode_into

            stream = decode_into(one, storage, out)
        else:
            _plain(one, storage, out)
    except OSError as error:
        raise BadPixels(defects.corrupt_pixels(one.where, error.strerror or str(error))) from error
    storage.cleaned(out)
    return stream


def _plain(one: Slice, storage: Storage, out: NDArray[Any]) -> None:
    """Pixels that are stored as they are."""
    header = one.header
    offset = header.pixel_offset + one.frame * storage.frame_bytes
    view = memoryview(out.data).cast("B")
    source = header.source
    if isinstance(source, DiskFile):
        got = _read_into(source.path, offset, view)
    else:
        data = source.read(offset, len(view))
        got = len(data)
        if got == len(view):
            view[:] = data
    if got != len(view):
        raise BadPixels(defects.truncated([one.where]))
    if header.big_endian and out.itemsize > 1:
        out.byteswap(inplace=True)


def _read_into(path: str, offset: int, view: memoryview) -> int:
    """Reads a file into `view` from `offset` on; how many bytes came."""
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        got = 0
        if hasattr(os, "preadv"):
            while got < len(view) and (step := os.preadv(handle, [view[got:]], offset + got)):
                got += step
            return got
        with os.fdopen(os.dup(handle), "rb", buffering=0) as stream:
            stream.seek(offset)
            while got < len(view) and (step := stream.readinto(view[got:]) or 0):
                got += step
        return got
    finally:
        os.close(handle)
