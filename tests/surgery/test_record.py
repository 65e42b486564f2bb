"""The seating record: nothing is lost by a kill at any moment, and nothing is ever rewritten."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from siteplan.errors import OutputError
from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.record import Record, add_entry, read_record, read_records, record_path, recorded_teeth
from siteplan.surgery.seating import Phase
from siteplan.surgery.seating_plan import SeatingError, SeatingPlan

PLAN = SeatingPlan(
    tooth=36, fixture="any-4.0x10", length_mm=10.0, lead_mm=1.0, apex_mm=10.0, drop_in_mm=1.0, gum_mm=2.0,
    settings_Ncm=(15.0, 25.0), target_Ncm=(25.0, 25.0), loading_Ncm=25.0, ceiling_Ncm=30.0, back_out_turns=2.0,
    widening_turns=4.0, same_tolerance_turns=0.25, cycles_before_opening=3, depth_tolerance_mm=0.7,
)  # fmt: skip
START = Entry(Kind.STARTED, plan=PLAN)
HAND = Entry(Kind.TURNED_BY_HAND, turns=3.0)
CLICK = Entry(Kind.CLICKED, turns=1.0, torque_Ncm=15.0)


@pytest.fixture
def path(tmp_path):
    return record_path(tmp_path / "case.json")


def write(path, *entries, tooth=36):
    record = read_record(path, tooth)
    for entry in entries:
        record = add_entry(path, record, entry, time="2026-01-01T10:00:00+00:00")
    return record


def test_it_lies_beside_the_case(tmp_path):
    assert record_path(tmp_path / "a.json") == tmp_path / "a.seating.jsonl"


def test_what_was_written_is_read_again(path):
    written = write(path, START, HAND, CLICK, Entry(Kind.NOTE, text="ünd blutig"))
    again = read_record(path, 36)
    assert again == written
    assert [entry.sequence for entry in again.entries] == [1, 2, 3, 4]
    assert again.state.depth_mm == 5.0


def test_an_entry_that_does_not_fit_is_not_written(path):
    record = write(path, START)
    before = path.read_bytes()
    with pytest.raises(SeatingError, match="does not fit"):
        add_entry(path, record, CLICK)
    assert path.read_bytes() == before


def test_undo_and_correction_only_add(path):
    write(path, START, HAND, CLICK)
    before = path.read_bytes()
    record = write(path, Entry(Kind.UNDO, of=3), Entry(Kind.CORRECTION, of=2, turns=2.0))
    assert path.read_bytes().startswith(before)
    assert record.state.turns == 2.0


@pytest.mark.parametrize("kept", [0.0, 0.3, 0.6, 0.95])
def test_a_torn_last_line_is_left_out_and_told_and_the_next_entry_is_safe(path, kept):
    write(path, START, HAND)
    whole = path.read_bytes()
    write(path, CLICK)
    last = path.read_bytes()[len(whole) :]
    path.write_bytes(whole + last[: int(kept * (len(last) - 1))])
    record = read_record(path, 36)
    assert len(record.entries) == 2
    assert record.unreadable_lines == ((3,) if kept else ())
    write(path, CLICK)
    assert read_record(path, 36).entries[-1].kind is Kind.CLICKED


def test_every_possible_cut_of_the_file_leaves_a_readable_record(path):
    write(path, START, HAND, CLICK)
    whole = path.read_bytes()
    for end in range(len(whole) + 1):
        path.write_bytes(whole[:end])
        record = read_record(path, 36)
        assert len(record.entries) in (whole[:end].count(b"\n"), whole[: end + 1].count(b"\n"))


def test_a_writer_that_is_killed_at_any_moment_loses_at_most_the_entry_under_way(path):
    code = (
        "import sys\n"
        "sys.path[:0] = sys.argv[2:]\n"
        "from pathlib import Path\n"
        "from siteplan.surgery.entries import Entry, Kind\n"
        "from siteplan.surgery.record import Record, add_entry, read_record\n"
        "path = Path(sys.argv[1])\n"
        "record = read_record(path, 36)\n"
        "while True:\n"
        "    record = add_entry(path, record, Entry(Kind.NOTE, text='x' * 300))\n"
        "    print(record.entries[-1].sequence, flush=True)\n"
    )
    write(path, START, HAND)
    for pause in (0.0, 0.03, 0.1):
        child = subprocess.Popen([sys.executable, "-c", code, str(path), *sys.path], stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(pause)
        os.kill(child.pid, signal.SIGKILL)
        acknowledged = [int(line) for line in child.stdout if line.strip()]
        child.wait()
        record = read_record(path, 36)
        assert len(record.entries) >= max(acknowledged, default=3)
        assert record.state.phase is Phase.RATCHET


def test_teeth_are_kept_apart_and_a_new_start_begins_a_new_record(path):
    write(path, START, HAND)
    other = replace(PLAN, tooth=46)
    write(path, Entry(Kind.STARTED, plan=other), tooth=46)
    empty = replace(read_record(path, 36), entries=())
    add_entry(path, empty, START)
    assert recorded_teeth(path) == (36, 46)
    assert [len(record.entries) for record in read_records(path, 36)] == [2, 1]
    assert len(read_record(path, 46).entries) == 1


def test_two_writers_do_not_mix(path):
    mine = write(path, START, HAND)
    write(path, CLICK)
    with pytest.raises(SeatingError, match="changed elsewhere"):
        add_entry(path, mine, CLICK)


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(OutputError, match="could not be written"):
        add_entry(tmp_path / "missing" / "a.seating.jsonl", read_record(tmp_path / "a", 36), START)


def test_garbage_lines_are_numbered_and_skipped(path):
    write(path, START)
    with path.open("ab") as file:
        file.write(b'\xff\xfe\n[1, 2]\n{"tooth": 36, "kind": "danced"}\n{"tooth": 36}\n')
    record = write(path, HAND)
    assert read_record(path, 36).unreadable_lines == (2, 3, 4, 5)
    assert record.state.turns == 3.0


def test_two_guides_that_began_side_by_side_do_not_write_into_each_other(path):
    first = add_entry(path, Record(36, ()), START, time="2026-01-01T10:00:00+00:00")
    add_entry(path, Record(36, ()), START, time="2026-01-01T10:00:07+00:00")
    before = path.read_bytes()
    with pytest.raises(SeatingError, match="changed elsewhere"):
        add_entry(path, first, HAND)
    assert path.read_bytes() == before
