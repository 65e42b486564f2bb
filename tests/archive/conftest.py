"""Archives to test with: small ones inside the test process, and a real Orthanc where the system allows it."""

import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scan"))

import series_maker
from alone import NotAllowed, own_loopback
from orthanc import PROGRAM, Orthanc
from places import PASSWORD, Place, dimse_place, opened, web_place
from web_server import WebServer

from siteplan.archive import Archive

NO_ORTHANC = "Orthanc is not installed"
NO_NAMESPACE = "this system does not let a test make a network namespace, and Orthanc would listen on every interface"

WAYS = ("web", "get", "move")
"""DICOMweb, C-GET, C-MOVE."""


@pytest.fixture(scope="session")
def make() -> ModuleType:
    return series_maker


@pytest.fixture(autouse=True)
def _secret(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SITEPLAN_TEST_SECRET", PASSWORD)
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9")  # must not be used
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:9")


@pytest.fixture(scope="module")
def orthanc(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Orthanc]:
    """A real archive, reachable from nothing but these tests."""
    if not PROGRAM.exists():
        pytest.skip(NO_ORTHANC)
    try:
        with own_loopback(), Orthanc(tmp_path_factory.mktemp("orthanc")) as server:
            yield server
    except NotAllowed:
        pytest.skip(NO_NAMESPACE)


@pytest.fixture(params=[f"{who}-{way}" for who in ("small", "orthanc") for way in WAYS])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Place]:
    """Every kind of archive by every way to it; each test finds it empty."""
    who, way = request.param.split("-")
    if who == "orthanc":
        server = request.getfixturevalue("orthanc")
        server.clear()
        yield Place(server.url, server.dicom_port, server.title, server.receive_port, way)
        return
    with web_place() if way == "web" else dimse_place(way) as small:
        yield small


@pytest.fixture
def archive(place: Place, tmp_path: Path) -> Archive:
    """The archive as the program opens it from a settings file."""
    return opened(place, tmp_path)


@pytest.fixture
def web() -> Iterator[WebServer]:
    with WebServer() as server:
        yield server


@pytest.fixture
def silent_port() -> Iterator[int]:
    """Something that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]
