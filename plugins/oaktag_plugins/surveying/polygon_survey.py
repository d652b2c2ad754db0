"""What the readings of a polygon say: its shape, how well they fit, which is wrong, which to take next.

The test of single readings is W. Baarda's: A Testing Procedure for Use in Geodetic Networks (1968).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import combinations
from statistics import median

import numpy as np
from numpy.typing import NDArray

from oaktag_plugins.surveying.adjustment import (
    UNCHECKED,
    Array,
    Fit,
    PolygonEquations,
    Thing,
    all_things,
    angle,
    chi_square_quantile,
    crossing_sides,
    least_squares,
    polygon_equations,
    side,
    signed_area,
)
from oaktag_plugins.surveying.corner_estimate import CornerEstimate, StackedEquations
from oaktag_plugins.surveying.slips import Explanation, explanations
from oaktag_plugins.surveying.starting_shapes import (
    irregular_polygon,
    mean_readings,
    starting_shapes,
    triangle_quantities,
)
from oaktag_plugins.surveying.triangles import TriangleError, determines, solve_triangle

# What a reading that hasn't been taken yet would be worth when the sheet has none of its kind: mm, degrees.
_USUAL_SIGMA = {"distance": 1.0, "angle": 0.3}
# Readings that fit to less than this leave nothing over: the shape is exactly what they say.
_EXACT = 1e-6
# An opening with a corner farther off than this, mm, has run away and not settled.
_FAR = 1e5
# Shapes are the same if no corner differs by more, mm.
_SAME = 0.5
# Tolerances of an adjustment in sigmas: to report it, and enough to compare chi-squares.
_FINE, _ROUGH = 1e-10, 1e-4
# So many of a triangle's starting shapes are followed up.
_TRIANGLE_STARTS = 4
# The same for each reading that is left out of a polygon's, and after how many steps they are chosen.
_POLYGON_STARTS = 12
_FIRST_STEPS = 8
# A corner sharper than this, degrees, is a collapsed opening and not one that anybody could measure.
_FLAT = 0.5
# Beyond this share of the mean side, one sigma, straight-line propagation of errors says nothing any more.
_LOOSE = 0.1
# An estimate of so many times its standard uncertainty says nothing any more, but keeps the shape fixed.
_UNWEIGHTED = 1e3
# Two readings explain a contradiction equally well if the chi-squares without them are this close.
_TIED = 1e-3
# A hint is given for kinds of slip with up to four answers; those with more explain anything (2 ln 4 = 2.8).
_TELLING = 3.0
# An assumption about the shape stands only while the shape fits nearly as well as the best (95 %, 1 degree).
_AS_GOOD = 3.841


@dataclass(frozen=True, eq=False)
class Readings:
    """The readings of one polygon as numbers.

    Attributes:
        corners: how many the polygon has.
        things: what each reading is of.
        values: mm or degrees (m,).
        sigma: standard uncertainties (m,).
        estimate: corners that are known from elsewhere; they count as 2n - 3 more observations.
    """

    corners: int
    things: tuple[Thing, ...]
    values: Array
    sigma: Array
    estimate: CornerEstimate | None = None

    @cached_property
    def equations(self) -> PolygonEquations | StackedEquations:
        """Their observation equations, those of the estimate last."""
        polygon = polygon_equations(self.corners, self.things)
        return polygon if self.estimate is None else StackedEquations(polygon, self.estimate)

    @cached_property
    def observed(self) -> Array:
        """The values, and those of the estimate."""
        if self.estimate is None:
            return self.values
        return np.concatenate([self.values, self.estimate.observed])

    def all_sigma(self, sigma: Array) -> Array:
        """Sigmas of the readings (..., m), and those of the estimate."""
        if self.estimate is None:
            return sigma
        return np.concatenate([sigma, np.ones((*sigma.shape[:-1], self.estimate.size))], axis=-1)

    @property
    def unknowns(self) -> int:
        """How many numbers make the shape: 2n - 3."""
        return 2 * self.corners - 3

    @property
    def dof(self) -> int:
        """Degrees of freedom: readings to spare."""
        return self.spare(len(self.things))

    def spare(self, count: int) -> int:
        """Degrees of freedom with so many of the readings."""
        return count - self.unknowns if self.estimate is None else count

    def only(self, indices: Iterable[int]) -> Readings:
        """Some of the readings, in the given order."""
        chosen = list(indices)
        if chosen == list(range(len(self.things))):
            return self
        return Readings(
            self.corners,
            tuple(self.things[i] for i in chosen),
            self.values[chosen],
            self.sigma[chosen],
            self.estimate,
        )

    def misfit(self, computed: Array) -> Array:
        """Computed minus read (..., m); an angle's is the nearest way round."""
        difference = computed - self.values
        cyclic = self.equations.period[: len(self.things)] > 0.0
        return np.where(cyclic, difference - 360.0 * np.round(difference / 360.0), difference)

    def with_value(self, index: int, value: float) -> Readings:
        """The same with one value replaced."""
        values = self.values.copy()
        values[index] = value
        return Readings(self.corners, self.things, values, self.sigma, self.estimate)

    def usual_sigma(self, thing: Thing) -> float:
        """What a further reading of this thing would be worth, going by the others of its kind."""
        like = [
            float(one_sigma)
            for other, one_sigma in zip(self.things, self.sigma, strict=True)
            if other.kind == thing.kind
        ]
        return median(like) if like else _USUAL_SIGMA[thing.kind]


