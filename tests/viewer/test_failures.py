"""What a person sees when a worker fails, and that nothing of one scan arrives in another.

The failures are put in by hand; what must follow from them is the house's own rule: a sentence, and no number that
stands for a place where it was not measured.
"""

import errno
import os
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import replace
from functools import partial

import pytest
from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from pytestqt.exceptions import capture_exceptions

from siteplan.case import load_case
from siteplan.errors import LibraryFileError
from tests.viewer.hands import MEASURED_MS, SOON_MS, rest, settle
from viewer import desk_asks
from viewer import recovery as recovery_module
from viewer import window as window_module
from viewer.app import tell_of_error
from viewer.jobs import Channel, leave, still_at_work
from viewer.plan import empty_plan
from viewer.recovery import RecoveryFile
from viewer.texts import say


class Panic(BaseException):
    """What a library in another language raises where it cannot go on: no `Exception`."""


@pytest.fixture
def channel(request):
    """A channel with lists of what it answered."""
    request.getfixturevalue("qtbot")
    made = Channel("tried")
    made.answers, made.problems = [], []
    made.done.connect(lambda _n, answer: made.answers.append(answer))
    made.failed.connect(lambda _n, why: made.problems.append(why))
    yield made
    made.close()


@pytest.mark.parametrize("error", [ValueError("Doe^Jane"), MemoryError(), Panic()], ids=lambda e: type(e).__name__)
def test_a_channel_tells_every_error_and_lives_on(channel, qtbot, error, caplog):
    def fail(_ticket):
        raise error

    channel.ask(fail)
    qtbot.waitUntil(lambda: bool(channel.problems), timeout=SOON_MS)
    assert channel.problems[0].endswith(".")
    assert "Doe" not in channel.problems[0] + caplog.text  # the words of an error may name a patient
    assert not channel.busy
    channel.ask(lambda _ticket: 7)
    qtbot.waitUntil(lambda: channel.answers == [7], timeout=SOON_MS)


def test_work_on_a_medium_that_does_not_answer_is_left_behind(qtbot):
    """A read that hangs stops neither the next opening nor the closing of the window."""
    free, answers = threading.Event(), []
    channel = Channel("slow", leaves_behind=True)
    channel.done.connect(lambda _n, answer: answers.append(answer))
    channel.ask(lambda _ticket: free.wait(30))
    rest(50)
    channel.ask(lambda _ticket: "next", give_up_running=True)
    qtbot.waitUntil(lambda: answers == ["next"], timeout=SOON_MS)
    channel.ask(lambda _ticket: free.wait(30))
    rest(50)
    start = time.monotonic()
    leave([channel])
    assert time.monotonic() - start < 2.5  # the work that hangs would have been waited for 3 s
    assert still_at_work()  # which is why the program then ends without taking the interpreter apart
    free.set()
    qtbot.waitUntil(lambda: not still_at_work(), timeout=SOON_MS)
    assert answers == ["next"]


def test_progress_is_told_seldom_but_every_new_word_is(channel, qtbot):
    told = []
    channel.moved.connect(lambda _n, _share, words: told.append(words))

    def work(ticket):
        for step in range(2000):
            ticket.progress(step / 2000, "reading" if step < 1999 else "done")

    channel.ask(work)
    qtbot.waitUntil(lambda: "done" in told, timeout=SOON_MS)
    assert told[0] == "reading"
    assert len(told) < 100


@pytest.mark.display
def test_a_site_that_cannot_be_measured_says_so_and_the_others_go_on(window, sample, qtbot, monkeypatch, shoot):
    really, fails = desk_asks.measure, [True]

    def measure(request):
        if request.rest is None and request.entry.tooth == first and fails[0]:
            raise ZeroDivisionError
        return really(request)

    first = 35
    monkeypatch.setattr(desk_asks, "measure", measure)
    window.open(sample)
    qtbot.waitUntil(lambda: window.desk.session is not None, timeout=MEASURED_MS)
    desk, space = window.desk, window.space
    teeth = [entry.tooth for entry in desk.plan.sites]
    assert first in teeth
    desk.choose(first)
    others = [tooth for tooth in teeth if tooth != first]
    qtbot.waitUntil(lambda: all(t in desk.measured and not desk.measured[t].quick for t in others), timeout=MEASURED_MS)
    qtbot.waitUntil(lambda: not desk.busy, timeout=MEASURED_MS)
    card = space.cards.cards[first]
    assert card.number_text() == say("number.absent")
    assert "ZeroDivisionError" in card.accessibleName()
    assert "ZeroDivisionError" in space.told.text()
    shoot(window, "60_failed")
    fails[0] = False
    QTest.keyClick(window, Qt.Key.Key_F5)
    settle(window, qtbot)
    assert desk.measured[first].site.placed is not None
    assert "ZeroDivisionError" not in card.accessibleName()
    assert space.told.text() == ""


