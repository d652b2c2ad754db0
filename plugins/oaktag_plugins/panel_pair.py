"""`panel.pair`: the two side panels."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Transform
from oaktag.pattern import Edge, Piece
from oaktag_plugins.drafting.bag import PANEL

DRIVE = "side-panel-drive"
NON_DRIVE = "side-panel-non-drive"


class PairOptions(Options):
    """Options of `panel.pair`."""

    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What both panels are cut from."""


def run(draft: Draft, options: PairOptions) -> Draft:
    """Draw one panel as the outline and one as its mirror image, each with its outside face up.

    Two patterns rather than one that is cut twice, once turned over: only then can the two carry different
    notches, and cloth with a right side isn't cut twice with the same hand.
    """
    outline = draft.outline
    assert outline is not None
    box = outline.path.bounds
    mirror = Transform.mirror_x(box.centre[0])
    drive = Piece(
        id=DRIVE,
        name="side panel, drive side",
        edges=outline.edges,
        material=options.material,
        role=PANEL,
        body=outline.body,
        up=90.0,
        front=0.0,
    )
    non_drive = Piece(
        id=NON_DRIVE,
        name="side panel, non-drive side",
        edges=tuple(Edge(edge.name, edge.path.transformed(mirror)) for edge in outline.edges),
        material=options.material,
        role=PANEL,
        body=outline.body,
        up=90.0,
        front=180.0,
    )
    return draft.evolve(pieces=(*draft.pieces, drive, non_drive))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="panel.pair",
            summary="Draw the two side panels from the outline",
            run=f"{__name__}:run",
            options=f"{__name__}:PairOptions",
            needs=frozenset({"outline"}),
            adds=frozenset({"panels"}),
        ),
    )
