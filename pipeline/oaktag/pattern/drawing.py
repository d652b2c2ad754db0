"""Pieces as a neutral list of strokes, which every exporter replays in its own format.

What a line means is carried by its role, and a role by line type and weight alone. Nothing here knows a file
format; a new exporter needs only what `oaktag.pattern.sheet` lays out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import atan2, cos, degrees, hypot, radians, sin
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, get_args
from weakref import ref

from oaktag.geometry import (
    Box,
    Line,
    Path,
    Point,
    Segment,
    Transform,
    cross,
    distance,
    intersections,
    subtract,
    unit,
)
from oaktag.pattern.lettering import Align, Polyline, letter_polylines, line_middles, text_size
from oaktag.pattern.piece import Edge, Fitting, Label, Mark, Notch, Piece, PlacementLine

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

Role = Literal["cut", "hole", "seam", "fold", "mark", "notch", "grain", "text", "sheet"]
ROLES: tuple[Role, ...] = get_args(Role)


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How a role looks: weight in mm; lengths in mm of dash, gap, dash, gap ..., none for a solid line."""

    weight: float
    dashes: tuple[float, ...] = ()


LINE_STYLES: Mapping[Role, LineStyle] = MappingProxyType(
    {
        "cut": LineStyle(0.6),
        "hole": LineStyle(0.6),
        "seam": LineStyle(0.25, (5.0, 2.5)),
        "fold": LineStyle(0.25, (8.0, 2.0, 0.5, 2.0)),
        "mark": LineStyle(0.18),
        "notch": LineStyle(0.35),
        "grain": LineStyle(0.18),
        "text": LineStyle(0.18),
        "sheet": LineStyle(0.18),
    }
)
"""Thick solid = cut, dashed = seam, dash-dot = fold, thin = mark."""

NOTCH_DEPTH = 3.0
"""Nicks are 2 to 3 mm deep: "Notch Notes", scribd.com/document/300645296."""
NOTCH_CLEARANCE = 3.0
"""Nicks and clips stay 3 mm short of the stitching: maeviary.com/seam-allowances."""
NOTCH_SPACING = 6.0
"""Distance of the ticks of a double or triple notch along the seam (common practice, no source)."""

_NARROW_ALLOWANCE = 4.0  # below it a nick takes half the allowance instead of leaving the clearance
_LEAST_NICK = 0.5  # mm; a shallower nick can't be cut, so it is drawn inside the seam line instead
_INSIDE_TICK = 2.0
_CORNER = radians(1.0)  # neighbouring tangents that differ by more make a corner, which ticks don't pass
_MARK_TEXT_HEIGHT = 3.0
_MARK_TEXT_GAP = 2.0
_LEAST_CROSS = 1.5
_NAMED_LINE = 40.0  # mm; on a shorter placement line there is no room for its name
_NAME_GAP = 0.8  # mm that the name at a placement line keeps from everything else
_FOLDED = ("fold", "hem")  # what becomes of an edge whose seam line is a fold
_ARROW_LENGTH = 6.0
_ARROW_ANGLE = radians(20.0)


@dataclass(frozen=True)
class Stroke:
    """One pen stroke.

    Attributes:
        role: what the line means.
        shape: a path, or the bare points of a letter's stroke (a piece has thousands of them).
        piece: id of the piece; empty where it belongs to the sheet.
    """

    role: Role
    shape: Path | Polyline
    piece: str = ""

    @cached_property
    def path(self) -> Path:
        """The shape as a path."""
        return self.shape if isinstance(self.shape, Path) else Path.polyline(self.shape)

    def flatten(self, chord_error: float) -> Polyline:
        """The shape as points whose chords stay within `chord_error` mm."""
        return self.shape.flatten(chord_error) if isinstance(self.shape, Path) else self.shape


