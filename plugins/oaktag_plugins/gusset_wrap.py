"""`gusset.wrap`: one strip, or several, that follows the tubes' widths and sews to both panels exactly."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Annotated, Literal

from pydantic import Field

from oaktag import Draft, Finding, Options, Refusal, StageSpec, hookimpl
from oaktag.geometry import Arc, Curve, Line, Path, Point, Segment, Transform, distance
from oaktag.pattern import CORNER_PREFIX, Edge, Mark, Outline, Piece, Place, Seam, SeamSide
from oaktag.recipe import Length, PerName, PositiveLength, TubePlace, listed, meant, show
from oaktag_plugins.drafting.obstacles import Body, bodies
from oaktag_plugins.panel_pair import DRIVE, NON_DRIVE

DRIVE_EDGE = "drive-side"
NON_DRIVE_EDGE = "non-drive-side"
START_EDGE = "start"
END_EDGE = "end"
_ALONG = 0.8  # cosine from which a run goes to the front, or up
_ARROW_FROM, _ARROW_LENGTH, _ARROW_HEAD, _ARROW_BELOW = 10.0, 25.0, 5.0, 8.0
DEFAULT_JOIN = "down-tube"
"""The tube at whose middle the strip is joined if the recipe doesn't say (common practice, no source)."""

WIDEST = PerName[PositiveLength].model_validate({"default": 75.0, "seat-tube": 60.0})
"""Widest that the gusset may be by tube, mm, if the recipe doesn't say (common practice, no source)."""
NEAR_CRANKS = 100.0
"""So near to the bottom bracket, in mm, the crank arms pass the bag (common practice, no source)."""
CRANK_ROOM = 10.0
"""Kept between the bag and either crank arm, mm (common practice, no source)."""
_BOTTOM_BRACKET = "bottom-bracket"
_RIDE = "Ride and check: legs, heels and cranks must clear; every rider differs."
_SAMPLE = 2.0  # mm of seam between widths that are held against a limit

Between = Literal["held", "linear", "monotone-cubic"]


class WrapOptions(Options):
    """Options of `gusset.wrap`."""

    between: Between = "held"
    """How the width goes between stations.

    `held`: straight between a tube's own stations, held beyond them, and blended inside the corners;
    `linear`: straight along the seam from station to station; `monotone-cubic`: smooth, without overshoot.
    """
    add: Length = 0.0
    """Added to every width of the sheet."""
    width: PerName[PositiveLength] | None = None
    """A width instead of the sheet's, by tube; `default` is for tubes that the sheet has no width of."""
    joins: tuple[TubePlace, ...] = ()
    """Where the strip is joined; several places make several pieces. Middle of the down tube if left out."""
    slope_limit: Annotated[float, Field(gt=0, lt=1)] = 0.5
    """How fast half the width may change, mm per mm of seam; steeper, and the strip puckers."""
    widest: PerName[PositiveLength] | None = None
    """Widest that legs, heels and cranks let the bag be, for all or by tube.

    If left out 75 mm, and 60 mm along the seat tube (common practice, no source; every rider differs).
    """
    widest_upper_rear: PositiveLength = 55.0
    """Widest in the bag's rear third above half its height, where knees pass (common practice, no source)."""
    crank_width: PositiveLength | None = None
    """Inside distance of the crank arms; within 100 mm of the bottom bracket the bag stays 20 mm below it."""
    material: Annotated[str, Field(min_length=1, max_length=60)] = "shell"
    """What the gusset is cut from."""


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


