"""Why a measured number should be doubted, or why it is absent: one table of codes and sentences.

Results carry the code; every place that shows a number to a person looks the sentence up here, so that the
report, the window and `findings.json` say the same.
"""

from enum import StrEnum


class Flag(StrEnum):
    """Reason for doubt or absence. The value is what `findings.json` holds; `meaning` is what a person reads."""

    NO_BONE_ON_AXIS = "no-bone-on-axis"
    EDGE_OF_VOLUME = "edge-of-volume"
    NO_EDGE_FOUND = "no-edge-found"
    NO_SECOND_CORTEX = "no-second-cortex"
    NO_CANAL_TOLD = "no-canal-told"
    BEYOND_BONE = "beyond-bone"
    ALL_CORTEX = "all-cortex"
    THIN_CORTEX = "thin-cortex"
    THICKNESS_OR_DENSITY = "thickness-or-density"
    LOW_CONTRAST = "low-contrast"
    DARK_BEYOND = "dark-beyond"
    WITHIN_CORTEX = "within-cortex"
    JOINED_LAYER = "joined-layer"
    NOISY = "noisy"
    METAL_NEAR = "metal-near"
    COARSE_VOXEL = "coarse-voxel"
    QUICK_ESTIMATE = "quick-estimate"
    NOT_CALIBRATED = "not-calibrated"
    PROVISIONAL_SCALE = "provisional-scale"
    SCALE_DOUBTFUL = "scale-doubtful"
    FEW_SAMPLES = "few-samples"
    UNCERTAIN = "uncertain"
    UNBOUNDED = "unbounded"
    NOT_GIVEN = "not-given"
    NOT_CONFIRMED = "not-confirmed"
    STOPS_SHORT = "stops-short"
    HARDLY_SEEN = "hardly-seen"
    PLACE_IN_DOUBT = "place-in-doubt"

    @property
    def meaning(self) -> str:
        """One sentence for a person."""
        return _MEANING[self]


_MEANING: dict[Flag, str] = {
    Flag.NO_BONE_ON_AXIS: "The axis does not meet bone inside the measured block.",
    Flag.EDGE_OF_VOLUME: "The scan ends here; part of what was needed lies outside it.",
    Flag.NO_EDGE_FOUND: "No bone edge could be told from noise along this line.",
    Flag.NO_CANAL_TOLD: "No canal could be told on the axis within the measured depth; there may still be one.",
    Flag.NO_SECOND_CORTEX: "The axis meets no second cortex within the measured depth.",
    Flag.BEYOND_BONE: "This depth lies outside the bone.",
    Flag.ALL_CORTEX: "The whole width is cortex at this depth, so it has no separate plate.",
    Flag.THIN_CORTEX: "The cortex is thinner than the scan can resolve; read the upper limit.",
    Flag.THICKNESS_OR_DENSITY: "The scan cannot tell a thin dense cortex from a thicker soft one here.",
    Flag.LOW_CONTRAST: "Cortex and the bone beneath differ too little to be separated with confidence.",
    Flag.DARK_BEYOND: "A plate with a dark space behind it, taken for a cavity full of fluid; it may be marrow.",
    Flag.WITHIN_CORTEX: "This line runs within the crestal cortex, where neither a root nor the bone's end stands out.",
    Flag.JOINED_LAYER: "Another layer, such as a sinus floor, joins the plate here; its own thickness cannot be told.",
    Flag.NOISY: "Noise is high for this measure.",
    Flag.METAL_NEAR: "Metal or its streaks reach this place.",
    Flag.COARSE_VOXEL: "The voxel is too coarse for a decision below one millimetre.",
    Flag.QUICK_ESTIMATE: "A quick estimate; the full measurement has not been made yet.",
    Flag.NOT_CALIBRATED: "Grey values of this scan are not Hounsfield units; no calibration was given.",
    Flag.PROVISIONAL_SCALE: "The grey scale was guessed from air and soft tissue in the scan itself.",
    Flag.SCALE_DOUBTFUL: "Soft tissue here lies over 100 HU off its place on this scale; the scale may not fit.",
    Flag.FEW_SAMPLES: "Too few voxels for a stable mean.",
    Flag.UNCERTAIN: "The interval is wider than 0.4 mm to a side.",
    Flag.UNBOUNDED: "Nothing bounds this distance within the measured block.",
    Flag.NOT_GIVEN: "The case does not hold what this needs.",
    Flag.NOT_CONFIRMED: "The program found this structure; no person has confirmed it yet.",
    Flag.STOPS_SHORT: "It is not drawn beside this site but stops short of it; the distance is to its loose end.",
    Flag.HARDLY_SEEN: "Its course beside this site was hardly seen in the scan; it may lie elsewhere.",
    Flag.PLACE_IN_DOUBT: "Where this structure ends or runs is in doubt by over 1.5 mm; its note may say why.",
}
