from __future__ import annotations

import itertools
from math import atan2, cos, degrees, floor, hypot, inf, nan, pi, radians, sin, sqrt, tan

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, fsolve

from oaktag.geometry import (
    Arc,
    Curve,
    Fillet,
    FilletError,
    GeometryError,
    Line,
    Path,
    Point,
    Transform,
    distance,
    intersections,
    left_normal,
    lerp,
    round_corner,
    shifted,
    signed_angle,
)

relaxed = settings(deadline=None, max_examples=40)


def arm(corner: Point, far: Point, kind: str, bulge: float) -> Path:
    """A side from the corner to a point."""
    if kind == "line":
        return Path((Line(corner, far),))
    if kind == "arc":
        return Path((Arc.from_sagitta(corner, far, bulge),))
    middle = shifted(lerp(corner, far, 0.45), left_normal(Line(corner, far).direction), bulge)
    return Path((Curve.through([corner, middle, far]),))


def corner_of(
    turn: float, first: tuple[str, float, float], second: tuple[str, float, float], heading: float = 0.0
) -> tuple[Path, Path]:
    """Two sides, each of a kind, a length and a bulge, that meet with about that turn in degrees."""
    corner = (30.0, -20.0)
    back = (corner[0] - first[1] * cos(heading), corner[1] - first[1] * sin(heading))
    onward = heading + radians(turn)
    ahead = (corner[0] + second[1] * cos(onward), corner[1] + second[1] * sin(onward))
    return arm(corner, back, first[0], first[2]).reversed(), arm(corner, ahead, second[0], second[2])


def check(fillet: Fillet, first: Path, second: Path, radius: float) -> None:
    """What makes a fillet one, whatever it lies between."""
    whole = fillet.first + Path((fillet.arc,)) + fillet.second
    assert whole.start == first.start
    assert whole.end == second.end
    assert fillet.arc.radius == radius
    assert fillet.arc.clockwise is (
        signed_angle(first.tangent_before(first.length), second.tangent_at(0)) < 0
    )
    assert 0.0 < abs(fillet.arc.sweep) < pi
    before, after = fillet.first.tangent_before(fillet.first.length), fillet.second.tangent_at(0.0)
    tolerance = 1e-6 if any(isinstance(s, Curve) for s in (*first.segments, *second.segments)) else 1e-9
    assert abs(signed_angle(before, fillet.arc.tangent_at(0.0))) < tolerance
    assert abs(signed_angle(fillet.arc.tangent_at(fillet.arc.length), after)) < tolerance
    assert fillet.first.length + fillet.tangent_length_first == pytest.approx(first.length, abs=2e-6)
    assert fillet.second.length + fillet.tangent_length_second == pytest.approx(second.length, abs=2e-6)
    # The circle touches and does not cross: what is cut off beside the tangent points lies outside it.
    for path, s, step in ((first, fillet.first.length, 1), (second, fillet.tangent_length_second, -1)):
        assert distance(path.point_at(s), fillet.arc.center) == pytest.approx(radius, abs=1e-8)
        for away in (0.05, 0.5, 1.0):
            beside = s + step * away
            if 0.0 < beside < path.length:
                assert distance(path.point_at(beside), fillet.arc.center) > radius - 1e-9
    for path in (fillet.first, fillet.second):
        for station, _, _ in intersections(fillet.arc, path):
            assert min(station, fillet.arc.length - station) < 1e-3


kinds = st.sampled_from(["line", "arc", "curve"])
bulges = st.floats(-15.0, 15.0).filter(lambda value: abs(value) > 0.5)


