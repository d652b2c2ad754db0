"""Cutting an outline in two: halves and strip add up, and every edge keeps its name and its place."""

from __future__ import annotations

from math import cos, pi, sin

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from oaktag.geometry import Line, Path, distance
from oaktag.pattern import Edge
from oaktag.plugin.kit import example_draft
from oaktag_plugins.drafting.split import Half, SplitError, split_outline

DRAFT = example_draft("measure.reconcile", "outline.clear", "corners.round")
OUTLINE = DRAFT.outline
assert OUTLINE is not None
EDGES = OUTLINE.edges
WHOLE = OUTLINE.path
BOX = WHOLE.bounds


def closed(half: Half) -> Path:
    return Path(tuple(segment for edge in half.edges for segment in edge.path.segments))


@given(
    x=st.floats(0.2, 0.8),
    y=st.floats(0.2, 0.8),
    angle=st.floats(0.0, 2.0 * pi),
    width=st.one_of(st.just(0.0), st.floats(1.0, 30.0)),
    clockwise=st.booleans(),
)
def test_halves_and_strip_add_up_to_the_outline(
    x: float, y: float, angle: float, width: float, clockwise: bool
) -> None:
    edges = EDGES
    if not clockwise:
        edges = tuple(Edge(edge.name, edge.path.reversed()) for edge in reversed(EDGES))
    origin = (BOX.min_x + x * BOX.width, BOX.min_y + y * BOX.height)
    direction = (3.0 * cos(angle), 3.0 * sin(angle))
    try:
        split = split_outline(edges, origin, direction, width)
    except SplitError:
        assume(False)
    left, right = closed(split.left), closed(split.right)
    strip = 0.0 if split.strip is None else abs(split.strip.area)
    assert (split.strip is None) == (width == 0.0)
    assert abs(left.area) + abs(right.area) + strip == pytest.approx(abs(WHOLE.area), abs=1e-6)
    for half, side in ((split.left, 1.0), (split.right, -1.0)):
        path = closed(half)
        assert path.closed
        assert path.clockwise is clockwise
        for edge in half.edges[1:]:
            px, py = edge.path.point_at(0.5 * edge.length)
            off = (px - origin[0]) * -sin(angle) + (py - origin[1]) * cos(angle)
            assert side * off > 0.5 * width - 1e-6
            assert WHOLE.nearest((px, py))[1] < 1e-6
    for edge in edges:
        lengths = [e.length for half in (split.left, split.right) for e in half.edges if e.of == edge.name]
        ends = 0.0 if split.strip is None else _along(split.strip, edge.path)
        assert sum(lengths) + ends == pytest.approx(edge.length, abs=1e-5)


def _along(strip: Path, edge: Path) -> float:
    """How much of a strip's outline lies on an edge, mm."""
    return sum(
        segment.length
        for segment in strip.segments
        if all(edge.nearest(segment.point_at(t * segment.length))[1] < 1e-7 for t in (0.1, 0.5, 0.9))
    )


def test_a_line_parallel_to_the_top_tube_leaves_it_whole_on_one_half() -> None:
    top = EDGES[0].path
    start, end = top.start, top.end
    split = split_outline(EDGES, (start[0], start[1] - 60.0), (end[0] - start[0], end[1] - start[1]), 9.0)
    assert [edge.name for edge in split.left.edges] == [
        "cut", "seat-tube", "corner:seat", "top-tube", "corner:head", "down-tube",
    ]  # fmt: skip
    assert [edge.name for edge in split.right.edges] == [
        "cut", "down-tube", "corner:bottom-bracket", "seat-tube",
    ]  # fmt: skip
    assert split.left.cut.length > split.right.cut.length
    assert split.left.edges[3].path == EDGES[0].path


def test_an_edge_that_is_cut_at_both_ends_of_a_half_gets_two_names() -> None:
    corners = ((0.0, 0.0), (0.0, 10.0), (10.0, 10.0), (10.0, 0.0))
    box = [Edge(f"side-{i}", Path((Line(corners[i], corners[(i + 1) % 4]),))) for i in range(3)] + [
        Edge("bottom", Path.polyline((corners[3], (5.0, -8.0), corners[0])))
    ]
    split = split_outline(box, (0.0, -2.0), (1.0, 0.0))
    names = [edge.name for edge in split.left.edges]
    assert names == ["cut", "bottom", "side-0", "side-1", "side-2", "bottom-2"]
    assert [edge.of for edge in split.left.edges[1:]][-1] == "bottom"
    assert [edge.name for edge in split.right.edges] == ["cut", "bottom"]
    assert distance(split.left.cut.path.start, split.right.cut.path.end) < 1e-9


@pytest.mark.parametrize(
    ("origin", "reason"), [((0.0, 1e3), "it misses the outline"), ((0.0, -1e3), "it misses the outline")]
)
def test_a_line_that_misses_says_so(origin: tuple[float, float], reason: str) -> None:
    with pytest.raises(SplitError, match=reason):
        split_outline(EDGES, origin, (1.0, 0.0))


def test_a_line_that_crosses_four_times_says_so() -> None:
    notched = Path.polyline(
        ((0, 0), (0, 10), (4, 10), (4, 5), (6, 5), (6, 10), (10, 10), (10, 0)), closed=True
    )
    with pytest.raises(SplitError, match="more than twice"):
        split_outline([Edge("all", notched)], (0.0, 8.0), (1.0, 0.0))


def test_a_line_along_an_edge_cuts_no_piece_off() -> None:
    square = Path.polyline(((0, 0), (10, 0), (10, 10), (0, 10)), closed=True)
    with pytest.raises(SplitError, match="no more than a sliver"):
        split_outline([Edge("all", square)], (0.0, 9.5), (1.0, 0.0))
    assert abs(closed(split_outline([Edge("all", square)], (0.0, 8.5), (1.0, 0.0)).left).area) == 15.0
