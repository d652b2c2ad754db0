"""The bag in the frame, with its dimensions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from typing import TYPE_CHECKING

from oaktag import Draft
from oaktag.geometry import Box, Path, Point, Transform, left_normal, shifted
from oaktag.pattern import Edge, Opening
from oaktag.pattern.lettering import Polyline
from oaktag_plugins.drafting.bag import (
    NON_DRIVE_EDGE,
    PANEL,
    gusset_starts,
    piece_id,
    straight_edges,
)
from oaktag_plugins.tech_pack.content import FigureBlock
from oaktag_plugins.tech_pack.sketch import DASHED, Sketch, text_width, upright
from oaktag_plugins.tech_pack.wording import counted, listed_words, mm, number

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_LARGEST = (98.0, 90.0)  # of frame and bag without their texts, mm on paper
_NAMED = 30.0  # mm; what is shorter on the bag is drawn without its name
_SAME_GAP = 0.05  # mm
_BOSS = 1.0  # mm on paper


@dataclass(frozen=True, slots=True)
class StrapPlace:
    """Where a strap is: its piece or name, the body, the tube, and mm from that tube's first corner."""

    name: str
    body: str
    tube: str
    along: float
    station: float


def gap_at_middle(opening: Opening, edge: Edge) -> float | None:
    """What is left between the middle of a run of the bag and its tube, mm; None for a run of its own."""
    tube = next((tube for tube in opening.edges if tube.name == edge.name), None)
    if tube is None:
        return None
    return tube.path.nearest(edge.path.point_at(0.5 * edge.length))[1]


def one_gap(draft: Draft) -> float | None:
    """The gap in mm, if it is the same at all tubes to a tenth of a millimetre."""
    assert draft.opening is not None
    edges = [edge for outline in draft.outlines for edge in straight_edges(outline)]
    gaps = [gap for gap in (gap_at_middle(draft.opening, edge) for edge in edges) if gap is not None]
    return gaps[0] if gaps and max(gaps) - min(gaps) < _SAME_GAP else None


def strap_places(draft: Draft) -> tuple[StrapPlace, ...]:
    """Where the straps on the gusset are, along the tubes."""
    if draft.opening is None:
        return ()
    found: list[StrapPlace] = []
    for outline in draft.outlines:
        for piece, begin in gusset_starts(draft, outline):
            upper = piece.edge(NON_DRIVE_EDGE).path
            for line in piece.placements:
                if line.what != "strap":
                    continue
                x, _ = (line.covers or line.path).bounds.centre
                along, _ = upper.nearest((x, 0.5 * piece.seam_line.bounds.height))
                station = (begin + along) % outline.path.length
                point = outline.path.point_at(station)
                tube = min(draft.opening.edges, key=lambda edge: edge.path.nearest(point)[1])
                place = tube.path.nearest(point)[0]
                found.append(StrapPlace(line.name, outline.body, tube.name, place, station))
    return tuple(found)


def bag_block(draft: Draft) -> FigureBlock | None:
    """The opening with its tubes and the bag in it, seen from the drive side; None without an opening."""
    opening = draft.opening
    if opening is None:
        return None
    widths = _widths(draft)
    bands = tuple(_bands(opening, widths))
    box = opening.edges[0].path.bounds
    for other in (*(edge.path.bounds for edge in opening.edges[1:]), *map(Box.around, bands)):
        box = box.union(other)
    scale = min(1.0, _LARGEST[0] / box.width, _LARGEST[1] / box.height)
    place = Transform.scaling(scale)
    sketch = Sketch()
    for band in bands:
        sketch.line(band, "thin", place=place, fill="light")
    for tube in opening.edges:
        sketch.line(tube.path, "medium", place=place)
    for outline in draft.outlines:
        sketch.line(outline.path, "thick", place=place)
    things = _on_panels(draft)
    for _, shape in things:
        sketch.line(shape, "thin", place=place, dashes=DASHED)
    _on_tubes(sketch, draft, opening, widths, place)
    _dimensions(sketch, draft, opening, place)
    _names(sketch, things, place)
    return FigureBlock(sketch.figure(), _caption(draft, bool(bands)), _alternative(draft, opening))


