"""Kit and protocol files: what is read, what is refused and with which words, where a number can be traced to."""

import math
import tomllib
from pathlib import Path

import jsonschema
import pytest

from siteplan.errors import LibraryFileError
from siteplan.surgery import kit_schema, load_kit, load_protocol, protocol_schema
from siteplan.surgery.toml_lines import key_lines, line_of

FILES = Path(__file__).resolve().parents[2] / "siteplan" / "surgery"
KIT = (FILES / "kits" / "demo-kit.toml").read_text(encoding="utf-8")
PROTOCOL = (FILES / "protocols" / "demo-protocol.toml").read_text(encoding="utf-8")


def test_the_files_that_come_with_the_program_fit_their_published_schemas():
    # jsonschema is somebody else's validator (JSON Schema 2020-12).
    jsonschema.validate(tomllib.loads(KIT), kit_schema())
    jsonschema.validate(tomllib.loads(PROTOCOL), protocol_schema())


def test_every_rule_and_drill_says_where_it_is_from():
    assert all(drill.source for drill in load_kit().file.drill)
    assert all(rule.source and rule.torque_source for rule in load_protocol().file.rule)


def test_marks_stand_every_two_millimetres_from_six_to_twenty():
    for drill in load_kit().file.drill:
        if drill.purpose in ("pilot", "shaping"):
            # common practice, no source
            assert {6, 8, 10, 12, 14, 16, 18, 20} <= set(drill.marks_mm)


@pytest.mark.parametrize(("angle", "factor"), [(118, 0.30043), (120, 0.28868), (135, 0.20711), (90, 0.5)])
def test_point_length_is_the_handbook_factor_times_the_diameter(tmp_path, angle, factor):
    # Machinery's Handbook, twist drill points, and a workshop table (drill.point_length_factor, confirmed).
    text = KIT.replace("point_angle_deg = 118", f"point_angle_deg = {angle}", 1)
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    drill = load_kit(path).file.drill[0]
    assert drill.point_length_mm == pytest.approx(factor * drill.diameter_mm, abs=2e-5)


def test_a_flat_end_has_no_point_and_a_mark_from_the_tip_adds_nothing(tmp_path):
    text = KIT.replace("point_angle_deg = 118", "point_angle_deg = 180", 1)
    text = text.replace('marks_count_from = "shoulder"', 'marks_count_from = "tip"', 2)
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    flat, pointed = load_kit(path).file.drill[:2]
    assert flat.point_length_mm == 0
    assert pointed.point_length_mm == pytest.approx(1.0 / math.tan(math.radians(60)))
    assert pointed.beyond_mark_mm == 0


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("point_angle_deg = 118", "point_angle_deg = 190", r"line 12 \(drill 1, point_angle_deg\).*190"),
        ('purpose = "pilot"', 'purpose = "plunge"', r"line 10 \(drill 1, purpose\).*plunge"),
        ("diameter_mm = 1.5", "diameter_mm = 1.5\ncolour = 3", r"drill 1, colour\): this key is not known"),
        ("marks_mm = [6, 8,", "marks_mm = [8, 6,", r"drill 1\): the marks of pilot 1.5 must rise"),
        ("max_depth_mm = 26", "max_depth_mm = 18", r"pilot 1.5 has a mark below its greatest depth of 18"),
        ("max_depth_mm = 26\n", "", r"drill 1, max_depth_mm\): this is missing"),
        ('units = "mm"', 'units = "inch"', r"line 5 \(units\).*inch"),
        ("[ratchet]", "[ratchet", r"not valid TOML.*line"),
        ('name = "pilot 2.0"', 'name = "pilot 1.5"', "'pilot 1.5' is the name of two things"),
        ("diameter_mm = 1.5", "diameter_mm = nan", "diameter_mm"),
    ],
)
def test_a_wrong_kit_is_refused_with_its_place(tmp_path, old, new, says):
    path = tmp_path / "own.toml"
    assert old in KIT
    path.write_text(KIT.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LibraryFileError, match=says) as caught:
        load_kit(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('lower = "D2"', 'lower = "D9"', "'D9' is no class of bone here; known are D1, D2, D3, D4, D5"),
        ("target_Ncm = [35, 50]", "target_Ncm = [35, 99]", "rule 1.*target_Ncm must be lowest, highest"),
        ("widening_turns = 4.0", "widening_turns = 2.0", "nothing would be gained"),
        ('labels = ["D1"]', 'labels = ["D1", "D5"]', "label 'D5' belongs to two classes"),
        ("under_core_mm = 0.0", "under_core_mm = -0.1", r"rule 1, under_core_mm.*-0.1"),
    ],
)
def test_a_wrong_protocol_is_refused_with_its_place(tmp_path, old, new, says):
    path = tmp_path / "own.toml"
    assert old in PROTOCOL
    path.write_text(PROTOCOL.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LibraryFileError, match=says):
        load_protocol(path)


