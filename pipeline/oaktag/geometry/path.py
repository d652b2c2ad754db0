"""Paths: segments that follow each other."""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import floor
from typing import TYPE_CHECKING

from .box import Box
from .curve import Curve
from .errors import GeometryError
from .segments import Arc, Line
from .station import TOLERANCE, Immutable, on_length
from .transform import Transform
from .vector import Point, as_point, distance

if TYPE_CHECKING:
    from shapely import Polygon

Segment = Line | Arc | Curve


@dataclass(frozen=True)
class Path(Immutable):
    """Segments in order, each starting where the one before ends.

    A station is the arc length from the start in mm. Stations closer than 1e-6 mm to a joint mean the joint.

    Attributes:
        segments: The segments, at least one.

    Raises:
        GeometryError: If there are no segments or two neighbours are more than 1e-6 mm apart.
    """

    segments: tuple[Segment, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "segments", tuple(self.segments))
        if not self.segments:
            raise GeometryError("a path needs at least one segment")
        for number, (before, after) in enumerate(
            zip(self.segments, self.segments[1:], strict=False), start=1
        ):
            gap = distance(before.end, after.start)
            if gap > TOLERANCE:
                raise GeometryError(
                    f"a path is broken: segment {number - 1} ends at {before.end}, segment {number} starts at"
                    f" {after.start}, {gap:.6g} mm away"
                )

    @classmethod
    def polyline(cls, points: Sequence[Point], closed: bool = False) -> Path:
        """Return the path of lines through the points.

        Args:
            points: At least two, neighbours different.
            closed: Whether to return to the first point. A last point that repeats the first adds nothing.

        Raises:
            GeometryError: If there are too few points or neighbours coincide.
        """
        nodes = [as_point(point) for point in points]
        if len(nodes) < 2:
            raise GeometryError(f"a polyline needs at least two points, found {len(nodes)}")
        if closed and distance(nodes[0], nodes[-1]) > TOLERANCE:
            nodes.append(nodes[0])
        return cls(tuple(Line(a, b) for a, b in itertools.pairwise(nodes)))

    @property
    def start(self) -> Point:
        """First point."""
        return self.segments[0].start

    @property
    def end(self) -> Point:
        """Last point."""
        return self.segments[-1].end

    @cached_property
    def closed(self) -> bool:
        """Whether the path ends where it starts."""
        return distance(self.start, self.end) <= TOLERANCE

    @cached_property
    def joints(self) -> tuple[float, ...]:
        """Stations where the segments start."""
        return self._stations[:-1]

    @cached_property
    def _stations(self) -> tuple[float, ...]:
        stations = [0.0]
        for segment in self.segments:
            stations.append(stations[-1] + segment.length)
        return tuple(stations)

    @property
    def length(self) -> float:
        """Length in mm."""
        return self._stations[-1]

    @cached_property
    def bounds(self) -> Box:
        """The smallest box around the path."""
        box = self.segments[0].bounds
        for segment in self.segments[1:]:
            box = box.union(segment.bounds)
        return box

    @cached_property
    def area(self) -> float:
        """Enclosed area in mm², positive if travelled counter-clockwise.

        Raises:
            GeometryError: If the path is open.
        """
        self._need_closed("has no area")
        return sum(segment.area_term for segment in self.segments)

    @property
    def clockwise(self) -> bool:
        """Whether the path goes round clockwise.

        Raises:
            GeometryError: If the path is open.
        """
        return self.area < 0.0

    def _need_closed(self, what: str) -> None:
        if not self.closed:
            raise GeometryError(f"an open path, from {self.start} to {self.end}, {what}")

    def _place(self, s: float) -> tuple[int, float]:
        """Return the segment and its own station; at a joint, of the segment that starts there."""
        s = on_length(s, self.length)
        number = min(bisect_right(self._stations, s + TOLERANCE) - 1, len(self.segments) - 1)
        segment = self.segments[number]
        return number, min(max(s - self._stations[number], 0.0), segment.length)

    def point_at(self, s: float) -> Point:
        """Return the point at station s.

        Raises:
            GeometryError: If s is not on the path.
        """
        number, local = self._place(s)
        return self.segments[number].point_at(local)

    def tangent_at(self, s: float) -> Point:
        """Return the unit tangent at station s, at a joint that of the segment that starts there.

        On a closed path the first segment starts at the end.

        Raises:
            GeometryError: If s is not on the path.
        """
        number, local = self._place(s)
        if self.closed and s >= self.length - TOLERANCE:
            number, local = 0, 0.0
        return self.segments[number].tangent_at(local)

    def tangent_before(self, s: float) -> Point:
        """Return the unit tangent at station s, at a joint that of the segment that ends there.

        On a closed path the last segment ends at the start.

        Raises:
            GeometryError: If s is not on the path.
        """
        number, local = self._place(s)
        if local <= TOLERANCE and (number > 0 or self.closed):
            before = self.segments[number - 1]
            return before.tangent_at(before.length)
        return self.segments[number].tangent_at(local)

    def curvature_at(self, s: float) -> float:
        """Return the curvature at station s in 1/mm, at a joint that of the segment that starts there.

        Raises:
            GeometryError: If s is not on the path.
        """
        number, local = self._place(s)
        return self.segments[number].curvature_at(local)

    def split(self, s: float) -> tuple[Path, Path]:
        """Return the parts before and after station s.

        Raises:
            GeometryError: If s is not inside the path.
        """
        if not TOLERANCE < s < self.length - TOLERANCE:
            raise GeometryError(
                f"station {s!r} does not divide the length from 0 to {self.length!r} mm in two"
            )
        return self._cut(0.0, s), self._cut(s, self.length)

    def between(self, s0: float, s1: float) -> Path:
        """Return the part from station s0 to s1.

        On a closed path both may be any stations, s1 up to one length beyond s0; s1 past the length runs on
        over the start.

        Raises:
            GeometryError: If a station is not on the path or nothing lies between them.
        """
        if not s1 - s0 > TOLERANCE:
            hint = "; to pass the start of a closed path, add its length to the second" if self.closed else ""
            raise GeometryError(f"nothing lies between stations {s0!r} and {s1!r} mm, in this order{hint}")
        if not self.closed:
            return self._cut(on_length(s0, self.length), on_length(s1, self.length))
        if s1 - s0 > self.length + TOLERANCE:
            raise GeometryError(f"{s0!r} to {s1!r} mm is more than once round a path of {self.length!r} mm")
        turns = floor((s0 + TOLERANCE) / self.length)
        first = max(s0 - turns * self.length, 0.0)
        last = min(s1 - turns * self.length, first + self.length)
        if last <= self.length + TOLERANCE:
            return self._cut(first, min(last, self.length))
        over = last - self.length
        return self._cut(first, self.length).joined(self._cut(0.0, over))

    def _cut(self, s0: float, s1: float) -> Path:
        """Return the part between two stations on the length, without slivers at joints."""
        kept: list[Segment] = []
        for number, segment in enumerate(self.segments):
            begin, end = self._stations[number], self._stations[number + 1]
            low = max(s0 - begin, 0.0)
            high = min(s1 - begin, segment.length)
            if low <= TOLERANCE:
                low = 0.0
            if high >= segment.length - TOLERANCE:
                high = segment.length
            if high - low <= TOLERANCE and not (
                low == 0.0 and high == segment.length and s0 <= begin and end <= s1
            ):
                continue
            kept.append(segment if low == 0.0 and high == segment.length else segment.between(low, high))
        return Path(tuple(kept))

    def reversed(self) -> Path:
        """Return the path travelled the other way."""
        return Path(tuple(segment.reversed() for segment in reversed(self.segments)))

    def joined(self, other: Path) -> Path:
        """Return this path followed by the other.

        Raises:
            GeometryError: If the other does not start where this one ends.
        """
        return Path(self.segments + other.segments)

    def __add__(self, other: Path) -> Path:
        return self.joined(other)

    def flatten(self, chord_error: float) -> tuple[Point, ...]:
        """Return points on the path, both ends among them, whose chords stay within the chord error in mm.

        The last point of a closed path repeats the first.

        Raises:
            GeometryError: If the chord error is not positive.
        """
        points = [self.start]
        for segment in self.segments:
            points += segment.flatten(chord_error)[1:]
        if self.closed:
            points[-1] = points[0]
        return tuple(points)

    def transformed(self, transform: Transform) -> Path:
        """Return the image under a similarity; a mirror keeps the order of travel and turns its sense."""
        return Path(tuple(segment.transformed(transform) for segment in self.segments))

    def nearest(self, point: Point) -> tuple[float, float]:
        """Return station and distance in mm of the place nearest to the point."""
        order = sorted(
            (segment.bounds.distance(point), number) for number, segment in enumerate(self.segments)
        )
        best: tuple[float, float] | None = None
        for least, number in order:
            if best is not None and least > best[0]:
                break
            s, away = self.segments[number].nearest(point)
            found = (away, self._stations[number] + s)
            best = found if best is None else min(best, found)
        assert best is not None
        return best[1], best[0]

    def contains(self, point: Point) -> bool:
        """Return whether a closed path goes round the point; the path itself, to 1e-6 mm, counts as inside.

        Raises:
            GeometryError: If the path is open.
        """
        self._need_closed("contains nothing")
        if not self.bounds.contains(point, TOLERANCE):
            return False
        away = self.nearest(point)[1]
        if away <= TOLERANCE:
            return True
        # Chords nearer to the path than the point is can't pass to the other side of the point.
        x, y = point
        points = self.flatten(0.5 * away)
        winding = 0
        for (x0, y0), (x1, y1) in itertools.pairwise(points):
            if (y0 <= y) != (y1 <= y):
                left = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
                if y1 > y0 and left > 0.0:
                    winding += 1
                elif y1 < y0 and left < 0.0:
                    winding -= 1
        return winding != 0

    def is_simple(self, chord_error: float = 0.01) -> bool:
        """Return whether the path, flattened, neither crosses nor touches itself."""
        from shapely import LinearRing, LineString

        points = self.flatten(chord_error)
        if not self.closed:
            return bool(LineString(points).is_simple)
        return len(points) >= 4 and bool(LinearRing(points).is_simple)

    def polygon(self, chord_error: float = 0.01) -> Polygon:
        """Return the flattened closed path as a shapely polygon.

        Raises:
            GeometryError: If the path is open or encloses nothing.
        """
        from shapely import Polygon

        self._need_closed("is no polygon")
        points = self.flatten(chord_error)
        if len(points) < 4:
            raise GeometryError("a path there and back encloses nothing")
        return Polygon(points)
