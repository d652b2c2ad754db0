"""Whether the values of a geometry chart agree with each other, and which one is wrong if they don't.

A value that others make is a condition on all of them; Baarda's test of single observations (A Testing
Procedure for Use in Geodetic Networks, 1968) says which value would settle every condition if it were
another.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import inf, sqrt
from typing import TYPE_CHECKING

from oaktag_plugins.sources.bicycle_chart import ANGLES, RELATIONS, ChartError, Relation, Values, derivatives

if TYPE_CHECKING:
    from oaktag_plugins.surveying.adjustment import Array
    from oaktag_plugins.surveying.slips import Explanation

# Passed by chance once in a thousand.
SUSPECT_AT = 3.29
_BY_CHANCE = 0.001
# A value that settles the chart nearly as well as the best may be the one; e² (7.4) to 1 is the limit.
_NEARLY_AS_GOOD = 4.0
# A slip that leaves more than this many sigmas explains nothing.
_EXPLAINS = 3.0
# Steps towards the value that settles a chart, and the step (mm or degrees) that is the last.
_ROUNDS = 8
_SETTLED = 1e-4


@dataclass(frozen=True, slots=True)
class Misfit:
    """A value that the others don't make.

    Attributes:
        name: of the value.
        given: as the chart says, mm.
        computed: from the others, mm.
        sigma: standard uncertainty of the difference.
    """

    name: str
    given: float
    computed: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Culprit:
    """A value that would settle the chart if it were another.

    Attributes:
        name: of the value.
        given: as the chart says, mm or degrees.
        implied: what it would have to be.
        slip: how hands may have turned the one into the other, if there is a way.
    """

    name: str
    given: float
    implied: float
    slip: Explanation | None


@dataclass(frozen=True, slots=True)
class Contradiction:
    """What doesn't agree in a chart.

    Attributes:
        misfits: at least one.
        culprits: single values that would settle all of it, the likeliest first; empty if none would.
    """

    misfits: tuple[Misfit, ...]
    culprits: tuple[Culprit, ...]


def checkable(names: Collection[str]) -> tuple[Relation, ...]:
    """The relations whose value and all that makes it are among these names."""
    return tuple(one for one in RELATIONS if one.name in names and set(one.needs) <= set(names))


def contradiction(
    values: Values, sigmas: Mapping[str, float], trusted: Collection[str] = ()
) -> Contradiction | None:
    """What doesn't agree in a chart; None if all that can be checked does.

    Args:
        values: mm and degrees.
        sigmas: standard uncertainty of each as printed: of its rounding, not of how well bicycles are built.
        trusted: values that aren't the chart's and so can't be wrong in it.

    Raises:
        ChartError: values that no bicycle has.
    """
    relations = checkable(values)
    if not relations:
        return None
    names = tuple(dict.fromkeys(name for one in relations for name in (one.name, *one.needs)))
    conditions = _Conditions(relations, names, sigmas)
    misclosures, _, covariance = conditions.at(values)
    misfits = tuple(
        Misfit(one.name, values[one.name], values[one.name] - off, sqrt(variance))
        for one, off, variance in zip(
            relations, misclosures.tolist(), covariance.diagonal().tolist(), strict=True
        )
        if abs(off) > SUSPECT_AT * sqrt(variance)
    )
    if not misfits:
        return None
    settled = [
        found for name in names if name not in trusted and (found := _settled(name, values, conditions))
    ]
    best = min((remaining for _, remaining in settled), default=inf)
    culprits = [one for one, remaining in settled if remaining - best < _NEARLY_AS_GOOD]
    culprits.sort(key=lambda one: inf if one.slip is None else one.slip.misfit + one.slip.price)
    return Contradiction(misfits, tuple(culprits))


@dataclass(frozen=True, slots=True)
class _Conditions:
    """Value as printed minus value as computed, for some relations."""

    relations: tuple[Relation, ...]
    names: tuple[str, ...]
    sigmas: Mapping[str, float]

    def at(self, values: Values) -> tuple[Array, Array, Array]:
        """Misclosures (k,), their derivatives in the named values (k, n), their covariance (k, k)."""
        import numpy as np

        def off(at: Values) -> list[float]:
            return [at[one.name] - one.compute(at) for one in self.relations]

        slopes = derivatives(off, values, self.names)
        spread = slopes * np.array([self.sigmas[name] for name in self.names])
        return np.array(off(values)), slopes, spread @ spread.T


def _settled(name: str, values: Values, conditions: _Conditions) -> tuple[Culprit, float] | None:
    """The value that would settle every condition best, and the chi-square that is left.

    None if no value settles them all. The estimate of a single error is Baarda's, repeated from where it
    leads, since the conditions bend.
    """
    import numpy as np

    from oaktag_plugins.surveying.adjustment import chi_square_quantile
    from oaktag_plugins.surveying.slips import explanations

    column = conditions.names.index(name)
    trial = dict(values)
    try:
        for _ in range(_ROUNDS):
            off, slopes, covariance = conditions.at(trial)
            effect = np.linalg.solve(covariance, slopes[:, column])
            weight = float(effect @ slopes[:, column])
            step = float(effect @ off) / weight
            trial[name] -= step
            if abs(step) < _SETTLED:
                break
            if not 0.0 < trial[name] < (90.0 if name in ANGLES else inf):
                return None
        off, _, covariance = conditions.at(trial)
    except ChartError:
        return None
    remaining = float(off @ np.linalg.solve(covariance, off))
    spare = len(off) - 1
    if spare and remaining > chi_square_quantile(1.0 - _BY_CHANCE, spare):
        return None
    slips = explanations(values[name], angle=name in ANGLES, predicted=trial[name], sigma=1.0 / sqrt(weight))
    slip = next((one for one in slips if one.misfit < _EXPLAINS**2), None)
    return Culprit(name, values[name], trial[name], slip), remaining
