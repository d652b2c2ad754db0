"""`divider.wall`: a wall across the bag, sewn in, or held by strips of hook and loop so that it comes out."""

from __future__ import annotations

from math import hypot
from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, Transform, left_normal, shifted, subtract, unit
from oaktag.pattern import Edge, Mark, Piece, PlacementLine
from oaktag.recipe import NonNegativeLength, PositiveLength, refuse_value
from oaktag_plugins.drafting.bag import (
    END_EDGE,
    START_EDGE,
    GussetSpot,
    SidePanel,
    bodies_of,
    piece_id,
    rectangle_edges,
    sew_on,
)
from oaktag_plugins.drafting.cut_line import LineOptions, line_of
from oaktag_plugins.drafting.inside import (
    LINER_DRIVE,
    LINER_NON_DRIVE,
    SIDES,
    Chord,
    Layer,
    LayerName,
    across,
    chord_across,
    corner_findings,
    crossed_openings,
    layer_of,
    lies_within,
    on_side,
    place_line,
    sew_at,
    strip_edges,
    tapered,
)
from oaktag_plugins.drafting.split import SplitError

DIVIDER = "divider"
"""Role of the wall, and what its placement lines say."""
_WITH = ("strap", "loop", "patch", "reflective-tape", "binding", "stiffener", "grommet", "cable")
"""What may lie on the other face, or under a wall's line."""
LEAST_TAPE = 15.0
"""Shortest strip of hook and loop that holds, mm (common practice, no source)."""


class ShortOptions(Options):
    """How far before the seam line a wall ends, by where the end is."""

    upper: NonNegativeLength = 0.0
    """At the higher end."""
    lower: NonNegativeLength = 0.0
    """At the lower end."""
    front: NonNegativeLength = 0.0
    """At the end nearer to the front wheel."""
    rear: NonNegativeLength = 0.0
    """At the end farther from the front wheel."""

    def of(self, line: Line) -> tuple[float, float]:
        """How far a line is short at its start and at its end, mm."""
        (x0, y0), (x1, y1) = line.start, line.end
        low, high = (self.lower, self.upper) if y1 > y0 else (self.upper, self.lower)
        back, ahead = (self.rear, self.front) if x1 > x0 else (self.front, self.rear)
        return max(low if y1 != y0 else 0.0, back if x1 != x0 else 0.0), max(
            high if y1 != y0 else 0.0, ahead if x1 != x0 else 0.0
        )


class WallOptions(Options):
    """Options of `divider.wall`."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "divider"
    """The wall's name; a bag with several walls needs one for each."""
    line: LineOptions
    """Where it stands."""
    hold: Literal["sewn", "hook-and-loop"] = "sewn"
    """`sewn` into the bag for good, or held by strips of `hook-and-loop` so that it comes out."""
    ends: Literal["held", "free"] = "held"
    """Whether the ends are held to the gusset too; `free` leaves them hemmed."""
    short: ShortOptions = ShortOptions()
    """How far before the seam line an end stops, as below a zipper; it is free then, and hemmed."""
    layer: LayerName = "shell"
    """Which skin it is sewn to: the `shell`, or the `liner`, which then must be there already."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "liner"
    """What the wall is cut from."""
    hook: Annotated[str, Field(min_length=1, max_length=60)] = "hook-20"
    """The tape on the wall."""
    loop: Annotated[str, Field(min_length=1, max_length=60)] = "loop-20"
    """The tape in the bag."""
    tape_width: PositiveLength | None = None
    """Width of both tapes; the material table's if left out, 20 mm if that has none."""
    tape_inset: NonNegativeLength = 10.0
    """How far the tapes end before the wall's corners (common practice, no source)."""
    corner_margin: NonNegativeLength = 10.0
    """How far the ends should stay off the round of a corner (common practice, no source)."""
    join_margin: NonNegativeLength = 15.0
    """How far the ends must stay off a join of the gusset (common practice, no source)."""
    body: str | None = None
    """The body that it stands in; left out, a wall in each that the line crosses."""

    @model_validator(mode="after")
    def _tape(self) -> WallOptions:
        if self.hook == self.loop:
            raise refuse_value(
                "`hook` and `loop` are the same tape", "two tapes that hold to each other", "change one"
            )
        return self


