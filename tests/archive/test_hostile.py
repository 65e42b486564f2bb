"""Archives that lie, flood or try to write elsewhere: nothing of it reaches the disk, memory or the terminal."""

import io
import socket
import struct
import threading
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from places import dimse_place, opened, web_place
from pydicom.dataset import Dataset
from web_server import BOUNDARY, Handler

from siteplan.archive import Query, SeriesRow, fetch_series
from siteplan.archive import session as session_module
from siteplan.archive.entries import clean, is_uid
from siteplan.errors import ArchiveError

ROW = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None)


def objects_only(answer: Callable[[Handler], None]) -> Callable[[Handler], bool]:
    """A trick for requests of objects; searches are answered honestly."""

    def trick(handler: Handler) -> bool:
        if "multipart" not in handler.headers.get("Accept", ""):
            return False
        answer(handler)
        return True

    return trick


def searches_only(answer: Callable[[Handler], None]) -> Callable[[Handler], bool]:
    def trick(handler: Handler) -> bool:
        if "multipart" in handler.headers.get("Accept", ""):
            return False
        answer(handler)
        return True

    return trick


def files_of(handler: Handler) -> list[bytes]:
    return list(handler.archive.shelf.files.values())


def cut(handler: Handler) -> None:
    """Half an object more than one, then nothing: without a length only the closing boundary tells."""
    handler.start_parts()
    first, second, *_ = files_of(handler)
    handler.send_part(first)
    handler.wfile.write(
        f"--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode() + second[: len(second) // 2]
    )
    handler.close_connection = True


def reset(handler: Handler) -> None:
    """A connection that is torn down inside an object."""
    handler.start_parts()
    first, second, *_ = files_of(handler)
    handler.send_part(first)
    handler.wfile.write(f"--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode() + second[:500])
    handler.wfile.flush()
    time.sleep(0.2)
    handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    handler.connection.close()
    handler.close_connection = True
    handler.wfile = handler.rfile = io.BytesIO()


def silence(handler: Handler) -> None:
    """An object that stops coming."""
    handler.start_parts()
    handler.wfile.write(
        f"--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode() + files_of(handler)[0][:500]
    )
    handler.wfile.flush()
    time.sleep(1.5)
    handler.close_connection = True


def cut_object_whole_answer(handler: Handler) -> None:
    handler.send_parts([data[:-100] for data in files_of(handler)])


def other_series(handler: Handler) -> None:
    handler.send_parts([data.replace(b"2.25.1001\0", b"2.25.1009\0") for data in files_of(handler)])


def other_study(handler: Handler) -> None:
    handler.send_parts([data.replace(b"2.25.1000\0", b"2.25.1008\0") for data in files_of(handler)])


def other_object(handler: Handler) -> None:
    handler.send_parts([data.replace(b"2.25.1001.1\0", b"2.25.1001.9\0") for data in files_of(handler)])


def same_twice_but_different(handler: Handler) -> None:
    first = files_of(handler)[0]
    handler.send_parts([first, first[:-1] + bytes([first[-1] ^ 1])])


def no_dicom(handler: Handler) -> None:
    handler.send_parts([b"#!/bin/sh\necho no\n" * 20])


def empty_part(handler: Handler) -> None:
    handler.send_parts([b""])


def page(handler: Handler) -> None:
    handler.send_bytes(b"<html>Please log in</html>", "text/html")


def flood(handler: Handler) -> None:
    """An object without an end."""
    handler.start_parts()
    first = files_of(handler)[0]
    handler.wfile.write(f"--{BOUNDARY}\r\nContent-Type: application/dicom\r\n\r\n".encode() + first)
    pour(handler, b"\0" * (1 << 20), 200)


def flood_before_the_first_part(handler: Handler) -> None:
    handler.start_parts()
    pour(handler, b"x" * (1 << 20), 200)


def endless_part_header(handler: Handler) -> None:
    handler.start_parts()
    handler.wfile.write(f"--{BOUNDARY}\r\n".encode())
    pour(handler, b"X-More: and more\r\n" * 60000, 40)


def pour(handler: Handler, data: bytes, times: int) -> None:
    try:
        for _ in range(times):
            handler.wfile.write(data)
    except OSError:
        pass  # the other side had enough
    handler.close_connection = True


def no_boundary(handler: Handler) -> None:
    handler.send_bytes(b"x" * 100, "multipart/related; type=application/dicom")


def redirect(handler: Handler) -> None:
    handler.send_response(302)
    handler.send_header("Location", handler.path + "?again")
    handler.send_header("Content-Length", "0")
    handler.end_headers()


def failing(handler: Handler) -> None:
    handler.send_error(500)


OBJECT_TRICKS = {
    cut: "broke off in the middle",
    reset: "broke off in the middle|closed the connection",
    silence: "fell silent",
    cut_object_whole_answer: "no readable DICOM object|cut short",
    other_series: "not asked for",
    other_study: "of another study",
    other_object: "not asked for",
    same_twice_but_different: "two different objects with one UID",
    no_dicom: "no readable DICOM object",
    empty_part: "no readable DICOM object",
    page: "something else than DICOM objects",
    flood: "more than the limits",
    flood_before_the_first_part: "more than the limits",
    endless_part_header: "without an end of its header|an endless header",
    no_boundary: "without saying where they end",
    redirect: "sends us on to another address, which is not followed",
    failing: r"failed while it answered \(HTTP 500\)",
}


@pytest.mark.parametrize("trick", OBJECT_TRICKS, ids=lambda trick: trick.__name__)
def test_objects_that_are_not_to_be_trusted(trick: Callable[[Handler], None], tmp_path: Path, make: ModuleType) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=3))
    with web_place() as place:
        place.server.shelf.add_folder(folder)
        archive = opened(place, tmp_path, largest_object_mb=1, largest_series_mb=2, timeout_s=1)
        place.server.trick = objects_only(trick)
        tracemalloc.start()
        try:
            with pytest.raises(ArchiveError, match=OBJECT_TRICKS[trick]) as caught:
                fetch_series(archive, ROW, tmp_path / "got")
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert "\n" not in str(caught.value)
        assert make.PATIENT_ID not in str(caught.value)
        assert not (tmp_path / "got").exists()
        assert peak < 24 << 20
        left = [path.name for folder in tmp_path.glob(".got*") for path in folder.iterdir()]
        assert all(name.endswith(".dcm") or name == "arrived.jsonl" for name in left)
        place.server.trick = None
        assert fetch_series(archive, ROW, tmp_path / "got").objects == 3
    assert {path.name for path in tmp_path.iterdir()} == {"s", "got", "archives.toml"}


