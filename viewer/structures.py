"""Structures from the window: traced, marked, confirmed, removed. The library traces; a person confirms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QObject
from PySide6.QtGui import QCursor
from PySide6.QtWidgets import QMenu

from siteplan.anatomy import Structure
from siteplan.anatomy.to_json import structure_json
from siteplan.case import StructureEntry
from siteplan.errors import GeometryError
from siteplan.frame import Vector
from siteplan.scan import Scan
from viewer.desk import Desk
from viewer.desk_hands import LOOK_REACH_MM
from viewer.jobs import Channel, leave
from viewer.texts import say
from viewer.undecided import (
    Undecided,
    find_structure,
    free_name,
    stops_along,
    undecided,
    with_confirmed,
    with_corrected,
    with_proposed,
    with_rejected,
)

if TYPE_CHECKING:
    from viewer.window import MainWindow

Finder = Callable[[Scan, list[Vector]], list[Structure]]


def trace_canal_between(scan: Scan, points: list[Vector]) -> list[Structure]:
    """The canal between two clicks."""
    from siteplan.anatomy.canal import trace_canal

    return [trace_canal(scan, points)]


def root_near(scan: Scan, points: list[Vector]) -> list[Structure]:
    """The tooth root at a click; where none is met from exactly there, from close by, because a hand is not exact.

    Raises:
        GeometryError: none is met from any of these places; the reason is the one at the click itself.
    """
    from siteplan.anatomy.root import trace_root

    reason: GeometryError | None = None
    for aside in ASIDE_MM:
        try:
            return [trace_root(scan, points[0] + np.array(aside)).structure]
        except GeometryError as error:
            reason = reason or error
    assert reason is not None
    raise reason


def floor_near(scan: Scan, points: list[Vector]) -> list[Structure]:
    """The floor of the sinus over a place."""
    from siteplan.anatomy.sinus import sinus_floor

    return [sinus_floor(scan, points[0]).structure]


def proposed_canals(scan: Scan) -> list[Structure]:
    """A canal for each side that shows one."""
    from siteplan.anatomy.canal_search import propose_canals

    return propose_canals(scan)


def corrected(scan: Scan, canal: Structure, index: int, place_lps_mm: Vector) -> Structure:
    """The canal with one point where a hand put it."""
    from siteplan.anatomy.canal import move_point

    moved = move_point(scan, canal, index, place_lps_mm)
    if canal.confidence is not None:
        return moved
    # Nobody knows how well the rest of a drawn line is seen, so no stretch of it is called doubtful or seen.
    return replace(moved, confidence=None, note=say("near.corrected-note"))


ASIDE_MM = ((0, 0, 0), (0, 0, 1.5), (0, 0, -1.5), (0, 0, 3), (0, 0, -3), (1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))
"""Where a root is looked for around a click (our own; about how far a click lands from what was meant)."""


class Structures(QObject):
    """See the module."""

    def __init__(self, desk: Desk, window: MainWindow) -> None:
        super().__init__(window)
        self.desk = desk
        self.window = window
        self.channel = Channel("trace", self)
        self.channel.done.connect(lambda _n, found: self._take_found(found))
        self.channel.failed.connect(lambda _n, why: desk.space.told.problem("trace", why))
        self.corrector = Channel("correct", self)
        self.corrector.done.connect(lambda _n, answer: self._take_corrected(*answer))
        self.corrector.failed.connect(lambda _n, why: desk.space.told.problem("correct", why))
        self.proposer = Channel("propose", self)
        self.proposer.done.connect(lambda _n, found: self._take_proposed(found))
        self.proposer.failed.connect(lambda _n, why: desk.space.told.problem("propose", why))
        desk.space.section.canal_put.connect(self.correct)
        bar = desk.space.decision
        bar.confirm_button.clicked.connect(self.confirm_first)
        bar.reject_button.clicked.connect(self.reject_first)
        bar.look_button.clicked.connect(self.look_along)
        self._finder: Finder | None = None
        self._hints: tuple[str, ...] = ()
        self._points: list[Vector] = []

    @property
    def waits(self) -> bool:
        """Whether clicks are for a structure now."""
        return self._finder is not None

    def close(self) -> None:
        """End all work."""
        leave((self.channel, self.corrector, self.proposer))

    def give_up(self) -> bool:
        """Stop what is being looked for; whether anything was."""
        given_up = [channel.give_up() for channel in (self.channel, self.corrector, self.proposer)]
        return any(given_up)

    def menu(self) -> None:
        """What can be done with structures, under the pointer."""
        self.make_menu().exec(QCursor.pos())

    def menu_by_key(self) -> None:
        """The same menu where the eye is, its first line chosen, for a hand that stays on the keys."""
        menu = self.make_menu()
        menu.setActiveAction(menu.actions()[0])
        menu.exec(self.window.middle())

    def make_menu(self) -> QMenu:
        """The menu of `menu`."""
        menu = QMenu(self.window)
        menu.setToolTipsVisible(True)
        table = (("propose", self.propose), ("trace", self.trace), ("root", self.root), ("floor", self.floor))
        for key, action in table:
            item = menu.addAction(say(f"near.{key}"), action)
            item.setToolTip(say(f"near.{key}-tip"))
        plan = self.desk.plan
        if plan is not None and (plan.proposals or plan.case.structures):
            menu.addSeparator()
        for waiting in undecided(plan) if plan else ():
            item = menu.addAction(say("near.confirm", name=waiting.entry.name), partial(self.confirm, waiting.entry))
            item.setToolTip(say("near.confirm-tip"))
            item = menu.addAction(say("near.reject", name=waiting.entry.name), partial(self.reject, waiting.entry))
            item.setToolTip(say("near.reject-tip"))
        for entry in plan.case.structures if plan else ():
            menu.addAction(say("near.remove", name=entry.name), partial(self.remove, entry.name))
        return menu

    # ---- proposed, looked at, decided

    def propose(self) -> None:
        """Have the canals of both sides proposed, without a click."""
        session = self.desk.session
        if session is None:
            return
        scan = session.scan
        self.desk.space.told.news("propose", say("near.proposing"))
        self.proposer.ask(lambda _ticket: proposed_canals(scan), give_up_running=True)

    def _take_proposed(self, found: list[Structure]) -> None:
        session = self.desk.session
        if session is None:
            return
        plan = with_proposed(session.plan, found)
        self.desk.space.told.settled("propose")
        if plan.proposals:
            session.change(plan, say("did.propose-canals"))
            self.desk.space.answers.open_one("near")
        else:
            self.desk.space.told.news("propose", say("near.all-there"))

    def first(self) -> Undecided | None:
        """What the bar asks about."""
        waiting = undecided(self.desk.plan) if self.desk.plan else ()
        return waiting[0] if waiting else None

    def confirm_first(self) -> None:
        """Confirm what the bar asks about."""
        first = self.first()
        if first is not None:
            self.confirm(first.entry)

    def reject_first(self) -> None:
        """Reject what the bar asks about."""
        first = self.first()
        if first is not None:
            self.reject(first.entry)

    def look_along(self) -> None:
        """The next section along what the bar asks about; after the last one the first again."""
        first, desk = self.first(), self.desk
        structure = find_structure(desk.plan, first.entry.name) if first is not None and desk.plan else None
        if structure is None or desk.look is None:
            return
        stops = stops_along(structure, desk.look, LOOK_REACH_MM)
        if not stops:
            desk.space.told.news("look", say("near.too-far", name=structure.name))
            return
        whole = stops_along(structure, desk.look, np.inf)
        if whole[0] < stops[0] or whole[-1] > stops[-1]:
            ends = {"low": f"{stops[0]:.0f}".replace("-", "−"), "high": f"{stops[-1]:.0f}".replace("-", "−")}
            desk.space.told.news("look", say("near.part-only", name=structure.name, **ends))
        here = desk.look.offset_mm
        desk.show_look(replace(desk.look, offset_mm=next((x for x in stops if x > here + 0.01), stops[0])))
        desk.space.stage.setCurrentWidget(desk.space.section)
        desk.space.arch_button.setChecked(False)

    def reject(self, entry: StructureEntry) -> None:
        """A person has looked and it is not what it was taken for; undo brings it back."""
        session = self.desk.session
        if session is not None:
            session.change(with_rejected(session.plan, entry), say("did.reject", name=entry.name))

    # ---- corrected by hand

    def correct(self, name: str, index: int, place: object) -> None:
        """A point of a canal was dragged: only its neighbourhood is followed anew."""
        session = self.desk.session
        structure = find_structure(session.plan, name) if session is not None else None
        if session is None or structure is None:
            return
        scan = session.scan
        self.desk.space.told.news("correct", say("near.correcting"))
        self.corrector.ask(lambda _ticket: (name, structure, corrected(scan, structure, index, np.asarray(place))))

    def _take_corrected(self, name: str, before: Structure, after: Structure) -> None:
        session = self.desk.session
        if session is None:
            return
        self.desk.space.told.settled("correct")
        present = find_structure(session.plan, name)
        if present is None or structure_json(present) != structure_json(before):
            return  # it was changed or taken away meanwhile
        session.change(with_corrected(session.plan, name, after), say("did.correct", name=name))

    def trace(self) -> None:
        """The canal by two clicks."""
        self._begin(trace_canal_between, (say("near.trace-first"), say("near.trace-second")))

    def root(self) -> None:
        """A root by one click."""
        self._begin(root_near, (say("near.root-first"),))

    def floor(self) -> None:
        """The sinus floor around the present site."""
        entry = self.desk.entry
        if entry is not None:
            self._run(floor_near, [np.array(entry.crest_mm)])

    def leave(self) -> None:
        """No structure is wanted after all."""
        if self._finder is not None:
            self._finder, self._points = None, []
            self.desk.space.section.ask_place("")

    def take(self, point: object) -> None:
        """One more click."""
        if self._finder is None or point is None:
            return
        self._points.append(np.asarray(point, dtype=np.float64))
        if len(self._points) < len(self._hints):
            self.desk.space.section.ask_place(self._hints[len(self._points)])
            return
        finder, points = self._finder, self._points
        self.leave()
        self._run(finder, points)

    def confirm(self, entry: StructureEntry) -> None:
        """A person has looked along it and it is right."""
        session = self.desk.session
        if session is not None:
            session.change(with_confirmed(session.plan, entry), say("did.confirm", name=entry.name))

    def remove(self, name: str) -> None:
        """Take a structure out of the case; undo brings it back."""
        session = self.desk.session
        if session is not None:
            session.change(session.plan.without_structure(name), say("did.remove-structure", name=name))

    def _begin(self, finder: Finder, hints: tuple[str, ...]) -> None:
        if self.desk.session is None:
            return
        self._finder, self._hints, self._points = finder, hints, []
        self.desk.space.arch_button.setChecked(False)
        self.desk.space.stage.setCurrentWidget(self.desk.space.section)
        self.desk.space.section.ask_place(hints[0])

    def _run(self, finder: Finder, points: list[Vector]) -> None:
        session = self.desk.session
        if session is None:
            return
        scan = session.scan
        self.desk.space.told.news("trace", say("near.tracing"))
        self.channel.ask(lambda _ticket: finder(scan, points), give_up_running=True)

    def _take_found(self, found: list[Structure]) -> None:
        session = self.desk.session
        if session is None:
            return
        self.desk.space.told.settled("trace")
        plan = session.plan
        for structure in found:
            taken = {s.name for s in plan.case.structures}
            named = replace(structure, name=free_name(structure.name, taken))
            plan = plan.with_structure(StructureEntry.model_validate(structure_json(named)))
        if found:
            session.change(plan, say("did.add-structure", name=found[0].name))
            self.desk.space.answers.open_one("near")
