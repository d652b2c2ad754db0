"""`allowance.by-seam`: the margin outside every seam line, and with it the cut lines."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from math import floor
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import (
    CornerForm,
    GeometryError,
    Line,
    OffsetError,
    Path,
    Point,
    cross,
    distance,
    intersections,
    left_normal,
    midpoint,
    offset_outline,
    shifted,
    subtract,
    unit,
)
from oaktag.pattern import CutRun, Edge, Mark, Piece, Seam, SeamSide
from oaktag.recipe import DataFile, NonNegativeLength, Number, PerName, listed, meant, show
from oaktag_plugins.drafting.seam_classes import (
    SeamTable,
    is_tape,
    name_of_seam,
    on_line,
    table_over,
)
from oaktag_plugins.drafting.worked_pieces import cut_workings

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

CUT_TO_SHAPE = frozenset({"foam", "board"})
"""Kinds of material that are cut on the seam line, since they lie between its seams (common practice, no
source)."""
FACING = "facing"
"""Role of a piece that finishes an edge from the inside."""
BINDING = "binding"
"""Role of a piece that covers raw edges."""

_RANK = {"shell": 0, "part": 1, "liner": 2, "zipper": 3, "applied": 4, "layer": 5}
"""Of several seams at one edge the first kind says how wide it has to be."""
_STEP = 0.1  # mm: to this the largest allowance that fits is found
_SHARP = 0.01  # sine of the turn from which two edges make a corner
_ALIKE = 0.1  # mm that a piece may differ from its mirror image (common practice, no source)

Corner = Literal["extended", "square", "square-next", "clipped", "mitred"]


class AllowanceOptions(Options):
    """Options of `allowance.by-seam`."""

    allowance: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(10.0)
    """Margin, for all or by name: of a seam (both sides), of an edge, or of one piece's edge as `piece.edge`.

    The narrower name wins. The default is that of main seams: zippers, liners, what is sewn on, hems and
    bound edges have their own from the table. 10 mm is common practice for a main seam (no source).
    """
    table: DataFile | None = None
    """The shop's own table of seams; what it leaves out is as shipped (common practice, no source).

    Shipped: zipper 6, liner 8, turned in under what is sewn on 10, webbing caught in a seam 12, hem 10 and
    10 turned in, facing 2 more, bound seam 8 mm.
    """
    reach_limit: Annotated[Number, Field(ge=1, le=10)] = 2.0
    """How far a sharp corner may reach, in times the larger allowance; beyond it is cut off square."""
    corners: PerName[Corner] = PerName[Corner].uniform("extended")
    """How sharp corners are cut, for all, by piece, or as `piece.edge` for the corner where that edge ends.

    `extended`: both cut lines run on until they meet; `square`: the allowance of the edge that ends there is
    cut square to its seam; `square-next`: that of the edge that begins there; `mitred`: both allowances meet
    when they are folded in; `clipped`: cut off close to the seam's corner. Hems end as their mirror image
    unless their corner is named.
    """
    clearance: NonNegativeLength = 3.0
    """How far mitred and clipped corners stay from the seam's corner.

    Clips stay 3 mm short of the stitching (maeviary.com/seam-allowances).
    """
    fold: dict[Annotated[str, Field(min_length=1)], str] = Field(default_factory=dict)
    """Pieces that may be cut on the fold, each with the edge that comes to lie on itself: `gusset = "start"`.

    The pattern stays whole, so that every seam can be walked on it; a fold line shows where the cloth is
    folded. Notches are cut after it is unfolded.
    """

    @model_validator(mode="after")
    def _readable(self) -> AllowanceOptions:
        # So that a mistake in the table is found before any stage runs.
        if self.table is not None:
            self.table.read(SeamTable)
        return self


def run(draft: Draft, options: AllowanceOptions) -> Draft:
    """Give every edge its allowance and draw every cut line.

    An allowance that has no room is drawn as wide as there is room for, with a finding not to cut.

    Raises:
        Refusal: an option names nothing, or seams that share an edge are given different allowances.
    """
    check_names(draft, options)
    allowances = Allowances(draft, options)
    pieces: list[Piece] = []
    findings: list[Finding] = []
    for piece in draft.pieces:
        drawn, found = with_cut_line(piece, allowances, options)
        if piece.id in options.fold:
            drawn, more = with_fold(drawn, options.fold[piece.id])
            found += more
        pieces.append(drawn)
        findings += found
    findings += binding_findings(draft, allowances)
    workings = cut_workings(draft.workings, pieces)
    return draft.evolve(pieces=tuple(pieces)).with_findings(findings).with_workings(workings)


# How wide it is


class Allowances:
    """Which allowance every edge of a draft has.

    Args:
        draft: before it has any.
        options: of the stage.

    Attributes:
        table: the shop's table completed by the shipped one.
    """

    def __init__(self, draft: Draft, options: AllowanceOptions) -> None:
        self.table = table_over(None if options.table is None else options.table.read(SeamTable))
        self._draft = draft
        self._named = options.allowance
        self._names = frozenset(options.allowance.names)
        self._seams: dict[tuple[str, str], list[tuple[Seam, SeamSide, SeamSide]]] = {}
        for seam in draft.seams:
            for side, other in ((seam.a, seam.b), (seam.b, seam.a)):
                for name in side.edges:
                    self._seams.setdefault((side.piece, name), []).append((seam, side, other))

    def of(self, piece: Piece, edge: Edge) -> float:
        """The allowance of an edge, mm.

        In this order: by piece and edge; nothing for tape, foam and board; by edge; for a part that of the
        assembled piece's edge; by seam; by what becomes of the edge; by seam class, kind or material from the
        table; the default.

        Raises:
            Refusal: there is none, or seams at the edge are given different ones.
        """
        own = f"{piece.id}.{edge.name}"
        if own in self._names:
            return self._named.get(own)
        if self.cut_to_shape(piece):
            return 0.0
        if edge.name in self._names:
            return self._named.get(edge.name)
        whole = self._draft.assembled_from(piece.id) if edge.of else None
        if whole is not None and any(other.name == edge.of for other in whole.edges):
            return self.of(whole, whole.edge(edge.of))
        by_seam = self._by_seam(piece, edge)
        if by_seam is not None:
            return by_seam
        by_finish = self._by_finish(piece, edge)
        if by_finish is not None:
            return by_finish
        width = self._by_rule(piece, edge)
        if width is None:
            width = self._default(piece, edge)
        return width + (self.table.facing or 0.0) if piece.role == FACING else width

    def cut_to_shape(self, piece: Piece) -> bool:
        """Whether a piece is cut on its seam line by what it is made of."""
        material = self._draft.material(piece.material)
        if material is None:
            return False
        return material.form == "tape" or material.kind in CUT_TO_SHAPE

    def hem_fold(self, allowance: float) -> float:
        """How far outside the seam line a hem of an allowance is folded again, mm; 0 if it is folded once."""
        width = self.table.hem or 0.0
        return width if 0.0 < width < allowance - 1e-6 else 0.0

    def seams_at(self, piece: Piece, edge: Edge) -> list[tuple[Seam, SeamSide, SeamSide]]:
        """The seams that are sewn at an edge, each with the edge's own side and the other."""
        return self._seams.get((piece.id, edge.name), [])

    def _by_seam(self, piece: Piece, edge: Edge) -> float | None:
        """What the recipe says of the seams at an edge by their names."""
        given = {
            seam.id: self._named.get(seam.id)
            for seam, _, _ in self.seams_at(piece, edge)
            if seam.id in self._names
        }
        if len(set(given.values())) > 1:
            raise Refusal(
                f"the seams at {piece.id}, {edge.name} have different allowances",
                key=f"allowance.{next(iter(given))}",
                source="recipe",
                found=", ".join(f"{seam} {value:g} mm" for seam, value in given.items()),
                valid="one value for seams that share an edge",
                todo=f'name the edge: "{piece.id}.{edge.name}" = ...',
            )
        return next(iter(given.values()), None)

    def _by_finish(self, piece: Piece, edge: Edge) -> float | None:
        """What becomes of the edge, where that says how wide it has to be."""
        kinds = {seam.kind for seam, _, _ in self.seams_at(piece, edge)}
        if edge.finish == "hem":
            return (self.table.hem or 0.0) + (self.table.turn or 0.0)
        if edge.finish == "fold" or (edge.finish == "bound" and not kinds):
            return 0.0
        if edge.finish == "raw" and kinds <= {"applied", "layer"}:
            return 0.0
        return self.table.allowance("bound") if edge.finish == "bound" else None

    def _by_rule(self, piece: Piece, edge: Edge) -> float | None:
        """What the table says of the seams at an edge; of several the kind that ranks first."""
        seams = self.seams_at(piece, edge)
        if not seams:
            return None
        first = min(_RANK[seam.kind] for seam, _, _ in seams)
        widths = [self._rule(piece, seam, other) for seam, _, other in seams if _RANK[seam.kind] == first]
        known = [width for width in widths if width is not None]
        return max(known, default=None)

    def _rule(self, piece: Piece, seam: Seam, other: SeamSide) -> float | None:
        mate = self._draft.piece(other.piece)
        if seam.stitching is not None:
            by_class = self.table.allowance_of_class(seam.stitching.seam_class)
            if by_class is not None:
                return by_class
        name = name_of_seam(self._draft, seam)
        if seam.kind == "layer" and piece.id == seam.b.piece:
            if on_line(mate, other):
                return self.table.allowance("applied")
            # Cut edges lie on each other.
            return max(self.of(mate, mate.edge(edge)) for edge in other.edges)
        if seam.kind not in ("shell", "part"):
            return self.table.allowance("applied" if seam.kind == "applied" else name)
        material = self._draft.material(mate.material)
        caught = material is not None and material.kind == "webbing" and is_tape(self._draft, mate)
        own = (self.table.allowance(name), self.table.materials.get(piece.material))
        known = [width for width in (*own, self.table.webbing if caught else None) if width is not None]
        return max(known, default=None)

    def _default(self, piece: Piece, edge: Edge) -> float:
        try:
            return self._named.get("default")
        except KeyError:
            raise Refusal(
                f"no value for {piece.id}, {edge.name}",
                key="allowance",
                source="recipe",
                found=f"values for {listed(self._named.names)}",
                valid="a value for every edge, or a default",
                todo="add a default",
            ) from None


