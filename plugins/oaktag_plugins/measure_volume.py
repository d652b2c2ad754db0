"""`measure.volume`: how much the bag holds, computed from the panel and the gusset's width along its seam."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Line, Path, Segment
from oaktag.pattern import Compartment, Piece, SeamSide
from oaktag.pattern.walk import run_length, run_path
from oaktag_plugins.drafting.bag import DRIVE_EDGE
from oaktag_plugins.drafting.harmonic_volume import harmonic_volume
from oaktag_plugins.drafting.worked_pieces import volume_workings

if TYPE_CHECKING:
    from numpy import complex128, float64
    from numpy.typing import NDArray

    Reals = NDArray[float64]
    Complexes = NDArray[complex128]

_GAP = 1e-3  # mm; two runs no further apart meet
_SAME_WIDTH = 1e-9  # mm

LITRE = 1e6
"""Cubic millimetres in a litre."""


class VolumeOptions(Options):
    """Options of `measure.volume`."""

    tolerance: Annotated[float, Field(gt=0, lt=1)] = 0.005
    """Largest share of the volume by which the computation may be off; a smaller one takes longer."""


def run(draft: Draft, options: VolumeOptions) -> Draft:
    """Compute the volume and say how sure it is; a bag of several bodies has theirs and their sum.

    A body whose gusset doesn't go round one panel gets none, nor does the whole bag then.
    """
    bodies = tuple(outline.body for outline in draft.outlines) or ("",)
    measured = {body: body_volume(draft, body, options) for body in bodies}
    findings = [finding for _, told in measured.values() for finding in told]
    litres = [litres for litres, _ in measured.values() if litres is not None]
    if len(litres) < len(bodies):
        return draft.evolve(volume=None).with_findings(findings)
    compartments = draft.compartments
    if len(bodies) > 1:
        compartments = (*compartments, *map(Compartment, bodies, litres))
    workings = [
        working
        for body, holds in zip(bodies, litres, strict=True)
        if (width := constant_width(draft, body)) is not None
        for working in volume_workings(draft, width, holds, body)
    ]
    changed = draft.evolve(volume=sum(litres), compartments=compartments)
    return changed.with_findings(findings).with_workings(workings)


def constant_width(draft: Draft, body: str) -> float | None:
    """The width in mm of a gusset that is as wide all round; None of any other."""
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        return None
    paths = [None if strip is None else run_path(draft, strip) for _, strip in sides]
    segments = [segment for path in paths if path is not None for segment in path.segments]
    widths = [2.0 * abs(y) for segment in segments for _, y in (segment.start, segment.end)]
    straight = None not in paths and all(isinstance(segment, Line) for segment in segments)
    return widths[0] if straight and max(widths) - min(widths) < _SAME_WIDTH else None


def body_volume(draft: Draft, body: str, options: VolumeOptions) -> tuple[float | None, list[Finding]]:
    """What one body holds in litres, None if it can't be computed, and what there is to say about it."""
    sides = gusset_sides(draft, body)
    if isinstance(sides, str):
        message = f"the volume wasn't computed: {sides}"
        return None, [Finding("note", "volume-not-computed", message, body)]
    around, width, joints = seam_width(draft, sides)
    findings: list[Finding] = []
    if any(strip is None for _, strip in sides):
        message = (
            "where the gusset is left off the bag's width is taken straight between the gusset's ends; "
            "what a collar holds isn't counted"
        )
        findings.append(Finding("note", "volume-open", message, body))
    volume = harmonic_volume(around, width, joints, options.tolerance)
    litres, bound = volume.value / LITRE, volume.bound / LITRE
    told = f"computed, not filled: {litres:.1f} l, give or take {max(bound, 0.01):.2f} l from the computation"
    if bound <= options.tolerance * litres:
        finding = Finding("note", "volume-computed", told, body)
    else:
        finding = Finding(
            "warning",
            "volume-uncertain",
            f"{told}: more than {options.tolerance:.1%} of it; look where the gusset's width jumps",
            body,
        )
    return litres, [finding, *findings]


Stretch = tuple[SeamSide, SeamSide | None]
"""A run of the panel and the strip that is sewn to it; None where the gusset is left off."""


