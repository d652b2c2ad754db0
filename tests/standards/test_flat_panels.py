"""Planes through heights: deleted residuals e/(1 − h).

Cook and Weisberg, Residuals and Influence in Regression, 1982, section 2.2 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag_plugins.check_flatness import HeightAt, best_plane, cures


@given(
    places=st.lists(
        st.tuples(st.integers(-60, 60), st.integers(-60, 60)), min_size=5, max_size=7, unique=True
    ),
    seed=st.integers(0, 10_000),
)
@settings(deadline=None, derandomize=True, max_examples=60)
def test_a_cure_is_the_deleted_residual(places: list[tuple[int, int]], seed: int) -> None:
    points = 5.0 * np.array(places, dtype=float)
    heights = np.random.default_rng(seed).uniform(15.0, 45.0, len(points))
    matrix = np.column_stack([np.ones(len(points)), points])
    assume(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] > 50.0)
    hat = matrix @ np.linalg.pinv(matrix)
    leverage = np.diag(hat)
    # With a leverage of 1 the others lie on one line, and any height does.
    assume(leverage.max() < 0.98)
    deleted = (heights - hat @ heights) / (1.0 - leverage)
    corners = [
        HeightAt(str(index), (float(x), float(y)), float(height))
        for index, ((x, y), height) in enumerate(zip(points, heights, strict=True))
    ]
    found = {cure.name: cure for cure in cures(corners)}
    for index, residual in enumerate(deleted):
        if str(index) not in found:
            continue
        cure = found[str(index)]
        assert cure.now == pytest.approx(2.0 * heights[index])
        assert cure.width == pytest.approx(2.0 * (heights[index] - residual), abs=1e-6)
    assert len(found) >= len(corners) - 1


def test_four_corners_of_a_rectangle_bow_by_a_quarter_of_their_twist() -> None:
    """At a rectangle's corners the residuals are ±(h₁ − h₂ + h₃ − h₄)/4: the two diagonals' sums differ."""
    twist = 12.0
    points = ((0.0, 0.0), (0.0, 200.0), (500.0, 200.0), (500.0, 0.0))
    heights = [30.0 + twist, 30.0, 30.0, 30.0]
    corners = [
        HeightAt(str(index), point, height)
        for index, (point, height) in enumerate(zip(points, heights, strict=True))
    ]
    plane = best_plane(corners)
    assert plane is not None
    off = [corner.half - plane.height(corner.point) for corner in corners]
    assert off == pytest.approx([twist / 4, -twist / 4, twist / 4, -twist / 4])
    # Each corner alone could take the whole twist.
    assert [cure.width - cure.now for cure in cures(corners)] == pytest.approx(
        [-2 * twist, 2 * twist, -2 * twist, 2 * twist]
    )
