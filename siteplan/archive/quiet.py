"""Keeps the libraries that carry the traffic from writing it into anybody's log."""

import logging

_TALKATIVE = ("pynetdicom", "dicomweb_client", "urllib3", "requests", "pydicom")
"""At their lower levels they log queries, addresses with queries in them, and whole answers with patients' names."""


def hush() -> None:
    """Let these libraries log nothing. What goes wrong reaches the user as one of our own sentences."""
    for name in _TALKATIVE:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
