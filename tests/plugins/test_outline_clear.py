"""`outline.clear`: the gap between the tubes and the bag."""

from __future__ import annotations

import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import Arc, Line, Point, distance
from oaktag.pattern import Draft, Outline
from oaktag.plugin.kit import example_draft
from oaktag_plugins.outline_clear import ClearOptions, largest_gap, run, width_sigma
from oaktag_plugins.surveying.estimate import estimated

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=60)

# Legs of 300 and 400 mm on the axes: the inscribed circle has the radius (300 + 400 − 500) / 2.
RIGHT: tuple[Point, ...] = ((0.0, 300.0), (400.0, 0.0), (0.0, 0.0))


def right_triangle() -> Draft:
    return drafts.polygon(RIGHT, corners=drafts.CORNERS, tubes=drafts.TUBES)


def cleared(draft: Draft, gap: object) -> Outline:
    outline = run(draft, ClearOptions.model_validate({"gap": gap})).outline
    assert outline is not None
    return outline


def corners_of(outline: Outline) -> list[Point]:
    return [edge.path.start for edge in outline.edges]


def test_no_gap_leaves_the_opening() -> None:
    assert corners_of(cleared(right_triangle(), 0)) == [pytest.approx(point, abs=1e-9) for point in RIGHT]


def test_one_gap_all_round_shrinks_a_triangle_about_its_incentre() -> None:
    # Sides stay parallel, so the triangle keeps its shape: scaled by (r − gap) / r about the incentre.
    outline = cleared(right_triangle(), 10.0)
    assert [edge.length for edge in outline.edges] == pytest.approx([450.0, 360.0, 270.0])
    assert outline.path.clockwise
    assert [edge.name for edge in outline.edges] == list(drafts.TUBES)


def test_each_tube_has_its_own_gap() -> None:
    gaps = {"default": 4.0, "seat-tube": 7.0, "down-tube": 0.0}
    outline = cleared(right_triangle(), gaps)
    ends = {edge.name: (edge.path.start, edge.path.end) for edge in outline.edges}
    assert [point[0] for point in ends["seat-tube"]] == pytest.approx([7.0, 7.0])
    assert [point[1] for point in ends["down-tube"]] == pytest.approx([0.0, 0.0], abs=1e-9)
    # The top tube, from (0, 300) to (400, 0), lies on 3 x + 4 y = 1200.
    away = [(1200 - 3 * x - 4 * y) / 5 for x, y in ends["top-tube"]]
    assert away == pytest.approx([4.0, 4.0])


@given(
    st.floats(250, 450),
    st.floats(250, 600),
    st.floats(35, 110),
    st.tuples(*(st.floats(0, 12) for _ in range(3))),
)
@SETTINGS
def test_every_side_is_its_gap_away_from_its_tube(
    seat: float, down: float, angle: float, gaps: tuple[float, float, float]
) -> None:
    draft = drafts.triangle(seat, down, angle)
    outline = cleared(draft, dict(zip(drafts.TUBES, gaps, strict=True)))
    assert draft.opening is not None
    for tube, gap in zip(drafts.TUBES, gaps, strict=True):
        side = draft.opening.edge(tube).path
        (ax, ay), (bx, by) = side.start, side.end
        for x, y in (outline.edge(tube).path.start, outline.edge(tube).path.end):
            # The inside lies to the right of travel.
            away = ((bx - ax) * (ay - y) - (by - ay) * (ax - x)) / math.hypot(bx - ax, by - ay)
            assert away == pytest.approx(gap, abs=1e-6)


def test_a_bowed_tube_keeps_its_centre() -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0, sagittas={"top-tube": 15.0})
    assert draft.opening is not None
    (bow,) = draft.opening.edge("top-tube").path.segments
    kept = [s for s in cleared(draft, 5.0).edge("top-tube").path.segments if isinstance(s, Arc)]
    assert isinstance(bow, Arc)
    assert len(kept) == 1
    assert distance(kept[0].center, bow.center) < 1e-9
    # Bowed upwards, away from the bag: the tube's underside is hollow, and nearer to its centre inside it.
    assert kept[0].radius == pytest.approx(bow.radius - 5.0)


def test_a_hollow_opening_keeps_its_distance_too() -> None:
    points = ((0.0, 300.0), (200.0, 150.0), (400.0, 300.0), (400.0, 0.0), (0.0, 0.0))
    outline = cleared(drafts.polygon(points), 6.0)
    assert all(isinstance(s, Line) for edge in outline.edges for s in edge.path.segments)
    opening = drafts.polygon(points).opening
    assert opening is not None
    away = min(side.path.nearest(p)[1] for side in opening.edges for p in outline.path.flatten(0.1))
    assert away == pytest.approx(6.0, abs=1e-6)


def test_a_gap_that_swallows_the_opening_is_refused() -> None:
    said = drafts.refusal(lambda: cleared(right_triangle(), 120.0), "gap")
    assert "100.0 mm" in said.valid  # the inscribed circle's radius
    assert "top-tube 120 mm" in said.found
    drafts.refusal(lambda: cleared(right_triangle(), {"default": 5.0, "down-tube": 299.0}), "gap")


