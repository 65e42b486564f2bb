"""What the desk asks of its workers: frozen requests, made from the plan as it stands, each only where it is needed."""

import time
from functools import partial

import numpy as np
from PySide6.QtCore import QObject, QTimer

from siteplan.anatomy import Structure
from siteplan.assessment import Library
from siteplan.case import SiteEntry
from siteplan.findings import SiteFindings
from siteplan.fixture import Fixture
from viewer.desk_hands import Hands
from viewer.jobs import Channel, Ticket
from viewer.look import ON_ARCH_MM
from viewer.measuring import (
    LibraryRequest,
    Measured,
    MeasureRequest,
    fixture_named,
    library_rests_on,
    measure,
    read_library,
)
from viewer.panorama import Course, course_through, unroll
from viewer.pictures import CutRequest, FilmRequest, make_cut, make_film, margin_line_mm
from viewer.session import Session

BONE_EVERY_S = 0.4
"""In the hand, distances follow at once; the bone along the new axis is read anew this often, because that takes longer
and holds the interpreter while it resamples."""
REST_MS = 160
"""A hand that has not moved for this long rests: full pictures and numbers are then asked for."""
FILM_OFFSETS_MM = (-6.0, -4.0, -2.0, 0.0, 2.0, 4.0, 6.0)


