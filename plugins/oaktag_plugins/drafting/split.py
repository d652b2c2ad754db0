"""Cutting a closed outline in two along a straight line, with a strip of some width taken out between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oaktag.geometry import (
    Line,
    Path,
    Point,
    dot,
    intersections,
    left_normal,
    shifted,
    subtract,
    unit,
)
from oaktag.pattern import Edge

LEAST_PIECE = 10.0
"""Area in mm² below which a half is no piece of cloth."""

_REACH = 1e4  # mm; longer than any bag
_APART = 1e-6  # mm; two crossings no further apart are one


class SplitError(Exception):
    """The line can't cut the outline in two; `reason` says why, in words."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Half:
    """One side of a cut outline.

    Attributes:
        edges: closed, in the outline's own direction. The cut edge stands first; every other is the run of an
            edge of the outline, whose name is in `of`. Where an edge of the outline is cut in two and both
            ends belong to this half, the second is named after it with `-2`.
        cut: the cut edge.
    """

    edges: tuple[Edge, ...]
    cut: Edge


@dataclass(frozen=True, slots=True)
class Split:
    """A cut outline: what lies left and right of the line's direction, and the strip between.

    Attributes:
        left: half to the left of the direction.
        right: half to the right.
        strip: closed outline of what was taken out; None if nothing was.
    """

    left: Half
    right: Half
    strip: Path | None


def split_outline(
    edges: Sequence[Edge],
    origin: Point,
    direction: Point,
    width: float = 0.0,
    cut: str = "cut",
    least: float = LEAST_PIECE,
) -> Split:
    """Cut a closed outline along a line.

    Args:
        edges: closed, in order, either orientation.
        origin: a point on the line, mm.
        direction: of the line; needn't be of length 1.
        width: of the strip that is taken out, half on either side of the line, mm.
        cut: name of the new edge on both halves.
        least: smallest area of a half, mm²; 0 where what is cut off is thrown away.

    Returns:
        Both halves and the strip; areas of halves and strip add up to the outline's.

    Raises:
        SplitError: the line misses the outline, only touches it, runs along one of its edges, or crosses it
            more than twice; or the strip doesn't fit.
    """
    along = unit(direction)
    normal = left_normal(along)
    outline = Path(tuple(segment for edge in edges for segment in edge.path.segments))
    left_run = _run(outline, shifted(origin, normal, 0.5 * width), along, side=1.0)
    right_run = _run(outline, shifted(origin, normal, -0.5 * width), along, side=-1.0)
    left, right = (_half(edges, run, cut, least) for run in (left_run, right_run))
    strip: Path | None = None
    if width > 0.0:
        whole = outline.length
        ends = (
            outline.between(left_run[1] % whole, _after(right_run[0], left_run[1], whole)),
            outline.between(right_run[1] % whole, _after(left_run[0], right_run[1], whole)),
        )
        # The outline from the left half's end to the right half's start, and so on round.
        strip = ends[0] + right.cut.path.reversed() + ends[1] + left.cut.path.reversed()
    return Split(left, right, strip)


def _after(station: float, other: float, whole: float) -> float:
    """A station on a closed outline, counted so that it lies next after another one, mm."""
    return other % whole + (station - other) % whole


def _run(outline: Path, origin: Point, along: Point, side: float) -> tuple[float, float]:
    """The run of an outline that lies on one side of a line: to its left (1) or to its right (-1).

    Returns:
        Seam lengths in mm at which it begins and ends; the end is counted on past the whole where needed.
    """
    line = Line(shifted(origin, along, -_REACH), shifted(origin, along, _REACH))
    stations = _crossings(outline, line, outline.length)
    if len(stations) != 2:
        raise SplitError("it crosses the outline more than twice" if stations else "it misses the outline")
    first, second = stations
    middle = outline.point_at(0.5 * (first + second))
    if side * dot(subtract(middle, origin), left_normal(along)) < 0.0:
        return second, first + outline.length
    return first, second


def _half(edges: Sequence[Edge], run: tuple[float, float], cut: str, least: float) -> Half:
    """The edges along a run of the outline, closed by the cut edge."""
    first, second = run
    kept: list[Edge] = []
    used: dict[str, int] = {}
    start = 0.0
    for edge in (*edges, *edges):
        low, high = max(first, start), min(second, start + edge.length)
        if high - low > _APART:
            part = edge.path
            if low > start + _APART or high < start + edge.length - _APART:
                part = part.between(low - start, high - start)
            used[edge.name] = used.get(edge.name, 0) + 1
            name = edge.name if used[edge.name] == 1 else f"{edge.name}-{used[edge.name]}"
            kept.append(Edge(name, part, edge.allowance, edge.of or edge.name, edge.finish))
        start += edge.length
    chord = Edge(cut, Path((Line(kept[-1].path.end, kept[0].path.start),)))
    half = Path(tuple(segment for edge in (chord, *kept) for segment in edge.path.segments))
    if abs(half.area) < least:
        raise SplitError("it runs along an edge and cuts no more than a sliver off")
    return Half((chord, *kept), chord)


def _crossings(outline: Path, line: Line, whole: float) -> list[float]:
    """Seam lengths in mm at which a line crosses a closed outline, in order; touching isn't crossing."""
    normal = left_normal(line.direction)
    found: list[float] = []
    for s, _, _ in sorted(intersections(outline, line)):
        at = s % whole
        if any(min(abs(at - other), whole - abs(at - other)) <= _APART for other in found):
            continue
        before, after = (
            dot(subtract(outline.point_at((at + step) % whole), line.start), normal) for step in (-1e-3, 1e-3)
        )
        if before * after < 0.0:
            found.append(at)
    return sorted(found)
