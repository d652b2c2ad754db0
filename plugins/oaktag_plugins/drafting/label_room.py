"""Looking for room on a piece: where a rectangle fits that is clear of everything else.

A lattice finds the places quickly; that a place is really clear is then checked on the polygon itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import ceil, cos, radians, sin
from typing import TYPE_CHECKING

from oaktag.geometry import Point

if TYPE_CHECKING:
    from numpy import bool_, float64, int32
    from numpy.typing import NDArray
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

_COLUMNS, _ROWS = 160, 96  # of the lattice
_FINEST = 0.5  # mm between lattice points; finer gains nothing that a maker sees
_TRIES = 12  # places that are checked exactly before a rectangle is given up


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A rectangle about its middle: sides in mm, turned by degrees counter-clockwise."""

    middle: Point
    width: float
    height: float
    angle: float

    def place(self, along: float, up: float) -> Point:
        """A point given by its distances in mm from the middle, along the lines and square to them."""
        c, s = cos(radians(self.angle)), sin(radians(self.angle))
        return self.middle[0] + c * along - s * up, self.middle[1] + s * along + c * up

    def polygon(self, grown: float = 0.0) -> Polygon:
        """The rectangle as a shapely polygon, `grown` mm larger on every side."""
        from shapely import Polygon

        x, y = 0.5 * self.width + grown, 0.5 * self.height + grown
        return Polygon([self.place(-x, -y), self.place(x, -y), self.place(x, y), self.place(-x, y)])


@dataclass(frozen=True, eq=False)
class _Lattice:
    """Points over a region that is turned so that the rectangles to be placed lie along the axes.

    Attributes:
        x0, y0: the first point, mm.
        step_x, step_y: mm between points.
        sums: how many points outside the region lie before a row and a column, one more than there are.
    """

    x0: float
    y0: float
    step_x: float
    step_y: float
    sums: NDArray[int32]

    def places(self, width: float, height: float) -> tuple[NDArray[bool_], float, float]:
        """Which rectangles of a size have no point outside the region under them or next to them.

        Returns:
            An array over rows and columns, and the middle of its first rectangle.
        """
        across, up = ceil(width / self.step_x) + 1, ceil(height / self.step_y) + 1
        s = self.sums
        if across >= s.shape[1] or up >= s.shape[0]:
            return s[:0, :0] == 0, 0.0, 0.0
        outside = s[up:, across:] - s[:-up, across:] - s[up:, :-across] + s[:-up, :-across]
        return (
            outside == 0,
            self.x0 + 0.5 * (across - 1) * self.step_x,
            self.y0 + 0.5 * (up - 1) * self.step_y,
        )


