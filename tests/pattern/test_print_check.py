"""What a printed test square tells."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oaktag.pattern.print_check import CAUSES, LIMIT, MOST_CAUSES, SIDES, TestSquare, check_print

SCALES = st.floats(0.2, 5.0)
SIDE = st.floats(*SIDES)
READING = st.floats(0.05, 1.0)


@pytest.mark.parametrize(
    ("across", "up", "verdict"),
    [
        (100.0, 100.0, "true"),
        (99.5, 100.5, "true"),
        (99.4, 100.0, "scaled"),
        (98.5, 99.0, "scaled"),
        (98.5, 99.5, "scaled"),
        (98.5, 99.6, "stretched"),
        (100.0, 98.0, "stretched"),
        (99.4, 100.6, "stretched"),
    ],
)
def test_the_verdict_at_its_limits(across: float, up: float, verdict: str) -> None:
    assert check_print(TestSquare(100.0, across, up, 0.5)).verdict == verdict
    assert check_print(TestSquare(100.0, up, across, 0.5)).verdict == verdict


@given(SIDE, SCALES, READING)
def test_printing_at_what_is_said_makes_it_true(side: float, scale: float, reading: float) -> None:
    check = check_print(TestSquare(side, side * scale, side * scale, min(reading, 0.1 * side * scale)))
    assert check.scale * check.print_at / 100.0 == pytest.approx(1.0)
    least, most = check.print_between
    assert least < check.print_at < most
    assert check.left_on(1000.0) == pytest.approx(0.0, abs=1e-9)
    assert check.verdict in ("true", "scaled")


@given(SCALES, SCALES, st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_a_true_print_is_never_called_wrong_nor_a_scaled_one_stretched(
    scale: float, other: float, off_across: float, off_up: float
) -> None:
    def read(true: float, off: float) -> float:
        return 100.0 * true + 0.5 * off

    assert check_print(TestSquare(100.0, read(1.0, off_across), read(1.0, off_up))).verdict == "true"
    scaled = check_print(TestSquare(100.0, read(scale, off_across), read(scale, off_up)))
    assert scaled.verdict != "stretched"
    # The true cure is among what the readings allow.
    least, most = scaled.print_between
    assert least - 1e-6 <= 100.0 / scale <= most + 1e-6
    # Scales that are farther apart than two readings can be off are told apart.
    if abs(scale - other) > 0.0201:
        square = TestSquare(100.0, read(scale, off_across), read(other, off_up))
        assert check_print(square).verdict == "stretched"


@given(SCALES, SCALES)
def test_the_best_single_scale_leaves_as_much_on_either_axis(across: float, up: float) -> None:
    check = check_print(TestSquare(100.0, 100.0 * across, 100.0 * up))
    left = [1000.0 * (scale * check.print_at / 100.0 - 1.0) for scale in (across, up)]
    assert left[0] == pytest.approx(-left[1], abs=1e-6)
    assert abs(left[0]) == pytest.approx(check.left_on(1000.0), abs=1e-6)


def test_what_an_error_means_on_a_tube() -> None:
    check = check_print(TestSquare(100.0, 98.5, 99.0))
    assert check.error_on(600.0) == pytest.approx((-9.0, -6.0))
    assert check.open_on(600.0) == pytest.approx(3.0)
    assert check.print_at == pytest.approx(101.2658, abs=1e-4)
    assert check.print_between == pytest.approx((101.0101, 101.5228), abs=1e-4)


@pytest.mark.parametrize(
    ("side", "reading", "coarse"), [(100.0, 0.5, True), (180.0, 0.3, False), (180.0, 0.31, True)]
)
def test_a_reading_is_coarse_that_leaves_more_than_a_millimetre_on_a_tube(
    side: float, reading: float, coarse: bool
) -> None:
    assert check_print(TestSquare(side, side, side, reading)).coarse is coarse


@pytest.mark.parametrize(
    ("across", "up", "axis"), [(100.0, 98.0, "up"), (102.0, 100.2, "across"), (97.0, 98.5, None)]
)
def test_one_axis_that_is_off_is_named(across: float, up: float, axis: str | None) -> None:
    assert check_print(TestSquare(100.0, across, up)).axis_off == axis


def test_every_cause_is_found_from_its_own_scales_and_explains_them() -> None:
    assert len({cause.what for cause in CAUSES}) == len(CAUSES)
    for cause in CAUSES:
        square = TestSquare(100.0, 100.0 * cause.across, 100.0 * cause.up, 0.01)
        found = check_print(square).causes
        assert cause in found or len(found) == MOST_CAUSES
        for named in found:
            assert (named.across, named.up) == pytest.approx((cause.across, cause.up), abs=1e-4 + 1e-9)


def test_causes_are_named_only_within_the_reading_the_nearest_first_and_not_for_a_true_print() -> None:
    assert check_print(TestSquare(100.0, 100.0, 100.0)).causes == ()
    # 40 units of a plotter that counts 40.2 are 0.5 % off: within a coarse reading nothing is wrong.
    assert check_print(TestSquare(100.0, 99.5, 99.5)).causes == ()
    assert [c.what for c in check_print(TestSquare(200.0, 199.0, 199.0, 0.2)).causes] == [
        "a plotter that counts 40.2 units to the mm, not 40"
    ]
    assert check_print(TestSquare(100.0, 88.0, 88.0, 0.5)).causes == ()
    named = check_print(TestSquare(100.0, 96.1, 96.1)).causes
    misses = [abs(cause.across - 0.961) for cause in named]
    assert len(named) == MOST_CAUSES
    assert misses == sorted(misses)
    assert max(misses) <= 0.005


@pytest.mark.parametrize(
    ("side", "other", "words"), [(100.0, 101.6, "the 4 in square"), (101.6, 100.0, "the 100 mm square")]
)
def test_the_other_square_measured_by_mistake_is_seen(side: float, other: float, words: str) -> None:
    assert check_print(TestSquare(side, other, other)).causes[0].what.startswith(words)
    assert check_print(TestSquare(150.0, 150.0 * other / side, 150.0 * other / side)).causes == ()


@pytest.mark.parametrize(
    "square",
    [
        TestSquare(0.0, 100.0, 100.0),
        TestSquare(math.nan, 100.0, 100.0),
        TestSquare(2 * SIDES[1], 100.0, 100.0),
        TestSquare(100.0, 0.0, 100.0),
        TestSquare(100.0, 100.0, -1.0),
        TestSquare(100.0, math.nan, 100.0),
        TestSquare(100.0, 100.0, math.inf),
        TestSquare(100.0, 100.0, 100.0 * LIMIT * 1.01),
        TestSquare(100.0, 100.0, 100.0, 0.0),
        TestSquare(100.0, 100.0, 100.0, math.nan),
        TestSquare(100.0, 100.0, 3.0, 3.0),
    ],
)
def test_what_makes_no_sense_is_refused(square: TestSquare) -> None:
    with pytest.raises(ValueError, match=r"side must|across must|up must|reading must"):
        check_print(square)
