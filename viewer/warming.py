"""Loads the large libraries while the window still shows its first page, so that opening a scan need not wait."""

import gc
import importlib
import threading
from contextlib import suppress

from viewer.jobs import THREAD_NAME

LATER = (
    "siteplan.scan.read",
    "siteplan.scan.preview",
    "siteplan.report.identity",
    "skimage.filters:threshold_multiotsu",
    "skimage.filters:gaussian",
    "siteplan.anatomy.arch",
    "skimage.measure:label",
    "scipy.optimize",
    "scipy.interpolate",
    "scipy.sparse.csgraph",
)
"""What opening and the first measurement load, in the order in which they need it. skimage loads a part of itself only
when a name of that part is asked for."""


def load() -> None:
    """Load what is needed later; what cannot be loaded is told where it is needed."""
    for line in LATER:
        module, _, name = line.partition(":")
        with suppress(ImportError, AttributeError, OSError):
            found = importlib.import_module(module)
            if name:
                getattr(found, name)
    settle()


def settle() -> None:
    """Let the interpreter's search for unused cycles pass over all that is loaded now and stays: going through it takes
    0.1 s, and falls upon the main thread as often as upon any other."""
    gc.collect()
    gc.freeze()


def begin() -> threading.Thread:
    """Load in a thread of its own."""
    thread = threading.Thread(target=load, name=THREAD_NAME + "warming", daemon=True)
    thread.start()
    return thread
