"""The talk at the chair, with scripted input."""

import io
import json
from dataclasses import replace

import pytest

from siteplan import cli
from siteplan.case import load_case
from siteplan.commands import seat
from siteplan.commands._seat_plan import changed_since, place_of
from siteplan.commands.seat import Dialogue
from siteplan.surgery.entries import Entry, Kind, accepted
from siteplan.surgery.record import Record, add_entry, read_record, record_path
from siteplan.surgery.seating_plan import BranchStep, SeatingError, SeatingPlan
from siteplan.surgery.spoken import parse, parse_correction

PLAN = SeatingPlan(
    tooth=36, fixture="any-4.0x10", length_mm=10.0, lead_mm=1.0, apex_mm=10.0, drop_in_mm=1.0, gum_mm=2.0,
    settings_Ncm=(15.0, 25.0, 35.0, 45.0), target_Ncm=(35.0, 45.0), loading_Ncm=32.0, ceiling_Ncm=50.0,
    back_out_turns=2.0, widening_turns=4.0, same_tolerance_turns=0.25, cycles_before_opening=3,
    depth_tolerance_mm=0.7, tighter=(BranchStep("crestal 2.8", "crestal 2.8 to 2 mm"),), looser=("any-4.5x10",),
)  # fmt: skip


def plan(name):
    if name == "unknown":
        raise SeatingError("fixture 'unknown' is in no catalogue file.")
    return replace(PLAN, fixture=name) if name else PLAN


def talk(path, *lines):
    """What is said when these lines are typed."""
    out = io.StringIO()
    record = read_record(path, 36)
    typed = io.StringIO("".join(f"{line}\n" for line in lines))
    assert Dialogue(path, record, plan, typed, out).talk() == 0
    return out.getvalue()


@pytest.fixture
def path(tmp_path):
    return record_path(tmp_path / "case.json")


def test_a_whole_seating_from_hand_to_lot_number(path):
    said = talk(path, "hand 3", "click 15 2", "click 25 2", "click 35 2", "gum 0 40", "lot 4711", "quit")
    assert said.index("by hand, cooled") < said.index("Set the ratchet to 15 N·cm") < said.index("to 45 N·cm")
    assert "Seated." in said
    assert "5.0 mm to go" not in said.split("Seated.")[1]
    record = read_record(path, 36)
    assert record.entries[-1].text == "4711"
    assert record.state.final_Ncm == 40


def test_it_is_taken_up_again_where_it_was_left(path):
    talk(path, "hand 3", "click 15 2")
    said = talk(path, "quit")
    assert "by hand, cooled" not in said
    assert "Set the ratchet to 25 N·cm" in said
    assert "4.0 mm to go" in said
    assert "Taken up again: tooth 36, any-4.0x10, begun 2" in said
    assert "3 entries" in said


def broken_plan(_name):
    return replace(PLAN, broken=("canal: 0.86 mm (0.25 to 1.47), margin 2 mm: breaks the margin",))


def test_no_turn_is_taken_down_before_a_broken_margin_is_answered_for(path):
    out = io.StringIO()
    typed = io.StringIO("hand 3\nnote seen\nYES\nhand 3\nquit\n")
    assert Dialogue(path, read_record(path, 36), broken_plan, typed, out).talk() == 0
    said = out.getvalue()
    assert said.index("STOP") < said.index("Not taken: this fixture does not keep its margin (canal: 0.86 mm")
    kinds = [entry.kind for entry in read_record(path, 36).entries]
    assert kinds == [Kind.STARTED, Kind.NOTE, Kind.ACCEPTED, Kind.TURNED_BY_HAND]
    assert "0.86 mm" in read_record(path, 36).entries[2].text
    # Undone, it is asked again; an answer is for the fixture of then, not for another one.
    out, typed = io.StringIO(), io.StringIO("undo 3\nin 1\nyes\nin 1\n")
    Dialogue(path, read_record(path, 36), broken_plan, typed, out).talk()
    assert out.getvalue().count("Not taken: this fixture") == 1
    assert read_record(path, 36).entries[-1].kind is Kind.TURNED_IN


def test_a_plan_without_broken_margins_asks_nothing(path):
    assert "STOP" not in talk(path, "hand 3", "quit")


def test_the_answer_does_not_hold_for_another_fixture():
    kept = [Entry(Kind.STARTED, plan=PLAN, sequence=1), Entry(Kind.ACCEPTED, text="x", sequence=2)]
    assert accepted(kept)
    assert not accepted([*kept, Entry(Kind.REPLACED, plan=PLAN, sequence=3)])


def test_wrong_words_are_answered_and_nothing_is_kept(path):
    said = talk(
        path, "dance", "hand", "hand minus", "hand 3 4 5", "click 15 1", "hand 900", "undo", "undo x", "with unknown"
    )
    assert said.count("Not taken:") == 9
    assert "'dance' is not known here" in said
    assert "type it as 'hand TURNS'" in said
    assert "does not fit here" in said
    assert "the start cannot be changed" in said
    assert len(read_record(path, 36).entries) == 1


