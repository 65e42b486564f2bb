"""Encapsulated PDF (PS3.3 A.45.1): the report as it is, in the patient's study."""

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import EncapsulatedPDFStorage

from siteplan.objects.context import Context, NewSeries
from siteplan.objects.dataset import new_object, source_references


def series() -> NewSeries:
    """The series of reports."""
    return NewSeries("DOC", 9001, "Fixture planning report")


def pdf_object(pdf: bytes, context: Context, of: NewSeries, *, names_patient: bool) -> Dataset:
    """A PDF as an object.

    Args:
        names_patient: whether its pages can tell who the patient is; it becomes Burned In Annotation.
    """
    ds = new_object(context, EncapsulatedPDFStorage, of)
    ds.ConversionType = "WSD"
    encapsulate(ds, pdf, "application/pdf", "Fixture planning report")
    ds.BurnedInAnnotation = "YES" if names_patient else "NO"
    if context.images:
        ds.SourceInstanceSequence = source_references(context.instances)
    return ds


def encapsulate(ds: Dataset, content: bytes, mime: str, title: str) -> None:
    """Encapsulated Document (C.24.2) without what differs between documents."""
    ds.AcquisitionDateTime = ""
    ds.DocumentTitle = title
    ds.ConceptNameCodeSequence = Sequence([])
    ds.MIMETypeOfEncapsulatedDocument = mime
    ds.EncapsulatedDocumentLength = len(content)
    ds.EncapsulatedDocument = content + b"\0" * (len(content) % 2)
