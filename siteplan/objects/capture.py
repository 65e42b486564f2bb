"""RGB Secondary Capture (PS3.3 A.8.1): the picture of a site, for viewers that show images only."""

from io import BytesIO

import numpy as np
from matplotlib.image import imread
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.codedict import codes
from pydicom.uid import SecondaryCaptureImageStorage

from siteplan.objects.codes import code_item, tooth_code
from siteplan.objects.context import Context, NewSeries
from siteplan.objects.dataset import new_object, source_references


def series() -> NewSeries:
    """The series of pictures."""
    return NewSeries("OT", 9002, "Fixture planning pictures")


def capture_object(
    png: bytes, tooth: int, context: Context, of: NewSeries, number: int, *, names_patient: bool
) -> Dataset:
    """A picture as an object.

    No pixel spacing is given: sections of several scales stand on one sheet, so a ruler laid on it would lie.

    Args:
        names_patient: whether its pixels can tell who the patient is (Burned In Annotation).
    """
    pixels = rgb(png)
    ds = new_object(context, SecondaryCaptureImageStorage, of, number=number)
    ds.ConversionType = "WSD"
    ds.ImageType = ["DERIVED", "SECONDARY"]
    ds.PatientOrientation = ""
    ds.BurnedInAnnotation = "YES" if names_patient else "NO"
    ds.ImageComments = f"Tooth {tooth} (ISO 3950). Planning aid; not for measuring."
    ds.AnatomicRegionSequence = Sequence([code_item(tooth_code(tooth))])
    ds.SamplesPerPixel = 3
    ds.PhotometricInterpretation = "RGB"
    ds.PlanarConfiguration = 0
    ds.Rows, ds.Columns = pixels.shape[:2]
    ds.BitsAllocated = ds.BitsStored = 8
    ds.HighBit = 7
    ds.PixelRepresentation = 0
    raw = pixels.tobytes()
    ds.PixelData = raw + b"\0" * (len(raw) % 2)
    if context.images:
        ds.DerivationDescription = "Sections through the series with the plan drawn on them"
        ds.SourceImageSequence = source_references(context.instances)
        for item in ds.SourceImageSequence:
            item.PurposeOfReferenceCodeSequence = Sequence(
                [code_item(codes.DCM.SourceImageForImageProcessingOperation)]
            )
    return ds


def rgb(png: bytes) -> NDArray[np.uint8]:
    """(rows, columns, 3) of a PNG, laid on white where it is see-through."""
    found = np.asarray(imread(BytesIO(png), format="png"), dtype=np.float64)
    if found.ndim == 2:
        found = np.repeat(found[..., None], 3, axis=2)
    alpha = found[..., 3:] if found.shape[-1] == 4 else np.ones((*found.shape[:2], 1))
    laid = found[..., :3] * alpha + (1.0 - alpha)
    out: NDArray[np.uint8] = np.round(laid * 255).astype(np.uint8)
    return out