def binding_findings(draft: Draft, allowances: Allowances) -> list[Finding]:
    """Bound seams whose allowances a binding can't cover: each half of it must reach over the stitching."""
    materials = [draft.material(piece.material) for piece in draft.pieces if piece.role == BINDING]
    widths = [material.width for material in materials if material is not None and material.width > 0.0]
    if not widths:
        return []
    half = 0.5 * min(widths)
    found: dict[str, Finding] = {}
    for piece in draft.pieces:
        for edge in piece.edges:
            width = allowances.of(piece, edge)
            if edge.finish == "bound" and allowances.seams_at(piece, edge) and width >= half:
                message = (
                    f"an allowance of {width:g} mm at {edge.name} isn't covered by a binding of"
                    f" {2.0 * half:g} mm, of which {half:g} mm lie on either side: make it narrower than"
                    " that, or take a wider binding"
                )
                found.setdefault(piece.id, Finding("warning", "allowance-over-binding", message, piece.id))
    return list(found.values())


# The cut line


def with_cut_line(
    piece: Piece, allowances: Allowances, options: AllowanceOptions
) -> tuple[Piece, list[Finding]]:
    """The piece with its allowances, its cut line and the folds of its hems, and what there is to say."""
    edges = tuple(replace(edge, allowance=allowances.of(piece, edge)) for edge in piece.edges)
    forms = corner_forms(piece, edges, allowances, options)
    findings: list[Finding] = []
    drawn = _offset(edges, forms, options)
    if isinstance(drawn, OffsetError) and any(forms):
        # Perhaps it is only a corner's form that has no room.
        plain = _offset(edges, (None,) * len(edges), options)
        if not isinstance(plain, OffsetError):
            names = [edge.name for edge, form in zip(edges, forms, strict=True) if form is not None]
            findings.append(_no_room_for_forms(piece, names))
            drawn, forms = plain, (None,) * len(edges)
    if isinstance(drawn, OffsetError):
        edges, finding = narrowed(piece, edges, drawn, options)
        findings.append(finding)
        forms = (None,) * len(edges)
        drawn = _offset(edges, forms, options)
    if isinstance(drawn, OffsetError):
        # The seam line crosses itself: nothing can be drawn beside it.
        drawn = tuple(edge.path for edge in edges)
    if any(forms):
        plain = _offset(edges, (None,) * len(edges), options)
        unused = [
            edge.name
            for index, edge in enumerate(edges)
            if forms[index] is not None
            and not isinstance(plain, OffsetError)
            and _corner_is_same(drawn, plain, index)
        ]
        if unused:
            findings.append(_no_room_for_forms(piece, unused))
    cut_line = tuple(CutRun(edge.name, path) for edge, path in zip(edges, drawn, strict=True))
    whole = piece.evolve(edges=edges, cut_line=cut_line)
    marks, more = hem_marks(whole, allowances)
    return whole.evolve(marks=(*piece.marks, *marks)), [*findings, *more]


