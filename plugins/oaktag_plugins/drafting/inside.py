"""What stages that work inside and outside of a bag share: its layers, lines across them, sewing on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from oaktag import Draft, Finding, Refusal
from oaktag.geometry import Arc, Line, Path, Point, Transform, dot, offset_outline, subtract
from oaktag.pattern import CORNER_PREFIX, Edge, Hole, Outline, Piece, PlacementLine, Seam, SeamKind, SeamSide
from oaktag.recipe import listed, meant, show
from oaktag_plugins.drafting.bag import (
    END_EDGE,
    NON_DRIVE_EDGE,
    START_EDGE,
    GussetSpot,
    SidePanel,
    gusset_starts,
    panel,
    piece_id,
    to_panel,
)
from oaktag_plugins.drafting.split import split_outline

if TYPE_CHECKING:
    from shapely import Polygon

STIFFENER = "stiffener"
"""Role of stiffeners, and what their placement lines say; the line has the stiffener's name."""
LINER = "liner"
"""Role of the pieces of an inner bag."""
LINER_NON_DRIVE, LINER_DRIVE = "non-drive", "drive"
"""Long edges of a piece of the liner's gusset."""
SIDES: tuple[SidePanel, ...] = ("drive", "non-drive")

LayerName = Literal["shell", "liner"]
"""Which of the bag's two skins something is sewn to."""

_SAME = 1e-6  # mm; two places no further apart are one


@dataclass(frozen=True, slots=True)
class Layer:
    """A bag's shell, or its liner: two panels and the strips between them.

    Attributes:
        outline: of the drive side's panel, clockwise.
        body: that it belongs to.
        panels: ids of the panels by side.
        strips: pieces of the gusset, each with the seam length along the outline at which it begins, mm.
        edge: name of the strips' edge that runs as the outline does.
    """

    outline: Outline
    body: str
    panels: dict[SidePanel, str]
    strips: tuple[tuple[Piece, float], ...]
    edge: str

    def spot(self, station: float) -> GussetSpot | None:
        """The place on the gusset at a seam length along the outline; None where no strip runs."""
        whole = self.outline.path.length
        for piece, begin in self.strips:
            along = (station - begin) % whole
            if whole - along < _SAME:
                along = 0.0
            upper = piece.edge(self.edge).path
            if along <= upper.length + _SAME:
                x, half = upper.point_at(min(along, upper.length))
                return GussetSpot(piece, x, half, station)
        return None

    def join_distance(self, station: float) -> float:
        """Seam length from a station to the nearest end of the strip there, mm; 0 where no strip runs."""
        whole = self.outline.path.length
        for piece, begin in self.strips:
            along, length = (station - begin) % whole, piece.edge(self.edge).length
            if along <= length + _SAME:
                return max(0.0, min(along, length - along))
        return 0.0


def layer_of(draft: Draft, body: str, name: LayerName, key: str = "layer") -> Layer:
    """A body's shell or liner.

    Raises:
        Refusal: the body has no liner.
    """
    if name == "shell":
        panels: dict[SidePanel, str] = {side: panel(draft, side, body).id for side in SIDES}
        outline = draft.outline_of(body)
        return Layer(outline, body, panels, gusset_starts(draft, outline), NON_DRIVE_EDGE)
    ids: dict[SidePanel, str] = {side: piece_id(body, f"liner-{side}") for side in SIDES}
    known = {piece.id: piece for piece in draft.pieces}
    if any(piece not in known for piece in ids.values()):
        raise Refusal(
            "the bag has no liner",
            key=key,
            source="recipe",
            found=show(name),
            valid='"shell", or a liner before this stage',
            todo="put `liner.full` before this stage, or sew to the shell",
        )
    outline = Outline(known[ids["drive"]].edges, body)
    offsets = edge_starts(outline)
    strips = tuple(
        (known[seam.b.piece], (offsets[seam.a.edges[0]] + seam.a.start) % outline.path.length)
        for seam in draft.seams
        if seam.kind == "liner" and seam.a.piece == ids["non-drive"] and seam.b.edges == (LINER_NON_DRIVE,)
    )
    return Layer(outline, body, ids, strips, LINER_NON_DRIVE)


