"""How the drill is led, said in the window: chances, card and verdicts follow, undo takes it back, keys reach it."""

import pytest
from PySide6.QtCore import Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMenu

from siteplan.case import load_case
from siteplan.placement.hand import hands
from tests.viewer.hands import SOON_MS, settle
from viewer.texts import say

pytestmark = pytest.mark.display


def _chances(window, tooth: int) -> dict[str, float]:
    return {risk.structure: risk.breach.value for risk in window.desk.measured[tooth].site.placed.risks}


def _pick(window, words: str, title: str) -> None:
    """Choose a line of the menu below a title."""
    actions = window.actions_.led.make_menu().actions()
    start = next(n for n, a in enumerate(actions) if a.text() == title)
    next(a for a in actions[start:] if a.text() == words).trigger()


def test_nothing_said_is_a_free_hand_and_said_to_be_assumed(opened):
    led = opened.actions_.led
    assert led.button.text() == say("led.button", how="free hand (assumed)")
    cautions = opened.space.answers.questions["fits"].answer.cautions
    assert any(words.startswith("Free hand (assumed: the case does not say): ") for words in cautions)
    assert hands()["free"].source in led.button.toolTip()
    checked = [a.text() for a in led.make_menu().actions() if a.isChecked()]
    assert checked == [say("led.as-case", how="free hand (assumed)"), say("led.unsaid")]


def test_a_guide_for_all_sites_changes_chances_and_card_of_each_and_can_be_taken_back(opened, qtbot, sample, shoot):
    desk, space = opened.desk, opened.space
    before = {tooth: _chances(opened, tooth) for tooth in (35, 37)}
    _pick(opened, "static guide", say("led.case"))
    assert all(desk._stale(entry) for entry in desk.plan.sites)  # no number of the former hand stands as a sure one
    assert space.answers.questions["drill"].text() == say("drill.moving")
    assert opened.actions_.led.button.text() == say("led.button", how="static guide (all sites)")
    settle(opened, qtbot)
    guide = hands()["static-guide"]
    for tooth in (35, 37):
        site = desk.measured[tooth].site
        assert site.guidance.hand == guide
        after = _chances(opened, tooth)
        assert after.keys() == before[tooth].keys()
        # A hand that deviates less breaks a margin that is kept less often, and one that is broken no more seldom.
        assert any(after[name] < before[tooth][name] for name in after)
        assert all(risk.hand == guide for risk in site.placed.risks)
    assert any("seat has to be checked" in words for words in space.answers.questions["fits"].answer.cautions)
    assert guide.source in opened.actions_.led.button.toolTip()
    assert "sleeve" in space.answers.questions["drill"].answer.rows[0].note  # above the steps, where depths are read
    shoot(opened, "70_led")
    assert opened.save()
    assert load_case(sample).case.guidance == "static-guide"
    QTest.keyClick(opened, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    settle(opened, qtbot)
    assert desk.plan.case.guidance is None
    assert {tooth: _chances(opened, tooth) for tooth in (35, 37)} == before
    assert space.answers.questions["drill"].answer.rows[0].what != say("led.row")


def test_one_site_may_be_led_in_another_way_than_the_rest(opened, qtbot):
    desk = opened.desk
    before = _chances(opened, 37)
    _pick(opened, "navigation", say("led.site", tooth=35))
    settle(opened, qtbot)
    assert desk.measured[35].site.guidance.hand.name == "navigation"
    assert desk.measured[37].site.guidance.assumed
    assert {k: v for k, v in _chances(opened, 37).items() if "fixture" not in k} == {
        k: v for k, v in before.items() if "fixture" not in k
    }
    assert opened.actions_.led.button.text() == say("led.button", how="navigation (this site)")
    desk.choose(37)
    assert opened.actions_.led.button.text() == say("led.button", how="free hand (assumed)")
    desk.choose(35)
    _pick(opened, say("led.as-case", how="free hand (assumed)"), say("led.site", tooth=35))
    assert desk.plan.sites[0].guidance is None
    assert opened.space.undo_button.toolTip() == say(
        "top.undo-what", what=say("did.led-site", how="not said", tooth=35)
    )


def test_keys_reach_it(opened, qtbot):
    """The key opens the list with what holds now chosen; an arrow and Enter take another line, and no fixture moves."""
    desk, place = opened.desk, opened.desk.plan.sites[0].crest_mm
    seen = []

    def answer() -> None:
        menu = QApplication.activePopupWidget()
        if not isinstance(menu, QMenu):
            QTimer.singleShot(20, answer)
            return
        seen.append(menu.activeAction().text())
        for key in (Qt.Key.Key_Down, Qt.Key.Key_Down, Qt.Key.Key_Return):
            QTest.keyClick(menu, key)

    QTimer.singleShot(0, answer)
    QTest.keyClick(opened, Qt.Key.Key_G)
    qtbot.waitUntil(lambda: bool(seen), timeout=SOON_MS)
    assert seen == [say("led.as-case", how="free hand (assumed)")]
    assert desk.plan.sites[0].guidance == "static-guide"
    assert desk.plan.sites[0].crest_mm == place
    assert opened.actions_.led.button.focusPolicy() & Qt.FocusPolicy.TabFocus
