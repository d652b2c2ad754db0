"""The gusset's width along the seam, and the sewn edge that comes of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

from oaktag import Refusal
from oaktag.geometry import Curve, Line, Path, Point, Segment


@dataclass(frozen=True, slots=True)
class WidthKnot:
    """A width in mm at a seam length in mm, with its slopes (mm per mm) on either side."""

    s: float
    width: float
    slope_before: float
    slope_after: float


@dataclass(frozen=True, slots=True)
class WidthPiece:
    """A cubic from `s0` to `s1` mm of seam length: width = Σ c[k]·(s − s0)^k."""

    s0: float
    s1: float
    c: tuple[float, float, float, float]

    @property
    def straight(self) -> bool:
        """Whether the width is a linear function, up to rounding."""
        span = self.s1 - self.s0
        return abs(self.c[2]) * span**2 + abs(self.c[3]) * span**3 < 1e-9

    def width(self, s: float) -> float:
        """Width in mm."""
        u = s - self.s0
        return self.c[0] + u * (self.c[1] + u * (self.c[2] + u * self.c[3]))

    def slope(self, s: float) -> float:
        """Change of the width, mm per mm."""
        u = s - self.s0
        return self.c[1] + u * (2 * self.c[2] + 3 * u * self.c[3])

    def steepest(self) -> tuple[float, float]:
        """The station of the greatest absolute slope, and that slope."""
        stations = [self.s0, self.s1]
        if self.c[3] != 0.0:
            turn = self.s0 - self.c[2] / (3 * self.c[3])
            if self.s0 < turn < self.s1:
                stations.append(turn)
        steepest = max(stations, key=lambda s: abs(self.slope(s)))
        return steepest, abs(self.slope(steepest))

    def greatest(self) -> float:
        """The greatest width on the piece, mm."""
        _, b, c, d = self.c
        turns: list[float] = []
        if abs(d) > 1e-15:
            root = c * c - 3 * b * d
            turns = [(-c + sign * math.sqrt(root)) / (3 * d) for sign in (-1, 1)] if root > 0 else []
        elif c != 0.0:
            turns = [-b / (2 * c)]
        inner = (self.s0 + u for u in turns if 0.0 < u < self.s1 - self.s0)
        return max(self.width(s) for s in (self.s0, self.s1, *inner))

    def moved(self, distance: float) -> WidthPiece:
        """The same piece further along the seam."""
        return WidthPiece(self.s0 + distance, self.s1 + distance, self.c)

    def clipped(self, s0: float, s1: float) -> WidthPiece:
        """The part between two stations inside the piece."""
        u, c = s0 - self.s0, self.c
        shifted = (self.width(s0), self.slope(s0), c[2] + 3 * u * c[3], c[3])
        return WidthPiece(s0, s1, shifted)


@dataclass(frozen=True, slots=True)
class WidthProfile:
    """The gusset's width all along a closed seam of `length` mm, from station 0 round to 0 again."""

    length: float
    pieces: tuple[WidthPiece, ...]

    def between(self, s0: float, s1: float) -> tuple[WidthPiece, ...]:
        """The pieces from `s0` to `s1`, which may lie past the seam's end; stations go on counting there."""
        found: list[WidthPiece] = []
        turn = math.floor(s0 / self.length) * self.length
        while turn < s1:
            for piece in self.pieces:
                moved = piece.moved(turn)
                low, high = max(moved.s0, s0), min(moved.s1, s1)
                if high - low > 1e-9:
                    found.append(moved.clipped(low, high))
            turn += self.length
        return tuple(found)

    def width(self, s: float) -> float:
        """Width in mm at a station."""
        s %= self.length
        piece = next((p for p in self.pieces if s <= p.s1), self.pieces[-1])
        return piece.width(max(s, piece.s0))


