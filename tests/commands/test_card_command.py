"""The drilling card on the terminal, from the sample patient that comes with the project."""

import json
import re

import pytest

from siteplan import cli


@pytest.fixture
def card(root, monkeypatch, capsys):
    """Run the command on the lower-jaw sample; returns (exit code, standard output, standard error)."""
    if "card" not in cli.COMMANDS:
        monkeypatch.setattr(cli, "COMMANDS", (*cli.COMMANDS, "card"))

    def run(*args):
        code = cli.main(["card", str(root / "sample_volumes" / "lower_jaw" / "case.json"), *args])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_the_card_says_where_to_stop_and_how_deep_the_tip_is(card):
    code, said, _ = card("--tooth", "36")
    assert code == 0
    assert re.search(r"1\. pilot 2\.0, full length: until .* is level with the gum surface; the tip is then \d", said)
    assert "never above 60" in said
    assert "Torque forecast" in said
    assert ", line " not in said


def test_the_first_lines_say_what_the_fixture_itself_breaks(card):
    _, said, _ = card("--tooth", "37")
    first = said.splitlines()[1]
    assert first.startswith("! the fixture itself does not keep its margin")
    assert re.search(r"mandibular canal: 0\.\d\d mm \(.*\), margin 2 mm: breaks the margin", first)
    assert "make the rest itself" not in said
    assert "do not let the fixture make up for it" in said
    # The mark that was not taken, and why, stand there without --explain.
    assert re.search(r"not deeper: the 12 mm mark would come to mandibular canal: 2\.\d\d mm", said)
    assert "; with a free hand" in said
    assert "Drilled with a free hand (assumed: the case does not say)." in said
    assert "chance of touching root of 34: under 0." in said
    assert ": 0.0 %" not in said


def test_explain_traces_every_reason_to_a_measure_or_a_line(card):
    _, said, _ = card("--tooth", "36", "--explain")
    reasons = [line for line in said.splitlines() if line.strip().startswith("why:")]
    assert len(reasons) >= 8
    assert all(re.search(r"\[(demo-\w+\.toml, line \d+|measure |plan: )", line) for line in reasons)


def test_json_holds_every_site_and_nothing_else_is_printed(card):
    _, said, _ = card("--json")
    assert [site["tooth"] for site in json.loads(said)] == [35, 36, 37]


def test_a_tooth_that_is_not_planned_is_told(card):
    code, _, said = card("--tooth", "48")
    assert code == 1
    assert "tooth 48 is not planned here; planned are 35, 36, 37" in said
