"""20,000 simulated sheets of three openings: stated uncertainties and the test of the whole are right."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from oaktag_plugins.surveying.adjustment import (
    Thing,
    angle,
    chi_square_quantile,
    distance,
    least_squares,
    polygon_equations,
    side,
)
from oaktag_plugins.surveying.polygon_survey import Readings, fit_shapes

TRIALS = 20_000

TRIANGLE = (
    ((0.0, 0.0), (518.0, 0.0), (54.0, -398.0)),
    (side(0, 3), side(1, 3), side(2, 3), angle(1), angle(2)),
)
FOUR = (
    ((0.0, 0.0), (500.0, 0.0), (523.0, -85.0), (89.0, -431.0)),
    (*(side(i, 4) for i in range(4)), distance(0, 2), angle(0), angle(3)),
)
# The fourth corner points inwards: a shock mount.
CONCAVE = (
    ((0.0, 0.0), (520.0, 0.0), (546.0, -97.0), (237.0, -208.0), (76.0, -412.0)),
    (*(side(i, 5) for i in range(5)), distance(0, 2), distance(0, 3), side(0, 5), angle(3), angle(4)),
)
OPENINGS = {"triangle": TRIANGLE, "four": FOUR, "concave": CONCAVE}


@pytest.mark.parametrize("name", OPENINGS)
def test_simulated_sheets_scatter_as_stated(name: str) -> None:
    points, things = OPENINGS[name]
    count = len(points)
    equations = polygon_equations(count, things)
    truth = np.array(points).ravel()[equations.free]
    exact = equations(truth)[0]
    sigma = np.array([0.3 if thing.kind == "angle" else 1.0 for thing in things])
    source = np.random.default_rng(20)
    observed = exact + sigma * source.standard_normal((TRIALS, len(things)))
    fits = least_squares(
        equations, observed, sigma, np.tile(truth, (TRIALS, 1)), period=equations.period, tolerance=1e-6
    )
    assert fits.converged.all()

    (shape, *_) = fit_shapes(Readings(count, things, exact, sigma))
    assert shape.points == pytest.approx(np.array(points), abs=1e-6)
    everything: tuple[Thing, ...] = (*(side(i, count) for i in range(count)), *map(angle, range(count)))
    stated = shape.evaluate(everything)[1]
    values = polygon_equations(count, everything)(fits.unknowns)[0]
    assert (values[:, count:].max(axis=0) > 180.0).tolist() == [
        name == "concave" and i == 3 for i in range(count)
    ]
    within(values, stated)
    within(fits.unknowns, shape.fit.cofactor)
    around = values[:, :count].sum(axis=1)
    assert np.std(around) == pytest.approx(math.sqrt(stated[:count, :count].sum()), rel=0.03)

    dof = len(things) - (2 * count - 3)
    rejected = float(np.mean(fits.chi_square > chi_square_quantile(0.95, dof)))
    assert abs(rejected - 0.05) < 0.005


def within(samples: NDArray[np.float64], stated: NDArray[np.float64]) -> None:
    """Hold the spread of samples (k, m) to a covariance (m, m): sigmas to 3 %, the rest to 6 % of them."""
    seen = np.cov(samples, rowvar=False)
    sigma = np.sqrt(np.diagonal(stated))
    assert np.sqrt(np.diagonal(seen)) == pytest.approx(sigma, rel=0.03)
    scale = np.outer(sigma, sigma)
    assert np.max(np.abs(seen - stated) / scale) < 0.06
