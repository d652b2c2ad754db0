"""Similarities of the plane: they keep lines lines and arcs arcs."""

from __future__ import annotations

from cmath import isfinite, phase
from dataclasses import dataclass
from math import cos, degrees, radians, sin
from math import isfinite as is_finite_number

from .errors import GeometryError
from .vector import Point, as_point

# Exact values, so that four quarter turns return every coordinate bit for bit.
_QUARTER_TURNS = {0.0: 1 + 0j, 90.0: 1j, 180.0: -1 + 0j, 270.0: -1j}


@dataclass(frozen=True)
class Transform:
    """A similarity z → factor·z + shift of the complex plane, of the conjugate of z if it mirrors.

    Attributes:
        factor: Rotation and scale as a complex number.
        shift: Translation in mm as a complex number.
        mirrors: Whether the similarity reverses the sense of rotation.
    """

    factor: complex = 1 + 0j
    shift: complex = 0j
    mirrors: bool = False

    def __post_init__(self) -> None:
        if not (isfinite(self.factor) and isfinite(self.shift)) or self.factor == 0:
            raise GeometryError(f"not a similarity: factor {self.factor}, shift {self.shift}")

    @classmethod
    def translation(cls, dx: float, dy: float) -> Transform:
        """Return the shift by (dx, dy) mm."""
        return cls(shift=complex(dx, dy))

    @classmethod
    def rotation(cls, angle: float, about: Point = (0.0, 0.0)) -> Transform:
        """Return the counter-clockwise turn by an angle in degrees about a point.

        Raises:
            GeometryError: If the angle or the point is not finite.
        """
        if not is_finite_number(angle):
            raise GeometryError(f"an angle of rotation must be finite, found {angle!r}")
        factor = _QUARTER_TURNS.get(angle % 360.0)
        if factor is None:
            factor = complex(cos(radians(angle)), sin(radians(angle)))
        centre = complex(*as_point(about, "centre of rotation"))
        return cls(factor=factor, shift=centre - factor * centre)

    @classmethod
    def mirror_x(cls, about_x: float = 0.0) -> Transform:
        """Return the reflection x → 2·about_x − x in an upright line."""
        return cls(factor=-1 + 0j, shift=complex(2.0 * about_x, 0.0), mirrors=True)

    @classmethod
    def scaling(cls, k: float) -> Transform:
        """Return the uniform scaling about the origin.

        Raises:
            GeometryError: If k is not positive.
        """
        if not k > 0.0:
            raise GeometryError(f"a scale must be positive, found {k!r}")
        return cls(factor=complex(k, 0.0))

    @property
    def scale(self) -> float:
        """The factor by which lengths grow."""
        return abs(self.factor)

    @property
    def angle(self) -> float:
        """The direction in degrees, counter-clockwise, into which the x axis turns."""
        return degrees(phase(self.factor))

    def then(self, other: Transform) -> Transform:
        """Return the transform that applies this one first and the other second."""
        factor, shift = self.factor, self.shift
        if other.mirrors:
            factor, shift = factor.conjugate(), shift.conjugate()
        return Transform(
            other.factor * factor, other.factor * shift + other.shift, self.mirrors is not other.mirrors
        )

    def inverse(self) -> Transform:
        """Return the transform that undoes this one."""
        factor, shift = 1.0 / self.factor, -self.shift / self.factor
        if self.mirrors:
            factor, shift = factor.conjugate(), shift.conjugate()
        return Transform(factor, shift, self.mirrors)

    def apply(self, point: Point) -> Point:
        """Return the image of a point."""
        z = complex(point[0], -point[1] if self.mirrors else point[1])
        image = self.factor * z + self.shift
        return (image.real, image.imag)
