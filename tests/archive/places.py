"""Where an archive is and how the settings file names it, for the real one and for the small ones."""

import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scp import SmallArchive
from web_server import WebServer

from siteplan.archive import Archive, load_archive, open_archive

USER, PASSWORD = "rocinante", "Dapple-1605"
"""Invented; tests look for the password in everything that is printed or logged."""

OURS, THEIRS = "SITEPLAN", "BARATARIA"


@dataclass
class Place:
    """One archive by one way. `server` is the small archive when it is ours."""

    url: str
    port: int
    title: str
    receive_port: int
    way: str
    server: Any = None

    def settings(self, **extra: object) -> dict[str, Any]:
        if self.way == "web":
            login = {"user": USER, "password_env": "SITEPLAN_TEST_SECRET"}
            return {"over": "dicomweb", "url": self.url, "login": login, "timeout_s": 5, **extra}
        out = {"over": "dimse", "host": "127.0.0.1", "port": self.port, "title": self.title, "timeout_s": 5}
        if self.way == "move":
            out |= {"retrieve": "move", "receive_port": self.receive_port}
        return {**out, **extra}

    def settings_file(self, folder: Path, **extra: object) -> Path:
        return write_settings(folder / "archives.toml", self.settings(**extra))


def opened(place: Place, folder: Path, **extra: object) -> Archive:
    """The archive as the program opens it."""
    return open_archive(load_archive("it", place.settings_file(folder, **extra)))


def write_settings(path: Path, entry: dict[str, Any]) -> Path:
    """An archive called "it"; JSON's strings, numbers and booleans are TOML's too."""
    lines = ["format = 1", "[archive.it]"]
    tables = {key: value for key, value in entry.items() if isinstance(value, dict)}
    lines += [f"{key} = {json.dumps(value)}" for key, value in entry.items() if key not in tables]
    for name, table in tables.items():
        lines += [f"[archive.it.{name}]", *(f"{key} = {json.dumps(value)}" for key, value in table.items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def free_port() -> int:
    """A port of the loopback that nobody uses at this moment."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


@contextmanager
def web_place() -> Iterator[Place]:
    with WebServer(login=(USER, PASSWORD)) as server:
        yield Place(server.url, 0, "", 0, "web", server)


@contextmanager
def dimse_place(way: str, **options: Any) -> Iterator[Place]:
    receive = free_port()
    with SmallArchive(THEIRS, destinations={OURS: ("127.0.0.1", receive)}, **options) as server:
        yield Place("", server.port, THEIRS, receive, way, server)


def at(port: int, way: str) -> Place:
    """A place of which only the port is known."""
    return Place(f"http://127.0.0.1:{port}/dicom-web", port, THEIRS, free_port(), way)


def nothing_left(folder: Path, target: str = "got") -> bool:
    """Neither the target of a fetch nor what was on its way there."""
    return not (folder / target).exists() and not list(folder.glob(f".{target}*"))
