"""Where the strips of a gusset run and are joined: on straight runs, away from rounds and holes."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, isclose

from oaktag.geometry import Arc
from oaktag.pattern import Edge, Outline

TIGHT = 60.0
"""A bend of a smaller radius in mm is no place for a join (common practice, no source)."""
_NONE = 1e-6  # mm; a shorter stretch is none
_MORE = 24  # parts tried beyond the fewest before a strip is given up


@dataclass(frozen=True, slots=True)
class Room:
    """A stretch of an outline where a strip can be joined.

    Attributes:
        edge: of the outline, on which it lies.
        start: seam length along the outline, mm.
        end: likewise.
    """

    edge: str
    start: float
    end: float


def join_rooms(
    outline: Outline,
    holes: Iterable[tuple[float, float]],
    margin: float,
    without: Collection[str] = (),
) -> tuple[Room, ...]:
    """The stretches of an outline where a strip can be joined, in order.

    Args:
        outline: of the body.
        holes: what goes through the gusset: seam length of its middle, and room on either side of it, mm.
        margin: kept from rounds and other tight bends, mm.
        without: names of edges along which no gusset runs.
    """
    whole = outline.path.length
    taken = [(at + turn - reach, at + turn + reach) for at, reach in holes for turn in (-whole, 0.0, whole)]
    rooms: list[Room] = []
    start = 0.0
    for edge in outline.edges:
        if not edge.is_corner and edge.name not in without:
            blocked = [*taken, (start - margin, start + margin)]
            at = start
            for segment in edge.path.segments:
                if isinstance(segment, Arc) and segment.radius < TIGHT:
                    blocked.append((at - margin, at + segment.length + margin))
                at += segment.length
            blocked.append((at - margin, at + margin))
            rooms += [Room(edge.name, *free) for free in _free(start, start + edge.length, blocked)]
        start += edge.length
    return tuple(rooms)


def _free(start: float, end: float, blocked: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """What is left of a stretch without others."""
    found: list[tuple[float, float]] = []
    at = start
    for low, high in sorted(blocked):
        if low > at + _NONE:
            found.append((at, min(low, end)))
        at = max(at, high)
        if at >= end:
            break
    if end > at + _NONE:
        found.append((at, end))
    return found


def nearest_room(rooms: Iterable[Room], station: float, whole: float) -> float | None:
    """The place for a join that is nearest to a seam length; None if there is none.

    Args:
        rooms: where there may be joins.
        station: seam length in mm; may be counted on past the outline's whole.
        whole: seam length of the outline, mm.

    Returns:
        A seam length that is counted like `station`.
    """
    found = [
        min(max(station, room.start + turn * whole), room.end + turn * whole)
        for room in rooms
        for turn in (-1, 0, 1, 2)
    ]
    return min(found, key=lambda at: (abs(at - station), at), default=None)


@dataclass(frozen=True, slots=True)
class TubeJoin:
    """A join near the end of a tube's run: the tube, its seam length and the one that was wanted, mm."""

    tube: str
    station: float
    wanted: float


def tube_joins(
    outline: Outline, rooms: Sequence[Room], distance: float, without: Collection[str] = ()
) -> tuple[TubeJoin, ...]:
    """One join on every straight run, a distance before its end, so that every tube has a strip of its own.

    A run that leads to an edge without a gusset has none, since its strip ends there; nor has one that leaves
    no room.

    Args:
        outline: of the body.
        rooms: where there may be joins.
        distance: before the point where the next corner's round begins, mm.
        without: names of edges along which no gusset runs.
    """
    whole = outline.path.length
    ends: list[tuple[str, float]] = []
    start = 0.0
    for edge in outline.edges:
        start += edge.length
        if not edge.is_corner:
            ends.append((edge.name, start))
    found: list[TubeJoin] = []
    for index, (tube, end) in enumerate(ends):
        following = ends[(index + 1) % len(ends)][0]
        if tube in without or following in without:
            continue
        at = nearest_room((room for room in rooms if room.edge == tube), end - distance, whole)
        if at is not None:
            found.append(TubeJoin(tube, at, end - distance))
    return tuple(found)


def split_evenly(
    begin: float, end: float, longest: float, rooms: Sequence[Room], whole: float
) -> tuple[float, ...] | None:
    """Where to join a strip that is too long: as evenly as the rooms for joins allow.

    Args:
        begin: seam length at which the strip begins, mm.
        end: likewise its end, counted on past the outline's whole where needed.
        longest: that a part may be, mm.
        rooms: where there may be joins.
        whole: seam length of the outline, mm.

    Returns:
        Seam lengths of the joins, none if it isn't too long; None if there is no room for them.
    """
    length = end - begin
    if length <= longest + _NONE:
        return ()
    if longest <= 0.0:
        return None
    fewest = ceil(length / longest - 1e-9)
    for count in range(fewest, fewest + _MORE):
        found: list[float] = []
        for number in range(1, count):
            at = nearest_room(rooms, begin + length * number / count, whole)
            if at is not None:
                found.append(at)
        stations = [begin, *dict.fromkeys(found), end]
        if all(_NONE < after - before <= longest + _NONE for before, after in pairwise(stations)):
            return tuple(stations[1:-1])
    return None


def main_edge(outline: Outline, begin: float, end: float) -> str:
    """The straight edge along which most of a strip runs, by its seam lengths along the outline, mm."""
    whole = outline.path.length
    share: dict[str, float] = {}
    start = 0.0
    for edge in outline.edges:
        if not edge.is_corner:
            share[edge.name] = sum(
                max(0.0, min(end, start + edge.length + turn) - max(begin, start + turn))
                for turn in (-whole, 0.0, whole, 2.0 * whole)
            )
        start += edge.length
    return max(share, key=lambda name: share[name])


def edge_at(outline: Outline, station: float) -> tuple[Edge, float]:
    """The outline's edge at a seam length, and the distance along that edge."""
    station %= outline.path.length
    for edge in outline.edges:
        if station < edge.length - _NONE:
            return edge, max(station, 0.0)
        station -= edge.length
    return outline.edges[0], 0.0


def panel_run(outline: Outline, start: float, span: float) -> tuple[tuple[str, ...], float, float | None]:
    """The panel's seam line from one join to the next: edges, start and length as in `SeamSide`."""
    names = [edge.name for edge in outline.edges]
    first, offset = edge_at(outline, start)
    at = names.index(first.name)
    around = [*names[at:], *names[:at]]
    if isclose(span, outline.path.length, abs_tol=1e-6):
        return tuple(around), offset, None
    touched: list[str] = []
    reach = 0.0
    for name in around:
        touched.append(name)
        reach += outline.edge(name).length
        if reach >= offset + span - 1e-9:
            break
    # Where it ends in the edge that it began in, all edges are touched and the run goes round past the last.
    return tuple(touched), offset, span
