"""Objects that an archive brings over DIMSE: in the same association (C-GET) or in one that it opens (C-MOVE)."""

import socket
import ssl
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from pydicom.dataset import Dataset
from pynetdicom import AE, build_context, build_role, evt
from pynetdicom.dsutils import encode_file_meta
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
)

from siteplan.archive.entries import Instance
from siteplan.archive.landing import Landing
from siteplan.archive.link import LARGEST_ANSWER, MOST_CONTEXTS, Guard, association, context_to, lost
from siteplan.archive.settings import DimseSettings, Named
from siteplan.errors import ArchiveError, SiteplanError
from siteplan.scan.header import VOLUMES
from siteplan.scan.syntaxes import CODECS, NATIVE

_TAKEN, _NO_ROOM, _NOT_ASKED_FOR, _NOT_FOR_US = 0x0000, 0xA700, 0xA900, 0x0124
_UNKNOWN_DESTINATION = 0xA801
_PENDING = 0xFF00

_MOVE_SILENCE_S = 300.0
"""Seconds without an answer to C-MOVE before we give up: answers on the way are optional (PS3.4 section C.4.2.3)."""

_BATCH = 200
"""UIDs in one request for what is missing: 200 x 64 characters fit into any archive's element of 16 KiB."""


def by_get(named: Named, settings: DimseSettings, study_uid: str, series_uid: str, landing: Landing) -> None:
    """Bring what is missing by C-GET.

    Raises:
        ArchiveError, OutputError: it did not all come; what came is in `landing`.
    """
    guard = Guard(settings.largest_object_bytes, settings.pdu_bytes)
    model = StudyRootQueryRetrieveInformationModelGet
    classes = _classes(landing.missing)
    contexts = [build_context(model), *_storage(classes)]
    roles = [build_role(name, scp_role=True) for name in classes]
    handlers = [(evt.EVT_C_STORE, lambda event: _take(event, landing, guard))]
    with association(named, settings, contexts, roles=roles, handlers=handlers, guard=guard) as link:
        for wanted in _requests(study_uid, series_uid, landing):
            _follow(link.send_c_get, (wanted, model), named, landing, guard)


def by_move(named: Named, settings: DimseSettings, study_uid: str, series_uid: str, landing: Landing) -> None:
    """Bring what is missing by C-MOVE to a receiver of ours that listens only meanwhile.

    Raises:
        ArchiveError, OutputError: it did not all come; what came is in `landing`.
    """
    model = StudyRootQueryRetrieveInformationModelMove
    silence = max(settings.timeout_s, _MOVE_SILENCE_S)
    guard = Guard(LARGEST_ANSWER, settings.pdu_bytes)
    with (
        _receiver(named, settings, landing),
        association(named, settings, [build_context(model)], guard=guard, silence_s=silence) as link,
    ):
        for wanted in _requests(study_uid, series_uid, landing):
            _follow(link.send_c_move, (wanted, settings.our_title, model), named, landing, guard)


def _follow(ask: Any, arguments: tuple[Any, ...], named: Named, landing: Landing, guard: Guard) -> None:
    """Listen until the archive says that one request is done."""
    try:
        for status, _ in ask(*arguments):
            guard.reset()
            if landing.failed is not None:
                raise landing.failed
            if "Status" not in status:
                raise lost(named, guard)
            _judge(status, named)
    except (ValueError, RuntimeError):  # the model was not accepted, or the connection went while we asked
        raise ArchiveError(
            f"the archive {named.name!r} does not offer this way of fetching; set retrieve to 'get' or 'move', or use "
            "DICOMweb."
        ) from None
    if landing.failed is not None:
        raise landing.failed


def _judge(status: Dataset, named: Named) -> None:
    code = int(status.Status)
    if code == _UNKNOWN_DESTINATION:
        raise ArchiveError(
            f"the archive {named.name!r} does not know where to send to; ask who runs it to add our AE title with the "
            "receive_address and receive_port of the settings."
        )
    if code in (_PENDING, _TAKEN, 0xB000):  # B000: done, some failed; the count of what arrived decides
        return
    if code in (0xA701, 0xA702):
        raise ArchiveError(f"the archive {named.name!r} is out of resources (status {code:04X}); try again later.")
    raise ArchiveError(
        f"the archive {named.name!r} did not hand out the series (status {code:04X}); try again, or ask who runs it."
    )


