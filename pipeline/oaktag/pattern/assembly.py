"""Trying every wrong way to sew a bag: runs of the same length whose notches meet although they shouldn't."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import radians
from typing import Literal

from oaktag.geometry import Path, distance, signed_angle
from oaktag.pattern.draft import Draft
from oaktag.pattern.piece import Piece, Seam, SeamKind, SeamSide
from oaktag.pattern.walk import END_TOLERANCE, inner, run_closed, run_length, run_path, stations

NOTCHED: frozenset[SeamKind] = frozenset({"shell", "part", "liner"})
"""Kinds of seam that are matched by notches: the others join a piece to a line that is drawn on its mate, to
a tape, or to a piece of the same shape that lies flat on it."""

Way = Literal["turned round", "upside down", "upside down and turned round", "shifted", "in place of another"]
Side = Literal["a", "b"]

JOINT = 0
"""Stands for a notch's count where two pieces of a ring are joined: that meets a notch of any count."""
END_MARGIN = 6.0
"""How near to a piece's corner a notch may lie and still be told from it, mm (common practice, no source)."""

FINE_STEP = 3.2
"""Between places that are tried for a notch, mm: a little more than what nobody notices."""
_STRAIGHT = radians(10.0)  # runs that turn by less where they meet are sewn as one
SHORT_RUN = 80.0
"""A run up to this long, in mm, is about as wide as a gusset."""


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
    side: Side
    piece: str
    length: float
    closed: bool
    notches: tuple[tuple[float, int], ...]

    def turned(self) -> Row:
        """The same run begun at its other end."""
        back = [(self.length - at, count) for at, count in self.notches]
        if self.closed:
            back = [(at % self.length, count) for at, count in back]
        return replace(self, notches=tuple(sorted(back)))

    def notched(self, at: float, count: int) -> Row:
        """The same run with one more notch at a station in mm."""
        return replace(self, notches=tuple(sorted([*self.notches, (at, count)])))


@dataclass(frozen=True, slots=True)
class Ring:
    """Several pieces sewn end to end round one whole outline, as they are when the ring is closed first.

    Attributes:
        outline: the whole outline, a closed run.
        ring: the pieces after each other, closed; a `JOINT` where two of them meet.
        parts: per seam its id and where it begins, in mm, on the outline and on the ring.
    """

    outline: Row
    ring: Row
    parts: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Assembly:
    """Every run of a draft as a sewer sees it.

    Attributes:
        seams: both sides of every seam that is matched by notches, in the draft's order.
        rings: what can be sewn round as one.
        kinds: of the seams, in the same order; runs of different kinds aren't taken for each other.
    """

    seams: tuple[tuple[Row, Row], ...]
    rings: tuple[Ring, ...]
    kinds: tuple[SeamKind, ...]

    def notched(self, seam: str, at: float, count: int = 1) -> Assembly:
        """The same with one more notch on both sides of a seam.

        Args:
            seam: its id.
            at: seam length on side a from the seam's beginning, mm; on side b it is in proportion.
            count: of nicks.
        """
        seams: list[tuple[Row, Row]] = []
        at_b = at
        for a, b in self.seams:
            if a.seam != seam:
                seams.append((a, b))
                continue
            at_b = at * b.length / a.length
            seams.append((a.notched(at, count), b.notched(at_b, count)))
        rings: list[Ring] = []
        for ring in self.rings:
            for part, on_outline, on_ring in ring.parts:
                if part == seam:
                    along, along_ring = (at, at_b) if ring.outline.side == "a" else (at_b, at)
                    ring = replace(
                        ring,
                        outline=ring.outline.notched(on_outline + along, count),
                        ring=ring.ring.notched(on_ring + along_ring, count),
                    )
            rings.append(ring)
        return Assembly(tuple(seams), tuple(rings), self.kinds)


@dataclass(frozen=True, slots=True)
class WrongWay:
    """A wrong way to sew a seam in which all notches meet.

    Attributes:
        seam: id of the seam.
        piece: the piece that is sewn on wrongly; the pieces of a ring with commas between.
        way: how it lies.
        against: the piece that it is sewn to.
        place: id of the seam whose run lies there instead; the seam itself where the piece is only turned.
        shift: where on a closed run it begins instead of at the seam's beginning, mm.
    """

    seam: str
    piece: str
    way: Way
    against: str
    place: str
    shift: float = 0.0


