"""How does a fixture get there? Kit, drilling card, torque forecast, seating guidance and record."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siteplan.surgery.card import Branch as Branch
    from siteplan.surgery.card import Pause as Pause
    from siteplan.surgery.card import Preparation as Preparation
    from siteplan.surgery.card import Step as Step
    from siteplan.surgery.kit import Kit as Kit
    from siteplan.surgery.kit import kit_schema as kit_schema
    from siteplan.surgery.kit import load_kit as load_kit
    from siteplan.surgery.preparing import prepare as prepare
    from siteplan.surgery.protocol import Protocol as Protocol
    from siteplan.surgery.protocol import load_protocol as load_protocol
    from siteplan.surgery.protocol import protocol_schema as protocol_schema

_HOME = {
    "Branch": "siteplan.surgery.card",
    "Pause": "siteplan.surgery.card",
    "Preparation": "siteplan.surgery.card",
    "Step": "siteplan.surgery.card",
    "Kit": "siteplan.surgery.kit",
    "kit_schema": "siteplan.surgery.kit",
    "load_kit": "siteplan.surgery.kit",
    "prepare": "siteplan.surgery.preparing",
    "Protocol": "siteplan.surgery.protocol",
    "load_protocol": "siteplan.surgery.protocol",
    "protocol_schema": "siteplan.surgery.protocol",
}

__all__ = [
    "Branch",
    "Kit",
    "Pause",
    "Preparation",
    "Protocol",
    "Step",
    "kit_schema",
    "load_kit",
    "load_protocol",
    "prepare",
    "protocol_schema",
]


def __getattr__(name: str) -> Any:
    # Loaded on first use: kit and protocol files need pydantic, and most commands do not open one.
    if name not in _HOME:
        raise AttributeError(f"module 'siteplan.surgery' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
