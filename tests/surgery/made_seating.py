"""A plan to seat a fixture, entries by one word each, and the state after them."""

from dataclasses import replace

from siteplan.surgery.entries import Entry, Kind
from siteplan.surgery.seating import advance, begin
from siteplan.surgery.seating_plan import BranchStep, SeatingPlan

PLAN = SeatingPlan(
    tooth=36, fixture="any-4.0x10", length_mm=10.0, lead_mm=1.0, apex_mm=10.0, drop_in_mm=1.0, gum_mm=2.0,
    settings_Ncm=(15.0, 25.0, 35.0, 45.0), target_Ncm=(35.0, 45.0), loading_Ncm=32.0, ceiling_Ncm=50.0,
    back_out_turns=2.0, widening_turns=4.0, same_tolerance_turns=0.25, cycles_before_opening=3,
    depth_tolerance_mm=0.7, tighter=(BranchStep("crestal 2.8", "crestal 2.8 to 2 mm"), BranchStep("shaping 3.0", "s")),
    looser=("any-4.5x10",),
)  # fmt: skip


def hand(turns, **more):
    return Entry(Kind.TURNED_BY_HAND, turns=turns, **more)


def click(torque, turns=0.0, **more):
    return Entry(Kind.CLICKED, torque_Ncm=torque, turns=turns, **more)


def back(turns=2.0):
    return Entry(Kind.BACKED_OUT, turns=turns)


def just(kind, **more):
    return Entry(kind, **more)


GUM = just(Kind.MARK_AT_GUM)


def after(*entries, plan=PLAN):
    state = begin(plan)
    for entry in entries:
        state = advance(state, entry)
    return state


TIGHT = (hand(3), click(15, 0.5), click(25, 0.5), click(35), click(45))


def numbered(*entries):
    every = (Entry(Kind.STARTED, plan=PLAN), *entries)
    return [replace(entry, sequence=n) for n, entry in enumerate(every, start=1)]
