"""`export.pdf-tiles`: true size on the paper of a home printer, page by page, to be put together."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.pattern.sheet import PieceDrawing, Sheet, do_not_cut, draw_sheets, sheet_title
from oaktag.pattern.shown import Page
from oaktag.recipe import NonNegativeLength
from oaktag.recipe.options import Length
from oaktag_plugins.exporting.page_marks import LEAST_AREA, FrontMatter, front_pages, tile_items
from oaktag_plugins.exporting.paper import Orientation, Paper, PaperSize, paper_of, smallest_paper
from oaktag_plugins.exporting.pdf_file import (
    READER,
    Bookmark,
    PdfPage,
    material_layers,
    pdf_file,
    shown_by,
)
from oaktag_plugins.exporting.result_file import ResultFile, with_file
from oaktag_plugins.exporting.tiling import Tiling, tile_pieces

_SUBJECT = "True size, mm, over several pages. Print at actual size and measure the first page."


class PdfTilesOptions(Options):
    """Options of `export.pdf-tiles`."""

    file: ResultFile = "pattern-tiles.pdf"
    """Name of the file, below the result folder."""

    paper: PaperSize = "A4"
    """Size of the pages: a standard name such as `Letter`, or `210 x 297 mm`."""

    orientation: Orientation = "auto"
    """How the paper lies; `auto` is whatever needs fewer pages."""

    margin: Annotated[Length, Field(ge=6, le=50)] = 10.0
    """Edge of each page that stays white; printers leave about 6 mm so."""

    overlap: Annotated[Length, Field(ge=6, le=50)] = 10.0
    """Width of the strip that neighbouring pages both show."""

    gap: NonNegativeLength = 10.0
    """Distance between pieces."""

    layers: bool = False
    """Whether every material is a layer that viewers can hide."""


def run(draft: Draft, options: PdfTilesOptions) -> Draft:
    """Lay the pieces out over pages and add them as PDF.

    Paper that the first page with test square, rules and map doesn't fit on is an error, and no file is made.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    (whole,) = draw_sheets(draft)
    papers = paper_of(options.paper).orientations(options.orientation)
    if not all(_holds_front(way, options.margin) for way in papers):
        needed = smallest_paper([LEAST_AREA], options.margin)
        message = (
            f"{options.file} isn't made: {options.paper} with a margin of {options.margin:g} mm has no room"
            f" for the first page with test square, rules and map; take paper of at least {needed},"
            " or a smaller margin"
        )
        return draft.with_findings([Finding("error", "sheet-too-small", message)])
    tiling = tile_pieces(
        draft, whole.drawings, papers, margin=options.margin, overlap=options.overlap, gap=options.gap
    )
    pages = [*_front(draft, tiling, whole), *_tiles(draft, tiling)]
    first = len(pages) - len(tiling.tiles)
    marks = [Bookmark("Test square, map and list of pieces", 0, tiling.window)]
    marks += [
        Bookmark(tile.label, number, tiling.window) for number, tile in enumerate(tiling.tiles, start=first)
    ]
    data = pdf_file(
        sheet_title(draft),
        [whole],
        pages,
        subject=_SUBJECT,
        layers=material_layers(draft) if options.layers else None,
        bookmarks=marks,
    )
    return with_file(draft, options.file, "pdf", data, shown=shown_by(pages), reader=READER)


def _holds_front(paper: Paper, margin: float) -> bool:
    short, long = sorted((paper.width - 2.0 * margin, paper.height - 2.0 * margin))
    return short >= LEAST_AREA[0] and long >= LEAST_AREA[1]


def _front(draft: Draft, tiling: Tiling, whole: Sheet) -> list[PdfPage]:
    paper = tiling.paper
    matter = FrontMatter(
        (
            sheet_title(draft),
            f"true size on {len(tiling.tiles)} pages, {paper.width:.4g} x {paper.height:.4g} mm",
        ),
        do_not_cut(draft),
        tuple(
            f"{number}. {drawing.name}: {', '.join(_pages_of(tiling, drawing))}"
            for number, drawing in enumerate(whole.drawings, start=1)
        ),
    )
    outlines = [draft.piece(drawing.piece).outline for drawing in whole.drawings]
    fronts = front_pages(tiling, whole.drawings, outlines, matter)
    return [
        PdfPage(Page((), items), paper.width, paper.height, f"front {number}")
        for number, items in enumerate(fronts, start=1)
    ]


def _pages_of(tiling: Tiling, drawing: PieceDrawing) -> list[str]:
    """The pages that are needed for a piece: those in whose frame some of it lies."""
    return [tile.label for tile in tiling.tiles if drawing.piece in tiling.pieces[tile]]


def _tiles(draft: Draft, tiling: Tiling) -> list[PdfPage]:
    places = {placement.piece: placement for placement in tiling.placements}
    warning, title = do_not_cut(draft), sheet_title(draft)
    pages: list[PdfPage] = []
    for number, tile in enumerate(tiling.tiles, start=1):
        running = f"{title}, {tile.label}, page {number} of {len(tiling.tiles)}, print at 100 %"
        dx, dy = tiling.offset(tile)
        placements = tuple(places[piece].shifted(dx, dy) for piece in tiling.pieces[tile])
        page = Page(placements, tile_items(tiling, tile, running, warning), tiling.window)
        pages.append(PdfPage(page, tiling.paper.width, tiling.paper.height, tile.label))
    return pages


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.pdf-tiles`."""
    return (
        StageSpec(
            name="export.pdf-tiles",
            summary="Draw the pieces as PDF, true size, over pages of a home printer's paper",
            run=f"{__name__}:run",
            options=f"{__name__}:PdfTilesOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
