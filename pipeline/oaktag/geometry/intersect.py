"""Where segments and paths meet."""

from __future__ import annotations

from math import hypot, sqrt

from . import bezier
from .bezier import Bezier
from .curve import Curve
from .errors import GeometryError
from .path import Path, Segment
from .segments import Arc, Line
from .station import TOLERANCE
from .vector import (
    Point,
    cross,
    distance,
    dot,
    left_normal,
    midpoint,
    norm,
    shifted,
    subtract,
)

Meeting = tuple[float, float, Point]

# Shapes this near each other touch; the ends of a segment reach as far.
_TOUCH = 1e-9
_END = 1e-7
# Pieces that cross or touch are told apart in some hundred halvings.
_MOST_STEPS = 20_000


def intersections(first: Segment | Path, second: Segment | Path) -> tuple[Meeting, ...]:
    """Return where two segments or paths meet: station on the first, station on the second, point.

    Ends that meet count, to 1e-7 mm. Touching counts to 1e-9 mm. Where the two run on top of each other
    the ends of the common run are returned. On a closed path its start is station 0, never its length.
    Lines and arcs meet in closed form; free curves by subdivision, then Newton's method.

    Returns:
        The meetings sorted by station on the first, then on the second, each once.

    Raises:
        GeometryError: If two free curves run so near each other that their meetings can't be told apart.
    """
    found: list[Meeting] = []
    second_parts = _parts(second)
    for begin_first, one in _parts(first):
        for begin_second, other in second_parts:
            if one.bounds.overlaps(other.bounds, _END):
                found += ((begin_first + s, begin_second + t, point) for s, t, point in _meet(one, other))
    if isinstance(first, Path) and first.closed:
        found = [(_wrapped(s, first.length), t, point) for s, t, point in found]
    if isinstance(second, Path) and second.closed:
        found = [(s, _wrapped(t, second.length), point) for s, t, point in found]
    found.sort()
    distinct: list[Meeting] = []
    for meeting in found:
        if not any(
            abs(meeting[0] - known[0]) <= TOLERANCE and abs(meeting[1] - known[1]) <= TOLERANCE
            for known in distinct
        ):
            distinct.append(meeting)
    return tuple(distinct)


def _parts(shape: Segment | Path) -> tuple[tuple[float, Segment], ...]:
    if isinstance(shape, Path):
        return tuple(zip(shape.joints, shape.segments, strict=True))
    return ((0.0, shape),)


def _wrapped(s: float, length: float) -> float:
    return 0.0 if s >= length - TOLERANCE else s


def _swapped(found: list[Meeting]) -> list[Meeting]:
    return [(t, s, point) for s, t, point in found]


def _meet(first: Segment, second: Segment) -> list[Meeting]:
    """Return the meetings of two segments, in no order and perhaps some twice."""
    if isinstance(first, Line):
        if isinstance(second, Line):
            return _line_line(first, second)
        if isinstance(second, Arc):
            return _line_arc(first, second) + _ends_in_common(first, second)
        return _line_curve(first, second)
    if isinstance(first, Arc):
        if isinstance(second, Line):
            return _swapped(_line_arc(second, first)) + _ends_in_common(first, second)
        if isinstance(second, Arc):
            # Where circles run almost along each other, a common end is surer than the crossing beside it.
            return _ends_in_common(first, second) + _arc_arc(first, second)
        return _arc_curve(first, second)
    if isinstance(second, Line):
        return _swapped(_line_curve(second, first))
    if isinstance(second, Arc):
        return _swapped(_arc_curve(second, first))
    return _curve_curve(first, second)


def _ends_in_common(first: Segment, second: Segment) -> list[Meeting]:
    """Return the ends of either segment that lie on the other."""
    found: list[Meeting] = []
    for s, point in ((0.0, first.start), (first.length, first.end)):
        t, away = second.nearest(point)
        if away <= _END:
            found.append((s, t, point))
    for t, point in ((0.0, second.start), (second.length, second.end)):
        s, away = first.nearest(point)
        if away <= _END:
            found.append((s, t, point))
    return found


def _line_station(line: Line, point: Point) -> float | None:
    """Return the station of a point of the infinite line, None if it is off the ends."""
    s = dot(subtract(point, line.start), line.direction)
    return min(max(s, 0.0), line.length) if -_END <= s <= line.length + _END else None


