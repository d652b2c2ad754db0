"""`zipper.panel`: a zipper across a side panel, which is cut in two for it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

from pydantic import Field, model_validator

from oaktag import Draft, Finding, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Point, Transform, dot, left_normal, shifted, subtract
from oaktag.pattern import Edge, Piece, Seam
from oaktag.recipe import NonNegativeLength, PositiveLength, refuse_value
from oaktag_plugins.drafting.assembled import (
    band_edges,
    cloth_parts,
    mated,
    part_of,
    restored,
    taken_apart,
)
from oaktag_plugins.drafting.bag import SidePanel, bodies_of, panel, piece_id, to_panel
from oaktag_plugins.drafting.cut_line import LineOptions, line_of
from oaktag_plugins.drafting.split import Split, SplitError, split_outline
from oaktag_plugins.drafting.worked_pieces import zipper_workings
from oaktag_plugins.drafting.zipper import (
    Gauge,
    MisfitError,
    Strip,
    ZipperOptions,
    bias_finding,
    corner_findings,
    gauge_of,
    half_findings,
    obstacle_findings,
    tape_piece,
    visible_line,
    zipper_findings,
    zipper_id,
)

_SAME_AREA = 0.01  # mm²; a strip that lies within one part has the area that it has on the whole
_LEAST_TAB = 1.0  # mm; a tab shorter than that along either of its seams is none


class PanelZipperOptions(LineOptions, ZipperOptions):
    """Options of `zipper.panel`: a line across the panel, the zipper, and where it begins and ends.

    The line is the middle of the zipper. Its start is at the rear, of an upright line at the bottom.
    """

    side: SidePanel = "drive"
    """The panel that it is sewn into."""
    body: str | None = None
    """Which of several bodies; all of them if left out."""
    start: NonNegativeLength = 0.0
    """Of the panel at the zipper's start that is closed by a tab; 0 lets the zipper run into the seam."""
    end: NonNegativeLength = 0.0
    """Of the panel at the zipper's end that is closed by a tab; 0 lets the zipper run into the seam."""
    length: PositiveLength | None = None
    """Of the opening; what is left over is closed by tabs, evenly if neither `start` nor `end` is given."""
    tab_material: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """What the tabs are cut from; as the panel if left out."""

    @model_validator(mode="after")
    def _one_length(self) -> PanelZipperOptions:
        if self.length is not None and self.start > 0.0 and self.end > 0.0:
            raise refuse_value(
                "gives the zipper's length twice",
                "`length` with at most one of `start` and `end`",
                "leave one of the three out",
            )
        return self


@dataclass(frozen=True, slots=True)
class Chord:
    """The middle of the zipper from edge to edge, in the panel's place.

    Attributes:
        origin: where it meets the edge at its start.
        along: unit direction from there to its end.
        length: mm.
        left: what lies to its left: `upper`, of a steep line `front` or `rear`.
        right: what lies to its right.
    """

    origin: Point
    along: Point
    length: float
    left: str
    right: str

    @property
    def place(self) -> Transform:
        """From a drawing of the zipper along +x, from the origin, to its place."""
        angle = math.degrees(math.atan2(self.along[1], self.along[0]))
        return Transform.rotation(angle).then(Transform.translation(*self.origin))


def run(draft: Draft, options: PanelZipperOptions) -> Draft:
    """Sew a zipper into one panel of every body that is asked for.

    Raises:
        Refusal: an option names what isn't there.
    """
    for body in bodies_of(draft, options.body):
        draft = with_zipper(draft, body, options)
    return draft


