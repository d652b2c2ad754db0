"""`liner.full`: an inner bag, smaller than the shell by the turn of cloth, caught at the zippers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Curve, Line, OffsetError, Path, Point, Segment, dot, subtract
from oaktag.pattern import Edge, Outline, Piece, PlacementLine, Seam, SeamSide
from oaktag.recipe import NonNegativeLength, refuse_value
from oaktag_plugins.drafting.bag import (
    END_EDGE,
    NON_DRIVE_EDGE,
    START_EDGE,
    SidePanel,
    bodies_of,
    gusset_starts,
    panel,
    piece_id,
    to_panel,
)
from oaktag_plugins.drafting.gusset_width import WidthPiece, sewn_edge
from oaktag_plugins.drafting.inside import (
    LINER,
    LINER_DRIVE,
    LINER_NON_DRIVE,
    SIDES,
    STIFFENER,
    edge_starts,
    strip_edges,
)
from oaktag_plugins.drafting.split import SplitError, split_outline
from oaktag_plugins.drafting.strips import panel_run
from oaktag_plugins.drafting.turn_of_cloth import inset, layers_thickness, whole_reduction
from oaktag_plugins.drafting.worked_pieces import liner_workings

_NO_CLOTH = ("zipper", "tab")
"""Roles of a panel's parts beside which there is no liner."""
_SAME = 1e-6  # mm; two places no further apart are one
_NEAR = 1e-4  # mm; edges this near to one line lie on it
_STEP = 10.0  # mm; a free curve's width is followed in steps no longer


class LinerOptions(Options):
    """Options of `liner.full`."""

    thickness: NonNegativeLength | None = None
    """How far inside the shell's seam line the liner's lies: shell, foam and board together."""
    layers: tuple[str, ...] | None = None
    """The materials that lie between, instead: the table has their thicknesses.

    With neither, the shell's own and those of the stiffeners that are there already.
    """
    material: Annotated[str, Field(min_length=1, max_length=60)] = "liner"
    """What the liner is cut from."""
    body: str | None = None
    """The body that gets a liner; all of them if left out."""

    @model_validator(mode="after")
    def _one_way(self) -> LinerOptions:
        if self.thickness is not None and self.layers is not None:
            raise refuse_value("gives the thickness twice", "`thickness` or `layers`", "keep one of them")
        return self


def run(draft: Draft, options: LinerOptions) -> Draft:
    """Draft the liner's panels and gusset, sew them to each other, and catch them at the zippers.

    Raises:
        Refusal: the thickness isn't known, or there is no such body.
    """
    for body in bodies_of(draft, options.body):
        draft = lined(draft, body, options)
    return draft


