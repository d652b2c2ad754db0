"""What a further reading would be worth: how far it would shrink what isn't known yet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from oaktag_plugins.surveying.adjustment import Array, Thing, all_things, polygon_equations, side


@dataclass(frozen=True, slots=True)
class Proposal:
    """A further reading and what would be known with it.

    Attributes:
        thing: what to read.
        sigma: the standard uncertainty that is assumed for it, mm or degrees.
        perimeter: standard uncertainty of the perimeter with it, mm.
        corner: that of the worst corner in its worst direction, mm.
        score: the mean of two ratios, each with the reading to without it: perimeter and worst corner. 1 for
            a reading that says nothing new; the lower the better.
    """

    thing: Thing
    sigma: float
    perimeter: float
    corner: float
    score: float


def proposals(
    corners: int,
    unknowns: Array,
    cofactor: Array,
    taken: Sequence[Thing],
    usual_sigma: Callable[[Thing], float],
) -> tuple[Proposal, ...]:
    """Every reading that hasn't been taken, the most worthwhile first.

    A second reading of something is proposed too if it would be worth more than all that haven't been taken,
    or nothing else is left. With one more observation of derivatives a and variance s² the covariance Q of
    the unknowns becomes Q - Q a a' Q / (s² + a' Q a) (Sherman and Morrison; the measurement update of
    recursive least squares). It doesn't depend on what will be read.

    Args:
        corners: of the polygon.
        unknowns: its shape (2n - 3,).
        cofactor: covariance of the unknowns in mm² (2n - 3, 2n - 3).
        taken: what has been read, each as often as it was.
        usual_sigma: the standard uncertainty of a reading of a thing.
    """
    once = [thing for thing in all_things(corners) if list(taken).count(thing) == 1]
    fresh = [thing for thing in all_things(corners) if thing not in taken]
    candidates = [*fresh, *once]
    sides = tuple(side(index, corners) for index in range(corners))
    rows = polygon_equations(corners, (*sides, *candidates))(unknowns)[1]
    around = rows[:corners].sum(axis=0)
    free = polygon_equations(corners, ()).free
    now = _known(corners, free, around, cofactor)
    ranked = []
    for thing, row in zip(candidates, rows[corners:], strict=True):
        sigma = usual_sigma(thing)
        carried = cofactor @ row
        after = cofactor - np.outer(carried, carried) / (sigma**2 + float(row @ carried))
        then = _known(corners, free, around, after)
        ratios = [b / a if a > 0.0 else 1.0 for a, b in zip(now, then, strict=True)]
        ranked.append(Proposal(thing, sigma, *then, score=sum(ratios) / 2.0))
    best = min((proposal.score for proposal in ranked[: len(fresh)]), default=1.0)
    kept = [*ranked[: len(fresh)], *(one for one in ranked[len(fresh) :] if one.score < best)]
    # Those as good as each other stay in the order of sides, diagonals, angles.
    return tuple(sorted(kept, key=lambda proposal: round(proposal.score, 9)))


def _known(corners: int, free: NDArray[np.intp], around: Array, cofactor: Array) -> tuple[float, float]:
    """Standard uncertainty of the perimeter and of the worst corner in its worst direction, mm."""
    full = np.zeros((2 * corners, 2 * corners))
    full[np.ix_(free, free)] = cofactor
    xx, yy = np.diagonal(full)[0::2], np.diagonal(full)[1::2]
    xy = np.diagonal(full, 1)[0::2]
    # The larger eigenvalue of each corner's block: the square of its ellipse's longer half axis.
    largest = (xx + yy) / 2.0 + np.sqrt(((xx - yy) / 2.0) ** 2 + xy**2)
    return sqrt(max(float(around @ cofactor @ around), 0.0)), sqrt(max(float(np.max(largest)), 0.0))
