"""Fixtures of a catalogue as Generic Implant Templates (DICOM Supplement 131; PS3.3 C.29.1).

The same fixture always gives the same object, identifiers included, so that an archive of templates does not fill up
with copies. No offline checker knows this kind of object: presence of required attributes is tested, the rest is not.
"""

import io
import json
from collections.abc import Iterable
from dataclasses import asdict
from uuid import NAMESPACE_URL, UUID, uuid5

import numpy as np
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.uid import UID, GenericImplantTemplateStorage

from siteplan.fixture import Catalogue, Fixture, Pose
from siteplan.objects.codes import JAW_REGION, code_item, private
from siteplan.objects.dataset import bare_object
from siteplan.objects.template_form import (
    CEILING_NCM,
    LANDMARKS,
    PRIVATE_CREATOR,
    PRIVATE_GROUP,
    SOURCE,
    TARGET_NCM,
    places_of,
)
from siteplan.report.closed_mesh import ClosedMesh, revolved, sagitta_mm

EFFECTIVE = "19000101000000"
"""Effective DateTime is required, and a catalogue file has no date: valid from ever on."""
MAKER_UNKNOWN = "not stated by the catalogue file"
_VERSION = "1"
_OWN = Pose(np.zeros(3), np.array([0.0, 0.0, 1.0]))
_NAMESPACE = uuid5(NAMESPACE_URL, "siteplan catalogue fixture")
_GREY_CIELAB = [45875, 32896, 32896]
"""L* 70, a* and b* 0 in the scale of PS3.3 C.10.7.1.1."""
_LONGEST_SUMMARY = 1024
"""Characters of an ST (PS3.5 section 6.2)."""


def template_files(catalogue: Catalogue) -> dict[str, bytes]:
    """One DICOM file for each fixture, by a file name made of the fixture's name."""
    return {f"{f.name.replace(' ', '_')}.dcm": template_bytes(f) for f in catalogue.fixtures}


def template_bytes(fixture: Fixture) -> bytes:
    """A fixture as a DICOM file."""
    out = io.BytesIO()
    template(fixture).save_as(out, enforce_file_format=True)
    return out.getvalue()


def template(fixture: Fixture) -> Dataset:
    """A fixture as a Generic Implant Template object."""
    ds = bare_object(GenericImplantTemplateStorage)
    ds.SOPInstanceUID = UID(template_uid(fixture))
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    for keyword in ("ManufacturerModelName", "DeviceSerialNumber", "SoftwareVersions"):
        delattr(ds, keyword)  # in this kind of object the manufacturer is that of the fixture, not of this program
    _describe(ds, fixture)
    meshes = (("Body below the platform", fixture.body), ("Gum passage and abutment", fixture.above))
    _surfaces(ds, [(label, revolved(solid, _OWN)) for label, solid in meshes])
    _mating(ds)
    ds.PlanningLandmarkPointSequence = Sequence(_landmarks(fixture))
    _private(ds, fixture)
    return ds


def template_uid(fixture: Fixture) -> str:
    """SOP Instance UID of a fixture's template: a name-based UUID of everything that the catalogue says of it."""
    return _uid("template", fixture)


def template_frame_uid(fixture: Fixture) -> str:
    """Frame of Reference UID of a fixture's template."""
    return _uid("frame", fixture)


def _uid(what: str, fixture: Fixture) -> str:
    said = {
        "name": fixture.name, "design": fixture.design.value, "length": fixture.length_mm, "source": fixture.source,
        "torque": [fixture.torque_target_ncm, fixture.torque_ceiling_ncm], **asdict(fixture.shape),
    }  # fmt: skip
    made: UUID = uuid5(_NAMESPACE, what + json.dumps(said, sort_keys=True))
    return f"2.25.{made.int}"


def _describe(ds: Dataset, fixture: Fixture) -> None:
    """Generic Implant Template Description (C.29.1.1)."""
    ds.Manufacturer = MAKER_UNKNOWN
    ds.FrameOfReferenceUID = UID(template_frame_uid(fixture))
    ds.ImplantName = fixture.family
    ds.ImplantSize = f"{fixture.outer_diameter_mm:g} x {fixture.length_mm:g} mm"
    ds.ImplantPartNumber = fixture.name
    ds.ImplantTemplateVersion = _VERSION
    ds.ImplantType = "ORIGINAL"
    ds.EffectiveDateTime = EFFECTIVE
    anatomy = Dataset()
    anatomy.AnatomicRegionSequence = Sequence([code_item(JAW_REGION)])
    ds.ImplantTargetAnatomySequence = Sequence([anatomy])
    told = Dataset()
    told.InformationIssueDateTime = EFFECTIVE
    told.InformationSummary = _summary(fixture)
    ds.InformationFromManufacturerSequence = Sequence([told])
    ds.OverallTemplateSpatialTolerance = sagitta_mm(max(fixture.body.max_radius_mm, fixture.above.max_radius_mm))
    ds.MaterialsCodeSequence = Sequence([code_item(private("material-unknown", "Material not stated"))])
    ds.ImplantTypeCodeSequence = Sequence([code_item(private(fixture.design.name.lower(), fixture.design.value))])
    ds.FixationMethodCodeSequence = Sequence([code_item(codes.cid7310.UncementedComponentFixation)])


