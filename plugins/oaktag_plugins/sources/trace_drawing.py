"""Traced drawings: what the readers of DXF and SVG hand over, and how its strands join into closed outlines.

Everything here is in the drawing's own units and axes.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil, cos, floor, hypot, isfinite, pi, sin, tan

from oaktag.geometry import Box, Point, distance

Primitive = tuple[Point, ...]
"""Two points are a line, three an arc through the middle one, four a cubic Bezier curve."""

MOST_PRIMITIVES = 20_000
"""A drawing with more of them is no trace of a frame."""

# An elliptical arc is cut into curves of at most this turn; they stray by 1e-7 of its radius.
_QUARTER_OF_A_RIGHT_ANGLE = pi / 8
# So many ends of lines don't meet in one place of an outline.
_CROWD = 200


class DrawingError(Exception):
    """A drawing that can't be used: why, what was found, what would do, what to do about it, which key."""

    def __init__(self, reason: str, *, found: str, valid: str, todo: str, key: str = "file") -> None:
        super().__init__(reason)
        self.reason, self.found, self.valid, self.todo, self.key = reason, found, valid, todo, key


@dataclass(frozen=True)
class Strand:
    """Primitives drawn in one go, each starting where the one before ends.

    Attributes:
        primitives: at least one.
        name: for messages, such as `LINE 2F on layer "TRACE"`.
        ids: what it can be chosen by: its handle, its id and those of the groups around it.
    """

    primitives: tuple[Primitive, ...]
    name: str
    ids: frozenset[str] = frozenset()

    @property
    def start(self) -> Point:
        """First point."""
        return self.primitives[0][0]

    @property
    def end(self) -> Point:
        """Last point."""
        return self.primitives[-1][-1]

    @property
    def size(self) -> float:
        """Width or height of what is drawn, whichever is more."""
        box = Box.around(itertools.chain.from_iterable(self.primitives))
        return max(box.width, box.height)

    def reversed(self) -> Strand:
        """The strand drawn the other way."""
        return replace(self, primitives=tuple(primitive[::-1] for primitive in self.primitives[::-1]))

    def ending_at(self, start: Point, end: Point) -> Strand:
        """The strand with its ends moved a little."""
        primitives = list(self.primitives)
        primitives[0] = moved(primitives[0], start, primitives[0][-1])
        primitives[-1] = moved(primitives[-1], primitives[-1][0], end)
        return replace(self, primitives=tuple(primitives))


@dataclass(frozen=True)
class Drawing:
    """What could be read from a file.

    Attributes:
        strands: in the file's order.
        mm_per_unit: true scale; None if the file doesn't say.
        scale: how the file says it, for messages.
        y_down: whether y grows downward.
        left_out: what was not read, for messages: `2 INSERT`.
    """

    strands: tuple[Strand, ...]
    mm_per_unit: float | None
    scale: str
    y_down: bool
    left_out: tuple[str, ...] = ()

    @cached_property
    def size(self) -> float:
        """Width or height of everything, whichever is more."""
        points = [p for strand in self.strands for primitive in strand.primitives for p in primitive]
        box = Box.around(points)
        return max(box.width, box.height)


@dataclass(frozen=True)
class Loop:
    """A closed outline: its strands joined end to end.

    Attributes:
        strand: the whole, starting and ending in the same point; its ids are those of all its strands.
        widest_gap: that had to be closed between two of them.
    """

    strand: Strand
    widest_gap: float

    @property
    def box(self) -> Box:
        """Around the points that it is drawn by."""
        return Box.around(itertools.chain.from_iterable(self.strand.primitives))


@dataclass(frozen=True)
class Joined:
    """What strands make.

    Attributes:
        loops: closed outlines, the largest first.
        open_chains: both ends of each chain that doesn't close, the longest way across first.
        branches: points where more than two ends meet.
    """

    loops: tuple[Loop, ...]
    open_chains: tuple[tuple[Point, Point], ...]
    branches: tuple[Point, ...]


def strand(primitives: Sequence[Primitive], name: str, ids: Iterable[str]) -> Strand | None:
    """A strand of what has a length; None if nothing has.

    Raises:
        DrawingError: a coordinate isn't finite.
    """
    kept: list[Primitive] = []
    for primitive in primitives:
        if not all(isfinite(x) and isfinite(y) and hypot(x, y) < 1e9 for x, y in primitive):
            raise DrawingError(
                "has a coordinate that is no place on a drawing",
                found=f"a coordinate of {name} that is infinite, no number, or above 1,000,000,000",
                valid="finite coordinates",
                todo="save the drawing again, or remove it there",
            )
        if any(point != primitive[0] for point in primitive[1:]):
            kept.append(primitive)
    return Strand(tuple(kept), name, frozenset(ids)) if kept else None


