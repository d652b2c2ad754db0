from __future__ import annotations

from math import cos, pi, sin, sqrt

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import LineString

from oaktag.geometry import (
    Arc,
    Curve,
    GeometryError,
    Line,
    Path,
    Point,
    Segment,
    Transform,
    distance,
    intersections,
    shifted,
)

relaxed = settings(deadline=None, max_examples=60)
coordinate = st.floats(-100, 100)
points = st.tuples(coordinate, coordinate)


@st.composite
def lines(draw: st.DrawFn) -> Line:
    start, end = draw(points), draw(points)
    assume(distance(start, end) > 5.0)
    return Line(start, end)


@st.composite
def arcs(draw: st.DrawFn) -> Arc:
    start, end = draw(points), draw(points)
    assume(distance(start, end) > 5.0)
    ratio = draw(st.floats(0.02, 2.0)) * draw(st.sampled_from([1, -1]))
    return Arc.from_sagitta(start, end, ratio * distance(start, end))


@st.composite
def curves(draw: st.DrawFn) -> Curve:
    heading = draw(st.floats(-pi, pi))
    nodes = [draw(points)]
    for _ in range(draw(st.integers(1, 4))):
        heading += draw(st.floats(-1.2, 1.2))
        nodes.append(shifted(nodes[-1], (cos(heading), sin(heading)), draw(st.floats(15.0, 60.0))))
    return Curve.through(nodes)


segments = st.one_of(lines(), arcs(), curves())


@relaxed
@given(segments, segments)
def test_meetings_lie_on_both_and_none_is_missed(first: Segment, second: Segment) -> None:
    found = intersections(first, second)
    assert list(found) == sorted(found)
    for s, t, point in found:
        assert first.point_at(s) == pytest.approx(point, abs=1e-7)
        assert second.point_at(t) == pytest.approx(point, abs=1e-7)
    # An independent look: crossings of fine polylines, each with a meeting nearby.
    one, other = (LineString(segment.flatten(1e-4)) for segment in (first, second))
    crossings = one.intersection(other)
    assume(crossings.length == 0.0)
    for shape in getattr(crossings, "geoms", [crossings] if not crossings.is_empty else []):
        near = min((distance(point, tuple(shape.coords[0])) for _, _, point in found), default=1e9)
        # Crossings at a shallow angle move far for a small chord error.
        assert near < 0.5
    if not found:
        assert one.distance(other) > 0.0


@relaxed
@given(segments, segments)
def test_order_does_not_matter(first: Segment, second: Segment) -> None:
    one = intersections(first, second)
    other = sorted((t, s) for s, t, _ in intersections(second, first))
    assert len(one) == len(other)
    for (s, t, _), pair in zip(one, other, strict=True):
        assert (s, t) == pytest.approx(pair, abs=1e-5)


@relaxed
@given(segments, segments, st.floats(0.1, 0.9))
def test_a_meeting_that_was_made_is_found(first: Segment, second: Segment, f: float) -> None:
    """Move the second so that it crosses the first at a known place."""
    s, t = f * first.length, (1 - f) * second.length
    here, there = first.point_at(s), second.point_at(t)
    moved = second.transformed(Transform.translation(here[0] - there[0], here[1] - there[1]))
    u, v = first.tangent_at(s), moved.tangent_at(t)
    assume(abs(u[0] * v[1] - u[1] * v[0]) > 0.05)
    found = intersections(first, moved)
    assert min(abs(a - s) + abs(b - t) for a, b, _ in found) < 1e-6


@pytest.mark.parametrize("touching", [0.0, 1e-10])
def test_touching_counts_once(touching: float) -> None:
    arc = Arc((-10.0, 0.0), (10.0, 0.0), (0.0, 0.0), 10.0, clockwise=True)
    ((s, t, point),) = intersections(Line((-5.0, 10.0 + touching), (15.0, 10.0 + touching)), arc)
    assert (s, t) == pytest.approx((5.0, 5.0 * pi))
    assert point == pytest.approx((0.0, 10.0))
    beside = Arc((20.0 + touching, 0.0), (30.0, 10.0), (30.0 + touching, 0.0), 10.0, clockwise=True)
    far = Arc((0.0, 10.0), (0.0, -10.0), (0.0, 0.0), 10.0, clockwise=True)
    near = beside.transformed(Transform.translation(-10.0, 0.0))
    ((_, _, point),) = intersections(far, near)
    assert point == pytest.approx((10.0, 0.0), abs=1e-9)
    inner = Arc((0.0, 0.0), (10.0, 0.0 + touching), (5.0, touching), 5.0, clockwise=True)
    assert len(intersections(far, inner)) == 1
    curve = Curve((((-30.0, 9.0), (-10.0, -3.0), (10.0, -3.0), (30.0, 9.0)),))
    ((s, t, point),) = intersections(Line((-20.0, -touching), (20.0, -touching)), curve)
    assert point == pytest.approx((0.0, 0.0), abs=1e-4)
    assert s == pytest.approx(20.0, abs=1e-4)
    assert t == pytest.approx(curve.length / 2, abs=1e-4)


