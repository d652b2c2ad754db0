"""Boxes parallel to the axes."""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot
from typing import NamedTuple

from .errors import GeometryError
from .vector import Point


class Box(NamedTuple):
    """A rectangle parallel to the axes, in mm."""

    min_x: float
    min_y: float
    max_x: float
    max_y: float

    @classmethod
    def around(cls, points: Iterable[Point]) -> Box:
        """Return the smallest box that holds the points.

        Raises:
            GeometryError: If there are no points.
        """
        pairs = tuple(points)
        if not pairs:
            raise GeometryError("no points, no box")
        xs = [point[0] for point in pairs]
        ys = [point[1] for point in pairs]
        return cls(min(xs), min(ys), max(xs), max(ys))

    @property
    def width(self) -> float:
        """Extent along x in mm."""
        return self.max_x - self.min_x

    @property
    def height(self) -> float:
        """Extent along y in mm."""
        return self.max_y - self.min_y

    @property
    def centre(self) -> Point:
        """The point in the middle."""
        return (0.5 * (self.min_x + self.max_x), 0.5 * (self.min_y + self.max_y))

    def union(self, other: Box) -> Box:
        """Return the smallest box that holds both."""
        return Box(
            min(self.min_x, other.min_x),
            min(self.min_y, other.min_y),
            max(self.max_x, other.max_x),
            max(self.max_y, other.max_y),
        )

    def expanded(self, d: float) -> Box:
        """Return the box grown by d mm on every side (shrunk if d is negative).

        Raises:
            GeometryError: If a negative d leaves nothing.
        """
        grown = Box(self.min_x - d, self.min_y - d, self.max_x + d, self.max_y + d)
        if grown.width < 0.0 or grown.height < 0.0:
            raise GeometryError(
                f"a box of {self.width:g} x {self.height:g} mm can't shrink by {-d:g} mm a side"
            )
        return grown

    def overlaps(self, other: Box, margin: float = 0.0) -> bool:
        """Return whether the boxes come within `margin` mm of each other, along both axes."""
        return (
            self.min_x <= other.max_x + margin
            and other.min_x <= self.max_x + margin
            and self.min_y <= other.max_y + margin
            and other.min_y <= self.max_y + margin
        )

    def contains(self, point: Point, margin: float = 0.0) -> bool:
        """Return whether the point lies in the box or within `margin` mm of it, along both axes."""
        return (
            self.min_x - margin <= point[0] <= self.max_x + margin
            and self.min_y - margin <= point[1] <= self.max_y + margin
        )

    def distance(self, point: Point) -> float:
        """Return the distance in mm from the point to the box, 0 inside."""
        dx = max(self.min_x - point[0], 0.0, point[0] - self.max_x)
        dy = max(self.min_y - point[1], 0.0, point[1] - self.max_y)
        return hypot(dx, dy)
