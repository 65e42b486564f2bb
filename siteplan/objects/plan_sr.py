"""Implantation Plan SR Document (DICOM Supplement 134; PS3.3 A.35.12): which fixtures, from which images, placed how.

Built after the dental example of PS3.17 AAA.4 and those rows of TID 7000 (PS3.16) that could be read; structure partly
checked: dcmtk's dsrdump knows the value types and relationships of this document, nobody's checker knows its rows.
Numbers in comments are nodes of that example.
"""

from collections.abc import Iterable, Mapping

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.sr.coding import Code
from pydicom.uid import UID, GenericImplantTemplateStorage, ImplantationPlanSRStorage

from siteplan.findings import Findings, PlacedFixture
from siteplan.objects.codes import private, tooth_code
from siteplan.objects.context import Context, NewSeries
from siteplan.objects.dataset import IMPLEMENTATION_UID, MAKER, instance_reference, new_object
from siteplan.objects.plan_sr_items import code, composite, container, image, text, uid_reference
from siteplan.objects.template_write import template_uid

TEMPLATE_ID = "7000"
_ENGLISH = Code("en", "RFC5646", "English")
_CATALOGUE_NAME = private("catalogue-name", "Name of the fixture in the catalogue")
_CAUTION = private("caution", "Caution")
_WORDS = "Proposed by software from a scan; to be checked and approved by a licensed clinician."


def series() -> NewSeries:
    """The series of plans."""
    return NewSeries("SR", 9007, "Implantation plan")


def plan_object(findings: Findings, context: Context, of: NewSeries, written: Mapping[str, Dataset]) -> Dataset | None:
    """The plan of a case; None where no fixture is planned.

    Args:
        written: the other objects of the same export by file name. For tooth 36 these are `fixture-36.dcm` (STL) and
            `fixture-36-place.dcm` (registration); `report.dcm`, `measurements.dcm`, `structures.dcm`, `surfaces.dcm`
            and `site-36.dcm` are referred to where they are there.

    Raises:
        KeyError: a fixture's STL or registration is not among them.
    """
    placed = [(site.entry.tooth, site.placed) for site in findings.sites if site.placed is not None]
    if not placed:
        return None
    ds = new_object(context, ImplantationPlanSRStorage, of)
    _general(ds, context, written)
    root = container(
        codes.DCM.ImplantationPlan,
        [
            code("HAS CONCEPT MOD", codes.DCM.LanguageOfContentItemAndDescendants, _ENGLISH),  # 1.1
            *_observer(),  # 1.2
            text("CONTAINS", _CAUTION, _WORDS),
            container(
                codes.DCM.ImplantComponentList, [_component(n, *one, written) for n, one in enumerate(placed, 1)]
            ),
            _used(context),
            _for_surgery(placed, written),
        ],
    )
    del root.RelationshipType
    ds.update(root)
    template = Dataset()
    template.MappingResource, template.TemplateIdentifier = "DCMR", TEMPLATE_ID
    ds.ContentTemplateSequence = Sequence([template])
    return ds


def _general(ds: Dataset, context: Context, written: Mapping[str, Dataset]) -> None:
    """SR Document Series (C.17.1) and SR Document General (C.17.2)."""
    ds.ReferencedPerformedProcedureStepSequence = Sequence([])
    ds.PerformedProcedureCodeSequence = Sequence([])
    ds.CompletionFlag, ds.VerificationFlag = "COMPLETE", "UNVERIFIED"
    ours: dict[str, list[tuple[str, str]]] = {}
    for other in _referred(written):
        ours.setdefault(other.SeriesInstanceUID, []).append((other.SOPClassUID, other.SOPInstanceUID))
    source = [(one.sop_class_uid, one.instance_uid) for one in context.instances]
    study = Dataset()
    study.StudyInstanceUID = UID(context.study_uid)
    study.ReferencedSeriesSequence = Sequence(
        [_evidence(uid, members) for uid, members in ({context.series_uid: source} | ours).items() if members]
    )
    ds.CurrentRequestedProcedureEvidenceSequence = Sequence([study])


