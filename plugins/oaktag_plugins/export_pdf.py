"""`export.pdf`: one page for every piece, or one for all, true size."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from itertools import groupby
from math import ceil, cos, pi, sin, tan
from typing import TYPE_CHECKING, Literal

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Arc, Line, Path, Point
from oaktag.pattern.drawing import LINE_STYLES
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.sheet import Sheet, draw_piece_sheet, draw_sheet, drawn_pieces, sheet_title
from oaktag.recipe import NonNegativeLength
from oaktag_plugins.exporting.result_file import ResultFile, with_file

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

POINTS_PER_MM = 72.0 / 25.4
"""User space is 1/72 in: ISO 32000-1, 8.3.2."""
PAGE_LIMIT = 5080.0
"""Longest side of a page in mm: 14 400 units of 1/72 in (ISO 32000-1, annex C, from memory)."""
ARC_ERROR = 1e-3
"""Largest distance in mm between an arc and the Bezier curves drawn for it."""

_LARGEST_PART = 0.25 * pi


class PdfOptions(Options):
    """Options of `export.pdf`."""

    file: ResultFile = "pattern.pdf"
    """Name of the file, below the result folder."""

    pages: Literal["piece", "sheet"] = "piece"
    """One page for every piece, or one `sheet` for all of them."""

    margin: NonNegativeLength = 10.0
    """Empty margin around everything; printers leave about 6 mm of a page white."""


def run(draft: Draft, options: PdfOptions) -> Draft:
    """Draw the pieces and add them as PDF.

    A page that is longer than the format allows is reported as an error, and no file is made.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    if options.pages == "sheet":
        pages = [(draw_sheet(draft), "the sheet with all pieces")]
    else:
        pages = [(draw_piece_sheet(draft, piece), piece.id) for piece in drawn_pieces(draft)]
    too_large = tuple(_too_large(pages, options))
    if too_large:
        return draft.with_findings(too_large)
    names = {piece.id: piece.name for piece in draft.pieces}
    data = _pdf([sheet for sheet, _ in pages], names, sheet_title(draft), options.margin)
    return with_file(draft, options.file, "pdf", data)


def _too_large(pages: list[tuple[Sheet, str]], options: PdfOptions) -> Iterator[Finding]:
    for sheet, what in pages:
        longest = max(sheet.bounds.width, sheet.bounds.height) + 2.0 * options.margin
        if longest > PAGE_LIMIT:
            instead = 'set pages to "piece", or ' if options.pages == "sheet" else "split the piece, or "
            yield Finding(
                "error",
                "page-too-large",
                f"{options.file} isn't made: a page for {what} would be {longest:.0f} mm long, and a PDF page"
                f" can't be longer than {PAGE_LIMIT:.0f} mm; {instead}use export.svg or export.dxf, which"
                " have no such limit",
                "" if options.pages == "sheet" else what,
            )


def _pdf(sheets: list[Sheet], names: dict[str, str], title: str, margin: float) -> bytes:
    from reportlab.pdfgen.canvas import Canvas

    buffer = BytesIO()
    # PrintScaling came with PDF 1.6. `invariant` keeps the clock and random ids out of the file; a
    # SOURCE_DATE_EPOCH is honoured.
    canvas = Canvas(buffer, pageCompression=1, invariant=1, pdfVersion=(1, 6))
    canvas.setTitle(title)
    canvas.setSubject("True size, mm. Print at actual size and check the scale squares.")
    canvas.setAuthor("")
    canvas.setCreator("oaktag")
    canvas.setViewerPreference("PrintScaling", "None")
    for number, sheet in enumerate(sheets):
        box = sheet.bounds.expanded(margin)
        canvas.setPageSize((box.width * POINTS_PER_MM, box.height * POINTS_PER_MM))
        _draw(canvas, sheet, box.min_x, box.min_y)
        _bookmark(canvas, sheet, names, number, box.min_x, box.min_y)
        canvas.showPage()
    canvas.showOutline()
    canvas.save()
    return buffer.getvalue()


