"""`measure.compartments`: litres on either side of walls."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon
from shapely.ops import split

from oaktag.geometry import Line, Path
from oaktag.pattern import Draft, PlacementLine
from oaktag.plugin.kit import example_draft, run_stage
from oaktag_plugins.measure_compartments import part_volumes

BARE = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
CONSTANT = run_stage("gusset.wrap", BARE, width=dict.fromkeys(("top-tube", "down-tube", "seat-tube"), 50))
BAG = run_stage("gusset.wrap", BARE)
ACROSS = {"from": {"tube": "top-tube", "at": 0.5}, "to": {"tube": "down-tube", "at": 0.55}}
SETTINGS = settings(deadline=None, derandomize=True, max_examples=8)


def measured(bag: Draft, *lines: Mapping[str, object]) -> Draft:
    draft = bag
    for number, line in enumerate(lines, 1):
        draft = run_stage("divider.wall", draft, name=f"wall-{number}", line=line)
    return run_stage("measure.compartments", run_stage("measure.volume", draft))


@SETTINGS
@given(st.floats(0.2, 0.8), st.floats(0.2, 0.8))
def test_with_one_width_they_are_areas_times_it(first: float, second: float) -> None:
    line = {"from": {"tube": "top-tube", "at": first}, "to": {"tube": "down-tube", "at": second}}
    draft = measured(CONSTANT, line)
    outline = CONSTANT.outline_of("").path.polygon(0.001)
    wall = draft.piece("side-panel-drive").placement("wall-1").path
    (x0, y0), (x1, y1) = wall.start, wall.end
    reach = LineString([(x0 - 9 * (x1 - x0), y0 - 9 * (y1 - y0)), (x1 + 9 * (x1 - x0), y1 + 9 * (y1 - y0))])
    areas = sorted(part.area for part in split(outline, reach).geoms)
    assert sorted(one.litres for one in draft.compartments) == pytest.approx(
        [50 * area / 1e6 for area in areas], rel=1e-5
    )
    assert sum(one.litres for one in draft.compartments) == pytest.approx(draft.volume, rel=1e-3)


def test_a_linear_width_is_integrated_exactly() -> None:
    """Over a triangle the integral of a linear function is the area times its mean at the corners."""
    corners = [(0.0, 0.0), (300.0, 0.0), (260.0, 220.0), (30.0, 200.0)]
    around = Path.polyline(corners, closed=True)

    def plane(x: float, y: float) -> float:
        return 40.0 + 0.05 * x - 0.03 * y

    parts = [Path.polyline([corners[i] for i in three], closed=True) for three in ((0, 1, 2), (0, 2, 3))]
    whole, found = part_volumes(around, lambda s: plane(*around.point_at(s)), (), parts)
    for three, volume in zip(((0, 1, 2), (0, 2, 3)), found, strict=True):
        points = [corners[i] for i in three]
        mean = sum(plane(*point) for point in points) / 3
        assert volume == pytest.approx(Polygon(points).area * mean, rel=1e-9)
    assert sum(found) == pytest.approx(whole, rel=1e-9)


def test_a_harmonic_width_against_a_sum_over_a_grid() -> None:
    """The real part of an analytic function is harmonic: its boundary values give it back inside."""
    corners = [(0.0, 0.0), (300.0, 0.0), (280.0, 200.0), (0.0, 240.0)]
    around = Path.polyline(corners, closed=True)

    def harmonic(x: float, y: float) -> float:
        return 50.0 + 12.0 * math.exp(x / 150.0) * math.cos(y / 150.0)

    cut = [(0.0, 0.0), (300.0, 0.0), (290.0, 100.0), (0.0, 120.0)]
    rest = [(0.0, 120.0), (290.0, 100.0), (280.0, 200.0), (0.0, 240.0)]
    parts = [Path.polyline(points, closed=True) for points in (cut, rest)]
    whole, found = part_volumes(around, lambda s: harmonic(*around.point_at(s)), (), parts, 1e-5)
    nodes, weights = np.polynomial.legendre.leggauss(30)
    for (a, b, c, d), volume in zip((cut, rest), found, strict=True):
        # Bilinear map of the square onto the quadrilateral.
        total = 0.0
        for u, wu in zip(0.5 * (nodes + 1), 0.5 * weights, strict=True):
            for v, wv in zip(0.5 * (nodes + 1), 0.5 * weights, strict=True):
                place = [
                    (1 - u) * (1 - v) * a[i] + u * (1 - v) * b[i] + u * v * c[i] + (1 - u) * v * d[i]
                    for i in (0, 1)
                ]
                du = [(1 - v) * (b[i] - a[i]) + v * (c[i] - d[i]) for i in (0, 1)]
                dv = [(1 - u) * (d[i] - a[i]) + u * (c[i] - b[i]) for i in (0, 1)]
                total += wu * wv * abs(du[0] * dv[1] - du[1] * dv[0]) * harmonic(*place)
        assert volume == pytest.approx(total, rel=1e-4)
    assert sum(found) == pytest.approx(whole, rel=1e-4)


@SETTINGS
@given(st.floats(0.25, 0.45), st.floats(0.55, 0.75), st.floats(0.3, 0.6))
def test_parts_add_up_to_the_whole(first: float, second: float, third: float) -> None:
    draft = measured(
        BAG,
        {"from": {"tube": "top-tube", "at": first}, "to": {"tube": "down-tube", "at": 0.7}},
        {"from": {"tube": "top-tube", "at": second}, "to": {"tube": "down-tube", "at": 0.3 * third}},
    )
    assert draft.volume is not None
    assert len(draft.compartments) == 3
    assert sum(one.litres for one in draft.compartments) == pytest.approx(draft.volume, rel=1e-3)
    assert draft.findings[-1].code == "compartments-measured"


def test_they_are_named_by_where_they_lie() -> None:
    draft = measured(BAG, ACROSS)
    assert {one.name for one in draft.compartments} == {"in front of wall-1", "behind wall-1"}
    rear = next(one.litres for one in draft.compartments if one.name == "behind wall-1")
    further = {**ACROSS, "from": {"tube": "top-tube", "at": 0.6}}
    moved = next(one for one in measured(BAG, further).compartments if one.name == "behind wall-1")
    assert moved.litres > rear
    shelf = measured(BAG, {"parallel-to": "top-tube", "distance": 90})
    assert {one.name for one in shelf.compartments} == {"above wall-1", "below wall-1"}


def test_what_can_not_be_measured_is_said() -> None:
    assert measured(BAG).compartments == ()
    draft = run_stage("divider.wall", BAG, line=ACROSS)
    open_ = draft.evolve(seams=tuple(seam for seam in draft.seams if seam.kind != "shell"))
    draft = run_stage("measure.compartments", open_)
    assert draft.findings[-1].code == "compartments-not-measured"
    assert draft.compartments == ()
    panel = BAG.piece("side-panel-drive")
    line = PlacementLine("wall", Path((Line((900.0, 900.0), (990.0, 990.0)),)), "divider", "inside")
    draft = run_stage("measure.compartments", BAG.replaced(panel.evolve(placements=(line,))))
    assert (draft.findings[-1].level, draft.findings[-1].code) == ("warning", "compartments-not-measured")
