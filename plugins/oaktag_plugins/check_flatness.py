"""`check.flatness`: say whether the gusset's widths let the side panels lie flat."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, degrees
from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Point, signed_angle
from oaktag.pattern import CORNER_PREFIX, Outline
from oaktag.recipe import PositiveLength
from oaktag_plugins.drafting.bag import NON_DRIVE_EDGE, bodies_of, corner_name, gusset_starts

_STEP = 4.0  # mm of seam between the places that are compared all along
_SHARP = 5.0  # degrees; edges that meet at a smaller angle make no corner
_FLATTEST = 1e-3  # corners whose cross measure is a smaller share of the length lie on one line


class FlatnessOptions(Options):
    """Options of `check.flatness`."""

    tolerance: PositiveLength = 3.0
    """How far out of flat a panel may be at a corner without a warning, mm (common practice, no source)."""
    tolerance_along: PositiveLength = 6.0
    """How far out of flat it may be anywhere between the corners, mm (common practice, no source)."""
    body: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """The body to look at; all of them if left out."""


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane h(x, y) = a + b·x + c·y, mm and mm per mm."""

    a: float
    b: float
    c: float

    def height(self, point: Point) -> float:
        """Height over a place, mm."""
        return self.a + self.b * point[0] + self.c * point[1]


@dataclass(frozen=True, slots=True)
class HeightAt:
    """Half the gusset's width at a named place of the outline, mm: how high the panel stands there."""

    name: str
    point: Point
    half: float


@dataclass(frozen=True, slots=True)
class Cure:
    """A width for one corner alone.

    Attributes:
        name: of the corner.
        width: that the gusset should have there, mm.
        now: that it has, mm.
        left: how far out of flat the panel stays at the other corners, mm.
    """

    name: str
    width: float
    now: float
    left: float


def run(draft: Draft, options: FlatnessOptions) -> Draft:
    """Compare half the gusset's width all along the seam with the plane that fits the corners best.

    Raises:
        Refusal: there is no body of that name.
    """
    findings: list[Finding] = []
    for body in bodies_of(draft, options.body):
        findings += body_findings(draft, draft.outline_of(body), options)
    return draft.with_findings(findings)


def body_findings(draft: Draft, outline: Outline, options: FlatnessOptions) -> list[Finding]:
    """What there is to say about one body's panels."""
    half = half_width(draft, outline)
    along = heights_along(outline, half)
    if not along:
        message = "there is no gusset along the panel, so nothing can be said about whether it lies flat"
        return [Finding("note", "flatness-unchecked", message, outline.body)]
    corners = corner_heights(draft, outline, half)
    plane = best_plane(corners) if len(corners) >= 3 else None
    by_corners = plane is not None
    if plane is None:
        plane = best_plane(along)
    if plane is None:
        message = "the gusset runs along one straight line of the panel only: any width lies flat there"
        return [Finding("note", "flatness-unchecked", message, outline.body)]
    findings: list[Finding] = []
    worst, off = largest_residual(along, plane)
    between = f"{off:.1f} mm at most all along the seam, {worst.name}"
    if by_corners:
        corner, bow = largest_residual(corners, plane)
        if bow > options.tolerance:
            findings.append(
                Finding("warning", "panel-not-flat", bow_message(corners, corner, bow), corner.name)
            )
        else:
            exact = ". Three corners always lie in one plane." if len(corners) == 3 else ""
            message = (
                f"the side panels lie flat: off the best plane by {bow:.1f} mm at most at the corners, "
                f"by {between}{exact}"
            )
            findings.append(Finding("note", "panel-flat", message, outline.body))
    elif off <= options.tolerance_along:
        findings.append(
            Finding("note", "panel-flat", f"the side panels lie flat: off by {between}", outline.body)
        )
    if off > options.tolerance_along:
        message = (
            f"the side panels have to bow: the gusset's edge is off the plane that fits best by {between}. "
            "Cloth gives way, board doesn't: let the width change evenly from corner to corner there "
            '(`between = "linear"` in gusset.wrap), or accept a panel that isn\'t flat.'
        )
        findings.append(Finding("warning", "panel-bows-along", message, worst.name.rpartition(" along ")[2]))
    return findings


def bow_message(corners: Sequence[HeightAt], worst: HeightAt, bow: float) -> str:
    """How far out of flat the corners are, and what would cure it."""
    told = (
        f"the widths at the {len(corners)} corners don't let the side panels lie flat: each has to bow by "
        f"{bow:.1f} mm, most at {worst.name}"
    )
    offered = [cure for cure in cures(corners) if cure.width > 0.0]
    if not offered:
        return f"{told}. Change the widths at two corners, or accept panels that aren't flat."
    best, *others = sorted(offered, key=lambda cure: (round(cure.left, 6), abs(cure.width - cure.now)))
    left = "" if best.left < 0.05 else f" (then {best.left:.1f} mm is left)"
    told += f". Best cure: {best.width:.1f} mm instead of {best.now:.1f} mm wide at {best.name}{left}"
    if others:
        rest = ", ".join(
            f"{cure.width:.1f} for {cure.now:.1f} mm at {cure.name}"
            + ("" if cure.left < 0.05 else f" ({cure.left:.1f} mm left)")
            for cure in others
        )
        told += f"; or one of {rest}"
    return f"{told}."


