"""`port.hose`: a slit or a hole for a hose or a cable, with a facing round it and a flap over it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Path, Transform
from oaktag.pattern import CORNER_PREFIX, Edge, Finish, Hole, Outline, Piece
from oaktag.recipe import NonNegativeLength, PositiveLength, TubePlace, refuse_value
from oaktag_plugins.drafting.bag import (
    SidePanel,
    bodies_of,
    piece_id,
    place_on,
    rectangle_edges,
    seam_place,
    sew_on,
)
from oaktag_plugins.drafting.inside import (
    Layer,
    LayerName,
    corner_findings,
    cut_through,
    edge_starts,
    largest,
    layer_of,
    lies_within,
    stadium,
)
from oaktag_plugins.drafting.spot import SpotOptions, spot_on_panel

PORT = "port"
"""What holes and placement lines of a port say."""
_WITH = (PORT, "stiffener", "facing", "flap")
_BEFORE_HEAD = 40.0
"""How far before the head's round a port is where the recipe doesn't say, mm (common practice, no source)."""


class PortOptions(Options):
    """Options of `port.hose`."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "port"
    """The port's name; a bag with several ports needs one for each."""
    on: Literal["gusset", "drive", "non-drive"] = "gusset"
    """What it goes through: the `gusset`, or the panel on the `drive` or `non-drive` side."""
    at: TubePlace | None = None
    """Where in the gusset; 40 mm before the round of the head if left out (common practice, no source)."""
    spot: SpotOptions | None = None
    """Where on the panel; in its middle if left out."""
    layer: LayerName = "shell"
    """Which skin it goes through: the `shell`, or the `liner`; a lined bag needs one in either."""
    length: PositiveLength = 30.0
    """Of the slit, or the hole's diameter where `width` is the same (common practice, no source)."""
    width: PositiveLength = 3.0
    """Of the slit; its ends are round (common practice, no source)."""
    direction: Literal["along", "across"] = "across"
    """How the slit lies in the gusset, or to the piece's lower edge on a panel."""
    facing_margin: PositiveLength = 12.0
    """How far the facing reaches beyond the opening, all round (common practice, no source)."""
    facing_face: Literal["inside", "outside"] = "inside"
    """On which face the facing is sewn."""
    flap: bool = True
    """Whether a flap covers it on the outside, sewn down along its upper edge."""
    flap_margin: NonNegativeLength = 6.0
    """How far the flap reaches beyond the opening, all round (common practice, no source)."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What facing and flap are cut from."""
    corner_margin: NonNegativeLength = 15.0
    """How far its middle should stay off the round of a corner (common practice, no source)."""
    body: str | None = None
    """The body that gets it; all of them if left out."""

    @model_validator(mode="after")
    def _sizes(self) -> PortOptions:
        if self.width > self.length:
            raise refuse_value("a slit is wider than it is long", "`width` up to `length`", "swap the two")
        if self.on == "gusset" and self.spot is not None:
            raise refuse_value("`spot` is for panels", "`at` in the gusset", "use `at`, or another `on`")
        if self.on != "gusset" and self.at is not None:
            raise refuse_value("`at` is for the gusset", "`spot` on a panel", "use `spot`, or leave `on` out")
        return self


def run(draft: Draft, options: PortOptions) -> Draft:
    """Cut the opening, sew the facing round it, and the flap above it.

    Raises:
        Refusal: there is no such body, tube, place or corner.
    """
    for body in bodies_of(draft, options.body):
        layer = layer_of(draft, body, options.layer)
        name = piece_id(body, options.name)
        findings: list[Finding] = []
        if options.on == "gusset":
            station = station_of(draft, draft.outline_of(body), options)
            if options.layer == "liner":
                station = layer.outline.path.nearest(draft.outline_of(body).path.point_at(station))[0]
            spot = layer.spot(station)
            if spot is None:
                message = f"{name} is left out: no gusset runs at its place. Give another `at`"
                finding = Finding("error", "port-no-gusset", message, name)
                draft = draft.with_findings([finding])
                continue
            findings += corner_findings(layer, station, "port", name, options.corner_margin)
            turn = uphill(layer, station)
            # Drawn with its upper edge up: in the gusset that is the end of the strip that lies higher.
            draft = with_port(draft, spot.piece.id, spot.to_piece(turn), name, body, options)
        else:
            side: SidePanel = "drive" if options.on == "drive" else "non-drive"
            size = (options.length, options.width)
            wanted = options.spot or SpotOptions()
            place = spot_on_panel(draft, draft.outline_of(body), wanted, size, side, "outside", "spot")
            draft = with_port(draft, layer.panels[side], place, name, body, options)
        draft = draft.with_findings(findings)
    return draft


