"""`check.collisions`: what lies on what: straps, patches, holes, zippers, seams, joins and corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Path, Point
from oaktag.pattern import Face, Level, Outline, Piece, Place
from oaktag.recipe import NonNegativeLength
from oaktag_plugins.drafting.bag import (
    END_EDGE,
    GUSSET,
    NON_DRIVE_EDGE,
    START_EDGE,
    gusset_starts,
    gussets,
    seam_place,
)
from oaktag_plugins.drafting.fastening import (
    along_words,
    circle,
    gap_at,
    seam_length_at,
    spot_at,
    straight_runs,
)

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

CHORD_ERROR = 0.005
"""Chord error in mm of the polygons that are compared."""
TOUCHES = 0.02
"""Shapes that reach into each other by no more, in mm, only touch."""
BOSS_RADIUS = 8.0
"""What a boss with a bolt in it takes, mm (common practice, no source)."""
NEAR_BODY = 30.0
"""A thing on a tube farther from a body's seam, in mm, is another body's."""
LAID_IN = frozenset({"stiffener", "zipper", "binding", "reflective-tape", "liner"})
"""What is meant to run up to the seams and over joins and corners."""
THROUGH_OBSTACLE = ("port", "facing", "patch", "stiffener", "zipper", "flap", "liner")
"""What may lie where a thing on a tube goes through the gusset."""

Kind = Literal["cover", "line", "hole", "fitting", "obstacle", "boss"]


class CollisionOptions(Options):
    """Options of `check.collisions`."""

    seam_room: NonNegativeLength = 2.0
    """Least between a seam and what is sewn on, cut out or set in beside it (common practice, no source)."""
    join_room: NonNegativeLength = 10.0
    """Least beside a join of the gusset, whose allowances lie there (common practice, no source)."""


@dataclass(frozen=True)
class Ground:
    """What something takes on a piece.

    Attributes:
        name: of the thing.
        what: it is, a word of the trade.
        kind: how it lies there.
        faces: of the cloth that it lies on.
        shape: polygon, or a line if it covers no more than that.
        under: what else may lie in the same place.
        sewn: whether it is sewn to the piece.
        pierced: whether what is sewn on there has holes of its own.
        on_part: whether it is on a part of an assembled piece.
    """

    name: str
    what: str
    kind: Kind
    faces: frozenset[Face]
    shape: BaseGeometry
    under: frozenset[str] = frozenset()
    sewn: bool = False
    pierced: bool = False
    on_part: bool = False

    @property
    def group(self) -> str:
        """What it belongs to: things of one group are made to lie together."""
        return self.name.split(":")[0]

    @property
    def words(self) -> str:
        """How messages name it."""
        name = self.group if self.kind in ("cover", "line") else self.name
        return name if self.what in name else f"{name} ({self.what})"


BOTH: frozenset[Face] = frozenset({"outside", "inside"})


def run(draft: Draft, options: CollisionOptions) -> Draft:
    """Compare everything that takes room on every piece."""
    parts = {part for piece in draft.pieces for part in piece.parts}
    findings: list[Finding] = []
    for piece in draft.pieces:
        if piece.id in parts:
            continue  # its parts' things are looked at together with its own
        grounds = grounds_on(draft, piece)
        if not grounds:
            continue
        whole = piece.seam_line.polygon(CHORD_ERROR)
        findings += overlaps(draft, piece, grounds)
        findings += at_edges(draft, piece, grounds, whole, options)
        if piece.role == GUSSET:
            findings += on_corners(draft, piece, grounds)
        if piece.assembled:
            findings += across_seams(draft, piece, grounds)
    return draft.with_findings(findings)


def grounds_on(draft: Draft, piece: Piece) -> list[Ground]:
    """Everything that takes room on a piece and on its parts, in a stable order."""
    found = _own_grounds(draft, piece, on_part=False)
    for part in piece.parts:
        own = draft.piece(part)
        if own.role != "zipper":
            found += _own_grounds(draft, own, on_part=True)
    if not found:
        return found
    if piece.role == GUSSET:
        found += tube_grounds(draft, piece, found)
    return found


def _own_grounds(draft: Draft, piece: Piece, *, on_part: bool) -> list[Ground]:
    sewn: dict[str, str] = {}
    for seam in draft.seams:
        for side, other in ((seam.a, seam.b), (seam.b, seam.a)):
            if side.piece == piece.id and len(side.edges) == 1:
                sewn[side.edges[0]] = other.piece
    covered = {line.name.split(":")[0] for line in piece.placements if line.covers is not None}
    found: list[Ground] = []
    for line in piece.placements:
        if line.covers is None and line.name.split(":")[0] in covered:
            continue  # another line of the same thing stands for the whole
        what, under = _word(line.what), frozenset(_word(word) for word in line.under)
        group = line.name.split(":")[0]
        guest = next((sewn[name] for name in sewn if name.split(":")[0] == group), None)
        pierced = guest is not None and bool(draft.piece(guest).holes)
        shape = _line(line.path) if line.covers is None else line.covers.polygon(CHORD_ERROR)
        kind: Kind = "line" if line.covers is None else "cover"
        faces = frozenset({line.face})
        found.append(Ground(line.name, what, kind, faces, shape, under, guest is not None, pierced, on_part))
    for hole in piece.holes:
        shape = hole.path.polygon(CHORD_ERROR)
        found.append(Ground(hole.name, _word(hole.what), "hole", BOTH, shape, on_part=on_part))
    for fitting in piece.fittings:
        shape = circle(fitting.point, fitting.radius).polygon(CHORD_ERROR)
        found.append(Ground(fitting.name, _word(fitting.what), "fitting", BOTH, shape, on_part=on_part))
    return found


def _word(what: str) -> str:
    return what.replace(" ", "-")


def _line(path: Path) -> BaseGeometry:
    import shapely

    return shapely.LineString(path.flatten(CHORD_ERROR))


def tube_grounds(draft: Draft, strip: Piece, others: Sequence[Ground]) -> list[Ground]:
    """Obstacles that go through a piece of the gusset, and bosses that nothing is bolted to."""
    if draft.opening is None or all(outline.body != strip.body for outline in draft.outlines):
        return []
    outline = draft.outline_of(strip.body)
    bolts = [ground.shape for ground in others if ground.what == "bolt"]
    found: list[Ground] = []
    for obstacle in draft.frame.obstacles:
        point = _on_strip(draft, outline, strip, obstacle.place)
        if obstacle.treatment == "hole" and point is not None:
            shape = circle(point, 0.5 * obstacle.length + obstacle.clearance).polygon(CHORD_ERROR)
            under = frozenset(THROUGH_OBSTACLE)
            found.append(Ground(obstacle.name, "obstacle", "obstacle", BOTH, shape, under))
    for row in draft.frame.bosses:
        for number, place in enumerate(row.places, 1):
            point = _on_strip(draft, outline, strip, place)
            if point is None:
                continue
            shape = circle(point, BOSS_RADIUS).polygon(CHORD_ERROR)
            if not any(shape.intersects(bolt) for bolt in bolts):
                name = f"{row.name}: boss {number}"
                faces: frozenset[Face] = frozenset({"outside"})
                found.append(Ground(name, "boss", "boss", faces, shape, frozenset(THROUGH_OBSTACLE)))
    return found


def _on_strip(draft: Draft, outline: Outline, strip: Piece, place: Place) -> Point | None:
    """Where something on a tube meets a piece of the gusset; None if it meets another, or none."""
    assert draft.opening is not None
    if all(run.tube != place.tube for run in straight_runs(outline)):
        return None
    length = draft.opening.edge(place.tube).path.length
    if not 0.0 <= place.along(length) <= length:
        return None
    found = seam_place(draft, outline, place, "")
    if gap_at(draft, outline, place, found) > NEAR_BODY:
        return None
    spot = spot_at(draft, outline, found.station)
    return (spot.x, 0.0) if spot is not None and spot.piece.id == strip.id else None


def overlaps(draft: Draft, piece: Piece, grounds: Sequence[Ground]) -> list[Finding]:
    """Pairs that take the same room without being made for it."""
    findings: list[Finding] = []
    told: set[tuple[str, str, Level]] = set()
    for one, other in combinations(grounds, 2):
        if one.group == other.group or not one.faces & other.faces:
            continue
        if one.what in other.under or other.what in one.under:
            continue
        kinds = {one.kind, other.kind}
        if kinds <= {"obstacle", "boss"}:
            continue  # both are on the frame, and not this bag's doing
        if any(a.pierced and b.kind in ("hole", "fitting") for a, b in ((one, other), (other, one))):
            continue  # what is sewn on there has its own holes for it
        common = _common(one, other)
        if common is None:
            continue
        face = " and ".join(sorted(one.faces & other.faces, reverse=True))
        spot = common.representative_point()
        # What only crosses a line, or lies on a boss that isn't used, can be sewn all the same.
        level: Level = "warning" if kinds & {"line", "boss"} else "error"
        # A grommet and its hole, a row of them: the first tells which two things have to part.
        if (one.group, other.group, level) in told:
            continue
        told.add((one.group, other.group, level))
        message = (
            f"{one.words} and {other.words} lie on each other on {piece.id}, {face}, "
            f"{place_words(draft, piece, (spot.x, spot.y))}. Move one of them."
        )
        findings.append(Finding(level, "collision", message, piece.id))
    return findings


def _common(one: Ground, other: Ground) -> BaseGeometry | None:
    """What two shapes have in common; None if they only touch."""
    if not one.shape.intersects(other.shape):
        return None
    areas = [ground.shape for ground in (one, other) if ground.kind != "line"]
    lines = [ground.shape for ground in (one, other) if ground.kind == "line"]
    if len(areas) == 2:
        common = areas[0].buffer(-0.5 * TOUCHES).intersection(areas[1].buffer(-0.5 * TOUCHES))
    elif len(areas) == 1:
        common = areas[0].buffer(-TOUCHES).intersection(lines[0])
    else:
        common = lines[0].intersection(lines[1])
    return None if common.is_empty else common


def at_edges(
    draft: Draft, piece: Piece, grounds: Sequence[Ground], whole: BaseGeometry, options: CollisionOptions
) -> list[Finding]:
    """What reaches over the piece's seam line, or comes too near to it or to a join."""
    findings: list[Finding] = []
    joins = [edge.path for edge in piece.edges if edge.name in joined_ends(draft, piece)]
    for ground in grounds:
        if ground.kind in ("line", "obstacle", "boss"):
            continue
        outside = ground.shape.difference(whole.buffer(TOUCHES))
        if not outside.is_empty:
            over = max(whole.distance(point) for point in _points(outside))
            spot = outside.representative_point()
            message = (
                f"{ground.words} reaches {over:.1f} mm over the seam line of {piece.id}, "
                f"{place_words(draft, piece, (spot.x, spot.y))}. Move it, or make it smaller."
            )
            findings.append(Finding("error", "over-edge", message, piece.id))
            continue
        if ground.what in LAID_IN:
            continue
        near = [(ground.shape.distance(_line(path)), path) for path in joins]
        beside, path = min(near, key=lambda one: one[0], default=(float("inf"), None))
        if path is not None and beside < options.join_room - TOUCHES:
            message = (
                f"{ground.words} comes to {beside:.1f} mm from a join of the gusset, the end of {piece.id}; "
                f"its allowances take {options.join_room:g} mm. Move it, or move the join (`joins`)."
            )
            findings.append(Finding("error", "collision", message, piece.id))
        sides = [edge.path for edge in piece.edges if edge.path not in joins]
        away = min(float(_line(side).distance(ground.shape)) for side in sides)
        # What ends in the seam is caught in it, which is as good as staying away.
        caught = ground.kind == "cover" and away <= TOUCHES
        if away < options.seam_room - TOUCHES and not caught and (ground.sewn or ground.kind != "cover"):
            spot = ground.shape.centroid
            message = (
                f"{ground.words} comes to {away:.1f} mm from the seam of {piece.id}, "
                f"{place_words(draft, piece, (spot.x, spot.y))}; "
                f"{options.seam_room:g} mm is the least to sew past it."
            )
            findings.append(Finding("warning", "near-edge", message, piece.id))
    return findings


