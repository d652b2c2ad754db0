"""`export.projector`: all pieces on one page with heavy lines and a grid, to be projected onto cloth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import ceil
from typing import Annotated

from pydantic import AfterValidator, Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Box, Path
from oaktag.pattern.drawing import LINE_STYLES, ROLES, Item, LineStyle, Role, Stroke
from oaktag.pattern.sheet import draw_sheets, sheet_title
from oaktag.pattern.shown import Page, page_of
from oaktag.recipe import NonNegativeLength, refuse_value
from oaktag.recipe.options import Length
from oaktag_plugins.exporting.page_marks import sheet_line, sheet_text
from oaktag_plugins.exporting.paper import PAGE_LIMIT
from oaktag_plugins.exporting.pdf_file import READER, PdfPage, bookmarks_of, pdf_file, shown_by
from oaktag_plugins.exporting.result_file import ResultFile, with_file

_SUBJECT = "True size, mm. Set the projector up by the grid."
_FIGURES, _FIGURES_APART = 8.0, 100.0  # mm; height of the figures along the grid, and their distance
_FRAME = 5.0  # mm from the grid to the frame around it
_BORDER, _EDGE = 60.0, 20.0  # mm around everything, with figures and without
_LIGHTEST = 0.3  # of the heaviest weight, for the grid
_LONGER = 2.0  # how much longer dashes are, so that they stay dashes
_CUT: tuple[Role, ...] = ("cut", "hole", "notch")


def _grid(value: float) -> float:
    if value and not 10.0 <= value <= 500.0:
        raise refuse_value("is no side of a grid's squares", "0, or 10 mm to 500 mm")
    return value


class ProjectorOptions(Options):
    """Options of `export.projector`."""

    file: ResultFile = "pattern-projector.pdf"
    """Name of the file, below the result folder."""

    width: Annotated[Length, Field(ge=300, le=PAGE_LIMIT)] = 1500.0
    """Wanted width of the layout; a longer piece makes it wider."""

    gap: NonNegativeLength = 20.0
    """Distance between pieces."""

    weight: Annotated[Length, Field(ge=0.6, le=5)] = 1.5
    """Weight of cut lines, holes and notches; all other lines of a piece have two thirds of it."""

    grid: Annotated[Length, AfterValidator(_grid)] = 50.0
    """Side of the squares of the grid that the projector is set up by; 0 leaves the grid out."""

    dark: bool = False
    """Whether lines are white on black."""


def projector_styles(weight: float) -> Mapping[Role, LineStyle]:
    """Line styles for a projector: the same line types, far heavier; the grid stays lightest.

    Args:
        weight: of cut lines, mm.
    """
    thin = 2.0 / 3.0 * weight
    return {
        role: LineStyle(
            weight if role in _CUT else _LIGHTEST * weight if role == "sheet" else thin,
            tuple(_LONGER * length for length in LINE_STYLES[role].dashes),
        )
        for role in ROLES
    }


def run(draft: Draft, options: ProjectorOptions) -> Draft:
    """Draw all pieces on one page and add it as PDF.

    A page that is longer than the format allows is reported as an error, and no file is made.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    (sheet,) = draw_sheets(draft, gap=options.gap, width=options.width, turn=True)
    border = _BORDER if options.grid else _EDGE
    wide, high = sheet.bounds.width, sheet.bounds.height
    if options.grid:
        wide, high = (ceil(side / options.grid) * options.grid for side in (wide, high))
    size = (wide + 2.0 * border, high + 2.0 * border)
    if max(size) > PAGE_LIMIT:
        message = (
            f"{options.file} isn't made: its page would be {max(size):.0f} mm long, and a PDF page can't be"
            f" longer than {PAGE_LIMIT:.0f} mm; make the layout"
            f" {'narrower' if size[0] > size[1] else 'wider'},"
            " or use export.pdf"
        )
        return draft.with_findings([Finding("error", "page-too-large", message)])
    page = page_of(sheet, border - sheet.bounds.min_x, border - sheet.bounds.min_y)
    if options.grid:
        area = Box(border, border, border + wide, border + high)
        page = Page(page.placements, (*_grid_items(area, options.grid), *page.own))
    styles = projector_styles(options.weight)
    pages = [PdfPage(page, *size)]
    data = pdf_file(
        sheet_title(draft),
        [sheet],
        pages,
        subject=_SUBJECT,
        styles=styles,
        bookmarks=bookmarks_of(draft, pages[0], 0),
        white_on_black=options.dark,
    )
    return with_file(draft, options.file, "pdf", data, shown=shown_by(pages, styles), reader=READER)


def _grid_items(area: Box, side: float) -> Iterator[Item]:
    """A grid over an area with figures in mm on all four sides, and a frame around it."""
    every = max(1, ceil(_FIGURES_APART / side))
    frame = area.expanded(_FRAME)
    left, bottom, right, top = frame
    corners = ((left, bottom), (right, bottom), (right, top), (left, top))
    yield Stroke("sheet", Path.polyline(corners, closed=True))
    for number in range(round(area.width / side) + 1):
        x = area.min_x + number * side
        yield sheet_line((x, area.min_y), (x, area.max_y))
        if number % every == 0:
            figure = [f"{number * side:g}"]
            yield sheet_text(figure, _FIGURES, (x, frame.min_y - 3.0), anchor=(0.5, 1.0))
            yield sheet_text(figure, _FIGURES, (x, frame.max_y + 3.0), anchor=(0.5, 0.0))
    for number in range(round(area.height / side) + 1):
        y = area.min_y + number * side
        yield sheet_line((area.min_x, y), (area.max_x, y))
        if number % every == 0:
            figure = [f"{number * side:g}"]
            yield sheet_text(figure, _FIGURES, (frame.min_x - 3.0, y), anchor=(1.0, 0.5))
            yield sheet_text(figure, _FIGURES, (frame.max_x + 3.0, y), anchor=(0.0, 0.5))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.projector`."""
    return (
        StageSpec(
            name="export.projector",
            summary="Draw all pieces as one PDF page with heavy lines and a grid, for a projector",
            run=f"{__name__}:run",
            options=f"{__name__}:ProjectorOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