@dataclass(frozen=True, eq=False)
class Shape:
    """A polygon that was fitted to readings.

    Attributes:
        readings: those that were used.
        fit: the adjustment.
        fine: whether it was settled to the last figure, or only well enough to be compared.
    """

    readings: Readings
    fit: Fit
    fine: bool = True

    @cached_property
    def points(self) -> Array:
        """Corners (n, 2) in mm."""
        return self.readings.equations.coordinates(self.fit.unknowns).reshape(-1, 2)

    @property
    def chi_square(self) -> float:
        """Weighted square sum of residuals."""
        return float(self.fit.chi_square)

    @cached_property
    def angles(self) -> Array:
        """Interior angles (n,) in degrees."""
        corners = self.readings.corners
        return polygon_equations(corners, tuple(angle(i) for i in range(corners)))(self.fit.unknowns)[0]

    @cached_property
    def flaw(self) -> str | None:
        """Why this can't be an opening: `open` (it ran away), `flat`, `crossing` or `counter-clockwise`.

        None if it can.
        """
        if not np.max(np.abs(self.fit.unknowns)) < _FAR:
            return "open"
        sharpest = float(np.min(np.minimum(self.angles, 360.0 - self.angles)))
        shortest = float(np.min(np.hypot(*(np.roll(self.points, -1, axis=0) - self.points).T)))
        if sharpest < _FLAT or shortest < 1.0:
            return "flat"
        if crossing_sides(self.points) is not None:
            return "crossing"
        return "counter-clockwise" if signed_area(self.points) > 0.0 else None

    @property
    def usable(self) -> bool:
        """Whether this can be an opening and the readings fix it here."""
        return self.flaw is None and bool(self.fit.determined)

    @property
    def convex(self) -> bool:
        """Whether every corner is under 180°."""
        return bool(np.all(self.angles < 180.0))

    def evaluate(self, things: Sequence[Thing]) -> tuple[Array, Array]:
        """Values (k,) of things in this shape, and their covariance (k, k)."""
        values, jacobian = polygon_equations(self.readings.corners, tuple(things))(self.fit.unknowns)
        return values, jacobian @ self.fit.cofactor @ jacobian.T

    def same_as(self, other: Shape) -> bool:
        """Whether no corner differs noticeably."""
        return bool(np.max(np.abs(self.fit.unknowns - other.fit.unknowns)) < _SAME)


# ----------------------------------------------------------------------------------- why there is no answer


class SurveyError(Exception):
    """The readings don't lead to one opening."""


class UndeterminedError(SurveyError):
    """The readings don't fix the shape.

    Attributes:
        independent: how many of them say something new.
        needed: how many it takes.
        take: the readings to take, one after the other.
        instead: what would do as well as the first of `take`, if one is enough.
    """

    def __init__(
        self, independent: int, needed: int, take: tuple[Thing, ...], instead: tuple[Thing, ...]
    ) -> None:
        super().__init__("the readings don't fix the shape")
        self.independent = independent
        self.needed = needed
        self.take = take
        self.instead = instead


class ImpossibleTriangleError(SurveyError):
    """No triangle has these sides and angles; `error` says which one stands out."""

    def __init__(self, error: TriangleError) -> None:
        super().__init__(error.reason)
        self.error = error


class ImpossibleShapeError(SurveyError):
    """No usable polygon has these readings.

    Attributes:
        flaw: `open` (the readings contradict each other), `flat`, `crossing` or `counter-clockwise`.
        index: the reading that the nearest polygon misses most, or the side that is too long to close.
        nearest: what that polygon has in its place, or what the side must be below.
        too_long: whether `index` is a side that is longer than all the others together.
    """

    def __init__(self, flaw: str, index: int, nearest: float, *, too_long: bool = False) -> None:
        super().__init__(f"no polygon has these readings: {flaw}")
        self.flaw = flaw
        self.index = index
        self.nearest = nearest
        self.too_long = too_long


class AmbiguousError(SurveyError):
    """More than one shape has these readings.

    Attributes:
        take: the reading that tells them apart.
        values: what it would be in each shape.
    """

    def __init__(self, take: Thing, values: tuple[float, ...]) -> None:
        super().__init__("more than one shape has these readings")
        self.take = take
        self.values = values


class LooseError(SurveyError):
    """The readings fix the shape so weakly that its accuracy can't be told.

    Attributes:
        worst: the side that is known worst.
        take: the reading that helps most.
    """

    def __init__(self, worst: Thing, take: Thing) -> None:
        super().__init__("the readings hardly fix the shape")
        self.worst = worst
        self.take = take


# ---------------------------------------------------------------------------------------- what to read next


def unread(readings: Readings) -> tuple[Thing, ...]:
    """Whatever hasn't been read: sides first, then diagonals, then angles."""
    return tuple(thing for thing in all_things(readings.corners) if thing not in readings.things)


def _free_directions(jacobian: Array) -> Array:
    """Orthonormal changes of the unknowns (u, d) that no observation notices."""
    scale = np.sqrt(np.maximum(np.sum(jacobian**2, axis=-1, keepdims=True), 1e-300))
    _, singular, right = np.linalg.svd(jacobian / scale, full_matrices=True)
    rank = int(np.sum(singular > 1e-8 * max(1.0, float(singular[0]) if len(singular) else 1.0)))
    return right[rank:].T


def _preferred(scores: Sequence[float], share: float = 0.7) -> int:
    """The first of those nearly as good as the best: a side before a diagonal before an angle."""
    best = max(scores)
    return next(index for index, score in enumerate(scores) if score >= share * best)


@lru_cache(maxsize=512)
def _fixed_by(corners: int, things: tuple[Thing, ...]) -> bool:
    """Whether readings of these things fix a polygon, whatever its shape."""
    jacobian = polygon_equations(corners, things)(irregular_polygon(corners))[1]
    return int(_free_directions(jacobian).shape[1]) == 0