def lined(draft: Draft, body: str, options: LinerOptions) -> Draft:
    """The draft with one body's liner."""
    outline = draft.outline_of(body)
    thickness = thickness_of(draft, body, options)
    where = piece_id(body, LINER)
    try:
        inner = inset(outline, thickness)
    except OffsetError as error:
        name = outline.edges[error.part].name
        message = (
            f"there is no liner: nothing is left of {name} {thickness:g} mm inside ({error.reason}). "
            "Use a larger radius there, or thinner layers"
        )
        return draft.with_findings([Finding("error", "liner-no-room", message, name)])
    strips: list[tuple[Piece, float, float, float]] = []
    runs = gusset_starts(draft, outline)
    for number, (shell, begin) in enumerate(runs, 1):
        name = piece_id(body, f"liner-gusset-{number}" if len(runs) > 1 else "liner-gusset")
        made = inner_strip(shell, begin, outline, inner, thickness)
        if isinstance(made, str):
            return draft.with_findings([Finding("error", "liner-too-narrow", made, shell.id)])
        upper, first, span = made
        part = f", part {number}" if len(runs) > 1 else ""
        strip = Piece(
            id=name,
            name=f"liner gusset{part}",
            edges=strip_edges(upper, LINER_NON_DRIVE, LINER_DRIVE),
            material=options.material,
            role=LINER,
            body=body,
        )
        strips.append((strip, first, span, begin))
    panels = {side: liner_panel(draft, inner, side, body, options.material) for side in SIDES}
    draft = draft.evolve(pieces=(*draft.pieces, *panels.values(), *(strip for strip, *_ in strips)))
    draft = draft.evolve(seams=(*draft.seams, *liner_seams(draft, inner, body, strips)))
    caught = 0
    for side in SIDES:
        draft, count = caught_at_zippers(draft, side, body, options.material)
        caught += count
    shorter = outline.path.length - inner.path.length
    whole = whole_reduction(thickness)
    message = (
        f"the liner's seam line is {shorter:.1f} mm shorter than the shell's, {thickness:g} mm inside it "
        f"(2π × {thickness:g} mm is {whole:.1f} mm)"
    )
    findings = [Finding("note", "liner-turn-of-cloth", message, where)]
    if not caught:
        message = "no zipper in the panels catches the liner: tack it to the allowances inside the bag"
        findings.append(Finding("note", "liner-not-caught", message, where))
    for strip, *_ in runs:
        for line in strip.placements:
            if line.what == "zipper" and line.covers is not None:
                text = (
                    f"the liner's gusset isn't slit for {line.name}: slit it along its centre line and turn "
                    "the edges under at the zipper's tape"
                )
                findings.append(Finding("warning", "liner-gusset-zipper", text, strip.id))
    workings = liner_workings(draft.workings, outline, inner, thickness, where)
    return draft.with_findings(findings).with_workings(workings)


def thickness_of(draft: Draft, body: str, options: LinerOptions) -> float:
    """How far inside the shell the liner lies, mm.

    Raises:
        Refusal: neither the options nor the material table say.
    """
    if options.thickness is not None:
        return options.thickness
    if options.layers is not None:
        return layers_thickness(draft, options.layers, "layers")
    stiff = [
        piece.material
        for piece in draft.pieces
        if piece.role == STIFFENER and piece.body == body and not piece.id.count("gusset")
    ]
    names = list(dict.fromkeys([panel(draft, "drive", body).material, *stiff]))
    try:
        return layers_thickness(draft, names, "layers")
    except Refusal as refusal:
        raise Refusal(
            f"the liner's distance from the shell isn't known: {refusal.reason}",
            key="thickness",
            source="recipe",
            found=refusal.found,
            valid="the thickness in mm, or `layers` that are in the material table",
            todo="give `thickness`, or assign the material in `materials.table`",
        ) from None


def inner_strip(
    shell: Piece, begin: float, outline: Outline, inner: Outline, thickness: float
) -> tuple[Path, float, float] | str:
    """The upper edge of the liner's strip within a piece of the gusset.

    Every edge of the outline has its own share of the turn of cloth, so the liner's seam lengths go with the
    shell's edge by edge; the width is the shell's at that place, less the thickness on either side.

    Args:
        shell: piece of the gusset.
        begin: seam length along the outline at which it begins, mm.
        outline: the shell's.
        inner: the liner's.
        thickness: between them, mm.

    Returns:
        The edge, the seam length along the inner outline at which it begins, and its length; or why there
        is none.
    """
    upper = shell.edge(NON_DRIVE_EDGE).path
    pieces: list[WidthPiece] = []
    first, at = _inner_station(outline, inner, begin), 0.0
    for u0, u1, rate in _steps(upper, begin, outline, inner):
        span = (u1 - u0) * rate
        if span <= _SAME:
            continue
        w0, w1 = (2.0 * (upper.point_at(u)[1] - thickness) for u in (u0, u1))
        m0, m1 = 2.0 * upper.tangent_at(u0)[1] / rate, 2.0 * upper.tangent_before(u1)[1] / rate
        if min(w0, w1) <= 0.0:
            return (
                f"there is no liner: {shell.id} is {min(w0, w1) + 2 * thickness:.1f} mm wide in places, and "
                f"{thickness:g} mm go from either side. Make it wider, or use thinner layers"
            )
        chord = (w1 - w0) / span
        c = (w0, m0, (3.0 * chord - 2.0 * m0 - m1) / span, (m0 + m1 - 2.0 * chord) / span**2)
        piece = WidthPiece(at, at + span, c)
        if 0.5 * piece.steepest()[1] >= 0.95:
            return (
                f"there is no liner: its gusset would change its width too fast in {shell.id}, where a "
                f"corner's round is only {span:.1f} mm long {thickness:g} mm inside. Make that radius larger"
            )
        pieces.append(piece)
        at += span
    return sewn_edge(pieces), first, at


