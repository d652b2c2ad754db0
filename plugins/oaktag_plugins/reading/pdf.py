"""Reading PDF patterns back with PDFium, which didn't write them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from ctypes import byref, c_float, c_uint, c_ulong, create_string_buffer, sizeof
from dataclasses import dataclass, field
from math import ceil, hypot, sqrt
from typing import Any

from oaktag import Draft
from oaktag.geometry import Box, Point
from oaktag.pattern import Artifact
from oaktag.pattern.drawing import LineStyle
from oaktag.pattern.read_back import FLATTENED, Difference, Found, FoundLine, differences
from oaktag.pattern.shown import Page
from oaktag_plugins.exporting.pdf_file import line_key

_MM_PER_POINT = 25.4 / 72.0
_EVEN = 1e-4  # share by which a line may be scaled differently along x and y
_OVER_EDGE = 0.01  # mm
_BLACK, _WHITE = (0, 0, 0), (255, 255, 255)
_NEAR = 1.0  # mm around a window within which lines are read
_NO_PIECE = ""

_Matrix = tuple[float, float, float, float, float, float]
_Colour = tuple[int, int, int]


def differences_in(draft: Draft, artifact: Artifact) -> Iterable[Difference]:
    """How a PDF file differs from the draft.

    Besides lines, pieces and pages all lines must be black on white or white on black, and nothing that is
    shown may lie beyond the edges of its page.

    Raises:
        Exception: the library can't read the file.
    """
    from pypdfium2 import PdfDocument

    shown = artifact.shown
    assert shown is not None
    lines: list[FoundLine] = []
    pieces: list[str] = []
    with PdfDocument(artifact.data) as document:
        count = len(document)
        for number in range(count):
            with closing(document[number]) as page:
                width, height = (side * _MM_PER_POINT for side in page.get_size())
                reading = _PageReading(
                    number, shown.pages[number].window if number < len(shown.pages) else None
                )
                reading.read(page.raw)
                if page.get_rotation():
                    yield Difference(f"page {number + 1} is turned")
            paper = Box(0.0, 0.0, width, height)
            yield from reading.colour_differences(paper)
            if number < len(shown.pages):
                yield from _over_the_edge(number, shown.pages[number], reading.lines, paper)
            lines += reading.lines
            pieces += reading.pieces
    yield from differences(draft, shown, Found(tuple(lines), pieces=tuple(pieces), pages=count))


def _over_the_edge(number: int, page: Page, lines: Iterable[FoundLine], paper: Box) -> Iterator[Difference]:
    """Whether what can be seen of a page is all on the paper."""
    seen = [page.window] if page.window else [Box.around(line.points) for line in lines]
    room = paper.expanded(_OVER_EDGE)
    for box in seen:
        if not (room.min_x <= box.min_x and room.min_y <= box.min_y) or not (
            box.max_x <= room.max_x and box.max_y <= room.max_y
        ):
            yield Difference(
                f"page {number + 1} is {paper.width:.1f} x {paper.height:.1f} mm, and what it shows reaches"
                f" from {box.min_x:.1f}, {box.min_y:.1f} to {box.max_x:.1f}, {box.max_y:.1f}"
            )
            return


@dataclass
class _PageReading:
    """What is on one page: lines in mm, the pieces that are placed there, colours, filled boxes.

    Paths that lie wholly outside the window, where nothing is compared, are passed over.
    """

    number: int
    window: Box | None = None
    lines: list[FoundLine] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)
    colours: set[_Colour] = field(default_factory=set)
    fills: list[tuple[Box, _Colour]] = field(default_factory=list)

    def read(self, page: Any) -> None:
        """Read all objects of a page, those of its forms among them."""
        from pypdfium2 import raw

        mm = (_MM_PER_POINT, 0.0, 0.0, _MM_PER_POINT, 0.0, 0.0)
        self._objects(
            lambda index: raw.FPDFPage_GetObject(page, index), raw.FPDFPage_CountObjects(page), mm, _NO_PIECE
        )

    def _objects(self, get: Callable[[int], Any], count: int, outer: _Matrix, piece: str) -> None:
        from pypdfium2 import raw

        for index in range(count):
            thing = get(index)
            kind = raw.FPDFPageObj_GetType(thing)
            matrix = _product(_matrix_of(thing), outer)
            if kind == raw.FPDF_PAGEOBJ_FORM:
                inside = _marked_piece(thing)
                if inside:
                    self.pieces.append(inside)
                self._objects(
                    lambda at, form=thing: raw.FPDFFormObj_GetObject(form, at),  # type: ignore[misc]
                    raw.FPDFFormObj_CountObjects(thing),
                    matrix,
                    inside or piece,
                )
            elif kind == raw.FPDF_PAGEOBJ_PATH:
                if self.window is None or _bounds_of(thing, outer).overlaps(self.window, _NEAR):
                    self._path(thing, matrix, piece)
            else:
                raise ValueError(
                    f"page {self.number + 1} has text, a picture or shading, which no exporter writes"
                )

    def _path(self, path: Any, matrix: _Matrix, piece: str) -> None:
        from pypdfium2 import raw

        mode, stroked = raw.c_int(), raw.FPDF_BOOL()
        raw.FPDFPath_GetDrawMode(path, byref(mode), byref(stroked))
        subpaths = list(_subpaths(path, matrix))
        if mode.value and subpaths:
            box = Box.around([point for points in subpaths for point in points])
            self.fills.append((box, _colour(path, raw.FPDFPageObj_GetFillColor)))
        if stroked.value:
            self.colours.add(_colour(path, raw.FPDFPageObj_GetStrokeColor))
            key = _style_key(path, matrix)
            self.lines.extend(FoundLine(key, tuple(points), piece, self.number) for points in subpaths)

    def colour_differences(self, paper: Box) -> Iterator[Difference]:
        """Whether every line can be told from the page's ground."""
        ground = _WHITE
        for box, colour in self.fills:
            if max(abs(a - b) for a, b in zip(box, paper, strict=True)) > _OVER_EDGE:
                yield Difference(f"page {self.number + 1} has something filled that isn't its ground")
                return
            ground = colour
        wanted = {_WHITE if ground == _BLACK else _BLACK}
        if ground not in (_BLACK, _WHITE) or (self.colours and self.colours != wanted):
            yield Difference(f"page {self.number + 1} isn't black on white or white on black")