def _offset(
    edges: Sequence[Edge], forms: Sequence[CornerForm | None], options: AllowanceOptions
) -> tuple[Path, ...] | OffsetError:
    try:
        return offset_outline(
            [edge.path for edge in edges],
            [edge.allowance for edge in edges],
            limit=options.reach_limit,
            forms=forms,
        )
    except OffsetError as error:
        return error


def narrowed(
    piece: Piece, edges: tuple[Edge, ...], error: OffsetError, options: AllowanceOptions
) -> tuple[tuple[Edge, ...], Finding]:
    """The edges with the largest allowances that have room, where those that were wanted have none.

    Args:
        piece: that the edges are of.
        edges: with the allowances that are wanted.
        error: why these have no room.
        options: of the stage.

    Returns:
        The edges, and a finding not to cut.
    """
    count = len(edges)
    failed = error.part
    group = {(error.part + step) % count for step in (-1, 0, 1)}

    def at_most(width: float) -> tuple[Edge, ...]:
        return tuple(
            replace(edge, allowance=min(edge.allowance, width)) if index in group else edge
            for index, edge in enumerate(edges)
        )

    def fails(width: float) -> OffsetError | None:
        drawn = _offset(at_most(width), (None,) * count, options)
        return drawn if isinstance(drawn, OffsetError) else None

    while (again := fails(0.0)) is not None and len(group) < count:
        # What is in the way lies elsewhere: that and its neighbours get less too.
        wider = group | {(again.part + step) % count for step in (-1, 0, 1)}
        group = (
            wider if wider != group else {(index + step) % count for index in group for step in (-1, 0, 1)}
        )
    low, high = 0, max(1, floor(max(edges[index].allowance for index in group) / _STEP))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if fails(middle * _STEP) else (middle, high)
    fitting = at_most(low * _STEP)
    less = [
        edge.name for edge, wanted in zip(fitting, edges, strict=True) if edge.allowance < wanted.allowance
    ]
    edge = edges[failed]
    hollow = not all(isinstance(segment, Line) for segment in edge.path.segments)
    code = "allowance-over-radius" if hollow else "allowance-overlap"
    keys = ", ".join(f'"{piece.id}.{name}" = {low * _STEP:.4g}' for name in less)
    change = "make the radius larger" if hollow else "widen that place"
    # The geometry knows its parts by number only.
    reason = re.sub(r"part (\d+)", lambda found: edges[int(found[1])].name, error.reason)
    message = (
        f"the cut line of {piece.name} can't be drawn at {edge.name} with {edge.allowance:g} mm: {reason}."
        f" At most {low * _STEP:.4g} mm fit, and so it is drawn: {change}, or write {keys}"
    )
    return fitting, Finding("error", code, message, piece.id)


