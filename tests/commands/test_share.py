"""`siteplan share`: files for a colleague, and no name unless it is asked for."""

import json

from siteplan.cli import main


def test_share_lists_what_it_wrote_and_keeps_the_name_out(root, tmp_path, capsys):
    case = root / "sample_volumes" / "upper_jaw" / "case.json"
    assert main(["share", str(case), "--out", str(tmp_path / "out"), "--json"]) == 0
    said = capsys.readouterr()
    content = json.loads(said.out)
    assert said.err == ""
    assert content["identity"] == "none"
    assert sorted(content["files"]) == sorted(str(path) for path in (tmp_path / "out").iterdir())
    label = json.loads(case.read_text())["patient_label"].encode()
    assert all(label not in path.read_bytes() for path in (tmp_path / "out").iterdir())