def edge_starts(outline: Outline) -> dict[str, float]:
    """The seam length along an outline at which each of its edges begins, mm."""
    starts: dict[str, float] = {}
    total = 0.0
    for edge in outline.edges:
        starts[edge.name] = total
        total += edge.length
    return starts


def corner_distance(outline: Outline, station: float) -> tuple[float, str]:
    """How far a seam length is from the nearest corner: of a round its nearer end, 0 on it; and its name."""
    whole = outline.path.length
    best = (whole, "")
    start = 0.0
    for index, edge in enumerate(outline.edges):
        if edge.is_corner:
            along = (station - start) % whole
            name = edge.name.removeprefix(CORNER_PREFIX)
            away = 0.0 if along <= edge.length + _SAME else min(along - edge.length, whole - along)
        else:
            after = outline.edges[(index + 1) % len(outline.edges)]
            name, away = f"{edge.name} and {after.name}", whole
            if not after.is_corner and not _smooth(edge.path, after.path):
                along = (station - start - edge.length) % whole
                away = min(along, whole - along)
        best = min(best, (away, name))
        start += edge.length
    return best


def _smooth(first: Path, second: Path) -> bool:
    return dot(first.tangent_at(first.length), second.tangent_at(0.0)) > 1.0 - 1e-9


@dataclass(frozen=True, slots=True)
class Chord:
    """A straight line from edge to edge across an outline.

    Attributes:
        line: in the line's own direction.
        stations: seam lengths along the outline at which it begins and ends, mm.
    """

    line: Line
    stations: tuple[float, float]


def chord_across(outline: Outline, origin: Point, direction: Point) -> Chord:
    """The chord that a line makes of an outline.

    Raises:
        SplitError: the line misses the outline, only touches it, or crosses it more than twice.
    """
    cut = split_outline(outline.edges, origin, direction).left.cut.path
    start, end = cut.start, cut.end
    if dot(subtract(end, start), direction) < 0.0:
        start, end = end, start
    path = outline.path
    whole = path.length
    return Chord(Line(start, end), (path.nearest(start)[0] % whole, path.nearest(end)[0] % whole))


def on_side(draft: Draft, side: SidePanel, body: str, shape: Path) -> Path:
    """A shape in the outline's place, as it lies on one of the panels."""
    return shape if side == "drive" else shape.transformed(to_panel(draft, side, body))


def sew_at(
    draft: Draft,
    piece: str,
    edges: Sequence[str],
    host: str,
    line: PlacementLine,
    *,
    ease: float = 0.0,
    kind: SeamKind = "applied",
    reverse: bool = False,
) -> Draft:
    """Draw a placement line on a piece and sew a run of another piece's edges to it.

    Args:
        draft: has both pieces.
        piece: id of what is sewn on.
        edges: the run that is sewn.
        host: id of the piece that it is sewn onto.
        line: where on the host.
        ease: how much longer the run is than the line, mm.
        kind: of the seam.
        reverse: whether the run goes against the line's direction.
    """
    a, b = SeamSide(host, (line.name,)), SeamSide(piece, tuple(edges), reverse=reverse)
    seam = Seam(f"{line.name}-on-{host}", a, b, ease=ease, kind=kind)
    return place_line(draft, host, line).evolve(seams=(*draft.seams, seam))


def place_line(draft: Draft, host: str, line: PlacementLine) -> Draft:
    """Draw a placement line on a piece."""
    base = draft.piece(host)
    return draft.replaced(replace(base, placements=(*base.placements, line)))


def across(spot: GussetSpot) -> Path:
    """The line across the gusset at a place, from the drive side's edge to the other."""
    return Path((Line((spot.x, -spot.half), (spot.x, spot.half)),))


