"""Shapes as path construction operators of PDF."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import groupby
from math import ceil, cos, pi, sin, tan

from oaktag.geometry import Arc, Line, Path, Point
from oaktag.pattern.drawing import Item, LineStyle, Role, Text, as_strokes
from oaktag.pattern.lettering import Polyline

ARC_ERROR = 1e-3
"""Largest distance in mm between an arc and the Bezier curves drawn for it."""

_LARGEST_PART = 0.25 * pi


def item_operators(items: Iterable[Item], styles: Mapping[Role, LineStyle]) -> str:
    """Items with their line weights and dashes, in mm (ISO 32000-1, 8.4.4 and 8.5.3).

    Lines of one role that follow each other are stroked together, and so is each text: whoever reads the
    file can then pass over a text by its box.
    """
    parts: list[str] = []
    last: LineStyle | None = None
    for (role, _), group in groupby(items, key=lambda item: (item.role, _text_id(item))):
        style = styles[role]
        if style != last:
            dashes = " ".join(f"{length:g}" for length in style.dashes)
            parts.append(f"{style.weight:g} w [{dashes}] 0 d")
            last = style
        # Operators written at once take a tenth of the time that a path object takes for letters.
        parts.extend([_operators(stroke.shape) for stroke in as_strokes(group)])
        parts.append("S")
    return "\n".join(parts)


def _text_id(item: Item) -> int:
    return id(item) if isinstance(item, Text) else 0


def _operators(shape: Path | Polyline) -> str:
    """A shape as path construction operators (ISO 32000-1, 8.5.2)."""
    if not isinstance(shape, Path):
        # Letters are most of the file; 0.01 mm is enough for them.
        return " l ".join([f"{x:.2f} {y:.2f}" for x, y in shape]).replace("l", "m", 1) + " l"
    parts = [f"{_points(shape.start)} m"]
    for segment in shape.segments:
        if isinstance(segment, Line):
            parts.append(f"{_points(segment.end)} l")
            continue
        beziers = arc_beziers(segment) if isinstance(segment, Arc) else segment.beziers
        parts.extend(f"{_points(*bezier[1:])} c" for bezier in beziers)
    if shape.closed:
        parts.append("h")
    return " ".join(parts)


def _points(*points: Point) -> str:
    return " ".join([f"{x:.4f} {y:.4f}" for x, y in points])


def arc_beziers(arc: Arc) -> tuple[tuple[Point, Point, Point, Point], ...]:
    """A circular arc as cubic Bezier curves of at most 45 degrees, within `ARC_ERROR` of it.

    Each has its inner points on the end tangents, at 4/3·tan(θ/4) of the radius; it then strays outward by at
    most 2/27·sin⁶(θ/4)/cos²(θ/4) of the radius (Goldapp 1991, from memory).
    """
    parts = ceil(abs(arc.sweep) / _LARGEST_PART - 1e-12)
    while _stray(arc, parts) > ARC_ERROR:
        parts += 1
    step = arc.sweep / parts
    handle = 4.0 / 3.0 * tan(0.25 * step) * arc.radius
    x, y = arc.center
    pieces: list[tuple[Point, Point, Point, Point]] = []
    start, angle = arc.start, arc.start_angle
    for number in range(1, parts + 1):
        turned = arc.start_angle + number * step
        end = arc.end if number == parts else (x + arc.radius * cos(turned), y + arc.radius * sin(turned))
        pieces.append(
            (
                start,
                (start[0] - handle * sin(angle), start[1] + handle * cos(angle)),
                (end[0] + handle * sin(turned), end[1] - handle * cos(turned)),
                end,
            )
        )
        start, angle = end, turned
    return tuple(pieces)


def _stray(arc: Arc, parts: int) -> float:
    quarter = 0.25 * abs(arc.sweep) / parts
    return arc.radius * 2.0 / 27.0 * sin(quarter) ** 6 / cos(quarter) ** 2
