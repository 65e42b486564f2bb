"""The shell model against published and closed-form blurred slabs."""

import tomllib

import numpy as np
import pytest
from skimage.measure import find_contours

from siteplan.bone.edge_gradient import edge_gradient
from siteplan.bone.half_maximum import slab_edges
from siteplan.bone.shell_model import ShellState, ShellValues, shell
from siteplan.bone.wings import excess_kurtosis

SD = 1 / 2.354820  # blur of FWHM 1


def reference(shared, section: str, name: str):
    return tomllib.loads((shared / "reference" / "reference_values.toml").read_text())[section][name]["value"]


def slab(x: np.ndarray, t: float, outside=0.0, cortex=1.0, inside=0.0) -> np.ndarray:
    n = len(x)
    state = ShellState(x, np.full(n, t), np.full(n, outside), np.full(n, inside), cortex, np.full(n, SD), np.zeros(n))
    return shell(state).value


def width_at(x: np.ndarray, v: np.ndarray, level: float) -> float:
    above = np.flatnonzero(v > level)
    a, b = above[0], above[-1]
    left = x[a - 1] + (level - v[a - 1]) / (v[a] - v[a - 1]) * (x[a] - x[a - 1])
    right = x[b] + (v[b] - level) / (v[b] - v[b + 1]) * (x[b + 1] - x[b])
    return float(right - left)


@pytest.mark.shared
def test_slab_arithmetic_of_the_reference_values(shared):
    # Arithmetic entries cortex.gaussian_slab_half_of_peak and _half_of_plateau (confirmed): widths in units of FWHM.
    x = np.arange(-4, 8, 0.001)
    for name, by_peak in (("gaussian_slab_half_of_peak", True), ("gaussian_slab_half_of_plateau", False)):
        for key, expected in reference(shared, "cortex", name).items():
            v = slab(x, float(key[2:].replace("_", ".")))
            assert width_at(x, v, v.max() / 2 if by_peak else 0.5) == pytest.approx(expected, abs=2e-4)


def test_slab_agrees_with_numerical_convolution():
    x = np.arange(-6, 8, 0.005)
    for t in (0.3, 0.8, 2.0):
        true = np.where(x < 0, 50.0, np.where(x < t, 1500.0, 400.0))
        kernel = np.exp(-0.5 * (np.arange(-4, 4.0001, 0.005) / SD) ** 2)
        blurred = np.convolve(true, kernel / kernel.sum(), mode="same")
        middle = np.abs(x - 1) < 3
        assert np.abs(slab(x, t, 50.0, 1500.0, 400.0) - blurred)[middle].max() < 5.0


