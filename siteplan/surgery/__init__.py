"""How does a fixture get there? Kit, drilling card, torque forecast, seating guidance and record."""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

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
    "Branch": "card",
    "Pause": "card",
    "Preparation": "card",
    "Step": "card",
    "Kit": "kit",
    "kit_schema": "kit",
    "load_kit": "kit",
    "prepare": "preparing",
    "Protocol": "protocol",
    "load_protocol": "protocol",
    "protocol_schema": "protocol",
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

__getattr__ = loads_on_use(__name__, _HOME)
