"""Polynomials in Bernstein form: single cubic Bezier pieces and roots on the unit interval.

Source: G. Farin, "Curves and Surfaces for CAGD", 5th ed., chapters 4 to 6 (from memory).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from math import comb, hypot

from .box import Box
from .vector import Point

Bezier = tuple[Point, Point, Point, Point]

# Positive abscissas and their weights of the Gauss-Legendre rule of ten points on [−1, 1].
# Source: Abramowitz and Stegun, "Handbook of Mathematical Functions", table 25.4.
_GAUSS = (
    (0.14887433898163122, 0.2955242247147528),
    (0.4333953941292472, 0.2692667193099965),
    (0.6794095682990244, 0.219086362515982),
    (0.8650633666889845, 0.1494513491505804),
    (0.9739065285171717, 0.06667134430868814),
)


def evaluate(b: Bezier, t: float) -> Point:
    """Return the point at parameter t."""
    u = 1.0 - t
    b0, b1, b2, b3 = u * u * u, 3.0 * u * u * t, 3.0 * u * t * t, t * t * t
    return (
        b0 * b[0][0] + b1 * b[1][0] + b2 * b[2][0] + b3 * b[3][0],
        b0 * b[0][1] + b1 * b[1][1] + b2 * b[2][1] + b3 * b[3][1],
    )


def derivative(b: Bezier, t: float) -> Point:
    """Return the first derivative by t."""
    u = 1.0 - t
    d0, d1, d2 = 3.0 * u * u, 6.0 * u * t, 3.0 * t * t
    return (
        d0 * (b[1][0] - b[0][0]) + d1 * (b[2][0] - b[1][0]) + d2 * (b[3][0] - b[2][0]),
        d0 * (b[1][1] - b[0][1]) + d1 * (b[2][1] - b[1][1]) + d2 * (b[3][1] - b[2][1]),
    )


def second_derivative(b: Bezier, t: float) -> Point:
    """Return the second derivative by t."""
    u = 6.0 * (1.0 - t)
    v = 6.0 * t
    return (
        u * (b[2][0] - 2.0 * b[1][0] + b[0][0]) + v * (b[3][0] - 2.0 * b[2][0] + b[1][0]),
        u * (b[2][1] - 2.0 * b[1][1] + b[0][1]) + v * (b[3][1] - 2.0 * b[2][1] + b[1][1]),
    )


def curvature(b: Bezier, t: float) -> float:
    """Return the signed curvature at parameter t, positive for a left turn."""
    d, dd = derivative(b, t), second_derivative(b, t)
    return float((d[0] * dd[1] - d[1] * dd[0]) / hypot(d[0], d[1]) ** 3)


def subdivide(b: Bezier, t: float) -> tuple[Bezier, Bezier]:
    """Return the pieces before and after t (de Casteljau)."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = b
    ax, ay = x0 + (x1 - x0) * t, y0 + (y1 - y0) * t
    bx, by = x1 + (x2 - x1) * t, y1 + (y2 - y1) * t
    cx, cy = x2 + (x3 - x2) * t, y2 + (y3 - y2) * t
    dx, dy = ax + (bx - ax) * t, ay + (by - ay) * t
    ex, ey = bx + (cx - bx) * t, by + (cy - by) * t
    p = (dx + (ex - dx) * t, dy + (ey - dy) * t)
    return (b[0], (ax, ay), (dx, dy), p), (p, (ex, ey), (cx, cy), b[3])


def part(b: Bezier, t0: float, t1: float) -> Bezier:
    """Return the piece between two parameters, t0 < t1."""
    if t1 < 1.0:
        b = subdivide(b, t1)[0]
    if t0 > 0.0:
        b = subdivide(b, t0 / t1)[1]
    return b


