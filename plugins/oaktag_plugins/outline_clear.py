"""`outline.clear`: take the gap to each tube off the opening."""

from __future__ import annotations

from oaktag import Draft, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import OffsetError, offset_outline
from oaktag.pattern import Edge, Opening, Outline
from oaktag.recipe import NonNegativeLength, PerName


class ClearOptions(Options):
    """Options of `outline.clear`."""

    gap: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(5.0)
    """Clearance between a tube and the finished bag, for all or by tube.

    3 to 6 mm at a rigid tube is common practice (no source); leave more at cables and for foam.
    """


def run(draft: Draft, options: ClearOptions) -> Draft:
    """Move every side of the opening inwards by its gap.

    Raises:
        Refusal: a gap names an unknown tube, or the gaps leave nothing of the opening.
    """
    opening = draft.opening
    assert opening is not None
    names = [edge.name for edge in opening.edges]
    gaps = options.gap.require(names, "gap", "tube")
    try:
        paths = offset_outline([edge.path for edge in opening.edges], [-gaps.get(name) for name in names])
    except OffsetError as error:
        room = largest_gap(opening)
        raise Refusal(
            f"the gap swallows the opening at {names[error.part]}",
            key="gap",
            source="recipe",
            found=", ".join(f"{name} {gaps.get(name):g} mm" for name in names),
            valid=f"less than {room:.1f} mm all round, the middle of the opening is no further from the tubes",
            todo="make the gap smaller, or look for a wrong reading",
        ) from error
    edges = tuple(Edge(name, path) for name, path in zip(names, paths, strict=True))
    return draft.evolve(outline=Outline(edges))


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
