"""A picture on paper that knows no format: lines of three weights and text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from oaktag.geometry import Path, Point
from oaktag.pattern.lettering import Polyline

Weight = Literal["thick", "medium", "thin"]
Fill = Literal["none", "light", "solid"]
Align = Literal["left", "centre", "right"]


@dataclass(frozen=True, slots=True)
class FigureLine:
    """One line of a picture.

    Attributes:
        shape: mm on the paper.
        weight: how heavy it is drawn.
        dashes: lengths of strokes and gaps in turn, mm; empty for a solid line.
        fill: what is inside a closed shape: nothing, a light tint, or the colour of the line.
    """

    shape: Path | Polyline
    weight: Weight = "medium"
    dashes: tuple[float, ...] = ()
    fill: Fill = "none"


@dataclass(frozen=True, slots=True)
class FigureText:
    """One line of text in a picture.

    Attributes:
        text: to be written.
        position: on the base line: its left end, its middle or its right end, as `align` says; mm.
        size: of the type, mm; capital letters are about 0.7 of it.
        align: which point of the text stands at the position.
        angle: of the base line, degrees counter-clockwise from x.
    """

    text: str
    position: Point
    size: float = 3.0
    align: Align = "left"
    angle: float = 0.0


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture from (0, 0) to (width, height), mm on paper, y upward.

    Attributes:
        width: of the picture, mm.
        height: of the picture, mm.
        lines: in the order in which they are drawn.
        texts: drawn over the lines.
    """

    width: float
    height: float
    lines: tuple[FigureLine, ...] = ()
    texts: tuple[FigureText, ...] = ()