def _draw(canvas: Canvas, sheet: Sheet, left: float, bottom: float) -> None:
    canvas.saveState()
    # From here on a unit is a millimetre, also for line widths and dashes.
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.setStrokeGray(0.0)
    canvas.setLineCap(0)
    canvas.setLineJoin(1)
    pen = _Pen(-left, -bottom)
    for role, strokes in groupby(sheet.strokes, key=lambda stroke: stroke.role):
        style = LINE_STYLES[role]
        canvas.setLineWidth(style.weight)
        canvas.setDash(list(style.dashes))
        # Operators written at once: the library's own path object takes ten times as long for letters.
        canvas.addLiteral("\n".join([pen.operators(stroke.shape) for stroke in strokes]) + " S")
    canvas.restoreState()


@dataclass(frozen=True, slots=True)
class _Pen:
    """Writes shapes, moved by (dx, dy) mm, as path construction operators (ISO 32000-1, 8.5.2)."""

    dx: float
    dy: float

    def operators(self, shape: Path | Polyline) -> str:
        if not isinstance(shape, Path):
            # Letters are most of the file; 0.01 mm is enough for them.
            dx, dy = self.dx, self.dy
            return " l ".join([f"{x + dx:.2f} {y + dy:.2f}" for x, y in shape]).replace("l", "m", 1) + " l"
        parts = [f"{self._points(shape.start)} m"]
        for segment in shape.segments:
            if isinstance(segment, Line):
                parts.append(f"{self._points(segment.end)} l")
                continue
            beziers = arc_beziers(segment) if isinstance(segment, Arc) else segment.beziers
            parts.extend(f"{self._points(*bezier[1:])} c" for bezier in beziers)
        if shape.closed:
            parts.append("h")
        return " ".join(parts)

    def _points(self, *points: Point) -> str:
        return " ".join([f"{x + self.dx:.4f} {y + self.dy:.4f}" for x, y in points])


def arc_beziers(arc: Arc) -> tuple[tuple[Point, Point, Point, Point], ...]:
    """A circular arc as cubic Bezier curves of at most 45 degrees, within `ARC_ERROR` of it.

    Each has its inner points on the end tangents, at 4/3·tan(θ/4) of the radius; it then strays outward by at
    most 2/27·sin⁶(θ/4)/cos²(θ/4) of the radius (Goldapp 1991, from memory).
    """
    parts = ceil(abs(arc.sweep) / _LARGEST_PART - 1e-12)
    while _stray(arc, parts) > ARC_ERROR:
        parts += 1
    step = arc.sweep / parts
    handle = 4.0 / 3.0 * tan(0.25 * step) * arc.radius
    x, y = arc.center
    pieces: list[tuple[Point, Point, Point, Point]] = []
    start, angle = arc.start, arc.start_angle
    for number in range(1, parts + 1):
        turned = arc.start_angle + number * step
        end = arc.end if number == parts else (x + arc.radius * cos(turned), y + arc.radius * sin(turned))
        pieces.append(
            (
                start,
                (start[0] - handle * sin(angle), start[1] + handle * cos(angle)),
                (end[0] + handle * sin(turned), end[1] - handle * cos(turned)),
                end,
            )
        )
        start, angle = end, turned
    return tuple(pieces)


def _stray(arc: Arc, parts: int) -> float:
    quarter = 0.25 * abs(arc.sweep) / parts
    return arc.radius * 2.0 / 27.0 * sin(quarter) ** 6 / cos(quarter) ** 2


def _bookmark(
    canvas: Canvas, sheet: Sheet, names: dict[str, str], page: int, left: float, bottom: float
) -> None:
    for placement in sheet.placements:
        cut = next(stroke for stroke in sheet.strokes if stroke.piece == placement.piece).path.bounds
        key = f"{page}-{placement.piece}"
        canvas.bookmarkPage(
            key,
            fit="FitR",
            left=(cut.min_x - left) * POINTS_PER_MM,
            bottom=(cut.min_y - bottom) * POINTS_PER_MM,
            right=(cut.max_x - left) * POINTS_PER_MM,
            top=(cut.max_y - bottom) * POINTS_PER_MM,
        )
        canvas.addOutlineEntry(names[placement.piece], key)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.pdf`."""
    return (
        StageSpec(
            name="export.pdf",
            summary="Draw the pieces as PDF, true size: a page for every piece or one for all",
            run=f"{__name__}:run",
            options=f"{__name__}:PdfOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