def run(draft: Draft, options: WrapOptions) -> Draft:
    """Develop the gusset and say what it is sewn to.

    Raises:
        Refusal: no width is known, a width or a place can't be used, or the width changes too fast.
    """
    outline = draft.outline
    assert outline is not None
    length = outline.path.length
    runs, findings = tube_runs(draft, outline, options)
    profile = width_profile(runs, length, options)
    check_slopes(profile, outline, options)
    findings += width_findings(draft, outline, profile, options)
    cuts = join_stations(draft, outline, options)
    holes = hole_stations(draft, outline)
    pieces: list[Piece] = []
    seams: list[Seam] = []
    for index, cut in enumerate(cuts):
        following = cuts[index + 1] if index + 1 < len(cuts) else cuts[0] + length
        number = f"-{index + 1}" if len(cuts) > 1 else ""
        piece = strip(f"gusset{number}", profile, cut, following, outline, options.material, index, len(cuts))
        here = [(body, at) for body, s in holes if (at := (s - cut) % length) < following - cut]
        findings += [finding for body, at in here for finding in hole_findings(piece, body, at)]
        piece = piece.evolve(
            marks=(*piece.marks, *(m for body, at in here for m in hole_marks(piece, body, at)))
        )
        pieces.append(piece)
        edges, offset, span = panel_run(outline, cut, following - cut)
        for name, panel, edge, reverse in (
            ("drive", DRIVE, DRIVE_EDGE, True),
            ("non-drive", NON_DRIVE, NON_DRIVE_EDGE, False),
        ):
            a = SeamSide(panel, edges, offset, span)
            seams.append(Seam(f"{name}{number}", a, SeamSide(piece.id, (edge,), reverse=reverse)))
    for index, piece in enumerate(pieces):
        following_piece = pieces[(index + 1) % len(pieces)]
        number = f"-{index + 1}" if len(cuts) > 1 else ""
        a = SeamSide(piece.id, (END_EDGE,))
        seams.append(Seam(f"join{number}", a, SeamSide(following_piece.id, (START_EDGE,), reverse=True)))
    changed = draft.evolve(pieces=(*draft.pieces, *pieces), seams=(*draft.seams, *seams))
    return changed.with_findings(findings)


def tube_runs(draft: Draft, outline: Outline, options: WrapOptions) -> tuple[list[TubeRun], list[Finding]]:
    """Every tube's run on the outline with the widths along it."""
    frame, opening = draft.frame, draft.opening
    assert opening is not None
    named = options.width
    if named is not None:
        for name in named.names:
            if name not in frame.tubes:
                raise Refusal(
                    "there is no such tube",
                    key=f"width.{name}",
                    source="recipe",
                    found=show(name),
                    valid=listed([*frame.tubes, "default"]),
                    todo=meant(name, frame.tubes, "name a tube, or remove it"),
                )
    runs: list[TubeRun] = []
    bare: list[str] = []
    start = 0.0
    for edge in outline.edges:
        if not edge.is_corner:
            tube = edge.name
            widths = [w for w in frame.widths if w.place.tube == tube]
            own = None
            if named is not None and (tube in named.names or (not widths and "default" in named.root)):
                own = named.get(tube)
            points: dict[float, tuple[float, float]] = {}
            if own is not None:
                points = {start: (0.0, own), start + edge.length: (0.0, own)}
            else:
                side = opening.edge(tube).path
                for station in widths:
                    along = station.place.along(side.length)
                    if not -1e-6 <= along <= side.length + 1e-6:
                        raise Refusal(
                            f"lies beyond the end of {tube}",
                            key=station.key,
                            source="frame",
                            found=f"{along:.1f} mm from corner {frame.ends(tube)[0]}",
                            valid=f"0 to {side.length:.1f} mm",
                            todo="correct the distance",
                        )
                    width = station.width + options.add
                    if width <= 0:
                        raise Refusal(
                            "nothing is left of the width",
                            key="add",
                            source="recipe",
                            found=f"{station.width:g} mm and {options.add:g} mm",
                            valid=f"more than {-station.width:g} mm",
                            todo="add more, or measure the tube again",
                        )
                    foot = side.point_at(min(max(along, 0.0), side.length))
                    s, off = edge.path.nearest(foot)
                    # Several stations may meet at the end of a run: the nearest to the run speaks for it.
                    key = round(start + s, 6)
                    if key not in points or off < points[key][0]:
                        points[key] = (off, width)
            if not points:
                bare.append(tube)
            stations = tuple((s, width) for s, (_, width) in sorted(points.items()))
            runs.append(TubeRun(tube, start, start + edge.length, stations))
        start += edge.length
    if len(bare) == len(runs):
        raise Refusal(
            "no tube's width is known, so the gusset has none",
            key="widths",
            source="frame",
            found="no width",
            valid=f"a table such as [widths.{runs[0].tube}]",
            todo="measure each tube's outside width at both ends, or give the stage a width",
        )
    findings = [
        Finding(
            "note",
            "width-assumed",
            f"the sheet has no width of {tube}; "
            "the gusset goes straight there between its neighbours' widths",
            tube,
        )
        for tube in bare
    ]
    return runs, findings