def row(draft: Draft, seam: Seam, side: Side) -> Row:
    """One side of a seam as a row of notches."""
    run: SeamSide = seam.a if side == "a" else seam.b
    piece = draft.piece(run.piece)
    length, closed = run_length(piece, run), run_closed(piece, run)
    found = stations(draft, run)
    if not closed:
        found = inner(found, length)
    notches = sorted((s.at % length if closed else s.at, s.notch.count) for s in found)
    return Row(seam.id, side, run.piece, length, closed, tuple(notches))


def notched_seams(draft: Draft) -> tuple[Seam, ...]:
    """The seams that are matched by notches: both sides are edges that could be sewn to others as well."""
    edges = {piece.id: {edge.name for edge in piece.edges} for piece in draft.pieces}
    return tuple(
        seam
        for seam in draft.seams
        if seam.kind in NOTCHED
        and all(edges.get(side.piece, set()).issuperset(side.edges) for side in (seam.a, seam.b))
    )


def assembly_of(draft: Draft) -> Assembly:
    """Every run that is matched by notches as a row of them.

    Left out is a short run that a longer one goes straight on into: the collar of a roll-top bag is sewn to
    panel and gusset in one go; where it lies along the panel decides where it lies along the gusset's end.
    """
    notched = notched_seams(draft)
    left_out = _continuations(draft, notched)
    seams = tuple(
        (row(draft, seam, "a"), row(draft, seam, "b")) for seam in notched if seam.id not in left_out
    )
    kinds = tuple(seam.kind for seam in notched if seam.id not in left_out)
    rows = {a.seam: (a, b) for a, b in seams}
    return Assembly(seams, tuple(_rings(draft, notched, rows)), kinds)


def _continuations(draft: Draft, seams: Sequence[Seam]) -> frozenset[str]:
    """Seams whose second side goes straight on from that of a longer one, which is sewn to a neighbour."""
    joined = {frozenset({seam.a.piece, seam.b.piece}) for seam in seams}
    found: set[str] = set()
    for seam in seams:
        length = run_length(draft.piece(seam.b.piece), seam.b)
        if length > SHORT_RUN:
            continue
        own = run_path(draft, seam.b)
        for other in seams:
            if (
                other.b.piece != seam.b.piece
                or other.a.piece == seam.a.piece
                or frozenset({other.a.piece, seam.a.piece}) not in joined
                or run_length(draft.piece(other.b.piece), other.b) <= length
            ):
                continue
            if _goes_straight_on(own, run_path(draft, other.b)):
                found.add(seam.id)
    return frozenset(found)


def _goes_straight_on(one: Path, other: Path) -> bool:
    """Whether one of two runs begins where the other ends, without a corner between."""
    for path in (one, one.reversed()):
        for mate in (other, other.reversed()):
            turn = abs(signed_angle(path.tangent_before(path.length), mate.tangent_at(0.0)))
            if distance(path.end, mate.start) < END_TOLERANCE and turn < _STRAIGHT:
                return True
    return False


def wrong_ways(draft: Draft, *, length_tolerance: float, notch_tolerance: float) -> tuple[WrongWay, ...]:
    """Every wrong way to sew a seam that a sewer could miss.

    Each side of each seam is laid against every other run of the draft, in both directions and, where a run
    closes on itself, begun at every place where a notch meets one; what should be sewn is left out.

    Args:
        draft: with seams and notches.
        length_tolerance: two runs whose lengths differ by no more are eased together without notice, mm.
        notch_tolerance: two notches no further apart are taken to meet, mm.
    """
    return wrong_ways_of(
        assembly_of(draft), length_tolerance=length_tolerance, notch_tolerance=notch_tolerance
    )


def wrong_ways_of(
    assembly: Assembly, *, length_tolerance: float, notch_tolerance: float
) -> tuple[WrongWay, ...]:
    """Every wrong way to sew a seam that a sewer could miss, as in `wrong_ways`."""
    kinds = {a.seam: kind for (a, _), kind in zip(assembly.seams, assembly.kinds, strict=True)}
    every = [side for pair in assembly.seams for side in pair]
    tried: set[frozenset[tuple[str, Side]]] = set()
    found: list[WrongWay] = []
    # Side a first, so that what lies wrongly is said of the piece that is sewn on.
    pairs = [*assembly.seams, *((b, a) for a, b in assembly.seams)]
    for fixed, mate in pairs:
        for candidate in every:
            if candidate is fixed or candidate.piece == fixed.piece != mate.piece:
                continue
            if kinds[candidate.seam] != kinds[fixed.seam]:
                continue  # they are sewn at different times, or are of different cloth
            if candidate.closed and not fixed.closed:
                continue  # tried the other way round
            if abs(candidate.length - fixed.length) > length_tolerance:
                continue
            both = frozenset({(fixed.seam, fixed.side), (candidate.seam, candidate.side)})
            if both in tried:
                continue
            tried.add(both)
            right = candidate is mate
            for turned, shift in _layings(candidate, fixed, notch_tolerance, right=right, joints=None):
                way = _way(candidate, mate, turned)
                found.append(WrongWay(fixed.seam, candidate.piece, way, fixed.piece, candidate.seam, shift))
    for ring in assembly.rings:
        for other in assembly.rings:
            fixed, candidate = ring.outline, other.ring
            if abs(candidate.length - fixed.length) > length_tolerance:
                continue
            for turned, shift in _layings(
                candidate, fixed, notch_tolerance, right=other is ring, joints=_joints(ring.ring)
            ):
                way = _way(candidate, ring.ring, turned)
                found.append(WrongWay(fixed.seam, candidate.piece, way, fixed.piece, candidate.seam, shift))
    order = {a.seam: position for position, (a, _) in enumerate(assembly.seams)}
    return tuple(sorted(found, key=lambda way: order[way.seam]))