def endless_listing(handler: Handler) -> None:
    handler.send_response(200)
    handler.send_header("Content-Type", "application/dicom+json")
    handler.end_headers()
    pour(handler, b"[" + b"{}," * (1 << 18), 200)


def deep_listing(handler: Handler) -> None:
    handler.send_bytes(b"[" * 200000, "application/dicom+json")


def wrong_listing(handler: Handler) -> None:
    handler.send_json([{"0020000D": "2.25.1"}, 5])


def page_listing(handler: Handler) -> None:
    handler.send_bytes(b"<html>Please log in</html>", "text/html")


def never_the_last_page(handler: Handler) -> None:
    start = time.monotonic_ns()
    handler.send_json([{"0020000D": {"vr": "UI", "Value": [f"2.25.{start}.{at}"]}} for at in range(90)])


@pytest.mark.parametrize(
    ("trick", "said"),
    [
        (endless_listing, "far more than was asked for"),
        (deep_listing, "not DICOMweb"),
        (wrong_listing, "not DICOMweb"),
        (page_listing, "not DICOMweb"),
        (never_the_last_page, "more than 200 matches; narrow the search"),
        (redirect, "which is not followed"),
        (failing, "HTTP 500"),
    ],
)
def test_listings_that_are_not_to_be_trusted(
    trick: Callable[[Handler], None], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_module, "LARGEST_LISTING", 4 << 20)
    with web_place() as place:
        place.server.trick = searches_only(trick)
        with pytest.raises(ArchiveError, match=said):
            opened(place, tmp_path).studies(Query(patient_id="X"))


