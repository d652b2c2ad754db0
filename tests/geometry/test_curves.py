from __future__ import annotations

from math import cos, exp, pi, sin, sqrt, tau

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import CubicSpline
from scipy.special import ellipe, fresnel

from oaktag.geometry import Curve, GeometryError, Point, distance, left_normal, norm, shifted

relaxed = settings(deadline=None, max_examples=40)

NODES: list[Point] = [(0.0, 0.0), (50.0, 30.0), (120.0, 10.0), (200.0, 60.0), (210.0, 120.0)]


@pytest.mark.parametrize("start", [None, (1.0, 2.0)])
@pytest.mark.parametrize("end", [None, (-3.0, 1.0)])
def test_through_is_the_cubic_spline_on_chord_length(start: Point | None, end: Point | None) -> None:
    nodes = np.array(NODES)
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(nodes, axis=0).T))])
    conditions = [
        (2, np.zeros(2)) if tangent is None else (1, np.array(tangent) / np.hypot(*tangent))
        for tangent in (start, end)
    ]
    spline = CubicSpline(chord, nodes, bc_type=tuple(conditions))
    curve = Curve.through(NODES, start, end)
    assert len(curve.beziers) == 4
    length, _ = quad(
        lambda u: float(np.hypot(*spline(u, 1))), 0.0, chord[-1], points=chord[1:-1], epsabs=1e-9
    )
    assert curve.length == pytest.approx(length, abs=1e-7)
    for u in np.linspace(0.0, chord[-1], 57):
        assert curve.nearest(tuple(spline(u)))[1] <= 1e-9
    for node in NODES:
        assert curve.nearest(node)[1] <= 1e-12


def test_through_two_points_is_straight() -> None:
    curve = Curve.through([(0, 0), (30, 40)])
    assert curve.length == pytest.approx(50.0, abs=1e-12)
    assert curve.point_at(25.0) == pytest.approx((15.0, 20.0))
    assert curve.offset(5.0).point_at(25.0) == pytest.approx((11.0, 23.0))
    assert curve.offset(5.0).length == pytest.approx(50.0, abs=1e-12)


def test_through_refuses() -> None:
    with pytest.raises(GeometryError, match="at least two"):
        Curve.through([(0.0, 0.0)])
    with pytest.raises(GeometryError, match="twice in a row"):
        Curve.through([(0.0, 0.0), (1.0, 1.0), (1.0, 1.0)])
    with pytest.raises(GeometryError, match="no direction"):
        Curve.through([(0.0, 0.0), (1.0, 1.0)], start_tangent=(0.0, 0.0))


def circle(radius: float) -> tuple[object, object]:
    return (
        lambda s: (radius * cos(s / radius), radius * sin(s / radius)),
        lambda s: (-sin(s / radius), cos(s / radius)),
    )


@pytest.mark.parametrize("radius", [5.0, 20.0, 300.0, 1e5])
@pytest.mark.parametrize("tolerance", [1e-3, 1e-5, 1e-7])
def test_fit_follows_a_circle(radius: float, tolerance: float) -> None:
    position, tangent = circle(radius)
    length = min(tau * radius * 0.9, 700.0)
    curve = Curve.fit(position, tangent, length, tolerance)  # type: ignore[arg-type]
    assert curve.length == pytest.approx(length, abs=tolerance + 1e-9)
    for k in range(301):
        s = length * k / 300
        assert distance(curve.point_at(min(s, curve.length)), position(s)) <= 2 * tolerance + 1e-9  # type: ignore[operator]


def clothoid(scale: float) -> tuple[object, object]:
    """Curvature grows evenly: a function known in closed form that is no arc."""

    def position(s: float) -> Point:
        y, x = fresnel(s / scale)
        return (scale * float(x), scale * float(y))

    def tangent(s: float) -> Point:
        angle = pi / 2 * (s / scale) ** 2
        return (cos(angle), sin(angle))

    return position, tangent


def test_fit_follows_a_clothoid() -> None:
    position, tangent = clothoid(200.0)
    curve = Curve.fit(position, tangent, 400.0)  # type: ignore[arg-type]
    assert curve.length == pytest.approx(400.0, abs=1e-5)
    assert len(curve.beziers) < 40
    for k in range(1, 400):
        assert distance(curve.point_at(float(k)), position(float(k))) < 2e-5  # type: ignore[operator]
        assert curve.curvature_at(float(k)) == pytest.approx(pi * k / 200.0**2, abs=2e-4)