# Corners and hems


def corner_forms(
    piece: Piece, edges: Sequence[Edge], allowances: Allowances, options: AllowanceOptions
) -> tuple[CornerForm | None, ...]:
    """How the corner at the end of every edge is cut; None for as far as both cut lines reach."""
    forms: list[CornerForm | None] = []
    for edge, after in zip(edges, (*edges[1:], edges[0]), strict=True):
        named = options.corners.root.get(f"{piece.id}.{edge.name}")
        shape = named or options.corners.root.get(piece.id) or options.corners.root.get("default", "extended")
        hems = [index for index, each in enumerate((edge, after)) if each.finish == "hem"]
        if not _is_corner(piece, edge, after):
            forms.append(None)
        elif named is None and len(hems) == 1:
            fold = allowances.hem_fold((edge, after)[hems[0]].allowance)
            forms.append(CornerForm("mirrored", second=hems[0] == 1, folds=(fold,) if fold else ()))
        elif shape == "mitred" or (named is None and hems):
            forms.append(CornerForm("mitred", clearance=options.clearance))
        elif shape == "clipped":
            forms.append(CornerForm("clipped", clearance=options.clearance))
        elif shape in ("square", "square-next"):
            forms.append(CornerForm("square", second=shape == "square-next"))
        else:
            forms.append(None)
    return tuple(forms)


