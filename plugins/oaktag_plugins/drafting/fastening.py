"""What holds a bag to its tubes: places on straight runs, room across the gusset, how far round a tube is."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from oaktag import Draft, Finding, Refusal
from oaktag.geometry import Arc, Line, Path, Point, distance
from oaktag.pattern import Edge, Finish, Material, Outline, Piece, Place
from oaktag.recipe import listed, meant, show
from oaktag_plugins.drafting.bag import (
    DRIVE_EDGE,
    NON_DRIVE_EDGE,
    GussetSpot,
    SeamPlace,
    gusset_spot,
    gusset_starts,
    seam_place,
)

_STEPS = 8  # places at which a width is looked at between two, besides its own joints


@dataclass(frozen=True, slots=True)
class StraightRun:
    """A body's seam line along one tube, between the rounds of its corners.

    Attributes:
        tube: name of the outline's edge.
        start: seam length along the outline at which it begins, mm.
        length: mm.
    """

    tube: str
    start: float
    length: float


def straight_runs(outline: Outline) -> tuple[StraightRun, ...]:
    """The runs between a body's corners, in order."""
    found: list[StraightRun] = []
    start = 0.0
    for edge in outline.edges:
        if not edge.is_corner:
            found.append(StraightRun(edge.name, start, edge.length))
        start += edge.length
    return tuple(found)


def straight_run(outline: Outline, tube: str, key: str) -> StraightRun:
    """The run along one tube.

    Raises:
        Refusal: the body doesn't run along that tube.
    """
    runs = {run.tube: run for run in straight_runs(outline)}
    if tube not in runs:
        raise Refusal(
            "the bag doesn't run along this tube",
            key=key,
            source="recipe",
            found=show(tube),
            valid=listed(runs),
            todo=meant(tube, runs, "name a tube that it runs along"),
        )
    return runs[tube]


def run_parts(
    draft: Draft, outline: Outline, run: StraightRun, join_room: float
) -> list[tuple[float, float]]:
    """The parts of a run that lie on one piece of the gusset each: seam lengths from and to, mm.

    Args:
        draft: has the gusset.
        outline: of the body.
        run: along a tube.
        join_room: kept free beside an end of such a piece, mm; parts that it leaves nothing of are left out.
    """
    whole = outline.path.length
    parts: list[tuple[float, float]] = []
    for strip, begin in gusset_starts(draft, outline):
        length = strip.edge(NON_DRIVE_EDGE).path.length
        ahead = (begin - run.start) % whole
        # A strip may begin before the run, further back than the outline's own start.
        for first in (ahead, ahead - whole):
            last = first + length
            low = first + join_room if first > 1e-9 else 0.0
            high = last - join_room if last < run.length - 1e-9 else run.length
            if min(last, run.length) > max(first, 0.0) and high - low > 1e-6:
                parts.append((run.start + low, run.start + high))
    return sorted(parts)


def spot_at(draft: Draft, outline: Outline, station: float) -> GussetSpot | None:
    """The place on the gusset at a seam length along a body's outline; None where the bag is open."""
    try:
        return gusset_spot(draft, outline, station)
    except KeyError:
        return None


def open_finding(what: str, outline: Outline, station: float, where: str) -> Finding:
    """Say that something has no gusset to be on."""
    message = (
        f"{what} is wanted {along_words(outline, station)}, where the gusset is left off. "
        "Move it to where there is one."
    )
    return Finding("error", "gusset-open", message, where)


def free_number(draft: Draft, prefix: str) -> int:
    """The first number from which on no piece, hole, fitting or placement line is named `prefix-number`."""
    names = {piece.id for piece in draft.pieces}
    for piece in draft.pieces:
        names.update(line.name for line in piece.placements)
        names.update(hole.name for hole in piece.holes)
        names.update(fitting.name for fitting in piece.fittings)
    taken = [0]
    for name in names:
        number = name.split(":")[0].removeprefix(f"{prefix}-")
        if number != name.split(":")[0] and number.isdigit():
            taken.append(int(number))
    return max(taken) + 1


