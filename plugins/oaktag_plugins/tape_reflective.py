"""`tape.reflective`: strips of reflective tape on the outside of panels and gusset."""

from __future__ import annotations

from math import atan2, degrees
from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Point, Transform, dot, left_normal, shifted, subtract
from oaktag.pattern import Edge, Outline, Piece
from oaktag.recipe import Length, NonNegativeLength, PerName, PositiveLength, refuse_value
from oaktag_plugins.drafting.bag import (
    SidePanel,
    bodies_of,
    piece_id,
    rectangle_edges,
    sew_on,
    straight_edges,
    to_panel,
)
from oaktag_plugins.drafting.cut_line import LineOptions, line_of
from oaktag_plugins.drafting.inside import chord_across, layer_of, lies_within, runs_along
from oaktag_plugins.drafting.split import SplitError

TAPE = "reflective-tape"
"""Role of the pieces, and what their placement lines say."""
_WITH = ("patch", "stiffener", "divider", "hook-and-loop", "pocket", "strap")
_SHORTEST = 10.0  # mm; a shorter strip isn't worth sewing


class TapeOptions(Options):
    """Options of `tape.reflective`."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "reflective"
    """The strip's name; a bag with several needs one for each."""
    on: tuple[Literal["gusset", "drive", "non-drive"], ...] = Field(
        default=("drive", "non-drive"), min_length=1
    )
    """What it is sewn to: the panels on the `drive` and `non-drive` side, the `gusset`."""
    line: LineOptions | None = None
    """The strip's middle on the panels."""
    tubes: tuple[str, ...] = ()
    """The tubes along which strips are sewn to the gusset, from round to round."""
    across: Length = 0.0
    """How far off the gusset's centre line, to the non-drive side."""
    length: PositiveLength | None = None
    """Of a strip, about the middle of its run; as long as its run if left out."""
    end_margin: NonNegativeLength = 10.0
    """How far a strip ends before the seam line, a round or a join (common practice, no source)."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "reflective-tape-25"
    """The tape, by its name in the material table."""
    width: PositiveLength | None = None
    """Of the tape; the table's if left out, 25 mm if that has none."""
    body: str | None = None
    """The body that gets it; all of them if left out."""

    @model_validator(mode="after")
    def _places(self) -> TapeOptions:
        if self.line is None and ("drive" in self.on or "non-drive" in self.on):
            raise refuse_value("no line for the panels", "`line`", "give it, or leave the panels out of `on`")
        if not self.tubes and "gusset" in self.on:
            raise refuse_value("no tubes for the gusset", "`tubes`", "name them, or leave it out of `on`")
        return self


def run(draft: Draft, options: TapeOptions) -> Draft:
    """Draft the strips and sew them on all round.

    Raises:
        Refusal: there is no such body or tube.
    """
    material = draft.material(options.material)
    width = options.width or (material.width if material is not None else 0.0) or 25.0
    tubes = [edge.name for outline in draft.outlines for edge in straight_edges(outline)]
    PerName[float].model_validate(dict.fromkeys(options.tubes, 0.0) | {"default": 0.0}).require(
        tubes, "tubes", "tube"
    )
    for body in bodies_of(draft, options.body):
        outline = draft.outline_of(body)
        for side in options.on:
            if side == "gusset":
                draft = on_gusset(draft, outline, width, options)
            else:
                draft = on_panel(draft, outline, side, width, options)
    return draft


def on_panel(draft: Draft, outline: Outline, side: SidePanel, width: float, options: TapeOptions) -> Draft:
    """The draft with a strip across one panel."""
    assert options.line is not None
    name = piece_id(outline.body, f"{options.name}-{side}")
    origin, direction = line_of(draft, outline, options.line, "line")
    try:
        low, high = room_along(outline, origin, direction, width)
    except SplitError as error:
        message = f"{name} is left out: {error.reason}, {0.5 * width:g} mm beside its line. Move the line"
        return draft.with_findings([Finding("error", "tape-outside", message, name)])
    middle = shifted(origin, direction, 0.5 * (low + high))
    flip = Transform.mirror_x() if side == "non-drive" else Transform.translation(0.0, 0.0)
    turn = Transform.rotation(degrees(atan2(direction[1], direction[0])))
    place = flip.then(turn).then(Transform.translation(*middle)).then(to_panel(draft, side, outline.body))
    host = piece_id(outline.body, f"side-panel-{side}")
    return with_strip(draft, host, place, high - low, width, name, options)