@pytest.mark.display
def test_where_the_library_cannot_be_read_no_number_stands(opened, qtbot, monkeypatch):
    """A confirmed structure that could not be taken in: the old numbers do not know of it and must go."""
    desk, fails = opened.desk, [True]
    really = desk_asks.read_library

    def read(request):
        if fails[0]:
            raise LibraryFileError("margins.toml: cannot be read; put the file back.")
        return really(request)

    monkeypatch.setattr(desk_asks, "read_library", read)
    plan = desk.plan
    case = plan.case.model_copy(update={"structures": plan.case.structures[:-1]})
    desk.session.change(replace(plan, case=case), "a structure removed")
    assert all(desk._stale(entry) for entry in plan.sites)  # from the moment of the change
    qtbot.waitUntil(lambda: not desk.busy, timeout=MEASURED_MS)
    for card in opened.space.cards.cards.values():
        assert card.number_text() == say("number.absent")
        assert "put the file back" in card.accessibleName()
    fails[0] = False
    QTest.keyClick(opened, Qt.Key.Key_F5)
    settle(opened, qtbot)
    assert len(desk.library.structures) == len(plan.case.structures) - 1


@pytest.mark.display
def test_nothing_of_the_former_scan_arrives_in_the_next(window, sample, qtbot, monkeypatch):
    """The former case's workers are held back until the next scan, without any site, is open."""
    free = threading.Event()
    held = []

    def late(really):
        def work(*given):
            held.append(really.__name__)
            free.wait(60)
            return really(*given)

        return work

    for name in ("make_film", "make_cut", "measure"):
        monkeypatch.setattr(desk_asks, name, late(getattr(desk_asks, name)))
    window.open(sample)
    qtbot.waitUntil(lambda: {"make_film", "make_cut", "measure"} <= set(held), timeout=MEASURED_MS)
    desk, former = window.desk, window.desk.session
    other = sample.parent.parent / "other"
    shutil.copytree(sample.parent / "series", other)
    window.open(other)
    qtbot.waitUntil(lambda: desk.session is not former, timeout=MEASURED_MS)
    free.set()
    qtbot.waitUntil(lambda: not desk.busy and not window.actions_.adding.finder.busy, timeout=MEASURED_MS)
    rest(100)
    assert desk.measured == {}
    assert desk._last_full == {}
    assert window.space.section.cut is None
    assert window.space.film.frames == []


@pytest.mark.display
def test_a_case_that_somebody_else_changed_is_written_over_only_when_a_person_says_so(
    window, sample, tmp_path, qtbot, monkeypatch
):
    window.open(sample)
    qtbot.waitUntil(lambda: window.space.section.plane() is not None, timeout=MEASURED_MS)
    window.desk.nudge(0.5, 0.0)
    theirs = sample.read_text() + "\n"
    sample.write_text(theirs)
    asked, answers = [], iter([2, 0, 1])
    monkeypatch.setattr(window, "ask", lambda _title, text, _answers: asked.append(text) or next(answers))
    monkeypatch.setattr(window_module.QFileDialog, "getSaveFileName", lambda *_a, **_k: (str(tmp_path / "b.json"), ""))
    assert not window.save()
    assert "somebody else" in asked[0]
    assert sample.read_text() == theirs
    assert window.desk.session.unsaved
    assert window.save()  # somewhere else
    assert sample.read_text() == theirs
    assert load_case(tmp_path / "b.json").case.sites[0] == window.desk.plan.sites[0]
    window.desk.nudge(0.5, 0.0)
    assert window.save()  # nobody has touched the new one: no question
    assert len(asked) == 2
    (tmp_path / "b.json").write_text(theirs)
    window.desk.nudge(0.5, 0.0)
    assert window.save()
    assert load_case(tmp_path / "b.json").case.sites[0] == window.desk.plan.sites[0]