def missing_readings(readings: Readings) -> UndeterminedError | None:
    """What it takes to fix the shape, as an error ready to be raised; None if the readings fix it.

    It is judged at a shape without any symmetry, so that the answer depends on what was read and not on the
    values.
    """
    if readings.estimate is not None or _fixed_by(readings.corners, readings.things):
        return None
    where = irregular_polygon(readings.corners)
    weighted = readings.equations(where)[1] / readings.sigma[:, None]
    candidates = unread(readings)
    rows = polygon_equations(readings.corners, candidates)(where)[1]
    rows = rows / np.array([[readings.usual_sigma(thing)] for thing in candidates]).reshape(-1, 1)
    free = _free_directions(weighted)
    count = free.shape[1]
    take: list[Thing] = []
    instead: tuple[Thing, ...] = ()
    while free.shape[1]:
        scores = [float(np.linalg.norm(row @ free)) for row in rows]
        chosen = _preferred(scores)
        if count == 1:
            good = [i for i in range(len(rows)) if scores[i] > 0.3 * max(scores) and i != chosen]
            instead = tuple(candidates[i] for i in good[:2])
        take.append(candidates[chosen])
        weighted = np.vstack([weighted, rows[chosen]])
        free = _free_directions(weighted)
    return UndeterminedError(readings.unknowns - count, readings.unknowns, tuple(take), instead)


def checking_reading(shape: Shape) -> Thing:
    """The further reading that checks the most of the present ones, and those best that are checked least.

    Redundancy numbers with one more observation follow from those without it (rank-one update of the
    cofactor).
    """
    readings, fit = shape.readings, shape.fit
    candidates = unread(readings) or all_things(readings.corners)
    rows = polygon_equations(readings.corners, candidates)(fit.unknowns)[1]
    count = len(readings.things)
    present, redundancy = fit.jacobian[:count], fit.redundancy[:count]
    scores = []
    for thing, row in zip(candidates, rows, strict=True):
        carried = fit.cofactor @ row
        variance = readings.usual_sigma(thing) ** 2 + float(row @ carried)
        after = redundancy + (present @ carried) ** 2 / (readings.sigma**2 * variance)
        checked = after > 0.01
        scores.append((int(np.sum(checked)), round(float(np.min(after, where=checked, initial=1.0)), 9)))
    return candidates[max(range(len(candidates)), key=lambda index: (scores[index], -index))]


def sharpening_reading(shape: Shape) -> tuple[Thing, float]:
    """The further reading that leaves the worst known side best known, and that side's sigma (mm) with it."""
    readings = shape.readings
    sides = [side(index, readings.corners) for index in range(readings.corners)]
    candidates = unread(readings) or all_things(readings.corners)
    covariance = shape.evaluate((*sides, *candidates))[1]
    count = len(sides)
    left = []
    for index, thing in enumerate(candidates, start=count):
        variance = readings.usual_sigma(thing) ** 2 + covariance[index, index]
        reduced = np.diagonal(covariance)[:count] - covariance[:count, index] ** 2 / variance
        left.append(math.sqrt(max(float(np.max(reduced)), 0.0)))
    best = _preferred([1.0 / max(sigma, 1e-9) for sigma in left])
    return candidates[best], left[best]


def separating_reading(shapes: Sequence[Shape]) -> tuple[Thing, tuple[float, ...]]:
    """The further reading that tells shapes apart most clearly, and its value in each."""
    readings = shapes[0].readings
    candidates = unread(readings) or all_things(readings.corners)
    equations = polygon_equations(readings.corners, candidates)
    values = np.array([equations(shape.fit.unknowns)[0] for shape in shapes])
    clear = [
        min(abs(a - b) for a, b in combinations(values[:, index], 2)) / readings.usual_sigma(thing)
        for index, thing in enumerate(candidates)
    ]
    best = _preferred(clear)
    return candidates[best], tuple(float(value) for value in values[:, best])


# -------------------------------------------------------------------------------------------------- fitting


def fit_shapes(readings: Readings) -> tuple[Shape, ...]:
    """Every different polygon that the readings settle on, the best fit first."""
    return _settle(readings, _starts(readings), readings.sigma)[0]


def _starts(readings: Readings, *, thorough: bool = False) -> Array:
    """Unknowns (s, 2n - 3) to start from: the estimate if there is one, for that is near."""
    if readings.estimate is not None:
        return readings.estimate.coordinates[None]
    values, sigma = readings.values.tolist(), readings.sigma.tolist()
    return starting_shapes(readings.corners, readings.things, values, sigma, thorough=thorough)


