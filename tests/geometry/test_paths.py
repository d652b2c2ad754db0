from __future__ import annotations

import itertools
import pickle
from math import cos, inf, nan, pi, sin, tau

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import Point as ShapelyPoint
from shapely import Polygon

from oaktag.geometry import (
    Arc,
    Curve,
    GeometryError,
    Line,
    Path,
    Point,
    Transform,
    distance,
    shifted,
    signed_angle,
)

relaxed = settings(deadline=None, max_examples=30)
fractions = st.floats(0.0, 1.0)


@st.composite
def rings(draw: st.DrawFn) -> Path:
    """Closed outlines of lines, arcs and free curves round the origin, either way."""
    count = draw(st.integers(3, 7))
    radii = [draw(st.floats(60.0, 150.0)) for _ in range(count)]
    corners = [(r * cos(tau * k / count), r * sin(tau * k / count)) for k, r in enumerate(radii)]
    segments: list[Line | Arc | Curve] = []
    for k in range(count):
        a, b = corners[k], corners[(k + 1) % count]
        kind = draw(st.sampled_from(["line", "arc", "curve"]))
        bulge = draw(st.sampled_from([-1.0, 1.0])) * draw(st.floats(1.0, 8.0))
        if kind == "line":
            segments.append(Line(a, b))
        elif kind == "arc":
            segments.append(Arc.from_sagitta(a, b, bulge))
        else:
            u = Line(a, b).direction
            third = (a[0] + (b[0] - a[0]) / 3, a[1] + (b[1] - a[1]) / 3)
            segments.append(Curve.through([a, shifted(third, (-u[1], u[0]), bulge), b]))
    path = Path(tuple(segments))
    return path.reversed() if draw(st.booleans()) else path


def samples(path: Path, count: int) -> list[float]:
    return [path.length * k / count for k in range(count)]


@relaxed
@given(rings())
def test_ring(path: Path) -> None:
    assert path.closed
    assert path.length == pytest.approx(sum(segment.length for segment in path.segments))
    assert path.joints[0] == 0.0
    assert len(path.joints) == len(path.segments)
    polygon = path.polygon(1e-3)
    assert abs(path.area) == pytest.approx(polygon.area, abs=1.1e-3 * path.length)
    assert path.clockwise is (not polygon.exterior.is_ccw)
    assert path.clockwise is (path.area < 0)
    assert path.bounds == pytest.approx(polygon.bounds, abs=1.1e-3)
    assert path.is_simple() is polygon.is_valid
    for s, segment in zip(path.joints, path.segments, strict=True):
        assert path.point_at(s) == pytest.approx(segment.start, abs=1e-9)
        assert path.tangent_at(s) == pytest.approx(segment.tangent_at(0.0), abs=1e-9)
        # Just beside a joint is the joint.
        assert path.tangent_at(max(s - 5e-7, 0.0)) == pytest.approx(segment.tangent_at(0.0), abs=1e-9)
    last = path.segments[-1]
    assert path.tangent_before(0.0) == pytest.approx(last.tangent_at(last.length), abs=1e-9)
    assert path.tangent_at(path.length) == pytest.approx(path.segments[0].tangent_at(0.0), abs=1e-9)


@relaxed
@given(rings())
def test_reversed_ring(path: Path) -> None:
    back = path.reversed()
    assert back.length == pytest.approx(path.length, abs=1e-7)
    assert back.area == pytest.approx(-path.area, rel=1e-9)
    assert back.clockwise is not path.clockwise
    for s in samples(path, 17):
        assert back.point_at(min(path.length - s, back.length)) == pytest.approx(path.point_at(s), abs=1e-6)
    assert back.reversed() == path


@relaxed
@given(rings(), fractions, fractions, st.integers(-2, 2))
def test_between_on_a_ring_may_pass_the_start(path: Path, f: float, g: float, turns: int) -> None:
    s0 = f * path.length
    span = g * path.length
    assume(span > 1e-3)
    part = path.between(s0 + turns * path.length, s0 + span + turns * path.length)
    assert part.length == pytest.approx(span, abs=3e-6)
    for s in samples(part, 13):
        whole = (s0 + s) % path.length
        assert distance(part.point_at(s), path.point_at(whole)) <= 3e-6
    rest = path.length - span
    if rest > 1e-3:
        other = path.between(s0 + span, s0 + path.length)
        assert (part + other).closed
        assert (part + other).area == pytest.approx(path.area, rel=1e-7, abs=1e-3)


