"""Walking a seam: both sides measured along their seam lines, both rows of notches laid beside each other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import zip_longest

from oaktag.geometry import Path, distance
from oaktag.pattern.draft import Draft
from oaktag.pattern.piece import Notch, Piece, Seam, SeamSide

END_TOLERANCE = 1e-6
"""A station this close to a run's end, in mm, lies at the end."""


@dataclass(frozen=True, slots=True)
class Station:
    """A notch on a walked run: its distance in mm from the seam's beginning, and the notch."""

    at: float
    notch: Notch


@dataclass(frozen=True, slots=True)
class NotchPair:
    """A notch on side a, its mate on side b (None if it has none), and how far apart they come to lie, mm."""

    pair: str
    a: Station | None
    b: Station | None
    difference: float | None


@dataclass(frozen=True, slots=True)
class Walk:
    """A walked seam.

    Attributes:
        length_a: seam length of side a, mm.
        length_b: seam length of side b, mm.
        difference: `length_b` minus `length_a` minus the declared ease, mm.
        pairs: every notch that lies on the seam; those at a run's end that stand alone are left out, since
            they meet the end of the other run.
    """

    length_a: float
    length_b: float
    difference: float
    pairs: tuple[NotchPair, ...]


def run_path(draft: Draft, side: SeamSide) -> Path:
    """The run of a seam's side as it is sewn, from the seam's beginning to its end."""
    return run_of(draft.piece(side.piece), side)


def run_of(piece: Piece, side: SeamSide) -> Path:
    """The run of a seam's side on a piece that isn't in a draft."""
    whole = _whole(piece, side)
    length = whole.length if side.length is None else side.length
    start = side.start
    if start > END_TOLERANCE or length < whole.length - END_TOLERANCE:
        whole = whole.between(start, start + length)
    return whole.reversed() if side.reverse else whole


def run_length(piece: Piece, side: SeamSide) -> float:
    """Seam length of a side's run as it is declared, mm."""
    return _whole_length(piece, side) if side.length is None else side.length


def run_closed(piece: Piece, side: SeamSide) -> bool:
    """Whether a side's run ends where it begins."""
    return _closes(piece, side) and run_length(piece, side) >= _whole_length(piece, side) - END_TOLERANCE


def stations(draft: Draft, side: SeamSide) -> tuple[Station, ...]:
    """The notches on a run, in the order in which the seam meets them."""
    return stations_of(draft.piece(side.piece), side)


def stations_of(piece: Piece, side: SeamSide) -> tuple[Station, ...]:
    """The notches on a run of a piece that isn't in a draft."""
    whole = _whole_length(piece, side)
    length = run_length(piece, side)
    closed = _closes(piece, side)
    offsets: dict[str, float] = {}
    total = 0.0
    for name in side.edges:
        offsets[name] = total
        total += piece.sewing_lines[name].length
    found: list[Station] = []
    for notch in piece.notches:
        if notch.edge not in offsets:
            continue
        along = offsets[notch.edge] + notch.at - side.start
        if closed:
            along %= whole
            if whole - along < END_TOLERANCE:
                along = 0.0
        if -END_TOLERANCE <= along <= length + END_TOLERANCE:
            found.append(Station(length - along if side.reverse else along, notch))
    return tuple(sorted(found, key=lambda station: (station.at, station.notch.pair)))


def walk(draft: Draft, seam: Seam) -> Walk:
    """Walk both sides of a seam."""
    length_a = run_path(draft, seam.a).length
    length_b = run_path(draft, seam.b).length
    row_a = inner(stations(draft, seam.a), length_a)
    row_b = inner(stations(draft, seam.b), length_b)
    pairs = []
    for pair in _in_order([*row_a, *row_b]):
        # One of each as a rule; a further one of the same pair stands alone.
        named = ([s for s in row if s.notch.pair == pair] for row in (row_a, row_b))
        for a, b in zip_longest(*named):
            pairs.append(NotchPair(pair, a, b, b.at - a.at if a is not None and b is not None else None))
    return Walk(length_a, length_b, length_b - length_a - seam.ease, tuple(pairs))


def inner(row: Iterable[Station], length: float) -> tuple[Station, ...]:
    """The stations that don't lie at an end of a run of that length."""
    return tuple(s for s in row if END_TOLERANCE < s.at < length - END_TOLERANCE)


def _whole(piece: Piece, side: SeamSide) -> Path:
    return Path(tuple(segment for name in side.edges for segment in piece.sewing_lines[name].segments))


def _whole_length(piece: Piece, side: SeamSide) -> float:
    return sum(piece.sewing_lines[name].length for name in side.edges)


def _closes(piece: Piece, side: SeamSide) -> bool:
    first, last = piece.sewing_lines[side.edges[0]], piece.sewing_lines[side.edges[-1]]
    return distance(first.start, last.end) <= END_TOLERANCE


def _in_order(row: Iterable[Station]) -> list[str]:
    return list(dict.fromkeys(s.notch.pair for s in sorted(row, key=lambda s: s.at)))
