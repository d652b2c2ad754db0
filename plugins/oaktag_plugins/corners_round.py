"""`corners.round`: round the corners of the outline."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import (
    Arc,
    Fillet,
    FilletError,
    Line,
    Path,
    Point,
    dot,
    norm,
    round_corner,
    scale,
    signed_angle,
    subtract,
)
from oaktag.pattern import CORNER_PREFIX, Edge, Outline, Working
from oaktag.recipe import NonNegativeLength, PerName
from oaktag_plugins.drafting.bag import corner_name, straight_edges
from oaktag_plugins.drafting.worked_outline import Corner, rounded

TIGHT_RADIUS = 10.0
"""Below this radius in mm a gusset bunches in the corner (common practice, no source)."""
# Gaps and radii that differ by less, mm, are the same.
_SAME = 1e-7


class RoundOptions(Options):
    """Options of `corners.round`."""

    radius: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(20.0)
    """Radius of the seam line, for all or by corner; 0 leaves a corner sharp.

    A corner at an edge of the bag's own is named after both its edges, clockwise as seen from the drive side:
    `seat-tube-lower`.
    20 to 35 mm sews comfortably, 10 to 15 mm is the least (common practice, no source).
    """
    corner_gap: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(0.0)
    """Least distance of the rounded seam line from the corner where the tubes meet, for all or by corner.

    Where the radius gives less it is raised, in a hollow corner lowered, to what is needed.
    """


def run(draft: Draft, options: RoundOptions) -> Draft:
    """Put an arc, tangent to both sides, into every corner.

    Raises:
        Refusal: the corners are round already, a radius or a gap names an unknown corner, a radius doesn't
            fit beside its neighbours, or none keeps the gap.
    """
    if any(edge.is_corner for outline in draft.outlines for edge in outline.edges):
        raise Refusal(
            "the corners are round already",
            key="",
            source="recipe",
            found="a second time corners.round",
            valid="one stage that rounds the corners",
            todo="remove one of them, and give each corner its own radius in the other",
        )
    known = list(dict.fromkeys(name for outline in draft.outlines for name in corner_names(draft, outline)))
    options.radius.require(known, "radius", "corner")
    # At an edge of the bag's own no tubes meet to keep away from.
    options.corner_gap.require(
        [name for name in known if name in draft.frame.corners], "corner-gap", "corner"
    )
    outlines: list[Outline] = []
    findings: list[Finding] = []
    workings: list[Working] = []
    for outline in draft.outlines:
        round_one, told = round_outline(draft, outline, options)
        outlines.append(round_one)
        findings += told
        corners = [radius_of(round_one, name, options) for name in corner_names(draft, outline)]
        workings += rounded(draft.workings, straight_edges(outline), round_one, corners)
    return draft.evolve(outlines=tuple(outlines)).with_findings(findings).with_workings(workings)


def radius_of(outline: Outline, corner: str, options: RoundOptions) -> Corner:
    """The radius that a corner has got, and where it comes from."""
    name = f"{CORNER_PREFIX}{corner}"
    arcs = [segment for edge in outline.edges if edge.name == name for segment in edge.path.segments]
    radius = arcs[0].radius if arcs and isinstance(arcs[0], Arc) else 0.0
    same = radius == options.radius.get(corner)
    return Corner(corner, radius, f"corners.round: radius{'' if same else ', as corner-gap needs it'}")


def corner_names(draft: Draft, outline: Outline) -> list[str]:
    """The name of the corner at the end of each of an outline's sides."""
    names = [edge.name for edge in straight_edges(outline)]
    return [
        corner_name(draft.frame, name, names[(index + 1) % len(names)]) for index, name in enumerate(names)
    ]


