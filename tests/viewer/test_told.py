"""What is said over the work stays until its own matter succeeds or a person puts it away; no late answer clears it.

The failures are put in by hand; the rule is the house's own: what went wrong reaches the person.
"""

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from siteplan.errors import OutputError
from tests.viewer.hands import MEASURED_MS, SOON_MS, rest, settle
from viewer import desk_asks
from viewer import window as window_module
from viewer.texts import say

pytestmark = pytest.mark.display


def test_a_sentence_stays_until_its_own_matter_succeeds_or_a_person_puts_it_away(opened, qtbot, monkeypatch, shoot):
    """Every other channel answers meanwhile, the library among them; none of them takes the sentence away."""
    desk, told, plan = opened.desk, opened.space.told, opened.desk.plan
    really = type(desk.session).save
    why = "case.json: this place cannot be written."
    monkeypatch.setattr(opened, "ask", lambda _title, _text, answers: len(answers) - 1)

    def fails(*_given, **_named):
        raise OutputError(why)

    def change_and_answer() -> None:
        heard = []
        for name, channel in desk.channels.items():
            channel.done.connect(lambda _n, _answer, name=name: heard.append(name))
        case = plan.case.model_copy(update={"structures": plan.case.structures[:-1]})
        desk.session.change(replace(plan, case=case), "a structure removed")
        settle(opened, qtbot)
        desk.session.undo()
        settle(opened, qtbot)
        assert {"cut", "film", "full", "library"} <= set(heard)

    desk.nudge(0.5, 0.0)
    plan = desk.plan
    monkeypatch.setattr(type(desk.session), "save", fails)
    assert not opened.save()
    change_and_answer()
    assert why in told.text()
    opened.actions_._report_done(Path("report.html"), "")  # news stands below it
    assert told.text().splitlines() == [say("save.not-written", error=why), say("report.done", place="report.html")]
    shoot(opened, "61_told")
    monkeypatch.setattr(type(desk.session), "save", really)
    assert opened.save()
    assert why not in told.text()
    for put_away in (
        lambda: QTest.keyClick(opened, Qt.Key.Key_Escape),
        lambda: QTest.mouseClick(told.away_button, Qt.MouseButton.LeftButton),
    ):
        opened.tell_of_error("Something else went wrong.")
        change_and_answer()
        assert told.text().startswith("Something else went wrong.")
        assert told.isVisible()
        put_away()
        assert told.text() == ""
        assert not told.isVisible()


def test_the_success_of_one_site_does_not_take_away_what_failed_at_another(opened, qtbot, monkeypatch):
    desk, told = opened.desk, opened.space.told
    really = desk_asks.measure

    def measure(request):
        if request.entry.tooth == 35:
            raise ZeroDivisionError
        return really(request)

    monkeypatch.setattr(desk_asks, "measure", measure)
    desk.nudge(0.3, 0.0)  # every site's numbers rest on it
    sentence = say("error.inside", what="ZeroDivisionError")
    qtbot.waitUntil(lambda: not desk.busy and not desk._stale(desk.plan.sites[-1]), timeout=MEASURED_MS)
    assert told.text() == sentence
    desk.choose(37)
    opened.actions_.other_site(1)
    qtbot.waitUntil(lambda: not desk.busy, timeout=MEASURED_MS)
    assert told.text() == sentence
    desk.session.change(desk.plan.without_site(35), "removed")
    qtbot.waitUntil(lambda: not desk.busy, timeout=MEASURED_MS)
    assert told.text() == ""


def test_an_error_before_anything_is_open_is_not_replaced_by_a_late_explanation(window, tmp_path, qtbot, monkeypatch):
    free, explained = threading.Event(), []

    def explain(_request):
        free.wait(60)
        explained.append(1)
        return (), []

    monkeypatch.setattr(window_module.opening, "explain", explain)
    (tmp_path / "empty").mkdir()
    window.open(tmp_path / "empty")
    qtbot.waitUntil(lambda: window.pages.currentWidget() is window.problem, timeout=MEASURED_MS)
    window.tell_of_error("Something else went wrong.")
    free.set()
    qtbot.waitUntil(lambda: bool(explained) and not window.why.busy, timeout=SOON_MS)
    rest(50)
    assert window.problem.sentence.text() == "Something else went wrong."