def gusset_sides(draft: Draft, body: str = "") -> tuple[Stretch, ...] | str:
    """What joins a body's panel to the gusset's drive side, in the order in which it goes round the panel.

    Returns:
        The panel's runs, each with the strip's, or in words why there are none.
    """
    strips = {piece.id for piece in draft.pieces if piece.body == body}
    pairs = [
        (panel, strip)
        for seam in draft.seams
        for panel, strip in ((seam.a, seam.b), (seam.b, seam.a))
        if seam.kind == "shell" and strip.edges == (DRIVE_EDGE,) and strip.piece in strips
    ]
    if not pairs:
        return f"no panel is sewn to an edge {DRIVE_EDGE!r} of a gusset"
    for _, strip in pairs:
        box = draft.piece(strip.piece).seam_line.bounds
        if abs(box.min_y + box.max_y) > 0.01:
            return f"piece {strip.piece} isn't symmetrical about y = 0, so its width isn't known"
    names = {panel.piece for panel, _ in pairs}
    if len(names) > 1:
        return f"the drive side is made of {len(names)} panels"
    return _around(draft, pairs)


def _around(draft: Draft, pairs: list[tuple[SeamSide, SeamSide]]) -> tuple[Stretch, ...] | str:
    """The seams in the order in which they go round the panel, with what is left open between them."""
    panel = draft.piece(pairs[0][0].piece)
    whole = panel.seam_line.length
    offsets: dict[str, float] = {}
    total = 0.0
    for edge in panel.edges:
        offsets[edge.name] = total
        total += edge.length
    placed = sorted(
        (((offsets[run.edges[0]] + run.start) % whole, run, strip) for run, strip in pairs), key=_first
    )
    at = next(index for index, (_, run, _) in enumerate(placed) if run is pairs[0][0])
    placed = [*placed[at:], *((start + whole, run, strip) for start, run, strip in placed[:at])]
    found: list[Stretch] = []
    for index, (start, run, strip) in enumerate(placed):
        found.append((run, strip))
        end = start + run_length(panel, run)
        following = placed[index + 1][0] if index + 1 < len(placed) else placed[0][0] + whole
        if following - end > _GAP:
            run_open = _edges_between(panel, end % whole, following - end)
            if not run_open:
                return "the gusset doesn't go all round the panel"
            found.append((SeamSide(panel.id, run_open), None))
        elif following - end < -_GAP:
            return "two strips are sewn to one run of the panel"
    return tuple(found)


def _edges_between(panel: Piece, start: float, length: float) -> tuple[str, ...]:
    """The edges that make up a run of a panel; none if it begins or ends within an edge."""
    whole, station = panel.seam_line.length, 0.0
    for at, edge in enumerate(panel.edges):
        if min(abs(station - start), whole - abs(station - start)) < _GAP:
            names: list[str] = []
            left = length
            for following in (*panel.edges[at:], *panel.edges[:at]):
                names.append(following.name)
                left -= following.length
                if abs(left) < _GAP:
                    return tuple(names)
        station += edge.length
    return ()


def _first(entry: tuple[float, SeamSide, SeamSide]) -> float:
    return entry[0]


def seam_width(
    draft: Draft, sides: Sequence[Stretch]
) -> tuple[Path, Callable[[float], float], tuple[float, ...]]:
    """The panel's seam line, the gusset's width at a seam length along it, and where that has joints.

    Args:
        draft: what the sides belong to.
        sides: as `gusset_sides` gives them.

    Returns:
        The closed path; a function from seam length in mm to width in mm; and the seam lengths of the joints
        between the segments of the strip's edge.
    """
    segments: list[Segment] = []
    edges = [None if strip is None else run_path(draft, strip) for _, strip in sides]
    strips: list[tuple[float, float, Path | None, float, float]] = []
    joints: list[float] = []
    start = 0.0
    for index, ((panel, _), edge) in enumerate(zip(sides, edges, strict=True)):
        around = run_path(draft, panel)
        segments += around.segments
        if edge is None:
            before, after = edges[index - 1], edges[(index + 1) % len(edges)]
            assert before is not None
            assert after is not None
            ends = 2.0 * abs(before.end[1]), 2.0 * abs(after.start[1])
            joints += (start, start + around.length)
        else:
            ends = 0.0, 0.0
            # Declared ease is spread over the whole run.
            joints += (start + joint * around.length / edge.length for joint in edge.joints)
        strips.append((start, around.length, edge, *ends))
        start += around.length

    def width(s: float) -> float:
        begin, length, edge, first, last = next(e for e in reversed(strips) if s >= e[0] or e[0] == 0.0)
        share = min(max((s - begin) / length, 0.0), 1.0)
        if edge is None:
            return first + share * (last - first)
        return 2.0 * abs(edge.point_at(share * edge.length)[1])

    return Path(tuple(segments)), width, tuple(joints)


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="measure.volume",
            summary="Compute how much the bag holds",
            run=f"{__name__}:run",
            options=f"{__name__}:VolumeOptions",
            needs=frozenset({"panels", "gusset", "seams"}),
            adds=frozenset({"volume"}),
        ),
    )
