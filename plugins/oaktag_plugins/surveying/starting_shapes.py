"""Shapes to start an adjustment from, straight from the readings.

Triangles come in closed form from every three readings that determine one. Other polygons come from a few
plain constructions and from those with corners folded over, so that every shape that the readings allow is
near one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from oaktag_plugins.surveying.adjustment import (
    Array,
    Thing,
    angle,
    distance,
    polygon_equations,
    side,
    signed_area,
)
from oaktag_plugins.surveying.triangles import Optional3, TriangleError, determines, solve_triangle

# Only a start, for openings where no length at all has been read.
_USUAL_SIDE = 400.0
_MOST_SHAPES = 120


def mean_readings(
    things: Sequence[Thing], values: Sequence[float], sigma: Sequence[float]
) -> dict[Thing, float]:
    """One value per thing: the weighted mean of its readings."""
    totals: dict[Thing, tuple[float, float]] = {}
    for thing, value, one_sigma in zip(things, values, sigma, strict=True):
        weight, total = totals.get(thing, (0.0, 0.0))
        totals[thing] = (weight + one_sigma**-2, total + value * one_sigma**-2)
    return {thing: total / weight for thing, (weight, total) in totals.items()}


def starting_shapes(
    corners: int,
    things: Sequence[Thing],
    values: Sequence[float],
    sigma: Sequence[float],
    *,
    thorough: bool = False,
) -> Array:
    """Unknowns (s, 2n - 3) of shapes to start from; at least one.

    Args:
        corners: of the polygon.
        things: what the readings are of.
        values: the readings, mm or degrees.
        sigma: their standard uncertainties.
        thorough: for readings of which one may be wrong: from every three readings that determine a triangle,
            not just the first three, and where a thing was read repeatedly from each single reading as well
            as from the mean.
    """
    means = mean_readings(things, values, sigma)
    known = [means]
    if thorough:
        repeated = {thing for thing in means if list(things).count(thing) > 1}
        known += [
            {**means, thing: value} for thing, value in zip(things, values, strict=True) if thing in repeated
        ]
    if corners == 3:
        triangles = [unknowns for one in known for unknowns in _triangles(one, thorough)]
        if triangles:
            return np.array(triangles[:_MOST_SHAPES])
        shapes = _constructions(corners, means)
    else:
        shapes = [shape for one in known for shape in _polygons(corners, one)]
    free = polygon_equations(corners, ()).free
    return np.array([normalised(shape).reshape(-1)[free] for shape in shapes[:_MOST_SHAPES]])


def normalised(points: Array) -> Array:
    """The polygon (n, 2) moved so that the first corner is the origin, the first side along +x, clockwise."""
    moved = points - points[0]
    length = float(np.hypot(*moved[1]))
    cosine, sine = (moved[1] / length) if length > 0.0 else (1.0, 0.0)
    turned: Array = moved @ np.array([[cosine, -sine], [sine, cosine]])
    if signed_area(turned) > 0.0:
        turned[:, 1] *= -1.0
    return turned


def _triangles(known: dict[Thing, float], every: bool) -> list[tuple[float, float, float]]:
    """Unknowns of triangles from three of the quantities each; only the first clear case unless `every`."""
    quantities = [
        thing for thing in (*(side(i, 3) for i in range(3)), *map(angle, range(3))) if thing in known
    ]
    found: list[tuple[float, float, float]] = []
    for chosen in combinations(quantities, 3):
        sides, angles = triangle_quantities({thing: known[thing] for thing in chosen})
        if not determines(sides, angles):
            continue
        try:
            solved = solve_triangle(sides, angles)
        except TriangleError:
            continue  # With a wrong reading among them some threes have no triangle; the others do.
        shapes = []
        for triangle in solved:
            first, _, last = triangle.sides
            corner = math.radians(triangle.angles[0])
            shapes.append((first, last * math.cos(corner), -last * math.sin(corner)))
        if len(shapes) == 1 and not every:
            return shapes
        found += shapes
    return found


def triangle_quantities(known: dict[Thing, float]) -> tuple[Optional3, Optional3]:
    """Sides and angles of a triangle by index; None where nothing was read."""
    sides = tuple(known.get(side(index, 3)) for index in range(3))
    angles = tuple(known.get(angle(index)) for index in range(3))
    return (sides[0], sides[1], sides[2]), (angles[0], angles[1], angles[2])


def _polygons(corners: int, known: dict[Thing, float]) -> list[Array]:
    bases = _constructions(corners, known)
    shapes = list(bases)
    folds = [*((i,) for i in range(corners)), *combinations(range(corners), 2)]
    for fold in folds:
        shapes += [_folded(base, fold) for base in bases]
    return shapes


def _constructions(corners: int, known: dict[Thing, float]) -> list[Array]:
    shapes = [_from_angles(corners, known), _cyclic(_sides(corners, known))]
    return [*shapes, *(_from_distances(shape, known) for shape in tuple(shapes))]


def _sides(corners: int, known: dict[Thing, float]) -> list[float]:
    lengths = [value for thing, value in known.items() if thing.kind == "distance"]
    usual = sum(lengths) / len(lengths) if lengths else _USUAL_SIDE
    return [known.get(side(index, corners), usual) for index in range(corners)]


def _from_angles(corners: int, known: dict[Thing, float]) -> Array:
    """Walk along the sides turning by the angles; unread angles share what is left, and the end is closed."""
    sides = np.array(_sides(corners, known))
    read = [known.get(angle(index)) for index in range(corners)]
    left = 180.0 * (corners - 2) - sum(value for value in read if value is not None)
    missing = read.count(None)
    share = left / missing if missing else 0.0
    spread = 0.0 if missing else left / corners
    # Whatever the unread corners are left with, a start must not be folded flat.
    share = min(max(share, 20.0), 340.0)
    interior = [share if value is None else value + spread for value in read]
    bearing, directions = 0.0, []
    for index in range(corners):
        if index:
            bearing -= math.radians(180.0 - interior[index])
        directions.append((math.cos(bearing), math.sin(bearing)))
    along = np.array(directions).T
    # The gap at the end is taken up by the sides that weren't read, or else by all.
    weights = np.array([1.0 if side(index, corners) in known else 1e4 for index in range(corners)])
    gap = along @ sides
    spread_out = (along * weights) @ along.T + 1e-9 * np.eye(2)
    sides = np.maximum(
        sides - weights * (along.T @ np.linalg.solve(spread_out, gap)), 0.05 * float(sides.mean())
    )
    points = np.zeros((corners, 2))
    points[1:] = np.cumsum((along * sides).T, axis=0)[:-1]
    return points


def _cyclic(sides: list[float]) -> Array:
    """The polygon with these sides whose corners lie on a circle; it is convex."""
    longest = max(range(len(sides)), key=lambda index: sides[index])
    others = sum(sides) - sides[longest]
    sides = list(sides)
    sides[longest] = min(sides[longest], 0.98 * others)
    half = sides[longest] / 2.0

    def centre_angles(radius: float, outside: bool) -> list[float]:
        angles = [2.0 * math.asin(min(1.0, length / (2.0 * radius))) for length in sides]
        if outside:
            angles[longest] = 2.0 * math.pi - angles[longest]
        return angles

    outside = sum(centre_angles(half, outside=False)) < 2.0 * math.pi
    low, high = half, half * 1e4
    for _ in range(100):
        middle = math.sqrt(low * high)
        surplus = sum(centre_angles(middle, outside)) - 2.0 * math.pi
        if (surplus > 0.0) != outside:
            low = middle
        else:
            high = middle
    bearings = -np.cumsum([0.0, *centre_angles(low, outside)[:-1]])
    return np.stack([low * np.cos(bearings), low * np.sin(bearings)], axis=1)


def _from_distances(base: Array, known: dict[Thing, float]) -> Array:
    """Classical scaling: the plane figure nearest to all distances; unread ones are those of `base`."""
    count = len(base)
    squares = np.zeros((count, count))
    for i, j in combinations(range(count), 2):
        length = known.get(distance(i, j), float(np.hypot(*(base[i] - base[j]))))
        squares[i, j] = squares[j, i] = length * length
    centring = np.eye(count) - 1.0 / count
    values, vectors = np.linalg.eigh(-0.5 * centring @ squares @ centring)
    return np.asarray(vectors[:, -2:] * np.sqrt(np.maximum(values[-2:], 1e-6)))


def _folded(points: Array, corners: tuple[int, ...]) -> Array:
    """The polygon with corners reflected, one after the other, in the line through their neighbours."""
    folded = points.copy()
    count = len(points)
    for corner in corners:
        start, end = folded[corner - 1], folded[(corner + 1) % count]
        chord = end - start
        square = float(chord @ chord)
        if square > 0.0:
            foot = start + chord * float((folded[corner] - start) @ chord) / square
            folded[corner] = 2.0 * foot - folded[corner]
    return folded


def irregular_polygon(corners: int) -> Array:
    """Unknowns (2n - 3) of a convex polygon without any symmetry, to see what readings fix in general."""
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    steps = [1.0 + 0.5 * ((index * golden) % 1.0) for index in range(1, corners + 1)]
    bearings = -2.0 * math.pi * np.cumsum([0.0, *steps[:-1]]) / sum(steps)
    radii = [_USUAL_SIDE * (1.0 + 0.06 * ((index * golden * golden) % 1.0)) for index in range(corners)]
    points = np.stack([radii * np.cos(bearings), radii * np.sin(bearings)], axis=1)
    return normalised(points).reshape(-1)[polygon_equations(corners, ()).free]
