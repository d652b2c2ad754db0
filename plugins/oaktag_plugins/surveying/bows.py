"""Sides of the opening along tubes that bend."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from math import sqrt

from oaktag import Refusal
from oaktag.geometry import Arc, Curve, Line, Path, Point, distance, intersections, left_normal, lerp, shifted
from oaktag.pattern import Bow, Frame

# Closer to a corner than this, mm, two sides meet there and don't cross.
_JOINT = 1e-3
# Offsets along a tube stand at least so far apart and from its ends, mm.
_APART = 1.0
# A tube that bends less than this, mm, is straight: less than any cloth or card can be cut to.
_STRAIGHT = 0.05
# Nor is there an arc of more than this radius, mm, to be told from a line.
_FLATTEST = 5e6


def bowed(points: Sequence[Point], frame: Frame) -> tuple[Path, ...]:
    """The sides of an opening, bent where the frame sheet says so.

    Lengths of tubes are pulled straight from corner to corner, and angles lie between those straight lines;
    a bow stands off its line without moving a corner. One offset makes the circular arc through it, several
    the smooth curve through them (a cubic spline with natural ends).

    Args:
        points: corners in mm, clockwise, in the order of the frame's.
        frame: its corners, tubes and bows.

    Returns:
        One path per tube, in their order, from its first corner to its second.

    Raises:
        Refusal: a bow is no bow of its tube, or makes sides cross.
    """
    bows = {bow.tube: bow for bow in frame.bows}
    ends = list(zip(points, (*points[1:], points[0]), strict=True))
    paths = tuple(
        Path((_side(start, end, bows.get(tube)),))
        for tube, (start, end) in zip(frame.tubes, ends, strict=True)
    )
    if bows and (pair := crossing(paths)) is not None:
        tubes = [frame.tubes[index] for index in pair]
        bow = next((bows[tube] for tube in tubes if tube in bows), frame.bows[0])
        raise Refusal(
            f"{' and '.join(dict.fromkeys(tubes))} cross once the tubes bend",
            key=bow.key,
            source="frame",
            found=_rises(bow),
            valid="a bend that leaves the opening open; positive is away from it",
            todo="check the sign of the rise and its unit",
        )
    return paths


def crossing(paths: Sequence[Path]) -> tuple[int, int] | None:
    """Which two sides of a closed outline cross, or touch beyond the corner that they share.

    Args:
        paths: the sides of an outline that is meant to run clockwise, in order.

    Returns:
        Their indices; the same twice for a side that crosses itself or turns the outline inside out; None if
        the outline is simple and clockwise.
    """
    count = len(paths)
    for i, path in enumerate(paths):
        if any(isinstance(segment, Curve) for segment in path.segments) and not path.is_simple():
            return i, i
    for i, j in itertools.combinations(range(count), 2):
        joints = [paths[a].end for a, b in ((i, j), (j, i)) if (a + 1) % count == b]
        for _, _, place in intersections(paths[i], paths[j]):
            if all(distance(place, joint) > _JOINT for joint in joints):
                return i, j
    if not Path(tuple(segment for path in paths for segment in path.segments)).clockwise:
        # Straight, it ran clockwise: the side that bends furthest inwards has passed the corners beyond it.
        inwards = [
            sum(s.area_term for s in path.segments) - Line(path.start, path.end).area_term for path in paths
        ]
        return (inwards.index(max(inwards)),) * 2
    return None


def _side(start: Point, end: Point, bow: Bow | None) -> Line | Arc | Curve:
    """One side from its first corner to its second; the opening lies to the right."""
    chord = Line(start, end)
    if bow is None:
        return chord
    places = [place.along(chord.length) for place, _ in bow.offsets]
    rises = [rise for _, rise in bow.offsets]
    _check(bow, chord.length, places)
    if max(map(abs, rises)) < max(_STRAIGHT, chord.length**2 / (8.0 * _FLATTEST)):
        return chord
    away = left_normal(chord.direction)
    through = [
        shifted(lerp(start, end, place / chord.length), away, rise)
        for place, rise in zip(places, rises, strict=True)
    ]
    if len(through) == 1:
        return Arc.through(start, through[0], end)
    return Curve.through((start, *through, end))


def _check(bow: Bow, length: float, places: Sequence[float]) -> None:
    """Refuse offsets that lie beyond the tube, in disorder, or too far off it."""
    several = len(places) > 1
    before = 0.0
    for index, (place, (_, rise)) in enumerate(zip(places, bow.offsets, strict=True)):
        key = f"{bow.key}.offsets[{index}]" if several else bow.key
        if not 0.0 < place < length:
            raise Refusal(
                "lies beyond the tube",
                key=key,
                source="frame",
                found=f"{place:.1f} mm along {bow.tube}",
                valid=f"between its corners, above 0 and below {length:.1f} mm",
                todo="correct the place, or read the tube again",
            )
        if place < before + _APART or length - place < _APART:
            raise Refusal(
                "is out of order, or too near to its neighbour",
                key=key,
                source="frame",
                found=f"{place:.1f} mm along {bow.tube}, after {before:.1f} mm",
                valid=f"places from the first corner to the second, {_APART:g} mm apart or more",
                todo="write the offsets in the order in which they lie along the tube",
            )
        # Thales: inside the half circle over the tube the bend is less than half a turn.
        most = sqrt(place * (length - place))
        if abs(rise) >= most:
            raise Refusal(
                "bends the tube by more than a half circle",
                key=key,
                source="frame",
                found=f"{rise:g} mm off the straight line",
                valid=f"less than {most:.1f} mm either way, {place:.1f} mm along {bow.tube}",
                todo="check the value and its unit",
            )
        before = place


def _rises(bow: Bow) -> str:
    return ", ".join(f"{rise:g} mm" for _, rise in bow.offsets)
