"""Stated probabilities against how often they are right, for errors of known size; borders must look like borders."""

import numpy as np
import pytest

from siteplan.bone.ridge import ridge_form
from siteplan.flags import Flag
from siteplan.measures import Measure
from tests.validation.reliability import density_trials, division_trials, true_division

NOTHING = (Flag.NO_SECOND_CORTEX,)
RNG = np.random.default_rng(11)
Z95 = 1.959964


def read(truth: float, sd: float, unit: str) -> tuple[float, Measure]:
    value = RNG.normal(truth, sd)
    return truth, Measure(value, unit, value - Z95 * sd, value + Z95 * sd)


def check(trials) -> None:
    """Where an interval is true, the share that is right is the stated probability, within three binomial SD."""
    p, right = np.array([t[1] for t in trials]), np.array([t[2] for t in trials], dtype=float)
    for low, high in ((0.5, 0.7), (0.7, 0.9), (0.9, 0.99)):
        here = (p > low) & (p <= high)
        assert here.sum() > 100
        # Trials of one site share its error: about every tenth counts as a draw of its own.
        sd = np.sqrt(p[here].mean() * (1 - p[here].mean()) / (here.sum() / 10))
        assert right[here].mean() == pytest.approx(p[here].mean(), abs=3 * sd + 0.02)


@pytest.mark.parametrize("trabecular", [False, True])
def test_density_classes_are_as_probable_as_said(trabecular):
    check([t for _ in range(300) for t in density_trials(*read(600, 25, "HU"), trabecular=trabecular)])


def test_divisions_are_as_probable_as_said():
    sites = [(read(5, 0.1, "mm"), read(10, 0.12, "mm")) for _ in range(120)]
    check([t for width, height in sites for t in division_trials(width, height)])


@pytest.mark.parametrize(
    ("height", "width", "shares"),
    [
        # On a bound of Misch and Judy's divisions (density.misch_quantity_a, confirmed) half lies on either side.
        (14.0, 5.0, {"A": 0.5, "B": 0.5, "C": 0.0}),
        (14.0, 2.5, {"A": 0.0, "B": 0.5, "C": 0.0}),
        (10.0, 7.0, {"A": 0.5, "B": 0.0, "C": 0.0}),
        (10.0, 2.5, {"A": 0.0, "B": 0.25, "C": 0.25}),
        (14.0, 7.0, {"A": 1.0, "B": 0.0, "C": 0.0}),
    ],
)
def test_a_border_looks_like_one(height, width, shares):
    form = ridge_form(
        Measure(height, "mm", height - 0.2, height + 0.2),
        (Measure(width, "mm", width - 0.1, width + 0.1, depth_mm=3.0),),
        0.0,
    )
    assert form.probabilities == pytest.approx(shares, abs=1e-6)
    on_border = max(shares.values()) < 1
    assert ("a bound lies within the interval" in form.why) is on_border
    if on_border:
        assert all(f"{name} {share:.0%}" in form.why for name, share in shares.items() if share > 0)


def test_height_above_what_was_seen_counts_as_seen():
    form = ridge_form(Measure.absent("mm", *NOTHING), (Measure(4.0, "mm", 3.9, 4.1, depth_mm=3.0),), 15.0)
    assert form.label == "B"
    assert form.probabilities["B"] == pytest.approx(1)


def test_true_divisions_are_the_published_ones():
    assert [true_division(*x) for x in ((12, 6), (12, 4), (9, 2), (9, 6), (12, 2))] == ["A", "B", "C", None, None]
