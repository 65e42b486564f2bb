"""Associations with an archive over DIMSE (DICOM PS3.8): opened with care, bounded, ended in every case."""

import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from pynetdicom import AE, evt
from pynetdicom.dul import DULServiceProvider
from pynetdicom.pdu_primitives import UserIdentityNegotiation

from siteplan.archive.login import secret_of
from siteplan.archive.settings import DimseSettings, Named
from siteplan.errors import ArchiveError

MOST_CONTEXTS = 128
"""Presentation contexts of one association (odd numbers of one byte, PS3.8 section 7.1.1.13)."""

LONGEST_CONNECT_S = 10.0
"""Seconds for a connection to come about; until then the library cannot be interrupted."""

LARGEST_ANSWER = 1 << 20
"""Bytes between two events that we handle, where no object is expected; an answer of a search takes under 2 KiB."""

_READ = 1 << 16
_PDU_OVERHEAD = 1 << 12
_USER_AND_PASSWORD, _TOKEN = 2, 4  # User-Identity-Type, PS3.7 table D.3-14; 4 is a SAML assertion

_WHY_REJECTED = {
    (1, 0x02): "does not know this kind of connection",
    (1, 0x03): "does not know our AE title {ours!r}; ask who runs it to add it, or correct our_title",
    (1, 0x07): "is not called {theirs!r}; correct the AE title in the settings",
    (3, 0x01): "is busy; try again later",
    (3, 0x02): "has reached its limit of connections; try again later",
}
"""Source and diagnostic of a rejection (PS3.8 table 9-21)."""


class NothingAccepted(ArchiveError):
    """The archive lets us in and supports none of the kinds that were named."""


class Guard:
    """Bounds what one connection may send between two objects, because a peer can state any length.

    `reset()` is called whenever a whole message was dealt with.
    """

    def __init__(self, most: int, largest_pdu: int, tell: Callable[[], None] = lambda: None) -> None:
        """`tell` is called once too much came, on the thread that reads."""
        self._tell = tell
        self._most, self._largest_pdu = most, largest_pdu + _PDU_OVERHEAD
        self._seen = 0
        self.connected = self.exceeded = False

    def reset(self) -> None:
        """Begin to count again."""
        self._seen = 0

    def take(self, link: Any) -> None:
        """Put this guard, and no delay of small packets, on the socket of an association.

        The receiver is replaced because the library reads as many bytes as a peer announces, 4 KiB at a time.
        """
        self.connected = True
        link.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def receive(count: int) -> bytearray:
            self._seen += count
            if count > self._largest_pdu or self._seen > self._most:
                self.exceeded = True
                self._tell()
                with suppress(OSError):  # so that the peer need not wait for an answer
                    link.socket.shutdown(socket.SHUT_RDWR)
                raise OSError("more than was agreed")
            data = bytearray(count)
            view, got = memoryview(data), 0
            while got < count:
                part = link.socket.recv_into(view[got:], min(count - got, _READ))
                if not part:
                    break
                got += part
            view.release()
            del data[got:]
            return data

        link.recv = receive


@contextmanager
def association(
    named: Named,
    settings: DimseSettings,
    contexts: Sequence[Any],
    *,
    roles: Sequence[Any] = (),
    handlers: Sequence[Any] = (),
    guard: Guard | None = None,
    silence_s: float | None = None,
) -> Iterator[Any]:
    """An established association; released at the end of the block, aborted when the block fails or is interrupted.

    Args:
        roles: SCP/SCU role selections.
        handlers: (event, function) pairs for the library.
        guard: bounds of what comes in; a small one by default.
        silence_s: longest wait for a message, where it is not the archive's usual one.

    Raises:
        ArchiveError: not reached, or refused.
    """
    entity = AE(ae_title=settings.our_title)
    entity.acse_timeout = settings.timeout_s
    entity.connection_timeout = min(settings.timeout_s, LONGEST_CONNECT_S)
    entity.dimse_timeout = silence_s or settings.timeout_s
    entity.network_timeout = max(entity.dimse_timeout, settings.timeout_s)
    watch = guard or Guard(LARGEST_ANSWER, settings.pdu_bytes)
    tls = (context_to(named, settings), settings.host) if settings.tls is not None else None

    def open_() -> Any:
        try:
            return entity.associate(
                settings.host,
                settings.port,
                contexts=list(contexts),
                ae_title=settings.title,
                max_pdu=settings.pdu_bytes,
                ext_neg=[*roles, *_identity(named)],
                tls_args=tls,
                evt_handlers=[(evt.EVT_CONN_OPEN, lambda event: watch.take(event.assoc.dul.socket)), *handlers],
            )
        except OSError:
            raise ArchiveError(_unreached(named, settings)) from None
        except BaseException:
            _end_threads(entity)
            raise

    found = open_()
    if not found.is_established and watch.connected and found.acceptor.primitive is None:
        watch.reset()
        found = open_()  # a rejection is lost at times when the peer closes right behind it
    if not found.is_established:
        raise _not_established(found, named, settings)
    try:
        yield found
    except BaseException:
        found.abort()
        raise
    if found.is_established:
        found.release()