def test_just_less_than_the_largest_gap_leaves_something() -> None:
    draft = right_triangle()
    assert draft.opening is not None
    room = largest_gap(draft.opening)
    assert room == pytest.approx(100.0, abs=0.05)
    assert cleared(draft, room - 1.0).path.length < 20.0


def test_a_gap_of_a_tube_that_is_not_there_is_refused() -> None:
    said = drafts.refusal(lambda: cleared(right_triangle(), {"default": 5.0, "top-tub": 3.0}), "gap.top-tub")
    assert "top-tube" in said.todo


def test_a_table_that_leaves_a_tube_out_is_refused() -> None:
    said = drafts.refusal(lambda: cleared(right_triangle(), {"top-tube": 3.0}), "gap")
    assert "down-tube" in said.reason


def test_foam_comes_on_top_of_the_gap() -> None:
    options = ClearOptions.model_validate({"gap": 4.0, "foam": {"default": 0.0, "seat-tube": 6.0}})
    outline = run(right_triangle(), options).outline
    assert outline is not None
    seat, down = outline.edge("seat-tube").path, outline.edge("down-tube").path
    assert [seat.start[0], seat.end[0]] == pytest.approx([10.0, 10.0])
    assert [down.start[1], down.end[1]] == pytest.approx([4.0, 4.0])


def test_foam_that_swallows_the_opening_or_names_no_tube_is_refused() -> None:
    def cleared_with(foam: object) -> Draft:
        return run(right_triangle(), ClearOptions.model_validate({"gap": 4.0, "foam": foam}))

    said = drafts.refusal(lambda: cleared_with(120.0), "gap")
    assert "foam" in said.reason
    assert "top-tube 124 mm" in said.found
    drafts.refusal(lambda: cleared_with({"default": 0.0, "set-tube": 3.0}), "foam.set-tube")


# The recommended least gap.


def width_square_to(points: np.ndarray, tube: int) -> np.ndarray:
    """Greatest distance of a corner from a tube's line, for many polygons (k, n, 2)."""
    a, b = points[:, tube], points[:, (tube + 1) % points.shape[1]]
    ahead = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
    away = points - a[:, None]
    square = np.abs(ahead[:, None, 0] * away[..., 1] - ahead[:, None, 1] * away[..., 0])
    return np.asarray(square.max(axis=1))


@pytest.mark.parametrize("tube", range(4))
def test_the_width_square_to_a_tube_is_as_uncertain_as_many_simulated_openings(tube: int) -> None:
    source = np.random.default_rng(4)
    points = np.array([(0.0, 310.0), (410.0, 340.0), (450.0, 250.0), (20.0, 0.0)])
    root = source.normal(size=(8, 8))
    covariance = root @ root.T
    errors = source.multivariate_normal(np.zeros(8), covariance, size=40_000).reshape(-1, 4, 2)
    simulated = float(np.std(width_square_to(points + 0.01 * errors, tube))) / 0.01
    stated = width_sigma([(float(x), float(y)) for x, y in points], covariance.tolist(), tube)
    assert stated == pytest.approx(simulated, rel=0.02)


def test_a_gap_below_twice_the_standard_uncertainty_is_reported_with_the_least() -> None:
    draft = example_draft("measure.reconcile")
    assert draft.survey is not None
    assert draft.opening is not None
    points = [corner.point for corner in draft.opening.corners]
    sigmas = [width_sigma(points, draft.survey.covariance, tube) for tube in range(3)]
    assert all(0.2 < sigma < 3.0 for sigma in sigmas)
    off = (-0.01, 0.01, -0.01)
    gaps = {tube: 2 * s + d for tube, s, d in zip(drafts.TUBES, sigmas, off, strict=True)}
    found = run(draft, ClearOptions.model_validate({"gap": gaps})).findings[len(draft.findings) :]
    assert [(f.level, f.code, f.where) for f in found] == [
        ("warning", "gap-small", "top-tube"),
        ("warning", "gap-small", "seat-tube"),
    ]
    for finding, sigma in ((found[0], sigmas[0]), (found[1], sigmas[2])):
        assert f"{sigma:.2f} mm" in finding.message
        assert f"{2 * sigma:.1f} mm" in finding.message


def test_foam_is_no_gap() -> None:
    draft = example_draft("measure.reconcile")
    options = ClearOptions.model_validate({"gap": 0.0, "foam": 10.0})
    found = run(draft, options).findings[len(draft.findings) :]
    assert [f.code for f in found] == ["gap-small"] * 3


def test_better_readings_need_a_smaller_gap_and_no_survey_says_nothing() -> None:
    draft = drafts.triangle(400.0, 560.0, 55.0)
    assert draft.opening is not None
    points = [corner.point for corner in draft.opening.corners]
    assert run(draft, ClearOptions.model_validate({"gap": 0.0})).findings == ()
    for sigma, count in ((0.5, 0), (4.0, 3)):
        surveyed = estimated(draft.evolve(opening=None), points, sigma**2 * np.eye(6))
        found = run(surveyed, ClearOptions.model_validate({"gap": 3.0})).findings
        assert [f.code for f in found].count("gap-small") == count
