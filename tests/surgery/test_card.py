"""The drilling card: facts of the trade, handbook geometry, and one card for each rule."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from siteplan.anatomy import Cone, Kind, MadeBy, Structure, Tube
from siteplan.bone import DensityClass
from siteplan.commands.card import _by_program
from siteplan.errors import GeometryError
from siteplan.fixture import Design, Pose
from siteplan.fixture.design import make_fixture
from siteplan.flags import Flag
from siteplan.measures import Measure
from siteplan.placement import Clearance, Verdict, clearance, fixture_to_fixture
from siteplan.placement.hand import hands
from siteplan.placement.margins import BUCCAL_BONE
from siteplan.surgery import load_protocol
from siteplan.surgery.kit import Kit, Purpose
from siteplan.surgery.sequence import Reach
from tests.surgery.made_card import CATALOGUE, FRAME, KIT, MARGINS, canal, card, classes, names


def test_hard_bone_is_tapped_to_depth_before_a_two_piece_fixture():
    made = card("demo-two-piece-4.0x10", classes(D1=1.0))
    # common practice, no source
    assert (made.steps[-1].drill.purpose, made.steps[-1].mark_mm) == (Purpose.TAP, 10)
    assert made.problems == ()


@pytest.mark.parametrize("bone", ["D1", "D2", "D3", "D4", "D5"])
def test_every_fixture_of_the_catalogue_has_a_card_without_problems_in_every_class(bone):
    for fixture in CATALOGUE.fixtures:
        made = card(fixture, classes(**{bone: 1.0}))
        assert made.steps, fixture.name
        assert made.problems == (), fixture.name
        assert made.steps[0].short_of_goal_mm <= 1.0


def test_a_crest_mark_that_leaves_cortex_closed_says_so():
    made = card("demo-compressive-5.0x10", classes(D2=1.0), approach="flapless", gum=2.7)
    crest = next(step for step in made.steps if step.reach is Reach.CREST)
    # Marks stand every half millimetre: 4.5 from the gum is 1.8 in bone, enough; a cortex of 2.2 is not passed.
    assert not any("closed" in reason.text for reason in crest.why)
    thick = card("demo-compressive-5.0x10", classes(D2=1.0), approach="flapless", gum=2.7,
                 cortex=Measure(2.2, "mm", 2.1, 2.29))  # fmt: skip
    crest = next(step for step in thick.steps if step.reach is Reach.CREST)
    assert any("leaves about 0.4 mm of it closed" in reason.text for reason in crest.why)


def test_pauses_come_before_what_cannot_be_mended():
    made = card("demo-compressive-5.0x10", classes(D2=1.0))
    assert [pause.after_step for pause in made.pauses] == [1, 2, len(made.steps)]
    assert "white pine" in made.pauses[0].what


def test_a_crest_that_was_not_measured_is_not_opened_by_guess():
    made = card("demo-compressive-5.0x10", classes(D2=1.0), cortex=Measure.absent("mm", Flag.NO_EDGE_FOUND))
    assert all(step.reach is Reach.FULL for step in made.steps)
    assert any("was not measured" in note.text for note in made.notes)


def test_the_tip_is_one_point_length_deeper_than_the_mark():
    step = card("demo-two-piece-4.0x10", classes(D2=1.0)).steps[0]
    # Machinery's Handbook, twist drill points: L = (D / 2) / tan(A / 2); 2 mm and 120 degrees give 0.5774 mm
    # (drill.point_length_examples, confirmed).
    assert step.mark_mm == 10
    assert step.tip_depth_mm == pytest.approx(10.5774, abs=1e-4)


def test_depth_counts_from_the_gum_when_flapless():
    flap = card("demo-two-piece-4.0x10", classes(D2=1.0)).steps[0]
    flapless = card("demo-two-piece-4.0x10", classes(D2=1.0), approach="flapless", gum=2.0).steps[0]
    assert (flap.reference, flapless.reference) == ("bone crest", "gum surface")
    assert flapless.mark_mm == flap.mark_mm + 2
    assert flapless.tip_depth_mm == pytest.approx(flap.tip_depth_mm + 2)
    assert flapless.tip_below_bone_mm == pytest.approx(flap.tip_below_bone_mm)


def test_a_depth_between_marks_is_rounded_away_from_the_structure():
    step = card("demo-two-piece-4.0x10", classes(D2=1.0), approach="flapless", gum=2.7).steps[0]
    assert (step.mark_mm, step.stop) == (12, None)
    assert step.short_of_goal_mm == pytest.approx(0.7)


def test_the_canal_ends_the_hole_at_the_next_safe_mark_and_the_card_says_what_is_left():
    made = card("demo-two-piece-4.0x10", classes(D2=1.0), structures=[canal(12.2)])
    step = made.steps[0]
    # The 10 mm mark would bring the tip to 10.577, 1.6 mm above the roof: less than the margin of 2.0.
    assert (step.mark_mm, step.stop) == (9, "stop 9")
    assert step.clearances[0].distance.value == pytest.approx(12.2 - 9.5774, abs=2e-3)
    # The fixture itself comes to 2.2 mm with an interval that holds the margin: it must not make up for the rest.
    short = next(problem.text for problem in made.problems if "1.00 mm short" in problem.text)
    assert "10 mm mark would come to canal: 1.62 mm" in short
    assert "do not let the fixture make up for it" in short
    assert "make the rest itself" not in short


def test_no_safe_mark_gives_no_step_and_says_why():
    made = card("demo-two-piece-4.0x10", classes(D2=1.0), structures=[canal(7.0)])
    assert made.steps == ()
    assert any("canal" in problem.text for problem in made.problems)


def test_a_straddling_density_starts_with_less_bone_removed():
    both = card("demo-two-piece-4.0x10", classes(D2=0.6, D3=0.4))
    hard, soft = (card("demo-two-piece-4.0x10", classes(**{c: 1.0})) for c in ("D2", "D3"))
    assert both.bone == "D3"
    assert names(both.steps) == names(soft.steps) != names(hard.steps)
    assert "shaping 3.0" in names(both.tighter.steps)


def test_without_a_calibration_the_jaw_has_a_say():
    grey = DensityClass("five-class", "D1", {"D1": 1.0}, False, "", "")
    assert card("demo-two-piece-4.0x10", grey).bone == "D2"
    assert card("demo-two-piece-4.0x10", None, jaw="upper").bone == "D4"


def test_the_tighter_branch_opens_the_crest_first():
    made = card("demo-two-piece-4.0x10", classes(D4=1.0))
    reaches = [step.reach for step in made.tighter.steps]
    assert reaches == sorted(reaches, key=lambda r: r is Reach.FULL)
    assert reaches[0] is Reach.CREST


def test_the_looser_branch_offers_only_fixtures_that_keep_every_margin():
    planned = "demo-two-piece-4.0x10"
    made = card(planned, classes(D4=1.0), structures=[canal(12.7)], alternatives=CATALOGUE.fixtures)
    assert made.looser.fixtures == ("demo-two-piece-4.5x10", "demo-two-piece-5.0x10")
    none = card(planned, classes(D4=1.0), structures=[canal(11.0)], alternatives=CATALOGUE.fixtures)
    assert none.looser.fixtures == ()
    assert "canal: 1.00 mm (0.41 to 1.59), margin 2 mm: breaks the margin" in none.looser.reasons[1].text


def test_the_chance_of_touching_stands_beside_each_step_and_grows_with_depth():
    hand = hands()["free"]
    near = card("demo-two-piece-4.0x10", classes(D2=1.0), structures=[canal(12.6)], hand=hand).steps[0]
    far = card("demo-two-piece-4.0x6", classes(D2=1.0), structures=[canal(12.6)], hand=hand).steps[0]
    assert 0 <= near.risks[0].touch.value < near.risks[0].breach.value < 1
    assert far.risks[0].breach.value < near.risks[0].breach.value
    found = near.as_json()["risks"][0]
    assert (found["structure"], found["hand"], found["margin"]) == ("canal", "free", 2.0)
    assert card("demo-two-piece-4.0x10", classes(D2=1.0), structures=[canal(12.6)]).steps[0].risks == ()


def crown(distal_mm):
    """A neighbouring crown, 8 mm high above the bone, its side 3.5 mm towards the site."""
    ends = [FRAME.to_lps(depth, 0.0, distal_mm) for depth in (-2.0, -9.0)]
    return Structure(Kind.CROWN, "crown", Cone(ends[0], ends[1], 3.5, 3.5))


def test_the_card_says_which_drill_needs_the_extender():
    free = card("demo-two-piece-4.0x14", classes(D2=1.0), structures=[crown(14.0)])
    assert [step.access for step in free.steps] == [""] * len(free.steps)
    kit = Kit(
        KIT.file.model_copy(update={"drill": [d.model_copy(update={"free_length_mm": 22.0}) for d in KIT.file.drill]}),
        KIT.lines,
    )
    close = card("demo-two-piece-4.0x14", classes(D2=1.0), structures=[crown(7.5)], kit=kit)
    # With 22 mm free and the tip 14.6 mm deep the head stands 7.4 mm above bone, below the crown's edge at 9 mm.
    assert "extender" in close.steps[0].access


def test_what_holds_a_failed_fixture_inside_is_not_tried_again():
    tried = []

    def check(fixture):
        tried.append(fixture.name)
        return [clearance(fixture.body, Pose(FRAME.origin_lps_mm, FRAME.axis), canal(11.0), MARGINS)]

    # The canal is known to the check alone, so that every trial is seen.
    made = card("demo-two-piece-3.5x10", classes(D4=1.0), alternatives=CATALOGUE.fixtures, check_fixture=check)
    assert made.looser.fixtures == ()
    assert tried == ["demo-two-piece-4.0x10", "demo-two-piece-3.5x12"]


def test_the_makers_ceiling_comes_first():
    made = card("demo-two-piece-4.0x10", classes(D2=1.0))
    assert made.torque.ceiling_Ncm == 50
    shape = CATALOGUE.get("demo-two-piece-4.0x10").shape
    careful = make_fixture("own", Design.TWO_PIECE, shape, 10.0, torque_ceiling_ncm=20.0)
    goal = card(careful, classes(D2=1.0)).torque
    assert goal.ceiling_Ncm == 20
    assert max(goal.target_Ncm) <= 20


def test_a_flapless_card_needs_the_gum():
    with pytest.raises(GeometryError, match="soft_tissue_mm"):
        card("demo-two-piece-4.0x10", approach="flapless")


def test_every_number_has_a_trace_and_the_whole_is_json():
    made = card("demo-compressive-5.0x10", classes(D2=1.0), structures=[canal(13.0)], alternatives=CATALOGUE.fixtures)
    for step in made.steps:
        assert all(reason.where for reason in step.why)
        assert any("line" in reason.where for reason in step.why)
    again = json.loads(json.dumps(made.as_json(), allow_nan=False))
    assert {"drill", "diameter_mm", "reference", "mark_mm", "tip_depth_mm", "clearances"} <= set(again["steps"][0])


def test_a_depth_that_only_the_point_forbids_is_told_by_the_point():
    # A flat-angled 90 degree point of a 3.8 mm drill is 1.9 mm long (r / tan 45): at the mark of the apex its very tip
    # would pass the apex by more than the 1 mm of the protocol, although its full diameter would not.
    drills = [d.model_copy(update={"point_angle_deg": 90.0}) if d.name == "shaping 3.8" else d for d in KIT.file.drill]
    kit = replace(KIT, file=KIT.file.model_copy(update={"drill": drills}))
    made = card("demo-two-piece-5.0x10", classes(D1=1.0), kit=kit)
    step = next(s for s in made.steps if s.drill.name == "shaping 3.8")
    assert step.mark_mm == 8
    assert "its point is 1.90 mm long" in step.held_back
    assert any(note.text.startswith("shaping 3.8 ends 2.00 mm short") for note in made.notes)
    assert any("the hole is 3.2 mm wide" in note.text for note in made.notes)


def test_every_catalogue_fixture_is_drilled_to_its_apex_by_the_widest_drill_that_its_bone_gets():
    shortest = {f.name.split("x")[0]: f for f in sorted(CATALOGUE.fixtures, key=lambda f: -f.length_mm)}
    for fixture in shortest.values():  # the shortest of each family and diameter: its point has least room
        for bone in ("D1", "D2", "D3", "D4", "D5"):
            made = card(fixture, classes(**{bone: 1.0}))
            bore = [s for s in made.steps if s.reach is Reach.FULL and s.drill.purpose is not Purpose.TAP]
            ends = {s.mark_mm for s in bore}
            # common practice, no source: pilot and shaping drills of one hole are read at one mark
            assert len(ends) == 1, f"{fixture.name} in {bone}: {ends}"


def test_a_wider_pilot_of_the_tighter_branch_widens():
    branch = card("demo-compressive-3.0x10", classes(D2=1.0)).tighter
    assert [s.drill.name for s in branch.steps] == ["pilot 2.0"]
    assert not any("opens the way" in reason.text for reason in branch.steps[0].why)
    assert any("widens the hole" in reason.text for reason in branch.steps[0].why)


def test_a_warning_names_no_branch_that_holds_nothing():
    hard = card("demo-compressive-4.0x14", classes(D1=1.0))
    assert not hard.tighter.steps
    said = " ".join(hard.forecast.warnings)
    assert "ceiling" in said
    assert "tighter branch" not in said
    soft = card("demo-compressive-3.5x10", classes(D4=1.0), jaw="upper")
    assert not soft.looser.fixtures
    assert "healing without load" in " ".join(soft.forecast.warnings)
    assert "looser branch" not in " ".join(soft.forecast.warnings)


@pytest.mark.parametrize(("bone", "lacks"), [("D1", True), ("D4", False)])
def test_a_kit_without_the_drills_that_dense_bone_asks_for_is_a_problem(bone, lacks):
    # common practice, no source: a 4.0 mm fixture is never forced into dense bone behind a thin pilot alone; in soft
    # upper-jaw bone the pilot alone serves it.
    bare = [d for d in KIT.file.drill if d.name == "pilot 1.5"]
    kit = replace(KIT, file=KIT.file.model_copy(update={"drill": bare}))
    made = card("demo-compressive-4.0x10", classes(**{bone: 1.0}), kit=kit)
    said = [problem.text for problem in made.problems]
    assert [text.partition(":")[0] for text in said] == (
        ["the kit lacks a drill", "the kit lacks a crestal drill"] if lacks else []
    )


def own_protocol(tmp_path, old, new):
    text = (Path(__file__).resolve().parents[2] / "siteplan/surgery/protocols/demo-protocol.toml").read_text("utf-8")
    path = tmp_path / "own.toml"
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return load_protocol(path)


def test_a_class_that_the_protocol_has_no_label_for_is_told_and_not_passed_over(tmp_path):
    # A protocol of somebody's own that calls the class otherwise: the calibrated density is known, its label is not.
    own = own_protocol(tmp_path, 'labels = ["D3", "normal", "Q2/Q3", "type 2/3"]', 'labels = ["balsa"]')
    said = [reason.text for reason in card("demo-two-piece-4.0x10", classes(D3=0.85, D2=0.15), protocol=own).reasons]
    assert any("D3 (85 %), is no label of any class in own.toml" in text for text in said)
    assert not any("no calibrated density" in text for text in said)
    # Half of it known: the known class stands beside the jaw's usual one.
    half = card("demo-two-piece-4.0x10", classes(D3=0.5, D4=0.5), protocol=own)
    assert any("D4 bone with probability 50 %" in reason.text for reason in half.reasons)
    assert any("D3 (50 %)" in reason.text for reason in half.reasons)


def test_no_class_probable_enough_is_not_called_no_density(tmp_path):
    own = own_protocol(tmp_path, "straddle_probability = 0.2", "straddle_probability = 0.9")
    said = [reason.text for reason in card("demo-two-piece-4.0x10", classes(D3=0.5, D2=0.5), protocol=own).reasons]
    assert said == ["D2 bone is usual in the lower jaw, and no class is as probable as the 90 % that own.toml asks for"]


def test_what_stands_aside_does_not_forbid_the_fixture_to_go_the_last_bit_down():
    # Marks from the tip leave the full diameter a point length short of the apex. A fixture beside it that is too
    # near is a problem of its own: turned in deeper, this one comes no nearer to it.
    fixture, drill = CATALOGUE.get("demo-two-piece-4.0x10"), KIT.file.drill[1]
    short = drill.model_copy(update={"marks_count_from": "tip", "marks_mm": [9.3]})
    kit = Kit(KIT.file.model_copy(update={"drill": [short], "stop": []}), KIT.lines)
    pose = Pose(FRAME.to_lps(0.0, 0.0, 0.0), FRAME.axis)
    beside = fixture_to_fixture(
        fixture.body, pose, fixture.body, Pose(FRAME.to_lps(0.0, 0.0, 5.5), FRAME.axis), MARGINS, name="fixture 37"
    )
    under = clearance(fixture.body, pose, canal(11.0), MARGINS)
    assert not beside.verdict.good
    assert not under.verdict.good
    for found, held in ((beside, False), (under, True)):
        made = card(fixture, classes(D3=1.0), kit=kit, clearances=[found])
        assert any("do not let the fixture make up for it" in p.text for p in made.problems) is held
        assert any("the fixture has to make the rest itself" in n.text for n in made.notes) is not held


def test_the_terminal_names_what_no_person_has_confirmed():
    found = replace(canal(14.0), made_by=MadeBy.FOUND)
    for structure, words in ((found, " (not confirmed)"), (canal(14.0), "")):
        made = card("demo-two-piece-4.0x10", classes(D3=1.0), structures=[structure])
        assert {_by_program(c) for step in made.steps for c in step.clearances} == {words}


def test_a_makers_low_ceiling_does_not_lower_what_early_loading_asks_for():
    # Ottoni JMP et al., 2005: above 32 N.cm for immediately restored single fixtures; a ceiling of 30 changes no bone.
    fixture = replace(CATALOGUE.get("demo-two-piece-4.0x10"), torque_ceiling_ncm=30.0, torque_target_ncm=None)
    goal = card(fixture, classes(D3=1.0)).torque
    assert (goal.loading_Ncm, goal.ceiling_Ncm) == (32.0, 30.0)
    assert goal.target_Ncm[1] <= 30.0
    assert "no torque within this ceiling reaches" in goal.why.text
    usual = card("demo-two-piece-4.0x10", classes(D3=1.0)).torque
    assert "no torque within" not in usual.why.text


def test_a_handpiece_that_the_kit_does_not_describe_is_said_not_to_be_checked():
    # A free length that was guessed would put the head higher or lower than it is.
    headless = Kit(KIT.file.model_copy(update={"handpiece_head": None}), KIT.lines)
    bare = [drill.model_copy(update={"free_length_mm": None}) for drill in KIT.file.drill]
    for kit, said in (
        (headless, "describes no head of the handpiece"),
        (Kit(KIT.file.model_copy(update={"drill": bare}), KIT.lines), "gives no free length of pilot 2.0, "),
        (KIT, ""),
    ):
        made = card("demo-two-piece-4.0x10", classes(D3=1.0), kit=kit)
        told = [note.text for note in made.notes if "not checked" in note.text]
        assert len(told) == bool(said)
        assert all(said in text for text in told)
        assert all((step.handpiece is None) is bool(said) for step in made.steps)


def test_a_drill_is_no_surer_of_a_canal_that_is_not_drawn_beside_it_than_the_fixture():
    # The drawn part ends 6 mm in front of the site, 12 mm deep: what runs on beneath it is not known.
    ends = [FRAME.to_lps(12.0, 0.0, distal) for distal in (-30.0, -6.0)]
    short = Structure(Kind.CANAL, "canal", Tube(np.array(ends), np.full(2, 1.5)))
    foramen = Structure(Kind.MENTAL_FORAMEN, "foramen", Tube(FRAME.to_lps(12.0, 4.0, -6.0)[None], np.array([1.5])))
    made = card("demo-two-piece-4.0x10", classes(D3=1.0), structures=[short])
    assert {step.clearances[0].verdict for step in made.steps} == {Verdict.CANNOT_BE_TOLD}
    assert all("keeps every margin beyond doubt" in step.held_back for step in made.steps)
    assert any("cannot be told, because it is not drawn beside this place" in p.text for p in made.problems)
    assert made.looser.fixtures == ()
    ended = card("demo-two-piece-4.0x10", classes(D3=1.0), structures=[short, foramen])
    assert {step.clearances[0].verdict for step in ended.steps} == {Verdict.KEEPS}


def test_of_the_bone_on_one_side_a_card_names_the_gravest_place_once():
    margin = MARGINS.of(BUCCAL_BONE)
    found = [
        Clearance(f"buccal bone, from {n} mm below the crest", BUCCAL_BONE, Measure(value, "mm", value - 0.1,
                  value + 0.1), None, margin, Verdict.BREAKS)
        for n, value in ((1, 0.7), (2, 0.6), (3, 0.9))
    ]  # fmt: skip
    made = card("demo-two-piece-4.0x10", classes(D3=1.0), clearances=found)
    assert [p.text for p in made.problems if "buccal" in p.text] == [made.fixture_verdicts[0].text]
    assert "from 2 mm" in made.fixture_verdicts[0].text
