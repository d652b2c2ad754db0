"""Least squares adjustment, its statistics, and the observation equations of a polygon's lengths and angles.

Unknowns of a polygon are corner coordinates in mm; the first corner is held at the origin and the first side
along +x, which leaves 2n - 3 of them. Corners run clockwise with y upward. The mathematics is that of any
textbook on the adjustment of observations: E. M. Mikhail and F. Ackermann, Observations and Least Squares
(1976).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Equations = Callable[[Array], tuple[Array, Array]]
"""From unknowns (..., u) to computed observations (..., m) and their derivatives (..., m, u)."""

# Below this a redundancy number is rounding: nothing checks the reading.
UNCHECKED = 1e-6
_TO_DEGREES = 180.0 / math.pi


# ----------------------------------------------------------------------------------------------- chi-square


def chi_square_survival(value: float, dof: int) -> float:
    """Probability that chi-square with `dof` degrees of freedom exceeds `value`.

    Closed forms for whole degrees of freedom: Abramowitz and Stegun, Handbook of Mathematical Functions,
    26.4.4 and 26.4.5. Written out because the library that has them takes longer to import than a whole run.
    """
    if value <= 0.0:
        return 1.0
    half = value / 2.0
    if dof % 2:
        total = math.erfc(math.sqrt(half))
        term = math.sqrt(2.0 * value / math.pi) * math.exp(-half)
        start = 1
    else:
        total = term = math.exp(-half)
        term *= half
        start = 2
    for order in range(start, dof - 1, 2):
        total += term
        term *= value / (order + 2)
    return min(1.0, total)


@lru_cache(maxsize=256)
def chi_square_quantile(probability: float, dof: int) -> float:
    """The value that chi-square with `dof` degrees of freedom stays below with this probability.

    Args:
        probability: between 0 and 1, both excluded.
        dof: at least 1.
    """
    tail = 1.0 - probability
    low, high = 0.0, float(dof)
    while chi_square_survival(high, dof) > tail:
        low, high = high, 2.0 * high
    while True:
        middle = 0.5 * (low + high)
        if middle in (low, high):
            return middle
        if chi_square_survival(middle, dof) > tail:
            low = middle
        else:
            high = middle


# -------------------------------------------------------------------------------------------- least squares


@dataclass(frozen=True, eq=False)
class Fit:
    """Outcome of `least_squares`; leading axes as those of its start.

    Attributes:
        unknowns: (..., u).
        residuals: adjusted minus observed (..., m), in the unit of each observation.
        sigma: (..., m); infinite for an observation that was left out.
        jacobian: derivatives of the observations in the unknowns (..., m, u).
        chi_square: weighted square sum of residuals (...).
        converged: whether the last step was negligible (...).
    """

    unknowns: Array
    residuals: Array
    sigma: Array
    jacobian: Array
    chi_square: Array
    converged: NDArray[np.bool_]

    def pick(self, index: int) -> Fit:
        """One of several, for one leading axis."""
        return Fit(
            self.unknowns[index],
            self.residuals[index],
            self.sigma[index],
            self.jacobian[index],
            self.chi_square[index],
            self.converged[index],
        )

    @cached_property
    def _scaled_normal(self) -> tuple[Array, Array]:
        weighted = self.jacobian / self.sigma[..., None]
        normal = np.swapaxes(weighted, -1, -2) @ weighted
        scale = np.sqrt(np.maximum(np.diagonal(normal, axis1=-2, axis2=-1), 1e-300))
        return normal / (scale[..., :, None] * scale[..., None, :]), scale

    @cached_property
    def determined(self) -> NDArray[np.bool_]:
        """Whether the observations fix every unknown here (...): the normal matrix isn't singular."""
        normal, _ = self._scaled_normal
        return np.asarray(np.linalg.eigvalsh(normal)[..., 0] > 1e-10)

    @cached_property
    def cofactor(self) -> Array:
        """Covariance of the unknowns from the stated sigmas (..., u, u); infinite where not determined."""
        normal, scale = self._scaled_normal
        size = normal.shape[-1]
        fixed = self.determined[..., None, None]
        inverse = np.linalg.inv(np.where(fixed, normal, np.eye(size)))
        return np.where(fixed, inverse / (scale[..., :, None] * scale[..., None, :]), np.inf)

    @cached_property
    def redundancy(self) -> Array:
        """Redundancy numbers (..., m): 0 for an unchecked observation, 1 for a fully checked one."""
        weighted = self.jacobian / self.sigma[..., None]
        taken = np.einsum("...ij,...jk,...ik->...i", weighted, self.cofactor, weighted)
        return np.asarray(np.clip(1.0 - taken, 0.0, 1.0))

    @cached_property
    def standardised(self) -> Array:
        """Residuals over their own sigmas (..., m); not a number where the redundancy is 0."""
        redundancy = self.redundancy
        own = self.sigma * np.sqrt(np.where(redundancy > UNCHECKED, redundancy, np.nan))
        return self.residuals / own


