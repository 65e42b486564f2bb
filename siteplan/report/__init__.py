"""What is shared? Figures, HTML, PDF, standard objects. Names load on first use: figures need heavy libraries."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siteplan.report.identity import Identity as Identity
    from siteplan.report.share import write_shared as write_shared
    from siteplan.report.writer import write_report as write_report

_HOME = {"Identity": "identity", "write_report": "writer", "write_shared": "share"}

__all__ = ["Identity", "write_report", "write_shared"]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"siteplan.report.{_HOME[name]}"), name)
