"""A tooth root as a closed solid: its surface where dentine ends and the thin dark ligament line begins."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from siteplan.anatomy.layers import Layer, LayerFit, fit_layers
from siteplan.anatomy.levels import Levels, levels_of
from siteplan.anatomy.lumen_fit import mean_where
from siteplan.anatomy.root_crown import crown_is_last, crown_told
from siteplan.anatomy.root_doubt import MOST_SD_MM, doubts_of, holds_metal, overrun_mm
from siteplan.anatomy.root_rough import STEP_MM as HEIGHT_MM
from siteplan.anatomy.root_rough import Ground, RoughRoot, ground_at, rough_root
from siteplan.anatomy.root_starts import Answers, answers_of, checked_clicks
from siteplan.anatomy.sample import Sampler, sampler
from siteplan.anatomy.side import side_of
from siteplan.anatomy.structure import Kind, MadeBy, Structure, Surface
from siteplan.errors import GeometryError
from siteplan.scan.volume import Scan

Points = NDArray[np.float64]
Floats = NDArray[np.float64]

LIGAMENT_MM, LIGAMENT_SD_MM = 0.22, 0.10
"""Width of the periodontal ligament space, about 0.15 to 0.38 mm in textbooks, from memory."""

INNER_MM, OUTER_MM, STEP_MM = 1.8, 1.4, 0.1
"""How far inside and outside the rough surface a profile is read, and how finely (our own)."""

WALL_MM, WALL_SD_MM = 0.6, 0.6
"""Width of the dense wall of bone on the ligament's outer side: a socket wall of 0.2 to 0.5 mm, or a plate (from
memory)."""

_WALL_STARTS_MM = (0.0, -0.6)
"""Where the tooth's edge is sought with a wall: at the rough surface, and inside it where that is the wall's own."""

_WALL_GAIN = 0.7
"""A wall is believed where it leaves less than this share of the squared residuals (simulated roots)."""

_WALLED_GAIN = 0.15
"""A wall all round is believed while the blur is sought where it leaves less than this share (simulated roots)."""

_PULP_SHARE = 0.5
"""The inner part of each radius that is not looked at (our own; a pulp is narrower)."""

_EDGE_SD_MM = 0.5
"""How far from the rough surface the edge is expected (our own)."""

_METAL_SD_MM, _GLARE_MM, _MOST_METAL = 0.8, 0.8, 0.8
"""How well the outline of a metal crown is known, how far its glare reaches along the root, and the share of metal
beyond which nothing else is left to fit (our own)."""

_CORE, _SHOULDER, _FLAT_MM = 0.4, 0.8, 0.15
"""Shares of the radius at which the end of the tip is sought; where it is round, it falls more between (our own)."""

EDGE_SHARES = (0.5, 0.6, 0.7, 0.8)
"""Rough borders that are tried, as shares of the way from what lies around a root to its grey (simulated roots)."""

_STRICT = "It was told from the bone beside it by a stricter border only: check its tip."

ROUNDS = 3
_FLOOR_MM = 0.05
"""Least standard deviation of the surface (simulated roots)."""

_BLUR_SHARE = 0.4
"""Its growth with the square of the blur, 1/mm: the ligament line drowns in the blur (simulated roots)."""


@dataclass(frozen=True, eq=False)
class Root:
    """What is known of the root: the solid, and its long axis from the coronal end to the apex (LPS mm)."""

    structure: Structure
    coronal_lps_mm: Points
    apex_lps_mm: Points
    blur_mm: float


def trace_root(scan: Scan, near_lps_mm: ArrayLike, *, side: str | None = None) -> Root:
    """The tooth or root at a click, as a closed triangle mesh.

    It is described by one radius for each height along its axis and each direction across it, so a root that bends
    back on itself or a furcation is not followed: click each root of a molar by itself. It is sought again from other
    places on it (`root_starts`), and where the answers differ, the note and the uncertainty say so.

    Args:
        near_lps_mm: (3,) a click on it, or (N, 3) several clicks on the same root, all of which are asked.

    Raises:
        GeometryError: nothing dense enough, or nothing long enough, lies there; or several clicks lie on two roots.
    """
    clicks = np.atleast_2d(np.asarray(near_lps_mm, dtype=np.float64))
    levels = levels_of(scan)
    found = _told_from_the_bone(scan, clicks, levels)
    answers, source, radius = found.answers, found.source, found.radius_mm
    rough = answers.rough
    low, high = _ends(source, rough, radius, found.blur_mm, levels)
    surface = _mesh(rough, radius, low, high, min(_shoulder(source, rough, radius, found.blur_mm, levels), high))
    where = side_of(scan, rough.centre_lps_mm) if side is None else side
    own = _FLOOR_MM**2 + (_BLUR_SHARE * found.blur_mm**2) ** 2 + np.mean(found.sd_mm**2)
    uncertainty = min(max(float(np.sqrt(own)), answers.sd_mm, found.doubt_mm), MOST_SD_MM)
    metal = holds_metal(source, rough, radius, levels, 0)
    words = [answers.words, found.words]
    if not crown_is_last(source, rough, radius, levels)[1]:
        words.append("Little tells its two ends apart, so its tip may be the other one: look which end is the tip.")
    note = " ".join(filter(None, [*words, _note(radius, high - low, scan, len(clicks), metal=metal)]))
    structure = Structure(Kind.ROOT, "tooth root", surface, where, MadeBy.FOUND, uncertainty, None, note)
    coronal, apex = (rough.centre_lps_mm + height * rough.axis for height in (low, high))
    return Root(structure, coronal, apex, found.blur_mm)


@dataclass(frozen=True, eq=False)
class _Found:
    """What one way of drawing the rough border gives: fitted radii with their SD (H, A), and what speaks against it."""

    answers: Answers
    source: Sampler
    radius_mm: Floats
    sd_mm: Floats
    blur_mm: float
    words: str
    doubt_mm: float

    @property
    def against(self) -> float:
        """Standard deviation in mm that the doubts ask for; 0 where there is none."""
        return max(self.doubt_mm, self.answers.sd_mm)


def _told_from_the_bone(scan: Scan, clicks: Points, levels: Levels) -> _Found:
    """The root with the loosest border that nothing speaks against, or else the one that least speaks against.

    A thin ligament between root and plate is blurred until a border halfway to the marrow runs through both.
    """
    ground = ground_at(scan, clicks[0], levels)
    best = None
    for share in EDGE_SHARES:
        try:
            found = _found(scan, replace(ground, edge_share=share), clicks, levels)
        except GeometryError:
            if best is None:
                raise
            continue
        if best is None or found.against < best.against:
            best = found if best is None else replace(found, words=f"{_STRICT} {found.words}".strip())
        if best.against == 0:
            break
    assert best is not None
    return best


def _found(scan: Scan, ground: Ground, clicks: Points, levels: Levels) -> _Found:
    first = _crown_first(scan, rough_root(ground, clicks[0]), levels)

    def overrun(rough: RoughRoot) -> float:
        return overrun_mm(_source(scan, rough), rough, rough.radius_mm)

    answers = answers_of(ground, first, checked_clicks(scan, first, clicks), overrun)
    turned = first if answers.rough is first else _crown_first(scan, answers.rough, levels)
    if turned is not answers.rough:
        # The first answer was led astray so far that it took the tip for the crown: its tip was asked after in vain.
        answers = answers_of(ground, turned, list(clicks[1:]), overrun)
    source = _source(scan, answers.rough)
    radius, sd, blur = _radii(source, answers.rough, levels)
    return _Found(answers, source, radius, sd, blur, *doubts_of(source, answers.rough, radius, levels, clicks[0]))


def _crown_first(scan: Scan, rough: RoughRoot, levels: Levels) -> RoughRoot:
    """The same root with its crown at the first height. Only fitted radii tell the two ends of a stump apart."""
    source = _source(scan, rough)
    radius = rough.radius_mm if crown_told(source, rough, levels) is not None else _radii(source, rough, levels)[0]
    return rough.turned() if crown_is_last(source, rough, radius, levels)[0] else rough


def _source(scan: Scan, rough: RoughRoot) -> Sampler:
    line = rough.centre_lps_mm + rough.height_mm[[0, -1], None] * rough.axis
    return sampler(scan, line, float(rough.radius_mm.max()) + OUTER_MM + 2.5)


def _radii(source: Sampler, rough: RoughRoot, levels: Levels) -> tuple[Floats, Floats, float]:
    """(H, A) radius and its standard deviation: layers fitted along rays, then smoothed, a few times over."""
    radius = rough.radius_mm
    voxel = float(np.mean(source.scan.spacing_kji_mm))
    blur = max(0.3, 0.6 * voxel)
    metal = _beside_metal(source, rough, levels)
    for turn in range(ROUNDS):
        t, profiles = _rays(source, rough, radius)
        if turn == 1:
            blur = _blur(t, profiles[np.repeat(~metal, radius.shape[1])], rough, levels, voxel)
        fit = _layers(t, profiles, rough, levels, blur, voxel)
        found = radius + fit.edge_mm.reshape(radius.shape)
        sd = fit.edge_sd_mm.reshape(radius.shape) * _end_doubt(rough, blur)[:, None]
        # Layers of dentine and ligament mean nothing in a crown of metal, and its bend would reach down the root.
        found[metal], sd[metal] = rough.radius_mm[metal], _METAL_SD_MM
        smooth, sd = _smooth(rough, found, sd)
        radius = np.maximum(smooth, 0.2)
    return radius, sd, blur


def _beside_metal(source: Sampler, rough: RoughRoot, levels: Levels) -> NDArray[np.bool_]:
    """(H,) heights inside of which metal lies, or which its glare reaches; none where nearly all are such."""
    inside = rough.radius_mm[:, :, None] * np.array([0.4, 0.6, 0.8, 1.0])
    points = rough.to_lps(rough.height_mm[:, None, None], rough.turn_rad[None, :, None], inside)
    metal = np.nanmax(source.at(points, smooth=True), axis=(1, 2)) >= levels.metal_edge
    metal = ndimage.binary_dilation(metal, iterations=max(1, round(_GLARE_MM / HEIGHT_MM)))
    return np.asarray(metal if np.mean(metal) < _MOST_METAL else np.zeros_like(metal))


def _end_doubt(rough: RoughRoot, blur: float) -> Floats:
    """(H,) factor on the standard deviation near both ends, where the end's own blur narrows the ring."""
    h = rough.height_mm
    to_end = np.minimum(h - h[0], h[-1] - h)
    return np.asarray(1.0 + 6.0 * np.exp(-0.5 * (to_end / (2.0 * blur)) ** 2))