def _settle(
    readings: Readings, starts: Array, sigma: Array, *, rough: bool = False
) -> tuple[tuple[Shape, ...], ...]:
    """Different shapes from the starts (s, u), for each row of sigmas (m,) or (g, m).

    `rough` is enough to compare them: contradictory readings are slow to settle to the last figure.
    """
    groups = np.atleast_2d(sigma)
    count = len(starts)
    if readings.corners == 3 and count > _TRIANGLE_STARTS:
        # Triangles start from closed forms, of which those that fit best are near the answer already.
        misfits = readings.misfit(readings.equations(starts)[0]) ** 2 @ (groups**-2).T
        count = _TRIANGLE_STARTS
        chosen = starts[np.argsort(misfits, axis=0, kind="stable")[:count].T].reshape(-1, starts.shape[1])
    else:
        chosen = np.tile(starts, (len(groups), 1))
        if len(groups) > 1 and count > _POLYGON_STARTS:
            # Many readings to leave out: the starts that are best after a few steps are followed to the end.
            tried = _adjusted(readings, groups, chosen, tolerance=_ROUGH, limit=_FIRST_STEPS)
            ranked = np.argsort(tried.chi_square.reshape(len(groups), count), axis=1, kind="stable")
            count = _POLYGON_STARTS
            rows = np.arange(len(groups))[:, None]
            chosen = tried.unknowns.reshape(len(groups), -1, starts.shape[1])[rows, ranked[:, :count]]
            chosen = chosen.reshape(-1, starts.shape[1])
    fit = _adjusted(readings, groups, chosen, tolerance=_ROUGH if rough else _FINE, limit=100)
    settled = []
    for group in range(len(groups)):
        kept = np.flatnonzero(np.isfinite(groups[group]))
        subset = readings if len(kept) == len(readings.things) else readings.only(kept.tolist())
        first = group * count
        order = sorted(range(first, first + count), key=lambda index: float(fit.chi_square[index]))
        shapes: list[Shape] = []
        for index in order:
            shape = Shape(subset, _kept(fit.pick(index), kept, readings), fine=not rough)
            if not any(shape.same_as(other) for other in shapes):
                shapes.append(shape)
        settled.append(tuple(shapes))
    return tuple(settled)


