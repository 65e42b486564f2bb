"""The planning page at work: session, pictures and numbers tied together. Shows the plan and the workers' answers.
Flow: a hand or key changes the plan > the pictures that depend on it are asked for > numbers are asked for (quick ones
while the hand moves, full ones when it rests) > answers come back and are drawn. Late answers are dropped.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

from PySide6.QtCore import QObject, Signal

from siteplan.anatomy import Structure
from siteplan.assessment import Library
from siteplan.case import SiteEntry, StructureEntry
from viewer.answering import answers_now, site_card
from viewer.arch_strip import site_marks
from viewer.depths import depths_of
from viewer.desk_asks import Asks
from viewer.hand_draw import mark_words
from viewer.jobs import Channel, leave
from viewer.look import Look, Tissue, Window, presets_of
from viewer.measuring import (
    Measured,
)
from viewer.panorama import Panorama
from viewer.pictures import Cut, FilmFrame
from viewer.plan import Plan
from viewer.reading import bone_lines, leader_of
from viewer.rests_on import RestsOn
from viewer.section_picture import Numbers
from viewer.session import Session
from viewer.texts import say
from viewer.undecided import near_tooth, shapes_of, undecided
from viewer.workspace import BY_DEPTH, Workspace


class Desk(Asks):
    """See the module. Signals: changed(): something in plan or numbers is new."""

    changed = Signal()

    def __init__(self, space: Workspace, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.space = space
        self.session: Session | None = None
        self.tooth: int | None = None
        self.look: Look | None = None
        self.library: Library | None = None
        self.measured: dict[int, Measured] = {}
        self.presets: dict[Tissue, Window] = {}
        self._proposals: tuple[StructureEntry, ...] = ()
        self.proposed: tuple[Structure, ...] = ()
        self._words = RestsOn()
        self.channels = {
            name: Channel(name, self, each_newer=name in ("cut", "quick"))
            for name in ("cut", "film", "quick", "full", "strip", "library")
        }
        self._answers_to: dict[str, Callable[[Any], None]] = {
            "cut": self._show_cut,
            "film": self._show_film,
            "quick": self._show_quick,
            "full": self._show_full,
            "strip": self._show_strip,
            "library": self._show_library,
        }
        for name, channel in self.channels.items():
            channel.done.connect(partial(self._answered, name))
            channel.failed.connect(partial(self._failed, name))
        self._connect_space()

    def _connect_space(self) -> None:
        s = self.space
        s.section.held.connect(self.hold)
        s.section.let_go.connect(self.put)
        s.section.stepped.connect(self.step)
        s.section.turned.connect(self.turn)
        s.section.windowed.connect(self.set_own_window)
        s.section.pointed.connect(self.point)
        s.section.marked.connect(self.add_mark)
        s.film.chosen.connect(self.show_look)
        s.strip.picked.connect(self.choose)
        s.answers.asked.connect(lambda _name: self._show_depths())
        for part in (s.strip, s.film, s.by_depth):
            part.hovered.connect(self.point_elsewhere)
        s.cards.chosen.connect(self.choose)
        for tissue, button in s.tissue_buttons.items():
            button.clicked.connect(lambda _on=False, t=tissue: self.set_window(self.presets[t]))
        for tool, button in s.tool_buttons.items():
            button.clicked.connect(lambda on, t=tool: self.choose_tool(t if on else ""))
        s.lines_button.toggled.connect(self.show_lines)

    # ---- open and close

    def open(self, session: Session) -> None:
        """Show a session."""
        self.session = session
        for channel in self.channels.values():
            channel.cancel()  # what is still on its way belongs to another scan
        self.measured, self._measured_for, self._last_full = {}, {}, {}
        self._full_asked, self._full_failed, self._library_failed = None, {}, ""
        self._arches = {}
        self._library_key, self._film_key, self._cut_for = None, None, None
        self.space.film.set_frames([])
        self.space.told.put_away()
        self.look, self.tooth, self.library = None, None, None
        scan = session.scan
        self.space.section.forget()
        self.presets = session.windows or presets_of(scan)
        self.space.section.set_voxel(scan.spacing_kji_mm)
        self.space.arch.voxel_words = self.space.section.voxel_words
        self.space.show_tissue(Tissue.BONE)
        self.set_window(self.presets[Tissue.BONE])
        session.listen(self.refresh)
        teeth = [entry.tooth for entry in session.plan.sites]
        self.tooth = teeth[0] if teeth else None
        self.refresh()

    def close(self) -> None:
        """End all work; call before the window goes."""
        self._rest.stop()
        leave(self.channels.values())
        if self.session is not None:
            self.session.close()

    @property
    def plan(self) -> Plan | None:
        """What is shown."""
        return self.session.plan if self.session else None

    @property
    def busy(self) -> bool:
        """Whether any answer is still out."""
        return self._rest.isActive() or any(channel.busy for channel in self.channels.values())

    # ---- show the plan

    def refresh(self) -> None:
        """Bring everything to the present plan; asks only for what is new."""
        session = self.session
        if session is None:
            return
        sites = session.plan.sites
        if self.entry is None:
            self.tooth, self.look = (sites[0].tooth if sites else None), None
        self._forget_all_but({e.tooth for e in sites})
        self._ask_library(session)
        self._take_proposals(session.plan)
        self._dress_strip(session)
        self.space.cards.set_teeth([e.tooth for e in sites])
        self.space.cards.set_present(self.tooth)
        self._show_words()
        if self.entry is None:
            self._show_nothing()
        elif self.library is not None:
            self._show_site(self.entry)
        self._rest.start()
        self.changed.emit()

    def _forget_all_but(self, teeth: set[int]) -> None:
        """What was measured at a site that is gone goes too: undo measures it anew."""
        for tooth in self._full_failed.keys() - teeth:
            self.space.told.settled(_full(tooth))
        for known in (self.measured, self._measured_for, self._last_full, self._full_failed):
            for tooth in known.keys() - teeth:
                del known[tooth]

    def _show_nothing(self) -> None:
        """No site is left: its fixture and numbers must not stay on the screen."""
        self.channels["cut"].cancel()
        self.channels["film"].cancel()
        self._film_key = None
        self.space.section.forget(say("answer.no-site"))
        self.space.film.set_frames([])
        self.space.strip.set_here(None)

    def _take_proposals(self, plan: Plan) -> None:
        """Shapes of what is proposed, for drawing only; made anew when they change."""
        self.space.decision.show_waiting(undecided(plan))
        if plan.proposals != self._proposals:
            self._proposals, self.proposed = plan.proposals, shapes_of(plan.proposals)
            self._film_key = None
            if self.space.section.cut is not None:
                self._ask_cut(smooth=False)

    def _show_site(self, entry: SiteEntry) -> None:
        fixture, section = self.fixture, self.space.section
        frame = entry.frame()
        if self.look is None:
            self.look = Look(frame)
        self.look = self.look.follow(frame).along(self._course_of(entry))
        section.set_site(entry, fixture)
        shown = section.cut
        if shown is None or not shown.look.same_as(self.look):
            self._ask_cut(smooth=False)
        self._show_marks()
        if section.holding and self._rest_findings() is not None:
            self._ask_quick(entry)
        here = self.look.frame().origin_lps_mm
        self.space.strip.set_here(here)
        self.space.film.set_present(self.look)

    def _show_marks(self) -> None:
        session = self.session
        assert session is not None
        marks = tuple((m, mark_words(m, session.scan)) for m in session.plan.marks if m.tooth in (None, self.tooth))
        self.space.section.set_marks(marks)

    def _dress_strip(self, session: Session) -> None:
        marks = site_marks(session.plan.sites, self.library, self.tooth)
        self.space.strip.set_things(marks, self.library.structures if self.library else (), self.proposed)
        self.space.arch.sites = tuple((m.tooth, m.platform_lps_mm) for m in marks)
        self.space.arch.update()

    # ---- answers

    def _answered(self, name: str, _number: int, answer: object) -> None:
        self.space.told.settled(name)
        self._answers_to[name](answer)

    def _failed(self, name: str, _number: int, sentence: str) -> None:
        """Say why an answer does not come, take away what it would have replaced, and let it be asked for again."""
        tooth, key = self._full_asked or (0, None)
        self.space.told.problem(_full(tooth) if name == "full" else name, sentence)
        match name:
            case "full" if self._full_asked is not None:
                self._full_asked = None
                self._full_failed[tooth] = (key, sentence)
                self._ask_full()  # the other sites
            case "library":
                self._library_key, self._library_due, self._library_failed = None, False, sentence
            case "quick" if self.tooth is not None:
                self.measured.pop(self.tooth, None)
            case "cut":
                self._cut_for = None
                self.space.section.forget()
            case "film":
                self._film_key = None
                self.space.film.set_frames([])
            case "strip":
                self.space.strip.waiting = sentence
                self.space.strip.set_panorama(None)
        if self.session is not None:
            self._show_words()
        self.changed.emit()

    def measure_again(self) -> None:
        """Ask anew for whatever could not be made."""
        for about in (*self.channels, *map(_full, self._full_failed)):
            self.space.told.settled(about)
        self._full_failed, self._library_failed = {}, ""
        self.refresh()

    def _show_library(self, library: Library) -> None:
        self.library, self._library_due, self._library_failed = library, False, ""
        self.space.told.problem("library", " ".join(library.remarks))
        self._film_key = None
        if self.space.section.cut is not None:
            self._ask_cut(smooth=False)
        self.refresh()

    def _show_cut(self, cut: Cut) -> None:
        section = self.space.section
        if self.look is not None and cut.look.anchor is self.look.anchor:
            first = section.cut is None
            section.set_cut(cut)
            if first:
                section.recentre()
        self.changed.emit()

    def _show_film(self, frames: list[FilmFrame]) -> None:
        self.space.film.set_frames(frames)

    def _show_strip(self, panorama: Panorama) -> None:
        self.space.strip.set_panorama(panorama)

    def _show_quick(self, measured: Measured) -> None:
        if (self.entry is not None and measured.site.entry == self.entry) or (
            self.space.section.holding and measured.site.entry.tooth == self.tooth
        ):
            self._take(measured)

    def _show_full(self, answer: tuple[int, object, Measured]) -> None:
        tooth, key, measured = answer
        self._full_asked = None
        session = self.session
        entry = next((e for e in session.plan.sites if e.tooth == tooth), None) if session else None
        if entry is not None:
            self._last_full[tooth] = measured.site
            if self._key(entry) == key:
                self._measured_for[tooth] = key
                for about in (_full(tooth), "quick"):
                    self.space.told.settled(about)
                self._take(measured)
        if not self.space.section.holding:
            self._ask_full()

    def _take(self, measured: Measured) -> None:
        """Show numbers."""
        tooth = measured.site.entry.tooth
        self.measured[tooth] = measured
        self._show_words()
        self.changed.emit()

    def _show_words(self) -> None:
        """Cards and answers; does nothing where all that they rest on is what it was: a drag asks every frame."""
        session = self.session
        assert session is not None
        sites = session.plan.sites
        each = [
            thing
            for e in sites
            for thing in (e.tooth, e.fixture, self._stale(e), self._why_failed(e), self.measured.get(e.tooth))
        ]
        if not self._words.renewed((session, self.tooth, self.library, self.proposed, not self.entry, *each)):
            return
        for entry in sites:
            card = self.space.cards.cards.get(entry.tooth)
            found = self._known(entry.tooth)
            if card is not None:
                card.set_words(site_card(entry, found, self._stale(entry), self._why_failed(entry)))
        self.space.cards.words_changed()
        present = self.entry
        found = self._known(present.tooth) if present is not None else None
        failed = self._why_failed(present) if present is not None else ""
        waits = present is not None
        answers = answers_now(found, session.scan, self.library, self.proposed, waits=waits, failed=failed)
        self.space.answers.set_answers(answers)
        if failed:
            self.space.section.set_numbers(Numbers())
        elif found is not None:
            self.space.section.set_numbers(Numbers(bone_lines(found), leader_of(found)))
        self._show_depths()

    def _show_depths(self) -> None:
        """What stands beside the section, for the question that is chosen."""
        entry, question = self.entry, self.space.answers.present
        found = self._known(entry.tooth) if entry is not None else None
        answer = self.space.answers.questions[question].text()
        if entry is None or found is None or question not in BY_DEPTH or self._why_failed(entry):
            self.space.by_depth.set_depths(None, answer)
        else:
            self.space.by_depth.set_depths(depths_of(found, question))

    def _known(self, tooth: int) -> Measured | None:
        """The numbers of a site, with what waits for a person beside it; quick ones where the plan is another since."""
        found = self.measured.get(tooth)
        if found is None or self.session is None:
            return None
        quick = found.quick or any(e.tooth == tooth and self._stale(e) for e in self.session.plan.sites)
        return replace(found, quick=quick, waiting=near_tooth(self.proposed, tooth))

    def _stale(self, entry: SiteEntry) -> bool:
        return self._library_due or self._measured_for.get(entry.tooth) != self._key(entry)


def _full(tooth: int) -> str:
    """What a sentence is about that says why a site could not be measured."""
    return f"full {tooth}"
