"""The case file: what is accepted, and one clear sentence with the place for everything that is not."""

import copy
import json

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from siteplan.anatomy import Cone, Surface, Tube
from siteplan.case import check_against_scan, load_case, parse_case, save_case, structure_of
from siteplan.case.model import Case
from siteplan.errors import CaseError, OutputError
from siteplan.scan import GreyScale, Patient, Scan, SeriesFacts

GOOD = {
    "schema": "siteplan-case/1",
    "units": "mm",
    "series": "series",
    "sites": [
        {
            "tooth": 36,
            "side": "left",
            "crest_mm": [4, 5, 6],
            "axis": [0, 0, -2],
            "buccal": [1, 0, 0],
            "fixture": "any",
            "approach": "flapless",
            "soft_tissue_mm": 2.0,
        }
    ],
    "structures": [
        {"kind": "canal", "name": "canal left", "side": "left", "points_mm": [[0, 0, 0], [0, 9, 0]], "radius_mm": 1.4},
        {
            "kind": "root",
            "name": "root of 35",
            "cone": {"base_mm": [0, 0, 9], "tip_mm": [0, 0, 0], "base_radius_mm": 3},
        },
        {
            "kind": "sinus-floor",
            "name": "floor",
            "surface": {"points_mm": [[0, 0, 9], [9, 0, 9], [0, 9, 9], [9, 9, 9.5]]},
        },
    ],
}


def changed(path, value):
    """A copy of GOOD with one member replaced; `...` removes it."""
    case = copy.deepcopy(GOOD)
    place = case
    for step in path[:-1]:
        place = place[step]
    if value is ...:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return json.dumps(case).encode()


def test_a_good_case_reads_and_survives_a_round_trip(tmp_path):
    case = parse_case(json.dumps(GOOD).encode())
    save_case(case, tmp_path / "case.json")
    again = load_case(tmp_path / "case.json")
    assert again.case == case
    assert again.series_path == (tmp_path / "series").resolve()


def test_the_shipped_schema_accepts_what_the_program_accepts():
    # JSON Schema 2020-12, checked by an independent validator.
    schema = Case.model_json_schema(by_alias=True)
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(GOOD)
    assert list(Draft202012Validator(schema).iter_errors(json.loads(changed(("units",), "cm"))))


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (("colour",), "red", r"case: colour: this key is not known"),
        (("sites", 0, "torq"), 3, r"case: sites\[0\].torq: this key is not known"),
        (("units",), "cm", r"case: units: only 'mm' is understood, not 'cm'"),
        (("units",), ..., r"case: units: this key is missing"),
        (("schema",), "siteplan-case/9", r"case: schema: this program reads 'siteplan-case/1'"),
        (("sites", 0, "tooth"), 49, r"case: sites\[0\].tooth: there is no tooth 49 in ISO 3950"),
        (("sites", 0, "tooth"), 56, r"no tooth 56"),
        (("sites", 0, "axis"), [0, 0, 0], r"case: sites\[0\].axis: a direction of length zero"),
        (("sites", 0, "buccal"), [0, 0, 4], r"case: sites\[0\]: buccal: it is parallel to the axis"),
        (("sites", 0, "crest_mm"), [1, 2], r"case: sites\[0\].crest_mm\[2\]: number 3 of the list is missing"),
        (("sites", 0, "crest_mm"), [1, 2, "x"], r"case: sites\[0\].crest_mm\[2\]: a number is needed"),
        (("sites", 0, "side"), "right", r"tooth 36 lies on the left side"),
        (("sites", 0, "soft_tissue_mm"), ..., r"flapless approach counts depth from the gum"),
        (
            ("sites", 0, "soft_tissue_mm"),
            20,
            r"case: sites\[0\].soft_tissue_mm: the number must be at most 15",
        ),
        (("sites", 0, "planned_contacts"), ["nothing"], r"names 'nothing', which is no structure"),
        (("sites",), [], r"case: sites: the list needs at least 1 entry"),
        (("structures", 0, "radius_mm"), [1.0], r"structures\[0\]: radius_mm has 1 numbers for 2 points"),
        (
            ("structures", 0, "radius_mm"),
            -1,
            r"structures\[0\]: radius_mm of this canal must lie between 0.3 and 15 mm",
        ),
        (("structures", 0, "radius_mm"), 0, r"structures\[0\]: radius_mm of this canal must lie between 0.3 and 15 mm"),
        (("structures", 0, "radius_mm"), ..., r"structures\[0\]: points_mm needs radius_mm"),
        (("structures", 0, "cone"), GOOD["structures"][1]["cone"], r"exactly one of points_mm"),
        (("structures", 1, "name"), "canal left", r"two structures are called 'canal left'"),
        (("structures", 2, "surface", "triangles"), [[0, 1, 9]], r"structures\[2\].surface: triangle 0 names a point"),
        (("structures", 0, "kind"), "nerve-ish", r"structures\[0\].kind: "),
    ],
)
def test_each_mistake_has_its_own_sentence_with_the_place(path, value, says):
    with pytest.raises(CaseError, match=says) as caught:
        parse_case(changed(path, value))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"{", "not valid JSON at line 1, column 2: the file ends here"),
        (b'{"a": 1,\n "b": }', "not valid JSON at line 2, column 7: a value is expected here, not '}'"),
        (b'{"a": 1\n "b": 2}', "line 2, column 2: a comma, colon or closing bracket is missing"),
        (b'{"a": [1, 2, ]}', "column 14: a comma stands before '\\]'"),
        (bytes(128) + b"DICM", "this is a DICOM file and no case"),
        (b" ", "the file is empty"),
        (b"\xff\xfe", "not UTF-8"),
        (b"[]", "a case is a JSON object with a 'schema' field, not a list"),
        (b'{"schema": NaN}', "NaN is not a number"),
        (b'{"a": "NaN",\n "b": [1, -Infinity]}', "-Infinity is not a number .* stands at 'b', line 2, column 11"),
        (b"[" * 100000, "not usable JSON"),
    ],
)
def test_what_is_no_case_at_all_is_refused_in_one_sentence(raw, says):
    with pytest.raises(CaseError, match=says):
        parse_case(raw)


