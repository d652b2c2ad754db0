"""`check.parts`: the parts of an assembled piece, and the strips where a zipper is seen, add up to it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Path
from oaktag.pattern import Piece
from oaktag.recipe import PositiveLength
from oaktag_plugins.drafting.assembled import cloth_parts, visible_strips

if TYPE_CHECKING:
    from shapely import Polygon

_CHORD_ERROR = 0.001  # mm; of the polygons that are laid over each other
_GRID = 1e-6  # mm; of the overlay of two polygons
_ALONG = (0.02, 0.25, 0.5, 0.75, 0.98)  # shares of a segment at which it has to lie on an edge


class PartsOptions(Options):
    """Options of `check.parts`."""

    tolerance: PositiveLength = 0.01
    """How far lengths may differ, in mm, and areas, in mm²."""


def run(draft: Draft, options: PartsOptions) -> Draft:
    """Report assembled pieces whose parts don't add up to them."""
    known = {piece.id for piece in draft.pieces}
    findings: list[Finding] = []
    for whole in draft.pieces:
        if not whole.assembled:
            continue
        missing = [name for name in whole.parts if name not in known]
        if missing:
            message = f"it is sewn together from {', '.join(missing)}, which there isn't"
            findings.append(Finding("error", "parts-missing", message, whole.id))
            continue
        parts, strips = cloth_parts(draft, whole), visible_strips(whole)
        findings += area_findings(whole, parts, strips, options.tolerance)
        findings += edge_findings(whole, parts, strips, options.tolerance)
        findings += overlap_findings(whole, parts, strips, options.tolerance)
    return draft.with_findings(findings)


def area_findings(
    whole: Piece, parts: tuple[Piece, ...], strips: tuple[Path, ...], tolerance: float
) -> list[Finding]:
    """Whether the areas of parts and strips add up to the piece's."""
    cloth = sum(abs(part.seam_line.area) for part in parts)
    seen = sum(abs(strip.area) for strip in strips)
    area = abs(whole.seam_line.area)
    if abs(cloth + seen - area) <= tolerance:
        return []
    message = (
        f"its parts have {cloth:.2f} mm² and the zippers between them {seen:.2f} mm², which is "
        f"{cloth + seen - area:+.2f} mm² off the {area:.2f} mm² of the piece: sewn together they won't fit "
        "its template"
    )
    return [Finding("error", "parts-area", message, whole.id)]


def edge_findings(
    whole: Piece, parts: tuple[Piece, ...], strips: tuple[Path, ...], tolerance: float
) -> list[Finding]:
    """Whether the runs of the parts, and the strips' ends, add up to every edge and lie on it."""
    found: list[Finding] = []
    names = {edge.name for edge in whole.edges}
    for part in parts:
        for edge in part.edges:
            where = f"{part.id}, {edge.name}"
            if edge.of and edge.of not in names:
                message = f"it is a run of {edge.of}, which {whole.id} hasn't"
                found.append(Finding("error", "parts-edge", message, where))
            elif edge.of and (off := _off(edge.path, whole.edge(edge.of).path)) > tolerance:
                message = f"it lies up to {off:.3f} mm off {edge.of} of {whole.id}, which it is a run of"
                found.append(Finding("error", "parts-edge", message, where))
    for edge in whole.edges:
        cloth = sum(e.length for part in parts for e in part.edges if e.of == edge.name)
        seen = sum(
            segment.length
            for strip in strips
            for segment in strip.segments
            if _off(Path((segment,)), edge.path) <= tolerance
        )
        if abs(cloth + seen - edge.length) > tolerance:
            message = (
                f"its parts have {cloth:.3f} mm of {edge.name} and zippers {seen:.3f} mm, which is "
                f"{cloth + seen - edge.length:+.3f} mm off the {edge.length:.3f} mm of the edge"
            )
            found.append(Finding("error", "parts-edge", message, whole.id))
    return found


def overlap_findings(
    whole: Piece, parts: tuple[Piece, ...], strips: tuple[Path, ...], tolerance: float
) -> list[Finding]:
    """Whether two of the parts and strips lie over each other."""
    import shapely

    found: list[Finding] = []
    for (one, first), (other, second) in combinations(_polygons(parts, strips), 2):
        # On a grid: with edges that nearly lie on each other, GEOS gives the whole of one without.
        over = shapely.intersection(first, second, grid_size=_GRID).area
        if over > tolerance:
            message = (
                f"{one} and {other} lie over each other by {over:.2f} mm²; one of them is drawn too large"
            )
            found.append(Finding("error", "parts-overlap", message, whole.id))
    return found


def _polygons(parts: tuple[Piece, ...], strips: tuple[Path, ...]) -> Iterator[tuple[str, Polygon]]:
    for part in parts:
        yield part.id, part.seam_line.polygon(_CHORD_ERROR)
    for number, strip in enumerate(strips, 1):
        yield f"the zipper's strip {number}", strip.polygon(_CHORD_ERROR)


def _off(path: Path, edge: Path) -> float:
    """How far a path lies off an edge at the most, mm."""
    return max(
        edge.nearest(segment.point_at(share * segment.length))[1]
        for segment in path.segments
        for share in _ALONG
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="check.parts",
            summary="Add up the parts of assembled pieces: areas and edges must be those of the whole",
            run=f"{__name__}:run",
            options=f"{__name__}:PartsOptions",
            needs=frozenset({"panels"}),
            uses=frozenset({"gusset", "features"}),
            adds=frozenset({"proof"}),
        ),
    )