@dataclass(frozen=True, slots=True)
class Text:
    """Lines of text, which a format writes as text of its own or as single-stroke lines.

    Attributes:
        role: what the text means: `text` on a piece, `sheet` beside the pieces.
        lines: top to bottom.
        height: of a capital letter, mm.
        position: where the block's anchor goes, mm.
        angle: of the lines, degrees counter-clockwise from x.
        piece: id of the piece; empty where it belongs to the sheet.
        align: how shorter lines lie in the block.
        anchor: a place in the block as shares of its width and height from its lower left.
    """

    role: Role
    lines: tuple[str, ...]
    height: float
    position: Point
    angle: float = 0.0
    piece: str = ""
    align: Align = "centre"
    anchor: Point = (0.5, 0.5)

    def strokes(self) -> tuple[Stroke, ...]:
        """The text in single-stroke letters."""
        polylines = letter_polylines(
            self.lines, self.height, self.position, self.angle, align=self.align, anchor=self.anchor
        )
        return tuple(Stroke(self.role, points, self.piece) for points in polylines)

    def line_positions(self) -> tuple[Point, ...]:
        """Where each line's middle is: half-way between its ends and between baseline and capitals' top."""
        turn = Transform.rotation(self.angle).then(Transform.translation(*self.position))
        middles = line_middles(self.lines, self.height, align=self.align, anchor=self.anchor)
        return tuple(turn.apply(middle) for middle in middles)


Item = Stroke | Text
"""What a drawing is made of."""


def moved(item: Item, transform: Transform) -> Item:
    """An item turned and moved; the transform neither scales nor mirrors."""
    if isinstance(item, Text):
        position = transform.apply(item.position)
        return replace(item, position=position, angle=item.angle + transform.angle)
    if isinstance(item.shape, Path):
        return Stroke(item.role, item.shape.transformed(transform), item.piece)
    return Stroke(item.role, tuple([transform.apply(point) for point in item.shape]), item.piece)


def as_strokes(items: Iterable[Item]) -> Iterator[Stroke]:
    """Items as pen strokes alone: text in single-stroke letters."""
    for item in items:
        if isinstance(item, Text):
            yield from item.strokes()
        else:
            yield item


# Notches


def notch_point(piece: Piece, notch: Notch) -> Point:
    """The point on the seam line where a notch belongs.

    Raises:
        KeyError: the piece has no such edge.
        GeometryError: the notch isn't on the edge.
    """
    return piece.edge(notch.edge).path.point_at(notch.at)


def notch_cut_point(piece: Piece, notch: Notch) -> Point:
    """The point on the cut line where a notch is cut: square to the seam, outward.

    Without a cut line it is the point on the seam line. Where the outward normal misses the cut line, it is
    the cut line's nearest point.

    Raises:
        KeyError: the piece has no such edge.
        GeometryError: the notch isn't on the edge.
    """
    edge = piece.edge(notch.edge)
    point, outward = _outward(piece, edge, notch.at)
    return _on_cut_line(piece, point, outward)


def notch_ticks(piece: Piece, notch: Notch) -> tuple[Stroke, ...]:
    """The ticks of a notch: one, two or three, centred on its station along the seam.

    A tick runs from the cut line inward, square to the seam. It is at most 3 mm deep and stays 3 mm short of
    the seam line; where the allowance is below 4 mm it takes half of it. Where that leaves nothing to nick
    (a bound edge has no allowance), it is a mark of 2 mm inside the seam line, which isn't cut.

    Ticks that would lie beyond a corner of the piece are left out: the mate's tick there meets another piece.

    Raises:
        KeyError: the piece has no such edge.
        GeometryError: the notch isn't on the edge.
    """
    edge = piece.edge(notch.edge)
    ticks: list[Stroke] = []
    for number in range(notch.count):
        at = notch.at + (number - 0.5 * (notch.count - 1)) * NOTCH_SPACING
        place = _place_along(piece, edge, at)
        if place is not None:
            ticks.append(_tick(piece, *place))
    return tuple(ticks)


def _tick(piece: Piece, edge: Edge, at: float) -> Stroke:
    seam, outward = _outward(piece, edge, at)
    cut = _on_cut_line(piece, seam, outward)
    room = hypot(cut[0] - seam[0], cut[1] - seam[1])
    depth = 0.5 * room if room < _NARROW_ALLOWANCE else min(NOTCH_DEPTH, room - NOTCH_CLEARANCE)
    if depth < _LEAST_NICK:
        inside = (seam[0] - _INSIDE_TICK * outward[0], seam[1] - _INSIDE_TICK * outward[1])
        return Stroke("mark", Path((Line(seam, inside),)), piece.id)
    inward = ((seam[0] - cut[0]) / room, (seam[1] - cut[1]) / room)
    end = (cut[0] + depth * inward[0], cut[1] + depth * inward[1])
    return Stroke("notch", Path((Line(cut, end),)), piece.id)