def test_a_missing_file_says_which(tmp_path):
    with pytest.raises(CaseError, match=r"none.json: the case file cannot be read \(No such file"):
        load_case(tmp_path / "none.json")


def test_a_failed_save_leaves_the_old_file_alone(tmp_path, monkeypatch):
    case = parse_case(json.dumps(GOOD).encode())
    target = tmp_path / "case.json"
    target.write_text("old")

    def no_space(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", no_space)
    with pytest.raises(OutputError, match="No space left on device"):
        save_case(case, target)
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["case.json"]


def test_entries_become_exact_shapes():
    tube, cone, floor = (structure_of(s) for s in parse_case(json.dumps(GOOD).encode()).structures)
    assert isinstance(tube.shape, Tube)
    assert tube.shape.radius_mm.tolist() == [1.4, 1.4]
    assert isinstance(cone.shape, Cone)
    assert isinstance(floor.shape, Surface)
    assert len(floor.shape.triangles) == 2


def test_points_on_one_line_span_no_surface():
    line = [[0, 0, 0], [1, 1, 1], [2, 2, 2]]
    case = parse_case(changed(("structures", 2, "surface", "points_mm"), line))
    with pytest.raises(CaseError, match=r"structures\[2\] \(floor\): its points span no surface"):
        structure_of(case.structures[2], "structures[2]")


def small_scan():
    n = 21
    return Scan(
        np.zeros((n, n, n), np.int16),
        np.eye(4),
        np.ones(n),
        np.zeros(n),
        GreyScale("", False, ""),
        Patient(),
        SeriesFacts("1", "1", "CT", "", (), "", "", n),
    )


def test_a_crest_outside_the_scan_is_refused_with_place_and_field():
    check_against_scan(parse_case(json.dumps(GOOD).encode()), small_scan())
    with pytest.raises(CaseError, match=r"sites\[0\].crest_mm: tooth 36 .*\(0.0, 0.0, 0.0\) to \(20.0, 20.0, 20.0\)"):
        check_against_scan(parse_case(changed(("sites", 0, "crest_mm"), [4, 5, 26])), small_scan())
    with pytest.raises(CaseError, match=r"structures\[0\]: canal left lies wholly outside"):
        check_against_scan(parse_case(changed(("structures", 0, "points_mm"), [[0, 0, 99]])), small_scan())


HAND = {
    "mouth_opening_mm": 44.0,
    "marks": [
        {"kind": "distance", "points_mm": [[0, 0, 0], [0, 0, 4.5]], "tooth": 36},
        {"kind": "angle", "points_mm": [[1, 0, 0], [0, 0, 0], [0, 1, 0]]},
        {"kind": "circle", "points_mm": [[0, 0, 0], [1, 0, 0], [0, 0, 1]], "text": "soft here"},
        {"kind": "note", "points_mm": [[1, 2, 3]], "text": "old extraction site"},
    ],
    "arches": [{"jaw": "lower", "control_points_mm": [[9, 0, 0], [5, -6, 0], [-5, -6, 0], [-9, 0, 0]]}],
}


def test_what_is_set_by_hand_survives_a_round_trip(tmp_path):
    case = parse_case(json.dumps(GOOD | HAND).encode())
    save_case(case, tmp_path / "case.json")
    again = load_case(tmp_path / "case.json").case
    assert again == case
    assert [mark.kind for mark in again.marks] == ["distance", "angle", "circle", "note"]
    assert again.arches[0].control_points_mm[1] == (5, -6, 0)
    Draft202012Validator(Case.model_json_schema(by_alias=True)).validate(
        json.loads((tmp_path / "case.json").read_text())
    )


def test_an_old_case_has_nothing_by_hand_and_gains_no_keys(tmp_path):
    case = parse_case(json.dumps(GOOD).encode())
    assert (case.mouth_opening_mm, case.marks, case.arches) == (None, [], [])
    assert not {"mouth_opening_mm", "marks", "arches"} & set(case.as_json())


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (("mouth_opening_mm",), 0, r"case: mouth_opening_mm: the number must be above 0"),
        (("mouth_opening_mm",), 440, r"case: mouth_opening_mm: the number must be at most 80"),
        (("marks", 0, "points_mm"), [[0, 0, 0]], r"case: marks\[0\]: a mark of kind distance has 2 points, not 1"),
        (("marks", 2, "points_mm"), [[0, 0, 0]], r"case: marks\[2\]: a mark of kind circle has 2 or 3 points, not 1"),
        (("marks", 3, "text"), " ", r"case: marks\[3\]: a note without text"),
        (("marks", 0, "kind"), "area", r"case: marks\[0\].kind: "),
        (("marks", 0, "tooth"), 99, r"case: marks\[0\].tooth: there is no tooth 99"),
        (("arches", 0, "control_points_mm"), [[0, 0, 0]] * 3, r"case: arches\[0\].control_points_mm: "),
        (("arches", 0, "control_points_mm"), [[0, 0, 0]] * 4, r"case: arches\[0\]: control points 0 and 1 are closer"),
        (("arches",), HAND["arches"] * 2, r"each jaw has one arch"),
    ],
)
def test_each_mistake_by_hand_has_its_own_sentence(path, value, says):
    case = copy.deepcopy(GOOD | HAND)
    place = case
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    with pytest.raises(CaseError, match=says):
        parse_case(json.dumps(case).encode())
