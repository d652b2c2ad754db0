"""`drain.grommet`: a grommet in the gusset where water gathers while the bicycle stands."""

from __future__ import annotations

from math import radians
from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Path, Point, dot, rotate, shifted
from oaktag.pattern import Fitting, Hole, Piece
from oaktag.recipe import Angle, NonNegativeLength, PositiveLength, TubePlace, listed, show
from oaktag_plugins.drafting.bag import bodies_of, piece_id, place_on, rectangle_edges, seam_place, sew_on
from oaktag_plugins.drafting.inside import (
    Layer,
    LayerName,
    corner_distance,
    cut_through,
    layer_of,
    lies_within,
    stadium,
)

GROMMET = "grommet"
"""What the fittings and holes are."""
_WITH = ("strap", "reflective-tape", GROMMET, "stiffener", "port")
_FAR = 1e6  # mm; from so far below the nearest place is the lowest
_ROUNDS = 4  # corrections of the place that it is looked at from


class DrainOptions(Options):
    """Options of `drain.grommet`."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "drain"
    """The drain's name; a bag with several needs one for each."""
    at: TubePlace | None = None
    """Where it is; the lowest place of the bag if left out."""
    slope: Angle = 0.0
    """How far the first tube of the sheet rises to the front while the bicycle stands.

    The sheet's first tube, as a rule the top tube, is drawn level.
    """
    grommet: Annotated[str, Field(min_length=1, max_length=60)] = "grommet-8"
    """The grommet, by its name in the material table."""
    hole: PositiveLength | None = None
    """Diameter to cut; the table's if left out."""
    flange: PositiveLength | None = None
    """Diameter that the grommet covers; the table's if left out."""
    layer: LayerName = "shell"
    """Which skin's gusset it is set into; a lined bag needs one in either."""
    patch_margin: NonNegativeLength = 8.0
    """How far a patch on the inside reaches beyond the flange; 0 for none (common practice, no source)."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What the patch is cut from."""
    join_margin: NonNegativeLength = 10.0
    """How far the flange stays off a join of the gusset (common practice, no source)."""
    body: str | None = None
    """The body that is drained; all of them if left out."""


def run(draft: Draft, options: DrainOptions) -> Draft:
    """Set a grommet into the gusset's centre line, with a patch behind it.

    Raises:
        Refusal: there is no such body, tube or liner, or the grommet's measures aren't known.
    """
    hole = measure_of(draft, options, "hole", options.hole)
    flange = measure_of(draft, options, "flange", options.flange)
    for body in bodies_of(draft, options.body):
        layer = layer_of(draft, body, options.layer)
        if options.at is not None:
            place = place_on(draft, options.at, "at")
            outer = draft.outline_of(body)
            point = outer.path.point_at(seam_place(draft, outer, place, "at").station)
            station = layer.outline.path.nearest(point)[0]
        else:
            station = lowest(layer.outline.path, options.slope)
        draft = drained(draft, layer, station, hole, flange, options)
    return draft


def measure_of(draft: Draft, options: DrainOptions, name: str, own: float | None) -> float:
    """A measure of the grommet, mm: the option's, or the table's.

    Raises:
        Refusal: neither has it.
    """
    if own is not None:
        return own
    material = draft.material(options.grommet)
    value = None if material is None else material.measure(name)
    if value is None:
        known = [m.name for m in draft.materials if m.kind == GROMMET]
        raise Refusal(
            f"the material table has no {name} of this grommet",
            key="grommet",
            source="recipe",
            found=show(options.grommet),
            valid=listed(known) if known else "a grommet of the material table",
            todo=f"name one of them, or give `{name}`",
        )
    return value


def lowest(path: Path, slope: float) -> float:
    """The seam length of an outline's lowest place, mm.

    Of all its places the lowest is nearest to one far below it; looking again from straight below what was
    found makes it exact.

    Args:
        path: closed.
        slope: degrees by which the x axis rises.
    """
    down = rotate((0.0, -1.0), -radians(slope))
    across = (-down[1], down[0])
    beside = dot(path.bounds.centre, across)
    station = 0.0
    for _ in range(_ROUNDS):
        below: Point = shifted(shifted((0.0, 0.0), across, beside), down, _FAR)
        station = path.nearest(below)[0]
        beside = dot(path.point_at(station), across)
    return station


def drained(
    draft: Draft, layer: Layer, station: float, hole: float, flange: float, options: DrainOptions
) -> Draft:
    """The draft with one drain."""
    name = piece_id(layer.body, options.name)
    spot = layer.spot(station)
    if spot is None:
        message = f"{name} is left out: no gusset runs at the lowest place of the bag. Give `at`"
        return draft.with_findings([Finding("error", "drain-no-gusset", message, name)])
    findings: list[Finding] = []
    size = flange + 2.0 * options.patch_margin
    room = spot.to_piece()
    # All that is laid on has to be on the strip: across it, and off its ends.
    if flange > 2.0 * spot.half:
        message = (
            f"{name}: the grommet's flange of {flange:g} mm doesn't fit the gusset, "
            f"{2 * spot.half:.1f} mm wide there. Take a smaller grommet"
        )
        findings.append(Finding("error", "drain-too-wide", message, name))
    left = layer.join_distance(station)
    if left < 0.5 * flange + options.join_margin:
        message = (
            f"{name} is {left:.1f} mm from a join of the gusset; {0.5 * flange + options.join_margin:g} mm "
            "is wanted. Move the join, or give `at`"
        )
        findings.append(Finding("error", "drain-at-join", message, name))
    away, corner = corner_distance(layer.outline, station)
    if away <= 1e-6:
        bend = abs(layer.outline.path.curvature_at(station % layer.outline.path.length))
        if bend * flange > 0.5:
            message = (
                f"{name} is on the round of {corner}, whose radius of {1 / bend:.0f} mm bends a flange of "
                f"{flange:g} mm. Take a smaller grommet, a larger radius, or a place beside it with `at`"
            )
            findings.append(Finding("warning", "drain-on-corner", message, corner))
    round_hole = Hole(name, stadium(hole, hole).transformed(room), GROMMET)
    fitting = Fitting(name, options.grommet, room.apply((0.0, 0.0)), 0.5 * flange, GROMMET)
    draft, at_stiffener = cut_through(draft, spot.piece.id, round_hole)
    findings += at_stiffener
    strip = draft.piece(spot.piece.id)
    draft = draft.replaced(strip.evolve(fittings=(*strip.fittings, fitting)))
    if options.patch_margin > 0.0:
        patch = Piece(
            id=f"{name}-patch",
            name="patch at the drain",
            edges=rectangle_edges(size, size),
            material=options.material,
            role="patch",
            body=layer.body,
            holes=(Hole(name, stadium(hole, hole), GROMMET),),
        )
        covers = patch.seam_line.transformed(room)
        if not lies_within(strip, covers):
            most = max(min(2.0 * spot.half, 2.0 * left) - flange, 0.0) / 2.0
            message = (
                f"{patch.id} reaches over the edge of {strip.id}: {options.patch_margin:g} mm round the "
                f"flange, {most:.1f} mm fit. Take a smaller `patch-margin`"
            )
            findings.append(Finding("error", "drain-patch-over-edge", message, patch.id))
        draft = sew_on(draft, patch, strip.id, room, what="patch", face="inside", under=_WITH)
    return draft.with_findings(findings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="drain.grommet",
            summary="Set a grommet into the lowest place of the gusset",
            run=f"{__name__}:run",
            options=f"{__name__}:DrainOptions",
            needs=frozenset({"outline", "panels", "gusset", "opening"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
