"""What is wrong with a case file, in words for a person: broken JSON, and values that the model refuses."""

import json
import re
from typing import Any

KINDS: dict[type, str] = {
    list: "list",
    dict: "group of keys",
    tuple: "list",
    str: "text",
    bool: "true or false",
    int: "number",
    float: "number",
    type(None): "null",
}
"""What JSON calls the types that Python has for it."""


def json_words(error: json.JSONDecodeError) -> str:
    """What is wrong there, in our own words; the parser only says what it would have taken next."""
    rest = error.doc[error.pos :].lstrip()
    if not rest:
        return "the file ends here, before it is complete"
    before = error.doc[: error.pos].rstrip()[-1:]
    if rest[0] in "]}" and before == ",":
        return f"a comma stands before {rest[0]!r}; remove it"
    if "delimiter" in error.msg:
        return f"a comma, colon or closing bracket is missing before {rest[0]!r}"
    if "property name" in error.msg:
        return f"a key in double quotes is expected, not {rest[0]!r}"
    if error.msg.startswith("Extra data"):
        return "more text follows after the end of the case"
    if "string" in error.msg or "escape" in error.msg or "control" in error.msg:
        return "a text in double quotes is not closed, or holds a line break or a stray backslash"
    return f"a value is expected here, not {rest[0]!r}"


def constant_words(raw: bytes, error: ValueError) -> str:
    """Which key, line and column hold NaN or an infinity."""
    text, key = raw.decode("utf-8-sig"), ""
    for found in re.finditer(r'"((?:[^"\\]|\\.)*)"(\s*:)?|-?(?:NaN|Infinity)\b', text):
        if found[2]:
            key = found[1]
        elif found[1] is None:
            line, column = text.count("\n", 0, found.start()) + 1, found.start() - text.rfind("\n", 0, found.start())
            return f"{error}, but stands at {key!r}, line {line}, column {column}"
    return str(error)


def place(location: tuple[Any, ...]) -> str:
    """sites[0].crest_mm for ("sites", 0, "crest_mm"); names of union branches are left out."""
    text = ""
    for step in location:
        if isinstance(step, int):
            text += f"[{step}]"
        elif (
            step.isidentifier() and not step[0].isupper() and step not in {"float", "int", "str", "list", "constrained"}
        ):
            text += f".{step}" if text else step
    return text or "the file"


def words(problem: Any) -> str:
    """One clause for one problem of the model (`ValidationError.errors()`)."""
    kind, given = problem["type"], problem.get("input")
    if kind == "extra_forbidden":
        return "this key is not known here; remove it or correct its spelling."
    if kind == "missing":
        last = problem["loc"][-1] if problem["loc"] else ""
        return f"number {last + 1} of the list is missing." if isinstance(last, int) else "this key is missing."
    if kind == "value_error":
        return str(problem["ctx"]["error"]).rstrip(".") + "."
    if problem["loc"] == ("units",):
        return f"only 'mm' is understood, not {given!r}; convert every length to millimetres."
    if problem["loc"] == ("schema",):
        return f"this program reads 'siteplan-case/1', not {given!r}."
    shown = repr(given)[:80] if isinstance(given, str | int | float | bool | type(None)) else f"a {KINDS[type(given)]}"
    return f"{_wanted(problem)} (given: {shown})."


def _wanted(problem: Any) -> str:
    """What should have stood there, in our own words; the library's sentence only for what is not in this table."""
    kind, of = problem["type"], problem.get("ctx") or {}
    if kind == "too_short":
        return f"the list needs at least {of['min_length']} entr{'y' if of['min_length'] == 1 else 'ies'}"
    if kind == "too_long":
        return f"the list holds at most {of['max_length']} entries"
    if kind == "string_too_short":
        return "a text is needed, and this one is empty"
    if kind == "string_too_long":
        return f"the text is longer than {of['max_length']} characters"
    if kind in ("finite_number", "float_type", "float_parsing"):
        return "a number is needed"
    if kind in ("int_type", "int_parsing", "int_from_float"):
        return "a whole number is needed"
    if kind in _BOUNDS:
        name, words = _BOUNDS[kind]
        return f"the number must be {words} {of[name]:g}"
    if kind in ("literal_error", "enum"):
        return f"it must be one of {of['expected']}"
    if kind in _TYPES:
        return _TYPES[kind]
    return f"{problem['msg'][0].lower()}{problem['msg'][1:]}"


_BOUNDS = {
    "less_than_equal": ("le", "at most"),
    "less_than": ("lt", "below"),
    "greater_than_equal": ("ge", "at least"),
    "greater_than": ("gt", "above"),
}

_TYPES = {
    "string_type": "a text is needed",
    "bool_type": "true or false is needed",
    "bool_parsing": "true or false is needed",
    "list_type": "a list is needed",
    "tuple_type": "a list of numbers is needed",
    "model_type": "a group of keys in braces is needed",
    "dict_type": "a group of keys in braces is needed",
}
