"""The view of a plane against published formulas and against another implementation."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from oaktag_plugins.sources.homography import View, view_of

Array = NDArray[np.float64]

SETTINGS = settings(deadline=None, derandomize=True, max_examples=100)

SHEET = np.array([(0.0, 210.0), (297.0, 210.0), (297.0, 0.0), (0.0, 0.0)])
"""Corners of an A4 sheet (ISO 216), from top left, clockwise as seen."""


def exact(points: Array, pixels: Array) -> View:
    """The view of points without errors of their own."""
    return view_of(points, pixels, 1.0, np.zeros((2 * len(points), 2 * len(points))))


def camera(tilt: float, pan: float, roll: float, far: float, focus: float = 3200.0) -> Array:
    """The homography (3, 3) of a pinhole camera before the plane z = 0, all angles in radians."""
    (a, b), (c, d), (e, f) = ((math.cos(angle), math.sin(angle)) for angle in (tilt, pan, roll))
    about_x = np.array([[1, 0, 0], [0, a, -b], [0, b, a]])
    about_y = np.array([[c, 0, d], [0, 1, 0], [-d, 0, c]])
    about_z = np.array([[e, -f, 0], [f, e, 0], [0, 0, 1]])
    # The picture's y points downward, and the camera looks at a place near the middle of a frame.
    turn = np.diag([1.0, -1.0, 1.0]) @ about_x @ about_y @ about_z
    middle = np.array([180.0, 200.0, 0.0])
    rows = np.column_stack((turn[:, :2], np.array([0.0, 0.0, far]) - turn @ middle))
    return np.asarray(np.array([[focus, 0.0, 2000.0], [0.0, focus, 1500.0], [0.0, 0.0, 1.0]]) @ rows)


def seen(matrix: Array, points: Array) -> Array:
    image = np.column_stack((points, np.ones(len(points)))) @ matrix.T
    return np.asarray(image[:, :2] / image[:, 2:])


VIEWS = st.tuples(
    st.floats(-0.7, 0.7), st.floats(-0.7, 0.7), st.floats(-math.pi, math.pi), st.floats(1500.0, 4000.0)
)


@given(VIEWS, st.integers(0, 2**32 - 1))
@SETTINGS
def test_a_pinhole_camera_is_recovered(pose: tuple[float, float, float, float], seed: int) -> None:
    """A plane is seen by K [r1 r2 t]: Hartley and Zisserman, Multiple View Geometry, section 8.1.1."""
    matrix = camera(*pose)
    view = exact(SHEET, seen(matrix, SHEET))
    assert view.matrix == pytest.approx(matrix / matrix[2, 2], rel=1e-6, abs=1e-8)
    points = np.random.default_rng(seed).uniform(-150.0, 500.0, (20, 2))
    assert view.points_of(seen(matrix, points)) == pytest.approx(points, abs=1e-5)
    assert view.pixels_of(points) == pytest.approx(seen(matrix, points), abs=1e-6)


@given(st.lists(st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)), min_size=4, max_size=4))
@SETTINGS
def test_the_unit_square_follows_the_closed_form(shifts: list[tuple[float, float]]) -> None:
    """P. Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989, section 2.2.3 (from memory)."""
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    flipped = np.array([(0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0)])
    corners = 400.0 * (flipped + np.array(shifts)) + 50.0
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = corners.tolist()
    dx1, dx2, sx = x1 - x2, x3 - x2, x0 - x1 + x2 - x3
    dy1, dy2, sy = y1 - y2, y3 - y2, y0 - y1 + y2 - y3
    under = dx1 * dy2 - dx2 * dy1
    g, h = (sx * dy2 - dx2 * sy) / under, (dx1 * sy - sx * dy1) / under
    published = np.array(
        [
            [x1 - x0 + g * x1, x3 - x0 + h * x3, x0],
            [y1 - y0 + g * y1, y3 - y0 + h * y3, y0],
            [g, h, 1.0],
        ]
    )
    assert exact(square, corners).matrix == pytest.approx(published, rel=1e-8, abs=1e-7)


@given(VIEWS)
@SETTINGS
def test_the_cross_ratio_of_four_points_on_a_line_stays(pose: tuple[float, float, float, float]) -> None:
    """What every projectivity keeps: Hartley and Zisserman, Multiple View Geometry, 2nd ed., section 2.5."""
    along = np.array([0.0, 130.0, 270.0, 540.0])
    line = np.column_stack((-40.0 + 0.8 * along, 10.0 + 0.6 * along))
    view = exact(SHEET, seen(camera(*pose), SHEET))
    pixels = view.pixels_of(line)
    steps = np.hypot(*(pixels - pixels[0]).T)

    def ratio(a: float, b: float, c: float, d: float) -> float:
        return (c - a) * (d - b) / ((c - b) * (d - a))

    assert ratio(*steps.tolist()) == pytest.approx(ratio(*along.tolist()), rel=1e-7)


@given(VIEWS)
@SETTINGS
def test_four_points_agree_with_opencv(pose: tuple[float, float, float, float]) -> None:
    pixels = seen(camera(*pose), SHEET)
    rounded = pixels.astype(np.float32)
    theirs = np.asarray(cv2.getPerspectiveTransform(SHEET.astype(np.float32), rounded), dtype=float)
    frame = np.array([(-80.0, 410.0), (440.0, 400.0), (10.0, -20.0)])
    assert exact(SHEET, rounded.astype(float)).pixels_of(frame) == pytest.approx(
        seen(theirs, frame), abs=1e-3
    )


@given(VIEWS, st.integers(5, 16), st.integers(0, 2**32 - 1))
@SETTINGS
def test_more_points_agree_with_opencv_once_both_are_refined(
    pose: tuple[float, float, float, float], count: int, seed: int
) -> None:
    """Both minimise the squared distance in the picture: Hartley and Zisserman, section 4.2.3."""
    chance = np.random.default_rng(seed)
    corners = np.array([(-120.0, 430.0), (520.0, 420.0), (530.0, -40.0), (-90.0, -30.0)])
    points = np.vstack((corners, chance.uniform(-100.0, 500.0, (count - 4, 2))))
    pixels = seen(camera(*pose), points) + chance.normal(0.0, 1.5, (count, 2))
    view = exact(points, pixels)
    theirs, _ = cv2.findHomography(points, pixels, 0)
    off = seen(np.asarray(theirs, dtype=float), points) - pixels
    ours = float((view.residuals**2).sum())
    assert ours <= float((off**2).sum()) * (1.0 + 1e-9)
    assert view.residuals == pytest.approx(off, abs=2e-3)
    assert view.pixels_of(points) - pixels == pytest.approx(view.residuals, abs=1e-6)


@given(VIEWS, st.integers(6, 12), st.integers(0, 2**32 - 1))
@settings(deadline=None, derandomize=True, max_examples=25)
def test_nothing_nearby_fits_better(pose: tuple[float, float, float, float], count: int, seed: int) -> None:
    """The weighted square sum grows in every direction from the adjusted parameters."""
    chance = np.random.default_rng(seed)
    corners = np.array([(-120.0, 430.0), (520.0, 420.0), (530.0, -40.0), (-90.0, -30.0)])
    points = np.vstack((corners, chance.uniform(-100.0, 500.0, (count - 4, 2))))
    spread = np.diag(chance.uniform(0.1, 3.0, 2 * count))
    pixels = seen(camera(*pose), points) + chance.normal(0.0, 1.5, (count, 2))
    view = view_of(points, pixels, 1.5, spread)
    weights = np.linalg.inv(view.noise)

    def misfit(matrix: Array) -> float:
        off = (seen(matrix, points) - pixels).ravel()
        return float(off @ weights @ off)

    best = misfit(view.matrix)
    assert best == pytest.approx(view.misfit, rel=1e-6)
    for place in np.ndindex(3, 3):
        if place != (2, 2):
            for share in (-1e-4, 1e-4):
                moved = view.matrix.copy()
                moved[place] *= 1.0 + share
                assume(moved[place] != view.matrix[place])
                assert misfit(moved) > best
