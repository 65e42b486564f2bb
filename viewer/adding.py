"""Adding and removing sites, and the arch that they stand on."""

from __future__ import annotations

from itertools import pairwise
from math import dist
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QObject, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QDialog, QGridLayout, QLabel, QPushButton, QVBoxLayout

from siteplan.case.tooth import jaw_of
from siteplan.report.plane import Section
from viewer.arch_finding import found_arch
from viewer.arch_view import axial_section
from viewer.desk import Desk
from viewer.jobs import Channel, leave
from viewer.panorama import course_through
from viewer.placing import PlaceRequest, Proposed, first_placement, propose_at
from viewer.plan import PointMm
from viewer.session import Session
from viewer.texts import say

if TYPE_CHECKING:
    from viewer.window import MainWindow

UPPER = (*range(18, 10, -1), *range(21, 29))
LOWER = (*range(48, 40, -1), *range(31, 39))
"""ISO 3950, the patient's right on the left."""
ROOTWARDS_MM = 4.0
"""How far below the crests the axial picture of an arch is cut (for the eye only)."""
APART_MM = 0.5
"""Points of an arch closer than this make its curve double back (the case file's own rule)."""


class ToothDialog(QDialog):
    """One button for each permanent tooth position."""

    def __init__(self, taken: set[int], parent: MainWindow) -> None:
        super().__init__(parent)
        self.setWindowTitle(say("add.title"))
        self.tooth: int | None = None
        self._typed = ""
        column = QVBoxLayout(self)
        hint = QLabel(say("add.hint"))
        hint.setObjectName("quiet")
        column.addWidget(hint)
        grid = QGridLayout()
        self.buttons: dict[int, QPushButton] = {}
        for row, teeth in enumerate((UPPER, LOWER)):
            for place, tooth in enumerate(teeth):
                button = QPushButton(str(tooth))
                button.setMinimumSize(44, 44)
                button.setEnabled(tooth not in taken)
                if tooth in taken:
                    button.setToolTip(say("add.taken", tooth=tooth))
                button.clicked.connect(lambda _on=False, t=tooth: self._choose(t))
                grid.addWidget(button, row, place + (1 if place > 7 else 0))
                self.buttons[tooth] = button
        grid.setColumnMinimumWidth(8, 18)
        column.addLayout(grid)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """A typed tooth number is as good as a press on its button."""
        if event.text().isdigit():
            self._typed = (self._typed + event.text())[-2:]
            button = self.buttons.get(int(self._typed))
            if button is not None and button.isEnabled():
                button.click()
            return
        super().keyPressEvent(event)

    def _choose(self, tooth: int) -> None:
        self.tooth = tooth
        self.accept()


