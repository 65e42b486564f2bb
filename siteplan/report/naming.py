"""What structures are called in a report: by their own names, or by what they are when identity is removed."""

from dataclasses import dataclass
from typing import Any

from siteplan.anatomy import Structure
from siteplan.report.identity import Identity, finding_words
from siteplan.report.staging import structure_letters

_TYPED_KEYS = ("title", "notes", "series_uid", "where", "note")
"""Members of `findings.json` that hold typed text, file names or unique identifiers."""


@dataclass(frozen=True)
class Naming:
    """Letter and name of each structure; whatever is no structure (bone side, other fixture) keeps its words."""

    letters: dict[str, str]
    names: dict[str, str]

    @classmethod
    def of(cls, structures: tuple[Structure, ...], identity: Identity) -> "Naming":
        """Names as typed; where typed text may not be shown, made from kind and side (and letter)."""
        letters = structure_letters(structures)
        if identity.keeps_free_text:
            return cls(letters, {s.name: s.name for s in structures})
        plain = [_plain(s) for s in structures]
        unique = [
            words if plain.count(words) == 1 else f"{words} {letters[s.name]}"
            for words, s in zip(plain, structures, strict=True)
        ]
        return cls(letters, {s.name: words for words, s in zip(unique, structures, strict=True)})

    def letter(self, structure: str) -> str:
        """The letter on the pictures, "" for what is no structure."""
        return self.letters.get(structure, "")

    def name(self, structure: str) -> str:
        """The name to print."""
        return self.names.get(structure, structure)

    def clean(self, text: str) -> str:
        """A sentence with every typed structure name in it replaced by the printed one, longest names first."""
        for typed in sorted(self.names, key=len, reverse=True):
            if self.names[typed] != typed:
                text = text.replace(typed, self.names[typed])
        return text


def without_identity(node: Any, naming: Naming) -> Any:
    """The content of `findings.json` with typed text, file names and unique identifiers taken out."""
    if isinstance(node, dict):
        out = {key: _member(key, value, naming) for key, value in node.items()}
        if isinstance(out.get("code"), str) and isinstance(out.get("what"), str):
            out["what"] = finding_words(out["code"], out["what"], Identity.NONE)
        return out
    if isinstance(node, list):
        return [without_identity(value, naming) for value in node]
    return naming.clean(node) if isinstance(node, str) else node


def _member(key: str, value: Any, naming: Naming) -> Any:
    if key in _TYPED_KEYS and isinstance(value, str):
        return ""
    if key == "remarks":
        return []
    if key == "calibration" and isinstance(value, dict):
        return {name: "" if isinstance(member, str) and name != "kind" else member for name, member in value.items()}
    return without_identity(value, naming)


def _plain(structure: Structure) -> str:
    words = structure.kind.value.replace("-", " ")
    return f"{structure.side} {words}".strip()
