"""Bone at a site: block, edges, cortex, grey value, calibration, density class.

Names load on first use, so that importing the package costs nothing.
"""

from typing import TYPE_CHECKING

from siteplan.lazy import loads_on_use

if TYPE_CHECKING:
    from siteplan.bone.as_json import bone_json
    from siteplan.bone.block import SiteBlock
    from siteplan.bone.calibration import Calibration, CalibrationKind
    from siteplan.bone.density import DensityClass, DensityTable, classify, density_tables
    from siteplan.bone.findings import BoneFindings, LevelMeasures, RidgeForm
    from siteplan.bone.measure import measure_bone
    from siteplan.bone.regions import mean_grey_in
    from siteplan.bone.sample import sample_block

_HOME = {
    "BoneFindings": "findings",
    "Calibration": "calibration",
    "CalibrationKind": "calibration",
    "DensityClass": "density",
    "DensityTable": "density",
    "LevelMeasures": "findings",
    "RidgeForm": "findings",
    "SiteBlock": "block",
    "bone_json": "as_json",
    "classify": "density",
    "density_tables": "density",
    "mean_grey_in": "regions",
    "measure_bone": "measure",
    "sample_block": "sample",
}

__all__ = [
    "BoneFindings",
    "Calibration",
    "CalibrationKind",
    "DensityClass",
    "DensityTable",
    "LevelMeasures",
    "RidgeForm",
    "SiteBlock",
    "bone_json",
    "classify",
    "density_tables",
    "mean_grey_in",
    "measure_bone",
    "sample_block",
]

__getattr__ = loads_on_use(__name__, _HOME)
