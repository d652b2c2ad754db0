"""`outline.clear`: take the gap to each tube off the opening."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import (
    OffsetError,
    Point,
    dot,
    left_normal,
    offset_outline,
    scale,
    subtract,
    unit,
)
from oaktag.pattern import Edge, Opening, Outline, Survey
from oaktag.recipe import NonNegativeLength, PerName
from oaktag_plugins.drafting.worked_outline import cleared

COVERAGE = 2.0
"""Coverage factor: twice the standard uncertainty holds about 95 times in 100 (GUM, JCGM 100:2008, 6.3.3)."""


class ClearOptions(Options):
    """Options of `outline.clear`."""

    gap: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(5.0)
    """Clearance between a tube and the finished bag, for all or by tube.

    3 to 6 mm at a rigid tube is common practice (no source); leave more at cables.
    """
    foam: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(0.0)
    """Thickness of the padding between a tube and the bag, for all or by tube; it comes on top of the gap."""


def run(draft: Draft, options: ClearOptions) -> Draft:
    """Move every side of the opening inwards by its gap and its foam.

    Raises:
        Refusal: a gap or a foam names an unknown tube, or they leave nothing of the opening.
    """
    opening = draft.opening
    assert opening is not None
    names = [edge.name for edge in opening.edges]
    gaps = options.gap.require(names, "gap", "tube")
    foams = options.foam.require(names, "foam", "tube")
    taken = [gaps.get(name) + foams.get(name) for name in names]
    try:
        paths = offset_outline([edge.path for edge in opening.edges], [-distance for distance in taken])
    except OffsetError as error:
        room = largest_gap(opening)
        swallowing = "the gap and the foam swallow" if any(map(foams.get, names)) else "the gap swallows"
        raise Refusal(
            f"{swallowing} the opening at {names[error.part]}",
            key="gap",
            source="recipe",
            found=", ".join(f"{name} {distance:g} mm" for name, distance in zip(names, taken, strict=True)),
            valid=f"less than {room:.1f} mm all round; the middle of the opening is no further from them",
            todo="make the gap smaller, or look for a wrong reading",
        ) from error
    edges = tuple(Edge(name, path) for name, path in zip(names, paths, strict=True))
    findings = [] if draft.survey is None else small_gaps(opening, draft.survey, gaps)
    outline = Outline(edges)
    workings = cleared(
        draft.workings, opening, outline, {n: gaps.get(n) for n in names}, {n: foams.get(n) for n in names}
    )
    return draft.evolve(outlines=(outline,)).with_findings(findings).with_workings(workings)


def small_gaps(opening: Opening, survey: Survey, gaps: PerName[NonNegativeLength]) -> list[Finding]:
    """Gaps that don't cover what isn't known about the opening."""
    points = [corner.point for corner in opening.corners]
    found: list[Finding] = []
    for index, edge in enumerate(opening.edges):
        sigma = width_sigma(points, survey.covariance, index)
        gap, least = gaps.get(edge.name), COVERAGE * sigma
        if gap < least:
            message = (
                f"a gap of {gap:g} mm at the {edge.name} is less than the opening is known to: its width "
                f"square to that tube has a standard uncertainty of {sigma:.2f} mm. Leave {least:.1f} mm or "
                "more (95 % confidence), or take more readings."
            )
            found.append(Finding("warning", "gap-small", message, edge.name))
    return found


def width_sigma(points: Sequence[Point], covariance: Sequence[Sequence[float]], tube: int) -> float:
    """Standard uncertainty in mm of the opening's width square to a tube.

    That width is h = n·(c − a), from the straight line of the tube, a to b with the unit normal n, to the
    corner c furthest from it. With t = (c − a)·(b − a) / |b − a|² its derivatives are n by c, (t − 1) n by a
    and −t n by b; the variance follows by the law of propagation of uncertainty (GUM, JCGM 100:2008, 5.2.2).

    Args:
        points: corners in mm, in the axes of the covariance.
        covariance: of x0, y0, x1, y1, ... in mm².
        tube: index of the tube, from the corner of that index to the next.
    """
    first, second = tube, (tube + 1) % len(points)
    start, along = points[first], subtract(points[second], points[first])
    normal = left_normal(unit(along))
    far = max(
        (index for index in range(len(points)) if index not in (first, second)),
        key=lambda index: abs(dot(normal, subtract(points[index], start))),
    )
    share = dot(subtract(points[far], start), along) / dot(along, along)
    jacobian = [0.0] * (2 * len(points))
    for corner, by in ((far, 1.0), (first, share - 1.0), (second, -share)):
        jacobian[2 * corner], jacobian[2 * corner + 1] = scale(normal, by)
    variance = sum(
        row * column * covariance[i][j]
        for i, row in enumerate(jacobian)
        for j, column in enumerate(jacobian)
        if row and column
    )
    return sqrt(max(variance, 0.0))


def largest_gap(opening: Opening) -> float:
    """Radius in mm of the largest circle inside the opening."""
    import shapely

    points = [point for edge in opening.edges for point in edge.path.flatten(0.05)[:-1]]
    return float(shapely.maximum_inscribed_circle(shapely.Polygon(points)).length)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="outline.clear",
            summary="Take the gap to each tube off the opening",
            run=f"{__name__}:run",
            options=f"{__name__}:ClearOptions",
            needs=frozenset({"opening"}),
            adds=frozenset({"outline"}),
        ),
    )
