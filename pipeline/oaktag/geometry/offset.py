"""Parallel outlines: every part of a closed outline moved by its own distance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import hypot, isfinite, tau
from typing import TYPE_CHECKING, Literal, get_args

from .curve import Curve
from .errors import GeometryError, OffsetError
from .intersect import intersections
from .path import Path, Segment
from .segments import Arc, Line
from .station import TOLERANCE
from .vector import (
    Point,
    add,
    cross,
    distance,
    dot,
    left_normal,
    midpoint,
    scale,
    shifted,
    signed_angle,
    subtract,
    unit,
)

if TYPE_CHECKING:
    from shapely import Polygon

Join = Literal["mitre", "round"]
Shape = Literal["square", "clipped", "mitred", "mirrored"]

# Tangents that differ by less than this many radians agree.
_STRAIGHT = 1e-6
# Ends that are this near need no trimming; below the tolerance of a path with room to spare.
_SAME = 5e-7
# Chord error in mm of the polygons that a result is proved with.
_CHORD_ERROR = 0.01


@dataclass(frozen=True, slots=True)
class CornerForm:
    """How the outline runs round one corner that opens.

    Attributes:
        shape: `square`: the margin of one side ends square to it, where it meets the other's parallel;
            `mirrored`: the margin of one side, folded over along it, lies on the other's parallel;
            `mitred`: both margins, folded over, meet without lying on each other;
            `clipped`: the corner is cut off square to its bisector.
        second: whether the one side is the later of the two.
        clearance: how far `mitred` and `clipped` stay from the original corner, mm.
        folds: of `mirrored`, where the margin is folded again, mm from its side, in order.
    """

    shape: Shape
    second: bool = False
    clearance: float = 3.0
    folds: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if self.shape not in get_args(Shape):
            raise GeometryError(f"a corner must be one of {get_args(Shape)}, found {self.shape!r}")
        if not (self.clearance >= 0.0 and isfinite(self.clearance)):
            raise GeometryError(f"the clearance of a corner must be 0 or more, found {self.clearance!r}")
        if any(not low < high for low, high in pairwise((0.0, *self.folds))):
            raise GeometryError(f"folds must lie one behind the other, found {self.folds!r}")


@dataclass(frozen=True)
class _Side:
    """One segment of the outline and its parallel, or a corner and the arc about it.

    Attributes:
        part: Index of the part it belongs to.
        start: First point of the original.
        end: Last point of the original.
        start_tangent: Unit tangent of the original at its start; of the segment before a corner.
        end_tangent: Unit tangent of the original at its end; of the segment after a corner.
        distance: Distance of the parallel in mm, positive to the left of travel.
        moved: The parallel.
        turns: Whether the original is a corner.
    """

    part: int
    start: Point
    end: Point
    start_tangent: Point
    end_tangent: Point
    distance: float
    moved: Segment
    turns: bool = False


@dataclass(frozen=True)
class _Corner:
    """How the parallels of two neighbours are made to meet.

    Attributes:
        end: Station on the earlier parallel where it ends; beyond its length a line or arc is extended.
        start: Station on the later parallel where it starts, likewise.
        end_point: The point at `end`.
        start_point: The point at `start`.
        tail: Segments from there on that belong to the earlier part.
        head: Segments that lead to `start` and belong to the later part.
        shared: Whether the two are neighbours and one is trimmed where the other is extended, so that the
            smaller distance holds for a while beside the trimmed one.
    """

    end: float
    start: float
    end_point: Point
    start_point: Point
    tail: tuple[Segment, ...] = ()
    head: tuple[Segment, ...] = ()
    shared: bool = False


def offset_outline(
    parts: Sequence[Path],
    distances: Sequence[float],
    *,
    join: Join = "mitre",
    limit: float = 2.0,
    forms: Sequence[CornerForm | None] | None = None,
) -> tuple[Path, ...]:
    """Return the outline that runs beside a closed one, each part at its own distance.

    Lines and arcs stay what they are; a free curve becomes a curve, to 1e-6 mm. Neighbours that cross are
    trimmed; neighbours that do not are extended along line, circle or tangent until they meet. A segment that
    is used up this way is left out as long as its part keeps another. Whatever closes a corner (step, cut,
    arc) belongs to the earlier part. A free curve must nowhere be tighter than its distance.

    The result is proved before it is returned: closed, same sense, no crossing, and, where no part moves
    against the others, nothing beside any part left out.

    Args:
        parts: Runs that together make one closed outline in order, either way round.
        distances: One per part in mm, positive outward, negative inward, 0 to stay.
        join: "mitre", or "round" for an arc about the original corner where both distances are equal.
        limit: How far an extended corner may reach from the original corner, as a multiple of the larger of
            its two distances, at least 1. Beyond it the corner is cut off square to the line from the
            original corner to the mitre point, which is the bisector when the distances are equal; where
            only one side would have to be extended, a step takes its place. Where tangents agree and
            distances differ, the step is a line square to the seam.
        forms: For the end of every part how the outline runs round the corner there, None for as above. A
            form counts only where the corner opens between two sides that both move outward (to square off
            or to mirror the margin of one, the other may stay) and has room on both; elsewhere the corner is
            as without it. Sides that aren't straight are taken for their tangents.

    Returns:
        One path per part, together a closed outline in the same sense.

    Raises:
        GeometryError: If the parts are no closed outline or an argument is out of range.
        OffsetError: If a part vanishes or the result crosses itself.
    """
    if len(parts) != len(distances):
        raise GeometryError(f"{len(parts)} parts need as many distances, found {len(distances)}")
    if join not in ("mitre", "round"):
        raise GeometryError(f'join must be "mitre" or "round", found {join!r}')
    if forms is not None and len(forms) != len(parts):
        raise GeometryError(f"{len(parts)} parts need as many forms of corners, found {len(forms)}")
    if not (limit >= 1.0 and isfinite(limit)):
        raise GeometryError(f"the limit of a mitre must be at least 1, found {limit!r}")
    for index, wanted in enumerate(distances):
        if not isfinite(wanted):
            raise GeometryError(f"the distance of part {index} must be finite, found {wanted!r}")
    outline = _whole(parts)
    outward = 1.0 if outline.clockwise else -1.0
    sides = _sides(parts, [outward * wanted for wanted in distances])
    if join == "round":
        sides = _rounded(sides)
    kept, corners = _settle(list(sides), limit, forms or (None,) * len(parts), outward)
    result = _assemble(len(parts), kept, corners)
    _prove(result, outline, distances, sides, _untrimmed(sides, kept, corners))
    return result


def _whole(parts: Sequence[Path]) -> Path:
    if not parts:
        raise GeometryError("an outline needs at least one part")
    outline = Path(tuple(segment for part in parts for segment in part.segments))
    if not outline.closed:
        raise GeometryError(f"the outline is open: it starts at {outline.start} and ends at {outline.end}")
    if abs(outline.area) <= TOLERANCE:
        raise GeometryError("the outline encloses nothing")
    return outline


def _sides(parts: Sequence[Path], distances: Sequence[float]) -> list[_Side]:
    """Return every segment with its parallel, without those whose radius vanishes."""
    sides: list[_Side] = []
    for index, (part, wanted) in enumerate(zip(parts, distances, strict=True)):
        reason = ""
        before = len(sides)
        for segment in part.segments:
            try:
                moved = segment.offset(wanted)
            except GeometryError as error:
                if isinstance(segment, Curve):
                    raise OffsetError(index, str(error)) from error
                reason = str(error)
            else:
                u, v = segment.tangent_at(0.0), segment.tangent_at(segment.length)
                sides.append(_Side(index, segment.start, segment.end, u, v, wanted, moved))
        if len(sides) == before:
            raise OffsetError(index, reason)
    return sides


def _rounded(sides: list[_Side]) -> list[_Side]:
    """Return the sides with an arc about every corner that opens where both distances are equal."""
    result: list[_Side] = []
    for i, side in enumerate(sides):
        result.append(side)
        after = sides[(i + 1) % len(sides)]
        sine = cross(side.end_tangent, after.start_tangent)
        if (
            distance(side.end, after.start) <= TOLERANCE
            and distance(side.moved.end, after.moved.start) > _SAME
            and abs(side.distance - after.distance) <= 0.5 * TOLERANCE
            and sine * side.distance < 0.0
        ):
            arc = Arc(side.moved.end, after.moved.start, side.end, abs(side.distance), clockwise=sine < 0.0)
            u, v = side.end_tangent, after.start_tangent
            result.append(_Side(side.part, side.end, side.end, u, v, side.distance, arc, turns=True))
    return result


def _settle(
    sides: list[_Side], limit: float, forms: Sequence[CornerForm | None], outward: float
) -> tuple[list[_Side], list[_Corner]]:
    """Return the sides that remain and the corner after each, leaving out sides that are used up."""
    corners: list[_Corner | None] = [None] * len(sides)
    while True:
        for i, side in enumerate(sides):
            if corners[i] is None:
                other = sides[(i + 1) % len(sides)]
                # A form is for the corner between two parts, not for those within one.
                ends = side.part != other.part or (len(forms) == 1 and i == len(sides) - 1)
                form = forms[side.part] if ends else None
                formed = _formed(side, other, form, outward) if form is not None else None
                corners[i] = formed or _corner(side, other, limit)
        spans: list[tuple[float, int]] = []
        settled: list[_Corner] = []
        for i, side in enumerate(sides):
            before, after = corners[i - 1], corners[i]
            if after is None:
                # Both sides would have to be trimmed and never meet: the shorter one is used up.
                following = (i + 1) % len(sides)
                shorter = i if side.moved.length <= sides[following].moved.length else following
                spans.append((-1.0, shorter))
            elif before is not None:
                kept = after.end - before.start
                if kept <= TOLERANCE:
                    spans.append((kept / side.moved.length, i))
                settled.append(after)
        if not spans:
            return sides, settled
        used_up = min(spans)[1]
        gone = sides[used_up]
        others = sum(side.part == gone.part and not side.turns for side in sides) - (not gone.turns)
        if others == 0 or len(sides) <= 2:
            raise OffsetError(
                gone.part,
                f"nothing is left of it at a distance of {abs(gone.distance):g} mm:"
                " its neighbours meet before it",
            )
        corners[used_up - 1] = None
        del sides[used_up], corners[used_up]
        if used_up == 0:
            corners[-1] = None


def _corner(one: _Side, other: _Side, limit: float) -> _Corner | None:
    """Return how two neighbours meet, None if they would have to be trimmed and do not cross."""
    first, second = one.moved, other.moved
    ends = _Corner(first.length, 0.0, first.end, second.start)
    if distance(first.end, second.start) <= _SAME:
        return replace(ends, start_point=first.end)
    if distance(one.end, other.start) > TOLERANCE:
        # A side between the two is used up; what is left must cross or reach each other somewhere.
        corner = midpoint(one.end, other.start)
        found = _meeting(first, second, corner, None, opens=False, tangents=False)
        return found or _meeting(first, second, corner, None, opens=False, tangents=True)
    corner = one.end
    a, b = one.distance, other.distance
    u, v = one.end_tangent, other.start_tangent
    step = replace(ends, tail=_chain(first.end, second.start))
    if abs(signed_angle(u, v)) <= _STRAIGHT and abs(a - b) > 0.5 * _SAME:
        return step
    # Where the parallels of the two tangents meet, m·left(u) = a and m·left(v) = b, measured along each.
    sine, cosine = cross(u, v), dot(u, v)
    sine = sine if abs(sine) > 1e-12 else 1e-12
    beyond, ahead = (a * cosine - b) / sine, (a - b * cosine) / sine
    opens = beyond >= 0.0 and ahead <= 0.0
    reach = limit * max(abs(a), abs(b))
    found = _meeting(first, second, corner, reach, opens=opens, tangents=False)
    found = found or _meeting(first, second, corner, reach, opens=opens, tangents=True)
    if found is not None:
        return found
    if opens:
        return _cut_square(first, second, corner, (u, a, beyond), (v, b, ahead), reach)
    if beyond <= 0.0 and ahead >= 0.0:
        return None
    return step if cosine > 0.0 else None


def _formed(one: _Side, other: _Side, form: CornerForm, outward: float) -> _Corner | None:
    """Return the corner in the form that is wanted, None where that form has no place."""
    first, second = one.moved, other.moved
    corner = one.end
    if distance(corner, other.start) > TOLERANCE:
        return None
    a, b = outward * one.distance, outward * other.distance
    u, v = one.end_tangent, other.start_tangent
    earlier = _Margin(u, scale(left_normal(u), outward), a)
    later = _Margin(scale(v, -1.0), scale(left_normal(v), outward), b)
    # A margin that is squared off or folded over may end at a side that has none itself.
    own, others = (b, a) if form.second else (a, b)
    least = others if form.shape in ("clipped", "mitred") else others + 2.0 * TOLERANCE
    if own <= TOLERANCE or least <= TOLERANCE or dot(earlier.beyond, later.normal) <= _STRAIGHT:
        return None
    if form.second:
        points = _form_points(form, later, earlier)
        points.reverse()
    else:
        points = _form_points(form, earlier, later)
    if not points:
        return None
    placed = [add(corner, point) for point in points]
    end = _landed(first, first.length + dot(points[0], u), placed[0], placed[1])
    start = _landed(second, dot(points[-1], v), placed[-1], placed[-2])
    if end is None or start is None or end[0] <= TOLERANCE or start[0] >= second.length - TOLERANCE:
        return None
    placed[0], placed[-1] = end[1], start[1]
    end_station, end_point, tail = _ended(first, *end, tangents=True)
    start_station, start_point, head = _started(second, *start, tangents=True)
    tail += _chain(*placed)
    return _Corner(end_station, start_station, end_point, start_point, tail, head, shared=True)


def _landed(segment: Segment, station: float, point: Point, origin: Point) -> tuple[float, Point] | None:
    """Return where a line to a point on a parallel's tangent, from another point, meets the parallel itself.

    Args:
        segment: The parallel.
        station: Of the point, along the parallel or the tangents at its ends.
        point: On the tangent.
        origin: Where the line comes from.
    """
    if isinstance(segment, Line) or not 0.0 < station < segment.length:
        return station, point
    ahead = unit(subtract(point, origin))
    line = Line(origin, shifted(point, ahead, distance(origin, point)))
    meetings = [(distance(place, point), at, place) for _, at, place in intersections(line, segment)]
    return min(meetings)[1:] if meetings else None


@dataclass(frozen=True, slots=True)
class _Margin:
    """What lies beside one side of a corner that opens, seen from that corner.

    Attributes:
        beyond: Unit vector along the side, out of it.
        normal: Unit vector square to the side, outward.
        width: Distance of the parallel in mm.
    """

    beyond: Point
    normal: Point
    width: float

    def place(self, along: float, out: float) -> Point:
        """Return the point at distances in mm along the side and square to it."""
        return shifted(scale(self.beyond, along), self.normal, out)

    def where(self, normal: Point, reach: float) -> Point:
        """Return where the parallel meets the line p·normal = reach."""
        along = (reach - self.width * dot(self.normal, normal)) / dot(self.beyond, normal)
        return self.place(along, self.width)


def _form_points(form: CornerForm, one: _Margin, other: _Margin) -> list[Point]:
    """Return the outline from the parallel of one side to that of the other, seen from the corner."""
    mitre = one.where(other.normal, other.width)
    if form.shape in ("square", "mirrored"):
        along = other.width / dot(one.beyond, other.normal)
        if form.shape == "square":
            return [one.place(along, one.width), one.place(along, 0.0)]
        # Folded over along the side, the margin's end lies on the other's parallel, which runs along
        # `other.beyond`; behind every further fold it leans the other way.
        lean = -dot(other.beyond, one.beyond) / dot(other.beyond, one.normal)
        points = [one.place(along, 0.0)]
        out = 0.0
        for fold in (*(fold for fold in form.folds if fold < one.width), one.width):
            along += lean * (fold - out)
            points.append(one.place(along, fold))
            out, lean = fold, -lean
        points.reverse()
        return points
    bisector = unit(add(one.normal, other.normal))
    if form.shape == "mitred" and dot(one.beyond, other.beyond) > -_STRAIGHT:
        # The mitre runs from the corner to where the folded margins' edges cross; unfolded along its side
        # it bounds that side's margin. Below 90 degrees the two bounds make a point at the corner.
        bounds = []
        for margin in (one, other):
            edge = margin.place(-dot(mitre, margin.beyond), margin.width)
            normal = left_normal(unit(edge))
            bounds.append(normal if dot(normal, mitre) > 0.0 else scale(normal, -1.0))
        turn = cross(bounds[0], bounds[1])
        if abs(turn) > _STRAIGHT:
            tip = scale(left_normal(subtract(bounds[0], bounds[1])), form.clearance / turn)
            points = [one.where(bounds[0], form.clearance), tip, other.where(bounds[1], form.clearance)]
            return points if dot(points[0], one.beyond) < dot(mitre, one.beyond) else []
        bisector = bounds[0]
    if dot(mitre, bisector) <= form.clearance:
        return []
    return [one.where(bisector, form.clearance), other.where(bisector, form.clearance)]


def _cut_square(
    first: Segment,
    second: Segment,
    corner: Point,
    along_first: tuple[Point, float, float],
    along_second: tuple[Point, float, float],
    reach: float,
) -> _Corner:
    """Return the corner cut off square at a distance from the original corner.

    With the mitre point m from the corner, the cut is the line p·m/|m| = reach; it meets a parallel at
    distance a, p = a·left(u) + x·u, where x = (reach·|m| − a²)/(m·u).
    """
    (u, a, beyond), (v, b, ahead) = along_first, along_second
    mitre = hypot(a, beyond)
    over, before = (reach * mitre - a * a) / beyond, (reach * mitre - b * b) / ahead
    cut_first = shifted(shifted(corner, left_normal(u), a), u, over)
    cut_second = shifted(shifted(corner, left_normal(v), b), v, before)
    end, end_point, tail = _ended(first, first.length + over, cut_first, tangents=True)
    start, start_point, head = _started(second, before, cut_second, tangents=True)
    return _Corner(end, start, end_point, start_point, tail + _chain(cut_first, cut_second), head)


def _chain(*points: Point) -> tuple[Segment, ...]:
    """Return lines through the points, leaving out those of no length."""
    lines: list[Segment] = []
    last = points[0]
    for point in points[1:]:
        if distance(last, point) > TOLERANCE:
            lines.append(Line(last, point))
            last = point
    return tuple(lines)


def _meeting(
    first: Segment, second: Segment, corner: Point, reach: float | None, *, opens: bool, tangents: bool
) -> _Corner | None:
    """Return the meeting that moves the two ends least.

    Args:
        first: The earlier parallel.
        second: The later parallel.
        corner: The original corner.
        reach: How far from the corner they may meet if one has to be extended; None for any distance.
        opens: Whether both have to be extended, since the corner opens to that side.
        tangents: Whether arcs are extended along their tangents instead of their circles.
    """
    best: tuple[int, float, float, float, Point] | None = None
    for end, start, point in _candidates(first, second, corner, reach, tangents):
        over, before = end - first.length, -start
        if opens and min(over, before) < -TOLERANCE:
            continue
        if max(over, before) > TOLERANCE and reach is not None and distance(corner, point) > reach + _SAME:
            continue
        # Once a side between the two is gone, a true crossing goes before one that trims too much (which
        # shows that another side is used up too), and that before one that extends.
        rank = 0
        if reach is None and max(over, before) > TOLERANCE:
            rank = 2
        elif reach is None and min(end, second.length - start) < -TOLERANCE:
            rank = 1
        candidate = (rank, abs(over) + abs(before), end, start, point)
        if best is None or candidate < best:
            best = candidate
    if best is None:
        return None
    _, _, end, start, point = best
    over, before = end - first.length, -start
    end, end_point, tail = _ended(first, end, point, tangents)
    start, start_point, head = _started(second, start, point, tangents)
    shared = reach is not None and max(over, before) > TOLERANCE and min(over, before) < -TOLERANCE
    return _Corner(end, start, end_point, start_point, tail, head, shared)


def _candidates(
    first: Segment, second: Segment, corner: Point, reach: float | None, tangents: bool
) -> Iterator[tuple[float, float, Point]]:
    """Yield where two parallels, extended at both ends, meet: station on the first, on the second, point."""
    if isinstance(first, Line) and isinstance(second, Line):
        # From the ends that are to meet, so that nothing is lost to the length of the extension.
        u, v = first.direction, second.direction
        sine = cross(u, v)
        if abs(sine) > 1e-12:
            off = subtract(second.start, first.end)
            over = cross(off, v) / sine
            yield first.length + over, cross(off, u) / sine, shifted(first.end, u, over)
        return
    room = distance(first.end, second.start) + first.length + second.length
    room += 2.0 * (distance(corner, first.end) if reach is None else reach)
    long_first, lead_first = _extended(first, room, tangents)
    long_second, lead_second = _extended(second, room, tangents)
    for s, t, point in intersections(long_first, long_second):
        yield s - lead_first, t - lead_second, point


def _ended(
    segment: Segment, end: float, point: Point, tangents: bool
) -> tuple[float, Point, tuple[Segment, ...]]:
    """Return station and point where a parallel ends to reach a point, and the line it takes from there."""
    if end <= segment.length or isinstance(segment, Line) or (isinstance(segment, Arc) and not tangents):
        return end, point, ()
    return segment.length, segment.end, _chain(segment.end, point)


def _started(
    segment: Segment, start: float, point: Point, tangents: bool
) -> tuple[float, Point, tuple[Segment, ...]]:
    """Return station and point where a parallel starts when coming from a point, and the line it takes."""
    if start >= 0.0 or isinstance(segment, Line) or (isinstance(segment, Arc) and not tangents):
        return start, point, ()
    return 0.0, segment.start, _chain(point, segment.start)


def _extended(segment: Segment, room: float, tangents: bool) -> tuple[Segment | Path, float]:
    """Return the segment longer at both ends, and by how much at the start."""
    if isinstance(segment, Line):
        u = segment.direction
        return Line(shifted(segment.start, u, -room), shifted(segment.end, u, room)), room
    if isinstance(segment, Arc) and not tangents:
        room = min(room, 0.499 * (tau * segment.radius - segment.length))
        return _arc_between(segment, -room, segment.length + room), room
    before = shifted(segment.start, segment.tangent_at(0.0), -room)
    after = shifted(segment.end, segment.tangent_at(segment.length), room)
    return Path((Line(before, segment.start), segment, Line(segment.end, after))), room


def _arc_between(arc: Arc, s0: float, s1: float) -> Arc:
    """Return the part of the arc's circle between two stations that may lie beyond its ends."""
    return Arc(arc.point_on_circle(s0), arc.point_on_circle(s1), arc.center, arc.radius, arc.clockwise)


