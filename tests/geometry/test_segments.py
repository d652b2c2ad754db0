"""What lines, arcs and free curves have in common, each against an independent way to the same number."""

from __future__ import annotations

import itertools
import pickle
from math import cos, hypot, inf, nan, pi, sin, tau

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import BPoly
from shapely import LineString
from shapely import Point as ShapelyPoint

from oaktag.geometry import (
    Arc,
    Curve,
    GeometryError,
    Line,
    Point,
    Segment,
    Transform,
    cross,
    distance,
    left_normal,
    norm,
    shifted,
    signed_angle,
    subtract,
)

relaxed = settings(deadline=None, max_examples=40)
coordinate = st.floats(-500, 500)
points = st.tuples(coordinate, coordinate)


@st.composite
def lines(draw: st.DrawFn) -> Line:
    start, end = draw(points), draw(points)
    assume(distance(start, end) > 1.0)
    return Line(start, end)


@st.composite
def arcs(draw: st.DrawFn) -> Arc:
    center, radius = draw(points), draw(st.floats(1.0, 2000.0))
    begin, sweep = draw(st.floats(-pi, pi)), draw(st.floats(0.02, 6.2))
    clockwise = draw(st.booleans())
    finish = begin - sweep if clockwise else begin + sweep
    return Arc(
        (center[0] + radius * cos(begin), center[1] + radius * sin(begin)),
        (center[0] + radius * cos(finish), center[1] + radius * sin(finish)),
        center,
        radius,
        clockwise,
    )


@st.composite
def curves(draw: st.DrawFn) -> Curve:
    heading = draw(st.floats(-pi, pi))
    nodes = [draw(points)]
    for _ in range(draw(st.integers(1, 5))):
        heading += draw(st.floats(-1.0, 1.0))
        nodes.append(shifted(nodes[-1], (cos(heading), sin(heading)), draw(st.floats(15.0, 60.0))))
    tangent = draw(st.none() | st.floats(-0.8, 0.8))
    first = subtract(nodes[1], nodes[0])
    if tangent is None:
        return Curve.through(nodes)
    c, s = cos(tangent), sin(tangent)
    return Curve.through(nodes, start_tangent=(c * first[0] - s * first[1], s * first[0] + c * first[1]))


segments = st.one_of(lines(), arcs(), curves())
fractions = st.floats(0.0, 1.0)


def true_length(segment: Segment) -> float:
    """The length by scipy's adaptive quadrature of the speed, not by ours."""
    if isinstance(segment, Line):
        return float(np.linalg.norm(np.subtract(segment.end, segment.start)))
    if isinstance(segment, Arc):
        a, b = np.subtract(segment.start, segment.center), np.subtract(segment.end, segment.center)
        angle = np.angle(complex(*b) / complex(*a)) * (-1 if segment.clockwise else 1)
        return segment.radius * float(angle % tau)
    total = 0.0
    for piece in segment.beziers:
        rate = BPoly(np.array(piece)[:, None, :], [0.0, 1.0]).derivative()
        total += quad(
            lambda t, r=rate: float(np.hypot(*r(t))), 0.0, 1.0, epsabs=1e-10, epsrel=1e-12, limit=200
        )[0]
    return total


@relaxed
@given(segments)
def test_length(segment: Segment) -> None:
    assert segment.length == pytest.approx(true_length(segment), abs=2e-8, rel=1e-12)


@relaxed
@given(segments, fractions)
def test_tangent_and_curvature_are_rates(segment: Segment, f: float) -> None:
    h = min(1e-3, segment.length / 100)
    s = h + f * (segment.length - 2 * h)
    before, here, after = (segment.point_at(s + d) for d in (-h, 0.0, h))
    tangent = segment.tangent_at(s)
    assert norm(tangent) == pytest.approx(1.0, abs=1e-12)
    rate = ((after[0] - before[0]) / (2 * h), (after[1] - before[1]) / (2 * h))
    assert rate == pytest.approx(tangent, abs=1e-6)
    turn = signed_angle(segment.tangent_at(s - h), segment.tangent_at(s + h))
    low, high = sorted(segment.curvature_at(s + d) for d in (-h, h))
    assert low - 1e-4 <= turn / (2 * h) <= high + 1e-4
    assert distance(here, before) <= h + 1e-9


@relaxed
@given(segments)
def test_ends(segment: Segment) -> None:
    assert segment.point_at(0.0) == segment.start
    assert segment.point_at(segment.length) == pytest.approx(segment.end, abs=1e-12)
    # A station may pass an end by the tolerance, not by more.
    assert segment.point_at(-9e-7) == segment.start
    assert segment.point_at(segment.length + 9e-7) == pytest.approx(segment.end, abs=1e-12)
    for s in (-2e-6, segment.length + 2e-6, nan, inf):
        for method in (segment.point_at, segment.tangent_at, segment.curvature_at, segment.split):
            with pytest.raises(GeometryError, match="station"):
                method(s)