def station_of(draft: Draft, outline: Outline, options: PortOptions) -> float:
    """The seam length of the port's middle along the outline, mm."""
    if options.at is not None:
        return seam_place(draft, outline, place_on(draft, options.at, "at"), "at").station
    starts = edge_starts(outline)
    corner = f"{CORNER_PREFIX}head"
    first = next((edge.name for edge in outline.edges if edge.is_corner), outline.edges[0].name)
    return (starts.get(corner, starts[first]) - _BEFORE_HEAD) % outline.path.length


def uphill(layer: Layer, station: float) -> float:
    """How far to turn what has its upper edge up so that it is up in the gusset, degrees."""
    tangent = layer.outline.path.tangent_at(station % layer.outline.path.length)
    # Along a level tube the end nearer to the head counts as the upper one.
    rises = tangent[1] > 1e-9 or (abs(tangent[1]) <= 1e-9 and tangent[0] > 0.0)
    return -90.0 if rises else 90.0


def with_port(
    draft: Draft, host_id: str, place: Transform, name: str, body: str, options: PortOptions
) -> Draft:
    """The draft with one port.

    Args:
        draft: has the piece that it goes through.
        host_id: of that piece.
        place: from the port's own place, its upper edge up, to there.
        name: of the port.
        body: that the piece belongs to.
        options: of the stage.
    """
    # In its own place "across" the gusset is level, and so is "along" a panel's lower edge.
    level = (options.direction == "across") == (options.on == "gusset")
    turn = Transform.rotation(0.0 if level else 90.0)
    opening = stadium(options.length, options.width).transformed(turn)
    box = opening.bounds
    draft, findings = cut_through(draft, host_id, Hole(name, opening.transformed(place), PORT))
    host = draft.piece(host_id)
    margin = options.facing_margin
    facing = Piece(
        id=f"{name}-facing",
        name="facing of the port",
        edges=rectangle_edges(box.width + 2.0 * margin, box.height + 2.0 * margin),
        material=options.material,
        role="facing",
        body=body,
        holes=(Hole(name, opening, PORT),),
    )
    findings += over_edge(host, facing.seam_line, place, facing.id, margin, opening)
    draft = sew_on(draft, facing, host_id, place, what=PORT, face=options.facing_face, under=_WITH)
    if options.flap:
        by = options.flap_margin
        shape = rectangle_edges(box.width + 2.0 * by, box.height + 2.0 * by)
        finish: dict[str, Finish] = {"upper": ""}
        flap = Piece(
            id=f"{name}-flap",
            name="flap of the port",
            edges=tuple(Edge(e.name, e.path, finish=finish.get(e.name, "hem")) for e in shape),
            material=options.material,
            role="flap",
            body=body,
            up=90.0,
        )
        findings += over_edge(host, flap.seam_line, place, flap.id, by, opening)
        draft = sew_on(
            draft, flap, host_id, place, what=PORT, edges=[("upper",)], face="outside", under=_WITH
        )
    return draft.with_findings(findings)


def over_edge(
    host: Piece, shape: Path, place: Transform, name: str, margin: float, opening: Path
) -> list[Finding]:
    """Whether a facing or flap reaches over the edge of what it is sewn to, and what margin doesn't."""
    if lies_within(host, shape.transformed(place)):
        return []
    box = opening.bounds

    def fits(by: float) -> bool:
        edges = rectangle_edges(box.width + 2.0 * by, box.height + 2.0 * by)
        path = Path(tuple(segment for edge in edges for segment in edge.path.segments))
        return lies_within(host, path.transformed(place))

    most = largest(fits, margin)
    ask = f"{most:.1f} mm fit" if most else "the opening itself hardly does"
    message = (
        f"{name} reaches over the edge of {host.id} with {margin:g} mm round the opening; {ask}. Move it"
    )
    return [Finding("error", "port-over-edge", message, name)]


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="port.hose",
            summary="Cut a port for a hose or a cable, with facing and flap",
            run=f"{__name__}:run",
            options=f"{__name__}:PortOptions",
            needs=frozenset({"outline", "panels", "gusset", "opening"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
