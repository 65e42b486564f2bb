"""What goes wrong on the way: dead and dying servers, refusals, full disks. One sentence, and nothing half-written."""

import errno
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pydicom
import pytest
from orthanc import Orthanc
from places import OURS, Place, dimse_place, free_port, opened, web_place

from siteplan.archive import Archive, SeriesRow, fetch_series, send
from siteplan.archive import landing as landing_module
from siteplan.archive import sending as sending_module
from siteplan.archive import stow as stow_module
from siteplan.errors import ArchiveError, OutputError

ROW = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None)
SCRIPT = (
    "import signal, sys\n"
    "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a shell's background jobs begin without it
    "from siteplan.cli import main\n"
    "sys.exit(main(sys.argv[1:]))"
)
CT = "1.2.840.10008.5.1.4.1.1.2"


def nothing_left(folder: Path, target: str = "got") -> bool:
    return not (folder / target).exists() and not list(folder.glob(f".{target}*"))


def at(port: int, way: str) -> Place:
    return Place(f"http://127.0.0.1:{port}/dicom-web", port, "BARATARIA", free_port(), way)


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


@pytest.fixture
def silent_port() -> Iterator[int]:
    """Something that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@pytest.mark.parametrize("way", ["web", "get"])
def test_silence(way: str, silent_port: int, tmp_path: Path) -> None:
    start = time.monotonic()
    with pytest.raises(ArchiveError, match=r"fell silent|does not answer as the archive"):
        opened(at(silent_port, way), tmp_path, timeout_s=0.3).check()
    assert time.monotonic() - start < 10


@pytest.mark.skipif(os.name != "posix", reason="the interrupt is a POSIX signal")
@pytest.mark.parametrize("way", ["web", "get"])
def test_ctrl_c_while_nobody_answers(way: str, silent_port: int, tmp_path: Path) -> None:
    settings = at(silent_port, way).settings_file(tmp_path, timeout_s=60)
    run = subprocess.Popen(
        [sys.executable, "-X", "importtime", "-c", SCRIPT, "fetch", "it", "--settings", str(settings), "--check"],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    last = "siteplan.archive.web" if way == "web" else "siteplan.archive.receive"
    assert run.stderr is not None
    for line in run.stderr:
        if line.rstrip().endswith(last):  # the libraries are loaded now, what follows is waiting
            break
    time.sleep(0.7)
    run.send_signal(signal.SIGINT)
    _, said = run.communicate(timeout=15)
    assert run.returncode == 130, said
    assert "siteplan: stopped" in said


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


@pytest.mark.parametrize("way", ["web", "get"])
def test_objects_of_another_patient_are_not_put_into_a_study(way: str, tmp_path: Path, make: ModuleType) -> None:
    with web_place() if way == "web" else dimse_place(way) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=2)))
        before = set(place.server.shelf.files)
        for other in ("MANCHA-1606", ""):
            recipe = make.Recipe(count=1, series_uid="2.25.5001", patient_id=other, patient="")
            objects = make.write_series(tmp_path / f"o{other}", recipe)
            with pytest.raises(ArchiveError, match="has under another patient's number; nothing was sent") as caught:
                send(opened(place, tmp_path), [objects])
            assert "MANCHA" not in str(caught.value)
        assert set(place.server.shelf.files) == before


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
    def write(self: Any, data: Any) -> None:
        if len(data) > 200:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with web_place() if way == "web" else dimse_place(way) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        archive = opened(place, tmp_path)
        with monkeypatch.context() as patch:
            patch.setattr(landing_module.Arriving, "write", write)
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


def _object(folder: Path, make: ModuleType, name: str, **changes: Any) -> Path:
    """A small object: a slice with other elements."""
    ds = make.slice_dataset(make.Recipe(count=1, series_uid="2.25.55"), 0, make.stored_values(make.Recipe(count=1))[0])
    for keyword, value in changes.items():
        if value is None:
            delattr(ds, keyword)
        else:
            setattr(ds, keyword, value)
    ds.file_meta.MediaStorageSOPClassUID, ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPClassUID, ds.SOPInstanceUID
    folder.mkdir(exist_ok=True)
    ds.save_as(folder / name, enforce_file_format=True)
    return folder / name


PDF = "1.2.840.10008.5.1.4.1.1.104.1"
TEMPLATE = "1.2.840.10008.5.1.4.43.1"


@pytest.mark.parametrize("way", ["web", "get"])
def test_kinds_that_the_archive_refuses_are_named_with_the_reason(way: str, tmp_path: Path, make: ModuleType) -> None:
    """Status codes of PS3.4 table B.2-1, refused contexts of PS3.8, and what belongs to no study."""
    _object(tmp_path / "o", make, "a.dcm")
    _object(tmp_path / "o", make, "b.dcm", SOPClassUID=PDF, SOPInstanceUID="2.25.66", SeriesInstanceUID="2.25.56")
    none = {"StudyInstanceUID": None, "SeriesInstanceUID": None}
    _object(tmp_path / "o", make, "c.dcm", SOPClassUID=TEMPLATE, SOPInstanceUID="2.25.67", **none)
    (tmp_path / "o" / f"{make.PATIENT.title()} letter.txt").write_text("no object")
    with web_place() if way == "web" else dimse_place("get", classes=(CT,)) as place:
        if way == "web":
            place.server.refused_classes = {PDF: 0x0122}
        done = send(opened(place, tmp_path), [tmp_path / "o"])
        alone = send(opened(place, tmp_path), [tmp_path / "o" / "b.dcm"])
    assert [one.shown for one in alone.refused] == ["b.dcm"]
    assert (done.sent, done.complete, done.missing) == (1, False, ())
    (refused,) = done.refused
    assert (refused.shown, refused.kind) == ("b.dcm", "Encapsulated PDF Storage")
    assert "does not support objects of this kind" in refused.why
    left = {one.shown: one.why for one in done.left_out}
    assert "belongs to no study" in left["c.dcm"]
    assert left["***^*** letter.txt"] == "no DICOM file"


def test_statuses_are_put_into_words(tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sending_module, "_FIRST_WAIT_S", 0.01)
    folder = make.write_series(tmp_path / "s", make.Recipe(count=4))
    codes = {"2.25.1001.1": 0xA700, "2.25.1001.2": 0xA900, "2.25.1001.3": 0xC000, "2.25.1001.4": 0xB000}
    with dimse_place("get", status_of=lambda ds: codes[str(ds.SOPInstanceUID)]) as place:
        done = send(opened(place, tmp_path), [folder])
    said = " ".join(one.why for one in done.refused)
    for part in ("out of room or memory (status A700)", "not what it says it is", "cannot understand the object"):
        assert part in said
    assert done.sent == 1  # B000: stored, with a remark
    assert len(done.missing) == 1  # but this archive did not really keep it, and that is noticed
    assert not done.complete


def test_an_archive_that_takes_and_does_not_keep(
    tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending_module, "_FIRST_WAIT_S", 0.01)
    with web_place() as place:

        def forget(handler: Any) -> bool:
            if handler.command == "POST":
                handler.send_json({})
                return True
            return False

        place.server.trick = forget
        done = send(opened(place, tmp_path), [make.write_series(tmp_path / "s", make.Recipe(count=2))])
    assert len(done.missing) == 2
    assert not done.complete


def test_an_archive_with_implicit_encoding_only(tmp_path: Path, make: ModuleType) -> None:
    """Every archive knows implicit VR little endian (PS3.5 section 10.1); explicit files are rewritten for it."""
    folder = make.write_series(tmp_path / "s", make.Recipe(count=3))
    packed = make.write_series(
        tmp_path / "p", make.Recipe(count=2, series_uid="2.25.2001", syntax=make.JPEG_LS), prefix="p"
    )
    with dimse_place("get", syntaxes=("1.2.840.10008.1.2",)) as place:
        done = send(opened(place, tmp_path), [folder, packed])
        kept = place.server.shelf.files
    assert (done.sent, len(done.refused)) == (3, 2)
    assert "but not in the encoding of this file" in done.refused[0].why
    for path in folder.iterdir():
        ours = pydicom.dcmread(path)
        theirs = pydicom.dcmread(pydicom.filebase.DicomBytesIO(kept[str(ours.SOPInstanceUID)]))
        assert theirs.file_meta.TransferSyntaxUID == "1.2.840.10008.1.2"
        assert theirs == ours


def test_nothing_to_send_and_files_that_contradict(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        archive: Archive = opened(place, tmp_path)
        with pytest.raises(ArchiveError, match="there is no such file or folder"):
            send(archive, [tmp_path / "none"])
        (tmp_path / "empty").mkdir()
        with pytest.raises(ArchiveError, match="no DICOM object in what was given"):
            send(archive, [tmp_path / "empty"])
        _object(tmp_path / "o", make, "a.dcm", SOPInstanceUID="2.25.9")
        _object(tmp_path / "o", make, "b.dcm", SOPInstanceUID="2.25.9")
        done = send(archive, [tmp_path / "o"])
        assert done.left_out[0].why == "the same as a.dcm"
        _object(tmp_path / "o", make, "b.dcm", SOPInstanceUID="2.25.9", Manufacturer="SOMEBODY")
        with pytest.raises(ArchiveError, match=r"a.dcm and b.dcm differ and have one UID"):
            send(archive, [tmp_path / "o"])


@pytest.mark.skipif(os.name != "posix", reason="the interrupt is a POSIX signal")
@pytest.mark.parametrize("way", ["web", "get", "move"])
def test_ctrl_c_stops_the_command(way: str, tmp_path: Path, make: ModuleType) -> None:
    """SIGINT to `siteplan fetch` while the archive dawdles: it ends soon, with 130, and the target is not there."""
    hold = threading.Event()

    def slow(item: Any) -> Any:
        if getattr(item, "command", "") == "GET" and "multipart" not in item.headers.get("Accept", ""):
            return False
        hold.wait(20)
        return item if way != "web" else False

    with web_place() if way == "web" else dimse_place(way, spoil=slow) as place:
        if way == "web":
            place.server.trick = slow
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        settings = place.settings_file(tmp_path, timeout_s=60)
        command = [sys.executable, "-c", SCRIPT, "fetch", "it", "--settings", str(settings)]
        run = subprocess.Popen(
            [*command, "--study", "2.25.1000", "--out", str(tmp_path / "got")],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )
        for _ in range(200):
            if list(tmp_path.glob(".got*")):
                break
            time.sleep(0.05)
        time.sleep(0.3)
        run.send_signal(signal.SIGINT)
        _, said = run.communicate(timeout=15)
        hold.set()
    assert run.returncode == 130, said
    assert "stopped" in said
    assert "Traceback" not in said
    assert nothing_left(tmp_path)
