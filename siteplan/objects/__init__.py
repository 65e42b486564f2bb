"""What goes to other machines? Standard DICOM objects. Names load on first use: writing needs heavy libraries."""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.objects.writer import ObjectKind as ObjectKind
    from siteplan.objects.writer import write_objects as write_objects

_HOME = {"ObjectKind": "writer", "write_objects": "writer"}

__all__ = ["ObjectKind", "write_objects"]

__getattr__ = loads_on_use(__name__, _HOME)