def with_zipper(draft: Draft, body: str, options: PanelZipperOptions) -> Draft:
    """The draft with a zipper in one body's panel, or with the finding that says why there is none."""
    gauge = gauge_of(draft, options)
    zipper = zipper_id(draft, options, body, f"zipper-{options.side}")
    host = panel(draft, options.side, body)
    try:
        chord = chord_of(draft, host, body, options)
        parent, split = cut_panel(draft, host, chord, gauge)
        cloth = cut_apart(host, parent, split, chord, zipper, gauge, options)
    except MisfitError as misfit:
        return draft.with_findings([misfit.finding(host.id)])
    strip = cloth.strip
    tape, lengths = tape_piece(draft, zipper, host.name, strip, gauge, options, body)
    changed = taken_apart(draft, host, parent, (*cloth.halves, *cloth.tabs.values(), tape))
    marked = changed.piece(host.id)
    marked = marked.evolve(placements=(*marked.placements, visible_line(zipper, strip)))
    seams = (*changed.seams, *zipper_seams(cloth, tape))
    turned, back = chord.place.inverse(), to_panel(draft, options.side, body).inverse()
    halves = [(half, half.seam_line.transformed(turned).bounds.height) for half in cloth.halves]
    ends = {
        end: (point, *strip_corners(strip, end))
        for end, point in (("start", strip.centre.start), ("end", strip.centre.end))
        if end not in cloth.tabs
    }
    bias = bias_finding(host, zipper, chord.along)
    findings = [
        *zipper_findings(tape, lengths, gauge, options),
        *half_findings(zipper, halves, options),
        *corner_findings(zipper, host.edges, ends, options.corner_margin),
        *obstacle_findings(draft, zipper, strip.covers.transformed(back), options.obstacle_reach),
        *(() if bias is None else (bias,)),
        *lined_findings(draft, zipper, body, options),
    ]
    workings = zipper_workings(draft.workings, zipper, gauge.strip, chord.length, margins(chord, options))
    return changed.replaced(marked).evolve(seams=seams).with_findings(findings).with_workings(workings)


def lined_findings(draft: Draft, zipper: str, body: str, options: PanelZipperOptions) -> list[Finding]:
    """Report a liner that was drafted before the zipper, and so is closed behind it."""
    liner = piece_id(body, f"liner-{options.side}")
    if all(piece.id != liner for piece in draft.pieces):
        return []
    message = (
        f"{liner} was drafted before the zipper and isn't cut open for it, so that the zipper opens onto "
        "closed cloth. Put the zipper's stage before `liner.full`."
    )
    return [Finding("error", "zipper-behind-liner", message, zipper)]


def strip_corners(strip: Strip, end: str) -> tuple[Point, Point]:
    """The points at one of a strip's ends where the cloth's seam lines meet the panel's edge."""
    start, direction = strip.centre.start, strip.centre.direction

    def along(point: Point) -> float:
        return dot(subtract(point, start), direction)

    choose = min if end == "start" else max
    left, right = (choose((path.start, path.end), key=along) for _, path in (strip.left, strip.right))
    return left, right


def chord_of(draft: Draft, host: Piece, body: str, options: PanelZipperOptions) -> Chord:
    """Where the middle of the zipper runs across the panel.

    Raises:
        Refusal: an option of the line names what isn't there.
    """
    outline = draft.outline_of(body)
    place = to_panel(draft, options.side, body)
    origin, direction = line_of(draft, outline, options)
    start, ahead = place.apply(origin), place.apply(shifted(origin, direction, 1.0))
    along = subtract(ahead, start)
    try:
        cut = split_outline(host.edges, start, along).left.cut.path
    except SplitError as error:
        box = host.seam_line.bounds
        message = (
            f"the zipper can't cross {host.id}: {error.reason}. Move the line into the panel, which is "
            f"{box.width:.0f} mm long and {box.height:.0f} mm high."
        )
        raise MisfitError("zipper-off-panel", message) from error
    ends = sorted((cut.start, cut.end), key=lambda point: dot(subtract(point, start), along))
    nx, ny = left_normal(direction)
    if abs(ny) >= abs(nx) - 1e-9:
        names = ("upper", "lower") if ny > 0.0 else ("lower", "upper")
    else:
        names = ("front", "rear") if nx > 0.0 else ("rear", "front")
    # A mirror image has on its left what the outline has on its right.
    left, right = names if options.side == "drive" else names[::-1]
    return Chord(ends[0], along, cut.length, left, right)


