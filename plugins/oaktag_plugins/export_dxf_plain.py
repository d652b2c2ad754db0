"""`export.dxf-plain`: the sheet as DXF R12, for machines that read little else: lines and polylines alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from pydantic import Field, model_validator

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Box
from oaktag.pattern.drawing import Text
from oaktag.pattern.lettering import text_size
from oaktag.pattern.sheet import Sheet, draw_sheet
from oaktag.pattern.shown import Lettering, Shown, page_of
from oaktag.recipe import PositiveLength
from oaktag_plugins.exporting.dxf_layers import (
    PlainLayerNames,
    PlainTools,
    block_names,
    check_tools,
    layer_table,
    layers_by_role,
)
from oaktag_plugins.exporting.dxf_pens import PlainPen, draw
from oaktag_plugins.exporting.dxf_template import plain_file
from oaktag_plugins.exporting.dxf_text import by_number, left_out, plain, seven_bit, written
from oaktag_plugins.exporting.result_file import ResultFile, with_file

READER = "oaktag_plugins.reading.dxf:plain_differences_in"

UNITS = {"mm": 1.0, "inch": 25.4}
"""Length of a unit in mm."""

ROUNDING = 0.001
"""Tolerance in mm beside the chord error, for the last digit written."""

_NOTE_HEIGHT = 4.0
_NOTE_GAP = 8.0


class DxfPlainOptions(Options):
    """Options of `export.dxf-plain`."""

    file: ResultFile | None = None
    """Name of the file, below the result folder. R12 has no place for a unit, so the name says it:
    `pattern-r12-mm.dxf` or `pattern-r12-inch.dxf` if left out."""

    unit: Literal["mm", "inch"] = "mm"
    """What one unit of the file is. The file can't tell a machine, so the machine has to be set to it."""

    chord_error: PositiveLength = Field(default=0.05, ge=0.001, le=1.0)
    """Largest distance between an arc or curve and the chords that are drawn for it."""

    blocks: bool = True
    """Whether each piece is a block that is inserted; if not, all lines lie side by side, which the simplest
    controllers need."""

    text: Lettering = "strokes"
    """How text is written: `strokes` as single-stroke lines, `text` as TEXT in the machine's font."""

    layers: PlainLayerNames = Field(default_factory=dict)
    """Names of layers by kind of line (cut, hole, seam, fold, mark, notch, grain, text, sheet), at most 31 of
    A to Z, 0 to 9, $ - _; those left out have their kind in upper case. Several kinds may share a layer."""

    tools: PlainTools = Field(default_factory=dict)
    """What a shop's machine uses, by kind of line: `{ colour = 1, line = "solid" }`. No meaning hangs on a
    colour, so all are the same unless it is asked for; R12 has no line weights."""

    @model_validator(mode="after")
    def _one_tool_for_a_layer(self) -> DxfPlainOptions:
        check_tools(self.layers, self.tools)
        return self

    @property
    def path(self) -> str:
        """The file's name."""
        return self.file or f"pattern-r12-{self.unit}.dxf"


def run(draft: Draft, options: DxfPlainOptions) -> Draft:
    """Draw all pieces on one sheet and add it as DXF R12.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    sheet = with_note(draw_sheet(draft), options)
    shown = Shown(
        (page_of(sheet),),
        layers_by_role(options.layers),
        options.text,
        tolerance=options.chord_error + ROUNDING,
        scale=1.0 / UNITS[options.unit],
    )
    data = sheet_dxf(sheet, options).encode("ascii")
    draft = with_file(draft, options.path, "dxf-plain", data, shown=shown, reader=READER)
    if options.text == "strokes":
        return draft
    texts = [line for item in sheet.items if isinstance(item, Text) for line in item.lines]
    return draft.with_findings(left_out(options.path, [(line, plain(line)) for line in texts]))


def facts(options: DxfPlainOptions) -> tuple[str, str]:
    """What the file itself says of its unit and of its curves."""
    unit = "1 mm" if options.unit == "mm" else "1 inch"
    return (
        f"unit of this file: {unit}",
        f"arcs and curves are chords within {options.chord_error:g} mm",
    )


def with_note(sheet: Sheet, options: DxfPlainOptions) -> Sheet:
    """The sheet with what the file says of itself, below everything."""
    lines = facts(options)
    width, height = text_size(lines, _NOTE_HEIGHT)
    left, top = sheet.bounds.min_x, sheet.bounds.min_y - _NOTE_GAP
    note = Text("sheet", lines, _NOTE_HEIGHT, (left, top), align="left", anchor=(0.0, 1.0))
    bounds = sheet.bounds.union(Box(left, top - height, left + width, top))
    return replace(sheet, own=(*sheet.own, note), bounds=bounds)


def sheet_dxf(sheet: Sheet, options: DxfPlainOptions) -> str:
    """A sheet as the text of a DXF R12 file in 7-bit ASCII, y upward.

    Args:
        sheet: what to draw.
        options: how.
    """
    layers = layers_by_role(options.layers)
    unit = UNITS[options.unit]
    spelling = None if options.text == "strokes" else lambda text: by_number(written(plain(text)))
    names = block_names((drawing.piece for drawing in sheet.drawings), plain=True)
    space = PlainPen(options.chord_error, unit)
    blocks: dict[str, list[str]] = {}
    if options.blocks:
        for drawing, placement in zip(sheet.drawings, sheet.placements, strict=True):
            block = PlainPen(options.chord_error, unit)
            draw(block, drawing.items, lambda item: layers[item.role], spelling)
            blocks[names[drawing.piece]] = block.parts
            space.insert(names[drawing.piece], (placement.dx, placement.dy), placement.angle)
        draw(space, sheet.own, lambda item: layers[item.role], spelling)
    else:
        draw(space, sheet.items, lambda item: layers[item.role], spelling)
    table = layer_table(options.layers, options.tools)
    bounds = Box(*(value / unit for value in sheet.bounds))
    comments = (seven_bit(sheet.title), *facts(options))
    return plain_file(table, blocks, space.parts, bounds, comments)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.dxf-plain`."""
    return (
        StageSpec(
            name="export.dxf-plain",
            summary="Draw all pieces on one sheet as DXF R12, arcs and curves as chords of a stated accuracy",
            run=f"{__name__}:run",
            options=f"{__name__}:DxfPlainOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