def _is_corner(piece: Piece, edge: Edge, after: Edge) -> bool:
    """Whether two edges that follow each other make a corner that points outward and has a margin."""
    turn = cross(edge.path.tangent_before(edge.length), after.path.tangent_at(0.0))
    outward = -turn if piece.seam_line.clockwise else turn
    return outward > _SHARP and max(edge.allowance, after.allowance) > 0.0


def _corner_is_same(drawn: Sequence[Path], plain: Sequence[Path], index: int) -> bool:
    after = (index + 1) % len(drawn)
    return (
        drawn[index].segments[-1] == plain[index].segments[-1]
        and drawn[after].segments[0] == plain[after].segments[0]
    )


def _no_room_for_forms(piece: Piece, names: Sequence[str]) -> Finding:
    message = (
        f"the corner at the end of {listed(names)} isn't cut in the form that is asked for: it needs edges"
        " that are long enough for it, and an allowance; both cut lines run on until they meet instead"
    )
    return Finding("warning", "corner-form-no-room", message, piece.id)


def hem_marks(piece: Piece, allowances: Allowances) -> tuple[list[Mark], list[Finding]]:
    """The second folds of a piece's hems, from cut line to cut line, and what there is to say about them."""
    marks: list[Mark] = []
    findings: list[Finding] = []
    outward = 1.0 if piece.seam_line.clockwise else -1.0
    for edge in piece.edges:
        if edge.finish != "hem" or edge.allowance <= 0.0:
            continue
        fold = allowances.hem_fold(edge.allowance)
        path = _parallel(edge.path, outward * fold)
        if path is None or not all(isinstance(segment, Line) for segment in edge.path.segments):
            message = (
                f"{edge.name} isn't straight, and a hem of {edge.allowance:g} mm won't lie flat along it:"
                " bind it, or face it"
            )
            findings.append(Finding("warning", "hem-curved", message, piece.id))
        if fold and path is not None:
            path = _up_to_the_cut_line(piece, path)
            marks.append(Mark("fold", path, f"hem {fold:g} + {edge.allowance - fold:g}"))
    return marks, findings


def _up_to_the_cut_line(piece: Piece, path: Path) -> Path:
    """A line that ends at both sides where it meets the cut line; any other path as it is."""
    (line, *more) = path.segments
    if more or not isinstance(line, Line):
        return path
    reach = max(piece.outline.bounds.width, piece.outline.bounds.height)
    long = Line(shifted(line.start, line.direction, -reach), shifted(line.end, line.direction, reach))
    middle = reach + 0.5 * line.length
    stations = [station for station, _, _ in intersections(long, piece.outline)]
    before = [station for station in stations if station < middle]
    after = [station for station in stations if station > middle]
    if not before or not after:
        return path
    return Path((Line(long.point_at(max(before)), long.point_at(min(after))),))


def _parallel(path: Path, away: float) -> Path | None:
    """The path that runs beside another, to its left; None where that is torn or vanishes."""
    try:
        return Path(tuple(segment.offset(away) for segment in path.segments))
    except GeometryError:
        return None


# On the fold


