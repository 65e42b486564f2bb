"""The usual cautions, in one place: the report, the window and the terminal say the same words."""

ALWAYS: tuple[str, ...] = (
    "This is an aid for licensed clinicians. Local rules, the instructions of the fixture's maker and your own "
    "judgement come first.",
    "Distances come from a scan. Patient movement, blur and metal can shift every edge; the interval beside a number "
    "covers what could be estimated, not what could not.",
    "A structure that was not drawn or found is not checked. Look at the sections yourself before you rely on a "
    "verdict.",
    "A planned position is not a placed one. Published deviations of the hand, a guide or navigation are larger than "
    "most errors of measurement.",
    "Drill with cooling, measure depth from the reference that the card names, and confirm with a radiograph whenever "
    "the feel differs from the plan.",
)

NOT_CALIBRATED = (
    "Grey values of a cone-beam scan are not Hounsfield units unless this device, protocol and field of view were "
    "calibrated. The density class shown without calibration is an orientation only."
)

CALIBRATED = (
    "The density class rests on the calibration named in this report. It holds for that device, protocol and field "
    "of view only."
)

FOUND_STRUCTURES = "Structures marked as found were proposed by the program and need to be confirmed by a person."