@relaxed
@given(rings(), fractions)
def test_split_ring_rejoins(path: Path, f: float) -> None:
    s = f * path.length
    assume(1e-3 < s < path.length - 1e-3)
    first, second = path.split(s)
    assert first.end == pytest.approx(second.start, abs=1e-9)
    assert first.length == pytest.approx(s, abs=1.1e-6)
    assert (first + second).length == pytest.approx(path.length, abs=1e-6)
    assert (first + second).area == pytest.approx(path.area, rel=1e-9, abs=1e-4)
    assert first.joined(second).closed


@relaxed
@given(rings())
def test_split_at_joints_cuts_no_slivers(path: Path) -> None:
    for k, s in enumerate(path.joints[1:], start=1):
        for shift in (-9e-7, 0.0, 9e-7):
            first, second = path.split(s + shift)
            assert first.segments == path.segments[:k]
            assert second.segments == path.segments[k:]


@relaxed
@given(rings(), st.tuples(st.floats(-170, 170), st.floats(-170, 170)))
def test_nearest_and_contains(path: Path, point: Point) -> None:
    s, away = path.nearest(point)
    assert distance(path.point_at(s), point) == pytest.approx(away, abs=1e-6)
    polygon = path.polygon(1e-4)
    assert polygon.exterior.distance(ShapelyPoint(point)) == pytest.approx(away, abs=1.1e-4)
    assume(path.is_simple() and away > 1e-3)
    assert path.contains(point) is polygon.contains(ShapelyPoint(point))


@relaxed
@given(rings(), fractions, st.floats(1e-5, 1e-2))
def test_contains_is_sharp_at_the_path(path: Path, f: float, off: float) -> None:
    """Also for points that lie between an arc and its chords."""
    s = f * path.length
    assume(min(abs(s - joint) for joint in (*path.joints, path.length)) > 2.0)
    assume(path.is_simple())
    here, u = path.point_at(s), path.tangent_at(s)
    left = (-u[1], u[0]) if not path.clockwise else (u[1], -u[0])
    assert path.contains(here)
    assert path.contains(shifted(here, left, off))
    assert not path.contains(shifted(here, left, -off))


@relaxed
@given(rings(), st.floats(-360, 360), st.booleans())
def test_transformed_ring(path: Path, angle: float, mirrored: bool) -> None:
    move = Transform.rotation(angle, about=(3.0, 4.0))
    if mirrored:
        move = move.then(Transform.mirror_x(5.0))
    image = path.transformed(move)
    assert image.length == pytest.approx(path.length, abs=1e-7)
    assert image.area == pytest.approx(-path.area if mirrored else path.area, rel=1e-9, abs=1e-6)
    for s in samples(path, 11):
        assert image.point_at(min(s, image.length)) == pytest.approx(move.apply(path.point_at(s)), abs=1e-6)


@relaxed
@given(rings())
def test_turning_once_round(path: Path) -> None:
    """Curvature over the segments and turns at the joints add up to 2π (Hopf's Umlaufsatz)."""
    assume(path.is_simple())
    total = 0.0
    for s, segment in zip(path.joints, path.segments, strict=True):
        total += signed_angle(path.tangent_before(s), path.tangent_at(s))
        tangents = [segment.tangent_at(segment.length * k / 200) for k in range(201)]
        total += sum(signed_angle(a, b) for a, b in itertools.pairwise(tangents))
    assert total == pytest.approx(-tau if path.clockwise else tau, abs=1e-6)


def test_flatten_is_a_polygon() -> None:
    path = Path((Arc((10.0, 0.0), (-10.0, 0.0), (0.0, 0.0), 10.0, False), Line((-10.0, 0.0), (10.0, 0.0))))
    flat = path.flatten(0.001)
    assert flat[0] == flat[-1] == (10.0, 0.0)
    assert Polygon(flat).area == pytest.approx(50 * pi, abs=0.022)
    assert path.area == pytest.approx(50 * pi, abs=1e-11)
    assert path.polygon(1e-5).area == pytest.approx(50 * pi, abs=2.2e-4)


