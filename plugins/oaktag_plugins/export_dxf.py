"""`export.dxf`: the sheet as DXF R2010 in mm: a layer for every kind of line, a block for every piece."""

from __future__ import annotations

from pydantic import Field, model_validator

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.pattern.sheet import Sheet, draw_sheet
from oaktag.pattern.shown import Lettering, Shown, page_of
from oaktag_plugins.exporting.dxf_layers import (
    LayerNames,
    Tools,
    block_names,
    check_tools,
    layer_table,
    layers_by_role,
)
from oaktag_plugins.exporting.dxf_pens import Arcs, Curves, ModernPen, draw
from oaktag_plugins.exporting.dxf_template import modern_template
from oaktag_plugins.exporting.dxf_text import printable, written
from oaktag_plugins.exporting.result_file import ResultFile, with_file

READER = "oaktag_plugins.reading.dxf:differences_in"


class DxfOptions(Options):
    """Options of `export.dxf`."""

    file: ResultFile = "pattern.dxf"
    """Name of the file, below the result folder."""

    arcs: Arcs = "arcs"
    """How outlines are written: `arcs` as LINE and ARC entities, `bulges` as one polyline for every path with
    its arcs as bulges. A spline interrupts a polyline; with `curves = "polyline"` every outline is whole."""

    curves: Curves = "spline"
    """How free curves are written: exact splines, or polylines within 0.005 mm for cutters that know none."""

    text: Lettering = "strokes"
    """How text is written: `strokes` as single-stroke lines, `text` as TEXT in the machine's font."""

    layers: LayerNames = Field(default_factory=dict)
    """Names of layers by kind of line (cut, hole, seam, fold, mark, notch, grain, text, sheet); those left
    out have their kind in upper case, such as CUT. Several kinds may share a layer."""

    tools: Tools = Field(default_factory=dict)
    """What a shop's machine uses, by kind of line: `{ colour = 1, weight = 0.5, line = "solid" }`. No meaning
    hangs on a colour, so all are the same unless it is asked for."""

    @model_validator(mode="after")
    def _one_tool_for_a_layer(self) -> DxfOptions:
        check_tools(self.layers, self.tools)
        return self


def run(draft: Draft, options: DxfOptions) -> Draft:
    """Draw all pieces on one sheet and add it as DXF.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    sheet = draw_sheet(draft)
    shown = Shown((page_of(sheet),), layers_by_role(options.layers), options.text)
    data = sheet_dxf(sheet, options).encode()
    return with_file(draft, options.file, "dxf", data, shown=shown, reader=READER)


def sheet_dxf(sheet: Sheet, options: DxfOptions) -> str:
    """A sheet as the text of a DXF file, y upward, one unit to the millimetre.

    Every piece is a block in its own coordinates, inserted where it lies on the sheet.

    Args:
        sheet: what to draw.
        options: how.
    """
    layers = layers_by_role(options.layers)
    names = block_names(drawing.piece for drawing in sheet.drawings)
    template = modern_template(
        layer_table(options.layers, options.tools),
        {names[drawing.piece]: printable(drawing.name) for drawing in sheet.drawings},
        sheet.bounds,
    )
    spelling = None if options.text == "strokes" else lambda text: written(printable(text))

    def pen(owner: str) -> ModernPen:
        return ModernPen(template.handles, owner, options.arcs, options.curves)

    blocks: dict[str, list[str]] = {}
    for drawing in sheet.drawings:
        name = names[drawing.piece]
        block = pen(template.owners[name])
        draw(block, drawing.items, lambda item: layers[item.role], spelling)
        blocks[name] = block.parts
    space = pen(template.space)
    for placement in sheet.placements:
        space.insert(names[placement.piece], (placement.dx, placement.dy), placement.angle)
    draw(space, sheet.own, lambda item: layers[item.role], spelling)
    return template.filled(blocks, space.parts)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.dxf`."""
    return (
        StageSpec(
            name="export.dxf",
            summary="Draw all pieces on one sheet as DXF, true size, with a layer for every kind of line",
            run=f"{__name__}:run",
            options=f"{__name__}:DxfOptions",
            needs=frozenset({"panels", "allowances"}),
            uses=frozenset({"gusset", "seams", "notches", "labels", "proof"}),
            adds=frozenset({"files"}),
        ),
    )