@relaxed
@given(segments, fractions, fractions)
def test_parts_rejoin(segment: Segment, f: float, g: float) -> None:
    s = f * segment.length
    assume(1e-3 < s < segment.length - 1e-3)
    first, second = segment.split(s)
    assert type(first) is type(second) is type(segment)
    assert first.length == pytest.approx(s, abs=1e-7)
    assert first.length + second.length == pytest.approx(segment.length, abs=1e-7)
    assert first.end == pytest.approx(second.start, abs=1e-12)
    assert (first.start, second.end) == (segment.start, segment.end)
    assert first.point_at(g * s) == pytest.approx(segment.point_at(g * s), abs=1e-7)
    rest = g * (segment.length - s)
    assert second.point_at(rest) == pytest.approx(segment.point_at(s + rest), abs=2e-7)
    assert first.area_term + second.area_term == pytest.approx(segment.area_term, rel=1e-9, abs=1e-5)


@relaxed
@given(segments, fractions, fractions)
def test_between(segment: Segment, f: float, g: float) -> None:
    s0, s1 = sorted((f * segment.length, g * segment.length))
    assume(s1 - s0 > 1e-3)
    part = segment.between(s0, s1)
    assert part.length == pytest.approx(s1 - s0, abs=2e-7)
    assert part.start == pytest.approx(segment.point_at(s0), abs=2e-7)
    assert part.end == pytest.approx(segment.point_at(s1), abs=2e-7)
    assert part.tangent_at(0.0) == pytest.approx(segment.tangent_at(s0), abs=1e-5)
    with pytest.raises(GeometryError, match="nothing lies between"):
        segment.between(s1, s0)
    with pytest.raises(GeometryError, match="nothing lies between"):
        segment.between(s0, s0)


@relaxed
@given(segments, fractions)
def test_reversed(segment: Segment, f: float) -> None:
    s = f * segment.length
    back = segment.reversed()
    assert back.length == pytest.approx(segment.length, abs=1e-8)
    t = min(max(segment.length - s, 0.0), back.length)
    assert back.point_at(t) == pytest.approx(segment.point_at(s), abs=1e-7)
    u, v = segment.tangent_at(s), back.tangent_at(t)
    assert v == pytest.approx((-u[0], -u[1]), abs=1e-6)
    assert back.area_term == pytest.approx(-segment.area_term, rel=1e-9, abs=1e-6)
    assert back.reversed() == segment


@relaxed
@given(segments, st.sampled_from([1.0, 0.1, 0.01]))
def test_flatten_stays_within_the_chord_error(segment: Segment, error: float) -> None:
    flat = segment.flatten(error)
    assert (flat[0], flat[-1]) == (segment.start, segment.end)
    assert all(segment.nearest(point)[1] <= 1e-7 for point in flat)
    outline = LineString(flat)
    for k in range(201):
        point = segment.point_at(segment.length * k / 200)
        assert outline.distance(ShapelyPoint(point)) <= error * (1 + 1e-6) + 1e-9
    length = sum(distance(a, b) for a, b in itertools.pairwise(flat))
    assert length <= segment.length + 1e-7


@relaxed
@given(segments)
def test_bounds_are_exact(segment: Segment) -> None:
    fine = segment.flatten(1e-4)
    box = segment.bounds
    xs, ys = [x for x, _ in fine], [y for _, y in fine]
    flat = (min(xs), min(ys), max(xs), max(ys))
    assert box == pytest.approx(flat, abs=1.1e-4)
    assert box.min_x <= flat[0] + 1e-9
    assert box.min_y <= flat[1] + 1e-9
    assert box.max_x >= flat[2] - 1e-9
    assert box.max_y >= flat[3] - 1e-9


@relaxed
@given(segments)
def test_area_term_is_what_a_fan_of_triangles_from_the_origin_covers(segment: Segment) -> None:
    flat = segment.flatten(1e-4)
    fan = 0.5 * sum(cross(a, b) for a, b in itertools.pairwise(flat))
    assert segment.area_term == pytest.approx(fan, rel=1e-9, abs=2e-4 * segment.length)


@relaxed
@given(segments, points)
def test_nearest_is_no_further_than_any_sample(segment: Segment, point: Point) -> None:
    s, away = segment.nearest(point)
    assert distance(segment.point_at(s), point) == pytest.approx(away, abs=1e-7)
    samples = [distance(segment.point_at(segment.length * k / 300), point) for k in range(301)]
    assert away <= min(samples) + 1e-9
    assert away >= min(samples) - segment.length / 600 - 1e-9


