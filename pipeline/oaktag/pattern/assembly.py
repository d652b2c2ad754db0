"""Trying every wrong way to sew a bag: runs of the same length whose notches meet although they shouldn't."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from oaktag.pattern.draft import Draft
from oaktag.pattern.piece import Seam, SeamSide
from oaktag.pattern.walk import END_TOLERANCE, inner, run_path, stations

Way = Literal["turned round", "upside down", "upside down and turned round", "shifted", "in place of another"]


@dataclass(frozen=True, slots=True)
class Row:
    """A run of a seam's side as a sewer sees it: how long it is, and the notches along it.

    Attributes:
        seam: id of the seam that it belongs to.
        side: which side of it.
        piece: id of the piece.
        length: seam length, mm.
        closed: whether it closes on itself, so that a sewer may begin anywhere.
        notches: (station in mm, count) in order; without the ends of an open run, where the corners meet.
    """

    seam: str
    side: Literal["a", "b"]
    piece: str
    length: float
    closed: bool
    notches: tuple[tuple[float, int], ...]

    def turned(self) -> Row:
        """The same run begun at its other end."""
        back = tuple((self.length - at, count) for at, count in reversed(self.notches))
        return Row(self.seam, self.side, self.piece, self.length, self.closed, back)

    def begun_at(self, start: float) -> Row:
        """The same closed run begun elsewhere."""
        moved = []
        for at, count in self.notches:
            along = (at - start) % self.length
            moved.append((0.0 if self.length - along < END_TOLERANCE else along, count))
        return Row(self.seam, self.side, self.piece, self.length, self.closed, tuple(sorted(moved)))


@dataclass(frozen=True, slots=True)
class WrongWay:
    """A wrong way to sew a seam in which all notches meet.

    Attributes:
        seam: id of the seam.
        piece: the piece that is sewn on wrongly.
        way: how it lies.
        against: the piece that it is sewn to.
        place: id of the seam whose run lies there instead; the seam itself where the piece is only turned.
        shift: how far a closed run is begun from where it should be, mm.
    """

    seam: str
    piece: str
    way: Way
    against: str
    place: str
    shift: float = 0.0


def row(draft: Draft, seam: Seam, side: Literal["a", "b"]) -> Row:
    """One side of a seam as a row of notches."""
    run: SeamSide = seam.a if side == "a" else seam.b
    path = run_path(draft, run)
    found = stations(draft, run)
    closed = path.closed
    if not closed:
        found = inner(found, path.length)
    notches = tuple((station.at, station.notch.count) for station in found)
    return Row(seam.id, side, run.piece, path.length, closed, notches)


def wrong_ways(draft: Draft, *, length_tolerance: float, notch_tolerance: float) -> tuple[WrongWay, ...]:
    """Every wrong way to sew a seam that a sewer could miss.

    Each side of each seam is laid against every other run of the draft, in both directions and, where a run
    closes on itself, begun at every place where a notch meets one; what should be sewn is left out.

    Args:
        draft: with seams and notches.
        length_tolerance: two runs whose lengths differ by no more are eased together without notice, mm.
        notch_tolerance: two notches no further apart are taken to meet, mm.
    """
    rows = [(row(draft, seam, "a"), row(draft, seam, "b")) for seam in draft.seams]
    every = [side for pair in rows for side in pair]
    found: dict[tuple[object, ...], WrongWay] = {}
    for right_a, right_b in rows:
        for fixed, mate in ((right_a, right_b), (right_b, right_a)):
            for candidate in every:
                if candidate is fixed or candidate.piece == fixed.piece != mate.piece:
                    continue
                if abs(candidate.length - fixed.length) > length_tolerance:
                    continue
                for laid, turned, shift in _layings(candidate, fixed, right=candidate is mate):
                    if not _meets(fixed, laid, notch_tolerance):
                        continue
                    way = _way(candidate, mate, turned, shift)
                    wrong = WrongWay(fixed.seam, candidate.piece, way, fixed.piece, candidate.seam, shift)
                    pair = frozenset({(fixed.seam, fixed.side), (candidate.seam, candidate.side)})
                    found.setdefault((pair, turned, round(shift, 3)), wrong)
    return tuple(found.values())


def _layings(candidate: Row, fixed: Row, *, right: bool) -> Iterator[tuple[Row, bool, float]]:
    """Every way to lay one run along another: the run as laid, whether it is turned, where it begins."""
    for turned in (False, True):
        lying = candidate.turned() if turned else candidate
        starts = {0.0}
        if candidate.closed:
            # A closed run may begin anywhere, but all its notches can meet only where one of them meets the
            # other's first.
            first, count = fixed.notches[0] if fixed.notches else (0.0, 0)
            starts |= {(at - first) % lying.length for at, c in lying.notches if c == count or not count}
        for start in sorted(starts):
            if right and not turned and min(start, lying.length - start) < 1.0:
                continue  # as it should be, or that within the width of a chalk line
            yield (lying.begun_at(start) if start else lying), turned, start


def _meets(fixed: Row, laid: Row, notch_tolerance: float) -> bool:
    # On an open run the piece's corner stands where a closed one has its notch: it needs none of its own.
    first, second = _without_ends(fixed, laid), _without_ends(laid, fixed)
    if len(first) != len(second):
        return False
    if any(count != other for (_, count), (_, other) in zip(first, second, strict=True)):
        return False
    apart = [at - other_at for (at, _), (other_at, _) in zip(first, second, strict=True)]
    # A closed run slides until its worst notches are equally far off; an open one is held by its ends.
    middle = (max(apart) + min(apart)) / 2 if apart and laid.closed else 0.0
    return all(abs(difference - middle) <= notch_tolerance for difference in apart)


def _without_ends(these: Row, other: Row) -> Sequence[tuple[float, int]]:
    if not these.closed or other.closed:
        return these.notches
    return [n for n in these.notches if END_TOLERANCE < n[0] < these.length - END_TOLERANCE]


def _way(candidate: Row, mate: Row, turned: bool, shift: float) -> Way:
    if candidate.piece != mate.piece:
        return "in place of another"
    if candidate.seam == mate.seam and candidate.side == mate.side:
        return "turned round" if turned else "shifted"
    return "upside down and turned round" if turned else "upside down"


END_MARGIN = 6.0
"""How near to a piece's corner, in mm, a notch may lie and still be told from it (common practice, no source)."""


def distinguishing_stations(length: float, taken: Iterable[float], spacing: float) -> tuple[float, ...]:
    """Where one more notch would tell the two directions of a run apart, the best first.

    Args:
        length: of the straight run, mm.
        taken: stations of notches on it or near it, mm.
        spacing: least distance to the next notch, mm.
    """
    others = tuple(taken)
    wanted = [length * share for share in (1 / 3, 2 / 3, 1 / 4, 3 / 4, 1 / 6, 5 / 6)]
    wanted += [spacing, length - spacing, END_MARGIN, length - END_MARGIN]
    return tuple(
        at
        for at in wanted
        if min(at, length - at) >= END_MARGIN - 1e-9
        and all(abs(at - other) >= spacing - 1e-9 for other in others)
        and abs(2 * at - length) >= END_MARGIN
    )
