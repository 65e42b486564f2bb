"""`write_objects`: findings in, a folder of standard DICOM objects out."""

import os
import shutil
import tempfile
import warnings
from collections.abc import Callable, Collection, Iterator
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path

from pydicom.config import disable_value_validation
from pydicom.dataset import Dataset

from siteplan.case import CaseFile
from siteplan.errors import OutputError
from siteplan.findings import Findings
from siteplan.objects import capture, document_object, fixture_objects, measurement_report, plan_sr, segmentation
from siteplan.objects import surface_segmentation as surfaces
from siteplan.objects.context import Context, context_of
from siteplan.objects.dataset import save
from siteplan.objects.fixture_frame import fixture_to_patient
from siteplan.objects.pictures import Pictures, pictures_of
from siteplan.objects.rows import groups_of
from siteplan.report.identity import Identity
from siteplan.report.naming import Naming, without_identity
from siteplan.scan.volume import Scan

Progress = Callable[[float, str], None]
FOLDER = "dicom"


class ObjectKind(StrEnum):
    """What can be written."""

    REPORT = "report"
    PICTURES = "pictures"
    MEASUREMENTS = "measurements"
    SEGMENTATION = "segmentation"
    SURFACES = "surfaces"
    FIXTURES = "fixtures"


_SHOW_PIXELS = frozenset({ObjectKind.REPORT, ObjectKind.PICTURES})