@relaxed
@given(
    st.floats(10.0, 150.0),
    st.booleans(),
    st.floats(-pi, pi),
    st.tuples(kinds, st.floats(120.0, 500.0), bulges),
    st.tuples(kinds, st.floats(120.0, 500.0), bulges),
    st.floats(3.0, 20.0),
    st.sampled_from(["left", "right"]),
)
def test_fillet_between_any_two_kinds(
    turn: float,
    right: bool,
    heading: float,
    one: tuple[str, float, float],
    other: tuple[str, float, float],
    radius: float,
    inside: str,
) -> None:
    first, second = corner_of(-turn if right else turn, one, other, heading)
    angle = signed_angle(first.tangent_before(first.length), second.tangent_at(0.0))
    assume(0.1 < abs(angle) < 2.8)
    try:
        fillet = round_corner(first, second, radius, inside)  # type: ignore[arg-type]
    except FilletError as error:
        assume(error.largest > 0.1)
        radius = error.largest
        fillet = round_corner(first, second, radius, inside)  # type: ignore[arg-type]
    check(fillet, first, second, radius)
    assert fillet.reflex is ((angle > 0) is not (inside == "left"))
    # The other way round the corner is the same corner.
    back = round_corner(second.reversed(), first.reversed(), radius, "left")
    assert back.arc.center == pytest.approx(fillet.arc.center, abs=1e-6)
    assert back.tangent_length_first == pytest.approx(fillet.tangent_length_second, abs=1e-6)
    # And so is its mirror image.
    mirror = Transform.mirror_x(7.0)
    image = round_corner(first.transformed(mirror), second.transformed(mirror), radius, "left")
    assert image.arc.center == pytest.approx(mirror.apply(fillet.arc.center), abs=1e-6)
    assert image.arc.clockwise is not fillet.arc.clockwise


@pytest.mark.parametrize("turn", [20.0, 90.0, 139.2, -60.0, -122.0])
def test_between_lines_in_closed_form(turn: float) -> None:
    first, second = corner_of(turn, ("line", 300.0, 0.0), ("line", 400.0, 0.0))
    fillet = round_corner(first, second, 20.0, "left")
    check(fillet, first, second, 20.0)
    t = 20.0 * tan(abs(radians(turn)) / 2)
    assert fillet.tangent_length_first == pytest.approx(t, rel=1e-12)
    assert fillet.tangent_length_second == pytest.approx(t, rel=1e-12)
    assert fillet.arc.sweep == pytest.approx(radians(turn), rel=1e-12)


def test_line_and_arc_against_a_solver() -> None:
    """Centre 20 above a level line and 20 from a circle of radius 300, by hand: right triangle."""
    big, r = 300.0, 20.0
    # A circle about (0, 300) touches the line y = 0 at the origin; take its part from (240, 120) on.
    first = Path((Line((-500.0, 30.0), (-sqrt(big**2 - 270.0**2), 30.0)),))
    start = first.end
    arc = Arc(start, (0.0, 0.0), (0.0, big), big, clockwise=False)
    second = Path((arc,))
    fillet = round_corner(first, second, r, "left")
    check(fillet, first, second, r)
    turns_right = signed_angle(first.tangent_at(0.0), arc.tangent_at(0.0)) < 0
    assert turns_right
    # Below the line, outside the circle: (x, 30 − r) at distance 300 + 20 from (0, 300).
    x = -sqrt((big + r) ** 2 - (big - (30.0 - r)) ** 2)
    assert fillet.arc.center == pytest.approx((x, 30.0 - r), abs=1e-9)


def test_two_arcs_against_a_solver() -> None:
    first = Path((Arc.from_sagitta((0.0, 0.0), (400.0, 0.0), 6.0),))
    second = Path((Arc.from_sagitta((400.0, 0.0), (0.0, 300.0), -5.0),))
    fillet = round_corner(first, second, 20.0, "left")
    check(fillet, first, second, 20.0)
    (a,), (b,) = first.segments, second.segments
    assert isinstance(a, Arc)
    assert isinstance(b, Arc)
    # The first bulges inwards (left), the second outwards, away from the round.
    solution = fsolve(
        lambda c: [
            hypot(c[0] - a.center[0], c[1] - a.center[1]) - (a.radius + 20.0),
            hypot(c[0] - b.center[0], c[1] - b.center[1]) - (b.radius - 20.0),
        ],
        [340.0, 25.0],
        xtol=1e-13,
    )
    assert fillet.arc.center == pytest.approx(tuple(solution), abs=1e-6)


