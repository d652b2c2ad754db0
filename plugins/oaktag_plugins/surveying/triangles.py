"""Plane triangles in closed form, from any three readings that determine one.

Side `i` joins corner `i` to corner `i + 1`, so it lies opposite corner `i + 2` (all modulo 3). Formulas: laws
of sines and cosines and half-angle formulas, any trigonometry textbook.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Optional3 = tuple[float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class Triangle:
    """A triangle: three sides, in the unit that they were given in, and three angles in degrees."""

    sides: tuple[float, float, float]
    angles: tuple[float, float, float]

    @property
    def area(self) -> float:
        """Area, by the sine of the first angle between the sides that meet there."""
        return 0.5 * self.sides[0] * self.sides[2] * math.sin(math.radians(self.angles[0]))


class TriangleError(ValueError):
    """No triangle has these sides and angles.

    Args:
        reason: why, in words.
        kind: whether the quantity that stands out is a `side` or an `angle`.
        index: which side or corner it is.
        found: its value.
        low: what it must be above, the two others taken as right.
        high: what it must be below.
    """

    def __init__(
        self,
        reason: str,
        *,
        kind: Literal["side", "angle"],
        index: int,
        found: float,
        low: float,
        high: float,
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.kind: Literal["side", "angle"] = kind
        self.index = index
        self.found = found
        self.low = low
        self.high = high


def determines(sides: Optional3, angles: Optional3) -> bool:
    """Whether the known quantities (not None) are exactly three, at least one of them a side."""
    known = sum(value is not None for value in (*sides, *angles))
    return known == 3 and any(side is not None for side in sides)


def solve_triangle(sides: Optional3, angles: Optional3) -> tuple[Triangle, ...]:
    """Every triangle with the three given quantities; the others are None.

    Args:
        sides: lengths, above 0.
        angles: degrees, between 0 and 180.

    Returns:
        One triangle; two for two sides and the angle opposite the shorter of them.

    Raises:
        TriangleError: no triangle has these quantities.
        ValueError: the quantities aren't three, or none of them is a side.
    """
    if not determines(sides, angles):
        raise ValueError("three quantities are needed, at least one of them a side")
    for index, angle in enumerate(angles):
        if angle is not None and not 0.0 < angle < 180.0:
            raise TriangleError(
                "an angle of a triangle lies between 0° and 180°",
                kind="angle", index=index, found=angle, low=0.0, high=180.0,
            )  # fmt: skip
    known_sides = [index for index in range(3) if sides[index] is not None]
    known_angles = [index for index in range(3) if angles[index] is not None]
    if len(known_sides) == 3:
        return (_three_sides(*(side for side in sides if side is not None)),)
    if len(known_sides) == 1:
        return (_one_side(known_sides[0], sides, known_angles, angles),)
    missing = next(index for index in range(3) if sides[index] is None)
    corner = known_angles[0]
    if (missing + 2) % 3 == corner:
        return (_two_sides_and_included(missing, sides, angles),)
    return _two_sides_and_opposite(missing, corner, sides, angles)


def _three_sides(a: float, b: float, c: float) -> Triangle:
    sides = (a, b, c)
    longest = max(range(3), key=lambda index: sides[index])
    others = [sides[index] for index in range(3) if index != longest]
    if sides[longest] >= sum(others):
        raise TriangleError(
            "the longest side is not shorter than the two others together",
            kind="side", index=longest, found=sides[longest],
            low=abs(others[0] - others[1]), high=sum(others),
        )  # fmt: skip
    half = sum(sides) / 2.0
    angles = []
    for corner in range(3):
        opposite, first, second = sides[(corner + 1) % 3], sides[corner], sides[(corner + 2) % 3]
        # The half-angle tangent keeps its accuracy where the law of cosines loses it, in thin triangles.
        angles.append(
            2.0 * math.atan2(math.sqrt((half - first) * (half - second)), math.sqrt(half * (half - opposite)))
        )
    return Triangle(sides, (math.degrees(angles[0]), math.degrees(angles[1]), math.degrees(angles[2])))


def _one_side(side: int, sides: Optional3, corners: list[int], angles: Optional3) -> Triangle:
    full: list[float] = [0.0, 0.0, 0.0]
    for corner in corners:
        full[corner] = angles[corner] or 0.0
    total = sum(full)
    if total >= 180.0:
        larger = max(corners, key=lambda corner: full[corner])
        raise TriangleError(
            "two angles of a triangle come to less than 180°",
            kind="angle", index=larger, found=full[larger], low=0.0, high=180.0 - (total - full[larger]),
        )  # fmt: skip
    full[3 - sum(corners)] = 180.0 - total
    return _from_angles(side, sides[side] or 0.0, full)


def _two_sides_and_included(missing: int, sides: Optional3, angles: Optional3) -> Triangle:
    corner = (missing + 2) % 3
    before, after = sides[(corner + 2) % 3] or 0.0, sides[corner] or 0.0
    angle = math.radians(angles[corner] or 0.0)
    third = math.hypot(before - after, 2.0 * math.sqrt(before * after) * math.sin(angle / 2.0))
    full = [before, before, before]
    full[corner], full[missing], full[(corner + 2) % 3] = after, third, before
    # From the components along and across one side, so that a right or obtuse angle needs no case of its own.
    at_end_of_after = math.degrees(math.atan2(before * math.sin(angle), after - before * math.cos(angle)))
    angles_full = [0.0, 0.0, 0.0]
    angles_full[corner] = math.degrees(angle)
    angles_full[(corner + 1) % 3] = at_end_of_after
    angles_full[(corner + 2) % 3] = 180.0 - math.degrees(angle) - at_end_of_after
    return Triangle((full[0], full[1], full[2]), (angles_full[0], angles_full[1], angles_full[2]))


def _two_sides_and_opposite(
    missing: int, corner: int, sides: Optional3, angles: Optional3
) -> tuple[Triangle, ...]:
    opposite = (corner + 1) % 3
    adjacent = 3 - missing - opposite
    a, b = sides[opposite] or 0.0, sides[adjacent] or 0.0
    angle = angles[corner] or 0.0
    height = b * math.sin(math.radians(angle))
    least = b if angle >= 90.0 else height
    # A right angle opposite `b` makes `a` the height itself, give or take its rounding.
    if a < least * (1.0 - 1e-12) or (angle >= 90.0 and a <= b):
        raise TriangleError(
            "the side opposite the known angle is too short to reach",
            kind="side", index=opposite, found=a, low=least, high=math.inf,
        )  # fmt: skip
    # The corner between `opposite` and `missing` is the one that faces `adjacent`.
    facing_adjacent = (adjacent + 2) % 3
    acute = math.degrees(math.asin(min(1.0, height / a)))
    triangles = []
    for other in sorted({acute, 180.0 - acute}):
        third = 180.0 - angle - other
        if third <= 0.0 or (other > acute and a >= b):
            continue
        full = [third, third, third]
        full[corner], full[facing_adjacent] = angle, other
        solved = _from_angles(opposite, a, full)
        exact = list(solved.sides)
        exact[adjacent] = b
        triangles.append(Triangle((exact[0], exact[1], exact[2]), solved.angles))
    return tuple(triangles)


def _from_angles(side: int, length: float, angles: list[float]) -> Triangle:
    # Law of sines; side `i` faces corner `i + 2`.
    diameter = length / math.sin(math.radians(angles[(side + 2) % 3]))
    full = [diameter * math.sin(math.radians(angles[(index + 2) % 3])) for index in range(3)]
    full[side] = length
    return Triangle((full[0], full[1], full[2]), (angles[0], angles[1], angles[2]))