def profile_through(knots: Sequence[WidthKnot], length: float) -> WidthProfile:
    """Cubic Hermite pieces from knot to knot, round the closed seam.

    Args:
        knots: at least one, at different stations in [0, length), in order.
        length: of the seam, mm.
    """
    around = [*knots, WidthKnot(knots[0].s + length, *_rest(knots[0]))]
    pieces: list[WidthPiece] = []
    for first, second in pairwise(around):
        span = second.s - first.s
        chord = (second.width - first.width) / span
        m0, m1 = first.slope_after, second.slope_before
        c = (first.width, m0, (3 * chord - 2 * m0 - m1) / span, (m0 + m1 - 2 * chord) / span**2)
        pieces.append(WidthPiece(first.s, second.s, c))
    # Cut at the seam's end, so that the pieces run from 0 to length.
    wrapped: list[WidthPiece] = []
    for piece in pieces:
        if piece.s1 <= length + 1e-9:
            wrapped.append(piece)
        else:
            if length - piece.s0 > 1e-9:
                wrapped.append(piece.clipped(piece.s0, length))
            wrapped.append(piece.clipped(length, piece.s1).moved(-length))
    return WidthProfile(length, tuple(sorted(wrapped, key=lambda piece: piece.s0)))


def _rest(knot: WidthKnot) -> tuple[float, float, float]:
    return knot.width, knot.slope_before, knot.slope_after


def belly_share(s: float, start: float, end: float) -> float:
    """How much of a belly there is at a station of its run: 0 at both ends, 1 in the middle.

    It rises as 3v² − 2v³ and falls likewise, so that neither width nor slope jumps anywhere.

    Args:
        s: station, mm.
        start: of the run, mm.
        end: of the run, mm.
    """
    if not start < s < end:
        return 0.0
    v = 2.0 * min(s - start, end - s) / (end - start)
    return v * v * (3.0 - 2.0 * v)


def with_belly(profile: WidthProfile, start: float, end: float, add: float) -> WidthProfile:
    """The width with a belly along one run.

    Args:
        profile: the width without it.
        start: station where the run begins, in [0, length), mm.
        end: station where it ends, at most the length, mm.
        add: how much wider in the middle of the run, mm.
    """
    middle, half = 0.5 * (start + end), 0.5 * (end - start)
    rise = (0.0, 0.0, 3.0 * add / half**2, -2.0 * add / half**3)
    fall = (add, 0.0, -3.0 * add / half**2, 2.0 * add / half**3)
    bumps = (WidthPiece(start, middle, rise), WidthPiece(middle, end, fall))
    pieces: list[WidthPiece] = []
    for piece in profile.pieces:
        marks = sorted({piece.s0, piece.s1, *(s for s in (start, middle, end) if piece.s0 < s < piece.s1)})
        for s0, s1 in pairwise(marks):
            part = piece if (s0, s1) == (piece.s0, piece.s1) else piece.clipped(s0, s1)
            bump = next((b for b in bumps if b.s0 <= 0.5 * (s0 + s1) <= b.s1), None)
            if bump is not None:
                own = bump.clipped(s0, s1).c
                c = (part.c[0] + own[0], part.c[1] + own[1], part.c[2] + own[2], part.c[3] + own[3])
                part = WidthPiece(s0, s1, c)
            pieces.append(part)
    return WidthProfile(profile.length, tuple(pieces))


def linear_knots(points: Sequence[tuple[float, float]], length: float) -> list[WidthKnot]:
    """Knots of the linear interpolation of `(s, width)` round the closed seam."""
    if len(points) == 1:
        return [WidthKnot(*points[0], 0.0, 0.0)]
    around = [*points, (points[0][0] + length, points[0][1])]
    slopes = [(w1 - w0) / (s1 - s0) for (s0, w0), (s1, w1) in pairwise(around)]
    return [WidthKnot(s, w, slopes[i - 1], slopes[i]) for i, (s, w) in enumerate(points)]


def monotone_knots(points: Sequence[tuple[float, float]], length: float) -> list[WidthKnot]:
    """Knots of the monotone cubic through `(s, width)` round the closed seam.

    The slopes are those of Fritsch and Carlson (Monotone piecewise cubic interpolation, SIAM J. Numer. Anal.
    17, 1980) in the harmonic form that scipy's PCHIP uses. The points are repeated before and after, so that
    no end formula is needed.
    """
    if len(points) == 1:
        return linear_knots(points, length)
    from scipy.interpolate import PchipInterpolator

    stations = [s + turn * length for turn in (-1, 0, 1) for s, _ in points]
    slopes = PchipInterpolator(stations, [w for _ in range(3) for _, w in points]).derivative()
    return [WidthKnot(s, w, m, m) for (s, w) in points for m in (float(slopes(s)),)]