def run(draft: Draft, options: WallOptions) -> Draft:
    """Stand a wall across the bag: its long edges are the panels' chord, its ends the gusset's widths.

    Raises:
        Refusal: there is no such body, tube or liner.
    """
    bodies = bodies_of(draft, options.body)
    missed: list[Finding] = []
    stood = 0
    for body in bodies:
        layer = layer_of(draft, body, options.layer)
        origin, direction = line_of(draft, draft.outline_of(body), options.line, "line")
        try:
            chord = chord_across(layer.outline, origin, direction)
        except SplitError as error:
            where = f" of {body}" if body else ""
            message = f"{options.name} isn't drafted: {error.reason}{where}. Move its line into the bag"
            missed.append(Finding("error", "divider-outside", message, piece_id(body, options.name)))
            continue
        draft = stand(draft, layer, chord, options)
        stood += 1
    # With several bodies a line is in those that it crosses; it has to be in one.
    return draft if stood and options.body is None else draft.with_findings(missed)


def stand(draft: Draft, layer: Layer, chord: Chord, options: WallOptions) -> Draft:
    """Draft one wall in one body."""
    name = piece_id(layer.body, options.name)
    spots = [layer.spot(station) for station in chord.stations]
    if spots[0] is None or spots[1] is None:
        message = f"{name} isn't drafted: no gusset runs where it ends. Move its line"
        return draft.with_findings([Finding("error", "divider-open-end", message, name)])
    start, end = spots[0], spots[1]
    upper = tapered(chord.line.length, 2.0 * start.half, 2.0 * end.half)
    if upper is None:
        message = (
            f"{name} isn't drafted: the gusset is {2 * start.half:.1f} and {2 * end.half:.1f} mm wide at its "
            f"ends, which lie only {chord.line.length:.1f} mm apart. Move its line"
        )
        return draft.with_findings([Finding("error", "divider-too-short", message, name)])
    first, off = options.short.of(chord.line)
    last = chord.line.length - off
    if last - first < LEAST_TAPE:
        message = (
            f"{name} isn't drafted: its line is {chord.line.length:.1f} mm long, and `short` takes "
            f"{first + off:g} mm. Make that smaller"
        )
        return draft.with_findings([Finding("error", "divider-too-short", message, name)])
    held = tuple(
        edge
        for edge, short in ((START_EDGE, first), (END_EDGE, off))
        if options.ends == "held" and short == 0.0
    )
    chord = Chord(chord.line.between(first, last), chord.stations)
    upper = upper.between(first, last)
    findings = wall_findings(draft, layer, chord, name, held, options)
    if options.hold == "sewn":
        draft = sewn_wall(draft, layer, chord, name, upper, (start, end), held, options)
    else:
        draft, more = loose_wall(draft, layer, chord, name, upper, (start, end), held, options)
        findings += more
    return draft.with_findings(findings)


def wall_findings(
    draft: Draft, layer: Layer, chord: Chord, name: str, ends: tuple[str, ...], options: WallOptions
) -> list[Finding]:
    """What is wrong with where a wall stands."""
    findings: list[Finding] = []
    for edge, word, station in zip((START_EDGE, END_EDGE), ("beginning", "end"), chord.stations, strict=True):
        if edge not in ends:
            continue
        what = f"the {word} of {name}"
        findings += corner_findings(
            layer, station, "divider", what, options.corner_margin, join=options.join_margin
        )
        spot = layer.spot(station)
        assert spot is not None
        for zipper in crossed_openings(spot.piece, across(spot)):
            message = f"{name} ends across {zipper} in the gusset. Move its line off the zipper"
            findings.append(Finding("error", "divider-crosses-zipper", message, name))
    path = Path((chord.line,))
    for side in SIDES:
        host = draft.piece(layer.panels[side])
        shape = on_side(draft, side, layer.body, path)
        for zipper in crossed_openings(host, shape):
            message = f"{name} runs across {zipper} on {host.id}. Move its line, or end the zipper before it"
            findings.append(Finding("error", "divider-crosses-zipper", message, name))
        if side == "drive":
            findings += crossing_walls(host, shape, name)
    return findings


def crossing_walls(host: Piece, shape: Path, name: str) -> list[Finding]:
    """Walls that stand already and that a new one would run through."""
    from shapely import LineString

    line = LineString(shape.flatten(0.01))
    return [
        Finding("error", "divider-crosses-divider", f"{name} runs through {other.name}. Move one", name)
        for other in host.placements
        if other.what == DIVIDER and line.intersects(LineString(other.path.flatten(0.01)))
    ]


