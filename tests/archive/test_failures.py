"""What goes wrong on the way: dead and dying servers, refusals, full disks. One sentence, and nothing half-written."""

import errno
import io
import os
import socket
import threading
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pydicom
import pytest
from orthanc import Orthanc
from places import OURS, Place, at, dimse_place, free_port, nothing_left, opened, web_place

from siteplan.archive import SeriesRow, fetch_series, send
from siteplan.archive import landing as landing_module
from siteplan.archive import stow as stow_module
from siteplan.errors import ArchiveError, OutputError

ROW = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None)


@pytest.mark.parametrize("way", ["web", "get", "move"])
def test_nothing_listens(way: str, tmp_path: Path, make: ModuleType) -> None:
    archive = opened(at(free_port(), way), tmp_path)
    with pytest.raises(ArchiveError, match=r"nothing listens .*check host and port, and that it runs"):
        archive.check()
    with pytest.raises(ArchiveError, match="nothing listens"):
        fetch_series(archive, ROW, tmp_path / "got")
    with pytest.raises(ArchiveError, match="nothing listens"):
        send(archive, [make.write_series(tmp_path / "s", make.Recipe(count=2))])
    assert nothing_left(tmp_path)


@pytest.mark.parametrize("way", ["web", "get"])
def test_the_host_is_not_known(way: str, tmp_path: Path) -> None:
    place = at(80, way)
    extra = {"url": "http://nowhere.invalid/dicom-web", "login": None} if way == "web" else {"host": "nowhere.invalid"}
    extra = {key: value for key, value in extra.items() if value is not None}
    if way == "web":
        place.settings = lambda **more: {"over": "dicomweb", "timeout_s": 2, **more}  # type: ignore[method-assign]
    with pytest.raises(ArchiveError, match=r"is not known here|cannot be reached"):
        opened(place, tmp_path, **extra).check()


@pytest.mark.parametrize("way", ["web", "get"])
def test_silence(way: str, silent_port: int, tmp_path: Path) -> None:
    start = time.monotonic()
    with pytest.raises(ArchiveError, match=r"fell silent|does not answer as the archive"):
        opened(at(silent_port, way), tmp_path, timeout_s=0.3).check()
    assert time.monotonic() - start < 10


@pytest.mark.parametrize("way", ["web", "get"])
def test_something_else_listens(way: str, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:

        def talk() -> None:
            for _ in range(4):
                try:
                    client, _address = server.accept()
                except OSError:
                    return
                with client:
                    client.sendall(b"220 mail.example ready\r\n" * 20)

        threading.Thread(target=talk, daemon=True).start()
        with pytest.raises(ArchiveError, match=r"does not answer as|closed the connection|cannot be reached|broke off"):
            opened(at(server.getsockname()[1], way), tmp_path, timeout_s=1).check()


def test_a_stranger_is_told_that_he_is_one(tmp_path: Path) -> None:
    said = f"does not know our AE title '{OURS}'; ask who runs it to add it"
    with dimse_place("get", callers=("SOMEBODY",)) as place, pytest.raises(ArchiveError, match=said):
        opened(place, tmp_path).check()


def test_an_unknown_move_destination(tmp_path: Path, make: ModuleType) -> None:
    with dimse_place("move") as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=2)))
        archive = opened(place, tmp_path, our_title="ELSEWHERE")
        with pytest.raises(ArchiveError, match="does not know where to send to; ask who runs it to add our AE title"):
            fetch_series(archive, ROW, tmp_path / "got")
    assert nothing_left(tmp_path)


def test_the_port_to_receive_at_is_taken(tmp_path: Path, make: ModuleType) -> None:
    with dimse_place("move") as place, socket.create_server(("127.0.0.1", place.receive_port)):
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=2)))
        with pytest.raises(ArchiveError, match=r"this machine cannot listen at 127.0.0.1"):
            fetch_series(opened(place, tmp_path), ROW, tmp_path / "got")
    assert nothing_left(tmp_path)


@pytest.mark.parametrize("way", ["get", "move"])
def test_the_archive_goes_in_the_middle_and_comes_back(way: str, tmp_path: Path, make: ModuleType) -> None:
    with dimse_place(way) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=9)))
        place.server.stop_after = 4
        archive = opened(place, tmp_path)
        with pytest.raises(ArchiveError, match="closed the connection or fell silent; run the same command again"):
            fetch_series(archive, ROW, tmp_path / "got")
        assert not (tmp_path / "got").exists()
        place.server.stop_after = None
        done = fetch_series(archive, ROW, tmp_path / "got")
    assert done.objects == 9
    assert 1 <= done.taken_up <= 4
    assert len(list((tmp_path / "got").iterdir())) == 9


@pytest.mark.parametrize("way", ["web", "get", "move"])
def test_an_archive_that_keeps_some_back(way: str, tmp_path: Path, make: ModuleType) -> None:
    """It names three objects and hands out two: what came is kept, and the folder does not get its name."""
    with web_place() if way == "web" else dimse_place(way) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        place.server.shelf.withheld = {"2.25.1001.2"}
        archive = opened(place, tmp_path)
        said = "HTTP 404" if way == "web" else "1 of 3 objects did not arrive; run the same command again"
        with pytest.raises(ArchiveError, match=said):
            fetch_series(archive, ROW, tmp_path / "got")
        assert not (tmp_path / "got").exists()
        place.server.shelf.withheld = set()
        assert fetch_series(archive, ROW, tmp_path / "got").taken_up == 2


