"""`patch.reinforce`: a second layer where a bag is stressed: corners, zipper ends, straps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field, model_validator

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, Transform, left_normal, scale, shifted
from oaktag.pattern import CORNER_PREFIX, Edge, Face, Outline, Piece, PlacementLine, Seam, SeamSide
from oaktag.recipe import NonNegativeLength, PositiveLength, TubePlace, refuse_value
from oaktag_plugins.drafting.bag import (
    DRIVE_EDGE,
    END_EDGE,
    NON_DRIVE_EDGE,
    START_EDGE,
    SidePanel,
    bodies_of,
    gussets,
    panel,
    piece_id,
    place_on,
    rectangle_edges,
    seam_place,
    sew_on,
    to_panel,
)
from oaktag_plugins.drafting.inside import (
    LINER_DRIVE,
    LINER_NON_DRIVE,
    SIDES,
    Layer,
    edge_starts,
    layer_of,
    lies_within,
    sew_at,
    strip_part,
)
from oaktag_plugins.drafting.split import SplitError, split_outline
from oaktag_plugins.drafting.spot import SpotOptions, corner_point, spot_on_panel
from oaktag_plugins.drain_grommet import lowest

PATCH = "patch"
"""Role of the pieces, and what their placement lines say."""
_WITH = (
    "strap", "anchor-patch", "loop", "zipper", "divider", "pocket", "hook-and-loop", "reflective-tape",
    "stiffener", "grommet", "port", "bolt", "slot", PATCH,
)  # fmt: skip
"""What may lie in the same place: a patch is there to be sewn through."""
_STRAPS = ("strap", "anchor-patch", "loop", "strap-patch")
_ON_EDGE = 1e-3  # mm; a zipper that ends so near to the panel's edge ends there

Where = Literal["zipper-ends", "straps", "bottom", "head"]


class PatchPlace(Options):
    """One patch at a place of its own."""

    on: Literal["gusset", "drive", "non-drive"] = "gusset"
    """What it is sewn to: the `gusset`, or the panel on the `drive` or `non-drive` side."""
    at: TubePlace | None = None
    """Its middle in the gusset."""
    spot: SpotOptions | None = None
    """Where on the panel; in its middle if left out."""
    width: PositiveLength
    """Along the gusset, or along its own lower edge on a panel."""
    height: PositiveLength
    """Across the gusset, or square to its lower edge on a panel."""

    @model_validator(mode="after")
    def _place(self) -> PatchPlace:
        if (self.on == "gusset") == (self.at is None) or (self.on == "gusset" and self.spot is not None):
            raise refuse_value("a patch has no place", "`at` for the gusset, `spot` for a panel", "give it")
        return self


class PatchOptions(Options):
    """Options of `patch.reinforce`."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")] = "patch"
    """What the patches' names begin with; a stage that is used twice needs another."""
    where: tuple[Where, ...] = ("zipper-ends", "straps", "bottom", "head")
    """Where patches are drafted by themselves, as far as the bag has such places.

    `bottom` and `head` are the rounds of the lowest corner and of the head, in both panels and in the gusset.
    """
    corners: tuple[str, ...] = ()
    """Further corners, by name, that get patches like `bottom`."""
    places: tuple[PatchPlace, ...] = ()
    """Patches at places of their own."""
    reach: PositiveLength = 45.0
    """From the middle of a corner's round, or from a zipper's end, to the patch's inner edge.

    45 mm is common practice (no source).
    """
    beyond_round: NonNegativeLength = 20.0
    """How far a patch in the gusset goes on past either end of the round (common practice, no source)."""
    margin: NonNegativeLength = 10.0
    """How far a patch reaches beyond a strap or a zipper, all round (common practice, no source)."""
    face: Face = "inside"
    """On which face patches are sewn."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What they are cut from."""
    body: str | None = None
    """The body that gets them; all of them if left out."""