def _steps(
    upper: Path, begin: float, outline: Outline, inner: Outline
) -> Iterator[tuple[float, float, float]]:
    """Runs of a strip's upper edge, from joint to joint of it and of the outline.

    Yields:
        Where a run begins and ends, mm along the edge, and how many mm of the inner outline one mm of it is.
    """
    whole = outline.path.length
    starts = edge_starts(outline)
    marks = {0.0, upper.length, *upper.joints}
    marks |= {along for s in starts.values() if (along := (s - begin) % whole) < upper.length}
    marks |= set(_curve_marks(upper.segments))
    ordered = sorted(marks)
    for u0, u1 in pairwise(ordered):
        if u1 - u0 <= _SAME:
            continue
        name = _edge_at(outline, begin + 0.5 * (u0 + u1))
        yield u0, u1, inner.edge(name).length / outline.edge(name).length


def _curve_marks(segments: Sequence[Segment]) -> Iterator[float]:
    start = 0.0
    for segment in segments:
        if isinstance(segment, Curve):
            count = int(segment.length // _STEP) + 1
            yield from (start + segment.length * k / count for k in range(1, count))
        start += segment.length


def _edge_at(outline: Outline, station: float) -> str:
    station %= outline.path.length
    for edge in outline.edges:
        if station < edge.length:
            return edge.name
        station -= edge.length
    return outline.edges[-1].name


def _inner_station(outline: Outline, inner: Outline, station: float) -> float:
    """The seam length on the inner outline that goes with one on the outer, mm."""
    name = _edge_at(outline, station)
    along = (station - edge_starts(outline)[name]) % outline.path.length
    return edge_starts(inner)[name] + along * inner.edge(name).length / outline.edge(name).length


def liner_panel(draft: Draft, inner: Outline, side: SidePanel, body: str, material: str) -> Piece:
    """A panel of the liner, in the place of the shell's."""
    there = to_panel(draft, side, body)
    return Piece(
        id=piece_id(body, f"liner-{side}"),
        name=f"liner panel, {side} side",
        edges=tuple(Edge(edge.name, edge.path.transformed(there)) for edge in inner.edges),
        material=material,
        role=LINER,
        body=body,
        up=90.0,
        front=0.0 if side == "drive" else 180.0,
    )


def liner_seams(
    draft: Draft, inner: Outline, body: str, strips: Sequence[tuple[Piece, float, float, float]]
) -> list[Seam]:
    """The seams between the liner's panels and its strips, and between strips where the shell's join too."""
    seams: list[Seam] = []
    whole = inner.path.length
    for index, (strip, first, span, _) in enumerate(strips):
        number = f"-{index + 1}" if len(strips) > 1 else ""
        full = whole if abs(span - whole) < _NEAR else span
        edges, offset, length = panel_run(inner, first % whole, full)
        for side, edge, reverse in (("drive", LINER_DRIVE, True), ("non-drive", LINER_NON_DRIVE, False)):
            a = SeamSide(piece_id(body, f"liner-{side}"), edges, offset, length)
            b = SeamSide(strip.id, (edge,), reverse=reverse)
            seams.append(Seam(piece_id(body, f"liner-{side}{number}"), a, b, kind="liner"))
    joined = {
        (seam.a.piece, seam.b.piece)
        for seam in draft.seams
        if seam.a.edges == (END_EDGE,) and seam.b.edges == (START_EDGE,)
    }
    shells = gusset_starts(draft, draft.outline_of(body))
    for index, (strip, *_) in enumerate(strips):
        after = (index + 1) % len(strips)
        if (shells[index][0].id, shells[after][0].id) not in joined:
            continue
        number = f"-{index + 1}" if len(strips) > 1 else ""
        b = SeamSide(strips[after][0].id, (START_EDGE,), reverse=True)
        seams.append(
            Seam(piece_id(body, f"liner-join{number}"), SeamSide(strip.id, (END_EDGE,)), b, kind="liner")
        )
    return seams


@dataclass(frozen=True, slots=True)
class _Opening:
    """An edge of a part of a panel that a zipper is sewn to."""

    part: Piece
    edge: Edge
    zipper: str

    @property
    def line(self) -> Line:
        path = self.edge.path
        return Line(path.start, path.end)

    @property
    def keeps_right(self) -> bool:
        """Whether the part lies to the right of its edge."""
        return self.part.seam_line.clockwise


def caught_at_zippers(draft: Draft, side: SidePanel, body: str, material: str) -> tuple[Draft, int]:
    """Cut a panel of the liner apart as the shell's is by its zippers, and sew it to the shell's parts there.

    Returns:
        The draft, and how many seams catch the liner.
    """
    shell = panel(draft, side, body)
    liner = draft.piece(piece_id(body, f"liner-{side}"))
    openings = openings_of(draft, shell)
    if not openings:
        return draft, 0
    parts: list[Piece] = []
    seams: list[Seam] = []
    try:
        for group in groups_of(draft, shell):
            mine = [opening for opening in openings if opening.part.id in group]
            if not mine:
                continue
            number = len(parts) + 1
            part, sewn = liner_part(liner, mine, number, material)
            parts.append(part)
            seams += sewn
        strips = visible_strips(liner, openings)
    except SplitError as error:
        message = f"the liner isn't cut open at the zipper of {shell.id}: {error.reason}. Move the zipper"
        return draft.with_findings([Finding("error", "liner-zipper", message, liner.id)]), 0
    whole = liner.evolve(parts=tuple(part.id for part in parts), placements=(*liner.placements, *strips))
    draft = draft.replaced(whole)
    return draft.evolve(pieces=(*draft.pieces, *parts), seams=(*draft.seams, *seams)), len(seams)


def openings_of(draft: Draft, shell: Piece) -> list[_Opening]:
    """The edges of a panel's parts that zippers are sewn to."""
    parts = {name: draft.piece(name) for name in shell.parts}
    found: list[_Opening] = []
    for seam in draft.seams:
        if seam.kind != "zipper":
            continue
        for here, there in ((seam.a, seam.b), (seam.b, seam.a)):
            part = parts.get(here.piece)
            zipper = parts.get(there.piece)
            if part is None or zipper is None or zipper.role != "zipper" or part.role in _NO_CLOTH:
                continue
            found += [_Opening(part, edge, zipper.id) for edge in part.edges if edge.name in here.edges]
    return found


def groups_of(draft: Draft, shell: Piece) -> list[set[str]]:
    """The parts of a panel, those that are sewn straight to each other together."""
    groups = [{name} for name in shell.parts if draft.piece(name).role not in _NO_CLOTH]
    for seam in draft.seams:
        if seam.kind != "part":
            continue
        joined = [group for group in groups if seam.a.piece in group or seam.b.piece in group]
        if len(joined) == 2:
            groups = [group for group in groups if group not in joined] + [joined[0] | joined[1]]
    return groups


def liner_part(
    liner: Piece, openings: Sequence[_Opening], number: int, material: str
) -> tuple[Piece, list[Seam]]:
    """What is left of a panel of the liner on one side of its zippers, sewn to the shell's edges there.

    Raises:
        SplitError: a zipper's line doesn't cut the liner in two.
    """
    edges: tuple[Edge, ...] = liner.edges
    lines: list[tuple[str, Line]] = []
    for opening in openings:
        if any(_on_line(line, opening.line) for _, line in lines):
            continue
        name = "zipper" if not lines else f"zipper-{len(lines) + 1}"
        edges = beside(edges, opening, name)
        lines.append((name, opening.line))
    edges = tuple(
        Edge(e.name, e.path, of="" if e.name in {name for name, _ in lines} else outer_name(liner, e.of))
        for e in edges
    )
    piece = liner.evolve(
        id=f"{liner.id}-{number}",
        name=f"{liner.name}, part {number}",
        edges=edges,
        material=material,
        parts=(),
        placements=(),
    )
    seams: list[Seam] = []
    for name, line in lines:
        cut = piece.edge(name).path
        for opening in openings:
            if not _on_line(line, opening.line):
                continue
            run = overlap(opening.line, Line(cut.start, cut.end))
            if run is None:
                continue
            (start, length), (liner_start, liner_length), reverse = run
            a = SeamSide(opening.part.id, (opening.edge.name,), start, length)
            b = SeamSide(piece.id, (name,), liner_start, liner_length, reverse)
            seams.append(Seam(f"{piece.id}-to-{opening.part.id}-{opening.edge.name}", a, b, kind="layer"))
    return piece, seams


def outer_name(liner: Piece, name: str) -> str:
    """The name of the panel's own edge, of an edge that may have been cut several times."""
    names = {edge.name for edge in liner.edges}
    while name not in names and "-" in name:
        name = name.rpartition("-")[0]
    return name


def beside(edges: Sequence[Edge], opening: _Opening, name: str, *, other: bool = False) -> tuple[Edge, ...]:
    """The part of an outline on the same side of a zipper's line as the part of the shell, or on the other.

    Raises:
        SplitError: the line doesn't cut the outline in two.
    """
    line = opening.line
    split = split_outline(edges, line.start, line.direction, cut=name)
    return (split.right if opening.keeps_right != other else split.left).edges


def visible_strips(liner: Piece, openings: Sequence[_Opening]) -> list[PlacementLine]:
    """What is cut out of a panel of the liner where its zippers are seen.

    Raises:
        SplitError: a zipper's line doesn't cut the liner in two.
    """
    strips: list[PlacementLine] = []
    for zipper in dict.fromkeys(opening.zipper for opening in openings):
        edges: tuple[Edge, ...] = liner.edges
        lines: list[Line] = []
        for opening in (opening for opening in openings if opening.zipper == zipper):
            if not any(_on_line(line, opening.line) for line in lines):
                edges = beside(edges, opening, f"cut-{len(lines)}", other=True)
                lines.append(opening.line)
        if len(lines) < 2:
            continue
        covers = Path(tuple(segment for edge in edges for segment in edge.path.segments))
        first = next(edge.path for edge in edges if edge.name.startswith("cut-"))
        strips.append(PlacementLine(f"{zipper}:visible", first, "zipper", "inside", covers))
    return strips


def overlap(first: Line, second: Line) -> tuple[tuple[float, float], tuple[float, float], bool] | None:
    """The run that two edges on one line have in common.

    Returns:
        Start and length on either, mm, and whether the second goes the other way; None if they don't meet.
    """
    along = first.direction
    ends: tuple[Point, Point] = (second.start, second.end)
    at = [dot(subtract(point, first.start), along) for point in ends]
    low, high = max(0.0, min(at)), min(first.length, max(at))
    if high - low <= _NEAR:
        return None
    reverse = at[1] < at[0]
    begin = max(0.0, low - min(at)) if not reverse else max(0.0, max(at) - high)
    return (low, high - low), (begin, high - low), reverse


def _on_line(first: Line, second: Line) -> bool:
    return all(
        abs(
            (point[0] - first.start[0]) * first.direction[1]
            - (point[1] - first.start[1]) * first.direction[0]
        )
        < _NEAR
        for point in (second.start, second.end)
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="liner.full",
            summary="Draft a liner: the bag again, smaller by the turn of cloth",
            run=f"{__name__}:run",
            options=f"{__name__}:LinerOptions",
            needs=frozenset({"outline", "panels", "gusset"}),
            uses=frozenset({"materials", "features", "seams"}),
            adds=frozenset({"features"}),
        ),
    )
