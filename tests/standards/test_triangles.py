"""Triangles against published solutions.

Source of every number, unless it says otherwise: OpenStax, College Algebra, "Non-right Triangles: Law of
Sines", "Law of Cosines" (module m49405). The book rounds angles to 0.1°; sharper values are computed from its
data.
"""

from __future__ import annotations

import math

import pytest

from oaktag_plugins.surveying.triangles import TriangleError, solve_triangle

NONE = (None, None, None)


def opposite(
    a: float | None, b: float | None, c: float | None
) -> tuple[float | None, float | None, float | None]:
    """Sides by index from sides named after the corner that they face: side i faces corner i + 2."""
    return (c, a, b)


def faced(sides: tuple[float, float, float]) -> tuple[float, float, float]:
    """The inverse of `opposite`."""
    return sides[1], sides[2], sides[0]


@pytest.mark.parametrize(
    ("sides", "angles"),
    [
        ((20, 25, 18), (52.4105, 82.0968, 45.4927)),
        ((5, 7, 10), (27.6604, 40.5358, 111.8037)),
        # The book prints 98.4 for the third, a slip in rounding: its own data give 98.32.
        ((3.1, 3.5, 5), (37.8412, 43.8389, 98.3199)),
        ((13, 22, 28), (26.8686, None, None)),
        ((14, 13, 20), (None, None, 95.5177)),
    ],
)
def test_three_sides(sides: tuple[float, float, float], angles: tuple[float | None, ...]) -> None:
    (triangle,) = solve_triangle(opposite(*sides), NONE)
    for found, published in zip(triangle.angles, angles, strict=True):
        assert published is None or found == pytest.approx(published, abs=1e-4)


@pytest.mark.parametrize(
    ("a", "b", "included", "third", "tolerance"),
    [
        (10, 12, 30, 6.0128116, 1e-6),
        (12, 24, 30, 14.9, 0.05),
        (8, 10, 160, 17.7, 0.05),
        (8, 11, 35, 6.4, 0.05),
        (21, 37, 121, 51.1, 0.05),
        (6, 7, 120, 11.3, 0.05),
        (18, 23, 115, 34.7, 0.05),
    ],
)
def test_two_sides_and_the_angle_between(
    a: float, b: float, included: float, third: float, tolerance: float
) -> None:
    (triangle,) = solve_triangle(opposite(a, b, None), (None, None, included))
    assert faced(triangle.sides)[2] == pytest.approx(third, abs=tolerance)


def test_two_sides_and_the_angle_between_give_the_other_angles() -> None:
    (triangle,) = solve_triangle(opposite(10, None, 12), (None, 30, None))
    assert triangle.angles == pytest.approx((56.25909, 30, 93.74091), abs=1e-5)
    (triangle,) = solve_triangle(opposite(None, 12, 24), (30, None, None))
    assert triangle.angles == pytest.approx((30, 23.8, 126.2), abs=0.05)


def test_an_angle_opposite_the_longer_side_leaves_one_triangle() -> None:
    (triangle,) = solve_triangle(opposite(None, 10, 32), (None, None, 113))
    assert faced(triangle.sides)[0] == pytest.approx(26.7, abs=0.05)


def test_an_angle_opposite_a_side_too_short_leaves_none() -> None:
    # Published: "not possible". It takes 105 sin 50° = 80.4.
    with pytest.raises(TriangleError, match="too short") as caught:
        solve_triangle(opposite(105, 45, None), (None, 50, None))
    assert (caught.value.kind, caught.value.index) == ("side", 2)
    assert caught.value.low == pytest.approx(105 * math.sin(math.radians(50)))
    assert caught.value.found == 45


@pytest.mark.parametrize(
    ("sides", "area"),
    [
        ((10, 15, 7), 29.3939),
        ((29.7, 42.3, 38.4), 552.3179),
        ((62.4, 43.5, 34.1), 711.4198),
        ((4.38, 3.79, 5.22), 8.1493),
        ((18, 21, 32), 177.5625),
        ((1.6, 2.6, 4.1), 0.9056),
        ((1 / 2, 1 / 3, 1 / 4), 0.0370),
        ((20, 25, 18), 178.2903),
    ],
)
def test_area_is_that_of_heron(sides: tuple[float, float, float], area: float) -> None:
    (triangle,) = solve_triangle(sides, NONE)
    assert triangle.area == pytest.approx(area, abs=1e-4)


def test_a_frame_with_a_steep_seat_tube() -> None:
    # Common practice, no source: 335 and 570 with 51.5° between them give 446.5, 35.95° and 92.55°.
    (triangle,) = solve_triangle((None, 570, 335), (None, None, 51.5))
    assert triangle.sides[0] == pytest.approx(446.5, abs=0.1)
    assert triangle.angles == pytest.approx((92.55, 35.95, 51.5), abs=0.01)
