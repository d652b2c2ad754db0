"""Drawing a picture: things of the bag scaled onto paper, and text that keeps clear of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from math import atan2, ceil, cos, degrees, hypot, radians, sin

from oaktag.geometry import Box, Path, Point, Transform
from oaktag.pattern.lettering import Polyline
from oaktag_plugins.tech_pack.figure import Align, Figure, FigureLine, FigureText, Fill, Weight
from oaktag_plugins.tech_pack.wording import in_figure

TEXT = 3.6
"""Size of the type in pictures, mm: at 120 mm across a phone shows it large enough to read."""
WIDTH = 120.0
"""How wide a picture is at most, mm."""
MARGIN = 1.5

DASHED = (2.0, 1.2)
DASH_DOT = (4.0, 1.2, 0.6, 1.2)
DOTTED = (0.6, 1.0)

_ADVANCE = 0.58  # width of a letter as a share of its size, on the wide side for a sans serif
_ASCENT, _DESCENT = 0.75, 0.22  # of a line of type, as shares of its size
_CHORD = 0.02  # mm on paper
_DOT = 1.2  # from one point of a line to the next, to see whether text runs into it, mm
_GAP = 0.6  # that text keeps from everything else, mm


Corners = tuple[Point, Point, Point, Point]
"""Of a rectangle turned in any way: lower left, lower right, upper right, upper left, as a text reads."""


def text_box(text: FigureText) -> Corners:
    """The corners of the rectangle that a text takes at most, whatever sans serif it is set in."""
    width = _ADVANCE * text.size * len(text.text)
    left = {"left": 0.0, "centre": -0.5 * width, "right": -width}[text.align]
    bottom, top = -_DESCENT * text.size, _ASCENT * text.size
    turn = Transform.rotation(text.angle).then(Transform.translation(*text.position))
    a, b, c, d = (
        turn.apply(corner)
        for corner in ((left, bottom), (left + width, bottom), (left + width, top), (left, top))
    )
    return a, b, c, d


def boxes_overlap(first: Sequence[Point], second: Sequence[Point], gap: float = 0.0) -> bool:
    """Whether two rectangles, turned in any way, come nearer than `gap` (separating axes)."""
    for corners in (first, second):
        for start, end in ((corners[0], corners[1]), (corners[1], corners[2])):
            length = hypot(end[0] - start[0], end[1] - start[1])
            if length == 0.0:
                continue
            ux, uy = (end[0] - start[0]) / length, (end[1] - start[1]) / length
            one = [ux * x + uy * y for x, y in first]
            other = [ux * x + uy * y for x, y in second]
            if min(other) - max(one) >= gap or min(one) - max(other) >= gap:
                return False
    return True


class Sketch:
    """A picture that is being drawn, in mm on paper about any origin."""

    def __init__(self) -> None:
        self.lines: list[tuple[Polyline, FigureLine]] = []
        self.texts: list[FigureText] = []
        self._boxes: list[Corners] = []
        self._dots: list[Point] = []

    def line(
        self,
        shape: Path | Sequence[Point],
        weight: Weight = "medium",
        *,
        place: Transform | None = None,
        dashes: tuple[float, ...] = (),
        fill: Fill = "none",
        clear: bool = True,
    ) -> None:
        """Draw a line.

        Args:
            shape: mm, of the bag if there is a place, else on paper.
            weight: how heavy.
            place: from the bag to the paper.
            dashes: as in `FigureLine`.
            fill: as in `FigureLine`.
            clear: whether text keeps clear of it.
        """
        scale = 1.0 if place is None else place.scale
        points = shape.flatten(_CHORD / scale) if isinstance(shape, Path) else tuple(shape)
        if place is not None:
            points = tuple(place.apply(point) for point in points)
        self.lines.append((points, FigureLine(points, weight, dashes, fill)))
        if clear:
            self._dots.extend(_dotted(points))

    def text(
        self,
        text: str,
        position: Point,
        size: float = TEXT,
        *,
        align: Align = "centre",
        angle: float = 0.0,
    ) -> None:
        """Write a text where it is told to stand."""
        self._add(FigureText(in_figure(text), position, size, align, angle))

    def _add(self, text: FigureText) -> None:
        self.texts.append(text)
        self._boxes.append(text_box(text))

    def label(
        self,
        text: str,
        at: Point,
        outward: Point,
        *,
        size: float = TEXT,
        off: float = 1.2,
        angle: float = 0.0,
        reach: float = 24.0,
        must: bool = True,
    ) -> bool:
        """Write a text beside a place, as near to it as there is room, with a thin line to it from afar.

        Args:
            text: one line.
            at: the place on paper.
            outward: unit vector towards the side on which the text may stand.
            size: of the type, mm.
            off: the least distance between the place and the text, mm.
            angle: of the text, degrees; where there is no room for it so, it stands level.
            reach: how much farther the text may stand, mm.
            must: whether it is written where there is no room for it too.

        Returns:
            Whether it has been written.
        """
        if not text.strip():
            return True
        line = in_figure(text)

        def places() -> Iterator[FigureText]:
            for turned in dict.fromkeys((angle, 0.0)):
                yield from self._candidates(line, at, outward, size, off, turned, reach)

        for candidate in places():
            lead = _lead(candidate, at, off)
            if self._free(candidate) and not self._crosses_text(lead):
                if lead:
                    self.line(lead, "thin")
                self._add(candidate)
                return True
        if must:
            # Better across a line than across another text.
            clear = (text for text in places() if self._clear_of_text(text_box(text)))
            self._add(next(clear, next(places())))
        return must

    def _candidates(
        self, text: str, at: Point, outward: Point, size: float, off: float, angle: float, reach: float
    ) -> Iterator[FigureText]:
        half = (0.5 * _ADVANCE * size * len(text), 0.5 * (_ASCENT + _DESCENT) * size)
        along = (cos(radians(angle)), sin(radians(angle)))
        across = (-along[1], along[0])
        drop = 0.5 * (_ASCENT - _DESCENT) * size  # from the middle of the type down to its base line
        steps = ceil(reach / 1.5)
        for step in range(steps + 1):
            for turn in (0.0, 20.0, -20.0, 40.0, -40.0, 60.0, -60.0):
                c, s = cos(radians(turn)), sin(radians(turn))
                direction = (c * outward[0] - s * outward[1], s * outward[0] + c * outward[1])
                # How far a rectangle's edge is from its middle in that direction.
                x = abs(direction[0] * along[0] + direction[1] * along[1])
                y = abs(direction[0] * across[0] + direction[1] * across[1])
                edge = min(half[0] / x if x > 1e-9 else 1e9, half[1] / y if y > 1e-9 else 1e9)
                away = off + edge + 1.5 * step
                middle = (at[0] + away * direction[0], at[1] + away * direction[1])
                base = (middle[0] - drop * across[0], middle[1] - drop * across[1])
                yield FigureText(text, base, size, "centre", angle)

    def _clear_of_text(self, box: Corners) -> bool:
        return not any(boxes_overlap(box, other, _GAP) for other in self._boxes)

    def _free(self, text: FigureText) -> bool:
        box = text_box(text)
        if not self._clear_of_text(box):
            return False
        (x0, y0), (x1, y1), _, (x3, y3) = box
        width, height = hypot(x1 - x0, y1 - y0), hypot(x3 - x0, y3 - y0)
        ux, uy = (x1 - x0) / width, (y1 - y0) / width
        for x, y in self._dots:
            u, v = (x - x0) * ux + (y - y0) * uy, (y - y0) * ux - (x - x0) * uy
            if -_GAP < u < width + _GAP and -_GAP < v < height + _GAP:
                return False
        return True

    def _crosses_text(self, lead: Sequence[Point]) -> bool:
        boxes = [text_box(text) for text in self.texts] if lead else []
        return any(
            boxes_overlap((point, point, point, point), box) for point in _dotted(lead) for box in boxes
        )

    @property
    def bounds(self) -> Box:
        """The box around everything that has been drawn and written, on paper."""
        points = [point for shape, _ in self.lines for point in shape]
        points += [corner for box in self._boxes for corner in box]
        return Box.around(points)

    def figure(self) -> Figure:
        """The picture, moved so that it begins at (0, 0); coordinates to a hundredth of a millimetre."""
        box = self.bounds
        dx, dy = MARGIN - box.min_x, MARGIN - box.min_y

        def moved(point: Point) -> Point:
            return round(point[0] + dx, 2) + 0.0, round(point[1] + dy, 2) + 0.0

        lines = tuple(
            replace(line, shape=_thinned([moved(point) for point in shape])) for shape, line in self.lines
        )
        texts = tuple(
            FigureText(text.text, moved(text.position), text.size, text.align, round(text.angle, 2) + 0.0)
            for text in self.texts
        )
        width, height = box.width + 2.0 * MARGIN, box.height + 2.0 * MARGIN
        return Figure(round(width, 2), round(height, 2), lines, texts)


def fitted(boxes: Iterable[Box], width: float, height: float) -> float:
    """The scale at which the union of boxes fits, at most 1: nothing is drawn larger than life."""
    parts = list(boxes)
    box = parts[0]
    for other in parts[1:]:
        box = box.union(other)
    return min(1.0, width / max(box.width, 1e-9), height / max(box.height, 1e-9))


def outward_at(path: Path, s: float, *, clockwise: bool) -> Point:
    """The unit vector that points out of a closed outline at a station of one of its runs."""
    tx, ty = path.tangent_at(s)
    return (-ty, tx) if clockwise else (ty, -tx)


def text_width(text: str, size: float = TEXT) -> float:
    """How wide a text is at most, mm."""
    return _ADVANCE * size * len(text)


def upright(tangent: Point) -> float:
    """The angle of a text along a direction, never upside down, degrees."""
    angle = round(degrees(atan2(tangent[1], tangent[0])), 6)
    if not -90.0 < angle <= 90.0:
        angle += 180.0 if angle <= -90.0 else -180.0
    return angle


def _lead(text: FigureText, at: Point, off: float) -> tuple[Point, ...]:
    """A line from a place to its text, if that stands too far off to see what it belongs to."""
    corners = text_box(text)
    ends = [*corners, *(_middle(a, b) for a, b in zip(corners, (*corners[1:], corners[0]), strict=True))]
    end = min(ends, key=lambda point: hypot(point[0] - at[0], point[1] - at[1]))
    length = hypot(end[0] - at[0], end[1] - at[1])
    if length <= off + 3.0:
        return ()
    return (at[0] + 0.6 * (end[0] - at[0]) / length, at[1] + 0.6 * (end[1] - at[1]) / length), end


def _dotted(points: Sequence[Point]) -> Iterator[Point]:
    for (x0, y0), (x1, y1) in pairwise(points):
        count = max(1, ceil(hypot(x1 - x0, y1 - y0) / _DOT))
        for step in range(count + 1):
            share = step / count
            yield x0 + share * (x1 - x0), y0 + share * (y1 - y0)


def _thinned(points: Sequence[Point]) -> Polyline:
    """The points without those that rounding made the same as the one before; at least two."""
    kept = [points[0]]
    kept += [point for before, point in pairwise(points) if point != before]
    return tuple(kept) if len(kept) > 1 else (points[0], points[-1])


def _middle(a: Point, b: Point) -> Point:
    return 0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])