def with_fold(piece: Piece, name: str) -> tuple[Piece, list[Finding]]:
    """The piece with the line on which the cloth may be folded before it is cut.

    Args:
        piece: with its cut line.
        name: of the edge that comes to lie on itself.

    Returns:
        The piece; where it isn't its own mirror image, as it was, and a finding.
    """
    from shapely import LineString
    from shapely.affinity import affine_transform

    edge = piece.edge(name)
    middle, along = midpoint(edge.path.start, edge.path.end), subtract(edge.path.end, edge.path.start)
    x, y = left_normal(unit(along))
    # Mirrored about the line through the middle, square to the edge (Householder).
    xx, xy, yy = 2.0 * x * x - 1.0, 2.0 * x * y, 2.0 * y * y - 1.0
    shift = (middle[0] - xx * middle[0] - xy * middle[1], middle[1] - xy * middle[0] - yy * middle[1])
    shape = piece.outline.polygon(0.01).difference(_holes(piece))
    image = affine_transform(shape, (xx, xy, xy, yy, *shift))
    apart = float(shape.boundary.hausdorff_distance(image.boundary))
    if apart > _ALIKE:
        message = (
            f"it can't be cut on the fold at {name}: folded there, its halves differ by {apart:.1f} mm; the"
            " fold line is left out, so cut the whole piece"
        )
        return piece, [Finding("warning", "fold-unequal", message, piece.id)]
    reach = 2.0 * max(piece.outline.bounds.width, piece.outline.bounds.height)
    ends = [shifted(middle, (x, y), step) for step in (-reach, reach)]
    crossing = piece.outline.polygon(0.01).intersection(LineString(ends))
    parts = [part for part in getattr(crossing, "geoms", [crossing]) if part.length > 0.0]
    longest = max(parts, key=lambda part: float(part.length))
    start, end = (_point(place) for place in longest.coords)
    mark = Mark("fold", Path((Line(start, end),)), "may be cut on the fold")
    return piece.evolve(marks=(*piece.marks, mark)), []


def _holes(piece: Piece) -> BaseGeometry:
    from shapely import union_all

    return union_all([hole.path.polygon(0.01) for hole in piece.holes])


def _point(place: Sequence[float]) -> Point:
    return float(place[0]), float(place[1])


# What the options name


def check_names(draft: Draft, options: AllowanceOptions) -> None:
    """Refuse a name that is no seam, no piece, no edge and no piece's edge.

    Raises:
        Refusal: an option holds such a name, or folds a piece at an edge that closes on itself.
    """
    pieces = [piece.id for piece in draft.pieces]
    ends = [f"{piece.id}.{edge.name}" for piece in draft.pieces for edge in piece.edges]
    edges = [edge.name for piece in draft.pieces for edge in piece.edges]
    seams = [seam.id for seam in draft.seams]
    for name in options.allowance.names:
        _check_name(f"allowance.{name}", name, [*seams, *edges, *ends], "seam and no edge")
    for name in options.corners.names:
        _check_name(f"corners.{name}", name, [*pieces, *ends], "piece and no edge of one")
    for name, edge in options.fold.items():
        _check_name(f"fold.{name}", name, pieces, "piece", default=False)
        piece = draft.piece(name)
        _check_name(f"fold.{name}", edge, [each.name for each in piece.edges], "edge on it", default=False)
        path = piece.edge(edge).path
        if distance(path.start, path.end) < 1e-3:
            raise Refusal(
                "an edge that ends where it begins has no middle to fold at",
                key=f"fold.{name}",
                source="recipe",
                found=show(edge),
                valid="an edge with two ends",
                todo="name another edge, or remove it",
            )


def _check_name(key: str, name: str, known: Sequence[str], what: str, *, default: bool = True) -> None:
    known = list(dict.fromkeys(known))
    if name not in known:
        raise Refusal(
            f"there is no {what} of this name",
            key=key,
            source="recipe",
            found=show(name),
            valid=listed([*known, "default"] if default else known),
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
            uses=frozenset({"gusset", "seams", "features", "stitches", "materials"}),
            adds=frozenset({"allowances"}),
        ),
    )
