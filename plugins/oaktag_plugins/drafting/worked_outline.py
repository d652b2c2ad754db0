"""How the runs of a bag's outline come from the opening, in numbers that a maker can check.

Runs between straight sides have formulas for a pocket calculator. What runs along a curve has none: it is
measured along the curve, and its length stands as a number in what is made of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import degrees, radians, sin

from oaktag.geometry import Line, Path, Point, distance, signed_angle
from oaktag.pattern import CORNER_PREFIX, Edge, Frame, Opening, Outline, Term, Working, WorkingSheet
from oaktag.pattern.working import Part
from oaktag_plugins.drafting.bag import PANEL, corner_name, piece_id

CIRCULAR_CURVE = "elements of a simple circular curve, with the turn 180° − θ (route surveying)"
PARALLEL = "parallels of two lines that meet at θ"
PYTHAGORAS = "Pythagoras (Euclid, Elements, book I, proposition 47)"
DISTANCE = "sqrt((x2 − x1) · (x2 − x1) + (y2 − y1) · (y2 − y1))"
"""Formula of the distance between two points."""
_FLAT = 0.01
"""Sine of an angle between two sides below which they are too nearly one line to work out where they meet."""
_NEAR = 1e-6  # mm


def corner_angle(before: Path, after: Path) -> float:
    """The inside angle in degrees where a side of a clockwise outline ends and the next begins."""
    return 180.0 + degrees(signed_angle(before.tangent_before(before.length), after.tangent_at(0.0)))


def is_straight(path: Path) -> bool:
    """Whether a path is one straight line."""
    return len(path.segments) == 1 and isinstance(path.segments[0], Line)


def coordinate_terms(first: Point, second: Point, sources: tuple[str, str]) -> list[Term]:
    """The terms of `DISTANCE`.

    Args:
        first: mm.
        second: mm.
        sources: where either point comes from.
    """
    (x1, y1), (x2, y2) = first, second
    start, end = sources
    return [
        Term("x2", x2, "mm", f"{end}, x"),
        Term("x1", x1, "mm", f"{start}, x"),
        Term("y2", y2, "mm", f"{end}, y"),
        Term("y1", y1, "mm", f"{start}, y"),
    ]


# Gaps


def cleared(
    earlier: Iterable[Working],
    opening: Opening,
    outline: Outline,
    gaps: Mapping[str, float],
    foams: Mapping[str, float],
) -> tuple[Working, ...]:
    """How the gaps shorten every straight side between straight sides.

    With the inside angle θ at a corner, the gap g along the side and the gap n along its neighbour there, the
    parallels meet (n + g·cos θ) / sin θ along the side: of a point (x, g) beside a side along +x the distance
    from the neighbour, which leaves the corner at θ, is x·sin θ − g·cos θ, and that is n.

    Args:
        earlier: the workings that there are already.
        opening: before.
        outline: after it.
        gaps: by side, mm.
        foams: by side, mm.
    """
    sheet = WorkingSheet(earlier)
    count = len(opening.edges)

    def gap(symbol: str, name: str) -> Term:
        whole = gaps[name] + foams[name]
        return sheet.term(symbol, whole, "mm", f"outline.clear: gap at {name}", f"gap at {name}")

    for name, foam in foams.items():
        if foam:
            terms = [
                Term("g", gaps[name], "mm", f"outline.clear: gap at {name}"),
                Term("f", foam, "mm", f"outline.clear: foam at {name}"),
            ]
            sheet.add(f"gap and foam at {name}", gaps[name] + foam, "mm", "g + f", terms, f"gap at {name}")
    for index, edge in enumerate(opening.edges):
        before, after = opening.edges[index - 1], opening.edges[(index + 1) % count]
        corners = opening.corners[index], opening.corners[(index + 1) % count]
        run = outline.edge(edge.name)
        if not all(map(is_straight, (before.path, edge.path, after.path, run.path))) or any(
            abs(sin(radians(corner.angle))) < _FLAT for corner in corners
        ):
            continue
        taken: list[Term] = []
        for symbol, corner, neighbour, place, other in (
            ("a", corners[0], before, edge.path.start, run.path.start),
            ("b", corners[1], after, edge.path.end, run.path.end),
        ):
            terms = [
                gap("n", neighbour.name),
                gap("g", edge.name),
                sheet.term("θ", corner.angle, "°", f"opening: angle at {corner.name}", corner.name),
            ]
            direction = edge.path.tangent_at(0.0)
            sign = 1.0 if symbol == "a" else -1.0
            value = sign * sum((q - p) * d for p, q, d in zip(place, other, direction, strict=True))
            of = f"{edge.name} at {corner.name}"
            sheet.add(
                f"{edge.name}: taken off at {corner.name}", value, "mm",
                "(n + g · cos(θ)) / sin(θ)", terms, of, PARALLEL,
            )  # fmt: skip
            taken.append(sheet.term(symbol, value, "mm", f"outline.clear: {of}", of))
        length = sheet.term("L", edge.path.length, "mm", f"opening: {edge.name}", edge.name)
        sheet.add(
            f"{edge.name}, less the gaps", run.path.length, "mm", "L − a − b", [length, *taken], edge.name
        )
    return tuple(sheet.new)


# Cuts


@dataclass(frozen=True, slots=True)
class ParallelCut:
    """A line across an outline that runs along one of its edges.

    Attributes:
        edge: that it runs along.
        distance: from that edge, mm.
        gap: that each body keeps from the line, mm.
        stage: that cuts, such as `body.half`.
        shares: how many bodies share the gap that the recipe gives.
    """

    edge: str
    distance: float
    gap: float
    stage: str
    shares: int = 1


def cut_runs(
    earlier: Iterable[Working],
    whole: Outline,
    part: Outline,
    new: str,
    line: ParallelCut,
    frame: Frame,
) -> tuple[Working, ...]:
    """How a line along an edge shortens the runs beside that edge, and how long the new edge is.

    Args:
        earlier: the workings that there are already.
        whole: before, not rounded yet.
        part: one of the bodies after it.
        new: name of its edge along the line.
        line: that cuts.
        frame: whose corners have names.
    """
    sheet = WorkingSheet(earlier)
    sides = [edge.name for edge in whole.edges]
    at = sides.index(line.edge)
    before, base, after = (whole.edges[(at + step) % len(sides)] for step in (-1, 0, 1))
    kept = [edge.name for edge in part.edges]
    here = kept.index(new)
    beside = {kept[here - 1], kept[(here + 1) % len(kept)]}
    if beside != {before.name, after.name} or not all(
        is_straight(edge.path) for edge in (before, base, after)
    ):
        return ()
    angles = {
        before.name: corner_angle(before.path, base.path),
        after.name: corner_angle(base.path, after.path),
    }
    if any(abs(sin(radians(angle))) < _FLAT for angle in angles.values()):
        return ()
    near = line.edge in kept
    depth = line.distance - line.gap if near else line.distance + line.gap

    def term(symbol: str, value: float, unit: str, name: str) -> Term:
        own = piece_id(part.body, name)
        of = (own, piece_id(whole.body, name), name)
        return sheet.term(symbol, value, unit, f"{line.stage}: {name}, as it was", *of)

    def angle(symbol: str, beside: str) -> Term:
        name = corner_name(frame, beside, base.name)
        if beside == after.name:
            name = corner_name(frame, base.name, beside)
        value = angles[beside]
        return sheet.term(
            symbol, value, "°", f"{line.stage}: angle at {name}", piece_id(whole.body, name), name
        )

    terms = [Term("d", line.distance, "mm", f"{line.stage}: distance")]
    formula = "d"
    if line.gap:
        sign = "−" if near else "+"
        shared = f" / {line.shares}" if line.shares > 1 else ""
        formula = f"d {sign} g{shared}"
        terms.append(Term("g", line.gap * line.shares, "mm", f"{line.stage}: gap"))
    of_depth = piece_id(part.body, f"line along {line.edge}")
    sheet.add(f"{piece_id(part.body, new)}: square to {line.edge}", depth, "mm", formula, terms, of_depth)
    for edge in (before, after):
        own = piece_id(part.body, edge.name)
        h = sheet.term("h", depth, "mm", line.stage, of_depth)
        terms = [h, angle("θ", edge.name)]
        formula = "h / sin(θ)"
        if not near:
            formula, terms = f"L − {formula}", [term("L", edge.length, "mm", edge.name), *terms]
        length = part.edge(edge.name).length
        sheet.add(f"{own}, cut along {line.edge}", length, "mm", formula, terms, own)
    terms = [
        term("L", base.length, "mm", base.name),
        sheet.term("h", depth, "mm", line.stage, of_depth),
        angle("α", before.name),
        angle("β", after.name),
    ]
    own = piece_id(part.body, new)
    formula = "L − h / tan(α) − h / tan(β)"
    sheet.add(f"{own}, cut along {line.edge}", part.edge(new).length, "mm", formula, terms, own)
    for first, second in ((kept[here - 1], new), (new, kept[(here + 1) % len(kept)])):
        neighbour = second if first == new else first
        name = piece_id(part.body, corner_name(frame, first, second))
        value = 180.0 - angles[neighbour] if near else angles[neighbour]
        formula = "180 − θ" if near else "θ"
        sheet.add(f"angle at {name}", value, "°", formula, [angle("θ", neighbour)], name, PARALLEL)
    return tuple(sheet.new)


def cut_across(earlier: Iterable[Working], whole: Outline, part: Outline, stage: str) -> tuple[Working, ...]:
    """How long the straight runs are that a line across the bag has cut or made, from where they end.

    Args:
        earlier: the workings that there are already.
        whole: before, not rounded yet.
        part: one of the bodies after it.
        stage: that cuts.
    """
    sheet = WorkingSheet(earlier)
    before = {edge.name: edge.length for edge in whole.edges}
    for edge in part.edges:
        if not is_straight(edge.path) or abs(before.get(edge.name, 0.0) - edge.length) < _NEAR:
            continue
        own = piece_id(part.body, edge.name)
        terms = coordinate_terms(
            edge.path.start, edge.path.end, (f"{stage}: start of {own}", f"{stage}: end of {own}")
        )
        sheet.add(f"{own}, as it is cut", edge.length, "mm", DISTANCE, terms, own, PYTHAGORAS)
    return tuple(sheet.new)


# Rounds


@dataclass(frozen=True, slots=True)
class Corner:
    """A corner that gets a round.

    Attributes:
        name: of the corner.
        radius: mm; 0 leaves it sharp.
        source: where the radius comes from.
    """

    name: str
    radius: float
    source: str


def rounded(
    earlier: Iterable[Working], sharp: Sequence[Edge], outline: Outline, corners: Sequence[Corner]
) -> tuple[Working, ...]:
    """How long the rounds are between straight sides, and what they leave of these.

    Args:
        earlier: the workings that there are already.
        sharp: the outline's edges before.
        outline: after it.
        corners: the corner at the end of each edge.
    """
    sheet = WorkingSheet(earlier)
    body = outline.body
    known = {edge.name: edge.path for edge in outline.edges}
    tangents: dict[int, float | None] = {}
    for index, corner in enumerate(corners):
        before, after = sharp[index].path, sharp[(index + 1) % len(sharp)].path
        if not corner.radius:
            tangents[index] = 0.0
            continue
        arc = known[f"{CORNER_PREFIX}{corner.name}"]
        tangents[index] = _tangent(before, after, arc)
        if tangents[index] is not None:
            _round(sheet, body, corner, corner_angle(before, after), arc.length, tangents[index] or 0.0)
    for index, edge in enumerate(sharp):
        ends = [(index - 1) % len(sharp), index]
        taken = [(corners[end], tangents[end]) for end in ends]
        if any(tangent is None for _, tangent in taken) or not any(tangent for _, tangent in taken):
            continue
        own = piece_id(body, edge.name)
        terms = [
            sheet.term("L", edge.length, "mm", f"outline: {own}, before the rounds", own, edge.name),
            *(
                sheet.term(symbol, tangent, "mm", "corners.round", tangent_of(body, corner.name))
                for symbol, (corner, tangent) in zip("ab", taken, strict=True)
                if tangent
            ),
        ]
        formula = " − ".join(term.symbol for term in terms)
        sheet.add(f"{own}, between the rounds", known[edge.name].length, "mm", formula, terms, own)
    return tuple(sheet.new)


def tangent_of(body: str, corner: str) -> str:
    """What the tangent length at a corner is about."""
    return f"{piece_id(body, CORNER_PREFIX + corner)} tangent"


def _tangent(before: Path, after: Path, arc: Path) -> float | None:
    """What an arc takes off both sides between straight ends; None if either end isn't straight that far."""
    first, second = before.segments[-1], after.segments[0]
    tangent = distance(arc.start, before.end)
    straight = isinstance(first, Line) and isinstance(second, Line)
    fits = tangent <= min(first.length, second.length) + _NEAR
    return tangent if straight and fits else None


