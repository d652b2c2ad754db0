"""Entities as group codes, written straight into the text of a DXF file.

The library that makes the rest of the file needs twenty times as long for thousands of letters' strokes.
Group codes are those of the DXF reference, chapter "ENTITIES section".
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import degrees, pi, tan
from typing import Literal, Protocol

from oaktag.geometry import Arc, Curve, Line, Path, Point
from oaktag.pattern.drawing import Item, Text
from oaktag.pattern.lettering import Polyline

Arcs = Literal["arcs", "bulges"]
Curves = Literal["spline", "polyline"]

CHORD_ERROR = 0.005
"""Largest distance in mm between a free curve and the polyline drawn for it."""


class Pen(Protocol):
    """Writes entities; lengths are mm."""

    def path(self, layer: str, path: Path) -> None:
        """A path in the entities that the format has for its segments."""

    def polyline(self, layer: str, points: Polyline) -> None:
        """A letter's stroke."""

    def text(self, layer: str, text: str, middle: Point, height: float, angle: float) -> None:
        """One line of text about its middle; `height` is that of a capital, `angle` in degrees."""


def draw(
    pen: Pen,
    items: Iterable[Item],
    layer_of: Callable[[Item], str],
    spelling: Callable[[str], str] | None = None,
) -> None:
    """Write items.

    Args:
        pen: that writes them.
        items: in the coordinates of what the pen writes into.
        layer_of: the layer of an item.
        spelling: of text that is written as text; None if it is drawn in strokes.
    """
    for item in items:
        layer = layer_of(item)
        if not isinstance(item, Text):
            if isinstance(item.shape, Path):
                pen.path(layer, item.shape)
            else:
                pen.polyline(layer, item.shape)
        elif spelling is None:
            for stroke in item.strokes():
                assert not isinstance(stroke.shape, Path)
                pen.polyline(layer, stroke.shape)
        else:
            for line, middle in zip(item.lines, item.line_positions(), strict=True):
                if line.strip():
                    pen.text(layer, spelling(line), middle, item.height, item.angle)


def _n(value: float) -> str:
    """A coordinate or angle to twelve digits, without a sign before zero."""
    return f"{value + 0.0:.12g}"


@dataclass
class Handles:
    """Gives every entity a handle of its own, counting upward from the first that is free."""

    free: int

    def take(self) -> str:
        """The next handle, hexadecimal."""
        self.free += 1
        return f"{self.free - 1:X}"


