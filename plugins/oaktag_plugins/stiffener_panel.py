"""`stiffener.panel`: foam or board in panels and gusset, cut smaller than the seam line."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import OffsetError, Transform
from oaktag.pattern import Edge, Outline, Piece, PlacementLine
from oaktag.recipe import NonNegativeLength, PerName, PositiveLength
from oaktag_plugins.drafting.bag import (
    END_EDGE,
    START_EDGE,
    SidePanel,
    bodies_of,
    panel,
    piece_id,
    sew_on,
    straight_edges,
)
from oaktag_plugins.drafting.inside import STIFFENER, layer_of, place_line, runs_along, shrunk, strip_part
from oaktag_plugins.drafting.worked_pieces import stiffener_workings

_WITH = (
    "strap", "anchor-patch", "loop", "patch", "reflective-tape", "binding", "divider", "pocket", "port",
    "grommet", "hook-and-loop", "bolt", "flap", "facing",
)  # fmt: skip
"""What may lie in the same place: all that is sewn on through the stiffener or on the other face."""
_NO_CLOTH = ("zipper", "tab")


class StiffenerOptions(Options):
    """Options of `stiffener.panel`."""

    pieces: tuple[Literal["drive", "non-drive", "gusset"], ...] = Field(
        default=("drive", "non-drive"), min_length=1
    )
    """What is stiffened: the panel on the `drive` side, on the `non-drive` side, the `gusset`."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "foam-3"
    """What the stiffeners are cut from: foam or board."""
    hold: Literal["quilted", "slot"] = "quilted"
    """`quilted` down all round, or loose in a `slot` between shell and liner."""
    reduction: PerName[NonNegativeLength] = PerName[NonNegativeLength].uniform(3.0)
    """How far inside the seam line it ends, for all or by edge: a tube, a corner as `corner:head`.

    `zipper` is for edges at zippers, `gusset` for the long edges in the gusset, `end` for the ends there.
    3 mm is common practice (no source).
    """
    tubes: tuple[str, ...] | None = None
    """Tubes along which the gusset is stiffened, from round to round; all if left out."""
    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "stiffener"
    """What the pieces' names begin with; a second layer of stiffeners needs another."""
    longest: PositiveLength | None = None
    """Longest piece of the material that can be had; the table's own if left out."""
    body: str | None = None
    """The body that is stiffened; all of them if left out."""


def run(draft: Draft, options: StiffenerOptions) -> Draft:
    """Draft stiffeners for panels, or parts of panels, and strips between the corners of the gusset.

    Raises:
        Refusal: there is no such body, tube or edge.
    """
    known = [edge.name for outline in draft.outlines for edge in outline.edges]
    names = list(dict.fromkeys([*known, "zipper", "gusset", "end"]))
    reduction = options.reduction.require(names, "reduction", "edge")
    if options.tubes is not None:
        tubes = [edge.name for outline in draft.outlines for edge in straight_edges(outline)]
        PerName[float].model_validate(dict.fromkeys(options.tubes, 0.0) | {"default": 0.0}).require(
            tubes, "tubes", "tube"
        )
    for body in bodies_of(draft, options.body):
        for where in options.pieces:
            if where == "gusset":
                draft = in_gusset(draft, draft.outline_of(body), reduction, options)
            else:
                draft = in_panel(draft, where, body, reduction, options)
    return draft


def in_panel(
    draft: Draft, side: SidePanel, body: str, reduction: PerName[float], options: StiffenerOptions
) -> Draft:
    """The draft with the stiffeners of one panel; of one that is sewn together from parts, one for each."""
    whole = panel(draft, side, body)
    own = {edge.name for edge in whole.edges}

    def distance(edge: str, of: str) -> float:
        name = edge if edge in own else of
        return reduction.get(name if name in own else "zipper")

    hosts = [draft.piece(part) for part in whole.parts if draft.piece(part).role not in _NO_CLOTH] or [whole]
    for number, host in enumerate(hosts, 1):
        by = {edge.name: distance(edge.name, edge.of) for edge in host.edges}
        name = f"{options.name}-{side}" + (f"-{number}" if len(hosts) > 1 else "")
        draft = stiffened(draft, host, host.edges, by.__getitem__, piece_id(body, name), options)
    return draft


def in_gusset(draft: Draft, outline: Outline, reduction: PerName[float], options: StiffenerOptions) -> Draft:
    """The draft with strips in the gusset, from one corner's round to the next, broken at the joins."""
    layer = layer_of(draft, outline.body, "shell")

    def by(name: str) -> float:
        return reduction.get("end" if name in (START_EDGE, END_EDGE) else "gusset")

    for edge in straight_edges(outline):
        if options.tubes is not None and edge.name not in options.tubes:
            continue
        runs = runs_along(layer, edge.name)
        for number, (host, low, high) in enumerate(runs, 1):
            part = strip_part(draft.piece(host), layer.edge, low, high)
            name = f"{options.name}-gusset-{edge.name}" + (f"-{number}" if len(runs) > 1 else "")
            draft = stiffened(draft, draft.piece(host), part, by, piece_id(outline.body, name), options)
    return draft


def stiffened(
    draft: Draft,
    host: Piece,
    edges: Iterable[Edge],
    by: Callable[[str], float],
    name: str,
    options: StiffenerOptions,
) -> Draft:
    """The draft with one stiffener laid on a piece.

    Args:
        draft: has the piece.
        host: that it lies on.
        edges: the outline that it is cut smaller than.
        by: how far inside each edge it ends, mm.
        name: id of the stiffener.
        options: of the stage.
    """
    try:
        inner = shrunk(tuple(edges), by)
    except OffsetError as error:
        message = (
            f"{name} is left out: nothing is left of {host.id} inside its reduction ({error.reason}). "
            "Take a smaller `reduction` there"
        )
        return draft.with_findings([Finding("error", "stiffener-no-room", message, name)])
    piece = Piece(
        id=name,
        name=f"stiffener for {host.name}",
        edges=tuple(Edge(edge.name, edge.path, finish="raw") for edge in inner),
        material=options.material,
        role=STIFFENER,
        body=host.body,
        up=host.up,
        front=host.front,
    )
    reductions = {by(edge.name) for edge in host.edges}
    draft = draft.with_workings(stiffener_workings(draft.workings, host, piece, reductions))
    here = Transform.translation(0.0, 0.0)
    if options.hold == "quilted":
        draft = sew_on(draft, piece, host.id, here, what=STIFFENER, face="inside", under=_WITH)
    else:
        path = piece.seam_line
        line = PlacementLine(name, path, STIFFENER, "inside", path, _WITH)
        draft = place_line(draft.evolve(pieces=(*draft.pieces, piece)), host.id, line)
    return draft.with_findings(too_long(draft, piece, options))


def too_long(draft: Draft, piece: Piece, options: StiffenerOptions) -> list[Finding]:
    """Whether a stiffener is longer than its material can be had."""
    material = draft.material(options.material)
    longest = options.longest or (material.longest if material is not None else 0.0)
    box = piece.seam_line.bounds
    size = max(box.width, box.height)
    if not longest or size <= longest:
        return []
    message = (
        f"{piece.id} is {size:.0f} mm long, and {options.material} can be had {longest:g} mm long. "
        "Join the gusset there, or cut the panel in parts"
    )
    return [Finding("error", "stiffener-too-long", message, piece.id)]


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="stiffener.panel",
            summary="Draft foam or board for panels and gusset",
            run=f"{__name__}:run",
            options=f"{__name__}:StiffenerOptions",
            needs=frozenset({"outline", "panels", "gusset"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
