"""Density tables against the published bounds, and classes as distributions."""

import tomllib
from pathlib import Path

import pytest

from siteplan.bone import classify, density_tables
from siteplan.errors import LibraryFileError
from siteplan.measures import Measure


def hu(value: float, half: float) -> Measure:
    return Measure(value, "HU", value - half, value + half)


@pytest.mark.shared
def test_bounds_are_those_of_the_reference_values(shared):
    values = tomllib.loads((shared / "reference" / "reference_values.toml").read_text())["density"]
    lows = {t.name: [c.low for c in t.classes] for t in density_tables().values()}
    # Misch (D1 to D4 confirmed, D5 from memory).
    assert lows["five-class"] == [
        values["misch_d1"]["value"]["min"],
        values["misch_d2"]["value"]["min"],
        values["misch_d3"]["value"]["min"],
        values["misch_d4"]["value"]["min"],
        None,
    ]
    # Norton and Gamble 2001 (confirmed).
    norton = values["norton_gamble"]["value"]
    assert lows["three-zone"] == [norton["q1_min"], norton["q2_q3"][0], norton["q4"][0], None]
    # Rebaudi 2010 and de Oliveira 2008 (confirmed).
    assert lows["hard-normal-soft"] == [values["rebaudi_hns"]["value"]["hard_min"], 400, None]
    assert lows["trabecular-types"] == [values["de_oliveira"]["value"]["type1_min"], 200, None]
    for table in density_tables().values():
        assert table.source
        assert all(c.source for c in table.classes)


def test_a_value_on_a_bound_looks_like_one():
    found = classify(hu(850, 60), density_tables()["five-class"], calibrated=True)
    assert found.label == "D2"
    assert found.probabilities["D2"] == pytest.approx(0.5, abs=0.01)
    assert found.probabilities["D3"] == pytest.approx(0.5, abs=0.01)
    assert sum(found.probabilities.values()) == pytest.approx(1)


def test_a_value_far_from_bounds_is_nearly_certain():
    found = classify(hu(600, 60), density_tables()["five-class"], calibrated=True)
    assert found.probabilities["D3"] > 0.999


def test_uncalibrated_says_so():
    found = classify(hu(600, 60), density_tables()["three-zone"], calibrated=False)
    assert not found.calibrated
    assert "not Hounsfield units" in found.caution
    assert found.as_json()["class"] == "Q2/Q3"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("[t]\ntitle='a'\nunit='HU'\nsource='s'\nclasses=[]", "needs a list"),
        ("[t]\ntitle='a'\nunit='HU'\nsource='s'\nclasses=[{label='x',min=1},{label='y',min=2},{label='z'}]", "densest"),
        ("[t]\ntitle='a'\nunit='HU'\nclasses=[{label='x'}]", "needs `source`"),
        ("[t]\ntitle='a'\nunit='HU'\nsource='s'\nclasses=[{label='x',min='much'},{label='z'}]", "must be a number"),
        ("not toml", "not valid TOML"),
    ],
)
def test_wrong_tables_are_refused_with_a_reason(tmp_path: Path, text: str, why: str):
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(LibraryFileError, match=why):
        density_tables(path)
