"""Storing over DICOMweb (STOW-RS, DICOM PS3.18 section 10.5): files as they are, from disk to network."""

import json
import secrets
from collections.abc import Iterator, Sequence
from typing import Any

import requests

from siteplan.archive.door import Parcel, Told
from siteplan.archive.reasons import reason
from siteplan.archive.settings import DicomWebSettings
from siteplan.errors import ArchiveError

_MOST_FILES = 50
_MOST_BYTES = 16 << 20
"""Bounds of one request: a failure then costs little to repeat. A larger file goes alone."""
_CHUNK = 1 << 20

_TAKEN, _FAILED, _UID, _WHY = "00081199", "00081198", "00081155", "00081197"
"""Referenced SOP Sequence, Failed SOP Sequence, Referenced SOP Instance UID, Failure Reason (PS3.18 section I.2)."""


def batches(parcels: Sequence[Parcel]) -> Iterator[list[Parcel]]:
    """Parcels in order, in requests of a bounded size."""
    batch: list[Parcel] = []
    for parcel in parcels:
        if batch and (len(batch) == _MOST_FILES or sum(one.size for one in batch) + parcel.size > _MOST_BYTES):
            yield batch
            batch = []
        batch.append(parcel)
    if batch:
        yield batch


def store_batch(
    session: requests.Session, settings: DicomWebSettings, name: str, batch: Sequence[Parcel], told: Told
) -> None:
    """Send one batch and tell of each parcel; a batch that is refused as a whole is sent again one by one.

    Raises:
        requests.RequestException: the archive cannot be reached, or refuses us and not the objects.
    """
    body = Body(batch)
    response = session.post(
        f"{settings.url}/studies",
        data=body,
        headers={"Content-Type": body.content_type, "Accept": "application/dicom+json"},
        timeout=settings.timeout_s,
    )
    if response.status_code in (400, 409, 415, 422):  # it is about the objects, see PS3.18 table 10.5.3-1
        answer = _answer(response)
        if not answer and len(batch) > 1:
            for parcel in batch:
                store_batch(session, settings, name, [parcel], told)
            return
        _tell(batch, answer, told, f"the archive refuses it (HTTP {response.status_code})")
        return
    response.raise_for_status()
    _tell(batch, _answer(response), told, "")


def _tell(batch: Sequence[Parcel], answer: dict[str, str], told: Told, unnamed: str) -> None:
    """`unnamed` is what holds for a parcel that the answer does not name; whether it is there is looked up later."""
    for parcel in batch:
        told(parcel, answer.get(parcel.uid, unnamed))


def _answer(response: Any) -> dict[str, str]:
    """What became of each object that the answer names: "" for taken, a reason for failed. Empty without an answer."""
    out: dict[str, str] = {}
    try:
        content = json.loads(response.content)
        content = content[0] if isinstance(content, list) else content
        for item in content.get(_TAKEN, {}).get("Value", []):
            out[str(item[_UID]["Value"][0])] = ""
        for item in content.get(_FAILED, {}).get("Value", []):
            code = item.get(_WHY, {}).get("Value", [0])[0]
            out[str(item[_UID]["Value"][0])] = reason(int(code))
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError):
        return {}
    return out


class Body:
    """A multipart body of files, read while it is sent; its length is known before."""

    def __init__(self, batch: Sequence[Parcel]) -> None:
        self._batch = batch
        boundary = secrets.token_hex(24)
        self.content_type = f'multipart/related; type="application/dicom"; boundary={boundary}'
        self._head = f"--{boundary}\r\nContent-Type: application/dicom\r\n\r\n".encode()
        self._tail = f"--{boundary}--\r\n".encode()

    def __len__(self) -> int:
        return sum(len(self._head) + parcel.size + 2 for parcel in self._batch) + len(self._tail)

    def __iter__(self) -> Iterator[bytes]:
        for parcel in self._batch:
            yield self._head
            yield from _content(parcel)
            yield b"\r\n"
        yield self._tail


def _content(parcel: Parcel) -> Iterator[bytes]:
    """Exactly as many bytes as were announced. Raises ArchiveError, which HTTP libraries do not take for their own."""
    left = parcel.size
    try:
        with parcel.path.open("rb") as stream:
            while left > 0 and (chunk := stream.read(min(_CHUNK, left))):
                left -= len(chunk)
                yield chunk
    except OSError:
        raise ArchiveError(f"{parcel.shown} cannot be read any more") from None
    if left:
        raise ArchiveError(f"{parcel.shown} became shorter while it was sent")
