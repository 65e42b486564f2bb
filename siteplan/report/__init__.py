"""What is shared? Figures, HTML, PDF, standard objects. Names load on first use: figures need heavy libraries."""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.report.identity import Identity as Identity
    from siteplan.report.share import write_shared as write_shared
    from siteplan.report.writer import write_report as write_report

_HOME = {"Identity": "identity", "write_report": "writer", "write_shared": "share"}

__all__ = ["Identity", "write_report", "write_shared"]

__getattr__ = loads_on_use(__name__, _HOME)
