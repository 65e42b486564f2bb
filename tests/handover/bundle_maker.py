"""Makes bundles for tests: a small true one, and the same with one thing wrong."""

import hashlib
import json
import zipfile
from pathlib import Path
from typing import Any

CASE: dict[str, Any] = {
    "schema": "siteplan-case/1",
    "units": "mm",
    "series": "series",
    "sites": [{"tooth": 36, "crest_mm": [30, 0, 0], "axis": [0, 0, -1], "buccal": [1, 0, 0]}],
}
FINDINGS = b'{"schema": "siteplan-findings/1"}'


def members(case: dict[str, Any] | None = None, **more: bytes) -> dict[str, bytes]:
    """Case and findings, and more members by name (two underscores for a slash, one before the ending)."""
    named = {key.replace("__", "/").replace("_", "."): raw for key, raw in more.items()}
    return {"case.json": json.dumps(case or CASE).encode(), "findings.json": FINDINGS} | named


def manifest(files: dict[str, bytes]) -> dict[str, Any]:
    """The manifest that fits these members."""
    return {
        "schema": "siteplan-bundle/1",
        "software": {"name": "siteplan", "version": "0"},
        "identity": "none",
        "scan": {
            "included": any(name.startswith("series/") for name in files),
            "digest": "0" * 64, "series_uid": "", "modality": "CT", "size_kji": [1, 2, 3],
            "voxel_kji_mm": [0.4, 0.4, 0.4],
        },
        "left_out": [],
        "files": [
            {"name": name, "bytes": len(raw), "sha256": hashlib.sha256(raw).hexdigest()} for name, raw in files.items()
        ],
    }  # fmt: skip


def write(path: Path, files: dict[str, bytes], told: dict[str, Any] | None = None) -> Path:
    """A ZIP file with these members and a manifest."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, raw in files.items():
            archive.writestr(name, raw)
        archive.writestr("manifest.json", json.dumps(manifest(files) if told is None else told))
    return path
