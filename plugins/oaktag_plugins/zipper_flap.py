"""`zipper.flap`: a storm flap that keeps rain and mud off a zipper."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Transform
from oaktag.pattern import Edge, Piece
from oaktag.recipe import NonNegativeLength, PositiveLength, listed, meant, show
from oaktag_plugins.drafting.assembled import band_edges, mated
from oaktag_plugins.drafting.bag import GUSSET, rectangle_edges, sew_on
from oaktag_plugins.drafting.split import SplitError
from oaktag_plugins.drafting.zipper import SewnZipper, room_along, sewn_zipper

_ABOVE = ("upper", "front", "non-drive")
"""Where a flap is sewn if the recipe doesn't say: above, and where the zipper stands up towards the wind."""
_SEAM, _FREE = "flap-seam", "flap-free"
_SHORTEST = 20.0  # mm; a shorter flap covers nothing


class FlapOptions(Options):
    """Options of `zipper.flap`."""

    zipper: str | None = None
    """Id of the zipper; may be left out where there is one."""
    sewn_to: str | None = None
    """The cloth beside the zipper that it is sewn to, such as `upper`.

    If left out, the upper; the front of a steep zipper; along the gusset that on the non-drive side.
    """
    height: PositiveLength = 30.0
    """From its seam to its free edge (common practice, no source: 25 to 35 mm)."""
    inset: NonNegativeLength = 3.0
    """Between the zipper's seam line and the flap's (common practice, no source)."""
    ends: Literal["hem", "seam"] | None = None
    """Hemmed short of the panel's edges, or running on into the panel's seams.

    If left out, into the seams where the zipper does so at both ends.
    """
    end_gap: NonNegativeLength = 5.0
    """Between a hemmed flap and the seams around it, not to catch it (common practice, no source)."""
    over_end: NonNegativeLength = 10.0
    """How far a hemmed flap goes past an end of the opening where there is room."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What it is cut from."""


def run(draft: Draft, options: FlapOptions) -> Draft:
    """Sew a flap beside a zipper.

    Raises:
        Refusal: there is no such zipper or no such cloth beside it, or the ends can't be caught in a seam.
    """
    sewn = sewn_zipper(draft, options.zipper)
    side = _side(sewn, options)
    name = f"{sewn.piece.id}-flap"
    both = sewn.host.role != GUSSET and sewn.in_seam("start") and sewn.in_seam("end")
    ends = options.ends or ("seam" if both else "hem")
    if ends == "seam" and sewn.host.role == GUSSET:
        raise Refusal(
            "a flap over a zipper in the gusset has no seam at its ends",
            key="ends",
            source="recipe",
            found=show(ends),
            valid='"hem"',
            todo="hem the ends",
        )
    findings: list[Finding] = []
    if options.height < options.inset + sewn.strip - 1e-6:
        message = (
            f"a flap of {options.height:g} mm doesn't cover the zipper, which needs "
            f"{options.inset + sewn.strip:g} mm. Make it higher."
        )
        findings.append(Finding("warning", "flap-too-low", message, name))
    try:
        if ends == "seam":
            draft = _caught(draft, sewn, side, name, options)
        else:
            draft = _hemmed(draft, sewn, side, name, options)
    except SplitError as error:
        message = (
            f"there is no room on {sewn.host.id} for a flap of {options.height:g} mm beside the zipper: "
            f"{error.reason}. Make it lower, or move the zipper. It is left out."
        )
        findings.append(Finding("error", "flap-no-room", message, sewn.piece.id))
    return draft.with_findings(findings)


def _side(sewn: SewnZipper, options: FlapOptions) -> float:
    """1 if the flap is sewn to the left of the zipper, -1 if to its right."""
    wanted = options.sewn_to or next(name for name in _ABOVE if name in sewn.sides)
    if wanted not in sewn.sides:
        raise Refusal(
            "there is no such cloth beside the zipper",
            key="sewn-to",
            source="recipe",
            found=show(wanted),
            valid=listed(sewn.sides),
            todo=meant(wanted, sewn.sides, "name one of them, or leave it out"),
        )
    return 1.0 if wanted == sewn.sides[0] else -1.0


def _hemmed(draft: Draft, sewn: SewnZipper, side: float, name: str, options: FlapOptions) -> Draft:
    """The flap as a rectangle, hemmed on three sides.

    Raises:
        SplitError: there is no room for it.
    """
    seam = side * (0.5 * sewn.strip + options.inset)
    low, high = room_along(sewn, (seam, seam - side * options.height), options.end_gap)
    low, high = max(low, -options.over_end), min(high, sewn.centre.length + options.over_end)
    if high - low < _SHORTEST:
        raise SplitError(f"only {max(high - low, 0.0):.1f} mm of its length would lie within the edges")
    edges = tuple(
        edge if edge.name == "upper" else replace(edge, finish="hem")
        for edge in rectangle_edges(high - low, options.height)
    )
    flap = _piece(sewn, name, edges, options)
    place = sewn.place(0.5 * (low + high), seam - 0.5 * side * options.height, 0.0 if side > 0.0 else 180.0)
    return sew_on(
        draft, flap, sewn.host.id, place, what="flap", edges=[("upper",)], under=("zipper", "garage", "tab")
    )


def _caught(draft: Draft, sewn: SewnZipper, side: float, name: str, options: FlapOptions) -> Draft:
    """The flap as wide as the panel, its ends caught in the panel's seams.

    Raises:
        SplitError: there is no room for it.
    """
    seam = side * (0.5 * sewn.strip + options.inset)
    lines = sorted([(seam, _SEAM), (seam - side * options.height, _FREE)])
    (below, lower), (above, upper) = lines
    edges = tuple(
        replace(edge, finish="hem") if edge.name == _FREE else edge
        for edge in band_edges(
            sewn.host.edges, sewn.centre.start, sewn.centre.direction, (upper, above), (lower, below)
        )
    )
    flap = _piece(sewn, name, tuple(replace(edge, of="") for edge in edges), options)
    changed = sew_on(
        draft,
        flap,
        sewn.host.id,
        Transform.translation(0.0, 0.0),
        what="flap",
        edges=[(_SEAM,)],
        under=("zipper", "garage", "tab"),
    )
    caught = tuple(
        mated(f"{name}-{edge.name}", sewn.host, edge.of, flap, edge.name, "layer")
        for edge in edges
        if edge.of
    )
    return changed.evolve(seams=(*changed.seams, *caught))


def _piece(sewn: SewnZipper, name: str, edges: tuple[Edge, ...], options: FlapOptions) -> Piece:
    return Piece(
        id=name,
        name=f"flap over {sewn.piece.id}",
        edges=edges,
        material=options.material,
        role="flap",
        body=sewn.host.body,
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="zipper.flap",
            summary="Sew a storm flap over a zipper",
            run=f"{__name__}:run",
            options=f"{__name__}:FlapOptions",
            needs=frozenset({"panels", "features"}),
            uses=frozenset({"materials", "gusset"}),
            adds=frozenset({"features"}),
        ),
    )
