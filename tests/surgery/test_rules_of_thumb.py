"""What surgeons tell each other about preparation: common practice without a source, held by kit and protocol."""

import pytest

from siteplan.surgery.kit import Purpose
from siteplan.surgery.sequence import Reach
from tests.surgery.made_card import CATALOGUE, CORTEX, KIT, card, classes


@pytest.mark.parametrize("diameter", ["3.0", "3.5", "4.0"])
def test_in_soft_upper_jaw_bone_the_pilot_alone_serves_up_to_four_millimetres(diameter):
    made = card(f"demo-compressive-{diameter}x10", classes(D4=1.0), jaw="upper")
    # common practice, no source
    assert [step.drill.purpose for step in made.steps] == [Purpose.PILOT]
    assert not made.problems


@pytest.mark.parametrize("diameter", ["3.5", "4.0"])
def test_in_dense_lower_jaw_bone_a_shaping_drill_comes_before_the_fixture(diameter):
    made = card(f"demo-compressive-{diameter}x10", classes(D2=1.0))
    # common practice, no source
    assert [step.drill.purpose for step in made.steps] == [Purpose.PILOT, Purpose.SHAPING]


def test_above_four_millimetres_soft_bone_needs_more_than_the_pilot():
    # common practice, no source: the pilot alone serves up to about 4.0 mm
    wide = card("demo-compressive-4.5x10", classes(D4=1.0), jaw="upper")
    assert [step.drill.purpose for step in wide.steps] == [Purpose.PILOT, Purpose.SHAPING]


@pytest.mark.parametrize(("jaw", "purposes"), [("upper", 1), ("lower", 2)])
def test_without_a_density_the_jaw_decides_between_pilot_alone_and_shaping(jaw, purposes):
    # common practice, no source: soft upper jaw, denser lower jaw
    assert len(card("demo-compressive-4.0x10", None, jaw=jaw).steps) == purposes


@pytest.mark.parametrize(("diameter", "opened"), [("3.5", False), ("4.0", False), ("4.5", True), ("5.0", True)])
def test_the_crest_is_opened_in_steps_that_follow_the_fixture_and_the_depth_hole_stays(diameter, opened):
    # common practice, no source: a compressive thread condenses cancellous bone itself, only the cortex is opened
    made = card(f"demo-compressive-{diameter}x10", classes(D2=1.0))
    crest = [step.drill.diameter_mm for step in made.steps if step.reach is Reach.CREST]
    full = [step.drill.diameter_mm for step in made.steps if step.reach is Reach.FULL]
    assert bool(crest) is opened
    assert max(full) <= 2.5
    if opened:
        assert max(full) == 2.5, "a wider fixture does not ask for a wider hole to depth"
        neck = CATALOGUE.get(f"demo-compressive-{diameter}x10").neck_mm
        wider = [d.diameter_mm for d in KIT.drills(Purpose.CRESTAL) if max(crest) < d.diameter_mm]
        # The last step is the widest drill of the kit that the neck still fills.
        assert max(crest) <= neck
        assert not wider or min(wider) > neck - 0.1


def test_one_drill_less_first():
    # common practice, no source: too little can be mended, too much only by a wider fixture
    made = card("demo-compressive-5.0x10", classes(D2=1.0))
    assert made.pauses[0].after_step == 1
    assert "one drill less" in made.pauses[0].why.text or "one drill less" in made.pauses[0].what
    assert any("one drill less first" in caution for caution in made.cautions)
    harder = card("demo-compressive-5.0x10", classes(D3=1.0))
    assert len(harder.tighter.steps) >= 1, "what was left out stands in the tighter branch"
    assert not {s.drill.name for s in harder.tighter.steps} & {s.drill.name for s in harder.steps}


def test_wider_fixtures_need_the_crest_opened_and_only_the_crest():
    made = card("demo-compressive-5.0x10", classes(D2=1.0))
    crest = [step for step in made.steps if step.reach is Reach.CREST]
    # common practice, no source: crestal cortex only, in steps, up to the neck
    assert len(crest) > 1
    assert made.steps[-1] is crest[-1]
    assert max(step.drill.diameter_mm for step in crest) <= CATALOGUE.get("demo-compressive-5.0x10").neck_mm
    for step in crest:
        assert CORTEX.value <= step.tip_below_bone_mm - step.drill.point_length_mm <= CORTEX.high
    full = [step for step in made.steps if step.reach is Reach.FULL]
    assert max(step.drill.diameter_mm for step in full) == 2.5
