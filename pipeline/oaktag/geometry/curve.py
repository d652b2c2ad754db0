"""Free curves: smooth runs of cubic Bezier pieces, measured by arc length."""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil, hypot, isfinite, pi, sqrt, tan

from . import bezier
from .bezier import Bezier
from .box import Box
from .errors import GeometryError
from .segments import checked_chord_error
from .station import SHORTEST, TOLERANCE, Immutable, inner, on_length, span
from .transform import Transform
from .vector import (
    Point,
    as_point,
    cross,
    distance,
    dot,
    left_normal,
    norm,
    scale,
    shifted,
    signed_angle,
    subtract,
    unit,
)

#: Largest kink in radians between two pieces of one curve; anything more is a corner and belongs in a path.
SMOOTH = 1e-3

#: Largest distance in mm between a parallel of a curve and the curve that stands for it.
OFFSET_TOLERANCE = 1e-6

# Cutting closer than this to a joint of two pieces cuts at the joint: no slivers.
_SNAP = 1e-7
_LENGTH_ERROR = 1e-10
_DEEPEST = 24


def _hermite(start: Point, start_tangent: Point, end: Point, end_tangent: Point, length: float) -> Bezier:
    """Return the piece with these ends and unit tangents that runs a given arc length.

    Its handles are those of the circular arc with the same length and turn, (4/3)·tan(φ/4)/φ of the length
    (T. Dokken et al., "Good approximation of circles by curvature-continuous Bezier curves", 1990).
    """
    turn = signed_angle(start_tangent, end_tangent)
    ratio = tan(0.25 * turn) / (0.25 * turn) if abs(turn) > 1e-6 else 1.0
    handle = length / 3.0 * ratio
    return (start, shifted(start, start_tangent, handle), shifted(end, end_tangent, -handle), end)


def _foot(piece: Bezier, t: float, point: Point) -> tuple[float, Point, Point]:
    """Return the foot of a point on a piece near parameter t: parameter, offset to the point, direction."""
    for _ in range(2):
        off, rate = subtract(point, bezier.evaluate(piece, t)), bezier.derivative(piece, t)
        t += dot(off, rate) / dot(rate, rate)
    return t, subtract(point, bezier.evaluate(piece, t)), unit(bezier.derivative(piece, t))


def _follows(piece: Bezier, place: Callable[[float], Point], tolerance: float) -> bool:
    """Return whether a function on [0, 1] is within the tolerance of a piece that meets it at the thirds."""
    return all(norm(_foot(piece, t, place(t))[1]) <= tolerance for t in (1 / 6, 1 / 2, 5 / 6))


def _fitted(piece: Bezier, place: Callable[[float], Point]) -> Bezier:
    """Return a piece with the same ends and tangents that meets a function on [0, 1] also at its thirds.

    Two handles, two conditions: Newton's method. Where the conditions say nothing about the handles
    (nearly straight pieces) the piece stays as it is.
    """
    start, end = piece[0], piece[3]
    first, last = subtract(piece[1], start), subtract(piece[2], end)
    targets = [(t, place(t)) for t in (1 / 3, 2 / 3)]
    a = b = 1.0
    best = piece
    for _ in range(3):
        rows = []
        for guess, target in targets:
            t, off, direction = _foot(best, guess, target)
            u = 1.0 - t
            # How the normal distance grows with the factor of either handle.
            rows.append(
                (
                    3.0 * t * u * u * cross(direction, first),
                    3.0 * t * t * u * cross(direction, last),
                    cross(direction, off),
                )
            )
        (p, q, f), (r, s, g) = rows
        determinant = p * s - q * r
        if abs(determinant) <= 1e-12 * (abs(p) + abs(q)) * (abs(r) + abs(s)) or determinant == 0.0:
            return piece
        change_a, change_b = (f * s - q * g) / determinant, (p * g - f * r) / determinant
        a, b = a + change_a, b + change_b
        if not (0.7 < a < 1.4 and 0.7 < b < 1.4):
            return piece
        best = (start, shifted(start, first, a), shifted(end, last, b), end)
        if abs(change_a) + abs(change_b) < 1e-7:
            break
    return best


