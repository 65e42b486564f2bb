"""Every file of a place: a folder, a medium, a ZIP file or a single file."""

import os
import stat
from pathlib import Path

from siteplan.errors import ScanError
from siteplan.scan.source import DiskFile, Source, shown
from siteplan.scan.zipped import MOST_FILES, is_zip, opened

_PACKED = {
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"Rar!\x1a\x07": "a RAR archive",
    b"\x1f\x8b": "a gzip archive",
    b"BZh": "a bzip2 archive",
    b"\xfd7zXZ\x00": "an xz archive",
    b"\x28\xb5\x2f\xfd": "a zstd archive",
}
"""First bytes of archives that are not read (their published formats), and what a person calls them."""

_PACKED_NAMES = (".zip", ".7z", ".rar", ".gz", ".tgz", ".bz2", ".xz", ".tar", ".iso")
_TAR, _DISC = (257, b"ustar"), (0x8001, b"CD001")
"""Places and marks of a tar archive (POSIX.1-1988) and of a disc image (ECMA-119)."""


def sources(path: Path) -> tuple[list[Source], list[str]]:
    """Every file at or below `path`, in order of name, and sentences on what was not looked at.

    Links to folders are not followed, so the search ends; pipes and devices are never opened.

    Raises:
        ScanError: there is nothing there, too much is there, or an archive that is not read.
    """
    try:
        if path.is_dir():
            return _below(path)
        if path.is_file() and path.name.upper() == "DICOMDIR":
            return _below(path.parent)  # the index of a medium stands for the medium
        if path.is_file():
            return _single(DiskFile(str(path), shown(path.name), path.stat().st_size))
    except OSError as error:
        raise ScanError(
            f"{path.name}: it cannot be read ({error.strerror}); check the rights or the medium."
        ) from error
    raise ScanError(f"{path}: there is no such folder or file; check the path.")


def _single(file: DiskFile) -> tuple[list[Source], list[str]]:
    head = file.read(0, 8)
    if is_zip(head):
        return opened(file)
    kind = next((words for start, words in _PACKED.items() if head.startswith(start)), "")
    for (offset, mark), words in ((_TAR, "a tar archive"), (_DISC, "the image of a disc")):
        if not kind and file.read(offset, len(mark)) == mark and file.read(128, 4) != b"DICM":
            kind = words
    if kind:
        raise ScanError(f"{file.name}: this is {kind}, which is not read; unpack it and give the folder.")
    return [file], []


def _below(folder: Path) -> tuple[list[Source], list[str]]:
    found: list[DiskFile] = []
    closed = 0
    waiting = [str(folder)]
    cut = len(str(folder).rstrip(os.sep)) + 1
    while waiting:
        here = waiting.pop()
        try:
            _look_into(here, cut, found, waiting)
        except OSError:
            if here == str(folder):
                raise
            closed += 1  # such as the folders that systems keep for themselves on every stick
        if len(found) + len(waiting) > MOST_FILES:
            raise ScanError(f"{folder.name}: more than {MOST_FILES} files; give the folder of the scan itself.")
    found.sort(key=lambda file: file.name)
    notes = [f"{closed} folders in it cannot be looked into (rights)"] if closed else []
    packed = sum(file.name.lower().endswith(_PACKED_NAMES) for file in found)
    if packed:
        notes.append(f"{packed} packed files in it (ZIP, 7z or the like) were not looked into; give one by itself")
    return list(found), notes


def _look_into(folder: str, cut: int, found: list[DiskFile], waiting: list[str]) -> None:
    """Adds the files of one folder to `found` and its folders to `waiting`."""
    with os.scandir(folder) as entries:
        for entry in entries:
            try:
                if entry.is_dir(follow_symlinks=False):
                    if not _is_junction(entry):
                        waiting.append(entry.path)
                elif entry.is_file():
                    found.append(DiskFile(entry.path, shown(entry.path[cut:]), entry.stat().st_size))
            except OSError:
                continue  # gone meanwhile, or a link to a place that may not be seen


def _is_junction(entry: "os.DirEntry[str]") -> bool:
    """Whether a folder of Windows is a link to another one, which could lead round in a circle."""
    if hasattr(entry, "is_junction"):  # Python 3.12
        return bool(entry.is_junction())
    tag = getattr(entry.stat(follow_symlinks=False), "st_reparse_tag", 0)
    return bool(tag == getattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", -1))