def test_a_killed_orthanc_fetching_and_sending(
    orthanc: Orthanc, tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SIGKILL while objects travel; started again, the same call does the rest."""
    monkeypatch.setattr(stow_module, "_MOST_FILES", 5)
    values = np.random.default_rng(3).integers(0, 4096, (40, 256, 256)).astype(np.uint16)
    recipe = make.Recipe(count=40, rows=256, columns=256)
    folder = make.write_series(tmp_path / "s", recipe, values=values)
    for way in ("get", "web"):
        archive = opened(
            Place(orthanc.url, orthanc.dicom_port, orthanc.title, orthanc.receive_port, way), tmp_path, timeout_s=20
        )
        orthanc.clear()
        with pytest.raises(ArchiveError, match=r"the archive took \d+ of 40 objects, and the same command sends only"):
            send(archive, [folder], progress=_killer(orthanc, "sending"))
        orthanc.start()
        again = send(archive, [folder])
        assert again.complete
        assert again.sent + again.were_there == 40
        assert again.were_there >= 1
        with pytest.raises(ArchiveError, match=r"closed|broke off|fell silent|nothing listens"):
            fetch_series(archive, ROW, tmp_path / way, progress=_killer(orthanc, "fetching"))
        assert not (tmp_path / way).exists()
        orthanc.start()
        done = fetch_series(archive, ROW, tmp_path / way)
        assert done.objects == 40
        assert done.taken_up >= 1
        pixels = {str(ds.SOPInstanceUID): ds.PixelData for ds in map(pydicom.dcmread, (tmp_path / way).iterdir())}
        assert pixels == {str(ds.SOPInstanceUID): ds.PixelData for ds in map(pydicom.dcmread, folder.iterdir())}


def _killer(orthanc: Orthanc, while_: str) -> Any:
    """Kills the archive as soon as the first object has travelled."""
    done: list[float] = []

    def progress(share: float, what: str) -> None:
        if not done and what.startswith(while_):
            done.append(share)
            orthanc.kill()

    return progress


@pytest.mark.parametrize("way", ["web", "get", "move"])
def test_the_disk_is_full(way: str, tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full(io.RawIOBase):
        """A file on a disk without room, as the system has it: the write fails."""

        def write(self, data: Any) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def open_(path: Path, mode: str = "r", *arguments: Any, **more: Any) -> Any:
        return Full() if path.suffix == ".part" and mode == "wb" else usual(path, mode, *arguments, **more)

    usual = Path.open

    with web_place() if way == "web" else dimse_place(way) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        archive = opened(place, tmp_path)
        with monkeypatch.context() as patch:
            patch.setattr(Path, "open", open_)
            with pytest.raises(OutputError, match="the disk is full; make room and run the same command again"):
                fetch_series(archive, ROW, tmp_path / "got")
        assert nothing_left(tmp_path)
        assert fetch_series(archive, ROW, tmp_path / "got").objects == 3


def test_a_series_that_does_not_fit_is_not_tried(
    tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    with web_place() as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        usage = type(landing_module.shutil.disk_usage(tmp_path))(10**9, 10**9 - 10**6, 10**6)
        monkeypatch.setattr(landing_module.shutil, "disk_usage", lambda _path: usage)
        with pytest.raises(OutputError, match="needs about 64 MiB and the disk has 0 MiB"):
            fetch_series(opened(place, tmp_path), ROW, tmp_path / "got")


def test_a_disk_that_changes_bytes_is_noticed(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        archive = opened(place, tmp_path)

        def spoil(share: float, what: str) -> None:
            if what.startswith("fetching") and share == 1:
                victim = next(iter(next(tmp_path.glob(".got*")).glob("*.dcm")))
                data = bytearray(victim.read_bytes())
                data[-7] ^= 1
                victim.write_bytes(data)

        with pytest.raises(OutputError, match="the disk changed an object after it was written"):
            fetch_series(archive, ROW, tmp_path / "got", progress=spoil)
        assert not (tmp_path / "got").exists()
        assert fetch_series(archive, ROW, tmp_path / "got").taken_up == 2


def test_two_fetches_into_one_folder(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        archive = opened(place, tmp_path)

        def second(_share: float, what: str) -> None:
            if what.startswith("fetching"):
                with pytest.raises(OutputError, match="another fetch is writing this series there"):
                    fetch_series(archive, ROW, tmp_path / "got")

        assert fetch_series(archive, ROW, tmp_path / "got", progress=second).objects == 3


def test_an_archive_that_is_still_receiving(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        row = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", 5)
        with pytest.raises(ArchiveError, match="says that the series has 5 objects and names 3"):
            fetch_series(opened(place, tmp_path), row, tmp_path / "got")
