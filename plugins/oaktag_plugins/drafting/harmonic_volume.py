"""The volume over a panel whose width is given along its edge: the integral of a harmonic function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import atan2, ceil
from typing import TYPE_CHECKING

from oaktag.geometry import Path, cross, dot

if TYPE_CHECKING:
    from numpy import complex128, float64
    from numpy.typing import NDArray

    Reals = NDArray[float64]
    Complexes = NDArray[complex128]

LADDER: tuple[tuple[int, int], ...] = ((2, 0), (10, 0), (12, 3), (14, 6), (20, 9), (28, 14))
"""Degrees of the polynomial and numbers of poles per joint, tried in turn until the bound is small enough."""


@dataclass(frozen=True, slots=True)
class Volume:
    """A computed volume.

    Attributes:
        value: mm³.
        bound: the most by which the computation can be off, mm³.
        size: how many functions the width was fitted with.
    """

    value: float
    bound: float
    size: int


def harmonic_volume(
    around: Path, width: Callable[[float], float], joints: Sequence[float] = (), tolerance: float = 0.005
) -> Volume:
    """Integrate over a panel the harmonic function whose boundary values are the widths.

    The function is fitted as the real part of an analytic one: a polynomial, and where that isn't enough,
    simple poles outside the panel that crowd towards the joints, where the width or the outline may kink. By
    the maximum principle the fit is nowhere in the panel further off than on the boundary, so the largest
    misfit there (found among some fifty times as many places as the outline has segments) times the panel's
    area bounds the error of the volume. The fit's own integral is exact but for rounding: by Green's theorem
    ∫ f dA = (1/2i) ∮ f(z) z̄ dz for an analytic f.

    Sources, from memory: P. D. Brubeck, Y. Nakatsukasa, L. N. Trefethen, "Vandermonde with Arnoldi", SIAM
    Review 63 (2021); A. Gopal, L. N. Trefethen, "Solving Laplace problems with corner singularities via
    rational functions", SIAM J. Numer. Anal. 57 (2019).

    Args:
        around: the panel's seam line, closed.
        width: seam length in mm to width in mm; smooth between joints.
        joints: seam lengths of the width's kinks; those of the path's own joints needn't be given.
        tolerance: share of the volume below which the bound has to come.

    Returns:
        The first fit whose bound is below the tolerance, or else the best one.
    """
    if around.clockwise:
        length = around.length
        forward = width
        return harmonic_volume(
            around.reversed(), lambda s: forward(length - s), [length - joint for joint in joints], tolerance
        )
    boundary = sample_boundary(around, width, joints)
    best: Volume | None = None
    for degree, poles in LADDER:
        volume = fit_width(boundary, degree, poles)
        if best is None or volume.bound < best.bound:
            best = volume
        if best.bound <= tolerance * best.value:
            break
    assert best is not None
    return best


@dataclass(frozen=True, slots=True, eq=False)
class Boundary:
    """A panel's boundary, sampled counter-clockwise and scaled to about the unit circle.

    Attributes:
        z: places where the widths are fitted, the nodes of a quadrature.
        dz: their weights for integrals along the boundary, directed.
        ds: the same, undirected.
        width: widths there, mm.
        check: places where the misfit is looked for, between the nodes and at the joints.
        check_width: widths there, mm.
        corners: the joints.
        outward: unit vectors out of the panel there.
        ring: the boundary's points in order, for telling inside from outside.
        scale: mm per unit.
    """

    z: Complexes
    dz: Complexes
    ds: Reals
    width: Reals
    check: Complexes
    check_width: Reals
    corners: Complexes
    outward: Complexes
    ring: Complexes
    scale: float


_NODES = 6
_LONGEST = 40.0  # mm: the longest panel of the quadrature
_SHORTEST = 2.0  # mm: how near to a joint the panels go on halving
_TURN = 0.5  # radians: the most that the outline turns within a panel
_CHECKS = 8  # places per panel where the misfit is looked for


def sample_boundary(around: Path, width: Callable[[float], float], joints: Sequence[float]) -> Boundary:
    """Sample a panel's boundary for `fit_width`; arguments as in `harmonic_volume`, counter-clockwise."""
    import numpy as np

    length = around.length
    breaks = [0.0]
    for s in sorted((*around.joints, *(joint % length for joint in joints))):
        if s - breaks[-1] > 0.05 and length - s > 0.05:
            breaks.append(s)
    panels = [panel for a, b in pairwise((*breaks, length)) for panel in _panels(around, a, b)]
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    low, high = np.array(panels).T
    half = 0.5 * (high - low)
    s = (low + half)[:, None] + half[:, None] * nodes
    ds = half[:, None] * weights
    values = np.array([[width(float(station)) for station in row] for row in s])
    # Between the nodes of a panel the width is its interpolating polynomial: kinks are at joints alone.
    places = np.linspace(-1.0, 1.0, _CHECKS)
    between = np.polynomial.legendre.legvander(places, _NODES - 1) @ np.linalg.inv(
        np.polynomial.legendre.legvander(nodes, _NODES - 1)
    )
    check_s = (low + half)[:, None] + half[:, None] * places
    z = np.array([complex(*around.point_at(float(station))) for station in s.ravel()])
    tangents = np.array([complex(*around.tangent_at(float(station))) for station in s.ravel()])
    check = np.array([complex(*around.point_at(min(float(station), length))) for station in check_s.ravel()])
    flat_ds = ds.ravel()
    centre = complex((z * flat_ds).sum() / flat_ds.sum())
    scale = float(np.abs(z - centre).max())
    corners = np.array([complex(*around.point_at(station)) for station in breaks])
    # Out of a counter-clockwise outline is to the right; at a corner half-way between both sides' normals.
    normals = np.array(
        [
            -1j * (complex(*around.tangent_at(station)) + complex(*around.tangent_before(station)))
            for station in breaks
        ]
    )
    return Boundary(
        z=(z - centre) / scale,
        dz=tangents * flat_ds / scale,
        ds=flat_ds / scale,
        width=values.ravel(),
        check=(check - centre) / scale,
        check_width=(values @ between.T).ravel(),
        corners=(corners - centre) / scale,
        outward=normals / np.maximum(np.abs(normals), 1e-12),
        ring=(check - centre) / scale,
        scale=scale,
    )


