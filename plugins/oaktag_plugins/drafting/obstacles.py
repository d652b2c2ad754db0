"""Things on the tubes that a bag keeps clear of, and how near to them a seam line comes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from oaktag.geometry import Path, Point, shifted
from oaktag.pattern import Obstacle, Opening, Treatment

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

CHORD_ERROR = 0.001
"""Chord error in mm of the polygons that distances are measured between."""
STEP = 1.0
"""Distance in mm of the places where an overlap is measured."""
MEASURED_TO = 0.01
"""A distance in mm that falls short by no more is kept."""


@dataclass(frozen=True, slots=True)
class Body:
    """An obstacle in its place: a rectangle that stands square on its tube.

    Attributes:
        obstacle: what it is.
        along: its middle, mm along the tube from the tube's first corner.
        foot: its middle on the tube's inner side, mm.
        ahead: unit direction of the tube there.
        inwards: unit direction into the opening there.
    """

    obstacle: Obstacle
    along: float
    foot: Point
    ahead: Point
    inwards: Point

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        """Two on the tube and two in the opening, clockwise or not as the tube runs."""
        half, height = 0.5 * self.obstacle.length, self.obstacle.height
        first, last = shifted(self.foot, self.ahead, -half), shifted(self.foot, self.ahead, half)
        return first, last, shifted(last, self.inwards, height), shifted(first, self.inwards, height)


@dataclass(frozen=True, slots=True)
class Nearness:
    """How near two shapes come: mm, negative by how far one reaches into the other, and the place."""

    distance: float
    place: Point


def bodies(obstacles: Sequence[Obstacle], opening: Opening, treatment: Treatment) -> tuple[Body, ...]:
    """The obstacles of one treatment whose place lies on their tube, tube by tube and in order along each."""
    found: list[Body] = []
    for edge in opening.edges:
        on_tube: list[Body] = []
        for obstacle in obstacles:
            if obstacle.place.tube != edge.name or obstacle.treatment != treatment:
                continue
            along = obstacle.place.along(edge.path.length)
            if 0.0 <= along <= edge.path.length:
                ahead = edge.path.tangent_at(along)
                # The opening runs clockwise: its inside lies to the right.
                inwards = (ahead[1], -ahead[0])
                on_tube.append(Body(obstacle, along, edge.path.point_at(along), ahead, inwards))
        found += sorted(on_tube, key=lambda body: body.along)
    return tuple(found)


def beyond(obstacles: Sequence[Obstacle], opening: Opening) -> tuple[tuple[Obstacle, float, float], ...]:
    """Obstacles whose place lies off their tube, each with that place and the tube's length, mm."""
    lengths = {edge.name: edge.path.length for edge in opening.edges}
    found: list[tuple[Obstacle, float, float]] = []
    for obstacle in obstacles:
        length = lengths[obstacle.place.tube]
        along = obstacle.place.along(length)
        if not 0.0 <= along <= length:
            found.append((obstacle, along, length))
    return tuple(found)


def nearness(seam_line: Path, body: Body) -> Nearness:
    """How near a closed seam line comes to an obstacle's rectangle; negative where they overlap.

    Args:
        seam_line: of a panel, closed, in the opening's place.
        body: the obstacle.
    """
    import shapely

    # Two points or a line too, should it have no height.
    rectangle = shapely.MultiPoint(body.corners).convex_hull
    return reach(seam_line.polygon(CHORD_ERROR), rectangle)


def reach(panel: BaseGeometry, other: BaseGeometry) -> Nearness:
    """Signed distance in mm between a panel and another shape; negative where they overlap."""
    import shapely
    from shapely.ops import nearest_points

    overlap = panel.intersection(other)
    if overlap.is_empty:
        on_panel, _ = nearest_points(panel, other)
        return Nearness(float(panel.distance(other)), (on_panel.x, on_panel.y))
    border = panel.boundary
    # The deepest place may lie along a side that passes right through.
    points = shapely.get_coordinates(shapely.segmentize(overlap, STEP))
    deepest = max((shapely.Point(point) for point in points), key=lambda p: border.distance(p))
    on_panel, _ = nearest_points(border, deepest)
    return Nearness(-float(border.distance(deepest)), (on_panel.x, on_panel.y))
