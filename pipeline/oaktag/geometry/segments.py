"""Straight lines and circular arcs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import asin, atan2, ceil, cos, hypot, isfinite, sin, sqrt, tau

from .box import Box
from .errors import GeometryError
from .station import SHORTEST, TOLERANCE, Immutable, inner, on_length, span
from .transform import Transform
from .vector import Point, as_point, cross, distance, dot, left_normal, lerp, midpoint, shifted, subtract

#: Radius in mm from which an arc is no longer told from a line in double precision.
FLATTEST = 1e7


def checked_chord_error(chord_error: float) -> float:
    """Return the chord error if it is a positive number of mm.

    Raises:
        GeometryError: If it is not.
    """
    if not (chord_error > 0.0 and isfinite(chord_error)):
        raise GeometryError(f"a chord error must be a positive number of mm, found {chord_error!r}")
    return chord_error


@dataclass(frozen=True)
class Line(Immutable):
    """A straight line from start to end.

    Raises:
        GeometryError: If a coordinate is not finite or start and end are the same point.
    """

    start: Point
    end: Point

    def __post_init__(self) -> None:
        object.__setattr__(self, "start", as_point(self.start, "start of a line"))
        object.__setattr__(self, "end", as_point(self.end, "end of a line"))
        if self.length < SHORTEST:
            raise GeometryError(f"a line needs two different points, found {self.start} twice")

    @cached_property
    def length(self) -> float:
        """Length in mm."""
        return distance(self.start, self.end)

    @cached_property
    def direction(self) -> Point:
        """Unit vector of travel."""
        return (
            (self.end[0] - self.start[0]) / self.length,
            (self.end[1] - self.start[1]) / self.length,
        )

    @property
    def bounds(self) -> Box:
        """The smallest box around the line."""
        return Box.around((self.start, self.end))

    @property
    def area_term(self) -> float:
        """½∫ x dy − y dx along the line, in mm²."""
        return 0.5 * cross(self.start, self.end)

    def point_at(self, s: float) -> Point:
        """Return the point at station s.

        Raises:
            GeometryError: If s is not on the line.
        """
        s = on_length(s, self.length)
        return self.end if s == self.length else lerp(self.start, self.end, s / self.length)

    def tangent_at(self, s: float) -> Point:
        """Return the unit tangent at station s.

        Raises:
            GeometryError: If s is not on the line.
        """
        on_length(s, self.length)
        return self.direction

    def curvature_at(self, s: float) -> float:
        """Return the curvature at station s, which is 0.

        Raises:
            GeometryError: If s is not on the line.
        """
        on_length(s, self.length)
        return 0.0

    def split(self, s: float) -> tuple[Line, Line]:
        """Return the parts before and after station s.

        Raises:
            GeometryError: If s is not inside the line.
        """
        middle = self.point_at(inner(s, self.length))
        return Line(self.start, middle), Line(middle, self.end)

    def between(self, s0: float, s1: float) -> Line:
        """Return the part from station s0 to s1.

        Raises:
            GeometryError: If a station is not on the line or nothing lies between them.
        """
        s0, s1 = span(s0, s1, self.length)
        return Line(self.point_at(s0), self.point_at(s1))

    def reversed(self) -> Line:
        """Return the line travelled the other way."""
        return Line(self.end, self.start)

    def offset(self, distance: float) -> Line:
        """Return the parallel at a distance in mm, positive to the left of travel."""
        if distance == 0.0:
            return self
        normal = left_normal(self.direction)
        return Line(shifted(self.start, normal, distance), shifted(self.end, normal, distance))

    def flatten(self, chord_error: float) -> tuple[Point, ...]:
        """Return both ends.

        Raises:
            GeometryError: If the chord error is not positive.
        """
        checked_chord_error(chord_error)
        return (self.start, self.end)

    def transformed(self, transform: Transform) -> Line:
        """Return the image under a similarity."""
        return Line(transform.apply(self.start), transform.apply(self.end))

    def nearest(self, point: Point) -> tuple[float, float]:
        """Return station and distance in mm of the place nearest to the point."""
        s = min(max(dot(subtract(point, self.start), self.direction), 0.0), self.length)
        return s, distance(self.point_at(s), point)


@dataclass(frozen=True)
class Arc(Immutable):
    """A circular arc from start to end, less than a full circle.

    Attributes:
        start: First point.
        end: Last point.
        center: Centre of the circle.
        radius: Radius in mm; both ends lie on the circle to 1e-6 mm.
        clockwise: Whether travel turns right.

    Raises:
        GeometryError: If the ends coincide or are not on the circle, or a number is not finite.
    """

    start: Point
    end: Point
    center: Point
    radius: float
    clockwise: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "start", as_point(self.start, "start of an arc"))
        object.__setattr__(self, "end", as_point(self.end, "end of an arc"))
        object.__setattr__(self, "center", as_point(self.center, "centre of an arc"))
        object.__setattr__(self, "radius", float(self.radius))
        object.__setattr__(self, "clockwise", bool(self.clockwise))
        if not (self.radius > 0.0 and isfinite(self.radius)):
            raise GeometryError(f"the radius of an arc must be positive, found {self.radius!r}")
        for name, end in (("start", self.start), ("end", self.end)):
            off = distance(self.center, end) - self.radius
            if abs(off) > TOLERANCE:
                raise GeometryError(
                    f"the {name} {end} of an arc lies {off:+.6g} mm off the circle"
                    f" of radius {self.radius:g} mm about {self.center}"
                )
        if distance(self.start, self.end) < SHORTEST:
            raise GeometryError(f"an arc needs two different ends, found {self.start} twice")

    @classmethod
    def through(cls, a: Point, mid: Point, b: Point) -> Arc:
        """Return the arc from a through mid to b.

        Raises:
            GeometryError: If the points lie on one line, to what double precision can tell.
        """
        p, q = subtract(a, mid), subtract(b, mid)
        area = 2.0 * cross(p, q)
        pp, qq = dot(p, p), dot(q, q)
        if area == 0.0:
            raise GeometryError(f"no arc goes through {a}, {mid} and {b}: they lie on one line")
        offset = ((q[1] * pp - p[1] * qq) / area, (p[0] * qq - q[0] * pp) / area)
        radius = hypot(*offset)
        if radius > FLATTEST:
            raise GeometryError(f"{a}, {mid} and {b} lie on one line (radius {radius:.3g} mm): use a line")
        return cls(a, b, (mid[0] + offset[0], mid[1] + offset[1]), radius, clockwise=area > 0.0)

    @classmethod
    def from_sagitta(cls, start: Point, end: Point, sagitta: float) -> Arc:
        """Return the arc that rises by the sagitta above its chord.

        With chord c and sagitta h the radius is (c²/4 + h²)/(2h) (intersecting chords, Euclid III.35).

        Args:
            start: First point.
            end: Last point.
            sagitta: Height of the arc's middle over the chord in mm, positive to the left of travel.

        Raises:
            GeometryError: If the ends coincide or the arc is so flat that only a line can be meant.
        """
        chord = Line(start, end)
        flattest = chord.length**2 / (8.0 * FLATTEST)
        if not abs(sagitta) > flattest:
            raise GeometryError(
                f"a sagitta of {sagitta!r} mm on a chord of {chord.length:g} mm is too flat for an arc"
                f" (needs more than {flattest:.3g} mm): use a line"
            )
        radius = (0.25 * chord.length**2 + sagitta**2) / (2.0 * abs(sagitta))
        rise = sagitta - radius if sagitta > 0.0 else sagitta + radius
        center = shifted(midpoint(start, end), left_normal(chord.direction), rise)
        return cls(chord.start, chord.end, center, radius, clockwise=sagitta > 0.0)

    @cached_property
    def sweep(self) -> float:
        """Signed angle of travel in radians, positive counter-clockwise, never 0 and below 2π in size."""
        a, b = subtract(self.start, self.center), subtract(self.end, self.center)
        angle = atan2(cross(a, b), dot(a, b))
        if self.clockwise:
            return angle - tau if angle >= 0.0 else angle
        return angle + tau if angle <= 0.0 else angle

    @cached_property
    def length(self) -> float:
        """Length in mm."""
        return self.radius * abs(self.sweep)

    @cached_property
    def start_angle(self) -> float:
        """Direction from the centre to the start, in radians."""
        return atan2(self.start[1] - self.center[1], self.start[0] - self.center[0])

    @property
    def sagitta(self) -> float:
        """Height of the arc's middle over the chord in mm, positive to the left of travel."""
        rise = 2.0 * self.radius * sin(0.25 * abs(self.sweep)) ** 2
        return rise if self.clockwise else -rise

    @cached_property
    def bounds(self) -> Box:
        """The smallest box around the arc."""
        points = [self.start, self.end]
        x, y = self.center
        r = self.radius
        extremes = ((x + r, y), (x, y + r), (x - r, y), (x, y - r))
        points += (point for point in extremes if self.station_towards(point) is not None)
        return Box.around(points)

    @property
    def area_term(self) -> float:
        """½∫ x dy − y dx along the arc, in mm²."""
        return 0.5 * (self.radius**2 * self.sweep + cross(self.center, subtract(self.end, self.start)))

    def station_towards(self, point: Point) -> float | None:
        """Return the station that lies in the point's direction from the centre, None if there is none."""
        a, v = subtract(self.start, self.center), subtract(point, self.center)
        angle = atan2(cross(a, v), dot(a, v))
        if self.clockwise:
            angle = -angle
        if angle < 0.0:
            angle += tau
        return self.radius * angle if angle <= abs(self.sweep) else None

    def point_on_circle(self, s: float) -> Point:
        """Return the point at any station of the whole circle, also before the start and after the end."""
        angle = self.start_angle + (-s if self.clockwise else s) / self.radius
        return (self.center[0] + self.radius * cos(angle), self.center[1] + self.radius * sin(angle))

    def point_at(self, s: float) -> Point:
        """Return the point at station s.

        Raises:
            GeometryError: If s is not on the arc.
        """
        s = on_length(s, self.length)
        if s == 0.0:
            return self.start
        return self.end if s == self.length else self.point_on_circle(s)

    def tangent_at(self, s: float) -> Point:
        """Return the unit tangent at station s.

        Raises:
            GeometryError: If s is not on the arc.
        """
        angle = self.start_angle + self.sweep * (on_length(s, self.length) / self.length)
        return (sin(angle), -cos(angle)) if self.clockwise else (-sin(angle), cos(angle))

    def curvature_at(self, s: float) -> float:
        """Return the curvature at station s in 1/mm, positive for a left turn.

        Raises:
            GeometryError: If s is not on the arc.
        """
        on_length(s, self.length)
        return -1.0 / self.radius if self.clockwise else 1.0 / self.radius

    def split(self, s: float) -> tuple[Arc, Arc]:
        """Return the parts before and after station s.

        Raises:
            GeometryError: If s is not inside the arc.
        """
        inner(s, self.length)
        return self.between(0.0, s), self.between(s, self.length)

    def between(self, s0: float, s1: float) -> Arc:
        """Return the part from station s0 to s1.

        Raises:
            GeometryError: If a station is not on the arc or nothing lies between them.
        """
        s0, s1 = span(s0, s1, self.length)
        return Arc(self.point_at(s0), self.point_at(s1), self.center, self.radius, self.clockwise)

    def reversed(self) -> Arc:
        """Return the arc travelled the other way."""
        return Arc(self.end, self.start, self.center, self.radius, not self.clockwise)

    def offset(self, distance: float) -> Arc:
        """Return the concentric arc at a distance in mm, positive to the left of travel.

        Raises:
            GeometryError: If the radius would vanish.
        """
        if distance == 0.0:
            return self
        radius = self.radius + (distance if self.clockwise else -distance)
        if radius <= SHORTEST / abs(self.sweep):
            raise GeometryError(
                f"an arc of radius {self.radius:g} mm offset by {abs(distance):g} mm towards its centre"
                f" vanishes: its radius falls short by {-radius:.6g} mm"
            )
        k = radius / self.radius
        return Arc(
            lerp(self.center, self.start, k),
            lerp(self.center, self.end, k),
            self.center,
            radius,
            self.clockwise,
        )

    def flatten(self, chord_error: float) -> tuple[Point, ...]:
        """Return points on the arc, both ends among them, whose chords stay within the chord error in mm.

        Raises:
            GeometryError: If the chord error is not positive.
        """
        ratio = min(checked_chord_error(chord_error) / (2.0 * self.radius), 0.5)
        # r(1 − cos(θ/2)) = 2r·sin²(θ/4) is the error of a chord over the angle θ; at most a half circle.
        count = max(1, ceil(abs(self.sweep) / (4.0 * asin(sqrt(ratio))) - 1e-9))
        (x, y), radius, first, step = self.center, self.radius, self.start_angle, self.sweep / count
        angles = [first + step * i for i in range(1, count)]
        return (self.start, *[(x + radius * cos(a), y + radius * sin(a)) for a in angles], self.end)

    def transformed(self, transform: Transform) -> Arc:
        """Return the image under a similarity."""
        return Arc(
            transform.apply(self.start),
            transform.apply(self.end),
            transform.apply(self.center),
            self.radius * transform.scale,
            self.clockwise is not transform.mirrors,
        )

    def nearest(self, point: Point) -> tuple[float, float]:
        """Return station and distance in mm of the place nearest to the point."""
        if distance(point, self.center) > SHORTEST:
            s = self.station_towards(point)
            if s is not None:
                return s, abs(distance(point, self.center) - self.radius)
        to_start, to_end = distance(point, self.start), distance(point, self.end)
        return (0.0, to_start) if to_start <= to_end else (self.length, to_end)