def _panels(around: Path, a: float, b: float) -> list[tuple[float, float]]:
    """Panels of the quadrature between two joints, halved towards both of them."""
    shares = [0.5]
    while shares[-1] * (b - a) > _SHORTEST:
        shares.append(0.5 * shares[-1])
    up = shares[::-1]
    marks = (0.0, *up, *(1.0 - share for share in shares[1:]), 1.0)
    found: list[tuple[float, float]] = []
    for p, q in pairwise(marks):
        s0, s1 = a + p * (b - a), a + q * (b - a)
        before, after = around.tangent_at(s0), around.tangent_before(s1)
        turn = abs(atan2(cross(before, after), dot(before, after)))
        count = max(1, ceil((s1 - s0) / _LONGEST), ceil(turn / _TURN))
        found += ((s0 + (s1 - s0) * k / count, s0 + (s1 - s0) * (k + 1) / count) for k in range(count))
    return found


def fit_width(boundary: Boundary, degree: int, per_corner: int) -> Volume:
    """Fit the width with a polynomial of a degree and so many poles at every joint, and integrate it."""
    import numpy as np

    poles, reach = _poles(boundary, per_corner)
    powers, recurrence = _polynomials(boundary.z, degree)
    columns = np.hstack([powers, reach / (boundary.z[:, None] - poles)])
    # The imaginary part of a constant adds nothing to the real part.
    matrix = np.hstack([columns.real, -columns.imag[:, 1:]])
    weight = np.sqrt(boundary.ds)
    solution = _least_squares(matrix * weight[:, None], boundary.width * weight)
    size = columns.shape[1]
    factors = solution[:size].astype(complex)
    factors[1:] += 1j * solution[size:]
    again = np.hstack(
        [_polynomials_again(boundary.check, recurrence), reach / (boundary.check[:, None] - poles)]
    )
    fitted, fitted_check = _product(columns, factors), _product(again, factors)
    area = float(((boundary.z.conj() * boundary.dz).sum() / 2j).real)
    value = float(((fitted * boundary.z.conj() * boundary.dz).sum() / 2j).real)
    misfit = float(np.abs(fitted_check.real - boundary.check_width).max())
    square = boundary.scale**2
    return Volume(value * square, misfit * area * square, matrix.shape[1])