def tapered(length: float, first: float, second: float) -> Path | None:
    """The upper edge of a strip whose long edges are so long, with the given widths at its ends.

    The edge has exactly that length, so the centre line is shorter: √(length² − ((second − first)/2)²).

    Returns:
        The edge, from (0, first/2) on; None if the widths differ by too much for the length.
    """
    rise = 0.5 * (second - first)
    if abs(rise) >= length:
        return None
    return Path((Line((0.0, 0.5 * first), ((length**2 - rise**2) ** 0.5, 0.5 * second)),))


def cut_through(draft: Draft, host: str, hole: Hole) -> tuple[Draft, list[Finding]]:
    """Cut a hole into a piece, and into the stiffeners that lie on it there.

    Args:
        draft: has the piece.
        host: id of the piece.
        hole: where it is on the piece; stiffeners are drawn in the same place.

    Returns:
        The draft, and what is wrong: a stiffener whose edge would run through the hole.
    """
    base = draft.piece(host)
    area = polygon_of(hole.path)
    changed = [replace(base, holes=(*base.holes, hole))]
    findings: list[Finding] = []
    for line in base.placements:
        if line.what != STIFFENER or line.covers is None:
            continue
        ground = polygon_of(line.covers)
        if ground.buffer(0.02).covers(area):
            under = draft.piece(line.name)
            changed.append(replace(under, holes=(*under.holes, hole)))
        elif ground.intersects(area):
            message = (
                f"the edge of {line.name} runs through {hole.name}, a hole in {host}. Move the {hole.what}, "
                "or end the stiffener before it"
            )
            findings.append(Finding("error", "hole-at-stiffener", message, line.name))
    return draft.replaced(*changed), findings


def strip_edges(upper: Path, upper_name: str, lower_name: str) -> tuple[Edge, ...]:
    """The edges of a strip along +x that is symmetrical about y = 0, clockwise, from its upper edge."""
    lower = flipped(upper)
    return (
        Edge(upper_name, upper),
        Edge(END_EDGE, Path((Line(upper.end, lower.start),))),
        Edge(lower_name, lower),
        Edge(START_EDGE, Path((Line(lower.end, upper.start),))),
    )


def flipped(upper: Path) -> Path:
    """The lower edge of a strip symmetrical about y = 0, which runs back along it."""
    return upper.transformed(Transform.mirror_x().then(Transform.rotation(180.0))).reversed()


def strip_part(strip: Piece, edge: str, first: float, last: float) -> tuple[Edge, ...]:
    """The part of a piece of the gusset between two lengths along its upper edge, as edges of its own."""
    upper = strip.edge(edge).path
    return strip_edges(upper.between(max(first, 0.0), min(last, upper.length)), LINER_NON_DRIVE, LINER_DRIVE)


def runs_along(layer: Layer, tube: str, shortest: float = 10.0) -> list[tuple[str, float, float]]:
    """Where the gusset runs along a tube, from round to round, broken at its joins.

    Args:
        layer: shell or liner.
        tube: name of an edge of the outline.
        shortest: run that is worth anything, mm.

    Returns:
        Ids of the gusset's pieces, each with the seam lengths along its upper edge where it runs there.
    """
    whole = layer.outline.path.length
    start, length = edge_starts(layer.outline)[tube], layer.outline.edge(tube).length
    runs: list[tuple[str, float, float]] = []
    for strip, begin in layer.strips:
        end = strip.edge(layer.edge).length
        # A tube that the strip begins on comes round again at its end.
        for first in ((start - begin) % whole - whole, (start - begin) % whole):
            low, high = max(0.0, first), min(end, first + length)
            if high - low > shortest:
                runs.append((strip.id, low, high))
    return runs


def shrunk(edges: Sequence[Edge], by: Callable[[str], float]) -> tuple[Edge, ...]:
    """A closed outline moved inward, each edge by its own distance in mm; the names stay.

    Raises:
        OffsetError: nothing is left of an edge, or of the whole.
    """
    paths = offset_outline([edge.path for edge in edges], [-by(edge.name) for edge in edges])
    return tuple(Edge(edge.name, path) for edge, path in zip(edges, paths, strict=True))


