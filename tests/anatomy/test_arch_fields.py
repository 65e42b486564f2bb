"""Arches of jaws without teeth, with metal and cut off by the field, against the curve that the jaw is made of."""

import numpy as np
import pytest

from siteplan.anatomy.arch import find_arch
from siteplan.anatomy.levels import levels_of
from siteplan.errors import GeometryError
from tests.validation.arches import AIR_HU, SOFT_HU, compare, inside_field, make_jaw

WORST_MM = 2.0
"""What a middle line must keep to: half of what a tooth's middle is off its arch (our own)."""


@pytest.mark.parametrize("upper", [False, True])
@pytest.mark.parametrize(
    ("teeth", "metal", "field"),
    [(False, 0, "whole"), (True, 10, "80 mm"), (True, 3, "front 50 mm"), (True, 10, "side 50 mm")],
)
def test_arch_of_what_is_left_of_a_jaw(upper: bool, teeth: bool, metal: int, field: str) -> None:
    made = make_jaw(np.random.default_rng([9, upper, metal]), upper=upper, teeth=teeth, metal=metal, field=field)
    true = inside_field(made)
    arch = find_arch(made.scan, true[len(true) // 3] - [0, 0, -2.0 if upper else 2.0], upper=upper)
    mean, worst, covered = compare(arch, made)
    assert mean < 0.8
    assert worst < WORST_MM
    assert covered > 0.85
    assert "Doubt" not in arch.note
    assert (arch.midline_mm is not None) == (field == "whole")
    assert arch.control_lps_mm[0, 0] < arch.control_lps_mm[-1, 0] or field == "side 50 mm"
    if arch.midline_mm is not None:
        front = made.crest_lps_mm[np.argmin(made.crest_lps_mm[:, 1])]
        assert np.linalg.norm(arch.at(arch.midline_mm)[:2] - front[:2]) < 4.0


def test_the_only_arch_in_a_scan_is_told_to_be_taken_for_the_upper() -> None:
    made = make_jaw(np.random.default_rng(4), upper=True, teeth=True, metal=0, field="whole")
    assert "Only one jaw shows" in find_arch(made.scan, upper=True).note


def test_what_is_no_ridge_is_refused_or_doubted() -> None:
    """The spine is 22 mm across, and the soft tissue beside the jaw holds no bone."""
    made = make_jaw(np.random.default_rng(5), upper=False, teeth=True, metal=0, field="whole")
    assert "more than a ridge" in find_arch(made.scan, (0.0, 58.0, -2.0)).note
    with pytest.raises(GeometryError, match="no bone lies within 8 mm"):
        find_arch(made.scan, (0.0, 20.0, -2.0))


@pytest.mark.parametrize("field", ["whole", "front 50 mm"])
def test_metal_leaves_air_and_soft_tissue_their_grey(field: str) -> None:
    """Against the values that the jaw is made of; ten crowns fill the top of the scale."""
    made = make_jaw(np.random.default_rng(6), upper=True, teeth=True, metal=10, field=field)
    levels = levels_of(made.scan)
    assert levels.air == pytest.approx(AIR_HU, abs=40)
    assert levels.soft == pytest.approx(SOFT_HU, abs=40)
    assert 1400 < levels.bone < 2200
