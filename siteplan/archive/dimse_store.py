"""Storing over DIMSE (C-STORE, DICOM PS3.4 annex B): files as they are where the archive takes their encoding."""

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from pynetdicom import _config, build_context

from siteplan.archive.door import Parcel, Told
from siteplan.archive.link import MOST_CONTEXTS, NothingAccepted, association, lost
from siteplan.archive.reasons import WARNING, reason
from siteplan.archive.settings import DimseSettings, Named
from siteplan.scan.walk import EXPLICIT, IMPLICIT

_TAKEN = 0x0000
_REWRITABLE = frozenset({IMPLICIT, EXPLICIT})
"""Encodings that turn into each other without touching a value (PS3.5 annex A)."""

_NOT_THIS_KIND = "the archive does not support objects of this kind"

_Kind = tuple[str, str]
"""SOP class and transfer syntax."""


def store(named: Named, settings: DimseSettings, parcels: Sequence[Parcel], told: Told) -> None:
    """Send files, in as few associations as their kinds need.

    Raises:
        ArchiveError: the archive cannot be reached or closed the connection; `told` knows what it took before.
    """
    for some in _by_association(parcels):
        contexts = [build_context(name, [syntax]) for name, syntax in _kinds(some)]
        try:
            with association(named, settings, contexts) as link, _straight_from_disk():
                accepted = {(one.abstract_syntax, one.transfer_syntax[0]) for one in link.accepted_contexts}
                for parcel in some:
                    told(parcel, _stored(link, named, parcel, accepted))
        except NothingAccepted:
            for parcel in some:
                told(parcel, _NOT_THIS_KIND)


def _stored(link: Any, named: Named, parcel: Parcel, accepted: set[_Kind]) -> str:
    if (parcel.sop_class, parcel.syntax) in accepted:
        what: Any = parcel.path
    elif parcel.syntax in _REWRITABLE and any((parcel.sop_class, other) in accepted for other in _REWRITABLE):
        what = _rewritten(parcel)
    elif any(name == parcel.sop_class for name, _ in accepted):
        return "the archive takes objects of this kind, but not in the encoding of this file"
    else:
        return _NOT_THIS_KIND
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library's warnings quote values
            answer = link.send_c_store(what)
    except (RuntimeError, ValueError):
        raise lost(named) from None
    if "Status" not in answer:
        raise lost(named)
    code = int(answer.Status)
    return "" if code == _TAKEN or code >> 8 == WARNING else reason(code)


def _rewritten(parcel: Parcel) -> Any:
    """The data set, for the library to write in the other plain encoding."""
    import pydicom

    return pydicom.dcmread(parcel.path)


def _kinds(parcels: Sequence[Parcel]) -> list[_Kind]:
    return sorted({kind for parcel in parcels for kind in _offered(parcel)})


def _offered(parcel: Parcel) -> set[_Kind]:
    """Its own encoding, and the one that it can be rewritten to."""
    syntaxes = _REWRITABLE if parcel.syntax in _REWRITABLE else {parcel.syntax}
    return {(parcel.sop_class, syntax) for syntax in syntaxes}


def _by_association(parcels: Sequence[Parcel]) -> Iterator[list[Parcel]]:
    some: list[Parcel] = []
    kinds: set[_Kind] = set()
    for parcel in parcels:
        kinds |= _offered(parcel)
        if len(kinds) > MOST_CONTEXTS:
            yield some
            some, kinds = [], _offered(parcel)
        some.append(parcel)
    if some:
        yield some


@contextmanager
def _straight_from_disk() -> Iterator[None]:
    """While the block runs, the library sends a file's own bytes instead of decoding and encoding them."""
    before = _config.STORE_SEND_CHUNKED_DATASET
    _config.STORE_SEND_CHUNKED_DATASET = True
    try:
        yield
    finally:
        _config.STORE_SEND_CHUNKED_DATASET = before
