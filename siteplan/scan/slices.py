"""`Slice`: one image plane with its place in the patient, whether it came as a file or as a frame of one."""

from collections.abc import Iterable
from dataclasses import dataclass

from siteplan.scan import tags
from siteplan.scan.header import Header
from siteplan.scan.tags import number, numbers, whole


@dataclass(slots=True)
class Slice:
    """One image plane.

    Attributes:
        header, frame: the file and the frame in it, counted from 0.
        position: LPS mm of the centre of the first voxel (0020,0032), or None.
        orientation: direction cosines of a row, then of a column (0020,0037), or None.
        spacing: distance between rows, then between columns, mm (0028,0030), or None.
        slope, intercept: Modality LUT; `rescaled` tells whether the file states both.
    """

    header: Header
    frame: int
    position: tuple[float, ...] | None
    orientation: tuple[float, ...] | None
    spacing: tuple[float, ...] | None
    slope: float
    intercept: float
    rescaled: bool
    rescale_type: str
    thickness: float | None

    @property
    def where(self) -> str:
        """File name, and frame number where the file holds several."""
        name = self.header.source.name
        return f"{name}, frame {self.frame + 1}" if self.header.frames else name


def rows_columns(header: Header) -> tuple[int, int]:
    """Rows and columns, 0 where the file does not say."""
    return whole(header.values.get(tags.ROWS)) or 0, whole(header.values.get(tags.COLUMNS)) or 0


def frame_count(header: Header) -> int:
    """Number of Frames (0028,0008), 1 when absent."""
    return int(number(header.values.get(tags.FRAMES)) or 1)


def headers_of(slices: Iterable[Slice]) -> list[Header]:
    """The header of each file among the slices once, whichever of its frames are there."""
    return list({id(one.header): one.header for one in slices}.values())


def slices_of(header: Header) -> list[Slice]:
    """The image planes of one file.

    A multi-frame file without functional groups says for none of its frames where it lies; it gives one slice
    without a position, so that it is reported and never stacked.
    """
    values = header.values
    own = (
        _several(values.get(tags.POSITION), 3),
        _several(values.get(tags.ORIENTATION), 6),
        _several(values.get(tags.PIXEL_SPACING), 2),
        number(values.get(tags.SLOPE)),
        number(values.get(tags.INTERCEPT)),
        header.text(tags.RESCALE_TYPE),
        number(values.get(tags.SLICE_THICKNESS)),
    )
    if not header.frames:
        if frame_count(header) != 1:
            own = (None, *own[1:])
        return [_slice(header, 0, *own)]
    out = []
    for at, frame in enumerate(header.frames):
        out.append(
            _slice(
                header,
                at,
                _right(frame.position, 3) or own[0],
                _right(frame.orientation, 6) or own[1],
                _right(frame.spacing, 2) or own[2],
                own[3] if frame.slope is None else frame.slope,
                own[4] if frame.intercept is None else frame.intercept,
                frame.rescale_type or own[5],
                own[6] if frame.thickness is None else frame.thickness,
            )
        )
    return out


def _slice(
    header: Header,
    frame: int,
    position: tuple[float, ...] | None,
    orientation: tuple[float, ...] | None,
    spacing: tuple[float, ...] | None,
    slope: float | None,
    intercept: float | None,
    rescale_type: str,
    thickness: float | None,
) -> Slice:
    stated = slope is not None and intercept is not None
    return Slice(
        header,
        frame,
        position,
        orientation,
        spacing,
        1.0 if slope is None else slope,
        0.0 if intercept is None else intercept,
        stated,
        rescale_type,
        thickness,
    )


def _several(raw: bytes | None, count: int) -> tuple[float, ...] | None:
    return _right(numbers(raw), count) if raw else None


def _right(found: tuple[float, ...] | None, count: int) -> tuple[float, ...] | None:
    return found if found is not None and len(found) == count else None
