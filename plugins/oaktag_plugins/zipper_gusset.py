"""`zipper.gusset`: a zipper along the middle of the gusset."""

from __future__ import annotations

from dataclasses import dataclass, replace

from oaktag import Draft, Finding, StageSpec, hookimpl
from oaktag.geometry import Line, Path
from oaktag.pattern import Outline, Piece, Seam
from oaktag.recipe import NonNegativeLength, TubePlace
from oaktag_plugins.drafting.assembled import cloth_parts, mated, part_of, taken_apart
from oaktag_plugins.drafting.bag import (
    DRIVE_EDGE,
    NON_DRIVE_EDGE,
    bodies_of,
    gusset_starts,
    piece_id,
    place_on,
    seam_place,
)
from oaktag_plugins.drafting.obstacles import bodies
from oaktag_plugins.drafting.split import Half, SplitError, split_outline
from oaktag_plugins.drafting.zipper import (
    Gauge,
    MisfitError,
    Strip,
    ZipperOptions,
    across,
    gauge_of,
    half_findings,
    obstacle_finding,
    tape_piece,
    visible_line,
    zipper_findings,
    zipper_id,
)

SIDES = ("non-drive", "drive")
"""What lies left and right of a zipper along the gusset."""
_AT_END = 1e-3  # mm; a zipper that begins so near to a join begins at it