def test_undo_and_correction(path):
    said = talk(path, "hand 3", "click 15 2", "undo", "correct 2 hand 4", "list")
    assert "(undone)" in said
    state = read_record(path, 36).state
    assert state.turns == 4
    assert [entry.kind for entry in read_record(path, 36).entries[-2:]] == [Kind.UNDO, Kind.CORRECTION]


def test_help_lists_what_fits_now(path):
    said = talk(path, "help")
    assert "hand TURNS" in said
    assert "click NCM TURNS" not in said
    assert "lot TEXT" in said


def test_another_fixture_can_be_placed(path):
    said = talk(path, "hand 9", "gum 0 15", "with any-4.5x10")
    assert "Do not load this fixture early" in said
    assert read_record(path, 36).state.plan.fixture == "any-4.5x10"


def test_a_torn_line_is_told(path):
    talk(path, "hand 3")
    with path.open("ab") as file:
        file.write(b'{"tooth": 36, "ki')
    assert "line 3 of case.seating.jsonl cannot be read" in talk(path, "quit")


@pytest.mark.parametrize(
    ("typed", "entry"),
    [
        ("hand 3", (Kind.TURNED_BY_HAND, 3.0, None, None)),
        ("HAND 3,5 turns", (Kind.TURNED_BY_HAND, 3.5, None, None)),
        ("click 35 N·cm 2", (Kind.CLICKED, 2.0, 35.0, None)),
        ("click 35ncm 2 turns", (Kind.CLICKED, 2.0, 35.0, None)),
        ("in 2 above 4.5 mm", (Kind.TURNED_IN, 2.0, None, 4.5)),
        ("depth 1.5", (Kind.DEPTH_CONFIRMED, None, None, 1.5)),
        ("gum", (Kind.MARK_AT_GUM, None, None, None)),
        ("gum 1 40", (Kind.MARK_AT_GUM, 1.0, 40.0, None)),
    ],
)
def test_words_become_entries(typed, entry):
    made = parse(typed)
    assert (made.kind, made.turns, made.torque_Ncm, made.above_gum_mm) == entry


def test_gum_and_mark_can_be_typed():
    assert parse("gum 1 40 mark 4,5 mm").mark_mm == 4.5
    assert parse("gum mark 4").turns is None
    assert parse("thick 3 mm").gum_mm == 3.0
    with pytest.raises(SeatingError, match="belongs to 'gum'"):
        parse("in 2 mark 4")


@pytest.mark.parametrize("typed", ["correct", "correct 3", "correct x hand 3", "correct 3 hand", "correct 3 dance 1"])
def test_a_wrong_correction_is_refused(typed):
    with pytest.raises(SeatingError):
        parse_correction(typed)


@pytest.fixture
def command(monkeypatch):
    """The command line with this command, whether or not it is in its list yet."""
    if "seat" not in cli.COMMANDS:
        monkeypatch.setattr(cli, "COMMANDS", (*cli.COMMANDS, "seat"))
    monkeypatch.setattr(seat, "planner_of", lambda _case, _tooth: plan)
    return cli.main