def distinguishing_stations(length: float, taken: Iterable[float], spacing: float) -> tuple[float, ...]:
    """Where one more notch would tell the two directions of a run apart, the best first.

    Args:
        length: of the straight run, mm.
        taken: stations of notches on it or near it, mm.
        spacing: least distance to the next notch, mm.
    """
    others = tuple(taken)
    wanted = [length * share for share in (1 / 3, 2 / 3, 1 / 4, 3 / 4, 1 / 6, 5 / 6)]
    if length <= SHORT_RUN:
        # Several runs of this length are likely: as many places as can be told apart, from the ends inwards.
        steps = [END_MARGIN + FINE_STEP * step for step in range(int(length / 2 / FINE_STEP))]
        wanted = [at for step in steps for at in (step, length - step)]
    return tuple(
        at
        for at in wanted
        if END_MARGIN - 1e-9 <= at <= length - END_MARGIN + 1e-9
        and all(abs(at - other) >= spacing - 1e-9 for other in others)
        and abs(2 * at - length) >= FINE_STEP
    )


def _layings(
    candidate: Row, fixed: Row, tolerance: float, *, right: bool, joints: tuple[float, ...] | None
) -> Iterator[tuple[bool, float]]:
    """Every way to lay one run along another so that all notches meet: whether turned, and where it begins.

    Args:
        candidate: the run that is laid; an open one may lie along a closed one, not the other way round.
        fixed: the run that it is laid along.
        tolerance: two notches no further apart are taken to meet, mm.
        right: whether the two belong together, so that one way is as it should be.
        joints: for a ring, where its joints belong. If they lie there its pieces are tried one by one.
    """
    for turned in (False, True):
        lying = candidate.turned() if turned else candidate
        seen: list[float] = []
        for start, index in _starts(lying, fixed, elsewhere=right and not turned):
            if right and not turned and _round(start, 0.0, fixed) <= tolerance:
                continue  # as it should be, or as nearly as anybody can tell
            if not _meets(fixed, lying, start, index, tolerance):
                continue
            if any(_round(start, other, fixed) <= tolerance for other in seen):
                continue
            if joints is not None and all(
                any(_round(start + at, joint, fixed) <= tolerance for joint in joints)
                for at in _joints(lying)
            ):
                continue
            seen.append(start)
            yield turned, start


def _starts(lying: Row, fixed: Row, *, elsewhere: bool) -> list[tuple[float, int]]:
    """Where on a run another could begin, mm, and the index of the notch there that its first one meets."""
    if not fixed.closed:
        return [(0.0, 0)]
    # It may begin anywhere, but all its notches can meet only where its first one, or its corner, meets one.
    anchor, count = lying.notches[0] if lying.notches else (0.0, JOINT)
    starts = [
        ((at - anchor) % fixed.length, index)
        for index, (at, other) in enumerate(fixed.notches)
        if _alike(count, other)
    ]
    if not starts and not lying.notches:
        # Nothing says where: any place does, the far side as an instance.
        starts = [(fixed.length / 2 if elsewhere else 0.0, 0)]
    return sorted((0.0 if fixed.length - start < END_TOLERANCE else start, index) for start, index in starts)


