"""`body.roll-top`: a collar above a run that the gusset leaves open, rolled down to close the bag."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Transform
from oaktag.pattern import Edge, Outline, Piece, Seam, SeamSide
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, show
from oaktag_plugins.drafting.bag import (
    END_EDGE,
    NON_DRIVE_EDGE,
    PANEL,
    START_EDGE,
    SidePanel,
    bodies_of,
    gusset_starts,
    piece_id,
    rectangle_edges,
    sew_on,
    straight_edges,
)

COLLAR, STIFFENER = "collar", "stiffener"
"""Roles of the pieces."""
UPPER, LOWER, LOWER_START, LOWER_END = "upper", "lower", "lower-start", "lower-end"
"""Edges of a collar: the mouth's, the one on the panel's run, and those on the gusset's ends beside it."""
_MEET = 1e-3  # mm
_FEWEST_TURNS = 3


class RollTopOptions(Options):
    """Options of `body.roll-top`."""

    tube: str = "top-tube"
    """The tube along which the bag is open; `gusset.wrap` has it under `open`."""
    turns: Annotated[int, Field(ge=1, le=10)] = 3
    """How often the mouth is rolled down; with less than 3 water gets in (common practice, no source)."""
    turn_height: PositiveLength = 30.0
    """Height of collar that each turn takes (common practice, no source)."""
    closure: NonNegativeLength = 40.0
    """Height below the turns that stays flat, to hold the roll down by (common practice, no source)."""
    stiffener: NonNegativeLength = 20.0
    """Width of the strip inside each mouth edge that the roll begins with; 0 for none.

    If the material table has a width for the strip's material, that is its width.
    """
    stiffener_material: Annotated[str, Field(min_length=1, max_length=60)] = "webbing-20"
    """What the strips are cut from."""
    hem: NonNegativeLength = 5.0
    """Distance of the strip from the mouth's edge, and its ends from the side seams."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What the collar is cut from."""
    body: str | None = None
    """The body that gets it, where there are several; all that are open along that tube if left out."""


def run(draft: Draft, options: RollTopOptions) -> Draft:
    """Sew a collar of two pieces round the mouth that the gusset leaves open.

    Raises:
        Refusal: there is no such body or tube, or the gusset isn't left off there.
    """
    wanted = bodies_of(draft, options.body)
    along = [
        draft.outline_of(body)
        for body in wanted
        if any(edge.name == options.tube for edge in draft.outline_of(body).edges)
    ]
    if not along:
        names = list(dict.fromkeys(e.name for body in wanted for e in straight_edges(draft.outline_of(body))))
        raise Refusal(
            "the bag doesn't run along this tube",
            key="tube",
            source="recipe",
            found=show(options.tube),
            valid=listed(names),
            todo=meant(options.tube, names, "name a tube that it runs along"),
        )
    findings = height_findings(draft, along, options)
    for outline in along:
        draft = collared(draft, outline, options)
    return draft.with_findings(findings)


def collared(draft: Draft, outline: Outline, options: RollTopOptions) -> Draft:
    """The draft with one body's collar."""
    last, first = open_ends(draft, outline, options.tube)
    run_length = outline.edge(options.tube).length
    before, after = last.edge(END_EDGE).length, first.edge(START_EDGE).length
    height = options.turns * options.turn_height + options.closure
    drive = collar(outline, "drive", (before / 2, run_length, after / 2), height, options.material)
    non_drive = collar(outline, "non-drive", (before / 2, run_length, after / 2), height, options.material)
    seams: list[Seam] = []
    for side, piece in (("drive", drive), ("non-drive", non_drive)):
        to_panel = SeamSide(piece_id(outline.body, f"{PANEL}-{side}"), (options.tube,))
        mouth = SeamSide(piece.id, (LOWER,), reverse=True)
        seams.append(Seam(f"{piece.id}-{LOWER}", to_panel, mouth))
        # The gusset's end edge runs from the non-drive to the drive side, its start edge back; the collar's
        # lower edges from the end's side seam over the panel to the start's.
        on_drive = side == "drive"
        at_end = SeamSide(last.id, (END_EDGE,), before / 2 if on_drive else 0.0, before / 2)
        seams.append(
            Seam(f"{piece.id}-{LOWER_START}", at_end, SeamSide(piece.id, (LOWER_START,), reverse=on_drive))
        )
        at_start = SeamSide(first.id, (START_EDGE,), 0.0 if on_drive else after / 2, after / 2)
        seams.append(
            Seam(f"{piece.id}-{LOWER_END}", at_start, SeamSide(piece.id, (LOWER_END,), reverse=on_drive))
        )
    for edge in (START_EDGE, END_EDGE):
        name = piece_id(outline.body, f"{COLLAR}-{edge}")
        seams.append(Seam(name, SeamSide(drive.id, (edge,)), SeamSide(non_drive.id, (edge,))))
    draft = draft.evolve(pieces=(*draft.pieces, drive, non_drive), seams=(*draft.seams, *seams))
    return stiffened(draft, outline, (drive, non_drive), options) if options.stiffener > 0.0 else draft