def cut_panel(draft: Draft, host: Piece, chord: Chord, gauge: Gauge) -> tuple[Piece, Split]:
    """The panel, or the part of it that the whole zipper runs through, and what that is cut into."""
    code = "zipper-off-panel"

    def cut(edges: tuple[Edge, ...]) -> Split:
        return split_outline(edges, chord.origin, chord.along, gauge.strip)

    try:
        whole = cut(host.edges)
    except SplitError as error:
        message = (
            f"the strip of {gauge.strip:g} mm for the zipper doesn't fit {host.id}: {error.reason}. "
            "Move the line away from the edge."
        )
        raise MisfitError(code, message) from error
    if not host.assembled:
        return host, whole
    assert whole.strip is not None
    for part in cloth_parts(draft, host):
        try:
            split = cut(part.edges)
        except SplitError:
            continue
        if split.strip is not None and abs(abs(split.strip.area) - abs(whole.strip.area)) < _SAME_AREA:
            return part, split
    message = (
        f"the zipper would cross a seam between the parts that {host.id} is sewn together from. "
        "Lay it within one of them, or sew it in first and cut the panel again after it."
    )
    raise MisfitError("zipper-across-parts", message)


@dataclass(frozen=True, slots=True)
class Cloth:
    """What a panel becomes when a zipper is sewn into it.

    Attributes:
        halves: to the left and to the right of the zipper.
        tabs: what closes the strip at its ends, by end.
        strip: where the zipper is seen.
    """

    halves: tuple[Piece, Piece]
    tabs: Mapping[str, Piece]
    strip: Strip


def cut_apart(
    host: Piece,
    parent: Piece,
    split: Split,
    chord: Chord,
    zipper: str,
    gauge: Gauge,
    options: PanelZipperOptions,
) -> Cloth:
    """Cut the panel, or a part of it, apart.

    Raises:
        MisfitError: there is no room for the zipper or its tabs.
    """
    start, end = margins(chord, options)
    half_strip = 0.5 * gauge.strip
    sides = (f"{zipper}-{chord.left}", f"{zipper}-{chord.right}")
    band = band_edges(
        parent.edges, chord.origin, chord.along, (sides[0], half_strip), (sides[1], -half_strip)
    )
    tabs: dict[str, Piece] = {}
    for name, margin in (("start", start), ("end", end)):
        if margin > 0.0:
            tab, band = tab_off(band, chord, name, margin, host, zipper)
            tabs[name] = tab.evolve(material=options.tab_material or host.material)
    beside = {edge.name: edge.path for edge in band}
    # The cut edges go by the zipper's id, so that a part may lie between two zippers.
    left, right = (
        part_of(parent, host, name, (Edge(zipper, half.cut.path), *half.edges[1:]))
        for name, half in ((chord.left, split.left), (chord.right, split.right))
    )
    centre = Line(
        shifted(chord.origin, chord.along, start), shifted(chord.origin, chord.along, chord.length - end)
    )
    strip = Strip(
        centre,
        Path(tuple(segment for edge in band for segment in edge.path.segments)),
        (chord.left, beside[sides[0]]),
        (chord.right, beside[sides[1]]),
        {f"tab-{name}": tab.edge(f"{zipper}-tape").path for name, tab in tabs.items()},
    )
    return Cloth((left, right), tabs, strip)


def zipper_seams(cloth: Cloth, tape: Piece) -> tuple[Seam, ...]:
    """The seams between halves, tabs and the zipper."""
    zipper = tape.id
    seams: list[Seam] = []
    for half, (name, _) in zip(cloth.halves, (cloth.strip.left, cloth.strip.right), strict=True):
        seams.append(mated(f"{zipper}-{name}", half, zipper, tape, name, "zipper"))
        seams += (
            mated(f"{tab.id}-{name}", half, zipper, tab, f"{zipper}-{name}", "zipper")
            for tab in cloth.tabs.values()
        )
    seams += (
        mated(f"{tab.id}-tape", tab, f"{zipper}-tape", tape, f"tab-{end}", "zipper")
        for end, tab in cloth.tabs.items()
    )
    return tuple(seams)


