"""How the drill is led, as a person says it in the window: for all sites of the case, or for the present one alone.

Chances of breaking a margin, notes on the card and proposals rest on it. Nothing is assumed to be better than a free
hand before a person has said so here (`siteplan.case.guidance`).
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject
from PySide6.QtGui import QAction, QActionGroup, QCursor
from PySide6.QtWidgets import QMenu

from siteplan.case.guidance import Guidance, guidance_of, with_guidance
from siteplan.placement.hand import Hand, hands
from viewer.texts import say

if TYPE_CHECKING:
    from viewer.desk import Desk
    from viewer.window import MainWindow


def state_words(led: Guidance) -> str:
    """ "static guide (this site)", "free hand (assumed)": short enough for a button."""
    return say(f"led.by-{led.given}", how=led.hand.words)


def hand_tip(hand: Hand) -> str:
    """The deviations that this hand stands for, their source, and what they do not hold for."""
    spread = say("led.spread", mm=f"{hand.entry_sd_mm:.2f}", deg=f"{hand.angle_sd_deg:.1f}")
    return "\n".join((spread, f"{hand.source} ({hand.status}).", hand.caution))


class Led(QObject):
    """The button beside the answer to "does it fit", its menu, and what they do to the plan."""

    def __init__(self, desk: Desk, window: MainWindow) -> None:
        super().__init__(window)
        self.desk = desk
        self.window = window
        self.button = desk.space.led_button
        self.button.clicked.connect(self.menu)
        desk.changed.connect(self.show_state)

    def show_state(self) -> None:
        """The button says what holds at the present site, and who said so."""
        plan, entry = self.desk.plan, self.desk.entry
        self.button.setVisible(plan is not None and entry is not None)
        if plan is not None and entry is not None:
            led = guidance_of(entry, plan.case.guidance)
            self.button.setText(say("led.button", how=state_words(led)))
            self.button.setToolTip(f"{say('led.tip')}\n{hand_tip(led.hand)}")

    def menu(self) -> None:
        """What can be said, under the pointer."""
        self.make_menu().exec(QCursor.pos())

    def menu_by_key(self) -> None:
        """The same menu where the eye is, what holds now chosen, for a hand that stays on the keys."""
        menu = self.make_menu()
        present = [action for action in menu.actions() if action.isChecked()]
        if present:
            menu.setActiveAction(present[0])
            menu.exec(self.window.middle())

    def make_menu(self) -> QMenu:
        """The menu of `menu`: the present site first, then all sites."""
        menu = QMenu(self.window)
        menu.setToolTipsVisible(True)
        plan, entry = self.desk.plan, self.desk.entry
        if plan is None or entry is None:
            return menu
        wide = guidance_of(entry.model_copy(update={"guidance": None}), plan.case.guidance)
        self._part(menu, say("led.site", tooth=entry.tooth), say("led.as-case", how=state_words(wide)), entry.guidance,
                   entry.tooth)  # fmt: skip
        menu.addSeparator()
        self._part(menu, say("led.case"), say("led.unsaid"), plan.case.guidance, None)
        return menu

    def _part(self, menu: QMenu, title: str, unsaid: str, present: str | None, tooth: int | None) -> None:
        head = menu.addAction(title)
        head.setEnabled(False)
        group = QActionGroup(menu)
        lines: list[tuple[str | None, str, str]] = [(None, unsaid, say("led.unsaid-tip"))]
        lines += [(name, say("led.with", how=hand.words), hand_tip(hand)) for name, hand in hands().items()]
        for name, words, tip in lines:
            action: QAction = menu.addAction(words, partial(self.choose, name, tooth))
            action.setCheckable(True)
            action.setChecked(name == present)
            action.setToolTip(tip)
            group.addAction(action)

    def choose(self, name: str | None, tooth: int | None) -> None:
        """Say how the drill is led at a tooth, or without a tooth at all sites; None: say nothing any more."""
        session = self.desk.session
        if session is None:
            return
        case = with_guidance(session.plan.case, name, tooth)
        how = say("led.nothing") if name is None else hands()[name].words
        words = say("did.led-case", how=how) if tooth is None else say("did.led-site", how=how, tooth=tooth)
        session.change(replace(session.plan, case=case), words)