def room_along(outline: Outline, origin: Point, direction: Point, width: float) -> tuple[float, float]:
    """Between which distances along a line a strip about it stays within an outline.

    Raises:
        SplitError: the line, or an edge of the strip, misses the outline or crosses it more than twice.
    """
    normal = left_normal(direction)
    ends: list[tuple[float, float]] = []
    for aside in (-0.5 * width, 0.0, 0.5 * width):
        line = chord_across(outline, shifted(origin, normal, aside), direction).line
        ends.append(
            (dot(subtract(line.start, origin), direction), dot(subtract(line.end, origin), direction))
        )
    return max(first for first, _ in ends), min(last for _, last in ends)


def on_gusset(draft: Draft, outline: Outline, width: float, options: TapeOptions) -> Draft:
    """The draft with strips along the gusset."""
    layer = layer_of(draft, outline.body, "shell")
    names = {edge.name for edge in outline.edges}
    for tube in (tube for tube in options.tubes if tube in names):
        runs = runs_along(layer, tube)
        for number, (host, low, high) in enumerate(runs, 1):
            part = f"-{number}" if len(runs) > 1 else ""
            name = piece_id(outline.body, f"{options.name}-gusset-{tube}{part}")
            upper = draft.piece(host).edge(layer.edge).path
            first, last = upper.point_at(low)[0], upper.point_at(high)[0]
            place = Transform.translation(0.5 * (first + last), options.across)
            draft = with_strip(draft, host, place, last - first, width, name, options)
    return draft


def with_strip(
    draft: Draft, host: str, place: Transform, room: float, width: float, name: str, options: TapeOptions
) -> Draft:
    """The draft with one strip.

    Args:
        draft: has the piece that it is sewn to.
        host: id of that piece.
        place: from the strip's own place, along x about the origin, to there.
        room: length of its run, mm.
        width: of the tape, mm.
        name: id of the strip.
        options: of the stage.
    """
    most = room - 2.0 * options.end_margin
    length = most if options.length is None else options.length
    if length < _SHORTEST:
        message = (
            f"{name} is left out: its run is {max(room, 0.0):.1f} mm long, {max(most, 0.0):.1f} mm without "
            "the margins. Move it, or take narrower tape"
        )
        return draft.with_findings([Finding("error", "tape-short", message, name)])
    piece = Piece(
        id=name,
        name="reflective tape",
        edges=tuple(Edge(edge.name, edge.path, finish="raw") for edge in rectangle_edges(length, width)),
        material=options.material,
        role=TAPE,
        body=draft.piece(host).body,
    )
    findings: list[Finding] = []
    if length > most + 1e-6:
        message = (
            f"{name} is {length:g} mm long, and {most:.1f} mm fit its run with {options.end_margin:g} mm at "
            "either end. Make it shorter"
        )
        findings.append(Finding("warning", "tape-long", message, name))
    if not lies_within(draft.piece(host), piece.seam_line.transformed(place)):
        message = (
            f"{name}, {width:g} mm wide, reaches over the edge of {host}. Move it, or take narrower tape"
        )
        findings.append(Finding("error", "tape-over-edge", message, name))
    draft = sew_on(draft, piece, host, place, what=TAPE, face="outside", under=_WITH)
    return draft.with_findings(findings)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="tape.reflective",
            summary="Sew reflective tape onto panels and gusset",
            run=f"{__name__}:run",
            options=f"{__name__}:TapeOptions",
            needs=frozenset({"outline", "panels", "gusset", "opening"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
