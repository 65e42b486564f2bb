"""A report in a folder that holds an earlier one: its own files go, a stranger's stay, and one sentence says so."""

import json
from pathlib import Path

import pytest

from siteplan.errors import OutputError
from siteplan.report.former import LIST_NAME, clear_former, keep_list

OLD = {"findings.json": b"{}", "site-11-3d.png": b"old", "site-11-across.png": b"old too"}


def written(folder: Path) -> None:
    for name, raw in OLD.items():
        (folder / name).write_bytes(raw)
    keep_list(folder, OLD)


def test_pictures_of_the_former_report_go(tmp_path: Path) -> None:
    written(tmp_path)
    said: list[str] = []
    gone = clear_former(tmp_path, ["findings.json", "site-37-3d.png"], said.append)
    assert {path.name for path in gone} == {"site-11-3d.png", "site-11-across.png"}
    assert {path.name for path in tmp_path.iterdir()} == {"findings.json", LIST_NAME}
    assert len(said) == 1
    assert "site-11-3d.png" in said[0]


def test_what_others_put_there_stays(tmp_path: Path) -> None:
    written(tmp_path)
    (tmp_path / "site-21-3d.png").write_bytes(b"never ours")
    (tmp_path / "site-11-3d.png").write_bytes(b"drawn over by hand")
    said: list[str] = []
    gone = clear_former(tmp_path, ["findings.json"], said.append)
    assert [path.name for path in gone] == ["site-11-across.png"]
    assert (tmp_path / "site-21-3d.png").exists()
    assert (tmp_path / "site-11-3d.png").exists()
    assert "changed since" in said[1]


@pytest.mark.parametrize("name", ["../outside.txt", "/etc/hostname", "below/file"])
def test_a_list_that_leads_elsewhere_takes_nothing(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "report"
    folder.mkdir()
    (tmp_path / "outside.txt").write_bytes(b"x")
    keep_list(folder, {name: b"x"})
    assert clear_former(folder, []) == []
    assert (tmp_path / "outside.txt").exists()


def test_pictures_without_a_list_are_refused(tmp_path: Path) -> None:
    old = {"schema": "siteplan-findings/1", "sites": [{"tooth": 11}]}
    (tmp_path / "findings.json").write_text(json.dumps(old))
    (tmp_path / "site-11-3d.png").write_bytes(b"old")
    with pytest.raises(OutputError, match=r"site-11-3d\.png.*choose an empty folder"):
        clear_former(tmp_path, ["findings.json", "site-37-3d.png"])
    assert (tmp_path / "site-11-3d.png").exists()
    assert clear_former(tmp_path, ["findings.json", "site-11-3d.png"]) == []
