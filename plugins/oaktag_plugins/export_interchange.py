"""`export.interchange`: a pattern-interchange file after ASTM D6673, for other makers' programs.

The layers' numbers, the names of the text fields and where a notch's depth and angle stand are from memory:
the standard was withdrawn in 2019, and its own tables were not at hand.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Literal

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Point
from oaktag.pattern import Piece
from oaktag.pattern.drawing import Item, Text
from oaktag.pattern.sheet import Sheet, do_not_cut, draw_sheet
from oaktag.pattern.shown import Page, Shown
from oaktag.recipe import PositiveLength
from oaktag_plugins.exporting import interchange
from oaktag_plugins.exporting.dxf_layers import block_names
from oaktag_plugins.exporting.dxf_pens import PlainPen
from oaktag_plugins.exporting.dxf_template import bare_file
from oaktag_plugins.exporting.dxf_text import left_out, seven_bit, written
from oaktag_plugins.exporting.result_file import ResultFile, with_file

READER = "oaktag_plugins.reading.interchange:differences_in"

ROUNDING = 0.001
"""Tolerance in mm beside the chord error, for the last digit written."""

_FIELD_HEIGHT = 1.0
_FIELD_SPACING = 1.6


class InterchangeOptions(Options):
    """Options of `export.interchange`."""

    file: ResultFile = "pattern-interchange.dxf"
    """Name of the file, below the result folder. It has a block for every piece and the layers 1 boundary,
    2 turn points, 3 curve points, 4 notches (points with depth and angle), 6 mirror line, 7 grain line,
    8 internal lines, 11 cut-outs, 13 drill holes, 14 sew lines, 15 annotation. These numbers, and where a
    notch's depth and angle stand, are from memory: have whoever gets the file try one piece first."""

    units: Literal["metric", "english"] = "metric"
    """Millimetres or inches. Only the text UNITS in the file says which (its name is from memory)."""

    chord_error: PositiveLength = Field(default=0.05, ge=0.001, le=1.0)
    """Largest distance between an arc or curve and the chords that are drawn for it."""

    author: str = "oaktag"
    """Who made the pattern, in the text AUTHOR (from memory); left out if empty."""


def run(draft: Draft, options: InterchangeOptions) -> Draft:
    """Write every piece as a block and add the file.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    sheet = draw_sheet(draft)
    shown = Shown(
        (Page(sheet.placements),),
        interchange.LAYERS,
        "text",
        tolerance=options.chord_error + ROUNDING,
        scale=1.0 / interchange.UNITS[options.units],
    )
    data = interchange_dxf(draft, sheet, options).encode("ascii")
    draft = with_file(draft, options.file, "interchange", data, shown=shown, reader=READER)
    texts = [text for _, text in style_fields(draft, options)]
    for drawing in sheet.drawings:
        texts += [text for _, text in interchange.piece_fields(draft, draft.piece(drawing.piece))]
        texts += [line for item in drawing.items if isinstance(item, Text) for line in item.lines]
    return draft.with_findings(left_out(options.file, [(text, seven_bit(text)) for text in texts]))


def style_fields(draft: Draft, options: InterchangeOptions) -> tuple[tuple[str, str], ...]:
    """What the file says of the whole; with its date if one is given for files."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    date = datetime.fromtimestamp(int(epoch), UTC).date().isoformat() if epoch else ""
    return interchange.style_fields(draft, options.units, options.author, date)


def interchange_dxf(draft: Draft, sheet: Sheet, options: InterchangeOptions) -> str:
    """The pieces of a draft as the text of an interchange file, in 7-bit ASCII, y upward.

    Args:
        draft: has the pieces.
        sheet: they lie on.
        options: how.
    """
    unit = interchange.UNITS[options.units]
    # Whoever takes the file up sees no sheet, so every piece says it.
    warning = [("ANNOTATION", text) for text in [do_not_cut(draft)] if text]
    names = block_names((drawing.piece for drawing in sheet.drawings), plain=True)
    blocks: dict[str, list[str]] = {}
    space = PlainPen(options.chord_error, unit)
    for drawing, placement in zip(sheet.drawings, sheet.placements, strict=True):
        pen = PlainPen(options.chord_error, unit)
        piece = draft.piece(drawing.piece)
        _piece(pen, piece, drawing.items)
        _fields(pen, (*interchange.piece_fields(draft, piece), *warning), drawing.bounds.centre)
        blocks[names[drawing.piece]] = pen.parts
        space.insert(names[drawing.piece], (placement.dx, placement.dy), placement.angle)
    _fields(space, (*style_fields(draft, options), *warning), (sheet.bounds.min_x, -_FIELD_SPACING))
    return bare_file(blocks, space.parts, interchange.BOUNDARY)


def _piece(pen: PlainPen, piece: Piece, items: Iterable[Item]) -> None:
    """Everything of one piece but its fields."""
    vertices = tuple(interchange.boundary_points(piece.outline, pen.chord_error))
    pen.chords(interchange.BOUNDARY, tuple(point for point, _ in vertices), closed=True)
    for point, turns in vertices:
        pen.point(interchange.TURN_POINTS if turns else interchange.CURVE_POINTS, point)
    for notch in interchange.notch_points(piece):
        pen.point(interchange.NOTCHES, notch.point, notch.depth, notch.angle)
    if piece.grain is not None:
        pen.chords(interchange.GRAIN, (piece.grain.start, piece.grain.end))
    for fitting in piece.fittings:
        pen.point(interchange.DRILL_HOLES, fitting.point)
    for item in items:
        layer = interchange.LAYERS.get(item.role)
        if layer is None:
            continue
        if isinstance(item, Text):
            for line, middle in zip(item.lines, item.line_positions(), strict=True):
                if line.strip():
                    pen.text(layer, written(seven_bit(line)), middle, item.height, item.angle)
        else:
            pen.path(interchange.MIRROR if interchange.is_mirror_line(piece, item) else layer, item.path)


def _fields(pen: PlainPen, fields: Iterable[tuple[str, str]], start: Point) -> None:
    """Fields below each other; they are read and not drawn, so they may lie anywhere."""
    for number, (name, text) in enumerate(fields):
        place = (start[0], start[1] - number * _FIELD_SPACING)
        line = f"{name}: {written(seven_bit(text))}"
        pen.note(interchange.BOUNDARY, line, place, _FIELD_HEIGHT)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.interchange`."""
    return (
        StageSpec(
            name="export.interchange",
            summary="Write all pieces as a pattern-interchange file after ASTM D6673",
            run=f"{__name__}:run",
            options=f"{__name__}:InterchangeOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