def moved(primitive: Primitive, start: Point, end: Point) -> Primitive:
    """The primitive with its ends moved; what lies between them goes along in proportion."""
    last = len(primitive) - 1
    (ax, ay), (bx, by) = (
        (start[0] - primitive[0][0], start[1] - primitive[0][1]),
        (end[0] - primitive[last][0], end[1] - primitive[last][1]),
    )
    between = (
        (x + ax * (1 - i / last) + bx * i / last, y + ay * (1 - i / last) + by * i / last)
        for i, (x, y) in enumerate(primitive[1:last], start=1)
    )
    return (start, *between, end)


def elliptical_arc(center: Point, major: Point, minor: Point, start: float, sweep: float) -> list[Primitive]:
    """An elliptical arc as cubic Bezier curves.

    Its handles are (4/3)·tan(φ/4) of the derivative, φ the part's sweep (T. Dokken et al., "Good
    approximation of circles by curvature-continuous Bezier curves", 1990; an ellipse is the affine image of a
    circle).

    Args:
        center: of the ellipse.
        major: one half axis.
        minor: the other half axis, any direction.
        start: parameter of the first point in radians, from `major` towards `minor`.
        sweep: of the parameter in radians, signed.
    """

    def at(parameter: float) -> tuple[Point, Point]:
        c, s = cos(parameter), sin(parameter)
        return (
            (center[0] + c * major[0] + s * minor[0], center[1] + c * major[1] + s * minor[1]),
            (c * minor[0] - s * major[0], c * minor[1] - s * major[1]),
        )

    count = max(1, ceil(abs(sweep) / _QUARTER_OF_A_RIGHT_ANGLE))
    handle = 4.0 / 3.0 * tan(sweep / count / 4.0)
    nodes = [at(start + sweep * number / count) for number in range(count + 1)]
    return [
        (a, (a[0] + handle * da[0], a[1] + handle * da[1]), (b[0] - handle * db[0], b[1] - handle * db[1]), b)
        for (a, da), (b, db) in itertools.pairwise(nodes)
    ]


def joined(strands: Sequence[Strand], tolerance: float) -> Joined:
    """Join strands whose ends meet.

    What is drawn twice counts once, and what is no longer than the tolerance is a slip of the hand.

    Args:
        strands: in the file's order.
        tolerance: how far two ends that meet may be apart; above 0.

    Raises:
        DrawingError: more lines meet in one place than any outline has.
    """
    long_enough = [one for one in strands if one.size > tolerance]
    closed = [one for one in long_enough if distance(one.start, one.end) <= tolerance]
    open_ = [one for one in long_enough if distance(one.start, one.end) > tolerance]
    loops = [_closed(one) for one in _once_each(closed, tolerance)]
    net = _Net(_once_each(open_, tolerance), tolerance)
    loops += net.loops()
    loops.sort(key=lambda loop: -loop.box.width * loop.box.height)
    return Joined(tuple(loops), net.open_chains, net.branches)


def _closed(one: Strand) -> Loop:
    middle = _mean((one.start, one.end))
    return Loop(one.ending_at(middle, middle), distance(one.start, one.end))


def _mean(points: Sequence[Point]) -> Point:
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)


def _once_each(strands: Sequence[Strand], tolerance: float) -> list[Strand]:
    """The strands without those that lie on an earlier one."""
    kept: list[Strand] = []
    grid = _Grid(tolerance)
    for number, one in enumerate(strands):
        middle = _mean((one.start, one.end))
        if not any(_same(one, strands[other], tolerance) for other in grid.near(middle)):
            grid.add(middle, number)
            kept.append(one)
    return kept


def _same(one: Strand, other: Strand, tolerance: float) -> bool:
    def match(a: Strand, b: Strand) -> bool:
        return len(a.primitives) == len(b.primitives) and all(
            len(p) == len(q) and all(distance(u, v) <= tolerance for u, v in zip(p, q, strict=True))
            for p, q in zip(a.primitives, b.primitives, strict=True)
        )

    return match(one, other) or match(one, other.reversed())


