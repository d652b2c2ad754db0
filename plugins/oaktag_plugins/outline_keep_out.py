"""`outline.keep-out`: cut what stands on the tubes out of the outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import acos, cos, pi, sin, sqrt, tan

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import (
    FilletError,
    GeometryError,
    Line,
    Path,
    Point,
    add,
    dot,
    intersections,
    round_corner,
    scale,
    shifted,
    subtract,
    unit,
)
from oaktag.pattern import Edge, Outline
from oaktag.recipe import NonNegativeLength, PerName, PositiveLength, listed
from oaktag_plugins.drafting.obstacles import CHORD_ERROR, MEASURED_TO, Body, beyond, bodies, nearness

# Notches that would leave less of a tube's run between them become one, mm (common practice, no source).
_APART = 10.0
# How often the walls of a shallow notch are laid flatter until both their rounds fit.
_TRIALS = 60
_ELSEWHERE = 'move it on the bicycle, let it go through the gusset (`treatment = "hole"`)'


class KeepOutOptions(Options):
    """Options of `outline.keep-out`."""

    radius: PerName[PositiveLength] = PerName[PositiveLength].uniform(15.0)
    """Radius of the seam line at a notch's corners, hollow and outer ones, for all or by obstacle.

    The allowance lies inside a hollow corner, so it has to be less than this radius.
    """
    neck: NonNegativeLength = 20.0
    """Least width of the panel that a notch may leave to another tube (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Detour:
    """The way round obstacles that replaces a part of a tube's run.

    Attributes:
        path: the way, tangent to the run at both ends.
        start: where it leaves the run, mm along it.
        end: where it comes back.
        depth: from the tube's inner side to the floor, mm.
    """

    path: Path
    start: float
    end: float
    depth: float


class ImpossibleError(Exception):
    """A notch that can't be cut: why, with the numbers, and what to do."""

    def __init__(self, reason: str, todo: str) -> None:
        super().__init__(reason, todo)
        self.reason = reason
        self.todo = todo


def run(draft: Draft, options: KeepOutOptions) -> Draft:
    """Lead every tube's run round the obstacles on it; the run stays one edge of the tube's name.

    Raises:
        Refusal: a radius names an unknown obstacle.
    """
    opening, obstacles = draft.opening, draft.frame.obstacles
    assert opening is not None
    radii = options.radius.require([obstacle.name for obstacle in obstacles], "radius", "obstacle")
    findings = [
        Finding(
            "error",
            "obstacle-impossible",
            f"{obstacle.name} lies off the {obstacle.place.tube}: {along:.1f} mm along a tube of "
            f"{length:.1f} mm. Correct its place on the sheet.",
            obstacle.name,
        )
        for obstacle, along, length in beyond(obstacles, opening)
    ]
    for body in bodies(obstacles, opening, "hole"):
        message = (
            f"{body.obstacle.name} goes through the gusset, {body.along:.1f} mm along the "
            f"{body.obstacle.place.tube}: cut the hole and finish its edge before you sew the gusset on"
        )
        findings.append(Finding("note", "hole-listed", message, body.obstacle.name))
    in_the_way: list[Body] = []
    for body in bodies(obstacles, opening, "notch"):
        away = min(nearness(outline.path, body).distance for outline in draft.outlines)
        wanted = body.obstacle.clearance
        if away >= wanted - MEASURED_TO:
            message = (
                f"{body.obstacle.name} needs no notch: the seam line is {away:.1f} mm away "
                f"and {wanted:g} mm is wanted"
            )
            findings.append(Finding("note", "obstacle-clear", message, body.obstacle.name))
        else:
            in_the_way.append(body)
    outlines: list[Outline] = []
    for outline in draft.outlines:
        for edge in outline.edges:
            on_tube = [
                body
                for body in in_the_way
                if body.obstacle.place.tube == edge.name
                and nearness(outline.path, body).distance < body.obstacle.clearance - MEASURED_TO
            ]
            if on_tube and not edge.is_corner:
                outline, told = _kept_out(outline, edge, on_tube, radii, options.neck)
                findings += told
        outlines.append(outline)
    return draft.evolve(outlines=tuple(outlines)).with_findings(findings)


def _kept_out(
    outline: Outline, edge: Edge, on_tube: Sequence[Body], radii: PerName[PositiveLength], neck: float
) -> tuple[Outline, list[Finding]]:
    """The outline with one tube's obstacles cut out as far as they can be, and what there is to say."""
    findings: list[Finding] = []
    for group, outcome in _notches(edge, on_tube, radii):
        names = listed([body.obstacle.name for body in group])
        radius = max(radii.get(body.obstacle.name) for body in group)
        try:
            if isinstance(outcome, ImpossibleError):
                raise outcome
            outline = _with_detour(outline, edge, outcome, group, neck)
        except ImpossibleError as error:
            message = f"{names} can't be cut out of the panel: {error.reason}. Do this: {error.todo}."
            findings.append(Finding("error", "obstacle-impossible", message, names))
            continue
        joint = ", in one notch since they stand so near to each other" if len(group) > 1 else ""
        message = (
            f"{names} cut out of the panel along {outcome.end - outcome.start:.1f} mm of the {edge.name}, "
            f"{outcome.depth:.1f} mm deep from the tube{joint}. An allowance below {radius:g} mm fits into "
            "its hollow corners; clip it there before you sew."
        )
        findings.append(Finding("note", "obstacle-cut-out", message, names))
    return outline, findings


def _notches(
    edge: Edge, on_tube: Sequence[Body], radii: PerName[PositiveLength]
) -> list[tuple[list[Body], Detour | ImpossibleError]]:
    """The way round every obstacle of a tube, or why there is none; neighbours that overlap share one."""
    groups = [[body] for body in on_tube]
    while True:
        found: list[tuple[list[Body], Detour | ImpossibleError]] = []
        for group in groups:
            radius = max(radii.get(body.obstacle.name) for body in group)
            try:
                found.append((group, detour(edge.path, group, radius, edge.name)))
            except ImpossibleError as error:
                found.append((group, error))
        for index, ((_, one), (_, other)) in enumerate(pairwise(found)):
            if isinstance(one, Detour) and isinstance(other, Detour) and one.end + _APART > other.start:
                groups[index : index + 2] = [groups[index] + groups[index + 1]]
                break
        else:
            # From the end backwards, so that stations on the run before stay what they are.
            return found[::-1]


def detour(path: Path, group: Sequence[Body], radius: float, tube: str) -> Detour:
    """The way round obstacles that stand beside each other on a tube.

    The floor lies the obstacle's height and clearance away from the tube's inner side. Where the radius is
    larger than the clearance, each hollow round begins at the obstacle's end: it has its centre on the line
    of that end then, so that it stays the clearance away from the end's corner, as does all that lies beyond.
    Where it is smaller, the walls stand the clearance away from the obstacle's ends. The walls are square to
    the tube; a notch too shallow for two rounds on a square wall gets flatter ones: between parallels d mm
    apart two rounds of r meet where each has turned by φ, 2 r (1 − cos φ) = d.

    Args:
        path: the tube's run on the outline, the inside to the right.
        group: the obstacles, in order along the tube.
        radius: of the seam line at the notch's corners, mm.
        tube: its name, for messages.

    Raises:
        ImpossibleError: the way doesn't come back to the run.
    """
    first, last = group[0], group[-1]
    ahead = first.ahead if len(group) == 1 else unit(subtract(last.foot, first.foot))
    inwards = (ahead[1], -ahead[0])

    def place(along: float, deep: float) -> Point:
        return shifted(shifted(first.foot, ahead, along), inwards, deep)

    spans: list[tuple[float, float]] = []
    depth = 0.0
    for body in group:
        besides = max(body.obstacle.clearance - radius, 0.0)
        offsets = [subtract(corner, first.foot) for corner in body.corners]
        along = [dot(offset, ahead) for offset in offsets]
        spans.append((min(along) - besides, max(along) + besides))
        depth = max(depth, max(dot(offset, inwards) for offset in offsets) + body.obstacle.clearance)
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    into = _wall(path, place(low, depth), scale(ahead, -1.0), inwards, depth, radius, entering=True)
    out_of = _wall(path, place(high, depth), ahead, inwards, depth, radius, entering=False)
    if into is None or out_of is None:
        raise _off_the_run(path, group, radius, tube, ahead, (low, high), depth)
    (start, entry, foot), (end, exit_, far_foot) = into, out_of
    try:
        if not 0.0 < start < end < path.length:
            raise _off_the_run(path, group, radius, tube, ahead, (low, high), depth)
        mouth = round_corner(path.between(0.0, start), Path((Line(entry, foot),)), radius, "right")
        hollow = round_corner(mouth.second, Path((Line(foot, far_foot),)), radius, "right")
        other_hollow = round_corner(hollow.second, Path((Line(far_foot, exit_),)), radius, "right")
        other_mouth = round_corner(other_hollow.second, path.between(end, path.length), radius, "right")
    except FilletError as error:
        raise _off_the_run(path, group, radius, tube, ahead, (low, high), depth) from error
    way = Path(
        (
            mouth.arc,
            *hollow.first.segments,
            hollow.arc,
            *other_hollow.first.segments,
            other_hollow.arc,
            *other_mouth.first.segments,
            other_mouth.arc,
        )
    )
    return Detour(way, mouth.first.length, path.length - other_mouth.second.length, depth)


def _wall(
    path: Path, end: Point, along: Point, inwards: Point, depth: float, radius: float, *, entering: bool
) -> tuple[float, Point, Point] | None:
    """Where the wall at one end of a notch meets the run, and where it meets the floor.

    Args:
        path: the tube's run on the outline.
        end: the end of the floor's straight part, where the hollow round begins.
        along: unit direction from there away from the notch.
        inwards: unit direction into the opening.
        depth: of the floor from the tube's inner side, mm.
        radius: of both rounds, mm.
        entering: whether the run comes to this wall before the notch.

    Returns:
        Station on the run, the point there, the point on the floor; None if no wall meets the run.
    """
    turn = 0.5 * pi
    for trial in range(_TRIALS):
        foot = shifted(end, along, radius * tan(0.5 * turn))
        direction = add(scale(along, cos(turn)), scale(inwards, -sin(turn)))
        wall = Line(foot, shifted(foot, direction, (depth + 50.0) / sin(turn)))
        meetings = intersections(wall, path)
        if not meetings:
            return None
        height, station, place = meetings[0]
        if _rounds_fit(path, station, wall.between(0.0, height), turn, radius, entering=entering):
            return station, place, foot
        if trial == 0 and height < 2.0 * radius:
            # A little flatter than the two rounds need between parallels, so that a wall is left.
            turn = 0.999 * acos(1.0 - height / (2.0 * radius))
        else:
            turn *= 0.97
    return None


def _rounds_fit(
    path: Path, station: float, wall: Line, turn: float, radius: float, *, entering: bool
) -> bool:
    """Whether a wall, from the floor to the run, has room for both its rounds, and the run has too."""
    hollow = radius * tan(0.5 * turn)
    if wall.length <= hollow + 1e-3:
        return False
    left = Path((wall.between(hollow, wall.length),))
    try:
        if entering:
            round_corner(path.between(0.0, station), left.reversed(), radius, "right")
        else:
            round_corner(left, path.between(station, path.length), radius, "right")
    except GeometryError:
        return False
    return True


def _off_the_run(
    path: Path, group: Sequence[Body], radius: float, tube: str, ahead: Point, span: Point, depth: float
) -> ImpossibleError:
    """Say how much of the tube a notch takes, and how much there is."""
    first = group[0]
    step = min(max(depth - path.nearest(first.foot)[1], 0.0), 2.0 * radius)
    reach = sqrt(4.0 * radius * step - step**2)
    begin, end = (first.along + dot(subtract(p, first.foot), ahead) for p in (path.start, path.end))
    return ImpossibleError(
        f"its notch takes the {tube} from {first.along + span[0] - reach:.0f} to "
        f"{first.along + span[1] + reach:.0f} mm, and the seam line runs along it "
        f"from {begin:.0f} to {end:.0f} mm",
        f"{_ELSEWHERE}, or give it a smaller radius",
    )


def _with_detour(outline: Outline, edge: Edge, way: Detour, group: Sequence[Body], neck: float) -> Outline:
    """The outline with a part of one edge replaced.

    Raises:
        ImpossibleError: the notch leaves too little of the panel, or doesn't clear the obstacles.
    """
    import shapely

    floor = shapely.LineString(way.path.flatten(CHORD_ERROR))
    for other in outline.edges:
        if other.name == edge.name or other.is_corner:
            continue
        left = float(floor.distance(shapely.LineString(other.path.flatten(CHORD_ERROR))))
        if left < neck:
            raise ImpossibleError(
                f"its notch, {way.depth:.1f} mm deep from the {edge.name}, would leave {left:.1f} mm "
                f"of the panel to the {other.name}; {neck:g} mm is the least",
                f"{_ELSEWHERE}, or lower `neck` if so little can be sewn",
            )
    # Notches further along have been cut already; stations before them are those of the run as it was.
    whole = outline.edge(edge.name).path
    path = whole.between(0.0, way.start) + way.path + whole.between(way.end, whole.length)
    edges = tuple(Edge(one.name, path) if one.name == edge.name else one for one in outline.edges)
    changed = Outline(edges, outline.body)
    if not changed.path.is_simple():
        raise ImpossibleError("its notch would cross the seam line elsewhere", _ELSEWHERE)
    for body in group:
        away = nearness(changed.path, body).distance
        if away < body.obstacle.clearance - MEASURED_TO:
            raise ImpossibleError(
                f"{body.obstacle.name} would still be {away:.1f} mm from the seam line, beside another tube, "
                f"and {body.obstacle.clearance:g} mm is wanted",
                f"{_ELSEWHERE}, or give the other tube a larger gap",
            )
    return changed


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="outline.keep-out",
            summary="Cut obstacles on the tubes out of the outline",
            run=f"{__name__}:run",
            options=f"{__name__}:KeepOutOptions",
            needs=frozenset({"opening", "outline"}),
            changes=frozenset({"outline"}),
        ),
    )
