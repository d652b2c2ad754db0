"""`corners.round`: round the corners of the outline."""

from __future__ import annotations

import math
from collections.abc import Sequence

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import FilletError, Path, round_corner
from oaktag.pattern import CORNER_PREFIX, Edge, Outline
from oaktag.recipe import NonNegativeLength, PerName

TIGHT_RADIUS = 10.0
"""Below this radius in mm a gusset bunches in the corner (common practice, no source)."""


class RoundOptions(Options):
    """Options of `corners.round`."""

    radius: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(20.0)
    """Radius of the seam line, for all or by corner; 0 leaves a corner sharp.

    20 to 35 mm sews comfortably, 10 to 15 mm is the least (common practice, no source).
    """


def run(draft: Draft, options: RoundOptions) -> Draft:
    """Put an arc, tangent to both sides, into every corner.

    Raises:
        Refusal: a radius names an unknown corner, or doesn't fit beside its neighbours.
    """
    outline = draft.outline
    assert outline is not None
    tubes = [edge for edge in outline.edges if not edge.is_corner]
    corners = [draft.frame.ends(edge.name)[1] for edge in tubes]
    radii = options.radius.require(corners, "radius", "corner")
    paths = [edge.path for edge in tubes]
    arcs: dict[int, Path] = {}
    findings: list[Finding] = []
    for index, corner in enumerate(corners):
        radius = radii.get(corner)
        after = (index + 1) % len(tubes)
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
            named = f"radius.{corner}" if corner in radii.names else "radius"
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
    return draft.evolve(outline=Outline(tuple(edges))).with_findings(findings)


def largest_beside(
    tubes: Sequence[Edge], corners: Sequence[str], radii: PerName[NonNegativeLength], index: int
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
        if other != index and radii.get(name) > 0:
            put(other, radii.get(name))
    return put(index, radii.get(corners[index]))


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="corners.round",
            summary="Round the corners of the outline, each with its own radius",
            run=f"{__name__}:run",
            options=f"{__name__}:RoundOptions",
            needs=frozenset({"outline"}),
            changes=frozenset({"outline"}),
        ),
    )
