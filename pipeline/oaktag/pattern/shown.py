"""What a file shows of a draft: which pieces where on which page, and by what name each kind of line goes.

An exporter says it beside the bytes, and whoever reads the file back holds it against the draft.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from oaktag.geometry import Box, Transform
from oaktag.pattern.drawing import Item, Role, moved
from oaktag.pattern.sheet import Placement, Sheet

Lettering = Literal["strokes", "text"]
"""How text is written: as single-stroke lines, or as text of the format's own."""


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a file, or a file that has no pages.

    Attributes:
        placements: where the pieces lie, in the page's own mm: x to the right, y upward from its lower left.
        own: what is drawn there besides pieces, in the same mm.
        window: what of all that can be seen; None for all of it.
    """

    placements: tuple[Placement, ...]
    own: tuple[Item, ...] = ()
    window: Box | None = None


@dataclass(frozen=True, slots=True)
class ToolPath:
    """How closed cut lines differ from the draft's for the sake of the tool.

    Attributes:
        kerf: width in mm that a laser burns away; it runs half of that outside a piece, inside a hole.
        overcut: how far in mm a knife goes on past the place where it began.
        lead_in: length in mm of the straight cut in waste that leads to that place.
    """

    kerf: float = 0.0
    overcut: float = 0.0
    lead_in: float = 0.0


@dataclass(frozen=True, slots=True)
class Shown:
    """What a file shows.

    Attributes:
        pages: in order.
        layers: the name by which each role goes in the file (layer, class, pen); a role that isn't there is
            left out of the file on purpose. Several roles may share a name.
        lettering: how text is written.
        tolerance: largest distance in mm between a line in the file and the draft's, the format's resolution
            and the chord error of flattened arcs and curves included.
        scale: what one mm of the draft is in the file's unit; 1 for a file in mm.
        whole: whether the file shows every piece; otherwise all files of its kind do so together.
        tool: how cut lines and holes are moved and lengthened for a tool; None where they are the draft's.
    """

    pages: tuple[Page, ...]
    layers: Mapping[Role, str] = field(default_factory=dict)
    lettering: Lettering = "strokes"
    tolerance: float = 0.01
    scale: float = 1.0
    whole: bool = True
    tool: ToolPath | None = None


def page_of(sheet: Sheet, dx: float = 0.0, dy: float = 0.0, window: Box | None = None) -> Page:
    """A page that shows a sheet, moved by (dx, dy) mm.

    Args:
        sheet: what is shown.
        dx: how far to the right it is moved, mm.
        dy: how far upward, mm.
        window: what of it can be seen, in the page's mm.
    """
    move = Transform.translation(dx, dy)
    placements = tuple(placement.shifted(dx, dy) for placement in sheet.placements)
    return Page(placements, tuple(moved(item, move) for item in sheet.own), window)