def hann_blurred_slab(t: float, window_sd: float, spot_sd: float) -> tuple[np.ndarray, np.ndarray]:
    """A slab from 0 to t under a Hann window's blur (its SD is cut-off wavelength / sqrt(8)) and a bell curve's."""
    step, n = 0.005, 4096
    x = (np.arange(n) - n // 2) * step
    frequency, cut = np.fft.rfftfreq(n, step), 1 / (np.sqrt(8) * window_sd)
    window = np.where(frequency < cut, 0.5 * (1 + np.cos(np.pi * frequency / cut)), 0.0)
    edges = np.clip(x / step + 0.5, 0, 1) - np.clip((x - t) / step + 0.5, 0, 1)
    spectrum = np.fft.rfft(edges) * window * np.exp(-2 * (np.pi * frequency * spot_sd) ** 2)
    return x, np.fft.irfft(spectrum, n)


@pytest.mark.parametrize("t", [0.3, 0.5, 1.0])
def test_wings_of_a_reconstruction_window_are_followed(t):
    # Cumulants of independent blurs add up; a Hann window has minus the fourth power of its SD (from its closed form).
    window, spot = 0.118, 0.12
    x, true = hann_blurred_slab(t, window, spot)
    sd = np.hypot(window, spot)
    near = np.abs(x - t / 2) < 2
    n = int(near.sum())

    def off(excess: np.ndarray | float) -> float:
        zero = np.zeros(n)
        state = ShellState(x[near], np.full(n, t), zero, zero, 1.0, np.full(n, sd), zero, excess)
        return float(np.abs(shell(state).value - true[near]).max())

    assert off(np.full(n, -((window / sd) ** 4))) < 0.3 * off(0.0)


def test_slopes_of_the_model_with_wings_are_those_of_its_values():
    x = np.linspace(-1, 2, 61)
    flat = np.ones_like(x)

    def at(t: float, moved: float) -> ShellValues:
        return shell(ShellState(x + moved, t * flat, 50 * flat, 400 * flat, 1500.0, 0.2 * flat, 0 * flat, -0.4 * flat))

    h = 1e-5
    by_t = (at(0.4 + h, 0).value - at(0.4 - h, 0).value) / (2 * h)
    by_x = (at(0.4, h).value - at(0.4, -h).value) / (2 * h)
    assert np.allclose(at(0.4, 0).by_t, by_t, atol=0.5)
    assert np.allclose(at(0.4, 0).by_edge, -by_x, atol=0.5)


def test_excess_goes_with_the_fourth_power_of_the_voxel_and_has_a_bound():
    along = excess_kurtosis(np.array([0.0, 1.0]), (0.3, 0.25), 0.2)
    finer = excess_kurtosis(np.array([0.0, 1.0]), (0.3, 0.25), 0.1)
    assert (along < 0).all()
    assert np.allclose(along / finer, 16)
    assert excess_kurtosis(np.array([0.0]), (0.1, 0.1), 0.5)[0] >= -1


@pytest.mark.shared
def test_half_maximum_rule_shows_the_bias_that_prevrhal_measured(shared):
    # Prevrhal 2003, Med Phys 30:1-8 (confirmed): +0.68, +0.27, +0.06 mm at 0.5, 1.0, 1.5 mm, in-plane blur of a
    # clinical CT. The blur is not in the passage; one blur must explain all three within their agreement of 0.17 mm.
    bias = reference(shared, "cortex", "inplane_bias_prevrhal_2003")
    x = np.arange(-8, 10, 0.01)
    best = min(
        max(
            abs(width_at(x, v, v.max() / 2) * 1.0 - t - expected)
            for t, expected in ((0.5, bias["t_0_5"]), (1.0, bias["t_1_0"]), (1.5, bias["t_1_5"]))
            for v in [_scaled(x, t, fwhm)]
        )
        for fwhm in np.arange(0.6, 1.6, 0.05)
    )
    assert best < 0.17


def _scaled(x: np.ndarray, t: float, fwhm: float) -> np.ndarray:
    n = len(x)
    state = ShellState(x, np.full(n, t), np.zeros(n), np.zeros(n), 1.0, np.full(n, fwhm / 2.35482), np.zeros(n))
    return shell(state).value


def test_quick_reader_obeys_the_half_maximum_rule():
    # A slab of 2 FWHM reads 2.0197 FWHM wide at half its peak (blurred-slab arithmetic, confirmed).
    x = np.arange(-4, 8, 0.05)
    v = slab(x, 2.0, 0.0, 1000.0, 0.0)
    outer, inner = slab_edges(x, v, int(np.argmax(v > 200)), 0.0, 1000.0)
    assert inner.at_mm - outer.at_mm == pytest.approx(2.0197, abs=0.02)


def test_curved_edge_shift_agrees_with_a_blurred_disc():
    # scikit-image marching squares on a numerically blurred disc is the judge; its half level lies inside the edge.
    from scipy.ndimage import gaussian_filter

    h, radius, tau = 0.02, 2.5, 0.35
    grid = np.arange(-4, 4, h)
    disc = np.hypot(grid[:, None], grid) < radius
    blurred = gaussian_filter(disc.astype(float), tau / h)
    contour = max(find_contours(blurred, 0.5), key=len) * h + grid[0]
    measured = float(np.hypot(*contour.T).mean())
    x = np.arange(-1.5, 1.5, 0.001)
    n = len(x)
    state = ShellState(x, np.full(n, 9.0), np.zeros(n), np.ones(n), 1.0, np.full(n, tau), np.full(n, 1 / radius))
    v = shell(state).value
    model = radius - float(np.interp(0.5, v, x))
    assert model == pytest.approx(measured, abs=0.006)


def test_derivatives_agree_with_differences():
    rng = np.random.default_rng(1)
    n = 50

    def state(**change):
        base = {
            "x": rng0, "t": np.full(n, 0.8), "outside": np.full(n, 40.0), "inside": np.full(n, 300.0),
            "cortex": np.full(n, 1200.0), "tau": np.full(n, 0.3), "bend": np.full(n, 0.2),
        }  # fmt: skip
        for name, step in change.items():
            base[name] = base[name] + step
        return ShellState(**base)

    rng0 = rng.uniform(-1, 2, n)
    v = shell(state())
    for name, derivative, sign in (
        ("x", v.by_edge, -1), ("outside", v.by_outside, 1), ("inside", v.by_inside, 1), ("cortex", v.by_cortex, 1),
        ("tau", v.by_tau, 1),
    ):  # fmt: skip
        h = 1e-5
        numeric = (shell(state(**{name: h})).value - shell(state(**{name: -h})).value) / (2 * h)
        assert sign * derivative == pytest.approx(numeric, rel=2e-2, abs=0.5), name


def test_edge_gradient_vanishes_with_the_blur_of_spot_and_detector():
    assert edge_gradient(0.1, 1500, 0.25) == (0.0, 0.0)
    outer, thickness = edge_gradient(0.314, 1500, 0.3)
    assert 0.01 < outer < thickness < 0.05