def round_outline(draft: Draft, outline: Outline, options: RoundOptions) -> tuple[Outline, list[Finding]]:
    """One body's outline with its corners rounded, and what there is to say about it.

    Raises:
        Refusal: a radius doesn't fit beside its neighbours, or none keeps the gap.
    """
    opening = draft.opening
    assert opening is not None
    tubes = straight_edges(outline)
    corners = corner_names(draft, outline)
    wanted, gaps = options.radius, options.corner_gap
    radii = {corner: wanted.get(corner) for corner in corners}
    paths = [edge.path for edge in tubes]
    arcs: dict[int, Path] = {}
    findings: list[Finding] = []
    of_frame = {corner.name: corner.point for corner in opening.corners}
    for index, corner in enumerate(corners):
        after = (index + 1) % len(tubes)
        if corner in of_frame and gaps.get(corner) > 0.0:
            radius, least = radii[corner], gaps.get(corner)
            place = of_frame[corner]
            try:
                radii[corner] = radius_for_gap(paths[index], paths[after], place, radius, least)
            except CornerGapError as error:
                largest = math.floor(10 * error.largest) / 10
                raise Refusal(
                    f"no radius keeps the seam line so far from corner {corner}",
                    key=f"corner-gap.{corner}" if corner in gaps.names else "corner-gap",
                    source="recipe",
                    found=f"{least:g} mm",
                    valid=f"at most {largest:.1f} mm, beside the other corners' radii",
                    todo=f"make the gap of {corner} smaller, leave a larger gap at its tubes, "
                    "or make the radius of a corner next to it smaller",
                ) from error
            if radii[corner] != radius:
                raised = "raised" if radii[corner] > radius else "lowered"
                message = (
                    f"the radius is {raised} from {radius:g} to {radii[corner]:.1f} mm: the seam line has "
                    f"to stay {least:g} mm from where the tubes meet"
                )
                findings.append(Finding("note", f"radius-{raised}", message, corner))
        radius = radii[corner]
        if 0 < radius < TIGHT_RADIUS:
            findings.append(
                Finding(
                    "warning",
                    "corner-tight",
                    f"a radius of {radius:g} mm bunches when it is sewn; "
                    f"{TIGHT_RADIUS:g} mm or more is usual",
                    corner,
                )
            )
        if radius == 0:
            continue
        try:
            fillet = round_corner(paths[index], paths[after], radius, "right")
        except FilletError as error:
            named = f"radius.{corner}" if corner in wanted.names else "radius"
            largest = math.floor(10 * largest_beside(tubes, corners, radii, index)) / 10
            raise Refusal(
                f"doesn't fit at corner {corner}, between {tubes[index].name} and {tubes[after].name}",
                key=named,
                source="recipe",
                found=f"{radius:g} mm",
                valid=f"at most {largest:.1f} mm, beside the other corners' radii",
                todo=f"make the radius of {corner} smaller, or that of a corner next to it",
            ) from error
        paths[index], paths[after] = fillet.first, fillet.second
        arcs[index] = Path((fillet.arc,))
    edges: list[Edge] = []
    for index, (tube, path) in enumerate(zip(tubes, paths, strict=True)):
        edges.append(Edge(tube.name, path))
        if index in arcs:
            edges.append(Edge(f"{CORNER_PREFIX}{corners[index]}", arcs[index]))
    return Outline(tuple(edges), outline.body), findings


class CornerGapError(Exception):
    """No radius keeps the gap to the tubes' corner; `largest` is the largest gap in mm that one does."""

    def __init__(self, largest: float) -> None:
        super().__init__(largest)
        self.largest = largest


def radius_for_gap(first: Path, second: Path, corner: Point, radius: float, gap: float) -> float:
    """The radius nearest to a given one whose round keeps away from the corner where the tubes meet.

    A larger radius takes the seam line away from the corner, in a hollow corner towards it.

    Args:
        first: the outline's side before the corner, not rounded yet; the inside to the right.
        second: the side after it.
        corner: where the tubes meet, mm.
        radius: that is wanted, mm.
        gap: least distance from the corner, mm.

    Raises:
        CornerGapError: there is none.
    """
    if corner_distance(first, second, corner, radius) >= gap - _SAME:
        return radius
    if signed_angle(first.tangent_before(first.length), second.tangent_at(0.0)) > 0.0:
        low, high = 0.0, radius
        if corner_distance(first, second, corner, low) < gap:
            raise CornerGapError(corner_distance(first, second, corner, low))
    else:
        exact = _raised_between_lines(first, second, corner, gap)
        if exact is not None and _rounded(first, second, exact) is not None:
            away = corner_distance(first, second, corner, exact)
            if abs(away - gap) < _SAME:
                return exact
        low, high = _largest(first, second), radius
        if corner_distance(first, second, corner, low) < gap:
            raise CornerGapError(corner_distance(first, second, corner, low))
    # From here on `low` keeps the gap and `high` doesn't, whichever of them is larger.
    while abs(high - low) > _SAME:
        middle = 0.5 * (low + high)
        if corner_distance(first, second, corner, middle) >= gap:
            low = middle
        else:
            high = middle
    return low