def joined_ends(draft: Draft, piece: Piece) -> frozenset[str]:
    """The ends of a piece of the gusset that are sewn to another."""
    if piece.role != GUSSET:
        return frozenset()
    return frozenset(
        edge
        for seam in draft.seams
        if seam.kind == "shell"
        for side in (seam.a, seam.b)
        if side.piece == piece.id
        for edge in side.edges
        if edge in (START_EDGE, END_EDGE)
    )


def _points(shape: BaseGeometry) -> list[BaseGeometry]:
    import shapely

    return [shapely.Point(x, y) for x, y in shapely.get_coordinates(shape)]


def on_corners(draft: Draft, strip: Piece, grounds: Sequence[Ground]) -> list[Finding]:
    """What lies where the gusset goes round a corner."""
    import shapely

    if all(outline.body != strip.body for outline in draft.outlines):
        return []
    outline = draft.outline_of(strip.body)
    begin = next((start for piece, start in gusset_starts(draft, outline) if piece.id == strip.id), None)
    if begin is None:
        return []
    upper, whole = strip.edge(NON_DRIVE_EDGE).path, outline.path.length
    rounds: list[tuple[str, BaseGeometry]] = []
    start = 0.0
    for edge in outline.edges:
        # A round may lie on both ends of the strip: at its beginning it is counted from before it.
        for turn in (0.0, whole):
            low, high = (start - begin) % whole - turn, (start - begin) % whole - turn + edge.length
            low, high = max(low, 0.0), min(high, upper.length)
            if edge.is_corner and high - low > TOUCHES:
                (x0, _), (x1, _), top = (
                    upper.point_at(low),
                    upper.point_at(high),
                    strip.seam_line.bounds.max_y,
                )
                rounds.append((edge.name.split(":", 1)[1], shapely.box(x0, -top, x1, top)))
        start += edge.length
    findings: list[Finding] = []
    told: set[tuple[str, str]] = set()
    for ground in grounds:
        if ground.kind in ("line", "obstacle", "boss") or ground.what in LAID_IN or ground.on_part:
            continue
        for corner, area in rounds:
            if ground.shape.buffer(-TOUCHES).intersects(area) and (ground.group, corner) not in told:
                told.add((ground.group, corner))
                message = (
                    f"{ground.words} lies where {strip.id} goes round the corner {corner}; "
                    "it won't lie flat there. Move it onto the straight."
                )
                findings.append(Finding("warning", "on-corner", message, strip.id))
    return findings