def _end_threads(entity: Any) -> None:
    """End what an interrupted `associate` leaves running: its thread would keep the program from ending."""
    for thread in threading.enumerate():
        if isinstance(thread, DULServiceProvider) and thread.assoc.ae is entity:
            thread.kill_dul()


def context_to(named: Named, settings: DimseSettings) -> ssl.SSLContext:
    """How a connection to the archive is encrypted and verified.

    Raises:
        ArchiveError: a certificate file cannot be read.
    """
    tls = settings.tls
    assert tls is not None
    try:
        made = ssl.create_default_context(cafile=str(named.path(tls.ca_file)) if tls.ca_file else None)
        if tls.certificate_file:
            made.load_cert_chain(named.path(tls.certificate_file), named.path(tls.key_file))
    except (OSError, ssl.SSLError):
        raise ArchiveError(
            f"a certificate file of the archive {named.name!r} is not there or not PEM; correct the tls table."
        ) from None
    return made


def lost(named: Named, guard: Guard | None = None) -> ArchiveError:
    """What to raise when an association ended, or fell silent, before its work was done."""
    if guard is not None and guard.exceeded:
        return ArchiveError(
            f"the archive {named.name!r} sends more than was agreed or than the limits in the settings allow; "
            "nothing more was taken."
        )
    return ArchiveError(f"the archive {named.name!r} closed the connection or fell silent; run the same command again.")


def _identity(named: Named) -> list[Any]:
    secret = secret_of(named)
    if secret is None:
        return []
    item = UserIdentityNegotiation()
    item.user_identity_type = _USER_AND_PASSWORD if secret.user else _TOKEN
    item.primary_field = (secret.user or secret.value).encode()
    if secret.user:
        item.secondary_field = secret.value.encode()
    return [item]


def _not_established(found: Any, named: Named, settings: DimseSettings) -> ArchiveError:
    answer = found.acceptor.primitive
    if found.is_rejected and answer is not None:
        said = _WHY_REJECTED.get((answer.result_source, answer.diagnostic), "refuses the connection; ask who runs it")
        said = said.format(ours=settings.our_title, theirs=settings.title)
        return ArchiveError(f"the archive {named.name!r} {said}.")
    if answer is not None:
        return NothingAccepted(
            f"the archive {named.name!r} supports nothing of what is asked for here; ask who runs it, or use "
            "another way to reach it."
        )
    return ArchiveError(_unreached(named, settings))


def _unreached(named: Named, settings: DimseSettings) -> str:
    """Why no connection came about: the library does not tell, so the plain connection is tried once more."""
    name, place = named.name, f"{settings.host}:{settings.port}"
    try:
        with socket.create_connection((settings.host, settings.port), timeout=settings.timeout_s) as plain:
            if settings.tls is not None:
                context_to(named, settings).wrap_socket(plain, server_hostname=settings.host).close()
    except ssl.SSLCertVerificationError:
        return (
            f"the archive {name!r} does not prove who it is: its certificate is not trusted or not for this host; "
            "ask who runs it for the certificate and name it as ca_file."
        )
    except ssl.SSLError:
        return f"the archive {name!r} at {place} does not speak TLS as we do; check the port and the tls table."
    except socket.gaierror:
        return f"the host of the archive {name!r} is not known here; check host and network."
    except TimeoutError:
        return f"the archive {name!r} at {place} does not answer; check host, port and network."
    except ConnectionError:
        return (
            f"nothing listens at {place} where the archive {name!r} should be; check host and port, and that it runs."
        )
    except OSError:
        return f"the archive {name!r} at {place} cannot be reached; check host, port and network."
    return f"something listens at {place}, but does not answer as the archive {name!r} should; check host and port."
