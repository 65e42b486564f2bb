"""The HTTP session: encrypted traffic verified, no proxy from the environment, no redirect, no endless answer."""

import base64
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import requests

from siteplan.archive.login import Secret, secret_of
from siteplan.archive.settings import DicomWebSettings, Named
from siteplan.errors import ArchiveError

LARGEST_LISTING = 64 << 20
"""Bytes of an answer that is not an object. 20000 objects with four fields each take 8 MiB in Orthanc's JSON."""

_CHUNK = 1 << 20


def session_of(named: Named, settings: DicomWebSettings) -> requests.Session:
    """A session for one archive.

    Raises:
        ArchiveError: the secret or a certificate file cannot be read.
    """
    session = requests.Session()
    session.trust_env = False  # neither a proxy nor a .netrc may take part in this
    session.headers["Accept-Encoding"] = "identity"  # an answer cannot unfold into more than was sent
    session.headers["User-Agent"] = "siteplan"
    session.hooks["response"] = [_guarded]
    tls = settings.tls
    for name in (tls.ca_file, tls.certificate_file, tls.key_file):
        if name and not named.path(name).is_file():
            raise ArchiveError(f"{named.path(name)}: there is no such certificate file; correct the tls table.")
    session.verify = str(named.path(tls.ca_file)) if tls.ca_file else True
    if tls.certificate_file:
        session.cert = (str(named.path(tls.certificate_file)), str(named.path(tls.key_file)))
    session.auth = _Prepared(secret_of(named))
    return session


class _Prepared:
    """The last hand on a request: the login, * as itself, and the host with its port.

    RFC 3986 section 3.4 lets * stand in a query, and there are archives that search for the characters %2A. Without
    a Host header of its own the request gets the right one; `dicomweb-client` writes one that has no port.
    """

    def __init__(self, secret: Secret | None) -> None:
        self._authorization = _authorization(secret)

    def __call__(self, request: Any) -> Any:
        request.url = request.url.replace("%2A", "*")
        request.headers.pop("Host", None)
        if self._authorization:
            request.headers["Authorization"] = self._authorization
        return request


def _authorization(secret: Secret | None) -> str:
    if secret is None:
        return ""
    if secret.user:
        return "Basic " + base64.b64encode(f"{secret.user}:{secret.value}".encode()).decode()  # RFC 7617, UTF-8
    return f"Bearer {secret.value}"


@contextmanager
def told_plainly(named: Named) -> Iterator[None]:
    """Turn what the libraries raise into one sentence of ours; no address, no query and no answer is in it."""
    name = named.name
    try:
        yield
    except requests.exceptions.SSLError:
        raise ArchiveError(
            f"the archive {name!r} does not prove who it is: its certificate is not trusted or not for this host; "
            "ask who runs it for the certificate and name it as ca_file."
        ) from None
    except requests.exceptions.ConnectTimeout:
        raise ArchiveError(f"the archive {name!r} does not answer; check host, port and network.") from None
    except requests.exceptions.Timeout:
        raise ArchiveError(f"the archive {name!r} fell silent; run the same command again, later perhaps.") from None
    except requests.exceptions.ChunkedEncodingError:
        raise ArchiveError(
            f"the archive {name!r} broke off in the middle of its answer; run the same command again."
        ) from None
    except requests.exceptions.ConnectionError as error:
        raise ArchiveError(_unreached(name, error)) from None
    except requests.exceptions.HTTPError as error:
        raise ArchiveError(_refused(name, error.response.status_code if error.response is not None else 0)) from None
    except (requests.exceptions.RequestException, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise ArchiveError(
            f"the archive {name!r} answers with something that is not DICOMweb; check the url in the settings."
        ) from None


def _guarded(response: Any, **kwargs: Any) -> Any:
    """Looks at every answer before anything is read of its body."""
    if response.is_redirect or 300 <= response.status_code < 400:
        response.close()
        raise ArchiveError(
            "the archive sends us on to another address, which is not followed; put the final one into the settings."
        )
    if not kwargs.get("stream"):
        response.raw = _Bounded(response.raw, LARGEST_LISTING)
    return response


class _Bounded:
    """A body that ends in an error once it is longer than it may be."""

    def __init__(self, raw: Any, most: int) -> None:
        self._raw, self._most = raw, most

    def stream(self, _size: int, decode_content: bool = True) -> Iterator[bytes]:
        """What `requests` reads from."""
        seen = 0
        for chunk in self._raw.stream(_CHUNK, decode_content=decode_content):
            seen += len(chunk)
            if seen > self._most:
                self._raw.close()
                raise ArchiveError("the archive answers with far more than was asked for; narrow the search.")
            yield chunk

    def __getattr__(self, name: str) -> Any:
        return getattr(self._raw, name)


def _unreached(name: str, error: Exception) -> str:
    said = str(error)
    if "Name or service not known" in said or "NameResolution" in said or "getaddrinfo" in said:
        return f"the host of the archive {name!r} is not known here; check the url and the network."
    if "timed out" in said:
        return f"the archive {name!r} fell silent; run the same command again, later perhaps."
    if "refused" in said:
        return f"nothing listens where the archive {name!r} should be; check host and port, and that it runs."
    if "aborted" in said or "reset" in said or "RemoteDisconnected" in said or "Broken pipe" in said:
        return f"the archive {name!r} closed the connection; run the same command again."
    return f"the archive {name!r} cannot be reached; check host, port and network."


def _refused(name: str, status: int) -> str:
    if status in (401, 403):
        return f"the archive {name!r} refuses our login (HTTP {status}); check user and secret, and what they may do."
    if status == 404:
        return f"the archive {name!r} has no such study or series, or its url is wrong (HTTP 404)."
    if status == 413:
        return f"the archive {name!r} takes no request as large as this (HTTP 413); ask who runs it."
    if status >= 500:
        return f"the archive {name!r} failed while it answered (HTTP {status}); try again, or ask who runs it."
    return f"the archive {name!r} does not accept the request (HTTP {status}); ask who runs it what it supports."
