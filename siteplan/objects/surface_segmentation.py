"""Surface Segmentation (PS3.3 A.57): every structure as triangles, exact to the flats between them, in patient mm."""

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import SurfaceSegmentationStorage

from siteplan import __version__
from siteplan.anatomy import Structure, Surface
from siteplan.objects.codes import ANATOMICAL_STRUCTURE, code_item, region_code, structure_code
from siteplan.objects.context import Context, NewSeries
from siteplan.objects.dataset import in_source_frame, new_object, refer_to_source, source_references
from siteplan.objects.how_made import algorithm_family, algorithm_name, algorithm_type
from siteplan.report.closed_mesh import closed_shape
from siteplan.report.naming import Naming

_GREYSCALE = 49152
_CIELAB = [49152, 32896, 32896]
"""A light grey as 16-bit P-value and CIELab value (PS3.3 C.10.7.1.1): L 75 %, a = b = 0."""


def series() -> NewSeries:
    """The series of structures as surfaces."""
    return NewSeries("SEG", 9007, "Structures near the planned fixtures, surfaces")


def surface_object(
    structures: tuple[Structure, ...], context: Context, of: NewSeries, naming: Naming
) -> Dataset | None:
    """All structures, one segment and one surface each; None where there is none."""
    if not structures:
        return None
    ds = new_object(context, SurfaceSegmentationStorage, of)
    in_source_frame(ds, context)
    ds.ContentLabel = "SURFACES"
    ds.ContentDescription = "Structures near the planned fixtures, as drawn"
    ds.ContentCreatorName = ""
    ds.SegmentSequence = Sequence([_segment(n, one, context, naming) for n, one in enumerate(structures, 1)])
    ds.NumberOfSurfaces = len(structures)
    ds.SurfaceSequence = Sequence([_surface(n, one) for n, one in enumerate(structures, 1)])
    refer_to_source(ds, context)
    return ds


def _segment(number: int, structure: Structure, context: Context, naming: Naming) -> Dataset:
    algorithm = Dataset()
    algorithm.AlgorithmFamilyCodeSequence = Sequence([code_item(algorithm_family(structure))])
    algorithm.AlgorithmName = algorithm_name(structure)
    algorithm.AlgorithmVersion = __version__
    surface = Dataset()
    surface.ReferencedSurfaceNumber = number
    surface.SegmentSurfaceGenerationAlgorithmIdentificationSequence = Sequence([algorithm])
    surface.SegmentSurfaceSourceInstanceSequence = source_references(context.instances)
    item = Dataset()
    item.SegmentNumber = number
    item.SegmentLabel = naming.name(structure.name)[:64] or structure.kind.value
    item.SegmentAlgorithmType = algorithm_type(structure)
    item.AnatomicRegionSequence = Sequence([code_item(region_code(structure.kind))])
    item.SegmentedPropertyCategoryCodeSequence = Sequence([code_item(ANATOMICAL_STRUCTURE)])
    item.SegmentedPropertyTypeCodeSequence = Sequence([code_item(structure_code(structure.kind))])
    item.SurfaceCount = 1
    item.ReferencedSurfaceSequence = Sequence([surface])
    return item


def _surface(number: int, structure: Structure) -> Dataset:
    mesh = closed_shape(structure.shape)
    open_ended = isinstance(structure.shape, Surface) and not structure.shape.closed
    points = Dataset()
    points.NumberOfSurfacePoints = len(mesh.points_lps_mm)
    points.PointCoordinatesData = mesh.points_lps_mm.astype("<f4").tobytes()
    accuracy = structure.uncertainty_mm
    points.PointPositionAccuracy = [accuracy, accuracy, accuracy]
    primitives = Dataset()
    # Counted from 1 (C.27.4).
    primitives.LongTrianglePointIndexList = (mesh.triangles + 1).astype("<u4").tobytes()
    primitives.LongVertexPointIndexList = b""
    primitives.LongEdgePointIndexList = b""
    for kind in ("TriangleStrip", "TriangleFan", "Line", "Facet"):
        setattr(primitives, f"{kind}Sequence", Sequence([]))
    item = Dataset()
    item.SurfaceNumber = number
    item.SurfaceProcessing = "NO"
    item.RecommendedDisplayGrayscaleValue = _GREYSCALE
    item.RecommendedDisplayCIELabValue = _CIELAB
    item.RecommendedPresentationOpacity = 1.0
    item.RecommendedPresentationType = "SURFACE"
    item.FiniteVolume = "NO" if open_ended else "YES"
    item.Manifold = "UNKNOWN"
    item.SurfacePointsSequence = Sequence([points])
    item.SurfacePointsNormalsSequence = Sequence([])
    item.SurfaceMeshPrimitivesSequence = Sequence([primitives])
    return item
