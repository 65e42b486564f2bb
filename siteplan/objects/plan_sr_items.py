"""Content items of a structured report (PS3.3 C.17.3, C.18), by hand: no library builds the plan's document."""

from collections.abc import Sequence as Items

from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr.coding import Code
from pydicom.uid import UID

from siteplan.objects.codes import code_item
from siteplan.objects.dataset import instance_reference


def _item(relation: str, value_type: str, concept: Code) -> Dataset:
    item = Dataset()
    item.RelationshipType = relation
    item.ValueType = value_type
    item.ConceptNameCodeSequence = Sequence([code_item(concept)])
    return item


def container(concept: Code, content: Items[Dataset], relation: str = "CONTAINS") -> Dataset:
    """A heading with what stands below it."""
    item = _item(relation, "CONTAINER", concept)
    item.ContinuityOfContent = "SEPARATE"
    item.ContentSequence = Sequence(list(content))
    return item


def text(relation: str, concept: Code, words: str) -> Dataset:
    """Words."""
    item = _item(relation, "TEXT", concept)
    item.TextValue = words
    return item


def code(relation: str, concept: Code, value: Code) -> Dataset:
    """A coded value."""
    item = _item(relation, "CODE", concept)
    item.ConceptCodeSequence = Sequence([code_item(value)])
    return item


def uid_reference(relation: str, concept: Code, uid: str) -> Dataset:
    """A unique identifier."""
    item = _item(relation, "UIDREF", concept)
    item.UID = UID(uid)
    return item


def composite(relation: str, concept: Code, sop_class_uid: str, instance_uid: str) -> Dataset:
    """A reference to an object that is no image."""
    return _reference(relation, "COMPOSITE", concept, sop_class_uid, instance_uid)


def image(relation: str, concept: Code, sop_class_uid: str, instance_uid: str) -> Dataset:
    """A reference to an image."""
    return _reference(relation, "IMAGE", concept, sop_class_uid, instance_uid)


def _reference(relation: str, value_type: str, concept: Code, sop_class_uid: str, instance_uid: str) -> Dataset:
    item = _item(relation, value_type, concept)
    item.ReferencedSOPSequence = Sequence([instance_reference(sop_class_uid, instance_uid)])
    return item
