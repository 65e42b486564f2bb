"""Structures from the window: traced, marked, confirmed, removed. The library traces; a person confirms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace as changed
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QObject
from PySide6.QtGui import QCursor
from PySide6.QtWidgets import QMenu

from siteplan.anatomy import MadeBy, Structure
from siteplan.anatomy.to_json import structure_json
from siteplan.case import StructureEntry
from siteplan.frame import Vector
from siteplan.scan import Scan
from viewer.desk import Desk
from viewer.jobs import Channel
from viewer.texts import say

if TYPE_CHECKING:
    from viewer.window import MainWindow

Finder = Callable[[Scan, list[Vector]], list[Structure]]


def trace_canal_between(scan: Scan, points: list[Vector]) -> list[Structure]:
    """The canal between two clicks."""
    from siteplan.anatomy.canal import trace_canal

    return [trace_canal(scan, points)]


def root_near(scan: Scan, points: list[Vector]) -> list[Structure]:
    """The tooth root at a click."""
    from siteplan.anatomy.root import trace_root

    return [trace_root(scan, points[0]).structure]


def floor_near(scan: Scan, points: list[Vector]) -> list[Structure]:
    """The floor of the sinus over a place."""
    from siteplan.anatomy.sinus import sinus_floor

    return [sinus_floor(scan, points[0]).structure]


class Structures(QObject):
    """See the module."""

    def __init__(self, desk: Desk, window: MainWindow) -> None:
        super().__init__(window)
        self.desk = desk
        self.window = window
        self.channel = Channel("trace", self)
        self.channel.done.connect(lambda _n, found: self._take_found(found))
        self.channel.failed.connect(lambda _n, why: desk.space.show_problem(why))
        self._finder: Finder | None = None
        self._hints: tuple[str, ...] = ()
        self._points: list[Vector] = []

    @property
    def waits(self) -> bool:
        """Whether clicks are for a structure now."""
        return self._finder is not None

    def close(self) -> None:
        """End all work."""
        self.channel.close()

    def menu(self) -> None:
        """What can be done with structures, under the pointer."""
        self.make_menu().exec(QCursor.pos())

    def make_menu(self) -> QMenu:
        """The menu of `menu`."""
        menu = QMenu(self.window)
        menu.setToolTipsVisible(True)
        for key, action in (("trace", self.trace), ("root", self.root), ("floor", self.floor)):
            item = menu.addAction(say(f"near.{key}"), action)
            item.setToolTip(say(f"near.{key}-tip"))
        entries = self.desk.plan.case.structures if self.desk.plan else []
        if entries:
            menu.addSeparator()
        for entry in entries:
            if entry.made_by is MadeBy.FOUND:
                item = menu.addAction(say("near.confirm", name=entry.name), partial(self.confirm, entry))
                item.setToolTip(say("near.confirm-tip"))
        for entry in entries:
            menu.addAction(say("near.remove", name=entry.name), partial(self.remove, entry.name))
        return menu

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
            sure = entry.model_copy(update={"made_by": MadeBy.CONFIRMED})
            session.change(session.plan.with_structure(sure), say("did.confirm", name=entry.name))

    def remove(self, name: str) -> None:
        """Take a structure out of the case; undo brings it back."""
        session = self.desk.session
        if session is not None:
            session.change(session.plan.without_structure(name), say("did.remove-structure", name=name))

    def _begin(self, finder: Finder, hints: tuple[str, ...]) -> None:
        if self.desk.session is None:
            return
        self._finder, self._hints, self._points = finder, hints, []
        self.desk.space.section.ask_place(hints[0])

    def _run(self, finder: Finder, points: list[Vector]) -> None:
        session = self.desk.session
        if session is None:
            return
        scan = session.scan
        self.desk.space.show_problem(say("near.tracing"))
        self.channel.ask(lambda _ticket: finder(scan, points), give_up_running=True)

    def _take_found(self, found: list[Structure]) -> None:
        session = self.desk.session
        if session is None:
            return
        self.desk.space.show_problem("")
        plan = session.plan
        for structure in found:
            taken = {s.name for s in plan.case.structures}
            named = changed(structure, name=_free_name(structure.name, taken))
            plan = plan.with_structure(StructureEntry.model_validate(structure_json(named)))
        if found:
            session.change(plan, say("did.add-structure", name=found[0].name))
            self.desk.space.answers.open_one("near")


def _free_name(name: str, taken: set[str]) -> str:
    """The name itself, or with the first number that is free."""
    number, free = 2, name
    while free in taken:
        free, number = f"{name} {number}", number + 1
    return free
