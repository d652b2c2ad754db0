"""`measure.compartments`: how much there is room for on either side of every wall."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, left_normal
from oaktag.pattern import Compartment, Edge, PlacementLine
from oaktag_plugins.drafting.bag import piece_id
from oaktag_plugins.drafting.harmonic_volume import LADDER, Boundary, fit_width, sample_boundary
from oaktag_plugins.drafting.inside import SIDES
from oaktag_plugins.drafting.split import Half, SplitError, split_outline
from oaktag_plugins.measure_volume import LITRE, gusset_sides, seam_width

DIVIDER = "divider"
_NEAR = 1e-3  # mm; a joint so near to a compartment's edge lies on it
_AGREE = 0.001
"""Share of the whole by which the compartments' sum may differ from it."""


class CompartmentOptions(Options):
    """Options of `measure.compartments`."""

    tolerance: Annotated[float, Field(gt=0, lt=1)] = 0.005
    """Largest share of the volume by which the computation may be off, as in `measure.volume`."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a panel between walls: what it is called, and its outline's edges."""

    name: str
    edges: tuple[Edge, ...]

    @property
    def path(self) -> Path:
        """Its outline, closed, counter-clockwise."""
        whole = Path(tuple(segment for edge in self.edges for segment in edge.path.segments))
        return whole.reversed() if whole.clockwise else whole


def run(draft: Draft, options: CompartmentOptions) -> Draft:
    """Divide every body's volume by the walls in it."""
    bodies = tuple(outline.body for outline in draft.outlines)
    kept = list(draft.compartments)
    for body in bodies:
        walls = walls_of(draft, body)
        if not walls:
            continue
        found, findings = compartments(draft, body, walls, options)
        draft = draft.with_findings(findings)
        if found:
            # The body as a whole gives way to its parts.
            kept = [one for one in kept if not body or one.name != body] + found
    return draft.evolve(compartments=tuple(kept))


def walls_of(draft: Draft, body: str) -> tuple[PlacementLine, ...]:
    """The lines of the walls on a body's drive side, of shell and liner."""
    ids = {piece_id(body, name) for name in (f"side-panel-{SIDES[0]}", f"liner-{SIDES[0]}")}
    return tuple(
        line for piece in draft.pieces if piece.id in ids for line in piece.placements if line.what == DIVIDER
    )


def compartments(
    draft: Draft, body: str, walls: Sequence[PlacementLine], options: CompartmentOptions
) -> tuple[list[Compartment], list[Finding]]:
    """What every part of a body holds, and what there is to say about it."""
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        message = f"the compartments weren't measured: {sides}"
        return [], [Finding("note", "compartments-not-measured", message, body)]
    try:
        parts = divided(draft.outline_of(body).edges, walls)
    except SplitError as error:
        message = f"the compartments weren't measured: a wall doesn't cut the bag in two: {error.reason}"
        return [], [Finding("warning", "compartments-not-measured", message, body)]
    around, width, joints = seam_width(draft, sides)
    whole, volumes = part_volumes(around, width, joints, [part.path for part in parts], options.tolerance)
    found = [
        Compartment(f"{body}, {part.name}" if body else part.name, volume / LITRE)
        for part, volume in zip(parts, volumes, strict=True)
    ]
    told = ", ".join(f"{one.name} {one.litres:.2f} l" for one in found)
    if abs(sum(volumes) - whole) > _AGREE * whole:
        message = (
            f"the compartments ({told}) add up to {sum(volumes) / LITRE:.2f} l, the whole is "
            f"{whole / LITRE:.2f} l: walls cross, or the width jumps at one"
        )
        return found, [Finding("warning", "compartments-sum", message, body)]
    return found, [Finding("note", "compartments-measured", f"computed, not filled: {told}", body)]