@dataclass(frozen=True, slots=True)
class TubeRun:
    """A tube's run on the outline: its name, where it begins and ends, its stations (s, width) in order."""

    tube: str
    start: float
    end: float
    stations: tuple[tuple[float, float], ...]


def held_knots(runs: Sequence[TubeRun], length: float) -> list[WidthKnot]:
    """Knots of a width that is held along each tube and blended inside the corners.

    Along a tube the width is straight between its own stations and held beyond them. A tube without stations
    goes straight between the widths that the linear profile has at its ends. Inside a corner a cubic leads
    from one run's end to the next one's start with their slopes, these limited so that it is monotone.
    """
    fallback = profile_through(linear_knots(around_seam(runs, length), length), length)
    along: list[list[tuple[float, float]]] = []
    for run in runs:
        points = list(run.stations) or [
            (run.start, fallback.width(run.start)),
            (run.end, fallback.width(run.end)),
        ]
        if points[0][0] > run.start + 1e-9:
            points.insert(0, (run.start, points[0][1]))
        if points[-1][0] < run.end - 1e-9:
            points.append((run.end, points[-1][1]))
        along.append(points)
    knots: list[WidthKnot] = []
    for index, points in enumerate(along):
        slopes = [(w1 - w0) / (s1 - s0) for (s0, w0), (s1, w1) in pairwise(points)]
        before, after = along[index - 1], along[(index + 1) % len(along)]
        into = _chord(before[-1], points[0], length)
        out_of = _chord(points[-1], after[0], length)
        for place, (s, width) in enumerate(points):
            slope_before = slopes[place - 1] if place > 0 else _limited(slopes[0], into)
            slope_after = slopes[place] if place < len(slopes) else _limited(slopes[-1], out_of)
            knots.append(WidthKnot(s, width, slope_before, slope_after))
    return knots


def _chord(first: tuple[float, float], second: tuple[float, float], length: float) -> float:
    span = (second[0] - first[0]) % length
    return (second[1] - first[1]) / span if span > 1e-9 else 0.0


def _limited(slope: float, chord: float) -> float:
    # Fritsch and Carlson's sufficient condition: the chord's sign and at most three times its size.
    return 0.0 if slope * chord <= 0 else math.copysign(min(abs(slope), 3 * abs(chord)), chord)


# Nodes and weights of the ten-point Gauss-Legendre rule on [-1, 1] (Abramowitz and Stegun, table 25.4).
_NODES = (0.1488743389816312, 0.4333953941292472, 0.6794095682990244, 0.8650633666889845, 0.9739065285171717)
_WEIGHTS = (
    0.2955242247147529,
    0.2692667193099963,
    0.2190863625159820,
    0.1494513491505806,
    0.0666713443086881,
)
_RULE = tuple(
    (sign * node, weight) for node, weight in zip(_NODES, _WEIGHTS, strict=True) for sign in (-1.0, 1.0)
)


def advance(piece: WidthPiece) -> Callable[[float], float]:
    """How far the strip's centre line gets, in mm, against the sewn edge's length from the piece's start.

    The edge of a strip of half width h has the length ds² = dx² + dh², so the centre line advances by
    dx = sqrt(1 − h′(s)²) ds. The integral is summed up panel by panel, always over the same panels, so that
    it is as smooth as the integrand.
    """
    span = piece.s1 - piece.s0

    # h′ = g0 + g1·u + g2·u², by the piece's coefficients.
    g0, g1, g2 = piece.c[1] / 2, piece.c[2], 1.5 * piece.c[3]
    if piece.straight:
        rate = math.sqrt(1 - g0**2)
        return lambda u: rate * u

    def panel(u0: float, u1: float) -> float:
        middle, half = (u0 + u1) / 2, (u1 - u0) / 2
        total = 0.0
        for node, weight in _RULE:
            u = middle + node * half
            total += weight * math.sqrt(1 - (g0 + u * (g1 + u * g2)) ** 2)
        return half * total

    count = max(1, math.ceil(span / 20.0))
    panels = [panel(span * k / count, span * (k + 1) / count) for k in range(count)]
    while count < 1024:
        finer = [panel(span * k / (2 * count), span * (k + 1) / (2 * count)) for k in range(2 * count)]
        if abs(sum(finer) - sum(panels)) < 1e-11 * span:
            break
        count, panels = 2 * count, finer
    reached = (0.0, *accumulate(panels))

    def along(u: float) -> float:
        k = min(max(int(u / span * count), 0), count - 1)
        return reached[k] + panel(span * k / count, u)

    return along


