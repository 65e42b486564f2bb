"""A `Structure` as the object that stands in the `structures` list of a case file."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.anatomy.structure import Cone, Shape, Structure, Surface, Tube

_DECIMALS_MM = 4
"""A ten-thousandth of a millimetre: far below any error, and short to read."""


def structure_json(structure: Structure) -> dict[str, Any]:
    """Plain lists and numbers; the kind of shape decides which of `points_mm`, `cone` and `surface` is there."""
    out: dict[str, Any] = {
        "kind": structure.kind.value,
        "name": structure.name,
        "side": structure.side,
        "made_by": structure.made_by.value,
        "uncertainty_mm": round(float(structure.uncertainty_mm), 3),
        "note": structure.note,
        **_shape_json(structure.shape),
    }
    if structure.confidence is not None:
        out["confidence"] = [round(float(c), 3) for c in structure.confidence]
    return out


def _shape_json(shape: Shape) -> dict[str, Any]:
    if isinstance(shape, Tube):
        return {"points_mm": _lists(shape.points_lps_mm), "radius_mm": _lists(shape.radius_mm)}
    if isinstance(shape, Cone):
        return {
            "cone": {
                "base_mm": _lists(shape.base_lps_mm),
                "tip_mm": _lists(shape.tip_lps_mm),
                "base_radius_mm": round(shape.base_radius_mm, _DECIMALS_MM),
                "tip_radius_mm": round(shape.tip_radius_mm, _DECIMALS_MM),
            }
        }
    assert isinstance(shape, Surface)
    return {
        "surface": {
            "points_mm": _lists(shape.points_lps_mm),
            "triangles": shape.triangles.tolist(),
            "behind": _lists(shape.behind),
            "closed": shape.closed,
        }
    }


def _lists(array: NDArray[np.float64]) -> Any:
    return np.round(array, _DECIMALS_MM).tolist()
