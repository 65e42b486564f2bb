"""A chosen place written into a case: the site's entry moved there, the case replaced whole, the former one kept."""

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path

from siteplan.case.model import Case, SiteEntry
from siteplan.case.store import CaseFile, save_case
from siteplan.errors import CaseError, OutputError
from siteplan.fixture import Design, Fixture, Pose
from siteplan.frame import Vector

_MOST_FORMER = 10_000
"""More former versions than this beside one case are not counted through (our own bound)."""

_POINT_DIGITS, _AXIS_DIGITS = 6, 9
"""Rounded so, a pose comes back from the file to a millionth of a millimetre along any fixture."""


def entry_at(entry: SiteEntry, fixture: Fixture, pose: Pose, *, sink_mm: float) -> SiteEntry:
    """The site with this fixture in this pose; what a person noted of the site stays.

    A planned contact is an intent for a design that engages a second cortex; any other fixture loses it here, so that
    its margin holds in the report as it held in the search.

    Args:
        sink_mm: platform below the bone beneath it; the planned crest point becomes that bone.
    """
    depth = round(sink_mm, _POINT_DIGITS)
    return SiteEntry.model_validate(
        entry.model_dump()
        | {
            "fixture": fixture.name,
            "crest_mm": _triple(pose.platform_lps_mm - depth * pose.axis, _POINT_DIGITS),
            "axis": _triple(pose.axis, _AXIS_DIGITS),
            "platform_depth_mm": depth,
            "planned_contacts": entry.planned_contacts if fixture.design is Design.ONE_PIECE_BASAL else [],
        }
    )


def with_entries(case: Case, entries: Mapping[int, SiteEntry]) -> Case:
    """The case with these sites in the place of those of the same tooth."""
    return case.model_copy(update={"sites": [entries.get(site.tooth, site) for site in case.sites]})


def replace_case(file: CaseFile, case: Case) -> Path:
    """Write `case` over the file that was read, which is first copied beside it under a name of its own.

    Returns:
        Where the former version is kept: `<case>.before-1.json`, or the next number that is free.

    Raises:
        CaseError: the file has changed since it was read; nothing is written.
        OutputError: the folder cannot be written; the case is left as it was.
    """
    try:
        raw = file.path.read_bytes()
    except OSError as error:
        raise CaseError(f"{file.path.name}: it can no longer be read ({error.strerror}); nothing was kept.") from error
    if hashlib.sha256(raw).hexdigest() != file.digest:
        raise CaseError(f"{file.path.name}: it was changed meanwhile, so nothing was kept; propose again.")
    former = _set_aside(file.path, raw)
    save_case(case, file.path)
    return former


def _set_aside(path: Path, raw: bytes) -> Path:
    """A copy under the first free number, forced to the disk before anything is replaced."""
    for number in range(1, _MOST_FORMER):
        former = path.with_name(f"{path.stem}.before-{number}{path.suffix}")
        try:
            with former.open("xb") as stream:
                stream.write(raw)
                stream.flush()
                os.fsync(stream.fileno())
            return former
        except FileExistsError:
            continue
        except OSError as error:
            former.unlink(missing_ok=True)
            raise OutputError(f"{former}: cannot be written ({error.strerror}); the case is unchanged.") from error
    raise OutputError(f"{path}: {_MOST_FORMER} former versions stand beside it; move them away, then keep again.")


def _triple(values: Vector, digits: int) -> tuple[float, float, float]:
    x, y, z = (round(float(v), digits) for v in values)
    return x, y, z
