"""`panel.pair`: the two side panels."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Transform
from oaktag.pattern import Edge, Outline, Piece
from oaktag_plugins.drafting.bag import PANEL, piece_id
from oaktag_plugins.drafting.worked_outline import perimeter

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
    pieces = tuple(piece for outline in draft.outlines for piece in pair(outline, options.material))
    workings = (working for outline in draft.outlines for working in perimeter(draft.workings, outline))
    return draft.evolve(pieces=(*draft.pieces, *pieces)).with_workings(workings)


def pair(outline: Outline, material: str) -> tuple[Piece, Piece]:
    """The panels of one body, drive side first."""
    mirror = Transform.mirror_x(outline.path.bounds.centre[0])
    name = f"{outline.body} side panel".strip()
    drive = Piece(
        id=piece_id(outline.body, DRIVE),
        name=f"{name}, drive side",
        edges=outline.edges,
        material=material,
        role=PANEL,
        body=outline.body,
        up=90.0,
        front=0.0,
    )
    non_drive = Piece(
        id=piece_id(outline.body, NON_DRIVE),
        name=f"{name}, non-drive side",
        edges=tuple(Edge(edge.name, edge.path.transformed(mirror)) for edge in outline.edges),
        material=material,
        role=PANEL,
        body=outline.body,
        up=90.0,
        front=180.0,
    )
    return drive, non_drive


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