@relaxed
@given(segments, fractions)
def test_nearest_finds_a_point_of_its_own(segment: Segment, f: float) -> None:
    point = segment.point_at(f * segment.length)
    s, away = segment.nearest(point)
    assert away <= 1e-7
    assert segment.point_at(s) == pytest.approx(point, abs=2e-7)


@relaxed
@given(segments, st.floats(-360, 360), st.booleans(), st.floats(0.2, 5.0), points, fractions)
def test_transformed(
    segment: Segment, angle: float, mirrored: bool, k: float, shift: Point, f: float
) -> None:
    move = Transform.rotation(angle).then(Transform.scaling(k)).then(Transform.translation(*shift))
    if mirrored:
        move = move.then(Transform.mirror_x(17.0))
    image = segment.transformed(move)
    assert type(image) is type(segment)
    assert image.length == pytest.approx(k * segment.length, rel=1e-9)
    s = f * segment.length
    t = min(k * s, image.length)
    assert image.point_at(t) == pytest.approx(move.apply(segment.point_at(s)), abs=1e-6)
    sign = -1 if mirrored else 1
    inner = min(max(s, 0.01), segment.length - 0.01)
    assert image.curvature_at(k * inner) == pytest.approx(
        sign * segment.curvature_at(inner) / k, rel=1e-3, abs=1e-5
    )


def tightest(segment: Segment) -> float:
    """The smallest radius, at samples."""
    if isinstance(segment, Line):
        return inf
    largest = max(abs(segment.curvature_at(segment.length * k / 400)) for k in range(401))
    return 1.0 / max(largest, 1e-12)


@relaxed
@given(segments, st.floats(-0.9, 0.9))
def test_offset_runs_beside(segment: Segment, share: float) -> None:
    d = share * min(tightest(segment), 40.0)
    beside = segment.offset(d)
    assert type(beside) is type(segment)
    assert beside.start == pytest.approx(
        shifted(segment.start, left_normal(segment.tangent_at(0.0)), d), abs=1e-9
    )
    far = segment.length
    assert beside.end == pytest.approx(
        shifted(segment.end, left_normal(segment.tangent_at(far)), d), abs=1e-9
    )
    for k in range(41):
        s = segment.length * k / 40
        true = shifted(segment.point_at(s), left_normal(segment.tangent_at(s)), d)
        assert beside.nearest(true)[1] <= 1.5e-6
    # The length changes by distance times turn (Steiner); the turn is the winding of the tangent.
    tangents = [segment.tangent_at(segment.length * k / 400) for k in range(401)]
    turn = sum(signed_angle(a, b) for a, b in itertools.pairwise(tangents))
    assert beside.length == pytest.approx(segment.length - d * turn, abs=2e-5)


@relaxed
@given(segments)
def test_an_offset_there_and_back(segment: Segment) -> None:
    d = 0.4 * min(tightest(segment), 40.0)
    back = segment.offset(d).offset(-d)
    for k in range(21):
        assert segment.nearest(back.point_at(back.length * k / 20))[1] <= 4e-6
    assert back.length == pytest.approx(segment.length, abs=4e-5)
    assert segment.offset(0.0) is segment


@relaxed
@given(st.one_of(arcs(), curves()), st.floats(1.01, 3.0))
def test_an_offset_past_the_radius_is_refused_with_the_shortfall(segment: Segment, factor: float) -> None:
    low, high = segment.curvature_range if isinstance(segment, Curve) else (0.0, segment.curvature_at(0.0))
    extreme = max(low, high, key=abs)
    assume(abs(extreme) > 1e-4)
    with pytest.raises(GeometryError, match="falls short by") as refused:
        segment.offset(factor / extreme)
    shortfall = float(str(refused.value).rsplit("by ", 1)[1].removesuffix(" mm"))
    assert shortfall == pytest.approx((factor - 1) / abs(extreme), rel=1e-4)


@relaxed
@given(segments)
def test_pickles_hold_the_fields_alone(segment: Segment) -> None:
    fresh = pickle.dumps(segment)
    _ = (segment.length, segment.bounds, segment.area_term, segment.nearest((0.0, 0.0)))
    assert pickle.dumps(segment) == fresh
    assert pickle.loads(fresh) == segment
    assert hash(pickle.loads(fresh)) == hash(segment)


def test_segments_are_immutable() -> None:
    for segment in (
        Line((0, 0), (1, 0)),
        Arc.from_sagitta((0, 0), (1, 0), 0.1),
        Curve.through([(0, 0), (1, 0)]),
    ):
        with pytest.raises(AttributeError):
            segment.start = (5.0, 5.0)  # type: ignore[misc]


def test_coordinates_become_floats() -> None:
    line = Line((0, 0), (np.float64(3), 4))
    assert all(type(value) is float for point in (line.start, line.end) for value in point)
    assert line.length == 5.0


