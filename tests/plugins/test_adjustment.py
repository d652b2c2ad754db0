"""The adjustment against independent ways to compute it, and its statistics against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag_plugins.surveying.adjustment import (
    Array,
    Thing,
    all_things,
    angle,
    chi_square_quantile,
    chi_square_survival,
    crossing_sides,
    distance,
    least_squares,
    polygon_equations,
    side,
    signed_area,
)
from oaktag_plugins.surveying.polygon_survey import (
    AmbiguousError,
    ImpossibleShapeError,
    ImpossibleTriangleError,
    LooseError,
    Readings,
    UndeterminedError,
    checking_reading,
    fit_shapes,
    leave_one_out,
    missing_readings,
    reconcile,
    separating_reading,
    sharpening_reading,
)
from oaktag_plugins.surveying.starting_shapes import normalised, starting_shapes
from oaktag_plugins.surveying.triangles import TriangleError, solve_triangle

TOP, DOWN, SEAT = (side(i, 3) for i in range(3))
AT_SEAT, AT_HEAD, AT_BOTTOM = (angle(i) for i in range(3))


def readings(corners: int, *rows: tuple[Thing, float, float]) -> Readings:
    """Readings from rows of what, value, sigma."""
    return Readings(
        corners,
        tuple(row[0] for row in rows),
        np.array([row[1] for row in rows], dtype=float),
        np.array([row[2] for row in rows], dtype=float),
    )


def of_shape(points: Array, things: tuple[Thing, ...], noise: np.random.Generator | None = None) -> Readings:
    """Readings of a polygon (n, 2): 1 mm and 0.3°, with normal errors if there is a generator."""
    corners = len(points)
    equations = polygon_equations(corners, things)
    exact = equations(normalised(points).reshape(-1)[equations.free])[0]
    sigma = np.where(equations.period > 0, 0.3, 1.0)
    errors = noise.normal(size=len(things)) * sigma if noise is not None else 0.0
    return Readings(corners, things, exact + errors, sigma)


FIVE = readings(
    3, (SEAT, 402, 1), (TOP, 518, 1), (DOWN, 611, 1), (AT_BOTTOM, 57.0, 0.3), (AT_HEAD, 40.8, 0.3)
)
SIX = readings(
    3,
    (TOP, 518, 1),
    (DOWN, 611, 1.2),
    (SEAT, 402, 0.8),
    (AT_SEAT, 82.4, 0.3),
    (AT_HEAD, 40.6, 0.3),
    (AT_BOTTOM, 57.2, 0.4),
)
HOUSE = normalised(np.array([[0.0, 0.0], [520.0, 40.0], [560.0, -60.0], [60.0, -420.0]]))
DART = normalised(np.array([[0.0, 0.0], [500.0, 0.0], [180.0, -120.0], [60.0, -400.0]]))


# ----------------------------------------------------------------------------------------------- chi-square


@pytest.mark.parametrize("dof", [*range(1, 12), 37, 80])
def test_chi_square_agrees_with_scipy(dof: int) -> None:
    from scipy.stats import chi2

    for probability in (0.005, 0.05, 0.5, 0.95, 0.99, 0.999):
        assert chi_square_quantile(probability, dof) == pytest.approx(chi2.ppf(probability, dof), rel=1e-10)
    for value in (1e-3, 0.5, 3.84, 20.0, 90.0):
        expected = chi2.sf(value, dof)
        assert chi_square_survival(value, dof) == pytest.approx(expected, rel=1e-10, abs=1e-300)


# -------------------------------------------------------------------------------------------- least squares


@pytest.mark.parametrize(
    "given_readings", [FIVE, SIX, of_shape(HOUSE, all_things(4), np.random.default_rng(7))]
)
def test_adjustment_agrees_with_scipy(given_readings: Readings) -> None:
    from scipy.optimize import least_squares as reference

    equations = given_readings.equations

    def misfit(unknowns: Array) -> Array:
        return np.asarray(given_readings.misfit(equations(unknowns)[0]) / given_readings.sigma)

    shape = fit_shapes(given_readings)[0]
    start = shape.fit.unknowns * 1.03 + 2.0
    # Derivatives by differences, so that ours aren't used to check themselves.
    expected = reference(misfit, start, jac="3-point", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    assert shape.fit.unknowns == pytest.approx(expected.x, abs=2e-6)
    assert shape.chi_square == pytest.approx(2 * expected.cost, rel=1e-9)
    assert shape.fit.residuals == pytest.approx(misfit(expected.x) * given_readings.sigma, abs=2e-6)
    covariance = np.linalg.inv(expected.jac.T @ expected.jac)
    assert shape.fit.cofactor == pytest.approx(covariance, rel=1e-5, abs=1e-8)


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 7), st.integers(0, 10**6))
def test_derivatives_are_those_of_differences(corners: int, seed: int) -> None:
    source = np.random.default_rng(seed)
    equations = polygon_equations(corners, all_things(corners))
    unknowns = source.uniform(-300, 300, size=2 * corners - 3)
    points = equations.coordinates(unknowns).reshape(-1, 2)
    gaps = [np.hypot(*(points[i] - points[j])) for i in range(corners) for j in range(i + 1, corners)]
    if min(gaps) < 30:
        return
    _, jacobian = equations(unknowns)
    for column in range(len(unknowns)):
        step = np.zeros(len(unknowns))
        step[column] = 1e-3
        difference = equations(unknowns + step)[0] - equations(unknowns - step)[0]
        difference = np.where(equations.period > 0, (difference + 180) % 360 - 180, difference)
        assert jacobian[:, column] == pytest.approx(difference / 2e-3, abs=1e-6)


def test_several_problems_at_once_are_solved_as_one_by_one() -> None:
    source = np.random.default_rng(3)
    observed = SIX.values + source.normal(size=(40, 6)) * SIX.sigma * 3
    start = np.tile(fit_shapes(SIX)[0].fit.unknowns, (40, 1))
    together = least_squares(SIX.equations, observed, SIX.sigma, start, period=SIX.equations.period)
    for index in range(40):
        one = least_squares(
            SIX.equations, observed[index], SIX.sigma, start[index], period=SIX.equations.period
        )
        assert together.unknowns[index] == pytest.approx(one.unknowns, abs=1e-9)
        assert together.pick(index).redundancy == pytest.approx(one.redundancy, abs=1e-9)


def test_infinite_sigma_leaves_an_observation_out() -> None:
    sigma = SIX.sigma.copy()
    sigma[1] = np.inf
    start = fit_shapes(SIX)[0].fit.unknowns
    without = least_squares(SIX.equations, SIX.values, sigma, start, period=SIX.equations.period)
    kept = SIX.only([0, 2, 3, 4, 5])
    assert without.unknowns == pytest.approx(fit_shapes(kept)[0].fit.unknowns, abs=1e-8)


def test_an_angle_across_north_is_not_a_turn_off() -> None:
    # The start has 359.3°, the reading is 1°: they are 1.7° apart.
    equations = polygon_equations(3, (TOP, SEAT, AT_SEAT))
    observed, start = np.array([500.0, 400.0, 1.0]), np.array([500.0, 400.0, 5.0])
    assert equations(start)[0][2] == pytest.approx(359.28, abs=0.01)
    fit = least_squares(equations, observed, np.ones(3), start, period=equations.period, limit=4)
    assert float(fit.chi_square) == pytest.approx(0.0, abs=1e-9)
    assert equations(fit.unknowns)[0][2] == pytest.approx(1.0)


def test_what_is_not_determined_has_no_finite_cofactor() -> None:
    angles = readings(3, (AT_SEAT, 82.2, 0.3), (AT_HEAD, 40.8, 0.3), (AT_BOTTOM, 57, 0.3))
    start = fit_shapes(FIVE)[0].fit.unknowns
    fit = least_squares(angles.equations, angles.values, angles.sigma, start, period=angles.equations.period)
    assert not fit.determined
    assert np.all(np.isinf(fit.cofactor))


def test_redundancy_numbers_come_to_the_degrees_of_freedom() -> None:
    for given_readings in (FIVE, SIX):
        assert float(np.sum(fit_shapes(given_readings)[0].fit.redundancy)) == pytest.approx(
            given_readings.dof
        )


def test_stated_sigmas_are_those_of_simulation() -> None:
    # 6,000 sheets of one frame: coordinates, sides and angles scatter as the adjustment says, to 3 %.
    source = np.random.default_rng(11)
    shape = fit_shapes(SIX)[0]
    exact = SIX.equations(shape.fit.unknowns)[0]
    observed = exact + source.normal(size=(6000, 6)) * SIX.sigma
    start = np.tile(shape.fit.unknowns, (6000, 1))
    fit = least_squares(SIX.equations, observed, SIX.sigma, start, period=SIX.equations.period)
    assert fit.converged.all()
    assert fit.unknowns.std(axis=0) / np.sqrt(np.diagonal(shape.fit.cofactor)) == pytest.approx(
        np.ones(3), abs=0.03
    )
    things = (TOP, DOWN, SEAT, AT_SEAT, AT_HEAD, AT_BOTTOM)
    scatter = polygon_equations(3, things)(fit.unknowns)[0]
    stated = shape.evaluate(things)[1]
    assert scatter.std(axis=0) / np.sqrt(np.diagonal(stated)) == pytest.approx(np.ones(6), abs=0.03)
    perimeter = scatter[:, :3].sum(axis=1)
    assert perimeter.std() / math.sqrt(float(stated[:3, :3].sum())) == pytest.approx(1.0, abs=0.03)
    assert np.nanstd(fit.standardised, axis=0) == pytest.approx(np.ones(6), abs=0.03)


def test_the_whole_test_turns_down_five_honest_sheets_in_a_hundred() -> None:
    source = np.random.default_rng(5)
    shape = fit_shapes(SIX)[0]
    exact = SIX.equations(shape.fit.unknowns)[0]
    observed = exact + source.normal(size=(20000, 6)) * SIX.sigma
    start = np.tile(shape.fit.unknowns, (20000, 1))
    fit = least_squares(
        SIX.equations, observed, SIX.sigma, start, period=SIX.equations.period, tolerance=1e-8
    )
    rejected = float(np.mean(fit.chi_square > chi_square_quantile(0.95, 3)))
    assert rejected == pytest.approx(0.05, abs=0.005)


# --------------------------------------------------------------------------------------------------- shapes


def test_crossing_and_turning() -> None:
    square = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, 0.0]])
    assert signed_area(square) == -1.0
    assert crossing_sides(square) is None
    assert crossing_sides(square[[0, 2, 1, 3]]) is not None
    # Two sides on one line that don't touch are no crossing.
    comb = np.array([[0, 0], [0, 2], [1, 2], [1, 1], [2, 1], [2, 2], [3, 2], [3, 0]], dtype=float)
    assert crossing_sides(comb) is None


SIDES = st.floats(120, 700)


@settings(max_examples=200, deadline=None)
@given(SIDES, SIDES, st.floats(12, 165))
def test_closed_forms_give_the_triangle_back(after: float, before: float, corner: float) -> None:
    (whole,) = solve_triangle((after, None, before), (corner, None, None))
    if min(whole.angles) < 5 or min(whole.sides) < 50:
        return
    assert sum(whole.angles) == pytest.approx(180)
    quantities = (*whole.sides, *whole.angles)
    for mask in range(64):
        chosen = [index for index in range(6) if mask >> index & 1]
        if len(chosen) != 3 or min(chosen) > 2:
            continue
        known = tuple(quantities[index] if index in chosen else None for index in range(6))
        found = solve_triangle((known[0], known[1], known[2]), (known[3], known[4], known[5]))
        nearest = min(found, key=lambda one: math.dist(one.sides, whole.sides))
        assert nearest.sides == pytest.approx(whole.sides, rel=1e-6)
        assert nearest.angles == pytest.approx(whole.angles, abs=1e-4)


@pytest.mark.parametrize(
    ("sides", "angles", "kind", "index"),
    [
        ((300, 200, 501), (None, None, None), "side", 2),
        ((300, 200, 500), (None, None, None), "side", 2),
        ((300, None, None), (100, 80, None), "angle", 0),
        ((300, None, None), (None, 190, 20), "angle", 1),
        ((500, 200, None), (40, None, None), "side", 1),
        ((500, 499, None), (95, None, None), "side", 1),
    ],
)
def test_impossible_triangles_are_refused(
    sides: tuple[float | None, float | None, float | None],
    angles: tuple[float | None, float | None, float | None],
    kind: str,
    index: int,
) -> None:
    with pytest.raises(TriangleError) as caught:
        solve_triangle(sides, angles)
    assert (caught.value.kind, caught.value.index) == (kind, index)
    assert not caught.value.low < caught.value.found < caught.value.high


def random_polygon(corners: int, source: np.random.Generator, convex: bool) -> Array:
    while True:
        bearings = np.sort(source.uniform(0, 2 * math.pi, corners))[::-1]
        radii = source.uniform(200, 350, corners) * (1 if convex else source.uniform(0.35, 1, corners))
        points = normalised(np.stack([radii * np.cos(bearings), radii * np.sin(bearings)], axis=1))
        values = of_shape(points, all_things(corners)).values
        if (
            values[:corners].min() > 80
            and values[-corners:].min() > 25
            and values[-corners:].max() < (172 if convex else 330)
            and crossing_sides(points) is None
        ):
            return points


@pytest.mark.parametrize("corners", [3, 4, 5, 6])
@pytest.mark.parametrize("convex", [True, False])
def test_any_polygon_comes_back_from_all_its_readings(corners: int, convex: bool) -> None:
    source = np.random.default_rng(corners)
    for _ in range(4):
        points = random_polygon(corners, source, convex or corners == 3)
        outcome = reconcile(of_shape(points, all_things(corners)))
        assert outcome.shape.points == pytest.approx(points, abs=1e-6)
        assert outcome.chi_square == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("corners", [4, 5, 6])
def test_no_shape_is_missed_that_a_crowd_of_random_starts_finds(corners: int) -> None:
    source = np.random.default_rng(100 + corners)
    compared = 0
    while compared < 6:
        points = random_polygon(corners, source, convex=bool(source.integers(2)))
        everything = all_things(corners)
        count = 2 * corners - 3 + int(source.integers(2))
        chosen = sorted(source.choice(len(everything), size=count, replace=False).tolist())
        sheet = of_shape(points, tuple(everything[index] for index in chosen))
        if missing_readings(sheet) is not None:
            continue
        compared += 1
        found = [one for one in fit_shapes(sheet) if one.usable and one.chi_square < 1e-6]
        starts = np.array(
            [
                random_polygon(corners, source, convex=bool(index % 2)).reshape(-1)[sheet.equations.free]
                for index in range(60)
            ]
        )
        crowd = least_squares(
            sheet.equations,
            sheet.values,
            sheet.sigma,
            starts,
            period=sheet.equations.period,
        )
        for index in np.flatnonzero((crowd.chi_square < 1e-9) & crowd.converged):
            unknowns = crowd.unknowns[index] * (1 if crowd.unknowns[index][0] > 0 else -1)
            other = sheet.equations.coordinates(unknowns).reshape(-1, 2)
            interior = polygon_equations(corners, tuple(map(angle, range(corners))))(unknowns)[0]
            sharp = np.minimum(interior, 360 - interior).min() < 1
            if signed_area(other) > 0 or crossing_sides(other) is not None or sharp:
                continue
            assert any(np.abs(one.points - other).max() < 0.5 for one in found)


def test_starts_begin_at_the_origin_along_x() -> None:
    for corners in (3, 4, 6):
        source = np.random.default_rng(corners)
        sheet = of_shape(random_polygon(corners, source, convex=True), all_things(corners))
        starts = starting_shapes(
            corners, sheet.things, sheet.values.tolist(), sheet.sigma.tolist(), thorough=True
        )
        assert np.all(starts[:, 0] > 0)
        for start in starts:
            assert signed_area(sheet.equations.coordinates(start).reshape(-1, 2)) <= 0


# ------------------------------------------------------------------------------ what the readings amount to


def test_readings_of_a_steep_frame_fit() -> None:
    # Common practice, no source: 335, 570, 446, 51.5° and 36° are one frame's readings.
    sheet = readings(
        3, (SEAT, 335, 1), (DOWN, 570, 1), (TOP, 446, 1), (AT_BOTTOM, 51.5, 0.5), (AT_HEAD, 36, 0.5)
    )
    outcome = reconcile(sheet)
    assert outcome.passed
    assert all(value is not None and abs(value) < 1 for value in outcome.standardised)


def test_undetermined_sheets_say_what_to_read() -> None:
    missing = missing_readings(readings(3, (SEAT, 402, 1), (TOP, 518, 1)))
    assert missing is not None
    assert (missing.independent, missing.needed, missing.take) == (2, 3, (DOWN,))
    only_angles = readings(3, (AT_SEAT, 82.2, 0.3), (AT_HEAD, 40.8, 0.3), (AT_BOTTOM, 57, 0.3))
    with pytest.raises(UndeterminedError) as caught:
        reconcile(only_angles)
    assert caught.value.independent == 2
    assert caught.value.take[0].kind == "distance"
    repeated = readings(3, (SEAT, 402, 1), (SEAT, 403, 1), (SEAT, 402, 1), (TOP, 518, 1))
    with pytest.raises(UndeterminedError):
        reconcile(repeated)


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 6), st.integers(0, 10**6))
def test_what_is_asked_for_makes_the_sheet_complete(corners: int, seed: int) -> None:
    source = np.random.default_rng(seed)
    everything = all_things(corners)
    count = int(source.integers(0, 2 * corners - 3))
    chosen = source.choice(len(everything), size=count, replace=False).tolist()
    sheet = of_shape(random_polygon(corners, source, convex=True), tuple(everything[i] for i in chosen))
    missing = missing_readings(sheet)
    assert missing is not None
    assert missing.independent + len(missing.take) == 2 * corners - 3
    completed = of_shape(random_polygon(corners, source, convex=True), (*sheet.things, *missing.take))
    assert missing_readings(completed) is None
    for other in missing.instead:
        swapped = of_shape(random_polygon(corners, source, convex=True), (*sheet.things, other))
        assert missing_readings(swapped) is None


def test_checking_reading_is_the_best_of_all_by_trial() -> None:
    sheet = readings(3, (SEAT, 402, 1), (TOP, 518, 1), (DOWN, 611, 1))
    shape = fit_shapes(sheet)[0]
    least = {}
    for thing in (AT_SEAT, AT_HEAD, AT_BOTTOM):
        value = float(shape.evaluate((thing,))[0][0])
        more = readings(3, (SEAT, 402, 1), (TOP, 518, 1), (DOWN, 611, 1), (thing, value, 0.3))
        redundancy = fit_shapes(more)[0].fit.redundancy[:3]
        least[thing] = (int(np.sum(redundancy > 0.01)), float(redundancy[redundancy > 0.01].min()))
    assert checking_reading(shape) == max(least, key=lambda thing: least[thing])


def test_checking_reading_checks_as_many_as_any_can() -> None:
    # A hexagon of four triangles: no further reading checks all nine.
    source = np.random.default_rng(1)
    things = (*(side(i, 6) for i in range(6)), distance(0, 2), distance(2, 4), distance(0, 4))
    points = random_polygon(6, source, convex=True)
    shape = reconcile(of_shape(points, things)).shape
    checked = {}
    for thing in all_things(6):
        if thing not in things:
            more = fit_shapes(of_shape(points, (*things, thing)))[0]
            checked[thing] = int(np.sum(more.fit.redundancy[:9] > 0.01))
    assert max(checked.values()) < 9
    assert checked[checking_reading(shape)] == max(checked.values())


def test_sharpening_reading_tells_what_it_leaves() -> None:
    sheet = readings(3, (SEAT, 402, 1), (AT_SEAT, 82.2, 0.3), (AT_HEAD, 40.8, 0.3))
    shape = fit_shapes(sheet)[0]
    take, sigma = sharpening_reading(shape)
    value = float(shape.evaluate((take,))[0][0])
    more = readings(3, (SEAT, 402, 1), (AT_SEAT, 82.2, 0.3), (AT_HEAD, 40.8, 0.3), (take, value, 1.0))
    covariance = fit_shapes(more)[0].evaluate((TOP, DOWN, SEAT))[1]
    assert sigma == pytest.approx(float(np.sqrt(np.diagonal(covariance).max())), rel=1e-6)
    before = float(np.sqrt(np.diagonal(shape.evaluate((TOP, DOWN, SEAT))[1]).max()))
    assert sigma < before / 2


def test_two_triangles_from_one_sheet_are_refused() -> None:
    with pytest.raises(AmbiguousError) as caught:
        reconcile(readings(3, (SEAT, 402, 1), (TOP, 518, 1), (AT_HEAD, 40.8, 0.3)))
    assert caught.value.take == DOWN
    assert sorted(caught.value.values) == pytest.approx([175.2, 609.0], abs=0.05)
    (whole,) = reconcile(
        readings(3, (SEAT, 402, 1), (TOP, 518, 1), (AT_HEAD, 40.8, 0.3), (DOWN, 609, 1))
    ).shape.points[None]
    assert whole[1] == pytest.approx([518, 0], abs=1)


def test_two_triangles_stay_two_when_repeated_readings_scatter() -> None:
    with pytest.raises(AmbiguousError):
        reconcile(readings(3, (SEAT, 402, 1), (SEAT, 408, 1), (TOP, 518, 1), (AT_HEAD, 40.8, 0.3)))


def test_nothing_is_blamed_if_the_rest_would_leave_two_shapes() -> None:
    # The down tube is wrong, but without it there are two triangles, so it can't be said what it should be.
    twice = [one for one in ((SEAT, 402, 1.0), (TOP, 518, 1.0), (AT_HEAD, 40.8, 0.3)) for _ in range(2)]
    sheet = readings(3, *twice, (DOWN, 560, 1))
    outcome = reconcile(sheet)
    assert outcome.passed is False
    assert outcome.suspects == ()
    assert outcome.contradiction


def test_a_thin_triangle_from_two_angles_is_too_loose() -> None:
    with pytest.raises(LooseError) as caught:
        reconcile(readings(3, (TOP, 100, 1), (AT_SEAT, 88.5, 0.3), (AT_HEAD, 88.5, 0.3)))
    assert caught.value.worst in (DOWN, SEAT)
    assert caught.value.take in (DOWN, SEAT)


def test_a_side_that_just_reaches_fixes_nothing() -> None:
    # 518 sin 40.8° = 338.5: the two triangles fall together and a hair in the seat tube moves the down tube
    # by far.
    with pytest.raises((LooseError, AmbiguousError)):
        reconcile(
            readings(3, (SEAT, 518 * math.sin(math.radians(40.8)), 1), (TOP, 518, 1), (AT_HEAD, 40.8, 0.3))
        )


def test_impossible_sheets_name_the_reading() -> None:
    with pytest.raises(ImpossibleTriangleError) as triangle:
        reconcile(readings(3, (SEAT, 402, 1), (TOP, 158, 1), (DOWN, 611, 1)))
    assert (triangle.value.error.kind, triangle.value.error.index) == ("side", 1)
    assert (triangle.value.error.low, triangle.value.error.high) == (244, 560)
    with pytest.raises(ImpossibleShapeError) as polygon:
        reconcile(
            readings(
                4,
                *((side(i, 4), value, 1.0) for i, value in enumerate((1500, 90, 560, 400))),
                (distance(0, 2), 530, 1),
            )
        )
    assert polygon.value.too_long
    assert (polygon.value.index, polygon.value.nearest) == (0, 1050)


def test_angles_outside_the_opening_come_out_counter_clockwise() -> None:
    inside = of_shape(HOUSE, (side(0, 4), side(1, 4), *map(angle, range(4))))
    outside = Readings(
        4,
        inside.things,
        np.where(inside.equations.period > 0, 360 - inside.values, inside.values),
        inside.sigma,
    )
    with pytest.raises(ImpossibleShapeError) as caught:
        reconcile(outside)
    assert caught.value.flaw == "counter-clockwise"


def test_a_bow_tie_is_refused() -> None:
    # The corners of a square in the wrong order: its true distances make sides that cross.
    square = np.array([[0.0, 0.0], [400.0, -400.0], [400.0, 0.0], [0.0, -400.0]])
    lengths = [
        (distance(i, j), float(np.hypot(*(square[i] - square[j]))), 1.0)
        for i in range(4)
        for j in range(i + 1, 4)
    ]
    with pytest.raises(ImpossibleShapeError) as caught:
        reconcile(readings(4, *lengths))
    assert caught.value.flaw == "crossing"


def test_a_reflex_corner_is_kept_when_it_was_read() -> None:
    everything = of_shape(DART, (*(side(i, 4) for i in range(4)), angle(2)))
    assert everything.values[-1] > 180
    outcome = reconcile(everything)
    assert outcome.shape.points == pytest.approx(DART, abs=1e-6)
    assert outcome.second_shape is None


def test_the_convex_shape_is_taken_and_the_other_reported() -> None:
    wedge = normalised(np.array([[0.0, 0.0], [400.0, 0.0], [300.0, -280.0], [0.0, -400.0]]))
    sheet = of_shape(wedge, (*(side(i, 4) for i in range(4)), angle(0)))
    outcome = reconcile(sheet)
    assert outcome.shape.points == pytest.approx(wedge, abs=1e-6)
    assert outcome.second_shape is not None
    assert outcome.second_shape.chi_square == pytest.approx(0, abs=1e-6)
    assert outcome.second_shape.angles.max() > 180
    take, values = separating_reading((outcome.shape, outcome.second_shape))
    assert take not in sheet.things
    assert abs(values[0] - values[1]) > 20


# -------------------------------------------------------------------------------- the reading that is wrong


def test_leaving_out_lowers_chi_square_by_the_square_of_the_standardised_residual() -> None:
    # Baarda's test and the exact one are the same while errors are small.
    source = np.random.default_rng(2)
    sheet = Readings(3, SIX.things, SIX.values + source.normal(size=6) * SIX.sigma, SIX.sigma)
    whole = fit_shapes(sheet)[0]
    for index, without in leave_one_out(sheet).items():
        drop = math.sqrt(max(whole.chi_square - without.chi_square, 0.0))
        assert drop == pytest.approx(abs(float(whole.fit.standardised[index])), abs=0.02)


@pytest.mark.parametrize("index", range(6))
@pytest.mark.parametrize("sigmas", [12, -15, 60])
def test_a_gross_error_is_placed(index: int, sigmas: float) -> None:
    exact = of_shape(fit_shapes(SIX)[0].points, SIX.things)
    sheet = exact.with_value(index, float(exact.values[index] + sigmas * exact.sigma[index]))
    outcome = reconcile(sheet)
    assert not outcome.passed
    assert [suspect.index for suspect in outcome.suspects] == [index]
    assert outcome.suspects[0].predicted == pytest.approx(float(exact.values[index]), abs=1e-6)
    assert outcome.shape.points == pytest.approx(fit_shapes(exact)[0].points, abs=1e-6)
    assert not outcome.contradiction


def test_a_suspect_keeps_the_numbers_that_it_would_have_in_the_whole() -> None:
    # Left out, a reading's redundancy and standardised residual are those of an adjustment that holds it.
    exact = of_shape(fit_shapes(SIX)[0].points, SIX.things)
    sheet = exact.with_value(0, float(exact.values[0] + 12))
    outcome = reconcile(sheet)
    whole = fit_shapes(sheet)[0].fit
    assert float(outcome.redundancy[0]) == pytest.approx(float(whole.redundancy[0]), abs=0.01)
    assert outcome.standardised[0] == pytest.approx(float(whole.standardised[0]), rel=0.02)
    assert outcome.residuals[0] == pytest.approx(-12, abs=1e-6)
    assert outcome.chi_square >= float(whole.chi_square)


def test_one_spare_reading_finds_a_contradiction_and_places_nothing() -> None:
    sheet = readings(3, (SEAT, 402, 1), (TOP, 518, 1), (DOWN, 611, 1), (AT_BOTTOM, 75, 0.3))
    outcome = reconcile(sheet)
    assert outcome.passed is False
    assert outcome.suspects == ()
    assert outcome.contradiction == (0, 1, 2, 3)
    # All are equally suspicious: that is why.
    sizes = {round(abs(value), 3) for value in outcome.standardised if value is not None}
    assert len(sizes) == 1


def test_two_readings_of_one_thing_contradict_each_other_alone() -> None:
    sheet = readings(3, (SEAT, 402, 1), (SEAT, 420, 1), (TOP, 518, 1), (DOWN, 611, 1))
    outcome = reconcile(sheet)
    assert outcome.contradiction == (0, 1)
    assert outcome.standardised[2] is None
    assert {hint.index for hint in outcome.hints} == {0, 1}
    twice = readings(3, (SEAT, 402, 1), (SEAT, 420, 1), (TOP, 518, 1), (TOP, 518, 1), (DOWN, 611, 1))
    outcome = reconcile(twice)
    assert outcome.tied
    assert outcome.contradiction == (0, 1)


def test_the_odd_one_of_three_readings_is_placed() -> None:
    sheet = readings(3, (SEAT, 402, 1), (SEAT, 420, 1), (SEAT, 403, 1), (TOP, 518, 1), (DOWN, 611, 1))
    assert [suspect.index for suspect in reconcile(sheet).suspects] == [1]


def test_two_gross_errors_are_both_placed() -> None:
    exact = of_shape(HOUSE, all_things(4))
    sheet = exact.with_value(0, float(exact.values[0] + 30)).with_value(7, float(exact.values[7] - 9))
    outcome = reconcile(sheet)
    assert sorted(suspect.index for suspect in outcome.suspects) == [0, 7]
    assert outcome.shape.points == pytest.approx(HOUSE, abs=1e-5)
    assert not outcome.contradiction


NINE = of_shape(fit_shapes(SIX)[0].points, (TOP, TOP, DOWN, DOWN, SEAT, SEAT, AT_SEAT, AT_HEAD, AT_BOTTOM))


@pytest.mark.parametrize(
    "errors", [{8: -12.5, 4: -33.0, 1: -13.7}, {4: 37.7, 7: 34.1, 3: -37.5}], ids=["first", "second"]
)
def test_a_reading_that_was_taken_out_wrongly_is_let_in_again(errors: dict[int, float]) -> None:
    # Three errors that pull together make an honest reading look worst for a while.
    sheet = NINE
    for index, sigmas in errors.items():
        sheet = sheet.with_value(index, float(NINE.values[index] + sigmas * NINE.sigma[index]))
    outcome = reconcile(sheet)
    assert {suspect.index for suspect in outcome.suspects} == set(errors)
    assert not outcome.contradiction
    sizes = [abs(suspect.standardised) for suspect in outcome.suspects]
    assert sizes == sorted(sizes, reverse=True)


def test_two_errors_that_hide_each_other_are_both_placed() -> None:
    for first in range(0, 9, 2):
        for second in range(9):
            if first == second:
                continue
            sheet = NINE.with_value(first, float(NINE.values[first] + 14 * NINE.sigma[first]))
            sheet = sheet.with_value(second, float(NINE.values[second] + 9 * NINE.sigma[second]))
            outcome = reconcile(sheet)
            assert outcome.passed is False
            if NINE.things[first] != NINE.things[second]:
                assert {suspect.index for suspect in outcome.suspects} == {first, second}
                sizes = [abs(suspect.standardised) for suspect in outcome.suspects]
                assert sizes == sorted(sizes, reverse=True)


def test_an_impossible_reading_among_others_is_placed_and_not_refused() -> None:
    # 158 breaks the triangle inequality, but the others know better.
    outcome = reconcile(FIVE.with_value(1, 158.0))
    assert [suspect.index for suspect in outcome.suspects] == [1]
    assert outcome.suspects[0].explanations[0].meant == 518
    assert outcome.suspects[0].explanations[0].slip == "swapped digits"


def test_polygon_with_a_slip_in_a_diagonal() -> None:
    exact = of_shape(
        HOUSE, (*(side(i, 4) for i in range(4)), distance(0, 2), distance(1, 3), *map(angle, range(4)))
    )
    values = np.where(exact.equations.period > 0, np.round(exact.values, 1), np.round(exact.values))
    sheet = Readings(4, exact.things, values, exact.sigma)
    assert reconcile(sheet).passed
    outcome = reconcile(sheet.with_value(4, float(values[4]) / 10))
    assert [suspect.index for suspect in outcome.suspects] == [4]
    assert outcome.suspects[0].explanations[0].meant == pytest.approx(float(values[4]))
