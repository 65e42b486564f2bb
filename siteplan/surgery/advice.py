"""What the seating guide says next, with its reason: one place for all words that a surgeon reads while seating."""

from collections.abc import Callable
from dataclasses import dataclass

from siteplan.surgery import cautions
from siteplan.surgery.entries import Kind
from siteplan.surgery.seating import MOVES, Phase, State
from siteplan.surgery.seating_plan import GUM
from siteplan.surgery.told import from_to, turns_words


@dataclass(frozen=True)
class Advice:
    """The next step.

    Attributes:
        do: what to do now. why: its reason. setting_Ncm: of the ratchet, None where none is needed; never above the
            ceiling. enter: what can be entered afterwards. warnings: what the last entry gave cause to say.
    """

    do: str
    why: str
    setting_Ncm: float | None
    enter: tuple[Kind, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]

    def as_json(self) -> dict[str, object]:
        """For the window and other programs."""
        return {
            "do": self.do,
            "why": self.why,
            "setting_Ncm": self.setting_Ncm,
            "enter": [kind.value for kind in self.enter],
            "warnings": list(self.warnings),
            "cautions": list(self.cautions),
        }


def advice(state: State) -> Advice:
    """The next step of a state."""
    do, why, setting = _SAY[state.phase](state)
    beside = cautions.LOADING if state.phase in (Phase.LOOSE, Phase.SEATED) else cautions.SEATING[:1]
    return Advice(do, why, setting, MOVES[state.phase], state.warnings, beside)


_THERE_MM = 0.05
"""Less than this to go is nothing (half of what is shown)."""


def position(state: State) -> str:
    """Where the fixture stands, in one line."""
    left = state.remaining_mm
    if left > _THERE_MM:
        rest = f"{left:.1f} mm to go, about {left / state.plan.lead_mm:.1f} turns"
    elif left >= -_THERE_MM:
        rest = "planned depth reached"
    else:
        rest = f"{-left:.1f} mm past the planned depth"
    return f"{turns_words(state.turns)} in, apex {state.depth_mm:.1f} of {state.plan.apex_mm:.1f} mm: {rest}"


def mark_words(state: State) -> str:
    """Which mark of the seating tool has to meet what: "the tool's mark 2.2 mm above the platform meets the gum"."""
    place = "gum" if state.plan.reference == GUM else "bone crest"
    height = state.mark_mm
    if height is None and state.plan.reference != GUM:
        return f"the platform stands {-state.plan.platform_mm:.1f} mm above the bone crest"
    which = "the tool's mark" if height is None else f"the tool's mark {height:.1f} mm above the platform"
    return f"{which} meets the {place}"


_Said = tuple[str, str, float | None]


def _by_hand(state: State) -> _Said:
    do = "Turn the fixture in by hand, cooled, until it stops. Count the turns."
    return do, f"each turn advances it by {state.plan.lead_mm:g} mm, and the hand feels what a ratchet hides", None


def _ratchet(state: State) -> _Said:
    if state.remaining_mm <= _THERE_MM:
        do = (
            f"Look at the mark first: by the turns the planned depth is reached. Only if it is not true that "
            f"{mark_words(state)}, set the ratchet to {state.setting_Ncm:g} N·cm and turn on."
        )
        return (
            do,
            "turns and thread lead say that nothing is left to go, and a fixture can also spin",
            state.setting_Ncm,
        )
    do = f"Set the ratchet to {state.setting_Ncm:g} N·cm and turn until it clicks or {mark_words(state)}."
    return (
        do,
        "settings go from low to high, so that the torque is never higher than this bone needs",
        state.setting_Ncm,
    )


def _at_ceiling(state: State) -> _Said:
    plan = state.plan
    if state.remaining_mm <= plan.depth_tolerance_mm:
        do = (
            f"Look at the mark first: if {mark_words(state)}, leave the fixture there. Only if not, back out by about "
            f"{turns_words(plan.back_out_turns)}."
        )
    else:
        do = f"Back out by about {turns_words(plan.back_out_turns)}. If {mark_words(state)} already, leave it there."
    why = (
        f"it clicked at the highest setting within the ceiling of {plan.ceiling_Ncm:g} N·cm; backing out lets the "
        "thread clear the way, and more torque is never the answer"
    )
    if state.cycles:
        why += f" (cycle {state.cycles} is done; several are normal)"
    return do, why, None


def _go_in_again(state: State) -> _Said:
    plan = state.plan
    do = f"Turn in again at {state.setting_Ncm:g} N·cm until it clicks or {mark_words(state)}. Count the turns."
    why = (
        f"backed out by {state.backed_out:g}: going in by about {plan.widening_turns:g} or more shows that the thread "
        "still widens the site, no more than was backed out shows that it does not"
    )
    return do, why, state.setting_Ncm