@pytest.mark.parametrize("gap", [1e-6, 1e-3])
def test_passing_close_is_not_meeting(gap: float) -> None:
    arc = Arc((-10.0, 0.0), (10.0, 0.0), (0.0, 0.0), 10.0, clockwise=True)
    assert intersections(Line((-5.0, 10.0 + gap), (15.0, 10.0 + gap)), arc) == ()
    curve = Curve((((-30.0, 9.0), (-10.0, -3.0), (10.0, -3.0), (30.0, 9.0)),))
    assert intersections(Line((-20.0, -gap), (20.0, -gap)), curve) == ()
    lower = curve.transformed(Transform.rotation(180.0)).transformed(Transform.translation(0.0, -gap))
    assert intersections(lower, curve) == ()
    assert intersections(Line((0.0, 0.0), (10.0, 0.0)), Line((0.0, gap), (10.0, gap))) == ()


def test_curves_that_touch() -> None:
    curve = Curve((((-30.0, 9.0), (-10.0, -3.0), (10.0, -3.0), (30.0, 9.0)),))
    other = curve.transformed(Transform.rotation(180.0))
    ((s, t, point),) = intersections(curve, other)
    assert point == pytest.approx((0.0, 0.0), abs=1e-4)
    assert (s, t) == pytest.approx((curve.length / 2, curve.length / 2), abs=1e-3)
    # The circle of curvature at the vertex keeps to one side and touches once.
    tight = Arc.through((-2.0, sqrt(625 - 4) - 25.0), (0.0, 0.0), (2.0, sqrt(625 - 4) - 25.0))
    assert len(intersections(tight, curve)) == 1


def test_two_crossings_very_near_each_other() -> None:
    curve = Curve((((-30.0, 9.0), (-10.0, -3.0), (10.0, -3.0), (30.0, 9.0)),))
    for depth in (1e-3, 1e-5, 1e-7):
        found = intersections(Line((-20.0, depth), (20.0, depth)), curve)
        assert len(found) == 2
        # y = x²/100 near the vertex.
        assert found[1][2][0] == pytest.approx(sqrt(100 * depth), rel=1e-2)
        lower = curve.transformed(Transform.rotation(180.0)).transformed(Transform.translation(0.0, depth))
        found = intersections(lower, curve)
        assert len(found) == 2
        assert abs(found[0][2][0]) == pytest.approx(sqrt(50 * depth), rel=1e-2)


def test_one_piece_may_cross_a_line_or_an_arc_several_times() -> None:
    snake = Curve((((0.0, -50.0), (40.0, 300.0), (60.0, -300.0), (100.0, 50.0)),))
    found = intersections(Line((-10.0, 0.0), (110.0, 0.0)), snake)
    assert len(found) == 3
    # The piece is symmetrical about (50, 0).
    assert found[1][2] == pytest.approx((50.0, 0.0), abs=1e-9)
    assert found[0][2][0] + found[2][2][0] == pytest.approx(100.0, abs=1e-9)
    flat = Arc.from_sagitta((-10.0, 0.0), (110.0, 0.0), 0.5)
    assert len(intersections(flat, snake)) == 3
    steep = snake.transformed(Transform.rotation(90.0, about=(50.0, 0.0)))
    # Nine is the most that two cubics can have.
    crossings = intersections(snake, steep)
    assert len(crossings) == 9
    assert all(distance(snake.point_at(s), steep.point_at(t)) < 1e-9 for s, t, _ in crossings)


def test_common_runs_give_their_ends() -> None:
    base = Line((0.0, 0.0), (10.0, 0.0))
    assert [s for s, _, _ in intersections(base, Line((4.0, 0.0), (20.0, 0.0)))] == [4.0, 10.0]
    assert [s for s, _, _ in intersections(base, Line((8.0, 0.0), (3.0, 0.0)))] == [3.0, 8.0]
    assert [s for s, _, _ in intersections(base, Line((10.0, 0.0), (20.0, 0.0)))] == [10.0]
    assert intersections(base, Line((10.1, 0.0), (20.0, 0.0))) == ()
    arc = Arc((10.0, 0.0), (-10.0, 0.0), (0.0, 0.0), 10.0, clockwise=False)
    shared = Arc((0.0, 10.0), (0.0, -10.0), (0.0, 0.0), 10.0, clockwise=False)
    assert [s for s, _, _ in intersections(arc, shared)] == pytest.approx([5 * pi, 10 * pi])
    curve = Curve.through([(0, 0), (30, 20), (60, 0), (90, 30)])
    part = curve.between(10.0, 80.0)
    found = intersections(curve, part)
    assert found[0][:2] == pytest.approx((10.0, 0.0), abs=1e-6)
    assert found[-1][:2] == pytest.approx((80.0, part.length), abs=1e-6)
    assert all(abs(s - t - 10.0) < 1e-5 for s, t, _ in found)
    assert [s for s, _, _ in intersections(curve, curve.reversed())][:1] == [0.0]
    straight = Curve.through([(0, 0), (10, 0)])
    found = intersections(Line((4.0, 0.0), (20.0, 0.0)), straight)
    assert [s for s, _, _ in found] == pytest.approx([0.0, 6.0])


