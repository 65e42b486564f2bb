"""Names of kinds of objects, from the standard's own table."""


def kind_of(sop_class: str) -> str:
    """The name of a SOP class (DICOM PS3.6 table A-1), or its UID when the table does not have it."""
    from pydicom.uid import UID

    return str(UID(sop_class).name)