def hull_box(b: Bezier) -> Box:
    """Return the box around the control points, which holds the piece."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = b
    return Box(min(x0, x1, x2, x3), min(y0, y1, y2, y3), max(x0, x1, x2, x3), max(y0, y1, y2, y3))


def arc_length(b: Bezier, t0: float, t1: float) -> float:
    """Return the length between two parameters by one Gauss-Legendre rule of ten points."""
    # The hodograph 3(p·t² + q·t + r), once in powers: cheaper than ten times in Bernstein form.
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = b
    px, py = x3 - 3.0 * x2 + 3.0 * x1 - x0, y3 - 3.0 * y2 + 3.0 * y1 - y0
    qx, qy = 2.0 * (x2 - 2.0 * x1 + x0), 2.0 * (y2 - 2.0 * y1 + y0)
    rx, ry = x1 - x0, y1 - y0
    middle, half = 0.5 * (t0 + t1), 0.5 * (t1 - t0)
    total = 0.0
    for abscissa, weight in _GAUSS:
        low, high = middle - half * abscissa, middle + half * abscissa
        total += weight * (
            hypot((px * low + qx) * low + rx, (py * low + qy) * low + ry)
            + hypot((px * high + qx) * high + rx, (py * high + qy) * high + ry)
        )
    return 3.0 * half * total


def area_term(b: Bezier) -> float:
    """Return ½∫ x dy − y dx along the piece, by integrating the Bernstein polynomials exactly."""
    p0, p1, p2, p3 = b

    def cross(a: Point, c: Point) -> float:
        return a[0] * c[1] - a[1] * c[0]

    return (
        6.0 * cross(p0, p1)
        + 3.0 * cross(p0, p2)
        + cross(p0, p3)
        + 3.0 * cross(p1, p2)
        + 3.0 * cross(p1, p3)
        + 6.0 * cross(p2, p3)
    ) / 20.0


def product(a: Sequence[float], b: Sequence[float]) -> list[float]:
    """Return the Bernstein coefficients of the product of two polynomials in Bernstein form."""
    m, n = len(a) - 1, len(b) - 1
    result = [0.0] * (m + n + 1)
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            result[i + j] += comb(m, i) * comb(n, j) * x * y
    return [value / comb(m + n, k) for k, value in enumerate(result)]


def _halves(coefficients: Sequence[float]) -> tuple[list[float], list[float]]:
    row = list(coefficients)
    left, right = [row[0]], [row[-1]]
    while len(row) > 1:
        row = [0.5 * (a + b) for a, b in itertools.pairwise(row)]
        left.append(row[0])
        right.append(row[-1])
    return left, right[::-1]


def polynomial_at(coefficients: Sequence[float], t: float) -> tuple[float, float]:
    """Return value and derivative of a polynomial in Bernstein form (de Casteljau)."""
    row = list(coefficients)
    degree = len(row) - 1
    while len(row) > 2:
        row = [a + (b - a) * t for a, b in itertools.pairwise(row)]
    if len(row) == 1:
        return row[0], 0.0
    return row[0] + (row[1] - row[0]) * t, degree * (row[1] - row[0])


def _single_root(coefficients: Sequence[float]) -> float:
    """Return the only root on [0, 1], where the end values differ in sign: Newton inside a bracket."""
    low, high = 0.0, 1.0
    rising = coefficients[-1] > coefficients[0]
    first, last = coefficients[0], coefficients[-1]
    t = first / (first - last)
    for _ in range(80):
        value, slope = polynomial_at(coefficients, t)
        if value == 0.0:
            return t
        if (value > 0.0) == rising:
            high = t
        else:
            low = t
        step = t - value / slope if slope != 0.0 else low
        if not low < step < high:
            step = 0.5 * (low + high)
        if abs(step - t) <= 1e-16 or high - low <= 1e-16:
            return step
        t = step
    return t


def roots(coefficients: Sequence[float], tolerance: float) -> list[float]:
    """Return the roots on [0, 1] of a polynomial in Bernstein form, rising.

    Intervals are halved until Descartes' rule of signs leaves at most one root in each. Where the polynomial
    stays within the tolerance of zero without a change of sign, it touches, and the middle is returned.

    Args:
        coefficients: Bernstein coefficients, at least two.
        tolerance: Values up to this size count as zero.
    """
    found: list[float] = []
    touching: list[tuple[float, float]] = []

    def search(row: Sequence[float], t0: float, width: float) -> None:
        changes = 0
        previous = 0.0
        for value in row:
            if value != 0.0:
                changes += previous * value < 0.0
                previous = value
        if changes == 0 and abs(row[0]) > tolerance and abs(row[-1]) > tolerance:
            return
        if changes == 1 and row[0] * row[-1] < 0.0:
            found.append(t0 + width * _single_root(row))
            return
        if max(abs(value) for value in row) <= tolerance or width < 1e-15:
            if touching and t0 - touching[-1][1] < 1e-12:
                touching[-1] = (touching[-1][0], t0 + width)
            else:
                touching.append((t0, t0 + width))
            return
        left, right = _halves(row)
        search(left, t0, 0.5 * width)
        search(right, t0 + 0.5 * width, 0.5 * width)

    search(coefficients, 0.0, 1.0)
    for t0, t1 in touching:
        # A crossing found next to where the values are this small is the same root.
        if not any(t0 - 1e-9 <= t <= t1 + 1e-9 for t in found):
            found.append(0.0 if t0 == 0.0 else 1.0 if t1 == 1.0 else 0.5 * (t0 + t1))
    return sorted(found)


def foot_parameters(b: Bezier, point: Point) -> list[float]:
    """Return where the line to the point is square to the piece: roots of a polynomial of degree five."""
    x, y = [p[0] - point[0] for p in b], [p[1] - point[1] for p in b]
    rate_x = [after - before for before, after in itertools.pairwise(x)]
    rate_y = [after - before for before, after in itertools.pairwise(y)]
    return roots([u + v for u, v in zip(product(x, rate_x), product(y, rate_y), strict=True)], 1e-12)