def _place_along(piece: Piece, edge: Edge, at: float) -> tuple[Edge, float] | None:
    """Edge and station of a place that may lie beyond the edge's ends; None if a corner lies between."""
    tolerance = 1e-6
    if -tolerance <= at <= edge.length + tolerance:
        return edge, min(max(at, 0.0), edge.length)
    index = piece.edges.index(edge)
    after = at > edge.length
    neighbour = piece.edges[(index + 1) % len(piece.edges) if after else index - 1]
    before_joint, after_joint = (edge, neighbour) if after else (neighbour, edge)
    if _turn(before_joint.path.tangent_at(before_joint.length), after_joint.path.tangent_at(0.0)) > _CORNER:
        return None
    beyond = at - edge.length if after else neighbour.length + at
    if not 0.0 <= beyond <= neighbour.length:
        return _place_along(piece, neighbour, beyond)
    return neighbour, beyond


def _turn(first: Point, second: Point) -> float:
    """Angle between two unit vectors, radians, 0 to π."""
    return abs(
        atan2(first[0] * second[1] - first[1] * second[0], first[0] * second[0] + first[1] * second[1])
    )


def _outward(piece: Piece, edge: Edge, at: float) -> tuple[Point, Point]:
    """A point on the seam line and the unit vector there that points out of the piece."""
    path = edge.path
    tx, ty = path.tangent_at(at)
    # The inside lies to the right of a clockwise seam line, to the left of a counter-clockwise one.
    return path.point_at(at), ((-ty, tx) if piece.seam_line.clockwise else (ty, -tx))


def _on_cut_line(piece: Piece, point: Point, outward: Point) -> Point:
    if not piece.cut_line:
        return point
    reach = 2.0 * max(edge.allowance for edge in piece.edges) + 10.0
    # The ray starts a hair inside, so that an edge without allowance is met too.
    start = (point[0] - 1e-6 * outward[0], point[1] - 1e-6 * outward[1])
    end = (point[0] + reach * outward[0], point[1] + reach * outward[1])
    ray = Line(start, end)
    box = ray.bounds
    hits = [
        hit
        for segment in piece.outline.segments
        if segment.bounds.overlaps(box, 1e-6)
        for hit in intersections(ray, segment)
    ]
    if hits:
        return min(hits)[2]
    return piece.outline.point_at(piece.outline.nearest(point)[0])


# Pieces


def draw_piece(piece: Piece) -> tuple[Stroke, ...]:
    """Draw one piece in pen strokes, its text in single-stroke letters; otherwise as `piece_items`."""
    return tuple(as_strokes(piece_items(piece)))


_drawn: dict[int, tuple[ref[Piece], tuple[Item, ...]]] = {}


def piece_items(piece: Piece) -> tuple[Item, ...]:
    """What is drawn of a piece, as `drawn_items`; kept while the piece is, since every format asks for it."""
    number = id(piece)
    kept = _drawn.get(number)
    if kept is not None and kept[0]() is piece:
        return kept[1]
    items = drawn_items(piece)
    _drawn[number] = (ref(piece, lambda _: _drawn.pop(number, None)), items)
    return items


def drawn_items(piece: Piece) -> tuple[Item, ...]:
    """Draw one piece where it was drafted.

    In order: cut line, holes, seam line, marks and folds with their text, placement lines and fittings,
    notches, grain line, labels. A piece that has no cut line yet shows its seam line alone, with its notches
    as marks inside it. Where the cloth is folded before it is cut the seam line is a fold, and nothing is cut
    there; where it is folded over for a hem the seam line is a fold too.

    Raises:
        KeyError: a notch names an edge that the piece doesn't have.
        GeometryError: a notch isn't on its edge.
    """
    shapes: list[tuple[Role, Path]] = []
    cuts, folds = _cuts_and_folds(piece)
    shapes.extend(("cut", path) for path in cuts)
    shapes.extend(("hole", hole.path) for hole in piece.holes)
    if any(edge.finish in _FOLDED for edge in piece.edges):
        shapes.extend(("seam", path) for path in _chains(piece.edges))
        shapes.extend(("fold", edge.path) for edge in piece.edges if edge.finish == "hem")
        shapes.extend(("fold", path) for path in folds)
    else:
        shapes.append(("seam", piece.seam_line))
    shapes.extend(("fold" if mark.kind == "fold" else "mark", mark.path) for mark in piece.marks)
    for line in piece.placements:
        shapes.append(("mark", line.path))
        if line.covers is not None and line.covers != line.path:
            shapes.append(("mark", line.covers))
    shapes.extend(("mark", path) for fitting in piece.fittings for path in _cross(fitting))
    shapes.extend((tick.role, tick.path) for notch in piece.notches for tick in notch_ticks(piece, notch))
    if piece.grain is not None:
        shapes.extend(("grain", path) for path in _arrow(piece.grain))
    items: list[Item] = [Stroke(role, path, piece.id) for role, path in shapes]
    items.extend(
        Text("text", label.lines, label.height, label.position, label.angle, piece.id)
        for label in (*line_labels(piece), *piece.labels)
    )
    return tuple(items)