def _trimmed(segment: Segment, before: _Corner, after: _Corner) -> Segment:
    """Return the parallel between its two corners."""
    if isinstance(segment, Line):
        return Line(before.start_point, after.end_point)
    if isinstance(segment, Arc):
        return Arc(before.start_point, after.end_point, segment.center, segment.radius, segment.clockwise)
    if before.start <= 0.0 and after.end >= segment.length:
        return segment
    return segment.between(max(before.start, 0.0), min(after.end, segment.length))


def _assemble(count: int, sides: list[_Side], corners: list[_Corner]) -> tuple[Path, ...]:
    runs: list[list[Segment]] = [[] for _ in range(count)]
    for i, side in enumerate(sides):
        before, after = corners[i - 1], corners[i]
        runs[side.part] += (*before.head, _trimmed(side.moved, before, after), *after.tail)
    return tuple(Path(tuple(run)) for run in runs)


def _prove(
    result: tuple[Path, ...],
    outline: Path,
    distances: Sequence[float],
    sides: Sequence[_Side],
    parallels: Sequence[Segment],
) -> None:
    """Refuse a result that is not closed, turns the other way, crosses itself or cuts a parallel off."""
    whole = Path(tuple(segment for path in result for segment in path.segments))
    if not whole.closed:
        raise OffsetError(len(result) - 1, f"it ends at {whole.end}, the outline starts at {whole.start}")
    if whole.clockwise is not outline.clockwise:
        raise OffsetError(0, "the outline has turned inside out")
    polygon = whole.polygon(_CHORD_ERROR)
    if not polygon.exterior.is_simple:
        raise _crossing(result)
    if min(distances) >= 0.0 or max(distances) <= 0.0:
        _prove_sides(polygon, sides, parallels, grown=min(distances) >= 0.0)