def test_open_path() -> None:
    path = Path.polyline([(0.0, 0.0), (30.0, 40.0), (30.0, 100.0)])
    assert (path.closed, path.length, path.joints) == (False, 110.0, (0.0, 50.0))
    assert path.tangent_before(50.0) == (0.6, 0.8)
    assert path.tangent_at(50.0) == (0.0, 1.0)
    assert path.tangent_before(0.0) == (0.6, 0.8)
    assert path.tangent_at(110.0) == (0.0, 1.0)
    assert path.curvature_at(50.0) == 0.0
    assert path.between(20.0, 80.0).flatten(1.0) == ((12.0, 16.0), (30.0, 40.0), (30.0, 70.0))
    assert path.is_simple()
    assert not Path.polyline([(0, 0), (10, 0), (5, 5), (5, -5)]).is_simple()
    for attribute in ("area", "clockwise"):
        with pytest.raises(GeometryError, match="open path"):
            getattr(path, attribute)
    with pytest.raises(GeometryError, match="open path"):
        path.contains((1.0, 1.0))
    with pytest.raises(GeometryError, match="open path"):
        path.polygon()
    for s in (-2e-6, 110.1, nan, inf):
        for method in (path.point_at, path.tangent_at, path.tangent_before, path.curvature_at, path.split):
            with pytest.raises(GeometryError, match="station"):
                method(s)
    for s in (0.0, 110.0):
        with pytest.raises(GeometryError, match="in two"):
            path.split(s)
    for s0, s1 in ((-1.0, 20.0), (20.0, 111.0), (30.0, 20.0), (20.0, 20.0), (nan, 20.0)):
        with pytest.raises(GeometryError):
            path.between(s0, s1)


def test_between_on_a_closed_path_says_how_to_pass_the_start() -> None:
    square = Path.polyline([(0, 0), (10, 0), (10, 10), (0, 10)], closed=True)
    assert square.between(35.0, 45.0).flatten(1.0) == ((0.0, 5.0), (0.0, 0.0), (5.0, 0.0))
    assert square.between(-5.0, 5.0) == square.between(35.0, 45.0)
    assert square.between(0.0, 40.0) == square
    assert square.between(40.0, 80.0) == square
    turned = square.between(10.0, 50.0)
    assert turned.closed
    assert turned.start == (10.0, 0.0)
    with pytest.raises(GeometryError, match="add its length"):
        square.between(35.0, 5.0)
    with pytest.raises(GeometryError, match="more than once round"):
        square.between(0.0, 41.0)


def test_joints_must_meet() -> None:
    a = Line((0.0, 0.0), (10.0, 0.0))
    Path((a, Line((10.0, 9e-7), (20.0, 0.0))))
    both_points = r"segment 0 ends at \(10.0, 0.0\), segment 1 starts at \(10.0, 1.1e-06\)"
    with pytest.raises(GeometryError, match=both_points):
        Path((a, Line((10.0, 1.1e-6), (20.0, 0.0))))
    with pytest.raises(GeometryError, match="at least one"):
        Path(())
    with pytest.raises(GeometryError, match="starts at"):
        Path((a,)) + Path((a,))


def test_polyline() -> None:
    triangle = Path.polyline([(0, 0), (4, 0), (0, 3)], closed=True)
    assert triangle == Path.polyline([(0, 0), (4, 0), (0, 3), (0, 0)])
    assert triangle == Path.polyline([(0, 0), (4, 0), (0, 3), (0, 0)], closed=True)
    assert triangle.area == 6.0
    with pytest.raises(GeometryError, match="at least two"):
        Path.polyline([(0, 0)])
    with pytest.raises(GeometryError, match="two different points"):
        Path.polyline([(0, 0), (0, 0), (1, 0)])
    with pytest.raises(GeometryError, match="encloses nothing"):
        Path.polyline([(0, 0), (1, 0)], closed=True).polygon()
    assert not Path.polyline([(0, 0), (1, 0)], closed=True).is_simple()


def test_nearest_looks_beyond_the_box_that_holds_the_point() -> None:
    """The box of the slanting line holds the point, the upright line is nearer all the same."""
    path = Path.polyline([(0.0, 0.0), (100.0, 100.0), (100.0, -50.0)])
    s, away = path.nearest((60.0, 0.0))
    assert away == 40.0
    assert path.point_at(s) == pytest.approx((100.0, 0.0))


def test_containing_itself() -> None:
    square = Path.polyline([(0, 0), (10, 0), (10, 10), (0, 10)], closed=True)
    inside = [(5.0, 5.0), (0.0, 0.0), (10.0, 5.0), (5.0, 10.0 + 9e-7), (1e-9, 1e-9)]
    outside = [(-1e-5, 5.0), (5.0, 10.00001), (100.0, 0.0), (-5.0, 10.0), (15.0, 10.0), (-5.0, 0.0)]
    assert all(square.contains(point) for point in inside)
    assert not any(square.contains(point) for point in outside)


def test_pickles_hold_the_segments_alone() -> None:
    path = Path.polyline([(0, 0), (10, 0), (10, 10)], closed=True)
    fresh = pickle.dumps(path)
    _ = (path.area, path.length, path.bounds, path.joints)
    assert pickle.dumps(path) == fresh
    assert pickle.loads(fresh) == path
    with pytest.raises(AttributeError):
        path.segments = ()  # type: ignore[misc]
