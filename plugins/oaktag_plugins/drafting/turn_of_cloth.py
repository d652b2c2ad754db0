"""Turn of cloth: how much shorter a layer has to be than the one that it lies inside of.

A layer that lies a thickness t inside another runs t nearer to the centre of every bend. A bend through the
angle φ takes φ·t from it, straight runs take nothing; one whole turn takes 2π·t (Steiner's formula for
the lengths of parallel curves, from memory). A hollow bend gives as much as a convex one takes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import tan, tau

from oaktag import Draft, Refusal
from oaktag.geometry import Arc, Curve, Path, offset_outline, signed_angle
from oaktag.pattern import Outline
from oaktag.recipe import listed, meant, show

_SAME = 1e-9  # radians; a smaller turn is none
_STEPS = 16  # parts of a free curve, none of which turns through half a circle


@dataclass(frozen=True, slots=True)
class Bend:
    """A place where a closed seam line changes direction.

    Attributes:
        name: of the edge that bends, or of both edges that meet in a sharp corner: `top-tube to down-tube`.
        angle: through which it bends, radians; positive where the outline is convex.
        reduction: how much shorter a layer is there that lies a thickness inside, mm; negative where a hollow
            bend makes it longer.
    """

    name: str
    angle: float
    reduction: float


def turning(path: Path) -> float:
    """The angle in radians through which a path turns left from its start to its end, kinks among it."""
    total = 0.0
    for index, segment in enumerate(path.segments):
        if index:
            before = path.segments[index - 1]
            total += signed_angle(before.tangent_at(before.length), segment.tangent_at(0.0))
        if isinstance(segment, Arc):
            total += segment.sweep
        elif isinstance(segment, Curve):
            tangents = [segment.tangent_at(segment.length * step / _STEPS) for step in range(_STEPS + 1)]
            total += sum(signed_angle(tangents[step], tangents[step + 1]) for step in range(_STEPS))
    return total


def reduction(outline: Outline, thickness: float) -> tuple[Bend, ...]:
    """Every bend of an outline, and how much shorter a layer is there that lies a thickness inside it.

    A round loses φ·t; a sharp corner, which is cut off square to both its sides, 2·t·tan(φ/2), which is more.
    With every corner rounded the reductions add up to 2π·t.

    Args:
        outline: closed, either orientation.
        thickness: between the two layers, mm; negative for one that lies outside.
    """
    sense = -1.0 if outline.path.clockwise else 1.0
    bends: list[Bend] = []
    for index, edge in enumerate(outline.edges):
        angle = sense * turning(edge.path)
        if abs(angle) > _SAME:
            bends.append(Bend(edge.name, angle, thickness * _smooth_part(edge.path, sense)))
        after = outline.edges[(index + 1) % len(outline.edges)]
        corner = sense * signed_angle(edge.path.tangent_at(edge.length), after.path.tangent_at(0.0))
        if abs(corner) > _SAME:
            name = f"{edge.name} to {after.name}"
            bends.append(Bend(name, corner, 2.0 * thickness * tan(0.5 * corner)))
    return tuple(bends)


def _smooth_part(path: Path, sense: float) -> float:
    """The reduction of one edge for a thickness of 1 mm: its rounds, and the kinks between its segments."""
    total = sense * sum(turning(Path((segment,))) for segment in path.segments)
    for before, after in zip(path.segments, path.segments[1:], strict=False):
        kink = sense * signed_angle(before.tangent_at(before.length), after.tangent_at(0.0))
        total += 2.0 * tan(0.5 * kink)
    return total


def whole_reduction(thickness: float) -> float:
    """How much shorter a layer is all round that lies a thickness in mm inside: 2π·t, whatever the shape."""
    return tau * thickness


def inset(outline: Outline, thickness: float) -> Outline:
    """The outline of a layer that lies a thickness inside another, its edges with the same names.

    Args:
        outline: of the outer layer.
        thickness: between the two, mm; negative for a layer outside.

    Raises:
        OffsetError: a round's radius is no larger than the thickness, or nothing is left of an edge; its
            `part` is the edge's index, its `reason` says why.
    """
    if thickness == 0.0:
        return outline
    edges = outline.edges
    paths = offset_outline([edge.path for edge in edges], [-thickness] * len(edges))
    moved = tuple(replace(edge, path=path) for edge, path in zip(edges, paths, strict=True))
    return replace(outline, edges=moved)


def layers_thickness(draft: Draft, layers: Iterable[str], key: str) -> float:
    """How thick some materials are together, by the material table, mm.

    Args:
        draft: has the table.
        layers: names of materials; one may stand there several times.
        key: of the option that names them, for the message.

    Raises:
        Refusal: the table hasn't got one of them, or not its thickness.
    """
    total = 0.0
    for index, name in enumerate(layers):
        material = draft.material(name)
        known = [entry.name for entry in draft.materials]
        if material is None:
            raise Refusal(
                "there is no such material in the table",
                key=f"{key}[{index}]",
                source="recipe",
                found=show(name),
                valid=listed(known) if known else "the table is empty",
                todo=meant(name, known, "name one that is there, add it, or give the thickness in mm"),
            )
        if material.thickness <= 0.0:
            raise Refusal(
                "the table has no thickness for this material",
                key=f"{key}[{index}]",
                source="recipe",
                found=show(name),
                valid=listed([entry.name for entry in draft.materials if entry.thickness > 0.0]),
                todo="add its thickness to the table, or give the thickness in mm",
            )
        total += material.thickness
    return total
