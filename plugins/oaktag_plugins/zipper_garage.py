"""`zipper.garage`: small pieces of cloth over a zipper's ends, under which the sliders rest."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Transform, left_normal
from oaktag.pattern import Edge, Piece
from oaktag.recipe import NonNegativeLength, PositiveLength
from oaktag_plugins.drafting.assembled import band_edges, mated, restored
from oaktag_plugins.drafting.bag import rectangle_edges, sew_on
from oaktag_plugins.drafting.split import SplitError, split_outline
from oaktag_plugins.drafting.zipper import End, SewnZipper, room_along, sewn_zipper

_OVER_SLIDER = 20.0
"""Longer than the slider, mm, if the recipe doesn't say: for stop and pull (common practice, no source)."""
_SLIDER = 15.0
"""Length of a slider, mm, where the material table doesn't say (common practice, no source)."""
_SHORTEST = 8.0  # mm; a shorter side holds no more than a few stitches
_LEFT, _RIGHT, _MOUTH = "garage-left", "garage-right", "garage-mouth"
_UNDER = ("zipper", "flap", "tab")


class GarageOptions(Options):
    """Options of `zipper.garage`."""

    zipper: str | None = None
    """Id of the zipper; may be left out where there is one."""
    at: Literal["start", "end", "both"] = "end"
    """The zipper's ends that get one."""
    length: PositiveLength | None = None
    """Of the opening that it covers; if left out the slider and 20 mm (common practice, no source)."""
    beside: NonNegativeLength = 8.0
    """Sewn down this far outside the zipper's seam lines (common practice, no source)."""
    end_gap: NonNegativeLength = 2.0
    """Between it and the panel's seam line, where the zipper ends inside (common practice, no source)."""
    over_end: NonNegativeLength = 10.0
    """How far it goes past the end of the opening where there is room; a zipper that runs into the seam takes
    its garage along."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What it is cut from."""


def run(draft: Draft, options: GarageOptions) -> Draft:
    """Sew a garage over one end of a zipper, or over both.

    Raises:
        Refusal: there is no such zipper.
    """
    sewn = sewn_zipper(draft, options.zipper)
    entry = draft.material(sewn.piece.material)
    slider = (entry.measure("slider-length") if entry is not None else None) or _SLIDER
    length = options.length or slider + _OVER_SLIDER
    findings: list[Finding] = []
    count = 2 if options.at == "both" else 1
    if count * length > sewn.centre.length:
        message = (
            f"{count} of {length:g} mm cover the whole opening of {sewn.centre.length:.1f} mm: the slider "
            "can't be reached. Make `length` shorter."
        )
        findings.append(Finding("error", "garage-too-long", message, sewn.piece.id))
    ends: tuple[End, ...] = ("start", "end")
    for end in ends:
        if options.at not in (end, "both"):
            continue
        try:
            draft = _over(draft, sewn, end, length, options)
        except SplitError as error:
            message = (
                f"there is no room for a garage at the {end} of the zipper: {error.reason}. Make `beside` "
                "less, or move the zipper. It is left out."
            )
            findings.append(Finding("error", "garage-no-room", message, sewn.piece.id))
    return draft.with_findings(findings)


def _over(draft: Draft, sewn: SewnZipper, end: End, length: float, options: GarageOptions) -> Draft:
    """The draft with a garage over one end.

    Raises:
        SplitError: there is no room for it.
    """
    if sewn.in_seam(end):
        return _caught(draft, sewn, end, length, options)
    height = sewn.strip + 2.0 * options.beside
    low, high = room_along(sewn, (0.5 * height, -0.5 * height), options.end_gap)
    opening = sewn.centre.length
    if end == "start":
        first, last = max(low, -options.over_end), min(high, length)
    else:
        first, last = max(low, opening - length), min(high, opening + options.over_end)
    if last - first < _SHORTEST:
        raise SplitError(f"only {max(last - first, 0.0):.1f} mm of it would lie within the edges")
    edges = tuple(
        replace(edge, finish="hem") if edge.name == "left" else edge
        for edge in rectangle_edges(last - first, height)
    )
    place = sewn.place(0.5 * (first + last), 0.0, 180.0 if end == "start" else 0.0)
    return sew_on(
        draft,
        _piece(sewn, end, edges, options),
        sewn.host.id,
        place,
        what="garage",
        edges=[("lower", "right", "upper")],
        under=_UNDER,
    )


def _caught(draft: Draft, sewn: SewnZipper, end: End, length: float, options: GarageOptions) -> Draft:
    """The draft with a garage that runs on into the seams, as the zipper does.

    Raises:
        SplitError: there is no room for it.
    """
    half = 0.5 * sewn.strip + options.beside
    line = sewn.centre
    band = band_edges(sewn.host.edges, line.start, line.direction, (_LEFT, half), (_RIGHT, -half))
    at = length if end == "start" else line.length - length
    cut = split_outline(band, sewn.point(at, 0.0), left_normal(line.direction), cut=_MOUTH)
    part = restored((cut.left if end == "start" else cut.right).edges, {_LEFT, _RIGHT})
    edges = tuple(replace(edge, finish="hem") if edge.name == _MOUTH else edge for edge in part)
    shortest = min(edge.length for edge in edges if edge.name in (_LEFT, _RIGHT))
    if {_LEFT, _RIGHT} - {edge.name for edge in edges} or shortest < _SHORTEST:
        raise SplitError(f"only {shortest:.1f} mm of its sides would be sewn down beside the slanting seam")
    piece = _piece(sewn, end, tuple(replace(edge, of="") for edge in edges), options)
    changed = sew_on(
        draft,
        piece,
        sewn.host.id,
        Transform.translation(0.0, 0.0),
        what="garage",
        edges=[(_LEFT,), (_RIGHT,)],
        under=_UNDER,
    )
    host = changed.piece(sewn.host.id)
    caught = tuple(
        mated(f"{piece.id}-{edge.name}", host, edge.of, piece, edge.name, "layer")
        for edge in edges
        if edge.of
    )
    return changed.evolve(seams=(*changed.seams, *caught))


def _piece(sewn: SewnZipper, end: End, edges: tuple[Edge, ...], options: GarageOptions) -> Piece:
    return Piece(
        id=f"{sewn.piece.id}-garage-{end}",
        name=f"garage at the {end} of {sewn.piece.id}",
        edges=edges,
        material=options.material,
        role="garage",
        body=sewn.host.body,
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="zipper.garage",
            summary="Hide a zipper's slider under a piece of cloth at its end",
            run=f"{__name__}:run",
            options=f"{__name__}:GarageOptions",
            needs=frozenset({"panels", "features"}),
            uses=frozenset({"materials", "gusset"}),
            adds=frozenset({"features"}),
        ),
    )