@pytest.mark.display
def test_an_error_of_the_window_itself_reaches_the_person_once(window, sample, qtbot, monkeypatch, capsys):
    window.open(sample)
    qtbot.waitUntil(lambda: window.desk.entry is not None, timeout=MEASURED_MS)
    told, really = [], window.tell_of_error
    monkeypatch.setattr(window, "tell_of_error", lambda sentence: (told.append(sentence), really(sentence)))
    sentence = say("error.inside", what="KeyError")

    def broken() -> None:
        raise KeyError("Doe^Jane")

    with capture_exceptions():  # pytest-qt would take the hook away
        monkeypatch.setattr(sys, "excepthook", partial(tell_of_error, window))
        for _ in range(3):
            QTimer.singleShot(0, broken)
            rest(20)
    assert told == [sentence]
    assert sentence in window.space.told.text()
    settle(window, qtbot)
    assert sentence in window.space.told.text()  # answers that have nothing to do with it came meanwhile


CLOSING = """
import sys, threading, time
from pathlib import Path
from PySide6.QtCore import QTimer
from tests.viewer.hands import rest
from viewer import app, desk_asks, window as window_module
from viewer.jobs import Channel

def busy(*_given):
    started.append(1)
    time.sleep(90)

started = []
for name in ("make_film", "make_cut", "measure"):
    setattr(desk_asks, name, busy)

def leave():
    if len(started) < 3:
        QTimer.singleShot(50, leave)
        return
    window = next(w for w in app_of().topLevelWidgets() if isinstance(w, window_module.MainWindow))
    window.desk.session._saved = window.desk.session._kept
    assert len(window.findChildren(Channel)) > 9
    print("leaving", time.monotonic(), flush=True)
    window.close()

def app_of():
    from PySide6.QtWidgets import QApplication
    return QApplication.instance()

QTimer.singleShot(0, leave)
code = app.main([sys.argv[1]])
print("left", time.monotonic(), flush=True)
sys.exit(code)
"""


@pytest.mark.display
def test_closing_while_workers_are_in_a_library_is_quick_and_clean(display, sample, root, state_folder):
    """Three workers sleep for a minute and a half, as a long computation would; window and program end at once."""
    env = {**os.environ, "SITEPLAN_STATE": str(state_folder)}
    run = subprocess.Popen([sys.executable, "-c", CLOSING, str(sample)], cwd=root, env=env, text=True,
                           stdout=subprocess.PIPE, stderr=subprocess.PIPE)  # fmt: skip
    assert run.stdout is not None
    try:
        line = run.stdout.readline()
        start = time.monotonic()
        _out, err = run.communicate(timeout=80)
        assert line.startswith("leaving"), err
        assert time.monotonic() - start < 40  # three seconds of waiting, and a busy machine; the work takes 90
        assert run.returncode == 0, err
        assert "Traceback" not in err
        assert not list(state_folder.glob("locks/*"))
        assert not list(sample.parent.glob(".siteplan*"))
    finally:
        run.kill()


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), ValueError("Doe^Jane")])
def test_what_cannot_be_kept_is_told_at_once_and_nothing_waits_for_ever(tmp_path, monkeypatch, error):
    """A full disk, and an error that nobody thought of: the writing thread tells both and lives on."""
    told = threading.Event()
    kept = RecoveryFile(tmp_path / "case.json", tmp_path, tmp_path / "state", told=told.set)

    def fail(*_given):
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(recovery_module, "write_whole", fail)
        kept.keep(empty_plan("series", None))
        assert told.wait(10)
        kept.flush()
    assert "No space left" in kept.problem or "ValueError" in kept.problem
    assert "Doe" not in kept.problem
    kept.keep(empty_plan("series", None))
    kept.flush()
    assert kept.problem == ""
    assert kept.file.exists()


@pytest.mark.display
def test_a_click_on_the_strip_before_there_is_an_arch_does_nothing(window, sample, qtbot, monkeypatch):
    monkeypatch.setattr(desk_asks, "unroll", lambda *_given: None)
    window.open(sample)
    qtbot.waitUntil(lambda: window.desk.library is not None and bool(window.space.strip.sites), timeout=MEASURED_MS)
    with capture_exceptions() as errors:
        window.space.strip.set_panorama(None)
        QTest.mouseClick(window.space.strip, Qt.MouseButton.LeftButton)
    assert errors == []
