"""`check.flatness`: widths that let a panel lie flat, widths that don't, and the width that would."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from oaktag import Refusal
from oaktag.geometry import Point
from oaktag.pattern import Draft, Finding
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.check_flatness import (
    HeightAt,
    best_plane,
    corner_heights,
    cures,
    half_width,
    largest_residual,
)

if TYPE_CHECKING:
    from tests.plugins import drafts
else:
    drafts = SimpleNamespace(**run_path(str(Path(__file__).with_name("drafts.py"))))

SETTINGS = settings(deadline=None, derandomize=True, max_examples=10)
FOUR: tuple[Point, ...] = ((0.0, 300.0), (420.0, 330.0), (470.0, 240.0), (60.0, -20.0))


def bag(points: Sequence[Point], widths: Sequence[float], radius: float = 0.0, gap: float = 0.0) -> Draft:
    """A bag with one width at each corner, straight along the seam between them."""
    count = len(points)
    stations = [
        (f"tube-{index}", share, widths[(index + int(share)) % count])
        for index in range(count)
        for share in (0.0, 1.0)
    ]
    return drafts.wrapped(drafts.polygon(points, stations), gap, radius, between="linear", slope_limit=0.9)


def checked(draft: Draft, **options: Any) -> tuple[Finding, ...]:
    return run_stage("check.flatness", draft, **options).findings[len(draft.findings) :]


def affine(a: float, b: float, c: float) -> list[float]:
    return [2.0 * (a + b * x + c * y) for x, y in FOUR]


def off(finding: Finding) -> list[float]:
    return [float(found) for found in re.findall(r"by (\d+\.\d) mm", finding.message)]


@given(a=st.floats(25.0, 40.0), b=st.floats(-0.02, 0.02), c=st.floats(-0.02, 0.02))
@SETTINGS
def test_widths_that_change_evenly_over_the_panel_let_it_lie_flat(a: float, b: float, c: float) -> None:
    draft = bag(FOUR, affine(a, b, c))
    (finding,) = checked(draft)
    assert (finding.level, finding.code) == ("note", "panel-flat")
    assert "by 0.0 mm at most at the corners, by 0.0 mm at most all along" in finding.message


@given(corner=st.integers(0, 3), more=st.sampled_from([-16.0, -9.0, 9.0, 16.0]))
@SETTINGS
def test_one_wrong_corner_of_four_is_found_and_every_cure_cures(corner: int, more: float) -> None:
    right = affine(30.0, 0.01, -0.015)
    widths = [width + more * (index == corner) for index, width in enumerate(right)]
    draft = bag(FOUR, widths)
    outline = draft.outline
    assert outline is not None
    heights = corner_heights(draft, outline, half_width(draft, outline))
    assert [height.name for height in heights] == ["corner-1", "corner-2", "corner-3", "corner-0"]
    found = {cure.name: cure for cure in cures(heights)}
    assert found[f"corner-{corner}"].width == pytest.approx(right[corner], abs=1e-6)
    for index in range(4):
        cure = found[f"corner-{index}"]
        assert cure.now == pytest.approx(widths[index], abs=1e-6)
        assert cure.left == pytest.approx(0.0, abs=1e-6)
        if cure.width > 5.0:
            cured = [cure.width if other == index else width for other, width in enumerate(widths)]
            again = corner_heights(after := bag(FOUR, cured), outline, half_width(after, outline))
            plane = best_plane(again)
            assert plane is not None
            assert largest_residual(again, plane)[1] == pytest.approx(0.0, abs=1e-6)


def test_the_warning_says_how_far_where_and_the_best_cure() -> None:
    widths = affine(30.0, 0.0, 0.0)
    draft = bag(FOUR, [widths[0] + 20.0, *widths[1:]])
    (finding,) = (f for f in checked(draft, tolerance=0.5, tolerance_along=50) if f.level == "warning")
    assert finding.code == "panel-not-flat"
    # By normal equations of our own: the residuals of a plane through four heights.
    matrix = np.array([[1.0, x, y] for x, y in FOUR])
    heights = np.array([40.0, 30.0, 30.0, 30.0])
    rest = heights - matrix @ np.linalg.solve(matrix.T @ matrix, matrix.T @ heights)
    assert f"bow by {np.abs(rest).max():.1f} mm, most at corner-{np.abs(rest).argmax()}" in finding.message
    # The smallest change stands first.
    offered = [
        (float(to), float(now))
        for to, now in re.findall(r"(\d+\.\d) (?:mm instead of|for) (\d+\.\d) mm", finding.message)
    ]
    assert [to - now for to, now in offered] == sorted((to - now for to, now in offered), key=abs)
    assert f"{60.0:.1f} for {80.0:.1f} mm at corner-0" in finding.message or (
        "60.0 mm instead of 80.0 mm wide at corner-0" in finding.message
    )
    assert finding.where == f"corner-{np.abs(rest).argmax()}"
    # Within the tolerance it is a note.
    limit = float(np.abs(rest).max())
    levels = [checked(draft, tolerance=limit * by, tolerance_along=50)[0].level for by in (0.99, 1.01)]
    assert levels == ["warning", "note"]
    (note,) = checked(draft, tolerance=20, tolerance_along=50)
    assert (note.level, note.code) == ("note", "panel-flat")
    assert off(note)[0] == pytest.approx(np.abs(rest).max(), abs=0.051)


@given(
    points=st.lists(
        st.tuples(st.floats(-300, 300), st.floats(-300, 300), st.floats(15, 45)), min_size=5, max_size=8
    )
)
@SETTINGS
def test_the_plane_is_the_one_of_least_squares(points: list[tuple[float, float, float]]) -> None:
    heights = [HeightAt(str(index), (x, y), h) for index, (x, y, h) in enumerate(points)]
    plane = best_plane(heights)
    x, y, h = np.array(points).T
    spread = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]), compute_uv=False)
    if plane is None:
        assert spread[1] <= 1e-3 * spread[0] + 1e-9
        return
    found = least_squares(lambda p: p[0] + p[1] * x / 100 + p[2] * y / 100 - h, [0.0, 0.0, 0.0])
    ours = np.array([plane.height((px, py)) for px, py in zip(x, y, strict=True)])
    assert np.sum((ours - h) ** 2) == pytest.approx(2.0 * found.cost, rel=1e-6, abs=1e-6)


def test_three_corners_always_lie_flat_there_and_may_bow_between() -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5))
    warning_and_note = checked(draft, tolerance_along=0.5)
    assert [(f.level, f.code) for f in warning_and_note] == [
        ("note", "panel-flat"),
        ("warning", "panel-bows-along"),
    ]
    assert off(warning_and_note[0])[0] == 0.0
    assert "Three corners always lie in one plane" in warning_and_note[0].message
    told = warning_and_note[1]
    place = re.search(
        r"by (\d+\.\d) mm at most all along the seam, (\d+) mm along ([a-z:-]+)\.", told.message
    )
    assert place is not None
    assert told.where == place[3]
    # Recomputed from the gusset itself.
    outline = draft.outline
    assert outline is not None
    half = half_width(draft, outline)
    plane = best_plane(corner_heights(draft, outline, half))
    assert plane is not None
    worst = 0.0
    station = 0.0
    for edge in outline.edges:
        for at in np.linspace(0.0, edge.length, 200):
            height = half(station + float(at))
            assert height is not None
            worst = max(worst, abs(height - plane.height(edge.path.point_at(float(at)))))
        station += edge.length
    assert float(place[1]) == pytest.approx(worst, abs=0.1)
    assert [f.code for f in checked(draft, tolerance_along=worst + 0.2)] == ["panel-flat"]


def test_widths_are_taken_in_the_middle_of_a_round_over_several_strips() -> None:
    joins = [{"tube": tube, "at": 0.5} for tube in drafts.TUBES]
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 4.0, 25.0, joins=joins)
    outline = draft.outline
    assert outline is not None
    heights = {h.name: h for h in corner_heights(draft, outline, half_width(draft, outline))}
    assert set(heights) == {"seat", "head", "bottom-bracket"}
    whole = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5), 4.0, 25.0)
    for height in corner_heights(whole, outline, half_width(whole, outline)):
        assert heights[height.name].half == pytest.approx(height.half, abs=1e-5)
        edge = outline.edge(f"corner:{height.name}")
        assert math.dist(height.point, edge.path.point_at(edge.length / 2)) < 1e-9


def test_where_no_gusset_runs_nothing_is_said_about_the_panel() -> None:
    draft = drafts.wrapped(drafts.triangle(335.0, 570.0, 51.5))
    bare = draft.evolve(seams=tuple(replace(seam, kind="liner") for seam in draft.seams))
    (finding,) = checked(bare)
    assert (finding.level, finding.code) == ("note", "flatness-unchecked")


def test_every_body_is_looked_at() -> None:
    draft = example_draft("measure.reconcile", "outline.clear")
    draft = run_stage("body.two", draft, parallel_to="top-tube", distance=140)
    for stage in ("corners.round", "panel.pair", "gusset.wrap"):
        draft = run_stage(stage, draft)
    found = [f for f in checked(draft, tolerance=50, tolerance_along=50) if f.code == "panel-flat"]
    assert [f.where for f in found] == ["upper", "lower"]
    (only,) = checked(draft, tolerance=50, tolerance_along=50, body="lower")
    assert only.where == "lower"


def test_an_unknown_body_is_refused() -> None:
    draft = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair", "gusset.wrap")
    with pytest.raises(Refusal) as caught:
        run_stage("check.flatness", draft, body="upper")
    assert caught.value.key == "body"
    assert next(f.code for f in checked(draft)) == "panel-flat"