def _round(
    sheet: WorkingSheet, body: str, corner: Corner, angle: float, length: float, tangent: float
) -> None:
    of = piece_id(body, CORNER_PREFIX + corner.name)
    radius = Term("r", corner.radius, "mm", corner.source)
    theta = sheet.term(
        "θ", angle, "°", f"outline: angle at {corner.name}", piece_id(body, corner.name), corner.name
    )
    hollow = angle > 180.0
    formula = "r · tan((θ − 180) / 2)" if hollow else "r / tan(θ / 2)"
    sheet.add(
        f"{of}: tangent",
        tangent,
        "mm",
        formula,
        [radius, theta],
        tangent_of(body, corner.name),
        CIRCULAR_CURVE,
    )
    formula = "r · π · (θ − 180) / 180" if hollow else "r · π · (180 − θ) / 180"
    sheet.add(f"{of}: round", length, "mm", formula, [radius, theta], of, CIRCULAR_CURVE)


# All round


def perimeter(earlier: Iterable[Working], outline: Outline) -> tuple[Working, ...]:
    """The seam line of a body's panels all round."""
    sheet = WorkingSheet(earlier)
    of = piece_id(outline.body, PANEL)
    sheet.add_sum(f"{of}: seam line all round", outline.path.length, "mm", runs(outline), of)
    return tuple(sheet.new)


def runs(outline: Outline) -> list[Part]:
    """The outline's runs as parts of a sum."""
    return [
        (
            edge.length,
            (piece_id(outline.body, edge.name), edge.name),
            f"outline: {piece_id(outline.body, edge.name)}, as drafted",
        )
        for edge in outline.edges
    ]
