"""A real archive, Orthanc from Debian, with its own configuration, storage and login in a temporary folder.

It listens on every interface, so it is only ever started inside `alone.own_loopback`.
"""

import json
import os
import subprocess
import time
from pathlib import Path

import requests
from places import OURS, PASSWORD, THEIRS, USER, free_port

PROGRAM = Path("/usr/sbin/Orthanc")
PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")


class Orthanc:
    """Started and stopped as a context, by its process id; may be killed and started again on what it kept."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.title = THEIRS
        self.http_port, self.dicom_port, self.receive_port = free_port(), free_port(), free_port()
        self.url = f"http://127.0.0.1:{self.http_port}/dicom-web"
        self._rest = requests.Session()
        self._rest.trust_env = False
        self._rest.auth = (USER, PASSWORD)
        may = {f"Allow{what}": True for what in ("Echo", "Find", "Get", "Move", "Store")}
        known = {"AET": OURS, "Host": "127.0.0.1", "Port": self.receive_port, **may}
        configuration = {
            "Name": "archive of the tests",
            "StorageDirectory": str(folder / "storage"),
            "IndexDirectory": str(folder / "storage"),
            "Plugins": [str(PLUGIN)],
            "HttpPort": self.http_port,
            "RemoteAccessAllowed": True,  # only the login and the namespace decide
            "AuthenticationEnabled": True,
            "RegisteredUsers": {USER: PASSWORD},
            "DicomAet": self.title,
            "DicomPort": self.dicom_port,
            "DicomCheckCalledAet": True,
            "DicomAlwaysAllowStore": False,
            "DicomAlwaysAllowEcho": False,
            "DicomModalities": {"tests": known},
            "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
            "MaximumPduLength": 131072,
            "OverwriteInstances": False,
        }
        self._file = folder / "configuration.json"
        self._file.write_text(json.dumps(configuration), encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "Orthanc":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()  # nothing of it is kept, and a quiet end takes seconds

    def start(self) -> None:
        with (self.folder / "log.txt").open("ab") as log:
            self._process = subprocess.Popen(
                [PROGRAM, str(self._file)],
                stdout=log,
                stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL,
                env={**os.environ, "TCP_NODELAY": "1"},  # read by the library it speaks DIMSE with
            )
        for _ in range(300):
            try:
                if self._rest.get(f"http://127.0.0.1:{self.http_port}/system", timeout=2).ok:
                    return
            except requests.ConnectionError:
                time.sleep(0.1)
        self.stop()
        raise RuntimeError((self.folder / "log.txt").read_text(encoding="utf-8", errors="replace")[-2000:])

    def stop(self) -> None:
        self._end(lambda process: process.terminate())

    def kill(self) -> None:
        """As a power cut would end it."""
        self._end(lambda process: process.kill())

    def clear(self) -> None:
        """Forget every patient."""
        base = f"http://127.0.0.1:{self.http_port}/patients"
        for patient in self._rest.get(base, timeout=10).json():
            self._rest.delete(f"{base}/{patient}", timeout=10)

    def file_of(self, uid: str) -> bytes:
        """The object as it is stored, by the archive's own interface."""
        found = self._rest.post(f"http://127.0.0.1:{self.http_port}/tools/lookup", data=uid, timeout=10).json()
        answer = self._rest.get(f"http://127.0.0.1:{self.http_port}{found[0]['Path']}/file", timeout=10)
        answer.raise_for_status()
        return answer.content

    def _end(self, how: object) -> None:
        process, self._process = self._process, None
        if process is not None and callable(how):
            how(process)
            process.wait(timeout=60)