class Adding(QObject):
    """See the module."""

    def __init__(self, desk: Desk, window: MainWindow) -> None:
        super().__init__(window)
        self.desk = desk
        self.window = window
        self.wanted: int | None = None
        self.arch_points: NDArray[np.float64] = np.zeros((0, 3))
        self.jaw: str = "lower"
        self._started = False
        self.finder, self.placer, self.axial = (Channel(name, self) for name in ("arch", "place", "axial"))
        self.finder.done.connect(lambda _n, answer: self._found(*answer))
        self.finder.failed.connect(lambda _n, why: self._not_found(why))
        self.placer.done.connect(lambda _n, entry: self._placed(entry))
        self.placer.failed.connect(lambda _n, why: desk.space.told.problem("place", why))
        self.axial.done.connect(lambda _n, section: self._show_axial(section))
        self.axial.failed.connect(lambda _n, why: desk.space.told.problem("axial", why))
        desk.space.arch.moved.connect(self._corrected)
        desk.space.arch.pointed_at.connect(self._pointed)
        desk.space.arch.stepped.connect(self._step_height)
        desk.changed.connect(self.follow)
        self._found_in: dict[str, NDArray[np.float64]] = {}
        self._shown: tuple[PointMm, ...] = ()
        self._height = 0.0

    def opened(self, session: Session) -> None:
        """Look for the arch of a scan, or take the corrected one."""
        for channel in (self.finder, self.placer, self.axial):
            channel.cancel()
        self.leave()
        self._found_in, self._started = {}, False
        self.arch_points = np.zeros((0, 3))
        sites = session.plan.sites
        if not sites:
            self.desk.space.arch_button.setChecked(True)
            self.desk.space.stage.setCurrentWidget(self.desk.space.arch)
        else:
            self.desk.space.stage.setCurrentWidget(self.desk.space.section)
        self._height = _middle_height(session)
        self._ask_axial()
        known = [jaw for jaw, _ in session.plan.arches]
        self._show_jaw(sites[0].jaw if sites else known[0] if known else "lower")

    def follow(self) -> None:
        """Show the arch of the present site's jaw, as undo and redo leave it."""
        plan, entry = self.desk.plan, self.desk.entry
        if plan is None or not self._started:
            return
        jaw = self.jaw
        if self.wanted is not None:
            jaw = jaw_of(self.wanted)
        elif entry is not None:
            jaw = entry.jaw
        if jaw != self.jaw or plan.arch(jaw) != self._shown:
            self._show_jaw(jaw)

    def _show_jaw(self, jaw: str) -> None:
        """The arch that a person set in this jaw, else the one that was found, else look for it."""
        session = self.desk.session
        if session is None:
            return
        if jaw != self.jaw or not self._started:
            self.desk.space.strip.set_panorama(None)
        self.jaw, self._started = jaw, True
        self._shown = session.plan.arch(jaw)
        if self._shown:
            self._show_arch_points(np.array(self._shown, dtype=np.float64))
        elif jaw in self._found_in:
            self._show_arch_points(self._found_in[jaw])
        else:
            scan, sites = session.scan, tuple(e for e in session.plan.sites if e.jaw == jaw)
            self.desk.space.strip.waiting = say("strip.waiting")
            upper = jaw == "upper"
            self.finder.ask(lambda _ticket: (jaw, found_arch(scan, sites, upper=upper)), give_up_running=True)

    def close(self) -> None:
        """End all work."""
        leave((self.finder, self.placer, self.axial))

    def give_up(self) -> bool:
        """Stop looking for a place; whether one was looked for."""
        return self.placer.give_up()

    # ---- the arch

    def show_arch(self, on: bool) -> None:
        """Show the axial picture with the arch, or the section again."""
        space = self.desk.space
        shown = space.arch if on else space.section
        space.stage.setCurrentWidget(shown)
        shown.setFocus()

    def _show_axial(self, section: Section) -> None:
        self.desk.space.told.settled("axial")
        self.desk.space.arch.set_section(section)

    def _found(self, jaw: str, points: NDArray[np.float64] | None) -> None:
        if jaw != self.jaw or self._shown:
            return
        if points is None or len(points) < 3:
            self.desk.space.strip.waiting = say("strip.none")
            self.desk.space.strip.update()
            self.desk.space.arch.hint = say("arch.hint-empty")
            self.desk.space.arch.set_points(np.zeros((0, 3)))
            return
        self.desk.space.told.settled("arch")
        self._found_in[jaw] = points
        self._show_arch_points(points)

    def _not_found(self, why: str) -> None:
        """The search went wrong, which is not the same as a scan that shows no arch."""
        self.desk.space.told.problem("arch", why)
        self._found(self.jaw, None)

    def _show_arch_points(self, points: NDArray[np.float64]) -> None:
        self.arch_points = points
        if self.wanted is None:
            self.desk.space.arch.hint = say("arch.hint")
        self.desk.space.arch.set_points(points)
        self.desk.set_arch(points, self.jaw)
        # A little towards the roots: at the points themselves there is often no more than gum to see.
        self._height = float(points[:, 2].mean()) + (ROOTWARDS_MM if self.jaw == "upper" else -ROOTWARDS_MM)
        self._ask_axial()

    def _corrected(self, points: object) -> None:
        session = self.desk.session
        if session is None:
            return
        kept = tuple((float(x), float(y), float(z)) for x, y, z in np.round(np.asarray(points), 3))
        if any(dist(a, b) < APART_MM for a, b in pairwise(kept)):
            self.desk.space.told.news("arch", say("arch.too-close"))
            self.desk.space.arch.set_points(self.arch_points)
            return
        session.change(session.plan.with_arch(self.jaw, kept), say("did.arch"))

    def _pointed(self, point: object) -> None:
        """A click beside the arch's points: a site when one is wanted, else another point of an arch not yet
        complete."""
        if self.wanted is not None:
            self.take(point)
        elif len(self.desk.space.arch.points) < 3 or self.desk.space.arch.hint == say("arch.hint-empty"):
            hint = self.desk.space.arch.hint
            self._corrected(np.vstack([self.desk.space.arch.points, np.asarray(point)]))
            self.desk.space.arch.hint = hint  # further clicks go on with it

    def _step_height(self, notches: float) -> None:
        self._height += notches
        self._ask_axial()

    def _ask_axial(self) -> None:
        session, height = self.desk.session, self._height
        if session is not None:
            scan = session.scan
            self.axial.ask(lambda _ticket: axial_section(scan, height))

    # ---- sites

    def ask_tooth(self) -> None:
        """Which tooth position?"""
        session = self.desk.session
        if session is None:
            return
        dialog = ToothDialog({e.tooth for e in session.plan.sites}, self.window)
        if dialog.exec() == QDialog.DialogCode.Accepted and dialog.tooth is not None:
            self.begin(dialog.tooth)

    def begin(self, tooth: int) -> None:
        """Ask where a tooth position is."""
        self.wanted = tooth
        self._look_in_jaw(tooth)
        words = say("add.where", tooth=tooth)
        self.desk.space.section.ask_place(words)
        (self.desk.space.arch if self.desk.space.arch_button.isChecked() else self.desk.space.section).setFocus()
        self.desk.space.arch.hint = words
        self.desk.space.arch.setCursor(Qt.CursorShape.CrossCursor)
        self.desk.space.arch.update()
        self.desk.space.strip.setCursor(Qt.CursorShape.CrossCursor)

    def _look_in_jaw(self, tooth: int) -> None:
        """Show the arch of the jaw in which a tooth stands."""
        if self.desk.session is not None and jaw_of(tooth) != self.jaw:
            self._show_jaw(jaw_of(tooth))

    def leave(self) -> None:
        """No site is wanted after all."""
        if self.wanted is None:
            return
        self.wanted = None
        self.desk.space.section.ask_place("")
        self.desk.space.arch.hint = say("arch.hint")
        for part in (self.desk.space.arch, self.desk.space.strip):
            part.unsetCursor()
        self.desk.space.arch.update()

    def take(self, point: object) -> None:
        """The place of the wanted site."""
        session, library, tooth = self.desk.session, self.desk.library, self.wanted
        if session is None or library is None or tooth is None or point is None:
            return
        self.leave()
        self.desk.space.told.news("place", say("add.looking", tooth=tooth))
        course = course_through(self.arch_points) if len(self.arch_points) >= 3 else None
        others = self.desk.other_sites(tooth)
        request = PlaceRequest(session.scan, library, tooth, np.asarray(point, dtype=np.float64), course, others)
        self.placer.ask(lambda _ticket: first_placement(request))

    def remove(self) -> None:
        """Remove the present site; undo brings it back."""
        session, tooth = self.desk.session, self.desk.tooth
        if session is not None and tooth is not None:
            session.change(session.plan.without_site(tooth), say("did.remove-site", tooth=tooth))

    def propose(self) -> None:
        """Put the present site where the library proposes it; undo brings the old place back."""
        session, library, entry = self.desk.session, self.desk.library, self.desk.entry
        if session is None or library is None or entry is None:
            return
        scan, others = session.scan, self.desk.other_sites(entry.tooth)
        self.desk.space.told.news("place", say("add.proposing", tooth=entry.tooth))
        self.placer.ask(lambda _ticket: propose_at(scan, library, entry, others))

    def _placed(self, found: Proposed | None) -> None:
        session = self.desk.session
        if session is None:
            return
        if found is None:
            self.desk.space.told.problem("place", say("add.no-bone"))
            return
        entry = found.entry
        new = entry.tooth not in {e.tooth for e in session.plan.sites}
        key = "did.add-site" if new else "did.propose"
        session.change(session.plan.with_site(entry), say(key, tooth=entry.tooth))
        self.desk.space.told.news("place", found.words)
        self.desk.choose(entry.tooth)


def _middle_height(session: Session) -> float:
    """Where the sites are, else the middle of the scan."""
    if session.plan.sites:
        return float(np.mean([e.crest_mm[2] for e in session.plan.sites]))
    last = np.array(session.scan.shape) - 1
    return float(session.scan.index_to_lps(last / 2)[2])
