"""One series from an archive into a folder of its own: asked for, fetched, verified, named, looked at."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from siteplan.archive.arriving import holds_exactly
from siteplan.archive.door import Archive
from siteplan.archive.entries import Instance, SeriesRow
from siteplan.archive.landing import Landing
from siteplan.errors import ArchiveError

Progress = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Fetched:
    """What a fetch did.

    Attributes:
        folder: where the series is.
        objects: how many files it has.
        was_there: nothing had to be fetched.
        taken_up: objects that an earlier, interrupted fetch had brought already.
    """

    folder: Path
    objects: int
    was_there: bool = False
    taken_up: int = 0


def fetch_series(archive: Archive, row: SeriesRow, target: Path, *, progress: Progress | None = None) -> Fetched:
    """Bring one series. The target appears only when every object is there and verified.

    Every object must be one that the archive named before, of this study and series; its SHA-256 is taken while it
    arrives and compared with what the disk gives back. Running it again goes on where an interrupted fetch stopped,
    and does nothing when the series is there.

    Args:
        row: a series of `archive.series`.
        target: a folder that is new or empty, or that an earlier fetch of this series made.
        progress: called with a share from 0 to 1 and what is being done.

    Raises:
        ArchiveError: the archive cannot or will not, or sends what is not to be trusted.
        OutputError: the folder cannot be written, or holds something else.
    """
    if progress is not None:
        progress(0.0, "asking the archive what the series holds")
    wanted = archive.instances(row.study_uid, row.uid)
    _must_be_whole(archive, row, wanted)
    if holds_exactly(target, wanted):
        return Fetched(target, len(wanted), was_there=True)
    limits = archive.named.settings
    landing = Landing(
        target,
        row.study_uid,
        row.uid,
        wanted,
        largest=limits.largest_object_bytes,
        most=limits.largest_series_bytes,
    )
    landing.progress = progress
    taken_up = landing.arrived
    try:
        if landing.missing:
            archive.retrieve(row.study_uid, row.uid, landing)
        landing.finish()
    except BaseException:
        landing.leave()
        raise
    return Fetched(target, len(wanted), taken_up=taken_up)


def _must_be_whole(archive: Archive, row: SeriesRow, wanted: Sequence[Instance]) -> None:
    name = archive.named.name
    if not wanted:
        raise ArchiveError(f"the archive {name!r} has no such series; look for it again with --study.")
    if row.objects is not None and row.objects != len(wanted):
        raise ArchiveError(
            f"the archive {name!r} says that the series has {row.objects} objects and names {len(wanted)}; it may "
            "still be receiving them, so try again later."
        )
