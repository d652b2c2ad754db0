"""`gusset.construct`: how the body's seams are made, turned, bound or folded, and what the layers take up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Arc, Line, Path, Point
from oaktag.pattern import CORNER_PREFIX, Edge, Mark, Outline, Piece, Seam, SeamSide
from oaktag.pattern.walk import run_length
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, show
from oaktag_plugins.drafting.bag import GUSSET, PANEL, SidePanel, bodies_of, piece_id
from oaktag_plugins.drafting.strips import join_rooms, nearest_room, panel_run
from oaktag_plugins.drafting.turn_of_cloth import layers_thickness, reduction, whole_reduction

Construction = Literal["turned", "bound", "folded"]
MaterialName = Annotated[str, Field(min_length=1, max_length=60)]

BINDING = "binding"
"""Role of a tape that goes round the raw edges of a seam."""
SEWN = "sewn"
"""The edge of a binding at which it is sewn to the panel."""
CLASSES: dict[Construction, str] = {"turned": "1.01", "bound": "3.01", "folded": "2.04"}
"""Seam classes of ISO 4916: superimposed, bound, lapped with the edge folded (numbers from memory)."""
_FROM_JOIN = 60.0
"""So far after the gusset's join a binding begins, mm, so that they don't lie on each other (common practice,
no source)."""
_NONE = 1e-6  # mm


class ConstructOptions(Options):
    """Options of `gusset.construct`."""

    construction: Construction = "turned"
    """How the panels are sewn to the gusset.

    `turned`: sewn inside out and turned; `bound`: the raw edges are covered with a tape; `folded`: the
    panel's edge is folded in and lapped onto the gusset.
    """
    layers: tuple[MaterialName, ...] = ()
    """What lies between shell and liner, by the names in the material table: foam, board."""
    thickness: NonNegativeLength | None = None
    """How thick that is together, instead of what the table says."""
    binding: MaterialName = "binding-22"
    """The tape that a bound seam is covered with, by its name in the material table."""
    tape: PositiveLength | None = None
    """Width of that tape, instead of what the table says."""
    caught: tuple[MaterialName, ...] = ()
    """Further layers that the tape goes round, besides panel and gusset, by their names in the table."""
    allowance: PositiveLength = 8.0
    """The allowance that bound seams will have, mm.

    8 mm as allowance.by-seam gives them (common practice, no source).
    """
    spare: NonNegativeLength = 2.0
    """How much wider the tape is than both allowances and the thickness, mm (common practice, no source)."""
    lap: NonNegativeLength = 15.0
    """By how much a binding's end laps over its beginning, turned in, mm (common practice, no source)."""
    body: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """The body whose seams are made so; all of them if left out."""


def run(draft: Draft, options: ConstructOptions) -> Draft:
    """Draft the bindings or the folds, and say what the layers take from a liner.

    Raises:
        Refusal: the table lacks a material or its measure, or there is no such body.
    """
    thickness = options.thickness
    if thickness is None:
        thickness = layers_thickness(draft, options.layers, "layers")
    tape = binding_width(draft, options) if options.construction == "bound" else 0.0
    for body in bodies_of(draft, options.body):
        outline = draft.outline_of(body)
        seams = body_seams(draft, body)
        findings = [construction_finding(body, seams, options), *turn_findings(outline, thickness)]
        if options.construction == "bound":
            draft = bound(draft, body, seams, tape, options)
            findings += tape_findings(draft, body, seams, tape, options)
        elif options.construction == "folded":
            draft = folded(draft, seams)
        draft = draft.with_findings(findings)
    return draft


def body_seams(draft: Draft, body: str) -> tuple[Seam, ...]:
    """The seams that join a body's panels (side a) to its gusset (side b)."""
    return tuple(
        seam
        for seam in draft.seams
        if seam.kind == "shell"
        and draft.piece(seam.a.piece).role == PANEL
        and draft.piece(seam.b.piece).role == GUSSET
        and draft.piece(seam.a.piece).body == body
    )


def construction_finding(body: str, seams: Sequence[Seam], options: ConstructOptions) -> Finding:
    """Say how the body's seams are made, and of which class they are."""
    number = CLASSES[options.construction]
    told = {
        "turned": "sewn inside out and turned",
        "bound": f"covered with {options.binding}",
        "folded": "lapped: fold the panels' edges in on the marked lines and sew them down onto the gusset",
    }[options.construction]
    message = (
        f"the body's seams ({listed([seam.id for seam in seams])}) are {told}; class {number} of ISO 4916"
    )
    if options.construction == "folded":
        message += (
            f'. Tell seam.stitches so, seam by seam: {{ seam-class = "{number}", rows = 2 }}. Cut wedges out '
            "of the panels' allowance round the corners, where there is too much of it"
        )
    return Finding("note", "construction", message, body)