@dataclass
class ModernPen:
    """Writes what R2010 knows: LINE, ARC, LWPOLYLINE with bulges, SPLINE, TEXT, INSERT.

    Attributes:
        handles: of the whole file.
        owner: handle of the block record that the entities belong to.
        arcs: `arcs` for ARC and LINE entities; `bulges` for polylines, one for every path.
        curves: `spline` for SPLINE entities; `polyline` for chords within `CHORD_ERROR`.
        parts: what has been written.
    """

    handles: Handles
    owner: str
    arcs: Arcs = "arcs"
    curves: Curves = "spline"
    parts: list[str] = field(default_factory=list)

    def _entity(self, kind: str, layer: str) -> str:
        handle = self.handles.take()
        return f"  0\n{kind}\n  5\n{handle}\n330\n{self.owner}\n100\nAcDbEntity\n  8\n{layer}\n100\n"

    def path(self, layer: str, path: Path) -> None:
        """A path, segment by segment or as one polyline."""
        if self.arcs == "bulges":
            self._bulges(layer, path)
            return
        for segment in path.segments:
            if isinstance(segment, Line):
                self._line(layer, segment)
            elif isinstance(segment, Arc):
                self._arc(layer, segment)
            elif self.curves == "spline":
                self._spline(layer, segment)
            else:
                self._polyline(layer, [(*point, 0.0) for point in segment.flatten(CHORD_ERROR)])

    def polyline(self, layer: str, points: Polyline) -> None:
        """A letter's stroke; a micrometre is enough for letters, which are most of the file."""
        head = self._entity("LWPOLYLINE", layer)
        body = "".join([f" 10\n{x:.3f}\n 20\n{y:.3f}\n" for x, y in points])
        self.parts.append(f"{head}AcDbPolyline\n 90\n{len(points)}\n 70\n0\n{body}")

    def text(self, layer: str, text: str, middle: Point, height: float, angle: float) -> None:
        """One line of text, aligned to its middle both ways."""
        x, y = _n(middle[0]), _n(middle[1])
        self.parts.append(
            f"{self._entity('TEXT', layer)}AcDbText\n 10\n{x}\n 20\n{y}\n 30\n0.0\n 40\n{_n(height)}\n"
            f"  1\n{text}\n 50\n{_n(angle)}\n 72\n1\n 11\n{x}\n 21\n{y}\n 31\n0.0\n100\nAcDbText\n 73\n2\n"
        )

    def insert(self, block: str, point: Point, angle: float) -> None:
        """A block at its place, turned by `angle` degrees."""
        self.parts.append(
            f"{self._entity('INSERT', '0')}AcDbBlockReference\n  2\n{block}\n"
            f" 10\n{_n(point[0])}\n 20\n{_n(point[1])}\n 30\n0.0\n 50\n{_n(angle)}\n"
        )

    def _line(self, layer: str, line: Line) -> None:
        (x, y), (u, v) = line.start, line.end
        self.parts.append(
            f"{self._entity('LINE', layer)}AcDbLine\n 10\n{_n(x)}\n 20\n{_n(y)}\n 30\n0.0\n"
            f" 11\n{_n(u)}\n 21\n{_n(v)}\n 31\n0.0\n"
        )

    def _arc(self, layer: str, arc: Arc) -> None:
        # ARC entities run counter-clockwise, whichever way the outline is travelled.
        start, end = degrees(arc.start_angle), degrees(arc.start_angle + arc.sweep)
        if arc.clockwise:
            start, end = end, start
        (x, y), head = arc.center, self._entity("ARC", layer)
        self.parts.append(
            f"{head}AcDbCircle\n 10\n{_n(x)}\n 20\n{_n(y)}\n 30\n0.0\n 40\n{_n(arc.radius)}\n"
            f"100\nAcDbArc\n 50\n{_n(start % 360.0)}\n 51\n{_n(end % 360.0)}\n"
        )

    def _spline(self, layer: str, curve: Curve) -> None:
        points, knots = bezier_spline(curve)
        values = "".join([f" 40\n{_n(knot)}\n" for knot in knots])
        controls = "".join([f" 10\n{_n(x)}\n 20\n{_n(y)}\n 30\n0.0\n" for x, y in points])
        self.parts.append(
            f"{self._entity('SPLINE', layer)}AcDbSpline\n210\n0.0\n220\n0.0\n230\n1.0\n 70\n8\n 71\n3\n"
            f" 72\n{len(knots)}\n 73\n{len(points)}\n 74\n0\n{values}{controls}"
        )

    def _bulges(self, layer: str, path: Path) -> None:
        run: list[tuple[float, float, float]] = []
        broken = False
        for segment in path.segments:
            if isinstance(segment, Curve) and self.curves == "spline":
                if run:
                    self._polyline(layer, [*run, (*segment.start, 0.0)])
                    run = []
                self._spline(layer, segment)
                broken = True
            elif isinstance(segment, Curve):
                run += [(*point, 0.0) for point in segment.flatten(CHORD_ERROR)[:-1]]
            else:
                run += _bulged(segment)
        if path.closed and not broken:
            self._polyline(layer, run, closed=True)
        elif run:
            self._polyline(layer, [*run, (*path.end, 0.0)])

    def _polyline(
        self, layer: str, vertices: Sequence[tuple[float, float, float]], *, closed: bool = False
    ) -> None:
        head = self._entity("LWPOLYLINE", layer)
        body = "".join(
            f" 10\n{_n(x)}\n 20\n{_n(y)}\n" + (f" 42\n{_n(bulge)}\n" if bulge else "")
            for x, y, bulge in vertices
        )
        self.parts.append(f"{head}AcDbPolyline\n 90\n{len(vertices)}\n 70\n{int(closed)}\n{body}")


def _bulged(segment: Line | Arc) -> Iterator[tuple[float, float, float]]:
    """A segment's vertices but its last, each with the bulge that follows it.

    The bulge is the tangent of a quarter of the sweep, positive counter-clockwise (DXF reference,
    "LWPOLYLINE"); arcs of more than half a circle are halved, so that it stays at 1 or below.
    """
    if isinstance(segment, Line):
        yield (*segment.start, 0.0)
        return
    arcs = segment.split(0.5 * segment.length) if abs(segment.sweep) > pi else (segment,)
    for arc in arcs:
        yield (*arc.start, tan(0.25 * arc.sweep))