def _rays(source: Sampler, rough: RoughRoot, radius: Floats) -> tuple[Floats, Floats]:
    """Offsets (P,) and grey (H * A, P) along rays across the axis, averaged over neighbouring heights."""
    t = np.arange(-INNER_MM, OUTER_MM + 1e-9, STEP_MM)
    at = radius[:, :, None] + t
    points = rough.to_lps(rough.height_mm[:, None, None], rough.turn_rad[None, :, None], np.maximum(at, 0.0))
    grey = source.at(points).astype(np.float64)
    # The pulp is dark like a ligament, and the dentine around it then looks like a wall.
    good = (at >= _PULP_SHARE * radius[:, :, None]) & np.isfinite(grey)
    top, under = np.where(good, grey, 0.0), good.astype(np.float64)
    for sigma, axis, mode in ((1.0, 0, "nearest"), (0.7, 1, "wrap")):
        top, under = (ndimage.gaussian_filter1d(each, sigma, axis=axis, mode=mode) for each in (top, under))
    grey = np.where(good, top / np.maximum(under, 1e-6), np.nan)
    return t, grey.reshape(-1, len(t))


def _layers(
    t: Floats,
    profiles: Floats,
    rough: RoughRoot,
    levels: Levels,
    blur: float,
    voxel: float,
    starts_mm: tuple[float, ...] = _WALL_STARTS_MM,
) -> LayerFit:
    """Dentine, ligament and what is outside; or, where that explains a profile clearly better, a wall of bone between.

    Without the wall the far side of a thin socket wall or plate would be taken for the tooth's own edge.
    """
    contrast = levels.bone - levels.soft
    dentine = Layer(rough.dense, 0.10 * contrast)
    ligament = Layer(levels.soft, 0.08 * contrast, LIGAMENT_MM, LIGAMENT_SD_MM, (0.03, 0.6))
    outside = Layer(levels.soft + 0.3 * contrast, 0.5 * contrast)
    wall = Layer(levels.soft + 0.8 * contrast, 0.3 * contrast, WALL_MM, WALL_SD_MM, (0.1, 3.0))

    def fitted(layers: tuple[Layer, ...], edge_mm: float) -> LayerFit:
        independent = max(0.3, voxel)
        return fit_layers(
            t, profiles, layers, 0, blur, independent_mm=independent, edge_mm=edge_mm, edge_sd_mm=_EDGE_SD_MM
        )

    best = fitted((dentine, ligament, outside), 0.0)
    out = {name: getattr(best, name) for name in ("edge_mm", "edge_sd_mm", "costs")}
    lowest = best.costs * _WALL_GAIN
    for edge in starts_mm:
        other = fitted((dentine, ligament, wall, outside), edge)
        better = other.costs < lowest
        lowest = np.where(better, other.costs, lowest)
        out = {name: np.where(better, getattr(other, name), value) for name, value in out.items()}
    return replace(best, **out)


