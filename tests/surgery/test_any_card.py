"""What must hold of a drilling card for every kit, fixture, bone and canal that can be put together."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siteplan.bone import DensityClass
from siteplan.fixture import Design
from siteplan.fixture.design import Shape, make_fixture
from siteplan.measures import Measure
from siteplan.surgery.kit import Drill, Kit, KitFile, Purpose, Ratchet, Stop
from siteplan.surgery.sequence import Reach
from tests.surgery.made_card import KIT, ORDER, PROTOCOL, canal, card

lengths = st.floats(1.0, 25.0)


@st.composite
def drills(draw, number):
    purpose = draw(st.sampled_from(ORDER)) if number else Purpose.PILOT
    marks = sorted(set(draw(st.lists(st.integers(1, 22), min_size=1, max_size=9))))
    return Drill(
        name=f"drill {number}",
        purpose=purpose,
        diameter_mm=round(draw(st.floats(1.0, 5.0)), 2),
        point_angle_deg=draw(st.sampled_from([60.0, 90.0, 118.0, 120.0, 180.0])),
        marks_mm=[float(m) for m in marks],
        marks_count_from=draw(st.sampled_from(["shoulder", "tip"])),
        max_depth_mm=float(marks[-1] + draw(st.integers(0, 3))),
        speed_per_min=(300.0, 900.0),
        irrigation="saline",
        source="invented",
    )


@st.composite
def kits(draw):
    made = [draw(drills(n)) for n in range(draw(st.integers(1, 9)))]
    stops = [
        Stop(name=f"stop {n}", depth_mm=draw(st.floats(2.0, 20.0)), fits_diameter_mm=(1.0, 4.0))
        for n in range(draw(st.integers(0, 3)))
    ]
    file = KitFile(
        schema="siteplan-kit/1", name="any", units="mm", drill=made, stop=stops,
        ratchet=Ratchet(settings_Ncm=[20.0, 40.0], source="invented"),
    )  # fmt: skip
    return Kit(file, KIT.lines)


@st.composite
def fixtures(draw):
    length = draw(st.floats(6.0, 20.0))
    core = draw(st.floats(1.5, 4.2))
    shape = Shape(
        outer_diameter_mm=core + draw(st.floats(0.3, 2.5)), core_diameter_mm=core,
        shaft_diameter_mm=core + draw(st.floats(0.0, 1.0)), smooth_mm=draw(st.floats(0.0, 2.0)), thread_mm=None,
        taper_deg=draw(st.floats(0.0, 2.0)), tip_diameter_mm=0.5, tip_mm=1.0, neck_diameter_mm=core,
        transgingival_mm=2.0, abutment_diameter_mm=3.0, abutment_top_diameter_mm=2.0, abutment_height_mm=5.0,
        thread_lead_mm=1.0,
    )  # fmt: skip
    return make_fixture("any", draw(st.sampled_from(list(Design))), shape, length, source="invented")


@st.composite
def densities(draw):
    if draw(st.booleans()):
        return None
    weights = [draw(st.floats(0.0, 1.0)) for _ in range(5)]
    total = sum(weights) or 1.0
    shares = {f"D{n + 1}": w / total for n, w in enumerate(weights)}
    return DensityClass("five-class", "D3", shares, draw(st.booleans()), "", "")


def distance_to_canal(step, roof_mm, radius_mm, buccal_mm):
    """Shortest distance of the drill's surface to a straight tube across the axis, by points, not by our own code.

    The canal runs along the distal direction, so only depth and buccal offset count: a plane problem in which the
    drill is its own outline, mirrored, and the canal a disc.
    """
    drill, tip = step.drill, step.tip_below_bone_mm
    length = drill.diameter_mm / 2 / math.tan(math.radians(drill.point_angle_deg / 2))
    t = np.linspace(0.0, 1.0, 400)
    cone = np.stack([tip - t * length, t * drill.diameter_mm / 2])
    side = np.stack([np.linspace(tip - length, min(0.0, tip - length), 400), np.full(400, drill.diameter_mm / 2)])
    depth, radius = np.concatenate([cone, side], axis=1)
    gap = np.hypot(depth - roof_mm - radius_mm, np.maximum(abs(buccal_mm) - radius, 0.0))
    return float(gap.min()) - radius_mm


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kit=kits(), fixture=fixtures(), density=densities(), jaw=st.sampled_from(["upper", "lower"]),
    platform=st.floats(-3.0, 3.0), gum=st.none() | st.floats(0.0, 5.0), roof=st.floats(2.0, 30.0),
    beside=st.floats(-6.0, 6.0), cortex=st.floats(0.0, 4.0), spread=st.floats(0.0, 1.5),
)  # fmt: skip
def test_no_card_is_too_deep_too_wide_or_out_of_order(
    kit, fixture, density, jaw, platform, gum, roof, beside, cortex, spread
):
    measured = Measure(cortex, "mm", max(cortex - spread, 0.0), cortex + spread)
    made = card(
        fixture, density, jaw, platform, "flap" if gum is None else "flapless", gum,
        [canal(roof, 1.5, beside)], kit=kit, cortex=measured,
    )  # fmt: skip
    above = gum or 0.0
    apex = platform + fixture.length_mm
    limits = PROTOCOL.file.limits
    neck = 2 * float(np.interp(-platform, fixture.core.z_mm, fixture.core.r_mm))
    denser = PROTOCOL.classes[: PROTOCOL.classes.index(made.bone) + 1]
    rules = [PROTOCOL.rule(str(fixture.design), bone) for bone in denser]
    for part, allowed in ((made.steps, rules[-1:]), (made.tighter.steps, rules)):
        for step in part:
            drill = step.drill
            point = drill.diameter_mm / 2 / math.tan(math.radians(drill.point_angle_deg / 2))
            beyond = point if drill.marks_count_from == "shoulder" else 0.0
            assert step.tip_depth_mm == pytest.approx(step.mark_mm + beyond)
            assert step.tip_below_bone_mm == pytest.approx(step.tip_depth_mm - above)
            assert step.mark_mm in drill.marks_mm or step.stop is not None
            assert step.mark_mm <= drill.max_depth_mm
            shoulder = step.tip_below_bone_mm - point
            if step.reach is Reach.CREST:
                assert shoulder <= measured.high + 1e-6
                assert drill.diameter_mm <= max(neck - rule.crest_under_neck_mm for rule in allowed) + 1e-6
            else:
                assert shoulder <= apex + 1e-6
                assert step.tip_below_bone_mm <= apex + limits.tip_beyond_apex_mm + 1e-6
                if drill.purpose is not Purpose.TAP:
                    widest = max(
                        min(fixture.core_diameter_mm - rule.under_core_mm, rule.widest_to_depth_mm or 99.0)
                        for rule in allowed
                    )
                    assert drill.diameter_mm <= widest + 1e-6
            assert distance_to_canal(step, roof, 1.5, beside) >= 2.0 - 0.01
    ranks = [ORDER.index(step.drill.purpose) for step in made.steps]
    assert ranks == sorted(ranks)
    for reach in Reach:
        widths = [s.drill.diameter_mm for s in made.steps if s.reach is reach and s.drill.purpose is not Purpose.TAP]
        assert widths == sorted(set(widths))
    full = [s.tip_below_bone_mm - s.drill.point_length_mm for s in made.steps if s.reach is Reach.FULL]
    assert all(later <= earlier + 1e-6 for earlier, later in pairwise(full))
    assert made.steps or made.problems
    assert made.tighter.steps or made.tighter.reasons
    assert made.looser.fixtures or made.looser.reasons