def turn_findings(outline: Outline, thickness: float) -> list[Finding]:
    """Say by how much a liner has to be smaller than the shell, corner by corner."""
    if thickness <= 0.0:
        return []
    bends = reduction(outline, thickness)
    total = sum(bend.reduction for bend in bends)
    corners = ", ".join(f"{bend.reduction:.1f} mm at {_plain(bend.name)}" for bend in bends)
    message = (
        f"what lies between shell and liner is {thickness:g} mm thick: a liner is {total:.1f} mm shorter all "
        f"round ({whole_reduction(thickness):.1f} mm if every corner is round), {corners}; "
        f"and its gusset {2.0 * thickness:g} mm narrower"
    )
    findings = [Finding("note", "turn-of-cloth", message, outline.body)]
    sense = -1.0 if outline.path.clockwise else 1.0
    for edge in outline.edges:
        radii = [
            segment.radius
            for segment in edge.path.segments
            if isinstance(segment, Arc) and sense * segment.sweep > 0.0 and segment.radius <= thickness
        ]
        if radii:
            message = (
                f"the radius of {min(radii):g} mm at {_plain(edge.name)} is no larger than the "
                f"{thickness:g} mm between shell and liner: nothing inside can follow it. Use a larger "
                "radius, or thinner layers."
            )
            findings.append(Finding("warning", "turn-too-tight", message, edge.name))
    return findings


def _plain(name: str) -> str:
    return name.removeprefix(CORNER_PREFIX)


# Bound seams


def binding_width(draft: Draft, options: ConstructOptions) -> float:
    """Width of the tape, mm.

    Raises:
        Refusal: neither the table nor the recipe has it.
    """
    if options.tape is not None:
        return options.tape
    material = draft.material(options.binding)
    if material is not None and material.width > 0.0:
        return material.width
    tapes = [entry.name for entry in draft.materials if entry.kind == BINDING and entry.width > 0.0]
    raise Refusal(
        "the width of this binding isn't known",
        key="binding",
        source="recipe",
        found=show(options.binding),
        valid=listed(tapes) if tapes else "a material of the table that has a width",
        todo=meant(options.binding, tapes, "name one of the table, or give its width as `tape`"),
    )


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a panel's seam line along which the gusset runs.

    Attributes:
        start: seam length from the start of the panel's first edge, mm.
        length: mm.
        closed: whether it goes all round.
    """

    start: float
    length: float
    closed: bool


def stretches(draft: Draft, panel: Piece, seams: Sequence[Seam]) -> tuple[Stretch, ...]:
    """Where the gusset runs along a panel: all round, or what lies between its open runs, in order."""
    whole = panel.seam_line.length
    starts: dict[str, float] = {}
    total = 0.0
    for edge in panel.edges:
        starts[edge.name] = total
        total += edge.length
    runs = sorted(
        ((starts[seam.a.edges[0]] + seam.a.start) % whole, run_length(panel, seam.a))
        for seam in seams
        if seam.a.piece == panel.id
    )
    if not runs:
        return ()
    if sum(length for _, length in runs) > whole - 1e-3:
        return (Stretch(runs[0][0], whole, True),)
    joined: list[tuple[float, float]] = []
    for start, length in runs:
        if joined and abs(joined[-1][0] + joined[-1][1] - start) < 1e-3:
            joined[-1] = joined[-1][0], joined[-1][1] + length
        else:
            joined.append((start, length))
    first, last = joined[0], joined[-1]
    if len(joined) > 1 and abs(last[0] + last[1] - whole - first[0]) < 1e-3:
        joined = [(last[0], last[1] + first[1]), *joined[1:-1]]
    return tuple(Stretch(start, length, False) for start, length in joined)


def bound(draft: Draft, body: str, seams: Sequence[Seam], tape: float, options: ConstructOptions) -> Draft:
    """The draft with its body's seams bound: their edges marked as such, and a tape for each panel."""
    outline = draft.outline_of(body)
    draft = marked_bound(draft, seams)
    for side in ("drive", "non-drive"):
        panel = draft.piece(piece_id(body, f"{PANEL}-{side}"))
        found = stretches(draft, panel, seams)
        for number, stretch in enumerate(found, 1):
            last = f"-{number}" if len(found) > 1 else ""
            name = piece_id(body, f"{BINDING}-{side}{last}")
            start = begin_of(outline, stretch)
            edges, offset, span = panel_run(replace(outline, edges=panel.edges), start, stretch.length)
            strip = binding_piece(name, side, body, stretch, tape, options)
            seam = Seam(name, SeamSide(panel.id, edges, offset, span), SeamSide(name, (SEWN,)), kind="layer")
            draft = draft.evolve(pieces=(*draft.pieces, strip), seams=(*draft.seams, seam))
    return draft


