"""Where may a fixture go? Clearance, tolerance of the hand, proposals, parallelism."""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.placement.between import divergence_deg as divergence_deg
    from siteplan.placement.between import fixture_to_fixture as fixture_to_fixture
    from siteplan.placement.between import fixture_to_fixture_risk as fixture_to_fixture_risk
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
    "fixture_to_fixture_risk": "between",
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
    "fixture_to_fixture_risk",
    "load_margins",
    "platform_distance_mm",
]

__getattr__ = loads_on_use(__name__, _HOME)