class Asks(Hands, QObject):
    """The questions of `Desk` to its channels. Remembers what was asked for, so that nothing is asked twice."""

    channels: dict[str, Channel]
    proposed: tuple[Structure, ...]

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._measured_for: dict[int, object] = {}
        self._last_full: dict[int, SiteFindings] = {}
        self._library_key: tuple[object, ...] | None = None
        self._cut_for: tuple[Library, tuple[Structure, ...]] | None = None
        self._arches: dict[str, Course] = {}
        self._bone_read = 0.0
        self._sharp_asked = False
        self._film_key: object = None
        self._full_asked: tuple[int, object] | None = None
        self._full_failed: dict[int, tuple[object, str]] = {}
        self._library_failed = ""
        self._library_due = False
        self._rest = QTimer()
        self._rest.setSingleShot(True)
        self._rest.setInterval(REST_MS)
        self._rest.timeout.connect(self._at_rest)

    def set_arch(self, points_lps_mm: np.ndarray, jaw: str) -> None:
        """Unroll the strip along this arch of a jaw; neighbouring sections of its sites follow it from now on."""
        session = self.session
        if session is None or len(points_lps_mm) < 3:
            return
        course, scan = course_through(points_lps_mm), session.scan
        self._arches[jaw] = course
        self.refresh()
        self.space.arch.set_points(points_lps_mm)
        self.channels["strip"].ask(lambda ticket: unroll(scan, course, lambda: ticket.cancelled), give_up_running=True)

    def _course_of(self, entry: SiteEntry) -> Course | None:
        """The arch along which the sections of a site are shifted; None where none is known that passes the site."""
        course = self._arches.get(entry.jaw)
        beside = course.place(entry.frame().origin_lps_mm)[1] if course is not None else np.inf
        return course if beside <= ON_ARCH_MM else None

    def _key(self, entry: SiteEntry) -> object:
        """What a site's full numbers depend on: the site, every other site, and everything the case names."""
        assert self.session is not None
        return entry, tuple(self.session.plan.sites), self.library  # itself: a later one may get the same id

    def _ask_library(self, session: Session) -> None:
        parts = library_rests_on(session.plan.case)
        known = self._library_key
        if known is not None and all(a is b or a == b for a, b in zip(parts, known, strict=True)):
            return
        self._library_key, self._library_due = parts, True
        request = LibraryRequest(session.scan, session.case_file())
        self.channels["library"].ask(lambda _ticket: read_library(request))

    def _others(self, entry: SiteEntry) -> tuple[tuple[SiteEntry, Fixture], ...]:
        return self.other_sites(entry.tooth)

    def other_sites(self, tooth: int) -> tuple[tuple[SiteEntry, Fixture], ...]:
        """The sites besides this tooth that have a fixture."""
        assert self.session is not None
        assert self.library is not None
        pairs = ((e, fixture_named(self.library, e.fixture)) for e in self.session.plan.sites if e.tooth != tooth)
        return tuple((e, f) for e, f in pairs if f is not None)

    def _ask_cut(self, *, smooth: bool) -> None:
        entry, session, library, look = self.entry, self.session, self.library, self.look
        if entry is None or session is None or library is None or look is None:
            return
        structures = tuple((s, margin_line_mm(s, entry, library.margins)) for s in library.structures)
        self._sharp_asked = smooth
        request = CutRequest(session.scan, look, structures, self._others(entry), smooth, self.proposed)
        self.channels["cut"].ask(lambda _ticket: make_cut(request))

    def _ask_quick(self, entry: SiteEntry) -> None:
        assert self.session is not None
        assert self.library is not None
        now = time.monotonic()
        bone_too = now - self._bone_read > BONE_EVERY_S
        self._bone_read = now if bone_too else self._bone_read
        request = MeasureRequest(
            self.session.scan, entry, self.library, self._others(entry), rest=self._rest_findings(), bone_too=bone_too
        )
        self.channels["quick"].ask(lambda _ticket: measure(request))

    def _rest_findings(self) -> SiteFindings | None:
        """The last full findings of the present site."""
        return self._last_full.get(self.tooth or 0)

    def _at_rest(self) -> None:
        """The hand rests: sharp picture, neighbouring sections, full numbers."""
        entry, section = self.entry, self.space.section
        if entry is None or self.library is None or section.holding:
            return
        wanted = (self.library, self.proposed)
        known = self._cut_for is not None and self._cut_for[0] is wanted[0] and self._cut_for[1] is wanted[1]
        # A quick section may still be on its way when the hand has rested; it must not be the last word.
        if section.cut is None or not section.cut.smooth or not known or not self._sharp_asked:
            self._cut_for = wanted
            self._ask_cut(smooth=True)
        self._ask_film()
        self._ask_full()

    def _ask_film(self) -> None:
        session, library, look = self.session, self.library, self.look
        if session is None or library is None or look is None:
            return
        key = (look.anchor, look.turn_deg, look.course, tuple(session.plan.sites), library)
        if key == self._film_key:
            return
        self._film_key = key
        sites = tuple((e, fixture_named(library, e.fixture)) for e in session.plan.sites)
        request = FilmRequest(session.scan, look, FILM_OFFSETS_MM, sites, library.structures, self.proposed)
        self.channels["film"].ask(lambda ticket: make_film(request, lambda: ticket.cancelled), give_up_running=True)

    def _why_failed(self, entry: SiteEntry) -> str:
        """Why a site as it stands now could not be measured; "" where it was, or still may be."""
        key, why = self._full_failed.get(entry.tooth, (None, ""))
        return self._library_failed or (why if key == self._key(entry) else "")

    def _ask_full(self) -> None:
        """Measure the present site in full, then the others, one at a time."""
        session, library = self.session, self.library
        if session is None or library is None or self._library_due:
            return
        for entry in sorted(session.plan.sites, key=lambda e: e.tooth != self.tooth):
            key = self._key(entry)
            done = self._measured_for.get(entry.tooth) == key or self._why_failed(entry)
            if done or self._full_asked == (entry.tooth, key):
                continue
            self._full_asked = (entry.tooth, key)
            request = MeasureRequest(
                session.scan, entry, library, self._others(entry), table=session.plan.case.density_table
            )
            self.channels["full"].ask(partial(_measured_for, request, key))
            return


def _measured_for(request: MeasureRequest, key: object, _ticket: Ticket) -> tuple[int, object, Measured]:
    return request.entry.tooth, key, measure(request)