def _arc_station(arc: Arc, point: Point) -> float | None:
    """Return the station of a point of the whole circle, None if it is off the ends."""
    s = arc.station_towards(point)
    if s is not None:
        return s
    if distance(point, arc.start) <= _END:
        return 0.0
    return arc.length if distance(point, arc.end) <= _END else None


def _line_line(first: Line, second: Line) -> list[Meeting]:
    u, v = first.direction, second.direction
    off = subtract(second.start, first.start)
    sine = cross(u, v)
    if abs(cross(u, off)) <= _TOUCH and abs(cross(u, subtract(second.end, first.start))) <= _TOUCH:
        return _ends_in_common(first, second)
    if abs(sine) < 1e-15:
        return []
    s, t = cross(off, v) / sine, cross(off, u) / sine
    if not (-_END <= s <= first.length + _END and -_END <= t <= second.length + _END):
        return []
    s, t = min(max(s, 0.0), first.length), min(max(t, 0.0), second.length)
    return [(s, t, first.point_at(s))]


def _line_arc(line: Line, arc: Arc) -> list[Meeting]:
    off = subtract(arc.center, line.start)
    foot = dot(off, line.direction)
    height = abs(cross(line.direction, off))
    if height > arc.radius + _TOUCH:
        return []
    half = sqrt(max((arc.radius - height) * (arc.radius + height), 0.0))
    if abs(arc.radius - height) <= _TOUCH:
        half = 0.0
    found: list[Meeting] = []
    for along in {foot - half, foot + half}:
        point = shifted(line.start, line.direction, along)
        s, t = _line_station(line, point), _arc_station(arc, point)
        if s is not None and t is not None:
            found.append((s, t, line.point_at(s)))
    return found


def _arc_arc(first: Arc, second: Arc) -> list[Meeting]:
    off = subtract(second.center, first.center)
    apart = norm(off)
    r, q = first.radius, second.radius
    if apart > r + q + _TOUCH or apart < abs(r - q) - _TOUCH or apart + abs(r - q) <= _TOUCH:
        return []
    axis = (off[0] / apart, off[1] / apart)
    along = 0.5 * ((apart - q) * (apart + q) + r * r) / apart
    half = sqrt(max((r - along) * (r + along), 0.0))
    if apart >= r + q - _TOUCH or apart <= abs(r - q) + _TOUCH:
        half = 0.0
    found: list[Meeting] = []
    for side in {half, -half}:
        point = shifted(shifted(first.center, axis, along), left_normal(axis), side)
        s, t = _arc_station(first, point), _arc_station(second, point)
        if s is not None and t is not None:
            found.append((s, t, point))
    return found


def _line_curve(line: Line, curve: Curve) -> list[Meeting]:
    found: list[Meeting] = []
    box = line.bounds
    for number, piece in enumerate(curve.beziers):
        if not curve.hulls[number].overlaps(box, _END):
            continue
        heights = [cross(line.direction, subtract(point, line.start)) for point in piece]
        if max(abs(height) for height in heights) <= _TOUCH:
            found += _common_run(line, curve, number)
            continue
        for t in _roots_with_ends(heights):
            point = bezier.evaluate(piece, t)
            s = _line_station(line, point)
            if s is not None:
                found.append((s, curve.station(number, t), point))
    return found


def _arc_curve(arc: Arc, curve: Curve) -> list[Meeting]:
    found: list[Meeting] = []
    box = arc.bounds
    for number, piece in enumerate(curve.beziers):
        if not curve.hulls[number].overlaps(box, _END):
            continue
        x = [point[0] - arc.center[0] for point in piece]
        y = [point[1] - arc.center[1] for point in piece]
        # (|p − c|² − r²)/2r is the distance from the circle, to first order.
        heights = [
            (a + b - arc.radius**2) / (2.0 * arc.radius)
            for a, b in zip(bezier.product(x, x), bezier.product(y, y), strict=True)
        ]
        if max(abs(height) for height in heights) <= _TOUCH:
            found += _common_run(arc, curve, number)
            continue
        for t in _roots_with_ends(heights):
            point = bezier.evaluate(piece, t)
            s = _arc_station(arc, point)
            if s is not None:
                found.append((s, curve.station(number, t), point))
    return found


