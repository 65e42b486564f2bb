"""What a hand or key does to the plan and to the view of it: each action is one small method."""

from dataclasses import replace

import numpy as np

from siteplan.assessment import Library
from siteplan.case import SiteEntry
from siteplan.fixture import Fixture
from siteplan.frame import Vector
from viewer import edits
from viewer.look import Look, Tissue, Window
from viewer.measuring import fixture_named, neighbour_fixture
from viewer.plan import HandMark
from viewer.section_picture import Numbers
from viewer.session import Session
from viewer.texts import say
from viewer.workspace import Workspace

LOOK_REACH_MM = 40.0
"""How far from the fixture the section can be stepped. Beyond `look.SIDES_MM` only patient letters name a side."""


class Hands:
    """The actions of `Desk`, which gives them the session, the page and the present site."""

    space: Workspace
    session: Session | None
    library: Library | None
    look: Look | None
    tooth: int | None
    presets: dict[Tissue, Window]

    @property
    def entry(self) -> SiteEntry | None:
        """The site that is large now."""
        if self.session is None or self.tooth is None:
            return None
        return next((e for e in self.session.plan.sites if e.tooth == self.tooth), None)

    @property
    def fixture(self) -> Fixture | None:
        """The fixture of that site."""
        entry = self.entry
        return fixture_named(self.library, entry.fixture) if self.library and entry else None

    def refresh(self) -> None:
        """Bring everything to the present plan; the desk overrides this with its views."""

    def choose(self, tooth: int) -> None:
        """Make a site large."""
        if tooth != self.tooth:
            self.tooth, self.look = tooth, None
            self.space.section.set_numbers(Numbers())
            self.space.section.centre_next = True
            self.refresh()
        self.space.stage.setCurrentWidget(self.space.section)
        self.space.arch_button.setChecked(False)

    def hold(self, entry: SiteEntry) -> None:
        """Show a site where the hand has it."""
        if self.session is not None:
            self.session.show(self.session.plan.with_site(entry))

    def put(self, entry: SiteEntry, words: str) -> None:
        """Keep a site where the hand left it."""
        if self.session is not None:
            self.space.told.settled("place")  # what was said of a place no longer holds
            self.session.change(self.session.plan.with_site(entry), words)

    def nudge(self, right_mm: float, up_mm: float) -> None:
        """Move the fixture in the picture's plane."""
        entry, plane = self.entry, self.space.section.plane()
        if entry is not None and plane is not None:
            self.put(edits.moved(entry, right_mm * plane.right + up_mm * plane.up), say("did.body", tooth=entry.tooth))

    def tilt(self, angle_deg: float) -> None:
        """Tilt the fixture round its platform, positive angles bring the tip to the picture's right."""
        entry, plane = self.entry, self.space.section.plane()
        if entry is not None and plane is not None:
            self.put(edits.tilted_by(entry, plane.right, angle_deg), say("did.tip", tooth=entry.tooth))

    def change_fixture(self, *, wider: int = 0, longer: int = 0) -> None:
        """The next fixture in diameter or length."""
        entry, fixture = self.entry, self.fixture
        if entry is None or fixture is None or self.library is None:
            return
        other = neighbour_fixture(self.library, fixture, wider=wider, longer=longer)
        if other is None:
            self.space.told.news("fixture", say("fixture.no-further"))
        else:
            self.set_fixture(other.name)

    def set_fixture(self, name: str | None) -> None:
        """A fixture by name."""
        if self.entry is not None:
            self.space.told.settled("fixture")
            self.put(edits.with_fixture(self.entry, name), say("did.fixture", name=name or say("fixture.none")))

    def step(self, mm: float) -> None:
        """Look at a section further along the arch."""
        if self.look is not None:
            offset = float(np.clip(self.look.offset_mm + mm, -LOOK_REACH_MM, LOOK_REACH_MM))
            self.show_look(replace(self.look, offset_mm=0.0 if abs(offset) < 1e-6 else offset))

    def turn(self, deg: float) -> None:
        """Turn the section round the fixture."""
        if self.look is not None:
            self.show_look(replace(self.look, turn_deg=(self.look.turn_deg + deg) % 360.0))

    def show_look(self, look: Look) -> None:
        """Show another section."""
        self.look = look if self.entry is None else look.follow(self.entry.frame())
        self.refresh()

    def set_window(self, window: Window) -> None:
        """Other grey values as black and white."""
        for part in (self.space.section, self.space.film, self.space.strip, self.space.arch):
            part.set_window(window)

    def set_own_window(self, window: Window) -> None:
        """Grey values as a hand has dragged them: no tissue's any more."""
        self.space.show_tissue(None)
        self.set_window(window)

    def choose_tool(self, tool: str) -> None:
        """Take a hand tool, or put it away."""
        for name, button in self.space.tool_buttons.items():
            button.setChecked(name == tool)
        self.space.section.set_tool(tool)

    def add_mark(self, mark: HandMark) -> None:
        """Keep a hand measurement."""
        if self.session is not None:
            self.session.change(self.session.plan.with_mark(mark), say(f"did.{mark.kind}"))
        self.choose_tool("")

    def point(self, point: Vector | None) -> None:
        """The place under the pointer, shown in the other pictures too."""
        self.space.strip.set_cross(point)
        self.space.film.set_cross(point)
        self.space.by_depth.set_cross(point)

    def point_elsewhere(self, point: Vector | None) -> None:
        """The place under the pointer in a small picture, shown in the large one too."""
        self.space.section.set_cross(point)
        self.point(point)

    def show_lines(self, on: bool) -> None:
        """Show or hide what is drawn over the picture."""
        self.space.section.show_overlays = on
        self.space.section.update()
