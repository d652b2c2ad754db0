"""`allowance.by-seam`: the margin outside every seam line, and with it the cut lines."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import OffsetError, offset_outline
from oaktag.pattern import CutRun, Edge, Piece
from oaktag.recipe import NonNegativeLength, Number, PerName, listed, meant, show


class AllowanceOptions(Options):
    """Options of `allowance.by-seam`."""

    allowance: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(10.0)
    """Margin, for all or by name: of a seam (both sides), of an edge, or of one piece's edge as `piece.edge`.

    The narrower name wins. 10 mm is common practice for a main seam (no source).
    """
    reach_limit: Annotated[Number, Field(ge=1, le=10)] = 2.0
    """How far a sharp corner may reach, in times the larger allowance; beyond it is cut off square."""


def run(draft: Draft, options: AllowanceOptions) -> Draft:
    """Give every edge its allowance and draw every cut line.

    Raises:
        Refusal: an allowance names nothing, or a cut line would cross itself.
    """
    check_names(draft, options)
    pieces = tuple(with_cut_line(draft, piece, options) for piece in draft.pieces)
    return draft.evolve(pieces=pieces)


def with_cut_line(draft: Draft, piece: Piece, options: AllowanceOptions) -> Piece:
    """The piece with its allowances and its cut line."""
    edges = tuple(Edge(e.name, e.path, allowance_of(draft, piece, e, options)) for e in piece.edges)
    try:
        paths = offset_outline(
            [edge.path for edge in edges], [edge.allowance for edge in edges], limit=options.reach_limit
        )
    except OffsetError as error:
        edge = edges[error.part]
        raise Refusal(
            f"the cut line of {piece.id} can't be drawn at {edge.name}: {error.reason}",
            key="allowance",
            source="recipe",
            found=f"{edge.allowance:g} mm",
            valid="less than the radius of a hollow corner, there and on the edges beside it",
            todo="make the radius larger, or give that edge and those beside it less: "
            f'"{piece.id}.{edge.name}" = ...',
        ) from error
    cut_line = tuple(CutRun(edge.name, path) for edge, path in zip(edges, paths, strict=True))
    return piece.evolve(edges=edges, cut_line=cut_line)


def allowance_of(draft: Draft, piece: Piece, edge: Edge, options: AllowanceOptions) -> float:
    """The allowance of one edge: by piece and edge, else by edge, else by seam, else the default."""
    names = options.allowance.names
    for name in (f"{piece.id}.{edge.name}", edge.name):
        if name in names:
            return options.allowance.get(name)
    by_seam = {
        seam.id: options.allowance.get(seam.id)
        for seam in draft.seams
        if seam.id in names
        and any(side.piece == piece.id and edge.name in side.edges for side in (seam.a, seam.b))
    }
    if len(set(by_seam.values())) > 1:
        raise Refusal(
            f"the seams at {piece.id}, {edge.name} have different allowances",
            key=f"allowance.{next(iter(by_seam))}",
            source="recipe",
            found=", ".join(f"{seam} {value:g} mm" for seam, value in by_seam.items()),
            valid="one value for seams that share an edge",
            todo=f'name the edge: "{piece.id}.{edge.name}" = ...',
        )
    if by_seam:
        return next(iter(by_seam.values()))
    try:
        return options.allowance.get("default")
    except KeyError:
        raise Refusal(
            f"no value for {piece.id}, {edge.name}",
            key="allowance",
            source="recipe",
            found=f"values for {listed(names)}",
            valid="a value for every edge, or a default",
            todo="add a default",
        ) from None


def check_names(draft: Draft, options: AllowanceOptions) -> None:
    """Refuse a name that is no seam, no edge and no piece's edge."""
    known = list(
        dict.fromkeys(
            [
                *(seam.id for seam in draft.seams),
                *(edge.name for piece in draft.pieces for edge in piece.edges),
                *(f"{piece.id}.{edge.name}" for piece in draft.pieces for edge in piece.edges),
            ]
        )
    )
    for name in options.allowance.names:
        if name not in known:
            raise Refusal(
                "there is no seam and no edge of this name",
                key=f"allowance.{name}",
                source="recipe",
                found=show(name),
                valid=f"{listed([*known, 'default'])}",
                todo=meant(name, known, "name one of these, or remove it"),
            )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="allowance.by-seam",
            summary="Draw the cut lines: every edge with its own allowance",
            run=f"{__name__}:run",
            options=f"{__name__}:AllowanceOptions",
            needs=frozenset({"panels"}),
            uses=frozenset({"gusset", "seams"}),
            adds=frozenset({"allowances"}),
        ),
    )