def _untrimmed(sides: Sequence[_Side], kept: Sequence[_Side], corners: Sequence[_Corner]) -> list[Segment]:
    """Return the parallels before trimming, but for where a smaller distance of a neighbour holds."""
    parallels: list[Segment] = []
    places = {id(side): i for i, side in enumerate(kept)}
    for side in sides:
        segment = side.moved
        i = places.get(id(side))
        if i is not None:
            start = corners[i - 1].start if corners[i - 1].shared else 0.0
            end = corners[i].end if corners[i].shared else segment.length
            start, end = max(start, 0.0), min(end, segment.length)
            if (start > 0.0 or end < segment.length) and end - start > TOLERANCE:
                segment = segment.between(start, end)
        parallels.append(segment)
    return parallels


def _prove_sides(
    polygon: Polygon, sides: Sequence[_Side], parallels: Sequence[Segment], *, grown: bool
) -> None:
    """Refuse a grown outline that leaves out some place beside a side, or a shrunk one that holds one.

    Every parallel, before it is trimmed, runs inside a grown outline and outside a shrunk one. This does not
    hold where some parts move out and others in.
    """
    from shapely import LineString, difference, intersection, length

    margin = 2.0 * _CHORD_ERROR
    room = polygon.buffer(margin if grown else -margin, quad_segs=2, join_style="mitre")
    lines = [LineString(parallel.flatten(_CHORD_ERROR)) for parallel in parallels]
    wrong = length(difference(lines, room) if grown else intersection(lines, room))
    for side, amount in zip(sides, wrong, strict=True):
        if amount > 0.0:
            raise OffsetError(
                side.part,
                f"at a distance of {abs(side.distance):g} mm its surroundings close over it: no outline keeps"
                " that distance along the whole of it",
            )


def _crossing(result: tuple[Path, ...]) -> OffsetError:
    """Return the refusal of a result that crosses or touches itself, naming the parts."""
    for i, first in enumerate(result):
        for j in range(i + 1, len(result)):
            joints = [end for end in (first.start, first.end) if end in (result[j].start, result[j].end)]
            for _, _, point in intersections(first, result[j]):
                if all(distance(point, joint) > 1e-3 for joint in joints):
                    where = f"({point[0]:.3f}, {point[1]:.3f})"
                    return OffsetError(i, f"it meets part {j} at {where}: the outline crosses itself")
    for i, path in enumerate(result):
        if not path.is_simple(_CHORD_ERROR):
            return OffsetError(i, "it crosses itself")
    return OffsetError(0, "the outline touches itself")
