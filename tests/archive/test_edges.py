"""Archives that offer less than others, or say no in their own way; files that are almost objects."""

import warnings
from pathlib import Path
from types import ModuleType
from typing import Any

import pydicom
import pytest
from places import Place, dimse_place, opened, web_place
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
)

from siteplan.archive import Query, SeriesRow, fetch_series, send
from siteplan.archive import entries as entries_module
from siteplan.archive.door import Parcel
from siteplan.archive.landing import Landing
from siteplan.archive.parcels import gather
from siteplan.archive.reasons import reason
from siteplan.archive.receive import _storage
from siteplan.archive.stow import Body, batches
from siteplan.errors import ArchiveError, OutputError

ROW = SeriesRow("2.25.1001", "2.25.1000", "CT", "", "", None)


def filled(place: Place, make: ModuleType, folder: Path, count: int = 2) -> None:
    place.server.shelf.add_folder(make.write_series(folder / "s", make.Recipe(count=count)))


def test_no_search(tmp_path: Path) -> None:
    said = "supports nothing of what is asked for here"
    model = StudyRootQueryRetrieveInformationModelFind
    with dimse_place("get", without=(model,)) as place, pytest.raises(ArchiveError, match=said):
        opened(place, tmp_path).studies(Query(patient_id="X"))


@pytest.mark.parametrize(
    ("way", "model", "said"),
    [
        ("get", StudyRootQueryRetrieveInformationModelGet, "does not offer this way of fetching; set retrieve to"),
        ("move", StudyRootQueryRetrieveInformationModelMove, "supports nothing of what is asked for here"),
    ],
)
def test_no_such_way_of_fetching(way: str, model: Any, said: str, tmp_path: Path, make: ModuleType) -> None:
    with dimse_place(way, without=(model,)) as place:
        filled(place, make, tmp_path)
        with pytest.raises(ArchiveError, match=said):
            fetch_series(opened(place, tmp_path), ROW, tmp_path / "got")
    assert not list(tmp_path.glob(".got*"))


def test_a_search_that_fails(tmp_path: Path, make: ModuleType) -> None:
    with dimse_place("get", find_status=0xA700) as place:
        filled(place, make, tmp_path)
        with pytest.raises(ArchiveError, match=r"did not do the search \(status A700\)"):
            opened(place, tmp_path).studies(Query(patient_id=make.PATIENT_ID))


def test_an_echo_that_is_no_success(tmp_path: Path) -> None:
    said = "does not confirm that it works"
    with dimse_place("get", echo_status=0x0122) as place, pytest.raises(ArchiveError, match=said):
        opened(place, tmp_path).check()


@pytest.mark.parametrize("way", ["web", "get"])
def test_more_matches_than_anybody_wants(
    way: str, tmp_path: Path, make: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(entries_module, "MOST_OBJECTS", 8)
    with web_place() if way == "web" else dimse_place(way) as place:
        filled(place, make, tmp_path, 9)
        with pytest.raises(ArchiveError, match="names more than 8 matches; narrow the search"):
            opened(place, tmp_path).instances("2.25.1000", "2.25.1001")


def test_an_archive_that_hangs_up_while_we_send(tmp_path: Path, make: ModuleType) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=6))
    with dimse_place("get") as place:
        place.server.drop_after_stored = 3
        with pytest.raises(ArchiveError, match="fell silent; run the same command again; the archive took 3 of 6"):
            send(opened(place, tmp_path), [folder])
        place.server.drop_after_stored = None
        done = send(opened(place, tmp_path), [folder])
    assert (done.were_there, done.sent, done.complete) == (3, 3, True)


def test_a_request_that_is_refused_as_a_whole_is_tried_one_by_one(tmp_path: Path, make: ModuleType) -> None:
    """Some archives answer 400 without a word when one of many objects is not to their liking."""
    folder = make.write_series(tmp_path / "s", make.Recipe(count=4))

    with web_place() as place:

        def trick(handler: Any) -> bool:
            if handler.command != "POST" or b"2.25.1001.3\0" not in handler.body:
                return False
            handler.send_bytes(b"", "text/plain", 400)
            return True

        place.server.trick = trick
        done = send(opened(place, tmp_path), [folder])
    assert done.sent == 3
    (refused,) = done.refused
    assert refused.why == "the archive refuses it (HTTP 400)"


