"""The site object that `measure --json` prints and that `findings.json` holds for the bone of a site."""

from collections.abc import Iterable
from typing import Any

from siteplan.bone.findings import BoneFindings, RidgeForm, Undercut
from siteplan.measures import Measure


def bone_json(bone: BoneFindings, *, table: str = "five-class") -> dict[str, Any]:
    """Members of one entry of `sites[]` that describe bone; `table` names the one shown as `density`."""
    chosen = next((d for d in bone.density if d.table == table), bone.density[0])
    return {
        "crest_mm": _vector(bone.frame.origin_lps_mm),
        "axis": _vector(bone.frame.axis),
        "buccal": _vector(bone.frame.buccal),
        "distal": _vector(bone.frame.distal),
        "quick": bone.quick,
        "crest_offset": bone.crest_offset.as_json(),
        "crestal_cortex": bone.crestal_cortex.as_json(),
        "second_cortex_depth": bone.second_cortex_depth.as_json(),
        "second_cortex": bone.second_cortex.as_json(),
        "canal_roof_depth": bone.canal_roof_depth.as_json(),
        "canal_lumen_depth": bone.canal_lumen_depth.as_json(),
        "available_height": bone.available_height.as_json(),
        "ridge_width": _list(bone.levels.ridge_width),
        "axis_to_buccal": _list(bone.levels.buccal_mm),
        "axis_to_lingual": _list(bone.levels.lingual_mm),
        "buccal_plate": _list(bone.levels.buccal_plate),
        "lingual_plate": _list(bone.levels.lingual_plate),
        "mesiodistal_width": _list(bone.levels.mesiodistal_width),
        "mean_grey": bone.mean_grey.as_json(),
        "mean_grey_thirds": _list(bone.thirds),
        "trabecular_grey": bone.trabecular_grey.as_json(),
        "trabecular_hu": bone.trabecular_hu.as_json(),
        "mean_hu": bone.mean_hu.as_json(),
        "provisional_hu": bone.provisional_hu.as_json(),
        "density": chosen.as_json(),
        "density_by_table": [d.as_json() for d in bone.density],
        "undercuts": [_undercut(u) for u in bone.undercuts],
        "ridge_form": _form(bone.ridge_form),
        "blur_fwhm": bone.blur_fwhm.as_json(),
        "blur_fwhm_across_slices": bone.blur_fwhm_across_slices.as_json(),
        "noise_sd": bone.noise_sd.as_json(),
        "grey_drift": bone.drift.as_json(),
        "metal_share": round(bone.metal_share, 4),
    }


def _vector(values: Iterable[float]) -> list[float]:
    return [round(float(v), 6) for v in values]


def _list(measures: Iterable[Measure]) -> list[dict[str, Any]]:
    return [m.as_json() for m in measures]


def _undercut(undercut: Undercut) -> dict[str, Any]:
    return {
        "side": undercut.side,
        "depth": undercut.depth.as_json(),
        "position": undercut.position.as_json(),
        "angle": undercut.angle.as_json(),
        "path_leaves_bone_at": undercut.path_leaves_bone_at.as_json(),
    }


def _form(form: RidgeForm) -> dict[str, Any]:
    return {
        "class": form.label,
        "table": form.table,
        "source": form.source,
        "status": form.status,
        "why": form.why,
        "probabilities": {name: round(share, 4) for name, share in form.probabilities.items()},
        "height": form.height.as_json(),
        "width": form.width.as_json(),
    }