def _caption(draft: Draft, tubes: bool) -> str:
    parts = ["Seen from the drive side; lengths in mm"]
    if tubes:
        parts.append("tubes tinted, as wide as they were measured square to the frame")
    gap = one_gap(draft)
    parts.append("heavy: the bag's seam line" + ("" if gap is None else f", {mm(gap)} off the tubes"))
    if strap_places(draft):
        parts.append("heavy bars across the tubes: straps")
    if draft.frame.bosses:
        parts.append("small crosses: bosses")
    return f"{'; '.join(parts)}."


def _alternative(draft: Draft, opening: Opening) -> str:
    tubes = listed_words(f"{edge.name} {mm(edge.path.length)}" for edge in opening.edges)
    corners = listed_words(f"{corner.name} {number(corner.angle)}\u00b0" for corner in opening.corners)
    told = [f"The opening inside the tubes, {tubes}, with corners of {corners}."]
    for outline in draft.outlines:
        whose = f"The {outline.body} body" if outline.body else "The bag"
        runs = []
        for edge in straight_edges(outline):
            gap = gap_at_middle(opening, edge)
            runs.append(f"{edge.name} {mm(edge.length)}" + ("" if gap is None else f", gap {mm(gap)}"))
        told.append(f"{whose} in it has the runs {'; '.join(runs)}.")
    straps = strap_places(draft)
    if straps:
        told.append(f"{counted(len(straps), 'strap')} across the tubes.")
    return " ".join(told)


def _dimensions(sketch: Sketch, draft: Draft, opening: Opening, place: Transform) -> None:
    for tube in opening.edges:
        middle = 0.5 * tube.path.length
        tangent = tube.path.tangent_at(middle)
        sketch.label(
            f"{tube.name} {number(tube.path.length)}",
            place.apply(tube.path.point_at(middle)),
            left_normal(tangent),
            angle=upright(tangent),
            reach=45.0,
        )
    various = one_gap(draft) is None
    for outline in draft.outlines:
        for edge in sorted(straight_edges(outline), key=lambda edge: (-round(edge.length, 6), edge.name)):
            middle = 0.5 * edge.length
            tangent = edge.path.tangent_at(middle)
            normal = left_normal(tangent)
            gap = gap_at_middle(opening, edge) if various else None
            text = number(edge.length) + ("" if gap is None else f" (gap {number(gap)})")
            at = place.apply(edge.path.point_at(middle))
            turn = upright(tangent) if edge.length * place.scale > text_width(text) else 0.0
            sketch.label(text, at, (-normal[0], -normal[1]), angle=turn)
    for index, corner in enumerate(opening.corners):
        before, after = opening.edges[index - 1].path, opening.edges[index].path
        (ax, ay), (bx, by) = (
            left_normal(before.tangent_at(before.length)),
            left_normal(after.tangent_at(0.0)),
        )
        length = hypot(ax + bx, ay + by)
        outward = ((ax + bx) / length, (ay + by) / length) if length > 1e-6 else (ax, ay)
        text = f"{corner.name} {number(corner.angle)}\u00b0"
        sketch.label(text, place.apply(corner.point), outward, reach=45.0)


# ------------------------------------------------------------------------------------------------ the frame


def _widths(draft: Draft) -> Mapping[str, float]:
    """Mean width of each tube, mm; the mean of all for those that weren't measured."""
    by_tube: dict[str, list[float]] = {}
    for measured in draft.frame.widths:
        by_tube.setdefault(measured.place.tube, []).append(measured.width)
    if not by_tube:
        return {}
    means = {tube: sum(widths) / len(widths) for tube, widths in by_tube.items()}
    rest = sum(means.values()) / len(means)
    return {tube: means.get(tube, rest) for tube in draft.frame.tubes}


