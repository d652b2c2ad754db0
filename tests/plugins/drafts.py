"""Drafts made by hand for the tests of drafting and proving."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import pytest

from oaktag.geometry import Arc, Line, Path, Point, distance
from oaktag.pattern import (
    Draft,
    Edge,
    Frame,
    Notch,
    Opening,
    OpeningCorner,
    OpeningEdge,
    Piece,
    Place,
    Provenance,
    Refusal,
    Seam,
    SeamSide,
    TubeWidth,
)
from oaktag_plugins import (
    allowance_by_seam,
    check_assembly,
    check_walk_seams,
    corners_round,
    gusset_wrap,
    notch_match,
    outline_clear,
    panel_pair,
)

CORNERS = ("seat", "head", "bottom-bracket")
TUBES = ("top-tube", "down-tube", "seat-tube")

Width = tuple[str, float, float]
"""Tube, share of its length from its first corner, width in mm."""

WIDTHS: tuple[Width, ...] = (
    ("top-tube", 0.0, 34.0),
    ("top-tube", 1.0, 37.0),
    ("down-tube", 0.0, 44.0),
    ("down-tube", 0.5, 46.0),
    ("down-tube", 1.0, 55.0),
    ("seat-tube", 0.0, 33.0),
    ("seat-tube", 1.0, 33.0),
)


def polygon(
    points: Sequence[Point],
    widths: Iterable[Width] = (),
    *,
    corners: Sequence[str] = (),
    tubes: Sequence[str] = (),
    sagittas: Mapping[str, float] | None = None,
) -> Draft:
    """A draft with an opening through points, which run clockwise.

    Args:
        points: corners, mm.
        widths: of the tubes.
        corners: names; `corner-0`, `corner-1` ... if left out.
        tubes: names; `tube-0`, `tube-1` ... if left out.
        sagittas: of tubes that bow, mm, positive to the left of travel.
    """
    corners = tuple(corners) or tuple(f"corner-{index}" for index in range(len(points)))
    tubes = tuple(tubes) or tuple(f"tube-{index}" for index in range(len(points)))
    sides: list[OpeningEdge] = []
    for index, tube in enumerate(tubes):
        start, end = points[index], points[(index + 1) % len(points)]
        sagitta = (sagittas or {}).get(tube, 0.0)
        segment = Arc.from_sagitta(start, end, sagitta) if sagitta else Line(start, end)
        sides.append(OpeningEdge(tube, Path((segment,))))
    places = tuple(
        OpeningCorner(name, point, interior_angle(points, index))
        for index, (name, point) in enumerate(zip(corners, points, strict=True))
    )
    stations = tuple(
        TubeWidth(Place(tube, fraction=share), width, f"widths.{tube}[{number}]")
        for number, (tube, share, width) in enumerate(widths)
    )
    frame = Frame("Demo frame", corners, tubes, (), stations)
    return Draft(frame, Provenance("demo"), Provenance("test"), opening=Opening(places, tuple(sides)))


def interior_angle(points: Sequence[Point], index: int) -> float:
    """Interior angle in degrees at a corner of a polygon that runs clockwise."""
    (ax, ay), (bx, by), (cx, cy) = points[index - 1], points[index], points[(index + 1) % len(points)]
    turn = math.atan2(
        (bx - ax) * (cy - by) - (by - ay) * (cx - bx), (bx - ax) * (cx - bx) + (by - ay) * (cy - by)
    )
    return 180.0 + math.degrees(turn)


def triangle(
    seat: float,
    down: float,
    angle: float,
    widths: Iterable[Width] = WIDTHS,
    *,
    lean: float = 107.0,
    sagittas: Mapping[str, float] | None = None,
) -> Draft:
    """A draft with the opening of a main triangle.

    Args:
        seat: inside length of the seat tube, mm.
        down: inside length of the down tube, mm.
        angle: between the two at the bottom bracket, degrees.
        widths: of the tubes.
        lean: direction of the seat tube from the bottom bracket, degrees from the x axis.
        sagittas: as in `polygon`.
    """
    top, front = math.radians(lean), math.radians(lean - angle)
    points = (
        (seat * math.cos(top), seat * math.sin(top)),
        (down * math.cos(front), down * math.sin(front)),
        (0.0, 0.0),
    )
    return polygon(points, widths, corners=CORNERS, tubes=TUBES, sagittas=sagittas)


def isosceles(side: float, angle: float, width: float = 46.0) -> Draft:
    """A draft whose opening is its own mirror image about an upright axis, as wide all round.

    Args:
        side: length of the two equal sides, which meet at the bottom bracket, mm.
        angle: between them, degrees.
        width: of every tube, mm.
    """
    widths = [(tube, share, width) for tube in TUBES for share in (0.0, 1.0)]
    return triangle(side, side, angle, widths, lean=90.0 + angle / 2)


def rounded(draft: Draft, gap: Any = 0.0, radius: Any = 20.0) -> Draft:
    """The draft with its outline, gap off and corners rounded."""
    draft = outline_clear.run(draft, outline_clear.ClearOptions.model_validate({"gap": gap}))
    return corners_round.run(draft, corners_round.RoundOptions.model_validate({"radius": radius}))


def panelled(draft: Draft, gap: Any = 0.0, radius: Any = 20.0) -> Draft:
    """The draft with its two side panels."""
    return panel_pair.run(rounded(draft, gap, radius), panel_pair.PairOptions())


def wrapped(draft: Draft, gap: Any = 0.0, radius: Any = 20.0, **wrap: Any) -> Draft:
    """The draft with its gusset; further options are those of `gusset.wrap`, by their names in a recipe."""
    options = gusset_wrap.WrapOptions.model_validate({name.replace("_", "-"): v for name, v in wrap.items()})
    return gusset_wrap.run(panelled(draft, gap, radius), options)


def allowed(draft: Draft, allowance: Any = 10.0, **options: Any) -> Draft:
    """The draft with its cut lines."""
    values = {name.replace("_", "-"): value for name, value in options.items()}
    return allowance_by_seam.run(
        draft, allowance_by_seam.AllowanceOptions.model_validate({"allowance": allowance, **values})
    )


def notched(draft: Draft, **options: Any) -> Draft:
    """The draft with its notches."""
    values = {name.replace("_", "-"): value for name, value in options.items()}
    return notch_match.run(draft, notch_match.MatchOptions.model_validate(values))


def proved(draft: Draft) -> Draft:
    """The draft with what both checks report."""
    draft = check_walk_seams.run(draft, check_walk_seams.WalkOptions())
    return check_assembly.run(draft, check_assembly.AssemblyOptions())


def base(**wrap: Any) -> Draft:
    """A whole bag of the size that the tests take for the base case, with allowances and notches."""
    radius = {"default": 20.0, "seat": 25.0}
    return notched(allowed(wrapped(triangle(335.0, 570.0, 51.5), 0.0, radius, **wrap)))


def codes(draft: Draft, level: str = "") -> list[str]:
    """The codes of a draft's findings, in order; of one level only if it is given."""
    return [finding.code for finding in draft.findings if not level or finding.level == level]