_End = tuple[int, int]
"""A strand's index, and 0 for its start or 1 for its end."""


class _Net:
    """Open strands, and the places where their ends meet."""

    def __init__(self, strands: Sequence[Strand], tolerance: float) -> None:
        self.strands = strands
        ends = [point for one in strands for point in (one.start, one.end)]
        numbers = _clusters(ends, tolerance)
        self.nodes = list(zip(numbers[::2], numbers[1::2], strict=True))
        self.meeting: dict[int, list[_End]] = {}
        points: dict[int, list[Point]] = {}
        for number, (node, point) in enumerate(zip(numbers, ends, strict=True)):
            self.meeting.setdefault(node, []).append(divmod(number, 2))
            points.setdefault(node, []).append(point)
        self.places = {node: _mean(group) for node, group in points.items()}
        self.gaps = {node: distance(group[0], group[-1]) for node, group in points.items()}
        self.used: set[int] = set()
        self.branches = tuple(self.places[node] for node, ends in self.meeting.items() if len(ends) > 2)
        self.open_chains = tuple(sorted(self._open(), key=lambda pair: -distance(*pair)))

    def _open(self) -> Iterator[tuple[Point, Point]]:
        # Whatever hangs together with a loose end or a branch; what is left then closes.
        for ends in self.meeting.values():
            if len(ends) == 2:
                continue
            for index, side in ends:
                if index not in self.used:
                    chain = self._chain((index, side))
                    last, entered = chain[-1]
                    yield self._point((index, side)), self._point((last, 1 - entered))

    def _point(self, end: _End) -> Point:
        index, side = end
        return self.strands[index].end if side else self.strands[index].start

    def _chain(self, end: _End) -> list[_End]:
        """The strands that follow each other from one that is entered at this end; all become used."""
        chain: list[_End] = []
        while end[0] not in self.used:
            index, side = end
            self.used.add(index)
            chain.append(end)
            leaving = (index, 1 - side)
            others = [other for other in self.meeting[self.nodes[index][1 - side]] if other != leaving]
            if len(others) != 1:
                break
            (end,) = others
        return chain

    def loops(self) -> Iterator[Loop]:
        """The closed outlines."""
        for first in range(len(self.strands)):
            if first in self.used:
                continue
            primitives: list[Primitive] = []
            ids: set[str] = set()
            gap = 0.0
            for index, side in self._chain((first, 0)):
                one = self.strands[index]
                nodes = self.nodes[index]
                along = (one.reversed() if side else one).ending_at(
                    self.places[nodes[side]], self.places[nodes[1 - side]]
                )
                primitives += along.primitives
                ids |= one.ids
                gap = max(gap, self.gaps[nodes[1 - side]])
            yield Loop(Strand(tuple(primitives), self.strands[first].name, frozenset(ids)), gap)


def _clusters(points: Sequence[Point], tolerance: float) -> list[int]:
    """Which points lie within the tolerance of each other: for each the number of the first of its group."""
    groups = list(range(len(points)))

    def group(number: int) -> int:
        while groups[number] != number:
            number = groups[number] = groups[groups[number]]
        return number

    grid = _Grid(tolerance)
    for number, point in enumerate(points):
        for other in grid.near(point):
            if distance(points[other], point) <= tolerance:
                first, second = sorted((group(other), group(number)))
                groups[second] = first
        grid.add(point, number)
    return [group(number) for number in range(len(points))]


class _Grid:
    """Numbered points in square cells, to find those nearby without looking at all."""

    def __init__(self, cell: float) -> None:
        self.cell = cell
        self.cells: dict[tuple[int, int], list[int]] = {}

    def _cell(self, point: Point) -> tuple[int, int]:
        return floor(point[0] / self.cell), floor(point[1] / self.cell)

    def add(self, point: Point, number: int) -> None:
        here = self.cells.setdefault(self._cell(point), [])
        if len(here) >= _CROWD:
            raise DrawingError(
                "is a tangle",
                found=f"more than {_CROWD} ends of lines around {point[0]:g}, {point[1]:g}",
                valid="one outline",
                todo="draw the outline alone, or choose it by `layer` or `element`",
            )
        here.append(number)

    def near(self, point: Point) -> Iterator[int]:
        """What lies within a cell's width of the point, and some more."""
        column, row = self._cell(point)
        for cell in itertools.product((column - 1, column, column + 1), (row - 1, row, row + 1)):
            yield from self.cells.get(cell, ())
