"""The JSON Schemas that the package publishes, by name."""

import json
from importlib import import_module
from pathlib import Path
from typing import Any

_MADE_BY = {
    "catalogue": ("siteplan.fixture", "catalogue_schema"),
    "kit": ("siteplan.surgery", "kit_schema"),
    "protocol": ("siteplan.surgery", "protocol_schema"),
    "margins": ("siteplan.placement.margins", "margins_schema"),
    "archives": ("siteplan.archive", "archives_schema"),
}

NAMES = ("case", "findings", *_MADE_BY)


def schema_of(name: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of one kind of file.

    Files in TOML have one too: the two formats share their data model.

    Raises:
        KeyError: no such name; `NAMES` holds all.
    """
    if name == "case":
        from siteplan.case.model import Case

        return {**Case.model_json_schema(by_alias=True), "title": "siteplan case"}
    if name == "findings":
        content: dict[str, Any] = json.loads(Path(__file__).with_name("findings.schema.json").read_text("utf-8"))
        return content
    module, function = _MADE_BY[name]
    made: dict[str, Any] = getattr(import_module(module), function)()
    return made
