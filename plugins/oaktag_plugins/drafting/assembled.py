"""Cutting a piece apart so that it stays as a template and its parts still sew together to it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from oaktag import Draft
from oaktag.geometry import GeometryError, Line, Path, Point, distance, left_normal, shifted, subtract, unit
from oaktag.pattern import Edge, Piece, Seam, SeamKind, SeamSide
from oaktag_plugins.drafting.bag import NON_DRIVE_EDGE
from oaktag_plugins.drafting.split import split_outline

VISIBLE = ":visible"
"""Ends the name of the placement line of a zipper's visible strip, which is no part of the cloth."""
_HALF_ARROW = 4.0  # mm; of the grain line of a part that has no label yet
PART_ROLE = "-part"
"""Ends the role of a part, after the role of the piece that it is a part of."""


def visible_strips(piece: Piece) -> tuple[Path, ...]:
    """The closed outlines of the strips of an assembled piece where only a zipper is seen."""
    return tuple(
        line.covers for line in piece.placements if line.name.endswith(VISIBLE) and line.covers is not None
    )


def cloth_parts(draft: Draft, whole: Piece) -> tuple[Piece, ...]:
    """The parts of an assembled piece without the zippers; of any other, the piece itself."""
    if not whole.assembled:
        return (whole,)
    return tuple(part for part in map(draft.piece, whole.parts) if part.role != "zipper")


def restored(edges: Iterable[Edge], own: Collection[str]) -> tuple[Edge, ...]:
    """The edges of a half, of which those that were cut earlier under these names are runs of nothing."""
    return tuple(Edge(edge.of, edge.path) if edge.of in own else edge for edge in edges)


def band_edges(
    edges: Sequence[Edge], origin: Point, along: Point, left: tuple[str, float], right: tuple[str, float]
) -> tuple[Edge, ...]:
    """What lies of a closed outline between two lines side by side.

    Args:
        edges: closed, in order.
        origin: a point that both lines are counted from, mm.
        along: direction of both; needn't be of length 1.
        left: name of the new edge on the left, and how far left of the origin its line runs, mm.
        right: the same on the right; the line lies to the right of the other.

    Returns:
        Closed, in the outline's own direction, that on the right first. Those that are runs of the outline's
        edges say so in `of`.

    Raises:
        SplitError: one of the lines doesn't cross the outline twice.
    """
    normal = left_normal(unit(along))
    (upper, above), (lower, below) = left, right
    half = split_outline(edges, shifted(origin, normal, above), along, cut=upper).right
    return restored(
        split_outline(half.edges, shifted(origin, normal, below), along, cut=lower).left.edges, {upper}
    )


def part_edges(edges: Iterable[Edge], whole: Piece) -> tuple[Edge, ...]:
    """The edges of a new part, named apart, each with the edge of the whole that it is a run of.

    Args:
        edges: as they were cut out of the whole, or out of a part of it.
        whole: the assembled piece.
    """
    outer = {edge.name for edge in whole.edges}
    used: dict[str, int] = {}
    named: list[Edge] = []
    for edge in edges:
        if edge.of not in outer:
            # An inner edge: seams are sewn at it under its name already.
            named.append(replace(edge, of=""))
            continue
        used[edge.of] = used.get(edge.of, 0) + 1
        name = edge.of if used[edge.of] == 1 else f"{edge.of}-{used[edge.of]}"
        named.append(replace(edge, name=name))
    return tuple(named)


def warp_of(piece: Piece) -> tuple[Point, str]:
    """Unit direction of the warp on a piece of the shell, and what gives it, in words.

    As its grain says; as long as it says nothing along the top tube, on a strip along the strip, else along
    the longest straight edge (common practice, no source).
    """
    if piece.grain is not None:
        return piece.grain.direction, "the grain"
    straight = {edge.name: edge for edge in piece.edges if not edge.is_corner}
    longest = max(straight.values(), key=lambda edge: distance(edge.path.start, edge.path.end))
    edge = straight.get("top-tube") or straight.get(NON_DRIVE_EDGE) or longest
    return unit(subtract(edge.path.end, edge.path.start)), f"the warp, which lies along {edge.name}"