def _adjusted(readings: Readings, groups: Array, starts: Array, *, tolerance: float, limit: int) -> Fit:
    """As many starts for each row of sigmas (g, m), those of the first row first."""
    sigma = np.repeat(groups, len(starts) // len(groups), axis=0)
    return least_squares(
        readings.equations,
        readings.observed,
        readings.all_sigma(sigma),
        starts,
        period=readings.equations.period,
        tolerance=tolerance,
        limit=limit,
    )


def _kept(fit: Fit, kept: NDArray[np.intp], readings: Readings) -> Fit:
    """The fit with only the kept readings, and turned half round if the first side points to -x."""
    if readings.estimate is not None:
        count = len(readings.things)
        rows = np.concatenate([kept, np.arange(count, count + readings.estimate.size)])
        sign = 1.0  # an estimate says where the front is
    else:
        rows = kept
        sign = -1.0 if fit.unknowns[0] < 0.0 else 1.0
    return Fit(
        sign * fit.unknowns,
        fit.residuals[rows],
        fit.sigma[rows],
        sign * fit.jacobian[rows],
        fit.chi_square,
        fit.converged,
    )


def _planned_redundancy(weighted: Array) -> Array:
    """Redundancy numbers (m,) from derivatives over sigmas (m, u), which needn't fix all unknowns."""
    left, singular, _ = np.linalg.svd(weighted, full_matrices=False)
    taken = np.sum(left[:, singular > 1e-9 * singular[0]] ** 2, axis=1)
    return np.asarray(np.clip(1.0 - taken, 0.0, 1.0))


@dataclass(frozen=True, eq=False)
class Without:
    """The best usable shape without one reading, and whether it is the only one that fits so well."""

    shape: Shape
    only_one: bool

    @property
    def chi_square(self) -> float:
        """Of the shape."""
        return self.shape.chi_square


def leave_out(
    readings: Readings, groups: Sequence[tuple[int, ...]], starts: Array | None = None
) -> dict[tuple[int, ...], Without]:
    """What the others say without each group that can be spared; `starts` replaces the usual ones."""
    spared = [
        group
        for group in groups
        if readings.estimate is not None or _fixed_by(readings.corners, _things_without(readings, group))
    ]
    if not spared:
        return {}
    if starts is None:
        starts = _starts(readings, thorough=True)
    sigma = np.tile(readings.sigma, (len(spared), 1))
    for row, group in enumerate(spared):
        sigma[row, list(group)] = np.inf
    without: dict[tuple[int, ...], Without] = {}
    for group, shapes in zip(spared, _settle(readings, starts, sigma, rough=True), strict=True):
        best = next((shape for shape in shapes if shape.usable), None)
        if best is not None:
            alike = [
                shape
                for shape in shapes
                if shape.chi_square <= best.chi_square + _AS_GOOD
                and bool(shape.fit.converged)
                and shape.usable
            ]
            convex = [shape for shape in alike if shape.convex]
            one = convex[0] if len(convex) == 1 else best
            without[group] = Without(one, len(alike) <= 1 or len(convex) == 1)
    return without


@lru_cache(maxsize=4)
def leave_one_out(readings: Readings) -> dict[int, Without]:
    """For each reading that can be spared, what the others say."""
    groups = [(index,) for index in range(len(readings.things))]
    return {group[0]: without for group, without in leave_out(readings, groups).items()}


def _things_without(readings: Readings, group: tuple[int, ...]) -> tuple[Thing, ...]:
    return tuple(thing for index, thing in enumerate(readings.things) if index not in group)


# ---------------------------------------------------------------------------------------------- reconciling


@dataclass(frozen=True, slots=True)
class Suspect:
    """A reading that the others contradict.

    Attributes:
        index: of the reading.
        predicted: what the others say, mm or degrees.
        sigma: standard uncertainty of `predicted`.
        standardised: predicted minus read, over the sigma of that difference.
        explanations: slips that would make everything agree, the best first.
        rivals: other readings without which the rest agrees too, the best first.
    """

    index: int
    predicted: float
    sigma: float
    standardised: float
    explanations: tuple[Explanation, ...]
    rivals: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Hint:
    """A slip in one reading that would resolve a contradiction which can't be placed."""

    index: int
    explanation: Explanation


@dataclass(frozen=True, slots=True)
class Blame:
    """Why an estimate of the corners is held to be wrong.

    Attributes:
        fallen: how far chi-square falls without it.
        dimensions: how many combinations of its coordinates the readings check.
        allowed: the fall that an honest estimate stays below, at the level at which a reading is suspect.
    """

    fallen: float
    dimensions: int
    allowed: float


@dataclass(frozen=True, eq=False)
class Outcome:
    """What came of the readings.

    Attributes:
        readings: all of them.
        shape: the opening, from all readings but the suspects.
        suspects: readings that the others contradict.
        contradiction: readings that can't all be right, when it can't be said which is wrong.
        tied: whether that is because several explain it equally well, and not because none stands out.
        hints: slips that would resolve the contradiction, the best first.
        second_shape: another shape, with a corner of 180° or more, that fits as well.
        significance: of the test of the whole.
        blame: why the estimate is held to be wrong; None if it isn't, or there is none.
    """

    readings: Readings
    shape: Shape
    suspects: tuple[Suspect, ...]
    contradiction: tuple[int, ...]
    tied: bool
    hints: tuple[Hint, ...]
    second_shape: Shape | None
    significance: float
    blame: Blame | None = None

    @property
    def dof(self) -> int:
        """Degrees of freedom of all readings."""
        return self.readings.dof

    @property
    def critical(self) -> float | None:
        """The chi-square that honest readings stay below; None when none is to spare."""
        return chi_square_quantile(1.0 - self.significance, self.dof) if self.dof else None

    @property
    def critical_without_suspects(self) -> float:
        """The same for the readings that the shape was made from; 0 when none of those is to spare."""
        return _limit(self.shape.readings.dof, self.significance)

    @cached_property
    def checking_reading(self) -> Thing:
        """The further reading that checks most."""
        return checking_reading(self.shape)

    @cached_property
    def residuals(self) -> Array:
        """Adjusted minus read for every reading, suspects too (m,)."""
        return self.readings.misfit(self.shape.evaluate(self.readings.things)[0])

    @property
    def chi_square(self) -> float:
        """Weighted square sum of all residuals, those of the estimate too."""
        estimate = self.readings.estimate
        of_estimate = 0.0 if estimate is None else estimate.misfit(self.shape.fit.unknowns)
        return float(np.sum((self.residuals / self.readings.sigma) ** 2)) + of_estimate

    @property
    def passed(self) -> bool | None:
        """Whether all readings agree as well as their instruments allow; None when none is to spare."""
        return None if self.critical is None else self.chi_square <= self.critical

    @cached_property
    def redundancy(self) -> Array:
        """Redundancy numbers of all readings (m,); that of a suspect as it would have if it were used."""
        used = np.diagonal(self.shape.evaluate(self.readings.things)[1]) / self.readings.sigma**2
        left_out = np.zeros(len(used), dtype=bool)
        left_out[[suspect.index for suspect in self.suspects]] = True
        numbers = np.where(left_out, 1.0 / (1.0 + used), 1.0 - used)
        return np.where(numbers > UNCHECKED, np.clip(numbers, 0.0, 1.0), 0.0)

    @cached_property
    def standardised(self) -> tuple[float | None, ...]:
        """Residuals over their own sigmas; None where nothing checks the reading."""
        left_out = {suspect.index: suspect.standardised for suspect in self.suspects}
        own = self.readings.sigma * np.sqrt(self.redundancy)
        return tuple(
            left_out[i] if i in left_out else float(self.residuals[i] / own[i]) if own[i] > 0.0 else None
            for i in range(len(own))
        )

    @property
    def planned(self) -> Readings:
        """All readings, suspects too, and the estimate unless it was left out: what can check each other."""
        return replace(self.readings, estimate=self.shape.readings.estimate)

    @cached_property
    def planned_redundancy(self) -> Array:
        """Redundancy numbers (m,) as if all readings, suspects too, were used: what the sheet can check."""
        planned = self.planned
        sigma = planned.all_sigma(planned.sigma)
        jacobian = planned.equations(self.shape.fit.unknowns)[1] / sigma[:, None]
        return _planned_redundancy(jacobian)[: len(planned.things)]

    @property
    def coordinate_covariance(self) -> Array:
        """Covariance of x0, y0, x1, y1, ... in mm² (2n, 2n); 0 where held fixed."""
        size = 2 * self.readings.corners
        full = np.zeros((size, size))
        full[np.ix_(self.readings.equations.free, self.readings.equations.free)] = self.shape.fit.cofactor
        return full


def reconcile(readings: Readings, *, significance: float = 0.05, suspect_at: float = 3.29) -> Outcome:
    """Adjust the readings; if they disagree, find the one that is wrong.

    The reading whose removal lowers chi-square most is the suspect if that square root of the drop passes
    `suspect_at`; for small errors the root is the absolute standardised residual, for gross ones it stays
    right where the linear theory fails. One is taken out at a time, and at the end each is let in again if it
    agrees with the rest after all. If that leaves more than one outside, or doesn't settle the matter, every
    two readings are tried together: two errors can hide each other and put the blame on honest readings.

    An estimate of the corners is right or wrong as a whole.

    Args:
        readings: at least one, or an estimate.
        significance: share of honest sheets that the test of the whole may turn down.
        suspect_at: standardised residual beyond which a reading is suspect.

    Raises:
        SurveyError: there is no opening, or more than one, with these readings.
    """
    if readings.corners == 3:
        for thing, value in zip(readings.things, readings.values.tolist(), strict=True):
            if thing.kind == "angle" and not value < 180.0:
                raise ImpossibleTriangleError(
                    TriangleError(
                        "an angle of a triangle lies between 0° and 180°",
                        kind="angle",
                        index=thing.first,
                        found=value,
                        low=0.0,
                        high=180.0,
                    )
                )
    undetermined = missing_readings(readings)
    if undetermined is not None:
        raise undetermined
    means = mean_readings(readings.things, readings.values.tolist(), readings.sigma.tolist())
    impossible: TriangleError | None = None
    if readings.corners == 3 and readings.estimate is None and determines(*triangle_quantities(means)):
        try:
            triangles = solve_triangle(*triangle_quantities(means))
        except TriangleError as error:
            impossible = error
            triangles = ()
        if impossible is not None and readings.dof < 2:
            raise ImpossibleTriangleError(impossible)
        if len(triangles) == 2:
            raise AmbiguousError(*_between_triangles(readings))
    limit = _limit(readings.dof, significance)
    shapes = fit_shapes(readings)
    agreeing = [
        shape for shape in shapes if shape.chi_square <= limit and bool(shape.fit.converged) and shape.usable
    ]
    if agreeing:
        chosen, second = _one_shape(agreeing)
        return _checked(Outcome(readings, chosen, (), (), False, (), second, significance))
    best = shapes[0]
    if impossible is None and best.chi_square <= limit and bool(best.fit.converged):
        # The readings do agree, but not on an opening.
        if best.flaw is not None:
            raise _impossible_shape(readings, means, shapes)
        raise _loose(best)
    whole = next((shape for shape in shapes if shape.usable), None)
    if readings.estimate is not None:
        found = _with_or_without_estimate(readings, best, significance, suspect_at)
        if found is not None:
            return found
    if readings.dof >= 2 or (readings.dof == 1 and whole is not None):
        found = _search(readings, whole, significance, suspect_at)
        if found is not None:
            return found
    if impossible is not None:
        raise ImpossibleTriangleError(impossible)
    raise _impossible_shape(readings, means, shapes)


def _polished(shape: Shape) -> Shape:
    """The shape settled to the last figure."""
    if bool(shape.fit.converged) and shape.fine:
        return shape
    return _settle(shape.readings, shape.fit.unknowns[None], shape.readings.sigma)[0][0]


def _between_triangles(readings: Readings) -> tuple[Thing, tuple[float, ...]]:
    starts = starting_shapes(3, readings.things, readings.values.tolist(), readings.sigma.tolist())
    shapes = _settle(readings, starts, readings.sigma)[0]
    if len(shapes) == 1:
        raise _loose(shapes[0])
    return separating_reading(shapes[:2])


def _loose(shape: Shape) -> LooseError:
    """The error that asks for the reading which such a weakly fixed shape lacks most."""
    readings = shape.readings
    sides = tuple(side(index, readings.corners) for index in range(readings.corners))
    if bool(shape.fit.determined):
        sigma = np.diagonal(shape.evaluate(sides)[1])
        return LooseError(sides[int(np.argmax(sigma))], sharpening_reading(shape)[0])
    # The change of the shape that the readings notice least, and what notices it most.
    weighted = shape.fit.jacobian / readings.sigma[:, None]
    scale = np.sqrt(np.maximum(np.sum(weighted**2, axis=0), 1e-300))
    change = np.linalg.svd(weighted / scale)[2][-1] / scale

    def noticed(things: tuple[Thing, ...]) -> list[float]:
        rows = polygon_equations(readings.corners, things)(shape.fit.unknowns)[1]
        usual = np.array([readings.usual_sigma(thing) for thing in things])
        return [float(value) for value in np.abs(rows @ change) / usual]

    candidates = unread(readings) or all_things(readings.corners)
    moved = noticed(sides)
    return LooseError(sides[moved.index(max(moved))], candidates[_preferred(noticed(candidates))])


def _one_shape(shapes: Sequence[Shape]) -> tuple[Shape, Shape | None]:
    """The shape to use of those that all fit, and the one that was passed over.

    Openings of frames are convex but for bent tubes. If exactly one of the shapes is, and it fits nearly as
    well as the best, it is taken and the other reported.
    """
    if len(shapes) == 1:
        return shapes[0], None
    convex = [shape for shape in shapes if shape.convex]
    if len(convex) == 1 and convex[0].chi_square <= shapes[0].chi_square + _AS_GOOD:
        return convex[0], next(shape for shape in shapes if shape is not convex[0])
    raise AmbiguousError(*separating_reading(shapes))


def _checked(outcome: Outcome) -> Outcome:
    """The same outcome if its shape is fixed well enough for its sigmas to mean something."""
    sides = [side(index, outcome.readings.corners) for index in range(outcome.readings.corners)]
    values, covariance = outcome.shape.evaluate(sides)
    sigma = np.sqrt(np.diagonal(covariance))
    if float(np.max(sigma)) > _LOOSE * float(np.mean(values)):
        raise _loose(outcome.shape)
    return outcome


def _impossible_shape(
    readings: Readings, means: dict[Thing, float], shapes: Sequence[Shape]
) -> ImpossibleShapeError:
    sides = [side(index, readings.corners) for index in range(readings.corners)]
    if all(one in means for one in sides):
        longest = max(sides, key=lambda one: means[one])
        others = sum(means[one] for one in sides) - means[longest]
        if means[longest] >= others:
            return ImpossibleShapeError("open", readings.things.index(longest), others, too_long=True)
    nearest = shapes[0]
    worst = int(np.argmax(np.abs(nearest.fit.residuals[: len(readings.things)] / readings.sigma)))
    flaw = "open" if nearest.chi_square > _limit(readings.dof, 0.05) else nearest.flaw or "flat"
    return ImpossibleShapeError(flaw, worst, float(readings.values[worst] + nearest.fit.residuals[worst]))


def _limit(dof: int, significance: float) -> float:
    return chi_square_quantile(1.0 - significance, dof) if dof > 0 else _EXACT


@dataclass(frozen=True, eq=False)
class _Split:
    """Readings that are used, and those that were taken out with their rivals, in the order of leaving."""

    readings: Readings
    active: tuple[int, ...]
    out: tuple[tuple[int, tuple[int, ...]], ...]
    shape: Shape | None
    tied: tuple[int, ...] = ()

    @property
    def dof(self) -> int:
        return self.readings.spare(len(self.active))

    @property
    def chi_square(self) -> float:
        # Without any usable shape nothing could be worse.
        return math.inf if self.shape is None else self.shape.chi_square

    def without(self, indices: Sequence[int], rivals: tuple[int, ...], shape: Shape) -> _Split:
        """Some more taken out."""
        active = tuple(index for index in self.active if index not in indices)
        return _Split(self.readings, active, (*self.out, *((index, rivals) for index in indices)), shape)


def _with_or_without_estimate(
    readings: Readings, whole: Shape, significance: float, suspect_at: float
) -> Outcome | None:
    """Who is wrong, a reading or the estimate: whichever leaves fewer to blame.

    Between as many, the fall of chi-square over its critical value at one and the same level decides: for a
    reading that of 1 degree of freedom, for the estimate that of as many as it has coordinates that the
    readings check (P. J. G. Teunissen, Testing Theory, on comparing hypotheses of different dimension; from
    memory). If the readings don't fix the shape by themselves a blamed estimate stays in it: there is nothing
    better.
    """
    joint = _search(readings, whole if whole.usable else None, significance, suspect_at)
    blame, settled = _blame(readings, whole, significance, suspect_at)
    if blame is None or blame.fallen <= blame.allowed:
        return joint
    single = leave_one_out(readings)
    lowest = min((without.chi_square for without in single.values()), default=whole.chi_square)
    by_reading = (whole.chi_square - lowest) / suspect_at**2
    by_estimate = blame.fallen / blame.allowed
    stays = Outcome(readings, whole, (), (), False, (), None, significance, blame) if whole.usable else None
    alone = stays
    if settled is None:
        try:
            alone = reconcile(
                replace(readings, estimate=None), significance=significance, suspect_at=suspect_at
            )
        except SurveyError:
            return joint or stays
        to_blame = 1 + _blamed(alone)
        alone = replace(alone, readings=readings, blame=blame)
    else:
        to_blame = 1 if settled else 2
    among_readings = math.inf if joint is None else _blamed(joint)
    # Of a single reading and the estimate nothing tells which it is: neither is ahead by more than rounding.
    ahead = by_estimate > by_reading * (1.0 + _TIED)
    if to_blame < among_readings or (to_blame == among_readings and ahead):
        return alone
    return joint


def _blame(
    readings: Readings, whole: Shape, significance: float, suspect_at: float
) -> tuple[Blame | None, bool | None]:
    """What speaks against the estimate; None if the readings say nothing usable without it.

    And whether the readings agree among themselves, if they don't fix the shape and can't be reconciled
    alone; None if they do.
    """
    bare = replace(readings, estimate=None)
    if readings.estimate is None or not bare.things:
        return None, None
    fixed = _fixed_by(bare.corners, bare.things)
    alone = bare if fixed else replace(readings, estimate=readings.estimate.loosened(_UNWEIGHTED))
    usable = [shape for shape in fit_shapes(alone) if shape.usable]
    if not usable:
        return None, None
    jacobian = bare.equations(whole.fit.unknowns)[1] / bare.sigma[:, None]
    singular = np.linalg.svd(jacobian, compute_uv=False)
    dimensions = int(np.sum(singular > 1e-8 * singular[0]))
    level = math.erfc(suspect_at / math.sqrt(2.0))  # at which a single reading is suspect
    allowed = chi_square_quantile(1.0 - level, dimensions)
    rest = usable[0].chi_square
    spare = len(bare.things) - dimensions
    settled = None if fixed else not spare or rest <= _limit(spare, significance)
    return Blame(whole.chi_square - rest, dimensions, allowed), settled


def _blamed(outcome: Outcome) -> int:
    """How many readings are held to be wrong, and one more if that doesn't settle the matter."""
    return len(outcome.suspects) + bool(outcome.contradiction)


def _search(
    readings: Readings, whole: Shape | None, significance: float, suspect_at: float
) -> Outcome | None:
    everything = _Split(readings, tuple(range(len(readings.things))), (), whole)
    split = _one_at_a_time(everything, significance, suspect_at)
    settled = split.chi_square <= _limit(split.dof, significance)
    if everything.dof >= 3 and (not settled or len(split.out) > 1):
        split = _two_at_once(everything, split, significance, suspect_at)
    if split.shape is None:
        return None
    shape = _polished(split.shape)
    # Readings that contradict each other grossly may settle on a flat shape; what was there before will do.
    shape = shape if shape.usable else split.shape
    active, out, shape = _readmitted(readings, split.active, split.out, shape, significance)
    suspects = [_suspect(readings, index, rivals, active, shape, significance) for index, rivals in out]
    suspects.sort(key=lambda suspect: -abs(suspect.standardised))
    contradiction: tuple[int, ...] = ()
    hints: tuple[Hint, ...] = ()
    if shape.chi_square > _limit(readings.spare(len(active)), significance):
        redundancy = shape.fit.redundancy
        checked = tuple(index for place, index in enumerate(active) if redundancy[place] > UNCHECKED)
        contradiction = split.tied or checked
        hints = _hints(readings, active, contradiction, significance)
    return Outcome(
        readings, shape, tuple(suspects), contradiction, bool(split.tied), hints, None, significance
    )


def _one_at_a_time(split: _Split, significance: float, suspect_at: float) -> _Split:
    """Take out the reading without which chi-square falls most, until the rest agrees or none stands out."""
    while split.dof >= 2 and split.chi_square > _limit(split.dof, significance):
        without = leave_one_out(split.readings.only(split.active))
        if not without:
            break
        ranked = sorted(without, key=lambda place: without[place].chi_square)
        best = without[ranked[0]]
        if split.chi_square - best.chi_square <= suspect_at**2 or not best.only_one:
            break
        equal = _tied(split.chi_square, [without[place].chi_square for place in ranked])
        if equal > 1:
            return replace(split, tied=tuple(sorted(split.active[place] for place in ranked[:equal])))
        passes = _limit(split.dof - 1, significance)
        rivals = tuple(split.active[place] for place in ranked[1:] if without[place].chi_square <= passes)
        split = split.without([split.active[ranked[0]]], rivals, best.shape)
    return split


def _two_at_once(everything: _Split, split: _Split, significance: float, suspect_at: float) -> _Split:
    """The split without the two readings that explain more than one does, if that is better than `split`."""
    readings = everything.readings
    single = leave_one_out(readings)
    if not single:
        return split
    pairs = leave_out(
        readings,
        list(combinations(range(len(readings.things)), 2)),
        np.array([without.shape.fit.unknowns for without in single.values()]),
    )
    ranked = sorted(pairs, key=lambda pair: pairs[pair].chi_square)
    if not ranked:
        return split
    best = pairs[ranked[0]]
    with_one = min(without.chi_square for without in single.values())
    if (
        best.chi_square > _limit(everything.dof - 2, significance)
        or with_one - best.chi_square <= suspect_at**2
        or not best.only_one
        or _tied(with_one, [pairs[pair].chi_square for pair in ranked]) > 1
    ):
        return split
    settled = split.chi_square <= _limit(split.dof, significance)
    if settled and len(split.out) == 2 and split.chi_square <= best.chi_square + _TIED:
        return split
    return everything.without(ranked[0], (), best.shape)


def _tied(before: float, ranked: Sequence[float]) -> int:
    """How many of the rising chi-squares are as good as the first, by how far that fell from `before`."""
    # With no shape to fall from, the worst of them stands in.
    fallen = (before if math.isfinite(before) else ranked[-1]) - ranked[0]
    return sum(value <= ranked[0] + _TIED * fallen for value in ranked)


def _readmitted(
    readings: Readings,
    active: tuple[int, ...],
    out: tuple[tuple[int, tuple[int, ...]], ...],
    shape: Shape,
    significance: float,
) -> tuple[tuple[int, ...], tuple[tuple[int, tuple[int, ...]], ...], Shape]:
    """Let readings in again that agree with the rest after all; the one taken out last stays out."""
    again = True
    while again:
        again = False
        for one in out[:-1]:
            together = tuple(sorted((*active, one[0])))
            subset = readings.only(together)
            tried = _settle(subset, shape.fit.unknowns[None], subset.sigma)[0][0]
            if tried.flaw is None and tried.chi_square <= _limit(subset.dof, significance):
                active, shape, again = together, tried, True
                out = tuple(other for other in out if other is not one)
                break
    return active, out, shape


def _suspect(
    readings: Readings,
    index: int,
    rivals: tuple[int, ...],
    active: Sequence[int],
    shape: Shape,
    significance: float,
) -> Suspect:
    thing = readings.things[index]
    values, covariance = shape.evaluate((thing,))
    predicted, sigma = float(values[0]), math.sqrt(float(covariance[0, 0]))
    together = math.hypot(sigma, float(readings.sigma[index]))
    standardised = _nearest_turn(thing, predicted - float(readings.values[index])) / together
    found = _explained(readings, index, active, shape, significance)
    return Suspect(index, predicted, sigma, standardised, found, rivals)


def _explained(
    readings: Readings, index: int, active: Sequence[int], shape: Shape, significance: float
) -> tuple[Explanation, ...]:
    """Slips in one reading with which it agrees with the active ones, the best first."""
    thing = readings.things[index]
    values, covariance = shape.evaluate((thing,))
    together = math.hypot(math.sqrt(float(covariance[0, 0])), float(readings.sigma[index]))
    offered = explanations(
        float(readings.values[index]),
        angle=thing.kind == "angle",
        predicted=float(values[0]),
        sigma=together,
        highest_angle=180.0 if readings.corners == 3 else 360.0,
    )
    limit = _limit(readings.spare(len(active) + 1), significance)
    agreeing = []
    for one in offered:
        if shape.chi_square + one.misfit > limit:
            continue
        # The sum above is that of the linear theory; what is offered has been tried in full.
        subset = readings.with_value(index, one.meant).only(sorted([*active, index]))
        if _settle(subset, shape.fit.unknowns[None], subset.sigma)[0][0].chi_square <= limit:
            agreeing.append(one)
    return tuple(agreeing)


def _hints(
    readings: Readings, active: Sequence[int], contradiction: Sequence[int], significance: float
) -> tuple[Hint, ...]:
    without = leave_one_out(readings.only(active))
    hints = []
    limit = _limit(readings.spare(len(active) - 1), significance)
    for place, rest in without.items():
        index = active[place]
        if index in contradiction and rest.only_one and rest.chi_square <= limit:
            others = [other for other in active if other != index]
            offered = _explained(readings, index, others, _polished(rest.shape), significance)
            hints += [Hint(index, one) for one in offered[:1] if one.price <= _TELLING]
    return tuple(sorted(hints, key=lambda hint: hint.explanation.misfit + hint.explanation.price))


def _nearest_turn(thing: Thing, difference: float) -> float:
    return difference - 360.0 * round(difference / 360.0) if thing.kind == "angle" else difference
