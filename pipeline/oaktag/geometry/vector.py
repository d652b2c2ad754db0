"""Points and plane vectors as plain pairs of floats, in mm, y upward."""

from __future__ import annotations

from math import atan2, cos, hypot, isfinite, sin

from .errors import GeometryError

Point = tuple[float, float]


def as_point(value: Point, what: str = "point") -> Point:
    """Return the value as a pair of finite floats.

    Raises:
        GeometryError: If it is not a pair of finite numbers.
    """
    try:
        x, y = value
        point = (float(x), float(y))
    except (TypeError, ValueError):
        raise GeometryError(f"{what} must be a pair of numbers, found {value!r}") from None
    if not (isfinite(point[0]) and isfinite(point[1])):
        raise GeometryError(f"{what} must be finite, found {point!r}")
    return point


def add(a: Point, b: Point) -> Point:
    """Return a + b."""
    return (a[0] + b[0], a[1] + b[1])


def subtract(a: Point, b: Point) -> Point:
    """Return a − b."""
    return (a[0] - b[0], a[1] - b[1])


def scale(a: Point, factor: float) -> Point:
    """Return the vector times the factor."""
    return (a[0] * factor, a[1] * factor)


def shifted(origin: Point, direction: Point, distance: float) -> Point:
    """Return the point at `distance` times `direction` from the origin."""
    return (origin[0] + direction[0] * distance, origin[1] + direction[1] * distance)


def dot(a: Point, b: Point) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1]


def cross(a: Point, b: Point) -> float:
    """Return the z component of the vector product; positive if b lies to the left of a."""
    return a[0] * b[1] - a[1] * b[0]


def norm(a: Point) -> float:
    """Return the length of the vector."""
    return hypot(a[0], a[1])


def unit(a: Point) -> Point:
    """Return the vector scaled to length 1.

    Raises:
        GeometryError: If the vector has no length.
    """
    size = hypot(a[0], a[1])
    if size == 0.0:
        raise GeometryError("a vector of length 0 has no direction")
    return (a[0] / size, a[1] / size)


def left_normal(a: Point) -> Point:
    """Return the vector turned a quarter to the left."""
    return (-a[1], a[0])


def rotate(a: Point, radians: float, about: Point = (0.0, 0.0)) -> Point:
    """Return the point turned counter-clockwise by an angle in radians."""
    c, s = cos(radians), sin(radians)
    x, y = a[0] - about[0], a[1] - about[1]
    return (about[0] + c * x - s * y, about[1] + s * x + c * y)


def distance(a: Point, b: Point) -> float:
    """Return the distance between two points in mm."""
    return hypot(b[0] - a[0], b[1] - a[1])


def lerp(a: Point, b: Point, t: float) -> Point:
    """Return the point at the fraction t of the way from a to b."""
    return (a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t)


def midpoint(a: Point, b: Point) -> Point:
    """Return the point half-way between a and b."""
    return (0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]))


def signed_angle(a: Point, b: Point) -> float:
    """Return the angle in radians, −π to π, through which a turns left into the direction of b."""
    return atan2(cross(a, b), dot(a, b))