def width_profile(runs: Sequence[TubeRun], length: float, options: WrapOptions) -> WidthProfile:
    """The width all along the seam."""
    points = around_seam(runs, length)
    if options.between == "linear":
        knots = linear_knots(points, length)
    elif options.between == "monotone-cubic":
        knots = monotone_knots(points, length)
    else:
        knots = _without_doubles(held_knots(runs, length), length)
    return profile_through(knots, length)


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


def _without_doubles(knots: list[WidthKnot], length: float) -> list[WidthKnot]:
    # At a sharp corner one run ends where the next begins: one knot with the slope of either side.
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


def check_slopes(profile: WidthProfile, outline: Outline, options: WrapOptions) -> None:
    """Refuse a width that changes faster than the limit."""
    for piece in profile.pieces:
        station, slope = piece.steepest()
        if slope / 2 > options.slope_limit:
            where = edge_at(outline, station)[0].name
            raise Refusal(
                f"the width changes too fast at {where}",
                key="slope-limit",
                source="recipe",
                found=f"half of it by {slope / 2:.2f} mm per mm of seam",
                valid=f"at most {options.slope_limit:g}",
                todo="measure the widths there again, use a larger radius, or raise the limit",
            )


def width_findings(
    draft: Draft, outline: Outline, profile: WidthProfile, options: WrapOptions
) -> list[Finding]:
    """Say where the gusset is wider than legs, heels and cranks allow.

    Raises:
        Refusal: a limit names an unknown tube.
    """
    limits = WIDEST if options.widest is None else options.widest.require(draft.frame.tubes, "widest", "tube")
    crank = None if options.crank_width is None else options.crank_width - 2 * CRANK_ROOM
    tubes = [edge.name for edge in outline.edges if not edge.is_corner]
    least = min(options.widest_upper_rear, *(limits.get(tube) for tube in tubes))
    if max(piece.greatest() for piece in profile.pieces) <= min(least, least if crank is None else crank):
        return []
    assert draft.opening is not None
    corners = {corner.name: corner.point for corner in draft.opening.corners}
    bottom = (
        _BOTTOM_BRACKET if _BOTTOM_BRACKET in corners else min(corners, key=lambda name: corners[name][1])
    )
    box = outline.path.bounds
    worst: dict[str, tuple[float, float, float, str]] = {}

    def hold(where: str, width: float, limit: float, place: str) -> None:
        if width > limit + 1e-6 and (where not in worst or width - limit > worst[where][0]):
            worst[where] = (width - limit, width, limit, place)

    start = 0.0
    for index, edge in enumerate(outline.edges):
        around = (outline.edges[index - 1], edge, outline.edges[(index + 1) % len(outline.edges)])
        # A round belongs to both its tubes.
        own = max(limits.get(e.name) for e in (around if edge.is_corner else (edge,)) if not e.is_corner)
        count = max(1, math.ceil(edge.length / _SAMPLE))
        for along in (edge.length * k / count for k in range(count + 1)):
            width, point = profile.width(start + along), edge.path.point_at(along)
            place = f"{along:.0f} mm along {edge.name}"
            hold(edge.name, width, own, place)
            if point[0] < box.min_x + box.width / 3 and point[1] > box.min_y + box.height / 2:
                hold("upper rear", width, options.widest_upper_rear, place)
            if crank is not None and distance(point, corners[bottom]) < NEAR_CRANKS:
                hold(bottom, width, crank, place)
        start += edge.length
    findings: list[Finding] = []
    for where, (_, width, limit, place) in worst.items():
        cranks = f", {CRANK_ROOM:g} mm inside either crank arm" if where == bottom else ""
        message = (
            f"the gusset is {width:.1f} mm wide {place}; {limit:g} mm is the limit there{cranks}. {_RIDE}"
        )
        findings.append(Finding("warning", "width-over-limit", message, where))
    return findings


def hole_stations(draft: Draft, outline: Outline) -> list[tuple[Body, float]]:
    """Obstacles that go through the gusset, each with its seam length."""
    assert draft.opening is not None
    found: list[tuple[Body, float]] = []
    for body in bodies(draft.frame.obstacles, draft.opening, "hole"):
        names = [edge.name for edge in outline.edges]
        at = names.index(body.obstacle.place.tube)
        nearest: list[tuple[float, float]] = []
        start = 0.0
        for index, edge in enumerate(outline.edges):
            # Beside a tube's end the seam line is already in the round.
            if index == at or (edge.is_corner and (index - at) % len(names) in (1, len(names) - 1)):
                s, off = edge.path.nearest(body.foot)
                nearest.append((off, start + s))
            start += edge.length
        found.append((body, min(nearest)[1]))
    return found