def test_fit_respects_knots() -> None:
    """A line into a circle: curvature jumps at station 100, where a piece must end."""

    def position(s: float) -> Point:
        if s <= 100.0:
            return (s, 0.0)
        angle = (s - 100.0) / 30.0
        return (100.0 + 30.0 * sin(angle), 30.0 - 30.0 * cos(angle))

    def tangent(s: float) -> Point:
        angle = max(0.0, (s - 100.0) / 30.0)
        return (cos(angle), sin(angle))

    curve = Curve.fit(position, tangent, 150.0, knots=[100.0])
    joints = [piece[0] for piece in curve.beziers]
    assert (100.0, 0.0) in joints
    assert curve.curvature_at(99.9) == pytest.approx(0.0, abs=1e-12)
    assert curve.curvature_at(100.1) == pytest.approx(1 / 30.0, rel=1e-3)
    assert curve.length == pytest.approx(150.0, abs=1e-5)
    assert len(curve.beziers) <= 6
    with_none = Curve.fit(position, tangent, 150.0)
    assert len(with_none.beziers) > len(curve.beziers)
    # Knots at the ends, doubled or unsorted add nothing.
    assert Curve.fit(position, tangent, 150.0, knots=[150.0, 100.0, 0.0, 100.0]) == curve
    with pytest.raises(GeometryError, match="station"):
        Curve.fit(position, tangent, 150.0, knots=[151.0])


def test_fit_refuses_what_it_cannot_follow() -> None:
    position, tangent = circle(50.0)
    with pytest.raises(GeometryError, match="not the arc length"):
        Curve.fit(lambda s: position(1.1 * s), lambda s: tangent(1.1 * s), 100.0)  # type: ignore[operator]

    def corner(s: float) -> Point:
        return (s, 0.0) if s < 50.0 else (50.0, s - 50.0)

    with pytest.raises(GeometryError, match=r"near station (49|50)"):
        Curve.fit(corner, lambda s: (1.0, 0.0) if s < 50.0 else (0.0, 1.0), 100.0)
    for length, tolerance in ((0.0, 1e-5), (-1.0, 1e-5), (10.0, 0.0), (float("nan"), 1e-5)):
        with pytest.raises(GeometryError, match="must be positive"):
            Curve.fit(position, tangent, length, tolerance)  # type: ignore[arg-type]


def ellipse(a: float, b: float) -> Curve:
    """Four pieces of the usual circle, stretched."""
    k = 4.0 / 3.0 * (sqrt(2.0) - 1.0)
    quarters = [((1, 0), (1, k), (k, 1), (0, 1)), ((0, 1), (-k, 1), (-1, k), (-1, 0))]
    quarters += [tuple((-x, -y) for x, y in piece) for piece in quarters]  # type: ignore[misc]
    return Curve(tuple(tuple((a * x, b * y) for x, y in piece) for piece in quarters))  # type: ignore[misc]


def test_closed_curve() -> None:
    curve = ellipse(80.0, 50.0)
    assert curve.start == curve.end
    # The usual quarter is 2.7e-4 of the radius off the circle (from memory).
    assert curve.length == pytest.approx(4 * 80 * ellipe(1 - (50 / 80) ** 2), rel=4e-4)
    assert curve.area_term == pytest.approx(pi * 80 * 50, rel=4e-4)
    assert curve.curvature_range == pytest.approx((50 / 80**2, 80 / 50**2), rel=0.05)


def test_curvature_range_holds_every_sample() -> None:
    curve = Curve.through(NODES)
    low, high = curve.curvature_range
    samples = [curve.curvature_at(curve.length * k / 5000) for k in range(5001)]
    assert low - 1e-9 <= min(samples)
    assert max(samples) <= high + 1e-9
    assert low == pytest.approx(min(samples), abs=1e-4)
    assert high == pytest.approx(max(samples), abs=1e-4)


def test_offset_is_possible_until_the_tightest_place() -> None:
    curve = Curve.through(NODES)
    low, high = curve.curvature_range
    curve.offset(0.999 / high)
    curve.offset(-0.999 / -low)
    with pytest.raises(GeometryError, match="falls short"):
        curve.offset(1.001 / high)
    with pytest.raises(GeometryError, match="falls short"):
        curve.offset(-1.001 / -low)


def test_offset_of_a_parabola_against_its_equation() -> None:
    """y = x²/100 as one exact piece; its parallel at distance d in closed form."""
    curve = Curve((((-50.0, 25.0), (-50 / 3, -25 / 3), (50 / 3, -25 / 3), (50.0, 25.0)),))
    for d in (20.0, -20.0, 45.0):
        beside = curve.offset(d)
        for k in range(101):
            x = -50.0 + k
            slope = x / 50.0
            size = sqrt(1 + slope * slope)
            true = (x - d * slope / size, x * x / 100.0 + d / size)
            assert beside.nearest(true)[1] <= 1.01e-6