@dataclass(frozen=True)
class Curve(Immutable):
    """A smooth run of cubic Bezier pieces.

    Attributes:
        beziers: The pieces in order, each of four control points; every piece starts where the one before
            ends (to 1e-6 mm) and in its direction (to 1e-3 rad).

    Raises:
        GeometryError: If there are no pieces, they do not join smoothly, or a handle has no length.
    """

    beziers: tuple[Bezier, ...]

    def __post_init__(self) -> None:
        pieces: list[Bezier] = []
        for number, piece in enumerate(self.beziers):
            if len(piece) != 4:
                raise GeometryError(f"piece {number} of a curve needs 4 control points, found {len(piece)}")
            a, b, c, d = (as_point(point, f"control point of piece {number} of a curve") for point in piece)
            if distance(a, b) < SHORTEST or distance(c, d) < SHORTEST:
                raise GeometryError(f"piece {number} of a curve, from {a} to {d}, has a handle of length 0")
            if pieces:
                before = pieces[-1]
                if distance(before[3], a) > TOLERANCE:
                    raise GeometryError(f"piece {number} of a curve starts at {a}, not at {before[3]}")
                kink = signed_angle(subtract(before[3], before[2]), subtract(b, a))
                if abs(kink) > SMOOTH:
                    raise GeometryError(
                        f"a curve has a corner of {kink:.3g} rad at {a}: make it a path of two curves"
                    )
            pieces.append((a, b, c, d))
        if not pieces:
            raise GeometryError("a curve needs at least one piece")
        object.__setattr__(self, "beziers", tuple(pieces))

    @classmethod
    def through(
        cls,
        points: Sequence[Point],
        start_tangent: Point | None = None,
        end_tangent: Point | None = None,
    ) -> Curve:
        """Return the cubic spline through the points, with continuous curvature up to the parameter's speed.

        Parameter is the chord length; an end without a tangent is natural (second derivative 0).
        Source: C. de Boor, "A Practical Guide to Splines", chapter IV (from memory).

        Args:
            points: At least two, neighbours different.
            start_tangent: Direction at the first point, of any length.
            end_tangent: Direction at the last point, of any length.

        Raises:
            GeometryError: If there are fewer than two points, neighbours coincide or a tangent has no length.
        """
        nodes = [as_point(point, "point of a curve") for point in points]
        if len(nodes) < 2:
            raise GeometryError(f"a curve needs at least two points, found {len(nodes)}")
        steps = [distance(a, b) for a, b in itertools.pairwise(nodes)]
        for step, node in zip(steps, nodes, strict=False):
            if step < TOLERANCE:
                raise GeometryError(f"a curve can't pass {node} twice in a row")
        slopes = [scale(subtract(b, a), 1 / h) for a, b, h in zip(nodes, nodes[1:], steps, strict=False)]
        # Rows (below, diagonal, above, right side) of the tridiagonal system for the derivatives.
        rows: list[tuple[float, float, float, Point]] = []
        if start_tangent is None:
            rows.append((0.0, 2.0, 1.0, scale(slopes[0], 3.0)))
        else:
            rows.append((0.0, 1.0, 0.0, unit(as_point(start_tangent, "start tangent"))))
        for i in range(1, len(nodes) - 1):
            before, after = steps[i - 1], steps[i]
            right = (
                3.0 * (after * slopes[i - 1][0] + before * slopes[i][0]),
                3.0 * (after * slopes[i - 1][1] + before * slopes[i][1]),
            )
            rows.append((after, 2.0 * (before + after), before, right))
        if end_tangent is None:
            rows.append((1.0, 2.0, 0.0, scale(slopes[-1], 3.0)))
        else:
            rows.append((0.0, 1.0, 0.0, unit(as_point(end_tangent, "end tangent"))))
        rates = _solve_tridiagonal(rows)
        return cls(
            tuple(
                (a, shifted(a, rate_a, h / 3.0), shifted(b, rate_b, -h / 3.0), b)
                for a, b, rate_a, rate_b, h in zip(nodes, nodes[1:], rates, rates[1:], steps, strict=False)
            )
        )

    @classmethod
    def fit(
        cls,
        position: Callable[[float], Point],
        tangent: Callable[[float], Point],
        length: float,
        tolerance: float = 1e-5,
        knots: Sequence[float] = (),
    ) -> Curve:
        """Return a curve that stands for a function of arc length.

        Pieces take position and tangent at their ends from the function and are halved until the function
        is within the tolerance of them.

        Args:
            position: Station in mm to point.
            tangent: Station in mm to unit tangent.
            length: Length in mm; the function is used on [0, length].
            tolerance: Largest distance in mm between function and curve.
            knots: Stations where the curvature may jump; no piece straddles one.

        Raises:
            GeometryError: If length or tolerance is not positive, a knot is off the length, or the function
                can't be followed: it has a corner, or its parameter is not the arc length.
        """
        if not (length > 0.0 and isfinite(length) and tolerance > 0.0):
            raise GeometryError(f"length and tolerance must be positive, found {length!r} and {tolerance!r}")
        stations = [0.0]
        for knot in sorted(knots):
            knot = on_length(knot, length)
            if knot - stations[-1] > TOLERANCE and length - knot > TOLERANCE:
                stations.append(knot)
        stations.append(length)
        places: dict[float, Point] = {}

        def at(s: float) -> Point:
            place = places.get(s)
            if place is None:
                place = places[s] = as_point(position(s), f"position at station {s:g}")
            return place

        pieces: list[Bezier] = []

        def follow(s0: float, tangent0: Point, s1: float, tangent1: Point, depth: int) -> None:
            h = s1 - s0
            if abs(signed_angle(tangent0, tangent1)) < 0.5 * pi:

                def place(t: float) -> Point:
                    return at(s0 + t * h)

                piece = _fitted(_hermite(at(s0), tangent0, at(s1), tangent1, h), place)
                if _follows(piece, place, tolerance) and (
                    # A function that is not measured by its arc length shows as a piece of the wrong length.
                    abs(bezier.arc_length(piece, 0.0, 1.0) - h) <= tolerance * h / length + 1e-12
                ):
                    pieces.append(piece)
                    return
            if depth >= _DEEPEST or h < 1e-4:
                raise GeometryError(
                    f"a curve can't follow the function near station {s0:.6g} mm to {tolerance:g} mm: it has"
                    " a corner there, or its parameter is not the arc length"
                )
            middle = 0.5 * (s0 + s1)
            tangent_middle = unit(as_point(tangent(middle), f"tangent at station {middle:g}"))
            follow(s0, tangent0, middle, tangent_middle, depth + 1)
            follow(middle, tangent_middle, s1, tangent1, depth + 1)

        tangents = [unit(as_point(tangent(s), f"tangent at station {s:g}")) for s in stations]
        for i in range(len(stations) - 1):
            follow(stations[i], tangents[i], stations[i + 1], tangents[i + 1], 0)
        return cls(tuple(pieces))

    @cached_property
    def _table(self) -> tuple[list[float], list[float], list[float]]:
        """Stations, parameters (piece + t) and lengths of intervals that one Gauss rule measures exactly."""
        stations: list[float] = []
        parameters: list[float] = []
        lengths: list[float] = []
        total = 0.0

        def measure(number: int, t0: float, t1: float, whole: float, depth: int) -> None:
            nonlocal total
            middle = 0.5 * (t0 + t1)
            first = bezier.arc_length(self.beziers[number], t0, middle)
            second = bezier.arc_length(self.beziers[number], middle, t1)
            if abs(first + second - whole) > _LENGTH_ERROR and depth < _DEEPEST:
                measure(number, t0, middle, first, depth + 1)
                measure(number, middle, t1, second, depth + 1)
                return
            for t, part in ((t0, first), (middle, second)):
                stations.append(total)
                parameters.append(number + t)
                lengths.append(part)
                total += part

        for number, piece in enumerate(self.beziers):
            measure(number, 0.0, 1.0, bezier.arc_length(piece, 0.0, 1.0), 0)
        return stations, parameters, lengths

    @cached_property
    def _piece_stations(self) -> tuple[float, ...]:
        """Stations where the pieces start, and the length."""
        stations, parameters, lengths = self._table
        starts = [s for s, parameter in zip(stations, parameters, strict=True) if parameter == int(parameter)]
        return (*starts, stations[-1] + lengths[-1])

    def _place(self, s: float) -> tuple[int, float]:
        """Return piece and parameter at a station; at a joint, of the piece that starts there."""
        if s >= self.length:
            return len(self.beziers) - 1, 1.0
        stations, parameters, lengths = self._table
        i = bisect_right(stations, s) - 1
        number = int(parameters[i])
        low = parameters[i] - number
        high = parameters[i + 1] - number if i + 1 < len(parameters) else 1.0
        target = s - stations[i]
        piece, t0 = self.beziers[number], low
        t = low + (high - low) * target / lengths[i]
        for _ in range(60):
            error = bezier.arc_length(piece, t0, t) - target
            if abs(error) < 1e-12:
                break
            low, high = (low, t) if error > 0.0 else (t, high)
            speed = norm(bezier.derivative(piece, t))
            step = t - error / speed if speed > 0.0 else low
            if not low <= step <= high:
                step = 0.5 * (low + high)
            if abs(step - t) < 1e-16:
                break
            t = step
        return number, t

    def station(self, number: int, t: float) -> float:
        """Return the station of parameter t of the piece with this number."""
        stations, parameters, _ = self._table
        i = bisect_right(parameters, number + t) - 1
        if t >= 1.0:
            return self._piece_stations[number + 1]
        return stations[i] + bezier.arc_length(self.beziers[number], parameters[i] - number, t)

    @property
    def start(self) -> Point:
        """First point."""
        return self.beziers[0][0]

    @property
    def end(self) -> Point:
        """Last point."""
        return self.beziers[-1][3]

    @cached_property
    def length(self) -> float:
        """Length in mm, to better than 1e-8 mm."""
        return self._piece_stations[-1]

    @cached_property
    def bounds(self) -> Box:
        """The smallest box around the curve."""
        points: list[Point] = []
        for piece in self.beziers:
            points += (piece[0], piece[3])
            for axis in (0, 1):
                a, b, c, d = (point[axis] for point in piece)
                points += (
                    bezier.evaluate(piece, t)
                    for t in _quadratic_roots(d - 3.0 * c + 3.0 * b - a, 2.0 * (c - 2.0 * b + a), b - a)
                    if 0.0 < t < 1.0
                )
        return Box.around(points)

    @cached_property
    def hulls(self) -> tuple[Box, ...]:
        """A box around each piece, not always the smallest."""
        return tuple(bezier.hull_box(piece) for piece in self.beziers)

    @cached_property
    def area_term(self) -> float:
        """½∫ x dy − y dx along the curve, in mm²."""
        return sum(bezier.area_term(piece) for piece in self.beziers)

    def point_at(self, s: float) -> Point:
        """Return the point at station s.

        Raises:
            GeometryError: If s is not on the curve.
        """
        number, t = self._place(on_length(s, self.length))
        return bezier.evaluate(self.beziers[number], t)

    def tangent_at(self, s: float) -> Point:
        """Return the unit tangent at station s.

        Raises:
            GeometryError: If s is not on the curve.
        """
        number, t = self._place(on_length(s, self.length))
        return unit(bezier.derivative(self.beziers[number], t))

    def curvature_at(self, s: float) -> float:
        """Return the curvature at station s in 1/mm, positive for a left turn.

        Raises:
            GeometryError: If s is not on the curve.
        """
        number, t = self._place(on_length(s, self.length))
        return bezier.curvature(self.beziers[number], t)

    def split(self, s: float) -> tuple[Curve, Curve]:
        """Return the parts before and after station s.

        Raises:
            GeometryError: If s is not inside the curve.
        """
        inner(s, self.length)
        return self._cut(0.0, s), self._cut(s, self.length)

    def between(self, s0: float, s1: float) -> Curve:
        """Return the part from station s0 to s1.

        Raises:
            GeometryError: If a station is not on the curve or nothing lies between them.
        """
        return self._cut(*span(s0, s1, self.length))

    def _cut(self, s0: float, s1: float) -> Curve:
        first, t0 = self._place(s0)
        last, t1 = self._place(s1)
        joints = self._piece_stations
        if first < last and joints[first + 1] - s0 < _SNAP:
            first, t0 = first + 1, 0.0
        if first < last and s1 - joints[last] < _SNAP:
            last, t1 = last - 1, 1.0
        if first == last:
            return Curve((bezier.part(self.beziers[first], t0, t1),))
        return Curve(
            (
                bezier.part(self.beziers[first], t0, 1.0),
                *self.beziers[first + 1 : last],
                bezier.part(self.beziers[last], 0.0, t1),
            )
        )

    def reversed(self) -> Curve:
        """Return the curve travelled the other way."""
        return Curve(tuple((d, c, b, a) for a, b, c, d in reversed(self.beziers)))

    @cached_property
    def curvature_range(self) -> tuple[float, float]:
        """Smallest and largest signed curvature in 1/mm."""
        count = 16
        samples = [[bezier.curvature(piece, k / count) for k in range(count + 1)] for piece in self.beziers]
        extremes: list[float] = []
        for sign in (-1.0, 1.0):
            best = max(sign * value for values in samples for value in values)
            # Between two samples a smooth function rises above them by less than they differ from the next.
            peaks: list[tuple[float, int, int]] = []
            for number, values in enumerate(samples):
                k = max(range(count + 1), key=lambda i: sign * values[i])
                rise = max(abs(values[k] - values[i]) for i in (max(k - 1, 0), min(k + 1, count)))
                peaks.append((sign * values[k] + rise, number, k))
            for bound, number, k in sorted(peaks, reverse=True):
                if bound <= best:
                    break
                low, high = max(0.0, (k - 1) / count), min(1.0, (k + 1) / count)
                best = max(best, _largest_curvature(self.beziers[number], sign, low, high))
            extremes.append(sign * best)
        return extremes[0], extremes[1]

    def offset(self, distance: float) -> Curve:
        """Return the parallel curve at a distance in mm, positive to the left of travel, to 1e-6 mm.

        Raises:
            GeometryError: If the curve is somewhere so tight that the parallel turns back.
        """
        if distance == 0.0:
            return self
        tightest = self.curvature_range[1] if distance > 0.0 else -self.curvature_range[0]
        if tightest * abs(distance) >= 1.0 - 1e-9:
            raise GeometryError(
                f"a curve whose smallest radius is {1.0 / tightest:.6g} mm offset by {abs(distance):g} mm"
                f" to that side vanishes there: its radius falls short by"
                f" {abs(distance) - 1.0 / tightest:.6g} mm"
            )
        pieces: list[Bezier] = []

        def parallel(piece: Bezier, t: float) -> tuple[Point, Point]:
            direction = unit(bezier.derivative(piece, t))
            return shifted(bezier.evaluate(piece, t), left_normal(direction), distance), direction

        def follow(piece: Bezier, t0: float, t1: float, depth: int) -> None:
            (start, start_tangent), (end, end_tangent) = parallel(piece, t0), parallel(piece, t1)
            turn = signed_angle(start_tangent, end_tangent)
            middle = 0.5 * (t0 + t1)
            if abs(turn) < 0.5 * pi:
                # A parallel's length differs by distance times turn (Steiner).
                length = bezier.arc_length(piece, t0, t1) - distance * turn

                def place(u: float) -> Point:
                    return parallel(piece, t0 + u * (t1 - t0))[0]

                candidate = _fitted(_hermite(start, start_tangent, end, end_tangent, length), place)
                if _follows(candidate, place, OFFSET_TOLERANCE) or depth >= _DEEPEST:
                    pieces.append(candidate)
                    return
            follow(piece, t0, middle, depth + 1)
            follow(piece, middle, t1, depth + 1)

        for piece in self.beziers:
            follow(piece, 0.0, 1.0, 0)
        return Curve(tuple(pieces))

    def flatten(self, chord_error: float) -> tuple[Point, ...]:
        """Return points on the curve, both ends among them, whose chords stay within the chord error in mm.

        A chord over the step h of the parameter is off by at most h²/8 times the largest second derivative.

        Raises:
            GeometryError: If the chord error is not positive.
        """
        checked_chord_error(chord_error)
        points = [self.start]
        for piece in self.beziers:
            (x0, y0), (x1, y1), (x2, y2), (x3, y3) = piece
            bend = 6.0 * max(
                hypot(x0 - 2.0 * x1 + x2, y0 - 2.0 * y1 + y2), hypot(x1 - 2.0 * x2 + x3, y1 - 2.0 * y2 + y3)
            )
            count = max(1, ceil(sqrt(bend / (8.0 * chord_error))))
            points += (bezier.evaluate(piece, i / count) for i in range(1, count))
            points.append(piece[3])
        return tuple(points)

    def transformed(self, transform: Transform) -> Curve:
        """Return the image under a similarity."""
        move = transform.apply
        return Curve(tuple((move(a), move(b), move(c), move(d)) for a, b, c, d in self.beziers))

    def nearest(self, point: Point) -> tuple[float, float]:
        """Return station and distance in mm of the place nearest to the point."""
        best = (distance(point, self.start), 0, 0.0)
        order = sorted(range(len(self.beziers)), key=lambda i: self.hulls[i].distance(point))
        for number in order:
            if self.hulls[number].distance(point) > best[0]:
                break
            piece = self.beziers[number]
            for t in (0.0, 1.0, *bezier.foot_parameters(piece, point)):
                best = min(best, (distance(bezier.evaluate(piece, t), point), number, t))
        return self.station(best[1], best[2]), best[0]


