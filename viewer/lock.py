"""A lock that tells two windows with one case apart.

It lies beside the case where that folder can be written, so that two machines on one share see each other, else in the
user's own state folder; named by a hash, never by a patient.
"""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

from viewer.recovery import key_of, state_folder

_QUERY_LIMITED = 0x1000
"""PROCESS_QUERY_LIMITED_INFORMATION of the Windows API."""


class CaseLock:
    """Says that a window has this case open. It warns; it never prevents reading.

    Raises nothing: where no lock can be written (read-only medium), one in the state folder takes its place.
    """

    def __init__(self, subject: Path) -> None:
        self._subject = subject.resolve()
        self._file: Path | None = None

    @property
    def held(self) -> bool:
        """Whether this window holds the lock."""
        return self._file is not None

    def take(self) -> str:
        """Take the lock; "" when that worked, else where the other window runs ("this computer" or a host name)."""
        for folder in (self._subject.parent, state_folder() / "locks"):
            file = folder / f".siteplan-{key_of(self._subject)}.open"
            try:
                folder.mkdir(parents=True, exist_ok=True)
                return self._take(file)
            except OSError:
                continue
        return ""

    def release(self) -> None:
        """Give the lock back."""
        if self._file is not None:
            self._file.unlink(missing_ok=True)
            self._file = None

    def _take(self, file: Path) -> str:
        own = {"host": socket.gethostname(), "pid": os.getpid(), "started": started_at(os.getpid())}
        for _ in range(2):
            try:
                handle = os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
            except FileExistsError:
                other = _holder(file)
                if other:
                    return other
                file.unlink(missing_ok=True)
                continue
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                json.dump(own, stream)
            self._file = file
            return ""
        return "this computer"


def _holder(file: Path) -> str:
    """Where the living holder of a lock runs; "" when it is gone."""
    try:
        content = json.loads(file.read_text("utf-8"))
        host, pid, then = str(content["host"]), int(content["pid"]), str(content.get("started", ""))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return ""
    if host != socket.gethostname():
        return host
    if not _alive(pid):
        return ""
    now = started_at(pid)
    gone = bool(then and now) and now != then  # the number is another process's now
    return "" if gone else "this computer"


def started_at(pid: int) -> str:
    """When a process of this computer began, in the system's own words; "" where that cannot be learned.

    Numbers of processes are given out again, but the same number never twice at one moment.
    """
    if sys.platform == "win32":
        import ctypes

        kernel = ctypes.windll.kernel32
        handle = kernel.OpenProcess(_QUERY_LIMITED, False, pid)
        if not handle:
            return ""
        times = [ctypes.c_ulonglong() for _ in range(4)]
        known = kernel.GetProcessTimes(handle, *map(ctypes.byref, times))
        kernel.CloseHandle(handle)
        return str(times[0].value) if known else ""
    try:
        if sys.platform.startswith("linux"):
            # Field 22 of proc(5), in clock ticks since the machine began; the name before it may hold spaces.
            return Path(f"/proc/{pid}/stat").read_text("utf-8", "replace").rpartition(")")[2].split()[19]
        told = subprocess.run(
            ["ps", "-o", "lstart=", "-p", str(pid)], capture_output=True, text=True, timeout=5, check=False
        )
        return told.stdout.strip()
    except (OSError, IndexError, subprocess.SubprocessError):
        return ""


def _alive(pid: int) -> bool:
    if sys.platform == "win32":
        import ctypes

        handle = ctypes.windll.kernel32.OpenProcess(_QUERY_LIMITED, False, pid)
        if handle:
            ctypes.windll.kernel32.CloseHandle(handle)
        return bool(handle)
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True