def least_squares(
    equations: Equations,
    observed: Array,
    sigma: Array,
    start: Array,
    *,
    period: Array | None = None,
    tolerance: float = 1e-10,
    limit: int = 100,
) -> Fit:
    """Weighted least squares by Gauss-Newton steps, damped after Levenberg and Marquardt where need be.

    Several problems of the same size are solved at once if `start` has a leading axis; `observed` and `sigma`
    may have it too.

    Args:
        equations: computed observations and their derivatives; must accept a leading axis if `start` has one.
        observed: (m,) or (b, m).
        sigma: standard uncertainties (m,) or (b, m); infinite leaves an observation out.
        start: unknowns to begin with (u,) or (b, u).
        period: of cyclic observations (m,), 0 for the others: 360 for an angle in degrees.
        tolerance: a step that moves the computed observations by less, in sigmas and in relation to the
            residuals, is the last.
        limit: of iterations.
    """
    single = start.ndim == 1
    unknowns = np.array(np.atleast_2d(start), dtype=float)
    batch = len(unknowns)
    observed = np.broadcast_to(observed, (batch, np.shape(observed)[-1]))
    sigma = np.broadcast_to(sigma, observed.shape)
    cyclic = None if period is None or not np.any(period) else np.flatnonzero(period)
    turns = None if cyclic is None or period is None else period[cyclic]

    def misclosure(computed: Array, rows: NDArray[np.intp] | slice) -> Array:
        difference = observed[rows] - computed
        if cyclic is not None and turns is not None:
            part = difference[..., cyclic]
            difference[..., cyclic] = part - turns * np.round(part / turns)
        return difference

    everything = slice(None)
    computed, jacobian = equations(unknowns)
    residuals = misclosure(computed, everything)
    cost = np.sum((residuals / sigma) ** 2, axis=-1)
    damping = np.zeros(batch)
    converged = np.zeros(batch, dtype=bool)
    last_moved = np.full(batch, np.inf)
    size = unknowns.shape[1]
    diagonal = np.arange(size)
    # Far from any solution a step may overflow; it is turned down, as its cost isn't below the present one.
    with np.errstate(over="ignore", invalid="ignore"):
        for _ in range(limit):
            active: NDArray[np.intp] | slice = (
                everything if not converged.any() else np.flatnonzero(~converged)
            )
            inverse_sigma = 1.0 / sigma[active]
            weighted = jacobian[active] * inverse_sigma[..., None]
            normal = np.swapaxes(weighted, -1, -2) @ weighted
            gradient = np.einsum("bij,bi->bj", weighted, residuals[active] * inverse_sigma)
            strength = normal[:, diagonal, diagonal]
            damped = normal.copy()
            # A trace of damping always, so that a singular normal matrix has a solution too.
            damped[:, diagonal, diagonal] += (damping[active, None] + 1e-14) * strength + 1e-300
            try:
                step = np.linalg.solve(damped, gradient[..., None])[..., 0]
            except np.linalg.LinAlgError:
                damping[active] = np.maximum(10.0 * damping[active], 1e-3)
                continue
            trial = unknowns[active] + step
            trial_computed, trial_jacobian = equations(trial)
            trial_residuals = misclosure(trial_computed, active)
            trial_cost = np.sum((trial_residuals * inverse_sigma) ** 2, axis=-1)
            current = cost[active]
            moved = np.sqrt(np.einsum("bi,bij,bj->b", step, normal, step))
            scale = 1.0 + np.sqrt(current)
            finished = moved <= tolerance * scale
            better = trial_cost <= current
            # So near the end the cost no longer tells a better point from a worse one, but the step does.
            near = (moved <= 1e-6 * scale) & (trial_cost <= current * (1.0 + 1e-9) + 1e-18)
            accepted = better | near
            # Steps that don't get any shorter are rounding.
            stalled = near & (moved > 0.9 * last_moved[active])
            last_moved[active] = moved
            if isinstance(active, slice) and accepted.all():
                unknowns, jacobian, residuals, cost = trial, trial_jacobian, trial_residuals, trial_cost
            else:
                rows = np.arange(batch)[active][accepted]
                unknowns[rows] = trial[accepted]
                jacobian[rows] = trial_jacobian[accepted]
                residuals[rows] = trial_residuals[accepted]
                cost[rows] = trial_cost[accepted]
            now = damping[active]
            damping[active] = np.where(
                accepted,
                np.where(now > 1e-7, now * 0.1, 0.0),
                np.minimum(np.maximum(now * 10.0, 1e-4), 1e12),
            )
            converged[active] = finished | stalled
            if converged.all():
                break
    fit = Fit(unknowns, -residuals, np.asarray(sigma), jacobian, cost, converged)
    return fit.pick(0) if single else fit


