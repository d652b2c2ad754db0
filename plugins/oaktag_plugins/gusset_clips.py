"""`gusset.clips`: marks for clipping the gusset's allowance where the strip has to open round a corner."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import degrees
from typing import Annotated

from pydantic import Field

from oaktag import Draft, Finding, Options, StageSpec, hookimpl
from oaktag.geometry import Arc, Line, Path, left_normal, shifted, signed_angle
from oaktag.pattern import CORNER_PREFIX, Mark, Piece, Seam
from oaktag.pattern.walk import run_length
from oaktag.recipe import NonNegativeLength, PositiveLength, listed
from oaktag_plugins.drafting.bag import GUSSET, PANEL, bodies_of, piece_id
from oaktag_plugins.drafting.strips import TIGHT
from oaktag_plugins.drafting.turn_of_cloth import turning

_SHARP = 5.0  # degrees; edges that meet at a smaller angle make no corner
_NONE = 1e-6  # mm


class ClipsOptions(Options):
    """Options of `gusset.clips`."""

    opening: PositiveLength = 1.5
    """How far one clip opens, mm (common practice, no source).

    Round the angle φ an allowance a has to open by a·φ.
    """
    short: NonNegativeLength = 3.0
    """How far short of the stitching a clip ends, mm (at least 3 mm: maeviary.com/seam-allowances)."""
    closest: NonNegativeLength = 2.0
    """Clips nearer to each other leave little cloth between them, mm (common practice, no source)."""
    body: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """The body whose corners are clipped; all of them if left out."""


@dataclass(frozen=True, slots=True)
class Round:
    """A bend of a panel's edge.

    Attributes:
        name: of the edge, or of both edges that meet in a sharp corner.
        start: seam length from the start of the panel's first edge, mm.
        length: mm; 0 at a sharp corner.
        angle: radians; positive where the panel is convex.
    """

    name: str
    start: float
    length: float
    angle: float


@dataclass(frozen=True, slots=True)
class Clips:
    """Clips along one edge of one piece.

    Attributes:
        corner: the round's name, after the body's where a bag has several.
        angle: of the round, degrees, without its sign.
        piece: id of the piece whose allowance is clipped.
        edge: its edge.
        count: how many.
        apart: distance along the seam from one to the next, mm.
        allowance: of the edge, mm.
        spread: how far it has to open, mm.
    """

    corner: str
    angle: float
    piece: str
    edge: str
    count: int
    apart: float
    allowance: float
    spread: float


def run(draft: Draft, options: ClipsOptions) -> Draft:
    """Mark the clips: on the gusset round convex corners, on the panel in hollow ones.

    Raises:
        Refusal: there is no body of that name.
    """
    drawn: list[tuple[Clips, tuple[Mark, ...]]] = []
    wanted = bodies_of(draft, options.body)
    hollow_done: set[str] = set()
    for seam in draft.seams:
        panel, strip = draft.piece(seam.a.piece), draft.piece(seam.b.piece)
        if seam.kind != "shell" or panel.role != PANEL or strip.role != GUSSET or panel.body not in wanted:
            continue
        for bend in rounds_of(panel):
            if bend.angle > 0.0:
                drawn += [
                    clipped(strip, edge, at, part, bend, options)
                    for edge, at, part in on_strip(draft, seam, bend)
                ]
            elif panel.id not in hollow_done:
                edge, at = edge_of(panel, bend.start)
                drawn.append(clipped(panel, edge, at, bend.length, bend, options))
        hollow_done.add(panel.id)
    marks: dict[str, list[Mark]] = {}
    for clips, lines in drawn:
        marks.setdefault(clips.piece, []).extend(lines)
    pieces = tuple(piece.evolve(marks=(*piece.marks, *marks.get(piece.id, ()))) for piece in draft.pieces)
    return draft.evolve(pieces=pieces).with_findings(clip_findings([clips for clips, _ in drawn], options))


def rounds_of(panel: Piece) -> tuple[Round, ...]:
    """The bends of a panel's seam line: rounds of corners, other tight rounds, sharp corners."""
    sense = -1.0 if panel.seam_line.clockwise else 1.0
    found: list[Round] = []
    start = 0.0
    for index, edge in enumerate(panel.edges):
        at = start
        for number, segment in enumerate(edge.path.segments):
            if isinstance(segment, Arc) and (edge.is_corner or segment.radius < TIGHT):
                found.append(Round(edge.name, at, segment.length, sense * segment.sweep))
            elif edge.is_corner and not isinstance(segment, Line):
                found.append(Round(edge.name, at, segment.length, sense * turning(Path((segment,)))))
            at += segment.length
            if number + 1 < len(edge.path.segments):
                following, name = edge.path.segments[number + 1], edge.name
            else:
                after = panel.edges[(index + 1) % len(panel.edges)]
                following, name = after.path.segments[0], f"{edge.name} to {after.name}"
            angle = sense * signed_angle(segment.tangent_at(segment.length), following.tangent_at(0.0))
            if abs(degrees(angle)) > _SHARP:
                found.append(Round(name, at, 0.0, angle))
        start += edge.length
    return tuple(found)