def test_an_archive_that_may_not_be_written_to(tmp_path: Path, make: ModuleType) -> None:
    with web_place() as place:
        place.server.trick = lambda handler: handler.command == "POST" and (handler.send_error(403) or True)
        with pytest.raises(ArchiveError, match=r"refuses our login \(HTTP 403\).*took 0 of 2 objects"):
            send(opened(place, tmp_path), [make.write_series(tmp_path / "s", make.Recipe(count=2))])


def test_files_that_are_almost_objects(tmp_path: Path, make: ModuleType) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=4))
    files = sorted(folder.iterdir())

    def change(at: int, **values: str) -> None:
        ds = pydicom.dcmread(files[at])
        for keyword, value in values.items():
            target = ds.file_meta if keyword.startswith("Media") else ds
            target[keyword]._value = value
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pydicom.dcmwrite(files[at], ds)

    change(0, SOPInstanceUID="2.25.99")
    change(1, SeriesInstanceUID="not a uid")
    change(2, MediaStorageSOPClassUID="1.2.840.10008.1.3.10")
    (folder / ".hidden").write_bytes(files[3].read_bytes())
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # the library's warnings quote values
        parcels, left = gather([folder])
    assert [parcel.path for parcel in parcels] == [files[3]]
    assert {one.shown: one.why for one in left} == {
        files[0].name: "its file header names another object than its content",
        files[1].name: "its identifiers are missing or not valid",
        files[2].name: "the index of a medium",
    }
    assert make.PATIENT_ID not in repr(parcels)


def test_reasons_have_words_and_a_code() -> None:
    """Statuses of PS3.4 table B.2-1 and PS3.7 annex C."""
    assert reason(0x0122) == "the archive does not support objects of this kind (status 0122)"
    assert reason(0xA7FF) == "the archive is out of room or memory (status A7FF)"
    assert reason(0xC123) == "the archive cannot understand the object (status C123)"
    assert reason(0x0999) == "the archive gives no known reason (status 0999)"


def test_requests_stay_small_and_lengths_are_right(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"x" * 1000)
    one = Parcel(tmp_path / "a", "a", 1, 1000, "1", "2", "3", "4", "5")
    assert [len(batch) for batch in batches([one] * 120)] == [50, 50, 20]
    body = Body([one] * 3)
    assert len(body) == len(b"".join(body))
    cut = Parcel(tmp_path / "a", "a", 1, 1001, "1", "2", "3", "4", "5")
    with pytest.raises(ArchiveError, match="a became shorter while it was sent"):
        b"".join(Body([cut]))


def test_contexts_stay_within_their_number() -> None:
    """128 at most, each with its own encoding as long as that is possible (PS3.8 section 7.1.1.13)."""
    assert len(_storage(["1.2"])) == len({context.transfer_syntax[0] for context in _storage(["1.2"])}) == 16
    many = _storage([f"1.2.{at}" for at in range(40)])
    assert len({context.abstract_syntax for context in many}) == 40
    assert len(many) < 128


def test_a_target_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot be written"):
        Landing(tmp_path / "file" / "got", "1", "2", [], largest=1, most=1)
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OutputError, match="holds something else"):
        Landing(tmp_path / "link", "1", "2", [], largest=1, most=1)


@pytest.mark.parametrize("way", ["web", "get"])
def test_a_file_that_goes_while_we_send(way: str, tmp_path: Path, make: ModuleType) -> None:
    folder = make.write_series(tmp_path / "s", make.Recipe(count=3))

    with web_place() if way == "web" else dimse_place(way) as place:
        archive = opened(place, tmp_path)
        store = archive.store

        def store_what_is_gone(parcels: Any, told: Any) -> None:
            for path in folder.iterdir():
                path.unlink()
            store(parcels, told)

        archive.store = store_what_is_gone  # type: ignore[method-assign]
        with pytest.raises(ArchiveError, match=r"cannot be read.*the archive took 0 of 3 objects"):
            send(archive, [folder])
