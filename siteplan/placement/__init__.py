"""Where may a fixture go? Clearance, tolerance of the hand, proposals, parallelism."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siteplan.placement.between import divergence_deg as divergence_deg
    from siteplan.placement.between import fixture_to_fixture as fixture_to_fixture
    from siteplan.placement.between import platform_distance_mm as platform_distance_mm
    from siteplan.placement.clearances import Clearance as Clearance
    from siteplan.placement.clearances import clearance as clearance
    from siteplan.placement.cover import bone_cover as bone_cover
    from siteplan.placement.margins import Margin as Margin
    from siteplan.placement.margins import Margins as Margins
    from siteplan.placement.margins import load_margins as load_margins
    from siteplan.placement.verdict import Verdict as Verdict

_HOME = {
    "bone_cover": "cover",
    "divergence_deg": "between",
    "fixture_to_fixture": "between",
    "platform_distance_mm": "between",
    "Clearance": "clearances",
    "clearance": "clearances",
    "Margin": "margins",
    "Margins": "margins",
    "load_margins": "margins",
    "Verdict": "verdict",
}

__all__ = [
    "Clearance",
    "Margin",
    "Margins",
    "Verdict",
    "bone_cover",
    "clearance",
    "divergence_deg",
    "fixture_to_fixture",
    "load_margins",
    "platform_distance_mm",
]


def __getattr__(name: str) -> Any:
    # Loaded on first use: the margins file needs pydantic, the distances need scipy.
    if name not in _HOME:
        raise AttributeError(f"module 'siteplan.placement' has no attribute {name!r}")
    return getattr(import_module(f"siteplan.placement.{_HOME[name]}"), name)