def _take(event: Any, landing: Landing, guard: Guard) -> int:
    """One object that came: written, checked, answered. Any failure is kept in `landing.failed`."""
    guard.reset()
    if landing.failed is not None:
        return _NO_ROOM
    try:
        with landing.arriving() as coming:
            coming.write(b"\0" * 128 + b"DICM" + encode_file_meta(event.file_meta))
            coming.write(event.request.DataSet.getbuffer())
    except ArchiveError:
        return _NOT_ASKED_FOR
    except SiteplanError:
        return _NO_ROOM
    except Exception as error:  # an object without data, or one whose command cannot be encoded again
        landing.failed = ArchiveError("the archive sent an object that cannot be read; nothing of it is kept.")
        landing.failed.__cause__ = error
        return _NOT_ASKED_FOR
    return _TAKEN


def _requests(study_uid: str, series_uid: str, landing: Landing) -> Iterator[Dataset]:
    """The series when nothing of it is here, then whatever is still missing by its UIDs."""
    wanted = Dataset()
    wanted.StudyInstanceUID, wanted.SeriesInstanceUID = study_uid, series_uid
    if not landing.arrived:
        wanted.QueryRetrieveLevel = "SERIES"
        yield wanted
    left = [one.uid for one in landing.missing]
    for at in range(0, len(left), _BATCH):
        wanted = Dataset()
        wanted.QueryRetrieveLevel = "IMAGE"
        wanted.StudyInstanceUID, wanted.SeriesInstanceUID = study_uid, series_uid
        wanted.SOPInstanceUID = left[at : at + _BATCH]
        yield wanted


def _classes(wanted: Sequence[Instance]) -> list[str]:
    """Kinds of objects to prepare for; those of volumes when the archive does not tell."""
    return sorted({one.sop_class for one in wanted if one.sop_class} or VOLUMES)


def _storage(classes: Sequence[str]) -> list[Any]:
    """One context for each kind and encoding, so that each object can come in the encoding that it is stored in.

    Encodings that had to be dropped for the limit of contexts are the compressed ones.
    """
    native = sorted(NATIVE)
    pairs = [(name, [syntax]) for name in classes for syntax in native]
    pairs += [(name, [syntax]) for name in classes for syntax in sorted(CODECS)]
    if len(pairs) >= MOST_CONTEXTS:
        pairs = [(name, native) for name in classes]
    return [build_context(name, syntaxes) for name, syntaxes in pairs[: MOST_CONTEXTS - 1]]


@contextmanager
def _receiver(named: Named, settings: DimseSettings, landing: Landing) -> Iterator[None]:
    """Our own storage service, for this archive and these objects only, while the block runs."""
    entity = AE(ae_title=settings.our_title)
    entity.maximum_pdu_size = settings.pdu_bytes
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = max(settings.timeout_s, _MOVE_SILENCE_S)
    entity.require_called_aet = True
    for name in _classes(landing.missing):
        entity.add_supported_context(name, sorted(NATIVE | CODECS.keys()))
    allowed = _addresses(settings.host)
    guards: dict[int, Guard] = {}
    incoming: list[Any] = []

    def opened(event: Any) -> None:
        incoming.append(event.assoc)
        guard = Guard(settings.largest_object_bytes, settings.pdu_bytes, lambda: too_much(guard))
        guards[id(event.assoc)] = guard
        guard.take(event.assoc.dul.socket)

    def too_much(guard: Guard) -> None:
        landing.failed = lost(named, guard)

    def taken(event: Any) -> int:
        if event.assoc.requestor.address not in allowed:
            return _NOT_FOR_US
        return _take(event, landing, guards[id(event.assoc)])

    try:
        server = entity.start_server(
            (settings.receive_address, settings.receive_port),
            block=False,
            evt_handlers=[(evt.EVT_CONN_OPEN, opened), (evt.EVT_C_STORE, taken)],
            ssl_context=_receiving(named, settings),
        )
    except OSError as error:
        raise ArchiveError(
            f"this machine cannot listen at {settings.receive_address}:{settings.receive_port} ({error.strerror}); "
            "correct receive_address and receive_port, or end what uses the port."
        ) from None
    try:
        yield
    finally:
        server.shutdown()
        for link in incoming:
            if link.is_alive():  # its threads would keep the program from ending
                link.abort()


def _receiving(named: Named, settings: DimseSettings) -> ssl.SSLContext | None:
    """Encryption of what the archive opens towards us: it must show a certificate that we trust."""
    if settings.tls is None:
        return None
    context_to(named, settings)  # says in our words when a file is not there
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    if settings.tls.ca_file:
        made.load_verify_locations(named.path(settings.tls.ca_file))
    else:
        made.load_default_certs(ssl.Purpose.CLIENT_AUTH)
    made.verify_mode = ssl.CERT_REQUIRED
    made.load_cert_chain(named.path(settings.tls.certificate_file), named.path(settings.tls.key_file))
    return made


def _addresses(host: str) -> set[str]:
    try:
        return {str(found[4][0]) for found in socket.getaddrinfo(host, None)}
    except OSError:
        return set()