def _quadratic_roots(a: float, b: float, c: float) -> tuple[float, ...]:
    """Return the real roots of a·t² + b·t + c, free of cancellation."""
    discriminant = b * b - 4.0 * a * c
    if discriminant < 0.0 or (a == 0.0 and b == 0.0):
        return ()
    q = -0.5 * (b + (sqrt(discriminant) if b >= 0.0 else -sqrt(discriminant)))
    found = []
    if a != 0.0:
        found.append(q / a)
    if q != 0.0:
        found.append(c / q)
    return tuple(found)


def _largest_curvature(piece: Bezier, sign: float, low: float, high: float) -> float:
    """Return the largest curvature, times a sign, between two parameters, by golden sections."""
    ratio = 0.5 * (sqrt(5.0) - 1.0)
    best = max(sign * bezier.curvature(piece, low), sign * bezier.curvature(piece, high))
    a, b = high - ratio * (high - low), low + ratio * (high - low)
    value_a, value_b = sign * bezier.curvature(piece, a), sign * bezier.curvature(piece, b)
    while high - low > 1e-7:
        if value_a > value_b:
            high, b, value_b = b, a, value_a
            a = high - ratio * (high - low)
            value_a = sign * bezier.curvature(piece, a)
        else:
            low, a, value_a = a, b, value_b
            b = low + ratio * (high - low)
            value_b = sign * bezier.curvature(piece, b)
    return max(best, value_a, value_b)


def _solve_tridiagonal(rows: Sequence[tuple[float, float, float, Point]]) -> list[Point]:
    """Return the solution of rows (below, diagonal, above, right side) by elimination (Thomas)."""
    above: list[float] = []
    right: list[Point] = []
    for below, diagonal, over, side in rows:
        if above:
            diagonal -= below * above[-1]
            side = (side[0] - below * right[-1][0], side[1] - below * right[-1][1])
        above.append(over / diagonal)
        right.append((side[0] / diagonal, side[1] / diagonal))
    for i in range(len(rows) - 2, -1, -1):
        right[i] = (right[i][0] - above[i] * right[i + 1][0], right[i][1] - above[i] * right[i + 1][1])
    return right
