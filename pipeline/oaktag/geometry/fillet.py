"""Rounded corners: arcs tangent to two paths that meet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, isfinite, pi, tan
from typing import Literal

from .bezier import derivative, evaluate
from .box import Box
from .curve import Curve
from .errors import FilletError, GeometryError
from .intersect import intersections
from .path import Path, Segment
from .segments import Arc, Line
from .station import TOLERANCE
from .vector import Point, cross, distance, left_normal, midpoint, norm, shifted, signed_angle, subtract, unit

# A side keeps at least this many mm, so that it stays a path.
_REMAINS = 1e-3
# Below this turn in radians the two paths run on into each other.
_STRAIGHT = 1e-6
# How many smaller radii are tried when one does not fit.
_TRIALS = 32
# How many chords stand for the parallel of a curve, at least.
_CHORDS = 24


@dataclass(frozen=True)
class Fillet:
    """A rounded corner.

    Attributes:
        first: What is left of the path before the corner.
        arc: The arc, from the end of `first` to the start of `second`.
        second: What is left of the path after the corner.
        tangent_length_first: Length in mm taken from the first path, measured along it.
        tangent_length_second: Length in mm taken from the second path, measured along it.
        reflex: Whether the corner turns away from the inside of the outline.
    """

    first: Path
    arc: Arc
    second: Path
    tangent_length_first: float
    tangent_length_second: float
    reflex: bool


def round_corner(first: Path, second: Path, radius: float, inside: Literal["left", "right"]) -> Fillet:
    """Return the corner between two paths rounded by an arc tangent to both.

    The arc lies in the angle between the two tangents, whichever way the corner turns. Between lines the
    tangent length is R·tan(Δ/2), Δ being the turn (simple circular curve); otherwise the centre is where the
    parallels at distance R meet. The arc may use up whole segments, but leaves 0.001 mm of each path.

    Args:
        first: The path that ends at the corner.
        second: The path that starts at the corner.
        radius: Radius in mm.
        inside: Side of travel on which the outline's inside lies; tells `Fillet.reflex`.

    Raises:
        GeometryError: If the paths do not meet or an argument is out of range.
        FilletError: If no such arc fits; says which radius would.
    """
    if inside not in ("left", "right"):
        raise GeometryError(f'inside must be "left" or "right", found {inside!r}')
    if not (radius > 0.0 and isfinite(radius)):
        raise GeometryError(f"a radius must be a positive number of mm, found {radius!r}")
    if distance(first.end, second.start) > TOLERANCE:
        raise GeometryError(
            f"the first path ends at {first.end}, the second starts at {second.start}: no corner"
        )
    turn = signed_angle(first.tangent_before(first.length), second.tangent_at(0.0))
    if abs(turn) <= _STRAIGHT:
        raise FilletError(0.0, "the two paths run on into each other: there is no corner to round")
    reflex = (turn > 0.0) is not (inside == "left")
    found = _fit(first, second, radius, turn)
    if found is None:
        raise _too_large(first, second, radius, turn)
    s, t, center = found
    kept_first = first.between(0.0, s)
    kept_second = second.between(t, second.length)
    arc = Arc(kept_first.end, kept_second.start, center, radius, clockwise=turn < 0.0)
    return Fillet(kept_first, arc, kept_second, first.length - s, t, reflex)


def _fit(first: Path, second: Path, radius: float, turn: float) -> tuple[float, float, Point] | None:
    """Return the stations of both tangent points and the centre, None if no arc fits."""
    before, after = first.segments[-1], second.segments[0]
    side = 1.0 if turn > 0.0 else -1.0
    if isinstance(before, Line) and isinstance(after, Line):
        alone = len(first.segments) == len(second.segments) == 1
        length = radius * tan(0.5 * abs(turn)) if abs(turn) < pi - _STRAIGHT else float("inf")
        room_first = before.length - (_REMAINS if len(first.segments) == 1 else 0.0)
        room_second = after.length - (_REMAINS if len(second.segments) == 1 else 0.0)
        if length <= room_first and length <= room_second:
            s = first.length - length
            center = shifted(first.point_at(s), left_normal(before.direction), side * radius)
            if alone or _is_clear(first, second, s, length, center, radius, side):
                return s, length, center
        if alone:
            return None
    return _general(first, second, radius, side)


def _general(first: Path, second: Path, radius: float, side: float) -> tuple[float, float, Point] | None:
    """Return the fit between any segments that takes least from the two paths."""
    options: list[tuple[float, float, float, Point]] = []
    for i in range(len(first.segments) - 1, -1, -1):
        used_first = first.length - first.joints[i] - first.segments[i].length
        if options and min(options)[0] <= used_first:
            break
        for j, other in enumerate(second.segments):
            if options and min(options)[0] <= used_first + second.joints[j]:
                break
            for s, t, center in _centers(first.segments[i], other, side * radius):
                station, stop = first.joints[i] + s, second.joints[j] + t
                if station < _REMAINS or stop > second.length - _REMAINS:
                    continue
                if _is_clear(first, second, station, stop, center, radius, side):
                    options.append((first.length - station + stop, station, stop, center))
    return min(options)[1:] if options else None


def _centers(first: Segment, second: Segment, offset: float) -> Iterator[tuple[float, float, Point]]:
    """Yield stations and centre of the circles tangent to both on the side of the offset."""
    others = _parallels(second, offset)
    for one in _parallels(first, offset):
        for other in others:
            if not one.box.overlaps(other.box, TOLERANCE):
                continue
            for s, t, _ in intersections(one.moved, other.moved):
                refined = _refined(first, second, one.station(s), other.station(t), offset)
                if refined is not None:
                    yield refined


@dataclass(frozen=True)
class _Stretch:
    """A stretch of the parallel of a segment: the whole of a line's or arc's, a chord of a curve's.

    Attributes:
        original: The segment.
        moved: The stretch.
        box: Its box.
        piece: Number of the curve's piece.
        t0: Parameter of the piece where the stretch starts.
        t1: Parameter of the piece where it ends.
    """

    original: Segment
    moved: Line | Arc
    box: Box
    piece: int = 0
    t0: float = 0.0
    t1: float = 1.0

    def station(self, s: float) -> float:
        """Return the station on the original that belongs to one on the stretch, near enough for a start."""
        share = s / self.moved.length
        if isinstance(self.original, Curve):
            return self.original.station(self.piece, self.t0 + share * (self.t1 - self.t0))
        return share * self.original.length


def _parallels(segment: Segment, offset: float) -> list[_Stretch]:
    """Return the parallel of a segment in stretches."""
    if not isinstance(segment, Curve):
        try:
            moved = segment.offset(offset)
        except GeometryError:
            # The circle is wider than the arc: it can't touch it from inside.
            return []
        return [_Stretch(segment, moved, moved.bounds)]
    # Short chords are good enough to start Newton's method from, also near the cusps of the parallel.
    count = max(2, ceil(_CHORDS / len(segment.beziers)))
    found: list[_Stretch] = []
    for number, piece in enumerate(segment.beziers):
        normals = [left_normal(unit(derivative(piece, k / count))) for k in range(count + 1)]
        points = [shifted(evaluate(piece, k / count), normals[k], offset) for k in range(count + 1)]
        for k in range(count):
            if distance(points[k], points[k + 1]) > TOLERANCE:
                chord = Line(points[k], points[k + 1])
                found.append(_Stretch(segment, chord, chord.bounds, number, k / count, (k + 1) / count))
    return found


def _refined(
    first: Segment, second: Segment, s: float, t: float, offset: float
) -> tuple[float, float, Point] | None:
    """Return stations and centre where the two normals of length |offset| end in one point (Newton)."""
    for _ in range(25):
        s, t = min(max(s, 0.0), first.length), min(max(t, 0.0), second.length)
        u, v = first.tangent_at(s), second.tangent_at(t)
        here = shifted(first.point_at(s), left_normal(u), offset)
        there = shifted(second.point_at(t), left_normal(v), offset)
        off = subtract(there, here)
        speed_s = 1.0 - offset * first.curvature_at(s)
        speed_t = 1.0 - offset * second.curvature_at(t)
        if speed_s <= 0.0 or speed_t <= 0.0:
            # The path bends tighter than the circle: it would cut through it.
            return None
        if norm(off) < 1e-11:
            return s, t, midpoint(here, there)
        sine = cross(u, v)
        if sine == 0.0:
            return None
        s += cross(off, v) / (sine * speed_s)
        t += cross(off, u) / (sine * speed_t)
    return (s, t, midpoint(here, there)) if norm(off) < 1e-9 else None


def _is_clear(
    first: Path, second: Path, s: float, t: float, center: Point, radius: float, side: float
) -> bool:
    """Return whether the arc turns the right way by less than a half circle and meets neither path again."""
    start, end = first.point_at(s), second.point_at(t)
    if distance(start, end) <= TOLERANCE:
        return False
    arc = Arc(start, end, center, radius, clockwise=side < 0.0)
    if abs(arc.sweep) >= pi:
        return False
    for path in (first.between(0.0, s), second.between(t, second.length)):
        for station, _, _ in intersections(arc, path):
            if 1e-4 < station < arc.length - 1e-4:
                return False
    return True


def _too_large(first: Path, second: Path, radius: float, turn: float) -> FilletError:
    """Return the refusal with the largest radius that fits."""
    low = _largest(first, second, radius, turn)
    where = (
        f"the corner ({first.end[0]:.3f}, {first.end[1]:.3f}), which has {first.length:.3f} mm before"
        f" and {second.length:.3f} mm after it"
    )
    if isinstance(first.segments[-1], Line) and isinstance(second.segments[0], Line):
        needed = radius * tan(0.5 * abs(turn))
        return FilletError(low, f"a radius of {radius:g} mm takes {needed:.3f} mm of both sides of {where}")
    return FilletError(low, f"no arc of radius {radius:g} mm is tangent to both sides of {where}")


def _largest(first: Path, second: Path, radius: float, turn: float) -> float:
    """Return the largest radius below a given one that fits, to 0.002 mm, 0 if there is none.

    Between two lines in closed form. Otherwise what fits need not be one range (a side may have corners of
    its own), so radii are tried downward in even steps, then the step is halved.
    """
    if len(first.segments) == len(second.segments) == 1 and (
        isinstance(first.segments[0], Line) and isinstance(second.segments[0], Line)
    ):
        room = min(first.length, second.length) - _REMAINS
        largest = (1.0 - 1e-12) * room / tan(0.5 * abs(turn)) if abs(turn) < pi - _STRAIGHT else 0.0
        return max(largest, 0.0)
    # An arc much wider than the sides are long would have to turn less than the corner does.
    top = min(radius, 4.0 * (first.length + second.length) / abs(turn))
    step = top / _TRIALS
    low, high = 0.0, step
    for k in range(_TRIALS, 0, -1):
        if k * step < radius and _fit(first, second, k * step, turn) is not None:
            low, high = k * step, min((k + 1) * step, radius)
            break
    while high - low > 2e-3:
        middle = 0.5 * (low + high)
        if _fit(first, second, middle, turn) is None:
            high = middle
        else:
            low = middle
    return low