def run(draft: Draft, options: PatchOptions) -> Draft:
    """Draft patches and sew them on; what lies at a panel's edge is caught in its seam.

    Raises:
        Refusal: there is no such body, corner, tube or place.
    """
    for body in bodies_of(draft, options.body):
        outline = draft.outline_of(body)
        before = draft.pieces, draft.findings
        for corner in corners_of(outline, options):
            for side in SIDES:
                draft = corner_patch(draft, outline, side, corner, options)
            draft = gusset_patch(draft, outline, corner, options)
        if "zipper-ends" in options.where:
            for side in SIDES:
                draft = zipper_patches(draft, side, body, options)
        if "straps" in options.where:
            draft = strap_patches(draft, body, options)
        for number, place in enumerate(options.places, 1):
            draft = own_patch(draft, outline, place, number, options)
        if (draft.pieces, draft.findings) == before:
            message = "no patch was drafted: the bag has none of the places that are asked for"
            finding = Finding("note", "patch-nothing", message, piece_id(body, options.name))
            draft = draft.with_findings([finding])
    return draft


def corners_of(outline: Outline, options: PatchOptions) -> tuple[str, ...]:
    """Names of the corners that get patches."""
    rounds = [edge.name.removeprefix(CORNER_PREFIX) for edge in outline.edges if edge.is_corner]
    found: list[str] = []
    if "bottom" in options.where and rounds:
        bottom = outline.path.point_at(lowest(outline.path, 0.0) % outline.path.length)
        found.append(
            min(rounds, key=lambda name: outline.edge(f"{CORNER_PREFIX}{name}").path.nearest(bottom)[1])
        )
    if "head" in options.where and "head" in rounds:
        found.append("head")
    return tuple(dict.fromkeys([*found, *options.corners]))


def corner_patch(
    draft: Draft, outline: Outline, side: SidePanel, corner: str, options: PatchOptions
) -> Draft:
    """The draft with a patch in the corner of one panel, from its round to a line across its bisector.

    Raises:
        Refusal: there is no such corner.
    """
    name = piece_id(outline.body, f"{options.name}-{side}-{corner}")
    point, inward = corner_point(outline, corner, "corners")
    host = panel(draft, side, outline.body)
    there = to_panel(draft, side, outline.body)
    try:
        split = split_outline(
            outline.edges, shifted(point, inward, options.reach), left_normal(inward), cut="inner"
        )
    except SplitError as error:
        return without(draft, name, f"the line {options.reach:g} mm inside: {error.reason}")
    # To the left of the line lies the corner.
    edges = tuple(Edge(edge.name, edge.path.transformed(there), of=edge.of) for edge in split.left.edges)
    return on_edge(draft, host, edges, name, f"patch, {corner}", options)


def without(draft: Draft, name: str, reason: str) -> Draft:
    """The draft with the finding that a patch is left out."""
    message = f"{name} is left out: {reason}. Take a smaller `reach`"
    return draft.with_findings([Finding("error", "patch-too-large", message, name)])


def on_edge(
    draft: Draft, host: Piece, edges: Sequence[Edge], name: str, words: str, options: PatchOptions
) -> Draft:
    """The draft with a patch that reaches to a piece's edge.

    Args:
        draft: has the piece.
        host: that the patch lies on.
        edges: of the patch, where it lies; those on the piece's own edges have their names in `of`.
        name: id of the patch.
        words: what it is, in plain words.
        options: of the stage.
    """
    own = {edge.name for edge in host.edges}
    outer = [edge.of in own for edge in edges]
    names = [edge.of for edge, is_outer in zip(edges, outer, strict=True) if is_outer]
    if len(set(names)) < len(names) or not names:
        return without(draft, name, "it would reach round the whole panel")
    patch = Piece(
        id=name, name=words, edges=tuple(Edge(edge.name, edge.path) for edge in edges),
        material=options.material, role=PATCH, body=host.body, up=host.up, front=host.front,
    )  # fmt: skip
    draft = draft.evolve(pieces=(*draft.pieces, patch))
    for number, (is_outer, run_edges) in enumerate(runs(edges, outer), 1):
        run_names = tuple(edge.name for edge in run_edges)
        path = Path(tuple(segment for edge in run_edges for segment in edge.path.segments))
        if is_outer:
            first = host.edge(run_edges[0].of).path
            start = first.nearest(path.start)[0]
            a = SeamSide(host.id, tuple(edge.of for edge in run_edges), start, path.length)
            seam = Seam(f"{name}:edge-{number}", a, SeamSide(name, run_names), kind="layer")
            draft = draft.evolve(seams=(*draft.seams, seam))
        else:
            # No ground is taken up: it is cut as the panel is, and whatever lies there is sewn through it.
            line = PlacementLine(f"{name}:{number}", path, PATCH, options.face, under=_WITH)
            draft = sew_at(draft, name, run_names, host.id, line)
    return draft