def _meets(fixed: Row, lying: Row, start: float, index: int, tolerance: float) -> bool:
    """Whether all notches meet when one run is laid along another.

    Args:
        fixed: the one run.
        lying: the other.
        start: where on `fixed`, if that is closed, the other begins, mm.
        index: of the notch on `fixed` that then meets the first one of the other, or its corner.
        tolerance: two notches no further apart are taken to meet, mm.
    """
    ours, theirs = lying.notches, fixed.notches
    if not fixed.closed:
        return len(ours) == len(theirs) and all(
            _alike(count, other) and abs(at - place) <= tolerance
            for (at, count), (place, other) in zip(ours, theirs, strict=True)
        )
    length, slack = fixed.length, 2 * tolerance
    anchor = ours[0][0] if ours else 0.0
    done, low, high = 0, 0.0, 0.0
    for step in range(len(theirs)):
        at, count = theirs[(index + step) % len(theirs)]
        # Measured from the notch that meets the first one.
        along = (at - start - anchor) % length if step else 0.0
        if not lying.closed and (step or not ours) and _between(along, -anchor, length) <= slack:
            # The corners of an open run meet where a closed one has its notch: they need none of their own.
            apart = (along + anchor + length / 2) % length - length / 2
        elif done < len(ours) and _alike(count, ours[done][1]):
            apart = along - (ours[done][0] - anchor)
            done += 1
        else:
            return False
        # A closed run slides until its worst notches are equally far off; an open one is held by its ends.
        low, high = min(low, apart), max(high, apart)
        if high - low > slack:
            return False
    return done == len(ours)


def _alike(count: int, other: int) -> bool:
    return count == other or JOINT in (count, other)


def _between(first: float, second: float, length: float) -> float:
    apart = (first - second) % length
    return min(apart, length - apart)


def _round(first: float, second: float, fixed: Row) -> float:
    return _between(first, second, fixed.length) if fixed.closed else abs(first - second)


def _joints(ring: Row) -> tuple[float, ...]:
    return tuple(at for at, count in ring.notches if count == JOINT)


def _way(candidate: Row, mate: Row, turned: bool) -> Way:
    if candidate.piece != mate.piece:
        return "in place of another"
    if candidate.seam == mate.seam and candidate.side == mate.side:
        return "turned round" if turned else "shifted"
    return "upside down and turned round" if turned else "upside down"


def _rings(draft: Draft, seams: Sequence[Seam], rows: dict[str, tuple[Row, Row]]) -> Iterator[Ring]:
    """What is sewn round a whole outline in several pieces that are joined end to end."""
    for piece in draft.pieces:
        for side in ("a", "b"):
            ring = _ring_round(draft, piece, side, [seam for seam in seams if seam.id in rows], rows)
            if ring is not None:
                yield ring


def _ring_round(
    draft: Draft, piece: Piece, side: Side, seams: Sequence[Seam], rows: dict[str, tuple[Row, Row]]
) -> Ring | None:
    parts: list[tuple[float, Seam]] = []
    offsets: dict[str, float] = {}
    whole = 0.0
    for edge in piece.edges:
        offsets[edge.name] = whole
        whole += edge.length
    for seam in seams:
        run = seam.a if side == "a" else seam.b
        if run.piece == piece.id and not run.reverse:
            parts.append(((offsets[run.edges[0]] + run.start) % whole, seam))
    parts.sort(key=lambda part: part[0])
    if len(parts) < 2:
        return None
    index, other = (0, 1) if side == "a" else (1, 0)
    joined = {frozenset({seam.a.piece, seam.b.piece}) for seam in seams}
    mates = [rows[seam.id][other] for _, seam in parts]
    places: list[tuple[str, float, float]] = []
    notches: list[tuple[float, int]] = []
    on_outline = on_ring = 0.0
    for number, (start, seam) in enumerate(parts):
        if abs(start - parts[0][0] - on_outline) > 1e-3:
            return None
        following = mates[(number + 1) % len(mates)]
        if frozenset({mates[number].piece, following.piece}) not in joined:
            return None
        places.append((seam.id, on_outline, on_ring))
        notches += [(on_ring, JOINT), *((on_ring + at, count) for at, count in mates[number].notches)]
        on_outline += rows[seam.id][index].length
        on_ring += mates[number].length
    if abs(on_outline - whole) > 1e-3:
        return None
    first = parts[0][1]
    begin = first.a if side == "a" else first.b
    names = [edge.name for edge in piece.edges]
    at = names.index(begin.edges[0])
    around = SeamSide(piece.id, (*names[at:], *names[:at]), begin.start)
    marks = sorted((s.at % whole, s.notch.count) for s in stations(draft, around))
    outline = Row(first.id, side, piece.id, whole, True, tuple(marks))
    mate = mates[0]
    pieces = ", ".join(dict.fromkeys(row.piece for row in mates))
    return Ring(outline, Row(first.id, mate.side, pieces, on_ring, True, tuple(notches)), tuple(places))