def piece_bounds(piece: Piece) -> Box:
    """A box around everything that `draw_piece` draws of a piece."""
    box = piece.outline.bounds
    if piece.cut_line:
        box = box.union(piece.seam_line.bounds)
    paths = [mark.path for mark in piece.marks]
    paths += [hole.path for hole in piece.holes]
    paths += [path for fitting in piece.fittings for path in _cross(fitting)]
    for line in piece.placements:
        paths += [line.path] if line.covers is None else [line.path, line.covers]
    for path in paths:
        box = box.union(path.bounds)
    for label in (*line_labels(piece), *piece.labels):
        box = box.union(label_bounds(label))
    if piece.grain is not None:
        for path in _arrow(piece.grain):
            box = box.union(path.bounds)
    return box


def label_bounds(label: Label) -> Box:
    """The box, parallel to the axes, around a label as it is turned.

    Raises:
        ValueError: the label has no lines, or its letters no height.
    """
    width, height = text_size(label.lines, label.height)
    c, s = abs(cos(radians(label.angle))), abs(sin(radians(label.angle)))
    half_x, half_y = 0.5 * (width * c + height * s), 0.5 * (width * s + height * c)
    x, y = label.position
    return Box(x - half_x, y - half_y, x + half_x, y + half_y)


def _arrow(line: Line) -> tuple[Path, ...]:
    """A line with an open head at its end."""
    size = min(_ARROW_LENGTH, 0.5 * line.length)
    back = atan2(line.start[1] - line.end[1], line.start[0] - line.end[0])
    x, y = line.end
    left, right = (
        (x + size * cos(back + turn), y + size * sin(back + turn)) for turn in (-_ARROW_ANGLE, _ARROW_ANGLE)
    )
    return Path((line,)), Path.polyline((left, line.end, right))


def _cross(fitting: Fitting) -> tuple[Path, Path]:
    """Two short lines through the middle of a fitting."""
    x, y = fitting.point
    arm = max(_LEAST_CROSS, fitting.radius)
    return Path((Line((x - arm, y), (x + arm, y)),)), Path((Line((x, y - arm), (x, y + arm)),))


def _cuts_and_folds(piece: Piece) -> tuple[list[Path], list[Path]]:
    """What is cut along a piece's outline, and where the cloth is folded before that."""
    if not any(edge.finish == "fold" for edge in piece.edges):
        return ([piece.outline] if piece.cut_line else []), []
    if not piece.cut_line:
        return [], [edge.path for edge in piece.edges if edge.finish == "fold"]
    cut: list[list[Segment]] = [[]]
    folds: list[Path] = []
    for run in piece.cut_line:
        edge = piece.edge(run.edge)
        for segment in run.path.segments:
            # A fold goes on through the allowances beside it; what leads away from it to them is cut.
            if edge.finish == "fold" and _in_line(edge.path, segment):
                folds.append(Path((segment,)))
                cut.append([])
            else:
                cut[-1].append(segment)
    # The last run goes on into the first, unless one of them is a fold.
    if len(cut) > 1:
        cut[0] = cut.pop() + cut[0]
    return [Path(tuple(segments)) for segments in cut if segments], folds


def _in_line(path: Path, segment: Segment) -> bool:
    """Whether both ends of a segment lie on the line through a path's ends."""
    if distance(path.start, path.end) < 1e-9:
        return False
    along = unit(subtract(path.end, path.start))
    return all(abs(cross(along, subtract(end, path.start))) < 1e-6 for end in (segment.start, segment.end))


def _chains(edges: Sequence[Edge]) -> list[Path]:
    """The runs of edges that aren't folded, each as one path."""
    runs: list[list[Edge]] = [[]]
    for edge in edges:
        if edge.finish in _FOLDED:
            runs.append([])
        else:
            runs[-1].append(edge)
    runs[0] = runs.pop() + runs[0]
    return [Path(tuple(s for edge in run for s in edge.path.segments)) for run in runs if run]