def runs(edges: Sequence[Edge], outer: Sequence[bool]) -> list[tuple[bool, tuple[Edge, ...]]]:
    """Edges that follow each other round a patch, those on the panel's edge and the others apart."""
    count = len(edges)
    begin = next((at for at in range(count) if outer[at] != outer[at - 1]), 0)
    found: list[tuple[bool, list[Edge]]] = []
    for at in (*range(begin, count), *range(begin)):
        if found and found[-1][0] == outer[at]:
            found[-1][1].append(edges[at])
        else:
            found.append((outer[at], [edges[at]]))
    return [(is_outer, tuple(run_edges)) for is_outer, run_edges in found]


def gusset_patch(draft: Draft, outline: Outline, corner: str, options: PatchOptions) -> Draft:
    """The draft with a patch across the gusset along the round of a corner, caught in both its seams."""
    layer = layer_of(draft, outline.body, "shell")
    name = piece_id(outline.body, f"{options.name}-gusset-{corner}")
    round_ = outline.edge(f"{CORNER_PREFIX}{corner}")
    whole = outline.path.length
    start = edge_starts(outline)[round_.name] - options.beyond_round
    span = round_.length + 2.0 * options.beyond_round
    found = longest_part(layer, start, span, whole)
    if found is None:
        message = f"{name} is left out: no gusset runs round {corner}"
        return draft.with_findings([Finding("note", "patch-no-gusset", message, name)])
    strip, low, high = found
    if high - low < span - 1e-6:
        message = (
            f"{name} meets a join or an end of the gusset; {high - low:.1f} of {span:.1f} mm are drafted. "
            "Move the join, or take a smaller `beyond-round`"
        )
        draft = draft.with_findings([Finding("error", "patch-at-join", message, name)])
    patch = Piece(
        id=name, name=f"patch, {corner}", edges=strip_part(strip, NON_DRIVE_EDGE, low, high),
        material=options.material, role=PATCH, body=outline.body,
    )  # fmt: skip
    draft = draft.evolve(pieces=(*draft.pieces, patch))
    length = strip.edge(NON_DRIVE_EDGE).length
    seams = []
    for edge, own, begin in (
        (NON_DRIVE_EDGE, LINER_NON_DRIVE, low),
        # The other edge runs back along the strip.
        (DRIVE_EDGE, LINER_DRIVE, length - high),
    ):
        a = SeamSide(strip.id, (edge,), begin, patch.edge(own).length)
        seams.append(Seam(f"{name}:{own}", a, SeamSide(name, (own,)), kind="layer"))
    draft = draft.evolve(seams=(*draft.seams, *seams))
    for own in (START_EDGE, END_EDGE):
        # No ground is taken up: it bends round the corner as the gusset does, which it is as wide as.
        line = PlacementLine(f"{name}:{own}", patch.edge(own).path, PATCH, options.face, under=_WITH)
        draft = sew_at(draft, name, (own,), strip.id, line)
    return draft


def longest_part(layer: Layer, start: float, span: float, whole: float) -> tuple[Piece, float, float] | None:
    """The piece of the gusset with most of a run of the outline, and from where to where it has it."""
    best: tuple[float, Piece, float, float] | None = None
    for strip, begin in layer.strips:
        length = strip.edge(layer.edge).length
        for first in ((start - begin) % whole - whole, (start - begin) % whole):
            low, high = max(0.0, first), min(length, first + span)
            if high - low > 1.0 and (best is None or high - low > best[0]):
                best = (high - low, strip, low, high)
    return None if best is None else best[1:]


def zipper_patches(draft: Draft, side: SidePanel, body: str, options: PatchOptions) -> Draft:
    """The draft with patches behind both ends of every zipper in a panel."""
    host = panel(draft, side, body)
    for zipper in host.placements:
        if zipper.what != "zipper" or zipper.covers is None:
            continue
        line = Line(zipper.path.start, zipper.path.end)
        across = zipper.covers.transformed(Transform(complex(*line.direction).conjugate())).bounds
        half = 0.5 * across.height + options.margin
        for word, end, into in (
            ("start", line.start, line.direction),
            ("end", line.end, scale(line.direction, -1.0)),
        ):
            name = f"{options.name}-{zipper.name.partition(':')[0]}-{word}"
            words = f"patch at a zipper's {word}"
            here = draft.piece(host.id)
            if here.seam_line.nearest(end)[1] > _ON_EDGE:
                # It ends within the panel, at a tab: a patch of its own all round.
                shape = rectangle_edges(2.0 * options.reach, 2.0 * half)
                place = Transform(complex(*line.direction), complex(*end))
                patch = Piece(
                    id=name, name=words, edges=shape, material=options.material, role=PATCH, body=body
                )
                draft = flat(draft, patch, here.id, place, options)
                continue
            edges = band_end(here.edges, end, into, half, options.reach)
            if edges is None:
                draft = without(
                    draft, name, f"the line {options.reach:g} mm along the zipper misses the panel"
                )
                continue
            draft = on_edge(draft, here, edges, name, words, options)
    return draft