def begin_of(outline: Outline, stretch: Stretch) -> float:
    """Where a binding begins, mm along the panel: at an opening, or on a straight run past the join."""
    if not stretch.closed:
        return stretch.start
    whole = outline.path.length
    wanted = stretch.start + _FROM_JOIN
    at = nearest_room(join_rooms(outline, (), 0.25 * _FROM_JOIN), wanted, whole)
    return wanted % whole if at is None else at % whole


def binding_piece(
    name: str, side: SidePanel, body: str, stretch: Stretch, tape: float, options: ConstructOptions
) -> Piece:
    """A tape as long as the seam and its lap, with the fold along its middle."""
    lap = options.lap if stretch.closed else 0.0
    end = stretch.length + lap
    corners: list[tuple[str, Point]] = [(SEWN, (0.0, 0.0))]
    if lap > _NONE:
        corners.append(("lap", (stretch.length, 0.0)))
    corners += [("end", (end, 0.0)), ("free", (end, tape)), ("start", (0.0, tape))]
    edges = tuple(
        Edge(edge, Path((Line(point, corners[(index + 1) % len(corners)][1]),)), finish="raw")
        for index, (edge, point) in enumerate(corners)
    )
    middle = Line((0.0, 0.5 * tape), (end, 0.5 * tape))
    return Piece(
        id=name,
        name=f"{body} binding, {side.replace('-', ' ')} side".strip(),
        edges=edges,
        material=options.binding,
        marks=(Mark("fold", Path((middle,))),),
        grain=Line((0.0, 0.25 * tape), (end, 0.25 * tape)),
        role=BINDING,
        body=body,
    )


def marked_bound(draft: Draft, seams: Sequence[Seam]) -> Draft:
    """The draft with the edges of some seams, and the runs of them on parts, marked as bound."""
    edges: dict[str, set[str]] = {}
    for seam in seams:
        for side in (seam.a, seam.b):
            edges.setdefault(side.piece, set()).update(side.edges)
    for piece in draft.pieces:
        if piece.id in edges:
            own = edges[piece.id]
            for part in piece.parts:
                runs = {edge.name for edge in draft.piece(part).edges if edge.of in own}
                edges.setdefault(part, set()).update(runs)
    pieces = tuple(
        piece.evolve(
            edges=tuple(
                replace(edge, finish="bound") if edge.name in edges[piece.id] else edge
                for edge in piece.edges
            )
        )
        if piece.id in edges
        else piece
        for piece in draft.pieces
    )
    return draft.evolve(pieces=pieces)


def tape_findings(
    draft: Draft, body: str, seams: Sequence[Seam], tape: float, options: ConstructOptions
) -> list[Finding]:
    """Say of a tape that it doesn't cover the allowance and what it goes round."""
    materials = {draft.piece(piece).material for seam in seams for piece in (seam.a.piece, seam.b.piece)}
    known = [found.thickness for name in materials if (found := draft.material(name)) is not None]
    # A panel and a gusset, each as thick as the thickest of them.
    thickness = 2.0 * max(known, default=0.0) + layers_thickness(draft, options.caught, "caught")
    needed = 2.0 * options.allowance + thickness + options.spare
    if tape >= needed - _NONE:
        return []
    most = 0.5 * (tape - thickness - options.spare)
    message = (
        f"{options.binding} is {tape:g} mm wide; round an allowance of {options.allowance:g} mm and "
        f"{thickness:.1f} mm of layers it has to be {needed:.1f} mm, {options.spare:g} mm to spare. "
        + (f"Make the allowance at most {most:.1f} mm, or take" if most > 0.0 else "Take")
        + " a wider tape."
    )
    return [Finding("warning", "binding-narrow", message, body)]


# Folded seams


def folded(draft: Draft, seams: Sequence[Seam]) -> Draft:
    """The draft with a fold line on the panels wherever the gusset is sewn on."""
    marks: dict[str, list[Mark]] = {}
    for seam in seams:
        panel = draft.piece(seam.a.piece)
        for stretch in stretches(draft, panel, [seam]):
            marks.setdefault(panel.id, []).append(Mark("fold", run_from(panel, stretch), "fold in"))
    pieces = tuple(piece.evolve(marks=(*piece.marks, *marks.get(piece.id, ()))) for piece in draft.pieces)
    return draft.evolve(pieces=pieces)


def run_from(panel: Piece, stretch: Stretch) -> Path:
    """A stretch of a panel's seam line."""
    whole = panel.seam_line
    return whole.between(stretch.start, stretch.start + stretch.length)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="gusset.construct",
            summary="Turn, bind or fold the seams between panels and gusset, and tell the turn of cloth",
            run=f"{__name__}:run",
            options=f"{__name__}:ConstructOptions",
            needs=frozenset({"outline", "panels", "gusset", "seams"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
