"""`export.png`: a picture of the sheet to look at, not to cut from; drawn by cairo from the SVG."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.pattern.drawing import LINE_STYLES, ROLES, LineStyle, Role
from oaktag.pattern.sheet import draw_sheet
from oaktag.pattern.shown import Shown, page_of
from oaktag_plugins.export_svg import sheet_svg
from oaktag_plugins.exporting.result_file import ResultFile, with_file

READER = "oaktag_plugins.reading.png:differences_in"
MARGIN = 10.0
"""Empty margin around everything, mm."""

_THINNEST = 1.0  # px; thinner lines fade to grey
_THICKEST = 2.0  # px; what a cut line needs to stand out, and thin enough to leave its notches visible
_SHORTEST_DASH = 6.0  # px


class PngOptions(Options):
    """Options of `export.png`."""

    file: ResultFile = "pattern.png"
    """Name of the file, below the result folder."""

    width: Annotated[int, Field(ge=100, le=10_000)] = 1600
    """Width of the picture in pixels."""


def run(draft: Draft, options: PngOptions) -> Draft:
    """Draw all pieces on one sheet and add it as a picture.

    Where the system's cairo library is missing, the draft gets a note instead of a picture.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    try:
        from cairosvg import svg2png
    except OSError:
        return draft.with_findings(
            [
                Finding(
                    "note",
                    "preview-skipped",
                    f"{options.file} isn't drawn: the system's cairo library is missing; install the package "
                    "libcairo2 (Debian's name for it) and make the pattern again",
                )
            ]
        )
    sheet = draw_sheet(draft)
    wide, high = sheet.bounds.width + 2.0 * MARGIN, sheet.bounds.height + 2.0 * MARGIN
    svg = sheet_svg(sheet, MARGIN, preview_styles(options.width / wide))
    picture = svg2png(
        bytestring=svg.encode(),
        output_width=options.width,
        output_height=max(1, round(options.width * high / wide)),
        background_color="white",
    )
    page = page_of(sheet, MARGIN - sheet.bounds.min_x, MARGIN - sheet.bounds.min_y)
    shown = Shown((page,), {role: role for role in ROLES}, scale=options.width / wide)
    return with_file(draft, options.file, "png", picture, shown=shown, reader=READER)


def preview_styles(pixels: float) -> dict[Role, LineStyle]:
    """Line styles for a picture of `pixels` to the mm: no line under a pixel, dashes that still show."""
    weights = [style.weight for style in LINE_STYLES.values()]
    thin, thick = min(weights), max(weights)
    dash = min(style.dashes[0] for style in LINE_STYLES.values() if style.dashes)
    longer = max(1.0, _SHORTEST_DASH / (dash * pixels))
    styles: dict[Role, LineStyle] = {}
    for role, style in LINE_STYLES.items():
        least = _THINNEST + (_THICKEST - _THINNEST) * (style.weight - thin) / (thick - thin)
        dashes = tuple(length * longer for length in style.dashes)
        styles[role] = LineStyle(max(style.weight, least / pixels), dashes)
    return styles


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.png`."""
    return (
        StageSpec(
            name="export.png",
            summary="Draw a preview picture of all pieces",
            run=f"{__name__}:run",
            options=f"{__name__}:PngOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
