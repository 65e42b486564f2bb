"""A small DICOMweb archive on the loopback, honest unless it is given a trick."""

import base64
import json
import ssl
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from pydicom.dataset import Dataset
from shelf import Shelf

BOUNDARY = "sierra-morena"
LEVELS = {1: "STUDY", 3: "SERIES", 5: "IMAGE"}

Trick = Callable[["Handler"], bool]
"""Answers in an unusual way and returns True, or leaves the request alone and returns False."""


class WebServer:
    """Started and stopped as a context."""

    def __init__(
        self, login: tuple[str, str] | None = None, trick: Trick | None = None, tls: ssl.SSLContext | None = None
    ) -> None:
        self.shelf, self.login, self.trick = Shelf(), login, trick
        self.refused_classes: dict[str, int] = {}
        self.requests: list[tuple[str, str]] = []
        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._http.daemon_threads = True
        self._http.archive = self  # type: ignore[attr-defined]
        if tls is not None:
            self._http.socket = tls.wrap_socket(self._http.socket, server_side=True)
        self._thread = threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        scheme = "http" if tls is None else "https"
        self.url = f"{scheme}://127.0.0.1:{self._http.server_address[1]}/dicom-web"

    def __enter__(self) -> "WebServer":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join(5)


class Handler(BaseHTTPRequestHandler):
    """One request."""

    def log_message(self, *_: Any) -> None:
        pass

    @property
    def archive(self) -> WebServer:
        return self.server.archive  # type: ignore[attr-defined, no-any-return]

    def do_GET(self) -> None:
        if self._special():
            return
        at = urlsplit(self.path)
        parts, query = at.path.split("/")[2:], dict(parse_qsl(at.query))
        wants_objects = "multipart" in self.headers.get("Accept", "")
        if wants_objects and len(parts) >= 4:
            self.send_parts(self.archive.shelf.of_series(parts[3], parts[5:6]))
        elif len(parts) in LEVELS:
            self.send_json(self._matches(LEVELS[len(parts)], parts, query))
        else:
            self.send_error(404)

    def do_POST(self) -> None:
        self.body = body = self.rfile.read(int(self.headers["Content-Length"]))
        if self._special():
            return
        boundary = self.headers["Content-Type"].split("boundary=")[1].encode()
        taken, failed = [], []
        for part in body.split(b"--" + boundary)[1:-1]:
            data = part.split(b"\r\n\r\n", 1)[1][:-2]
            uid = self.archive.shelf.add(data)
            header = self.archive.shelf.headers[uid]
            if (why := self.archive.refused_classes.get(str(header.SOPClassUID))) is not None:
                del self.archive.shelf.headers[uid], self.archive.shelf.files[uid]
                failed.append({"00081155": {"vr": "UI", "Value": [uid]}, "00081197": {"vr": "US", "Value": [why]}})
            else:
                taken.append({"00081155": {"vr": "UI", "Value": [uid]}})
        answer = {"00081199": {"vr": "SQ", "Value": taken}, "00081198": {"vr": "SQ", "Value": failed}}
        self.send_bytes(json.dumps(answer).encode(), "application/dicom+json", 200 if not failed else 409)

    def send_json(self, content: Any) -> None:
        self.send_bytes(json.dumps(content).encode(), "application/dicom+json")

    def send_bytes(self, data: bytes, kind: str, status: int = 200) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)

    def start_parts(self) -> None:
        """As Orthanc does it: no length, the connection ends the answer."""
        self.send_response(200)
        self.send_header("Content-Type", f'multipart/related; type="application/dicom"; boundary={BOUNDARY}')
        self.end_headers()

    def send_part(self, data: bytes) -> None:
        self.wfile.write(f"--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode() + data + b"\r\n")

    def send_parts(self, files: list[bytes]) -> None:
        if not files:
            self.send_error(404)
            return
        self.start_parts()
        for data in files:
            self.send_part(data)
        self.wfile.write(f"--{BOUNDARY}--\r\n".encode())

    def _special(self) -> bool:
        archive = self.archive
        archive.requests.append((self.command, self.path))
        if archive.login is not None:
            wanted = base64.b64encode(":".join(archive.login).encode()).decode()
            if self.headers.get("Authorization") != f"Basic {wanted}":
                self.send_error(401)
                return True
        return archive.trick is not None and archive.trick(self)

    def _matches(self, level: str, parts: list[str], query: dict[str, str]) -> list[dict[str, Any]]:
        keys = {key: value for key, value in query.items() if key not in ("limit", "offset", "includefield")}
        if len(parts) >= 3:
            keys["StudyInstanceUID"] = parts[1]
        if len(parts) >= 5:
            keys["SeriesInstanceUID"] = parts[3]
        found: list[Dataset] = self.archive.shelf.find(level, keys)
        start = int(query.get("offset", 0))
        limit = min(int(query.get("limit", 1000)), 7)  # a short page, so that asking for the rest is tested
        return [one.to_json_dict() for one in found[start : start + limit]]