def test_curve_against_a_solver() -> None:
    """A parabola y = x²/100 and the level line y = 9: centre by solving for the foot point."""
    parabola = Curve((((-50.0, 25.0), (-50 / 3, -25 / 3), (50 / 3, -25 / 3), (50.0, 25.0)),))
    crossing = 30.0
    second = Path((Line((crossing, 9.0), (crossing - 200.0, 9.0)),))
    ((s, _, _),) = intersections(parabola, Line((crossing - 1, 9.0), (crossing + 1, 9.0)))
    first = Path((parabola.between(0.0, s),))
    r = 3.0
    fillet = round_corner(first, second, r, "left")
    check(fillet, first, second, r)

    def height(x: float) -> float:
        slope = x / 50.0
        return x * x / 100.0 + r / sqrt(1 + slope * slope) - (9.0 - r)

    x = brentq(height, 0.0, crossing, xtol=1e-13)
    slope = x / 50.0
    assert fillet.arc.center == pytest.approx((x - r * slope / sqrt(1 + slope**2), 9.0 - r), abs=1e-7)


def test_a_fillet_may_use_up_whole_segments() -> None:
    """A chamfered corner: the arc is tangent to the long sides and the chamfer is gone."""
    first = Path.polyline([(0.0, 0.0), (97.0, 0.0), (99.0, 1.0)])
    second = Path.polyline([(99.0, 1.0), (100.0, 3.0), (100.0, 100.0)])
    fillet = round_corner(first, second, 30.0, "left")
    check(fillet, first, second, 30.0)
    assert fillet.arc.center == pytest.approx((70.0, 30.0), abs=1e-9)
    assert len(fillet.first.segments) == len(fillet.second.segments) == 1
    assert fillet.tangent_length_first == pytest.approx(27.0 + hypot(2.0, 1.0), abs=1e-9)
    # A small one stays within the corner itself.
    small = round_corner(first, second, 0.5, "left")
    check(small, first, second, 0.5)
    assert len(small.first.segments) == len(small.second.segments) == 2


def test_a_fillet_over_an_arc_that_is_tighter_than_itself() -> None:
    """A corner that is rounded already but for its last bit: the small arc is used up."""
    corner = round_corner(
        Path.polyline([(0.0, 0.0), (100.0, 0.0)]), Path.polyline([(100.0, 0.0), (100.0, 100.0)]), 10.0, "left"
    )
    rounded, rest = (corner.first + Path((corner.arc,))).split(corner.first.length + 0.5 * corner.arc.length)
    kinked = Transform.rotation(1.0, about=rounded.end)
    second = (rest + corner.second).transformed(kinked)
    fillet = round_corner(rounded, second, 25.0, "left")
    check(fillet, rounded, second, 25.0)
    assert all(
        isinstance(segment, Line) for segment in (fillet.first.segments[-1], fillet.second.segments[0])
    )


