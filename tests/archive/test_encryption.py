"""TLS both ways: the right certificate passes, every other is refused, and nothing is sent in clear by mistake."""

import shutil
import ssl
import subprocess
from pathlib import Path
from types import ModuleType

import pytest
from places import OURS, PASSWORD, THEIRS, USER, Place, free_port, opened
from scp import SmallArchive
from web_server import WebServer

from siteplan.archive import SeriesRow, fetch_series, send
from siteplan.errors import ArchiveError

ROW = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None)
LOGIN = {"user": USER, "password_env": "SITEPLAN_TEST_SECRET"}

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two certificates that sign themselves, for 127.0.0.1 and for another host, made by OpenSSL."""
    folder = tmp_path_factory.mktemp("papers")
    for name, host in (("here", "IP:127.0.0.1"), ("there", "DNS:elsewhere.example"), ("ours", "IP:127.0.0.1")):
        subprocess.run(
            [
                *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}"),
                *("-addext", f"subjectAltName={host}"),
                *("-keyout", str(folder / f"{name}.key"), "-out", str(folder / f"{name}.pem")),
            ],
            check=True,
            capture_output=True,
        )
    return folder


def server_side(papers: Path, name: str, *, asks: bool = False) -> ssl.SSLContext:
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.load_cert_chain(papers / f"{name}.pem", papers / f"{name}.key")
    if asks:
        made.verify_mode = ssl.CERT_REQUIRED
        made.load_verify_locations(papers / "ours.pem")
    return made


def client_side(papers: Path, trusted: str, *, shows: bool = False) -> dict[str, str]:
    out = {"ca_file": str(papers / f"{trusted}.pem")}
    if shows:
        out |= {"certificate_file": str(papers / "ours.pem"), "key_file": str(papers / "ours.key")}
    return out


@pytest.mark.parametrize("asks", [False, True])
def test_dicomweb(papers: Path, tmp_path: Path, make: ModuleType, asks: bool) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=3))
    with WebServer(login=(USER, PASSWORD), tls=server_side(papers, "here", asks=asks)) as server:
        place = Place(server.url, 0, "", 0, "web", server)
        archive = opened(place, tmp_path, tls=client_side(papers, "here", shows=asks))
        assert archive.named.caution == ""
        assert send(archive, [folder]).complete
        assert fetch_series(archive, ROW, tmp_path / "got").objects == 3
        with pytest.raises(ArchiveError, match="does not prove who it is"):
            opened(place, tmp_path, tls=client_side(papers, "there")).check()
        with pytest.raises(ArchiveError, match="does not prove who it is"):
            opened(place, tmp_path, tls={}).check()
        with pytest.raises(ArchiveError, match="there is no such certificate file"):
            opened(place, tmp_path, tls={"ca_file": "none.pem"})
    with WebServer(tls=server_side(papers, "there")) as server:
        place = Place(server.url, 0, "", 0, "web", server)
        with pytest.raises(ArchiveError, match="its certificate is not trusted or not for this host"):
            opened(place, tmp_path, tls=client_side(papers, "there")).check()
        assert server.requests == []


@pytest.mark.parametrize("way", ["get", "move"])
def test_dimse(papers: Path, tmp_path: Path, make: ModuleType, way: str) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=3))
    receive = free_port()
    tls = client_side(papers, "here", shows=True)
    outward = ssl.create_default_context(cafile=str(papers / "ours.pem"))
    outward.load_cert_chain(papers / "here.pem", papers / "here.key")
    with SmallArchive(
        THEIRS,
        destinations={OURS: ("127.0.0.1", receive)},
        tls=server_side(papers, "here", asks=True),
        outward_tls=(outward, "127.0.0.1"),
    ) as server:
        place = Place("", server.port, THEIRS, receive, way, server)
        archive = opened(place, tmp_path, tls=tls, login=LOGIN)
        assert archive.named.caution == ""
        assert send(archive, [folder]).complete
        assert fetch_series(archive, ROW, tmp_path / "got").objects == 3
        assert set(server.identities) == {(USER.encode(), PASSWORD.encode())}
        with pytest.raises(ArchiveError, match="does not prove who it is"):
            opened(place, tmp_path, tls={**tls, "ca_file": str(papers / "there.pem")}).check()
        with pytest.raises(ArchiveError, match="is not there or not PEM"):
            opened(place, tmp_path, tls={**tls, "ca_file": "none.pem"}).check()
        with pytest.raises(
            ArchiveError, match=r"does not answer as the archive|cannot be reached|closed the connection"
        ):
            opened(place, tmp_path, timeout_s=2).check()
    with SmallArchive(THEIRS) as plain:
        place = Place("", plain.port, THEIRS, receive, way, plain)
        with pytest.raises(ArchiveError, match=r"does not speak TLS as we do|does not answer|cannot be reached"):
            opened(place, tmp_path, tls=tls, timeout_s=2).check()
