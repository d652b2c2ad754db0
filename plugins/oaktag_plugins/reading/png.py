"""Reading previews back with Pillow: to the pixel, which is all that a preview is drawn to."""

from __future__ import annotations

from collections.abc import Iterable
from io import BytesIO
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.geometry import Point
from oaktag.pattern import Artifact
from oaktag.pattern.drawing import LINE_STYLES, as_strokes
from oaktag.pattern.read_back import Difference, items_on, pieces_left_out

if TYPE_CHECKING:
    from numpy import bool_
    from numpy.typing import NDArray

    Dots = NDArray[bool_]

_DARK = 200  # of 255; a line of one pixel between two rows leaves half its black in each
_NEAR = 2  # pixels that a line may be off
_CHORD_ERROR = 0.1  # pixels
_LOST = 0.34  # share of a line that may be white: a faint end, or a short line between two rows


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a preview differs from the draft.

    Raises:
        OSError: the library can't read the file.
    """
    import numpy as np
    from PIL import Image

    shown = artifact.shown
    assert shown is not None
    with Image.open(BytesIO(artifact.data)) as picture:
        dark: Dots = np.asarray(picture.convert("L")) < _DARK
    (page,) = shown.pages
    yield from pieces_left_out(draft, shown)
    high, wide = dark.shape
    lines = [
        (
            [
                (x * shown.scale, high - y * shown.scale)
                for x, y in stroke.flatten(_CHORD_ERROR / shown.scale)
            ],
            stroke,
        )
        for stroke in as_strokes(items_on(draft, page))
    ]
    near = _grown(_drawn([points for points, _ in lines], (wide, high)), _NEAR)
    stray = dark & ~near
    if stray.any():
        y, x = (int(place) for place in np.argwhere(stray)[0])
        yield Difference(f"{int(stray.sum())} pixels are dark where the draft has no line, such as {x}, {y}")
    grown = _grown(dark, 1)
    for points, stroke in lines:
        if not LINE_STYLES[stroke.role].dashes and _white_share(points, grown) > _LOST:
            middle = points[len(points) // 2]
            reason = f"a {stroke.role} line of the draft is missing at pixel {middle[0]:.0f}, {middle[1]:.0f}"
            yield Difference(reason, stroke.piece)
            return


def _drawn(lines: Iterable[list[Point]], size: tuple[int, int]) -> Dots:
    """The pixels of lines three pixels wide."""
    import numpy as np
    from PIL import Image, ImageDraw

    mask = Image.new("1", size)
    pen = ImageDraw.Draw(mask)
    for points in lines:
        pen.line(points, fill=1, width=3)
    dots: Dots = np.asarray(mask, dtype=bool)
    return dots


def _grown(dark: Dots, by: int) -> Dots:
    """The dark pixels and their neighbours."""
    import numpy as np

    wide: Dots = np.pad(dark, by)
    rows = np.logical_or.reduce([np.roll(wide, step, 0) for step in range(-by, by + 1)])
    grown: Dots = np.logical_or.reduce([np.roll(rows, step, 1) for step in range(-by, by + 1)])
    return grown[by:-by, by:-by]


def _white_share(points: list[Point], dark: Dots) -> float:
    """The share of places along a line, a pixel apart, that aren't dark."""
    import numpy as np

    ends = np.array(points)
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ends, axis=0).T))])
    along = np.linspace(0.0, steps[-1], max(2, int(steps[-1]) + 1))
    high, wide = dark.shape
    columns = np.clip(np.interp(along, steps, ends[:, 0]).astype(int), 0, wide - 1)
    rows = np.clip(np.interp(along, steps, ends[:, 1]).astype(int), 0, high - 1)
    return float(np.mean(~dark[rows, columns]))