def test_the_side_that_is_left_over_is_respected() -> None:
    """Two corners on one side: the second must not reach into the first."""
    corners: list[Point] = [(0.0, 0.0), (100.0, 0.0), (100.0, 60.0), (0.0, 60.0)]
    bottom, right, top = (Path.polyline([a, b]) for a, b in itertools.pairwise(corners))
    low = round_corner(bottom, right, 35.0, "left")
    with pytest.raises(FilletError, match=r"takes 35\.000 mm of both sides") as refused:
        round_corner(low.second, top, 35.0, "left")
    assert refused.value.largest == pytest.approx(25.0, abs=0.01)
    assert refused.value.largest < 25.0
    high = round_corner(low.second, top, refused.value.largest, "left")
    check(high, low.second, top, refused.value.largest)
    # Nothing would be left of the side.
    with pytest.raises(FilletError):
        round_corner(low.second, top, 25.0, "left")


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (("line", 200.0, 0.0), ("arc", 150.0, 9.0)),
        (("arc", 200.0, -9.0), ("arc", 150.0, 9.0)),
        (("curve", 200.0, 9.0), ("line", 150.0, 0.0)),
        (("curve", 200.0, 9.0), ("curve", 150.0, -9.0)),
        (("line", 200.0, 0.0), ("line", 150.0, 0.0)),
    ],
)
@pytest.mark.parametrize("turn", [60.0, -110.0])
def test_the_largest_radius_fits_and_a_hundredth_more_does_not(
    first: tuple[str, float, float], second: tuple[str, float, float], turn: float
) -> None:
    one, other = corner_of(turn, first, second)
    with pytest.raises(FilletError) as refused:
        round_corner(one, other, 5000.0, "left")
    largest = refused.value.largest
    assert largest > 10.0
    check(round_corner(one, other, largest, "left"), one, other, largest)
    with pytest.raises(FilletError) as again:
        round_corner(one, other, largest + 0.01, "left")
    assert again.value.largest == pytest.approx(largest, abs=0.01)
    assert str(refused.value).endswith(f"the largest radius that fits is {floor(100 * largest) / 100:.2f} mm")


def test_a_corner_that_is_none() -> None:
    line = Path.polyline([(0.0, 0.0), (100.0, 0.0)])
    with pytest.raises(FilletError, match="no corner") as refused:
        round_corner(line, Path.polyline([(100.0, 0.0), (200.0, 0.0)]), 10.0, "left")
    assert refused.value.largest == 0.0
    with pytest.raises(FilletError):
        round_corner(line, line.reversed(), 10.0, "left")
    with pytest.raises(GeometryError, match="no corner"):
        round_corner(line, Path.polyline([(100.1, 0.0), (200.0, 50.0)]), 10.0, "left")
    second = Path.polyline([(100.0, 0.0), (200.0, 50.0)])
    for radius in (0.0, -5.0, nan, inf):
        with pytest.raises(GeometryError, match="radius"):
            round_corner(line, second, radius, "left")
    with pytest.raises(GeometryError, match="inside"):
        round_corner(line, second, 5.0, "outside")  # type: ignore[arg-type]


def test_a_whole_frame_opening_with_bowed_tubes() -> None:
    """Every corner of a triangle of two bowed tubes and a straight one, at one radius."""
    corners: list[Point] = [(0.0, 0.0), (518.0, 0.0), (120.0, -390.0)]
    bows = [4.0, -6.0, 0.0]
    sides = [
        Path((Arc.from_sagitta(a, b, bow),)) if bow else Path.polyline([a, b])
        for a, b, bow in zip(corners, corners[1:] + corners[:1], bows, strict=True)
    ]
    arcs: list[Path] = []
    for i in range(3):
        after = (i + 1) % 3
        before = (sides[i], sides[after])
        fillet = round_corner(*before, 20.0, "right")
        check(fillet, *before, 20.0)
        assert not fillet.reflex
        sides[i], sides[after] = fillet.first, fillet.second
        arcs.append(Path((fillet.arc,)))
    outline = sides[0] + arcs[0] + sides[1] + arcs[1] + sides[2] + arcs[2]
    assert outline.closed
    assert outline.clockwise
    assert outline.is_simple()
    turned = sum(arc.sweep for path in arcs for arc in path.segments if isinstance(arc, Arc))
    bowed = sum(segment.sweep for path in sides for segment in path.segments if isinstance(segment, Arc))
    assert degrees(turned + bowed) == pytest.approx(-360.0, abs=1e-6)
    assert atan2(*outline.tangent_at(0.0)[::-1]) == pytest.approx(
        atan2(*outline.tangent_before(0.0)[::-1]), abs=1e-9
    )