def sewn_wall(
    draft: Draft,
    layer: Layer,
    chord: Chord,
    name: str,
    upper: Path,
    spots: tuple[GussetSpot, GussetSpot],
    ends: tuple[str, ...],
    options: WallOptions,
) -> Draft:
    """A wall that is sewn to both panels, and to the gusset with those of its ends that are held."""
    free = {START_EDGE, END_EDGE} - set(ends)
    edges = tuple(
        Edge(edge.name, edge.path, finish="hem") if edge.name in free else edge
        for edge in strip_edges(upper, LINER_NON_DRIVE, LINER_DRIVE)
    )
    wall = Piece(
        id=name, name="divider", edges=edges, material=options.material, role=DIVIDER, body=layer.body,
        up=up_of(chord),
    )  # fmt: skip
    draft = draft.evolve(pieces=(*draft.pieces, wall))
    path = Path((chord.line,))
    for side, edge in zip(SIDES, (LINER_DRIVE, LINER_NON_DRIVE), strict=True):
        shape = on_side(draft, side, layer.body, path)
        line = PlacementLine(name, shape, DIVIDER, "inside", under=_WITH)
        host = layer.panels[side]
        draft = sew_at(draft, name, (edge,), host, line, reverse=side == "drive")
    for edge, spot in zip((START_EDGE, END_EDGE), spots, strict=True):
        if edge in ends:
            line = PlacementLine(f"{name}:{edge}", across(spot), DIVIDER, "inside", under=_WITH)
            draft = sew_at(draft, name, (edge,), spot.piece.id, line, reverse=edge == END_EDGE)
    return draft


def up_of(chord: Chord) -> float | None:
    """The direction in degrees that is up on a wall, whose x runs along its line; None if it lies flat."""
    _, y = chord.line.direction
    return 0.0 if y > 0.4 else 180.0 if y < -0.4 else None


def loose_wall(
    draft: Draft,
    layer: Layer,
    chord: Chord,
    name: str,
    upper: Path,
    spots: tuple[GussetSpot, GussetSpot],
    ends: tuple[str, ...],
    options: WallOptions,
) -> tuple[Draft, list[Finding]]:
    """A wall with a flange along every edge that is held, hook on the flanges, loop in the bag.

    All flanges are folded to one side of the wall, to the right of its line as seen from the drive side.
    """
    width = tape_width(draft, options)
    bases = strip_edges(upper, LINER_NON_DRIVE, LINER_DRIVE)
    held = (LINER_NON_DRIVE, LINER_DRIVE, *ends)
    wall = Piece(
        id=name, name="divider, loose", edges=flanged(bases, held, width), material=options.material,
        role=DIVIDER, body=layer.body, up=up_of(chord),
        marks=tuple(Mark("fold", base.path) for base in bases if base.name in held),
    )  # fmt: skip
    draft = draft.evolve(pieces=(*draft.pieces, wall))
    path = Path((chord.line,))
    for side in SIDES:
        shape = on_side(draft, side, layer.body, path)
        line = PlacementLine(name, shape, DIVIDER, "inside", under=(*_WITH, "hook-and-loop"))
        draft = place_line(draft, layer.panels[side], line)
    findings: list[Finding] = []
    right = shifted((0.0, 0.0), left_normal(chord.line.direction), -1.0)
    for base in bases:
        if base.name not in held:
            continue
        length = base.length - 2.0 * options.tape_inset
        if length < LEAST_TAPE:
            message = (
                f"the tape at the {base.name} edge of {name} would be {max(length, 0.0):.1f} mm long, "
                f"{LEAST_TAPE:g} mm is the least. Use a smaller `tape-inset`, or leave the ends free"
            )
            findings.append(Finding("error", "divider-tape-short", message, name))
            continue
        hook = tape(f"{name}-hook-{base.name}", "hook strip", length, width, options.hook, layer.body)
        draft = sew_on(draft, hook, name, beside(base.path, width), what="hook-and-loop", face="outside")
        loop = tape(f"{name}-loop-{base.name}", "loop strip", length, width, options.loop, layer.body)
        if base.name in (START_EDGE, END_EDGE):
            spot = spots[0] if base.name == START_EDGE else spots[1]
            # The outline runs clockwise: where the wall begins, its right-hand side lies ahead or behind.
            ahead = along_outline(layer, spot.station, right)
            place = spot.to_piece(90.0).then(Transform.translation(0.5 * width * ahead, 0.0))
            host = spot.piece.id
        else:
            side = SIDES[0] if base.name == LINER_DRIVE else SIDES[1]
            place = loop_place(draft, layer, chord, side, width, right)
            host = layer.panels[side]
        if not lies_within(draft.piece(host), loop.seam_line.transformed(place)):
            message = (
                f"the loop strip for the {base.name} edge of {name} reaches over the edge of {host}. "
                "Use a larger `tape-inset`, or move the line"
            )
            findings.append(Finding("error", "divider-tape-over-edge", message, name))
        draft = sew_on(draft, loop, host, place, what="hook-and-loop", face="inside", under=(*_WITH, DIVIDER))
    return draft, findings


