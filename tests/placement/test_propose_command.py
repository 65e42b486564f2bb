"""`siteplan propose`: JSON and nothing else, or one sentence that says what is wrong."""

import argparse
import json
from pathlib import Path

import pytest

from siteplan.commands import propose
from siteplan.errors import CaseError
from siteplan.fixture import load_catalogue


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    propose.add_parser(parser.add_subparsers())
    return parser.parse_args(["propose", *words])


@pytest.fixture
def case_file(root: Path) -> Path:
    file = root / "sample_volumes/lower_jaw/case.json"
    if not file.is_file():
        pytest.skip("the sample volumes are not there")
    return file


def test_json_holds_places_reasons_and_cautions(case_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tooth = json.loads(case_file.read_text())["sites"][0]["tooth"]
    words = ("--tooth", str(tooth), "--most", "2", "--design", "two-piece", "--json")
    args = parsed(str(case_file), *words)
    assert args.run(args) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["tooth"] == tooth
    assert found["cautions"]
    assert 1 <= len(found["proposals"]) <= 2
    names = load_catalogue().names
    for place in found["proposals"]:
        assert place["fixture"] in names
        assert place["design"] == "two-piece"
        for c in place["clearances"]:
            assert {"structure", "value", "low", "high", "unit", "margin", "margin_source", "verdict", "at_mm"} <= set(
                c
            )
            assert c["unit"] == "mm"
            assert c["value"] >= c["margin"] - 0.01


def test_all_sites_of_a_jaw_come_with_the_row_they_make(case_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Spacing is exact distance between bodies; 3.0 mm: Tarnow DP et al., 2000, J Periodontol 71:546-549."""
    args = parsed(str(case_file), "--all", "--most", "2", "--design", "two-piece", "--json")
    assert args.run(args) == 0
    (jaw,) = json.loads(capsys.readouterr().out)["jaws"]
    planned = {str(site["tooth"]) for site in json.loads(case_file.read_text())["sites"]}
    assert set(jaw["sites"]) == planned
    together = jaw["together"]
    assert set(together["chosen"]) == set(jaw["why"]) == planned
    assert all(c["value"] >= 3.0 for c in together["spacing"])
    assert together["common_cone_half_angle_deg"] <= 5.0
    assert not jaw["short"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--tooth", "11"), "plans no tooth 11; it plans"),
        (("--tooth", "{tooth}", "--most", "0"), "at least one proposal"),
        (("--tooth", "{tooth}", "--tilt", "90"), "an angle from 0 to 45 degrees"),
        (("--tooth", "{tooth}", "--design", "round"), "'round' is no design; use one of"),
        (("--tooth", "{tooth}", "--parallel", "8"), "it belongs to --all"),
        (("--all", "--parallel", "0"), "an angle from 0 to 60 degrees"),
    ],
)
def test_one_sentence_for_each_mistake(case_file: Path, words: tuple[str, ...], said: str) -> None:
    tooth = json.loads(case_file.read_text())["sites"][0]["tooth"]
    args = parsed(str(case_file), *(w.format(tooth=tooth) for w in words), "--json")
    with pytest.raises(CaseError, match=said) as caught:
        args.run(args)
    assert "\n" not in str(caught.value)