def sewn_edge(pieces: Sequence[WidthPiece]) -> Path:
    """The strip's upper edge, along +x from x = 0, as long as the seam it is sewn to."""
    segments: list[Segment] = []
    x = 0.0
    for piece in pieces:
        along = advance(piece)
        start = (x, piece.width(piece.s0) / 2)
        end = (x + along(piece.s1 - piece.s0), piece.width(piece.s1) / 2)
        if not piece.straight:
            segments.append(_curve(piece, along, start, end))
        elif segments and isinstance(segments[-1], Line) and _same_direction(segments[-1], start, end):
            segments[-1] = Line(segments[-1].start, end)
        else:
            segments.append(Line(start, end))
        x = end[0]
    return Path(tuple(segments))


def _curve(piece: WidthPiece, along: Callable[[float], float], start: Point, end: Point) -> Curve:
    span = piece.s1 - piece.s0

    def position(u: float) -> Point:
        if u <= 0:
            return start
        if u >= span:
            return end
        return start[0] + along(u), piece.width(piece.s0 + u) / 2

    def tangent(u: float) -> Point:
        slope = piece.slope(piece.s0 + u) / 2
        return math.sqrt(1 - slope**2), slope

    return Curve.fit(position, tangent, span, 1e-6)


def _same_direction(line: Line, start: Point, end: Point) -> bool:
    (ax, ay), (bx, by) = line.tangent_at(0.0), (end[0] - start[0], end[1] - start[1])
    return abs(ax * by - ay * bx) < 1e-9


def around_seam(runs: Sequence[TubeRun], length: float) -> list[tuple[float, float]]:
    """Every tube's stations (s, width) in order, each place once.

    Raises:
        Refusal: two tubes that meet at a sharp corner have different widths there.
    """
    points: list[tuple[float, float]] = []
    for tube_run in runs:
        for s, width in tube_run.stations:
            if points and abs(points[-1][0] - s) < 1e-6:
                _refuse_jump(tube_run.tube, points[-1][1], width)
                continue
            points.append((s, width))
    if len(points) > 1 and abs(points[0][0] + length - points[-1][0]) < 1e-6:
        _refuse_jump(runs[0].tube, points[-1][1], points[0][1])
        points.pop()
    return points


def without_doubles(knots: list[WidthKnot], length: float) -> list[WidthKnot]:
    """One knot, with the slope of either side, at a sharp corner, where one run ends and the next begins.

    Raises:
        Refusal: the two runs have different widths there.
    """
    kept: list[WidthKnot] = []
    for knot in knots:
        if kept and abs(kept[-1].s - knot.s) < 1e-6:
            _refuse_jump("the tube after it", kept[-1].width, knot.width)
            kept[-1] = WidthKnot(knot.s, knot.width, kept[-1].slope_before, knot.slope_after)
        else:
            kept.append(knot)
    if len(kept) > 1 and abs(kept[0].s + length - kept[-1].s) < 1e-6:
        last = kept.pop()
        _refuse_jump("the first tube", last.width, kept[0].width)
        kept[0] = WidthKnot(kept[0].s, kept[0].width, last.slope_before, kept[0].slope_after)
    return kept


def _refuse_jump(tube: str, before: float, after: float) -> None:
    if abs(before - after) > 1e-6:
        raise Refusal(
            f"the width jumps at the sharp corner before {tube}",
            key="between",
            source="recipe",
            found=f"{before:g} mm, then {after:g} mm",
            valid="a rounded corner, inside which the width can change",
            todo="round that corner, or give both tubes one width there",
        )
