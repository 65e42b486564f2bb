"""`Reason`: a sentence and the measure or file line that it rests on."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """Why something stands on the card.

    Attributes:
        text: one sentence or clause for a person.
        where: what it can be traced to: "measure crestal_cortex", or file, line and key.
        source: who says so, where a file names it.
    """

    text: str
    where: str
    source: str = ""

    def as_json(self) -> dict[str, str]:
        """Text and trace."""
        out = {"text": self.text, "where": self.where}
        return out | {"source": self.source} if self.source else out