def margins(chord: Chord, options: PanelZipperOptions) -> tuple[float, float]:
    """What is closed by tabs at the zipper's start and end, along its middle, mm."""
    start, end = options.start, options.end
    if options.length is not None:
        left = chord.length - options.length - start - end
        if left < -1e-6:
            message = (
                f"the zipper is to be {options.length:g} mm long and begin or end {start + end:g} mm inside, "
                f"and its line across the panel is {chord.length:.1f} mm. Make it "
                f"{max(chord.length - start - end, 0.0):.1f} mm at the most."
            )
            raise MisfitError("zipper-longer-than-edge", message)
        left = max(left, 0.0)
        if start > 0.0:
            end = left
        elif end > 0.0:
            start = left
        else:
            start = end = 0.5 * left
    if start + end >= chord.length:
        message = (
            f"tabs of {start:g} and {end:g} mm leave nothing of the {chord.length:.1f} mm that the line runs "
            "across the panel. Make them shorter."
        )
        raise MisfitError("zipper-longer-than-edge", message)
    return start, end


def tab_off(
    band: tuple[Edge, ...], chord: Chord, name: str, margin: float, host: Piece, zipper: str
) -> tuple[Piece, tuple[Edge, ...]]:
    """The tab at one end of the strip, and what is left of the strip.

    Raises:
        MisfitError: the tab is so short that its inner end would lie beyond the panel's edge.
    """
    at = margin if name == "start" else chord.length - margin
    point = shifted(chord.origin, chord.along, at)
    upright = left_normal(chord.along)
    back = chord.place.inverse()
    slant = 0.0
    for edge in _ends_on(band, chord, name, zipper):
        box = edge.path.transformed(back).bounds
        slant = max(slant, box.max_x if name == "start" else chord.length - box.min_x)
    if margin < slant + _LEAST_TAB:
        message = (
            f"a tab of {margin:g} mm at the {name} doesn't close the strip, whose edge runs slantwise over "
            f"{slant:.1f} mm there. Make `{name}` {math.ceil(slant + 10.0)} mm or more, or 0."
        )
        raise MisfitError("zipper-tab-short", message)
    try:
        cut = split_outline(band, point, upright, cut=f"{zipper}-tape")
    except SplitError as error:
        message = f"the tab at the {name} of {zipper} doesn't fit: {error.reason}."
        raise MisfitError("zipper-tab-short", message) from error
    tab, rest = (cut.left, cut.right) if name == "start" else (cut.right, cut.left)
    sides = {f"{zipper}-{chord.left}", f"{zipper}-{chord.right}"}
    if any(sides - {edge.of or edge.name for edge in half.edges} for half in (tab, rest)):
        message = (
            f"a tab of {margin:g} mm at the {name} reaches the slanting edge at the other end of the "
            f"{chord.length:.1f} mm that the line runs across the panel. Make `{name}` less."
        )
        raise MisfitError("zipper-longer-than-edge", message)
    own = {edge.name for edge in band if not edge.of}
    whole = part_of(host, host, name, restored(tab.edges, own))
    piece = whole.evolve(id=f"{zipper}-tab-{name}", name=f"tab at the {name} of {zipper}", role="tab")
    left_over = (Edge(f"{zipper}-tape-{name}", rest.cut.path), *restored(rest.edges[1:], own))
    return piece, left_over


def _ends_on(band: tuple[Edge, ...], chord: Chord, name: str, zipper: str) -> list[Edge]:
    """The edges of the strip at one of its ends that lie on the panel's edge."""
    middle = 0.5 * chord.length
    found: list[Edge] = []
    for edge in band:
        if edge.name.startswith(f"{zipper}-"):
            continue
        along = dot(subtract(edge.path.point_at(0.5 * edge.length), chord.origin), chord.along)
        if (along < middle) == (name == "start"):
            found.append(edge)
    return found


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="zipper.panel",
            summary="Sew a zipper across a side panel, which is cut in two for it",
            run=f"{__name__}:run",
            options=f"{__name__}:PanelZipperOptions",
            needs=frozenset({"panels", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