def half_width(draft: Draft, outline: Outline) -> Callable[[float], float | None]:
    """Half the gusset's width in mm by seam length along an outline; None where no gusset runs."""
    whole = outline.path.length
    strips = [(piece.edge(NON_DRIVE_EDGE).path, begin) for piece, begin in gusset_starts(draft, outline)]

    def half(station: float) -> float | None:
        for upper, begin in strips:
            along = (station - begin) % whole
            if whole - along < 1e-9:
                along = 0.0
            if along <= upper.length + 1e-9:
                return upper.point_at(min(along, upper.length))[1]
        return None

    return half


def corner_heights(
    draft: Draft, outline: Outline, half: Callable[[float], float | None]
) -> tuple[HeightAt, ...]:
    """The heights in the middle of every round and at every sharp corner, in the outline's order."""
    found: list[HeightAt] = []
    station = 0.0
    for index, edge in enumerate(outline.edges):
        after = outline.edges[(index + 1) % len(outline.edges)]
        places: list[tuple[str, float]] = []
        if edge.is_corner:
            places.append((edge.name.removeprefix(CORNER_PREFIX), 0.5 * edge.length))
        turn = degrees(signed_angle(edge.path.tangent_at(edge.length), after.path.tangent_at(0.0)))
        if abs(turn) > _SHARP and not edge.is_corner and not after.is_corner:
            places.append((corner_name(draft.frame, edge.name, after.name), edge.length))
        for name, at in places:
            height = half(station + at)
            if height is not None:
                found.append(HeightAt(name, edge.path.point_at(at), height))
        station += edge.length
    return tuple(found)


def heights_along(outline: Outline, half: Callable[[float], float | None]) -> tuple[HeightAt, ...]:
    """The heights every few millimetres of the seam, each named after its place."""
    found: list[HeightAt] = []
    station = 0.0
    for edge in outline.edges:
        count = max(1, ceil(edge.length / _STEP))
        for at in (edge.length * step / count for step in range(count)):
            height = half(station + at)
            if height is not None:
                found.append(HeightAt(f"{at:.0f} mm along {edge.name}", edge.path.point_at(at), height))
        station += edge.length
    return tuple(found)


def best_plane(heights: Sequence[HeightAt]) -> Plane | None:
    """The plane of least squares through heights; None if their places lie on one line.

    Args:
        heights: at places of the outline, one or more.
    """
    import numpy as np

    points = np.array([height.point for height in heights])
    centre = points.mean(axis=0)
    across = np.linalg.svd(points - centre, compute_uv=False)
    if len(across) < 2 or across[1] <= _FLATTEST * across[0]:
        return None
    matrix = np.column_stack([np.ones(len(points)), points - centre])
    (a, b, c), *_ = np.linalg.lstsq(matrix, np.array([height.half for height in heights]), rcond=None)
    return Plane(float(a - b * centre[0] - c * centre[1]), float(b), float(c))


def largest_residual(heights: Sequence[HeightAt], plane: Plane) -> tuple[HeightAt, float]:
    """The place that is furthest from a plane, and by how much, mm."""
    worst = max(heights, key=lambda height: abs(height.half - plane.height(height.point)))
    return worst, abs(worst.half - plane.height(worst.point))


def cures(corners: Sequence[HeightAt]) -> tuple[Cure, ...]:
    """For every corner the one width that brings it into the plane that fits the others best.

    With four corners the other three lie in a plane, so that such a width makes the panel flat. A corner has
    none where the others lie on one line.
    """
    found: list[Cure] = []
    for index, corner in enumerate(corners):
        others = [*corners[:index], *corners[index + 1 :]]
        plane = best_plane(others) if len(others) >= 3 else None
        if plane is not None:
            _, left = largest_residual(others, plane)
            found.append(Cure(corner.name, 2.0 * plane.height(corner.point), 2.0 * corner.half, left))
    return tuple(found)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="check.flatness",
            summary="Say whether the gusset's widths let the side panels lie flat, and which width would",
            run=f"{__name__}:run",
            options=f"{__name__}:FlatnessOptions",
            needs=frozenset({"outline", "gusset"}),
            uses=frozenset({"seams"}),
            adds=frozenset({"proof"}),
        ),
    )
