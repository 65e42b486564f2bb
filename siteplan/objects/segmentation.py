"""Segmentation (PS3.3 A.51, BINARY) of every structure, on the grid of the source images."""

import warnings
from dataclasses import dataclass

import numpy as np
from highdicom import AlgorithmIdentificationSequence
from highdicom.seg import Segmentation, SegmentDescription
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from siteplan import __version__
from siteplan.anatomy import Structure
from siteplan.objects.codes import ANATOMICAL_STRUCTURE, region_code, structure_code
from siteplan.objects.context import Context, NewSeries, new_uid
from siteplan.objects.dataset import MAKER, SERIAL_NUMBER, stamp
from siteplan.objects.how_made import algorithm_family, algorithm_name, algorithm_type
from siteplan.objects.source_images import source_images
from siteplan.objects.voxels import Box, voxel_mask
from siteplan.report.naming import Naming
from siteplan.scan.volume import Scan

_MOST_LABELS = 255
"""What eight bits can number."""


@dataclass(frozen=True, eq=False)
class Voxels:
    """A structure that touches the scan: where (slices in k, j, i) and which voxels of that box."""

    structure: Structure
    box: Box
    mask: NDArray[np.bool_]


def series() -> NewSeries:
    """The series of structures as voxels."""
    return NewSeries("SEG", 9004, "Structures near the planned fixtures")


def segmentation_object(
    scan: Scan, structures: tuple[Structure, ...], context: Context, of: NewSeries, naming: Naming
) -> Dataset | None:
    """All structures that have a voxel in the scan, one segment each; None where there is none.

    Without stored source images, or where slices were moved to straighten them, there is no grid that other programs
    know, so there is no segmentation either.
    """
    if not context.images or not context.on_grid:
        return None
    found = [
        Voxels(structure, *mask) for structure in structures if (mask := voxel_mask(scan, structure.shape)) is not None
    ]
    if not found:
        return None
    images = source_images(scan, context)
    kept = _kept_slices(scan, found, single_frame=len(images) == len(scan.voxels))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # advice about empty frames and long code values, for interactive use
        ds = Segmentation(
            source_images=images[kept] if len(images) == len(scan.voxels) else images,
            pixel_array=_stacked(scan, found, kept),
            segmentation_type="BINARY",
            segment_descriptions=[_described(n, one.structure, naming) for n, one in enumerate(found, 1)],
            series_instance_uid=of.uid,
            series_number=of.number,
            sop_instance_uid=new_uid(),
            instance_number=1,
            manufacturer=MAKER,
            manufacturer_model_name=MAKER,
            software_versions=__version__,
            device_serial_number=SERIAL_NUMBER,
            content_label="STRUCTURES",
            content_description="Structures near the planned fixtures, at voxel centres",
        )
    return stamp(ds, context, of)


def _kept_slices(scan: Scan, found: list[Voxels], *, single_frame: bool) -> slice:
    """The slices that are handed on: where each is an instance of its own, only those between the first and the last
    with a structure, which saves memory; a multi-frame instance is handed on whole."""
    if not single_frame:
        return slice(0, len(scan.voxels))
    return slice(min(one.box[0].start for one in found), max(one.box[0].stop for one in found))


def _stacked(scan: Scan, found: list[Voxels], kept: slice) -> NDArray[np.uint8]:
    """(K, J, I) number of the segment of each voxel of the kept slices, which takes least memory; where segments
    overlap, (K, J, I, segments) masks."""
    size = (kept.stop - kept.start, *scan.shape[1:])
    boxes = [(slice(one.box[0].start - kept.start, one.box[0].stop - kept.start), *one.box[1:]) for one in found]
    labels = np.zeros(size, dtype=np.uint8)
    for number, (box, one) in enumerate(zip(boxes, found, strict=True), 1):
        if number > _MOST_LABELS or (labels[box][one.mask] > 0).any():
            break
        labels[box][one.mask] = number
    else:
        return labels
    out = np.zeros((*size, len(found)), dtype=np.uint8)
    for n, (box, one) in enumerate(zip(boxes, found, strict=True)):
        out[(*box, n)] = one.mask
    return out


def _described(number: int, structure: Structure, naming: Naming) -> SegmentDescription:
    side, how = structure.side, algorithm_type(structure)
    # Required unless a person drew it (PS3.3 C.8.20.2).
    algorithm = AlgorithmIdentificationSequence(algorithm_name(structure), algorithm_family(structure), __version__)
    return SegmentDescription(
        segment_number=number,
        segment_label=naming.name(structure.name)[:64] or structure.kind.value,
        segmented_property_category=ANATOMICAL_STRUCTURE,
        segmented_property_type=structure_code(structure.kind),
        algorithm_type=how,
        algorithm_identification=None if how == "MANUAL" else algorithm,
        tracking_uid=new_uid(),
        tracking_id=f"structure {number}{' ' + side if side else ''}",
        anatomic_regions=[region_code(structure.kind)],
    )
