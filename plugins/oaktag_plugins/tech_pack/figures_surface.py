"""The sewn bag as it stands in space."""

from __future__ import annotations

from oaktag import Draft
from oaktag.geometry import Box
from oaktag_plugins.drafting.sewn_surface import hiding_bodies, projected, surface_outline
from oaktag_plugins.tech_pack.content import FigureBlock
from oaktag_plugins.tech_pack.sketch import Sketch
from oaktag_plugins.tech_pack.wording import counted, listed_words, mm, plain

AZIMUTH, ELEVATION = 35.0, 20.0
"""From where one looks: degrees round from the drive side towards the front wheel, and down."""

_ACROSS, _UP = 96.0, 80.0  # mm on paper


def surface_block(draft: Draft) -> FigureBlock | None:
    """The bag's panels, gusset and zippers seen aslant; None where no body has a surface."""
    bodies = hiding_bodies(draft)
    lines = surface_outline(draft) if bodies else ()
    seen = [line for line in projected(lines, AZIMUTH, ELEVATION, bodies) if len(line) > 1]
    if not seen:
        return None
    box = Box.around(point for line in seen for point in line)
    scale = min(1.0, _ACROSS / max(box.width, 1e-9), _UP / max(box.height, 1e-9))
    sketch = Sketch()
    for line in seen:
        sketch.line(tuple((scale * x, scale * y) for x, y in line), "medium")
    places = [place for line in lines for place in line]
    size = [max(p[axis] for p in places) - min(p[axis] for p in places) for axis in range(3)]
    named = [outline.body for outline in draft.outlines if outline.body]
    what = f"bodies {listed_words(named)}" if len(named) > 1 else "the sewn bag"
    collar = " without its collar" if any(piece.role == "collar" for piece in draft.pieces) else ""
    view = f"{plain(AZIMUTH)}\u00b0 round from the drive side and {plain(ELEVATION)}\u00b0 from above"
    return FigureBlock(
        sketch.figure(),
        f"The sewn bag{collar}, {view}; what lies behind it is left out.",
        f"Drawing of {what}{collar} in space, {view}: {mm(size[0])} long, {mm(size[1])} high,"
        f" {mm(size[2])} wide; {counted(len(lines), 'line')} of panels, gusset and openings.",
    )