def open_ends(draft: Draft, outline: Outline, tube: str) -> tuple[Piece, Piece]:
    """The piece of the gusset that ends where an open run begins, and the one that begins where it ends.

    Raises:
        Refusal: the gusset runs along it.
    """
    whole, begin = outline.path.length, 0.0
    for edge in outline.edges:
        if edge.name == tube:
            break
        begin += edge.length
    end = begin + outline.edge(tube).length

    def meets(station: float, other: float) -> bool:
        return abs((station - other + whole / 2) % whole - whole / 2) < _MEET

    last = first = None
    for piece, start in gusset_starts(draft, outline):
        if meets(start + piece.edge(NON_DRIVE_EDGE).length, begin):
            last = piece
        if meets(start, end):
            first = piece
    sewn = {(side.piece, name) for seam in draft.seams for side in (seam.a, seam.b) for name in side.edges}
    if last is None or first is None or {(last.id, END_EDGE), (first.id, START_EDGE)} & sewn:
        raise Refusal(
            "the gusset isn't left off along this tube",
            key="tube",
            source="recipe",
            found=show(tube),
            valid=f"gusset.wrap with open = [{show(tube)}]",
            todo="leave the gusset off there, or name the tube where it is, and use one roll-top",
        )
    return last, first


def collar(
    outline: Outline, side: SidePanel, lower: tuple[float, float, float], height: float, material: str
) -> Piece:
    """One half of a collar, outside face up; its edges run as the panel's do.

    The gusset goes round the corners' rounds and ends where the straight run begins, so the collar's lower
    edge is that run with half the gusset's end on either side of it. It is straight, along a tube that bows
    too: the collar stands up square to the panel there.

    Args:
        outline: of the body.
        side: drive or non-drive.
        lower: lengths of the lower edge along the gusset's end, the panel's run and the gusset's start, mm.
        height: mm.
        material: that it is cut from.
    """
    before, run_length, after = lower
    width = before + run_length + after
    edges: list[Edge] = []
    here = (0.0, height)
    for name, there in (
        (UPPER, (width, height)),
        (END_EDGE, (width, 0.0)),
        (LOWER_END, (before + run_length, 0.0)),
        (LOWER, (before, 0.0)),
        (LOWER_START, (0.0, 0.0)),
        (START_EDGE, (0.0, height)),
    ):
        edges.append(Edge(name, Path((Line(here, there),)), finish="hem" if name == UPPER else ""))
        here = there
    mirror = Transform.mirror_x(width / 2)
    if side == "non-drive":
        edges = [Edge(e.name, e.path.transformed(mirror), finish=e.finish) for e in edges]
    return Piece(
        id=piece_id(outline.body, f"{COLLAR}-{side}"),
        name=f"{outline.body} collar, {side} side".strip(),
        edges=tuple(edges),
        material=material,
        role=COLLAR,
        body=outline.body,
        up=90.0,
        front=0.0 if side == "drive" else 180.0,
    )


def stiffened(draft: Draft, outline: Outline, collars: tuple[Piece, Piece], options: RollTopOptions) -> Draft:
    """The draft with a strip sewn inside each mouth edge."""
    table = draft.material(options.stiffener_material)
    width = table.width if table is not None and table.width > 0.0 else options.stiffener
    for piece in collars:
        box = piece.seam_line.bounds
        strip = Piece(
            id=f"{piece.id}-{STIFFENER}",
            name=f"{piece.name}, stiffener",
            edges=rectangle_edges(box.width - 2 * options.hem, width),
            material=options.stiffener_material,
            role=STIFFENER,
            body=outline.body,
        )
        middle = Transform.translation(box.centre[0], box.max_y - options.hem - width / 2)
        draft = sew_on(draft, strip, piece.id, middle, what=STIFFENER, face="inside", under=("strap",))
    return draft


def height_findings(draft: Draft, along: list[Outline], options: RollTopOptions) -> list[Finding]:
    """What the collar's height, its strip and the room for the roll come to."""
    findings: list[Finding] = []
    height = options.turns * options.turn_height + options.closure
    if options.turns < _FEWEST_TURNS:
        message = (
            f"{options.turns} turns let water in; {_FEWEST_TURNS} or more keep rain out "
            "(common practice, no source)"
        )
        findings.append(Finding("warning", "roll-turns", message, options.tube))
    if options.stiffener > 0.0:
        table = draft.material(options.stiffener_material)
        width = table.width if table is not None and table.width > 0.0 else options.stiffener
        if width + options.hem > options.turn_height + 1e-6:
            message = (
                f"the strip of {width:g} mm and {options.hem:g} mm to the mouth's edge are more than a turn "
                f"of {options.turn_height:g} mm: it can't be rolled; take a narrower strip or higher turns"
            )
            findings.append(Finding("error", "roll-stiffener", message, options.tube))
    assert draft.opening is not None
    for outline in along:
        own = outline.edge(options.tube).path
        where = piece_id(outline.body, options.tube)
        message = (
            f"the collar stands {height:g} mm above the bag; rolled down {options.turns} times it takes "
            f"{options.turns * options.turn_height:g} mm of that"
        )
        findings.append(Finding("note", "roll-height", message, where))
        if options.tube not in draft.frame.tubes:
            continue
        tube = draft.opening.edge(options.tube).path
        room = min(tube.nearest(own.point_at(own.length * k / 8))[1] for k in range(9))
        if room < options.turn_height - 1e-6:
            message = (
                f"the roll stands {options.turn_height:g} mm high, and there are {room:.1f} mm between bag "
                f"and {options.tube}: make that larger, or the turns lower (common practice, no source)"
            )
            findings.append(Finding("warning", "roll-room", message, where))
    return findings


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="body.roll-top",
            summary="Sew a collar round an open run of the bag, to be rolled down",
            run=f"{__name__}:run",
            options=f"{__name__}:RollTopOptions",
            needs=frozenset({"opening", "outline", "panels", "gusset", "seams"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