def _bands(opening: Opening, widths: Mapping[str, float]) -> Iterator[Polyline]:
    """What each tube covers outside the opening, without what tubes before it cover."""
    if not widths:
        return
    from shapely import Polygon

    whole = Path(tuple(segment for edge in opening.edges for segment in edge.path.segments)).polygon(0.2)
    taken: BaseGeometry = whole
    for edge in opening.edges:
        if edge.name not in widths:
            continue
        width = widths[edge.name]
        points = list(edge.path.flatten(0.2))
        # A tube goes on past its corners, as far as it is wide.
        points[0] = shifted(points[0], edge.path.tangent_at(0.0), -width)
        points[-1] = shifted(points[-1], edge.path.tangent_at(edge.path.length), width)
        normals = [left_normal(edge.path.tangent_at(edge.path.nearest(point)[0])) for point in points]
        outer = [shifted(point, normal, width) for point, normal in zip(points, normals, strict=True)]
        band = Polygon([*points, *reversed(outer)]).buffer(0.0).difference(taken)
        taken = taken.union(band)
        for part in getattr(band, "geoms", [band]):
            if part.area > 1.0:
                yield tuple((float(x), float(y)) for x, y in part.exterior.coords)


def _on_tubes(
    sketch: Sketch, draft: Draft, opening: Opening, widths: Mapping[str, float], place: Transform
) -> None:
    """What is on the tubes: things to keep clear of, bosses, and the bag's straps round them."""
    for thing in draft.frame.obstacles:
        tube = opening.edge(thing.place.tube).path
        at = thing.place.along(tube.length)
        start, end = max(at - 0.5 * thing.length, 0.0), min(at + 0.5 * thing.length, tube.length)
        if start >= end:
            continue
        inward = -thing.height
        a, b = tube.point_at(start), tube.point_at(end)
        c = shifted(b, left_normal(tube.tangent_at(end)), inward)
        d = shifted(a, left_normal(tube.tangent_at(start)), inward)
        sketch.line((a, b, c, d, a), "medium", place=place, fill="light")
        normal = left_normal(tube.tangent_at(at))
        middle = place.apply(shifted(tube.point_at(at), normal, inward))
        sketch.label(thing.name, middle, (-normal[0], -normal[1]), size=3.2)
    for row in draft.frame.bosses:
        tube = opening.edge(row.place.tube).path
        for boss in row.places:
            at = boss.along(tube.length)
            if 0.0 <= at <= tube.length:
                _cross(sketch, place.apply(tube.point_at(at)), tube.tangent_at(at))
    for strap in strap_places(draft):
        tube = opening.edge(strap.tube).path
        point, normal = tube.point_at(strap.along), left_normal(tube.tangent_at(strap.along))
        gap = draft.outline_of(strap.body).path.nearest(point)[1]
        ends = shifted(point, normal, -gap), shifted(point, normal, widths.get(strap.tube, 0.0))
        sketch.line(ends, "thick", place=place)


def _cross(sketch: Sketch, at: Point, along: Point) -> None:
    normal = left_normal(along)
    for direction in (along, normal):
        sketch.line((shifted(at, direction, -_BOSS), shifted(at, direction, _BOSS)), "medium")


def _on_panels(draft: Draft) -> list[tuple[str, Path]]:
    """What lies on the outside of the drive side's panels, and where: zipper, flap, pocket, patches."""
    drive = {piece_id(outline.body, f"{PANEL}-drive") for outline in draft.outlines}
    return [
        (line.what, line.covers or line.path)
        for piece in draft.pieces
        if piece.id in drive
        for line in piece.placements
        if line.face == "outside"
    ]


def _names(sketch: Sketch, things: Sequence[tuple[str, Path]], place: Transform) -> None:
    """The names of what lies on the panels, each once; those that find no room are in the tables alone."""
    named: set[str] = set()
    for what, shape in things:
        box = shape.bounds
        if max(box.width, box.height) < _NAMED or what in named:
            continue
        # Beside each other, so that no line to a text starts under another text.
        share = (0.5, 0.2, 0.8)[len(named) % 3]
        named.add(what)
        at = shape.point_at(shape.nearest((box.min_x + share * box.width, box.min_y))[0])
        above = shape.point_at(shape.nearest((box.min_x + share * box.width, box.max_y))[0])
        for point, outward in ((at, (0.0, -1.0)), (above, (0.0, 1.0))):
            if sketch.label(what, place.apply(point), outward, size=3.2, reach=45.0, must=False):
                break