def _matrix_of(thing: Any) -> _Matrix:
    from pypdfium2 import raw

    m = raw.FS_MATRIX()
    if not raw.FPDFPageObj_GetMatrix(thing, m):
        raise ValueError("an object has no place on its page")
    return (m.a, m.b, m.c, m.d, m.e, m.f)


def _bounds_of(thing: Any, outer: _Matrix) -> Box:
    """The box around an object, on the page."""
    from pypdfium2 import raw

    left, bottom, right, top = c_float(), c_float(), c_float(), c_float()
    if not raw.FPDFPageObj_GetBounds(thing, byref(left), byref(bottom), byref(right), byref(top)):
        raise ValueError("an object has no extent")
    a, b, c, d, e, f = outer
    corners = [(x, y) for x in (left.value, right.value) for y in (bottom.value, top.value)]
    return Box.around([(a * x + c * y + e, b * x + d * y + f) for x, y in corners])


def _product(inner: _Matrix, outer: _Matrix) -> _Matrix:
    """One matrix after another: ISO 32000-1, 8.3.4."""
    a, b, c, d, e, f = inner
    p, q, r, s, t, u = outer
    return (a * p + b * r, a * q + b * s, c * p + d * r, c * q + d * s, e * p + f * r + t, e * q + f * s + u)


