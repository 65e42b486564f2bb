"""What lies under the window and knows no Qt: edits, history, recovery, lock, texts, pictures."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplan.anatomy import MadeBy
from siteplan.case import SiteEntry
from siteplan.errors import CaseError
from viewer import edits
from viewer.lock import CaseLock, started_at
from viewer.look import Look, Window
from viewer.plan import HandMark, empty_plan, plan_from_json
from viewer.recovery import RecoveryFile, all_recovered, find_recovered, set_aside
from viewer.session import Session, marks_path, read_plan, waiting_path
from viewer.texts import say, table
from viewer.undecided import undecided, with_rejected

ENTRY = SiteEntry(tooth=36, crest_mm=(30.0, -5.0, -40.0), axis=(0.1, 0.0, -1.0), buccal=(1.0, 0.1, 0.1))
MM = st.floats(-3, 3)
PUT_TOGETHER = {
    "led",
    "decide",
    "film",
    "depth",
    "way",
    "word",
    "tissue",
    "tool",
    "unit",
    "verdict",
    "question",
    "top",
    "near",
    "cards",
    "did",
    "scan",
}
"""Areas whose keys the code puts together from other names, so that a search cannot see them."""


@given(MM, MM, MM)
@settings(max_examples=60, deadline=None)
def test_a_move_shifts_the_whole_fixture(x, y, z):
    """Closed form: platform and tip move by the same vector, the axis stays."""
    after = edits.moved(ENTRY, [x, y, z])
    for before_point, after_point in (
        (edits.platform_of(ENTRY), edits.platform_of(after)),
        (edits.tip_of(ENTRY, 10.0), edits.tip_of(after, 10.0)),
    ):
        assert after_point - before_point == pytest.approx([x, y, z], abs=2e-4)


@given(MM, MM)
@settings(max_examples=60, deadline=None)
def test_a_tilt_turns_round_the_other_end(across, along):
    tip = edits.tip_of(ENTRY, 10.0) + across * ENTRY.frame().buccal + along * ENTRY.frame().distal
    after = edits.with_tip_at(ENTRY, tip)
    assert edits.platform_of(after) == pytest.approx(edits.platform_of(ENTRY), abs=1e-3)
    wanted = tip - edits.platform_of(ENTRY)
    assert after.frame().axis == pytest.approx(wanted / np.linalg.norm(wanted), abs=1e-5)
    assert float(after.frame().axis @ after.frame().buccal) == pytest.approx(0.0, abs=1e-9)


def test_an_edit_that_breaks_a_rule_changes_nothing():
    assert edits.moved(ENTRY, 30.0 * ENTRY.frame().axis) is ENTRY  # the platform may lie 10 mm from the crest at most
    assert edits.with_tip_at(ENTRY, edits.platform_of(ENTRY)) is ENTRY


def test_look_follows_only_where_the_axis_leaves_the_plane():
    look = Look(ENTRY.frame(), offset_mm=1.0, turn_deg=0.0)
    inside = edits.moved(ENTRY, 2.0 * ENTRY.frame().buccal).frame()
    assert look.follow(inside) is look
    aside = edits.moved(ENTRY, 0.5 * ENTRY.frame().distal).frame()
    assert look.follow(aside).anchor is aside
    assert look.follow(aside).offset_mm == 1.0


def test_turned_plane_is_perpendicular_and_does_not_flip():
    start = Look(ENTRY.frame()).plane()
    for turn in range(0, 360, 5):
        plane = Look(ENTRY.frame(), turn_deg=float(turn)).plane()
        assert float(plane.up @ start.up) == pytest.approx(1.0)
        assert abs(float(plane.right @ start.right)) == pytest.approx(abs(np.cos(np.radians(turn))), abs=1e-9)
        assert float(plane.right @ start.right) == pytest.approx(np.cos(np.radians(turn)), abs=1e-9)


def test_window_level_spreads_grey_between_its_ends():
    grey = np.array([[-500.0, 0.0, 500.0, np.nan]], np.float32)
    assert Window(-500, 500).bytes(grey).tolist() == [[0, 127, 255, 0]]


def _session(sample: Path) -> Session:
    plan, file = read_plan(sample)
    return Session(None, plan, file.folder, file.path, recovery=RecoveryFile(file.path, file.folder))


def test_history_has_no_limit_and_a_drag_is_one_step(sample):
    session = _session(sample)
    start = session.plan
    for step in range(300):
        moved = edits.with_notes(session.plan.sites[0], f"step {step}")
        session.show(session.plan.with_site(edits.with_notes(moved, "in the hand")))
        session.change(session.plan.with_site(moved), "write a note")
    for _ in range(300):
        assert session.undo()
    assert session.plan == start
    assert not session.undo()
    session.close()


def test_saved_case_and_marks_come_back(sample):
    session = _session(sample)
    mark = HandMark("distance", ((0.0, 0.0, 0.0), (1.0, 2.0, 2.0)), tooth=35)
    session.change(session.plan.with_mark(mark), "measure")
    session.save()
    again, _ = read_plan(sample)
    assert again == session.plan
    assert find_recovered(sample) is None


def test_arches_of_both_jaws_and_marks_of_an_earlier_version_come_back(sample):
    arch = [[30.0, -20.0, -40.0], [32.0, -15.0, -40.0], [34.0, -10.0, -40.0], [36.0, -5.0, -40.0]]
    old = {"marks": [{"kind": "note", "points_mm": [[1, 2, 3]], "text": "old", "tooth": 35}], "arch_mm": arch}
    marks_path(sample).write_text(json.dumps(old))
    plan, _ = read_plan(sample)
    assert plan.marks == (HandMark("note", ((1.0, 2.0, 3.0),), "old", 35),)
    assert [list(p) for p in plan.arch("lower")] == arch
    session = _session(sample)
    session.change(session.plan.with_arch("upper", plan.arch("lower")), "set the arch")
    session.save()
    assert not marks_path(sample).exists()  # the case file holds them now
    again, file = read_plan(sample)
    assert again == session.plan
    assert {a.jaw for a in file.case.arches} == {"upper", "lower"}


def test_what_waits_for_a_person_is_kept_beside_the_case(sample):
    session = _session(sample)
    canal = next(s for s in session.plan.case.structures if s.kind == "canal")
    proposal = canal.model_copy(update={"name": "a proposal", "made_by": MadeBy.FOUND})
    session.change(session.plan.with_proposal(proposal), "propose")
    session.save()
    again, file = read_plan(sample)
    assert again.proposals == (proposal,)
    assert proposal.name not in file.path.read_text()
    assert undecided(again)[0].proposed
    session.change(with_rejected(session.plan, proposal), "reject")
    session.save()
    assert not waiting_path(sample).exists()


def test_a_plan_without_sites_is_kept_but_not_saved_as_a_case(tmp_path):
    plan = empty_plan("series")
    assert plan_from_json(json.loads(json.dumps(plan.as_json()))) == plan
    with pytest.raises(CaseError, match="at least one site"):
        plan.checked_case()


def test_recovery_follows_every_change_and_can_be_set_aside(sample, state_folder):
    session = _session(sample)
    session.change(session.plan.without_site(37), "remove")
    session.close()
    (found,) = all_recovered()
    assert found.plan == session.plan
    assert (found.file.stat().st_mode & 0o077) == 0
    assert "Invented" not in found.file.name
    aside = set_aside(found)
    assert aside.exists()
    assert find_recovered(sample) is None


def test_a_killed_process_leaves_its_last_change(sample, state_folder, root):
    """The process is ended as by a power cut, right after the change reached the disk."""
    code = (
        "import os, sys, signal; from pathlib import Path; from viewer import edits;"
        "from viewer.recovery import RecoveryFile; from viewer.session import Session, read_plan;"
        f"plan, file = read_plan(Path({str(sample)!r}));"
        "s = Session(None, plan, file.folder, file.path, recovery=RecoveryFile(file.path, file.folder));"
        "s.change(s.plan.with_site(edits.with_notes(s.plan.sites[0], 'before the crash')), 'note');"
        "s.recovery.flush(); os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=root, env=os.environ, check=False, timeout=120)
    assert done.returncode != 0
    found = find_recovered(sample)
    assert found is not None
    assert found.plan.sites[0].notes == "before the crash"


def test_damaged_recovery_is_left_alone(sample):
    keeper = RecoveryFile(sample, sample.parent)
    keeper.file.parent.mkdir(parents=True)
    keeper.file.write_text("{half")
    assert find_recovered(sample) is None
    assert keeper.file.read_text() == "{half"


def test_lock_tells_of_a_living_window_only(sample):
    one, two = CaseLock(sample), CaseLock(sample)
    assert one.take() == ""
    assert two.take() == "this computer"
    one.release()
    assert two.take() == ""
    held = two._file
    assert held is not None
    held.write_text(json.dumps({"host": __import__("socket").gethostname(), "pid": 2**22 + 12345}))
    assert CaseLock(sample).take() == ""


def test_a_number_that_another_process_got_is_no_running_window(sample):
    """A window ended without its lock; since then a living process, here our own parent, has got its number."""
    lock = CaseLock(sample)
    assert lock.take() == ""
    held = lock._file
    assert held is not None
    content = json.loads(held.read_text())
    assert content["pid"] == os.getpid()
    if sys.platform.startswith("linux"):  # proc(5): field 22 is the start in ticks since boot; ours lies behind us
        up_s = float(Path("/proc/uptime").read_text().split()[0])
        assert 0 < int(content["started"]) / os.sysconf("SC_CLK_TCK") <= up_s
    parent = content | {"pid": os.getppid()}
    held.write_text(json.dumps(parent | {"started": started_at(os.getppid())}))
    assert CaseLock(sample).take() == "this computer"
    held.write_text(json.dumps(parent | {"started": "1"}))
    assert CaseLock(sample).take() == ""
    held.write_text(json.dumps({k: v for k, v in parent.items() if k != "started"}))  # of an earlier version
    assert CaseLock(sample).take() == "this computer"
    held.write_text("null")  # written half: nobody's
    assert CaseLock(sample).take() == ""


def test_common_way_in_is_the_middle_and_names_what_leans_too_far(root):
    """Closed form: two axes 6 degrees apart lean 3 degrees from their middle; one that leans by 20 more is out."""
    from siteplan.fixture import load_catalogue
    from viewer.way_in import way_meshes, way_words, ways_in

    fixture = next(f for f in load_catalogue().fixtures if f.design.one_piece)

    def site(tooth: int, lean_deg: float, y: float) -> SiteEntry:
        lean = np.radians(lean_deg)
        axis = (0.0, float(np.sin(lean)), float(-np.cos(lean)))
        return SiteEntry(
            tooth=tooth, crest_mm=(30.0, y, -40.0), axis=axis, buccal=(1.0, 0.0, 0.0), fixture=fixture.name
        )

    pair = [(site(35, 3.0, -10.0), fixture), (site(36, -3.0, 0.0), fixture)]
    (way,) = ways_in(pair)
    assert way.way.half_angle_deg == pytest.approx(3.0, abs=1e-5)
    assert way.way.direction == pytest.approx([0.0, 0.0, -1.0], abs=1e-6)
    arrow = way_meshes(way)[0].points_lps_mm
    tops = [edits.platform_of(e) + float(f.above.z_mm[0]) * e.frame().axis for e, f in pair]
    assert arrow[:, 2].min() > np.mean(tops, axis=0)[2]  # in the lower jaw the arrow stands above the abutments
    (wide,) = ways_in([*pair, (site(37, 20.0, 10.0), fixture)])
    assert [wide.sites[n][0].tooth for n in wide.way.out] == [37]
    assert "37 does not fit" in way_words((wide,))
    assert ways_in(pair[:1]) == ()


def test_every_text_is_used_and_every_used_text_exists(root):
    code = "\n".join(path.read_text("utf-8") for path in (root / "viewer").glob("*.py"))
    known = set(table("en"))
    used = set(re.findall(r"say\(\s*[\"']([\w.-]+)[\"']", code))
    assert used <= known, sorted(used - known)
    literal = set(re.findall(r"[\"']([a-z-]+\.[\w-]+)[\"']", code))
    literal |= {f"{k}-tip" for k in literal}  # buttons and rows take the tip of their own key
    idle = {k for k in known - used - literal if k.split(".")[0] not in PUT_TOGETHER}
    assert not idle, sorted(idle)


def test_what_rounds_to_nothing_has_no_sign():
    from siteplan.measures import Measure
    from viewer.overlay import measure_words

    assert measure_words(Measure(-0.04, "mm", -0.06, 0.04)) == "0.0 mm (−0.1 to 0.1)"
    assert measure_words(Measure(11.2, "mm", 11.162, 11.237)) == "11.2 mm (11.1 to 11.3)"
    # A thickness that the scan cannot tell from density shows its limit, in the report's words.
    assert measure_words(Measure(0.31, "mm", 0.12, 0.523, product_hu_mm=361.0)) == "thinner than 0.53 mm"


def test_texts_fill_their_places():
    assert say("picture.bar", mm="10") == "10 mm"


def test_where_qt_cannot_start_one_sentence_says_what_to_install(root):
    from viewer.start_check import explain

    lacking = "ImportError: libEGL.so.1: cannot open shared object file: No such file or directory"
    assert "apt install libegl1" in explain(lacking)
    assert "siteplan[window]" in explain("ModuleNotFoundError: No module named 'PySide6'")
    env = {k: v for k, v in os.environ.items() if k not in {"DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"}}
    done = subprocess.run([sys.executable, "-m", "siteplan", "view"], cwd=root, env=env, capture_output=True, text=True,
                          check=False, timeout=60)  # fmt: skip
    if sys.platform.startswith("linux"):
        assert done.returncode == 1
        assert "no display" in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1


def test_what_lies_near_is_called_nothing_only_where_nothing_was_found_in_the_case():
    """Before the case's structures were read, and where a proposal waits, "nothing" would be untrue."""
    from types import SimpleNamespace

    from viewer.answering import near

    empty = SimpleNamespace(structures=())
    assert near(None).short == say("answer.waiting")
    assert near(empty).short == say("near.none")
    proposal = SimpleNamespace(name="mandibular canal", note="")
    answer = near(empty, (proposal,))
    assert answer.short == say("near.none-but-proposed")
    assert [row.what for row in answer.rows] == ["mandibular canal"]