@pytest.mark.parametrize("error", [0.0, -1.0, nan, inf])
def test_a_chord_error_must_be_positive(error: float) -> None:
    for segment in (
        Line((0, 0), (1, 0)),
        Arc.from_sagitta((0, 0), (1, 0), 0.1),
        Curve.through([(0, 0), (1, 0)]),
    ):
        with pytest.raises(GeometryError, match="chord error"):
            segment.flatten(error)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ((0.0, 0.0), (0.0, 0.0)),
        ((0.0, nan), (1.0, 0.0)),
        ((0.0, 0.0), (inf, 0.0)),
        ((0.0,), (1.0, 1.0)),
        (None, (1.0, 1.0)),
    ],
)
def test_lines_that_do_not_exist(start: Point, end: Point) -> None:
    with pytest.raises(GeometryError):
        Line(start, end)


def test_arcs_that_do_not_exist() -> None:
    Arc((10.0, 0.0), (0.0, 10.0 + 9e-7), (0.0, 0.0), 10.0, clockwise=False)
    with pytest.raises(GeometryError, match=r"end .* lies \+2e-06 mm off the circle"):
        Arc((10.0, 0.0), (0.0, 10.0 + 2e-6), (0.0, 0.0), 10.0, clockwise=False)
    with pytest.raises(GeometryError, match="start"):
        Arc((9.0, 0.0), (0.0, 10.0), (0.0, 0.0), 10.0, clockwise=False)
    with pytest.raises(GeometryError, match="two different ends"):
        Arc((10.0, 0.0), (10.0, 0.0), (0.0, 0.0), 10.0, clockwise=False)
    for radius in (0.0, -10.0, nan, inf):
        with pytest.raises(GeometryError, match="radius"):
            Arc((10.0, 0.0), (0.0, 10.0), (0.0, 0.0), radius, clockwise=False)


def test_sweep_is_signed_and_may_pass_a_half_circle() -> None:
    ends = ((10.0, 0.0), (0.0, 10.0), (0.0, 0.0), 10.0)
    assert Arc(*ends, clockwise=False).sweep == pytest.approx(pi / 2)
    assert Arc(*ends, clockwise=True).sweep == pytest.approx(-3 * pi / 2)
    half = Arc((10.0, 0.0), (-10.0, 0.0), (0.0, 0.0), 10.0, clockwise=True)
    assert half.sweep == pytest.approx(-pi)
    assert half.point_at(half.length / 2) == pytest.approx((0.0, -10.0))


@relaxed
@given(points, points, st.floats(-0.95, 3.0), st.booleans())
def test_arc_from_a_sagitta(start: Point, end: Point, exponent: float, left: bool) -> None:
    chord = distance(start, end)
    assume(chord > 1.0)
    h = chord * 10.0**-exponent * (1 if left else -1)
    arc = Arc.from_sagitta(start, end, h)
    middle = arc.point_at(arc.length / 2)
    u = ((end[0] - start[0]) / chord, (end[1] - start[1]) / chord)
    rise = cross(u, subtract(middle, start))
    assert rise == pytest.approx(h, rel=1e-6, abs=1e-8)
    assert arc.sagitta == pytest.approx(h, rel=1e-6, abs=1e-8)
    assert hypot(*subtract(middle, start)) == pytest.approx(hypot(*subtract(middle, end)), rel=1e-7)
    again = Arc.through(start, middle, end)
    assert again.clockwise is arc.clockwise
    assert again.length == pytest.approx(arc.length, rel=1e-6)


def test_flat_arcs() -> None:
    """A tube of 600 mm that bows by 0.1 mm is an arc of 450 m, still measured well."""
    arc = Arc.from_sagitta((0.0, 0.0), (600.0, 0.0), 0.1)
    assert arc.radius == pytest.approx(600**2 / 0.8, rel=1e-6)
    # Length over chord: c(1 + 8/3·(h/c)²).
    assert arc.length == pytest.approx(600 * (1 + 8 / 3 * (0.1 / 600) ** 2), abs=1e-8)
    for h in (0.0, 1e-4, nan):
        with pytest.raises(GeometryError, match="use a line"):
            Arc.from_sagitta((0.0, 0.0), (600.0, 0.0), h)
    with pytest.raises(GeometryError, match="one line"):
        Arc.through((0.0, 0.0), (300.0, 0.0), (600.0, 0.0))
    with pytest.raises(GeometryError, match="one line"):
        Arc.through((0.0, 0.0), (300.0, 1e-5), (600.0, 0.0))
    with pytest.raises(GeometryError, match="one line"):
        Arc.through((0.0, 0.0), (300.0, 1.0), (0.0, 0.0))
