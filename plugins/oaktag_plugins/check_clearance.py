"""`check.clearance`: measure how near the panels' seam line comes to every tube and every obstacle."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Path
from oaktag.pattern import Opening, OpeningEdge
from oaktag.recipe import NonNegativeLength, PerName, listed
from oaktag_plugins.drafting.bag import piece_id
from oaktag_plugins.drafting.obstacles import (
    CHORD_ERROR,
    MEASURED_TO,
    Nearness,
    beyond,
    bodies,
    nearness,
    reach,
)
from oaktag_plugins.panel_pair import DRIVE

if TYPE_CHECKING:
    from shapely import Polygon


class ClearanceOptions(Options):
    """Options of `check.clearance`."""

    gap: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(0.0)
    """Least distance of the seam line from a tube, for all or by tube; as `outline.clear` has it."""


def run(draft: Draft, options: ClearanceOptions) -> Draft:
    """Report the signed least distance of the seam line from every tube and every obstacle in its way.

    Raises:
        Refusal: a gap names an unknown tube.
    """
    opening = draft.opening
    assert opening is not None
    gaps = options.gap.require([edge.name for edge in opening.edges], "gap", "tube")
    wanted = [piece_id(outline.body, DRIVE) for outline in draft.outlines] or [DRIVE]
    panels = [piece for piece in draft.pieces if piece.id in wanted]
    if len(panels) < len(wanted):
        missing = listed([name for name in wanted if name not in {panel.id for panel in panels}])
        message = f"there is no {missing}: nothing has been measured against tubes and obstacles"
        return draft.with_findings([Finding("warning", "clearance-unchecked", message)])
    shapes = [panel.seam_line.polygon(CHORD_ERROR) for panel in panels]
    inside = Path(tuple(s for edge in opening.edges for s in edge.path.segments)).polygon(CHORD_ERROR)
    findings = [
        tube_finding(
            draft,
            edge,
            min((tube_nearness(shape, inside, edge) for shape in shapes), key=_how_near),
            gaps.get(edge.name),
        )
        for edge in opening.edges
    ]
    findings += obstacle_findings(draft, opening, [panel.seam_line for panel in panels])
    return draft.with_findings(findings)


def _how_near(found: Nearness) -> float:
    return found.distance


def tube_nearness(panel: Polygon, inside: Polygon, edge: OpeningEdge) -> Nearness:
    """How near a panel comes to a tube; negative by how far it reaches past the tube's inner side.

    Args:
        panel: its seam line.
        inside: the opening.
        edge: the tube's side of it.
    """
    import shapely

    tube = shapely.LineString(edge.path.flatten(CHORD_ERROR))
    beside = tube.buffer(MEASURED_TO)
    outside = panel.difference(inside)
    past: Nearness | None = None
    for part in getattr(outside, "geoms", (outside,)):
        # A part at a corner touches the next tube too, but only the one that it has passed along some length.
        if part.is_empty or part.boundary.intersection(beside).length <= 4.0 * MEASURED_TO:
            continue
        furthest = max(
            (shapely.Point(point) for point in shapely.get_coordinates(part)), key=lambda p: tube.distance(p)
        )
        found = Nearness(-float(tube.distance(furthest)), (furthest.x, furthest.y))
        if past is None or found.distance < past.distance:
            past = found
    return reach(panel.exterior, tube) if past is None else past


def tube_finding(draft: Draft, edge: OpeningEdge, found: Nearness, gap: float) -> Finding:
    """Say how near the seam line comes to a tube, and where."""
    along = edge.path.nearest(found.place)[0]
    where = f"{along:.0f} mm along the {edge.name} from corner {draft.frame.ends(edge.name)[0]}"
    if found.distance < -MEASURED_TO:
        message = (
            f"the seam line runs {-found.distance:.2f} mm into the tube, {where}: "
            "make the gap larger, or the radius of a hollow corner smaller"
        )
        return Finding("error", "tube-in-the-way", message, edge.name)
    if found.distance < gap - MEASURED_TO:
        message = (
            f"the seam line comes as near as {found.distance:+.2f} mm, {where}; "
            f"a gap of {gap:g} mm is wanted: make the gap larger, or the radius of a hollow corner smaller"
        )
        return Finding("warning", "gap-missed", message, edge.name)
    message = f"the seam line comes as near as {found.distance:+.2f} mm, {where}"
    return Finding("note", "tube-clearance", message, edge.name)


def obstacle_findings(draft: Draft, opening: Opening, seam_lines: Sequence[Path]) -> list[Finding]:
    """Say how near the nearest seam line comes to every obstacle that the panels have to leave out."""
    findings: list[Finding] = []
    for obstacle, along, length in beyond(draft.frame.obstacles, opening):
        message = (
            f"{obstacle.name} lies {along:.1f} mm along the {obstacle.place.tube}, which is {length:.1f} mm "
            "long: nothing has been measured against it. Correct its place on the sheet."
        )
        findings.append(Finding("error", "obstacle-off-tube", message, obstacle.name))
    for body in bodies(draft.frame.obstacles, opening, "notch"):
        found = min((nearness(line, body) for line in seam_lines), key=_how_near)
        wanted = body.obstacle.clearance
        x, y = found.place
        measured = (
            f"the seam line is {found.distance:+.2f} mm from {body.obstacle.name} at ({x:.0f}, {y:.0f})"
        )
        if found.distance < wanted - MEASURED_TO:
            message = (
                f"{measured}, and {wanted:g} mm is wanted: cut it out with outline.keep-out, "
                "or let it go through the gusset as a hole"
            )
            findings.append(Finding("error", "obstacle-in-the-way", message, body.obstacle.name))
        else:
            findings.append(
                Finding(
                    "note", "obstacle-clearance", f"{measured}; {wanted:g} mm is wanted", body.obstacle.name
                )
            )
    return findings


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="check.clearance",
            summary="Measure how near the panels come to every tube and every obstacle",
            run=f"{__name__}:run",
            options=f"{__name__}:ClearanceOptions",
            needs=frozenset({"opening", "panels"}),
            adds=frozenset({"proof"}),
        ),
    )
