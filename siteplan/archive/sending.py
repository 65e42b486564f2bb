"""Objects to an archive: what it has is not sent again, what it takes is looked up afterwards."""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from siteplan.archive.door import Archive, Parcel
from siteplan.archive.entries import Query
from siteplan.archive.parcels import LeftOut, gather
from siteplan.archive.sops import kind_of
from siteplan.errors import ArchiveError

Progress = Callable[[float, str], None]

_LOOKS = 6
_FIRST_WAIT_S = 0.2
"""An archive may list an object a moment after it took it: looked for at 0, 0.2, 0.6, 1.4, 3 and 6.2 seconds."""


@dataclass(frozen=True, slots=True)
class Refused:
    """An object that the archive did not take. `kind` is the name of its SOP class."""

    shown: str
    kind: str
    why: str


@dataclass(frozen=True, slots=True)
class Sent:
    """What a sending did, in numbers of objects. `missing`: shown names of what was taken and is not found."""

    were_there: int
    sent: int
    refused: tuple[Refused, ...]
    left_out: tuple[LeftOut, ...]
    missing: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether the archive now has every object that was meant for it."""
        return not self.refused and not self.missing

    def as_json(self) -> dict[str, Any]:
        """What `send --json` prints."""
        return {
            "complete": self.complete,
            "were_there": self.were_there,
            "sent": self.sent,
            "refused": [{"file": one.shown, "kind": one.kind, "why": one.why} for one in self.refused],
            "left_out": [{"file": one.shown, "why": one.why} for one in self.left_out],
            "missing": list(self.missing),
        }


def send(archive: Archive, paths: Iterable[Path], *, progress: Progress | None = None) -> Sent:
    """Send every DICOM object in files and folders to one archive.

    Objects that the archive lists already are not sent, so that running it again after an interruption sends the
    rest. Afterwards the archive is asked whether it lists every object.

    Args:
        paths: files and folders; other files than DICOM objects in them are left out and told.
        progress: called with a share from 0 to 1 and what is being done.

    Raises:
        ArchiveError: nothing to send, or the archive cannot be reached or closed the connection; the sentence says
            how many objects it has taken.
    """
    show = progress or (lambda _share, _what: None)
    show(0.0, "looking at the files")
    parcels, left = gather(paths)
    if not parcels:
        raise ArchiveError("there is no DICOM object in what was given; name the files or folder to send.")
    there = _listed(archive, parcels)
    outgoing = [parcel for parcel in parcels if parcel.uid not in there]
    _must_be_its_patient(archive, outgoing)
    taken: list[Parcel] = []
    refused: list[Refused] = []

    def told(parcel: Parcel, why: str) -> None:
        if why:
            refused.append(Refused(parcel.shown, kind_of(parcel.sop_class), why))
        else:
            taken.append(parcel)
        show(0.95 * (len(taken) + len(refused)) / len(outgoing), f"sending {len(outgoing)} objects")

    try:
        archive.store(outgoing, told)
    except OSError:
        raise ArchiveError(_so_far("a file cannot be read", len(taken), len(outgoing))) from None
    except ArchiveError as error:
        raise ArchiveError(_so_far(str(error), len(taken), len(outgoing))) from None
    show(0.95, "asking whether everything is there")
    try:
        missing = _still_missing(archive, taken)
    except ArchiveError as error:
        raise ArchiveError(_so_far(str(error), len(taken), len(outgoing))) from None
    return Sent(len(parcels) - len(outgoing), len(taken), tuple(refused), tuple(left), missing)


def _so_far(said: str, taken: int, of: int) -> str:
    return f"{said.rstrip('.')}; the archive took {taken} of {of} objects, and the same command sends only the rest."


def _listed(archive: Archive, parcels: Sequence[Parcel]) -> set[str]:
    """UIDs of those objects that the archive lists, looked up series by series."""
    series = sorted({(parcel.study_uid, parcel.series_uid) for parcel in parcels})
    return {one.uid for study_uid, series_uid in series for one in archive.instances(study_uid, series_uid)}


def _must_be_its_patient(archive: Archive, parcels: Sequence[Parcel]) -> None:
    """A study of the archive gets no object of another patient, nor of none: archives then mix or part the two."""
    for study_uid in sorted({parcel.study_uid for parcel in parcels}):
        for study in archive.studies(Query(study_uid=study_uid)):
            other = [
                one for one in parcels if one.study_uid == study_uid and one.patient_id != study.patient.identifier
            ]
            if study.patient.identifier and other:
                raise ArchiveError(
                    f"{other[0].shown} belongs to a study that the archive {archive.named.name!r} has under another "
                    "patient's number; nothing was sent: write the objects again with the identity as given, or "
                    "correct the one that is wrong."
                )


def _still_missing(archive: Archive, taken: Sequence[Parcel]) -> tuple[str, ...]:
    wait = _FIRST_WAIT_S
    left = list(taken)
    for look in range(_LOOKS):
        there = _listed(archive, left)
        left = [parcel for parcel in left if parcel.uid not in there]
        if not left or look == _LOOKS - 1:
            break
        time.sleep(wait)
        wait *= 2
    return tuple(parcel.shown for parcel in left)