def line_labels(piece: Piece) -> tuple[Label, ...]:
    """The text at a piece's marks and placement lines, where there is any.

    The name of what lies at a placement line stands beside it where there is room: within the seam line, and
    clear of all lines, holes, fittings and text. Without room it is left out, as at a line too short for it.
    """
    labels = [_mark_label(mark) for mark in piece.marks if mark.text]
    if not any(line.path.length >= _NAMED_LINE for line in piece.placements):
        return tuple(labels)

    room = _room_for_names(piece, labels)
    # Runs of one piece have one name before the colon, and one of them says what it is.
    whole: dict[str, list[PlacementLine]] = {}
    for line in piece.placements:
        whole.setdefault(line.name.split(":")[0], []).append(line)
    for lines in whole.values():
        for label in _places_for_name([line for line in lines if line.path.length >= _NAMED_LINE]):
            shape = _label_shape(label)
            if room.contains(shape):
                labels.append(label)
                room = room.difference(shape.buffer(_NAME_GAP))
                break
    return tuple(labels)


def _room_for_names(piece: Piece, labels: Sequence[Label]) -> BaseGeometry:
    """What is within a piece's seam line and clear of everything that is drawn there."""
    from shapely import LineString, union_all

    paths = [mark.path for mark in piece.marks]
    for line in piece.placements:
        paths += [line.path] if line.covers is None else [line.path, line.covers]
    paths += [path for fitting in piece.fittings for path in _cross(fitting)]
    if piece.grain is not None:
        paths.append(Path((piece.grain,)))
    taken: list[BaseGeometry] = [
        LineString(path.flatten(0.1)).buffer(_NAME_GAP, quad_segs=2) for path in paths
    ]
    taken += [hole.path.polygon(0.1).buffer(_NAME_GAP, quad_segs=2) for hole in piece.holes]
    taken += [_label_shape(label).buffer(_NAME_GAP, quad_segs=2) for label in (*labels, *piece.labels)]
    return piece.seam_line.polygon(0.1).buffer(-_NAME_GAP, quad_segs=2).difference(union_all(taken))


def _label_shape(label: Label) -> Polygon:
    """The rectangle around a label's text."""
    from shapely import Polygon

    width, height = text_size(label.lines, label.height)
    turn = Transform.rotation(label.angle).then(Transform.translation(*label.position))
    x, y = 0.5 * width, 0.5 * height
    return Polygon([turn.apply(corner) for corner in ((-x, -y), (x, -y), (x, y), (-x, y))])


def _places_for_name(lines: Sequence[PlacementLine]) -> Iterator[Label]:
    """Where the name of what lies at placement lines may stand, the best place first.

    Beside the middle of a straight run, then of its halves, level ones and long ones first; inside what is
    covered before outside.
    """
    covers = next((line.covers for line in lines if line.covers is not None), None)
    runs: list[tuple[bool, float, int, float]] = []
    for index, line in enumerate(lines):
        start = 0.0
        for segment in line.path.segments:
            level = abs(segment.end[1] - segment.start[1]) < 0.1 * segment.length
            runs.append((not level, -round(segment.length, 6), index, start))
            start += segment.length
    for share in (0.5, 0.25, 0.75):
        for _, length, index, begin in sorted(runs):
            line, at = lines[index], begin - share * length
            text = line.what if line.face == "outside" else f"{line.what}, {line.face}"
            above, below = (
                _beside(text, line.path.point_at(at), line.path.tangent_at(at), below=low)
                for low in (False, True)
            )
            outside = covers is not None and not covers.contains(above.position)
            yield from (below, above) if outside else (above, below)


def _mark_label(mark: Mark) -> Label:
    """A mark's text beside the middle of its line, never upside down."""
    middle = 0.5 * mark.path.length
    return _beside(mark.text, mark.path.point_at(middle), mark.path.tangent_at(middle))


def _beside(text: str, point: Point, tangent: Point, *, below: bool = False) -> Label:
    """Text above or below a point of a line, along it, never upside down."""
    angle = degrees(atan2(tangent[1], tangent[0]))
    if not -90.0 < angle <= 90.0:
        angle += 180.0 if angle <= -90.0 else -180.0
    lines = tuple(text.split("\n"))
    away = 0.5 * text_size(lines, _MARK_TEXT_HEIGHT)[1] + _MARK_TEXT_GAP
    up = radians(angle + (-90.0 if below else 90.0))
    position = (point[0] + away * cos(up), point[1] + away * sin(up))
    return Label(lines, position, _MARK_TEXT_HEIGHT, angle)