def _common_run(segment: Line | Arc, curve: Curve, number: int) -> list[Meeting]:
    """Return the ends that a segment and a piece of a curve on top of it have in common."""
    begin = curve.station(number, 0.0)
    return [
        (s, begin + t, point) for s, t, point in _ends_in_common(segment, Curve((curve.beziers[number],)))
    ]


def _roots_with_ends(heights: list[float]) -> list[float]:
    """Return the roots on [0, 1], and an end where the height is within reach though it has no root."""
    found = bezier.roots(heights, _TOUCH)
    for t, height in ((0.0, heights[0]), (1.0, heights[-1])):
        if abs(height) <= _END and not any(abs(t - known) < 1e-6 for known in found):
            found.append(t)
    return found


def _legs(piece: Bezier) -> tuple[Point, Point, Point]:
    return subtract(piece[1], piece[0]), subtract(piece[2], piece[1]), subtract(piece[3], piece[2])


def _apart(first: Bezier, second: Bezier) -> bool:
    """Return whether the second lies beyond the strip along the first's chord that holds the first."""
    chord = subtract(first[3], first[0])
    size = norm(chord)
    if size == 0.0:
        return False
    u = (chord[0] / size, chord[1] / size)
    own = [cross(u, subtract(point, first[0])) for point in first]
    others = [cross(u, subtract(point, first[0])) for point in second]
    return min(others) > max(own) + _TOUCH or max(others) < min(own) - _TOUCH


def _cross_once_at_most(first: Bezier, second: Bezier) -> bool:
    """Return whether no tangent of one is parallel to one of the other, so that they meet once at most.

    Tangents are positive combinations of the legs of the control polygon.
    """
    sign = 0.0
    for a in _legs(first):
        for b in _legs(second):
            value = cross(a, b)
            if sign == 0.0:
                sign = value
            if value * sign <= 0.0:
                return False
    return True


def _newton(first: Bezier, second: Bezier, s: float, t: float) -> tuple[float, float, float]:
    """Return parameters and distance where two pieces cross, starting from a guess; may leave [0, 1]."""
    for _ in range(12):
        off = subtract(bezier.evaluate(second, t), bezier.evaluate(first, s))
        u, v = bezier.derivative(first, s), bezier.derivative(second, t)
        sine = cross(u, v)
        if sine == 0.0:
            break
        ds, dt = cross(off, v) / sine, cross(off, u) / sine
        s, t = min(max(s + ds, -0.5), 1.5), min(max(t + dt, -0.5), 1.5)
        if abs(ds) + abs(dt) < 1e-15:
            break
    return s, t, distance(bezier.evaluate(first, s), bezier.evaluate(second, t))


def _closest(first: Bezier, second: Bezier, s: float, t: float) -> tuple[float, float, float]:
    """Return parameters and distance where two pieces come closest near a guess: a common normal."""
    for _ in range(30):
        off = subtract(bezier.evaluate(second, t), bezier.evaluate(first, s))
        u, v = bezier.derivative(first, s), bezier.derivative(second, t)
        uu, vv = bezier.second_derivative(first, s), bezier.second_derivative(second, t)
        # Along the first the offset is square to it; the tangents are parallel.
        f, g = dot(off, u), cross(u, v)
        fs, ft = dot(off, uu) - dot(u, u), dot(v, u)
        gs, gt = cross(uu, v), cross(u, vv)
        determinant = fs * gt - ft * gs
        if determinant == 0.0:
            break
        ds, dt = (ft * g - gt * f) / determinant, (gs * f - fs * g) / determinant
        s, t = min(max(s + ds, 0.0), 1.0), min(max(t + dt, 0.0), 1.0)
        if abs(ds) + abs(dt) < 1e-14:
            break
    return s, t, distance(bezier.evaluate(first, s), bezier.evaluate(second, t))


def _curve_curve(first: Curve, second: Curve) -> list[Meeting]:
    found: list[Meeting] = []
    for i, one in enumerate(first.beziers):
        for j, other in enumerate(second.beziers):
            if not first.hulls[i].overlaps(second.hulls[j], _END):
                continue
            contacts = _end_contacts(one, other)
            if not _is_common(one, other, contacts):
                contacts += _crossings(one, other)
            for s, t in contacts:
                point = midpoint(bezier.evaluate(one, s), bezier.evaluate(other, t))
                found.append((first.station(i, s), second.station(j, t), point))
    return found


