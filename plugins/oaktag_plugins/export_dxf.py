"""`export.dxf`: the sheet as DXF R2010 in mm: a layer for every kind of line, a group for every piece."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from io import StringIO
from math import degrees
from typing import TYPE_CHECKING, Literal
from uuid import NAMESPACE_OID, uuid5

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Arc, Curve, Line, Path
from oaktag.pattern.drawing import LINE_STYLES, ROLES, LineStyle
from oaktag.pattern.lettering import Polyline
from oaktag.pattern.sheet import Sheet, draw_sheet, strokes_by_piece
from oaktag_plugins.exporting.result_file import ResultFile, with_file

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities.dxfgfx import DXFGraphic
    from ezdxf.layouts.layout import Modelspace

CHORD_ERROR = 0.005
"""Largest distance in mm between a free curve and the polyline drawn for it."""

_MILLIMETRES, _METRIC = 4, 1  # $INSUNITS and $MEASUREMENT
_BLACK_OR_WHITE = 7  # the one colour of every layer: no meaning hangs on a colour
_NOT_IN_A_NAME = re.compile(r'[<>/\\":;?*|=,`\x00-\x1f]')


class DxfOptions(Options):
    """Options of `export.dxf`."""

    file: ResultFile = "pattern.dxf"
    """Name of the file, below the result folder."""

    curves: Literal["spline", "polyline"] = "spline"
    """How free curves are written: exact splines, or polylines within 0.005 mm for cutters that know none."""


def run(draft: Draft, options: DxfOptions) -> Draft:
    """Draw all pieces on one sheet and add it as DXF.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    names = {piece.id: piece.name for piece in draft.pieces}
    text = sheet_dxf(draw_sheet(draft), names, options.curves)
    return with_file(draft, options.file, "dxf", text.encode())


def sheet_dxf(sheet: Sheet, names: Mapping[str, str], curves: Literal["spline", "polyline"]) -> str:
    """A sheet as the text of a DXF file, y upward, one unit to the millimetre.

    Lines are LINE, arcs ARC and free curves SPLINE (or LWPOLYLINE) entities; letters are LWPOLYLINE.

    Args:
        sheet: what to draw.
        names: of the pieces, by id.
        curves: how free curves are written.
    """
    from ezdxf.filemanagement import new

    document = new("R2010")
    document.header["$INSUNITS"] = _MILLIMETRES
    document.header["$MEASUREMENT"] = _METRIC
    document.header["$LWDISPLAY"] = 1
    _add_layers(document)
    space = document.modelspace()
    for piece, strokes in strokes_by_piece(sheet.strokes):
        entities = [
            entity
            for stroke in strokes
            for entity in _entities(space, stroke.shape, {"layer": stroke.role.upper()}, curves)
        ]
        if piece:
            name = _NOT_IN_A_NAME.sub("_", piece)
            document.groups.new(name, names.get(piece, piece)).set_data(entities)
    box = sheet.bounds
    space.reset_extents((box.min_x, box.min_y, 0.0), (box.max_x, box.max_y, 0.0))
    document.set_modelspace_vport(1.1 * max(box.height, 0.5 * box.width), box.centre)
    return _text(document)


def _add_layers(document: Drawing) -> None:
    for role in ROLES:
        style = LINE_STYLES[role]
        document.layers.add(
            role.upper(),
            color=_BLACK_OR_WHITE,
            linetype=_line_type(document, style),
            lineweight=round(100 * style.weight),
        )


def _line_type(document: Drawing, style: LineStyle) -> str:
    if not style.dashes:
        return "CONTINUOUS"
    name = "DASHED" if len(style.dashes) == 2 else "DASHDOT"
    if name not in document.linetypes:
        signed = [length if index % 2 == 0 else -length for index, length in enumerate(style.dashes)]
        document.linetypes.add(name, [sum(style.dashes), *signed])
    return name


def _entities(
    space: Modelspace,
    shape: Path | Polyline,
    attributes: Mapping[str, str],
    curves: Literal["spline", "polyline"],
) -> Iterator[DXFGraphic]:
    if not isinstance(shape, Path):
        # Letters are most of the file; a micrometre is enough for them.
        points = [(round(x, 3), round(y, 3)) for x, y in shape]
        yield space.add_lwpolyline(points, format="xy", dxfattribs=attributes)
        return
    for segment in shape.segments:
        if isinstance(segment, Line):
            yield space.add_line(segment.start, segment.end, dxfattribs=attributes)
        elif isinstance(segment, Arc):
            start = degrees(segment.start_angle)
            yield space.add_arc(
                segment.center,
                segment.radius,
                start,
                start + degrees(segment.sweep),
                is_counter_clockwise=not segment.clockwise,
                dxfattribs=attributes,
            )
        elif curves == "polyline":
            yield space.add_lwpolyline(segment.flatten(CHORD_ERROR), format="xy", dxfattribs=attributes)
        else:
            controls, knots = bezier_spline(segment)
            yield space.add_open_spline(controls, 3, knots=knots, dxfattribs=attributes)


def bezier_spline(curve: Curve) -> tuple[Polyline, tuple[float, ...]]:
    """Control points and knots of the cubic B-spline that is a run of Bezier curves, exactly.

    Every joint is a knot of multiplicity 3, so that the control points of neighbours stay their own (L. Piegl
    and W. Tiller, The NURBS Book, 2nd ed., section 5.3, from memory).
    """
    points = (curve.beziers[0][0], *(point for bezier in curve.beziers for point in bezier[1:]))
    count = len(curve.beziers)
    knots = (0.0, *(float(number) for number in range(count + 1) for _ in range(3)), float(count))
    return points, knots


def _text(document: Drawing) -> str:
    """The document as text that is the same whenever and wherever it is written.

    The library puts the clock, random ids and its CLASSES in an order of the process's own into every file;
    its switch for fixed values is global to the process, so they are replaced here instead.
    """
    from ezdxf.version import __version__

    document.classes.add_required_classes(document.dxfversion)
    ordered = sorted(document.classes.classes.items())
    document.classes.classes.clear()
    document.classes.classes.update(ordered)
    stream = StringIO()
    document.write(stream)
    text = stream.getvalue()
    moment = datetime.fromtimestamp(int(os.environ.get("SOURCE_DATE_EPOCH") or 946_684_800), UTC)
    julian = f"{moment.timestamp() / 86_400.0 + 2_440_587.5:.9f}"
    text = re.sub(r"(\$TDU?(?:CREATE|UPDATE)\n +40\n)[^\n]+", rf"\g<1>{julian}", text)
    text = re.sub(rf"(\n{re.escape(__version__)} @ )\d{{4}}-[^\n]+", rf"\g<1>{moment.isoformat()}", text)
    text = re.sub(r"(\$(?:VERSION|FINGERPRINT)GUID\n +2\n)[^\n]+", r"\g<1>{}", text)
    guid = "{" + str(uuid5(NAMESPACE_OID, text)).upper() + "}"
    return re.sub(r"(\$(?:VERSION|FINGERPRINT)GUID\n +2\n)\{\}", rf"\g<1>{guid}", text)


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