def band_end(
    edges: tuple[Edge, ...], end: Point, into: Point, half: float, reach: float
) -> tuple[Edge, ...] | None:
    """The end of a band across an outline: so far along it, and so far to either side.

    A side of the band that doesn't meet the outline within that reach cuts nothing off.
    """
    normal = left_normal(into)
    try:
        kept = split_outline(edges, shifted(end, into, reach), normal, cut="inner", least=0.0).left.edges
    except SplitError:
        return None
    for number, (aside, keep_left) in enumerate(((half, False), (-half, True)), 1):
        try:
            split = split_outline(kept, shifted(end, normal, aside), into, cut=f"side-{number}", least=0.0)
        except SplitError:
            continue
        kept = (split.left if keep_left else split.right).edges
    return kept


def flat(draft: Draft, patch: Piece, host: str, place: Transform, options: PatchOptions) -> Draft:
    """The draft with a patch that is sewn down all round."""
    if not lies_within(draft.piece(host), patch.seam_line.transformed(place)):
        box = patch.seam_line.bounds
        message = (
            f"{patch.id}, {box.width:.0f} × {box.height:.0f} mm, reaches over the edge of {host}. "
            "Make it smaller, or move it"
        )
        draft = draft.with_findings([Finding("error", "patch-over-edge", message, patch.id)])
    return sew_on(draft, patch, host, place, what=PATCH, face=options.face, under=_WITH)


def strap_patches(draft: Draft, body: str, options: PatchOptions) -> Draft:
    """The draft with a patch behind everything in the gusset that a strap pulls at."""
    for strip in gussets(draft, body):
        for line in strip.placements:
            if line.what not in _STRAPS or line.covers is None or line.face == options.face:
                continue
            box = line.covers.bounds.expanded(options.margin)
            patch = Piece(
                id=f"{options.name}-{line.name.replace(':', '-')}",
                name="patch behind a strap",
                edges=rectangle_edges(box.width, box.height),
                material=options.material,
                role=PATCH,
                body=body,
            )
            draft = flat(draft, patch, strip.id, Transform.translation(*box.centre), options)
    return draft


def own_patch(draft: Draft, outline: Outline, place: PatchPlace, number: int, options: PatchOptions) -> Draft:
    """The draft with a patch at a place of its own.

    Raises:
        Refusal: there is no such tube, corner or place.
    """
    name = piece_id(outline.body, f"{options.name}-{number}")
    patch = Piece(
        id=name, name="patch", edges=rectangle_edges(place.width, place.height), material=options.material,
        role=PATCH, body=outline.body,
    )  # fmt: skip
    key = f"places[{number - 1}]"
    if place.on == "gusset":
        assert place.at is not None
        station = seam_place(draft, outline, place_on(draft, place.at, f"{key}.at"), f"{key}.at").station
        spot = layer_of(draft, outline.body, "shell").spot(station)
        if spot is None:
            message = f"{name} is left out: no gusset runs at its place"
            return draft.with_findings([Finding("error", "patch-no-gusset", message, name)])
        return flat(draft, patch, spot.piece.id, spot.to_piece(), options)
    size = (place.width, place.height)
    there = spot_on_panel(
        draft, outline, place.spot or SpotOptions(), size, place.on, options.face, f"{key}.spot"
    )
    return flat(draft, patch, panel(draft, place.on, outline.body).id, there, options)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="patch.reinforce",
            summary="Sew patches behind corners, zipper ends and straps",
            run=f"{__name__}:run",
            options=f"{__name__}:PatchOptions",
            needs=frozenset({"outline", "panels", "gusset", "opening"}),
            uses=frozenset({"materials", "features"}),
            adds=frozenset({"features"}),
        ),
    )