class GussetZipperOptions(ZipperOptions):
    """Options of `zipper.gusset`: the zipper, and from where to where it runs."""

    from_: TubePlace
    """Where it begins."""
    to: TubePlace
    """Where it ends, going on clockwise as seen from the drive side."""
    body: str | None = None
    """Which of several bodies; all of them if left out."""
    least_half: NonNegativeLength = 8.0
    """Narrowest cloth beside the zipper that can be handled (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Run:
    """Where a zipper runs on the gusset.

    Attributes:
        host: the gusset's piece.
        start: seam length along the outline where it begins, mm.
        length: seam length that it runs along, mm.
        x0: along the strip, where it begins, mm.
        x1: along the strip, where it ends, mm.
    """

    host: Piece
    start: float
    length: float
    x0: float
    x1: float


def run(draft: Draft, options: GussetZipperOptions) -> Draft:
    """Sew a zipper into the gusset of every body that is asked for.

    Raises:
        Refusal: an option names what isn't there.
    """
    for body in bodies_of(draft, options.body):
        gauge = gauge_of(draft, options)
        zipper = zipper_id(draft, options, body, "zipper-gusset")
        outline = draft.outline_of(body)
        try:
            place = run_of(draft, outline, options)
            draft = with_zipper(draft, outline, place, zipper, gauge, options)
        except MisfitError as misfit:
            draft = draft.with_findings([misfit.finding(piece_id(body, "gusset"))])
    return draft


def run_of(draft: Draft, outline: Outline, options: GussetZipperOptions) -> Run:
    """Where the zipper runs.

    Raises:
        Refusal: a place isn't on the bag.
        MisfitError: it would run over a join of the gusset, or where there is none.
    """
    first, last = (
        seam_place(draft, outline, place_on(draft, place, key), key)
        for key, place in (("from", options.from_), ("to", options.to))
    )
    whole = outline.path.length
    length = (last.station - first.station) % whole
    for piece, begin in gusset_starts(draft, outline):
        at = (first.station - begin) % whole
        upper = piece.edge(NON_DRIVE_EDGE).path
        if at > upper.length - _AT_END:
            continue
        if at + length > upper.length + _AT_END:
            message = (
                f"the zipper is to run over {length:.1f} mm of seam, and {piece.id} ends after "
                f"{upper.length - at:.1f} mm. Move the gusset's join (`joins` of its stage), or end the "
                "zipper before it."
            )
            raise MisfitError("zipper-over-join", message)
        x0 = upper.point_at(at)[0]
        x1 = upper.point_at(min(at + length, upper.length))[0]
        return Run(piece, first.station, length, x0, x1)
    message = f"the gusset is left off on {options.from_.tube}, where the zipper is to begin."
    raise MisfitError("zipper-off-gusset", message)


def with_zipper(
    draft: Draft, outline: Outline, place: Run, zipper: str, gauge: Gauge, options: GussetZipperOptions
) -> Draft:
    """Cut the gusset apart, sew the zipper between, and say what is wrong with it.

    Raises:
        MisfitError: there is no room for it.
    """
    host = place.host
    if place.x1 - place.x0 < 1.0:
        raise MisfitError("zipper-too-short", "the zipper begins and ends at one place of the gusset.")
    parent = _parent(draft, place)
    try:
        ends, halves = _cut(parent, place, zipper, gauge)
    except SplitError as error:
        narrowest = 2.0 * min(point[1] for point in _above(place, parent).flatten(0.01))
        message = (
            f"the strip of {gauge.strip:g} mm doesn't fit the gusset, which is only {narrowest:.1f} mm wide "
            f"there ({error.reason}). Take a narrower zipper, or make the gusset wider."
        )
        raise MisfitError("zipper-wider-than-gusset", message) from error
    parts = [part_of(parent, host, name, half.edges) for name, half in ends.items()]
    sides = [part_of(parent, host, name, half.edges) for name, half in zip(SIDES, halves, strict=True)]
    centre = Line((place.x0, 0.0), (place.x1, 0.0))
    y = 0.5 * gauge.strip
    covers = Path.polyline(
        ((place.x0, -y), (place.x0, y), (place.x1, y), (place.x1, -y)),
        closed=True,
    )
    lines = [(name, half.cut.path) for name, half in zip(SIDES, halves, strict=True)]
    at = {"start": 0.0, "end": centre.length}
    strip = Strip(centre, covers, lines[0], lines[1], {f"{n}-part": across(centre, at[n], y) for n in ends})
    tape, lengths = tape_piece(draft, zipper, host.name, strip, gauge, options, host.body)
    seams: list[Seam] = []
    for side, name in zip(sides, SIDES, strict=True):
        seams.append(mated(f"{zipper}-{name}", side, zipper, tape, name, "zipper"))
    for part, end in zip(parts, ends, strict=True):
        edge = f"{zipper}-{end}"
        seams += (
            mated(f"{edge}-{name}", part, edge, side, edge, "zipper")
            for side, name in zip(sides, SIDES, strict=True)
        )
        seams.append(mated(f"{edge}-tape", part, edge, tape, f"{end}-part", "zipper"))
    changed = taken_apart(draft, host, parent, (*parts, *sides, tape))
    marked = changed.piece(host.id)
    changed = changed.replaced(
        marked.evolve(placements=(*marked.placements, visible_line(zipper, strip)))
    ).evolve(seams=(*changed.seams, *seams))
    widths = [(side, _narrowest(side, gauge)) for side in sides]
    findings = zipper_findings(tape, lengths, gauge, options)
    findings += half_findings(zipper, widths, options)
    findings += join_findings(place, zipper, options)
    findings += corner_findings(outline, place, zipper, options)
    findings += obstacle_findings(draft, outline, place, zipper, options)
    return changed.with_findings(findings)


def _parent(draft: Draft, place: Run) -> Piece:
    """The gusset's piece, or the part of it that the whole zipper runs in."""
    for part in cloth_parts(draft, place.host):
        box = part.seam_line.bounds
        names = {edge.name for edge in part.edges}
        if (
            {NON_DRIVE_EDGE, DRIVE_EDGE} <= names
            and box.min_x - _AT_END <= place.x0
            and place.x1 <= box.max_x + _AT_END
        ):
            return part
    message = (
        f"the zipper would cross a seam between the parts that {place.host.id} is sewn together from. "
        "Lay it within one of them."
    )
    raise MisfitError("zipper-across-parts", message)


def _cut(parent: Piece, place: Run, zipper: str, gauge: Gauge) -> tuple[dict[str, Half], tuple[Half, Half]]:
    """What is left at the zipper's ends, by end, and the cloth on either side of it.

    Raises:
        SplitError: the strip doesn't fit.
    """
    box = parent.seam_line.bounds
    ends: dict[str, Half] = {}
    edges = parent.edges
    if place.x0 > box.min_x + _AT_END:
        cut = split_outline(edges, (place.x0, 0.0), (0.0, 1.0), cut=f"{zipper}-start")
        ends["start"], edges = cut.left, cut.right.edges
    if place.x1 < box.max_x - _AT_END:
        cut = split_outline(edges, (place.x1, 0.0), (0.0, 1.0), cut=f"{zipper}-end")
        ends["end"], edges = cut.right, cut.left.edges
    sides = split_outline(edges, (place.x0, 0.0), (1.0, 0.0), gauge.strip, cut=zipper)
    return ends, (sides.left, sides.right)


