"""Finding one's way on a bag's panels and gusset, and putting things on them so that seams stay true."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from oaktag import Draft, Refusal
from oaktag.geometry import Line, Path, Point, Transform
from oaktag.pattern import (
    CORNER_PREFIX,
    Edge,
    Face,
    Frame,
    Outline,
    Piece,
    Place,
    PlacementLine,
    Seam,
    SeamKind,
    SeamSide,
)
from oaktag.recipe import TubePlace, listed, meant, show

SidePanel = Literal["drive", "non-drive"]

PANEL, GUSSET = "side-panel", "gusset"
"""Roles of the pieces that the bag's shell is made of."""
NON_DRIVE_EDGE, DRIVE_EDGE, START_EDGE, END_EDGE = "non-drive-side", "drive-side", "start", "end"
"""Edges of a piece of the gusset, which runs along +x as the outline does, symmetrical about y = 0."""


def piece_id(body: str, name: str) -> str:
    """The id of a body's piece: its name, after the body's own where a bag has several."""
    return f"{body}-{name}" if body else name


def bodies_of(draft: Draft, wanted: str | None, key: str = "body") -> tuple[str, ...]:
    """The bodies that a stage works on: the one that its option names, or all.

    Raises:
        Refusal: there is no body of that name.
    """
    known = tuple(outline.body for outline in draft.outlines)
    if wanted is None:
        return known
    if wanted not in known:
        raise Refusal(
            "there is no body of this name",
            key=key,
            source="recipe",
            found=show(wanted),
            valid=listed([name for name in known if name]) if any(known) else "no body: the bag has one",
            todo=meant(wanted, known, "name one of them, or leave it out"),
        )
    return (wanted,)


def panel(draft: Draft, side: SidePanel, body: str = "") -> Piece:
    """A side panel; KeyError if there is none."""
    return draft.piece(piece_id(body, f"{PANEL}-{side}"))


def gussets(draft: Draft, body: str = "") -> tuple[Piece, ...]:
    """The pieces of a body's gusset, in the outline's order."""
    return tuple(piece for piece in draft.pieces if piece.role == GUSSET and piece.body == body)


def to_panel(draft: Draft, side: SidePanel, body: str = "") -> Transform:
    """From the outline's place to the panel's: nothing on the drive side, a mirror image on the other."""
    if side == "drive":
        return Transform.translation(0.0, 0.0)
    return Transform.mirror_x(draft.outline_of(body).path.bounds.centre[0])


def straight_edges(outline: Outline) -> tuple[Edge, ...]:
    """The outline's edges without the rounds of its corners."""
    return tuple(edge for edge in outline.edges if not edge.is_corner)


def corner_name(frame: Frame, before: str, after: str) -> str:
    """The name of the corner between two edges of an outline that follow each other.

    Where two tubes of the frame meet it is the frame's own; at an edge of the bag's own it is made of both
    edges' names: `seat-tube-lower`.
    """
    tubes = frame.tubes
    if before in tubes and after in tubes and frame.ends(before)[1] == frame.ends(after)[0]:
        return frame.ends(before)[1]
    return f"{before}-{after}"


def place_on(draft: Draft, place: TubePlace, key: str) -> Place:
    """The place that an option names: on a tube of the frame, or on an edge of the bag's own.

    Args:
        draft: has the frame and the outlines.
        place: as it stands in the recipe.
        key: of the option, for the message.

    Raises:
        Refusal: there is no such tube or edge, or the corner isn't an end of it.
    """
    if place.tube in draft.frame.tubes:
        return place.place(draft.frame, key)
    for outline in draft.outlines:
        names = [edge.name for edge in straight_edges(outline)]
        if place.tube not in names:
            continue
        if place.at is not None:
            return Place(place.tube, fraction=place.at)
        at = names.index(place.tube)
        ends = (
            corner_name(draft.frame, names[at - 1], place.tube),
            corner_name(draft.frame, place.tube, names[(at + 1) % len(names)]),
        )
        if place.from_ not in ends:
            raise Refusal(
                "isn't an end of this edge",
                key=f"{key}.from",
                source="recipe",
                found=show(place.from_),
                valid=listed(ends),
                todo=meant(str(place.from_), ends, "name an end of the edge"),
            )
        far, along = place.from_ == ends[1], place.distance or 0.0
        return Place(place.tube, float(far), -along if far else along)
    own = [edge.name for outline in draft.outlines for edge in straight_edges(outline)]
    known = list(dict.fromkeys([*draft.frame.tubes, *own]))
    raise Refusal(
        "there is no such tube",
        key=f"{key}.tube",
        source="recipe",
        found=show(place.tube),
        valid=listed(known),
        todo=meant(place.tube, known, "name one of the tubes"),
    )


@dataclass(frozen=True, slots=True)
class SeamPlace:
    """A place along a body's outline.

    Attributes:
        station: seam length along the outline, mm.
        edge: name of the outline's edge there.
        along: seam length from that edge's start, mm.
    """

    station: float
    edge: str
    along: float

    @property
    def on_corner(self) -> bool:
        """Whether it lies on the round of a corner, where things that are sewn on won't lie flat."""
        return self.edge.startswith(CORNER_PREFIX)