def hole_marks(piece: Piece, body: Body, along: float) -> tuple[Mark, ...]:
    """A circle about the hole on the strip's centre line, a cross in its middle, the obstacle's name.

    Args:
        piece: of the gusset.
        body: what goes through it.
        along: seam length from the piece's start, mm.
    """
    upper = piece.edge(NON_DRIVE_EDGE).path
    x, half = upper.point_at(along)
    radius = 0.5 * body.obstacle.length
    if radius >= min(half, x, upper.end[0] - x):
        return ()  # it would leave the piece, which is an error of its own
    bottom, top = (x, -radius), (x, radius)
    # Begun at the bottom, so that the name stands above the top.
    circle = Path((Arc(bottom, top, (x, 0.0), radius, True), Arc(top, bottom, (x, 0.0), radius, True)))
    arm = 0.5 * radius
    return (
        Mark("line", circle, body.obstacle.name),
        Mark("centre", Path((Line((x - arm, 0.0), (x + arm, 0.0)),))),
        Mark("centre", Path((Line((x, -arm), (x, arm)),))),
    )


def hole_findings(piece: Piece, body: Body, along: float) -> list[Finding]:
    """What is wrong with a hole: too near to a join, or too wide for the strip."""
    obstacle = body.obstacle
    upper = piece.edge(NON_DRIVE_EDGE).path
    radius, width = 0.5 * obstacle.length, 2 * upper.point_at(along)[1]
    wanted = obstacle.length + 2 * obstacle.clearance
    left = min(along, upper.length - along) - radius
    findings: list[Finding] = []
    if left < obstacle.clearance - 1e-6:
        message = (
            f"the hole for {obstacle.name} comes to {left:.1f} mm from a join of {piece.id}; "
            f"{obstacle.clearance:g} mm is wanted. Move the join (`joins`)."
        )
        findings.append(Finding("error", "hole-at-join", message, obstacle.name))
    if width < wanted - 1e-6:
        message = (
            f"the hole for {obstacle.name} and its clearance take {wanted:g} mm, "
            f"and the gusset is {width:.1f} mm wide there. Cut it out of the panels instead "
            '(`treatment = "notch"`), or make the gusset wider.'
        )
        findings.append(Finding("error", "hole-too-wide", message, obstacle.name))
    return findings


def edge_at(outline: Outline, station: float) -> tuple[Edge, float]:
    """The outline's edge at a seam length, and the distance along that edge."""
    station %= outline.path.length
    for edge in outline.edges:
        if station < edge.length:
            return edge, station
        station -= edge.length
    return outline.edges[-1], outline.edges[-1].length


def join_stations(draft: Draft, outline: Outline, options: WrapOptions) -> list[float]:
    """Seam lengths of the joins, in order."""
    places: list[tuple[str, Place]] = []
    for index, join in enumerate(options.joins):
        key = f"joins[{index}]"
        places.append((key, join.place(draft.frame, key)))
    if not places:
        tubes = [edge for edge in outline.edges if not edge.is_corner]
        longest = max(tubes, key=lambda edge: edge.length).name
        name = DEFAULT_JOIN if any(edge.name == DEFAULT_JOIN for edge in tubes) else longest
        places = [("joins", Place(name, fraction=0.5))]
    assert draft.opening is not None
    stations: dict[float, str] = {}
    for key, place in places:
        side = draft.opening.edge(place.tube).path
        along = place.along(side.length)
        start = 0.0
        for edge in outline.edges:
            if edge.name == place.tube:
                break
            start += edge.length
        edge = outline.edge(place.tube)
        s, _ = edge.path.nearest(side.point_at(min(max(along, 0.0), side.length)))
        if not 0 <= along <= side.length or not 1.0 < s < edge.length - 1.0:
            raise Refusal(
                f"a join has to lie on the straight of {place.tube}, not in a corner",
                key=key,
                source="recipe",
                found=f"{along:.1f} mm from corner {draft.frame.ends(place.tube)[0]}",
                valid=f"on the run of {edge.length:.1f} mm between the corners' rounds",
                todo="move the join",
            )
        if any(abs(start + s - other) < 1.0 for other in stations):
            raise Refusal(
                "two joins lie at one place",
                key=key,
                source="recipe",
                found=f"{place.tube}, {s:.1f} mm from the start of its run",
                valid="joins that lie apart",
                todo="move one of them, or remove it",
            )
        stations[start + s] = key
    return sorted(stations)