def _marked_piece(thing: Any) -> str:
    """The id that an object's marked content gives; empty if it has none."""
    from pypdfium2 import raw

    for index in range(max(0, raw.FPDFPageObj_CountMarks(thing))):
        mark = raw.FPDFPageObj_GetMark(thing, index)
        length = c_ulong()
        if not raw.FPDFPageObjMark_GetParamStringValue(mark, b"ID", None, 0, byref(length)):
            continue
        text = create_string_buffer(length.value)
        raw.FPDFPageObjMark_GetParamStringValue(
            mark, b"ID", raw.cast(text, raw.POINTER(raw.FPDF_WCHAR)), sizeof(text), byref(length)
        )
        return text.raw.decode("utf-16-le").rstrip("\0")
    return ""


def _colour(thing: Any, get: Callable[..., Any]) -> _Colour:
    red, green, blue, opaque = c_uint(), c_uint(), c_uint(), c_uint()
    get(thing, byref(red), byref(green), byref(blue), byref(opaque))
    return (red.value, green.value, blue.value)


def _style_key(path: Any, matrix: _Matrix) -> str:
    """What a path's weight and dashes in mm are called."""
    from pypdfium2 import raw

    a, b, c, d, *_ = matrix
    scale = hypot(a, b)
    if abs(hypot(c, d) - scale) > _EVEN * scale or abs(a * c + b * d) > _EVEN * scale * scale:
        return "stretched unevenly"
    weight = c_float()
    raw.FPDFPageObj_GetStrokeWidth(path, byref(weight))
    count = max(0, raw.FPDFPageObj_GetDashCount(path))
    dashes = (c_float * count)()
    if count:
        raw.FPDFPageObj_GetDashArray(path, dashes, count)
    return line_key(LineStyle(weight.value * scale, tuple(dash * scale for dash in dashes)))


def _subpaths(path: Any, matrix: _Matrix) -> Iterator[list[Point]]:
    """Every subpath as points on the page; curves as chords."""
    from pypdfium2 import raw

    segment_at, point_of = raw.FPDFPath_GetPathSegment, raw.FPDFPathSegment_GetPoint
    kind_of = raw.FPDFPathSegment_GetType
    a, b, c, d, e, f = matrix
    x, y = c_float(), c_float()
    px, py = byref(x), byref(y)
    points: list[Point] = []
    handles: list[Point] = []
    last: Any = None
    for index in range(raw.FPDFPath_CountSegments(path)):
        segment = segment_at(path, index)
        kind = kind_of(segment)
        point_of(segment, px, py)
        u, v = x.value, y.value
        point = (a * u + c * v + e, b * u + d * v + f)
        if kind == raw.FPDF_SEGMENT_LINETO:
            points.append(point)
        elif kind == raw.FPDF_SEGMENT_MOVETO:
            if len(points) > 1:
                yield _closed(points, last)
            points = [point]
        else:
            handles.append(point)
            if len(handles) == 3:
                points += _flattened(points[-1], *handles)
                handles = []
        last = segment
    if len(points) > 1:
        yield _closed(points, last)


def _closed(points: list[Point], last: Any) -> list[Point]:
    from pypdfium2 import raw

    if raw.FPDFPathSegment_GetClose(last) and points[-1] != points[0]:
        points.append(points[0])
    return points


def _flattened(p: Point, q: Point, r: Point, s: Point) -> list[Point]:
    """The points of a cubic after its first; n chords stray by 3/4 of its bend over n² (from memory)."""
    bend = max(
        hypot(p[0] - 2.0 * q[0] + r[0], p[1] - 2.0 * q[1] + r[1]),
        hypot(q[0] - 2.0 * r[0] + s[0], q[1] - 2.0 * r[1] + s[1]),
    )
    count = max(1, ceil(sqrt(0.75 * bend / FLATTENED)))
    points: list[Point] = []
    for number in range(1, count):
        t = number / count
        u = 1.0 - t
        w0, w1, w2, w3 = u * u * u, 3.0 * u * u * t, 3.0 * u * t * t, t * t * t
        points.append(
            (
                w0 * p[0] + w1 * q[0] + w2 * r[0] + w3 * s[0],
                w0 * p[1] + w1 * q[1] + w2 * r[1] + w3 * s[1],
            )
        )
    points.append(s)
    return points