def test_a_curve_has_no_corners_gaps_or_empty_handles() -> None:
    first = ((0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (3.0, 0.0))
    Curve((first, ((3.0, 0.0), (4.0, 0.0009), (5.0, 0.0), (6.0, 0.0))))
    with pytest.raises(GeometryError, match="corner"):
        Curve((first, ((3.0, 0.0), (4.0, 0.0011), (5.0, 0.0), (6.0, 0.0))))
    with pytest.raises(GeometryError, match="starts at"):
        Curve((first, ((3.0, 2e-6), (4.0, 0.0), (5.0, 0.0), (6.0, 0.0))))
    with pytest.raises(GeometryError, match="handle"):
        Curve((((0.0, 0.0), (0.0, 0.0), (2.0, 0.0), (3.0, 0.0)),))
    with pytest.raises(GeometryError, match="at least one"):
        Curve(())
    with pytest.raises(GeometryError, match="4 control points"):
        Curve((((0.0, 0.0), (1.0, 0.0), (3.0, 0.0)),))  # type: ignore[arg-type]


def test_a_cut_at_a_joint_leaves_no_sliver() -> None:
    curve = Curve.through(NODES)
    joint = curve.station(2, 0.0)
    for shift in (-5e-8, 0.0, 5e-8):
        first, second = curve.split(joint + shift)
        assert len(first.beziers) == 2
        assert len(second.beziers) == 2
    # Cut a little off the joint, the small piece keeps its direction.
    small = curve.between(joint - 1e-5, joint + 1.0)
    assert len(small.beziers) == 2
    assert small.tangent_at(0.0) == pytest.approx(curve.tangent_at(joint), abs=1e-5)


@relaxed
@given(st.lists(st.floats(-0.9, 0.9), min_size=2, max_size=6), st.floats(0.0, 1.0))
def test_station_and_parameter_undo_each_other(turns: list[float], f: float) -> None:
    nodes, heading = [(0.0, 0.0)], 0.0
    for turn in turns:
        heading += turn
        nodes.append(shifted(nodes[-1], (cos(heading), sin(heading)), 40.0))
    curve = Curve.through(nodes)
    s = f * curve.length
    assert curve.nearest(curve.point_at(s))[0] == pytest.approx(s, abs=1e-6)


def test_lengths_hold_for_a_wild_piece() -> None:
    """A nearly cusped piece, where one Gauss rule is far off."""
    piece = ((0.0, 0.0), (100.0, 70.0), (0.0, 99.0), (100.0, 0.0))
    curve = Curve((piece,))
    p = np.array(piece)

    def speed(t: float) -> float:
        u = 1 - t
        return float(
            np.hypot(*(3 * (u * u * (p[1] - p[0]) + 2 * u * t * (p[2] - p[1]) + t * t * (p[3] - p[2]))))
        )

    true, _ = quad(speed, 0.0, 1.0, epsabs=1e-11, epsrel=1e-13, limit=500)
    assert curve.length == pytest.approx(true, abs=1e-8)
    half, _ = quad(speed, 0.0, 0.5, epsabs=1e-11, epsrel=1e-13, limit=500)
    assert curve.station(0, 0.5) == pytest.approx(half, abs=1e-8)
    middle = curve.point_at(half)
    assert middle == pytest.approx(tuple((p[0] + 3 * p[1] + 3 * p[2] + p[3]) / 8), abs=1e-7)


def test_fit_of_a_strip_edge() -> None:
    """Half width h(s) over the edge's arc length: x advances by sqrt(1 − h′²), so lengths stay the edge's."""
    length = 500.0

    def half(s: float) -> float:
        return 25.0 + 6.0 / (1.0 + exp(-(s - 250.0) / 30.0))

    def slope(s: float) -> float:
        e = exp(-(s - 250.0) / 30.0)
        return 6.0 * e / (30.0 * (1.0 + e) ** 2)

    def advance(s: float) -> float:
        return float(quad(lambda u: sqrt(1.0 - slope(u) ** 2), 0.0, s, epsabs=1e-11)[0])

    curve = Curve.fit(
        lambda s: (advance(s), half(s)), lambda s: (sqrt(1.0 - slope(s) ** 2), slope(s)), length
    )
    assert curve.length == pytest.approx(length, abs=1e-5)
    for s in (1.0, 99.5, 250.0, 311.0, 499.0):
        assert curve.point_at(s) == pytest.approx((advance(s), half(s)), abs=2e-5)


def test_offset_points_lie_on_normals() -> None:
    curve = Curve.through(NODES)
    beside = curve.offset(6.0)
    for k in range(50):
        s = curve.length * (k + 0.5) / 50
        true = shifted(curve.point_at(s), left_normal(curve.tangent_at(s)), 6.0)
        t, away = beside.nearest(true)
        assert away < 1e-6
        assert (
            norm(
                (
                    beside.tangent_at(t)[0] - curve.tangent_at(s)[0],
                    beside.tangent_at(t)[1] - curve.tangent_at(s)[1],
                )
            )
            < 1e-5
        )
