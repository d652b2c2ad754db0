"""`export.pdf`: true size, one page for every piece, for all of them, or sheets of paper or a roll."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import ceil
from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.pattern.sheet import (
    PieceDrawing,
    Sheet,
    draw_piece_sheet,
    draw_sheet,
    draw_sheets,
    drawn_pieces,
    sheet_title,
)
from oaktag.pattern.shown import page_of
from oaktag.recipe import NonNegativeLength, refuse_value
from oaktag.recipe.options import Length
from oaktag_plugins.exporting.paper import (
    PAGE_LIMIT,
    Orientation,
    Paper,
    PaperSize,
    paper_of,
    smallest_paper,
)
from oaktag_plugins.exporting.pdf_file import (
    READER,
    Bookmark,
    PdfPage,
    bookmarks_of,
    material_layers,
    pdf_file,
    shown_by,
)
from oaktag_plugins.exporting.result_file import ResultFile, with_file


class PdfOptions(Options):
    """Options of `export.pdf`."""

    file: ResultFile = "pattern.pdf"
    """Name of the file, below the result folder."""

    pages: Literal["piece", "sheet"] | None = None
    """A page for every `piece`, or a `sheet` with as many pieces as fit: all, if neither paper nor roll is
    given. Without this option pieces have pages of their own unless paper, a roll or by-material ask for
    sheets."""

    paper: PaperSize | None = None
    """Size of the sheets: a standard name such as `A0`, or `420 x 594 mm`."""

    orientation: Orientation = "auto"
    """How the paper lies; `auto` is whatever needs fewer sheets."""

    roll: Annotated[Length, Field(ge=100, le=PAGE_LIMIT)] | None = None
    """Width of a roll; the page becomes as long as it has to be."""

    by_material: bool = False
    """Whether every material has sheets of its own."""

    layers: bool = False
    """Whether every material is a layer that viewers can hide."""

    margin: NonNegativeLength = 10.0
    """Empty margin around everything; printers leave about 6 mm of a page white."""

    gap: NonNegativeLength = 20.0
    """Distance between pieces on a sheet."""

    @model_validator(mode="after")
    def _one_way(self) -> PdfOptions:
        if self.paper is not None and self.roll is not None:
            raise refuse_value("has both paper and a roll", "one of them", "leave out paper or roll")
        sized = self.paper is not None or self.roll is not None
        if self.pages == "piece" and (sized or self.by_material):
            raise refuse_value(
                "puts every piece on a page of its own size, but paper, roll or by-material ask for sheets",
                'pages = "sheet" with those',
                "leave out pages, or set it to sheet",
            )
        if self.orientation != "auto" and self.paper is None:
            raise refuse_value("has an orientation, but no paper", "both", "add paper, such as A0")
        return self

    @property
    def single(self) -> bool:
        """Whether every piece has a page of its own."""
        sized = self.paper is not None or self.roll is not None or self.by_material
        return self.pages == "piece" or (self.pages is None and not sized)


def run(draft: Draft, options: PdfOptions) -> Draft:
    """Draw the pieces and add them as PDF.

    A page that is longer than the format allows, and a piece that fits on no sheet, are reported as errors,
    and no file is made.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    if options.single:
        sheets = tuple(draw_piece_sheet(draft, piece) for piece in drawn_pieces(draft))
        sizes = [_around(sheet, options.margin) for sheet in sheets]
    elif options.paper is not None:
        paper, sheets = _on_paper(draft, paper_of(options.paper), options)
        too_small = tuple(_too_small(draft, paper, sheets, options))
        if too_small:
            return draft.with_findings(too_small)
        sizes = [(paper.width, paper.height)] * len(sheets)
    elif options.roll is not None:
        room = options.roll - 2.0 * options.margin
        sheets = _sheets(draft, room, PAGE_LIMIT - 2.0 * options.margin, options) if room > 0.0 else ()
        too_small = tuple(_too_narrow(draft, options.roll, sheets, options))
        if too_small:
            return draft.with_findings(too_small)
        sizes = [(options.roll, _around(sheet, options.margin)[1]) for sheet in sheets]
    else:
        sheets = (
            draw_sheets(draft, gap=options.gap, by_material=True)
            if options.by_material
            else (draw_sheet(draft, options.gap),)
        )
        sizes = [_around(sheet, options.margin) for sheet in sheets]
    too_large = tuple(_too_large(sheets, sizes, options))
    if too_large:
        return draft.with_findings(too_large)
    pages = [
        PdfPage(
            page_of(sheet, options.margin - sheet.bounds.min_x, options.margin - sheet.bounds.min_y), *size
        )
        for sheet, size in zip(sheets, sizes, strict=True)
    ]
    marks: list[Bookmark] = []
    for number, page in enumerate(pages):
        marks += bookmarks_of(draft, page, number)
    layers = material_layers(draft) if options.layers else None
    data = pdf_file(sheet_title(draft), sheets, pages, layers=layers, bookmarks=marks)
    return with_file(draft, options.file, "pdf", data, shown=shown_by(pages), reader=READER)


def _around(sheet: Sheet, margin: float) -> tuple[float, float]:
    return sheet.bounds.width + 2.0 * margin, sheet.bounds.height + 2.0 * margin


def _sheets(draft: Draft, width: float, height: float, options: PdfOptions) -> tuple[Sheet, ...]:
    """Sheets of a size; none if even title and scale squares are higher than that."""
    try:
        return draw_sheets(
            draft, gap=options.gap, width=width, height=height, turn=True, by_material=options.by_material
        )
    except ValueError:
        return ()


