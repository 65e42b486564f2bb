"""`SiteBlock`: the scan resampled once around a site's axis; every measurement is array work on it."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siteplan.frame import SiteFrame


@dataclass(frozen=True, eq=False)
class SiteBlock:
    """A straight, isotropic block in a site's own frame.

    Attributes:
        values: (D, B, M) float32 grey values: depth, buccolingual, mesiodistal. NaN outside the scan: the edge
            of the volume is marked, never filled.
        frame: where the block's zero lies and where its directions point.
        depth_mm: (D,) depth of each layer below the frame's origin, positive towards the apex.
        buccal_mm: (B,) positive towards cheek or lip.
        distal_mm: (M,) positive away from the midline.
        spacing_mm: the one spacing of all three.
        voxel_mm: (3,) spacing k, j, i of the scan it was cut from.
    """

    values: NDArray[np.float32]
    frame: SiteFrame
    depth_mm: NDArray[np.float64]
    buccal_mm: NDArray[np.float64]
    distal_mm: NDArray[np.float64]
    spacing_mm: float
    voxel_mm: tuple[float, float, float]

    def __post_init__(self) -> None:
        for array in (self.values, self.depth_mm, self.buccal_mm, self.distal_mm):
            view: NDArray[Any] = array
            view.setflags(write=False)