def test_the_command_talks_shows_and_prints_json(command, tmp_path, monkeypatch, capsys):
    case = tmp_path / "case.json"
    monkeypatch.setattr("sys.stdin", io.StringIO("hand 3\nclick 15 2\nquit\n"))
    assert command(["seat", str(case), "--tooth", "36"]) == 0
    capsys.readouterr()
    assert command(["seat", str(case), "--tooth", "36", "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["next"]["setting_Ncm"] == 25
    assert content["torque_against_depth"] == [{"depth_mm": 6.0, "torque_Ncm": 15.0}]
    assert command(["seat", str(case), "--tooth", "36", "--show"]) == 0
    assert "turned by hand: 3 turns" in capsys.readouterr().out


def test_a_new_record_keeps_the_old_one(command, tmp_path, monkeypatch, capsys):
    case = tmp_path / "case.json"
    for _ in range(2):
        monkeypatch.setattr("sys.stdin", io.StringIO("hand 3\n"))
        assert command(["seat", str(case), "--tooth", "36", "--new"]) == 0
    assert record_path(case).read_text(encoding="utf-8").count('"started"') == 2
    assert isinstance(read_record(record_path(case), 36), Record)


def test_no_record_to_show_is_told(command, tmp_path, capsys):
    assert command(["seat", str(tmp_path / "case.json"), "--tooth", "36", "--show"]) == 1
    assert "there is no such case file, nor a seating record beside it" in capsys.readouterr().err
    (tmp_path / "case.json").write_text("{}", encoding="utf-8")
    assert command(["seat", str(tmp_path / "case.json"), "--tooth", "36", "--show"]) == 1
    assert "has no seating record yet" in capsys.readouterr().err


def test_the_sample_is_seated_from_its_own_case(root, tmp_path, monkeypatch, capsys):
    folder = root / "sample_volumes" / "lower_jaw"
    content = json.loads((folder / "case.json").read_text(encoding="utf-8"))
    content["series"] = str(folder / content["series"])
    case = tmp_path / "case.json"
    case.write_text(json.dumps(content), encoding="utf-8")
    if "seat" not in cli.COMMANDS:
        monkeypatch.setattr(cli, "COMMANDS", (*cli.COMMANDS, "seat"))
    monkeypatch.setattr("sys.stdin", io.StringIO("hand 4\nclick 10 1\nwith demo-compressive-4.5x10\nundo\nquit\n"))
    assert cli.main(["seat", str(case), "--tooth", "36"]) == 0
    said = capsys.readouterr().out
    assert "Ceiling 60 N·cm" in said
    assert "'replaced' does not fit here" in said
    plan_kept = read_record(record_path(case), 36).state.plan
    assert plan_kept.fixture == "demo-compressive-4.0x10"
    # The truth of the sample: platform on the crest, 10 mm long; the planned crest point is bone within 0.3 mm.
    assert plan_kept.apex_mm == pytest.approx(10.0, abs=0.3)
    assert plan_kept.forecast
    assert cli.main(["seat", str(case), "--tooth", "11"]) == 1
    assert "tooth 11 is not planned" in capsys.readouterr().err


def test_what_does_not_fit_is_said_in_words_that_can_be_typed(path):
    said = talk(path, "hand 4", "click 45 1", "click 45 1", "out 2")
    assert "type 'back TURNS', 'gum [TURNS [NCM]] [mark MM]', 'out', 'end'" in said
    assert "if it was backed out, type 'back 2'" in said
    assert "then type: hand TURNS" in said


def test_turns_that_cannot_be_meant_are_not_taken(path):
    # Torque and turns exchanged: 40 turns of 1 mm carry a fixture of 10 mm far past any depth (turns times lead).
    said = talk(path, "hand 4", "gum 40 1")
    assert "40 turns would carry the fixture 35 mm past its planned depth" in said
    assert "'gum [TURNS [NCM]] [mark MM]'" in said
    assert len(read_record(path, 36).entries) == 2


def test_a_correction_of_another_kind_is_refused_instead_of_losing_half_of_it(path):
    # 'click 35 2' over 'in 2' would have kept two turns and dropped the click without a word.
    said = talk(path, "hand 3", "in 2", "correct 3 click 35 2", "correct 2 back 1", "correct 3 in 1.5")
    assert said.count("Not taken: entry") == 2
    assert "entry 3 is 'turned in'" in said
    record = read_record(path, 36)
    assert [entry.kind for entry in record.entries].count(Kind.CORRECTION) == 1
    assert record.state.turns == 4.5


def test_another_fixture_needs_a_name_and_is_not_planned_where_none_fits(path):
    asked = []

    def planner(name):
        asked.append(name)
        return plan(name)

    out, typed = io.StringIO(), io.StringIO("with\nwith any-4.5x10\nquit\n")
    Dialogue(path, read_record(path, 36), planner, typed, out).talk()
    assert "type it as 'with FIXTURE'" in out.getvalue()
    assert "'replaced' does not fit here (turn in by hand); type 'hand TURNS'" in out.getvalue()
    assert asked == [None]  # the scan is not read for a fixture that cannot be placed now


def seat_in_a_case(case, *lines):
    """What the command says for a case file, with these lines typed."""
    typed, out = io.StringIO("".join(f"{line}\n" for line in lines)), io.StringIO()
    record = read_record(record_path(case), 36)
    changed = changed_since(str(case), record) if record.entries else ""
    Dialogue(record_path(case), record, plan, typed, out, changed=changed).talk()
    return out.getvalue()


SITE = {
    "tooth": 36, "fixture": "any-4.0x10", "crest_mm": [10.0, -20.0, 5.0], "axis": [0.0, 0.0, -1.0],
    "buccal": [1.0, 0.0, 0.0],
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, ""),
        ({"notes": "seen twice"}, ""),
        ({"fixture": "any-4.5x8"}, "other values for fixture"),
        ({"crest_mm": [10.0, -20.0, 4.0], "axis": [0.1, 0.0, -1.0]}, "other values for crest, axis"),
        ({"tooth": 37}, "no such tooth any more"),
    ],
)
def test_a_record_taken_up_after_the_plan_was_changed_says_so(tmp_path, change, says):
    case = tmp_path / "case.json"
    base = {"schema": "siteplan-case/1", "units": "mm", "title": "any", "series": "series"}
    case.write_text(json.dumps(base | {"sites": [SITE]}))
    begun = replace(PLAN, site=place_of(load_case(case).case.sites[0]))
    add_entry(record_path(case), Record(36, ()), Entry(Kind.STARTED, plan=begun))
    case.write_text(json.dumps(base | {"sites": [SITE | change]}))
    said = seat_in_a_case(case, "quit")
    assert ("STOP. The case was changed" in said) is bool(says)
    assert says in said
    assert "Taken up again: tooth 36, any-4.0x10, begun" in said
    case.unlink()
    assert "The case cannot be compared with this record" in seat_in_a_case(case, "quit")
