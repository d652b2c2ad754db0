from __future__ import annotations

import pickle
from math import cos, hypot, inf, nan, pi, sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oaktag.geometry import (
    Box,
    FilletError,
    GeometryError,
    OffsetError,
    Point,
    Transform,
    add,
    cross,
    distance,
    dot,
    left_normal,
    lerp,
    midpoint,
    norm,
    rotate,
    scale,
    shifted,
    signed_angle,
    subtract,
    unit,
)

relaxed = settings(deadline=None, max_examples=50)
number = st.floats(-1e3, 1e3)
points = st.tuples(number, number)
transforms = st.lists(
    st.one_of(
        st.builds(Transform.translation, number, number),
        st.builds(Transform.rotation, st.floats(-720, 720), points),
        st.builds(Transform.mirror_x, number),
        st.builds(Transform.scaling, st.floats(0.1, 10)),
    ),
    max_size=4,
)


def test_vectors() -> None:
    a, b = (3.0, 4.0), (-4.0, 3.0)
    assert add(a, b) == (-1.0, 7.0)
    assert subtract(a, b) == (7.0, 1.0)
    assert scale(a, 2.0) == (6.0, 8.0)
    assert shifted(a, (1.0, 0.0), -3.0) == (0.0, 4.0)
    assert dot(a, b) == 0.0
    assert cross(a, b) == 25.0
    assert norm(a) == 5.0
    assert unit(a) == (0.6, 0.8)
    assert left_normal(a) == b
    assert distance(a, b) == hypot(7.0, 1.0)
    assert lerp(a, b, 0.25) == (1.25, 3.75)
    assert midpoint(a, b) == (-0.5, 3.5)
    assert signed_angle(a, b) == pytest.approx(pi / 2)
    assert signed_angle(b, a) == pytest.approx(-pi / 2)
    assert rotate((2.0, 1.0), pi / 2, about=(1.0, 1.0)) == pytest.approx((1.0, 2.0))
    with pytest.raises(GeometryError, match="no direction"):
        unit((0.0, 0.0))


def test_box() -> None:
    box = Box.around([(3.0, -1.0), (-2.0, 4.0), (0.0, 0.0)])
    assert box == (-2.0, -1.0, 3.0, 4.0)
    assert (box.width, box.height, box.centre) == (5.0, 5.0, (0.5, 1.5))
    assert box.union(Box(0.0, 0.0, 9.0, 1.0)) == (-2.0, -1.0, 9.0, 4.0)
    assert box.expanded(1.0) == (-3.0, -2.0, 4.0, 5.0)
    assert box.expanded(-2.5).width == 0.0
    assert box.contains((3.0, 4.0))
    assert not box.contains((3.1, 4.0))
    assert box.contains((3.1, 4.0), margin=0.2)
    assert box.overlaps(Box(3.0, 4.0, 8.0, 9.0))
    assert not box.overlaps(Box(3.1, 0.0, 8.0, 9.0))
    assert box.overlaps(Box(3.1, 0.0, 8.0, 9.0), margin=0.2)
    assert box.distance((6.0, 8.0)) == 5.0
    assert box.distance((0.0, 0.0)) == 0.0
    with pytest.raises(GeometryError, match="shrink"):
        box.expanded(-2.6)
    with pytest.raises(GeometryError, match="no points"):
        Box.around([])


def test_known_transforms() -> None:
    assert Transform.translation(2.0, -3.0).apply((1.0, 1.0)) == (3.0, -2.0)
    assert Transform.mirror_x(10.0).apply((3.0, 5.0)) == (17.0, 5.0)
    assert Transform.mirror_x().mirrors
    assert Transform.scaling(2.0).apply((3.0, 5.0)) == (6.0, 10.0)
    assert Transform.rotation(90.0, about=(1.0, 1.0)).apply((2.0, 1.0)) == (1.0, 2.0)
    assert Transform.rotation(30.0).angle == pytest.approx(30.0)
    x, y = Transform.rotation(30.0).apply((1.0, 0.0))
    assert (x, y) == pytest.approx((cos(pi / 6), sin(pi / 6)))


@pytest.mark.parametrize("angle", [90.0, -90.0, 180.0, 270.0, 450.0])
def test_quarter_turns_are_exact(angle: float) -> None:
    """Four of them, so a piece turned on the sheet keeps its coordinates."""
    turn = Transform.rotation(angle)
    point = (0.1, 123.456)
    assert turn.then(turn).then(turn).then(turn).apply(point) == point
    assert {abs(value) for value in turn.apply(point)} == {0.1, 123.456}


@relaxed
@given(transforms, transforms, points, points)
def test_transforms_compose_keep_shape_and_undo(
    first: list[Transform], second: list[Transform], p: Point, q: Point
) -> None:
    one, other = Transform(), Transform()
    for step in first:
        one = one.then(step)
    for step in second:
        other = other.then(step)
    both = one.then(other)
    step_by_step = p
    for step in first + second:
        step_by_step = step.apply(step_by_step)
    assert both.apply(p) == pytest.approx(step_by_step, rel=1e-9, abs=1e-6 * max(1.0, both.scale))
    assert distance(both.apply(p), both.apply(q)) == pytest.approx(
        both.scale * distance(p, q), rel=1e-9, abs=1e-6 * max(1.0, both.scale)
    )
    assert both.mirrors is (sum(step.mirrors for step in first + second) % 2 == 1)
    sense = cross(subtract(q, p), (1.0, 2.0))
    image = cross(
        subtract(both.apply(q), both.apply(p)),
        subtract(both.apply((p[0] + 1.0, p[1] + 2.0)), both.apply(p)),
    )
    assert image == pytest.approx(
        sense * both.scale**2 * (-1 if both.mirrors else 1), rel=1e-6, abs=1e-3 * both.scale**2 + 1e-3
    )
    assert both.inverse().apply(both.apply(p)) == pytest.approx(
        p, abs=1e-6 * max(1.0, 1 / both.scale) * max(1.0, both.scale)
    )


def test_transforms_refuse_nonsense() -> None:
    for k in (0.0, -1.0, nan, inf):
        with pytest.raises(GeometryError):
            Transform.scaling(k)
    with pytest.raises(GeometryError, match="angle"):
        Transform.rotation(nan)
    with pytest.raises(GeometryError, match="similarity"):
        Transform.translation(inf, 0.0)
    with pytest.raises(GeometryError, match="centre"):
        Transform.rotation(10.0, about=(nan, 0.0))


def test_errors_survive_pickling_between_processes() -> None:
    offset = pickle.loads(pickle.dumps(OffsetError(3, "it crosses itself")))
    assert (offset.part, offset.reason, str(offset)) == (3, "it crosses itself", "part 3: it crosses itself")
    fillet = pickle.loads(pickle.dumps(FilletError(12.349, "too tight")))
    assert (fillet.largest, fillet.reason) == (12.349, "too tight")
    # Rounded down: a radius that is offered has to fit.
    assert str(fillet) == "too tight; the largest radius that fits is 12.34 mm"
    assert issubclass(GeometryError, ValueError)
