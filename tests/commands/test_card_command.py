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
