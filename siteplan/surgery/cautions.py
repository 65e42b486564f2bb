"""Cautions that stand beside the drilling card and the seating guide: the same words wherever they are shown."""

DRILLING: tuple[str, ...] = (
    "Cool without a break, with light pressure and in strokes; bone is harmed from about 47 °C for one minute "
    "(Eriksson and Albrektsson, 1983).",
    "A depth on this card is the deepest mark that clearly keeps every margin, never the nearest one; where no mark "
    "does, the step says 'cannot be told'. The very tip goes deeper than the mark: read the tip depth.",
    "Stop at once when resistance is suddenly lost, at pain under infiltration, at a spurting bleed or at any doubt "
    "about the depth; leave the drill out and take a radiograph.",
    "Take one drill less first: too little can be mended, too much only by a wider fixture.",
    "The instructions of the makers of drill and fixture come before this card.",
)

LED: dict[str, tuple[str, ...]] = {
    "static-guide": (
        "A depth on this card is read in bone or at the gum, not at a sleeve: with a guide, the makers of guide and "
        "drills say which drill length and which stop at the sleeve stand for it, and what the guide adds to the "
        "height that the handpiece needs. Cooling water reaches the drill less well through a guide (common practice, "
        "no source).",
    ),
    "navigation": (
        "What the screen shows is no stop: read the mark on the drill too, and leave off when the two disagree (common "
        "practice, no source).",
    ),
}
"""By the name of the hand: what else holds for a card when the drill is led in another way than by a free hand."""

SEATING: tuple[str, ...] = (
    "The torque ceiling of the fixture's maker comes first; the lower of maker and protocol is used here, and no "
    "setting above it is ever advised.",
    "A fixture that stops short of its depth is not forced: back out, and widen by the card.",
    "Turn slowly; a fixture that spins without gaining depth has lost its hold.",
    "Stop when the depth disagrees with the plan and take a radiograph before going on.",
)

LOADING: tuple[str, ...] = (
    "Torque alone does not permit early loading: splinting, bite, number of fixtures and the patient's habits decide.",
    "Do not load early below the loading torque of the protocol, when the fixture can be rotated or moved by hand, "
    "or when the site was augmented.",
)

FORECAST: tuple[str, ...] = (
    "A forecast of torque from a scan is poor: published correlations of bone density and torque on cadavers are "
    "about 0.6. The interval is wide because nature is.",
    "It cannot know the true bone structure between voxels, how round the hole was drilled, the sharpness of the "
    "thread, blood and saline as lubricant, or the speed of turning.",
)
