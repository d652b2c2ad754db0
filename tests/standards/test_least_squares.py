"""The least squares core against published adjustments, certified regressions and published thresholds.

M&A stands for E. M. Mikhail and F. Ackermann, Observations and Least Squares (1976).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest

from oaktag_plugins.surveying.adjustment import (
    Array,
    Equations,
    Thing,
    chi_square_quantile,
    distance,
    least_squares,
    polygon_equations,
)


def linear(design: Sequence[Sequence[float]], constant: Sequence[float]) -> Equations:
    """Observation equations `constant + design @ unknowns`."""
    matrix, start = np.array(design, dtype=float), np.array(constant, dtype=float)

    def equations(unknowns: Array) -> tuple[Array, Array]:
        return unknowns @ matrix.T + start, np.broadcast_to(
            matrix, (*unknowns.shape[:-1], *matrix.shape)
        ).copy()

    return equations


def seconds(degrees: int, minutes: int, second: float) -> float:
    return degrees * 3600.0 + minutes * 60.0 + second


HALF_TURN, TURN = 180 * 3600.0, 360 * 3600.0
# Three angles that come to half a turn: two are unknowns, the third is what they leave.
THREE_ANGLES = [[1, 0], [0, 1], [-1, -1]]


def three_angles(
    observed: Sequence[float], sigma: Sequence[float], total: float = HALF_TURN
) -> tuple[Array, Array, float]:
    """Adjusted angles, residuals, chi-square (in the unit of the observations)."""
    fit = least_squares(
        linear(THREE_ANGLES, [0, 0, total]), np.array(observed), np.array(sigma), np.array(observed[:2])
    )
    return np.array(observed) + fit.residuals, fit.residuals, float(fit.chi_square)


def test_three_equally_good_angles_share_the_misclosure() -> None:
    # M&A 7.1 and 7.6, pages 140 and 161: 3" too much, 1" off each.
    observed = [seconds(40, 19, 2), seconds(70, 30, 1), seconds(69, 11, 0)]
    adjusted, residuals, chi_square = three_angles(observed, [1, 1, 1])
    assert adjusted == pytest.approx([seconds(40, 19, 1), seconds(70, 30, 0), seconds(69, 10, 59)], abs=1e-6)
    assert residuals == pytest.approx([-1, -1, -1], abs=1e-6)
    assert chi_square == pytest.approx(3.0)


def test_cofactor_of_three_adjusted_angles() -> None:
    # M&A 7.6: identity minus a third in every place.
    fit = least_squares(
        linear(THREE_ANGLES, [0, 0, HALF_TURN]), np.full(3, 60.0 * 3600), np.ones(3), np.full(2, 60.0 * 3600)
    )
    design = np.array(THREE_ANGLES)
    assert design @ fit.cofactor @ design.T == pytest.approx(np.eye(3) - np.ones((3, 3)) / 3)
    assert fit.redundancy == pytest.approx([1 / 3, 1 / 3, 1 / 3])


def test_an_angle_read_twice() -> None:
    # M&A 10.3, page 263, in minutes of arc: residuals times five are 3, -7, -4, -4.
    observed = np.array([3600.0, 3602.0, 3600.0, 3601.0])
    equations = linear([[1, 0], [1, 0], [0, 1], [-1, -1]], [0, 0, 0, 180 * 60])
    fit = least_squares(equations, observed, np.ones(4), np.array([3600.0, 3600.0]))
    assert fit.residuals * 5 == pytest.approx([3, -7, -4, -4], abs=1e-6)


def test_two_triangles_that_share_an_angle() -> None:
    # M&A 10.4, page 270: L1 + L2 + L3 = 180°, L2 + L4 + L5 + L6 = 360°.
    sixty, double = seconds(60, 0, 0), seconds(120, 0, 0)
    observed = np.array([sixty + 3, sixty + 2, sixty + 1, double + 5, double + 5, sixty + 1])
    equations = linear(
        [[1, 0, 0, 0], [0, 1, 0, 0], [-1, -1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1], [0, -1, -1, -1]],
        [0, 0, HALF_TURN, 0, 0, TURN],
    )
    fit = least_squares(equations, observed, np.ones(6), observed[[0, 1, 3, 4]])
    assert fit.residuals == pytest.approx([-1, -4, -1, -3, -3, -3], abs=1e-6)


def test_weights_go_by_the_square_of_sigma() -> None:
    # byjus.com, "On a station O three horizontal angles"; published: A = 34°10'20.72".
    observed = [seconds(34, 10, 20), seconds(176, 40, 32), seconds(149, 9, 4)]
    adjusted, residuals, _ = three_angles(observed, [3, 4, 5], TURN)
    assert adjusted[0] == pytest.approx(seconds(34, 10, 20.72), abs=1e-6)
    assert residuals == pytest.approx([0.72, 1.28, 2.0], abs=1e-6)


def test_weighted_angles_of_a_triangle() -> None:
    # B. C. Punmia, Surveying II, from memory: weights 4, 3, 2 give corrections of 3", 4", 6".
    observed = [seconds(77, 14, 20), seconds(49, 40, 35), seconds(53, 4, 52)]
    adjusted, residuals, _ = three_angles(observed, [4**-0.5, 3**-0.5, 2**-0.5])
    assert residuals == pytest.approx([3, 4, 6], abs=1e-6)
    assert adjusted == pytest.approx([seconds(77, 14, 23), seconds(49, 40, 39), seconds(53, 4, 58)], abs=1e-6)


def test_correction_is_not_spread_by_sigma_itself() -> None:
    # A textbook's data, 8" over; spread by variance it is 4.06", 2.89", 1.06", and the angles close.
    observed = [seconds(58, 26, 48), seconds(67, 6, 56), seconds(54, 26, 24)]
    adjusted, residuals, _ = three_angles(observed, [5.1, 4.3, 2.6])
    assert residuals == pytest.approx([-4.06, -2.89, -1.06], abs=0.005)
    assert sum(adjusted) == pytest.approx(HALF_TURN)


# M&A 9.1, page 219: R from its distances to P (0, 5), O (0, 0) and Q (5, 0).
STATIONS = np.array([[0.0, 5.0], [0.0, 0.0], [5.0, 0.0]])
DISTANCES = np.array([5.10, 7.07, 4.90])


def from_stations(unknowns: Array) -> tuple[Array, Array]:
    rays = unknowns[..., None, :] - STATIONS
    length = np.sqrt(np.sum(rays**2, axis=-1))
    return length, rays / length[..., None]


def test_a_point_from_three_distances() -> None:
    fit = least_squares(from_stations, DISTANCES, np.ones(3), np.array([5.0, 5.0]))
    assert fit.unknowns == pytest.approx([5.0986149, 4.8986300], abs=1e-7)
    assert fit.residuals == pytest.approx([-3.775e-4, 5.339e-4, -3.775e-4], abs=1e-7)


def test_first_step_towards_a_point_from_three_distances() -> None:
    fit = least_squares(from_stations, DISTANCES, np.ones(3), np.array([5.0, 5.0]), limit=1)
    assert fit.unknowns - 5.0 == pytest.approx([0.09962, -0.10038], abs=1e-5)
    _, jacobian = from_stations(np.array([5.0, 5.0]))
    assert jacobian.T @ jacobian == pytest.approx(np.array([[1.5, 0.5], [0.5, 1.5]]))


def test_a_point_of_which_one_coordinate_is_known() -> None:
    def on_a_line(unknowns: Array) -> tuple[Array, Array]:
        full = np.concatenate([unknowns, np.full((*unknowns.shape[:-1], 1), 5.0)], axis=-1)
        computed, jacobian = from_stations(full)
        return computed, jacobian[..., :1]

    fit = least_squares(on_a_line, DISTANCES, np.ones(3), np.array([5.0]), limit=1)
    assert fit.unknowns - 5.0 == pytest.approx([0.06616], abs=1e-5)


# NIST, Statistical Reference Datasets, nonlinear regression. Data of Misra1a and MGH09 from memory: the
# certified square sum wouldn't come out with a wrong one.
MISRA1A = (
    [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0],
    [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78],
)
DANWOOD = ([1.309, 1.471, 1.490, 1.565, 1.611, 1.680], [2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
MGH09 = (
    [4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625],
    [0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246],
)


def misra1a(b: Array) -> tuple[Array, Array]:
    x = np.array(MISRA1A[0])
    fall = np.exp(-b[..., 1:2] * x)
    return b[..., :1] * (1 - fall), np.stack([1 - fall, b[..., :1] * x * fall], axis=-1)


def danwood(b: Array) -> tuple[Array, Array]:
    x = np.array(DANWOOD[0])
    power = x ** b[..., 1:2]
    return b[..., :1] * power, np.stack([power, b[..., :1] * power * np.log(x)], axis=-1)


def mgh09(b: Array) -> tuple[Array, Array]:
    x = np.array(MGH09[0])
    b1, b2, b3, b4 = (b[..., i : i + 1] for i in range(4))
    top, bottom = x * x + x * b2, x * x + x * b3 + b4
    value = b1 * top / bottom
    return value, np.stack([top / bottom, b1 * x / bottom, -value * x / bottom, -value / bottom], axis=-1)


@dataclass(frozen=True)
class Certified:
    """A data set: model, observations, and what is certified: parameters, deviations, square sum."""

    equations: Equations
    observed: list[float]
    parameters: list[float]
    deviations: list[float] | None
    square_sum: float


CERTIFIED = {
    "DanWood": Certified(
        danwood,
        DANWOOD[1],
        [7.6886226176e-01, 3.8604055871e00],
        [1.8281973860e-02, 5.1726610913e-02],
        4.3173084083e-03,
    ),
    "Misra1a": Certified(
        misra1a,
        MISRA1A[1],
        [2.3894212918e02, 5.5015643181e-04],
        [2.7070075241e00, 7.2668688436e-06],
        1.2455138894e-01,
    ),
    "MGH09": Certified(
        mgh09,
        MGH09[1],
        [1.9280693458e-01, 1.9128232873e-01, 1.2305650693e-01, 1.3606233068e-01],
        None,
        3.0750560385e-04,
    ),
}


@pytest.mark.parametrize(
    ("name", "start"),
    [
        ("DanWood", [1, 5]),
        ("DanWood", [0.7, 4]),
        ("Misra1a", [500, 1e-4]),
        ("Misra1a", [250, 5e-4]),
        ("MGH09", [0.25, 0.39, 0.415, 0.39]),
    ],
)
def test_certified_regressions(name: str, start: list[float]) -> None:
    known = CERTIFIED[name]
    count = len(known.observed)
    # A sigma near the residuals makes the stopping rule, which is in sigmas, a strict one.
    sigma = np.full(count, 1e-3)
    fit = least_squares(known.equations, np.array(known.observed), sigma, np.array(start), limit=500)
    assert fit.converged
    assert fit.unknowns == pytest.approx(known.parameters, rel=1e-6)
    assert float(fit.chi_square) * 1e-6 == pytest.approx(known.square_sum, rel=1e-8)
    if known.deviations is not None:
        factor = float(fit.chi_square) / (count - len(start))
        assert np.sqrt(np.diagonal(fit.cofactor) * factor) == pytest.approx(known.deviations, rel=1e-6)


@pytest.mark.parametrize(
    ("dof", "quantiles"),
    [
        (1, (0.0010, 3.8415, 5.0239, 10.8276)),
        (2, (0.0506, 5.9915, 7.3778, 13.8155)),
        (3, (0.2158, 7.8147, 9.3484, 16.2662)),
        (4, (0.4844, 9.4877, 11.1433, 18.4668)),
        (5, (0.8312, 11.0705, 12.8325, 20.5150)),
        (6, (1.2373, 12.5916, 14.4494, 22.4577)),
        (10, (3.2470, 18.3070, 20.4832, 29.5883)),
    ],
)
def test_chi_square_thresholds(dof: int, quantiles: tuple[float, ...]) -> None:
    # The table that every handbook of statistics prints.
    found = [chi_square_quantile(probability, dof) for probability in (0.025, 0.95, 0.975, 0.999)]
    assert found == pytest.approx(quantiles, abs=6e-5)


def test_interval_of_the_standard_deviation_ratio() -> None:
    # GNU Gama manual, "Standard deviation": the worked output's 95 % interval with 37 degrees of freedom.
    low, high = (math.sqrt(chi_square_quantile(p, 37) / 37) for p in (0.025, 0.975))
    assert (low, high) == pytest.approx((0.773, 1.227), abs=5e-4)


def test_quadrilateral_from_its_sides_and_an_angle() -> None:
    # OpenStax, College Algebra, m49405: sides 4.5, 7.9, 9.4, 12.9, 117° between the two shortest; area 65.4.
    things = (distance(0, 1), distance(1, 2), distance(2, 3), distance(0, 3), Thing("angle", 1, 1))
    equations = polygon_equations(4, things)
    fit = least_squares(
        equations,
        np.array([4.5, 7.9, 9.4, 12.9, 117.0]),
        np.ones(5),
        np.array([4.5, 6.0, -7.0, -3.0, -9.0]),
        period=equations.period,
    )
    assert float(fit.chi_square) == pytest.approx(0.0, abs=1e-12)
    corners = equations.coordinates(fit.unknowns).reshape(-1, 2)
    following = np.roll(corners, -1, axis=0)
    area = 0.5 * abs(float(np.sum(corners[:, 0] * following[:, 1] - following[:, 0] * corners[:, 1])))
    assert area == pytest.approx(65.4, abs=0.05)


def test_parallelogram_from_one_diagonal() -> None:
    # OpenStax, College Algebra, m49405: sides 11 and 17, long diagonal 22, short diagonal 18.3.
    things = (distance(0, 1), distance(1, 2), distance(2, 3), distance(0, 3), distance(0, 2))
    equations = polygon_equations(4, things)
    fit = least_squares(
        equations, np.array([11.0, 17, 11, 17, 22]), np.ones(5), np.array([11.0, 14, -16, 4, -16])
    )
    short = polygon_equations(4, (distance(1, 3),))(fit.unknowns)[0]
    assert float(short[0]) == pytest.approx(18.3, abs=0.05)