def _foot(piece: Bezier, point: Point) -> tuple[float, float]:
    """Return parameter and distance of the place on a piece nearest to the point."""
    away, t = min(
        (distance(bezier.evaluate(piece, t), point), t)
        for t in (0.0, 1.0, *bezier.foot_parameters(piece, point))
    )
    return t, away


def _end_contacts(first: Bezier, second: Bezier) -> list[tuple[float, float]]:
    """Return the parameters where an end of one piece lies on the other."""
    found: list[tuple[float, float]] = []
    for s in (0.0, 1.0):
        t, away = _foot(second, bezier.evaluate(first, s))
        if away <= _END:
            found.append((s, t))
    for t in (0.0, 1.0):
        s, away = _foot(first, bezier.evaluate(second, t))
        if away <= _END:
            found.append((s, t))
    return found


def _is_common(first: Bezier, second: Bezier, contacts: list[tuple[float, float]]) -> bool:
    """Return whether two pieces run on top of each other between their outermost contacts."""
    if len(contacts) < 2:
        return False
    low, high = min(contacts), max(contacts)
    if distance(bezier.evaluate(first, low[0]), bezier.evaluate(first, high[0])) <= TOLERANCE:
        return False
    between = (bezier.evaluate(first, low[0] + (high[0] - low[0]) * k / 4.0) for k in (1, 2, 3))
    return all(_foot(second, point)[1] <= _END for point in between)


def _crossings(first: Bezier, second: Bezier) -> list[tuple[float, float]]:
    """Return the parameters where two pieces meet."""
    found: list[tuple[float, float]] = []

    def record(s: float, t: float, away: float) -> bool:
        """Keep a meeting that lies on both pieces, or off an end by what counts as the end."""
        inside_s, inside_t = min(max(s, 0.0), 1.0), min(max(t, 0.0), 1.0)
        if (inside_s, inside_t) != (s, t):
            away = distance(bezier.evaluate(first, inside_s), bezier.evaluate(second, inside_t))
            if away > _END:
                return False
        elif away > _TOUCH:
            return False
        found.append((inside_s, inside_t))
        return True

    # A stack of sub-pieces with their parameter intervals.
    stack = [(first, 0.0, 1.0, second, 0.0, 1.0)]
    steps = 0
    while stack:
        steps += 1
        if steps > _MOST_STEPS:
            raise GeometryError(
                f"two free curves run almost on top of each other near ({stack[-1][0][0][0]:.3f},"
                f" {stack[-1][0][0][1]:.3f}): where they meet can't be told"
            )
        one, s0, s1, other, t0, t1 = stack.pop()
        if not bezier.hull_box(one).overlaps(bezier.hull_box(other), _TOUCH):
            continue
        if _apart(one, other) or _apart(other, one):
            continue
        if _cross_once_at_most(one, other):
            u, v = subtract(one[3], one[0]), subtract(other[3], other[0])
            off, sine = subtract(other[0], one[0]), cross(u, v)
            guess_s, guess_t = cross(off, v) / sine, cross(off, u) / sine
            s, t, away = _newton(
                first,
                second,
                s0 + (s1 - s0) * min(max(guess_s, 0.0), 1.0),
                t0 + (t1 - t0) * min(max(guess_t, 0.0), 1.0),
            )
            slack = 1e-9
            if away <= _TOUCH and s0 - slack <= s <= s1 + slack and t0 - slack <= t <= t1 + slack:
                record(s, t, away)
                continue
        size_one, size_other = _size(one), _size(other)
        if max(size_one, size_other) < 1e-4:
            s, t, away = _closest(first, second, 0.5 * (s0 + s1), 0.5 * (t0 + t1))
            if not record(s, t, away):
                record(*_newton(first, second, 0.5 * (s0 + s1), 0.5 * (t0 + t1)))
            continue
        if size_one >= size_other:
            a, b = bezier.subdivide(one, 0.5)
            middle = 0.5 * (s0 + s1)
            stack += [(a, s0, middle, other, t0, t1), (b, middle, s1, other, t0, t1)]
        else:
            a, b = bezier.subdivide(other, 0.5)
            middle = 0.5 * (t0 + t1)
            stack += [(one, s0, s1, a, t0, middle), (one, s0, s1, b, middle, t1)]
    return found


def _size(piece: Bezier) -> float:
    box = bezier.hull_box(piece)
    return hypot(box.width, box.height)