def seam_length_at(strip: Piece, x: float) -> float:
    """Seam length from the start of a piece of the gusset to a place along it, mm; of its ends beyond."""
    upper = strip.edge(NON_DRIVE_EDGE).path
    if x <= upper.start[0]:
        return 0.0
    if x >= upper.end[0]:
        return upper.length
    low, high = 0.0, upper.length
    # x grows with the seam length, by no less than the slope's limit lets it.
    for _ in range(60):
        middle = 0.5 * (low + high)
        if upper.point_at(middle)[0] < x:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def half_width(strip: Piece, x: float) -> float:
    """Half the width of a piece of the gusset at a place along it, mm; at its ends beyond them."""
    return strip.edge(NON_DRIVE_EDGE).path.point_at(seam_length_at(strip, x))[1]


def narrowest(strip: Piece, x0: float, x1: float) -> float:
    """The least half width of a piece of the gusset between two places along it, mm."""
    upper = strip.edge(NON_DRIVE_EDGE).path
    joints = [x for s in upper.joints if x0 < (x := upper.point_at(s)[0]) < x1]
    steps = [x0 + (x1 - x0) * k / _STEPS for k in range(_STEPS + 1)]
    return min(half_width(strip, x) for x in (*steps, *joints))


def ends_of(strip: Piece) -> tuple[float, float]:
    """Where a piece of the gusset begins and ends along x, mm."""
    upper, lower = strip.edge(NON_DRIVE_EDGE).path, strip.edge(DRIVE_EDGE).path
    return max(upper.start[0], lower.end[0]), min(upper.end[0], lower.start[0])


def bought(draft: Draft, name: str, key: str, form: str) -> Material | None:
    """An entry of the material table that is bought in a form; None if the table hasn't got it.

    Raises:
        Refusal: the table has it in another form.
    """
    material = draft.material(name)
    if material is not None and material.form != form:
        fit = [entry.name for entry in draft.materials if entry.form == form]
        words = {"tape": "tape", "each": "counted one by one", "cloth": "cloth"}
        raise Refusal(
            f"is {words[material.form]}, not {words[form]}",
            key=key,
            source="recipe",
            found=show(name),
            valid=listed(fit) if fit else "nothing in the material table",
            todo=meant(name, fit, "name one of these"),
        )
    return material


def measure_of(
    draft: Draft, name: str, measure: str, given: float | None, *, form: str, key: str, option: str
) -> float:
    """A measure in mm of something that is bought: the option's value, else the material table's.

    Args:
        draft: has the table.
        name: of the material.
        measure: `width`, `thickness`, or the name of a further one such as `hole`.
        given: the option's value.
        form: in which the material is bought.
        key: of the option that names the material.
        option: name of the option that gives the value instead.

    Raises:
        Refusal: neither says it.
    """
    material = bought(draft, name, key, form)
    if given is not None:
        return given
    value: float | None = None
    if material is not None:
        value = {"width": material.width, "thickness": material.thickness}.get(measure)
        if value is None:
            value = material.measure(measure)
    if value is None or value <= 0.0:
        fit = [entry.name for entry in draft.materials if entry.form == form]
        missing = "isn't in the material table" if material is None else f"has no {measure} in the table"
        raise Refusal(
            missing,
            key=key,
            source="recipe",
            found=show(name),
            valid=listed(fit) if fit else "an entry of the material table",
            todo=meant(name, fit, f"add it to the table, or give `{option}`"),
        )
    return value


@dataclass(frozen=True, slots=True)
class TubeRound:
    """How far round a tube is, mm, and how that is known: `option`, `round` (from its width), `gusset`."""

    circumference: float
    known_from: str

    @property
    def radius(self) -> float:
        """Of a round tube of that circumference, mm."""
        return self.circumference / math.tau


