"""`notch.match`: notches, as few as do the job, at the same seam lengths on both mates."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, radians
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import distance, signed_angle
from oaktag.pattern import Notch, Outline, Piece, Seam, SeamSide
from oaktag.pattern.assembly import (
    END_MARGIN,
    WrongWay,
    assembly_of,
    distinguishing_stations,
    notched_seams,
    wrong_ways_of,
)
from oaktag.pattern.walk import run_closed, run_length, run_of, stations
from oaktag.recipe import PositiveLength

_MEET = 1e-3  # mm; two ends no further apart are marked by one notch
_SMOOTH = radians(10.0)  # a corner that turns by less is none that a sewer sees
REAR = 2
"""A double notch marks the rear (the usual convention of the trade)."""
BOTTOM = 3
"""A triple notch marks the bottom (common practice, no source)."""


class MatchOptions(Options):
    """Options of `notch.match`."""

    long_run: PositiveLength = 250.0
    """A straight run longer than this gets a notch at its middle."""
    spacing: PositiveLength = 13.0
    """Notches are at least this far apart, so that none is taken for its neighbour."""
    distinguish: bool = True
    """Add a notch wherever a piece could still be sewn on in a wrong way."""
    length_tolerance: PositiveLength = 3.0
    """Runs whose lengths differ by no more are eased together without notice."""
    notch_tolerance: PositiveLength = 3.0
    """Notches no further apart are taken to meet."""
    most_added: Annotated[int, Field(ge=0, le=50)] = 12
    """Most notches to add for distinguishing."""


Why = Literal["end", "corner", "tangent", "middle"]
_RANK: dict[Why, int] = {"end": 0, "corner": 1, "tangent": 2, "middle": 3}


@dataclass(frozen=True, slots=True)
class Wanted:
    """A notch that is wanted on a seam: its station in mm of seam length, why, and its count."""

    at: float
    why: Why
    count: int = 1


def run(draft: Draft, options: MatchOptions) -> Draft:
    """Notch both sides of every seam that is matched by notches.

    What is sewn onto a line drawn on its mate, to a tape, or flat onto a piece of the same shape needs none.
    """
    ways = {outline.body: rear_and_bottom(outline) for outline in draft.outlines}
    seams = notched_seams(draft)
    begun = [point for seam in seams for side in (seam.a, seam.b) if (point := inner_start(draft, side))]
    for seam in seams:
        piece, mate = draft.piece(seam.a.piece), draft.piece(seam.b.piece)
        rear, bottom = ways.get(piece.body, ("", ""))
        asked = wanted(piece, seam.a, rear, bottom, options)
        if begins_inside(mate, seam.b) and not any(want.why == "end" for want in asked):
            asked.append(Wanted(0.0, "end"))
        lone = [point for side in (seam.a, seam.b) if (point := inner_end(draft, side))]
        if any(all(_apart(point, other) for other in begun) for point in lone):
            # Nothing else begins where this ends: it has to be marked by itself.
            asked.append(Wanted(run_length(piece, seam.a), "end"))
            begun += lone
        ends = not (run_closed(piece, seam.a) and run_closed(mate, seam.b))
        kept = thinned(asked, run_length(piece, seam.a), options.spacing, ends=ends)
        draft = notched(
            draft, seam, [(want.at, want.count, f"{seam.id}:{number}") for number, want in enumerate(kept, 1)]
        )
    return distinguished(draft, options) if options.distinguish else draft


InnerPoint = tuple[str, float, float]
"""A place on a piece's seam line where no corner of the piece marks it: the piece's id, x and y in mm."""


def inner_start(draft: Draft, side: SeamSide) -> InnerPoint | None:
    """Where a seam's side begins, if that is on a run of the piece."""
    piece = draft.piece(side.piece)
    return (piece.id, *run_of(piece, side).start) if begins_inside(piece, side) else None


def inner_end(draft: Draft, side: SeamSide) -> InnerPoint | None:
    """Where a seam's side ends, if that is on a run of the piece; None where it closes on itself."""
    piece = draft.piece(side.piece)
    if run_closed(piece, side) or not begins_inside(piece, replace(side, reverse=not side.reverse)):
        return None
    return (piece.id, *run_of(piece, side).end)


def _apart(one: InnerPoint, other: InnerPoint) -> bool:
    return one[0] != other[0] or hypot(one[1] - other[1], one[2] - other[2]) > _MEET


def rear_and_bottom(outline: Outline) -> tuple[str, str]:
    """Names of the corner edge furthest to the rear and of the lowest; empty where there is none.

    The lowest of all marks the bottom; the rear is the rearmost of the others, so that every bag has both.
    """
    middles = {edge.name: edge.path.point_at(edge.length / 2) for edge in outline.edges if edge.is_corner}
    if not middles:
        return "", ""
    bottom = min(middles, key=lambda name: middles[name][1])
    others = [name for name in middles if name != bottom]
    return min(others, key=lambda name: middles[name][0], default=""), bottom


