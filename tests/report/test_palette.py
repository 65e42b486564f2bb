"""The two promises of the palette: lines stay apart in colour-deficient sight, words reach the needed contrast."""

import itertools

import numpy as np
import pytest

from siteplan.anatomy import Kind
from siteplan.placement import Verdict
from siteplan.report import palette, verdicts

# Machado GM, Oliveira MM, Fernandes LAF, 2009, IEEE TVCG 15:1291-1298, severity 1.0 (from memory).
DEFICIENT = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    "usual": np.eye(3).tolist(),
}
LINES = (palette.FIXTURE, palette.STRUCTURE_CANAL, palette.STRUCTURE_AIR, palette.STRUCTURE_TOOTH)


def linear(colour: str) -> np.ndarray:
    """sRGB to linear light, IEC 61966-2-1 (from memory)."""
    s = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(s <= 0.04045, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    return float(linear(colour) @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* for D65 (CIE 15)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = to_xyz @ np.clip(rgb, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", DEFICIENT)
def test_line_colours_stay_apart(sight: str) -> None:
    # A difference of 2.3 is just noticeable (Mahy et al., 1994, from memory); 15 is seen at a glance (own bound).
    seen = {colour: lab(np.array(DEFICIENT[sight]) @ linear(colour)) for colour in LINES}
    apart = {pair: float(np.linalg.norm(seen[pair[0]] - seen[pair[1]])) for pair in itertools.combinations(LINES, 2)}
    assert min(apart.values()) > 15, apart


@pytest.mark.parametrize("colour", [palette.INK, palette.QUIET, palette.ACCENT])
@pytest.mark.parametrize("ground", [palette.PAPER, palette.WASH])
def test_words_on_paper(colour: str, ground: str) -> None:
    assert contrast(colour, ground) >= 4.5  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("mark", palette.MARKS)
def test_verdict_words(mark: palette.Mark) -> None:
    assert contrast(mark.text_colour, mark.ground) >= 4.5


@pytest.mark.parametrize("colour", [*LINES, palette.MEASURE])
def test_lines_on_black(colour: str) -> None:
    assert contrast(colour, palette.HALO) >= 3  # WCAG 2.2, success criterion 1.4.11


def test_shape_repeats_colour() -> None:
    grounds = {(mark.shape, mark.text_colour) for mark in verdicts.MARK_OF.values()}
    assert len({shape for shape, _ in grounds}) == len({colour for _, colour in grounds}) == len(grounds)
    lines = {palette.LINE_OF_KIND[kind.value] for kind in Kind}
    assert len({line.colour for line in lines}) == len({line.dash for line in lines})


def test_every_kind_and_verdict_has_its_look() -> None:
    assert set(palette.LINE_OF_KIND) == {kind.value for kind in Kind}
    assert set(verdicts.MARK_OF) == set(Verdict)
    for verdict, mark in verdicts.MARK_OF.items():
        assert (verdict is Verdict.KEEPS) == (mark is palette.KEPT), "only a kept margin may look kept"
        assert (verdict is Verdict.PLANNED_CONTACT) == (mark is palette.PLANNED), "and a contact like nothing else"


@pytest.mark.parametrize("sight", DEFICIENT)
def test_marks_of_verdicts_stay_apart(sight: str) -> None:
    # 2.3 is just noticeable (Mahy et al., 1994, from memory). Shape and word carry the verdict; colour has to differ.
    seen = {mark.shape: lab(np.array(DEFICIENT[sight]) @ linear(mark.text_colour)) for mark in palette.MARKS}
    planned = seen.pop(palette.PLANNED.shape)
    assert min(float(np.linalg.norm(planned - other)) for other in seen.values()) > 15