def corner_distance(first: Path, second: Path, corner: Point, radius: float) -> float:
    """Least distance in mm of a rounded corner's seam line from where the tubes meet.

    Negative where the round of a hollow corner reaches past that place. A radius that doesn't fit counts as
    the largest that does.
    """
    fillet = _rounded(first, second, radius)
    if fillet is None:
        return min(path.nearest(corner)[1] for path in (first, second))
    away = min(path.nearest(corner)[1] for path in (fillet.first, Path((fillet.arc,)), fillet.second))
    # The centre of a hollow corner's round lies on the tubes' side.
    past = fillet.reflex and norm(subtract(corner, fillet.arc.center)) > fillet.arc.radius
    return -away if past else away


def _rounded(first: Path, second: Path, radius: float) -> Fillet | None:
    """The corner with its round, the largest that fits if this one doesn't; None for a sharp corner."""
    while radius > 0.0:
        try:
            return round_corner(first, second, radius, "right")
        except FilletError as error:
            radius = error.largest
    return None


def _largest(first: Path, second: Path) -> float:
    """The largest radius in mm that fits between two sides."""
    fillet = _rounded(first, second, 2.0 * (first.length + second.length))
    return 0.0 if fillet is None else fillet.arc.radius


def _raised_between_lines(first: Path, second: Path, corner: Point, gap: float) -> float | None:
    """The radius whose arc is the gap away from the tubes' corner; None if the sides aren't straight.

    With Δ the turn, the arc's centre lies R / cos(Δ/2) from the seam line's own corner along the bisector b.
    So with q from the tubes' corner to the seam line's, |q + b R / cos(Δ/2)| = R + gap, which is a quadratic
    in R. Where the gaps of both tubes are equal, q lies along b and this is the external distance of a simple
    circular curve, E = R (1 / cos(Δ/2) − 1), and |q| together.
    """
    before, after = first.segments[-1], second.segments[0]
    if not isinstance(before, Line) or not isinstance(after, Line):
        return None
    turn = abs(signed_angle(before.direction, after.direction))
    across = subtract(after.direction, before.direction)
    if norm(across) < 1e-9 or turn > math.pi - 1e-6:
        return None
    to_centre = scale(across, 1.0 / (norm(across) * math.cos(0.5 * turn)))
    q = subtract(first.end, corner)
    a = dot(to_centre, to_centre) - 1.0
    b = dot(q, to_centre) - gap
    c = dot(q, q) - gap**2
    root = b * b - a * c
    if root < 0.0:
        return None
    radius = (-b + math.sqrt(root)) / a
    return radius if radius > 0.0 else None


def largest_beside(
    tubes: Sequence[Edge], corners: Sequence[str], radii: Mapping[str, float], index: int
) -> float:
    """The largest radius in mm that fits at a corner beside the radii of the others, as far as these fit.

    Args:
        tubes: the sides, not rounded yet.
        corners: the corner at each side's end.
        radii: by corner.
        index: of the corner.
    """
    paths = [edge.path for edge in tubes]

    def put(corner: int, radius: float) -> float:
        after = (corner + 1) % len(paths)
        try:
            fillet = round_corner(paths[corner], paths[after], radius, "right")
        except FilletError as error:
            return error.largest
        paths[corner], paths[after] = fillet.first, fillet.second
        return radius

    for other, name in enumerate(corners):
        if other != index and radii[name] > 0:
            put(other, radii[name])
    return put(index, radii[corners[index]])


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="corners.round",
            summary="Round the corners of the outline, each with its own radius",
            run=f"{__name__}:run",
            options=f"{__name__}:RoundOptions",
            needs=frozenset({"opening", "outline"}),
            changes=frozenset({"outline"}),
        ),
    )