def tube_round(
    draft: Draft, place: Place, length: float, own: Mapping[str, float], gusset_width: float
) -> TubeRound:
    """How far round a tube is at a place.

    Args:
        draft: has the frame.
        place: on the tube.
        length: of the tube, mm.
        own: circumferences that the recipe gives, mm, by tube.
        gusset_width: there, mm; what the tube is taken to be as wide as if the sheet has no width of it.
    """
    if place.tube in own or "default" in own:
        return TubeRound(own.get(place.tube, own.get("default", 0.0)), "option")
    stations = sorted(
        (w.place.along(length), w.width) for w in draft.frame.widths if w.place.tube == place.tube
    )
    if not stations:
        return TubeRound(math.pi * gusset_width, "gusset")
    at = place.along(length)
    before = [station for station in stations if station[0] <= at]
    after = [station for station in stations if station[0] > at]
    if not before or not after:
        width = (before or after)[-1 if before else 0][1]
    else:
        (s0, w0), (s1, w1) = before[-1], after[0]
        width = w0 + (w1 - w0) * (at - s0) / (s1 - s0)
    return TubeRound(math.pi * width, "round")


def length_round(radius: float, span: float, gap: float) -> float:
    """Length of a band drawn tight about a round tube and a flat span below it, mm.

    The convex hull of a circle and of a segment of length `span`, which lies `gap` away from the circle,
    square to the line between their middles: the segment, two tangents, the arc between them.
    A tangent from a point at a distance c from the middle of a circle of radius r is sqrt(c² - r²) long and
    meets the circle at an angle of acos(r/c) from the line to the point.

    Args:
        radius: of the tube, mm.
        span: flat part of the band, mm; 0 for none.
        gap: from tube to span, mm; not below 0.
    """
    half, below = 0.5 * span, radius + gap
    out = math.hypot(half, below)
    tangent = math.sqrt(max(out * out - radius * radius, 0.0))
    turn = math.atan2(half, below) + math.acos(min(radius / out, 1.0))
    return span + 2.0 * tangent + 2.0 * radius * (math.pi - turn)


def gap_at(draft: Draft, outline: Outline, place: Place, found: SeamPlace) -> float:
    """How far the bag stays off a tube at a place, mm; 0 on an edge of the bag's own."""
    assert draft.opening is not None
    if place.tube not in draft.frame.tubes:
        return 0.0
    tube = draft.opening.edge(place.tube).path
    point = tube.point_at(min(max(place.along(tube.length), 0.0), tube.length))
    return distance(point, outline.path.point_at(found.station % outline.path.length))


def finished(edges: tuple[Edge, ...], finish: Finish) -> tuple[Edge, ...]:
    """The same edges, all with a finish."""
    return tuple(replace(edge, finish=finish) for edge in edges)


def circle(middle: Point, radius: float) -> Path:
    """A circle, counter-clockwise from its lowest point."""
    x, y = middle
    bottom, top = (x, y - radius), (x, y + radius)
    return Path((Arc(bottom, top, middle, radius, False), Arc(top, bottom, middle, radius, False)))


def rounded_slot(middle: Point, length: float, width: float) -> Path:
    """A slot along x with half-round ends, counter-clockwise: `length` mm over all, a circle if no longer."""
    x, y = middle
    r = 0.5 * width
    half = 0.5 * length - r
    if half < 1e-6:
        return circle(middle, r)
    right, left = (x + half, y), (x - half, y)
    lower_left, lower_right = (left[0], y - r), (right[0], y - r)
    upper_right, upper_left = (right[0], y + r), (left[0], y + r)
    return Path(
        (
            Line(lower_left, lower_right),
            Arc(lower_right, upper_right, right, r, False),
            Line(upper_right, upper_left),
            Arc(upper_left, lower_left, left, r, False),
        )
    )


def rectangle_path(width: float, height: float, middle: Point = (0.0, 0.0)) -> Path:
    """A rectangle, counter-clockwise from its lower left corner."""
    (x, y), a, b = middle, 0.5 * width, 0.5 * height
    return Path.polyline([(x - a, y - b), (x + a, y - b), (x + a, y + b), (x - a, y + b)], closed=True)