def _blur(t: Floats, profiles: Floats, rough: RoughRoot, levels: Levels, voxel: float) -> float:
    blurs = np.unique(np.clip(np.array([0.15, 0.2, 0.27, 0.35, 0.45, 0.58, 0.75, 1.0]), 0.35 * voxel, 1.2))
    few = profiles[:: max(1, len(profiles) // 200)]
    plain, walled = (np.array([_layers(t, few, rough, levels, b, voxel, w).cost for b in blurs]) for w in ((), (0.0,)))
    # A socket wall all round passes for blur; a wall that is not there passes for sharpness, but explains less.
    costs = walled if walled.min() < _WALLED_GAIN * plain.min() else plain
    return float(blurs[int(np.argmin(costs))])


def _smooth(rough: RoughRoot, found: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Radii as a smooth function of height and direction, outliers counted less; and its standard deviation.

    Directions: harmonics up to the second (shift and oval). Heights: cubic B-splines about 3 mm apart.
    """
    from scipy.interpolate import BSpline

    h, w = rough.height_mm, rough.turn_rad
    inner = np.linspace(h[0], h[-1], max(2, int((h[-1] - h[0]) / 3.0) + 1))
    knots = np.concatenate([[inner[0]] * 3, inner, [inner[-1]] * 3])
    along = BSpline.design_matrix(np.clip(h, inner[0], inner[-1] - 1e-9), knots, 3).toarray()
    round_about = np.stack([np.ones_like(w), np.cos(w), np.sin(w), np.cos(2 * w), np.sin(2 * w)], axis=1)
    design = np.einsum("hk,am->hakm", along, round_about).reshape(found.size, -1)
    bend = np.diff(np.eye(along.shape[1]), n=2, axis=0)
    ridge = np.kron(bend.T @ bend, np.diag([1.0, 2.0, 2.0, 6.0, 6.0])) * 8.0
    ridge += np.kron(np.eye(along.shape[1]), np.diag([0.0, 0.0, 0.0, 2.0, 2.0]))
    y, error = found.ravel(), np.maximum(sd.ravel(), 0.04)
    weight = 1 / error**2 * _INDEPENDENT
    for _ in range(6):
        normal = design.T @ (design * weight[:, None]) + ridge
        solution = np.linalg.solve(normal, design.T @ (weight * y))
        off = y - design @ solution
        weight = 1 / error**2 / (1 + (off / 0.35) ** 2) * _INDEPENDENT
    covariance = np.linalg.inv(normal)
    variance = np.einsum("nq,qp,np->n", design, covariance, design)
    return (design @ solution).reshape(found.shape), np.sqrt(variance).reshape(found.shape)


_INDEPENDENT = 0.15
"""Share of the rays that are independent of their neighbours after averaging (our own)."""


def _ends(source: Sampler, rough: RoughRoot, radius: Floats, blur: float, levels: Levels) -> tuple[float, float]:
    """Heights of the two ends, from profiles parallel to the axis within half the radius."""
    t = np.arange(-INNER_MM, OUTER_MM + 1e-9, STEP_MM)
    out = []
    for end, sign in ((0, -1), (-1, 1)):
        height = float(rough.height_mm[end])
        inside = _CORE * float(np.mean(radius[end]))
        turn = np.arange(8) * np.pi / 4
        # The middle of the last ring: a bent root ends beside the straight axis.
        ring_x, ring_y = (2 * float(np.mean(radius[end] * f(rough.turn_rad))) for f in (np.cos, np.sin))
        x, y = ring_x + inside * np.array([0.0, *np.cos(turn)]), ring_y + inside * np.array([0.0, *np.sin(turn)])
        points = rough.to_lps(height + sign * t[None, :], np.arctan2(y, x)[:, None], np.hypot(x, y)[:, None])
        profile = mean_where(source.at(points).astype(np.float64).T, np.ones((len(t), len(x)), dtype=bool))[None, :]
        voxel = float(np.mean(source.scan.spacing_kji_mm))
        # No wall here: a pulp lies along the axis, and the dentine beyond its end would be taken for one.
        fit = _layers(t, profile, rough, levels, blur, voxel, ())
        out.append(height + sign * float(np.clip(fit.edge_mm[0], -1.5, 1.2)))
    return out[0], out[1]


def _shoulder(source: Sampler, rough: RoughRoot, radius: Floats, blur: float, levels: Levels) -> float:
    """Height at which the tip ends at `_SHOULDER` of its radius; lower than its end where the tip is round."""
    t = np.arange(-INNER_MM, OUTER_MM + 1e-9, STEP_MM)
    points = rough.to_lps(rough.height_mm[-1] + t[:, None], rough.turn_rad[None, :], _SHOULDER * radius[None, -1])
    profile = mean_where(source.at(points).astype(np.float64), np.ones(points.shape[:2], dtype=bool))[None, :]
    # So near its side the tip is dimmed by what lies beside it: its own grey there is what falls away at its end.
    own = replace(rough, dense=float(np.nanmedian(profile[0, t < -0.5])))
    fit = _layers(t, profile, own, levels, blur, float(np.mean(source.scan.spacing_kji_mm)), ())
    return float(rough.height_mm[-1] + np.clip(fit.edge_mm[0], -1.5, 1.2))


def _mesh(rough: RoughRoot, radius: Floats, low: float, high: float, shoulder: float) -> Surface:
    """Rings closed by two flat fans, triangles wound outwards; the tip rounded from its shoulder on."""
    h, w = rough.height_mm, rough.turn_rad
    drop = high - shoulder
    full = high if drop < _FLAT_MM else shoulder - 1.5 * drop
    inner = h[(h > low + 0.2) & (h < full - 0.2)]
    heights, shares = np.concatenate([[low], inner, [full]]), np.ones(len(inner) + 2)
    if full < high:
        heights = np.concatenate([heights, shoulder + drop * np.array([0.0, 0.55, 1.0])])
        shares = np.concatenate([shares, [_SHOULDER, 0.5 * (_SHOULDER + _CORE), _CORE]])
    rings = np.stack([np.interp(heights, h, radius[:, n]) for n in range(len(w))], axis=1)
    # Rings narrow about their own middle: a bent root ends beside the straight axis.
    across_x, across_y = (2 * np.mean(rings * f(w), axis=1, keepdims=True) for f in (np.cos, np.sin))
    middle = across_x * np.cos(w) + across_y * np.sin(w)
    rings = middle + shares[:, None] * (rings - middle)
    points = rough.to_lps(heights[:, None], w[None, :], rings).reshape(-1, 3)
    n, count = len(w), len(heights)
    ends = rough.centre_lps_mm + np.array([[low], [high]]) * rough.axis
    here = np.arange(n)
    after = (here + 1) % n
    triangles = []
    for ring in range(count - 1):
        p, q = ring * n, (ring + 1) * n
        triangles += [np.stack([p + here, p + after, q + after], 1), np.stack([p + here, q + after, q + here], 1)]
    base, tip = count * n, count * n + 1
    last = (count - 1) * n
    triangles += [np.stack([base + 0 * here, after, here], 1), np.stack([tip + 0 * here, last + here, last + after], 1)]
    return Surface(np.concatenate([points, ends]), np.concatenate(triangles).astype(np.int64), rough.axis, closed=True)


def _note(radius: Floats, length: float, scan: Scan, clicks: int, *, metal: bool) -> str:
    across = f"{2 * radius[0].mean():.1f} mm across at its coronal end."
    words = [
        f"Found by the computer from {'one click' if clicks == 1 else f'{clicks} clicks'}:",
        f"{length:.1f} mm long, " + ("its crown in metal, where no outline is seen." if metal else across),
        "Its axis is straight; a furcation or a strong bend is not followed.",
        "Where dense bone lies against it, it may be drawn too wide, or on into a plate beyond its tip: check its "
        "outline and its length.",
    ]
    if max(scan.spacing_kji_mm) > 0.4:
        words.append("At this voxel the ligament line is hardly seen; where dense bone touches the root, doubt it.")
    return " ".join([*words, "To be confirmed by a person."])
