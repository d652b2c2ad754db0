"""The cut list: what to cut from what, and how large it is."""

from __future__ import annotations

from math import atan2, degrees

from oaktag.geometry import Transform
from oaktag.pattern.draft import Draft
from oaktag.pattern.paperwork import CutRow
from oaktag.pattern.piece import Piece

CARD = "card"
"""What the template of an assembled piece is cut from."""


def cut_list(draft: Draft) -> tuple[CutRow, ...]:
    """One row for every piece, in their order."""
    return tuple(cut_row(piece) for piece in draft.pieces)


def cut_row(piece: Piece) -> CutRow:
    """The row of one piece: its box lies along its grain, along x where it has none."""
    outline = piece.outline
    box = outline.bounds
    if piece.grain is not None:
        (x0, y0), (x1, y1) = piece.grain.start, piece.grain.end
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
