"""Which class of bone a site is prepared for, and why."""

from dataclasses import dataclass

from siteplan.bone import DensityClass
from siteplan.surgery.protocol import Protocol
from siteplan.surgery.reasons import Reason


@dataclass(frozen=True)
class Candidate:
    """A class of bone that may be the true one; `probability` is None for the jaw's usual class."""

    bone: str
    probability: float | None
    why: Reason


def candidates(protocol: Protocol, density: DensityClass | None, jaw: str) -> tuple[Candidate, ...]:
    """The classes that a site has to be planned for, densest first.

    A class counts when its probability reaches the protocol's `straddle_probability`. Without a calibration the jaw's
    usual class counts as well, because grey values alone must not decide; without a density it is the only one.
    """
    found: dict[str, Candidate] = {}
    for bone, probability in _by_class(protocol, density).items():
        if density is not None and probability >= protocol.file.limits.straddle_probability:
            scale = "calibrated" if density.calibrated else "not calibrated"
            text = f"{bone} bone with probability {100 * probability:.0f} % ({scale}, table {density.table})"
            found[bone] = Candidate(bone, probability, Reason(text, "measure density.probabilities"))
    if density is None or not density.calibrated or not found:
        usual = protocol.fallback(jaw)
        text = f"{usual} bone is usual in the {jaw} jaw, and no calibrated density is known here"
        where = protocol.lines.where("fallback", jaw)
        found.setdefault(usual, Candidate(usual, None, Reason(text, where)))
    return tuple(found[bone] for bone in protocol.classes if bone in found)


def _by_class(protocol: Protocol, density: DensityClass | None) -> dict[str, float]:
    """Probability of each class of the protocol; labels that it does not know are left out."""
    shares: dict[str, float] = {}
    for label, probability in (density.probabilities if density else {}).items():
        bone = protocol.class_of(label)
        if bone is not None:
            shares[bone] = shares.get(bone, 0.0) + probability
    return shares
