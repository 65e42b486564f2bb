"""How the drill is led at a site: as the case says it for the site, else for all sites, else assumed to be a free hand.

Nobody is helped by a chance that was reckoned with a guide that is not there, so what no one wrote down is assumed to
be the hand that deviates most, and wherever it counts it is said that this was assumed.
"""

from dataclasses import dataclass
from typing import Any, Literal, TypeVar

from siteplan.case.model import Case, SiteEntry
from siteplan.errors import CaseError
from siteplan.placement.hand import ASSUMED, Hand, hands

Given = Literal["site", "case", "assumed"]
"""Who says it: the site's own entry, the case for all its sites, or nobody."""

_ASSUMED = " (assumed: the case does not say)"

_Case = TypeVar("_Case", bound=Case)


@dataclass(frozen=True)
class Guidance:
    """How the drill is led at one site: the published hand that stands for it, and who says so."""

    hand: Hand
    given: Given

    @property
    def assumed(self) -> bool:
        """Whether nobody said it."""
        return self.given == "assumed"

    @property
    def words(self) -> str:
        """ "static guide", or "free hand (assumed: the case does not say)"."""
        return f"{self.hand.words}{_ASSUMED}" if self.assumed else self.hand.words

    @property
    def phrase(self) -> str:
        """The same behind a verb: "with a static guide", "with a free hand (assumed: the case does not say)"."""
        return f"{self.hand.phrase}{_ASSUMED}" if self.assumed else self.hand.phrase

    @property
    def caution(self) -> str:
        """What a person must know who relies on chances with this hand."""
        lead = "The case does not say how the drill is led, so a free hand is assumed. " if self.assumed else ""
        return f"{lead}{self.hand.caution}"

    def as_json(self) -> dict[str, Any]:
        """`sites[].guidance` in `findings.json`."""
        hand = self.hand
        return {
            "hand": hand.name,
            "given_by": self.given,
            "words": self.words,
            "hand_source": hand.source,
            "status": hand.status,
            "caution": self.caution,
        }


def guidance_of(site: SiteEntry, case_wide: str | None) -> Guidance:
    """How the drill is led at a site.

    Args:
        case_wide: `Case.guidance`, which holds where the site says nothing.
    """
    if site.guidance is not None:
        return Guidance(hands()[site.guidance], "site")
    return Guidance(hands()[case_wide or ASSUMED], "case" if case_wide else "assumed")


def with_guidance(case: _Case, name: str | None, tooth: int | None = None) -> _Case:
    """The case with the drill led so: at one tooth, or, without a tooth, wherever a site says nothing of its own.

    Args:
        name: a name of `hands()`, or None to say nothing any more.

    Raises:
        CaseError: no such way to lead a drill, or no such tooth.
    """
    known = hands()
    if name is not None and name not in known:
        raise CaseError(f"guidance: it must be one of {', '.join(known)}, not {name!r}.")
    if tooth is None:
        return case.model_copy(update={"guidance": name})
    if tooth not in [site.tooth for site in case.sites]:
        raise CaseError(f"sites: tooth {tooth} is not planned here, so nothing can be said of its guidance.")
    sites = [s.model_copy(update={"guidance": name}) if s.tooth == tooth else s for s in case.sites]
    return case.model_copy(update={"sites": sites})