def rounded_rectangle_edges(width: float, height: float, radius: float) -> tuple[Edge, ...]:
    """The edges of a rectangle about the origin with round corners, counter-clockwise from its lower side."""
    a, b = 0.5 * width, 0.5 * height
    r = min(radius, 0.9 * a, 0.9 * b)
    corners = (("lower-right", 1, -1), ("upper-right", 1, 1), ("upper-left", -1, 1), ("lower-left", -1, -1))
    edges: list[Edge] = []
    here: Point = (-a + r, -b)
    for side, (name, sx, sy) in zip(("lower", "right", "upper", "left"), corners, strict=True):
        middle = (sx * (a - r), sy * (b - r))
        upright, level = (middle[0], sy * b), (sx * a, middle[1])
        enter, leave = (upright, level) if side in ("lower", "upper") else (level, upright)
        edges.append(Edge(side, Path((Line(here, enter),))))
        edges.append(Edge(name, Path((Arc(enter, leave, middle, r, False),))))
        here = leave
    return tuple(edges)


def along_words(outline: Outline, station: float) -> str:
    """A place on a body's seam line in words: `212 mm along down-tube`."""
    station %= outline.path.length
    for edge in outline.edges:
        if station <= edge.length:
            name = f"the round of the corner {edge.name.split(':')[1]}" if edge.is_corner else edge.name
            return f"{station:.0f} mm along {name}"
        station -= edge.length
    return f"at the end of {outline.edges[-1].name}"


def body_at(draft: Draft, bodies: Sequence[str], place: Place, key: str) -> tuple[Outline, SeamPlace]:
    """The body that comes nearest to a place, and where on it that is.

    Args:
        draft: has outlines and opening.
        bodies: that may be meant.
        place: on a tube.
        key: of the option, for the message.

    Raises:
        Refusal: no body runs along that tube, or the place lies beyond its ends.
    """
    found: list[tuple[float, int, Outline, SeamPlace]] = []
    for number, body in enumerate(bodies):
        outline = draft.outline_of(body)
        if any(run.tube == place.tube for run in straight_runs(outline)) or len(bodies) == 1:
            here = seam_place(draft, outline, place, key)
            found.append((gap_at(draft, outline, place, here), number, outline, here))
    if not found:
        known = {run.tube for body in bodies for run in straight_runs(draft.outline_of(body))}
        fit = [tube for tube in draft.frame.tubes if tube in known]
        raise Refusal(
            "no body runs along this tube",
            key=key,
            source="recipe",
            found=show(place.tube),
            valid=listed(fit),
            todo=meant(place.tube, fit, "name a tube that one runs along"),
        )
    best = min(found, key=lambda one: one[:2])
    return best[2], best[3]


def check_tubes(names: Iterable[str], known: Iterable[str], key: str) -> None:
    """Refuse a tube that isn't there.

    Args:
        names: as the recipe has them; `default` may stand among them.
        known: every tube.
        key: of the option, for the message.

    Raises:
        Refusal: one of the names is unknown.
    """
    tubes = tuple(known)
    for name in names:
        if name not in tubes and name != "default":
            raise Refusal(
                "there is no such tube",
                key=f"{key}.{name}",
                source="recipe",
                found=show(name),
                valid=listed(tubes),
                todo=meant(name, tubes, "name one of the tubes, or remove it"),
            )


def together(spots: Sequence[GussetSpot]) -> tuple[tuple[int, ...], ...]:
    """Places on the gusset in the outline's order, as indices, parted wherever a join lies between two.

    Where the gusset is one strip both its ends meet at its only join, so that the piece alone doesn't tell.
    """
    groups: list[list[int]] = []
    for index, spot in enumerate(spots):
        before = spots[index - 1] if index else None
        if before is None or before.piece.id != spot.piece.id or spot.x < before.x:
            groups.append([])
        groups[-1].append(index)
    return tuple(tuple(group) for group in groups)
