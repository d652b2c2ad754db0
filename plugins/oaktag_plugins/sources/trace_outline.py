"""From a closed outline of a drawing to the sides of an opening: lines, arcs and curves between corners."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees

from oaktag.geometry import (
    Arc,
    Curve,
    GeometryError,
    Line,
    Path,
    Point,
    Segment,
    Transform,
    distance,
    dot,
    lerp,
    signed_angle,
    subtract,
)
from oaktag_plugins.sources.trace_drawing import DrawingError, Loop, Primitive, moved

# What is shorter than this, mm, is no stroke of anybody's.
_CRUMB = 1e-4
# What strays less than this from a straight line, mm, is one.
_STRAIGHT = 1e-3
# A handle of no length gets this share of the way to the next control point: it has no direction otherwise.
_HANDLE = 1e-6
# So many points on one line are looked at together.
_LONGEST_RUN = 500


@dataclass(frozen=True, slots=True)
class Turn:
    """A place where the direction of an outline jumps.

    Attributes:
        segment: index of the segment that starts there.
        point: in the outline's axes.
        angle: degrees, positive to either side.
    """

    segment: int
    point: Point
    angle: float


def outline_of(loop: Loop, placing: Transform) -> Path:
    """A closed outline of a drawing in mm, y upward, clockwise.

    Args:
        loop: in the drawing's units and axes.
        placing: from the drawing's units and axes to mm, y upward, drive side facing.

    Raises:
        DrawingError: it encloses nothing, or crosses itself.
    """
    placed = [tuple(placing.apply(point) for point in primitive) for primitive in loop.strand.primitives]
    kept = [points for points in placed if max(distance(points[0], point) for point in points) >= _CRUMB]
    following = [*kept[1:], *kept[:1]]
    try:
        path = Path(
            tuple(
                segment_of(moved(points, points[0], after[0]))
                for points, after in zip(kept, following, strict=True)
            )
        )
        clockwise = path.clockwise
        _check_simple(path, placing)
    except GeometryError as error:
        raise DrawingError(
            "has an outline that can't be measured",
            found=f"{loop.strand.name}: {error}",
            valid="a closed outline of straight lines, arcs and curves",
            todo="draw it again",
        ) from error
    return path if clockwise else path.reversed()


def segment_of(primitive: Primitive) -> Segment:
    """A primitive as a line, an arc or a curve; a line if it is straight.

    Raises:
        GeometryError: its ends coincide, or it is no curve that can be measured.
    """
    start, end = primitive[0], primitive[-1]
    if len(primitive) == 2:
        return Line(start, end)
    if len(primitive) == 3:
        return Line(start, end) if _is_straight(primitive) else Arc.through(start, primitive[1], end)
    if _is_straight(primitive):
        return Line(start, end)
    a, b, c, d = primitive
    # Either handle may be of no length; its direction is then that to the next control point.
    if distance(a, b) < _HANDLE * distance(a, c):
        b = lerp(a, c, _HANDLE)
    if distance(c, d) < _HANDLE * distance(b, d):
        c = lerp(d, b, _HANDLE)
    return Curve(((a, b, c, d),))


def _is_straight(points: Sequence[Point]) -> bool:
    """Whether points lie on the line between the first and the last, in either order but none beyond."""
    start, end = points[0], points[-1]
    length = distance(start, end)
    if length < _CRUMB:
        return False
    chord = Line(start, end)
    along = [dot(subtract(point, start), chord.direction) for point in points]
    return all(
        -_STRAIGHT <= s <= length + _STRAIGHT and distance(point, lerp(start, end, s / length)) < _STRAIGHT
        for s, point in zip(along, points, strict=True)
    )


def _check_simple(path: Path, placing: Transform) -> None:
    """Refuse an outline that crosses or touches itself.

    Raises:
        DrawingError: it does.
        GeometryError: it encloses nothing.
    """
    if path.is_simple():
        return
    from shapely import is_valid_reason

    at = re.search(r"\[(\S+) (\S+)\]", is_valid_reason(path.polygon()))
    where = ""
    if at is not None:
        x, y = placing.inverse().apply((float(at[1]), float(at[2])))
        where = f", about {x:.1f}, {y:.1f}"
    raise DrawingError(
        "crosses or touches itself",
        found=f"an outline that meets itself{where}",
        valid="an outline that goes round once",
        todo="draw it again there, or remove what doubles back",
    )


def turns(path: Path) -> tuple[Turn, ...]:
    """Every vertex of a closed path, in order."""
    before = (*path.segments[-1:], *path.segments[:-1])
    return tuple(
        Turn(
            index,
            segment.start,
            abs(degrees(signed_angle(last.tangent_at(last.length), segment.tangent_at(0.0)))),
        )
        for index, (last, segment) in enumerate(zip(before, path.segments, strict=True))
    )


def sides(path: Path, corners: Sequence[Turn]) -> tuple[Path, ...]:
    """A closed path cut at corners, which are in its order; each side starts at its corner.

    Lines that continue each other become one.
    """
    segments = path.segments
    result: list[Path] = []
    following = [*corners[1:], *corners[:1]]
    for corner, after in zip(corners, following, strict=True):
        count = (after.segment - corner.segment) % len(segments) or len(segments)
        run = [segments[(corner.segment + number) % len(segments)] for number in range(count)]
        result.append(Path(tuple(straightened(run))))
    return tuple(result)


def straightened(segments: Sequence[Segment]) -> list[Segment]:
    """The segments, with lines that continue each other made one."""
    result: list[Segment] = []
    run: list[Point] = []
    for segment in segments:
        if isinstance(segment, Line):
            if run and len(run) < _LONGEST_RUN and _is_straight([*run, segment.end]):
                result[-1] = Line(run[0], segment.end)
                run.append(segment.end)
                continue
            run = [segment.start, segment.end]
        else:
            run = []
        result.append(segment)
    return result