def wanted(piece: Piece, side: SeamSide, rear: str, bottom: str, options: MatchOptions) -> list[Wanted]:
    """The notches that a seam's side asks for by its shape, at stations from the seam's beginning.

    Args:
        piece: the side's piece.
        side: a run of its edges.
        rear: name of the corner edge that marks the rear.
        bottom: name of the corner edge that marks the bottom.
        options: of the stage.
    """
    length = run_length(piece, side)
    whole = sum(piece.edge(name).length for name in side.edges)
    closed = run_closed(piece, side)
    found: list[Wanted] = []

    def want(along: float, why: Why, count: int = 1) -> None:
        at = (along - side.start) % whole
        at = length - at if side.reverse else at
        if 1e-6 < at < length - 1e-6:
            found.append(Wanted(at, why, count))
        elif closed:
            found.append(Wanted(0.0, why, count))

    start = 0.0
    for name in side.edges:
        edge = piece.edge(name)
        if edge.is_corner:
            count = BOTTOM if name == bottom else REAR if name == rear else 1
            want(start, "tangent")
            want(start + edge.length / 2, "corner", count)
            want(start + edge.length, "tangent")
        elif edge.length > options.long_run:
            want(start + edge.length / 2, "middle")
        start += edge.length
    if begins_inside(piece, side):
        # The other side's ends meet here, on the run of this one: a notch for them to find.
        found.append(Wanted(0.0, "end"))
    return found


def thinned(notches: list[Wanted], length: float, spacing: float, *, ends: bool) -> list[Wanted]:
    """The notches that keep their distance, the more important first: ends, corners, tangent points, middles.

    Args:
        notches: on a run.
        length: of the run, mm.
        spacing: least distance between two, mm.
        ends: whether the run begins and ends at a mark that is there already, a piece's corner or a notch;
            if not it closes on itself.
    """
    kept: list[Wanted] = []
    for notch in sorted(notches, key=lambda n: (_RANK[n.why], -n.count, n.at)):
        if ends and notch.why != "end" and min(notch.at, length - notch.at) < spacing - 1e-9:
            continue
        apart = (abs(notch.at - other.at) for other in kept)
        if all((by if ends else min(by, length - by)) >= spacing - 1e-9 for by in apart):
            kept.append(notch)
    return sorted(kept, key=lambda n: n.at)


def notched(draft: Draft, seam: Seam, places: list[tuple[float, int, str]]) -> Draft:
    """The draft with more pairs of notches.

    Args:
        draft: has the seam.
        seam: that they are on.
        places: of each pair its station on side a in mm from the seam's beginning, its count and its name.
    """
    pieces = {piece.id: piece for piece in draft.pieces}
    length = run_length(pieces[seam.a.piece], seam.a)
    for side in (seam.a, seam.b):
        piece = pieces[side.piece]
        own_length = run_length(piece, side)
        inside = begins_inside(piece, side)
        ends_inside = inner_end(draft, side) is not None
        added: list[Notch] = []
        for at, count, pair in places:
            if at < 1e-6 and not inside:
                continue  # the piece's own corner is the mark
            if at > length - 1e-6 and not ends_inside and not run_closed(piece, side):
                continue
            edge, along = edge_and_station(piece, side, at * own_length / length)
            if not run_closed(piece, side) and not 1e-6 < at < length - 1e-6 and marked(piece, edge, along):
                continue
            added.append(Notch(edge, along, pair, count))
        pieces[side.piece] = piece.evolve(notches=(*piece.notches, *added))
    return draft.evolve(pieces=tuple(pieces[piece.id] for piece in draft.pieces))


def marked(piece: Piece, edge: str, along: float) -> bool:
    """Whether a piece has a notch at a place on an edge already, for another seam that ends there."""
    here = piece.edge(edge).path.point_at(along)
    there = (piece.edge(notch.edge).path.point_at(notch.at) for notch in piece.notches)
    return any(distance(here, place) < _MEET for place in there)


def begins_inside(piece: Piece, side: SeamSide) -> bool:
    """Whether a seam's side begins on a run of the piece, where no corner of the piece marks the place."""
    if run_closed(piece, side):
        return True
    names = [edge.name for edge in piece.edges]
    if side.reverse:
        whole = sum(piece.edge(name).length for name in side.edges)
        if abs(side.start + run_length(piece, side) - whole) > 1e-6:
            return True
        following = (names.index(side.edges[-1]) + 1) % len(names)
    else:
        if side.start > 1e-6:
            return True
        following = names.index(side.edges[0])
    before, after = piece.edges[following - 1].path, piece.edges[following].path
    return abs(signed_angle(before.tangent_before(before.length), after.tangent_at(0.0))) < _SMOOTH


