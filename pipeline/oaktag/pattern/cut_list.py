"""The cut list: what to cut from what, and how large it is."""

from __future__ import annotations

from math import atan2, degrees

from oaktag.geometry import Line, Transform
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

    Its box lies along its grain, along x where it has none. A piece of tape lies along the tape: along its
    longest straight side, if it has no grain.

    Args:
        piece: with or without its cut line.
        material: that it is cut from, if the table has it.
    """
    outline = piece.outline
    tape = material is not None and material.form == "tape" and not piece.assembled
    along = piece.grain
    if along is None and tape:
        straight = [segment for segment in outline.segments if isinstance(segment, Line)]
        # Of two sides that are as long but for rounding, the first.
        along = max(straight, key=lambda line: round(line.length, 6), default=None)
    box = outline.bounds
    if along is not None:
        (x0, y0), (x1, y1) = along.start, along.end
        box = outline.transformed(Transform.rotation(-degrees(atan2(y1 - y0, x1 - x0)))).bounds
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