def stadium(length: float, width: float) -> Path:
    """A slot about the origin along x, its ends half round; a circle where both measures are the same.

    Args:
        length: over all, mm; no less than the width.
        width: mm.
    """
    r, x = 0.5 * width, 0.5 * (length - width)
    right = Arc((x, -r), (x, r), (x, 0.0), r, False)
    left = Arc((-x, r), (-x, -r), (-x, 0.0), r, False)
    if x <= _SAME:
        return Path(
            (Arc((0.0, -r), (0.0, r), (0.0, 0.0), r, False), Arc((0.0, r), (0.0, -r), (0.0, 0.0), r, False))
        )
    return Path((Line((-x, -r), (x, -r)), right, Line((x, r), (-x, r)), left))


def polygon_of(path: Path) -> Polygon:
    """A closed path as a polygon whose chords stay within 0.01 mm of it."""
    return path.polygon(0.01)


def lies_within(piece: Piece, covers: Path) -> bool:
    """Whether what is laid on a piece stays within its seam line."""
    return bool(polygon_of(piece.seam_line).buffer(0.02).covers(polygon_of(covers)))


def largest(fits: Callable[[float], bool], wanted: float) -> float:
    """The largest value up to the one that was wanted that fits, to a thousandth of it; 0 if none does."""
    low, high = 0.0, wanted
    while high - low > 5e-4 * wanted:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def crossed_openings(piece: Piece, path: Path) -> tuple[str, ...]:
    """Names of the zippers whose visible strip a line on a piece runs through."""
    from shapely import LineString

    line = LineString(path.flatten(0.01))
    return tuple(
        placement.name
        for placement in piece.placements
        if placement.what == "zipper"
        and placement.covers is not None
        and line.crosses(polygon_of(placement.covers))
    )


def require_piece(draft: Draft, name: str, key: str, pieces: Iterable[Piece]) -> Piece:
    """The piece that an option names.

    Args:
        draft: has the pieces.
        name: as it stands in the recipe.
        key: of the option, for the message.
        pieces: which may be named.

    Raises:
        Refusal: there is none of that name among them.
    """
    ids = [piece.id for piece in pieces]
    if name not in ids:
        raise Refusal(
            "there is no such piece to sew it to",
            key=key,
            source="recipe",
            found=show(name),
            valid=listed(ids) if ids else "no piece yet",
            todo=meant(name, ids, "name one of them, or put the stage that makes it before this one"),
        )
    return draft.piece(name)


def corner_findings(
    layer: Layer, station: float, code: str, what: str, margin: float, *, join: float = 0.0
) -> list[Finding]:
    """What is wrong with a place on the seam line: on a corner's round or near it, or at a join.

    Args:
        layer: that it is a place of.
        station: seam length along the outline, mm.
        code: the codes begin with it.
        what: stands at the beginning of the messages.
        margin: how far from a corner's round it should be, mm.
        join: how far from a join of the gusset it should be, mm; 0 for anywhere.
    """
    findings: list[Finding] = []
    away, corner = corner_distance(layer.outline, station)
    if away <= _SAME:
        message = f"{what} is on the round of {corner}, where nothing lies flat; move it {margin:g} mm off"
        findings.append(Finding("warning", f"{code}-on-corner", message, corner))
    elif away < margin - _SAME:
        message = f"{what} is {away:.1f} mm from the round of {corner}; {margin:g} mm is wanted. Move it"
        findings.append(Finding("warning", f"{code}-near-corner", message, corner))
    if join > 0.0:
        left = layer.join_distance(station)
        if left < join - _SAME:
            message = f"{what} is {left:.1f} mm from a join of the gusset; {join:g} mm is wanted. Move one"
            findings.append(Finding("error", f"{code}-at-join", message, code))
    return findings
