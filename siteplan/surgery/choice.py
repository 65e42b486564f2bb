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
    usual class counts as well, because grey values alone must not decide; without a density it is the only one. It
    counts too, and the reason says so, where the density is of a class that the protocol does not know.
    """
    found: dict[str, Candidate] = {}
    least = protocol.file.limits.straddle_probability
    for bone, probability in _by_class(protocol, density).items():
        if density is not None and probability >= least:
            scale = "calibrated" if density.calibrated else "not calibrated"
            text = f"{bone} bone with probability {100 * probability:.0f} % ({scale}, table {density.table})"
            found[bone] = Candidate(bone, probability, Reason(text, "measure density.probabilities"))
    unknown = _unknown(protocol, density)
    if density is None or not density.calibrated or not found or unknown:
        usual = protocol.fallback(jaw)
        text = f"{usual} bone is usual in the {jaw} jaw, and {_why_usual(protocol, density, unknown)}"
        where = protocol.lines.where("bone" if unknown else "fallback", *(() if unknown else (jaw,)))
        known = found.get(usual)
        if known is not None and unknown:
            text = f"{known.why.text}; {text}"
        if known is None or unknown:
            found[usual] = Candidate(usual, known.probability if known else None, Reason(text, where))
    return tuple(found[bone] for bone in protocol.classes if bone in found)


def _why_usual(protocol: Protocol, density: DensityClass | None, unknown: dict[str, float]) -> str:
    if density is not None and unknown:
        said = " and ".join(f"{label} ({100 * share:.0f} %)" for label, share in unknown.items())
        return (
            f"what table {density.table} says of this site, {said}, is no label of any class in {protocol.lines.name}: "
            "add it to the labels of the class that it means"
        )
    if density is not None and density.calibrated:
        least = protocol.file.limits.straddle_probability
        return f"no class is as probable as the {100 * least:.0f} % that {protocol.lines.name} asks for"
    return "no calibrated density is known here"


def _by_class(protocol: Protocol, density: DensityClass | None) -> dict[str, float]:
    """Probability of each class of the protocol; labels that it does not know are left out: see `_unknown`."""
    shares: dict[str, float] = {}
    for label, probability in (density.probabilities if density else {}).items():
        bone = protocol.class_of(label)
        if bone is not None:
            shares[bone] = shares.get(bone, 0.0) + probability
    return shares


def _unknown(protocol: Protocol, density: DensityClass | None) -> dict[str, float]:
    """Labels of the density that the protocol does not know, where they are together as probable as a class must be."""
    shares = density.probabilities if density else {}
    found = {label: share for label, share in shares.items() if share >= 0.005 and protocol.class_of(label) is None}
    return found if sum(found.values()) >= protocol.file.limits.straddle_probability else {}