def across_seams(draft: Draft, piece: Piece, grounds: Sequence[Ground]) -> list[Finding]:
    """What lies across a seam between the parts of an assembled piece."""
    seams = [
        _line(edge.path)
        for part in map(draft.piece, piece.parts)
        if part.role != "zipper"
        for edge in part.edges
        if not edge.of
    ]
    findings: list[Finding] = []
    for ground in grounds:
        if ground.kind in ("line", "obstacle", "boss") or ground.what in LAID_IN or ground.on_part:
            continue
        if "zipper" in ground.under:
            continue  # a flap, a garage, a patch at a zipper's end: made to lie across the seams beside it
        inner = ground.shape.buffer(-TOUCHES)
        crossed = next((line for line in seams if line.intersects(inner)), None)
        if crossed is not None:
            spot = crossed.intersection(inner).representative_point()
            message = (
                f"{ground.words} lies across a seam between the parts of {piece.id}, "
                f"{place_words(draft, piece, (spot.x, spot.y))}. Sew the parts together first, or move it."
            )
            findings.append(Finding("warning", "across-seam", message, piece.id))
    return findings


def place_words(draft: Draft, piece: Piece, point: Point) -> str:
    """A place on a piece in words."""
    if piece.role == GUSSET and any(outline.body == piece.body for outline in draft.outlines):
        outline = draft.outline_of(piece.body)
        if piece.id in {strip.id for strip in gussets(draft, piece.body)}:
            begin = next((s for strip, s in gusset_starts(draft, outline) if strip.id == piece.id), None)
            if begin is not None:
                return along_words(outline, begin + seam_length_at(piece, point[0]))
    box = piece.seam_line.bounds
    return f"{point[0] - box.min_x:.0f} mm from its left and {point[1] - box.min_y:.0f} mm from its lower end"


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="check.collisions",
            summary="Find things that lie on each other, on seams, on joins or on corners",
            run=f"{__name__}:run",
            options=f"{__name__}:CollisionOptions",
            needs=frozenset({"panels"}),
            uses=frozenset({"gusset", "seams", "features", "outline", "opening"}),
            adds=frozenset({"proof"}),
        ),
    )
