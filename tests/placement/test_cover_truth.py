"""Bone beside a body against the shape of a simulated jaw: inside the stated interval, and a tip that stays in bone.

The truth is read off the shape by following lines across the body's axis until they leave it, never off the scan.
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from siteplan.fixture import Design, load_catalogue
from siteplan.fixture.solid import Pose, Solid
from siteplan.placement.clearances import TWO_SIDED_95
from siteplan.placement.cover import body_depths, bone_cover, cover_mm, of_each_side_one
from siteplan.placement.margins import BUCCAL_BONE, LINGUAL_BONE
from siteplan.placement.merit import Weights
from siteplan.placement.profile import Poses
from siteplan.placement.proposal import judged
from siteplan.placement.search import search
from siteplan.placement.trial import Place, at_random
from siteplan.placement.verdict import Verdict
from tests.validation.jaw import Array
from tests.validation.structures_proposals import WholeJaw, places_of, whole_jaw

FAN = np.radians(np.arange(-60.0, 61.0, 5.0))
"""Directions on one side in which the surface is looked for."""


@pytest.fixture(scope="module")
def jaw() -> WholeJaw:
    return whole_jaw(11, (46, 43, 31, 35))


@pytest.fixture(scope="module")
def places(jaw: WholeJaw) -> dict[int, Place]:
    return places_of(jaw)


def _true_mm(jaw: WholeJaw, place: Place, body: Solid, pose: Pose, z: Array, side: int, fan: Array = FAN) -> Array:
    """Least bone (L,) at heights on the body, over the fan of directions across its axis."""
    out = place.bone.frame.buccal - (place.bone.frame.buccal @ pose.axis) * pose.axis
    out *= side / np.linalg.norm(out)
    along = np.cross(pose.axis, out)
    ways = np.cos(fan)[:, None] * out + np.sin(fan)[:, None] * along
    r = np.arange(0.0, 12.0, 0.02)
    middle = pose.platform_lps_mm + z[:, None] * pose.axis
    points = middle[:, None, None, :] + r[None, None, :, None] * ways[None, :, None, :]
    shape = jaw.place
    inside = np.asarray(shape.jaw.outer(*shape.to_jaw(points.reshape(-1, 3))) < 1).reshape(points.shape[:3])
    reach = np.where(inside.all(axis=2), r[-1], r[np.argmin(inside, axis=2)])
    least: Array = reach.min(axis=1) - np.interp(z, body.z_mm, body.r_mm)
    return least


def test_ninety_of_a_hundred_true_covers_lie_in_the_stated_interval(jaw: WholeJaw, places: dict[int, Place]) -> None:
    rng, body = np.random.default_rng(5), load_catalogue().get("demo-two-piece-3.5x10").body
    z = np.arange(2.0, 10.0, 1.0)
    hit = []
    for place in places.values():
        poses, depth = place.poses(at_random(replace(place.reach, tilt_deg=10.0), 12, rng))
        for n in np.flatnonzero(np.isfinite(depth)):
            pose, at = poses[int(n)], place.bone.frame.from_lps(poses[int(n)].point(0.0))[0]
            slope = float(pose.axis @ place.bone.frame.axis)
            for side in (1, -1):
                cover = cover_mm(place.ridge, body, Poses.of(pose), at + slope * z, side)[0][0]
                true = _true_mm(jaw, place, body, pose, z, side)
                known = np.isfinite(cover) & (true > 0)
                hit += list(np.abs(cover - true)[known] <= TWO_SIDED_95 * (place.ridge.sd_mm or 0.0))
    assert len(hit) > 300
    assert np.mean(hit) >= 0.90


def test_a_basal_tip_keeps_off_the_far_side_and_its_bone_is_as_thick_as_said() -> None:
    """Bodies as long as the jaw is high: near the lower border the ridge narrows faster than a scan can show."""
    jaw = whole_jaw(870)
    place = places_of(replace(jaw, frames={41: jaw.frames[41]}))[41]
    long = [f for f in load_catalogue().of_design(Design.ONE_PIECE_BASAL) if f.length_mm >= 20.0]
    fitting = [c for c in search(place, long, Weights()) if c.fits]
    assert len(fitting) >= 2
    second, thick = place.bone.second_cortex_depth.value, place.bone.second_cortex.value
    assert second is not None
    assert thick is not None
    for c in fitting:
        tip = place.bone.frame.from_lps(c.pose.point(c.fixture.length_mm))[0]
        assert tip <= second + thick - 1.5 * max(place.bone.block.voxel_mm) + 1e-6
        body = c.fixture.body
        z = np.append(np.arange(2.0, c.fixture.length_mm, 0.5), c.fixture.length_mm)
        for side, found in zip((1, -1), judged(place, c, Weights()).cover, strict=True):
            assert found.distance.low is not None
            # Straight to the side: a leaning plane meets the lower border under the tip, which is not beside it.
            assert _true_mm(jaw, place, body, c.pose, z, side, np.zeros(1)).min() >= found.distance.low - 0.02


def test_search_and_answer_look_at_the_same_bone(places: dict[int, Place]) -> None:
    """What the search took for kept is kept where it is measured again: layers, both ends and every corner."""
    fixtures = load_catalogue().fixtures[::5]
    held = 0
    for place in (places[46], places[31]):
        for c in (c for c in search(place, fixtures, Weights()) if c.fits):
            # A ten-thousandth: as far as the surface is followed (cover._SETTLED_MM).
            told = {side.kind: side.distance.value for side in judged(place, c, Weights()).cover}
            assert told[BUCCAL_BONE] == pytest.approx(
                c.measured[0], abs=1e-4
            )  # as far as the surface is followed (cover._SETTLED_MM)
            assert told[LINGUAL_BONE] == pytest.approx(
                c.measured[1], abs=1e-4
            )  # as far as the surface is followed (cover._SETTLED_MM)
            held += 1
    assert held > 5


def test_from_a_deeper_start_the_least_cover_is_never_less(places: dict[int, Place]) -> None:
    place, body = places[35], load_catalogue().get("demo-two-piece-3.5x10").body
    poses, _ = place.poses(np.array([[0.3, 0.0, 4.0, -6.0, 0.37]]))
    sets = [body_depths(body, poses, place.ridge, start) for start in (1.0, 2.0, 3.0)]
    for shallow, deep in pairwise(sets):
        assert set(deep) <= set(shallow)


def test_of_the_bone_on_one_side_only_the_gravest_is_told(places: dict[int, Place]) -> None:
    place, fixture = places[46], load_catalogue().get("demo-two-piece-3.5x10")
    (found,) = search(place, [fixture], Weights())
    cover = bone_cover(place.bone, fixture.body, found.pose, place.margins)
    told = of_each_side_one(cover)
    assert [c.kind for c in told] in ([BUCCAL_BONE, LINGUAL_BONE], [LINGUAL_BONE, BUCCAL_BONE])
    for one in told:
        values = [c.distance.value for c in cover if c.kind == one.kind and c.verdict is one.verdict]
        assert one.distance.value == min(v for v in values if v is not None)
    touched = replace(told[0], verdict=Verdict.TOUCHES, structure="deeper")
    assert of_each_side_one([*cover, touched])[-1] is touched