def _take_out(state: State) -> _Said:
    opening = state.next_opening
    then = f" Next: {opening}." if opening else " The card holds no further drill for this fixture."
    why = (
        f"it went in by {turns_words(state.regained)} after {state.backed_out:g} were backed out, so the thread no "
        "longer widens the site, and the ceiling holds"
    )
    if state.remaining_mm <= state.plan.depth_tolerance_mm:
        do = f"Look at the mark first: if {mark_words(state)}, leave the fixture there. Only if not, take it out.{then}"
        return do, f"by the turns the planned depth is reached; {why}", None
    return f"Take the fixture out.{then}", why, None


def _open(state: State) -> _Said:
    do = f"Use {state.next_opening}. Then try the fixture again by hand."
    return do, "this is the next step of the tighter branch of the card; one step at a time", None


def _out(state: State) -> _Said:
    if state.loose:
        other = _looser(state)
        do = f"{'Place' if state.plan.looser else 'Note:'} {other}. Or put this one back and leave it without load."
        return do, "it held too little; a wider hole would hold even less", None
    opening = state.next_opening
    tight = f" If it was too tight: {opening}." if opening else ""
    loose = f" If it was too loose: {_looser(state)}."
    return f"Put the fixture in again by hand.{tight}{loose}", "it was taken out before it was seated", None


def _no_branch(state: State) -> _Said:
    do = (
        "Stop here. Check depth and direction of the hole with a probe and a radiograph, then choose a thinner or "
        "shorter fixture, or end."
    )
    return do, "the card holds no further drill that this fixture allows, and torque is not raised instead", None


def _check_depth(state: State) -> _Said:
    if state.mark_seen:
        do = (
            "Measure the gum and enter it, read which mark it meets, take a radiograph if in doubt. Then confirm the "
            "depth or back out."
        )
        why = (
            "the mark is reported where it should be, but turns, mark and plan disagree: gum of another thickness, "
            "another mark, miscounted turns or a fixture that spins"
        )
        return do, why, None
    do = (
        "Look at the tool's mark: enter how far it stands above the gum. If turns gain no depth, the fixture spins: "
        "take it out."
    )
    return do, "by the turns it should be deeper than planned, but the mark was not reported at the gum", None


def _read_torque(state: State) -> _Said:
    top = state.plan.ceiling_Ncm
    do = (
        "Enter the final torque: the highest setting at which the ratchet has clicked in this depth, tried from below "
        f"and never above {top:g} N·cm. Do not turn the fixture deeper to find out; in doubt enter the lower setting."
    )
    why = (
        "the mark is met; the final torque decides about loading, and a click shows that the fixture held at least "
        "that much, while a setting without a click shows that it held less"
    )
    return do, why, state.plan.settings_Ncm[0]


def _loose(state: State) -> _Said:
    do = f"Do not load this fixture early. Choose: {_looser(state)}; or keep it without load."
    why = (
        f"{state.final_Ncm or 0:g} N·cm is below the loading torque of {state.plan.loading_Ncm:g} N·cm; a fixture that "
        "is moved while it heals is lost more often"
    )
    return do, why, None


def _seated(state: State) -> _Said:
    torque = f"{state.final_Ncm:g} N·cm" if state.final_Ncm is not None else "the torque reached"
    if state.loose:
        return (
            "Seated, to be left without load. Take a radiograph and record the lot number.",
            f"{torque} is below the loading torque of {state.plan.loading_Ncm:g} N·cm",
            None,
        )
    low, high = state.plan.target_Ncm
    where = "within" if low <= (state.final_Ncm or 0) <= high else "outside"
    why = f"{torque}, {where} the target of {from_to(low, high)} N·cm, {_depth_reached(state)}"
    return "Seated. Take a radiograph and record the lot number; the record is complete then.", why, None


def _depth_reached(state: State) -> str:
    left = state.remaining_mm
    if abs(left) <= _THERE_MM:
        return "at the planned depth"
    return f"{abs(left):.1f} mm {'short of' if left > 0 else 'past'} the planned depth, as was confirmed"


def _ended(state: State) -> _Said:
    return (
        "This record is closed. Start a new one when the site is taken up again.",
        "it was ended before a fixture was seated",
        None,
    )


def _looser(state: State) -> str:
    if not state.plan.looser:
        return "no wider or longer fixture keeps all margins here"
    return "a fixture that fits here and holds more (" + ", ".join(state.plan.looser) + ")"


_SAY: dict[Phase, Callable[[State], _Said]] = {
    Phase.BY_HAND: _by_hand,
    Phase.RATCHET: _ratchet,
    Phase.AT_CEILING: _at_ceiling,
    Phase.GO_IN_AGAIN: _go_in_again,
    Phase.TAKE_OUT: _take_out,
    Phase.OPEN: _open,
    Phase.OUT: _out,
    Phase.NO_BRANCH_LEFT: _no_branch,
    Phase.CHECK_DEPTH: _check_depth,
    Phase.READ_TORQUE: _read_torque,
    Phase.LOOSE: _loose,
    Phase.SEATED: _seated,
    Phase.ENDED: _ended,
}
