"""Corners that were estimated before anything was read, as observations beside the readings.

A chart or a trace gives all corners at once, and their errors hang together. They enter the adjustment as one
block of 2n - 3 correlated observations, the free coordinates themselves. Multiplying by a square root of the
inverse of their covariance makes the block independent observations of sigma 1 (E. M. Mikhail and
F. Ackermann, Observations and Least Squares, 1976, on decorrelation; from memory), so that it can stand under
the readings in the same equations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oaktag_plugins.surveying.adjustment import Array, PolygonEquations, polygon_equations

LEAST_SIGMA = 0.01
"""No combination of an estimate's coordinates is taken to be known better than this, mm: no tape shows less,
and what is said to be exact couldn't be weighed against a reading."""

_NEGATIVE = 1e-9  # of the largest eigenvalue: less is rounding


class CovarianceError(ValueError):
    """A matrix that is no covariance of the corners; the text says why."""


@dataclass(frozen=True, eq=False)
class CornerEstimate:
    """Estimated corners in the placement of the adjustment, and how well they are known.

    Attributes:
        coordinates: the free ones (2n - 3,), mm; the first corner is the origin, the first side along +x.
        root: (2n - 3, 2n - 3), by which they are multiplied to become independent with sigma 1.
    """

    coordinates: Array
    root: Array

    @property
    def size(self) -> int:
        """How many observations it stands for."""
        return len(self.coordinates)

    @cached_property
    def observed(self) -> Array:
        """The independent observations (2n - 3,), each with sigma 1."""
        return np.asarray(self.root @ self.coordinates)

    def misfit(self, unknowns: Array) -> float:
        """Weighted square sum of what a shape's coordinates (2n - 3,) are off by: its share in chi-square."""
        return float(np.sum((self.root @ (unknowns - self.coordinates)) ** 2))

    def loosened(self, factor: float) -> CornerEstimate:
        """The same with so many times the standard uncertainty."""
        return CornerEstimate(self.coordinates, self.root / factor)


def corner_estimate(
    points: Sequence[Sequence[float]], covariance: Sequence[Sequence[float]]
) -> CornerEstimate:
    """An estimate from corners in any placement.

    Eigenvalues of the covariance below `LEAST_SIGMA` squared are raised to that: a chart of few values leaves
    some combinations of corners without any error of their own.

    Args:
        points: corners in mm (n, 2).
        covariance: of x0, y0, x1, y1, ... in mm² (2n, 2n), with the first corner and the first side's
            direction held fixed, axes along and across the first side.

    Raises:
        CovarianceError: the matrix has another size, isn't symmetric, or has a negative eigenvalue.
    """
    count = len(points)
    moved = np.asarray(points, dtype=float) - np.asarray(points[0], dtype=float)
    along = moved[1] / np.hypot(*moved[1])
    turned = moved @ np.array([[along[0], -along[1]], [along[1], along[0]]])
    free = polygon_equations(count, ()).free
    try:
        whole = np.asarray(covariance, dtype=float)
    except ValueError:
        raise CovarianceError("its rows differ in length") from None
    if whole.shape != (2 * count, 2 * count):
        raise CovarianceError(f"it has {' × '.join(map(str, whole.shape))} values")
    if not np.all(np.isfinite(whole)):
        raise CovarianceError("some of its values aren't finite")
    block = whole[np.ix_(free, free)]
    largest = float(np.max(np.abs(block)))
    if float(np.max(np.abs(block - block.T))) > _NEGATIVE * largest:
        raise CovarianceError("it isn't symmetric")
    values, vectors = np.linalg.eigh(block)
    if float(values[0]) < -_NEGATIVE * largest:
        raise CovarianceError(f"it has the negative eigenvalue {values[0]:.3g} mm²")
    sigma = np.sqrt(np.maximum(values, LEAST_SIGMA**2))
    return CornerEstimate(turned.reshape(-1)[free], (vectors / sigma).T)


class StackedEquations:
    """Equations of a polygon's readings, and under them those of an estimate of its corners.

    Attributes:
        corners: how many.
        free: places of the free coordinates among all.
        period: of cyclic observations, 0 for the others.
    """

    def __init__(self, polygon: PolygonEquations, estimate: CornerEstimate) -> None:
        self._polygon = polygon
        self._root = estimate.root
        self.corners = polygon.corners
        self.free = polygon.free
        self.period = np.concatenate([polygon.period, np.zeros(estimate.size)])

    def coordinates(self, unknowns: Array) -> Array:
        """All corner coordinates, as `PolygonEquations.coordinates` gives them."""
        return self._polygon.coordinates(unknowns)

    def __call__(self, unknowns: Array) -> tuple[Array, Array]:
        """Computed observations (..., m + 2n - 3) and their derivatives (..., m + 2n - 3, 2n - 3)."""
        values, jacobian = self._polygon(unknowns)
        root = np.broadcast_to(self._root, (*unknowns.shape[:-1], *self._root.shape))
        return (
            np.concatenate([values, unknowns @ self._root.T], axis=-1),
            np.concatenate([jacobian, root], axis=-2),
        )