def refusal(call: Callable[[], object], key: str, source: str = "recipe") -> Refusal:
    """The refusal that a call ends in, which says what a maker needs to know."""
    with pytest.raises(Refusal) as caught:
        call()
    said = caught.value
    assert (said.key, said.source) == (key, source)
    for part in (said.reason, said.found, said.valid, said.todo):
        assert part.strip()
    return said


def with_piece(draft: Draft, piece: Piece) -> Draft:
    """The draft with one piece replaced by another of the same id."""
    assert any(other.id == piece.id for other in draft.pieces)
    return draft.evolve(pieces=tuple(piece if other.id == piece.id else other for other in draft.pieces))


def with_notches(draft: Draft, piece_id: str, notches: Iterable[Notch]) -> Draft:
    """The draft with other notches on one piece."""
    return with_piece(draft, draft.piece(piece_id).evolve(notches=tuple(notches)))


def without_pair(draft: Draft, pair: str) -> Draft:
    """The draft without the notches of one pair."""
    for piece in draft.pieces:
        draft = with_notches(draft, piece.id, (notch for notch in piece.notches if notch.pair != pair))
    return draft


# By hand, without the stages: bands and strips, of which every notch is known.

Marks = Sequence[tuple[float, int]]
"""Stations in mm with the count of each."""