def test_a_fillet_is_not_put_into_a_bend_tighter_than_itself() -> None:
    """The second side goes straight for 12 mm, bends inwards at a radius of 6 and goes straight again."""
    bend = radians(70.0)

    def position(s: float) -> Point:
        if s <= 12.0:
            return (s, 0.0)
        angle = min((s - 12.0) / 6.0, bend)
        rest = s - 12.0 - 6.0 * angle
        return (
            12.0 + 6.0 * sin(angle) + rest * cos(angle),
            6.0 - 6.0 * cos(angle) + rest * sin(angle),
        )

    def tangent(s: float) -> Point:
        angle = 0.0 if s <= 12.0 else min((s - 12.0) / 6.0, bend)
        return (cos(angle), sin(angle))

    side = Curve.fit(position, tangent, 120.0, knots=[12.0, 12.0 + 6.0 * bend])
    first, second = Path.polyline([(-60.0, 104.0), (0.0, 0.0)]), Path((side,))
    # In the bend itself an arc would touch from inside and stand out over the straight part before it.
    for radius in (10.0, 20.0, 21.5, 30.0, 50.0):
        fillet = round_corner(first, second, radius, "left")
        check(fillet, first, second, radius)
        assert (fillet.tangent_length_second < 12.0) is (radius < 12.0 / tan(radians(60.0) / 2))
        assert fillet.tangent_length_second < 12.0 or fillet.tangent_length_second > 12.0 + 6.0 * bend


def test_a_fillet_turns_by_less_than_a_half_circle() -> None:
    """A slit that opens into a chamber and narrows again: a circle in the chamber is no rounded corner."""
    upper: list[Point] = [(0.0, 0.0), (10.0, 0.5), (10.0, 15.0), (60.0, 2.0)]
    first, second = Path.polyline([(x, -y) for x, y in reversed(upper)]), Path.polyline(upper)
    check(round_corner(first, second, 0.2, "right"), first, second, 0.2)
    for radius in (5.0, 8.0, 10.0):
        with pytest.raises(FilletError) as refused:
            round_corner(first, second, radius, "right")
        assert 0.4 < refused.value.largest <= 0.501


@pytest.mark.parametrize("kind", ["line", "arc"])
def test_an_arc_that_another_stretch_of_the_side_crosses_is_refused(kind: str) -> None:
    """The first side comes back past its own corner, across where the arc would lie."""
    start, corner = (-50.0, 0.0), (100.0, 0.0)
    last = Line(start, corner) if kind == "line" else Arc.from_sagitta(start, corner, -2.0)
    first = Path.polyline([(98.0, 3.0), (40.0, 50.0), (-50.0, 50.0), (-50.0, 0.0)]) + Path((last,))
    second = Path.polyline([(100.0, 0.0), (100.0, 100.0)])
    with pytest.raises(FilletError) as refused:
        round_corner(first, second, 30.0, "left")
    largest = refused.value.largest
    assert 1.0 < largest < 20.0
    check(round_corner(first, second, largest, "left"), first, second, largest)


def test_of_two_arcs_that_fit_the_one_nearer_to_the_corner_is_meant() -> None:
    first = Path.polyline([(-100.0, 0.0), (-41.9534, -8.3852), (0.0, 0.0)])
    second = Path.polyline([(0.0, 0.0), (-8.6739, 46.3685), (-20.5328, 118.2303)])
    fillet = round_corner(first, second, 41.9276, "left")
    check(fillet, first, second, 41.9276)
    assert len(fillet.first.segments) == 2


@pytest.mark.parametrize("kind", ["arc", "curve"])
def test_something_of_every_side_is_left(kind: str) -> None:
    first, second = corner_of(80.0, ("line", 200.0, 0.0), (kind, 200.0, 6.0))
    whole = round_corner(first, second, 30.0, "left")
    taken = whole.tangent_length_first
    for rest in (0.0, 0.0005):
        with pytest.raises(FilletError):
            round_corner(first.between(first.length - taken - rest, first.length), second, 30.0, "left")
    some = first.between(first.length - taken - 0.002, first.length)
    assert round_corner(some, second, 30.0, "left").first.length == pytest.approx(0.002, abs=1e-6)