# ------------------------------------------------------------------------------------------------- polygons


class Thing(NamedTuple):
    """What a reading is of: the distance of two corners, or the interior angle at one.

    Corners are given by index, those of a distance in rising order; an angle has its corner twice.
    """

    kind: Literal["distance", "angle"]
    first: int
    second: int


def distance(first: int, second: int) -> Thing:
    """The distance between two corners."""
    return Thing("distance", min(first, second), max(first, second))


def angle(corner: int) -> Thing:
    """The interior angle at a corner."""
    return Thing("angle", corner, corner)


def side(index: int, corners: int) -> Thing:
    """Side `index` of a polygon with so many corners: from corner `index` to the next."""
    return distance(index, (index + 1) % corners)


def all_things(corners: int) -> tuple[Thing, ...]:
    """Whatever could be read: sides, then diagonals, then angles."""
    sides = [side(index, corners) for index in range(corners)]
    pairs = [distance(i, j) for i in range(corners) for j in range(i + 1, corners)]
    return (*sides, *(pair for pair in pairs if pair not in sides), *(angle(i) for i in range(corners)))


class PolygonEquations:
    """Distances (mm) and clockwise interior angles (degrees) of a polygon, with analytic derivatives.

    Use `polygon_equations` to get one: they are immutable and built once.

    Args:
        corners: how many.
        things: the observations, in order.
    """

    def __init__(self, corners: int, things: tuple[Thing, ...]) -> None:
        self.corners = corners
        self.things = things
        self.free = np.array([2, *range(4, 2 * corners)], dtype=np.intp)
        rows = range(len(things))
        distance_rows = [row for row in rows if things[row].kind == "distance"]
        angle_rows = [row for row in rows if things[row].kind == "angle"]
        at = [things[row].first for row in angle_rows]
        after, before = [(corner + 1) % corners for corner in at], [(corner - 1) % corners for corner in at]
        start = [things[row].first for row in distance_rows]
        end = [things[row].second for row in distance_rows]
        self._distances, self._angles = len(distance_rows), len(angle_rows)
        # Rays: one for each distance, then for each angle the one to the next corner, then to the previous
        # one.
        self._start = np.array(start + at + at, dtype=np.intp)
        self._end = np.array(end + after + before, dtype=np.intp)
        self._order = np.argsort(np.array(distance_rows + angle_rows, dtype=np.intp))
        # Derivatives in all coordinates, those held fixed last so that they can be cut off.
        column = np.empty(2 * corners, dtype=np.intp)
        column[self.free] = np.arange(len(self.free))
        column[[0, 1, 3]] = len(self.free) + np.arange(3)
        places = [
            (row, 2 * corner + axis)
            for group, corner_list in (
                (distance_rows, end), (distance_rows, start),
                (angle_rows, after), (angle_rows, before), (angle_rows, at),
            )
            for axis in (0, 1)
            for row, corner in zip(group, corner_list, strict=True)
        ]  # fmt: skip
        self._places = np.array([row * 2 * corners + column[where] for row, where in places], dtype=np.intp)
        self.period = np.array([360.0 if one.kind == "angle" else 0.0 for one in things])

    def coordinates(self, unknowns: Array) -> Array:
        """All corner coordinates (..., 2n) as x0, y0, x1, y1, ... from the free ones (..., 2n - 3)."""
        full = np.zeros((*unknowns.shape[:-1], 2 * self.corners))
        full[..., self.free] = unknowns
        return full

    def __call__(self, unknowns: Array) -> tuple[Array, Array]:
        """Computed observations (..., m) and their derivatives (..., m, 2n - 3)."""
        full = self.coordinates(unknowns)
        x, y = full[..., 0::2], full[..., 1::2]
        dx = x[..., self._end] - x[..., self._start]
        dy = y[..., self._end] - y[..., self._start]
        count, middle = self._distances, self._distances + self._angles
        square = np.maximum(dx * dx + dy * dy, 1e-12)
        lead = unknowns.shape[:-1]
        computed: list[Array] = []
        parts: list[Array] = []
        if count:
            length = np.sqrt(square[..., :count])
            along_x, along_y = dx[..., :count] / length, dy[..., :count] / length
            computed.append(length)
            parts += [along_x, along_y, -along_x, -along_y]
        if self._angles:
            # Turning a ray by an angle moves its end square to it: the derivative of a bearing is square to
            # the ray and falls with its length.
            across_x, across_y = -dy[..., count:] / square[..., count:], dx[..., count:] / square[..., count:]
            across_x, across_y = across_x * _TO_DEGREES, across_y * _TO_DEGREES
            bearing = np.arctan2(dy[..., count:], dx[..., count:])
            angles = middle - count
            computed.append((bearing[..., :angles] - bearing[..., angles:]) * _TO_DEGREES % 360.0)
            after_x, after_y = across_x[..., :angles], across_y[..., :angles]
            before_x, before_y = -across_x[..., angles:], -across_y[..., angles:]
            parts += [after_x, after_y, before_x, before_y, -after_x - before_x, -after_y - before_y]
        rows = len(self.things)
        jacobian = np.zeros((*lead, rows * 2 * self.corners))
        if rows:
            jacobian[..., self._places] = np.concatenate(parts, axis=-1)
            values = np.concatenate(computed, axis=-1)[..., self._order]
        else:
            values = np.zeros((*lead, 0))
        return values, jacobian.reshape(*lead, rows, 2 * self.corners)[..., : len(self.free)]