def box(piece_id: str, length: float, height: float, names: Sequence[str]) -> Piece:
    """A rectangle about y = 0 from x = 0, clockwise from its upper left corner."""
    h = height / 2
    corners: tuple[Point, ...] = ((0.0, h), (length, h), (length, -h), (0.0, -h))
    edges = tuple(
        Edge(name, Path((Line(start, end),)))
        for name, start, end in zip(names, corners, (*corners[1:], corners[0]), strict=True)
    )
    return Piece(piece_id, piece_id, edges, "shell")


def strip(length: float, width: float, upper: Marks, lower: Marks, piece_id: str = "strip") -> Piece:
    """A strip with notches at stations from its left end, on its upper and on its lower edge."""
    piece = box(piece_id, length, width, ("non-drive-side", "end", "drive-side", "start"))
    notches = [Notch("non-drive-side", at, f"non-drive:{at:g}", count) for at, count in upper]
    notches += [Notch("drive-side", length - at, f"drive:{at:g}", count) for at, count in lower]
    return piece.evolve(notches=tuple(notches))


def banded(length: float, width: float, upper: Marks, lower: Marks) -> Draft:
    """A strip between two bands as long as it, whose corners meet its corners."""
    pieces = [strip(length, width, upper, lower)]
    seams: list[Seam] = []
    for side, marks, reverse in (("drive", lower, True), ("non-drive", upper, False)):
        band = box(f"band-{side}", length, 3 * width, ("sewn", "right", "free", "left"))
        notches = tuple(Notch("sewn", at, f"{side}:{at:g}", count) for at, count in marks)
        pieces.append(band.evolve(notches=notches))
        to_strip = SeamSide("strip", (f"{side}-side",), reverse=reverse)
        seams.append(Seam(side, SeamSide(band.id, ("sewn",)), to_strip))
    return bare().evolve(pieces=tuple(pieces), seams=tuple(seams))


def square(side: float, radius: float, piece_id: str, *, begin: float = 0.5) -> Piece:
    """A square with round corners, clockwise from a place on its upper side; its length is that of a ring."""
    straight = side - 2 * radius
    corners: list[tuple[Point, Point, Point]] = []
    half = side / 2
    for sx, sy in ((1, 1), (1, -1), (-1, -1), (-1, 1)):
        centre = (sx * (half - radius), sy * (half - radius))
        upright, level = (centre[0], sy * half), (sx * half, centre[1])
        corners.append((upright, level, centre) if sx == sy else (level, upright, centre))
    first = (-half + radius + begin * straight, half)
    edges: list[Edge] = []
    here = first
    for number, (enter, leave, centre) in enumerate(corners):
        edges.append(Edge(f"side-{number}", Path((Line(here, enter),))))
        edges.append(Edge(f"corner:{number}", Path((Arc(enter, leave, centre, radius, clockwise=True),))))
        here = leave
    edges.append(Edge("side-4", Path((Line(here, first),))))
    assert distance(edges[0].path.start, edges[-1].path.end) < 1e-9
    return Piece(piece_id, piece_id, tuple(edges), "shell")


def ring_on_square(marks: Marks, *, side: float = 200.0, radius: float = 30.0) -> Draft:
    """A ring, a closed run, on a square with round corners, with the same notches on both.

    The ring is drawn as a square of the same size, so that it closes as the ring does once it is sewn.
    """
    pieces: list[Piece] = []
    for piece_id in ("panel", "ring"):
        piece = square(side, radius, piece_id)
        notches: list[Notch] = []
        for at, count in marks:
            edge, along = place_on(piece, at)
            notches.append(Notch(edge, along, f"seam:{at:g}", count))
        pieces.append(piece.evolve(notches=tuple(notches)))
    names = tuple(edge.name for edge in pieces[0].edges)
    seam = Seam("seam", SeamSide("panel", names), SeamSide("ring", names))
    return bare().evolve(pieces=tuple(pieces), seams=(seam,))


def place_on(piece: Piece, at: float) -> tuple[str, float]:
    """The edge of a piece, and the distance along it, at a length of its seam line in mm."""
    for edge in piece.edges:
        if at < edge.length:
            return edge.name, at
        at -= edge.length
    raise AssertionError("beyond the seam line")


def bare() -> Draft:
    """A draft of nothing yet."""
    return Draft(Frame("Demo frame", CORNERS, TUBES, ()), Provenance("demo"), Provenance("test"))