class Room:
    """What is free on a piece.

    Args:
        free: the region that may be used; may be empty or in several parts.
    """

    def __init__(self, free: BaseGeometry) -> None:
        self.free = free
        self._lattices: dict[float, _Lattice | None] = {}

    @cached_property
    def middle(self) -> Point:
        """The centroid, or where that isn't in the region, a point that is; the origin if nothing is free."""
        if self.free.is_empty:
            return 0.0, 0.0
        centre = self.free.centroid
        if self.free.contains(centre):
            return centre.x, centre.y
        inside = self.free.representative_point()
        return inside.x, inside.y

    def without(self, rectangle: Rectangle, gap: float) -> Room:
        """The room that is left beside a rectangle, `gap` mm away from it."""
        return Room(self.free.difference(rectangle.polygon(gap)))

    def within(self, region: BaseGeometry) -> Room:
        """The part of the room that lies in a region."""
        return Room(self.free.intersection(region))

    def extent(self, angle: float) -> float:
        """Length in mm of the region in a direction in degrees."""
        import shapely

        if self.free.is_empty:
            return 0.0
        c, s = cos(radians(angle)), sin(radians(angle))
        along = shapely.get_coordinates(self.free) @ (c, s)
        return float(along.max() - along.min())

    def find(self, width: float, height: float, angle: float, wish: Point) -> Rectangle | None:
        """The rectangle of a size and direction that lies in the region and nearest to a wished place.

        Args:
            width: along the direction, mm.
            height: square to it, mm.
            angle: of the direction, degrees.
            wish: where its middle should be.
        """
        import numpy as np

        lattice = self._lattice(angle)
        if lattice is None:
            return None
        fits, x0, y0 = lattice.places(width, height)
        if not fits.any():
            return None
        c, s = cos(radians(angle)), sin(radians(angle))
        wish_x, wish_y = wish[0] * c + wish[1] * s, wish[1] * c - wish[0] * s
        away_x = x0 + lattice.step_x * np.arange(fits.shape[1]) - wish_x
        away_y = y0 + lattice.step_y * np.arange(fits.shape[0]) - wish_y
        away = np.where(fits, away_x**2 + (away_y**2)[:, None], np.inf)
        for _ in range(_TRIES):
            row, column = divmod(int(away.argmin()), away.shape[1])
            if not np.isfinite(away[row, column]):
                return None
            x, y = x0 + column * lattice.step_x, y0 + row * lattice.step_y
            found = Rectangle((x * c - y * s, x * s + y * c), width, height, angle)
            outside = found.polygon().difference(self.free)
            if outside.is_empty:
                return found
            # Something finer than the lattice is in the way, and so of every rectangle that covers it.
            spot = outside.representative_point()
            off_x = x0 + lattice.step_x * np.arange(fits.shape[1]) - (spot.x * c + spot.y * s)
            off_y = y0 + lattice.step_y * np.arange(fits.shape[0]) - (spot.y * c - spot.x * s)
            covers = np.outer(abs(off_y) < 0.5 * height, abs(off_x) < 0.5 * width)
            away[covers] = np.inf
            away[row, column] = np.inf
        return None

    def _lattice(self, angle: float) -> _Lattice | None:
        if angle not in self._lattices:
            self._lattices[angle] = self._laid(angle)
        return self._lattices[angle]

    def _laid(self, angle: float) -> _Lattice | None:
        import numpy as np
        import shapely

        if self.free.is_empty:
            return None
        c, s = cos(radians(angle)), sin(radians(angle))
        starts: list[NDArray[float64]] = []
        ends: list[NDArray[float64]] = []
        for part in shapely.get_parts(self.free):
            for ring in shapely.get_rings(part):
                points = shapely.get_coordinates(ring)
                turned = points @ np.array([[c, -s], [s, c]])
                starts.append(turned[:-1])
                ends.append(turned[1:])
        if not starts:
            return None
        a, b = np.concatenate(starts), np.concatenate(ends)
        low, high = a.min(axis=0), a.max(axis=0)
        step_x = max(_FINEST, float(high[0] - low[0]) / _COLUMNS)
        step_y = max(_FINEST, float(high[1] - low[1]) / _ROWS)
        columns = ceil((high[0] - low[0]) / step_x) + 1
        rows = ceil((high[1] - low[1]) / step_y) + 1
        # A point is inside if an odd number of sides lie to its left (even-odd rule).
        y = low[1] + step_y * np.arange(rows)
        crossed = (a[:, 1, None] <= y) != (b[:, 1, None] <= y)
        side, row = np.nonzero(crossed)
        share = (y[row] - a[side, 1]) / (b[side, 1] - a[side, 1])
        x = a[side, 0] + share * (b[side, 0] - a[side, 0])
        column = np.ceil((x - low[0]) / step_x).astype(int).clip(0, columns)
        toggles = np.zeros((rows, columns + 1), dtype=np.int32)
        np.add.at(toggles, (row, column), 1)
        outside = 1 - np.cumsum(toggles[:, :columns], axis=1, dtype=np.int32) % 2
        sums = np.zeros((rows + 1, columns + 1), dtype=np.int32)
        sums[1:, 1:] = outside.cumsum(axis=0).cumsum(axis=1)
        return _Lattice(float(low[0]), float(low[1]), step_x, step_y, sums)