def _on_paper(draft: Draft, paper: Paper, options: PdfOptions) -> tuple[Paper, tuple[Sheet, ...]]:
    """The sheets, and how the paper lies: the way in which all fits, and then with fewer sheets."""
    ways: list[tuple[bool, int, int, Paper, tuple[Sheet, ...]]] = []
    for number, way in enumerate(paper.orientations(options.orientation)):
        width, height = way.width - 2.0 * options.margin, way.height - 2.0 * options.margin
        sheets = _sheets(draft, width, height, options) if min(width, height) > 0.0 else ()
        fits = bool(sheets) and all(_fits(sheet, width, height) for sheet in sheets)
        ways.append((not fits, len(sheets), number, way, sheets))
    *_, best, sheets = min(ways, key=lambda way: way[:3])
    return best, sheets


def _fits(sheet: Sheet, width: float, height: float) -> bool:
    return sheet.bounds.width <= width + 1e-6 and sheet.bounds.height <= height + 1e-6


def _too_small(draft: Draft, paper: Paper, sheets: Sequence[Sheet], options: PdfOptions) -> Iterator[Finding]:
    """What doesn't fit on paper: pieces, or title and scale squares."""
    margins = 2.0 * options.margin
    if sheets and all(_fits(sheet, paper.width - margins, paper.height - margins) for sheet in sheets):
        return
    rooms = [(way.width - margins, way.height - margins) for way in paper.orientations(options.orientation)]
    where = f"{paper.name} ({paper.width:g} x {paper.height:g} mm, margin {options.margin:g} mm)"
    yield from _culprits(draft, rooms, where, options, lambda boxes: smallest_paper(boxes, options.margin))


def _too_narrow(draft: Draft, roll: float, sheets: Sequence[Sheet], options: PdfOptions) -> Iterator[Finding]:
    margins = 2.0 * options.margin
    if sheets and all(_fits(sheet, roll - margins, PAGE_LIMIT - margins) for sheet in sheets):
        return

    def narrowest(boxes: Sequence[tuple[float, float]]) -> str:
        return f"a roll {ceil(min(width for width, _ in boxes) + margins)} mm wide"

    where = f"a roll {roll:g} mm wide (margin {options.margin:g} mm)"
    yield from _culprits(draft, [(roll - margins, PAGE_LIMIT - margins)], where, options, narrowest)


def _culprits(
    draft: Draft,
    rooms: Sequence[tuple[float, float]],
    where: str,
    options: PdfOptions,
    smallest: Callable[[Sequence[tuple[float, float]]], str],
) -> Iterator[Finding]:
    """The largest piece that fits in no room, with its title below; or that not all fit in one of them."""
    whole = draw_sheets(draft, gap=0.0, by_material=options.by_material)
    foot = _foot(draft)
    title = draw_sheets(draft.evolve(pieces=()))[0].bounds.width
    boxes: list[tuple[float, float]] = []
    culprits: list[tuple[float, PieceDrawing, list[tuple[float, float]]]] = []
    for drawing in (drawing for sheet in whole for drawing in sheet.drawings):
        wide, high = drawing.bounds.width, drawing.bounds.height
        ways = [(max(a, title), b + foot) for a, b in ((wide, high), (high, wide))]
        boxes.append(min(ways, key=lambda way: way[0] * way[1]))
        if not any(a <= width + 1e-6 and b <= height + 1e-6 for a, b in ways for width, height in rooms):
            culprits.append((max(wide, high), drawing, ways))
    if culprits:
        _, drawing, ways = max(culprits, key=lambda culprit: culprit[0])
        more = f", nor do {len(culprits) - 1} other pieces" if len(culprits) > 1 else ""
        what = (
            f"{drawing.name} is {drawing.bounds.width:.0f} x {drawing.bounds.height:.0f} mm, which with its"
            f" title below doesn't fit on {where}{more}"
        )
        yield _finding(options, what, smallest(ways), drawing.piece)
        return
    largest = (max([title, *(a for a, _ in boxes)]), max([foot, *(b for _, b in boxes)]))
    what = f"not all pieces, and title and scale squares, fit on {where} as long as it lies one way"
    yield _finding(options, what, smallest([largest]))


def _foot(draft: Draft) -> float:
    """What a sheet needs below its pieces, with the lines that name its material and its number."""
    plain = -draw_sheets(draft.evolve(pieces=()))[0].bounds.min_y
    sheets = draw_sheets(draft, by_material=True)
    named = max(-sheet.bounds.min_y for sheet in sheets)
    # One material alone has one sheet, which isn't numbered: its second line is as high as its first.
    return named if len(sheets) > 1 else 2.0 * named - plain


def _finding(options: PdfOptions, what: str, needed: str, where: str = "") -> Finding:
    message = (
        f"{options.file} isn't made: {what}; the smallest that would do is {needed}, or use export.pdf-tiles"
    )
    return Finding("error", "sheet-too-small", message, where)


def _too_large(
    sheets: Sequence[Sheet], sizes: Sequence[tuple[float, float]], options: PdfOptions
) -> Iterator[Finding]:
    for sheet, size in zip(sheets, sizes, strict=True):
        if max(size) > PAGE_LIMIT + 1e-6:
            piece = sheet.placements[0].piece if options.single else ""
            instead = "split the piece, or " if options.single else 'set pages to "piece", or '
            yield Finding(
                "error",
                "page-too-large",
                f"{options.file} isn't made: a page for {piece or 'the sheet with all pieces'} would be"
                f" {max(size):.0f} mm long, and a PDF page can't be longer than {PAGE_LIMIT:.0f} mm;"
                f" {instead}use export.svg or export.dxf, which have no such limit",
                piece,
            )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.pdf`."""
    return (
        StageSpec(
            name="export.pdf",
            summary="Draw the pieces as PDF, true size: a page for every piece, sheets of paper, or a roll",
            run=f"{__name__}:run",
            options=f"{__name__}:PdfOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
