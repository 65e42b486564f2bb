"""Every word that the window shows, in one table per language, looked up by a key.

`en.toml` is the source. A translation is a second file with the same keys; `tests/viewer/test_texts.py` says
when one is
missing or never used.
"""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

_language = ["en"]


def say(key: str, **values: Any) -> str:
    """The text of `key` ("area.name") with its {places} filled."""
    text = table(_language[0]).get(key) or table("en")[key]
    return text.format(**values) if values else text


def speak(language: str) -> None:
    """Choose the language; a key that it lacks is said in English."""
    table(language)
    _language[0] = language


@cache
def table(language: str) -> dict[str, str]:
    """All texts of a language, keys joined by dots.

    Raises:
        FileNotFoundError: there is no such table.
    """
    raw = tomllib.loads(files(__package__).joinpath(f"{language}.toml").read_text("utf-8"))
    return {f"{area}.{name}": str(text) for area, texts in raw.items() for name, text in texts.items()}