@lru_cache(maxsize=512)
def polygon_equations(corners: int, things: tuple[Thing, ...]) -> PolygonEquations:
    """The observation equations of these things, built once."""
    return PolygonEquations(corners, things)


def signed_area(points: Array) -> float:
    """Area of a polygon (n, 2), negative if it runs clockwise."""
    corners = points.tolist()
    following = [*corners[1:], corners[0]]
    return 0.5 * float(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(corners, following, strict=True)))


def crossing_sides(points: Array) -> tuple[int, int] | None:
    """The first two sides of a polygon (n, 2) that meet without being neighbours; None if it is simple."""
    count = len(points)
    corners = [(float(x), float(y)) for x, y in points]

    def turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    for i in range(count):
        a, b = corners[i], corners[(i + 1) % count]
        for j in range(i + 2, count - (1 if i == 0 else 0)):
            c, d = corners[j], corners[(j + 1) % count]
            apart = any(
                max(a[axis], b[axis]) < min(c[axis], d[axis]) or max(c[axis], d[axis]) < min(a[axis], b[axis])
                for axis in (0, 1)
            )
            if not apart and turn(a, b, c) * turn(a, b, d) <= 0.0 and turn(c, d, a) * turn(c, d, b) <= 0.0:
                return i, j
    return None