def seam_place(draft: Draft, outline: Outline, place: Place, key: str) -> SeamPlace:
    """Where the bag comes nearest to a place on a tube; beside a tube's end that is on a corner's round.

    Args:
        draft: has the opening.
        outline: of the body.
        place: on a tube, or on an edge of the bag's own such as the lower edge of a half bag.
        key: of the option, for the message.

    Raises:
        Refusal: the body doesn't run along that tube, or the place lies beyond the tube's ends.
    """
    names = [edge.name for edge in outline.edges]
    straight = [name for name in names if not name.startswith(CORNER_PREFIX)]
    if place.tube not in straight:
        raise Refusal(
            "the bag doesn't run along this tube",
            key=key,
            source="recipe",
            found=show(place.tube),
            valid=listed(straight),
            todo=meant(place.tube, straight, "name a tube that it runs along"),
        )
    assert draft.opening is not None
    own = outline.edge(place.tube).path
    tube = draft.opening.edge(place.tube).path if place.tube in draft.frame.tubes else own
    along = place.along(tube.length)
    if not -1e-6 <= along <= tube.length + 1e-6:
        raise Refusal(
            f"lies beyond the end of {place.tube}",
            key=key,
            source="recipe",
            found=f"{along:.1f} mm from its first end",
            valid=f"0 to {tube.length:.1f} mm",
            todo="move it",
        )
    point = tube.point_at(min(max(along, 0.0), tube.length))
    at = names.index(place.tube)
    best: tuple[float, int, float, float] | None = None
    start = 0.0
    for index, edge in enumerate(outline.edges):
        if index == at or (edge.is_corner and (index - at) % len(names) in (1, len(names) - 1)):
            s, off = edge.path.nearest(point)
            # Where a round begins both are as near; the straight run comes first then.
            rank = (round(off, 9), int(index != at), start + s, s)
            if best is None or rank < best:
                best, edge_name = rank, edge.name
        start += edge.length
    assert best is not None
    return SeamPlace(best[2], edge_name, best[3])


@dataclass(frozen=True, slots=True)
class GussetSpot:
    """A place on the gusset.

    Attributes:
        piece: of the gusset, as it is in the draft.
        x: along the strip, mm.
        half: half the width there, mm.
        station: seam length along the outline, mm.
    """

    piece: Piece
    x: float
    half: float
    station: float

    def to_piece(self, turn: float = 0.0, across: float = 0.0) -> Transform:
        """From a drawing about the origin to this place: turned by degrees, moved across the strip in mm."""
        return Transform.rotation(turn).then(Transform.translation(self.x, across))


def gusset_spot(draft: Draft, outline: Outline, station: float) -> GussetSpot:
    """The place on the gusset at a seam length along a body's outline.

    Raises:
        KeyError: no piece of the gusset runs there.
    """
    whole = outline.path.length
    for piece, begin in gusset_starts(draft, outline):
        along = (station - begin) % whole
        upper = piece.edge(NON_DRIVE_EDGE).path
        if along > upper.length + 1e-9:
            continue
        x, half = upper.point_at(min(along, upper.length))
        return GussetSpot(piece, x, half, station)
    raise KeyError(station)


def gusset_starts(draft: Draft, outline: Outline) -> tuple[tuple[Piece, float], ...]:
    """The pieces of a body's gusset, each with the seam length along the outline at which it begins, mm."""
    offsets: dict[str, float] = {}
    total = 0.0
    for edge in outline.edges:
        offsets[edge.name] = total
        total += edge.length
    strips = {piece.id: piece for piece in gussets(draft, outline.body)}
    return tuple(
        (strips[seam.b.piece], (offsets[seam.a.edges[0]] + seam.a.start) % total)
        for seam in draft.seams
        if seam.kind == "shell" and seam.b.piece in strips and seam.b.edges == (NON_DRIVE_EDGE,)
    )


def rectangle_edges(width: float, height: float) -> tuple[Edge, ...]:
    """The edges of a rectangle about the origin, counter-clockwise: lower, right, upper, left."""
    x, y = 0.5 * width, 0.5 * height
    corners: tuple[Point, ...] = ((-x, -y), (x, -y), (x, y), (-x, y))
    return tuple(
        Edge(name, Path((Line(corners[index], corners[(index + 1) % 4]),)))
        for index, name in enumerate(("lower", "right", "upper", "left"))
    )


def sew_on(
    draft: Draft,
    piece: Piece,
    host: str,
    place: Transform,
    *,
    what: str,
    edges: Iterable[Sequence[str]] | None = None,
    face: Face = "outside",
    under: tuple[str, ...] = (),
    kind: SeamKind = "applied",
) -> Draft:
    """Add a piece and sew it flat onto another, so that piece and placement line are the same length.

    Args:
        draft: has the host.
        piece: drawn in its own place; gets added unless it is there.
        host: id of the piece that it is sewn onto.
        place: from the piece's place to the host's.
        what: what lies there, as in `PlacementLine`.
        edges: runs of the piece's edges that are sewn down, each a seam of its own; None for all round.
        face: of the host that it lies on.
        under: as in `PlacementLine`.
        kind: of the seams.
    """
    runs = [tuple(edge.name for edge in piece.edges)] if edges is None else [tuple(run) for run in edges]
    base = draft.piece(host)
    covers = piece.seam_line.transformed(place)
    lines: list[PlacementLine] = []
    seams: list[Seam] = []
    for number, run in enumerate(runs, 1):
        name = f"{piece.id}:{number}" if len(runs) > 1 else piece.id
        path = Path(tuple(s for edge in run for s in piece.edge(edge).path.segments)).transformed(place)
        # One of the lines stands for the whole in what collides with what.
        lines.append(PlacementLine(name, path, what, face, covers if number == 1 else None, under))
        seams.append(Seam(f"{name}-on-{host}", SeamSide(host, (name,)), SeamSide(piece.id, run), kind=kind))
    known = any(one.id == piece.id for one in draft.pieces)
    pieces = draft.pieces if known else (*draft.pieces, piece)
    changed = draft.evolve(pieces=pieces, seams=(*draft.seams, *seams))
    return changed.replaced(replace(base, placements=(*base.placements, *lines)))
