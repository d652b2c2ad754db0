"""The way of a tool over a sheet: kerf, lead-in, overcut, and an order with little travel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians
from typing import TYPE_CHECKING

from oaktag.geometry import Line, Path, Point, offset_outline, rotate
from oaktag.pattern.lettering import Polyline

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

LEAD_ANGLE = 30.0
"""Angle in degrees at which a lead-in meets the line: flat enough for a knife to swivel (common practice, no
source)."""
MITRE_LIMIT = 10.0
"""How far a corner of an offset line may reach, in distances; beyond it the corner is cut off."""

_NEAR = 16  # ends that are looked up at once
_WINDOW = 40  # neighbours that are tried for a better order
_LEAST_GAIN = 1e-9


def offset_for_kerf(path: Path, distance: float) -> Path:
    """A closed path, moved outward (inward if negative) by a distance in mm.

    Raises:
        OffsetError: nothing is left of it.
        GeometryError: it isn't closed.
    """
    (moved,) = offset_outline([path], [distance], limit=MITRE_LIMIT)
    return moved


def begun_on_a_straight(path: Path) -> Path:
    """A closed path that begins in the middle of its longest straight, or of its longest segment."""
    segments = path.segments
    index = max(
        range(len(segments)), key=lambda n: (isinstance(segments[n], Line), round(segments[n].length, 6), -n)
    )
    before, after = segments[index].split(0.5 * segments[index].length)
    return Path((after, *segments[index + 1 :], *segments[:index], before))


def lead_in_point(path: Path, length: float, *, hole: bool) -> Point:
    """Where the straight cut begins that leads into a closed path's start from the waste beside it.

    Args:
        path: closed, in the direction in which it is cut.
        length: of the lead-in, mm.
        hole: whether the waste lies within it.
    """
    tx, ty = path.tangent_at(0.0)
    # The waste lies to the left of a clockwise outline; looking back it is to the right.
    turn = LEAD_ANGLE if path.clockwise is hole else -LEAD_ANGLE
    way = rotate((-tx, -ty), radians(turn))
    x, y = path.start
    return x + length * way[0], y + length * way[1]


def overcut_end(path: Path, length: float) -> Path:
    """The first `length` mm of a closed path, which a knife cuts twice."""
    return path.split(min(length, 0.5 * path.length))[0]


@dataclass(frozen=True, slots=True)
class Travel:
    """An order of lines: which one comes next, and whether it is drawn from its end to its start."""

    order: tuple[int, ...]
    reversed: tuple[bool, ...]


def travel_length(lines: Sequence[tuple[Point, Point]], travel: Travel, start: Point = (0.0, 0.0)) -> float:
    """How far the tool moves between lines in mm, from `start` to the first of them included."""
    import numpy as np

    if not travel.order:
        return 0.0
    ends = np.array(
        [lines[n][::-1] if back else lines[n] for n, back in zip(travel.order, travel.reversed, strict=True)]
    )
    from_points = np.concatenate([[start], ends[:-1, 1]])
    return float(np.hypot(*(ends[:, 0] - from_points).T).sum())


def shortest_travel(lines: Sequence[tuple[Point, Point]], start: Point = (0.0, 0.0)) -> Travel:
    """An order of lines with little travel: nearest neighbour, then stretches turned round where that gains.

    The second step is the 2-opt move of G. A. Croes, Operations Research 6 (1958) 791, among near neighbours.

    Args:
        lines: where each begins and ends; a closed one begins and ends in one place.
        start: where the tool is at first.
    """
    import numpy as np

    greedy = nearest_neighbours(lines, start)
    order, back = list(greedy.order), list(greedy.reversed)
    _improve(np.array(lines, dtype=float).reshape(-1, 2, 2), order, back, np.array(start, dtype=float))
    return Travel(tuple(order), tuple(back))


def nearest_neighbours(lines: Sequence[tuple[Point, Point]], start: Point = (0.0, 0.0)) -> Travel:
    """The order in which the next line always begins or ends nearest; arguments as `shortest_travel`."""
    import numpy as np
    from scipy.spatial import cKDTree

    ends = np.array(lines, dtype=float).reshape(-1, 2, 2)
    place = np.array(start, dtype=float)
    flat = ends.reshape(-1, 2)
    left = np.arange(len(flat))  # ends of lines that weren't drawn yet when the tree was made
    tree = cKDTree(flat)
    drawn = np.zeros(len(ends), dtype=bool)
    order: list[int] = []
    back: list[bool] = []
    while len(order) < len(ends):
        _, near = tree.query(place, k=min(_NEAR, len(left)))
        found = left[np.atleast_1d(near)]
        found = found[~drawn[found // 2]]
        if not len(found):
            # All that is near has been drawn: look among what hasn't.
            left = left[~drawn[left // 2]]
            tree = cKDTree(flat[left])
            continue
        line, from_end = divmod(int(found[0]), 2)
        order.append(line)
        back.append(bool(from_end))
        drawn[line] = True
        place = ends[line, 0 if from_end else 1]
    return Travel(tuple(order), tuple(back))


def _improve(ends: NDArray[float64], order: list[int], back: list[bool], start: NDArray[float64]) -> None:
    import numpy as np

    count = len(order)
    if count < 2:
        return
    first = np.array([ends[n, 1 if b else 0] for n, b in zip(order, back, strict=True)])
    last = np.array([ends[n, 0 if b else 1] for n, b in zip(order, back, strict=True)])
    for i in range(count):
        here = last[i - 1] if i else start
        stop = min(count, i + _WINDOW)
        after = first[i + 1 : stop + 1]
        old = np.hypot(*(first[i] - here)) + np.zeros(stop - i)
        old[: len(after)] += np.hypot(*(after - last[i : i + len(after)]).T)
        new = np.hypot(*(last[i:stop] - here).T)
        new[: len(after)] += np.hypot(*(after - first[i]).T)
        gain = old - new
        best = int(np.argmax(gain))
        if gain[best] > _LEAST_GAIN:
            j = i + best + 1
            order[i:j] = order[i:j][::-1]
            back[i:j] = [not b for b in back[i:j][::-1]]
            first[i:j], last[i:j] = last[i:j][::-1].copy(), first[i:j][::-1].copy()


def ends_of(shape: Path | Polyline) -> tuple[Point, Point]:
    """Where a line begins and ends."""
    return (shape.start, shape.end) if isinstance(shape, Path) else (shape[0], shape[-1])


def turned_round(shape: Path | Polyline) -> Path | Polyline:
    """The line in the other direction."""
    return shape.reversed() if isinstance(shape, Path) else shape[::-1]