def bezier_spline(curve: Curve) -> tuple[Polyline, tuple[float, ...]]:
    """Control points and knots of the cubic B-spline that is a run of Bezier curves, exactly.

    Every joint is a knot of multiplicity 3, so that the control points of neighbours stay their own (L. Piegl
    and W. Tiller, The NURBS Book, 2nd ed., section 5.3, from memory).
    """
    points = (curve.beziers[0][0], *(point for bezier in curve.beziers for point in bezier[1:]))
    count = len(curve.beziers)
    knots = (0.0, *(float(number) for number in range(count + 1) for _ in range(3)), float(count))
    return points, knots


@dataclass
class PlainPen:
    """Writes what R12 knows and every machine reads: LINE, POLYLINE, POINT, TEXT, INSERT.

    Attributes:
        chord_error: of arcs and free curves, mm.
        unit: length of the file's unit, mm.
        parts: what has been written.
    """

    chord_error: float
    unit: float = 1.0
    parts: list[str] = field(default_factory=list)

    def path(self, layer: str, path: Path) -> None:
        """A path as chords; a closed one is marked as closed."""
        points = path.flatten(self.chord_error)
        if path.closed:
            self.chords(layer, points[:-1], closed=True)
        else:
            self.chords(layer, points)

    def polyline(self, layer: str, points: Polyline) -> None:
        """A letter's stroke."""
        self.chords(layer, points)

    def chords(self, layer: str, points: Polyline, *, closed: bool = False) -> None:
        """A polyline, a line if it has two points."""
        placed = self._placed(points)
        if len(placed) == 2 and not closed:
            (x, y), (u, v) = placed
            self.parts.append(f"  0\nLINE\n  8\n{layer}\n 10\n{x}\n 20\n{y}\n 11\n{u}\n 21\n{v}\n")
            return
        vertices = "".join([f"  0\nVERTEX\n  8\n{layer}\n 10\n{x}\n 20\n{y}\n" for x, y in placed])
        # 66: vertices follow; their point gives the height, which is 0.
        self.parts.append(
            f"  0\nPOLYLINE\n  8\n{layer}\n 66\n1\n 10\n0.0\n 20\n0.0\n 30\n0.0\n 70\n{int(closed)}\n"
            f"{vertices}  0\nSEQEND\n  8\n{layer}\n"
        )

    def _placed(self, points: Iterable[Point]) -> list[tuple[str, str]]:
        """Coordinates as they are written: to a tenth of a micrometre, in inches a little finer."""
        digits = 4 if self.unit == 1.0 else 6
        return [(f"{x / self.unit:.{digits}f}", f"{y / self.unit:.{digits}f}") for x, y in points]

    def text(self, layer: str, text: str, middle: Point, height: float, angle: float) -> None:
        """One line of text, aligned to its middle both ways."""
        x, y = _n(middle[0] / self.unit), _n(middle[1] / self.unit)
        self.parts.append(
            f"  0\nTEXT\n  8\n{layer}\n 10\n{x}\n 20\n{y}\n 40\n{_n(height / self.unit)}\n  1\n{text}\n"
            f" 50\n{_n(angle)}\n 72\n1\n 11\n{x}\n 21\n{y}\n 73\n2\n"
        )

    def note(self, layer: str, text: str, start: Point, height: float) -> None:
        """One line of text from the left end of its baseline."""
        x, y = _n(start[0] / self.unit), _n(start[1] / self.unit)
        self.parts.append(
            f"  0\nTEXT\n  8\n{layer}\n 10\n{x}\n 20\n{y}\n 40\n{_n(height / self.unit)}\n  1\n{text}\n"
        )

    def point(self, layer: str, point: Point, depth: float = 0.0, angle: float = 0.0) -> None:
        """A point, with a depth in mm and an angle in degrees where they aren't 0."""
        ((x, y),) = self._placed([point])
        deep = f" 39\n{_n(depth / self.unit)}\n" if depth else ""
        turned = f" 50\n{_n(angle)}\n" if angle else ""
        self.parts.append(f"  0\nPOINT\n  8\n{layer}\n 10\n{x}\n 20\n{y}\n{deep}{turned}")

    def insert(self, block: str, point: Point, angle: float) -> None:
        """A block at its place, turned by `angle` degrees."""
        x, y = _n(point[0] / self.unit), _n(point[1] / self.unit)
        self.parts.append(f"  0\nINSERT\n  8\n0\n  2\n{block}\n 10\n{x}\n 20\n{y}\n 50\n{_n(angle)}\n")