def _above(place: Run, parent: Piece) -> Path:
    """The gusset's edge on the non-drive side over the zipper."""
    upper = parent.edge(NON_DRIVE_EDGE).path
    first, last = (upper.nearest((x, upper.bounds.max_y))[0] for x in (place.x0, place.x1))
    return upper.between(first, last)


def _narrowest(side: Piece, gauge: Gauge) -> float:
    """Least width of the cloth on one side of the zipper, mm."""
    name = next(edge.name for edge in side.edges if edge.of in (NON_DRIVE_EDGE, DRIVE_EDGE))
    points = side.edge(name).path.flatten(0.01)
    return min(abs(y) for _, y in points) - 0.5 * gauge.strip


def join_findings(place: Run, zipper: str, options: GussetZipperOptions) -> list[Finding]:
    """Report a zipper that comes near to a join of the gusset."""
    box = place.host.seam_line.bounds
    found: list[Finding] = []
    for end, left in (("start", place.x0 - box.min_x), ("end", box.max_x - place.x1)):
        if left < options.corner_margin - 1e-6:
            message = (
                f"the {end} of the zipper comes to {left:.1f} mm from a join of the gusset; "
                f"{options.corner_margin:g} mm is wanted. Move the join, or the zipper's {end}."
            )
            found.append(Finding("warning", "zipper-near-join", message, zipper))
    return found


def corner_findings(outline: Outline, place: Run, zipper: str, options: GussetZipperOptions) -> list[Finding]:
    """Report a zipper that goes round a corner, or ends near to one."""
    whole = outline.path.length
    found: list[Finding] = []
    begin = 0.0
    for edge in outline.edges:
        if edge.is_corner:
            corner = edge.name.partition(":")[2]
            # Counted from the zipper's start; the round may lie across it.
            low = (begin - place.start) % whole
            high = low + edge.length
            if low < place.length - 1e-6 or high > whole + 1e-6:
                message = (
                    f"the zipper runs over the round at {corner}: its sliders have to go round the bend, and "
                    "the tape strains there. Use coil, and a large radius; or end it before the corner."
                )
                found.append(Finding("warning", "zipper-on-corner", message, zipper))
            else:
                for end, left in (("end", low - place.length), ("start", whole - high)):
                    if left < options.corner_margin - 1e-6:
                        message = (
                            f"the {end} of the zipper comes to {left:.1f} mm from the round at {corner}; "
                            f"{options.corner_margin:g} mm is wanted. Move it."
                        )
                        found.append(Finding("warning", "zipper-near-corner", message, zipper))
        begin += edge.length
    return found


def obstacle_findings(
    draft: Draft, outline: Outline, place: Run, zipper: str, options: GussetZipperOptions
) -> list[Finding]:
    """Report things on the tubes that the zipper passes under, and holes that it would be cut by."""
    assert draft.opening is not None
    whole = outline.path.length
    found: list[Finding] = []
    for treatment in ("notch", "hole"):
        for body in bodies(draft.frame.obstacles, draft.opening, treatment):
            half = 0.5 * body.obstacle.length
            station, away = outline.path.nearest(body.foot)
            if away - body.obstacle.height >= options.obstacle_reach:
                continue  # it stands at another body
            middle = (station - place.start) % whole
            near = min(middle - place.length, whole - middle) - half
            if middle <= place.length:
                near = -half
            if near >= options.obstacle_reach - 1e-6:
                continue
            finding = obstacle_finding(zipper, body.obstacle, near, options.obstacle_reach)
            if treatment == "hole" and near < body.obstacle.clearance:
                finding = replace(finding, level="error")
            found.append(finding)
    return found


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="zipper.gusset",
            summary="Sew a zipper along the middle of the gusset",
            run=f"{__name__}:run",
            options=f"{__name__}:GussetZipperOptions",
            needs=frozenset({"panels", "gusset", "outline", "opening"}),
            uses=frozenset({"materials"}),
            adds=frozenset({"features"}),
        ),
    )