def tape_width(draft: Draft, options: WallOptions) -> float:
    """Width of the tapes in mm: the option's, the table's, or 20."""
    if options.tape_width is not None:
        return options.tape_width
    widths = [m.width for m in (draft.material(options.hook), draft.material(options.loop)) if m is not None]
    return next((width for width in widths if width > 0.0), 20.0)


def tape(piece: str, name: str, length: float, width: float, material: str, body: str) -> Piece:
    """A straight piece of tape."""
    edges = tuple(Edge(edge.name, edge.path, finish="raw") for edge in rectangle_edges(length, width))
    return Piece(id=piece, name=name, edges=edges, material=material, role="hook-and-loop", body=body)


def flanged(bases: tuple[Edge, ...], held: tuple[str, ...], width: float) -> tuple[Edge, ...]:
    """The outline of a wall with a flange folded out square from every edge that is held, clockwise."""
    edges: list[Edge] = []
    for base in bases:
        if base.name not in held:
            edges.append(Edge(base.name, base.path, finish="hem"))
            continue
        start, end = base.path.start, base.path.end
        out = left_normal(unit(subtract(end, start)))
        corners: tuple[Point, ...] = (start, shifted(start, out, width), shifted(end, out, width), end)
        for suffix, (a, b) in zip(("-first", "", "-last"), ((0, 1), (1, 2), (2, 3)), strict=True):
            edges.append(Edge(f"{base.name}{suffix}", Path((Line(corners[a], corners[b]),)), finish="raw"))
    return tuple(edges)


def beside(base: Path, width: float) -> Transform:
    """From a tape's own place to the flange beyond an edge."""
    (x0, y0), (x1, y1) = base.start, base.end
    out = left_normal(unit((x1 - x0, y1 - y0)))
    return placed((0.5 * (x0 + x1), 0.5 * (y0 + y1)), (x1 - x0, y1 - y0), out, 0.5 * width)


def placed(middle: Point, along: Point, aside: Point, by: float) -> Transform:
    """From a tape's own place, lying along x, to a middle that is moved aside."""
    size = hypot(*along)
    x, y = shifted(middle, aside, by)
    return Transform(complex(along[0] / size, along[1] / size), complex(x, y))


def loop_place(
    draft: Draft, layer: Layer, chord: Chord, side: SidePanel, width: float, right: Point
) -> Transform:
    """From the loop strip's own place to the panel, beside the wall's line."""
    middle = shifted(chord.line.point_at(0.5 * chord.line.length), right, 0.5 * width)
    shape = on_side(
        draft, side, layer.body, Path((Line(middle, shifted(middle, chord.line.direction, 1.0)),))
    )
    return placed(shape.start, subtract(shape.end, shape.start), (0.0, 1.0), 0.0)


def along_outline(layer: Layer, station: float, right: Point) -> float:
    """Whether the wall's right-hand side lies ahead (1) or behind (-1) along the outline."""
    tangent = layer.outline.path.tangent_at(station % layer.outline.path.length)
    return 1.0 if tangent[0] * right[0] + tangent[1] * right[1] > 0.0 else -1.0


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="divider.wall",
            summary="Stand a wall across the bag, sewn in or held by hook and loop",
            run=f"{__name__}:run",
            options=f"{__name__}:WallOptions",
            needs=frozenset({"outline", "panels", "gusset", "opening"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