def _summary(fixture: Fixture) -> str:
    words = [f"Thread lead {fixture.thread_lead_mm:g} mm."]
    for name, value in (("target", fixture.torque_target_ncm), ("ceiling", fixture.torque_ceiling_ncm)):
        words.append(f"Torque {name} {'not stated' if value is None else f'{value:g} N.cm'}.")
    return f"{' '.join(words)} Source: {fixture.source}"[:_LONGEST_SUMMARY]


def _surfaces(ds: Dataset, meshes: list[tuple[str, ClosedMesh]]) -> None:
    """Generic Implant Template 3D Models (C.29.1.3) and Surface Mesh (C.27.1)."""
    ds.ImplantTemplate3DModelSurfaceNumber = list(range(1, len(meshes) + 1))
    described = []
    for number, (label, _) in enumerate(meshes, start=1):
        item = Dataset()
        item.ReferencedSurfaceNumber = number
        item.SurfaceModelLabel = label
        described.append(item)
    ds.SurfaceModelDescriptionSequence = Sequence(described)
    ds.SurfaceModelScalingFactor = 1.0
    ds.NumberOfSurfaces = len(meshes)
    ds.SurfaceSequence = Sequence([_surface(number, mesh) for number, (_, mesh) in enumerate(meshes, start=1)])


def _surface(number: int, mesh: ClosedMesh) -> Dataset:
    surface, points, primitives = Dataset(), Dataset(), Dataset()
    surface.SurfaceNumber = number
    surface.SurfaceProcessing = "NO"
    surface.RecommendedDisplayGrayscaleValue = 45875
    surface.RecommendedDisplayCIELabValue = _GREY_CIELAB
    surface.RecommendedPresentationOpacity = 1.0
    surface.RecommendedPresentationType = "SURFACE"
    surface.FiniteVolume = "YES"
    surface.Manifold = "YES"
    points.NumberOfSurfacePoints = len(mesh.points_lps_mm)
    points.PointCoordinatesData = mesh.points_lps_mm.astype("<f4").tobytes()
    surface.SurfacePointsSequence = Sequence([points])
    surface.SurfacePointsNormalsSequence = Sequence([])
    for keyword in ("TriangleStripSequence", "TriangleFanSequence", "LineSequence", "FacetSequence"):
        setattr(primitives, keyword, Sequence([]))
    primitives.LongEdgePointIndexList = b""
    primitives.LongVertexPointIndexList = b""
    primitives.LongTrianglePointIndexList = (mesh.triangles + 1).astype("<u4").tobytes()  # points count from 1
    surface.SurfaceMeshPrimitivesSequence = Sequence([primitives])
    return surface


def _mating(ds: Dataset) -> None:
    """Mating features (C.29.1.4): one, at the platform, free to turn round the axis."""
    freedom, feature, features = Dataset(), Dataset(), Dataset()
    freedom.DegreeOfFreedomID = 1
    freedom.DegreeOfFreedomType = "ROTATION"
    freedom.ThreeDDegreeOfFreedomAxis = [0.0, 0.0, 1.0]
    freedom.RangeOfFreedom = [0.0, 360.0]
    feature.MatingFeatureID = 1
    feature.MatingFeatureDegreeOfFreedomSequence = Sequence([freedom])
    feature.ThreeDMatingPoint = [0.0, 0.0, 0.0]
    feature.ThreeDMatingAxes = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]
    features.MatingFeatureSetID = 1
    features.MatingFeatureSetLabel = "Platform"
    features.MatingFeatureSequence = Sequence([feature])
    ds.MatingFeatureSetsSequence = Sequence([features])


def _landmarks(fixture: Fixture) -> Iterable[Dataset]:
    """Planning landmarks (C.29.1.5)."""
    places = places_of(fixture)
    for number, (name, meaning) in enumerate(LANDMARKS.items(), start=1):
        item = Dataset()
        item.PlanningLandmarkID = number
        item.PlanningLandmarkDescription = meaning
        item.PlanningLandmarkIdentificationCodeSequence = Sequence([code_item(private(name, meaning))])
        item.ThreeDPointCoordinates = [places[name].r_mm, 0.0, places[name].z_mm]
        yield item


def _private(ds: Dataset, fixture: Fixture) -> None:
    block = ds.private_block(PRIVATE_GROUP, PRIVATE_CREATOR, create=True)
    for element, value in ((TARGET_NCM, fixture.torque_target_ncm), (CEILING_NCM, fixture.torque_ceiling_ncm)):
        if value is not None:
            block.add_new(element, "FD", float(value))
    block.add_new(SOURCE, "LT", fixture.source)