def _grain(seam_line: Path, direction: Point) -> Line:
    """A short arrow within a piece."""
    spot = seam_line.polygon(0.1).representative_point()
    return Line(*(shifted((spot.x, spot.y), direction, along) for along in (-_HALF_ARROW, _HALF_ARROW)))


def part_of(parent: Piece, whole: Piece, suffix: str, edges: Iterable[Edge]) -> Piece:
    """A part that is cut out of a piece: out of the whole, or out of a part that the whole has already."""
    role = parent.role if parent.role.endswith(PART_ROLE) else f"{whole.role}{PART_ROLE}"
    named = part_edges(edges, whole)
    seam_line = Path(tuple(segment for edge in named for segment in edge.path.segments))
    return Piece(
        id=f"{parent.id}-{suffix}",
        name=f"{parent.name}, {suffix} part",
        edges=named,
        material=parent.material,
        # Cut as the whole would be, whatever its own longest edge is.
        grain=_grain(seam_line, warp_of(whole)[0]),
        up=parent.up,
        front=parent.front,
        role=role,
        body=whole.body,
    )


def taken_apart(draft: Draft, whole: Piece, parent: Piece, parts: Sequence[Piece]) -> Draft:
    """The draft in which a piece, or a part of it, is made of new parts.

    Args:
        draft: has the whole, and the parent.
        whole: stays, with its edges and all that is on it.
        parent: the whole itself, or the part that was cut up and goes.
        parts: what it was cut into, and what is sewn between.
    """
    if parent.id == whole.id:
        changed = draft.replaced(whole.evolve(parts=tuple(part.id for part in parts)))
        return changed.evolve(pieces=(*changed.pieces, *parts))
    ids: list[str] = []
    for name in whole.parts:
        ids += [part.id for part in parts] if name == parent.id else [name]
    changed = draft.replaced(whole.evolve(parts=tuple(ids)))
    pieces: list[Piece] = []
    for piece in changed.pieces:
        pieces += parts if piece.id == parent.id else (piece,)
    return changed.evolve(
        pieces=tuple(pieces), seams=tuple(_moved(seam, parent.id, parts) for seam in changed.seams)
    )


def _moved(seam: Seam, old: str, parts: Sequence[Piece]) -> Seam:
    """The seam with a side that was sewn at a part's inner edge sewn at the new part that has it whole."""

    def side(one: SeamSide) -> SeamSide:
        if one.piece != old:
            return one
        new = next(
            part for part in parts if {edge.name for edge in part.edges if not edge.of} >= set(one.edges)
        )
        return replace(one, piece=new.id)

    return replace(seam, a=side(seam.a), b=side(seam.b))


def mated(seam_id: str, a: Piece, edge: str, b: Piece, line: str, kind: SeamKind) -> Seam:
    """The seam of one piece's edge, or a run of it, with a whole line of another that is drawn upon it.

    Args:
        seam_id: of the seam.
        a: the piece with the longer line.
        edge: of that piece.
        b: the piece that is sewn on.
        line: an edge or a placement line of that piece.
        kind: of the seam.

    Raises:
        GeometryError: the line doesn't lie on the edge.
    """
    path, other = a.sewing_lines[edge], b.sewing_lines[line]
    (first, off), (last, away) = path.nearest(other.start), path.nearest(other.end)
    if max(off, away) > 1e-6:
        raise GeometryError(f"{line} of {b.id} lies {max(off, away):g} mm off {edge} of {a.id}")
    start, length = min(first, last), abs(last - first)
    whole = start < 1e-7 and length > path.length - 1e-7
    run = SeamSide(a.id, (edge,)) if whole else SeamSide(a.id, (edge,), start, length)
    return Seam(seam_id, run, SeamSide(b.id, (line,), reverse=last < first), kind=kind)