def test_an_archive_that_repeats_its_page_is_asked_no_more(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        place.server.trick = searches_only(
            lambda handler: handler.send_json([one.to_json_dict() for one in handler.archive.shelf.find("IMAGE", {})])
        )
        assert len(opened(place, tmp_path).instances("2.25.1000", "2.25.1001")) == 3
        assert len(place.server.requests) == 2


PATHS = ["../../../../tmp/escaped", "/etc/passwd", "2.25.1/../../x", "2.25.1\n", "", "2.25.1%2f", "1" * 65, "2..25"]


@pytest.mark.parametrize("uid", PATHS)
def test_what_is_no_uid_is_never_used(uid: str, tmp_path: Path) -> None:
    assert not is_uid(uid)
    with web_place() as place:
        place.server.trick = searches_only(
            lambda handler: handler.send_json(
                [{tag: {"vr": "UI", "Value": [uid]} for tag in ("0020000D", "0020000E", "00080018")}]
            )
        )
        archive = opened(place, tmp_path)
        assert archive.studies(Query(patient_id="")) == []
        assert archive.series("2.25.1") == []
        assert archive.instances("2.25.1", "2.25.2") == []
        with pytest.raises(ArchiveError, match="no such series"):
            fetch_series(archive, ROW, tmp_path / "got")
    assert [path.name for path in tmp_path.iterdir()] == ["archives.toml"]


def test_text_of_an_archive_cannot_steer_a_terminal(tmp_path: Path, make: ModuleType) -> None:
    nasty = "\x1b]0;owned\x07\x1b[2Jscan\r\n\u202e of" + make.PATIENT.split("^")[0] + "x" * 500
    with dimse_place("get", answer=lambda ds: _with(ds, "StudyDescription", nasty)) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=1)))
        (study,) = opened(place, tmp_path).studies(Query(patient_id=make.PATIENT_ID))
    assert study.description.isprintable()
    assert len(study.description) <= 64
    assert clean("a\x1b[31mb") == "a[31mb"


def _with(ds: Dataset, keyword: str, value: Any) -> Dataset:
    if ds.QueryRetrieveLevel == "STUDY":
        ds.add_new(keyword, "LO", "")
        ds[keyword]._value = value
    return ds


def test_other_patients_studies_are_left_out(tmp_path: Path, make: ModuleType) -> None:
    """An archive that ignores the key would otherwise offer somebody else's scan."""
    with web_place() as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=1)))
        place.server.trick = searches_only(
            lambda handler: handler.send_json([one.to_json_dict() for one in handler.archive.shelf.find("STUDY", {})])
        )
        archive = opened(place, tmp_path)
        assert len(archive.studies(Query(patient_id=make.PATIENT_ID))) == 1
        assert archive.studies(Query(patient_id="MANCHA-1606")) == []
        assert archive.studies(Query(study_uid="2.25.9")) == []


@pytest.mark.parametrize("way", ["get", "move"])
@pytest.mark.parametrize(
    ("keyword", "value", "said"),
    [
        ("SOPInstanceUID", "2.25.1001.99", "not asked for"),
        ("SeriesInstanceUID", "2.25.1009", "not asked for"),
        ("StudyInstanceUID", "2.25.1008", "of another study"),
        ("PixelData", b"\0" * (3 << 20), "more than was agreed or than the limits|more than the limits"),
    ],
)
def test_a_dimse_archive_that_hands_out_other_things(
    way: str, keyword: str, value: Any, said: str, tmp_path: Path, make: ModuleType
) -> None:
    def spoil(ds: Dataset) -> Dataset:
        setattr(ds, keyword, value)
        return ds

    with dimse_place(way, spoil=spoil) as place:
        place.server.shelf.add_folder(make.write_series(tmp_path / "s", make.Recipe(count=3)))
        archive = opened(place, tmp_path, largest_object_mb=1)
        with pytest.raises(ArchiveError, match=said if way == "get" else f"{said}|did not arrive"):
            fetch_series(archive, ROW, tmp_path / "got")
    assert not (tmp_path / "got").exists()
    assert not list(tmp_path.glob(".got*/*.dcm"))


def test_a_peer_that_announces_four_gigabytes(tmp_path: Path) -> None:
    """A protocol data unit of any length can be announced in four bytes (PS3.8 section 9.3.1)."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        served: list[int] = []

        def talk() -> None:
            for _ in range(3):
                try:
                    client, _address = server.accept()
                    with client:
                        client.recv(65536)
                        client.sendall(struct.pack(">BBL", 2, 0, 0xFFFFFFF0))
                        for _ in range(64):
                            client.sendall(b"\0" * (1 << 20))
                            served.append(1)
                except OSError:
                    continue

        threading.Thread(target=talk, daemon=True).start()
        with dimse_place("get") as place:
            place.port = server.getsockname()[1]
            with pytest.raises(ArchiveError, match=r"does not answer as the archive|cannot be reached"):
                opened(place, tmp_path, timeout_s=2).check()
    assert len(served) < 100