def on_strip(draft: Draft, seam: Seam, bend: Round) -> Iterable[tuple[str, float, float]]:
    """Where a panel's bend comes to lie on the gusset.

    Args:
        draft: has the pieces.
        seam: of the panel (side a) and the gusset (side b).
        bend: of the panel.

    Yields:
        Name of the strip's edge; seam length from that edge's start, mm; and length, mm.
    """
    panel, strip = draft.piece(seam.a.piece), draft.piece(seam.b.piece)
    whole = sum(edge.length for edge in panel.edges)
    first = 0.0
    for edge in panel.edges:
        if edge.name == seam.a.edges[0]:
            break
        first += edge.length
    begin, length = first + seam.a.start, run_length(panel, seam.a)
    for turn in (-whole, 0.0, whole):
        low = max(bend.start + turn - begin, 0.0)
        high = min(bend.start + bend.length + turn - begin, length)
        # At its very ends a strip opens by itself.
        inside = high - low > _NONE if bend.length > 0.0 else _NONE < low <= high < length - _NONE
        if not inside:
            continue
        if seam.a.reverse:
            low, high = length - high, length - low
        (edge_name,) = seam.b.edges
        own = strip.edge(edge_name).length
        ease = (own if seam.b.length is None else seam.b.length) / length
        low, high = low * ease, high * ease
        if seam.b.reverse:
            total = own if seam.b.length is None else seam.b.length
            low, high = total - high, total - low
        yield edge_name, seam.b.start + low, high - low


def edge_of(panel: Piece, station: float) -> tuple[str, float]:
    """The panel's edge at a seam length, and the distance along that edge, mm."""
    for edge in panel.edges:
        if station < edge.length - _NONE:
            return edge.name, station
        station -= edge.length
    return panel.edges[0].name, max(station, 0.0)


def clip_count(spread: float, opening: float, *, sharp: bool) -> int:
    """How many clips let an allowance open by so much: an even number, which keeps the middle for a notch.

    Args:
        spread: how far it has to open, mm.
        opening: how far one clip opens, mm.
        sharp: whether it opens in one place only.
    """
    return 1 if sharp else max(2, 2 * round(0.5 * spread / opening))


def clipped(
    piece: Piece, edge_name: str, start: float, length: float, bend: Round, options: ClipsOptions
) -> tuple[Clips, tuple[Mark, ...]]:
    """The clips of one bend on one edge, evenly along it, and their lines.

    Args:
        piece: whose allowance is clipped.
        edge_name: its edge.
        start: seam length from the edge's start at which the bend begins, mm.
        length: of the bend there, mm; 0 at a sharp corner.
        bend: as it is on the panel; where it is longer only a part of it lies on this piece.
        options: of the stage.
    """
    edge = piece.edge(edge_name)
    angle = abs(bend.angle) * (length / bend.length if bend.length > 0.0 else 1.0)
    spread = edge.allowance * angle
    room = edge.allowance - options.short > _NONE
    count = clip_count(spread, options.opening, sharp=length == 0.0) if room else 0
    apart = length / count if count else 0.0
    outward = 1.0 if piece.seam_line.clockwise else -1.0
    marks: list[Mark] = []
    for number in range(count):
        at = min(start + (number + 0.5) * apart, edge.length)
        point, normal = edge.path.point_at(at), left_normal(edge.path.tangent_at(at))
        inner, outer = (
            shifted(point, normal, outward * distance) for distance in (options.short, edge.allowance)
        )
        marks.append(Mark("line", Path((Line(inner, outer),))))
    corner = piece_id(piece.body, bend.name)
    clips = Clips(corner, degrees(angle), piece.id, edge_name, count, apart, edge.allowance, spread)
    return clips, tuple(marks)


def clip_findings(found: Iterable[Clips], options: ClipsOptions) -> list[Finding]:
    """What there is to say about the clips, corner by corner."""
    corners: dict[str, list[Clips]] = {}
    for clips in found:
        corners.setdefault(clips.corner, []).append(clips)
    findings: list[Finding] = []
    for corner, there in corners.items():
        most = max(there, key=lambda clips: clips.spread)
        told = (
            f"{_plain(corner)}: an allowance of {most.allowance:g} mm has to open by {most.spread:.1f} mm "
            f"round {most.angle:.0f}°"
        )
        bare = [clips for clips in there if clips.count == 0]
        if bare:
            pieces = listed(dict.fromkeys(clips.piece for clips in bare))
            message = (
                f"{told}, and clips that end {options.short:g} mm short of the stitching have no room in the "
                f"{bare[0].allowance:g} mm of {pieces}: make the allowance wider, or ease the cloth round"
            )
            findings.append(Finding("warning", "clip-no-room", message, corner))
        drawn = [clips for clips in there if clips.count]
        if not drawn:
            continue
        places = listed([f"{clips.count} at {clips.piece} {clips.edge}" for clips in drawn])
        tight = min((clips.apart for clips in drawn if clips.count > 1), default=0.0)
        spaced = f", {tight:.1f} mm apart" if tight else ""
        findings.append(Finding("note", "clips", f"{told}. Clips: {places}{spaced}.", corner))
        if tight and tight < options.closest - _NONE:
            message = (
                f"{told}: the clips come {tight:.1f} mm apart, closer than {options.closest:g} mm, and what "
                "is left between them frays out. Use a larger radius or a narrower allowance there."
            )
            findings.append(Finding("warning", "clips-close", message, corner))
    return findings


def _plain(corner: str) -> str:
    """A round's name in words: without the mark that it is a corner's."""
    return corner.replace(CORNER_PREFIX, "")


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="gusset.clips",
            summary="Mark where to clip the gusset's allowance so that it opens round the corners",
            run=f"{__name__}:run",
            options=f"{__name__}:ClipsOptions",
            needs=frozenset({"panels", "gusset", "seams", "allowances"}),
            adds=frozenset({"labels"}),
        ),
    )