def test_a_users_own_file_comes_first(tmp_path, monkeypatch):
    monkeypatch.setenv("SITEPLAN_FILES", str(tmp_path))
    (tmp_path / "kits").mkdir()
    (tmp_path / "kits" / "demo-kit.toml").write_text(
        KIT.replace('note = "Invented.', 'note = "Mine.'), encoding="utf-8"
    )
    assert load_kit().file.note.startswith("Mine.")
    assert load_protocol().file.note.startswith("Invented.")


@pytest.mark.parametrize("name", ["no-such", "../kits/demo-kit", "missing.toml"])
def test_a_file_that_is_not_there_is_said_in_one_sentence(name):
    with pytest.raises(LibraryFileError, match=r"no (such )?file"):
        load_kit(name)


def test_a_number_can_be_traced_to_its_line():
    protocol = load_protocol()
    rule = protocol.file.rule[7]
    where = protocol.where(rule, "under_core_mm")
    number = int(where.split("line ")[1].split(" ")[0])
    assert PROTOCOL.splitlines()[number - 1] == f"under_core_mm = {rule.under_core_mm}"


def test_lines_of_nested_tables():
    lines = key_lines('a = 1\n[b]\nc = 2\n[[d]]\ne = 3\n[[d]]\ne = 4\n[d.f]\n"g" = 5\nh.i = 6\n')
    assert line_of(lines, ("a",)) == 1
    assert line_of(lines, ("b", "c")) == 3
    assert line_of(lines, ("d", 0, "e")) == 5
    assert line_of(lines, ("d", 1, "e")) == 7
    assert line_of(lines, ("d", 1, "f", "unknown")) == 8
    assert line_of(lines, ("d", 1, "f", "h", "i")) == 10
    assert line_of(lines, ("z",)) is None


LONG = "x" * 1_000_000


@pytest.mark.parametrize(
    ("load", "text", "old", "new", "says"),
    [
        (load_kit, KIT, 'source = "', f'source = "{LONG}', "1000.*characters, 1000 at the most are kept; shorten it"),
        (load_kit, KIT, 'irrigation = "', f'irrigation = "{LONG[:2000]}', "irrigation.*1000 at the most"),
        (load_kit, KIT, 'purpose = "pilot"', f'purpose = "{LONG[:5000]}"', r"purpose\): .*x\.\.\."),
        (load_kit, KIT, 'name = "pilot 1.5"', r'name = "pilot\n1.5"', "drill 1, name.*one line of printable text"),
        (load_kit, KIT, 'name = "pilot 1.5"', f'name = "{LONG[:81]}"', "81 characters, 80 at the most"),
        (load_protocol, PROTOCOL, 'source = "', f'source = "{LONG[:1001]}', "bone 1, source.*shorten it"),
        (load_protocol, PROTOCOL, 'name = "D2"', 'name = "D1"', "'D1' is the name of two classes of bone"),
    ],
)
def test_a_text_that_no_card_can_hold_is_refused_in_a_short_sentence(tmp_path, load, text, old, new, says):
    path = tmp_path / "own.toml"
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LibraryFileError, match=says) as caught:
        load(path)
    assert len(str(caught.value)) < 300


def test_a_file_that_is_no_kit_by_its_size_is_not_read(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(KIT + "\n".join(f"# {LONG[:1000]}" for _ in range(1100)), encoding="utf-8")
    with pytest.raises(LibraryFileError, match="is it the right one"):
        load_kit(path)


def test_a_stop_that_could_fit_no_drill_is_refused(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(KIT + '\n[[stop]]\nname = "stop 9"\ndepth_mm = 9\nfits_diameter_mm = [4, 2]\n', encoding="utf-8")
    with pytest.raises(LibraryFileError, match="stop 9 fits must be lowest, highest"):
        load_kit(path)
