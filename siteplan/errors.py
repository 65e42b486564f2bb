"""Every error that a user can meet, under one root.

Each message is one sentence that says what is wrong, where, and what to do. The command line prints it and
nothing else, so a message must never carry a patient's name or identifier.
"""


class SiteplanError(Exception):
    """Root of all errors that siteplan raises on purpose."""


class ScanError(SiteplanError):
    """The series cannot be read as one trustworthy volume."""


class CaseError(SiteplanError):
    """The case file cannot be read or does not hold together; the message starts with the path inside the file."""


class LibraryFileError(SiteplanError):
    """A TOML file of fixtures, drills, protocol, margins or density limits is wrong."""


class GeometryError(SiteplanError, ValueError):
    """A point, direction or length makes no sense (zero axis, parallel directions, negative radius)."""


class OutputError(SiteplanError):
    """A result cannot be written."""


class ArchiveError(SiteplanError):
    """An archive cannot be reached, refuses, or answers in a way that is not to be trusted."""