def edge_and_station(piece: Piece, side: SeamSide, at: float) -> tuple[str, float]:
    """The edge, and the distance in mm from its start, that lies at a station of a seam's side.

    Args:
        piece: the side's piece.
        side: a run of its edges.
        at: seam length from the seam's beginning, mm.
    """
    whole = sum(piece.edge(name).length for name in side.edges)
    along = side.start + (run_length(piece, side) - at if side.reverse else at)
    if along > whole + 1e-9:
        along -= whole
    for name in side.edges:
        edge_length = piece.edge(name).length
        if along < edge_length - 1e-9 or name == side.edges[-1]:
            return name, min(max(along, 0.0), edge_length)
        along -= edge_length
    raise AssertionError("a seam's side has edges")


def distinguished(draft: Draft, options: MatchOptions) -> Draft:
    """The draft with further notches, as few as do the job, where it could still be sewn in a wrong way."""
    plain = assembly_of(draft)
    rooms = {seam.id: rooms_for_notch(draft, seam, options.spacing) for seam in notched_seams(draft)}

    def left(notches: Sequence[Added]) -> tuple[WrongWay, ...]:
        assembly = plain
        for seam, at in notches:
            assembly = assembly.notched(seam, at)
        return wrong_ways_of(
            assembly,
            length_tolerance=options.length_tolerance,
            notch_tolerance=options.notch_tolerance,
        )

    added: tuple[Added, ...] = ()
    wrong = left(added)
    while wrong and len(added) < options.most_added:
        more = with_another(added, wrong, rooms, left, options.spacing)
        if more is None:
            break
        added = more
        wrong = left(added)
    # What was added first may have become needless by what came after it.
    for notch in added:
        others = tuple(other for other in added if other != notch)
        if len(left(others)) <= len(wrong):
            added = others
    seams = {seam.id: seam for seam in draft.seams}
    for number, (name, at) in enumerate(added, 1):
        draft = notched(draft, seams[name], [(at, 1, f"{name}:x{number}")])
    return draft


Added = tuple[str, float]
"""A notch that was added to tell wrong ways from the right one: seam and station in mm."""


def with_another(
    added: tuple[Added, ...],
    wrong: Sequence[WrongWay],
    rooms: Mapping[str, Sequence[float]],
    left: Callable[[Sequence[Added]], Sequence[WrongWay]],
    spacing: float,
) -> tuple[Added, ...] | None:
    """The added notches and one more, after which fewer wrong ways are left; None if there is none."""
    # The earliest seam first: what is told apart there is told apart on its mirror image too.
    for seam, stations_there in rooms.items():
        if not any(seam in (way.seam, way.place) for way in wrong):
            continue
        best: tuple[int, tuple[Added, ...]] | None = None
        for at in stations_there:
            if not free(seam, at, added, spacing):
                continue
            more = (*added, (seam, at))
            remaining = left(more)
            if len(remaining) < (len(wrong) if best is None else best[0]):
                best = len(remaining), more
                if not any(seam in (way.seam, way.place) for way in remaining):
                    break
        if best is not None:
            return best[1]
    return None


def free(seam: str, at: float, added: Iterable[Added], spacing: float) -> bool:
    """Whether a station keeps its distance to the notches that were added."""
    return all(seam != other or abs(at - place) >= spacing - 1e-9 for other, place in added)


def rooms_for_notch(draft: Draft, seam: Seam, spacing: float) -> tuple[float, ...]:
    """Stations of a seam where one more notch could tell its directions apart, on the longest straight first.

    Args:
        draft: has the seam.
        seam: that the notch is for.
        spacing: least distance to the next notch, mm.
    """
    piece, side = draft.piece(seam.a.piece), seam.a
    length = run_length(piece, side)
    taken = [station.at for station in stations(draft, side)]
    if begins_inside(piece, side):
        taken += [0.0, length]
    runs: list[tuple[float, float]] = []
    start = -side.start
    whole = sum(piece.edge(name).length for name in side.edges)
    for name in side.edges:
        edge = piece.edge(name)
        if not edge.is_corner:
            for turn in (0.0, whole):
                low, high = max(start + turn, 0.0), min(start + turn + edge.length, length)
                if high - low > 2 * END_MARGIN:
                    runs.append((length - high, length - low) if side.reverse else (low, high))
        start += edge.length
    return tuple(
        low + at
        for low, high in sorted(runs, key=lambda run: run[0] - run[1])
        for at in distinguishing_stations(high - low, [at - low for at in taken], spacing)
    )


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="notch.match",
            summary="Notch both sides of every seam at the same seam lengths",
            run=f"{__name__}:run",
            options=f"{__name__}:MatchOptions",
            needs=frozenset({"seams"}),
            uses=frozenset({"features"}),
            adds=frozenset({"notches"}),
        ),
    )
