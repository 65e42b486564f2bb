"""Tooth numbers by ISO 3950:2016: two digits, quadrant and position from the midline."""


def check_tooth(tooth: int) -> int:
    """`tooth` itself when ISO 3950 knows it: 11 to 48 permanent, 51 to 85 deciduous.

    Raises:
        ValueError: no such tooth.
    """
    quadrant, position = divmod(tooth, 10)
    last = 8 if 1 <= quadrant <= 4 else 5 if 5 <= quadrant <= 8 else 0
    if not 1 <= position <= last:
        raise ValueError(
            f"there is no tooth {tooth} in ISO 3950; "
            "permanent teeth are 11-18, 21-28, 31-38, 41-48, deciduous ones 51-55, 61-65, 71-75, 81-85"
        )
    return tooth


def jaw_of(tooth: int) -> str:
    """ "upper" for quadrants 1, 2, 5, 6, "lower" for 3, 4, 7, 8."""
    return "upper" if tooth // 10 in (1, 2, 5, 6) else "lower"


def side_of(tooth: int) -> str:
    """The patient's "right" for quadrants 1, 4, 5, 8, "left" for 2, 3, 6, 7."""
    return "right" if tooth // 10 in (1, 4, 5, 8) else "left"


def universal_of(tooth: int) -> str:
    """The other common notation, for display only: 1 to 32 from the upper right third molar, deciduous A to T."""
    quadrant, position = divmod(tooth, 10)
    if quadrant <= 4:
        return str({1: 9 - position, 2: 8 + position, 3: 25 - position, 4: 24 + position}[quadrant])
    place = {5: 5 - position, 6: 4 + position, 7: 15 - position, 8: 14 + position}[quadrant]
    return "ABCDEFGHIJKLMNOPQRST"[place]