def _evidence(series_uid: str, members: Iterable[tuple[str, str]]) -> Dataset:
    item = Dataset()
    item.SeriesInstanceUID = UID(series_uid)
    item.ReferencedSOPSequence = Sequence([instance_reference(*member) for member in members])
    return item


def _referred(written: Mapping[str, Dataset]) -> Iterable[Dataset]:
    return (ds for ds in written.values() if ds.SOPClassUID != ImplantationPlanSRStorage)


def _observer() -> list[Dataset]:
    """This program as the observer (TID 1002, 1004); 1.2.1 of the example has a person, whom we do not know."""
    relation = "HAS OBS CONTEXT"
    return [
        code(relation, codes.DCM.ObserverType, codes.DCM.Device),
        uid_reference(relation, codes.DCM.DeviceObserverUID, IMPLEMENTATION_UID),
        text(relation, codes.DCM.DeviceObserverName, MAKER),
    ]


def _component(number: int, tooth: int, placed: PlacedFixture, written: Mapping[str, Dataset]) -> Dataset:
    """1.3.n: one fixture. Its template is of the catalogue and has no study, so it cannot be listed as evidence."""
    template = (GenericImplantTemplateStorage, template_uid(placed.fixture))
    return container(
        codes.DCM.SelectedImplantComponent,
        [
            text("CONTAINS", codes.DCM.ComponentID, str(number)),
            code(
                "CONTAINS", codes.DCM.ComponentType, private(placed.fixture.design.name.lower(), placed.fixture.design)
            ),
            composite("CONTAINS", codes.DCM.ImplantTemplate, *template),
            uid_reference(
                "CONTAINS", codes.DCM.FrameOfReferenceUID, written[f"fixture-{tooth}.dcm"].FrameOfReferenceUID
            ),
            text("CONTAINS", _CATALOGUE_NAME, placed.fixture.name),
            code("CONTAINS", codes.SCT.FindingSite, tooth_code(tooth)),
        ],
    )


def _used(context: Context) -> Dataset:
    """1.4: every image of the source series, and how it was planned."""
    images = [
        image("CONTAINS", codes.DCM.PatientImage, one.sop_class_uid, one.instance_uid) for one in context.instances
    ]
    method = code("CONTAINS", codes.DCM.PlanningMethod, codes.DCM.Generic3DPlanning)
    return container(codes.DCM.InformationUsedForPlanning, [method, *images])


def _for_surgery(placed: list[tuple[int, PlacedFixture]], written: Mapping[str, Dataset]) -> Dataset:
    """1.5: report, pictures, where each component's frame lies in the patient, and other data."""
    inside: list[Dataset] = []
    if "report.dcm" in written:
        inside.append(_refer(codes.DCM.SupportingInformation, written["report.dcm"]))
    for tooth, _ in placed:
        picture = written.get(f"site-{tooth}.dcm")
        if picture is not None:
            inside.append(
                image("CONTAINS", codes.DCM.DerivedPlanningImages, picture.SOPClassUID, picture.SOPInstanceUID)
            )
    inside += [_refer(codes.DCM.SpatialRegistration, written[f"fixture-{tooth}-place.dcm"]) for tooth, _ in placed]
    names = [f"fixture-{tooth}.dcm" for tooth, _ in placed]
    names += ["structures.dcm", "surfaces.dcm", "measurements.dcm"]
    inside += [_refer(codes.DCM.OtherDerivedPlanningData, written[name]) for name in names if name in written]
    return container(codes.DCM.PlanningInformationForIntraoperativeUsage, inside)


def _refer(concept: Code, ds: Dataset) -> Dataset:
    return composite("CONTAINS", concept, ds.SOPClassUID, ds.SOPInstanceUID)