_REGULAR = 1e-14  # share of the normal matrix's trace; poles near to each other make it all but singular
_REFINEMENTS = 2


def _least_squares(matrix: Reals, wanted: Reals) -> Reals:
    """Factors whose combination of columns comes nearest to what is wanted, if there are many the smallest.

    Normal equations, regularised and refined: what they lose in accuracy the misfit shows. einsum adds in one
    thread; for matrices this small a threaded library is slower, many times so on a busy machine.
    """
    import numpy as np

    norms = np.sqrt((matrix**2).sum(axis=0))
    scaled = matrix / norms
    normal = np.einsum("ij,ik->jk", scaled, scaled)
    normal[np.diag_indices_from(normal)] += _REGULAR * normal.trace()
    inverse = np.linalg.inv(normal)
    factors = np.zeros(matrix.shape[1])
    for _ in range(1 + _REFINEMENTS):
        rest = wanted - np.einsum("ij,j->i", scaled, factors)
        factors = factors + np.einsum("ij,j->i", inverse, np.einsum("ij,i->j", scaled, rest))
    found: Reals = factors / norms
    return found


def _product(matrix: Complexes, vector: Complexes) -> Complexes:
    import numpy as np

    product: Complexes = np.einsum("ij,j->i", matrix, vector)
    return product


def _poles(boundary: Boundary, per_corner: int) -> tuple[Complexes, Reals]:
    """Poles outside the panel, crowding towards its joints, and their distances from these."""
    import numpy as np
    from shapely import LinearRing, Polygon, distance, points

    if per_corner == 0:
        return np.empty(0, dtype=complex), np.empty(0)
    circumference = float(boundary.ds.sum())
    steps = np.geomspace(_SHORTEST / (2.0 * boundary.scale), 0.15 * circumference, per_corner)
    places = (boundary.corners[:, None] + boundary.outward[:, None] * steps).ravel()
    reach = np.tile(steps, len(boundary.corners))
    polygon = Polygon(LinearRing(np.column_stack([boundary.ring.real, boundary.ring.imag])))
    # In a notch of the outline the way out leads back to the panel: a pole stays in the middle at most.
    clear = distance(polygon, points(places.real, places.imag)) > 0.5 * reach
    return places[clear], reach[clear]


def _polynomials(z: Complexes, degree: int) -> tuple[Complexes, Complexes]:
    """Polynomials up to a degree that are orthonormal on the given places, and their recurrence."""
    import numpy as np

    count = len(z)
    found = np.zeros((count, degree + 1), dtype=complex)
    recurrence = np.zeros((degree + 1, degree), dtype=complex)
    found[:, 0] = 1.0
    for k in range(degree):
        following = z * found[:, k]
        for _ in range(2):  # once more, against rounding
            parts = np.einsum("ij,i->j", found[:, : k + 1].conj(), following) / count
            following = following - _product(found[:, : k + 1], parts)
            recurrence[: k + 1, k] += parts
        recurrence[k + 1, k] = np.linalg.norm(following) / np.sqrt(count)
        found[:, k + 1] = following / recurrence[k + 1, k]
    return found, recurrence


def _polynomials_again(z: Complexes, recurrence: Complexes) -> Complexes:
    """The polynomials of a recurrence at other places."""
    import numpy as np

    degree = recurrence.shape[1]
    found = np.ones((len(z), degree + 1), dtype=complex)
    for k in range(degree):
        rest = _product(found[:, : k + 1], recurrence[: k + 1, k])
        found[:, k + 1] = (z * found[:, k] - rest) / recurrence[k + 1, k]
    return found