def test_nearly_coincident_curves_come_to_an_end() -> None:
    """One is the other moved out and back: they wind about each other within a thousandth of a millimetre."""
    curve = Curve.through([(0, 0), (30, 20), (60, 0), (90, 30)])
    again = curve.offset(5.0).offset(-5.0)
    with pytest.raises(GeometryError, match="on top of each other"):
        intersections(curve, again)
    assert intersections(curve, again.transformed(Transform.translation(0.0, 0.01))) == ()


def test_ends_that_meet_count() -> None:
    for second in (
        Line((10.0, 5e-8), (10.0, 20.0)),
        Arc.from_sagitta((10.0, 5e-8), (30.0, 20.0), 3.0),
        Curve.through([(10.0, 5e-8), (14.0, 20.0), (18.0, 5.0)]),
    ):
        for first in (
            Line((0.0, 0.0), (10.0, 0.0)),
            Arc.from_sagitta((0.0, 0.0), (10.0, 0.0), -2.0),
            Curve.through([(0.0, 0.0), (5.0, -3.0), (10.0, 0.0)]),
        ):
            found = intersections(first, second)
            assert any(s == pytest.approx(first.length, abs=1e-6) and t < 1e-6 for s, t, _ in found)
            away = second.transformed(Transform.translation(0.0, 1e-3))
            assert not any(s > first.length - 1e-5 and t < 1e-5 for s, t, _ in intersections(first, away))


@pytest.mark.parametrize("bow", [0.1, 1.0, 5.0, 40.0])
def test_flat_arcs_cross_precisely(bow: float) -> None:
    """Two bowed tubes: each crossing lies on both arcs far better than anyone can cut."""
    first = Arc.from_sagitta((0.0, 0.0), (600.0, 0.0), bow)
    second = Arc.from_sagitta((250.0, -300.0), (300.0, 300.0), -bow)
    ((s, t, point),) = intersections(first, second)
    assert distance(first.point_at(s), second.point_at(t)) < 1e-8
    assert distance(first.point_at(s), point) < 1e-8
    line = Line((250.0, -300.0), (300.0, 300.0))
    ((s, t, _),) = intersections(first, line)
    assert distance(first.point_at(s), line.point_at(t)) < 1e-8


def test_paths() -> None:
    square = Path.polyline([(0, 0), (10, 0), (10, 10), (0, 10)], closed=True)
    chord = Line((-5.0, 5.0), (15.0, 5.0))
    assert [(s, t) for s, t, _ in intersections(square, chord)] == [(15.0, 15.0), (35.0, 5.0)]
    assert [(s, t) for s, t, _ in intersections(chord, square)] == [(5.0, 35.0), (15.0, 15.0)]
    # Through two corners: each once, the start of the square as station 0.
    diagonal = Path.polyline([(-1, -1), (5, 5), (11, 11)])
    assert [s for s, _, _ in intersections(square, diagonal)] == pytest.approx([0.0, 20.0])
    assert intersections(square, Path.polyline([(20, 20), (30, 30)])) == ()
    other = square.transformed(Transform.translation(5.0, 5.0))
    found = intersections(square, other)
    assert [point for _, _, point in found] == [(10.0, 5.0), (5.0, 10.0)]
    assert all(square.point_at(s) == point == other.point_at(t) for s, t, point in found)


@relaxed
@given(points, st.floats(5.0, 60.0), points, st.floats(5.0, 60.0))
def test_circles_against_the_two_circle_formula(c: Point, r: float, d: Point, q: float) -> None:
    halves = [
        [
            Arc((m[0] + w, m[1]), (m[0] - w, m[1]), m, w, clockwise=False),
            Arc((m[0] - w, m[1]), (m[0] + w, m[1]), m, w, clockwise=False),
        ]
        for m, w in ((c, r), (d, q))
    ]
    apart = distance(c, d)
    assume(all(abs(apart - edge) > 1e-3 for edge in (r + q, abs(r - q))))
    found = intersections(Path(tuple(halves[0])), Path(tuple(halves[1])))
    crossing = abs(r - q) < apart < r + q
    assert len(found) == (2 if crossing else 0)
    for _, _, point in found:
        assert distance(point, c) == pytest.approx(r, abs=1e-8)
        assert distance(point, d) == pytest.approx(q, abs=1e-8)
