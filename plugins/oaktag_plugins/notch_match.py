"""`notch.match`: notches, as few as do the job, at the same seam lengths on both mates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.geometry import Path
from oaktag.pattern import Notch, Piece, Seam, SeamSide
from oaktag.pattern.assembly import END_MARGIN, distinguishing_stations, wrong_ways
from oaktag.pattern.walk import run_path, stations
from oaktag.recipe import PositiveLength

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
    """Notch both sides of every seam."""
    rear, bottom = rear_and_bottom(draft)
    for seam in draft.seams:
        for number, notch in enumerate(
            thinned(wanted(draft, seam, rear, bottom, options), options.spacing), 1
        ):
            draft = notched(draft, seam, notch.at, notch.count, f"{seam.id}:{number}")
    return distinguished(draft, options) if options.distinguish else draft


def rear_and_bottom(draft: Draft) -> tuple[str, str]:
    """Names of the corner edges furthest to the rear and lowest; empty where no corner is round."""
    outline = draft.outline
    rounds = [edge for edge in outline.edges if edge.is_corner] if outline is not None else []
    if not rounds:
        return "", ""
    middles = {edge.name: edge.path.point_at(edge.length / 2) for edge in rounds}
    return min(middles, key=lambda name: middles[name][0]), min(middles, key=lambda name: middles[name][1])


def wanted(draft: Draft, seam: Seam, rear: str, bottom: str, options: MatchOptions) -> list[Wanted]:
    """The notches that side a's shape asks for."""
    piece, side = draft.piece(seam.a.piece), seam.a
    length = run_path(draft, side).length
    whole = sum(piece.edge(name).length for name in side.edges)
    closed = run_path(draft, side).closed
    found: list[Wanted] = []

    def want(along: float, why: Why, count: int = 1) -> None:
        at = (along - side.start) % whole if closed or side.start else along
        at = length - at if side.reverse else at
        if 1e-6 < at < length - 1e-6:
            found.append(Wanted(at, why, count))

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


def thinned(notches: list[Wanted], spacing: float) -> list[Wanted]:
    """The notches that keep their distance, the more important first: ends, corners, tangent points, middles."""
    kept: list[Wanted] = []
    for notch in sorted(notches, key=lambda n: (_RANK[n.why], -n.count, n.at)):
        if all(abs(notch.at - other.at) >= spacing - 1e-9 for other in kept):
            kept.append(notch)
    return sorted(kept, key=lambda n: n.at)


def notched(draft: Draft, seam: Seam, at: float, count: int, pair: str) -> Draft:
    """The draft with one more pair of notches at a station of a seam."""
    pieces = {piece.id: piece for piece in draft.pieces}
    length = run_path(draft, seam.a).length
    for side in (seam.a, seam.b):
        piece = pieces[side.piece]
        own_length = run_path(draft, side).length
        if at < 1e-6 and not begins_inside(piece, side):
            continue  # the piece's own corner is the mark
        edge, along = edge_and_station(piece, side, at * own_length / length, own_length)
        pieces[side.piece] = piece.evolve(notches=(*piece.notches, Notch(edge, along, pair, count)))
    return draft.evolve(pieces=tuple(pieces[piece.id] for piece in draft.pieces))


def begins_inside(piece: Piece, side: SeamSide) -> bool:
    """Whether a seam's side begins on a run of the piece, where no corner of the piece marks the place."""
    whole = Path(tuple(segment for name in side.edges for segment in piece.edge(name).path.segments))
    return whole.closed or side.start > 1e-6


def edge_and_station(piece: Piece, side: SeamSide, at: float, length: float) -> tuple[str, float]:
    """The edge, and the distance in mm from its start, that lies at a station of a seam's side.

    Args:
        piece: the side's piece.
        side: a run of its edges.
        at: seam length from the seam's beginning, mm.
        length: of the run, mm.
    """
    whole = sum(piece.edge(name).length for name in side.edges)
    along = side.start + (length - at if side.reverse else at)
    if along > whole + 1e-9:
        along -= whole
    for name in side.edges:
        edge_length = piece.edge(name).length
        if along < edge_length - 1e-9 or name == side.edges[-1]:
            return name, min(max(along, 0.0), edge_length)
        along -= edge_length
    raise AssertionError("a seam's side has edges")


def distinguished(draft: Draft, options: MatchOptions) -> Draft:
    """The draft with a further notch on every seam that could still be sewn in a wrong way."""
    order = {seam.id: position for position, seam in enumerate(draft.seams)}
    full: set[str] = set()
    for number in range(1, options.most_added + 1):
        wrong = wrong_ways(
            draft, length_tolerance=options.length_tolerance, notch_tolerance=options.notch_tolerance
        )
        # The earliest seam first: what is told apart there is told apart on its mirror image too.
        names = sorted(
            {name for way in wrong for name in (way.seam, way.place)} - full, key=order.__getitem__
        )
        for name in names:
            seam = draft.seams[order[name]]
            place = room_for_notch(draft, seam, options.spacing)
            if place is not None:
                draft = notched(draft, seam, place, 1, f"{seam.id}:x{number}")
                break
            full.add(name)
        else:
            break
    return draft


def room_for_notch(draft: Draft, seam: Seam, spacing: float) -> float | None:
    """The station of a seam for a notch that tells its directions apart: on its longest straight with room."""
    piece, side = draft.piece(seam.a.piece), seam.a
    length = run_path(draft, side).length
    taken = [station.at for station in stations(draft, side)]
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
    for low, high in sorted(runs, key=lambda run: run[0] - run[1]):
        inside = [at - low for at in taken if low - spacing < at < high + spacing]
        for at in distinguishing_stations(high - low, inside, spacing):
            if abs(2 * (low + at) - length) >= END_MARGIN:
                return low + at
    return None


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
            adds=frozenset({"notches"}),
        ),
    )
