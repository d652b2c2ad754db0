"""Pieces that are cut apart: seams at their parts, and the bands between two lines."""

from __future__ import annotations

from math import cos, pi, sin

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oaktag.geometry import GeometryError, Line, Path
from oaktag.pattern import Edge, Piece
from oaktag.pattern.walk import run_of
from oaktag.plugin.kit import example_draft
from oaktag_plugins.drafting.assembled import band_edges, mated, warp_of
from oaktag_plugins.drafting.split import SplitError, split_outline

DRAFT = example_draft("measure.reconcile", "outline.clear", "corners.round", "panel.pair")
PANEL = DRAFT.piece("side-panel-drive")
BOX = PANEL.seam_line.bounds
SETTINGS = settings(deadline=None, derandomize=True)


def area(edges: tuple[Edge, ...]) -> float:
    return abs(Path(tuple(segment for edge in edges for segment in edge.path.segments)).area)


@SETTINGS
@given(
    x=st.floats(0.2, 0.8),
    y=st.floats(0.2, 0.8),
    angle=st.floats(0.0, 2.0 * pi),
    left=st.floats(-30.0, 60.0),
    width=st.floats(2.0, 60.0),
)
def test_a_band_is_what_the_halves_beside_it_leave(
    x: float, y: float, angle: float, left: float, width: float
) -> None:
    origin = (BOX.min_x + x * BOX.width, BOX.min_y + y * BOX.height)
    along = (2.0 * cos(angle), 2.0 * sin(angle))
    try:
        band = band_edges(PANEL.edges, origin, along, ("upper", left), ("lower", left - width))
        middle = (
            origin[0] - sin(angle) * (left - 0.5 * width),
            origin[1] + cos(angle) * (left - 0.5 * width),
        )
        split = split_outline(PANEL.edges, middle, along, width)
    except SplitError:
        assume(False)
    whole = area(PANEL.edges)
    assert area(band) + area(split.left.edges) + area(split.right.edges) == pytest.approx(whole, abs=1e-6)
    assert {edge.name for edge in band if not edge.of} <= {"upper", "lower"}
    for edge in band:
        if edge.of:
            assert PANEL.edge(edge.of).path.nearest(edge.path.point_at(0.5 * edge.length))[1] < 1e-6


@SETTINGS
@given(first=st.floats(0.0, 1.0), last=st.floats(0.0, 1.0))
def test_a_line_on_an_edge_is_sewn_where_it_lies(first: float, last: float) -> None:
    assume(abs(first - last) > 0.01)
    edge = PANEL.edge("top-tube")
    start, end = (edge.path.point_at(share * edge.length) for share in (first, last))
    other = Piece("other", "other", (Edge("line", Path((Line(start, end),))),), "shell")
    seam = mated("seam", PANEL, "top-tube", other, "line", "layer")
    a, b = run_of(PANEL, seam.a), run_of(other, seam.b)
    assert a.length == pytest.approx(b.length)
    assert a.start == pytest.approx(b.start)
    assert a.end == pytest.approx(b.end)
    whole = mated("seam", PANEL, "top-tube", PANEL, "top-tube", "layer")
    assert (whole.a.length, whole.b.reverse) == (None, False)


def test_a_line_that_lies_elsewhere_is_no_mate() -> None:
    start, end = PANEL.edge("top-tube").path.start, PANEL.edge("top-tube").path.end
    off = Path((Line((start[0], start[1] - 1.0), (end[0], end[1] - 1.0)),))
    other = Piece("other", "other", (Edge("line", off),), "shell")
    with pytest.raises(GeometryError, match="off top-tube"):
        mated("seam", PANEL, "top-tube", other, "line", "layer")


def test_the_warp_lies_along_the_top_tube_the_strip_or_the_longest_edge() -> None:
    assert warp_of(PANEL)[1] == "the warp, which lies along top-tube"
    down = PANEL.edge("down-tube").path
    renamed = tuple(Edge(e.name.replace("top-tube", "upper"), e.path) for e in PANEL.edges)
    assert warp_of(PANEL.evolve(edges=renamed))[1] == "the warp, which lies along down-tube"
    grain = Line(down.start, down.end)
    assert warp_of(PANEL.evolve(grain=grain)) == (grain.direction, "the grain")
