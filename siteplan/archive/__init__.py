"""To and from an archive: find a series, fetch it whole, send objects back, over DICOMweb or over DIMSE.

Nothing is sent to or fetched from anything but an archive that the user's own settings file names. Names are loaded
on first use, because the command line must start fast.
"""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.archive.door import Archive as Archive
    from siteplan.archive.door import open_archive as open_archive
    from siteplan.archive.entries import Query as Query
    from siteplan.archive.entries import SeriesRow as SeriesRow
    from siteplan.archive.entries import StudyRow as StudyRow
    from siteplan.archive.fetching import Fetched as Fetched
    from siteplan.archive.fetching import fetch_series as fetch_series
    from siteplan.archive.sending import Sent as Sent
    from siteplan.archive.sending import send as send
    from siteplan.archive.settings import archives_schema as archives_schema
    from siteplan.archive.settings import load_archive as load_archive

_HOME = {
    "Archive": "door",
    "Fetched": "fetching",
    "Query": "entries",
    "Sent": "sending",
    "SeriesRow": "entries",
    "StudyRow": "entries",
    "archives_schema": "settings",
    "fetch_series": "fetching",
    "load_archive": "settings",
    "open_archive": "door",
    "send": "sending",
}

__all__ = [
    "Archive",
    "Fetched",
    "Query",
    "Sent",
    "SeriesRow",
    "StudyRow",
    "archives_schema",
    "fetch_series",
    "load_archive",
    "open_archive",
    "send",
]

__getattr__ = loads_on_use(__name__, _HOME)
