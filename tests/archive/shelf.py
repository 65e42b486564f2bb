"""What a small archive keeps, and how it finds it: written with pydicom alone, nothing of the code under test."""

import fnmatch
import io
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pydicom
from pydicom.dataset import Dataset

UNIQUE = {"STUDY": "StudyInstanceUID", "SERIES": "SeriesInstanceUID", "IMAGE": "SOPInstanceUID"}


class Shelf:
    """Files by SOP Instance UID."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.headers: dict[str, Dataset] = {}
        self.withheld: set[str] = set()
        self.lock = threading.Lock()

    def add(self, data: bytes) -> str:
        header = pydicom.dcmread(io.BytesIO(data), stop_before_pixels=True)
        uid = str(header.SOPInstanceUID)
        with self.lock:
            self.files[uid], self.headers[uid] = data, header
        return uid

    def add_folder(self, folder: Path) -> None:
        for path in sorted(folder.iterdir()):
            self.add(path.read_bytes())

    def find(self, level: str, keys: dict[str, str]) -> list[Dataset]:
        """One header for each entity of a level that matches, with the counts of PS3.4 table C.6-1 ff. added."""
        found: dict[str, list[Dataset]] = {}
        for _, header in sorted(self.headers.items()):
            if all(matches(header, key, value) for key, value in keys.items() if value):
                found.setdefault(str(header[UNIQUE[level]].value), []).append(header)
        out = []
        for headers in found.values():
            one = Dataset()
            one.update(headers[0])
            one.ModalitiesInStudy = sorted({str(header.Modality) for header in headers})
            one.NumberOfStudyRelatedSeries = len({header.SeriesInstanceUID for header in headers})
            one.NumberOfStudyRelatedInstances = one.NumberOfSeriesRelatedInstances = len(headers)
            out.append(one)
        return out

    def of_series(self, series_uid: str, uids: Iterable[str] = ()) -> list[bytes]:
        chosen = set(uids)
        return [
            self.files[uid]
            for uid, header in sorted(self.headers.items())
            if str(header.SeriesInstanceUID) == series_uid
            and (not chosen or uid in chosen)
            and uid not in self.withheld
        ]


def matches(header: Dataset, key: str, value: str) -> bool:
    """Matching of PS3.4 section C.2.2.2 as far as tests need it."""
    if key == "ModalitiesInStudy":
        key = "Modality"
    stored: Any = str(header.get(key, ""))
    if key == "StudyDate" and "-" in value:
        low, high = value.split("-")
        return (not low or stored >= low) and (not high or stored <= high)
    if key == "PatientName":
        return fnmatch.fnmatchcase(stored.upper(), value.upper())
    return value in (stored, "*") or stored in value.split("\\")
