"""The cut list: what to cut from what, and how large it is."""

from __future__ import annotations

from math import atan2, degrees

from oaktag.geometry import Box, Line, Path, Transform
from oaktag.pattern.draft import Draft
from oaktag.pattern.material import Material
from oaktag.pattern.paperwork import CutRow
from oaktag.pattern.piece import Piece

CARD = "card"
"""What the template of an assembled piece is cut from."""


def cut_list(draft: Draft) -> tuple[CutRow, ...]:
    """One row for every piece, in their order."""
    return tuple(cut_row(piece, draft.material(piece.material)) for piece in draft.pieces)


def cut_row(piece: Piece, material: Material | None = None) -> CutRow:
    """The row of one piece.

    Its box lies along its grain, along x where it has none. A piece of tape without a grain lies along that
    straight side across which it is as wide as the tape, or else along its longest one.

    Args:
        piece: with or without its cut line.
        material: that it is cut from, if the table has it.
    """
    outline = piece.outline
    box = outline.bounds
    if piece.grain is not None:
        box = _box_along(outline, piece.grain)
    elif material is not None and material.form == "tape" and not piece.assembled:
        box = _tape_box(outline, material.width)
    return CutRow(
        piece=piece.id,
        name=piece.name,
        material=CARD if piece.assembled else piece.material,
        quantity=piece.quantity,
        mirrored=piece.mirrored,
        width=box.width,
        height=box.height,
        area=abs(outline.area),
        note="template to trim the assembled piece to" if piece.assembled else "",
    )


def _box_along(outline: Path, line: Line) -> Box:
    (x0, y0), (x1, y1) = line.start, line.end
    return outline.transformed(Transform.rotation(-degrees(atan2(y1 - y0, x1 - x0)))).bounds


def _tape_box(outline: Path, width: float) -> Box:
    straight = [segment for segment in outline.segments if isinstance(segment, Line)]
    # The longest first; of two that are as long but for rounding, the first.
    straight.sort(key=lambda line: -round(line.length, 6))
    boxes = [_box_along(outline, line) for line in (straight if width > 0.0 else straight[:1])]
    return min(boxes, key=lambda box: round(abs(box.height - width), 6), default=outline.bounds)