def write_objects(
    findings: Findings,
    scan: Scan,
    case: CaseFile,
    out_dir: Path,
    *,
    identity: Identity = Identity.NONE,
    report_pdf: Path | None = None,
    progress: Progress | None = None,
    made: datetime | None = None,
    kinds: Collection[ObjectKind] = tuple(ObjectKind),
    key: bytes | None = None,
    with_plan: bool = False,
) -> list[Path]:
    """Write the standard objects of an assessed case into a fresh folder inside `out_dir` (made if it is not there).

    The folder is called `dicom`, or `dicom-2` and so on where that is taken; file names say what an object is and for
    which tooth, never whose. Either the whole folder is there at the end or none of it.

    Every call draws new SOP Instance and Series Instance UIDs. They are never computed from the case: two exports of
    one case differ (time, wording, rounding of a later version), and equal identifiers with different content would
    let an archive keep the wrong one. Identifiers of the source (study, series, frame of reference, images) are those
    of the scan, or mapped by a keyed hash; see `context_of`.

    Args:
        scan, case: must be those that `findings` were made from.
        identity: how much of the patient's identity is written; NONE follows the Basic Profile of PS3.15 Annex E. The
            shape of bone in pictures and structures is not changed by it.
        report_pdf: a report that is already written, taken as it is; only for AS_GIVEN. Without it one is made.
        made: the time of the export; now when not given.
        kinds: which objects are wanted. An object that cannot be made from this scan (no stored images to refer to, no
            fixture, nothing drawn, no typesetting library) is left out.
        key: secret for the keyed hash, for exports whose mapped identifiers must match; drawn anew when not given.
        with_plan: also the Implantation Plan SR, `plan.dcm`, which refers to the others; needs FIXTURES among `kinds`.
            Few programs read it, and no checker knows its template; see `plan_sr`.

    Returns:
        The files written.

    Raises:
        OutputError: the folder cannot be written; the scan says that text is burned into its images and pictures of
            them would go out without identity; a finished report was given for an export that hides identity.
    """
    show = progress or (lambda _fraction, _what: None)
    when = made or datetime.now(UTC)
    _check(scan, identity, report_pdf, kinds)
    context = context_of(scan, identity, made=when, key=key)
    pictures = _pictures(findings, identity, when, kinds, report_pdf, show)
    naming = Naming.of(findings.structures, identity)
    files = {}
    # What the source says of itself is repeated as it is, even where it breaks a rule of the standard: an identifier
    # that was corrected would belong to another study. Warnings would quote it.
    with disable_value_validation(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, ds in _objects(findings, scan, context, naming, pictures, kinds):
            show(0.7, f"building {name}")
            files[name] = ds
        plan = plan_sr.plan_object(findings, context, plan_sr.series(), files) if with_plan else None
        if plan is not None:
            files["plan.dcm"] = plan
        show(0.95, "writing")
        written = _write_folder(files, out_dir)
    show(1.0, "written")
    return written


def _check(scan: Scan, identity: Identity, report_pdf: Path | None, kinds: Collection[ObjectKind]) -> None:
    if report_pdf is not None and identity is not Identity.AS_GIVEN:
        raise OutputError(
            "report: a finished report may name the patient, so it cannot go into an export that hides identity; "
            "leave it out and a new one is made."
        )
    if scan.source.burned_in == "YES" and identity is not Identity.AS_GIVEN and _SHOW_PIXELS & set(kinds):
        raise OutputError(
            "pictures: the scan says that text is burned into its images, which may name the patient; choose the kinds "
            "of object that show no image (measurements, segmentation, surfaces, fixtures), or keep identity as given."
        )


def _pictures(
    findings: Findings,
    identity: Identity,
    when: datetime,
    kinds: Collection[ObjectKind],
    report_pdf: Path | None,
    show: Progress,
) -> Pictures:
    own_report = ObjectKind.REPORT in kinds and report_pdf is None
    drawn = Pictures(b"", ())
    if own_report or ObjectKind.PICTURES in kinds:
        drawn = pictures_of(
            findings, identity, when, lambda share, what: show(0.6 * share, what), with_report=own_report
        )
    if report_pdf is not None and ObjectKind.REPORT in kinds:
        try:
            drawn = Pictures(report_pdf.read_bytes(), drawn.sites)
        except OSError as error:
            raise OutputError(f"{report_pdf}: the report cannot be read ({error.strerror}).") from error
    return drawn


def _objects(
    findings: Findings,
    scan: Scan,
    context: Context,
    naming: Naming,
    pictures: Pictures,
    kinds: Collection[ObjectKind],
) -> Iterator[tuple[str, Dataset]]:
    burned = scan.source.burned_in == "YES"
    if ObjectKind.REPORT in kinds and pictures.report_pdf:
        named = burned or not context.removed
        yield (
            "report.dcm",
            document_object.pdf_object(pictures.report_pdf, context, document_object.series(), names_patient=named),
        )
    if ObjectKind.PICTURES in kinds:
        of = capture.series()
        for number, (tooth, png) in enumerate(pictures.sites, 1):
            yield f"site-{tooth}.dcm", capture.capture_object(png, tooth, context, of, number, names_patient=burned)
    if ObjectKind.MEASUREMENTS in kinds:
        data = findings.as_json()
        groups = groups_of(data if context.identity.keeps_free_text else without_identity(data, naming))
        report = measurement_report.report_object(scan, groups, context, measurement_report.series())
        if report is not None:
            yield "measurements.dcm", report
    if ObjectKind.SEGMENTATION in kinds:
        voxels = segmentation.segmentation_object(scan, findings.structures, context, segmentation.series(), naming)
        if voxels is not None:
            yield "structures.dcm", voxels
    if ObjectKind.SURFACES in kinds:
        meshes = surfaces.surface_object(findings.structures, context, surfaces.series(), naming)
        if meshes is not None:
            yield "surfaces.dcm", meshes
    if ObjectKind.FIXTURES in kinds:
        yield from _fixtures(findings, context)


def _fixtures(findings: Findings, context: Context) -> Iterator[tuple[str, Dataset]]:
    shapes, places = fixture_objects.stl_series(), fixture_objects.registration_series()
    placed = [(site, site.placed) for site in findings.sites if site.placed is not None]
    for number, (site, fixture) in enumerate(placed, 1):
        tooth = site.entry.tooth
        stl = fixture_objects.stl_object(fixture.fixture, tooth, context, shapes, number)
        matrix = fixture_to_patient(fixture.pose, site.bone.frame.buccal)
        yield f"fixture-{tooth}.dcm", stl
        yield (
            f"fixture-{tooth}-place.dcm",
            fixture_objects.registration_object(matrix, stl, tooth, context, places, number),
        )


def _write_folder(files: dict[str, Dataset], out_dir: Path) -> list[Path]:
    """All files into a new folder that appears at once."""
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        waiting = Path(tempfile.mkdtemp(dir=out_dir, prefix=f".{FOLDER}."))
    except OSError as error:
        raise OutputError(f"{out_dir}: this folder cannot be written ({error.strerror}); choose another.") from error
    try:
        for name, ds in files.items():
            save(ds, waiting / name)
            _flushed(waiting / name)
        os.chmod(waiting, 0o755)
        folder = _renamed(waiting, out_dir)
    except OSError as error:
        raise OutputError(f"{out_dir}: cannot be written ({error.strerror}); nothing was left there.") from error
    finally:
        shutil.rmtree(waiting, ignore_errors=True)
    return [folder / name for name in files]


def _flushed(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _renamed(waiting: Path, out_dir: Path) -> Path:
    number = 1
    while True:
        folder = out_dir / (FOLDER if number == 1 else f"{FOLDER}-{number}")
        if not folder.exists():
            os.rename(waiting, folder)
            return folder
        number += 1