def divided(edges: tuple[Edge, ...], walls: Sequence[PlacementLine]) -> tuple[Part, ...]:
    """The parts that walls divide a panel into.

    Args:
        edges: of the outline.
        walls: each a straight line on the panel.

    Raises:
        SplitError: a wall doesn't cut the part that it stands in in two.
    """
    parts = [Part("", edges)]
    for wall in walls:
        line = Line(wall.path.start, wall.path.end)
        middle = line.point_at(0.5 * line.length)
        at = next((index for index, part in enumerate(parts) if part.path.contains(middle)), None)
        if at is None:
            raise SplitError("it lies outside")
        split = split_outline(parts[at].edges, line.start, line.direction, cut=f"cut-{wall.name}")
        words = side_words(line.direction)
        before = f"{parts[at].name}, " if parts[at].name else ""
        parts[at : at + 1] = [
            Part(f"{before}{word} {wall.name}", _named(half))
            for word, half in zip(words, (split.left, split.right), strict=True)
        ]
    return tuple(parts)


def side_words(direction: Point) -> tuple[str, str]:
    """What lies to the left of a wall's direction, and what to the right."""
    x, y = left_normal(direction)
    if abs(y) > abs(x):
        return ("above", "below") if y > 0.0 else ("below", "above")
    return ("in front of", "behind") if x > 0.0 else ("behind", "in front of")


def _named(half: Half) -> tuple[Edge, ...]:
    """A half's edges with names of their own, so that it can be cut again."""
    return tuple(Edge(f"{index}", edge.path) for index, edge in enumerate(half.edges))


def part_volumes(
    around: Path,
    width: Callable[[float], float],
    joints: Sequence[float],
    parts: Sequence[Path],
    tolerance: float = 0.005,
) -> tuple[float, list[float]]:
    """Integrate the width over parts of a panel: the same harmonic function as for the whole panel.

    The fit of `measure.volume` is the real part of an analytic function, so ∫ f dA = (1/2i) ∮ f(z) z̄ dz holds
    for every part too. The places of a part's outline join the fit without weight, and the integral without
    those of the whole.

    Args:
        around: the panel's seam line, closed.
        width: seam length in mm to width in mm; smooth between joints.
        joints: seam lengths of the width's kinks.
        parts: their outlines, closed, counter-clockwise, within the panel.
        tolerance: share of the volume below which the error's bound has to come.

    Returns:
        The whole in mm³, and every part.
    """
    import numpy as np

    if around.clockwise:
        length = around.length
        return part_volumes(
            around.reversed(),
            lambda s: width(length - s),
            [length - joint for joint in joints],
            parts,
            tolerance,
        )
    base = sample_boundary(around, width, joints)
    best, ladder = None, LADDER[-1]
    for step in LADDER:
        volume = fit_width(base, *step)
        if best is None or volume.bound < best.bound:
            best, ladder = volume, step
        if best.bound <= tolerance * best.value:
            break
    assert best is not None
    kinks = [around.point_at(joint % around.length) for joint in joints]
    centre = _centre(around, base)
    found: list[float] = []
    for part in parts:
        near = [part.nearest(kink) for kink in kinks]
        inner = sample_boundary(part, _no_width, [station for station, away in near if away < _NEAR])
        z = (inner.z * inner.scale + _centre(part, inner) - centre) / base.scale
        nothing, weightless = np.zeros_like(base.dz), np.zeros_like(inner.ds)
        both = replace(
            base,
            z=np.concatenate([base.z, z]),
            dz=np.concatenate([nothing, inner.dz * inner.scale / base.scale]),
            ds=np.concatenate([base.ds, weightless]),
            width=np.concatenate([base.width, weightless]),
        )
        found.append(fit_width(both, *ladder).value)
    return best.value, found


def _no_width(_: float) -> float:
    return 0.0


def _centre(path: Path, boundary: Boundary) -> complex:
    """The point that a boundary's places are counted from; its first corner is the path's start."""
    return complex(*path.start) - complex(boundary.corners[0]) * boundary.scale


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="measure.compartments",
            summary="Compute how much the bag holds on either side of its walls",
            run=f"{__name__}:run",
            options=f"{__name__}:CompartmentOptions",
            needs=frozenset({"outline", "panels", "gusset", "seams", "features"}),
            uses=frozenset({"volume"}),
            adds=frozenset({"volume"}),
        ),
    )