def strip(
    piece_id: str,
    profile: WidthProfile,
    start: float,
    end: float,
    outline: Outline,
    material: str,
    index: int,
    count: int,
) -> Piece:
    """One piece of the gusset, between two seam lengths."""
    upper = sewn_edge(profile.between(start, end))
    # Half a turn of the mirror image: y becomes -y, and the edge runs back towards -x.
    lower = upper.transformed(Transform.mirror_x().then(Transform.rotation(180.0))).reversed()
    edges = (
        Edge(NON_DRIVE_EDGE, upper),
        Edge(END_EDGE, Path((Line(upper.end, lower.start),))),
        Edge(DRIVE_EDGE, lower),
        Edge(START_EDGE, Path((Line(lower.end, upper.start),))),
    )
    part = f", part {index + 1}" if count > 1 else ""
    return Piece(
        id=piece_id,
        name=f"gusset{part}",
        edges=edges,
        material=material,
        marks=(*tube_marks(upper, start, end, outline), *way_marks(upper, start, end, outline)),
    )


def tube_marks(upper: Path, start: float, end: float, outline: Outline) -> list[Mark]:
    """Lines across the strip where the panel's edges meet, each named after the one that begins there."""
    length = outline.path.length
    marks: list[Mark] = []
    station = 0.0
    for edge in outline.edges:
        along = (station - start) % length
        if 1e-6 < along < end - start - 1e-6:
            x, y = upper.point_at(along)
            marks.append(Mark("line", Path((Line((x, -y), (x, y)),)), edge.name.removeprefix(CORNER_PREFIX)))
        station += edge.length
    return sorted(marks, key=lambda mark: mark.path.start)


def way_marks(upper: Path, start: float, end: float, outline: Outline) -> list[Mark]:
    """Arrows along the strip where it runs to the front wheel and where it runs up."""
    length = outline.path.length
    marks: list[Mark] = []
    for word, (dx, dy) in (("FRONT", (1.0, 0.0)), ("UP", (0.0, 1.0))):
        station, best = 0.0, None
        for edge in outline.edges:
            (ax, ay), (bx, by) = edge.path.start, edge.path.end
            span = math.hypot(bx - ax, by - ay)
            share = ((bx - ax) * dx + (by - ay) * dy) / span if span else 0.0
            if not edge.is_corner and share > _ALONG and (best is None or share > best[0]):
                best = (share, station)
            station += edge.length
        if best is None:
            continue
        along = (best[1] - start) % length
        if along + _ARROW_FROM + _ARROW_LENGTH > end - start:
            continue  # the run begins on another part of the gusset
        x, _ = upper.point_at(along + _ARROW_FROM)
        y = upper.point_at(along)[1] - _ARROW_BELOW
        tip = (x + _ARROW_LENGTH, y)
        upper_barb, lower_barb = ((tip[0] - _ARROW_HEAD, y + side * _ARROW_HEAD / 2) for side in (1, -1))
        # The shaft by itself, so that the word stands above its middle.
        marks.append(Mark("line", Path.polyline([(x, y), tip]), word))
        marks.append(Mark("line", Path.polyline([upper_barb, tip, lower_barb])))
    return marks


def panel_run(outline: Outline, start: float, span: float) -> tuple[tuple[str, ...], float, float | None]:
    """The panel's seam line from one join to the next: edges, start and length as in `SeamSide`."""
    names = [edge.name for edge in outline.edges]
    first, offset = edge_at(outline, start)
    at = names.index(first.name)
    around = [*names[at:], *names[:at]]
    if math.isclose(span, outline.path.length, abs_tol=1e-6):
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


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Describe the stage."""
    return (
        StageSpec(
            name="gusset.wrap",
            summary="Develop the gusset from the tubes' widths, its sewn edges as long as the panels'",
            run=f"{__name__}:run",
            options=f"{__name__}:WrapOptions",
            needs=frozenset({"panels", "outline", "opening"}),
            adds=frozenset({"gusset", "seams"}),
        ),
    )
